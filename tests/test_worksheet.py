"""The worksheet: its moves, its looks at every size, its keys and mouse, and a run in a real terminal."""

from __future__ import annotations

import math
import re
import threading
import time
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.language import readable
from diagnose.model.errors import CaseError
from diagnose.model.systems import CHECKS
from diagnose.render.advice import worth_while
from diagnose.render.layout import chance_words
from diagnose.render.text import causes, names
from diagnose.terminal import sheet as moves
from diagnose.terminal.commands import Desk, obey
from diagnose.terminal.commands.asking import questions, why
from diagnose.terminal.sheet import Sheet, rows_of, select, type_letter
from diagnose.terminal.sheet_view import KEYS, Shown, keys_line, view
from diagnose.terminal.worksheet import COLOURS, Background, Worksheet
from tests.examples import some
from tests.small import shipped

ENGINES = {}


def desk_after(*lines):
    desk = Desk(kb=shipped(), engines=ENGINES, later=True, asks=True)
    for line in lines:
        desk, _ = obey(desk, line)
    return desk


def at(sheet, facet):
    """The sheet with the row of this facet selected."""
    row = next(place for place, row in enumerate(sheet.rows) if row.facet == facet)
    return moves.select(sheet, row, sheet.desk.session.now.at)


def climb(facet="airspeed.trend"):
    return at(Sheet(desk=desk_after("snapshot climb")), facet)


def typed(sheet, text):
    for letter in text:
        sheet = moves.type_letter(sheet, letter)
    return sheet


# ------------------------------------------------------------------ rows


@pytest.mark.parametrize("panel", list(shipped().panels))
def test_every_facet_of_the_panel_stands_once_under_what_feeds_it(panel):
    rows = rows_of(shipped(), shipped().panel(panel))
    facets = [row.facet for row in rows if row.facet]
    dials = [shipped().gauges[g] for g in shipped().panel(panel).gauges]
    wanted = [f"{g.id}.{f.id}" for g in dials if g.group != CHECKS for f in g.facets]
    assert sorted(facets) == sorted(wanted)
    assert not rows[0].facet


@pytest.mark.parametrize(
    ("facet", "feed"),
    [
        ("airspeed.trend", "fed by pitot and static pressure"),
        ("altimeter.trend", "fed by static pressure"),
        ("attitude.bank", "fed by suction"),
        ("turn_coordinator.turn", "fed by the electrical bus"),
        ("compass.trend", "independent"),
    ],
)
def test_a_gauge_stands_under_what_feeds_it(facet, feed):
    heading = ""
    for row in rows_of(shipped(), shipped().panel("single_pump")):
        heading = row.feed or heading
        if row.facet == facet:
            assert heading == feed


# ------------------------------------------------------------------ moves


@pytest.mark.parametrize(
    ("facet", "keys", "reading"),
    [
        ("airspeed.trend", "f", "falling"),
        ("airspeed.trend", "falling", "falling"),
        ("airspeed.trend", "frozen", "steady"),
        ("altimeter.trend", "s", "steady"),
        ("vertical_speed.rate", "z", "zero"),
        ("attitude.pitch", "nose u", "nose_up"),
    ],
)
def test_first_letters_give_a_reading(facet, keys, reading):
    assert typed(climb(facet), keys).desk.case.snapshot[0].readings == {facet: reading}


def test_letters_that_begin_several_readings_are_offered_and_enter_takes_one():
    sheet = typed(climb("vertical_speed.rate"), "p")
    assert sheet.desk.case.snapshot[0].readings == {}
    assert sheet.options[sheet.choice] == "pegged_up"
    sheet = moves.step_choice(sheet, 1)
    assert moves.take_choice(sheet).desk.case.snapshot[0].readings == {"vertical_speed.rate": "pegged_down"}
    assert moves.step_choice(sheet, 1).choice == 0  # round among those that fit


def test_letters_that_begin_nothing_say_what_does():
    sheet = typed(climb(), "q")
    assert "no reading begins with 'q': erratic, rising" in sheet.message
    assert sheet.typed == ""


