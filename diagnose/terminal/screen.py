"""What the prompt offers while a line is typed, and its line at the foot: pure functions of the desk."""

from __future__ import annotations

import re
from collections.abc import Mapping

from diagnose.language import beginning, complete_words, entry_forms, readable
from diagnose.language.case_files import case_paths
from diagnose.language.completion import Candidate, Options
from diagnose.language.names import Named
from diagnose.language.session import says_anything
from diagnose.render.layout import chance_words
from diagnose.render.text import NO_FAILURE, causes
from diagnose.terminal.commands import COMMANDS, Desk, command_of, names_a_gauge
from diagnose.terminal.commands.files import told_left
from diagnose.terminal.commands.guide import asked
from diagnose.terminal.console import LONGEST_LINE


def complete(text: str, desk: Desk) -> list[Candidate]:
    """Candidates for the text before the cursor: (candidate, what it means, how much it replaces)."""
    if len(text) > LONGEST_LINE:
        return []
    kb, panel = desk.kb, desk.kb.panel(desk.case.panel)
    typed = text.lstrip()
    if desk.guide and " " not in typed:
        options: Options = {readable(entry): (means, ()) for entry, means in asked(desk).options.items()}
        own: Options = {"don't know": ("", ()), "back": ("the question before", ()), "stop": ("", ())}
        return beginning({**options, **own}, typed)
    word, space, rest = typed.partition(" ")
    command = command_of(word) if space and not names_a_gauge(desk, typed) else None
    if command is None:
        whole: Options = {name: (c.help, c.also) for name, c in COMMANDS.items()}
        words = complete_words(typed, kb, panel)
        if not desk.case.snapshot:
            words = beginning(_options(kb.manoeuvres), typed) + words
        return words + (beginning(whole, typed) if not re.search("[;, ]", typed) else [])
    if (command.name == "moment" and ";" in rest) or command.name == "what":
        return complete_words(re.sub(r"^if\b", "", rest), kb, panel)
    if command.name in ("context", "compare"):
        rest = re.split("[;,]", rest)[-1].lstrip()
    gauges: Options = {kb.gauges[g].words[0]: (kb.gauges[g].name, kb.gauges[g].words) for g in panel.gauges}
    switches: Options = {
        f"{readable(switch)} {position}": (kb.switches[switch].name, ())
        for switch in panel.switches
        for position in kb.switches[switch].positions
    }
    can_fail = {v.id: v for v in kb.failures_of(panel.parts)}
    numbers: Options = {
        str(number): (kb.manoeuvres[snapshot.manoeuvre].name, ())
        for number, snapshot in enumerate(desk.case.snapshot, 1)
    }
    tables: dict[str, Options] = {
        "moment": _options(kb.manoeuvres),
        "panel": _options(kb.panels),
        "odds": _options(kb.settings),
        "context": _options(kb.context),
        "switch": switches,
        "forget": gauges,
        "readings": gauges,
        "failure": _options(can_fail),
        "why": _options(can_fail),
        "alike": _options(kb.manoeuvres),
        "load": dict.fromkeys(case_paths() if command.name == "load" else (), ("", ())),
        "help": {**{name: (c.help, ()) for name, c in COMMANDS.items()}, **gauges},
        "maneuver": _options(kb.manoeuvres),
        "go": numbers,
        "copy": numbers,
        "delete": numbers,
        "compare": {
            **{name: ("saved copy", ()) for name, _ in desk.session.now.branches},
            **_options(can_fail),
        },
        "restore": {str(n): (told_left(left, desk.kb), ()) for n, left in enumerate(desk.left, 1)},
    }
    return beginning(tables.get(command.name, {}), rest)


def _options(entries: Mapping[str, Named]) -> Options:
    ways = entry_forms(entries)
    return {readable(entry): (value.name, ways[entry]) for entry, value in entries.items()}


def summary(desk: Desk) -> str:
    """Panel, snapshot, odds and the leading answer in one line."""
    case = desk.case
    place = "nothing said yet"
    if case.snapshot:
        at, count = desk.session.now.at, len(case.snapshot)
        which = f"moment {at + 1}" + (f" of {count}" if at + 1 < count else "")
        place = f"{which}: {readable(case.snapshot[at].manoeuvre)}"
    parts = [readable(case.panel), place, desk.kb.settings[case.setting].name]
    if desk.session.now.base:
        parts.insert(0, "WHAT IF")
    if desk.answered is not None and says_anything(case):
        leading = causes(desk.answered, desk.kb)[0]
        parts.append(f"{leading.name or NO_FAILURE}, {chance_words(leading.chance, desk.kb)}")
    line = " | ".join(parts)
    room = max(desk.width - 2, 20)
    return f" {line if len(line) <= room else line[: room - 1] + '…'} "
