"""What pitot and static pressure, and the dials that they drive, show in each condition.

``states`` maps a part, source or memory (see knowledge/systems.toml) to its condition; what is not
named is healthy. Every failure is only another source of pressure or another lag of the line:
``dp/dt = (source - p) / tau``. Pressures in inHg, arrays (flight, time).
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from diagnose.model.units import S_PER_MIN, Array, inhg_from_inh2o
from diagnose.physics.airdata import (
    impact_pressure_inhg,
    indicated_airspeed_kt,
    joined_openings,
    lagging_pressure_inhg,
    port_error_inhg,
    pressure_line,
    vertical_speed_fpm,
)
from diagnose.physics.atmosphere import pressure_altitude_ft, pressure_inhg
from diagnose.physics.draws import Draws
from diagnose.physics.flight import STEP_S, Flights

States = Mapping[str, str]

#: side of the sealing altitude on which the aircraft is, by the state of the memory
SIDE = {"below": -1.0, "near": 0.0, "above": 1.0, "low": -1.0, "plausible": 0.0, "high": 1.0}


def _column(values: Array) -> Array:
    return values[:, None]


def height_above_seal_ft(state: str, flights: Flights, draws: Draws) -> Array:
    """Altitude of the first sample above the altitude at which a line was sealed; (flight,)."""
    far = draws("memory.far_ft", flights.count) * SIDE[state]
    near = draws.either_way("memory.near_ft", flights.count)
    return near if SIDE[state] == 0.0 else far


def static_inhg(states: States, flights: Flights, draws: Draws) -> Array:
    """Pressure in the static line of the instruments."""
    true = pressure_inhg(flights.height_ft)
    count = flights.count
    condition = states.get("static", "open")
    match condition:
        case "open":
            return true
        case "one_port":
            slip = draws.wander(draws("static.one_port.coefficient", count), count, flights.samples, 20)
            return true + port_error_inhg(flights.airspeed_kt, slip)
        case "restricted":
            return _trailing_inhg(true, draws("static.restricted.lag_s", count), flights, draws)
        case "erratic":
            return _water_in_static(true, flights, draws)
        case "cabin_low" | "cabin_leak":
            return _cabin_inhg(true, flights, -draws(f"static.{condition}.coefficient", count))
        case "cabin_high":
            return _cabin_inhg(true, flights, draws("static.cabin_high.coefficient", count))
        case "cabin_pressurised":
            isobaric = draws.chance("static.cabin_pressurised.isobaric", count)
            share = np.where(isobaric, 0.0, draws("static.cabin_pressurised.rate_share", count))
            start = flights.height_ft[:, :1] - _column(
                draws("static.cabin_pressurised.below_ft", count) * flights.airborne
            )
            return pressure_inhg(start + _column(share) * (flights.height_ft - flights.height_ft[:, :1]))
        case "swapped":
            return true + impact_pressure_inhg(flights.airspeed_kt)
        case "sealed":
            above = height_above_seal_ft(states.get("static_trapped", "near"), flights, draws)
            return np.broadcast_to(pressure_inhg(flights.height_ft[:, :1] - _column(above)), true.shape)
        case _:
            raise ValueError(f"static pressure has no physics for condition {condition!r}")


def _cabin_inhg(true: Array, flights: Flights, coefficient: Array) -> Array:
    """Pressure of an unpressurised cabin: the airflow round it makes it, as at a port."""
    return np.asarray(true + port_error_inhg(flights.airspeed_kt, _column(coefficient)))


def _water_in_static(true: Array, flights: Flights, draws: Draws) -> Array:
    """Water slides to and fro in the line: the lag jumps, and it pushes the pressure about."""
    count, samples = flights.count, flights.samples
    shut = draws.steps(np.zeros(count), np.ones(count), samples, draws("static.erratic.every_s", count))
    tau = np.where(shut < 0.5, 1.0, np.inf)
    line = pressure_line(true, STEP_S, tau)
    push = draws.steps(
        -draws("static.erratic.push_ft", count),
        draws("static.erratic.push_ft", count),
        samples,
        draws("static.erratic.every_s", count),
    )
    return np.asarray(pressure_inhg(pressure_altitude_ft(line) + push))


def pitot_inhg(states: States, flights: Flights, draws: Draws, source: str = "pitot") -> Array:
    """Pressure in the pitot line; ``source`` names whose line (first or second set)."""
    static = pressure_inhg(flights.height_ft)
    impact = impact_pressure_inhg(flights.airspeed_kt)
    count = flights.count
    condition = states.get(source, "open")
    match condition:
        case "open":
            return static + impact
        case "restricted":
            share = _column(draws("pitot.restricted.share", count))
            return static + share * pressure_line(impact, STEP_S, draws("pitot.restricted.lag_s", count))
        case "leaking":
            return static + impact * (1.0 - _column(draws("pitot.leaking.lost_share", count)))
        case "erratic":
            head = inhg_from_inh2o(draws("pitot.erratic.head_inh2o", count))
            upward = head * draws("pitot.erratic.upward_share", count)
            every = draws("pitot.erratic.every_s", count)
            pushed = draws.steps(upward - head, upward, flights.samples, every)
            lag = np.full(count, draws.fixed("pitot.erratic.lag_s"))
            return static + pressure_line(impact + pushed, STEP_S, lag)
        case "empty":
            return static
        case "vented":
            return static + _bleeding_inhg(impact, flights, draws)
        case "choking":
            shut = _column(draws.chance("pitot.choking.shut", count))
            return static + np.where(
                shut, _bleeding_inhg(impact, flights, draws), _half_closed_inhg(impact, flights, draws)
            )
        case "sealed":
            state = states.get("pitot_trapped", "plausible")
            above = height_above_seal_ft(state, flights, draws)
            reads = np.where(flights.airspeed_kt[:, 0] < 1.0, 0.0, flights.airspeed_kt[:, 0])
            trapped = pressure_inhg(flights.height_ft[:, 0] - above) + impact_pressure_inhg(reads)
            return np.broadcast_to(_column(trapped), static.shape)
        case _:
            raise ValueError(f"pitot pressure has no physics for condition {condition!r}")


def _bleeding_inhg(impact: Array, flights: Flights, draws: Draws) -> Array:
    """What is left of the impact pressure behind a closed inlet: it leaves by the drain, now or long ago."""
    begins = draws.chance("pitot.vented.begins_now", flights.count)
    left = np.where(begins, 1.0, 0.0)[:, None] * impact[:, :1]
    return np.asarray(left * np.exp(-flights.time_s / _column(draws("pitot.vented.bleed_s", flights.count))))


def _half_closed_inhg(impact: Array, flights: Flights, draws: Draws) -> Array:
    """What passes an inlet that ice or an insect closes gradually, or half closes: less and less, unsteadily."""
    count, bleed_s = flights.count, draws("pitot.vented.bleed_s", flights.count)
    left = _column(draws("pitot.choking.left_share", count))
    start = np.where(_column(draws.chance("pitot.choking.sinks", count)), 1.0, left)
    flutter = draws("pitot.choking.flutter", count)
    every = draws("pitot.choking.every_s", count)
    share = start + (left - start) * (flights.time_s / flights.time_s[-1])
    share = share + draws.steps(-flutter, flutter, flights.samples, every)
    return pressure_line(np.clip(share, 0.0, 1.0) * impact, STEP_S, bleed_s)


def airspeed_kt(states: States, flights: Flights, draws: Draws) -> Array:
    """What the airspeed indicator shows."""
    return _airspeed(states, flights, draws, "pitot", "airspeed_part")


def second_airspeed_kt(states: States, flights: Flights, draws: Draws) -> Array:
    """What the second airspeed indicator shows: own probe, the same static line."""
    return _airspeed(states, flights, draws, "second_pitot_probe", "second_airspeed_part")


def _airspeed(states: States, flights: Flights, draws: Draws, pitot: str, part: str) -> Array:
    total = pitot_inhg(states, flights, draws, pitot)
    static = static_inhg(states, flights, draws)
    if states.get("static") == "swapped":
        total = pressure_inhg(flights.height_ft)
    condition = states.get(part, "true")
    if condition == "own_static":
        static = _shut_connection_inhg(flights, draws)
    if condition == "leaking":
        total = static + (total - static) * (
            1.0 - _column(draws("airspeed.leaking.lost_share", flights.count))
        )
    shown = indicated_airspeed_kt(total, static, draws.fixed("airspeed.top_stop_kt"))
    if condition == "offset":
        shown = np.maximum(shown + _column(draws.either_way("airspeed.offset.kt", flights.count)), 0.0)
    if condition == "stuck":
        at = flights.airspeed_kt[:, :1] + _column(draws.either_way("airspeed.stuck.off_kt", flights.count))
        at = np.where(_column(draws.chance("airspeed.stuck.since_ground", flights.count)), 0.0, at)
        shown = np.broadcast_to(
            np.where(flights.airspeed_kt[:, :1] < 1.0, 0.0, np.maximum(at, 0.0)), shown.shape
        )
    return np.asarray(shown)


def _shut_connection_inhg(flights: Flights, draws: Draws) -> Array:
    """Pressure that the airspeed indicator's own static connection trapped, near this altitude or far from it."""
    count = flights.count
    far = draws.chance("airspeed.own_static.far", count)
    above = np.where(far, draws.either_way("memory.far_ft", count), draws.either_way("memory.near_ft", count))
    shut = pressure_inhg(flights.height_ft[:, :1] - _column(above * flights.airborne))
    return np.broadcast_to(shut, flights.height_ft.shape)


