"""Whole sentences as a novice says them: gauges, what was flown and the day in one breath."""

from __future__ import annotations

import re

import pytest

from diagnose.language import (
    entry_forms,
    find,
    parse_line,
    scene_words,
)
from diagnose.language.names import phrases
from diagnose.model.errors import CaseError, DiagnoseError, UnknownName
from diagnose.terminal.commands import Desk, command_of, obey
from tests.desks import ENGINES, answer_to, desk_after, refusal
from tests.small import shipped

#: what is heard, not what to look at next
pytestmark = pytest.mark.usefixtures("unasked")


def parse(line, panel="single_pump"):
    return parse_line(line, shipped(), shipped().panel(panel))


# ------------------------------------------------------------------ sentences of a novice


def asked_for(*lines):
    desk, text = Desk(kb=shipped(), engines=ENGINES, asks=True), ""
    for line in lines:
        desk, text = obey(desk, line)
    return desk, " ".join(text.split())


def test_a_sentence_before_any_snapshot_is_held_until_it_is_said_what_was_flown():
    sentence = "my attitude indicator is leaning and I don't know why"
    desk, text = asked_for(sentence)
    assert "And what were you flying then?" in text
    assert "6 straight and level" in text
    free = desk_after("snapshot level", "attitude leaning")
    for answer in ("6", "level", "snapshot level", "straight and level"):
        desk, text = asked_for(sentence, answer)
        assert "Heard: attitude indicator: behavior leaning" in text, answer
        assert desk.case == free.case
        assert desk.guide is None
    assert asked_for(sentence, "stop")[0].guide is None
    # a pipe hears it the same
    assert desk_after(sentence, "level").case == free.case


def test_what_is_held_is_said_back_and_lost_only_aloud():
    desk, text = asked_for("airspeed fell to zero")
    assert text.startswith("Noted: airspeed indicator: trend falling, value zero.")
    assert "climbing left turn" in text
    desk, text = obey(desk, "suction low")
    assert text.startswith("Noted: suction gauge: low.")
    assert "climbing left turn" not in text  # the list has been shown
    told = obey(desk, "snapshot climb")[0].case
    assert told == desk_after("snapshot climb; airspeed fell to zero; suction low").case
    after, text = obey(desk, "stop")
    lost = "Not taken in, as nothing says what was flown: airspeed fell to zero; suction low."
    assert " ".join(text.split()).startswith(lost)
    assert after.guide is None


@pytest.mark.parametrize("said", ["no, I got that wrong", "wait, that was wrong", "sorry, my mistake", "undo"])
def test_what_is_held_can_be_taken_back(said):
    desk, text = asked_for("airspeed fell to zero", said)
    assert text == "Taken back: airspeed fell to zero."
    assert desk.guide is None
    assert obey(desk, "climb, altimeter stuck")[0].case == desk_after("climb, altimeter stuck").case


@pytest.mark.parametrize(
    ("asked", "failure"),
    [
        ("how do I know the vacuum pump failed?", "pump sheared"),
        ("how would I know that the static port is blocked?", "static ports taped"),
        ("what do I do if the static port freezes?", "static line iced"),
        ("what should I do when the alternator quits?", "alternator failed"),
    ],
)
def test_a_question_about_a_failure_is_answered_and_reads_nothing(asked, failure):
    desk, text = asked_for(asked)
    assert text == asked_for(f"failure {failure}")[1]
    assert not desk.case.snapshot


@pytest.mark.parametrize("said", ["no, it was in the climb", "sorry, we were climbing", "I meant the climb, not level"])
def test_what_was_flown_can_be_put_right(said):
    desk, _ = asked_for("snapshot level; airspeed rising", said)
    assert desk.case == desk_after("snapshot climb; airspeed rising").case


@pytest.mark.parametrize(
    "asked", ["is it icing", "how long do I have after a vacuum failure", "which one is lying", "when do I use alternate static"]
)
def test_a_question_is_no_fact(asked):
    start = desk_after("snapshot level; airspeed zero")
    try:
        after, _ = obey(start, asked)
    except DiagnoseError:
        return
    assert after.case == start.case


