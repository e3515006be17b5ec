"""The mapping file that a user confirms: which column of a recording is which channel, in which unit."""

from __future__ import annotations

import csv
import io
import re
import tomllib
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal, TextIO

import msgspec
import numpy as np

from diagnose.knowledge.load import KnowledgeBase, read_toml, unknown_name
from diagnose.model import Channel, Record
from diagnose.model.errors import CaseError
from diagnose.model.units import Array
from diagnose.review.clock import Order, seconds_of


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


#: separators of columns that are tried, in the order of preference when two part the lines equally well
SEPARATORS = (",", ";", "\t", "|")
#: lines that are looked at to find separator and header, and for decimal commas
LOOKED_AT, LOOKED_AT_FOR_COMMAS = 40, 400
#: how a missing value is written
MISSING = ("", "nan", "na", "n/a", "null", "none", "-", "--", "---", "?", "*")
#: characters of a line; no recorder writes longer ones, and the reader's own limit of a cell is larger
LONGEST_LINE = 100_000
#: rows that are read at a time
BLOCK_ROWS = 20_000
#: how lamps and switches are written
LAMP_WORDS = {"on": 1.0, "off": 0.0, "true": 1.0, "false": 0.0, "yes": 1.0, "no": 0.0}
#: thousands that are parted: 1,234.5 and 1.234,5
GROUPED = re.compile(r"[+-]?\d{1,3}(,\d{3})+\.\d+")
GROUPED_COMMA = re.compile(r"[+-]?\d{1,3}(\.\d{3})+,\d+")
#: byte-order marks and what they say of the encoding
MARKS = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))


Told = Callable[[int, str, bool], None]


def _unheard(row: int, says: str, left_out: bool) -> None:
    """Nobody hears it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How a file is written. ``units`` is "" where the file gives none.

    ``names`` are told apart: a second column "HDG" is "HDG #2".
    """

    path: Path
    encoding: str
    separator: str
    first_row: int
    names: tuple[str, ...]
    units: tuple[str, ...]
    decimal_comma: bool


def layout_of(path: Path, kb: KnowledgeBase) -> Layout:
    """Find out how a file is written. Raises CaseError if it is no table of numbers."""
    encoding = _encoding(path)
    with path.open(encoding=encoding, errors="replace", newline="") as file:
        lines = [
            line
            for _, line in zip(
                range(LOOKED_AT_FOR_COMMAS), iter(partial(file.readline, LONGEST_LINE), ""), strict=False
            )
        ]
    lines, later = lines[:LOOKED_AT], lines[LOOKED_AT:]
    if not any(line.strip() for line in lines):
        raise CaseError("the file is empty", str(path), "give a table with a header and one row per moment")
    if any("\0" in line for line in lines):
        raise CaseError("this is no text", str(path), "export the recording as a CSV file first")
    separator = _separator(lines)

    def parted(some: list[str]) -> list[list[str]]:
        text = io.StringIO("".join(some), newline="")
        return list(csv.reader(_whole_lines(text, separator), delimiter=separator))

    rows = parted(lines)
    known = _known_units(kb)
    header = _header_of(rows, known, kb.recording.units_share)
    if header is None:
        raise CaseError(
            "no row names the columns",
            str(path),
            "give a header row above the numbers: time, airspeed, altitude, …",
        )
    names = _told_apart(name.strip().lstrip("#").strip() for name in rows[header])
    first = header + 1
    units = ("",) * len(names)
    if first < len(rows) and _are_units(rows[first], len(names)):
        units, first = _clean_units(rows[first]), first + 1
    elif (
        header
        and len(rows[header - 1]) == len(names)
        and _units_share(rows[header - 1], known) >= kb.recording.units_share
    ):
        units = _clean_units(rows[header - 1])
    decimal_comma = separator != "," and any(
        _is_comma_number(cell) for row in (*rows[first:], *parted(later)) for cell in row
    )
    return Layout(
        path=path,
        encoding=encoding,
        separator=separator,
        first_row=first + 1,
        names=names,
        units=units,
        decimal_comma=decimal_comma,
    )


def _told_apart(names: Iterable[str]) -> tuple[str, ...]:
    """Names with a number behind those that were there before."""
    counts, found = Counter[str](), list[str]()
    for name in names:
        counts[name] += 1
        found.append(f"{name} #{counts[name]}" if name and counts[name] > 1 else name)
    return tuple(found)


def plain_unit(unit: str) -> str:
    """A unit without case, blanks, brackets and dots; a degree sign is "deg", a square is "2"."""
    text = unit.lower().replace("\N{DEGREE SIGN}", "deg").replace("\N{MASCULINE ORDINAL INDICATOR}", "deg")
    text = text.replace("\N{SUPERSCRIPT TWO}", "2").replace("\N{MICRO SIGN}", "u")
    return re.sub(r"[\s()\[\].]", "", text)


def _known_units(kb: KnowledgeBase) -> frozenset[str]:
    units = {plain_unit(unit) for channel in kb.recorded.values() for unit in channel.units}
    return frozenset(units | set(kb.recording.time_units) | {"hh:mm:ss", "yyyy-mm-dd"})


def _units_share(row: list[str], known: frozenset[str]) -> float:
    """Share of the cells with anything in them that are units; of which the first word is one counts as well."""
    filled = [cell.strip().lstrip("#") for cell in row if cell.strip().lstrip("#")]
    units = [c for c in filled if {plain_unit(c), plain_unit(c.split()[0])} & known]
    return len(units) / len(filled) if len(filled) > 1 else 0.0


