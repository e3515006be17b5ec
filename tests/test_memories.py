"""How memories move on, against chances worked by hand from the ranges in ``physics.toml``.

A value that a range decides whatever is drawn (``SURE``) must hold to the last digit. Others are integrals over
the ranges, written out here; a table counts 600 cases, so it may miss one by four standard deviations of a count.
"""

from __future__ import annotations

from functools import cache

import msgspec
import numpy as np
import pytest

from diagnose.model import CaseRecord, MemoryKind, SnapshotRecord
from diagnose.network.memories import TIMES_MIN, _worse, at_time, gap_matrix, memory_tables
from diagnose.physics.draws import Draws
from diagnose.physics.flight import draw_flights
from diagnose.physics.suction_dials import starved_rotor_speed
from tests.small import engine, shipped

KB = shipped()
BELOW, NEAR, ABOVE = 0, 1, 2
DESCENT, LEVEL, CLIMB = 0, 1, 2
UP, SLOWING, STOPPED = 0, 1, 2
CHARGED, SAGGING, FLAT = 0, 1, 2
SURE = 1e-12
#: middles of 2,000 equal parts of a range, for integrals over it
PARTS = (np.arange(2000) + 0.5) / 2000


@cache
def tables(name):
    return memory_tables(KB, KB.memories[name])


def four_sigma(chance):
    return max(4.0 * np.sqrt(chance * (1.0 - chance) / 600.0), SURE)


def counted(chance):
    return pytest.approx(chance, abs=four_sigma(chance))


def spread(name):
    """Many values of a quantity, evenly over its range."""
    quantity = KB.quantities[name]
    if quantity.scale == "log":
        return np.exp(np.log(quantity.low) + (np.log(quantity.high) - np.log(quantity.low)) * PARTS)
    return quantity.low + (quantity.high - quantity.low) * PARTS


# ------------------------------------------------------------------ between the tabled times


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [(0.0, 0.0), (1.0, 3.0), (1.5, 3.5), (3.0, 4.5), (6.0, 5.5), (100.0, 9.0 + 40.0 / 60.0), (240.0, 11.0), (999.0, 11.0)],
)  # fmt: skip
def test_between_tabled_times_lies_a_straight_line(minutes, expected):
    """The table holds the place of its time: 0, 0.25, 0.5, 1, 2, 4, 8, 15, 30, 60, 120, 240 min."""
    assert TIMES_MIN.tolist() == [0, 0.25, 0.5, 1, 2, 4, 8, 15, 30, 60, 120, 240]
    assert at_time(np.arange(12.0), minutes) == pytest.approx(expected)


# ------------------------------------------------------------------ altitude relative to a sealed line
#
# far 120 to 1,500 ft away, near 0 to 40 ft, "far" begins at 80 ft; climb and descent 250 to 900 fpm, level within 40 fpm


@pytest.mark.parametrize(
    ("motion", "minutes", "start", "end"),
    [
        pytest.param(
            CLIMB, 1.0, NEAR, ABOVE, id="a minute of climb gains 250 ft at least: 210 above the seal"
        ),
        pytest.param(DESCENT, 1.0, NEAR, BELOW, id="a minute of descent loses 250 ft at least: 210 below"),
        pytest.param(
            CLIMB, 8.0, BELOW, ABOVE, id="8 min of climb gain 2,000 ft: from 1,500 below to 500 above"
        ),
        pytest.param(DESCENT, 8.0, ABOVE, BELOW, id="and the same downwards"),
        pytest.param(CLIMB, 4.0, ABOVE, ABOVE, id="who is above and climbs stays above"),
        pytest.param(DESCENT, 4.0, BELOW, BELOW, id="who is below and descends stays below"),
        pytest.param(LEVEL, 1.0, NEAR, NEAR, id="40 ft of drift on 40 ft stay within 80"),
        pytest.param(LEVEL, 60.0, NEAR, NEAR, id="an altitude that is held does not drift away in an hour"),
    ],
)
def test_altitude_from_a_sealed_line_where_the_ranges_decide(motion, minutes, start, end):
    for name in ("static_trapped", "pitot_trapped"):
        moved = tables(name).carry_at("height", minutes)[motion, start]
        assert moved[end] == pytest.approx(1.0, abs=SURE)


