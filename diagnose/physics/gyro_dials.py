"""What attitude, heading and turn instruments, the compass and the suction gauge show.

``states`` maps parts, sources and memories to conditions; what is not named is healthy. Angles in
degrees, right and up positive; arrays (flight, time).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from diagnose.physics.draws import Draws
from diagnose.physics.flight import Flights
from diagnose.physics.gyros import lean_deg
from diagnose.physics.pressure_dials import States
from diagnose.units import Array


def _column(values: np.ndarray) -> Any:
    return values[:, None]


def _sign(draws: Draws, count: int) -> Array:
    return draws.rng.choice((-1.0, 1.0), count)


# ------------------------------------------------------------------ attitude


def _rotor_lean_deg(state: str, flights: Flights, draws: Draws) -> Array:
    """Lean of the picture by how far the rotor has run down; magnitude only."""
    count = flights.count
    if state == "up_to_speed":
        return np.zeros((count, flights.samples))
    if state == "stopped":
        rest = draws("attitude.stopped.lean_deg", count)
        return np.asarray(_column(rest) + draws.wander(np.full(count, 1.0), count, flights.samples, 8))
    since = draws(f"rotor.{state}.minutes", count)
    minutes = _column(since) + flights.time_s / 60.0
    drift = _column(draws("rotor.lean_first_dpm", count) * draws("rotor.lean_bumps_times", count))
    tau = _column(draws("rotor.run_down_min", count))
    lean = lean_deg(minutes, drift, tau)
    return np.asarray(np.minimum(lean, draws.fixed("attitude.largest_lean_deg")))


def _worn_deg(flights: Flights, draws: Draws) -> Array:
    """A worn bearing: oscillates or rolls over, or leans steadily, or is fine for the moment."""
    count = flights.count
    kind = draws.rng.random(count)
    tumbles, leans = draws("attitude.worn.tumbles", count), draws("attitude.worn.leans", count)
    period = _column(draws("attitude.worn.period_s", count))
    size = _column(draws("attitude.worn.size_deg", count))
    swing = size * np.sin(2 * np.pi * (flights.time_s / period + _column(draws.rng.random(count))))
    lean = (
        _column(draws("attitude.worn.lean_deg", count))
        + _column(draws("attitude.worn.drift_dpm", count)) * flights.time_s / 60.0
    )
    return np.asarray(
        np.where(_column(kind < tumbles), swing, np.where(_column(kind < tumbles + leans), lean, 0.0))
    )


def attitude_error_deg(states: States, flights: Flights, draws: Draws, which: str = "attitude") -> Array:
    """Lean of the picture that the aircraft does not have (mostly bank), signed at random."""
    count = flights.count
    lean = _rotor_lean_deg(states.get(f"{which}_rotor", "up_to_speed"), flights, draws)
    if states.get(f"{which}_part") == "worn":
        lean = lean + _worn_deg(flights, draws)
    turned = flights.axes["turn"] != "straight"
    after_turn = draws("attitude.turn_error_deg", count) * turned
    normal = draws.wander(draws("attitude.jitter_deg", count), count, flights.samples, 8)
    return np.asarray(_column(_sign(draws, count)) * (lean + _column(after_turn)) + normal)


def electric_attitude_error_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """As ``attitude_error_deg``, of the electric instrument."""
    return attitude_error_deg(states, flights, draws, "electric_attitude")


def attitude_bank_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Bank that the attitude indicator shows."""
    return flights.bank_deg + attitude_error_deg(states, flights, draws)


def electric_attitude_bank_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Bank that the electric attitude indicator shows."""
    return flights.bank_deg + electric_attitude_error_deg(states, flights, draws)


def attitude_pitch_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Pitch that the attitude indicator shows; it follows the lean by a share, in either sense."""
    count = flights.count
    share = _column(draws("attitude.pitch_share", count))
    error = attitude_error_deg(states, flights, draws) * share
    if states.get("attitude_part") == "mis_set":
        error = error + _column(draws.either_way("attitude.mis_set_deg", count))
    return flights.pitch_deg + error


# ------------------------------------------------------------------ heading


