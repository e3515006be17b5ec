"""A recording as channels on one grid of seconds, with everything that is wrong with the file.

Rows are read in blocks and averaged over each second, so that a day at 4 Hz stays small.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from diagnose.knowledge.load import KnowledgeBase, unknown_name
from diagnose.model import Channel, RecordingLimits
from diagnose.model.errors import CaseError
from diagnose.model.units import Array, kt_from_m_s, min_from_s
from diagnose.review.clock import Writing, in_order, seconds_of, spread_evenly, writing_of
from diagnose.review.table import MISSING, Layout, MapRecord, blocks, numbers, unit_of

# ------------------------------------------------------------------ groundspeed and track from positions, where a recorder gives positions alone


EARTH_M = 6_371_008.8
"""Mean radius of the earth (R1 of the WGS 84 ellipsoid). Source: GRS 80, Moritz 2000, J. Geodesy 74, table 1."""
#: over this span; coordinates are often rounded to about 10 m
SPAN_S = 20
#: slower than this a track means nothing
SLOWEST_KT = 5.0


def speed_and_track(latitude_deg: Array, longitude_deg: Array) -> Mapping[str, Array]:
    """``gps_speed_kt`` and ``gps_track_deg`` (true) over a centered span; NaN where not known. (second,) each"""
    half = SPAN_S // 2
    speed, track = np.full(len(latitude_deg), np.nan), np.full(len(latitude_deg), np.nan)
    if len(latitude_deg) <= SPAN_S:
        return {"gps_speed_kt": speed, "gps_track_deg": track}
    north = np.radians(latitude_deg[SPAN_S:] - latitude_deg[:-SPAN_S])
    around = (longitude_deg[SPAN_S:] - longitude_deg[:-SPAN_S] + 180.0) % 360.0 - 180.0
    east = np.radians(around) * np.cos(np.radians(latitude_deg[half:-half]))
    moved = EARTH_M * np.hypot(north, east)
    speed[half:-half] = kt_from_m_s(moved / SPAN_S)
    track[half:-half] = np.where(speed[half:-half] > SLOWEST_KT, np.degrees(np.arctan2(east, north)) % 360.0, np.nan)  # fmt: skip
    return {"gps_speed_kt": speed, "gps_track_deg": track}


STEP_S = 1.0
#: so many seconds since 1970 are a date (1973), and no flight lasts as long
DATED_S = 1e8
#: pairs of channels that tell of one thing, whose ratio shows a wrong unit
SAME_THING = (("altimeter_ft", "gps_height_ft"), ("airspeed_kt", "gps_speed_kt"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """Something wrong with the file. ``row`` counts from 1 as an editor does; 0: the whole file."""

    kind: str
    says: str
    row: int = 0
    column: str = ""

    def __str__(self) -> str:
        where = [f"row {self.row}" if self.row else "", f"column {self.column}" if self.column else ""]
        place = ", ".join(part for part in where if part)
        return f"{place}: {self.says}" if place else self.says


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """Channels on a grid of seconds from the first row on; (second,), NaN where nothing is known.

    ``rows`` with anything in them, of which ``lost`` could not be read; ``period_s`` usual time from row to
    row; ``clock_s`` what a clock showed at the start, seconds since 1970 or, without a date, since midnight, NaN where
    the file counts from its start; ``faults`` as told, the most of each kind bounded.
    """

    name: str
    channels: Mapping[str, Array]
    seconds: int
    rows: int
    period_s: float
    start_text: str
    faults: tuple[Fault, ...]
    lost: int = 0
    clock_s: float = np.nan

    def has(self, *names: str) -> bool:
        """Whether all of these channels are there."""
        return all(name in self.channels for name in names)


class _Faults:
    """Faults by kind; beyond the limit they are only counted."""

    def __init__(self, most: int) -> None:
        self.most, self.kept, self.counts = most, list[Fault](), Counter[str]()

    def add(self, kind: str, says: str, row: int = 0, column: str = "") -> None:
        self.counts[kind] += 1
        if self.counts[kind] <= self.most:
            self.kept.append(Fault(kind=kind, says=says, row=row, column=column))

    def more(self, kind: str, count: int) -> None:
        self.counts[kind] += count

    def done(self) -> tuple[Fault, ...]:
        rest = [
            Fault(kind=kind, says=f"{count - self.most} more of this kind: {kind}")
            for kind, count in self.counts.items()
            if count > self.most
        ]
        return (*self.kept, *rest)


def read(layout: Layout, mapping: MapRecord, kb: KnowledgeBase) -> Recording:
    """Read a recording. Raises CaseError when a mapped column is not there or nothing can be read."""
    where = str(layout.path)
    places = {name: place for place, name in reversed(list(enumerate(layout.names)))}
    wanted = [*mapping.time, *(mapped.column for mapped in mapping.columns.values())]
    for name in wanted:
        if name not in places:
            error = unknown_name("column", name, [n for n in layout.names if n])
            raise CaseError(f"{error.what}, nearest: {', '.join(error.nearest)}", where, "mend the mapping")
    if not mapping.time and mapping.period_s <= 0.0:
        raise CaseError(
            "no column tells the time",
            where,
            'say which one does (--say "time is COLUMN in s"), or give time or period_s in the mapping',
        )
    if not mapping.columns:
        raise CaseError(
            "no column is a channel that is known",
            where,
            'say what they are (--say "COLUMN is airspeed in kt")',
        )
    faults = _Faults(kb.recording.most_listed)
    times: list[Array] = []
    parts: dict[str, list[Array]] = {name: [] for name in mapping.columns}
    row_numbers: list[np.ndarray] = []
    start_text = ""
    odd: list[np.ndarray] = []
    writing: Writing | None = None

    def told(row: int, says: str, left_out: bool) -> None:
        faults.add("line left out" if left_out else "line", says, row)

    for first, block in blocks(layout, told):
        used = [number for number, row in enumerate(block) if any(cell.strip() for cell in row)]
        rows = [block[number] for number in used]
        odd.append(np.array([len(row) != len(layout.names) for row in rows], dtype=bool))
        row_numbers.append(np.array(used, dtype=np.int64) + first)
        for number, row in zip(used, rows, strict=True):
            if len(row) != len(layout.names):
                many = "more" if len(row) > len(layout.names) else "fewer"
                faults.add(
                    "cells", f"{len(row)} cells, {many} than the {len(layout.names)} columns", first + number
                )
        for channel_id, mapped in mapping.columns.items():
            place = places[mapped.column]
            cells = [row[place] if place < len(row) else "" for row in rows]
            values = numbers(cells, layout.decimal_comma)
            _tell_texts(cells, values, first, used, mapped.column, faults)
            parts[channel_id].append(values)
        if mapping.time:
            at = [places[name] for name in mapping.time]
            cell_rows = [[row[place] if place < len(row) else "" for place in at] for row in rows]
            if writing is None:
                writing = _writing(cell_rows, mapping, where, kb.recording)
            moments = np.array([seconds_of(cells, writing) for cells in cell_rows], dtype=np.float64)
            for bad in np.flatnonzero(~np.isfinite(moments)).tolist():
                faults.add(
                    "time",
                    "no time can be read here; the row is left out",
                    first + used[bad],
                    mapping.time[-1],
                )
            if not start_text and len(moments):
                start_text = " ".join(cell_rows[0]).strip()
            times.append(moments)
    numbers_of = np.concatenate(row_numbers) if row_numbers else np.zeros(0, dtype=np.int64)
    count = len(numbers_of)
    raw = np.concatenate(times) if times else np.arange(count, dtype=np.float64) * mapping.period_s
    lost = faults.counts["line left out"] + _lost(raw, odd, parts)
    if writing is not None:
        raw = _whole_minutes(raw, mapping.time[-1], kb.recording, faults)
    if count < 2 or np.isfinite(raw).sum() < 2:
        raise CaseError("there are fewer than two rows with a time", where, "give a longer recording")
    clock = in_order(raw, kb.recording.jump_s)
    column = mapping.time[-1] if mapping.time else ""
    for line, step in clock.order:
        faults.add(
            "order",
            f"out of order: {abs(step):.6g} s {'before' if step < 0 else 'after'} the row above; put in its place",
            int(numbers_of[line]),
            column,
        )
    for line, step in clock.jumps:
        way = "back" if step < 0 else "on"
        faults.add(
            "jump", f"the clock jumps {way} by {abs(step):.6g} s; taken out", int(numbers_of[line]), column
        )
    good = np.isfinite(clock.time_s)
    time_s, numbers_of = clock.time_s[good], numbers_of[good]
    span = float(time_s.max())
    if span > kb.recording.longest_h * 3600.0:
        raise CaseError(
            f"the times span {span / 3600.0:.4g} h, more than {kb.recording.longest_h:g} h",
            where, "check the column of the time, or part the recording into flights",
        )  # fmt: skip
    second = np.floor(time_s / STEP_S + 1e-6).astype(np.intp)
    seconds = int(second.max()) + 1
    channels: dict[str, Array] = {}
    for channel_id, pieces in parts.items():
        channel = kb.recorded[channel_id]
        factor, offset = unit_of(channel, mapping.columns[channel_id].unit, where)
        values = np.concatenate(pieces)[good] * factor + offset
        values = _in_range(values, numbers_of, channel, mapping.columns[channel_id].column, faults)
        grid = _by_second(values, second, seconds, channel)
        filled = _fill(grid, kb.recording.gap_s)
        if not np.isfinite(filled).any():
            faults.add(
                "empty", f"{channel.name}: no value can be used", 0, mapping.columns[channel_id].column
            )
            continue
        channels[channel_id] = filled
    if {"latitude_deg", "longitude_deg"} <= channels.keys() and not {"gps_speed_kt", "gps_track_deg"} & channels.keys():  # fmt: skip
        channels |= speed_and_track(channels["latitude_deg"], channels["longitude_deg"])
    _tell_lost(parts, good, time_s, numbers_of, kb, mapping, faults)
    steps = np.diff(np.sort(time_s))
    positive = steps[steps > 0.0]
    period = float(np.median(positive)) if len(positive) else STEP_S
    _tell_time(time_s, numbers_of, period, kb.recording, column, faults)
    _tell_rates(parts, good, period, mapping, faults)
    _tell_constant(channels, kb, mapping, faults)
    _tell_units(channels, kb, mapping, faults)
    if not channels:
        raise CaseError("no channel holds a value that can be used", where, "check the units in the mapping")
    return Recording(
        name=layout.path.name, channels=channels, seconds=seconds, rows=count, lost=lost, period_s=period,
        start_text=start_text, faults=faults.done(), clock_s=_clock(start_text, raw),
    )  # fmt: skip


def _writing(cells: list[list[str]], mapping: MapRecord, where: str, limits: RecordingLimits) -> Writing:
    """How the times are written, by the mapping and the file. Raises CaseError where nothing tells what is counted."""
    found = writing_of(cells, mapping.time_unit, limits.time_units)
    if found is None:
        raise CaseError(
            f"nothing tells in what {mapping.time[-1]!r} counts",
            where,
            'give time_unit in the mapping: "s" or "ms"',
        )
    return replace(found, order=mapping.date_order) if mapping.date_order else found


def _clock(start_text: str, raw: Array) -> float:
    """What a clock showed at the first row that has a time; NaN where a number counts from the start."""
    first = float(raw[np.isfinite(raw)][0])
    return first if ":" in start_text or first > DATED_S else np.nan


def _whole_minutes(raw: Array, column: str, limits: RecordingLimits, faults: _Faults) -> Array:
    spread = spread_evenly(raw, limits.gap_s)
    if not np.array_equal(spread, raw, equal_nan=True):
        faults.add(
            "minutes", "the time stands to the minute only; the rows are spread evenly over each", 0, column
        )
    return spread


def _lost(raw: Array, odd: list[np.ndarray], parts: Mapping[str, list[Array]]) -> int:
    """How many rows say nothing that can be used: none has a time, or they are cut and hold no value."""
    if not odd:
        return 0
    told = np.any([np.isfinite(np.concatenate(pieces)) for pieces in parts.values()], axis=0)
    return int((~np.isfinite(raw) | (np.concatenate(odd) & ~told)).sum())


# ------------------------------------------------------------------ values


def _tell_texts(
    cells: list[str], values: Array, first: int, used: list[int], column: str, faults: _Faults
) -> None:
    for place in np.flatnonzero(~np.isfinite(values)).tolist():
        text = cells[place].strip()
        if text.lower() not in MISSING:
            faults.add("text", f"{text[:20]!r} is no number; left out", first + used[place], column)


def _in_range(values: Array, rows: Iterable[int], channel: Channel, column: str, faults: _Faults) -> Array:
    low, high = channel.range
    with np.errstate(invalid="ignore"):
        outside = np.flatnonzero((values < low) | (values > high))
    if len(outside):
        numbered = np.asarray(rows)[outside]
        faults.add(
            "range",
            f"{channel.name} {values[outside[0]]:.6g} {channel.unit} lies outside {low:g} to {high:g}; "
            f"{len(outside)} {'value' if len(outside) == 1 else 'values'} left out",
            int(numbered[0]), column,
        )  # fmt: skip
        values = values.copy()
        values[outside] = np.nan
    return values


def _by_second(values: Array, second: np.ndarray, seconds: int, channel: Channel) -> Array:
    """Mean of each second; of a course it is the mean direction. (second,)"""
    there = np.isfinite(values)
    index, kept = second[there], values[there]
    count = np.bincount(index, minlength=seconds)
    with np.errstate(invalid="ignore", divide="ignore"):
        if channel.circular:
            east = np.bincount(index, weights=np.sin(np.radians(kept)), minlength=seconds)
            north = np.bincount(index, weights=np.cos(np.radians(kept)), minlength=seconds)
            mean = np.degrees(np.arctan2(east, north)) % 360.0
        else:
            mean = np.bincount(index, weights=kept, minlength=seconds) / count
    return np.where(count > 0, mean, np.nan)


def _fill(grid: Array, gap_s: float) -> Array:
    """Fill holes up to the limit with the value before: nothing is made up."""
    there = np.flatnonzero(np.isfinite(grid))
    if not len(there):
        return grid
    last = np.maximum.accumulate(np.where(np.isfinite(grid), np.arange(len(grid)), -1))
    known = (last >= 0) & (np.arange(len(grid)) - last <= gap_s)
    return np.where(known, grid[np.maximum(last, 0)], np.nan)


# ------------------------------------------------------------------ what is told


def _tell_time(time_s: Array, rows: Iterable[int], period: float, limits: RecordingLimits, column: str, faults: _Faults) -> None:  # fmt: skip
    order = np.argsort(time_s, kind="stable")
    times, numbered = time_s[order], np.asarray(rows)[order]
    steps = np.diff(times)
    for place in np.flatnonzero(steps > max(limits.gap_s, 3.0 * period)).tolist():
        faults.add("gap", f"nothing for {steps[place]:.6g} s", int(numbered[place + 1]), column)
    twice = int((steps <= 0.0).sum())
    if twice and period >= 1.0:
        faults.add("twice", f"{twice} rows have the time of the row before; averaged", 0, column)
    positive = steps[(steps > 0.0) & (steps <= limits.gap_s)]
    if len(positive) > 20:
        low, high = np.percentile(positive, [5.0, 95.0])
        if high > 3.0 * low:
            faults.add("rate", f"the rows are {low:.3g} to {high:.3g} s apart: mixed rates", 0, column)


def _tell_rates(parts: Mapping[str, list[Array]], good: np.ndarray, period: float, mapping: MapRecord, faults: _Faults) -> None:  # fmt: skip
    for channel_id, pieces in parts.items():
        share = float(np.isfinite(np.concatenate(pieces)[good]).mean())
        if 0.0 < share < 0.6:
            faults.add(
                "rate",
                f"given in {share:.0%} of the rows, about every {period / share:.3g} s",
                0, mapping.columns[channel_id].column,
            )  # fmt: skip


def _tell_lost(parts: Mapping[str, list[Array]], good: np.ndarray, time_s: Array, rows: np.ndarray, kb: KnowledgeBase, mapping: MapRecord, faults: _Faults) -> None:  # fmt: skip
    """Channels that go silent for good while others go on: what is not recorded is no reading."""
    there = {name: np.flatnonzero(np.isfinite(np.concatenate(pieces)[good])) for name, pieces in parts.items()}  # fmt: skip
    last = {name: int(known[time_s[known].argmax()]) for name, known in there.items() if len(known)}
    end = max((float(time_s[place]) for place in last.values()), default=0.0)
    for name, place in last.items():
        minutes = min_from_s(end - float(time_s[place]))
        if minutes > kb.recording.lost_min:
            faults.add(
                "lost",
                f"{kb.recorded[name].name} is not recorded after this row, {minutes:.0f} min before the others end; "
                "if its display went dark as well, say so in the case",
                int(rows[place]), mapping.columns[name].column,
            )  # fmt: skip


def _tell_constant(channels: Mapping[str, Array], kb: KnowledgeBase, mapping: MapRecord, faults: _Faults) -> None:  # fmt: skip
    for name, values in channels.items():
        there = values[np.isfinite(values)]
        minutes = min_from_s(len(there) * STEP_S)
        if minutes >= kb.recording.constant_minutes and np.ptp(there) == 0.0 and not name.endswith("_light"):
            faults.add("constant", f"{kb.recorded[name].name} stays {there[0]:.6g} for all {minutes:.0f} min", 0, mapping.columns[name].column)  # fmt: skip


def _tell_units(channels: Mapping[str, Array], kb: KnowledgeBase, mapping: MapRecord, faults: _Faults) -> None:  # fmt: skip
    """Name a unit that two channels of one thing, or altitude and vertical speed, do not agree on."""
    found: list[tuple[str, str, float]] = []
    for first, second in SAME_THING:
        if first in channels and second in channels:
            ratio: Array = np.abs(channels[first]) / np.maximum(np.abs(channels[second]), 1e-9)
            usable = np.isfinite(ratio) & (np.abs(channels[second]) > 30.0)
            if usable.sum() > 60:
                found.append((first, second, float(np.median(ratio[usable]))))
    if "altimeter_ft" in channels and "vertical_speed_fpm" in channels:
        minute = 60
        moved = channels["altimeter_ft"][minute:] - channels["altimeter_ft"][:-minute]
        sums = np.cumsum(np.nan_to_num(channels["vertical_speed_fpm"])) / 60.0
        said = sums[minute:] - sums[:-minute]
        usable = np.isfinite(moved) & (np.abs(said) > 200.0) & (np.abs(moved) > 20.0)
        if usable.sum() > 60:
            found.append(("altimeter_ft", "vertical_speed_fpm", float(np.median(np.abs(moved / np.where(usable, said, 1.0))[usable]))))  # fmt: skip
    tolerance = kb.recording.unit_ratio_tolerance
    for first, second, apart in found:
        if 0.75 < apart < 1.33:
            continue
        for name, wrong in ((first, 1.0 / apart), (second, apart)):
            channel = kb.recorded[name]
            unit = next(
                (
                    unit
                    for unit, (factor, offset) in channel.units.items()
                    if factor != 1.0 and offset == 0.0 and abs(wrong / factor - 1.0) < tolerance
                ),
                None,
            )
            if unit:
                other = kb.recorded[second if name == first else first].name
                faults.add("unit", f"{channel.name} against {other}: it looks as if it were in {unit}; give unit = \"{unit}\" in the mapping", 0, mapping.columns[name].column)  # fmt: skip
                break
