"""One panel's network: rules of sources, switches, motions and what is expected, by hand from the knowledge files."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from diagnose.advice.witnesses import upstream
from diagnose.knowledge.load import with_only
from diagnose.model import Rule, SnapshotRecord
from diagnose.model.errors import CaseError
from diagnose.network.graph import feeds, line_problems, lines_of
from diagnose.network.tables import compile_network
from tests.small import shipped, small_network

KB = shipped()
NETWORK = small_network()


def place(name, state):
    return NETWORK.states[name].index(state)


def one(name, switches=None, **states):
    """The condition of a source, part or memory in one row with these states."""
    given = {other: np.array([place(other, state)], dtype=np.int8) for other, state in states.items()}
    found = NETWORK.conditions(given, NETWORK.switch_positions(switches or {}), 1)
    return NETWORK.states[name][int(found[name][0])]


# ------------------------------------------------------------------ sources


@pytest.mark.parametrize(
    ("states", "switches", "static"),
    [
        ({}, {}, "open"),
        ({"static_ports": "sealed"}, {}, "sealed"),
        pytest.param(
            {"static_ports": "sealed"}, {"alternate_static": "on"}, "cabin_low", id="the other way in"
        ),
        ({"static_ports": "restricted"}, {}, "restricted"),
        ({"alternate_valve": "left_open"}, {}, "cabin_low"),
    ],
)
def test_the_static_line_is_fed_by_what_its_rules_say(states, switches, static):
    assert one("static", switches, **states) == static


def test_the_first_rule_that_fits_holds():
    """Written here: stuck gives 'stuck-first' though the second rule would fit too; none fits: the first condition."""
    network = replace(NETWORK)
    rules = {
        **NETWORK.rules,
        "static": (
            Rule(when={"static_ports": "sealed", "pitot_heat": "on"}, gives="restricted"),
            Rule(when={"static_ports": ("sealed", "water")}, gives="sealed"),
            Rule(when={"static_ports": "sealed"}, gives="one_port"),
        ),
    }
    network.__dict__["rules"] = rules
    ports = np.array([place("static_ports", s) for s in ("open", "sealed", "water")], dtype=np.int8)

    def static(heat):
        state = network.conditions({"static_ports": ports}, network.switch_positions({"pitot_heat": heat}), 3)
        return [network.states["static"][i] for i in state["static"]]

    assert static("off") == ["open", "sealed", "sealed"]
    assert static("on") == ["open", "restricted", "sealed"]


def test_rules_that_speak_of_what_the_panel_lacks_are_passed_over():
    lacking = [
        rule
        for source in NETWORK.sources
        for rule in KB.sources[source].rules
        if rule not in NETWORK.rules[source]
    ]
    known = {*NETWORK.parts, *NETWORK.sources, *NETWORK.memories, *NETWORK.panel.switches, *KB.circumstances}
    assert lacking
    assert all(set(rule.when) - known for rule in lacking)
    assert all(set(rule.when) <= known for rules in NETWORK.rules.values() for rule in rules)


def test_switches_stand_as_said_or_as_usual():
    assert NETWORK.switch_positions({}) == {
        "alternate_static": "off", "pitot_heat": "off", "standby_suction": "off",
    }  # fmt: skip
    assert NETWORK.switch_positions({"pitot_heat": "on"})["pitot_heat"] == "on"
    with pytest.raises(CaseError, match="no switch 'gear'"):
        NETWORK.switch_positions({"gear": "up"})
    with pytest.raises(CaseError, match="no position 'up'"):
        NETWORK.switch_positions({"pitot_heat": "up"})


def test_what_the_case_says_of_a_snapshot():
    """systems.toml: after a turn or a change of speed within 4 min; a quarter of an hour from 7 min on."""

    def told(before, minutes=1.0, gap=0.0):
        shot = SnapshotRecord(manoeuvre="level", minutes=minutes, minutes_before=gap)
        return NETWORK.circumstances(SnapshotRecord(manoeuvre=before) if before else None, shot)

    assert told("left_turn")["flown_before"] == told("left_turn", gap=4.0)["flown_before"] == "turn"
    assert told("left_turn", gap=4.1)["flown_before"] == told("level")["flown_before"] == "steady"
    assert told("level_slowing_down")["flown_before"] == "acceleration"
    assert told(None)["flown_before"] == "steady"
    lengths = [told(None, minutes=minutes)["snapshot_length"] for minutes in (6.9, 7.0, 30.0)]
    assert lengths == ["minutes", "quarter_hour", "quarter_hour"]


def test_a_moment_of_which_nothing_is_told_follows_steady_flight_and_lasts_minutes():
    """systems.toml: the first position of a circumstance is the usual one; only the others leave anything."""

    def left(**told):
        found = NETWORK.conditions({}, NETWORK.switch_positions({}) | told, 1)
        return [NETWORK.states[name][found[name].item()] for name in ("erection", "card_time")]

    assert left() == left(flown_before="steady", snapshot_length="minutes") == ["settled", "minutes"]
    assert left(flown_before="turn") == ["after_turn", "minutes"]
    assert left(flown_before="acceleration", snapshot_length="quarter_hour") == ["after_acceleration", "quarter_hour"]


# ------------------------------------------------------------------ motion


def chance_of(manoeuvre, axis, value, row=0):
    """P(one axis has a value) while air and pilot are as in this row of the motions (0: as usual)."""
    motions = NETWORK.motions(manoeuvre)
    return motions.chance[row] @ (motions.values[axis] == NETWORK.states[axis].index(value))


def test_strays_of_level_flight():
    """maneuvers.toml: turns 0.004 each way; up 0.0024 + 0.0012; nose up 0.0024 + 0.0012 + 0.003; slow 0.0006.

    Motions rarer than 1e-4 are left out, which is why a per cent of each may be missing.
    """
    for axis, value, chance in (
        ("turn", "left", 0.004), ("turn", "right", 0.004), ("vertical", "up", 0.0036), ("vertical", "down", 0.0036),
        ("nose", "up", 0.0066), ("nose", "down", 0.0044), ("pace", "slow", 0.0006), ("speed", "increasing", 0.0044),
    ):  # fmt: skip
        assert chance_of("level", axis, value) == pytest.approx(chance, rel=0.12), (axis, value)
    assert chance_of("level", "power", "cruise") == pytest.approx(1.0)


def test_motions_add_up_and_none_is_rarer_than_the_floor():
    for manoeuvre in KB.manoeuvres:
        motions = NETWORK.motions(manoeuvre)
        assert motions.chance.sum(axis=1) == pytest.approx(np.ones(len(motions.chance)))
        assert (motions.chance.max(axis=0) >= KB.limits.motion_floor * 0.99).all()
        assert motions.axes == tuple(KB.axes)
        assert (motions.vertical == motions.values["vertical"]).all()
        places = np.stack([motions.values[axis] for axis in motions.axes])
        assert len(np.unique(places, axis=1).T) == motions.chance.shape[1]


def test_a_pilot_astray_turns_one_way_or_the_other():
    """maneuvers.toml, variation of the pilot: left 0.25 + 0.12, and of the rest 0.26 usual strays of 0.004."""
    parts = NETWORK.variation_parts
    rows = list(np.ndindex(*(len(NETWORK.states[part]) for part in parts)))
    astray = tuple(place(part, "astray") if part == "pilot" else 0 for part in parts)
    found = chance_of("level", "turn", "left", rows.index(astray))
    assert found == pytest.approx(0.37 + 0.26 * 0.004, rel=0.02)
    # on the ground nobody is astray
    assert chance_of("run_up", "turn", "left", rows.index(astray)) == pytest.approx(
        chance_of("run_up", "turn", "left")
    )


def test_who_holds_level_by_a_sealed_static_line_may_climb_or_descend():
    """maneuvers.toml, variation of the static line: 0.02 up and 0.02 down, beside the usual strays; nothing else moves him."""
    parts = NETWORK.variation_parts
    rows = list(np.ndindex(*(len(NETWORK.states[part]) for part in parts)))

    def flown(condition, manoeuvre="level"):
        row = rows.index(tuple(place(part, condition) if part == "static" else 0 for part in parts))
        return chance_of(manoeuvre, "vertical", "up", row), chance_of(manoeuvre, "vertical", "down", row)

    usual = flown("open")
    assert flown("sealed") == pytest.approx(tuple(0.02 + 0.96 * chance for chance in usual), rel=0.02)
    assert flown("restricted") == usual
    assert flown("sealed", "climb") == flown("open", "climb")


# ------------------------------------------------------------------ what is expected


def test_what_a_sound_panel_shows():
    climb = NETWORK.expected_readings("climb", {})
    assert climb["altimeter.trend"] == "rising"
    assert climb["airspeed.trend"] == "steady"
    assert climb["attitude.bank"] == "level"
    assert climb["suction.value"] == "normal"
    left = NETWORK.expected_readings("left_turn", {})
    assert (left["heading.trend"], left["turn_coordinator.turn"], left["attitude.bank"]) == ("left",) * 3
    for chances in NETWORK.sound_chances("level", {}).values():
        assert sum(chances.values()) == pytest.approx(1.0)
        assert max(chances.values()) > 0.5


def test_a_gauge_is_sound_while_it_shows_what_it_tells_of():
    """The suction gauge tells of the suction: with none it reads zero, and that is sound."""
    table = NETWORK.facets["suction.value"]
    sound, healthy = NETWORK.sound_chance("suction.value"), NETWORK.healthy_chance("suction.value")
    shape = [len(NETWORK.states[n]) if n in KB.gauges["suction"].tells_of else 1 for n in table.parents]
    assert list(sound.shape[: len(table.parents)]) == shape
    assert healthy.shape == table.chance.shape[len(table.parents) :]
    zero, normal = (table.readings.index(reading) for reading in ("zero", "normal"))
    assert (healthy[..., normal] > 0.4).any()
    where = [0] * len(table.parents)
    assert sound[tuple(where)] == pytest.approx(healthy)
    where[table.parents.index("suction")] = place("suction", "none")
    assert (sound[tuple(where)][..., zero] > 0.8).all()


def test_dials_are_what_a_look_at_the_panel_shows():
    gauges = {facet.split(".")[0] for facet in NETWORK.dials}
    assert gauges <= set(NETWORK.dial_gauges) <= set(NETWORK.panel.gauges)
    unseen = {f"{g}.{f.id}" for g in NETWORK.panel.gauges for f in KB.gauges[g].facets if not f.glance}
    assert not unseen & set(NETWORK.dials)
    full = compile_network(KB, "single_pump")
    checks = {gauge for gauge in full.panel.gauges if KB.gauges[gauge].group == "checks"}
    assert checks
    assert not checks & set(full.dial_gauges)


@pytest.mark.parametrize("panel", sorted(KB.panels))
def test_lines_lead_to_a_gauge_as_its_tables_have_it(panel):
    """By the graph of the knowledge, and by following the rules of the compiled network back."""
    network, graph = compile_network(KB, panel), lines_of(KB, panel)
    here = {*network.parts, *network.sources, *network.memories}
    for gauge in network.dial_gauges:
        facets = [facet for name, facet in network.facets.items() if name.split(".")[0] == gauge]
        parents = {parent for facet in facets for parent in facet.parents} | {KB.gauges[gauge].power}
        assert feeds(graph, gauge) & here == (parents | upstream(network, parents)) & here, gauge


def test_a_failure_that_no_panel_shows_is_found():
    alone = with_only(KB, panels={"single_pump": KB.panels["single_pump"]})
    told = "\n".join(line_problems(alone))
    assert "left_pump_stopped: no gauge of any panel shows" in told
    assert "pump_sheared" not in told
    assert "steady" not in told


def test_a_panel_holds_the_failures_of_its_parts_only():
    parts = tuple(part for part in NETWORK.parts if part != "engine_pump")
    panel = replace_panel(parts=parts)
    network = compile_network(with_only(NETWORK.kb, panels={"small": panel}), "small")
    assert {f.id for f in NETWORK.failures} - {f.id for f in network.failures} == {"pump_sheared"}


def test_a_panel_can_have_what_acts_on_its_parts_even_on_all_of_them():
    acts = {"one": "a", "both": "ab", "more": "abc", "elsewhere": "c"}
    pump = KB.failures["pump_sheared"]
    made = {name: msgspec.structs.replace(pump, id=name, acts=dict.fromkeys(parts, "x")) for name, parts in acts.items()}
    assert [f.id for f in with_only(KB, failures=made).failures_of(("b", "a"))] == ["one", "both"]


def replace_panel(**changes):
    import msgspec

    return msgspec.structs.replace(NETWORK.panel, **changes)


def test_of_variations_that_fit_the_first_holds():
    """A second one of the same condition, which says the opposite, changes nothing; before it, it holds alone."""
    kb = NETWORK.kb
    rising = next(v for v in kb.variations.values() if (v.part, v.condition) == ("air", "rising"))
    sinking = next(v for v in kb.variations.values() if (v.part, v.condition) == ("air", "sinking"))
    other = msgspec.structs.replace(rising, phases=rising.phases, meant=(), outcomes=sinking.outcomes)

    def chances(variations):
        motions = compile_network(with_only(kb, variations=variations), "small").motions("level")
        return motions.chance @ (motions.values["vertical"] == NETWORK.states["vertical"].index("up"))

    usual = chances(kb.variations)
    assert chances({**kb.variations, "other": other}) == pytest.approx(usual)
    assert chances({"other": other, **kb.variations}) != pytest.approx(usual)
