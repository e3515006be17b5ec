"""The wind of a recorded flight, against vectors worked by hand: ground = air + wind, and the signs of errors.

An airspeed indicator that reads 10 kt too much makes the wind along the nose seem 10 kt too little.
"""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pytest

from diagnose.review import wind as module
from diagnose.review.recording import Recording
from diagnose.review.wind import (
    _Account,
    _astray_from,
    _Blocks,
    _by_card,
    _by_speed,
    _filtered,
    _likeliest,
    wind_of,
)
from tests.small import shipped

LIMITS = shipped().review


def one_block(*, true_kt, heading_deg, wind, shown_kt, shown_deg):
    """A block of a flight at this true airspeed and heading, with what the dials showed."""
    true, shown = np.radians(heading_deg), np.radians(shown_deg)
    ground = true_kt * np.array([np.sin(true), np.cos(true)]) + np.array(wind)
    ahead = np.array([np.sin(shown), np.cos(shown)])
    return _Blocks(
        seen=(ground - shown_kt * ahead)[None], ahead=ahead[None], tas_kt=np.array([shown_kt]),
        there=np.array([True]),
    )  # fmt: skip


@pytest.mark.parametrize("heading", [0.0, 90.0, 200.0, 315.0])
@pytest.mark.parametrize("error_kt", [-15.0, 0.0, 10.0])
def test_an_airspeed_that_reads_too_much_takes_it_out_of_the_wind_along_the_nose(heading, error_kt):
    """The state that is true (wind 20 from the west and 5 from the south, this error) leaves no surprise."""
    block = one_block(
        true_kt=100.0, heading_deg=heading, wind=(20.0, 5.0), shown_kt=100.0 + error_kt, shown_deg=heading
    )
    truth = np.array([20.0, 5.0, error_kt, 0.0])
    surprise, _, _ = _by_card(block, 0, truth)
    assert surprise == pytest.approx([0.0, 0.0], abs=1e-9)
    by_speed, h, _ = _by_speed(block, 0, truth)
    assert by_speed == pytest.approx([0.0], abs=1e-9)
    # a knot more of airspeed error is a knot less of speed; a knot of wind counts along the true heading
    assert h[0, 2] == -1.0
    along = [np.sin(np.radians(heading)), np.cos(np.radians(heading))]
    assert h[0, :2] == pytest.approx(along)


@pytest.mark.parametrize("heading", [0.0, 90.0, 200.0, 315.0])
@pytest.mark.parametrize("error_deg", [-2.0, 3.0])
def test_a_card_that_reads_too_far_right_takes_it_out_of_the_wind_across(heading, error_deg):
    """To first order: 100 kt times 3 degrees are 5.2 kt across; what is left is the second order, 0.14 kt."""
    block = one_block(
        true_kt=100.0, heading_deg=heading, wind=(20.0, 5.0), shown_kt=100.0, shown_deg=heading + error_deg
    )
    surprise, h, _ = _by_card(block, 0, np.array([20.0, 5.0, 0.0, error_deg]))
    assert surprise == pytest.approx([0.0, 0.0], abs=0.15)
    without, _, _ = _by_card(block, 0, np.array([20.0, 5.0, 0.0, 0.0]))
    assert np.hypot(*without) == pytest.approx(100.0 * np.radians(abs(error_deg)), abs=0.1)
    # the columns are what the surprise depends on
    for place in range(4):
        moved = np.array([20.0, 5.0, 0.0, error_deg])
        moved[place] += 1.0
        again, _, _ = _by_card(block, 0, moved)
        assert surprise - again == pytest.approx(h[:, place], abs=1e-9)


def test_a_card_that_may_be_anything_is_as_vague_as_a_full_circle():
    """Variance of an angle even over 360 degrees: pi^2 / 3; across, at 100 kt: (100 pi / sqrt 3)^2, and its log."""
    block = one_block(true_kt=100.0, heading_deg=40.0, wind=(0.0, 0.0), shown_kt=100.0, shown_deg=40.0)
    assert _by_speed(block, 0, np.zeros(4))[2] == pytest.approx(np.log((100.0 * np.pi) ** 2 / 3.0))
    assert _by_card(block, 0, np.zeros(4))[2] == 0.0