def test_the_higher_i_go_says_when():
    desk, _ = asked_for("the airspeed keeps increasing the higher I go")
    (snapshot,) = desk.case.snapshot
    assert (snapshot.manoeuvre, snapshot.readings["airspeed.trend"]) == ("climb", "rising")


def test_two_things_are_shown_side_by_side_in_whichever_words():
    plainly = asked_for("compare static ports taped, pitot insect nest")[1]
    assert "A static ports blocked (tape, paint, wax, dirt)" in plainly
    for said in (
        "compare blocked static and blocked pitot side by side",
        "show me a blocked static port and a blocked pitot tube side by side",
        "put blocked static and blocked pitot next to each other",
        "difference between blocked static and blocked pitot",
        "blocked static vs blocked pitot",
        "compare blocked static to blocked pitot",
    ):
        assert asked_for(said)[1] == plainly, said
    assert "(pitot_insect_nest)" in asked_for("what looks like a blocked pitot")[1]


def test_what_is_not_known_is_left_out_without_a_fuss():
    start = desk_after("snapshot climb", "airspeed falling")
    for said in (
        "I'm not sure about the altimeter",
        "I can't remember the vsi",
        "don't know if pitot heat was on",
    ):
        after, text = obey(start, said)
        assert after.case == start.case
        assert "Nothing recorded" in text
    said = "in the climb airspeed went to zero. We were in cloud, I think."
    desk, text = asked_for(said)
    assert "Which is meant by 'in cloud'? context visible_moisture" in text
    assert desk.case == asked_for("in the climb airspeed went to zero")[0].case
    with pytest.raises(CaseError, match="if you do not know which: attitude not level"):
        asked_for("snapshot level", "AI is showing a bank but we're level")


def test_what_was_flown_may_stand_in_the_sentence():
    desk, text = asked_for("in the climb the airspeed went down to zero")
    assert "Moment 1: climb, wings level, constant airspeed." in text
    assert desk.case == desk_after("snapshot climb; airspeed fell to zero").case
    desk, _ = asked_for("in the climb the airspeed fell", "in the climb the altimeter was steady")
    assert len(desk.case.snapshot) == 1
    desk, _ = asked_for("in the climb the airspeed fell", "during descent airspeed high")
    assert [s.manoeuvre for s in desk.case.snapshot] == ["climb", "descent"]
    # a word that may be a reading starts no snapshot by itself
    with pytest.raises(CaseError, match="'climb' is a maneuver"):
        asked_for("snapshot level", "climb")


def test_conditions_may_be_said_in_plain_words():
    desk, text = asked_for("in the climb the airspeed fell", "we were in cloud and it was freezing")
    assert desk.case.context == ("visible_moisture", "below_freezing")
    assert "Conditions: in cloud, rain or snow, outside air at or below freezing." in text
    assert "LIKELY" in text
    with pytest.raises(CaseError, match="only a part of this is understood"):
        asked_for("snapshot climb", "it was bitter and raining")


def test_questions_in_plain_words_are_commands(monkeypatch):
    desk, _ = asked_for("in the climb the airspeed fell")
    monkeypatch.setattr(
        "diagnose.terminal.commands._carry_out", lambda command, desk, rest: (desk, f"{command.name} {rest}")
    )
    for asked, command in phrases().commands.items():
        name, _, rest = command.partition(" ")
        assert command_of(name) is not None
        assert obey(desk, f"{asked.capitalize()}?")[1] == f"{command_of(name).name} {rest}"


def test_a_condition_that_may_have_been_so_is_left_out_and_that_is_said():
    desk, text = asked_for(
        "airspeed went to zero in the climb, we were in cloud, heat may have been off",
    )
    assert desk.case == desk_after("snapshot climb", "context cloud", "airspeed zero").case
    assert "Left out, as you are not sure: pitot heat was off." in text
    offered = re.search(r"what it would do: (context [^(]*) \(", text)[1]
    assert obey(desk, offered)[0].case.context == ("visible_moisture", "pitot_heat_off")


