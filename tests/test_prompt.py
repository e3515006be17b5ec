"""The prompt in a terminal, driven by piped keys and a dummy screen."""

from __future__ import annotations

import os

import pytest
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from diagnose.commands import HINT, Desk
from diagnose.session import load_case
from diagnose.terminal import prompt
from diagnose.terminal.prompt import run_terminal
from diagnose.text import CAUTION
from tests.small import shipped


def typed(keys, folder):
    with create_pipe_input() as keyboard:
        keyboard.send_text(keys)
        return run_terminal(shipped(), folder, input=keyboard, output=DummyOutput())


def test_first_run_hints_answers_and_keeps_what_was_not_saved(tmp_path, capsys):
    assert typed("snapshot level\rsuction zero\r\x04", tmp_path) == 0
    shown = capsys.readouterr().out
    assert shown.startswith("\n".join(HINT))
    assert CAUTION in " ".join(shown.split())
    assert "suction gauge" in shown
    assert "What is on the table comes back next time" in shown
    assert load_case(str(tmp_path / "autosave.toml"), shipped()).snapshot[0].readings == {
        "suction.value": "zero"
    }
    typed("show\rundo\rquit\r", tmp_path)
    shown = capsys.readouterr().out
    assert "Restored what was on the table: untitled, 1 snapshot. 'show' shows it, 'new'" in shown
    assert "suction gauge  zero" in shown
    assert HINT[0] not in shown


def test_a_mistake_is_explained_and_control_c_only_clears_the_line(tmp_path, capsys):
    assert typed("foo bar\rhalf a line\x03snapshot level\rquit\r", tmp_path) == 0
    shown = capsys.readouterr().out
    assert "there is no gauge 'foo'" in shown
    assert "Snapshot 1" in shown


def test_what_was_typed_is_there_next_time_in_the_history(tmp_path):
    typed("snapshot level\rquit\r", tmp_path)
    assert "+snapshot level" in (tmp_path / "history").read_text()


@pytest.mark.parametrize("name", ["tuesday", "tuesday.toml"])
def test_saving_clears_the_autosave(tmp_path, name, monkeypatch):
    monkeypatch.chdir(tmp_path)
    typed(f"snapshot level\rsuction zero\rsave {name}\rquit\r", tmp_path / "state")
    assert (tmp_path / "tuesday.toml").is_file()
    assert not (tmp_path / "state/autosave.toml").exists()


def test_a_crash_loses_nothing_that_was_answered(tmp_path, monkeypatch):
    def crash(desk):
        raise ZeroDivisionError

    # the second line: the first has been answered and kept
    monkeypatch.setattr("diagnose.commands.answers.render", lambda *_, **__: crash(None))
    with pytest.raises(ZeroDivisionError):
        typed("snapshot level; suction zero\rrank\r", tmp_path)
    assert load_case(str(tmp_path / "autosave.toml"), shipped()).snapshot[0].readings


def test_an_autosave_that_cannot_be_read_is_set_aside_not_lost(tmp_path, capsys):
    broken = 'title = "x"\npanel = "glider"\n'
    (tmp_path / "autosave.toml").write_text(broken)
    typed("snapshot level\rquit\r", tmp_path)
    shown = " ".join(capsys.readouterr().out.split())
    assert "What was on the table cannot be read: there is no panel 'glider'" in shown
    assert (tmp_path / "autosave.unread.toml").read_text() == broken
    assert load_case(str(tmp_path / "autosave.toml"), shipped()).snapshot


def test_without_a_place_to_keep_things_the_prompt_still_works(tmp_path, capsys):
    (tmp_path / "file").touch()
    assert typed("snapshot level; suction zero\r\x04", tmp_path / "file" / "state") == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert "Nothing is kept for next time:" in shown
    assert "vacuum pump failed" in shown
    assert "comes back next time" not in shown


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
    monkeypatch.setattr(prompt, "run_terminal", lambda kb, folder: called.append("terminal") or 0)
    monkeypatch.setattr(prompt, "run_lines", lambda desk, lines, out: called.append("lines") or 0)
    prompt.run(shipped(), Screen(stdin), Screen(stdout), tmp_path)
    assert called == ["terminal" if interactive else "lines"]


def test_a_closed_input_is_an_empty_one(capsys):
    import sys

    assert prompt.run(shipped(), None, sys.stdout) == 0
