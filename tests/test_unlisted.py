"""Faults that the knowledge does not list: a contradiction costs trust, and the verdict says that nothing fits."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.advice.advise import advise
from diagnose.knowledge.load import listed_only
from diagnose.model import UNLISTED, CaseRecord, Grade, SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.network.odds import odds_of
from diagnose.network.tables import compile_network
from diagnose.practice.drill.studio import Studio
from diagnose.practice.known import reasoner
from tests.small import engine, shipped

#: the ball and the view outside have no works that could fail
HAS_NO_PART = ("ball", "outside")
PANELS = ("single_pump", "dual_pump", "electric_attitude")


def test_every_instrument_to_fly_by_has_one():
    kb = shipped()
    parts = {part for failure in kb.failures.values() if not failure.listed for part in failure.acts}
    for name, gauge in kb.gauges.items():
        if gauge.instrument and name not in HAS_NO_PART:
            own = {parent for facet in gauge.facets for parent in facet.parents}
            assert own & parts, name


def test_it_shows_any_reading_as_often_as_any_other():
    network = engine("single_pump").network
    table = network.facets["vertical_speed.rate"]
    place = table.parents.index("vertical_speed_part")
    chance = np.take(table.chance, network.states["vertical_speed_part"].index(UNLISTED), axis=place)
    # whoever misreads an even spread tells the middle of the dial a little more often than its ends
    assert np.abs(chance - 1.0 / len(table.readings)).max() < 0.01


LEVEL = {"attitude.bank": "level", "heading.trend": "steady"}
#: gauge -> what stands beside it, its facet, and the two readings that it gives by turns in level flight
CONTRADICTED = {
    "compass": ({"turn_coordinator.turn": "level"}, "compass.trend", ("left", "right")),
    "altimeter": (
        {"vertical_speed.rate": "zero", "airspeed.trend": "steady"},
        "altimeter.trend",
        ("falling", "rising"),
    ),
    "airspeed": (
        {"vertical_speed.rate": "zero", "altimeter.trend": "steady"},
        "airspeed.trend",
        ("falling", "rising"),
    ),
}


def told_of(machine, gauge, setting):
    beside, facet, by_turns = CONTRADICTED[gauge]
    snapshots = [
        SnapshotRecord(manoeuvre="level", readings=LEVEL | beside | {facet: r}) for r in by_turns * 2
    ]
    panel = machine.network.panel.id
    case = CaseRecord(title="", panel=panel, setting=setting, snapshot=tuple(snapshots))
    answer = advise(machine.posterior(case))
    return answer, next(told for told in answer.trust if told.gauge == gauge)


@pytest.mark.parametrize("gauge", CONTRADICTED)
@pytest.mark.parametrize("setting", ["routine", "anomaly", "exercise"])
@pytest.mark.parametrize("panel", PANELS)
def test_what_all_others_contradict_by_turns_is_covered(panel, setting, gauge):
    if panel == "electric_attitude" and gauge == "compass":
        pytest.skip("no turn coordinator on this panel")
    assert told_of(engine(panel), gauge, setting)[1].grade is Grade.COVER


def test_without_such_a_fault_a_wild_compass_was_believed():
    machine = Engine(compile_network(listed_only(shipped()), "single_pump"))
    for setting in ("routine", "anomaly", "exercise"):
        assert told_of(machine, "compass", setting)[1].now > 0.9
        answer, told = told_of(engine("single_pump"), "compass", setting)
        assert told.now < 0.1
        assert answer.verdict.startswith("Nothing listed here explains it well: magnetic compass ")


def test_an_exercise_chooses_from_the_list():
    network = engine("single_pump").network
    case = CaseRecord(
        title="", panel="single_pump", setting="exercise", snapshot=(SnapshotRecord(manoeuvre="level"),)
    )
    odds = odds_of(network, case)
    for place, failure in enumerate(network.failures):
        if not failure.listed:
            assert odds.latent[place] == pytest.approx(failure.latent)


def test_what_is_not_listed_is_not_drilled_nor_flown():
    kb = shipped()
    assert all(failure.listed for failure in Studio.of(kb, "single_pump").network.failures)
    assert all(failure.listed for failure in reasoner(kb, "single_pump").network.failures)
    assert len(listed_only(kb).failures) < len(kb.failures)
