"""What must not matter does not: how a case is cut into snapshots, and silent snapshots."""

from __future__ import annotations

import itertools
from functools import cache

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose import answer_case, engine_for
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.network.odds import odds_of, survival
from tests.small import shipped

SETTINGS = ("routine", "anomaly", "exercise")
#: minutes: no length at all is refused in a case, and this is as good as none
NO_TIME = 1e-10


@cache
def engine():
    return engine_for(shipped(), "single_pump")


def case_of(setting, *snapshots, **changes):
    return CaseRecord(title="", panel="single_pump", setting=setting, snapshot=tuple(snapshots), **changes)


SPOKEN = (
    {},
    {"airspeed.value": "zero"},
    {"altimeter.trend": "steady", "vertical_speed.rate": "zero"},
    {"suction.value": "zero", "attitude.behaviour": "leaning"},
    {"attitude.bank": "level", "turn_coordinator.turn": "level", "airspeed.value": "normal"},
)


@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("readings", SPOKEN)
def test_a_silent_snapshot_of_no_length_changes_nothing(setting, readings):
    said = SnapshotRecord(manoeuvre="climb", minutes=2.0, readings=readings)
    silent = SnapshotRecord(manoeuvre="climb", minutes=NO_TIME)
    plain = answer_case(shipped(), case_of(setting, said), engine())
    longer = answer_case(shipped(), case_of(setting, said, silent, silent), engine())
    for name, chance in plain.failures.items():
        assert longer.failures[name] == pytest.approx(chance, abs=1e-9), name
    before = {r.failures: r.prior for r in plain.ranking}
    assert {r.failures: r.prior for r in longer.ranking} == pytest.approx(before, abs=1e-9)


@given(
    setting=st.sampled_from(SETTINGS),
    since=st.sampled_from([0.0, 6.0, 45.0]),
    lengths=st.lists(st.tuples(st.floats(0.1, 20.0), st.floats(0.0, 30.0)), min_size=1, max_size=4),
)
def test_the_prior_hangs_on_time_and_not_on_the_cut(setting, since, lengths):
    """One silent snapshot of the whole time, or several with gaps: every set is as likely."""
    cut = tuple(
        SnapshotRecord(manoeuvre="level", minutes=minutes, minutes_before=gap if number else 0.0)
        for number, (minutes, gap) in enumerate(lengths)
    )
    total = sum(s.minutes + s.minutes_before for s in cut)
    whole = (SnapshotRecord(manoeuvre="level", minutes=total),)
    chances = [
        engine().posterior(case_of(setting, *snapshots, minutes_since_start=since))
        for snapshots in (cut, whole)
    ]
    first, second = ({r.failures: r.prior for r in posterior.ranking()} for posterior in chances)
    assert first == pytest.approx(second, rel=1e-8, abs=1e-12)


@pytest.mark.parametrize("setting", SETTINGS)
def test_a_failure_can_begin_within_the_only_snapshot(setting):
    case = case_of(setting, SnapshotRecord(manoeuvre="level", minutes=15.0), minutes_since_start=0.0)
    answer = answer_case(shipped(), case, engine())
    for name, chance in answer.failures.items():
        assert (chance > 0.0) or not shipped().failures[name].begins_in_flight, name


def test_later_failures_of_an_exercise_follow_the_time():
    """In ten minutes as many begin as are there from the start; what cannot begin in flight does not.

    What is in no list keeps its rates: nobody chooses it.
    """
    equal, within = (
        getattr(shipped().settings["exercise"], n) for n in ("equal_chance", "begins_within_min")
    )
    bare = SnapshotRecord(manoeuvre="level", minutes=within / 4.0)
    odds = odds_of(engine().network, case_of("exercise", *[bare] * 4))
    for place, failure in enumerate(engine().network.failures):
        if not failure.listed:
            assert odds.by_the_end[place] < 1e-4
        elif failure.begins_in_flight:
            assert odds.by_the_end[place] == pytest.approx(1.0 - (1.0 - equal) ** 2, rel=1e-9)
        elif odds.latent[place] > 0.0:
            assert odds.by_the_end[place] == pytest.approx(equal, rel=1e-9)


@pytest.mark.parametrize("setting", ["anomaly", "exercise"])
def test_the_stated_share_stands_whatever_silence_follows(setting):
    """Something noticeable has the setting's chance before any reading, with one snapshot or many."""
    loud = {f.id for f in engine().network.failures if not f.silent}
    bare = SnapshotRecord(manoeuvre="level", minutes=3.0)
    for count in (1, 4):
        posterior = engine().posterior(case_of(setting, *[bare] * count))
        share = sum(r.posterior for r in posterior.ranking() if loud & set(r.failures))
        assert share == pytest.approx(shipped().settings[setting].chance, abs=0.01)


def test_trust_is_never_above_one():
    for readings, manoeuvre in itertools.product(SPOKEN, ("level", "climb", "left_turn")):
        case = case_of("anomaly", *[SnapshotRecord(manoeuvre=manoeuvre, readings=readings)] * 3)
        for trust in answer_case(shipped(), case, engine()).trust:
            assert 0.0 <= trust.now <= 1.0
            assert 0.0 <= trust.soon <= 1.0


@given(begins=st.floats(0.0, 0.9), times=st.floats(1.0, 600.0), cause=st.floats(0.0, 0.9))
def test_a_cause_lowers_the_survival_as_a_plain_sum_says(begins, times, cause):
    """The cause's onset spread over the time by its rate, in two thousand steps."""
    was, comes = survival(begins, times, cause)
    extra, rate = -np.log1p(-begins) * (times - 1.0), -np.log1p(-cause)
    when = (np.arange(20000) + 0.5) / 20000
    weight = np.exp(-rate * when)
    assert was == pytest.approx(np.exp(-extra), rel=1e-9)
    assert comes == pytest.approx((weight * np.exp(-extra * (1.0 - when))).sum() / weight.sum(), rel=2e-3)


def test_a_zero_length_is_refused_in_a_case():
    from diagnose.model.errors import CaseError

    case = case_of("routine", SnapshotRecord(manoeuvre="level"))
    bad = msgspec.structs.replace(case, snapshot=(SnapshotRecord(manoeuvre="level", minutes=0.0),))
    with pytest.raises(CaseError, match="lasts 0"):
        engine().posterior(bad)
