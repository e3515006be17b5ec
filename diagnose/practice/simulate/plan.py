"""From the legs of a scenario to what the pilot means to fly, second by second."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Failure, MemoryKind
from diagnose.model.case import FailureEvent, Leg, ScenarioRecord, leg_starts_min
from diagnose.model.units import Array, s_from_min
from diagnose.network.tables import Index, Network
from diagnose.physics.course import STEP_S, Bumps, Handling, Meant
from diagnose.physics.draws import Sizes
from diagnose.physics.electric_dials import battery_over_time
from diagnose.physics.flight import SNAPSHOT_S


def seconds_of(minutes: float) -> int:
    """Samples in so many minutes."""
    return round(s_from_min(minutes) / STEP_S)


def usual(kb: KnowledgeBase, leg: Leg, before_kt: float) -> Leg:
    """The leg with what it leaves out filled in from its maneuver."""
    quantities, manoeuvre = kb.flown_quantities, kb.manoeuvres[leg.manoeuvre]
    expected = manoeuvre.expected

    def fixed(name: str) -> float:
        return quantities[f"course.{name}"].low

    side = {"left": -1.0, "right": 1.0}.get(expected["turn"], 0.0)
    up = {"up": 1.0, "down": -1.0}.get(expected["vertical"], 0.0)
    kt = {1.0: fixed("climb_kt"), -1.0: fixed("descent_kt")}.get(up, fixed("level_kt"))
    change = {"increasing": 1.0, "decreasing": -1.0}.get(expected["speed"], 0.0)
    if expected["pace"] == "at_rest":
        kt = 0.0
    elif expected["pace"] == "rolling":
        kt = fixed("rotate_kt")
    elif change:
        kt = before_kt + change * fixed("speed_change_kt")
    rate = fixed("taxi_dps" if manoeuvre.phase == "ground" else "turn_dps")
    return Leg(
        manoeuvre=leg.manoeuvre,
        minutes=leg.minutes,
        airspeed_kt=kt if leg.airspeed_kt is None else leg.airspeed_kt,
        rate_fpm=up * fixed("rate_fpm") if leg.rate_fpm is None else leg.rate_fpm,
        turn_dps=side * rate if leg.turn_dps is None else leg.turn_dps,
    )


def filled_legs(kb: KnowledgeBase, scenario: ScenarioRecord) -> tuple[Leg, ...]:
    """All legs with their usual values."""
    filled: list[Leg] = []
    before = kb.flown_quantities["course.level_kt"].low
    for leg in scenario.leg:
        filled.append(usual(kb, leg, before))
        before = filled[-1].airspeed_kt or 0.0
    return tuple(filled)


@dataclass(frozen=True)
class Plan:
    """What is known before anything is flown."""

    legs: tuple[Leg, ...]
    leg_of: np.ndarray
    meant: Meant
    bumps: Bumps
    handling: Handling
    target_ft: Array


def plan_of(
    kb: KnowledgeBase, scenario: ScenarioRecord, sizes: Sizes, draught: Array, turbulence: Array
) -> Plan:
    """What is meant, second by second; ``draft`` in fpm and ``turbulence`` in full bumps, (sample,)."""
    legs = filled_legs(kb, scenario)
    starts = [seconds_of(m) for m in leg_starts_min(scenario.leg)]
    samples = starts[-1]
    leg_of = np.searchsorted(starts[1:-1], np.arange(samples), side="right")

    def along(values: list[float]) -> Array:
        return np.asarray(np.array(values)[leg_of], dtype=np.float64)

    expected = [kb.manoeuvres[leg.manoeuvre].expected for leg in legs]
    phases = np.array([kb.manoeuvres[leg.manoeuvre].phase for leg in legs])[leg_of]
    airspeed = along([leg.airspeed_kt or 0.0 for leg in legs])
    for place, leg in enumerate(legs):
        if expected[place]["pace"] == "rolling":
            # full power from a standstill: the speed builds up evenly
            inside = np.flatnonzero(leg_of == place)
            airspeed[inside] = (leg.airspeed_kt or 0.0) * np.linspace(0.0, 1.0, len(inside))
        elif expected[place]["speed"] in ("increasing", "decreasing"):
            # accelerating is what the leg is for: it lasts as long as the leg
            inside = np.flatnonzero(leg_of == place)
            before = legs[place - 1].airspeed_kt if place else kb.flown_quantities["course.level_kt"].low
            airspeed[inside] = np.linspace(before or 0.0, leg.airspeed_kt or 0.0, len(inside))
    power = np.array([e["power"] for e in expected])[leg_of]
    level = np.array([e["vertical"] == "level" for e in expected])[leg_of]
    start_kt = scenario.start.airspeed_kt
    rate = along([leg.rate_fpm or 0.0 for leg in legs])
    meant = Meant(
        rate_fpm=rate,
        turn_dps=along([leg.turn_dps or 0.0 for leg in legs]),
        airspeed_kt=airspeed,
        airborne=phases == "air",
        rolling=phases == "roll",
        holds_height=level,
        power=power,
        draught_fpm=draught,
        start_ft=scenario.start.altitude_ft,
        start_heading_deg=scenario.start.heading_deg,
        start_kt=float(airspeed[0]) if start_kt is None else start_kt,
    )

    def bump(name: str, smooth: int) -> Array:
        return turbulence * sizes.wander(f"flight.{name}", sizes(f"flight.{name}"), samples, smooth)

    bumps = Bumps(
        height_ft=bump("bump_ft", 12),
        airspeed_kt=bump("bump_kt", 5),
        turn_dps=bump("bump_dps", 5),
        heading_deg=bump("heading_wander_deg", 8),
        pitch_deg=turbulence * sizes.wander("bump pitch", 1.0, samples, 5),
    )
    names = Handling.__dataclass_fields__
    handling = Handling(**{name: sizes(f"course.{name}") for name in names})
    target = scenario.start.altitude_ft + np.cumsum(rate) * STEP_S / 60.0
    return Plan(legs, leg_of, meant, bumps, handling, target)


# ------------------------------------------------------------------ from failures, switches and cures to the condition of every part and source, second by second


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
    """Position of each switch at each second; arrays (time,) of text."""
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
    """Degrees and states of parts and sources over time; arrays (time,)."""
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
    """How far each source has failed over time, 0 to 1; arrays (time,)."""
    degrees = dict(systems.part_degrees)
    for source in network.sources:
        behind = [systems.part_degrees[part] for part in _parts_behind(network, source)]
        worst = np.max(behind, axis=0) if behind else np.zeros(len(conditions[source]))
        healthy = conditions[source] == network.states[source][0]
        # a switch alone makes the whole condition (alternate static on)
        degrees[source] = np.where(healthy, 0.0, np.where(worst > 0.0, worst, 1.0))
    return degrees


def battery_states(
    network: Network, given: Mapping[str, Index], power: np.ndarray, sizes: Sizes
) -> tuple[tuple[Array, Array], Index]:
    """Current out of the battery and the share of it that is used up, shape (1, time), and the memory's state."""
    alternator = np.array(network.states["alternator"])[given["alternator"]]
    battery = battery_over_time(alternator, power[None], sizes.draws)
    # charged, sagging, flat
    return battery, np.digitize(battery[1][0], (sizes("battery.knee_used_share"), 1.0))


