"""Battery endurance against planning figures, and the bus after the alternator is lost."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics.electrical import (
    alternator_a,
    battery_current_a,
    battery_minutes,
    bus_voltage_v,
    low_voltage_light,
    used_share,
)
from tests.small import shipped

#: judgement, as it stands in the knowledge base
PEUKERT = shipped().quantities["battery.peukert_exponent"].low

CURVE = {"regulated_v": 14.0, "used_points": (0.0, 0.8, 1.0), "volts_points": (12.4, 11.6, 8.0)}


@pytest.mark.parametrize(
    ("load_a", "least_min", "most_min"),
    [
        pytest.param(20, 40, 58, id="24 Ah at 20 A"),
        pytest.param(40, 15, 25, id="24 Ah at 40 A"),
    ],
)
def test_endurance_of_a_sound_battery(load_a, least_min, most_min):
    # judgement: k = 0.8
    assert least_min <= battery_minutes(24.0, load_a, 0.8, PEUKERT) <= most_min


@pytest.mark.parametrize("capacity_ah", [24.0, 25.0])
def test_full_load_at_night_leaves_10_to_15_min_of_an_old_battery(capacity_ah):
    # a night operator's planning figure, and a study text for 25 Ah at 40 A: 10 to 15 min
    assert 10 <= battery_minutes(capacity_ah, 40.0, 0.5, PEUKERT) <= 15


@given(st.floats(1, 80), st.floats(5, 60), st.floats(0.3, 1))
def test_endurance_over_time_agrees_with_the_formula(load_a, capacity_ah, sound_share):
    seconds = float(battery_minutes(capacity_ah, load_a, sound_share, PEUKERT)) * 60
    used = used_share(np.full(101, load_a), seconds / 100, capacity_ah, sound_share, PEUKERT)
    assert used[50] == pytest.approx(0.5)
    assert used[-1] == pytest.approx(1.0)


def test_used_share_per_flight_stops_at_flat():
    used = used_share(np.full((2, 200), 40.0), 60.0, np.array([24.0, 48.0]), 0.8, PEUKERT)
    assert used[:, 0].tolist() == [0.0, 0.0]
    assert used[0, 10] == pytest.approx(2 * used[1, 10])
    assert used.max() == 1.0


def test_bus_voltage_and_light_after_the_alternator_is_lost():
    # Low-voltage light of a 14 V system at about 13 V (memory): it lights at once, long before flat.
    available = np.where(np.arange(40) < 10, 60.0, 0.0)
    drawn = battery_current_a(20.0, available)
    used = used_share(drawn, 60.0, 24.0, 0.8, PEUKERT)
    bus = bus_voltage_v(drawn, used, **CURVE)
    light = low_voltage_light(bus, 13.0)
    assert bus[9] == 14.0
    assert light.tolist() == [False] * 10 + [True] * 30
    assert (np.diff(bus[10:]) < 0).all()
    assert bus[-1] == pytest.approx(12.4 - (12.4 - 11.6) * float(used[-1]) / 0.8)


def test_light_may_show_at_idle_and_go_out_with_rpm():
    # C172R handbook section 3: may light at low rpm under load
    available = alternator_a(
        np.array([600.0, 1200.0, 2300.0]), rated_a=60.0, cut_in_rpm=700.0, full_rpm=1700.0
    )
    assert available.tolist() == [0.0, 30.0, 60.0]
    drawn = battery_current_a(25.0, available)
    assert low_voltage_light(bus_voltage_v(drawn, 0.0, **CURVE), 13.0).tolist() == [True, False, False]
