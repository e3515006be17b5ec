"""The screens of the README are real: the blocks of the prompt, the guide, the worksheet and of rank.

``python -m tests.test_readme`` writes them anew.
"""

from __future__ import annotations

import re
from io import StringIO
from pathlib import Path

import pytest

import diagnose
from diagnose.commands import Desk, obey
from diagnose.terminal.prompt import run_lines
from diagnose.terminal.sheet import Sheet
from diagnose.terminal.sheet_view import keys_line, view
from diagnose.terminal.worksheet import Worksheet
from diagnose.text import CAUTION, fill
from tests.small import shipped

README = Path(diagnose.__file__).parent.parent / "README.md"
BLOCK = re.compile(r"^```\n\$ (diagnose[^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def comes_out(command, shown):
    """What the command really gives; ``shown`` holds the lines that are typed, each after "> "."""
    desk = Desk(kb=shipped())
    words = command.split()
    if words[1:2] == ["rank"]:
        desk, _ = obey(desk, f"load {words[2]}")
        return obey(desk, "rank")[1] + "\n"
    if words[1:2] == ["worksheet"]:
        desk, _ = obey(desk, f"load {words[2]}")
        worksheet = Worksheet(sheet=Sheet(desk=desk), keep=lambda *_: "")
        worksheet.rank()
        assert worksheet.work.wait()
        worksheet.work.end()
        lines = view(worksheet.sheet, worksheet.shown, 80, 22)
        texts = ["".join(piece.text for piece in line).rstrip() for line in lines]
        return "\n".join([*texts, "gauges>", keys_line(worksheet.sheet, 80).rstrip()]) + "\n"
    typed = re.findall(r"^> (.*)$", shown, re.MULTILINE)
    out = StringIO()
    run_lines(desk, typed, out)
    return out.getvalue().removeprefix(fill(CAUTION, 80) + "\n\n").rstrip("\n") + "\n"


def told_here(command):
    """Whether the block of this command is checked here; the others are in test_cli."""
    return command == "diagnose" or command.split()[1] in ("rank", "worksheet", "guide")


def blocks():
    """The blocks of the README that are checked here; an installed copy has none."""
    found = BLOCK.findall(README.read_text(encoding="utf-8")) if README.exists() else []
    return [(command, shown) for command, shown in found if told_here(command)]


@pytest.mark.skipif(not README.exists(), reason="no checkout")
def test_the_readme_has_a_screen_of_every_way_in():
    commands = [command for command, _ in blocks()]
    for wanted in ("diagnose", "diagnose worksheet static_blocked_climb"):
        assert wanted in commands
    assert any("> guide\n" in shown for _, shown in blocks())


@pytest.mark.parametrize(("command", "shown"), blocks(), ids=[command for command, _ in blocks()])
def test_a_screen_of_the_readme_is_what_comes_out(command, shown):
    assert comes_out(command, shown) == shown


def written_anew(text):
    """The README with every screen as it comes out now."""
    return BLOCK.sub(
        lambda found: (
            f"```\n$ {found[1]}\n{comes_out(found[1], found[2])}```" if told_here(found[1]) else found[0]
        ),
        text,
    )


if __name__ == "__main__":
    README.write_text(written_anew(README.read_text(encoding="utf-8")), encoding="utf-8")
