"""The Bayesian network of one panel: parts, sources, memories, motion and gauges, with their tables.

``Network`` is what both the engine and the pgmpy bridge are built from. The graph runs
failures -> parts -> sources -> gauges; memories carry the past; motion is tied to the maneuver.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache, partial
from typing import Any, Literal

import msgspec
import numpy as np

from diagnose.knowledge.cache import MOST_OF_PANEL, Table, arrays, as_tables, digest, kept
from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Facet, Failure, Manoeuvre, Panel, Rule, SnapshotRecord, Variation
from diagnose.model.errors import CaseError
from diagnose.model.systems import CHECKS
from diagnose.model.units import Array
from diagnose.network.likelihood import (
    FacetTable,
    StoredCounts,
    counts_mark,
    drawn_bins,
    facet_table,
    facets_of,
    not_stored,
    read_counts,
    stated_chances,
    states_of,
)
from diagnose.network.memories import MemoryTables, memory_tables

Index = np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class Motions:
    """The motions that a maneuver allows.

    ``values``: axis -> index of its value for each motion, shape (motion,). ``chance``: shape
    (air and pilot combination, motion), rows sum to one. ``vertical``: index on the vertical axis.
    ``slips``: which motions are the pilot's own slips in what he says he held, (combination, motion); ``unfelt``: where he
    does not know of what changes the motion, (combination,). ``alike``: for each combination the number of its kind, where
    those of a kind move the airplane alike.
    """

    axes: tuple[str, ...]
    values: Mapping[str, Index]
    chance: Array
    slips: Index = field(default_factory=lambda: np.zeros((1, 1), dtype=bool))
    unfelt: Index = field(default_factory=lambda: np.zeros(1, dtype=bool))
    alike: Index = field(default_factory=lambda: np.zeros(1, dtype=np.intp))

    @property
    def vertical(self) -> Index:
        """Index of each motion on the vertical axis."""
        return self.values["vertical"]


@dataclass(frozen=True)
class Network:
    """One panel's network, compiled. ``made_from``: digest of what it was compiled from; "" if it was changed since."""

    kb: KnowledgeBase
    panel: Panel
    failures: tuple[Failure, ...]
    parts: tuple[str, ...]
    sources: tuple[str, ...]
    memories: Mapping[str, MemoryTables]
    facets: Mapping[str, FacetTable]
    made_from: str = field(default="", init=False, compare=False, repr=False)

    def with_failures(self, failures: Sequence[Failure]) -> Network:
        """Give this network with only these of its failures; how the airplane moves stays as it is."""
        found = replace(self, failures=tuple(failures))
        found.__dict__["_motions"] = self._motions
        return found

    @cached_property
    def states(self) -> Mapping[str, tuple[str, ...]]:
        """States of every part, source, memory, switch and axis of the knowledge base."""
        kb = self.kb
        names = (*kb.parts, *kb.sources, *kb.memories, *kb.switches, *kb.circumstances, *kb.axes)
        return {name: states_of(kb, name) for name in names}

    @cached_property
    def variation_parts(self) -> tuple[str, ...]:
        """Parts of air and pilot, and sources that mislead him, whose condition changes the motion."""
        found = dict.fromkeys(variation.part for variation in self.kb.variations.values())
        return tuple(part for part in found if part in self.parts or part in self.sources)

    @cached_property
    def rules(self) -> Mapping[str, tuple[Rule, ...]]:
        """The rules of each source that speak only of what this panel has."""
        known = {*self.parts, *self.sources, *self.memories, *self.panel.switches, *self.kb.circumstances}
        return {
            source: tuple(r for r in self.kb.sources[source].rules if known.issuperset(r.when))
            for source in self.sources
        }

    def switch_positions(self, switches: Mapping[str, str]) -> dict[str, str]:
        """Give every switch of the panel its position: as said, or the usual one.

        Raises CaseError for a switch that the panel lacks or a position that it does not have.
        """
        positions = {name: self.kb.switches[name].positions[0] for name in self.panel.switches}
        for name, position in switches.items():
            if name not in positions:
                raise CaseError(
                    f"the panel {self.panel.id} has no switch {name!r}",
                    mend=f"its switches are: {', '.join(positions) or 'none'}",
                )
            if position not in self.kb.switches[name].positions:
                raise CaseError(
                    f"the switch {name} has no position {position!r}",
                    mend=f"use {' or '.join(self.kb.switches[name].positions)}",
                )
            positions[name] = position
        return positions

    def with_odds_of(self, failures: tuple[Failure, ...]) -> Network:
        """The same network with failures that differ in their rates alone: what was kept of its states stays good."""
        other = replace(self, failures=failures)
        object.__setattr__(other, "made_from", self.made_from)
        other.__dict__["_motions"] = self._motions
        return other

    def with_ammeter(self, ammeter: Literal["center_zero", "loadmeter"]) -> Network:
        """Give the network of the same panel with this type of ammeter."""
        facets = {
            name: facet_table(self.kb, name.partition(".")[0], facet, stated_chances(self.kb, facet, ammeter))
            for name, facet in facets_of(self.kb, self.panel.gauges)
            if any(row.fitted for row in facet.rows)
        }
        panel = msgspec.structs.replace(self.panel, ammeter=ammeter)
        return replace(self, panel=panel, facets={**self.facets, **facets})

    def set_so(self, before: SnapshotRecord | None, snapshot: SnapshotRecord) -> dict[str, str]:
        """How every switch stands in a snapshot, and what its length and the one before it say."""
        return self.switch_positions(snapshot.switches) | self.circumstances(before, snapshot)

    def circumstances(self, before: SnapshotRecord | None, snapshot: SnapshotRecord) -> dict[str, str]:
        """What a snapshot's length, and the one before it, say: circumstance -> position."""
        manoeuvres = self.kb.manoeuvres
        flown = manoeuvres[before.manoeuvre].expected if before else {}
        found = {}
        for name, circumstance in self.kb.circumstances.items():
            fitting = (
                told.position
                for told in circumstance.tells
                if snapshot.minutes >= told.least_minutes
                and all(flown.get(axis) in values for axis, values in told.before.items())
                and (not told.before or snapshot.minutes_before <= told.within_minutes)
            )
            found[name] = next(fitting, circumstance.positions[0])
        return found

    def conditions(
        self, given: Mapping[str, Index], switches: Mapping[str, str], rows: int
    ) -> dict[str, Index]:
        """Evaluate parts, sources and memories for many rows at once.

        ``given``: part or memory -> state index of each row (rows,); what is not given is healthy
        or at its start. The result holds every part, memory and source, each of shape (rows,), in
        small whole numbers (rows are many).
        """
        state: dict[str, Index] = {}
        healthy = np.zeros(rows, dtype=np.int8)
        for part in self.parts:
            state[part] = given.get(part, healthy)
        for name, tables in self.memories.items():
            start = self.states[name].index(tables.memory.start)
            state[name] = given.get(name, np.full(rows, start, dtype=np.int8))
        for source in self.sources:
            state[source] = self._source_condition(source, state, switches, rows)
        return state

    def _source_condition(
        self, source: str, state: Mapping[str, Index], switches: Mapping[str, str], rows: int
    ) -> Index:
        names = self.states[source]
        found = np.zeros(rows, dtype=np.int8)
        undecided = np.ones(rows, dtype=bool)
        for rule in self.rules[source]:
            wanted = {n: (to,) if isinstance(to, str) else to for n, to in rule.when.items()}
            stated = [n for n in wanted if n in switches or n in self.kb.circumstances]
            stands = (switches[n] if n in switches else self.kb.circumstances[n].positions[0] for n in stated)
            if any(position not in wanted[n] for n, position in zip(stated, stands, strict=True)):
                continue
            fits = undecided.copy()
            for name in wanted.keys() - stated:
                fits &= np.array([value in wanted[name] for value in self.states[name]]).take(state[name])
            np.copyto(found, names.index(rule.gives), where=fits)
            undecided &= ~fits
        return found

    # -------------------------------------------------------------- motion

    @cached_property
    def _motions(self) -> dict[tuple[str, float], Motions]:
        """Motions of the maneuvers asked for so far."""
        return {}

    def motions(self, manoeuvre_id: str, strayed: float = 1.0) -> Motions:
        """Give the motions of a maneuver and their chances for each state of air and pilot.

        ``strayed``: a motion that is his own slip in what he says that he held counts so many times (likelihood of his
        word); chances sum to one again.
        """
        key = (manoeuvre_id, strayed)
        if key not in self._motions:
            found = self._motions_of(manoeuvre_id)
            if strayed != 1.0:
                chance = found.chance * np.where(found.slips, strayed, 1.0)
                found = replace(found, chance=chance / chance.sum(axis=1, keepdims=True))
            self._motions[key] = found
        return self._motions[key]

    def _varied(self, manoeuvre: Manoeuvre) -> list[tuple[str, ...]]:
        """Names of what changes the motion in each combination of ``variation_parts``."""

        def fitting(part: str, condition: str) -> list[str]:
            found = (
                name
                for name, variation in self.kb.variations.items()
                if (variation.part, variation.condition) == (part, condition)
                and manoeuvre.phase in variation.phases
                and (not variation.meant or manoeuvre.expected["vertical"] in variation.meant)
            )
            return list(found)[:1]

        each = [
            [fitting(part, condition) for condition in self.states[part]] for part in self.variation_parts
        ]
        return [tuple(itertools.chain(*combo)) for combo in itertools.product(*each)]

    def _slips(self, manoeuvre: Manoeuvre, values: Mapping[str, Index], varied: Sequence[Variation]) -> Index:
        """Which motions differ from what was meant in something that the pilot says he held, by nothing that these
        variations do: bool (motion,).
        """
        known = np.zeros(len(values["turn"]), dtype=bool)
        for _, motion in _ways(varied):
            done = {axis: motion.get(axis, manoeuvre.expected[axis]) for axis in self.kb.limits.held}
            known |= np.all([values[a] == self.states[a].index(value) for a, value in done.items()], axis=0)
        return ~known

    def _motions_of(self, manoeuvre_id: str) -> Motions:
        def make() -> dict[str, Table]:
            return as_tables(self._motion_tables(manoeuvre_id))

        mark = digest([self.made_from.encode(), manoeuvre_id.encode()])
        made = kept("motions", mark, dict[str, Table], make, MOST_OF_PANEL) if self.made_from else make()
        found = arrays(made)
        chance, slips, unfelt, kind = (found.pop(name) for name in ("chance", "slips", "unfelt", "kind"))
        own = np.column_stack([chance, slips, unfelt])
        alike = np.unique(own, axis=0, return_inverse=True)[1].ravel()[kind]
        return Motions(
            axes=tuple(self.kb.axes),
            values=found,
            chance=chance[kind],
            slips=slips[kind],
            unfelt=unfelt[kind],
            alike=alike,
        )

    def combination(self, state: Mapping[str, Index]) -> Index:
        """Place of each row's conditions of air and pilot among their combinations; (row,)."""
        places = [state[part] for part in self.variation_parts]
        return np.ravel_multi_index(places, [len(self.states[part]) for part in self.variation_parts])

    def _motion_tables(self, manoeuvre_id: str) -> dict[str, Array]:
        """Value of each motion on each axis; chance, slips and what is unfelt by kind, and the kind of each combination."""
        manoeuvre = self.kb.manoeuvres[manoeuvre_id]
        axes = tuple(self.kb.axes)
        usual: list[Array] = []
        for axis in axes:
            values = self.states[axis]
            chance = np.zeros(len(values))
            for value, p in manoeuvre.strays.get(axis, {}).items():
                chance[values.index(value)] = p
            chance[values.index(manoeuvre.expected[axis])] += 1.0 - chance.sum()
            usual.append(chance)
        varied = self._varied(manoeuvre)
        numbers = {combo: number for number, combo in enumerate(dict.fromkeys(varied))}
        kinds = [[self.kb.variations[name] for name in combo] for combo in numbers]
        joint = np.array([self._joint_motion(axes, usual, manoeuvre, kind) for kind in kinds])
        flat = joint.reshape(len(joint), -1)
        kept = np.flatnonzero(flat.max(axis=0) >= self.kb.limits.motion_floor)
        chance = flat[:, kept]
        on_axes = dict(zip(axes, np.unravel_index(kept, joint.shape[1:]), strict=True))
        return {
            **on_axes,
            "chance": chance / chance.sum(axis=1, keepdims=True),
            "slips": np.array([self._slips(manoeuvre, on_axes, kind) for kind in kinds]),
            "unfelt": np.array([any(variation.unfelt for variation in kind) for kind in kinds]),
            "kind": np.array([numbers[combo] for combo in varied]),
        }

    def _joint_motion(
        self, axes: tuple[str, ...], usual: Sequence[Array], manoeuvre: Manoeuvre, varied: Sequence[Variation]
    ) -> Array:
        """Joint chance over all axes when these change the motion."""
        rest = 1.0 - sum(outcome.chance for outcome in manoeuvre.wanders)
        strays: list[tuple[float, Mapping[str, str]]] = [(rest, {})]
        strays += [(outcome.chance, outcome.motion) for outcome in manoeuvre.wanders]
        mixtures = [
            (weight * chance, {**motion, **way}) for chance, way in _ways(varied) for weight, motion in strays
        ]
        # chances of each axis in each part of the mixture, then all parts summed at once
        joint = np.array([weight for weight, _ in mixtures])[:, None]
        halves = []
        for place, (axis, chance) in enumerate(zip(axes, usual, strict=True)):
            values = self.states[axis]
            own = np.array(
                [
                    [float(value == motion[axis]) for value in values] if axis in motion else chance
                    for _, motion in mixtures
                ]
            )
            if place == len(axes) // 2:
                halves.append(joint)
                joint = np.ones((len(mixtures), 1))
            joint = (joint[:, :, None] * own[:, None, :]).reshape(len(mixtures), -1)
        return np.asarray((halves[0].T @ joint).reshape([len(chance) for chance in usual]))

    def facet(self, name: str) -> Facet:
        """What the knowledge says of a facet of the panel."""
        return self.kb.facet(name)

    @cached_property
    def dial_gauges(self) -> tuple[str, ...]:
        """The panel's gauges but for the results of checks."""
        return tuple(g for g in self.panel.gauges if self.kb.gauges[g].group != CHECKS)

    @cached_property
    def dials(self) -> Mapping[str, FacetTable]:
        """The facets that a look at the panel can read: all but the results of checks and comparisons."""
        shown = {
            f"{gauge}.{facet.id}"
            for gauge in self.dial_gauges
            for facet in self.kb.gauges[gauge].facets
            if facet.glance
        }
        return {facet: table for facet, table in self.facets.items() if facet in shown}

    # -------------------------------------------------------------- what is expected

    @cached_property
    def _healthy(self) -> dict[str, Index]:
        """State of everything with nothing failed and every switch as usual."""
        return self.conditions({}, self.switch_positions({}), 1)

    @cached_property
    def kernels(self) -> dict[tuple[object, ...], Array]:
        """How memories move on (``kernels``), as far as asked for: arrays (before, after), the same for all sets."""
        return {}

    @cached_property
    def worked_out(self) -> dict[tuple[object, ...], bool]:
        """What readings speak for by the tables alone, as far as it was asked for."""
        return {}

    @cached_property
    def _known(self) -> dict[tuple[object, ...], Any]:
        """What ``sound`` and ``sound_chances`` have given."""
        return {}

    def sound(self, switches: Mapping[str, str]) -> dict[str, Index]:
        """State of everything with nothing failed and the switches as they stand; each (1,)."""
        key = tuple(sorted(switches.items()))
        if key not in self._known:
            self._known[key] = self.conditions({}, switches, 1)
        found: dict[str, Index] = self._known[key]
        return found

    def healthy_chance(self, facet_id: str) -> Array:
        """Chances of a facet's readings with everything healthy; shape (axes…, readings)."""
        table, state = self.facets[facet_id], self._healthy
        index = tuple(state[name].item() if name in state else 0 for name in table.parents)
        return table.at(index)

    def sound_chance(self, facet_id: str) -> Array:
        """As ``healthy_chance``, for every condition of what the gauge tells of: a suction gauge that shows
        lost suction is sound. Shape (parents…, axes…, readings); 1 on every other parent.
        """
        table = self.facets[facet_id]
        told, state = self.kb.gauges[facet_id.split(".")[0]].tells_of, self._healthy
        index = tuple(
            slice(None) if name in told else slice(at := state[name].item() if name in state else 0, at + 1)
            for name in table.parents
        )
        return table.at(index)

    def expected_readings(self, manoeuvre_id: str, switches: Mapping[str, str]) -> dict[str, str]:
        """Give each facet's most likely reading when nothing has failed and the flight is as meant."""
        return {
            name: max(chances, key=chances.__getitem__)
            for name, chances in self.sound_chances(manoeuvre_id, switches).items()
        }

    def sound_chances(self, manoeuvre_id: str, switches: Mapping[str, str]) -> dict[str, dict[str, float]]:
        """Give facet -> reading -> chance when nothing has failed and the flight is as meant."""
        key = (manoeuvre_id, *sorted(self.switch_positions(switches).items()))
        if key not in self._known:
            self._known[key] = self._as_meant(manoeuvre_id, switches)
        found: dict[str, dict[str, float]] = self._known[key]
        return found

    def _as_meant(self, manoeuvre_id: str, switches: Mapping[str, str]) -> dict[str, dict[str, float]]:
        expected = self.kb.manoeuvres[manoeuvre_id].expected
        state = self.sound(self.switch_positions(switches))
        chances = {}
        for name, table in self.facets.items():
            parents = tuple(state[p].item() if p in state else 0 for p in table.parents)
            motion = tuple(self.states[axis].index(expected[axis]) for axis in table.axes)
            row = table.at((*parents, *motion))
            chances[name] = dict(zip(table.readings, row.tolist(), strict=True))
        return chances


