"""Commands that change where the next line comes from."""

from __future__ import annotations

from dataclasses import replace

from diagnose.model.errors import CaseError
from diagnose.terminal.commands.desk import Command, Desk, command


def _worksheet(desk: Desk, _: str) -> tuple[Desk, str]:
    if not desk.asks:
        raise CaseError(
            "the worksheet needs a terminal", mend="run diagnose in a terminal, not through a pipe"
        )
    if desk.guide and not desk.guide.held:
        # the guide asks on the lines; "back" there goes to its last question
        desk = replace(desk, guide=None, guided=desk.guide if desk.guide.trail else None)
    return replace(desk, face="worksheet"), ""


def _lines(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, face="lines"), ""


FACES: tuple[Command, ...] = (
    command(
        _worksheet,
        "worksheet",
        "",
        "the full screen: gauges by moments, with the ranking beside it",
        "F4 or 'lines' brings back the lines, with the same case.",
        ("sheet",),
    ),
    command(_lines, "lines", "", "from the worksheet back to the lines"),
)
