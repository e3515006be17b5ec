"""An answer and a case as plain text of a given width, and an answer as data for JSON."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Any

import msgspec

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable, with_doubt
from diagnose.model import CaseRecord, FailureKind, Gauge, Grade, SnapshotRecord
from diagnose.model.answer import Answer, Ranked, Trust
from diagnose.render.advice import (
    CAUTION,
    advice_data,
    all_look_lines,
    axis_line,
    decision_lines,
    next_look_lines,
    recovery_lines,
    worth_while,
)
from diagnose.render.layout import (
    NARROWEST,
    PLAIN,
    chance_words,
    factor,
    factor_in_words,
    fill,
    names,
    percent,
    table,
)

__all__ = [
    "CAUTION",
    "NARROWEST",
    "PLAIN",
    "brief",
    "columns",
    "describe",
    "factor",
    "fill",
    "first_screen",
    "flattened",
    "names",
    "percent",
    "render",
    "screen_rows",
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

    With ``all_looks`` every look stands there instead of the three best.
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
        lines += ["", fill(f"Partial panel, fly by: {kb.manoeuvres[answer.manoeuvre].name}", width)]
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
    """Say where the chances before the readings come from, and what is not covered."""
    setting = kb.settings[answer.setting]
    something = ""
    if setting.chance:
        assumed = chance_words(setting.chance, kb).removeprefix("about ")
        something = f", assuming something was wrong ({assumed})"
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


# ------------------------------------------------------------------ the first screen

LABEL = 9
NO_FAILURE = "no failure evident"
#: sets of less chance move no figure that is shown, all of them together
NO_MATTER = 1e-9


class Cause(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """What a pilot names in one breath: families of failures (or look-alikes), and the chance of all of it."""

    name: str
    chance: float
    failures: tuple[str, ...]


class _Itself:
    """An object as a key of a cache: the same only as itself, whatever it holds."""

    __slots__ = ("held",)

    def __init__(self, held: Any) -> None:
        self.held = held

    def __hash__(self) -> int:
        return id(self.held)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Itself) and other.held is self.held


def causes(answer: Answer, kb: KnowledgeBase) -> tuple[Cause, ...]:
    """The ranking with the failures of a family taken together, likeliest first.

    Beside a failure a look-alike is left out; a family is called by its leading member where that has
    ``limits.decided`` of the family's chance. The last few are kept: a screen asks for them at every key.
    """
    return _causes(_Itself(answer), _Itself(kb))


@lru_cache(maxsize=4)
def _causes(of_answer: _Itself, of_kb: _Itself) -> tuple[Cause, ...]:
    answer: Answer = of_answer.held
    kb: KnowledgeBase = of_kb.held
    family = {member: record for record in kb.families.values() for member in record.members}
    called = {f: family[f].id if f in family else f for f in kb.failures}
    real = {f for f, failure in kb.failures.items() if failure.kind is FailureKind.FAILURE}
    chances: dict[tuple[str, ...], dict[tuple[str, ...], float]] = {}
    for ranked in answer.ranking:  # thousands of sets, the likeliest first
        if ranked.posterior < NO_MATTER:
            break
        shown = ranked.failures
        if not real.issuperset(shown):
            shown = tuple([f for f in shown if f in real]) or shown
        key = tuple([called[f] for f in shown])
        if len(key) > 1:
            key = tuple(sorted(set(key)))
        of_key = chances.setdefault(key, {})
        of_key[shown] = of_key.get(shown, 0.0) + ranked.posterior
    found = []
    for members in chances.values():
        total = sum(members.values())
        best = max(members, key=lambda shown: members[shown])
        alone = members[best] >= kb.limits.decided * total
        named = dict.fromkeys(
            kb.failures[f].name if alone or f not in family else family[f].name for f in best
        )
        found.append(Cause(name=" plus ".join(named), chance=total, failures=best))
    return tuple(sorted(found, key=lambda cause: -cause.chance))


def first_screen(answer: Answer, case: CaseRecord, kb: KnowledgeBase, width: int = 80) -> str:
    """The answer in a few labeled lines: what, why, what to ignore, what to fly by, what to do, what else."""
    rows = screen_rows(answer, case, kb)
    if width == PLAIN:
        return "\n".join(f"{label}: {text}." for label, text in rows)
    return "\n".join(fill(text, width, f"{label:<{LABEL}}", " " * LABEL) for label, text in rows)


def screen_rows(answer: Answer, case: CaseRecord, kb: KnowledgeBase) -> tuple[tuple[str, str], ...]:
    """The lines of the first screen, each a label and a text; screens and heads of pages share them."""
    limits = kb.first_screen
    best, *others = causes(answer, kb)
    grades = {
        grade: [t.gauge for t in answer.trust if t.grade is grade and kb.gauges[t.gauge].instrument]
        for grade in Grade
    }
    # what is to be looked at next is not called good unseen
    looks = () if answer.decided else worth_while(answer, kb)[:1]
    wanted = {facet.split(".")[0] for look in looks for facet in look.facets}
    seen = {facet.split(".")[0] for moment in case.snapshot for facet in (*moment.readings, *moment.unsure)}
    good = [gauge for gauge in grades[Grade.USE] if gauge not in wanted - seen]
    out, check = (_short(grades[grade], kb) for grade in (Grade.COVER, Grade.VERIFY))
    do = [decision.short for decision in answer.decisions[: limits.most_do]]
    do += [f"Look at: {look.name}" for look in looks]
    other = [
        # entries are parted by semicolons
        f"{(cause.name or NO_FAILURE).replace('; ', ', ')} {chance_words(cause.chance, kb).removeprefix('about ')}"
        for cause in others[: limits.most_else]
        if cause.chance >= limits.least_else
    ]
    rows = (
        ("LIKELY", _leading(best, kb)),
        ("BECAUSE", _because(answer, case, kb, best)),
        ("IGNORE", out),
        ("CHECK", check),
        ("FLY BY", _fly_by(answer, kb, good)),
        ("DO", ". ".join(do)),
        ("ELSE", "; ".join(other)),
    )
    return tuple((label, text) for label, text in rows if text)


def brief(answer: Answer, case: CaseRecord, kb: KnowledgeBase, width: int = 80) -> str:
    """The first screen as a page of its own: title, answer, where there is more, caution."""
    door = "More: --full (all of it), --why (reasons), --looks (what to look at next)."
    lines = (fill(case.title, width), "", first_screen(answer, case, kb, width), "", fill(door, width))
    return "\n".join([*lines, fill(CAUTION, width)])


def _leading(best: Cause, kb: KnowledgeBase) -> str:
    """The leading cause with its chance in words."""
    name = best.name or NO_FAILURE
    return f"{name[0].upper()}{name[1:]}, {chance_words(best.chance, kb)}"


def _because(answer: Answer, case: CaseRecord, kb: KnowledgeBase, best: Cause) -> str:
    """The readings and conditions that speak most for the leading cause."""
    moments: dict[int, list[str]] = {}
    for one in answer.because:
        moments.setdefault(one.snapshot, []).append(reading_words(kb, one.facet, one.reading, one.sure))
    several = len(case.snapshot) > 1
    said = []
    for number, words in sorted(moments.items()):
        flown = kb.manoeuvres[case.snapshot[number].manoeuvre]
        lead = f"{(flown.words or (flown.name,))[0]}: " if several else ""
        said.append(lead + ", ".join(words))
    if not said:
        apart = [pair for snapshot in case.snapshot for pair in snapshot.disagree]
        said = [f"{_short((one,), kb)} disagrees with {_short((other,), kb)}" for one, other in apart]
    favors = {
        flag
        for name in best.failures
        for effect in kb.failures[name].context
        if set(effect.when) <= set(case.context) and (effect.times > 1.0 or effect.latent is not None)
        for flag in effect.when
    }
    said += [kb.context[flag].name for flag in case.context if flag in favors]
    return "; ".join(dict.fromkeys(said))


def reading_words(kb: KnowledgeBase, facet: str, reading: str, sure: float = 1.0) -> str:
    """A reading in words: "altimeter steady"; the facet only where the reading alone does not tell."""
    gauge_id, facet_id = facet.split(".")
    gauge = kb.gauges[gauge_id]
    name = short_name(gauge)
    twice = sum(r.id == reading for f in gauge.facets for r in f.readings) > 1
    return f"{name} {f'{readable(facet_id)} ' if twice else ''}{with_doubt(readable(reading), sure)}"


def short_name(gauge: Gauge) -> str:
    """A gauge as the first screen calls it."""
    return gauge.short or (gauge.words or (gauge.name,))[0]


def _short(gauges: Sequence[str], kb: KnowledgeBase) -> str:
    return ", ".join(short_name(kb.gauges[gauge]) for gauge in gauges)


def _fly_by(answer: Answer, kb: KnowledgeBase, good: Sequence[str]) -> str:
    """What to fly each axis by, then the other instruments that are good."""
    by: dict[str, list[str]] = {}
    for axis in answer.axes:
        if axis.primary:
            by.setdefault(axis.primary, []).append(axis.axis)
    fly = [f"{_short((gauge,), kb)} ({', '.join(axes)})" for gauge, axes in by.items()]
    rest = _short([gauge for gauge in good if gauge not in by], kb)
    return "; ".join([*fly, *([f"good: {rest}"] if rest else [])])


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
    return "\n".join(lines if case.snapshot else [*lines, "  no moment yet"])


def snapshot_lines(case: CaseRecord, kb: KnowledgeBase, at: int, width: int = 80) -> str:
    """Give one snapshot of a case in plain words."""
    snapshot = case.snapshot[at]
    stated = list(_stated(snapshot, kb))
    head = fill(f"moment {at + 1}: {_when(snapshot, kb)}", width, "", "  ")
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
        "causes": [
            {"name": cause.name or NO_FAILURE, "failures": list(cause.failures), "chance": cause.chance}
            for cause in causes(answer, kb)[:most]
        ],
        "because": [
            {"snapshot": b.snapshot + 1, "facet": b.facet, "reading": b.reading, "factor": b.factor}
            for b in answer.because
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
