"""The setting scale against 14 CFR part 43 appendix E, table IV (values from memory)."""

from __future__ import annotations

import tomllib

import pytest

from diagnose.knowledge.load import knowledge_root
from diagnose.physics.atmosphere import P0_INHG, altimeter_ft

TABLE = tomllib.loads((knowledge_root() / "outside/worked_air_values.toml").read_text())["setting_scale"]


@pytest.mark.parametrize(
    ("setting_inhg", "difference_ft"), list(zip(TABLE["setting_inhg"], TABLE["difference_ft"], strict=True))
)
def test_setting_scale(setting_inhg, difference_ft):
    # The test itself allows 25 ft; the formula should meet the table's own rounding. The table calls
    # 29.92 zero though the standard is 29.92126 inHg, which is 1.2 ft.
    assert altimeter_ft(P0_INHG, setting_inhg) == pytest.approx(difference_ft, abs=1.2)
