"""What pitot and static pressure, and the dials that they drive, show.

Every failure is only another source of pressure or another lag of the line: ``dp/dt = (source - p) / tau``.
Pressures in inHg, arrays (flight, time).
"""

from __future__ import annotations

import numpy as np

from diagnose.model.units import S_PER_MIN, Array, inhg_from_inh2o
from diagnose.physics.airdata import (
    impact_pressure_inhg,
    indicated_airspeed_kt,
    joined_openings,
    lagging_pressure_inhg,
    pressure_line,
    vertical_speed_fpm,
)
from diagnose.physics.atmosphere import pressure_altitude_ft, pressure_inhg
from diagnose.physics.flight import STEP_S
from diagnose.physics.flown import Flown, frozen, once

#: side of the sealing altitude on which the aircraft is, by the state of the memory
SIDE = {"below": -1.0, "near": 0.0, "above": 1.0, "low": -1.0, "plausible": 0.0, "high": 1.0}
#: conditions that have physics
STATIC = (
    "open", "one_port", "restricted", "restricted_little", "erratic", "cabin_low", "cabin_leak", "cabin_high", "cabin_pressurised",
    "swapped", "sealed",
)  # fmt: skip
PITOT = (
    "open",
    "restricted",
    "restricted_little",
    "leaking",
    "erratic",
    "empty",
    "vented",
    "choking",
    "sealed",
)


# ------------------------------------------------------------------ static line


@once
def static_inhg(flown: Flown) -> Array:
    """Pressure in the static line of the instruments."""
    flown.must_be("static", *STATIC)
    motion = flown.motion
    source, tau = motion.static_inhg, np.zeros((1, 1))
    initial: Array | None = None
    if (cabin := flown.degree("static", "cabin_pressurised")).any():
        source = np.where(cabin > 0.0, _pressurised_inhg(flown, int(np.argmax(cabin > 0.0))), source)
    for condition, sign in (("cabin_low", -1.0), ("cabin_leak", -1.0), ("cabin_high", 1.0)):
        if (opens := flown.degree("static", condition)).any():
            source = source + _cabin_error_inhg(flown, condition, sign * opens)
    if (slip := flown.degree("static", "one_port")).any():
        feels = flown.wander("one port", flown.size("static.one_port.coefficient"), 20)
        source = source + slip * (feels * motion.impact_inhg)
    if (swapped := flown.degree("static", "swapped")).any():
        source = np.where(swapped > 0.0, source + motion.impact_inhg, source)
    if (sealed := flown.degree("static", "sealed")).any():
        tau = flown.closing_tau_s(sealed)
        if not flown.whole:
            initial = pressure_inhg(motion.height_ft[:, :1] - above_seal_ft(flown, "static_trapped", "near"))
    for condition in ("restricted", "restricted_little"):
        if (late := flown.degree("static", condition)).any():
            lag_s = flown.half("static.restricted.lag_s", upper=condition == "restricted")
            tau = tau + late * lag_s
            initial = trailing_inhg(flown, source, lag_s)
    water = flown.degree("static", "erratic")
    if water.any():
        # water slides to and fro in the line: the lag jumps, and it pushes the pressure about
        shut = _steps(flown, "static shut", 0.0, 1.0)
        tau = np.where(water > 0.0, np.where(shut < 0.5, 1.0, np.inf), tau)
    line = pressure_line(source, STEP_S, tau, initial)
    if water.any():
        push = "static.erratic.push_ft"
        pushed = _steps(flown, "static push", -flown.size(push), flown.size(push))
        line = np.where(water > 0.0, pressure_inhg(pressure_altitude_ft(line) + water * pushed), line)
    return np.asarray(line)


def _steps(flown: Flown, name: str, low: Array | float, high: Array | float) -> Array:
    every_s = flown.size("static.erratic.every_s")
    return flown.steps(name, low + 0.0 * every_s, high + 0.0 * every_s, every_s)


