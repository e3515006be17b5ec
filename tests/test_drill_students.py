"""Simulated students: one who knows what the readings allow, one who guesses, one with a fixed confusion."""

from __future__ import annotations

import datetime

import numpy as np
import pytest

from diagnose.advice.coverage import SOUND
from diagnose.practice.drill.progress import confusions, kept_together
from diagnose.practice.drill.session import DrillSession
from diagnose.practice.drill.store import Store
from diagnose.practice.drill.studio import LETTERS, OPEN, Card, Kind
from tests.drilled import named, studio
from tests.examples import part

START = datetime.datetime(2026, 11, 2, 9, 0, tzinfo=datetime.UTC)
#: what one mistakes blocked static ports for who mixes up the two lines: every failure that seals the pitot tube
SEALED_PITOT = {f.id for f in studio().kb.failures.values() if f.acts.get("pitot_probe") == "sealed"}
#: asked in a small school, so that a pair can come back within the test
SCHOOL = (
    "static_ports_taped",
    "pitot_and_drain_blocked",
    "pump_sheared",
    "alternator_failed",
    "heading_stuck",
    "vertical_speed_stuck",
    "regulator_high",
    "turn_supply_open",
)


def from_posterior(exercise) -> str:
    """The answer in chances of a student who knows what the engine knows."""
    shares = [(place, round(100.0 * c, 4)) for place, c in enumerate(exercise.chances)]
    return " ".join(f"{LETTERS[p]} {c}" for p, c in shares if exercise.options[p].id != OPEN)


def test_answers_from_the_posterior_score_at_the_top():
    for exercise in named():
        marked = exercise.mark(from_posterior(exercise))
        assert marked.correct
        assert marked.score == pytest.approx(1.0, abs=1e-6)
        assert exercise.mark(LETTERS[exercise.right[0]]).correct


def test_guesses_score_at_chance():
    """Within three standard deviations of one in so many, over the same exercises."""
    rng = np.random.default_rng(5)
    hits, chances = [], []
    for exercise in named():
        count = len(exercise.options)
        for _ in range(20):
            hits.append(exercise.mark(LETTERS[int(rng.integers(count))]).correct)
            chances.append(1.0 / count)
    spread = np.sqrt(np.sum(np.array(chances) * (1.0 - np.array(chances))))
    assert abs(sum(hits) - sum(chances)) < 3.0 * spread


def test_over_confidence_costs_and_honest_doubt_does_not():
    for exercise in named():
        best = exercise.right[0]
        wrong = next(p for p, o in enumerate(exercise.options) if p != best and o.id != OPEN)
        sure = exercise.mark(f"{LETTERS[wrong]} 99")
        doubting = exercise.mark(f"{LETTERS[wrong]} 50")
        if exercise.chances[wrong] < 0.2:
            assert sure.score < doubting.score < 1.0
            assert sure.sure == pytest.approx(0.99)


def taught(path, rounds: int, confused: bool) -> list:
    """Teach a student for some days; a confused one takes blocked static ports for a fault that holds the pitot tube too."""
    order = tuple(
        Card(failure, manoeuvre, Kind.NAME.value)
        for failure in (*SCHOOL, SOUND)
        for manoeuvre in (("climb", "descent") if failure == SOUND else studio().shows_in(failure)[:2])
    )
    store = Store.open(path)
    session = DrillSession(studio=studio(), store=store, seed=3, kinds=(Kind.NAME,), order=order)
    now, asked = START, []
    for number in range(rounds):
        if number and number % 25 == 0:
            # the next day, with a session of its own
            now += datetime.timedelta(hours=20)
            session = DrillSession(
                studio=studio(), store=store, seed=3 + number, kinds=(Kind.NAME,), order=order
            )
        done = session.next(now)
        ids = [studio().class_of(o.id)[0] for o in done.exercise.options]
        right = ids[done.exercise.right[0]]
        letter = LETTERS[done.exercise.right[0]]
        taken = [place for place, name in enumerate(ids) if name in SEALED_PITOT]
        if confused and right == "static_ports_taped" and taken:
            letter = LETTERS[taken[0]]
        marked = done.exercise.mark(letter)
        session.answer(done, marked, 20.0, now, f"{number:04d}")
        asked.append((done.card.failure, right, ids))
        now += datetime.timedelta(seconds=45)
    answers = store.answers()
    store.close()
    return [asked, answers]


@pytest.fixture(scope="module")
def students(tmp_path_factory):
    folder = tmp_path_factory.mktemp("students")
    return {
        name: taught(folder / f"{name}.sqlite", 100, name == "confused") for name in ("confused", "sound")
    }


def test_a_fixed_confusion_brings_the_pair_back_more_often(students):
    def together(asked) -> int:
        pair = {"static_ports_taped", *SEALED_PITOT}
        return sum(right in pair and len(pair & set(ids)) > 1 for _, right, ids in asked[50:])

    confused, sound = (together(students[name][0]) for name in ("confused", "sound"))
    assert confused >= 2 * max(sound, 1)


def test_the_confusion_is_named_and_only_where_there_is_one(students):
    found = confusions(students["confused"][1])
    assert found
    assert all(right == "static_ports_taped" and given in SEALED_PITOT for right, given in found)
    assert not confusions(students["sound"][1])
    assert kept_together(students["confused"][1], 3)["static_ports_taped"] <= SEALED_PITOT


def test_a_confusion_that_is_overcome_is_let_go(students):
    answers = students["confused"][1]
    last = next(a for a in reversed(answers) if a.right == "static_ports_taped")
    import msgspec

    mended = [msgspec.structs.replace(last, given=last.right, correct=True) for _ in range(3)]
    assert not kept_together([*answers, *mended], 3)


def test_what_is_known_is_asked_ever_more_rarely(students):
    """The sound student's cards move apart: after four days most answers are to new or sound ones."""
    answers = students["sound"][1]
    assert all(a.correct for a in answers)
    begun = {(a.failure, a.manoeuvre) for a in answers[:25]}
    again = [a for a in answers[75:] if (a.failure, a.manoeuvre) in begun]
    assert len({a.failure for a in answers}) == len(SCHOOL) + 1
    assert len(again) <= 25


def test_one_exercise_in_five_lets_nothing_fail(students):
    sound = [failure == SOUND for failure, _, _ in students["sound"][0]]
    assert 0.15 < np.mean(sound) < 0.3


@pytest.mark.parametrize("seed", part([1, 3, 5], 3))
def test_one_who_is_always_wrong_is_not_kept_on_a_few_failures(tmp_path, seed):
    session = DrillSession(
        studio=studio(), store=Store.open(tmp_path / "drill.sqlite"), seed=seed, kinds=(Kind.NAME,)
    )
    now, asked = START, []
    for number in range(24):
        done = session.next(now)
        exercise = done.exercise
        wrong = next(k for k in range(len(exercise.options)) if k not in exercise.right)
        now += datetime.timedelta(seconds=40)
        session.answer(done, exercise.mark(LETTERS[wrong]), 30.0, now, str(number))
        asked.append(done.card.failure)
    assert len(set(asked)) >= 8
    apart = int(studio().number("apart"))
    for place, failure in enumerate(asked[1:], 1):
        # a sound aircraft comes by its own count
        if failure != SOUND:
            assert failure not in asked[max(0, place - apart) : place]