def _are_units(row: list[str], wide: int) -> bool:
    """Whether the row below the header gives units: as many cells, words without a number, and not all missing."""
    if len(row) != wide or _numbers(row):
        return False
    return any(cell.strip().strip("()[]").lower() not in MISSING for cell in row)


def _clean_units(row: list[str]) -> tuple[str, ...]:
    units = (cell.strip().lstrip("#").strip().strip("()[]") for cell in row)
    return tuple("" if unit.lower() in MISSING else unit for unit in units)


def blocks(layout: Layout, told: Told = _unheard) -> Iterator[tuple[int, list[list[str]]]]:
    """Give the rows in blocks, each with the number of its first row in the file, counted from 1.

    A line is a row, whatever quotes stand in it. ``told`` hears of lines that cannot be parted as they stand:
    the number of the line, what is wrong with it, and whether it is left out.
    """
    with layout.path.open(encoding=layout.encoding, errors="replace", newline="") as file:
        reader = csv.reader(_whole_lines(file, layout.separator, told), delimiter=layout.separator)
        block: list[list[str]] = []
        start = layout.first_row
        for number, row in enumerate(reader, 1):
            if number < layout.first_row:
                continue
            if not block:
                start = number
            block.append(row)
            if len(block) == BLOCK_ROWS:
                yield start, block
                block = []
        if block:
            yield start, block


def _whole_lines(file: TextIO, separator: str, told: Told = _unheard) -> Iterator[str]:
    """The lines of a file, each of which can be separated by itself: no quote reaches into the next one."""
    number = 0
    while line := file.readline(LONGEST_LINE):
        number += 1
        if len(line) == LONGEST_LINE and not line.endswith(("\n", "\r")):
            told(number, f"a line of {LONGEST_LINE} characters or more; left out", True)
            while line and not line.endswith(("\n", "\r")):
                line = file.readline(LONGEST_LINE)
            line = "\n"
        if "\0" in line:
            line = line.replace("\0", "")
        if '"' in line and _stays_open(line, separator):
            told(number, "a quote that is not closed in its line; read as if no quotes stood there", False)
            line = line.replace('"', "")
        # a row without a sign is a row all the same: rows are counted as an editor counts lines
        yield line


def _stays_open(line: str, separator: str) -> bool:
    try:
        list(csv.reader([line], delimiter=separator, strict=True))
    except csv.Error:
        return True
    return False


def _encoding(path: Path) -> str:
    try:
        with path.open("rb") as file:
            start = file.read(1 << 16)
    except OSError as error:
        raise CaseError(
            f"the file cannot be read: {error.strerror or error}", str(path), "give the path of a file"
        ) from None
    for mark, encoding in MARKS:
        if start.startswith(mark):
            return encoding
    try:
        # a sign may be cut in two at the end of what was read
        io.TextIOWrapper(io.BytesIO(start[:-4] if len(start) > 4 else start), encoding="utf-8").read()
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _separator(lines: list[str]) -> str:
    """The separator that parts most lines into equally many cells, of which most are numbers."""

    text = "".join(lines)

    def quality(separator: str) -> tuple[int, int]:
        widths = [
            len(row)
            for row in csv.reader(_whole_lines(io.StringIO(text, newline=""), separator), delimiter=separator)
            if row
        ]
        usual = max(set(widths), key=widths.count, default=0)
        return (widths.count(usual) if usual > 1 else 0, usual)

    return max(SEPARATORS, key=quality)


def _header_of(rows: list[list[str]], units: frozenset[str], units_share: float) -> int | None:
    """The row of words before the first row of numbers that has most of them and is no row of units."""
    widest = max((len(row) for row in rows), default=0)
    found, best = None, (False, 0)
    for number, row in enumerate(rows):
        filled = [cell for cell in row if cell.strip()]
        if len(filled) * 2 < widest:
            continue
        if _numbers(row) * 2 >= len(filled):
            break
        quality = (_units_share(row, units) < units_share, len(filled))
        if found is None or quality > best:
            found, best = number, quality
    return found


def _numbers(row: list[str]) -> int:
    return sum(_is_number(cell) or not np.isnan(seconds_of([cell])) for cell in row)


def _is_number(cell: str) -> bool:
    try:
        float(cell.strip().replace(",", "."))
    except ValueError:
        return False
    return True


def numbers(cells: list[str], decimal_comma: bool) -> Array:
    """The cells as numbers, NaN where a cell is none or is not finite; (cell,)."""
    try:
        values = np.array([float(cell) for cell in cells], dtype=np.float64)
    except ValueError:
        values = np.array([_number(cell, decimal_comma) for cell in cells], dtype=np.float64)
    values[~np.isfinite(values)] = np.nan
    return values


def _number(cell: str, decimal_comma: bool) -> float:
    text = cell.strip().strip("\"'")
    if not text:
        return np.nan
    if GROUPED.fullmatch(text):
        text = text.replace(",", "")
    elif GROUPED_COMMA.fullmatch(text):
        text = text.replace(".", "").replace(",", ".")
    try:
        return float(text.replace(",", ".") if decimal_comma else text)
    except ValueError:
        return LAMP_WORDS.get(text.lower(), np.nan)


def _is_comma_number(cell: str) -> bool:
    whole, comma, part = cell.strip().partition(",")
    return bool(comma) and part.isdecimal() and whole.lstrip("+-").isdecimal()
