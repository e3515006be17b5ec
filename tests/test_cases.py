"""Every shipped case is sound and ranks its truth as it says; the published table is held."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from diagnose import answer_case, engine_for
from diagnose.language.case_files import case_paths, load_case
from diagnose.model import FailureKind
from diagnose.proof.handbook import place_of_truth
from tests.small import shipped

PATHS = case_paths()
PUBLISHED = {name for name, path in PATHS.items() if path.parent.name == "published"}


@cache
def engine(panel):
    return engine_for(shipped(), panel)


@cache
def solved(name):
    case = load_case(name, shipped())
    return case, answer_case(shipped(), case, engine(case.panel))


def rank_of_truth(name):
    """Place of the first true set in the ranking, counted from one."""
    return place_of_truth(shipped(), *solved(name)) or 10**6


def with_strength(*strengths):
    return sorted(n for n in PUBLISHED if load_case(n, shipped()).truth.strength in strengths)


@pytest.mark.parametrize("name", sorted(PATHS))
def test_the_case_names_its_source_and_is_answered(name):
    case, answer = solved(name)
    assert case.source
    assert sum(r.posterior for r in answer.ranking) == pytest.approx(1.0)


@pytest.mark.parametrize("name", sorted(set(PATHS) - PUBLISHED))
def test_our_own_case_ranks_its_truth_first(name):
    assert rank_of_truth(name) == 1


def test_published_causes_come_first_in_four_of_five():
    names = with_strength("T1", "T2")
    first = [name for name in names if rank_of_truth(name) == 1]
    assert len(names) >= 14
    assert len(first) / len(names) >= 0.8


@pytest.mark.parametrize("name", with_strength("T1", "T2"))
def test_a_published_cause_is_in_the_first_three(name):
    assert rank_of_truth(name) <= 3


@pytest.mark.parametrize("name", ["asrs_256377_disorientation", "asrs_536579_mountain_wave"])
def test_a_published_non_failure_raises_no_failure(name):
    _, answer = solved(name)
    faults = {f: p for f, p in answer.failures.items() if shipped().failures[f].kind is FailureKind.FAILURE}
    assert max(faults.values()) < 0.5


def test_static_blockage_covers_the_three_dials():
    _, answer = solved("static_blocked_climb")
    sealed = sum(
        p for f, p in answer.failures.items() if shipped().failures[f].acts.get("static_ports") == "sealed"
    )
    assert sealed > 0.9
    grades = {t.gauge: t.grade.value for t in answer.trust}
    assert {grades[g] for g in ("airspeed", "altimeter", "vertical_speed")} == {"cover"}
    assert grades["attitude"] == "use"


def test_level_flight_leaves_every_failure_near_its_prior_unless_the_readings_speak_against_it():
    """None rises; only those fall that would not let these four readings through half of the time."""
    case, answer = solved("static_blocked_level_only")
    healthy = engine(case.panel).log_likelihood(case, ())
    fallen = set()
    for name, prior in answer.priors.items():
        if not prior:
            continue
        ratio = answer.failures[name] / prior
        assert ratio <= 2.0, name
        if ratio < 0.5:
            fallen.add(name)
            assert engine(case.panel).log_likelihood(case, (name,)) < healthy + np.log(0.5), name
    assert not fallen & {"static_ports_taped", "static_line_iced", "pitot_and_drain_blocked"}


def test_vacuum_is_undecided_first_and_certain_in_the_end():
    import msgspec

    case, answer = solved("vacuum_pump_three_snapshots")
    source = [
        f for f in answer.failures if shipped().failures[f].acts.keys() & {"engine_pump", "suction_line"}
    ]
    assert sum(r.posterior for r in answer.ranking if set(r.failures) & set(source)) > 0.9
    early = answer_case(
        shipped(), msgspec.structs.replace(case, snapshot=case.snapshot[:1]), engine(case.panel)
    )
    assert not early.decided
    assert max(early.failures.values()) < 0.8
    assert early.failures["attitude_worn"] > 0.02


def test_a_gauge_that_shows_a_lost_source_is_no_liar():
    """Lost suction is what a suction gauge is for; one that reads zero beside sound gyros is covered."""
    grades = {t.gauge: t.grade.value for t in solved("vacuum_pump_three_snapshots")[1].trust}
    assert (grades["suction"], grades["attitude"]) == ("use", "cover")
    grades = {t.gauge: t.grade.value for t in solved("suction_gauge_fault")[1].trust}
    assert (grades["suction"], grades["attitude"]) == ("cover", "use")


def test_agreeing_instruments_say_that_the_aircraft_turns():
    _, answer = solved("all_agree_turning")
    assert "the instruments agree" in answer.verdict
    assert "turning left" in answer.verdict


def test_a_bare_disagreement_is_not_decided():
    assert not solved("disagreement_only")[1].decided


def test_every_published_event_that_was_read_is_listed():
    """What is not in the list counts as unseen, so the list must not lag behind the cases."""
    listed = (Path(__file__).parent / "data" / "events_read.txt").read_text().splitlines()
    assert listed == sorted(set(listed))
    numbers = {found.group(1) for name in PUBLISHED if (found := re.match(r"asrs_(\d{5,})_", name))}
    assert len(numbers) >= 15
    assert {f"ASRS ACN {number}" for number in numbers} <= set(listed)