def above_seal_ft(flown: Flown, memory: str, usual: str) -> Array:
    """Altitude of a moment's first sample above the altitude at which a line was sealed."""
    side = SIDE[flown.state(memory, usual)]
    far, near = flown.size("memory.far_ft") * side, flown.signed("memory.near_ft")
    return near if side == 0.0 else far


def _pressurised_inhg(flown: Flown, first: int) -> Array:
    """Pressure of a pressurized cabin from this sample on; none on the ground."""
    height = flown.motion.height_ft
    isobaric = flown.happens("static.cabin_pressurised.isobaric")
    share = np.where(isobaric, 0.0, flown.size("static.cabin_pressurised.rate_share"))
    below = flown.size("static.cabin_pressurised.below_ft") * flown.motion.airborne
    start = height[:, first : first + 1]
    return pressure_inhg(start - below + share * (height - start))


def _cabin_error_inhg(flown: Flown, condition: str, sign: Array | float) -> Array:
    """Error of an unpressurized cabin: the airflow round it makes it, as at a port."""
    return sign * flown.size(f"static.{condition}.coefficient") * flown.motion.impact_inhg


def _cabin_inhg(flown: Flown) -> Array:
    """Pressure of the cabin, a little below the outside's."""
    return flown.motion.static_inhg + _cabin_error_inhg(flown, "cabin_low", -1.0)


def trailing_inhg(flown: Flown, static: Array, lag_s: Array) -> Array | None:
    """Pressure at the start of a moment behind a bottleneck; a whole flight starts without a lag.

    It trails a steady climb or descent by what is flown in that time. What was flown before the moment's climb, level
    or descent dies out: a long level flight shows nothing of it. On the ground no climb was flown before.
    """
    if flown.whole:
        return None
    motion, height_ft = flown.motion, pressure_altitude_ft(static)
    now_fps = (height_ft[:, -1:] - height_ft[:, :1]) / ((motion.samples - 1) * STEP_S)
    climb, descent = flown.size("flight.climb_fpm"), -flown.size("flight.descent_fpm")
    kind = flown.draws.rng.integers(np.where(motion.airborne, 0, 1), 3)
    before_fps = np.choose(kind, [climb, np.zeros_like(climb), descent]) / S_PER_MIN
    since_s = flown.size("static.since_change_min") * S_PER_MIN
    trails_ft = lag_s * (now_fps + (before_fps - now_fps) * np.exp(-since_s / lag_s))
    return pressure_inhg(height_ft[:, :1] - trails_ft)


def _branch(flown: Flown, static: Array) -> Array:
    """Pressure behind the branch to altimeter and vertical speed."""
    pinched = flown.degree("static_branch", "pinched")
    if not pinched.any():
        return static
    lag_s = flown.size("static_branch.pinched.lag_s")
    return pressure_line(static, STEP_S, pinched * lag_s, trailing_inhg(flown, static, lag_s))


# ------------------------------------------------------------------ pitot line and airspeed


