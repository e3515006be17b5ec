"""The engine against pgmpy's variable elimination on the same tables, with complete enumeration.

Reference: pgmpy 1.1.2, VariableElimination. Tolerance 1e-9 absolute, the rounding of double precision
over some thousand products.
"""

from __future__ import annotations

import msgspec
import pytest

from diagnose.model import SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.network.pgmpy_bridge import pgmpy_marginals
from diagnose.network.unrolled import build_tables
from tests.small import small_case, small_network

TOLERANCE = 1e-9

LEVEL = SnapshotRecord(manoeuvre="level", readings={"airspeed.trend": "steady", "altimeter.trend": "steady"})
CLIMB = SnapshotRecord(
    manoeuvre="climb",
    minutes=2.0,
    readings={"airspeed.trend": "falling", "suction.value": "zero"},
    unsure={"altimeter.trend": ("steady", 0.8)},
)
LEANING = SnapshotRecord(
    manoeuvre="level",
    minutes_before=3.0,
    switches={"pitot_heat": "on", "standby_suction": "on"},
    readings={"attitude.behaviour": "leaning"},
    disagree=(("attitude", "turn_coordinator"), ("attitude", "heading")),
)
SWITCHED = SnapshotRecord(
    manoeuvre="descent",
    switches={"alternate_static": "on"},
    readings={"altimeter.value": "high", "airspeed.value": "zero"},
)

SEQUENCES = {
    "one": (LEANING,),
    "one with a switch": (SWITCHED,),
    "two": (LEVEL, CLIMB),
    "two, heat on": (CLIMB, LEANING),
    "three": (LEVEL, CLIMB, LEANING),
    "three, alternate source": (CLIMB, SWITCHED, LEVEL),
}


@pytest.mark.parametrize("setting", ["routine", "anomaly", "exercise"])
@pytest.mark.parametrize("snapshots", SEQUENCES.values(), ids=SEQUENCES.keys())
def test_posteriors_equal_variable_elimination(snapshots, setting):
    network = small_network()
    case = small_case(*snapshots, setting=setting)
    posterior = Engine(network, largest_set=len(network.failures)).posterior(case)
    assert posterior.uncovered == pytest.approx(0.0, abs=1e-12)
    reference = pgmpy_marginals(network, case)
    found = dict(zip([f.id for f in network.failures], posterior.marginals.tolist(), strict=True))
    assert found == pytest.approx(reference, abs=TOLERANCE)


def test_intermittent_and_hastened_failures_equal_variable_elimination():
    network = small_network(("pump_weak", "pump_sheared", "pitot_water", "suction_gauge_stuck"))
    case = small_case(LEVEL, CLIMB, LEANING)
    posterior = Engine(network, largest_set=4).posterior(case)
    found = dict(zip([f.id for f in network.failures], posterior.marginals.tolist(), strict=True))
    assert found == pytest.approx(pgmpy_marginals(network, case), abs=TOLERANCE)


def test_heat_melts_no_ice_with_a_dead_heater():
    """Common practice: heat on and no speed back after minutes speaks for the heater, or against ice."""
    network = small_network(("pitot_ram_iced", "pitot_heater_dead", "pitot_water", "airspeed_stuck"))
    ids = [failure.id for failure in network.failures]
    dead = SnapshotRecord(
        manoeuvre="level", readings={"airspeed.value": "zero"}, switches={"pitot_heat": "off"}
    )
    after = msgspec.structs.replace(dead, switches={"pitot_heat": "on"}, minutes_before=10.0)
    engine = Engine(network, largest_set=4)
    found = {}
    for name, case in (("before", small_case(dead)), ("after", small_case(dead, after))):
        found[name] = dict(zip(ids, engine.posterior(case).marginals.tolist(), strict=True))
        assert found[name] == pytest.approx(pgmpy_marginals(network, case), abs=TOLERANCE)
    assert found["after"]["pitot_heater_dead"] > 3.0 * found["before"]["pitot_heater_dead"]


def test_ice_that_time_alone_clears_takes_its_heater_with_it():
    """While it acts the heater is dead, so that the cure of other ice hangs on whether it acts."""
    network = small_network(("pitot_iced_heater_dead", "pitot_ram_iced", "airspeed_stuck"))
    iced = SnapshotRecord(
        manoeuvre="level", readings={"airspeed.value": "zero"}, switches={"pitot_heat": "on"}
    )
    later = msgspec.structs.replace(iced, readings={"airspeed.value": "normal"}, minutes_before=20.0)
    for case in (small_case(iced), small_case(iced, iced), small_case(iced, later)):
        posterior = Engine(network, largest_set=3).posterior(case)
        found = dict(zip([f.id for f in network.failures], posterior.marginals.tolist(), strict=True))
        assert found == pytest.approx(pgmpy_marginals(network, case), abs=TOLERANCE)


@pytest.mark.parametrize("moments", [1, 2])
def test_what_was_left_out_equals_variable_elimination(moments):
    """Airspeed alone is told; altimeter and vertical speed depend on the same static line and stay silent."""
    told = (
        SnapshotRecord(manoeuvre="climb", readings={"airspeed.value": "zero"}),
        SnapshotRecord(manoeuvre="descent", readings={"airspeed.value": "high"}),
    )
    failures = ("static_ports_taped", "pitot_insect_underway", "airspeed_stuck")
    network = small_network(failures, ("airspeed", "altimeter", "vertical_speed"))
    case = small_case(*told[:moments], setting="anomaly")
    posterior = Engine(network, largest_set=3).posterior(case)
    found = dict(zip([f.id for f in network.failures], posterior.marginals.tolist(), strict=True))
    assert found == pytest.approx(pgmpy_marginals(network, case), abs=TOLERANCE)


def test_every_table_sums_to_one():
    tables = build_tables(small_network(), small_case(LEVEL, CLIMB, LEANING))
    for name, values in tables.values.items():
        assert values.sum(axis=-1) == pytest.approx(1.0, abs=1e-9), name
