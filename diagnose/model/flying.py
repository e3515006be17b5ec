"""Maneuvers, panels, and what stands beside them."""

from __future__ import annotations

import math
from typing import Literal

from diagnose.model.record import Cited, Record


class AxisUse(Record, frozen=True, kw_only=True):
    """Which gauges serve one axis of control in a maneuver, best first."""

    primary: str
    supporting: tuple[str, ...] = ()


class Manoeuvre(Cited, frozen=True, kw_only=True):
    """What the pilot is flying: expected motion, how far it strays, and which gauges serve."""

    id: str
    name: str
    words: tuple[str, ...] = ()
    phase: Literal["ground", "roll", "air"]
    expected: dict[str, str]
    strays: dict[str, dict[str, float]] = {}
    wanders: tuple[Outcome, ...] = ()
    pitch: AxisUse | None = None
    bank: AxisUse | None = None
    power: AxisUse | None = None


class Outcome(Record, frozen=True, kw_only=True):
    """One way in which the motion differs from what was meant."""

    chance: float
    motion: dict[str, str]


class Variation(Cited, frozen=True, kw_only=True):
    """How air or pilot change the motion: while ``part``, or a source that misleads him, is in ``condition``.

    ``meant`` narrows it to maneuvers that mean to go "up", "level" or "down" (empty: all).
    """

    part: str
    condition: str
    phases: tuple[str, ...]
    meant: tuple[str, ...] = ()
    outcomes: tuple[Outcome, ...]


class PowerSetting(Cited, frozen=True, kw_only=True):
    """A line of an aircraft's power and attitude table: with this power and pitch, expect this.

    ``pitch_deg``, ``speed_kt`` and ``rate_fpm`` are ranges (low, high); no rate means level.
    """

    id: str
    name: str
    manoeuvres: tuple[str, ...]
    power: str
    pitch_deg: tuple[float, float]
    speed_kt: tuple[float, float]
    rate_fpm: tuple[float, float] | None = None


class Panel(Record, frozen=True, kw_only=True):
    """An aircraft's fit. ``based_on`` takes another panel and ``without``/additions change it.

    ``power_table`` is the aircraft's own; without one the generic table stands in. ``ammeter``: the type
    that is fitted; what is not known is weighed as either.
    """

    id: str
    name: str
    words: tuple[str, ...] = ()
    based_on: str = ""
    parts: tuple[str, ...] = ()
    gauges: tuple[str, ...] = ()
    switches: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    power_table: tuple[PowerSetting, ...] = ()
    ammeter: Literal["", "center_zero", "loadmeter"] = ""
    note: str = ""


class Substitute(Cited, frozen=True, kw_only=True):
    """For an axis of control, the gauges that can stand in, best first, and how to use each.

    ``second_to``: it is a second one of that gauge, and takes its very place when it is out. ``uses``: gauges
    that ``how`` names; it is said only where they stand.
    """

    axis: Literal["pitch", "bank", "power", "heading"]
    gauge: str
    how: str
    second_to: str = ""
    uses: tuple[str, ...] = ()


class NormalEffect(Cited, frozen=True, kw_only=True):
    """Something healthy that looks odd: when these readings appear and its condition holds.

    ``maneuvers``: flown now; ``after``: flown just before. ``most_minutes``: the longest snapshot that it
    can fill. ``context``: one of these conditions of the day stands. ``motion``: axis -> value and
    ``likely``: part -> condition, each all but certain from what was read. ``parts``: the panel has these.
    ``moved``: switch -> position into which it was moved in this snapshot. ``passing``: gone within seconds, so
    that a failure, which lasts, does not speak against it.
    """

    id: str
    name: str
    when: dict[str, str]
    manoeuvres: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    most_minutes: float = math.inf
    context: tuple[str, ...] = ()
    motion: dict[str, str] = {}
    likely: dict[str, str] = {}
    parts: tuple[str, ...] = ()
    moved: dict[str, str] = {}
    passing: bool = False
    says: str
    gauge: str = ""


class Quantity(Cited, frozen=True, kw_only=True):
    """A physical quantity that differs from flight to flight: drawn evenly between two bounds.

    ``scale`` "log" draws its logarithm evenly.
    """

    id: str
    low: float
    high: float
    unit: str
    scale: Literal["even", "log"] = "even"
