"""Each rule of validate finds what it is for, and the shipped knowledge base is sound."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import pytest
import tomli_w

from diagnose.knowledge.load import TABLES, load_knowledge
from diagnose.model import AxisUse, ContextEffect, Row, Rule
from diagnose.model.errors import KnowledgeError
from diagnose.model.gauges import Hand, Ticks
from diagnose.network.likelihood import fingerprint, read_counts, simulate_counts
from diagnose.proof.validate import check, problems
from tests.small import shipped


def test_the_shipped_knowledge_is_sound():
    assert problems(shipped()) == []


def test_a_condition_of_a_line_that_comes_to_no_flow_is_found():
    flows = dict(shipped().flows)
    flows["trapped"] = msgspec.structs.replace(flows["trapped"], of=("pitot.sealed",))
    assert problems(replace(shipped(), flows=flows)) == [
        "systems.toml, static: sealed stands in 0 flows of plumbing.toml, not in one"
    ]


def test_there_is_enough_of_it():
    kinds = [failure.kind.value for failure in shipped().failures.values()]
    assert kinds.count("failure") >= 45
    assert kinds.count("look_alike") >= 7


def facet(**changes):
    gauge = shipped().gauges["left_vacuum_light"]
    return "gauge", "left_vacuum_light", {"facets": (msgspec.structs.replace(gauge.facets[0], **changes),)}


def circle(source):
    """The source's rules, of which the first asks for the source itself."""
    first, *others = shipped().sources[source].rules
    own = next(iter(shipped().sources[source].conditions))
    return (msgspec.structs.replace(first, when={**first.when, source: own}), *others)


