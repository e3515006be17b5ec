"""The prompt in a terminal, driven by piped keys and a dummy screen."""

from __future__ import annotations

import io
import os
import re
import signal
import subprocess
import sys

import pytest
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from diagnose.render.text import CAUTION
from diagnose.terminal import console, prompt
from diagnose.terminal.commands import HINT, Desk, obey
from diagnose.terminal.prompt import Options, left_behind, open_keeper, run_lines, run_terminal
from tests.small import shipped

#: shared by the prompts of this file
ENGINES = {}


def typed(keys, folder, **options):
    with create_pipe_input() as keyboard:
        keyboard.send_text(keys)
        desk = Desk(kb=shipped(), engines=ENGINES)
        return run_terminal(desk, folder, Options(**options), input=keyboard, output=DummyOutput())


def kept(folder):
    """The cases that ended prompts have left, newest first."""
    return [left.state.case for left in left_behind(folder, shipped(), folder / "none")[0]]


def test_first_run_hints_answers_and_keeps_what_was_not_saved(tmp_path, capsys):
    assert typed("snapshot level\rsuction zero\r\x04", tmp_path) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("\n".join(HINT))
    assert CAUTION in " ".join(shown.split())
    assert "suction gauge" in shown
    assert "Your unsaved case is offered next time" in shown
    assert [case.snapshot[0].readings for case in kept(tmp_path)] == [{"suction.value": "zero"}]
    typed("restore\rshow\rundo\rquit\r", tmp_path)
    shown = capsys.readouterr().out
    assert "Unsaved from last time: untitled, 1 moment, last: level: suction zero (" in shown
    assert "Restored: untitled, 1 moment" in shown
    assert "suction gauge  zero" in shown
    assert kept(tmp_path) == []


def test_a_mistake_is_explained_and_control_c_only_clears_the_line(tmp_path, capsys):
    assert typed("foo bar\rhalf a line\x03snapshot level\rquit\r", tmp_path) == 0
    shown = capsys.readouterr().out
    assert "There is no gauge 'foo'" in shown
    assert "Moment 1" in shown


def test_what_was_typed_is_there_next_time_in_the_history(tmp_path):
    typed("snapshot level\rquit\r", tmp_path)
    assert "+snapshot level" in (tmp_path / "history").read_text()


@pytest.mark.parametrize("name", ["tuesday", "tuesday.toml"])
def test_saving_clears_the_autosave(tmp_path, name, monkeypatch):
    monkeypatch.chdir(tmp_path)
    typed(f"snapshot level\rsuction zero\rsave {name}\rquit\r", tmp_path / "state")
    assert (tmp_path / "tuesday.toml").is_file()
    assert kept(tmp_path / "state") == []
    assert [path.name for path in (tmp_path / "state").iterdir()] == ["history"]


def test_a_crash_loses_nothing_that_was_answered(tmp_path, monkeypatch):
    def crash(desk):
        raise ZeroDivisionError

    # the second line: the first has been answered and kept
    monkeypatch.setattr("diagnose.terminal.commands.answers.render", lambda *_, **__: crash(None))
    with pytest.raises(ZeroDivisionError):
        typed("snapshot level; suction zero\rrank full\r", tmp_path)
    assert kept(tmp_path)[0].snapshot[0].readings


def test_what_was_left_and_cannot_be_read_is_set_aside_not_lost(tmp_path, capsys):
    broken = 'at = 0\n[case]\ntitle = "x"\npanel = "glider"\n'
    (tmp_path / "desk-1-0.toml").write_text(broken)
    (tmp_path / "desk-2-0.toml").write_text("at = 0\n[ca")
    (tmp_path / "desk-3-0.toml").write_text("at = 0\n")
    typed("snapshot level\rquit\r", tmp_path)
    shown = " ".join(capsys.readouterr().out.split())
    assert "An unsaved case cannot be read: there is no panel 'glider'" in shown
    assert "the file is no longer whole" in shown
    assert "the file does not hold what a prompt keeps" in shown
    assert (tmp_path / "desk-1-0.unread.toml").read_text() == broken
    assert len(kept(tmp_path)) == 1


def test_two_prompts_do_not_share_what_they_keep(tmp_path, capsys):
    first = open_keeper(tmp_path)
    desk = Desk(kb=shipped(), engines=ENGINES)
    first.keep(obey(desk, "snapshot climb")[0], desk)
    typed("restore\rsnapshot level\rquit\r", tmp_path)
    shown = capsys.readouterr().out
    assert "There is no unsaved work." in shown
    assert [case.snapshot[0].manoeuvre for case in kept(tmp_path)] == ["level"]
    first.close()
    assert sorted(case.snapshot[0].manoeuvre for case in kept(tmp_path)) == ["climb", "level"]
    typed("restore\rrestore none\ryes\rquit\r", tmp_path)
    assert "Unsaved cases (" in capsys.readouterr().out
    assert kept(tmp_path) == []


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
def test_a_killed_prompt_leaves_everything_to_the_next(tmp_path):
    code = (
        "import sys, time; sys.path.insert(0, '.')\n"
        "from pathlib import Path\n"
        "from diagnose import load_knowledge\n"
        "from diagnose.terminal.commands import Desk, obey\n"
        "from diagnose.terminal.prompt import Keeping\n"
        "from diagnose.terminal.prompt import open_keeper\n"
        f"keeping, desk = Keeping(open_keeper(Path({str(tmp_path)!r}))), Desk(kb=load_knowledge())\n"
        "for line in ['snapshot level; suction zero', 'branch a', 'what if tc level']:\n"
        "    before, (desk, _) = desk, obey(desk, line)\n"
        "    keeping.keep(before, desk)\n"
        "print('ready', flush=True)\n"
        "time.sleep(60)\n"
    )
    running = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert running.stdout.readline() == "ready\n"
    assert kept(tmp_path) == []  # it still runs
    running.send_signal(signal.SIGKILL)
    running.communicate()
    (left,), _ = left_behind(tmp_path, shipped(), tmp_path / "none")
    assert set(left.state.case.snapshot[0].readings) == {"suction.value", "turn_coordinator.turn"}
    assert left.state.base.case.snapshot[0].readings == {"suction.value": "zero"}
    assert left.state.branches == (("a", left.state.base.case),)


