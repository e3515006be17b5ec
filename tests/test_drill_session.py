"""A session as a student meets it: through a pipe, with wrong lines, killed, and its progress afterward."""

from __future__ import annotations

import datetime
import io
import itertools
import json
import re
import signal
import subprocess
import sys

import numpy as np
import pytest

from diagnose.advice.coverage import SOUND
from diagnose.language import gauge_forms
from diagnose.model.errors import UnknownName
from diagnose.practice.drill.kinds import FlyOn, NameIt, PredictIt
from diagnose.practice.drill.scan import Scan, scan_review
from diagnose.practice.drill.session import DrillSession, Round, cards_in_order, make
from diagnose.practice.drill.store import Store
from diagnose.practice.drill.studio import LETTERS, OPEN, Card, Kind
from diagnose.render.drill_feedback import _with_meaning, feedback, lesson
from diagnose.render.drill_question import answering, option_words, question, span
from diagnose.render.text import CAUTION
from diagnose.terminal.drill import Talk, letter_meant, looks_known, looks_meant
from tests.console import PYTHON, run
from tests.drilled import made, named, studio
from tests.examples import part
from tests.test_readme import pages

START = datetime.datetime(2026, 11, 2, 9, 0, tzinfo=datetime.UTC)


def right_line(exercise) -> str:
    """A line that answers an exercise rightly."""
    match exercise:
        case NameIt():
            return LETTERS[exercise.right[0]]
        case PredictIt():
            return " ".join(LETTERS[asked.right] for asked in exercise.asked)
        case FlyOn():
            return " ".join("".join(LETTERS[p] for p in sorted(c.right)) or "-" for c in exercise.choices)
    raise AssertionError(exercise)


def talk(
    path, lines, *, minutes=20.0, seconds=15.0, order=(), kinds=tuple(Kind), pattern=None, seed=3, pause=False
):
    """Hold a session with these lines; every question takes so many seconds. Gives what was written."""
    store, out = Store.open(path), io.StringIO()
    ticks, ids = itertools.count(0.0, seconds), itertools.count()
    session = DrillSession(studio=studio(), store=store, seed=seed, kinds=kinds, order=order)
    session = Talk(
        session=session,
        lines=iter(lines),
        out=out,
        width=80,
        minutes=minutes,
        clock=lambda: next(ticks),
        now=lambda: START,
        new_id=lambda: f"{seed}-{next(ids)}",
        echo=True,
        pause=pause,
        pattern=pattern,
    )
    session.run()
    answers = store.answers()
    store.close()
    return out.getvalue(), answers


def order_of(*kinds: str) -> tuple[Card, ...]:
    return tuple(Card("static_ports_taped", "climb", kind) for kind in kinds)


def test_a_session_ends_with_its_minutes_and_says_what_came_of_it(tmp_path):
    text, answers = talk(
        tmp_path / "a.sqlite",
        itertools.cycle(["a a a a", "a a a", "a a", "a"]),
        minutes=3.0,
        kinds=(Kind.PREDICT,),
    )
    assert " ".join(CAUTION.split()) in " ".join(text.split())
    assert "Time is up." in text
    assert 1 <= len(answers) <= 12
    assert f"of {len(answers)} correct" in text
    assert all(a.seconds > 0.0 for a in answers)


def test_wrong_lines_are_explained_and_asked_again(tmp_path):
    text, answers = talk(
        tmp_path / "a.sqlite",
        ["", "what?", "z", "b 200", "help", "again", "b"],
        order=order_of("name"),
        kinds=(Kind.NAME,),
    )
    assert "Answer with a letter" in text
    assert "not one of the answers" in text
    assert "add up to 200" in text
    assert "add percentages: 'b 70 d 30'" in " ".join(text.split())
    assert text.count("What has failed?") >= 2
    assert len(answers) == 1


