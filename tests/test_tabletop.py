"""The session around a table: terminal, papers, records and scores."""

from __future__ import annotations

import io
import json
import math
import re
import subprocess
import sys
from dataclasses import replace

import msgspec
import networkx as nx
import numpy as np
import pytest

from diagnose.cli import main
from diagnose.language import readable
from diagnose.model import Grade
from diagnose.model.case import Call, Pause, SessionRecord, scenario_mark
from diagnose.model.errors import CaseError, UnknownName
from diagnose.network.graph import lines_of
from diagnose.practice.known import misleading, odd_gauges
from diagnose.practice.scenarios import load_scenario, save_scenario
from diagnose.practice.scoring import Forecast, score
from diagnose.practice.simulate import state_at
from diagnose.practice.tabletop import (
    advance,
    as_decided,
    call,
    look,
    read_session,
    scenario_held,
    start,
    write_session,
)
from diagnose.render.pages.debrief import _after, debrief_page, debrief_text, still_used_rows, winner_line
from diagnose.render.pages.papers import handout, instructor_copy
from diagnose.render.pages.timeline import clock, known_chart
from diagnose.terminal.tabletop import Desk, run
from tests import console
from tests.small import shipped
from tests.test_scenario import NAMES, engine, flown


def table(name="clear_morning", teams=("team",)):
    return start(flown(name)[0], teams)


def lead(lines, name="clear_morning", teams=("team",), answers=False, record=None):
    """Type lines at the instructor's terminal; gives what was said, and the desk at the end."""
    simulation, followed = flown(name)
    said: list[str] = []
    desk = Desk(table=start(simulation, teams), followed=followed if answers else None)
    desk = run(desk, io.StringIO("\n".join(lines) + "\n"), said.append, record)
    return "\n".join(said), desk


# ------------------------------------------------------------------ papers


@pytest.mark.parametrize("name", NAMES)
def test_the_handout_holds_no_answer(name):
    simulation, followed = flown(name)
    text = handout(simulation).lower()
    for failure in shipped().failures.values():
        assert failure.name.lower() not in text
        # an id of one word may be a word of the trade that a briefing needs
        if "_" in failure.id:
            assert failure.id not in text
    for entry in followed.truth:
        assert entry not in text
        assert shipped().failures[entry].mechanism.lower() not in text
    for point in (*simulation.scenario.teaching, *simulation.scenario.cautions):
        assert point.lower() not in text
    assert not re.search(r"\bfails\b|truth|posterior|could be known", text)


@pytest.mark.parametrize("name", NAMES)
def test_the_handout_tells_no_switch_and_gives_dials_to_read_instead_of_numbers(name):
    simulation, _ = flown(name)
    text = handout(simulation)
    for flag, known in shipped().context.items():
        if known.switch and flag in simulation.scenario.context:
            assert known.name not in text
    moments = text.partition("What you see")[2].partition("What you think and do")[0]
    assert moments.count('class="panel"') >= 3
    assert "<td" not in moments


@pytest.mark.parametrize("name", NAMES)
def test_the_instructors_copy_holds_it_all(name):
    simulation, followed = flown(name)
    text = instructor_copy(simulation, followed)
    for entry in followed.truth:
        assert shipped().failures[entry].name in text
    for point in (*simulation.scenario.teaching, *simulation.scenario.cautions):
        assert point.replace("'", "&#x27;") in text
    assert "could be named" in text
    assert "When could you have known" in text


@pytest.mark.parametrize(("paper", "size"), [("a4", "A4"), ("letter", "letter")])
def test_papers_need_nothing_else_and_name_their_sheet(paper, size):
    simulation, followed = flown("green_arc")
    for text in (handout(simulation, paper), instructor_copy(simulation, followed, paper)):
        assert f"size: {size};" in text
        assert not re.search("https?:", text.replace("http://www.w3.org/2000/svg", ""))
        assert not re.search(r"<(link|script|img|iframe)\b|src=|@import", text)
        assert "For ground training and review only" in text
        ids = re.findall(r' id="([^"]+)"', text)
        assert len(ids) == len(set(ids))


# ------------------------------------------------------------------ the session


def test_a_look_costs_time_and_shows_what_is_not_in_view():
    said, desk = lead(["look suction", "look mode c", "look outside"])
    assert [one.gauge for one in desk.table.looks] == ["suction", "atc_height", "outside"]
    assert desk.table.minutes == pytest.approx(15.0 / 60.0)
    assert "0:05  suction gauge" in said
    assert "atc sees: 3500 ft" in said
    assert "outside horizon: bank seen level" in said