def test_arrow_keys_go_through_the_allowed_readings():
    sheet = moves.take_choice(climb())
    seen = []
    for _ in sheet.options:
        seen.append(sheet.options[sheet.choice])
        sheet = moves.step_choice(sheet, 1)
    assert seen == ["erratic", "rising", "falling", "steady"]
    assert moves.leave(sheet).desk.case == climb().desk.case


def test_doubt_empty_and_fill_in():
    sheet = typed(climb(), "f")
    assert moves.doubt(sheet).desk.case.snapshot[0].unsure == {"airspeed.trend": ("falling", 0.75)}
    assert moves.doubt(moves.doubt(sheet)).desk.case == sheet.desk.case
    assert moves.give(sheet, "").desk.case == climb().desk.case
    filled = moves.fill_in(sheet, whole=True).desk.case.snapshot[0]
    assert filled.readings["altimeter.trend"] == "rising"
    assert "airspeed.value" not in filled.readings
    again = typed(at(moves.fill_in(sheet, whole=True), "suction.value"), "z").desk.case.snapshot[0]
    assert "suction.value" not in again.filled
    one = moves.fill_in(at(climb(), "vertical_speed.rate"), whole=False)
    assert one.desk.case.snapshot[0].readings == {"vertical_speed.rate": "climb"}


def test_without_a_snapshot_the_keys_say_what_to_do_first():
    sheet = Sheet(desk=desk_after())
    for key in (
        moves.open_choice,
        lambda s: moves.type_letter(s, "f"),
        lambda s: moves.fill_in(s, whole=True),
        moves.take_choice,
    ):
        assert "Say first what was flown" in key(sheet).message or "moment climb" in key(sheet).message


def test_columns_are_the_snapshots_of_the_session():
    sheet = Sheet(desk=desk_after("snapshot climb", "snapshot level", "snapshot descent"))
    sheet = moves.move(at(sheet, "airspeed.trend"), columns=-2)
    assert sheet.desk.session.now.at == 0
    assert typed(sheet, "r").desk.case.snapshot[0].readings == {"airspeed.trend": "rising"}
    assert moves.move(sheet, columns=-5).desk.session.now.at == 0
    assert moves.move(sheet, columns=99).desk.session.now.at == 2


ROWS = st.integers(-60, 60)
STEPS = st.one_of(
    ROWS.map(lambda n: lambda s: moves.move(s, rows=n)),
    ROWS.map(lambda n: lambda s: moves.move(s, columns=n)),
    st.sampled_from("abcdefghilnoprstuwz").map(lambda letter: lambda s: moves.type_letter(s, letter)),
    st.sampled_from(
        [
            moves.doubt,
            moves.open_choice,
            moves.take_choice,
            moves.leave,
            lambda s: moves.step_choice(s, 1),
            lambda s: moves.give(s, ""),
            lambda s: moves.fill_in(s, whole=True),
            lambda s: moves.fill_in(s, whole=False),
        ]
    ),
    st.sampled_from(
        ["copy", "delete", "snapshot climb", "undo", "panel dual pump", "what if", "drop", "x"]
    ).map(lambda line: lambda s: moves.command_line(s, line)),
)


@some(40)
@given(st.lists(STEPS, max_size=15), st.integers(1, 170), st.integers(1, 55))
def test_whatever_is_pressed_can_be_undone_and_shown(steps, width, height):
    sheet = Sheet(desk=desk_after("snapshot level"))
    start = sheet.desk.session.now.case
    for step in steps:
        sheet = step(sheet)
        assert sheet.facet
    lines = view(sheet, Shown(), width, height)
    assert len(lines) == max(height, 6)
    assert {sum(len(piece.text) for piece in line) for line in lines} == {max(width, 20)}
    while sheet.desk.session.past:
        sheet = moves.command_line(sheet, "undo")
    assert sheet.desk.case in (start, desk_after().case)


# ------------------------------------------------------------------ the look of it


def screen(sheet, width, height, answered=True):
    shown = Shown()
    if answered:
        desk = sheet.desk
        shown = Shown(answer=desk.answer(), why="because", looks=worth_while(desk.answer(), desk.kb))
    lines = view(sheet, shown, width, height)
    return "\n".join("".join(piece.text for piece in line) for line in lines)


