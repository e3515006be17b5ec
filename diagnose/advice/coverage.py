"""What a panel can tell at all: which failures show in which maneuver, and which look alike.

Every single failure, and a healthy airplane, is put against every other as if there were only these two,
at even odds, with every gauge of the panel read once in one maneuver. The *overlap* of the two is the
chance that then stays with the wrong one, on average: one half means that nothing tells them apart, zero
that one look decides. Two are told apart when the right one is left with ``limits.decided`` or more, the
chance from which an answer counts as decided.

- A failure is **detectable** in a maneuver when it is told from a healthy airplane.
- It is **isolable** there when it is also told from every other single failure of the panel.
- An **ambiguity group** holds failures of which no two are told apart.

An intermittent failure is judged while it acts; a failure has been there for as long as ``Engine`` takes
a first snapshot to be into the flight. The overlap is estimated from seeded draws of the network's own
readings, so that gauges that share a source or a motion do not count as independent witnesses.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import msgspec
import numpy as np

from diagnose.knowledge.load import KnowledgeBase, knowledge_root, stored_result
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.network.evidence import motion_chance
from diagnose.network.hidden import HiddenSpace, Step
from diagnose.network.statements import facet_chance
from diagnose.network.tables import Network

#: where the stored result stands in the knowledge folder, and what makes it
STORED = "evidence/coverage.json"
COMMAND = "diagnose coverage --every-panel --to knowledge/evidence/coverage.json --over"
#: stands for a healthy airplane among the ids of failures
SOUND = "nothing_failed"
#: readings drawn for each failure; the overlap of a pair rests on twice as many and is good to 0.02
DRAWS = 200
SEED = 471100
#: a motion in a hidden state less likely than this under every failure is left out
LEAST_CELL = 1e-5
#: minutes since engine start at the look, as a case file has it when it does not say
SINCE_START_MIN = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlaps:
    """How alike the failures of a panel look in one maneuver with every gauge read.

    ``names``: ``SOUND`` first, then the panel's failures. ``chance``: expected chance left to the
    wrong one of two at even odds, symmetric, shape (name, name); the diagonal is one half.
    ``told_apart``: chance of the right one from which two count as told apart.
    """

    manoeuvre: str
    names: tuple[str, ...]
    chance: Array
    told_apart: float

    @property
    def alike(self) -> np.ndarray:
        """Which pairs are not told apart; bool (name, name)."""
        return np.asarray(self.chance > 1.0 - self.told_apart)

    def look_like(self, name: str) -> tuple[str, ...]:
        """Give the names that this one is not told from, the most alike first."""
        row = self.names.index(name)
        others = [i for i in np.argsort(-self.chance[row], kind="stable") if i != row and self.alike[row, i]]
        return tuple(self.names[i] for i in others)

    def detectable(self, failure: str) -> bool:
        """Tell whether the failure is told from a healthy airplane here."""
        return not self.alike[0, self.names.index(failure)]

    def isolable(self, failure: str) -> bool:
        """Tell whether the failure is told from a healthy airplane and from every other failure here."""
        return not self.look_like(failure)

    def groups(self) -> tuple[tuple[str, ...], ...]:
        """Give the ambiguity groups of two or more: no two of a group are told apart.

        Likeness is not transitive, so groups are grown from the most alike pair, and two groups are
        joined only if every pair across them is alike. ``look_like`` has what is left across groups.
        """
        groups = [[i] for i in range(len(self.names))]
        # how alike the least alike pair across two groups is, as in complete-linkage clustering; once for each two
        across = np.where(np.triu(np.ones_like(self.chance), 1) > 0.0, self.chance, -np.inf)
        while across.max(initial=-np.inf) > 1.0 - self.told_apart:
            first, second = np.unravel_index(int(across.argmax()), across.shape)
            groups[first] = sorted(groups[first] + groups[second])
            groups[second] = []
            both = np.maximum(across, across.T)
            both[first] = both[:, first] = np.minimum(both[first], both[second])
            both[second] = both[:, second] = -np.inf
            across = np.where(np.isfinite(across), both, -np.inf)
        return tuple(tuple(self.names[i] for i in group) for group in groups if len(group) > 1)


def overlaps(engine: Engine, manoeuvre: str, draws: int = DRAWS, seed: int = SEED) -> Overlaps:
    """Put every failure of the engine's panel against every other in one maneuver.

    Same seed, same answer. Raises UnknownName for a maneuver that is not there.
    """
    engine = _of_listed(engine)
    network = engine.network
    weight, logs = _signatures(engine, manoeuvre)
    rng = np.random.default_rng(seed)
    names = (SOUND, *(failure.id for failure in network.failures))
    left = np.zeros((len(names), len(names)))
    for truth in range(len(names)):
        seen = _draw(weight[truth], logs, draws, rng)
        likelihood = _likelihoods(seen, weight, logs)
        # what is left to each hypothesis beside the truth, over the draws
        left[truth] = (likelihood / (likelihood + likelihood[:, [truth]])).mean(axis=0)
    return Overlaps(
        manoeuvre=manoeuvre,
        names=names,
        # both halves estimate one number: the sum over readings of p q / (p + q)
        chance=(left + left.T) / 2.0,
        told_apart=network.kb.limits.decided,
    )


def ambiguity_groups(engine: Engine, manoeuvre: str) -> tuple[tuple[str, ...], ...]:
    """Give the groups of failures that look alike in a maneuver even with every gauge read.

    Ids in the order of the panel's failures; ``SOUND`` ("nothing_failed") comes first in the group of those
    that do not show. A failure in no group is told from every other or only half like several.
    """
    return overlaps(engine, manoeuvre).groups()


# ------------------------------------------------------------------ a whole panel


@dataclass(frozen=True, slots=True, kw_only=True)
class FailureCoverage:
    """Where one failure shows, and where it is told from every other.

    ``looks_like``: what it is not told from in *any* maneuver in which it shows (in every one, if it
    shows in none), so what stays ambiguous whatever is flown.
    """

    failure: str
    detectable: tuple[str, ...]
    isolable: tuple[str, ...]
    looks_like: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelCoverage:
    """Coverage of a panel: by failure, and the ambiguity groups of each maneuver."""

    panel: str
    failures: tuple[FailureCoverage, ...]
    groups: Mapping[str, tuple[tuple[str, ...], ...]]


def cover(
    engine: Engine,
    manoeuvres: Iterable[str] = (),
    draws: int = DRAWS,
    told: Callable[[str], None] = lambda manoeuvre: None,
) -> PanelCoverage:
    """Give the coverage of the engine's panel over some maneuvers, or over all; ``told`` hears of each before."""
    network = engine.network
    tables = []
    for name in manoeuvres or network.kb.manoeuvres:
        told(name)
        tables.append(overlaps(engine, name, draws))
    return PanelCoverage(
        panel=network.panel.id,
        failures=tuple(_cover_one(failure.id, tables) for failure in network.failures if failure.listed),
        groups={table.manoeuvre: table.groups() for table in tables},
    )


