"""Pitot and static lines over time, and the dials that they drive."""

from __future__ import annotations

import numpy as np

from diagnose.model.units import Array, inhg_from_inh2o
from diagnose.physics.airdata import (
    impact_pressure_inhg,
    indicated_airspeed_kt,
    joined_openings,
    port_error_inhg,
    pressure_line,
    vertical_speed_fpm,
)
from diagnose.physics.atmosphere import pressure_altitude_ft, pressure_inhg
from diagnose.physics.course import STEP_S
from diagnose.physics.history.flown import Flown, closing_tau_s, frozen
from diagnose.physics.pressure_dials import _with_friction  # one rule for friction, wherever it is


def _cabin_inhg(flown: Flown) -> Array:
    """Pressure of the cabin, a little below the outside's."""
    suck = port_error_inhg(flown.course.airspeed_kt, flown.sizes("static.cabin_low.coefficient"))
    return np.asarray(pressure_inhg(flown.course.height_ft) - suck)


def static_inhg(flown: Flown) -> Array:
    """Pressure in the static line of the instruments."""
    return flown.once("static", lambda: _static(flown))


def _static(flown: Flown) -> Array:
    sizes, course, samples = flown.sizes, flown.course, flown.samples
    height = np.array(course.height_ft)
    moving = np.asarray(course.airspeed_kt > 0.0, dtype=np.float64)
    if (cabin := flown.degree("static", "cabin_pressurised") > 0.0).any():
        isobaric = sizes.chance("static.cabin_pressurised.isobaric")
        share = 0.0 if isobaric else sizes("static.cabin_pressurised.rate_share")
        first = int(np.argmax(cabin))
        climbed = height - height[first]
        below = sizes("static.cabin_pressurised.below_ft") * moving
        height = np.where(cabin, height[first] - below + share * climbed, height)
    source = pressure_inhg(height)
    airspeed = course.airspeed_kt
    for condition in ("cabin_low", "cabin_leak"):
        if (low := flown.degree("static", condition)).any():
            source = source - low * port_error_inhg(airspeed, sizes(f"static.{condition}.coefficient"))
    if (high := flown.degree("static", "cabin_high")).any():
        source = source + high * port_error_inhg(airspeed, sizes("static.cabin_high.coefficient"))
    if (slip := flown.degree("static", "one_port")).any():
        feels = sizes.wander("one port", sizes("static.one_port.coefficient"), samples, 20)
        source = source + slip * port_error_inhg(airspeed, feels)
    swapped = flown.degree("static", "swapped") > 0.0
    source = np.where(swapped, source + impact_pressure_inhg(course.airspeed_kt), source)
    tau = closing_tau_s(flown.degree("static", "sealed"), sizes("line.sealing_lag_s"))
    if (late := flown.degree("static", "restricted")).any():
        tau = tau + sizes("static.restricted.lag_s") * late
    water = flown.degree("static", "erratic")
    if water.any():
        every = sizes("static.erratic.every_s")
        shut = sizes.steps("static shut", 0.0, 1.0, samples, every) >= 0.5
        tau = np.where((water > 0.0) & shut, np.inf, tau)
    line = pressure_line(source, STEP_S, tau)
    if water.any():
        push = sizes("static.erratic.push_ft")
        pushed = sizes.steps("static push", -push, push, samples, every) * water
        line = pressure_inhg(pressure_altitude_ft(line) + pushed)
    return np.asarray(line)


