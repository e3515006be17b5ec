"""What the gauges show for each failure and what parts failures, against ``Engine.predict`` and handbooks."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest

from diagnose import engine_for
from diagnose.advice.coverage import SOUND
from diagnose.advice.explain.contrast import EQUALLY, compare, named_failures, partings
from diagnose.advice.explain.pictures import Album, Condition, conditions_of
from diagnose.advice.explain.signature import signature
from diagnose.model import CaseRecord, FailureKind, SnapshotRecord
from diagnose.model.errors import CaseError, UnknownName
from diagnose.render.lesson import failure_screen, todo_rows
from diagnose.render.plumbing import plumbing_text
from diagnose.render.signature import (
    comparison,
    comparison_data,
    failure_page,
    manoeuvre_words,
    page_data,
)
from tests.small import shipped


@pytest.fixture(scope="module")
def engine():
    return engine_for(shipped(), "single_pump")


@pytest.fixture(scope="module")
def album(engine):
    return Album.of(engine)


def predicted(engine, failures, manoeuvre, switches=None):
    snapshot = SnapshotRecord(
        manoeuvre=manoeuvre, switches=switches or {}, minutes_before=4.0 if switches else 0.0
    )
    case = CaseRecord(title="", panel="single_pump", snapshot=(snapshot,))
    (shown,) = engine.predict(case, failures)
    return {facet: np.array(list(chances.values())) for facet, chances in shown.items()}


# ------------------------------------------------------------------ pictures


@pytest.mark.parametrize(
    "condition",
    [
        Condition(manoeuvre="climb"),
        Condition(manoeuvre="taxi_left"),
        Condition(manoeuvre="descent", switches={"alternate_static": "on"}),
        Condition(manoeuvre="level", switches={"pitot_heat": "on"}),
    ],
    ids=str,
)
def test_pictures_equal_the_engine_one_failure_at_a_time(engine, album, condition):
    """An intermittent failure is shown while it acts: mixed with a sound aircraft it is the engine's."""
    pictures = album.pictures(condition)
    sound = predicted(engine, (), condition.manoeuvre, dict(condition.switches))
    for name in ("pump_sheared", "static_ports_taped", "pitot_ram_iced", "pitot_water", "disoriented"):
        acting = shipped().failures[name].acting
        one = predicted(engine, (name,), condition.manoeuvre, dict(condition.switches))
        place = pictures.names.index(name)
        for facet, chances in pictures.facets.items():
            mixed = acting * chances[place] + (1.0 - acting) * chances[0]
            assert mixed == pytest.approx(one[facet], abs=1e-12)
            assert chances[0] == pytest.approx(sound[facet], abs=1e-12)


def test_fixed_memories_mixed_by_their_first_chances_give_the_whole(engine, album):
    memory = shipped().memories["static_trapped"]
    whole = album.pictures(Condition(manoeuvre="level"))
    place = whole.names.index("static_ports_taped")
    parts = {
        state: album.pictures(Condition(manoeuvre="level", memories={"static_trapped": state}))
        for state in memory.states
    }
    for facet, chances in whole.facets.items():
        mixed = sum(memory.first[state] * part.facets[facet][place] for state, part in parts.items())
        assert mixed == pytest.approx(chances[place], abs=1e-12)
    # what a failure does not stir is not fixed
    other = whole.names.index("pump_sheared")
    for part in parts.values():
        assert part.facets["suction.value"][other] == pytest.approx(whole.facets["suction.value"][other])


def test_a_failure_that_the_panel_cannot_have_is_refused(engine):
    with pytest.raises(UnknownName, match="on the panel single_pump"):
        signature(engine, "left_pump_stopped")
    with pytest.raises(UnknownName, match="on the panel single_pump"):
        compare(engine, ("left_pump_stopped", "pump_sheared"))


# ------------------------------------------------------------------ pages, by published pictures


def shows(found, facet, manoeuvre):
    """Likeliest reading that a page gives for a facet in a maneuver; "" if it looks sound."""
    for picture in (*found.pictures, found.mostly):
        if manoeuvre in [c.manoeuvre for c in picture.conditions]:
            for difference in picture.changed:
                if difference.shows.facet == facet:
                    return difference.shows.readings[0][0]
    return ""


