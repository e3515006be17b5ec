"""The drill as a page: what it shows in a real browser, and that its answers are marked as in the terminal."""

from __future__ import annotations

import datetime
import json
import re
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import msgspec
import pytest

from diagnose.cli import main
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.practice.drill.scan import Scan, scan_review
from diagnose.practice.drill.session import (
    KINDS,
    DrillSession,
    PageResults,
    is_results,
    page_rounds,
    plan_of,
    read_results,
    take,
)
from diagnose.practice.drill.store import Store
from diagnose.practice.drill.studio import LETTERS, Card
from diagnose.render.drill_question import look_words
from diagnose.render.pages.drill import exercises_page
from tests.drilled import studio

NOW = datetime.datetime(2026, 11, 25, 9, 0, tzinfo=datetime.UTC)
ORDER = (
    Card("pump_sheared", "level", "name"),
    Card("static_ports_taped", "descent", "scan"),
    Card("nothing_failed", "climb", "name"),
    Card("static_ports_taped", "descent", "name"),
    Card("pump_sheared", "level", "scan"),
)


def session(path, order=ORDER) -> DrillSession:
    return DrillSession(studio=studio(), store=Store.open(path), seed=11, kinds=KINDS, order=order)


@cache
def rounds():
    with TemporaryDirectory() as place:
        return page_rounds(session(Path(place) / "p.sqlite"), NOW, len(ORDER))


@pytest.fixture(scope="module")
def text():
    return exercises_page(rounds(), studio(), "page1")


def letter_of(done) -> str:
    """The letter of what was flown."""
    truth = done.exercise.flown.truth
    return next(L for L, o in zip(LETTERS, done.exercise.options, strict=False) if truth in o.like)


def answers(given, page="page1"):
    """A file of results: (number, answer, looks) each."""
    return {
        "format": "diagnose drill results",
        "version": 1,
        "page": page,
        "panel": "single_pump",
        "answers": [
            {
                "number": number,
                "plan": msgspec.to_builtins(plan_of(rounds()[number - 1])),
                "at": (NOW + datetime.timedelta(minutes=number)).isoformat(),
                "seconds": 20.0,
                "answer": answer,
                "looks": looks,
            }
            for number, answer, looks in given
        ],
    }


def results(given, page="page1") -> PageResults:
    return msgspec.convert(answers(given, page), PageResults, strict=False)


# ------------------------------------------------------------------ without a browser


def test_a_page_asks_each_card_once_and_changes_no_progress(tmp_path):
    asked = session(tmp_path / "p.sqlite")
    chosen = page_rounds(asked, NOW, 10)
    # no failure twice in a row, where it can be helped
    assert tuple(done.card for done in chosen) == ORDER
    assert asked.store.held() == {}


def test_the_page_needs_nothing_else_and_holds_what_is_right_in_no_readable_form(text):
    assert not re.search("https?:", text.replace("http://www.w3.org/2000/svg", ""))
    assert not re.search(r"<(link|img|iframe)\b|src=|@import|fetch\(|XMLHttpRequest", text)
    # what the page itself holds
    data = json.loads(
        re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.DOTALL)[1]
    )
    for done, asked in zip(rounds(), data["exercises"], strict=True):
        open_part = str({name: value for name, value in asked.items() if name != "hidden"})
        for failure in studio().kb.failures:
            assert f"'{failure}'" not in open_part, (done.card, failure)
        assert not re.search(r"\b(onset|truth|posterior|plan)", open_part)  # "airplane" tells nothing
        # what is covered does not move in the file either
        if done.card.kind == "name":
            assert not any(part.split("-")[0] in asked["covered"] for part in asked["tracks"])