LINES = ("snapshot climb", "airspeed falling; vsi probably zero; suction zero; ai vs tc", "snapshot level")


def test_all_signs_are_there_without_colour():
    sheet = at(Sheet(desk=desk_after(*LINES, "go 1", "rest as expected")), "airspeed.trend")
    text = screen(sheet, 80, 50)
    for sign in ("[falling   ]", "zero?", "~steady", "!=turn coo", "x ai bank", "1 climb"):
        assert sign in text, sign
    assert "COVER" not in text
    assert "x cover" in text
    assert "+ use" in text


def test_what_a_gauge_did_not_do_is_shown_as_such():
    sheet = at(Sheet(desk=desk_after("snapshot climb", "airspeed not falling")), "airspeed.trend")
    assert "[not falli…]" in screen(sheet, 80, 24, answered=False)
    assert "no reading here" in moves.doubt(sheet).message


def test_a_stale_ranking_is_marked():
    sheet = Sheet(desk=desk_after(*LINES))
    shown = Shown(answer=sheet.desk.answer(), stale=True)
    text = "\n".join("".join(p.text for p in line) for line in view(sheet, shown, 80, 24))
    assert "WHAT HAS FAILED (old: working...)" in text
    assert "(old" not in screen(sheet, 80, 24)
    # the looks come after the answer
    looks = worth_while(sheet.desk.answer(), sheet.desk.kb)
    shown = Shown(answer=sheet.desk.answer(), looks=looks, looks_stale=True)
    text = "\n".join("".join(p.text for p in line) for line in view(sheet, shown, 80, 24))
    assert "LOOK NEXT (old: working...)" in text
    assert "WHAT HAS FAILED (old" not in text
    assert not shown.wanted


def test_answer_and_looks_may_come_in_any_order():
    desk = climb().desk
    for kinds in (("answer", "looks"), ("looks", "answer")):
        worksheet = Worksheet(sheet=climb(), keep=lambda *_: "")
        worksheet.work.end()
        worksheet.become(typed(worksheet.sheet, "f"))
        case = worksheet.sheet.desk.case
        answer = replace(desk, session=worksheet.sheet.desk.session).answer()
        values = {"answer": answer, "looks": worth_while(answer, desk.kb)}
        assert worksheet.shown.stale
        assert worksheet.shown.looks_stale
        worksheet.take("looks", desk.case, values["looks"])  # of another case: too late
        assert worksheet.shown.looks_stale
        for kind in kinds:
            worksheet.take(kind, case, values[kind])
        assert not worksheet.shown.stale
        assert not worksheet.shown.looks_stale


def test_a_key_goes_to_what_is_worth_a_look():
    sheet = at(
        Sheet(desk=desk_after("snapshot level; attitude leaning", "snapshot climb", "go 1")), "ball.position"
    )
    answer = sheet.desk.answer()
    shown = Shown(answer=answer, looks=worth_while(answer, sheet.desk.kb))
    found = moves.seek(sheet, shown.wanted)
    assert found.facet == "suction.value"
    assert found.desk.session.now.at == 1
    assert "> look" in screen(sheet, 160, 50)
    assert "No gauge is worth a look" in moves.seek(sheet, ()).message


def test_an_upset_aircraft_is_recovered_before_anything_is_looked_at():
    sheet = Sheet(desk=desk_after("context unusual attitude", "snapshot level; airspeed rising"))
    text = screen(sheet, 80, 24)
    assert "RECOVER FIRST" in text
    assert "LOOK NEXT" not in text


@pytest.mark.parametrize(
    ("width", "height"), [(20, 6), (40, 12), (73, 24), (74, 24), (80, 24), (119, 30), (160, 50)]
)
def test_every_size_shows_the_selected_cell_and_the_leading_failure(width, height):
    sheet = Sheet(desk=desk_after(*LINES))
    for facet in ("airspeed.trend", "suction.value", "engine.state"):
        text = screen(at(sheet, facet), width, height)
        if width >= 40:
            assert "[" in text
        if height >= 12:
            assert "WHAT HAS FAILED" in text
            leading = causes(sheet.desk.answer(), sheet.desk.kb)[0]
            assert chance_words(leading.chance, sheet.desk.kb) in text
            assert leading.name[:12] in text


