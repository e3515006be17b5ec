"""Rotors, horizons, heading, turn and compass over time."""

from __future__ import annotations

import numpy as np

from diagnose.model.units import Array
from diagnose.physics.airdata import (
    pressure_line,
)
from diagnose.physics.compass import card_history_deg, dip_deg, settled_heading_deg
from diagnose.physics.course import STEP_S
from diagnose.physics.gyros import (
    air_driven_speed,
    apparent_pitch_deg,
    electric_speed,
    horizon_error_deg,
    rotor_history,
    turn_coordinator_dps,
)
from diagnose.physics.history.electric import electric_volts
from diagnose.physics.history.flown import Flown, frozen
from diagnose.physics.history.suction import gyro_inhg


def rotor(flown: Flown, drive: str) -> Array:
    """Speed of a rotor, share of full, by the condition of the air or power that drives it."""
    return flown.once(f"rotor {drive}", lambda: _rotor(flown, drive))


def _rotor(flown: Flown, drive: str) -> Array:
    sizes = flown.sizes
    if drive.endswith("_power"):
        settled = electric_share(flown) * (1.0 - flown.degree(drive, "none"))
    else:
        normal = sizes("suction.regulator.inhg")
        settled = np.minimum(air_driven_speed(gyro_inhg(flown), normal), 1.0)
        settled = settled * (1.0 - flown.degree(drive, "none"))
        robs = flown.degree("attitude_hose", "open_case")
        if drive == "heading_air" and robs.any():
            # air that is robbed on its way drives no better than a regulator that is set low
            robbed = float(air_driven_speed(sizes("suction.low.regulator_inhg"), normal))
            settled = settled * (1.0 - robs * (1.0 - robbed))
    begins = flown.degree(drive, "building")[0] > 0.0
    up, down = sizes("rotor.run_up_min"), sizes("rotor.run_down_min")
    # what fails in a scenario begins to fail in it: the rotor was up to speed before
    return rotor_history(settled, STEP_S, up, down, 0.2 if begins else 1.0)


def electric_share(flown: Flown) -> Array:
    """Speed that an electric rotor settles at, by the voltage of the bus."""
    sizes = flown.sizes
    regulated = sizes("electrical.regulated_v")
    return np.minimum(electric_speed(electric_volts(flown), regulated, sizes("turn.friction_v")), 1.0)


def _horizon(flown: Flown, which: str, drive: str) -> tuple[Array, Array]:
    """Errors of an attitude indicator in bank and pitch, shown less true."""
    sizes, course, samples = flown.sizes, flown.course, flown.samples
    speed = rotor(flown, drive)
    # the mechanism that erects needs the same drive as the rotor
    starved = np.maximum(flown.degree(drive, "none", "low", "swinging"), 1.0 - np.clip(speed, 0.0, 1.0) ** 2)
    first = sizes.either_way("rotor.lean_first_dpm") * sizes("rotor.lean_bumps_times")
    if (weak := flown.degree(f"{which}_part", "slow_erection")).any():
        starved = np.maximum(starved, weak * (1.0 - sizes("attitude.slow.erection_share")))
    # a sound rotor drifts as well; its erection takes that out faster than it comes, or it would lean over by itself
    limit = max(sizes("attitude.erection_limit_dpm"), sizes("attitude.sound_erection_times") * abs(first))
    bank, pitch = horizon_error_deg(
        speed=speed,
        erection=1.0 - starved,
        turn_dps=course.turn_dps,
        vertical_bank_deg=course.bank_deg,
        vertical_pitch_deg=apparent_pitch_deg(course.gain_kt_per_s),
        step_s=STEP_S,
        erection_tau_min=sizes("attitude.erection_tau_min"),
        erection_limit_dpm=limit,
        bank_drift_dpm=first,
        pitch_drift_dpm=first * sizes("attitude.pitch_share"),
        stop_deg=sizes("attitude.largest_lean_deg"),
    )
    jitter = sizes.wander(f"{which} jitter", sizes("attitude.jitter_deg"), samples, 8)
    bank = bank + jitter + _wander_deg(flown, which, speed, starved)
    worn = flown.degree(f"{which}_part", "worn")
    if worn.any():
        bank = bank + worn * _worn_deg(flown, which, worn)
    wrong = flown.degree(f"{which}_part", "mis_set")
    if wrong.any():
        pitch = pitch + wrong * sizes.either_way("attitude.mis_set_deg")
    return bank, pitch


def _wander_deg(flown: Flown, which: str, speed: Array, starved: Array) -> Array:
    """What disturbs a gyro turns it the more the slower it spins, and no further than it hangs at rest."""
    sizes = flown.sizes
    loose = np.clip(1.0 - speed, 0.0, 1.0) * (starved > 0.0)
    wander = sizes.wander(f"{which} wander", sizes("rotor.wander_deg"), flown.samples, 8)
    most = sizes("attitude.stopped.lean_deg")
    return np.asarray(np.clip(loose * wander / np.maximum(speed, 1e-6), -most, most))


