"""From the legs of a scenario to what the pilot means to fly, second by second."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model.script import Leg, ScenarioRecord, leg_starts_min
from diagnose.model.units import Array, s_from_min
from diagnose.physics.course import STEP_S, Bumps, Handling, Meant
from diagnose.physics.sizes import Sizes


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
            # speeding up is what the leg is for: it lasts as long as the leg
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
