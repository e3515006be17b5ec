"""Commands that write and read files, and what hands a case on."""

from __future__ import annotations

import html

import pytest

from diagnose.cli import main
from diagnose.language.case_files import load_case
from diagnose.model.errors import CaseError, ImpossibleEvidence
from diagnose.render.text import CAUTION
from diagnose.terminal.commands import Desk, obey
from tests.desks import answer_to, desk_after
from tests.small import shipped

# ------------------------------------------------------------------ files


def test_saving_never_writes_over_a_file_unasked(tmp_path):
    path = tmp_path / "tuesday.toml"
    desk = desk_after("snapshot level", f"save {tmp_path}/tuesday")
    assert load_case(str(path), shipped()).title == "tuesday"
    desk, _ = obey(desk, "vsi zero")
    desk, text = obey(desk, "save")
    assert text == f"Saved: {path}"
    assert load_case(str(path), shipped()).snapshot[0].readings == {"vertical_speed.rate": "zero"}
    with pytest.raises(CaseError) as caught:
        desk_after("snapshot climb", f"save {path}")
    assert f"there is a file {path} already. Try: another name, or: save {path} over." in str(caught.value)
    desk_after("snapshot climb", f"save {path} over")
    assert load_case(str(path), shipped()).snapshot[0].manoeuvre == "climb"


def test_save_after_undoing_a_load_asks_for_a_name(tmp_path):
    desk_after("snapshot level", f"save {tmp_path}/other")
    with pytest.raises(CaseError, match="save under which file name"):
        desk_after("snapshot climb", f"load {tmp_path}/other.toml", "undo", "save")


def test_a_shipped_case_is_not_written_over():
    with pytest.raises(CaseError, match="save under which file name"):
        desk_after("load disagreement_only", "save")


def test_load_takes_names_with_spaces_quotes_and_no_ending(tmp_path):
    desk_after("snapshot level", f"save {tmp_path}/a b")
    for name in (f'"{tmp_path}/a b.toml"', f"{tmp_path}/a b.toml", f"{tmp_path}/a b"):
        assert desk_after(f"load {name}").case.snapshot[0].manoeuvre == "level"


def test_a_contradictory_case_can_be_loaded_and_mended(monkeypatch):
    def impossible(desk):
        raise ImpossibleEvidence("these cannot all be true: a; b")

    desk = desk_after("snapshot level", "suction zero", "attitude level")
    monkeypatch.setattr(Desk, "answer", impossible)
    after, text = obey(desk, "forget suction")
    assert after.case.snapshot[0].readings == {"attitude.bank": "level"}
    assert "these cannot all be true" in text
    for line in ("vsi zero", "odds exercise"):
        with pytest.raises(ImpossibleEvidence):
            obey(desk, line)


# ------------------------------------------------------------------ handed on


def test_the_report_is_written_as_a_page_and_never_over_another(tmp_path):
    name = tmp_path / "tuesday"
    desk = desk_after("snapshot level; suction zero; attitude leaning")
    desk, text = obey(desk, f"report {name}")
    assert f"Written: {name}.html" in text
    page = (tmp_path / "tuesday.html").read_text(encoding="utf-8")
    assert page.startswith("<!doctype html>")
    assert "vacuum pump failed" in page
    assert CAUTION in html.unescape(page)
    with pytest.raises(CaseError, match=r"there is a file .* already\. Try: another name, or: report"):
        obey(desk, f"export {name}")
    obey(desk, f"report '{name}' over")
    with pytest.raises(CaseError, match="the report cannot be written"):
        obey(desk, "report /no/such/folder/x")
    for line in ("report", "writeup"):
        with pytest.raises(CaseError, match=r"file name|nothing has been said"):
            answer_to(line)


def test_the_writeup_is_that_of_the_command_line(tmp_path, capsys):
    case = tmp_path / "a.toml"
    desk = desk_after("snapshot level; suction zero; attitude leaning", f"save {case}")
    _, text = obey(desk, "writeup")
    assert main(["writeup", str(case), "--width", "80"]) == 0
    assert capsys.readouterr().out.strip() == text.strip()
