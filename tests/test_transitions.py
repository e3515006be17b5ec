"""What follows what between two snapshots, worked by hand from the rules and the ranges of the knowledge.

The ranges decide where a memory goes in a climb or descent of a minute or more (``test_memories``), so the
expected chances are whole numbers, or products of stated ones.
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from diagnose.model import SnapshotRecord
from diagnose.network import transitions as module
from diagnose.network.engine import Engine
from diagnose.network.hidden import ANY_VERTICAL, COLUMNS, HiddenSpace, Step
from diagnose.network.kernels import memory_kernel
from diagnose.network.transitions import _holds, ragged, set_chance, set_pairs, transitions
from tests.small import small_case, small_network

FAILURES = ("static_ports_taped", "pump_weak", "pump_sheared", "pitot_ram_iced")
NETWORK = small_network(FAILURES)
IDS = [failure.id for failure in NETWORK.failures]
BELOW, NEAR, ABOVE = 0, 1, 2
DESCENT, LEVEL, CLIMB = 0, 1, 2
SURE = 1e-12


def space_of(*failures):
    """All sets of these failures."""
    places = sorted(IDS.index(failure) for failure in failures)
    sets = [s for size in range(len(places) + 1) for s in itertools.combinations(places, size)]
    return HiddenSpace(NETWORK, tuple(sets))


def step(minutes=1.0, gap=0.0, phase="air", **switches):
    return Step(switches=NETWORK.switch_positions(switches), phase=phase, minutes=minutes, minutes_before=gap)


def kernel(name, before, after, earlier, later):
    """(memory before, memory after, vertical) from one condition of the driver to another."""
    driver = NETWORK.states[NETWORK.memories[name].memory.driver]
    found = memory_kernel(space_of("static_ports_taped"), name, earlier, later)
    return found[driver.index(before), :, driver.index(after)]


# ------------------------------------------------------------------ altitude from a sealed line


def test_the_vertical_motion_order_is_down_level_up():
    assert NETWORK.states["vertical"] == ("down", "level", "up")
    assert NETWORK.states["static_trapped"] == ("below", "near", "above")


@pytest.mark.parametrize("gap", [0.0, 0.5, 0.99])
def test_a_climb_leads_above_and_a_descent_below_if_the_next_look_follows(gap):
    moved = kernel("static_trapped", "sealed", "sealed", step(2.0), step(gap=gap))
    assert moved[NEAR, :, CLIMB] == pytest.approx([0, 0, 1], abs=SURE)
    assert moved[NEAR, :, DESCENT] == pytest.approx([1, 0, 0], abs=SURE)
    assert moved[NEAR, :, LEVEL] == pytest.approx([0, 1, 0], abs=SURE)


@pytest.mark.parametrize("gap", [1.0, 5.0, 60.0])
def test_a_gap_of_a_minute_or_more_changes_the_altitude_in_three_of_ten(gap):
    moved = kernel("static_trapped", "sealed", "sealed", step(1.0), step(gap=gap))
    assert moved[NEAR, :, LEVEL] == pytest.approx([0.15, 0.7, 0.15], abs=SURE)


def test_after_the_take_off_the_line_sealed_on_the_ground_is_below_the_aircraft():
    """Between roll and the first look in the air lies a climb of a minute at least: 210 ft above the seal."""
    for phase in ("ground", "roll"):
        moved = kernel("static_trapped", "sealed", "sealed", step(phase=phase), step(phase="air"))
        assert moved[NEAR, :, LEVEL] == pytest.approx([0, 0, 1], abs=SURE)
    landed = kernel("static_trapped", "sealed", "sealed", step(phase="air"), step(phase="ground"))
    assert landed[NEAR, :, LEVEL] == pytest.approx([0, 1, 0], abs=SURE)
    rolling = kernel("static_trapped", "sealed", "sealed", step(phase="ground"), step(phase="roll"))
    assert rolling[NEAR, :, LEVEL] == pytest.approx([0, 1, 0], abs=SURE)


def test_the_climb_after_take_off_lasts_a_minute():
    """From far below the seal 375 of 1,380 are far above it after a minute's climb (``test_memories``)."""
    moved = kernel("static_trapped", "sealed", "sealed", step(0.1, phase="roll"), step(phase="air"))
    assert moved[BELOW, ABOVE, LEVEL] == pytest.approx(375 / 1380, abs=0.08)