def _cover_one(failure: str, tables: list[Overlaps]) -> FailureCoverage:
    shows = [table for table in tables if table.detectable(failure)]
    alike = [set(table.look_like(failure)) for table in shows or tables]
    always = set.intersection(*alike) if alike else set()
    return FailureCoverage(
        failure=failure,
        detectable=tuple(table.manoeuvre for table in shows),
        isolable=tuple(table.manoeuvre for table in shows if table.isolable(failure)),
        looks_like=tuple(name for name in tables[0].names if name in always) if tables else (),
    )


# ------------------------------------------------------------------ every panel, stored


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredCoverage:
    """Coverage of every panel as it was worked out once; ``mark``: of which knowledge (``mark_of``)."""

    command: str
    mark: str
    panels: tuple[PanelCoverage, ...]


def mark_of(kb: KnowledgeBase) -> str:
    """A digest of what decides a coverage: failures, panels, gauges, maneuvers and the physics' quantities."""
    tables = (kb.failures, kb.panels, kb.parts, kb.sources, kb.gauges, kb.manoeuvres, kb.quantities)
    return hashlib.sha256(msgspec.json.encode(tables)).hexdigest()[:16]


def load_coverage(path: Path | None = None) -> StoredCoverage:
    """Read the stored result. Raises KnowledgeError if it is not there or cannot be read."""
    path = path or knowledge_root() / STORED
    return stored_result(path, StoredCoverage, "coverage", COMMAND)