def _worn_deg(flown: Flown, which: str, degree: Array) -> Array:
    """A worn bearing: it oscillates, or leans over steadily."""
    sizes, time_s = flown.sizes, flown.course.time_s
    side = 1.0 if sizes.uniform(f"{which} worn side") < 0.5 else -1.0
    tumbles, leans = sizes("attitude.worn.tumbles"), sizes("attitude.worn.leans")
    if sizes.uniform(f"{which} worn kind") < tumbles / (tumbles + leans):
        return np.asarray(
            sizes("attitude.worn.size_deg") * np.sin(2.0 * np.pi * time_s / sizes("attitude.worn.period_s"))
        )
    since_min = np.cumsum(degree > 0.0) * STEP_S / 60.0
    lean = sizes("attitude.worn.lean_deg") + sizes("attitude.worn.drift_dpm") * since_min
    return np.asarray(side * np.minimum(lean, sizes("attitude.largest_lean_deg")))


def attitude_deg(flown: Flown, which: str = "attitude") -> tuple[Array, Array]:
    """Bank and pitch that an attitude indicator shows; ``which``: attitude, electric_attitude."""
    drive = "attitude_air" if which == "attitude" else "electric_attitude_power"
    course = flown.course
    key = f"{which} error"
    if key not in flown.kept:
        flown.kept[key] = np.array(_horizon(flown, which, drive))
    bank, pitch = flown.once(key, lambda: np.zeros(0))
    return course.bank_deg + bank, course.pitch_deg + pitch


def heading_shown_deg(flown: Flown) -> Array:
    """Heading that the heading indicator shows, not wrapped."""
    return flown.once("heading", lambda: _heading(flown))


def _heading(flown: Flown) -> Array:
    sizes, course, part = flown.sizes, flown.course, "heading_part"
    speed = rotor(flown, "heading_air")
    sound = sizes.either_way("heading.mechanical_drift_dph") / 60.0
    side = 1.0 if sizes.uniform("heading drifts") < 0.5 else -1.0
    starved = side * abs(sizes("rotor.lean_first_dpm")) * sizes("rotor.lean_bumps_times")
    start = sizes.either_way("heading.sound_error_deg") * 0.5
    if flown.degree(part, "not_reset")[0] > 0.0:
        start = sizes.either_way("heading.not_reset.error_deg")
    slow, stopped = sizes("rotor.up_to_speed_above"), sizes("rotor.stopped_below")
    drift_dpm = np.select(
        [speed >= slow, speed >= stopped],
        [np.full(flown.samples, sound), starved / np.maximum(speed, stopped)],
        sizes.either_way("heading.stopped.drift_dpm"),
    )
    worn = flown.degree(part, "worn")
    if worn.any():
        kind = "spin" if sizes.chance("heading.worn.spins") else "drift"
        drift_dpm = drift_dpm + worn * sizes.either_way(f"heading.worn.{kind}_dpm")
    lost = np.where(speed < stopped, 1.0 - sizes("heading.stopped.follows"), 0.0) * course.turn_dps
    error = start + np.cumsum(drift_dpm / 60.0 - lost) * STEP_S
    return frozen(course.heading_deg + error, flown.degree(part, "stuck"))


def turn_shown_dps(flown: Flown) -> Array:
    """Rate that the turn coordinator shows."""
    return flown.once("turn", lambda: _turn(flown))


def _turn(flown: Flown) -> Array:
    sizes, course = flown.sizes, flown.course
    settled = electric_share(flown) * (1.0 - flown.degree("turn_power", "none"))
    settled = settled * (1.0 - flown.degree("turn_part", "dead_rotor"))
    if (slow := flown.degree("turn_part", "slow_rotor")).any():
        settled = settled * (1.0 - slow * (1.0 - sizes("turn.slow_rotor.gain")))
    if (lively := flown.degree("turn_part", "over_sensitive")).any():
        settled = settled * (1.0 + lively * (sizes("turn.over_sensitive.gain") - 1.0))
    coast = sizes("turn.coast_min")
    speed = rotor_history(settled, STEP_S, coast, coast, 1.0)
    felt = turn_coordinator_dps(
        course.turn_dps,
        np.gradient(course.bank_deg, STEP_S),
        speed * sizes("turn.gain"),
        cant_deg=sizes("turn.cant_deg"),
        stop_dps=sizes("turn.stop_dps"),
    )
    felt = np.where(flown.degree("turn_part", "reversed") > 0.0, -felt, felt)
    if (off := flown.degree("turn_part", "off_zero")).any():
        felt = felt + off * sizes.either_way("turn.off_zero.dps")
    return pressure_line(felt, STEP_S, sizes("turn.damping_s"))


def compass_shown_deg(flown: Flown) -> Array:
    """Heading that the compass shows, not wrapped."""
    sizes, course = flown.sizes, flown.course
    wild = flown.degree("compass_part", "disturbed")
    most, nought = sizes("compass.deviation_deg"), sizes("compass.undisturbed_heading_deg")
    settled = settled_heading_deg(
        course.heading_deg + wild * most * np.sin(np.radians(course.heading_deg - nought)),
        course.bank_deg,
        apparent_pitch_deg(course.gain_kt_per_s),
        dip_deg(flown.latitude_deg),
    )
    card = np.degrees(np.unwrap(np.radians(card_history_deg(settled, STEP_S, sizes("compass.lag_s")))))
    # back to the turns that the heading has made, so that the two compare
    card = card + 360.0 * np.round((course.heading_deg[0] - card[0]) / 360.0)
    return frozen(card, flown.degree("compass_part", "stuck"))
