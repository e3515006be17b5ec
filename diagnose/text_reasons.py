"""Why, as text of a given width and as data."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from diagnose.explain.weights import Contrast, Explanation, Reasons, Statement, Unread
from diagnose.inference import Posterior
from diagnose.knowledge import KnowledgeBase
from diagnose.model import CaseRecord, FailureKind
from diagnose.text import NARROWEST, factor, fill, names, percent
from diagnose.words import readable

#: columns of a factor with its word
COLUMN = 20
#: most looks and most readings told that would have changed something
MOST_UNREAD = 4
MOST_CHANGES = 4
#: most readings named in the short form
MOST_NAMED = 3
#: an explanation of less than this chance is not worth a reading that would have put it first
LARGEST_ODDS = 99_500.0


def said(kb: KnowledgeBase, facet: str, reading: str) -> str:
    """A reading in words: "altimeter steady"; the facet only where the reading alone does not tell."""
    gauge_id, facet_id = facet.split(".")
    gauge = kb.gauges[gauge_id]
    name = gauge.words[0] if gauge.words else gauge.name
    twice = sum(r.id == reading for f in gauge.facets for r in f.readings) > 1
    return f"{name} {f'{readable(facet_id)} ' if twice else ''}{readable(reading)}"


def statement_words(kb: KnowledgeBase, statement: Statement) -> str:
    """What was said, in words."""
    if statement.kind == "disagree":
        first, second = (kb.gauges[gauge].words[0] for gauge in statement.name.split(" / "))
        return f"{first} disagrees with {second}"
    doubt = f" ({percent(statement.sure)} sure)" if statement.kind == "unsure" else ""
    return said(kb, statement.name, statement.reading) + doubt


def strength(kb: KnowledgeBase, weight: float) -> str:
    """The word for a weight (natural logarithm of a factor); "" if it says nothing."""
    words = sorted((s.from_factor, s.word) for s in kb.strengths.values())
    reached = [word for least, word in words if math.exp(min(abs(weight), 700.0)) >= least]
    return reached[-1] if reached else ""


def times(weight: float) -> str:
    """The factor of a weight: "x 160", ": 16"."""
    return factor(math.exp(max(-200.0, min(weight, 200.0))))


def odds(log_odds: float) -> str:
    """Odds as people say them: "250 to 1", "1 to 36", "even"."""
    size = math.exp(min(abs(log_odds), 200.0))
    if size < 1.05:
        return "even"
    number = f"{size:.1f}" if size < 9.95 else f"{float(f'{size:.2g}'):.0f}"
    number = "over 100000" if size > LARGEST_ODDS else number
    return f"{number} to 1" if log_odds > 0 else f"1 to {number}"


# ------------------------------------------------------------------ the whole text


def why(reasons: Reasons, posterior: Posterior, kb: KnowledgeBase, width: int = 80) -> str:
    """Give the reasons for an explanation as text."""
    width = max(width, NARROWEST)
    one = names(kb, reasons.explanation)
    parts = [fill(f"Why {one}?", width), *_mechanism(reasons, posterior, kb, width)]
    parts.append("\n".join(_table(reasons, posterior.case, kb, width)))
    parts += [
        fill(text, width)
        for text in (_against(reasons, kb), _alike(reasons, kb), *_unread(reasons, kb), *_changes(reasons, kb))
        if text
    ]
    return "\n\n".join(parts)


def _mechanism(reasons: Reasons, posterior: Posterior, kb: KnowledgeBase, width: int) -> list[str]:
    """How each failure of the explanation shows, and what that means in this case."""
    lines = [fill(text, width) for text in plain_lines(kb, reasons.explanation)]
    here = here_line(reasons, posterior.case, kb)
    return ["\n".join([*lines, fill(here, width)] if here else lines)]


def plain_lines(kb: KnowledgeBase, explanation: Explanation) -> Iterator[str]:
    """One plain line on each failure; what is no failure is called so."""
    if not explanation:
        yield (
            "No failure: a sound panel shows what you saw, or next to it; what looked odd is the air, "
            "the lag of a healthy gauge or a slip of the eye."
        )
    for name in explanation:
        failure = kb.failures[name]
        prefix = "No failure" if failure.kind is FailureKind.LOOK_ALIKE else "How it works"
        yield f"{prefix}: {failure.mechanism}."


def here_line(reasons: Reasons, case: CaseRecord, kb: KnowledgeBase) -> str:
    """The mechanism made concrete: what is wrong, step by step, and which readings follow from it."""
    chain = [
        f"{kb.parts[part].name} ({kb.parts[part].conditions[condition]})"
        for name in reasons.explanation
        for part, condition in kb.failures[name].acts.items()
    ]
    drivers = {kb.memories[name].driver for name in reasons.states if name in kb.memories}
    for node, state in reasons.states.items():
        if node in kb.memories:
            chain.append(f"{kb.memories[node].name} ({kb.memories[node].states[state]})")
        elif node not in drivers or len(drivers) == 1:
            chain.append(f"{kb.sources[node].name} ({kb.sources[node].conditions[state]})")
    seen = _strongest(reasons.statements, reasons.nothing, reasons, kb)
    if not chain or not seen:
        return ""
    when = kb.manoeuvres[case.snapshot[seen[0].snapshot].manoeuvre].name
    told = ", ".join(_foreseen(reasons, statement, kb) for statement in seen)
    return f"Here: {' -> '.join(chain)}. So in the {when}: {told}."


def _foreseen(reasons: Reasons, statement: Statement, kb: KnowledgeBase) -> str:
    """A reading with how often it was to be expected, with the explanation and with nothing failed."""
    chances = reasons.foreseen[reasons.statements.index(statement)]
    words = statement_words(kb, statement)
    if chances is None:
        return words
    return f"{words} (to be expected {percent(chances[0])}; with nothing failed {percent(chances[1])})"


def _strongest(
    statements: tuple[Statement, ...], contrast: Contrast | None, reasons: Reasons, kb: KnowledgeBase
) -> list[Statement]:
    """The readings that speak most for an explanation, all from the snapshot of the strongest."""
    if contrast is None:
        return []
    weighed = sorted(
        ((w, -i) for i, w in enumerate(contrast.weights) if w > 0 and strength(kb, w)), reverse=True
    )
    order = [statements[-place] for _, place in weighed]
    return [s for s in order if s.snapshot == order[0].snapshot][:MOST_NAMED]


# ------------------------------------------------------------------ the table of weights


def _heads(reasons: Reasons, kb: KnowledgeBase) -> list[tuple[Contrast, str]]:
    heads = []
    if reasons.nothing is not None:
        heads.append((reasons.nothing, "nothing failed"))
    if reasons.rival is not None:
        heads.append((reasons.rival, "the next best"))
    return heads


def _table(reasons: Reasons, case: CaseRecord, kb: KnowledgeBase, width: int) -> Iterator[str]:
    """Each reading's factor against nothing failed and against the runner-up."""
    heads = _heads(reasons, kb)
    room = width - COLUMN * len(heads)
    if reasons.rival is not None:
        yield fill(f"The next best: {names(kb, reasons.rival.against)}.", width)
    yield (
        f"{'How far each reading moves the odds, against':<{room}}".rstrip()
        if room < 44
        else f"{'How far each reading moves the odds against':<{room}}"
        + "".join(f"{head:<{COLUMN}}" for _, head in heads)
    ).rstrip()
    if room < 44:
        yield (" " * room + "".join(f"{head:<{COLUMN}}" for _, head in heads)).rstrip()
    mute = []
    for number, snapshot in enumerate(case.snapshot):
        rows = []
        for place, statement in enumerate(reasons.statements):
            if statement.snapshot != number:
                continue
            weights = [contrast.weights[place] for contrast, _ in heads]
            if any(strength(kb, weight) for weight in weights):
                rows.append((max(map(abs, weights)), statement, weights))
            else:
                mute.append(f"{statement_words(kb, statement)} ({number + 1})")
        if rows:
            yield f"  snapshot {number + 1}, {kb.manoeuvres[snapshot.manoeuvre].name}"
        for _, statement, weights in sorted(rows, key=lambda row: -row[0]):
            yield from _row(f"    {statement_words(kb, statement)}", weights, room, kb)
    if any(strength(kb, contrast.together) for contrast, _ in heads):
        yield from _row("  shared by several readings", [c.together for c, _ in heads], room, kb)
    yield from _row("  all readings", [c.total for c, _ in heads], room, kb)
    for label, values in (
        ("  odds before any reading", [c.before for c, _ in heads]),
        ("  odds now", [c.after for c, _ in heads]),
    ):
        yield (f"{label:<{room}}" + "".join(f"{odds(value):<{COLUMN}}" for value in values)).rstrip()
    if mute:
        yield fill(f"Say nothing either way (snapshot): {', '.join(mute)}.", width)
    if any(strength(kb, contrast.together) for contrast, _ in heads):
        yield fill(
            "A reading's factor is what it adds once all the others are known; readings that lean on each "
            "other do not multiply to the whole, and 'shared' is the difference.",
            width,
        )


