"""The verdict by hand: decided from 0.8 on, one system from 0.8 on, a failure counts as a candidate above 0.1."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest

from diagnose.advice.advise import _feeds_fail, _fits, _verdict, partial_panel
from diagnose.advice.witnesses import strayed
from diagnose.knowledge.load import with_only
from diagnose.model import AxisUse, Grade, NormalEffect, SnapshotRecord
from diagnose.model.answer import Ranked, Trust
from tests.small import small_case, small_network

NETWORK = small_network(
    ("pump_sheared", "pump_weak", "static_ports_taped", "rough_air", "unlisted_altimeter")
)
IDS = [failure.id for failure in NETWORK.failures]


def verdict(manoeuvre="level", motion=None, readings=None, trusts=(), **chances):
    """Of sets of one failure each with these chances; the rest is "nothing failed"."""
    sets = np.array([1.0 - sum(chances.values()), *(chances.get(name, 0.0) for name in IDS)])
    members = np.vstack([np.zeros(len(IDS)), np.eye(len(IDS))]).astype(bool)
    names = [(), *((name,) for name in IDS)]
    order = np.argsort(-sets, kind="stable")
    ranking = tuple(Ranked(failures=names[i], prior=0.1, posterior=float(sets[i])) for i in order)
    posterior = SimpleNamespace(
        space=SimpleNamespace(network=NETWORK, members=members),
        case=small_case(SnapshotRecord(manoeuvre=manoeuvre, readings=readings or {})),
        sets=sets,
        marginals=sets[1:],
        motion=motion or {"turn": {"straight": 1.0}, "vertical": {"level": 1.0}},
    )
    return _verdict(NETWORK, posterior, ranking, trusts)


def test_the_knowledge_says_from_where_on():
    assert (NETWORK.kb.limits.decided, NETWORK.kb.limits.worth_naming) == (0.8, 0.1)


@pytest.mark.parametrize(("chance", "decided"), [(0.79, False), (0.8, True), (0.95, True)])
def test_one_failure_is_decided_from_four_in_five_on(chance, decided):
    found, says = verdict(pump_sheared=chance, static_ports_taped=0.15 if chance < 0.8 else 0.0)
    assert found == decided
    name = NETWORK.kb.failures["pump_sheared"].name
    assert says == (f"Most likely: {name} ({chance:.0%})." if decided else f"Best guess so far: {name} ({chance:.0%}).")  # fmt: skip


def test_two_of_one_system_are_said_to_lie_there():
    found, says = verdict(pump_sheared=0.45, pump_weak=0.4)
    assert (found, says) == (False, "Can't tell the cause yet, but it lies in the vacuum system (85%).")
    # a candidate of another system forbids it
    found, says = verdict(pump_sheared=0.45, pump_weak=0.36, static_ports_taped=0.11)
    assert (found, says.startswith("Best guess so far: ")) == (False, True)
    # one that is not worth naming does not
    _, says = verdict(pump_sheared=0.45, pump_weak=0.37, static_ports_taped=0.1)
    assert "lies in the vacuum system (82%)" in says
    # and the system must hold four in five
    _, says = verdict(pump_sheared=0.42, pump_weak=0.37)
    assert says.startswith("Best guess so far: ")


def test_nothing_failed():
    assert verdict(pump_sheared=0.2) == (
        False, "Nothing here speaks for a failure; recheck the readings.",
    )  # fmt: skip
    found, says = verdict(pump_sheared=0.1, rough_air=0.85)
    assert (found, says) == (True, f"No failure: {NETWORK.kb.failures['rough_air'].name}.")
    # a look-alike is no failure, however likely; below four in five nothing is decided
    found, says = verdict(pump_sheared=0.1, rough_air=0.79)
    assert (found, says.startswith("Nothing here")) == (False, True)


def test_an_aircraft_that_does_something_else_than_was_meant():
    motion = {"turn": {"left": 0.85, "straight": 0.15}, "vertical": {"down": 0.9, "level": 0.1}}
    found, says = verdict(motion=motion, pump_sheared=0.1)
    assert (found, says) == (
        True, "Nothing has failed: the instruments agree, you are turning left and you are descending.",
    )  # fmt: skip
    # meant, or not sure enough, is nothing strange
    assert "turning" not in verdict("left_turn", motion, pump_sheared=0.1)[1]
    doubtful = {"turn": {"left": 0.79, "straight": 0.21}, "vertical": {"level": 1.0}}
    case = small_case(SnapshotRecord(manoeuvre="level"))
    assert strayed(NETWORK, case, doubtful) == ""
    sure = {"turn": {"right": 0.8, "straight": 0.2}, "vertical": {"up": 0.9, "level": 0.1}}
    assert strayed(NETWORK, case, sure) == "you are turning right and you are climbing"


def test_a_guess_that_blames_no_instrument_is_told_with_what_others_contradict():
    odd = tuple(
        Trust(gauge=gauge, now=0.9, soon=0.9, grade=Grade.VERIFY, denied=gauge == "altimeter")
        for gauge in ("altimeter", "airspeed")
    )
    says = verdict(trusts=odd, rough_air=0.6, pump_sheared=0.25)[1]
    assert says == f"Best guess so far: {NETWORK.kb.failures['rough_air'].name} (60%), yet others contradict the altimeter."
    assert "contradict" not in verdict(trusts=odd, pump_sheared=0.6)[1]


def test_that_nothing_listed_fits_is_said_where_such_a_fault_leads_with_three_in_ten():
    odd = {"altimeter.trend": "falling", "airspeed.trend": "falling"}
    leads = verdict(readings=odd, unlisted_altimeter=0.3, pump_sheared=0.29, static_ports_taped=0.25)
    # the airspeed is odd as well, and not of the instrument that is blamed
    assert leads == (False, "Nothing listed here explains it well: altimeter falling (30%).")
    _, says = verdict(unlisted_altimeter=0.29, pump_sheared=0.28, static_ports_taped=0.27)
    assert says.startswith("Best guess so far: ")
    # something listed leads, and it stands
    found, says = verdict(unlisted_altimeter=0.35, pump_sheared=0.6)
    assert (found, says) == (False, f"Best guess so far: {NETWORK.kb.failures['pump_sheared'].name} (60%).")
    _, says = verdict(unlisted_altimeter=0.4, pump_sheared=0.05)
    assert says == "Best guess so far: nothing has failed (55%)."


# ------------------------------------------------------------------ normal effects


def fits(*shots, told=(), sealed=0.0, fails=0.0, **needs):
    effect = NormalEffect(
        **({"id": "e", "name": "e", "when": {}, "says": "", "gauge": "altimeter", "source": "judgement"} | needs)
    )
    posterior = SimpleNamespace(
        space=SimpleNamespace(network=NETWORK), case=small_case(*shots, context=told),
        motion={"vertical": {"up": 0.8, "level": 0.2}}, conditions=lambda part: {"sealed": sealed},
        any_of=lambda failing: fails,
    )  # fmt: skip
    return _fits(NETWORK, posterior, effect)


def shot(manoeuvre="level", minutes=1.0, gap=0.0, **more):
    return SnapshotRecord(manoeuvre=manoeuvre, minutes=minutes, minutes_before=gap, **more)


@pytest.mark.parametrize(
    ("shots", "needs", "expected"),
    [
        ((shot(),), {}, True),
        ((shot(readings={"altimeter.trend": "rising"}),), {"when": {"altimeter.trend": "rising"}}, True),
        ((shot(readings={"altimeter.trend": "falling"}),), {"when": {"altimeter.trend": "rising"}}, False),
        ((shot("climb"),), {"manoeuvres": ("level", "climb")}, True),
        ((shot("climb"),), {"manoeuvres": ("level",)}, False),
        ((shot("climb"), shot()), {"after": ("climb",)}, True),
        ((shot("climb"), shot("descent"), shot()), {"after": ("climb",)}, False),
        ((shot("climb"),), {"after": ("climb",)}, False),
        pytest.param((shot("climb"), shot(gap=1.0)), {"after": ("climb",), "most_minutes": 2.0}, True, id="gap and all"),
        pytest.param((shot("climb"), shot(gap=1.1)), {"after": ("climb",), "most_minutes": 2.0}, False, id="too long"),
        pytest.param((shot(gap=9.0),), {"most_minutes": 1.0}, True, id="a gap counts for what follows on something"),
        ((shot(minutes=1.1),), {"most_minutes": 1.0}, False),
        ((shot(),), {"parts": ("engine_pump",)}, True),
        ((shot(),), {"parts": ("engine_pump", "left_pump")}, False),
        ((shot(switches={"pitot_heat": "on"}),), {"moved": {"pitot_heat": "on"}}, True),
        ((shot(),), {"moved": {"pitot_heat": "on"}}, False),
        ((shot(), shot(switches={"pitot_heat": "on"})), {"moved": {"pitot_heat": "on"}}, True),
        ((shot(switches={"pitot_heat": "on"}),) * 2, {"moved": {"pitot_heat": "on"}}, False),
        ((shot(switches={"pitot_heat": "off"}), shot(switches={"pitot_heat": "on"})), {"moved": {"pitot_heat": "on"}}, True),
        ((shot(),), {"motion": {"vertical": "up"}}, True),
        ((shot(),), {"motion": {"vertical": "level"}}, False),
        ((shot(),), {"motion": {"vertical": "down"}}, False),
        ((shot(),), {"likely": {"static": "sealed"}, "sealed": 0.8}, True),
        ((shot(),), {"likely": {"static": "sealed"}, "sealed": 0.79}, False),
        ((shot(),), {"likely": {"static": "burst"}, "sealed": 0.8}, False),
        ((shot(),), {"context": ("washed",)}, False),
        ((shot(),), {"context": ("washed", "visible_moisture"), "told": ("visible_moisture",)}, True),
        ((shot(),), {"fails": 0.19}, True),
        ((shot(),), {"fails": 0.21}, False),
        ((shot(),), {"fails": 0.21, "passing": True}, True),
    ],
)  # fmt: skip
def test_needs_of_a_normal_effect(shots, needs, expected):
    assert fits(*shots, **needs) == expected


def test_what_feeds_a_gauge_or_is_it_can_fail_and_a_look_alike_is_no_failure():
    posterior = SimpleNamespace(space=SimpleNamespace(network=NETWORK), any_of=lambda failing: failing)

    def named(gauge):
        return {name for name, fails in zip(IDS, _feeds_fail(posterior, gauge), strict=True) if fails}

    assert named("altimeter") == {"static_ports_taped", "unlisted_altimeter"}
    assert named("airspeed") == {"static_ports_taped"}
    assert named("suction") == named("heading") == {"pump_sheared", "pump_weak"}
    # of a gauge that the panel lacks nothing is known to be right
    assert _feeds_fail(posterior, "compass") == 1.0


# ------------------------------------------------------------------ what to fly on


def flown_on(supporting, **grades):
    level = msgspec.structs.replace(
        NETWORK.kb.manoeuvres["level"], bank=AxisUse(primary="attitude", supporting=supporting)
    )
    kb = with_only(NETWORK.kb, manoeuvres={**NETWORK.kb.manoeuvres, "level": level})
    network = replace(NETWORK, kb=kb)
    trusts = tuple(
        SimpleNamespace(gauge=gauge, grade=grades.get(gauge, Grade.USE), soon=0.5, slip=False)
        for gauge in NETWORK.panel.gauges
    )
    return next(one for one in partial_panel(network, "level", trusts) if one.axis == "bank")


def test_three_that_support_are_enough():
    rest = ("heading", "turn_coordinator", "altimeter", "airspeed")
    found = flown_on(rest)
    assert (found.usual, found.primary, found.supporting, found.out) == ("attitude", "attitude", rest[:3], ())
    out = flown_on(rest, attitude=Grade.COVER, altimeter=Grade.COVER)
    assert out.out == ("attitude", "altimeter")
    assert out.primary not in out.out
    assert not {out.primary, *out.out} & set(out.supporting)
