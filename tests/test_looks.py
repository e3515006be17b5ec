"""What looks tell equals what the engine says when each outcome is entered; unsafe looks are not offered."""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from functools import cache

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose import answer_case, engine_for
from diagnose.advice.decisions import upset
from diagnose.advice.looks import next_looks, offers, suspects
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.render.text import render, to_data
from tests.examples import some
from tests.small import shipped, small_case, small_network

SMALL = Engine(small_network(gauges=(*small_network().panel.gauges, "alternate_altimeter", "vent_test")))


@cache
def engine(panel="single_pump"):
    return engine_for(shipped(), panel)


def flown(manoeuvre="level", context=(), switches=None, panel="single_pump", **readings):
    """A case of one snapshot; readings as airspeed_trend="low" for the facet airspeed.trend."""
    facets = {f"{g}.{f.id}": 0 for g in shipped().panel(panel).gauges for f in shipped().gauges[g].facets}
    named = {next(f for f in facets if f.replace(".", "_") == key): value for key, value in readings.items()}
    snapshot = SnapshotRecord(manoeuvre=manoeuvre, readings=named, switches=switches or {})
    return CaseRecord(title="x", panel=panel, context=context, snapshot=(snapshot,))


def looks(case):
    return next_looks(engine(case.panel), engine(case.panel).posterior(case))


def order(case):
    """Looks in the air, the most worth while first."""
    return [advice.look for advice in looks(case) if advice.kind != "ground"]


def outcomes_of(case, look):
    return next(advice for advice in looks(case) if advice.look == look).outcomes


# ------------------------------------------------------------------ the numbers


def entropy(chances):
    return -sum(p * np.log2(p) for p in chances if p > 0.0)


def answered(machine, case, offer, readings):
    """Chance of each set, and log chance of the readings, with the outcome of a look entered."""
    odds = machine.posterior(case).odds
    if offer.snapshot is None:
        *before, last = case.snapshot
        last = msgspec.structs.replace(last, readings={**last.readings, **readings})
        told = msgspec.structs.replace(case, snapshot=(*before, last))
    else:
        after = msgspec.structs.replace(offer.snapshot, readings=readings)
        told = msgspec.structs.replace(case, snapshot=(*case.snapshot, after))
        # no failure begins during a look
        odds = replace(odds, begins=np.vstack([odds.begins, np.zeros_like(odds.first)]))
    space = machine.posterior(case).space
    rows, log_chance = machine._forward(space, told, odds)
    return (None if rows is None else space.by_set(rows)), log_chance


def recomputed(machine, case, offer):
    """Bits, and each outcome's chance and sets, by running the engine once for every outcome."""
    _, log_now = answered(machine, case, offer, {})
    held = machine.posterior(case).sets
    facets = machine.network.facets
    bits, found = entropy(held), {}
    target = suspects_of(machine, case)
    pointed = entropy(target @ held)
    for readings in itertools.product(*(facets[facet].readings for facet in offer.facets)):
        outcome = dict(zip(offer.facets, readings, strict=True))
        sets, log_chance = answered(machine, case, offer, outcome)
        if sets is None:
            continue
        chance = np.exp(log_chance - log_now)
        bits -= chance * entropy(sets)
        pointed -= chance * entropy(target @ sets)
        found[tuple(outcome.items())] = (chance, sets)
    return bits, pointed, found


def suspects_of(machine, case):
    """Which sets hold the same suspects; 0 or 1 (suspects held, set)."""
    posterior = machine.posterior(case)
    chosen = set(np.flatnonzero(suspects(posterior)).tolist())
    held = [tuple(m for m in members if m in chosen) for members in posterior.space.sets]
    return np.array([[float(one == kind) for one in held] for kind in dict.fromkeys(held)])


