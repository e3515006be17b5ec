"""The plumbing diagrams: what is in every line, and that nothing is drawn over anything.

What each failure puts into the lines is held against the FAA's Pilot's Handbook of Aeronautical Knowledge, chapter 8
(pitot-static system: "Blocked Pitot System", "Blocked Static System"; gyroscopic instruments: sources of power).
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from itertools import combinations

import networkx as nx
import numpy as np
import pytest

from diagnose.advice.explain.schematic import SYSTEMS, plumbing_graph, schematic
from diagnose.advice.explain.why import plumbing as reached
from diagnose.advice.witnesses import measures_by
from diagnose.model import System
from diagnose.render.pictures.plumbing import plumbing_svg, wide
from diagnose.render.plumbing import in_words, plumbing_text, shows_it
from tests.console import run
from tests.desks import answer_to, refusal
from tests.small import engine, shipped

PANELS = tuple(shipped().panels)
SVG = "{http://www.w3.org/2000/svg}"


def on(panel):
    return engine(panel).network


def failures_of(network):
    """A share of the panel's failures; all panels together have each of them."""
    known = [failure.id for failure in network.failures]
    return known[PANELS.index(network.panel.id) % 5 :: 5]


def at_dials(panel, failures, switches=None):
    """Dial -> what comes into it."""
    drawn = schematic(on(panel), failures, switches)
    return {gauge: node.flow for node in drawn.nodes.values() for gauge in node.gauges}


# ------------------------------------------------------------------ what is in the lines


@pytest.mark.parametrize(
    ("panel", "failures", "switches", "comes"),
    [
        # static ports blocked: all three share them; the alternate source opens a way to the cabin
        ("single_pump", ["static_ports_taped"], {}, {"airspeed": "trapped", "altimeter": "trapped", "vertical_speed": "trapped", "attitude": "normal"}),
        ("single_pump", ["static_ports_taped"], {"alternate_static": "on"}, {"airspeed": "other", "altimeter": "other", "vertical_speed": "other"}),
        # pitot inlet blocked with the drain open: the impact pressure is lost; both blocked: trapped; the airspeed only
        ("single_pump", ["pitot_ram_iced"], {}, {"airspeed": "lost", "altimeter": "normal", "vertical_speed": "normal"}),
        ("single_pump", ["pitot_and_drain_iced"], {}, {"airspeed": "trapped", "altimeter": "normal"}),
        # the suction gyros die with the pump, the electric turn coordinator does not
        ("single_pump", ["pump_sheared"], {}, {"attitude": "lost", "heading": "lost", "suction": "lost", "turn_coordinator": "normal"}),
        # blocked behind the gauge: it reads normal while the gyros get nothing
        ("single_pump", ["suction_hose_gyro_side"], {}, {"attitude": "lost", "heading": "lost", "suction": "normal"}),
        ("single_pump", ["attitude_hose_blocked"], {}, {"attitude": "lost", "heading": "normal"}),
        # one pump of two is enough
        ("dual_pump", ["left_pump_stopped"], {}, {"attitude": "normal", "heading": "normal"}),
        ("dual_pump", ["both_pumps_stopped"], {}, {"attitude": "lost", "heading": "lost"}),
        # the bus feeds the turn coordinator, and nothing that air moves
        ("single_pump", ["main_bus_dead"], {}, {"turn_coordinator": "lost", "voltmeter": "lost", "attitude": "normal", "altimeter": "normal"}),
        ("single_pump", ["turn_supply_open"], {}, {"turn_coordinator": "lost", "ammeter": "normal", "radios": "normal"}),
        # a second pitot tube is a second witness of the airspeed, one static line is none
        ("two_sets", ["pitot_ram_iced"], {}, {"airspeed": "lost", "second_airspeed": "normal"}),
        ("two_sets", ["static_ports_taped"], {}, {"second_altimeter": "trapped", "second_airspeed": "trapped"}),
    ],
)  # fmt: skip
def test_what_comes_to_the_dials(panel, failures, switches, comes):
    there = at_dials(panel, failures, switches)
    assert {gauge: there[gauge] for gauge in comes} == comes