def degrees_over_time(
    network: Network, half: Mapping[str, Index], switches: Mapping[str, np.ndarray], sizes: Sizes
) -> dict[str, Index]:
    """State of each memory of the kind "degree" over time, as the flight's own sizes and onsets make it."""
    found: dict[str, Index] = {}
    for name, tables in network.memories.items():
        memory, states = tables.memory, network.states[name]
        if memory.kind is not MemoryKind.DEGREE:
            continue
        drives = conditions_over_time(network, {**half, **found}, switches)[memory.driver]
        place = np.full(len(drives), states.index(memory.start), dtype=np.intp)
        for condition, carry in memory.carry.items():
            degree, runs = memory.degrees[carry], drives == condition
            begun = list(degree.begins)
            word = begun[0]
            if degree.halves:
                word = begun[int(sizes(degree.halves) > sizes.draws.quantities[degree.halves].middle)]
            if degree.at_once and sizes.draws.chance(degree.at_once, 1)[0]:
                word = degree.passing
            place[runs] = states.index(word)
            if word == degree.passing:
                since = np.arange(len(runs)) - np.maximum.accumulate(np.where(runs, -1, np.arange(len(runs))))
                place[runs & (since * STEP_S > SNAPSHOT_S)] = states.index(degree.ends)
        found[name] = place
    return found
