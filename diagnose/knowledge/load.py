"""Read ``knowledge/*.toml`` into one immutable KnowledgeBase.

The knowledge base is data that an instructor or a mechanic can correct. Reading reports every entry
that cannot be decoded at once, each with its file and entry; what decodes but makes no sense is the
business of ``validate``.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar, cast

import msgspec

from diagnose.knowledge.cache import digest, kept
from diagnose.model import (
    Axis,
    ChanceWord,
    Channel,
    Circumstance,
    ContextFlag,
    Document,
    DrillNumber,
    Failure,
    Family,
    FirstScreen,
    Fitting,
    Flow,
    Gauge,
    GradeCost,
    GroundTest,
    HandbookRow,
    Limits,
    Manoeuvre,
    Memory,
    NormalEffect,
    Opposition,
    Panel,
    Part,
    PowerSetting,
    Quantity,
    RecordingLimits,
    Relation,
    ReviewLimits,
    ScanPattern,
    Setting,
    Source,
    Strength,
    Substitute,
    Switch,
    Term,
    Variation,
    World,
)
from diagnose.model.errors import KnowledgeError, UnknownName
from diagnose.model.files import record_of, toml_of
from diagnose.model.gauges import Dial
from diagnose.model.systems import Decision, Look, LookWeights

Stored = TypeVar("Stored")

#: table name in a file -> (field of KnowledgeBase, record type)
TABLES: dict[str, tuple[str, type]] = {
    "document": ("documents", Document),
    "part": ("parts", Part),
    "source": ("sources", Source),
    "switch": ("switches", Switch),
    "circumstance": ("circumstances", Circumstance),
    "memory": ("memories", Memory),
    "flow": ("flows", Flow),
    "fitting": ("fittings", Fitting),
    "failure": ("failures", Failure),
    "context": ("context", ContextFlag),
    "gauge": ("gauges", Gauge),
    "opposition": ("oppositions", Opposition),
    "axis": ("axes", Axis),
    "manoeuvre": ("manoeuvres", Manoeuvre),
    "variation": ("variations", Variation),
    "panel": ("panels", Panel),
    "substitute": ("substitutes", Substitute),
    "effect": ("effects", NormalEffect),
    "look": ("looks", Look),
    "decision": ("decisions", Decision),
    "power_setting": ("power_settings", PowerSetting),
    "quantity": ("quantities", Quantity),
    "setting": ("settings", Setting),
    "grade_cost": ("grade_costs", GradeCost),
    "strength": ("strengths", Strength),
    "family": ("families", Family),
    "term": ("terms", Term),
    "chance_word": ("chance_words", ChanceWord),
    "dial": ("dials", Dial),
    "flown_quantity": ("flown_quantities", Quantity),
    "drill_number": ("drill_numbers", DrillNumber),
    "scan_pattern": ("scan_patterns", ScanPattern),
    "recorded": ("recorded", Channel),
    "relation": ("relations", Relation),
    "ground_test": ("ground_tests", GroundTest),
}
#: single tables of a file
SINGLES: dict[str, tuple[str, type]] = {
    "limits": ("limits", Limits),
    "look_weights": ("look_weights", LookWeights),
    "recording": ("recording", RecordingLimits),
    "review": ("review", ReviewLimits),
    "world": ("world", World),
    "first_screen": ("first_screen", FirstScreen),
}
#: files in the knowledge folder that other readers own
OTHER_FILES = ("words.toml", "story.toml")
#: folders of it that other readers own: published tables that the knowledge is checked against
OTHER_FOLDERS = ("handbook", "outside")


@dataclass(frozen=True, slots=True, kw_only=True)
class KnowledgeBase:
    """All knowledge by id, in the order of the files. ``origin``: (field, id) -> file name."""

    documents: Mapping[str, Document] = field(default_factory=dict)
    parts: Mapping[str, Part] = field(default_factory=dict)
    sources: Mapping[str, Source] = field(default_factory=dict)
    switches: Mapping[str, Switch] = field(default_factory=dict)
    circumstances: Mapping[str, Circumstance] = field(default_factory=dict)
    memories: Mapping[str, Memory] = field(default_factory=dict)
    flows: Mapping[str, Flow] = field(default_factory=dict)
    fittings: Mapping[str, Fitting] = field(default_factory=dict)
    failures: Mapping[str, Failure] = field(default_factory=dict)
    context: Mapping[str, ContextFlag] = field(default_factory=dict)
    gauges: Mapping[str, Gauge] = field(default_factory=dict)
    oppositions: Mapping[str, Opposition] = field(default_factory=dict)
    axes: Mapping[str, Axis] = field(default_factory=dict)
    manoeuvres: Mapping[str, Manoeuvre] = field(default_factory=dict)
    variations: Mapping[str, Variation] = field(default_factory=dict)
    panels: Mapping[str, Panel] = field(default_factory=dict)
    substitutes: Mapping[str, Substitute] = field(default_factory=dict)
    effects: Mapping[str, NormalEffect] = field(default_factory=dict)
    looks: Mapping[str, Look] = field(default_factory=dict)
    decisions: Mapping[str, Decision] = field(default_factory=dict)
    power_settings: Mapping[str, PowerSetting] = field(default_factory=dict)
    quantities: Mapping[str, Quantity] = field(default_factory=dict)
    settings: Mapping[str, Setting] = field(default_factory=dict)
    grade_costs: Mapping[str, GradeCost] = field(default_factory=dict)
    strengths: Mapping[str, Strength] = field(default_factory=dict)
    families: Mapping[str, Family] = field(default_factory=dict)
    terms: Mapping[str, Term] = field(default_factory=dict)
    chance_words: Mapping[str, ChanceWord] = field(default_factory=dict)
    dials: Mapping[str, Dial] = field(default_factory=dict)
    flown_quantities: Mapping[str, Quantity] = field(default_factory=dict)
    drill_numbers: Mapping[str, DrillNumber] = field(default_factory=dict)
    scan_patterns: Mapping[str, ScanPattern] = field(default_factory=dict)
    recorded: Mapping[str, Channel] = field(default_factory=dict)
    relations: Mapping[str, Relation] = field(default_factory=dict)
    ground_tests: Mapping[str, GroundTest] = field(default_factory=dict)
    limits: Limits
    look_weights: LookWeights
    recording: RecordingLimits
    review: ReviewLimits
    world: World
    first_screen: FirstScreen
    origin: Mapping[tuple[str, str], str] = field(default_factory=dict)
    #: digest of the files that this was read from; empty if it was changed since, or made otherwise
    made_from: str = field(default="", init=False, compare=False, repr=False)

    def at(self, table: str, entry: str) -> str:
        """Give where an entry stands, as a problem names it: its file and its id."""
        return f"{self.origin.get((table, entry), table)}, {entry}"

    def panel(self, panel_id: str, over: tuple[str, ...] = ()) -> Panel:
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
    package = Path(str(resources.files("diagnose")))
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
                target, kind = SINGLES[key]
                record = _decode(value, kind, f"{name}, [{key}]", problems)
                if record is not None:
                    singles[target] = record
            else:
                problems.append(f"{name}: unknown table [[{key}]]; known: {', '.join(TABLES)}")
    problems += [
        f"engine.toml: no readable [{key}]" for key, (name, _) in SINGLES.items() if name not in singles
    ]
    if problems:
        raise knowledge_error(problems)
    return KnowledgeBase(**cast(Any, tables), **singles, origin=origin)


def load_handbook(root: Path | None = None) -> tuple[HandbookRow, ...]:
    """Read the published failure tables of ``knowledge/handbook``."""
    folder = (knowledge_root() if root is None else root) / "handbook"
    problems: list[str] = []
    rows: list[HandbookRow] = []
    for path in sorted(folder.glob("*.toml")):
        for index, entry in enumerate(read_toml(path, path.name, problems).get("row", [])):
            where = f"handbook/{path.name}, row {entry.get('id', index + 1)}"
            record = _decode(entry, HandbookRow, where, problems)
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
        case Opposition():
            return " / ".join(record.facets)
        case Substitute():
            return f"{record.axis}:{record.gauge}"
        case GradeCost():
            return record.grade.value
        case Variation():
            return f"{record.part}:{record.condition}:{'/'.join(record.meant)}"
        case _:
            return str(record.id)


def _decode(entry: Any, kind: type, where: str, problems: list[str]) -> Any:
    try:
        return msgspec.convert(entry, kind)
    except msgspec.ValidationError as error:
        problems.append(f"{where}: {error}")
        return None
