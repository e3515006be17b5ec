"""How long a battery carries the loads after the alternator is lost."""

from __future__ import annotations

import numpy as np

from diagnose.physics.limits import within
from diagnose.units import Array, Numbers

PEUKERT_EXPONENT = 1.1
"""Judgement: a lead battery gives less of its capacity at a high load."""


def battery_minutes(capacity_ah: Numbers, load_a: Numbers, sound_share: Numbers) -> Array:
    """Minutes = 60 k Ah / load^1.1; k is 0.8 for a sound battery, 0.5 for an old one (judgement)."""
    load = within(load_a, 0.1, np.inf, "load", "A")
    capacity = np.asarray(capacity_ah, dtype=np.float64)
    return np.asarray(60.0 * np.asarray(sound_share) * capacity / load**PEUKERT_EXPONENT)
