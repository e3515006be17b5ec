"""Fly on: what has failed is told; what to cover, and what to fly each axis of control on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.advice.advise import partial_panel
from diagnose.model import Grade
from diagnose.model.errors import CaseError
from diagnose.practice.drill.exercise import LETTERS, SOUND, Card, Marked
from diagnose.practice.drill.studio import Studio

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
    """The questions of one exercise; answers come in their order, parted by spaces."""

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


def make(studio: Studio, card: Card, level: int, rng: np.random.Generator) -> FlyOn | None:
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