def altimeter_ft(states: States, flights: Flights, draws: Draws) -> Array:
    """What the altimeter shows, with the right setting unless its part says otherwise."""
    static = static_inhg(states, flights, draws)
    if states.get("airspeed_part") == "leaking":
        static = static + _rise_by_diaphragm_leak_inhg(flights, draws)
    return _altimeter(states, flights, draws, static)


def _rise_by_diaphragm_leak_inhg(flights: Flights, draws: Draws) -> Array:
    """Rise of the static line when the airspeed indicator passes pitot air into it.

    The air meets resistance in the pitot line and again on its way out by the static line: what the leak
    takes off the dial's pressure is shared between the two by their resistances (derived).
    """
    lost = draws("airspeed.leaking.lost_share", flights.count)
    rise = lost * draws("airspeed.leaking.static_share", flights.count)
    return np.asarray(_column(rise) * impact_pressure_inhg(flights.airspeed_kt))


def _altimeter(states: States, flights: Flights, draws: Draws, static: Array) -> Array:
    count = flights.count
    shown = pressure_altitude_ft(_branch(static, states, flights, draws))
    match states.get("altimeter_part", "true"):
        case "set_high":
            return np.asarray(shown + _column(draws("altimeter.setting.error_ft", count)))
        case "set_low":
            return np.asarray(shown - _column(draws("altimeter.setting.error_ft", count)))
        case "scale_error":
            return np.asarray(shown + _column(draws.either_way("altimeter.scale_error_ft", count)))
        case "case_leak":
            leaking = _leaking_case_inhg(states, static, flights, draws)
            return np.asarray(pressure_altitude_ft(_branch(leaking, states, flights, draws)))
        case "sticky":
            return _with_friction(
                shown,
                draws("altimeter.sticky.friction_ft", count),
                draws.fixed("altimeter.sticky.start_share"),
                draws.fixed("altimeter.sticky.overshoot"),
            )
        case "stuck":
            off = draws.either_way("altimeter.stuck.off_ft", count)
            return np.broadcast_to(_column(shown[:, 0] + off), shown.shape)
    return np.asarray(shown)


