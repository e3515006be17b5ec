"""What is compared with the outside, as lines; handbook failure tables and published incidents."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import Enum
from functools import cached_property
from typing import Any

import msgspec

from diagnose import answer_case, engine_for
from diagnose.advice.advise import partial_panel
from diagnose.advice.partial_panel import method_view
from diagnose.knowledge.load import KnowledgeBase, knowledge_root, load_handbook
from diagnose.language import readable
from diagnose.language.case_files import case_paths, load_case
from diagnose.model import CaseRecord, FailureKind, Grade, HandbookRow
from diagnose.model.answer import Answer, Trust
from diagnose.network.engine import Engine
from diagnose.network.tables import Network, compile_network
from diagnose.render.text import names, percent

#: what to install when a library to compare with is not there
INSTALL = "install diagnose-gauges[check]"


class Result(Enum):
    """How a comparison came out."""

    AGREES = "agrees"
    DIFFERS = "differs"
    NOT_RUN = "not run"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A check against the outside, run afresh.

    ``values`` were compared and ``right`` of them agree; ``tolerance`` and ``worst`` (the largest
    difference found) are texts with their unit. ``misses`` says of each that differs, or is excused with a
    reason, what it is and why. ``expected_misses`` of them were known and are explained in writing.
    """

    group: str
    what: str
    source: str
    from_memory: bool = False
    values: int = 0
    right: int = 0
    tolerance: str = ""
    worst: str = ""
    misses: tuple[str, ...] = ()
    expected_misses: int = 0
    why_not: str = ""

    @property
    def result(self) -> Result:
        """Whether it agrees; a line differs as long as any of its values does."""
        if self.why_not:
            return Result.NOT_RUN
        return Result.AGREES if self.right == self.values else Result.DIFFERS

    @property
    def surprising(self) -> bool:
        """Whether more differs than is known and explained: a fault."""
        return self.result is Result.DIFFERS and self.values - self.right > self.expected_misses


def not_run(group: str, what: str, source: str, why: str = INSTALL) -> Line:
    """A line for a comparison that cannot be made here."""
    return Line(group=group, what=what, source=source, why_not=why)


def compared(
    group: str,
    what: str,
    source: str,
    found: Sequence[float],
    expected: Sequence[float],
    tolerance: float,
    unit: str,
    *,
    labels: Sequence[str] = (),
    from_memory: bool = False,
    misprints: dict[str, str] | None = None,
) -> Line:
    """A line for numbers within a tolerance; a value known to be misprinted stays a miss, with its reason."""
    misprints = misprints or {}
    names = labels or [str(place + 1) for place in range(len(expected))]
    gaps = [abs(one - other) for one, other in zip(found, expected, strict=True)]
    misses, known = [], 0
    for name, one, other, gap in zip(names, found, expected, gaps, strict=True):
        if not gap <= tolerance:
            reason = misprints.get(name, "")
            known += bool(reason)
            misses.append(f"{name}: {one:.6g}, not {other:g} {unit}" + (f" ({reason})" if reason else ""))
    return Line(
        group=group,
        what=what,
        source=source,
        from_memory=from_memory,
        values=len(gaps),
        right=len(gaps) - len(misses),
        tolerance=f"{tolerance:g} {unit}",
        worst=f"{max(gaps):.2g} {unit}",
        misses=tuple(misses),
        expected_misses=known,
    )


HANDBOOK = "handbook tables"
#: a stated reading is the likeliest of its facet or has at least this chance (three in ten: common)
LEAST = 0.3
#: the panel of the handbooks' tables
SCAN_PANEL = "single_pump"

Contradiction = tuple[int, str]


def case_of(row: HandbookRow, without: frozenset[Contradiction] = frozenset()) -> CaseRecord:
    """The row as an exercise, less the (snapshot, facet) pairs that contradict us."""
    shows = tuple(
        msgspec.structs.replace(
            snapshot, readings={f: r for f, r in snapshot.readings.items() if (number, f) not in without}
        )
        for number, snapshot in enumerate(row.shows)
    )
    return CaseRecord(title=row.id, panel=row.panel, setting="exercise", context=row.context, snapshot=shows)


