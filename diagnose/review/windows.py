"""Places in time: maneuvers of a recording, snapshots that straddle none, and a channel read in one of them.

Arrays (second,).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from diagnose.model import Facet, ReviewLimits
from diagnose.model.units import Array
from diagnose.network.readings import classify
from diagnose.review.motion import Motion, mean_over
from diagnose.review.recording import Recording
from diagnose.review.relations import Change

#: share of a window in which a channel must be known
KNOWN_SHARE = 0.8
MANOEUVRES = {
    ("up", "straight"): "climb",
    ("up", "left"): "climbing_left_turn",
    ("up", "right"): "climbing_right_turn",
    ("down", "straight"): "descent_constant_rate",
    ("down", "left"): "descending_left_turn",
    ("down", "right"): "descending_right_turn",
    ("level", "left"): "left_turn",
    ("level", "right"): "right_turn",
    ("level", "straight"): "level",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """Seconds from ``first`` up to ``end`` in one maneuver."""

    first: int
    end: int
    manoeuvre: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A reading, and how sure it is (1: as it stands); ``compared``: what was flown is taken out of it already."""

    reading: str
    sure: float = 1.0
    compared: bool = False


def cut(values: Array, window: Window) -> Array | None:
    """A window of a channel, small holes filled; None where too little is known."""
    part = values[window.first : window.end]
    known = np.isfinite(part)
    if known.mean() < KNOWN_SHARE:
        return None
    if known.all():
        return part
    places = np.arange(len(part))
    return np.interp(places, places[known], part[known])


def by_rule(
    facet: Facet, history: Array | None, shown: Array | None = None, margin: float = 1.0
) -> Said | None:
    """Read by the facet's own rule; with a margin above 1 what is near a threshold of the usual is not said."""
    if history is None:
        return None
    usual = len(facet.readings) - 1

    def place(times: float) -> int:
        return int(classify(facet.readings, times * history[None], None if shown is None else shown[None])[0])

    found = place(1.0)
    if margin > 1.0 and (found == usual) != (place(margin if found == usual else 1.0 / margin) == usual):
        return None
    return Said(reading=facet.readings[found].id)


# ------------------------------------------------------------------ maneuvers


def _runs(values: np.ndarray) -> list[tuple[int, int]]:
    """First and end of each run of equal values."""
    if not len(values):
        return []
    edges = [0, *(np.flatnonzero(values[1:] != values[:-1]) + 1).tolist(), len(values)]
    return list(itertools.pairwise(edges))


def manoeuvres_of(recording: Recording, motion: Motion, limits: ReviewLimits) -> np.ndarray:
    """Maneuver of each second, "" on the ground or where nothing tells; (second,)."""
    # what is contested is called straight; nothing that depends on the turn is read there
    turn = np.where(motion.contested & (not motion.believed), 0.0, mean_over(motion.turn_dps, 10))
    climb = mean_over(motion.climb_fpm, 10)
    sideways = np.select([turn >= limits.turn_dps, turn <= -limits.turn_dps], ["right", "left"], "straight")
    upward = np.select([climb >= limits.vertical_fpm, climb <= -limits.vertical_fpm], ["up", "down"], "level")
    found = np.full(recording.seconds, "", dtype="<U24")
    for (vertical, side), name in MANOEUVRES.items():
        found[(upward == vertical) & (sideways == side)] = name
    found[(found == "descent_constant_rate") & (motion.power == "idle")] = "descent"
    known = np.isfinite(motion.climb_fpm) & (np.isfinite(motion.turn_dps) | (len(motion.rates_dps) == 0))
    found[~(known & motion.airborne)] = ""
    return found


