"""What the aircraft did, from whichever channels tell of it without sharing a source; (second,) arrays.

Every estimate is causal or centered over seconds, so the time it takes is linear in the length.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from diagnose.model import ReviewLimits
from diagnose.model.units import Array, fpm_from_kt
from diagnose.physics.airdata import tas_from_cas_kt
from diagnose.physics.gyros import bank_for_rate_deg, turn_rate_dps
from diagnose.review.recording import Recording
from diagnose.review.wind import Wind, wind_of

#: used where no airspeed is recorded or it cannot be right
USUAL_KT, SLOWEST_KT, FASTEST_KT = 100.0, 55.0, 250.0
LOWEST_FT, HIGHEST_FT = -1000.0, 30000.0


def mean_over(values: Array, seconds: int) -> Array:
    """Centered mean over a span of seconds, of what is known there; (second,)."""
    known = np.isfinite(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    half = seconds // 2
    low = np.maximum(np.arange(len(values)) - half, 0)
    high = np.minimum(np.arange(len(values)) + half + 1, len(values))
    number = count[high] - count[low]
    return np.where(number > 0, (total[high] - total[low]) / np.maximum(number, 1), np.nan)


def beginning(values: Array, where: np.ndarray, limits: ReviewLimits) -> float:
    """What a flight begins with: the median of the first minutes of what is known there; NaN where nothing is."""
    there = values[where & np.isfinite(values)]
    return float(np.median(there[: int(2 * limits.ready_seconds)])) if len(there) else np.nan


def rate_over(values: Array, seconds: int) -> Array:
    """Change per second across a centered span, from means of its two halves; (second,)."""
    half = max(seconds // 2, 1)
    smooth = mean_over(values, half)
    found = np.full(len(values), np.nan)
    if len(values) > 2 * half:
        found[half:-half] = (smooth[2 * half :] - smooth[: -2 * half]) / (2.0 * half)
    return found


def unwrapped(course_deg: Array) -> Array:
    """A course without its jump at north; NaN stays."""
    known = np.isfinite(course_deg)
    found = np.full(len(course_deg), np.nan)
    found[known] = np.degrees(np.unwrap(np.radians(course_deg[known])))
    return found


def middle_of(estimates: list[Array], seconds: int) -> Array:
    """Median of what is known each second; NaN where nothing is."""
    if not estimates:
        return np.full(seconds, np.nan)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        return np.asarray(np.nanmedian(np.stack(estimates), axis=0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Motion:
    """The motion as the channels together tell it.

    ``rates_dps``: channel -> rate of turn by it; ``turn_dps`` their median; ``climb_fpm`` by the best
    source; ``wind`` as estimated, ``wind_doubt_kt`` its standard deviation if the airspeed is not believed;
    ``by_wind_kt`` calibrated airspeed and ``by_wind_deg`` heading that track,
    groundspeed and wind ask for, NaN where the wind is not known well; ``roughly_kt`` and ``roughly_deg`` the
    same wherever there is any estimate; ``power`` "idle", "cruise", "full" or "" where unknown;
    ``turns_differ_dps``, ``contested_s``, ``contested_least_s``: as in ``ReviewLimits``. ``believed``: the channel that is believed
    where the turn is contested, "" for none. ``by_nose_kt``: as ``airspeed_by_nose_kt``;
    ``stood``: as the function.
    """

    airborne: np.ndarray
    tas_kt: Array
    rates_dps: Mapping[str, Array]
    turn_dps: Array
    heights_fpm: Mapping[str, Array]
    climb_fpm: Array
    power: np.ndarray
    wind: Wind
    wind_doubt_kt: Array
    by_wind_kt: Array
    by_wind_deg: Array
    roughly_kt: Array
    roughly_deg: Array
    turns_differ_dps: float
    contested_s: int
    contested_least_s: int
    believed: str = ""
    by_nose_kt: Array = field(default_factory=lambda: np.zeros(0))
    stood: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def believing(self, channel: str) -> Motion:
        """The same with this channel's rate of turn wherever it is contested."""
        turn = np.where(self.contested, self.rates_dps[channel], self.turn_dps)
        return replace(self, turn_dps=turn, believed=channel)

    @property
    def contested(self) -> np.ndarray:
        """Where just two sources tell of the turn and they differ, so that nothing says which is right; (second,)."""
        rates = list(self.rates_dps.values())
        if len(rates) < 2:
            return np.zeros(len(self.airborne), dtype=bool)
        known = np.sum([np.isfinite(rate) for rate in rates], axis=0)
        span = np.fmax.reduce(rates) - np.fmin.reduce(rates)
        apart = mean_over(np.where(known == 2, span, np.nan), self.contested_s)
        found = np.asarray((known == 2) & (np.nan_to_num(apart) > self.turns_differ_dps))
        # the ends of a recording and bumps contest nothing
        return found if found.sum() >= self.contested_least_s else np.zeros(len(self.airborne), dtype=bool)

    def turn_without(self, channel: str, own: Array, *also: str) -> Array:
        """Rate of turn by the other channels but ``also``; where two of them differ, the one nearer to ``own``."""
        others = [rate for name, rate in self.rates_dps.items() if name not in (channel, *also)]
        if len(others) != 2:
            return middle_of(others, len(own))
        first, second = others
        nearer = np.where(np.abs(first - own) <= np.abs(second - own), first, second)
        differ = np.abs(first - second) > self.turns_differ_dps
        return np.where(differ, nearer, middle_of(others, len(own)))


