"""What the gauges show for each failure, manoeuvre by manoeuvre, and what tells failures apart.

All of it comes from the network's own tables (as ``Engine.predict``), for a failure that has been there
for some time. An intermittent failure is shown while it acts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from diagnose.evidence import facet_chance, motion_chance
from diagnose.hidden import HiddenSpace
from diagnose.inference import Engine
from diagnose.knowledge import unknown_name
from diagnose.model import CaseRecord, MemoryKind, SnapshotRecord
from diagnose.network import Network
from diagnose.units import Array

#: stands for a sound aircraft among the ids of failures
SOUND = ""
#: minutes since engine start at the look, as a case file has it when it does not say
SINCE_START_MIN = 30.0
#: minutes that a switch has been in its new position at the look: a heater needs about one to melt ice
AFTER_SWITCHING_MIN = 4.0
#: a facet shows a failure when its readings differ by this share (total variation) from a sound aircraft's
SHOWS = 0.3
#: a second reading is named if it has at least this chance
WORTH_NAMING = 0.25
#: what shows alike in this share of the manoeuvres in which a failure shows is told once for all of them
MOSTLY = 0.6
#: a look parts two failures when it names the right one this often, at even odds
PARTS = 0.6
#: at this chance of naming the right one of two, the two no longer look alike
TOLD_APART = 0.9
#: a tell-tale on a gauge further down the panel must say this much more
CLEARLY_MORE = 1.1
#: manoeuvres in which switches are tried
SWITCHED_IN = ("level", "climb", "descent")


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """When a look is taken: manoeuvre, switches away from their usual position, memories fixed."""

    manoeuvre: str
    switches: Mapping[str, str] = field(default_factory=dict)
    memories: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """What every facet shows for several failures in one condition.

    ``names``: ids in order, ``SOUND`` for a sound aircraft. ``facets``: facet -> chances of its
    readings, shape (name, reading).
    """

    condition: Condition
    names: tuple[str, ...]
    facets: Mapping[str, Array]


@dataclass(frozen=True)
class Album:
    """Draws the pictures of some failures of a panel, with a sound aircraft as the first."""

    engine: Engine
    names: tuple[str, ...]
    space: HiddenSpace

    @classmethod
    def of(cls, engine: Engine, failures: Iterable[str] = ()) -> Album:
        """Take these failures, or all of the panel. Raises UnknownName for one that it cannot have."""
        network = engine.network
        ids = [failure.id for failure in network.failures]
        chosen = tuple(failures) or tuple(ids)
        for name in chosen:
            if name not in ids:
                raise unknown_name(f"failure on the panel {network.panel.id}", name, ids)
        sets = ((), *((ids.index(name),) for name in chosen))
        return cls(engine, (SOUND, *chosen), HiddenSpace(network, sets))

    @property
    def network(self) -> Network:
        """The panel's network."""
        return self.engine.network

    def pictures(self, condition: Condition) -> Pictures:
        """Give what every facet shows in one condition."""
        network, space = self.network, self.space
        snapshot = SnapshotRecord(
            manoeuvre=condition.manoeuvre,
            switches=dict(condition.switches),
            minutes_before=AFTER_SWITCHING_MIN if condition.switches else 0.0,
        )
        case = CaseRecord(title="", panel=network.panel.id, snapshot=(snapshot,))
        (step,) = self.engine.steps(case)
        state = space.conditions(step.switches)
        weight = self._of_set(space.first(step, SINCE_START_MIN), state, condition)
        motions = network.motions(condition.manoeuvre)
        moving = motion_chance(network, motions, state)
        facets = {}
        for facet in network.facets:
            chance = facet_chance(network, facet, state, motions)
            spread = np.broadcast_to(chance, (*moving.shape, chance.shape[-1]))
            facets[facet] = weight @ np.einsum("rm,rmk->rk", moving, spread)
        return Pictures(condition=condition, names=self.names, facets=facets)

    def _of_set(self, chance: Array, state: Mapping[str, np.ndarray], condition: Condition) -> Array:
        """P(row | failure, it acts, memories as fixed); shape (name, row)."""
        space, network = self.space, self.network
        kept = np.ones(space.count, dtype=bool)
        for place, name in enumerate(self.names):
            if name == SOUND or network.kb.failures[name].acting == 1.0:
                continue
            for part, shown in network.kb.failures[name].acts.items():
                acts = state[part] == network.states[part].index(shown)
                kept &= acts | (space.row_set != place)
        for memory, value in condition.memories.items():
            fits = state[memory] == network.states[memory].index(value)
            runs = space.running(memory, state)
            # a memory that this failure does not stir has nothing to be fixed
            kept &= fits | ~runs
        of_set = np.arange(len(self.names))[:, None] == space.row_set[None, :]
        weight = np.where(of_set & kept, chance, 0.0)
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))

    def stirred_heights(self, name: str) -> tuple[tuple[str, str], ...]:
        """Give (memory, state) for the states that a trapped pressure can be in with this failure.

        Only states that differ from where the memory starts.
        """
        network, space = self.network, self.space
        state = space.conditions(network.switch_positions({}))
        rows = space.row_set == self.names.index(name)
        found = []
        for memory, tables in network.memories.items():
            if tables.memory.kind is MemoryKind.HEIGHT and (space.running(memory, state) & rows).any():
                found += [(memory, s) for s in tables.memory.states if s != tables.memory.start]
        return tuple(found)


