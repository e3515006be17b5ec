"""What a sound horizon shows wrongly after the turns and speeds that were flown, so that it is not held against it.

Erection pulls the rotor to the apparent vertical: after some turns a good horizon leans by degrees for minutes.
How fast it erects differs from one to the next, so a band of errors is given, from the ends of the ranges.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model.units import Array
from diagnose.physics.gyros import apparent_pitch_deg, horizon_error_deg
from diagnose.review.motion import Motion, bank_for, mean_over, rate_over
from diagnose.review.recording import Recording

#: erection is slow: steps of this many seconds are fine enough
STEP = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """The least and the largest error (shown less true, degrees) of a sound horizon; (second,) each."""

    least: Array
    most: Array

    def inside(self, error: Array) -> Array:
        """The part of an error that a sound horizon can have; NaN stays. (second,)"""
        return np.clip(error, self.least, self.most)

    @property
    def middle(self) -> Array:
        """Half-way between both; (second,)."""
        return 0.5 * (self.least + self.most)


def horizon_bands(recording: Recording, motion: Motion, kb: KnowledgeBase) -> tuple[Band, Band]:
    """Errors of a sound horizon in bank and in pitch."""
    seconds, limits = recording.seconds, kb.review
    most = limits.largest_turn_dps
    others = motion.rates_dps.get("bank_deg", np.zeros(seconds))
    turn = motion.turn_without("bank_deg", others) if len(motion.rates_dps) > 1 else motion.turn_dps
    turn = np.where(np.isfinite(turn) & motion.airborne, turn, 0.0)
    ch = recording.channels
    speed = ch.get("airspeed_kt", ch.get("gps_speed_kt", np.zeros(seconds)))
    gained = np.where(motion.airborne, np.nan_to_num(rate_over(speed, 20)), 0.0)
    # bumps average out long before the erection answers; wind in a turn is no acceleration
    gained = np.clip(gained, -limits.largest_gain_kt_per_s, limits.largest_gain_kt_per_s)
    coarse = slice(STEP // 2, None, STEP)
    at = np.arange(seconds)[coarse]
    if not len(at):
        nothing = Band(least=np.zeros(seconds), most=np.zeros(seconds))
        return nothing, nothing
    ends = [
        (tau, limit)
        for tau in _ends(kb, "attitude.erection_tau_min")
        for limit in _ends(kb, "attitude.erection_limit_dpm")
    ]
    in_bank, in_pitch = horizon_error_deg(
        speed=np.ones((len(ends), len(at))),
        erection=np.ones((len(ends), len(at))),
        turn_dps=mean_over(turn, STEP)[coarse],
        vertical_bank_deg=bank_for(motion.tas_kt, np.clip(mean_over(turn, STEP), -most, most))[coarse],
        vertical_pitch_deg=apparent_pitch_deg(mean_over(gained, STEP)[coarse]),
        step_s=float(STEP),
        erection_tau_min=np.array([tau for tau, _ in ends]),
        erection_limit_dpm=np.array([limit for _, limit in ends]),
        bank_drift_dpm=0.0,
        pitch_drift_dpm=0.0,
    )

    def band(errors: Array) -> Band:
        """Between the fastest and the slowest erection, and always with no error at all."""
        places = np.arange(seconds)
        return Band(
            least=np.interp(places, at, np.minimum(errors.min(axis=0), 0.0)),
            most=np.interp(places, at, np.maximum(errors.max(axis=0), 0.0)),
        )

    return band(in_bank), band(in_pitch)


def _ends(kb: KnowledgeBase, quantity: str) -> tuple[float, float]:
    found = kb.quantities[quantity]
    return found.low, found.high
