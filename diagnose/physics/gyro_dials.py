"""What attitude, heading and turn instruments and the compass show.

``states`` maps parts, sources and memories to conditions; what is not named is healthy. Angles in
degrees, right and up positive; arrays (flight, time).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from diagnose.model.units import MIN_PER_H, S_PER_MIN, Array
from diagnose.physics.compass import card_history_deg, dip_deg, settled_heading_deg
from diagnose.physics.draws import Draws
from diagnose.physics.electric_dials import bus_v
from diagnose.physics.flight import AIR, STEP_S, Flights
from diagnose.physics.gyros import (
    apparent_pitch_deg,
    electric_speed,
    heading_drift_dph,
    horizon_error_deg,
    lean_deg,
    rotor_speed,
)
from diagnose.physics.pressure_dials import States


def _column(values: np.ndarray) -> Any:
    return values[:, None]


def _sign(draws: Draws, count: int) -> Array:
    return draws.rng.choice((-1.0, 1.0), count)


def _run_down(draws: Draws, count: int) -> tuple[Array, Array, Array]:
    """Minutes since the air failed, first drift in degrees per minute, time constant in minutes."""
    first = draws("rotor.lean_first_dpm", count) * draws("rotor.lean_bumps_times", count)
    return draws("rotor.slowing.minutes", count), first, draws("rotor.run_down_min", count)


# ------------------------------------------------------------------ attitude


def _rotor_lean_deg(state: str, flights: Flights, draws: Draws) -> Array:
    """Lean of the picture by how far the rotor has run down; the side is drawn elsewhere.

    What disturbs a gyro turns it the more the slower it spins, so that it wanders on its way to one side, and
    once stopped hangs there or rolls about.
    """
    count = flights.count
    if state == "up_to_speed":
        return np.zeros((count, flights.samples))
    if state == "stopped":
        rest = _column(draws("attitude.stopped.lean_deg", count))
        hangs = rest + draws.wander(np.full(count, 1.0), count, flights.samples, 8)
        rolls = _column(draws.chance("attitude.stopped.rolls", count))
        return np.asarray(np.where(rolls, rest * _swing(flights, draws), hangs))
    since, first, tau = _run_down(draws, count)
    minutes = _column(since) + flights.time_s / S_PER_MIN
    lean = lean_deg(minutes, _column(first), _column(tau))
    wander = draws.wander(draws("rotor.wander_deg", count), count, flights.samples, 8)
    wander = wander / rotor_speed(minutes, _column(tau))
    return np.asarray(np.minimum(lean + wander, draws.fixed("attitude.largest_lean_deg")))


def _swing(flights: Flights, draws: Draws) -> Array:
    """To and fro between -1 and 1, as a gyro rolls that nothing holds upright."""
    period = _column(draws("attitude.worn.period_s", flights.count))
    phase = _column(draws.rng.random(flights.count))
    return np.asarray(np.sin(2 * np.pi * (flights.time_s / period + phase)))


def _worn_deg(flights: Flights, draws: Draws) -> Array:
    """A worn bearing: oscillates or rolls over, or leans steadily, or is fine for the moment."""
    count = flights.count
    kind = draws.rng.random(count)
    tumbles, leans = draws("attitude.worn.tumbles", count), draws("attitude.worn.leans", count)
    swing = _column(draws("attitude.worn.size_deg", count)) * _swing(flights, draws)
    lean = (
        _column(draws("attitude.worn.lean_deg", count))
        + _column(draws("attitude.worn.drift_dpm", count)) * flights.time_s / S_PER_MIN
    )
    return np.asarray(
        np.where(_column(kind < tumbles), swing, np.where(_column(kind < tumbles + leans), lean, 0.0))
    )


def _sound_errors_deg(states: States, flights: Flights, draws: Draws, slow: bool) -> tuple[Array, Array]:
    """Errors (bank, pitch) of a sound instrument: erection follows the apparent vertical.

    A turn or a change of speed just before leaves an error that takes some minutes to go. ``slow``: the erection
    is weak, so that such errors, and those of the start, hardly go.
    """
    count = flights.count
    rolling = flights.axes["pace"] == "rolling"
    gained = np.gradient(flights.airspeed_kt, STEP_S, axis=1)
    # bumps average out long before the erection answers; only the trend of the speed counts
    gained = np.where(_column(rolling), gained, gained.mean(axis=1, keepdims=True))
    working, left_bank, left_pitch = np.ones(count), np.zeros(count), np.zeros(count)
    before = states.get("erection", "settled")
    if before != "settled":
        working = draws("attitude.disturbed.erection_share", count)
        left = draws.either_way("attitude.disturbed.left_deg", count)
        other = left * draws("attitude.disturbed.other_share", count)
        left_bank, left_pitch = (left, other) if before == "after_turn" else (other, left)
    if slow:
        working = working * draws("attitude.slow.erection_share", count)
        left_bank = left_bank + draws.either_way("attitude.slow.left_deg", count)
    full = np.ones_like(flights.bank_deg)
    bank, pitch = horizon_error_deg(
        speed=full,
        erection=full,
        turn_dps=flights.turn_rate_dps,
        vertical_bank_deg=flights.bank_deg,
        vertical_pitch_deg=apparent_pitch_deg(gained),
        step_s=STEP_S,
        erection_tau_min=draws("attitude.erection_tau_min", count) / working,
        erection_limit_dpm=draws("attitude.erection_limit_dpm", count) * working,
        bank_drift_dpm=0.0,
        pitch_drift_dpm=0.0,
        initial_bank_deg=left_bank,
        initial_pitch_deg=left_pitch,
    )
    # a gyro is a little heavy below, so that it also answers a change of speed at once
    answers = draws("attitude.acceleration_deg_per_kt_per_s", count) * gained.mean(axis=1)
    return bank, pitch + _column(answers)


def _attitude_errors_deg(states: States, flights: Flights, draws: Draws, which: str) -> tuple[Array, Array]:
    """What the picture shows in bank and pitch that the aircraft does not have.

    A starved or worn gyro leans to a side drawn at random, and pitch follows by a share, in either sense.
    """
    count = flights.count
    lean = _rotor_lean_deg(states.get(f"{which}_rotor", "up_to_speed"), flights, draws)
    if states.get(f"{which}_part") == "worn":
        lean = lean + _worn_deg(flights, draws)
    lean = _column(_sign(draws, count)) * lean
    slow = states.get(f"{which}_part") == "slow_erection"
    bank, pitch = _sound_errors_deg(states, flights, draws, slow)
    jitter = draws.wander(draws("attitude.jitter_deg", count), count, flights.samples, 8)
    return bank + lean + jitter, pitch + lean * _column(draws("attitude.pitch_share", count))


def attitude_error_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Bank of the picture that the aircraft does not have."""
    return _attitude_errors_deg(states, flights, draws, "attitude")[0]