def test_an_open_line_holds_no_altitude():
    """Whatever it held before: opened, it comes back to its start, and stays there."""
    for before in ("sealed", "open"):
        moved = kernel("static_trapped", before, "open", step(8.0), step())
        assert moved[:, NEAR, :] == pytest.approx(np.ones((3, 3)), abs=SURE)


@pytest.mark.parametrize(
    ("name", "driver", "phase", "expected"),
    [
        ("static_trapped", "open", "air", [0, 1, 0]),
        ("pitot_trapped", "open", "air", [0, 1, 0]),
        pytest.param("pitot_trapped", "open", "ground", [1, 0, 0], id="sealed at rest it holds no speed"),
        pytest.param("pitot_trapped", "vented", "roll", [1, 0, 0], id="nor in the roll"),
    ],
)
def test_a_line_that_seals_between_two_looks_holds_what_it_then_had(name, driver, phase, expected):
    begun = kernel(name, driver, "sealed", step(8.0, phase=phase), step(phase=phase))
    assert begun[1, :, CLIMB] == pytest.approx(expected, abs=SURE)


def test_predicted_altimeter_after_a_climb_on_a_sealed_line():
    """Ports taped and the line sealed near: a climb of 4 min (1,000 ft at least) leaves the altimeter low.

    Low is from 150 ft on, 210 to 1,500 ft are held, so nearly all; a misreport takes a per cent at most.
    """
    engine = Engine(NETWORK, largest_set=4)
    for motion, name in (("climb", "low"), ("descent", "high")):
        shots = (
            SnapshotRecord(manoeuvre=motion, minutes=4.0, readings={}),
            SnapshotRecord(manoeuvre="level", readings={}),
        )
        _, last = engine.predict(small_case(*shots), ("static_ports_taped",))
        assert last["altimeter.value"][name] > 0.85
        # before, on the first look, the line was sealed near in three of four
        first, _ = engine.predict(small_case(*reversed(shots)), ("static_ports_taped",))
        assert first["altimeter.value"]["right"] > 0.6


# ------------------------------------------------------------------ rotors


def rotor(before, after, minutes, gap=0.0):
    return kernel("attitude_rotor", before, after, step(minutes), step(gap=gap))


def test_a_rotor_runs_down_over_snapshot_and_gap_whatever_is_flown():
    """A minute from full speed: slowing for sure; 1 min and a gap of 14: stopped for sure."""
    assert rotor("none", "none", 1.0)[0] == pytest.approx(np.array([[0] * 3, [1] * 3, [0] * 3]), abs=SURE)
    assert rotor("none", "none", 1.0, 14.0)[0, 2] == pytest.approx([1, 1, 1], abs=SURE)


def test_a_rotor_recovers_with_its_air():
    """Eight minutes of air bring any rotor up to speed, also where none came just before the later look."""
    assert rotor("normal", "normal", 8.0)[:, 0] == pytest.approx(np.ones((3, 3)), abs=SURE)
    # what was slowing and had air for 8 min is up to speed, and begins to slow at its onset
    slows = rotor("normal", "none", 8.0)
    from_full = rotor("normal", "none", 8.0)[0, :, LEVEL]
    assert slows[2, :, LEVEL] == pytest.approx(from_full, abs=SURE)


def test_air_that_failed_between_two_looks_failed_at_any_time_between():
    """u t minutes of run-down, u even: up to speed if u < 0.1744 tau / t, tau 2.5 to 4.5: 3.5 in the mean."""
    begun = rotor("normal", "none", 3.0, 1.0)[0, :, LEVEL]
    assert begun[0] == pytest.approx(0.1744 * 3.5 / 4.0, abs=0.06)
    assert begun[2] == pytest.approx(0.0, abs=SURE)


def test_a_rotor_that_slows_already_does_not_start_anew_when_its_air_fails_in_another_way():
    after = rotor("none", "low", 15.0)
    assert after[0, 2, LEVEL] == pytest.approx(1.0, abs=SURE)


def test_a_rotor_that_spun_up_is_not_driven_anew_when_its_air_fails():
    """Spinning up counts as driven already: what is up to speed has not been running down since any time between."""
    drivers = NETWORK.states[NETWORK.memories["attitude_rotor"].memory.driver]
    assert drivers.index("building") == 1
    assert rotor("building", "none", 0.5)[0, :, LEVEL] == pytest.approx([1, 0, 0], abs=SURE)