def _pitot(flown: Flown, source: str) -> Array:
    sizes, course, samples = flown.sizes, flown.course, flown.samples
    static = pressure_inhg(course.height_ft)
    impact = impact_pressure_inhg(course.airspeed_kt)
    share, tau, pushed = np.ones(samples), np.zeros(samples), np.zeros(samples)
    if (part := flown.degree(source, "restricted")).any():
        share = share * (1.0 - part * (1.0 - sizes("pitot.restricted.share")))
        tau = tau + part * sizes("pitot.restricted.lag_s")
    if (leak := flown.degree(source, "leaking")).any():
        share = share * (1.0 - leak * sizes("pitot.leaking.lost_share"))
    if (water := flown.degree(source, "erratic")).any():
        head = inhg_from_inh2o(sizes("pitot.erratic.head_inh2o"))
        upward = head * sizes("pitot.erratic.upward_share")
        every = sizes("pitot.erratic.every_s")
        pushed = water * sizes.steps("pitot water", upward - head, upward, samples, every)
        tau = np.where(water > 0.0, sizes("pitot.erratic.lag_s"), tau)
    vented = np.maximum(flown.degree(source, "vented"), flown.degree(source, "empty"))
    if vented.any():
        # the pitot tube inlet is shut: what is left in the line bleeds out through the drain
        share = share * (1.0 - vented)
        tau = np.where(vented > 0.0, sizes("pitot.vented.bleed_s"), tau)
    if (closes := flown.degree(source, "choking")).any():
        left = 0.0 if sizes.chance("pitot.choking.shut") else sizes("pitot.choking.left_share")
        flutter = sizes("pitot.choking.flutter") if left else 0.0
        unsteady = sizes.steps("pitot choking", -flutter, flutter, samples, sizes("pitot.choking.every_s"))
        share = share * np.clip(1.0 - closes * (1.0 - left - unsteady), 0.0, 1.0)
        tau = np.where(closes > 0.0, sizes("pitot.vented.bleed_s"), tau)
    # the line follows the static pressure at once and the airflow by its lag, unless it is being sealed
    line = static + pressure_line(share * impact + pushed, STEP_S, tau)
    sealed = flown.degree(source, "sealed")
    line = pressure_line(line, STEP_S, closing_tau_s(sealed, sizes("line.sealing_lag_s")))
    swapped = flown.degree("static", "swapped") > 0.0
    return np.where(swapped, static, line)


def _airspeed(flown: Flown, source: str, part: str) -> Array:
    sizes, static = flown.sizes, static_inhg(flown)
    total = _pitot(flown, source)
    leak = flown.degree(part, "leaking")
    if leak.any():
        total = static + (total - static) * (1.0 - leak * sizes("airspeed.leaking.lost_share"))
    own = flown.degree(part, "own_static")
    if own.any():
        static = pressure_line(static, STEP_S, closing_tau_s(own, sizes("line.sealing_lag_s")))
    shown = indicated_airspeed_kt(total, static, sizes("airspeed.top_stop_kt"))
    if (bent := flown.degree(part, "offset")).any():
        shown = np.maximum(shown + bent * sizes.either_way("airspeed.offset.kt"), 0.0)
    off = sizes.either_way("airspeed.stuck.off_kt") if shown[0] > 1.0 else 0.0
    return frozen(shown, flown.degree(part, "stuck"), off)


def airspeed_kt(flown: Flown) -> Array:
    """What the airspeed indicator shows."""
    return flown.once("airspeed", lambda: _airspeed(flown, "pitot", "airspeed_part"))


def second_airspeed_kt(flown: Flown) -> Array:
    """What the second airspeed indicator shows: its own probe, the same static line."""
    return _airspeed(flown, "second_pitot_probe", "second_airspeed_part")


def _behind_branch_inhg(flown: Flown) -> Array:
    pinched = flown.degree("static_branch", "pinched")
    if not pinched.any():
        return static_inhg(flown)
    tau = pinched * flown.sizes("static_branch.pinched.lag_s")
    return pressure_line(static_inhg(flown), STEP_S, tau)


def altimeter_ft(flown: Flown) -> Array:
    """What the altimeter shows."""
    return flown.once("altimeter", lambda: _altimeter(flown))


