"""The hidden states that the engine sums over: sets of failures, and for each the memories it stirs.

A row is one set of active failures, whether each intermittent one acts, and one state of every
memory that the set can stir. ``transitions`` lists which rows can follow which, with their chances.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from diagnose.memories import at_time, gap_matrix
from diagnose.model import MemoryKind
from diagnose.network import Index, Network
from diagnose.units import Array

FailureSet = tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One snapshot as far as the hidden states are concerned."""

    switches: Mapping[str, str]
    phase: str
    minutes: float
    minutes_before: float

    @property
    def key(self) -> tuple[object, ...]:
        """What tells two steps apart."""
        return (tuple(sorted(self.switches.items())), self.phase, self.minutes, self.minutes_before)


@dataclass(frozen=True, slots=True)
class Transitions:
    """Sparse chances between rows of two snapshots: ``weight`` has shape (entry, vertical)."""

    source: Index
    target: Index
    weight: Array


class Recent:
    """A cache that holds the ``most`` results asked for last."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._found: dict[Hashable, Any] = {}

    def get(self, key: Hashable, make: Callable[[], Any]) -> Any:
        """Give what is kept under the key, or make it and keep it."""
        found = self._found.pop(key) if key in self._found else make()
        self._found[key] = found  # the last in the order of the dictionary is the latest
        while len(self._found) > self._most:
            del self._found[next(iter(self._found))]
        return found


@dataclass(frozen=True)
class HiddenSpace:
    """All rows of the enumerated sets. ``sets`` must hold every subset of each of its sets."""

    network: Network
    sets: tuple[FailureSet, ...]
    cache: dict[tuple[object, ...], Any] = field(default_factory=dict, repr=False)
    _recent: Recent = field(default_factory=lambda: Recent(64), repr=False)

    def remembered(self, key: tuple[object, ...], make: Callable[[], Any]) -> Any:
        """Give what was worked out for this space not long ago, or work it out."""
        return self._recent.get(key, make)

    # -------------------------------------------------------------- rows

    @cached_property
    def memory_names(self) -> tuple[str, ...]:
        """Memories that have physics, in an order in which each driver's own memories come first."""
        names = sorted(
            self.network.memories,
            key=lambda name: self.network.memories[name].memory.kind is not MemoryKind.CHARGE,
        )
        return tuple(names)

    @cached_property
    def _stirred(self) -> dict[FailureSet, frozenset[str]]:
        """Which memories a set can stir, alone by its own failures (not by those of subsets)."""
        network = self.network
        count = len(self.sets)
        active = np.zeros((count, len(network.failures)), dtype=bool)
        for row, members in enumerate(self.sets):
            active[row, list(members)] = True
        parts = self._part_conditions(active)
        charges = [n for n in self.memory_names if network.memories[n].memory.kind is MemoryKind.CHARGE]
        found = {name: np.zeros(count, dtype=bool) for name in self.memory_names}
        for levels in itertools.product(*(range(len(network.states[name])) for name in charges)):
            given = dict(parts) | {
                name: np.full(count, level) for name, level in zip(charges, levels, strict=True)
            }
            for switches in self._switchings():
                state = network.conditions(given, switches, count)
                for name in self.memory_names:
                    found[name] |= self.running(name, state)
        return {
            members: frozenset(name for name in self.memory_names if found[name][row])
            for row, members in enumerate(self.sets)
        }

    def _switchings(self) -> list[dict[str, str]]:
        """Every combination of switch positions of the panel."""
        switches = self.network.panel.switches
        positions = [self.network.kb.switches[name].positions for name in switches]
        return [dict(zip(switches, combo, strict=True)) for combo in itertools.product(*positions)]

    @cached_property
    def _layout(self) -> tuple[Index, Index, Index]:
        """Set index (row,), acting (row, failure) and memory states (row, memory)."""
        network = self.network
        starts = [network.states[n].index(network.memories[n].memory.start) for n in self.memory_names]
        set_rows: list[Index] = []
        acting_rows: list[Index] = []
        memory_rows: list[Index] = []
        known = set(self.sets)
        comes_and_goes = [self._has_acting(i) for i in range(len(network.failures))]
        for number, members in enumerate(self.sets):
            stirred: set[str] = set()
            for size in range(1, len(members) + 1):
                for subset in itertools.combinations(members, size):
                    if subset not in known:
                        raise ValueError(f"the sets lack the subset {subset} of {members}")
                    stirred |= self._stirred[subset]
            choices = [
                range(len(network.states[name])) if name in stirred else (start,)
                for name, start in zip(self.memory_names, starts, strict=True)
            ]
            acts = [(1, 0) if comes_and_goes[i] else (1,) for i in members]
            grid = np.array(list(itertools.product(*acts, *choices)), dtype=np.intp)
            acting = np.zeros((len(grid), len(network.failures)), dtype=bool)
            for place, member in enumerate(members):
                acting[:, member] = grid[:, place] == 1
            set_rows.append(np.full(len(grid), number))
            acting_rows.append(acting)
            memory_rows.append(grid[:, len(members) :])
        return np.concatenate(set_rows), np.concatenate(acting_rows), np.concatenate(memory_rows)

    def _has_acting(self, index: int) -> bool:
        failure = self.network.failures[index]
        return failure.acting < 1.0 or failure.cured_by is not None

    @property
    def row_set(self) -> Index:
        """Index into ``sets`` of each row."""
        return self._layout[0]

    @property
    def count(self) -> int:
        """Number of rows."""
        return len(self.row_set)

    def by_set(self, rows: Array) -> Array:
        """Sum chances of rows (…, row) over the rows of each set; (…, set). Rows stand set by set."""
        return np.asarray(np.add.reduceat(rows, self.first_row, axis=-1))

    @cached_property
    def first_row(self) -> Index:
        """First row of each set; (set,)."""
        return np.searchsorted(self.row_set, np.arange(len(self.sets)))

    @cached_property
    def members(self) -> Index:
        """Which failures belong to each set; bool (set, failure)."""
        table = np.zeros((len(self.sets), len(self.network.failures)), dtype=bool)
        for row, members in enumerate(self.sets):
            table[row, list(members)] = True
        return table

    def _part_conditions(self, acting: Index) -> dict[str, Index]:
        """Condition of each part: the most dominant among the acting failures'."""
        found: dict[str, Index] = {}
        for column, failure in enumerate(self.network.failures):
            for part, condition in failure.acts.items():
                index = self.network.states[part].index(condition)
                shown = np.where(acting[:, column], index, 0)
                found[part] = np.maximum(found[part], shown) if part in found else shown
        return found

    def conditions(self, switches: Mapping[str, str]) -> dict[str, Index]:
        """State of every part, memory and source for every row; each (row,)."""
        key = ("conditions", *sorted(switches.items()))
        if key not in self.cache:
            given = dict(self._part_conditions(self._layout[1]))
            for column, name in enumerate(self.memory_names):
                given[name] = self._layout[2][:, column]
            self.cache[key] = self.network.conditions(given, switches, self.count)
        return self.cache[key]

    def running(self, memory_name: str, state: Mapping[str, Index]) -> Index:
        """Whether the memory's driver is in a condition that makes the memory run; bool."""
        memory = self.network.memories[memory_name].memory
        names = self.network.states[memory.driver]
        runs = np.array([i > 0 and name in memory.carry for i, name in enumerate(names)])
        return np.asarray(runs[state[memory.driver]])

    # -------------------------------------------------------------- chances of memories

    def first(self, step: Step, minutes_since_start: float) -> Array:
        """P(memories and acting of a row | its set) at the first snapshot; (row,)."""
        state = self.conditions(step.switches)
        chance = self._acting_chance(None, step)
        for column, name in enumerate(self.memory_names):
            tables = self.network.memories[name]
            at_start = self._at_start(name)
            running = self.running(name, state)
            driver = self.network.states[tables.memory.driver]
            found = np.where(self._layout[2][:, column] == at_start, 1.0, 0.0)
            for index, condition in enumerate(driver):
                if index > 0 and condition in tables.memory.carry:
                    row = running & (state[tables.memory.driver] == index)
                    spread = self.first_states(name, condition, step, minutes_since_start)
                    found[row] = spread[self._layout[2][row, column]]
            chance = chance * found
        return chance

    def _at_start(self, name: str) -> int:
        return self.network.states[name].index(self.network.memories[name].memory.start)

    def _spread(self, name: str, stated: Mapping[str, float]) -> Array:
        return np.array([stated.get(state, 0.0) for state in self.network.states[name]])

    def first_states(self, name: str, condition: str, step: Step, since_start: float) -> Array:
        """P(memory) at the first snapshot when its driver is in a running condition; (state,)."""
        tables = self.network.memories[name]
        memory = tables.memory
        if memory.kind is MemoryKind.HEIGHT:
            stated = memory.first if step.phase == "air" else memory.onset[step.phase]
            return self._spread(name, stated)
        return at_time(tables.first[memory.carry[condition]], since_start)

    def _onset_states(self, name: str, condition: str, step: Step, minutes: float) -> Array:
        tables = self.network.memories[name]
        memory = tables.memory
        if memory.kind is MemoryKind.HEIGHT:
            return self._spread(name, memory.onset[step.phase])
        return at_time(tables.onset[memory.carry[condition]], minutes)

    def _acting_chance(self, was_acting: Index | None, step: Step) -> Array:
        """P(acting of each row); with ``was_acting`` given acting before. See ``transitions``."""
        acting = self._layout[1]
        chance = np.ones(self.count)
        for index, failure in enumerate(self.network.failures):
            rows = self.members[self.row_set, index]
            if failure.acting < 1.0:
                share = np.where(acting[:, index], failure.acting, 1.0 - failure.acting)
                chance = np.where(rows, chance * share, chance)
            elif failure.cured_by is not None and was_acting is None:
                cleared = self._cleared(index, step)
                share = np.where(acting[:, index], 1.0 - cleared, cleared)
                chance = np.where(rows, chance * share, chance)
        return chance

    def _cleared(self, index: int, step: Step) -> Array:
        """Chance that a curable failure is gone by the middle of a snapshot; (row,)."""
        cure = self.network.failures[index].cured_by
        assert cure is not None
        if step.switches.get(cure.switch) != cure.position:
            return np.zeros(self.count)
        state = self.conditions(step.switches)
        works = np.ones(self.count, dtype=bool)
        for name, wanted in cure.needs.items():
            if name in state:
                works &= state[name] == self.network.states[name].index(wanted)
        elapsed = step.minutes_before + 0.5 * step.minutes
        return np.where(works, -np.expm1(-elapsed / cure.minutes), 0.0)

    # -------------------------------------------------------------- from snapshot to snapshot

    @cached_property
    def _pairs(self) -> tuple[Index, Index, Index, Index]:
        """Every (earlier row, later row) whose sets allow it; the memories are weighed later.

        Gives the earlier and later row and the pair of sets of each entry (entry,), and the earlier
        and later set of each pair of sets (pair, 2). There are some sixty times as many entries as
        pairs of sets, so what depends on the sets alone is worked out once per pair.
        """
        first_row = self.first_row
        row_count = np.bincount(self.row_set, minlength=len(self.sets))
        number = {members: i for i, members in enumerate(self.sets)}
        sources, targets, of_pair = [], [], []
        pairs: list[tuple[int, int]] = []
        for later, members in enumerate(self.sets):
            later_rows = np.arange(first_row[later], first_row[later] + row_count[later])
            for size in range(len(members) + 1):
                for subset in itertools.combinations(members, size):
                    earlier = number[subset]
                    rows = np.arange(first_row[earlier], first_row[earlier] + row_count[earlier])
                    sources.append(np.repeat(rows, len(later_rows)))
                    targets.append(np.tile(later_rows, len(rows)))
                    of_pair.append(np.full(len(rows) * len(later_rows), len(pairs)))
                    pairs.append((earlier, later))
        return (
            np.concatenate(sources),
            np.concatenate(targets),
            np.concatenate(of_pair),
            np.array(pairs, dtype=np.intp),
        )

    def transitions(self, earlier: Step, later: Step, begins: Array) -> Transitions:
        """Chances to go from a row of one snapshot to a row of the next, by the vertical motion.

        ``begins``: chance of each failure to begin between the two; (failure,).
        """
        key = ("transitions", earlier.key, later.key, begins.tobytes())
        if key in self.cache:
            return self.cache[key]
        source, target, of_pair, pairs = self._pairs
        before, after = self.members[pairs[:, 0]], self.members[pairs[:, 1]]
        starts = self._hastened(before, begins)
        by_sets = np.where(after, np.where(before, 1.0, starts), 1.0 - starts).prod(axis=1)
        chance = by_sets[of_pair] * self._acting_move(source, target, later)
        weight = np.repeat(chance[:, None], 3, axis=1)
        for column, name in enumerate(self.memory_names):
            weight *= self._memory_move(column, name, source, target, earlier, later)
        kept = weight.any(axis=1)
        result = Transitions(source[kept], target[kept], weight[kept])
        self.cache[key] = result
        return result

    def _hastened(self, before: Index, begins: Array) -> Array:
        """Chance of each failure to begin, given what is there before; (pair of sets, failure)."""
        starts = np.broadcast_to(begins, before.shape).copy()
        places = {failure.id: place for place, failure in enumerate(self.network.failures)}
        for place, failure in enumerate(self.network.failures):
            for cause, times in failure.hastened_by.items():
                if cause in places:
                    rows = before[:, places[cause]]
                    starts[rows, place] = 1.0 - (1.0 - begins[place]) ** times
        return starts

    def _acting_move(self, source: Index, target: Index, later: Step) -> Array:
        """P(acting after | acting before) of every entry."""
        acting = self._layout[1]
        chance = self._acting_chance(acting, later)[target]
        for index, failure in enumerate(self.network.failures):
            if failure.cured_by is None or failure.acting < 1.0:
                continue
            there = self.members[self.row_set[target], index]
            was_there = self.members[self.row_set[source], index]
            gone_before = was_there & ~acting[source, index]
            cleared = np.where(gone_before, 1.0, self._cleared(index, later)[target])
            share = np.where(acting[target, index], 1.0 - cleared, cleared)
            chance = np.where(there, chance * share, chance)
        return chance

    def _memory_move(
        self, column: int, name: str, source: Index, target: Index, earlier: Step, later: Step
    ) -> Array:
        """P(memory after | memory before, what drives it, vertical motion); (entry, vertical)."""
        states = self._layout[2][:, column]
        driver = self.network.memories[name].memory.driver
        before = self.conditions(earlier.switches)[driver]
        after = self.conditions(later.switches)[driver]
        kernel = self.memory_kernel(name, earlier, later)
        return np.asarray(kernel[before[source], states[source], after[target], states[target]])

    def memory_kernel(self, name: str, earlier: Step, later: Step) -> Array:
        """Kernel (driver before, memory before, driver after, memory after, vertical)."""
        tables = self.network.memories[name]
        memory = tables.memory
        driver = self.network.states[memory.driver]
        count = len(self.network.states[name])
        start = self._at_start(name)
        elapsed = earlier.minutes + later.minutes_before
        kernel = np.zeros((len(driver), count, len(driver), count, 3))
        for i, before in enumerate(driver):
            carried = self._carried(name, before, earlier, later)
            for j, after in enumerate(driver):
                runs_before = i > 0 and before in memory.carry
                runs_after = j > 0 and after in memory.carry
                enter = np.eye(count)
                if runs_after and not runs_before:
                    enter[start] = self._onset_states(name, after, later, elapsed)
                elif not runs_after and after not in memory.carry:
                    enter = np.zeros((count, count))
                    enter[:, start] = 1.0
                kernel[i, :, j] = np.einsum("vme,en->mnv", carried, enter)
        return kernel

    def _carried(self, name: str, condition: str, earlier: Step, later: Step) -> Array:
        """Carry (vertical, before, at the end of snapshot and gap); identity if nothing runs."""
        tables = self.network.memories[name]
        memory = tables.memory
        count = len(self.network.states[name])
        if condition not in memory.carry:
            back = np.zeros((3, count, count))
            back[:, :, self._at_start(name)] = 1.0
            return back
        carry = memory.carry[condition]
        if memory.kind is not MemoryKind.HEIGHT:
            flat = tables.carry_at(carry, earlier.minutes + later.minutes_before)
            return np.repeat(flat[:1], 3, axis=0) if len(flat) == 1 else flat
        moved = tables.carry_at(carry, earlier.minutes)
        if later.minutes_before >= 1.0:
            moved = moved @ gap_matrix(self.network.kb, tables, carry)
        if earlier.phase != "air" and later.phase == "air":
            moved = moved @ tables.carry_at(carry, 1.0)[2]
        return moved


