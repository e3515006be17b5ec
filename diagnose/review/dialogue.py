"""The columns of a recording as a table, and corrections of it in words.

altimeter is gps altitude          a column, or what it was taken for, is this
speed is groundspeed in km/h       and its unit
VSI is in m/s                      the unit alone
ignore HDG2                        not used
time is t in ms                    the column of the time
day first                          of dates such as 3/4/2026
"""

from __future__ import annotations

import difflib
import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Channel
from diagnose.model.errors import CaseError, UnknownName
from diagnose.review.clock import Order
from diagnose.review.mapping import Guess, Taken, guess
from diagnose.review.table import MappedColumn, known_unit, layout_of, plain, plain_unit

#: heads of the table, and columns of the screen that each takes: most, fewer, least; the first to shrink first
HEADS = ("column", "values", "whole file", "taken for", "unit", "sure?")
ROOM = {"values": (24, 11, 11), "column": (22, 12, 9), "taken for": (24, 18, 10), "whole file": (18, 15, 13), "unit": (6, 4, 4), "sure?": (6, 6, 6)}  # fmt: skip
#: on a narrower screen the range tells more than the first values
WIDE = 70
#: how people say that a column is to be left out
IGNORED = ("nothing", "ignored", "unused", "not used", "none")
HOW = 'say for example "altimeter is gps altitude", "speed is groundspeed in km/h", "ignore HDG2" or "time is t in ms"'


def columns_text(found: Guess, kb: KnowledgeBase, width: int) -> str:
    """The table of columns: what is used, then what is asked, then what is not used."""
    used = [row for row in found.rows if row.channel and not row.asks]
    lines = used_lines(used, kb, width)
    doubts = [row for row in used if row.sure == "likely"]
    if doubts:
        lines += ["", "Likely only:", *(_item(f"{row.column}: {row.why}", width) for row in doubts)]
    if found.questions:
        asked = [row for row in found.rows if row.asks]
        lines += ["", "Not used until you answer:"]
        lines += [_item(f"{row.column} ({_values(row)}): {row.asks}", width) for row in asked]
        lines += [_item(text, width) for text in found.asks]
    rest = [row for row in found.rows if not row.channel]
    if rest:
        lines += ["", "Not used:"]
        shown = [{"column": row.column, "values": _first(row), "whole file": _range(row)} for row in rest]
        lines += _table(shown, HEADS[:3], width)
    return "\n".join(line.rstrip() for line in lines) + "\n"


def used_lines(rows: Iterable[Taken], kb: KnowledgeBase, width: int) -> list[str]:
    """These columns as a table with its head; nothing of none."""
    cells = [dict(zip(HEADS, _cells(row, kb), strict=True)) for row in rows]
    heads = [head for head in HEADS if width >= WIDE or head != "values"]
    return _table([dict(zip(heads, heads, strict=True)), *cells], heads, width) if cells else []


def _cells(row: Taken, kb: KnowledgeBase) -> tuple[str, ...]:
    channel = kb.recorded.get(row.channel)
    taken = channel.name if channel else row.channel
    unit = channel.unit if channel and row.unit.lower() == channel.unit.lower() else row.unit
    # what the clock shows says more than the number it is read as
    span = "" if row.channel == "time" and any(":" in cell for cell in row.first) else _range(row)
    return (
        row.column,
        _first(row),
        span,
        taken,
        unit,
        "by you" if row.sure == "you said so" else row.sure,
    )


def _first(row: Taken) -> str:
    """The first values as they stand, but for zeros at the end that say nothing."""
    return ", ".join(re.sub(r"(\.\d*?)0+$", lambda end: end[1].rstrip("."), cell) for cell in row.first)


def _values(row: Taken) -> str:
    span = _range(row)
    return _first(row) + (f"; {span}" if span else "")


def _range(row: Taken) -> str:
    return "" if np.isnan(row.low) else f"{_number(row.low)} to {_number(row.high)}"


def _number(value: float) -> str:
    return f"{value:.4g}" if abs(value) < 10_000.0 else f"{value:.0f}"


def _item(text: str, width: int) -> str:
    return textwrap.fill(text, width, initial_indent="  ", subsequent_indent="    ", break_on_hyphens=False)


