"""What a snapshot's statements say of every hidden row and motion: likelihoods, and how rows are told apart for them."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from diagnose.model import SnapshotRecord
from diagnose.model.errors import CaseError
from diagnose.model.units import Array
from diagnose.network.hidden import ANY_VERTICAL, COLUMNS, HiddenSpace, number_codes
from diagnose.network.statements import (
    Group,
    by_axes,
    group_likelihood,
    group_of,
    groups_of,
    place_on_axes,
    reading_index,
    said,
)
from diagnose.network.tables import Index, Motions, Network
from diagnose.network.telling import (
    BENIGN,
    FAILURE,
    NOTHING_UNTOLD,
    Untold,
    explained,
    odd_groups,
    sound_states,
    straying_counts,
    untold,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Distinct combinations of states among rows: ``of_row`` (row,), ``state`` name -> (distinct,)."""

    of_row: Index
    state: Mapping[str, Index]


def _tell_apart(
    network: Network,
    states: Mapping[str, Index],
    names: Sequence[str],
    rows: int,
    motions: Motions | None = None,
) -> Seen:
    """Give the distinct combinations of the named states, and of how the airplane moves if ``motions`` are given."""
    columns = [(states[name], len(network.states[name])) for name in names]
    kept = [*names]
    if motions is not None:
        columns.append((motions.alike[network.combination(states)], int(motions.alike.max()) + 1))
        kept += network.variation_parts
    of_row, first = number_codes(columns, rows)
    kept = kept or list(states)[:1]  # one name at least tells how many combinations there are
    return Seen(of_row=of_row, state={name: states[name][first] for name in kept})


def distinct(
    space: HiddenSpace, names: Sequence[str], switches: Mapping[str, str], manoeuvre: str = ""
) -> Seen:
    """Give the distinct combinations of the named states over all rows, and of how the airplane moves in a maneuver."""
    motions = space.network.motions(manoeuvre, space.strayed) if manoeuvre else None
    found: Seen = space.remembered(
        "distinct",
        (manoeuvre, *names, *sorted(switches.items())),
        lambda: _tell_apart(space.network, space.conditions(switches), names, space.count, motions),
    )
    return found


@dataclass(frozen=True, kw_only=True)
class Emission:
    """What a snapshot's statements say of every row and motion.

    P(what was said, motion | row) = ``likelihood[seen.of_row]`` (row, motion) times ``still`` (row,),
    the part of the statements that no motion touches.
    """

    motions: Motions
    seen: Seen
    likelihood: Array
    still: Array

    @cached_property
    def columns(self) -> Array:
        """P(what was said, vertical motion | row), and their sum; (row, column) as in ``COLUMNS``."""
        vertical = np.zeros((self.likelihood.shape[1], COLUMNS))
        vertical[np.arange(len(vertical)), self.motions.vertical] = 1.0
        vertical[:, ANY_VERTICAL] = 1.0
        return np.asarray((self.likelihood @ vertical).take(self.seen.of_row, axis=0) * self.still[:, None])

    def motion_given(self, rows: Array) -> Array:
        """P(motion | chances of the rows after these statements); shape (motion,)."""
        weight = np.bincount(self.seen.of_row, weights=rows, minlength=len(self.likelihood))
        totals = self.likelihood.sum(axis=1)
        joint = (weight / np.where(totals > 0.0, totals, 1.0)) @ self.likelihood
        return np.asarray(joint / joint.sum())


def emission(
    space: HiddenSpace,
    snapshot: SnapshotRecord,
    switches: Mapping[str, str],
    most: int = FAILURE,
    also: float | None = None,
) -> Emission:
    """Weigh a snapshot's statements for every row. Raises CaseError and UnknownName.

    ``most``: the strongest explanation that its odd readings may have. ``also``: as in ``Untold``; None: silence
    says nothing.
    """
    odd = {} if most == FAILURE and also is None else odd_groups(space, snapshot, switches)
    told = [facet for facets in odd for facet in facets]
    silent = NOTHING_UNTOLD
    if also is not None and told:
        silent = untold(space, snapshot, switches, told, also)
    odd = {} if most == FAILURE else odd
    return _weighed(space, snapshot, switches, groups_of(space.network, snapshot), (), most, odd, silent)


