"""A moment of a case drawn from its words: hands stand where the words say, what nobody read is blank."""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET

import msgspec
import pytest

from diagnose.language import readable
from diagnose.language.case_files import case_paths, load_case
from diagnose.render.pages.whole import case_page
from diagnose.render.pictures.panel import PLACED, SHOWN, moved, panel_svg, place_of, told_state, told_words
from tests.small import engine, shipped

KB = shipped()


def facet_of(name):
    gauge, _, facet = name.partition(".")
    return next(f for f in KB.gauges[gauge].facets if f.id == facet)


@pytest.mark.parametrize("name", sorted(PLACED))
def test_a_hand_stands_where_its_reading_and_no_other_says(name):
    facet = facet_of(name)
    placed = {r.id: place_of(facet, r.id) for r in facet.readings}
    assert any(value is not None for value in placed.values())
    for reading in facet.readings:
        value = placed[reading.id]
        bounds = {stat: span for stat, span in reading.where.items() if stat in ("end", "mean")}
        if value is None:
            # what a still hand cannot show
            assert set(reading.where) - {"end", "mean", "shown"}
            continue
        assert math.isfinite(value)
        for low, high in bounds.values():
            assert low <= value <= high
        if not reading.where:
            for other in facet.readings:
                for stat, (low, high) in other.where.items():
                    assert stat not in ("end", "mean") or not low < value < high


def test_a_size_that_was_told_is_the_size_that_is_drawn():
    assert place_of(facet_of("suction.value"), "3.8 inHg") == pytest.approx(3.8)


def picture(snapshot, gauges):
    told = told_words(KB, snapshot)
    drawn = panel_svg(told_state(KB, snapshot, 80.0), KB.dials, gauges, told=told, ways=moved(KB, snapshot))
    return ET.fromstring(drawn)


@pytest.mark.parametrize("name", sorted(case_paths())[:8])
def test_every_dial_that_was_read_bears_its_words_and_the_others_are_blank(name):
    case = load_case(name, KB)
    gauges = [g for g in KB.panel(case.panel).gauges if g in KB.dials]
    for snapshot in case.snapshot:
        root = picture(snapshot, gauges)
        told = told_words(KB, snapshot)
        blank = {e.get("data-gauge") for e in root.iter() if any(c.get("class") == "cover" for c in e)}
        assert blank == {g for g in gauges if g not in told}
        says = root.find("{http://www.w3.org/2000/svg}desc").text
        for facet, reading in snapshot.readings.items():
            if facet.split(".")[0] in gauges:
                assert readable(reading) in says


def test_a_rising_hand_has_an_arrow_and_a_card_turns_the_other_way():
    case = load_case("static_blocked_climb", KB)
    snapshot = msgspec.structs.replace(
        case.snapshot[0], readings={"airspeed.trend": "rising", "altimeter.trend": "falling", "heading.trend": "right"}
    )
    assert moved(KB, snapshot) == {"airspeed": 1.0, "altimeter": -1.0, "heading": -1.0}


def test_lamps_are_lit_by_the_reading_that_says_so():
    for picture_name, (facet, reading) in SHOWN.items():
        assert reading in {r.id for r in facet_of(facet).readings}, picture_name


def test_the_report_draws_every_moment_with_its_lines(tmp_path):
    from diagnose.advice.advise import advise

    case = load_case("vacuum_pump_three_snapshots", KB)
    own = engine(case.panel)
    page = case_page(case, advise(own.posterior(case)), own)
    assert page.count("what was told of each dial: ") == len(case.snapshot)
    assert "The lines then, if it was" in page
    assert "The same as a table" in page