def test_a_blocked_static_source_is_shown_as_the_handbook_has_it(engine):
    """PHAK (FAA-H-8083-25B) ch. 8, blocked static system."""
    found = signature(engine, "static_ports_taped")
    for manoeuvre in ("climb", "descent"):
        assert shows(found, "altimeter.trend", manoeuvre) == "steady"
        assert shows(found, "vertical_speed.rate", manoeuvre) == "zero"
    assert shows(found, "airspeed.trend", "climb") == "falling"
    assert shows(found, "airspeed.trend", "descent") == "rising"
    assert "level" in found.silent
    # above the altitude where it was blocked the airspeed reads low, below it high
    trapped = {
        tuple(picture.conditions[0].memories.values()): {
            d.shows.facet: d.shows.readings[0][0] for d in picture.changed
        }
        for picture in found.trapped
    }
    assert trapped["below",]["airspeed.value"] == "high"
    assert trapped["above",]["airspeed.value"] in ("low", "zero")
    # the alternate source mends it
    after = {
        (p.conditions[0].manoeuvre, d.shows.facet): d.shows.readings[0][0]
        for p in found.switched
        if p.conditions[0].switches == {"alternate_static": "on"}
        for d in p.changed
    }
    assert after["climb", "altimeter.trend"] == "rising"


def test_a_blocked_pitot_and_drain_is_shown_as_the_handbook_has_it(engine):
    """PHAK (FAA-H-8083-25B) ch. 8, blocked pitot system: acts like an altimeter."""
    found = signature(engine, "pitot_and_drain_blocked")
    assert shows(found, "airspeed.trend", "climb") == "rising"
    assert shows(found, "airspeed.trend", "descent") == "falling"
    assert shows(found, "altimeter.trend", "climb") == ""


def test_tell_tales_and_look_alikes(engine):
    found = signature(engine, "pump_sheared")
    assert (found.tell_tale.facet, found.tell_tale.reading) == ("suction.value", "zero")
    alike = {other.failure: other for other in found.look_alikes}
    # nothing in the cockpit tells a sheared pump from its hose off
    assert alike["suction_hose_collapsed"].parting is None
    # the gauge that has failed to zero shares the tell-tale; the gyros tell
    assert alike["suction_gauge_zero"].manoeuvres == ()
    assert alike["suction_gauge_zero"].parting.facet == "attitude.behaviour"
    found = signature(engine, "pitot_ram_iced")
    alike = {other.failure: other for other in found.look_alikes}
    best = alike["pitot_insect_nest"].parting
    assert best.conditions[0].switches == {"pitot_heat": "on"}
    assert [shown.readings[0][0] for shown in best.shows] == ["normal", "zero"]


def test_what_shows_nothing_says_so(engine):
    kb = shipped()
    found = signature(engine, "battery_circuit_open")
    assert not found.mostly.conditions
    assert found.tell_tale is None
    text = failure_page(kb.failures[found.failure], found, kb, kb.panel("single_pump"))
    assert "Shows nothing by itself on this panel" in text


def test_air_and_pilot_change_no_gauge(engine):
    kb = shipped()
    found = signature(engine, "downdraught")
    assert found.motion_only
    text = failure_page(kb.failures["downdraught"], found, kb, kb.panel("single_pump"))
    assert "All gauges tell the truth" in text
    assert "no failure, but looks like one" in text


@pytest.mark.parametrize("panel", ["standby_suction", "two_sets"])
def test_every_page_fits_and_is_plain_data(panel):
    kb = shipped()
    engine = engine_for(kb, panel)
    for failure in engine.network.failures:
        found = signature(engine, failure.id)
        for width in (56, 80):
            text = failure_page(failure, found, kb, kb.panel(panel), width)
            # the id stands in brackets after the name, sources carry ids of documents
            assert max(map(len, text.splitlines())) <= width, failure.id
        json.dumps(page_data(failure, found, kb, kb.panel(panel)))
        if not failure.silent and failure.kind is FailureKind.FAILURE and found.mostly.conditions:
            assert found.mostly.changed or found.pictures, failure.id


@pytest.mark.parametrize("name", ["pump_sheared", "pitot_ram_iced", "static_ports_taped", "alternator_failed", "turn_dead", "altimeter_stuck"])
def test_the_lesson_of_a_failure_fits_a_screen_and_says_what_to_do(engine, name):
    """What it shows, what to ignore and fly by, what to do, what it is confused with: 24 lines of 80 columns."""
    kb = shipped()
    found = signature(engine, name)
    drawn = plumbing_text(engine.network, (name,), only_concerned=True)
    screen = failure_screen(kb.failures[name], found, engine, 80, drawn, "failure NAME full")
    lines = screen.splitlines()
    assert len(lines) <= 24
    assert max(map(len, lines)) <= 80
    labels = [line.partition(" ")[0] for line in lines]
    for label in ("HOW", "SHOWS", "FLY", "DO", "LIKE"):
        assert labels.count(label) == 1, label
    assert lines[-1] == "More: failure NAME full"
    # what misleads with it is not flown by: from the trust of the very case that is told
    rows = dict(todo_rows(engine, found))
    for gauge in filter(None, rows.get("IGNORE", "").split(", ")):
        assert gauge not in rows["FLY BY"].split("; ")