@pytest.mark.parametrize(
    ("left_out", "expected"),
    [
        ([0, 0, 1, 1, 1, 0], 2),
        ([1, 1, 0, 1, 1, 0], -1),
        ([1, 1, 1, 1, 1, 1], 0),
        ([0, 0, 0, 1, 1, 1], 3),
        ([0, 0, 0, 1, 1], -1),
        ([0, 0, 0, 0, 1], -1),
        ([], -1),
    ],
)
def test_three_blocks_in_a_row_that_fit_nothing_are_no_gust(left_out, expected):
    there = np.ones(len(left_out), dtype=bool)
    assert _astray_from(np.array(left_out, dtype=bool), there) == expected


def test_blocks_of_which_nothing_is_known_do_not_break_a_run():
    left_out = np.array([0, 1, 0, 1, 0, 1, 0], dtype=bool)
    there = np.array([1, 1, 0, 1, 0, 1, 1], dtype=bool)
    assert _astray_from(left_out, there) == 1


def test_a_degree_of_the_card_is_a_degree_of_the_circle():
    """At 100 kt on a heading of 30: one degree moves 100 pi / 180 across, (-cos 30, sin 30); by speed alone none."""
    block = one_block(true_kt=100.0, heading_deg=30.0, wind=(0.0, 0.0), shown_kt=100.0, shown_deg=30.0)
    _, h, _ = _by_card(block, 0, np.zeros(4))
    across = 100.0 * np.pi / 180.0
    half, root = 0.5, np.sqrt(3.0) / 2.0
    assert h == pytest.approx(np.array([[1.0, 0.0, -half, -root * across], [0.0, 1.0, -root, half * across]]))
    assert _by_speed(block, 0, np.zeros(4))[1] == pytest.approx(np.array([[half, root, -1.0, 0.0]]))
    # a wind that carries it along at its own speed leaves no direction flown: nothing to divide by
    surprise, h, _ = _by_speed(block, 0, np.array([50.0, 100.0 * root, 0.0, 0.0]))
    assert surprise == pytest.approx([-99.0])
    assert h == pytest.approx(np.array([[0.0, 0.0, -1.0, 0.0]]), abs=1e-9)


# ------------------------------------------------------------------ the filter
#
# review.toml: wind 25 kt, airspeed 3 kt, heading 4 degrees at first; noise 6 kt; gate 3.5; a minute moves the wind by
# 2.5 kt, the airspeed by 1.5 kt and the heading by 2 degrees

SOUND = _Account(error_kt=3.0, walk_kt=1.5)
#: variance of what a block to the north shows, east and north: 25^2 + (4 degrees at 100 kt)^2 + 6^2; 25^2 + 3^2 + 6^2
EAST, NORTH = 625.0 + (400.0 * np.pi / 180.0) ** 2 + 36.0, 670.0


def northward(*seen, there=None):
    """Blocks of a flight to the north at 100 kt, by what wind each seems to show."""
    return _Blocks(
        seen=np.array(seen), ahead=np.tile([0.0, 1.0], (len(seen), 1)), tas_kt=np.full(len(seen), 100.0),
        there=np.ones(len(seen), dtype=bool) if there is None else np.array(there),
    )  # fmt: skip


def test_one_block_by_hand():
    """33.5 kt from the south: 625 / 670 of it are wind, and 9 / 670 an airspeed that reads too little."""
    fit = _filtered(northward((0.0, 33.5)), SOUND, LIMITS)
    ((before, prior),) = fit.before
    ((after, spread),) = fit.after
    assert before == pytest.approx(np.zeros(4))
    assert prior == pytest.approx(np.diag([625.0, 625.0, 9.0, 16.0]))
    assert after == pytest.approx([0.0, 31.25, -0.45, 0.0])
    assert spread[1, 1] == pytest.approx(625.0 - 625.0**2 / NORTH)
    assert spread[1, 2] == pytest.approx(625.0 * 9.0 / NORTH)
    assert spread[0, 0] == pytest.approx(625.0 - 625.0**2 / EAST)
    assert fit.used.tolist() == [True]
    assert fit.cost == pytest.approx(33.5**2 / NORTH + np.log(EAST * NORTH))


