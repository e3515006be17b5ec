"""A scenario flown: course, systems and dials together, and a pilot who may follow a false instrument."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from diagnose.model.case import Leg, ScenarioRecord, leg_starts_min
from diagnose.model.units import Array, fpm_from_kt
from diagnose.network.tables import Network
from diagnose.physics.course import STEP_S, Astray, Course, Meant, fly
from diagnose.physics.draws import Sizes
from diagnose.physics.flight import AIR, TURBULENCE, Flights
from diagnose.physics.flown import Flown
from diagnose.physics.panel import show
from diagnose.practice.simulate.plan import (
    Plan,
    Systems,
    battery_states,
    conditions_over_time,
    degrees_over_time,
    plan_of,
    seconds_of,
    source_degrees_over_time,
    switches_over_time,
    systems_over_time,
)


@dataclass(frozen=True)
class Simulation:
    """One scenario flown; arrays have shape (time,).

    ``course`` is the true motion; ``flown`` holds it with conditions and degrees as one flight (1, time); ``half`` the
    conditions that a lamp or a word goes by, counted from half of a failure on; ``degrees``: failure -> how far it has
    gone; ``drawn_a``: current out of the battery.
    """

    scenario: ScenarioRecord
    network: Network
    sizes: Sizes
    course: Course
    flown: Flown
    switches: Mapping[str, np.ndarray]
    degrees: Mapping[str, Array]
    drawn_a: Array
    half: Mapping[str, np.ndarray]
    plan: Plan
    kept: dict[str, Any] = field(default_factory=dict, repr=False)

    @property
    def samples(self) -> int:
        """Number of seconds."""
        return len(self.course.time_s)

    def leg_at(self, sample: int) -> Leg:
        """The leg that is flown at this second."""
        return self.plan.legs[int(self.plan.leg_of[sample])]

    def switches_at(self, sample: int) -> dict[str, str]:
        """Position of every switch of the panel."""
        return {name: str(positions[sample]) for name, positions in self.switches.items()}

    def active_at(self, sample: int) -> tuple[str, ...]:
        """Failures that are there at this second, in the order of the file."""
        begun = [e.id for e in self.scenario.failure if self.degrees[e.id][: sample + 1].any()]
        gone = [e.id for e in self.scenario.failure if not self.degrees[e.id][sample:].any()]
        return tuple(dict.fromkeys(name for name in begun if name not in gone))


def simulate(network: Network, scenario: ScenarioRecord) -> Simulation:
    """Fly a scenario. It must have been checked (``scenario.problems``)."""
    kb = network.kb
    quantities = {**kb.quantities, **kb.flown_quantities}
    here = {"flight.latitude_deg": scenario.latitude_deg}
    sizes = Sizes(quantities=quantities, seed=scenario.seed, given=scenario.sizes | here)
    samples = seconds_of(leg_starts_min(scenario.leg)[-1])
    switches = switches_over_time(network, scenario, samples)
    systems = systems_over_time(network, scenario, switches, sizes, samples)
    given, half = dict(systems.parts), dict(systems.half_parts)
    draught = _draught(scenario, systems, network, sizes, samples)
    plan = plan_of(kb, scenario, sizes, draught, _turbulence(scenario, systems, network, sizes, samples))
    battery = None
    if "battery_charge" in network.memories:
        battery, given["battery_charge"] = battery_states(network, given, plan.meant.power, sizes)
        half["battery_charge"] = given["battery_charge"]
    conditions = conditions_over_time(network, given, switches)
    half |= degrees_over_time(network, half, switches, sizes)
    at_half = conditions_over_time(network, half, switches)
    degrees = source_degrees_over_time(network, conditions, systems)
    start = Astray.none(samples)
    lost = _disoriented(network, systems, sizes, samples)
    if lost is not None:
        start = lost

    def flown(astray: Astray) -> tuple[Course, Flown]:
        course = fly(plan.meant, astray, plan.bumps, plan.handling)
        motion = motion_of(course, plan.meant)
        return course, Flown(motion, sizes.draws, None, conditions, degrees, battery)

    course, done = flown(start)
    if scenario.pilot.follows:
        course, done = _led(scenario, plan, start, (course, done), flown)
    return Simulation(
        scenario=scenario,
        network=network,
        sizes=sizes,
        course=course,
        flown=done,
        switches=switches,
        degrees=systems.degrees,
        drawn_a=np.zeros(samples) if battery is None else battery[0][0],
        half=at_half,
        plan=plan,
    )


def motion_of(course: Course, meant: Meant) -> Flights:
    """A course as one flight, with what was meant beside it."""
    pace = np.where(meant.airborne, "expected", np.where(meant.rolling, "rolling", "at_rest"))
    return Flights(
        time_s=course.time_s,
        height_ft=course.height_ft[None],
        airspeed_kt=course.airspeed_kt[None],
        expected_airspeed_kt=meant.airspeed_kt[None],
        turn_rate_dps=course.turn_dps[None],
        heading_deg=course.heading_deg[None],
        bank_deg=course.bank_deg[None],
        pitch_deg=course.pitch_deg[None],
        bumps=np.zeros((1, 1)),
        pace=pace[None],
        power=meant.power[None],
        gained=course.gain_kt_per_s[None],
    )


def _draught(
    scenario: ScenarioRecord, systems: Systems, network: Network, sizes: Sizes, samples: int
) -> Array:
    air = np.zeros(samples)
    for draught in scenario.draught:
        first, last = seconds_of(draught.at_minutes), seconds_of(draught.at_minutes + draught.minutes)
        air[first:last] += draught.fpm
    if "air" in network.parts:
        words = np.array(network.states["air"])[systems.parts["air"]]
        way = np.select([words == "rising", words == "sinking"], [1.0, -1.0], 0.0)
        air = air + way * systems.part_degrees["air"] * sizes("course.draught_fpm")
    return air


def _turbulence(
    scenario: ScenarioRecord, systems: Systems, network: Network, sizes: Sizes, samples: int
) -> Array:
    """Share of full bumps over time: the scenario's, or what rough air makes where that is more."""
    share = np.full(samples, scenario.turbulence)
    if AIR in network.parts:
        rough = systems.part_degrees[AIR] * sizes(TURBULENCE["rough"])
        share = np.maximum(share, rough)
    return share


