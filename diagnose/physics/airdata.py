"""Pitot and static pressures, the lines that carry them, and the three dials that they drive.

A line is a first-order lag from its source to the instrument: ``dp/dt = (source - p) / tau``.
Every failure of a line is another source and another tau: tau 0 is open, infinite is sealed (the
pressure stays trapped), in between it is restricted or leaks. Pressures in inHg, speeds in kt
(calibrated unless said), altitudes in ft, times in s. Functions take scalars or float64 arrays.

Sources: calibrated airspeed from impact pressure, compressible subsonic form (E3, E4); standard
atmosphere from ``atmosphere``; PHAK FAA-H-8083-25C ch. 8 for what each instrument senses (E5).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from diagnose.model.units import S_PER_MIN, Array, Numbers
from diagnose.physics.atmosphere import (
    P0_INHG,
    density_ratio,
    pressure_altitude_ft,
    pressure_inhg,
)
from diagnose.physics.limits import within

A0_KT: Final = 661.4788
"""Speed of sound at sea level, 340.294 m/s. Source: US Standard Atmosphere 1976."""

HIGHEST_AIRSPEED_KT: Final = A0_KT
"""The formula is subsonic: Mach 1 at sea level is its end."""

HIGHEST_IMPACT_INHG: Final = P0_INHG * (1.2**3.5 - 1.0)
"""Impact pressure at ``HIGHEST_AIRSPEED_KT``."""


# ------------------------------------------------------------------ speeds and pressures


def impact_pressure_inhg(airspeed_kt: Numbers) -> Array:
    """Return impact pressure qc (pitot less static) for a calibrated airspeed.

    Range 0 to 661 kt. Source: definition of calibrated airspeed, E3.
    """
    speed = within(airspeed_kt, 0.0, HIGHEST_AIRSPEED_KT, "airspeed", "kt")
    ratio = 1.0 + 0.2 * (speed / A0_KT) ** 2
    # ratio**3.5, spelt out because a square root is several times as fast as a power
    power: Array = ratio * ratio * ratio * np.sqrt(ratio)
    return P0_INHG * (power - 1.0)


def airspeed_kt(impact_inhg: Numbers) -> Array:
    """Return the calibrated airspeed for an impact pressure; 0 (bottom peg) where it is negative.

    Source: definition of calibrated airspeed, E4.
    """
    impact = within(impact_inhg, -np.inf, HIGHEST_IMPACT_INHG, "impact pressure", "inHg")
    root: Array = np.sqrt(5.0 * ((np.maximum(impact, 0.0) / P0_INHG + 1.0) ** (2.0 / 7.0) - 1.0))
    return A0_KT * root


def indicated_airspeed_kt(
    pitot_inhg: Numbers, static_inhg: Numbers, top_stop_kt: float = HIGHEST_AIRSPEED_KT
) -> Array:
    """Return what the airspeed indicator shows for the two pressures at its connections.

    Pegs at 0 when static exceeds pitot, and at ``top_stop_kt``, the end of the dial.
    """
    impact = np.asarray(pitot_inhg, dtype=np.float64) - static_inhg
    stop_inhg = float(impact_pressure_inhg(top_stop_kt))
    return airspeed_kt(np.minimum(impact, stop_inhg))


def tas_from_cas_kt(cas_kt: Numbers, altitude_ft: Numbers, temperature_deviation_c: Numbers = 0.0) -> Array:
    """Return true airspeed, CAS / sqrt(sigma).

    Leaves compressibility out, which is under 0.5 % below 200 kt and 10,000 ft. Source: E12.
    """
    speed = within(cas_kt, 0.0, HIGHEST_AIRSPEED_KT, "airspeed", "kt")
    tas: Array = speed / np.sqrt(density_ratio(altitude_ft, temperature_deviation_c))
    return tas


# ------------------------------------------------------------------ pressure lines


def pressure_line(
    source_inhg: Array, step_s: float, tau_s: Numbers, initial_inhg: Numbers | None = None
) -> Array:
    """Return the pressure at the instrument end of a line, a first-order lag behind its source.

    ``source_inhg`` has shape (..., time) with samples ``step_s`` apart; the result has the same
    shape. ``tau_s`` (0 open, infinite sealed) is either one value per flight, of the source's
    shape without its last axis, with a last axis of 1, or a scalar, or one per sample, of the shape
    of the source; then sample k rules the interval from k - 1 to k, so that a line seals at any
    sample. ``initial_inhg`` (shape without time, or a last axis of 1) is the pressure in the line at
    the first sample; without it the line starts at its source. Exact for a source that is linear between samples. The unit
    passes through: any quantity that lags may be given.
    """
    source = np.asarray(source_inhg, dtype=np.float64)
    step = float(within(step_s, 1e-9, np.inf, "time step", "s"))
    tau = within(tau_s, 0.0, np.inf, "time constant", "s")
    if tau.ndim == source.ndim and tau.shape[-1] == 1:
        tau = tau[..., 0]
    if initial_inhg is not None and np.ndim(initial_inhg) == source.ndim > 0:
        initial_inhg = np.asarray(initial_inhg)[..., 0]
    if source.shape[-1] == 0 or (initial_inhg is None and not tau.any()):
        return source
    # Time first, so that each step works on memory that lies together.
    along = np.ascontiguousarray(np.moveaxis(source, -1, 0))
    first = along[0] if initial_inhg is None else np.broadcast_to(initial_inhg, along[0].shape)
    changing = tau.ndim == source.ndim
    weights = _lag_weights(step, np.moveaxis(tau, -1, 0)[1:] if changing else tau[np.newaxis])
    if first.size == 1:
        return _one_line(along.ravel(), float(first.item()), weights).reshape(source.shape)
    line = np.empty_like(along)
    line[0] = first
    for k in range(1, along.shape[0]):
        held, before, now = (weight[k - 1 if changing else 0] for weight in weights)
        line[k] = held * line[k - 1] + before * along[k - 1] + now * along[k]
    return np.moveaxis(line, 0, -1)


def _one_line(source: Array, first: float, weights: tuple[Array, Array, Array]) -> Array:
    """Return the line of one flight; the same sums in plain numbers, which is many times as fast."""
    steps = len(source) - 1
    held, before, now = (np.broadcast_to(weight.ravel(), steps).tolist() for weight in weights)
    values, line = source.tolist(), [first]
    for k in range(steps):
        line.append(held[k] * line[k] + before[k] * values[k] + now[k] * values[k + 1])
    return np.array(line)


def _lag_weights(step_s: float, tau_s: Array) -> tuple[Array, Array, Array]:
    """Return the weights of the line's last value, the source's last and its present value.

    They add up to one; sealed they are exactly (1, 0, 0) and open exactly (0, 0, 1).
    """
    with np.errstate(divide="ignore", over="ignore"):
        steps_per_tau = np.divide(step_s, tau_s)
    # mean of exp(-t / tau) over the step; its limit is 1 for a sealed line
    held: Array = np.exp(-steps_per_tau)
    with np.errstate(invalid="ignore"):
        mean = np.where(steps_per_tau > 0.0, -np.expm1(-steps_per_tau) / steps_per_tau, 1.0)
    return held, mean - held, 1.0 - mean


def joined_openings(
    first_inhg: Numbers, first_tau_s: Numbers, second_inhg: Numbers, second_tau_s: Numbers
) -> tuple[Array, Array]:
    """Return the one source and tau that act like two openings into the same volume.

    Each opening alone would give its own tau; flows add, so conductances 1/tau add and the source
    is their weighted mean. Use it for a leak beside an open or restricted line, or a case leak.
    Two sealed openings give the first source and an infinite tau. An open line (tau 0) wins over
    any leak; both open share evenly. Source: mass balance, derived.
    """
    first_tau = within(first_tau_s, 0.0, np.inf, "time constant", "s")
    second_tau = within(second_tau_s, 0.0, np.inf, "time constant", "s")
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        # Share of the second opening: G2 / (G1 + G2) = 1 / (1 + tau2 / tau1)
        share = np.where(
            np.isinf(second_tau),
            0.0,
            np.where(
                first_tau == second_tau,
                0.5,
                np.where(np.isinf(first_tau), 1.0, first_tau / (first_tau + second_tau)),
            ),
        )
        tau = np.divide(1.0, np.divide(1.0, first_tau) + np.divide(1.0, second_tau))
    first = np.asarray(first_inhg, dtype=np.float64)
    return first + share * (np.asarray(second_inhg, dtype=np.float64) - first), tau


# ------------------------------------------------------------------ vertical speed


def vertical_speed_fpm(
    static_inhg: Numbers, case_inhg: Numbers, dial_tau_s: Numbers, stop_fpm: float = np.inf
) -> Array:
    """Return what a vertical speed indicator shows for its capsule and case pressures.

    The capsule has static pressure; the case follows through the metered leak, so
    ``case = pressure_line(static, step_s, tau_s)``. In a steady climb the case lags by rate * tau,
    and the dial is marked for that lag: ``dial_tau_s`` is the tau of the healthy instrument. With
    the leak blocked give the case an infinite tau; with a case leak take the case's source and
    tau from ``joined_openings``. ``stop_fpm`` is the end of the dial.
    Source: structure as PHAK FAA-H-8083-25C ch. 8 describes; first-order model derived (E5, E10).
    """
    dial_tau = within(dial_tau_s, 1e-3, np.inf, "time constant of the dial", "s")
    height_difference = pressure_altitude_ft(static_inhg) - pressure_altitude_ft(case_inhg)
    rate: Array = np.clip(height_difference * (S_PER_MIN / dial_tau), -stop_fpm, stop_fpm)
    return rate


def lagging_pressure_inhg(altitude_ft: Numbers, rate_fpm: Numbers, tau_s: Numbers) -> Array:
    """Return the pressure in a line of this tau after a long steady climb through an altitude."""
    return pressure_inhg(np.asarray(altitude_ft) - height_lag_ft(rate_fpm, tau_s))


def height_lag_ft(rate_fpm: Numbers, tau_s: Numbers) -> Array:
    """Return by how much altitude lags in a steady climb (positive: reads low). Source: E9."""
    tau = within(tau_s, 0.0, np.inf, "time constant", "s")
    return np.asarray(rate_fpm, dtype=np.float64) * tau / S_PER_MIN


def leak_tau_s(field_ft: Numbers, test_ft: Numbers, loss_ft: Numbers, duration_s: Numbers) -> Array:
    """Return tau of a static system that loses ``loss_ft`` in ``duration_s`` at a leak test.

    The system is drawn down to ``test_ft`` above the field and shut. Source: the test is that of
    14 CFR 23.1325 (before amendment 23-64); the first-order leak is derived (E11).
    """
    loss = within(loss_ft, 0.0, np.inf, "loss of altitude", "ft")
    ambient = pressure_inhg(field_ft)
    top = np.asarray(field_ft, dtype=np.float64) + test_ft
    started = ambient - pressure_inhg(top)
    left = ambient - pressure_inhg(top - loss)
    within(left, 1e-9, np.inf, "suction left after the leak test", "inHg")
    with np.errstate(divide="ignore", over="ignore"):
        tau: Array = np.divide(np.asarray(duration_s, dtype=np.float64), np.log(started / left))
    return tau


# ------------------------------------------------------------------ worked blockages


def trapped_pitot_airspeed_kt(
    altitude_ft: Numbers, trapped_altitude_ft: Numbers, trapped_airspeed_kt: Numbers
) -> Array:
    """Return the indication with ram and drain blocked: it follows altitude, not speed. E6."""
    pitot = pressure_inhg(trapped_altitude_ft) + impact_pressure_inhg(trapped_airspeed_kt)
    return indicated_airspeed_kt(pitot, pressure_inhg(altitude_ft))


def trapped_static_airspeed_kt(
    altitude_ft: Numbers, trapped_altitude_ft: Numbers, airspeed_kt: Numbers
) -> Array:
    """Return the indication with static blocked, flying ``airspeed_kt`` calibrated. E7."""
    pitot = pressure_inhg(altitude_ft) + impact_pressure_inhg(airspeed_kt)
    return indicated_airspeed_kt(pitot, pressure_inhg(trapped_altitude_ft))


def airspeed_with_static_error_kt(
    airspeed_kt: Numbers, altitude_ft: Numbers, altitude_error_ft: Numbers
) -> Array:
    """Return the indication when the static line is off by so much that the altimeter errs.

    ``altitude_error_ft`` positive: altimeter and airspeed indicator both read high, as with most
    alternate sources. Derived from E5.
    """
    altitude = np.asarray(altitude_ft, dtype=np.float64)
    pitot = pressure_inhg(altitude) + impact_pressure_inhg(airspeed_kt)
    return indicated_airspeed_kt(pitot, pressure_inhg(altitude + altitude_error_ft))
