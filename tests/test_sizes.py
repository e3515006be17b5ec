"""Numbers and sizes: how they are said, what they count as, and that the engine weighs them exactly."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from diagnose import engine_for
from diagnose.language import Said, parse_line
from diagnose.language.case_files import case_problems
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.network.pgmpy_bridge import pgmpy_marginals
from diagnose.network.readings import reading_of, size_of
from tests.small import shipped, small_network

GAUGES = shipped().gauges
SIZED = [(g.id, f) for g in GAUGES.values() for f in g.facets if f.sizes is not None]


def facet(name):
    gauge, own = name.split(".")
    return next(f for f in GAUGES[gauge].facets if f.id == own)


@cache
def engine():
    return engine_for(shipped(), "single_pump")


def case(readings, manoeuvre="level", **more):
    return CaseRecord(
        title="",
        panel="single_pump",
        snapshot=(SnapshotRecord(manoeuvre=manoeuvre, readings=readings),),
        **more,
    )


def weight(readings, failure, manoeuvre="level"):
    """How many times as likely the readings are with one failure as with none."""
    machine = engine()
    with_it, without = (
        machine.log_likelihood(case(readings, manoeuvre), names) for names in ((failure,), ())
    )
    return float(np.exp(with_it - without))


@pytest.mark.parametrize(
    ("said", "facet_id", "size"),
    [
        ("suction 3.8", "suction.value", "3.8 inHg"),
        ("altimeter 2,800 high", "altimeter.value", "2800 ft"),
        ("altimeter low by 400 feet", "altimeter.value", "-400 ft"),
        ("airspeed 40 low", "airspeed.value", "-40 kt"),
        ("volts 11.2", "voltmeter.value", "11.2 V"),
        ("heading 30 degrees off", "heading.value", "30 degrees"),
        ("vsi 700 fpm down", "vertical_speed.rate", "-700 fpm"),
    ],
)
def test_a_number_is_kept_with_its_unit_and_sign(said, facet_id, size):
    found = list(parse_line(said, shipped(), shipped().panel("single_pump")))
    assert found == [Said(facet=facet_id, reading=size, sure=1.0)]
    assert not case_problems(case({facet_id: size}), shipped())


@pytest.mark.parametrize("said", ["airspeed 90", "altimeter 3000"])
def test_a_number_that_does_not_say_how_far_off_is_asked_back(said):
    with pytest.raises(Exception, match="numbers are not read"):
        list(parse_line(said, shipped(), shipped().panel("single_pump")))


def test_a_case_with_an_unknown_number_is_refused_in_words():
    assert case_problems(case({"suction.value": "3.8 psi"}), shipped())
    assert case_problems(case({"compass.trend": "12 degrees"}), shipped())


def test_a_28_volt_system_is_read_on_half_its_scale():
    volts = facet("voltmeter.value")
    assert size_of(volts, "24.4 V") == pytest.approx(12.2)
    assert reading_of(volts, "28 V") == reading_of(volts, "14 V") == "normal"
    assert reading_of(volts, "24 V") == reading_of(volts, "12 V") == "low"


@pytest.mark.parametrize(("gauge", "known"), SIZED, ids=[f"{g}.{f.id}" for g, f in SIZED])
def test_edges_rise_and_hold_every_bound_of_the_readings(gauge, known):
    """A size beside a bound counts as the reading on its side: the bins part where the readings part."""
    edges = known.sizes.edges
    assert list(edges) == sorted(set(edges))
    bounds = {
        bound
        for reading in known.readings
        for bound in reading.where.get(known.sizes.statistic, ())
        if np.isfinite(bound)
    }
    assert bounds <= set(edges), gauge


@pytest.mark.parametrize("name", ["suction.value", "altimeter.value", "airspeed.value", "voltmeter.value"])
def test_bins_and_readings_are_counted_from_the_same_flights(name):
    table = engine().network.facets[name]
    assert table.sizes.sum(axis=-1) == pytest.approx(1.0)
    assert table.sizes.shape[:-1] == table.chance.shape[:-1]


def test_a_setting_error_ends_where_the_knob_ends():
    """28.1 to 31.0 inHg are on the scale, so an error of an inch, some 930 ft, is as far as it goes."""
    assert weight({"altimeter.value": "500 ft"}, "altimeter_set_high") > 20.0
    assert weight({"altimeter.value": "2800 ft"}, "altimeter_set_high") < 3.0
    assert weight({"altimeter.value": "high"}, "altimeter_set_high") > 20.0


def test_a_size_says_more_than_its_reading():
    """3.8 inHg still drives gyros and is what a worn pump gives; 0.8 is nearly nothing."""
    assert weight({"suction.value": "3.8 inHg"}, "regulator_low") > 1.5 * weight(
        {"suction.value": "1 inHg"}, "regulator_low"
    )
    assert weight({"airspeed.value": "-40 kt"}, "pitot_restricted", "climb") > 5.0


def test_engine_equals_pgmpy_with_a_number():
    network = small_network(gauges=("altimeter", "suction"))
    told = CaseRecord(
        title="",
        panel="small",
        snapshot=(
            SnapshotRecord(
                manoeuvre="climb", readings={"suction.value": "3.8 inHg", "altimeter.value": "-600 ft"}
            ),
        ),
    )
    machine = Engine(network, largest_set=len(network.failures))
    expected = pgmpy_marginals(network, told)
    names = [failure.id for failure in network.failures]
    found = dict(zip(names, machine.posterior(told).marginals.tolist(), strict=True))
    assert found == pytest.approx(expected, abs=1e-9)
