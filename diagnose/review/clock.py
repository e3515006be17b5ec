"""The times of a recording: read in any usual writing, and put in order where the clock went astray."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import numpy as np

from diagnose.model.units import Array

S_PER_DAY = 86400.0
OF_DAY = re.compile(
    r"(\d{1,2}):(\d{2})(?::(\d{2})([.,]\d+)?|([.,]\d+))?\s*(am|pm)?(?:\s*(?:Z|UTC|GMT|([+-])(\d{2}):?(\d{2})?)(?!\d))?",
    re.IGNORECASE,
)
COMPACT = re.compile(r"(\d{4})(\d{2})(\d{2})[T _-]?(\d{2})(\d{2})(\d{2}(?:[.,]\d+)?)Z?")
DATE = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})|(\d{1,2})([-/.])(\d{1,2})\5(\d{4}|\d{2})(?!\d)")
NAMED_DATE = re.compile(r"(\d{1,2})[-/. ]+([A-Za-z]{3})[A-Za-z]*\.?,?[-/. ]+(\d{4})|([A-Za-z]{3})[A-Za-z]*\.? +(\d{1,2}),? +(\d{4})")  # fmt: skip
MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
#: a number above this counts so many in a second since 1970
MAGNITUDES = ((1e17, 1e-9), (1e14, 1e-6), (1e11, 1e-3), (1e8, 1.0))
#: days since 1899-12-31, as a spreadsheet counts them
SPREADSHEET_DAYS = (20_000.0, 80_000.0)
#: rows farther apart than this, in whatever they count, count milliseconds; nearer than the other, nobody knows what
FARTHEST_S, NEAREST_S = 40.0, 0.015
#: fewer rows tell nothing of what is counted
FEWEST_ROWS = 10

Order = Literal["", "day first", "month first"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Writing:
    """How the times of one file are written.

    ``scale``: seconds that a number counts, 0 where its size tells (seconds, or more finely since 1970);
    ``clock_digits``: a number is hours, minutes and seconds in digits. ``order`` of dates such as 3/4/2026.
    ``short``: what 12:30 means where no third number follows.
    """

    scale: float = 0.0
    clock_digits: bool = False
    order: Order = ""
    short: Literal["hours", "minutes"] = "hours"


AS_IT_STANDS = Writing()


def seconds_of(cells: Sequence[str], writing: Writing = AS_IT_STANDS) -> float:
    """Seconds of one moment, from the cell of a time or the cells of date and time; NaN if it is none."""
    text = " ".join(cell.strip() for cell in cells).strip().strip("\"'")
    if not text:
        return np.nan
    compact = COMPACT.fullmatch(text)
    if compact:
        year, month, day, hours, minutes = (int(compact[n]) for n in range(1, 6))
        return (
            _midnight(year, month, day)
            + hours * 3600.0
            + minutes * 60.0
            + float(compact[6].replace(",", "."))
        )
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        pass
    else:
        return _of_number(value, writing)
    start, rest = _day_of(text, writing.order)
    time = OF_DAY.search(rest)
    if time is None:
        return np.nan
    first, second = int(time[1]), int(time[2])
    if time[5] or (time[3] is None and writing.short == "minutes"):
        # minutes and seconds since the start
        return (
            start + first * 60.0 + second + float((time[5] or "0").replace(",", "."))
            if second < 60
            else np.nan
        )
    seconds = float(time[3] or 0) + float((time[4] or "0").replace(",", "."))
    if time[6]:
        first = first % 12 + (12 if time[6].lower() == "pm" else 0)
    if first > 47 or second > 59 or seconds >= 61.0:
        return np.nan
    zone = 0.0
    if time[8]:
        zone = (int(time[8]) * 3600.0 + int(time[9] or 0) * 60.0) * (-1.0 if time[7] == "-" else 1.0)
    return start + first * 3600.0 + second * 60.0 + seconds - zone


def _of_number(value: float, writing: Writing) -> float:
    if not np.isfinite(value):
        return np.nan
    if writing.clock_digits:
        whole = int(value)
        return (whole // 10_000) * 3600.0 + (whole // 100 % 100) * 60.0 + value - (whole // 100) * 100
    if writing.scale:
        return value * writing.scale
    size = abs(value)
    if size > 1e20:
        return np.nan
    return value * next((scale for least, scale in MAGNITUDES if size > least), 1.0)


def _day_of(text: str, order: Order) -> tuple[float, str]:
    """Seconds of the day's start and what is left of the text without its date."""
    named = NAMED_DATE.search(text)
    if named and (named[2] or named[4]).lower() in MONTHS:
        month = MONTHS.index((named[2] or named[4]).lower()) + 1
        start = _midnight(int(named[3] or named[6]), month, int(named[1] or named[5]))
        return start, text[: named.start()] + " " + text[named.end() :]
    day = DATE.search(text)
    if day is None:
        return 0.0, text
    rest = text[: day.start()] + " " + text[day.end() :]
    if day[1]:
        return _midnight(int(day[1]), int(day[2]), int(day[3])), rest
    first, second = int(day[4]), int(day[6])
    year = int(day[7]) + (2000 if len(day[7]) == 2 else 0)
    # dots are written with the day first; of a date that can be read in two ways the month comes first
    if first > 12 or order == "day first" or (day[5] == "." and order != "month first"):
        first, second = second, first
    return _midnight(year, first, second), rest