def test_results_are_marked_and_scheduled_as_in_a_session(tmp_path):
    gauges = ["suction", "attitude", "altimeter", "", "airspeed"] * 12
    given = [(1, letter_of(rounds()[0]), []), (2, letter_of(rounds()[1]), gauges), (3, "a 60 b 40", [])]
    theirs = session(tmp_path / "theirs.sqlite")
    taken = list(take(theirs, results(given), NOW + datetime.timedelta(days=1)))
    assert [t.number for t in taken] == [1, 2, 3]

    mine = session(tmp_path / "mine.sqlite")
    for number, answer, looks in given:
        done, looked = rounds()[number - 1], None
        exercise = done.exercise
        if isinstance(exercise, Scan):
            for gauge in looks:
                exercise = exercise.look(gauge) if gauge else exercise.wait()
            looked = scan_review(exercise)
        marked = exercise.mark(answer)
        at = NOW + datetime.timedelta(minutes=number)
        mine.answer(replace(done, exercise=exercise), marked, 20.0, at, f"page1.{number}", looked)
    assert theirs.store.answers() == mine.store.answers()
    assert theirs.store.held() == mine.store.held()
    assert theirs.store.answers()[1].faults == mine.store.answers()[1].faults


def test_results_with_one_bad_answer_are_refused_whole(tmp_path):
    """The bad one is given last, after answers that could be kept."""
    for bad in ((2, "a", ["no such gauge"]), (2, "", []), (3, "zzz", [])):
        asked = session(tmp_path / "p.sqlite")
        with pytest.raises(DiagnoseError):
            list(take(asked, results([(1, "a", []), bad]), NOW + datetime.timedelta(days=1)))
        assert asked.store.answers() == ()
        assert asked.store.held() == {}


@pytest.mark.parametrize(
    "bad",
    [
        {"seconds": -1.0},
        {"seconds": 1e308},
        {"number": 0},
        {"number": 10**30},
        {"at": "0001-01-01T00:00:00Z"},
        {"at": "2026-11-25T09:00:00"},
        {"answer": "a" * 100_000},
        {"plan": {"kind": "fly"}},
        {"plan": {"seed": 10**30}},
        {"plan": {"level": -1}},
    ],
    ids=str,
)
def test_results_that_no_page_writes_are_refused(tmp_path, bad):
    content = answers([(1, "a", []), (3, "b", [])])
    last = content["answers"][-1]
    content["answers"][-1] = last | bad | {"plan": last["plan"] | bad.get("plan", {})}
    path = tmp_path / "results.json"
    path.write_bytes(msgspec.json.encode(content))
    with pytest.raises(CaseError):
        read_results(path)


def test_reading_the_same_file_twice_changes_nothing(tmp_path):
    asked = session(tmp_path / "p.sqlite")
    given = results([(1, "a", []), (3, "b", [])])
    assert len(list(take(asked, given, NOW + datetime.timedelta(days=1)))) == 2
    before = (asked.store.answers(), asked.store.held())
    assert list(take(asked, given, NOW + datetime.timedelta(days=1))) == []
    assert (asked.store.answers(), asked.store.held()) == before
    # another page's first exercise is another answer
    assert len(list(take(asked, results([(1, "a", [])], "page2"), NOW + datetime.timedelta(days=1)))) == 1


def test_an_answer_older_than_the_last_one_here_does_not_turn_the_schedule_back(tmp_path):
    asked = session(tmp_path / "p.sqlite")
    late, early = results([(1, "a", [])]), results([(1, "a", [])], "page2")
    list(take(asked, late, NOW + datetime.timedelta(days=1)))
    before = asked.store.held()[ORDER[0]]
    old = msgspec.structs.replace(early.answers[0], at=NOW - datetime.timedelta(days=30))
    list(take(asked, msgspec.structs.replace(early, answers=(old,)), NOW + datetime.timedelta(days=1)))
    assert asked.store.held()[ORDER[0]].due >= before.due - datetime.timedelta(days=1)
    last = msgspec.json.decode(asked.store.held()[ORDER[0]].state)["last_review"]
    assert last == msgspec.json.decode(before.state)["last_review"]


