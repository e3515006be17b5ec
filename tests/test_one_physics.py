"""Dials of a moment (the tables) against those of a whole flight, over the same motions.

One model draws both; what may differ is what a moment draws of its past and what a flight has really flown.

Every failure of every panel is flown through every kind of maneuver, from the start of the flight; each window is read
as an observer would, and the table is asked how likely that reading is for the same conditions of parts and sources
and the motion that was flown. What the tables call next to impossible must not be what is flown. Of a memory
(altitude against the sealing altitude, rotor, battery) the state counts that fits best: those have tests of their own.

``python -m tests.test_one_physics`` prints every difference.
"""

from __future__ import annotations

import sys
import zlib
from collections import defaultdict
from functools import cache

import numpy as np
import pytest

from diagnose.model.case import FailureEvent, Leg, ScenarioRecord
from diagnose.network.tables import compile_network
from diagnose.physics.flight import USUAL_MOTION
from diagnose.practice.simulate import simulate, windows
from diagnose.practice.simulate.coding import STEADY_ONLY, reading_in
from diagnose.practice.simulate.shown import motion_in
from tests.small import shipped

#: a reading that the table gives a smaller chance than this is one that it does not know
UNKNOWN = 0.02
#: share of a facet's windows in which such readings may be flown
MOST = 0.12
#: fewer windows than this say nothing
LEAST = 3

GROUND = ("idle_at_rest", "run_up", "taxi_left", "taxi_right", "takeoff_roll")
AIR = (
    "climb", "level", "left_turn", "level", "climbing_right_turn", "level_speeding_up", "level", "level_slowing_down",
    "level", "right_turn", "descent", "descending_left_turn", "climbing_left_turn", "climb_constant_rate", "level",
    "descending_right_turn", "descent_constant_rate", "approach",
)  # fmt: skip

#: comparisons that are made in the air (two GPS headings, a second airspeed): their tables have no ground
IN_THE_AIR = frozenset({"airspeed.compared"})
#: (failure or "", facet) -> why the two may differ, each with its reason
KNOWN: dict[tuple[str, str], str] = {
    (
        "static_restricted",
        "altimeter.value",
    ): "the flight leveled off a minute ago, the tables spread that over eight",
    (
        "altimeter_sticky",
        "altimeter.value",
    ): "friction of a climb is carried on in flight, a table begins anew",
    ("altimeter_sticky", "atc_height.against_altimeter"): "the same friction, seen by the encoder",
    (
        "disoriented",
        "heading.trend",
    ): "a turn that is not felt may be twice as steep as what the tables draw of turns",
    (
        "pitot_static_lines_swapped",
        "altimeter.value",
    ): "the table of the value does not know the speed: crossed lines "
    "show nothing at rest, and it is drawn in the air",
}


@cache
def network(panel):
    return compile_network(shipped(), panel)


def flown(panel, failure, seed):
    """One flight with this failure from the start, one minute of each maneuver and two of the climb."""
    legs = [Leg(manoeuvre=name, minutes=1.0) for name in GROUND]
    legs += [Leg(manoeuvre=name, minutes=1.5) for name in AIR]
    events = (FailureEvent(id=failure, at_minutes=0.0),) if failure else ()
    scenario = ScenarioRecord(
        title="t", panel=panel, briefing="b", leg=tuple(legs), failure=events, seed=seed
    )
    return simulate(network(panel), scenario)


def chance_in_table(simulation, name, reading, window, ways):
    """Largest chance of the reading over the states of memories; None where a condition changes within the window."""
    net = simulation.network
    table = net.facets[name]
    place = []
    for parent in table.parents:
        if parent in net.memories:
            place.append(slice(None))
            continue
        words = simulation.half.get(parent)
        if words is None:
            place.append(0)
            continue
        inside = words[window.first : window.end]
        if (inside != inside[0]).any():
            return None
        place.append(net.states[parent].index(str(inside[0])))
    found = 0.0
    for way in ways:
        axes = tuple(net.states[axis].index({**USUAL_MOTION, **way}[axis]) for axis in table.axes)
        found = max(found, float(np.max(table.at((*place, *axes))[..., table.readings.index(reading)])))
    return found


