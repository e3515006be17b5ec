"""The state of a session: a case under construction with its past, and its files.

Immutable: every transition gives a new session, so that undo and redo are never lost.
"""

from __future__ import annotations

import contextlib
import math
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from diagnose.errors import CaseError
from diagnose.evidence import agreement
from diagnose.knowledge import KnowledgeBase, cases_root, unknown_name
from diagnose.model import CaseRecord, Panel, SnapshotRecord, TruthRecord
from diagnose.network import Network
from diagnose.words import AsExpected, Disagreement, RestAsExpected, Said, Statement, Switched, readable

START = CaseRecord(title="untitled", panel="single_pump")

#: nobody flies for longer than a day, and rates times endless hours would make every failure certain
LONGEST_MINUTES = 1440.0

#: "the rest" means the dials in front of the pilot, not what must be asked for or needs sight outside
NOT_LOOKED_AT = frozenset({"outside", "atc_height", "gps_height", "gps_speed", "gps_track"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A case with what it was before (``past``) and what undo took back (``future``).

    ``path`` is the file that the case came from or went to, None if there is none; it belongs to each
    state of the past, so that undoing a load cannot write one case over another's file. ``saved`` is
    the case that stands in a file.
    """

    case: CaseRecord = START
    path: Path | None = None
    past: tuple[tuple[CaseRecord, Path | None], ...] = ()
    future: tuple[tuple[CaseRecord, Path | None], ...] = ()
    saved: CaseRecord | None = None

    def to(self, case: CaseRecord, path: Path | None) -> Session:
        """Go on to a changed case, of this file."""
        if case == self.case:
            return replace(self, path=path)
        return replace(self, case=case, path=path, past=(*self.past, (self.case, self.path)), future=())

    def change(self, **fields: Any) -> Session:
        """Change fields of the case."""
        return self.to(msgspec.structs.replace(self.case, **fields), self.path)

    def filed(self, case: CaseRecord, path: Path | None) -> Session:
        """Go on to a case that stands in this file (None: a shipped case, not to be written over)."""
        return replace(self.to(case, path), saved=case)

    def undo(self) -> Session:
        """Take the last change back. Raises CaseError if there is none."""
        if not self.past:
            raise CaseError("there is nothing to take back")
        case, path = self.past[-1]
        future = ((self.case, self.path), *self.future)
        return replace(self, case=case, path=path, past=self.past[:-1], future=future)

    def redo(self) -> Session:
        """Do again what was taken back. Raises CaseError if there is nothing."""
        if not self.future:
            raise CaseError("there is nothing to do again")
        case, path = self.future[0]
        past = (*self.past, (self.case, self.path))
        return replace(self, case=case, path=path, past=past, future=self.future[1:])

    @property
    def snapshot(self) -> SnapshotRecord:
        """The snapshot under construction. Raises CaseError before the first."""
        if not self.case.snapshot:
            raise CaseError("no snapshot has been started", mend="say what you were flying: snapshot climb")
        return self.case.snapshot[-1]

    def with_snapshot(self, snapshot: SnapshotRecord) -> Session:
        """Exchange the snapshot under construction."""
        return self.change(snapshot=(*self.case.snapshot[:-1], snapshot))

    def say(self, statements: Sequence[Statement], network: Network) -> Session:
        """Add statements to the snapshot; a new reading of a facet replaces the old one.

        "Rest as expected" counts after all others of the line. Raises CaseError when one line says two
        things of one facet, or compares two gauges that do not tell of one thing.
        """
        snapshot = self.snapshot
        readings, unsure = dict(snapshot.readings), dict(snapshot.unsure)
        switches, disagree = dict(snapshot.switches), list(snapshot.disagree)
        told: dict[str, str] = {}
        stated = {said.facet for said in statements if isinstance(said, Said) and said.sure >= 0.5}

        def tell(facet: str, reading: str, sure: float) -> None:
            if sure < 0.5 and facet in stated:
                return  # "not normal, low": what it did says more than what it did not
            if told.setdefault(facet, reading) != reading:
                raise CaseError(
                    f"{_facet_name(facet)} cannot be both {readable(told[facet])} and {readable(reading)} "
                    "in one snapshot",
                    mend="keep one, or start a second snapshot for the later moment",
                )
            readings.pop(facet, None)
            unsure.pop(facet, None)
            if sure < 1.0:
                unsure[facet] = (reading, sure)
            else:
                readings[facet] = reading

        for statement in sorted(statements, key=lambda said: isinstance(said, RestAsExpected)):
            match statement:
                case Said(facet=facet, reading=reading, sure=sure):
                    tell(facet, reading, sure)
                case AsExpected(gauge=gauge, sure=sure):
                    for facet, reading in network.expected_readings(snapshot.manoeuvre, switches).items():
                        if facet.split(".")[0] == gauge:
                            tell(facet, reading, sure)
                case Disagreement(first=first, second=second):
                    agreement(network, first, second)
                    if (first, second) not in disagree and (second, first) not in disagree:
                        disagree.append((first, second))
                case Switched(switch=switch, position=position):
                    switches[switch] = position
                case RestAsExpected():
                    spoken = {facet.split(".")[0] for facet in (*readings, *unsure)}
                    spoken |= {gauge for pair in disagree for gauge in pair} | NOT_LOOKED_AT
                    rest = [g for g in network.panel.gauges if network.kb.gauges[g].instrument]
                    for facet, reading in network.expected_readings(snapshot.manoeuvre, switches).items():
                        if (gauge := facet.split(".")[0]) in rest and gauge not in spoken:
                            readings[facet] = reading
        return self.with_snapshot(
            msgspec.structs.replace(
                snapshot, readings=readings, unsure=unsure, switches=switches, disagree=tuple(disagree)
            )
        )


def _facet_name(facet: str) -> str:
    return readable(facet.replace(".", " "))


def says_anything(case: CaseRecord) -> bool:
    """Whether any snapshot of the case holds a statement about a gauge."""
    return any(s.readings or s.unsure or s.disagree for s in case.snapshot)


# ------------------------------------------------------------------ reading files


def case_paths() -> dict[str, Path]:
    """Shipped cases by name."""
    return {path.stem: path for path in sorted(cases_root().rglob("*.toml"))}


def case_path(name: str) -> Path:
    """Give the file of a case: a file, or a shipped case by its name. Raises CaseError, UnknownName."""
    path = Path(name)
    shipped = case_paths()
    if "\0" not in name and path.is_file():
        return path
    if name in shipped:
        return shipped[name]
    if "\0" not in name and path.is_dir():
        raise CaseError("this is a folder, not a case file", name)
    if path.suffix or os.sep in name:
        raise CaseError(f"there is no file {name}", mend="check the path; shipped cases: diagnose cases")
    raise unknown_name("case", name, shipped)


def load_case(name: str, kb: KnowledgeBase) -> CaseRecord:
    """Read a case by shipped name or by file. Raises CaseError with all that is wrong."""
    path = case_path(name)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise CaseError(f"the case cannot be read ({error.strerror})", str(path)) from None
    except UnicodeDecodeError:
        raise CaseError("this is not a case file: it is not text in UTF-8", str(path)) from None
    if not text.strip():
        raise CaseError("the case file is empty", str(path), "a case has title, panel and [[snapshot]]")
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        twice = "overwrite" in str(error)
        raise CaseError(
            f"the case file is not valid TOML ({error})",
            str(path),
            "an entry stands there twice: keep one" if twice else "it may be cut off or mistyped there",
        ) from None
    problems = list(_record_problems(content, CaseRecord, ""))
    if not problems:
        case = msgspec.convert(content, CaseRecord)
        problems = case_problems(case, kb)
    if problems:
        raise CaseError("; ".join(problems), str(path), "correct what is named, and try again")
    return case


#: entries of a record that are records themselves
PARTS: dict[str, type[msgspec.Struct]] = {"snapshot": SnapshotRecord, "truth": TruthRecord}
#: msgspec's names of types -> what a person calls them
TYPE_WORDS = (
    ("str", "text"),
    ("int", "a number"),
    ("float", "a number"),
    ("bool", "true or false"),
    ("array", "a list"),
    ("object", "a table"),
    ("null", "nothing"),
)


def _record_problems(content: Mapping[str, Any], kind: type[msgspec.Struct], where: str) -> Iterator[str]:
    """Everything in a table that does not fit its record: unknown, missing and mistyped entries."""
    fields = {field.name: field for field in msgspec.structs.fields(kind)}
    for name in content:
        if name not in fields:
            error = unknown_name("entry", name, fields)
            yield f"{where}{error.what}, nearest: {', '.join(error.nearest)}"
    for name, field in fields.items():
        value = content.get(name)
        if name not in content:
            if field.required:
                yield f"{where}{name} is missing"
        elif name == "snapshot" and isinstance(value, list) and all(isinstance(v, dict) for v in value):
            for number, part in enumerate(value, 1):
                yield from _record_problems(part, PARTS[name], f"{where}snapshot {number}: ")
        elif name == "snapshot":
            yield f"{where}snapshot must be written [[snapshot]]"
        elif name in PARTS and isinstance(value, dict):
            yield from _record_problems(value, PARTS[name], f"{where}{name}: ")
        else:
            try:
                msgspec.convert(value, field.type)
            except msgspec.ValidationError as error:
                yield f"{where}{name}: {_in_words(str(error))}"


def _in_words(message: str) -> str:
    """A message of the decoder without its jargon."""
    text, _, place = message.partition(" - at `$")
    for name, words in TYPE_WORDS:
        text = re.sub(rf"`{name}( \| \w+)*`", words, text)
    at = place.strip("`.").replace("[...]", "").strip()
    return text[:1].lower() + text[1:] + (f" at {at}" if at else "")


def case_problems(case: CaseRecord, kb: KnowledgeBase) -> list[str]:
    """Everything in a case that the knowledge base or the panel does not know."""
    problems = [*_unknown("setting", (case.setting,), kb.settings)]
    problems += _unknown("context", case.context, kb.context)
    failures = {failure for answer in (case.truth.failures if case.truth else ()) for failure in answer}
    problems += _unknown("failure", sorted(failures), kb.failures)
    if not 0.0 <= case.minutes_since_start <= LONGEST_MINUTES:
        problems.append(f"minutes_since_start must be 0 or more{_up_to_a_day(case.minutes_since_start)}")
    unknown = _unknown("panel", (case.panel,), kb.panels)
    if unknown:
        return [*problems, *unknown]
    panel = kb.panel(case.panel)
    for number, snapshot in enumerate(case.snapshot, 1):
        problems += [f"snapshot {number}: {what}" for what in _snapshot_problems(snapshot, kb, panel)]
    return problems


def _unknown(kind: str, names: Iterable[str], known: Iterable[str]) -> list[str]:
    listed = tuple(known)
    errors = [unknown_name(kind, name, listed) for name in names if name not in listed]
    return [f"{error.what}, nearest: {', '.join(error.nearest)}" for error in errors]


def _up_to_a_day(minutes: float) -> str:
    """The upper limit of a time, where that is what is wrong."""
    return f" and at most {LONGEST_MINUTES:g}, a day" if LONGEST_MINUTES < minutes < math.inf else ""


def _snapshot_problems(snapshot: SnapshotRecord, kb: KnowledgeBase, panel: Panel) -> Iterator[str]:
    on_panel = f"on the panel {panel.id}"
    yield from _unknown("manoeuvre", (snapshot.manoeuvre,), kb.manoeuvres)
    if not 0.0 < snapshot.minutes <= LONGEST_MINUTES:
        yield f"minutes must be above 0{_up_to_a_day(snapshot.minutes)}, not {snapshot.minutes:g}"
    if not 0.0 <= snapshot.minutes_before <= LONGEST_MINUTES:
        before = snapshot.minutes_before
        yield f"minutes_before must be 0 or more{_up_to_a_day(before)}, not {before:g}"
    for switch, position in snapshot.switches.items():
        unknown = _unknown(f"switch {on_panel}", (switch,), panel.switches)
        yield from unknown or _unknown(f"position of {switch}", (position,), kb.switches[switch].positions)
    facets = {f"{g}.{f.id}": f for g in panel.gauges for f in kb.gauges[g].facets}
    stated = [*snapshot.readings.items(), *((f, r) for f, (r, _) in snapshot.unsure.items())]
    for facet, reading in stated:
        unknown = _unknown(f"gauge {on_panel}", (facet,), facets)
        yield from unknown or _unknown(
            f"reading of {facet}", (reading,), [r.id for r in facets[facet].readings]
        )
    for facet in snapshot.readings.keys() & snapshot.unsure.keys():
        yield f"{facet} stands both in readings and in unsure"
    for facet, (_, sure) in snapshot.unsure.items():
        if not 0.0 <= sure <= 1.0:
            yield f"{facet}: how sure must lie between 0 and 1, not {sure:g}"
    compared = [
        {facet.split(".")[0] for facet in o.facets}
        for o in kb.oppositions.values()
        if all(facet in facets for facet in o.facets)
    ]
    for pair in snapshot.disagree:
        unknown = _unknown(f"gauge {on_panel}", pair, panel.gauges)
        yield from unknown
        if not unknown and set(pair) not in compared:
            yield f"{pair[0]} and {pair[1]} do not tell of one thing, so they cannot disagree"


def restore(path: Path, kb: KnowledgeBase) -> CaseRecord | None:
    """Give the case of an autosave file, None if there is none or nothing in it.

    Raises CaseError for a file that cannot be used; the caller sets it aside, so that it is not lost.
    """
    case = load_case(str(path), kb) if path.is_file() else None
    return case if case is not None and case.snapshot else None


# ------------------------------------------------------------------ writing files


def dump_case(case: CaseRecord) -> str:
    """Give a case as the text of its file."""
    import tomli_w

    return tomli_w.dumps(_without_defaults(msgspec.to_builtins(case), case))


def _without_defaults(content: dict[str, Any], record: msgspec.Struct) -> dict[str, Any]:
    kept: dict[str, Any] = {}
    for field in msgspec.structs.fields(type(record)):
        value = getattr(record, field.name)
        default = field.default if field.default is not msgspec.NODEFAULT else None
        if field.default_factory is not msgspec.NODEFAULT:
            default = field.default_factory()
        if value is None or (not field.required and value == default):
            continue
        kept[field.name] = content[field.name]
        if field.name == "snapshot":
            pairs = zip(content["snapshot"], value, strict=True)
            kept["snapshot"] = [_without_defaults(part, one) for part, one in pairs]
    return kept


def save_case(case: CaseRecord, path: Path) -> None:
    """Write a case so that the file is either the old one or the new one, never a half.

    Raises CaseError if it cannot be written there.
    """
    part = path.parent / f".{path.name}.{os.getpid()}.part"
    try:
        with open(part, "w", encoding="utf-8") as file:
            file.write(dump_case(case))
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except (OSError, ValueError) as error:
        # ValueError: a name with a null character, or text that UTF-8 cannot hold
        why = error.strerror if isinstance(error, OSError) else error
        raise CaseError(f"the case cannot be written ({why})", str(path), "choose another file") from None
    finally:
        with contextlib.suppress(OSError, ValueError):
            part.unlink(missing_ok=True)