@pytest.mark.parametrize("name", ["pitot_ram_iced", "pump_sheared"])
def test_what_is_usual_in_a_few_maneuvers_is_not_told_for_all(engine, name):
    """A reading told as usual for several maneuvers is expected in most of them where any is."""
    network = engine.network
    found = signature(engine, name)
    for difference in found.mostly.changed:
        expected = [network.expected_readings(c.manoeuvre, {}).get(difference.shows.facet) for c in found.mostly.conditions]
        most = max(map(expected.count, set(expected)))
        if most > 0.6 * len(expected):
            assert difference.usual.named & {e for e in expected if expected.count(e) == most}, difference


# ------------------------------------------------------------------ comparisons


@pytest.mark.parametrize(
    ("pair", "facet", "readings"),
    [
        (("pump_sheared", "suction_gauge_zero"), "vacuum_light.state", ("lit", "out")),
        (("turn_dead", "turn_supply_open"), "turn_coordinator.flag", ("stowed", "showing")),
        (("pitot_insect_nest", "pitot_and_drain_blocked"), "airspeed.value", ("zero", "high")),
        (("altimeter_stuck", "static_ports_taped"), "airspeed.value", ("normal", "high")),
    ],
)
def test_classic_pairs_are_parted_by_the_look_that_mechanics_name(engine, pair, facet, readings):
    """Common practice: flag = power; light and gauge have sensors of their own; a stuck pointer is alone."""
    best = compare(engine, pair).partings
    listed = [(p.facet, tuple(shown.readings[0][0] for shown in p.shows)) for p in best[:3]]
    assert (facet, readings) in listed


def test_how_often_a_look_is_right_is_the_mean_of_the_likeliest_over_its_readings(engine, album):
    drawn = [album.pictures(condition) for condition in conditions_of(engine.network)]
    three = ("pump_sheared", "attitude_worn", SOUND)
    found = partings(engine.network, drawn, three)
    assert found
    for parting in found:
        right = []
        for pictures in drawn:
            if pictures.condition in parting.conditions:
                rows = [pictures.names.index(name) for name in three]
                table = pictures.facets[parting.facet][rows]
                right.append(sum(max(column) for column in table.T.tolist()) / 3.0)
        assert (parting.told, parting.least) == pytest.approx((max(right), min(right)), abs=1e-12)
    told = [p.told for p in found]
    assert all(first > second - EQUALLY for first, second in pairwise(told))


def test_two_causes_of_one_condition_are_never_parted(engine):
    found = compare(engine, ("static_line_iced", "static_ports_taped"))
    assert found.partings == ()
    assert set(found.alike["static_line_iced", "static_ports_taped"]) == set(shipped().manoeuvres)
    kb = shipped()
    assert "only an inspection can" in " ".join(comparison(found, kb, kb.panel("single_pump")).split())


def test_side_by_side_in_one_manoeuvre(engine):
    kb = shipped()
    found = compare(engine, ("pump_sheared", "suction_gauge_zero", SOUND), "level")
    rows = {row[0].facet: [shown.readings[0][0] for shown in row] for row in found.side_by_side}
    assert rows["suction.value"] == ["zero", "zero", "normal", "normal"]
    assert rows["vacuum_light.state"] == ["lit", "out", "out", "out"]
    assert all(c.manoeuvre == "level" for p in found.partings for c in p.conditions)
    data = comparison_data(found, kb.panel("single_pump"))
    assert data["failures"] == ["pump_sheared", "suction_gauge_zero", "nothing_failed"]
    json.dumps(data)


def test_failures_to_compare_are_found_by_their_words():
    kb = shipped()
    assert named_failures(kb, ["wasp nest", " pump sheared", "nothing"]) == (
        "pitot_insect_nest",
        "pump_sheared",
        SOUND,
    )
    with pytest.raises(CaseError, match="one failure alone"):
        named_failures(kb, ["pump sheared", "pump_sheared"])
    with pytest.raises(CaseError, match="9 failures are too many"):
        named_failures(kb, list(kb.failures)[:9])
    with pytest.raises(UnknownName) as caught:
        named_failures(kb, ["qwertz", "pump sheared"])
    assert caught.value.nearest


def test_manoeuvres_are_named_by_family():
    kb = shipped()
    air = [name for name, m in kb.manoeuvres.items() if m.phase == "air"]
    assert manoeuvre_words(kb, list(kb.manoeuvres)) == "everywhere"
    assert manoeuvre_words(kb, air) == "all flight"
    assert manoeuvre_words(kb, [name for name in air if name != "level"]) == (
        "all flight except straight and level"
    )
    up = [name for name in air if kb.manoeuvres[name].expected["vertical"] == "up"]
    assert manoeuvre_words(kb, [*up, "run_up"]) == "all climbs, run-up"
