"""Numbers of partial panel to the last digit: what is assumed, roll-outs to all four points, which dial is named."""

from __future__ import annotations

import pytest

from diagnose.advice.partial_panel import Standing, flown, recover, technique
from diagnose.model import CaseRecord, Grade, SnapshotRecord
from tests.small import shipped


def notes(panel_id, *out, manoeuvre="level", verify=(), **fields):
    panel = shipped().panel(panel_id)
    grades = dict.fromkeys(panel.gauges, Grade.USE) | dict.fromkeys(out, Grade.COVER)
    grades |= dict.fromkeys(verify, Grade.VERIFY)
    case = CaseRecord(title="x", panel=panel_id, snapshot=(SnapshotRecord(manoeuvre=manoeuvre),), **fields)
    return {note.topic: note.says for note in technique(shipped(), panel, grades, case, "")}


def test_what_is_not_said_is_assumed_and_that_is_said():
    """100 kt, and the bank of a standard turn there: atan(3 * 100 / 1091) = 15.4 degrees."""
    bare = flown(CaseRecord(title="x", panel="single_pump"))
    assert (bare.speed_kt, bare.speed_given, bare.bank_given, bare.latitude_deg) == (
        100.0,
        False,
        False,
        None,
    )
    assert bare.bank_deg == pytest.approx(15.4, abs=0.05)
    assert bare.rate_dps == 3.0
    told = flown(
        CaseRecord(title="x", panel="single_pump", true_airspeed_kt=120.0, bank_deg=10.0, latitude_deg=-5.0)
    )
    assert (told.speed_kt, told.speed_given, told.bank_given, told.latitude_deg) == (120.0, True, True, -5.0)
    # 1091 tan(10) / 120
    assert told.rate_dps == pytest.approx(1.603, abs=0.005)
    assert "at 100 kt (assumed" in notes("single_pump", "heading")["bank"]
    assert "assumed" not in notes("single_pump", "heading", true_airspeed_kt=100.0)["bank"]


def test_roll_outs_to_all_four_points_at_30_north_with_15_degrees_of_bank():
    """North 30 + 7.5, south 30 - 7.5 late, east and west 7.5: the half degree goes to the smaller lead."""
    says = notes("single_pump", "heading", latitude_deg=30.0, bank_deg=15.0)["compass turns"]
    for part in (
        "north 37 before (323 turning right, 037 turning left)",
        "east 7 before (083 turning right, 097 turning left)",
        "south 23 past (203 turning right, 157 turning left)",
        "west 7 before (263 turning right, 277 turning left)",
    ):
        assert part in says, says


def test_a_timed_turn_by_the_clock():
    """3 degrees a second: 30 in 10 s, 90 in 30 s, 180 in 60 s."""
    says = notes("single_pump", "heading")["timed turn"]
    assert "30 degrees in 10 s, 90 degrees in 30 s, 180 degrees in 60 s" in says


def test_the_altimeter_stands_in_for_the_vertical_speed():
    """500 fpm are 83 ft in 10 s; level off a tenth of the rate before."""
    found = notes("single_pump", "vertical_speed")
    assert "100 ft in 10 s is 600 fpm; for 500 fpm count 83 ft in 10 s" in found["rate by altimeter"]
    assert "50 ft before" in found["level-off"]


def left(panel_id, *out, verify=()):
    panel = shipped().panel(panel_id)
    grades = dict.fromkeys(panel.gauges, Grade.USE) | dict.fromkeys(out, Grade.COVER)
    return recover(Standing(panel=panel, grades=grades | dict.fromkeys(verify, Grade.VERIFY))).says


def test_the_recovery_names_the_first_dial_that_is_left():
    """The airspeed sorts with the altimeter; without the altimeter the vertical speed stands in for it."""
    assert "airspeed and altimeter stop and turn back" in left("single_pump").replace("the ", "")
    assert "airspeed and vertical speed stop and turn back" in left("single_pump", "altimeter").replace(
        "the ", ""
    )
    both_out = left("single_pump", "airspeed")
    assert "not by the airspeed" in both_out
    assert "altimeter stops and turns back" in both_out
    assert "vertical speed stops and turns back" in left("single_pump", "airspeed", "altimeter").replace(
        "the ", ""
    )


def test_a_doubtful_airspeed_does_not_sort_and_a_doubtful_altimeter_does():
    assert "not by the airspeed" in left("single_pump", verify=("airspeed",))
    assert "by the airspeed" in left("single_pump", verify=("altimeter",))


def test_what_is_in_doubt_sorts_where_nothing_better_is_left():
    """Airspeed, altimeter and vertical speed out or in doubt. A sure horizon first, then what is in doubt, then a
    doubtful horizon, then sound and feel. One in doubt is named alone, of two the last tells level pitch.
    """
    out = ("airspeed", "altimeter", "vertical_speed")
    assert "by the attitude indicator, as far as" in left("single_pump", *out)
    both = left("single_pump", "vertical_speed", "attitude", verify=("airspeed", "altimeter"))
    assert "by airspeed and altimeter, in doubt as they are" in both
    assert "where the altimeter stops" in both
    for verify, name in (("airspeed", "airspeed"), ("altimeter", "altimeter")):
        rest = tuple(one for one in out if one != verify)
        for horizon in ({"verify": (verify,)}, {"verify": (verify, "attitude")}):
            found = left("single_pump", *rest, *(() if len(horizon["verify"]) == 2 else ("attitude",)), **horizon)
            assert f"by the {name}, in doubt as it is" in found
            assert f"where the {name} stops" in found
        # a horizon that may simply be used goes before
        assert "by the attitude indicator" in left("single_pump", *rest, verify=(verify,))
    assert "by the attitude indicator, as far as" in left("single_pump", *out, verify=("attitude",))
    assert "by sound and feel" in left("single_pump", *out, "attitude")


def test_a_recovery_is_told_in_an_upset_or_where_a_dial_that_it_needs_is_in_doubt():
    panel = shipped().panel("single_pump")
    case = CaseRecord(title="x", panel="single_pump", snapshot=(SnapshotRecord(manoeuvre="level"),))

    def told(upset="", **grades):
        all_grades = dict.fromkeys(panel.gauges, Grade.USE) | grades
        return "recovery" in {note.topic for note in technique(shipped(), panel, all_grades, case, upset)}

    assert not told()
    assert told("a spiral")
    assert told(airspeed=Grade.VERIFY)
    assert told(airspeed=Grade.COVER)
    for name in ("altimeter", "attitude", "vertical_speed"):
        assert told(**{name: Grade.COVER})
        assert not told(**{name: Grade.VERIFY})
    assert not told(heading=Grade.COVER)