def pitot_inhg(flown: Flown, source: str = "pitot") -> Array:
    """Pressure in the pitot line; ``source`` names whose line (first or second set)."""
    flown.must_be(source, *PITOT)
    motion = flown.motion
    impact, tau = motion.impact_inhg, np.zeros((1, 1))
    for condition in ("restricted", "restricted_little"):
        if (part := flown.degree(source, condition)).any():
            share = flown.half("pitot.restricted.share", upper=condition == "restricted_little")
            impact = impact * (1.0 - part * (1.0 - share))
            tau = tau + part * flown.size("pitot.restricted.lag_s")
    if (leak := flown.degree(source, "leaking")).any():
        impact = impact * (1.0 - leak * flown.size("pitot.leaking.lost_share"))
    if (water := flown.degree(source, "erratic")).any():
        head = inhg_from_inh2o(flown.size("pitot.erratic.head_inh2o"))
        upward = head * flown.size("pitot.erratic.upward_share")
        every_s = flown.size("pitot.erratic.every_s")
        impact = impact + water * flown.steps("pitot water", upward - head, upward, every_s)
        tau = np.where(water > 0.0, flown.draws.fixed("pitot.erratic.lag_s"), tau)
    if (empty := flown.degree(source, "empty")).any():
        impact = impact * (1.0 - empty)
    line = pressure_line(impact, STEP_S, tau)
    if (vented := flown.degree(source, "vented")).any():
        line = _bleeding_inhg(flown, line, vented, source)
    if (closes := flown.degree(source, "choking")).any():
        # of a moment on the first line, one that is shut is another condition
        shut = (
            flown.happens("pitot.choking.shut")
            if flown.whole or source != "pitot"
            else np.zeros((1, 1), bool)
        )
        bleeding = _bleeding_inhg(flown, line, closes, source) if shut.any() else line
        line = np.where(shut, bleeding, _half_closed_inhg(flown, line, closes))
    total = motion.static_inhg + line
    if (sealed := flown.degree(source, "sealed")).any():
        total = pressure_line(total, STEP_S, flown.closing_tau_s(sealed), _trapped_inhg(flown))
    return total


def _trapped_inhg(flown: Flown) -> Array | None:
    """What was trapped in the pitot line before a moment."""
    if flown.whole:
        return None
    height, speed = flown.motion.height_ft[:, :1], flown.motion.airspeed_kt[:, :1]
    above = above_seal_ft(flown, "pitot_trapped", "plausible")
    return pressure_inhg(height - above) + impact_pressure_inhg(np.where(speed < 1.0, 0.0, speed))


def _bleeding_inhg(flown: Flown, impact: Array, closes: Array, source: str) -> Array:
    """What is left of the impact pressure behind a closed inlet: it leaves by the drain.

    Of a moment on the first line it leaves now (what left long ago is another condition), on the second now or long ago.
    """
    initial = None
    if not flown.whole:
        begins = source == "pitot" or flown.happens("pitot.vented.begins_now")
        initial = np.where(begins, impact[:, :1], 0.0)
    tau = np.where(closes > 0.0, flown.size("pitot.vented.bleed_s"), 0.0)
    return pressure_line((1.0 - closes) * impact, STEP_S, tau, initial)


def _half_closed_inhg(flown: Flown, impact: Array, closes: Array) -> Array:
    """What passes an inlet that ice or an insect closes gradually, or half closes: less and less, unsteadily."""
    bleed_s, left = flown.size("pitot.vented.bleed_s"), flown.size("pitot.choking.left_share")
    acts = closes > 0.0
    if not flown.whole:
        # it closes within the moment, or stands half closed
        along = flown.motion.time_s / flown.motion.time_s[-1]
        closes = closes * np.where(flown.happens("pitot.choking.sinks"), along, 1.0)
    flutter = flown.size("pitot.choking.flutter")
    unsteady = flown.steps("pitot choking", -flutter, flutter, flown.size("pitot.choking.every_s"))
    share = np.clip(1.0 - closes * (1.0 - left) + acts * unsteady, 0.0, 1.0)
    return pressure_line(share * impact, STEP_S, np.where(acts, bleed_s, 0.0))


@once
def airspeed_kt(flown: Flown) -> Array:
    """What the airspeed indicator shows."""
    return _airspeed(flown, "pitot", "airspeed_part")


@once
def second_airspeed_kt(flown: Flown) -> Array:
    """What the second airspeed indicator shows: own probe, the same static line."""
    return _airspeed(flown, "second_pitot_probe", "second_airspeed_part")


