"""A guess at which column of a recording is which channel, from names, units and values; to be confirmed."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass

import numpy as np

from diagnose.errors import CaseError
from diagnose.knowledge import KnowledgeBase
from diagnose.model import Channel
from diagnose.review.clock import seconds_of
from diagnose.review.records import MappedColumn, MapRecord, known_unit
from diagnose.review.table import Layout, blocks, numbers
from diagnose.units import Array

TIME_WORDS = (
    "time",
    "timestamp",
    "utc",
    "elapsed",
    "seconds",
    "sec",
    "t",
    "lcl time",
    "local time",
    "datetime",
)
DATE_WORDS = ("date", "lcl date", "local date", "utc date", "day")
#: share of the values that must lie in a channel's range, and that must be numbers at all
IN_RANGE, NUMBERS = 0.9, 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess:
    """A mapping that nobody has confirmed; ``notes``: channel -> why; ``unused`` columns."""

    mapping: MapRecord
    notes: dict[str, str]
    unused: tuple[str, ...]


def plain(name: str) -> tuple[str, str]:
    """A column's name in small plain words, and the unit that stands in it."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    unit = ""
    bracket = re.search(r"[(\[]([^)\]]*)[)\]]", spaced)
    if bracket:
        unit, spaced = bracket[1], spaced[: bracket.start()] + " " + spaced[bracket.end() :]
    words = re.sub(r"[^a-z0-9/]+", " ", spaced.lower()).split()
    return " ".join(words), unit


def _fit(name: str, channel: Channel, own_unit: str) -> tuple[float, str]:
    """How well a column's name fits a channel (0 to 1), and the unit that its name gives."""
    text, unit = plain(name)
    unit = unit or own_unit
    best = 0.0
    candidates = [(text, unit)]
    first, _, last = text.rpartition(" ")
    if first and known_unit(channel, last):
        candidates.append((first, last))
    for candidate, stated in candidates:
        tokens = candidate.split()
        joined = candidate.replace(" ", "")
        for place, word in enumerate(channel.words):
            wanted = plain(word)[0]
            score = 0.0
            if candidate == wanted or joined == wanted.replace(" ", ""):
                score = 1.0
            elif set(wanted.split()) <= set(tokens):
                score = 0.5 + 0.4 * len(wanted.split()) / len(tokens)
            score -= 0.004 * place
            if score > best:
                best, unit = score, stated
    return best, unit


def guess(layout: Layout, kb: KnowledgeBase) -> Guess:
    """Guess the mapping. Raises CaseError when nothing tells the time."""
    rows = list(
        itertools.islice(itertools.chain.from_iterable(b for _, b in blocks(layout)), kb.recording.guess_rows)
    )
    time, period, time_note = _time_of(layout, rows)
    found: list[tuple[float, int, str, str]] = []
    for place, name in enumerate(layout.names):
        if name in time or not name:
            continue
        for channel in kb.recorded.values():
            score, unit = _fit(name, channel, layout.units[place])
            if score >= 0.6:
                found.append((score, place, channel.id, unit))
    taken: set[int] = set()
    columns: dict[str, MappedColumn] = {}
    notes: dict[str, str] = {"time": time_note}
    for score, place, channel_id, unit in sorted(found, key=lambda f: (-f[0], f[1])):
        if place in taken or channel_id in columns:
            continue
        channel = kb.recorded[channel_id]
        values = numbers([row[place] if place < len(row) else "" for row in rows], layout.decimal_comma)
        chosen, why = _unit_by_values(channel, unit, values)
        if chosen is None:
            continue
        taken.add(place)
        columns[channel_id] = MappedColumn(column=layout.names[place], unit=chosen)
        notes[channel_id] = ("its name" if score >= 0.95 else "a part of its name") + why
    order = {name: columns[name] for name in kb.recorded if name in columns}
    unused = tuple(
        name for place, name in enumerate(layout.names) if name and place not in taken and name not in time
    )
    return Guess(mapping=MapRecord(time=time, period_s=period, columns=order), notes=notes, unused=unused)


def _unit_by_values(channel: Channel, unit: str, values: Array) -> tuple[str | None, str]:
    """The unit that a column's values can be in; None if none fits or it holds no numbers."""
    there = values[np.isfinite(values)]
    if len(there) < max(1.0, NUMBERS * len(values)):
        return None, ""
    low, high = channel.range

    def fits(name: str) -> bool:
        factor, offset = channel.units[name]
        # the limits are brought to the file's unit: its values may be too large to be multiplied
        inside = (there >= (low - offset) / factor) & (there <= (high - offset) / factor)
        return bool(inside.mean() >= IN_RANGE)

    stated = known_unit(channel, unit) if unit else None
    span = f"; values {there.min():.6g} to {there.max():.6g}"
    if stated is not None and fits(stated):
        return stated, f", unit as given{span}"
    own = next(iter(channel.units))
    if channel.circular and "rad" in channel.units and there.max() <= 6.4 and there.max() - there.min() > 0.5:
        return "rad", f", unit by its values{span}"
    if fits(own):
        doubt = f", the unit {unit!r} is not known" if unit and stated is None else ", unit assumed"
        return own, doubt + span
    other = next((name for name in channel.units if fits(name)), None)
    return other, f", unit by its values{span}"


def _time_of(layout: Layout, rows: list[list[str]]) -> tuple[tuple[str, ...], float, str]:
    """The columns of the time. Raises CaseError when there are none."""

    def cells(place: int) -> list[str]:
        return [row[place] if place < len(row) else "" for row in rows]

    texts = [plain(name)[0] for name in layout.names]
    date = next((layout.names[p] for word in DATE_WORDS for p, t in enumerate(texts) if t == word), None)
    ranked = sorted(
        (
            (TIME_WORDS.index(text) if text in TIME_WORDS else len(TIME_WORDS), place)
            for place, text in enumerate(texts)
            if text in TIME_WORDS or set(text.split()) & {"time", "timestamp", "utc", "seconds"}
        ),
    )
    for _, place in ranked:
        name = layout.names[place]
        shown = cells(place)
        times = np.array([seconds_of([cell]) for cell in shown])
        there = times[np.isfinite(times)]
        if len(there) >= 0.5 * max(len(times), 1) and len(there):
            clock = any(":" in cell for cell in shown[:50])
            with_date = date is not None and clock and date != name
            return (((date, name) if with_date and date else (name,)), 0.0, "its name")
    raise CaseError(
        "no column tells the time",
        str(layout.path),
        'name it in a mapping file (time = ["…"]), or give period_s there, the seconds from row to row',
    )