def assert_equal(machine, case, names=()):
    """What a look will show is no reason why the case was told, so the engine is asked in the routine setting."""
    case = msgspec.structs.replace(case, setting="routine")
    posterior = machine.posterior(case)
    advised = {advice.look: advice for advice in next_looks(machine, posterior)}
    checked = 0
    for offer in offers(posterior):
        if not offer.facets or (names and offer.look.id not in names):
            continue
        bits, pointed, found = recomputed(machine, case, offer)
        advice = advised[offer.look.id]
        assert advice.bits == pytest.approx(bits, abs=1e-9), offer.look.id
        assert advice.suspect_bits == pytest.approx(pointed, abs=1e-9), offer.look.id
        assert 0.0 <= advice.suspect_bits <= advice.bits + 1e-9
        assert sum(outcome.chance for outcome in advice.outcomes) + advice.unlisted == pytest.approx(1.0)
        for outcome in advice.outcomes:
            chance, sets = found[outcome.readings]
            assert outcome.chance == pytest.approx(chance, abs=1e-9)
            assert outcome.leading_chance == pytest.approx(sets.max(), abs=1e-9)
            places = {names_: place for place, names_ in enumerate(posterior.space.set_names)}
            assert sets[places[outcome.leading]] == pytest.approx(sets.max(), abs=1e-9)
        checked += 1
    return checked


READ = {
    "airspeed.trend": ("falling", "steady"),
    "altimeter.trend": ("steady", "rising"),
    "suction.value": ("zero",),
    "attitude.behaviour": ("leaning",),
}
SNAPSHOTS = st.lists(
    st.builds(
        SnapshotRecord,
        manoeuvre=st.sampled_from(["level", "climb", "descent"]),
        readings=st.dictionaries(st.sampled_from(sorted(READ)), st.just(""), max_size=2).map(
            lambda chosen: {facet: READ[facet][0] for facet in chosen}
        ),
        disagree=st.sampled_from([(), (("attitude", "turn_coordinator"),), (("attitude", "heading"),)]),
        switches=st.sampled_from([{}, {"alternate_static": "on"}, {"pitot_heat": "on"}]),
    ),
    min_size=1,
    max_size=2,
)


@pytest.mark.usefixtures("every_row")
@some(8)
@given(SNAPSHOTS)
def test_a_look_tells_what_the_engine_says_for_each_outcome(snapshots):
    assert assert_equal(SMALL, small_case(*snapshots)) >= 6


@pytest.mark.parametrize(
    "case",
    [
        flown("climb", airspeed_trend="falling", altimeter_trend="steady"),
        flown("level", suction_value="zero", attitude_behaviour="leaning"),
        flown("descent", context=("visible_moisture",), airspeed_trend="rising"),
        flown("level"),
    ],
)
def test_the_rows_that_are_left_out_move_no_look(case, monkeypatch):
    """As many as are left out hold less than one in a million, and its entropy less than 1e-4 bits."""
    quick = looks(case)
    monkeypatch.setattr("diagnose.advice.prospect.NEGLIGIBLE", 1e-16)
    slow = {advice.look: advice for advice in looks(case)}
    assert len(quick) == len(slow) > 10
    for advice in quick:
        exact = slow[advice.look]
        assert advice.bits == pytest.approx(exact.bits, abs=1e-4)
        assert advice.suspect_bits == pytest.approx(exact.suspect_bits, abs=1e-4)
        assert advice.worth == pytest.approx(exact.worth, abs=2e-3)
        # left and right may be equally likely: what an outcome is, and what it is worth, and not which of two comes first
        exactly = {outcome.readings: outcome.chance for outcome in exact.outcomes}
        for outcome in advice.outcomes[:3]:
            assert outcome.chance == pytest.approx(exactly[outcome.readings], abs=1e-4)


def test_a_look_tells_what_the_engine_says_on_a_whole_panel(every_row):
    case = flown("climb", airspeed_trend="falling", altimeter_trend="steady")
    names = ("alternate_static_on", "read_gps_speed", "pitot_heat_on", "level_off", "inspect_static")
    assert assert_equal(engine(), case, names) == len(names)


