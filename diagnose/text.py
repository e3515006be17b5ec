"""An answer and a case as plain text of a given width, and an answer as data for JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Any

from diagnose.answer import Answer, AxisAdvice, Ranked, Trust
from diagnose.knowledge import KnowledgeBase
from diagnose.model import CaseRecord, Grade, SnapshotRecord
from diagnose.words import readable, with_doubt

CAUTION = (
    "For ground training and review only. In flight the aircraft's handbook, ATC and the pilot in "
    "command decide; maintenance findings are for licensed technicians."
)
GRADE_WORDS = {Grade.USE: "use", Grade.VERIFY: "verify", Grade.COVER: "cover"}
#: narrower than this the table of chances has no room for what has failed
NARROWEST = 56
#: explanations below this chance are summed up in one line
LEAST_SHOWN = 0.0005
#: keeps a number and its unit on one line while text is wrapped
HARD_SPACE = "\N{NO-BREAK SPACE}"


def percent(chance: float) -> str:
    """A chance as people read it."""
    if chance >= 0.9995:
        return ">99.9 %"
    if chance >= 0.0995:
        return f"{chance * 100:.0f} %"
    if chance >= 0.001:
        return f"{chance * 100:.1f} %"
    return "<0.1 %"


def factor(value: float) -> str:
    """How far the readings moved the odds: "x 160" up, ": 16" down, "as it was"."""
    sign, size = ("x", value) if value >= 1.0 else (":", 1.0 / max(value, 1e-99))
    if size < 1.05:
        return "as it was"
    if size < 9.95:
        return f"{sign} {size:.1f}"
    if size < 99_500:
        return f"{sign} {float(f'{size:.2g}'):.0f}"
    return f"{sign} >100000" if size >= 1e6 else f"{sign} {float(f'{size:.1g}'):.0f}"


def names(kb: KnowledgeBase, failures: tuple[str, ...]) -> str:
    """A set of failures in words."""
    if not failures:
        return "nothing failed"
    return " + ".join(kb.failures[failure].name for failure in failures)


def fill(text: str, width: int, first: str = "", later: str | None = None) -> str:
    """Wrap text; ``first`` and ``later`` stand before its first and its later lines."""
    joined = text.replace(" %", f"{HARD_SPACE}%")
    wrapped = textwrap.fill(
        joined,
        max(width, NARROWEST),
        initial_indent=first,
        subsequent_indent=first if later is None else later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return wrapped.replace(HARD_SPACE, " ")


def table(rows: Iterable[tuple[str, str]], width: int) -> str:
    """Two columns, the second wrapped beside the first."""
    listed = list(rows)
    left = min(max((len(name) for name, _ in listed), default=0) + 2, max(width, NARROWEST) // 2)
    return "\n".join(
        fill(text, width, f"{name:<{left}}", " " * left) if text else name.rstrip() for name, text in listed
    )


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
    answer: Answer, case: CaseRecord, kb: KnowledgeBase, width: int = 80, most: int = 8, why: str = ""
) -> str:
    """Give the whole answer as text; ``why`` is put after the ranking."""
    width = max(width, NARROWEST)
    title = fill(case.title, width)
    lines = [title, "=" * max(map(len, title.splitlines() or [""])), "", fill(answer.verdict, width), ""]
    lines.append(f"{'':3} {'chance':>7}  {'what has failed':<{width - 34}} {'before':>7} {'readings':>10}")
    lines += ranking_lines(answer, kb, width, most)
    listed = sum(ranked.posterior for _, ranked in _shown(answer.ranking, most))
    rest = "all other failures, alone or together"
    lines.append(f"{'':3} {percent(max(1.0 - listed, 0.0)):>7}  {rest}")
    lines += ["", setting_line(answer, kb, width), *(["", why] if why else []), "", "Instruments"]
    lines += trust_lines(answer, kb, width)
    if answer.axes:
        lines += ["", fill(f"To fly on: {kb.manoeuvres[answer.manoeuvre].name}", width)]
        lines += [fill(*_axis(axis, answer, kb, width)) for axis in answer.axes]
    for note in answer.notes:
        lines += ["", fill(f"Normal effect: {note}", width)]
    lines += ["", fill(CAUTION, width)]
    return "\n".join(lines)


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
        for blame in dict.fromkeys(t.blame for t in chosen):
            listed = ", ".join(_trusted(t, kb, short=False) for t in chosen if t.blame == blame)
            why = f"; suspect: {kb.failures[blame].name}" if blame else ""
            lines.append(fill(listed + why, width, lead, indent))
            lead = indent
    return lines


def _trusted(trust: Trust, kb: KnowledgeBase, *, short: bool) -> str:
    gauge = kb.gauges[trust.gauge]
    return f"{gauge.words[0] if short and gauge.words else gauge.name} (trust {percent(trust.soon)})"


def _axis(axis: AxisAdvice, answer: Answer, kb: KnowledgeBase, width: int) -> tuple[str, int, str, str]:
    """What to fly an axis of control on, for ``fill``."""
    grades = {trust.gauge: trust.grade for trust in answer.trust}
    if axis.primary:
        text = kb.gauges[axis.primary].name
        if grades.get(axis.primary) is Grade.VERIFY:
            text += " (verify)"
        if axis.primary != axis.usual:
            text += f" in place of the {kb.gauges[axis.usual].name}"
        if axis.supporting:
            text += "; supported by " + ", ".join(kb.gauges[g].name for g in axis.supporting)
        if axis.how:
            text += f". {axis.how[0].upper()}{axis.how[1:]}"
    else:
        text = f"nothing trustworthy is left on this panel in place of the {kb.gauges[axis.usual].name}"
    return text, width, f"  {axis.axis:<8} ", " " * 11


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
    for number, snapshot in enumerate(case.snapshot, 1):
        lines.append(fill(f"snapshot {number}: {_when(snapshot, kb)}", width, "", "  "))
        stated = list(_stated(snapshot, kb))
        lines.append(table(stated, width) if stated else "  nothing said yet")
    return "\n".join(lines if case.snapshot else [*lines, "  no snapshot yet"])


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
        "notes": list(answer.notes),
        "caution": CAUTION,
    }