def ways_flown(simulation, window):
    """The motion of a window in words; a climb, descent or gain of speed so slight that it may be called none, both ways."""
    motion = {axis: str(value[0]) for axis, value in motion_in(simulation, window.first, window.end).items()}
    course, edge = simulation.course, max(1, (window.end - window.first) // 6)
    ways = [motion]
    for axis, values, least, most, low, same, high in (
        ("vertical", course.height_ft, 60.0, 300.0, "down", "level", "up"),
        ("speed", course.airspeed_kt, 3.0, 12.0, "decreasing", "constant", "increasing"),
    ):
        part = values[window.first : window.end]
        gained = float(part[-edge:].mean() - part[:edge].mean())
        if least < abs(gained) < most:
            ways += [{**way, axis: word} for way in ways for word in (same, high if gained > 0.0 else low)]
    return ways


def differences(panel, failure, seed):
    """(facet) -> [(maneuver, reading, chance)] of every window, for the simulated facets of the panel."""
    simulation = flown(panel, failure, seed)
    kb, found = simulation.network.kb, defaultdict(list)
    for window in windows(simulation):
        manoeuvre = simulation.plan.legs[window.leg].manoeuvre
        ways = ways_flown(simulation, window)
        expected = kb.manoeuvres[manoeuvre].expected
        for name in simulation.network.facets:
            facet = simulation.network.facet(name)
            if (
                not facet.channel
                or (name in IN_THE_AIR and manoeuvre in GROUND)
                or (name == STEADY_ONLY and expected["turn"] != "straight")
            ):
                continue
            reading = reading_in(simulation, facet, name, window)
            chance = chance_in_table(simulation, name, reading, window, ways)
            if chance is not None:
                found[name].append((manoeuvre, reading, chance))
    return found


def unknown_readings(panel, failure, seeds):
    """Facets of which too many windows show what the table does not know: facet -> (share, examples)."""
    together = defaultdict(list)
    for seed in seeds:
        for name, rows in differences(panel, failure, seed).items():
            together[name] += rows
    found = {}
    for name, rows in together.items():
        odd = [row for row in rows if row[2] < UNKNOWN]
        if len(odd) >= LEAST and len(odd) > MOST * len(rows) and (failure, name) not in KNOWN:
            found[name] = (len(odd) / len(rows), sorted({row[:2] for row in odd}))
    return found


def cases():
    """Every panel with nothing failed, and every failure on the first panel that has it, or on all with ``--long``."""
    kb, seen = shipped(), set()
    for panel in kb.panels:
        yield pytest.param(panel, "", id=f"{panel}-sound")
        for failure in network(panel).failures:
            if not failure.listed or failure.id in seen:
                continue
            seen.add(failure.id)
            yield pytest.param(panel, failure.id, id=f"{panel}-{failure.id}")


def seed_of(panel, failure):
    return zlib.crc32(f"{panel} {failure}".encode()) % 10_000


@pytest.mark.parametrize(("panel", "failure"), list(cases()))
def test_the_tables_know_what_is_flown(panel, failure):
    first = seed_of(panel, failure)
    found = unknown_readings(panel, failure, (first,))
    assert not found, found


if __name__ == "__main__":
    chosen = sys.argv[1:]
    for case in cases():
        panel, failure = case.values
        if chosen and failure not in chosen:
            continue
        first = seed_of(panel, failure)
        for name, (share, examples) in unknown_readings(panel, failure, (first, first + 1)).items():
            print(f"{panel} {failure or 'sound'} {name}: {share:.0%} of windows: {examples[:8]}", flush=True)
