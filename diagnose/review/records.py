"""The mapping file that a user confirms: which column of a recording is which channel, in which unit."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

import msgspec

from diagnose.knowledge.load import KnowledgeBase, read_toml, unknown_name
from diagnose.model import Channel, Record
from diagnose.model.errors import CaseError
from diagnose.review.clock import Order
from diagnose.review.table import plain_unit


class MappedColumn(Record, frozen=True, kw_only=True):
    """Which column holds a channel, and in which unit (empty: the channel's own)."""

    column: str
    unit: str = ""


class MapRecord(Record, frozen=True, kw_only=True):
    """A mapping file: which column is which channel.

    ``time``: column of the time, or of date and time; with ``period_s`` above 0 a row is that long
    after the last and no time is needed. ``time_unit``: what a number of time counts, ``date_order`` of dates
    such as 3/4/2026; "": judged by the file. ``variation_deg``: east positive, for heading against track.
    """

    time: tuple[str, ...] = ()
    time_unit: str = ""
    date_order: Order = ""
    period_s: float = 0.0
    variation_deg: float = 0.0
    panel: str = ""
    setting: str = ""
    context: tuple[str, ...] = ()
    switches: dict[str, str] = msgspec.field(default_factory=dict)
    columns: dict[str, MappedColumn] = msgspec.field(default_factory=dict)


def load_map(path: Path, kb: KnowledgeBase) -> MapRecord:
    """Read a mapping file. Raises CaseError with everything that is wrong with it."""
    problems: list[str] = []
    content = read_toml(path, path.name, problems)
    if problems:
        raise CaseError(problems[0], str(path), "mend the file, or start from one of --guess")
    try:
        record = msgspec.convert(content, MapRecord)
    except msgspec.ValidationError as error:
        raise CaseError(f"the mapping does not fit: {error}", str(path), "see what --guess writes") from None
    if record.time_unit and record.time_unit not in kb.recording.time_units:
        raise CaseError(
            f"time is not counted in {record.time_unit!r}",
            str(path),
            f"use one of: {', '.join(kb.recording.time_units)}",
        )
    for channel, mapped in record.columns.items():
        if channel not in kb.recorded:
            unknown = unknown_name("channel", channel, kb.recorded)
            raise CaseError(f"{unknown.what}, nearest: {', '.join(unknown.nearest)}", str(path))
        unit_of(kb.recorded[channel], mapped.unit, str(path))
    return record


def unit_of(channel: Channel, unit: str, where: str = "") -> tuple[float, float]:
    """Factor and offset of a unit. Raises CaseError for one that the channel cannot have."""
    if not unit:
        return 1.0, 0.0
    found = known_unit(channel, unit)
    if found is None:
        raise CaseError(
            f"{channel.name} is not given in {unit!r}", where, f"use one of: {', '.join(channel.units)}"
        )
    return channel.units[found]


def known_unit(channel: Channel, unit: str) -> str | None:
    """The channel's own writing of a unit, whatever case and signs it comes in; None for one it cannot have."""
    bare = plain_unit(unit)
    return next((name for name in channel.units if plain_unit(name) == bare), None)


def dump_map(record: MapRecord, notes: Mapping[str, str]) -> str:
    """A mapping file as text, with a remark on each line about how the column was found."""
    lines = [
        "# Which column of the recording is which channel. Check it, mend it, and give it with --map.",
        f"time = {_listed(record.time)}",
    ]
    if record.time_unit:
        lines.append(f"time_unit = {_quoted(record.time_unit)}")
    if record.date_order:
        lines.append(f"date_order = {_quoted(record.date_order)}")
    if record.period_s:
        lines.append(f"period_s = {record.period_s:g}")
    if record.panel:
        lines.append(f"panel = {_quoted(record.panel)}")
    lines += ["variation_deg = 0.0  # magnetic variation, east positive", "", "[columns]"]
    for channel, mapped in record.columns.items():
        unit = f", unit = {_quoted(mapped.unit)}" if mapped.unit else ""
        lines.append(f"{channel} = {{ column = {_quoted(mapped.column)}{unit} }}  # {notes.get(channel, '')}")
    text = "\n".join(lines) + "\n"
    tomllib.loads(text)
    return text


def _quoted(text: str) -> str:
    clean = "".join(sign if sign >= " " and sign != "\x7f" else " " for sign in text)
    return '"' + clean.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _listed(texts: tuple[str, ...]) -> str:
    return "[" + ", ".join(_quoted(text) for text in texts) + "]"
