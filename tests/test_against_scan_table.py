"""Primary instruments of the manoeuvres against the Instrument Flying Handbook's table.

Source: FAA-H-8083-15B ch. 6 and 7 and the table of AC 61-27C, as ``knowledge/handbook/scan.toml`` cites them.
"""

from __future__ import annotations

import msgspec
import pytest

from diagnose.checked.handbook import scan_line, scan_rows
from diagnose.knowledge import with_only
from tests.small import shipped

ROWS = scan_rows()


def test_primary_instruments_equal_the_table():
    line = scan_line(shipped())
    assert line.misses == ()
    assert line.right == line.values == 3 * len(ROWS)


def test_another_primary_instrument_would_be_told():
    kb = shipped()
    climb = kb.manoeuvres["climb"]
    other = msgspec.structs.replace(climb, bank=msgspec.structs.replace(climb.bank, primary="compass"))
    line = scan_line(with_only(kb, manoeuvres={**kb.manoeuvres, "climb": other}))
    assert line.misses == ("climb, bank: compass, not heading",)


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
