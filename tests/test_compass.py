"""The compass against the published rules: IFH FAA-H-8083-15B ch. 5 (ANDS, UNOS)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.physics.compass import (
    card_history_deg,
    dip_deg,
    settled_heading_deg,
)

headings = st.floats(0, 359.9)


def swing_deg(heading_deg, bank_deg, pitch_deg, dip):
    """Error of the settled card, shown less true, -180 to 180."""
    return (settled_heading_deg(heading_deg, bank_deg, pitch_deg, dip) - heading_deg + 180.0) % 360.0 - 180.0


@pytest.mark.parametrize(
    ("heading_deg", "gaining", "towards"),
    [
        pytest.param(90, +1, -1, id="east, accelerate: north"),
        pytest.param(90, -1, +1, id="east, decelerate: south"),
        pytest.param(270, +1, +1, id="west, accelerate: north"),
        pytest.param(270, -1, -1, id="west, decelerate: south"),
        pytest.param(0, +1, 0, id="north: nil"),
        pytest.param(180, -1, 0, id="south: nil"),
    ],
)
def test_acceleration_error_in_the_north(heading_deg, gaining, towards):
    error = swing_deg(heading_deg, 0.0, 5.0 * gaining, 65.0)
    assert np.sign(np.round(error, 9)) == towards
    assert np.sign(np.round(swing_deg(heading_deg, 0.0, 5.0 * gaining, -65.0), 9)) == -towards


@pytest.mark.parametrize("right", [+1, -1], ids=["right turn", "left turn"])
def test_turning_error_in_the_north(right):
    # from north: lags, or shows the opposite turn; from south: leads; east and west start true
    assert swing_deg(0.0, 15.0 * right, 0.0, 60.0) * right < 0
    assert swing_deg(180.0, 15.0 * right, 0.0, 60.0) * right > 0
    for heading in (90.0, 270.0):
        assert abs(swing_deg(heading, 15.0 * right, 0.0, 60.0)) < 90
    assert swing_deg(0.0, 15.0 * right, 0.0, -60.0) * right > 0


def test_turning_error_from_north_is_that_of_the_geometry():
    # tan(error) = tan(dip) sin(bank) on north
    assert swing_deg(0.0, 15.0, 0.0, 60.0) == pytest.approx(
        -np.degrees(np.arctan(3**0.5 * np.sin(np.radians(15))))
    )


@given(headings, st.floats(-80, 80))
def test_no_error_straight_level_unaccelerated(heading_deg, dip):
    assert swing_deg(heading_deg, 0.0, 0.0, dip) == pytest.approx(0.0, abs=1e-9)


@given(headings, st.floats(-18, 18), st.floats(-10, 10))
def test_right_and_left_mirror(heading_deg, bank_deg, pitch_deg):
    one = settled_heading_deg(heading_deg, bank_deg, pitch_deg, 60.0)
    other = settled_heading_deg(-heading_deg, -bank_deg, pitch_deg, 60.0)
    assert np.cos(np.radians(one + other)) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(("latitude_deg", "dip"), [(0, 0), (45, 63.43), (-45, -63.43)])
def test_dip_of_a_dipole(latitude_deg, dip):
    # tan(63.43 degrees) = 2
    assert dip_deg(latitude_deg) == pytest.approx(dip, abs=0.005)


def test_card_follows_the_short_way_through_north():
    settled = np.concatenate([np.full(2, 350.0), np.full(60, 10.0)])
    shown = card_history_deg(settled, 1.0, 3.0)
    assert ((shown >= 350.0 - 1e-9) | (shown <= 10.0 + 1e-9)).all()
    assert shown[-1] == pytest.approx(10.0, abs=1e-6)


@pytest.mark.parametrize(("latitude_deg", "indication"), [(30, 37.5), (40, 47.5), (45, 52.5)])
def test_roll_out_indication_of_the_published_rule(latitude_deg, indication):
    # IFH ch. 5: lead north by latitude and half the bank. A left turn at 15 degrees of bank and 3
    # degrees/s that is 7.5 degrees short of north must show about that: the card errs by its dip and lags
    # (4.5 s). The rule is for hands and eyes: the geometry stays within 12 degrees of it, on the low side.
    heading = 7.5 + 3.0 * np.arange(60.0, -0.05, -0.1)
    settled = settled_heading_deg(heading, -15.0, 0.0, dip_deg(latitude_deg))
    shown = float(card_history_deg(settled, 0.1, 4.5)[-1])
    assert indication - 12 < shown < indication + 3
