"""Bus voltage, and what voltmeter and low-voltage light show of it.

The condition of the source ``bus`` says whether the alternator works and how far the battery is down;
voltage follows from load, capacity and engine speed. Numbers are of a 14 V system. Arrays (flight, time).
"""

from __future__ import annotations

import numpy as np

from diagnose.model.units import Array
from diagnose.physics.draws import Draws
from diagnose.physics.electrical import (
    alternator_a,
    battery_current_a,
    bus_voltage_v,
    used_share,
)
from diagnose.physics.electrical import low_voltage_light as lit_below
from diagnose.physics.flight import STEP_S, Flights, engine_rpm
from diagnose.physics.pressure_dials import States


def _column(values: Array) -> Array:
    return values[:, None]


def bus_v(states: States, flights: Flights, draws: Draws) -> Array:
    """Voltage of the main bus."""
    count, samples = flights.count, flights.samples
    condition = states.get("bus", "charging")
    if condition == "dead":
        return np.zeros((count, samples))
    knee = draws.fixed("battery.knee_used_share")
    match condition:
        case "charging" | "high":
            load = draws("electrical.load_a", count)
            available = alternator_a(
                engine_rpm(flights, draws),
                rated_a=draws("electrical.alternator_rated_a", count),
                cut_in_rpm=draws("electrical.alternator_cut_in_rpm", count),
                full_rpm=draws("electrical.alternator_full_rpm", count),
            )
            used = np.zeros(count)
        case "on_battery":
            load, available = draws("battery.load_a", count), np.zeros(count)
            used = knee * draws.rng.random(count)
        case "sagging":
            load, available = draws("battery.load_a", count), np.zeros(count)
            used = knee + (1.0 - knee) * draws.rng.random(count)
        case _:
            raise ValueError(f"bus voltage has no physics for condition {condition!r}")
    drawn = np.broadcast_to(_column(battery_current_a(load, available)), (count, samples))
    regulated: Array | float = draws.fixed("electrical.regulated_v")
    if condition == "high":
        regulated = _column(draws("electrical.overcharge_v", count))
    more = used_share(
        drawn,
        STEP_S,
        draws("battery.capacity_ah", count),
        draws("battery.sound_share", count),
        draws.fixed("battery.peukert_exponent"),
    )
    return bus_voltage_v(
        drawn,
        np.minimum(_column(used) + more, 1.0),
        regulated_v=regulated,
        used_points=(0.0, knee, 1.0),
        volts_points=tuple(draws.fixed(f"battery.{name}_v") for name in ("full", "knee", "flat")),
    )


def low_voltage_light(states: States, flights: Flights, draws: Draws) -> Array:
    """Whether the low-voltage light is on, 1 or 0; without any voltage it cannot be."""
    count, samples = flights.count, flights.samples
    volts = bus_v(states, flights, draws)
    alive = volts >= draws.fixed("electrical.light_needs_v")
    match states.get("low_voltage_sensor", "working"):
        case "dead":
            return np.zeros((count, samples))
        case "lit":
            return np.asarray(alive, dtype=np.float64)
    trip = _column(draws("electrical.light_trip_v", count))
    return np.asarray(lit_below(volts, trip) & alive, dtype=np.float64)


def lights_share(states: States, flights: Flights, draws: Draws) -> Array:
    """How bright filament lamps burn, as a share of their light while the alternator charges."""
    regulated, power = draws.fixed("electrical.regulated_v"), draws.fixed("electrical.lamp_exponent")
    return np.asarray((bus_v(states, flights, draws) / regulated) ** power)
