"""Gauges, their readings, and what they depend on."""

from __future__ import annotations

from typing import Literal

from diagnose.model.record import Cited, Record


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
    its place on the dial, in steps; a neighbour is told in its stead far more often than what lies further
    off (``Limits.confused_further``). Two readings at one place lie on opposite sides and are two steps
    apart, one without a place is two steps from all others; without a scale all are neighbours.
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
    in_the_rest: float = 0.0
    tells_of: tuple[str, ...] = ()
    power: str = ""
    required: Literal["", "vfr", "ifr"] = ""
    unseen_in: tuple[str, ...] = ()
    short: str = ""
    note: str = ""


class Axis(Record, frozen=True, kw_only=True):
    """One axis of the hidden motion, with its values in order."""

    id: str
    name: str
    values: tuple[str, ...]


class Opposition(Record, frozen=True, kw_only=True):
    """Two facets that tell of one thing: pairs of readings that agree. All others disagree."""

    facets: tuple[str, str]
    agree: tuple[tuple[str, str], ...]
    misreport: float
