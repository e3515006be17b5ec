"""A reading told instead of the true one lies next to it on the dial, far more often than at the other end."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from diagnose import engine_for
from diagnose.network.likelihood import confusion
from tests.small import shipped

FURTHER = shipped().limits.confused_further


@cache
def facet(gauge, name):
    return next(f for f in shipped().gauges[gauge].facets if f.id == name)


def told(gauge, name):
    one = facet(gauge, name)
    ids = [reading.id for reading in one.readings]
    return lambda shown, said: confusion(shipped(), one)[ids.index(shown), ids.index(said)]


def test_a_right_airspeed_is_told_as_low_or_high_and_never_as_zero():
    """Zero lies four steps off: f^3 of a neighbour's share; two neighbours share the rest."""
    chance = told("airspeed", "value")
    total = 2.0 + FURTHER**3
    assert chance("normal", "low") == chance("normal", "high") == pytest.approx(1.0 / total)
    assert chance("normal", "zero") == pytest.approx(FURTHER**3 / total)
    assert chance("normal", "normal") == pytest.approx(0.0, abs=1e-15)


def test_what_has_no_neighbour_is_told_rightly():
    """From zero: low is three steps off, normal four, high five; the rest is told as it was."""
    chance = told("airspeed", "value")
    away = FURTHER**2 + FURTHER**3 + FURTHER**4
    assert chance("zero", "zero") == pytest.approx(1.0 - away)
    assert chance("zero", "low") == pytest.approx(FURTHER**2)


def test_left_and_right_lie_on_opposite_sides_and_the_unplaced_aside():
    turn, heading = told("turn_coordinator", "turn"), told("compass", "trend")
    assert turn("left", "right") / turn("left", "sluggish") == pytest.approx(FURTHER)
    assert heading("left", "right") / heading("left", "swinging") == pytest.approx(FURTHER)
    trend = told("airspeed", "trend")
    assert trend("steady", "erratic") / trend("steady", "rising") == pytest.approx(FURTHER)


@pytest.mark.parametrize("panel", ["single_pump", "two_sets", "dual_pump"])
def test_no_gross_error_of_a_working_gauge_is_likely(panel):
    """With nothing failed and the flight as meant, zero airspeed or suction in a climb is one in a million at most."""
    chances = engine_for(shipped(), panel).network.sound_chances("climb", {})
    assert chances["airspeed.value"]["zero"] < 1e-6
    assert chances["airspeed.value"]["low"] > 1e-3
    if "suction.value" in chances:
        assert chances["suction.value"]["zero"] < 1e-6


def test_rightly_told_weights_leave_out_the_misreports():
    table = engine_for(shipped(), "single_pump").network.facets["airspeed.value"]
    weights = np.array([1.0, 0.2, 0.0, 0.0])
    shown = np.linalg.solve(table.report.T, table.chance.reshape(-1, 4).T).T
    assert shown.sum(axis=1) == pytest.approx(1.0)
    assert (shown > -1e-12).all()
    rightly = shown @ (np.diag(table.report) * weights)
    assert table.chance.reshape(-1, 4) @ table.truly(weights) == pytest.approx(rightly, abs=1e-12)