def test_a_minute_of_climb_from_far_below():
    """Climb c - far f: above if c - f > 80, near if it lies within 80 ft; f even over 120 to 1,500 ft.

    P(above) = mean of (c - 200) / 1380 = 375 / 1380; P(near or above) = mean of (c - 40) / 1380 = 535 / 1380.
    """
    climbed = tables("static_trapped").carry_at("height", 1.0)[CLIMB, BELOW]
    assert climbed[ABOVE] == counted(375 / 1380)
    assert climbed[NEAR] == counted(160 / 1380)
    assert climbed[BELOW] == counted(845 / 1380)
    # a descent from far above is its mirror image
    descended = tables("static_trapped").carry_at("height", 1.0)[DESCENT, ABOVE]
    assert descended[BELOW] == counted(375 / 1380)
    assert descended[NEAR] == counted(160 / 1380)


def test_a_quarter_of_a_minute_seldom_takes_far_to_near():
    """From 120 to 1,500 ft away, 62.5 to 225 ft gained: near if f < c + 80, c on average 143.75: 103.75 / 1380."""
    moved = tables("static_trapped").carry_at("height", 0.25)[CLIMB, BELOW]
    assert moved[NEAR] + moved[ABOVE] == counted(103.75 / 1380)
    assert tables("static_trapped").carry_at("height", 0.0) == pytest.approx(
        np.broadcast_to(np.eye(3), (3, 3, 3)), abs=SURE
    )


def test_a_gap_changes_the_altitude_in_three_of_ten_and_up_as_often_as_down():
    """30 % of gaps hold a climb or a descent of a minute, which from "near" leads surely above or below."""
    assert KB.quantities["memory.gap_changes_height"].low == 0.3
    gap = gap_matrix(KB, tables("static_trapped"), "height")
    assert gap[NEAR] == pytest.approx([0.15, 0.7, 0.15], abs=SURE)
    # from far above: 70 % stay; half of the rest climb on, half descend, of which 845 in 1,380 stay above
    assert gap[ABOVE, ABOVE] == pytest.approx(0.7 + 0.15 + 0.15 * 845 / 1380, abs=0.15 * four_sigma(0.6))
    assert gap.sum(axis=1) == pytest.approx(1.0)


# ------------------------------------------------------------------ a gyro's rotor
#
# up to speed from 0.84 of full speed on, stopped below 0.15; run-down constant 2.5 to 4.5 min, run-up 0.8 to 2 min


@pytest.mark.parametrize("name", ["attitude_rotor", "heading_rotor", "electric_attitude_rotor"])
@pytest.mark.parametrize(
    ("carry", "minutes", "start", "end"),
    [
        pytest.param("run_down", 1.0, UP, SLOWING, id="full speed falls to 0.67..0.80 in a minute, 0.84 to 0.56"),
        pytest.param("run_down", 15.0, UP, STOPPED, id="after 15 min 0.036 at most are left"),
        pytest.param("run_down", 0.25, STOPPED, STOPPED, id="what has stopped stays"),
        pytest.param("run_up", 8.0, STOPPED, UP, id="8 min of air leave 0.02 to full speed"),
        pytest.param("run_up", 0.5, STOPPED, SLOWING, id="half a minute from rest gives 0.22 to 0.55"),
        pytest.param("run_up", 4.0, UP, UP, id="what runs keeps running"),
        pytest.param("sag", 0.0, UP, UP, id="nothing happens in no time"),
    ],
)  # fmt: skip
def test_a_rotor_where_the_ranges_decide(name, carry, minutes, start, end):
    if carry in tables(name).carry:
        assert tables(name).carry_at(carry, minutes)[0, start, end] == pytest.approx(1.0, abs=SURE)


