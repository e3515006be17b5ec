"""A failure's page: what the gauges show for it, its tell-tale, and what looks like it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.advice.coverage import SOUND
from diagnose.advice.explain.contrast import TOLD_APART, Parting, partings
from diagnose.advice.explain.pictures import (
    SHOWS,
    Album,
    Condition,
    Difference,
    Pictures,
    Shown,
    changed,
    conditions_of,
    distance,
    shown,
    told_by,
)
from diagnose.knowledge.load import unknown_name
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.network.tables import Network

#: what shows alike in this share of the maneuvers in which a failure shows is told once for all of them
MOSTLY = 0.6
#: a tell-tale on a gauge further down the panel must say this much more
CLEARLY_MORE = 1.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Conditions in which a failure shows the same, and what it changes there (nothing: looks normal)."""

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

    @property
    def shown(self) -> Shown:
        """The reading as what the facet shows."""
        return Shown(facet=self.facet, readings=((self.reading, self.chance),))


@dataclass(frozen=True, slots=True, kw_only=True)
class LookAlike:
    """Another failure that is taken for this one, where no look tells them apart, and the best look.

    ``maneuvers`` is empty if it only shares the tell-tale and some other gauge always tells them apart.
    ``parting`` is None if no single look on this panel separates them.
    """

    failure: str
    manoeuvres: tuple[str, ...]
    parting: Parting | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """A failure's page: what it changes, by maneuver, and who looks like it.

    ``mostly``: what it shows alike in most maneuvers in which it shows at all; ``pictures``: what it
    shows beside that in some; ``silent``: maneuvers in which it shows nothing; ``trapped``: in level
    flight once the memory of a trapped pressure is in another state than its first; ``switched``: what
    moving a switch changes, the reading before it standing as the usual one. ``motion_only``: it changes
    what the aircraft does and no gauge, so that all gauges tell the truth; then the rest is empty.
    """

    failure: str
    motion_only: bool
    mostly: Picture
    pictures: tuple[Picture, ...]
    silent: tuple[str, ...]
    trapped: tuple[Picture, ...]
    switched: tuple[Picture, ...]
    tell_tale: TellTale | None
    look_alikes: tuple[LookAlike, ...]


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
    for same in alike.values():
        if len(same) < MOSTLY * len(found):
            continue
        shows = same[0].shows
        usual: dict[str, list[float]] = {}
        for difference in same:
            for reading, chance in difference.usual.readings:
                usual.setdefault(reading, []).append(chance)
        # what is usual in a few of these maneuvers only is not told for all of them
        often = {reading: max(c) for reading, c in usual.items() if len(c) >= MOSTLY * len(same)}
        often = often or {reading: max(chances) for reading, chances in usual.items()}
        others = {reading: chance for reading, chance in often.items() if reading not in shows.named}
        readings = tuple((others or often).items())
        common.append(Difference(shows=shows, usual=Shown(facet=shows.facet, readings=readings)))
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
    if set(network.kb.failures[failure].acts) <= set(network.variation_parts):
        nothing = Picture(conditions=(), changed=())
        return Signature(
            failure=failure,
            motion_only=True,
            mostly=nothing,
            pictures=(),
            silent=(),
            trapped=(),
            switched=(),
            tell_tale=None,
            look_alikes=(),
        )
    drawn = [album.pictures(condition) for condition in conditions_of(network)]
    plain = [pictures for pictures in drawn if not pictures.condition.switches]
    found = [(pictures.condition, changed(network, pictures, failure)) for pictures in plain]
    showing = [(condition, differences) for condition, differences in found if differences]
    mostly = _mostly(showing)
    tale = _tell_tale(network, plain, failure) if showing else None
    beside = [(condition, _beside(differences, mostly)) for condition, differences in showing]
    trapped = [
        (pictures.condition, changed(network, pictures, failure))
        for memory, state in album.stirred_heights(failure)
        for pictures in [album.pictures(Condition(manoeuvre="level", memories={memory: state}))]
    ]
    return Signature(
        failure=failure,
        motion_only=False,
        mostly=mostly,
        pictures=_grouped((c, d) for c, d in beside if d),
        silent=tuple(c.manoeuvre for c, d in found if not d),
        trapped=_grouped(trapped),
        switched=_switched(network, drawn, failure),
        tell_tale=tale,
        look_alikes=_look_alikes(network, drawn, failure, tale, most_alike) if showing else (),
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
            moved = distance(chances[place], before.facets[facet][place])
            if moved >= SHOWS and moved - distance(chances[0], before.facets[facet][0]) >= SHOWS:
                shows = shown(network, facet, chances[place])
                was = shown(network, facet, before.facets[facet][place])
                if shows.named != was.named:
                    differences.append(Difference(shows=shows, usual=was))
        if differences:
            found.append((pictures.condition, tuple(differences)))
    return _grouped(found)


def _tell_tale(network: Network, plain: Sequence[Pictures], failure: str) -> TellTale | None:
    """The reading that singles the failure out most among all of the panel, a healthy airplane included.

    By its share of the relative entropy against an even mixture of all the others; on about equal terms
    the gauge that comes first on the panel.
    """
    best: tuple[float, TellTale] | None = None
    also: dict[tuple[str, str], list[tuple[str, float]]] = {}
    for pictures in plain:
        place = pictures.names.index(failure)
        for facet, chances in pictures.facets.items():
            others = np.delete(chances, place, axis=0).mean(axis=0)
            scores = chances[place] * np.log(chances[place] / others)
            k = int(scores.argmax())
            score, reading = float(scores[k]), network.facets[facet].readings[k]
            manoeuvre = pictures.condition.manoeuvre
            also.setdefault((facet, reading), []).append((manoeuvre, score))
            if best is None or score > CLEARLY_MORE * best[0]:
                tale = TellTale(
                    facet=facet,
                    reading=reading,
                    manoeuvres=(manoeuvre,),
                    chance=float(chances[place, k]),
                    others=float(others[k]),
                )
                best = score, tale
    if best is None or best[1].chance < SHOWS:
        return None
    score, tale = best
    alike = tuple(m for m, s in also[tale.facet, tale.reading] if s >= score / CLEARLY_MORE)
    return replace(tale, manoeuvres=alike)


def _look_alikes(
    network: Network, drawn: Sequence[Pictures], failure: str, tale: TellTale | None, most: int
) -> tuple[LookAlike, ...]:
    """The failures that no single look tells from this one in most maneuvers in which it shows.

    After them those that share its tell-tale and another gauge tells apart; at most so many of each.
    """
    plain = [p for p in drawn if not p.condition.switches]
    showing = [p for p in plain if changed(network, p, failure)]
    names = drawn[0].names
    place = names.index(failure)
    told = {
        p.condition.manoeuvre: np.max([told_by(c, place) for c in p.facets.values()], axis=0) for p in showing
    }
    mean = np.mean(list(told.values()), axis=0)
    others = [names[i] for i in np.argsort(mean, kind="stable") if names[i] not in (failure, SOUND)]
    alike = {
        name: tuple(m for m, by_name in told.items() if by_name[names.index(name)] < TOLD_APART)
        for name in others
    }
    same = [name for name in others if 2 * len(alike[name]) >= len(showing)]
    sharing = [name for name in others if name not in same and tale and _shares(network, plain, tale, name)]
    return tuple(
        LookAlike(
            failure=name,
            manoeuvres=alike[name],
            parting=next(iter(partings(network, drawn, (failure, name))), None),
        )
        for name in (*same[:most], *sharing[:most])
    )


def _shares(network: Network, plain: Sequence[Pictures], tale: TellTale, name: str) -> bool:
    """Whether another failure mostly shows the same tell-tale in the same maneuvers."""
    k = network.facets[tale.facet].readings.index(tale.reading)
    chances = [
        float(p.facets[tale.facet][p.names.index(name), k])
        for p in plain
        if p.condition.manoeuvre in tale.manoeuvres
    ]
    return sum(chances) >= 0.5 * len(chances)


def typical_cases(network: Network, found: Signature) -> Iterator[CaseRecord]:
    """Cases in which a pilot has read what the failure shows, one for each maneuver in the air, the most telling first."""
    shows: dict[str, dict[str, str]] = {}
    for picture in (found.mostly, *found.pictures):
        for condition in picture.conditions:
            if not condition.switches and network.kb.manoeuvres[condition.manoeuvre].phase == "air":
                readings = shows.setdefault(condition.manoeuvre, {})
                readings.update({d.shows.facet: d.shows.readings[0][0] for d in picture.changed})
    for manoeuvre in sorted(shows, key=lambda name: (-len(shows[name]), list(network.kb.manoeuvres).index(name))):
        moment = SnapshotRecord(manoeuvre=manoeuvre, readings=shows[manoeuvre])
        yield CaseRecord(title=found.failure, panel=network.panel.id, snapshot=(moment,))
