"""What the panel's dials show in each condition, against what handbooks and reports say of them.

Quantities are those of the knowledge base, drawn for a thousand flights, unless a test narrows them.
"""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from diagnose.model.units import inhg_from_inh2o
from diagnose.physics import electric_dials, gyro_dials, pressure_dials, suction_dials
from diagnose.physics.airdata import airspeed_kt, impact_pressure_inhg
from diagnose.physics.draws import Draws
from diagnose.physics.flight import draw_flights
from diagnose.physics.flown import moment
from tests.small import shipped

FLIGHTS = 1000


def draws(seed=1, **fixed):
    """Draws of the knowledge base, some quantities fixed (dots written as double underscores)."""
    quantities = dict(shipped().quantities)
    for name, value in fixed.items():
        key = name.replace("__", ".")
        quantities[key] = msgspec.structs.replace(quantities[key], low=value, high=value, scale="even")
    return Draws(quantities, np.random.default_rng(seed))


def flights(**axes):
    return draw_flights({axis: np.full(FLIGHTS, value) for axis, value in axes.items()}, FLIGHTS, draws())


def shown(dial, states, fixed=None, **axes):
    return dial(moment(states, flights(**axes), draws(2, **(fixed or {}))))


def at_end(dial, states, fixed=None, **axes):
    return shown(dial, states, fixed, **axes)[:, -1]


# ------------------------------------------------------------------ compass

NO_SWING = {"compass__swing_deg": 0.0, "compass__lag_s": 1e-6}


def test_at_the_magnetic_equator_the_compass_shows_the_turn():
    # without dip there is neither turning nor acceleration error (IFH FAA-H-8083-15B ch. 5: dip makes them)
    fixed = {**NO_SWING, "flight__latitude_deg": 0.0}
    card = shown(gyro_dials.compass_deg, {}, fixed, turn="right")
    true = flights(turn="right").heading_deg
    # what is left: a level heading seen in the plane of the card, atan(tan h cos bank), is off by at most
    # asin((1 - cos b) / (1 + cos b)), 3.6 degrees at 28 of bank, at the start and at the end
    assert np.abs(card - (true - true[:, :1])).max() < 7.2


@pytest.mark.parametrize(("latitude_deg", "largest_deg"), [(30.0, 20.0), (50.0, 40.0)])
def test_the_compass_errs_in_a_turn_the_more_the_higher_the_latitude(latitude_deg, largest_deg):
    # IFH ch. 5: the error is about the latitude at its largest, on north and south
    fixed = {**NO_SWING, "flight__latitude_deg": latitude_deg}
    true = flights(turn="left").heading_deg
    off = shown(gyro_dials.compass_deg, {}, fixed, turn="left") - (true - true[:, :1])
    # start and end of the turn each err by up to about the latitude
    assert largest_deg / 2 < np.quantile(np.abs(off).max(axis=1), 0.5) < 2.5 * largest_deg


def test_the_compass_is_steady_in_steady_flight():
    # IFH ch. 5: to be trusted straight, level and unaccelerated
    card = shown(gyro_dials.compass_deg, {}, {"compass__swing_deg": 0.0, "flight__turbulence": 0.0})
    assert np.quantile(np.abs(card).max(axis=1), 0.9) < 10.0


# ------------------------------------------------------------------ suction


def gauge(condition, power="cruise", fixed=None, **states):
    return at_end(suction_dials.suction_inhg, {"suction": condition, **states}, fixed, power=power)


def test_a_sound_system_holds_the_green_arc_in_cruise():
    # 172N handbook: 4.5 (4.6 in another printing) to 5.4; the gauge itself is off by up to 0.15
    assert gauge("normal").min() > 4.4
    assert gauge("normal").max() < 5.6


def test_low_suction_at_idle_may_be_normal():
    # PA-28-161 handbook VB-880 section 7: low suction at low rpm is normal
    assert 0.2 < np.mean(gauge("normal", "idle") < 4.4) < 0.8


@pytest.mark.parametrize("power", ["idle", "cruise", "full"])
def test_a_sheared_drive_leaves_nothing(power):
    # PA-28-181 handbook VB-790 section 7: zero at every rpm
    assert gauge("none", power).max() < 0.5


def test_a_worn_pump_or_a_leak_is_worst_at_idle():
    # common practice: low at idle, better with rpm
    idle, cruise = gauge("weak", "idle"), gauge("weak", "cruise")
    assert np.mean(cruise < 4.4) > 0.8
    assert np.median(idle) < 0.5 * np.median(cruise)


