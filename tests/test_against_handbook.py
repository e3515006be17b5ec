"""Published failure tables, row by row and in both directions.

Each row of ``knowledge/handbook`` names its document and section. Forwards: with the row's failures there
from the start, the physics makes each stated reading the likeliest of its facet or gives it at least
``LEAST``. Backwards: the readings alone rank the row's failures first, or first stands a set that these
readings cannot tell from them, that is whose likelihood is within a Bayes factor of ``CANNOT_TELL`` *both
ways* (a set that explains the readings much better is a miss). A row that a sound panel does not show
must also be told from a sound panel.

A row with a ``finding`` must contradict us in one of the two directions, else its finding is stale.
"""

from __future__ import annotations

import math
from functools import cache

import msgspec
import pytest

from diagnose import answer_case, engine_for, likelihood_of, predict
from diagnose.knowledge import load_handbook
from diagnose.model import CaseRecord
from tests.small import shipped

#: a stated reading is the likeliest of its facet or has at least this chance (three in ten: common)
LEAST = 0.3
#: Bayes factor up to which readings do not tell two sets apart ("barely worth a mention" on Jeffreys' scale)
CANNOT_TELL = 3.0

ROWS = {row.id: row for row in load_handbook()}


@cache
def engine(panel):
    return engine_for(shipped(), panel)


def case_of(row, without=()):
    """The row as an exercise, less the (snapshot, facet) pairs that contradict us."""
    shows = tuple(
        msgspec.structs.replace(
            snapshot,
            readings={f: r for f, r in snapshot.readings.items() if (number, f) not in without},
        )
        for number, snapshot in enumerate(row.shows)
    )
    return CaseRecord(title=row.id, panel=row.panel, setting="exercise", context=row.context, snapshot=shows)


@cache
def unlikely(name, failures):
    """(snapshot, facet) of each reading of a row that these failures hardly show."""
    row = ROWS[name]
    predicted = engine(row.panel).predict(case_of(row), failures)
    return frozenset(
        (number, facet)
        for number, (snapshot, chances) in enumerate(zip(row.shows, predicted, strict=True))
        for facet, reading in snapshot.readings.items()
        if chances[facet][reading] < min(LEAST, max(chances[facet].values()))
    )


def contradicted(row):
    return unlikely(row.id, row.failures)


def excused(row):
    """The contradicting readings that the ranking leaves out: only those that a finding explains."""
    return contradicted(row) if row.finding else frozenset()


def abnormal(row):
    """Whether a sound panel would hardly show this, in the readings that do not contradict us."""
    return bool(unlikely(row.id, ()) - excused(row))


def misses(row):
    """What is wrong when the row's readings are ranked; empty if they lead back to its failures."""
    case, machine = case_of(row, excused(row)), engine(row.panel)
    own = machine.log_likelihood(case, row.failures)

    def alike(failures):
        return abs(machine.log_likelihood(case, failures) - own) <= math.log(CANNOT_TELL)

    # two at once are rarer than one by the setting: they are compared among sets of their own size
    ranked = answer_case(shipped(), case, machine).ranking
    first = next(set_ for set_ in ranked if len(set_.failures) >= len(row.failures) or not set_.failures)
    if len(row.failures) > 1:
        first = next(set_ for set_ in ranked if len(set_.failures) == len(row.failures))
    found = []
    if set(first.failures) != set(row.failures) and not alike(first.failures):
        found.append(f"{first.failures} comes first and is not alike")
    if row.failures and abnormal(row) and alike(()):
        found.append("a sound panel explains it as well")
    return found


@pytest.mark.parametrize("name", ROWS)
def test_the_physics_shows_what_the_row_states(name):
    row = ROWS[name]
    assert not contradicted(row) or row.finding


@pytest.mark.parametrize("name", ROWS)
def test_the_readings_lead_back_to_the_failures_of_the_row(name):
    row = ROWS[name]
    found = misses(row)
    assert not found or (row.finding and not contradicted(row)), found


@pytest.mark.parametrize("name", [name for name, row in ROWS.items() if row.finding])
def test_a_finding_is_a_real_contradiction(name):
    assert contradicted(ROWS[name]) or misses(ROWS[name])


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
    assert acts >= {("vented",), ("sealed",), ("sealed", "sealed"), ()}
    assert any("static_ports" in shipped().failures[f].acts for r in ROWS.values() for f in r.failures)


def test_the_test_can_fail():
    """A row with its failure exchanged for another is refused in both directions."""
    row = msgspec.structs.replace(ROWS["s1_static_blocked"], failures=("pitot_and_drain_blocked",))
    case = case_of(row)
    chances = predict(shipped(), row.panel, row.failures, row.shows, row.context)
    climb = next(n for n, snapshot in enumerate(row.shows) if snapshot.manoeuvre == "climb")
    assert chances[climb]["altimeter.trend"]["steady"] < LEAST
    own = likelihood_of(shipped(), case, row.failures)
    assert likelihood_of(shipped(), case, ("static_ports_taped",)) - own > math.log(CANNOT_TELL)