def _leaking_case_inhg(states: States, static: Array, flights: Flights, draws: Draws) -> Array:
    """Pressure in an altimeter case that leaks to the cabin beside an open, or a sealed, static line."""
    count = flights.count
    line_s = np.full(count, np.inf) if states.get("static") == "sealed" else draws("static.line_lag_s", count)
    cabin = _cabin_inhg(
        pressure_inhg(flights.height_ft), flights, -draws("static.cabin_low.coefficient", count)
    )
    source, tau = joined_openings(
        static, _column(line_s), cabin, _column(draws("altimeter.case_leak.lag_s", count))
    )
    return pressure_line(source, STEP_S, tau[:, 0], static[:, 0] if np.isinf(line_s[0]) else None)


def _branch(static: Array, states: States, flights: Flights, draws: Draws) -> Array:
    """Pressure behind the branch to altimeter and vertical speed."""
    if states.get("static_branch") != "pinched":
        return static
    return _trailing_inhg(static, draws("static_branch.pinched.lag_s", flights.count), flights, draws)


def _trailing_inhg(static: Array, lag_s: Array, flights: Flights, draws: Draws) -> Array:
    """Pressure behind a bottleneck with this lag (flight,).

    It trails a steady climb or descent by what is flown in that time. What was flown before the snapshot's
    climb, level or descent dies out: a long level flight shows nothing of it.
    """
    height_ft = pressure_altitude_ft(static)
    now_fps = (height_ft[:, -1] - height_ft[:, 0]) / ((flights.samples - 1) * STEP_S)
    before_fps = _flown_before_fpm(flights, draws) / S_PER_MIN
    since_s = draws("static.since_change_min", flights.count) * S_PER_MIN
    trails_ft = lag_s * (now_fps + (before_fps - now_fps) * np.exp(-since_s / lag_s))
    return pressure_line(static, STEP_S, lag_s, pressure_inhg(height_ft[:, 0] - trails_ft))


