"""Suction from the engine's manifold: the standby source that some aircraft have."""

from __future__ import annotations

import numpy as np

from diagnose.physics.atmosphere import pressure_inhg
from diagnose.units import Array, Numbers


def standby_suction_inhg(altitude_ft: Numbers, manifold_inhg: Numbers) -> Array:
    """Suction that a manifold-differential standby source gives: ambient less manifold pressure.

    Losses left out; none at full throttle. Principle: a transition manual of a light single.
    """
    return np.asarray(np.maximum(pressure_inhg(altitude_ft) - np.asarray(manifold_inhg), 0.0))


def highest_manifold_inhg(altitude_ft: Numbers, suction_inhg: Numbers) -> Array:
    """Highest manifold pressure that still leaves this suction."""
    return np.asarray(pressure_inhg(altitude_ft) - np.asarray(suction_inhg, dtype=np.float64))
