"""Why an explanation stands where it does: all the reasons together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import islice

import numpy as np

from diagnose.advice.explain.weights import (
    LEAST_CHANCE,
    Contrast,
    Explanation,
    Few,
    Statement,
    contrasts,
    places_of,
    rival_of,
    rivals_of,
    statements_of,
    with_reading,
    without,
)
from diagnose.model import CaseRecord, FailureKind
from diagnose.model.answer import Because, Ranked
from diagnose.model.errors import ImpossibleEvidence
from diagnose.network.engine import Engine
from diagnose.network.posterior import Posterior
from diagnose.network.readings import reading_of
from diagnose.network.tables import Network

# ------------------------------------------------------------------ what was not looked at and would tell, and what would have changed the ranking


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Plumbing:
    """What an explanation reaches through lines, suction and wires: gauges of the panel, in its order.

    ``wrong``: those that rest on what is not healthy. ``shows``: those that are there to show it.
    ``independent``: instruments that use none of it. ``through``: the nodes of ``states_under`` that some
    gauge reads itself, in their order; the others only lie between.
    """

    wrong: tuple[str, ...]
    shows: tuple[str, ...]
    independent: tuple[str, ...]
    through: tuple[str, ...]


def plumbing(network: Network, explanation: Explanation, states: Mapping[str, str]) -> Plumbing:
    """Follow the lines from what has failed to the gauges. ``states``: those of ``states_under``."""
    # not before reasons are asked for: an answer need not wait for it
    from diagnose.network.graph import GAUGE, feeds, lines_of

    parts = {part for name in explanation for part in network.kb.failures[name].acts}
    failed = parts | set(states)
    wrong: list[str] = []
    shows: list[str] = []
    independent: list[str] = []
    read: set[str] = set()
    lines = lines_of(network.kb, network.panel.id)
    for gauge in network.dial_gauges:
        known = network.kb.gauges[gauge]
        read |= set(lines.predecessors((GAUGE, gauge)))
        if set(known.tells_of) & failed:
            shows.append(gauge)
        elif feeds(lines, gauge) & failed:
            wrong.append(gauge)
        elif known.instrument:
            independent.append(gauge)
    return Plumbing(
        wrong=tuple(wrong),
        shows=tuple(shows),
        independent=tuple(independent),
        through=tuple(node for node in states if node in read),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Reasons:
    """Why an explanation stands where it does.

    ``nothing`` weighs it against "nothing failed" (None for that explanation itself), ``rival`` against
    the best other explanation (None if there is none). ``states``: sources and memories that are not in
    their healthy state at the last snapshot if the explanation is right; ``plumbing``: which gauges that
    reaches. ``foreseen``: for each statement
    about one gauge its chance (explanation, nothing failed) before anything was read; None for others.
    ``unread`` tells the explanation from ``unread_against``: the best other one that some look on this
    panel could tell from it (None if none can).
    """

    explanation: Explanation
    statements: tuple[Statement, ...]
    nothing: Contrast | None
    rival: Contrast | None
    states: Mapping[str, str]
    plumbing: Plumbing
    foreseen: tuple[tuple[float, float] | None, ...]
    unread: tuple[Unread, ...] = ()
    unread_against: Explanation | None = None
    changes: tuple[Change, ...] = ()

    @property
    def contrasts(self) -> tuple[Contrast, ...]:
        """Those contrasts that there are."""
        return tuple(contrast for contrast in (self.nothing, self.rival) if contrast is not None)


def states_under(posterior: Posterior, explanation: Explanation) -> dict[str, str]:
    """Give the sources and memories that are not healthy at the last snapshot under an explanation.

    Node id -> state, in the likeliest hidden state of the explanation.
    """
    if not explanation:
        return {}
    space, network = posterior.space, posterior.space.network
    (place,) = places_of(space, (explanation,))
    rows = np.flatnonzero(space.row_set == place)
    row = rows[posterior.rows[rows].argmax()]
    state = space.conditions(posterior.set_so)
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
        # a number that was said counts as the reading that it falls into
        of_reading = shows[statement.name][reading_of(engine.network.kb.facet(statement.name), statement.reading)]
        return of_reading if statement.positive else 1.0 - of_reading

    return tuple(
        None if s.kind == "disagree" else (chance(s, under[s.snapshot]), chance(s, sound[s.snapshot]))
        for s in statements_of(case)
    )


def because(engine: Engine, posterior: Posterior, ranking: Sequence[Ranked] = ()) -> tuple[Because, ...]:
    """Give the readings that speak most for the leading explanation, the strongest first.

    Each is weighed by itself: its chance under the explanation over that under its rival, which is
    "nothing failed", and for "nothing failed" the best failure. Two passes over one set of failures
    each, so that it can stand beside every answer. ``ranking``: that of the posterior, if it is at hand.
    """
    kb = engine.network.kb

    def fails(explanation: Explanation) -> bool:
        return any(kb.failures[name].kind is FailureKind.FAILURE for name in explanation)

    ranking = ranking or posterior.ranking()
    one = ranking[0].failures
    rival = () if one else next((r.failures for r in ranking if fails(r.failures)), ())
    statements = [s for s in statements_of(posterior.case) if s.kind != "disagree"]
    if one == rival or not statements:
        return ()
    read = {s.name for s in statements}
    shown, other = (engine.predict(posterior.case, failures, read) for failures in (one, rival))
    found = []
    for s in statements:
        # a number counts here as the reading that it stands for
        gauge, which = s.name.split(".")
        known = next(facet for facet in kb.gauges[gauge].facets if facet.id == which)
        reading = reading_of(known, s.reading)
        under, against = shown[s.snapshot][s.name][reading], other[s.snapshot][s.name][reading]
        if not s.positive:
            under, against = 1.0 - under, 1.0 - against
        factor = max(under, LEAST_CHANCE) / max(against, LEAST_CHANCE)
        found.append(
            Because(snapshot=s.snapshot, facet=s.name, reading=s.reading, sure=s.sure, factor=factor)
        )
    least = kb.first_screen.least_because_factor
    strongest = sorted(found, key=lambda b: -b.factor)[: kb.first_screen.most_because]
    return tuple(b for b in strongest if b.factor >= least)


def reasons(
    engine: Engine, posterior: Posterior, explanation: Explanation | None = None, *, whole: bool = True
) -> Reasons:
    """Give the reasons for an explanation, by default for the leading one.

    ``whole`` adds what was foreseen, the looks not taken and the readings that would have changed the
    ranking, which takes some hundred runs of the engine over a few explanations.
    """
    one = posterior.ranking()[0].failures if explanation is None else explanation
    rival = rival_of(posterior, one)
    others = [other for other in ((), rival) if other is not None and other != one]
    by_other = {contrast.against: contrast for contrast in contrasts(posterior, one, others)}
    states = states_under(posterior, one)
    looks, told_from = telling(posterior, one) if whole else ((), None)
    return Reasons(
        explanation=one,
        statements=statements_of(posterior.case),
        nothing=by_other.get(()),
        rival=None if rival is None else by_other[rival],
        states=states,
        plumbing=plumbing(engine.network, one, states),
        foreseen=_foreseen(engine, posterior.case, one) if whole else (),
        unread=looks,
        unread_against=told_from,
        changes=changes(engine, posterior) if whole else (),
    )