def test_at_160_by_50_the_whole_panel_is_seen():
    text = screen(Sheet(desk=desk_after(*LINES)), 160, 50)
    assert "FED BY PITOT AND STATIC PRESSURE" in text
    assert "engine" in text
    assert "turn coordinator flag" in text


def test_many_snapshots_scroll_with_the_one_in_hand():
    sheet = Sheet(
        desk=desk_after(*(f"snapshot {m}" for m in ("level", "climb", "descent", "level", "climb")))
    )
    text = screen(sheet, 80, 24, answered=False)
    assert "5 climb" in text
    assert "1 level" not in text
    assert "1 level" in screen(moves.move(sheet, columns=-4), 80, 24, answered=False)


def test_an_empty_case_shows_three_first_steps():
    text = screen(Sheet(desk=desk_after()), 80, 24, answered=False)
    assert "Type what was flown" in text
    assert "F1 all keys, F4 leaves" in text


def test_contradicting_readings_are_told_in_place_of_the_ranking():
    text = "\n".join(
        "".join(p.text for p in line)
        for line in view(Sheet(desk=desk_after(*LINES)), Shown(problem="these cannot all be true"), 80, 24)
    )
    assert "these cannot all be true" in text


def test_the_line_of_keys_fits():
    sheet = Sheet(desk=desk_after())
    assert all(len(keys_line(sheet, width)) == width for width in (10, 40, 80, 160))
    assert all(key in keys_line(sheet, 160) for key in KEYS)


def test_colours_are_those_of_the_terminal():
    assert all("#" not in style and "bg:" not in style for style in COLOURS.values())


# ------------------------------------------------------------------ why, and what to ask


def test_what_is_asked_is_what_the_best_looks_read():
    desk = desk_after("snapshot climb", "airspeed falling")
    asked = questions(desk.engine, desk.case)
    looks = [look for look in desk.answer().looks if look.kind == "read" and look.tells]
    assert list(dict.fromkeys(q.look.look for q in asked)) == [
        look.look for look in looks if any(q.look == look for q in asked)
    ]
    assert asked[0].look == looks[0]
    assert {q.facet for q in asked} == {facet for look in looks for facet in look.facets}
    assert "airspeed.trend" not in {q.facet for q in asked}
    for one, other in pairwise(asked):
        assert one.look != other.look or one.suspect_bits >= other.suspect_bits
    # no facet alone tells more than the whole look
    assert all(q.suspect_bits <= q.look.suspect_bits + 1e-9 for q in asked)
    skipped = frozenset({asked[0].facet})
    assert asked[0].facet not in {q.facet for q in questions(desk.engine, desk.case, skipped)}


def why_of(desk, at, facet):
    *before, sentence = why(desk.engine, desk.case, at, facet)
    assert set(before) == {""}
    return sentence


def test_why_a_reading_matters():
    desk = desk_after("snapshot level", "suction zero", "snapshot climb", "airspeed falling")
    assert "suction: brings " in why_of(desk, 0, "suction.value")
    assert why_of(desk, 1, "altimeter.trend").startswith("altimeter trend: if ")


def test_why_a_silent_gauge_matters_in_an_earlier_snapshot_too():
    desk = desk_after("snapshot level", "suction zero", "snapshot climb", "attitude leaning")
    said = {}
    for at in (0, 1):
        text = why_of(desk, at, "turn_coordinator.flag")
        assert text.startswith("turn coordinator flag: if ")
        bare = desk.engine.posterior(desk.case).log_evidence
        there, _ = obey(desk, f"go {at + 1}")
        chances = {
            reading: math.exp(desk.engine.posterior(obey(there, f"tc flag {reading}")[0].case).log_evidence - bare)
            for reading in desk.engine.network.facets["turn_coordinator.flag"].readings
        }
        assert sum(chances.values()) == pytest.approx(1.0, abs=0.01)
        for reading, chance in chances.items():
            assert f"if {readable(reading)} ({chance_words(chance, desk.kb)}): " in text
        said[at] = text
    # what would lead after a reading is what leads once it is entered
    for at in (0, 1):
        entered, _ = obey(desk, f"go {at + 1}")
        entered, _ = obey(entered, "tc flag stowed")
        best = entered.answer().ranking[0]
        (means,) = re.findall(r"if out of view \([^)]*\): ([^;]*)", said[at])
        assert means == f"{names(desk.kb, best.failures)} {chance_words(best.posterior, desk.kb)}"


