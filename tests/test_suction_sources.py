"""What the engine makes of pump, standby and venturi: the physics of their suction reaches the ranking."""

from __future__ import annotations

from functools import cache

from diagnose import answer_case, engine_for
from diagnose.model import CaseRecord, SnapshotRecord
from tests.small import shipped


@cache
def engine(panel):
    return engine_for(shipped(), panel)


def answer(panel, *snapshots):
    case = CaseRecord(title="suction", panel=panel, snapshot=snapshots)
    return answer_case(shipped(), case, engine(panel))


def suction(reading, manoeuvre="level", **more):
    return SnapshotRecord(manoeuvre=manoeuvre, readings={"suction.value": reading}, **more)


def test_a_venturi_without_suction_at_rest_is_no_finding():
    # venturi catalogue: effective only some time after takeoff
    found = answer("venturi", suction("zero", "run_up"))
    assert found.failures["venturi_iced"] < 1.1 * found.priors["venturi_iced"]
    in_flight = answer("venturi", suction("zero"))
    assert in_flight.failures["venturi_iced"] > 10 * in_flight.priors["venturi_iced"]


def test_a_pump_without_suction_at_the_run_up_is_one():
    assert answer("single_pump", suction("zero", "run_up")).ranking[0].failures == ("pump_sheared",)


def test_standby_suction_that_comes_back_points_to_the_pump():
    # M20F transition manual: outside pressure less manifold pressure
    found = answer(
        "standby_suction",
        suction("zero"),
        suction("normal", minutes_before=3.0, switches={"standby_suction": "on"}),
    )
    assert found.failures["pump_sheared"] > 0.9


def test_no_standby_suction_at_full_throttle_does_not_accuse_its_valve():
    # M20F transition manual: none at full throttle; power must be reduced
    on = {"standby_suction": "on"}
    # the horizon leans as well: with nothing said of the gyros it is the gauge that is doubted, not what it shows
    starved = SnapshotRecord(manoeuvre="level", readings={"suction.value": "zero", "attitude.behaviour": "leaning"})
    climb = answer("standby_suction", starved, suction("zero", "climb", switches=on))
    cruise = answer("standby_suction", starved, suction("zero", switches=on))
    raised = climb.failures["standby_valve_stuck"] / climb.priors["standby_valve_stuck"]
    # a Bayes factor below 3 is barely worth a mention (Jeffreys); the needle may not quite reach its stop
    assert raised < 3.0
    assert cruise.failures["standby_valve_stuck"] > 2 * climb.failures["standby_valve_stuck"]
