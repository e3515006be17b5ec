"""The times of a recording: read in any usual writing, and put in order where the clock went astray."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from diagnose.units import Array

S_PER_DAY = 86400.0
OF_DAY = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?\s*(am|pm)?(?:\s*[A-Z]{1,4})?", re.IGNORECASE)
FROM_START = re.compile(r"(\d+):(\d{2})(?:[.,](\d+))?")
DATE = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})|(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})")
#: larger numbers of seconds are milliseconds
LARGEST_SECONDS = 1e11
LARGEST_MILLISECONDS = 1e14


def seconds_of(cells: Sequence[str]) -> float:
    """Seconds of one moment, from the cell of a time or the cells of date and time; NaN if it is none."""
    text = " ".join(cell.strip() for cell in cells).strip().strip("\"'")
    if not text:
        return np.nan
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        pass
    else:
        if not abs(value) <= LARGEST_MILLISECONDS:
            return np.nan
        return value / 1000.0 if abs(value) > LARGEST_SECONDS else value
    day = DATE.search(text)
    rest = text if day is None else (text[: day.start()] + " " + text[day.end() :])
    time = OF_DAY.search(rest)
    if time is None:
        return np.nan
    hours, minutes, seconds = int(time[1]), int(time[2]), float((time[3] or "0").replace(",", "."))
    if time[4]:
        hours = hours % 12 + (12 if time[4].lower() == "pm" else 0)
    if hours > 47 or minutes > 59 or seconds >= 61.0:
        return np.nan
    return _day_s(day) + hours * 3600.0 + minutes * 60.0 + seconds


def _day_s(day: re.Match[str] | None) -> float:
    """Seconds of the day's start; of a date that can be read in two ways the first number is the day if above 12."""
    if day is None:
        return 0.0
    if day[1]:
        year, month, date = int(day[1]), int(day[2]), int(day[3])
    else:
        month, date, year = int(day[4]), int(day[5]), int(day[6])
        if month > 12:
            month, date = date, month
    try:
        return datetime(year, month, date, tzinfo=UTC).timestamp()
    except ValueError:
        return np.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Clock:
    """Times put in order. ``time_s`` (row,) from the first row on, NaN where a row has none.

    ``order`` and ``jumps``: (row, seconds) of rows out of order and of jumps of the clock.
    """

    time_s: Array
    order: tuple[tuple[int, float], ...]
    jumps: tuple[tuple[int, float], ...]


def in_order(time_s: Array, jump_s: float) -> Clock:
    """Find rows out of order and jumps of the clock; jumps are taken out of the times that follow.

    A step back whose times have been there already is a clock set back; one whose times fill a hole is a
    row out of order. A step forward of more than ``jump_s`` is a clock set forward. Midnight is no jump.
    """
    times = np.array(time_s, dtype=np.float64)
    known = np.flatnonzero(np.isfinite(times))
    if len(known) < 2:
        return Clock(time_s=times - (times[known[0]] if len(known) else 0.0), order=(), jumps=())
    own = times[known]
    steps = np.diff(own)
    usual = float(np.median(steps[steps > 0.0])) if (steps > 0.0).any() else 1.0
    midnight = (steps < -0.9 * S_PER_DAY) & (steps > -1.1 * S_PER_DAY) & (own[:-1] < 2.0 * S_PER_DAY)
    own[1:] += np.cumsum(np.where(midnight, S_PER_DAY, 0.0))
    order: list[tuple[int, float]] = []
    jumps: list[tuple[int, float]] = []
    steps = np.diff(own)
    # a step forward that is taken back soon after is one of rows out of order, not of the clock
    shift = np.zeros(len(own))
    for place in np.flatnonzero((steps > jump_s) | (steps < -0.5 * usual)).tolist():
        step = float(steps[place])
        if step > jump_s:
            lone = place + 2 < len(own) and own[place + 2] < own[place + 1] - jump_s
            if lone:
                own[place + 1] = np.nan
                order.append((int(known[place + 1]), step))
                continue
            shift[place + 1 :] += usual - step
            jumps.append((int(known[place + 1]), step))
        elif np.isfinite(own[place]) and np.isfinite(own[place + 1]):
            if _seen_before(own, place, usual):
                shift[place + 1 :] += usual - step
                jumps.append((int(known[place + 1]), step))
            else:
                order.append((int(known[place + 1]), step))
        if len(jumps) + len(order) > 1000:
            break
    own += shift
    times[known] = own
    return Clock(time_s=times - np.nanmin(times), order=tuple(order), jumps=tuple(jumps))


def _seen_before(own: Array, place: int, usual: float) -> bool:
    """Whether the times after a step back stand before it already (most of the next few)."""
    after = own[place + 1 : place + 6]
    before = own[max(0, place - 5000) : place + 1]
    near = np.abs(after[:, None] - before[None, :]).min(axis=1) if len(before) else np.array([np.inf])
    if float(own[place + 1]) < float(np.nanmin(own[: place + 1])):
        return True
    return bool(np.mean(near < 0.45 * usual) > 0.5)
