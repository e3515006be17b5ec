"""What to look at, what to fly on and what to decide, as text and as data."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from functools import partial
from typing import Any

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable
from diagnose.model import Grade
from diagnose.model.answer import Answer, AxisAdvice, LookAdvice, LookOutcome, MethodView
from diagnose.render.layout import NARROWEST, chance_words, fill, names, percent

CAUTION = (
    "For ground training and review only. In flight the aircraft's handbook, ATC and the pilot in "
    "command decide; maintenance findings are for licensed technicians."
)


def recovery_lines(answer: Answer, width: int) -> list[str]:
    """What to do before anything else, while the aircraft is upset."""
    lines = [fill(f"Recover first: {answer.upset}.", width)]
    lines += [fill(f"{n.says}.", width, "  ") for n in answer.technique if n.topic == "recovery"]
    return [*lines, ""]


# ------------------------------------------------------------------ what to look at, what to decide

#: looks of the short block, outcomes of a look, and the least chance of an outcome that is shown
LOOKS_SHOWN, OUTCOMES_SHOWN, LEAST_OUTCOME = 3, 3, 0.03
#: an outcome with this share of those that mean the same needs no "or similar"
ALONE = 0.9
URGENCY_WORDS = {3: "at once", 2: "soon", 1: "then"}


def on_the_ground(answer: Answer, kb: KnowledgeBase) -> bool:
    """Whether the case ends on the ground, where other looks can be had than in the air."""
    return kb.manoeuvres[answer.manoeuvre].phase == "ground"


def worth_while(answer: Answer, kb: KnowledgeBase) -> tuple[LookAdvice, ...]:
    """The looks that are worthwhile where the case ends, the best first."""
    ground = on_the_ground(answer, kb)
    return tuple(
        advice
        for advice in answer.looks
        if advice.tells and advice.worth > 0.0 and (ground or advice.kind != "ground")
    )


def next_look_lines(answer: Answer, kb: KnowledgeBase, width: int) -> list[str]:
    """The three looks most worthwhile, each with what its likeliest outcomes would mean."""
    best = worth_while(answer, kb)[:LOOKS_SHOWN]
    if not best:
        return [fill("Look at next: nothing on this panel would tell much more.", width)]
    lines = ["Look at next"]
    for number, advice in enumerate(best, 1):
        lines += look_lines(advice, kb, width, f"  {number}. ", partial(chance_words, kb=kb))
    return lines


def look_lines(
    advice: LookAdvice, kb: KnowledgeBase, width: int, lead: str, said: Callable[[float], str] = percent
) -> list[str]:
    """A look, its time, what its outcomes would mean, and its caution; ``said`` puts a chance into words."""
    lines = [fill(f"{advice.name} ({duration(advice.seconds)})", width, lead, " " * len(lead))]
    indent = " " * (len(lead) + 2)
    for words, chance, leading, leading_chance in meanings(advice, kb)[:OUTCOMES_SHOWN]:
        means = f"{names(kb, leading)}, {said(leading_chance)}"
        lines.append(fill(f"{words} ({said(chance)}): {means}", width, " " * len(lead), indent))
    if advice.caution:
        lines.append(fill(f"Note: {advice.caution}.", width, " " * len(lead), indent))
    return lines


def meanings(advice: LookAdvice, kb: KnowledgeBase) -> list[tuple[str, float, tuple[str, ...], float]]:
    """Outcomes after which the same would lead, taken together: words, chance, what leads, its mean chance."""
    groups: dict[tuple[str, ...], list[LookOutcome]] = {}
    for outcome in advice.outcomes:
        groups.setdefault(outcome.leading, []).append(outcome)
    found = []
    for leading, outcomes in groups.items():
        chance = sum(outcome.chance for outcome in outcomes)
        mean = sum(outcome.chance * outcome.leading_chance for outcome in outcomes) / chance
        words = outcome_words(outcomes[0], kb)
        if outcomes[0].chance < ALONE * chance:
            words += ", or similar"
        if chance >= LEAST_OUTCOME:
            found.append((words, chance, leading, mean))
    return sorted(found, key=lambda meaning: -meaning[1])


def outcome_words(outcome: LookOutcome, kb: KnowledgeBase) -> str:
    """What would be read: the gauge is named only where there are several."""
    gauges = [facet.split(".")[0] for facet, _ in outcome.readings]
    several = len(set(gauges)) > 1
    said = [
        f"{kb.gauges[gauge].words[0]} {readable(reading)}" if several else readable(reading)
        for gauge, (_, reading) in zip(gauges, outcome.readings, strict=True)
    ]
    return ", ".join(said)


def duration(seconds: float) -> str:
    """A time as people say it."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    if seconds < 5400.0:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / 3600.0:.0f} h"


def all_look_lines(answer: Answer, kb: KnowledgeBase, width: int) -> list[str]:
    """Every look with its figures, in the air and on the ground, the most worthwhile first."""
    if not answer.looks:
        return [fill(f"No look before the aircraft is recovered: {answer.upset}.", width)]
    lines: list[str] = []
    for title, ground in (("All looks", False), ("On the ground, afterward", True)):
        chosen = [advice for advice in answer.looks if (advice.kind == "ground") is ground]
        telling = [advice for advice in chosen if advice.tells]
        if telling:
            lines += ["", title]
        for advice in telling:
            lines += [*look_lines(advice, kb, width, "  - "), fill(figures(advice), width, "    ", "      ")]
        silent = "; ".join(advice.name for advice in chosen if not advice.tells)
        if silent:
            lines += ["", fill(f"{title}, telling next to nothing now: {silent}.", width, "", "  ")]
    return lines[1:]