def test_a_regulator_set_low_changes_little_with_rpm():
    # common practice: low everywhere
    idle, cruise = gauge("low", "idle"), gauge("low", "cruise")
    assert cruise.max() < 4.4
    assert np.median(idle) > 0.8 * np.median(cruise)


def test_a_regulator_stuck_shut_reads_high_and_rises_with_rpm():
    # PA-28-181 handbook VB-790 section 7: higher settings damage gyros; above 5.9 is high
    assert gauge("high").min() > 5.6
    assert np.median(gauge("high", "idle")) < np.median(gauge("high"))


def test_standby_suction_is_gone_at_full_throttle():
    # M20F transition manual: none to speak of in a climb or a missed approach; more with power reduced
    assert gauge("standby", "full").max() < 1.5
    assert gauge("standby", "idle").min() > 4.4
    assert np.median(gauge("standby", "cruise")) > 2.0


def test_standby_suction_is_what_pressure_leaves():
    # Standard atmosphere: at 4,000 ft and 24 inHg of manifold pressure 25.84 - 24 = 1.84 inHg
    fixed = {
        "flight__height_ft": 4000.0,
        "flight__level_fpm": 0.0,
        "flight__turbulence": 0.0,
        "engine__cruise_manifold_inhg": 24.0,
        "suction__gauge__error_inhg": 0.0,
    }
    level = draw_flights({}, 3, draws(**fixed))
    read = suction_dials.suction_inhg(moment({"suction": "standby"}, level, draws(2, **fixed)))
    assert read == pytest.approx(1.84, abs=0.005)


def test_a_venturi_gives_nothing_at_rest():
    # venturi catalogue: effective only some time after takeoff
    resting = at_end(suction_dials.suction_inhg, {"suction": "airflow"}, pace="at_rest", power="idle")
    assert resting.max() < 0.2
    assert np.mean(gauge("airflow") > 4.4) > 0.8


@pytest.mark.parametrize(("differential", "falls"), [(1.0, True), (0.0, False)])
def test_a_clogged_filter_is_seen_by_plumbing(differential, falls):
    # PA-32 service manual (vented gauge falls); referenced to the cabin: derived
    fixed = {"suction__gauge__differential": differential, "suction__filter__resistance": 1.0}
    read = gauge("normal", fixed=fixed, gyro_filter="clogged")
    assert (read.max() < 3.0) if falls else (read.min() > 4.4)


def test_the_vacuum_light():
    # 172R: trips below 3.0 inHg; a report in the 172R handbook has it on at idle
    light = suction_dials.low_vacuum_light
    assert at_end(light, {"suction": "none"}).all()
    assert not at_end(light, {"suction": "normal"}).any()
    assert 0.1 < at_end(light, {"suction": "normal"}, power="idle").mean() < 0.7
    assert not at_end(light, {"suction": "none", "vacuum_switch": "dead"}).any()
    assert at_end(light, {"suction": "normal", "vacuum_switch": "lit"}).all()


def test_a_starved_rotor_settles_at_the_root_of_its_suction():
    # derived: 3.2 of 5 inHg give 0.8 of the speed
    fixed = {"suction__low__regulator_inhg": 3.2, "suction__regulator__inhg": 5.0}
    speed = suction_dials.starved_rotor_speed(("low",), flights(), draws(**fixed))
    assert speed == pytest.approx(0.8)


# ------------------------------------------------------------------ electrical


def bus(condition, dial=electric_dials.bus_v, **axes):
    return shown(dial, {"bus": condition}, **axes)


def test_the_low_voltage_light_follows_the_bus():
    # 14 V systems: about 13 V (memory); 172R handbook section 3: may light at low rpm and go out with rpm
    light = electric_dials.low_voltage_light
    assert not bus("charging", light).any()
    assert 0.05 < bus("charging", light, power="idle")[:, -1].mean() < 0.6
    assert bus("on_battery", light).all()
    assert bus("sagging", light).all()
    assert not bus("dead", light).any()
    assert shown(light, {"bus": "charging", "low_voltage_sensor": "lit"}).all()
    assert not shown(light, {"bus": "on_battery", "low_voltage_sensor": "dead"}).any()


def test_voltage_falls_as_the_battery_is_used():
    on_battery, sagging = bus("on_battery"), bus("sagging")
    assert (np.diff(on_battery) <= 0).all()
    assert on_battery[:, 0].min() > sagging[:, 0].max() - 1e-9
    assert (bus("charging") == 14.0).all()
    assert (bus("dead") == 0.0).all()


