"""Gauges, their facets and readings, maneuvers and panels, and how each dial looks.

Angles of dials in degrees clockwise from the top. A hand ``reads`` one name of the panel's state
(``airspeed_kt``: see ``pictures``); its scale is either ``points`` (value, angle), straight in between
and held at both ends as at a stop, or ``per_turn``, the value of one whole turn.
"""

import math
from typing import TYPE_CHECKING, Annotated, Literal, TypeVar

import msgspec

from diagnose.model.systems import Cited, Record

if TYPE_CHECKING:
    from diagnose.model.units import Array


class Reading(Record, frozen=True, kw_only=True):
    """A named thing that a gauge did. ``where``: statistic -> (low, high), all must hold.

    The readings of a facet are tried in order; one without ``where`` takes the rest.
    """

    id: str
    words: tuple[str, ...] = ()
    where: dict[str, tuple[float, float]] = {}
    means: str


class Row(Record, frozen=True, kw_only=True):
    """A stated likelihood: when these states hold, the readings have these chances.

    ``fitted``: it holds where the panel has this type of ammeter only (``Panel.ammeter``).
    """

    when: dict[str, str | tuple[str, ...]] = {}
    fitted: Literal["", "center_zero", "loadmeter"] = ""
    gives: dict[str, float]


class Sizes(Record, frozen=True, kw_only=True):
    """How a number is said of a facet: its ``unit``, and the bins (edges, rising) that its table tells apart.

    ``statistic`` of the channel, as in ``Reading.where``. A number above ``twice_above`` is read on a scale of
    twice the size (a 28 V system). ``low`` and ``high``: readings that give a number its sign; with ``low`` a
    number alone says nothing. ``slip``: share of numbers that fall into the next bin.
    """

    unit: str
    words: tuple[str, ...] = ()
    edges: tuple[float, ...]
    slip: float
    statistic: str = "end"
    twice_above: float | None = None
    low: tuple[str, ...] = ()
    high: tuple[str, ...] = ()


class Facet(Cited, frozen=True, kw_only=True):
    """One way of looking at a gauge. Either simulated (``channel``) or stated (``rows``).

    ``misreport``: chance that a person tells another reading than the gauge showed. ``scale``: reading ->
    its place on the dial, in steps; a neighbor is told in its stead far more often than what lies further
    off (``Limits.confused_further``). Two readings at one place lie on opposite sides and are two steps
    apart, one without a place is two steps from all others; without a scale all are neighbors.
    ``sizes``: a number may be said instead of a reading. ``glance``: a look at the panel shows it; else
    somebody must have compared or watched, and "the rest as expected" does not speak of it.
    ``aloft``: it tells of the motion in the air alone; on the ground an aircraft turns with its wings level.
    ``implies_not``: reading -> another facet of the gauge, a reading of it that would have been told instead, and
    the chance that it is so all the same.
    """

    id: str
    name: str
    readings: tuple[Reading, ...]
    parents: tuple[str, ...]
    axes: tuple[str, ...] = ()
    misreport: float
    scale: dict[str, float] = {}
    channel: str = ""
    aloft: bool = False
    rows: tuple[Row, ...] = ()
    sizes: Sizes | None = None
    glance: bool = True
    implies_not: dict[str, tuple[str, str, float]] = {}


class Gauge(Record, frozen=True, kw_only=True):
    """Whatever is read. ``group`` orders the display; ``instrument``: one of the dials to fly on or watch.

    ``tells_of``: parts and sources whose condition the gauge is there to show. It is sound while it
    shows that condition, however bad; only what comes between the two can make it mislead. ``short`` is its
    name on the first screen, by default its first word. ``power``: the
    source without which it shows nothing. ``required``: the rules that ask for it (14 CFR 91.205).
    ``unseen_in``: conditions in which it is not to be had unless it was read. ``in_the_rest``: how sure "everything
    else normal" speaks of what is no instrument.
    """

    id: str
    name: str
    group: str
    words: tuple[str, ...] = ()
    facets: tuple[Facet, ...]
    instrument: bool = True
    in_the_rest: Annotated[float, msgspec.Meta(ge=0.0, le=1.0)] = 0.0
    tells_of: tuple[str, ...] = ()
    power: str = ""
    required: Literal["", "vfr", "ifr"] = ""
    unseen_in: tuple[str, ...] = ()
    short: str = ""
    note: str = ""


class Axis(Record, frozen=True, kw_only=True):
    """One axis of the hidden motion, with its values in order.

    ``usual``: what a maneuver expects that does not say ("": each must).
    """

    id: str
    name: str
    values: tuple[str, ...]
    usual: str = ""


class Opposition(Record, frozen=True, kw_only=True):
    """Two facets that tell of one thing: pairs of readings that agree. All others disagree."""

    facets: tuple[str, str]
    agree: tuple[tuple[str, str], ...]
    misreport: float


class AxisUse(Record, frozen=True, kw_only=True):
    """Which gauges serve one axis of control in a maneuver, best first."""

    primary: str
    supporting: tuple[str, ...] = ()


class Outcome(Record, frozen=True, kw_only=True):
    """One way in which the motion differs from what was meant."""

    chance: float
    motion: dict[str, str]


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


class Variation(Cited, frozen=True, kw_only=True):
    """How air or pilot change the motion: while ``part``, or a source that misleads him, is in ``condition``.

    ``meant`` narrows it to maneuvers that mean to go "up", "level" or "down" (empty: all). ``unfelt``: he does not know of
    it, so that what the dials show of it surprises him and is told as a failure is.
    """

    part: str
    condition: str
    unfelt: bool = False
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
    that ``how`` names; it is said only where they stand. ``straight``: it serves in straight flight, and in a turn
    only where nothing else is left.
    """

    axis: Literal["pitch", "bank", "power", "heading"]
    gauge: str
    how: str
    second_to: str = ""
    uses: tuple[str, ...] = ()
    straight: bool = False


class NormalEffect(Cited, frozen=True, kw_only=True):
    """Something healthy that looks odd: when these readings appear and its condition holds.

    ``maneuvers``: flown now; ``after``: flown just before. ``most_minutes``: the longest snapshot that it
    can fill. ``context``: one of these conditions stands. ``motion``: axis -> value and
    ``likely``: part -> condition, each all but certain from what was read. ``parts``: the panel has these.
    ``moved``: switch -> position into which it was moved in this snapshot. ``passing``: gone within seconds, so
    that a failure, which lasts, does not count against it.
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

    @property
    def middle(self) -> float:
        """Value below which half of the draws lie."""
        low, high = self.low, self.high
        return math.sqrt(low * high) if self.scale == "log" else 0.5 * (low + high)


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
