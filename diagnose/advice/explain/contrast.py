"""Where failures part: by which look, in which maneuver, and where they look alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from diagnose.advice.coverage import SOUND
from diagnose.advice.explain.pictures import (
    Album,
    Condition,
    Pictures,
    Shown,
    changed,
    conditions_of,
    shown,
    told_by,
)
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import entry_forms, find
from diagnose.model import Panel
from diagnose.model.errors import CaseError, UnknownName
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.network.tables import Network

#: a look parts two failures when it names the right one this often, at even odds
PARTS = 0.7
#: moving a switch must let a look name the right one so much more often
WORTH_SWITCHING = 0.05
#: looks that name the right one about as often as each other differ by less than this
EQUALLY = 0.05
#: most failures that fit side by side
MOST_COMPARED = 8
#: at this chance of naming the right one of two, the two no longer look alike
TOLD_APART = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Parting:
    """A look that parts failures, with the conditions in which it shows the same.

    ``told``: how often it names the right one if these were the only ones and even, in the best of the
    conditions; ``least``: in the worst. ``shows``: what it shows for each, in their order.
    """

    facet: str
    conditions: tuple[Condition, ...]
    told: float
    least: float
    shows: tuple[Shown, ...]


def _told(pictures: Pictures, chances: Array, failures: Sequence[str]) -> float:
    """How often a facet names the right one of several failures at even odds."""
    rows = [pictures.names.index(name) for name in failures]
    return float(chances[rows].max(axis=0).sum()) / len(failures)


def partings(
    network: Network, drawn: Iterable[Pictures], failures: Sequence[str], least: float = PARTS
) -> tuple[Parting, ...]:
    """Give the looks that separate failures (or a healthy airplane), those that name the right one best first.

    For two, ``told`` runs from 0.5 (a toss) to 1; for n from 1/n. ``least`` is meant for two: for more,
    the same share of the way from a guess to certainty. A look with a switch moved is left out where it
    tells next to nothing more than the same look without, and one that shows the same readings for all
    with other chances.
    """
    drawn = list(drawn)
    count = len(failures)
    usual = {
        (p.condition.manoeuvre, facet): _told(p, chances, failures)
        for p in drawn
        if not p.condition.switches
        for facet, chances in p.facets.items()
    }
    bar = 1.0 / count + (least - 0.5) / 0.5 * (1.0 - 1.0 / count)
    groups: dict[object, list[tuple[float, Condition, str, tuple[Shown, ...]]]] = {}
    for pictures in drawn:
        rows = [pictures.names.index(name) for name in failures]
        for facet, chances in pictures.facets.items():
            told = _told(pictures, chances, failures)
            without = usual.get((pictures.condition.manoeuvre, facet), 0.0)
            if told < bar or (pictures.condition.switches and told < without + WORTH_SWITCHING):
                continue
            shows = tuple(shown(network, facet, chances[row]) for row in rows)
            named = tuple(s.named for s in shows)
            if len(set(named)) == 1:
                continue
            key = (facet, named, tuple(sorted(pictures.condition.switches.items())))
            groups.setdefault(key, []).append((told, pictures.condition, facet, shows))
    found = []
    for group in groups.values():
        told, _, facet, shows = max(group, key=lambda entry: entry[0])
        found.append(
            Parting(
                facet=facet,
                conditions=tuple(c for _, c, _, _ in group),
                told=told,
                least=min(entry[0] for entry in group),
                shows=shows,
            )
        )
    # where two tell about equally well: no switch, more maneuvers, earlier on the panel
    facets = list(network.dials)
    return tuple(
        sorted(
            found,
            key=lambda p: (
                -round(p.told / EQUALLY),
                len(p.conditions[0].switches),
                -len(p.conditions),
                facets.index(p.facet),
            ),
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Where failures part: the looks, and in which maneuvers no look parts any two of them.

    ``side_by_side``: for each facet that any of them changes in the maneuver asked for, what each shows
    and (last) a healthy airplane; empty if none was asked for. ``alike``: pair -> maneuvers in which no
    single look tells the two apart nearly always.
    """

    failures: tuple[str, ...]
    manoeuvre: str
    partings: tuple[Parting, ...]
    side_by_side: tuple[tuple[Shown, ...], ...]
    alike: Mapping[tuple[str, str], tuple[str, ...]]


def named_failure(kb: KnowledgeBase, text: str, panel: Panel | None = None) -> str:
    """Find one failure by its words; "nothing" is a healthy airplane.

    Where the words fit several failures, only those that the panel can have are meant: "attitude indicator
    worn" is no electric one on a panel that has none. Raises UnknownName with the nearest names.
    """
    sound = {SOUND: ("nothing failed", "nothing", "sound", "no failure")}
    try:
        return find(text, {**entry_forms(kb.failures), **sound}, "failure")
    except UnknownName:
        if panel is None:
            raise
        here = {failure.id: failure for failure in kb.failures_of(panel.parts)}
        try:
            return find(text, {**entry_forms(here), **sound}, "failure")
        except UnknownName:
            pass
        raise


def named_failures(kb: KnowledgeBase, given: Iterable[str], panel: Panel | None = None) -> tuple[str, ...]:
    """Find failures to compare by their words, on a panel if one is given.

    Raises UnknownName with the nearest names, CaseError for fewer than two or more than a screen holds.
    """
    names = tuple(dict.fromkeys(named_failure(kb, text, panel) for text in given if text.strip()))
    if not names:
        raise CaseError("compare which failures?", mend="compare pump sheared, suction gauge zero")
    if len(names) == 1:
        raise CaseError("one failure alone cannot be compared", mend="name two or more: compare A, B")
    if len(names) > MOST_COMPARED:
        raise CaseError(f"{len(names)} failures are too many", mend=f"compare at most {MOST_COMPARED}")
    return names


def compare(engine: Engine, failures: Sequence[str], manoeuvre: str = "") -> Comparison:
    """Compare two or more failures on the engine's panel, over all maneuvers or in one.

    ``SOUND`` stands for a healthy airplane. Raises UnknownName for a failure that the panel cannot have.
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
                if max(told_by(chances, p.names.index(a))[p.names.index(b)] for chances in p.facets.values())
                < TOLD_APART
            )
            for a, b in pairs
        },
    )


def _side_by_side(
    network: Network, pictures: Pictures, failures: Sequence[str]
) -> tuple[tuple[Shown, ...], ...]:
    """What each failure and a healthy airplane show, for every facet that one of them changes."""
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
        for facet in network.dials
        if facet in facets
    )
