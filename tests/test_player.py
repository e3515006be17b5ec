"""The page that plays: what is in it, and how it behaves in a real browser."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from diagnose.practice.simulate import state_at
from diagnose.practice.tabletop import advance, call, look, read_session, score, start
from diagnose.render.pages.papers import seen_gauges
from diagnose.render.pages.player import play_data, player_page
from diagnose.render.pictures import panel_svg
from tests.small import shipped
from tests.test_scenario import NAMES, engine, flown

# ------------------------------------------------------------------ without a browser


def test_the_page_needs_nothing_else_and_does_not_say_what_fails():
    simulation, followed = flown("clear_morning")
    text = player_page(simulation)
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
    assert not re.search(r"<(link|img|iframe)\b|src=|@import|fetch\(|XMLHttpRequest", text)
    data = play_data(simulation, ("team",))
    # all failures of the panel can be called, so their names stand in a list; nothing marks the true one
    assert list(data["failures"]) == [failure.id for failure in simulation.network.failures]
    rest = json.dumps({name: value for name, value in data.items() if name != "failures"})
    assert not any(failure in rest for failure in followed.truth)
    assert not re.search("onset|truth|degree|posterior|teaching", rest)
    for point in simulation.scenario.teaching:
        assert point not in text


def standing(track, second):
    """Attributes that the script sets from a track."""
    if track["how"] == "rotate":
        return track["values"][second]
    if track["how"] == "horizon":
        return track["values"][second], track["second"][second]
    if track["how"] == "slide":
        return track["values"][second]
    return [value for at, value in track["changes"] if at <= second][-1]


@pytest.mark.parametrize("name", ["clear_morning", "night_return", "two_of_everything"])
def test_tracks_put_every_part_where_the_still_picture_has_it(name):
    simulation, _ = flown(name)
    tracks = play_data(simulation, ("team",))["tracks"]
    gauges = simulation.network.panel.gauges
    for second in range(0, simulation.samples, 97):
        root = ET.fromstring(panel_svg(state_at(simulation, second), shipped().dials, gauges))
        for element in root.iter():
            track = tracks.get(element.get("data-part"))
            if track is None:
                continue
            stands = standing(track, second)
            numbers = [float(n) for n in re.findall(r"-?[\d.]+", element.get("transform") or "")]
            if track["how"] == "write":
                assert (element.text or "").strip() == stands.strip()
            elif track["how"] == "show":
                assert element.get("visibility") == ("visible" if stands else "hidden")
            elif track["how"] == "slide":
                assert numbers[0] == pytest.approx(stands, abs=0.06)
            else:
                turned = stands[0] if track["how"] == "horizon" else stands
                assert (numbers[0] - turned + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.06)


@pytest.mark.parametrize("name", NAMES)
def test_hands_never_jump_by_half_a_turn(name):
    tracks = play_data(flown(name)[0], ("team",))["tracks"]
    for track in tracks.values():
        if track["how"] in ("rotate", "horizon"):
            assert np.abs(np.diff(track["values"])).max() <= 180.0


# ------------------------------------------------------------------ in a browser


@pytest.fixture
def page(browser, tmp_path):
    simulation, _ = flown("clear_morning")
    path = tmp_path / "play.html"
    path.write_text(player_page(simulation, ("red", "blue")))
    tab = browser.new_page(accept_downloads=True)
    faults = []
    tab.on("pageerror", lambda error: faults.append(str(error)))
    tab.goto(path.as_uri())
    yield tab
    assert faults == []
    tab.close()


def shown_seconds(tab):
    minutes, seconds = tab.inner_text("#clock").split(":")
    return int(minutes) * 60 + int(seconds)


def test_it_plays_pauses_and_steps_by_mouse_and_keys(page):
    before = page.get_attribute('[data-part="altimeter-hand2"]', "transform")
    page.select_option("#speed", "60")
    page.click("#play")
    page.wait_for_function("document.getElementById('clock').textContent >= '3:00'")
    page.click("#play")
    assert page.inner_text("#play") == "Play"
    stopped = shown_seconds(page)
    page.wait_for_timeout(200)
    assert shown_seconds(page) == stopped
    assert page.get_attribute('[data-part="altimeter-hand2"]', "transform") != before
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("ArrowRight")
    assert shown_seconds(page) == stopped + 1
    page.keyboard.press("ArrowLeft")
    assert shown_seconds(page) == stopped - 9
    page.keyboard.press(" ")
    assert page.inner_text("#play") == "Pause"
    page.keyboard.press(" ")
    assert page.inner_text("#play") == "Play"


def test_the_picture_is_that_of_the_physics_and_calls_are_heard(page):
    simulation, _ = flown("clear_morning")
    for _ in range(130):
        page.keyboard.press("ArrowRight")
    root = ET.fromstring(panel_svg(state_at(simulation, 130), shipped().dials, seen_gauges(simulation)))
    for name in ("airspeed-hand0", "suction-hand0", "altimeter-hand2"):
        drawn = next(e for e in root.iter() if e.get("data-part") == name).get("transform")
        there = page.get_attribute(f'[data-part="{name}"]', "transform")
        pair = [float(re.search(r"-?[\d.]+", text).group()) for text in (drawn, there)]
        assert (pair[0] - pair[1] + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.06)
    assert page.get_attribute('[data-part="vacuum_light-part"]', "visibility") == "visible"
    for _ in range(171):
        page.keyboard.press("ArrowRight")
    assert page.inner_text("#said") == "5:00 Karelund Approach: say your heading"


def test_its_record_scores_as_the_terminals(page, tmp_path):
    simulation, followed = flown("clear_morning")
    for _ in range(130):
        page.keyboard.press("ArrowRight")
    page.select_option("#kind", "suspect")
    page.select_option("#failure", ["pump_sheared"])
    page.fill("#sure", "60")
    page.click("#call")
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("2")
    assert page.is_hidden('.dial[data-gauge="attitude"]')
    assert page.locator('.cover[data-covers="attitude"]').count() == 1
    page.select_option("#look", "atc_height")
    page.click("#look-now")
    assert page.is_visible('[data-aside="atc_height"]')
    assert page.locator('[data-aside="atc_height"] svg').bounding_box()["height"] > 50
    page.select_option("#team", "blue")
    assert page.is_visible('.dial[data-gauge="attitude"]')
    page.select_option("#kind", "decide")
    page.fill("#words", "back to Karelund")
    page.click("#call")
    assert page.locator("#calls tbody tr").count() == 3
    page.evaluate("document.activeElement.blur()")
    for _ in range(50):
        page.keyboard.press("ArrowRight")
    with page.expect_download() as download:
        page.click("#save")
    path = tmp_path / "session.json"
    download.value.save_as(path)
    record = read_session(path, simulation.scenario)

    terminal = advance(start(simulation, ("red", "blue")), 130)
    terminal = call(terminal, "red", "suspect", ("pump_sheared",), 0.6)
    terminal = call(terminal, "red", "cover", ("attitude",))
    terminal = look(terminal, "red", "atc_height")
    terminal = advance(call(terminal, "blue", "decide", ("back to Karelund",)), 50)
    assert record == terminal.record
    reasoner = engine("single_pump")
    assert score(simulation, reasoner, followed, record) == score(
        simulation, reasoner, followed, terminal.record
    )


def test_a_click_covers_and_uncovers_and_calls_can_be_taken_back(page):
    page.locator('.dial[data-gauge="heading"]').first.click()
    assert page.is_hidden('.dial[data-gauge="heading"]')
    page.locator('.cover[data-covers="heading"]').click()
    assert page.is_visible('.dial[data-gauge="heading"]')
    page.click("#undo")
    assert page.is_hidden('.dial[data-gauge="heading"]')
    page.keyboard.press("Escape")
    assert page.locator("#calls tbody tr").count() == 1


def test_a_telephone_needs_no_scrolling_to_the_side_and_paper_shows_no_buttons(page):
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    # the six stand above the others, each as wide as the page allows
    assert page.locator('#panel .dial[data-gauge="airspeed"]').bounding_box()["width"] > 110
    page.emulate_media(media="print")
    assert page.is_hidden("#play")
    assert page.is_hidden("#form")
    assert page.is_visible("#calls")
