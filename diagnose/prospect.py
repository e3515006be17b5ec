"""What reading some gauges would tell, before they are read: exact, for many looks at one posterior.

A scene is a snapshot with the chances of its hidden rows. Facets of one look are taken jointly, outcome
by outcome. Rows in which the facets behave alike share a state; sets of failures that stand in one such
state only share a class, because no outcome can part them. So the sums run over some hundreds of
classes in place of some thousands of sets, and lose nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from diagnose.advise import Misled, misled
from diagnose.evidence import Group, group_likelihood, groups_of, motion_chance, silent_group
from diagnose.hidden import HiddenSpace, number_codes
from diagnose.model import SnapshotRecord
from diagnose.network import Index, Motions, Network
from diagnose.units import Array

NEGLIGIBLE = 1e-15
"""States with less chance than this are left out; some thousands of them together stay below 1e-9 bits."""
NEGLIGIBLE_PATTERN = 1e-9
"""Patterns of misleading instruments with less chance than this count as if nothing misled."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a look would tell.

    ``chance`` (outcome,). ``bits``: expected information about which failures are there, the entropy
    of the sets now less its mean over the outcomes; ``suspect_bits``: the same about which of the
    suspects are there, whatever else is. ``leading`` (outcome,): the likeliest set after
    each outcome, ``leading_chance`` (outcome,) its chance then. ``lies``: P(instrument misleads
    soon, outcome), the panel's instruments in their order.
    """

    chance: Array
    bits: float
    suspect_bits: float
    leading: Index
    leading_chance: Array
    lies: Array


def entropy(chance: Array) -> float:
    """Sum of -p log2 p, in bits."""
    flat = chance.ravel()
    return float(-(flat @ np.log2(np.maximum(flat, 1e-300))))


# ------------------------------------------------------------------ states, classes of sets


@dataclass(frozen=True, slots=True, kw_only=True)
class States:
    """How rows and sets group for a look; independent of all readings.

    State: rows in which the named parts, sources and memories are alike (``key`` says under which
    names and switches); ``of_row`` (row,), ``first`` (state,) a row of each. Slot: a state within a class of sets; ``slot_of_row`` (row,),
    ``slot_state`` and ``slot_class`` (slot,), in order of class. ``class_of_set`` (set,).
    """

    key: tuple[object, ...]
    of_row: Index
    first: Index
    slot_of_row: Index
    slot_state: Index
    slot_class: Index
    class_of_set: Index


def states_of(space: HiddenSpace, names: tuple[str, ...], switches: Mapping[str, str]) -> States:
    """Group rows by the states of some names, and sets by the states that their rows are in."""
    key = (names, tuple(sorted(switches.items())))
    found: States = space.remembered("looked at", key, lambda: _states_of(space, names, switches))
    return found


def _states_of(space: HiddenSpace, names: tuple[str, ...], switches: Mapping[str, str]) -> States:
    state, network = space.conditions(switches), space.network
    of_row, first = number_codes([(state[n], len(network.states[n])) for n in names], space.count)
    pair_of_row, pair_first = number_codes(
        [(space.row_set, len(space.sets)), (of_row, len(first))], space.count
    )
    pair_set, pair_state = space.row_set[pair_first], of_row[pair_first]
    single = np.bincount(pair_set)[pair_set] == 1
    # sets that stand in one state: the state is their class; the others are classes of their own
    slot_of_pair = np.where(single, pair_state, len(first) + np.cumsum(~single) - 1)
    several, class_of_several = np.unique(pair_set[~single], return_inverse=True)
    class_of_set = np.zeros(len(space.sets), dtype=np.intp)
    class_of_set[pair_set[single]] = pair_state[single]
    class_of_set[several] = len(first) + np.arange(len(several))
    return States(
        key=(names, tuple(sorted(switches.items()))),
        of_row=of_row,
        first=first,
        slot_of_row=slot_of_pair[pair_of_row],
        slot_state=np.concatenate([np.arange(len(first)), pair_state[~single]]),
        slot_class=np.concatenate([np.arange(len(first)), len(first) + class_of_several]),
        class_of_set=class_of_set,
    )


# ------------------------------------------------------------------ a scene


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A snapshot to look at: what it says so far, and the chances of its rows given all of that; (row,).

    ``trusting``: how the switches stand when the instruments are then trusted. ``suspects`` (failure,):
    the failures that a look is to tell apart.
    """

    space: HiddenSpace
    snapshot: SnapshotRecord
    rows: Array
    trusting: Mapping[str, str]
    suspects: Index
    _bases: dict[tuple[int, ...], _Base] = field(default_factory=dict, repr=False)

    @cached_property
    def switches(self) -> Mapping[str, str]:
        """Every switch with its position."""
        return self.space.network.switch_positions(self.snapshot.switches)

    @cached_property
    def lies(self) -> Misled:
        """Which gauges mislead in each row."""
        return misled(self.space, self.snapshot.manoeuvre, self.trusting)

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """What the snapshot says."""
        return groups_of(self.space.network, self.snapshot)

    @cached_property
    def sets(self) -> Array:
        """Chance of each set; (set,)."""
        return self.space.by_set(self.rows)

    @cached_property
    def suspected(self) -> Index:
        """Number of the suspects, as a set, that each row that counts holds."""
        space = self.space

        def find() -> Index:
            chosen = set(np.flatnonzero(self.suspects).tolist())
            numbers: dict[tuple[int, ...], int] = {}
            of_set = [
                numbers.setdefault(tuple(m for m in members if m in chosen), len(numbers))
                for members in space.sets
            ]
            return np.array(of_set, dtype=np.intp)[space.row_set]

        found: Index = space.remembered("suspects", self.suspects.tobytes(), find)
        return found[self.kept]

    @cached_property
    def kept(self) -> Index:
        """The rows that count."""
        return np.flatnonzero(self.rows > NEGLIGIBLE / 100.0)

    @cached_property
    def weight(self) -> Array:
        """Chances of the rows that count."""
        return self.rows[self.kept]

    @cached_property
    def lying(self) -> tuple[Index, Array]:
        """Pattern of misleading instruments of each row that counts, and the patterns (pattern, instrument).

        Patterns that have next to no chance count as one in which nothing misleads; trust needs no tenth decimal.
        """
        lies, panel, kb = self.lies, self.space.network.panel, self.space.network.kb
        instruments = [place for place, gauge in enumerate(panel.gauges) if kb.gauges[gauge].instrument]
        of_row = lies.of_row[self.kept]
        some = np.bincount(of_row, weights=self.weight, minlength=len(lies.soon)) > NEGLIGIBLE_PATTERN
        place = np.where(some, np.cumsum(some), 0)
        patterns = np.vstack([np.zeros(len(instruments)), lies.soon[some][:, instruments]])
        return place[of_row], patterns

    @cached_property
    def by_chance(self) -> Index:
        """Sets from the unlikeliest to the likeliest."""
        return np.argsort(self.sets, kind="stable")

    def base(self, own: tuple[int, ...]) -> _Base:
        """What is said of the motion, without the groups (their places) that a look opens."""
        if own not in self._bases:
            rest = [group for place, group in enumerate(self.groups) if place not in own]
            self._bases[own] = _base(self, rest)
        return self._bases[own]


