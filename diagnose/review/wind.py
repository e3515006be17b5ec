"""Wind from track, groundspeed, heading and airspeed, with errors of heading and airspeed beside it.

A Kalman filter over blocks of some seconds and its smoother backwards (Rauch, Tung and Striebel): the whole flight
is there, so turns after an airspeed error, or with a heading that drifts, separate it from a wind that has shifted.
State: wind east and north (kt), the airspeed's error (kt) and the heading's (degrees); all four wander.

An airspeed or a card that is far off is no wandering. So four accounts of the flight are tried, and the likeliest
is believed: both are sound; the airspeed is off by the same all flight, or from some moment on; the card is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from diagnose.model import ReviewLimits
from diagnose.model.units import Array
from diagnose.review.recording import Recording

#: the wind is brought up to date this often, s
WIND_STEP = 10
#: so many blocks in a row that fit nothing of the rest are no gust
ASTRAY_BLOCKS = 3
#: what has gone astray slowly began so much earlier
EARLIER_MIN = (0.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Wind:
    """Wind in kt, (second, east and north), NaN where nothing is known of it.

    ``along`` and ``across``: where it is known well enough along the heading, and across it; ``spread_kt``: its
    standard deviation the way it is known least; (second,) each.
    """

    kt: Array
    spread_kt: Array
    along: np.ndarray
    across: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Account:
    """What is supposed of a flight: how far the airspeed may be off, kt, and by how much that wanders in a minute;
    the block from which on it is off by any amount; the block from which on the card tells nothing.
    """

    error_kt: float
    walk_kt: float
    airspeed_off_from: int = -1
    card_off_from: int = -1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Blocks:
    """What is known of each block: ``seen`` groundspeed less airspeed along the heading, kt; ``ahead`` the heading."""

    seen: Array
    ahead: Array
    tas_kt: Array
    there: np.ndarray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    """State (4,) and covariance (4, 4) before and after what each block showed, which blocks fitted, and how badly
    it all fits (twice the negative logarithm of its likelihood)."""

    before: tuple[tuple[Array, Array], ...]
    after: tuple[tuple[Array, Array], ...]
    used: np.ndarray
    cost: float

    def smoothed(self) -> tuple[Array, Array]:
        """States (block, 4) and covariances (block, 4, 4), each given the whole flight."""
        states, spreads = [self.after[-1][0]], [self.after[-1][1]]
        for block in range(len(self.after) - 2, -1, -1):
            own, own_spread = self.after[block]
            following, following_spread = self.before[block + 1]
            back = own_spread @ np.linalg.inv(following_spread)
            states.append(own + back @ (states[-1] - following))
            spreads.append(own_spread + back @ (spreads[-1] - following_spread) @ back.T)
        return np.array(states[::-1]), np.array(spreads[::-1])


def wind_of(recording: Recording, limits: ReviewLimits, tas_kt: Array, usable: np.ndarray, turn_dps: Array, variation_deg: float, *, guessed: bool = False) -> tuple[Wind, Array]:  # fmt: skip
    """Wind over the flight, from the seconds that are ``usable``, and its spread (kt) if the airspeed is not believed.

    ``guessed``: ``tas_kt`` is no measurement but what such an aircraft flies; headings that differ tell the rest.
    """
    ch, seconds = recording.channels, recording.seconds
    count = seconds // WIND_STEP
    if not recording.has("gps_speed_kt", "gps_track_deg", "heading_deg") or not count:
        unknown = np.zeros(seconds, dtype=bool)
        nothing = np.full((seconds, 2), np.nan)
        return Wind(kt=nothing, spread_kt=nothing[:, 0], along=unknown, across=unknown), nothing[:, 0]
    track, heading = np.radians(ch["gps_track_deg"]), np.radians(ch["heading_deg"] + variation_deg)
    east = ch["gps_speed_kt"] * np.sin(track) - tas_kt * np.sin(heading)
    north = ch["gps_speed_kt"] * np.cos(track) - tas_kt * np.cos(heading)
    good = (
        usable
        & np.isfinite(east)
        & np.isfinite(north)
        & (np.abs(np.nan_to_num(turn_dps)) < limits.straight_for_wind_dps)
    )
    share = good[: count * WIND_STEP].reshape(count, WIND_STEP).sum(axis=1)

    def means(values: Array) -> Array:
        cut = np.where(good, values, 0.0)[: count * WIND_STEP].reshape(count, WIND_STEP)
        return np.asarray(cut.sum(axis=1)) / np.maximum(share, 1)

    blocks = _Blocks(
        seen=np.stack([means(east), means(north)], axis=1),
        ahead=np.stack([means(np.sin(heading)), means(np.cos(heading))], axis=1),
        tas_kt=means(tas_kt),
        there=share >= WIND_STEP // 2,
    )
    likeliest, off = _likeliest(blocks, limits, guessed)
    states, spreads = likeliest.smoothed()
    _, doubtful = off.smoothed()
    size = np.maximum(np.hypot(blocks.ahead[:, 0], blocks.ahead[:, 1]), 1e-9)
    forward = np.where((share > 0)[:, None], blocks.ahead / size[:, None], [0.0, 1.0])
    sideways = np.stack([forward[:, 1], -forward[:, 0]], axis=1)

    def known(way: Array) -> np.ndarray:
        variance = np.einsum("bi,bij,bj->b", way, spreads[:, :2, :2], way)
        return np.asarray(variance < limits.wind_known_kt**2)

    def by_second(values: np.ndarray) -> np.ndarray:
        return np.repeat(values, WIND_STEP, axis=0)[np.minimum(np.arange(seconds), count * WIND_STEP - 1)]

    def least_known(spreads: Array) -> Array:
        return by_second(np.sqrt(np.linalg.eigvalsh(spreads[:, :2, :2])[:, -1]))

    wind = Wind(
        kt=by_second(states[:, :2]), spread_kt=least_known(spreads),
        along=by_second(known(forward)), across=by_second(known(sideways)),
    )  # fmt: skip
    return wind, least_known(doubtful)


def _likeliest(blocks: _Blocks, limits: ReviewLimits, guessed: bool) -> tuple[_Fit, _Fit]:
    """The fit of the likeliest account, and that of an airspeed that may be off by any amount all flight."""
    wide, walk = limits.guessed_error_kt, limits.airspeed_walk_kt
    if guessed:
        fit = _filtered(blocks, _Account(error_kt=wide, walk_kt=limits.guessed_walk_kt), limits)
        return fit, fit
    sound = _Account(error_kt=limits.airspeed_error_kt, walk_kt=walk)
    best = _filtered(blocks, sound, limits)
    off = _filtered(blocks, _Account(error_kt=wide, walk_kt=walk), limits)
    since = _astray_from(blocks.there & ~best.used, blocks.there)
    if since < 0:
        return best, off
    others = [off]
    for minutes in EARLIER_MIN:
        begins = max(since - round(minutes * 60.0 / WIND_STEP), 1)
        others.append(_filtered(blocks, replace(sound, airspeed_off_from=begins), limits))
        others.append(_filtered(blocks, replace(sound, card_off_from=begins), limits))
    other = min(others, key=lambda fit: fit.cost)
    return (other if other.cost + limits.wind_gate**2 < best.cost else best), off


def _astray_from(left_out: np.ndarray, there: np.ndarray) -> int:
    """The first block of a run of some that fit nothing of the rest; -1 if there is none."""
    places = np.flatnonzero(there)
    astray = left_out[places]
    for place in range(len(places) - ASTRAY_BLOCKS + 1):
        if astray[place : place + ASTRAY_BLOCKS].all():
            return int(places[place])
    return -1


def _filtered(blocks: _Blocks, account: _Account, limits: ReviewLimits) -> _Fit:
    """Follow the flight from its beginning under one account."""
    minutes = WIND_STEP / 60.0
    prior = np.diag(
        np.square([limits.wind_prior_kt, limits.wind_prior_kt, account.error_kt, limits.heading_error_deg])
    )
    walk = minutes * np.diag(
        np.square([limits.wind_walk_kt, limits.wind_walk_kt, account.walk_kt, limits.heading_walk_deg])
    )
    state, spread, cost = np.zeros(4), prior, 0.0
    used = np.zeros(len(blocks.seen), dtype=bool)
    before, after = [], []
    for block in range(len(blocks.seen)):
        if block:
            spread = spread + walk
        if block == account.airspeed_off_from:
            spread = spread + np.diag([0.0, 0.0, limits.guessed_error_kt**2, 0.0])
        before.append((state, spread))
        if blocks.there[block]:
            card = account.card_off_from < 0 or block < account.card_off_from
            surprise, h, vague = _by_card(blocks, block, state) if card else _by_speed(blocks, block, state)
            expected = h @ spread @ h.T + limits.wind_noise_kt**2 * np.eye(len(h))
            inverse = np.linalg.inv(expected)
            squared = float(surprise @ inverse @ surprise)
            used[block] = squared < limits.wind_gate**2
            cost += min(squared, limits.wind_gate**2) + float(np.log(np.linalg.det(expected))) + vague
            if used[block]:
                gain = spread @ h.T @ inverse
                state, spread = state + gain @ surprise, spread - gain @ h @ spread
        after.append((state, spread))
    return _Fit(before=tuple(before), after=tuple(after), used=used, cost=cost)


def _by_card(blocks: _Blocks, block: int, state: Array) -> tuple[Array, Array, float]:
    """Surprise of what was seen, what it depends on, and nothing that is left open."""
    # an airspeed that reads too much, or a heading that reads too far right, takes that out of the wind
    sine, cosine = blocks.ahead[block]
    by_heading = blocks.tas_kt[block] * np.pi / 180.0
    h = np.array([[1.0, 0.0, -sine, -cosine * by_heading], [0.0, 1.0, -cosine, sine * by_heading]])
    return blocks.seen[block] - h @ state, h, 0.0


def _by_speed(blocks: _Blocks, block: int, state: Array) -> tuple[Array, Array, float]:
    """The same by the speed alone; any direction is as good as any other, and that is what is left open."""
    tas_kt = blocks.tas_kt[block]
    flown = blocks.seen[block] + tas_kt * blocks.ahead[block] - state[:2]
    speed = max(float(np.hypot(*flown)), 1.0)
    h = np.array([[flown[0] / speed, flown[1] / speed, -1.0, 0.0]])
    # the variance of an angle that may be anything, at this speed
    return np.array([speed - tas_kt + state[2]]), h, 2.0 * float(np.log(tas_kt * np.pi / np.sqrt(3.0)))