def test_a_minute_without_air_stops_some_slowing_rotors():
    """Speed s even over 0.15 to 0.84: stopped if s exp(-1/tau) < 0.15."""
    tau = spread("rotor.run_down_min")
    stops = np.clip((0.15 * np.exp(1.0 / tau) - 0.15) / 0.69, 0.0, 1.0).mean()
    assert 0.05 < stops < 0.12
    assert tables("attitude_rotor").carry_at("run_down", 1.0)[0, SLOWING, STOPPED] == counted(stops)


def test_a_rotor_whose_air_failed_at_any_time_of_the_last_minutes():
    """It has run down for u t minutes, u even over 0 to 1, from full speed.

    Up to speed if u t / tau < ln(1 / 0.84) = 0.1744; stopped if it is above ln(1 / 0.15) = 1.897.
    """
    tau = spread("rotor.run_down_min")
    of_four = tables("attitude_rotor").onset["run_down"][5]
    assert of_four[UP] == counted(np.mean(0.1744 * tau / 4.0))
    # even after the whole four minutes a constant of 2.5 leaves exp(-1.6) = 0.2
    assert of_four[STOPPED] == pytest.approx(0.0, abs=SURE)
    of_fifteen = tables("attitude_rotor").onset["run_down"][7]
    assert of_fifteen[STOPPED] == counted(np.mean(1.0 - 1.897 * tau / 15.0))
    assert of_fifteen[UP] == counted(np.mean(0.1744 * tau / 15.0))


def test_a_rotor_starts_from_rest_with_the_engine_and_not_from_full_speed():
    """Started 0.3 to 2.5 min ago it has 1 - exp(-t / tau) of its speed, tau 0.8 to 2 min."""
    minutes, tau = spread("rotor.spin_up.minutes")[:, None], spread("rotor.run_up_min")[None]
    speed = 1.0 - np.exp(-minutes / tau)
    begun = tables("attitude_rotor").onset["spin_up"][0]
    for state, chance in ((UP, speed >= 0.84), (STOPPED, speed < 0.15)):
        assert begun[state] == counted(chance.mean())


def test_swinging_suction_takes_a_rotor_to_where_it_swings():
    """In the end to 0.3..0.95 of full speed: up to speed in (0.95 - 0.84) / 0.65 of the cases, stopped in none."""
    for start in (UP, SLOWING, STOPPED):
        after = tables("attitude_rotor").carry_at("swing", 240.0)[0, start]
        assert after[UP] == counted(0.11 / 0.65)
        assert after[STOPPED] == pytest.approx(0.0, abs=SURE)


def test_weak_suction_slows_a_rotor_and_no_suction_stops_it():
    rotor = tables("attitude_rotor")
    stopped = {name: rotor.carry_at(name, 60.0)[0, UP, STOPPED] for name in ("run_up", "sag", "run_down")}
    up = {name: rotor.carry_at(name, 60.0)[0, UP, UP] for name in ("run_up", "sag", "run_down")}
    assert stopped["run_down"] == pytest.approx(1.0, abs=SURE)
    assert up["run_up"] == pytest.approx(1.0, abs=SURE)
    assert up["run_down"] == pytest.approx(0.0, abs=SURE)
    assert stopped["run_up"] <= stopped["sag"] < 0.5
    assert 0.0 < up["sag"] < 0.9


@pytest.mark.parametrize(
    ("carry", "conditions"), [("sag", ("low", "weak")), ("aid", ("standby",))], ids=["weak pump", "standby"]
)
def test_a_starved_rotor_settles_at_the_speed_that_its_suction_gives(carry, conditions):
    """The share of flights whose suction holds 0.84 of full speed, by the physics with other draws."""
    draws = Draws(KB.quantities, np.random.default_rng(11))
    speed = starved_rotor_speed(conditions, draw_flights({}, 20_000, draws), draws)
    for start in (UP, STOPPED):
        after = tables("attitude_rotor").carry_at(carry, 240.0)[0, start]
        assert after[UP] == counted(np.mean(speed >= 0.84))
        assert after[STOPPED] == counted(np.mean(speed < 0.15))