def test_help_and_an_empty_line_tell_how_this_kind_of_exercise_is_answered(tmp_path):
    texts = {}
    for kind in Kind:
        path = tmp_path / f"{kind.value}.sqlite"
        texts[kind], _ = talk(path, ["", "help", "quit"], order=order_of(kind.value), kinds=(kind,))
        texts[kind] = " ".join(texts[kind].split())
    assert "add percentages" in texts[Kind.NAME]
    assert "or with percentages such as" in texts[Kind.NAME]
    assert "Name a gauge to look at" in texts[Kind.SCAN]
    assert "look at these gauges, in this order; one or more" in texts[Kind.SCAN]
    for kind in (Kind.PREDICT, Kind.FLY):
        assert "percentages" not in texts[kind]
    assert "letters for what to cover" in texts[Kind.FLY]
    # what a reading means stands in the knowledge, word for word
    facets = {facet.id: facet for facet in studio().kb.gauges["altimeter"].facets}
    (steady,) = (reading for reading in facets["trend"].readings if reading.id == "steady")
    assert "altimeter (what the needles did)" in texts[Kind.PREDICT]
    assert f"steady = {steady.means}" in texts[Kind.PREDICT]


def test_what_is_skipped_is_not_kept_and_not_asked_again(tmp_path):
    text, answers = talk(tmp_path / "a.sqlite", ["skip", "quit"], order=order_of("name", "predict"))
    assert not answers
    assert (text.count("[1] Name it"), text.count("[1] Predict it")) == (1, 1)


def test_the_end_of_the_input_ends_the_session(tmp_path):
    text, answers = talk(tmp_path / "a.sqlite", [], order=order_of("name"))
    assert not answers
    assert "right" not in text.splitlines()[-1]


@pytest.mark.parametrize("kind", ["name", "predict", "fly"])
def test_right_and_wrong_answers_are_explained_with_mechanism_and_source(kind):
    exercise = made("static_ports_taped", "climb", kind)
    kb, good = studio().kb, right_line(exercise)
    wrong = " ".join("b" if part == "a" else "a" for part in good.split())
    for line, correct in ((good, True), (wrong, False)):
        marked = exercise.mark(line)
        assert marked.correct is correct
        text = " ".join(feedback(exercise, marked, studio(), 80).split())
        mechanisms = [kb.failures[n].mechanism for n in studio().class_of("static_ports_taped")]
        assert any(mechanism.rstrip(".") in text for mechanism in mechanisms)
        assert "Source: " in text
        assert (text.startswith("No") or " of " in text) or correct


def test_a_mechanism_that_the_question_told_is_not_told_again():
    exercise = made("static_ports_taped", "climb", "predict")
    mechanism = studio().kb.failures[exercise.card.failure].mechanism
    marked = exercise.mark(right_line(exercise))
    for met in (False, True):
        text = " ".join(feedback(exercise, marked, studio(), 80, met=met).split())
        assert (mechanism in text) is not met
        assert "Source: " in text


def test_no_question_and_answer_together_tell_a_mechanism_twice():
    cards = cards_in_order(studio())
    for number, card in enumerate(part(cards[::9], 8)):
        exercise = make(studio(), card, number % 3, number)
        if exercise is None:
            continue
        done = Round(card=card, exercise=exercise, seed=number, new=True, first=True)
        looked = None
        if isinstance(exercise, Scan):
            exercise = exercise.best_sequence()
            looked, line = scan_review(exercise), LETTERS[exercise.right()[0]]
        else:
            line = right_line(exercise)
        marked = exercise.mark(line)
        text = question(done, studio(), 80) + feedback(exercise, marked, studio(), 80, looked, met=True)
        text = " ".join(text.split()).lower()
        assert "source: " in text or {marked.right, card.failure} & {OPEN, SOUND}
        for failure in studio().kb.failures.values():
            assert text.count(failure.mechanism.lower()) <= 1, (card, failure.id)


@pytest.mark.parametrize("kind", [kind.value for kind in Kind])
def test_a_question_and_its_answers_stand_on_one_screen(kind):
    """80 columns and 24 lines, with the heading above, a blank line and the prompt below."""
    rounds = [
        (card, make(studio(), card, number % 4, number))
        for number, card in enumerate(part(cards_in_order(studio(), (Kind(kind),))[::3], 8))
    ]
    rounds += [(exercise.card, exercise) for exercise in named() if kind == "name"]
    for card, exercise in rounds:
        if exercise is not None:
            done = Round(card=card, exercise=exercise, seed=1, new=True, first=True)
            lines = question(done, studio(), 80).splitlines()
            assert 1 + len(lines) + 2 <= 24, "\n".join(lines)
            assert max(map(len, lines)) <= 80


