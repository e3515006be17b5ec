"""From a snapshot's readings to their likelihood for every hidden row and motion.

Readings of one facet, unsure readings and "these two disagree" become factors over the states that
the facets depend on. Facets that a disagreement ties together form one factor, summed over the
readings that were not given.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from diagnose.errors import CaseError
from diagnose.hidden import ANY_VERTICAL, COLUMNS, HiddenSpace, number_codes
from diagnose.knowledge import unknown_name
from diagnose.model import SnapshotRecord
from diagnose.network import Index, Motions, Network
from diagnose.readings import reading_of, size_of
from diagnose.units import Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Facets whose readings are weighed together.

    ``weights``: for each facet the likelihood of each of its readings (ones if silent). ``sized``: of one facet
    alone, of the bins of its sizes.
    ``ties``: (place of facet, place of facet, chance of the statement for each pair of readings).
    """

    facets: tuple[str, ...]
    weights: tuple[Array, ...]
    sized: bool = False
    ties: tuple[tuple[int, int, Array], ...] = ()


def agreement(network: Network, first: str, second: str) -> tuple[str, str, Array]:
    """Give the two facets of two gauges that tell of one thing, and P(said to disagree | readings).

    Raises CaseError when the knowledge base does not compare the two.
    """
    for opposition in network.kb.oppositions.values():
        a, b = opposition.facets
        if {a.split(".")[0], b.split(".")[0]} == {first, second} and {a, b} <= set(network.facets):
            readings_a, readings_b = network.facets[a].readings, network.facets[b].readings
            table = np.full((len(readings_a), len(readings_b)), 1.0 - opposition.misreport)
            for one, other in opposition.agree:
                table[readings_a.index(one), readings_b.index(other)] = opposition.misreport
            return a, b, table
    known = [
        " and ".join(facet.split(".")[0] for facet in opposition.facets)
        for opposition in network.kb.oppositions.values()
        if set(opposition.facets) <= set(network.facets)
    ]
    raise CaseError(
        f"{first} and {second} do not tell of one thing, or one is not on this panel",
        mend=f"compare one of: {'; '.join(known)}",
    )


def reading_index(network: Network, facet: str, reading: str) -> int:
    """Give the place of a reading; raises UnknownName with the nearest names."""
    if facet not in network.facets:
        gauge = facet.split(".")[0]
        if gauge in network.kb.gauges and gauge not in network.panel.gauges:
            raise CaseError(
                f"the panel {network.panel.id} has no {network.kb.gauges[gauge].name}",
                mend="leave the reading out or choose the panel that has the gauge",
            )
        raise unknown_name("gauge or facet", facet, network.facets)
    readings = network.facets[facet].readings
    reading = reading_of(network.facet(facet), reading)
    if reading not in readings:
        raise unknown_name(f"reading of {facet}", reading, readings)
    return readings.index(reading)


def groups_of(network: Network, snapshot: SnapshotRecord) -> tuple[Group, ...]:
    """Give the factors of a snapshot. Raises CaseError and UnknownName for what makes no sense."""
    weights: dict[str, Array] = {}
    tied = {facet for pair in snapshot.disagree for facet in agreement(network, *pair)[:2]}
    sized: list[Group] = []
    for facet, reading in snapshot.readings.items():
        if facet in network.facets and facet not in tied and (group := _sized_group(network, facet, reading)):
            sized.append(group)
            continue
        place = reading_index(network, facet, reading)
        weights[facet] = np.eye(len(network.facets[facet].readings))[place]
    for facet, (reading, sure) in snapshot.unsure.items():
        place = reading_index(network, facet, reading)
        if facet in weights:
            raise CaseError(f"{facet} is given both as sure and as unsure", mend="keep one of them")
        if not 0.0 <= sure <= 1.0:
            raise CaseError(f"{facet}: how sure is {sure}, not between 0 and 1")
        count = len(network.facets[facet].readings)
        weights[facet] = np.full(count, (1.0 - sure) / max(count - 1, 1))
        weights[facet][place] = sure
    ties: list[tuple[str, str, Array]] = [
        agreement(network, first, second) for first, second in snapshot.disagree
    ]
    clusters: list[set[str]] = [{facet} for facet in weights]
    for first, second, _ in ties:
        joined = {first, second}
        rest = []
        for cluster in clusters:
            if cluster & joined:
                joined |= cluster
            else:
                rest.append(cluster)
        clusters = [*rest, joined]
    return (*sized, *(_group(network, sorted(cluster), weights, ties) for cluster in clusters))


