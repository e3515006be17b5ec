"""The screens of the README and the manual are real: each is what its command prints, and says what it must say.

``python -m tests.test_readme`` writes the texts anew, unless an answer is not the one in ``data/readme_screens.toml``.
The README's figures are those of ``knowledge/evidence``.
"""

from __future__ import annotations

import io
import json
import re
import sys
import threading
import tomllib
from contextlib import redirect_stdout
from pathlib import Path
from unittest import mock

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.data_structures import Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

import diagnose
from diagnose import answer_case
from diagnose.cli import main
from diagnose.knowledge.load import knowledge_root
from diagnose.model import Grade
from diagnose.render import manual
from diagnose.render.text import CAUTION, fill
from diagnose.terminal import prompt, worksheet
from diagnose.terminal.commands import Desk, obey
from diagnose.terminal.sheet_view import keys_line, view
from tests.small import shipped

README = Path(diagnose.__file__).parent.parent / "README.md"
MANUAL = Path(manual.__file__).parent
EXPECTED = tomllib.loads((Path(__file__).parent / "data" / "readme_screens.toml").read_text(encoding="utf-8"))
BLOCK = re.compile(r"^```\n\$ (diagnose[^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
#: what was typed before the screen begins stands behind the command
AFTER = re.compile(r"^(diagnose.*?) +\(after: (.*)\)$")
F4 = "\x1bOS"


# ------------------------------------------------------------------ what comes out


class Typed(io.StringIO):
    """Standard input or output of a terminal."""

    def isatty(self):
        return True


class Sized(DummyOutput):
    def get_size(self):
        return Size(rows=24, columns=80)


def lines_before(command):
    """The command line itself, and what was typed before the screen begins."""
    found = AFTER.match(command)
    return (found[1], found[2].split("; ")) if found else (command, [])


def typed_in(shown):
    """The lines typed on a screen, each after "> "."""
    return re.findall(r"^> (.*)$", shown, re.MULTILINE)


def comes_out(command, shown):
    """What the command line really gives; ``shown`` holds the lines that are typed on the screen."""
    words, before = lines_before(command)
    _, *arguments = words.split()
    if arguments[:1] == ["worksheet"]:
        return on_the_worksheet(arguments)
    out = io.StringIO()
    lines = "\n".join([*before, *typed_in(shown)]) + "\n"
    with mock.patch.object(sys, "stdin", io.StringIO(lines)), redirect_stdout(out):
        assert main(arguments) == 0
    text = out.getvalue()
    if arguments[:1] in ([], ["guide"]):
        text = text.removeprefix(fill(CAUTION, 80) + "\n\n")
    if before:
        text = text[text.index(f"> {typed_in(shown)[0]}\n") :]
    return text.rstrip("\n") + "\n"


def on_the_worksheet(arguments):
    """The screen of the worksheet, 80x24, once all is worked out; it is then left by keys."""
    screens = []

    class Watched(worksheet.Worksheet):
        def rank(self):
            super().rank()
            threading.Thread(target=self.finish, daemon=True).start()

        def finish(self):
            self.work.wait()
            self.loop.call_soon_threadsafe(self.leave)  # after what was worked out has been taken

        def leave(self):
            drawn = view(self.sheet, self.shown, 80, 22)
            texts = ["".join(piece.text for piece in line).rstrip() for line in drawn]
            screens.append("\n".join([*texts, "gauges>", keys_line(self.sheet, 80).rstrip()]) + "\n")
            keyboard.send_text(F4 + "quit\r")

    with (
        create_pipe_input() as keyboard,
        create_app_session(input=keyboard, output=Sized()),
        mock.patch.object(worksheet, "Worksheet", Watched),
        mock.patch.object(sys, "stdin", Typed()),
        redirect_stdout(Typed()),
    ):
        assert main(arguments) == 0
    (screen,) = screens
    return screen


# ------------------------------------------------------------------ what it must say


def desks(command, shown):
    """(line, desk after it) of every line typed; for a case from a file the line is "" ."""
    words, before = lines_before(command)
    desk = Desk(kb=shipped())
    if words.split()[1:2] in (["rank"], ["worksheet"]):
        yield "", obey(desk, f"load {words.split()[2]}")[0]
        return
    first = ["guide"] if words.split()[1:2] == ["guide"] else []
    for line in [*first, *before, *typed_in(shown)]:
        desk = obey(desk, line)[0]
        yield line, desk


def said(desk):
    """What leads, its chance, and which instruments are to be verified and covered."""
    answer = answer_case(shipped(), desk.case, desk.engine)
    grades = {grade: [t.gauge for t in answer.trust if t.grade is grade] for grade in Grade}
    leading = answer.ranking[0]
    return list(leading.failures), leading.posterior, grades[Grade.VERIFY], grades[Grade.COVER]


def wanted_of(command, shown):
    """What must be said on a screen: line typed -> entry of the data."""
    lines = {line for line, _ in desks(command, shown)}
    return {
        one.get("after", ""): one
        for one in EXPECTED["screen"]
        if one["command"] == command and one.get("after", "") in lines
    }


def told_wrong(command, shown):
    """What on a screen is not as it must be; "" if all is. The last answer at least must stand in the data."""
    found, wanted = dict(desks(command, shown)), wanted_of(command, shown)
    wrong = []
    for line, one in wanted.items():
        leads, chance, verify, cover = said(found[line])
        is_so = leads == one["leads"] and abs(chance - one["chance"]) <= 0.05
        if not (is_so and set(verify) == set(one["verify"]) and set(cover) == set(one["cover"])):
            wrong.append(f"{command} {line}: {leads} {chance:.2f}, verify {verify}, cover {cover}")
    cases = {line: desk.case for line, desk in found.items()}
    told = [cases[line] for line in wanted]
    wrong += [
        f"{command}: the data say nothing of {line!r}"
        for line, case in cases.items()
        if case.snapshot and any(s.readings or s.unsure for s in case.snapshot) and case not in told
        if line not in lines_before(command)[1]
    ]
    return "\n".join(wrong)


# ------------------------------------------------------------------ the tests


def told_here(command):
    """Whether the block of this command is checked here; the others are in test_cli."""
    words = lines_before(command)[0].split()
    return len(words) == 1 or words[1] in ("rank", "worksheet", "guide")


def pages():
    """README and manual, by path; an installed copy has no README."""
    paths = [*([README] if README.exists() else []), *sorted(MANUAL.glob("*.md"))]
    return {path: path.read_text(encoding="utf-8") for path in paths}


def blocks():
    """The blocks of README and manual that are checked here."""
    found = [block for text in pages().values() for block in BLOCK.findall(text)]
    return [(command, shown) for command, shown in found if told_here(command)]


def figures():
    """The README's table of how good it is, from what is stored."""
    evidence = knowledge_root() / "evidence"
    calibration = json.loads((evidence / "calibration.json").read_text(encoding="utf-8"))
    review = json.loads((evidence / "review.json").read_text(encoding="utf-8"))["totals"]
    kept_back = json.loads((evidence / "kept_back.json").read_text(encoding="utf-8"))["rows"]
    anomaly = next(scores for scores in calibration["scores"] if scores["setting"] == "anomaly")
    likely = [one for one in anomaly["bins"] if one["low"] >= 0.5]
    count = sum(one["count"] for one in likely)
    said = sum(one["count"] * one["mean"] for one in likely) / count
    true = sum(one["hits"] for one in likely) / count
    four = next(one for one in anomaly["by_snapshots"] if one["name"] == "4")
    alarms = {
        setting: f"{sum(h['alarms'] for h in chosen)} of {sum(h['flights'] for h in chosen):,}"
        for setting in ("routine", "anomaly")
        for chosen in [[h for h in calibration["healthy"] if h["setting"] == setting]]
    }
    gps, no_gps = (
        next(one for one in review if one["gps"] is has and one["hz"] == 1) for has in (True, False)
    )
    rows = (
        *((f"published events that nobody who wrote the knowledge had seen: {what}", f"{right} of {of}")
          for what, right, of in kept_back[:3]),
        ("simulated flights with known truth, an anomaly noticed, four moments: truth first; among the first three",
         f"{four['top1'] / four['flights'] * 100:.0f} %; {four['top3'] / four['flights'] * 100:.0f} % of {four['flights']}"),
        ("a failure given more than one half, the same flights: on average said; came true",
         f"{said * 100:.0f} %; {true * 100:.0f} % of {count:,}"),
        ("healthy flights in which some failure got more than one half: routine; anomaly",
         f"{alarms['routine']}; {alarms['anomaly']}"),
        ("recorded flights where the channels suffice to name the cause: named, with GPS; without",
         f"{gps['first_of_isolable']} of {gps['isolable']}; {no_gps['first_of_isolable']} of {no_gps['isolable']}"),
        ("all recorded flights with a failure, whether it shows or not: named, with GPS; without",
         f"{gps['first']} of {gps['failing']}; {no_gps['first']} of {no_gps['failing']}"),
        ("healthy recorded flights in which some failure got more than one half",
         f"{sum(one['sound_above_half'] for one in review)} of {sum(one['sound'] for one in review)}"),
    )  # fmt: skip
    return "\n".join(
        ["| what was measured | outcome |", "|---|---|", *(f"| {what} | {how} |" for what, how in rows)]
    )


TABLE = re.compile(r"^\| what was measured \| outcome \|\n(?:\|.*\n)+", re.MULTILINE)


@pytest.fixture(autouse=True)
def nobodys_state(tmp_path, monkeypatch):
    """The prompt keeps what is on the table: not in the folder of whoever runs the tests."""
    monkeypatch.setattr(prompt, "state_folder", lambda: tmp_path)
    monkeypatch.setenv("COLUMNS", "80")


@pytest.mark.skipif(not README.exists(), reason="no checkout")
def test_the_readme_is_short_and_its_figures_are_those_that_are_stored():
    readme = README.read_text(encoding="utf-8")
    assert len(readme.splitlines()) <= 250
    assert TABLE.findall(readme) == [figures() + "\n"]
    assert "$ diagnose rank static_blocked_climb\n" in readme


@pytest.mark.skipif(not README.exists(), reason="no checkout")
def test_there_is_a_screen_of_every_way_in():
    commands = [command for command, _ in blocks()]
    for wanted in (
        "diagnose",
        "diagnose worksheet static_blocked_climb",
        "diagnose rank static_blocked_climb",
    ):
        assert wanted in commands
    assert any("> guide\n" in shown for _, shown in blocks())
    shown = [one for command, shown in blocks() for one in wanted_of(command, shown).values()]
    assert [one for one in EXPECTED["screen"] if one not in shown] == []


@pytest.mark.parametrize(("command", "shown"), blocks(), ids=[command for command, _ in blocks()])
def test_a_screen_of_the_readme_says_what_it_must(command, shown):
    assert told_wrong(command, shown) == ""


@pytest.mark.parametrize(("command", "shown"), blocks(), ids=[command for command, _ in blocks()])
def test_a_screen_of_the_readme_is_what_comes_out(command, shown):
    assert comes_out(command, shown) == shown


def test_a_wrong_answer_is_not_hidden_by_writing_the_screens_anew():
    """The other failure, another tenth, another grade: each is seen."""
    command, shown = next(block for block in blocks() if block[0].startswith("diagnose rank"))
    (one,) = (one for one in EXPECTED["screen"] if one["command"] == command)
    for change in (
        {"leads": ["pump_sheared"]},
        {"chance": 0.8},
        {"cover": ["airspeed"]},
        {"verify": ["heading"]},
    ):
        with mock.patch.dict(EXPECTED, {"screen": [one | change]}):
            assert told_wrong(command, shown)
    with mock.patch.dict(EXPECTED, {"screen": []}):
        assert told_wrong(command, shown)


def printed(command, shown):
    """What a command prints that is checked in test_cli: the whole, or of a flight as many lines from the same head."""
    out = io.StringIO()
    with redirect_stdout(out):
        assert main([*command.split()[1:], "--width", "80"]) == 0
    text = out.getvalue()
    if command.split()[1] == "scenario":
        first, count = shown.split("\n", 1)[0], shown.count("\n")
        text = "".join(text[text.index(first) :].splitlines(keepends=True)[:count])
    return text


def written_anew(text):
    """A page with every screen as it comes out now. Stops where an answer is not what it must be."""

    def anew(found):
        if not told_here(found[1]):
            return f"```\n$ {found[1]}\n{printed(found[1], found[2])}```"
        if wrong := told_wrong(found[1], found[2]):
            raise SystemExit(wrong)
        return f"```\n$ {found[1]}\n{comes_out(found[1], found[2])}```"

    return TABLE.sub(lambda _: figures() + "\n", BLOCK.sub(anew, text))


if __name__ == "__main__":
    for page, told in pages().items():
        page.write_text(written_anew(told), encoding="utf-8")
