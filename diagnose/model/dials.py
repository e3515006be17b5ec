"""The face of a gauge as a record of ``knowledge/dials.toml``: hands, scales, arcs, and their angles.

Angles in degrees clockwise from the top of the dial. A hand ``reads`` one name of the panel's state
(``airspeed_kt``: see ``pictures``); its scale is either ``points`` (value, angle), straight in between
and held at both ends as at a stop, or ``per_turn``, the value of one whole turn.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeVar

import msgspec

from diagnose.model import Cited, Record

if TYPE_CHECKING:
    # numpy comes with it, and the prompt should be there before
    from diagnose.model.units import Array

Value = TypeVar("Value", float, "Array")


class Hand(Record, frozen=True, kw_only=True):
    """A part of a dial that turns. ``length`` is a share of the dial's radius."""

    reads: str
    shape: Literal["needle", "short", "marker", "wings", "card"] = "needle"
    length: float = 0.8
    points: tuple[tuple[float, float], ...] = ()
    per_turn: float = 0.0


class Ticks(Record, frozen=True, kw_only=True):
    """Marks of a scale: from, to and every in the unit of hand number ``hand``.

    ``divide``: a label shows the value over this; 0 draws no labels. ``size`` is a share of the radius.
    """

    start: float
    end: float
    every: float
    size: float = 0.12
    divide: float = 0.0
    hand: int = 0
    unsigned: bool = False


class Arc(Record, frozen=True, kw_only=True):
    """A marked range. ``limit`` is a line across the scale at ``start``."""

    start: float
    end: float
    style: Literal["normal", "caution", "special", "limit"]


class Window(Record, frozen=True, kw_only=True):
    """A number shown in a window of the dial, with so many digits after the point."""

    reads: str
    digits: int = 0
    fitted: str = ""


class Dial(Cited, frozen=True, kw_only=True):
    """How one gauge looks. ``id`` is the gauge's; ``like`` takes the face of another dial.

    ``renames``: with ``like``, a name that the other dial reads -> the name that this one reads.
    ``flag``: the state that brings the OFF flag into view. ``reads``: what a lamp, window, ball, strip
    or horizon reads. ``per_unit``: how far a ball, strip or horizon moves, in hundredths of the radius.
    ``fitted``: the type that is drawn where the panel does not say which is fitted.
    """

    id: str
    kind: Literal["pointer", "horizon", "card", "turn", "ball", "strip", "lamp", "window"]
    title: str
    unit: str = ""
    like: str = ""
    renames: dict[str, str] = msgspec.field(default_factory=dict)
    large: bool = False
    hands: tuple[Hand, ...] = ()
    ticks: tuple[Ticks, ...] = ()
    arcs: tuple[Arc, ...] = ()
    windows: tuple[Window, ...] = ()
    flag: str = ""
    reads: tuple[str, ...] = ()
    per_unit: float = 0.0
    digits: int = 0
    fitted: str = ""


def hand_angle_deg(hand: Hand, value: Value) -> Value:
    """Angle of a hand for a value; not wrapped at a whole turn, so that histories stay continuous."""
    if hand.per_turn:
        return value * (360.0 / hand.per_turn)
    import numpy as np

    values, angles = zip(*hand.points, strict=True)
    found = np.interp(value, values, angles)
    return float(found) if isinstance(value, float | int) else found


def needed(dial: Dial) -> tuple[str, ...]:
    """Names of the panel's state that a dial shows, each once."""
    names = (*dial.reads, *(hand.reads for hand in dial.hands), *(window.reads for window in dial.windows))
    return tuple(dict.fromkeys((*names, dial.flag) if dial.flag else names))