def test_a_gauge_by_itself_is_a_look():
    for said in ("red look suction", "Red suction", "red: suction gauge", "RED, Suction"):
        shown, desk = lead([said], teams=("red", "blue"))
        assert [one.gauge for one in desk.table.looks] == ["suction"], said
        assert "suction gauge" in shown, said


def test_time_stops_at_a_call_on_the_radio_and_ends_with_the_flight():
    said, desk = lead(["go 280", "next", "go 9999", "next"])
    assert "5:00  Say: Karelund Approach: say your heading" in said
    assert desk.table.over
    assert desk.table.minutes == 10.0
    assert said.count("The flight is over") == 2


def test_calls_are_recorded_with_team_and_time():
    lines = ["go 130", "red suspect pump sheared 60", "blue suspect heading worn 30 %", "go 60", "red cover attitude",
             "red isolate pump sheared + ammeter dead 95", "red atc no-gyro vectors", "red decide back to Karelund",
             "blue isolate nothing", "blue uncover heading"]  # fmt: skip
    _, desk = lead(lines, teams=("red", "blue"))
    assert [(c.team, c.kind, c.what, c.sure) for c in desk.table.calls] == [
        ("red", "suspect", ("pump_sheared",), 0.6),
        ("blue", "suspect", ("heading_worn",), 0.3),
        ("red", "cover", ("attitude",), 1.0),
        ("red", "isolate", ("pump_sheared", "ammeter_dead"), 0.95),
        ("red", "tell_atc", ("no-gyro vectors",), 1.0),
        ("red", "decide", ("back to Karelund",), 1.0),
        ("blue", "isolate", (), 1.0),
        ("blue", "trust", ("heading",), 1.0),
    ]
    assert desk.table.calls[0].minutes == pytest.approx(130 / 60, abs=1e-3)


def test_what_cannot_be_understood_changes_nothing_and_says_what_can():
    said, desk = lead(
        [
            "suspect gremlins",
            "cover",
            "fly",
            "go far",
            "look",
            "suspect pump sheared 400",
            "undo",
            "save /nowhere/x.json",
        ]
    )
    assert desk.table.calls == ()
    assert desk.table.minutes == 0.0
    for text in ("as a failure 'gremlins' is none known here", "'fly' is not a call", "go how far?",
                 "how sure must be between 0 and 100", "nothing to undo", "cannot be written"):  # fmt: skip
        assert text in " ".join(said.split())
    said, _ = lead(["suspect pump sheared 50"], teams=("red", "blue"))
    assert "which team?" in said


def test_no_call_is_lost_by_a_line_that_is_not_understood():
    said, desk = lead(
        [
            "go 130",
            "red mumbles about lunch",
            "suspect alternator failed",
            "go 60",
            "at 2:10 RED: suspect pump sheared 60",
            "quit",
        ],
        teams=("Red", "Blue"),
    )
    assert [(u.team, u.text) for u in desk.table.unread] == [("", "suspect alternator failed")]
    (made,) = desk.table.calls
    assert (made.team, made.what, made.minutes) == (
        "Red",
        ("pump_sheared",),
        pytest.approx(130 / 60, abs=1e-3),
    )
    assert "Try: Red suspect alternator failed." in " ".join(said.split())
    _, later = lead(["go 130", "at 9:00 suspect pump sheared"])
    assert later.table.calls == ()


def test_teams_differ_by_more_than_capitals():
    with pytest.raises(CaseError, match="different names"):
        start(flown("clear_morning")[0], ("Red", "red"))


def test_quit_shows_the_scores_and_asks_for_a_file_once():
    simulation, followed = flown("clear_morning")
    told: list[str] = []

    def scores(now):
        return debrief_text(
            simulation, followed, score(simulation, engine(simulation.scenario.panel), followed, now.record)
        )

    lines = "go 150\nred suspect pump sheared\ngo 30\nred name pump sheared\nblue name compass stuck\nquit\nquit\n"
    desk = run(Desk(table=start(simulation, ("red", "blue"))), io.StringIO(lines), told.append, scores=scores)
    text = "\n".join(told)
    assert desk.done
    assert text.count("The winner is red.") == 1
    assert "'save FILE' keeps them" in text


def points(name, *calls):
    *_, result = session_of(name, *calls)
    return result