@pytest.mark.parametrize(("squared", "used"), [(12.0, True), (12.5, False), (40.0, False)])
def test_what_is_farther_off_than_the_gate_moves_nothing_and_costs_the_gate(squared, used):
    fit = _filtered(northward((np.sqrt(squared * EAST), 0.0)), SOUND, LIMITS)
    assert fit.used.tolist() == [used]
    assert bool(fit.after[0][0].any()) == used
    assert fit.cost == pytest.approx(min(squared, 3.5**2) + np.log(EAST * NORTH))


def test_between_blocks_of_ten_seconds_all_wander_by_a_sixth_of_a_minute():
    blocks = northward((0.0, 0.0), (5.0, 5.0), (0.0, 0.0), there=[True, False, True])
    fit = _filtered(blocks, SOUND, LIMITS)
    walk = np.diag([2.5**2, 2.5**2, 1.5**2, 2.0**2]) / 6.0
    assert fit.before[1][1] - fit.after[0][1] == pytest.approx(walk)
    # a block of which nothing is known leaves all as it was
    assert fit.after[1][1] == pytest.approx(fit.before[1][1])
    assert fit.used.tolist() == [True, False, True]
    # an airspeed that is off from the third block on may be off by 25 kt more
    off = _filtered(blocks, _Account(error_kt=3.0, walk_kt=1.5, airspeed_off_from=2), LIMITS)
    assert off.before[1][1] == pytest.approx(fit.before[1][1])
    assert off.before[2][1] - off.after[1][1] == pytest.approx(walk + np.diag([0.0, 0.0, 625.0, 0.0]))


def test_from_where_the_card_tells_nothing_the_speed_alone_counts():
    """Five blocks at 100 kt north in still air; the card shows east from the third on, at the same speed."""
    ahead = np.array([[0.0, 1.0], [0.0, 1.0], [1.0, 0.0], [1.0, 0.0], [1.0, 0.0]])
    blocks = _Blocks(
        seen=np.array([0.0, 100.0]) - 100.0 * ahead, ahead=ahead, tas_kt=np.full(5, 100.0), there=np.ones(5, dtype=bool)
    )
    for off_from, used in ((-1, [1, 1, 0, 0, 0]), (2, [1] * 5), (3, [1, 1, 0, 1, 1]), (0, [1] * 5)):
        fit = _filtered(blocks, _Account(error_kt=3.0, walk_kt=1.5, card_off_from=off_from), LIMITS)
        assert fit.used.tolist() == used, off_from


def test_looking_back_every_block_is_what_all_of_them_tell():
    """Four blocks to the north, of which one tells nothing: the states of all given all, in one Gaussian.

    Before: covariance of the states i and j = that of the first + min(i, j) walks; a block shows east less the card's
    degrees across, and north less the airspeed's error.
    """
    seen = np.array([(0.0, 20.0), (3.0, -5.0), (9.0, 9.0), (-4.0, 8.0)])
    fit = _filtered(northward(*seen, there=[True, True, False, True]), SOUND, LIMITS)
    assert fit.used.tolist() == [True, True, False, True]
    first, walk = np.diag([625.0, 625.0, 9.0, 16.0]), np.diag([6.25, 6.25, 2.25, 4.0]) / 6.0
    before = np.block([[first + min(i, j) * walk for j in range(4)] for i in range(4)])
    h = np.array([[1.0, 0.0, 0.0, -100.0 * np.pi / 180.0], [0.0, 1.0, -1.0, 0.0]])
    shows = np.kron(np.eye(4)[[0, 1, 3]], h)
    gain = before @ shows.T @ np.linalg.inv(shows @ before @ shows.T + 36.0 * np.eye(6))
    after = before - gain @ shows @ before
    states, spreads = fit.smoothed()
    assert states == pytest.approx((gain @ seen[[0, 1, 3]].ravel()).reshape(4, 4))
    assert spreads == pytest.approx(np.array([after[4 * i : 4 * i + 4, 4 * i : 4 * i + 4] for i in range(4)]))


def accounts(monkeypatch, cost_of, blocks=90, astray=70):
    """Which fit is the likeliest where three blocks fit nothing of the rest, by what each account costs; and all accounts."""
    asked = []

    def fitted(_, account, __):
        asked.append(account)
        used = np.ones(blocks, dtype=bool)
        used[astray : astray + 3] = False
        return SimpleNamespace(account=account, used=used, cost=cost_of(account))

    monkeypatch.setattr(module, "_filtered", fitted)
    best, _ = _likeliest(northward(*[(0.0, 0.0)] * blocks), LIMITS, False)
    return best.account, asked


