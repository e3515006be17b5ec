"""Suction over time: what drives the air gyros, and what gauge and light show of it."""

from __future__ import annotations

import numpy as np

from diagnose.model.units import Array
from diagnose.physics.airdata import (
    pressure_line,
)
from diagnose.physics.atmosphere import pressure_inhg
from diagnose.physics.course import STEP_S
from diagnose.physics.history.flown import Flown, frozen
from diagnose.physics.sizes import Sizes
from diagnose.physics.vacuum import (
    gauge_suction_inhg,
    gyro_suction_inhg,
    pump_suction_inhg,
    regulated_inhg,
    standby_suction_inhg,
    venturi_suction_inhg,
)


def _manifold_inhg(flown: Flown, condition: str, resistance: Array) -> Array:
    """Suction behind the gyros while the source is in this condition, at each second."""
    sizes, course = flown.sizes, flown.course
    setting = sizes("suction.regulator.inhg")
    if condition == "none":
        return np.zeros(flown.samples)
    if condition in ("standby", "standby_full"):
        ambient = pressure_inhg(course.height_ft)
        open_inhg = ambient - sizes("engine.intake_loss_inhg")
        part_inhg = np.minimum(sizes("engine.cruise_manifold_inhg"), open_inhg)
        idle_inhg = np.full(flown.samples, sizes("engine.idle_manifold_inhg"))
        held = np.select([flown.power == "full", flown.power == "idle"], [open_inhg, idle_inhg], part_inhg)
        return regulated_inhg(standby_suction_inhg(course.height_ft, held), setting)
    if condition == "airflow":
        rated, at_kt = sizes("suction.venturi.rated_inhg"), sizes("suction.venturi.rated_kt")
        drawn = venturi_suction_inhg(course.airspeed_kt, rated_suction_inhg=rated, rated_airspeed_kt=at_kt)
        return regulated_inhg(drawn, setting)
    pull, leak = sizes("suction.pump.full_inhg"), 0.0
    if condition in ("high", "low", "thin"):
        setting = sizes(f"suction.{condition}.regulator_inhg")
    if condition == "weak":
        worn = sizes.chance("suction.weak.is_pump")
        pull = sizes("suction.weak.full_inhg") if worn else pull
        leak = 0.0 if worn else sizes("suction.weak.leak_share")
    pulled = pump_suction_inhg(
        engine_rpm(flown),
        course.height_ft,
        full_suction_inhg=pull,
        full_rpm=sizes("suction.pump.full_rpm"),
        filter_resistance=resistance,
        leak_share=leak,
    )
    held = regulated_inhg(pulled, setting)
    if condition == "swinging":
        jumps = sizes.steps("suction swings", 0.0, 1.0, flown.samples, sizes("suction.swinging.every_s"))
        return held * jumps
    return held


def engine_rpm(flown: Flown) -> Array:
    """Engine speed over the flight."""
    return flown.once("rpm", lambda: rpm_of(flown.power, flown.sizes))


def rpm_of(power: np.ndarray, sizes: Sizes) -> Array:
    """Engine speed by the power that is set, which it takes up within seconds."""
    levels = [sizes(f"engine.{name}_rpm") for name in ("idle", "cruise", "full")]
    wanted = np.select([power == "idle", power == "cruise"], levels[:2], levels[2])
    return pressure_line(wanted.astype(np.float64), STEP_S, 2.0)


def _resistance(flown: Flown) -> Array:
    return flown.degree("gyro_filter", "clogged") * flown.sizes("suction.filter.resistance")


def manifold_inhg(flown: Flown) -> Array:
    """Suction behind the gyros over the flight."""
    return flown.once("manifold", lambda: _manifold(flown))


def _manifold(flown: Flown) -> Array:
    resistance = _resistance(flown)
    usual = "airflow" if "airflow" in flown.conditions.get("suction", ()) else "normal"
    value = _manifold_inhg(flown, usual, resistance)
    for condition in ("high", "low", "thin", "weak", "standby", "standby_full", "swinging", "none"):
        degree = flown.degree("suction", condition)
        if degree.any():
            value = value + degree * (_manifold_inhg(flown, condition, resistance) - value)
    return np.asarray(value)


def gyro_inhg(flown: Flown) -> Array:
    """Pressure drop that drives the rotors."""
    return gyro_suction_inhg(manifold_inhg(flown), _resistance(flown))


def suction_inhg(flown: Flown) -> Array:
    """What the suction gauge shows."""
    sizes, part = flown.sizes, "suction_gauge"
    differential = sizes.chance("suction.gauge.differential")
    seen = gauge_suction_inhg(manifold_inhg(flown), _resistance(flown), differential=differential)
    value = np.maximum(seen + sizes.either_way("suction.gauge.error_inhg"), 0.0)
    if (zero := flown.degree(part, "reads_zero")).any():
        value = value + zero * (sizes("suction.gauge_zero_inhg") - value)
    stuck = flown.degree(part, "stuck")
    if stuck[0] > 0.0:
        return np.full(flown.samples, sizes("suction.gauge_stuck_inhg"))
    return frozen(value, stuck)


def low_vacuum_light(flown: Flown) -> Array:
    """Whether the low-vacuum light is on, 1 or 0."""
    lit = np.asarray(manifold_inhg(flown) < flown.sizes("suction.light.trip_inhg"), dtype=np.float64)
    lit = np.where(flown.degree("vacuum_switch", "lit") > 0.0, 1.0, lit)
    return np.where(flown.degree("vacuum_switch", "dead") > 0.0, 0.0, lit)
