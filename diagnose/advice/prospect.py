"""What reading some gauges would tell, before they are read: for many looks at one posterior.

A scene is a snapshot with the chances of its hidden rows, of which only those that are not ``NEGLIGIBLE`` count.
Facets of one look are taken jointly, outcome by outcome. Rows in which the facets behave alike share a
state, and looks at facets with the same parents share the states; sets of failures of one row that stand in
the same state count as one, because no outcome can part them. So most sums run over some hundreds of states
instead of some thousands of sets, and lose nothing more.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from diagnose.advice.trust import Misled, misled
from diagnose.model import SnapshotRecord
from diagnose.model.units import Array
from diagnose.network.evidence import motion_chance
from diagnose.network.hidden import HiddenSpace, number_codes
from diagnose.network.statements import Group, group_likelihood, groups_of, silent_group
from diagnose.network.tables import Index, Motions, Network

NEGLIGIBLE = 1e-9
"""Rows with less chance than this are left out: some tens of thousands of them, together under one in a million, which
moves a look by less than 1e-4 bits and makes it three times as fast."""


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


# ------------------------------------------------------------------ a scene


@dataclass(frozen=True, kw_only=True)
class Held:
    """The rows that count, by their chances; scenes that differ in the switches alone share them.

    ``rows`` (row,). What follows speaks of the rows that count, in their order (held row,), and of the sets
    that they belong to (held set,).
    """

    space: HiddenSpace
    rows: Array

    @cached_property
    def kept(self) -> Index:
        """The rows that count; (held row,)."""
        return np.flatnonzero(self.rows > NEGLIGIBLE)

    @cached_property
    def weight(self) -> Array:
        """Their chances; (held row,)."""
        return self.rows[self.kept]

    @cached_property
    def _sets(self) -> tuple[Index, Index, Index]:
        of_row = self.space.row_set[self.kept]
        starts = np.flatnonzero(np.diff(of_row, prepend=-1))
        sizes = np.diff(starts, append=len(of_row))
        return of_row[starts], starts, sizes

    @property
    def sets(self) -> Index:
        """Their sets; (held set,)."""
        return self._sets[0]

    @cached_property
    def of_row(self) -> Index:
        """Number of the held set of each row; (held row,)."""
        return np.repeat(np.arange(len(self.sets)), self._sets[2])

    @cached_property
    def alone(self) -> Index:
        """Rows of the sets that have one row, from the unlikeliest to the likeliest."""
        _, starts, sizes = self._sets
        rows = starts[sizes == 1]
        return rows[np.argsort(self.weight[rows], kind="stable")]

    @cached_property
    def several(self) -> Index:
        """Sets that have several rows, those that have most first."""
        sizes = self._sets[2]
        numbers = np.flatnonzero(sizes > 1)
        return numbers[np.argsort(-sizes[numbers], kind="stable")]

    @cached_property
    def layers(self) -> tuple[Index, Array, list[int]]:
        """The first row of each of ``several``, then the second of each that has one, and so on.

        Rows, their chances (row,), and how many of each.
        """
        _, starts, sizes = self._sets
        first, count = starts[self.several], sizes[self.several]
        layers = [first[count > place] + place for place in range(int(sizes.max()))]
        rows = np.concatenate(layers)
        return rows, self.weight[rows], [len(layer) for layer in layers]

    @cached_property
    def _several_of_layers(self) -> Index:
        return np.concatenate([np.arange(count) for count in self.layers[2]])

    def by_set(self, of_row: Index, chance: Array) -> Array:
        """P(set, outcome) of ``several``, from the chances of the outcomes (state, outcome) and each row's state."""
        rows, weight, counts = self.layers
        if len(chance) * len(self.several) <= len(rows):
            states, size = len(chance), len(chance) * len(self.several)
            place = self._several_of_layers * states + of_row[rows]
            return np.bincount(place, weights=weight, minlength=size).reshape(-1, states) @ chance
        each = chance.take(of_row[rows], axis=0)
        each *= weight[:, None]
        # adding layer upon layer is several times as fast as numpy's reduceat
        joint, start = each[: len(self.several)], len(self.several)
        for count in counts[1:]:
            joint[:count] += each[start : start + count]
            start += count
        return joint


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A snapshot to look at: what it says so far, and the rows that count given all of that.

    ``trusting``: how the switches stand when the instruments are then trusted. ``suspects`` (failure,):
    the failures that a look is to tell apart.
    """

    held: Held
    snapshot: SnapshotRecord
    trusting: Mapping[str, str]
    suspects: Index
    before: SnapshotRecord | None = None
    _bases: dict[tuple[int, ...], _Base] = field(default_factory=dict, repr=False)
    _columns: dict[str, Index] = field(default_factory=dict, repr=False)
    _states: dict[tuple[object, ...], _States] = field(default_factory=dict, repr=False)

    @property
    def space(self) -> HiddenSpace:
        """The hidden states."""
        return self.held.space

    @cached_property
    def switches(self) -> Mapping[str, str]:
        """How every switch and circumstance stands; ``before`` is the snapshot that went before."""
        return self.space.network.set_so(self.before, self.snapshot)

    @cached_property
    def known(self) -> Mapping[str, Index]:
        """State of every part, source and memory; (row,)."""
        return self.space.conditions(self.switches)

    def column(self, name: str) -> Index:
        """State of a part, source or memory in the rows that count; (held row,)."""
        if name not in self._columns:
            self._columns[name] = self.known[name][self.held.kept]
        return self._columns[name]

    def parents(self, facets: Sequence[str]) -> set[str]:
        """Parts, sources and memories of this panel that some facets depend on."""
        network = self.space.network
        return {name for facet in facets for name in network.facets[facet].parents if name in self.known}

    @cached_property
    def lies(self) -> Misled:
        """Which gauges mislead in each row."""
        return misled(self.space, self.snapshot.manoeuvre, self.trusting)

    @cached_property
    def groups(self) -> tuple[Group, ...]:
        """What the snapshot says."""
        return groups_of(self.space.network, self.snapshot)

    @cached_property
    def suspected(self) -> Index:
        """Number of the suspects, as a set, that each row that counts holds; (held row,)."""
        chosen = self.space.members[self.held.sets][:, self.suspects]
        packed = np.packbits(chosen, axis=1)
        width = -packed.shape[1] % 8
        words = np.ascontiguousarray(np.pad(packed, ((0, 0), (0, width)))).view(np.uint64)
        # one word for up to 64 suspects: whole numbers are told apart faster than rows of a table
        single = words.shape[1] == 1
        code = np.unique(words.ravel() if single else words, axis=None if single else 0, return_inverse=True)
        return np.asarray(code[1].ravel()[self.held.of_row])

    @cached_property
    def lying(self) -> tuple[Index, Array]:
        """Pattern of misleading instruments of each row that counts, and the patterns (pattern, instrument)."""
        lies, panel, kb = self.lies, self.space.network.panel, self.space.network.kb
        instruments = [place for place, gauge in enumerate(panel.gauges) if kb.gauges[gauge].instrument]
        of_row = lies.of_row[self.held.kept]
        place, first = number_codes([(of_row, len(lies.soon))], len(of_row))
        return place, lies.soon[np.ix_(of_row[first], instruments)]

    def base(self, own: tuple[int, ...]) -> _Base:
        """What is said of the motion, without the groups (their places) that a look opens."""
        if own not in self._bases:
            rest = [group for place, group in enumerate(self.groups) if place not in own]
            self._bases[own] = _base(self, rest)
        return self._bases[own]

    def states(self, base: _Base | None, names: tuple[str, ...]) -> _States:
        """Tell the rows that count apart by a base, and by these parts, sources and memories."""
        key = (id(base), *names)  # bases are kept as long as the scene
        if key not in self._states:
            self._states[key] = _states(self, base, names)
        return self._states[key]


def scene_of(
    space: HiddenSpace,
    snapshot: SnapshotRecord,
    rows: Array,
    suspects: Index,
    moved: Mapping[str, str] | None = None,
    like: Scene | None = None,
    before: SnapshotRecord | None = None,
) -> Scene:
    """Make a scene; ``moved``: switches that stand otherwise when the instruments are then trusted.

    ``like``: a scene of the same snapshot and rows, with which to share what does not depend on that.
    """
    switches = space.network.switch_positions({**snapshot.switches, **(moved or {})})
    if like is None:
        held = Held(space=space, rows=rows)
        return Scene(held=held, snapshot=snapshot, trusting=switches, suspects=suspects, before=before)
    return Scene(
        held=like.held,
        snapshot=snapshot,
        trusting=switches,
        suspects=suspects,
        before=before,
        _bases=like._bases,
        _columns=like._columns,
    )


@dataclass(frozen=True, kw_only=True)
class _Base:
    """P(motion, what is said | state) of the air, the pilot and what the statements depend on.

    ``of_row`` (held row,) numbers the states; ``likelihood`` (state, motion). Statements that no motion
    touches are in the rows already.
    """

    names: frozenset[str]
    of_row: Index
    motions: Motions
    likelihood: Array
    _projected: dict[tuple[str, ...], tuple[Motions, Array]] = field(default_factory=dict, repr=False)

    def on(self, scene: Scene, axes: tuple[str, ...]) -> tuple[Motions, Array]:
        """Give the motions that differ on these axes, and the likelihood summed over all others."""
        if axes not in self._projected:
            motions, spread = _project(scene, self.motions, (), axes)
            self._projected[axes] = motions, self.likelihood @ spread
        return self._projected[axes]


def _base(scene: Scene, groups: list[Group]) -> _Base:
    network = scene.space.network
    moving = [g for g in groups if any(network.facets[facet].axes for facet in g.facets)]
    needed = scene.parents([facet for g in moving for facet in g.facets])
    motions = network.motions(scene.snapshot.manoeuvre, scene.space.strayed)
    names = sorted(needed)
    columns = [(scene.column(name), len(network.states[name])) for name in names]
    moves = network.combination({part: scene.column(part) for part in network.variation_parts})
    columns.append((motions.alike[moves], int(motions.alike.max()) + 1))
    of_row, first = number_codes(columns, len(scene.held.kept))
    state = {name: scene.column(name)[first] for name in {*network.variation_parts, *needed}}
    likelihood = motion_chance(network, motions, state)
    for group in moving:
        likelihood = likelihood * group_likelihood(network, group, state, motions)
    return _Base(names=frozenset(names), of_row=of_row, motions=motions, likelihood=likelihood)


# ------------------------------------------------------------------ one look


@dataclass(frozen=True, kw_only=True)
class _States:
    """Rows that do not differ in what some facets depend on share a state.

    ``of_row`` (held row,), ``first`` (state,) a row of each. P(it, state) of each kind of suspects ``kinds``,
    of each instrument that misleads ``lies``, of the sets of one row ``alone`` (state,). ``best`` (state,): the
    likeliest of these sets in each state, ``best_chance`` its chance.
    """

    of_row: Index
    first: Index
    kinds: Array
    lies: Array
    alone: Array
    best: Index
    best_chance: Array


def _states(scene: Scene, base: _Base | None, names: tuple[str, ...]) -> _States:
    held, network = scene.held, scene.space.network
    columns = [(base.of_row, len(base.likelihood))] if base is not None else []
    columns += [(scene.column(name), len(network.states[name])) for name in names]
    of_row, first = number_codes(columns, len(held.kept))
    count, (pattern, patterns) = len(first), scene.lying

    def of_states(kind: Index, size: int) -> Array:
        sums = np.bincount(kind * count + of_row, weights=held.weight, minlength=size * count)
        return np.asarray(sums.reshape(size, count))

    # the likeliest set of each state stands for all sets of one row: what is written last stays
    own = of_row[held.alone]
    best, best_chance = np.zeros(count, dtype=np.intp), np.zeros(count)
    best[own], best_chance[own] = scene.space.row_set[held.kept[held.alone]], held.weight[held.alone]
    return _States(
        of_row=of_row,
        first=first,
        kinds=of_states(scene.suspected, int(scene.suspected.max()) + 1),
        lies=patterns.T @ of_states(pattern, len(patterns)),
        alone=np.asarray(np.bincount(own, weights=held.weight[held.alone], minlength=count)),
        best=best,
        best_chance=best_chance,
    )


def told(scene: Scene, facets: tuple[str, ...]) -> Told:
    """Work out what reading these facets in this scene would tell; they must be silent in it.

    Outcomes stand in the order of ``itertools.product`` over the readings of the facets.
    """
    network, held = scene.space.network, scene.held
    own = tuple(p for p, group in enumerate(scene.groups) if set(group.facets) & set(facets))
    opened = [scene.groups[place] for place in own]
    tied = {facet for group in opened for facet in group.facets}
    opened += [silent_group(network, facet) for facet in facets if facet not in tied]
    opened_facets = [facet for group in opened for facet in group.facets]
    # what no motion touches depends on no other statement either
    base = scene.base(own) if any(network.facets[facet].axes for facet in opened_facets) else None
    known = base.names if base is not None else frozenset()
    states = scene.states(base, tuple(sorted(scene.parents(opened_facets) - known)))
    chance = _chances(scene, base, states.first, facets, opened)
    of_kind, lies = states.kinds @ chance, states.lies @ chance
    outcome = of_kind.sum(axis=0)
    total = float(outcome.sum())
    joint = held.by_set(states.of_row, chance)
    every = np.arange(len(outcome))
    shares = chance * states.best_chance[:, None]
    lead = shares.argmax(axis=0)
    leading, leading_chance = states.best[lead], shares[lead, every]
    if len(joint):
        lead = joint.argmax(axis=0)
        better = joint[lead, every] > leading_chance
        leading = np.where(better, held.sets[held.several[lead]], leading)
        leading_chance = np.where(better, joint[lead, every], leading_chance)
    # what an outcome tells: its entropy less that within each kind
    whole = entropy(outcome / total)
    within = float(states.alone @ _entropies(chance)) + _entropy_within(joint)
    return Told(
        chance=outcome / total,
        bits=max(whole - within / total, 0.0),
        suspect_bits=max(whole - _entropy_within(of_kind) / total, 0.0),
        leading=leading,
        leading_chance=leading_chance / np.where(outcome > 0.0, outcome, 1.0),
        lies=lies / total,
    )


def _entropies(chance: Array) -> Array:
    """Entropy in bits of each row of chances; (row,)."""
    return np.asarray(-np.einsum("so,so->s", chance, np.log2(np.maximum(chance, 1e-300))))


def _entropy_within(joint: Array) -> float:
    """Entropy in bits of the outcomes within each row, weighed by the row's chance, summed; (row, outcome)."""
    return entropy(joint) - entropy(joint.sum(axis=1))


