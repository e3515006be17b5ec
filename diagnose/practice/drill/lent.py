"""Exercises lent to a page, and the answers that come back: made again, marked and kept as at home.

A page holds what makes its exercises (``Plan``), so that the answers are marked here by the engine,
whatever the page said of them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated

import msgspec

from diagnose.model.errors import CaseError
from diagnose.model.files import record_of
from diagnose.practice.drill.exercise import Card, Kind, Marked
from diagnose.practice.drill.gaze import Review, review
from diagnose.practice.drill.name_it import NameIt
from diagnose.practice.drill.scan import Scan
from diagnose.practice.drill.sitting import Exercise, Round, Sitting, make
from diagnose.practice.drill.store import Seconds, Seed, Text, in_our_time

FORMAT = "diagnose drill results"
VERSION = 1
#: kinds that a page can ask
KINDS = (Kind.NAME, Kind.SCAN)
#: more exercises than any page holds, and more looks than any flight has
MOST_ANSWERS, MOST_LOOKS = 1000, 100_000

PageKind = Annotated[str, msgspec.Meta(pattern=f"^({'|'.join(kind.value for kind in KINDS)})$")]
Level = Annotated[int, msgspec.Meta(ge=0, le=1_000_000)]
Number = Annotated[int, msgspec.Meta(ge=1, le=MOST_ANSWERS)]
Looks = Annotated[tuple[Text, ...], msgspec.Meta(max_length=MOST_LOOKS)]


class Plan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What makes an exercise again: the arguments of ``make``. ``mark`` tells whether it is the same one."""

    failure: Text
    manoeuvre: Text
    kind: PageKind
    level: Level
    seed: Seed
    confused: tuple[Text, ...]
    met: tuple[Text, ...]
    mark: Text


class Answer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An answer given in a page. ``number`` of the exercise from 1; ``at``: when; ``seconds`` of thinking.

    ``answer`` as typed in the terminal, empty where a flight ended without a call. ``looks`` of a scan in
    their order, an empty one for a wait.
    """

    number: Number
    plan: Plan
    at: datetime
    seconds: Seconds
    answer: Text
    looks: Looks = ()

    def __post_init__(self) -> None:
        in_our_time(self.at)


class Results(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A page's downloaded file. ``page`` is the page's own id."""

    format: str
    version: int
    page: Text
    panel: Text
    answers: Annotated[tuple[Answer, ...], msgspec.Meta(max_length=MOST_ANSWERS)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """An answer of a page, read back. ``marked`` is None if the exercise can no longer be made the same."""

    number: int
    done: Round | None = None
    marked: Marked | None = None
    looked: Review | None = None


def lend(sitting: Sitting, now: datetime, count: int) -> tuple[Round, ...]:
    """Choose exercises for a page as a session would ask them; each card once."""
    chosen: list[Round] = []
    while len(chosen) < count:
        done = sitting.next(now)
        if done is None:
            break
        chosen.append(done)
        sitting.lend(done)
    return tuple(chosen)


def plan_of(done: Round) -> Plan:
    """Give what makes an exercise again."""
    return Plan(
        failure=done.card.failure,
        manoeuvre=done.card.manoeuvre,
        kind=done.card.kind,
        level=done.level,
        seed=done.seed,
        confused=done.confused,
        met=done.met,
        mark=mark_of(done.exercise),
    )


def mark_of(exercise: Exercise) -> str:
    """Give what tells one exercise from another: its flight's readings and the answers offered."""
    assert isinstance(exercise, NameIt | Scan)
    said = (exercise.flown.case, [(option.id, option.like) for option in exercise.options])
    return hashlib.sha256(msgspec.json.encode(said)).hexdigest()[:16]


def take(sitting: Sitting, results: Results, now: datetime) -> Iterator[Taken]:
    """Mark and keep the answers of a page that are not there yet, in the order in which they were given.

    Raises CaseError for an answer that is none, before anything is kept of any.
    """
    known = {answered.id for answered in sitting.store.answers()}
    marked: list[tuple[Answer, str, Taken]] = []
    for given in sorted(results.answers, key=lambda answer: answer.at):
        name = f"{results.page}.{given.number}"
        if name not in known:
            known.add(name)
            marked.append((given, name, _marked(sitting, given)))
    for given, name, taken in marked:
        if taken.done is not None and taken.marked is not None:
            # the clock of another machine may be ahead
            sitting.answer(taken.done, taken.marked, given.seconds, min(given.at, now), name, taken.looked)
        yield taken


def _marked(sitting: Sitting, given: Answer) -> Taken:
    """An answer marked; nothing is kept. Raises CaseError for one that is none."""
    done = _again(sitting, given.plan)
    if done is None:
        return Taken(number=given.number)
    if not isinstance(done.exercise, Scan):
        return Taken(number=given.number, done=done, marked=done.exercise.mark(given.answer))
    flown = _looked(done.exercise, given, f"exercise {given.number}")
    done = Round(card=done.card, exercise=flown, seed=done.seed, new=done.new, first=done.first)
    marked = flown.mark(given.answer) if given.answer else flown.ran_out()
    return Taken(number=given.number, done=done, marked=marked, looked=review(flown))


def _again(sitting: Sitting, plan: Plan) -> Round | None:
    """Make an exercise again; None if the knowledge has changed so that it would be another one."""
    studio = sitting.studio
    card = Card(plan.failure, plan.manoeuvre, plan.kind)
    if card not in sitting.order or not 0 <= plan.level < 1000 or plan.seed < 0:
        return None
    exercise = make(studio, card, plan.level, plan.seed, plan.confused, plan.met)
    if exercise is None or mark_of(exercise) != plan.mark:
        return None
    return Round(card=card, exercise=exercise, seed=plan.seed, new=False, first=False)


def _looked(scan: Scan, given: Answer, where: str) -> Scan:
    for gauge in given.looks:
        if gauge and gauge not in scan.studio.seen:
            raise CaseError(
                f"{gauge!r} is no gauge that can be looked at", where, "download the results again"
            )
        if scan.over:
            break
        scan = scan.look(gauge) if gauge else scan.wait()
    if not given.answer and not scan.over:
        raise CaseError(
            "there is no answer, and the flight had not ended", where, "download the results again"
        )
    return scan


def is_results(text: bytes) -> bool:
    """Whether a file says of itself that it holds a page's results."""
    try:
        return record_of(text, _Headed).format == FORMAT
    except ValueError:
        return False


class _Headed(msgspec.Struct):
    format: str = ""


def read_results(path: Path) -> Results:
    """Read a page's downloaded file. Raises CaseError for what is none."""
    try:
        results = record_of(path.read_bytes(), Results)
    except OSError as error:
        raise CaseError(f"the file cannot be read ({error.strerror or error})", str(path)) from None
    except ValueError as error:
        raise CaseError(
            f"this is not a drill-results file ({error})", str(path), "download them again from the page"
        ) from None
    if results.format != FORMAT or results.version != VERSION:
        raise CaseError(f"these are no {FORMAT} of version {VERSION}", str(path))
    if any(answer.at.tzinfo is None for answer in results.answers):
        raise CaseError("a time has no time zone", str(path), "download the results again from the page")
    return results
