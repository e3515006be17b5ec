"""Published failure tables row by row and in both directions, and the table of primary instruments.

Forwards: with a row's failures there from the start, the physics makes each stated reading the likeliest of
its facet or gives it at least ``LEAST``. Backwards: the readings alone rank the row's failures first, or
first stands a set that these readings cannot tell from them, that is whose likelihood is within a Bayes
factor of ``CANNOT_TELL`` *both ways* (a set that explains the readings much better is a miss). A row that a
sound panel does not show must also be told from a sound panel. A row that contradicts us carries a written
``finding``.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import msgspec

from diagnose import answer_case, engine_for
from diagnose.advice.advise import partial_panel
from diagnose.advice.partial_panel import method_view
from diagnose.knowledge.load import KnowledgeBase, knowledge_root, load_handbook
from diagnose.language import readable
from diagnose.model import CaseRecord, Grade, HandbookRow
from diagnose.model.answer import Trust
from diagnose.network.engine import Engine
from diagnose.network.tables import Network, compile_network
from diagnose.proof.outside.line import Line
from diagnose.render.text import names

GROUP = "handbook tables"
#: a stated reading is the likeliest of its facet or has at least this chance (three in ten: common)
LEAST = 0.3
#: Bayes factor up to which readings do not tell two sets apart ("barely worth a mention" on Jeffreys' scale)
CANNOT_TELL = 3.0
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
            return abs(gap) <= math.log(CANNOT_TELL)

        # two at once are rarer than one by the setting: they are compared among sets of their own size
        ranked = answer_case(self.kb, case, self.engine).ranking
        if len(row.failures) > 1:
            first = next(set_ for set_ in ranked if len(set_.failures) == len(row.failures))
        else:
            first = next(s for s in ranked if len(s.failures) >= len(row.failures) or not s.failures)
        found = []
        if set(first.failures) != set(row.failures) and not alike(first.failures):
            found.append(f"{names(self.kb, first.failures)} comes first and explains them differently well")
        # a sound panel would hardly show this, in the readings that do not contradict us
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
            f"first, or Bayes factor ≤ {CANNOT_TELL:g}",
        ),
    ):
        yield Line(
            group=GROUP,
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


def scan_rows() -> list[dict[str, str]]:
    """The published table of primary instruments."""
    path = knowledge_root() / "handbook/scan.toml"
    return tomllib.loads(path.read_text(encoding="utf-8"))["primary"]


def scan_line(kb: KnowledgeBase) -> Line:
    """Primary instruments of each maneuver against the published table."""
    rows, misses = scan_rows(), []
    for row in rows:
        manoeuvre = kb.manoeuvres[row["manoeuvre"]]
        for axis in ("pitch", "bank", "power"):
            use = getattr(manoeuvre, axis)
            if use is None or use.primary != row[axis]:
                misses.append(f"{row['manoeuvre']}, {axis}: {use and use.primary}, not {row[axis]}")
    count = 3 * len(rows)
    return Line(
        group=GROUP,
        what="primary instruments by maneuver and axis",
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
    """Compare each axis of each maneuver, and both halves of the other method; (what, "" or what differs)."""
    kinds, _ = lost_rows()
    lost = set(row["lost"])
    grades = {g: Grade.COVER if g in lost else Grade.USE for g in network.dial_gauges}
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
    view = method_view(network.panel, grades)
    for half, shown in (("control", view.control), ("performance", view.performance)):
        told = f"{row['system']} lost, {half}"
        yield told, "" if list(shown) == row[half] else f"{told}: {', '.join(shown)}"


def partial_panel_line(kb: KnowledgeBase) -> Line:
    """What is flown by with each system lost, by both methods, against the handbooks, row by row."""
    network, (_, rows) = compile_network(kb, SCAN_PANEL), lost_rows()
    compared = [found for row in rows for found in partial_panel_misses(network, row)]
    misses = tuple(miss for _, miss in compared if miss)
    memory = sum(row["from_memory"] for row in rows)
    return Line(
        group=GROUP,
        what=f"partial panel with a system lost, by both methods ({memory} of {len(rows)} rows from memory)",
        source="; ".join(kb.documents[name].title for name in sorted({row["source"] for row in rows})),
        values=len(compared),
        right=len(compared) - len(misses),
        tolerance="the same gauge, or one of those named as equal",
        misses=misses,
    )


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"