def test_a_line_before_a_blockage_is_normal_and_the_line_behind_it_is_not():
    drawn = schematic(on("single_pump"), ["static_common_blocked"])
    carries = {(line.start, line.end): line.flow for line in drawn.lines}
    assert carries["static_ports", "static_line"] == carries["static_line", "static_tee"] == "normal"
    assert carries["static_tee", "static_branch"] == "trapped"
    drawn = schematic(on("single_pump"), ["static_ports_taped"], {"alternate_static": "on"})
    carries = {(line.start, line.end): line.flow for line in drawn.lines}
    assert carries["static_line", "static_tee"] == "trapped"
    assert carries["alternate", "static_tee"] == carries["static_tee", "airspeed"] == "other"


def test_a_valve_that_is_not_opened_is_shut_and_one_that_is_stuck_stays_so():
    for failures, switches, flow in (
        ([], {}, "shut"),
        ([], {"standby_suction": "on"}, "normal"),
        (["standby_valve_stuck"], {"standby_suction": "on"}, "shut"),
    ):
        drawn = schematic(on("standby_suction"), failures, switches)
        assert [line.flow for line in drawn.lines if line.start == "standby"] == [flow]


@pytest.mark.parametrize("panel", PANELS)
def test_every_part_of_the_lines_is_drawn_and_every_dial_stands_once(panel):
    network = on(panel)
    drawn = schematic(network)
    shown = {
        part
        for name in drawn.nodes
        for part in (shipped().fittings[name].parts if name in shipped().fittings else ())
    }
    parts = {part for part in network.parts if shipped().parts[part].system in SYSTEMS}
    assert parts <= shown
    gauges = [gauge for node in (*drawn.nodes.values(), *drawn.independent) for gauge in node.gauges]
    assert sorted(gauges) == sorted(gauge for gauge in network.dial_gauges if gauge in shipped().dials)


@pytest.mark.parametrize("panel", PANELS)
def test_every_line_leads_from_a_source_to_a_dial_or_ends_in_the_heater(panel):
    network = on(panel)
    graph = plumbing_graph(network)
    assert nx.is_directed_acyclic_graph(graph)
    dials = {name for name, kind in graph.nodes(data="kind") if kind == "dial"}
    leads_nowhere = {name for name in graph if name not in dials and not nx.descendants(graph, name) & dials}
    assert leads_nowhere == {"pitot_heater"}
    systems = {source: known.system for source, known in network.kb.sources.items()}
    for gauge in dials:
        rests = {source for source in measures_by(network, gauge) if systems[source] in SYSTEMS}
        assert not rests or graph.in_degree(gauge), gauge


@pytest.mark.parametrize("panel", PANELS)
def test_a_dial_into_which_something_else_comes_is_one_that_the_failure_reaches(panel):
    """The dial's line and the reasons follow the same network by two ways."""
    network = on(panel)
    for failure in failures_of(network):
        drawn = schematic(network, [failure])
        hurt = {
            g for node in drawn.nodes.values() for g in node.gauges if node.flow != "normal" or node.failed
        }
        given = {
            part: np.array([network.states[part].index(condition)], dtype=np.int8)
            for part, condition in network.kb.failures[failure].acts.items()
        }
        state = network.conditions(given, network.switch_positions({}), 1)
        sources = {name: network.states[name][state[name][0]] for name in network.sources if state[name][0]}
        far = reached(network, (failure,), sources)
        assert hurt <= {*far.wrong, *far.shows}, failure