def _table(rows: Sequence[Mapping[str, str]], heads: Sequence[str], width: int) -> list[str]:
    """Rows in columns; what is wider than its column is cut, of the values to as many as fit whole."""
    sizes = {head: min(max(len(row[head]) for row in rows), ROOM[head][0]) for head in heads}
    for head, least in ((head, ROOM[head][step]) for step in (1, 2) for head in ROOM):
        over = sum(sizes.values()) + 2 * len(sizes) - width
        if over > 0 and head in sizes:
            sizes[head] = max(min(least, sizes[head]), sizes[head] - over)

    def cell(row: Mapping[str, str], head: str) -> str:
        return _cut(_whole(row[head], sizes[head]) if head == "values" else row[head], sizes[head])

    return ["  " + "  ".join(cell(row, head) for head in heads).rstrip() for row in rows]


def _whole(values: str, size: int) -> str:
    """As many of the values as fit."""
    parts = values.split(", ")
    while len(parts) > 1 and len(", ".join(parts)) > size:
        parts.pop()
    return ", ".join(parts)


def _cut(text: str, size: int) -> str:
    return f"{text:<{size}}" if len(text) <= size else text[: size - 1] + "…"


# ------------------------------------------------------------------ corrections in words


def corrected(found: Guess, words: str, kb: KnowledgeBase) -> Guess:
    """Give the guess as these words correct it. Raises CaseError or UnknownName where they say nothing that is known."""
    text = " ".join(words.split()).strip(" .")
    if text.lower() in ("day first", "month first"):
        return with_time(found, "", "", "day first" if text.lower() == "day first" else "month first")
    left = re.fullmatch(r"(?:ignore|leave out|do not use|skip) (.+)", text, re.IGNORECASE)
    if left:
        return with_column(found, _column(found, left[1], kb), "", "")
    said = _parted(found, text, kb)
    if said is None:
        raise CaseError(f"{text!r} is no correction that is understood", mend=HOW)
    column, what = said
    if what.lower() in IGNORED:
        return with_column(found, column, "", "")
    unit = ""
    if what.lower().startswith("in "):
        row = next(row for row in found.rows if row.column == column)
        if not row.channel:
            raise CaseError(f"{column!r} is not used yet: say what it is and in which unit", mend=HOW)
        what, unit = ("time" if row.channel == "time" else kb.recorded[row.channel].name), what[3:]
    elif " in " in what:
        what, _, unit = what.rpartition(" in ")
    if what.lower() in {"time", "the time"}:
        return with_time(found, column, _time_unit(unit, kb))
    channel = _channel(what, kb)
    return with_column(found, column, channel.id, _unit(channel, unit, found, column))


def _parted(found: Guess, text: str, kb: KnowledgeBase) -> tuple[str, str] | None:
    """The column and what is said of it; a name may hold "is" itself, so the first that is a column counts."""
    time = re.fullmatch(r"(?:the )?time is (.+)", text, re.IGNORECASE)
    if time and not any(row.column.lower() == "time" and time[1].lower()[:3] == "in " for row in found.rows):
        name, _, unit = time[1].partition(" in ")
        if unit or not name.lower().startswith("in "):
            return _column(found, name, kb), f"time in {unit}" if unit else "time"
    first: UnknownName | None = None
    for place in re.finditer(r" (?:is|are|=) ", text, re.IGNORECASE):
        try:
            return _column(found, text[: place.start()], kb), _article(text[place.end() :])
        except UnknownName as error:
            first = first or error
    if first is not None:
        raise first
    return None


def _article(text: str) -> str:
    return re.sub(r"^(?:the|a|an) ", "", text, flags=re.IGNORECASE)


def _column(found: Guess, said: str, kb: KnowledgeBase) -> str:
    """The column that is meant: by its name, by its plain words, or by what it is taken for."""
    name = _article(said.strip().strip("\"'"))
    columns = [row.column for row in found.rows]
    for alike in (
        lambda own: own == name,
        lambda own: own.lower() == name.lower(),
        lambda own: plain(own)[0] == plain(name)[0] != "",
    ):
        same = [own for own in columns if alike(own)]
        if len(same) == 1 or (same and plain(same[0])[0] != plain(name)[0]):
            return same[0]
        if same:
            raise CaseError(
                f"{name!r} may be any of: {', '.join(same)}", mend="give the whole name of the column"
            )
    taken = [row.column for row in found.rows if row.channel and row.channel == _channel_id(name, kb)]
    if len(taken) == 1:
        return taken[0]
    nearest = difflib.get_close_matches(name.lower(), [own.lower() for own in columns], n=4, cutoff=0.4)
    shown = [own for own in columns if own.lower() in nearest] or columns[:8]
    raise UnknownName(f"there is no column {name!r}", nearest=tuple(shown))


