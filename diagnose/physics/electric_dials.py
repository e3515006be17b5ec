"""Bus voltage, and what voltmeter, lamps and low-voltage light show of it.

The condition of the source ``bus`` says whether the alternator works and how far the battery is down;
voltage follows from load, capacity and engine speed. Numbers are of a 14 V system. Arrays (flight, time).
"""

from __future__ import annotations

import numpy as np

from diagnose.model.units import S_PER_MIN, Array
from diagnose.physics.draws import Draws
from diagnose.physics.electrical import (
    alternator_a,
    battery_current_a,
    battery_minutes,
    bus_voltage_v,
    used_share,
)
from diagnose.physics.electrical import low_voltage_light as lit_below
from diagnose.physics.flight import STEP_S
from diagnose.physics.flown import Flown, once
from diagnose.physics.suction_dials import engine_rpm

#: conditions that have physics
BUS = ("charging", "high", "on_battery", "sagging", "dead")


def _carried_a(power: np.ndarray, draws: Draws) -> Array:
    """Current out of the battery beside a working alternator; shape of the words for power."""
    count = len(power)
    load = draws("electrical.load_a", count)[:, None]
    available = alternator_a(
        engine_rpm(power, draws),
        rated_a=draws("electrical.alternator_rated_a", count)[:, None],
        cut_in_rpm=draws("electrical.alternator_cut_in_rpm", count)[:, None],
        full_rpm=draws("electrical.alternator_full_rpm", count)[:, None],
    )
    return battery_current_a(load, available)


def battery_over_time(alternator: np.ndarray, power: np.ndarray, draws: Draws) -> tuple[Array, Array]:
    """Current out of the battery over a whole flight, and the share of its endurance that is used up; (1, time).

    ``alternator`` (time,) and ``power`` (1, time) hold their words. A working alternator charges it again.
    """
    load, works = draws("battery.load_a", 1), np.isin(alternator, ("charging", "overcharging"))
    weak = load * (1.0 - draws("battery.low_output_share", 1))
    drawn = np.select([works, alternator == "low_output"], [_carried_a(power, draws)[0], weak], load)
    whole_min = battery_minutes(
        draws("battery.capacity_ah", 1),
        np.maximum(drawn, 0.1),
        draws("battery.sound_share", 1),
        draws.fixed("battery.peukert_exponent"),
    )
    charges = np.where(works, -1.0 / draws("battery.recharge_min", 1), 0.0)
    change = np.where(drawn > 0.0, 1.0 / whole_min, charges)
    used, level = np.empty(len(drawn)), 0.0
    for k, per_minute in enumerate((change * STEP_S / S_PER_MIN).tolist()):
        level = min(max(level + per_minute, 0.0), 1.0)
        used[k] = level
    return drawn[None], used[None]


def _used_now(flown: Flown, drawn: Array, along: Array) -> Array:
    """Share of the battery's endurance that is used up in a moment, from how far along its condition of the bus is."""
    knee = flown.draws.fixed("battery.knee_used_share")
    begin = {"on_battery": knee * along, "sagging": knee + (1.0 - knee) * along}
    more = used_share(
        np.broadcast_to(drawn, flown.motion.height_ft.shape),
        STEP_S,
        flown.size("battery.capacity_ah")[:, 0],
        flown.size("battery.sound_share")[:, 0],
        flown.draws.fixed("battery.peukert_exponent"),
    )
    return np.minimum(begin.get(flown.state("bus"), 0.0 * along) + more, 1.0)


@once
def bus_v(flown: Flown) -> Array:
    """Voltage of the main bus."""
    flown.must_be("bus", *BUS)
    fixed = flown.draws.fixed
    dead, high = flown.degree("bus", "dead") > 0.0, flown.degree("bus", "high") > 0.0
    nothing = np.zeros((1, flown.motion.samples))
    if dead.all():
        return nothing + np.zeros((flown.motion.count, 1))
    drawn, used = flown.battery or (nothing, nothing)
    works = flown.state("bus", "charging") in ("charging", "high")
    if not flown.whole:
        drawn = _carried_a(flown.motion.power, flown.draws) if works else flown.size("battery.load_a")
        used = np.zeros((1, 1)) if works else flown.uniform("battery")
    regulated = nothing + fixed("electrical.regulated_v")
    if high.any():
        regulated = np.where(high, flown.size("electrical.overcharge_v"), regulated)
    if not flown.whole:
        used = _used_now(flown, drawn, used)
    volts = bus_voltage_v(
        drawn,
        used,
        regulated_v=regulated,
        used_points=(0.0, fixed("battery.knee_used_share"), 1.0),
        volts_points=(fixed("battery.full_v"), fixed("battery.knee_v"), fixed("battery.flat_v")),
    )
    return np.where(dead, 0.0, volts)


def low_voltage_light(flown: Flown) -> Array:
    """Whether the low-voltage light is on, 1 or 0; without any voltage it cannot be."""
    volts = bus_v(flown)
    alive = volts >= flown.draws.fixed("electrical.light_needs_v")
    lit = lit_below(volts, flown.size("electrical.light_trip_v")) & alive
    lit = np.where(flown.degree("low_voltage_sensor", "lit") > 0.0, alive, lit)
    return np.where(flown.degree("low_voltage_sensor", "dead") > 0.0, 0.0, lit)


def lights_share(flown: Flown) -> Array:
    """How bright filament lamps burn, as a share of their light while the alternator charges."""
    regulated, power = (flown.draws.fixed(f"electrical.{name}") for name in ("regulated_v", "lamp_exponent"))
    return np.asarray((bus_v(flown) / regulated) ** power)
