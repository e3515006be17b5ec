"""Read ``knowledge/*.toml`` into one immutable KnowledgeBase.

The knowledge base is data that an instructor or a mechanic can correct. Reading reports every entry
that cannot be decoded at once, each with its file and entry; what decodes but makes no sense is the
business of ``validate``.
"""

from __future__ import annotations

import difflib
import os
import re
import types
import typing
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any, TypeVar, cast, get_args, get_origin, get_type_hints

import msgspec

from diagnose import model as m
from diagnose.knowledge.cache import digest, kept
from diagnose.model.errors import KnowledgeError, UnknownName
from diagnose.model.files import record_of, toml_of

Stored = TypeVar("Stored")

#: files in the knowledge folder that other readers own
OTHER_FILES = ("words.toml", "story.toml")
#: folders of it that other readers own: published tables that the knowledge is checked against
OTHER_FOLDERS = ("handbook", "outside")


def _table(name: str) -> Any:
    """A field of KnowledgeBase that is read from the tables of this name: id -> record."""
    return field(default_factory=dict, metadata={"table": name})


@dataclass(frozen=True, slots=True, kw_only=True)
class KnowledgeBase:
    """All knowledge by id, in the order of the files. ``origin``: (field, id) -> file name."""

    documents: Mapping[str, m.Document] = _table("document")
    parts: Mapping[str, m.Part] = _table("part")
    sources: Mapping[str, m.Source] = _table("source")
    switches: Mapping[str, m.Switch] = _table("switch")
    circumstances: Mapping[str, m.Circumstance] = _table("circumstance")
    memories: Mapping[str, m.Memory] = _table("memory")
    flows: Mapping[str, m.Flow] = _table("flow")
    fittings: Mapping[str, m.Fitting] = _table("fitting")
    failures: Mapping[str, m.Failure] = _table("failure")
    context: Mapping[str, m.ContextFlag] = _table("context")
    gauges: Mapping[str, m.Gauge] = _table("gauge")
    oppositions: Mapping[str, m.Opposition] = _table("opposition")
    axes: Mapping[str, m.Axis] = _table("axis")
    manoeuvres: Mapping[str, m.Manoeuvre] = _table("manoeuvre")
    variations: Mapping[str, m.Variation] = _table("variation")
    panels: Mapping[str, m.Panel] = _table("panel")
    substitutes: Mapping[str, m.Substitute] = _table("substitute")
    effects: Mapping[str, m.NormalEffect] = _table("effect")
    looks: Mapping[str, m.Look] = _table("look")
    decisions: Mapping[str, m.Decision] = _table("decision")
    power_settings: Mapping[str, m.PowerSetting] = _table("power_setting")
    quantities: Mapping[str, m.Quantity] = _table("quantity")
    settings: Mapping[str, m.Setting] = _table("setting")
    grade_costs: Mapping[str, m.GradeCost] = _table("grade_cost")
    strengths: Mapping[str, m.Strength] = _table("strength")
    families: Mapping[str, m.Family] = _table("family")
    terms: Mapping[str, m.Term] = _table("term")
    chance_words: Mapping[str, m.ChanceWord] = _table("chance_word")
    dials: Mapping[str, m.Dial] = _table("dial")
    flown_quantities: Mapping[str, m.Quantity] = _table("flown_quantity")
    drill_numbers: Mapping[str, m.DrillNumber] = _table("drill_number")
    scan_patterns: Mapping[str, m.ScanPattern] = _table("scan_pattern")
    recorded: Mapping[str, m.Channel] = _table("recorded")
    relations: Mapping[str, m.Relation] = _table("relation")
    ground_tests: Mapping[str, m.GroundTest] = _table("ground_test")
    limits: m.Limits
    look_weights: m.LookWeights
    recording: m.RecordingLimits
    review: m.ReviewLimits
    world: m.World
    first_screen: m.FirstScreen
    origin: Mapping[tuple[str, str], str] = field(default_factory=dict)
    #: digest of the files that this was read from; empty if it was changed since, or made otherwise
    made_from: str = field(default="", init=False, compare=False, repr=False)

    def facet(self, name: str) -> m.Facet:
        """The record of a facet, "gauge.facet"."""
        gauge, _, own = name.partition(".")
        return next(facet for facet in self.gauges[gauge].facets if facet.id == own)

    def failures_of(self, parts: Iterable[str]) -> tuple[m.Failure, ...]:
        """Failures that a panel of these parts can have: they act on no other."""
        return tuple(failure for failure in self.failures.values() if {*failure.acts}.issubset(parts))

    def at(self, table: str, entry: str) -> str:
        """Give where an entry stands, as a problem names it: its file and its id."""
        return f"{self.origin.get((table, entry), table)}, {entry}"

    def panel(self, panel_id: str, over: tuple[str, ...] = ()) -> m.Panel:
        """Give a panel with everything that it takes from the panels it is based on.

        ``over``: the panels that it is wanted for. Raises UnknownName for a panel that is not in the knowledge
        base, KnowledgeError for one that is based on itself.
        """
        if panel_id in over:
            raise knowledge_error([f"panel {panel_id}: is based on itself ({', '.join((*over, panel_id))})"])
        if panel_id not in self.panels:
            raise unknown_name("panel", panel_id, self.panels)
        panel = self.panels[panel_id]
        if not panel.based_on:
            return panel
        base = self.panel(panel.based_on, (*over, panel_id))

        def joined(own: Iterable[str], inherited: Iterable[str]) -> tuple[str, ...]:
            kept = [name for name in inherited if name not in panel.without]
            return tuple(dict.fromkeys([*kept, *own]))

        return msgspec.structs.replace(
            panel,
            parts=joined(panel.parts, base.parts),
            gauges=joined(panel.gauges, base.gauges),
            switches=joined(panel.switches, base.switches),
            power_table=panel.power_table or base.power_table,
            ammeter=panel.ammeter or base.ammeter,
        )