@dataclass(frozen=True)
class RowCheck:
    """One row worked through in both directions by one panel's engine."""

    kb: KnowledgeBase
    engine: Engine
    row: HandbookRow

    def unlikely(self, failures: tuple[str, ...]) -> frozenset[Contradiction]:
        """(snapshot, facet) of each reading of the row that these failures hardly show."""
        predicted = self.engine.predict(case_of(self.row), failures)
        return frozenset(
            (number, facet)
            for number, (snapshot, chances) in enumerate(zip(self.row.shows, predicted, strict=True))
            for facet, reading in snapshot.readings.items()
            if chances[facet][reading] < min(LEAST, max(chances[facet].values()))
        )

    @cached_property
    def contradicted(self) -> frozenset[Contradiction]:
        """Readings of the row that our physics does not show."""
        return self.unlikely(self.row.failures)

    @property
    def excused(self) -> frozenset[Contradiction]:
        """The contradicting readings that the ranking leaves out: only those that a finding explains."""
        return self.contradicted if self.row.finding else frozenset()

    @cached_property
    def misses(self) -> tuple[str, ...]:
        """What is wrong when the row's readings are ranked; empty if they lead back to its failures."""
        row, case = self.row, case_of(self.row, self.excused)
        own = self.engine.log_likelihood(case, row.failures)

        def alike(failures: tuple[str, ...]) -> bool:
            gap = self.engine.log_likelihood(case, failures) - own
            return abs(gap) <= math.log(self.kb.review.alike_within)

        # two at once are rarer than one by the setting: they are compared among sets of their own size
        ranked = answer_case(self.kb, case, self.engine).ranking
        if len(row.failures) > 1:
            first = next(set_ for set_ in ranked if len(set_.failures) == len(row.failures))
        else:
            first = next(s for s in ranked if len(s.failures) >= len(row.failures) or not s.failures)
        found = []
        if set(first.failures) != set(row.failures) and not alike(first.failures):
            found.append(f"{names(self.kb, first.failures)} comes first and explains them differently well")
        # a healthy panel would hardly show this, in the readings that do not contradict us
        if row.failures and self.unlikely(()) - self.excused and alike(()):
            found.append("a healthy panel explains it as well")
        return tuple(found)


@dataclass
class RowChecks:
    """Works through rows; keeps the engines of the panels."""

    kb: KnowledgeBase
    engines: dict[str, Engine] = field(default_factory=dict)

    def of(self, row: HandbookRow) -> RowCheck:
        """The check of a row."""
        if row.panel not in self.engines:
            self.engines[row.panel] = engine_for(self.kb, row.panel)
        return RowCheck(self.kb, self.engines[row.panel], row)


def handbook_lines(
    kb: KnowledgeBase, engines: dict[str, Engine], told: Callable[[str], None]
) -> Iterator[Line]:
    """Forwards, backwards, and the scan table."""
    checks, rows = RowChecks(kb, engines), load_handbook()
    cited = {row.source for row in rows} & kb.documents.keys()
    source = f"{len(cited)} documents; each row names its own, with section"
    forward: list[str] = []
    backward: list[str] = []
    surprising = [0, 0]
    for number, row in enumerate(rows, 1):
        if number % 10 == 0:
            told(f"handbook rows: {number} of {len(rows)}")
        check = checks.of(row)
        why = f". Why: {_sentence(row.finding)}" if row.finding else ""
        if check.contradicted:
            shown = dict.fromkeys(
                f"{readable(f.replace('.', ' '))} {readable(row.shows[n].readings[f])}"
                for n, f in sorted(check.contradicted)
            )
            forward.append(f"{_sentence(row.says)}. Our physics does not show: {', '.join(shown)}{why}")
            surprising[0] += not row.finding
        if check.misses:
            found = "; ".join(check.misses)
            backward.append(f"{_sentence(row.says)}. From its readings: {found}{why}")
            surprising[1] += not row.finding
    memory = sum(row.from_memory for row in rows)
    for what, misses, faults, tolerance in (
        ("rows forwards: does our physics show what they state", forward, surprising[0], f"chance ≥ {LEAST}"),
        (
            "rows backwards: do their readings lead to their failures",
            backward,
            surprising[1],
            f"first, or Bayes factor ≤ {kb.review.alike_within:g}",
        ),
    ):
        yield Line(
            group=HANDBOOK,
            what=f"{what} ({memory} of {len(rows)} from memory)" if memory else what,
            source=source,
            from_memory=memory == len(rows),
            values=len(rows),
            right=len(rows) - len(misses),
            tolerance=tolerance,
            misses=tuple(misses),
            expected_misses=len(misses) - faults,
        )
    yield scan_line(kb)
    yield partial_panel_line(kb)