@pytest.mark.parametrize(
    "said", ["help me", "What do I do?", "what's wrong", "hello", "I don't know", "not sure"]
)
def test_whoever_does_not_know_what_to_type_is_led_to_the_guide(said):
    assert refusal(said).endswith("or 'guide', and you are asked.")


def test_what_people_add_for_help_does_not_hide_what_the_gauge_showed():
    desk, text = asked_for("attitude indicator leaning, what should I do")
    assert desk.guide.held
    assert "what were you flying then?" in text


def test_whatif_in_one_word_tries_readings():
    lines = ("snapshot level", "attitude leaning")
    assert answer_to(*lines, "whatif suction normal") == answer_to(*lines, "what if suction normal")


def test_show_with_a_wish_says_what_it_cannot_show_and_how_to_have_it():
    text = refusal("show me a broken thing next to a worn one")
    for offered in ("failure pump sheared", "compare pump sheared, attitude worn"):
        assert offered in text
        answer_to(offered)


@pytest.mark.parametrize("said", ["as tuesday", "it as tuesday", "this as tuesday", "tuesday"])
def test_a_case_is_saved_under_the_name_alone(said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    answer_to("snapshot climb", f"save {said}")
    assert [path.name for path in tmp_path.iterdir()] == ["tuesday.toml"]


def test_save_it_asks_for_a_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert refusal("snapshot climb", "save it").startswith("save under which file name?")
    assert not list(tmp_path.iterdir())


# ------------------------------------------------------------------ what was flown, what the day was like


@pytest.mark.parametrize(
    "text",
    [
        "heat may have been off",
        "I think the heat was off",
        "heat maybe off",
        "heat off?",
        "and the pitot heat was probably off",
    ],
)
def test_a_condition_named_with_a_doubt_is_not_taken(text):
    assert scene_words(text, shipped()).unsure == ("pitot_heat_off",)
    whole = scene_words(f"airspeed went to zero in the climb, we were in cloud, {text}", shipped())
    assert (whole.manoeuvre, whole.context, whole.rest) == (
        "climb",
        ("visible_moisture",),
        "airspeed went to zero",
    )
    assert whole.unsure == ("pitot_heat_off",)


def test_a_doubt_about_a_gauge_is_none_about_the_conditions():
    scene = scene_words("airspeed probably fell, in cloud", shipped())
    assert (scene.context, scene.unsure, scene.rest) == (("visible_moisture",), (), "airspeed probably fell")


@pytest.mark.parametrize(
    ("text", "manoeuvre", "context", "rest"),
    [
        ("in the climb the airspeed went down to zero", "climb", (), "the airspeed went down to zero"),
        ("I was flying straight and level", "level", (), ""),
        ("we were climbing", "climb", (), ""),
        ("in a climbing left turn", "climbing_left_turn", (), ""),
        ("airspeed fell during the descent, altimeter steady", "descent", (), "airspeed fell, altimeter steady"),
        ("airspeed went to zero in the climb, we were in cloud, suction normal", "climb", ("visible_moisture",), "airspeed went to zero, suction normal"),
        ("it was about freezing", "", ("below_freezing",), ""),
        ("airspeed fell in cloud, we were climbing", "climb", ("visible_moisture",), "airspeed fell"),
        ("my airspeed was low on final approach in heavy rain", "approach", ("heavy_rain",), "my airspeed was low"),
        ("in cloud and freezing", "", ("visible_moisture", "below_freezing"), ""),
        ("in level flight it leaned and I don't know why", "level", (), "it leaned"),
        ("airspeed fell, it was freezing", "", ("below_freezing",), "airspeed fell"),
        ("in cloud airspeed fell and it was freezing", "", ("visible_moisture", "below_freezing"), "airspeed fell"),
        # what is denied or only sounds alike is not taken
        ("airspeed did not fall, we were climbing", "climb", (), "airspeed not fall"),
        ("the airspeed did not fall in the climb", "climb", (), "the airspeed not fall"),
        ("we were not in the climb", "", (), "we not in the climb"),
        ("airspeed fell but not in the climb", "", (), "airspeed fell but not in the climb"),
        ("climb: airspeed fell", "climb", (), "airspeed fell"),
        ("then in the decent the airspeed rose", "descent", (), "the airspeed rose"),
        ("the wings were level", "", (), "the wings were level"),
        ("airspeed falling", "", (), "airspeed falling"),
    ],
)  # fmt: skip
def test_what_was_flown_and_the_conditions_are_parted_from_the_gauges(text, manoeuvre, context, rest):
    found = scene_words(text, shipped())
    assert (found.manoeuvre, found.context, " ".join(found.rest.split())) == (manoeuvre, context, rest)


@pytest.mark.parametrize(
    "text", ["I am not sure the pitot heat was on", "heat may have been off", "pitot heat off?"]
)
def test_a_switch_is_not_given_as_unsure(text):
    with pytest.raises(CaseError, match="a switch cannot be given as unsure") as error:
        parse(text)
    assert "what if" in error.value.mend


@pytest.mark.parametrize(
    ("text", "found"), [("iced ports static", "static_line_iced"), ("pump dual", "dual_pump")]
)
def test_words_of_a_name_may_stand_in_any_order(text, found):
    table = shipped().failures if "static" in text else shipped().panels
    assert find(text, entry_forms(table), "entry") == found
    with pytest.raises(UnknownName, match="can mean several"):
        find("line static", entry_forms(shipped().failures), "failure")


def said_to(*lines):
    """What the prompt answers to the last of these lines, as it stands on the screen."""
    return obey(desk_after(*lines[:-1]), lines[-1])[1]


STORY = "In the climb the airspeed fell to 60. We were in cloud. The altimeter stayed where it was. My wife was bored."


def test_the_answer_to_a_story_comes_first_and_what_was_heard_in_two_lines():
    """The first screen, then a readback of two lines at most; 'what was taken in' gives all of it, with its words."""
    said = said_to(STORY)
    lines = said.splitlines()
    labels = [line.partition(" ")[0] for line in lines]
    assert labels.index("LIKELY") == 0 < labels.index("DO") < labels.index("Heard:")
    heard = said[said.index("Heard:") :]
    assert len(heard.partition("\nNot used")[0].splitlines()) <= 2
    assert "airspeed falling" in heard
    assert "altimeter steady" in heard
    assert "'My wife was bored'" in heard
    several = said_to("level flight, heading drifting", STORY, "what was taken in")
    assert "trend drifting" in several
    assert "from 'airspeed fell'" in several
    assert "drifting" not in said_to("level flight, heading drifting", "new", "what was taken in")
    assert "drifting" not in said_to("level flight, heading drifting", "new", STORY, "what was taken in")
    whole = said_to(STORY, "what was taken in")
    assert "from 'airspeed fell'" in whole
    assert said_to("what was taken in").startswith("No story yet")
    long = said_to(" Then ".join([STORY.replace(" My wife was bored.", "")] + [f"in the {m} the airspeed rose, the vsi showed zero and the horizon was level." for m in ("descent", "climb", "left turn", "right turn")]))
    assert len(long[long.index("Heard:") :].partition("\nNot used")[0].splitlines()) <= 3


@pytest.mark.parametrize(
    ("before", "said", "switches", "readings"),
    [
        ("in cruise the low voltage light came on", "I cycled the alternator and it did nothing", {}, {"alternator_reset.state": "out_again"}),
        ("in cruise the low voltage light came on", "turned the alternator off and on again, no change", {}, {"alternator_reset.state": "out_again"}),
        ("in the climb the altimeter froze", "alternate static did nothing", {"alternate_static": "on"}, {"altimeter.trend": "steady"}),
        ("in the climb the airspeed fell", "I put the pitot heat on and it did nothing", {"pitot_heat": "on"}, {"airspeed.trend": "falling"}),
        ("in the climb the airspeed fell", "tried pitot heat: nothing", {"pitot_heat": "on"}, {"airspeed.trend": "falling"}),
        ("in the climb the airspeed fell", "pitot heat on, no change", {"pitot_heat": "on"}, {"airspeed.trend": "falling"}),
        ("in the climb the altimeter froze", "alternate static: no effect", {"alternate_static": "on"}, {"altimeter.trend": "steady"}),
        ("in the climb the airspeed fell", "before that I turned on pitot heat and nothing changed", {"pitot_heat": "on"}, {"airspeed.trend": "falling"}),
    ],
)  # fmt: skip
def test_an_action_without_effect_enters_the_case(before, said, switches, readings):
    moment = desk_after(before, said).case.snapshot[-1]
    assert moment.switches == switches
    assert readings.items() <= moment.readings.items()


@pytest.mark.parametrize("said", ["I switched off the autopilot but it did nothing", "autopilot off, no change"])
def test_what_no_odds_depend_on_is_noted_with_its_lack_of_effect(said):
    assert "autopilot off: no effect" in desk_after("level flight, heading drifting", said).case.snapshot[-1].note


@pytest.mark.parametrize(
    "said",
    ["no, that was later", "no, suction low was after suction normal", "no, it was the other way round", "no, that was the other day"],
)  # fmt: skip
def test_what_reorders_or_takes_back_an_earlier_line_is_refused_aloud(said):
    assert "nothing of this line was taken in" in refusal("level flight, suction low", said)


@pytest.mark.parametrize("first", ["suction normal at first", "no, that was later, the suction was normal at first"])
def test_what_was_at_first_stands_before_what_was_told(first):
    case = desk_after("in the climb suction low", first).case
    assert [moment.readings["suction.value"] for moment in case.snapshot] == ["normal", "low"]


@pytest.mark.parametrize("light", ["low voltage light", "low vacuum light"])
@pytest.mark.parametrize("how", ["came on", "came on immediately", "suddenly came on"])
def test_a_light_that_came_on_is_lit(light, how):
    assert set(desk_after(f"level flight, the {light} {how}").case.snapshot[-1].readings.values()) == {"lit"}


@pytest.mark.parametrize("how", ["drifted 20 degrees", "drifted by 20 degrees", "drifting 20"])
def test_how_far_a_card_drifted_is_no_heading(how):
    moment = desk_after(f"level flight, heading indicator {how} and suction was 2 inches").case.snapshot[-1]
    assert moment.readings == {"heading.trend": "drifting", "suction.value": "2 inHg"}


@pytest.mark.parametrize("gap", ["about ten minutes later", "about 10 minutes later", "ten minutes later"])
def test_a_line_may_begin_with_how_much_later_it_was(gap):
    case = desk_after("in cruise the low voltage light came on", f"{gap} the radios were fading").case
    assert [moment.minutes_before for moment in case.snapshot] == [0.0, 10.0]


@pytest.mark.parametrize("since", ["already from takeoff", "since takeoff", "from the start"])
def test_a_switch_may_have_stood_so_from_a_part_of_the_flight_on(since):
    case = desk_after("in the climb the airspeed fell", f"no, pitot heat was on {since}").case
    assert "pitot_heat_on" in case.context


def test_a_story_that_goes_on_is_no_answer_to_what_was_flown_before():
    case = desk_after("the suction was low", "then in the climb the altimeter froze").case
    assert [(m.manoeuvre, *m.readings) for m in case.snapshot] == [
        ("level", "suction.value"),
        ("climb", "altimeter.trend"),
    ]


def test_the_write_up_and_what_was_said_of_a_failure_are_asked_for_in_plain_words():
    told = ("in the climb the airspeed fell",)
    assert "discrepancy" in answer_to(*told, "write-up for the mechanic")
    assert "acuum pump failed" in answer_to(*told, "why did you say the pump did not fail")


@pytest.mark.parametrize("how", ["froze", "was stuck", "was frozen", "would not move", "stuck at 80"])
def test_a_stuck_airspeed_says_that_a_constant_airspeed_is_assumed(how):
    assert "a constant airspeed while climbing" in answer_to(f"in the climb the airspeed {how}")
    changing = answer_to("moment level slowing down", f"the airspeed {how}")
    assert "a constant airspeed" not in changing
    assert "a constant airspeed while" not in answer_to("in the climb the airspeed was steady")
