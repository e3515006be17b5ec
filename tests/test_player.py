"""The page that plays: what is in it, and how it behaves in a real browser."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import msgspec
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
    assert not re.search("https?:", text.replace("http://www.w3.org/2000/svg", ""))
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
    # Playwright waits by evaluating text, which the page's own policy forbids
    tab = browser.new_page(accept_downloads=True, bypass_csp=True)
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


@pytest.fixture
def strict(browser, tmp_path):
    """The page under its own policy, with a title that would end a script or begin a comment."""
    simulation, _ = flown("clear_morning")
    title = "A </script><script>alert(1)</script> <!--<script> title & more"
    simulation = replace(simulation, scenario=msgspec.structs.replace(simulation.scenario, title=title))
    path = tmp_path / "play.html"
    path.write_text(player_page(simulation, ("red", "blue")), encoding="utf-8")
    tab = browser.new_page()
    told, asked = [], []
    tab.on("pageerror", lambda error: told.append(str(error)))
    tab.on("console", lambda message: told.append(message.text))
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(path.as_uri())
    assert tab.inner_text("h1") == title
    yield tab
    assert told == []
    assert asked
    assert set(asked) == {path.as_uri()}
    tab.close()


def test_a_title_that_looks_like_a_script_harms_nothing_and_nothing_is_fetched(strict):
    strict.keyboard.press("ArrowRight")
    assert strict.inner_text("#clock") == "0:01"
    strict.click("summary >> nth=0")
    assert strict.is_visible("svg.plumbing")
    strict.click("#step")
    assert shown_seconds(strict) == 2


def test_who_goes_back_in_time_does_not_call_earlier(strict):
    for _ in range(30):
        strict.keyboard.press("ArrowRight")
    for _ in range(2):
        strict.keyboard.press("ArrowLeft")
    strict.keyboard.press("2")
    assert strict.inner_text("#clock") == "0:10"
    assert strict.inner_text("#calls tbody tr td >> nth=0") == "0:30"


def test_a_reload_keeps_calls_and_place(strict):
    for _ in range(12):
        strict.keyboard.press("ArrowRight")
    strict.keyboard.press("2")
    strict.select_option("#team", "blue")
    strict.reload()
    assert strict.inner_text("#clock") == "0:12"
    assert strict.locator("#calls tbody tr").count() == 1
    assert strict.input_value("#team") == "blue"
    strict.select_option("#team", "red")
    assert strict.is_hidden('.dial[data-gauge="attitude"]')


def test_space_presses_the_button_that_has_the_focus(strict):
    strict.focus("#step")
    strict.keyboard.press(" ")
    assert (strict.inner_text("#play"), shown_seconds(strict)) == ("Play", 1)
    strict.focus("#play")
    strict.keyboard.press(" ")
    assert strict.inner_text("#play") == "Pause"
    strict.keyboard.press(" ")
    assert strict.inner_text("#play") == "Play"


def test_a_look_offers_only_what_is_not_in_view(strict):
    simulation, _ = flown("clear_morning")
    offered = strict.eval_on_selector_all("#look option", "all => all.map((option) => option.value)")
    assert offered
    assert set(offered).isdisjoint(seen_gauges(simulation))


def test_nothing_is_read_out_each_second(strict):
    strict.evaluate(
        """() => { window.heard = 0; for (const box of document.querySelectorAll("[aria-live], output, [role=status]"))
        new MutationObserver((all) => { window.heard += all.length; }).observe(box, { childList: true, characterData: true, subtree: true }); }"""
    )
    for _ in range(20):
        strict.keyboard.press("ArrowRight")
    assert strict.evaluate("window.heard") == 0
    assert strict.get_attribute("#clock", "role") == "timer"


@pytest.mark.parametrize("width", [390, 820, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_what_is_pressed_is_large_enough_and_texts_stand_out(strict, width, scheme):
    strict.set_viewport_size({"width": width, "height": 844})
    strict.emulate_media(color_scheme=scheme)
    boxes = strict.eval_on_selector_all(
        "button, select, input, summary",
        "all => all.filter((e) => e.offsetParent).map((e) => [e.id, e.getBoundingClientRect().width, e.getBoundingClientRect().height])",
    )
    assert len(boxes) > 8
    assert [box for box in boxes if box[1] < 44 or box[2] < 44] == []
    ink, paper = strict.evaluate(
        "() => { const s = getComputedStyle(document.body); return [s.color, s.backgroundColor].map((c) => c.match(/[0-9]+/g).map(Number)); }"
    )
    light, dark = sorted((luminance(ink), luminance(paper)), reverse=True)
    # WCAG 2.2, success criterion 1.4.6: 7 to 1
    assert (light + 0.05) / (dark + 0.05) >= 7.0
    assert (luminance(paper) < 0.1) == (scheme == "dark")
    assert strict.evaluate("document.documentElement.scrollWidth") == width
    small = strict.eval_on_selector_all(
        "svg.panel text",
        "all => all.filter((t) => t.textContent.trim() && t.checkVisibility({ visibilityProperty: true })).map((t) => [t.textContent, parseFloat(getComputedStyle(t).fontSize) * Math.hypot(t.getScreenCTM().a, t.getScreenCTM().b)]).filter(([, px]) => px < 9)",
    )
    assert small == []


def luminance(rgb):
    """Relative luminance by WCAG 2.2."""
    parts = [c / 255.0 for c in rgb]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_a_telephone_needs_no_scrolling_to_the_side_and_paper_shows_no_buttons(page):
    page.set_viewport_size({"width": 390, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    # the six stand above the others, each as wide as the page allows
    assert page.locator('#panel .dial[data-gauge="airspeed"]').bounding_box()["width"] > 110
    page.emulate_media(media="print")
    assert page.is_hidden("#play")
    assert page.is_hidden("#form")
    assert page.is_visible("#calls")


# ------------------------------------------------------------------ how needles move

STEP = """(stops) => {
  const part = document.createElementNS("http://www.w3.org/2000/svg", "g");
  part.dataset.part = "made-up";
  document.querySelector("svg").append(part);
  const tracks = { "made-up": { how: "rotate", values: [0, 0, 90, 90, 90, 90, 90, 90], stops } };
  const at = () => Number(part.getAttribute("transform").slice(7, -1));
  const path = [];
  moving.put(tracks, 0);
  for (let frame = 0; frame <= 150; frame++) {
    moving.put(tracks, frame / 30, 1 / 30);
    path.push(at());
  }
  moving.put(tracks, 2);
  return [path, at()];
}"""


def test_a_needle_lags_swings_over_a_little_and_comes_to_rest(strict):
    path, still = strict.evaluate(STEP, None)
    # the number goes from 0 to 90 degrees between the seconds 1 and 2
    assert path[30] == 0.0
    assert path[45] < 45.0 - 5.0
    assert 90.5 < max(path) < 105.0
    assert path[-1] == pytest.approx(90.0, abs=0.2)
    # no hand goes across its dial in a second
    assert np.abs(np.diff(path)).max() * 30 <= 120.0 + 0.5
    # a picture that does not move is that of the numbers
    assert still == 90.0


def test_a_needle_does_not_swing_over_its_peg(strict):
    path, _ = strict.evaluate(STEP, [0, 90])
    assert max(path) <= 90.0
    assert path[-1] == pytest.approx(90.0, abs=0.2)


def test_the_pegs_are_those_of_the_scale():
    simulation, _ = flown("clear_morning")
    tracks = play_data(simulation, ("team",))["tracks"]
    dials = shipped().dials
    assert tracks["airspeed-hand0"]["stops"] == [
        dials["airspeed"].hands[0].points[0][1],
        dials["airspeed"].hands[0].points[-1][1],
    ]
    assert "stops" not in tracks["heading-hand0"]
    for name, track in tracks.items():
        if "stops" in track:
            low, high = track["stops"]
            assert low - 0.06 <= min(track["values"]) <= max(track["values"]) <= high + 0.06, name


def test_it_moves_thirty_times_a_second(strict):
    strict.evaluate(
        """() => { window.frames_drawn = 0; const hand = document.querySelector('[data-part="altimeter-hand2"]');
        new MutationObserver(() => { window.frames_drawn += 1; }).observe(hand, { attributes: true }); }"""
    )
    strict.click("#play")
    strict.wait_for_timeout(2000)
    strict.click("#play")
    # at most thirty and a few; how many there are on a busy machine says nothing of the page
    assert 2 <= strict.evaluate("window.frames_drawn") <= 70
