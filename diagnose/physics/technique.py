"""Small rules of technique that apply when an instrument is out. Each names its source.

Functions take scalars or arrays that broadcast together, and give arrays of that shape; units in the names.
"""

from __future__ import annotations

import numpy as np

from diagnose.model.units import S_PER_MIN, Array, Numbers, fpm_from_kt
from diagnose.physics.gyros import bank_for_rate_deg
from diagnose.physics.limits import within

STANDARD_RATE_DPS = 3.0
"""Instrument Flying Handbook FAA-H-8083-15B, ch. 7: 3 degrees per second."""


def north_roll_out_lead_deg(latitude_deg: Numbers, bank_deg: Numbers) -> Array:
    """Degrees before north at which to roll out by compass: latitude + half the bank (IFH ch. 5)."""
    return np.asarray(latitude_deg + np.asarray(bank_deg, dtype=np.float64) / 2.0)


def south_roll_out_lag_deg(latitude_deg: Numbers, bank_deg: Numbers) -> Array:
    """Degrees past south at which to roll out: latitude - half the bank (IFH ch. 5, from memory)."""
    return np.asarray(latitude_deg - np.asarray(bank_deg, dtype=np.float64) / 2.0)


def timed_turn_s(turn_deg: Numbers, rate_dps: float = STANDARD_RATE_DPS) -> Array:
    """Seconds for a turn by the clock."""
    return np.asarray(np.asarray(turn_deg, dtype=np.float64) / rate_dps)


def standard_rate_bank_deg(true_airspeed_kt: Numbers) -> Array:
    """Bank of a standard-rate turn."""
    return bank_for_rate_deg(true_airspeed_kt, STANDARD_RATE_DPS)


def level_off_lead_ft(rate_fpm: Numbers) -> Array:
    """Altitude before the target at which to begin to level off: 10 % of the rate (IFH ch. 7)."""
    return np.asarray(np.abs(np.asarray(rate_fpm, dtype=np.float64)) * 0.1)


def roll_out_lead_deg(heading_deg: Numbers, latitude_deg: Numbers, bank_deg: Numbers) -> Array:
    """Degrees before a compass heading at which to begin the roll-out; negative: past it.

    latitude * cos(heading) + bank / 2: latitude plus half the bank for north, minus (latitude - half
    the bank) for south, half the bank for east and west. Southern latitudes negative. For banks of 15
    to 18 degrees. Source: IFH ch. 5 for north and south (south from memory); the cosine is computed.
    """
    latitude = within(latitude_deg, -90.0, 90.0, "latitude", "degrees")
    half_bank = np.abs(np.asarray(bank_deg, dtype=np.float64)) / 2.0
    return np.asarray(latitude * np.cos(np.radians(heading_deg)) + half_bank)


def largest_bank_deg(turn_deg: Numbers, standard_deg: Numbers) -> Array:
    """Bank for a small change of heading: not above the degrees to turn, nor standard rate (IFH ch. 5)."""
    return np.asarray(np.minimum(np.abs(np.asarray(turn_deg, dtype=np.float64)), standard_deg))


def rate_from_altimeter_fpm(change_ft: Numbers, duration_s: Numbers) -> Array:
    """Vertical speed from the altimeter and a clock: 100 ft in 10 s is 600 fpm."""
    time = within(duration_s, 1e-9, np.inf, "time", "s")
    return np.asarray(np.asarray(change_ft, dtype=np.float64) * S_PER_MIN / time)


def fpm_per_degree(true_airspeed_kt: Numbers) -> Array:
    """Change of vertical speed for one degree of pitch at constant speed: about 1.77 fpm per kt."""
    speed = np.asarray(true_airspeed_kt, dtype=np.float64)
    return np.asarray(fpm_from_kt(speed) * np.sin(np.radians(1.0)))
