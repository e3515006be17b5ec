"""Progress: safe under a crash and two processes; export, import, delete; what it comes to."""

from __future__ import annotations

import contextlib
import datetime
import os
import random
import signal
import subprocess
import sys
import time

import msgspec
import pytest

from diagnose import load_knowledge
from diagnose.advice.coverage import SOUND
from diagnose.model.errors import CaseError
from diagnose.practice.drill.progress import summary, week_of
from diagnose.practice.drill.store import (
    Answered,
    Store,
    begun,
    candidates,
    delete_progress,
    read_progress,
    reschedule,
    write_progress,
)
from diagnose.practice.drill.studio import OPEN, Card, Marked
from diagnose.render.pages.drill import progress_page
from diagnose.render.progress import instructor_text, progress_text

KB = load_knowledge()
START = datetime.datetime(2026, 11, 2, 9, 0, tzinfo=datetime.UTC)
RIGHT = Marked(correct=True, score=1.0, given="a", right="a")
WRONG = Marked(correct=False, score=0.0, given="b", right="a")


def answered(number: int, **changes) -> Answered:
    plain = Answered(
        id=f"{number:05d}",
        at=START + datetime.timedelta(minutes=number),
        panel="single_pump",
        failure="pump_sheared",
        manoeuvre="level",
        kind="name",
        given="pump_sheared",
        right="pump_sheared",
        correct=True,
        score=1.0,
        seconds=20.0,
    )
    return msgspec.structs.replace(plain, **changes)


def keep(store: Store, answer: Answered, marked: Marked = RIGHT, also=()) -> None:
    store.keep(answer, lambda held: reschedule(held, marked, answer.seconds, answer.at, 15.0, 90.0), also)


# ------------------------------------------------------------------ the schedule


def test_right_answers_move_a_card_away_and_a_wrong_one_brings_it_back():
    card = begun(Card("pump_sheared", "level", "name"), START)
    now, gaps = START, []
    for _ in range(6):
        card = reschedule(card, RIGHT, 30.0, now, 15.0, 90.0)
        gaps.append(card.due - now)
        now = card.due
    assert gaps == sorted(gaps)
    assert gaps[-1] > datetime.timedelta(days=30)
    assert card.row == 6
    forgotten = reschedule(card, WRONG, 30.0, now, 15.0, 90.0)
    assert forgotten.due - now <= datetime.timedelta(minutes=10)
    assert (forgotten.row, forgotten.lapses) == (0, 1)


def test_quick_answers_wait_longer_than_slow_ones():
    card = begun(Card("pump_sheared", "level", "name"), START)
    due = [reschedule(card, RIGHT, seconds, START, 15.0, 90.0).due for seconds in (10.0, 30.0, 120.0)]
    assert due[0] > due[1] > due[2]


def test_due_cards_come_before_new_ones_and_new_ones_have_a_limit():
    cards = [Card(name, "level", "name") for name in ("a", "b", "c", "d", SOUND)]
    held = {card: begun(card, START) for card in cards[:2]}
    held[cards[1]] = msgspec_due(held[cards[1]], START + datetime.timedelta(days=1))

    def first(**changes):
        given = {
            "new_left": 2,
            "sound_wanted": False,
            "new_wanted": False,
            "recent": (),
            "unfit": (),
        } | changes
        return next(candidates(cards, held, START, **given))

    assert first() == cards[0]
    assert first(unfit={cards[0]}) == cards[2]
    assert first(recent=("a",)) == cards[2]
    assert first(new_wanted=True) == cards[2]
    assert first(new_wanted=True, new_left=0) == cards[0]
    assert first(unfit={cards[0]}, new_left=0) == cards[1]
    assert first(sound_wanted=True).failure == SOUND


def msgspec_due(held, due):
    import dataclasses

    return dataclasses.replace(held, due=due)


# ------------------------------------------------------------------ the file


def test_answers_and_cards_come_back_from_the_file(tmp_path):
    store = Store.open(tmp_path / "deep" / "er" / "drill.sqlite")
    keep(store, answered(1))
    other = Card("regulator_high", "level", "name")
    keep(store, answered(2, failure="static_ports_taped", given="", correct=False), WRONG, (other,))
    store.close()
    again = Store.open(tmp_path / "deep" / "er" / "drill.sqlite")
    assert [a.id for a in again.answers()] == ["00001", "00002"]
    held = again.held()
    assert {card.failure for card in held} == {"pump_sheared", "static_ports_taped", "regulator_high"}
    assert held[other].due <= again.answers()[1].at


