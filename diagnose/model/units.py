"""Conversion constants, each with its source, and the few functions that apply them.

Every function takes a number or a float64 array and gives the same shape back. Nothing else in
the package converts units.

Sources: "SP 811" is NIST Special Publication 811 (2008), Guide for the Use of the International
System of Units, appendix B.
"""

from typing import TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
"""What the physics returns; a scalar argument gives a numpy scalar, which is a float."""

Numbers: TypeAlias = float | NDArray[np.float64]
"""What the physics takes: a number or an array; several arguments broadcast together."""

Value = TypeVar("Value", float, NDArray[np.float64])
"""A number, or an array of them; what comes in as one goes out as the same."""

M_PER_FT = 0.3048
"""Metres in a foot, exact. Source: SP 811 B.8 (international foot, 1959)."""

M_PER_NAUTICAL_MILE = 1852.0
"""Metres in a nautical mile, exact. Source: SP 811 B.8."""

M_S_PER_KT = M_PER_NAUTICAL_MILE / 3600.0
"""Metres per second in a knot, exact. Source: SP 811 B.8."""

PA_PER_INHG = 3386.389
"""Pascals in an inch of mercury at 0 °C. Source: SP 811 B.8 (3.386 389 E+03, conventional)."""

PA_PER_HPA = 100.0
"""Pascals in a hectopascal (millibar), exact."""

PA_PER_INH2O_4C = 249.082
"""Pascals in an inch of water at 4 °C. Source: SP 811 B.8 (2.490 82 E+02)."""

PA_PER_PSI = 6894.757
"""Pascals in a pound-force per square inch. Source: SP 811 B.8 (6.894 757 E+03)."""

S_PER_MIN = 60.0
MIN_PER_H = 60.0
S_PER_H = 3600.0


def hpa_from_inhg(pressure_inhg: Value) -> Value:
    """Return hectopascals from inches of mercury."""
    return pressure_inhg * (PA_PER_INHG / PA_PER_HPA)


def inh2o_from_inhg(pressure_inhg: Value) -> Value:
    """Return inches of water at 4 °C from inches of mercury."""
    return pressure_inhg * (PA_PER_INHG / PA_PER_INH2O_4C)


def inhg_from_inh2o(pressure_inh2o: Value) -> Value:
    """Return inches of mercury from inches of water at 4 °C."""
    return pressure_inh2o * (PA_PER_INH2O_4C / PA_PER_INHG)


def psi_from_inhg(pressure_inhg: Value) -> Value:
    """Return pounds per square inch from inches of mercury."""
    return pressure_inhg * (PA_PER_INHG / PA_PER_PSI)


def m_s_from_kt(speed_kt: Value) -> Value:
    """Return meters per second from knots."""
    return speed_kt * M_S_PER_KT


def kt_from_m_s(speed_m_s: Value) -> Value:
    """Return knots from meters per second."""
    return speed_m_s / M_S_PER_KT


def fpm_from_kt(speed_kt: Value) -> Value:
    """Return feet per minute from knots."""
    return speed_kt * (M_S_PER_KT * S_PER_MIN / M_PER_FT)


def m_s_from_fpm(rate_fpm: Value) -> Value:
    """Return meters per second from feet per minute."""
    return rate_fpm * (M_PER_FT / S_PER_MIN)


def s_from_min(duration_min: Value) -> Value:
    """Return seconds from minutes."""
    return duration_min * S_PER_MIN


def min_from_s(duration_s: Value) -> Value:
    """Return minutes from seconds."""
    return duration_s / S_PER_MIN
