"""Three kinds of exercise - predict the gauges, name the failure, fly on without it - and how answers are marked."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.advice.advise import partial_panel
from diagnose.advice.coverage import SOUND
from diagnose.advice.explain.pictures import distance
from diagnose.model import CaseRecord, Grade, System
from diagnose.model.errors import CaseError
from diagnose.network.posterior import Posterior
from diagnose.practice.drill.studio import (
    COMPARED,
    LETTERS,
    OPEN,
    Belief,
    Card,
    Flown,
    Marked,
    Option,
    Studio,
    believe,
    fly,
    legs_to,
    right_places,
    truth_of,
    without,
)

#: chances stated may miss their sum of 100 by so much, for those who round
ROUNDED = 2.0


def place_of(text: str, count: int) -> int:
    """Give the place of an answer named by its letter. Raises CaseError for no such letter."""
    wanted = text.strip().lower().rstrip(").")
    if len(wanted) != 1 or wanted not in LETTERS[:count]:
        raise CaseError(
            f"{text.strip()!r} is not one of the answers", mend=f"a letter from a to {LETTERS[count - 1]}"
        )
    return LETTERS.index(wanted)


def stated(text: str, options: Sequence[Option]) -> tuple[float, ...] | int:
    """Read "b", or "b 70 d 30" as chances in percent of the answers (option,).

    What a single chance leaves ("b 70") is spread over the other answers. Raises CaseError.
    """
    parts = re.findall(r"([a-z])\s*[:=]?\s*(\d+(?:\.\d+)?)\s*%?", text.lower())
    if not parts:
        return place_of(text, len(options))
    if re.sub(r"[a-z]\s*[:=]?\s*\d+(?:\.\d+)?\s*%?|[\s,;]", "", text.lower()):
        raise CaseError(f"{text.strip()!r} is not a list of percentages", mend="b 70 d 30")
    given: dict[int, float] = {}
    for letter, number in parts:
        place = place_of(letter, len(options))
        if options[place].id == OPEN:
            raise CaseError(
                f"{letter} says that you can't tell: it takes no percentage",
                mend=f"{letter} alone, or percentages for the others",
            )
        given[place] = float(number)
    claims = [place for place, option in enumerate(options) if option.id != OPEN]
    total = sum(given.values())
    rest = [place for place in claims if place not in given]
    if len(given) == 1 and total < 100.0 and rest:
        given |= dict.fromkeys(rest, (100.0 - total) / len(rest))
    elif abs(total - 100.0) > ROUNDED:
        raise CaseError(f"the percentages add up to {total:g}, not 100", mend="b 70 d 30")
    total = sum(given.values())
    return tuple(given.get(place, 0.0) / total for place in range(len(options)))


def quadratic_score(said: Sequence[float], chances: Sequence[float]) -> float:
    """Give the score of chances against the posterior: one at best, never less than zero."""
    return 1.0 - 0.5 * sum((a - b) ** 2 for a, b in zip(said, chances, strict=True))


def mark(
    text: str, options: Sequence[Option], chances: Sequence[float], right: Sequence[int], told: float
) -> Marked:
    """Mark an answer. ``chances`` (option,): the engine's, zero for ``OPEN``; ``right``: places that are right.

    An answer in chances is right if the answer that it puts first is, or where nobody can tell yet, if it
    is sure of none (below ``told``); if it puts two first it says "can't tell yet". Raises CaseError for what is no answer.
    """
    said = stated(text, options)
    best = options[right[0]].id
    if isinstance(said, int):
        correct = said in right
        return Marked(correct=correct, score=float(correct), given=options[said].id, right=best)
    first = max(range(len(options)), key=lambda place: said[place])
    is_open = options[right[0]].id == OPEN
    tied = sum(math.isclose(chance, said[first]) for chance in said) > 1
    given = OPEN if tied or (is_open and said[first] < told) else options[first].id
    return Marked(
        correct=any(options[place].id == given for place in right),
        score=quadratic_score(said, chances),
        given=given,
        right=best,
        sure=said[first],
        engine=chances[first],
    )


#: gauges asked for, of these at most so many that the failure does not change
ASKED, UNCHANGED = 4, 2
MOST_READINGS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One facet: readings offered, the place of the right one, its chance and the healthy airplane's reading."""

    facet: str
    readings: tuple[str, ...]
    right: int
    chance: float
    usual: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictIt:
    """A failure that began some minutes ago, and the facets to predict."""

    card: Card
    asked: tuple[Asked, ...]

    def mark(self, text: str) -> Marked:
        """Mark a letter for each gauge, such as "abca". Raises CaseError for what is no answer."""
        letters = [sign for sign in text.lower() if sign not in " ,;"]
        if len(letters) != len(self.asked):
            raise CaseError(
                f"{len(self.asked)} letters are needed, one per gauge", mend=" ".join("a" for _ in self.asked)
            )
        places = [place_of(sign, len(one.readings)) for sign, one in zip(letters, self.asked, strict=True)]
        hits = [place == one.right for place, one in zip(places, self.asked, strict=True)]

        def spelled(chosen: list[int]) -> str:
            return " ".join(f"{o.facet}={o.readings[p]}" for o, p in zip(self.asked, chosen, strict=True))

        return Marked(
            correct=all(hits),
            score=sum(hits) / len(hits),
            given=spelled(places),
            right=spelled([one.right for one in self.asked]),
        )