@pytest.mark.parametrize("panel", PANELS)
def test_a_failed_part_is_marked_with_what_is_wrong(panel):
    network = on(panel)
    for failure in failures_of(network):
        drawn = schematic(network, [failure])
        marks = {text for node in (*drawn.nodes.values(), *drawn.independent) for text in node.failed}
        for part, condition in network.kb.failures[failure].acts.items():
            known = network.kb.parts[part]
            lines = known.system in SYSTEMS
            assert not lines or known.conditions[condition] in marks, failure
        assert "Failed: " in in_words(drawn, network.kb) or not marks


# ------------------------------------------------------------------ nothing over anything


def paths_and_boxes(svg):
    """Straight pieces of every pipe with its start, and the boxes: node -> (left, top, right, bottom)."""
    root = ET.fromstring(svg)
    boxes, pieces = {}, []
    for group in root.iter(f"{SVG}g"):
        if node := group.get("data-node"):
            box = next(e for e in group if e.get("class") == "box")
            x, y, w, h = (float(box.get(name)) for name in ("x", "y", "width", "height"))
            boxes[node] = (x, y, x + w, y + h)
        if group.get("data-line"):
            for path in next(e for e in group if e.get("class") == "pipe"):
                x = y = 0.0
                for sign, numbers in re.findall(r"([MHV])([-\d. ]+)", path.get("d")):
                    values = [float(n) for n in numbers.split()]
                    to = (
                        (values[0], values[1])
                        if sign == "M"
                        else (values[0], y)
                        if sign == "H"
                        else (x, values[0])
                    )
                    if sign != "M":
                        pieces.append((min(x, to[0]), min(y, to[1]), max(x, to[0]), max(y, to[1])))
                    x, y = to
    return boxes, pieces


def overlap(one, other):
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


@pytest.mark.parametrize("panel", PANELS)
def test_no_box_lies_on_another_and_no_line_goes_through_a_box(panel):
    network = on(panel)
    for failure in [None, *failures_of(network)[::3]]:
        for systems in (SYSTEMS, (System.STATIC,), (System.VACUUM,)):
            drawn = schematic(network, [failure] if failure else [], systems=systems)
            boxes, pieces = paths_and_boxes(plumbing_svg(drawn, network.kb))
            assert len(boxes) == len(drawn.nodes) + len(drawn.independent)
            assert pieces
            assert not [pair for pair in combinations(boxes.items(), 2) if overlap(pair[0][1], pair[1][1])]
            for piece in pieces:
                # a line ends at the edge of its own boxes
                inside = (piece[0] + 1.5, piece[1], piece[2] - 1.5, piece[3])
                assert not [name for name, box in boxes.items() if overlap(inside, box)], piece


@pytest.mark.parametrize("panel", PANELS)
def test_the_text_fits_eighty_columns_whatever_has_failed(panel):
    network = on(panel)
    for failure in [None, *failures_of(network)]:
        text = plumbing_text(network, [failure] if failure else [])
        assert max(map(len, text.splitlines())) <= 80
        assert "…" not in text


def test_a_dial_that_is_there_to_show_a_line_is_not_called_lost_with_it_and_the_others_stand_apart():
    network = engine("single_pump").network
    drawn = schematic(network, ["pump_sheared"], systems=(System.VACUUM,))
    by_name = {node.name: node for node in (*drawn.nodes.values(), *drawn.independent)}
    kb = network.kb
    assert {name for name, node in by_name.items() if shows_it(node, kb)} == {"SUCTION", "LOW VAC"}
    said = in_words(drawn, kb)
    assert "Shows it: LOW VAC, SUCTION." in said or "Shows it: SUCTION, LOW VAC." in said
    assert "What comes is lost: ATTITUDE, HEADING." in said
    # what is flown on then: FAA-H-8083-15B, ch. 5, partial panel
    assert {"AIRSPEED", "ALTITUDE", "VERT SPEED", "TURN COORDINATOR", "COMPASS"} <= {n.name for n in drawn.independent}


