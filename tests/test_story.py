"""Sentences that tell of one moment after the other: each is a snapshot, and all are taken back at once."""

from __future__ import annotations

import pytest

from diagnose.commands import Desk, obey
from diagnose.errors import CaseError, DiagnoseError
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
    # what cannot be understood is said before anything is asked
    with pytest.raises(DiagnoseError, match="no reading of the airspeed indicator 'purple'"):
        asked_for("airspeed was fine, then it went purple")


@pytest.mark.parametrize(
    "said",
    [
        "airspeed fell, then climbed",  # the aircraft or the pointer?
        "airspeed dropped, then it came back",
        "airspeed kept increasing in the climb but decreased when we descended",
        "suction was zero, before that the AI was fine but then it rolled over",
        "airspeed was fine until the climb, then nothing",
    ],
)
def test_a_story_that_may_mean_something_else_changes_nothing(said):
    with pytest.raises(DiagnoseError):
        desk_after(LEVEL, said)


def test_what_was_flown_meanwhile_is_no_reading():
    told = asked_for("ASI dropped to zero while climbing")[0].case
    assert told == desk_after("snapshot climb", "airspeed zero").case
    assert desk_after("snapshot climb", "ASI dropped to zero while climbing").case == told
    # a gauge may climb while another does not
    (shown,) = desk_after("snapshot climb", "altimeter steady while the vsi showed a climb").case.snapshot
    assert shown.readings == {"altimeter.trend": "steady", "vertical_speed.rate": "climb"}


def test_two_moments_in_one_breath_are_told_how_to_be_said():
    with pytest.raises(CaseError, match="tells of two moments") as caught:
        desk_after("airspeed kept increasing in the climb but decreased when we descended")
    _, _, shown = caught.value.mend.partition(": ")
    assert [s.manoeuvre for s in asked_for(shown)[0].case.snapshot] == ["climb", "descent"]


def test_whatever_one_sentence_said_is_taken_back_at_once():
    said = "in the climb airspeed went to zero, we were in cloud, the pitot heat was off"
    assert asked_for(said, "undo")[0].case == Desk(kb=shipped()).case
