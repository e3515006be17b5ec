"""A drill session: which exercise comes next; and exercises lent to a page and marked when the results come back."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Annotated

import msgspec
import numpy as np

from diagnose.advice.coverage import SOUND
from diagnose.model import FailureKind
from diagnose.model.errors import CaseError
from diagnose.model.files import record_of
from diagnose.practice.drill import kinds, scan
from diagnose.practice.drill.kinds import FlyOn, NameIt, PredictIt
from diagnose.practice.drill.progress import kept_together, takes_for_another
from diagnose.practice.drill.scan import Scan, ScanReview, scan_review
from diagnose.practice.drill.store import (
    LONGEST_S,
    Answered,
    Seconds,
    Seed,
    Store,
    Text,
    candidates,
    in_our_time,
    reschedule,
)
from diagnose.practice.drill.studio import Card, Kind, Marked, Studio

# ------------------------------------------------------------------ what there is to learn on a panel, in a sensible order
# Common failures come first, one system after the other; a failure in the maneuver in which it shows most
# before others; first to foretell what it does, then to name it, to fly on with it and to find it by scanning.
# A second kind of exercise, and a second maneuver, wait until some other failures were begun.


#: maneuvers in which a failure is learned
MOST_MANOEUVRES = 4
#: the place of the healthy airplane among the failures
SOUND_PLACE = 2
#: what is flown with nothing failed
SOUND_IN = ("climb", "level", "left_turn", "descent", "right_turn", "level_slowing_down")


def failures_in_order(studio: Studio) -> tuple[str, ...]:
    """Give one failure of each class that shows in some maneuver: common ones first, systems in turn."""
    kb = studio.kb

    def often(name: str) -> tuple[bool, float]:
        failure = kb.failures[name]
        return failure.kind is FailureKind.FAILURE, failure.rate_per_hour + failure.latent

    names = [group[0] for group in studio.classes if not kb.failures[group[0]].silent]
    by_system: dict[object, list[str]] = {}
    for name in sorted((n for n in names if studio.shows_in(n)), key=often, reverse=True):
        by_system.setdefault(kb.failures[name].system, []).append(name)
    ranked = [(place, queue[place]) for queue in by_system.values() for place in range(len(queue))]
    return tuple(name for _, name in sorted(ranked, key=lambda entry: entry[0]))


def cards_in_order(studio: Studio, kinds: Collection[Kind] = tuple(Kind)) -> tuple[Card, ...]:
    """Give all cards of a panel in the order in which they are begun."""
    later = int(studio.number("new_kinds_later"))
    wanted = [kind for kind in Kind if kind in kinds]
    failures = list(failures_in_order(studio))
    failures.insert(min(SOUND_PLACE, len(failures)), SOUND)
    found: list[tuple[int, int, int, Card]] = []
    for place, failure in enumerate(failures):
        manoeuvres = studio.shows_in(failure)[:MOST_MANOEUVRES] if failure != SOUND else SOUND_IN
        for turn, manoeuvre in enumerate(m for m in manoeuvres if m in studio.kb.manoeuvres):
            for step, kind in enumerate(wanted):
                if fits(studio, failure, manoeuvre, kind):
                    stage = place + later * (step + len(wanted) * turn)
                    found.append((stage, place, step, Card(failure, manoeuvre, kind.value)))
    return tuple(card for *_, card in sorted(found))


def fits(studio: Studio, failure: str, manoeuvre: str, kind: Kind) -> bool:
    """Whether a kind of exercise makes sense at all: a healthy airplane is only to be recognized."""
    if failure == SOUND:
        return kind in (Kind.NAME, Kind.SCAN)
    if not studio.can_be(failure, manoeuvre):
        return False
    return kind in (Kind.PREDICT, Kind.NAME) or studio.kb.manoeuvres[manoeuvre].phase == "air"


Exercise = NameIt | PredictIt | FlyOn | Scan
#: cards tried until one makes an exercise; more mean that nothing of the wanted kinds can be made
MOST_TRIED = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One exercise. ``new``: its card is met for the first time; ``first``: so is its failure.

    ``level``, ``confused`` and ``met`` are those of ``make``: with card and seed they make it again.
    """

    card: Card
    exercise: Exercise
    seed: int
    new: bool
    first: bool
    level: int = 0
    confused: tuple[str, ...] = ()
    met: tuple[str, ...] = ()