def test_only_what_is_concerned_is_drawn_on_request():
    text = plumbing_text(on("single_pump"), ["pump_sheared"], only_concerned=True)
    assert text.startswith("VACUUM\n")
    assert "STATIC" not in text
    assert "X vacuum pump" in text


def test_texts_do_not_overlap_and_stay_in_their_boxes_in_a_browser(browser):
    tab = browser.new_page()
    for panel in PANELS:
        network = on(panel)
        failures = [f for f in failures_of(network) if network.kb.failures[f].system in SYSTEMS]
        for failure in [None, failures[0], failures[-1]]:
            tab.set_content(plumbing_svg(schematic(network, [failure] if failure else []), network.kb))
            bad = tab.evaluate(
                """() => {
                  const box = (e) => e.getBBox();
                  const texts = [...document.querySelectorAll("svg text")];
                  const found = [];
                  texts.forEach((a, i) => texts.slice(i + 1).forEach((b) => {
                    const p = box(a), q = box(b);
                    if (p.x < q.x + q.width && q.x < p.x + p.width && p.y + 1.5 < q.y + q.height - 1.5 && q.y + 1.5 < p.y + p.height - 1.5)
                      found.push([a.textContent, b.textContent]);
                  }));
                  for (const group of document.querySelectorAll("[data-node]")) {
                    const own = box(group.querySelector(".box"));
                    for (const text of group.querySelectorAll("text")) {
                      const t = box(text);
                      if (t.x + t.width > own.x + own.width || t.y < own.y - 1 || t.y + t.height > own.y + own.height + 2) found.push([text.textContent, "its box"]);
                    }
                  }
                  return found;
                }"""
            )
            assert bad == [], (panel, failure)
    tab.close()


def test_a_letter_is_never_wider_than_is_reckoned():
    assert wide("TURN", 10.0) > wide("turn", 10.0) > 0.0


# ------------------------------------------------------------------ the commands


def test_the_command_draws_text_picture_and_data(tmp_path):
    shown = run("plumbing", "static", "--failure", "static ports blocked (tape, paint, wax, dirt)")
    assert shown.returncode == 0
    assert shown.stdout.startswith("STATIC\n")
    assert "trapped" in shown.stdout
    path = tmp_path / "plumbing.svg"
    assert run("plumbing", "--panel", "dual pump", "--svg", str(path)).returncode == 0
    assert ET.fromstring(path.read_text(encoding="utf-8")).tag == f"{SVG}svg"
    data = run("plumbing", "--failure", "pump_sheared", "--json").stdout
    assert '"attitude": "lost"' in data
    assert '"compass"' in data


def test_the_command_tells_of_what_is_not_there():
    shown = run("plumbing", "hydraulic")
    assert shown.returncode == 1
    assert "vacuum" in shown.stderr
    shown = run("plumbing", "--switch", "alternate_static=maybe")
    assert shown.returncode == 1
    assert "off or on" in shown.stderr


def test_the_prompt_draws_the_leading_explanation_and_a_named_failure():
    assert answer_to("plumbing static").startswith("With nothing failed. STATIC static ports")
    told = answer_to("snapshot climb", "airspeed falling; altimeter steady; vsi zero", "plumbing")
    assert told.startswith("With: static ports blocked")
    assert "X static ports" in told
    assert "X vacuum pump" in answer_to("plumbing vacuum pump sheared")
    assert "X static ports" in answer_to(
        "snapshot climb", "airspeed falling; altimeter steady; vsi zero", "why"
    )
    assert "X vacuum pump" in answer_to("failure pump sheared full")
    assert "no failure" in refusal("plumbing flux capacitor")


def test_plain_text_tells_the_diagram_in_words():
    network = on("single_pump")
    told = plumbing_text(network, ["pump_sheared"], width=10_000)
    assert "What comes is lost: ATTITUDE, HEADING." in told
    assert "Shows it: SUCTION, LOW VAC." in told
    assert "==" not in told
