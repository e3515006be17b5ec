"""Which column of a recording is which channel and in which unit: a guess from names, units, values and relations.

What a name leaves open is settled by the other columns or asked; a column that is asked about is not used until
somebody answers. Without an instrument that feels the air's pressure nothing is taken for one: altitude, speed and
climb are then those of a GPS.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Channel
from diagnose.model.units import Array
from diagnose.review.clock import Order, Writing, in_order, order_of, seconds_of, unit_of_scale, writing_of
from diagnose.review.judging import (
    POSITIONS,
    Candidate,
    in_range,
    judge,
    same_values,
    unit_words,
    units_that_fit,
)
from diagnose.review.table import (
    ABOVE_SEA,
    BY_GPS,
    GPS,
    INSTRUMENTS,
    MISSING,
    POSITION,
    PRESSURE,
    Fit,
    Layout,
    MappedColumn,
    MapRecord,
    Named,
    blocks,
    known_unit,
    meanings,
    numbers,
    parted,
    plain,
    plain_unit,
    unit_may_be,
)

#: share of the cells that must be numbers, or times
NUMBERS, TIMES = 0.05, 0.5
SHOWN = 3  # values of a column
Sure = Literal["", "sure", "likely", "you said so", "ask"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """A column as the table of columns shows it.

    ``first`` values as they stand, ``low`` and ``high`` of the whole file (NaN without numbers); ``channel`` it is
    taken for ("time", "" for none); ``unit`` of its values; ``sure`` how sure and ``why``; ``asks``: what somebody
    has to answer before the column is used.
    """

    column: str
    first: tuple[str, ...]
    low: float
    high: float
    channel: str = ""
    unit: str = ""
    sure: Sure = ""
    why: str = ""
    asks: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """A mapping that nobody has confirmed, and how each column was found; ``asks`` beside those of the columns."""

    mapping: MapRecord
    rows: tuple[Taken, ...]
    asks: tuple[str, ...] = ()

    @property
    def notes(self) -> dict[str, str]:
        """Channel -> why."""
        return {row.channel: f"{row.sure}: {row.why}" for row in self.rows if row.channel and not row.asks}

    @property
    def unused(self) -> tuple[str, ...]:
        """Columns that are not used."""
        return tuple(row.column for row in self.rows if not row.channel or row.asks)

    @property
    def questions(self) -> tuple[tuple[str, str], ...]:
        """(column, "" for the whole file; question) of all that is open."""
        return (
            *((row.column, row.asks) for row in self.rows if row.asks),
            *(("", text) for text in self.asks),
        )


# ------------------------------------------------------------------ the file as it is scanned


@dataclass(slots=True, kw_only=True)
class _Column:
    """One column: its place, its name parted, its first values, its numbers by row and then by second."""

    place: int
    name: str
    named: Named
    first: list[str] = field(default_factory=list)
    values: Array = field(default_factory=lambda: np.zeros(0))
    grid: Array = field(default_factory=lambda: np.zeros(0))

    def taken(self, **what: object) -> Taken:
        """The column's row of the table."""
        there = self.values[np.isfinite(self.values)]
        low, high = (float(there.min()), float(there.max())) if len(there) else (np.nan, np.nan)
        return Taken(column=self.name, first=tuple(self.first), low=low, high=high, **what)  # type: ignore[arg-type]

    @property
    def numeric(self) -> bool:
        """Whether there are numbers enough to be read."""
        count = int(np.isfinite(self.values).sum())
        return count >= max(1.0, NUMBERS * len(self.values))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Times:
    """The columns of the time, how they are written, and what is to be asked; ``open_order``: of day and month."""

    columns: tuple[str, ...] = ()
    writing: Writing | None = None
    unit: str = ""
    order: Order = ""
    why: str = ""
    sure: Sure = ""
    asks: str = ""
    open_order: str = ""


def guess(layout: Layout, kb: KnowledgeBase) -> Guess:
    """Guess the mapping. Nothing is refused: what cannot be known is asked (``Guess.questions``)."""
    units = frozenset(plain_unit(unit) for channel in kb.recorded.values() for unit in channel.units)
    units |= {plain_unit(unit) for unit in kb.recording.time_units if len(unit) > 1}
    qualifies = frozenset({*kb.recording.plain_words, *kb.recording.other_words, *BY_GPS, *ABOVE_SEA})
    whole = frozenset(plain(word)[0] for channel in kb.recorded.values() for word in channel.words)
    columns = [
        _Column(place=place, name=name, named=parted(name, layout.units[place], units, whole, qualifies))
        for place, name in enumerate(layout.names)
        if name
    ]
    times, moments = _scan(layout, columns, kb)
    _by_second(columns, moments, kb)
    found = _channels([c for c in columns if c.name not in times.columns], kb)
    return _guessed(columns, times, found, kb)


