"""A student's progress as text: for the student, and one page for an instructor."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.advice.coverage import SOUND
from diagnose.knowledge.load import KnowledgeBase
from diagnose.practice.drill.progress import Summary, Sureness
from diagnose.practice.drill.studio import OPEN
from diagnose.render.drill_question import TITLES
from diagnose.render.text import NO_FAILURE, fill

#: pairs, weeks and cards listed
MOST_PAIRS, MOST_WEEKS = 5, 8
ABOUT_RIGHT = "about right"


def answer_words(name: str, kb: KnowledgeBase) -> str:
    """An answer of the record in words."""
    fixed = {OPEN: "can't tell yet", SOUND: NO_FAILURE, "": "no call"}
    return fixed[name] if name in fixed else kb.failures[name].name if name in kb.failures else name


def share(value: float) -> str:
    """A share of answers."""
    return f"{100.0 * value:.0f} %"


def progress_text(told: Summary, kb: KnowledgeBase, width: int) -> str:
    """How a student is doing."""
    if told.first is None:
        return "No answers yet. Begin with: diagnose drill"
    return "\n".join(
        [
            fill(
                f"{told.count + told.uncounted} answers since {told.first:%Y-%m-%d}; {told.begun} exercises begun, {told.due} due now, "
                f"{told.due_tomorrow} by tomorrow.",
                width,
            ),
            "",
            *_by_week(told, width),
            "",
            *_kinds(told),
            *_pairs(told, kb, width),
            *_sureness(told, kb),
            *_faults(told, width),
        ]
    ).rstrip()


def _by_week(told: Summary, width: int) -> Iterator[str]:
    yield f"{'week of':<12}{'class':<16}{'answers':>8}{'right':>8}{'to answer':>11}{'to call it':>12}"
    rows = [(cell.week, name, cell) for name, cells in told.classes.items() for cell in cells[-MOST_WEEKS:]]
    before = ""
    for week, name, cell in sorted(rows, key=lambda row: row[:2]):
        called = "-" if cell.recognised_s is None else f"{cell.recognised_s:.0f} s"
        shown = "" if week == before else week
        yield f"{shown:<12}{name:<16}{cell.count:>8}{share(cell.rate):>8}{f'{cell.seconds:.0f} s':>11}{called:>12}"
        before = week
    yield fill("'to call it': from onset to a correct call in a scan, in flight time (median).", width)


def _kinds(told: Summary) -> Iterator[str]:
    yield ", ".join(
        f"{TITLES[kind].lower()} {share(told.kinds[kind][1])} of {told.kinds[kind][0]}"
        for kind in TITLES
        if kind in told.kinds
    )


def habits(told: Summary) -> tuple[str, ...]:
    """Calls that took nothing for another but were not right, or not to be marked."""
    counts = {
        "Named before you could tell": told.guessed,
        "You could tell, and did not name it": told.missed,
        "Called too early to be right or wrong": told.uncounted,
    }
    return tuple(f"{what}: {count} x." for what, count in counts.items() if count)


def _pairs(told: Summary, kb: KnowledgeBase, width: int) -> Iterator[str]:
    if told.confused:
        yield ""
        yield "Confused (what was right: what you said)"
        for right, given, count in told.confused[:MOST_PAIRS]:
            yield fill(
                f"{count} x {answer_words(right, kb)}: {answer_words(given, kb)}", width, "  ", "      "
            )
    if habits(told):
        yield ""
        yield from habits(told)


def _sureness(told: Summary, kb: KnowledgeBase) -> Iterator[str]:
    if told.sureness:
        yield ""
        yield "How sure you were, and how sure the readings allowed"
        for week in told.sureness[-MOST_WEEKS:]:
            yield (
                f"  {week.week}  {share(week.sure):>5} against {share(week.engine):>5}  {leaning(week, kb)}"
                f"  ({week.count} answers)"
            )


def leaning(week: Sureness, kb: KnowledgeBase) -> str:
    """Whether somebody is too sure or not sure enough; "about right" where it is little."""
    if abs(week.sure - week.engine) < kb.drill_numbers["leans"].value:
        return ABOUT_RIGHT
    return "over-confident" if week.sure > week.engine else "under-confident"


def _faults(told: Summary, width: int) -> Iterator[str]:
    if told.faults:
        yield ""
        yield fill(
            "In scans: " + ", ".join(f"{fault} {count} x" for fault, count in told.faults) + ".", width
        )


def instructor_text(told: Summary, kb: KnowledgeBase, width: int) -> str:
    """One page for an instructor: what the student has done, what is weak, what to work on."""
    if told.first is None:
        return "This student has answered nothing yet."
    lines = [fill(f"Drill: summary of {told.at:%Y-%m-%d}", width), "", progress_text(told, kb, width)]
    if told.weakest:
        lines += ["", "Forgotten most often"]
        for held in told.weakest:
            manoeuvre = held.card.manoeuvre
            where = kb.manoeuvres[manoeuvre].name if manoeuvre in kb.manoeuvres else manoeuvre
            text = f"{held.lapses} x {answer_words(held.card.failure, kb)}: {where}, {TITLES[held.card.kind].lower()}"
            lines.append(fill(text, width, "  ", "      "))
    work = work_on(told, kb)
    if work:
        lines += ["", fill(f"To work on: {work}", width)]
    return "\n".join(lines)


def work_on(told: Summary, kb: KnowledgeBase) -> str:
    """What the record says should be worked on first; "" if it says nothing."""
    parts = []
    last = {name: cells[-1] for name, cells in told.classes.items() if cells}
    weak = min(last.items(), key=lambda entry: entry[1].rate, default=None)
    if weak is not None and weak[1].rate < kb.drill_numbers["well"].value:
        parts.append(f"{weak[0]} failures ({share(weak[1].rate)} right in the last week with any)")
    if told.confused and told.confused[0][2] > 1:
        right, given, _ = told.confused[0]
        parts.append(f"telling '{answer_words(right, kb)}' from '{answer_words(given, kb)}'")
    early = told.guessed + told.uncounted
    if early > 1:
        parts.append(f"waiting until you can tell ({early} calls came too early)")
    if told.sureness and (leans := leaning(told.sureness[-1], kb)) != ABOUT_RIGHT:
        parts.append(f"sureness ({leans})")
    if told.faults:
        parts.append(f"{told.faults[0][0]} in the scan")
    return "; ".join(parts) + "." if parts else ""