# ------------------------------------------------------------------ chances of all readings at once


@dataclass(frozen=True, slots=True)
class _Facets:
    """Log chances of every facet's readings side by side; ``log`` (reading of a facet, cell).

    A cell is a hidden row with a motion. ``starts``: where each facet's readings begin and end.
    """

    log: Array
    starts: np.ndarray


def _signatures(engine: Engine, manoeuvre: str) -> tuple[Array, _Facets]:
    """P(cell | failure), shape (sound and failures, cell), and the chances of the readings by cell."""
    network = engine.network
    count = len(network.failures)
    space = HiddenSpace(network, ((), *((i,) for i in range(count))))
    step = _look(engine, manoeuvre)
    chance = space.first(step, SINCE_START_MIN)
    motions = network.motions(manoeuvre)
    state = space.conditions(step.switches)
    of_set = np.arange(count + 1)[:, None] == space.row_set[None, :]
    rows = np.where(of_set & _acts(space), chance, 0.0)
    rows = rows / rows.sum(axis=1, keepdims=True)
    kept = np.flatnonzero(rows.max(axis=0) > 0.0)
    state = {name: index[kept] for name, index in state.items()}
    moving = motion_chance(network, motions, state)
    weight = (rows[:, kept, None] * moving).reshape(count + 1, -1)
    cells = np.flatnonzero(weight.max(axis=0) >= LEAST_CELL)
    weight = weight[:, cells]
    facets = _facet_logs(network, manoeuvre, state, moving.shape, cells)
    return weight / weight.sum(axis=1, keepdims=True), facets


def _of_listed(engine: Engine) -> Engine:
    """The engine of the failures that are listed: what is not could look like any of them."""
    listed = tuple(failure for failure in engine.network.failures if failure.listed)
    return (
        engine
        if listed == engine.network.failures
        else Engine(engine.network.with_failures(listed), largest_set=1)
    )


def _look(engine: Engine, manoeuvre: str) -> Step:
    snapshot = SnapshotRecord(manoeuvre=manoeuvre)
    return engine.steps(CaseRecord(title="", panel=engine.network.panel.id, snapshot=(snapshot,)))[0]


def _acts(space: HiddenSpace) -> np.ndarray:
    """Rows in which every failure of their set acts; bool (row,)."""
    return np.asarray((space.acting == space.members[space.row_set]).all(axis=1))


def _facet_logs(
    network: Network,
    manoeuvre: str,
    state: Mapping[str, np.ndarray],
    shape: tuple[int, ...],
    cells: np.ndarray,
) -> _Facets:
    motions = network.motions(manoeuvre)
    blocks = []
    for facet, table in network.dials.items():
        chance = facet_chance(network, facet, state, motions)
        spread = np.broadcast_to(chance, (*shape, len(table.readings)))
        blocks.append(spread.reshape(-1, len(table.readings))[cells].T)
    starts = np.cumsum([0, *(len(block) for block in blocks)])
    return _Facets(np.log(np.concatenate(blocks)), starts)


def _draw(weight: Array, facets: _Facets, draws: int, rng: np.random.Generator) -> Array:
    """Draw cells of one failure and what every facet shows in them; 0 or 1 (draw, reading of a facet)."""
    cells = rng.choice(len(weight), size=draws, p=weight)
    seen = np.zeros((draws, len(facets.log)))
    for start, end in zip(facets.starts[:-1], facets.starts[1:], strict=True):
        upto = np.cumsum(np.exp(facets.log[start:end, cells]), axis=0)
        place = (rng.random(draws) * upto[-1] > upto[:-1]).sum(axis=0)
        seen[np.arange(draws), start + place] = 1.0
    return seen


def _likelihoods(seen: Array, weight: Array, facets: _Facets) -> Array:
    """P(all readings | failure), each draw scaled by its largest cell; (draw, failure)."""
    log = seen @ facets.log
    log -= log.max(axis=1, keepdims=True)
    return np.asarray(np.exp(log) @ weight.T)