def test_reading_never_costs_trust():
    """Whatever is read, grading afterward costs no more than grading without it (Jensen)."""
    for case in (flown(airspeed_value="low"), flown("climb", altimeter_trend="steady")):
        for advice in looks(case):
            if advice.kind in ("read", "cabin", "outside"):
                assert advice.saving >= -1e-9, advice.look


# ------------------------------------------------------------------ what it must show


def test_low_airspeed_in_moisture_with_the_heat_off():
    found = order(flown(context=("visible_moisture", "pitot_heat_off"), airspeed_value="low"))
    for before in ("pitot_heat_on", "power_cross_check", "read_gps_speed"):
        assert found.index(before) < found.index("alternate_static_on"), before


ICING = ("visible_moisture", "below_freezing", "pitot_heat_off")


@pytest.mark.parametrize(("value", "context"), [("zero", ()), ("low", ()), ("zero", ICING), ("low", ICING)])
def test_alternate_static_is_not_the_first_look_for_the_airspeed_alone(value, context):
    case = flown(context=context, airspeed_value=value, altimeter_trend="steady", vertical_speed_rate="zero")
    assert order(case)[0] != "alternate_static_on"


def test_alternate_static_is_the_first_look_for_a_sealed_static_source_in_a_climb():
    case = flown("climb", airspeed_trend="falling", altimeter_trend="steady", vertical_speed_rate="zero")
    assert order(case)[0] == "alternate_static_on"
    told = {outcome.readings: outcome for outcome in outcomes_of(case, "alternate_static_on")}
    jump = (("alternate_altimeter.jump", "jumped_up"), ("alternate_airspeed.jump", "came_right"))
    nothing = (("alternate_altimeter.jump", "small_change"), ("alternate_airspeed.jump", "no_change"))
    assert "static" in told[jump].leading[0]
    assert told[jump].chance == max(outcome.chance for outcome in told.values())
    # neither source reaches the dials: the line that both share, or the valve beside a blockage
    assert told[nothing].leading == ("static_common_blocked",)


def test_suction_comes_first_when_the_attitude_leans():
    assert order(flown(attitude_behaviour="leaning"))[0] == "read_suction"


@pytest.mark.xfail(
    strict=True, reason="since why a case was told is weighed, single glances come before the long watch"
)
def test_the_other_gyros_come_first_when_suction_is_normal():
    after = order(flown(attitude_behaviour="leaning", suction_value="normal"))
    # both compare the attitude with turn coordinator and heading: at a glance, or for two minutes
    assert set(after[:2]) == {"compare_attitude_turn_heading", "watch_gyros"}


# ------------------------------------------------------------------ safety


def offered(case):
    return {offer.look.id for offer in offers(engine(case.panel).posterior(case))}


def test_slips_are_for_visual_conditions_only():
    assert "slips" in offered(flown())
    for context in ("visible_moisture", "instruments_only"):
        assert "slips" not in offered(flown(context=(context,)))


def test_breaking_the_glass_is_the_last_resort_without_an_alternate_source():
    readings = {"airspeed_trend": "falling", "altimeter_trend": "steady", "vertical_speed_rate": "zero"}
    assert "break_glass" not in offered(flown("climb", **readings))
    assert "break_glass" not in offered(flown("climb", panel="pressurised", **readings))
    found = looks(flown("climb", panel="no_alternate_static", **readings))
    assert found[-1].look == "break_glass"
    assert found[-1].last_resort
    assert "alternate_static_on" not in {advice.look for advice in found}


@pytest.mark.parametrize(
    "case",
    [
        flown(context=("unusual_attitude",), airspeed_trend="rising"),
        flown(stall_warner_state="sounding"),
        flown(
            airspeed_trend="rising",
            altimeter_trend="falling",
            vertical_speed_rate="descent",
            turn_coordinator_turn="left",
            heading_trend="left",
            attitude_bank="left",
            wind_noise_trend="rising",
            gps_height_trend="falling",
        ),
    ],
)
def test_nothing_is_looked_at_before_the_aircraft_is_recovered(case):
    assert upset(engine().posterior(case))
    assert looks(case) == ()


