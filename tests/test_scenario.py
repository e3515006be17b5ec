"""Scenario files, what could be known when, difficulty, and the command line around them."""

from __future__ import annotations

import csv
import io
import itertools
import re
import statistics
from functools import cache

import msgspec
import numpy as np
import pytest

from diagnose.advice.coverage import SOUND, Alike, effect_of
from diagnose.cli import main
from diagnose.language import readable
from diagnose.model.case import FailureEvent, Leg, Pilot, ScenarioRecord
from diagnose.model.errors import CaseError, UnknownName
from diagnose.practice.ask import Stopped, ask_scenario
from diagnose.practice.known import LEVELS, follow, misleading, reasoner, unusual_from
from diagnose.practice.scenarios import (
    SYSTEMS,
    draw_scenario,
    dump_scenario,
    load_scenario,
    save_scenario,
    scenario_paths,
    scenario_problems,
)
from diagnose.practice.simulate import shown_histories, simulate
from diagnose.practice.simulate.flight import sound
from diagnose.practice.simulate.plan import filled_legs
from diagnose.render.pages.branches import moved
from diagnose.render.pages.timeline import timeline_csv, timeline_text
from tests import console
from tests.examples import LONG, long_only
from tests.small import shipped

NAMES = sorted(scenario_paths())
#: scenarios drawn for each level
DRAWN = 10 if LONG else 3


@cache
def engine(panel="single_pump"):
    return reasoner(shipped(), panel)


@cache
def flown(name):
    scenario = load_scenario(name, shipped())
    simulation = simulate(engine(scenario.panel).network, scenario)
    return simulation, follow(simulation, engine(scenario.panel))


# ------------------------------------------------------------------ the shipped ones


