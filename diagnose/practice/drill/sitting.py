"""A session of the drill: which exercise comes next, and what an answer changes. No clock, no chance of its own."""

from __future__ import annotations

import zlib
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np

from diagnose.practice.drill import fly_on, name_it, predict, scan
from diagnose.practice.drill.curriculum import cards_in_order
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
