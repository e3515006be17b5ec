"""What a snapshot's statements say of every hidden row and motion: likelihoods, and how rows are told apart for them."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

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
    Shares,
    Untold,
    explained,
    odd_groups,
    sound_states,
    straying_counts,
    surprising,
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
    kept = kept or [next(iter(states))]  # one name at least tells how many combinations there are
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
        vertical = np.eye(COLUMNS)[self.motions.vertical]
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

    silence = also is not None
    why = silence or most != FAILURE

    def weighing() -> Weighing:
        odd = odd_groups(space, snapshot, switches) if why else {}
        told = [facet for facets in odd for facet in facets]
        silent = untold(space, snapshot, switches, told) if silence and told else NOTHING_UNTOLD
        groups = groups_of(space.network, snapshot)
        return Weighing(
            space=space, snapshot=snapshot, switches=switches, groups=groups, odd=frozenset(odd), silent=silent
        )

    key = (said(snapshot), tuple(sorted(switches.items())), why, silence)
    # the passes of a case ask for one snapshot after the other, each in several ways
    found: Weighing = space.remembered("weighing", key, weighing)
    return found.up_to(most, also)


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
        "opened",
        key,
        lambda: Weighing(
            space=space, snapshot=snapshot, switches=switches, groups=rest, more=own.facets
        ).up_to(FAILURE, None),
    )
    motions, state = weighed.motions, weighed.seen.state
    if len(own.facets) == 1:
        # motions that are alike for this facet are summed first
        chance = by_axes(network, facet, state)
        place = np.broadcast_to(place_on_axes(network, facet, motions), motions.chance.shape[1])
        likelihood = weighed.likelihood @ np.eye(chance.shape[1])[place]
    else:
        chance, likelihood = group_likelihood(network, own, state, motions, (facet,)), weighed.likelihood
    if chance.shape[1] == 1:
        likelihood = likelihood.sum(axis=1, keepdims=True)
    joint = (likelihood[:, None] @ chance).squeeze(axis=1)
    return np.asarray(joint.T.take(weighed.seen.of_row, axis=1) * weighed.still)


def _needs(space: HiddenSpace, facets: Sequence[str], switches: Mapping[str, str]) -> tuple[str, ...]:
    """Parts, memories and sources that these facets depend on."""
    known = space.conditions(switches)
    names = dict.fromkeys(name for facet in facets for name in space.network.facets[facet].parents)
    return tuple(name for name in names if name in known)


@dataclass(frozen=True, kw_only=True)
class Weighing:
    """A snapshot's statements, weighed for every row once for all that is asked of them.

    The rows that are told apart also differ in what ``more`` facets need. ``odd``: groups of which only what some
    explanations make of them may count; ``silent``: what silence says.
    """

    # no more than three are kept, so their room is not counted
    SHARED: ClassVar[tuple[str, ...]] = ("space", "snapshot", "switches", "groups", "more", "odd", "silent")

    space: HiddenSpace
    snapshot: SnapshotRecord
    switches: Mapping[str, str]
    groups: tuple[Group, ...]
    more: tuple[str, ...] = ()
    odd: frozenset[tuple[str, ...]] = frozenset()
    silent: Untold = NOTHING_UNTOLD

    @cached_property
    def motions(self) -> Motions:
        """How the airplane may move."""
        return self.space.network.motions(self.snapshot.manoeuvre, self.space.strayed)

    def _needs(self, facets: Iterable[str]) -> tuple[str, ...]:
        return _needs(self.space, tuple(facets), self.switches)

    @cached_property
    def _parted(self) -> tuple[list[Group], list[Group]]:
        """Groups that no motion touches, and the others."""
        facets = self.space.network.facets
        moves = [any(facets[facet].axes for facet in group.facets) for group in self.groups]
        still = [group for group, moving in zip(self.groups, moves, strict=True) if not moving]
        return still, [group for group, moving in zip(self.groups, moves, strict=True) if moving]

    @cached_property
    def seen(self) -> Seen:
        """Rows that differ in nothing that matters for a group that moves, or for what was left out, are one."""
        spoken = (*self._parted[1], *itertools.chain(*self.silent.usual))
        names = self._needs([*self.more, *(facet for group in spoken for facet in group.facets)])
        return distinct(self.space, tuple(sorted(names)), self.switches, self.snapshot.manoeuvre)

    def _own(self, group: Group, moving: bool) -> Seen:
        names = self._needs(group.facets)
        if not moving:
            return distinct(self.space, names, self.switches)
        state = self.seen.state
        return _tell_apart(self.space.network, state, names, len(next(iter(state.values()))))

    @cached_property
    def _plain(self) -> tuple[Array, Array]:
        """Chance of all that is not odd: of what no motion touches (row,), and of the rest (state, motion)."""
        network, still = self.space.network, np.ones(self.space.count)
        likelihood = motion_chance(network, self.motions, self.seen.state)
        for moving, groups in enumerate(self._parted):
            for group in groups:
                if group.facets in self.odd:
                    continue
                own = self._own(group, bool(moving))
                chance = group_likelihood(network, group, own.state, self.motions)
                if moving:
                    likelihood *= chance[own.of_row]
                else:
                    still *= chance[own.of_row, 0]
        return still, likelihood

    @cached_property
    def _odd_parts(self) -> list[tuple[bool, Seen, Array, Shares]]:
        """Of each odd group whether a motion touches it, its states, its chance and the share of each explanation."""
        found = []
        for moving, groups in enumerate(self._parted):
            for group in groups:
                if group.facets in self.odd:
                    own = self._own(group, bool(moving))
                    given = (self.space.network, group, own.state)
                    shares = explained(*given, self.switches, self.motions, self.snapshot.manoeuvre)
                    found.append((bool(moving), own, group_likelihood(*given, self.motions), shares))
        return found

    @cached_property
    def _none_odd(self) -> list[Array]:
        """P(the failures of the row make nothing odd on it) of each dial that was left out; (state, motion)."""
        network, found = self.space.network, []
        surprised = surprising(self.motions, network.combination(self.seen.state))
        for groups in self.silent.usual:
            usual = np.ones_like(self._plain[1])
            for group in groups:
                own = self._own(group, True)
                here, healthy = (
                    group_likelihood(network, group, states, self.motions)
                    for states in (own.state, sound_states(network, own.state, self.switches))
                )
                by_failures = 1.0 - np.maximum(healthy - here, 0.0)
                usual *= np.where(surprised, here[own.of_row], by_failures[own.of_row])
            found.append(usual)
        return found

    def up_to(self, most: int, also: float | None) -> Emission:
        """Count of what is odd what explanations up to ``most`` make of it, and with ``also`` what silence says."""
        still, likelihood = (part.copy() for part in self._plain)
        if most != FAILURE:
            places = self.space.network.combination(self.seen.state)
            counts = straying_counts(self.motions, places, most)
        for moving, own, whole, shares in self._odd_parts:
            steady = shares.misread + (shares.benign if most == BENIGN else 0.0)
            if not moving:
                still *= (whole if most == FAILURE else steady)[own.of_row, 0]
            elif most == FAILURE:
                likelihood *= whole[own.of_row]
            else:
                likelihood *= steady[own.of_row] + shares.strayed[own.of_row] * counts
        if self.silent.usual and also is not None:
            likelihood *= self.silent.chance(self._none_odd, also)
        return Emission(motions=self.motions, seen=self.seen, likelihood=likelihood, still=still)


def motion_chance(network: Network, motions: Motions, state: Mapping[str, Index]) -> Array:
    """P(motion | air and pilot of each row); shape (row, motion)."""
    return np.asarray(motions.chance[network.combination(state)])
