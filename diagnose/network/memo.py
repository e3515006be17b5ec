"""What is worked out once and kept, within bounds: the latest results, and what all spaces keep together."""

from __future__ import annotations

import weakref
from collections.abc import Callable, Hashable, Mapping
from dataclasses import fields, is_dataclass
from functools import partial
from hashlib import blake2b
from typing import Any, ClassVar

import numpy as np

#: how many results of each kind a space keeps, so that a case of 24 snapshots stays at hand and memory
#: stays bounded: a message or an emission holds one or three numbers per row, a transition some ten
KEPT = {
    "conditions": 8,
    "distinct": 32,
    "driven": 256,
    "emission": 32,
    "first": 8,
    "looked at": 96,
    "lying states": 256,
    "message": 180,
    "misleading": 8,
    "pairs concerned": 32,
    "pattern": 16,
    "prior": 4,
    "set classes": 16,
    "set chances": 100,
    "set pairs": 2,
    "signature": 40,
    "sources behind": 1,
    "staying": 3,
    "staying pattern": 5,
    "transitions": 12,
    "odd": 32,
    "opened": 2,
    "weighed": 4,
    "weighing": 3,
}


class Recent:
    """A cache that holds the ``most`` results asked for last; ``dropped`` hears of each key that goes."""

    def __init__(self, most: int, dropped: Callable[[Hashable], None] | None = None) -> None:
        self._most, self._dropped = most, dropped
        self._found: dict[Hashable, Any] = {}

    def __contains__(self, key: Hashable) -> bool:
        return key in self._found

    def values(self) -> tuple[Any, ...]:
        """Everything that is kept, the latest last."""
        return tuple(self._found.values())

    def get(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """Give what is kept under the key, or make it and keep it."""
        found = self._found.pop(key) if key in self._found else make()
        self._found[key] = found  # the last in the order of the dictionary is the latest
        while len(self._found) > self._most:
            gone = next(iter(self._found))
            del self._found[gone]
            if self._dropped is not None:
                self._dropped(gone)
        return found


#: what all spaces of a process remember together, in bytes; beyond it the ones used longest ago forget it all
MOST_BYTES = 64 << 20
#: a space is in use, and forgets nothing, until others were turned to so many times: an answer asks several in turn
IN_USE = 3


def short(*parts: object) -> bytes:
    """Give a short key for a long one; for parts that Python writes out whole."""
    return blake2b(repr(parts).encode(), digest_size=16).digest()


def bytes_of(value: object) -> int:
    """Bytes of the arrays in a result, but for those that it says it shares with others (``SHARED``)."""
    if isinstance(value, np.ndarray):
        return value.nbytes
    if isinstance(value, Mapping):
        return sum(map(bytes_of, value.values()))
    if isinstance(value, tuple | list):
        return sum(map(bytes_of, value))
    if is_dataclass(value):
        shared = getattr(value, "SHARED", ())
        return sum(bytes_of(getattr(value, part.name)) for part in fields(value) if part.name not in shared)
    return 0


class Remembered:
    """What one space remembers: each kind within ``KEPT``, all spaces of the process within ``MOST_BYTES``.

    A result that was forgotten is worked out again, so no answer depends on it.
    """

    _all: ClassVar[weakref.WeakSet[Remembered]] = weakref.WeakSet()
    _turn: ClassVar[int] = 0

    def __init__(self) -> None:
        self._used = -1
        self.forget()
        self._all.add(self)

    def __getitem__(self, kind: str) -> Recent:
        return self._kinds[kind]

    def get(self, kind: str, key: Hashable, make: Callable[[], Any]) -> Any:
        """Give what is remembered, or make it and remember it."""
        if self._used != Remembered._turn:
            Remembered._turn += 1
            self._used = Remembered._turn
        recent, sizes = self._kinds[kind], self._sizes[kind]
        if key in recent:
            return recent.get(key, make)
        found = make()
        sizes[key] = bytes_of(found)
        self.bytes += sizes[key]
        recent.get(key, lambda: found)
        self._make_room()
        return found

    def _make_room(self) -> None:
        total = sum(other.bytes for other in self._all)
        for other in sorted(self._all, key=lambda one: one._used) if total > MOST_BYTES else ():
            if total > MOST_BYTES and other is not self and other._used < self._used - IN_USE:
                total -= other.bytes
                other.forget()

    def forget(self) -> None:
        """Forget everything."""
        self._kinds = {kind: Recent(most, partial(self._drop, kind)) for kind, most in KEPT.items()}
        self._sizes: dict[str, dict[Hashable, int]] = {kind: {} for kind in KEPT}
        self.bytes = 0

    def _drop(self, kind: str, key: Hashable) -> None:
        self.bytes -= self._sizes[kind].pop(key)