def test_points_rank_better_play_higher():
    """Sooner is worth more than later, naming more than not, and covering what misleads more than trusting it.

    What hangs on the failed line may be covered from the failure on (FAA Instrument Flying Handbook: cover what has
    failed at once); before anything has failed it is a guess and costs.
    """
    simulation, followed = flown("clear_morning")
    begun = followed.suspected

    def named(**covered):
        covers = (said(minutes, "cover", gauge) for gauge, minutes in covered.items())
        calls = (said(begun, "suspect", "pump_sheared"), said(begun, "isolate", "pump_sheared"))
        return points("clear_morning", *calls, *covers, said(begun, "tell_atc"), said(begun, "decide"))

    leads = {gauge: misleads.argmax() / 60.0 for gauge, misleads in misleading(simulation).items() if misleads.any()}
    assert set(leads) == {"attitude", "heading"}
    assert all(minutes > begun for minutes in leads.values())
    best, at_once, trusts = named(**leads), named(attitude=begun, heading=begun), named()
    early = named(attitude=0.2, heading=0.2)
    late = points("clear_morning", said(begun + 2.0, "suspect", "pump_sheared"))
    never = points("clear_morning", said(begun, "tell_atc"))
    wrong = points(
        "clear_morning",
        said(begun, "tell_atc"),
        said(0.5, "suspect", "pump_sheared"),
        said(0.5, "cover", "altimeter"),
    )
    assert at_once.total == pytest.approx(best.total)
    assert best.total > early.total > trusts.total > late.total > never.total > wrong.total >= 0.0
    assert best.total > 95.0
    # with nothing failed, silence is right and an alarm is not
    assert (
        points("nothing_to_see").total > points("nothing_to_see", said(5.0, "suspect", "pump_sheared")).total
    )


def test_undo_takes_back_and_a_cover_hides_the_dial():
    said, desk = lead(["cover attitude", "panel", "undo", "panel"])
    assert said.count("(covered)") == 1
    assert desk.table.calls == ()


def test_notes_are_for_the_instructor_only():
    hidden, _ = lead(["go 200", "notes"])
    assert "pump" not in hidden
    shown, _ = lead(["go 200", "notes"], answers=True)
    assert "What has failed: vacuum pump failed" in " ".join(shown.split())
    # asked for only, and with a warning; nothing of it comes up by itself
    unasked, _ = lead(["go 200"], answers=True)
    assert "no student sees it" in " ".join(unasked.split())
    assert "pump" not in unasked.partition("0:00")[2].lower().replace("vacuum pump 0", "")


def test_the_session_works_through_a_pipe(tmp_path):
    record = tmp_path / "r.json"
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "diagnose",
            "tabletop",
            "clear_morning",
            "--team",
            "red",
            "--record",
            str(record),
        ],
        input="go 150\nsuspect pump sheared 70\nisolate pump sheared 90\ncover attitude\ngo 500\nquit\n",
        capture_output=True,
        text=True,
        timeout=240,
    )
    assert (done.returncode, done.stderr) == (0, "")
    kept = json.loads(record.read_text())
    assert [c["kind"] for c in kept["calls"]] == ["suspect", "isolate", "cover"]


# ------------------------------------------------------------------ records and scores


def test_a_record_reads_back_and_belongs_to_its_scenario(tmp_path):
    path = tmp_path / "r.json"
    session = call(look(table(), "team", "suction"), "team", "suspect", ("pump_sheared",), 0.4)
    path.write_text(write_session(session.record))
    assert read_session(path, session.simulation.scenario) == session.record
    with pytest.raises(CaseError, match="another scenario"):
        read_session(path, load_scenario("green_arc", shipped()))
    path.write_text('{"scenario": "x", "calls": [{"kind": "shout"}]}')
    with pytest.raises(CaseError, match="mark is missing"):
        read_session(path, session.simulation.scenario)
    path.write_text("no json")
    with pytest.raises(CaseError, match="not a session record"):
        read_session(path, session.simulation.scenario)


def test_transitions_refuse_what_does_not_exist():
    with pytest.raises(UnknownName):
        call(table(), "green", "suspect", ("pump_sheared",))
    with pytest.raises(UnknownName):
        look(table(), "team", "sextant")
    with pytest.raises(CaseError, match="different names"):
        start(flown("clear_morning")[0], ("a", "a"))
    assert advance(table(), 1e9).minutes == 10.0


def session_of(name, *calls):
    simulation, followed = flown(name)
    record = SessionRecord(
        scenario=simulation.scenario.title,
        mark=scenario_mark(simulation.scenario),
        teams=("team",),
        minutes=followed.end,
        calls=calls,
    )
    return (
        simulation,
        followed,
        record,
        score(simulation, engine(simulation.scenario.panel), followed, record)[0],
    )