@pytest.mark.parametrize("astray", [70, 0])
@pytest.mark.parametrize(("gain", "sound"), [(12.0, True), (12.5, False)])
def test_another_account_must_gain_more_than_a_reading_at_the_gate(gain, sound, astray, monkeypatch):
    """3.5 squared: 12.25. Astray from the first block on counts as well."""
    assert LIMITS.wind_gate == 3.5
    best, _ = accounts(monkeypatch, lambda one: 100.0 - gain * (one.card_off_from > 0), astray=astray)
    assert (best == SOUND) == sound
    assert (best.card_off_from < 0) == sound


def test_what_goes_astray_slowly_may_have_begun_up_to_ten_minutes_before(monkeypatch):
    """Six blocks a minute: 0, 2, 5 and 10 min before block 70; nothing begins before block 1."""
    for astray, begins in ((70, [70, 58, 40, 10]), (20, [20, 8, 1, 1])):
        _, asked = accounts(monkeypatch, lambda _: 0.0, astray=astray)
        for off in ("airspeed_off_from", "card_off_from"):
            assert [getattr(one, off) for one in asked if getattr(one, off) > 0] == begins


# ------------------------------------------------------------------ whole flights


def recorded(**channels):
    count = len(next(iter(channels.values())))
    return Recording(
        name="", channels=channels, seconds=count, rows=count, period_s=1.0, start_text="", faults=()
    )


def flight(headings, *, wind=(20.0, 0.0), true_kt=100.0, shown_kt=None, shown_deg=None, leg_s=300):
    """Straight legs of some minutes each with a turn of 3 degrees a second in between."""
    rates = [np.zeros(leg_s)]
    for before, after in itertools.pairwise(headings):
        turn = (after - before + 180.0) % 360.0 - 180.0
        rates += [np.full(int(abs(turn) / 3.0), np.sign(turn) * 3.0), np.zeros(leg_s)]
    turn_dps = np.concatenate(rates)
    heading = headings[0] + np.cumsum(turn_dps)
    seconds = len(heading)
    east = true_kt * np.sin(np.radians(heading)) + wind[0]
    north = true_kt * np.cos(np.radians(heading)) + wind[1]
    recording = recorded(
        heading_deg=(heading if shown_deg is None else shown_deg(heading)) % 360.0,
        gps_speed_kt=np.hypot(east, north),
        gps_track_deg=np.degrees(np.arctan2(east, north)) % 360.0,
    )
    tas = np.full(seconds, true_kt if shown_kt is None else shown_kt)
    return recording, tas, turn_dps


def wind(recording, tas, turn, **kwargs):
    return wind_of(recording, LIMITS, tas, np.ones(len(tas), dtype=bool), turn, 0.0, **kwargs)[0]


@pytest.mark.parametrize("blown", [(20.0, 0.0), (-10.0, 15.0), (0.0, -25.0)])
def test_legs_in_all_directions_tell_the_wind_and_not_an_airspeed_that_is_off(blown):
    """Four legs at right angles: whatever the airspeed reads, the mean ground vector is the wind."""
    for shown in (95.0, 100.0, 105.0):
        found = wind(*flight([0.0, 90.0, 180.0, 270.0], wind=blown, shown_kt=shown))
        middle = len(found.kt) // 2
        assert found.kt[middle] == pytest.approx(blown, abs=1.5), shown
        assert found.along[middle]
        assert found.across[middle]
        assert 0.0 < found.spread_kt[middle] < LIMITS.wind_known_kt