def test_an_answer_is_kept_whole_or_not_at_all(tmp_path):
    store = Store.open(tmp_path / "drill.sqlite")
    keep(store, answered(1))
    before = store.held()
    # the same answer again, read from a file perhaps, moves no card
    keep(store, answered(1), WRONG)
    assert store.held() == before
    with pytest.raises(ZeroDivisionError):
        store.keep(answered(2), lambda held: 1 // 0)
    # the card was moved on already inside the transaction when the answer could not be written
    store.connection.execute(
        "CREATE TRIGGER no BEFORE INSERT ON answers BEGIN SELECT RAISE(ABORT, 'no'); END"
    )
    with pytest.raises(CaseError, match="cannot be kept"):
        keep(store, answered(2), WRONG)
    assert store.held() == before
    store.connection.execute("DROP TRIGGER no")
    keep(store, answered(3))
    assert len(store.answers()) == 2


WRITER = """
import sys, pathlib
sys.path.insert(0, sys.argv[3])
from tests.test_drill_store import answered, keep
from diagnose.practice.drill.store import Store
store = Store.open(pathlib.Path(sys.argv[1]))
first = int(sys.argv[2])
for number in range(first, first + int(sys.argv[4])):
    keep(store, answered(number))
    print(number, flush=True)
"""
ROOT = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))


def writer(path, first, count):
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(first), ROOT, str(count)],
        stdout=subprocess.PIPE,
        text=True,
    )


def test_a_killed_process_loses_no_answer_that_was_kept(tmp_path):
    path = tmp_path / "drill.sqlite"
    chance = random.Random(1)
    for attempt in range(3):
        process = writer(path, attempt * 100_000, 100_000)
        told = [process.stdout.readline() for _ in range(chance.randint(3, 12))]
        time.sleep(chance.random() * 0.02)
        process.send_signal(signal.SIGKILL)
        told += process.stdout.readlines()
        process.wait()
        process.stdout.close()
        whole = {int(line) for line in told if line.endswith("\n")}
        store = Store.open(path)
        kept = {int(a.id) for a in store.answers()}
        assert whole <= kept
        # at most the one that was being written when the process died was kept without being told of
        assert len({n for n in kept if n >= attempt * 100_000} - whole) <= 1
        assert store.connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        (held,) = store.held().values()
        assert held.row == len(kept)
        store.close()


def test_two_processes_keep_all_their_answers(tmp_path):
    path = tmp_path / "drill.sqlite"
    Store.open(path).close()
    both = [writer(path, first, 40) for first in (0, 1000)]
    for process in both:
        process.communicate(timeout=100)
        assert process.returncode == 0
    store = Store.open(path)
    assert len(store.answers()) == 80
    (held,) = store.held().values()
    assert held.row == 80
    store.close()


def test_what_is_no_file_of_progress_is_refused(tmp_path):
    bad = tmp_path / "notes.sqlite"
    bad.write_text("these are my notes, and not a database at all" * 30)
    with pytest.raises(CaseError, match="cannot be read or written"):
        Store.open(bad)
    assert bad.read_text().startswith("these are my notes")
    with pytest.raises(CaseError, match="cannot be read or written"):
        Store.open(bad / "under" / "a" / "file.sqlite")


def test_progress_moves_house_and_is_merged(tmp_path):
    here, there = Store.open(tmp_path / "here.sqlite"), Store.open(tmp_path / "there.sqlite")
    for number in range(3):
        keep(here, answered(number))
    keep(there, answered(2))
    keep(there, answered(7, failure="regulator_high"))
    write_progress(here.progress(), tmp_path / "out.json")
    taken = read_progress(tmp_path / "out.json")
    assert taken == here.progress()
    assert there.take(taken) == 2
    assert there.take(taken) == 0
    assert [a.id for a in there.answers()] == ["00000", "00001", "00002", "00007"]
    # the card that was reviewed last wins; both were at the same time, so mine stays
    assert there.held()[Card("pump_sheared", "level", "name")].row == 1
    keep(here, answered(9))
    there.take(here.progress())
    assert there.held()[Card("pump_sheared", "level", "name")].row == 4
    here.close()
    there.close()


