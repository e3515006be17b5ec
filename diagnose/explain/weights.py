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

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import islice
from typing import Literal

import msgspec
import numpy as np

from diagnose.errors import ImpossibleEvidence
from diagnose.inference import Engine, Posterior
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.network import Network

Explanation = tuple[str, ...]

#: chances below this are taken as this, so that an impossible explanation has a finite weight
LEAST_CHANCE = 1e-300
#: a look that names the right one of two less often than this does not tell them apart (judgement)
TELLS = 0.6
#: so many of the best other explanations are tried before it is said that no look tells them apart
MOST_TRIED = 5
#: a reading that would put another explanation first is told if it had at least this chance (judgement)
LEAST_LIKELY_CHANGE = 1e-4


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Reasons:
    """Why an explanation stands where it does.

    ``nothing`` weighs it against "nothing failed" (None for that explanation itself), ``rival`` against
    the best other explanation (None if there is none). ``states``: sources and memories that are not in
    their healthy state at the last snapshot if the explanation is right. ``foreseen``: for each statement
    about one gauge its chance (explanation, nothing failed) before anything was read; None for others.
    ``unread`` tells the explanation from ``unread_against``: the best other one that some look on this
    panel could tell from it (None if none can).
    """

    explanation: Explanation
    statements: tuple[Statement, ...]
    nothing: Contrast | None
    rival: Contrast | None
    states: Mapping[str, str]
    foreseen: tuple[tuple[float, float] | None, ...]
    unread: tuple[Unread, ...] = ()
    unread_against: Explanation | None = None
    changes: tuple[Change, ...] = ()

    @property
    def contrasts(self) -> tuple[Contrast, ...]:
        """Those contrasts that there are."""
        return tuple(contrast for contrast in (self.nothing, self.rival) if contrast is not None)


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
class _Few:
    """An engine over a few explanations only: the same odds among them, at a fraction of the work.

    Failures persist, so an explanation's chance hangs on the explanations that it holds and on no others;
    what one of its failures hastens is kept too, because its absence counts.
    """

    engine: Engine

    @classmethod
    def of(cls, network: Network, *explanations: Explanation) -> _Few:
        chosen = {name for explanation in explanations for name in explanation}
        failures = tuple(f for f in network.failures if f.id in chosen or chosen & set(f.hastened_by))
        largest = max(len(explanation) for explanation in explanations)
        return cls(Engine(replace(network, failures=failures), largest_set=largest))

    def log_chance(self, case: CaseRecord, explanation: Explanation) -> float:
        """log P(explanation, readings), but for a constant of the case's conditions."""
        posterior = self.engine.posterior(case)
        names = [failure.id for failure in posterior.space.network.failures]
        members = tuple(sorted(names.index(name) for name in explanation))
        chance = float(posterior.sets[posterior.space.sets.index(members)])
        return float(np.log(max(chance, LEAST_CHANCE))) + posterior.log_evidence

    def log_odds(self, case: CaseRecord, one: Explanation, other: Explanation) -> float:
        """Log of the odds of two explanations with these readings."""
        return self.log_chance(case, one) - self.log_chance(case, other)


def contrast(posterior: Posterior, one: Explanation, other: Explanation) -> Contrast:
    """Weigh one explanation against another, reading by reading."""
    case = posterior.case
    few = _Few.of(posterior.space.network, one, other)
    together = few.log_odds(case, one, other)
    bare = case
    for statement in statements_of(case):
        bare = without(bare, statement)
    total = together - few.log_odds(bare, one, other)
    after = _log_odds(posterior, one, other)
    return Contrast(
        against=other,
        before=after - total,
        after=after,
        total=total,
        weights=tuple(
            together - few.log_odds(without(case, statement), one, other) for statement in statements_of(case)
        ),
    )


def _log_odds(posterior: Posterior, one: Explanation, other: Explanation) -> float:
    chances = {ranked.failures: max(ranked.posterior, LEAST_CHANCE) for ranked in posterior.ranking()}
    return float(np.log(chances[one]) - np.log(chances[other]))


def rivals_of(posterior: Posterior, explanation: Explanation) -> Iterator[Explanation]:
    """Give the other explanations, the best first; one that only adds failures to it is no rival."""
    for ranked in posterior.ranking():
        other = ranked.failures
        if other != explanation and not (explanation and set(explanation) < set(other)):
            yield other


def rival_of(posterior: Posterior, explanation: Explanation) -> Explanation | None:
    """Give the best other explanation than this and "nothing failed"; None if there is no other."""
    return next((other for other in rivals_of(posterior, explanation) if other), None)


# ------------------------------------------------------------------ what was not read, what would change it


