"""The prompt in a terminal, driven by piped keys and a dummy screen."""

from __future__ import annotations

import pytest
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from diagnose.session import load_case
from diagnose.terminal.prompt import run_terminal
from tests.small import shipped


def typed(keys, folder):
    with create_pipe_input() as keyboard:
        keyboard.send_text(keys)
        return run_terminal(shipped(), folder, input=keyboard, output=DummyOutput())


def test_first_run_hints_answers_and_keeps_what_was_not_saved(tmp_path, capsys):
    assert typed("snapshot level\rsuction zero\r\x04", tmp_path) == 0
    shown = capsys.readouterr().out
    assert "Say what you were flying" in shown
    assert "suction gauge" in shown
    assert load_case(str(tmp_path / "autosave.toml"), shipped()).snapshot[0].readings == {
        "suction.value": "zero"
    }
    typed("undo\rquit\r", tmp_path)
    assert "Restored what was on the table" in capsys.readouterr().out


def test_a_mistake_is_explained_and_control_c_only_clears_the_line(tmp_path, capsys):
    assert typed("foo bar\rhalf a line\x03snapshot level\rquit\r", tmp_path) == 0
    shown = capsys.readouterr().out
    assert "there is no gauge 'foo'" in shown
    assert "snapshot 1" in shown


@pytest.mark.parametrize("name", ["tuesday", "tuesday.toml"])
def test_saving_clears_the_autosave(tmp_path, name, monkeypatch):
    monkeypatch.chdir(tmp_path)
    typed(f"snapshot level\rsuction zero\rsave {name}\rquit\r", tmp_path / "state")
    assert (tmp_path / "tuesday.toml").is_file()
    assert not (tmp_path / "state/autosave.toml").exists()