def _flown_before_fpm(flights: Flights, draws: Draws) -> Array:
    """Rate of a climb, a level flight or a descent before the snapshot's; on the ground no climb; even chances."""
    count = flights.count
    kinds = [draws("flight.climb_fpm", count), np.zeros(count), -draws("flight.descent_fpm", count)]
    return np.asarray(np.choose(draws.rng.integers(np.where(flights.airborne, 0, 1), 3), kinds))


def _with_friction(shown: Array, friction_ft: Array, start_share: float, overshoot: float) -> Array:
    """A pointer that moves only when the pull exceeds the friction, and then jumps to it."""
    pointer = np.array(shown, copy=True)
    pointer[:, 0] = shown[:, 0] - friction_ft * start_share
    for sample in range(1, shown.shape[1]):
        held = pointer[:, sample - 1]
        moves = np.abs(shown[:, sample] - held) > friction_ft
        pointer[:, sample] = np.where(moves, shown[:, sample] + overshoot * (shown[:, sample] - held), held)
    return pointer


def vertical_speed(states: States, flights: Flights, draws: Draws) -> Array:
    """What the vertical speed indicator shows, in fpm."""
    count = flights.count
    static = _branch(static_inhg(states, flights, draws), states, flights, draws)
    condition = states.get("vertical_speed_part", "true")
    tau = draws("vertical_speed.lag_s", count)
    stop_fpm = draws.fixed("vertical_speed.stop_fpm")
    height = pressure_altitude_ft(static)
    rate_fpm = (height[:, 10] - height[:, 0]) * 6.0
    if condition == "metering_blocked":
        above = draws.either_way("vertical_speed.metering_blocked.above_ft", count) * flights.airborne
        case = _column(pressure_inhg(height[:, 0] - above))
    else:
        source, lag = static, tau
        if condition == "case_leak":
            cabin = _cabin_inhg(
                pressure_inhg(flights.height_ft), flights, -draws("static.cabin_low.coefficient", count)
            )
            leak_s = draws("vertical_speed.case_leak.lag_s", count)
            source, joined = joined_openings(static, _column(tau), cabin, _column(leak_s))
            lag = joined[:, 0]
        case = pressure_line(
            source, STEP_S, lag, lagging_pressure_inhg(pressure_altitude_ft(source[:, 0]), rate_fpm, lag)
        )
    shown = vertical_speed_fpm(static, case, _column(tau), stop_fpm)
    match condition:
        case "offset":
            shown = shown + _column(draws.either_way("vertical_speed.offset.fpm", count))
        case "sluggish":
            shown = shown * _column(draws("vertical_speed.sluggish.share", count))
        case "stuck" | "stuck_away":
            shown = np.zeros_like(shown) + _column(draws.either_way(f"vertical_speed.{condition}.fpm", count))
    return np.asarray(np.clip(shown, -stop_fpm, stop_fpm))


def second_altimeter_ft(states: States, flights: Flights, draws: Draws) -> Array:
    """What the second altimeter on the same static line shows."""
    shown = pressure_altitude_ft(static_inhg(states, flights, draws))
    if states.get("second_altimeter_part") == "stuck":
        return np.broadcast_to(shown[:, :1], shown.shape)
    return np.asarray(shown)


def encoder_ft(states: States, flights: Flights, draws: Draws) -> Array:
    """What the encoder reports from the same static line, in steps of 100 ft."""
    return _encoder(states, flights, draws, static_inhg(states, flights, draws))


def _encoder(states: States, flights: Flights, draws: Draws, static: Array) -> Array:
    reported = pressure_altitude_ft(static)
    if states.get("encoder") == "off":
        right = _column(draws.chance("encoder.off.right_here", flights.count))
        error = _column(draws.either_way("encoder.off.error_ft", flights.count))
        reported = reported + np.where(right, 0.0, error)
    return np.asarray(np.round(reported, -2))


def encoder_less_altimeter_ft(states: States, flights: Flights, draws: Draws) -> Array:
    """Difference of the reported altitude to the altimeter on the same line."""
    static = static_inhg(states, flights, draws)
    return _encoder(states, flights, draws, static) - _altimeter(states, flights, draws, static)