def said(minutes, kind, *what, sure=1.0):
    return Call(minutes=minutes, team="team", kind=kind, what=what, sure=sure)


def test_times_count_from_the_evidence_and_alike_failures_are_right():
    *_, result = session_of(
        "clear_morning",
        said(3.0, "suspect", "heading_worn", sure=0.5),
        said(3.5, "isolate", "suction_hose_collapsed", sure=0.9),
        said(3.6, "tell_atc"),
        said(4.0, "decide", "home"),
    )
    assert (result.suspected, result.isolated, result.told_atc, result.decided) == (3.0, 3.5, 3.6, 4.0)
    assert not result.false_alarm
    assert [forecast.true for forecast in result.forecasts] == [False, True]


def test_forecasts_are_scored_by_the_printed_rules():
    *_, result = session_of(
        "clear_morning",
        said(3.0, "suspect", "heading_worn", sure=0.5),
        said(3.5, "isolate", "pump_sheared", sure=0.9),
    )
    # Brier: square of the distance to 0 or 1; log: bits of surprise
    assert result.brier == pytest.approx((0.25 + 0.01) / 2)
    assert result.forecasts[1].bits == pytest.approx(-math.log2(0.9))
    assert result.forecasts[0].bits == pytest.approx(1.0)
    assert result.forecasts[1].engine > 0.5
    assert result.engine_brier < result.brier
    assert Forecast.bits_of(0.0, True) == pytest.approx(-math.log2(0.01))


def test_a_suspicion_before_anything_failed_is_a_false_alarm():
    *_, result = session_of("clear_morning", said(1.0, "suspect", "pump_sheared"))
    assert result.false_alarm
    assert result.suspected is None
    *_, result = session_of("nothing_to_see", said(5.0, "suspect", "compass_stuck"), said(9.0, "isolate"))
    assert result.false_alarm
    assert result.isolated == 9.0


def test_wrong_trust_costs_and_covering_stops_it():
    *_, nothing = session_of("clear_morning")
    *_, covers = session_of("clear_morning", said(3.0, "cover", "attitude"), said(3.0, "cover", "heading"))
    *_, wrongly = session_of("clear_morning", said(1.0, "cover", "altimeter"))
    assert covers.wrong_trust == 0.0
    assert nothing.wrong_trust > 50.0
    assert nothing.wrong_doubt == 0.0
    assert wrongly.wrong_doubt > 10.0
    assert wrongly.good_covered == ("altimeter",)
    assert wrongly.wrong_trust == nothing.wrong_trust
    began, when = covers.cover["attitude"]
    assert when == 3.0
    assert began > 3.0


def test_the_perfect_reasoner_is_hardly_beaten_on_its_own_statements():
    """Over all shipped scenarios, naming the truth with certainty at the end costs the engine little."""
    costs = []
    for name in NAMES:
        # the last time at which something is there to be named, where anything ever was
        followed = flown(name)[1]
        last = [known for known in followed.known if bool(known.truth) == bool(followed.truth)][-1]
        *_, result = session_of(name, said(last.minutes, "isolate", *last.truth))
        assert result.forecasts[0].true
        costs.append(result.forecasts[0].engine_bits)
    assert sum(costs) / len(costs) < 0.5


