"""Suction of the panel's source, what drives the gyros, and what gauge and light show of it.

The condition of the source ``suction`` says which pump, regulator or hose is at fault, or that standby or
venturi drive the gyros; the rest follows from engine speed, altitude, speed and plumbing. Suctions in
inHg below cabin pressure; arrays (flight, time) unless said.
"""

from __future__ import annotations

import numpy as np

from diagnose.model.units import Array
from diagnose.physics.atmosphere import pressure_inhg
from diagnose.physics.draws import Draws
from diagnose.physics.flight import Flights, engine_rpm
from diagnose.physics.gyros import air_driven_speed
from diagnose.physics.pressure_dials import States
from diagnose.physics.vacuum import (
    gauge_suction_inhg,
    gyro_suction_inhg,
    pump_suction_inhg,
    regulated_inhg,
    standby_suction_inhg,
    venturi_suction_inhg,
)


def _column(values: Array) -> Array:
    return values[:, None]


def manifold_suction_inhg(condition: str, flights: Flights, draws: Draws, filter_resistance: Array) -> Array:
    """Suction behind the gyros for a condition of the source; ``filter_resistance`` shape (flight,)."""
    count = flights.count
    setting = draws("suction.regulator.inhg", count)
    match condition:
        case "none":
            return np.zeros((count, flights.samples))
        case "standby":
            return _regulated(_standby(flights, draws), setting)
        case "standby_full":
            # with the throttle open there is none, however much there was with less
            open_throttle = flights.axes["power"] == "full"
            return _regulated(np.where(open_throttle, _standby(flights, draws), setting), setting)
        case "airflow":
            drawn = venturi_suction_inhg(
                flights.airspeed_kt,
                rated_suction_inhg=_column(draws("suction.venturi.rated_inhg", count)),
                rated_airspeed_kt=draws.fixed("suction.venturi.rated_kt"),
            )
            return regulated_inhg(drawn, _column(setting))
    pull, leak = draws("suction.pump.full_inhg", count), np.zeros(count)
    match condition:
        case "high":
            setting = draws("suction.high.regulator_inhg", count)
        case "low" | "thin":
            setting = draws(f"suction.{condition}.regulator_inhg", count)
        case "weak":
            worn = draws.chance("suction.weak.is_pump", count)
            pull = np.where(worn, draws("suction.weak.full_inhg", count), pull)
            leak = np.where(worn, 0.0, draws("suction.weak.leak_share", count))
    pulled = pump_suction_inhg(
        engine_rpm(flights, draws),
        flights.height_ft[:, 0],
        full_suction_inhg=pull,
        full_rpm=draws.fixed("suction.pump.full_rpm"),
        filter_resistance=filter_resistance,
        leak_share=leak,
    )
    held = regulated_inhg(pulled, setting)
    if condition == "swinging":
        every = draws("suction.swinging.every_s", count)
        return draws.steps(np.zeros(count), held, flights.samples, every)
    return np.asarray(_column(held) * np.ones(flights.samples))


def _regulated(suction: Array, setting: Array) -> Array:
    return np.asarray(_column(regulated_inhg(suction, setting)) * np.ones((len(setting), 1)))


def _standby(flights: Flights, draws: Draws) -> Array:
    """Standby suction by engine power: outside pressure less manifold pressure; shape (flight,)."""
    count, height_ft = flights.count, flights.height_ft[:, 0]
    power = flights.axes["power"]
    ambient = pressure_inhg(height_ft)
    open_inhg = ambient - draws("engine.intake_loss_inhg", count)
    part_inhg = np.minimum(draws("engine.cruise_manifold_inhg", count), open_inhg)
    idle_inhg = draws("engine.idle_manifold_inhg", count)
    manifold = np.select([power == "full", power == "idle"], [open_inhg, idle_inhg], part_inhg)
    return standby_suction_inhg(height_ft, manifold)


def _filter_resistance(states: States, flights: Flights, draws: Draws) -> Array:
    if states.get("gyro_filter") == "clogged":
        return draws("suction.filter.resistance", flights.count)
    return np.zeros(flights.count)


def starved_rotor_speed(conditions: tuple[str, ...], flights: Flights, draws: Draws) -> Array:
    """Speed, as a share of full, that a rotor settles at under these conditions; shape (flight,).

    Flights take the conditions in turn. Full speed is that of the regulator's usual setting.
    """
    resistance = np.zeros(flights.count)
    drives = [
        gyro_suction_inhg(manifold_suction_inhg(condition, flights, draws, resistance)[:, 0], resistance)
        for condition in conditions
    ]
    which = np.arange(flights.count) % len(conditions)
    normal = draws("suction.regulator.inhg", flights.count)
    return air_driven_speed(np.choose(which, drives), normal)


def suction_inhg(states: States, flights: Flights, draws: Draws) -> Array:
    """What the suction gauge shows."""
    count = flights.count
    shape = (count, flights.samples)
    match states.get("suction_gauge", "true"):
        case "stuck":
            return np.broadcast_to(_column(draws("suction.gauge_stuck_inhg", count)), shape)
        case "reads_zero":
            return np.broadcast_to(_column(draws("suction.gauge_zero_inhg", count)), shape)
    resistance = _filter_resistance(states, flights, draws)
    manifold = manifold_suction_inhg(states.get("suction", "normal"), flights, draws, resistance)
    seen = np.where(
        _column(draws.chance("suction.gauge.differential", count)),
        gauge_suction_inhg(manifold, _column(resistance), differential=True),
        gauge_suction_inhg(manifold, _column(resistance), differential=False),
    )
    return np.asarray(np.maximum(seen + _column(draws.either_way("suction.gauge.error_inhg", count)), 0.0))


def low_vacuum_light(states: States, flights: Flights, draws: Draws) -> Array:
    """Whether the low-vacuum light is on, 1 or 0; its switch has its own line behind the gyros."""
    count, samples = flights.count, flights.samples
    match states.get("vacuum_switch", "working"):
        case "lit":
            return np.ones((count, samples))
        case "dead":
            return np.zeros((count, samples))
    condition = states.get("suction", "normal")
    manifold = manifold_suction_inhg(condition, flights, draws, np.zeros(count))
    return np.asarray(manifold < _column(draws("suction.light.trip_inhg", count)), dtype=np.float64)
