"""What a playing page shows once a decision has moved a switch: the flight flown anew, kept as what is different.

A switch moves at a step of the clock (``tabletop.switch_decided``). Every first move at every step is flown, and
every second move after it, of another switch or of the same one again. Of each flight a page holds only the seconds that are like neither
the flight as planned nor one that it holds already, so that most of a branch is a pointer to its neighbor.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec
import numpy as np

from diagnose.model.case import Action
from diagnose.model.gauges import Dial, needed
from diagnose.model.units import Array, min_from_s
from diagnose.practice.simulate import Simulation, channel, shown_histories, simulate
from diagnose.practice.simulate.shown import DIALS
from diagnose.render.pictures.faces import movements
from diagnose.render.pictures.panel import shown_dials

#: degrees (or hundredths of a radius) that nobody sees: both are rounded to a tenth
SAME = 0.11
#: shorter agreements with another flight are not worth a pointer
LEAST_ALIKE_S = 4

Move = tuple[str, str, int]
Track = dict[str, Any]


def first_moves(simulation: Simulation) -> tuple[tuple[Move, ...], ...]:
    """Every switch moved once, at every step at which it stands otherwise: sequences of one move."""
    kb, step = simulation.network.kb, round(simulation.sizes("table.step_s"))
    found = []
    for switch, stands in simulation.switches.items():
        for position in kb.switches[switch].positions:
            for second in range(0, simulation.samples, step):
                if str(stands[second]) != position:
                    found.append(((switch, position, second),))
    return tuple(found)


def second_moves(simulation: Simulation, first: Move, others: Iterable[Move]) -> Iterator[Move]:
    """What can be moved after a first move: ``others`` from then on, and the switch itself, again."""
    switch, position, since = first
    yield from (other for other in others if other[0] != switch and other[2] >= since)
    planned, step = simulation.switches[switch], round(simulation.sizes("table.step_s"))
    # it stays as it was moved until the flight as planned moves it
    later = since + 1 + np.flatnonzero(planned[since + 1 :] != planned[since:-1])
    until = int(later[0]) if len(later) else simulation.samples
    for second in range(since + step, simulation.samples, step):
        stands = position if second < until else str(planned[second])
        for to in simulation.network.kb.switches[switch].positions:
            if to != stands:
                yield (switch, to, second)


def moved(simulation: Simulation, moves: Sequence[Move]) -> Simulation:
    """The flight with these switches moved as well."""
    scenario = simulation.scenario
    actions = tuple(
        Action(at_minutes=min_from_s(float(s)), switch=name, position=to) for name, to, s in moves
    )
    return simulate(
        simulation.network, msgspec.structs.replace(scenario, action=(*scenario.action, *actions))
    )


@dataclass
class Branches:
    """The flights that a page holds beside the planned one, in the order in which they point to each other."""

    simulation: Simulation
    gauges: Sequence[str]
    tracks: dict[str, Track]
    places: dict[tuple[Move, ...], int] = field(default_factory=dict)
    flights: list[dict[str, Track]] = field(default_factory=list)
    kept: list[dict[str, Any]] = field(default_factory=list)
    #: what the first moves change: a second one changes nothing else
    names: set[str] = field(default_factory=set)

    def add(self, moves: tuple[Move, ...], beside: Sequence[tuple[Move, ...]]) -> bool:
        """Fly a sequence of moves; False if nothing on the panel shows it."""
        other = moved(self.simulation, moves)
        after = shown_histories(other) if len(moves) == 1 else _only(other, self.names)
        changed, names = changed_tracks(self.simulation, after, self.gauges, self.tracks)
        self.names |= names
        if not changed:
            return False
        candidates = [0, *(self.places[near] for near in beside if near in self.places)]
        parts: dict[str, Any] = {}
        for part, track in changed.items():
            if "changes" in track:
                parts[part] = track["changes"]
            else:
                others = [self._values(part, place) for place in candidates]
                parts[part] = _runs(_rows(track), others, candidates)
        self.flights.append(changed)
        self.kept.append({"moves": [list(move) for move in moves], "parts": parts})
        self.places[moves] = len(self.flights)
        return True

    def _values(self, part: str, place: int) -> Array:
        flown = self.flights[place - 1] if place else {}
        return _rows(flown.get(part, self.tracks[part]))


def branches_of(
    simulation: Simulation, gauges: Sequence[str], tracks: dict[str, Track]
) -> list[dict[str, Any]]:
    """All flights of a page beside the planned one: ``moves``, and of each part that differs what is other.

    A part's entry is a list of changes (words and lamps), or runs: [second, place of a flight or rows of numbers];
    place 0 is the planned flight. A sequence that is not there shows nothing.
    """
    if "branches" not in simulation.kept:
        simulation.kept["branches"] = _branches(simulation, gauges, tracks)
    return simulation.kept["branches"]


def _branches(
    simulation: Simulation, gauges: Sequence[str], tracks: dict[str, Track]
) -> list[dict[str, Any]]:
    held = Branches(simulation, gauges, tracks)
    step = round(simulation.sizes("table.step_s"))
    singles = [moves for moves in first_moves(simulation) if held.add(moves, [_earlier(moves, 0, step)])]
    if simulation.scenario.pilot.follows:
        # a flight in which the pilot follows an instrument takes too long to fly so many times
        return held.kept
    alone = [move for (move,) in singles]
    for first in alone:
        for second in second_moves(simulation, first, alone):
            pair = (first, second)
            held.add(pair, [(first,), (second,), _earlier(pair, 0, step), _earlier(pair, 1, step)])
    return held.kept


def _earlier(moves: tuple[Move, ...], which: int, step: int) -> tuple[Move, ...]:
    """The same moves, one of them a step earlier."""
    changed = list(moves)
    switch, position, second = moves[which]
    changed[which] = (switch, position, second - step)
    return tuple(changed)


def _only(simulation: Simulation, names: set[str]) -> Mapping[str, np.ndarray]:
    """What these dials show, which takes a part of the time of the whole panel; the whole panel where they are others."""
    if any(name not in DIALS or name in ("heading_deg", "compass_deg") for name in names):
        return shown_histories(simulation)
    return {name: channel(simulation, DIALS[name])[0] for name in names}


def changed_tracks(
    simulation: Simulation, after: Mapping[str, np.ndarray], gauges: Sequence[str], tracks: dict[str, Track]
) -> tuple[dict[str, Track], set[str]]:
    """Tracks of the parts that stand otherwise at some second, whole, in the form of ``tracks``, and what they read.

    ``after``: what is shown with a switch moved; what does not stand there is as it was.
    """
    before = shown_histories(simulation)
    after = {**before, **after}
    differ = {name for name, values in after.items() if _apart(before[name], values).any()}
    found: dict[str, Track] = {}
    for dial in shown_dials(simulation.network.kb.dials, gauges):
        names = differ & set(needed(dial))
        if not names:
            continue
        apart = np.flatnonzero(np.any([_apart(before[name], after[name]) for name in names], axis=0))
        for part, track in _dial_tracks(dial, after, int(apart[0]), int(apart[-1]) + 1, tracks):
            if track != tracks[part]:
                found[part] = track
    return found, differ


def _apart(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    if one.dtype.kind in "fiu":
        return np.abs(one.astype(float) - other.astype(float)) > 1e-6
    return np.asarray(one != other)


def _dial_tracks(
    dial: Dial, shown: Any, first: int, end: int, tracks: dict[str, Track]
) -> Iterator[tuple[str, Track]]:
    """A dial's tracks, worked out anew between two seconds and as they were outside."""
    names = [name for name in needed(dial) if name in shown]
    lists = {name: shown[name][first:end].tolist() for name in names}
    stands = [
        movements(dial, {name: values[k] for name, values in lists.items()}) for k in range(end - first)
    ]
    for place, one in enumerate(stands[0]):
        base = tracks[one.part]
        if "changes" in base:
            said = [
                stand[place].text if one.how == "write" else (stand[place].values or (0.0,))[0]
                for stand in stands
            ]
            yield one.part, base | {"changes": _changes(base["changes"], said, first, end)}
            continue
        rows = _rows(base).copy()
        new = np.array([stand[place].values or (0.0,) * len(rows) for stand in stands], dtype=np.float64).T
        turns = one.how != "slide"
        if turns:
            before = rows[0, first - 1] if first else new[0, 0]
            new[0] = np.degrees(np.unwrap(np.radians(np.concatenate([[before], new[0]]))))[1:]
        rows[:, first:end] = np.round(new, 1)
        if turns and end < rows.shape[1]:
            # what follows goes on from there by whole turns
            rows[0, end:] += 360.0 * round((rows[0, end - 1] - rows[0, end]) / 360.0)
        track = base | {"values": rows[0].tolist()}
        yield one.part, track | {"second": rows[1].tolist()} if len(rows) > 1 else track