def test_the_debrief_shows_one_picture_and_all_calls(tmp_path, capsys):
    simulation, followed, record, result = session_of(
        "green_arc", said(4.0, "suspect", "vacuum_light_lit", sure=0.8), said(5.2, "cover", "attitude")
    )
    page = debrief_page(simulation, followed, record, [result])
    # what could be known over time, the plumbing, the panel with its ghosts, and the two halves that fly it again
    assert page.count("<svg") == 5
    for text in (
        "suspects low-vacuum switch stuck",
        "covers attitude indicator",
        "vacuum light lit",
        "to be named",
    ):
        assert text in page
    path = tmp_path / "r.json"
    path.write_text(write_session(record))
    assert main(["debrief", "green_arc", str(path), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["teams"][0]["brier"] == pytest.approx(0.64)
    assert main(["debrief", "green_arc", str(path)]) == 0
    plain = capsys.readouterr().out
    assert main(["debrief", "green_arc", str(path), "--figures"]) == 0
    figures = capsys.readouterr().out
    assert "Score: " in plain
    # plain words first, figures on request only
    assert "Brier" not in plain
    assert figures.startswith(plain.rstrip())
    assert "penalty for trusting a bad gauge" in figures
    assert "Brier" in figures
    assert main(["debrief", "green_arc", str(path), "--html", str(tmp_path / "d.html")]) == 0
    assert main(["debrief", "clear_morning", str(path)]) == 1


def test_what_was_done_before_anything_could_be_seen_is_no_quick_answer():
    assert _after(1.0, 4.5) == "1:00 (before: a guess)"
    assert _after(5.0, 4.5) == "5:00 (+0:30)"


def test_the_picture_says_when_it_could_be_named_or_that_it_never_could():
    followed = flown("clear_morning")[1]
    assert followed.isolated is not None
    assert f">to be named {clock(followed.isolated)}<" in known_chart(followed)
    never = known_chart(replace(followed, isolated=None))
    assert ">never enough to be named<" in never
    assert ">to be named" not in never


def test_papers_are_written_by_the_command(tmp_path):
    wanted = [
        "--handout",
        str(tmp_path / "h.html"),
        "--instructor",
        str(tmp_path / "i.html"),
        "--page",
        str(tmp_path / "p.html"),
    ]
    assert main(["tabletop", "clear_morning", "--paper", "letter", *wanted]) == 0
    assert "size: letter;" in (tmp_path / "h.html").read_text()
    assert "vacuum pump failed" not in (tmp_path / "h.html").read_text()
    assert "vacuum pump failed" in (tmp_path / "i.html").read_text()
    assert (tmp_path / "p.html").exists()


def test_a_window_that_is_closed_loses_no_call(tmp_path):
    """The record stands on the disk before the next line is read."""
    simulation, _ = flown("clear_morning")
    path, seen = tmp_path / "r.json", []

    class Lines:
        given = iter(["go 130\n", "suspect pump sheared 60\n", "cover attitude\n", ""])

        def readline(self):
            if path.exists():
                seen.append(len(read_session(path, simulation.scenario).calls))
            return next(self.given)

    prompts = []
    run(Desk(table=start(simulation, ("team",))), Lines(), lambda text: None, path, prompts.append)
    assert seen == [0, 1, 2]
    assert prompts == ["0:00> ", "2:10> ", "2:10> ", "2:10> "]


# ------------------------------------------------------------------ decisions that change the flight


def test_a_decision_about_a_switch_changes_the_flight_and_undo_takes_it_back():
    said, desk = lead(["go 90", "decide alternate static on", "go 60"], name="after_the_wash")
    assert "1:30  alternate static source on" in said
    stands = desk.table.simulation.switches["alternate_static"]
    assert (stands[89], stands[90]) == ("off", "on")
    planned, _ = flown("after_the_wash")
    there, before = (state_at(one, 149)["altitude_ft"] for one in (desk.table.simulation, planned))
    # the ports are taped: only the alternate source lets the altimeter follow the climb
    assert there - before > 150.0
    assert planned.course.height_ft[149] == pytest.approx(there, abs=120.0)
    _, back = lead(["go 90", "decide alternate static on", "undo"], name="after_the_wash")
    assert back.table.simulation is planned


def test_pitot_heat_that_is_decided_cures_the_ice():
    _, desk = lead(["go 150", "decide to turn pitot heat on", "go 200"], name="freezing_level")
    planned, _ = flown("freezing_level")
    off = [abs(state_at(one, 340)["airspeed_kt"] - one.course.airspeed_kt[340]) for one in (desk.table.simulation, planned)]
    assert desk.table.simulation.switches["pitot_heat"][151] == "on"
    assert off[0] <= off[1]


@pytest.mark.parametrize("words", ["land at Karelund", "leave the ice", "no-gyro vectors, then land", "heat"])
def test_other_decisions_move_no_switch(words):
    after = call(advance(table("after_the_wash"), 60), "team", "decide", (words,))
    assert after.simulation is table("after_the_wash").simulation


def test_the_record_of_a_decision_flies_the_same_flight_again():
    simulation, _ = flown("after_the_wash")
    held = call(advance(start(simulation), 100), "team", "decide", ("alternate static on",))
    again = as_decided(simulation, held.record.calls)
    # a call between two steps of the clock moves the switch at the next one
    assert [again.switches["alternate_static"][s] for s in (119, 120)] == ["off", "on"]
    assert state_at(again, 200) == state_at(held.simulation, 200)
    assert held.record.mark == start(simulation).record.mark


def test_a_debrief_needs_the_record_alone(tmp_path):
    simulation, _ = flown("clear_morning")
    record = tmp_path / "monday.json"
    record.write_text(write_session(advance(start(simulation), 300).record))
    done = console.run("debrief", str(record))
    assert done.returncode == 0, done.stderr
    assert "Debrief: A clear morning over Karelund" in done.stdout
    other = msgspec.structs.replace(simulation.scenario, seed=99)
    record.write_text(write_session(msgspec.structs.replace(start(simulation).record, mark=scenario_mark(other))))
    missing = console.run("debrief", str(record))
    assert missing.returncode != 0
    assert "name the scenario's file as well" in " ".join((missing.stdout + missing.stderr).split())
    save_scenario(other, tmp_path / "own.toml")
    assert console.run("debrief", str(record)).returncode == 0


# ------------------------------------------------------------------ doubt, systems, stops


def test_doubt_costs_what_the_grade_to_verify_costs():
    simulation, followed = flown("clear_morning")
    kb = shipped()
    verify = next(cost for cost in kb.grade_costs.values() if cost.grade is Grade.VERIFY)
    costs = {}
    for kind in ("cover", "doubt", "trust"):
        held = call(advance(start(simulation), 1), "team", kind, ("attitude",))
        (costs[kind],) = score(simulation, engine("single_pump"), followed, advance(held, 600).record)
    begun = costs["trust"].wrong_trust
    # nothing but the attitude indicator's grade differs, and it weighs the same in each of its minutes
    share = verify.if_misleading / next(c for c in kb.grade_costs.values() if c.grade is Grade.USE).if_misleading
    heading = begun - costs["cover"].wrong_trust
    assert begun - costs["doubt"].wrong_trust == pytest.approx((1.0 - share) * heading)
    assert costs["doubt"].still_used["attitude"] == costs["cover"].still_used["attitude"] == 0.0
    assert costs["trust"].still_used["attitude"] > 1.0
    assert costs["trust"].wrong_doubt == 0.0 < costs["doubt"].wrong_doubt < costs["cover"].wrong_doubt


def test_a_system_can_be_suspected_and_is_true_if_something_of_it_failed():
    simulation, followed = flown("clear_morning")
    held = advance(start(simulation), 200)
    for system in ("vacuum", "static"):
        held = call(held, "team", "suspect", (system,), 0.7)
    (scored,) = score(simulation, engine("single_pump"), followed, held.record)
    vacuum, static = scored.forecasts
    assert (vacuum.true, static.true) == (True, False)
    # the system is at least as likely as any one cause in it
    (cause,) = score(simulation, engine("single_pump"), followed, call(advance(start(simulation), 200), "team", "suspect", ("pump_sheared",), 0.7).record)[0].forecasts
    assert vacuum.engine >= cause.engine > 0.3
    assert static.engine < 0.1
    assert scored.suspected == pytest.approx(held.minutes, abs=0.001)
    said, _ = lead(["go 60", "suspect vacuum 40", "suspect static system 20"])
    assert "suspects the vacuum system (40 %)" in said


def test_naming_counts_for_what_it_names():
    """The cause is worth most, its family or a cause of the same family less, its system less again, a suspicion half."""
    simulation, followed = flown("night_return")
    truth = shipped().failures["alternator_failed"]
    family = next(f for f in shipped().families.values() if truth.id in f.members)
    worth = simulation.sizes("points.named")
    at = followed.isolated

    def named(kind, *what):
        return points("night_return", said(at, kind, *what)).points["named"][0] / worth

    cause, kin, system = named("isolate", truth.id), named("isolate", family.id), named("isolate", "electrical")
    assert cause == pytest.approx(1.0)
    assert cause > kin > system > 0.0
    others = [member for member in family.members if member != truth.id]
    assert {named("isolate", other) for other in others} <= {kin, cause}
    assert named("suspect", truth.id) == pytest.approx(simulation.sizes("points.suspect_share"))
    assert named("isolate", "vacuum") == named("isolate", "pump_sheared") == named("isolate") == 0.0


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        ("ben thinks the alternator died", ("alternator_failed",)),
        ("ben says it is an electrical problem", ("electrical",)),
        ("ben suspects the vacuum pump", ("pump_sheared",)),
        ("ben the pump", ("vacuum",)),
        ("ben suspect vacuum system", ("vacuum",)),
    ],
)
def test_a_team_names_a_cause_a_family_or_a_system_in_its_own_words(words, meant):
    shown, desk = lead(["go 130", words], name="night_return", teams=("ann", "ben"))
    assert [one.what for one in desk.table.calls] == [meant], shown[-200:]
    # who gives no figure has said none
    assert "%" not in shown.splitlines()[-1]