def test_there_are_ten_or_more_over_all_systems_and_levels():
    assert len(NAMES) >= 10
    kb = shipped()
    truths = [flown(name)[1].truth for name in NAMES]
    systems = {kb.failures[f].system.value for truth in truths for f in truth}
    assert set(SYSTEMS) <= systems
    assert {flown(name)[1].level for name in NAMES} == set(LEVELS)
    real = [[f for f in truth if kb.failures[f].kind.value == "failure"] for truth in truths]
    assert sum(len(failures) == 2 for failures in real) >= 2
    assert sum(not failures for failures in real) >= 2
    assert any(unusual_from(flown(name)[0]) and flown(name)[0].scenario.pilot.follows for name in NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_the_engine_reaches_the_truth_by_the_time_that_the_copy_says(name):
    """Readings coded from the physics lead the engine to what was put in."""
    simulation, followed = flown(name)
    assert followed.isolated is not None
    at = followed.at(followed.isolated)
    assert at.right >= shipped().flown_quantities["known.isolated"].low
    if followed.truth:
        # nothing is suspected before anything has failed
        before = [k.something for k in followed.known if k.minutes <= followed.onset]
        assert all(something < 0.9 for something in before)
        likeliest, _ = at.ranking[0]
        assert Alike(simulation.network).holds(likeliest, at.truth)


@pytest.mark.parametrize("name", NAMES)
def test_it_is_complete_enough_to_teach_with(name):
    scenario = flown(name)[0].scenario
    assert scenario.briefing
    assert scenario.teaching
    assert scenario.cautions
    assert scenario.source.startswith("invented")


def test_following_the_false_instrument_and_only_that_leads_astray():
    scenario = load_scenario("faster_and_faster", shipped())
    led, true = (
        simulate(engine().network, msgspec.structs.replace(scenario, pilot=pilot))
        for pilot in (scenario.pilot, Pilot())
    )
    assert unusual_from(led) is not None
    assert unusual_from(true) is None


def test_instruments_that_mislead_are_those_on_the_failed_source():
    assert misleading(flown("clear_morning")[0])["attitude"].any()
    found = {gauge for gauge, wrong in misleading(flown("after_the_wash")[0]).items() if wrong.any()}
    assert found == {"airspeed", "altimeter", "vertical_speed"}
    assert not any(wrong.any() for wrong in misleading(flown("nothing_to_see")[0]).values())
    assert not any(wrong.any() for wrong in misleading(flown("lee_side")[0]).values())


def test_the_jump_of_a_dial_whose_source_was_switched_misleads_nobody():
    switched = moved(flown("clear_morning")[0], [("alternate_static", "on", 300)])
    apart = np.abs(shown_histories(switched)["vertical_speed_fpm"] - shown_histories(sound(switched))["vertical_speed_fpm"])
    assert (apart > switched.sizes("mislead.vertical_speed")).any()
    assert not misleading(switched)["vertical_speed"].any()


def test_alike_are_those_that_do_the_same_to_every_gauge():
    alike = Alike(engine().network)
    # all of these trap one pressure for all three dials
    sealed = {"static_ports_taped", "static_line_iced", "static_common_blocked", "static_water_plug"}
    assert set(alike.like("static_ports_taped")) == sealed
    assert "pump_weak" not in alike.like("pump_sheared")
    assert alike.holds(("static_line_iced", "ammeter_dead"), ("static_ports_taped",))
    assert not alike.holds((), ("static_ports_taped",))
    assert alike.holds((), ())
    assert not alike.holds(("ammeter_dead",), ())


def test_alike_is_one_rule_for_whoever_asks():
    """Both ways round; with fewer facets read no two that were alike are told apart; who shows nothing is like sound."""
    network = engine().network
    every, some = Alike(network), Alike(network, ("altimeter.trend", "suction.value"))
    assert (every.pairs == every.pairs.T).all()
    assert every.pairs.diagonal().all()
    assert not (every.pairs & ~some.pairs).any()
    assert (some.pairs & ~every.pairs).any()
    assert some.same("airspeed_overstressed", SOUND)
    assert not every.same("airspeed_overstressed", SOUND)
    assert all(every.same(name, every.kind(name)) for name in every.names[1:])
    for one, other in itertools.combinations(("static_ports_taped", "static_line_iced", "pump_sheared"), 2):
        own, its = (effect_of(network, network.dials, network.kb.failures[f].acts) for f in (one, other))
        gaps = [0.5 * np.abs(own.shows[f] - its.shows[f]).sum(axis=-1).max() for f in network.dials]
        near = own.marks == its.marks and max(gaps) < network.kb.review.alike_below
        assert every.same(one, other) == near


# ------------------------------------------------------------------ files


@pytest.mark.parametrize("name", NAMES)
def test_what_is_written_reads_back_the_same(name, tmp_path):
    scenario = flown(name)[0].scenario
    save_scenario(scenario, tmp_path / "s.toml")
    assert load_scenario(str(tmp_path / "s.toml"), shipped()) == scenario


BROKEN = {
    'panel = "glider"': "there is no panel 'glider'",
    "turbulence = 3.0": "turbulence must lie between 0 and 1",
    'context = ["rainy"]': "there is no context 'rainy'",
    'unseen = ["sextant"]': "there is no gauge 'sextant'",
    "color = 1": "there is no entry 'color'",
    "[sizes]\nwind = 3.0": "there is no quantity 'wind'",
    "[start]\nheading_deg = 400.0": "heading_deg must lie between 0 and 360",
    '[start]\naltitude_ft = "high"': "start: altitude_ft: expected a number",
    '[pilot]\nfollows = "ball"': "there is no instrument to follow",
    '[[leg]]\nmanoeuvre = "loop"\nminutes = 1': "leg 2: there is no maneuver 'loop'",
    '[[leg]]\nmanoeuvre = "level"\nminutes = 0': "leg 2: minutes must be 0.25 or more",
    '[[failure]]\nid = "left_pump_stopped"': "failure 1: there is no failure on the panel",
    '[[failure]]\nid = "pump_sheared"\nat_minutes = 99': "failure 1: at_minutes must lie between 0 and",
    "[[failure]]\nat_minutes = 1": "failure 1: id is missing",
    '[[action]]\nat_minutes = 1\nswitch = "flaps"\nposition = "up"': "action 1: there is no switch",
    "[[draught]]\nat_minutes = 1\nminutes = 0\nfpm = 300": "draught 1: minutes must be above 0",
    "[start]\naltitude_ft = 100.0\n[[leg]]\nmanoeuvre = 'descent'\nminutes = 2": "900 ft below the sea",
    '[failure]\nid = "pump_sheared"': "failure must be written [[failure]]",
}


@pytest.mark.parametrize(("lines", "text"), BROKEN.items(), ids=BROKEN.values())
def test_a_broken_file_is_explained(lines, text, tmp_path):
    path = tmp_path / "s.toml"
    top = {'panel = "glider"': 'title = "t"\nbriefing = "b"\n'}.get(
        lines, 'title = "t"\npanel = "single_pump"\nbriefing = "b"\n'
    )
    leg = '\n[[leg]]\nmanoeuvre = "level"\nminutes = 2\n'
    inside = lines if not lines.startswith("[") else ""
    path.write_text(f"{top}{inside}\n{leg}{lines if lines.startswith('[') else ''}\n")
    with pytest.raises(CaseError) as caught:
        load_scenario(str(path), shipped())
    assert text in caught.value.what
    assert caught.value.where == str(path)


def test_all_problems_come_at_once(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text(
        'title = "t"\npanel = "single_pump"\nbriefing = "b"\nturbulence = 2.0\nlatitude_deg = 99.0\n[[leg]]\nmanoeuvre = "loop"\nminutes = 1\n'
    )
    with pytest.raises(CaseError) as caught:
        load_scenario(str(path), shipped())
    assert caught.value.what.count(";") >= 2


def test_a_wrong_name_gets_the_nearest():
    with pytest.raises(UnknownName, match="clear_morning"):
        load_scenario("clear_mornin", shipped())


# ------------------------------------------------------------------ difficulty


@cache
def drawn(level):
    found = []
    for seed in range(DRAWN):
        system = SYSTEMS[seed % len(SYSTEMS)]
        found.append(draw_scenario(shipped(), engine(), "single_pump", system, level, seed))
    return found


@long_only
def test_time_to_isolate_rises_with_difficulty():
    """Ten drawn scenarios each; what is never isolated counts to the end of its flight."""
    means = []
    for level in LEVELS:
        waits = [(f.end if f.isolated is None else f.isolated) - f.onset for _, f in drawn(level)]
        means.append(statistics.mean(waits))
    assert means[0] < means[1] < means[2]


def test_drawn_scenarios_are_sound_seeded_and_different():
    kb = shipped()
    for level in LEVELS:
        scenarios = [scenario for scenario, _ in drawn(level)]
        assert all(scenario_problems(scenario, kb) == [] for scenario in scenarios)
        assert len({dump_scenario(scenario) for scenario in scenarios}) == DRAWN
    again, _ = draw_scenario(kb, engine(), "single_pump", SYSTEMS[0], "medium", 0)
    assert again == drawn("medium")[0][0]


# ------------------------------------------------------------------ timelines and the command line


def test_the_timeline_holds_what_is_shown_and_hides_what_fails():
    simulation, followed = flown("clear_morning")
    plain, told = timeline_text(simulation), timeline_text(simulation, followed)
    assert "say your heading" in plain
    assert "pump" not in plain
    assert "FAILS: vacuum pump failed" in told
    assert "It could be named by 2:30" in told


def test_the_table_holds_every_second_and_the_truth_only_when_asked():
    simulation, _ = flown("clear_morning")
    rows = list(csv.DictReader(io.StringIO(timeline_csv(simulation, answers=False))))
    assert len(rows) == 600
    assert float(rows[130]["suction_inhg"]) == pytest.approx(
        shown_histories(simulation)["suction_inhg"][130], abs=1e-3
    )
    assert not any(name.startswith(("true_", "failed_")) for name in rows[0])
    rows = list(csv.DictReader(io.StringIO(timeline_csv(simulation, answers=True))))
    assert [float(rows[k]["failed_pump_sheared"]) for k in (104, 105)] == [0.0, 1.0]


def test_scenario_commands(tmp_path, capsys):
    assert main(["scenario", "list"]) == 0
    assert "green_arc" in capsys.readouterr().out
    assert main(["scenario", "play", "clear_morning"]) == 0
    assert "low vac" in capsys.readouterr().out
    assert main(["scenario", "play", "clear_morning", "--html", str(tmp_path / "p.html")]) == 0
    page = (tmp_path / "p.html").read_text()
    # a panel each half minute, and the plumbing
    assert page.count("<svg") == 21
    assert not re.search("https?:", page.replace("http://www.w3.org/2000/svg", ""))
    assert main(["scenario", "check", "clear_morning"]) == 0
    assert "Difficulty: easy" in capsys.readouterr().out
    drawn_file = tmp_path / "d.toml"
    made = [
        "scenario",
        "new",
        str(drawn_file),
        "--random",
        "--level",
        "hard",
        "--system",
        "static",
        "--seed",
        "2",
    ]
    assert main(made) == 0
    assert main(["scenario", "check", str(drawn_file)]) == 0
    assert "Difficulty: hard" in capsys.readouterr().out
    assert main(made) == 1
    assert "there is a file of this name already" in capsys.readouterr().err


ANSWERS = """A made one
Fly and tell.
single pump
high
3500
80

?
climb 1
level 2 95 kt
loop
descent 100
left turn 1

0.1
pump sheared at 1
static restricted at 1 gradual 2
gremlin at 1


visible moisture

attitude
1.5
2 ATC: say your altitude

look at the suction gauge

keep it on the ground

7
"""


def test_a_new_scenario_is_asked_for_and_wrong_answers_are_asked_again(tmp_path, capsys, monkeypatch):
    path = tmp_path / "n.toml"
    monkeypatch.setattr("sys.stdin", io.StringIO(ANSWERS))
    assert main(["scenario", "new", str(path)]) == 0
    said = capsys.readouterr().out
    assert "'high' is not a number" in said
    assert "'loop' is not a leg" in said
    assert "At least one leg is needed" in said
    assert "level left turn" in said
    # an answer that does not go with those before it is asked again, and nothing else is lost
    assert "is the most" in said
    assert "There is no failure 'gremlin'" in said
    made = load_scenario(str(path), shipped())
    assert made.leg == (
        Leg(manoeuvre="climb", minutes=1.0),
        Leg(manoeuvre="level", minutes=2.0, airspeed_kt=95.0),
        Leg(manoeuvre="left_turn", minutes=1.0),
    )
    assert made.failure == (
        FailureEvent(id="pump_sheared", at_minutes=1.0),
        FailureEvent(id="static_restricted", at_minutes=1.0, progression="gradual", over_minutes=2.0),
    )
    assert made.pilot == Pilot(follows="attitude", from_minutes=1.5)
    assert made.seed == 7
    assert made.turbulence == 0.1
    assert len(made.context) == 1
    assert made.cautions == ("keep it on the ground",)


def asked(lines, tmp_path, capsys, monkeypatch, *options):
    """Answer the questions with these lines; gives the exit code, what was said and the file."""
    path = tmp_path / "n.toml"
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(lines) + "\n"))
    code = main(["scenario", "new", str(path), *options])
    return code, " ".join(capsys.readouterr().out.split()), path