#: table name in a file -> (field of KnowledgeBase, record type); single tables have a field of their own name
_TYPES = get_type_hints(KnowledgeBase)
TABLES: dict[str, tuple[str, type]] = {
    f.metadata["table"]: (f.name, get_args(_TYPES[f.name])[1]) for f in fields(KnowledgeBase) if f.metadata
}
SINGLES: dict[str, type] = {
    name: kind for name, kind in _TYPES.items() if get_origin(kind) is None and kind is not str
}


def unknown_name(kind: str, name: str, known: Iterable[str]) -> UnknownName:
    """Give the error for a name that is not known, with the nearest names that are."""
    names = tuple(known)
    nearest = difflib.get_close_matches(name, names, n=4, cutoff=0.5)
    return UnknownName(f"there is no {kind} {name!r}", nearest=tuple(nearest or names[:8]))


def knowledge_error(problems: list[str]) -> KnowledgeError:
    """Give one error for all the problems found."""
    count = "one problem" if len(problems) == 1 else f"{len(problems)} problems"
    return KnowledgeError(
        f"the knowledge base has {count}", mend="correct the entries named below", problems=tuple(problems)
    )


def knowledge_root() -> Path:
    """Give the folder of the packaged knowledge: in the wheel, or in the checkout."""
    return _data_folder("knowledge", "knowledge_files")


def stored_result(path: Path, kind: type[Stored], what: str, command: str) -> Stored:
    """Read a result that an earlier run has stored as JSON; ``command`` makes it anew.

    Raises KnowledgeError if it is not there, cannot be read or does not fit.
    """
    try:
        return record_of(path.read_bytes(), kind)
    except FileNotFoundError:
        told = "there is none"
    except OSError as error:
        told = str(error)
    except ValueError as error:
        told = f"it does not fit: {error}"
    raise KnowledgeError(f"the stored {what} cannot be read, {told}", str(path), f"run: {command}")


def cases_root() -> Path:
    """Give the folder of the shipped cases."""
    return _data_folder("cases", "cases")


def _data_folder(name: str, packaged: str) -> Path:
    package = Path(__file__).parent.parent
    inside = package / packaged
    return inside if inside.is_dir() else package.parent / name


