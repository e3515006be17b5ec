"""From the history of a pointer to its reading: statistics of small series worked by hand."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from diagnose.model import Facet, Reading
from diagnose.model.gauges import Sizes
from diagnose.network.readings import STATISTICS, change, classify, mean_at_end, reading_of, size_of, swing

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


# ------------------------------------------------------------------ numbers that are said


def gauge(twice_above=None, statistic="end", sizes=True):
    """Low up to 4.0, high from 6.0 on, right in between; the unit is inHg."""
    return Facet(
        id="value", name="value", misreport=0.0, parents=(), source="judgement",
        readings=(
            reading("low", **{statistic: (-np.inf, 4.0)}),
            reading("odd", jerk=(5.0, 5.0)),
            reading("high", **{statistic: (6.0, np.inf)}),
            reading("right"),
            reading("never", **{statistic: (0.0, 9.0)}),
        ),
        sizes=Sizes(unit="inHg", edges=(4.0, 6.0), slip=0.0, statistic=statistic, twice_above=twice_above)
        if sizes else None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("said", "size"),
    [
        ("3.8 inHg", 3.8), ("3.8inHg", 3.8), ("-40", -40.0), ("5", 5.0), ("5 psi", None), ("low", None), ("", None),
        ("about 5", None), ("5.", None),
    ],
)  # fmt: skip
def test_a_size_is_a_number_alone_or_with_the_unit(said, size):
    assert size_of(gauge(), said) == size
    assert size_of(gauge(sizes=False), said) is None


def test_a_number_above_the_scale_is_read_on_one_of_twice_the_size():
    """A 28 V system on the 14 V scale: above 16, half."""
    assert [size_of(gauge(twice_above=16.0), said) for said in ("16", "16.2", "28")] == [16.0, 8.1, 14.0]
    assert size_of(gauge(), "28") == 28.0


@pytest.mark.parametrize("statistic", ["end", "mean"])
@pytest.mark.parametrize(
    ("said", "stands_for"),
    [
        ("3.9", "low"), ("4.0 inHg", "low"), ("4.1", "right"), ("5", "right"), ("5.9", "right"), ("6", "high"),
        ("6.1 inHg", "high"), ("high", "high"), ("5 psi", "5 psi"),
    ],
)  # fmt: skip
def test_a_size_stands_for_the_first_reading_whose_limits_hold_it(statistic, said, stands_for):
    assert reading_of(gauge(statistic=statistic), said) == stands_for


def test_a_size_that_fits_none_stands_for_the_last():
    facet = gauge()
    assert reading_of(msgspec.structs.replace(facet, readings=facet.readings[:3]), "5") == "high"