def test_nothing_is_flown_in_cloud_on_instruments_that_are_to_be_covered():
    gyros = {"attitude_behaviour": "leaning", "suction_value": "zero", "heading_trend": "drifting"}
    flown_looks = {"small_climb", "small_descent", "more_power", "standard_turn", "two_headings"}
    assert not flown_looks & offered(flown(context=("visible_moisture",), **gyros))
    assert flown_looks <= offered(flown(**gyros))
    assert flown_looks <= offered(flown(context=("visible_moisture",), airspeed_value="zero"))


def test_what_stands_already_is_not_offered_again():
    assert "pitot_heat_on" not in offered(flown(switches={"pitot_heat": "on"}))
    assert "alternate_static_off" not in offered(flown())
    assert "alternate_static_off" in offered(flown(switches={"alternate_static": "on"}))
    assert "alternator_reset_once" not in offered(flown(alternator_reset_state="out_again"))
    assert "read_suction" not in offered(flown(suction_value="zero", vacuum_light_state="lit"))
    assert "standby_suction_on" not in offered(flown())
    assert "standby_suction_on" in offered(flown(panel="standby_suction"))


def test_nothing_is_flown_on_the_ground_and_nothing_small_on_the_approach():
    assert not {"small_climb", "standard_turn", "slips", "alternate_static_on"} & offered(flown("run_up"))
    assert not {"small_climb", "small_descent", "standard_turn", "slips"} & offered(flown("approach"))


# ------------------------------------------------------------------ text and data


def answer(case, **options):
    return answer_case(shipped(), case, engine(case.panel), looks="all", **options)


def test_the_answer_shows_three_looks_with_what_they_would_mean():
    case = flown("climb", airspeed_trend="falling", altimeter_trend="steady", vertical_speed_rate="zero")
    shown = render(answer(case), case, shipped())
    block = shown[shown.index("Look at next") : shown.index("Decide")]
    assert "1. alternate static source on" in block
    assert "alternate altimeter jumped up" in block
    assert "4. " not in block
    assert "Note: " in block
    assert max(map(len, shown.splitlines())) <= 80


def test_all_looks_stand_in_the_air_and_on_the_ground():
    case = flown("climb", airspeed_value="high", altimeter_value="high")
    shown = render(answer(case), case, shipped(), all_looks=True)
    air, ground = shown.split("On the ground, afterward\n")
    assert "alternate static source on" in air
    assert "static ports and static drain" in ground
    assert "by a licensed technician" in " ".join(ground.split())
    every = " ".join(shown.split())
    assert all(advice.name in every for advice in answer(case).looks)


def test_an_upset_shows_the_recovery_and_no_look():
    case = flown(stall_warner_state="sounding")
    shown = render(answer(case), case, shipped())
    assert "Recover first: the stall warner sounds." in shown
    assert "Look at next" not in shown


def test_looks_as_data_are_complete():
    case = flown(attitude_behaviour="leaning")
    told = answer(case)
    data = json.loads(json.dumps(to_data(told, case, shipped())))
    assert [look["look"] for look in data["looks"]] == [advice.look for advice in told.looks]
    first = data["looks"][0]
    assert first["bits"] == told.looks[0].bits
    assert sum(o["chance"] for o in first["outcomes"]) + first["unlisted"] == pytest.approx(1.0)
    assert [o["readings"] for o in first["outcomes"]] == [dict(o.readings) for o in told.looks[0].outcomes]
    chances = [o["chance"] for o in first["outcomes"]]
    assert chances == sorted(chances, reverse=True)
    # no suction and the light lit: the pump drives both (common practice)
    dead = {"suction.value": "zero", "vacuum_light.state": "lit"}
    (means,) = (o["leading"] for o in first["outcomes"] if o["readings"] == dead)
    assert means == ["pump_sheared"]
    assert data["recover_first"] == ""
    assert data["method"]["control"]


def test_looks_are_worked_out_only_when_asked_for():
    assert answer_case(shipped(), flown(attitude_behaviour="leaning"), engine()).looks == ()
