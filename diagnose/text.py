"""An answer and a case as plain text of a given width, and an answer as data for JSON."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

from diagnose.advice_text import (
    CAUTION,
    advice_data,
    all_look_lines,
    axis_line,
    decision_lines,
    next_look_lines,
    recovery_lines,
    worth_while,
)
from diagnose.answer import Answer, Ranked, Trust
from diagnose.knowledge import KnowledgeBase
from diagnose.layout import NARROWEST, PLAIN, factor, factor_in_words, fill, names, percent, table
from diagnose.model import CaseRecord, Grade, SnapshotRecord
from diagnose.words import readable, with_doubt

__all__ = [
    "CAUTION",
    "NARROWEST",
    "PLAIN",
    "columns",
    "describe",
    "factor",
    "fill",
    "flattened",
    "names",
    "percent",
    "render",
    "render_short",
    "table",
    "to_data",
]

GRADE_WORDS = {Grade.USE: "use", Grade.VERIFY: "verify", Grade.COVER: "cover"}
#: explanations below this chance are summed up in one line
LEAST_SHOWN = 0.0005


def columns(rows: Sequence[tuple[str, str, str, str]], width: int) -> str:
    """A name that may be long and three short columns; the first row is the head."""
    if width == PLAIN:
        _, one, other, _ = rows[0]
        return "\n".join(
            f"{name}: {one} {first}, {other} {second}" + (f", {note}" if note else "")
            for name, first, second, note in rows[1:]
        )
    sizes = [max(len(row[place]) for row in rows) for place in (1, 2, 3)]
    room = max(max(width, NARROWEST) - sum(sizes) - 8, 12)
    room = min(room, max(len(row[0]) for row in rows))
    lines = []
    for name, *cells in rows:
        first, *more = textwrap.wrap(name, room) or [""]
        beside = "  ".join(f"{cell:<{size}}" for cell, size in zip(cells, sizes, strict=True))
        lines += [f"  {first:<{room}}  {beside}".rstrip(), *(f"  {text}" for text in more)]
    return "\n".join(lines)


def flattened(text: str) -> str:
    """A page that was set out in columns, as one statement a line."""
    lines = (re.sub(r"(?<=\S) {2,}", "; ", line.strip()) for line in text.splitlines())
    return "\n".join(line for line in lines if line)


# ------------------------------------------------------------------ the answer


def _shown(ranking: tuple[Ranked, ...], most: int) -> list[tuple[int, Ranked]]:
    """The first few explanations with their places, and "nothing failed" wherever it stands."""
    return [
        (place, ranked)
        for place, ranked in enumerate(ranking, 1)
        if (place <= most and ranked.posterior >= LEAST_SHOWN) or not ranked.failures
    ]


def ranking_lines(answer: Answer, kb: KnowledgeBase, width: int, most: int) -> list[str]:
    """The ranked list: chance, what, and how it came about."""
    if width == PLAIN:
        return [
            f"{place}. {names(kb, ranked.failures)}: {percent(ranked.posterior)}; before the readings "
            f"{percent(ranked.prior)}, {factor_in_words(ranked.evidence)}."
            for place, ranked in _shown(answer.ranking, most)
        ]
    lines = []
    room = max(width, NARROWEST) - 34
    for place, ranked in _shown(answer.ranking, most):
        words = textwrap.wrap(names(kb, ranked.failures), room) or [""]
        moved = f"{percent(ranked.prior):>7} {factor(ranked.evidence):>10}"
        number = f"{place:>3}" if place < 1000 else "  -"
        lines.append(f"{number} {percent(ranked.posterior):>7}  {words[0]:<{room}} {moved}".rstrip())
        lines.extend(f"{'':13}{more}" for more in words[1:])
        if place == 1 and len(ranked.failures) == 1:
            # the verdict speaks of the failure, whatever else has failed; the row of the failure alone
            whole = percent(answer.failures.get(ranked.failures[0], 0.0))
            if whole != percent(ranked.posterior):
                lines.append(f"{'':13}({whole} with or without another failure)")
    return lines


def render(
    answer: Answer,
    case: CaseRecord,
    kb: KnowledgeBase,
    width: int = 80,
    most: int = 8,
    why: str = "",
    *,
    all_looks: bool = False,
) -> str:
    """Give the whole answer as text; ``why`` is put after the ranking.

    With ``all_looks`` every look stands there in place of the three best.
    """
    listed = sum(ranked.posterior for _, ranked in _shown(answer.ranking, most))
    left, rest = percent(max(1.0 - listed, 0.0)), "all other failures, alone or together"
    if width == PLAIN:
        lines = [case.title, answer.verdict]
        lines += recovery_lines(answer, width) if answer.upset else []
        lines += [*ranking_lines(answer, kb, width, most), f"{rest}: {left}."]
    else:
        width = max(width, NARROWEST)
        title = fill(case.title, width)
        lines = [title, "=" * max(map(len, title.splitlines() or [""])), "", fill(answer.verdict, width), ""]
        if answer.upset:
            lines += recovery_lines(answer, width)
        lines.append(
            f"{'':3} {'chance':>7}  {'what has failed':<{width - 34}} {'before':>7} {'readings':>10}"
        )
        lines += ranking_lines(answer, kb, width, most)
        lines.append(f"{'':3} {left:>7}  {rest}")
    lines += ["", setting_line(answer, kb, width), *(["", why] if why else []), "", "Instruments"]
    lines += trust_lines(answer, kb, width)
    if answer.axes:
        lines += ["", fill(f"To fly on: {kb.manoeuvres[answer.manoeuvre].name}", width)]
        lines += [fill(*axis_line(axis, answer, kb, width)) for axis in answer.axes]
    if answer.looks and not all_looks:
        lines += ["", *next_look_lines(answer, kb, width)]
    if answer.decisions:
        lines += ["", *decision_lines(answer, width)]
    for note in answer.notes:
        lines += ["", fill(f"Normal effect: {note}", width)]
    if all_looks:
        lines += ["", *all_look_lines(answer, kb, width)]
    lines += ["", fill(CAUTION, width)]
    return "\n".join(line for line in lines if line or width != PLAIN)


def setting_line(answer: Answer, kb: KnowledgeBase, width: int) -> str:
    """Say where the chances before the readings come from, and what was left out."""
    setting = kb.settings[answer.setting]
    something = f", something is there with {percent(setting.chance)}" if setting.chance else ""
    return fill(
        f"Odds: {setting.name}{something}. 'before' is the chance before any reading, 'readings' how far "
        f"they moved its odds. Not covered: combinations with {percent(answer.uncovered)} before any reading.",
        width,
    )


def trust_lines(answer: Answer, kb: KnowledgeBase, width: int) -> list[str]:
    """Instruments by grade; the failure that speaks against some of them stands once, after them."""
    lines = []
    for grade in Grade:
        chosen = [t for t in answer.trust if t.grade is grade and kb.gauges[t.gauge].instrument]
        lead, indent = f"  {GRADE_WORDS[grade]:<7} ", " " * 10
        if grade is Grade.USE and chosen:
            lines.append(fill(", ".join(kb.gauges[t.gauge].name for t in chosen), width, lead, indent))
            continue
        for blame, reason in dict.fromkeys((t.blame, t.why) for t in chosen):
            listed = ", ".join(
                _trusted(t, kb, short=False) for t in chosen if (t.blame, t.why) == (blame, reason)
            )
            why = f"; {reason}" if reason else f"; suspect: {kb.failures[blame].name}" if blame else ""
            lines.append(fill(listed + why, width, lead, indent))
            lead = indent
    return lines


def _trusted(trust: Trust, kb: KnowledgeBase, *, short: bool) -> str:
    gauge = kb.gauges[trust.gauge]
    return f"{gauge.words[0] if short and gauge.words else gauge.name} (trust {percent(trust.soon)})"


def render_short(answer: Answer, kb: KnowledgeBase, width: int = 80) -> str:
    """Give the answer in a few lines, for after each line of the prompt."""
    lines = [fill(answer.verdict, width), *ranking_lines(answer, kb, width, 4)]
    for grade in Grade:
        chosen = [t for t in answer.trust if t.grade is grade and kb.gauges[t.gauge].instrument]
        if grade is Grade.USE:
            listed = [(kb.gauges[t.gauge].words or (kb.gauges[t.gauge].name,))[0] for t in chosen]
        else:
            listed = [_trusted(t, kb, short=True) for t in chosen]
        if listed:
            lines.append(fill(", ".join(listed), width, f"  {GRADE_WORDS[grade]:<7} ", " " * 10))
    if answer.upset:
        lines.append(fill(f"{answer.upset}: see 'fly'", width, "  recover ", " " * 10))
    for best in worth_while(answer, kb)[:1]:
        lines.append(fill(best.name, width, "  next    ", " " * 10))
    return "\n".join(lines)


# ------------------------------------------------------------------ the case


def describe(case: CaseRecord, kb: KnowledgeBase, width: int = 80) -> str:
    """Give a case in plain words."""
    conditions = ", ".join(kb.context[flag].name for flag in case.context) or "none stated"
    head = (
        ("panel", kb.panels[case.panel].name),
        ("odds", kb.settings[case.setting].name),
        ("conditions", conditions),
    )
    lines = [case.title, table(((f"  {name}", text) for name, text in head), width)]
    lines += [snapshot_lines(case, kb, at, width) for at in range(len(case.snapshot))]
    return "\n".join(lines if case.snapshot else [*lines, "  no snapshot yet"])


def snapshot_lines(case: CaseRecord, kb: KnowledgeBase, at: int, width: int = 80) -> str:
    """Give one snapshot of a case in plain words."""
    snapshot = case.snapshot[at]
    stated = list(_stated(snapshot, kb))
    head = fill(f"snapshot {at + 1}: {_when(snapshot, kb)}", width, "", "  ")
    return f"{head}\n{table(stated, width) if stated else '  nothing said yet'}"


def _when(snapshot: SnapshotRecord, kb: KnowledgeBase) -> str:
    text = f"{kb.manoeuvres[snapshot.manoeuvre].name}, {snapshot.minutes:g} min"
    if snapshot.minutes_before:
        text += f", {snapshot.minutes_before:g} min after the last"
    return text


def _stated(snapshot: SnapshotRecord, kb: KnowledgeBase) -> Iterable[tuple[str, str]]:
    for switch, position in snapshot.switches.items():
        yield f"  {kb.switches[switch].name}", position
    said: dict[str, list[str]] = {}
    sure = {facet: (reading, 1.0) for facet, reading in snapshot.readings.items()}
    for facet, (reading, chance) in (sure | snapshot.unsure).items():
        gauge_id, facet_id = facet.split(".")
        which = f"{readable(facet_id)} " if len(kb.gauges[gauge_id].facets) > 1 else ""
        said.setdefault(gauge_id, []).append(f"{which}{with_doubt(readable(reading), chance)}")
    for first, second in snapshot.disagree:
        said.setdefault(first, []).append(f"disagrees with the {kb.gauges[second].name}")
    for gauge_id, texts in said.items():
        yield f"  {kb.gauges[gauge_id].name}", ", ".join(texts)


# ------------------------------------------------------------------ data


def to_data(answer: Answer, case: CaseRecord, kb: KnowledgeBase, most: int = 20) -> dict[str, Any]:
    """Give the answer as plain data for JSON."""
    return {
        "title": case.title,
        "panel": case.panel,
        "setting": answer.setting,
        "verdict": answer.verdict,
        "decided": answer.decided,
        "ranking": [
            {
                "failures": list(r.failures),
                "names": names(kb, r.failures),
                "prior": r.prior,
                "posterior": r.posterior,
                "evidence": r.evidence,
            }
            for r in answer.ranking[:most]
        ],
        "failures": {name: chance for name, chance in answer.failures.items() if chance >= 1e-6},
        "uncovered": answer.uncovered,
        "log_evidence": answer.log_evidence,
        "instruments": [
            {
                "gauge": t.gauge,
                "name": kb.gauges[t.gauge].name,
                "true_now": t.now,
                "true_soon": t.soon,
                "grade": t.grade.value,
                "blame": t.blame,
                "why": t.why,
            }
            for t in answer.trust
        ],
        "fly_on": [
            {
                "axis": a.axis,
                "usual": a.usual,
                "primary": a.primary,
                "supporting": list(a.supporting),
                "out": list(a.out),
                "how": a.how,
            }
            for a in answer.axes
        ],
        "manoeuvre": answer.manoeuvre,
        **advice_data(answer, kb),
        "notes": list(answer.notes),
        "caution": CAUTION,
    }