def scene_of(
    space: HiddenSpace,
    snapshot: SnapshotRecord,
    rows: Array,
    suspects: Index,
    moved: Mapping[str, str] | None = None,
) -> Scene:
    """Make a scene; ``moved``: switches that stand otherwise when the instruments are then trusted."""
    switches = space.network.switch_positions({**snapshot.switches, **(moved or {})})
    return Scene(space=space, snapshot=snapshot, rows=rows, trusting=switches, suspects=suspects)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Base:
    """P(motion, what is said | state) of the air, the pilot and what the statements depend on.

    ``likelihood`` (state, motion); statements that no motion touches are in the rows already.
    """

    names: tuple[str, ...]
    states: States
    motions: Motions
    likelihood: Array


def _parents(space: HiddenSpace, switches: Mapping[str, str], facets: tuple[str, ...]) -> set[str]:
    known = space.conditions(switches)
    network = space.network
    return {name for facet in facets for name in network.facets[facet].parents if name in known}


def _base(scene: Scene, groups: list[Group]) -> _Base:
    space, network = scene.space, scene.space.network
    moving = [g for g in groups if any(network.facets[facet].axes for facet in g.facets)]
    needed = _parents(space, scene.switches, tuple(facet for g in moving for facet in g.facets))
    names = tuple(sorted({*network.variation_parts, *needed}))
    states = states_of(space, names, scene.switches)
    known = space.conditions(scene.switches)
    state = {name: known[name][states.first] for name in names}
    motions = network.motions(scene.snapshot.manoeuvre)
    likelihood = motion_chance(network, motions, state)
    for group in moving:
        likelihood = likelihood * group_likelihood(network, group, state, motions)
    return _Base(names=names, states=states, motions=motions, likelihood=likelihood)