def load_knowledge(root: Path | None = None, overlays: tuple[Path, ...] = ()) -> KnowledgeBase:
    """Read the knowledge base, then lay the user's own files over it, entry by entry.

    Raises KnowledgeError that lists every entry that cannot be read.
    """
    folder = knowledge_root() if root is None else root
    paths = [
        path
        for path in sorted(folder.rglob("*.toml"))
        if path.name not in OTHER_FILES and path.parent.name not in OTHER_FOLDERS
    ]
    named = [(str(path.relative_to(folder)), path) for path in paths]
    named += [(str(path), path) for path in overlays]
    problems: list[str] = []
    contents = [(name, _read(path, name, problems), path in overlays) for name, path in named]
    if problems:
        return _decoded(contents, problems)
    mark = digest(
        part for name, data, overlay in contents for part in (os.fsencode(name), data, bytes([overlay]))
    )
    kb = kept("knowledge", mark, KnowledgeBase, lambda: _decoded(contents, problems))
    object.__setattr__(kb, "made_from", mark)
    return kb


def _decoded(contents: Iterable[tuple[str, bytes, bool]], problems: list[str]) -> KnowledgeBase:
    """Decode files (name, content, whether laid over the others); raises KnowledgeError with all problems."""
    tables: dict[str, dict[str, Any]] = {name: {} for name, _ in TABLES.values()}
    origin: dict[tuple[str, str], str] = {}
    singles: dict[str, Any] = {}
    for name, data, overlay in contents:
        content = _parsed(data, name, problems)
        for key, value in content.items():
            if key in TABLES:
                _take_table(name, key, value, tables, origin, problems, overlay=overlay)
            elif key in SINGLES:
                record = _decode(value, SINGLES[key], f"{name}, [{key}]", problems)
                if record is not None:
                    singles[key] = record
            else:
                problems.append(f"{name}: unknown table [[{key}]]; known: {', '.join(TABLES)}")
    problems += [f"engine.toml: no readable [{key}]" for key in SINGLES if key not in singles]
    if problems:
        raise knowledge_error(problems)
    for entry, manoeuvre in tables["manoeuvres"].items():
        unsaid = {a.id: a.usual for a in tables["axes"].values() if a.usual and a.id not in manoeuvre.expected}
        tables["manoeuvres"][entry] = msgspec.structs.replace(manoeuvre, expected={**manoeuvre.expected, **unsaid})
    return KnowledgeBase(**cast(Any, tables), **singles, origin=origin)


def load_handbook(root: Path | None = None) -> tuple[m.HandbookRow, ...]:
    """Read the published failure tables of ``knowledge/handbook``."""
    folder = (knowledge_root() if root is None else root) / "handbook"
    problems: list[str] = []
    rows: list[m.HandbookRow] = []
    for path in sorted(folder.glob("*.toml")):
        for index, entry in enumerate(read_toml(path, path.name, problems).get("row", [])):
            where = f"handbook/{path.name}, row {entry.get('id', index + 1)}"
            record = _decode(entry, m.HandbookRow, where, problems)
            if record is not None:
                rows.append(record)
    if problems:
        raise knowledge_error(problems)
    return tuple(rows)


def with_only(kb: KnowledgeBase, **tables: Any) -> KnowledgeBase:
    """Give a copy of the knowledge base with some tables exchanged (for small test bases)."""
    return replace(kb, **tables)


def listed_only(kb: KnowledgeBase) -> KnowledgeBase:
    """Give a copy without the faults that are not listed: what an instructor can choose, or a table compare."""
    return with_only(kb, failures={name: failure for name, failure in kb.failures.items() if failure.listed})


def read_toml(path: Path, name: str, problems: list[str]) -> dict[str, Any]:
    """Read one TOML file; what is wrong with it is added to ``problems``."""
    return _parsed(_read(path, name, problems), name, problems)


def _read(path: Path, name: str, problems: list[str]) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        problems.append(f"{name}: cannot be read ({error.strerror or error})")
    return b""


def _parsed(data: bytes, name: str, problems: list[str]) -> dict[str, Any]:
    try:
        return toml_of(data)
    except UnicodeDecodeError:
        problems.append(f"{name}: is not a text file in UTF-8")
    except ValueError as error:
        problems.append(f"{name}: is not valid TOML ({error})")
    return {}


def _take_table(
    name: str,
    key: str,
    entries: Any,
    tables: dict[str, dict[str, Any]],
    origin: dict[tuple[str, str], str],
    problems: list[str],
    *,
    overlay: bool,
) -> None:
    target, kind = TABLES[key]
    if not isinstance(entries, list):
        problems.append(f"{name}: [{key}] must be written [[{key}]]")
        return
    for index, entry in enumerate(entries):
        label = entry.get("id", f"number {index + 1}") if isinstance(entry, dict) else index + 1
        record = _decode(entry, kind, f"{name}, {key} {label}", problems)
        if record is None:
            continue
        entry_id = _id_of(record)
        if entry_id in tables[target] and not overlay:
            first = origin[target, entry_id]
            problems.append(f"{name}, {key} {entry_id}: this id stands in {first} already")
            continue
        tables[target][entry_id] = record
        origin[target, entry_id] = name


