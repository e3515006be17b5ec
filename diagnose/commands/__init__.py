"""The commands of the prompt: one registry for what they do, their help and their completion.

A command takes the desk (what is on the table) and its argument, and gives a new desk and a text.
Everything that is not a command is read as what the gauges showed. Each module of this package
registers its own commands; their order here is the order of the help.
"""

from __future__ import annotations

import difflib
from dataclasses import replace

from diagnose.commands.answers import ANSWERS
from diagnose.commands.desk import Command, Desk, command
from diagnose.commands.entry import ENTRY, hear
from diagnose.commands.files import FILES
from diagnose.commands.reasons import REASONS
from diagnose.errors import DiagnoseError, ImpossibleEvidence, UnknownName
from diagnose.session import says_anything
from diagnose.text import fill, render_short, table
from diagnose.words import gauge_forms, plain

__all__ = ["COMMANDS", "HINT", "Command", "Desk", "command_of", "hear", "names_a_gauge", "obey"]

HINT = (
    "1. Say what you were flying:          snapshot climb",
    "2. then what the gauges showed:       airspeed falling; altimeter steady; vsi zero",
    "3. and read the answer:               rank        ('help' lists all, Tab completes)",
)


def _help(desk: Desk, text: str) -> tuple[Desk, str]:
    if text:
        command = command_of(text)
        if command is None:
            near = difflib.get_close_matches(text.lower(), COMMANDS, n=3) or list(COMMANDS)
            raise UnknownName(f"there is no command {text!r}", nearest=tuple(near))
        also = f" Also: {', '.join(command.also)}." if command.also else ""
        return desk, f"  {command.usage}\n" + fill(f"{command.help}. {command.more}{also}", desk.width, "  ")
    rows = [(f"  {command.usage}", command.help) for command in COMMANDS.values()]
    said = "airspeed falling; altimeter probably steady; tc disagrees with ai; rest as expected"
    return desk, f"{table(rows, desk.width)}\n\n  Anything else is what the gauges showed:\n    {said}"


def _quit(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, done=True), ""


_LEAVING: tuple[Command, ...] = (
    command(_help, "help", "[COMMAND]", "this list, or more about a command", also=("?",)),
    command(_quit, "quit", "", "leave; an unsaved case comes back next time", also=("exit", "bye")),
)

COMMANDS: dict[str, Command] = {c.name: c for c in (*ENTRY, *ANSWERS, *REASONS, *FILES, *_LEAVING)}
#: after these the ranking is shown again if they changed the case; the first cannot be refused because
#: the readings contradict each other, for they are the way out of that
WAYS_OUT = frozenset({"forget", "undo", "redo", "load"})
RANKED_AGAIN = WAYS_OUT | {"panel", "odds", "context", "switch"}


def command_of(word: str) -> Command | None:
    """Give the command of a word, or None."""
    word = word.lower()
    return COMMANDS.get(word) or next((c for c in COMMANDS.values() if word in c.also), None)


def obey(desk: Desk, line: str) -> tuple[Desk, str]:
    """Carry out one line: a command, or what the gauges showed. Raises DiagnoseError."""
    text = line.strip()
    if not text or text.startswith("#"):
        return desk, ""
    word, _, rest = text.partition(" ")
    command = command_of(word)
    if command is None or names_a_gauge(desk, text):
        try:
            return hear(desk, text)
        except DiagnoseError as error:
            raise _near_command(desk, word, rest) or error from None
    after, said = command.run(desk, rest.strip())
    if command.name not in RANKED_AGAIN or after.case == desk.case:
        return after, said
    if not says_anything(after.case):
        return replace(after, answered=None), said
    try:
        answer = after.answer()
    except ImpossibleEvidence as error:
        if command.name not in WAYS_OUT:
            raise
        return replace(after, answered=None), f"{said}\n{fill(str(error), desk.width)}"
    return replace(after, answered=answer), f"{said}\n{render_short(answer, after.kb, after.width)}"


def names_a_gauge(desk: Desk, text: str) -> bool:
    """Whether the line begins with a gauge whose name begins like a command ("panel lights")."""
    ways = gauge_forms(desk.kb, desk.kb.panel(desk.case.panel)).values()
    return any(plain(text).startswith(f"{way} ") for all_ways in ways for way in all_ways)


def _near_command(desk: Desk, word: str, rest: str) -> UnknownName | None:
    """The error for a mistyped command, if the line looks like one."""
    near = difflib.get_close_matches(word.lower(), COMMANDS, n=1, cutoff=0.75)
    if not near or names_a_gauge(desk, f"{word} {rest}"):
        return None
    return UnknownName(f"there is no command {word!r}", mend=f"use: {near[0]} {rest}".strip())