def _sized_group(network: Network, facet: str, said: str) -> Group | None:
    """The group of a facet of which a number was said; None for a reading."""
    known = network.facet(facet)
    size, table = size_of(known, said), network.facets[facet]
    if size is None or known.sizes is None or table.sizes is None:
        return None
    weights = np.zeros(table.sizes.shape[-1])
    weights[int(np.digitize(size, known.sizes.edges))] = 1.0
    return Group(facets=(facet,), weights=(weights,), sized=True)


def silent_group(network: Network, facet: str) -> Group:
    """Give the group of one facet of which nothing was said."""
    return _group(network, [facet], {}, [])


def _group(
    network: Network,
    facets: list[str],
    weights: Mapping[str, Array],
    ties: list[tuple[str, str, Array]],
) -> Group:
    return Group(
        facets=tuple(facets),
        weights=tuple(weights.get(facet, np.ones(len(network.facets[facet].readings))) for facet in facets),
        ties=tuple((facets.index(a), facets.index(b), table) for a, b, table in ties if a in facets),
    )


# ------------------------------------------------------------------ likelihoods


def _by_axes(network: Network, facet: str, state: Mapping[str, Index], *, sized: bool = False) -> Array:
    """Chances (row, values of the facet's axes, reading) of one facet for these rows; ``sized``: (…, bin)."""
    table = network.facets[facet]
    chances = table.sizes if sized and table.sizes is not None else table.chance
    rows = len(next(iter(state.values())))
    place = np.zeros(rows, dtype=np.intp)
    for name, count in zip(table.parents, table.chance.shape, strict=False):
        place *= count
        if name in state:  # what the panel does not have is as it should be
            place += state[name]
    parents = math.prod(chances.shape[: len(table.parents)])
    return chances.reshape(parents, -1, chances.shape[-1]).take(place, axis=0)


def _place_on_axes(network: Network, facet: str, motions: Motions) -> Index:
    """Place of each motion among the values of the facet's axes; (motion,), or (1,) without axes."""
    table = network.facets[facet]
    place = np.zeros(motions.chance.shape[1] if table.axes else 1, dtype=np.intp)
    for axis in table.axes:
        place = place * len(network.states[axis]) + motions.values[axis]
    return place


def facet_chance(network: Network, facet: str, state: Mapping[str, Index], motions: Motions) -> Array:
    """Chances (row, motion or 1, reading) of one facet for these rows."""
    return _by_axes(network, facet, state).take(_place_on_axes(network, facet, motions), axis=1)


