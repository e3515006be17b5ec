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

import msgspec

from diagnose.drill.exercise import Card, Kind, Marked
from diagnose.drill.gaze import Review, review
from diagnose.drill.name_it import NameIt
from diagnose.drill.scan import Scan
from diagnose.drill.sitting import Exercise, Round, Sitting, make
from diagnose.errors import CaseError

FORMAT = "diagnose drill results"
VERSION = 1
#: kinds that a page can ask
KINDS = (Kind.NAME, Kind.SCAN)
#: nobody thinks longer about one exercise
LONGEST_S = 86_400.0


class Plan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What makes an exercise again: the arguments of ``make``. ``mark`` tells whether it is the same one."""

    failure: str
    manoeuvre: str
    kind: str
    level: int
    seed: int
    confused: tuple[str, ...]
    met: tuple[str, ...]
    mark: str


class Answer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An answer given in a page. ``number`` of the exercise from 1; ``at``: when; ``seconds`` of thinking.

    ``answer`` as typed in the terminal, empty where a flight ended without a call. ``looks`` of a scan in
    their order, an empty one for a wait.
    """

    number: int
    plan: Plan
    at: datetime
    seconds: float
    answer: str
    looks: tuple[str, ...] = ()


class Results(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A page's downloaded file. ``page`` is the page's own id."""

    format: str
    version: int
    page: str
    panel: str
    answers: tuple[Answer, ...]


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

    Raises CaseError for an answer that is none, before anything is kept of it.
    """
    known = {answered.id for answered in sitting.store.answers()}
    for given in sorted(results.answers, key=lambda answer: answer.at):
        name = f"{results.page}.{given.number}"
        if name in known:
            continue
        known.add(name)
        done = _again(sitting, given.plan)
        if done is None:
            yield Taken(number=given.number)
            continue
        where = f"exercise {given.number}"
        looked = None
        if isinstance(done.exercise, Scan):
            flown = _looked(done.exercise, given, where)
            done = Round(card=done.card, exercise=flown, seed=done.seed, new=done.new, first=done.first)
            marked = flown.mark(given.answer) if given.answer else flown.ran_out()
            looked = review(flown)
        else:
            marked = done.exercise.mark(given.answer)
        seconds = min(max(given.seconds, 0.0), LONGEST_S)
        # the clock of another machine may be ahead
        sitting.answer(done, marked, seconds, min(given.at, now), name, looked)
        yield Taken(number=given.number, done=done, marked=marked, looked=looked)


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
        return msgspec.json.decode(text, type=_Headed).format == FORMAT
    except msgspec.MsgspecError:
        return False


class _Headed(msgspec.Struct):
    format: str = ""


def read_results(path: Path) -> Results:
    """Read a page's downloaded file. Raises CaseError for what is none."""
    try:
        results = msgspec.json.decode(path.read_bytes(), type=Results)
    except OSError as error:
        raise CaseError(f"the file cannot be read ({error.strerror or error})", str(path)) from None
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise CaseError(
            f"these are no results of a page ({error})", str(path), "download them again from the page"
        ) from None
    if results.format != FORMAT or results.version != VERSION:
        raise CaseError(f"these are no {FORMAT} of version {VERSION}", str(path))
    if any(answer.at.tzinfo is None for answer in results.answers):
        raise CaseError("a time has no time zone", str(path), "download the results again from the page")
    return results
