"""What the aircraft really does over a whole flight: from what the pilot means to fly, second by second.

Simple on purpose: a new rate, bank or speed is taken up with a lag; altitude that is gained unasked costs
speed and the other way round; a bank that nobody knows of loses altitude. Arrays have shape (time,).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from diagnose.model.units import Array, fpm_from_kt, m_s_from_fpm, m_s_from_kt
from diagnose.physics.airdata import tas_from_cas_kt
from diagnose.physics.gyros import STANDARD_GRAVITY_M_S2, bank_for_rate_deg, turn_rate_dps

STEP_S = 1.0
STEEPEST_BANK_DEG = 75.0
SLOWEST_KT = 30.0
FASTEST_KT = 195.0
GROUND_FT = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Handling:
    """How the aircraft answers; the quantities ``course.*`` of knowledge/flown.toml."""

    rate_lag_s: float
    bank_lag_s: float
    speed_lag_s: float
    most_kt_per_s: float
    stall_kt: float
    stall_sink_fpm_per_kt: float
    bank_sink_fpm: float
    nose_deg_per_kt: float
    level_kt: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Meant:
    """What the pilot means to fly. ``airborne`` and ``rolling`` are bool; ``power`` holds its words.

    ``draft_fpm`` is the air's own motion; ``holds_height`` says where the pilot flies against it.
    """

    rate_fpm: Array
    turn_dps: Array
    airspeed_kt: Array
    airborne: np.ndarray
    rolling: np.ndarray
    holds_height: np.ndarray
    power: np.ndarray
    draught_fpm: Array
    start_ft: float
    start_heading_deg: float
    start_kt: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Astray:
    """What is flown beside what was meant: a rate of climb and a bank that were not."""

    rate_fpm: Array
    bank_deg: Array

    @classmethod
    def none(cls, samples: int) -> Astray:
        """Nothing."""
        return cls(rate_fpm=np.zeros(samples), bank_deg=np.zeros(samples))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bumps:
    """Turbulence: what it adds to altitude, airspeed, rate of turn, heading and pitch."""

    height_ft: Array
    airspeed_kt: Array
    turn_dps: Array
    heading_deg: Array
    pitch_deg: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The true motion. ``heading_deg`` is not wrapped; ``gain_kt_per_s`` is the change of airspeed."""

    time_s: Array
    height_ft: Array
    airspeed_kt: Array
    gain_kt_per_s: Array
    rate_fpm: Array
    turn_dps: Array
    heading_deg: Array
    bank_deg: Array
    pitch_deg: Array


def _nearer(now: float, target: float, lag_s: float) -> float:
    return target + (now - target) * math.exp(-STEP_S / lag_s)


def fly(meant: Meant, astray: Astray, bumps: Bumps, how: Handling) -> Course:
    """Fly what is meant, with what goes astray beside it."""
    samples = len(meant.rate_fpm)
    meant_ft = np.maximum(meant.start_ft + np.cumsum(meant.rate_fpm) * STEP_S / 60.0, GROUND_FT)
    true_kt = np.maximum(tas_from_cas_kt(meant.airspeed_kt, meant_ft), SLOWEST_KT)
    wanted_bank = np.where(meant.airborne, bank_for_rate_deg(true_kt, meant.turn_dps), 0.0)
    climbs, speeds, banks, heights = (np.empty(samples) for _ in range(4))
    height, speed = meant.start_ft, meant.start_kt
    held = meant.start_kt
    climb = float(meant.rate_fpm[0]) if meant.airborne[0] else 0.0
    bank = float(wanted_bank[0])
    for k in range(samples):
        if not meant.airborne[k]:
            climb, bank = 0.0, 0.0
            speed = held = float(meant.airspeed_kt[k])
        else:
            step = (float(meant.airspeed_kt[k]) - held) / STEP_S
            step = max(min(step, how.most_kt_per_s), -how.most_kt_per_s) * STEP_S
            # the power takes the speed along; what altitude has taken or given comes back by itself
            held, speed = held + step, speed + step
            against = float(meant.draught_fpm[k]) if meant.holds_height[k] else 0.0
            target = float(meant.rate_fpm[k] + astray.rate_fpm[k]) - against
            steep = min(abs(bank - float(wanted_bank[k])), 70.0)
            target -= how.bank_sink_fpm * (1.0 / math.cos(math.radians(steep)) - 1.0)
            if speed < how.stall_kt:
                # a stalled wing does not climb, whatever the pilot pulls
                target = min(target, 0.0) - how.stall_sink_fpm_per_kt * (how.stall_kt - speed)
            climb = _nearer(climb, target, how.rate_lag_s)
            bank = _nearer(bank, float(wanted_bank[k] + astray.bank_deg[k]), how.bank_lag_s)
            bank = max(min(bank, STEEPEST_BANK_DEG), -STEEPEST_BANK_DEG)
            # altitude gained beyond what the power gives comes out of the speed (energy)
            unasked = m_s_from_fpm(climb - float(meant.rate_fpm[k]))
            lost = STANDARD_GRAVITY_M_S2 * unasked / m_s_from_kt(speed) / m_s_from_kt(1.0)
            speed = held + (speed - held) * math.exp(-STEP_S / how.speed_lag_s) - lost * STEP_S
            speed = max(min(speed, FASTEST_KT), SLOWEST_KT)
            height = max(height + (climb + float(meant.draught_fpm[k])) * STEP_S / 60.0, GROUND_FT)
        climbs[k], speeds[k], banks[k], heights[k] = climb, speed, bank, height
    return _course(meant, bumps, how, climbs, speeds, banks, heights)


def _course(
    meant: Meant, bumps: Bumps, how: Handling, climb: Array, speed: Array, bank: Array, height: Array
) -> Course:
    true_kt = np.maximum(tas_from_cas_kt(speed, height), SLOWEST_KT)
    turn = np.where(meant.airborne, turn_rate_dps(true_kt, bank), meant.turn_dps)
    path_deg = np.degrees(np.arcsin(np.clip(climb / fpm_from_kt(true_kt), -0.9, 0.9)))
    nose = path_deg + how.nose_deg_per_kt * (how.level_kt - speed)
    heading = meant.start_heading_deg + np.cumsum(turn) * STEP_S - turn[0] * STEP_S
    airborne = meant.airborne
    return Course(
        time_s=np.arange(len(climb), dtype=np.float64) * STEP_S,
        height_ft=np.maximum(height + bumps.height_ft * airborne, GROUND_FT),
        airspeed_kt=np.maximum(speed + bumps.airspeed_kt * airborne, 0.0),
        gain_kt_per_s=np.gradient(speed, STEP_S),
        rate_fpm=np.where(airborne, climb + meant.draught_fpm, 0.0),
        turn_dps=turn + bumps.turn_dps * airborne,
        heading_deg=heading + bumps.heading_deg * airborne,
        bank_deg=bank,
        pitch_deg=np.where(airborne, nose, 0.0) + bumps.pitch_deg * airborne,
    )