@pytest.mark.parametrize(
    "content", ["", "{}x", '{"format": "other"}', '{"version": 9}', '{"cards": 3}', '{"surprise": 1}']
)
def test_what_is_no_exported_file_is_refused(tmp_path, content):
    path = tmp_path / "in.json"
    path.write_text(content)
    with pytest.raises(CaseError, match="this is no"):
        read_progress(path)


def test_deleting_leaves_nothing_behind(tmp_path):
    path = tmp_path / "drill.sqlite"
    store = Store.open(path)
    keep(store, answered(1))
    with pytest.raises(CaseError, match="a session has this file open; nothing was deleted"):
        delete_progress(path)
    assert [a.id for a in store.answers()] == ["00001"]
    store.close()
    assert delete_progress(path)
    assert list(tmp_path.iterdir()) == []
    assert not delete_progress(path)


# ------------------------------------------------------------------ what is not ours, and what is damaged


def other_database(path, **pragmas):
    import sqlite3

    with sqlite3.connect(path) as connection:
        for name, value in pragmas.items():
            connection.execute(f"PRAGMA {name} = {value}")
        connection.execute("CREATE TABLE answers (id TEXT, at TEXT, answer TEXT, mine TEXT)")
        connection.execute("INSERT INTO answers VALUES ('1', 'x', '{}', 'precious')")
    connection.close()