def _scan(layout: Layout, columns: Sequence[_Column], kb: KnowledgeBase) -> tuple[_Times, Array]:
    """Read the whole file once: first values and numbers of all columns, and seconds of all rows."""
    times, moments = _Times(), list[Array]()
    parts: list[list[Array]] = [[] for _ in columns]
    dates = dict[str, None]()
    for number, (_, block) in enumerate(blocks(layout)):
        rows = [row for row in block if any(cell.strip() for cell in row)]
        for column, part in zip(columns, parts, strict=True):
            cells = _cells(rows, column.place)
            part.append(numbers(cells, layout.decimal_comma))
            if len(column.first) < SHOWN:
                there = (cell.strip() for cell in cells if cell.strip().lower() not in MISSING)
                column.first += [
                    cell for cell, _ in zip(there, range(SHOWN - len(column.first)), strict=False)
                ]
        if number == 0:
            times = _time_of(columns, rows, kb)
        if times.columns:
            places = [c.place for name in times.columns for c in columns if c.name == name]
            cells_of = [[row[p] if p < len(row) else "" for p in places] for row in rows]
            writing = times.writing or Writing()
            moments.append(np.array([seconds_of(cells, writing) for cells in cells_of], dtype=np.float64))
            if times.open_order:
                dates |= dict.fromkeys(cells[0].split("T")[0].split(" ")[0] for cells in cells_of)
    for column, part in zip(columns, parts, strict=True):
        column.values = np.concatenate(part) if part else np.zeros(0)
    if times.open_order:
        order, still = order_of(dates)
        times = replace(times, order=order, open_order=times.open_order if still else "")
    return times, np.concatenate(moments) if moments else np.zeros(0)


def _cells(rows: Sequence[Sequence[str]], place: int) -> list[str]:
    return [row[place] if place < len(row) else "" for row in rows]


def _by_second(columns: Sequence[_Column], moments: Array, kb: KnowledgeBase) -> None:
    """Lay the numbers of each column out by second; without times, by row."""
    if np.isfinite(moments).sum() < 2:
        for column in columns:
            column.grid = column.values
        return
    time_s = in_order(moments, kb.recording.jump_s).time_s
    good = np.isfinite(time_s) & (time_s < kb.recording.longest_h * 3600.0)
    second = time_s[good].astype(np.intp)
    for column in columns:
        values = column.values[good]
        there = np.isfinite(values)
        column.grid = np.full(int(second.max()) + 1, np.nan)
        column.grid[second[there]] = values[there]


# ------------------------------------------------------------------ the time


def _time_of(columns: Sequence[_Column], rows: Sequence[Sequence[str]], kb: KnowledgeBase) -> _Times:
    """The columns of the time: by their names, else by times of day in them."""
    limits = kb.recording
    words = [plain(word)[0] for word in limits.time_words]
    date_words = {plain(word)[0] for word in limits.date_words}
    ranked, dates = list[tuple[int, _Column]](), list[_Column]()
    for column in columns:
        text = plain(column.name)[0]
        short = " ".join(column.named.words)
        if text in date_words or short in date_words:
            dates.append(column)
        rank = min((words.index(t) for t in (text, short) if t in words), default=-1)
        if rank < 0 and set(column.named.words) & {"time", "timestamp", "utc", "seconds", "zeit", "uhrzeit"}:
            rank = len(words)
        if rank >= 0:
            ranked.append((rank, column))
    ranked.sort(key=lambda pair: pair[0])
    clocks = [(len(words) + 1, c) for c in columns if any(":" in cell for cell in c.first) and c not in dates]
    best: tuple[float, _Times] | None = None
    for place, (rank, column) in enumerate(
        [*ranked, *(c for c in clocks if c[1] not in [r[1] for r in ranked])]
    ):
        found = _time_in(column, dates, rows, rank <= len(words), kb)
        if found is None:
            continue
        # a time to the minute is of less use than one to the second
        coarse = 100.0 if found.writing is not None and _to_the_minute(column, rows) else 0.0
        if best is None or coarse + place < best[0]:
            best = (coarse + place, found)
    return best[1] if best else _Times()