# ------------------------------------------------------------------ what a failure does, whatever is flown


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What one failure does: ``marks`` of motion and memories, ``shows`` facet -> chances of its readings."""

    marks: frozenset[tuple[str, object]]
    shows: Mapping[str, Array]


def effect_of(
    network: Network, facets: Iterable[str], acts: Mapping[str, str], memories: Iterable[str] | None = None
) -> Effect:
    """Give what these conditions of parts do to these facets, with the switches as usual.

    ``memories``: those that count; None: those that the facets read. A gauge shows whatever they may have come to.
    """
    given = {part: np.array([network.states[part].index(c)]) for part, c in acts.items()}
    state = network.conditions(given, network.switch_positions({}), 1)
    marks: set[tuple[str, object]] = {(part, int(state[part][0])) for part in network.variation_parts}
    read: set[str] = set()
    shows = {}
    for name in facets:
        table = network.facets[name]
        place = tuple(
            slice(None) if p in network.memories else int(state[p][0]) if p in state else 0
            for p in table.parents
        )
        shows[name] = table.at(place)
        read |= {parent for parent in table.parents if parent in network.memories}
    for name in read if memories is None else memories:
        memory = network.memories[name].memory
        driver = network.states[memory.driver][int(state[memory.driver][0])]
        marks.add((name, memory.carry.get(driver, "")))
    return Effect(marks=frozenset(marks), shows=shows)


@dataclass(frozen=True)
class Alike:
    """Which failures of a panel cannot be told apart by these facets (none: by any dial), switches as usual.

    The one rule for all who ask: they do the same to motion and memories, and the chances of no reading differ by
    ``alike_below`` of the knowledge (total variation) or more. ``SOUND`` counts among the failures.
    """

    network: Network
    facets: tuple[str, ...] = ()

    @cached_property
    def names(self) -> tuple[str, ...]:
        """``SOUND`` and the failures of the panel, in its order."""
        return (SOUND, *(failure.id for failure in self.network.failures))

    @cached_property
    def _effects(self) -> tuple[list[Effect], Array, list[int]]:
        """What each does, its chances side by side, and where those of each facet's states begin."""
        facets = self.facets or self.network.dials
        acts: list[Mapping[str, str]] = [{}, *(failure.acts for failure in self.network.failures)]
        effects = [effect_of(self.network, facets, each) for each in acts]
        chances = np.array([np.concatenate([shown.ravel() for shown in e.shows.values()]) for e in effects])
        starts: list[int] = []
        end = 0
        for shown in effects[0].shows.values():
            starts += range(end, end := end + shown.size, shown.shape[-1])
        return effects, chances, starts

    @cached_property
    def _rows(self) -> dict[int, np.ndarray]:
        return {}

    def _row(self, place: int) -> np.ndarray:
        """Which are alike to the one at this place; bool (name,)."""
        if place not in self._rows:
            effects, chances, starts = self._effects
            row = np.array([effects[place].marks == other.marks for other in effects])
            near, below = np.flatnonzero(row), self.network.kb.review.alike_below
            apart = np.add.reduceat(np.abs(chances[near] - chances[place]), starts, axis=1)
            row[near] = (0.5 * apart < below).all(axis=1)
            self._rows[place] = row
        return self._rows[place]

    @cached_property
    def pairs(self) -> np.ndarray:
        """Which two are alike; bool (name, name)."""
        return np.array([self._row(place) for place in range(len(self.names))])

    def same(self, one: str, other: str) -> bool:
        """Whether two are alike."""
        return bool(self._row(self.names.index(one))[self.names.index(other)])

    def like(self, failure: str) -> tuple[str, ...]:
        """All failures that are alike, this one first."""
        others = np.flatnonzero(self._row(self.names.index(failure)))
        return (failure, *(self.names[i] for i in others if self.names[i] not in (failure, SOUND)))

    def kind(self, failure: str) -> str:
        """The first of those that are alike: it stands for all of them."""
        return self.names[1 + int(self.pairs[self.names.index(failure), 1:].argmax())]

    def covers(self, one: str, other: str) -> bool:
        """Whether where one is there the other is as well: they are alike, or it does all that and more."""
        failures = self.network.kb.failures
        return failures[other].acts.items() <= failures[one].acts.items() or self.same(one, other)

    def holds(self, members: Sequence[str], truth: Sequence[str]) -> bool:
        """Whether a set of failures covers each of the true ones; nothing is covered by nothing only."""
        if not truth:
            return not members
        return all(any(self.covers(one, other) for one in members) for other in truth)
