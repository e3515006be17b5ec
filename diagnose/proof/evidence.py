"""What the tool was checked against, from outside the project: every check run afresh, the findings put into sections once, what was not
shown first, and those as text, as data and as a page.
"""

from __future__ import annotations

import math
import platform
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from diagnose import __version__
from diagnose.knowledge.load import KnowledgeBase
from diagnose.model.errors import KnowledgeError
from diagnose.network.engine import Engine
from diagnose.network.odds import failure_rates
from diagnose.proof.handbook import HANDBOOK, INCIDENTS, Line, Result, handbook_lines, incident_lines
from diagnose.proof.sensitivity import ORIGINS, Effect, Sensitivity, load_result, numbers, origin_counts
from diagnose.proof.stored import Section, stored_sections
from diagnose.proof.values import atmosphere_lines, inference_lines, value_lines
from diagnose.render.pages.page import filled_columns, heading, listed, page, paragraph, table
from diagnose.render.text import CAUTION, fill

#: numbers that matter most, shown
MOST_SHOWN = 10
#: length of the flight that the priors are shown for
PRIOR_HOURS = 1.0

#: what none of the checks can show; each is a reason to doubt
LIMITS = (
    "No recorded flight was used. What a failing gauge shows is simulated from physics; no file of real "
    "failures with real readings was available.",
    "The published incidents are few, were known while the knowledge was written, and some corrections came "
    "from looking at them. Read them as 'not wrong on these', not as a measured accuracy.",
    "Handbooks were mostly read in restatements, not in the printed edition; what was not read again is marked "
    "'from memory'.",
    "Agreement with the inference libraries shows that sets are counted and sums are right, no more: they are "
    "handed the prior odds, the memories, the motions and the disagreements as the engine has them. Those are "
    "checked by the test suite, against a plain reference that shares no code with the engine, on panels of five "
    "failures. Neither shows that the numbers behind them are right.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All lines, where the numbers come from, which of them matter (None: not measured), and on what it ran."""

    lines: tuple[Line, ...]
    numbers: Mapping[str, Mapping[str, int]]
    sensitivity: Sensitivity | None
    made_with: str

    @property
    def faults(self) -> tuple[Line, ...]:
        """Lines with a difference that nothing in the knowledge explains."""
        return tuple(line for line in self.lines if line.surprising)


def all_lines(kb: KnowledgeBase, told: Callable[[str], None]) -> Iterator[Line]:
    """Run every check; ``told`` hears of the progress."""
    engines: dict[str, Engine] = {}
    yield from incident_lines(kb, engines, told)
    yield from handbook_lines(kb, engines, told)
    yield from value_lines(kb)
    yield from atmosphere_lines()
    yield from inference_lines(kb, engines, told)


def gather(kb: KnowledgeBase, told: Callable[[str], None] = lambda _: None) -> Evidence:
    """Run every check and collect what is stored; takes about a minute."""
    try:
        sensitivity = load_result()
    except KnowledgeError:
        sensitivity = None
    return Evidence(
        lines=tuple(all_lines(kb, told)),
        numbers=origin_counts(kb),
        sensitivity=sensitivity,
        made_with=f"diagnose {__version__}, Python {platform.python_version()}",
    )


def sections(found: Evidence, kb: KnowledgeBase) -> Iterator[Section]:
    """The whole document."""
    yield _summary(found)
    yield from _not_shown(found)
    yield from _lines(found)
    yield _numbers(found)
    yield from _priors(kb)
    if found.sensitivity is not None:
        yield _sensitivity(found.sensitivity, kb)
    yield from stored_sections(kb)
    yield Section(
        title="To repeat this",
        texts=(
            "diagnose evidence runs every check again. The expected values stand in knowledge/outside and "
            "knowledge/handbook, the published incidents in cases/published, each with its source; the tests "
            f"read the same files. Made with {found.made_with}.",
        ),
    )


def total_of(found: Evidence) -> tuple[int, int]:
    """How many values were compared, and how many of them agree."""
    ran = [line for line in found.lines if line.result is not Result.NOT_RUN]
    return sum(line.values for line in ran), sum(line.right for line in ran)


def judgement_of(found: Evidence) -> tuple[int, int]:
    """How many numbers rest on judgement, of how many."""
    counts = found.numbers.values()
    return sum(c["judgement"] for c in counts), sum(sum(c.values()) for c in counts)


def _summary(found: Evidence) -> Section:
    values, right = total_of(found)
    judged, all_numbers = judgement_of(found)
    count = {result: sum(line.result is result for line in found.lines) for result in Result}
    faults = (
        f" {len(found.faults)} of them differ in a way that nothing here explains: that is a fault."
        if found.faults
        else " Every difference is known and explained below."
        if count[Result.DIFFERS]
        else ""
    )
    return Section(
        title="Why believe it, and where not",
        texts=(
            "An expert system deserves belief only as far as something outside of it agrees. This compares "
            f"{values:,} values with publications and independent libraries: {right:,} agree. Of "
            f"{len(found.lines)} comparisons {count[Result.AGREES]} agree throughout, "
            f"{count[Result.DIFFERS]} differ somewhere and {count[Result.NOT_RUN]} were not run.{faults}",
            f"The laws are published; the odds are not. Of {all_numbers:,} numbers in the knowledge base {judged:,} "
            "rest on judgement. What follows begins with what was not shown.",
        ),
    )


def _not_shown(found: Evidence) -> Iterator[Section]:
    yield Section(title="What was not shown", bullets=LIMITS)
    for group, title in (
        (INCIDENTS, "Published incidents whose cause did not come first"),
        (HANDBOOK, "Handbook rows that contradict us, with the reason"),
    ):
        misses = dict.fromkeys(miss for line in found.lines if line.group == group for miss in line.misses)
        if misses:
            yield Section(title=title, bullets=_without_shorter(list(misses)))
    others = [line for line in found.lines if line.group not in (INCIDENTS, HANDBOOK) and line.misses]
    if others:
        yield Section(
            title="Other values that differ",
            bullets=tuple(f"{line.what}, {miss}" for line in others for miss in line.misses),
        )
    missing = [line for line in found.lines if line.result is Result.NOT_RUN]
    if missing:
        yield Section(title="Not run here", bullets=tuple(f"{line.what}: {line.why_not}" for line in missing))


def _without_shorter(texts: list[str]) -> tuple[str, ...]:
    """Leave out a text that another one begins with."""
    return tuple(t for t in texts if not any(other != t and other.startswith(t) for other in texts))


def _lines(found: Evidence) -> Iterator[Section]:
    for group in dict.fromkeys(line.group for line in found.lines):
        yield Section(
            title=f"Checked: {group}",
            heads=("result", "agree", "what", "how close, and source"),
            rows=tuple(_row(line) for line in found.lines if line.group == group),
        )


def _row(line: Line) -> tuple[str, ...]:
    memory = " (from memory)" if line.from_memory else ""
    if line.result is Result.NOT_RUN:
        return (line.result.value, "", line.what, f"{line.why_not}. {line.source}{memory}")
    worst = f", largest difference {line.worst}" if line.worst else ""
    return (
        line.result.value,
        f"{line.right} of {line.values}",
        line.what,
        f"tolerance {line.tolerance.strip()}{worst}. {line.source}{memory}",
    )


def _numbers(found: Evidence) -> Section:
    judged, total = judgement_of(found)
    rows = []
    for kind, counts in found.numbers.items():
        others = [f"{counts[o]:,} {o}" for o in ORIGINS if o != "judgement" and counts[o]]
        rows.append((f"{counts['judgement']:,} of {sum(counts.values()):,}", kind, ", ".join(others)))
    return Section(
        title="Where the numbers come from",
        texts=(
            f"{judged:,} of the {total:,} numbers are judgement. An entry that cites a document for what "
            "happens, and says in its note that its numbers are judgement, counts as judgement. Constants of "
            "the atmosphere and of units are not among them; they are checked above.",
        ),
        heads=("judgement", "numbers of", "the others"),
        rows=tuple(rows),
    )


def _priors(kb: KnowledgeBase) -> Iterator[Section]:
    """How likely each failure is before anything is read, against the others of its system."""
    largest = kb.limits.largest_latent
    for system in dict.fromkeys(failure.system for failure in kb.failures.values()):
        rows = []
        for failure in kb.failures.values():
            if failure.system is not system:
                continue
            rate, latent = failure_rates(failure, (), largest)
            prior = latent + (1.0 - latent) * -math.expm1(-rate * PRIOR_HOURS)
            source = kb.documents[failure.source].title if failure.source in kb.documents else failure.source
            memory = " (from memory)" if failure.from_memory else ""
            rows.append(
                (
                    prior,
                    f"{prior:.1e}",
                    failure.name,
                    f"{failure.note or 'no reason noted'}. {source}{memory}",
                )
            )
        rows.sort(key=lambda row: -row[0])
        yield Section(
            title=f"How likely before anything is read: {system.value}",
            texts=(
                f"Chance per flight of {PRIOR_HOURS:g} hour without any condition of the day, the likeliest first; "
                "0 needs a condition of the day.",
            ),
            heads=("prior", "failure", "why, and source"),
            rows=tuple(row[1:] for row in rows),
        )


def _sensitivity(result: Sensitivity, kb: KnowledgeBase) -> Section:
    shown = result.effects[:MOST_SHOWN]
    flips = sum(bool(effect.first_changes) for effect in result.effects)
    return Section(
        title=f"The {len(shown)} numbers that matter most",
        texts=(
            f"Each of {len(result.effects)} uncertain numbers was set to both ends of its range, all else kept, "
            f"and the {len(result.cases)} shipped cases were ranked again. {flips} of them can change what "
            "comes first in some case. A range that is not stated was taken as a factor of three either way. "
            "Bounds of the physics were not varied: every simulated flight draws them over their whole range. "
            f"Stored result of: {result.command}.{_stale(result, kb)}",
        ),
        heads=("mean change", "largest", "number", "range, and where"),
        rows=tuple(_effect_row(effect, kb) for effect in shown),
    )


def _stale(result: Sensitivity, kb: KnowledgeBase) -> str:
    """What to say when the knowledge has moved on since the result was stored."""
    stored = {(effect.kind, effect.id): effect.value for effect in result.effects}
    now = {(number.kind, number.id): number.value for number in numbers(kb)}
    moved = [
        key for key, value in now.items() if not math.isclose(stored.get(key, -1.0), value, rel_tol=1e-3)
    ]
    return f" {len(moved)} of the numbers have changed since: run it again." if moved else ""


def _effect_row(effect: Effect, kb: KnowledgeBase) -> tuple[str, ...]:
    names = {"failure": kb.failures, "context": kb.failures, "setting": kb.settings}
    known = names.get(effect.kind, {})
    name = getattr(known.get(effect.id), "name", effect.id)
    stated = "stated range" if effect.stated else "assumed range"
    count = len(effect.first_changes)
    changed = f"what comes first changes in {count} {'case' if count == 1 else 'cases'}"
    return (
        f"{effect.mean * 100:.1f} %",
        f"{effect.largest * 100:.0f} %",
        f"{name}: {effect.what}",
        f"{stated} {effect.low:.2g} to {effect.high:.2g}; {changed if count else 'what comes first never changes'}",
    )


#: the detail of a row stands under it, not under its last cell, which would leave little room
DETAIL = " " * 10


def render(found: Evidence, kb: KnowledgeBase, width: int = 80) -> str:
    """The whole document as text."""
    parts = [section_text(section, width) for section in sections(found, kb)]
    return "\n\n".join([*parts, fill(CAUTION, width)])


def section_text(section: Section, width: int) -> str:
    """A section: heading, texts, remarks, table."""
    lines = [section.title, "-" * len(section.title)]
    lines += [fill(text, width) for text in section.texts]
    lines += [fill(text, width, "  - ", "    ") for text in section.bullets]
    if section.rows:
        lines += _table(section.heads, section.rows, width)
    return "\n".join(lines)


def _table(heads: tuple[str, ...], rows: Iterable[tuple[str, ...]], width: int) -> list[str]:
    """Short cells side by side, then what the row is about; its detail stands below."""
    listed = list(rows)
    short = range(len(heads) - 2)
    wide = [max(len(row[i]) for row in (heads, *listed)) for i in short]

    def lead(row: tuple[str, ...]) -> str:
        return "".join(f"  {row[i]:<{wide[i]}}" for i in short) + "  "

    indent = " " * len(lead(heads))
    lines = [fill(heads[-2], width, lead(heads), indent)]
    for row in listed:
        lines.append(fill(row[-2], width, lead(row), indent))
        if row[-1]:
            lines.append(fill(row[-1], width, DETAIL))
    return lines


def to_data(found: Evidence) -> dict[str, Any]:
    """The findings as plain data."""
    values, right = total_of(found)
    judged, numbers = judgement_of(found)
    return {
        "made_with": found.made_with,
        "values": values,
        "agree": right,
        "unexplained": [line.what for line in found.faults],
        "lines": [asdict(line) | {"result": line.result.value} for line in found.lines],
        "numbers": {
            "total": numbers,
            "judgement": judged,
            "tables": {k: dict(v) for k, v in found.numbers.items()},
        },
        "sensitivity": asdict(found.sensitivity) if found.sensitivity else None,
    }


def evidence_page(found: Evidence, kb: KnowledgeBase) -> str:
    """Give the whole document as a page."""
    first, *rest = sections(found, kb)
    body = [heading(1, first.title), *_content(first)]
    for section in rest:
        body += [heading(2, section.title), *_content(section)]
    return page(first.title, body)


def _content(section: Section) -> Iterator[str]:
    yield from map(paragraph, section.texts)
    if section.svg:
        yield f"<figure>{section.svg}</figure>"
    if section.bullets:
        yield listed(section.bullets)
    if section.rows:
        yield f'<div class="wide">{table(*filled_columns(section.heads, section.rows))}</div>'
