"""Battery, bus voltage and what shows them over time."""

from __future__ import annotations

import numpy as np

from diagnose.model.units import S_PER_MIN, Array
from diagnose.physics.course import STEP_S
from diagnose.physics.electrical import alternator_a, battery_current_a, battery_minutes, bus_voltage_v
from diagnose.physics.electrical import low_voltage_light as lit_below
from diagnose.physics.history.flown import Flown
from diagnose.physics.sizes import Sizes


def drawn_a(alternator: np.ndarray, rpm: Array, sizes: Sizes) -> Array:
    """Current out of the battery by the alternator's condition at each second; 0 while it is carried."""
    available = alternator_a(
        rpm,
        rated_a=sizes("electrical.alternator_rated_a"),
        cut_in_rpm=sizes("electrical.alternator_cut_in_rpm"),
        full_rpm=sizes("electrical.alternator_full_rpm"),
    )
    carried = battery_current_a(sizes("electrical.load_a"), available)
    load = sizes("battery.load_a")
    weak = load * (1.0 - sizes("battery.low_output_share"))
    return np.select([np.isin(alternator, ("charging", "overcharging")), alternator == "low_output"], [carried, np.full(len(rpm), weak)], load)  # fmt: skip


def battery_used(drawn: Array, alternator: np.ndarray, sizes: Sizes) -> Array:
    """Share of the battery's endurance that is used up; a working alternator charges it again."""
    exponent = sizes("battery.peukert_exponent")
    whole_min = battery_minutes(
        sizes("battery.capacity_ah"), np.maximum(drawn, 0.1), sizes("battery.sound_share"), exponent
    )
    charges = np.isin(alternator, ("charging", "overcharging")) & (drawn <= 0.0)
    change = np.where(
        charges, -1.0 / sizes("battery.recharge_min"), np.where(drawn > 0.0, 1.0 / whole_min, 0.0)
    )
    used, level = np.empty(len(drawn)), 0.0
    for k, per_minute in enumerate((change * STEP_S / S_PER_MIN).tolist()):
        level = min(max(level + per_minute, 0.0), 1.0)
        used[k] = level
    return used


def bus_volts(drawn: Array, used: Array, bus: np.ndarray, sizes: Sizes) -> Array:
    """Voltage of the main bus."""
    volts = bus_voltage_v(
        drawn,
        used,
        regulated_v=sizes("electrical.regulated_v"),
        used_points=(0.0, sizes("battery.knee_used_share"), 1.0),
        volts_points=(sizes("battery.full_v"), sizes("battery.knee_v"), sizes("battery.flat_v")),
    )
    above = sizes("electrical.overcharge_v") - sizes("electrical.regulated_v")
    return np.where(bus == "dead", 0.0, volts + np.where((bus == "high") & (drawn <= 0.0), above, 0.0))


def low_voltage_light(flown: Flown) -> Array:
    """Whether the low-voltage light is on, 1 or 0; without any voltage it cannot be."""
    volts = electric_volts(flown)
    alive = volts >= flown.sizes("electrical.light_needs_v")
    lit = lit_below(volts, flown.sizes("electrical.light_trip_v")) & alive
    lit = np.where(flown.degree("low_voltage_sensor", "lit") > 0.0, alive, lit)
    return np.where(flown.degree("low_voltage_sensor", "dead") > 0.0, 0.0, lit.astype(np.float64))


def electric_volts(flown: Flown) -> Array:
    """Voltage of the main bus over the flight."""
    return (
        np.full(flown.samples, flown.sizes("electrical.regulated_v")) if flown.bus_v is None else flown.bus_v
    )


def lights_share(flown: Flown) -> Array:
    """How bright filament lamps burn, as a share of their light while the alternator charges."""
    regulated = flown.sizes("electrical.regulated_v")
    return np.asarray((electric_volts(flown) / regulated) ** flown.sizes("electrical.lamp_exponent"))