def test_the_panel_is_drawn_if_wanted(tmp_path):
    text, answers = talk(tmp_path / "a.sqlite", ["panel", "quit"], order=order_of("name"), kinds=(Kind.NAME,))
    assert "+------ airspeed -------+" in text.split("answer> panel")[1]
    assert not answers


def test_at_a_terminal_an_explanation_stays_until_enter(tmp_path):
    order = order_of("name", "predict")
    text, answers = talk(tmp_path / "a.sqlite", ["b", "", "quit"], order=order, pause=True)
    assert text.index("Enter for the next, why for more> ") < text.index("[2] ")
    text, answers = talk(tmp_path / "b.sqlite", ["b", "quit"], order=order, pause=True)
    assert "[2] " not in text
    assert len(answers) == 1


def test_a_failure_that_rests_on_judgement_says_whose():
    kb = studio().kb
    assert kb.failures["alternator_low_output"].source == "judgement"
    exercise = made("alternator_low_output", "level", "predict")
    assert "Source: our own judgement." in feedback(
        exercise, exercise.mark(right_line(exercise)), studio(), 80
    )


def test_the_gauge_offered_as_engine_is_named_so_in_the_answer():
    exercise = made("pitot_insect_nest", "level_speeding_up", "fly")
    text = feedback(exercise, exercise.mark(right_line(exercise)), studio(), 80)
    assert "engine (tachometer and manifold pressure)" in " ".join(text.split())


def test_why_this_and_why_not_the_look_alike():
    exercise = made("static_ports_taped", "climb", "name")
    (right,) = exercise.right
    for place, option in enumerate(exercise.options):
        if place == right or option.id not in studio().kb.failures:
            continue
        text = " ".join(feedback(exercise, exercise.mark(LETTERS[place]), studio(), 80).split())
        assert "evidence), compared with no failure" in text
        assert f"Why not {studio().kb.failures[option.id].name}? " in text
    text = feedback(exercise, exercise.mark(LETTERS[right]), studio(), 80)
    assert "Why not " in text


def test_a_question_gives_the_answer_away_nowhere():
    exercise = made("static_ports_taped", "climb", "name", level=2)
    done = type("Asked", (), {"exercise": exercise, "first": False, "new": False, "card": exercise.card})
    text = question(done, studio(), 80)
    above = text[: text.index("What has failed?")]
    assert "static" not in above.replace("static source", "")
    assert all(len(line) <= 80 for line in text.splitlines())


def test_a_scan_through_a_pipe_names_faults_and_the_best_sequence(tmp_path):
    text, answers = talk(
        tmp_path / "a.sqlite",
        ["", "ai " * 8, "suctoin", "nonsense", "wait", "alt, vsi", "a"],
        order=(Card("pump_sheared", "level", "scan"),),
        kinds=(Kind.SCAN,),
    )
    assert "Name a gauge to look at" in text
    assert "0:24 attitude" in text
    assert "suction" in text.split("look or answer> suctoin")[1].splitlines()[1]
    assert "There is no gauge 'nonsense'" in text
    assert "(waited until 0:30)" in text
    assert "Fixation: 24 s on the attitude" in text
    assert "The best sequence of looks was sure at" in text
    later = r"You answered at 0:36. The failure came later, at \d:\d\d, \d:\d\d after your answer: "
    assert re.search(later, " ".join(text.split()))
    (answer,) = answers
    assert answer.kind == "scan"
    assert "fixation" in answer.faults


def test_of_a_scan_in_which_nothing_fails_it_is_not_said_when_it_was_known(tmp_path):
    text, _ = talk(
        tmp_path / "a.sqlite", ["ai alt", "a"], order=(Card(SOUND, "level", "scan"),), kinds=(Kind.SCAN,)
    )
    assert "The best sequence of looks kept watching until" in text
    assert "began" not in text
    assert "was sure" not in text