def _altimeter(flown: Flown) -> Array:
    sizes, part = flown.sizes, "altimeter_part"
    static = _behind_branch_inhg(flown)
    if (passes := flown.degree("airspeed_part", "leaking")).any():
        # a leaking diaphragm passes pitot air into the static line
        rise = sizes("airspeed.leaking.lost_share") * sizes("airspeed.leaking.static_share")
        static = static + passes * rise * impact_pressure_inhg(flown.course.airspeed_kt)
    shown = np.asarray(pressure_altitude_ft(static))
    wrong = flown.degree(part, "set_high") - flown.degree(part, "set_low")
    if wrong.any():
        shown = shown + wrong * sizes("altimeter.setting.error_ft")
    if (off := flown.degree(part, "scale_error")).any():
        shown = shown + off * sizes.either_way("altimeter.scale_error_ft")
    if (leak := flown.degree(part, "case_leak")).any():
        sealed = flown.degree("static", "sealed") >= 1.0
        line_s = np.where(sealed, np.inf, sizes("static.line_lag_s"))
        beside = sizes("altimeter.case_leak.lag_s")
        source, tau = joined_openings(static, line_s, _cabin_inhg(flown), beside)
        leaking = pressure_altitude_ft(pressure_line(source, STEP_S, tau, static[0]))
        shown = shown + leak * (leaking - shown)
    sticks = flown.degree(part, "sticky")
    if sticks.any():
        stuck = _with_friction(
            shown[None],
            np.array([sizes("altimeter.sticky.friction_ft")]),
            sizes("altimeter.sticky.start_share"),
            sizes("altimeter.sticky.overshoot"),
        )[0]
        shown = np.where(sticks > 0.0, stuck, shown)
    return frozen(shown, flown.degree(part, "stuck"), sizes.either_way("altimeter.stuck.off_ft"))


def second_altimeter_ft(flown: Flown) -> Array:
    """What the second altimeter on the same static line shows."""
    shown = np.asarray(pressure_altitude_ft(static_inhg(flown)))
    return frozen(shown, flown.degree("second_altimeter_part", "stuck"))


def encoder_ft(flown: Flown) -> Array:
    """What the encoder reports from the same static line, in steps of 100 ft."""
    shown = np.asarray(pressure_altitude_ft(static_inhg(flown)))
    off = flown.degree("encoder", "off")
    if off.any():
        shown = shown + off * _encoder_error_ft(flown)
    return np.asarray(np.round(shown, -2))


def _encoder_error_ft(flown: Flown) -> Array:
    """Error of the reported altitude: of four bands of altitude one may report right (a wire of its code)."""
    sizes = flown.sizes
    band = sizes("encoder.off.band_ft")
    right = np.floor(flown.course.height_ft / band) % round(1.0 / sizes("encoder.off.right_here")) < 1.0
    return np.where(right, 0.0, sizes.either_way("encoder.off.error_ft"))


def vertical_speed(flown: Flown) -> Array:
    """What the vertical speed indicator shows, fpm."""
    return flown.once("vertical speed", lambda: _vertical_speed(flown))


def _vertical_speed(flown: Flown) -> Array:
    sizes, part = flown.sizes, "vertical_speed_part"
    static = _behind_branch_inhg(flown)
    dial_tau, stop = sizes("vertical_speed.lag_s"), sizes("vertical_speed.stop_fpm")
    blocked = flown.degree(part, "metering_blocked")
    case_tau = dial_tau + closing_tau_s(blocked, sizes("line.sealing_lag_s"))
    source: Array = static
    if (leak := flown.degree(part, "case_leak")).any():
        beside = sizes("vertical_speed.case_leak.lag_s")
        joined, lag = joined_openings(static, case_tau, _cabin_inhg(flown), beside)
        source, case_tau = static + leak * (joined - static), case_tau + leak * (lag - case_tau)
    case = pressure_line(source, STEP_S, case_tau)
    shown = vertical_speed_fpm(static, case, dial_tau, stop)
    if (weak := flown.degree(part, "sluggish")).any():
        shown = shown * (1.0 - weak * (1.0 - sizes("vertical_speed.sluggish.share")))
    if (off := flown.degree(part, "offset")).any():
        shown = shown + off * sizes.either_way("vertical_speed.offset.fpm")
    for condition in ("stuck_away", "stuck"):
        if (stuck := flown.degree(part, condition)).any():
            shown = np.where(stuck > 0.0, sizes.either_way(f"vertical_speed.{condition}.fpm"), shown)
    return np.asarray(np.clip(shown, -stop, stop))
