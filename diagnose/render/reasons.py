"""Why, as text of a given width and as data."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any

from diagnose.advice.explain.weights import Contrast, Explanation, Statement
from diagnose.advice.explain.why import Reasons
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable, with_doubt
from diagnose.model import CaseRecord, FailureKind
from diagnose.render.layout import HARD_SPACE, chance_words
from diagnose.render.text import NARROWEST, factor, fill, names, reading_words, short_name, table

#: columns of a factor with its word, and of a factor alone where there is no room for words
COLUMN, NARROW_COLUMN = 22, 15
#: from this width on the words have room
ROOM_FOR_WORDS = 76
#: most looks and most readings told that would have changed something
MOST_UNREAD = 4
MOST_CHANGES = 4
#: most readings named in a sentence
MOST_NAMED = 3
#: a reading is foreseen when the explanation gives it so many times the chance that a healthy panel does
FORESEEN = 3.0
#: chances below this are taken as this in the factor of a look
LEAST_LOOK = 1e-12
#: larger odds are not told exactly
LARGEST_ODDS = 99_500.0


def statement_words(kb: KnowledgeBase, statement: Statement) -> str:
    """What was said, in words."""
    if statement.kind == "disagree":
        first, second = (kb.gauges[gauge].words[0] for gauge in statement.name.split(" / "))
        return f"{first} disagrees with {second}"
    return reading_words(kb, statement.name, statement.reading, statement.sure)


def strength(kb: KnowledgeBase, weight: float) -> str:
    """The word for a weight (natural logarithm of a factor); "" if it says nothing."""
    words = sorted((s.from_factor, s.word) for s in kb.strengths.values())
    reached = [word for least, word in words if math.exp(min(abs(weight), 700.0)) >= least]
    return reached[-1] if reached else ""


def times(weight: float) -> str:
    """The factor of a weight: "x 160", "/ 16"."""
    return factor(math.exp(max(-200.0, min(weight, 200.0))))


def bound(text: str) -> str:
    """Keep a factor or odds on one line where ``text.fill`` wraps."""
    return text.replace(" ", HARD_SPACE)


def odds(log_odds: float) -> str:
    """Odds as people say them: "250 to 1", "1 to 36", "even"."""
    size = math.exp(min(abs(log_odds), 200.0))
    if size < 1.05:
        return "even"
    number = f"{size:.1f}" if size < 9.95 else f"{float(f'{size:.2g}'):.0f}"
    number = ">100000" if size > LARGEST_ODDS else number
    return f"{number} to 1" if log_odds > 0 else f"1 to {number}"


# ------------------------------------------------------------------ the whole text


def why(
    reasons: Reasons,
    case: CaseRecord,
    kb: KnowledgeBase,
    width: int = 80,
    *,
    figures: bool = False,
    drawn: str = "",
) -> str:
    """Give the reasons for an explanation as text: the plumbing first (``drawn``: its diagram), ``figures`` last
    and on request."""
    width = max(width, NARROWEST)
    first = [fill(f"Why {names(kb, reasons.explanation)}?", width)]
    first += [fill(text, width) for text in (*path_lines(reasons, kb), *plain_lines(kb, reasons.explanation))]
    parts = ["\n".join(first), *([drawn] if drawn else [])]
    if not reasons.statements:
        parts.append(fill("Nothing has been read yet: only how common each failure is counts so far.", width))
        return "\n\n".join([*parts, "\n".join(_unread(reasons, kb, width))])
    here = here_line(reasons, case, kb)
    evidence = [*([fill(here, width)] if here else []), *_for_and_against(reasons, kb, width)]
    parts += ["\n".join(evidence), "\n".join(_unread(reasons, kb, width))]
    parts.append("\n".join(_changes(reasons, kb, width)))
    if figures and reasons.contrasts:
        parts.append("\n".join(_table(reasons, case, kb, width)))
    return "\n\n".join(parts)


def path_lines(reasons: Reasons, kb: KnowledgeBase) -> Iterator[str]:
    """The plumbing: from what has failed to the gauges that use it, then those that show it or do not use it."""
    chain = [
        f"{kb.parts[part].name} ({kb.parts[part].conditions[condition]})"
        for name in reasons.explanation
        for part, condition in kb.failures[name].acts.items()
    ]
    # what drives a memory is told by the memory
    driving = {kb.memories[name].driver for name in reasons.states if name in kb.memories}
    for node in reasons.plumbing.through:
        state = reasons.states[node]
        if node in kb.memories:
            chain.append(f"{kb.memories[node].name} ({kb.memories[node].states[state]})")
        elif node not in driving:
            chain.append(f"{kb.sources[node].name} ({kb.sources[node].conditions[state]})")

    def listed(gauges: Iterable[str]) -> str:
        return _listed(short_name(kb.gauges[gauge]) for gauge in gauges)

    reached = reasons.plumbing
    if not chain:
        return
    wrong = f" -> {listed(reached.wrong)}" if reached.wrong else ""
    shared = " They share it, so they go wrong together." if len(reached.wrong) > 1 and reasons.states else ""
    yield f"Path: {' -> '.join(chain)}{wrong}.{shared}"
    if reached.shows:
        yield f"Shown by: {listed(reached.shows)}."
    if reached.independent and (reached.wrong or reached.shows):
        yield f"Independent (they do not use it): {listed(reached.independent)}."


def plain_lines(kb: KnowledgeBase, explanation: Explanation) -> Iterator[str]:
    """One plain line on each failure; what is no failure is called so."""
    if not explanation:
        yield (
            "No failure: what looked odd would be the lag of a healthy gauge, a small stray of the airplane, "
            "or a misread gauge."
        )
    for name in explanation:
        failure = kb.failures[name]
        prefix = "No failure" if failure.kind is FailureKind.LOOK_ALIKE else "How it shows"
        yield f"{prefix}: {failure.mechanism}."


def here_line(reasons: Reasons, case: CaseRecord, kb: KnowledgeBase) -> str:
    """Which readings follow from the failure where they say most, each with its chance in words."""
    seen = _foreseen(reasons)
    if not reasons.explanation or not seen:
        return ""
    when = kb.manoeuvres[case.snapshot[seen[0][0].snapshot].manoeuvre].name
    told = "; ".join(
        f"{statement_words(kb, s)} {chance_words(one, kb)} (with no failure {chance_words(other, kb)})"
        for s, one, other in seen
    )
    return f"Expect in '{when}': {told}."


def _listed(words: Iterable[str]) -> str:
    """Join words by commas and "and"."""
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def _foreseen(reasons: Reasons) -> list[tuple[Statement, float, float]]:
    """What the explanation foresees far better than a healthy panel does, in the snapshot that says most.

    Each statement with its chance under the explanation and with nothing failed.
    """
    found = [
        (statement, *chances)
        for statement, chances in zip(reasons.statements, reasons.foreseen, strict=False)
        if chances is not None and chances[0] > FORESEEN * chances[1]
    ]
    found.sort(key=lambda entry: -entry[1] / max(entry[2], 1e-9))
    return [entry for entry in found if entry[0].snapshot == found[0][0].snapshot][:MOST_NAMED]


def _strongest(reasons: Reasons, contrast: Contrast, kb: KnowledgeBase) -> list[tuple[Statement, float]]:
    """The readings that speak most for the explanation, with their weights."""
    weighed = [
        (statement, weight)
        for statement, weight in zip(reasons.statements, contrast.weights, strict=True)
        if weight > 0.0 and strength(kb, weight)
    ]
    weighed.sort(key=lambda entry: -entry[1])
    # the same reading of several snapshots is named once
    named = {statement_words(kb, statement): (statement, weight) for statement, weight in reversed(weighed)}
    return sorted(named.values(), key=lambda entry: -entry[1])[:MOST_NAMED]


# ------------------------------------------------------------------ the table of weights


def _other(reasons: Reasons) -> str:
    """What to call the best other explanation."""
    return "the next best" if reasons.rival is None or reasons.rival.after >= 0.0 else "the leading one"


def _table(reasons: Reasons, case: CaseRecord, kb: KnowledgeBase, width: int) -> Iterator[str]:
    """Each reading's factor against nothing failed and against the best other explanation."""
    heads = ([] if reasons.nothing is None else ["nothing failed"]) + (
        [] if reasons.rival is None else [_other(reasons)]
    )
    contrasts = reasons.contrasts
    column = COLUMN if width >= ROOM_FOR_WORDS else NARROW_COLUMN
    room = width - column * len(heads)

    def line(label: str, cells: Iterable[str]) -> str:
        above = f"{label}\n" if len(label) >= room else ""
        shown = "" if above else label
        return above + (f"{shown:<{room}}" + "".join(f"{cell:<{column}}" for cell in cells)).rstrip()

    def factors(label: str, weights: Iterable[float]) -> str:
        words = ((w, strength(kb, w)) for w in weights)
        return line(
            label,
            ((f"{times(w)} {word}" if column == COLUMN else times(w)) if word else "-" for w, word in words),
        )

    if reasons.rival is not None:
        yield fill(f"{_other(reasons).capitalize()}: {names(kb, reasons.rival.against)}.", width)
    yield line("Each reading moves its odds", ["against"] * len(heads))
    yield line("(x up, / down)", heads)
    mute = []
    for number, snapshot in enumerate(case.snapshot):
        rows = []
        for place, statement in enumerate(reasons.statements):
            weights = [contrast.weights[place] for contrast in contrasts]
            if statement.snapshot != number:
                continue
            if any(strength(kb, weight) for weight in weights):
                rows.append((max(map(abs, weights)), statement, weights))
            else:
                mute.append(f"{statement_words(kb, statement)} ({number + 1})")
        if rows:
            yield f"  moment {number + 1}, {kb.manoeuvres[snapshot.manoeuvre].name}"
        for _, statement, weights in sorted(rows, key=lambda row: -row[0]):
            yield factors(f"    {statement_words(kb, statement)}", weights)
    shared = [contrast.together for contrast in contrasts]
    leaning = any(strength(kb, weight) for weight in shared)
    if leaning:
        yield factors("  shared by several readings", shared)
    yield factors("  all readings", [contrast.total for contrast in contrasts])
    yield line("  odds before any reading", [odds(contrast.before) for contrast in contrasts])
    yield line("  odds now", [odds(contrast.after) for contrast in contrasts])
    if mute:
        yield fill(f"Add nothing to the others (moment): {', '.join(mute)}.", width)
    if leaning:
        yield fill(
            "A reading's factor is what it adds once all the others are known. Readings that lean on each "
            "other do not multiply to the whole; 'shared' is the difference.",
            width,
        )


