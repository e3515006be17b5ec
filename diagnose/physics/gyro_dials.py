"""What attitude, heading and turn instruments and the compass show.

Angles in degrees, right and up positive; arrays (flight, time). In a whole flight a rotor's speed follows what
drives it, and its errors add up; in a moment the state of its memory says how far it has run down.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from diagnose.model.units import MIN_PER_H, S_PER_MIN, Array
from diagnose.physics.airdata import pressure_line
from diagnose.physics.compass import card_history_deg, dip_deg, settled_heading_deg
from diagnose.physics.electric_dials import bus_v
from diagnose.physics.flight import AIR, STEP_S
from diagnose.physics.flown import Flown, frozen, once
from diagnose.physics.gyros import (
    air_driven_speed,
    apparent_pitch_deg,
    electric_speed,
    heading_drift_dph,
    horizon_error_deg,
    lean_deg,
    rotor_history,
    rotor_speed,
    starved_drift_dpm,
    starved_error_deg,
    turn_coordinator_dps,
)
from diagnose.physics.suction_dials import gyro_inhg

#: what drives the rotor of each instrument
DRIVES = {
    "attitude": "attitude_air",
    "electric_attitude": "electric_attitude_power",
    "heading": "heading_air",
}
#: speed of a rotor that is still being spun up, as a share of full
SPUN_UP = 0.2


# ------------------------------------------------------------------ rotors


@once
def rotor(flown: Flown, which: str) -> Array:
    """Speed of an instrument's rotor over a whole flight, share of full, by the air or power that drives it."""
    drive = DRIVES[which]
    if drive.endswith("_power"):
        settled = _electric_share(flown, bus_v(flown))
    else:
        normal = flown.size("suction.regulator.inhg")
        settled = np.minimum(air_driven_speed(gyro_inhg(flown), normal), 1.0)
        robs = flown.degree("attitude_hose", "open_case")
        if drive == "heading_air" and robs.any():
            # air that is robbed on its way drives no better than a regulator that is set low
            robbed = air_driven_speed(flown.size("suction.low.regulator_inhg"), normal)
            settled = settled * (1.0 - robs * (1.0 - robbed))
    settled = settled * (1.0 - flown.degree(drive, "none"))
    # what fails in a scenario begins to fail in it: the rotor was up to speed before
    begins = SPUN_UP if flown.degree(drive, "building")[0, 0] > 0.0 else 1.0
    up, down = flown.size("rotor.run_up_min")[:, 0], flown.size("rotor.run_down_min")[:, 0]
    return rotor_history(settled, STEP_S, up, down, begins)


def _electric_share(flown: Flown, volts: Array) -> Array:
    """Speed that an electric rotor settles at."""
    regulated = flown.draws.fixed("electrical.regulated_v")
    return np.minimum(electric_speed(volts, regulated, flown.size("turn.friction_v")), 1.0)


def _run_down(flown: Flown) -> tuple[Array, Array, Array]:
    """Minutes since the air failed in a moment, first drift in degrees per minute, time constant in minutes."""
    first = flown.size("rotor.lean_first_dpm") * flown.size("rotor.lean_bumps_times")
    return flown.size("rotor.slowing.minutes"), first, flown.size("rotor.run_down_min")


# ------------------------------------------------------------------ attitude


@once
def attitude_errors_deg(flown: Flown, which: str) -> tuple[Array, Array]:
    """What the picture shows in bank and pitch that the aircraft does not have; ``which``: see ``DRIVES``.

    A starved or worn gyro leans to one side or the other, and pitch follows by a share.
    """
    part = f"{which}_part"
    lean = _rotor_lean_deg(flown, flown.state(f"{which}_rotor", "up_to_speed"))
    if (worn := flown.degree(part, "worn")).any():
        lean = lean + worn * _worn_deg(flown, which, worn)
    lean = flown.side(f"{which} side") * lean
    bank, pitch = _horizon_deg(flown, which)
    jitter = flown.wander(f"{which} jitter", flown.size("attitude.jitter_deg"), 8)
    return bank + lean + jitter, pitch + lean * flown.size("attitude.pitch_share")


