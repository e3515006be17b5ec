"""Flown scenarios agree with the physics: each dial against the printed relation that rules it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from diagnose.model.case import Action, FailureEvent, Leg, Pilot, ScenarioRecord
from diagnose.network.tables import compile_network
from diagnose.physics.airdata import trapped_pitot_airspeed_kt, trapped_static_airspeed_kt
from diagnose.physics.gyro_dials import rotor
from diagnose.physics.gyros import lean_deg, rotor_speed
from diagnose.physics.pressure_dials import static_inhg
from diagnose.practice.simulate import channel, shown_histories, simulate, snapshots, state_at
from tests.small import shipped


@cache
def network(panel="single_pump"):
    return compile_network(shipped(), panel)


LEGS = (
    Leg(manoeuvre="level", minutes=2),
    Leg(manoeuvre="climb", minutes=2),
    Leg(manoeuvre="level", minutes=2),
    Leg(manoeuvre="left_turn", minutes=1),
    Leg(manoeuvre="level", minutes=1),
    Leg(manoeuvre="descent", minutes=2),
)


def fly(*failures, panel="single_pump", legs=LEGS, **fields):
    scenario = ScenarioRecord(
        title="t", panel=panel, briefing="b", leg=legs, failure=failures, **({"turbulence": 0.0} | fields)
    )
    return simulate(network(panel), scenario)


def fails(failure, at=1.0, **fields):
    return FailureEvent(id=failure, at_minutes=at, **fields)


# ------------------------------------------------------------------ pressure


def test_a_healthy_flight_shows_what_is_flown():
    flight = fly()
    shown, course = shown_histories(flight), flight.course
    assert np.abs(shown["airspeed_kt"] - course.airspeed_kt).max() < 0.01
    assert np.abs(shown["altitude_ft"] - course.height_ft).max() < 0.1
    steady = slice(170, 235)
    assert shown["vertical_speed_fpm"][steady] == pytest.approx(500.0, abs=10.0)
    assert np.abs(shown["bank_deg"] - course.bank_deg).max() < 4.0
    assert course.heading_deg[-1] - course.heading_deg[0] == pytest.approx(-180.0, abs=8.0)


def test_sealed_static_shows_what_the_printed_relation_gives():
    flight = fly(fails("static_ports_taped"))
    course, shown = flight.course, shown_histories(flight)
    sealed = slice(60, None)
    expected = trapped_static_airspeed_kt(
        course.height_ft[sealed], course.height_ft[59], course.airspeed_kt[sealed]
    )
    assert shown["airspeed_kt"][sealed] == pytest.approx(expected, abs=0.3)
    assert np.ptp(shown["altitude_ft"][sealed]) < 1.0
    assert np.abs(shown["vertical_speed_fpm"][80:]).max() < 5.0


def test_sealed_pitot_shows_what_the_printed_relation_gives():
    flight = fly(fails("pitot_and_drain_blocked"))
    course, shown = flight.course, shown_histories(flight)
    sealed = slice(60, None)
    expected = trapped_pitot_airspeed_kt(
        course.height_ft[sealed], course.height_ft[59], course.airspeed_kt[59]
    )
    assert shown["airspeed_kt"][sealed] == pytest.approx(np.minimum(expected, 200.0), abs=0.3)
    assert shown["altitude_ft"] == pytest.approx(course.height_ft, abs=0.1)


def test_a_blocked_ram_hole_bleeds_to_nothing():
    flight = fly(fails("pitot_insect_nest"))
    airspeed = shown_histories(flight)["airspeed_kt"]
    assert airspeed[59] == pytest.approx(100.0, abs=0.1)
    # five of the longest time constants, 10 s
    assert airspeed[110] < 10.0
    assert (np.diff(airspeed[60:100]) <= 0.0).all()


def test_the_alternate_source_frees_the_dials_and_reads_a_little_high():
    action = Action(at_minutes=3.5, switch="alternate_static", position="on")
    flight = fly(fails("static_ports_taped"), action=(action,))
    error = shown_histories(flight)["altitude_ft"] - flight.course.height_ft
    assert error[205] < -200.0
    assert 0.0 < error[240] <= 80.0


def test_a_line_that_closes_by_degrees_lags_ever_more():
    sudden, slowly = (
        fly(fails("static_ports_taped", **fields))
        for fields in ({}, {"progression": "gradual", "over_minutes": 3.0})
    )
    climb = slice(150, 200)
    behind = [f.course.height_ft[climb] - shown_histories(f)["altitude_ft"][climb] for f in (slowly, sudden)]
    assert (behind[0] < behind[1]).all()
    assert behind[0][-1] > 50.0


def test_pitot_heat_cures_ice_after_its_minute():
    action = Action(at_minutes=3.0, switch="pitot_heat", position="on")
    for failure, cured in (("pitot_ram_iced", True), ("pitot_iced_heater_dead", False)):
        flight = fly(fails(failure), action=(action,))
        airspeed, true = shown_histories(flight)["airspeed_kt"], flight.course.airspeed_kt
        # in a climb the line lags the falling static pressure a little
        assert airspeed[230] < 45.0
        assert (abs(airspeed[300] - true[300]) < 1.0) == cured
        assert (failure in flight.active_at(300)) != cured


# ------------------------------------------------------------------ gyros and electricity


def test_a_starved_rotor_runs_down_and_leans_by_the_printed_relation():
    straight = (Leg(manoeuvre="level", minutes=6),)
    sizes = {"rotor.run_down_min": 3.0, "rotor.lean_first_dpm": 1.0, "rotor.lean_bumps_times": 1.0}
    still = {"attitude.jitter_deg": 0.0, "rotor.wander_deg": 0.0}
    flight = fly(fails("pump_sheared"), legs=straight, sizes=sizes | still)
    minutes = np.arange(60, 360) / 60.0 - 59.0 / 60.0
    assert rotor(flight.flown, "attitude")[0, 60:] == pytest.approx(rotor_speed(minutes, 3.0), abs=1e-6)
    error = channel(flight, "attitude_error_deg")[0]
    # what erection has left before the failure is within the jitter of a sound one
    assert error[60:] - error[59] == pytest.approx(lean_deg(minutes, 1.0, 3.0), abs=0.3)
    assert shown_histories(flight)["suction_inhg"][90] < 0.5


def test_a_sound_horizon_stays_true_to_within_its_turning_errors():
    flight = fly()
    assert np.abs(channel(flight, "attitude_error_deg")[0]).max() < 4.0
    pitch = channel(flight, "attitude_pitch_deg")[0]
    assert np.abs(pitch - flight.course.pitch_deg).max() < 5.0


def test_a_turn_coordinator_without_power_coasts_then_stands_with_its_flag_out():
    flight = fly(fails("turn_supply_open", 0.5))
    turn = slice(370, 415)
    assert np.abs(shown_histories(flight)["turn_rate_dps"][turn]).max() < 0.3
    assert state_at(flight, 120)["turn_flag"] == 1.0
    assert state_at(fly(), 120)["turn_flag"] == 0.0


def test_the_bus_dies_when_the_battery_is_flat():
    # 60 k Ah / load^1.1 minutes: 60 * 0.13 * 20 / 30^1.1 = 3.7 from the first minute on
    sizes = {"battery.load_a": 30.0, "battery.capacity_ah": 20.0, "battery.sound_share": 0.13}
    flight = fly(fails("alternator_failed"), sizes=sizes)
    volts = shown_histories(flight)["voltmeter_v"]
    assert volts[30] == pytest.approx(14.0)
    assert 11.6 <= volts[100] <= 12.5
    assert volts[200] < volts[100]
    assert volts[270] > 0.0
    assert volts[300] == 0.0
    assert np.isnan(state_at(flight, 400)["gps_height_ft"])
    assert state_at(flight, 100)["ammeter_a"] < 0.0


def test_an_intermittent_pump_swings_the_gauge():
    flight = fly(fails("pump_intermittent", progression="intermittent", every_seconds=10.0))
    assert np.ptp(shown_histories(flight)["suction_inhg"][60:]) > 2.0
    degree = flight.degrees["pump_intermittent"]
    assert set(degree[:60]) == {0.0}
    assert set(degree[60:]) == {0.0, 1.0}


# ------------------------------------------------------------------ draws, pilots, snapshots


def test_another_failure_changes_nothing_that_it_does_not_touch():
    one, two = (
        fly(fails("pump_sheared"), turbulence=0.4),
        fly(fails("pump_sheared"), fails("airspeed_stuck"), turbulence=0.4),
    )
    for name in ("altitude_ft", "bank_deg", "heading_deg", "suction_inhg", "turn_rate_dps"):
        assert (shown_histories(one)[name] == shown_histories(two)[name]).all()


def test_seeds_make_flights():
    first, again, other = (fly(fails("pump_sheared"), turbulence=0.4, seed=s) for s in (3, 3, 4))
    assert (shown_histories(first)["bank_deg"] == shown_histories(again)["bank_deg"]).all()
    assert (shown_histories(first)["bank_deg"] != shown_histories(other)["bank_deg"]).any()


def test_a_pilot_who_follows_a_false_airspeed_climbs_into_the_stall():
    legs = (Leg(manoeuvre="level", minutes=2), Leg(manoeuvre="climb", minutes=3))
    true, led = (
        fly(fails("pitot_and_drain_blocked"), legs=legs, pilot=pilot)
        for pilot in (Pilot(), Pilot(follows="airspeed", from_minutes=2.5))
    )
    assert true.course.airspeed_kt[180:].min() > 75.0
    assert true.course.pitch_deg.max() < 10.0
    assert led.course.airspeed_kt.min() < 48.0
    assert led.course.pitch_deg.max() > 12.0
    # what the pilot sees is a speed that is far too high
    assert shown_histories(led)["airspeed_kt"][240:].min() > 120.0
    assert shown_histories(led)["stall_warner"].max() == 1.0


def test_a_pilot_who_levels_a_leaning_horizon_turns():
    straight = (Leg(manoeuvre="level", minutes=5),)
    flight = fly(fails("pump_sheared", 0.0), legs=straight, pilot=Pilot(follows="attitude"))
    # he looks every few seconds while the picture leans on
    assert np.abs(shown_histories(flight)["bank_deg"][200:]).max() < 8.0
    assert abs(flight.course.heading_deg[-1] - flight.course.heading_deg[0]) > 60.0


@pytest.mark.parametrize("follows", ["altimeter", "vertical_speed", "heading", "turn_coordinator"])
def test_a_pilot_who_follows_a_true_instrument_flies_as_meant(follows):
    flight, plain = fly(pilot=Pilot(follows=follows)), fly()
    assert flight.course.height_ft == pytest.approx(plain.course.height_ft, abs=120.0)
    assert flight.course.heading_deg == pytest.approx(plain.course.heading_deg, abs=15.0)


@pytest.mark.parametrize("panel", sorted(shipped().panels))
def test_healthy_flights_read_as_expected(panel):
    """The readings that the network expects of a healthy flight are those that one is coded into."""
    wrong = total = 0
    for seed in (1, 2, 3):
        flight = fly(panel=panel, turbulence=0.2, seed=seed)
        for _, snapshot in snapshots(flight):
            expected = network(panel).expected_readings(snapshot.manoeuvre, snapshot.switches)
            said = {k: v for k, v in snapshot.readings.items() if k != "attitude.pitch"}
            total += len(said)
            wrong += sum(expected[name] != reading for name, reading in said.items())
    assert total > 500
    # at idle, suction and charging may well be seen to fall below their usual readings
    assert wrong / total < 0.02


def test_snapshots_leave_out_the_change_of_manoeuvre_and_start_anew_at_a_switch():
    action = Action(at_minutes=5.0, switch="alternate_static", position="on")
    found = snapshots(fly(action=(action,)))
    assert [record.manoeuvre for _, record in found][:3] == ["level", "level", "climb"]
    assert found[2][0].first == 140
    assert found[2][1].minutes_before == 0.25  # 20 s, to a quarter of a minute
    positions = [(window.first, record.switches["alternate_static"]) for window, record in found]
    assert all((first >= 300) == (position == "on") for first, position in positions)
    assert sum(r.minutes + r.minutes_before for _, r in found) == pytest.approx(10.0, abs=0.1)


def test_every_channel_of_the_knowledge_has_a_history():
    flight = fly(panel="two_sets")
    for gauge in network("two_sets").panel.gauges:
        for facet in shipped().gauges[gauge].facets:
            if facet.channel:
                values, _ = channel(flight, facet.channel)
                assert values.shape == flight.course.time_s.shape


@pytest.mark.parametrize("failure", sorted(shipped().failures))
def test_every_failure_can_be_flown_and_changes_something_that_is_seen(failure):
    kb = shipped()
    panel = next(p for p in kb.panels if set(kb.failures[failure].acts) <= set(kb.panel(p).parts))
    plain, failed = fly(panel=panel), fly(fails(failure, 0.0), panel=panel)
    assert failed.degrees[failure].max() == 1.0
    same = all(
        np.array_equal(values, shown_histories(plain)[name])
        for name, values in shown_histories(failed).items()
        if values.dtype.kind == "f"
    )
    words_same = all((failed.half[n] == plain.half[n]).all() for n in failed.half)
    assert not (same and words_same)
    assert np.isfinite(static_inhg(failed.flown)).all()
