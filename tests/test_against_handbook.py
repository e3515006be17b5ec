"""Published failure tables, row by row and in both directions: ``diagnose.proof.handbook`` on every row.

A row with a ``finding`` must contradict us in one of the two directions, else its finding is stale.
"""

from __future__ import annotations

import math
from functools import cache

import msgspec
import pytest

from diagnose import likelihood_of, predict
from diagnose.knowledge.load import load_handbook
from diagnose.proof.handbook import LEAST, RowChecks, case_of
from tests.small import shipped

ROWS = {row.id: row for row in load_handbook()}
CHECKS = RowChecks(shipped())


@cache
def checked(name):
    return CHECKS.of(ROWS[name])


@pytest.mark.parametrize("name", ROWS)
def test_the_physics_shows_what_the_row_states(name):
    assert not checked(name).contradicted or ROWS[name].finding


@pytest.mark.parametrize("name", ROWS)
def test_the_readings_lead_back_to_the_failures_of_the_row(name):
    found = checked(name).misses
    assert not found or (ROWS[name].finding and not checked(name).contradicted), found


@pytest.mark.parametrize("name", [name for name, row in ROWS.items() if row.finding])
def test_a_finding_is_a_real_contradiction(name):
    assert checked(name).contradicted or checked(name).misses


@pytest.mark.parametrize("name", ROWS)
def test_a_row_names_what_exists(name):
    row, kb = ROWS[name], shipped()
    assert row.source in {*kb.documents, "judgement", "common practice"}
    assert row.section
    assert row.says
    assert all(snapshot.readings for snapshot in row.shows)


def test_the_blockages_of_the_pilots_handbook_are_all_there():
    """Ram; ram and drain; static; everything; alternate source: PHAK FAA-H-8083-25C ch. 8."""
    acts = {
        tuple(sorted(value for f in row.failures for value in shipped().failures[f].acts.values()))
        for row in ROWS.values()
        if row.source == "phak"
    }
    assert acts >= {("fouled",), ("choking",), ("sealed",), ("sealed", "sealed"), ()}
    assert any("static_ports" in shipped().failures[f].acts for r in ROWS.values() for f in r.failures)


def test_the_test_can_fail():
    """A row with its failure exchanged for another is refused in both directions."""
    row = msgspec.structs.replace(ROWS["s1_static_blocked"], failures=("pitot_and_drain_blocked",))
    case = case_of(row)
    chances = predict(shipped(), row.panel, row.failures, row.shows, row.context)
    climb = next(n for n, snapshot in enumerate(row.shows) if snapshot.manoeuvre == "climb")
    assert chances[climb]["altimeter.trend"]["steady"] < LEAST
    assert CHECKS.of(row).contradicted
    assert CHECKS.of(row).misses
    own = likelihood_of(shipped(), case, row.failures)
    assert likelihood_of(shipped(), case, ("static_ports_taped",)) - own > math.log(shipped().review.alike_within)
