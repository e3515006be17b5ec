"""From channels to snapshots: readings by the same rules as everywhere (``readings``).

A snapshot is about a minute of one maneuver; the first seconds of a maneuver belong to none, because
dials still move from the change, and a snapshot never straddles a detected change. What the recording
does not tell is left out, not filled in.

Arrays (second,).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.model import Facet, ReviewLimits, SnapshotRecord
from diagnose.model.units import Array, min_from_s
from diagnose.network.tables import Network
from diagnose.review.compared import (
    borrowed,
    compared,
    electrical,
    from_start,
    horizon,
    lamp,
    lasting,
    off_the_edge,
)
from diagnose.review.motion import Motion, bank_for, beginning, mean_over, unwrapped
from diagnose.review.recording import Recording
from diagnose.review.relations import Residual
from diagnose.review.windows import Said, Window, by_rule, cut

# ------------------------------------------------------------------ what another source says that a gauge should have shown: its twin
# A pilot lets altitude, speed and heading wander in "level flight", or turns at less than standard rate. A gauge whose
# difference from its twin is steady by its own rule has shown what was flown: if that is odd for the maneuver, it
# was the flying that was, and the reading says nothing about the gauge.


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
        changed = lasting(part) if self.slack > 0.0 else part - part[0]
        return np.asarray(
            np.sign(changed) * np.maximum(np.abs(changed) - self.slack * np.arange(len(part)), 0.0)
        )


def twins_of(recording: Recording, motion: Motion, limits: ReviewLimits) -> Mapping[str, Twin]:
    """Find the twin of each facet that has one; facet -> Twin."""
    ch, found = recording.channels, dict[str, Twin]()

    if recording.has("airspeed_kt", "gps_speed_kt"):
        # where no wind is known the groundspeed changes as the airspeed does, but not in a turn
        straight = np.abs(motion.turn_dps) < limits.straight_dps
        over_ground = np.where(straight, ch["gps_speed_kt"], np.nan)
        flown = np.where(np.isfinite(motion.by_wind_kt), motion.by_wind_kt, over_ground)
        found["airspeed.trend"] = Twin(apart=ch["airspeed_kt"] - flown, rule="airspeed.trend")
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


QUARTER_MIN = 0.25
#: facets whose channel is recorded as it stands: facet -> channel
DIRECT = {
    "airspeed.trend": "airspeed_kt",
    "altimeter.trend": "altimeter_ft",
    "vertical_speed.rate": "vertical_speed_fpm",
    "attitude.bank": "bank_deg",
    "attitude.pitch": "pitch_deg",
    "turn_coordinator.turn": "turn_dps",
    "suction.value": "suction_inhg",
}
#: facets without a rule of their own, read by the rule of another: facet -> (channel, whose rule, readings)
BORROWED = {
    "gps_height.trend": ("gps_height_ft", "altimeter.trend"),
    "gps_speed.trend": ("gps_speed_kt", "airspeed.trend"),
    "gps_track.trend": ("gps_track_deg", "heading.trend"),
}
#: lamps: facet -> channel
LAMPS = {"vacuum_light.state": "vacuum_light", "low_voltage_light.state": "low_voltage_light"}
#: readings that rough air gives as well; an erratic pointer may follow the gusts truly
GUSTS = "erratic"
NOISE = (GUSTS, "jerky", "swinging", "tumbling")
#: facets that are read against the rate of turn, beside those whose usual reading depends on it
BY_TURN = ("attitude.behaviour",)


@dataclass(frozen=True, slots=True, kw_only=True)
class Coder:
    """Codes windows of one recording for one panel."""

    network: Network
    recording: Recording
    motion: Motion
    limits: ReviewLimits
    made: Mapping[str, Callable[[Window, Facet], Said | None]]
    twins: Mapping[str, Twin]
    usual: Mapping[str, Mapping[str, str]]
    contested: np.ndarray
    left_out: frozenset[str]

    def powered(self, window: Window) -> bool:
        """Whether the engine ran all the time as the maneuver has it: a gauge that depends on it needs that."""
        power = self.motion.power[window.first : window.end]
        idle = self.network.kb.manoeuvres[window.manoeuvre].expected["power"] == "idle"
        return bool(((power == "") | ((power == "idle") == idle)).all())

    def rough(self, window: Window) -> bool:
        """Whether the air was rougher than the likelihoods were made for, by the gyros and the nose."""
        shares = []
        for name, limit in (
            ("turn_dps", self.limits.rough_turn_dps),
            ("pitch_deg", self.limits.rough_pitch_deg),
            ("vertical_speed_fpm", self.limits.rough_fpm),
        ):
            part = cut(self.recording.channels[name], window) if name in self.recording.channels else None
            if part is not None:
                shares.append(float((part - mean_over(part, round(self.limits.bump_s))).std()) / limit)
        # one that fails shakes or stands still: the middle one of the witnesses counts, the calmer one of two
        return bool(shares) and sorted(shares)[(len(shares) - 1) // 2] > 1.0

    def judged(self, name: str, said: Said, window: Window) -> Said | None:
        """A reading less what was flown; None if it is odd only because something else was flown (``twins``)."""
        if said.compared or said.reading == self.usual[window.manoeuvre][name]:
            return said
        twin = self.twins.get(name)
        if twin is None:
            # a pilot lets the speed wander by more than a needle's unrest, but not within half a minute
            slow = name == "airspeed.trend" and said.reading == "erratic"
            return None if slow and not self._quickly(name, window) else said
        part = cut(twin.apart, window)
        if part is None and name == "airspeed.trend" and said.reading != "erratic":
            return None  # in a turn in an unknown wind nothing tells whether it was flown
        if part is None or said.reading == twin.shared:
            return said
        rule = self.network.facet(twin.rule)
        found = by_rule(rule, twin.within(part))
        if found is None or found.reading == rule.readings[-1].id:
            return None
        straight = self.usual[window.manoeuvre][name] == rule.readings[-1].id
        if (
            straight
            and twin.slack > 0.0
            and found.reading in {reading.id for reading in self.network.facet(name).readings}
        ):
            # what rates of turn add up to is no measurement; but a track is one, and so is a card that goes round
            measured = "gps_track_deg" in self.recording.channels or found.reading != "drifting"
            sure = self.limits.sure_by_wind if measured else self.limits.sure_drifting
            return Said(reading=found.reading, sure=min(said.sure, sure))
        return said

    def _quickly(self, name: str, window: Window) -> bool:
        """Whether a channel is as restless once what takes longer than half a minute is left out."""
        values = self.recording.channels[DIRECT[name]]
        part = cut(values - mean_over(values, round(self.limits.quick_s)), window)
        found = by_rule(self.network.facet(name), part)
        return found is not None and found.reading in NOISE

    def code(self, window: Window) -> tuple[dict[str, str], dict[str, tuple[str, float]]]:
        """Readings of a window, and those that are not sure."""
        sure: dict[str, str] = {}
        unsure: dict[str, tuple[str, float]] = {}
        contested = float(self.contested[window.first : window.end].mean()) > self.limits.contested_share
        for name, read in self.made.items():
            facet = self.network.facet(name)
            if "power" in facet.axes and not self.powered(window):
                continue
            if contested and name in self.left_out:
                continue
            read_as = read(window, facet)
            said = None if read_as is None else self.judged(name, read_as, window)
            if said is None:
                continue
            if said.sure >= 1.0:
                sure[name] = said.reading
            else:
                unsure[name] = (said.reading, said.sure)
        return sure, unsure


def coder(network: Network, recording: Recording, motion: Motion, found: Sequence[Residual], limits: ReviewLimits) -> Coder:  # fmt: skip
    """Find which facets of the panel this recording can tell of."""
    ch = recording.channels
    made: dict[str, Callable[[Window, Facet], Said | None]] = {}
    facets = network.facets

    def direct(values: Array) -> Callable[[Window, Facet], Said | None]:
        return lambda window, facet: by_rule(facet, cut(values, window))

    for name, channel in DIRECT.items():
        if channel in ch:
            made[name] = direct(ch[channel])
    if "suction_inhg" in ch:
        made["suction.value"] = off_the_edge(
            ch["suction_inhg"], beginning(ch["suction_inhg"], motion.airborne & (motion.power != "idle"), limits), limits
        )  # fmt: skip
    if "compass_deg" in ch:
        turned = unwrapped(ch["compass_deg"])
        made["compass.trend"] = lambda window, facet: by_rule(facet, from_start(cut(turned, window)))
    for name, channel in LAMPS.items():
        if channel in ch:
            made[name] = lamp(ch[channel])
    for name, (channel, rule) in BORROWED.items():
        if channel in ch and name in facets:
            made[name] = borrowed(network, name, channel, rule, recording, motion)
    # from when on the horizon has parted from the turns: then the nose tells nothing
    leans = min((c.onset for r in found if r.relation.id in ("bank_turn", "suction_rpm") for c in r.changes), default=np.inf)
    static_ft = next((r.values for r in found if r.relation.id == "static_step"), None)
    made |= compared(recording, motion, [c for r in found if r.relation.id == "airspeed_wind" for c in r.changes], static_ft, leans, limits)
    made |= horizon(recording, motion, network, limits)
    made |= electrical(recording, limits)
    return Coder(
        network=network, recording=recording, motion=motion, limits=limits,
        made={name: made[name] for name in facets if name in made}, twins=twins_of(recording, motion, limits),
        usual={name: network.expected_readings(name, {}) for name in network.kb.manoeuvres},
        contested=motion.contested, left_out=_left_out(network, motion),
    )  # fmt: skip


def _left_out(network: Network, motion: Motion) -> frozenset[str]:
    """Facets that nothing can be said of where the turn is contested: all that depend on it, if no source is believed.

    A horizon that is believed cannot be held against the other source.
    """
    if motion.believed:
        return frozenset(BY_TURN if motion.believed == "bank_deg" else ())
    return frozenset({*BY_TURN, *(name for name, table in network.facets.items() if "turn" in table.axes)})


def snapshots_of(coder: Coder, windows: Sequence[Window], switches: Mapping[str, str]) -> tuple[SnapshotRecord, ...]:  # fmt: skip
    """Code every window; times to a quarter of a minute, without drifting away."""
    found: list[SnapshotRecord] = []
    told = 0.0
    noisy: Counter[str] = Counter()
    coded = [coder.code(window) for window in windows]
    _leave_out_wander(coder, windows, [unsure for _, unsure in coded])
    _leave_out_speeding(coder, windows, [sure for sure, _ in coded])
    for window, (readings, unsure) in zip(windows, coded, strict=True):
        rough = coder.rough(window)
        # gusts alone move the airspeed by more than a trend takes
        if rough and readings.get("airspeed.trend", "") != coder.usual[window.manoeuvre]["airspeed.trend"]:
            readings.pop("airspeed.trend", None)
        for name in [n for n, reading in readings.items() if reading in NOISE]:
            # bumps last as long as the flight: the same unrest again is no new witness
            noisy[name] += 1
            limits = coder.limits
            most = limits.most_gusts if readings.get(name) == GUSTS else limits.most_noise
            if rough or noisy[name] > most:
                # nor do the other readings of a dial that shakes: what is usual of them tells nothing
                for other in [n for n in readings if n.split(".")[0] == name.split(".")[0]]:
                    del readings[other]
        start = max(_quarters(window.first), told)
        end = max(_quarters(window.end), start + QUARTER_MIN)
        found.append(
            SnapshotRecord(
                manoeuvre=window.manoeuvre,
                minutes=end - start,
                minutes_before=start - told if found else 0.0,
                switches=dict(switches),
                readings=readings,
                unsure=unsure,
            )
        )
        told = end
    return tuple(found)


def _leave_out_wander(coder: Coder, windows: Sequence[Window], coded: Sequence[dict[str, tuple[str, float]]]) -> None:  # fmt: skip
    """Remove drifts of the heading that cancel: a rotor drifts one way, a pilot's wandering goes both ways."""
    twin = coder.twins.get("heading.trend")
    if twin is None:
        return
    ways: dict[int, list[dict[str, tuple[str, float]]]] = {1: [], -1: []}
    for window, unsure in zip(windows, coded, strict=True):
        part = cut(twin.apart, window)
        # a drift that was measured against track and wind is no pilot's wandering
        drifts = unsure.get("heading.trend", ("", 0.0))
        if part is not None and drifts[0] == "drifting" and drifts[1] < coder.limits.sure_by_wind:
            ways[1 if twin.within(part)[-1] >= 0.0 else -1].append(unsure)
    fewer, more = sorted(ways.values(), key=len)
    for unsure in (*fewer, *more[: len(fewer)]):
        del unsure["heading.trend"]


def _leave_out_speeding(coder: Coder, windows: Sequence[Window], coded: Sequence[dict[str, str]]) -> None:
    """Remove odd changes of airspeed that cancel, where no GPS tells whether they were flown.

    A pilot who speeds up slows down again; a failure goes one way.
    """
    if "airspeed.trend" in coder.twins:
        return
    ways = {
        way: [
            sure
            for window, sure in zip(windows, coded, strict=True)
            if sure.get("airspeed.trend") == way != coder.usual[window.manoeuvre]["airspeed.trend"]
        ]
        for way in ("rising", "falling")
    }
    for pair in zip(*ways.values(), strict=False):
        for sure in pair:
            del sure["airspeed.trend"]


def _quarters(second: float) -> float:
    return round(min_from_s(float(second)) / QUARTER_MIN) * QUARTER_MIN