def _airspeed(flown: Flown, source: str, part: str) -> Array:
    total, static = pitot_inhg(flown, source), static_inhg(flown)
    if (swapped := flown.degree("static", "swapped")).any():
        total = np.where(swapped > 0.0, flown.motion.static_inhg, total)
    if (own := flown.degree(part, "own_static")).any():
        static = pressure_line(static, STEP_S, flown.closing_tau_s(own), _shut_connection_inhg(flown))
    if (leak := flown.degree(part, "leaking")).any():
        total = static + (total - static) * (1.0 - leak * flown.size("airspeed.leaking.lost_share"))
    shown = indicated_airspeed_kt(total, static, flown.draws.fixed("airspeed.top_stop_kt"))
    if (bent := flown.degree(part, "offset")).any():
        shown = np.maximum(shown + bent * flown.signed("airspeed.offset.kt"), 0.0)
    if (stuck := flown.degree(part, "stuck")).any():
        # a needle that has stuck on the ground stands at its stop
        speed = flown.motion.airspeed_kt[:, :1]
        at = np.maximum(speed + flown.signed("airspeed.stuck.off_kt"), 0.0)
        shown = frozen(
            shown, stuck, np.where(flown.happens("airspeed.stuck.since_ground") | (speed < 1.0), 0.0, at)
        )
    return shown


def _shut_connection_inhg(flown: Flown) -> Array | None:
    """Pressure that the airspeed indicator's own static connection had trapped before a moment, near or far."""
    if flown.whole:
        return None
    far = flown.happens("airspeed.own_static.far")
    above = np.where(far, flown.signed("memory.far_ft"), flown.signed("memory.near_ft"))
    return pressure_inhg(flown.motion.height_ft[:, :1] - above * flown.motion.airborne)


# ------------------------------------------------------------------ altimeters and encoder


@once
def altimeter_ft(flown: Flown) -> Array:
    """What the altimeter shows, with the right setting unless its part says otherwise."""
    part, static = "altimeter_part", static_inhg(flown)
    if (passes := flown.degree("airspeed_part", "leaking")).any():
        # the leak passes pitot air into the static line; what it takes off the airspeed indicator's pressure is
        # shared between pitot and static line by their resistances (derived)
        lost = flown.size("airspeed.leaking.lost_share")
        rise = lost * flown.size("airspeed.leaking.static_share")
        static = static + passes * rise * flown.motion.impact_inhg
    shown = pressure_altitude_ft(_branch(flown, static))
    wrong = flown.degree(part, "set_high") - flown.degree(part, "set_low")
    if wrong.any():
        shown = shown + wrong * flown.size("altimeter.setting.error_ft")
    if (off := flown.degree(part, "scale_error")).any():
        shown = shown + off * flown.signed("altimeter.scale_error_ft")
    if (leak := flown.degree(part, "case_leak")).any():
        leaking = pressure_altitude_ft(_branch(flown, _leaking_case_inhg(flown, static)))
        shown = shown + leak * (leaking - shown)
    if (sticks := flown.degree(part, "sticky")).any():
        held = _with_friction(
            shown,
            flown.size("altimeter.sticky.friction_ft")[:, 0],
            flown.draws.fixed("altimeter.sticky.start_share"),
            flown.draws.fixed("altimeter.sticky.overshoot"),
        )
        shown = np.where(sticks > 0.0, held, shown)
    if (stuck := flown.degree(part, "stuck")).any():
        shown = frozen(shown, stuck, shown[:, :1] + flown.signed("altimeter.stuck.off_ft"))
    return np.asarray(shown)


def _leaking_case_inhg(flown: Flown, static: Array) -> Array:
    """Pressure in an altimeter case that leaks to the cabin beside an open, or a sealed, static line."""
    sealed = flown.degree("static", "sealed") >= 1.0
    line_s = np.full((flown.motion.count, 1), np.inf) if sealed.all() else flown.size("static.line_lag_s")
    line_s = np.where(sealed, np.inf, line_s)
    cabin = _cabin_inhg(flown)
    source, tau = joined_openings(static, line_s, cabin, flown.size("altimeter.case_leak.lag_s"))
    return pressure_line(source, STEP_S, tau, static[:, :1] if sealed[0, 0] else None)


