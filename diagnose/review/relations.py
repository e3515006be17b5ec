"""Consistency of channels that do not share a source: residuals, and when they began to disagree.

The detector is a two-sided cumulative sum (Page's test) on means over blocks of some seconds, in
standard deviations: it adds what exceeds half the change it is tuned to and alarms at a level.

Arrays (second,).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Relation, ReviewLimits
from diagnose.model.units import Array, fpm_from_kt, kt_from_m_s, m_s_from_fpm, m_s_from_kt
from diagnose.review.motion import Motion, bank_for, beginning, mean_over, rate_over
from diagnose.review.recording import Recording

GRAVITY_M_S2 = 9.80665
"""Standard gravity, exact. Source: SP 811 B.8."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A time from which a relation no longer held. Seconds; ``until`` is inf if it stayed so.

    ``earliest`` and ``latest`` bound the onset; ``alarm`` is when the detector was sure; ``size`` is the
    mean residual since, in the relation's unit.
    """

    relation: str
    onset: float
    earliest: float
    latest: float
    alarm: float
    until: float
    size: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """One relation over the flight: ``values`` (second,) in its unit, ``noise`` (second,)."""

    relation: Relation
    values: Array
    noise: Array
    changes: tuple[Change, ...]


def circular(difference_deg: Array) -> Array:
    """A difference of courses, -180 to 180 degrees."""
    return (difference_deg + 180.0) % 360.0 - 180.0


def residuals(recording: Recording, motion: Motion, kb: KnowledgeBase) -> tuple[Residual, ...]:
    """Every relation whose channels are recorded."""
    made = _makers(recording, motion, kb.review)
    found = []
    for relation in kb.relations.values():
        if not recording.has(*relation.channels):
            continue
        values = np.where(motion.airborne, made[relation.id](), np.nan)
        if np.isfinite(values).sum() < 2.0 * kb.review.block_s:
            continue
        noise = np.full(recording.seconds, relation.noise)
        if relation.id == "height_gps":
            height = recording.channels["gps_height_ft"]
            there = height[np.isfinite(height) & motion.airborne]
            noise = noise + kb.review.gps_scale * np.abs(np.nan_to_num(height - there[:60].mean()))
        changes = detect(values, noise, relation.id, kb.review)
        found.append(Residual(relation=relation, values=values, noise=noise, changes=changes))
    return tuple(found)


def _makers(recording: Recording, motion: Motion, limits: ReviewLimits) -> Mapping[str, Callable[[], Array]]:
    ch = recording.channels
    flying = motion.airborne

    def usual(values: Array, where: np.ndarray) -> float:
        """The usual value of this flight: the median, once there has been some time."""
        there = values[where & np.isfinite(values)]
        return float(np.median(there)) if len(there) >= limits.ready_seconds else np.nan

    def height_gps() -> Array:
        apart = ch["altimeter_ft"] - ch["gps_height_ft"]
        return apart - np.clip(beginning(apart, flying, limits), -limits.gps_height_ft, limits.gps_height_ft)

    def energy() -> Array:
        speed_m_s = m_s_from_kt(np.maximum(ch["airspeed_kt"], 0.0))
        gained = speed_m_s * m_s_from_kt(rate_over(ch["airspeed_kt"], 20)) / GRAVITY_M_S2
        total = 60.0 * rate_over(ch["altimeter_ft"], 20) + fpm_from_kt(gained / m_s_from_kt(1.0))
        found = np.full(len(total), np.nan)
        for power in ("idle", "cruise", "full"):
            where = (motion.power == power) & flying
            found[where] = total[where] - usual(total, where)
        return found

    def above_idle(name: str) -> Array:
        running = flying & (mean_over(ch["rpm"], 10) > limits.idle_rpm)
        return np.where(running, ch[name] - beginning(ch[name], running, limits), np.nan)

    def bank_turn() -> Array:
        rate = motion.turn_without("bank_deg", motion.rates_dps["bank_deg"])
        return mean_over(ch["bank_deg"], 5) - bank_for(motion.tas_kt, rate)

    def straight(values: Array) -> Array:
        return np.where(np.abs(motion.turn_dps) < limits.straight_dps, values, np.nan)

    def static_step() -> Array:
        return steps_of_static(ch, motion.tas_kt, motion.turn_dps, limits)

    heights, rates = motion.heights_fpm, motion.rates_dps

    def vsi_lagged(name: str) -> Array:
        # the mean over 20 s of both; the indicator's own lag is taken off the other side
        rate, lag = heights[name], round(limits.vsi_lag_s / 2.0)
        return np.concatenate([np.full(lag, np.nan), rate[:-lag]])[: len(rate)]

    return {
        "height_rate_vsi": lambda: vsi_lagged("altimeter_ft") - heights["vertical_speed_fpm"],
        "height_gps": height_gps,
        "height_rate_gps": lambda: heights["altimeter_ft"] - heights["gps_height_ft"],
        "vsi_gps": lambda: heights["vertical_speed_fpm"] - vsi_lagged("gps_height_ft"),
        "turn_heading": lambda: rates["turn_dps"] - rates["heading_deg"],
        "turn_track": lambda: rates["turn_dps"] - rates["gps_track_deg"],
        "bank_turn": bank_turn,
        "heading_track": lambda: rates["heading_deg"] - rates["gps_track_deg"],
        "heading_compass": lambda: straight(circular(ch["heading_deg"] - ch["compass_deg"])),
        "heading_wind": lambda: straight(circular(ch["heading_deg"] - motion.by_wind_deg)),
        "airspeed_wind": lambda: ch["airspeed_kt"] - motion.by_wind_kt,
        "airspeed_energy": energy,
        "static_step": static_step,
        "suction_rpm": lambda: above_idle("suction_inhg"),
        "volts_rpm": lambda: above_idle("volts"),
    }


def airspeed_by_altitude_kt(height_ft: Array, tas_kt: Array) -> Array:
    """By how much the airspeed moves with the static pressure that moves the altimeter by this: g dh / V, kt."""
    a_minute_s = 60.0
    return np.asarray(kt_from_m_s(GRAVITY_M_S2 * a_minute_s * m_s_from_fpm(height_ft) / m_s_from_kt(tas_kt)))


def _step(values: Array, seconds: int) -> Array:
    """Mean over so many seconds after each second less that before it; NaN at the ends. (second,)"""
    after = np.full(len(values), np.nan)
    if len(values) > 2 * seconds + 1:
        half = mean_over(values, seconds | 1)
        far = (seconds | 1) // 2 + 1
        after[far:-far] = half[2 * far :] - half[: -2 * far]
    return after


def steps_of_static(ch: Mapping[str, Array], tas_kt: Array, turn_dps: Array, limits: ReviewLimits) -> Array:
    """By how much the altimeter has stepped away from GPS so far together with the airspeed, ft; (second,).

    A jump of the GPS altitude, and an altimeter that is set anew, move no airspeed.
    """
    span = round(limits.static_step_s)
    apart = ch["altimeter_ft"] - ch["gps_height_ft"]
    at_once, for_good = _step(apart, span), _step(apart, 10 * span)
    bent = [
        np.fmax.reduce([np.roll(np.abs(values), by) for by in (-1, 0, 1)])
        for values in (np.diff(ch["altimeter_ft"], n=2, prepend=np.nan, append=np.nan), np.diff(apart, prepend=np.nan))
    ]
    size = np.abs(at_once)
    with np.errstate(invalid="ignore", divide="ignore"):
        stepped = (size >= limits.static_step_ft) & (np.minimum(*bent) >= 0.7 * size)
        stepped &= (for_good / at_once >= 0.5) & (for_good / at_once <= 2.0)
        # what crept before or after it was no step
        for by in (-10 * span, 10 * span):
            stepped &= np.abs(np.roll(for_good, by)) <= 0.5 * size
        moved = np.zeros(len(apart), dtype=bool)
        least, most = limits.static_step_ratio
        for seconds in (1, span):
            # in a turn the groundspeed changes with the wind
            straight = np.abs(turn_dps) < limits.straight_for_speed_dps
            speed = _step(ch["airspeed_kt"], seconds) - np.where(straight, _step(ch["gps_speed_kt"], seconds), 0.0)
            share = speed / airspeed_by_altitude_kt(at_once, tas_kt)
            moved |= (share >= least) & (share <= most)
        stepped &= moved
    total, size = np.zeros(len(apart)), np.where(stepped, size, 0.0)
    while size.max(initial=0.0) > 0.0:
        place = int(size.argmax())
        total[place:] += at_once[place]
        size[max(place - 10 * span, 0) : place + 10 * span] = 0.0
    return total


# ------------------------------------------------------------------ the detector


def in_blocks(values: Array, noise: Array, block: int, limit: float) -> Array:
    """Means over blocks in standard deviations, no larger than the limit; NaN where little is known."""
    count = len(values) // block
    cut = values[: count * block].reshape(count, block)
    known = np.isfinite(cut)
    number = known.sum(axis=1)
    mean = np.where(known, cut, 0.0).sum(axis=1) / np.maximum(number, 1)
    sd = noise[: count * block].reshape(count, block).mean(axis=1)
    return np.where(number * 2 >= block, np.clip(mean / sd, -limit, limit), np.nan)


def detect(values: Array, noise: Array, name: str, limits: ReviewLimits) -> tuple[Change, ...]:
    """When the residual left zero, and when it came back; linear in the length."""
    block = max(1, round(limits.block_s))
    z = in_blocks(values, noise, block, limits.z_limit).tolist()
    half, changes = limits.shift / 2.0, []
    place, count = 0, len(z)
    while place < count:
        found = _leaves_zero(z, place, half, limits)
        if found is None:
            break
        alarm, onset, earliest, latest = found
        back = _comes_back(z, alarm + 1, half, limits.threshold)
        end = count if back is None else back
        inside = values[onset * block : end * block]
        inside = inside[np.isfinite(inside)]
        changes.append(
            Change(
                relation=name,
                onset=float(onset * block),
                earliest=float(earliest * block),
                latest=float((latest + 1) * block),
                alarm=float((alarm + 1) * block),
                until=float("inf") if back is None else float(back * block),
                size=float(inside.mean()) if len(inside) else 0.0,
            )
        )
        if back is None:
            break
        place = back
    return tuple(changes)


def _leaves_zero(
    z: list[float], start: int, half: float, limits: ReviewLimits
) -> tuple[int, int, int, int] | None:
    """Block of the alarm, likeliest first block of the change, and the plausible first and last one."""
    up = down = 0.0
    path_up, path_down = [0.0], [0.0]
    sums = [0.0, 0.0]
    for place in range(start, len(z)):
        value = z[place]
        if value == value:
            sums[0] += value - half
            sums[1] -= value + half
            up, down = max(0.0, up + value - half), max(0.0, down - value - half)
        path_up.append(sums[0])
        path_down.append(sums[1])
        if up > limits.threshold or down > limits.threshold:
            path = np.array(path_up if up > limits.threshold else path_down)
            lowest = int(len(path) - 1 - np.argmin(path[::-1]))
            near = np.flatnonzero(path <= path[lowest] + limits.onset_drop / (2.0 * half))
            near = near[np.abs(near - lowest) <= 24]
            return place, start + lowest, start + int(near[0]), start + int(near[-1])
    return None


def _comes_back(z: list[float], start: int, half: float, threshold: float) -> int | None:
    """First block from which the residual was near zero again."""
    total, since = 0.0, start
    for place in range(start, len(z)):
        value = z[place]
        if value != value:
            continue
        total += half - abs(value)
        if total <= 0.0:
            total, since = 0.0, place + 1
        elif total > threshold:
            return since
    return None