# ------------------------------------------------------------------ sentences and lists


def _evidence(reasons: Reasons, contrast: Contrast, kb: KnowledgeBase) -> str:
    """The strongest readings for the explanation, with how strong they are in words; "" if there are none."""
    return "; ".join(
        f"{statement_words(kb, statement)} ({strength(kb, weight)} evidence)"
        for statement, weight in _strongest(reasons, contrast, kb)
    )


def _for_and_against(reasons: Reasons, kb: KnowledgeBase, width: int) -> Iterator[str]:
    """The strongest readings for and against, and what separates the explanation from the best other one."""
    first = reasons.nothing or reasons.rival
    if first is not None and (told := _evidence(reasons, first, kb)):
        yield fill(f"For it: {told}.", width)
    elif first is not None and first.total > 0.0 and strength(kb, first.total):
        yield fill(
            f"For it: all readings together ({strength(kb, first.total)} evidence), none of them alone.",
            width,
        )
    found = []
    for place, statement in enumerate(reasons.statements):
        least = first.weights[place] if first is not None else 0.0
        if least < 0.0 and strength(kb, least):
            found.append(f"{statement_words(kb, statement)} ({strength(kb, least)} evidence)")
    yield fill(
        f"Against it: {'; '.join(dict.fromkeys(found))}." if found else "Against it: nothing that was read.",
        width,
    )
    rival = reasons.rival
    if rival is None:
        return
    name = names(kb, rival.against)
    if not any(strength(kb, w) for w in (*rival.weights, rival.total)):
        yield fill(
            f"{_other(reasons).capitalize()}: {name}. No reading so far separates the two, only how common they are "
            f"({bound(odds(rival.before))}).",
            width,
        )
        return
    told = _evidence(reasons, rival, kb)
    text = f"{_other(reasons).capitalize()}: {name}." + (f" What separates them: {told}." if told else "")
    other = [
        f"{statement_words(kb, s)} ({strength(kb, weight)})"
        for s, weight in zip(reasons.statements, rival.weights, strict=True)
        if weight < 0.0 and strength(kb, weight)
    ]
    yield fill(f"{text} In its favor: {'; '.join(dict.fromkeys(other))}." if other else text, width)