BEGUN = ["T", "Brief", "", "", "", "climb 2", "level 1:30"]


def test_a_scenario_is_saved_as_it_goes_and_gone_on_with(tmp_path, capsys, monkeypatch):
    code, told, path = asked([*BEGUN, "stop"], tmp_path, capsys, monkeypatch)
    assert code == 0
    assert "--continue" in told
    assert [leg.minutes for leg in load_scenario(str(path), shipped()).leg] == [2.0, 1.5]
    rest = ["", "", "", "", "", "", "", "pump sheared at 1:15", *[""] * 7]
    code, told, path = asked(rest, tmp_path, capsys, monkeypatch, "--continue")
    made = load_scenario(str(path), shipped())
    assert code == 0
    assert (made.title, len(made.leg), made.failure[0].at_minutes) == ("T", 2, 1.25)
    assert "[T]" in told


def test_back_help_and_what_was_understood_are_said(tmp_path, capsys, monkeypatch):
    lines = ["T", "help", "Wrong", "back", "Right", *BEGUN[2:], "back", "descent 1", "stop"]
    code, told, path = asked(lines, tmp_path, capsys, monkeypatch)
    made = load_scenario(str(path), shipped())
    assert code == 0
    assert made.briefing == "Right"
    assert [leg.manoeuvre for leg in made.leg] == ["climb", "descent"]
    assert "where they are and what they are doing" in told
    assert "Leg 2: straight and level, constant airspeed, 1:30; then " in told


