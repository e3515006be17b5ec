"""Small rules of technique that apply when an instrument is out. Each names its source."""

from __future__ import annotations

import numpy as np

from diagnose.physics.gyros import bank_for_rate_deg
from diagnose.units import Array, Numbers

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
    """Height before the target at which to begin to level off: 10 % of the rate (IFH ch. 7)."""
    return np.asarray(np.abs(np.asarray(rate_fpm, dtype=np.float64)) * 0.1)
