"""Small rules of technique that apply when an instrument is out. Each names its source."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

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


def roll_out_heading_deg(
    heading_deg: Numbers, latitude_deg: Numbers, bank_deg: Numbers, *, to_the_right: bool
) -> Array:
    """Compass indication, 0 to 360, at which to begin the roll-out on to a compass heading."""
    lead = roll_out_lead_deg(heading_deg, latitude_deg, bank_deg)
    return np.asarray((np.asarray(heading_deg) - (lead if to_the_right else -lead)) % 360.0)


def bank_by_percent_deg(true_airspeed_kt: Numbers) -> Array:
    """Standard-rate bank by rule of thumb: 15 % of TAS, as is TAS / 10 and half of that (IFH ch. 5)."""
    return np.asarray(0.15 * np.asarray(true_airspeed_kt, dtype=np.float64))


def bank_by_tenth_plus_deg(true_airspeed_kt: Numbers, plus_deg: float) -> Array:
    """Standard-rate bank by rule of thumb: TAS / 10 plus 5 (fits 90 to 120 kt) or 7 (140 to 150 kt)."""
    return np.asarray(np.asarray(true_airspeed_kt, dtype=np.float64) / 10.0 + plus_deg)


def heading_roll_out_lead_deg(bank_deg: Numbers) -> Array:
    """Degrees of heading indicator before a heading at which to roll out: half the bank (IFH ch. 5)."""
    return np.asarray(np.abs(np.asarray(bank_deg, dtype=np.float64)) / 2.0)


def largest_bank_deg(turn_deg: Numbers, standard_deg: Numbers) -> Array:
    """Bank for a small change of heading: not above the degrees to turn, nor standard rate (IFH ch. 5)."""
    return np.asarray(np.minimum(np.abs(np.asarray(turn_deg, dtype=np.float64)), standard_deg))


def correction_bars(altitude_error_ft: Numbers) -> Array:
    """First pitch correction in widths of the horizon bar: half within 100 ft, one beyond (IFH ch. 5)."""
    error = np.abs(np.asarray(altitude_error_ft, dtype=np.float64))
    return np.asarray(np.where(error > 100.0, 1.0, np.where(error > 0.0, 0.5, 0.0)))


def correction_rate_fpm(altitude_error_ft: Numbers) -> Array:
    """Vertical speed to correct an altitude: twice the error per minute, toward it (IFH ch. 7, memory)."""
    return np.asarray(-2.0 * np.asarray(altitude_error_ft, dtype=np.float64))


def rate_from_altimeter_fpm(change_ft: Numbers, duration_s: Numbers) -> Array:
    """Vertical speed from the altimeter and a clock: 100 ft in 10 s is 600 fpm."""
    time = within(duration_s, 1e-9, np.inf, "time", "s")
    return np.asarray(np.asarray(change_ft, dtype=np.float64) * S_PER_MIN / time)


def fpm_per_degree(true_airspeed_kt: Numbers) -> Array:
    """Change of vertical speed for one degree of pitch at constant speed: about 1.77 fpm per kt."""
    speed = np.asarray(true_airspeed_kt, dtype=np.float64)
    return np.asarray(fpm_from_kt(speed) * np.sin(np.radians(1.0)))


def power_change_speed_kt(from_kt: Numbers, target_kt: Numbers, lead_kt: Numbers) -> Array:
    """Airspeed at which to set the new power: ``lead_kt`` before the target, never before the start.

    Source: IFH ch. 7 (memory); about 10 kt for a trainer stands in knowledge/physics.toml.
    """
    start, target = np.asarray(from_kt, dtype=np.float64), np.asarray(target_kt, dtype=np.float64)
    change = target - start
    return np.asarray(target - np.sign(change) * np.minimum(np.abs(change), lead_kt))


def leak_test_passes(loss_ft: Numbers, limit_ft: Numbers) -> npt.NDArray[np.bool_]:
    """Whether a static system passes its leak test: altitude lost in 1 min up to the limit.

    The limit, 100 ft, stands in knowledge/physics.toml. Source: 14 CFR 23.1325 before amendment 23-64.
    """
    return np.asarray(within(loss_ft, 0.0, np.inf, "loss of altitude", "ft") <= limit_ft)