def test_a_failure_that_can_mean_several_is_asked_about(tmp_path, capsys, monkeypatch):
    lines = [*BEGUN, "", "", "pump at 1:30", "2", "stop"]
    code, told, path = asked(lines, tmp_path, capsys, monkeypatch)
    (event,) = load_scenario(str(path), shipped()).failure
    second = re.search(r"\b2 (.+?) 3 ", told.split("Which one?")[1])
    assert code == 0
    assert event.at_minutes == 1.5
    assert second is not None
    assert shipped().failures[event.id].name == second[1]


def test_lists_stand_one_entry_to_a_line(tmp_path, capsys, monkeypatch):
    path = tmp_path / "n.toml"
    monkeypatch.setattr("sys.stdin", io.StringIO("T\nBrief\n?\nstop\n"))
    assert main(["scenario", "new", str(path)]) == 1
    lines = capsys.readouterr().out.splitlines()
    for panel in shipped().panels:
        assert sum(readable(panel) + ":" in line for line in lines) == 1


def test_answers_that_end_early_write_nothing(tmp_path, capsys, monkeypatch):
    path = tmp_path / "n.toml"
    monkeypatch.setattr("sys.stdin", io.StringIO("Title\n"))
    assert main(["scenario", "new", str(path)]) == 1
    assert "nothing was written" in capsys.readouterr().err
    assert not path.exists()


