"""Reading an answer, by letters or as chances, and scoring it.

Chances are scored by the quadratic rule against the engine's posterior: one less half the sum of squared
differences. It is proper: whoever states the posterior itself scores one, and nobody scores more.

Source: G. W. Brier, Verification of forecasts expressed in terms of probability, Monthly Weather
Review 78, 1950 (from memory).
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from diagnose.model.errors import CaseError
from diagnose.practice.drill.exercise import LETTERS, OPEN, Marked, Option

#: chances stated may miss their sum of 100 by so much, for those who round
ROUNDED = 2.0


def place_of(text: str, count: int) -> int:
    """Give the place of an answer named by its letter. Raises CaseError for no such letter."""
    wanted = text.strip().lower().rstrip(").")
    if len(wanted) != 1 or wanted not in LETTERS[:count]:
        raise CaseError(
            f"{text.strip()!r} is not one of the answers",
            mend=f"a letter from a to {LETTERS[count - 1]}",
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
                f"{letter} cannot have a percentage",
                mend="answer with this letter alone, or spread the percentages over the others",
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
    text: str,
    options: Sequence[Option],
    chances: Sequence[float],
    right: Sequence[int],
    told: float,
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