def enumerate_sets(
    count: int, largest: int, chances: Sequence[float], uncovered_limit: float, most_triples: int
) -> tuple[FailureSet, ...]:
    """Give all sets up to ``largest``, then the likeliest sets of one more failure.

    ``chances``: prior chance of each failure. Larger sets are added in order of prior until what is
    left out is less than ``uncovered_limit`` or ``most_triples`` are added.
    """
    sets: list[FailureSet] = []
    for size in range(min(largest, count) + 1):
        sets.extend(itertools.combinations(range(count), size))
    if largest >= count:
        return tuple(sets)
    odds = np.array(chances) / (1.0 - np.array(chances))
    nothing = float(np.prod(1.0 - np.array(chances)))
    covered = nothing * sum(float(np.prod(odds[list(members)])) for members in sets)
    missing = 1.0 - covered
    if missing <= uncovered_limit:
        return tuple(sets)
    # the likeliest triples hold only the likeliest failures
    best = np.argsort(-odds, kind="stable")[: max(largest + 1, round((6 * most_triples) ** (1 / 3)) + 4)]
    extra = sorted(
        itertools.combinations(sorted(int(i) for i in best), largest + 1),
        key=lambda members: -float(np.prod(odds[list(members)])),
    )
    for members in extra[:most_triples]:
        if missing <= uncovered_limit:
            break
        sets.append(members)
        missing -= nothing * float(np.prod(odds[list(members)]))
    return tuple(sets)
