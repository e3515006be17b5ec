"""Name it: what the panel showed, in one to three snapshots; what has failed?"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.model import CaseRecord, System
from diagnose.network.posterior import Posterior
from diagnose.practice.drill.exercise import OPEN, SOUND, Card, Marked, Option
from diagnose.practice.drill.flights import (
    Belief,
    Flown,
    believe,
    fly,
    legs_to,
    right_places,
    truth_of,
    without,
)
from diagnose.practice.drill.marking import mark
from diagnose.practice.drill.studio import Studio

#: wrong answers that name a failure, for a beginner and for one who knows the card
FEWEST_WRONG, MOST_WRONG = 2, 4
#: so many of them are of other systems
ELSEWHERE = 1
#: flights tried until one makes a fair exercise
TRIES, LESSON_TRIES = 14, 10
#: so many gauges are covered where it is not to be told
COVERED = 0.5
#: snapshots of an exercise at most, by how often the card was answered rightly
MOST_SNAPSHOTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class NameIt:
    """A flight, the answers offered, their chances if one of them is so, and which are right.

    ``covered``: gauges that nobody could read in this flight.
    """

    card: Card
    flown: Flown
    posterior: Posterior
    belief: Belief
    options: tuple[Option, ...]
    chances: tuple[float, ...]
    right: tuple[int, ...]
    told: float
    covered: tuple[str, ...] = ()

    def mark(self, text: str) -> Marked:
        """Mark an answer. Raises CaseError for what is none."""
        return mark(text, self.options, self.chances, self.right, self.told)


def option_of(studio: Studio, failure: str) -> Option:
    """Give the answer that names a failure with those that look the same in everything, or ``SOUND``."""
    if failure == SOUND:
        return Option(id=SOUND, like=(SOUND,))
    return Option(id=failure, like=(failure, *(n for n in studio.class_of(failure) if n != failure)))


def readings_say(studio: Studio, belief: Belief, manoeuvre: str, truth: str) -> tuple[Option, ...]:
    """Give the answers that the readings leave, the likeliest first: one if it is told.

    Failures that the readings hardly tell apart are one answer where they mean the same to the pilot:
    where the same instruments mislead. What does not show belongs to "nothing".
    """
    left = belief.best(studio.number("too_alike"))
    groups: dict[object, list[str]] = {}
    for name in left:
        hidden = SOUND in left
        groups.setdefault(SOUND if hidden else studio.misleads(name, manoeuvre), []).append(name)
    options = []
    for members in groups.values():
        first = next((name for name in (SOUND, truth) if name in members), members[0])
        options.append(Option(id=first, like=(first, *(name for name in members if name != first))))
    return tuple(sorted(options, key=lambda option: -belief.chance(option)))


def leads(studio: Studio, case: CaseRecord, option: Option) -> bool:
    """Whether the engine, with two failures at once allowed, puts an answer first too."""
    leading = studio.whole.posterior(case).ranking()[0].failures
    return bool({*(leading or (SOUND,))} & set(option.like))


def offered(
    studio: Studio,
    belief: Belief,
    left: Sequence[Option],
    manoeuvre: str,
    wrong: int,
    rng: np.random.Generator,
    confused: Collection[str] = (),
    elsewhere: int = 0,
    met: Collection[str] = (),
) -> tuple[Option, ...]:
    """Give the answers to offer: what the readings leave, look-alikes, "nothing" and "cannot be told yet".

    Look-alikes are the failures that stay likeliest; ``confused``, which the student takes for it, come
    first. None of them is one that the readings hardly tell from the right answer. So many as
    ``elsewhere`` are of other systems, so that the answers do not say where to look: those that make
    the same instruments mislead come first, and of these those that the student has ``met``.
    """
    taken = {name for option in left for name in option.like}
    systems = {studio.kb.failures[name].system for name in taken if name != SOUND}
    # a wrong answer changes some gauge that is changed here: nobody takes a stuck ammeter for a dead horizon
    changed = {gauge for name in taken - {SOUND} for gauge in studio.shows_on(name, manoeuvre)}
    groups = [
        g
        for g in studio.classes
        if not taken & set(g)
        and not studio.kb.failures[g[0]].silent
        and studio.can_be(g[0], manoeuvre)
        and (not changed or changed & studio.shows_on(g[0], manoeuvre))
    ]
    rng.shuffle(groups)
    least = studio.number("worth_offering")

    def rank(group: tuple[str, ...]) -> tuple[bool, bool, bool, float]:
        chance = belief.chance(Option(id=group[0], like=group))
        near = chance >= least
        return (
            not set(group) & set(confused),
            not near,
            studio.kb.failures[group[0]].system not in systems,
            -chance if near else 0.0,
        )

    def system(group: tuple[str, ...]) -> System:
        return studio.kb.failures[group[0]].system

    failures = [option for option in left if option.id != SOUND]
    near = sorted(groups, key=rank)[: max(wrong - elsewhere - max(len(failures) - 1, 0), 0)]
    far: list[tuple[str, ...]] = []
    misled = {gauge for name in taken - {SOUND} for gauge in studio.misleads(name, manoeuvre)}

    def known(group: tuple[str, ...]) -> tuple[bool, bool, bool]:
        is_met, is_like = bool(set(group) & set(met)), bool(misled & studio.misleads(group[0], manoeuvre))
        return not (is_met and is_like), not is_like, not is_met

    for group in sorted(groups, key=known):
        if group not in near and system(group) not in {*systems, *map(system, [*near, *far])}:
            far.append(group)
    failures += [option_of(studio, group[0]) for group in [*near, *far[:elsewhere]]]
    rng.shuffle(failures)
    sound = next((option for option in left if option.id == SOUND), option_of(studio, SOUND))
    return (*failures, sound, Option(id=OPEN))


def make(
    studio: Studio,
    card: Card,
    level: int,
    rng: np.random.Generator,
    confused: Collection[str] = (),
    met: Collection[str] = (),
) -> NameIt | None:
    """Make an exercise for a card, None if no flight tried is a fair one.

    ``level``: how often the card was answered rightly; the higher, the more snapshots and answers.
    """
    told, not_told = studio.number("told"), studio.number("not_told")
    lesson = card.failure != SOUND and rng.random() < studio.number("lesson")
    for attempt in range(TRIES):
        # a failure that is not left open even so is one to be named
        lesson = lesson and attempt < LESSON_TRIES
        count = int(rng.integers(1, min(2 + level, MOST_SNAPSHOTS) + 1))
        legs = legs_to(studio, card.manoeuvre, count, rng)
        truth = truth_of(studio, card, rng)
        late = level > 0 and len(legs) > 1 and rng.random() < 0.5
        flown = fly(studio, truth, legs, legs[0].minutes * 0.9 if late else 0.0, rng)
        if not flown.case.snapshot:
            continue
        # what tells is covered, so that patience is the right answer
        covered = tuple(g for g in studio.seen if lesson and rng.random() < COVERED)
        flown = without(flown, covered)
        posterior = studio.engine.posterior(flown.case)
        belief = believe(studio, posterior)
        left = readings_say(studio, belief, card.manoeuvre, truth)
        clear = len(left) == 1 and belief.chance(left[0]) >= studio.kb.limits.decided
        # what a card teaches is to be seen, unless this is a lesson in patience; nor may the readings
        # speak against what was flown
        fair = not clear if lesson else clear and left[0].id == truth
        if not fair or not any(truth in option.like for option in left):
            continue
        wrong = min(FEWEST_WRONG + level, MOST_WRONG)
        if clear and not leads(studio, flown.case, left[0]):
            continue
        options = offered(studio, belief, left, card.manoeuvre, wrong, rng, confused, ELSEWHERE, met)
        chances = belief.among(options)
        right = right_places(options, chances, told, not_told)
        if len(right) > 1 or (options[right[0]].id == OPEN) == clear:
            continue
        return NameIt(
            card=card,
            flown=flown,
            posterior=posterior,
            belief=belief,
            options=options,
            chances=chances,
            right=right,
            told=told,
            covered=covered,
        )
    return None
