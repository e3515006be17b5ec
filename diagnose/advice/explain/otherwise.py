"""What was not looked at and would tell, and what would have changed the ranking."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import islice

import numpy as np

from diagnose.advice.explain.weights import (
    LEAST_CHANCE,
    Explanation,
    Few,
    Statement,
    places_of,
    rivals_of,
    statements_of,
    with_reading,
    without,
)
from diagnose.model.errors import ImpossibleEvidence
from diagnose.network.engine import Engine
from diagnose.network.posterior import Posterior

#: a look that names the right one of two less often than this does not tell them apart (judgement)
TELLS = 0.6
#: so many of the best other explanations are tried before it is said that no look tells them apart
MOST_TRIED = 5
#: a reading that would put another explanation first is told if it had at least this chance (judgement)
LEAST_LIKELY_CHANGE = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Unread:
    """A look that was not taken in the last snapshot.

    ``told``: how often it would name the right one of the two explanations compared, if they were the
    only ones and even (0.5 says nothing). ``chances``: reading -> its chance under each of the two,
    given all that was read.
    """

    facet: str
    told: float
    chances: Mapping[str, tuple[float, float]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A reading that, had it been another, would have put another explanation first.

    ``chance``: of that other reading, given all the rest that was said. ``leading`` would come first
    with ``posterior``.
    """

    statement: Statement
    reading: str
    chance: float
    leading: Explanation
    posterior: float


def unread(posterior: Posterior, one: Explanation, other: Explanation) -> tuple[Unread, ...]:
    """Give the looks not taken in the last snapshot, those that tell the two apart best first."""
    case = posterior.case
    network = posterior.space.network
    few = Few.of(network, one, other)
    last = case.snapshot[-1]
    found = []
    for facet in network.dials:
        if facet in last.readings or facet in last.unsure:
            continue
        outcomes = few.engine.outcomes(case, facet)
        joint = outcomes.chance[:, None] * outcomes.sets[:, places_of(outcomes.space, (one, other))]
        likely = joint / np.maximum(joint.sum(axis=0), LEAST_CHANCE)
        chances = {
            reading: (float(a), float(b)) for reading, (a, b) in zip(outcomes.readings, likely, strict=True)
        }
        told = 0.5 * sum(max(both) for both in chances.values())
        found.append(Unread(facet=facet, told=told, chances=chances))
    return tuple(sorted(found, key=lambda look: -look.told))


def telling(posterior: Posterior, one: Explanation) -> tuple[tuple[Unread, ...], Explanation | None]:
    """Give the looks that tell an explanation from the best other one that any look tells from it."""
    for other in islice(rivals_of(posterior, one), MOST_TRIED):
        looks = tuple(look for look in unread(posterior, one, other) if look.told >= TELLS)
        if looks:
            return looks, other
    return (), None


def changes(engine: Engine, posterior: Posterior) -> tuple[Change, ...]:
    """Give the single readings that would have put another explanation first, the likeliest first.

    Looked for among nothing, single failures and the likeliest pairs; what is found is then checked
    with the whole engine.
    """
    case, network = posterior.case, posterior.space.network
    leading = posterior.ranking()[0].failures
    screen = Engine(network, largest_set=1)
    found = []
    for statement in statements_of(case):
        if statement.kind == "disagree":
            continue
        rest = without(case, statement)
        screened_rest = screen.posterior(rest).log_evidence
        for reading in network.facets[statement.name].readings:
            if statement.positive and reading == statement.reading:
                continue
            other = with_reading(case, statement.snapshot, statement.name, reading)
            try:
                screened = screen.posterior(other)
            except ImpossibleEvidence:
                continue
            likely = screened.log_evidence - screened_rest >= np.log(LEAST_LIKELY_CHANGE)
            if not likely or not _another(leading, screened):
                continue
            sure = engine.posterior(other)
            if _another(leading, sure):
                best = sure.ranking()[0]
                found.append(
                    Change(
                        statement=statement,
                        reading=reading,
                        chance=float(np.exp(sure.log_evidence - engine.posterior(rest).log_evidence)),
                        leading=best.failures,
                        posterior=best.posterior,
                    )
                )
    return tuple(sorted(found, key=lambda change: -change.chance))


def _another(leading: Explanation, posterior: Posterior) -> bool:
    """Whether another explanation leads than one that holds the leading one."""
    best = posterior.ranking()[0].failures
    return best != leading and not (leading and set(leading) < set(best))
