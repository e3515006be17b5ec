"""Atmosphere and impact pressure against the standard's values and against an ISA library."""

from __future__ import annotations

import tomllib

import ambiance
import numpy as np
import pytest

from diagnose.knowledge.load import knowledge_root
from diagnose.model.errors import PhysicsRangeError
from diagnose.physics.airdata import airspeed_kt, impact_pressure_inhg
from diagnose.physics.atmosphere import altimeter_ft, pressure_altitude_ft, pressure_inhg

TABLE = tomllib.loads((knowledge_root() / "outside/standard_atmosphere.toml").read_text())


@pytest.mark.parametrize(
    ("height", "pressure"), list(zip(TABLE["altitude_ft"], TABLE["pressure_inhg"], strict=True))
)
def test_pressure_equals_the_table(height, pressure):
    assert float(pressure_inhg(height)) == pytest.approx(pressure, abs=TABLE["tolerance_inhg"])
    assert float(pressure_altitude_ft(pressure_inhg(height))) == pytest.approx(height, abs=0.01)


@pytest.mark.parametrize("height", [0.0, 2500.0, 7000.0, 18000.0])
def test_pressure_equals_the_library_ambiance(height):
    # ambiance takes geometric meters, altimeters geopotential altitude; 1 inHg = 3386.389 Pa (0 C)
    geopotential_m, earth_m = height * 0.3048, 6_356_766.0
    geometric_m = earth_m * geopotential_m / (earth_m - geopotential_m)
    expected = float(ambiance.Atmosphere(geometric_m).pressure[0]) / 3386.389
    assert float(pressure_inhg(height)) == pytest.approx(expected, abs=0.002)


@pytest.mark.parametrize(
    ("speed", "impact"), list(zip(TABLE["airspeed_kt"], TABLE["impact_inhg"], strict=True))
)
def test_impact_pressure_equals_the_table(speed, impact):
    assert float(impact_pressure_inhg(speed)) == pytest.approx(impact, abs=TABLE["impact_tolerance_inhg"])
    assert float(airspeed_kt(impact)) == pytest.approx(speed, abs=0.05)


# 14 CFR part 43 Appendix E table IV (from memory): setting -> altitude difference, 25 ft
@pytest.mark.parametrize(
    ("setting", "difference"),
    [
        (28.10, -1727),
        (28.50, -1340),
        (29.00, -863),
        (29.50, -392),
        (29.92, 0),
        (30.50, 531),
        (30.90, 893),
        (30.99, 974),
    ],
)
def test_altimeter_setting_scale(setting, difference):
    shown = float(altimeter_ft(29.92126, setting))
    assert shown == pytest.approx(difference, abs=25.0)


def test_outside_the_range_is_refused():
    with pytest.raises(PhysicsRangeError, match="out of range"):
        pressure_inhg(np.array([0.0, 80_000.0]))