def _row(label: str, weights: list[float], room: int, kb: KnowledgeBase) -> Iterator[str]:
    cells = []
    for weight in weights:
        word = strength(kb, weight)
        against = " against" if word and weight < 0 else ""
        cells.append(f"{times(weight)} {word}{against}" if word else "-")
    if len(label) >= room:
        yield label
        label = ""
    yield (f"{label:<{room}}" + "".join(f"{cell:<{COLUMN}}" for cell in cells)).rstrip()


# ------------------------------------------------------------------ sentences


def _against(reasons: Reasons, kb: KnowledgeBase) -> str:
    """What speaks against the explanation."""
    found = []
    for place, statement in enumerate(reasons.statements):
        weights = [contrast.weights[place] for contrast in reasons.contrasts]
        if weights and min(weights) < 0 and strength(kb, min(weights)):
            found.append(
                f"{statement_words(kb, statement)} ({times(min(weights))}, {strength(kb, min(weights))})"
            )
    if not found:
        return "Nothing that was read speaks against it."
    return f"Against it speaks: {'; '.join(found)}."


def _alike(reasons: Reasons, kb: KnowledgeBase) -> str:
    """Say so when no reading tells the explanation from the runner-up."""
    rival = reasons.rival
    if rival is None or any(strength(kb, w) for w in (*rival.weights, rival.total)):
        return ""
    return (
        f"No reading so far tells it from {names(kb, rival.against)}: between these two only the odds "
        f"before any reading count ({odds(rival.before)})."
    )