def _disoriented(network: Network, systems: Systems, sizes: Sizes, samples: int) -> Astray | None:
    if "pilot" not in network.parts or not systems.part_degrees["pilot"].any():
        return None
    bank = sizes.either_way("course.astray_bank_deg") * systems.part_degrees["pilot"]
    return Astray(rate_fpm=np.zeros(samples), bank_deg=bank)


def _led(
    scenario: ScenarioRecord,
    plan: Plan,
    start: Astray,
    done: tuple[Course, Flown],
    flown: Callable[[Astray], tuple[Course, Flown]],
) -> tuple[Course, Flown]:
    """Fly again and again, each time with one more correction by what the followed instrument shows."""
    pilot, samples = scenario.pilot, len(start.rate_fpm)
    rate, bank = np.array(start.rate_fpm), np.array(start.bank_deg)
    every = max(1, round(done[1].draws.fixed("follow.every_s") / STEP_S))
    last = samples if pilot.to_minutes is None else min(samples, seconds_of(pilot.to_minutes))
    for k in range(seconds_of(pilot.from_minutes), last, every):
        more_rate, more_bank = _correction(pilot.follows, k, plan, *done)
        rate[k : k + every] = start.rate_fpm[k : k + every] + more_rate
        bank[k : k + every] = start.bank_deg[k : k + every] + more_bank
        done = flown(Astray(rate_fpm=rate, bank_deg=bank))
    return done


def _correction(follows: str, k: int, plan: Plan, course: Course, flown: Flown) -> tuple[float, float]:
    """What the pilot adds to rate of climb (fpm) and bank (degrees) by what the instrument shows now."""
    meant, fixed = plan.meant, flown.draws.fixed

    def limited(value: float, name: str) -> float:
        most = fixed(f"follow.{name}")
        return max(min(value, most), -most)

    def shown(channel: str) -> float:
        return float(show(channel, flown).channel[0, k])

    match follows:
        case "airspeed":
            fast = shown("airspeed_kt") - float(meant.airspeed_kt[k])
            return limited(fixed("follow.airspeed") * fast, "most_fpm"), 0.0
        case "altimeter":
            low = float(plan.target_ft[k]) - shown("altimeter_ft")
            return limited(fixed("follow.altimeter") * low, "most_fpm"), 0.0
        case "vertical_speed":
            low = float(meant.rate_fpm[k]) - shown("vertical_speed_fpm")
            return limited(fixed("follow.vertical_speed") * low, "most_fpm"), 0.0
        case "attitude" | "electric_attitude":
            bank = shown(f"{follows}_bank_deg") - float(course.bank_deg[k])
            nose = shown(f"{follows}_pitch_deg") - float(course.pitch_deg[k])
            per_deg = float(fpm_from_kt(float(course.airspeed_kt[k]))) * float(np.radians(1.0))
            # the pilot levels the picture: what it shows too much of is taken off the aircraft
            return limited(-nose * per_deg, "most_fpm"), -bank
        case "heading":
            target = meant.start_heading_deg + float(np.sum(meant.turn_dps[:k])) * STEP_S
            return 0.0, limited(fixed("follow.heading") * (target - shown("heading_deg")), "most_bank_deg")
        case _:
            slow = float(meant.turn_dps[k]) - shown("turn_rate_dps")
            return 0.0, limited(fixed("follow.turn_coordinator") * slow, "most_bank_deg")


#: instruments that a pilot can follow
FOLLOWED = (
    "airspeed",
    "altimeter",
    "vertical_speed",
    "attitude",
    "electric_attitude",
    "heading",
    "turn_coordinator",
)


def sound(simulation: Simulation) -> Simulation:
    """The same flight with every part sound: what true instruments would have shown."""
    kept: dict[str, np.ndarray] = {}
    if "airflow" in simulation.flown.conditions.get("suction", ()):
        # a venturi is how this panel makes its suction, not a failure
        kept["suction"] = np.full(simulation.samples, "airflow")
    none = {name: np.zeros(simulation.samples) for name in kept}
    flown = replace(simulation.flown, conditions=kept, degrees=none, battery=None, kept={})
    return replace(simulation, flown=flown, half={}, degrees={}, kept={})