def unread(posterior: Posterior, one: Explanation, other: Explanation) -> tuple[Unread, ...]:
    """Give the looks not taken in the last snapshot, those that tell the two apart best first."""
    case = posterior.case
    network = posterior.space.network
    few = _Few.of(network, one, other)
    base = few.log_chance(case, one), few.log_chance(case, other)
    last = case.snapshot[-1]
    found = []
    for facet, table in network.facets.items():
        if facet in last.readings or facet in last.unsure:
            continue
        chances = {}
        for reading in table.readings:
            try:
                with_it = with_reading(case, len(case.snapshot) - 1, facet, reading)
                first, second = (
                    float(np.exp(few.log_chance(with_it, which) - log))
                    for which, log in zip((one, other), base, strict=True)
                )
            except ImpossibleEvidence:
                first = second = 0.0
            chances[reading] = (first, second)
        told = 0.5 * sum(max(pair) for pair in chances.values())
        found.append(Unread(facet=facet, told=told, chances=chances))
    return tuple(sorted(found, key=lambda look: -look.told))


def _telling(posterior: Posterior, one: Explanation) -> tuple[tuple[Unread, ...], Explanation | None]:
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
        rest = screen.posterior(without(case, statement)).log_evidence
        for reading in network.facets[statement.name].readings:
            if statement.positive and reading == statement.reading:
                continue
            other = with_reading(case, statement.snapshot, statement.name, reading)
            try:
                screened = screen.posterior(other)
            except ImpossibleEvidence:
                continue
            chance = float(np.exp(screened.log_evidence - rest))
            if chance < LEAST_LIKELY_CHANGE or not _another(leading, screened):
                continue
            sure = engine.posterior(other)
            if _another(leading, sure):
                best = sure.ranking()[0]
                found.append(
                    Change(
                        statement=statement,
                        reading=reading,
                        chance=chance,
                        leading=best.failures,
                        posterior=best.posterior,
                    )
                )
    return tuple(sorted(found, key=lambda change: -change.chance))


def _another(leading: Explanation, posterior: Posterior) -> bool:
    """Whether another explanation leads than one that holds the leading one."""
    best = posterior.ranking()[0].failures
    return best != leading and not (leading and set(leading) < set(best))


# ------------------------------------------------------------------ all of it


def states_under(posterior: Posterior, explanation: Explanation) -> dict[str, str]:
    """Give the sources and memories that are not healthy at the last snapshot under an explanation.

    Node id -> state, in the likeliest hidden state of the explanation.
    """
    if not explanation:
        return {}
    space, network = posterior.space, posterior.space.network
    names = [failure.id for failure in network.failures]
    members = tuple(sorted(names.index(name) for name in explanation))
    rows = np.flatnonzero(space.row_set == space.sets.index(members))
    row = rows[posterior.rows[rows].argmax()]
    state = space.conditions(network.switch_positions(posterior.case.snapshot[-1].switches))
    found = {}
    for name in (*network.sources, *network.memories):
        if name in network.memories:
            memory = network.memories[name].memory
            driver = network.states[memory.driver][int(state[memory.driver][row])]
            healthy = driver not in memory.carry
            usual = network.states[name].index(memory.start)
        else:
            healthy, usual = False, 0
        if not healthy and int(state[name][row]) != usual:
            found[name] = network.states[name][int(state[name][row])]
    return found


def _foreseen(engine: Engine, case: CaseRecord, one: Explanation) -> tuple[tuple[float, float] | None, ...]:
    """Chance of what each statement says, under the explanation and with nothing failed."""
    under, sound = engine.predict(case, one), engine.predict(case, ())

    def chance(statement: Statement, shows: Mapping[str, Mapping[str, float]]) -> float:
        of_reading = shows[statement.name][statement.reading]
        return of_reading if statement.positive else 1.0 - of_reading

    return tuple(
        None if s.kind == "disagree" else (chance(s, under[s.snapshot]), chance(s, sound[s.snapshot]))
        for s in statements_of(case)
    )


def reasons(
    engine: Engine, posterior: Posterior, explanation: Explanation | None = None, *, whole: bool = True
) -> Reasons:
    """Give the reasons for an explanation, by default for the leading one.

    ``whole`` adds what was foreseen, the looks not taken and the readings that would have changed the
    ranking, which takes some hundred runs of the engine over a few explanations.
    """
    one = posterior.ranking()[0].failures if explanation is None else explanation
    rival = rival_of(posterior, one)
    looks, told_from = _telling(posterior, one) if whole else ((), None)
    return Reasons(
        explanation=one,
        statements=statements_of(posterior.case),
        nothing=contrast(posterior, one, ()) if one else None,
        rival=contrast(posterior, one, rival) if rival is not None else None,
        states=states_under(posterior, one),
        foreseen=_foreseen(engine, posterior.case, one) if whole else (),
        unread=looks,
        unread_against=told_from,
        changes=changes(engine, posterior) if whole else (),
    )
