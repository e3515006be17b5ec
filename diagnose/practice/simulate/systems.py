"""From failures, switches and cures to the condition of every part and source, second by second."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.model import Failure
from diagnose.model.script import FailureEvent, ScenarioRecord
from diagnose.model.units import Array, s_from_min
from diagnose.network.tables import Index, Network
from diagnose.physics import history
from diagnose.physics.course import STEP_S
from diagnose.physics.sizes import Sizes
from diagnose.practice.simulate.plan import seconds_of

#: what a gauge that is either well or not shows from half of a failure on
HALF = 0.5


def _degree_of(
    event: FailureEvent,
    failure: Failure,
    switches: Mapping[str, np.ndarray],
    sizes: Sizes,
    others: Mapping[str, np.ndarray],
    samples: int,
) -> Array:
    """How far one failure has gone over time, its cure by a switch included."""
    seconds = np.arange(samples) * STEP_S
    since = seconds - s_from_min(event.at_minutes)
    if event.progression == "gradual":
        degree = np.clip(since / s_from_min(event.over_minutes), 0.0, 1.0)
    else:
        degree = np.where(since >= 0.0, 1.0, 0.0)
    if event.progression == "intermittent":
        name = f"{event.id} {event.at_minutes:g} comes and goes"
        acts = sizes.steps(name, 0.0, 1.0, samples, event.every_seconds) < event.share
        degree = degree * acts
    if event.until_minutes is not None:
        degree = np.where(seconds >= s_from_min(event.until_minutes), 0.0, degree)
    cure = failure.cured_by
    if cure is not None and cure.minutes > 0.0 and cure.switch in switches:
        helps = (switches[cure.switch] == cure.position) & (since >= 0.0)
        for part, wanted in cure.needs.items():
            if part in others:
                helps &= others[part] == wanted
        cured = np.cumsum(helps) * STEP_S >= s_from_min(cure.minutes)
        degree = np.where(cured, 0.0, degree)
    return np.asarray(degree, dtype=np.float64)


def switches_over_time(network: Network, scenario: ScenarioRecord, samples: int) -> dict[str, np.ndarray]:
    positions = network.switch_positions(scenario.switches)
    found: dict[str, np.ndarray] = {}
    for name, first in positions.items():
        values = np.full(samples, first, dtype=object)
        for action in sorted(scenario.action, key=lambda a: a.at_minutes):
            if action.switch == name:
                values[seconds_of(action.at_minutes) :] = action.position
        found[name] = values.astype(str)
    return found


@dataclass(frozen=True)
class Systems:
    """States over time: of parts and sources from any degree on, and from half on."""

    degrees: Mapping[str, Array]
    part_degrees: Mapping[str, Array]
    parts: Mapping[str, Index]
    half_parts: Mapping[str, Index]


def systems_over_time(
    network: Network, scenario: ScenarioRecord, switches: Mapping[str, np.ndarray], sizes: Sizes, samples: int
) -> Systems:
    kb = network.kb
    degrees: dict[str, Array] = {}
    part_degrees: dict[str, Array] = {part: np.zeros(samples) for part in network.parts}
    parts: dict[str, Index] = {part: np.zeros(samples, dtype=np.intp) for part in network.parts}
    half: dict[str, Index] = {part: np.zeros(samples, dtype=np.intp) for part in network.parts}
    named: dict[str, np.ndarray] = {}
    # what nothing else waits for comes first, so that a cure sees whether what it needs still works
    for event in sorted(scenario.failure, key=lambda e: bool(cured_needs(kb.failures[e.id]))):
        failure = kb.failures[event.id]
        degree = _degree_of(event, failure, switches, sizes, named, samples)
        degrees[event.id] = np.maximum(degrees.get(event.id, np.zeros(samples)), degree)
        for part, condition in failure.acts.items():
            index = network.states[part].index(condition)
            wins = (degree > 0.0) & (index >= parts[part])
            parts[part] = np.where(wins, index, parts[part])
            part_degrees[part] = np.where(wins, degree, part_degrees[part])
            half[part] = np.where((degree >= HALF) & (index >= half[part]), index, half[part])
            named[part] = np.array(network.states[part])[half[part]]
    return Systems(degrees, part_degrees, parts, half)


def cured_needs(failure: Failure) -> Mapping[str, str]:
    """What must work for the failure's cure to help."""
    return failure.cured_by.needs if failure.cured_by else {}


def conditions_over_time(
    network: Network, given: Mapping[str, Index], switches: Mapping[str, np.ndarray]
) -> dict[str, np.ndarray]:
    """Conditions of all parts and sources as words over time, by the network's own rules."""
    samples = len(next(iter(given.values())))
    together = np.array([" ".join(row) for row in zip(*switches.values(), strict=True)] or [""] * samples)
    found = {name: np.empty(samples, dtype=object) for name in (*network.parts, *network.sources)}
    for setting in dict.fromkeys(together.tolist()):
        rows = np.flatnonzero(together == setting)
        positions = {name: str(values[rows[0]]) for name, values in switches.items()}
        state = network.conditions({name: index[rows] for name, index in given.items()}, positions, len(rows))
        for name in found:
            found[name][rows] = np.array(network.states[name], dtype=object)[state[name]]
    return {name: values.astype(str) for name, values in found.items()}


def _parts_behind(network: Network, source: str) -> frozenset[str]:
    """All parts that can decide a source's condition."""
    behind: set[str] = set()
    for rule in network.rules.get(source, ()):
        for name in rule.when:
            behind |= {name} if name in network.parts else _parts_behind(network, name)
    return frozenset(behind)


def source_degrees_over_time(
    network: Network, conditions: Mapping[str, np.ndarray], systems: Systems
) -> dict[str, Array]:
    degrees = dict(systems.part_degrees)
    for source in network.sources:
        behind = [systems.part_degrees[part] for part in _parts_behind(network, source)]
        worst = np.max(behind, axis=0) if behind else np.zeros(len(conditions[source]))
        healthy = conditions[source] == network.states[source][0]
        # a switch alone makes the whole condition (alternate static on)
        degrees[source] = np.where(healthy, 0.0, np.where(worst > 0.0, worst, 1.0))
    return degrees


def battery_over_time(
    network: Network, given: Mapping[str, Index], rpm: Array, sizes: Sizes
) -> tuple[Array, Array, Index]:
    """Current out of the battery, the share of it that is used up, and the memory's state from that."""
    alternator = np.array(network.states["alternator"])[given["alternator"]]
    drawn = history.drawn_a(alternator, rpm, sizes)
    used = history.battery_used(drawn, alternator, sizes)
    states = network.states["battery_charge"]
    knee = sizes("battery.knee_used_share")
    words = np.where(used < knee, "charged", np.where(used < 1.0, "sagging", "flat"))
    return drawn, used, np.array([states.index(word) for word in words.tolist()])