def _changes(
    base: Sequence[Sequence[Any]], said: Sequence[Any], first: int, end: int
) -> list[tuple[int, Any]]:
    """Changes of a word or lamp with what is said between two seconds put in."""

    def at(second: int) -> Any:
        return [value for when, value in base if when <= second][-1]

    found = [(when, value) for when, value in base if when < first]
    for second, value in enumerate(said, first):
        if not found or found[-1][1] != value:
            found.append((second, value))
    if not found or found[-1][1] != at(end):
        found.append((end, at(end)))
    return found + [(when, value) for when, value in base if when > end]


def _rows(track: Track) -> Array:
    """Numbers of a track: one row, or two for a horizon."""
    return np.array([track["values"], *([track["second"]] if "second" in track else [])], dtype=np.float64)


def _runs(rows: Array, others: Sequence[Array], places: Sequence[int]) -> list[list[Any]]:
    """A track as runs: where it is like another one for long enough a pointer, else its own numbers."""
    alike = [np.all(np.abs(rows - other) < SAME, axis=0) for other in others]
    length = rows.shape[1]
    # how long each agreement still lasts from each second on
    lasts = [np.zeros(length + 1, dtype=int) for _ in alike]
    for last, same in zip(lasts, alike, strict=True):
        for k in range(length - 1, -1, -1):
            last[k] = last[k + 1] + 1 if same[k] else 0
    runs: list[list[Any]] = []
    k = 0
    while k < length:
        longest = max(range(len(places)), key=lambda which: int(lasts[which][k]))
        lasting = int(lasts[longest][k])
        if lasting >= min(LEAST_ALIKE_S, length - k):
            runs.append([k, places[longest]])
            k += lasting
            continue
        if not runs or isinstance(runs[-1][1], int):
            runs.append([k, [[] for _ in rows]])
        for row, numbers in zip(rows, runs[-1][1], strict=True):
            value = float(row[k])
            numbers.append(int(value) if value.is_integer() else round(value, 1))
        k += 1
    return runs