@pytest.mark.parametrize("words", ["opens the alternate static", "decide to open the alternate static", "alternate static on"])
def test_the_switch_that_sets_the_instruments_right_is_credited(words):
    _, desk = lead(["go 60", f"ann {words}"], name="after_the_wash", teams=("ann", "ben"))
    simulation, followed = desk.table.simulation, flown("after_the_wash")[1]
    ann, ben = score(simulation, engine("single_pump"), followed, advance(desk.table, 600).record)
    assert ann.set_right is not None
    assert ben.set_right is None
    for part in ("noticed", "named", "decided"):
        assert ann.points[part][0] > ben.points[part][0] == 0.0, part
    assert "it put the instruments right" in " ".join(debrief_text(simulation, followed, [ann]).split())
    # a switch that helps nothing is a decision and no more
    _, other = lead(["go 60", "ann decide pitot heat on"], name="after_the_wash", teams=("ann", "ben"))
    heat, _ = score(other.table.simulation, engine("single_pump"), followed, advance(other.table, 600).record)
    assert heat.set_right is None


def test_covering_what_is_sound_costs_points_and_is_told():
    """Also where nobody could know what misled."""
    for name in ("night_return", "nothing_to_see", "clear_morning"):
        sound = points(name)
        covers = points(name, said(5.0, "cover", "altimeter"))
        assert covers.points["trusted"][0] <= sound.points["trusted"][0] - 9.0 or covers.points["trusted"][0] == 0.0, name
        simulation, followed = flown(name)
        assert "covered altimeter, which was good" in " ".join(debrief_text(simulation, followed, [covers]).split()), name