def test_what_can_no_longer_be_made_the_same_is_not_marked(tmp_path):
    asked = session(tmp_path / "p.sqlite")
    given = results([(1, "a", [])])
    other = msgspec.structs.replace(given.answers[0].plan, mark="0" * 16)
    changed = msgspec.structs.replace(given.answers[0], plan=other)
    (taken,) = take(asked, msgspec.structs.replace(given, answers=(changed,)), NOW)
    assert taken.marked is None
    assert asked.store.answers() == ()


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ((1, "z", []), "not one of the answers"),
        ((2, "a", ["rudder"]), "no gauge that can be looked at"),
        ((2, "", []), "there is no answer"),
    ],
)
def test_an_answer_that_is_none_is_told(tmp_path, given, says):
    asked = session(tmp_path / "p.sqlite")
    with pytest.raises(CaseError, match=says):
        list(take(asked, results([given]), NOW))
    assert asked.store.answers() == ()


@pytest.mark.parametrize(
    ("damage", "says"),
    [
        (lambda d: d | {"version": 2}, "version 1"),
        (lambda d: d | {"more": 1}, "this is not a drill-results file"),
        (lambda d: d | {"answers": [d["answers"][0] | {"at": "2026-11-25T09:00:00"}]}, "no time zone"),
        (
            lambda d: d | {"answers": [d["answers"][0] | {"seconds": "long"}]},
            "this is not a drill-results file",
        ),
    ],
)
def test_a_damaged_file_is_told(tmp_path, damage, says):
    path = tmp_path / "r.json"
    path.write_bytes(msgspec.json.encode(damage(answers([(1, "a", [])]))))
    assert is_results(path.read_bytes())
    with pytest.raises(CaseError, match=says):
        read_results(path)


def test_a_page_asks_no_other_kinds(tmp_path, capsys):
    page = ["drill", "--page", str(tmp_path / "d.html"), "--data", str(tmp_path / "p.sqlite")]
    assert main([*page, "--kind", "fly"]) == 1
    assert "by name and by scan only" in capsys.readouterr().err
    assert not (tmp_path / "d.html").exists()


# ------------------------------------------------------------------ in a browser


@pytest.fixture
def tab(browser, text, tmp_path):
    path = tmp_path / "drill.html"
    path.write_text(text)
    # Playwright waits by evaluating text, which the page's own policy forbids
    context = browser.new_context(accept_downloads=True, bypass_csp=True)
    opened = context.new_page()
    faults, asked = [], []
    opened.on("pageerror", lambda error: faults.append(str(error)))
    opened.on("request", lambda request: asked.append(request.url))
    opened.goto(path.as_uri())
    opened.select_option("#speed", "20")
    opened.evaluate("document.activeElement.blur()")
    yield opened
    assert faults == []
    assert [url for url in asked if not url.startswith(("file:", "blob:"))] == []
    context.close()


def look_if_scan(tab):
    """Look at the airspeed indicator where the gauges are hidden: without a look nothing can be called."""
    if "Scan" in tab.inner_text("#title"):
        tab.keyboard.press("1")
        tab.wait_for_function("document.querySelectorAll('#seen li').length === 1")


def answer_one(tab, letter="a"):
    """Give an answer by the keys, and have it told."""
    look_if_scan(tab)
    tab.keyboard.press(letter)
    tab.keyboard.press("Enter")


def answer_all_before(tab, number):
    """Give an answer to all exercises before this one."""
    for _ in range(number - 1):
        answer_one(tab)
        tab.keyboard.press("Enter")


def downloaded(tab, tmp_path):
    with tab.expect_download() as download:
        tab.click("#save")
    path = tmp_path / "results.json"
    download.value.save_as(path)
    return path


def test_nothing_tells_the_answer_before_it_is_given(tab):
    for done in rounds():
        shown = tab.inner_text("body")
        assert not re.search(r"\bCorrect\b|No, it|No:|What it was|Why:|It began", shown)
        assert tab.is_hidden("#told")
        if done.card.kind == "scan":
            assert tab.locator("#panel .dial:visible").count() == 0
        # who presses no more than the keys of an answer has it told
        answer_one(tab)
        assert tab.is_visible("#told")
        tab.keyboard.press("Enter")
    assert tab.locator("#answers tbody tr").count() == len(rounds())