def _rotor_lean_deg(flown: Flown, state: str) -> Array:
    """Lean of the picture in a moment by how far the rotor has run down.

    What disturbs a gyro turns it the more the slower it spins, so that it wanders on its way to one side, and
    once stopped hangs there or rolls about.
    """
    if state == "up_to_speed":
        return np.zeros((1, 1))
    if state == "stopped":
        rest = flown.size("attitude.stopped.lean_deg")
        hangs = rest + flown.wander("hangs", np.ones((flown.motion.count, 1)), 8)
        rolls = flown.happens("attitude.stopped.rolls")
        return np.where(rolls, rest * _swing(flown, "rolls"), hangs)
    since, first, tau = _run_down(flown)
    minutes = since + flown.motion.time_s / S_PER_MIN
    lean = lean_deg(minutes, first, tau)
    wander = flown.wander("rotor", flown.size("rotor.wander_deg"), 8) / rotor_speed(minutes, tau)
    return np.minimum(lean + wander, flown.draws.fixed("attitude.largest_lean_deg"))


def _swing(flown: Flown, name: str) -> Array:
    """To and fro between -1 and 1, as a gyro rolls that nothing holds upright."""
    period = flown.size("attitude.worn.period_s")
    return np.asarray(np.sin(2 * np.pi * (flown.motion.time_s / period + flown.uniform(name))))


def _worn_deg(flown: Flown, which: str, degree: Array) -> Array:
    """A worn bearing: oscillates or rolls over, or leans steadily, or is fine for the moment."""
    kind = flown.uniform(f"{which} worn kind")
    tumbles, leans = flown.size("attitude.worn.tumbles"), flown.size("attitude.worn.leans")
    swing = flown.size("attitude.worn.size_deg") * _swing(flown, f"{which} swing")
    time_s = np.cumsum(degree > 0.0, axis=1) * STEP_S if flown.whole else flown.motion.time_s
    lean = flown.size("attitude.worn.lean_deg") + flown.size("attitude.worn.drift_dpm") * time_s / S_PER_MIN
    if flown.whole:
        # over a whole flight it does not stay fine
        kind = kind * (tumbles + leans)
        lean = np.minimum(lean, flown.draws.fixed("attitude.largest_lean_deg"))
    return np.where(kind < tumbles, swing, np.where(kind < tumbles + leans, lean, 0.0))


def _horizon_deg(flown: Flown, which: str) -> tuple[Array, Array]:
    """Errors (bank, pitch) as the erection follows the apparent vertical, with the drift of a starved rotor.

    A turn or a change of speed just before a moment leaves an error that takes some minutes to go. Where the erection
    is weak, such errors, and those of the start, hardly go.
    """
    motion, gained = flown.motion, flown.motion.trend_kt_per_s
    works, left_bank, left_pitch = np.ones((1, 1)), np.zeros((1, 1)), np.zeros((1, 1))
    before = flown.state("erection", "settled")
    if before != "settled":
        works = flown.size("attitude.disturbed.erection_share")
        left = flown.signed("attitude.disturbed.left_deg")
        other = left * flown.size("attitude.disturbed.other_share")
        left_bank, left_pitch = (left, other) if before == "after_turn" else (other, left)
    if (weak := flown.degree(f"{which}_part", "slow_erection")).any():
        works = works * (1.0 - weak * (1.0 - flown.size("attitude.slow.erection_share")))
        left_bank = left_bank + weak[:, :1] * flown.signed("attitude.slow.left_deg")
    tau_min, limit_dpm = flown.size("attitude.erection_tau_min"), flown.size("attitude.erection_limit_dpm")
    speed, drift, stop, wander = np.ones((1, 1)), np.zeros((1, 1)), 90.0, np.zeros((1, 1))
    if flown.whole:
        speed = rotor(flown, which)
        # the mechanism that erects needs the same drive as the rotor
        starved = flown.degree(DRIVES[which], "none", "low", "swinging")
        starved = np.maximum(starved, 1.0 - np.clip(speed, 0.0, 1.0) ** 2)
        works = np.minimum(works, 1.0 - starved)
        drift = flown.signed("rotor.lean_first_dpm") * flown.size("rotor.lean_bumps_times")
        # a sound rotor drifts as well; its erection takes that out faster than it comes, or it would lean over by itself
        least = flown.draws.fixed("attitude.sound_erection_times") * np.abs(drift)
        limit_dpm = np.maximum(limit_dpm, least)
        stop = flown.draws.fixed("attitude.largest_lean_deg")
        wander = _wander_deg(flown, which, speed, starved)
    bank, pitch = horizon_error_deg(
        speed=np.broadcast_to(speed, motion.bank_deg.shape),
        erection=works,
        turn_dps=motion.turn_rate_dps,
        vertical_bank_deg=motion.bank_deg,
        vertical_pitch_deg=apparent_pitch_deg(gained),
        step_s=STEP_S,
        erection_tau_min=tau_min[:, 0],
        erection_limit_dpm=limit_dpm[:, 0],
        bank_drift_dpm=drift[:, 0],
        pitch_drift_dpm=(drift * flown.size("attitude.pitch_share") if flown.whole else drift)[:, 0],
        initial_bank_deg=left_bank[:, 0],
        initial_pitch_deg=left_pitch[:, 0],
        stop_deg=stop,
    )
    # a gyro is a little heavy below, so that it also answers a change of speed that lasts
    answers = flown.size("attitude.acceleration_deg_per_kt_per_s") * motion.lasting_kt_per_s
    return bank + wander, pitch + answers