#: what is broken -> (table, entry, changed fields), what the problem says
BROKEN = {
    "source": (("failure", "pump_weak", {"source": "hearsay"}), "is not in sources.toml"),
    "part": (("failure", "pump_weak", {"acts": {"flux": "on"}}), "there is no part 'flux'"),
    "condition": (("failure", "pump_weak", {"acts": {"engine_pump": "pumping"}}), "no failed condition"),
    "range": (("failure", "pump_weak", {"rate_per_hour": 0.5}), "outside its range"),
    "acting": (("failure", "pump_weak", {"acting": 0.0}), "out of range"),
    "context": (
        ("failure", "pump_weak", {"context": (ContextEffect(when=("moon",)),)}),
        "no context 'moon'",
    ),
    "rule": (
        ("source", "bus", {"rules": (Rule(when={"main_bus": "odd"}, gives="dead"),)}),
        "no state 'odd'",
    ),
    "gives": (
        ("source", "bus", {"rules": (Rule(when={"main_bus": "dead"}, gives="odd"),)}),
        "gives 'odd'",
    ),
    "rows": (facet(rows=(Row(gives={"lit": 0.5, "out": 0.2}),)), "add up to 0.7"),
    "last row": (facet(rows=(Row(when={"suction": "none"}, gives={"lit": 1.0}),)), "the last row"),
    "channel": (facet(rows=(), channel="smell"), "no channel 'smell'"),
    "neither": (facet(rows=()), "either a channel or rows"),
    "tells of": (("gauge", "vacuum_light", {"tells_of": ("bus",)}), "on which no facet depends"),
    "expects": (("manoeuvre", "level", {"expected": {"vertical": "level"}}), "must expect a value"),
    "strays": (("manoeuvre", "level", {"strays": {"turn": {"left": 1.0}}}), "leave no chance"),
    "use": (("manoeuvre", "level", {"pitch": AxisUse(primary="sextant")}), "no gauge 'sextant'"),
    "family": (("family", "static_trapped", {"members": ("moon",)}), "there is no failure 'moon'"),
    "two families": (
        ("family", "vacuum_weak", {"members": ("pump_weak", "pump_sheared")}),
        "stands in two families",
    ),
    "fitting part": (("fitting", "regulator", {"parts": ("gasket",)}), "there is no part 'gasket'"),
    "fitting before": (("fitting", "regulator", {"after": ("gasket",)}), "there is no fitting 'gasket'"),
    "fitting ring": (
        ("fitting", "pitot_tube", {"after": ("pitot_line",)}),
        "comes back into itself: pitot_tube -> pitot_line",
    ),
    "fitting source": (("fitting", "regulator", {"carries": "gas"}), "there is no source 'gas'"),
    "fitting gives": (("fitting", "battery", {"gives": {"disconnected": "gone"}}), "there is no flow 'gone'"),
    "fitting openings": (("fitting", "pitot_tube", {"openings": {"inlet": ("odd",)}}), "no condition 'odd'"),
    "fitting switch": (("fitting", "alternate", {"opens": {"lever": "up"}}), "'lever'"),
    "flow": (("flow", "trapped", {"of": ("static.odd",)}), "no source has the condition 'static.odd'"),
    "panel": (("panel", "single_pump", {"gauges": ("sextant",)}), "no gauge 'sextant'"),
    "look": (("look", "slips", {"reads": ("sextant.angle",)}), "no facet 'sextant.angle'"),
    "look flies": (("look", "slips", {"manoeuvre": "loop"}), "no maneuver 'loop'"),
    "look moves": (("look", "read_suction", {"manoeuvre": "climb"}), "moves no switch and flies nothing"),
    "look hazard": (("look", "slips", {"hazard": 9}), "out of range"),
    "look caution": (("look", "slips", {"caution": ""}), "needs its caution"),
    "look switch": (("look", "pitot_heat_on", {"switches": {"pitot_heat": "warm"}}), "no state 'warm'"),
    "decision": (("decision", "cover_it", {"out": ("sextant",)}), "no gauge 'sextant'"),
    "decision state": (
        ("decision", "cover_it", {"lost": {"suction": ("magic",)}}),
        "suction has no state 'magic'",
    ),
    "decision unless": (
        ("decision", "cover_it", {"unless": ("cover_it",)}),
        "no decision before it 'cover_it'",
    ),
    "decision short": (("decision", "cover_it", {"short": "x" * 61}), "must have 1 to 60 characters"),
    "slip": (("failure", "heading_not_reset", {"set_right_by": "sextant"}), "no gauge 'sextant'"),
    "power of a gauge": (("gauge", "radios", {"power": "magic"}), "no source 'magic'"),
    "second instrument": (("substitute", "pitch:attitude", {"second_to": "sextant"}), "no gauge 'sextant'"),
    "effect facet": (
        ("effect", "ball_in_turn_entry", {"when": {"ball.colour": "red"}}),
        "no facet 'ball.colour'",
    ),
    "effect reading": (
        ("effect", "ball_in_turn_entry", {"when": {"ball.position": "red"}}),
        "no reading 'red'",
    ),
    "effect condition": (
        ("effect", "ball_in_turn_entry", {"likely": {"bumps": "magic"}}),
        "no state 'magic'",
    ),
    "urgency": (("decision", "cover_it", {"urgency": 7}), "must be 1, 2 or 3"),
    "cause": (("failure", "pump_weak", {"hastened_by": {"age": 2.0}}), "unknown failure 'age'"),
    "dial": (("dial", "suction", {"hands": (Hand(reads="suction_inhg"),)}), "needs two points"),
    "scale": (
        ("dial", "suction", {"hands": (Hand(reads="x", points=((1.0, 0.0), (0.0, 9.0))),)}),
        "must rise",
    ),
    "face": (("dial", "second_airspeed", {"like": "sextant"}), "no face 'sextant'"),
    "pattern": (("scan_pattern", "radial", {"gauges": ("attitude", "sextant")}), "no gauge 'sextant'"),
    "round": (("scan_pattern", "radial", {"gauges": ("attitude", "attitude")}), "two gauges or more"),
    "recorded range": (("recorded", "volts", {"range": (9.0, 1.0)}), "must rise"),
    "own unit": (("recorded", "volts", {"units": {"mv": (0.001, 0.0)}}), "its first unit must be its own"),
    "unit": (("recorded", "volts", {"units": {"v": (1.0, 0.0), "mv": (0.0, 0.0)}}), "one mv must be more"),
    "relation": (("relation", "vsi_gps", {"channels": ("sextant_deg",)}), "no channel 'sextant_deg'"),
    "noise": (("relation", "vsi_gps", {"noise": 0.0}), "the noise must be above 0"),
    "ground test": (("ground_test", "charging", {"failures": ("gremlins",)}), "no failure 'gremlins'"),
    "ground source": (("ground_test", "charging", {"source": "hearsay"}), "is not in sources.toml"),
    "circle": (("source", "suction", {"rules": circle("suction")}), "follow from themselves: suction"),
    "cut off": (
        ("panel", "electric_attitude", {"without": ("turn_coordinator", "turn_part", "turn_supply")}),
        "nothing that the breaker of the turn coordinator rests on is fitted",
    ),
    "marks": (("dial", "suction", {"ticks": (Ticks(start=0.0, end=1.0, every=0.0),)}), "a step above 0"),
}


