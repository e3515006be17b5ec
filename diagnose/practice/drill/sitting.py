"""A session of the drill: which exercise comes next, and what an answer changes. No clock, no chance of its own."""

from __future__ import annotations

import zlib
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from diagnose.model import FailureKind
from diagnose.practice.drill import fly_on, name_it, predict, scan
from diagnose.practice.drill.exercise import SOUND, Card, Kind, Marked
from diagnose.practice.drill.fly_on import FlyOn
from diagnose.practice.drill.gaze import Review
from diagnose.practice.drill.name_it import NameIt
from diagnose.practice.drill.predict import PredictIt
from diagnose.practice.drill.progress import kept_together, takes_for_another
from diagnose.practice.drill.scan import Scan
from diagnose.practice.drill.schedule import candidates, review
from diagnose.practice.drill.store import LONGEST_S, Answered, Store
from diagnose.practice.drill.studio import Studio

# ------------------------------------------------------------------ what there is to learn on a panel, in a sensible order
# Common failures come first, one system after the other; a failure in the maneuver in which it shows most
# before others; first to foretell what it does, then to name it, to fly on with it and to find it by scanning.
# A second kind of exercise, and a second maneuver, wait until some other failures were begun.


#: maneuvers in which a failure is learned
MOST_MANOEUVRES = 4
#: the place of the sound aircraft among the failures
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
class Sitting:
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
        looked: Review | None = None,
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
            lambda held: review(held, marked, seconds, now, quick, slow),
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
            return name_it.make(studio, card, level, rng, confused, met)
        case Kind.PREDICT:
            return predict.make(studio, card, level, rng)
        case Kind.FLY:
            return fly_on.make(studio, card, level, rng)
        case Kind.SCAN:
            return scan.make(studio, card, level, rng, confused, met)
