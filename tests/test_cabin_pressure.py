"""A static line open to the cabin: which way each dial goes, worked from the standard atmosphere.

A cabin below outside pressure by Cp qc makes the altimeter read high by Cp qc / (rho g), with qc = rho V^2 / 2: by
Cp V^2 / (2 g), whatever the altitude. The airspeed sees p_t - p = (1 + Cp) qc and reads sqrt(1 + Cp) too fast. Flight
level and steady at 100 KIAS near sea level: V = 51.4 m/s, V^2 / (2 g) = 135 m = 443 ft. Cp 0.03 to 0.16 below, 0.04
to 0.2 above (physics.toml).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from diagnose.physics.draws import Draws
from diagnose.physics.flight import draw_flights
from diagnose.physics.flown import moment
from diagnose.physics.panel import show
from diagnose.physics.pressure_dials import static_inhg
from tests.small import shipped

KB = shipped()
COUNT = 300
#: V^2 / (2 g) at 100 kt, in ft
HEAD_FT = 443.0


def draws():
    return Draws(KB.quantities, np.random.default_rng(5))


def level_at_100_kt(altitude_ft=0.0):
    flights = draw_flights({}, COUNT, draws())
    shape = flights.height_ft.shape
    return replace(flights, height_ft=np.full(shape, altitude_ft), airspeed_kt=np.full(shape, 100.0))


def shown(channel, **states):
    return show(channel, moment(states, level_at_100_kt(), draws())).channel


@pytest.mark.parametrize(
    ("condition", "side", "least", "most"), [("cabin_low", -1.0, 0.03, 0.16), ("cabin_high", 1.0, 0.04, 0.2)]
)
def test_pressure_and_dials(condition, side, least, most):
    flights = level_at_100_kt()
    coefficient = KB.quantities[f"static.{condition}.coefficient"]
    assert (coefficient.low, coefficient.high) == (least, most)
    # 1,621 Pa of impact pressure are 0.479 inHg
    off = static_inhg(moment({"static": condition}, flights, draws())) - flights.static_inhg
    # 0.5 % for the compressibility of air
    assert (side * off >= 0.479 * least * 0.99).all()
    assert (side * off <= 0.479 * most * 1.01).all()
    assert np.ptp(side * off) > 0.479 * (most - least) * 0.8
    # the altimeter goes the other way than the pressure
    wrong_ft = shown("altimeter_error_ft", static=condition)
    assert (-side * wrong_ft >= HEAD_FT * least * 0.97).all()
    assert (-side * wrong_ft <= HEAD_FT * most * 1.03).all()
    # the airspeed by the root of the pressure that is left
    kt = shown("airspeed_kt", static=condition)
    ends = sorted([100.0 * np.sqrt(1.0 - side * least), 100.0 * np.sqrt(1.0 - side * most)])
    assert (kt >= ends[0] - 0.3).all()
    assert (kt <= ends[1] + 0.3).all()


def test_a_case_that_leaks_to_the_cabin_lifts_the_altimeter_too():
    """The cabin stands below outside pressure, so what gets into the case lowers its pressure, never raises it."""
    leaking = shown("altimeter_error_ft", altimeter_part="case_leak")
    sound = shown("altimeter_error_ft")
    assert (leaking[:, -1] >= sound[:, -1] - 0.5).all()
    assert (leaking[:, -1] > sound[:, -1] + 0.05).mean() > 0.5
    assert (leaking[:, -1] <= HEAD_FT * 0.16 * 1.03).all()


def test_opening_the_line_in_flight_starts_nothing_in_level_flight():
    for condition in ("cabin_low", "cabin_high"):
        rate = shown("vertical_speed_fpm", static=condition)
        assert np.abs(rate[:, -1]).max() < 60.0