def test_a_scan_without_a_call_ends_with_the_flight(tmp_path):
    text, answers = talk(
        tmp_path / "a.sqlite",
        ["airspeed " * 100],
        order=(Card("pump_sheared", "level", "scan"),),
        kinds=(Kind.SCAN,),
    )
    assert "Time is up and you made no call. It was " in text
    assert not answers[0].correct
    assert answers[0].given == ""


def test_an_early_call_is_told_what_comes_later_and_is_not_counted(tmp_path):
    """Nor does it end the exercise: who is told to keep looking can."""
    text, answers = talk(
        tmp_path / "a.sqlite",
        ["alt asi", "f", "suction", "quit"],
        order=(Card("pump_sheared", "level", "scan"),),
        kinds=(Kind.SCAN,),
    )
    told = " ".join(text.split())
    assert answers == ()
    assert "count only from 2:15 on" in told
    assert "Too early to say that: it counts from 2:15 on. Keep looking." in told
    assert "0:09 suction" in told
    assert not re.search(r"Correct|No,|It was |It began|Why", told)


def test_what_was_there_from_the_start_is_told_so(tmp_path):
    text, _ = talk(
        tmp_path / "a.sqlite",
        ["alt asi", "a"],
        order=(Card("pitot_restricted", "level_speeding_up", "scan"),),
        kinds=(Kind.SCAN,),
    )
    assert "It was there from the start; you ended at 0:06." in text
    assert "later in this flight" not in " ".join(text.split())


def test_an_empty_line_takes_the_same_looks_again_and_waiting_may_be_long(tmp_path):
    text, answers = talk(
        tmp_path / "a.sqlite",
        ["ai tc hdg", "", "wait 12", "wait long", *[""] * 27],
        order=(Card("pump_sheared", "level", "scan"),),
        kinds=(Kind.SCAN,),
    )
    looks = re.findall(r"^\d:\d\d (attitude|turn coordinator|heading)", text, re.MULTILINE)
    assert looks[:6] == ["attitude", "turn coordinator", "heading"] * 2
    assert "(waited until 0:30)" in text
    assert "'wait long' does not say how long" in text
    assert text.count("You now fly: ") == 2
    assert max(map(len, text.splitlines())) <= 80
    # what the flag does is said of the flag, and no word is said twice
    assert "turn coordinator no turn: level, flag out of view" in text
    assert "level: level" not in text
    assert len(answers) == 1


def test_where_it_cannot_be_told_what_was_covered_is_named_first():
    (exercise, *_) = (
        e
        for e in named()
        if e.options[e.right[0]].id == OPEN and e.flown.truth != SOUND and e.covered and len(e.chances) > 3
    )
    marked = exercise.mark(LETTERS[exercise.right[0]])
    text = " ".join(feedback(exercise, marked, studio(), 80).split())
    assert studio().kb.failures[exercise.flown.truth].mechanism in text
    assert "Source: " in text
    seen_now = set(exercise.flown.case.snapshot[-1].readings)
    told = re.search(r"first two: the (.+?)(?: \(.*?\))?,? (?:not seen here, )?in '", text)
    if told and "not seen here" not in text:
        assert "in '" + studio().kb.manoeuvres[exercise.card.manoeuvre].name + "'" not in text, seen_now


def test_a_scan_is_not_called_before_anything_was_looked_at(tmp_path):
    text, answers = talk(
        tmp_path / "a.sqlite",
        ["a", "b 70", "suction", "a"],
        order=(Card("pump_sheared", "level", "scan"),),
        kinds=(Kind.SCAN,),
    )
    assert text.count("Look at a gauge first") == 2
    assert "Your looks: suction 3 s." in text
    assert len(answers) == 1


