"""From a snapshot's readings to their likelihood for every hidden row and motion.

Readings of one facet, unsure readings and "these two disagree" become factors over the states that
the facets depend on. Facets that a disagreement ties together form one factor, summed over the
readings that were not given.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import numpy as np

from diagnose.knowledge.load import unknown_name
from diagnose.model import SnapshotRecord, System
from diagnose.model.errors import CaseError
from diagnose.model.units import Array
from diagnose.network.hidden import ANY_VERTICAL, COLUMNS, HiddenSpace, number_codes
from diagnose.network.readings import reading_of, size_of
from diagnose.network.statements import said
from diagnose.network.tables import Index, Motions, Network


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
    return (*sized, *(_group(network, sorted(cluster), weights, ties) for cluster in clusters))


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
    rows = len(next(iter(state.values())))
    place = np.zeros(rows, dtype=np.intp)
    for name, count in zip(table.parents, table.drawn.shape, strict=False):
        place *= count
        if name in state:  # what the panel does not have is as it should be
            place += state[name]
    return table.rows(place, sized=sized)


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


# ------------------------------------------------------------------ what explains an odd reading

#: explanations of odd readings, the strongest last: a misreading or straying by himself; the air, or what a
#: healthy gauge does now and then; a failure
MISREADING, BENIGN, FAILURE = range(3)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """P(what was said of a group | row, motion), by what explains it; each (row, motion or 1).

    ``misread``: told wrongly. ``benign``: healthy gauges in the motion that was meant, and in the same air, show it as
    well, as a known normal effect. ``strayed``: what the motion adds to that if it is another one. ``failed``: what the failures of the
    row add. So of three chances, sound in the meant motion, sound in this one and as the row is, each smaller
    one is a part of the larger.
    """

    misread: Array
    benign: Array
    strayed: Array
    failed: Array


def _sound(network: Network, state: Mapping[str, Index], switches: Mapping[str, str]) -> dict[str, Index]:
    """The states with all equipment sound: air and pilot as they are, switches as they stand."""
    healthy = network.sound(switches)
    kept = {name for name in network.parts if network.kb.parts[name].system in (System.AIR, System.PILOT)}
    return {
        # of facets that depend on nothing there is one row that has no name
        name: np.full_like(index, healthy[name][0]) if name in healthy and name not in kept else index
        for name, index in state.items()
    }


def explained(
    network: Network,
    group: Group,
    state: Mapping[str, Index],
    switches: Mapping[str, str],
    motions: Motions,
    manoeuvre: str,
) -> Shares:
    """Part the likelihood of a group by what explains it. A bare disagreement is a misreading or a failure.

    What a healthy gauge seldom shows in the motion that was meant is benign where it is a known effect, else no
    more than a slip of flying or of telling.
    """
    sound = _sound(network, state, switches)
    if len(group.facets) > 1 or group.ties:
        total = group_likelihood(network, group, state, motions)
        usual = np.minimum(total, group_likelihood(network, group, sound, motions))
        none = np.zeros_like(usual)
        return Shares(misread=usual, benign=none, strayed=none, failed=total - usual)
    facet = group.facets[0]
    # of a number that was said, what was told wrongly is not known apart
    truly = group.weights[0] if group.sized else network.facets[facet].truly(group.weights[0])
    here, usual = (_by_axes(network, facet, states, sized=group.sized) for states in (state, sound))
    shown = np.maximum(here @ truly, 0.0)
    sounds = np.minimum(shown, np.maximum(usual @ truly, 0.0))
    meant = 0
    for axis in network.facets[facet].axes:
        value = network.kb.manoeuvres[manoeuvre].expected[axis]
        meant = meant * len(network.states[axis]) + network.states[axis].index(value)
    benign = np.minimum(sounds, np.maximum(usual[:, meant] @ truly, 0.0)[:, None])
    misread = np.maximum(here @ group.weights[0] - shown, 0.0)  # differences round to below zero
    strayed, failed = sounds - benign, shown - sounds
    if group.sized or not _is_usual(network, facet, int(group.weights[0].argmax()), manoeuvre):
        misread, benign = misread + benign, np.zeros_like(benign)
    place = _place_on_axes(network, facet, motions)
    parts = (misread, benign, strayed, failed)
    misread, benign, strayed, failed = (np.asarray(part.take(place, axis=1)) for part in parts)
    return Shares(misread=misread, benign=benign, strayed=strayed, failed=failed)


def _is_usual(network: Network, facet: str, reading: int, manoeuvre: str) -> bool:
    """Whether this reading is a known normal effect of a healthy gauge in this maneuver, by no motion of its own."""
    said = network.facets[facet].readings[reading]
    return any(
        effect.when.get(facet) == said
        and (not effect.manoeuvres or manoeuvre in effect.manoeuvres)
        and not (effect.motion or effect.likely)
        for effect in network.kb.effects.values()
    )


def straying_counts(network: Network, state: Mapping[str, Index], strays: Index, most: int) -> Index:
    """Where what straying adds is an explanation up to ``most``; bool (row, motion).

    Straying by himself in what he says that he held is as good as a misreading; what the air does, a nose that
    he does not watch or a picture that is wrong is benign.
    """
    alone = network.flies_as_meant(state)
    return np.asarray((alone[:, None] & strays) | (most == BENIGN))


def odd_groups(
    space: HiddenSpace, snapshot: SnapshotRecord, switches: Mapping[str, str]
) -> dict[tuple[str, ...], float]:
    """Groups of facets of which something odd was said: facets -> chance of that with nothing failed.

    Chance in the usual motions of the maneuver, in ordinary air; of unsure readings against the surest one.
    """
    network = space.network
    motions = network.motions(snapshot.manoeuvre, space.strayed)
    state = network.sound(switches)
    found = {}
    for group in groups_of(network, snapshot):
        chance = group_likelihood(network, group, state, motions)[0]
        largest = math.prod(float(weights.max()) for weights in group.weights)
        usual = float((motions.chance[0] * chance).sum()) / max(largest, 1e-300)
        if usual < network.kb.limits.odd_below:
            found[group.facets] = usual
    return found


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
    space: HiddenSpace, snapshot: SnapshotRecord, switches: Mapping[str, str], most: int = FAILURE
) -> Emission:
    """Weigh a snapshot's statements for every row. Raises CaseError and UnknownName.

    ``most``: the strongest explanation that its odd readings may have.
    """
    odd = {} if most == FAILURE else odd_groups(space, snapshot, switches)
    return _weighed(space, snapshot, switches, groups_of(space.network, snapshot), (), most, odd)


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
    # many facets need the same parts and sources, and share what everything else says
    apart = own.facets if len(rest) < len(groups) else ()
    key = (said(snapshot), apart, _needs(space, own.facets, switches), tuple(sorted(switches.items())))
    weighed: Emission = space.remembered(
        "opened", key, lambda: _weighed(space, snapshot, switches, rest, own.facets)
    )
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
) -> Emission:
    """Weigh groups of facets; the rows that are told apart also differ in what ``more`` facets need.

    Of an ``odd`` group only what explanations up to ``most`` make of it counts.
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
    told = needs([*more, *(facet for group in moving for facet in group.facets)])
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
    return Emission(motions=motions, seen=seen, likelihood=likelihood, still=still)


def motion_chance(network: Network, motions: Motions, state: Mapping[str, Index]) -> Array:
    """P(motion | air and pilot of each row); shape (row, motion)."""
    return np.asarray(motions.chance[network.combination(state)])
