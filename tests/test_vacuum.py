"""Suction against published limits and by the signs that the handbooks describe."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.model.errors import PhysicsRangeError
from diagnose.physics.atmosphere import density_ratio, pressure_inhg
from diagnose.physics.vacuum import (
    gauge_suction_inhg,
    gyro_suction_inhg,
    pump_suction_inhg,
    regulated_inhg,
    standby_suction_inhg,
    venturi_suction_inhg,
)

#: knots in a mile per hour
MPH = 1609.344 / 1852.0

# A sound pump of a generic single (judgement): far more than the gyros need at cruise.
PUMP = {"full_suction_inhg": 12.0, "full_rpm": 2400.0}


def manifold(rpm, altitude_ft=2000.0, setting=5.0, **fault):
    return regulated_inhg(pump_suction_inhg(rpm, altitude_ft, **PUMP, **fault), setting)


@pytest.mark.parametrize(
    ("altitude_ft", "manifold_inhg"),
    [(0, 26.4), (2000, 24.3), (4000, 22.3), (6000, 20.5), (8000, 18.7), (10000, 17.1)],
)
def test_most_manifold_pressure_for_standby_suction(altitude_ft, manifold_inhg):
    # computed from the US Standard Atmosphere 1976: 3.5 inHg, and 1.0 lower for 4.5 inHg
    assert standby_suction_inhg(altitude_ft, manifold_inhg) == pytest.approx(3.5, abs=0.05)
    assert standby_suction_inhg(altitude_ft, manifold_inhg - 1.0) == pytest.approx(4.5, abs=0.05)


def test_standby_suction():
    # 25.84 - 24 at 4,000 ft: insufficient; none at full throttle
    assert standby_suction_inhg(4000, np.array([24.0, 30.0])) == pytest.approx([1.84, 0.0], abs=0.005)


def test_pump_gives_its_rating():
    assert pump_suction_inhg(2400.0, 0.0, **PUMP) == pytest.approx(12.0)


def test_sound_system_meets_a_service_manual():
    # Piper Arrow III service manual: 4.8 to 5.2 at cruise rpm, above 4 at 1,200 rpm
    assert 4.8 <= manifold(2300.0) <= 5.2
    assert manifold(1200.0) > 4.0
    assert manifold(600.0) < 4.0


@given(st.floats(500, 2700), st.floats(0, 18000), st.floats(0.05, 2), st.floats(0, 3), st.floats(0, 3))
def test_suction_grows_with_rpm_and_falls_with_height(rpm, altitude_ft, share, resistance, leak):
    fault = {"pumping_share": share, "filter_resistance": resistance, "leak_share": leak}
    here = pump_suction_inhg(rpm, altitude_ft, **PUMP, **fault)
    assert pump_suction_inhg(rpm * 1.1, altitude_ft, **PUMP, **fault) > here
    assert pump_suction_inhg(rpm, altitude_ft + 1000, **PUMP, **fault) < here


@given(st.floats(500, 2700), st.floats(0, 18000), st.floats(0, 3), st.floats(0, 3))
def test_flow_through_the_openings_is_the_volume_that_the_pump_moves(rpm, altitude_ft, resistance, leak):
    # The balance that defines the suction, written out anew: orifice flow over pump flow is constant.
    def quotient(rpm, altitude_ft, resistance, leak):
        suction = pump_suction_inhg(rpm, altitude_ft, **PUMP, filter_resistance=resistance, leak_share=leak)
        sigma, ambient = density_ratio(altitude_ft), pressure_inhg(altitude_ft)
        through_gyros = np.sqrt(sigma * suction / (1 + resistance))
        through_leak = leak * np.sqrt(sigma * suction)
        return (through_gyros + through_leak) / (rpm * sigma * (1 - suction / ambient))

    assert quotient(rpm, altitude_ft, resistance, leak) == pytest.approx(quotient(2400.0, 0.0, 0.0, 0.0))


@pytest.mark.parametrize(
    ("fault", "idle", "cruise"),
    [
        pytest.param({"pumping_share": 0.0}, (0, 0), (0, 0), id="sheared: zero everywhere"),
        pytest.param({"pumping_share": 0.55}, (0, 1.5), (4.0, 5.0), id="worn: low, better with rpm"),
        pytest.param({"setting": 3.5}, (1.0, 3.5), (3.5, 3.5), id="regulator low: little change with rpm"),
        pytest.param({"setting": np.inf}, (1.0, 4.0), (5.9, 29), id="regulator shut: rises with rpm"),
        pytest.param({"leak_share": 1.5}, (0, 1.0), (1.5, 4.9), id="hose leak: low, rises with rpm"),
        pytest.param({"pumping_share": 2.0}, (4.0, 5.0), (5.0, 5.0), id="two pumps: in band"),
    ],
)
def test_fault_signatures_of_the_pump_side(fault, idle, cruise):
    # signs as in handbook trouble tables (common practice); bounds are judgement for this pump
    assert idle[0] <= manifold(600.0, **fault) <= idle[1]
    assert cruise[0] <= manifold(2300.0, **fault) <= cruise[1]


def test_weak_pump_is_worse_at_height():
    shown = manifold(2300.0, np.array([2000.0, 14000.0]), pumping_share=0.55)
    assert shown[1] < shown[0] - 0.5


def test_clogged_filter_starves_the_gyros_and_only_a_vented_gauge_tells():
    # Piper Cherokee Six service manual (vented gauge); a gauge referenced to the cabin is derived
    suction = manifold(2300.0, filter_resistance=1.0)
    assert gyro_suction_inhg(suction, 1.0) == pytest.approx(2.5)
    assert gauge_suction_inhg(suction, 1.0, differential=True) == pytest.approx(2.5)
    assert gauge_suction_inhg(suction, 1.0, differential=False) == pytest.approx(5.0)


def test_venturi_gives_its_rating_and_goes_with_the_square_of_speed():
    # rated at 120 mph (venturi catalogue); the square holds but for compressibility, under 1 %
    rated = {"rated_suction_inhg": 4.0, "rated_airspeed_kt": 120.0 * MPH}
    shown = venturi_suction_inhg(np.array([0.0, 60.0, 120.0]) * MPH, **rated)
    assert shown == pytest.approx([0.0, 1.0, 4.0], rel=0.01)


def test_nonsense_is_refused():
    with pytest.raises(PhysicsRangeError, match="engine speed"):
        pump_suction_inhg(-100.0, 0.0, **PUMP)