def without_nothing(content):
    """TOML has no word for None: such fields are left out."""
    if isinstance(content, dict):
        return {name: without_nothing(value) for name, value in content.items() if value is not None}
    return [without_nothing(value) for value in content] if isinstance(content, list | tuple) else content


def broken_file(folder, table, entry, changes):
    """Write the shipped entry with changed fields as a file of one's own, as an instructor would."""
    record = msgspec.structs.replace(getattr(shipped(), TABLES[table][0])[entry], **changes)
    path = folder / f"{table}.toml"
    path.write_text(tomli_w.dumps({table: [without_nothing(msgspec.to_builtins(record))]}), encoding="utf-8")
    return path


@pytest.mark.parametrize(("change", "text"), BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_entry_of_a_file_is_found_and_named(change, text, tmp_path):
    path = broken_file(tmp_path, *change)
    with pytest.raises(KnowledgeError) as caught:
        check(load_knowledge(overlays=(path,)))
    named = [problem for problem in caught.value.problems if text in problem]
    assert named, caught.value.problems
    assert str(path) in named[0]
    assert change[1] in named[0]


def test_an_entry_written_out_unchanged_is_sound(tmp_path):
    """Else the test above would only show that writing an entry breaks it."""
    for table, entry in {change[:2] for change, _ in BROKEN.values()}:
        assert problems(load_knowledge(overlays=(broken_file(tmp_path, table, entry, {}),))) == []


def test_numbers_of_the_review_are_checked_together_with_all_else(tmp_path):
    mine = tmp_path / "mine.toml"
    changed = msgspec.structs.replace(shipped().review, block_s=0.0, enough=2.0, source="hearsay")
    broken = msgspec.to_builtins(msgspec.structs.replace(shipped().relations["vsi_gps"], noise=-1.0))
    mine.write_text(tomli_w.dumps({"review": msgspec.to_builtins(changed), "relation": [broken]}))
    with pytest.raises(KnowledgeError) as caught:
        check(load_knowledge(overlays=(mine,)))
    said = "\n".join(caught.value.problems)
    for problem in (
        "block_s must be above 0",
        "enough must be below 1",
        "'hearsay'",
        "noise must be above 0",
    ):
        assert problem in said


def test_a_relation_that_the_review_cannot_work_out_is_refused(tmp_path):
    mine = tmp_path / "mine.toml"
    entry = msgspec.to_builtins(shipped().relations["vsi_gps"]) | {"id": "taste_smell"}
    mine.write_text(tomli_w.dumps({"relation": [entry]}))
    with pytest.raises(KnowledgeError) as caught:
        load_knowledge(overlays=(mine,))
    assert "relation taste_smell: Invalid enum value" in caught.value.problems[0]


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"late": 1.5}, "late must lie between 0 and 1, not 1.5"),
        ({"careless_times": [2.5, 0.4]}, "careless_times must rise from above 0, not [2.5, 0.4]"),
        ({"gaps_min": []}, "needs flights in flown, gaps in gaps_min and at least one moment"),
        ({"flown": [["looping"]]}, "there is no maneuver 'looping'"),
        ({"days": [{"chance": 0.1, "flags": ["frogs"]}]}, "there is no context 'frogs'"),
        ({"days": [{"chance": 2.0, "flags": []}]}, "the chance of a day must lie between 0 and 1, not 2"),
        ({"source": "hearsay"}, "the source 'hearsay' is not in sources.toml"),
    ],
)
def test_a_world_that_cannot_be_flown_is_refused(tmp_path, change, problem):
    mine = tmp_path / "mine.toml"
    mine.write_text(tomli_w.dumps({"world": msgspec.to_builtins(shipped().world) | change}))
    with pytest.raises(KnowledgeError) as caught:
        check(load_knowledge(overlays=(mine,)))
    assert caught.value.problems == (f"world: {problem}",)