# ------------------------------------------------------------------ battery


def endurance_min(cases, rng):
    """60 k Ah / A^p of cases drawn here; (case,)."""

    def draw(name):
        quantity = KB.quantities[name]
        if quantity.scale == "log":
            return np.exp(rng.uniform(np.log(quantity.low), np.log(quantity.high), cases))
        return rng.uniform(quantity.low, quantity.high, cases)

    load = draw("battery.load_a") ** KB.quantities["battery.peukert_exponent"].low
    return 60.0 * draw("battery.sound_share") * draw("battery.capacity_ah") / load


def test_a_battery_sags_after_four_fifths_of_its_endurance_and_is_then_flat():
    """Charged with an even share of what is left before the knee at 0.8 of its endurance; load by load."""
    rng = np.random.default_rng(7)
    total, left = endurance_min(200_000, rng), rng.random(200_000)
    for minutes in (4.0, 15.0, 30.0, 60.0):
        moved = tables("battery_charge").carry_at("discharge", minutes)[0, CHARGED]
        assert moved[CHARGED] == counted(np.mean(0.8 * total * left > minutes))
        assert moved[FLAT] == counted(np.mean(0.8 * total * left + 0.2 * total <= minutes))
        sagging = tables("battery_charge").carry_at("discharge", minutes)[0, SAGGING]
        assert sagging[FLAT] == counted(np.mean(0.2 * total * left <= minutes))
        assert sagging[CHARGED] == pytest.approx(0.0, abs=SURE)


def test_a_full_battery_is_drawn_on_since_any_time_of_the_last_minutes():
    rng = np.random.default_rng(8)
    total, since = endurance_min(200_000, rng), rng.random(200_000)
    onset = tables("battery_charge").onset["discharge"][8]  # 30 min
    assert onset[CHARGED] == counted(np.mean(0.8 * total > 30.0 * since))
    assert onset[FLAT] == counted(np.mean(total <= 30.0 * since))
    assert tables("battery_charge").first["discharge"][8] == pytest.approx(onset)


def test_an_alternator_that_carries_part_of_the_load_makes_the_battery_last_longer():
    """It carries 50 to 80 %: a load of 0.2 to 0.5 draws 0.2^1.1 to 0.5^1.1 of the battery's time."""
    rng = np.random.default_rng(9)
    total, left = endurance_min(200_000, rng), rng.random(200_000)
    use = (1.0 - rng.uniform(0.5, 0.8, 200_000)) ** 1.1
    moved = tables("battery_charge").carry_at("slow_discharge", 60.0)[0, CHARGED]
    assert moved[CHARGED] == counted(np.mean(0.8 * total * left > 60.0 * use))


def test_a_charging_alternator_fills_the_battery():
    """A recharge of 5 to 20 min covers the way from the knee to full, so 30 min lift a flat battery over the knee."""
    charge = tables("battery_charge").carry_at("recharge", 60.0)[0]
    assert charge[:, CHARGED] == pytest.approx(1.0, abs=SURE)
    none = tables("battery_charge").carry_at("recharge", 0.0)[0]
    assert none == pytest.approx(np.eye(3), abs=SURE)
    assert tables("battery_charge").onset["recharge"][9] == pytest.approx([1.0, 0.0, 0.0], abs=SURE)


def test_whether_a_failure_acts_is_no_physics():
    acting = msgspec.structs.replace(KB.memories["attitude_rotor"], kind=MemoryKind.ACTING)
    with pytest.raises(ValueError, match="follows from the failure"):
        memory_tables(KB, acting)


# ------------------------------------------------------------------ degrees


