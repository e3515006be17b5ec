"""The pages that play, in Firefox: they work as in Chromium, where one is installed."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from diagnose.practice.simulate import state_at
from diagnose.render.pages.papers import player_page, seen_gauges
from diagnose.render.pictures.panel import panel_svg
from tests import firefox
from tests.small import shipped
from tests.test_scenario import flown

#: the arrow to the right, as WebDriver names keys
RIGHT = chr(0xE014)


@pytest.fixture(scope="module")
def tab():
    pytest.importorskip("websockets", reason="websockets is not installed: pip install websockets")
    program = firefox.program()
    if program is None:
        pytest.skip("no Firefox found on this machine: apt-get install firefox-esr")
    with firefox.running(program) as found:
        yield found


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    path = tmp_path_factory.mktemp("pages") / "play.html"
    path.write_text(player_page(flown("clear_morning")[0], ("red", "blue")), encoding="utf-8")
    return path.as_uri()


@pytest.mark.parametrize(("width", "dial"), [(390, "1"), (820, "2"), (1280, "3")])
def test_firefox_plays_takes_calls_and_keeps_them(tab, address, width, dial):
    simulation, _ = flown("clear_morning")
    tab.size(width, 844)
    tab.goto(address)
    tab.get("deck.to(0)")
    tab.key(*[RIGHT] * 3)
    assert tab.get("document.getElementById('clock').textContent") == "0:03"
    tab.get("deck.to(130)")
    root = ET.fromstring(panel_svg(state_at(simulation, 130), shipped().dials, seen_gauges(simulation)))
    for name in ("airspeed-hand0", "suction-hand0", "altimeter-hand2"):
        drawn = next(e for e in root.iter() if e.get("data-part") == name).get("transform")
        there = tab.get(f"document.querySelector('[data-part=\"{name}\"]').getAttribute('transform')")
        pair = [float(re.search(r"-?[\d.]+", text).group()) for text in (drawn, there)]
        assert (pair[0] - pair[1] + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.06)
    before = tab.get("document.querySelectorAll('#calls tbody tr').length")
    tab.key(dial, "d")
    assert tab.get("document.querySelectorAll('#calls tbody tr').length") == before + 1
    assert "doubts" in tab.get("document.querySelector('#calls tbody').textContent")
    assert tab.get("document.documentElement.scrollWidth") <= width
    tab.goto(address)
    assert tab.get("document.getElementById('clock').textContent") == "2:10"
    assert tab.get("document.querySelectorAll('#calls tbody tr').length") == before + 1
    assert tab.faults == []
