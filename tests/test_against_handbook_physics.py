"""Blockage magnitudes, worked by hand.

Computed from the equations of the standard atmosphere and of calibrated airspeed for the failures that
PHAK FAA-H-8083-25C ch. 8 describes; tolerance 0.3 kt as the values were printed to 0.1 kt.
"""

from __future__ import annotations

import pytest

from diagnose.physics.airdata import trapped_pitot_airspeed_kt, trapped_static_airspeed_kt


def trapped_pitot(start_ft, speed_kt, now_ft):
    return float(trapped_pitot_airspeed_kt(now_ft, start_ft, speed_kt))


def trapped_static(start_ft, speed_kt, now_ft):
    return float(trapped_static_airspeed_kt(now_ft, start_ft, speed_kt))


@pytest.mark.parametrize(
    ("change", "shown"),
    [
        (-300, 43.7),
        (-200, 63.1),
        (-100, 77.8),
        (0, 90),
        (100, 100.7),
        (200, 110.3),
        (300, 119.1),
        (500, 134.9),
        (1000, 167.5),
    ],
)
def test_ram_and_drain_blocked_at_3000_ft_and_90_kt(change, shown):
    assert trapped_pitot(3000, 90, 3000 + change) == pytest.approx(shown, abs=0.3)


@pytest.mark.parametrize(
    ("change", "shown"),
    [
        (-1000, 169.3),
        (-500, 135.5),
        (-300, 119.4),
        (-200, 110.4),
        (-100, 100.7),
        (0, 90),
        (100, 77.8),
        (200, 63.3),
        (300, 44.3),
        (400, 0),
    ],
)
def test_static_blocked_at_3000_ft_and_90_kt(change, shown):
    assert trapped_static(3000, 90, 3000 + change) == pytest.approx(shown, abs=0.3)


@pytest.mark.parametrize(
    ("height", "speed", "pitot_up", "static_down"),
    [
        (2000, 100, 174.7, 176.4),
        (3000, 80, 162.4, 164.3),
        (3000, 100, 172.9, 174.7),
        (3000, 120, 185.0, 186.6),
        (5000, 100, 169.6, 171.2),
        (8000, 100, 164.7, 166.3),
    ],
)
def test_a_thousand_feet_saturates_the_dial(height, speed, pitot_up, static_down):
    assert trapped_pitot(height, speed, height + 1000) == pytest.approx(pitot_up, abs=0.3)
    assert trapped_static(height, speed, height - 1000) == pytest.approx(static_down, abs=0.3)
    assert trapped_static(height, speed, height + 1000) == 0.0


@pytest.mark.parametrize(
    ("case", "shown"),
    [
        (trapped_pitot(5000, 100, 5500), 139.6),
        (trapped_pitot(3000, 100, 2500), 0.0),
        (trapped_static(3000, 100, 3100), 89.2),
        (trapped_static(3000, 100, 2900), 109.7),
        (trapped_static(5000, 120, 5500), 69.6),
    ],
)
def test_further_blockages(case, shown):
    assert case == pytest.approx(shown, abs=0.3)
