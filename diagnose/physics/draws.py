"""Uncertain quantities, drawn flight by flight from their ranges in ``knowledge/physics.toml``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from diagnose.model import Quantity
from diagnose.model.errors import UnknownName
from diagnose.model.units import Array


@dataclass(frozen=True, slots=True)
class Draws:
    """A random source together with the ranges that it draws from; ``used``: the names asked for so far."""

    quantities: Mapping[str, Quantity]
    rng: np.random.Generator
    used: set[str] = field(default_factory=set, compare=False)

    def __call__(self, name: str, flights: int) -> Array:
        """Draw one value per flight; shape (flights,). Raises UnknownName."""
        self.used.add(name)
        quantity = self.quantities.get(name)
        if quantity is None:
            raise UnknownName(f"no quantity {name!r}", "knowledge/physics.toml")
        if quantity.scale == "log":
            low, high = np.log(quantity.low), np.log(quantity.high)
            return np.exp(self.rng.uniform(low, high, flights))
        return self.rng.uniform(quantity.low, quantity.high, flights)

    def fixed(self, name: str) -> float:
        """Give a quantity that is the same in every flight; draws nothing. Raises UnknownName."""
        self.used.add(name)
        quantity = self.quantities.get(name)
        if quantity is None:
            raise UnknownName(f"no quantity {name!r}", "knowledge/physics.toml")
        return quantity.low

    def either_way(self, name: str, flights: int) -> Array:
        """Draw magnitudes with a random sign; shape (flights,)."""
        return self(name, flights) * self.rng.choice((-1.0, 1.0), flights)

    def chance(self, name: str, flights: int) -> np.ndarray:
        """Draw for each flight whether something happens, with the drawn chance; bool (flights,)."""
        return self.rng.random(flights) < self(name, flights)

    def wander(self, size: Array, flights: int, samples: int, smooth: int) -> Array:
        """Smoothed noise of standard deviation ``size`` (flights,); shape (flights, samples)."""
        kernel = np.ones(smooth) / np.sqrt(smooth)
        padded = self.rng.standard_normal((flights, samples + smooth - 1))
        totals = np.cumsum(np.pad(padded, ((0, 0), (1, 0))), axis=1)
        smoothed = (totals[:, smooth:] - totals[:, :-smooth]) * kernel[0]
        return np.asarray(smoothed * np.asarray(size)[:, None])

    def steps(self, low: Array, high: Array, samples: int, every: Array) -> Array:
        """Values that jump to a new level between low and high about each ``every`` samples.

        Arguments shape (flights,); result (flights, samples).
        """
        flights = len(low)
        jump = self.rng.random((flights, samples)) < (1.0 / every)[:, None]
        jump[:, 0] = True
        level = self.rng.uniform(0.0, 1.0, (flights, samples))
        last = np.maximum.accumulate(np.where(jump, np.arange(samples), 0), axis=1)
        held = np.take_along_axis(level, last, axis=1)
        return np.asarray(low[:, None] + held * (high - low)[:, None])