def make_predict(studio: Studio, card: Card, level: int, rng: np.random.Generator) -> PredictIt | None:
    """Make an exercise for a card; None if too little is sure enough to be asked."""
    if card.failure == SOUND:
        return None
    pictures = studio.pictures(card.manoeuvre)
    place, sure = pictures.names.index(card.failure), studio.number("sure_reading")
    changed: list[tuple[float, Asked]] = []
    unchanged: list[Asked] = []
    for facet, chances in pictures.facets.items():
        if facet.split(".")[0] not in studio.seen or facet in COMPARED:
            continue
        best, usual = int(chances[place].argmax()), int(chances[0].argmax())
        if chances[place][best] < sure or chances[0][usual] < sure:
            continue
        readings = studio.network.facets[facet].readings
        others = [k for k in range(len(readings)) if k not in (best, usual)]
        rng.shuffle(others)
        offered = sorted([*{best, usual}, *others][:MOST_READINGS])
        one = Asked(
            facet=facet,
            readings=tuple(readings[k] for k in offered),
            right=offered.index(best),
            chance=float(chances[place][best]),
            usual=readings[usual],
        )
        if best != usual:
            changed.append((distance(chances[place], chances[0]), one))
        elif len(readings) > 2:
            unchanged.append(one)
    if not changed:
        return None
    rng.shuffle(unchanged)
    told = [one for _, one in sorted(changed, key=lambda entry: -entry[0])][: ASKED - 1]
    chosen = {one.facet: one for one in [*told, *unchanged[: min(UNCHANGED, ASKED - len(told))]]}
    order = [facet for facet in studio.network.facets if facet in chosen]
    return PredictIt(card=card, asked=tuple(chosen[facet] for facet in order))


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
    left = belief.best(studio.kb.review.alike_within)
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
    """Give the answers to offer: what the readings leave, look-alikes, "nothing" and "can't tell yet".

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


def make_name(
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


COVER = "cover"
AXES = ("pitch", "bank", "power")
#: instruments among which those to cover are sought, and gauges offered for an axis
COVERABLE, OFFERED = 6, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One question: ``what`` is an axis of control or ``COVER``; ``gauges`` offered; ``right`` places of them."""

    what: str
    gauges: tuple[str, ...]
    right: frozenset[int]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlyOn:
    """The questions of one exercise; answers come in their order, separated by spaces."""

    card: Card
    choices: tuple[Choice, ...]

    def mark(self, text: str) -> Marked:
        """Mark answers such as "ad b a c"; "-" covers nothing. Raises CaseError for what is no answer."""
        parts = text.lower().replace(",", " ").split()
        if len(parts) != len(self.choices):
            raise CaseError(
                f"{len(self.choices)} answers are needed, in order",
                mend=" ".join("ab" if choice.what == COVER else "a" for choice in self.choices),
            )
        hits, given = [], []
        for part, choice in zip(parts, self.choices, strict=True):
            places = self._places(part, choice)
            hits.append(places == choice.right)
            given.append(_spelled(choice, places))
        return Marked(
            correct=all(hits),
            score=sum(hits) / len(hits),
            given=" ".join(given),
            right=" ".join(_spelled(choice, choice.right) for choice in self.choices),
        )

    def _places(self, part: str, choice: Choice) -> frozenset[int]:
        if part == "-":
            return frozenset()
        letters = LETTERS[: len(choice.gauges)]
        if set(part) - set(letters) or (choice.what != COVER and len(part) > 1):
            raise CaseError(
                f"{part!r} does not answer what to {choice.what}"
                if choice.what == COVER
                else f"{part!r} names no gauge for {choice.what}",
                mend=f"use letters from a to {letters[-1]}"
                + (", as many as you cover, or -" if choice.what == COVER else ", one of them"),
            )
        return frozenset(letters.index(letter) for letter in part)


