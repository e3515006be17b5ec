"""The engine against the plain reference of ``tests/reference.py``, which shares none of its code, to 1e-9.

Cases are drawn by number: one to four snapshots of any maneuver, gaps, switches, sure and unsure and denied readings,
disagreements, conditions of the day, all settings; failures that come and go, are cured by a switch, hasten others,
act on one part, stir every memory; air and pilot. ``REFERENCE_CASES=600 python -m pytest -n 0
tests/test_against_reference.py`` tries as many for the long profile.

What the two share: the files of the knowledge, the stored counts, the stream of random numbers with which the tables of
memories are drawn, and the physics of a starved rotor's suction. An error in those is for other tests.
"""

from __future__ import annotations

import os
import random
from functools import cache

import numpy as np
import pytest

from diagnose.knowledge.load import with_only
from diagnose.model import CaseRecord, Panel, SnapshotRecord
from diagnose.model.errors import CaseError
from diagnose.network.engine import Engine
from diagnose.network.statements import agreement
from diagnose.network.tables import compile_network
from tests import reference
from tests.small import shipped

CASES = int(os.environ.get("REFERENCE_CASES", "60"))
#: rounding of some thousand products; what is compared are chances, so this is absolute
TOLERANCE = 1e-9

#: five failures, gauges, switches, and the panel whose parts they stand on
PANELS = {
    "pitot and static": (
        ("static_ports_taped", "pitot_ram_iced", "pitot_heater_dead", "pitot_water", "altimeter_stuck"),
        ("airspeed", "altimeter", "vertical_speed", "gps_height", "heater_load"),
        ("alternate_static", "pitot_heat"),
        "single_pump",
    ),
    "sealed lines": (
        ("pitot_and_drain_iced", "static_line_iced", "static_leak_low", "main_bus_dead", "airspeed_diaphragm_leak"),
        ("airspeed", "altimeter", "vertical_speed", "gps_speed"),
        ("alternate_static", "pitot_heat"),
        "single_pump",
    ),
    "vacuum": (
        ("pump_weak", "pump_intermittent", "pump_sheared", "attitude_worn", "suction_gauge_stuck"),
        ("attitude", "heading", "suction", "turn_coordinator", "compass"),
        ("standby_suction",),
        "standby_suction",
    ),
    "electrical": (
        ("alternator_failed", "alternator_tripped", "battery_circuit_open", "turn_supply_open", "low_voltage_light_dead"),
        ("ammeter", "voltmeter", "low_voltage_light", "turn_coordinator", "attitude"),
        (),
        "single_pump",
    ),
    "electric attitude": (
        ("alternator_low_output", "alternator_failed", "electric_attitude_supply_open", "electric_attitude_worn", "pump_sheared"),
        ("electric_attitude", "attitude", "heading", "ammeter", "suction"),
        (),
        "electric_attitude",
    ),
    "air and pilot": (
        ("rough_air", "downdraught", "disoriented", "static_water", "pump_sheared"),
        ("airspeed", "altimeter", "vertical_speed", "heading", "attitude"),
        ("alternate_static",),
        "single_pump",
    ),
    "mixed": (
        ("static_ports_taped", "pitot_and_drain_iced", "pump_sheared", "pump_weak", "gyros_spinning_up"),
        ("airspeed", "altimeter", "attitude", "heading", "suction"),
        ("alternate_static", "pitot_heat", "standby_suction"),
        "standby_suction",
    ),
}  # fmt: skip
CONTEXTS = (
    "visible_moisture",
    "below_freezing",
    "maintained",
    "washed",
    "heavy_rain",
    "vacuum_history",
    "pitot_heat_off",
)


@cache
def both(name):
    """The engine's network and the reference's panel."""
    failures, gauges, switches, base = PANELS[name]
    kb = shipped()
    panel = Panel(id="five", name="five", parts=kb.panel(base).parts, gauges=gauges, switches=switches)
    chosen = {failure: kb.failures[failure] for failure in failures}
    network = compile_network(with_only(kb, failures=chosen, panels={"five": panel}), "five")
    return Engine(network, largest_set=5), reference.Panel(panel.parts, gauges, switches, failures)