def test_what_has_closed_stays_closed_and_what_is_half_blocked_stays_so():
    passes = tables("pitot_passes")
    _, most, falls, gone = range(4)
    for minutes in (1.0, 7.0, 240.0):
        kept = passes.carry_at("keeps", minutes)[0]
        assert kept == pytest.approx(np.eye(4), abs=SURE)
        for name in ("closes", "bleeds"):
            moved = passes.carry_at(name, minutes)[0]
            assert moved[gone, gone] == moved[most, most] == 1.0
            # what falls has fallen a minute later
            assert moved[falls] == pytest.approx([0.0, 0.0, 0.0, 1.0], abs=SURE)
    assert passes.onset["keeps"][5] == pytest.approx([0.5, 0.5, 0.0, 0.0], abs=SURE)


def test_an_inlet_closes_within_eight_minutes_on_average():
    """Left at a constant rate; what was left in the last minute is seen falling."""
    passes = tables("pitot_passes")
    moved = passes.carry_at("closes", 4.0)[0, 0]
    left, before = np.exp(-4.0 / 8.0), np.exp(-3.0 / 8.0)
    assert moved == pytest.approx([left, 0.0, before - left, 1.0 - before], abs=SURE)


def test_an_onset_within_the_last_minute_is_seen_as_it_began():
    passes = tables("pitot_passes")
    for place in (1, 3):  # 0.25 and 1 minute
        assert passes.onset["bleeds"][place] == pytest.approx([0.0, 0.0, 1.0, 0.0], abs=SURE)
    # four minutes: one of four is the last; of one before, what is left of its own minute
    since = np.linspace(0.0, 3.0, 300_001)
    still = np.trapezoid(np.maximum(1.0 - since, 0.0), since)
    assert passes.onset["bleeds"][TIMES_MIN.tolist().index(4.0)] == pytest.approx(
        [0.0, 0.0, (1.0 + still) / 4.0, (3.0 - still) / 4.0], abs=1e-6
    )


def test_ten_moments_at_zero_are_one_closed_tube():
    """Closed once is closed ten times: the tenth moment at zero costs next to nothing after the ninth."""
    seen = {"airspeed.value": "zero"}

    def evidence(moments):
        snapshots = [SnapshotRecord(manoeuvre="level", readings=seen)] * moments
        case = CaseRecord(title="t", panel="single_pump", snapshot=tuple(snapshots))
        return engine("single_pump").log_likelihood(case, ("pitot_insect_underway",))

    assert evidence(10) - evidence(9) > np.log(0.97)


@pytest.mark.parametrize("name", [name for name, one in KB.memories.items() if one.kind is not MemoryKind.ACTING])
def test_every_table_of_a_memory_gives_chances(name):
    found = tables(name)
    for table in (found.carry, found.onset, found.first):
        for one in table.values():
            assert (np.asarray(one) >= 0.0).all()
            assert np.asarray(one).sum(axis=-1) == pytest.approx(1.0)


def test_what_a_degree_has_been_for_how_long_adds_up_its_chances():
    """The minutes in each state by an even sum over the way: a mean of 8 min, seen passing for the last one."""
    degree = KB.memories["pitot_passes"].degrees["closes"]
    states = tuple(KB.memories["pitot_passes"].states)
    for minutes in (0.5, 1.0, 4.0):
        t = (np.arange(20_000) + 0.5) / 20_000 * minutes
        left, before = np.exp(-t / 8.0), np.exp(-np.maximum(t - 1.0, 0.0) / 8.0)
        by_hand = np.array([left, 0.0 * t, before - left, 1.0 - before]).mean(axis=1) * minutes
        _, summed = _worse(degree, states, minutes)
        assert summed[0] == pytest.approx(by_hand, abs=1e-6)
        # what falls at first falls for what is left of its minute
        falls = np.maximum(1.0 - t, 0.0).mean() * minutes
        assert summed[2] == pytest.approx([0.0, 0.0, falls, minutes - falls], abs=1e-6)
        assert summed[1].tolist() == [0.0, minutes, 0.0, 0.0]