def _turn_by_bank(bank_deg: Array, tas_kt: Array, most_deg: float) -> Array:
    """Rate of turn that a bank gives; one beyond ``most_deg`` is cut to it; NaN where none is known. (second,)"""
    bank = np.clip(mean_over(bank_deg, 5), -most_deg, most_deg)
    known = np.isfinite(bank)
    return np.where(known, turn_rate_dps(tas_kt, np.where(known, bank, 0.0)), np.nan)


def motion_of(recording: Recording, limits: ReviewLimits, variation_deg: float) -> Motion:
    """Work out the motion of a recording."""
    ch, seconds = recording.channels, recording.seconds
    nothing = np.full(seconds, np.nan)
    height = ch.get("altimeter_ft", ch.get("gps_height_ft", nothing))
    speed = ch.get("airspeed_kt", nothing)
    usable = np.where((speed > SLOWEST_KT) & (speed < FASTEST_KT), speed, np.nan)
    middle = float(np.nanmedian(usable)) if np.isfinite(usable).any() else USUAL_KT
    at_ft = np.clip(np.nan_to_num(height, nan=0.0), LOWEST_FT, HIGHEST_FT)
    tas = np.asarray(tas_from_cas_kt(np.where(np.isfinite(usable), usable, middle), at_ft))
    airborne = _airborne(recording, limits)
    rates = {}
    if "turn_dps" in ch:
        rates["turn_dps"] = mean_over(ch["turn_dps"], 5)
    for name in ("heading_deg", "gps_track_deg"):
        if name in ch:
            rates[name] = rate_over(unwrapped(ch[name]), 10)
    if "bank_deg" in ch:
        rates["bank_deg"] = _turn_by_bank(ch["bank_deg"], tas, limits.largest_bank_deg)
    turn = middle_of(list(rates.values()), seconds)
    heights = {
        name: 60.0 * rate_over(ch[name], 20) for name in ("gps_height_ft", "altimeter_ft") if name in ch
    }
    if "vertical_speed_fpm" in ch:
        heights["vertical_speed_fpm"] = mean_over(ch["vertical_speed_fpm"], 20)
    power = _power(ch.get("rpm"), ch.get("manifold_inhg"), airborne, limits, seconds)
    there = np.isfinite(usable) & airborne
    # an airspeed that was never of use tells nothing of the wind, but track and heading do
    guessed = bool(there.sum() < limits.guessed_below * airborne.sum())
    wind, doubt_kt = wind_of(
        recording, limits, tas, airborne if guessed else there, turn, variation_deg, guessed=guessed
    )
    roughly_kt, roughly_deg = _by_wind(recording, wind, at_ft, variation_deg)
    by_kt, by_deg = np.where(wind.along, roughly_kt, np.nan), np.where(wind.across, roughly_deg, np.nan)
    # an airspeed that is far from what wind and track ask for must not make the horizon look wrong in turns
    astray = np.abs(np.nan_to_num(by_kt - speed, nan=0.0)) > limits.wind_astray_kt
    tas = np.where(astray, np.asarray(tas_from_cas_kt(np.where(astray, by_kt, USUAL_KT), at_ft)), tas)
    if astray.any() and "bank_deg" in ch:
        rates["bank_deg"] = _turn_by_bank(ch["bank_deg"], tas, limits.largest_bank_deg)
        turn = middle_of(list(rates.values()), seconds)
    found = Motion(
        airborne=airborne, tas_kt=tas, rates_dps=rates, turn_dps=turn, heights_fpm=heights,
        climb_fpm=_climb(heights, power, ch.get("pitch_deg"), limits, seconds), power=power,
        wind=wind, wind_doubt_kt=doubt_kt, by_wind_kt=by_kt, by_wind_deg=by_deg, roughly_kt=roughly_kt, roughly_deg=roughly_deg,
        turns_differ_dps=limits.turns_differ_dps,
        contested_s=limits.contested_s, contested_least_s=limits.contested_least_s,
    )  # fmt: skip
    found = replace(found, by_nose_kt=nothing, stood=stood(ch, found, limits))
    return _by_nose(found, ch, at_ft, limits) if {"airspeed_kt", "pitch_deg"} <= ch.keys() else found