def electric_attitude_error_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """As ``attitude_error_deg``, of the electric instrument."""
    return _attitude_errors_deg(states, flights, draws, "electric_attitude")[0]


def attitude_bank_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Bank that the attitude indicator shows."""
    return flights.bank_deg + attitude_error_deg(states, flights, draws)


def electric_attitude_bank_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Bank that the electric attitude indicator shows."""
    return flights.bank_deg + electric_attitude_error_deg(states, flights, draws)


def attitude_pitch_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Pitch that the attitude indicator shows."""
    error = _attitude_errors_deg(states, flights, draws, "attitude")[1]
    if states.get("attitude_part") == "mis_set":
        error = error + _column(draws.either_way("attitude.mis_set_deg", flights.count))
    return flights.pitch_deg + error


# ------------------------------------------------------------------ heading


def _heading_drift_dpm(states: States, flights: Flights, draws: Draws) -> tuple[Array, Array]:
    """Drift of the card in degrees a minute, and the share of real turns that it follows."""
    count = flights.count
    follows = np.ones(count)
    match states.get("heading_rotor", "up_to_speed"):
        case "slowing":
            since, first, tau = _run_down(draws, count)
            drift = _sign(draws, count) * first / rotor_speed(since, tau)
        case "stopped":
            drift = draws.either_way("heading.stopped.drift_dpm", count)
            follows = draws("heading.stopped.follows", count)
        case _:
            drift = _sound_drift_dpm(flights, draws)
    if states.get("heading_part") == "worn":
        spins = draws.chance("heading.worn.spins", count)
        worn = np.where(
            spins,
            draws.either_way("heading.worn.spin_dpm", count),
            draws.either_way("heading.worn.drift_dpm", count),
        )
        drift = drift + worn
    return drift, follows


def _sound_drift_dpm(flights: Flights, draws: Draws) -> Array:
    """Drift of a sound card: earth rate less the latitude nut, transport, and the bearings' own."""
    count = flights.count
    latitude = draws.either_way("flight.latitude_deg", count)
    nut = latitude + draws.either_way("heading.nut_off_deg", count)
    east_kt = flights.airspeed_kt[:, 0] * np.sin(draws.rng.uniform(0.0, 2.0 * np.pi, count))
    bearings_dph = draws.either_way("heading.mechanical_drift_dph", count)
    return np.asarray((heading_drift_dph(latitude, east_kt, nut) + bearings_dph) / MIN_PER_H)


