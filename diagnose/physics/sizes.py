"""How large things are in one flight: drawn once for each quantity, whatever else is drawn.

Every quantity has its own random numbers, so that another failure, another gauge or a longer flight
changes nothing of what was drawn before.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from diagnose.model import Quantity
from diagnose.model.units import Array
from diagnose.physics.draws import Draws


@dataclass(frozen=True, slots=True, kw_only=True)
class Sizes:
    """The quantities of one flight. ``given``: id -> the value that it has instead of a drawn one."""

    quantities: Mapping[str, Quantity]
    seed: int
    given: Mapping[str, float] = field(default_factory=dict)

    def draws(self, name: str) -> Draws:
        """Random numbers of this name's own."""
        mark = hashlib.sha256(f"{self.seed} {name}".encode()).digest()[:8]
        return Draws(self.quantities, np.random.default_rng(int.from_bytes(mark)))

    def __call__(self, name: str) -> float:
        """The value of a quantity in this flight."""
        if name in self.given:
            return self.given[name]
        return float(self.draws(name)(name, 1)[0])

    def either_way(self, name: str) -> float:
        """The value with a sign."""
        if name in self.given:
            return self.given[name]
        return float(self.draws(name).either_way(name, 1)[0])

    def chance(self, name: str) -> bool:
        """Whether something happens in this flight that has this quantity as its chance."""
        return bool(self.draws(f"{name} happens").rng.random() < self(name))

    def uniform(self, name: str) -> float:
        """A number from 0 to 1 of this name's own."""
        return float(self.draws(name).rng.random())

    def wander(self, name: str, size: float, samples: int, smooth: int) -> Array:
        """Smoothed noise of this size over time."""
        return np.asarray(self.draws(name).wander(np.array([size]), 1, samples, smooth)[0])

    def steps(self, name: str, low: float, high: float, samples: int, every_s: float) -> Array:
        """Values that jump between low and high about each ``every_s``."""
        ends = np.array([low]), np.array([high])
        return np.asarray(self.draws(name).steps(*ends, samples, np.array([every_s]))[0])
