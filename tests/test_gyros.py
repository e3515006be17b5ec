"""Gyros: printed drift and turn values, closed forms, and the pattern of a sound horizon's errors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.model.errors import PhysicsRangeError
from diagnose.physics.gyros import (
    air_driven_speed,
    apparent_pitch_deg,
    bank_for_rate_deg,
    earth_rate_drift_dph,
    electric_speed,
    heading_drift_dph,
    horizon_error_deg,
    lean_deg,
    rotor_history,
    rotor_speed,
    starved_drift_dpm,
    starved_error_deg,
    tas_for_turn_kt,
    transport_drift_dph,
    turn_coordinator_dps,
    turn_rate_dps,
)


@pytest.mark.parametrize(
    ("minutes", "lean"),
    # 4 min is 7.5 (7.475); the hand table rounds that twice, to 8
    [(1, 1), (2, 3), (3, 5), (4, 7.5), (5, 11), (7, 22), (10, 57)],
)
def test_lean_of_a_starved_rotor(minutes, lean):
    # judgement model: 1 degree/min at first, rotor falls off in 3.5 min; printed to 1 degree
    assert lean_deg(minutes, 1.0, 3.5) == pytest.approx(lean, abs=0.5)


@pytest.mark.parametrize(
    ("speed", "drift", "error"),
    # worked by hand, 1 degree/min, up to speed from 0.8, falls off in 3.5 min:
    # (1 - (s/0.8)^2) / s, and 3.5 (1 - s/0.8)^2 / s
    [(1.0, 0.0, 0.0), (0.8, 0.0, 0.0), (0.4, 1.875, 2.1875), (0.2, 4.6875, 9.84375)],
)
def test_drift_of_a_starved_card_begins_without_a_jump(speed, drift, error):
    assert starved_drift_dpm(speed, 1.0, 0.8) == pytest.approx(drift, abs=1e-9)
    assert starved_error_deg(speed, 1.0, 3.5, 0.8) == pytest.approx(error, abs=1e-9)


def test_error_of_a_starved_card_is_its_drift_added_up():
    time_min = np.arange(0.0, 6.0, 0.001)
    drift = starved_drift_dpm(rotor_speed(time_min, 3.5), 1.3, 0.84)
    added = np.cumsum(drift) * 0.001
    assert added == pytest.approx(starved_error_deg(rotor_speed(time_min, 3.5), 1.3, 3.5, 0.84), abs=0.01)


@pytest.mark.parametrize(
    ("latitude", "per_hour", "per_quarter"),
    [(20, 5.13, 1.3), (30, 7.50, 1.9), (40, 9.64, 2.4), (45, 10.61, 2.7), (50, 11.49, 2.9), (52, 11.82, 3.0)],
)
def test_earth_rate(latitude, per_hour, per_quarter):
    # ATPL teaching: 15 sin(latitude); under-reads in the north, over-reads in the south
    assert earth_rate_drift_dph(latitude) == pytest.approx(per_hour, abs=0.005)
    assert earth_rate_drift_dph(latitude) / 4 == pytest.approx(per_quarter, abs=0.05)
    assert heading_drift_dph(latitude) == pytest.approx(-per_hour, abs=0.005)
    assert heading_drift_dph(-latitude) == pytest.approx(per_hour, abs=0.005)
    assert heading_drift_dph(latitude, 0.0, latitude) == 0.0


@pytest.mark.parametrize(("latitude", "per_hour"), [(30, 1.15), (40, 1.68), (50, 2.38)])
def test_transport_drift_at_120_kt(latitude, per_hour):
    # ATPL teaching: east negative, west positive in the north
    assert transport_drift_dph(120, latitude) == pytest.approx(per_hour, abs=0.005)
    still = heading_drift_dph(latitude)
    assert heading_drift_dph(latitude, 120) - still == pytest.approx(-per_hour, abs=0.005)
    assert heading_drift_dph(latitude, -120) - still == pytest.approx(per_hour, abs=0.005)


@pytest.mark.parametrize(
    ("tas_kt", "bank", "printed"),
    [
        (tas, bank, rate)
        for tas, rates in {
            90: (1.06, 2.14, 3.25, 4.41, 7.00),
            100: (0.95, 1.92, 2.92, 3.97, 6.30),
            120: (0.80, 1.60, 2.44, 3.31, 5.25),
        }.items()
        for bank, rate in zip((5, 10, 15, 20, 30), rates, strict=True)
    ]
    + [(120, 18, 2.95)],
)
def test_rate_of_turn(tas_kt, bank, printed):
    # 1,091 tan(bank) / TAS (textbook); 0.955 is printed 0.95 and 0.795 is printed 0.80
    assert turn_rate_dps(tas_kt, bank) == pytest.approx(printed, abs=0.0051)


def test_textbook_constant_is_g_over_a_knot():
    exact = np.degrees(9.80665 * np.tan(np.radians(20)) / (100 * 1852 / 3600))
    assert turn_rate_dps(100, 20) == pytest.approx(exact, rel=0.0012)


@given(st.floats(40, 300), st.floats(1, 60))
def test_turn_inverses(tas_kt, bank):
    rate = turn_rate_dps(tas_kt, bank)
    assert bank_for_rate_deg(tas_kt, rate) == pytest.approx(bank)
    assert tas_for_turn_kt(bank, rate) == pytest.approx(tas_kt)


def test_bank_and_rate_of_opposite_sign_are_refused():
    with pytest.raises(PhysicsRangeError, match="true airspeed of the turn"):
        tas_for_turn_kt(15.0, -3.0)


# ------------------------------------------------------------------ rotors


def test_rotor_history_runs_down_as_the_closed_form():
    settled = np.where(np.arange(601) < 1, 1.0, 0.0)
    speed = rotor_history(settled, 1.0, 2.0, 3.5)
    assert speed == pytest.approx(rotor_speed(np.arange(601) / 60, 3.5))


def test_rotor_history_runs_up_as_the_closed_form():
    speed = rotor_history(np.ones((2, 301)), 1.0, np.array([1.0, 2.0]), 3.5, np.array([0.0, 0.4]))
    minutes = np.arange(301) / 60
    assert speed[0] == pytest.approx(1 - np.exp(-minutes))
    assert speed[1] == pytest.approx(1 - 0.6 * np.exp(-minutes / 2))


def test_speed_that_a_drive_settles_at():
    assert air_driven_speed(np.array([0.0, 1.25, 5.0]), 5.0) == pytest.approx([0.0, 0.5, 1.0])
    assert electric_speed(np.array([0.0, 11.0, 14.0]), 14.0) == pytest.approx([0.0, 11 / 14, 1.0])
    assert electric_speed(np.array([3.0, 9.0, 14.0]), 14.0, 4.0) == pytest.approx([0.0, 0.5, 1.0])


# ------------------------------------------------------------------ horizon

SOUND = {
    "step_s": 0.1,
    "erection_tau_min": 0.3,
    "erection_limit_dpm": 4.0,
    "bank_drift_dpm": 0.0,
    "pitch_drift_dpm": 0.0,
}


def horizon(samples, *, turn=0.0, bank=0.0, pitch=0.0, speed=1.0, erection=1.0, **changes):
    full = np.ones(samples)
    return horizon_error_deg(
        speed=speed * full,
        erection=erection * full,
        turn_dps=turn * full,
        vertical_bank_deg=bank * full,
        vertical_pitch_deg=pitch * full,
        **{**SOUND, **changes},
    )


@pytest.mark.parametrize("step_s", [0.5, 5.0])
def test_without_erection_the_horizon_leans_as_the_closed_form(step_s):
    time_min = np.arange(0.0, 480.0 + step_s, step_s) / 60
    signs = np.array([1.0, -1.0])
    bank, pitch = horizon_error_deg(
        speed=np.tile(rotor_speed(time_min, 3.5), (2, 1)),
        erection=np.zeros((2, time_min.size)),
        turn_dps=np.zeros((2, time_min.size)),
        vertical_bank_deg=np.zeros((2, time_min.size)),
        vertical_pitch_deg=np.zeros((2, time_min.size)),
        **{**SOUND, "step_s": step_s, "bank_drift_dpm": signs, "pitch_drift_dpm": 0.3 * signs},
    )
    # trapezoid against exp: relative error (step / tau)^2 / 12, below 1e-4 here
    assert bank == pytest.approx(signs[:, None] * lean_deg(time_min, 1.0, 3.5), rel=1e-4, abs=1e-9)
    assert pitch == pytest.approx(0.3 * bank)


def test_bumps_multiply_the_lean_and_the_stop_bounds_it():
    speed = rotor_speed(np.arange(0.0, 900.0) / 60, 3.5)
    calm, _ = horizon(900, speed=speed, erection=0.0, step_s=1.0, bank_drift_dpm=1.0)
    rough, _ = horizon(900, speed=speed, erection=0.0, step_s=1.0, bank_drift_dpm=1.0, disturbance=2.5)
    assert rough[120] == pytest.approx(2.5 * calm[120])
    assert rough[-1] == 90.0


def test_sound_horizon_rights_itself_within_minutes():
    # up after start in 2 to 5 min (IFH, memory), with an erection of 8 degrees/min (judgement)
    bank, pitch = horizon(
        301, step_s=1.0, erection_limit_dpm=8.0, initial_bank_deg=15.0, initial_pitch_deg=-8.0
    )
    assert abs(bank[60]) > 5
    assert abs(bank[300]) < 0.5
    assert abs(pitch[300]) < 0.5


@pytest.mark.parametrize("gaining", [1.0, -1.0], ids=["speeding up", "slowing down"])
def test_false_climb_while_speed_is_gained(gaining):
    # AOPA and ATPL teaching: slight false nose-up on acceleration, up to a few degrees, wings level
    bank, pitch = horizon(301, pitch=apparent_pitch_deg(2.0 * gaining))
    assert 0.5 < pitch[-1] * gaining < 5.0
    assert np.abs(bank).max() < 1e-9


@pytest.mark.parametrize("right", [1.0, -1.0], ids=["right turn", "left turn"])
@pytest.mark.parametrize(
    ("turned", "climb", "bank_sign"),
    [
        pytest.param(90, True, -1, id="90: false climb, under-bank"),
        pytest.param(180, True, 0, id="180: false climb"),
        pytest.param(270, True, +1, id="270: false climb, over-bank"),
        pytest.param(360, False, 0, id="360: none"),
    ],
)
def test_errors_in_a_turn(right, turned, climb, bank_sign):
    # UK teaching pattern (common practice), for erection at a constant rate: a tau far below the turn
    # keeps it on its limit; 3 degrees/s takes turned / 3 s
    samples = turned * 10 // 3 + 1
    bank, pitch = horizon(samples, turn=3.0 * right, bank=18.0 * right, erection_tau_min=1e-3)
    largest = 2 * 4.0 / 60 / np.radians(3.0)  # closed form: 2 * limit / turn rate, at 180
    size = 0.1 * largest
    assert (pitch[-1] > size) if climb else (abs(pitch[-1]) < size)
    if bank_sign:
        assert bank[-1] * right * bank_sign > size
    else:
        assert abs(bank[-1]) < size


def test_error_is_largest_after_180_and_clears_in_about_a_minute_or_two():
    samples = 1201
    turn = np.where(np.arange(samples) <= 600, 3.0, 0.0)
    bank, pitch = horizon(samples, turn=turn, bank=np.where(turn > 0, 18.0, 0.0))
    size = np.hypot(bank, pitch)
    assert np.argmax(size) == pytest.approx(600, abs=60)
    assert 0.5 < size.max() < 5.0
    assert pitch[600] > 0
    # on roll-out from a right turn: slight climb and slight opposite (left) bank
    assert bank[601] < 0
    assert size[-1] < 0.2 * size.max()


# ------------------------------------------------------------------ heading indicator, turn coordinator


TC = {"cant_deg": 30.0, "stop_dps": 6.0}


def test_turn_coordinator_shows_the_turn_and_feels_roll():
    assert turn_coordinator_dps(3.0, 0.0, 1.0, **TC) == 3.0
    assert turn_coordinator_dps(0.0, 5.0, 1.0, **TC) == pytest.approx(5.0 * 3**-0.5)
    assert turn_coordinator_dps(0.0, 5.0, 1.0, cant_deg=0.0, stop_dps=6.0) == 0.0
    assert turn_coordinator_dps(30.0, 0.0, 1.0, **TC) == 6.0


def test_rolling_out_shows_level_before_the_bank_is_off():
    bank = np.linspace(15.0, 0.0, 61)  # 5 degrees/s for 3 s, to the left
    shown = turn_coordinator_dps(turn_rate_dps(100.0, bank), -5.0, 1.0, **TC)
    first_level = int(np.argmax(shown <= 0.0))
    assert bank[first_level] > 5.0


def test_slow_rotor_under_reads_and_a_fast_one_over_reads():
    shown = turn_coordinator_dps(3.0, 0.0, electric_speed(np.array([0.0, 7.0, 14.0, 15.0]), 14.0), **TC)
    assert shown == pytest.approx([0.0, 1.5, 3.0, 3.0 * 15 / 14])