def test_a_pattern_is_practised_with_empty_lines(tmp_path):
    text, _ = talk(
        tmp_path / "a.sqlite",
        [*[""] * 12, "a"],
        order=(Card("pump_sheared", "level", "scan"),),
        kinds=(Kind.SCAN,),
        pattern=studio().kb.scan_patterns["rectangular"],
    )
    assert "Practice: rectangular cross-check" in text
    assert "Looks that followed the pattern: >99.9 %" in text
    looks = re.findall(r"^0:\d[^0] (\w+)", text, re.MULTILINE)
    assert looks[:4] == ["airspeed", "attitude", "altimeter", "vertical"]


def test_several_gauges_in_one_line():
    forms = gauge_forms(studio().kb, studio().network.panel)
    assert looks_meant("alt vsi, turn coordinator asi", forms) == [
        "altimeter",
        "vertical_speed",
        "turn_coordinator",
        "airspeed",
    ]


def test_a_gauge_may_be_called_as_the_panel_titles_it_and_two_that_fit_are_asked_back():
    known = looks_known(studio())
    assert looks_meant("low vac, low volts, volts, hdg", known) == [
        "vacuum_light",
        "low_voltage_light",
        "voltmeter",
        "heading",
    ]
    with pytest.raises(UnknownName, match="'low' can mean several gauges"):
        looks_meant("low", known)


# ------------------------------------------------------------------ the command


def test_the_command_through_a_pipe_keeps_its_progress(tmp_path):
    data = str(tmp_path / "drill.sqlite")
    shown = run(
        "drill", "--data", data, "--seed", "3", "--kind", "name", "--minutes", "5", text="b\nb 70\nquit\n"
    )
    assert (shown.returncode, shown.stderr) == (0, "")
    assert "of 2 correct" in shown.stdout
    progress = run("drill", "--data", data, "--progress")
    assert "2 answers since" in progress.stdout
    page = tmp_path / "page.html"
    assert run("drill", "--data", data, "--html", str(page)).returncode == 0
    assert "<svg" in page.read_text()
    out = tmp_path / "out.json"
    assert run("drill", "--data", data, "--export", str(out)).returncode == 0
    assert len(json.loads(out.read_text())["answers"]) == 2
    other = str(tmp_path / "other.sqlite")
    assert "2 answers added" in run("drill", "--data", other, "--import", str(out)).stdout
    assert "2 answers since" in run("drill", "--read", str(out)).stdout
    assert run("drill", "--data", data, "--delete", text="no\n").returncode == 1
    assert "2 answers since" in run("drill", "--data", data, "--progress").stdout
    assert "Deleted" in run("drill", "--data", data, "--delete", text="yes\n").stdout
    assert "No answers yet" in run("drill", "--data", data, "--progress").stdout


@pytest.mark.parametrize(
    ("arguments", "lines"),
    [
        ("--kind name --seed 21", "c 80 a 20\nquit\n"),
        ("--kind scan --seed 5", "asi alt vsi ai hdg tc\n\nasi alt vsi\nb\nquit\n"),
    ],
)
def test_the_screens_of_readme_and_manual_are_real(tmp_path, arguments, lines):
    told = [text for text in pages().values() if f"{arguments}`" in text]
    assert told
    shown = run("drill", "--data", str(tmp_path / "d.sqlite"), *arguments.split(), text=lines)
    for text in told:
        assert text.split(f"{arguments}`", 1)[1].split("```\n")[1] in shown.stdout


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--panel", "glider"), "there is no panel"),
        (("--pattern", "zigzag"), "there is no pattern"),
        (("--read", "nowhere.json"), "cannot be read"),
        (("--import", "nowhere.json"), "cannot be read"),
    ],
)
def test_what_the_command_cannot_do_is_explained(tmp_path, arguments, says):
    shown = run("drill", "--data", str(tmp_path / "d.sqlite"), *arguments)
    assert shown.returncode == 1
    assert says in shown.stderr
    assert "Traceback" not in shown.stderr


