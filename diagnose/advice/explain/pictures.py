"""What every gauge shows for a failure in one condition: maneuver, switches, trapped pressures.

All of it comes from the network's own tables (as ``Engine.predict``), for a failure that began some minutes ago. An
intermittent failure is shown while it acts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from diagnose.advice.coverage import SOUND
from diagnose.knowledge.load import unknown_name
from diagnose.model import CaseRecord, MemoryKind, SnapshotRecord
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.network.evidence import motion_chance
from diagnose.network.hidden import HiddenSpace
from diagnose.network.statements import facet_chance
from diagnose.network.tables import Network

#: minutes since engine start at the look, as a case file has it when it does not say
SINCE_START_MIN = 30.0
#: minutes that a switch has been in its new position at the look: a heater needs about one to melt ice
AFTER_SWITCHING_MIN = 4.0
#: a facet shows a failure when its readings differ by this share (total variation) from a healthy airplane's
SHOWS = 0.3
#: a second reading is named if it has at least this chance
WORTH_NAMING = 0.25
#: maneuvers in which switches are tried
SWITCHED_IN = ("level", "climb", "descent")


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """When a look is taken: maneuver, switches away from their usual position, memories fixed."""

    manoeuvre: str
    switches: Mapping[str, str] = field(default_factory=dict)
    memories: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """What every facet shows for several failures in one condition.

    ``names``: ids in order, ``SOUND`` for a healthy airplane. ``facets``: facet -> chances of its
    readings, shape (name, reading).
    """

    condition: Condition
    names: tuple[str, ...]
    facets: Mapping[str, Array]


@dataclass(frozen=True)
class Album:
    """Draws the pictures of some failures of a panel, with a healthy airplane as the first."""

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
        for facet in network.dials:
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
    """Give every maneuver with the switches as usual, and a few with each switch in another position."""
    plain = [Condition(manoeuvre=name) for name in network.kb.manoeuvres]
    switched = [
        Condition(manoeuvre=name, switches={switch: position})
        for switch in network.panel.switches
        for position in network.kb.switches[switch].positions[1:]
        for name in SWITCHED_IN
        if name in network.kb.manoeuvres
    ]
    return (*plain, *switched)


# ------------------------------------------------------------------ in words worth naming


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
    """A facet that a failure changes: what it shows, and what a healthy airplane would show."""

    shows: Shown
    usual: Shown


def shown(network: Network, facet: str, chances: Array) -> Shown:
    """Name the likeliest reading of a facet, and others that are worth it."""
    readings = network.facets[facet].readings
    order = np.argsort(-chances, kind="stable")
    named = [i for place, i in enumerate(order) if place == 0 or chances[i] >= WORTH_NAMING]
    return Shown(facet=facet, readings=tuple((readings[i], float(chances[i])) for i in named))


def distance(one: Array, other: Array) -> float:
    """Total variation between two distributions, 0 (the same) to 1."""
    return 0.5 * float(np.abs(one - other).sum())


def changed(network: Network, pictures: Pictures, name: str) -> tuple[Difference, ...]:
    """Give the facets that a failure changes in a condition, the most changed first.

    One whose readings worth naming stay the same is left out, whatever their chances.
    """
    place = pictures.names.index(name)
    found = []
    for facet, chances in pictures.facets.items():
        apart = distance(chances[place], chances[0])
        if apart >= SHOWS:
            shows, usual = (shown(network, facet, chances[row]) for row in (place, 0))
            if shows.named != usual.named:
                found.append((apart, Difference(shows=shows, usual=usual)))
    # about equally changed ones stay in the order of the panel
    return tuple(difference for _, difference in sorted(found, key=lambda entry: -round(entry[0], 1)))


def told_by(chances: Array, place: int) -> Array:
    """How often one reading of a facet names the right one of two, for one failure and each; (name,)."""
    return np.asarray(0.5 * np.maximum(chances, chances[place]).sum(axis=1))
