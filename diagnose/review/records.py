"""The mapping file that a user confirms: which column of a recording is which channel, in which unit."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

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


# ------------------------------------------------------------------ what the name of a column says: words, a unit, and the channels that it may mean


#: words that say that a value comes from satellites
BY_GPS = frozenset({"gps", "gnss", "wgs", "wgs84", "satellite"})
#: words behind a unit that tell nothing: an altitude above sea level may be any
ABOVE_SEA = frozenset({"msl", "amsl"})
#: channels that feel the pressure of the air, and those that are instruments whatever else is there
PRESSURE = ("airspeed_kt", "altimeter_ft", "vertical_speed_fpm")
INSTRUMENTS = (*PRESSURE, "pitch_deg", "bank_deg", "turn_dps", "compass_deg", "suction_inhg")
POSITION = ("latitude_deg", "longitude_deg")
GPS = (*POSITION, "gps_height_ft", "gps_speed_kt", "gps_track_deg")


# ------------------------------------------------------------------ names


def plain(name: str) -> tuple[str, str]:
    """A column's name in small plain words, and the unit that stands in it."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name.replace("\N{LATIN SMALL LETTER SHARP S}", "ss"))
    unit = ""
    bracket = re.search(r"[(\[]([^)\]]*)[)\]]", spaced)
    if bracket:
        unit, spaced = bracket[1], spaced[: bracket.start()] + " " + spaced[bracket.end() :]
    spaced = unicodedata.normalize("NFKD", spaced.lower().replace("\N{DEGREE SIGN}", " deg"))
    bare = "".join(sign for sign in spaced if not unicodedata.combining(sign))
    words = re.sub(r"[^a-z0-9/]+", " ", re.sub(r"(?<=[a-z])(?=\d)", " ", bare)).split()
    return " ".join(words), unit.strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What a column's name says: words of it, its unit ("" for none) and the words that stand behind the unit."""

    words: tuple[str, ...]
    unit: str
    beside: frozenset[str]


def parted(name: str, unit_below: str, units: frozenset[str], whole: frozenset[str], qualifies: frozenset[str]) -> Named:  # fmt: skip
    """Part a name, and a row of units, into words and a unit; a last word that is a unit is taken for one.

    ``whole``: names that are not parted ("engine rpm"); ``qualifies``: words that are no unit.
    """
    text, unit = plain(name)
    unit = unit or unit_below
    words = text.split()
    if not unit and len(words) > 1 and text not in whole:
        for count in (2, 1):
            last = " ".join(words[-count:])
            if len(words) > count and plain_unit(last) in units:
                words, unit = words[:-count], last
                break
    beside = frozenset[str]()
    if unit and set(plain(unit)[0].split()) <= qualifies and plain_unit(unit) not in units:
        # no unit but a word that says which: (mag), (baro), (GPS)
        unit, beside = unit_below, frozenset(plain(unit)[0].split()) - ABOVE_SEA
    if unit and plain_unit(unit) not in units:
        first, *others = unit.replace("_", " ").split() or [""]
        if plain_unit(first) in units:
            unit, beside = first, beside | frozenset(word.lower() for word in others) - ABOVE_SEA
    return Named(words=tuple(words), unit=unit, beside=beside)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How well a name fits a channel: ``how`` its words stand there, ``loose`` if another channel has them as well."""

    channel: str
    score: float
    how: Literal["its name", "a part of its name", "unclear"]
    loose: bool


def meanings(named: Named, kb: KnowledgeBase) -> list[Fit]:
    """The channels that a name may mean, best first."""
    tokens = (*named.words, *sorted(named.beside))
    other, neutral = set(kb.recording.other_words), set(kb.recording.plain_words)
    whole = {" ".join(tokens), "".join(tokens)}
    if not named.beside & (other | BY_GPS):
        # what stands behind the unit need not be part of the name
        whole |= {" ".join(named.words), "".join(named.words)}
    found = []
    for channel in kb.recorded.values():
        best: Fit | None = None
        for loose, words in ((False, channel.words), (True, channel.loose)):
            for place, word in enumerate(words):
                wanted = plain(word)[0].split()
                left = set(tokens) - set(wanted)
                if {" ".join(wanted), "".join(wanted)} & whole:
                    how, score = "its name", 1.0
                elif (
                    not set(wanted) <= set(tokens)
                    or left & other
                    or (left & BY_GPS and channel.id not in GPS)
                ):
                    continue
                elif left <= neutral:
                    how, score = "a part of its name", 0.5 + 0.4 * len(wanted) / len(tokens)
                else:
                    how, score = "unclear", 0.4 * len(wanted) / len(tokens)
                if left & BY_GPS and channel.id in GPS:
                    loose = False
                score -= 0.004 * place + 0.05 * loose
                if best is None or score > best.score:
                    best = Fit(channel=channel.id, score=score, how=how, loose=loose)  # type: ignore[arg-type]
        if best is not None:
            found.append(best)
    return sorted(found, key=lambda fit: -fit.score)


def unit_may_be(named: Named, channel: Channel, kb: KnowledgeBase) -> bool:
    """Whether the column's unit is one of the channel's, is unknown, or is not given; not one of other things."""
    unit = named.unit
    if not unit or known_unit(channel, unit):
        return True
    return not any(known_unit(other, unit) for other in kb.recorded.values())
