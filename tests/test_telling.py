"""Why a case was told: what explains its odd readings decides, and each rule of it is one that a pilot would state."""

from __future__ import annotations

from functools import cache

import pytest

from diagnose import answer_case, engine_for
from diagnose.model import CaseRecord, FailureKind, SnapshotRecord
from tests.small import shipped

TOLD = shipped().settings["anomaly"].told


@cache
def engine():
    return engine_for(shipped(), "single_pump")


def answer(manoeuvre, setting="anomaly", **readings):
    named = {name.replace("__", "."): reading for name, reading in readings.items()}
    snapshot = SnapshotRecord(manoeuvre=manoeuvre, readings=named)
    case = CaseRecord(title="", panel="single_pump", setting=setting, snapshot=(snapshot,))
    return answer_case(shipped(), case, engine())


def chances(found):
    return {r.failures: r.posterior for r in found.ranking}


ODD = [
    ("climb", {"airspeed__value": "zero"}),
    ("climb", {"altimeter__trend": "steady", "vertical_speed__rate": "zero"}),
    ("level", {"suction__value": "zero"}),
    ("level", {"low_voltage_light__state": "lit"}),
]


@pytest.mark.parametrize(("manoeuvre", "readings"), ODD)
@pytest.mark.parametrize("setting", ["anomaly", "exercise"])
def test_a_slip_that_explains_nothing_of_what_was_told_gains_nothing(manoeuvre, readings, setting):
    """Its odds against nothing failed are those of the routine flight, where nobody asks why it was told.

    In an exercise every failure is as likely as another before any reading, so there it only falls.
    """
    found = chances(answer(manoeuvre, setting, **readings))
    for slip in ("heading_not_reset", "attitude_mis_set"):
        if setting == "anomaly":
            usual = chances(answer(manoeuvre, "routine", **readings))
            assert found[slip,] / found[()] == pytest.approx(usual[slip,] / usual[()], rel=0.1), slip
        assert found[slip,] < 0.01


@pytest.mark.parametrize(("manoeuvre", "readings"), ODD)
def test_what_is_shown_truly_or_falsely_by_a_failure_is_explained_by_it(manoeuvre, readings):
    """A lit light after the alternator and a false altimeter alike: something has failed with nine in ten."""
    found = answer(manoeuvre, **readings)
    faults = {f.id for f in shipped().failures.values() if f.kind is FailureKind.FAILURE}
    assert sum(p for names, p in chances(found).items() if faults & set(names)) > 0.9


def test_until_something_odd_is_told_the_settings_chance_stands():
    """Ordinary readings move little: something noticeable keeps its three in four."""
    plain = answer("level", engine__state="as_set")
    loud = {f.id for f in engine().network.failures if not f.silent}
    share = sum(p for names, p in chances(plain).items() if loud & set(names))
    assert share == pytest.approx(0.75, abs=0.02)


def test_known_effects_raise_no_failure_above_one_half():
    """A compass that swings in a turn, suction low at idle and a heading card that was not reset for a while."""
    for manoeuvre, readings in (
        ("idle_at_rest", {"suction__value": "low"}),
        ("left_turn", {"compass__trend": "swinging", "heading__trend": "left"}),
        ("left_turn", {"ball__position": "off_centre", "turn_coordinator__turn": "left"}),
    ):
        found = answer(manoeuvre, **readings).failures
        assert max(p for name, p in found.items() if name != "heading_not_reset") < 0.5, manoeuvre


def test_the_share_of_an_explanation_is_the_stated_one():
    """Two explanations of one reading that routine odds put at a and b stand at a t(a) : b t(b) once it is told.

    Suction zero in level flight: a sheared pump shows it (failure), nothing failed needs a misreading.
    """
    usual = chances(answer("level", "routine", suction__value="zero"))
    found = chances(answer("level", suction__value="zero"))
    expected = usual["pump_sheared",] / usual[()] * TOLD.failure / TOLD.misreading
    assert found["pump_sheared",] / found[()] == pytest.approx(expected, rel=0.1)
