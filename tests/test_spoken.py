"""Spoken English at the prompt: slips, negations, doubt, other moments. What is not sure to be meant is asked back."""

from __future__ import annotations

import pytest

from diagnose.language import scene_words
from diagnose.model.errors import DiagnoseError
from diagnose.terminal.commands import Desk, obey
from tests.desks import ENGINES, answer_to, desk_after, last
from tests.small import shipped

#: what is heard, not what to look at next
pytestmark = pytest.mark.usefixtures("unasked")

LEVEL = "snapshot level"


def asked_for(*lines):
    desk, text = Desk(kb=shipped(), engines=ENGINES, asks=True), ""
    for line in lines:
        desk, text = obey(desk, line)
    return desk, " ".join(text.split())


@pytest.mark.parametrize(
    ("said", "plainly"),
    [
        ("attitude indicater leening", "attitude leaning"),
        ("turn cordinator shows left", "tc left"),
        ("airpseed droped to zero", "airspeed zero"),
        ("the AI and the DG both drifting", "attitude leaning; heading drifting"),
        ("both the AI and the DG were drifting", "attitude leaning; heading drifting"),
        ("airspeed unwound to zero", "airspeed zero"),
        ("vsi unwound to zero", "vsi zero"),
        ("altimeter unwound to zero", "altimeter falling"),
        ("the airspeed did not drop", "airspeed not falling"),
        ("the airspeed has not been dropping", "airspeed not falling"),
        ("I don't think the airspeed was falling", "airspeed probably not falling"),
        ("the suction can't have been low", "suction not low"),
        ("the airspeed never came alive", "airspeed zero"),
        ("the airspeed started dropping", "airspeed falling"),
        ("the airspeed began to fall", "airspeed falling"),
        ("sorry, the suction was low", "suction low"),
        ("no wait, the suction was low", "suction low"),
        ("low suction and I don't know why", "suction low"),
        ("the needle dropped right off on the airspeed", "airspeed falling"),
        ("zero on the suction", "suction zero"),
        ("stuck altimeter", "altimeter stuck"),
        ("umm, the vaccum was kinda low", "suction low"),
        ("my horizen leened over", "attitude leaning"),
        ("altimeter stuck at 3000", "altimeter stuck"),
        ("the altimeter never budged", "altimeter stuck"),
        ("asi read way too fast", "airspeed high"),
        ("ai and dg went crazy", "attitude tumbling; heading spinning"),
        ("altimeter ok and the suction ok too", "altimeter ok; suction ok"),
        ("turn and bank was not showing a turn", "tc level"),
        ("the vsi was not zero, it showed a descent", "vsi descent"),
        ("everything else was fine", "rest as expected"),
        ("all the other instruments were normal", "rest as expected"),
        ("the ai said left bank but the tc said level", "attitude left bank; tc level"),
        ("attitude leaning, don't remember the suction", "attitude leaning"),
        ("opened the alternate static", "switch alternate static on"),
        ("alternate static was not open", "switch alternate static off"),
        ("turned on the pitot heat", "switch pitot heat on"),
        ("pitot heat was not off", "switch pitot heat on"),
        ("airspeed dropped right off", "airspeed dropping"),
        ("altimeter looked ok I guess", "altimeter looked ok 85 %"),
        ("airspeed zero, I think; suction low", "airspeed zero 90 %; suction low"),
        # the aircraft climbed, not the pointer
        ("airspeed dropped to zero while level", "airspeed zero"),
    ],
)
def test_said_in_other_words_it_is_the_same(said, plainly):
    assert last(LEVEL, said) == last(LEVEL, plainly)


@pytest.mark.parametrize(
    ("said", "text"),
    [
        ("lost airspeed", "'lost' does not say what the airspeed indicator showed"),
        ("we lost the altimeter", "'lost' does not say what the altimeter showed"),
        ("no airspeed", "'no' does not say what the airspeed indicator showed"),
        ("vac pump failed", "'vac pump failed' is a failure, not what a gauge showed"),
        ("suction low or zero", "'or' does not say what the suction gauge showed"),
        ("either the suction was low or zero", "'either' does not say"),
        ("airspeed rising instead of falling", "'instead' does not say"),
        ("airspeed almost zero", "'almost' does not say"),
        ("airspeed went from normal to zero", "'from' does not say"),
        ("suction should be normal", "'should' does not say"),
        ("altimeter was ok except in the climb", "'except' does not say"),
        ("airspeed zero, climbing", "'climbing' may be what was flown or what the gauge did"),
        ("airspeed not only falling but zero", "'not only falling"),
        ("airspeed not just falling but zero", "'not just falling"),
        ("attitude stopped leaning", "cannot be both"),
        ("airspeed no longer zero", "'no' does not say"),
        ("same with the altimeter", "same"),
        ("not everything was normal", "not"),
        ("alternate static open", "is a failure, not what a gauge showed"),
        ("we were not in the climb", ""),
    ],
)
def test_what_may_mean_something_else_is_asked_back(said, text):
    desk = desk_after(LEVEL, "tc level")
    with pytest.raises(DiagnoseError) as caught:
        obey(desk, said)
    assert text in str(caught.value)
    assert "Try: use: no" not in str(caught.value)