def _by_nose(motion: Motion, ch: Mapping[str, Array], at_ft: Array, limits: ReviewLimits) -> Motion:
    """The motion with what the nose says of the airspeed; where that is far off it is not used for bank and turn."""
    off = airspeed_by_nose_kt(ch, motion, limits)
    if "bank_deg" in motion.stood:
        # a horizon that has stuck tells nothing of the nose either
        off[round(motion.stood["bank_deg"][0]) :] = np.nan
    astray = np.abs(np.nan_to_num(off)) > 2.0 * limits.wind_astray_kt
    if not astray.any():
        return replace(motion, by_nose_kt=off)
    likely = np.clip(np.where(astray, ch["airspeed_kt"] - off, USUAL_KT), SLOWEST_KT, FASTEST_KT)
    tas, rates = np.where(astray, np.asarray(tas_from_cas_kt(likely, at_ft)), motion.tas_kt), dict(motion.rates_dps)
    if "bank_deg" in ch:
        rates["bank_deg"] = _turn_by_bank(ch["bank_deg"], tas, limits.largest_bank_deg)
    turn = middle_of(list(rates.values()), len(tas))
    return replace(motion, by_nose_kt=off, tas_kt=tas, rates_dps=rates, turn_dps=turn)


def _airborne(recording: Recording, limits: ReviewLimits) -> np.ndarray:
    """Seconds in flight. Once it flies it goes on flying until something says that it rolls or stands.

    A dead airspeed indicator does not bring the aircraft down: the groundspeed decides if there is one,
    else the airspeed is believed only together with an engine at idle.
    """
    ch, seconds = recording.channels, recording.seconds
    flying = np.zeros(seconds, dtype=bool)
    speeds = [mean_over(ch[name], 10) for name in ("gps_speed_kt", "airspeed_kt") if name in ch]
    for speed in speeds:
        flying |= speed > limits.airborne_kt
    for name in ("gps_height_ft", "altimeter_ft"):
        if name in ch:
            known = ch[name][np.isfinite(ch[name])]
            flying |= mean_over(ch[name], 10) > known[:30].mean() + limits.airborne_ft
    slow = speeds[0] <= limits.airborne_kt if speeds else np.zeros(seconds, dtype=bool)
    if "gps_speed_kt" not in ch and "rpm" in ch:
        slow = slow & (mean_over(ch["rpm"], 10) < limits.idle_rpm)
    moves = np.zeros(seconds, dtype=bool)
    for name in ("gps_height_ft", "altimeter_ft"):
        if name in ch:
            # what climbs or descends is in the air, whatever the airspeed says
            moves |= np.abs(60.0 * rate_over(ch[name], 20)) >= limits.vertical_fpm
    flying |= mean_over(moves.astype(np.float64), round(limits.snapshot_s)) > 0.5
    stands = ~flying & (mean_over((slow & ~moves).astype(np.float64), 60) > 0.95)
    places = np.arange(seconds)
    flew = np.maximum.accumulate(np.where(flying, places, -1))
    stood = np.maximum.accumulate(np.where(stands, places, -1))
    began = int(np.argmax(flying)) if flying.any() else 0
    # a recording that begins in the air with a dead airspeed: nothing says that it stood before
    before = ~slow & (places < began) & (not stands[:began].any())
    return ((flew >= 0) & (flew >= stood)) | before


def _power(rpm: Array | None, manifold: Array | None, airborne: np.ndarray, limits: ReviewLimits, seconds: int) -> np.ndarray:  # fmt: skip
    """Power in words, by engine speed; where a propeller governor holds that, manifold pressure tells more."""
    words = np.full(seconds, "", dtype="<U6")
    for values, idle in ((rpm, limits.idle_rpm), (manifold, limits.idle_inhg)):
        if values is None or not np.isfinite(values[airborne]).any():
            continue
        smooth = mean_over(values, 5)
        high, usual = np.nanpercentile(smooth[airborne], [97.0, 50.0])
        # one value throughout: nothing tells climb power from cruise power
        full = limits.full_share * high if high > 1.03 * usual or usual < idle else np.inf
        own = np.where(smooth < idle, "idle", np.where(smooth >= full, "full", "cruise"))
        words = np.where(np.isfinite(smooth) & ((words == "") | (words == "cruise")), own, words)
    return words