def _unread(reasons: Reasons, kb: KnowledgeBase, width: int) -> Iterator[str]:
    """What was not looked at in the last snapshot and would tell."""
    if reasons.unread_against is None:
        yield fill("No unread gauge in the last moment would separate it from the next best ones.", width)
        return
    other = names(kb, reasons.unread_against)
    yield fill(f"Not read in the last moment; would separate it from {other}:", width)
    rows = []
    for look in reasons.unread[:MOST_UNREAD]:
        by_difference = sorted(look.chances, key=lambda r: look.chances[r][0] - look.chances[r][1])
        sides = []
        for reading, side in ((by_difference[-1], "for"), (by_difference[0], "against")):
            one, rest = look.chances[reading]
            weight = math.log(max(one, LEAST_LOOK) / max(rest, LEAST_LOOK))
            sides.append(f"{readable(reading)} {side} ({strength(kb, weight) or 'no'} evidence)")
        gauge = kb.gauges[look.facet.split(".")[0]]
        rows.append((f"  {gauge.words[0] if gauge.words else gauge.name}", ", ".join(sides)))
    yield table(rows, width)


def _changes(reasons: Reasons, kb: KnowledgeBase, width: int) -> Iterator[str]:
    """Which single reading, had it been otherwise, would have put another explanation first."""
    if not reasons.changes:
        yield fill(
            "No single reading, had it been different, would have put another explanation first.", width
        )
        return
    yield fill("Another explanation would come first:", width)
    for change in reasons.changes[:MOST_CHANGES]:
        statement = change.statement
        had_been = reading_words(kb, statement.name, change.reading)
        was = with_doubt(readable(statement.reading), statement.sure)
        yield fill(
            f"with {had_been}{f' instead of {was}' if statement.positive else ''} (moment {statement.snapshot + 1}): "
            f"{names(kb, change.leading)} ({chance_words(change.posterior, kb)})",
            width,
            "  ",
            "    ",
        )