@pytest.mark.parametrize(
    ("said", "facet", "reading"),
    [
        ("airspeed came back", "airspeed.value", "normal"),
        ("airspeed returned to normal", "airspeed.value", "normal"),
        ("altimeter rising 3000", "altimeter.trend", "rising"),
        ("airspeed went from 145 to 105", "airspeed.trend", "falling"),
        ("neither the airspeed nor the altimeter moved", "airspeed.trend", "steady"),
        ("Got home and noticed the suction was low", "suction.value", "low"),
        ("everything normal except the compass, which was spinning", "compass.trend", "swinging"),
        ("airspeed low, banana purple", "airspeed.value", "low"),
    ],
)
def test_one_unknown_word_never_loses_a_line(said, facet, reading):
    assert last(LEVEL, said).readings[facet] == reading


# ------------------------------------------------------------------ words that are commands by themselves


def test_a_sentence_that_begins_like_a_command_is_no_command():
    lines = (LEVEL, "airspeed falling")
    # "no" and "back" answer a question where one is open
    assert last(*lines, "no, the airspeed was steady").readings == {"airspeed.trend": "steady"}
    assert len(desk_after(*lines, "back to normal airspeed").case.snapshot) == 2
    for polite in ("undo that", "undo please", "undo the last change"):
        assert not desk_after(*lines, polite).case.snapshot[-1].readings, polite
    assert answer_to(*lines, "rank them now") == answer_to(*lines, "rank")


def test_a_question_why_a_gauge_shows_something_is_a_reading_and_is_answered():
    free = desk_after(LEVEL, "attitude leaning")
    for asked in ("why is my AI leaning", "Why is my attitude indicator leaning?", "why was the AI leaning"):
        desk, text = asked_for(LEVEL, asked)
        assert desk.case == free.case
        assert answer_to(LEVEL, "attitude leaning", "why") in text
    desk, text = asked_for("why is my AI leaning")
    assert "what were you flying then?" in text
    assert obey(desk, "level")[0].case == free.case
    # a failure's name is asked about as before
    assert answer_to(LEVEL, "attitude leaning", "why pump sheared")


# ------------------------------------------------------------------ one fact, however it is said


@pytest.mark.parametrize(
    "said",
    [
        "pitot heat off",
        "pitot heat was not on",
        "the pitot heat wasn't on",
        "we didn't have the pitot heat on",
        "I forgot the pitot heat",
        "no pitot heat",
        "pitot heat was off",
        "switch pitot heat off",
        "context pitot heat off",
    ],
)
@pytest.mark.parametrize("day", [(), ("context cloud",), ("context cloud; freezing",)])
def test_pitot_heat_off_is_one_fact(said, day):
    lines = ("snapshot climb", "airspeed zero", *day)
    told, plainly = desk_after(*lines, said), desk_after(*lines, "context pitot heat off")
    assert told.case.context == plainly.case.context
    one, other = told.answer().failures, plainly.answer().failures
    assert one == other
    leading = told.answer().ranking[0].failures
    # without moisture there is nothing that the heat could have melted
    assert leading == (("pitot_ram_iced",) if day else ("pitot_insect_nest",))
    if not day:
        # it only makes a dead heater explain less, and leaves the odds of all others to each other alone
        unsaid = {ranked.failures: ranked.posterior for ranked in desk_after(*lines).answer().ranking}
        moved = {
            ranked.failures[0]: ranked.posterior / unsaid[ranked.failures]
            for ranked in told.answer().ranking
            if len(ranked.failures) == 1 and unsaid[ranked.failures] > 1e-9
        }
        dead = moved.pop("pitot_iced_heater_dead")
        iced = {name: moved.pop(name) for name in list(moved) if "iced" in name}
        assert max(moved.values()) / min(moved.values()) == pytest.approx(1.0, abs=1e-6)
        # who tells of the heat tells of what makes ice: two fifths of its rate while nothing of it is told (pitot.toml)
        assert dead < 0.6 * max(iced.values())
        others = max(moved.values())
        for name, chance in iced.items():
            assert chance / others == pytest.approx(2.5 if name.startswith("pitot") else 1.0, rel=1e-4), name