def _time_in(column: _Column, dates: Sequence[_Column], rows: Sequence[Sequence[str]], named: bool, kb: KnowledgeBase) -> _Times | None:  # fmt: skip
    own = _cells(rows, column.place)
    text = [cell.strip() for cell in own]
    filled = [cell for cell in text if cell]
    date = next((d for d in dates if d is not column), None)
    joined = [[cell] for cell in own]
    names: tuple[str, ...] = (column.name,)
    digits = all(len(cell) >= 6 and cell[:6].isdigit() for cell in filled[:50])
    if date is not None and filled and not any(re.search(r"\d[-/.]\d+[-/.]\d", cell) for cell in filled[:50]):
        days = _cells(rows, date.place)
        compact = digits and all(len(day.strip()) == 8 and day.strip().isdigit() for day in days[:50] if day.strip())  # fmt: skip
        if any(":" in cell for cell in filled[:50]) or compact:
            joined, names = (
                [[day, cell] for day, cell in zip(days, own, strict=True)],
                (date.name, column.name),
            )
    unit = plain_unit(column.named.unit)
    if plain_unit(" ".join(column.named.words[-1:])) in kb.recording.time_units and not unit:
        unit = plain_unit(column.named.words[-1]) if len(column.named.words[-1]) > 1 or column.named.words[-1] == "s" else ""  # fmt: skip
    if "ms" in column.named.words or "millis" in column.named.words:
        unit = "ms"
    clock = sum(":" in cell for cell in filled) * 2 > len(filled)
    unit = "" if clock or (unit not in kb.recording.time_units and not column.named.unit) else unit
    if ":" in unit or unit in {"utc", "local", "lcl", "z", "gmt"}:
        unit = ""
    writing = writing_of(joined, unit, kb.recording.time_units)
    if writing is None:
        return _Times(
            columns=(), asks=f"in what does {column.name!r} count: say \"time is {column.name} in ms\" (or s, min, h)"
        ) if named else None  # fmt: skip
    sure = np.isfinite([seconds_of(cells, writing) for cells in joined[:2000]])
    if not len(sure) or sure.mean() < TIMES:
        return None
    order, open_order = order_of(cells[0] for cells in joined)
    stated = f", counts {unit}" if unit and not clock else ""
    judged = "" if unit or clock or writing.scale in (0.0, 1.0) else ", its unit by its steps"
    if writing.clock_digits:
        judged = ", hours, minutes and seconds in digits"
    return _Times(
        columns=names, writing=writing, unit=unit or unit_of_scale(writing, kb.recording.time_units), order=order,
        why=("its name" if named else "times of day stand in it") + stated + judged,
        sure="sure" if named and not judged else "likely", open_order=joined[0][0].strip() if open_order else "",
    )  # fmt: skip


def _to_the_minute(column: _Column, rows: Sequence[Sequence[str]]) -> bool:
    """Whether several rows in a row have one time of day without seconds."""
    cells = [c.strip() for c in _cells(rows, column.place) if c.strip()]
    return bool(cells) and all(re.fullmatch(r".*?\d{1,2}:\d{2}", c) for c in cells[:50]) and len(set(cells)) * 3 < len(cells)  # fmt: skip


# ------------------------------------------------------------------ the channels


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """What one column is taken for: the channel, how that is known, and what must be asked first."""

    column: _Column
    channel: str
    why: str
    sure: Sure
    asks: str = ""


def _channels(columns: Sequence[_Column], kb: KnowledgeBase) -> list[_Found]:
    """Which column is which channel: names that mean one thing first, then those that the others decide."""
    found: dict[str, _Found] = {}
    left = dict[str, _Found]()
    fits = {column.name: meanings(column.named, kb) for column in columns}
    # a name that says one thing counts even where the column is empty: such an instrument is aboard
    firm = {fit.channel for own in fits.values() for fit in own if not fit.loose and fit.how != "unclear"}
    twice = _twice(columns, left, fits, kb)
    usable = [column for column in columns if column.numeric and column.name not in twice]
    ranked = [
        (fit, column)
        for column in usable
        for fit in fits[column.name]
        if not fit.loose and fit.how != "unclear" and unit_may_be(column.named, kb.recorded[fit.channel], kb)
    ]
    for fit, column in sorted(ranked, key=lambda pair: (-pair[0].score, pair[1].place)):
        if fit.channel not in found and column.name not in {f.column.name for f in found.values()}:
            sure: Sure = "sure" if fit.how == "its name" else "likely"
            found[fit.channel] = _Found(column=column, channel=fit.channel, why=fit.how, sure=sure)
    for column in usable:
        if column.name not in {f.column.name for f in found.values()}:
            settled = _settled(column, [fit for fit in fits[column.name] if fit.loose and fit.how != "unclear"], found, firm, kb)  # fmt: skip
            if settled is not None:
                (left if settled.asks or not settled.channel else found)[settled.channel if settled.channel and not settled.asks else column.name] = settled  # fmt: skip
    for column in usable:
        known = {f.column.name for f in (*found.values(), *left.values())}
        unclear = next((f for f in fits[column.name] if f.how == "unclear" and f.channel not in found), None)
        if column.name not in known and unclear is not None and unit_may_be(column.named, kb.recorded[unclear.channel], kb):  # fmt: skip
            name = kb.recorded[unclear.channel].name
            left[column.name] = _Found(column=column, channel=unclear.channel, why="a part of its name", sure="ask", asks=f"is {column.name!r} the {name}?")  # fmt: skip
    return [*found.values(), *left.values()]


