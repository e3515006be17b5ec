"""An answer as plain text of a given width, and as data for JSON."""

from __future__ import annotations

import textwrap
from typing import Any

from diagnose.answer import Answer, Ranked
from diagnose.knowledge import KnowledgeBase
from diagnose.model import CaseRecord, Grade

CAUTION = (
    "For ground training and review only. In flight the aircraft's handbook, ATC and the pilot in "
    "command decide; maintenance findings are for licensed technicians."
)
GRADE_WORDS = {Grade.USE: "use", Grade.VERIFY: "verify", Grade.COVER: "cover"}


def percent(chance: float) -> str:
    """A chance as people read it."""
    if chance >= 0.9995:
        return ">99.9 %"
    if chance >= 0.0995:
        return f"{chance:.0%}".replace("%", " %")
    if chance >= 0.001:
        return f"{chance * 100:.1f} %"
    return "<0.1 %"


def factor(value: float) -> str:
    """How far the readings moved the odds."""
    if value >= 1.0:
        return f"x {value:.3g}" if value < 1000 else f"x {value:.0e}".replace("e+0", "e")
    return (
        f": {1.0 / max(value, 1e-99):.3g}"
        if value > 1e-3
        else f": {1.0 / max(value, 1e-99):.0e}".replace("e+0", "e")
    )


def names(kb: KnowledgeBase, failures: tuple[str, ...]) -> str:
    """A set of failures in words."""
    if not failures:
        return "nothing failed"
    return " + ".join(kb.failures[failure].name for failure in failures)


def _fill(text: str, width: int, indent: str = "") -> str:
    return textwrap.fill(text, width, initial_indent=indent, subsequent_indent=indent)


def _shown(ranking: tuple[Ranked, ...], most: int) -> list[Ranked]:
    return [ranked for ranked in ranking[:most] if ranked.posterior >= 0.0005]


def ranking_lines(answer: Answer, kb: KnowledgeBase, width: int, most: int) -> list[str]:
    """The ranked list: chance, what, and how it came about."""
    lines = []
    room = max(width - 34, 20)
    for place, ranked in enumerate(_shown(answer.ranking, most), 1):
        words = textwrap.wrap(names(kb, ranked.failures), room) or [""]
        moved = f"{percent(ranked.prior):>7} {factor(ranked.evidence):>9}"
        lines.append(f"{place:>3} {percent(ranked.posterior):>8}  {words[0]:<{room}} {moved}".rstrip())
        lines.extend(f"{'':14}{more}" for more in words[1:])
    return lines


def render(answer: Answer, case: CaseRecord, kb: KnowledgeBase, width: int = 80, most: int = 8) -> str:
    """Give the whole answer as text."""
    room = max(width - 34, 20)
    lines = [case.title, "=" * min(len(case.title), width), ""]
    lines += [_fill(answer.verdict, width), ""]
    lines.append(f"{'':3} {'chance':>8}  {'what has failed':<{room}} {'before':>7} {'readings':>9}")
    lines += ranking_lines(answer, kb, width, most)
    listed = sum(ranked.posterior for ranked in _shown(answer.ranking, most))
    lines.append(f"{'':3} {percent(max(1.0 - listed, 0.0)):>8}  all other single failures and combinations")
    lines.append(f"    prior chance of combinations that were not looked at: {percent(answer.uncovered)}")
    setting = kb.settings[answer.setting]
    lines += [
        _fill(
            f"Odds: {setting.name}"
            + (
                f" (something is there: {percent(setting.chance)} before the readings)"
                if setting.chance
                else ""
            )
            + ". 'before' is each chance before any reading, 'readings' how far they moved its odds.",
            width,
            "    ",
        ),
        "",
        "Instruments",
    ]
    lines += trust_lines(answer, kb, width)
    if answer.axes:
        lines += ["", f"To fly on: {kb.manoeuvres[answer.manoeuvre].name}"]
        lines += axis_lines(answer, kb, width)
    for note in answer.notes:
        lines += ["", _fill(f"Normal effect: {note}", width)]
    lines += ["", _fill(CAUTION, width)]
    return "\n".join(lines)


def trust_lines(answer: Answer, kb: KnowledgeBase, width: int) -> list[str]:
    """Instruments by grade, with the failure that speaks against each."""
    lines = []
    for grade in Grade:
        chosen = [t for t in answer.trust if t.grade is grade and kb.gauges[t.gauge].instrument]
        if not chosen:
            continue
        if grade is Grade.USE:
            text = ", ".join(kb.gauges[t.gauge].name for t in chosen)
        else:
            text = "; ".join(
                f"{kb.gauges[t.gauge].name} (true with {percent(t.soon)}"
                + (f"; {kb.failures[t.blame].name}" if t.blame else "")
                + ")"
                for t in chosen
            )
        lines.append(
            textwrap.fill(
                text, width, initial_indent=f"  {GRADE_WORDS[grade]:<7} ", subsequent_indent=" " * 10
            )
        )
    return lines


def axis_lines(answer: Answer, kb: KnowledgeBase, width: int) -> list[str]:
    """For each axis of control what to fly on."""
    lines = []
    for axis in answer.axes:
        if axis.primary:
            text = kb.gauges[axis.primary].name
            if axis.primary != axis.usual:
                text += f" in place of the {kb.gauges[axis.usual].name}"
            if axis.supporting:
                text += "; supported by " + ", ".join(kb.gauges[g].name for g in axis.supporting)
            if axis.how:
                text += f". {axis.how[0].upper()}{axis.how[1:]}"
        else:
            text = "nothing trustworthy is left on this panel"
        lines.append(
            textwrap.fill(text, width, initial_indent=f"  {axis.axis:<8} ", subsequent_indent=" " * 11)
        )
    return lines


def render_short(answer: Answer, kb: KnowledgeBase, width: int = 80) -> str:
    """Give the answer in a few lines, for after each line of the prompt."""
    lines = [_fill(answer.verdict, width)]
    lines += ranking_lines(answer, kb, width, 4)
    lines += [line for line in trust_lines(answer, kb, width) if not line.startswith("  use")]
    return "\n".join(lines)


def to_data(answer: Answer, case: CaseRecord, most: int = 20) -> dict[str, Any]:
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