def scan_rows() -> list[dict[str, Any]]:
    """The published table of primary instruments."""
    path = knowledge_root() / "handbook/scan.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))["primary"]


def scan_line(kb: KnowledgeBase) -> Line:
    """Primary and supporting instruments of each maneuver against the published table."""
    rows, misses = scan_rows(), []
    for row in rows:
        manoeuvre = kb.manoeuvres[row["manoeuvre"]]
        for axis in ("pitch", "bank", "power"):
            use = getattr(manoeuvre, axis)
            if use is None or use.primary != row[axis]:
                misses.append(f"{row['manoeuvre']}, {axis}: {use and use.primary}, not {row[axis]}")
            if use is None or list(use.supporting) != row["supporting"][axis]:
                misses.append(f"{row['manoeuvre']}, {axis}: supported by {use and ', '.join(use.supporting)}")
    count = 6 * len(rows)
    return Line(
        group=HANDBOOK,
        what="primary and supporting instruments by maneuver and axis",
        source="; ".join(kb.documents[name].title for name in sorted({row["source"] for row in rows})),
        values=count,
        right=count - len(misses),
        tolerance="the same gauge",
        misses=tuple(misses),
    )


def lost_rows() -> tuple[dict[str, list[str]], list[dict[str, Any]]]:
    """The published partial panels: maneuvers of each kind, and a row for each lost system."""
    path = knowledge_root() / "handbook/partial_panel.toml"
    found = tomllib.loads(path.read_text(encoding="utf-8"))
    return found["kinds"], found["lost"]


def partial_panel_misses(network: Network, row: dict[str, Any]) -> Iterator[tuple[str, str]]:
    """Compare each axis of each maneuver, and both halves of the other method; (what, "" or what differs).

    What the table names as primary or supporting and what is not lost must go on in one of the two places.
    """
    kinds, _ = lost_rows()
    lost = set(row["lost"])
    seen = [g for g in network.dial_gauges if not network.kb.gauges[g].unseen_in]
    grades = {g: Grade.COVER if g in lost else Grade.USE for g in seen}
    trusts = tuple(Trust(gauge=g, now=1.0, soon=1.0, grade=grade) for g, grade in grades.items())
    usual = {published["manoeuvre"]: published for published in scan_rows()}
    for kind, manoeuvres in kinds.items():
        for manoeuvre in manoeuvres:
            for advice in partial_panel(network, manoeuvre, trusts):
                own = [usual[manoeuvre].get(advice.axis, "heading")]
                expected = row.get(advice.axis, {}).get(kind, own)
                told = f"{row['system']} lost, {manoeuvre}, {advice.axis}"
                right = advice.primary in expected
                yield told, "" if right else f"{told}: {advice.primary}, not {' or '.join(expected)}"
                named = {*own, *usual[manoeuvre]["supporting"].get(advice.axis, ())} & grades.keys() - lost
                left = ", ".join(sorted(named - {advice.primary, *advice.supporting}))
                gone = ", ".join(sorted(lost & {*advice.supporting}))
                yield f"{told}, supporting", f"{told}: {left or gone}" if left or gone else ""
    view = method_view(network.panel, grades)
    for half, shown in (("control", view.control), ("performance", view.performance)):
        told = f"{row['system']} lost, {half}"
        yield told, "" if list(shown) == row[half] else f"{told}: {', '.join(shown)}"


