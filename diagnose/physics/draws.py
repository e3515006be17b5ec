"""Uncertain quantities, drawn flight by flight from their ranges in ``knowledge/physics.toml``.

``Draws`` draws for many flights in the order in which it is asked; ``ByName`` and ``Sizes`` draw each quantity by its
name, so that another failure, another gauge or a longer flight changes nothing of what was drawn before.

Arrays have shape (flight, time), or (flight, 1) for what does not change.
"""

from __future__ import annotations

import hashlib
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

    def source(self, name: str) -> np.random.Generator:
        """Random numbers for a name."""
        return self.rng

    def _quantity(self, name: str) -> Quantity:
        self.used.add(name)
        quantity = self.quantities.get(name)
        if quantity is None:
            raise UnknownName(f"no quantity {name!r}", "knowledge/physics.toml")
        return quantity

    def _drawn(self, name: str, flights: int, rng: np.random.Generator) -> Array:
        quantity = self._quantity(name)
        if quantity.scale == "log":
            low, high = np.log(quantity.low), np.log(quantity.high)
            return np.exp(rng.uniform(low, high, flights))
        return rng.uniform(quantity.low, quantity.high, flights)

    def __call__(self, name: str, flights: int) -> Array:
        """Draw one value per flight; shape (flights,). Raises UnknownName."""
        return self._drawn(name, flights, self.source(name))

    def fixed(self, name: str) -> float:
        """Give a quantity that is the same in every flight; draws nothing. Raises UnknownName."""
        return self._quantity(name).low

    def half(self, name: str, flights: int, *, upper: bool) -> Array:
        """Draw from the upper or the lower half of a range (halved on its own scale); shape (flights,)."""
        drawn, quantity = self(name, flights), self.quantities[name]
        begins = quantity.middle if upper else quantity.low
        if quantity.scale == "log":
            return np.asarray(begins * np.sqrt(drawn / quantity.low))
        return np.asarray(begins + (drawn - quantity.low) / 2.0)

    def either_way(self, name: str, flights: int) -> Array:
        """Draw magnitudes with a random sign; shape (flights,)."""
        rng = self.source(name)
        return self._drawn(name, flights, rng) * rng.choice((-1.0, 1.0), flights)

    def chance(self, name: str, flights: int) -> np.ndarray:
        """Draw for each flight whether something happens, with the drawn chance; bool (flights,)."""
        return self.source(f"{name} happens").random(flights) < self(name, flights)

    def wander(self, size: Array, flights: int, samples: int, smooth: int, name: str = "") -> Array:
        """Smoothed noise of standard deviation ``size`` (flights,); shape (flights, samples)."""
        kernel = np.ones(smooth) / np.sqrt(smooth)
        padded = self.source(name).standard_normal((flights, samples + smooth - 1))
        totals = np.cumsum(np.pad(padded, ((0, 0), (1, 0))), axis=1)
        smoothed = np.asfortranarray(totals[:, smooth:] - totals[:, :-smooth]) * kernel[0]
        return np.asarray(smoothed * np.asarray(size)[:, None])

    def steps(self, low: Array, high: Array, samples: int, every: Array, name: str = "") -> Array:
        """Values that jump to a new level between low and high about each ``every`` samples.

        Arguments shape (flights,); result (flights, samples).
        """
        flights, rng = len(every), self.source(name)
        jump = rng.random((flights, samples)) < (1.0 / every)[:, None]
        jump[:, 0] = True
        level = rng.uniform(0.0, 1.0, (flights, samples))
        last = np.maximum.accumulate(np.where(jump, np.arange(samples), 0), axis=1)
        held = np.asfortranarray(np.take_along_axis(level, last, axis=1))
        return np.asarray(low[:, None] + held * (high - low)[:, None])


@dataclass(frozen=True, slots=True)
class ByName(Draws):
    """Draws in which every name has random numbers of its own. ``given``: id -> the value that it has instead."""

    seed: int = 0
    given: Mapping[str, float] = field(default_factory=dict)

    def source(self, name: str) -> np.random.Generator:
        """Random numbers of this name's own."""
        mark = hashlib.sha256(f"{self.seed} {name}".encode()).digest()[:8]
        return np.random.default_rng(int.from_bytes(mark))

    def _drawn(self, name: str, flights: int, rng: np.random.Generator) -> Array:
        if name in self.given:
            return np.full(flights, self.given[name])
        return Draws._drawn(self, name, flights, rng)

    def fixed(self, name: str) -> float:
        """Give a quantity that is the same in every flight, or what was given for it."""
        return self.given[name] if name in self.given else Draws.fixed(self, name)

    def either_way(self, name: str, flights: int) -> Array:
        """Draw with a random sign; what is given has its own."""
        return self(name, flights) if name in self.given else Draws.either_way(self, name, flights)


class Sizes:
    """The quantities of one flight, each as one number. ``given``: id -> the value that it has instead of a drawn one."""

    def __init__(
        self, *, quantities: Mapping[str, Quantity], seed: int, given: Mapping[str, float] | None = None
    ) -> None:
        self.draws = ByName(quantities, np.random.default_rng(seed), seed=seed, given=given or {})

    def __call__(self, name: str) -> float:
        """The value of a quantity in this flight."""
        return float(self.draws(name, 1)[0])

    def either_way(self, name: str) -> float:
        """The value with a sign."""
        return float(self.draws.either_way(name, 1)[0])

    def wander(self, name: str, size: float, samples: int, smooth: int) -> Array:
        """Smoothed noise of this size over time."""
        return np.asarray(self.draws.wander(np.array([size]), 1, samples, smooth, name)[0])

    def steps(self, name: str, low: float, high: float, samples: int, every_s: float) -> Array:
        """Values that jump between low and high about each ``every_s``."""
        ends = np.array([low]), np.array([high])
        return np.asarray(self.draws.steps(*ends, samples, np.array([every_s]), name)[0])