def test_unreadable_entries_are_reported_all_at_once(tmp_path):
    overlay = tmp_path / "mine.toml"
    overlay.write_text(
        '[[failure]]\nid = "one"\ncolour = 1\n[[failure]]\nid = "two"\nrate_per_hour = "often"\n[[wheel]]\nid = "x"\n'
    )
    with pytest.raises(KnowledgeError) as caught:
        load_knowledge(overlays=(overlay,))
    assert len(caught.value.problems) == 3
    assert all(str(overlay) in problem for problem in caught.value.problems)


def test_an_overlay_changes_an_entry(tmp_path):
    overlay = tmp_path / "mine.toml"
    overlay.write_text(
        '[[panel]]\nid = "ours"\nname = "our aircraft"\nbased_on = "single_pump"\nwithout = ["voltmeter"]\n'
    )
    panel = load_knowledge(overlays=(overlay,)).panel("ours")
    assert "voltmeter" not in panel.gauges
    assert "airspeed" in panel.gauges


@pytest.mark.parametrize(
    ("gauge", "place"), [("suction", 0), ("heading", 0), ("attitude", 2), ("turn_coordinator", 0)]
)
def test_the_stored_tables_are_those_of_the_knowledge(gauge, place):
    facet = shipped().gauges[gauge].facets[place]
    mark, used, counts = read_counts().counts[f"{gauge}.{facet.id}"]
    assert mark == fingerprint(shipped(), facet, used)
    assert (simulate_counts(shipped(), gauge, facet) == counts).all()


def test_no_stored_table_is_stale():
    for gauge_id, gauge in shipped().gauges.items():
        for facet in gauge.facets:
            if facet.channel:
                mark, used, _ = read_counts().counts[f"{gauge_id}.{facet.id}"]
                assert mark == fingerprint(shipped(), facet, used)


@pytest.mark.parametrize("chain", [("p",), ("p", "q")])
def test_a_panel_that_is_based_on_itself_is_refused(tmp_path, chain):
    entries = [{"id": one, "name": one, "based_on": chain[n - 1]} for n, one in enumerate(chain)]
    (tmp_path / "own.toml").write_text(tomli_w.dumps({"panel": entries}))
    kb = load_knowledge(overlays=(tmp_path / "own.toml",))
    for refused in (lambda: kb.panel("p"), lambda: check(kb)):
        with pytest.raises(KnowledgeError, match=r"one problem|2 problems") as caught:
            refused()
        assert "is based on itself" in str(caught.value)


def test_a_maneuver_of_ones_own_need_not_say_what_is_usual(tmp_path):
    mine = tmp_path / "mine.toml"
    mine.write_text(
        '[[manoeuvre]]\nid = "slow_flight"\nname = "slow flight"\nwords = ["slow flight"]\nphase = "air"\n'
        'expected = { vertical = "level", speed = "constant", pace = "slow", turn = "straight", nose = "up", power = "cruise" }\n'
        'source = "judgement"\nnote = "of a test"\n',
        encoding="utf-8",
    )
    kb = load_knowledge(overlays=(mine,))
    assert kb.manoeuvres["slow_flight"].expected["picture"] == "free"
    assert not [problem for problem in problems(kb) if "must expect a value" in problem]