def _with_friction(shown: Array, friction_ft: Array, start_share: float, overshoot: float) -> Array:
    """A pointer that moves only when the pull exceeds the friction, and then jumps to it."""
    pointer = np.array(shown, copy=True)
    pointer[:, 0] = shown[:, 0] - friction_ft * start_share
    for sample in range(1, shown.shape[1]):
        held = pointer[:, sample - 1]
        moves = np.abs(shown[:, sample] - held) > friction_ft
        pointer[:, sample] = np.where(moves, shown[:, sample] + overshoot * (shown[:, sample] - held), held)
    return pointer


def second_altimeter_ft(flown: Flown) -> Array:
    """What the second altimeter on the same static line shows."""
    shown = pressure_altitude_ft(static_inhg(flown))
    return frozen(shown, flown.degree("second_altimeter_part", "stuck"), shown[:, :1])


def encoder_ft(flown: Flown) -> Array:
    """What the encoder reports from the same static line, in steps of 100 ft.

    Of four bands of altitude one may be reported right (a wire of its code).
    """
    reported = pressure_altitude_ft(static_inhg(flown))
    if (off := flown.degree("encoder", "off")).any():
        if flown.whole:
            band = np.floor(flown.motion.height_ft / flown.size("encoder.off.band_ft"))
            right = band % np.round(1.0 / flown.size("encoder.off.right_here")) < 1.0
        else:
            right = flown.happens("encoder.off.right_here")
        reported = reported + off * np.where(right, 0.0, flown.signed("encoder.off.error_ft"))
    return np.asarray(np.round(reported, -2))


def encoder_less_altimeter_ft(flown: Flown) -> Array:
    """Difference of the reported altitude to the altimeter on the same line."""
    return encoder_ft(flown) - altimeter_ft(flown)


# ------------------------------------------------------------------ vertical speed


@once
def vertical_speed(flown: Flown) -> Array:
    """What the vertical speed indicator shows, in fpm."""
    part, airborne = "vertical_speed_part", flown.motion.airborne[:, :1]
    static = _branch(flown, static_inhg(flown))
    tau, stop_fpm = flown.size("vertical_speed.lag_s"), flown.draws.fixed("vertical_speed.stop_fpm")
    source, lag = static, tau
    blocked = flown.degree(part, "metering_blocked")
    if blocked.any():
        lag = lag + flown.closing_tau_s(blocked)
    if (leak := flown.degree(part, "case_leak")).any():
        cabin = _cabin_inhg(flown)
        with np.errstate(divide="ignore"):
            beside = flown.size("vertical_speed.case_leak.lag_s") / leak
        source, lag = joined_openings(static, lag, cabin, beside)
    height = pressure_altitude_ft(static)
    if blocked[0, 0] > 0.0:
        above = flown.signed("vertical_speed.metering_blocked.above_ft") * airborne
        case_start = pressure_inhg(height[:, :1] - above)
    else:
        rate_fpm = (height[:, 10:11] - height[:, :1]) * 6.0
        case_start = lagging_pressure_inhg(pressure_altitude_ft(source[:, :1]), rate_fpm, lag[:, :1])
    case = pressure_line(source, STEP_S, lag, case_start)
    shown = vertical_speed_fpm(static, case, tau, stop_fpm)
    if (off := flown.degree(part, "offset")).any():
        shown = shown + off * flown.signed("vertical_speed.offset.fpm")
    if (weak := flown.degree(part, "sluggish")).any():
        shown = shown * (1.0 - weak * (1.0 - flown.size("vertical_speed.sluggish.share")))
    for condition in ("stuck_away", "stuck"):
        if (stuck := flown.degree(part, condition)).any():
            shown = np.where(stuck > 0.0, flown.signed(f"vertical_speed.{condition}.fpm"), shown)
    return np.asarray(np.clip(shown, -stop_fpm, stop_fpm))
