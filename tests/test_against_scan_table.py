"""Primary instruments of the manoeuvres against the Instrument Flying Handbook's table."""

from __future__ import annotations

import tomllib

import pytest

from diagnose.knowledge import knowledge_root
from tests.small import shipped

ROWS = tomllib.loads((knowledge_root() / "handbook/scan.toml").read_text(encoding="utf-8"))["primary"]


@pytest.mark.parametrize("row", ROWS, ids=[row["manoeuvre"] for row in ROWS])
def test_primary_instruments_equal_the_handbook(row):
    manoeuvre = shipped().manoeuvres[row["manoeuvre"]]
    for axis in ("pitch", "bank", "power"):
        assert getattr(manoeuvre, axis).primary == row[axis]