def conditions_of(network: Network) -> tuple[Condition, ...]:
    """Give every manoeuvre with the switches as usual, and a few with each switch in another position."""
    plain = [Condition(manoeuvre=name) for name in network.kb.manoeuvres]
    switched = [
        Condition(manoeuvre=name, switches={switch: position})
        for switch in network.panel.switches
        for position in network.kb.switches[switch].positions[1:]
        for name in SWITCHED_IN
        if name in network.kb.manoeuvres
    ]
    return (*plain, *switched)


# ------------------------------------------------------------------ one failure


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What a facet shows: readings worth naming with their chances, the likeliest first."""

    facet: str
    readings: tuple[tuple[str, float], ...]

    @property
    def named(self) -> frozenset[str]:
        """The readings without their chances."""
        return frozenset(reading for reading, _ in self.readings)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """A facet that a failure changes: what it shows, and what a sound aircraft would show."""

    shows: Shown
    usual: Shown


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Conditions in which a failure shows the same, and what it changes there (nothing: looks sound)."""

    conditions: tuple[Condition, ...]
    changed: tuple[Difference, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TellTale:
    """The reading that singles a failure out most: its chance with it, and on average with the others."""

    facet: str
    reading: str
    manoeuvres: tuple[str, ...]
    chance: float
    others: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Parting:
    """A look that parts failures, with the conditions in which it shows the same.

    ``told``: how often it names the right one if these were the only ones and even. ``shows``: what
    it shows for each, in their order.
    """

    facet: str
    conditions: tuple[Condition, ...]
    told: float
    shows: tuple[Shown, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class LookAlike:
    """Another failure that looks like this one, where it does, and the look that parts them best.

    ``parting`` is None if no single look on this panel parts them.
    """

    failure: str
    manoeuvres: tuple[str, ...]
    parting: Parting | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """A failure's page: what it changes, by manoeuvre, and who looks like it.

    ``mostly``: what it shows alike in most manoeuvres in which it shows at all; ``pictures``: what it
    shows beside that in some; ``silent``: manoeuvres in which it shows nothing; ``trapped``: in level
    flight once the memory of a trapped pressure is in another state than its first; ``switched``: what
    moving a switch changes, the reading before it standing as the usual one.
    """

    failure: str
    mostly: Picture
    pictures: tuple[Picture, ...]
    silent: tuple[str, ...]
    trapped: tuple[Picture, ...]
    switched: tuple[Picture, ...]
    tell_tale: TellTale | None
    look_alikes: tuple[LookAlike, ...]


def shown(network: Network, facet: str, chances: Array) -> Shown:
    """Name the likeliest reading of a facet, and others that are worth it."""
    readings = network.facets[facet].readings
    order = np.argsort(-chances, kind="stable")
    named = [i for place, i in enumerate(order) if place == 0 or chances[i] >= WORTH_NAMING]
    return Shown(facet=facet, readings=tuple((readings[i], float(chances[i])) for i in named))


def _distance(one: Array, other: Array) -> float:
    """Total variation between two distributions, 0 (the same) to 1."""
    return 0.5 * float(np.abs(one - other).sum())


def changed(network: Network, pictures: Pictures, name: str) -> tuple[Difference, ...]:
    """Give the facets that a failure changes in a condition, the most changed first."""
    place = pictures.names.index(name)
    found = []
    for facet, chances in pictures.facets.items():
        distance = _distance(chances[place], chances[0])
        if distance >= SHOWS:
            shows, usual = (shown(network, facet, chances[row]) for row in (place, 0))
            found.append((distance, Difference(shows=shows, usual=usual)))
    order = sorted(range(len(found)), key=lambda i: -round(found[i][0], 1))
    return tuple(found[i][1] for i in order)


def _key(differences: Iterable[Difference]) -> frozenset[tuple[str, frozenset[str], frozenset[str]]]:
    """What makes two pictures look the same to a reader."""
    return frozenset((d.shows.facet, d.shows.named, d.usual.named) for d in differences)


def _mostly(found: Sequence[tuple[Condition, tuple[Difference, ...]]]) -> Picture:
    """What shows alike in most of the conditions in which anything shows."""
    alike: dict[tuple[str, frozenset[str]], list[Difference]] = {}
    for _, differences in found:
        for difference in differences:
            alike.setdefault((difference.shows.facet, difference.shows.named), []).append(difference)
    common = []
    for differences in alike.values():
        if len(differences) >= MOSTLY * len(found):
            usual: dict[str, float] = {}
            for difference in differences:
                for reading, chance in difference.usual.readings:
                    usual[reading] = max(chance, usual.get(reading, 0.0))
            first = differences[0]
            listed = tuple((r, p) for r, p in usual.items() if r not in first.shows.named)
            common.append(
                Difference(
                    shows=first.shows, usual=Shown(facet=first.shows.facet, readings=listed or first.usual.readings)
                )
            )
    return Picture(conditions=tuple(condition for condition, _ in found), changed=tuple(common))


def _beside(differences: Iterable[Difference], mostly: Picture) -> tuple[Difference, ...]:
    """The differences that are not among those that show mostly."""
    told = {(d.shows.facet, d.shows.named) for d in mostly.changed}
    return tuple(d for d in differences if (d.shows.facet, d.shows.named) not in told)


def _grouped(found: Iterable[tuple[Condition, tuple[Difference, ...]]]) -> tuple[Picture, ...]:
    """Join conditions with the same picture, in the order in which they come."""
    groups: dict[object, list[tuple[Condition, tuple[Difference, ...]]]] = {}
    for condition, differences in found:
        groups.setdefault(_key(differences), []).append((condition, differences))
    return tuple(
        Picture(conditions=tuple(c for c, _ in group), changed=group[0][1]) for group in groups.values()
    )


def signature(engine: Engine, failure: str, most_alike: int = 4) -> Signature:
    """Give a failure's page on the engine's panel. Raises UnknownName if the panel cannot have it."""
    network = engine.network
    album = Album.of(engine)
    if failure not in album.names:
        raise unknown_name(f"failure on the panel {network.panel.id}", failure, album.names[1:])
    drawn = [album.pictures(condition) for condition in conditions_of(network)]
    plain = [pictures for pictures in drawn if not pictures.condition.switches]
    found = [(pictures.condition, changed(network, pictures, failure)) for pictures in plain]
    showing = [(condition, differences) for condition, differences in found if differences]
    mostly = _mostly(showing)
    beside = [(condition, _beside(differences, mostly)) for condition, differences in showing]
    trapped = [
        (pictures.condition, changed(network, pictures, failure))
        for memory, state in album.stirred_heights(failure)
        for pictures in [album.pictures(Condition(manoeuvre="level", memories={memory: state}))]
    ]
    return Signature(
        failure=failure,
        mostly=mostly,
        pictures=_grouped((c, d) for c, d in beside if d),
        silent=tuple(c.manoeuvre for c, d in found if not d),
        trapped=_grouped(trapped),
        switched=_switched(network, drawn, failure),
        tell_tale=_tell_tale(network, plain, failure),
        look_alikes=_look_alikes(network, drawn, failure, most_alike),
    )


def _switched(network: Network, drawn: Sequence[Pictures], failure: str) -> tuple[Picture, ...]:
    """What moving a switch changes with the failure there, where it changes anything else than usual."""
    usual = {p.condition.manoeuvre: p for p in drawn if not p.condition.switches}
    found = []
    for pictures in drawn:
        if not pictures.condition.switches:
            continue
        before = usual[pictures.condition.manoeuvre]
        place = pictures.names.index(failure)
        differences = []
        for facet, chances in pictures.facets.items():
            moved = _distance(chances[place], before.facets[facet][place])
            if moved >= SHOWS and moved - _distance(chances[0], before.facets[facet][0]) >= SHOWS:
                shows = shown(network, facet, chances[place])
                differences.append(
                    Difference(shows=shows, usual=shown(network, facet, before.facets[facet][place]))
                )
        if differences:
            found.append((pictures.condition, tuple(differences)))
    return _grouped(found)


def _tell_tale(network: Network, plain: Sequence[Pictures], failure: str) -> TellTale | None:
    """The reading that singles the failure out most among all of the panel, a sound aircraft included.

    By its share of the relative entropy against an even mixture of all the others.
    """
    best: tuple[float, str, str, float, float] | None = None
    also: dict[tuple[str, str], list[tuple[str, float]]] = {}
    for pictures in plain:
        place = pictures.names.index(failure)
        for facet, chances in pictures.facets.items():
            others = np.delete(chances, place, axis=0).mean(axis=0)
            score = chances[place] * np.log(chances[place] / others)
            k = int(score.argmax())
            reading = network.facets[facet].readings[k]
            also.setdefault((facet, reading), []).append((pictures.condition.manoeuvre, float(score[k])))
            # the first gauges of the panel are the ones that are looked at: another must say clearly more
            if best is None or score[k] > CLEARLY_MORE * best[0]:
                best = (float(score[k]), facet, reading, float(chances[place, k]), float(others[k]))
    if best is None or best[3] < SHOWS:
        return None
    score_of_best, facet, reading, chance, others_chance = best
    return TellTale(
        facet=facet,
        reading=reading,
        manoeuvres=tuple(m for m, s in also[facet, reading] if s >= 0.9 * score_of_best),
        chance=chance,
        others=others_chance,
    )


def _look_alikes(
    network: Network, drawn: Sequence[Pictures], failure: str, most: int
) -> tuple[LookAlike, ...]:
    """The failures that no single look tells from this one in most manoeuvres in which it shows."""
    plain = [p for p in drawn if not p.condition.switches]
    showing = [p for p in plain if changed(network, p, failure)] or plain
    names = drawn[0].names
    place = names.index(failure)
    alike: dict[str, list[tuple[str, float]]] = {}
    for pictures in showing:
        best = np.max([told_by(c, place) for c in pictures.facets.values()], axis=0)
        for other, told in zip(names, best.tolist(), strict=True):
            alike.setdefault(other, []).append((pictures.condition.manoeuvre, told))
    ranked = sorted(
        (name for name in names if name not in (failure, SOUND)),
        key=lambda name: sum(told for _, told in alike[name]) / len(alike[name]),
    )
    found = []
    for name in ranked:
        where = tuple(manoeuvre for manoeuvre, told in alike[name] if told < TOLD_APART)
        if 2 * len(where) < len(showing) or len(found) == most:
            continue
        found.append(
            LookAlike(
                failure=name,
                manoeuvres=where,
                parting=next(iter(partings(network, drawn, (failure, name))), None),
            )
        )
    return tuple(found)


def told_by(chances: Array, place: int) -> Array:
    """How often one reading of a facet names the right one of two, for one failure and each; (name,)."""
    return np.asarray(0.5 * np.maximum(chances, chances[place]).sum(axis=1))


# ------------------------------------------------------------------ two or more failures


def partings(
    network: Network, drawn: Iterable[Pictures], failures: Sequence[str], least: float = PARTS
) -> tuple[Parting, ...]:
    """Give the looks that part failures (or a sound aircraft), those that name the right one best first.

    For two, ``told`` runs from 0.5 (a toss) to 1; for n from 1/n. ``least`` is meant for two: for more,
    the same share of the way from a guess to certainty.
    """
    count = len(failures)
    bar = 1.0 / count + (least - 0.5) / 0.5 * (1.0 - 1.0 / count)
    groups: dict[object, list[tuple[float, Condition, str, tuple[Shown, ...]]]] = {}
    for pictures in drawn:
        rows = [pictures.names.index(name) for name in failures]
        for facet, chances in pictures.facets.items():
            told = float(chances[rows].max(axis=0).sum()) / count
            if told < bar:
                continue
            shows = tuple(shown(network, facet, chances[row]) for row in rows)
            named = tuple(s.named for s in shows)
            key = (facet, named, tuple(sorted(pictures.condition.switches.items())))
            groups.setdefault(key, []).append((told, pictures.condition, facet, shows))
    found = []
    for group in groups.values():
        told, _, facet, shows = max(group, key=lambda entry: entry[0])
        found.append(
            Parting(facet=facet, conditions=tuple(c for _, c, _, _ in group), told=told, shows=shows)
        )
    # a look that needs no switch and works in more manoeuvres comes first where two tell equally well
    return tuple(
        sorted(
            found,
            key=lambda p: (-round(p.told, 2), len(p.conditions[0].switches), -len(p.conditions)),
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Where failures part: the looks, and in which manoeuvres no look parts any two of them.

    ``side_by_side``: for each facet that any of them changes in the manoeuvre asked for, what each shows
    and (last) a sound aircraft; empty if none was asked for. ``alike``: pair -> manoeuvres in which no
    single look tells the two apart nearly always.
    """

    failures: tuple[str, ...]
    manoeuvre: str
    partings: tuple[Parting, ...]
    side_by_side: tuple[tuple[Shown, ...], ...]
    alike: Mapping[tuple[str, str], tuple[str, ...]]


def compare(engine: Engine, failures: Sequence[str], manoeuvre: str = "") -> Comparison:
    """Compare two or more failures on the engine's panel, over all manoeuvres or in one.

    ``SOUND`` stands for a sound aircraft. Raises UnknownName for a failure that the panel cannot have.
    """
    network = engine.network
    album = Album.of(engine, [name for name in failures if name != SOUND])
    drawn = [
        album.pictures(condition)
        for condition in conditions_of(network)
        if not manoeuvre or condition.manoeuvre == manoeuvre
    ]
    plain = [p for p in drawn if not p.condition.switches]
    pairs = [(a, b) for i, a in enumerate(failures) for b in failures[i + 1 :]]
    return Comparison(
        failures=tuple(failures),
        manoeuvre=manoeuvre,
        partings=partings(network, drawn, failures),
        side_by_side=_side_by_side(network, plain[0], failures) if manoeuvre else (),
        alike={
            (a, b): tuple(
                p.condition.manoeuvre
                for p in plain
                if max(
                    told_by(chances, p.names.index(a))[p.names.index(b)] for chances in p.facets.values()
                )
                < TOLD_APART
            )
            for a, b in pairs
        },
    )


def _side_by_side(
    network: Network, pictures: Pictures, failures: Sequence[str]
) -> tuple[tuple[Shown, ...], ...]:
    """What each failure and a sound aircraft show, for every facet that one of them changes."""
    facets = dict.fromkeys(
        difference.shows.facet
        for name in failures
        if name != SOUND
        for difference in changed(network, pictures, name)
    )
    return tuple(
        tuple(
            shown(network, facet, pictures.facets[facet][pictures.names.index(name)])
            for name in (*failures, SOUND)
        )
        for facet in network.facets
        if facet in facets
    )
