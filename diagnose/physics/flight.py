"""What the aircraft really does during one snapshot, drawn for given values of the motion's axes.

One sample a second. Each flight is one draw of rates, speeds and bumps within the class that the
axes name, so that a reading's chance includes how differently people fly.

Arrays have shape (flight, time); speeds in kt, altitudes in ft, pressures in inHg.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from diagnose.model.units import Array
from diagnose.physics.airdata import impact_pressure_inhg
from diagnose.physics.atmosphere import pressure_inhg
from diagnose.physics.draws import Draws

SNAPSHOT_S = 60
STEP_S = 1.0
#: share of the snapshot that counts as its end, and as its start
END_SHARE = 1.0 / 6.0


@dataclass(frozen=True, kw_only=True)
class Flights:
    """True motion of many flights of one snapshot each, or of one whole flight; arrays (flight, time) unless said.

    ``pace`` (a word of that axis) and ``power`` may have shape (flight, 1) where they do not change. ``gained``: change
    of airspeed in kt per s where it is known without the bumps. ``held_level``: where the pilot follows his horizon so
    that its picture stays level, bool (flight, 1) or one for all.
    """

    time_s: Array
    height_ft: Array
    airspeed_kt: Array
    expected_airspeed_kt: Array
    turn_rate_dps: Array
    heading_deg: Array
    bank_deg: Array
    pitch_deg: Array
    bumps: Array
    pace: np.ndarray
    power: np.ndarray
    gained: Array | None = None
    held_level: np.ndarray | bool = False

    @property
    def count(self) -> int:
        """Number of flights."""
        return len(self.height_ft)

    @property
    def airborne(self) -> np.ndarray:
        """Whether each flight is off the ground; bool, shape of ``pace``."""
        return ~np.isin(self.pace, ("at_rest", "rolling"))

    @property
    def samples(self) -> int:
        """Number of samples of each flight."""
        return int(self.height_ft.shape[1])

    @cached_property
    def static_inhg(self) -> Array:
        """Pressure outside."""
        return pressure_inhg(self.height_ft)

    @cached_property
    def impact_inhg(self) -> Array:
        """Impact pressure of the airflow."""
        return impact_pressure_inhg(self.airspeed_kt)

    @cached_property
    def gain_kt_per_s(self) -> Array:
        """Change of airspeed."""
        return np.gradient(self.airspeed_kt, STEP_S, axis=1) if self.gained is None else self.gained

    @cached_property
    def trend_kt_per_s(self) -> Array:
        """Change of airspeed that lasts: bumps average out long before a gyro's erection answers."""
        gain = self.gain_kt_per_s
        if self.gained is not None:
            return gain
        return np.where(self.pace == "rolling", gain, gain.mean(axis=1, keepdims=True))

    @cached_property
    def lasting_kt_per_s(self) -> Array:
        """Change of airspeed over the snapshot, or over the last minute at each second of a whole flight."""
        if self.gained is None:
            return self.trend_kt_per_s.mean(axis=1, keepdims=True)
        total = np.cumsum(np.pad(self.gained, ((0, 0), (SNAPSHOT_S, 0))), axis=1)
        return (total[:, SNAPSHOT_S:] - total[:, :-SNAPSHOT_S]) / SNAPSHOT_S


#: value of every axis where a gauge does not depend on it
USUAL_MOTION: Mapping[str, str] = {
    "vertical": "level",
    "speed": "constant",
    "pace": "expected",
    "turn": "straight",
    "nose": "level",
    "power": "cruise",
    "picture": "free",
}


#: the part whose condition says how rough the air is
AIR = "bumps"
#: quantity that says how strong the bumps are, by condition of the air
TURBULENCE: Mapping[str, str] = {"ordinary": "flight.turbulence", "rough": "flight.rough_turbulence"}