def _wander_deg(flown: Flown, which: str, speed: Array, starved: Array) -> Array:
    """What disturbs a gyro turns it the more the slower it spins, and no further than it hangs at rest."""
    loose = np.clip(1.0 - speed, 0.0, 1.0) * (starved > 0.0)
    wander = flown.wander(f"{which} wander", flown.size("rotor.wander_deg"), 8)
    most = flown.size("attitude.stopped.lean_deg")
    return np.asarray(np.clip(loose * wander / np.maximum(speed, 1e-6), -most, most))


def attitude_bank_deg(flown: Flown, which: str = "attitude") -> Array:
    """Bank that an attitude indicator shows; none where the pilot holds the picture of the air-driven one level."""
    shown = flown.motion.bank_deg + attitude_errors_deg(flown, which)[0]
    return np.where(flown.motion.held_level & (which == "attitude"), 0.0, shown)


def attitude_pitch_deg(flown: Flown, which: str = "attitude") -> Array:
    """Pitch that an attitude indicator shows."""
    shown = flown.motion.pitch_deg + attitude_errors_deg(flown, which)[1]
    wrong = flown.degree(f"{which}_part", "mis_set")
    return shown + wrong * flown.signed("attitude.mis_set_deg") if wrong.any() else shown


# ------------------------------------------------------------------ heading


def _heading_rotor(flown: Flown) -> Array:
    """Speed of the card's rotor, share of full; the state of its memory says between which limits it is in a moment."""
    if flown.whole:
        return rotor(flown, "heading")
    match flown.state("heading_rotor", "up_to_speed"):
        case "slowing":
            since, _, tau = _run_down(flown)
            least, most = (flown.draws.fixed(f"rotor.{name}") for name in ("stopped_below", "up_to_speed_above"))
            return np.clip(rotor_speed(since + flown.motion.time_s / S_PER_MIN, tau), least, most)
        case "stopped":
            return np.zeros((1, 1))
    return np.ones((1, 1))


