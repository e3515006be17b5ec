"""Upset or not, and when a prompt to decide holds: every condition by hand, one at a time."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from diagnose.decisions import decisions, likely_systems, upset
from diagnose.guidance import Decision
from diagnose.knowledge import with_only
from diagnose.model import Grade, SnapshotRecord
from tests.small import shipped, small_case, small_network

NETWORK = small_network()
#: "decided" of engine.toml: a motion counts as certain from here on
DECIDED = 0.8
SPIRAL = {"turn": {"left": 0.9}, "vertical": {"down": 0.9}, "speed": {"increasing": 0.9}}


def seen(manoeuvre="level", motion=None, context=(), readings=None, kb=None, sets=None, setting="anomaly"):
    """What ``decisions`` takes of a posterior: the motion, the case, the sets with their chances."""
    network = replace(NETWORK, kb=kb) if kb else NETWORK
    chances = np.array(sets if sets is not None else [1.0, 0.0, 0.0, 0.0, 0.0])
    members = np.vstack([np.zeros(4, dtype=bool), np.eye(4, dtype=bool)])
    snapshot = SnapshotRecord(manoeuvre=manoeuvre, readings=readings or {})
    return SimpleNamespace(
        space=SimpleNamespace(network=network, members=members),
        case=small_case(snapshot, context=context, setting=setting),
        motion=motion or {"turn": {}, "vertical": {}, "speed": {}},
        sets=chances,
    )


# ------------------------------------------------------------------ upset


def test_a_spiral_is_a_turn_down_with_growing_speed_that_nobody_meant():
    assert shipped().limits.decided == DECIDED
    assert "spiral" in upset(seen(motion=SPIRAL))
    both_ways = {**SPIRAL, "turn": {"left": 0.45, "right": 0.45}}
    assert "spiral" in upset(seen(motion=both_ways))


@pytest.mark.parametrize("axis", ["turn", "vertical", "speed"])
def test_each_part_of_a_spiral_must_be_all_but_certain(axis):
    (value,) = SPIRAL[axis]
    assert upset(seen(motion={**SPIRAL, axis: {value: 0.79}})) == ""
    assert upset(seen(motion={**SPIRAL, axis: {value: 0.8}})) != ""
    assert upset(seen(motion={**SPIRAL, axis: {}})) == ""
    other = {"turn": "straight", "vertical": "up", "speed": "decreasing"}[axis]
    assert upset(seen(motion={**SPIRAL, axis: {other: 0.95}})) == ""


@pytest.mark.parametrize(
    "manoeuvre",
    [
        pytest.param("left_turn", id="the turn is meant"),
        pytest.param("right_turn", id="a turn is meant, the other way too"),
        pytest.param("descent", id="going down is meant"),
        pytest.param("descending_left_turn", id="both are"),
        pytest.param("level_speeding_up", id="the speed is meant"),
    ],
)
def test_what_is_meant_is_no_upset(manoeuvre):
    assert upset(seen(manoeuvre, motion=SPIRAL)) == ""


def test_what_the_pilot_says_and_the_stall_warner_need_no_proof():
    assert upset(seen(context=("unusual_attitude",))) == "unusual attitude"
    assert "stall" in upset(seen(readings={"stall_warner.state": "sounding"}))
    assert upset(seen(readings={"stall_warner.state": "silent"})) == ""
    assert upset(seen()) == ""


# ------------------------------------------------------------------ when a prompt holds

GRADES = {"attitude": Grade.COVER, "heading": Grade.VERIFY, "airspeed": Grade.USE, "altimeter": Grade.USE}


def holds(grades=None, why="", manoeuvre="level", context=(), sets=None, **needs):
    """Whether a decision with these needs is given."""
    made = Decision(id="d", says="do it", urgency=2, source="judgement", **needs)
    kb = with_only(shipped(), decisions={"d": made}, failures=NETWORK.kb.failures)
    found = decisions(
        seen(manoeuvre, context=context, kb=kb, sets=sets), GRADES if grades is None else grades, why
    )
    return [one.decision for one in found] == ["d"]


@pytest.mark.parametrize(
    ("needs", "expected"),
    [
        ({}, True),
        ({"out": ("attitude",)}, True),
        ({"out": ("attitude", "heading")}, True),
        ({"out": ("airspeed",)}, False),
        ({"out": ("attitude", "airspeed")}, False),
        pytest.param({"out": ("radios",)}, False, id="one at least must be there to be out"),
        pytest.param({"out": ("attitude", "electric_attitude")}, True, id="what is not there is no help"),
        ({"covered": ("attitude",)}, True),
        ({"covered": ("heading",)}, False),
        ({"covered": ("attitude", "heading")}, False),
        ({"trusted": ("airspeed",)}, True),
        ({"trusted": ("heading",)}, False),
        ({"trusted": ("airspeed", "attitude")}, False),
        ({"trusted": ("electric_attitude",)}, False),
        ({"any_covered": True}, True),
        ({"with_switch": ("pitot_heat", "gear")}, True),
        ({"with_switch": ("gear",)}, False),
        ({"phases": ("air",)}, True),
        ({"phases": ("ground", "roll")}, False),
        ({"upset": True}, False),
        ({"conditions": ("visible_moisture",)}, False),
        ({"also": ("visible_moisture",)}, False),
        ({"not_in": ("visible_moisture",)}, True),
    ],
)
def test_needs_of_a_prompt(needs, expected):
    assert holds(**needs) == expected


def test_conditions_of_the_day_one_all_or_none():
    wet, cold = "visible_moisture", "below_freezing"
    assert holds(context=(wet,), conditions=(wet, cold))
    assert not holds(context=(), conditions=(wet, cold))
    assert not holds(context=(wet,), also=(wet, cold))
    assert holds(context=(wet, cold), also=(wet, cold))
    assert not holds(context=(cold,), not_in=(wet, cold))
    assert holds(context=(cold,), not_in=(wet,))


def test_a_recovery_is_asked_for_only_in_an_upset():
    assert holds(why="a spiral", upset=True)
    assert holds(why="a spiral")
    assert not holds(upset=True)


def test_nothing_is_covered_where_all_may_be_used_or_verified():
    assert not holds(grades={**GRADES, "attitude": Grade.VERIFY}, any_covered=True)
    # engine and compass: the first is flown by, the second is not
    assert holds(grades={"engine": Grade.COVER}, any_covered=True)
    assert not holds(grades={"compass": Grade.COVER}, any_covered=True)


@pytest.mark.parametrize(("chance", "expected"), [(0.49, False), (0.5, False), (0.51, True)])
def test_a_cause_must_be_more_likely_than_not(chance, expected):
    ids = [failure.id for failure in NETWORK.failures]
    sets = [1.0 - chance, 0.0, 0.0, 0.0, 0.0]
    sets[1 + ids.index("pump_sheared")] = chance
    assert holds(sets=sets, failures=("pump_sheared", "pitot_ram_iced")) == expected
    assert holds(sets=sets, suspect=("vacuum",)) == expected
    assert not holds(sets=sets, suspect=("static",))
    assert not holds(sets=sets, failures=("pitot_ram_iced",))
    # named failures count before systems
    assert not holds(sets=sets, failures=("pitot_ram_iced",), suspect=("vacuum",))
    assert likely_systems(seen(sets=sets)) == (frozenset({"vacuum"}) if expected else frozenset())


def test_two_causes_of_a_system_count_together():
    network = small_network(("pump_sheared", "pump_weak", "pitot_ram_iced", "attitude_worn"))
    ids = [failure.id for failure in network.failures]
    sets = np.array([0.4, 0.0, 0.0, 0.0, 0.0])
    sets[1 + ids.index("pump_sheared")] = sets[1 + ids.index("pump_weak")] = 0.3
    posterior = seen(sets=sets)
    posterior.space.network = network
    assert likely_systems(posterior) == frozenset({"vacuum"})


def test_the_most_urgent_comes_first_and_equals_stay_in_order():
    made = {
        name: Decision(id=name, says=name, urgency=urgency, source="judgement")
        for name, urgency in (("a", 1), ("b", 3), ("c", 1), ("d", 2), ("e", 3))
    }
    kb = with_only(shipped(), decisions=made)
    assert [one.decision for one in decisions(seen(kb=kb), GRADES, "")] == ["b", "e", "d", "a", "c"]