def speed_of_level(window: Window, recording: Recording, motion: Motion, limits: ReviewLimits, trend: Facet) -> str:  # fmt: skip
    """Whether level flight speeds up or slows down: by GPS where there is one, by the airspeed's own rule.

    Without GPS the airspeed is believed only where power, or a level-off just before, explains it; and an
    aircraft whose power has gone to idle, or to full, in level flight changes its speed whatever it shows.
    """
    inside = slice(window.first, window.end)
    gps = cut(recording.channels["gps_speed_kt"], window) if "gps_speed_kt" in recording.channels else None
    if gps is not None:
        turn = np.abs(mean_over(motion.turn_dps[inside], 10))
        said = by_rule(trend, gps) if float(np.nan_to_num(np.nanmax(turn))) < limits.turn_dps else None
    else:
        speed = (
            cut(recording.channels["airspeed_kt"], window) if "airspeed_kt" in recording.channels else None
        )
        said = by_rule(trend, speed)
        gone = _power_gone(window, motion, round(limits.power_change_s))
        if gone in ("idle", "full"):
            return {"full": "level_speeding_up", "idle": "level_slowing_down"}[gone]
        power = motion.power[inside]
        levelled = bool(_just_levelled(window, motion, limits))
        if said is not None and not (
            levelled
            or (said.reading == "rising" and (power == "full").any())
            or (said.reading == "falling" and (power == "idle").any())
            or (said.reading, gone) in (("rising", "up"), ("falling", "down"))
        ):
            said = None
    change = said.reading if said is not None else ""
    return {"rising": "level_speeding_up", "falling": "level_slowing_down"}.get(change, window.manoeuvre)


def _power_gone(window: Window, motion: Motion, within_s: int) -> str:
    """Where the power has gone at the start of a window and stayed: "idle", "full", "up", "down" or ""."""
    before = motion.power[max(0, window.first - within_s)]
    here = motion.power[window.first + within_s : window.end]
    if not len(here) or "" in (before, here[0]) or before == here[0] or (here != here[0]).mean() > 0.2:
        return ""
    if here[0] in ("idle", "full"):
        return str(here[0])
    return "up" if before == "idle" else "down"


def _just_levelled(window: Window, motion: Motion, limits: ReviewLimits) -> bool:
    """Whether it climbed, descended or turned shortly before the window."""
    before = slice(max(0, window.first - round(limits.after_climb_s)), window.first)
    climb, turn = motion.climb_fpm[before], motion.turn_dps[before]
    with np.errstate(invalid="ignore"):
        return bool(((np.abs(climb) >= limits.vertical_fpm) | (np.abs(turn) >= limits.turn_dps)).any())


def windows_of(manoeuvres: np.ndarray, power: np.ndarray, changes: Iterable[Change], limits: ReviewLimits) -> list[Window]:  # fmt: skip
    """Snapshots' places in time; none straddles a maneuver, a change of power or a change of the channels."""
    cuts = sorted(
        {round(c.onset) for c in changes}
        | {round(c.until) for c in changes if np.isfinite(c.until)}
        | {first for first, end in _runs(power) if first and end - first >= limits.shortest_s}
    )
    marks = np.array(cuts, dtype=np.intp)
    found: list[Window] = []
    steady = _steadied(manoeuvres, limits)
    for first, end in _runs(steady):
        name = str(steady[first])
        if not name:
            continue
        start = first + round(min(limits.settle_s, (end - first) / 3.0)) if first else first
        inside = marks[(marks > start) & (marks < end)].tolist()
        for low, high in itertools.pairwise([start, *inside, end]):
            # how far a card goes round in a turn is read over a minute at most
            most = math.ceil if name.endswith("turn") else round
            parts = max(1, most((high - low) / limits.snapshot_s))
            edges = np.linspace(low, high, parts + 1).round().astype(int).tolist()
            found += [
                Window(first=a, end=b, manoeuvre=name)
                for a, b in itertools.pairwise(edges)
                if b - a >= limits.shortest_s
            ]
    return found


def _steadied(manoeuvres: np.ndarray, limits: ReviewLimits) -> np.ndarray:
    """Maneuvers without flickers: a run of a few seconds between two equal ones takes their name."""
    found = manoeuvres.copy()
    runs = _runs(manoeuvres)
    for place in range(1, len(runs) - 1):
        first, end = runs[place]
        before, after = found[first - 1], manoeuvres[runs[place + 1][0]]
        if end - first < limits.shortest_s / 2.0 and before == after:
            found[first:end] = before
    return found
