"""Help: topics, commands, every gauge and reading (what counts as "falling"), and the terms of the glossary."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from diagnose.language import entry_forms, find, forms, gauge_forms, nearest, plain, readable
from diagnose.language.names import phrases
from diagnose.language.session import says_anything
from diagnose.model.errors import UnknownName
from diagnose.render.text import fill, table
from diagnose.terminal.commands.answers import explain_gauge
from diagnose.terminal.commands.desk import Command, Desk, command


def help_commands(commands: Callable[[], Mapping[str, Command]]) -> tuple[Command, ...]:
    """The command ``help`` over these commands, which are known only once all are registered."""

    def run(desk: Desk, text: str) -> tuple[Desk, str]:
        return desk, about(desk, text, commands()) if text else _all(desk, commands())

    return (
        command(
            run,
            "help",
            "[WORD]",
            "topics, or a command, a gauge, a reading or a term: help falling",
            "'help airspeed' tells what can be said of a gauge and what counts as what.",
            ("?",),
            tells=True,
        ),
    )


#: topics of the help: what each is about, and its commands
TOPICS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "telling": (
        "say what was flown and what the gauges showed",
        ("moment", "context", "switch", "forget", "panel", "odds", "gauges", "readings"),
    ),
    "answer": (
        "what it was, why, what to look at next, what to fly by",
        ("rank", "why", "next", "fly", "failure", "compare", "alike", "plumbing"),
    ),
    "moments": ("go back to an earlier moment, correct, undo", ("go", "copy", "delete", "maneuver", "show", "undo", "redo")),
    "trying": ("try readings, keep copies side by side", ("what", "keep", "drop", "branch", "compare")),
    "files": ("save, load, reports for yourself and the mechanic", ("save", "load", "new", "restore", "report", "writeup")),
    "screens": ("be asked one question at a time; the full screen", ("guide", "back", "stop", "worksheet", "lines", "quit")),
}  # fmt: skip
START = (
    "Just tell it: 'in the climb the airspeed fell and the altimeter stayed where it was'. "
    "What you leave out counts as not looked at."
)


def _all(desk: Desk, commands: Mapping[str, Command]) -> str:
    """Help that fits a screen: how to begin, and the topics."""
    rows = [(f"  help {topic}", about) for topic, (about, _) in TOPICS.items()]
    rows += [
        ("  help all", "every command"),
        ("  help WORD", "a command, a gauge, a reading (help falling) or a term (help precession)"),
    ]
    then = "Then: rank (the answer), why, next (what to look at), fly (what to fly by). Or: guide, and you are asked."
    return "\n".join((fill(START, desk.width), fill(then, desk.width), "", table(rows, desk.width)))


def _list(desk: Desk, commands: Mapping[str, Command]) -> str:
    rows = [(f"  {command.usage}", command.help) for command in commands.values()]
    said = "airspeed falling; altimeter probably steady; tc disagrees with ai; rest as expected"
    return f"{table(rows, desk.width)}\n\n  Anything else is what the gauges showed:\n    {said}"


def _topic(desk: Desk, topic: str, commands: Mapping[str, Command]) -> str:
    about, names = TOPICS[topic]
    rows = [(f"  {commands[name].usage}", commands[name].help) for name in names if name in commands]
    return f"{about[0].upper()}{about[1:]}:\n{table(rows, desk.width)}"


def _terms(desk: Desk, wanted: str) -> list[str]:
    """What the glossary says of a term."""
    return [
        fill(f"{term.name}: {term.means}.", desk.width)
        for term in desk.kb.terms.values()
        if wanted in (plain(term.name), *map(plain, term.words))
    ]


def command_rows(commands: Mapping[str, Command]) -> list[tuple[str, str]]:
    """Give how each command is written and what it does, for the manual."""
    return [(f"`{c.usage}`", f"{c.help}. {c.more}".strip()) for c in commands.values()]


def about(desk: Desk, text: str, commands: Mapping[str, Command]) -> str:
    """Tell about a topic, a command, a gauge, a reading or a term. Raises UnknownName."""
    if plain(text) == "all":
        return _list(desk, commands)
    if plain(text) in TOPICS:
        return _topic(desk, plain(text), commands)
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
    told += _terms(desk, wanted)
    if told:
        return "\n\n".join(told)
    from diagnose.render import manual

    if wanted in manual.TOPICS:
        return manual.as_text(wanted, command_rows(commands), desk.width)
    known = {name: (plain(t.name), *map(plain, t.words)) for name, t in desk.kb.terms.items()}
    known |= {name: (name, *c.also) for name, c in commands.items()} | gauges
    try:
        return about(desk, find(text, known, "command"), commands)
    except UnknownName:
        raise UnknownName(
            f"{text!r} is not a command, a gauge, a reading or a term", nearest=nearest(wanted, known)
        ) from None


def next_step(desk: Desk) -> str:
    """What to do next, for somebody who types nothing but Enter."""
    case = desk.case
    if not case.snapshot:
        text = "Say what you were flying and what you saw: 'climb, airspeed fell'. Or type 'guide' and you are asked."
    elif not says_anything(case):
        text = "Now say what the gauges showed: 'airspeed falling; altimeter steady'. Or type 'guide' and you are asked."
    else:
        text = "'rank' shows the answer, 'next' what to look at, 'why' the reasons. Or add what else you saw."
    return fill(text, desk.width)


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
    lead = f"{wanted!r} counts in one moment as:"
    return f"{lead}\n{table(rows, desk.width)}" if rows else ""