def _twice(columns: Sequence[_Column], left: dict[str, _Found], fits: Mapping[str, list[Fit]], kb: KnowledgeBase) -> set[str]:  # fmt: skip
    """Columns of one name: the one with values is taken; two that differ are asked about."""
    out = set[str]()
    for column in columns:
        same = [c for c in columns if re.fullmatch(re.escape(column.name) + r" #\d+", c.name)]
        if not same:
            continue
        full = [c for c in (column, *same) if c.numeric]
        first = full[0] if full else column
        out |= {c.name for c in (column, *same) if c is not first}
        # the later ones bear the first one's name
        first.named = column.named
        fits_of = fits[column.name]
        fits[first.name][:] = fits_of
        if any(not same_values(first.grid, c.grid) for c in full if c is not first) and fits_of:
            channel = kb.recorded[fits_of[0].channel]
            says = " or ".join(repr(c.name) for c in full)
            left[first.name] = _Found(
                column=first, channel=channel.id, why="its name", sure="ask",
                asks=f"columns of one name differ; which is the {channel.name}: {says}?",
            )  # fmt: skip
            out.add(first.name)
    return out


def _settled(column: _Column, fits: Sequence[Fit], found: Mapping[str, _Found], firm: set[str], kb: KnowledgeBase) -> _Found | None:  # fmt: skip
    """What a name means that may mean an instrument or a GPS, by what else is recorded."""
    fits = [fit for fit in fits if unit_may_be(column.named, kb.recorded[fit.channel], kb)]
    if not fits:
        return None
    own = next((kb.recorded[f.channel] for f in fits if f.channel not in GPS), None)
    gps = next((kb.recorded[f.channel] for f in fits if f.channel in GPS), None)
    if own is None:
        return None
    evidence = INSTRUMENTS if own.id == "heading_deg" else PRESSURE
    aboard = firm & set(evidence)
    satellites = firm & set(GPS)

    def as_(channel: Channel, why: str, sure: Sure = "likely") -> _Found:
        return _Found(column=column, channel=channel.id, why=why, sure=sure)

    def asked(says: str) -> _Found:
        return _Found(column=column, channel=own.id, why="its name", sure="ask", asks=says)

    moves = _moves_as_positions(column, found, gps, kb)
    either = f"is {column.name!r} the {own.name}" + (f" or the {gps.name}?" if gps else "?")
    if gps is not None and gps.id == "gps_speed_kt" and gps.id not in found and moves:
        return as_(gps, "it is what the positions say")
    if own.id in found or own.id in firm:
        if gps is None:
            return None
        if gps.id in found or same_values(column.grid, found[own.id].column.grid if own.id in found else column.grid[:0]):  # fmt: skip
            return None
        if own.id == "heading_deg" or not satellites:
            return None
        return as_(gps, f"the {own.name} is there already") if own.id == "airspeed_kt" else asked(either)
    if gps is not None and gps.id in found and same_values(column.grid, found[gps.id].column.grid):
        return None
    if own.id == "airspeed_kt":
        return as_(own, "an altimeter stands beside it") if aboard and gps is not None and gps.id in found else (
            asked(either) if aboard or not satellites else as_(gps, "nothing else feels the air") if gps is not None and gps.id not in found else None
        )  # fmt: skip
    if aboard:
        names = kb.recorded[min(aboard)].name
        return as_(own, f"its name, and the {names} is aboard", "sure" if own.id != "altimeter_ft" or (gps and gps.id in found) else "likely")  # fmt: skip
    if satellites:
        if gps is not None and gps.id not in found:
            return as_(
                gps, "nothing else feels the air" if own.id in PRESSURE else "no instrument is recorded"
            )
        return None
    return asked(either)