@dataclass
class DrillSession:
    """What a session needs, and what it has done so far. ``order``: the cards in the order of learning."""

    studio: Studio
    store: Store
    seed: int
    kinds: tuple[Kind, ...] = tuple(Kind)
    order: tuple[Card, ...] = ()
    number: int = 0
    begun: int = 0
    since_sound: int = 0
    since_new: int = 0
    right: tuple[bool, ...] = ()
    recent: tuple[str, ...] = ()
    unfit: set[Card] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.order = self.order or cards_in_order(self.studio, self.kinds)

    def next(self, now: datetime) -> Round | None:
        """Give the next exercise; None if none of these kinds can be made on this panel."""
        held = self.store.held(now)
        together = kept_together(self.store.answers(), int(self.studio.number("pair_kept")))
        asked = candidates(
            self.order,
            held,
            now,
            new_left=self._new_left(),
            sound_wanted=self.since_sound + 1 >= self.studio.number("sound_every"),
            new_wanted=self.since_new + 1 >= self.studio.number("new_every"),
            recent=self.recent[-int(self.studio.number("apart")) :],
            unfit=self.unfit,
            together=together,
        )
        met = tuple(sorted({card.failure for card in held}))
        for _, card in zip(range(MOST_TRIED), asked, strict=False):
            seed = self.seed * 100_003 + self.number
            level = held[card].row if card in held else 0
            confused = tuple(sorted(together.get(card.failure, ())))
            exercise = make(self.studio, card, level, seed, confused, met)
            if exercise is None:
                self.unfit.add(card)
                continue
            return Round(
                card=card,
                exercise=exercise,
                seed=seed,
                new=card not in held,
                first=card.failure not in met,
                level=level,
                confused=confused,
                met=met,
            )
        return None

    def _new_left(self) -> int:
        """How many cards may still be begun; one who does well is not held up."""
        number, count = self.studio.number, len(self.right)
        left = int(number("new_per_session")) - self.begun
        well = count >= number("sound_every") and sum(self.right) >= number("well") * count
        return max(left, int(well))

    def skip(self, done: Round) -> None:
        """Leave an exercise without an answer: its card is not asked again in this session."""
        self.unfit.add(done.card)
        self.number += 1
        self.recent = (*self.recent, done.card.failure)

    def lend(self, done: Round) -> None:
        """Count an exercise as asked that is answered elsewhere: its card is not asked again here."""
        self.unfit.add(done.card)
        self._asked(done)

    def _asked(self, done: Round) -> None:
        self.number += 1
        self.begun += done.new
        self.since_new = 0 if done.new else self.since_new + 1
        self.since_sound = 0 if done.card.failure == SOUND else self.since_sound + 1
        self.recent = (*self.recent, done.card.failure)

    def answer(
        self,
        done: Round,
        marked: Marked,
        seconds: float,
        now: datetime,
        answer_id: str,
        looked: ScanReview | None = None,
    ) -> Answered:
        """Keep an answer, and go on. ``seconds`` is what it took; ``looked`` the review of a scan."""
        seconds = min(max(seconds, 0.0), LONGEST_S)
        right, given = self._standing(marked.right), self._standing(marked.given)
        recognised = None
        if isinstance(done.exercise, Scan) and looked is not None and done.exercise.onset_s is not None:
            recognised = float(max(looked.called_s - done.exercise.onset_s, 0))
        answered = Answered(
            id=answer_id,
            at=now,
            panel=self.studio.network.panel.id,
            failure=done.card.failure,
            manoeuvre=done.card.manoeuvre,
            kind=done.card.kind,
            given=given,
            right=right,
            correct=marked.correct,
            score=marked.score,
            seconds=seconds,
            sure=marked.sure,
            engine=marked.engine,
            recognised_s=recognised,
            faults=() if looked is None else tuple(found.fault for found in looked.faults),
            seed=done.seed,
            counts=marked.counts,
        )
        quick, slow = self.studio.number("quick_s"), self.studio.number("slow_s")
        self.store.keep(
            answered,
            lambda held: reschedule(held, marked, seconds, now, quick, slow),
            self._to_keep_apart(answered),
        )
        self._asked(done)
        self.right = (*self.right, marked.correct) if marked.counts else self.right
        return answered

    def _standing(self, name: str) -> str:
        """Give the failure that stands for its class; anything else as it is."""
        return self.studio.class_of(name)[0] if name in self.studio.kb.failures else name

    def _to_keep_apart(self, answered: Answered) -> tuple[Card, ...]:
        """Give the card of what was said instead, in this maneuver or where it shows most."""
        if not takes_for_another(answered) or answered.right == SOUND:
            return ()
        # only what is in the order is ever asked
        shows = [c for c in self.order if (c.failure, c.kind) == (answered.given, answered.kind)]
        here = [c for c in shows if c.manoeuvre == answered.manoeuvre]
        return tuple([*here, *shows][:1])


