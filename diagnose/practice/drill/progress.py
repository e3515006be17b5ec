"""What the answers come to: by class of failure and week, pairs taken for each other, sureness, what is due."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from statistics import median

from diagnose.advice.coverage import SOUND
from diagnose.knowledge.load import KnowledgeBase
from diagnose.practice.drill.store import Answered, Held
from diagnose.practice.drill.studio import OPEN, Card

#: kinds in which one failure can be mistaken for another
NAMING = ("name", "scan")
#: what stands for the class of a healthy airplane
NOTHING = "nothing failed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """Answers of one class of failure in one week (its Monday).

    ``rate``: share of right ones; ``seconds``: median time to the answer; ``recognized_s``: median time
    from onset to a right call of a scan (None without one).
    """

    week: str
    count: int
    rate: float
    seconds: float
    recognised_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sureness:
    """How sure the student was in a week, and how sure the readings allowed: means over ``count`` answers."""

    week: str
    count: int
    sure: float
    engine: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Everything about a student's progress at one time, from the answers that count.

    ``guessed``: failures named before they could be told; ``missed``: failures that could be told and were
    not named; ``uncounted``: calls too early to count.
    """

    at: datetime
    count: int
    guessed: int
    missed: int
    uncounted: int
    first: datetime | None
    classes: Mapping[str, tuple[Cell, ...]]
    kinds: Mapping[str, tuple[int, float]]
    confused: tuple[tuple[str, str, int], ...]
    sureness: tuple[Sureness, ...]
    faults: tuple[tuple[str, int], ...]
    due: int
    due_tomorrow: int
    begun: int
    weakest: tuple[Held, ...]


def week_of(at: datetime) -> str:
    """Give the Monday of a time's week."""
    return (at - timedelta(days=at.weekday())).date().isoformat()


def class_of(kb: KnowledgeBase, failure: str) -> str:
    """Give the class of failure: its system, or that nothing failed."""
    return kb.failures[failure].system.value if failure in kb.failures else NOTHING


def names_wrongly(a: Answered) -> bool:
    """Whether an answer names a failure that was not the right answer."""
    return a.kind in NAMING and a.counts and not a.correct and a.given not in (SOUND, OPEN, "")


def takes_for_another(a: Answered) -> bool:
    """Whether an answer takes what was to be told, a failure or a healthy airplane, for another failure."""
    return names_wrongly(a) and a.right != OPEN and a.given not in (a.right, a.failure)


def confusions(answers: Iterable[Answered]) -> Counter[tuple[str, str]]:
    """Count (what was right, what was said instead), where one was mistaken for another."""
    return Counter((a.right, a.given) for a in answers if takes_for_another(a))


def kept_together(answers: Sequence[Answered], enough: int) -> dict[str, set[str]]:
    """Give for each failure what it is still taken for.

    A pair is kept until ``enough`` right answers in a row, after the last confusion, to exercises of the one that was
    mistaken: who takes one for the other may know the other well.
    """
    open_pairs: dict[tuple[str, str], int] = {}
    for a in answers:
        if a.kind not in NAMING:
            continue
        if takes_for_another(a) and a.right != SOUND:
            open_pairs[a.right, a.given] = 0
        elif a.correct:
            for known in [p for p in open_pairs if a.right == p[0]]:
                open_pairs[known] += 1
    found: dict[str, set[str]] = {}
    for (one, other), rights in open_pairs.items():
        if rights < enough:
            found.setdefault(one, set()).add(other)
            found.setdefault(other, set()).add(one)
    return found


def _misses(a: Answered) -> bool:
    """Whether an answer leaves a failure that could be told unnamed."""
    return (
        a.kind in NAMING and not a.correct and a.given in (SOUND, OPEN, "") and a.right not in (SOUND, OPEN)
    )


def _cells(answers: Sequence[Answered]) -> tuple[Cell, ...]:
    weeks: dict[str, list[Answered]] = {}
    for answered in answers:
        weeks.setdefault(week_of(answered.at), []).append(answered)
    cells = []
    for week, group in sorted(weeks.items()):
        recognised = [a.recognised_s for a in group if a.recognised_s is not None and a.correct]
        cells.append(
            Cell(
                week=week,
                count=len(group),
                rate=sum(a.correct for a in group) / len(group),
                seconds=median(a.seconds for a in group),
                recognised_s=median(recognised) if recognised else None,
            )
        )
    return tuple(cells)


def summary(
    kb: KnowledgeBase, answers: Sequence[Answered], held: Mapping[Card, Held], now: datetime
) -> Summary:
    """Sum up a student's progress."""
    every, answers = answers, [a for a in answers if a.counts]
    by_class: dict[str, list[Answered]] = {}
    by_kind: dict[str, list[Answered]] = {}
    for a in answers:
        by_class.setdefault(class_of(kb, a.failure), []).append(a)
        by_kind.setdefault(a.kind, []).append(a)
    stated: dict[str, list[tuple[float, float]]] = {}
    for a in answers:
        if a.sure is not None and a.engine is not None:
            stated.setdefault(week_of(a.at), []).append((a.sure, a.engine))
    return Summary(
        at=now,
        count=len(answers),
        guessed=sum(names_wrongly(a) and not takes_for_another(a) for a in answers),
        missed=sum(_misses(a) for a in answers),
        uncounted=len(every) - len(answers),
        first=every[0].at if every else None,
        classes={name: _cells(group) for name, group in sorted(by_class.items())},
        kinds={
            kind: (len(group), sum(a.correct for a in group) / len(group)) for kind, group in by_kind.items()
        },
        confused=tuple((one, other, n) for (one, other), n in confusions(answers).most_common()),
        sureness=tuple(
            Sureness(
                week=week,
                count=len(pairs),
                sure=sum(sure for sure, _ in pairs) / len(pairs),
                engine=sum(engine for _, engine in pairs) / len(pairs),
            )
            for week, pairs in sorted(stated.items())
        ),
        faults=tuple(Counter(fault for a in every for fault in a.faults).most_common()),
        due=sum(h.due <= now for h in held.values()),
        due_tomorrow=sum(h.due <= now + timedelta(days=1) for h in held.values()),
        begun=len(held),
        weakest=tuple(sorted((h for h in held.values() if h.lapses), key=lambda h: (-h.lapses, h.row))[:5]),
    )
