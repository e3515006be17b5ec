"""Primary instruments of the manoeuvres against the Instrument Flying Handbook's table.

Source: FAA-H-8083-15B ch. 6 and 7 and the table of AC 61-27C, as ``knowledge/handbook/scan.toml`` cites them.
"""

from __future__ import annotations

import tomllib

import pytest

from diagnose.knowledge import knowledge_root
from tests.small import shipped

ROWS = tomllib.loads((knowledge_root() / "handbook/scan.toml").read_text(encoding="utf-8"))["primary"]


@pytest.mark.parametrize("row", ROWS, ids=[row["manoeuvre"] for row in ROWS])
def test_primary_instruments_equal_the_table(row):
    manoeuvre = shipped().manoeuvres[row["manoeuvre"]]
    assert {axis: getattr(manoeuvre, axis).primary for axis in ("pitch", "bank", "power")} == {
        axis: row[axis] for axis in ("pitch", "bank", "power")
    }


@pytest.mark.parametrize("row", ROWS, ids=[row["manoeuvre"] for row in ROWS])
def test_a_row_of_the_table_cites_a_document(row):
    assert row["source"] in shipped().documents
    assert row["section"]
    assert isinstance(row["from_memory"], bool)


def test_every_manoeuvre_in_the_air_is_in_the_table_or_said_to_be_ours():
    """Only the approach has no published row: it is flown as a descent at constant rate."""
    air = {name for name, manoeuvre in shipped().manoeuvres.items() if manoeuvre.phase == "air"}
    assert air - {row["manoeuvre"] for row in ROWS} == {"approach"}
    ours, published = shipped().manoeuvres["approach"], shipped().manoeuvres["descent_constant_rate"]
    assert (ours.pitch, ours.bank, ours.power) == (published.pitch, published.bank, published.power)