def _channel_id(said: str, kb: KnowledgeBase) -> str:
    """The channel of a name; one that means it alone goes before one that may mean its twin. "" for none."""
    text = plain(said)[0]
    if text == "time":
        return "time"
    for loose in (False, True):
        for channel in kb.recorded.values():
            words = channel.loose if loose else (channel.id, channel.name, *channel.words)
            if text in {plain(word)[0] for word in words}:
                return channel.id
    return ""


def _channel(said: str, kb: KnowledgeBase) -> Channel:
    found = _channel_id(_article(said), kb)
    if not found or found == "time":
        names = [*(c.name for c in kb.recorded.values()), *(w for c in kb.recorded.values() for w in c.words)]
        nearest = difflib.get_close_matches(said.lower(), names, n=4, cutoff=0.5)
        raise UnknownName(
            f"nothing that is recorded is called {said!r}",
            nearest=tuple(nearest) or tuple(c.name for c in kb.recorded.values()),
        )
    return kb.recorded[found]


def _unit(channel: Channel, said: str, found: Guess, column: str) -> str:
    """The unit that was said; without one that of the column, if the channel has it. Raises CaseError for others."""
    row = next(row for row in found.rows if row.column == column)
    named = plain(column)[1]
    if not said:
        known = next((u for u in (known_unit(channel, own) for own in (row.unit, named) if own) if u), "")
        if known:
            return known
        if row.unit or named or (row.asks and len(channel.units) > 1 and row.channel == channel.id):
            raise CaseError(
                f"in what unit is {column!r}?",
                mend=f'say "{column} is {channel.name} in {next(iter(channel.units))}"',
            )
        return next(iter(channel.units))
    unit = known_unit(channel, said)
    if unit is None:
        raise CaseError(
            f"{channel.name} is not given in {said!r}", mend=f"use one of: {', '.join(channel.units)}"
        )
    return unit


def _time_unit(said: str, kb: KnowledgeBase) -> str:
    unit = plain_unit(said)
    if unit and unit not in kb.recording.time_units:
        raise CaseError(
            f"time is not counted in {said!r}", mend=f"use one of: {', '.join(kb.recording.time_units)}"
        )
    return unit


def changed_text(before: Guess, after: Guess, kb: KnowledgeBase, width: int) -> str:
    """What a correction has changed: the columns as they are used now, those no longer used, what is still open."""
    old = {row.column: row for row in before.rows}
    rows = [row for row in after.rows if row != old[row.column]]
    lines = used_lines([row for row in rows if row.channel and not row.asks], kb, width)
    lines += [f"  {row.column}: not used" for row in rows if not row.channel]
    asked = len(after.questions)
    lines.append("Nothing is open." if not asked else f'{asked} still open; "show" shows the whole table.')
    return "\n".join(line.rstrip() for line in lines) + "\n"


# ------------------------------------------------------------------ what the user says


def with_column(found: Guess, column: str, channel: str, unit: str) -> Guess:
    """Give the guess with this column taken for this channel ("" for none), as the user said."""
    columns = {c: m for c, m in found.mapping.columns.items() if m.column != column and c != channel}
    if channel:
        columns[channel] = MappedColumn(column=column, unit=unit)
    rows = []
    for row in found.rows:
        if row.column == column:
            row = replace(row, channel=channel, unit=unit, sure="you said so", why="you said so", asks="")
        elif channel and row.channel == channel:
            row = replace(row, channel="", unit="", sure="", why="", asks="")
        rows.append(row)
    return replace(found, mapping=msgspec.structs.replace(found.mapping, columns=columns), rows=tuple(rows))


def with_time(found: Guess, column: str, unit: str, order: Order = "") -> Guess:
    """Give the guess with the time in this column, counted in this unit ("" as its values say), as the user said."""
    names = (column,) if column else found.mapping.time
    mapping = msgspec.structs.replace(
        found.mapping, time=names, time_unit=unit if column else found.mapping.time_unit,
        date_order=order or found.mapping.date_order,
        columns={c: m for c, m in found.mapping.columns.items() if m.column not in names},
    )  # fmt: skip
    rows = []
    for row in found.rows:
        if row.column == column:
            row = replace(row, channel="time", unit=unit, sure="you said so", why="you said so", asks="")
        elif column and row.channel == "time":
            row = replace(row, channel="", unit="", sure="", why="")
        rows.append(row)
    asks = tuple(ask for ask in found.asks if "day first" in ask and not order)
    return replace(found, mapping=mapping, rows=tuple(rows), asks=asks)


def guess_of(file: Path, says: Sequence[str], kb: KnowledgeBase) -> Guess:
    """Give the guess of a file, as these words correct it. Raises CaseError."""
    found = guess(layout_of(file, kb), kb)
    for words in says:
        found = corrected(found, words, kb)
    return found
