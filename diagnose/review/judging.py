"""Units of columns that give none, judged by their values and by what they must be to each other.

Nothing here rests on a channel's failing or not: a relation counts only where it holds all through the file.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Channel, RecordingLimits
from diagnose.model.units import Array
from diagnose.physics.gyros import tas_for_turn_kt
from diagnose.review.motion import mean_over, rate_over, unwrapped
from diagnose.review.recording import speed_and_track

MOST_TRIED = 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A column taken for a channel: its values by second, raw, and the units that it may be in; the first goes
    without saying. ``stated``: the file gives the unit, so that there is one.
    """

    channel: Channel
    values: Array
    units: tuple[str, ...]
    stated: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """The unit of a column, "" if it must be asked for; ``by``: the channel that bears it out, "" if only its values."""

    unit: str
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """The second over the first, as the file holds them, and how near a pair of units must come (logarithm)."""

    first: str
    second: str
    ratio: float
    tolerance: float


def units_that_fit(channel: Channel, values: Array, limits: RecordingLimits) -> tuple[str, ...]:
    """The units in which these raw values would be those of a flight, one of each size; the usual one first."""
    there = values[np.isfinite(values)]
    if not len(there):
        return ()
    found: dict[tuple[float, float], str] = {}
    for unit, (factor, offset) in channel.units.items():
        own = there * factor + offset
        inside = float(((own >= channel.range[0]) & (own <= channel.range[1])).mean())
        if inside >= limits.in_range_share and _usual(channel, own, limits):
            found.setdefault((factor, offset), unit)
    return tuple(found.values())


def in_range(channel: Channel, unit: str, values: Array, limits: RecordingLimits) -> bool:
    """Whether nearly all raw values lie in the channel's range if they are in this unit."""
    there = values[np.isfinite(values)]
    factor, offset = channel.units[unit]
    # the limits are brought to the file's unit: its values may be too large to be multiplied
    low, high = ((limit - offset) / factor for limit in channel.range)
    return bool(len(there)) and float(((there >= low) & (there <= high)).mean()) >= limits.in_range_share


def _usual(channel: Channel, own: Array, limits: RecordingLimits) -> bool:
    low, high = channel.usual
    # what never moves tells no unit
    if not high or np.ptp(own) == 0.0:
        return True
    return low <= float(np.percentile(np.abs(own), limits.usual_percentile)) <= high


def judge(candidates: Mapping[str, Candidate], kb: KnowledgeBase) -> Mapping[str, Judged]:
    """The units that agree best with each other and with what goes without saying; channel -> Judged."""
    seen = list(_relations(candidates, kb))
    open_ones = [name for name, one in candidates.items() if not one.stated and len(one.units) > 1]
    fixed = {name: one.units[0] for name, one in candidates.items() if one.units}
    touched = [n for n in open_ones if any(n in (s.first, s.second) for s in seen)]
    tried = list(itertools.islice(itertools.product(*(candidates[n].units for n in touched)), MOST_TRIED))

    def broken(chosen: Mapping[str, str]) -> list[_Seen]:
        return [s for s in seen if not _holds(s, chosen, candidates)]

    usual = {n: next(iter(candidates[n].channel.units)) for n in touched}

    def odd(way: Mapping[str, str]) -> int:
        """Units that go with neither system: a file that gives none is written in one of them."""
        metric = sum(way[n] not in kb.recording.metric_units for n in touched)
        return min(sum(way[n] != usual[n] for n in touched), metric)

    ways = [fixed | dict(zip(touched, way, strict=True)) for way in tried]
    costs = [(len(broken(way)), odd(way), sum(way[n] != usual[n] for n in touched)) for way in ways]
    least = min(costs)
    chosen = ways[costs.index(least)]
    best = [way for way, cost in zip(ways, costs, strict=True) if cost == least]
    if least[2]:
        # it is not written as goes without saying: then nothing else goes without saying, but what some relation tells
        known = {usual[n] for n in touched} | set(kb.recording.metric_units)
        best = [w for w, cost in zip(ways, costs, strict=True) if cost[0] == least[0] and known.issuperset(w[n] for n in touched)] or best  # fmt: skip
    wrong = broken(chosen)
    found = {}
    for name, one in candidates.items():
        if not one.units:
            found[name] = Judged(unit="")
            continue
        unit, own = chosen[name], next(iter(one.channel.units))
        bears = [s for s in seen if name in (s.first, s.second) and s not in wrong]
        by = next((s.second if s.first == name else s.first for s in bears), "")
        # one of several unusual units, and nothing tells which
        several = len({way[name] for way in best}) > 1 or (unit != own and not by and len(one.units) > 1)
        found[name] = Judged(unit="" if several and not one.stated else unit, by=by)
    return found