def drawn(number):
    """A case by its number, and the name of its panel."""
    draw = random.Random(number)
    name = list(PANELS)[number % len(PANELS)]
    engine, _ = both(name)
    network = engine.network
    pairs = [p for p in (o.facets for o in network.kb.oppositions.values()) if set(p) <= set(network.facets)]
    snapshots = []
    for _ in range(draw.choice((1, 1, 2, 2, 2, 3, 3, 4))):
        manoeuvre = draw.choice(list(network.kb.manoeuvres))
        usual = network.sound_chances(manoeuvre, {})
        facets = draw.sample(sorted(network.facets), draw.randint(0, min(5, len(network.facets))))
        sure, unsure = {}, {}
        for facet in facets:
            # what is usual, or anything
            readings = network.facets[facet].readings
            likely = max(usual[facet], key=usual[facet].__getitem__)
            reading = likely if draw.random() < 0.4 else draw.choice(readings)
            if draw.random() < 0.7:
                sure[facet] = reading
            else:
                unsure[facet] = (reading, draw.choice((0.0, 0.2, 0.6, 0.9, 1.0)))
        told = draw.sample(pairs, draw.choice((0, 0, 0, 1, min(2, len(pairs))))) if pairs else []
        snapshots.append(
            SnapshotRecord(
                manoeuvre=manoeuvre,
                minutes=draw.choice((0.1, 0.5, 1.0, 2.0, 5.0, 12.0)),
                minutes_before=draw.choice((0.0, 0.0, 0.5, 1.0, 3.0, 40.0)),
                switches={
                    switch: draw.choice(network.kb.switches[switch].positions)
                    for switch in network.panel.switches
                    if draw.random() < 0.5
                },
                readings=sure,
                unsure=unsure,
                disagree=tuple((a.split(".")[0], b.split(".")[0]) for a, b in told),
            )
        )
    case = CaseRecord(
        title=str(number),
        panel="five",
        setting=draw.choice(("routine", "anomaly", "exercise")),
        context=tuple(draw.sample(CONTEXTS, draw.randint(0, 3))),
        minutes_since_start=draw.choice((0.0, 3.0, 30.0, 100.0)),
        snapshot=tuple(snapshots),
    )
    return name, case


def test_the_cases_hold_every_kind_of_statement():
    cases = [drawn(number)[1] for number in range(60)]
    shots = [shot for case in cases for shot in case.snapshot]
    assert {len(case.snapshot) for case in cases} == {1, 2, 3, 4}
    assert {case.setting for case in cases} == {"routine", "anomaly", "exercise"}
    assert any(shot.disagree for shot in shots)
    assert any(len(shot.disagree) == 2 for shot in shots)
    assert any(sure == 0.0 for shot in shots for _, sure in shot.unsure.values())
    assert any(shot.minutes_before >= 1.0 for shot in shots)
    assert any("on" in shot.switches.values() for shot in shots)
    phases = {shipped().manoeuvres[shot.manoeuvre].phase for shot in shots}
    assert phases == {"ground", "roll", "air"}


@pytest.mark.parametrize("number", range(CASES))
def test_engine_equals_the_reference(number):
    name, case = drawn(number)
    engine, panel = both(name)
    expected, evidence = reference.chances(panel, case)
    posterior = engine.posterior(case)
    found = dict(zip(map(frozenset, posterior.space.set_names), posterior.sets.tolist(), strict=True))
    assert sum(expected.values()) == pytest.approx(1.0)
    assert set(expected) <= set(found)
    assert {s: expected.get(s, 0.0) for s in found} == pytest.approx(found, abs=TOLERANCE)
    assert np.exp(posterior.log_evidence) == pytest.approx(evidence, rel=TOLERANCE)


def test_the_two_name_the_same_disagreements():
    """What the reference compares is what the engine compares; the chance of a slip stands in the file."""
    for name in PANELS:
        engine, panel = both(name)
        for opposition in engine.network.kb.oppositions.values():
            first, second = (facet.split(".")[0] for facet in opposition.facets)
            try:
                a, b, table = agreement(engine.network, first, second)
            except CaseError:
                with pytest.raises(ValueError, match="not compared"):
                    reference.tie(panel, first, second)
                continue
            one, other, says = reference.tie(panel, first, second)
            assert (a, b) == (one, other)
            for i, left in enumerate(engine.network.facets[a].readings):
                for j, right in enumerate(engine.network.facets[b].readings):
                    assert table[i, j] == pytest.approx(says[left, right])