def opened(space: HiddenSpace, snapshot: SnapshotRecord, switches: Mapping[str, str], facet: str) -> Array:
    """P(what was said, reading of one more facet | row); shape (reading, row).

    The facet must be silent in the snapshot, though a disagreement may speak of it. Raises CaseError
    and UnknownName.
    """
    network = space.network
    if facet in snapshot.readings or facet in snapshot.unsure:
        raise CaseError(f"{facet} is read already", mend="take its reading out first")
    if facet not in network.facets:
        reading_index(network, facet, "")
    groups = groups_of(network, snapshot)
    own = next((g for g in groups if facet in g.facets), group_of(network, [facet], {}, []))
    rest = tuple(group for group in groups if group is not own)
    # many facets need the same parts and sources, and share what everything else says
    apart = own.facets if len(rest) < len(groups) else ()
    key = (said(snapshot), apart, _needs(space, own.facets, switches), tuple(sorted(switches.items())))
    weighed: Emission = space.remembered(
        "opened", key, lambda: _weighed(space, snapshot, switches, rest, own.facets)
    )
    motions, state = weighed.motions, weighed.seen.state
    if len(own.facets) == 1:
        # motions that are alike for this facet are summed first
        chance = by_axes(network, facet, state)
        place = np.broadcast_to(place_on_axes(network, facet, motions), motions.chance.shape[1])
        likelihood = weighed.likelihood @ np.eye(chance.shape[1])[place]
    else:
        chance, likelihood = group_likelihood(network, own, state, motions, (facet,)), weighed.likelihood
    joint = (
        (likelihood[:, None] @ chance)[:, 0]
        if chance.shape[1] > 1
        else (likelihood.sum(axis=1)[:, None] * chance[:, 0])
    )
    return np.asarray(joint.T.take(weighed.seen.of_row, axis=1) * weighed.still)


def _needs(space: HiddenSpace, facets: Sequence[str], switches: Mapping[str, str]) -> tuple[str, ...]:
    """Parts, memories and sources that these facets depend on."""
    known = space.conditions(switches)
    names = dict.fromkeys(name for facet in facets for name in space.network.facets[facet].parents)
    return tuple(name for name in names if name in known)


def _weighed(
    space: HiddenSpace,
    snapshot: SnapshotRecord,
    switches: Mapping[str, str],
    groups: tuple[Group, ...],
    more: tuple[str, ...],
    most: int = FAILURE,
    odd: Collection[tuple[str, ...]] = (),
    silent: Untold = NOTHING_UNTOLD,
) -> Emission:
    """Weigh groups of facets; the rows that are told apart also differ in what ``more`` facets need.

    Of an ``odd`` group only what explanations up to ``most`` make of it counts; ``silent``: what silence says.
    """
    network = space.network
    motions = network.motions(snapshot.manoeuvre, space.strayed)
    needs = partial(_needs, space, switches=switches)
    still = np.ones(space.count)
    moving = []
    for group in groups:
        if any(network.facets[facet].axes for facet in group.facets):
            moving.append(group)
            continue
        own = distinct(space, needs(group.facets), switches)
        if group.facets in odd:
            shares = explained(network, group, own.state, switches, motions, snapshot.manoeuvre)
            said = shares.misread + (shares.benign if most == BENIGN else 0.0)
        else:
            said = group_likelihood(network, group, own.state, motions)
        still *= said[own.of_row, 0]
    told = needs(
        [*more, *(facet for group in (*moving, *itertools.chain(*silent.usual)) for facet in group.facets)]
    )
    seen = distinct(space, tuple(sorted(told)), switches, snapshot.manoeuvre)
    likelihood = motion_chance(network, motions, seen.state)
    counts = straying_counts(network, seen.state, network.strays(snapshot.manoeuvre, motions), most)
    for group in moving:
        own = _tell_apart(network, seen.state, needs(group.facets), len(likelihood))
        if group.facets in odd:
            shares = explained(network, group, own.state, switches, motions, snapshot.manoeuvre)
            steady = shares.misread + (shares.benign if most == BENIGN else 0.0)
            likelihood *= steady[own.of_row] + shares.strayed[own.of_row] * counts
        else:
            likelihood *= group_likelihood(network, group, own.state, motions)[own.of_row]
    if silent.usual:
        none_odd = [np.ones_like(likelihood) for _ in silent.usual]
        for usual, groups in zip(none_odd, silent.usual, strict=True):
            for group in groups:
                own = _tell_apart(network, seen.state, needs(group.facets), len(likelihood))
                here, healthy = (
                    group_likelihood(network, group, states, motions)
                    for states in (own.state, sound_states(network, own.state, switches))
                )
                usual *= 1.0 - np.maximum(healthy - here, 0.0)[own.of_row]
        likelihood *= silent.chance(none_odd)
    return Emission(motions=motions, seen=seen, likelihood=likelihood, still=still)


def motion_chance(network: Network, motions: Motions, state: Mapping[str, Index]) -> Array:
    """P(motion | air and pilot of each row); shape (row, motion)."""
    return np.asarray(motions.chance[network.combination(state)])