def _climb(heights: Mapping[str, Array], power: np.ndarray, pitch: Array | None, limits: ReviewLimits, seconds: int) -> Array:  # fmt: skip
    """Rate of climb: by GPS where there is one; else what altimeter, vertical speed, nose and power say.

    Altimeter and vertical speed share the static line, so that they do not outvote nose and power.
    """
    if "gps_height_ft" in heights:
        gps = heights["gps_height_ft"]
        if np.isfinite(gps).mean() > 0.9:
            return gps
    height = heights.get("altimeter_ft", np.full(seconds, np.nan))
    rate = heights.get("vertical_speed_fpm", height)
    moves = np.abs(height) >= limits.vertical_fpm
    found = np.where(moves | ~np.isfinite(rate), height, 0.0)
    if pitch is not None:
        nose = mean_over(pitch, 20)
        if "altimeter_ft" in heights and "vertical_speed_fpm" in heights:
            # altimeter alone against vertical speed and nose is outvoted
            # each against what it shows as a rule while the altimeter stands: a needle may be off for good
            risen, raised = rate - _median(rate, ~moves), nose - _median(nose, ~moves)
            agree = (np.abs(risen) >= limits.vertical_fpm) & (
                raised * np.sign(risen) >= limits.nose_moves_deg
            )
            found = np.where(~moves & agree, risen, found)
        up = ~moves & (power == "full") & (nose >= limits.nose_deg)
        found = np.where(up, np.maximum(rate, 2.0 * limits.vertical_fpm), found)
        down = ~moves & (power == "idle") & (nose <= 0.0)
        found = np.where(down, np.minimum(rate, -2.0 * limits.vertical_fpm), found)
    if "gps_height_ft" in heights:
        found = np.where(np.isfinite(heights["gps_height_ft"]), heights["gps_height_ft"], found)
    return found


def _median(values: Array, where: np.ndarray) -> float:
    """Median of what is known there; 0 where nothing is."""
    there = values[where & np.isfinite(values)]
    return float(np.median(there)) if len(there) else 0.0


# ------------------------------------------------------------------ wind


def _by_wind(recording: Recording, wind: Wind, height_ft: Array, variation_deg: float) -> tuple[Array, Array]:
    """Airspeed and heading that track, groundspeed and wind ask for; NaN where nothing is known of the wind."""
    ch = recording.channels
    if not np.isfinite(wind.kt).any():
        nothing = np.full(recording.seconds, np.nan)
        return nothing, nothing
    track = np.radians(ch["gps_track_deg"])
    east = ch["gps_speed_kt"] * np.sin(track) - wind.kt[:, 0]
    north = ch["gps_speed_kt"] * np.cos(track) - wind.kt[:, 1]
    one_kt = np.asarray(tas_from_cas_kt(np.full(len(east), USUAL_KT), height_ft)) / USUAL_KT
    heading = (np.degrees(np.arctan2(east, north)) - variation_deg) % 360.0
    return np.hypot(east, north) / one_kt, heading


def _spread(values: Array, seconds: int) -> Array:
    """Largest less least over a centered span, of what is known there; (second,)."""
    half, padded = seconds // 2, np.pad(values, seconds // 2, mode="edge")
    spans = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    return np.asarray(np.fmax.reduce(spans, axis=1) - np.fmin.reduce(spans, axis=1))