def group_likelihood(
    network: Network,
    group: Group,
    state: Mapping[str, Index],
    motions: Motions,
    opened: Sequence[str] = (),
) -> Array:
    """P(what was said | row, motion) of one group; shape (row, motion or 1).

    With ``opened``, facets of the group: P(what was said, their readings | row, motion), with an axis
    of readings for each of them, in their order.
    """
    if len(group.facets) == 1 and not opened:
        said = _by_axes(network, group.facets[0], state, sized=group.sized) @ group.weights[0]
        return np.asarray(said.take(_place_on_axes(network, group.facets[0], motions), axis=1))
    chances = [facet_chance(network, facet, state, motions) for facet in group.facets]
    if len(chances) == 1:
        return chances[0] * group.weights[0]
    letters = "abcdefgh"
    motion = max(chance.shape[1] for chance in chances)
    spread = [np.broadcast_to(c, (c.shape[0], motion, c.shape[2])) for c in chances]
    operands: list[Array] = []
    terms: list[str] = []
    for place, (chance, weight) in enumerate(zip(spread, group.weights, strict=True)):
        operands.append(chance * weight)
        terms.append(f"xy{letters[place]}")
    for a, b, table in group.ties:
        operands.append(table)
        terms.append(letters[a] + letters[b])
    kept = "".join(letters[group.facets.index(facet)] for facet in opened)
    return np.asarray(np.einsum(f"{','.join(terms)}->xy{kept}", *operands, optimize=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Distinct combinations of states among rows: ``of_row`` (row,), ``state`` name -> (distinct,)."""

    of_row: Index
    state: Mapping[str, Index]


def _tell_apart(network: Network, states: Mapping[str, Index], names: Sequence[str], rows: int) -> Seen:
    """Give the distinct combinations of the named states."""
    columns = [(states[name], len(network.states[name])) for name in names]
    of_row, first = number_codes(columns, rows)
    kept = names or list(states)[:1]  # one name at least tells how many combinations there are
    return Seen(of_row=of_row, state={name: states[name][first] for name in kept})


def distinct(space: HiddenSpace, names: Sequence[str], switches: Mapping[str, str]) -> Seen:
    """Give the distinct combinations of the named states over all rows."""
    found: Seen = space.remembered(
        "distinct",
        (*names, *sorted(switches.items())),
        lambda: _tell_apart(space.network, space.conditions(switches), names, space.count),
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


def emission(space: HiddenSpace, snapshot: SnapshotRecord, switches: Mapping[str, str]) -> Emission:
    """Weigh a snapshot's statements for every row. Raises CaseError and UnknownName."""
    return _weighed(space, snapshot, switches, groups_of(space.network, snapshot), ())


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
    own = next((g for g in groups if facet in g.facets), _group(network, [facet], {}, []))
    rest = tuple(group for group in groups if group is not own)
    weighed = _weighed(space, snapshot, switches, rest, own.facets)
    motions, state = weighed.motions, weighed.seen.state
    if len(own.facets) == 1:
        # motions that are alike for this facet are summed first
        chance = _by_axes(network, facet, state)
        place = np.broadcast_to(_place_on_axes(network, facet, motions), motions.chance.shape[1])
        likelihood = weighed.likelihood @ np.eye(chance.shape[1])[place]
    else:
        chance, likelihood = group_likelihood(network, own, state, motions, (facet,)), weighed.likelihood
    joint = (
        (likelihood[:, None] @ chance)[:, 0]
        if chance.shape[1] > 1
        else (likelihood.sum(axis=1)[:, None] * chance[:, 0])
    )
    return np.asarray(joint.T.take(weighed.seen.of_row, axis=1) * weighed.still)


def _weighed(
    space: HiddenSpace,
    snapshot: SnapshotRecord,
    switches: Mapping[str, str],
    groups: tuple[Group, ...],
    more: tuple[str, ...],
) -> Emission:
    """Weigh groups of facets; the rows that are told apart also differ in what ``more`` facets need."""
    network = space.network
    motions = network.motions(snapshot.manoeuvre)
    known = space.conditions(switches)

    def needs(facets: Sequence[str]) -> tuple[str, ...]:
        names = dict.fromkeys(name for facet in facets for name in network.facets[facet].parents)
        return tuple(name for name in names if name in known)

    still = np.ones(space.count)
    moving = []
    for group in groups:
        if any(network.facets[facet].axes for facet in group.facets):
            moving.append(group)
        else:
            own = distinct(space, needs(group.facets), switches)
            still *= group_likelihood(network, group, own.state, motions)[own.of_row, 0]
    told = needs([*more, *(facet for group in moving for facet in group.facets)])
    seen = distinct(space, tuple(sorted({*network.variation_parts, *told})), switches)
    likelihood = motion_chance(network, motions, seen.state)
    for group in moving:
        own = _tell_apart(network, seen.state, needs(group.facets), len(likelihood))
        likelihood *= group_likelihood(network, group, own.state, motions)[own.of_row]
    return Emission(motions=motions, seen=seen, likelihood=likelihood, still=still)


def motion_chance(network: Network, motions: Motions, state: Mapping[str, Index]) -> Array:
    """P(motion | air and pilot of each row); shape (row, motion)."""
    rows = len(next(iter(state.values())))
    combination = np.zeros(rows, dtype=np.intp)
    for part in network.variation_parts:
        combination = combination * len(network.states[part]) + state[part]
    return np.asarray(motions.chance[combination])
