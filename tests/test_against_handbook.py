"""Published failure tables, row by row and in both directions.

Each row of ``knowledge/handbook`` names its document. Forwards: with the row's failure present the
physics gives each reading that the row states a chance of at least ``LEAST``. Backwards: the readings
rank the row's failure first, or first stands a failure that exactly these readings cannot tell from it.
"""

from __future__ import annotations

from functools import cache

import pytest

from diagnose import answer_case, engine_for
from diagnose.knowledge import load_handbook
from diagnose.model import CaseRecord
from tests.small import shipped

#: a reading that the row states is either the likeliest or has at least this chance
LEAST = 0.3
#: natural logarithm of a Bayes factor of 3: readings that do not tell two failures apart
CANNOT_TELL = 1.0986

ROWS = {row.id: row for row in load_handbook()}


@cache
def engine(panel):
    return engine_for(shipped(), panel)


def case_of(row):
    return CaseRecord(
        title=row.id, panel=row.panel, setting="exercise", context=row.context, snapshot=row.shows
    )


def contradictions(row):
    found = []
    predicted = engine(row.panel).predict(case_of(row), row.failures)
    for number, (snapshot, chances) in enumerate(zip(row.shows, predicted, strict=True), 1):
        for facet, reading in snapshot.readings.items():
            chance = chances[facet]
            if chance[reading] < LEAST and reading != max(chance, key=chance.get):
                found.append(f"snapshot {number}: {facet} {reading} has chance {chance[reading]:.2f}")
    return found


@pytest.mark.parametrize("name", ROWS)
def test_the_physics_shows_what_the_row_states(name):
    row = ROWS[name]
    found = contradictions(row)
    if row.finding:
        assert found, "the finding is stale: the physics agrees with the row"
    else:
        assert not found


@pytest.mark.parametrize("name", ROWS)
def test_the_readings_rank_the_failure_of_the_row(name):
    row = ROWS[name]
    case = case_of(row)
    machine = engine(row.panel)
    own = machine.log_likelihood(case, row.failures)
    alike = {
        (failure.id,)
        for failure in machine.network.failures
        if machine.log_likelihood(case, [failure.id]) >= own - CANNOT_TELL
    }
    first = answer_case(shipped(), case, machine).ranking[0].failures
    if machine.log_likelihood(case, []) >= own - CANNOT_TELL:
        alike.add(())
    assert first in alike | {row.failures}


def test_the_rows_of_the_pilots_handbook_are_there():
    assert sum(row.source == "phak" for row in ROWS.values()) >= 7
    assert len(ROWS) >= 25