def _midnight(year: int, month: int, day: int) -> float:
    try:
        return datetime(year, month, day, tzinfo=UTC).timestamp()
    except ValueError:
        return np.nan


# ------------------------------------------------------------------ how a file writes its times


def order_of(cells: Iterable[str]) -> tuple[Order, bool]:
    """The order of day and month as the file tells it, and whether the file leaves it open.

    A number above 12 tells it, and so do two days: they follow each other in one of both readings.
    """
    pairs = list(
        dict.fromkeys(
            (int(day[4]), int(day[6]), int(day[7]), day[5])
            for day in map(DATE.search, cells)
            if day is not None and not day[1]
        )
    )
    if not pairs or all(sign == "." for *_, sign in pairs):
        return "", False
    if any(first > 12 for first, *_ in pairs):
        return "day first", False
    if any(second > 12 for _, second, *_ in pairs):
        return "month first", False
    days = {
        "day first": [_midnight(year, second, first) for first, second, year, _ in pairs],
        "month first": [_midnight(year, first, second) for first, second, year, _ in pairs],
    }
    orders: tuple[Order, ...] = ("day first", "month first")
    follows = [o for o in orders if len(pairs) > 1 and bool((np.diff(days[o]) == S_PER_DAY).all())]
    if len(follows) == 1:
        return follows[0], False
    return "", any(first != second for first, second, *_ in pairs)


def writing_of(cells: Sequence[Sequence[str]], unit: str, units: Mapping[str, float]) -> Writing | None:
    """How the times in these rows are written; None where a number tells nothing that is sure.

    ``unit`` as the file states it, "" if it does not; ``units``: what one of each is in seconds.
    """
    texts = [" ".join(row).strip() for row in cells]
    order, _ = order_of(texts)
    values = np.array([_plain(text) for text in texts])
    there = values[np.isfinite(values)]
    if len(there) * 2 < sum(bool(text) for text in texts):
        return Writing(order=order, short=_short(texts))
    if unit:
        return Writing(scale=units[unit]) if unit in units else None
    return _of_size(there)


def unit_of_scale(writing: Writing, units: Mapping[str, float]) -> str:
    """The unit that a number of this writing counts, "" for seconds or where its size tells."""
    if writing.clock_digits or writing.scale in (0.0, 1.0):
        return ""
    return next(unit for unit, scale in units.items() if scale == writing.scale)


def _plain(text: str) -> float:
    if COMPACT.fullmatch(text):
        return np.nan
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return np.nan


def _of_size(values: Array) -> Writing | None:
    steps = np.diff(values)
    positive = steps[steps > 0.0]
    if len(positive) < FEWEST_ROWS:
        return AS_IT_STANDS
    size, step = float(np.median(np.abs(values))), float(np.median(positive))
    if size > MAGNITUDES[-1][0]:
        return AS_IT_STANDS
    whole = np.floor(values)
    digits = (whole % 100 < 60) & (whole // 100 % 100 < 60) & (whole < 240_000) & (whole >= 0)
    # 14:03:59 is followed by 14:04:00, which is 41 more
    if len(values) >= 60 and digits.all() and ((steps > 40.0) & (steps <= 41.0)).any() and step <= 5.0:
        return Writing(clock_digits=True)
    if SPREADSHEET_DAYS[0] < size < SPREADSHEET_DAYS[1] and step < 1e-3:
        return Writing(scale=S_PER_DAY)
    if step > FARTHEST_S:
        return Writing(scale=0.001) if step <= 1000.0 * FARTHEST_S else None
    return Writing(scale=1.0) if step >= NEAREST_S else None


def _short(texts: Sequence[str]) -> Literal["hours", "minutes"]:
    """Whether 12:30 is minutes and seconds: it is if that goes up with every row."""
    found = [time for time in map(OF_DAY.search, texts) if time is not None]
    if not found or any(time[3] for time in found):
        return "hours"
    counts = np.array([int(time[1]) * 60 + int(time[2]) for time in found])
    return "minutes" if len(counts) > 2 and bool((np.diff(counts) > 0).mean() > 0.5) else "hours"


def spread_evenly(time_s: Array, most_s: float) -> Array:
    """Times written to the minute only, with the rows of each minute spread over it. (row,)

    The first minute is counted from its end and the last from its start, for they are not whole.
    """
    known = np.flatnonzero(np.isfinite(time_s))
    own = time_s[known]
    if len(own) < 3:
        return time_s
    edges = np.flatnonzero(np.diff(own) != 0.0) + 1
    firsts = np.concatenate([[0], edges])
    counts = np.diff(np.concatenate([firsts, [len(own)]]))
    steps = np.diff(own[firsts])
    if len(counts) < 3 or float(np.median(counts)) < 3.0 or float(np.median(steps)) <= most_s:
        return time_s
    length, usual = float(np.median(steps)), float(np.median(counts[1:-1]))
    within = np.arange(len(own)) - np.repeat(firsts, counts)
    period = length / np.maximum(np.repeat(counts, counts), usual)
    late = np.where(np.arange(len(own)) < counts[0], max(usual - counts[0], 0.0) * length / usual, 0.0)
    found = time_s.copy()
    found[known] = own + within * period + late
    return found


# ------------------------------------------------------------------ a clock that went astray


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
    # a step forward that is undone soon after is one of rows out of order, not of the clock
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
