"""Gyros: how a rotor runs down and leans, how a heading indicator drifts, how fast a turn is.

Angles in degrees, rates in degrees per second or hour as named. Time constants and drift rates are
arguments: their values stand in knowledge/physics.toml.

Functions take scalars or arrays that broadcast together, and give arrays of that shape.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from diagnose.model.units import M_S_PER_KT, S_PER_MIN, Array, Numbers
from diagnose.physics.limits import within

EARTH_RATE_DPH: Final = 15.0
"""Rotation of the earth used by the trade for apparent drift, degrees per hour (sidereal 15.04)."""

TURN_CONSTANT: Final = 1091.0
"""rate (deg/s) = 1091 tan(bank) / TAS (kt): g over knots and radians. Textbook, from memory."""

STANDARD_GRAVITY_M_S2: Final = 9.80665
"""3rd General Conference on Weights and Measures (1901), exact by convention."""

SLOWEST_SPEED: Final = 1e-6
"""Keeps drift / speed finite for a rotor at rest, whose horizon is on its stop anyway."""


def rotor_speed(minutes: Numbers, run_down_min: Numbers) -> Array:
    """Speed of a rotor, as a share of full speed, some minutes after its air failed."""
    time = within(minutes, 0.0, np.inf, "time since the air failed", "min")
    return np.asarray(np.exp(-time / np.asarray(run_down_min, dtype=np.float64)))


def lean_deg(minutes: Numbers, first_drift_dpm: Numbers, run_down_min: Numbers) -> Array:
    """Lean that has added up since the air failed: drift rate = first drift / rotor speed.

    The integral of d0 exp(t/tau) is d0 tau (exp(t/tau) - 1). Judgement model, in order with a pilot
    guide (standstill after about 10 min) and with pilots' reports (a visible lean after 1 to 5 min).
    """
    time = within(minutes, 0.0, np.inf, "time since the air failed", "min")
    tau = np.asarray(run_down_min, dtype=np.float64)
    return np.asarray(first_drift_dpm * tau * np.expm1(time / tau))


def starved_drift_dpm(speed: Numbers, first_drift_dpm: Numbers, full_speed: Numbers) -> Array:
    """Drift of a card whose rotor slows, beyond a healthy one's: first drift / speed, times the suction that is missing.

    Suction goes with the square of the speed and counts as full from ``full_speed`` (share of full) on: a slower rotor
    yields more, and the air that holds its frame upright is lost with it. It begins without a jump, so that a descent
    at idle does not make a sound card drift. Judgement model, as for ``lean_deg``.
    """
    lost = np.maximum(1.0 - (np.asarray(speed) / full_speed) ** 2, 0.0)
    return np.asarray(first_drift_dpm * lost / np.asarray(speed))


def starved_error_deg(
    speed: Numbers, first_drift_dpm: Numbers, run_down_min: Numbers, full_speed: Numbers
) -> Array:
    """What ``starved_drift_dpm`` has added up to, in degrees, once a rotor without air has run down to this speed.

    With d speed/dt = -speed / tau the integral of d0 (1/s - s/f^2) is d0 tau (f - s)^2 / (s f^2).
    """
    lost = np.maximum(1.0 - np.asarray(speed) / full_speed, 0.0)
    return np.asarray(first_drift_dpm * np.asarray(run_down_min) * lost**2 / np.asarray(speed))


def earth_rate_drift_dph(latitude_deg: Numbers) -> Array:
    """Apparent drift of a heading indicator, 15 sin(latitude); magnitude in degrees per hour."""
    latitude = within(latitude_deg, -90.0, 90.0, "latitude", "degrees")
    return np.asarray(EARTH_RATE_DPH * np.sin(np.radians(latitude)))


def transport_drift_dph(ground_speed_east_kt: Numbers, latitude_deg: Numbers) -> Array:
    """Drift from flying east or west, (groundspeed / 60) tan(latitude), degrees per hour."""
    latitude = within(latitude_deg, -89.0, 89.0, "latitude", "degrees")
    speed = np.asarray(ground_speed_east_kt, dtype=np.float64)
    return np.asarray(speed / 60.0 * np.tan(np.radians(latitude)))


def turn_rate_dps(true_airspeed_kt: Numbers, bank_deg: Numbers) -> Array:
    """Rate of a level coordinated turn. Source: textbook, from memory (E13)."""
    speed = within(true_airspeed_kt, 1.0, np.inf, "true airspeed", "kt")
    bank = within(bank_deg, -80.0, 80.0, "bank", "degrees")
    return np.asarray(TURN_CONSTANT * np.tan(np.radians(bank)) / speed)


def bank_for_rate_deg(true_airspeed_kt: Numbers, rate_dps: Numbers) -> Array:
    """Bank that gives a rate of turn; the inverse of ``turn_rate_dps``."""
    speed = within(true_airspeed_kt, 1.0, np.inf, "true airspeed", "kt")
    rate = np.asarray(rate_dps, dtype=np.float64)
    return np.asarray(np.degrees(np.arctan(rate * speed / TURN_CONSTANT)))


# ------------------------------------------------------------------ rotors over time


def air_driven_speed(suction_inhg: Numbers, normal_inhg: Numbers) -> Array:
    """Speed that an air rotor settles at, as a share of full: the root of suction over normal.

    The jet's speed goes with the root of the pressure drop and the rotor follows the jet (derived).
    """
    suction = within(suction_inhg, 0.0, np.inf, "suction", "inHg")
    return np.asarray(np.sqrt(suction / np.asarray(normal_inhg, dtype=np.float64)))


def electric_speed(bus_v: Numbers, rated_v: Numbers, friction_v: Numbers = 0.0) -> Array:
    """Speed, as a share of that at ``rated_v``, that a direct-current rotor settles at.

    ``friction_v``: voltage that only overcomes friction and windage; below it the rotor stands. Without
    it the speed is in proportion to voltage. Source: equation of a direct-current motor, derived.
    """
    left = np.maximum(within(bus_v, 0.0, np.inf, "bus voltage", "V") - np.asarray(friction_v), 0.0)
    return np.asarray(left / (np.asarray(rated_v, dtype=np.float64) - friction_v))


def rotor_history(
    settled: Array, step_s: float, run_up_min: Numbers, run_down_min: Numbers, initial: Numbers = 1.0
) -> Array:
    """Speed of a rotor over time, following the speed that its drive would settle it at.

    ``settled`` shape (..., time), from ``air_driven_speed`` or ``electric_speed``; its sample k holds
    from k - 1 to k. The time constants and ``initial`` have its shape without time. Spinning up
    and running down each have their own time constant.
    """
    along = np.ascontiguousarray(np.moveaxis(np.asarray(settled, dtype=np.float64), -1, 0))
    step_min = float(within(step_s, 1e-9, np.inf, "time step", "s")) / S_PER_MIN
    kept_up = np.exp(-step_min / within(run_up_min, 1e-9, np.inf, "run-up time constant", "min"))
    kept_down = np.exp(-step_min / within(run_down_min, 1e-9, np.inf, "run-down time constant", "min"))
    speed = np.empty_like(along)
    speed[0] = initial
    for k in range(1, along.shape[0]):
        behind = speed[k - 1] - along[k]
        speed[k] = along[k] + behind * np.where(behind < 0.0, kept_up, kept_down)
    return np.moveaxis(speed, 0, -1)


# ------------------------------------------------------------------ attitude indicator over time


def apparent_pitch_deg(acceleration_kt_per_s: Numbers) -> Array:
    """Tilt of the apparent vertical when speed is gained; positive: seems nose-up."""
    acceleration = np.asarray(acceleration_kt_per_s, dtype=np.float64) * M_S_PER_KT
    return np.asarray(np.degrees(np.arctan(acceleration / STANDARD_GRAVITY_M_S2)))


def horizon_error_deg(
    *,
    speed: Array,
    erection: Array,
    turn_dps: Array,
    vertical_bank_deg: Array,
    vertical_pitch_deg: Array,
    step_s: float,
    erection_tau_min: Numbers,
    erection_limit_dpm: Numbers,
    bank_drift_dpm: Numbers,
    pitch_drift_dpm: Numbers,
    disturbance: Numbers = 1.0,
    initial_bank_deg: Numbers = 0.0,
    initial_pitch_deg: Numbers = 0.0,
    stop_deg: float = 90.0,
) -> tuple[Array, Array]:
    """Errors (bank, pitch), shown less true, of an attitude indicator over time, sound or starved.

    Histories of one shape (..., time): rotor ``speed`` (share); ``erection``, the working share of the
    erecting mechanism (1 sound, 0 without air); rate of turn; and the tilt of the apparent vertical in
    bank (the bank of a coordinated turn, 0 with wings level) and in pitch. The rest has that shape
    without time; ``disturbance`` (bumps, turns) may have either. Right, and nose-up, are positive.

    The spin axis keeps its direction in space while the aircraft turns under it. Erection pulls it to
    the apparent vertical, at its time constant and never faster than its limit; that alone gives the
    errors of a healthy instrument: false climb while speed is gained; in a turn false climb throughout,
    with under-bank at 90 degrees, none at 180, over-bank at 270, and nothing left after 360. Drift goes
    as first drift / rotor speed with the sign that the caller draws (no published direction; bank
    first, so pitch drift is the smaller); without erection that is ``lean_deg``. Small angles are
    assumed; ``stop_deg`` bounds both errors.

    Sources: sizes are judgement; the pattern in turns is that of ATPL teaching (common practice).
    """
    histories = np.broadcast_arrays(
        *(
            np.asarray(history, dtype=np.float64)
            for history in (speed, erection, turn_dps, vertical_bank_deg, vertical_pitch_deg)
        )
    )
    rotor, working, turn, wanted_right, wanted_ahead = (np.moveaxis(x, -1, 0) for x in histories)
    step_min = float(within(step_s, 1e-9, np.inf, "time step", "s")) / S_PER_MIN
    swing = np.radians(turn) * step_s
    cosine, sine = np.cos(swing), np.sin(swing)
    tau = within(erection_tau_min, 1e-9, np.inf, "time constant of the erection", "min")
    pull = -np.expm1(-working * step_min / tau)
    most = working * step_min * np.asarray(erection_limit_dpm, dtype=np.float64)
    slowness = 1.0 / np.maximum(rotor, SLOWEST_SPEED)
    bumps = np.asarray(disturbance, dtype=np.float64)
    bumps = np.moveaxis(bumps, -1, 0) if bumps.ndim == histories[0].ndim else bumps[np.newaxis]
    bumps = np.broadcast_to(bumps, rotor.shape)
    # Tilt of the top of the spin axis: ahead shows nose-up, to the right shows left bank.
    ahead, right = np.empty(rotor.shape), np.empty(rotor.shape)
    ahead[0], right[0] = initial_pitch_deg, -np.asarray(initial_bank_deg, dtype=np.float64)
    for k in range(1, rotor.shape[0]):
        # Mean of 1 / speed over the step, so that the lean comes out right with coarse steps.
        drifted = bumps[k] * step_min * 0.5 * (slowness[k] + slowness[k - 1])
        x = ahead[k - 1] * cosine[k] + right[k - 1] * sine[k] + pitch_drift_dpm * drifted
        y = right[k - 1] * cosine[k] - ahead[k - 1] * sine[k] - bank_drift_dpm * drifted
        pull_x, pull_y = (wanted_ahead[k] - x) * pull[k], (wanted_right[k] - y) * pull[k]
        # The limit is on the size of the pull, not on each axis: its direction must stay.
        held = np.minimum(1.0, most[k] / np.maximum(np.sqrt(pull_x * pull_x + pull_y * pull_y), 1e-300))
        ahead[k] = np.clip(x + held * pull_x, -stop_deg, stop_deg)
        right[k] = np.clip(y + held * pull_y, -stop_deg, stop_deg)
    return np.moveaxis(-right, 0, -1), np.moveaxis(ahead, 0, -1)


# ------------------------------------------------------------------ heading indicator over time


def heading_drift_dph(
    latitude_deg: Numbers, ground_speed_east_kt: Numbers = 0.0, nut_latitude_deg: Numbers = 0.0
) -> Array:
    """Apparent drift with its sign: earth rate, less the latitude nut, plus transport.

    Negative (under-reads) at rest and flying east in the northern hemisphere. ``nut_latitude_deg`` is
    what the nut is set to; 0 is no compensation. Source: ATPL teaching (common practice).
    """
    nut = earth_rate_drift_dph(nut_latitude_deg)
    return np.asarray(
        nut - earth_rate_drift_dph(latitude_deg) - transport_drift_dph(ground_speed_east_kt, latitude_deg)
    )


# ------------------------------------------------------------------ turns


def tas_for_turn_kt(bank_deg: Numbers, rate_dps: Numbers) -> Array:
    """True airspeed at which this bank gives this rate; the inverse of ``turn_rate_dps``.

    Bank and rate have one sign and are not zero, else ``PhysicsRangeError``.
    """
    bank = within(bank_deg, -80.0, 80.0, "bank", "degrees")
    with np.errstate(divide="ignore", invalid="ignore"):
        speed = TURN_CONSTANT * np.tan(np.radians(bank)) / np.asarray(rate_dps, dtype=np.float64)
    return within(speed, 1.0, 1e5, "true airspeed of the turn", "kt")


def turn_coordinator_dps(
    turn_dps: Numbers, roll_dps: Numbers, speed: Numbers, *, cant_deg: Numbers, stop_dps: float
) -> Array:
    """Rate of turn that a turn coordinator shows, leaving its damping out.

    The canted gimbal feels roll as well: turn + roll * tan(cant); without cant it is a turn-and-slip.
    Precession grows with rotor ``speed`` (share), the spring against it does not, so a slow rotor
    under-reads in proportion and a fast one over-reads. Pegs at ``stop_dps``. For banks to about 30
    degrees; for damping pass the result through ``airdata.pressure_line``. Source: AOPA, How it works:
    turn coordinator (2019) for the cant; the proportion is derived.
    """
    cant = within(cant_deg, 0.0, 80.0, "cant of the gimbal", "degrees")
    felt = np.asarray(turn_dps, dtype=np.float64) + np.asarray(roll_dps) * np.tan(np.radians(cant))
    return np.asarray(np.clip(felt * np.asarray(speed, dtype=np.float64), -stop_dps, stop_dps))