def _unread(reasons: Reasons, kb: KnowledgeBase) -> Iterator[str]:
    """What was not looked at in the last snapshot and would tell."""
    if reasons.unread_against is None:
        yield "No gauge left unread in the last snapshot would tell it from the next best ones."
        return
    other = names(kb, reasons.unread_against)
    looks = "; ".join(_look(look, kb) for look in reasons.unread[:MOST_UNREAD])
    yield f"Not read in the last snapshot, and would tell it from {other}: {looks}."


def _look(look: Unread, kb: KnowledgeBase) -> str:
    """A look with what would speak for the explanation and what against it."""
    gauge = kb.gauges[look.facet.split(".")[0]]
    best = max(look.chances, key=lambda r: look.chances[r][0] - look.chances[r][1])
    worst = min(look.chances, key=lambda r: look.chances[r][0] - look.chances[r][1])
    sides = []
    for reading, side in ((best, "for"), (worst, "against")):
        one, other = look.chances[reading]
        weight = math.log(max(one, 1e-12) / max(other, 1e-12))
        sides.append(f"{readable(reading)} speaks {side} it ({times(weight)})")
    return f"{gauge.name}: {', '.join(sides)}"


def _changes(reasons: Reasons, kb: KnowledgeBase) -> Iterator[str]:
    """Which single reading, had it been otherwise, would have put another explanation first."""
    if not reasons.changes:
        yield "No single reading, had it been another, would have put another explanation first."
        return
    told = "; ".join(
        f"{statement_words(kb, change.statement)} (snapshot {change.statement.snapshot + 1}) had been "
        f"{readable(change.reading)}: {names(kb, change.leading)} would lead ({percent(change.posterior)})"
        for change in reasons.changes[:MOST_CHANGES]
    )
    yield f"The ranking would be another if {told}."


# ------------------------------------------------------------------ the short form


def why_short(reasons: Reasons, case: CaseRecord, kb: KnowledgeBase, width: int = 80) -> str:
    """Give the reasons in at most four lines at 80 columns; "" if nothing was said that tells."""
    first = reasons.nothing or reasons.rival
    if first is None:
        return ""
    seen = _strongest(reasons.statements, first, reasons, kb)
    if not seen:
        return ""
    told = ", ".join(
        f"{statement_words(kb, s)} ({times(first.weights[reasons.statements.index(s)])})" for s in seen
    )
    against = "nothing failed" if not first.against else names(kb, first.against)
    text = f"Why: most for it, against '{against}', speak {told}."
    rival = reasons.rival
    if rival is not None and rival is not first:
        best = _strongest(reasons.statements, rival, reasons, kb)
        if best:
            weight = rival.weights[reasons.statements.index(best[0])]
            text += f" From the next best it is told by {statement_words(kb, best[0])} ({times(weight)})."
        elif not strength(kb, rival.total):
            text += f" No reading tells it from the next best; only the odds before do ({odds(rival.before)})."
    return fill(text, width)


# ------------------------------------------------------------------ data


def reasons_data(reasons: Reasons, posterior: Posterior, kb: KnowledgeBase) -> dict[str, Any]:
    """Give the reasons as plain data; every ``factor`` multiplies odds, every ``weight`` is its log."""
    return {
        "explanation": list(reasons.explanation),
        "name": names(kb, reasons.explanation),
        "plain": list(plain_lines(kb, reasons.explanation)),
        "here": here_line(reasons, posterior.case, kb),
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
                    "readings": {r: {"with_it": a, "with_the_other": b} for r, (a, b) in look.chances.items()},
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