def test_variation_turns_the_card_to_true_north():
    """Magnetic headings 10 degrees less than true with an easterly variation of 10."""
    recording, tas, turn = flight([0.0, 90.0, 180.0, 270.0], shown_deg=lambda h: h - 10.0)
    usable = np.ones(len(tas), dtype=bool)
    found = wind_of(recording, LIMITS, tas, usable, turn, 10.0)[0]
    assert found.kt[len(tas) // 2] == pytest.approx([20.0, 0.0], abs=1.5)


def test_without_gps_or_heading_no_wind_is_known():
    recording = recorded(heading_deg=np.zeros(100), gps_speed_kt=np.full(100, 90.0))
    found = wind(recording, np.full(100, 90.0), np.zeros(100))
    assert not found.along.any()
    assert not found.across.any()
    assert np.isnan(found.kt).all()


def test_in_a_turn_nothing_is_taken_for_wind():
    """All in a turn: the wind stays as little known as before, by the standard deviation of its prior."""
    recording, tas, _ = flight([0.0, 90.0, 180.0, 270.0])
    found = wind(recording, tas, np.full(len(tas), LIMITS.straight_for_wind_dps + 0.1))
    assert found.kt[len(tas) // 2] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert found.spread_kt[0] >= LIMITS.wind_prior_kt * 0.99


@pytest.mark.parametrize("heading", [0.0, 90.0, 40.0, 200.0])
def test_on_one_heading_the_wind_is_known_along_it_and_not_across(heading):
    """Along, an airspeed good to 3 kt tells it (4 are enough); across, a card good to 4 degrees, 7 kt at 100 kt.

    If the airspeed is not believed, or guessed, 25 kt are open along.
    """
    assert LIMITS.wind_known_kt == 4.0
    recording, tas, turn = flight([heading], leg_s=100)
    usable = np.ones(len(tas), dtype=bool)
    found, unbelieved = wind_of(recording, LIMITS, tas, usable, turn, 0.0)
    assert found.along[40:60].all()
    assert not found.across.any()
    assert (found.spread_kt > 4.0).all()
    assert (found.spread_kt < 8.0).all()
    assert (unbelieved > 15.0).all()
    guessed, also = wind_of(recording, LIMITS, tas, usable, turn, 0.0, guessed=True)
    assert not guessed.along.any()
    assert not guessed.across.any()
    assert guessed.spread_kt == pytest.approx(also)
    assert (also > 15.0).all()


def test_a_guessed_airspeed_finds_the_wind_by_headings_that_differ():
    found = wind(*flight([0.0, 90.0, 180.0, 270.0], wind=(15.0, -10.0), shown_kt=118.0), guessed=True)
    assert found.kt[len(found.kt) // 2] == pytest.approx([15.0, -10.0], abs=2.5)


@pytest.mark.parametrize(("seconds", "known"), [(5, True), (4, False)])
def test_half_of_a_block_must_be_known(seconds, known):
    recording, tas, turn = flight([0.0], leg_s=200)
    usable = np.arange(len(tas)) % 10 < seconds
    found = wind_of(recording, LIMITS, tas, usable, turn, 0.0)[0]
    assert found.along[100] == known
    # what is not usable moves nothing
    if known:
        whole = wind(recording, tas, turn)
        assert found.kt == pytest.approx(whole.kt)
        assert found.spread_kt == pytest.approx(whole.spread_kt)


def test_a_block_of_one_second_has_the_heading_of_that_second():
    """East: the wind is known along the heading and not across, also where the block itself tells nothing."""
    recording, tas, turn = flight([90.0], leg_s=200)
    seconds = np.arange(len(tas))
    usable = (seconds // 10 != 10) | (seconds == 103)
    found = wind_of(recording, LIMITS, tas, usable, turn, 0.0)[0]
    assert found.along[100:110].all()
    assert not found.across[100:110].any()


def test_a_card_or_an_airspeed_that_goes_astray_leaves_the_wind():
    """From the third leg on the airspeed shows half, or the card is 70 degrees off; 20 kt from the west all along.

    It stays known: by card and groundspeed to 4 kt, or to 7 by the speeds on legs that differ.
    """
    recording, tas, turn = flight([0.0, 90.0, 180.0, 270.0, 0.0])
    late = np.arange(len(tas)) >= 700
    half = wind(recording, np.where(late, 50.0, tas), turn)
    assert half.spread_kt[-200] < 4.0
    assert half.kt[[300, 650, -200]] == pytest.approx(np.tile([20.0, 0.0], (3, 1)), abs=3.0)
    recording.channels["heading_deg"] = (recording.channels["heading_deg"] + np.where(late, 70.0, 0.0)) % 360.0
    astray = wind(recording, tas, turn)
    assert astray.spread_kt[-200] < 7.0
    assert astray.kt[[300, 650, -200]] == pytest.approx(np.tile([20.0, 0.0], (3, 1)), abs=3.0)