def _ways(varied: Sequence[Variation]) -> list[tuple[float, dict[str, str]]]:
    """What these do to the motion together, each with its chance: axis -> value."""
    ways: list[tuple[float, dict[str, str]]] = [(1.0, {})]
    for variation in varied:
        ways = [(p * o.chance, {**way, **o.motion}) for p, way in ways for o in variation.outcomes]
    return ways


class _Made(msgspec.Struct, frozen=True):
    """What a panel's tables are made of, as plain data: what was drawn of each facet, without sizes."""

    drawn: dict[str, Table]
    memories: dict[str, tuple[dict[str, Table], dict[str, Table], dict[str, Table]]]


def _made(
    kb: KnowledgeBase,
    panel: Panel,
    memories: Sequence[str],
    stored: StoredCounts,
) -> _Made:
    counts = stored.of(kb, panel.gauges)
    raw = {**counts, **not_stored(kb, panel.gauges, counts, panel.ammeter)}
    drawn = {name: raw[name][..., : len(facet.readings)] for name, facet in facets_of(kb, panel.gauges)}

    found = {name: memory_tables(kb, kb.memories[name]) for name in memories}
    return _Made(
        drawn=as_tables(drawn),
        memories={
            name: (as_tables(one.carry), as_tables(one.onset), as_tables(one.first))
            for name, one in found.items()
        },
    )