def _moves_as_positions(column: _Column, found: Mapping[str, _Found], gps: Channel | None, kb: KnowledgeBase) -> bool:  # fmt: skip
    """Whether a speed is, in some unit, what the positions say."""
    if gps is None or gps.id != "gps_speed_kt" or not set(POSITION) <= found.keys():
        return False
    tried = {name: Candidate(channel=kb.recorded[name], values=found[name].column.grid, units=("deg",), stated=True) for name in POSITION}  # fmt: skip
    units = units_that_fit(gps, column.grid, kb.recording)
    if not units:
        return False
    tried[gps.id] = Candidate(channel=gps, values=column.grid, units=units)
    return judge(tried, kb)[gps.id].by == POSITIONS


# ------------------------------------------------------------------ units, and all of it together


def _guessed(columns: Sequence[_Column], times: _Times, found: Sequence[_Found], kb: KnowledgeBase) -> Guess:
    """Judge the units, and put the table and the mapping together."""
    rows: dict[str, Taken] = {}
    candidates: dict[str, Candidate] = {}
    for one in found:
        channel, stated = kb.recorded[one.channel] if one.channel else None, one.column.named.unit
        if channel is None or one.asks:
            rows[one.column.name] = one.column.taken(channel=one.channel, unit=stated, sure="ask", why=one.why, asks=one.asks)  # fmt: skip
            continue
        known = known_unit(channel, stated) if stated else None
        if stated and known is None:
            asks = f'the unit {stated!r} is not known: say "{one.column.name} is in …" ({", ".join(channel.units)})'
            rows[one.column.name] = one.column.taken(channel=channel.id, unit=stated, sure="ask", why=one.why, asks=asks)  # fmt: skip
            continue
        units = (known,) if known else units_that_fit(channel, one.column.grid, kb.recording)
        if known and not in_range(channel, known, one.column.values, kb.recording):
            asks = f"as {known} its values are none of the {channel.name} ({channel.range[0]:g} to {channel.range[1]:g} {channel.unit}): in what unit are they?"
            rows[one.column.name] = one.column.taken(channel=channel.id, unit=known, sure="ask", why=one.why, asks=asks)  # fmt: skip
            continue
        candidates[channel.id] = Candidate(channel=channel, values=one.column.grid, units=units, stated=bool(known))  # fmt: skip
    judged = judge(candidates, kb) if candidates else {}
    mapped: dict[str, MappedColumn] = {}
    for one in found:
        if one.column.name in rows:
            continue
        channel, unit = kb.recorded[one.channel], judged[one.channel].unit
        if not unit:
            fit = candidates[channel.id].units or tuple(channel.units)
            asks = f"it gives no unit, and its values are not in {next(iter(channel.units))}: say \"{one.column.name} is in {fit[0]}\" (or {', '.join(fit[1:]) or 'another'})"  # fmt: skip
            rows[one.column.name] = one.column.taken(channel=channel.id, sure="ask", why=one.why, asks=asks)
            continue
        given, by = candidates[channel.id].stated, judged[channel.id].by
        why = f"{one.why}, {unit_words(given, by, kb)}"
        certain = given or by or len(candidates[channel.id].units) == 1
        sure = one.sure if certain else "likely"
        rows[one.column.name] = one.column.taken(channel=channel.id, unit=unit, sure=sure, why=why)
        mapped[channel.id] = MappedColumn(column=one.column.name, unit=unit)
    for column in columns:
        if column.name in times.columns:
            rows[column.name] = column.taken(channel="time", unit=times.unit, sure=times.sure, why=times.why)
    mapping = MapRecord(
        time=times.columns, time_unit=times.unit, date_order=times.order,
        columns={name: mapped[name] for name in kb.recorded if name in mapped},
    )  # fmt: skip
    return Guess(
        mapping=mapping,
        rows=tuple(rows.get(column.name) or column.taken() for column in columns),
        asks=tuple(_open(times)),
    )


def _open(times: _Times) -> Iterable[str]:
    if times.asks:
        yield times.asks
    elif not times.columns:
        yield 'no column tells the time: say "time is …"'
    if times.open_order:
        yield (
            f'{times.open_order!r} can be read in two ways: say "day first" or "month first" '
            "(the times of day are right either way)"
        )


def _span(channel: Channel) -> str:
    return f"{channel.range[0]:g} to {channel.range[1]:g} {channel.unit}"
