"""Gyros: how a rotor runs down and leans, how a heading indicator drifts, how fast a turn is.

Angles in degrees, rates in degrees per second or hour as named. Time constants and drift rates are
arguments: their values stand in knowledge/physics.toml.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from diagnose.physics.limits import within
from diagnose.units import Array, Numbers

EARTH_RATE_DPH: Final = 15.0
"""Rotation of the earth used by the trade for apparent drift, degrees per hour (sidereal 15.04)."""

TURN_CONSTANT: Final = 1091.0
"""rate (deg/s) = 1091 tan(bank) / TAS (kt): g over knots and radians. Textbook, from memory."""


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


def earth_rate_drift_dph(latitude_deg: Numbers) -> Array:
    """Apparent drift of a heading indicator, 15 sin(latitude); magnitude in degrees per hour."""
    latitude = within(latitude_deg, -90.0, 90.0, "latitude", "degrees")
    return np.asarray(EARTH_RATE_DPH * np.sin(np.radians(latitude)))


def transport_drift_dph(ground_speed_east_kt: Numbers, latitude_deg: Numbers) -> Array:
    """Drift from flying east or west, (ground speed / 60) tan(latitude), degrees per hour."""
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
