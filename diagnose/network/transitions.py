"""Which hidden row can follow which from one snapshot to the next, and with what chance.

A transition is the product of three parts: failures begin (depends on the two sets), curable failures
act or not, memories move on (depends on what drives them). The last two are the same for pairs of sets
that are alike in that respect, so they are worked out once per kind of pair, and where they can be more
than zero once per setting of the switches.

Arrays (pair,) over pairs of hidden rows, before and after.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import reduce
from hashlib import blake2b
from typing import ClassVar

import numpy as np

from diagnose.model.units import Array
from diagnose.network.hidden import ANY_VERTICAL, COLUMNS, HiddenSpace, Step, number_codes
from diagnose.network.kernels import made_kernel, memory_kernel, moved
from diagnose.network.odds import Odds, survival
from diagnose.network.tables import Index


@dataclass(frozen=True, slots=True, kw_only=True)
class Transitions:
    """Sparse chances between the rows of two snapshots.

    ``source`` (entry,) counts rows and columns of the joint chances: row * 4 + vertical motion, or
    + 3 where the vertical motion makes no difference. ``target`` (entry,) counts rows. ``share``
    (row,): chance of what a row does whatever went before.
    """

    SHARED: ClassVar[tuple[str, ...]] = ("source", "target", "share")

    source: Index
    target: Index
    weight: Array
    share: Array

    def forward(self, joint: Array) -> Array:
        """Carry chances of one snapshot (…, row, column) on to P(row) of the next, (…, row); columns as in ``COLUMNS``."""
        source, target = self.source.astype(np.intp), self.target.astype(np.intp)
        carried, rows = np.empty(joint.shape[:-1]), joint.shape[-2]
        for own, then in zip(joint.reshape(-1, rows * COLUMNS), carried.reshape(-1, rows), strict=True):
            then[:] = np.bincount(target, weights=own.take(source) * self.weight, minlength=len(then))
        carried *= self.share
        return carried


def taken(values: Array, places: Index) -> Array:
    """Values at these places, which are kept in half the room: numpy is slow to take by small numbers."""
    return values.take(places.astype(np.intp))


def transitions(space: HiddenSpace, earlier: Step, later: Step, begins: Array | None) -> Transitions:
    """Give the chances to go from the rows of one snapshot to the rows of the next.

    ``begins``: chance of each failure to begin between the two; (failure,). None: no failure begins, so
    that every set of failures stays what it is.
    """
    key = (earlier.key, later.key, None if begins is None else begins.tobytes())
    kind = "staying" if begins is None else "transitions"
    found: Transitions = space.remembered(kind, key, lambda: _transitions(space, earlier, later, begins))
    return found


def _transitions(space: HiddenSpace, earlier: Step, later: Step, begins: Array | None) -> Transitions:
    kernels = [memory_kernel(space, name, earlier, later) for name in space.memory_names]
    masks = [_mask(kernel) for kernel in kernels]
    pattern = _fitting_pattern(space, earlier, later, masks, staying=begins is None)
    moves = taken(_cure_moves(space, pattern.cures, pattern.cure_ways, later), pattern.in_cures)
    for in_group, group in zip(pattern.in_group, pattern.groups, strict=True):
        some = (taken(kernels[memory].ravel(), places) for memory, places in group.items())
        moves *= taken(reduce(np.multiply, some), in_group)
    weight = taken(moves, pattern.of_move)
    if begins is not None:
        weight *= taken(set_chance(space, begins), pattern.of_pair)
    return Transitions(
        source=pattern.source, target=pattern.target, weight=weight, share=space.intermittent_chance
    )


# ------------------------------------------------------------------ pairs of sets


def set_pairs(space: HiddenSpace) -> Index:
    """Every (earlier set, later set) of which the earlier is a part of the later; (pair, 2)."""

    def find() -> dict[str, Index]:
        number = {members: place for place, members in enumerate(space.sets)}
        pairs = [
            (number[subset], later)
            for later, members in enumerate(space.sets)
            for size in range(len(members) + 1)
            for subset in itertools.combinations(members, size)
        ]
        return {"pairs": np.array(pairs, dtype=np.int32)}

    def ready() -> Index:
        return space.ready("pairs", (), find)["pairs"].astype(np.intp)

    found: Index = space.remembered("set pairs", "all", ready)
    return found


def set_chance(space: HiddenSpace, begins: Array) -> Array:
    """P(later set | earlier set) of every pair of sets; (pair,)."""
    found: Array = space.remembered("set chances", begins.tobytes(), lambda: _set_chance(space, begins))
    return found


def _set_chance(space: HiddenSpace, begins: Array) -> Array:
    """A product over all failures: of a step in which none begins, times what differs in the few of a pair."""
    pairs, causes = set_pairs(space), _causes(space)
    own = np.array([bool(found) for found in causes]) | (begins >= 1.0)
    plain = np.where(own, 0.0, begins)
    there = np.append(1.0 / (1.0 - plain), 1.0)[space.padded].prod(axis=0)
    chance: Array = (1.0 - plain).prod() * there[pairs[:, 0]]
    odds = np.append(np.where(own, 1.0, plain / (1.0 - plain)), 1.0)
    for new in _new_members(space):
        chance *= odds.take(new)
    for place in np.flatnonzero(own).tolist():
        factor = np.full(len(pairs), 1.0 - float(begins[place]))
        other, before, after, causing = _concerned(space, place)
        starts: Array | float = float(begins[place])
        for (cause, times), (was_there, is_there) in zip(causes[place].items(), causing, strict=True):
            was, comes = survival(float(begins[place]), times, float(begins[cause]))
            starts = 1.0 - (1.0 - starts) * np.where(was_there, was, np.where(is_there, comes, 1.0))
        factor[other] = np.where(after, np.where(before, 1.0, starts), 1.0 - starts)
        chance *= factor
    return chance


def _causes(space: HiddenSpace) -> list[dict[int, float]]:
    """Which failures hasten each one, and how many times; by place."""
    places = {failure.id: place for place, failure in enumerate(space.network.failures)}
    return [
        {places[cause]: times for cause, times in failure.hastened_by.items() if cause in places}
        for failure in space.network.failures
    ]


def _concerned(space: HiddenSpace, place: int) -> tuple[Index, Index, Index, list[tuple[Index, Index]]]:
    """Pairs of sets to which a failure or what hastens it belongs: places, and whether it is there before and after.

    Then the same of each of its causes; all (pair concerned,).
    """

    def find() -> tuple[Index, Index, Index, list[tuple[Index, Index]]]:
        causes = list(_causes(space)[place])
        pairs = set_pairs(space)
        belongs = np.asarray(space.members[:, [place, *causes]].any(axis=1))
        pair = np.flatnonzero(belongs[pairs[:, 1]])
        earlier, later = pairs[pair].T
        members = space.members
        both = [(members[earlier, cause], members[later, cause]) for cause in causes]
        return pair, members[earlier, place], members[later, place], both

    found: tuple[Index, Index, Index, list[tuple[Index, Index]]] = space.remembered(
        "pairs concerned", place, find
    )
    return found


def _new_members(space: HiddenSpace) -> Index:
    """Failures of the later set of each pair that the earlier one lacks, filled up with a place after the last.

    Shape (largest set, pair).
    """

    def find() -> Index:
        earlier, later = set_pairs(space).T
        members = space.padded.take(later, axis=1)
        had = np.pad(space.members, ((0, 0), (0, 1)))[earlier, members]
        return np.where(had, len(space.network.failures), members)

    found: Index = space.remembered("set pairs", "new members", find)
    return found


def first_sets(space: HiddenSpace, odds: Odds) -> Array:
    """P(set at the first snapshot): what is there when the clock starts, and what begins since; (set,)."""
    latent = np.where(space.members, odds.latent, 1.0 - odds.latent).prod(axis=1)
    pairs = set_pairs(space)
    flow = latent[pairs[:, 0]] * set_chance(space, odds.begins_first)
    return np.asarray(np.bincount(pairs[:, 1], weights=flow, minlength=len(space.sets)))


# ------------------------------------------------------------------ where a move is possible

#: how many patterns of the same switches are kept apart; all further ones share a wider one
MOST_ALIKE = 2
#: cells of a pattern that are looked at together: some megabytes
CELLS_AT_ONCE = 1 << 17
#: times by which it is found how wide
OTHER_MINUTES = (0.1, 3.0, 20.0, 300.0)
#: bits of a mask: the chance is above zero with this vertical motion; it is the same with all of them
MOVES_WITH = (1, 2, 4)
MOVES = np.uint8(sum(MOVES_WITH))
SAME = np.uint8(8)


def _mask(kernel: Array) -> Index:
    """Say of every cell of a kernel (…, vertical) where it is above zero, and whether it is the same."""
    bits = (kernel > 0.0) @ np.array(MOVES_WITH, dtype=np.uint8)
    return np.asarray(bits | np.where((kernel == kernel[..., :1]).all(axis=-1), SAME, 0), dtype=np.uint8)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pattern:
    """Where the entries of the transitions stand.

    ``source``, ``target``, ``of_pair`` (pair of sets) and ``of_move``: each (entry,). A move is an
    entry of one pair of sets of each kind. Moves share most of what they are made of: ``groups`` are memories with
    the places in their kernels that go together, (way,) each, and ``in_group`` says which way a move goes, (move,)
    each; ``cures``, as ``_cures`` gives them, ``cure_ways`` and ``in_cures`` are the same of cures.
    ``key``, ``masks`` and ``switches``: what it was made for.
    """

    source: Index
    target: Index
    of_pair: Index
    of_move: Index
    groups: tuple[dict[int, Index], ...]
    in_group: tuple[Index, ...]
    cures: tuple[Cured, ...]
    cure_ways: int
    in_cures: Index
    key: tuple[object, ...]
    masks: tuple[Index, ...]
    switches: tuple[object, ...]


def _fitting_pattern(
    space: HiddenSpace, earlier: Step, later: Step, masks: Sequence[Index], *, staying: bool
) -> _Pattern:
    """Give the pattern of these masks, or a wider one: what it counts beyond them has no chance.

    Once ``MOST_ALIKE`` are kept for these switches, all further steps share one that is as wide as other times
    can make it: a long case of ever other times would make a pattern for every step.
    """
    kind = "staying pattern" if staying else "pattern"
    switches = tuple(_driven(space, step.switches) for step in (earlier, later))
    wide, usual = list(masks), True
    key = _pattern_key(switches, wide)
    if not space.has(kind, key):
        alike = [known for known in space.all_remembered(kind) if known.switches == switches]
        fitting = (known.key for known in alike if all(map(_holds, known.masks, masks)))
        if len(alike) >= MOST_ALIKE and (key := next(fitting, ())) == ():
            for other in (*(known.masks for known in alike), _masks_at_other_times(space, earlier, later)):
                wide = [_joined(a, b) for a, b in zip(wide, other, strict=True)]
            key, usual = _pattern_key(switches, wide), False

    def make() -> dict[str, Index]:
        return _pattern(space, earlier, later, wide, staying=staying)

    def ready() -> _Pattern:
        # those of a long case would push out what every case needs
        made = space.ready("pattern", (kind, *key), make) if usual else make()
        cures = tuple((made[f"cured {n}"], made[f"how {n}"]) for n in range(len(space.curable)))
        return _Pattern(
            source=made["source"],
            target=made["target"],
            of_pair=made["of_pair"],
            of_move=made["of_move"],
            groups=tuple({m: made[f"places {m}"] for m in group} for group in _groups(space)),
            in_group=tuple(made[f"in group {n}"] for n, _ in enumerate(_groups(space))),
            cures=cures,
            cure_ways=int(made["in cures"].max(initial=0)) + 1,
            in_cures=made["in cures"],
            key=key,
            masks=tuple(wide),
            switches=switches,
        )

    found: _Pattern = space.remembered(kind, key, ready)
    return found


def _joined(one: Index, other: Index) -> Index:
    """The mask of where a move is possible by one of two masks."""
    return (one | other) & MOVES | one & other & SAME


def _masks_at_other_times(space: HiddenSpace, earlier: Step, later: Step) -> list[Index]:
    """Where moves are possible if the two snapshots and the gap last otherwise, of each memory."""
    known, found = space.network.kernels, []
    for name in space.memory_names:
        key = ("other times", name, earlier.phase, later.phase, moved(space, earlier, later))
        if key not in known:
            times = itertools.product(OTHER_MINUTES, (0.0, *OTHER_MINUTES))
            steps = ((replace(earlier, minutes=m), replace(later, minutes_before=gap)) for m, gap in times)
            known[key] = reduce(_joined, (_mask(made_kernel(space, name, *pair)) for pair in steps))
        found.append(known[key])
    return found


def _pattern_key(switches: tuple[object, ...], masks: Sequence[Index]) -> tuple[object, ...]:
    return (*switches, *(mask.tobytes() for mask in masks))


def _holds(wide: Index, mask: Index) -> bool:
    """Whether every move of a mask stands in a wider one, and what counts as the same there is the same."""
    return not ((mask & ~wide & MOVES) | (wide & ~mask & SAME)).any()


def _pattern(
    space: HiddenSpace,
    earlier: Step,
    later: Step,
    masks: Sequence[Index],
    *,
    staying: bool,
) -> dict[str, Index]:
    """The arrays of a pattern by name, in small whole numbers."""
    pairs = np.repeat(np.arange(len(space.sets))[:, None], 2, axis=1) if staying else set_pairs(space)
    before, after = _set_classes(space, earlier.switches), _set_classes(space, later.switches)
    code = before[pairs[:, 0]] * (int(after.max()) + 1) + after[pairs[:, 1]]
    _, example, kind_of_pair = np.unique(code, return_index=True, return_inverse=True)
    # every earlier with every later row of one pair of each kind, some kinds at a time, where none of the parts is zero
    row_count, first_of = np.diff(space.first_row), space.first_row[pairs[example]].astype(np.int32)
    width = row_count[pairs[example, 1]].astype(np.int32)
    cells = row_count[pairs[example, 0]] * width
    places = _places_in_kernels(space, earlier.switches, later.switches)
    vertical = np.array([*MOVES_WITH, MOVES_WITH[0]], dtype=np.uint8)
    blocks = []
    for some_kinds in np.split(np.arange(len(example)), np.flatnonzero(np.diff(np.cumsum(cells) // CELLS_AT_ONCE)) + 1):
        own_kind, cell = ragged(cells[some_kinds])
        kind = own_kind + some_kinds[0]
        own_source, own_target = np.divmod(cell, width[kind])
        source, target = (
            (first_of[:, place].take(kind) + own).astype(np.intp)
            for place, own in enumerate((own_source, own_target))
        )
        possible = _cure_moves(space, _cures(space, source, target, later), len(source), later) > 0.0
        mask = np.where(possible, np.uint8(15), np.uint8(0))
        for (from_row, to_row), table in zip(places, masks, strict=True):
            mask &= table.ravel().take(from_row.take(source) + to_row.take(target))
        some = (mask[:, None] & vertical) > 0
        some &= ((mask & SAME) > 0)[:, None] == (np.arange(COLUMNS) == ANY_VERTICAL)
        alive, column = np.nonzero(some)
        found = (kind[alive], own_source[alive], own_target[alive], source[alive], target[alive], column)
        blocks.append([one.astype(np.int32) for one in found])
    # in half the room, and each block let go: what is made here is many times what is kept
    kind, own_source, own_target, source, target, column = map(np.concatenate, zip(*blocks, strict=True))
    blocks.clear()
    # the same for all pairs of the kind
    per_kind = np.bincount(kind, minlength=len(example))
    first_move = np.cumsum(per_kind) - per_kind
    of_pair, number = ragged(per_kind[kind_of_pair])
    of_move = first_move.astype(np.int32)[kind_of_pair].take(of_pair) + number
    from_first, to_first = (space.first_row.astype(np.int32)[pairs[:, place]] for place in (0, 1))
    motion = column % ANY_VERTICAL
    arrays = {}
    for number_of_group, group in enumerate(_groups(space)):
        # told apart row by row first, of which there are fewer than moves
        sizes = {memory: masks[memory].size for memory in group}
        codes = [number_codes([(places[m][side], size) for m, size in sizes.items()], space.count)[0] for side in (0, 1)]
        sides = [(of_row[row], int(of_row.max()) + 1) for of_row, row in zip(codes, (source, target), strict=True)]
        arrays[f"in group {number_of_group}"], first = number_codes([*sides, (motion, 3)], len(source))
        for memory in group:
            from_row, to_row = places[memory]
            own = (from_row.take(source[first]) + to_row.take(target[first])) * 3 + motion[first]
            arrays[f"places {memory}"] = own
    columns = []
    for there, how in _cures(space, source, target, later):
        columns.append((np.zeros(len(source), dtype=np.int8), 7))
        columns[-1][0][there] = how + 1
    arrays["in cures"], first = number_codes(columns, len(source))
    for number_of_cure, (own, _) in enumerate(columns):
        there = np.flatnonzero(own[first])
        arrays |= {f"cured {number_of_cure}": there.astype(np.int32), f"how {number_of_cure}": own[first[there]] - 1}
    return {
        "source": from_first.take(of_pair) * COLUMNS
        + (own_source * COLUMNS + column).astype(np.int32).take(of_move),
        "target": to_first.take(of_pair) + own_target.astype(np.int32).take(of_move),
        "of_pair": np.zeros(0, dtype=np.int32) if staying else of_pair,
        "of_move": of_move.astype(np.int32),
        **{name: found.astype(np.min_scalar_type(int(found.max(initial=0)))) for name, found in arrays.items()},
    }


def _groups(space: HiddenSpace) -> tuple[tuple[int, ...], ...]:
    """Memories whose kernels are multiplied before moves are told apart, by place: halves, each of some thousand ways."""
    half = len(space.memory_names) // 2
    return tuple(filter(None, (tuple(range(half)), tuple(range(half, len(space.memory_names))))))


def _places_in_kernels(
    space: HiddenSpace, earlier: Mapping[str, str], later: Mapping[str, str]
) -> list[tuple[Index, Index]]:
    """Place of each earlier and each later row in a memory's kernel; the two add up. Each (row,)."""
    before, after = space.conditions(earlier), space.conditions(later)
    places = []
    for column, name in enumerate(space.memory_names):
        driver = space.network.memories[name].memory.driver
        states, count = space.memory_states[:, column].astype(np.int32), len(space.network.states[name])
        drivers = len(space.network.states[driver])
        to_row = after[driver] * count + states
        places.append(((before[driver] * count + states) * (drivers * count), to_row))
    return places


