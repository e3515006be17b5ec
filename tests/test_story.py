"""Sentences that tell of one moment after the other: each is a snapshot, and all are taken back at once."""

from __future__ import annotations

import pytest

from diagnose.language.prose import read_story
from diagnose.model.errors import CaseError
from diagnose.terminal.commands import Desk, obey
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
    assert "Not used: - 'it went purple'" in text


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