def _chances(
    scene: Scene, base: _Base | None, rows: Index, facets: tuple[str, ...], opened: list[Group]
) -> Array:
    """P(joint readings of the facets | state, what is said) for the states of these held rows; (state, outcome).

    ``base``: None where no facet depends on the motion.
    """
    network = scene.space.network
    names = sorted(scene.parents([f for group in opened for f in group.facets])) or [*network.variation_parts]
    state = {name: scene.column(name)[rows] for name in names}
    axes_of = [tuple(dict.fromkeys(a for f in g.facets for a in network.facets[f].axes)) for g in opened]
    moving = [place for place, axes in enumerate(axes_of) if axes]
    # the group that depends most on axes of its own is summed over them before the others join
    moving.sort(key=lambda place: -len(set(axes_of[place])))
    others = moving[1:]
    still = [place for place, axes in enumerate(axes_of) if not axes]

    def opened_chance(place: int, motions: Motions) -> Array:
        own = tuple(facet for facet in facets if facet in opened[place].facets)
        chance = group_likelihood(network, opened[place], state, motions, own)
        return chance.reshape(*chance.shape[:2], -1)

    joint = np.ones((len(rows), 1))
    if base is not None:
        shared = tuple(dict.fromkeys(axis for place in others for axis in axes_of[place]))
        every = tuple(dict.fromkeys([*shared, *axes_of[moving[0]]]))
        motions, likelihood = base.on(scene, every)
        said = likelihood.take(base.of_row[rows], axis=0)
        chance = opened_chance(moving[0], motions)
        if not others:
            joint = np.matmul(said[:, None, :], chance)[:, 0]
        else:
            joined, gather = _project(scene, motions, every, shared)
            # (state, readings of the first, shared motion), in one product of two tables
            each = np.multiply(said[:, None, :], chance.transpose(0, 2, 1), order="C")
            with_first = (each.reshape(-1, each.shape[2]) @ gather).reshape(len(rows), -1, gather.shape[1])
            rest = np.ones((len(rows), with_first.shape[2], 1))
            for place in others:
                chance = opened_chance(place, joined)
                rest = (rest[:, :, :, None] * chance[:, :, None, :]).reshape(len(rows), rest.shape[1], -1)
            joint = (with_first @ rest).reshape(len(rows), -1)
    motions = network.motions(scene.snapshot.manoeuvre, scene.space.strayed)
    for place in still:
        joint = (joint[:, :, None] * opened_chance(place, motions)[:, :1]).reshape(len(rows), -1)
    order = [f for place in (*moving, *still) for f in facets if f in opened[place].facets]
    if tuple(order) != facets:
        sizes = [len(network.facets[facet].readings) for facet in order]
        turned = joint.reshape(len(rows), *sizes).transpose(0, *(1 + order.index(facet) for facet in facets))
        joint = turned.reshape(len(rows), -1)
    # what is said has some chance in every row that counts
    return np.asarray(joint / joint.sum(axis=1, keepdims=True))


def _project(
    scene: Scene, motions: Motions, known: tuple[str, ...], axes: tuple[str, ...]
) -> tuple[Motions, Array]:
    """Join motions that are alike on these axes: the joined motions, and 0 or 1 (motion, joined motion).

    ``known``: the axes on which the given motions were joined already, if they were.
    """
    network, key = scene.space.network, (scene.snapshot.manoeuvre, known, axes)
    found: tuple[Motions, Array] = scene.space.remembered(
        "looked at", key, lambda: _joined(network, motions, axes)
    )
    return found


def _joined(network: Network, motions: Motions, axes: tuple[str, ...]) -> tuple[Motions, Array]:
    columns = [(motions.values[axis], len(network.states[axis])) for axis in axes]
    of_motion, first = number_codes(columns, motions.chance.shape[1])
    spread = np.zeros((len(of_motion), len(first)))
    spread[np.arange(len(of_motion)), of_motion] = 1.0
    values = {axis: motions.values[axis][first] for axis in motions.axes}
    return Motions(axes=motions.axes, values=values, chance=motions.chance[:, first]), spread