@pytest.mark.parametrize("content", ["text", "empty", "database", "wal", "marked"])
def test_nothing_that_is_not_progress_is_touched_or_deleted(tmp_path, content):
    path = tmp_path / "theirs"
    if content == "text":
        path.write_text("notes")
    elif content == "empty":
        path.touch()
    else:
        other_database(
            path, **{"wal": {"journal_mode": "WAL"}, "marked": {"application_id": 17}}.get(content, {})
        )
    before = path.read_bytes()
    if content != "empty":  # an empty file is a new one
        with pytest.raises(CaseError, match="holds something else; it was not touched"):
            Store.open(path)
    with pytest.raises(CaseError, match="nothing was deleted"):
        delete_progress(path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["theirs"]


def old_file(path, *bad):
    """A file as version 1 left it, with entries in it that its import let through."""
    import sqlite3

    from diagnose.practice.drill.store import SCHEMA

    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.executescript(SCHEMA)
    for number, answer in enumerate([msgspec.json.encode(answered(1)).decode(), *bad]):
        connection.execute("INSERT INTO answers VALUES (?, ?, ?)", (f"{number}", "2026-11-02", answer))
    card = begun(Card("pump_sheared", "level", "name"), START)
    for failure, row in (("pump_sheared", 2), *(("regulator_high", -3),) * bool(bad)):
        values = (failure, "level", "name", card.due.isoformat(), card.state, row, 0)
        connection.execute("INSERT INTO cards VALUES (?, ?, ?, ?, ?, ?, ?)", values)
    return connection


@pytest.mark.parametrize("closed", [True, False])
def test_an_older_file_is_brought_to_this_version_and_loses_nothing(tmp_path, closed):
    """Also one whose process was killed: what it wrote stands beside the file and not in it."""
    path = tmp_path / "drill.sqlite"
    naive = msgspec.json.encode(answered(2)).decode().replace("Z", "").replace("+00:00", "")
    huge = msgspec.json.encode(answered(3, score=1e308)).decode()
    connection = old_file(path, naive, huge, "{")
    if closed:
        connection.close()
    store = Store.open(path)
    assert store.set_aside == 4
    assert [a.id for a in store.answers()] == ["00001"]
    assert [card.failure for card in store.held()] == ["pump_sheared"]
    kept = [row[0] for row in store.connection.execute("SELECT entry FROM set_aside")]
    assert sum("1e308" in entry or "1e+308" in entry for entry in kept) == 1
    keep(store, answered(4))
    store.close()
    again = Store.open(path)
    assert (again.set_aside, len(again.answers())) == (0, 2)
    again.close()
    connection.close()
    assert delete_progress(path)


def test_a_damaged_file_gives_a_sentence(tmp_path):
    path = tmp_path / "drill.sqlite"
    store = Store.open(path)
    for number in range(300):
        keep(store, answered(number))
    store.close()
    sound = path.read_bytes()
    rng = random.Random(4)
    for _ in range(60):
        hurt = bytearray(sound)
        for _ in range(rng.choice([1, 30, 3000])):
            hurt[rng.randrange(100, len(hurt))] = rng.randrange(256)
        path.write_bytes(hurt[: rng.choice([len(hurt), len(hurt) // 2, 5000])])
        # any other exception is a fault of ours
        with contextlib.suppress(CaseError):
            store = Store.open(path)
            summary(KB, store.answers(), store.held(), START)
            keep(store, answered(999))
        store.close()
    path.write_bytes(hurt)
    assert delete_progress(path)


@pytest.mark.skipif(os.name != "posix", reason="rights of files")
def test_progress_is_for_its_owner_only(tmp_path):
    path = tmp_path / "drill.sqlite"
    store = Store.open(path)
    keep(store, answered(1))
    assert {p.name: p.stat().st_mode & 0o077 for p in tmp_path.iterdir()} == dict.fromkeys(
        (p.name for p in tmp_path.iterdir()), 0
    )
    assert len(list(tmp_path.iterdir())) > 1
    store.close()


# ------------------------------------------------------------------ imports that would spoil the progress

NASTY = {
    "a time without a zone": {"at": "2026-11-02T09:00:00"},
    "a time that no sum can be taken of": {"at": "0001-01-01T00:00:00Z"},
    "a kind that is none": {"kind": "riddle"},
    "a score that is none": {"score": 1e308},
    "a score below nought": {"score": -0.1},
    "seconds below nought": {"seconds": -1.0},
    "more seconds than a day has": {"seconds": 1e30},
    "more than sure": {"sure": 1.1},
    "a seed that no machine holds": {"seed": 10**30},
    "a name as long as a book": {"failure": "x" * 100_000},
    "a number for a name": {"failure": 3},
}
NASTY_CARDS = {
    "a row of 10^30": {"row": 10**30},
    "a row below nought": {"row": -1},
    "a due time without a zone": {"due": "2026-11-02T09:00:00"},
    "a due time beyond all": {"due": "9999-12-31T23:59:59Z"},
    "a kind that is none": {"kind": "riddle"},
    "no state": {"state": ""},
    "a state that is a list": {"state": "[]"},
    "a state nested without end": {"state": "[" * 400},
    "a state with a stability that is none": {"stability": 1e308},
    "a state with a stability that is no number": {"stability": "much"},
    "a state with a time without a zone": {"last_review": "2026-11-02T09:00:00"},
}


@pytest.mark.parametrize("what", [*NASTY, *NASTY_CARDS])
def test_an_import_with_one_bad_entry_is_refused_whole_and_progress_stays_usable(tmp_path, what):
    import json

    from diagnose.cli import main

    store = Store.open(tmp_path / "drill.sqlite")
    for number in range(3):
        keep(store, answered(number))
    content = json.loads(msgspec.json.encode(store.progress()))
    content["answers"][0] |= {"id": "new"}
    bad = {**content["answers"][1], "id": "bad", **NASTY.get(what, {})}
    changes = NASTY_CARDS.get(what, {})
    card = content["cards"][0]
    inside = {name: changes[name] for name in ("stability", "last_review") if name in changes}
    bad_card = {**card, **{k: v for k, v in changes.items() if k not in inside}}
    if inside:
        bad_card["state"] = json.dumps(json.loads(card["state"]) | inside)
    content["answers"].append(bad)
    content["cards"].append(bad_card)
    (tmp_path / "in.json").write_text(json.dumps(content))
    before = store.progress()
    data = ["--data", str(tmp_path / "drill.sqlite")]
    assert main(["drill", *data, "--import", str(tmp_path / "in.json")]) == 1
    assert store.progress() == before
    assert main(["drill", *data, "--progress"]) == 0
    keep(store, answered(9))
    store.close()


def test_a_clock_that_went_back_keeps_no_card_waiting(tmp_path):
    """A session under a clock that was ten years ahead, then one under the right clock."""
    from diagnose.practice.drill.store import by_this_clock

    ahead = START + datetime.timedelta(days=3650)
    held = begun(Card("pump_sheared", "level", "name"), ahead)
    for _ in range(3):
        held = reschedule(held, RIGHT, 20.0, ahead, 15.0, 90.0)
    now = by_this_clock(held, START)
    assert now.due <= START
    store = Store.open(tmp_path / "drill.sqlite")
    store.keep(answered(1), lambda _: held)
    assert store.held(START) == {held.card: now}
    assert store.held() == {held.card: now}
    store.close()
    after = reschedule(now, RIGHT, 20.0, START, 15.0, 90.0)
    assert START < after.due < START + datetime.timedelta(days=400)
    assert (after.row, after.lapses) == (held.row + 1, held.lapses)
    # an hour of another machine's clock is no such thing
    late = reschedule(begun(held.card, START), RIGHT, 20.0, START + datetime.timedelta(hours=1), 15.0, 90.0)
    assert by_this_clock(late, START) == late


# ------------------------------------------------------------------ what it comes to


@pytest.fixture(scope="module")
def told():
    day = datetime.timedelta(days=1)
    answers = [
        answered(1, seconds=50.0),
        answered(2, correct=False, given="suction_gauge_zero", seconds=70.0),
        answered(3, correct=False, given="suction_gauge_zero", at=START + 8 * day),
        answered(4, at=START + 8 * day, kind="scan", recognised_s=90.0, faults=("omission",)),
        answered(5, at=START + 9 * day, kind="scan", recognised_s=30.0, faults=("omission", "fixation")),
        answered(6, at=START + 9 * day, failure=SOUND, right=OPEN, given=OPEN, sure=0.9, engine=0.5),
        answered(7, at=START + 9 * day, failure=SOUND, right=SOUND, given=SOUND, sure=0.8, engine=0.6),
    ]
    held = {
        card: reschedule(begun(card, START), marked, 30.0, START, 15.0, 90.0)
        for card, marked in (
            (Card("pump_sheared", "level", "name"), WRONG),
            (Card("regulator_high", "level", "name"), RIGHT),
        )
    }
    return summary(load_knowledge(), answers, held, START + 9 * day)


def test_progress_by_class_and_week(told):
    first, second = told.classes["vacuum"]
    assert (first.week, first.count, first.rate, first.seconds) == ("2026-11-02", 2, 0.5, 60.0)
    assert (second.week, second.count) == ("2026-11-09", 3)
    assert second.rate == pytest.approx(2 / 3)
    assert (first.recognised_s, second.recognised_s) == (None, 60.0)
    assert told.confused == (("pump_sheared", "suction_gauge_zero", 2),)
    assert told.faults == (("omission", 2), ("fixation", 1))
    assert (told.due, told.begun) == (2, 2)
    (week,) = told.sureness
    assert (week.sure, week.engine) == (pytest.approx(0.85), pytest.approx(0.55))


def test_a_week_begins_on_monday():
    sunday = datetime.datetime(2026, 11, 8, 23, 0, tzinfo=datetime.UTC)
    assert (week_of(sunday), week_of(sunday + datetime.timedelta(hours=2))) == ("2026-11-02", "2026-11-09")


def test_progress_as_text_and_for_an_instructor(told):
    kb = load_knowledge()
    text = progress_text(told, kb, 80)
    assert "7 answers since 2026-11-02; 2 exercises begun, 2 due now" in text
    assert "over-confident" in text
    assert f"2 x {kb.failures['pump_sheared'].name}" in text
    page = instructor_text(told, kb, 80)
    assert len(page.splitlines()) <= 60
    assert "To work on: vacuum failures (67 % right" in page
    assert "omission in the scan" in " ".join(page.split())
    assert all(len(line) <= 80 for line in page.splitlines())


def test_what_was_called_too_early_is_no_confusion_with_another_failure():
    called = ("pump_sheared", "pump_sheared", "suction_gauge_zero")
    answers = [
        answered(number, right=OPEN, given=given, correct=False) for number, given in enumerate(called, 1)
    ]
    kb = load_knowledge()
    early = summary(kb, answers, {}, START)
    text = " ".join(instructor_text(early, kb, 80).split())
    assert "Named before you could tell: 3 x." in text
    assert "waiting until you can tell (3 calls came too early)" in text
    assert "Taken for another" not in text
    page = progress_page(early, kb)
    assert "Named before you could tell: 3 x." in page
    assert "Taken for another" not in page


def test_progress_as_a_page_that_needs_nothing_else(told):
    page = progress_page(told, load_knowledge())
    assert page.count("<svg") == 2
    assert "<script" not in page
    assert 'src="' not in page
    assert "over-confident" in page


def test_nothing_answered_yet():
    told = summary(load_knowledge(), (), {}, START)
    assert "No answers yet" in progress_text(told, load_knowledge(), 80)
    assert "No answers yet" in progress_page(told, load_knowledge())
    assert "answered nothing yet" in instructor_text(told, load_knowledge(), 80)