# ------------------------------------------------------------------ failures that begin


def test_every_failure_can_join_and_none_can_leave():
    space = space_of("pump_weak", "pump_sheared")
    pairs = {(space.set_names[a], space.set_names[b]) for a, b in set_pairs(space)}
    weak, sheared = ("pump_weak",), ("pump_sheared",)
    both = next(names for names in space.set_names if len(names) == 2)
    assert pairs == {
        ((), ()), ((), weak), ((), sheared), ((), both), (weak, weak), (weak, both),
        (sheared, sheared), (sheared, both), (both, both),
    }  # fmt: skip


def test_set_chances_are_products_and_a_weak_pump_hastens_its_end():
    """Begin with 0.1 and 0.001; 200 times as likely: one minus what survives 200 such chances, 1 - 0.999^200.

    A pump that becomes weak meanwhile hastens for the rest of the time: the mean over its onset.
    """
    space = space_of("pump_weak", "pump_sheared")
    begins = np.zeros(len(IDS))
    weak, sheared = IDS.index("pump_weak"), IDS.index("pump_sheared")
    begins[weak], begins[sheared] = 0.1, 0.001
    assert NETWORK.failures[sheared].hastened_by["pump_weak"] == 200.0
    hastened = 1.0 - 0.999**200
    onset = (np.arange(10000) + 0.5) / 10000
    meanwhile = np.average(0.999 ** (1.0 + 199.0 * (1.0 - onset)), weights=0.9**onset)
    expected = {
        (0, 0): 0.9 * 0.999, (0, 1): 0.1 * meanwhile, (0, 2): 0.9 * 0.001, (0, 3): 0.1 * (1.0 - meanwhile),
        (1, 1): 1.0 - hastened, (1, 3): hastened, (2, 2): 0.9, (2, 3): 0.1, (3, 3): 1.0,
    }  # fmt: skip
    order = [(), ("pump_weak",), ("pump_sheared",)]
    place = {number: order.index(n) if n in order else 3 for number, n in enumerate(space.set_names)}
    found = {
        (place[a], place[b]): chance
        for (a, b), chance in zip(set_pairs(space).tolist(), set_chance(space, begins), strict=True)
    }
    assert found == pytest.approx(expected, abs=1e-8)


# ------------------------------------------------------------------ rows to rows


def carried(space, start, earlier, later, begins, motion=LEVEL):
    """P(row later) after certainty of one row that flew one motion; (row,)."""
    joint = np.zeros((space.count, COLUMNS))
    joint[start, motion] = joint[start, ANY_VERTICAL] = 1.0
    return transitions(space, earlier, later, begins).forward(joint)


def row_of(space, names, acting=True, **memories):
    """The row of a set in which its failures act, or none does, with these states of memories."""
    wanted = np.ones(space.count, dtype=bool)
    wanted &= np.array([space.set_names[number] == names for number in space.row_set])
    wanted &= (space.acting.any(axis=1) == acting) | (not names)
    for place, name in enumerate(space.memory_names):
        state = memories.get(name, NETWORK.memories[name].memory.start)
        wanted &= space.memory_states[:, place] == NETWORK.states[name].index(state)
    (row,) = np.flatnonzero(wanted)
    return int(row)


def test_rows_move_by_the_product_of_failures_and_memories():
    """Nothing failed, the ports may close with 0.3 before the later look: then the line is sealed near."""
    space = space_of("static_ports_taped")
    begins = np.zeros(len(IDS))
    begins[IDS.index("static_ports_taped")] = 0.3
    after = carried(space, row_of(space, ()), step(), step(), begins)
    assert after[row_of(space, ())] == pytest.approx(0.7)
    assert after[row_of(space, ("static_ports_taped",))] == pytest.approx(0.3)
    assert after.sum() == pytest.approx(1.0)
    # sealed, a climb of 2 min leads above; there is no way back to an open line
    sealed = row_of(space, ("static_ports_taped",))
    risen = carried(space, sealed, step(2.0), step(), begins, CLIMB)
    assert risen[row_of(space, ("static_ports_taped",), static_trapped="above")] == pytest.approx(1.0)
    # with no failure to begin every set stays what it is
    stays = carried(space, row_of(space, ()), step(), step(), None)
    assert stays[row_of(space, ())] == pytest.approx(1.0)


