"""Sentences that tell of one moment after the other: each is a snapshot, and all are taken back at once."""

from __future__ import annotations

import pytest

from diagnose.language.prose import read_story
from diagnose.model.errors import CaseError
from diagnose.terminal.commands import Desk, obey
from diagnose.terminal.commands.hearing import hear_story
from tests.desks import ENGINES, desk_after
from tests.small import shipped

LEVEL = "snapshot level"


def asked_for(*lines):
    desk, text = Desk(kb=shipped(), engines=ENGINES, asks=True), ""
    for line in lines:
        desk, text = obey(desk, line)
    return desk, " ".join(text.split())


@pytest.mark.parametrize(
    ("said", "plainly"),
    [
        ("airspeed was fine, then it fell to zero", ("airspeed fine", LEVEL, "airspeed fell to zero")),
        ("altimeter was normal but then froze", ("altimeter normal", LEVEL, "altimeter frozen")),
        (
            "first the suction was low, then the AI leaned, then the DG drifted",
            ("suction low", LEVEL, "ai leaning", LEVEL, "dg drifting"),
        ),
        (
            "airspeed steady, then in the descent it rose",
            ("airspeed steady", "snapshot descent", "airspeed rising"),
        ),
        (
            "in level flight the airspeed was steady and in the descent it went up",
            ("airspeed steady", "snapshot descent", "airspeed rising"),
        ),
        (
            "suction zero; after that the attitude wasn't stable",
            ("suction zero", LEVEL, "attitude not stable"),
        ),
    ],
)
def test_one_moment_after_the_other_is_a_snapshot_each(said, plainly):
    start = desk_after(LEVEL)
    told, _ = obey(start, said)
    assert told.case == desk_after(LEVEL, *plainly).case
    assert obey(told, "undo")[0].case == start.case


def test_before_it_is_said_what_was_flown_the_whole_story_is_held():
    desk, text = asked_for("airspeed was fine, then it fell to zero")
    assert "what were you flying then?" in text
    told, _ = obey(desk, "climb")
    assert (
        told.case
        == desk_after("snapshot climb", "airspeed fine", "snapshot climb", "airspeed falling, zero").case
    )
    assert desk_after("airspeed was fine, then it fell to zero", "climb").case == told.case
    # what cannot be understood is shown, and the rest is kept
    told, text = asked_for("airspeed was fine, then it went purple")
    assert told.case.snapshot[0].readings == {"airspeed.value": "normal"}
    assert "Not used: 'it went purple'" in text


@pytest.mark.parametrize(
    ("said", "flown", "readings"),
    [
        ("airspeed dropped, then it came back", ["level", "level"], ["falling", "normal"]),
        (
            "airspeed kept increasing in the climb but decreased when we descended",
            ["climb", "descent"],
            ["rising", "falling"],
        ),
    ],
)
def test_what_one_statement_cannot_hold_is_read_as_a_story(said, flown, readings):
    shown = asked_for(said)[0].case.snapshot
    assert [s.manoeuvre for s in shown] == flown
    assert [next(iter(s.readings.values())) for s in shown] == readings


def test_the_needle_or_the_airplane_is_not_guessed():
    with pytest.raises(CaseError, match="may be what was flown or what a gauge did"):
        asked_for(LEVEL, "airspeed fell, then climbed")
    (sentence,) = read_story("The airspeed fell and then it climbed.", shipped())
    assert [piece.reading for piece in sentence.pieces if piece.kind == "reading"] == ["falling"]
    assert [clause.why for clause in sentence.unused] == ["the needle or the airplane"]


def test_what_was_flown_meanwhile_is_no_reading():
    told = asked_for("ASI dropped to zero while climbing")[0].case
    assert told == desk_after("snapshot climb", "airspeed zero").case
    assert desk_after("snapshot climb", "ASI dropped to zero while climbing").case == told
    # a gauge may climb while another does not
    (shown,) = desk_after("snapshot climb", "altimeter steady while the vsi showed a climb").case.snapshot
    assert shown.readings == {"altimeter.trend": "steady", "vertical_speed.rate": "climb"}


def test_whatever_one_sentence_said_is_taken_back_at_once():
    said = "in the climb airspeed went to zero, we were in cloud, the pitot heat was off"
    assert asked_for(said, "undo")[0].case == Desk(kb=shipped()).case


def heard(text):
    return hear_story(Desk(kb=shipped(), engines=ENGINES), text)