def partial_panel_line(kb: KnowledgeBase) -> Line:
    """What is flown by with each system lost, by both methods, against the handbooks, row by row."""
    _, rows = lost_rows()
    panels = {row.get("panel", SCAN_PANEL) for row in rows}
    networks = {panel: compile_network(kb, panel) for panel in panels}
    compared = [
        found for row in rows for found in partial_panel_misses(networks[row.get("panel", SCAN_PANEL)], row)
    ]
    misses = tuple(miss for _, miss in compared if miss)
    memory = sum(row["from_memory"] for row in rows)
    return Line(
        group=HANDBOOK,
        what=f"partial panel with a system lost, by both methods ({memory} of {len(rows)} rows from memory)",
        source="; ".join(kb.documents[name].title for name in sorted({row["source"] for row in rows})),
        values=len(compared),
        right=len(compared) - len(misses),
        tolerance="the same gauge, or one of those named as equal",
        misses=misses,
    )


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


INCIDENTS = "published incidents"
STRENGTHS = {
    "T1": "cause found by inspection",
    "T2": "cause shown by the response in flight",
    "T3": "cause inferred by those who were there",
    "T4": "cause never established",
}
#: strengths at which the cause is known, not guessed
SHOWN = ("T1", "T2")
#: the place up to which a true cause counts
PLACES = 3


def place_of_truth(kb: KnowledgeBase, case: CaseRecord, answer: Answer) -> int:
    """Place of the first true set among what is listed, counted from one; 0 if it is not there.

    A fault that is in no list is no rival: it says that nothing here explains the readings well.
    """
    truths = {tuple(sorted(truth)) for truth in (case.truth.failures if case.truth else ())}
    listed = (r for r in answer.ranking if all(kb.failures[name].listed for name in r.failures))
    for place, ranked in enumerate(listed, 1):
        if tuple(sorted(ranked.failures)) in truths:
            return place
    return 0


def published() -> list[str]:
    """Names of the published cases."""
    return [name for name, path in case_paths().items() if path.parent.name == "published"]


def incident_lines(
    kb: KnowledgeBase, engines: dict[str, Engine], told: Callable[[str], None]
) -> Iterator[Line]:
    """First place, and among the first three, by strength of the truth."""
    by_strength: dict[str, list[tuple[CaseRecord, Answer, int]]] = {}
    named = published()
    for number, name in enumerate(named, 1):
        if number % 5 == 0:
            told(f"published incidents: {number} of {len(named)}")
        case = load_case(name, kb)
        if case.panel not in engines:
            engines[case.panel] = engine_for(kb, case.panel)
        answer = answer_case(kb, case, engines[case.panel])
        if case.truth is not None:
            entry = (case, answer, place_of_truth(kb, case, answer))
            by_strength.setdefault(case.truth.strength, []).append(entry)
    for strength, meaning in STRENGTHS.items():
        entries = by_strength.get(strength, [])
        if not entries:
            continue
        for most, what in ((1, "the cause comes first"), (PLACES, f"the cause is among the first {PLACES}")):
            missed = [entry for entry in entries if not 0 < entry[2] <= most]
            # a second or third place is told, and so is any place where the truth is only inferred;
            # a cause that was shown and stands lower is a fault
            faults = sum(not 0 < place <= PLACES for *_, place in missed) if strength in SHOWN else 0
            misses = [_miss(kb, *entry) for entry in missed]
            yield Line(
                group=INCIDENTS,
                what=f"{what} ({strength}: {meaning})",
                source="; ".join(sorted({_origin(case) for case, *_ in entries})),
                values=len(entries),
                right=len(entries) - len(misses),
                tolerance="first" if most == 1 else f"first {most}",
                misses=tuple(misses),
                expected_misses=len(misses) - faults,
            )


def _origin(case: CaseRecord) -> str:
    return case.source.split(";")[0].strip()


def _miss(kb: KnowledgeBase, case: CaseRecord, answer: Answer, place: int) -> str:
    truth = names(kb, case.truth.failures[0]) if case.truth and case.truth.failures else "unknown"
    first = answer.ranking[0]
    look_alike = all(kb.failures[f].kind is FailureKind.LOOK_ALIKE for f in first.failures)
    said = names(kb, first.failures) + (", no failure" if first.failures and look_alike else "")
    where = f"in place {place}" if place else "not listed"
    return (
        f"{case.title}: true was {truth}, {where}; first came {said} ({percent(first.posterior)}) "
        f"[{_origin(case)}]"
    )