def test_answers_are_marked_in_the_page_as_by_the_drill(tab):
    for done in rounds():
        if done.card.kind == "name":
            letter = letter_of(done)
            tab.keyboard.press(letter)
            tab.keyboard.press("Enter")
            mark = tab.locator("#answers tbody tr").last.locator("td").last.inner_text()
            assert mark == ("correct" if done.exercise.mark(letter).correct else "wrong")
        else:
            answer_one(tab)
        tab.keyboard.press("Enter")


@pytest.mark.parametrize("said", ["a 70", "a 60 b 30 c 10", "b 33 c 33 a 33", "b 1"])
def test_chances_are_scored_in_the_page_as_by_the_drill(tab, said):
    for number in (1, 3, 4):
        while f"{number} of" not in tab.inner_text("#title"):
            answer_one(tab)
            tab.keyboard.press("Enter")
        exercise = rounds()[number - 1].exercise
        for letter, chance in re.findall(r"([a-z]) (\d+)", said):
            tab.fill(f"input[data-letter={letter}]", chance)
        tab.click("#answer")
        marked = exercise.mark(said)
        assert f"Score {100.0 * marked.score:.0f} of 100" in tab.inner_text("#told")
        mark = tab.locator("#answers tbody tr").last.locator("td").last.inner_text()
        assert mark == ("correct" if marked.correct else "wrong")
        tab.click("#next")


def test_chances_that_do_not_add_up_are_told(tab):
    tab.click("#answer")
    assert tab.inner_text("#fault") == "Choose an answer."
    tab.fill("input[data-letter=a]", "80")
    tab.fill("input[data-letter=b]", "80")
    tab.click("#answer")
    assert tab.inner_text("#fault") == "The percentages add up to 160, not 100."
    assert tab.is_hidden("#told")


def test_a_flight_to_be_named_plays(tab):
    before = tab.get_attribute('[data-part="attitude-part"]', "transform")
    tab.keyboard.press(" ")
    tab.wait_for_function("document.getElementById('play').textContent === 'Pause'")
    tab.wait_for_function("document.getElementById('play').textContent === 'Play'")
    assert tab.get_attribute('[data-part="attitude-part"]', "transform") == before


def test_a_scan_in_the_page_is_the_scan_of_the_drill(tab, tmp_path):
    answer_all_before(tab, 2)
    scan = rounds()[1].exercise
    for place, gauge in enumerate(("altimeter", "suction", "attitude", "heading", "altimeter")):
        tab.locator(f'#panel .cover[data-covers="{gauge}"]').click()
        # open while it is looked at, and covered again
        tab.wait_for_function(f"document.querySelectorAll('#seen li').length === {place + 1}")
        assert tab.locator("#panel .dial:visible").count() == 0
        scan = scan.look(gauge)
    tab.keyboard.press("1")
    tab.wait_for_function("document.querySelectorAll('#seen li').length === 6")
    scan = scan.look("airspeed")
    assert tab.locator("#seen li").first.inner_text() == f"0:18 {look_words(scan)}"
    # it runs on by itself
    tab.keyboard.press(" ")
    tab.wait_for_function("parseInt(document.getElementById('clock').textContent.split(':')[0]) >= 2")
    tab.keyboard.press(" ")
    tab.wait_for_function("document.getElementById('play').textContent === 'Let it run'")
    tab.wait_for_timeout(400)
    tab.locator('#panel .cover[data-covers="suction"]').click()
    tab.wait_for_function("document.querySelectorAll('#seen li').length === 7")
    tab.keyboard.press(letter_of(rounds()[1]))
    tab.keyboard.press("Enter")
    assert "That is what you called" in tab.inner_text("#told")
    assert tab.locator("#panel .dial:visible").count() > 0
    # the way of the eye: a place for each stay, and the looks that tell most
    assert tab.locator(".trace circle.yours").count() == 7
    assert tab.locator(".trace text").all_text_contents() == ["1", "2", "3", "4", "5", "6", "7"]
    assert tab.locator(".trace polyline.told").count() >= 1
    dial = tab.locator('#panel .dial[data-gauge="airspeed"]').bounding_box()
    place = tab.locator(".trace circle.yours").nth(5).bounding_box()
    assert abs(place["x"] + place["width"] / 2 - dial["x"] - dial["width"] / 2) < 3
    assert abs(place["y"] + place["height"] / 2 - dial["y"] - dial["height"] / 2) < 3
    given = read_results(downloaded(tab, tmp_path)).answers[1]
    assert [gauge for gauge in given.looks if gauge][-1] == "suction"
    assert "" in given.looks
    again = rounds()[1].exercise
    for gauge in given.looks:
        again = again.look(gauge) if gauge else again.wait()
    minutes, seconds = tab.inner_text("#clock").split(" of ")[0].split(":")
    assert again.second == int(minutes) * 60 + int(seconds)