def test_lights_dim_as_the_battery_goes():
    # signature table of electrical handbooks (common practice): normal, then dim, then dead
    order = [
        bus(c, electric_dials.lights_share)[:, -1] for c in ("charging", "on_battery", "sagging", "dead")
    ]
    means = [float(share.mean()) for share in order]
    assert means == sorted(means, reverse=True)
    assert 0.1 < np.mean(order[1] < 0.6) < 0.9


@pytest.mark.parametrize(
    ("gauge_id", "facet", "working", "quantity"),
    [
        ("gps_height", 0, ("rising", "steady", "falling"), "electrical.gps_cut_out_v"),
        ("gps_speed", 0, ("rising", "steady", "falling"), "electrical.gps_cut_out_v"),
        ("gps_track", 0, ("left", "steady", "right"), "electrical.gps_cut_out_v"),
        ("radios", 0, ("normal",), "electrical.radio_cut_out_v"),
    ],
)
def test_stated_chances_at_low_voltage_are_those_of_the_bus(gauge_id, facet, working, quantity):
    # the rows are stated, because a set fails for other reasons as well; the voltage part must agree
    volts = bus("sagging").mean(axis=1)
    works = np.mean(volts > draws(3)(quantity, FLIGHTS))
    for row in shipped().gauges[gauge_id].facets[facet].rows:
        if row.when.get("avionics_power") == "low":
            assert sum(row.gives[reading] for reading in working) == pytest.approx(works, abs=0.1)


@pytest.mark.parametrize("power", ["low", "none"])
def test_a_turn_coordinator_under_reads_without_voltage(power):
    # common practice: slows and under-reads before the flag appears
    true = flights(turn="left").turn_rate_dps.mean(axis=1)
    read = shown(gyro_dials.turn_rate_dps, {"turn_power": power}, turn="left").mean(axis=1)
    assert (read / true < 0.95).mean() > 0.95
    assert np.median(read / true) < (0.7 if power == "low" else 0.1)


# ------------------------------------------------------------------ attitude


def test_a_sound_horizon_errs_by_a_few_degrees_in_a_turn():
    # pilot training texts (AOPA; ATPL): false climb in a turn, slight, and nothing straight
    turning = shown(gyro_dials.attitude_pitch_deg, {}, turn="left") - flights(turn="left").pitch_deg
    straight = shown(gyro_dials.attitude_pitch_deg, {}) - flights().pitch_deg
    assert 0.5 < np.median(turning[:, -1]) < 5.0
    assert np.abs(straight[:, -1]).max() < 1.5


# ------------------------------------------------------------------ heading


def test_a_sound_card_drifts_within_the_usual_limit():
    # IFH FAA-H-8083-15B (memory): at most 3 degrees in 15 minutes, 0.2 in one; 120 kt at 50 degrees of
    # latitude alone make 2.4 degrees an hour, and a latitude nut that is off adds to it
    calm = {"flight__turbulence": 0.0, "flight__straight_dps": 0.0}
    straight = draw_flights({}, FLIGHTS, draws(**calm))
    drift = np.abs(gyro_dials.heading_deg(moment({}, straight, draws(2)))[:, -1])
    assert np.median(drift) < 0.2
    assert drift.max() < 0.35


def test_a_starved_card_drifts_faster_than_a_sound_one():
    # pilots' reports: about 15 degrees noticed and reset earlier on the same leg (ASRS 259386)
    off = shown(gyro_dials.heading_error_deg, {"heading_rotor": "slowing"})[:, -1]
    assert 5 < np.median(np.abs(off)) < 25


# ------------------------------------------------------------------ pressures


@pytest.mark.parametrize(("condition", "sign"), [("cabin_low", 1.0), ("cabin_high", -1.0)])
def test_cabin_air_in_the_static_line(condition, sign):
    # PA-28-181 handbook VB-1611 section 7.21: under 50 ft; owner's handbook of an early-1960s high-wing
    # single: 6 mph and 50 ft, low on the approach. Nothing at rest, where there is no airflow.
    error = shown(pressure_dials.altimeter_ft, {"static": condition}) - flights().height_ft
    assert (error * sign > 0).all()
    assert 25 < np.median(error * sign) < 75
    still = shown(pressure_dials.altimeter_ft, {"static": condition}, pace="at_rest")
    assert still == pytest.approx(flights(pace="at_rest").height_ft)


def test_one_blocked_port_errs_both_ways():
    # sideslip turns the sign round: paired ports exist to cancel it (common practice)
    error = shown(pressure_dials.altimeter_ft, {"static": "one_port"}) - flights().height_ft
    assert np.mean(error > 0) == pytest.approx(0.5, abs=0.05)
    assert np.quantile(np.abs(error), 0.9) < 50


