"""Which instruments mislead, how they are graded and what to fly on, worked by hand from the cost table.

engine.toml, in looks: use costs 0 if the instrument is right and 60 if it misleads, verify 2 and 8, cover 12 and 0.5.
Use beats verify while 60 (1 - p) < 2 p + 8 (1 - p), p > 52/54 = 0.963; verify beats cover while
2 p + 8 (1 - p) < 12 p + 0.5 (1 - p), p > 7.5/17.5 = 0.4286. A gauge misleads from a total variation of 0.5 on.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from diagnose import engine_for
from diagnose.advice.advise import partial_panel
from diagnose.advice.trust import grade_of, misleading_states, misled, trust
from diagnose.advice.witnesses import tells
from diagnose.model import CaseRecord, Grade, SnapshotRecord
from diagnose.model.answer import Trust
from diagnose.network.engine import Engine
from diagnose.network.hidden import HiddenSpace
from tests.small import shipped, showing, small_case, small_network

NETWORK = small_network()


def by_hand(truth):
    """The grade of a chance of telling the truth."""
    return Grade.USE if truth > 52 / 54 else Grade.VERIFY if truth > 7.5 / 17.5 else Grade.COVER


@pytest.mark.parametrize(
    ("truth", "grade"),
    [
        (1.0, Grade.USE), (0.964, Grade.USE), (0.962, Grade.VERIFY), (0.6, Grade.VERIFY), (0.43, Grade.VERIFY),
        (0.427, Grade.COVER), (0.0, Grade.COVER),
    ],
)  # fmt: skip
def test_the_grade_of_least_cost(truth, grade):
    assert grade_of(NETWORK, truth) is by_hand(truth) is grade


# ------------------------------------------------------------------ who misleads


def two_states(healthy, failed):
    """The network whose suction gauge shows these chances of two readings, by the condition of its own part."""
    table = NETWORK.facets["suction.value"]
    rows = np.array([healthy, failed, healthy, healthy])
    made = showing(table, rows, parents=("suction_gauge",), axes=(), readings=("low", "normal"))
    return replace(NETWORK, facets=dict(NETWORK.facets) | {"suction.value": made})


@pytest.mark.parametrize(
    ("healthy", "failed", "misleads"),
    [
        pytest.param((0.7, 0.3), (0.3, 0.7), False, id="half of |0.4| + |0.4| is 0.4"),
        pytest.param((0.9, 0.1), (0.41, 0.59), False, id="0.49"),
        pytest.param((0.9, 0.1), (0.39, 0.61), True, id="0.51"),
        pytest.param((1.0, 0.0), (0.0, 1.0), True, id="1"),
    ],
)
def test_an_instrument_misleads_from_half_of_the_total_variation_on(healthy, failed, misleads):
    network = two_states(healthy, failed)
    assert network.states["suction_gauge"] == ("true", "stuck", "reads_zero", "unlisted")
    assert misleading_states(network, "suction.value", "air").tolist() == [False, misleads, False, False]


def test_only_motions_that_the_phase_can_meet_count():
    """A gauge that differs at rest only does not mislead in the air; on the ground it does."""
    table = NETWORK.facets["suction.value"]
    paces = NETWORK.states["pace"]
    chance = np.zeros((3, len(paces), 2))
    chance[:, :, 0] = 1.0
    chance[1, paces.index("at_rest")] = [0.0, 1.0]
    made = showing(table, chance, parents=("suction_gauge",), axes=("pace",), readings=("low", "normal"))
    network = replace(NETWORK, facets=dict(NETWORK.facets) | {"suction.value": made})
    assert misleading_states(network, "suction.value", "air").tolist() == [False, False, False]
    assert misleading_states(network, "suction.value", "ground").tolist() == [False, True, False]


def test_a_suction_gauge_that_shows_lost_suction_is_sound():
    """It tells of the suction; with the pump gone the gyros mislead in the end, and the gauge does not."""
    space = HiddenSpace(
        NETWORK, ((), tuple(i for i, f in enumerate(NETWORK.failures) if f.id == "pump_sheared"))
    )
    lies = misled(space, "level", NETWORK.switch_positions({}))
    gone = np.flatnonzero(space.row_set == 1)
    gauges = NETWORK.panel.gauges
    place = space.memory_names.index("attitude_rotor")
    states = NETWORK.states["attitude_rotor"]
    for row in gone:
        now, soon = (table[lies.of_row[row]] for table in (lies.now, lies.soon))
        assert now[gauges.index("suction")] == soon[gauges.index("suction")] == 0.0
        assert now[gauges.index("airspeed")] == soon[gauges.index("airspeed")] == 0.0
        # a rotor without air will have run down, whatever it does now
        assert soon[gauges.index("attitude")] == 1.0
        if states[space.memory_states[row, place]] == "up_to_speed":
            assert now[gauges.index("attitude")] == 0.0
        if states[space.memory_states[row, place]] == "stopped":
            assert now[gauges.index("attitude")] == 1.0
    healthy = lies.of_row[np.flatnonzero(space.row_set == 0)]
    assert lies.now[healthy].sum() == lies.soon[healthy].sum() == 0.0


def test_chances_of_the_truth_add_up_over_the_rows():
    space = HiddenSpace(NETWORK, ((), (0,), (1,), (2,), (3,)))
    lies = misled(space, "level", NETWORK.switch_positions({}))
    rows = np.arange(1.0, space.count + 1.0)
    rows /= rows.sum()
    now, soon = lies.chances(rows)
    for gauge in range(len(NETWORK.panel.gauges)):
        told = sum(chance for row, chance in enumerate(rows) if not lies.now[lies.of_row[row], gauge])
        later = sum(chance for row, chance in enumerate(rows) if not lies.soon[lies.of_row[row], gauge])
        assert (now[gauge], soon[gauge]) == pytest.approx((told, later))
    assert (soon <= now + 1e-12).all()


# ------------------------------------------------------------------ what is trusted


@cache
def just_failed():
    """A pump that sheared half a minute ago: the rotors still run, and will not."""
    engine = Engine(NETWORK, largest_set=4)
    before = SnapshotRecord(
        manoeuvre="level", readings={"suction.value": "normal", "attitude.behaviour": "stable"}
    )
    after = SnapshotRecord(
        manoeuvre="level", minutes=0.25, minutes_before=0.0,
        readings={"suction.value": "zero", "attitude.behaviour": "stable", "heading.trend": "steady"},
    )  # fmt: skip
    return engine.posterior(small_case(before, after))


def test_an_instrument_is_graded_by_what_it_will_show_and_not_by_what_it_shows():
    found = {one.gauge: one for one in trust(just_failed())}
    horizon = found["attitude"]
    assert horizon.now > 0.9
    assert horizon.soon < 0.1
    assert by_hand(horizon.now) is not Grade.COVER
    assert horizon.grade is Grade.COVER
    assert horizon.blame == "pump_sheared"
    for one in found.values():
        assert one.grade is by_hand(one.soon), one
        assert (one.blame == "") == (one.grade is Grade.USE), one
        assert one.soon <= one.now <= 1.0 + 1e-12
    assert found["airspeed"].grade is Grade.USE


def test_results_of_checks_are_no_instruments_and_a_horizon_that_nobody_saw_is_none():
    engine = engine_for(shipped(), "single_pump")
    case = CaseRecord(title="", panel="single_pump", snapshot=(SnapshotRecord(manoeuvre="level"),))
    gauges = [one.gauge for one in trust(engine.posterior(case))]
    panel = engine.network.panel.gauges
    checks = [gauge for gauge in panel if shipped().gauges[gauge].group == "checks"]
    assert checks
    assert gauges == [gauge for gauge in panel if gauge not in {*checks, "outside"}]
    seen = SnapshotRecord(manoeuvre="level", readings={"outside.bank": "level"})
    told = CaseRecord(title="", panel="single_pump", snapshot=(seen,))
    assert "outside" in [one.gauge for one in trust(engine.posterior(told))]


# ------------------------------------------------------------------ what to fly on


def told(**soon):
    """Trust by gauge; what is not named is right for sure."""
    gauges = engine_for(shipped(), "single_pump").network.panel.gauges
    return tuple(
        Trust(gauge=g, now=1.0, soon=soon.get(g, 1.0), grade=by_hand(soon.get(g, 1.0))) for g in gauges
    )


def flown_on(manoeuvre="level", read=True, **soon):
    network = engine_for(shipped(), "single_pump").network
    return {one.axis: one for one in partial_panel(network, manoeuvre, told(**soon), read=read)}


def test_the_usual_instrument_leads_while_it_is_good():
    """maneuvers.toml: level flight takes pitch from the altimeter, bank from the heading (IFH ch. 6)."""
    level = shipped().manoeuvres["level"]
    advice = flown_on()
    for axis, use in (("pitch", level.pitch), ("bank", level.bank), ("power", level.power)):
        assert advice[axis].primary == advice[axis].usual == use.primary
        assert advice[axis].how == ""
        assert advice[axis].out == ()
        # and nothing else is added to what supports it
        assert advice[axis].supporting == use.supporting[:3]
    assert list(advice) == ["pitch", "bank", "power", "heading"]
    assert (advice["heading"].primary, advice["heading"].supporting) == ("heading", ())


def test_with_nothing_read_only_what_was_known_before_the_flight_is_out():
    """At 0.7 an instrument would stand behind others; unread it leads as in the handbook. Covered, it stays out."""
    usual = shipped().manoeuvres["level"].pitch.primary
    assert flown_on(**{usual: 0.7})["pitch"].primary != usual
    assert flown_on(read=False, **{usual: 0.7}) == flown_on()
    known = flown_on(read=False, **{usual: 0.1})["pitch"]
    assert known.primary != usual
    assert known.out == (usual,)


def test_how_to_fly_on_what_stands_in_is_told_if_what_it_needs_is_there():
    """substitutes.toml: without the card the settled compass; a doubtful card is reset to the compass, not to a covered one."""
    hows = {name: one.how for name, one in shipped().substitutes.items()}
    compass = flown_on(heading=0.1)["heading"]
    assert (compass.primary, compass.how) == ("compass", hows["heading:compass"])
    card = flown_on(heading=0.7, compass=0.7, turn_coordinator=0.1, gps_track=0.1)["heading"]
    assert (card.primary, card.how) == ("heading", hows["heading:heading"])
    alone = flown_on(heading=0.7, compass=0.1, turn_coordinator=0.1, gps_track=0.1)["heading"]
    assert (alone.primary, alone.how) == ("heading", "")


def test_an_instrument_that_is_covered_is_out_and_another_leads():
    usual = shipped().manoeuvres["level"].pitch.primary
    advice = flown_on(**{usual: 0.1})["pitch"]
    assert advice.usual == usual != advice.primary
    assert usual in advice.out
    assert usual not in advice.supporting
    assert advice.primary != ""


def test_a_usual_instrument_that_is_all_but_surely_right_keeps_its_place():
    """nearly_sure is 0.9: verified at 0.92 it stays first, at 0.7 it goes behind all that may be used."""
    assert shipped().limits.nearly_sure == 0.9
    usual = shipped().manoeuvres["level"].pitch.primary
    assert flown_on(**{usual: 0.92})["pitch"].primary == usual
    assert flown_on(**{usual: 0.9})["pitch"].primary == usual
    lower = flown_on(**{usual: 0.7})["pitch"]
    assert lower.primary != usual
    assert usual not in lower.out
    assert usual not in lower.supporting


def test_a_doubtful_instrument_is_flown_on_when_nothing_better_is_left():
    gauges = engine_for(shipped(), "single_pump").network.panel.gauges
    nothing = flown_on(**dict.fromkeys(gauges, 0.1))
    assert {axis: one.primary for axis, one in nothing.items()} == dict.fromkeys(nothing, "")
    usual = shipped().manoeuvres["level"].pitch.primary
    one_left = flown_on(**{**dict.fromkeys(gauges, 0.1), usual: 0.7})["pitch"]
    assert one_left.primary == usual
    assert one_left.supporting == ()


@pytest.mark.parametrize(
    ("facet", "reading", "says"),
    [
        ("airspeed.trend", "rising", {"speed": "increasing"}),
        ("airspeed.trend", "falling", {"speed": "decreasing"}),
        ("attitude.bank", "left", {"turn": "left"}),
        ("attitude.pitch", "nose_up", {"nose": "up"}),
        ("attitude.pitch", "nose_down", {"nose": "down"}),
        ("altimeter.trend", "rising", {"vertical": "up"}),
        ("turn_coordinator.turn", "right", {"turn": "right"}),
    ],
)
def test_in_flight_a_reading_speaks_of_what_its_dial_is_there_for(facet, reading, says):
    # what each dial is for: Instrument Flying Handbook FAA-H-8083-15B, ch. 5
    kb, network = shipped(), engine_for(shipped(), "single_pump").network
    spoken = {
        m.id: tells(network, m.id, facet, reading) for m in kb.manoeuvres.values() if m.phase == "air"
    }
    assert {maneuver: told for maneuver, told in spoken.items() if told not in (says, {})} == {}
    assert spoken["level"] == says