@pytest.mark.parametrize("name", NAMES)
def test_the_lesson_names_dials_that_the_failure_reaches(name):
    """Who noticed, told, decided and named nothing is told what the odd dials share: those that hang on what failed."""
    simulation, followed = flown(name)
    graph = lines_of(shipped(), simulation.scenario.panel)
    acts = {part for failure in followed.truth for part in shipped().failures[failure].acts}
    reached = {node[1] for part in acts & set(graph) for node in nx.descendants(graph, part) if isinstance(node, tuple)}
    odd = odd_gauges(simulation, followed)
    if reached:
        assert set(odd) <= reached
    assert not odd or followed.truth


def test_the_instructors_stop_is_told_and_holds_the_clock():
    simulation, _ = flown("clear_morning")
    stops = (Pause(at_minutes=0.25, asks="What shares a line with the horizon?"),)
    scenario = msgspec.structs.replace(simulation.scenario, pause=stops)
    assert scenario_mark(scenario) == scenario_mark(simulation.scenario)
    told: list[str] = []
    desk = Desk(table=start(replace(simulation, scenario=scenario), ("team",)))
    desk = run(desk, io.StringIO("next\nquit\n"), told.append)
    assert desk.table.minutes == 0.25
    assert "0:15  Stop and ask: What shares a line with the horizon?" in "\n".join(told)


def test_the_debrief_says_who_used_what_and_what_to_learn():
    simulation, followed = flown("clear_morning")
    held = call(advance(start(simulation, ("red", "blue")), 330), "red", "cover", ("attitude",))
    record = advance(held, 600).record
    scores = score(simulation, engine("single_pump"), followed, record)
    rows = {row[0]: row for row in still_used_rows(simulation, scores, record.minutes)}
    began = float(np.argmax(misleading(simulation)["attitude"])) / 60.0
    attitude = rows["attitude indicator"]
    assert attitude[1] == clock(began)
    assert attitude[3].startswith("used it for ")
    assert attitude[3].endswith("covered it at 5:30")
    assert attitude[4].endswith("never covered or doubted it")
    page = debrief_page(simulation, followed, record, scores)
    assert page.count("To learn: ") == 2
    assert "With perfect reasoning" in page
    text = debrief_text(simulation, followed, scores)
    assert text.count("To learn: ") == 2


def test_nothing_is_scored_that_could_not_be_done_yet():
    """A session that ends before anything has failed has no score, however little a team did."""
    simulation, followed = flown("clear_morning")
    held = advance(start(simulation, ("ann", "ben")), 60)
    held = call(held, "ann", "cover", ("attitude",))
    scores = score(simulation, engine("single_pump"), followed, held.record)
    assert [one.points for one in scores] == [{}, {}]
    assert winner_line(scores).startswith("No score")
    # gauges that nobody could know to mislead give nothing to who did nothing
    short = advance(start(simulation, ("ann",)), 125)
    (one,) = score(simulation, engine("single_pump"), followed, short.record)
    assert "trusted" not in one.points
    assert "named" not in one.points