def test_problems_of_a_record_made_in_code():
    made = ScenarioRecord(title="t", panel="venturi", briefing="b", leg=())
    assert "a scenario needs at least one [[leg]]" in scenario_problems(made, shipped())


@pytest.mark.parametrize(
    "said", ["vacuum pump failed", "vacuum pump failed at", "vacuum pump failed fails soon"]
)
def test_a_failure_without_a_time_is_asked_when(said):
    from diagnose.practice.ask import _failure

    possible = shipped().failures
    with pytest.raises(CaseError, match="when does it fail"):
        _failure(possible, 10.0, said)
    with pytest.raises(UnknownName):
        _failure(possible, 10.0, "flux capacitor at")
    assert _failure(possible, 10.0, "vacuum pump failed at 2 minutes").at_minutes == 2.0


# ------------------------------------------------------------------ asking for a scenario: nothing is left out in silence


def answered(*answers):
    """Answer the questions; gives the scenario by then and all that was told."""
    told, given = [], iter(answers)

    def ask(question):
        try:
            return next(given)
        except StopIteration:
            raise EOFError from None

    try:
        made = ask_scenario(shipped(), ask, told.append)
    except Stopped as stopped:
        made = stopped.made
    return made, " ".join(told)


FIRST = ("Title", "Briefing", "", "", "")