def ragged(sizes: Index) -> tuple[Index, Index]:
    """Count through groups of these sizes: group (item,) and place in the group (item,)."""
    group = np.repeat(np.arange(len(sizes), dtype=np.int32), sizes)
    starts = (np.cumsum(sizes) - sizes).astype(np.int32)
    return group, np.arange(len(group), dtype=np.int32) - starts[group]


def _set_classes(space: HiddenSpace, switches: Mapping[str, str]) -> Index:
    """Number the sets so that those whose rows are cured and drive memories alike share one; (set,)."""
    key = tuple(sorted(switches.items()))
    found: Index = space.remembered("set classes", key, lambda: _numbered_sets(space, switches))
    return found


def _driven(space: HiddenSpace, switches: Mapping[str, str]) -> bytes:
    """What switches and circumstances make of all that drives or cures, in short; most of them make nothing."""

    def find() -> bytes:
        state, short = space.conditions(switches), blake2b(digest_size=16)
        for name in _drivers(space):
            if name in state:
                short.update(state[name].astype(np.int16).tobytes())
        short.update(bytes(cure.helps(switches) for cure in space.curable.values()))
        return short.digest()

    found: bytes = space.remembered("driven", tuple(sorted(switches.items())), find)
    return found


def _drivers(space: HiddenSpace) -> list[str]:
    """What memories are driven by, and what cures need."""
    driving = [space.network.memories[name].memory.driver for name in space.memory_names]
    return list(dict.fromkeys([*driving, *(name for cure in space.curable.values() for name in cure.needs)]))


