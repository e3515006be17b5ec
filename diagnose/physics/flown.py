"""A flight, the states of its systems over time, and its numbers: what all dials are functions of.

A fault changes a source or a dial in one place, by a degree: 1 is the whole failure, 0 none. A moment is one flown
minute of many flights with one state of the systems each; what a whole flight would have brought about before it (how
far a line is from where it was sealed, how far a rotor has run down) is drawn by the states of the memories.
Arrays have shape (flight, time), or 1 where a thing does not change along an axis.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar

import numpy as np

from diagnose.model.units import Array
from diagnose.physics.draws import Draws
from diagnose.physics.flight import Flights

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True)
class Flown:
    """Flights with the states of their systems; what is not named is healthy.

    ``states``: part, source or memory -> its condition, of a moment. Of a whole flight it is None; there
    ``conditions`` (part or source -> its condition at each sample, str) and ``degrees`` (-> how far it has gone) have
    shape (time,), and ``battery`` holds the current out of it (A) and the share of it that is used up. ``kept``: what
    was worked out once.
    """

    motion: Flights
    draws: Draws
    states: Mapping[str, str] | None = None
    conditions: Mapping[str, np.ndarray] = field(default_factory=dict)
    degrees: Mapping[str, Array] = field(default_factory=dict)
    battery: tuple[Array, Array] | None = None
    kept: dict[tuple[str, ...], Any] = field(default_factory=dict, repr=False)

    @property
    def whole(self) -> bool:
        """Whether it is a whole flight, whose past was flown."""
        return self.states is None

    def state(self, name: str, usual: str = "") -> str:
        """State of a memory, or condition of a part, in a moment."""
        return usual if self.states is None else self.states.get(name, usual)

    def must_be(self, name: str, *known: str) -> None:
        """Refuse a condition of a source that has no physics; raises ValueError."""
        if self.states is not None and self.states.get(name, known[0]) not in known:
            raise ValueError(f"{name} has no physics for condition {self.states[name]!r}")

    def degree(self, name: str, *conditions: str) -> Array:
        """How far a part or source has gone while it is in one of these conditions, else 0."""
        if self.states is not None:
            return np.array([[float(self.states.get(name) in conditions)]])
        if name not in self.conditions:
            return np.zeros((1, 1))
        return np.where(np.isin(self.conditions[name], conditions), self.degrees[name], 0.0)[None]

    # ---------------------------------------------------------- numbers, each a column (flight, 1)

    def size(self, name: str) -> Array:
        """Value of a quantity."""
        return self.draws(name, self.motion.count)[:, None]

    def half(self, name: str, *, upper: bool) -> Array:
        """Value from one half of a quantity's range, of a moment; a whole flight has its one size."""
        if self.whole:
            return self.size(name)
        return self.draws.half(name, self.motion.count, upper=upper)[:, None]

    def signed(self, name: str) -> Array:
        """Value of a quantity that goes either way."""
        return self.draws.either_way(name, self.motion.count)[:, None]

    def happens(self, name: str) -> np.ndarray:
        """Whether something happens that has this quantity as its chance; bool."""
        return self.draws.chance(name, self.motion.count)[:, None]

    def uniform(self, name: str) -> Array:
        """A number from 0 to 1."""
        return np.asarray(self.draws.source(name).random(self.motion.count)[:, None])

    def side(self, name: str) -> Array:
        """1 or -1."""
        return np.asarray(self.draws.source(name).choice((-1.0, 1.0), self.motion.count)[:, None])

    def wander(self, name: str, size: Array, smooth: int) -> Array:
        """Smoothed noise of this size over time."""
        return self.draws.wander(size[:, 0], self.motion.count, self.motion.samples, smooth, name)

    def steps(self, name: str, low: Array, high: Array, every_s: Array) -> Array:
        """Values that jump between low and high about each ``every_s``."""
        return self.draws.steps(low[:, 0], high[:, 0], self.motion.samples, every_s[:, 0], name)

    # ---------------------------------------------------------- what failures do to lines and needles

    def closing_tau_s(self, degree: Array) -> Array:
        """Lag of an opening that closes: none at 0, without end at 1, some time half shut."""
        halfway = (degree > 0.0) & (degree < 1.0)
        full_s = self.size("line.sealing_lag_s") if halfway.any() else np.ones((1, 1))
        with np.errstate(divide="ignore"):
            return np.where(degree >= 1.0, np.inf, full_s * degree / np.maximum(1.0 - degree, 1e-9))


def once(make: Callable[Concatenate[Flown, P], T]) -> Callable[Concatenate[Flown, P], T]:
    """Work out a function of flights, and of names, once for each of them."""

    @wraps(make)
    def kept(flown: Flown, /, *names: P.args, **more: P.kwargs) -> T:
        key = (make.__name__, *map(str, names))
        if key not in flown.kept:
            flown.kept[key] = make(flown, *names, **more)
        found: T = flown.kept[key]
        return found

    return kept


def moment(states: Mapping[str, str], motion: Flights, draws: Draws) -> Flown:
    """Give flights of one snapshot, each with these states all through."""
    return Flown(motion, draws, states)


def frozen(shown: Array, degree: Array, start: Array) -> Array:
    """A pointer that stands where it was when it froze; frozen from the first, it stands at ``start``."""
    stands = np.broadcast_to(degree > 0.0, shown.shape)
    last = np.maximum.accumulate(np.where(stands, -1, np.arange(shown.shape[1])), axis=1)
    held = np.where(last < 0, start, np.take_along_axis(shown, np.maximum(last, 0), axis=1))
    return np.where(stands, held, shown)