def draw_flights(cells: Mapping[str, np.ndarray], count: int, draws: Draws, air: str = "ordinary") -> Flights:
    """Draw ``count`` flights whose axes have the values in ``cells`` (axis -> str array (count,)).

    ``air``: condition of the part ``bumps``, as in ``TURBULENCE``.
    """
    axes = {axis: np.asarray(cells.get(axis, np.full(count, usual))) for axis, usual in USUAL_MOTION.items()}
    time_s = np.arange(SNAPSHOT_S, dtype=np.float64) * STEP_S
    on_ground = np.isin(axes["pace"], ("at_rest", "rolling"))
    bumps = np.where(on_ground, 0.0, draws(TURBULENCE[air], count))

    rate_fpm = np.select(
        [on_ground, axes["vertical"] == "up", axes["vertical"] == "down"],
        [np.zeros(count), draws("flight.climb_fpm", count), -draws("flight.descent_fpm", count)],
        draws.either_way("flight.level_fpm", count),
    )
    start_ft = np.where(on_ground, draws("flight.field_ft", count), draws("flight.height_ft", count))
    height_ft = start_ft[:, None] + rate_fpm[:, None] * time_s / 60.0
    height_ft = height_ft + draws.wander(bumps * draws("flight.bump_ft", count), count, SNAPSHOT_S, 12)

    expected_kt = draws("flight.airspeed_kt", count)
    off_kt = np.select(
        [axes["pace"] == "slow", axes["pace"] == "fast"],
        [-draws("flight.off_pace_kt", count), draws("flight.off_pace_kt", count)],
        draws.either_way("flight.on_pace_kt", count),
    )
    end_kt = np.maximum(expected_kt + off_kt, draws("flight.slowest_kt", count))
    gain_kt = np.select(
        [axes["speed"] == "increasing", axes["speed"] == "decreasing"],
        [draws("flight.speed_change_kt", count), -draws("flight.speed_change_kt", count)],
        draws.either_way("flight.speed_wander_kt", count),
    )
    along = time_s / time_s[-1]
    speed_kt = end_kt[:, None] - gain_kt[:, None] * (1.0 - along)
    speed_kt = speed_kt + draws.wander(bumps * draws("flight.bump_kt", count), count, SNAPSHOT_S, 5)
    rolled_kt = draws("flight.roll_end_kt", count)[:, None] * np.sqrt(along)
    speed_kt = np.where((axes["pace"] == "at_rest")[:, None], 0.0, speed_kt)
    speed_kt = np.where((axes["pace"] == "rolling")[:, None], rolled_kt, speed_kt)
    speed_kt = np.maximum(speed_kt, 0.0)
    # the dial is read over the last seconds, so that is what is expected then
    end_s = round(SNAPSHOT_S * END_SHARE)
    guess_kt = speed_kt[:, -end_s:].mean(axis=1) + draws.either_way("flight.roll_expectation_kt", count)
    expected_kt = np.where(axes["pace"] == "rolling", np.maximum(guess_kt, 0.0), expected_kt)
    expected_kt = np.where(axes["pace"] == "at_rest", 0.0, expected_kt)

    side = np.select([axes["turn"] == "left", axes["turn"] == "right"], [-1.0, 1.0], 0.0)
    turn_dps = side * draws("flight.turn_dps", count) + (side == 0) * draws.either_way(
        "flight.straight_dps", count
    )
    turn_rate_dps = turn_dps[:, None] + draws.wander(
        bumps * draws("flight.bump_dps", count), count, SNAPSHOT_S, 5
    )
    heading_deg = turn_dps[:, None] * time_s + draws.wander(
        bumps * draws("flight.heading_wander_deg", count), count, SNAPSHOT_S, 8
    )
    bank_deg = turn_rate_dps * draws("flight.bank_per_dps", count)[:, None] * ~on_ground[:, None]

    pitch_deg = np.select(
        [axes["nose"] == "up", axes["nose"] == "down"],
        [draws("flight.nose_off_deg", count), -draws("flight.nose_off_deg", count)],
        draws.either_way("flight.nose_level_deg", count),
    )[:, None] + draws.wander(bumps, count, SNAPSHOT_S, 5)
    # in memory by time, as lines and gyros are followed
    by_time = np.asfortranarray
    return Flights(
        time_s=time_s,
        height_ft=by_time(height_ft),
        airspeed_kt=by_time(speed_kt),
        expected_airspeed_kt=expected_kt[:, None],
        turn_rate_dps=by_time(turn_rate_dps),
        heading_deg=by_time(heading_deg),
        bank_deg=by_time(bank_deg),
        pitch_deg=by_time(pitch_deg),
        bumps=bumps[:, None],
        pace=axes["pace"][:, None],
        power=axes["power"][:, None],
        held_level=axes["picture"][:, None] == "held_level",
    )
