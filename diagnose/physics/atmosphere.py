"""The standard atmosphere below the tropopause, and the altimeter that is built on it.

Pressure in inHg and altitude in ft, as altimeters and their setting are marked. All functions take
scalars or float64 arrays that broadcast together, and raise ``PhysicsRangeError`` outside the
troposphere (-16,404 to 36,089 ft pressure altitude).

Source: US Standard Atmosphere 1976 (NOAA/NASA/USAF), part 1; same as ICAO Doc 7488 below 11 km.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from diagnose.model.units import Array, Numbers
from diagnose.physics.limits import within

P0_INHG: Final = 29.92126
"""Sea-level pressure, 101 325 Pa. Source: US Standard Atmosphere 1976."""

T0_K: Final = 288.15
"""Sea-level temperature. Source: US Standard Atmosphere 1976."""

T0_C: Final = 15.0
"""Sea-level temperature. Source: US Standard Atmosphere 1976."""

LAPSE_C_PER_FT: Final = 1.9812e-3
"""Fall of temperature with altitude, 6.5 K/km. Source: US Standard Atmosphere 1976."""

LAPSE_PER_FT: Final = 6.8755856e-6
"""Fall of temperature with altitude as a share of T0. Source: US Standard Atmosphere 1976."""

PRESSURE_EXPONENT: Final = 5.2558797
"""g0 M / (R L). Source: US Standard Atmosphere 1976."""

LOWEST_ALTITUDE_FT: Final = -16404.2
"""-5 km. Source: US Standard Atmosphere 1976, where its tables begin."""

HIGHEST_ALTITUDE_FT: Final = 36089.24
"""11 km, the tropopause. Source: US Standard Atmosphere 1976."""

LOWEST_SETTING_INHG: Final = 25.0
HIGHEST_SETTING_INHG: Final = 33.0
"""Bounds that catch a setting in the wrong unit; scales end near 28 and 31 (common practice)."""


def pressure_inhg(altitude_ft: Numbers) -> Array:
    """Return the standard pressure at a pressure altitude.

    Source: US Standard Atmosphere 1976 in ft and inHg (E1).
    """
    altitude = within(altitude_ft, LOWEST_ALTITUDE_FT, HIGHEST_ALTITUDE_FT, "pressure altitude", "ft")
    return P0_INHG * (1.0 - LAPSE_PER_FT * altitude) ** PRESSURE_EXPONENT


def pressure_altitude_ft(pressure_inhg: Numbers) -> Array:
    """Return the altitude at which the standard atmosphere has this pressure; inverse of E1.

    Source: US Standard Atmosphere 1976 solved for altitude (E2).
    """
    pressure = within(pressure_inhg, LOWEST_PRESSURE_INHG, HIGHEST_PRESSURE_INHG, "pressure", "inHg")
    return (1.0 - (pressure / P0_INHG) ** (1.0 / PRESSURE_EXPONENT)) / LAPSE_PER_FT


def altimeter_ft(static_inhg: Numbers, setting_inhg: Numbers = P0_INHG) -> Array:
    """Return what an altimeter shows for a sensed static pressure and a subscale setting.

    The setting adds the difference of two standard altitudes, so a setting that is too high reads
    too high. Source: 14 CFR 43 appendix E, table IV (E2 with the setting correction).
    """
    setting = within(setting_inhg, LOWEST_SETTING_INHG, HIGHEST_SETTING_INHG, "altimeter setting", "inHg")
    return pressure_altitude_ft(static_inhg) - pressure_altitude_ft(setting)


def temperature_c(altitude_ft: Numbers) -> Array:
    """Return the standard temperature. Source: US Standard Atmosphere 1976."""
    altitude = within(altitude_ft, LOWEST_ALTITUDE_FT, HIGHEST_ALTITUDE_FT, "pressure altitude", "ft")
    return T0_C - LAPSE_C_PER_FT * altitude


def density_ratio(altitude_ft: Numbers, temperature_deviation_c: Numbers = 0.0) -> Array:
    """Return air density over standard sea-level density (sigma).

    ``temperature_deviation_c``: by how much the air is warmer than standard. Source: US Standard
    Atmosphere 1976 (gas law).
    """
    altitude = within(altitude_ft, LOWEST_ALTITUDE_FT, HIGHEST_ALTITUDE_FT, "pressure altitude", "ft")
    deviation = within(temperature_deviation_c, -80.0, 80.0, "temperature deviation", "°C")
    theta = 1.0 - LAPSE_PER_FT * altitude
    return theta**PRESSURE_EXPONENT / (theta + deviation / T0_K)


def ft_per_inhg(altitude_ft: Numbers) -> Array:
    """Return the altitude change per inHg at a pressure altitude, dh/dp without its sign."""
    altitude = within(altitude_ft, LOWEST_ALTITUDE_FT, HIGHEST_ALTITUDE_FT, "pressure altitude", "ft")
    theta = 1.0 - LAPSE_PER_FT * altitude
    slope_inhg_per_ft = P0_INHG * PRESSURE_EXPONENT * LAPSE_PER_FT * theta ** (PRESSURE_EXPONENT - 1.0)
    return np.asarray(1.0, dtype=np.float64) / slope_inhg_per_ft


LOWEST_PRESSURE_INHG: Final = float(pressure_inhg(HIGHEST_ALTITUDE_FT))
HIGHEST_PRESSURE_INHG: Final = float(pressure_inhg(LOWEST_ALTITUDE_FT))
