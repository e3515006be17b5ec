"""Faults that the knowledge does not list: a contradiction costs trust, and the verdict says that nothing fits."""

from __future__ import annotations

import numpy as np
import pytest

from diagnose.advise import advise
from diagnose.drill.studio import Studio
from diagnose.knowledge import listed_only
from diagnose.model import UNLISTED, CaseRecord, Grade, SnapshotRecord
from diagnose.odds import odds_of
from diagnose.scenario.known import reasoner
from tests.small import engine, shipped

#: the ball and the view outside have no works that could fail
HAS_NO_PART = ("ball", "outside")
PANELS = ("single_pump", "dual_pump", "electric_attitude")


def test_every_instrument_to_fly_by_has_one():
    kb = shipped()
    parts = {part for failure in kb.failures.values() if not failure.listed for part in failure.acts}
    for name, gauge in kb.gauges.items():
        if gauge.instrument and name not in HAS_NO_PART:
            own = {parent for facet in gauge.facets for parent in facet.parents}
            assert own & parts, name


def test_it_shows_any_reading_as_often_as_any_other():
    network = engine("single_pump").network
    table = network.facets["vertical_speed.rate"]
    place = table.parents.index("vertical_speed_part")
    chance = np.take(table.chance, network.states["vertical_speed_part"].index(UNLISTED), axis=place)
    # whoever misreads an even spread tells the middle of the dial a little more often than its ends
    assert np.abs(chance - 1.0 / len(table.readings)).max() < 0.01


@pytest.mark.parametrize("panel", PANELS)
@pytest.mark.parametrize("setting", ["routine", "anomaly", "exercise"])
def test_a_needle_that_nothing_listed_explains_is_not_used(panel, setting):
    """A vertical speed that climbs and descends by turns while altimeter and gyros stand."""
    level = {"attitude.bank": "level", "heading.trend": "steady", "altimeter.trend": "steady"}
    swings = [{"vertical_speed.rate": "climb"}, {"vertical_speed.rate": "descent"}] * 2
    case = CaseRecord(
        title="",
        panel=panel,
        setting=setting,
        snapshot=tuple(SnapshotRecord(manoeuvre="level", readings=level | odd) for odd in swings),
    )
    answer = advise(engine(panel).posterior(case))
    grade = next(told.grade for told in answer.trust if told.gauge == "vertical_speed")
    assert grade is not Grade.USE


def test_an_exercise_chooses_from_the_list():
    network = engine("single_pump").network
    case = CaseRecord(
        title="", panel="single_pump", setting="exercise", snapshot=(SnapshotRecord(manoeuvre="level"),)
    )
    odds = odds_of(network, case)
    for place, failure in enumerate(network.failures):
        if not failure.listed:
            assert odds.latent[place] == pytest.approx(failure.latent)


def test_what_is_not_listed_is_not_drilled_nor_flown():
    kb = shipped()
    assert all(failure.listed for failure in Studio.of(kb, "single_pump").network.failures)
    assert all(failure.listed for failure in reasoner(kb, "single_pump").network.failures)
    assert len(listed_only(kb).failures) < len(kb.failures)