def test_a_scan_in_the_page_is_not_called_before_a_look(tab):
    answer_all_before(tab, 2)
    tab.keyboard.press("a")
    tab.keyboard.press("Enter")
    assert "Look at a gauge first" in tab.inner_text("#fault")
    assert tab.is_hidden("#told")
    assert tab.locator("#answers tbody tr").count() == 1
    # the fault is gone with the look that mends it
    look_if_scan(tab)
    assert tab.inner_text("#fault") == ""


def test_giving_up_early_is_told_in_the_page_and_is_neither_right_nor_wrong(tab, tmp_path):
    answer_all_before(tab, 2)
    options = [option.id for option in rounds()[1].exercise.options]
    answer_one(tab, LETTERS[options.index("cannot_tell")])
    told = tab.inner_text("#told")
    assert "Too early to be right" in told
    assert not re.search("What it was|It began", told)
    taken = take(
        session(tmp_path / "p.sqlite"),
        read_results(downloaded(tab, tmp_path)),
        datetime.datetime.now(datetime.UTC),
    )
    marked = list(taken)[1].marked
    assert (marked.correct, marked.counts) == (False, False)


def test_a_flight_that_ends_without_a_call_is_over(tab, tmp_path):
    answer_all_before(tab, 2)
    tab.keyboard.press(" ")
    tab.wait_for_selector("#told:visible", timeout=60_000)
    assert "Time is up and you made no call" in tab.inner_text("#told")
    given = read_results(downloaded(tab, tmp_path)).answers[1]
    assert given.answer == ""
    asked = session(tmp_path / "p.sqlite")
    taken = list(take(asked, read_results(tmp_path / "results.json"), datetime.datetime.now(datetime.UTC)))
    assert not taken[1].marked.correct


def test_answers_outlast_a_reload_and_are_read_back_by_the_command(tab, tmp_path, capsys):
    answer_one(tab)
    tab.reload()
    assert tab.locator("#answers tbody tr").count() == 1
    assert "2 of" in tab.inner_text("#title")
    answer_one(tab, "b")
    path = downloaded(tab, tmp_path)
    command = ["drill", "--import", str(path), "--data", str(tmp_path / "p.sqlite")]
    assert main(command) == 0
    told = capsys.readouterr().out
    assert "2 answers added." in told
    # what a page could not say of a scan is said now
    assert "[2] " in told
    assert main(command) == 0
    assert "0 answers added." in capsys.readouterr().out
    kept = Store.open(tmp_path / "p.sqlite").answers()
    assert [a.kind for a in kept] == ["name", "scan"]


def test_the_page_fits_a_telephone(tab):
    tab.set_viewport_size({"width": 390, "height": 844})
    for _ in rounds():
        assert tab.evaluate("document.documentElement.scrollWidth") == 390
        answer_one(tab)
        assert tab.evaluate("document.documentElement.scrollWidth") == 390
        tab.keyboard.press("Enter")
