"""The state of a session: a case under construction with its past, and its files.

Immutable: every transition gives a new session, so that undo and redo are never lost.
"""

from __future__ import annotations

import os
import tempfile
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from diagnose.errors import CaseError, DiagnoseError
from diagnose.evidence import agreement
from diagnose.knowledge import KnowledgeBase, cases_root, unknown_name
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.network import Network
from diagnose.words import Disagreement, RestAsExpected, Said, Statement

START = CaseRecord(title="untitled", panel="single_pump")


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A case with what it was before (``past``) and what undo took back (``future``)."""

    case: CaseRecord = START
    past: tuple[CaseRecord, ...] = ()
    future: tuple[CaseRecord, ...] = ()
    saved: CaseRecord | None = None

    def to(self, case: CaseRecord) -> Session:
        """Go on to a changed case."""
        if case == self.case:
            return self
        return replace(self, case=case, past=(*self.past, self.case), future=())

    def change(self, **fields: Any) -> Session:
        """Change fields of the case."""
        return self.to(msgspec.structs.replace(self.case, **fields))

    def undo(self) -> Session:
        """Take the last change back. Raises CaseError if there is none."""
        if not self.past:
            raise CaseError("there is nothing to take back")
        return replace(self, case=self.past[-1], past=self.past[:-1], future=(self.case, *self.future))

    def redo(self) -> Session:
        """Do again what was taken back. Raises CaseError if there is nothing."""
        if not self.future:
            raise CaseError("there is nothing to do again")
        return replace(self, case=self.future[0], past=(*self.past, self.case), future=self.future[1:])

    @property
    def snapshot(self) -> SnapshotRecord:
        """The snapshot under construction. Raises CaseError before the first."""
        if not self.case.snapshot:
            raise CaseError("no snapshot has been started", mend="say what you were flying: snapshot climb")
        return self.case.snapshot[-1]

    def with_snapshot(self, snapshot: SnapshotRecord) -> Session:
        """Exchange the snapshot under construction."""
        return self.change(snapshot=(*self.case.snapshot[:-1], snapshot))

    def say(self, statements: Iterable[Statement], network: Network) -> Session:
        """Add statements to the snapshot; a new reading of a facet replaces the old one.

        Raises CaseError when one line says two things of one facet.
        """
        snapshot = self.snapshot
        readings, unsure = dict(snapshot.readings), dict(snapshot.unsure)
        disagree = list(snapshot.disagree)
        told: dict[str, str] = {}
        for statement in statements:
            match statement:
                case Said(facet=facet, reading=reading, sure=sure):
                    if told.setdefault(facet, reading) != reading:
                        raise CaseError(
                            f"{facet} cannot be both {told[facet]} and {reading} in one snapshot",
                            mend="keep one, or start a second snapshot for the later moment",
                        )
                    readings.pop(facet, None)
                    unsure.pop(facet, None)
                    if sure < 1.0:
                        unsure[facet] = (reading, sure)
                    else:
                        readings[facet] = reading
                case Disagreement(first=first, second=second):
                    agreement(network, first, second)
                    if (first, second) not in disagree:
                        disagree.append((first, second))
                case RestAsExpected():
                    expected = network.expected_readings(snapshot.manoeuvre, snapshot.switches)
                    spoken = {facet.split(".")[0] for facet in (*readings, *unsure)}
                    spoken.update(gauge for pair in disagree for gauge in pair)
                    usual = [g for g in network.panel.gauges if network.kb.gauges[g].instrument]
                    for facet, reading in expected.items():
                        gauge = facet.split(".")[0]
                        if gauge in usual and gauge not in spoken and gauge not in NOT_LOOKED_AT:
                            readings[facet] = reading
        return self.with_snapshot(
            msgspec.structs.replace(snapshot, readings=readings, unsure=unsure, disagree=tuple(disagree))
        )


#: "the rest" means the dials in front of the pilot, not what must be asked for or needs sight outside
NOT_LOOKED_AT = frozenset({"outside", "atc_height", "gps_height", "gps_speed", "gps_track"})


# ------------------------------------------------------------------ files


def case_paths() -> dict[str, Path]:
    """Shipped cases by name."""
    return {path.stem: path for path in sorted(cases_root().rglob("*.toml"))}


def load_case(name: str, kb: KnowledgeBase) -> CaseRecord:
    """Read a case by shipped name or by file. Raises CaseError with all that is wrong."""
    path = Path(name)
    shipped = case_paths()
    if not path.exists():
        if name in shipped:
            path = shipped[name]
        elif path.suffix or os.sep in name:
            raise CaseError(f"there is no file {name}", mend="check the path; shipped cases: diagnose cases")
        else:
            raise unknown_name("case", name, shipped)
    try:
        text = path.read_bytes().decode("utf-8")
    except OSError as error:
        raise CaseError(f"the case cannot be read ({error.strerror})", str(path)) from None
    except UnicodeDecodeError:
        raise CaseError("this is not a case file: it is not text", str(path)) from None
    if not text.strip():
        raise CaseError("the case file is empty", str(path), "a case has title, panel and [[snapshot]]")
    try:
        case = msgspec.convert(tomllib.loads(text), CaseRecord)
    except tomllib.TOMLDecodeError as error:
        raise CaseError(
            f"the case file is not valid TOML ({error})", str(path), "it may be cut off or mistyped there"
        ) from None
    except msgspec.ValidationError as error:
        raise CaseError(f"the case file does not fit: {error}", str(path)) from None
    problems = case_problems(case, kb)
    if problems:
        raise CaseError("; ".join(problems), str(path))
    return case


def case_problems(case: CaseRecord, kb: KnowledgeBase) -> list[str]:
    """Everything in a case that the knowledge base or the panel does not know."""
    problems: list[str] = []

    def check(kind: str, name: str, known: Iterable[str], where: str = "") -> bool:
        if name in (names := tuple(known)):
            return True
        error = unknown_name(kind, name, names)
        problems.append(f"{where}{error.what}, nearest: {', '.join(error.nearest)}")
        return False

    check("setting", case.setting, kb.settings)
    for flag in case.context:
        check("context", flag, kb.context)
    for failure in {f for answer in (case.truth.failures if case.truth else ()) for f in answer}:
        check("failure", failure, kb.failures)
    if not check("panel", case.panel, kb.panels):
        return problems
    panel = kb.panel(case.panel)
    facets = {f"{g}.{f.id}": f for g in panel.gauges for f in kb.gauges[g].facets}
    for number, snapshot in enumerate(case.snapshot, 1):
        where = f"snapshot {number}: "
        check("manoeuvre", snapshot.manoeuvre, kb.manoeuvres, where)
        for switch, position in snapshot.switches.items():
            if check(f"switch on the panel {panel.id}", switch, panel.switches, where):
                check(f"position of {switch}", position, kb.switches[switch].positions, where)
        stated = [*snapshot.readings.items(), *((f, r) for f, (r, _) in snapshot.unsure.items())]
        for facet, reading in stated:
            if check(f"gauge on the panel {panel.id}", facet, facets, where):
                check(f"reading of {facet}", reading, [r.id for r in facets[facet].readings], where)
        for pair in snapshot.disagree:
            for gauge in pair:
                check(f"gauge on the panel {panel.id}", gauge, panel.gauges, where)
    return problems


def dump_case(case: CaseRecord) -> str:
    """Give a case as the text of its file."""
    import tomli_w

    content = msgspec.to_builtins(case)
    return tomli_w.dumps(_without_defaults(content, case))


def _without_defaults(content: dict[str, Any], record: msgspec.Struct) -> dict[str, Any]:
    kept: dict[str, Any] = {}
    fields = msgspec.structs.fields(type(record))
    for field in fields:
        value = getattr(record, field.name)
        default = field.default if field.default is not msgspec.NODEFAULT else None
        if field.default_factory is not msgspec.NODEFAULT:
            default = field.default_factory()
        if value is None or (not field.required and value == default):
            continue
        kept[field.name] = content[field.name]
        if field.name == "snapshot":
            kept["snapshot"] = [
                _without_defaults(part, one) for part, one in zip(content["snapshot"], value, strict=True)
            ]
    return kept


def save_case(case: CaseRecord, path: Path) -> None:
    """Write a case so that the file is either the old one or the new one, never a half."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".part")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(dump_case(case))
            file.flush()
            os.fsync(file.fileno())
        Path(name).replace(path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise CaseError(f"the case cannot be written ({error.strerror})", str(path)) from None


def restore(path: Path, kb: KnowledgeBase) -> CaseRecord | None:
    """Give the case of an autosave file if there is a sound one with something in it."""
    try:
        case = load_case(str(path), kb) if path.is_file() else None
    except DiagnoseError:
        return None
    return case if case is not None and case.snapshot else None
