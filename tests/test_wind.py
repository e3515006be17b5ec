"""The wind of a recorded flight, against vectors worked by hand: ground = air + wind, and the signs of errors.

An airspeed indicator that reads 10 kt too much makes the wind along the nose seem 10 kt too little.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from diagnose.review.recording import Recording
from diagnose.review.wind import _astray_from, _Blocks, _by_card, _by_speed, wind_of
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
