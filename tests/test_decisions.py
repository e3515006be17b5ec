"""Upset or not, and when a prompt to decide holds: every condition by hand, one at a time."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest

from diagnose.advice.decisions import Told, to_do, upset
from diagnose.knowledge.load import with_only
from diagnose.model import Grade, SnapshotRecord
from diagnose.model.answer import Trust
from diagnose.model.systems import Decision
from tests.small import shipped, small_case, small_network

NETWORK = small_network()
#: "decided" of engine.toml: a motion counts as certain from here on
DECIDED = 0.8
SPIRAL = {"turn": {"left": 0.9}, "vertical": {"down": 0.9}, "speed": {"increasing": 0.9}}


class Seen(SimpleNamespace):
    """What the decisions take of a posterior: the motion, the case, the sets, the chances of conditions."""

    def any_of(self, failures):
        return float(self.sets @ (self.space.members & np.array(failures)).any(axis=1))

    def conditions(self, name):
        return {condition: chance for (part, condition), chance in self.chances.items() if part == name}


def seen(manoeuvre="level", motion=None, context=(), readings=None, kb=None, sets=None, **fields):
    network = replace(NETWORK, kb=kb) if kb else NETWORK
    chances = np.array(sets if sets is not None else [1.0, 0.0, 0.0, 0.0, 0.0])
    members = np.vstack([np.zeros(4, dtype=bool), np.eye(4, dtype=bool)])
    snapshot = SnapshotRecord(
        manoeuvre=manoeuvre, readings=readings or {}, switches=fields.pop("switches", {})
    )
    return Seen(
        space=SimpleNamespace(network=network, members=members),
        case=small_case(snapshot, context=context),
        motion=motion or {"turn": {}, "vertical": {}, "speed": {}},
        sets=chances,
        priors=chances @ members,
        marginals=chances @ members,
        chances=fields.pop("conditions", {}),
        **fields,
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


def told(posterior, grades=None, why="", slips=(), coasting=()):
    """The decisions of a posterior with these grades."""
    trust = tuple(
        Trust(
            gauge=gauge,
            now=1.0,
            soon=1.0,
            grade=grade,
            slip=gauge in slips,
            coasting=gauge in coasting,
        )
        for gauge, grade in (GRADES if grades is None else grades).items()
    )
    return Told(posterior=posterior, trust=trust, axes=(), upset=why)


def made(name="d", **needs):
    fields = {"kind": "fly", "short": "Do it", "says": "do it", "urgency": 2, "source": "judgement"} | needs
    return Decision(id=name, **fields)


def holds(grades=None, why="", slips=(), coasting=(), seeing=None, **needs):
    """Whether a decision with these needs is given."""
    kb = with_only(shipped(), decisions={"d": made(**needs)}, failures=NETWORK.kb.failures)
    posterior = seen(**{"kb": kb, **(seeing or {})})
    found = told(posterior, grades, why, slips, coasting).decisions()
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
        ({"required": "covered"}, True),
        ({"required": "standing"}, False),
        ({"doubted": ("airspeed", "heading")}, True),
        ({"doubted": ("airspeed", "altimeter")}, False),
        ({"phases": ("air",)}, True),
        ({"phases": ("ground", "roll")}, False),
        ({"upset": True}, False),
        ({"conditions": ("visible_moisture",)}, False),
        ({"also": ("visible_moisture",)}, False),
        ({"not_in": ("visible_moisture",)}, True),
        ({"against": ("attitude",)}, False),
        ({"against": ("attitude", "heading")}, True),
        ({"move": {"pitot_heat": "on"}}, True),
        ({"move": {"pitot_heat": "off"}}, False),
        ({"moved": {"pitot_heat": "off"}}, True),
        ({"moved": {"pitot_heat": "on"}}, False),
        ({"parts": ("cabin",)}, False),
        ({"parts": ("engine_pump", "pitot_heat")}, True),
        ({"without": ("cabin",)}, True),
        ({"without": ("cabin", "pitot_heat")}, False),
    ],
)
def test_needs_of_a_prompt(needs, expected):
    assert holds(**needs) == expected


def test_a_slip_is_no_doubt():
    assert not holds(doubted=("heading",), slips=("heading",))
    assert not holds(out=("heading",), slips=("heading",))
    assert not holds(covered=("heading",), slips=("heading",))


def test_what_is_not_required_is_no_reason_to_land():
    only = {**GRADES, "attitude": Grade.USE, "vertical_speed": Grade.COVER}
    assert not holds(grades=only, required="covered")
    assert holds(grades=only, any_covered=True, required="standing")


def test_those_that_stand_are_named():
    kb = with_only(
        shipped(), decisions={"d": made(says="by {against}", against=("attitude", "heading", "airspeed"))}
    )
    (found,) = told(seen(kb=kb)).decisions()
    assert found.says == "by heading indicator and airspeed indicator"


def test_a_switch_that_was_moved():
    on = {"switches": {"pitot_heat": "on"}}
    assert not holds(seeing=on, move={"pitot_heat": "on"})
    assert holds(seeing=on, moved={"pitot_heat": "on"})


def test_what_was_done_once_is_not_told_again():
    read = {"readings": {"suction.value": "normal"}}
    assert not holds(seeing=read, unless_read=("suction.value",))
    assert holds(unless_read=("suction.value",))


def test_a_better_word_silences_a_weaker_one():
    kb = with_only(shipped(), decisions={"a": made("a"), "b": made("b", unless=("a",)), "c": made("c")})
    assert [one.decision for one in told(seen(kb=kb)).decisions()] == ["a", "c"]


def test_conditions_of_the_day_one_all_or_none():
    wet, cold = "visible_moisture", "below_freezing"
    assert holds(seeing={"context": (wet,)}, conditions=(wet, cold))
    assert not holds(seeing={"context": ()}, conditions=(wet, cold))
    assert not holds(seeing={"context": (wet,)}, also=(wet, cold))
    assert holds(seeing={"context": (wet, cold)}, also=(wet, cold))
    assert not holds(seeing={"context": (cold,)}, not_in=(wet, cold))
    assert holds(seeing={"context": (cold,)}, not_in=(wet,))


def test_a_recovery_is_asked_for_only_in_an_upset():
    assert holds(why="a spiral", upset=True)
    assert holds(why="a spiral")
    assert not holds(upset=True)


def test_nothing_is_covered_where_all_may_be_used_or_verified():
    assert not holds(grades={**GRADES, "attitude": Grade.VERIFY}, any_covered=True)
    # engine and compass: the first is flown by, the second is not
    assert holds(grades={"engine": Grade.COVER}, any_covered=True)
    assert not holds(grades={"compass": Grade.COVER}, any_covered=True)


@pytest.mark.parametrize(("chance", "likely"), [(0.036, False), (0.038, False), (0.5, False), (0.51, True)])
def test_how_likely_a_cause_must_be(chance, likely):
    """60 p against 2 (1 - p) + 8 p: from p = 2/54 = 0.037 on an instrument is no longer simply used."""
    ids = [failure.id for failure in NETWORK.failures]
    sets = [1.0 - chance, 0.0, 0.0, 0.0, 0.0]
    sets[1 + ids.index("pump_sheared")] = chance
    stopped = {"engine_pump": ("weak", "stopped")}
    assert holds(seeing={"sets": sets}, lost=stopped) == likely
    assert holds(seeing={"sets": sets}, lost=stopped, level="suspected") == (chance > 2 / 54)
    assert not holds(seeing={"sets": sets}, lost={"static_ports": ("sealed",)})
    source = {"conditions": {("suction", "none"): chance}}
    assert holds(seeing=source, lost={"suction": ("low", "none")}) == likely
    assert holds(seeing=source, lost={"suction": ("none",)}, level="suspected") == (chance > 2 / 54)
    assert holds(seeing=source, sound={"suction": ("none",)}) != likely
    # one cause is enough
    assert holds(seeing=source, lost={"suction": ("none",)}, doubted=("heading",))


# ------------------------------------------------------------------ slips that are set right


def slips_of(chance, prior, grades=None, orders=("set the card",), **changes):
    """The orders given where the first failures are slips with this chance after and before the readings."""
    failures = [
        msgspec.structs.replace(f, set_right=order, **changes)
        for f, order in zip(NETWORK.failures, orders, strict=False)
    ]
    posterior = seen(kb=with_only(shipped(), decisions={}))
    posterior.space.network = replace(posterior.space.network, failures=(*failures, *NETWORK.failures[len(failures) :]))
    posterior.marginals, posterior.priors = np.full(4, chance), np.full(4, prior)
    return told(posterior, grades).decisions()


@pytest.mark.parametrize(
    ("chance", "prior", "given"),
    [
        pytest.param(0.26, 0.1, True, id="odds 13/37, of 1/9 before: 3.2 times"),
        pytest.param(0.24, 0.1, False, id="odds 6/19: 2.8 times"),
        pytest.param(0.76, 0.5, True, id="odds 19/6, of 1: 3.2 times"),
        pytest.param(0.74, 0.5, False, id="odds 37/13: 2.8 times"),
        pytest.param(0.11, 1e-4, True, id="worth naming from 0.1 on"),
        pytest.param(0.09, 1e-4, False, id="not worth naming"),
    ],
)
def test_a_slip_is_set_right_if_the_readings_speak_for_it(chance, prior, given):
    assert (shipped().look_weights.suspect_factor, shipped().limits.worth_naming) == (3.0, 0.1)
    assert [one.short for one in slips_of(chance, prior)] == ["set the card"] * given


def test_a_slip_is_set_right_by_what_stands_and_once():
    found = slips_of(0.5, 0.01, orders=("set the card", "set the card", "open the valve"))
    assert [one.short for one in found] == ["set the card", "open the valve"]
    assert [one.short for one in slips_of(0.5, 0.01, set_right_by="heading")] == ["set the card"]
    for grades in (GRADES | {"heading": Grade.COVER}, {}):
        assert slips_of(0.5, 0.01, grades, set_right_by="heading") == ()


def test_a_slip_is_set_right_soon():
    """systems.py, Decision: 3 at once, 2 soon, 1 when convenient."""
    (slip,) = slips_of(0.5, 0.01)
    others = [replace(slip, decision=f"{kind}{urgency}", kind=kind, urgency=urgency)
              for kind, urgency in (("land", 1), ("fly", 2), ("land", 3))]  # fmt: skip
    for order in ([slip, *others], [*others, slip]):
        assert [one.decision for one in to_do(SimpleNamespace(decisions=order))] == [
            "land3", slip.decision, "fly2", "land1",
        ]  # fmt: skip


@pytest.mark.parametrize(("chance", "dead"), [(0.4, False), (0.6, True)])
def test_radios_that_work_and_that_do_not(chance, dead):
    power = {"conditions": {("avionics_power", "none"): chance}}
    assert holds(seeing=power, radio="dead") == dead
    assert holds(seeing=power, radio="works") != dead


def test_coasting_rotors_are_a_cause():
    kb = with_only(shipped(), decisions={"d": made(coasting=("heading",))}, failures=NETWORK.kb.failures)
    assert told(seen(kb=kb)).decisions() == ()
    assert [one.decision for one in told(seen(kb=kb), coasting=("heading",)).decisions()] == ["d"]


@pytest.mark.parametrize(
    ("named", "coasts", "expected"),
    [
        pytest.param("heading", "heading", True, id="named, and it still looks right"),
        pytest.param("electric_attitude", "heading", False, id="another gyro coasts"),
        pytest.param("attitude", "attitude", False, id="it is covered: it has run down"),
    ],
)
def test_only_a_named_gyro_that_still_looks_right_coasts(named, coasts, expected):
    kb = with_only(shipped(), decisions={"d": made(coasting=(named,))}, failures=NETWORK.kb.failures)
    assert bool(told(seen(kb=kb), coasting=(coasts,)).decisions()) == expected


def test_the_most_urgent_comes_first_then_what_is_done_before_what_is_said():
    kinds = ("land", "say", "fly", "act", "recover")
    found = {
        f"{kind}{urgency}": made(f"{kind}{urgency}", kind=kind, urgency=urgency)
        for urgency in (1, 3)
        for kind in kinds
    }
    kb = with_only(shipped(), decisions=found)
    answer = SimpleNamespace(decisions=told(seen(kb=kb)).decisions())
    order = ("recover", "act", "fly", "say", "land")
    assert [one.decision for one in to_do(answer)] == [f"{k}3" for k in order] + [f"{k}1" for k in order]