def test_a_session_killed_in_the_middle_loses_only_the_question_not_answered(tmp_path):
    data = tmp_path / "drill.sqlite"
    process = subprocess.Popen(
        [*PYTHON, "drill", "--data", str(data), "--seed", "3", "--kind", "name"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    asked = 0
    while asked < 3:
        line = process.stdout.readline()
        assert line, "the session ended by itself"
        if line.startswith("What has failed?"):
            asked += 1
            if asked < 3:
                process.stdin.write("b\n")
                process.stdin.flush()
    process.send_signal(signal.SIGKILL)
    process.communicate()
    store = Store.open(data)
    assert len(store.answers()) == 2
    assert store.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    store.close()
    again = run("drill", "--data", str(data), "--seed", "4", "--kind", "name", text="b\nquit\n")
    assert again.returncode == 0
    assert len(Store.open(data).answers()) == 3


def test_nothing_heavy_is_loaded_before_the_drill_is_wanted():
    code = "import sys, diagnose.cli; diagnose.cli.parser(); print([m for m in ('fsrs', 'sqlite3', 'numpy') if m in sys.modules])"
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert shown.stdout.strip() == "[]"


def test_what_was_chosen_to_fly_on_is_told_why_it_does_not_do():
    exercise = made("pump_sheared", "level", "fly")
    cover, *axes = exercise.choices
    bank = next(choice for choice in axes if choice.what == "bank")
    wrong = bank.gauges.index("attitude")
    letters = ["-"] + [LETTERS[wrong] if c is bank else LETTERS[min(c.right)] for c in axes]
    text = " ".join(feedback(exercise, exercise.mark(" ".join(letters)), studio(), 80).split())
    assert "you said none: the attitude misleads, the heading misleads" in text
    assert "you said attitude indicator: it can't be trusted here" in text
    everything = LETTERS[: len(cover.gauges)]
    text = feedback(exercise, exercise.mark(" ".join([everything, *letters[1:]])), studio(), 80)
    assert "the altimeter is good" in " ".join(text.split())


def test_waiting_is_in_seconds_and_told_once(tmp_path):
    text, _ = talk(
        tmp_path / "a.sqlite",
        ["alt", "wait 30", "wait 1 minute", "quit"],
        order=(Card("pump_sheared", "level", "scan"),),
        kinds=(Kind.SCAN,),
    )
    assert re.findall(r"waited until (\d:\d\d)", text) == ["0:33", "1:33"]


def test_an_answer_may_be_given_in_its_own_words(tmp_path):
    """By the name of the failure, or that one does not know where that is an answer."""
    exercise = made("pump_sheared", "level", "name", level=2)
    for place, option in enumerate(exercise.options):
        assert letter_meant(option_words(option, studio().kb), exercise, studio()) == LETTERS[place]
        if option.id == OPEN:
            assert letter_meant("I don't know", exercise, studio()) == LETTERS[place]
    for other in ("b", "b 70", "the left wing", ""):
        assert letter_meant(other, exercise, studio()) == ""


def test_why_after_an_answer_gives_the_lesson():
    for kind, maneuver in (("name", "level"), ("predict", "level")):
        exercise = made("pump_sheared", maneuver, kind, level=1)
        told = lesson(exercise, studio(), 80)
        assert told.startswith("vacuum pump failed")
        assert "DO " in told
        assert "FLY BY" in told


def test_a_behavior_is_told_with_what_it_means():
    kb = studio().kb
    assert _with_meaning(kb, "attitude.behaviour", "tumbling") == "attitude tumbling: jumps, oscillates, rolls over"
    assert _with_meaning(kb, "suction.value", "zero") == "suction zero"


def test_an_example_of_an_answer_names_no_letter_that_takes_no_percentage():
    exercise = made("pump_sheared", "level", "name", level=2)
    letters = re.search(r"'([a-z]) 70 ([a-z]) 30'", answering(exercise)).groups()
    assert all(exercise.options[LETTERS.index(letter)].id != OPEN for letter in letters)


def test_a_card_that_goes_the_long_way_round_says_which():
    heading = studio().kb.dials["heading"]
    assert span(np.array([42.0, 330.0, 250.0, 180.0]), heading, studio()) == "042 by the left to 180"
    assert span(np.array([300.0, 20.0, 140.0]), heading, studio()) == "300 by the right to 140"
    assert span(np.array([350.0, 10.0, 42.0]), heading, studio()) == "350 to 042"
