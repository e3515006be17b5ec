"""Each rule of validate finds what it is for, and the shipped knowledge base is sound."""

from __future__ import annotations

import msgspec
import pytest
import tomli_w

from diagnose.errors import KnowledgeError
from diagnose.knowledge import TABLES, load_knowledge
from diagnose.likelihood import fingerprint, read_counts, simulate_counts
from diagnose.model import AxisUse, ContextEffect, Row, Rule
from diagnose.validate import check, problems
from tests.small import shipped


def test_the_shipped_knowledge_is_sound():
    assert problems(shipped()) == []


def test_there_is_enough_of_it():
    kinds = [failure.kind.value for failure in shipped().failures.values()]
    assert kinds.count("failure") >= 45
    assert kinds.count("look_alike") >= 7


def facet(**changes):
    gauge = shipped().gauges["left_vacuum_light"]
    return "gauge", "left_vacuum_light", {"facets": (msgspec.structs.replace(gauge.facets[0], **changes),)}


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
    "expects": (("manoeuvre", "level", {"expected": {"vertical": "level"}}), "must expect a value"),
    "strays": (("manoeuvre", "level", {"strays": {"turn": {"left": 1.0}}}), "leave no chance"),
    "use": (("manoeuvre", "level", {"pitch": AxisUse(primary="sextant")}), "no gauge 'sextant'"),
    "panel": (("panel", "single_pump", {"gauges": ("sextant",)}), "no gauge 'sextant'"),
    "cause": (("failure", "pump_weak", {"hastened_by": {"age": 2.0}}), "unknown failure 'age'"),
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
    mark, counts = read_counts().counts[f"{gauge}.{facet.id}"]
    assert mark == fingerprint(shipped(), facet)
    assert (simulate_counts(shipped(), gauge, facet) == counts).all()


def test_no_stored_table_is_stale():
    for gauge_id, gauge in shipped().gauges.items():
        for facet in gauge.facets:
            if facet.channel:
                assert read_counts().counts[f"{gauge_id}.{facet.id}"][0] == fingerprint(shipped(), facet)
