"""Suction: from pump, venturi or the engine's manifold (standby), and what the gauge sees of it.

Suctions in inHg below cabin pressure, positive. Numbers of a given aircraft are arguments.

Functions take scalars or arrays that broadcast together, and give arrays of that shape.
"""

from __future__ import annotations

import numpy as np

from diagnose.model.units import Array, Numbers
from diagnose.physics.airdata import impact_pressure_inhg
from diagnose.physics.atmosphere import P0_INHG, density_ratio, pressure_inhg
from diagnose.physics.limits import within


def standby_suction_inhg(altitude_ft: Numbers, manifold_inhg: Numbers) -> Array:
    """Suction that a manifold-differential standby source gives: ambient less manifold pressure.

    Losses left out; none at full throttle. Principle: a transition manual of a light single.
    """
    return np.asarray(np.maximum(pressure_inhg(altitude_ft) - np.asarray(manifold_inhg), 0.0))


# ------------------------------------------------------------------ pump, lines and gauge
#
# Air goes: cabin -> inlet filter -> gyros -> hoses (a leak joins here) -> regulator -> pump. Filter,
# gyros and leak are orifices; the pump moves a volume in proportion to its speed.


def pump_suction_inhg(
    rpm: Numbers,
    altitude_ft: Numbers,
    *,
    full_suction_inhg: Numbers,
    full_rpm: Numbers,
    pumping_share: Numbers = 1.0,
    filter_resistance: Numbers = 0.0,
    leak_share: Numbers = 0.0,
) -> Array:
    """Suction that the pump would pull without a regulator; grows with rpm, falls with altitude.

    ``full_suction_inhg``: of one sound pump at ``full_rpm``, sea level, clean filter, no leak.
    ``pumping_share``: volume moved as a share of one sound pump (below 1 weak, 0 sheared, 2 two
    pumps). ``filter_resistance``: pressure drop over the inlet filter as a multiple of that over the
    gyros. ``leak_share``: area of a leak as a share of the gyros' area. Source: derived.
    """
    speed = within(rpm, 0.0, np.inf, "engine speed", "rpm")
    share = within(pumping_share, 0.0, np.inf, "pumping share", "of one pump")
    leak = within(leak_share, 0.0, np.inf, "leak area", "of the gyros' area")
    full = within(full_suction_inhg, 0.0, 0.95 * P0_INHG, "full suction", "inHg")
    ambient = pressure_inhg(altitude_ft)
    opening = 1.0 / np.sqrt(1.0 + _resistance(filter_resistance)) + leak
    volume = share * speed / np.asarray(full_rpm, dtype=np.float64)
    # Orifice: mass flow ~ opening * sqrt(density * s). Pump: mass flow ~ volume * density at its
    # inlet, which the suction thins to density * (1 - s / ambient). With u = s / ambient, equal flows
    # give u = pull * (1 - u)**2; its smaller root is taken in the form that is exact for small pull.
    at_sea_level = full / (1.0 - full / P0_INHG) ** 2
    pull = at_sea_level * density_ratio(altitude_ft) * (volume / opening) ** 2 / ambient
    return np.asarray(ambient * 2.0 * pull / (2.0 * pull + 1.0 + np.sqrt(4.0 * pull + 1.0)))


def regulated_inhg(suction_inhg: Numbers, regulator_inhg: Numbers) -> Array:
    """Suction in the manifold with a regulator that lets air in above ``regulator_inhg``.

    It limits and never adds. A low setting is a regulator stuck open, ``inf`` one stuck shut.
    """
    setting = within(regulator_inhg, 0.0, np.inf, "regulator setting", "inHg")
    return np.asarray(np.minimum(np.asarray(suction_inhg, dtype=np.float64), setting))


def gyro_suction_inhg(manifold_suction_inhg: Numbers, filter_resistance: Numbers = 0.0) -> Array:
    """Pressure drop that drives the rotors: the manifold's suction less what the filter takes."""
    suction = np.asarray(manifold_suction_inhg, dtype=np.float64)
    return np.asarray(suction / (1.0 + _resistance(filter_resistance)))


def gauge_suction_inhg(
    manifold_suction_inhg: Numbers, filter_resistance: Numbers, *, differential: bool
) -> Array:
    """What a sound suction gauge shows, by its plumbing.

    A differential (vented) gauge measures from behind the filter and falls when that clogs; one
    referenced to the cabin can stay normal while the gyros starve. Source: Piper Cherokee Six service
    manual for the vented gauge (1971 on); the other is derived.
    """
    if differential:
        return gyro_suction_inhg(manifold_suction_inhg, filter_resistance)
    return np.asarray(manifold_suction_inhg, dtype=np.float64)


def venturi_suction_inhg(
    airspeed_kt: Numbers, *, rated_suction_inhg: Numbers, rated_airspeed_kt: Numbers
) -> Array:
    """Suction of a clear venturi: in proportion to impact pressure, from its rating (derived)."""
    rated = np.asarray(rated_suction_inhg, dtype=np.float64)
    share = impact_pressure_inhg(airspeed_kt) / impact_pressure_inhg(rated_airspeed_kt)
    return np.asarray(rated * share)


def _resistance(filter_resistance: Numbers) -> Array:
    return within(filter_resistance, 0.0, np.inf, "resistance of the filter", "of the gyros'")