def make(
    studio: Studio,
    card: Card,
    level: int,
    seed: int,
    confused: Collection[str] = (),
    met: Collection[str] = (),
) -> Exercise | None:
    """Make the exercise of a card; the same arguments give the same exercise. None if none is fair.

    ``confused``: what the student takes for the card's failure; ``met``: failures that are known to the student.
    """
    # every card draws for itself: what one seed makes rare must not be rare for all of them at once
    rng = np.random.default_rng([seed, zlib.crc32(f"{card.failure} {card.manoeuvre} {card.kind}".encode())])
    match Kind(card.kind):
        case Kind.NAME:
            return kinds.make_name(studio, card, level, rng, confused, met)
        case Kind.PREDICT:
            return kinds.make_predict(studio, card, level, rng)
        case Kind.FLY:
            return kinds.make_fly(studio, card, level, rng)
        case Kind.SCAN:
            return scan.make(studio, card, level, rng, confused, met)


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


class PagePlan(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What makes an exercise again: the arguments of ``make``. ``mark`` tells whether it is the same one."""

    failure: Text
    manoeuvre: Text
    kind: PageKind
    level: Level
    seed: Seed
    confused: tuple[Text, ...]
    met: tuple[Text, ...]
    mark: Text


class PageAnswer(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An answer given in a page. ``number`` of the exercise from 1; ``at``: when; ``seconds`` of thinking.

    ``answer`` as typed in the terminal, empty where a flight ended without a call. ``looks`` of a scan in
    their order, an empty one for a wait.
    """

    number: Number
    plan: PagePlan
    at: datetime
    seconds: Seconds
    answer: Text
    looks: Looks = ()

    def __post_init__(self) -> None:
        in_our_time(self.at)


class PageResults(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A page's downloaded file. ``page`` is the page's own id."""

    format: str
    version: int
    page: Text
    panel: Text
    answers: Annotated[tuple[PageAnswer, ...], msgspec.Meta(max_length=MOST_ANSWERS)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PageMarked:
    """An answer of a page, read back. ``marked`` is None if the exercise can no longer be made the same."""

    number: int
    done: Round | None = None
    marked: Marked | None = None
    looked: ScanReview | None = None


def page_rounds(session: DrillSession, now: datetime, count: int) -> tuple[Round, ...]:
    """Choose exercises for a page as a session would ask them; each card once."""
    chosen: list[Round] = []
    while len(chosen) < count:
        done = session.next(now)
        if done is None:
            break
        chosen.append(done)
        session.lend(done)
    return tuple(chosen)


def plan_of(done: Round) -> PagePlan:
    """Give what makes an exercise again."""
    return PagePlan(
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


def take(session: DrillSession, results: PageResults, now: datetime) -> Iterator[PageMarked]:
    """Mark and keep the answers of a page that are not there yet, in the order in which they were given.

    Raises CaseError for an answer that is none, before anything is kept of any.
    """
    known = {answered.id for answered in session.store.answers()}
    marked: list[tuple[PageAnswer, str, PageMarked]] = []
    for given in sorted(results.answers, key=lambda answer: answer.at):
        name = f"{results.page}.{given.number}"
        if name not in known:
            known.add(name)
            marked.append((given, name, _marked(session, given)))
    for given, name, taken in marked:
        if taken.done is not None and taken.marked is not None:
            # the clock of another machine may be ahead
            session.answer(taken.done, taken.marked, given.seconds, min(given.at, now), name, taken.looked)
        yield taken


def _marked(session: DrillSession, given: PageAnswer) -> PageMarked:
    """An answer marked; nothing is kept. Raises CaseError for one that is none."""
    done = _again(session, given.plan)
    if done is None:
        return PageMarked(number=given.number)
    if not isinstance(done.exercise, Scan):
        return PageMarked(number=given.number, done=done, marked=done.exercise.mark(given.answer))
    flown = _looked(done.exercise, given, f"exercise {given.number}")
    done = Round(card=done.card, exercise=flown, seed=done.seed, new=done.new, first=done.first)
    marked = flown.mark(given.answer) if given.answer else flown.ran_out()
    return PageMarked(number=given.number, done=done, marked=marked, looked=scan_review(flown))


def _again(session: DrillSession, plan: PagePlan) -> Round | None:
    """Make an exercise again; None if the knowledge has changed so that it would be another one."""
    studio = session.studio
    card = Card(plan.failure, plan.manoeuvre, plan.kind)
    if card not in session.order or not 0 <= plan.level < 1000 or plan.seed < 0:
        return None
    exercise = make(studio, card, plan.level, plan.seed, plan.confused, plan.met)
    if exercise is None or mark_of(exercise) != plan.mark:
        return None
    return Round(card=card, exercise=exercise, seed=plan.seed, new=False, first=False)


def _looked(scan: Scan, given: PageAnswer, where: str) -> Scan:
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


def read_results(path: Path) -> PageResults:
    """Read a page's downloaded file. Raises CaseError for what is none."""
    try:
        results = record_of(path.read_bytes(), PageResults)
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