def test_a_wrong_system_is_half_noticed_and_told_what_spoke_against_it():
    simulation, followed = flown("clear_morning")
    right = points("clear_morning", said(3.0, "suspect", "pump_sheared"))
    wrong = points("clear_morning", said(3.0, "suspect", "alternator_failed"))
    assert wrong.points["noticed"][0] == pytest.approx(right.points["noticed"][0] * simulation.sizes("points.wrong_system_share"))
    text = " ".join(debrief_text(simulation, followed, [wrong]).split())
    assert "blamed a system that was sound" in text
    assert "To learn: you blamed alternator failed; ammeter" in text
    assert "low voltage light, which hang on it, read as usual" in text
    # the right system later makes good for it
    both = points("clear_morning", said(3.0, "suspect", "alternator_failed"), said(3.1, "suspect", "vacuum"))
    assert wrong.points["noticed"][0] < both.points["noticed"][0] <= right.points["noticed"][0]


def test_a_decision_counts_where_it_can_bear_on_what_failed():
    worth = flown("clear_morning")[0].sizes("points.decided")

    def decided(name, *call):
        return points(name, said(3.0, *call)).points["decided"][0]

    assert decided("clear_morning", "decide", "land at Karelund") == worth
    assert decided("clear_morning", "decide", "alternate static on") == 0.0
    assert decided("clear_morning", "decide", "alternate static open") == 0.0
    assert decided("clear_morning", "decide", "pitot heat on") == 0.0
    assert decided("freezing_level", "decide", "pitot heat on") == worth
    # who asks ATC for what he needs has decided
    assert decided("clear_morning", "tell_atc", "no-gyro vectors please") == worth
    assert decided("clear_morning", "tell_atc") == 0.0


@pytest.mark.parametrize(
    ("line", "teams", "calls"),
    [
        ("ann covers the horizon and the DG", ("ann", "ben"), [("cover", ("attitude", "heading"))]),
        ("everyone covers the horizon", ("ann", "ben"), [("cover", ("attitude",))] * 2),
        ("ben thinks it is the vacuum pump, 60 % sure", ("ann", "ben"), [("suspect", ("pump_sheared",))]),
        ("ann asks for no-gyro vectors", ("ann", "ben"), [("tell_atc", ("for no-gyro vectors",))]),
        ("ben uses the compass", ("ann", "ben"), [("trust", ("compass",))]),
    ],
)
def test_calls_are_taken_as_an_instructor_types_them(line, teams, calls):
    said, desk = lead([line], teams=teams)
    assert [(one.kind, one.what) for one in desk.table.calls] == calls, said[-300:]
    # what was said in one line is undone in one, and told
    said, back = lead([line, "undo"], teams=teams)
    assert back.table.calls == ()
    assert "undone: " in said.splitlines()[-1] + said.splitlines()[-2]


@pytest.mark.parametrize(("typed", "seconds"), [("60", 60), ("5 minutes", 300), ("1:30", 90), ("2 min", 120), ("45 s", 45)])
def test_time_goes_on_as_people_say_it(typed, seconds):
    _, desk = lead([f"go {typed}"])
    assert desk.table.minutes == pytest.approx(seconds / 60.0)


@pytest.mark.parametrize("line", ["ann the suction is gone", "ann turns", "ann alternate static", "ann suspects the thing", "ann names the thing over there"])
def test_a_refusal_names_no_failure(line):
    """Students read the screen: what they have not said is not put there."""
    said, desk = lead([line], teams=("ann", "ben"))
    told = " ".join(said.split()).partition(" next? ")[2].lower()
    assert desk.table.calls == ()
    for failure in shipped().failures.values():
        for way in {failure.name.lower(), readable(failure.id)} - {"suspect"}:
            assert way not in told or way in line, way


def test_every_line_not_understood_stays_until_it_is_said_anew():
    _, desk = lead(["go 60", "ann mumbles", "ben hums", "ann suspects vacuum", "ben shrugs", "ben cover attitude"], teams=("ann", "ben"))
    assert [line.text for line in desk.table.unread] == ["mumbles", "hums"]


def test_the_scenario_of_a_record_is_found_under_any_name(tmp_path):
    simulation, _ = flown("clear_morning")
    own = msgspec.structs.replace(simulation.scenario, seed=77)
    record = tmp_path / "monday.json"
    record.write_text(write_session(msgspec.structs.replace(start(simulation).record, mark=scenario_mark(own))))
    save_scenario(own, tmp_path / "own.txt")
    (tmp_path / "large.txt").write_bytes(b"x" * 200_000)
    (tmp_path / "noise.txt").write_text("no scenario")
    assert scenario_held(record, shipped()) == str(tmp_path / "own.txt")
