"""Why a case was told, and what was left out: what explains an odd reading, and what silence says of the other dials."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.model import SnapshotRecord, System
from diagnose.model.units import Array
from diagnose.network.hidden import HiddenSpace
from diagnose.network.odds import Odds
from diagnose.network.statements import (
    Group,
    by_axes,
    facet_chance,
    group_likelihood,
    groups_of,
    place_on_axes,
)
from diagnose.network.tables import Index, Motions, Network

#: chance for each snapshot that all that was odd was told (``Untold``); None: silence says nothing
Silence = tuple[float | None, ...]

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


def sound_states(
    network: Network, state: Mapping[str, Index], switches: Mapping[str, str]
) -> dict[str, Index]:
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
    sound = sound_states(network, state, switches)
    if len(group.facets) > 1 or group.ties:
        total = group_likelihood(network, group, state, motions)
        usual = np.minimum(total, group_likelihood(network, group, sound, motions))
        none = np.zeros_like(usual)
        return Shares(misread=usual, benign=none, strayed=none, failed=total - usual)
    facet = group.facets[0]
    # of a number that was said, what was told wrongly is not known apart
    truly = group.weights[0] if group.sized else network.facets[facet].truly(group.weights[0])
    here, usual = (by_axes(network, facet, states, sized=group.sized) for states in (state, sound))
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
    place = place_on_axes(network, facet, motions)
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


def straying_counts(motions: Motions, places: Index, most: int) -> Index:
    """Where what straying adds is an explanation up to ``most``, of rows with these combinations of air and pilot (row,);
    bool (row, motion).

    His own slip in what he says that he held is as good as a misreading; what the air does, or a nose that he does not
    watch, is benign. What he does not know of surprises him as a failure does.
    """
    felt = ~motions.unfelt & (most == BENIGN)
    return np.asarray((motions.slips | felt[:, None])[places])


def surprising(motions: Motions, places: Index) -> Index:
    """Where the pilot does not know of what moves the airplane, of rows with these combinations of air and pilot (row,);
    bool (row, motion).
    """
    return np.asarray((motions.unfelt[:, None] & ~motions.slips)[places])


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


def told_by_explanation(space: HiddenSpace, odds: Odds, rarest: float) -> list[tuple[int, Array]]:
    """Give what each of three passes counts, one for each strongest explanation of the odd readings.

    With F(c) = P(row, readings, no odd reading has a stronger explanation than c), t(c) the chance to tell
    with that explanation and k = ``rarest`` ** ``odd_fades`` the share in which what is odd has not been
    told yet, P(row, readings, told) is (1 - k) sum over c of t(c) (F(c) - F(c - 1)) + k t(failure) F(failure)
    u(row), u = 1 where something noticeable is there and 1 / weight elsewhere. All is given in units of
    t(failure) / weight, so that with k = 1 the weights of the setting are left. Pairs of c and its
    coefficient, (row,).
    """
    weights = odds.weights(space.members)[space.row_set]
    told = odds.told
    if told is None or rarest >= 1.0:
        return [(FAILURE, weights)]
    unsaid = rarest**space.network.kb.limits.odd_fades
    misreading = told.misreading / told.failure
    unspoken = np.asarray(space.members[:, sorted(odds.unsaid)].any(axis=1))[space.row_set]
    benign = np.where(unspoken, misreading, told.benign / told.failure)
    scale = (1.0 - unsaid) * odds.weight
    return [
        (FAILURE, scale + unsaid * weights),
        (BENIGN, -scale * (1.0 - benign)),
        (MISREADING, -scale * (benign - misreading)),
    ]


# ------------------------------------------------------------------ what silence says


def pilots_of(odds: Odds, odd: Sequence[bool]) -> list[tuple[float, Silence]]:
    """Give what silence says of each snapshot (``also`` of ``Untold``, None: nothing), by the pilot, with his chance.

    ``odd``: whether something odd was said of the snapshot. The thorough pilot tells of all that is odd wherever he
    tells of something odd; the other chooses once. Where that is in one snapshot alone, one pass with both mixed
    there is the same.
    """
    quiet: Silence = (None,) * len(odd)
    if odds.told is None or not odds.told.also or True not in odd:
        return [(1.0, quiet)]
    also, first = odds.told.also, odd.index(True)
    if sum(odd) == 1:
        return [(1.0, tuple(also if found else None for found in odd))]
    chooses: Silence = tuple(0.0 if number == first else None for number in range(len(odd)))
    return [(1.0 - also, chooses), (also, tuple(1.0 if found else None for found in odd))]


def sources_behind(network: Network) -> dict[str, frozenset[str]]:
    """Give all sources that each gauge depends on, through memories and the rules of other sources."""

    def behind(name: str) -> frozenset[str]:
        if name in network.memories:
            return behind(network.memories[name].memory.driver)
        if name not in network.sources:
            return frozenset()
        asked = {n for rule in network.rules[name] for n in rule.when if n not in network.memories}
        return frozenset({name}.union(*map(behind, sorted(asked))))

    found: dict[str, frozenset[str]] = dict.fromkeys(network.panel.gauges, frozenset())
    for facet, table in network.facets.items():
        found[facet.split(".")[0]] |= frozenset().union(*map(behind, table.parents))
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Untold:
    """What would have been noticed and told as well, had it been odd.

    Who tells of something odd has looked at the other flight instruments (``limits.scanned``) that depend on the same
    sources. With the chance ``also`` (of ``chance``) he is thorough and tells of all that is odd on them; else he names some of the
    odd dials and leaves the others out, any as soon as another. So that he told of ``named`` dials and said nothing of
    the others, K of which are odd, has the chance ``also`` * [K = 0] + (1 - ``also``) / C(``named`` + K, ``named``),
    with P(K | row, motion) from the tables. He is one pilot: thorough wherever he tells of something odd, or nowhere,
    and then he chooses once, in the first snapshot of which something odd was told (``pilots_of``).
    ``usual``: for each silent dial its facets, each with those of its readings that are not odd. What a healthy dial
    shows in the motion of the row is no oddity of its own: a draft or a turn is told once, by whichever dial. So only
    what the failures of the row make odd counts, and of a motion that he does not know of (``surprising``) all that is.
    """

    usual: tuple[tuple[Group, ...], ...] = ()
    named: int = 1

    def chance(self, none_odd: Sequence[Array], also: float) -> Array:
        """P(what was left out | row, motion), from P(nothing is odd on it) of each silent dial.

        1 / C(m + K, m) is the integral of m (1 - x)^(m - 1) x^K over 0..1, and the mean of x^K over K the product of
        q + (1 - q) x over the dials: a polynomial, which Gauss's rule sums exactly.
        """
        thorough = np.prod(none_odd, axis=0)
        if also >= 1.0:
            return np.asarray(thorough)
        degree = self.named - 1 + len(none_odd)
        nodes, weights = np.polynomial.legendre.leggauss(degree // 2 + 1)
        chooses = np.zeros_like(thorough)
        for x, weight in zip((nodes + 1.0) / 2.0, weights / 2.0, strict=True):
            each = [q + (1.0 - q) * x for q in none_odd]
            chooses += weight * self.named * (1.0 - x) ** (self.named - 1) * np.prod(each, axis=0)
        return np.asarray(also * thorough + (1.0 - also) * chooses)


NOTHING_UNTOLD = Untold()


def untold(
    space: HiddenSpace,
    snapshot: SnapshotRecord,
    switches: Mapping[str, str],
    told: Collection[str],
) -> Untold:
    """Give what silence says of this snapshot; ``told``: facets of which something odd was said."""
    network = space.network
    spoken = {facet.split(".")[0] for facet in (*snapshot.readings, *snapshot.unsure)}
    spoken |= {gauge for pair in snapshot.disagree for gauge in pair}
    behind: Mapping[str, frozenset[str]] = space.remembered(
        "sources behind", "", lambda: sources_behind(network)
    )
    scanned = network.kb.limits.scanned
    named = {facet.split(".")[0] for facet in told}
    shared = frozenset().union(*(behind[gauge] for gauge in named))
    silent = [g for g in scanned if g in behind and g not in spoken and behind[g] & shared]
    motions, state = network.motions(snapshot.manoeuvre, space.strayed), network.sound(switches)
    usual: dict[str, list[Group]] = {}
    for facet in network.dials:
        if (gauge := facet.split(".")[0]) in silent:
            shown = facet_chance(network, facet, state, motions)[0]
            chance = motions.chance[0] @ np.broadcast_to(shown, (motions.chance.shape[1], shown.shape[1]))
            weights = (chance >= network.kb.limits.odd_below).astype(np.float64)
            usual.setdefault(gauge, []).append(Group(facets=(facet,), weights=(weights,)))
    return Untold(usual=tuple(map(tuple, usual.values())), named=len(named))