def _heading_drift_dpm(states: States, flights: Flights, draws: Draws) -> tuple[Array, Array]:
    """Drift of the card in degrees a minute, and the share of real turns that it follows."""
    count = flights.count
    drift = draws.either_way("heading.drift_dpm", count)
    follows = np.ones(count)
    rotor = states.get("heading_rotor", "up_to_speed")
    if rotor != "up_to_speed":
        drift = draws.either_way(f"heading.{rotor}.drift_dpm", count)
    if rotor == "stopped":
        follows = draws("heading.stopped.follows", count)
    if states.get("heading_part") == "worn":
        spins = draws.chance("heading.worn.spins", count)
        worn = np.where(
            spins,
            draws.either_way("heading.worn.spin_dpm", count),
            draws.either_way("heading.worn.drift_dpm", count),
        )
        drift = drift + worn
    return drift, follows


def heading_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Movement of the heading card since the start of the snapshot."""
    drift, follows = _heading_drift_dpm(states, flights, draws)
    if states.get("heading_part") == "stuck":
        return np.zeros_like(flights.heading_deg)
    return np.asarray(_column(follows) * flights.heading_deg + _column(drift) * flights.time_s / 60.0)


def heading_error_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Difference of the heading card to the settled compass."""
    count = flights.count
    error = draws.either_way("heading.sound_error_deg", count)
    rotor = states.get("heading_rotor", "up_to_speed")
    if rotor != "up_to_speed":
        error = error + draws.either_way(f"heading.{rotor}.error_deg", count)
    match states.get("heading_part", "true"):
        case "not_reset":
            error = error + draws.either_way("heading.not_reset.error_deg", count)
        case "worn" | "stuck":
            error = error + draws.either_way("heading.worn.error_deg", count)
    return np.broadcast_to(_column(error), flights.heading_deg.shape)


# ------------------------------------------------------------------ turn coordinator and compass


def turn_rate_dps(states: States, flights: Flights, draws: Draws) -> Array:
    """Rate that the turn coordinator shows: it under-reads as its rotor slows."""
    count = flights.count
    gain = draws("turn.gain", count)
    power = states.get("turn_power", "normal")
    if power != "normal":
        gain = gain * draws(f"turn.{power}.gain", count)
    match states.get("turn_part", "true"):
        case "slow_rotor":
            gain = gain * draws("turn.slow_rotor.gain", count)
        case "dead_rotor":
            gain = gain * draws("turn.dead_rotor.gain", count)
    return np.asarray(_column(gain) * flights.turn_rate_dps)


def compass_deg(states: States, flights: Flights, draws: Draws) -> Array:
    """Movement of the compass card since the start, with its swing in turns and speed changes."""
    count = flights.count
    turned = flights.axes["turn"] != "straight"
    speeds = flights.axes["speed"] != "constant"
    size = draws("compass.swing_deg", count)
    size = size + turned * draws("compass.turn_swing_deg", count)
    size = size + speeds * draws("compass.speed_swing_deg", count)
    if states.get("compass_part") == "disturbed":
        size = size + draws("compass.disturbed_swing_deg", count)
    if states.get("compass_part") == "stuck":
        return np.zeros_like(flights.heading_deg)
    period = _column(draws("compass.period_s", count))
    phase = _column(draws.rng.random(count))
    swing = (
        _column(size)
        * np.sin(2 * np.pi * (flights.time_s / period + phase))
        * np.exp(-flights.time_s / _column(draws("compass.damping_s", count)))
    )
    return np.asarray(flights.heading_deg + swing)


# ------------------------------------------------------------------ suction


def suction_inhg(states: States, flights: Flights, draws: Draws) -> Array:
    """What the suction gauge shows."""
    count, samples = flights.count, flights.samples
    idle = flights.axes["power"] == "idle"
    condition = states.get("suction", "normal")
    cruise = draws(f"suction.{condition}.cruise_inhg", count)
    value = np.where(idle, draws(f"suction.{condition}.idle_inhg", count), cruise)
    if states.get("gyro_filter") == "clogged":
        seen = draws.chance("suction.filter.gauge_sees", count)
        value = np.where(seen, value - draws("suction.filter.loss_inhg", count), value)
    shown = _column(np.maximum(value, 0.0)) * np.ones(samples)
    if condition == "swinging":
        shown = draws.steps(np.zeros(count), cruise, samples, draws("suction.swinging.every_s", count))
    match states.get("suction_gauge", "true"):
        case "stuck":
            shown = _column(draws("suction.gauge_stuck_inhg", count)) * np.ones(samples)
        case "reads_zero":
            shown = _column(draws("suction.gauge_zero_inhg", count)) * np.ones(samples)
    return np.asarray(shown)
