"""Ghost hands: they stand where the true motion puts them, and the number is what lies between."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from diagnose.practice.known import misleading, true_state
from diagnose.practice.simulate import state_at
from diagnose.render.pages.papers import ghost_figure
from diagnose.render.pages.timeline import known_chart
from diagnose.render.pictures.charts import LEFT, SIGN, WIDE, Mark
from diagnose.render.pictures.panel import difference, panel_svg, shown_dials
from tests.small import shipped
from tests.test_scenario import flown

SVG = "{http://www.w3.org/2000/svg}"


def dial(gauge):
    return shown_dials(shipped().dials, (gauge,))[0]


@pytest.mark.parametrize(
    ("gauge", "shown", "true", "told"),
    [
        ("airspeed", {"airspeed_kt": 60.0}, {"airspeed_kt": 95.0}, "-35 kt"),
        ("altimeter", {"altitude_ft": 3500.0}, {"altitude_ft": 4700.0}, "-1,200 ft"),
        ("altimeter", {"altitude_ft": 3500.0}, {"altitude_ft": 3503.0}, ""),
        ("vertical_speed", {"vertical_speed_fpm": 0.0}, {"vertical_speed_fpm": 500.0}, "-500 fpm"),
        # the short way round
        ("heading", {"heading_deg": 350.0}, {"heading_deg": 20.0}, "-30 deg"),
        ("attitude", {"bank_deg": 12.0, "pitch_deg": -3.0}, {"bank_deg": 0.0, "pitch_deg": 2.0}, "bank +12, nose -5"),
        ("suction", {"suction_inhg": 5.0}, {"suction_inhg": 0.0}, "+5.0 inHg"),
        ("vacuum_light", {"vacuum_light": 1.0}, {"vacuum_light": 0.0}, ""),
        ("airspeed", {}, {"airspeed_kt": 95.0}, ""),
    ],
)  # fmt: skip
def test_the_number_is_shown_less_true(gauge, shown, true, told):
    assert difference(dial(gauge), shown, true) == told


def test_a_ghost_hand_stands_at_the_true_value():
    shown, true = {"airspeed_kt": 60.0}, {"airspeed_kt": 120.0}
    gauges = ("airspeed",)
    ghost = panel_svg(shown, shipped().dials, gauges, sound=true)
    plain = panel_svg(true, shipped().dials, gauges)

    def turned(text, wanted):
        return [float(e.get("transform")[7:-1]) for e in ET.fromstring(text).iter() if wanted(e)]

    there = turned(plain, lambda e: e.get("data-part") == "airspeed-hand0")
    inside = next(e for e in ET.fromstring(ghost).iter() if e.get("class") == "ghost")
    drawn = [
        float(re.search(r"-?[\d.]+", e.get("transform")).group()) for e in inside.iter() if e.get("transform")
    ]
    assert drawn == pytest.approx(there, abs=0.01)


def test_sound_and_covered_dials_have_no_ghost():
    state = {"airspeed_kt": 90.0}
    assert 'class="ghost"' not in panel_svg(state, shipped().dials, ("airspeed",), sound=state)
    other = {"airspeed_kt": 150.0}
    text = panel_svg(state, shipped().dials, ("airspeed",), sound=other, covered=("airspeed",))
    assert 'class="ghost"' not in text


@pytest.mark.parametrize("name", ["clear_morning", "green_arc", "two_of_everything"])
def test_every_instrument_that_misleads_has_its_ghost_in_the_debrief(name):
    simulation, _ = flown(name)
    text = ghost_figure(simulation)
    minutes, seconds = map(int, re.search(r"(\d+):(\d\d): dashed", text).groups())
    second = 60 * minutes + seconds
    wrong = {gauge for gauge, off in misleading(simulation).items() if off[second]}
    shown, true = state_at(simulation, second), true_state(simulation, second)
    assert wrong
    for gauge in wrong - {"compass"}:
        assert difference(dial(gauge), shown, true), gauge
        assert difference(dial(gauge), shown, true) in text


def test_a_gauge_that_tells_of_a_dead_pump_is_no_liar():
    """It shows the suction that there is: no ghost, though the pump has failed."""
    simulation, _ = flown("clear_morning")
    last = simulation.samples - 1
    assert state_at(simulation, last)["suction_inhg"] < 1.0
    assert difference(dial("suction"), state_at(simulation, last), true_state(simulation, last)) == ""


def test_no_label_of_the_chart_is_cut_or_lies_on_another():
    _, followed = flown("clear_morning")
    said = [
        "covers the attitude indicator and the heading indicator at once",
        "tells ATC",
        "decides to go back",
    ]
    marks = [Mark(0.3 * k, "team", said[k % 3]) for k in range(12)]
    root = ET.fromstring(known_chart(followed, marks))
    labels = [
        e
        for e in root.iter(f"{SVG}text")
        if e.get("text-anchor") == "start" and re.match(r"\d+:\d\d ", e.text)
    ]
    assert sorted(e.text.partition(" ")[2] for e in labels) == sorted(mark.text for mark in marks)
    boxes = [(float(e.get("x")), float(e.get("y")), SIGN * len(e.text)) for e in labels]
    for n, (x, y, long) in enumerate(boxes):
        assert x >= LEFT
        assert x + long <= LEFT + WIDE + 20.0
        assert not [o for o in boxes[n + 1 :] if o[1] == y and x < o[0] + o[2] and o[0] < x + long]


def test_no_ghost_is_drawn_of_a_moment_after_the_session():
    simulation, _ = flown("clear_morning")
    assert ghost_figure(simulation, 1.0) == ""
    minutes, seconds = re.search(r"the panel at (\d+):(\d+)", ghost_figure(simulation, 6.0)).groups()
    assert int(minutes) + int(seconds) / 60.0 <= 6.0