def heading_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Movement of the heading card since the start of the snapshot."""
    drift, follows = _heading_drift_dpm(states, flights, draws)
    if states.get("heading_part") == "stuck":
        return np.zeros_like(flights.heading_deg)
    passed = 1.0
    if states.get("card_time") == "quarter_hour":
        passed = _column(draws("heading.watched_min", flights.count)) * S_PER_MIN / flights.time_s[-1]
    return np.asarray(
        _column(follows) * flights.heading_deg + _column(drift) * passed * flights.time_s / S_PER_MIN
    )


def heading_error_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Difference of the heading card to the settled compass, which may be the one that is wrong."""
    count = flights.count
    error = draws.either_way("heading.sound_error_deg", count)
    if states.get("card_time") == "quarter_hour":
        error = error + _sound_drift_dpm(flights, draws) * draws("heading.watched_min", count)
    rotor = states.get("heading_rotor", "up_to_speed")
    if rotor == "slowing":
        since, first, tau = _run_down(draws, count)
        error = error + _sign(draws, count) * lean_deg(since, first, tau)
    elif rotor == "stopped":
        error = error + draws.either_way("heading.stopped.error_deg", count)
    match states.get("heading_part", "true"):
        case "not_reset":
            error = error + draws.either_way("heading.not_reset.error_deg", count)
        case "worn" | "stuck":
            error = error + draws.either_way("heading.worn.error_deg", count)
    match states.get("compass_part"):
        case "disturbed":
            error = error - _deviation_deg(draws.rng.uniform(0.0, 360.0, count), draws)
        case "stuck":
            error = error - draws.either_way("compass.stuck.turned_deg", count)
    return np.broadcast_to(_column(error), flights.heading_deg.shape)


# ------------------------------------------------------------------ turn coordinator and compass


def turn_rate_dps(states: States, flights: Flights, draws: Draws) -> Array:
    """Rate that the turn coordinator shows: it under-reads as its rotor slows."""
    count = flights.count
    gain = draws("turn.gain", count)
    match states.get("turn_power", "normal"):
        case "low":
            volts = bus_v({"bus": "sagging"}, flights, draws).mean(axis=1)
            gain = gain * electric_speed(
                volts, draws.fixed("electrical.regulated_v"), draws("turn.friction_v", count)
            )
        case "none":
            since_min = draws("turn.none.since_min", count)
            gain = gain * rotor_speed(since_min, draws("turn.coast_min", count))
    match states.get("turn_part", "true"):
        case "slow_rotor":
            gain = gain * draws("turn.slow_rotor.gain", count)
        case "over_sensitive":
            gain = gain * draws("turn.over_sensitive.gain", count)
        case "reversed":
            gain = -gain
        case "dead_rotor":
            gain = gain * draws("turn.dead_rotor.gain", count)
    shown = _column(gain) * flights.turn_rate_dps
    if states.get("turn_part") == "off_zero":
        shown = shown + _column(draws.either_way("turn.off_zero.dps", count))
    return np.asarray(shown)


def _deviation_deg(heading_deg: Array, draws: Draws) -> Array:
    """What iron or a current near the compass adds to its reading; heading (flight,) or (flight, time)."""
    count = len(heading_deg)
    shape = (count, *(1,) * (heading_deg.ndim - 1))
    most = draws("compass.deviation_deg", count).reshape(shape)
    nought = draws("compass.undisturbed_heading_deg", count).reshape(shape)
    return np.asarray(most * np.sin(np.radians(heading_deg - nought)))


def compass_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Movement of the compass card since the start: the turn, with the errors that the field's dip makes.

    Bank and gained speed tilt the card (``compass.settled_heading_deg``); iron or a current nearby deviates
    it by the heading; it follows with a lag. A card that bumps have set swinging does so on top.
    """
    count = flights.count
    if states.get("compass_part") == "stuck":
        return np.zeros_like(flights.heading_deg)
    begins = draws.rng.uniform(0.0, 360.0, count)
    gained = np.gradient(flights.airspeed_kt, STEP_S, axis=1)
    pointed = _column(begins) + flights.heading_deg
    if states.get("compass_part") == "disturbed":
        pointed = pointed + _deviation_deg(pointed, draws)
    settled = settled_heading_deg(
        pointed,
        flights.bank_deg,
        apparent_pitch_deg(gained),
        _column(dip_deg(draws.either_way("flight.latitude_deg", count))),
    )
    card = card_history_deg(settled, STEP_S, draws("compass.lag_s", count))
    moved = np.degrees(np.unwrap(np.radians(card), axis=1))
    size = draws("compass.swing_deg", count)
    if states.get(AIR) == "rough":
        size = size + flights.bumps.mean(axis=1) * draws("compass.bump_swing_deg", count)
    phase = flights.time_s / _column(draws("compass.period_s", count)) + _column(draws.rng.random(count))
    swing = (
        _column(size)
        * np.sin(2 * np.pi * phase)
        * np.exp(-flights.time_s / _column(draws("compass.damping_s", count)))
    )
    return np.asarray(moved - moved[:, :1] + swing)