# ------------------------------------------------------------------ the work behind it


def test_only_the_latest_job_counts():
    seen, begun, go = [], threading.Event(), threading.Event()
    work = Background(lambda kind, key, value: seen.append((kind, key, value)))

    def slow():
        begun.set()
        go.wait(10)
        yield "old"
        yield "old too"

    work.submit("rank", 1, slow)
    assert begun.wait(10)
    work.submit("rank", 2, lambda: iter(["skipped"]))
    work.submit("rank", 3, lambda: iter(["new"]))
    work.submit("why", 1, lambda: iter(["other kind"]))
    go.set()
    assert work.wait()
    assert seen == [("rank", 3, "new"), ("why", 1, "other kind")]
    work.end()


def test_what_goes_wrong_is_delivered_and_the_work_goes_on():
    seen = []
    work = Background(lambda *what: seen.append(what))

    def wrong():
        raise CaseError("no")
        yield

    work.submit("rank", 1, wrong)
    assert work.wait()
    work.submit("rank", 2, lambda: iter(["fine"]))
    assert work.wait()
    assert [str(value) for _, _, value in seen] == ["no.", "fine"]
    work.end()


def test_a_key_never_waits_for_the_ranking(monkeypatch):
    go = threading.Event()
    monkeypatch.setattr("diagnose.terminal.worksheet.answer_case", lambda *_: go.wait(30))
    worksheet = Worksheet(sheet=climb(), keep=lambda *_: "")
    began = time.perf_counter()
    for letter in "frsfrs":
        worksheet.become(typed(worksheet.sheet, letter))
    took = time.perf_counter() - began
    assert worksheet.shown.stale
    go.set()
    # not a race: the ranking would have held each key for up to 30 s
    assert took < 15
    worksheet.work.end()


def test_an_overtaken_ranking_is_not_shown():
    worksheet = Worksheet(sheet=climb(), keep=lambda *_: "")
    old = worksheet.sheet.desk.case
    worksheet.become(typed(worksheet.sheet, "f"))
    assert worksheet.work.wait()
    shown = worksheet.shown
    assert not shown.stale
    assert shown.answer.ranking
    assert shown.looks
    worksheet.take("answer", old, None)
    assert worksheet.shown == shown
    worksheet.work.end()


def test_letters_of_another_row_of_the_gauge_go_there():
    """ "ri" on the row of the value: only "normal" has a word that begins so there, but the trend can rise."""
    desk, _ = obey(Desk(kb=shipped()), "snapshot climb")
    sheet = Sheet(desk=desk)
    value = next(place for place, row in enumerate(sheet.rows) if row.facet == "airspeed.value")
    sheet = select(sheet, value, 0)
    for letter in "ri":
        sheet = type_letter(sheet, letter)
    assert sheet.facet == "airspeed.trend"
    assert sheet.desk.case.snapshot[0].readings == {"airspeed.trend": "rising"}


def test_a_narrow_screen_keeps_what_to_ignore_and_how_to_leave():
    desk, _ = obey(Desk(kb=shipped()), "snapshot climb; airspeed falling; altimeter steady; vsi zero")
    sheet = Sheet(desk=desk)
    shown = Shown(answer=desk.answer())
    lines = ["".join(piece.text for piece in line) for line in view(sheet, shown, 60, 18)]
    assert any(line.startswith("x IGNORE: airspeed, altimeter") for line in lines)
    assert "F4 leave" in keys_line(sheet, 60)
    assert ": say more" in keys_line(sheet, 80)