# ------------------------------------------------------------------ one look


def told(scene: Scene, facets: tuple[str, ...]) -> Told:
    """Work out what reading these facets in this scene would tell; they must be silent in it.

    Outcomes stand in the order of ``itertools.product`` over the readings of the facets.
    """
    space = scene.space
    own = tuple(p for p, group in enumerate(scene.groups) if set(group.facets) & set(facets))
    opened = [scene.groups[place] for place in own]
    tied = {facet for group in opened for facet in group.facets}
    opened += [silent_group(space.network, facet) for facet in facets if facet not in tied]
    base = scene.base(own)
    needed = _parents(space, scene.switches, tuple(f for group in opened for f in group.facets))
    states = states_of(space, tuple(sorted({*base.names, *needed})), scene.switches)
    weight = np.bincount(
        states.slot_of_row.take(scene.kept), weights=scene.weight, minlength=len(states.slot_state)
    )
    kept = np.flatnonzero(weight > NEGLIGIBLE)
    used = np.zeros(len(states.first), dtype=bool)
    used[states.slot_state[kept]] = True
    place = np.cumsum(used) - 1
    chance = _chances(scene, base, states.first[used], facets, opened)
    joint = chance.take(place[states.slot_state[kept]], axis=0)
    joint *= weight[kept, None]
    of_slot = states.slot_class[kept]
    starts = np.flatnonzero(np.diff(of_slot, prepend=-1))
    classes = of_slot[starts]
    by_class = np.add.reduceat(joint, starts, axis=0)
    outcome = by_class.sum(axis=0)
    total = float(outcome.sum())
    by_class, outcome = by_class / total, outcome / total
    held = by_class.sum(axis=1)
    # of each class the likeliest set stands for it: what is written last stays
    best = np.zeros(int(states.slot_class[-1]) + 1, dtype=np.intp)
    best[states.class_of_set[scene.by_chance]] = scene.by_chance
    best = best[classes]
    shares = by_class * (scene.sets[best] / (held * total))[:, None]
    lead = shares.argmax(axis=0)
    # a row of a state that was left out (it has next to no chance) counts with the first state
    of_row = np.where(used, place, 0)[states.of_row.take(scene.kept)]
    return Told(
        chance=outcome,
        bits=information(by_class),
        suspect_bits=information(_spread(scene.suspected, of_row, scene.weight, chance)),
        leading=best[lead],
        leading_chance=shares[lead, np.arange(len(outcome))] / np.where(outcome > 0.0, outcome, 1.0),
        lies=scene.lying[1].T
        @ _spread(scene.lying[0], of_row, scene.weight, chance, len(scene.lying[1]))
        / total,
    )


