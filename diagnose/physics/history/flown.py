"""A flight and its systems over time, and what all dials share."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from diagnose.model.units import Array
from diagnose.physics.course import Course
from diagnose.physics.sizes import Sizes


@dataclass(frozen=True)
class Flown:
    """A flight and the states of its systems over time.

    ``conditions``: part or source -> its condition at each sample (str array); ``degrees``: part or
    source -> how far it has gone, 0 to 1. What is not named is healthy. ``power``: idle, cruise or full;
    ``bus_v``: voltage of the bus, None as regulated. ``kept``: what was worked out once.
    """

    course: Course
    conditions: Mapping[str, np.ndarray]
    degrees: Mapping[str, Array]
    sizes: Sizes
    power: np.ndarray
    latitude_deg: float
    bus_v: Array | None = None
    kept: dict[str, object] = field(default_factory=dict, repr=False)

    @property
    def samples(self) -> int:
        """Number of samples."""
        return len(self.course.time_s)

    def degree(self, name: str, *conditions: str) -> Array:
        """How far a part or source has gone while it is in one of these conditions, else 0."""
        if name not in self.conditions:
            return np.zeros(self.samples)
        return np.asarray(np.where(np.isin(self.conditions[name], conditions), self.degrees[name], 0.0))

    def once(self, name: str, make: Callable[[], Array]) -> Array:
        """Work something out once."""
        if name not in self.kept:
            self.kept[name] = make()
        found = self.kept[name]
        assert isinstance(found, np.ndarray)
        return found


def closing_tau_s(degree: Array, full_s: float) -> Array:
    """Lag of an opening that closes: none at 0, ``full_s`` half shut, without end at 1."""
    with np.errstate(divide="ignore"):
        return np.where(degree >= 1.0, np.inf, full_s * degree / np.maximum(1.0 - degree, 1e-9))


def frozen(shown: Array, degree: Array, start: float = 0.0) -> Array:
    """A pointer that stands where it was when it froze; frozen from the first, it is off by ``start``."""
    stands = degree > 0.0
    last = np.maximum.accumulate(np.where(~stands, np.arange(len(shown)), -1))
    held = np.where(last < 0, shown[0] + start, shown[np.maximum(last, 0)])
    return np.where(stands, held, shown)
