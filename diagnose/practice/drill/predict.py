"""Predict it: a failure and a maneuver; what does each gauge show?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.advice.explain.pictures import distance
from diagnose.model.errors import CaseError
from diagnose.practice.drill.exercise import SOUND, Card, Marked
from diagnose.practice.drill.marking import place_of
from diagnose.practice.drill.studio import COMPARED, Studio

#: gauges asked for, of these at most so many that the failure does not change
ASKED, UNCHANGED = 4, 2
MOST_READINGS = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One facet: readings offered, the place of the right one, its chance and the sound aircraft's reading."""

    facet: str
    readings: tuple[str, ...]
    right: int
    chance: float
    usual: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictIt:
    """A failure that has been there for some time, and the facets to predict."""

    card: Card
    asked: tuple[Asked, ...]

    def mark(self, text: str) -> Marked:
        """Mark a letter for each gauge, such as "abca". Raises CaseError for what is no answer."""
        letters = [sign for sign in text.lower() if sign not in " ,;"]
        if len(letters) != len(self.asked):
            raise CaseError(
                f"{len(self.asked)} letters are needed, one per gauge",
                mend=" ".join("a" for _ in self.asked),
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


def make(studio: Studio, card: Card, level: int, rng: np.random.Generator) -> PredictIt | None:
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