@pytest.mark.parametrize(("part", "condition"), [("static_branch", "pinched"), ("static", "restricted")])
def test_a_line_that_lags_trails_a_climb_and_shows_nothing_in_long_level_flight(part, condition):
    """A line that lags by tau trails a steady climb by tau x rate: the solution of dp/dt = (source - p) / tau."""
    lags = {part: condition}
    fixed = {
        f"{part}__{condition}__lag_s": 60.0, "flight__turbulence": 0.0, "flight__level_fpm": 0.0,
        "flight__climb_fpm": 600.0, "flight__descent_fpm": 600.0,
    }  # fmt: skip

    def behind_ft(minutes, **axes):
        sizes = fixed | {"static__since_change_min": minutes}
        flown = draw_flights(axes, FLIGHTS, draws(**sizes))
        return (pressure_dials.altimeter_ft(moment(lags, flown, draws(2, **sizes))) - flown.height_ft)[:, 0]

    # long after the change, altimeter errors of a sound line apart (they are up to tens of feet)
    assert np.median(np.abs(behind_ft(30.0))) < 60.0
    assert np.median(behind_ft(30.0, vertical=np.full(FLIGHTS, "up"))) == pytest.approx(-600.0, rel=0.1)
    # at the change it trails what was flown before: a climb, a descent or level flight, each a third
    just = behind_ft(0.0)
    for wanted in (-600.0, 0.0, 600.0):
        assert np.mean(np.abs(just - wanted) < 100.0) == pytest.approx(1 / 3, abs=0.08)


def test_a_vsi_case_leak_shows_a_steady_descent():
    # mechanism: cabin pressure below static; nothing at rest
    leaking = {"vertical_speed_part": "case_leak"}
    calm = {"flight__turbulence": 0.0}
    level = draw_flights({}, FLIGHTS, draws(flight__level_fpm=0.0, **calm))
    rate = pressure_dials.vertical_speed(moment(leaking, level, draws(2)))
    assert np.median(rate[:, -1]) < -150
    assert np.abs(shown(pressure_dials.vertical_speed, leaking, pace="at_rest")).max() < 1.0


def test_an_altimeter_case_leak_shows_only_when_the_line_is_blocked():
    # derived from conductances: the open line feeds far more air than the leak takes
    leaking = {"altimeter_part": "case_leak"}
    open_line = shown(pressure_dials.altimeter_ft, leaking) - flights().height_ft
    assert np.quantile(np.abs(open_line[:, -1]), 0.95) < 20
    blocked = {**leaking, "static": "sealed", "static_trapped": "near"}
    moved = shown(pressure_dials.altimeter_ft, blocked, vertical="up")
    tight = shown(pressure_dials.altimeter_ft, {**blocked, "altimeter_part": "true"}, vertical="up")
    assert np.median(moved[:, -1] - moved[:, 0]) > 100
    assert tight[:, -1] == pytest.approx(tight[:, 0])


def test_a_diaphragm_leak_lowers_altimeter_and_airspeed():
    # derived: the leaked air also has to leave by the static line
    leaking = {"airspeed_part": "leaking"}
    error = at_end(pressure_dials.altimeter_ft, leaking) - flights().height_ft[:, -1]
    assert (error < 0).all()
    assert 20 < np.median(-error) < 150
    assert (shown(pressure_dials.airspeed_kt, leaking) < flights().airspeed_kt).all()


@pytest.mark.parametrize(
    ("true_kt", "head_inh2o", "shown_kt"),
    [
        pytest.param(90, -2.1, 70, id="90 toward 70"),
        pytest.param(90, 0.6, 95, id="and back to 95"),
        pytest.param(61, 7.3, 122, id="140 mph on landing at about 70"),
        pytest.param(61, -1.6, 35, id="then 40 mph"),
    ],
)
def test_a_column_of_water_explains_what_owners_saw(true_kt, head_inh2o, shown_kt):
    # owners' accounts in forums; the heads lie inside the range of pitot.erratic.head_inh2o and its shares
    impact = impact_pressure_inhg(true_kt) + inhg_from_inh2o(head_inh2o)
    assert airspeed_kt(impact) == pytest.approx(shown_kt, abs=1.5)


def test_an_isobaric_cabin_holds_the_altimeter_still_in_a_climb():
    # King Air Magazine, August 2015: with the static line open the altimeters stopped rising
    states = {"static": "cabin_pressurised"}
    fixed = {"static__cabin_pressurised__isobaric": 1.0}
    read = shown(pressure_dials.altimeter_ft, states, fixed, vertical="up")
    assert np.abs(read[:, -1] - read[:, 0]).max() < 1.0
    assert (read[:, -1] < flights(vertical="up").height_ft[:, -1]).all()