def stood(ch: Mapping[str, Array], motion: Motion, limits: ReviewLimits) -> dict[str, tuple[float, float]]:
    """Pointers that stood still while others asked them to move: channel -> since when, and when that first showed (s)."""
    found, rates = dict[str, tuple[float, float]](), motion.rates_dps
    # what each would show by what does not share its source
    asked: dict[str, Array] = {}
    turns = {name: motion.turn_without(name, rate) for name, rate in rates.items()} if len(rates) > 1 else {}
    if "bank_deg" in turns:
        asked["bank_deg"] = bank_for(motion.tas_kt, turns["bank_deg"])
    if "turn_dps" in turns:
        asked["turn_dps"] = turns["turn_dps"]
    span, edge = round(limits.stands_s), 15
    if "heading_deg" in turns:
        # rates add up with their error: a turn within a minute, or a track
        by_rate = mean_over(turns["heading_deg"], span) * span / 1.6
        asked["heading_deg"] = unwrapped(ch["gps_track_deg"]) if "gps_track_deg" in ch else by_rate
    if "gps_height_ft" in ch:
        asked |= {"altimeter_ft": ch["gps_height_ft"], "vertical_speed_fpm": motion.heights_fpm["gps_height_ft"]}
    elif "altimeter_ft" in ch:
        asked["vertical_speed_fpm"] = motion.heights_fpm["altimeter_ft"]
    if {"gps_speed_kt", "gps_track_deg"} <= ch.keys():
        asked["airspeed_kt"] = ch["gps_speed_kt"]
    for name, (still, moved) in limits.stands.items():
        if name not in ch or name not in asked:
            continue
        shown = unwrapped(ch[name]) if name == "heading_deg" else ch[name]
        stands = (_spread(mean_over(shown, 5), span) <= still) & motion.airborne
        edges = np.flatnonzero(np.diff(np.concatenate([[0], stands.astype(int), [0]])))
        for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            first, end = max(first - span // 2, 0), min(end + span // 2, len(stands))
            other = mean_over(asked[name], edge)[first:end]
            # what was flown just before and after is in the means
            blurred = edge + span // 2 * (name == "heading_deg" and "gps_track_deg" not in ch)
            other[:blurred] = other[-blurred:] = np.nan
            if name == "airspeed_kt":
                # on one track: a wind that is worked out would be as wrong as the heading
                track = unwrapped(ch["gps_track_deg"])[first:end]
                other = np.where(np.abs(track - track[0]) <= limits.turns_differ_dps * 10.0, other, np.nan)
            if not np.isfinite(other).any():
                continue
            apart = np.fmax.accumulate(other) - np.fmin.accumulate(other)
            enough = np.flatnonzero(np.nan_to_num(apart) >= moved)
            if len(enough) and name not in found:
                shows = np.flatnonzero(np.nan_to_num(apart) >= 0.7 * moved)
                found[name] = (float(first), float(first + shows[0]))
    return found


def airspeed_by_nose_kt(ch: Mapping[str, Array], motion: Motion, limits: ReviewLimits) -> Array:
    """By how much the airspeed is off for the nose that carries the airplane, in favor of it; kt, NaN where unknown.

    Lift asks for an angle of attack (nose less path) that goes with load over speed squared (PHAK ch. 5). Where this
    airplane's line lies is learned from the beginning of the flight, and so is how far it strays from it.
    """
    span = round(limits.attack_s)
    shown = mean_over(ch["airspeed_kt"], span)
    tas = np.maximum(mean_over(motion.tas_kt, span), SLOWEST_KT)
    attack = mean_over(ch["pitch_deg"], span) - np.degrees(mean_over(motion.climb_fpm, span) / fpm_from_kt(tas))
    load = 1.0 / np.cos(np.radians(np.clip(bank_for(tas, mean_over(motion.turn_dps, span)), -60.0, 60.0)))
    carried = load * (USUAL_KT / np.maximum(shown, 0.25 * USUAL_KT)) ** 2
    there = motion.airborne & np.isfinite(attack) & np.isfinite(carried)
    learned = there & (np.cumsum(motion.airborne) <= limits.attack_learned_s) & (shown > SLOWEST_KT)
    if learned.sum() < 4 * span:
        return np.full(len(attack), np.nan)
    line = np.stack([np.ones(len(attack)), carried], axis=1)
    weight = np.diag(1.0 / np.square([limits.attack_zero_deg[1], limits.attack_deg[1]]))
    noise = span * limits.attack_noise_deg**2
    known = line[learned].T @ line[learned] / noise + weight
    fit = np.linalg.solve(known, line[learned].T @ attack[learned] / noise + weight @ [limits.attack_zero_deg[0], limits.attack_deg[0]])
    strays = float(np.hypot((attack - line @ fit)[learned].std(), limits.attack_least_deg))
    off = attack - line @ fit
    needed = fit[1] * carried + np.sign(off) * np.maximum(np.abs(off) - limits.attack_gate * strays, 0.0)
    found = shown - USUAL_KT * np.sqrt(fit[1] * load / np.maximum(needed, 1.0))
    return np.where(there, found, np.nan)


def bank_for(tas_kt: Array, turn_dps: Array) -> Array:
    """Bank that a rate of turn asks for; degrees, NaN where the rate is not known."""
    return np.asarray(bank_for_rate_deg(tas_kt, turn_dps))
