"""From the history of a pointer to its reading: statistics of small series worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.model import Reading
from diagnose.network.readings import STATISTICS, change, classify, mean_at_end, swing

#: twelve samples: the edges are two each, a sixth
RISE = np.arange(12.0)[None]
SWING = np.array([[0.0, 3.0, -2.0, 4.0, 1.0, 1.0]])


def test_edges_are_a_sixth():
    """Last two of 0..11: 10.5; first two: 0.5. One of six samples; the same of less than that."""
    assert mean_at_end(RISE).tolist() == [10.5]
    assert change(RISE).tolist() == [10.0]
    assert change(-RISE).tolist() == [-10.0]
    assert mean_at_end(SWING).tolist() == [1.0]
    assert change(np.array([[2.0, 5.0]])).tolist() == [3.0]
    # 15 samples: 2.5 rounds to 2; 16: 2.67 rounds to 3, so 13, 14, 15 less 0, 1, 2
    assert change(np.arange(15.0)[None]).tolist() == [13.0]
    assert change(np.arange(16.0)[None]).tolist() == [13.0]


def test_a_swing_goes_both_ways():
    """Largest rise -2 to 4, largest fall 3 to -2: the lesser is 5. One way only is no swing."""
    assert swing(SWING).tolist() == [5.0]
    assert swing(RISE).tolist() == swing(-RISE).tolist() == [0.0]
    assert swing(np.array([[0.0, -7.0, 0.0, 0.0], [0.0, 7.0, 4.0, 9.0]])).tolist() == [7.0, 3.0]


@pytest.mark.parametrize(
    ("name", "series", "expected"),
    [
        ("mean", [1.0, -4.0, 6.0], 1.0),
        ("mean_size", [1.0, -10.0, 3.0], 2.0),
        ("jerk", [0.0, 1.0, -4.0, -3.0], 5.0),
        ("size", [1.0, -9.0, 8.0], 9.0),
        ("end", [1.0, 2.0, 3.0], 3.0),
        ("change", [1.0, 2.0, -3.0], -4.0),
        ("swing", [0.0, 2.0, 1.0], 1.0),
    ],
)
def test_statistics(name, series, expected):
    assert STATISTICS[name](np.array([series])).tolist() == [expected]


def test_every_statistic_is_asked_of_each_flight():
    both = np.array([[0.0, 2.0, 1.0, 5.0, 5.0, 5.0], [9.0, 9.0, 9.0, 9.0, 0.0, -1.0]])
    for name, statistic in STATISTICS.items():
        one_by_one = [float(statistic(row[None])[0]) for row in both]
        assert statistic(both).tolist() == pytest.approx(one_by_one), name


def reading(name, **where):
    return Reading(id=name, means="", where={key: tuple(value) for key, value in where.items()})


def test_the_first_reading_that_fits_counts_and_the_last_takes_the_rest():
    readings = (
        reading("big", change=(60.0, np.inf)),
        reading("up", change=(10.0, np.inf), swing=(0.0, 5.0)),
        reading("rest"),
    )
    change_of = [70.0, 60.0, 59.0, 10.0, 9.0, -70.0]
    history = np.array([[0.0] + [c] * 5 for c in change_of])
    assert classify(readings, history).tolist() == [0, 0, 1, 1, 2, 2]
    # all of a reading's statistics must hold: 6 up and down is more than 5
    wild = np.array([[0.0, 6.0, 0.0, 6.0, 0.0, 20.0], [0.0, 5.0, 0.0, 6.0, 1.0, 20.0]])
    assert classify(readings, wild).tolist() == [2, 1]


def test_limits_belong_to_the_reading():
    within = (reading("within", end=(-1.0, 1.0)), reading("out"))
    history = np.repeat(np.array([[-1.01], [-1.0], [1.0], [1.01]]), 6, axis=1)
    assert classify(within, history).tolist() == [1, 0, 0, 1]


def test_what_is_shown_is_the_dial_and_not_the_difference():
    """A difference of 30 with the dial at its stop of 0; without a dial the history is what is shown."""
    readings = (reading("zero", shown=(0.0, 5.0)), reading("low", end=(-np.inf, -10.0)), reading("right"))
    difference = np.full((3, 6), -100.0)
    difference[2] = 0.0
    dial = np.array([[90.0, 50.0, 20.0, 5.0, 3.0, 2.0], [50.0] * 6, [70.0] * 6])
    assert classify(readings, difference, dial).tolist() == [0, 1, 2]
    assert classify(readings, dial).tolist() == [0, 2, 2]


def test_a_flight_that_fits_nothing_gets_the_last_reading():
    only = (reading("a", end=(0.0, 1.0)), reading("b", end=(2.0, 3.0)))
    assert classify(only, np.full((1, 6), 9.0)).tolist() == [1]
