"""From a flown scenario to snapshots: what an observer with sharp eyes would have written down.

A snapshot is about a minute of one leg with one setting of the switches; the first seconds of a new
maneuver belong to none, because dials still move from the change. Readings follow from the same
thresholds as everywhere (``readings.classify``).
"""

from __future__ import annotations

import itertools
from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from diagnose.model import Facet, SnapshotRecord
from diagnose.model.units import min_from_s
from diagnose.network.readings import classify
from diagnose.physics.course import STEP_S
from diagnose.physics.panel import Shown, show
from diagnose.practice.simulate.flight import Simulation
from diagnose.practice.simulate.plan import seconds_of
from diagnose.practice.simulate.shown import likely_reading, motion_in

#: cards are measured from where they stood at the start of the snapshot
FROM_START = frozenset({"heading_deg", "compass_deg"})
#: what a person compares the altimeter with; without it nobody knows that it is wrong
HEIGHT_BY_OTHERS = "gps_height"
#: a heading is compared with the compass in steady flight only
STEADY_ONLY = "heading.value"
QUARTER_MIN = 0.25
#: what a running snapshot must have lasted to be read
SHORTEST_CUT_S = 10


@dataclass(frozen=True, slots=True)
class Window:
    """Seconds from ``first`` up to ``end`` (not included) that make one snapshot."""

    first: int
    end: int
    leg: int

    @property
    def minutes(self) -> float:
        """Its length."""
        return min_from_s((self.end - self.first) * STEP_S)


def windows(simulation: Simulation) -> tuple[Window, ...]:
    """The snapshots' places in time."""
    sizes, plan, samples = simulation.sizes, simulation.plan, simulation.samples
    cuts = {0, samples, *(seconds_of(a.at_minutes) for a in simulation.scenario.action)}
    starts = [0, *(np.flatnonzero(np.diff(plan.leg_of)) + 1).tolist()]
    cuts |= set(starts)
    long, shortest = sizes("snapshot.seconds"), sizes("snapshot.shortest_s")
    found: list[Window] = []
    bounds = sorted(cut for cut in cuts if cut <= samples)
    for first, end in itertools.pairwise(bounds):
        leg = int(plan.leg_of[first])
        if first in starts and first > 0 and plan.meant.airborne[first]:
            first += round(min(sizes("snapshot.settle_s"), (end - first) / 2.0))
        parts = max(1, round((end - first) / long))
        edges = np.linspace(first, end, parts + 1).round().astype(int).tolist()
        for low, high in itertools.pairwise(edges):
            if high - low >= shortest:
                found.append(Window(low, high, leg))
    return tuple(found)


def _cut(all_of_them: tuple[Window, ...], until: int | None) -> tuple[Window, ...]:
    """Windows that begin before a second, the last one ending there; it must have lasted a little."""
    if until is None:
        return all_of_them
    begun = [window for window in all_of_them if until - window.first >= SHORTEST_CUT_S]
    return tuple(Window(w.first, min(w.end, until), w.leg) for w in begun) or (Window(0, max(until, 1), 0),)


def _quarters(second: int) -> float:
    return round(min_from_s(second * STEP_S) / QUARTER_MIN) * QUARTER_MIN


def seen_facets(simulation: Simulation, unseen: Collection[str]) -> dict[str, Facet]:
    """Facets that a look at everything but ``unseen`` shows."""
    kb = simulation.network.kb
    facets = {
        f"{gauge}.{facet.id}": facet
        for gauge in simulation.network.dial_gauges
        if gauge not in unseen
        for facet in kb.gauges[gauge].facets
        if facet.glance
    }
    if HEIGHT_BY_OTHERS in unseen:
        facets.pop("altimeter.value", None)
    if "compass" in unseen:
        facets.pop(STEADY_ONLY, None)
    return facets


def read(facet: Facet, shown: Shown, inside: slice) -> str:
    """The reading of a channel of one flight in these seconds."""
    part = shown.channel[:, inside]
    if facet.channel in FROM_START:
        part = part - part[:, :1]
    if facet.channel == "heading_error_deg":
        part = (part + 180.0) % 360.0 - 180.0
    dial = None if shown.dial is None else shown.dial[:, inside]
    return facet.readings[int(classify(facet.readings, part, dial)[0])].id


def reading_in(simulation: Simulation, facet: Facet, name: str, window: Window) -> str:
    """The reading of a facet in one window."""
    if facet.channel:
        return read(facet, show(facet.channel, simulation.flown), slice(window.first, window.end))
    # the last sixth decides, as for the readings of dials
    late = np.arange(window.end - max(1, (window.end - window.first) // 6), window.end)
    motion = motion_in(simulation, window.first, window.end)
    spread = {axis: np.repeat(value, len(late)) for axis, value in motion.items()}
    said = likely_reading(simulation, name, spread, late).tolist()
    return max(sorted(set(said)), key=said.count)


def snapshots(
    simulation: Simulation, unseen: Collection[str] | None = None, until: int | None = None
) -> tuple[tuple[Window, SnapshotRecord], ...]:
    """Every snapshot with its place in time; ``unseen`` gauges are not read (None: the scenario's).

    ``until``: only what was seen before this second, the running snapshot cut off there.
    """
    hidden = simulation.scenario.unseen if unseen is None else unseen
    facets = seen_facets(simulation, hidden)
    found: list[tuple[Window, SnapshotRecord]] = []
    told = 0.0
    for window in _cut(windows(simulation), until):
        manoeuvre = simulation.plan.legs[window.leg].manoeuvre
        readings = {
            name: reading_in(simulation, facet, name, window)
            for name, facet in facets.items()
            if name != STEADY_ONLY
            or simulation.network.kb.manoeuvres[manoeuvre].expected["turn"] == "straight"
        }
        # to a quarter of a minute, without drifting away: the engine keeps what equal steps share
        start, end = max(_quarters(window.first), told), _quarters(window.end)
        record = SnapshotRecord(
            manoeuvre=manoeuvre,
            minutes=max(end - start, QUARTER_MIN),
            minutes_before=max(start - told, 0.0) if found else 0.0,
            switches=simulation.switches_at(window.first),
            readings=readings,
        )
        found.append((window, record))
        told = max(end, start + QUARTER_MIN)
    return tuple(found)
