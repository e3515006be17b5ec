"""Help: about the commands, and about every gauge and reading (what counts as "falling")."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from diagnose.commands.answers import explain_gauge
from diagnose.commands.desk import Command, Desk, command
from diagnose.errors import UnknownName
from diagnose.text import fill, table
from diagnose.words import entry_forms, find, forms, gauge_forms, nearest, plain, readable
from diagnose.words.names import phrases


def help_commands(commands: Callable[[], Mapping[str, Command]]) -> tuple[Command, ...]:
    """The command ``help`` over these commands, which are known only once all are registered."""

    def run(desk: Desk, text: str) -> tuple[Desk, str]:
        return desk, _about(desk, text, commands()) if text else _all(desk, commands())

    return (
        command(
            run,
            "help",
            "[WORD]",
            "this list, or more about a command, a gauge or a reading: help falling",
            "'help airspeed' tells what can be said of a gauge and what counts as what.",
            ("?",),
            tells=True,
        ),
    )


def _all(desk: Desk, commands: Mapping[str, Command]) -> str:
    rows = [(f"  {command.usage}", command.help) for command in commands.values()]
    said = "airspeed falling; altimeter probably steady; tc disagrees with ai; rest as expected"
    return f"{table(rows, desk.width)}\n\n  Anything else is what the gauges showed:\n    {said}"


def _about(desk: Desk, text: str, commands: Mapping[str, Command]) -> str:
    found = commands.get(text.lower()) or next((c for c in commands.values() if text.lower() in c.also), None)
    told = [_command(desk, found)] if found else []
    gauges = gauge_forms(desk.kb, desk.kb.panel(desk.case.panel))
    wanted = plain(text)
    gauge = next((gauge for gauge, ways in gauges.items() if wanted in ways), None)
    told += [explain_gauge(desk, gauge)] if gauge else []
    told += [reading] if (reading := _reading(desk, wanted)) else []
    manoeuvres = entry_forms(desk.kb.manoeuvres)
    told += [
        fill(f"{readable(entry)}: {desk.kb.manoeuvres[entry].name} (a maneuver).", desk.width)
        for entry, ways in manoeuvres.items()
        if wanted in ways
    ]
    if told:
        return "\n\n".join(told)
    known = {name: (name, *c.also) for name, c in commands.items()} | gauges
    try:
        return _about(desk, find(text, known, "command"), commands)
    except UnknownName:
        raise UnknownName(
            f"there is no command, gauge or reading {text!r}", nearest=nearest(wanted, known)
        ) from None


def _command(desk: Desk, chosen: Command) -> str:
    also = f" Also: {', '.join(chosen.also)}." if chosen.also else ""
    return f"  {chosen.usage}\n" + fill(f"{chosen.help}. {chosen.more}{also}", desk.width, "  ")


def _reading(desk: Desk, wanted: str) -> str:
    """What a word counts as on every gauge of the panel that has it; "" if none has."""
    kb, rows = desk.kb, []
    same = phrases().same.get(tuple(wanted.split()), ())
    for gauge in desk.kb.panel(desk.case.panel).gauges:
        for facet in kb.gauges[gauge].facets:
            for reading in facet.readings:
                if {wanted, *same} & set(forms(reading.id, reading.id, reading.words)):
                    other = f"{readable(reading.id)}: " if plain(reading.id) != wanted else ""
                    rows.append((f"  {kb.gauges[gauge].words[0]}", f"{other}{reading.means}"))
    lead = f"{wanted!r} counts in one snapshot as:"
    return f"{lead}\n{table(rows, desk.width)}" if rows else ""
