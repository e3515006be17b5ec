"""The statements of a case: what a snapshot says, a case with fewer of them, the smallest set that cannot be.

Readings of one facet, unsure readings and "these two disagree" become factors over the states that
the facets depend on. Facets that a disagreement ties together form one factor, summed over the
readings that were not given.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from diagnose.knowledge.load import unknown_name
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.model.errors import CaseError, ImpossibleEvidence
from diagnose.model.units import Array
from diagnose.network.readings import reading_of, size_of
from diagnose.network.tables import Index, Motions, Network

#: snapshot (from 0), kind ("readings", "unsure", "disagree"), facet or place of the pair
Place = tuple[int, str, object]


def said(snapshot: SnapshotRecord) -> tuple[object, ...]:
    """What a snapshot says, whatever the order in which it was said."""
    return (
        snapshot.manoeuvre,
        *sorted(snapshot.readings.items()),
        *sorted(snapshot.unsure.items()),
        *snapshot.disagree,
    )


def replace_readings(snapshot: SnapshotRecord, **changes: object) -> SnapshotRecord:
    """Give the snapshot without its readings, or with others."""
    bare: dict[str, object] = {"readings": {}, "unsure": {}, "disagree": ()}
    return msgspec.structs.replace(snapshot, **(bare | changes))


def with_snapshots(case: CaseRecord, snapshots: tuple[SnapshotRecord, ...]) -> CaseRecord:
    """Give the case with other snapshots."""
    return msgspec.structs.replace(case, snapshot=snapshots)


def without_readings(case: CaseRecord) -> CaseRecord:
    """Give the case as it was flown, with nothing read."""
    return with_snapshots(case, tuple(replace_readings(snapshot) for snapshot in case.snapshot))


def _keep(case: CaseRecord, kept: Sequence[Place]) -> CaseRecord:
    snapshots = []
    for number, snapshot in enumerate(case.snapshot):
        names = {(kind, name) for n, kind, name in kept if n == number}
        snapshots.append(
            replace_readings(
                snapshot,
                readings={k: v for k, v in snapshot.readings.items() if ("readings", k) in names},
                unsure={k: v for k, v in snapshot.unsure.items() if ("unsure", k) in names},
                disagree=tuple(pair for i, pair in enumerate(snapshot.disagree) if ("disagree", i) in names),
            )
        )
    return with_snapshots(case, tuple(snapshots))


def _say(case: CaseRecord, statement: Place) -> str:
    number, kind, name = statement
    snapshot = case.snapshot[number]
    if kind == "disagree":
        first, second = snapshot.disagree[int(str(name))]
        text = f"{first} disagrees with {second}"
    elif kind == "unsure":
        reading, sure = snapshot.unsure[str(name)]
        text = f"{name} {'perhaps' if sure >= 0.5 else 'not'} {reading}"
    else:
        text = f"{name} {snapshot.readings[str(name)]}"
    return f"{text} (moment {number + 1}, {snapshot.manoeuvre})"


def smallest_conflict(case: CaseRecord, possible: Callable[[CaseRecord], bool]) -> ImpossibleEvidence:
    """Give the error that names a smallest set of statements that contradict each other.

    ``possible`` says whether some hidden state allows all that a case states.
    """
    statements: list[Place] = [
        (number, kind, name)
        for number, snapshot in enumerate(case.snapshot)
        for kind, names in (
            ("readings", snapshot.readings),
            ("unsure", snapshot.unsure),
            ("disagree", range(len(snapshot.disagree))),
        )
        for name in names
    ]
    smallest: Sequence[Place] = statements
    for statement in statements:
        fewer = [s for s in smallest if s != statement]
        if not possible(_keep(case, fewer)):
            smallest = fewer
    for size in range(1, len(smallest)):
        found = (s for s in itertools.combinations(statements, size) if not possible(_keep(case, s)))
        if (subset := next(found, None)) is not None:
            smallest = subset
            break
    texts = tuple(_say(case, statement) for statement in smallest)
    return ImpossibleEvidence(
        f"these cannot all be true: {'; '.join(texts)}",
        mend="correct or remove one of them, or say how sure you are",
        conflict=texts,
    )


# ------------------------------------------------------------------ factors


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
    """Give the two facets of two gauges that tell of one thing, and P(said to disagree | readings), shape (readings of the first, of the second).

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
    """Give the place of a reading; raises UnknownName with the nearest names, CaseError for a gauge that this panel lacks."""
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
    return (*sized, *(group_of(network, sorted(cluster), weights, ties) for cluster in clusters))


def _sized_group(network: Network, facet: str, said: str) -> Group | None:
    """The group of a facet of which a number was said; None for a reading."""
    known = network.facet(facet)
    size, table = size_of(known, said), network.facets[facet]
    if size is None or known.sizes is None or table.size_report is None:
        return None
    weights = np.zeros(len(table.size_report))
    weights[int(np.digitize(size, known.sizes.edges))] = 1.0
    return Group(facets=(facet,), weights=(weights,), sized=True)


def silent_group(network: Network, facet: str) -> Group:
    """Give the group of one facet of which nothing was said."""
    return group_of(network, [facet], {}, [])


def group_of(
    network: Network,
    facets: list[str],
    weights: Mapping[str, Array],
    ties: list[tuple[str, str, Array]],
) -> Group:
    """Give the factor of facets that are weighed together; without weights a facet is silent."""
    return Group(
        facets=tuple(facets),
        weights=tuple(weights.get(facet, np.ones(len(network.facets[facet].readings))) for facet in facets),
        ties=tuple((facets.index(a), facets.index(b), table) for a, b, table in ties if a in facets),
    )


# ------------------------------------------------------------------ likelihoods


def by_axes(network: Network, facet: str, state: Mapping[str, Index], *, sized: bool = False) -> Array:
    """Chances (row, values of the facet's axes, reading) of one facet for these rows; ``sized``: (…, bin)."""
    table = network.facets[facet]
    rows = len(next(iter(state.values())))
    place = np.zeros(rows, dtype=np.intp)
    for name, count in zip(table.parents, table.drawn.shape, strict=False):
        place *= count
        if name in state:  # what the panel does not have is as it should be
            place += state[name]
    return table.rows(place, sized=sized)


def place_on_axes(network: Network, facet: str, motions: Motions) -> Index:
    """Place of each motion among the values of the facet's axes; (motion,), or (1,) without axes."""
    table = network.facets[facet]
    place = np.zeros(motions.chance.shape[1] if table.axes else 1, dtype=np.intp)
    for axis in table.axes:
        place = place * len(network.states[axis]) + motions.values[axis]
    return place


def facet_chance(network: Network, facet: str, state: Mapping[str, Index], motions: Motions) -> Array:
    """Chances (row, motion or 1, reading) of one facet for these rows."""
    return by_axes(network, facet, state).take(place_on_axes(network, facet, motions), axis=1)


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
        said = by_axes(network, group.facets[0], state, sized=group.sized) @ group.weights[0]
        return np.asarray(said.take(place_on_axes(network, group.facets[0], motions), axis=1))
    chances = [facet_chance(network, facet, state, motions) for facet in group.facets]
    if len(chances) == 1:
        silent = bool((group.weights[0] == 1.0).all())
        return chances[0] if silent else chances[0] * group.weights[0]
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
