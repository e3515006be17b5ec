"""From a snapshot's readings to their likelihood for every hidden row and motion.

Readings of one facet, unsure readings and "these two disagree" become factors over the states that
the facets depend on. Facets that a disagreement ties together form one factor, summed over the
readings that were not given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.errors import CaseError
from diagnose.hidden import HiddenSpace
from diagnose.knowledge import unknown_name
from diagnose.model import SnapshotRecord
from diagnose.network import Index, Motions, Network
from diagnose.units import Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Facets whose readings are weighed together.

    ``weights``: for each facet the likelihood of each of its readings (ones if silent).
    ``ties``: (place of facet, place of facet, chance of the statement for each pair of readings).
    """

    facets: tuple[str, ...]
    weights: tuple[Array, ...]
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
    if reading not in readings:
        raise unknown_name(f"reading of {facet}", reading, readings)
    return readings.index(reading)


def groups_of(network: Network, snapshot: SnapshotRecord) -> tuple[Group, ...]:
    """Give the factors of a snapshot. Raises CaseError and UnknownName for what makes no sense."""
    weights: dict[str, Array] = {}
    for facet, reading in snapshot.readings.items():
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
    return tuple(_group(network, sorted(cluster), weights, ties) for cluster in clusters)


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


def facet_chance(network: Network, facet: str, state: Mapping[str, Index], motions: Motions) -> Array:
    """Chances (row, motion or 1, reading) of one facet for these rows."""
    table = network.facets[facet]
    rows = len(next(iter(state.values())))
    parents = tuple(
        state[name][:, None] if name in state else np.zeros((rows, 1), dtype=np.intp)
        for name in table.parents
    )
    axes = tuple(motions.values[axis][None, :] for axis in table.axes)
    return np.asarray(table.chance[(*parents, *axes)]) if parents or axes else table.chance[None, None]


def group_likelihood(network: Network, group: Group, state: Mapping[str, Index], motions: Motions) -> Array:
    """P(what was said | row, motion) of one group; shape (row, motion or 1)."""
    chances = [facet_chance(network, facet, state, motions) for facet in group.facets]
    if len(chances) == 1:
        return np.asarray(chances[0] @ group.weights[0])
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
    return np.asarray(np.einsum(",".join(terms) + "->xy", *operands, optimize=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Distinct combinations of states among rows: ``of_row`` (row,), ``state`` name -> (distinct,)."""

    of_row: Index
    state: Mapping[str, Index]


def distinct(space: HiddenSpace, names: tuple[str, ...], switches: Mapping[str, str]) -> Seen:
    """Give the distinct combinations of the named states over all rows."""
    key = ("distinct", names, *sorted(switches.items()))
    if key not in space.cache:
        conditions = space.conditions(switches)
        code = np.zeros(space.count, dtype=np.int64)
        for name in names:
            code = code * len(space.network.states[name]) + conditions[name]
            code = np.unique(code, return_inverse=True)[1]
        _, first, of_row = np.unique(code, return_index=True, return_inverse=True)
        space.cache[key] = Seen(of_row=of_row, state={name: conditions[name][first] for name in conditions})
    return space.cache[key]


def emission(space: HiddenSpace, snapshot: SnapshotRecord, switches: Mapping[str, str]) -> Array:
    """P(what was said, vertical motion | row) of a snapshot; shape (row, vertical)."""
    network = space.network
    motions = network.motions(snapshot.manoeuvre)
    still: list[Group] = []
    moving: list[Group] = []
    for group in groups_of(network, snapshot):
        has_axes = any(network.facets[facet].axes for facet in group.facets)
        (moving if has_axes else still).append(group)
    names = [name for g in moving for f in g.facets for name in network.facets[f].parents]
    present = tuple(
        name
        for name in dict.fromkeys([*network.variation_parts, *names])
        if name in space.conditions(switches)
    )
    seen = distinct(space, present, switches)
    likelihood = motion_chance(network, motions, seen.state)
    for group in moving:
        parents = tuple(
            dict.fromkeys(name for f in group.facets for name in network.facets[f].parents if name in present)
        )
        of_seen, states = _narrow(network, seen, parents)
        likelihood = likelihood * group_likelihood(network, group, states, motions)[of_seen]
    by_vertical = np.stack([likelihood[:, motions.vertical == v].sum(axis=1) for v in range(3)], axis=1)
    result = by_vertical[seen.of_row]
    for group in still:
        parents = tuple(
            dict.fromkeys(
                name
                for f in group.facets
                for name in network.facets[f].parents
                if name in space.conditions(switches)
            )
        )
        own = distinct(space, parents, switches)
        result = result * group_likelihood(network, group, own.state, motions)[own.of_row]
    return np.asarray(result)


def _narrow(network: Network, seen: Seen, names: tuple[str, ...]) -> tuple[Index, Mapping[str, Index]]:
    """Distinct combinations of fewer names among those already distinct."""
    count = len(next(iter(seen.state.values())))
    code = np.zeros(count, dtype=np.int64)
    for name in names:
        code = code * len(network.states[name]) + seen.state[name]
        code = np.unique(code, return_inverse=True)[1]
    _, first, of_seen = np.unique(code, return_index=True, return_inverse=True)
    return of_seen, {name: index[first] for name, index in seen.state.items()}


def motion_chance(network: Network, motions: Motions, state: Mapping[str, Index]) -> Array:
    """P(motion | air and pilot of each row); shape (row, motion)."""
    rows = len(next(iter(state.values())))
    combination = np.zeros(rows, dtype=np.intp)
    for part in network.variation_parts:
        combination = combination * len(network.states[part]) + state[part]
    return np.asarray(motions.chance[combination])