def _drift_dpm(flown: Flown) -> tuple[Array, Array]:
    """Drift of the card in degrees a minute, and the share of real turns that it follows."""
    speed, full = _heading_rotor(flown), flown.draws.fixed("rotor.up_to_speed_above")
    turns = speed >= flown.draws.fixed("rotor.stopped_below")
    first = flown.side("heading drifts") * _run_down(flown)[1]
    starved = starved_drift_dpm(np.where(turns, speed, full), first, full)
    drift = np.where(turns, _sound_drift_dpm(flown) + starved, flown.signed("heading.stopped.drift_dpm"))
    follows = np.where(turns, 1.0, flown.size("heading.stopped.follows"))
    if (worn := flown.degree("heading_part", "worn")).any():
        spins = flown.happens("heading.worn.spins")
        fast, slowly = flown.signed("heading.worn.spin_dpm"), flown.signed("heading.worn.drift_dpm")
        drift = drift + worn * np.where(spins, fast, slowly)
    return drift, follows


def _sound_drift_dpm(flown: Flown) -> Array:
    """Drift of a healthy card: earth rate less the latitude nut, transport, and the bearings' own."""
    latitude = flown.signed("flight.latitude_deg")
    nut = latitude + flown.signed("heading.nut_off_deg")
    speed_kt = flown.motion.airspeed_kt if flown.whole else flown.motion.airspeed_kt[:, :1]
    east_kt = speed_kt * np.sin(2.0 * np.pi * flown.uniform("heading east"))
    bearings_dph = flown.signed("heading.mechanical_drift_dph")
    return np.asarray((heading_drift_dph(latitude, east_kt, nut) + bearings_dph) / MIN_PER_H)


@once
def heading_deg(flown: Flown) -> Array:
    """Heading of the card, not wrapped; of a moment, its movement since the start."""
    motion, stuck = flown.motion, flown.degree("heading_part", "stuck")
    drift, follows = _drift_dpm(flown)
    if not flown.whole:
        if stuck.any():
            return np.zeros_like(motion.heading_deg)
        passed: Array | float = 1.0
        if flown.state("card_time") == "quarter_hour":
            passed = flown.size("heading.watched_min") * S_PER_MIN / motion.time_s[-1]
        drifted = np.cumsum(np.broadcast_to(drift, motion.heading_deg.shape), axis=1) * STEP_S / S_PER_MIN
        return np.asarray(follows * motion.heading_deg + passed * (drifted - drifted[:, :1]))
    start = flown.signed("heading.sound_error_deg") * 0.5
    if flown.degree("heading_part", "not_reset")[0, 0] > 0.0:
        start = flown.signed("heading.not_reset.error_deg")
    moved = drift / S_PER_MIN - (1.0 - follows) * motion.turn_rate_dps
    shown = motion.heading_deg + start + np.cumsum(moved, axis=1) * STEP_S
    return frozen(shown, stuck, shown[:, :1])


def heading_error_deg(flown: Flown) -> Array:
    """Difference of the heading card to the settled compass, which may be the one that is wrong."""
    motion = flown.motion
    if flown.whole:
        return heading_deg(flown) - motion.heading_deg
    error = flown.signed("heading.sound_error_deg")
    if flown.state("card_time") == "quarter_hour":
        error = error + _sound_drift_dpm(flown) * flown.size("heading.watched_min")
    rotor_state = flown.state("heading_rotor")
    if rotor_state == "slowing":
        _, first, tau = _run_down(flown)
        full = flown.draws.fixed("rotor.up_to_speed_above")
        lost = starved_error_deg(_heading_rotor(flown)[:, :1], first, tau, full)
        error = error + flown.side("heading drifts") * lost
    elif rotor_state == "stopped":
        error = error + flown.signed("heading.stopped.error_deg")
    match flown.state("heading_part"):
        case "not_reset":
            error = error + flown.signed("heading.not_reset.error_deg")
        case "worn" | "stuck":
            error = error + flown.signed("heading.worn.error_deg")
    match flown.state("compass_part"):
        case "disturbed":
            error = error - _deviation_deg(flown, 360.0 * flown.uniform("compass begins"))
        case "stuck":
            error = error - flown.signed("compass.stuck.turned_deg")
    return np.broadcast_to(error, motion.heading_deg.shape)


# ------------------------------------------------------------------ turn coordinator and compass


