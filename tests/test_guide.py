"""Guided entry: what is asked, that every answer can be withheld or taken back, and that it ends."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.language.names import phrases
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.terminal.commands import Desk, obey
from diagnose.terminal.commands.asking import questions
from diagnose.terminal.commands.guide import asked, put
from diagnose.terminal.screen import complete
from tests.desks import answer_to, refusal
from tests.examples import some
from tests.small import shipped

ENGINES = {}
START = ("guide", "don't know", "level", "my attitude indicator is leaning and I don't know why", "none")


def after(*lines):
    desk, text = Desk(kb=shipped(), engines=ENGINES), ""
    for line in lines:
        desk, text = obey(desk, line)
    return desk, " ".join(text.split())


def test_the_questions_come_one_by_one_and_build_an_ordinary_case():
    asked = [after(*START[: n + 1])[1] for n in range(len(START))]
    for text, question in zip(
        asked,
        (
            "most like your panel?",
            "What were you doing",
            "What caught your eye?",
            "Was any of this so",
            "est guess so far:",
        ),
        strict=True,
    ):
        assert question in text
    desk, _ = after(*START)
    free, _ = after("snapshot level", "attitude leaning")
    assert desk.case == free.case


def test_the_most_telling_gauge_is_asked_first_in_words_and_numbers():
    desk, text = after(*START)
    assert desk.guide.facet == questions(desk.engine, desk.case)[0].facet == "suction.value"
    assert "The suction gauge: what it read?" in text
    number = list(asked(desk).options).index("zero") + 1
    assert f"{number} zero: " in text
    for answer in (str(number), "zero", "it was zero", "suction zero"):
        assert obey(desk, answer)[0].case.snapshot[0].readings["suction.value"] == "zero"
    unsure = obey(desk, "probably zero")[0].case.snapshot[0].unsure
    assert unsure == {"suction.value": ("zero", phrases().certainty[("probably",)])}
    # a sentence about another gauge is an answer too
    assert obey(desk, "airspeed falling")[0].case.snapshot[0].readings["airspeed.trend"] == "falling"


@pytest.mark.parametrize("words", ["?", "help", "Help?"])
def test_a_question_mark_tells_how_to_answer_and_asks_again(words):
    desk, _ = after(*START)
    onward, told = obey(desk, words)
    assert "'don't know' skips" in " ".join(told.split())
    assert told.endswith(put(desk))
    assert (onward.guide, onward.case) == (desk.guide, desk.case)


@pytest.mark.parametrize("words", ["don't know", "Dont know", "no idea", "I can't remember", "skip"])
def test_not_knowing_is_always_an_answer_and_changes_nothing(words):
    desk, _ = after(*START)
    onward, _ = obey(desk, words)
    assert onward.case == desk.case
    assert onward.guide.facet != desk.guide.facet
    nothing, _ = after("guide", *[words] * 4)
    assert nothing.case.snapshot[0].readings == {}
    assert nothing.case.panel == "single_pump"
    assert nothing.guide.step == "facet"


def test_back_is_possible_to_the_first_question_and_gives_back_the_case():
    lines = (*START, "don't know", "don't know")
    for steps in range(1, len(lines)):
        desk, _ = after(*lines, *["back"] * steps)
        then, _ = after(*lines[: len(lines) - steps])
        assert (desk.case, desk.guide) == (then.case, then.guide)
    with pytest.raises(CaseError, match="this is the first question"):
        after("guide", "back")
    # an answer can be changed
    assert after(*START, "zero", "back", "normal")[0].case.snapshot[0].readings["suction.value"] == "normal"


def test_it_ends_when_nothing_is_worth_asking_and_gives_the_answer():
    desk, _ = after(*START)
    count = 0
    while desk.guide:
        desk, text = obey(desk, "zero" if desk.guide.facet == "suction.value" else "don't know")
        count += 1
        assert count <= phrases().guide["most_questions"]
    assert "Nothing else is worth asking." in " ".join(text.split())
    assert "LIKELY   Vacuum pump failed" in text
    # no question is open any more
    with pytest.raises(CaseError, match=r"mention a gauge\. Try: .*guide"):
        obey(desk, "don't know")


def test_what_was_flown_and_conditions_may_stand_in_the_first_sentence():
    lines = ("guide", "don't know", "climb")
    desk, _ = after(*lines, "in the climb my airspeed fell, it was freezing", "none")
    assert desk.case.snapshot[0].readings == {"airspeed.trend": "falling"}
    assert desk.case.context == ("below_freezing",)
    # another maneuver than the one stated is a moment of its own and no part of this snapshot
    desk, _ = after(*lines, "in the climb my airspeed fell", "in the descent my airspeed rose")
    assert [(s.manoeuvre, s.readings) for s in desk.case.snapshot] == [
        ("climb", {"airspeed.trend": "falling"}),
        ("descent", {"airspeed.trend": "rising"}),
    ]


def test_stop_ends_it_and_commands_work_in_between():
    desk, text = after(*START, "show")
    assert "attitude indicator behavior leaning" in text
    assert text.rstrip().endswith("normal: in the green arc")  # the question is put again
    assert desk.guide.facet == "suction.value"
    desk, text = obey(desk, "stop")
    assert desk.guide is None
    assert "The guide ends here." in text


def test_it_goes_on_from_what_was_said_already():
    desk, text = after("snapshot climb; airspeed falling", "guide")
    assert desk.guide.step == "facet"
    assert "est guess so far:" in text
    assert "What caught your eye?" in after("snapshot climb", "guide")[1]


@pytest.mark.parametrize("bad", ["99", "0", "-1", "banana", "airspeed purple"])
def test_what_is_not_understood_leaves_the_question_open(bad):
    for lines in (START[:1], START[:2], START[:3], START[:4], START):
        desk, _ = after(*lines)
        with pytest.raises(DiagnoseError) as caught:
            obey(desk, bad)
        assert caught.value.mend
        assert after(*lines)[0].guide == desk.guide


@pytest.mark.parametrize(
    "said", ["we were climbing", "in the climb", "I was climbing out", "we were in the climb"]
)
def test_what_was_flown_may_be_answered_in_a_sentence(said):
    for before in (("guide", "skip"), ("airspeed fell",)):
        desk = replace(Desk(kb=shipped(), engines=ENGINES), asks=True)
        for line in (*before, said):
            desk, _ = obey(desk, line)
        assert [s.manoeuvre for s in desk.case.snapshot] == ["climb"], before


def test_not_knowing_what_was_flown_is_an_answer_for_a_held_sentence_too_and_says_what_is_taken():
    desk = replace(Desk(kb=shipped(), engines=ENGINES), asks=True)
    desk, _ = obey(desk, "my attitude indicator is leaning and I don't know why")
    desk, text = obey(desk, "don't know")
    assert text.startswith("Taken as: straight and level, constant airspeed.")
    assert desk.case == after("snapshot level", "attitude leaning")[0].case


def test_conditions_in_a_sentence_and_none_with_a_doubt():
    asked_then = ("guide", "skip", "climb", "airspeed zero")
    assert after(*asked_then, "we were in cloud and it was freezing")[0].case.context == (
        "visible_moisture",
        "below_freezing",
    )
    with pytest.raises(CaseError, match="there is no perhaps: pitot heat was off"):
        after(*asked_then, "we were in cloud, heat may have been off")


def test_conditions_by_number_and_by_word():
    flags = list(shipped().context)
    assert after(*START[:4], "1, 2")[0].case.context == tuple(flags[:2])
    assert after(*START[:4], "1 2")[0].case.context == tuple(flags[:2])
    assert after(*START[:4], "icing and washed")[0].case.context == ("below_freezing", "washed")
    assert after(*START[:4], "no")[0].case.context == ()


def test_completion_offers_the_answers():
    desk, _ = after(*START)
    assert [word for word, _, _ in complete("z", desk)] == ["zero"]
    assert [word for word, _, _ in complete("d", desk)] == ["don't know"]


def test_plain_text_has_no_columns():
    desk = replace(after(*START[:4])[0], width=0)
    text = obey(desk, "back")[1]
    assert "  " not in text
    assert "1. " in obey(desk, "none")[1]


@some(15)
@given(st.lists(st.sampled_from(["1", "2", "don't know", "back", "level", "zero", "none"]), max_size=14))
def test_any_answers_leave_a_case_that_can_be_answered(answers):
    desk, _ = after("guide")
    for line in answers:
        try:
            desk, _ = obey(desk, line)
        except DiagnoseError:
            continue
        if not desk.guide:
            break
    if desk.case.snapshot:
        assert desk.answer().ranking


def test_the_manoeuvres_are_listed_by_kind_and_leave_what_was_typed_on_the_screen():
    desk = Desk(kb=shipped(), engines=ENGINES, asks=True)
    desk, text = obey(desk, "attitude leaning")
    lines = text.splitlines()
    assert len(lines) <= 8
    assert max(map(len, lines)) <= 80
    found = re.findall(r"(\d+) ([^,\n]+?)(?=,|\n|$)", text)
    options = asked(desk).options
    assert sorted(int(number) for number, _ in found) == list(range(1, len(shipped().manoeuvres) + 1))
    for number, name in found:
        assert name == list(options.values())[int(number) - 1]
    # whoever listens hears one statement a line
    spoken = obey(replace(desk, width=0, guide=None), "attitude leaning")[1]
    assert "6. straight and level\n" in spoken


def test_what_caught_the_eye_may_be_nothing_and_a_stumble_shows_the_way_on():
    lines = ("guide", "single pump", "climbing")
    assert "Was any of this so on that flight?" in answer_to(*lines, "none")
    assert "don't know" in refusal(*lines, "the wotsit on the panel blinked")