def information(joint: Array) -> float:
    """Information in bits that one axis of a table of joint chances holds about the other; (…, outcome)."""
    joint = joint / joint.sum()
    return max(entropy(joint.sum(axis=1)) + entropy(joint.sum(axis=0)) - entropy(joint), 0.0)


def _spread(kind: Index, state: Index, weight: Array, chance: Array, kinds: int = 0) -> Array:
    """P(kind, outcome) from the kind, the state and the chance of each row; (kind, outcome)."""
    kinds, states = max(kinds, int(kind.max()) + 1), len(chance)
    table = np.bincount(kind * states + state, weights=weight, minlength=kinds * states)
    return np.asarray(table.reshape(kinds, states) @ chance)


def _chances(scene: Scene, base: _Base, rows: Index, facets: tuple[str, ...], opened: list[Group]) -> Array:
    """P(joint readings of the facets | state, what is said) for the states of these rows; (state, outcome)."""
    network = scene.space.network
    known = scene.space.conditions(scene.switches)
    names = _parents(scene.space, scene.switches, tuple(f for group in opened for f in group.facets))
    state = {name: known[name][rows] for name in sorted({*names, *network.variation_parts})}
    axes_of = [tuple(dict.fromkeys(a for f in g.facets for a in network.facets[f].axes)) for g in opened]
    moving = [place for place, axes in enumerate(axes_of) if axes]
    # the group that depends most on axes of its own is summed over them before the others join
    moving.sort(key=lambda place: -len(set(axes_of[place])))
    first, others = moving[:1], moving[1:]
    still = [place for place, axes in enumerate(axes_of) if not axes]

    def opened_chance(place: int, motions: Motions) -> Array:
        own = tuple(facet for facet in facets if facet in opened[place].facets)
        chance = group_likelihood(network, opened[place], state, motions, own)
        return chance.reshape(*chance.shape[:2], -1)

    shared = tuple(dict.fromkeys(axis for place in others for axis in axes_of[place]))
    every = tuple(dict.fromkeys([*shared, *(axis for place in first for axis in axes_of[place])]))
    motions, spread = _project(network, base.motions, every)
    joint = (base.likelihood @ spread)[base.states.of_row[rows]][:, :, None]
    if first:
        joint = joint * opened_chance(first[0], motions)
    joined, gather = _project(network, motions, shared)
    joint = gather.T @ joint  # (state, shared motion, readings of the first)
    rest = np.ones((len(rows), joint.shape[1], 1))
    for place in others:
        chance = opened_chance(place, joined)
        rest = (rest[:, :, :, None] * chance[:, :, None, :]).reshape(len(rows), joint.shape[1], -1)
    joint = (joint.transpose(0, 2, 1) @ rest).reshape(len(rows), -1)
    for place in still:
        joint = (joint[:, :, None] * opened_chance(place, motions)[:, :1]).reshape(len(rows), -1)
    order = [f for place in (*moving, *still) for f in facets if f in opened[place].facets]
    if tuple(order) != facets:
        sizes = [len(network.facets[facet].readings) for facet in order]
        turned = joint.reshape(len(rows), *sizes).transpose(0, *(1 + order.index(facet) for facet in facets))
        joint = turned.reshape(len(rows), -1)
    totals = joint.sum(axis=1, keepdims=True)
    return np.asarray(joint / np.where(totals > 0.0, totals, 1.0))


def _project(network: Network, motions: Motions, axes: tuple[str, ...]) -> tuple[Motions, Array]:
    """Join motions that are alike on these axes: the joined motions, and 0 or 1 (motion, joined motion)."""
    columns = [(motions.values[axis], len(network.states[axis])) for axis in axes]
    of_motion, first = number_codes(columns, motions.chance.shape[1])
    spread = np.zeros((len(of_motion), len(first)))
    spread[np.arange(len(of_motion)), of_motion] = 1.0
    values = {axis: motions.values[axis][first] for axis in motions.axes}
    return Motions(axes=motions.axes, values=values, chance=motions.chance[:, first]), spread
