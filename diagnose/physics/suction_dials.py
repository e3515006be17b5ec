"""Suction of the panel's source, what drives the gyros, and what gauge and light show of it.

The condition of the source ``suction`` says which pump, regulator or hose is at fault, or that standby or
venturi drive the gyros; the rest follows from engine speed, altitude, speed and plumbing. Suctions in
inHg below cabin pressure; arrays (flight, time), or (flight, 1) where nothing changes within a moment.
"""

from __future__ import annotations

import numpy as np

from diagnose.model.units import Array
from diagnose.physics.airdata import pressure_line
from diagnose.physics.atmosphere import pressure_inhg
from diagnose.physics.draws import Draws
from diagnose.physics.flight import STEP_S, Flights
from diagnose.physics.flown import Flown, frozen, moment, once
from diagnose.physics.gyros import air_driven_speed
from diagnose.physics.vacuum import (
    gauge_suction_inhg,
    gyro_suction_inhg,
    pump_suction_inhg,
    regulated_inhg,
    standby_suction_inhg,
    venturi_suction_inhg,
)

#: conditions of the source beside its usual one
FAULTS = ("high", "low", "thin", "weak", "standby", "standby_full", "swinging", "none")
#: seconds in which the engine takes up the power that is set
RPM_LAG_S = 2.0


def engine_rpm(power: np.ndarray, draws: Draws) -> Array:
    """Engine speed by the words for power; shape (flight, time) or (flight, 1)."""
    idle, full, cruise = (
        draws(f"engine.{name}_rpm", len(power))[:, None] for name in ("idle", "full", "cruise")
    )
    wanted = np.select([power == "idle", power == "full"], [idle, full], cruise)
    return pressure_line(wanted, STEP_S, RPM_LAG_S) if power.shape[1] > 1 else wanted


@once
def manifold_inhg(flown: Flown) -> Array:
    """Suction behind the gyros."""
    resistance = _resistance(flown)
    if not flown.whole:
        return _held_inhg(flown, flown.state("suction", "normal"), resistance)
    usual = "airflow" if "airflow" in flown.conditions.get("suction", ()) else "normal"
    value = _held_inhg(flown, usual, resistance)
    for condition in FAULTS:
        if (degree := flown.degree("suction", condition)).any():
            value = value + degree * (_held_inhg(flown, condition, resistance) - value)
    return value


def _held_inhg(flown: Flown, condition: str, resistance: Array) -> Array:
    """Suction behind the gyros while the source is in this condition."""
    motion, setting = flown.motion, flown.size("suction.regulator.inhg")
    # a minute's climb changes it little: a moment takes the altitude of its start
    height_ft = motion.height_ft if flown.whole else motion.height_ft[:, :1]
    match condition:
        case "none":
            return np.zeros_like(height_ft)
        case "standby":
            return regulated_inhg(_standby_inhg(flown, height_ft), setting)
        case "standby_full":
            # with the throttle open there is none, however much there was with less
            standby = np.where(motion.power == "full", _standby_inhg(flown, height_ft), setting)
            return regulated_inhg(standby, setting)
        case "airflow":
            drawn = venturi_suction_inhg(
                motion.airspeed_kt,
                rated_suction_inhg=flown.size("suction.venturi.rated_inhg"),
                rated_airspeed_kt=flown.draws.fixed("suction.venturi.rated_kt"),
            )
            return regulated_inhg(drawn, setting)
    pull, leak = flown.size("suction.pump.full_inhg"), np.zeros((1, 1))
    if condition in ("high", "low", "thin"):
        setting = flown.size(f"suction.{condition}.regulator_inhg")
    elif condition == "weak":
        worn = flown.happens("suction.weak.is_pump")
        pull = np.where(worn, flown.size("suction.weak.full_inhg"), pull)
        leak = np.where(worn, 0.0, flown.size("suction.weak.leak_share"))
    pulled = pump_suction_inhg(
        engine_rpm(motion.power, flown.draws),
        height_ft,
        full_suction_inhg=pull,
        full_rpm=flown.draws.fixed("suction.pump.full_rpm"),
        filter_resistance=resistance,
        leak_share=leak,
    )
    held = regulated_inhg(pulled, setting)
    if condition == "swinging":
        every_s = flown.size("suction.swinging.every_s")
        return held * flown.steps("suction swings", 0.0 * every_s, 1.0 + 0.0 * every_s, every_s)
    return held


def _standby_inhg(flown: Flown, height_ft: Array) -> Array:
    """Standby suction by engine power: outside pressure less manifold pressure."""
    power = flown.motion.power
    open_inhg = pressure_inhg(height_ft) - flown.size("engine.intake_loss_inhg")
    part_inhg = np.minimum(flown.size("engine.cruise_manifold_inhg"), open_inhg)
    idle_inhg = flown.size("engine.idle_manifold_inhg")
    manifold = np.where(power == "full", open_inhg, np.where(power == "idle", idle_inhg, part_inhg))
    return standby_suction_inhg(height_ft, manifold)


@once
def _resistance(flown: Flown) -> Array:
    """Resistance of the inlet filter, as a multiple of the gyros'."""
    clogged = flown.degree("gyro_filter", "clogged")
    return clogged * flown.size("suction.filter.resistance") if clogged.any() else clogged


def gyro_inhg(flown: Flown) -> Array:
    """Pressure drop that drives the rotors."""
    return gyro_suction_inhg(manifold_inhg(flown), _resistance(flown))


def starved_rotor_speed(conditions: tuple[str, ...], flights: Flights, draws: Draws) -> Array:
    """Speed, as a share of full, that a rotor settles at under these conditions; shape (flight,).

    Flights take the conditions in turn. Full speed is that of the regulator's usual setting.
    """
    drives = [gyro_inhg(moment({"suction": name}, flights, draws))[:, 0] for name in conditions]
    which = np.arange(flights.count) % len(conditions)
    normal = draws("suction.regulator.inhg", flights.count)
    return air_driven_speed(np.choose(which, drives), normal)


def suction_inhg(flown: Flown) -> Array:
    """What the suction gauge shows."""
    part, nothing = "suction_gauge", np.zeros((1, flown.motion.samples))
    stuck, zero = flown.degree(part, "stuck"), flown.degree(part, "reads_zero")
    if stuck[0, 0] > 0.0:
        return flown.size("suction.gauge_stuck_inhg") + nothing
    if (zero >= 1.0).all():
        return flown.size("suction.gauge_zero_inhg") + nothing
    resistance = _resistance(flown)
    manifold = manifold_inhg(flown)
    seen = np.where(
        flown.happens("suction.gauge.differential"),
        gauge_suction_inhg(manifold, resistance, differential=True),
        gauge_suction_inhg(manifold, resistance, differential=False),
    )
    shown = np.maximum(seen + flown.signed("suction.gauge.error_inhg"), 0.0) + nothing
    if zero.any():
        shown = shown + zero * (flown.size("suction.gauge_zero_inhg") - shown)
    return frozen(shown, stuck, shown[:, :1]) if stuck.any() else shown


def low_vacuum_light(flown: Flown) -> Array:
    """Whether the low-vacuum light is on, 1 or 0; its switch has its own line behind the gyros."""
    manifold = manifold_inhg(flown)
    lit = (manifold < flown.size("suction.light.trip_inhg")) + np.zeros((1, flown.motion.samples))
    lit = np.where(flown.degree("vacuum_switch", "lit") > 0.0, 1.0, lit)
    return np.where(flown.degree("vacuum_switch", "dead") > 0.0, 0.0, lit)
