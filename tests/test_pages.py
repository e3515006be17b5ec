"""What a reader meets on every page, in a real browser: sizes, widths, nothing fetched, nothing complained of, paper."""

from __future__ import annotations

import re
from functools import cache

import pytest

from diagnose.advice.advise import advise
from diagnose.language.case_files import load_case
from diagnose.practice.scoring import score
from diagnose.practice.tabletop import advance, call, start
from diagnose.render.pages.debrief import debrief_page
from diagnose.render.pages.papers import handout, instructor_copy
from diagnose.render.pages.whole import case_page
from tests.small import engine as engine_of
from tests.small import shipped
from tests.test_scenario import engine, flown


@cache
def written(kind):
    simulation, followed = flown("clear_morning")
    match kind:
        case "debrief":
            held = call(advance(start(simulation, ("red",)), 300), "red", "doubt", ("attitude",))
            record = advance(held, 600).record
            return debrief_page(simulation, followed, record, score(simulation, engine("single_pump"), followed, record))
        case "instructor":
            return instructor_copy(simulation, followed)
        case "handout":
            return handout(simulation)
    case = load_case("vacuum_pump_three_snapshots", shipped())
    own = engine_of(case.panel)
    return case_page(case, advise(own.posterior(case)), own)


SMALL = """[...document.querySelectorAll('svg text')].filter((t) => t.textContent.trim() && t.checkVisibility({ visibilityProperty: true }))
  .map((t) => [t.textContent, parseFloat(getComputedStyle(t).fontSize) * Math.hypot(t.getScreenCTM().a, t.getScreenCTM().b)])
  .filter(([, px]) => px < 9)"""
TARGETS = """[...document.querySelectorAll('button, select, input:not([type=checkbox]), summary')].filter((e) => e.offsetParent)
  .map((e) => [e.id || e.textContent, e.getBoundingClientRect().width, e.getBoundingClientRect().height])
  .filter(([, w, h]) => w < 44 || h < 44)"""


@pytest.mark.parametrize("kind", ["debrief", "instructor", "handout", "case"])
def test_a_page_fits_every_screen_and_asks_for_nothing(browser, tmp_path, kind):
    path = tmp_path / "page.html"
    path.write_text(written(kind), encoding="utf-8")
    tab = browser.new_page()
    told, asked = [], []
    tab.on("pageerror", lambda error: told.append(str(error)))
    tab.on("console", lambda message: told.append(message.text))
    tab.on("request", lambda request: asked.append(request.url))
    for width in (390, 820, 1280):
        tab.set_viewport_size({"width": width, "height": 844})
        tab.goto(path.as_uri())
        assert tab.evaluate("document.documentElement.scrollWidth") == width
        assert tab.evaluate(SMALL) == []
        assert tab.evaluate(TARGETS) == []
    # nor on the narrower of the two papers
    tab.emulate_media(media="print")
    tab.set_viewport_size({"width": 688, "height": 1017})
    assert tab.evaluate(SMALL) == []
    assert told == []
    assert set(asked) == {path.as_uri()}
    # every picture says in words what it shows
    for picture in tab.query_selector_all("svg[role=img]"):
        assert picture.query_selector("title").text_content()
    for panel in tab.query_selector_all("figure > svg.panel"):
        assert re.search(r"airspeed \d+ kt|what was told", panel.text_content())
    tab.close()


def test_the_debrief_flies_again_with_all_that_happened_on_the_bar(browser, tmp_path):
    path = tmp_path / "page.html"
    path.write_text(written("debrief"), encoding="utf-8")
    tab = browser.new_page()
    tab.goto(path.as_uri())
    assert [tab.locator(f"#marks .{kind}:visible").count() for kind in ("fails", "radio", "call")] == [1, 1, 1]
    assert tab.locator("#rows .misleads").count() == 2
    tab.click("#marks .fails")
    assert tab.inner_text("#clock") == "1:45"
    # the lines beside the panel are those of the time: the pump fails at 1:45
    assert tab.locator("#lines .hurt:visible").count() == 1
    tab.focus("#scrub")
    tab.keyboard.press("ArrowLeft")
    assert tab.inner_text("#clock") == "1:44"
    assert tab.locator("#lines svg:visible").count() == 1
    assert tab.locator("#lines .hurt:visible").count() == 0
    before = tab.get_attribute('#six [data-part="altimeter-hand2"]', "transform")
    tab.focus("#scrub")
    tab.keyboard.press("End")
    assert tab.inner_text("#clock") == "10:00"
    assert tab.get_attribute('#six [data-part="altimeter-hand2"]', "transform") != before
    tab.emulate_media(media="print")
    assert tab.is_hidden("#stage")
    assert tab.is_visible("table >> nth=0")
    tab.close()


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize(
    ("name", "on_sheet"), [("clear_morning", 3), ("after_the_wash", 3), ("nothing_to_see", 3), ("two_of_everything", 2)]
)
def test_panels_to_read_fill_the_sheets_of_the_handout(browser, tmp_path, name, on_sheet, paper):
    path = tmp_path / "page.html"
    path.write_text(handout(flown(name)[0], paper), encoding="utf-8")
    tab = browser.new_page()
    tab.goto(path.as_uri())
    tab.emulate_media(media="print")
    # the printable width of the sheet in CSS px; so many figures are no higher than its printable height
    wide, high = ((210 - 28) / 25.4 * 96, (297 - 28) / 25.4 * 96) if paper == "a4" else ((8.5 - 28 / 25.4) * 96, (11 - 28 / 25.4) * 96)
    tab.set_viewport_size({"width": round(wide), "height": round(high)})
    figures = [box.bounding_box() for box in tab.query_selector_all("figure")]
    says = [box.bounding_box()["height"] for box in tab.query_selector_all(".says")]
    assert len(figures) >= 5
    assert tab.evaluate(SMALL) == []
    more = on_sheet - 1
    assert max(figures[k + more]["y"] + figures[k + more]["height"] - figures[k]["y"] for k in range(len(figures) - more)) <= high
    on_first = more
    assert figures[on_first - 1]["y"] + figures[on_first - 1]["height"] <= high
    # the notes fill what the panels leave: no third of the last sheet is empty
    last, notes = figures[-1], tab.query_selector("table.blank").bounding_box()
    used = (len(figures) - on_first) % on_sheet
    room = high - used * (last["height"] + 12.0) - (sum(says) if used else 0.0)
    filled = notes["height"] + 90.0
    assert filled >= room * 2.0 / 3.0 or filled > room
    tab.close()