def test_many_pasted_lines_are_answered_one_by_one(tmp_path, capsys):
    pasted = "snapshot level\nsuction zero\ntc level"
    typed(f"\x1b[200~{pasted}\x1b[201~\rquit\r", tmp_path)
    shown = capsys.readouterr().out
    assert "Moment 1" in shown
    assert set(kept(tmp_path)[0].snapshot[0].readings) == {"suction.value", "turn_coordinator.turn"}


def test_without_a_place_to_keep_things_the_prompt_still_works(tmp_path, capsys):
    (tmp_path / "file").touch()
    assert typed("snapshot level; suction zero\r\x04", tmp_path / "file" / "state") == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Nothing is kept for next time:" in shown
    assert "LIKELY Vacuum pump failed" in shown
    assert "is offered next time" not in shown


def test_an_autosave_that_fails_is_told_once(tmp_path, capsys, monkeypatch):
    real = os.fsync

    def full(handle):
        real(handle)
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    assert typed("snapshot level\rvsi zero\rquit\r", tmp_path) == 0
    assert capsys.readouterr().out.count("Nothing is kept for next time:") == 1


def test_control_c_while_it_works_changes_nothing(tmp_path, capsys, monkeypatch):
    def stopped(desk):
        raise KeyboardInterrupt

    monkeypatch.setattr(Desk, "answer", stopped)
    assert typed("snapshot level\rsuction zero\rshow\rquit\r", tmp_path) == 0
    shown = capsys.readouterr().out
    assert "Stopped; nothing was changed." in shown
    assert "nothing said yet" in shown


class Screen:
    """A stream that says whether it is a terminal."""

    def __init__(self, terminal):
        self.terminal = terminal

    def isatty(self):
        return self.terminal


@pytest.mark.parametrize(("stdin", "stdout", "interactive"), [(True, True, True), (True, False, False)])
def test_only_a_terminal_on_both_sides_gets_the_prompt(stdin, stdout, interactive, monkeypatch, tmp_path):
    called = []
    monkeypatch.setattr(prompt, "run_terminal", lambda *_: called.append("terminal") or 0)
    monkeypatch.setattr(prompt, "run_lines", lambda *_: called.append("lines") or 0)
    monkeypatch.setattr(Screen, "__iter__", lambda _: iter(()), raising=False)
    prompt.run(Desk(kb=shipped()), Screen(stdin), Screen(stdout), folder=tmp_path)
    assert called == ["terminal" if interactive else "lines"]


def test_a_closed_input_is_an_empty_one(capsys):
    assert prompt.run(Desk(kb=shipped()), None, sys.stdout) == 0


def test_a_pipe_holds_what_is_told_before_what_was_flown(capsys):
    told = Desk(kb=shipped(), engines=ENGINES)
    before, flown = "my attitude indicator is leaning and I dont know why", "level"
    assert run_lines(told, [before, flown], sys.stdout) == 0
    said = capsys.readouterr().out
    assert "Noted: attitude indicator: behavior leaning." in said
    # the answer is the one of who says first what was flown
    assert run_lines(Desk(kb=shipped(), engines=ENGINES), [flown, before], sys.stdout) == 0
    likely = [text[text.index("LIKELY") :] for text in (said, capsys.readouterr().out)]
    assert likely[0] == likely[1]
    # what is never said to have been flown is not lost in silence, nor is all well
    assert run_lines(told, ["airspeed zero"], sys.stdout) == 1
    assert "Not taken in, as nothing says what was flown: airspeed zero." in capsys.readouterr().out


@pytest.mark.parametrize(("lines", "kept_free"), [(12, 2), (24, 4), (50, 8), (200, 8)])
def test_a_low_terminal_keeps_its_lines_for_the_answer(lines, kept_free, monkeypatch):
    monkeypatch.setenv("LINES", str(lines))
    monkeypatch.setenv("COLUMNS", "80")
    assert prompt.lines_for_completion() == kept_free


def test_what_is_typed_between_two_pages_is_read_by_the_guarded_stream_and_given_back(monkeypatch, capsys):
    """No news of work while somebody types there; the typed line ends the text and is carried out next."""
    text = "\n".join(f"line {number}" for number in range(60))
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setattr("shutil.get_terminal_size", lambda *_: os.terminal_size((80, 24)))
    idle = []

    class Stream(io.StringIO):
        def readline(self, size=-1):
            idle.append(working._idle)
            return super().readline(size)

    working = console.Working(io.StringIO())
    for typed, back, shown in (("\nwhy nothing\n", "why nothing", 44), ("q\n", "", 22), ("\n\n", "", 60), ("", "", 22)):
        working._idle = False
        monkeypatch.setattr("sys.stdin", console.Typed(Stream(typed), working))
        assert console.paged(text) == back
        assert len(re.findall(r"^line \d|(?<=-- )line \d", capsys.readouterr().out, re.MULTILINE)) == shown
    assert idle
    assert all(idle)