def test_a_line_with_several_legs_or_failures_takes_all_of_them_or_asks():
    made, _ = answered(*FIRST, "climb 2, then level 3 and left turn 1:30", "", "", "pump sheared at 1, alternator failed at 2:30")
    assert [(leg.manoeuvre, leg.minutes) for leg in made.leg] == [("climb", 2.0), ("level", 3.0), ("left_turn", 1.5)]
    assert [(event.id, event.at_minutes) for event in made.failure] == [("pump_sheared", 1.0), ("alternator_failed", 2.5)]
    # one of them not understood: none is taken
    made, told = answered(*FIRST, "climb 2", "level 3, loop 1")
    assert len(made.leg) == 1
    assert "loop" in told


@pytest.mark.parametrize("line", ["loop 2", "climb", "vacuum at 2"])
def test_enter_after_what_was_not_understood_asks_once_more(line):
    """An entry that could not be taken in is told again before the list ends; what follows goes to the same list."""
    made, told = answered(*FIRST, "climb 2", line, "", "level 3")
    assert [leg.manoeuvre for leg in made.leg] == ["climb", "level"]
    assert f"Nothing was taken in for {line!r}" in told
    ended, _ = answered(*FIRST, "climb 2", line, "", "", "0.5")
    assert (len(ended.leg), ended.turbulence) == (1, 0.5)


def test_an_empty_answer_is_told_what_would_do():
    _, told = answered("", "Title", "")
    assert told.count("cannot be empty. Try: ") == 2


def test_what_a_scenario_holds_is_said_at_its_end(tmp_path):
    answers = "T\nB\n\n\n\nclimb 2\nlevel 3\n\n\npump sheared at 1:30\n\nstop\n"
    done = console.run("scenario", "new", str(tmp_path / "a.toml"), text=answers)
    assert "2 legs, 5:00; fails: vacuum pump failed at 1:30" in " ".join(done.stdout.split())


def test_a_leg_leads_to_an_altitude_or_a_heading():
    """Its minutes are the way to go over the rate of the maneuver; where it ends is said back."""
    made, told = answered("T", "B", "", "1500", "090", "climb to 5,000, then left turn to heading 360", "climb 1 minute 90 knots 700 fpm")
    climb, turn, again = filled_legs(shipped(), made)
    assert climb.rate_fpm * climb.minutes == pytest.approx(3500.0)
    assert turn.turn_dps * 60.0 * turn.minutes == pytest.approx(-90.0)
    assert (again.airspeed_kt, again.rate_fpm) == (90.0, 700.0)
    assert "then 5,000 ft, heading 090" in told
    assert "then 5,000 ft, heading 360" in told
    assert "then 5,700 ft" in told
    none, told = answered("T", "B", "", "3000", "", "climb to 2000", "level to 4000")
    assert none.leg == ()
    assert told.count("leads nowhere from 3,000 ft") == 2


@pytest.mark.parametrize("line", ["the vacuum pump dies 2 minutes in", "vacuum pump fails at 2", "pump sheared at 2:00", "vacuum pump quits at 2 min"])
def test_a_failure_is_taken_as_people_say_it(line):
    made, _ = answered(*FIRST, "climb 3", "", "", line)
    assert [(event.id, event.at_minutes) for event in made.failure] == [("pump_sheared", 2.0)]


def test_what_there_is_so_far_is_told_one_entry_a_line():
    _, told = answered(*FIRST, "show", "climb 2", "level 1", "", "", "pump sheared at 1", "so far")
    assert "No leg yet." in told
    assert told.count("straight and level, constant airspeed, 1:00.") == 1
    assert "vacuum pump failed at 1:00." in told


def test_a_failure_fails_once_and_what_is_removed_is_told():
    made, told = answered(*FIRST, "climb 3", "level 2", "undo", "", "light", "pump sheared at 1", "pump sheared at 2")
    assert len(made.failure) == 1
    assert "fails already" in told
    assert "Removed: straight and level" in told
    assert made.turbulence == shipped().flown_quantities["turbulence.light"].low
    assert answered(*FIRST, "climb 3", "", "rough")[0].turbulence == 1.0
