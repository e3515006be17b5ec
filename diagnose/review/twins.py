"""What another source says that a gauge should have shown: its twin.

A pilot lets altitude, speed and heading wander in "level flight", or turns at less than standard rate. A gauge whose
difference from its twin is steady by its own rule has shown what was flown: if that is odd for the maneuver, it
was the flying that was, and the reading says nothing about the gauge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.model import ReviewLimits
from diagnose.model.units import Array
from diagnose.review.motion import Motion, bank_for, mean_over, unwrapped
from diagnose.review.recording import Recording


@dataclass(frozen=True, slots=True, kw_only=True)
class Twin:
    """Difference of a gauge from what another source says of it; (second,), NaN where not known.

    ``from_start``: only its change within a snapshot counts, of which ``slack`` a second may come from adding up.
    ``rule``: whose rule reads it. ``shared``: the reading that a line gives to both when it is blocked, so that
    to agree in it is no proof.
    """

    apart: Array
    rule: str
    from_start: bool = False
    slack: float = 0.0
    shared: str = ""

    def within(self, part: Array) -> Array:
        """The difference over one snapshot, as it is to be read."""
        if not self.from_start:
            return part
        changed = part - part[0]
        return np.asarray(
            np.sign(changed) * np.maximum(np.abs(changed) - self.slack * np.arange(len(part)), 0.0)
        )


def twins_of(recording: Recording, motion: Motion, limits: ReviewLimits) -> Mapping[str, Twin]:
    """Find the twin of each facet that has one; facet -> Twin."""
    ch, found = recording.channels, dict[str, Twin]()

    if "airspeed_kt" in ch and np.isfinite(motion.by_wind_kt).any():
        found["airspeed.trend"] = Twin(apart=ch["airspeed_kt"] - motion.by_wind_kt, rule="airspeed.trend")
    rates = motion.heights_fpm
    if "altimeter_ft" in ch:
        if "gps_height_ft" in ch:
            apart = ch["altimeter_ft"] - ch["gps_height_ft"]
            found["gps_height.trend"] = Twin(apart=apart, rule="altimeter.trend")
        elif "vertical_speed_fpm" in ch:
            apart = ch["altimeter_ft"] - _summed(ch["vertical_speed_fpm"] / 60.0)
        else:
            apart = np.full(recording.seconds, np.nan)
        still = "" if "gps_height_ft" in ch else "steady"
        found["altimeter.trend"] = Twin(apart=apart, rule="altimeter.trend", from_start=True, shared=still)
    other = rates.get("gps_height_ft", rates.get("altimeter_ft"))
    if "vertical_speed_fpm" in ch and other is not None:
        still = "" if "gps_height_ft" in rates else "zero"
        apart = rates["vertical_speed_fpm"] - other
        found["vertical_speed.rate"] = Twin(apart=apart, rule="vertical_speed.rate", shared=still)
    if len(motion.rates_dps) > 1:
        found |= _turning(recording, motion, limits)
    return found


def _turning(recording: Recording, motion: Motion, limits: ReviewLimits) -> Mapping[str, Twin]:
    ch, found = recording.channels, dict[str, Twin]()
    others = {name: motion.turn_without(name, own) for name, own in motion.rates_dps.items()}
    if "bank_deg" in ch:
        asked = bank_for(motion.tas_kt, others["bank_deg"])
        found["attitude.bank"] = Twin(apart=mean_over(ch["bank_deg"], 5) - asked, rule="attitude.bank")
    if "turn_dps" in ch:
        apart = motion.rates_dps["turn_dps"] - others["turn_dps"]
        found["turn_coordinator.turn"] = Twin(apart=apart, rule="turn_coordinator.turn")
    for facet, channel in (("heading.trend", "heading_deg"), ("gps_track.trend", "gps_track_deg")):
        if channel in ch:
            # a horizon that leans by three degrees adds up to half a degree a second: only without a better one
            left_out = ("bank_deg",) if motion.rates_dps.keys() - {channel, "bank_deg"} else ()
            rate = motion.turn_without(channel, motion.rates_dps[channel], *left_out)
            slack = limits.twin_slack_dps
            if left_out:
                # a turn coordinator is off by the same all flight, a leaning horizon is not
                rate = rate - _usual_error(rate, motion, limits)
                slack = limits.twin_walk_dps
            apart = unwrapped(ch[channel]) - _summed(rate)
            found[facet] = Twin(apart=apart, rule="heading.trend", from_start=True, slack=slack)
    return found


def _usual_error(rate: Array, motion: Motion, limits: ReviewLimits) -> float:
    """By how much a rate of turn is off in straight flight: by the track, else by the heading as the flight begins."""
    track = motion.rates_dps.get("gps_track_deg")
    known = motion.rates_dps["heading_deg"] if track is None else track
    straight = motion.airborne & (np.abs(motion.turn_dps) < limits.straight_dps)
    error = (rate - known)[straight & np.isfinite(rate) & np.isfinite(known)]
    error = error if track is not None else error[: round(limits.twin_ready_s)]
    most = limits.twin_slack_dps
    return float(np.clip(np.mean(error), -most, most)) if len(error) else 0.0


def _summed(rate_per_s: Array) -> Array:
    """What a rate adds up to; NaN where it is not known. (second,)"""
    return np.where(np.isfinite(rate_per_s), np.cumsum(np.nan_to_num(rate_per_s)), np.nan)