def _numbered_sets(space: HiddenSpace, switches: Mapping[str, str]) -> Index:
    network, state = space.network, space.conditions(switches)
    columns = [
        (space.memory_states[:, place], len(network.states[name]))
        for place, name in enumerate(space.memory_names)
    ]
    for index in space.curable:
        there = space.members[space.row_set, index]
        columns.append((there.astype(np.int8) + space.acting[:, index], 3))
    columns += [(state[name], len(network.states[name])) for name in _drivers(space) if name in state]
    of_row = number_codes(columns, space.count)[0].astype(np.int32)
    numbers: dict[bytes, int] = {}
    classes = [
        numbers.setdefault(of_row[start:end].tobytes(), len(numbers))
        for start, end in itertools.pairwise(space.first_row.tolist())
    ]
    return np.array(classes, dtype=np.intp)


# ------------------------------------------------------------------ cures


#: of each curable failure: the moves to a set that holds it, and what becomes of it in each (``_cures``)
Cured = tuple[Index, Index]


def _cures(space: HiddenSpace, source: Index, target: Index, later: Step) -> tuple[Cured, ...]:
    """Say for each curable failure in which pairs of rows it is there after, and how.

    How: 1 where it acts after, 2 where it had gone before, or else 4 where the cure works.
    """
    some = np.asarray(space.members[:, list(space.curable)].any(axis=1))[space.row_set]
    places = np.flatnonzero(some.take(target))
    before, after = source.take(places), target.take(places)
    found = []
    for index in space.curable:
        has, acting = space.members[:, index][space.row_set], space.acting[:, index]
        there = np.flatnonzero(has.take(after))
        own_before, own_after = before.take(there), after.take(there)
        gone_before = has[own_before] & ~acting[own_before]
        how = acting[own_after] + np.where(gone_before, 2, 4 * space.cure_works(index, later)[own_after])
        found.append((places.take(there).astype(np.int32), how.astype(np.int8)))
    return tuple(found)


def _cure_moves(space: HiddenSpace, cures: Sequence[Cured], moves: int, later: Step) -> Array:
    """P(curable failures act or not after | before) of each move; (move,)."""
    chance = np.ones(moves)
    minutes = later.minutes_before + 0.5 * later.minutes
    for cure, (there, how) in zip(space.curable.values(), cures, strict=True):
        helps = cure.helps(later.switches)
        alone, helped = (cure.cleared(minutes, helped=works) for works in (False, helps))
        gone = np.array([alone, 1.0 - cure.returned(minutes, helped=helps), helped])
        chance[there] *= taken(np.stack([gone, 1.0 - gone], axis=1).ravel(), how)
    return chance
