"""The hidden rows and what is true of them at the first look, worked by hand."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from diagnose.model import FailureKind
from diagnose.network import hidden
from diagnose.network.hidden import HiddenSpace, Step, number_codes
from diagnose.network.kernels import moved
from diagnose.network.memo import Recent
from tests.small import shipped, small_network

NETWORK = small_network(
    ("static_ports_taped", "pump_weak", "pump_sheared", "pitot_ram_iced", "pitot_water", "pitot_heater_dead")
)
IDS = [failure.id for failure in NETWORK.failures]


def space_of(*failures, network=NETWORK):
    ids = [failure.id for failure in network.failures]
    places = sorted(ids.index(failure) for failure in failures)
    sets = [s for size in range(len(places) + 1) for s in itertools.combinations(places, size)]
    return HiddenSpace(network, tuple(sets))


def step(minutes=1.0, gap=0.0, phase="air", **switches):
    return Step(switches=NETWORK.switch_positions(switches), phase=phase, minutes=minutes, minutes_before=gap)


def first(space, names, at, since=30.0):
    """P(row of this set at the first look): (acting failures, states of memories) -> chance."""
    chances = space.first(at, since)
    found = {}
    for row in np.flatnonzero(chances):
        if space.set_names[space.row_set[row]] == names:
            acts = tuple(name for name, acting in zip(IDS, space.acting[row], strict=True) if acting)
            states = tuple(
                f"{name} {NETWORK.states[name][space.memory_states[row, place]]}"
                for place, name in enumerate(space.memory_names)
                if NETWORK.states[name][space.memory_states[row, place]]
                != NETWORK.memories[name].memory.start
            )
            found[acts, states] = float(chances[row])
    return found


# ------------------------------------------------------------------ which rows there are


def test_a_set_needs_its_subsets():
    lonely = HiddenSpace(NETWORK, ((), (0, 1)))
    with pytest.raises(ValueError, match="lack the subset"):
        lonely.count  # noqa: B018


def test_rows_of_a_changed_network_are_its_own(monkeypatch):
    """Nothing tells changed ones apart, so nothing of them is kept. Taped: three altitudes; sheared: three states of
    two rotors each; and one row with nothing failed.
    """
    monkeypatch.setattr(hidden, "FEW_SETS", 1)
    for name, rows in (("static_ports_taped", 1 + 3), ("pump_sheared", 1 + 3 * 3)):
        network = small_network((name,))
        assert network.made_from == ""
        assert HiddenSpace(network, ((), (0,))).count == rows


def test_no_row_holds_what_a_memory_cannot_come_to():
    """systems.toml: an inlet that ice is closing lets air in partly, has just shut or has been shut, but never "most";
    weak suction slows a rotor and does not stop it.
    """
    for failure, name, states in (
        ("pitot_ram_iced", "pitot_passes", {"part", "falls", "gone"}),
        ("pump_weak", "attitude_rotor", {"up_to_speed", "slowing"}),
        ("pump_sheared", "attitude_rotor", {"up_to_speed", "slowing", "stopped"}),
    ):
        space = space_of(failure)
        held = space.memory_states[space.acting.any(axis=1), space.memory_names.index(name)]
        assert {NETWORK.states[name][state] for state in held} == states, failure


def test_rows_are_told_apart_by_their_columns():
    numbers, firsts = number_codes([(np.array([0, 1, 0, 1]), 2), (np.array([2, 0, 2, 1]), 3)], 4)
    assert numbers.tolist() == [0, 1, 0, 2]
    assert firsts.tolist() == [0, 1, 3]
    # more values than the table of marks holds: the same answer by sorting
    wide = [(np.array([0, 700, 0, 5]), 1000), (np.array([3, 600, 3, 7]), 1000)]
    numbers, firsts = number_codes(wide, 4)
    assert numbers.tolist() == [0, 2, 0, 1]
    assert firsts.tolist() == [0, 3, 1]
    assert number_codes([], 3)[0].tolist() == [0, 0, 0]


def test_a_cache_keeps_the_latest():
    kept = Recent(2)
    for key in "abc":
        kept.get(key, lambda key=key: key.upper())
    assert kept.values() == ("B", "C")
    assert kept.get("b", lambda: "new") == "B"
    kept.get("d", lambda: "D")
    assert kept.values() == ("B", "D")


# ------------------------------------------------------------------ what failures do


def test_the_later_condition_of_a_part_shows_where_two_failures_act_on_it():
    """engine_pump: pumping, weak, intermittent, stopped. A weak pump that has stopped is a stopped one."""
    space = space_of("pump_weak", "pump_sheared")
    state = space.conditions(NETWORK.switch_positions({}))
    shown = {
        space.set_names[number]: NETWORK.states["engine_pump"][state["engine_pump"][row]]
        for row, number in enumerate(space.row_set)
    }
    both = next(names for names in space.set_names if len(names) == 2)
    assert shown == {(): "pumping", ("pump_weak",): "weak", ("pump_sheared",): "stopped", both: "stopped"}


def test_switches_change_what_feeds_the_instruments():
    """Ports taped: the static line is sealed until the alternate source is opened."""
    space = space_of("static_ports_taped")
    taped = np.array([names == ("static_ports_taped",) for names in space.set_names])[space.row_set]
    for lever, opened in (("off", False), ("on", True)):
        state = space.conditions(NETWORK.switch_positions({"alternate_static": lever}))
        sealed = NETWORK.states["static"].index("sealed")
        assert (state["static"][taped] == sealed).all() == (not opened)
        assert (state["static"][~taped] == sealed).sum() == 0


def test_a_dead_pump_starves_both_gyros_unless_standby_suction_is_on():
    """What the intake manifold gives is enough, but where it draws weakly (systems.toml)."""
    space = space_of("pump_sheared")
    dead = np.array([names == ("pump_sheared",) for names in space.set_names])[space.row_set]
    for valve, air in (("off", "none"), ("on", "normal")):
        state = space.conditions(NETWORK.switch_positions({"standby_suction": valve}))
        for name in ("attitude_air", "heading_air"):
            assert (state[name][dead] == NETWORK.states[name].index(air)).all()
            assert (state[name][~dead] == NETWORK.states[name].index("normal")).all()


def test_a_failure_with_and_without_rough_air_is_named_as_one():
    network = small_network(("pump_sheared", "rough_air"))
    space = space_of("pump_sheared", "rough_air", network=network)
    quiet = [f.id for f in network.failures if f.silent and f.kind is FailureKind.LOOK_ALIKE]
    assert quiet == ["rough_air"]
    shown = {space.set_names[i]: space.set_names[place] for i, place in enumerate(space.shown_as)}
    both = next(names for names in space.set_names if len(names) == 2)
    assert shown == {
        (): (), ("pump_sheared",): ("pump_sheared",), ("rough_air",): ("rough_air",), both: ("pump_sheared",),
    }  # fmt: skip


# ------------------------------------------------------------------ the first look


def test_sealed_lines_at_the_first_look_hold_what_the_knowledge_says():
    """systems.toml: in the air below 0.05, near 0.87, above 0.08; on the ground near, always."""
    space = space_of("static_ports_taped")
    acts = ("static_ports_taped",)
    assert first(space, acts, step()) == pytest.approx(
        {
            (acts, ("static_trapped below",)): 0.05,
            (acts, ()): 0.87,
            (acts, ("static_trapped above",)): 0.08,
        }
    )
    for phase in ("ground", "roll"):
        assert first(space, acts, step(phase=phase)) == pytest.approx({(acts, ()): 1.0})
    assert first(space, (), step()) == pytest.approx({((), ()): 1.0})


def test_water_in_the_pitot_line_acts_in_six_of_ten_looks():
    acts = ("pitot_water",)
    assert first(space_of("pitot_water"), acts, step()) == pytest.approx({(acts, ()): 0.6, ((), ()): 0.4})


def test_rotors_of_a_pump_that_failed_before_the_first_look():
    """At any time of the last 4 min; both rotors follow their own chances: up to speed in 0.1744 * 3.5 / 4."""
    found = first(space_of("pump_sheared"), ("pump_sheared",), step(), since=4.0)
    assert sum(found.values()) == pytest.approx(1.0)
    up = sum(chance for (_, states), chance in found.items() if not states)
    assert up == pytest.approx((0.1744 * 3.5 / 4.0) ** 2, abs=0.02)
    # seen at once, both still run; after 4 hours both stand
    assert first(space_of("pump_sheared"), ("pump_sheared",), step(), since=0.0) == pytest.approx(
        {(("pump_sheared",), ()): 1.0}
    )
    late = first(space_of("pump_sheared"), ("pump_sheared",), step(), since=240.0)
    # 4 hours: u 240 / tau > 1.897 but for u below 1.897 * 3.5 / 240
    assert late[("pump_sheared",), ("attitude_rotor stopped", "heading_rotor stopped")] == pytest.approx(
        (1.0 - 0.0277) ** 2, abs=0.05
    )


@pytest.mark.parametrize(("minutes", "gap"), [(1.0, 0.0), (4.0, 0.0), (1.0, 2.0)])
def test_heat_that_is_on_has_melted_part_of_the_ice_by_the_middle_of_the_first_look(minutes, gap):
    """From the gap's beginning to the middle of the look. Heat has been on all along in 7 of 10 and then no ice is left;
    else mean times of 1 min, 5 for 10 in 100, and 25 by itself, which is all that a dead heater leaves. Of ice that is
    left 40 in 100 still let air in, 24 have just shut the inlet and 36 did so before.
    """
    closes = {(): 0.4, ("pitot_passes falls",): 0.24, ("pitot_passes gone",): 0.36}
    space, acts = space_of("pitot_ram_iced", "pitot_heater_dead"), ("pitot_ram_iced",)
    passed = gap + 0.5 * minutes
    alone = np.exp(-passed / 25.0)
    left = 0.3 * (0.9 * np.exp(-passed) + 0.1 * np.exp(-passed / 5.0)) * alone
    on = first(space, acts, step(minutes, gap, pitot_heat="on"))
    assert on == pytest.approx({(acts, s): left * share for s, share in closes.items()} | {((), ()): 1.0 - left})
    off = first(space, acts, step(minutes, gap))
    assert off == pytest.approx({(acts, s): alone * share for s, share in closes.items()} | {((), ()): 1.0 - alone})
    both = next(names for names in space.set_names if len(names) == 2)
    heater = ("pitot_heater_dead",)
    dead = first(space, both, step(minutes, gap, pitot_heat="on"))
    act = tuple(name for name in IDS if name in both)
    iced = {(act, s): alone * share for s, share in closes.items()}
    assert dead == pytest.approx(iced | {(heater, ()): 1.0 - alone})


def test_slips_that_are_set_right_leave_the_other_failures():
    """Rows in which a slip acts, with all parts as if none did, and what else has failed as it is."""
    slip = next(f.id for f in shipped().failures.values() if f.set_right and set(f.acts) <= set(NETWORK.parts))
    network = small_network((slip, "pump_sheared", "pitot_ram_iced"))
    space = space_of(slip, "pump_sheared", network=network)
    switches = network.switch_positions({})
    rows, states = space.set_right(switches)
    ids = [failure.id for failure in network.failures]
    assert rows.tolist() == np.flatnonzero(space.acting[:, ids.index(slip)]).tolist()
    assert 0 < len(rows) < space.count
    sheared = space.acting[rows, ids.index("pump_sheared")]
    assert set(sheared.tolist()) == {True, False}
    pump = network.states["engine_pump"]
    assert [pump[state] for state in states["engine_pump"]] == ["stopped" if one else pump[0] for one in sheared]
    for part in network.failures[ids.index(slip)].acts:
        assert not states[part].any(), part


def test_a_memory_runs_in_the_conditions_that_carry_it_but_the_usual_one():
    space = space_of("pump_sheared")
    for name in space.memory_names:
        memory = NETWORK.memories[name].memory
        driver = NETWORK.states[memory.driver]
        runs = space.running(name, {memory.driver: np.arange(len(driver))})
        assert not runs[0]
        assert runs.tolist() == [place > 0 and condition in memory.carry for place, condition in enumerate(driver)]
        assert runs.any()


def test_a_switch_that_stands_otherwise_has_been_moved():
    space = space_of("pump_sheared")
    assert moved(space, step(), step(alternate_static="on"))
    assert moved(space, step(alternate_static="on", pitot_heat="on"), step(pitot_heat="on"))
    assert not moved(space, step(), step(minutes=4.0))
    assert not moved(space, step(alternate_static="on"), step(alternate_static="on"))