def test_a_switch_moved_later_is_no_condition_of_the_day():
    lines = ("snapshot climb", "airspeed zero")
    assert desk_after(*lines, "pitot heat off", "pitot heat on").case.context == ()
    assert desk_after(*lines, "pitot heat off", "undo").case == desk_after(*lines).case
    later = (*lines, "pitot heat off", "snapshot level", "pitot heat on; airspeed normal")
    assert desk_after(*later).case.context == ("pitot_heat_off",)
    on_before = (*lines, "pitot heat on", "snapshot level", "pitot heat off")
    assert desk_after(*on_before).case.context == ()
    assert desk_after(*lines, "snapshot level", "pitot heat off").case.context == ("pitot_heat_off",)
    assert "Conditions: pitot heat was off." in answer_to(*lines, "pitot heat was not on")


def test_a_switch_that_was_moved_says_nothing_of_how_it_had_stood():
    lines = ("snapshot climb", "airspeed zero", "context pitot heat off")
    assert desk_after(*lines, "turned on the pitot heat").case.context == ("pitot_heat_off",)
    assert desk_after(*lines[:2], "turned the pitot heat off").case.context == ()


def test_in_a_sentence_with_the_day_it_is_the_same():
    desk, _ = asked_for("in the climb airspeed went to zero, we were in cloud, the pitot heat was not on")
    assert set(desk.case.context) == {"visible_moisture", "pitot_heat_off"}
    assert desk.answer().ranking[0].failures == ("pitot_ram_iced",)


@pytest.mark.parametrize("said", ["not in cloud", "no icing", "it was not freezing", "no cloud"])
def test_a_condition_that_is_denied_is_taken_out(said):
    lines = ("snapshot climb", "airspeed zero")
    desk, text = asked_for(*lines, "context cloud; icing", said)
    assert len(desk.case.context) == 1
    assert "; not: " in text
    assert asked_for(*lines, said)[0].case == desk_after(*lines).case


def test_what_is_denied_is_told_apart():
    found = scene_words("we were not in cloud but heavy rain, airspeed fell", shipped())
    assert (found.context, found.denied, found.rest) == (
        ("heavy_rain",),
        ("visible_moisture",),
        "airspeed fell",
    )


# ------------------------------------------------------------------ two look-alikes side by side


@pytest.mark.parametrize(
    ("said", "plainly"),
    [
        ("show me a failed pump next to a worn attitude indicator", "compare pump sheared, attitude worn"),
        (
            "what's the difference between a failed vacuum pump and a failed attitude indicator?",
            "compare pump sheared, attitude worn",
        ),
        ("failed vacuum pump vs failed attitude indicator", "compare pump sheared, attitude worn"),
        ("compare alternator and electric turn coordinator", "compare alternator failed, turn dead"),
        ("difference between iced pitot and iced static", "compare pitot ram iced, static line iced"),
        (
            "how do I tell a stuck altimeter from a blocked static",
            "compare altimeter stuck, static ports taped",
        ),
        (
            "compare bad attitude gyro and vac pump failed",
            "compare attitude worn, pump sheared",
        ),
        (
            "compare blocked pitot ram with open drain, blocked static",
            "compare pitot insect nest, static ports taped",
        ),
        ("show me a failed pump", "failure pump sheared"),
    ],
)
def test_an_instructors_wish_is_a_comparison(said, plainly):
    assert answer_to(said) == answer_to(plainly)


def test_a_comparison_may_be_for_one_manoeuvre():
    text = answer_to("show me a blocked static next to a blocked pitot in a descent")
    assert "Side by side: descent, wings level, constant airspeed" in text
    assert "altimeter A steady; B falling; sound falling" in text
    assert text == answer_to("compare static blocked vs pitot blocked in descent")
    assert text != answer_to("compare static blocked vs pitot blocked")


def test_gauges_beside_each_other_are_still_a_disagreement():
    assert last(LEVEL, "attitude vs tc") == last(LEVEL, "attitude disagrees with tc")


# ------------------------------------------------------------------ a question that is open


def test_more_sentences_are_held_until_it_is_said_what_was_flown():
    first = "my attitude indicator is leaning and I don't know why"
    desk, text = asked_for(first, "suction is really low")
    assert "Noted: suction gauge: low." in text
    assert "what were you flying then?" in text
    desk, _ = asked_for(first, "suction is really low", "I was just cruising along")
    assert desk.case == desk_after(LEVEL, "attitude leaning; suction low").case
    with pytest.raises(DiagnoseError) as caught:
        asked_for(first, "banana")
    assert "give one of the numbers, or: don't know" in str(caught.value)


@pytest.mark.parametrize(
    ("asked", "command"),
    [
        ("so what is it?", "rank"),
        ("what should I look at?", "next"),
        ("what do I do now", "fly"),
        ("ok, what does that mean?", "why"),
    ],
)
def test_what_people_ask_is_answered(asked, command):
    lines = (LEVEL, "attitude leaning")
    assert answer_to(*lines, asked) == answer_to(*lines, command)
