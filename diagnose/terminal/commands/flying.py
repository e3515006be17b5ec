"""Commands about what to do: what to look at next, and what to fly on."""

from __future__ import annotations

import re
from dataclasses import replace

from diagnose.language import plain
from diagnose.model.errors import CaseError
from diagnose.render.advice import all_look_lines, next_look_lines, recovery_lines, render_flying
from diagnose.render.text import fill
from diagnose.terminal.commands.desk import Command, Desk, command

#: unit as it is said -> what it sets; the latitude is counted north or south
UNITS = {
    "kt": "true_airspeed_kt",
    "kts": "true_airspeed_kt",
    "knots": "true_airspeed_kt",
    "n": "latitude_deg",
    "north": "latitude_deg",
    "s": "latitude_deg",
    "south": "latitude_deg",
    "bank": "bank_deg",
}
USAGE = "say numbers with their units, for example: fly 95 kt 51 n 15 bank"


def _next(desk: Desk, text: str) -> tuple[Desk, str]:
    whole = plain(text) in ("all", "full", "figures")
    answer = desk.answer("all" if whole else "here")
    if answer.upset:
        lines = recovery_lines(answer, desk.width)
    elif whole:
        lines = all_look_lines(answer, desk.kb, desk.width)
    else:
        more = fill("More: next all (every look, with figures).", desk.width)
        lines = [*next_look_lines(answer, desk.kb, desk.width), more]
    return replace(desk, answered=answer), "\n".join(lines).rstrip()


def _fly(desk: Desk, text: str) -> tuple[Desk, str]:
    numbers = _numbers(text)
    if numbers:
        desk = desk.change(**numbers)
    answer = desk.answer()
    return replace(desk, answered=answer), render_flying(answer, desk.kb, desk.width)


def _numbers(text: str) -> dict[str, float]:
    """Read speed, latitude and bank. Raises CaseError for what is none of these."""
    found: dict[str, float] = {}
    words = text.lower().replace(",", " ")
    for number, unit in re.findall(r"(\S*?\d\S*?)\s*([a-z]+)\b", words):
        try:
            value = float(number)
        except ValueError:
            raise CaseError(f"{number!r} is no number", mend=USAGE) from None
        if unit not in UNITS:
            raise CaseError(f"{unit!r} is no unit that serves here", mend=USAGE)
        found[UNITS[unit]] = -value if unit in ("s", "south") else value
    if re.sub(r"\S*?\d\S*?\s*[a-z]+\b", "", words).strip():
        raise CaseError(f"{text!r} is not understood", mend=USAGE)
    return found


ADVICE: tuple[Command, ...] = (
    command(
        _next,
        "next",
        "[all]",
        "what to look at next, and what it would tell",
        "'next all' lists every look with its figures. bits: expected information about what has failed; worth weighs it against time, workload and hazard.",
        ("looks",),
        tells=True,
    ),
    command(
        _fly,
        "fly",
        "[KT] [LATITUDE] [BANK]",
        "partial panel: what to fly on, the numbers that apply, what to decide",
        "fly 95 kt 51 n",
        ("partial",),
        tells=True,
    ),
)
