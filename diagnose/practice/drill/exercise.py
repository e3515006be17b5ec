"""What the kinds of exercise have in common: the card that is learned, the answers offered, the mark."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

#: stands for a sound aircraft among the ids of failures, as in ``coverage``
SOUND = "nothing_failed"
#: stands for "cannot be told yet" among the answers offered
OPEN = "cannot_tell"
LETTERS = "abcdefghijklmnopqrstuvwxyz"


class Kind(Enum):
    """Kinds of exercise, in the order in which a failure is met."""

    PREDICT = "predict"
    NAME = "name"
    FLY = "fly"
    SCAN = "scan"


@dataclass(frozen=True, slots=True, order=True)
class Card:
    """What is learned and asked again: a failure (or ``SOUND``) in a maneuver by a kind of exercise."""

    failure: str
    manoeuvre: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """An answer offered: a failure's id, ``SOUND`` or ``OPEN``; ``like``: those that look the same, it first."""

    id: str
    like: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """An answer marked.

    ``score`` from 0 to 1; ``given`` and ``right`` are ids of options, or what stands for them in the
    record of answers. ``sure`` is the chance that the student gave to the first choice, ``engine`` the
    engine's chance of that choice (None where the answer was no chance). ``counts`` is False for a call
    of a scan that came too early to be right or wrong; it is not ``correct`` then.
    """

    correct: bool
    score: float
    given: str
    right: str
    sure: float | None = None
    engine: float | None = None
    counts: bool = True
