"""Primary and supporting instruments of the maneuvers against the Instrument Flying Handbook's table.

Source: FAA-H-8083-15B ch. 6 and 7 and the table of AC 61-27C, as ``knowledge/handbook/scan.toml`` cites them.
"""

from __future__ import annotations

import msgspec
import pytest

from diagnose.knowledge.load import with_only
from diagnose.network.tables import compile_network
from diagnose.proof.handbook import (
    SCAN_PANEL,
    lost_rows,
    partial_panel_line,
    partial_panel_misses,
    scan_line,
    scan_rows,
)
from tests.small import shipped

ROWS = scan_rows()


def test_primary_instruments_equal_the_table():
    line = scan_line(shipped())
    assert line.misses == ()
    assert line.right == line.values == 6 * len(ROWS)


def test_another_primary_instrument_would_be_told():
    kb = shipped()
    climb = kb.manoeuvres["climb"]
    other = msgspec.structs.replace(climb, bank=msgspec.structs.replace(climb.bank, primary="compass"))
    line = scan_line(with_only(kb, manoeuvres={**kb.manoeuvres, "climb": other}))
    assert line.misses == ("climb, bank: compass, not heading",)


def test_another_supporting_instrument_would_be_told():
    kb = shipped()
    climb = kb.manoeuvres["climb"]
    bank = msgspec.structs.replace(climb.bank, supporting=("attitude",))
    line = scan_line(
        with_only(kb, manoeuvres={**kb.manoeuvres, "climb": msgspec.structs.replace(climb, bank=bank)})
    )
    assert line.misses == ("climb, bank: supported by attitude",)


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


# ------------------------------------------------------------------ partial panel


@pytest.mark.parametrize("row", lost_rows()[1], ids=[row["system"] for row in lost_rows()[1]])
def test_partial_panel_is_flown_as_the_handbooks_teach_it(row):
    network = compile_network(shipped(), row.get("panel", SCAN_PANEL))
    assert [miss for _, miss in partial_panel_misses(network, row) if miss] == []
    assert row["source"] in shipped().documents
    assert row["section"]
    assert set(row["lost"]) <= set(network.panel.gauges)


def test_every_maneuver_and_axis_of_every_lost_system_is_compared():
    kinds, rows = lost_rows()
    maneuvers = [m for names in kinds.values() for m in names]
    assert sorted(maneuvers) == sorted(row["manoeuvre"] for row in ROWS)
    assert partial_panel_line(shipped()).values == len(rows) * (8 * len(maneuvers) + 2)


def test_another_stand_in_would_be_told():
    kb = shipped()
    swapped = {e: s for e, s in kb.substitutes.items() if e != "heading:compass"}
    network = compile_network(with_only(kb, substitutes=swapped), SCAN_PANEL)
    (row,) = [row for row in lost_rows()[1] if row["system"] == "vacuum"]
    misses = [miss for _, miss in partial_panel_misses(network, row) if miss]
    assert "vacuum lost, level, heading: gps_track, not compass" in misses