def _holds(seen: _Seen, chosen: Mapping[str, str], candidates: Mapping[str, Candidate]) -> bool:
    def factor(name: str) -> float:
        one = candidates.get(name)
        return one.channel.units[chosen[name]][0] if one is not None else 1.0

    return bool(abs(np.log(seen.ratio * factor(seen.second) / factor(seen.first))) <= seen.tolerance)


# ------------------------------------------------------------------ what two columns are to each other

#: by positions, and by turn and bank: no columns, but as good as one in the channel's own unit
POSITIONS, TURNS = "positions", "bank and rate of turn"


def _relations(candidates: Mapping[str, Candidate], kb: KnowledgeBase) -> list[_Seen]:
    """Ratios that hold all through the file, of those that some pair of units explains."""
    limits, found = kb.recording, list[_Seen]()
    values = {name: one.values for name, one in candidates.items() if one.units}
    narrow, wide, span = limits.unit_ratio_tolerance, limits.speed_ratio_tolerance, round(limits.change_s)

    def changed(name: str) -> Array:
        smooth = mean_over(values[name], 9)
        return np.concatenate([smooth[span:] - smooth[:-span], np.full(min(span, len(smooth)), np.nan)])

    def compare(first: str, second: str, one: Array, other: Array, tolerance: float) -> None:
        ratio = _steady_ratio(one, other, tolerance, limits)
        if ratio is not None:
            found.append(_Seen(first=first, second=second, ratio=ratio, tolerance=tolerance))

    heights = [name for name in ("altimeter_ft", "gps_height_ft") if name in values]
    if len(heights) == 2:
        compare(heights[0], heights[1], changed(heights[0]), changed(heights[1]), narrow)
    if heights and "vertical_speed_fpm" in values:
        name = heights[0]
        said = mean_over(values["vertical_speed_fpm"], span)
        ahead = np.concatenate([said[span // 2 :], np.full(min(span // 2, len(said)), np.nan)])
        compare("vertical_speed_fpm", name, ahead * (span / 60.0), changed(name), 2.0 * narrow)
    if {"latitude_deg", "longitude_deg"} <= values.keys() and "gps_speed_kt" in values:
        by_positions = speed_and_track(values["latitude_deg"], values["longitude_deg"])["gps_speed_kt"]
        compare("gps_speed_kt", POSITIONS, values["gps_speed_kt"], by_positions, narrow / 3.0)
    if {"airspeed_kt", "gps_speed_kt"} <= values.keys():
        compare(
            "airspeed_kt",
            "gps_speed_kt",
            _fast(values["airspeed_kt"], limits),
            _fast(values["gps_speed_kt"], limits),
            wide,
        )
    course = next((n for n in ("heading_deg", "gps_track_deg") if n in values), "")
    turning = _rate_of(candidates[course]) if course else None
    if turning is not None and "turn_dps" in values:
        compare("turn_dps", course, mean_over(values["turn_dps"], 15), mean_over(turning, 15), 2.0 * narrow)
    if turning is None and "turn_dps" in values and candidates["turn_dps"].stated:
        turning = (
            values["turn_dps"] * candidates["turn_dps"].channel.units[candidates["turn_dps"].units[0]][0]
        )
    if turning is not None and "bank_deg" in values:
        found += _by_bank(candidates["bank_deg"], values.get("airspeed_kt"), turning, limits)
    return [s for s in found if _explained(s, candidates)]


def _explained(seen: _Seen, candidates: Mapping[str, Candidate]) -> bool:
    """Whether any pair of units explains a ratio; one that none does tells of a failure, not of a unit."""

    def factors(name: str) -> list[float]:
        one = candidates.get(name)
        return [one.channel.units[u][0] for u in one.units] if one is not None else [1.0]

    ways = itertools.product(factors(seen.first), factors(seen.second))
    return any(abs(np.log(seen.ratio * b / a)) <= seen.tolerance for a, b in ways)


def _steady_ratio(one: Array, other: Array, tolerance: float, limits: RecordingLimits) -> float | None:
    """second / first where both are large, if it is the same in each third of the file; None if it is not."""
    count = min(len(one), len(other))
    one, other = one[:count], other[:count]
    both = np.isfinite(one) & np.isfinite(other)
    if both.sum() < limits.least_s:
        return None
    large = both & (np.abs(other) >= np.percentile(np.abs(other[both]), 60.0)) & (np.abs(other) > 0.0)
    places = np.flatnonzero(large & (one != 0.0))
    if len(places) < limits.least_s // 2:
        return None
    parts = [float(np.median(other[p] / one[p])) for p in np.array_split(places, 3)]
    whole = float(np.median(other[places] / one[places]))
    if whole <= 0.0 or min(parts) <= 0.0 or np.ptp(np.log(parts)) > 2.0 * tolerance:
        return None
    # where either changes its sign, both must do so together
    turns = any(float(v[places].min()) < 0.0 < float(v[places].max()) for v in (one, other))
    if turns and float((np.sign(one[places]) == np.sign(other[places])).mean()) < limits.least_alike:
        return None
    return whole


def _fast(speed: Array, limits: RecordingLimits) -> Array:
    """Speeds of the flight, without those on the ground."""
    there = speed[np.isfinite(speed)]
    return (
        np.where(speed > 0.4 * np.percentile(there, limits.usual_percentile), speed, np.nan)
        if len(there)
        else speed
    )


def _rate_of(one: Candidate) -> Array | None:
    """Degrees a second by a course, if its unit leaves no doubt."""
    if len(one.units) != 1:
        return None
    return rate_over(unwrapped(one.values * one.channel.units[one.units[0]][0]), 10)


def _by_bank(
    bank: Candidate, airspeed: Array | None, turn_dps: Array, limits: RecordingLimits
) -> list[_Seen]:
    """What bank and turn say: the bank's unit if it is open, else the speed at which they belong together."""
    banks = [unit for unit in bank.units if _speed_of(bank, unit, turn_dps, limits) is not None]
    if len(banks) != 1:
        return []
    found = []
    factor = bank.channel.units[banks[0]][0]
    if not bank.stated:
        found.append(
            _Seen(first=bank.channel.id, second=TURNS, ratio=factor, tolerance=limits.speed_ratio_tolerance)
        )
    speed = _speed_of(bank, banks[0], turn_dps, limits)
    if airspeed is not None and speed is not None:
        there = np.isfinite(speed) & np.isfinite(airspeed) & (airspeed > 0.0)
        if there.sum() >= limits.least_s // 4:
            ratio = float(np.median(speed[there] / airspeed[there]))
            found.append(
                _Seen(first="airspeed_kt", second=TURNS, ratio=ratio, tolerance=limits.speed_ratio_tolerance)
            )
    return found


def _speed_of(bank: Candidate, unit: str, turn_dps: Array, limits: RecordingLimits) -> Array | None:
    """Airspeed at which this bank goes with this rate of turn, kt; None where it is no aircraft's. (second,)"""
    degrees, turn = mean_over(bank.values * bank.channel.units[unit][0], 9), mean_over(turn_dps, 9)
    with np.errstate(invalid="ignore"):
        turns = (
            (np.abs(turn) > limits.telling_turn_dps)
            & (np.abs(degrees) > limits.telling_bank_deg)
            & (np.abs(degrees) < 60.0)
        )
        turns &= degrees * turn > 0.0
    if turns.sum() < limits.least_s // 4:
        return None
    speed = np.full(len(degrees), np.nan)
    speed[turns] = tas_for_turn_kt(degrees[turns], turn[turns])
    return speed if 45.0 < float(np.nanmedian(speed)) < 300.0 else None


def same_values(one: Array, other: Array) -> bool:
    """Whether two columns hold the same, but for rounding."""
    both = np.isfinite(one) & np.isfinite(other)
    if not both.any():
        return False
    span = float(np.ptp(one[both]))
    return bool(np.median(np.abs(one[both] - other[both])) <= 1e-3 * max(span, 1e-9))


def unit_words(stated: bool, by: str, kb: KnowledgeBase) -> str:
    """How the unit of a column is known."""
    if stated:
        return "unit as given"
    if by in (POSITIONS, TURNS):
        return f"unit by {by}"
    return f"unit by the {kb.recorded[by].name}" if by else "no unit given, its values fit"