def _spelled(choice: Choice, places: frozenset[int]) -> str:
    return f"{choice.what}={'+'.join(choice.gauges[place] for place in sorted(places)) or 'none'}"


def make_fly(studio: Studio, card: Card, level: int, rng: np.random.Generator) -> FlyOn | None:
    """Make an exercise for a card; None where nothing is to be covered, or on the ground."""
    manoeuvre = studio.kb.manoeuvres[card.manoeuvre]
    if card.failure == SOUND or manoeuvre.phase != "air":
        return None
    trusts = studio.trusts(card.failure, card.manoeuvre)
    grades = {t.gauge: t.grade for t in trusts}
    instruments = [g for g in studio.seen if g in studio.flown_by and studio.kb.gauges[g].instrument]
    out = [g for g in instruments if grades[g] is Grade.COVER]
    good = [g for g in instruments if grades[g] is Grade.USE]
    if not out or not good:
        return None
    rng.shuffle(good)
    mixed = [*out, *good[: max(COVERABLE - len(out), 1)]]
    mixed = [g for g in instruments if g in mixed]
    choices = [Choice(what=COVER, gauges=tuple(mixed), right=frozenset(mixed.index(g) for g in out))]
    for advice in partial_panel(studio.network, card.manoeuvre, trusts):
        if advice.axis not in AXES or not advice.primary or advice.primary not in studio.network.panel.gauges:
            continue
        # what would serve nearly as well is no wrong answer
        serves = {advice.primary, *advice.supporting}
        wrong = list(dict.fromkeys([advice.usual, *advice.out, *rng.permutation(instruments).tolist()]))
        wrong = [g for g in wrong if g not in serves and _no_use(studio, g, advice.axis, grades)]
        offered = [advice.primary, *wrong[: OFFERED - 1]]
        if len(offered) < 2:
            continue
        rng.shuffle(offered)
        choices.append(
            Choice(what=advice.axis, gauges=tuple(offered), right=frozenset({offered.index(advice.primary)}))
        )
    return FlyOn(card=card, choices=tuple(choices)) if len(choices) > 1 else None


def _no_use(studio: Studio, gauge: str, axis: str, grades: dict[str, Grade]) -> bool:
    """Whether a gauge cannot serve an axis: it is to be covered, or nobody flies that axis by it."""
    if grades.get(gauge) is Grade.COVER:
        return True
    stands_in = {s.gauge for s in studio.kb.substitutes.values() if s.axis == axis}
    uses = (getattr(m, axis) for m in studio.kb.manoeuvres.values())
    usual = {name for use in uses if use is not None for name in (use.primary, *use.supporting)}
    return gauge not in stands_in | usual