# ------------------------------------------------------------------ the short form


def why_short(reasons: Reasons, kb: KnowledgeBase, width: int = 80) -> str:
    """Give the reasons in at most some four lines at 80 columns; "" if nothing was said that tells."""
    first = reasons.nothing or reasons.rival
    if first is None or not strength(kb, first.total):
        return ""
    against = "no failure" if not first.against else names(kb, first.against)
    if told := _evidence(reasons, first, kb):
        text = f"Why: {told}, compared with {against}."
    else:
        text = (
            f"Why: the readings together ({strength(kb, first.total)} evidence, compared with {against}); any one of "
            "them could be left out."
        )
    rival = reasons.rival
    if rival is not None and rival is not first:
        if best := _strongest(reasons, rival, kb):
            text += f" {statement_words(kb, best[0][0])} separates it from the next best ({strength(kb, best[0][1])})."
        elif not strength(kb, rival.total):
            text += f" No reading separates it from the next best; only how common they are ({bound(odds(rival.before))})."
    return fill(text, width)


# ------------------------------------------------------------------ data


def reasons_data(reasons: Reasons, case: CaseRecord, kb: KnowledgeBase) -> dict[str, Any]:
    """Give the reasons as plain data; every ``factor`` multiplies odds, every ``weight`` is its log."""
    return {
        "explanation": list(reasons.explanation),
        "name": names(kb, reasons.explanation),
        "plain": list(plain_lines(kb, reasons.explanation)),
        "path": list(path_lines(reasons, kb)),
        "here": here_line(reasons, case, kb),
        "reached": {
            "wrong": list(reasons.plumbing.wrong),
            "shown_by": list(reasons.plumbing.shows),
            "independent": list(reasons.plumbing.independent),
        },
        "states": dict(reasons.states),
        "against": [
            {
                "explanation": list(contrast.against),
                "name": names(kb, contrast.against),
                "log_odds_before": contrast.before,
                "log_odds_now": contrast.after,
                "weight_of_all": contrast.total,
                "weight_together": contrast.together,
                "weights": [
                    {
                        "snapshot": statement.snapshot + 1,
                        "said": statement_words(kb, statement),
                        "name": statement.name,
                        "reading": statement.reading,
                        "weight": weight,
                        "factor": math.exp(max(-700.0, min(weight, 700.0))),
                        "strength": strength(kb, weight) or "none",
                    }
                    for statement, weight in zip(reasons.statements, contrast.weights, strict=True)
                ],
            }
            for contrast in reasons.contrasts
        ],
        "unread": {
            "against": None if reasons.unread_against is None else list(reasons.unread_against),
            "looks": [
                {
                    "facet": look.facet,
                    "told": look.told,
                    "readings": {
                        r: {"with_it": a, "with_the_other": b} for r, (a, b) in look.chances.items()
                    },
                }
                for look in reasons.unread
            ],
        },
        "changes": [
            {
                "snapshot": change.statement.snapshot + 1,
                "name": change.statement.name,
                "reading": change.statement.reading,
                "instead": change.reading,
                "chance": change.chance,
                "leading": list(change.leading),
                "posterior": change.posterior,
            }
            for change in reasons.changes
        ],
    }
