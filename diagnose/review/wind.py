"""Wind from track, ground speed, heading and airspeed, with errors of heading and airspeed beside it.

A Kalman filter over blocks of some seconds and its smoother backwards (Rauch, Tung and Striebel): the whole flight
is there, so turns after an airspeed error, or with a heading that drifts, tell it from a wind that has shifted.
State: wind east and north (kt), the airspeed's error (kt) and the heading's (degrees); all four wander.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from diagnose.model import ReviewLimits
from diagnose.review.recording import Recording
from diagnose.units import Array

#: the wind is brought up to date this often, s
WIND_STEP = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Wind:
    """Wind in kt, (second, east and north), NaN where nothing is known of it.

    ``along`` and ``across``: where it is known well enough along the heading, and across it; ``spread_kt``: its
    standard deviation the way it is known least; (second,) each. ``left_out``: share of what could have told of it
    that fitted nothing of the rest.
    """

    kt: Array
    spread_kt: Array
    along: np.ndarray
    across: np.ndarray
    left_out: float = 0.0


def wind_of(recording: Recording, limits: ReviewLimits, tas_kt: Array, usable: np.ndarray, turn_dps: Array, variation_deg: float, airspeed: tuple[float, float]) -> Wind:  # fmt: skip
    """Wind over the flight, from the seconds that are ``usable``.

    ``airspeed``: how far ``tas_kt`` may be off, kt, and by how much that wanders in a minute.
    """
    ch, seconds = recording.channels, recording.seconds
    blocks = seconds // WIND_STEP
    if not recording.has("gps_speed_kt", "gps_track_deg", "heading_deg") or not blocks:
        unknown = np.zeros(seconds, dtype=bool)
        nothing = np.full((seconds, 2), np.nan)
        return Wind(kt=nothing, spread_kt=nothing[:, 0], along=unknown, across=unknown)
    track, heading = np.radians(ch["gps_track_deg"]), np.radians(ch["heading_deg"] + variation_deg)
    east = ch["gps_speed_kt"] * np.sin(track) - tas_kt * np.sin(heading)
    north = ch["gps_speed_kt"] * np.cos(track) - tas_kt * np.cos(heading)
    good = (
        usable
        & np.isfinite(east)
        & np.isfinite(north)
        & (np.abs(np.nan_to_num(turn_dps)) < limits.straight_for_wind_dps)
    )
    share = good[: blocks * WIND_STEP].reshape(blocks, WIND_STEP).sum(axis=1)

    def means(values: Array) -> Array:
        cut = np.where(good, values, 0.0)[: blocks * WIND_STEP].reshape(blocks, WIND_STEP)
        return np.asarray(cut.sum(axis=1)) / np.maximum(share, 1)

    ahead = np.stack([means(np.sin(heading)), means(np.cos(heading))], axis=1)
    there = share >= WIND_STEP // 2
    states, spreads, used = _smoothed(
        np.stack([means(east), means(north)], axis=1),
        ahead,
        means(tas_kt),
        there,
        limits,
        airspeed,
    )
    size = np.maximum(np.hypot(ahead[:, 0], ahead[:, 1]), 1e-9)
    forward = np.where((share > 0)[:, None], ahead / size[:, None], [0.0, 1.0])
    sideways = np.stack([forward[:, 1], -forward[:, 0]], axis=1)

    def known(way: Array) -> np.ndarray:
        variance = np.einsum("bi,bij,bj->b", way, spreads[:, :2, :2], way)
        return np.asarray(variance < limits.wind_known_kt**2)

    def by_second(values: np.ndarray) -> np.ndarray:
        return np.repeat(values, WIND_STEP, axis=0)[np.minimum(np.arange(seconds), blocks * WIND_STEP - 1)]

    least_known = np.sqrt(np.linalg.eigvalsh(spreads[:, :2, :2])[:, -1])
    return Wind(
        kt=by_second(states[:, :2]), spread_kt=by_second(least_known),
        along=by_second(known(forward)), across=by_second(known(sideways)),
        left_out=float((there & ~used).sum() / max(there.sum(), 1)),
    )  # fmt: skip


def _smoothed(seen: Array, ahead: Array, tas_kt: Array, there: np.ndarray, limits: ReviewLimits, airspeed: tuple[float, float]) -> tuple[Array, Array, np.ndarray]:  # fmt: skip
    """States (block, 4) and their covariances (block, 4, 4), each given the whole flight; which blocks were of use."""
    minutes, one = WIND_STEP / 60.0, np.pi / 180.0
    error_kt, walk_kt = airspeed
    used = np.zeros(len(seen), dtype=bool)
    prior = np.diag(
        np.square([limits.wind_prior_kt, limits.wind_prior_kt, error_kt, limits.heading_error_deg])
    )
    walk = minutes * np.diag(
        np.square([limits.wind_walk_kt, limits.wind_walk_kt, walk_kt, limits.heading_walk_deg])
    )
    noise = limits.wind_noise_kt**2 * np.eye(2)
    state, spread = np.zeros(4), prior
    before, after = [], []
    for block in range(len(seen)):
        if block:
            spread = spread + walk
        before.append((state, spread))
        if there[block]:
            # an airspeed that reads too much, or a heading that reads too far right, takes that out of the wind
            sine, cosine = ahead[block]
            h = np.array([
                [1.0, 0.0, -sine, -tas_kt[block] * cosine * one],
                [0.0, 1.0, -cosine, tas_kt[block] * sine * one],
            ])  # fmt: skip
            surprise = seen[block] - h @ state
            inverse = np.linalg.inv(h @ spread @ h.T + noise)
            used[block] = float(surprise @ inverse @ surprise) < limits.wind_gate**2
            if used[block]:
                gain = spread @ h.T @ inverse
                state, spread = state + gain @ surprise, spread - gain @ h @ spread
        after.append((state, spread))
    states, spreads = [after[-1][0]], [after[-1][1]]
    for block in range(len(seen) - 2, -1, -1):
        own, own_spread = after[block]
        following, following_spread = before[block + 1]
        back = own_spread @ np.linalg.inv(following_spread)
        states.append(own + back @ (states[-1] - following))
        spreads.append(own_spread + back @ (spreads[-1] - following_spread) @ back.T)
    return np.array(states[::-1]), np.array(spreads[::-1]), used
