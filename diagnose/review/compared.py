"""Facets as a recording tells of them: straight from a channel, or from a channel against the others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Facet, ReviewLimits
from diagnose.model.units import Array
from diagnose.network.readings import mean_at_end
from diagnose.network.tables import Network
from diagnose.physics.gyros import apparent_pitch_deg, horizon_error_deg
from diagnose.review.motion import USUAL_KT, Motion, bank_for, beginning, mean_over, rate_over, unwrapped
from diagnose.review.recording import Recording
from diagnose.review.relations import Change, airspeed_by_altitude_kt, circular
from diagnose.review.windows import Said, Window, by_rule, cut

# ------------------------------------------------------------------ what a healthy horizon shows wrongly after the turns and speeds that were flown, so that it is not held against it
# Erection pulls the rotor to the apparent vertical: after some turns a good horizon leans by degrees for minutes.
# How fast it erects differs from one to the next, so a band of errors is given, from the ends of the ranges.


#: erection is slow: steps of this many seconds are fine enough
STEP = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """The least and the largest error (shown less true, degrees) of a healthy horizon; (second,) each."""

    least: Array
    most: Array

    def inside(self, error: Array) -> Array:
        """The part of an error that a healthy horizon can have; NaN stays. (second,)"""
        return np.clip(error, self.least, self.most)

    @property
    def middle(self) -> Array:
        """Half-way between both; (second,)."""
        return 0.5 * (self.least + self.most)


def horizon_bands(recording: Recording, motion: Motion, kb: KnowledgeBase) -> tuple[Band, Band]:
    """Errors of a healthy horizon in bank and in pitch."""
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


def off_the_edge(values: Array, usual: float, limits: ReviewLimits) -> Callable[[Window, Facet], Said | None]:
    """Read a value; one that a little more or less would make usual says nothing, for it lasts all flight.

    But it is read as it stands where it has moved away from what the flight began with.
    """
    slack = limits.suction_slack_inhg

    def read(window: Window, facet: Facet) -> Said | None:
        part = cut(values, window)
        said = by_rule(facet, part)
        if part is None or said is None or said.reading == facet.readings[-1].id:
            return said
        if abs(float(mean_at_end(part[None])[0]) - usual) > limits.margin * slack:
            return said
        near = (by_rule(facet, part - slack), by_rule(facet, part + slack))
        return None if any(s is not None and s.reading == facet.readings[-1].id for s in near) else said

    return read


def from_start(part: Array | None) -> Array | None:
    """A difference from its first value on; (second,). None stays None."""
    return None if part is None else part - part[0]


def lasting(part: Array) -> Array:
    """What a difference has changed by for good: the straight line through it, from zero. What comes and goes within
    a minute is gusts and sideslip, and no rotor that drifts. (second,)
    """
    at = np.arange(len(part)) - 0.5 * (len(part) - 1)
    slope = float(at @ part) / max(float(at @ at), 1.0)
    return np.asarray(slope * np.arange(len(part)))


def _less_doubt(apart: Array, doubt: Array) -> Array:
    """What is left of a difference if the estimate is as far off as it may be; (second,)."""
    return np.asarray(np.sign(apart) * np.maximum(np.abs(apart) - doubt, 0.0))


def _more_doubt(apart: Array, doubt: float) -> Array:
    """What a difference is if the estimate is off to the other side; (second,)."""
    return np.asarray(apart + np.where(apart >= 0.0, doubt, -doubt))


def _beyond_doubt(window: Window, facet: Facet, left: Array, shown: Array | None, limits: ReviewLimits, margin: float, *, sized: bool = False) -> Said | None:  # fmt: skip
    """What is unusual even if the estimate is as far off as it may be; ``left`` by ``_less_doubt``."""
    part = cut(left, window)
    said = by_rule(facet, part, shown, margin)
    if part is None or said is None or said.reading == facet.readings[-1].id:
        return None
    by = float(mean_at_end(part[None])[0])
    if sized and facet.sizes and abs(by) > limits.tells_kt:
        return Said(reading=f"{by:.0f} {facet.sizes.unit}")
    return Said(reading=said.reading, sure=limits.sure_by_wind)


def lamp(values: Array) -> Callable[[Window, Facet], Said | None]:
    """How a lamp is read from its channel: lit or out by its mean at the end of a window. ``values`` (second,), 0 to 1."""

    def read(window: Window, facet: Facet) -> Said | None:
        part = cut(values, window)
        if part is None:
            return None
        return Said(reading="lit" if mean_at_end(part[None])[0] >= 0.5 else "out")

    return read


def borrowed(network: Network, name: str, channel: str, rule: str, recording: Recording, motion: Motion) -> Callable[[Window, Facet], Said | None]:  # fmt: skip
    """Read a trend by the rule of a gauge with one; what the facet has no word for is not said."""
    values = recording.channels[channel]
    turned = unwrapped(values) if channel.endswith("_deg") else values
    lender = network.facet(rule)

    def read(window: Window, facet: Facet) -> Said | None:
        part = cut(turned, window)
        if part is None:
            return None
        if (
            channel == "gps_speed_kt"
            and abs(float(np.nanmean(motion.turn_dps[window.first : window.end])))
            > network.kb.review.straight_for_speed_dps
        ):
            return None
        said = by_rule(lender, part - part[0] if channel.endswith("_deg") else part)
        words = {reading.id for reading in facet.readings}
        if said is None or said.reading in words:
            return said
        return Said(reading="steady") if said.reading == "drifting" else None

    return read


def compared(recording: Recording, motion: Motion, held: Sequence[Change], static_ft: Array | None, leans: float, limits: ReviewLimits) -> dict[str, Callable[[Window, Facet], Said | None]]:  # fmt: skip
    """Facets that compare a dial with what the other channels say; ``held``: where the airspeed is known to differ.

    ``static_ft``: by how much the static source has stepped so far, as ``steps_of_static``; None where nothing tells.
    ``leans``: the second from which on the horizon, and so the nose, is not believed.
    """
    ch = recording.channels
    flying = motion.airborne
    made: dict[str, Callable[[Window, Facet], Said | None]] = {}

    def first(values: Array) -> float:
        return float(np.nan_to_num(beginning(values, flying, limits)))

    if "airspeed_kt" in ch:
        speed = ch["airspeed_kt"]
        # "normal" is said only if it holds as surely as it is said
        doubts = NormalDist().inv_cdf(limits.sure_by_wind)
        left = _less_doubt(speed - motion.roughly_kt, limits.wind_gate * motion.wind.spread_kt)
        by_nose = np.where(np.arange(recording.seconds) < leans, motion.by_nose_kt, np.nan)
        learned = float(np.searchsorted(np.cumsum(flying), limits.attack_learned_s))
        astray = bool((np.abs(np.nan_to_num(by_nose)) > limits.wind_astray_kt).any())

        def airspeed(window: Window, facet: Facet) -> Said | None:
            shown = cut(speed, window)
            if shown is None:
                return None
            expected = cut(motion.by_wind_kt, window)
            if expected is None:
                zero = float(mean_at_end(shown[None])[0]) <= facet.readings[0].where["shown"][1]
                if zero:
                    return Said(reading="zero")
                by_wind = _beyond_doubt(window, facet, left, shown, limits, limits.margin)
                # what the nose is compared with is how the flight began
                usual = Said(reading=facet.readings[-1].id, sure=limits.sure_by_wind) if astray and window.end <= learned else None
                return by_wind or _beyond_doubt(window, facet, by_nose, shown, limits, 1.0, sized=True) or usual
            # an airspeed that the wind was worked out from cannot be borne out by that wind
            spread = doubts * float(np.nanmean(motion.wind_doubt_kt[window.first : window.end]))
            # a difference that the detector holds for a change counts as it stands
            sure = any(c.onset <= window.first and window.end <= c.until for c in held)
            apart = shown - expected
            said = by_rule(facet, apart, shown, 1.0 if sure else limits.margin)
            if said is None or said.reading == "zero":
                return said
            if (
                said.reading == facet.readings[-1].id
                and by_rule(facet, _more_doubt(apart, spread), shown) != said
            ):
                return None
            return Said(reading=said.reading, sure=limits.sure_by_wind)

        made["airspeed.value"] = airspeed

        span, compared_at = round(60.0 * limits.drift_min), dict[int, Window]()

        def carefully(window: Window, facet: Facet) -> Said | None:
            """To within a few knots, as often as a wind can be worked out anew: an error of the wind lasts.

            But what moved with the altimeter within a second or two is no estimate.
            """
            if static_ft is not None and static_ft.any():
                return by_rule(facet, cut(airspeed_by_altitude_kt(static_ft, motion.tas_kt), window))
            expected, shown = cut(motion.by_wind_kt, window), cut(speed, window)
            if expected is None or shown is None or compared_at.setdefault(window.end // span, window) != window:
                return None
            apart = np.full(len(shown), float((shown - expected).mean()))
            said = by_rule(facet, apart)
            if said is None or any(c.onset <= window.first and window.end <= c.until for c in held):
                return said and Said(reading=said.reading, sure=limits.sure_by_wind)
            doubt = doubts * float(np.nanmean(motion.wind_doubt_kt[window.first : window.end]))
            alike = said.reading == facet.readings[-1].id and by_rule(facet, _more_doubt(apart, doubt)) == said
            return Said(reading=said.reading, sure=limits.sure_by_wind) if alike else None

        made["airspeed.compared"] = carefully
    if recording.has("altimeter_ft", "gps_height_ft"):
        apart = ch["altimeter_ft"] - ch["gps_height_ft"]
        usual = float(np.clip(first(apart), -limits.gps_height_ft, limits.gps_height_ft))
        # cold or warm air separates them with the altitude flown up or down
        doubt = limits.margin * limits.gps_scale * np.abs(ch["gps_height_ft"] - first(ch["gps_height_ft"]))

        def altimeter(window: Window, facet: Facet) -> Said | None:
            part, unsure = cut(apart, window), cut(doubt, window)
            if part is None or unsure is None:
                return None
            shown = ch["altimeter_ft"][window.first : window.end]
            said = by_rule(facet, _less_doubt(part - usual, unsure), shown)
            if said is None:
                return None
            stepped = 0.0 if static_ft is None else float(static_ft[window.first : window.end].mean())
            if said.reading == facet.readings[-1].id and facet.sizes and len({int(np.digitize(ft, facet.sizes.edges)) for ft in (0.0, stepped)}) > 1:
                return Said(reading=f"{stepped:.0f} {facet.sizes.unit}")
            # what is usual in this flight may be wrong all flight, and so may the air: then nothing says that it is right
            right = said.reading == facet.readings[-1].id
            if right and (by_rule(facet, part, shown) != said or by_rule(facet, part - usual, shown) != said):
                return None
            return Said(reading=said.reading, sure=limits.sure_by_wind)

        made["altimeter.value"] = altimeter
    if "heading_deg" in ch:
        made |= _heading(recording, motion, limits, first)
    return made


def horizon(recording: Recording, motion: Motion, network: Network, limits: ReviewLimits) -> dict[str, Callable[[Window, Facet], Said | None]]:  # fmt: skip
    """Bank, nose and behavior of the horizon, less what a healthy one shows wrongly after these turns."""
    ch = recording.channels
    if "bank_deg" not in ch or len(motion.rates_dps) < 2:
        return {}
    in_bank, in_pitch = horizon_bands(recording, motion, network.kb)
    asked = bank_for(motion.tas_kt, motion.turn_without("bank_deg", motion.rates_dps["bank_deg"]))
    error = mean_over(mean_over(ch["bank_deg"], 5) - asked, 9)
    usual = np.nan_to_num(in_bank.inside(error))
    restless = ch["bank_deg"] - asked - usual

    def read(values: Array, margin: float = 1.0) -> Callable[[Window, Facet], Said | None]:
        return lambda window, facet: by_rule(facet, cut(values, window), None, margin)

    slowly = read(error - usual, limits.margin)

    def agreed(said: Said | None, shown: Said | None) -> Said | None:
        return said if said == shown else None

    def behaviour(window: Window, facet: Facet) -> Said | None:
        """A worn gyro swings within seconds, which a mean would hide; a lean is told from noise by its mean."""
        quick = by_rule(facet, cut(restless, window), None, limits.margin)
        if quick is not None and quick.reading == "tumbling":
            return quick
        # a lean that a healthy horizon might have as well tells neither that it is sound nor that it is not
        return agreed(slowly(window, facet), by_rule(facet, cut(error, window)))

    def bank(window: Window, facet: Facet) -> Said | None:
        said = by_rule(facet, cut(ch["bank_deg"] - usual, window))
        return agreed(said, by_rule(facet, cut(ch["bank_deg"], window)))

    made: dict[str, Callable[[Window, Facet], Said | None]] = {
        "attitude.bank": bank,
        "attitude.behaviour": behaviour,
    }
    if "pitch_deg" in ch:
        made["attitude.pitch"] = _nose(recording, motion, in_pitch.middle, limits)
    return made


def _nose(recording: Recording, motion: Motion, leans: Array, limits: ReviewLimits) -> Callable[[Window, Facet], Said | None]:  # fmt: skip
    """The nose, measured from its place in level flight as this flight began, less what a healthy horizon leans.

    In level flight at another speed the nose is elsewhere, so that it tells nothing.
    """
    ch = recording.channels
    nose = mean_over(ch["pitch_deg"] - leans, round(limits.bump_s))
    level = motion.airborne & (np.abs(motion.climb_fpm) < 0.5 * limits.vertical_fpm) & (motion.power != "idle")
    nose = nose - np.nan_to_num(beginning(nose, level, limits))
    speed = ch.get("airspeed_kt", np.full(recording.seconds, np.nan))
    apart = np.abs(speed - beginning(speed, level, limits))

    def read(window: Window, facet: Facet) -> Said | None:
        other = cut(apart, window)
        if window.manoeuvre.startswith("level") and other is not None and other.mean() > limits.nose_speed_kt:
            return None
        return by_rule(facet, cut(nose, window), None, limits.margin)

    return read


def _creeping(off: Array, trend: Callable[[Window, Facet], Said | None], limits: ReviewLimits) -> Callable[[Window, Facet], Said | None]:  # fmt: skip
    """A drift too slow to show within one snapshot: against track and wind, once in some minutes.

    ``off`` heading less what track and wind ask for, (second,). Looks that overlap would be one witness counted often,
    so that the snapshots between two of them tell nothing while it drifts slowly.
    """
    span, look_s = round(60.0 * limits.drift_min), round(limits.look_s)
    # by so much may the wind have changed meanwhile, as surely as the reading is said
    per_kt = float(np.degrees(1.0 / USUAL_KT))
    allowed = (
        NormalDist().inv_cdf(limits.sure_by_wind) * limits.wind_walk_kt * np.sqrt(limits.drift_min) * per_kt
    )

    def look(end: int) -> float:
        part = off[max(end - look_s, 0) : max(end, 0)]
        known = part[np.isfinite(part)]
        return float(np.median(known)) if len(known) * 2 >= look_s else np.nan

    def read(window: Window, facet: Facet) -> Said | None:
        said, usual = trend(window, facet), facet.readings[-1].id
        crept = circular(np.array(look(window.end) - look(window.end - span)))
        if said is None or said.reading != usual or not np.isfinite(crept):
            return said
        left = np.sign(crept) * np.maximum(np.abs(crept) - allowed, 0.0)
        slow = by_rule(facet, np.linspace(0.0, float(left), look_s))
        if slow is None or slow.reading == usual:
            return said
        again = window.first // span == window.end // span
        return None if again else Said(reading="drifting", sure=limits.sure_by_wind, compared=True)

    return read


def _heading(recording: Recording, motion: Motion, limits: ReviewLimits, first: Callable[[Array], float]) -> dict[str, Callable[[Window, Facet], Said | None]]:  # fmt: skip
    ch = recording.channels
    turned = unwrapped(ch["heading_deg"])
    track = unwrapped(ch["gps_track_deg"]) if "gps_track_deg" in ch else None

    def trend(window: Window, facet: Facet) -> Said | None:
        part = from_start(cut(turned, window))
        said = by_rule(facet, part)
        if said is None or part is None or said.reading != "drifting":
            return said
        # a card that wanders with the track has not drifted: the aircraft has turned a little
        other = None if track is None else from_start(cut(track, window))
        if other is not None:
            return by_rule(facet, lasting(part - other))
        return Said(reading="drifting", sure=limits.sure_drifting)

    made: dict[str, Callable[[Window, Facet], Said | None]] = {"heading.trend": trend}
    straight = np.abs(motion.turn_dps) < limits.straight_dps
    if np.isfinite(motion.roughly_deg).any():
        off = np.where(straight, circular(ch["heading_deg"] - motion.roughly_deg), np.nan)
        made["heading.trend"] = _creeping(off, trend, limits)
    if "compass_deg" in ch:
        against = np.where(straight, circular(ch["heading_deg"] - ch["compass_deg"]), np.nan)
        sure = 1.0
    elif np.isfinite(motion.by_wind_deg).any():
        error = np.where(straight, circular(ch["heading_deg"] - motion.by_wind_deg), np.nan)
        # what is usual is what the flight begins with, not what it is where the wind is first known well
        usual = first(off)
        against, sure = circular(error - usual), limits.sure_by_wind
        roughly = circular(off - usual)
        doubt = np.degrees(limits.wind_gate * motion.wind.spread_kt / motion.tas_kt)
        beyond = mean_over(_less_doubt(roughly, doubt), 15)
    else:
        return made
    smooth = mean_over(against, 15)

    def value(window: Window, facet: Facet) -> Said | None:
        said = by_rule(facet, cut(smooth, window), None, limits.margin)
        if said is not None:
            return Said(reading=said.reading, sure=sure)
        return _beyond_doubt(window, facet, beyond, None, limits, limits.margin)

    made["heading.value"] = value
    return made


def shows_discharge(recording: Recording, limits: ReviewLimits) -> bool:
    """Whether the current was below zero for as long as a snapshot lasts: no loadmeter shows that."""
    amps = recording.channels.get("amps")
    if amps is None:
        return False
    below = mean_over(amps, round(limits.shortest_s)) < -limits.discharge_a
    return bool(below[np.isfinite(amps)].any())


def electrical(
    recording: Recording, limits: ReviewLimits
) -> dict[str, Callable[[Window, Facet], Said | None]]:
    """How voltmeter, ammeter and low-voltage light are read from the channels of a recording."""
    ch = recording.channels
    made: dict[str, Callable[[Window, Facet], Said | None]] = {}
    if "volts" in ch:
        volts = ch["volts"]
        scale = 1.0 if float(np.nanmedian(volts)) < limits.twelve_volt_below_v else 2.0

        def voltmeter(window: Window, facet: Facet) -> Said | None:
            part = cut(volts, window)
            if part is None:
                return None
            end = float(mean_at_end(part[None])[0]) / scale
            return Said(
                reading="zero" if end < limits.dead_v else "low" if end < limits.charging_v else "normal"
            )

        made["voltmeter.value"] = voltmeter
    if "amps" in ch:
        amps = ch["amps"]

        def ammeter(window: Window, facet: Facet) -> Said | None:
            part = cut(amps, window)
            if part is None:
                return None
            mean = float(part.mean())
            return Said(reading="discharge" if mean < -limits.discharge_a else "zero" if abs(mean) < limits.zero_a else "normal")  # fmt: skip

        made["ammeter.state"] = ammeter
    return made