@pytest.mark.parametrize(("minutes", "gap"), [(1.0, 0.0), (2.0, 0.0), (1.0, 3.0)])
def test_heat_melts_ice_by_the_middle_of_the_later_snapshot(minutes, gap):
    """Mean times: 1 min with heat, 5 for 10 in 100; 25 by itself; 40 until what has gone is back without heat.

    What is left of the ice goes on closing the inlet over the earlier look and the gap: an opening lasts 8 min on
    average, what was lost in the last minute is seen falling, what was lost before has fallen.
    """
    space = space_of("pitot_ram_iced")
    gone = row_of(space, ("pitot_ram_iced",), acting=False)
    iced = {s: row_of(space, ("pitot_ram_iced",), pitot_passes=s) for s in ("part", "falls", "gone")}
    closes = {"part": np.exp(-(1.0 + gap) / 8.0), "gone": 1.0 - np.exp(-gap / 8.0)}
    closes["falls"] = 1.0 - closes["part"] - closes["gone"]
    later = step(minutes, gap, pitot_heat="on")
    after = carried(space, iced["part"], step(), later, np.zeros(len(IDS)))
    passed = gap + 0.5 * minutes
    left = (0.9 * np.exp(-passed) + 0.1 * np.exp(-passed / 5.0)) * np.exp(-passed / 25.0)
    assert {s: after[row] for s, row in iced.items()} == pytest.approx({s: left * closes[s] for s in iced})
    assert after[gone] == pytest.approx(1.0 - left)
    cold = carried(space, iced["gone"], step(pitot_heat="on"), step(), np.zeros(len(IDS)))
    assert cold[iced["gone"]] == pytest.approx(np.exp(-0.5 / 25.0))
    for heat, kept in (("on", 1.0), ("off", np.exp(-0.5 / 40.0))):
        for staying in (np.zeros(len(IDS)), None):
            stays = carried(space, gone, step(), step(pitot_heat=heat), staying)
            assert stays[gone] == pytest.approx(kept)


def test_a_wider_pattern_serves_where_it_has_every_move_and_no_likeness_of_its_own():
    """Bits: 1, 2, 4: moves with this vertical motion; 8: alike with all. What counts as alike must be so."""
    for wide, mask, holds in (
        (7, 7, True), (7, 3, True), (3, 7, False), (0, 4, False), (7, 0, True), (15, 15, True),
        (15, 7, False), (7, 15, True), (8, 0, False), (0, 8, True),
    ):  # fmt: skip
        assert _holds(np.array([7, wide], dtype=np.uint8), np.array([7, mask], dtype=np.uint8)) is holds, (wide, mask)


def test_other_times_share_a_pattern_and_change_no_chance(monkeypatch):
    """Two patterns, and one for all further times; each answer is that of a space that was asked nothing before, and
    of one that looks at its cells a few at a time.
    """
    shared, begins = space_of("pump_sheared", "static_ports_taped"), np.full(len(IDS), 0.1)
    joint = np.random.default_rng(1).random((shared.count, COLUMNS))
    joint[:, ANY_VERTICAL] = joint[:, :ANY_VERTICAL].sum(axis=1)
    for minutes, gap in ((0.1, 0.0), (0.5, 0.0), (1.0, 1.0), (3.0, 0.0), (8.0, 0.5), (15.0, 30.0), (0.2, 2.0), (60.0, 0.0)):
        steps = step(minutes), step(1.0, gap)
        found = transitions(shared, *steps, begins).forward(joint)
        for cells in (1 << 18, 5):
            monkeypatch.setattr(module, "CELLS_AT_ONCE", cells)
            alone = transitions(space_of("pump_sheared", "static_ports_taped"), *steps, begins).forward(joint)
            assert found == pytest.approx(alone, abs=1e-12), (minutes, gap, cells)
    assert len(shared.all_remembered("pattern")) <= 3


def test_counting_through_groups():
    group, place = ragged(np.array([2, 0, 3]))
    assert group.tolist() == [0, 0, 2, 2, 2]
    assert place.tolist() == [0, 1, 0, 1, 2]