@once
def turn_rate_dps(flown: Flown) -> Array:
    """Rate that the turn coordinator shows: it under-reads as its rotor slows."""
    motion, part = flown.motion, "turn_part"
    gain, speed = flown.size("turn.gain"), np.ones((1, 1))
    if flown.whole:
        speed = _electric_share(flown, bus_v(flown)) * (1.0 - flown.degree("turn_power", "none"))
    elif flown.state("turn_power") == "low":
        volts = bus_v(replace(flown, states={"bus": "sagging"}, kept={}))
        speed = _electric_share(flown, volts.mean(axis=1, keepdims=True))
    elif flown.state("turn_power") == "none":
        since_min = flown.size("turn.none.since_min")
        speed = rotor_speed(since_min, flown.size("turn.coast_min"))
    for condition in ("slow_rotor", "over_sensitive", "dead_rotor"):
        if (degree := flown.degree(part, condition)).any():
            speed = speed * (1.0 - degree * (1.0 - flown.size(f"turn.{condition}.gain")))
    if flown.whole:
        coast = flown.size("turn.coast_min")[:, 0]
        felt = turn_coordinator_dps(
            motion.turn_rate_dps,
            np.gradient(motion.bank_deg, STEP_S, axis=1),
            rotor_history(speed, STEP_S, coast, coast) * gain,
            cant_deg=flown.draws.fixed("turn.cant_deg"),
            stop_dps=flown.draws.fixed("turn.stop_dps"),
        )
    else:
        felt = gain * speed * motion.turn_rate_dps
    felt = np.where(flown.degree(part, "reversed") > 0.0, -felt, felt)
    if (off := flown.degree(part, "off_zero")).any():
        felt = felt + off * flown.signed("turn.off_zero.dps")
    return pressure_line(felt, STEP_S, flown.draws.fixed("turn.damping_s")) if flown.whole else felt


def _deviation_deg(flown: Flown, heading_deg: Array) -> Array:
    """What iron or a current near the compass adds to its reading at a heading."""
    most, nought = flown.size("compass.deviation_deg"), flown.size("compass.undisturbed_heading_deg")
    return np.asarray(most * np.sin(np.radians(heading_deg - nought)))


@once
def compass_deg(flown: Flown) -> Array:
    """Heading of the compass card, not wrapped; of a moment, its movement since the start.

    Bank and gained speed tilt the card (``compass.settled_heading_deg``); iron or a current nearby deviates
    it by the heading; it follows with a lag. A card that bumps have set swinging does so on top.
    """
    motion, stuck = flown.motion, flown.degree("compass_part", "stuck")
    pointed = motion.heading_deg
    if not flown.whole:
        if stuck.any():
            return np.zeros_like(motion.heading_deg)
        pointed = 360.0 * flown.uniform("compass begins") + pointed
    if (wild := flown.degree("compass_part", "disturbed")).any():
        pointed = pointed + wild * _deviation_deg(flown, pointed)
    settled = settled_heading_deg(
        pointed,
        motion.bank_deg,
        apparent_pitch_deg(motion.gain_kt_per_s),
        dip_deg(flown.signed("flight.latitude_deg")),
    )
    card = card_history_deg(settled, STEP_S, flown.size("compass.lag_s"))
    card = np.degrees(np.unwrap(np.radians(card), axis=1))
    if flown.whole:
        # back to the turns that the heading has made, so that the two compare
        card = card + 360.0 * np.round((motion.heading_deg[:, :1] - card[:, :1]) / 360.0)
        return frozen(card, stuck, card[:, :1])
    return card - card[:, :1] + _card_swing_deg(flown)


def _card_swing_deg(flown: Flown) -> Array:
    """How a card swings in a moment that bumps have set swinging."""
    motion, size = flown.motion, flown.size("compass.swing_deg")
    if flown.state(AIR) == "rough":
        size = size + motion.bumps.mean(axis=1, keepdims=True) * flown.size("compass.bump_swing_deg")
    phase = motion.time_s / flown.size("compass.period_s") + flown.uniform("compass phase")
    damped = np.exp(-motion.time_s / flown.size("compass.damping_s"))
    return np.asarray(size * np.sin(2 * np.pi * phase) * damped)