def test_sizes_go_into_the_case():
    text = "Level, suction 3.8. The DG was off by 30. The AI showed a 20 degree left bank. The ASI was 10 knots high."
    (shown,) = heard(text).desk.case.snapshot
    assert shown.readings["suction.value"] == "3.8 inHg"
    assert shown.readings["heading.value"] == "30 degrees"
    assert shown.readings["attitude.bank"] == "-20 degrees"
    assert shown.readings["airspeed.value"] == "10 kt"


def test_a_turn_in_the_climb_is_one_maneuver_and_passing_an_altitude_after_the_roll_is_a_climb():
    case = heard("In a left turn on departure the turn coordinator stayed level.").desk.case
    assert [s.manoeuvre for s in case.snapshot] == ["climbing_left_turn"]
    case = heard(
        "On the takeoff roll the airspeed was normal. Passing 600 feet the altimeter was stuck."
    ).desk.case
    assert [s.manoeuvre for s in case.snapshot] == ["takeoff_roll", "climb"]


def test_what_came_back_is_a_moment_after_the_switch():
    text = "Level in cloud the airspeed was falling. Flipped the pitot heat on. Two minutes later it was back where it belonged. On the descent it was normal."
    case = heard(text).desk.case
    assert [s.manoeuvre for s in case.snapshot] == ["level", "level", "descent"]
    assert [dict(s.switches) for s in case.snapshot] == [{}, {"pitot_heat": "on"}, {"pitot_heat": "on"}]
    assert case.snapshot[1].readings["airspeed.value"] == "normal"


def test_everything_else_is_never_what_was_odd():
    (_, second) = heard(
        "The DG spun in the climb. In the turn to the left everything else worked."
    ).desk.case.snapshot
    assert not [facet for facet in second.readings if facet.startswith("heading.")]
    assert second.readings["attitude.bank"] == "left"
    # ... and "everything", after a cure, is
    text = "In the climb the altimeter was stuck. I pulled the alternate static and everything went back to normal."
    cured = heard(text).desk.case.snapshot[-1]
    assert [facet for facet in cured.readings if facet.startswith("altimeter.")]


@pytest.mark.parametrize(
    ("text", "flown"),
    [
        ("We asked the departure controller. Level at 3,000 the altimeter stuck.", ["level"]),
        ("Altimeter stuck level. On the second approach it stuck again.", ["level", "approach"]),
        ("The airspeed froze in level flight. During our last descent it fell.", ["level", "descent"]),
        ("Taxiing out I turned right and the DG stayed put.", ["taxi_right"]),
        ("Approach asked our altitude. In the climb the VSI was dead.", ["climb"]),
    ],
)
def test_which_words_tell_a_maneuver(text, flown):
    assert [s.manoeuvre for s in heard(text).desk.case.snapshot] == flown


def test_at_first_ends_with_what_it_was_said_of():
    text = "In the climb the AI was fine at first, but then it toppled."
    assert [dict(s.readings) for s in heard(text).desk.case.snapshot] == [
        {"attitude.behaviour": "stable"},
        {"attitude.behaviour": "tumbling"},
    ]


@pytest.mark.parametrize(
    "said", ["didn't seem to do anything", "did not appear to help", "didn't do a thing"]
)
def test_a_switch_without_effect_leaves_all_as_it_was(said):
    case = heard(f"In the climb the airspeed fell. I turned the pitot heat on but it {said}.").desk.case
    assert [dict(s.readings) for s in case.snapshot] == [{"airspeed.trend": "falling"}] * 2


@pytest.mark.parametrize(
    "said", ["Otherwise nothing amiss.", "No other problems.", "Nothing else was wrong."]
)
def test_otherwise_all_was_well(said):
    (shown,) = heard(f"Level, the DG was drifting. {said}").desk.case.snapshot
    assert shown.readings["attitude.bank"] == "level"
    assert shown.readings["heading.trend"] == "drifting"


def test_a_story_becomes_moments_with_the_switch_where_it_was_moved():
    case = heard(
        "Climbing in cloud the airspeed froze. Put the pitot heat on and a minute later it came back."
    ).desk.case
    assert [s.manoeuvre for s in case.snapshot] == ["climb", "climb"]
    assert [s.switches for s in case.snapshot] == [{}, {"pitot_heat": "on"}]
    assert case.snapshot[1].minutes_before == 1.0
    assert case.context == ("visible_moisture",)


def test_no_story_ends_without_a_ranking_and_what_was_assumed_is_said():
    for text in ("The needle went funny.", "Airspeed low.", "Nothing happened at all, nice day."):
        found = heard(text)
        assert found.answer.ranking
        assert found.built.assumed == (1,)