def _id_of(record: Any) -> str:
    match record:
        case m.Opposition():
            return " / ".join(record.facets)
        case m.Substitute():
            return f"{record.axis}:{record.gauge}"
        case m.GradeCost():
            return record.grade.value
        case m.Variation():
            return f"{record.part}:{record.condition}:{'/'.join(record.meant)}"
        case _:
            return str(record.id)


def _decode(entry: Any, kind: type, where: str, problems: list[str]) -> Any:
    try:
        return msgspec.convert(entry, kind)
    except msgspec.ValidationError as error:
        problems.append(f"{where}: {error}")
        return None


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


def _record_in(kind: Any) -> tuple[type[msgspec.Struct] | None, bool]:
    """The record that an entry of this type holds, if it does, and whether it is a list of them."""
    origin = typing.get_origin(kind)
    if origin is tuple:
        inner = typing.get_args(kind)[0]
        return (
            (inner, True) if isinstance(inner, type) and issubclass(inner, msgspec.Struct) else (None, False)
        )
    choices = typing.get_args(kind) if origin in (typing.Union, types.UnionType) else (kind,)
    for choice in choices:
        if isinstance(choice, type) and issubclass(choice, msgspec.Struct):
            return choice, False
    return None, False


def record_problems(content: Mapping[str, Any], kind: type[msgspec.Struct], where: str = "") -> Iterator[str]:
    """Everything in a table that does not fit its record: unknown, missing and mistyped entries."""
    known = {own.name: own for own in msgspec.structs.fields(kind)}
    for name in content:
        if name not in known:
            error = unknown_name("entry", name, known)
            yield f"{where}{error.what}, nearest: {', '.join(error.nearest)}"
    for name, own in known.items():
        value = content.get(name)
        record, listed = _record_in(own.type)
        if name not in content:
            if own.required:
                yield f"{where}{name} is missing"
        elif record is not None and listed:
            if isinstance(value, list) and all(isinstance(part, dict) for part in value):
                for number, part in enumerate(value, 1):
                    yield from record_problems(part, record, f"{where}{name} {number}: ")
            else:
                yield f"{where}{name} must be written [[{name}]]"
        elif record is not None and isinstance(value, dict):
            yield from record_problems(value, record, f"{where}{name}: ")
        else:
            try:
                msgspec.convert(value, own.type)
            except msgspec.ValidationError as error:
                yield f"{where}{name}: {in_words(str(error))}"


def in_words(message: str) -> str:
    """A message of the decoder without its jargon."""
    text, _, place = message.partition(" - at `$")
    for name, words in TYPE_WORDS:
        text = re.sub(rf"`{name}( \| \w+)*`", words, text)
    at = place.strip("`.").replace("[...]", "").strip()
    return text[:1].lower() + text[1:] + (f" at {at}" if at else "")


def unknown_entries(kind: str, names: Iterable[str], known: Iterable[str]) -> list[str]:
    """A sentence for each name that is not known, with the nearest that are."""
    listed = tuple(known)
    errors = [unknown_name(kind, name, listed) for name in names if name not in listed]
    return [f"{error.what}, nearest: {', '.join(error.nearest)}" for error in errors]


def without_defaults(record: msgspec.Struct) -> dict[str, Any]:
    """A record as plain data, without what need not be said: it is as usual, or nothing."""
    kept: dict[str, Any] = {}
    for own in msgspec.structs.fields(type(record)):
        value = getattr(record, own.name)
        default = own.default if own.default is not msgspec.NODEFAULT else None
        if own.default_factory is not msgspec.NODEFAULT:
            default = own.default_factory()
        if value is None or (not own.required and value == default):
            continue
        if isinstance(value, msgspec.Struct):
            kept[own.name] = without_defaults(value)
        elif isinstance(value, tuple) and value and isinstance(value[0], msgspec.Struct):
            kept[own.name] = [without_defaults(part) for part in value]
        else:
            kept[own.name] = msgspec.to_builtins(value)
    return kept