def figures(advice: LookAdvice) -> str:
    """What a look tells and costs, in numbers."""
    gives_back = f", gives back {advice.regained:.1f} instruments" if advice.regained >= 0.05 else ""
    who = "; by a licensed technician" if advice.done_by == "technician" else ""
    last = "; last resort" if advice.last_resort else ""
    return (
        f"{advice.bits:.2f} bits, {advice.suspect_bits:.2f} about the suspects; trust gains "
        f"{max(advice.saving, 0.0):.1f}{gives_back}; workload {advice.workload} and hazard {advice.hazard} of 5; "
        f"worth {advice.worth:.1f}{who}{last}"
    )


def decision_lines(answer: Answer, width: int) -> list[str]:
    """What to say and decide, the most urgent first."""
    lines = ["Decide"]
    for urgency, word in URGENCY_WORDS.items():
        lead = f"  {word:<8} "
        for advice in answer.decisions:
            if advice.urgency == urgency:
                lines.append(fill(f"{advice.says}.", width, lead, " " * 11))
                lead = " " * 11
    return lines


def render_flying(answer: Answer, kb: KnowledgeBase, width: int = 80) -> str:
    """Partial panel: what to fly on by both teaching methods, the numbers that apply, what to decide."""
    width = max(width, NARROWEST)
    lines = [fill(f"Partial panel, fly by: {kb.manoeuvres[answer.manoeuvre].name}", width)]
    lines += [fill(*axis_line(axis, answer, kb, width)) for axis in answer.axes]
    if answer.method is not None:
        lines += ["", "Control and performance", *_method_lines(answer, answer.method, kb, width)]
    if answer.technique:
        lines += ["", "Numbers that apply"]
        lead = ""
        for note in answer.technique:
            head = "" if note.topic == lead else note.topic
            lead = note.topic
            lines.append(fill(f"{note.says}.", width, f"  {head:<16} ", " " * 19))
    if answer.decisions:
        lines += ["", *decision_lines(answer, width)]
    return "\n".join([*lines, "", fill(CAUTION, width)])


def _method_lines(answer: Answer, method: MethodView, kb: KnowledgeBase, width: int) -> list[str]:
    lines = []
    for title, good, out in (
        ("control", method.control, method.control_out),
        ("performance", method.performance, method.performance_out),
    ):
        doubt = {t.gauge for t in answer.trust if t.grade is Grade.VERIFY}
        text = ", ".join(kb.gauges[g].name + (" (verify)" if g in doubt else "") for g in good) or "none"
        if out:
            text += "; out: " + ", ".join(kb.gauges[gauge].name for gauge in out)
        lines.append(fill(text, width, f"  {title:<16} ", " " * 19))
    return [*lines, fill(f"{method.says[0].upper()}{method.says[1:]}.", width, "  ")]


def axis_line(axis: AxisAdvice, answer: Answer, kb: KnowledgeBase, width: int) -> tuple[str, int, str, str]:
    """What to fly an axis of control on, for ``fill``."""
    grades = {trust.gauge: trust.grade for trust in answer.trust}
    if axis.primary:
        text = kb.gauges[axis.primary].name
        if grades.get(axis.primary) is Grade.VERIFY:
            text += " (verify)"
        if axis.primary != axis.usual:
            text += f" instead of the {kb.gauges[axis.usual].name}"
        if axis.supporting:
            text += "; supported by " + ", ".join(kb.gauges[g].name for g in axis.supporting)
        if axis.how:
            text += f". {axis.how[0].upper()}{axis.how[1:]}"
    else:
        text = f"nothing trustworthy is left on this panel instead of the {kb.gauges[axis.usual].name}"
    return text, width, f"  {axis.axis:<8} ", " " * 11


# ------------------------------------------------------------------ data


def advice_data(answer: Answer, kb: KnowledgeBase) -> dict[str, Any]:
    """Give recovery, methods, technique, decisions and looks as plain data for JSON."""
    return {
        "recover_first": answer.upset,
        "method": None if answer.method is None else asdict(answer.method),
        "technique": [asdict(note) for note in answer.technique],
        "decide": [{**asdict(advice), "source": _cited(advice.source, kb)} for advice in answer.decisions],
        "looks": [_look_data(advice, kb) for advice in answer.looks],
    }


def _look_data(advice: LookAdvice, kb: KnowledgeBase) -> dict[str, Any]:
    return {
        **asdict(advice),
        "source": _cited(advice.source, kb),
        "outcomes": [
            {
                "readings": dict(outcome.readings),
                "chance": outcome.chance,
                "leading": list(outcome.leading),
                "leading_names": names(kb, outcome.leading),
                "leading_chance": outcome.leading_chance,
            }
            for outcome in advice.outcomes
        ],
    }


def _cited(source: str, kb: KnowledgeBase) -> str:
    """A source as people cite it."""
    return kb.documents[source].title if source in kb.documents else source
