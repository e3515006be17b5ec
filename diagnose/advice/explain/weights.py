"""Why: how far each reading moves the odds of one explanation against another, and what would change it.

The weight of a reading is what it adds once all the other readings are known: the log of the odds of
two explanations with all readings less the log of their odds without this one (leave-one-out, natural
logarithm, exact). Where the readings are independent given each explanation the weights add up to the
log of the factor between the odds before and after. Where they are not, because the aircraft's own
motion or a common source ties them, what is missing is the share that they have together
(``Contrast.together``).

Source: I. J. Good, Probability and the Weighing of Evidence, 1950, ch. 6 (from memory), for the term.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import msgspec
import numpy as np

from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.network.hidden import HiddenSpace
from diagnose.network.posterior import Posterior
from diagnose.network.tables import Network

Explanation = tuple[str, ...]

#: chances below this are taken as this, so that an impossible explanation has a finite weight
LEAST_CHANCE = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """One thing that was said in a snapshot (counted from 0).

    ``name`` is the facet, or the two gauges said to disagree joined by " / "; ``sure`` how sure the
    speaker was.
    """

    snapshot: int
    kind: Literal["readings", "unsure", "disagree"]
    name: str
    reading: str
    sure: float = 1.0

    @property
    def positive(self) -> bool:
        """Whether the gauge is said to have shown the reading, not to have shown another."""
        return self.sure >= 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """One explanation weighed against another; all numbers are natural logarithms of odds or factors.

    ``weights`` stand in the order of the statements. ``before`` and ``after`` are the odds before any
    reading and with all of them, ``total`` is the difference.
    """

    against: Explanation
    before: float
    after: float
    total: float
    weights: tuple[float, ...]

    @property
    def together(self) -> float:
        """What the readings say together beyond what each adds to the others."""
        return self.total - sum(self.weights)


def statements_of(case: CaseRecord) -> tuple[Statement, ...]:
    """Give all that was said, in order."""

    def said() -> Iterator[Statement]:
        for number, snapshot in enumerate(case.snapshot):
            for facet, reading in snapshot.readings.items():
                yield Statement(snapshot=number, kind="readings", name=facet, reading=reading)
            for facet, (reading, sure) in snapshot.unsure.items():
                yield Statement(snapshot=number, kind="unsure", name=facet, reading=reading, sure=sure)
            for pair in snapshot.disagree:
                yield Statement(snapshot=number, kind="disagree", name=" / ".join(pair), reading="disagree")

    return tuple(said())


def without(case: CaseRecord, statement: Statement) -> CaseRecord:
    """Give the case without one statement."""
    snapshot = case.snapshot[statement.snapshot]
    kept: dict[str, object]
    match statement.kind:
        case "readings":
            kept = {"readings": {k: v for k, v in snapshot.readings.items() if k != statement.name}}
        case "unsure":
            kept = {"unsure": {k: v for k, v in snapshot.unsure.items() if k != statement.name}}
        case "disagree":
            kept = {"disagree": tuple(p for p in snapshot.disagree if " / ".join(p) != statement.name)}
    return _exchange(case, statement.snapshot, msgspec.structs.replace(snapshot, **kept))


def with_reading(case: CaseRecord, number: int, facet: str, reading: str) -> CaseRecord:
    """Give the case with one sure reading more, or another one, in a snapshot (counted from 0)."""
    snapshot = case.snapshot[number]
    unsure = {name: said for name, said in snapshot.unsure.items() if name != facet}
    readings = {**snapshot.readings, facet: reading}
    return _exchange(case, number, msgspec.structs.replace(snapshot, readings=readings, unsure=unsure))


def _exchange(case: CaseRecord, number: int, snapshot: SnapshotRecord) -> CaseRecord:
    snapshots = (*case.snapshot[:number], snapshot, *case.snapshot[number + 1 :])
    return msgspec.structs.replace(case, snapshot=snapshots)


# ------------------------------------------------------------------ two explanations


@dataclass(frozen=True, slots=True)
class Few:
    """An engine over a few explanations only: the same odds among them, at a fraction of the work.

    Failures persist, so an explanation's chance depends on the explanations that it holds and on no others;
    what one of its failures hastens is kept too, because its absence counts.
    """

    engine: Engine

    @classmethod
    def of(cls, network: Network, *explanations: Explanation) -> Few:
        """A small network of the failures that these explanations name, and of those that they hasten."""
        chosen = {name for explanation in explanations for name in explanation}
        failures = tuple(f for f in network.failures if f.id in chosen or chosen & set(f.hastened_by))
        largest = max(len(explanation) for explanation in explanations)
        return cls(Engine(network.with_failures(failures), largest_set=largest))

    def log_chances(self, case: CaseRecord, explanations: Sequence[Explanation]) -> Array:
        """log P(explanation, readings) of each, but for a constant of the case's conditions."""
        posterior = self.engine.posterior(case)
        chances = np.maximum(posterior.sets[places_of(posterior.space, explanations)], LEAST_CHANCE)
        return np.asarray(np.log(chances) + posterior.log_evidence)


def places_of(space: HiddenSpace, explanations: Sequence[Explanation]) -> list[int]:
    """Give the place of each explanation among the sets of a space."""
    number = {failure.id: place for place, failure in enumerate(space.network.failures)}
    return [space.sets.index(tuple(sorted(number[name] for name in which))) for which in explanations]


def contrasts(posterior: Posterior, one: Explanation, others: Sequence[Explanation]) -> tuple[Contrast, ...]:
    """Weigh one explanation against each of some others, reading by reading."""
    case, said = posterior.case, statements_of(posterior.case)
    explanations = (one, *others)
    few = Few.of(posterior.space.network, *explanations)
    bare = case
    for statement in said:
        bare = without(bare, statement)
    cases = (case, bare, *(without(case, statement) for statement in said))
    logs = np.array([few.log_chances(each, explanations) for each in cases])
    # log odds against each other explanation; rows as the cases
    odds = logs[:, :1] - logs[:, 1:]
    found = []
    for column, other in enumerate(others):
        total = float(odds[0, column] - odds[1, column])
        after = _log_odds(posterior, one, other)
        found.append(
            Contrast(
                against=other,
                before=after - total,
                after=after,
                total=total,
                weights=tuple((odds[0, column] - odds[2:, column]).tolist()),
            )
        )
    return tuple(found)


def _log_odds(posterior: Posterior, one: Explanation, other: Explanation) -> float:
    places = places_of(posterior.space, (one, other))
    first, second = np.log(np.maximum(posterior.sets[places], LEAST_CHANCE))
    return float(first - second)


def rivals_of(posterior: Posterior, explanation: Explanation) -> Iterator[Explanation]:
    """Give the other explanations, the best first; one that only adds failures to it is no rival."""
    for ranked in posterior.ranking():
        other = ranked.failures
        if other != explanation and not (explanation and set(explanation) < set(other)):
            yield other


def rival_of(posterior: Posterior, explanation: Explanation) -> Explanation | None:
    """Give the best other explanation than this and "nothing failed"; None if there is no other."""
    return next((other for other in rivals_of(posterior, explanation) if other), None)
