"""Each rule of validate finds what it is for, and the shipped knowledge base is sound."""

from __future__ import annotations

import msgspec
import pytest

from diagnose.errors import KnowledgeError
from diagnose.knowledge import load_knowledge, with_only
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


def broken(table, entry, **changes):
    entries = dict(getattr(shipped(), table))
    entries[entry] = msgspec.structs.replace(entries[entry], **changes)
    return with_only(shipped(), **{table: entries})


def facet(**changes):
    gauge = shipped().gauges["vacuum_light"]
    return broken("gauges", "vacuum_light", facets=(msgspec.structs.replace(gauge.facets[0], **changes),))


BROKEN = {
    "source": (lambda: broken("failures", "pump_weak", source="hearsay"), "is not in sources.toml"),
    "part": (lambda: broken("failures", "pump_weak", acts={"flux": "on"}), "there is no part 'flux'"),
    "condition": (
        lambda: broken("failures", "pump_weak", acts={"engine_pump": "pumping"}),
        "no failed condition",
    ),
    "range": (lambda: broken("failures", "pump_weak", rate_per_hour=0.5), "outside its range"),
    "acting": (lambda: broken("failures", "pump_weak", acting=0.0), "out of range"),
    "context": (
        lambda: broken("failures", "pump_weak", context=(ContextEffect(when=("moon",)),)),
        "no context 'moon'",
    ),
    "rule": (
        lambda: broken("sources", "bus", rules=(Rule(when={"main_bus": "odd"}, gives="dead"),)),
        "no state 'odd'",
    ),
    "gives": (
        lambda: broken("sources", "bus", rules=(Rule(when={"main_bus": "dead"}, gives="odd"),)),
        "gives 'odd'",
    ),
    "rows": (lambda: facet(rows=(Row(gives={"lit": 0.5, "out": 0.2}),)), "add up to 0.7"),
    "last row": (lambda: facet(rows=(Row(when={"suction": "none"}, gives={"lit": 1.0}),)), "the last row"),
    "channel": (lambda: facet(rows=(), channel="smell"), "no channel 'smell'"),
    "neither": (lambda: facet(rows=()), "either a channel or rows"),
    "expects": (lambda: broken("manoeuvres", "level", expected={"vertical": "level"}), "must expect a value"),
    "strays": (lambda: broken("manoeuvres", "level", strays={"turn": {"left": 1.0}}), "leave no chance"),
    "use": (lambda: broken("manoeuvres", "level", pitch=AxisUse(primary="sextant")), "no gauge 'sextant'"),
    "panel": (lambda: broken("panels", "single_pump", gauges=("sextant",)), "no gauge 'sextant'"),
    "cause": (lambda: broken("failures", "pump_weak", hastened_by={"age": 2.0}), "unknown failure 'age'"),
}


@pytest.mark.parametrize(("make", "text"), BROKEN.values(), ids=BROKEN.keys())
def test_a_broken_entry_is_found_and_named(make, text):
    found = problems(make())
    assert found
    assert all(text in problem for problem in found[:1])
    with pytest.raises(KnowledgeError, match="problem"):
        check(make())


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
