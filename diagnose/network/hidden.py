"""The hidden states that the engine sums over: sets of failures, and for each the memories it stirs.

A row is one set of active failures, whether each intermittent one acts, and one state of every
memory that the set can stir. Which rows can follow which stands in ``transitions``.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from diagnose.knowledge.cache import MOST_OF_PANEL, Table, arrays, as_tables, digest, kept
from diagnose.model import Cure, FailureKind, MemoryKind
from diagnose.model.units import Array
from diagnose.network.memo import Remembered
from diagnose.network.memories import at_time
from diagnose.network.tables import Index, Network

FailureSet = tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class Step:
    """One snapshot as far as the hidden states are concerned."""

    switches: Mapping[str, str]
    phase: str
    minutes: float
    minutes_before: float

    @cached_property
    def key(self) -> tuple[object, ...]:
        """What tells two steps apart."""
        return (tuple(sorted(self.switches.items())), self.phase, self.minutes, self.minutes_before)


#: spaces of fewer sets are laid out as fast as they are read
FEW_SETS = 200
#: columns of what is said of a row: the three vertical motions, and their sum
COLUMNS = 4
ANY_VERTICAL = 3

#: codes up to here are told apart by marking them in a table, which is quicker than sorting them
LARGEST_CODE = 1 << 18
#: and if they are not many more than the rows
MOST_PER_ROW = 16


def number_codes(columns: Sequence[tuple[Index, int]], rows: int) -> tuple[Index, Index]:
    """Tell apart the rows of some columns of small whole numbers, each with its count of values.

    Gives the number of each row's combination (row,) and the first row of each combination.
    """
    code = np.zeros(rows, dtype=np.intp)
    size = 1
    for column, count in columns:
        if size * count > LARGEST_CODE:
            code, size = _renumbered(code, size)
        code = code * count + column
        size *= count
    code, size = _renumbered(code, size)
    first = np.empty(size, dtype=np.intp)
    first[code[::-1]] = np.arange(rows - 1, -1, -1)
    return code, first


def _renumbered(code: Index, size: int) -> tuple[Index, int]:
    """Number the codes that occur, in their order."""
    if size > min(LARGEST_CODE, MOST_PER_ROW * len(code)):
        found, number = np.unique(code, return_inverse=True)
        return number, len(found)
    occurs = np.zeros(size, dtype=bool)
    occurs[code] = True
    number = np.cumsum(occurs) - 1
    return number[code], int(number[-1]) + 1


@dataclass(frozen=True)
class HiddenSpace:
    """All rows of the enumerated sets. ``sets`` must hold every subset of each of its sets.

    ``strayed``: how far the pilot's word that he held the maneuver counts (``Network.motions``).
    """

    network: Network
    sets: tuple[FailureSet, ...]
    strayed: float = 1.0
    _recent: Remembered = field(default_factory=Remembered, repr=False)

    def remembered(self, kind: str, key: Hashable, make: Callable[[], Any]) -> Any:
        """Give what was worked out for this space not long ago, or work it out; kinds as in ``KEPT``."""
        return self._recent.get(kind, key, make)

    def keep(self, kind: str, key: Hashable, value: object) -> None:
        """Remember what was worked out on the way to something else."""
        self._recent.get(kind, key, lambda: value)

    def has(self, kind: str, key: Hashable) -> bool:
        """Whether this is remembered still."""
        return key in self._recent[kind]

    def all_remembered(self, kind: str) -> tuple[Any, ...]:
        """Everything of a kind that is remembered, the latest last."""
        return self._recent[kind].values()

    @cached_property
    def _made_from(self) -> str:
        """Digest of all that this space is made of; "" where it is not worth keeping anything between runs."""
        if not self.network.made_from or len(self.sets) < FEW_SETS:
            return ""
        return digest([self.network.made_from.encode(), repr(self.sets).encode()])

    def ready(self, kind: str, key: object, make: Callable[[], dict[str, Index]]) -> dict[str, Index]:
        """Give arrays that depend on the panel and its sets alone, and on ``key``: kept between runs."""
        if not self._made_from:
            return make()
        mark = digest([self._made_from.encode(), repr(key).encode()])
        return arrays(kept(kind, mark, dict[str, Table], lambda: as_tables(make()), MOST_OF_PANEL))

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
    def comes_and_goes(self) -> tuple[int, ...]:
        """Failures that do not act all the time: intermittent ones, and those that a switch cures."""
        return tuple(
            index
            for index, failure in enumerate(self.network.failures)
            if failure.acting < 1.0 or failure.cured_by is not None
        )

    @cached_property
    def curable(self) -> Mapping[int, Cure]:
        """Failures that a switch cures for good, unless they come and go anyway."""
        return {
            index: failure.cured_by
            for index, failure in enumerate(self.network.failures)
            if failure.cured_by is not None and not failure.acting < 1.0
        }

    @cached_property
    def _stirred(self) -> dict[FailureSet, frozenset[tuple[str, str]]]:
        """How a set can make memories move, alone by its own failures (not by those of subsets).

        Pairs of memory and the condition of its driver that makes it run.
        """
        network = self.network
        count = len(self.sets)
        parts = self._part_conditions(self.members)
        charges = [n for n in self.memory_names if network.memories[n].memory.kind is MemoryKind.CHARGE]
        drives = [
            (name, condition)
            for name in self.memory_names
            for condition in network.states[network.memories[name].memory.driver][1:]
            if condition in network.memories[name].memory.carry
        ]
        found = {drive: np.zeros(count, dtype=bool) for drive in drives}
        for levels in itertools.product(*(range(len(network.states[name])) for name in charges)):
            given = dict(parts) | {
                name: np.full(count, level, dtype=np.int8)
                for name, level in zip(charges, levels, strict=True)
            }
            for switches in self._switchings():
                state = network.conditions(given, switches, count)
                for name, condition in drives:
                    driver = network.memories[name].memory.driver
                    found[name, condition] |= state[driver] == network.states[driver].index(condition)
        runs = np.array([found[drive] for drive in drives]).reshape(-1, count).T.tolist()
        return {
            members: frozenset(itertools.compress(drives, stirs))
            for members, stirs in zip(self.sets, runs, strict=True)
        }

    def _switchings(self) -> list[dict[str, str]]:
        """Every combination of switch positions of the panel that a source's rules ask for."""
        asked = {name for rules in self.network.rules.values() for rule in rules for name in rule.when}
        switches = self.network.panel.switches
        usual = {name: self.network.kb.switches[name].positions[:1] for name in switches}
        positions = [
            self.network.kb.switches[name].positions if name in asked else usual[name] for name in switches
        ]
        return [dict(zip(switches, combo, strict=True)) for combo in itertools.product(*positions)]

    @cached_property
    def _layout(self) -> tuple[Index, Index, Index]:
        """Set index (row,), acting (row, failure) and memory states (row, memory)."""
        found = self.ready("rows", (), self._lay_out)
        acting = np.unpackbits(found["acting"], axis=1, count=len(self.network.failures)).astype(bool)
        return np.repeat(np.arange(len(self.sets)), found["count"]), acting, found["memory"]

    def _lay_out(self) -> dict[str, Index]:
        """Number of rows of each set, acting in packed bits, and memory states.

        Sets of one size that stir the same memories, and whose members come and go alike, have the
        same grid of rows, which is laid out once.
        """
        network = self.network
        known = self._stirred
        changing = set(self.comes_and_goes)
        groups: dict[tuple[tuple[bool, ...], frozenset[tuple[str, str]]], list[int]] = {}
        for number, members in enumerate(self.sets):
            stirred: set[tuple[str, str]] = set()
            for size in range(1, len(members) + 1):
                for subset in itertools.combinations(members, size):
                    if subset not in known:
                        raise ValueError(f"the sets lack the subset {subset} of {members}")
                    stirred |= known[subset]
            kind = (tuple(member in changing for member in members), frozenset(stirred))
            groups.setdefault(kind, []).append(number)
        grids = {}
        row_count = np.zeros(len(self.sets), dtype=np.intp)
        for kind, numbers in groups.items():
            choices = [self._reached(name, kind[1]) for name in self.memory_names]
            acts = [(1, 0) if changes else (1,) for changes in kind[0]]
            grids[kind] = np.array(list(itertools.product(*acts, *choices)), dtype=np.int8)
            row_count[numbers] = len(grids[kind])
        first_row = np.cumsum(row_count) - row_count
        acting = np.zeros((int(row_count.sum()), len(network.failures)), dtype=bool)
        memory = np.zeros((len(acting), len(self.memory_names)), dtype=np.int8)
        for kind, numbers in groups.items():
            grid, size = grids[kind], len(kind[0])
            rows = first_row[numbers][:, None] + np.arange(len(grid))
            memory[rows] = grid[:, size:]
            columns = np.array([self.sets[number] for number in numbers], dtype=np.intp)
            for place in range(size):
                acting[rows, columns[:, place, None]] = grid[:, place] == 1
        return {"count": row_count.astype(np.int32), "acting": np.packbits(acting, axis=1), "memory": memory}

    def _reached(self, name: str, drives: frozenset[tuple[str, str]]) -> list[int]:
        """States that a memory can come to when these drive it, or nothing does; places, rising."""
        tables = self.network.memories[name]
        memory = tables.memory
        run_by = {memory.carry[condition] for driven, condition in drives if driven == name}
        usual = self.network.states[memory.driver][0]
        if run_by and usual in memory.carry:
            run_by.add(memory.carry[usual])  # once it has been driven away it comes back by this
        reached = np.zeros(len(self.network.states[name]), dtype=bool)
        reached[self.at_start(name)] = True
        if run_by and memory.kind is MemoryKind.HEIGHT:
            reached[:] = True
        for _ in reached:  # at each step at least one more state, or none any longer
            for carry in run_by:
                if memory.kind is not MemoryKind.HEIGHT:
                    reached |= (tables.onset[carry] > 0.0).any(axis=0)
                    reached |= (tables.first[carry] > 0.0).any(axis=0)
                    reached |= (tables.carry[carry][..., reached, :] > 0.0).any(axis=(0, 1, 2))
        return np.flatnonzero(reached).tolist()

    @property
    def row_set(self) -> Index:
        """Index into ``sets`` of each row."""
        return self._layout[0]

    @property
    def acting(self) -> Index:
        """Which failures act in each row; bool (row, failure)."""
        return self._layout[1]

    @property
    def memory_states(self) -> Index:
        """State of each memory in each row; (row, memory)."""
        return self._layout[2]

    @property
    def count(self) -> int:
        """Number of rows."""
        return len(self.row_set)

    @cached_property
    def first_row(self) -> Index:
        """First row of each set, and the number of rows; (set + 1,)."""
        return np.searchsorted(self.row_set, np.arange(len(self.sets) + 1))

    def by_set(self, rows: Array) -> Array:
        """Sum chances of rows (…, row) over the rows of each set; (…, set)."""
        return np.asarray(np.add.reduceat(rows, self.first_row[:-1], axis=-1))

    @cached_property
    def members(self) -> Index:
        """Which failures belong to each set; bool (set, failure)."""
        table = np.zeros((len(self.sets), len(self.network.failures) + 1), dtype=bool)
        table[np.arange(len(self.sets)), self.padded] = True
        return table[:, :-1]

    @cached_property
    def padded(self) -> Index:
        """Members of each set, filled up with a place after the last failure; (largest set, set)."""
        largest, nobody = max(map(len, self.sets), default=0), len(self.network.failures)
        padding = (nobody,) * largest
        table = [members + padding[len(members) :] for members in self.sets]
        return np.ascontiguousarray(np.array(table, dtype=np.intp).reshape(len(self.sets), largest).T)

    @cached_property
    def set_names(self) -> tuple[tuple[str, ...], ...]:
        """Ids of the failures of each set."""
        names = [failure.id for failure in self.network.failures]
        return tuple(tuple(names[member] for member in members) for members in self.sets)

    @cached_property
    def shown_as(self) -> Index:
        """Place of the set under which each set is named: one that differs by known surroundings alone; (set,).

        Rough air beside a failure is no second failure: everybody aboard knows of it. Alone it stays itself,
        as does the last of several.
        """
        known = {
            place
            for place, failure in enumerate(self.network.failures)
            if failure.silent and failure.kind is FailureKind.LOOK_ALIKE
        }
        shown = np.arange(len(self.sets))
        beside = np.flatnonzero(self.members[:, sorted(known)].any(axis=1) & (self.members.sum(axis=1) > 1))
        number = {members: place for place, members in enumerate(self.sets)} if len(beside) else {}
        for place in beside.tolist():
            members = self.sets[place]
            shown[place] = number[tuple(m for m in members if m not in known) or members[-1:]]
        return shown

    def by_failure(self, sets: Array) -> Array:
        """Sum chances of sets (set,) over the sets that hold each failure; (failure,)."""
        count = len(self.network.failures)
        weights = np.broadcast_to(sets, self.padded.shape).ravel()
        return np.asarray(np.bincount(self.padded.ravel(), weights=weights, minlength=count + 1)[:count])

    def named(self, sets: Array) -> Array:
        """Sum chances of sets (set,) over those that are named alike; zero for what has no line of its own."""
        return np.asarray(np.bincount(self.shown_as, weights=sets, minlength=len(self.sets)))

    def _part_conditions(self, acting: Index) -> dict[str, Index]:
        """Condition of each part: the most dominant among the acting failures'."""
        found: dict[str, Index] = {}
        for column, failure in enumerate(self.network.failures):
            for part, condition in failure.acts.items():
                index = self.network.states[part].index(condition)
                shown = acting[:, column] * np.int8(index)
                found[part] = np.maximum(found[part], shown) if part in found else shown
        return found

    def conditions(self, switches: Mapping[str, str]) -> dict[str, Index]:
        """State of every part, memory and source for every row; each (row,)."""

        def evaluate() -> dict[str, Index]:
            given = dict(self._parts)
            for column, name in enumerate(self.memory_names):
                given[name] = np.ascontiguousarray(self.memory_states[:, column])
            return self.network.conditions(given, switches, self.count)

        found: dict[str, Index] = self.remembered("conditions", tuple(sorted(switches.items())), evaluate)
        return found

    def set_right(self, switches: Mapping[str, str]) -> tuple[Index, dict[str, Index]]:
        """Rows in which a slip of the pilot acts, and the states in them as if all slips were set right."""
        slips = np.array([bool(failure.set_right) for failure in self.network.failures], dtype=bool)
        rows = np.flatnonzero(self.acting[:, slips].any(axis=1))
        given = self._part_conditions(self.acting[rows] & ~slips)
        for column, name in enumerate(self.memory_names):
            given[name] = self.memory_states[rows, column]
        return rows, self.network.conditions(given, switches, len(rows))

    @cached_property
    def _parts(self) -> dict[str, Index]:
        return self._part_conditions(self.acting)

    def running(self, memory_name: str, state: Mapping[str, Index]) -> Index:
        """Whether the memory's driver is in a condition that makes the memory run; bool."""
        memory = self.network.memories[memory_name].memory
        names = self.network.states[memory.driver]
        runs = np.array([i > 0 and name in memory.carry for i, name in enumerate(names)])
        return np.asarray(runs[state[memory.driver]])

    # -------------------------------------------------------------- chances of memories

    def first(self, step: Step, minutes_since_start: float) -> Array:
        """P(memories and acting of a row | its set) at the first snapshot; (row,)."""
        key = (step.key, minutes_since_start)
        found: Array = self.remembered("first", key, lambda: self._first(step, minutes_since_start))
        return found

    def _first(self, step: Step, minutes_since_start: float) -> Array:
        state = self.conditions(step.switches)
        chance = self.intermittent_chance.copy()
        for index in self.curable:
            rows = np.flatnonzero(self.members[self.row_set, index])
            cleared = self.cleared_first(index, step)[rows]
            chance[rows] *= np.where(self.acting[rows, index], 1.0 - cleared, cleared)
        for column, name in enumerate(self.memory_names):
            tables = self.network.memories[name]
            spreads = np.eye(len(self.network.states[name]))[[self.at_start(name)]]
            driver = self.network.states[tables.memory.driver]
            spreads = np.repeat(spreads, len(driver), axis=0)
            for index, condition in enumerate(driver):
                if index > 0 and condition in tables.memory.carry:
                    spreads[index] = self.first_states(name, condition, step, minutes_since_start)
            chance *= spreads[state[tables.memory.driver], self.memory_states[:, column]]
        return chance

    def at_start(self, name: str) -> int:
        """Place of the state that a memory has while nothing drives it."""
        return self.network.states[name].index(self.network.memories[name].memory.start)

    def spread(self, name: str, stated: Mapping[str, float]) -> Array:
        """Chances over the states of a memory, as stated; (state,)."""
        return np.array([stated.get(state, 0.0) for state in self.network.states[name]])

    def first_states(self, name: str, condition: str, step: Step, since_start: float) -> Array:
        """P(memory) at the first snapshot when its driver is in a running condition; (state,)."""
        tables = self.network.memories[name]
        memory = tables.memory
        if memory.kind is MemoryKind.HEIGHT:
            stated = memory.first if step.phase == "air" else memory.onset[step.phase]
            return self.spread(name, stated)
        return at_time(tables.first[memory.carry[condition]], since_start)

    @cached_property
    def intermittent_chance(self) -> Array:
        """P(which intermittent failures act | the set), whatever they did before; (row,)."""
        chance = np.ones(self.count)
        for index in self.comes_and_goes:
            share = self.network.failures[index].acting
            if share < 1.0:
                rows = np.flatnonzero(self.members[self.row_set, index])
                chance[rows] *= np.where(self.acting[rows, index], share, 1.0 - share)
        return chance

    def cleared_first(self, index: int, step: Step) -> Array:
        """Chance that a curable failure is gone by the middle of the first snapshot; (row,)."""
        cure, minutes = self.curable[index], step.minutes_before + 0.5 * step.minutes
        chances = (cure.cleared(minutes, helped=helped, first=helped) for helped in (True, False))
        return np.where(self.cure_works(index, step), *chances)

    def cure_works(self, index: int, step: Step) -> Index:
        """Where a curable failure's switch helps, and has what it needs; bool (row,)."""
        cure = self.curable[index]
        works = np.full(self.count, cure.helps(step.switches))
        state = self.conditions(step.switches)
        for name, wanted in cure.needs.items():
            if name in state:
                works &= state[name] == self.network.states[name].index(wanted)
        return works
