"""From the time history of a gauge to its reading: the one place where "rising" is defined.

The thresholds stand with each reading in ``knowledge/gauges.toml``; here are the statistics that
they speak of.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

import numpy as np
from numpy.typing import NDArray

from diagnose.model import Facet, Reading
from diagnose.physics.flight import END_SHARE

Samples = NDArray[np.float64]


def _edge(history: Samples) -> int:
    return max(1, round(history.shape[1] * END_SHARE))


def mean_at_end(history: Samples) -> Samples:
    """Mean of the last sixth; shape (flight, time) -> (flight,)."""
    return np.asarray(history[:, -_edge(history) :].mean(axis=1))


def change(history: Samples) -> Samples:
    """Mean of the last sixth less mean of the first sixth; shape (flight,)."""
    return mean_at_end(history) - history[:, : _edge(history)].mean(axis=1)


def swing(history: Samples) -> Samples:
    """How far the pointer went both ways: the lesser of its largest rise and its largest fall.

    A needle that only falls has a swing of nothing but its jitter; shape (flight,).
    """
    # second by second over all flights: many times as fast as running extremes along each
    along = np.ascontiguousarray(history.T)
    lowest, highest = along[0].copy(), along[0].copy()
    rise, fall = np.zeros_like(lowest), np.zeros_like(lowest)
    for now in along[1:]:
        np.minimum(lowest, now, out=lowest)
        np.maximum(highest, now, out=highest)
        np.maximum(rise, now - lowest, out=rise)
        np.maximum(fall, highest - now, out=fall)
    return np.asarray(np.minimum(rise, fall))


STATISTICS: Mapping[str, Callable[[Samples], Samples]] = {
    "change": change,
    "swing": swing,
    "mean": lambda history: np.asarray(history.mean(axis=1)),
    "mean_size": lambda history: np.asarray(np.abs(history.mean(axis=1))),
    "jerk": lambda history: np.asarray(np.abs(np.diff(history, axis=1)).max(axis=1)),
    "end": mean_at_end,
    "size": lambda history: np.asarray(np.abs(history).max(axis=1)),
}


#: a number with its unit, as it stands in a case: "3.8 inHg", "-40 kt"
SIZE = re.compile(r"(-?\d+(?:\.\d+)?) ?(.*)")


def size_of(facet: Facet, said: str) -> float | None:
    """The size that is said of a facet, "3.8 inHg"; None if it is none or the facet takes none."""
    found = SIZE.fullmatch(said)
    if facet.sizes is None or not found or found[2] not in ("", facet.sizes.unit):
        return None
    size, twice = float(found[1]), facet.sizes.twice_above
    return size / 2.0 if twice is not None and size > twice else size


def reading_of(facet: Facet, said: str) -> str:
    """The reading that a size stands for, by what counts as each; what is no size is a reading already."""
    size = size_of(facet, said)
    if size is None or facet.sizes is None:
        return said
    for reading in facet.readings:
        bounds = reading.where.get(facet.sizes.statistic)
        if not reading.where or (bounds and bounds[0] <= size <= bounds[1]):
            return reading.id
    return facet.readings[-1].id


def classify(
    readings: tuple[Reading, ...], history: Samples, shown: Samples | None = None
) -> NDArray[np.intp]:
    """Give the index of the reading of each flight; shape (flight, time) -> (flight,).

    The readings are tried in order and the first that fits counts. ``shown`` is the gauge's own
    indication where ``history`` is a difference to something; the statistic "shown" is its value
    at the end.
    """
    needed = {name for reading in readings for name in reading.where if name != "shown"}
    values = {name: STATISTICS[name](history) for name in needed}
    values["shown"] = mean_at_end(history if shown is None else shown)
    result = np.full(history.shape[0], len(readings) - 1, dtype=np.intp)
    open_flights = np.ones(history.shape[0], dtype=bool)
    for index, reading in enumerate(readings):
        fits = open_flights.copy()
        for name, (low, high) in reading.where.items():
            fits &= (values[name] >= low) & (values[name] <= high)
        result[fits] = index
        open_flights &= ~fits
    return result
