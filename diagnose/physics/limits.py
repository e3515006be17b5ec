"""The check that keeps every formula inside the range in which it holds.

Takes a scalar or an array of any shape and gives an array of that shape.
"""

from __future__ import annotations

import numpy as np

from diagnose.model.errors import PhysicsRangeError
from diagnose.model.units import Array, Numbers


def within(values: Numbers, low: float, high: float, quantity: str, unit: str, where: str = "") -> Array:
    """Return the values as float64 if all lie in [low, high].

    Raises ``PhysicsRangeError`` with the value farthest outside; "not a number" is outside.
    """
    array = np.asarray(values, dtype=np.float64)
    if array.size == 0:
        return array
    lowest, highest = float(array.min()), float(array.max())
    # Written so that a NaN, which compares false with everything, is refused.
    if lowest >= low and highest <= high:
        return array
    worst = highest if highest - high > low - lowest else lowest
    raise PhysicsRangeError(quantity, worst, (low, high), unit, where)