@lru_cache(maxsize=2)
def _shared(made_from: str, mark: str) -> dict[str, FacetTable]:
    """Tables of one knowledge base's facets, the same on all its panels, as far as they were asked for."""
    return {}


def _key(panel: Panel, name: str, facet: Facet) -> str:
    """What tells the tables of one knowledge base apart: the facet, and the ammeter where it depends on that."""
    return f"{name} {panel.ammeter}" if any(row.fitted for row in facet.rows) else name


def compile_network(kb: KnowledgeBase, panel_id: str, stored: StoredCounts | None = None) -> Network:
    """Build the network of a panel. Raises UnknownName for a panel that is not there."""
    panel = kb.panel(panel_id)
    parts = panel.parts
    wanted = {name for _, facet in facets_of(kb, panel.gauges) for name in facet.parents}
    # what misleads the pilot does so where a gauge shows it
    wanted |= {
        variation.part
        for variation in kb.variations.values()
        if variation.part in kb.sources
        and any(not wanted.isdisjoint(rule.when) for rule in kb.sources[variation.part].rules)
    }
    sources: list[str] = []
    memories: list[str] = []

    def take(name: str) -> None:
        if name in kb.sources and name not in sources:
            for rule in kb.sources[name].rules:
                if all(
                    r in kb.sources
                    or r in kb.memories
                    or r in parts
                    or r in panel.switches
                    or r in kb.circumstances
                    for r in rule.when
                ):
                    for other in rule.when:
                        take(other)
            sources.append(name)
        elif name in kb.memories and name not in memories:
            driver = kb.memories[name].driver
            if driver in kb.sources or driver in parts:
                memories.append(name)
                take(driver)

    for name in sorted(wanted):
        take(name)
    mark = counts_mark() if stored is None else stored.mark
    made_from = digest(text.encode() for text in (np.__version__, kb.made_from, panel_id, mark))
    shared = _shared(kb.made_from, mark) if kb.made_from else {}

    def make() -> _Made:
        return _made(kb, panel, memories, read_counts() if stored is None else stored)

    made = kept("network", made_from, _Made, make) if kb.made_from else make()
    for name, facet in facets_of(kb, panel.gauges):
        key = _key(panel, name, facet)
        if key not in shared:
            sizes = partial(drawn_bins, kb, name, facet, stored) if facet.sizes else None
            shared[key] = facet_table(kb, name.split(".")[0], facet, made.drawn[name].array(), sizes)
    network = Network(
        kb=kb,
        panel=panel,
        failures=kb.failures_of(parts),
        parts=parts,
        sources=tuple(sources),
        memories={
            name: MemoryTables(kb.memories[name], *map(arrays, made.memories[name])) for name in memories
        },
        facets={name: shared[_key(panel, name, facet)] for name, facet in facets_of(kb, panel.gauges)},
    )
    object.__setattr__(network, "made_from", made_from if kb.made_from else "")
    return network
