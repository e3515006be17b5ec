"""The commands of the prompt: one registry for what they do, their help and their completion.

A command takes the desk (what is on the table) and its argument, and gives a new desk and a text.
Everything that is not a command is read as what the gauges showed.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import msgspec

from diagnose import answer_case
from diagnose.answer import Answer
from diagnose.errors import CaseError, DiagnoseError, ImpossibleEvidence, UnknownName
from diagnose.inference import Engine
from diagnose.knowledge import KnowledgeBase
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.network import compile_network
from diagnose.session import (
    Session,
    case_path,
    case_paths,
    case_problems,
    load_case,
    save_case,
    says_anything,
)
from diagnose.text import describe, fill, percent, render, render_short, table
from diagnose.words import (
    Statement,
    entry_forms,
    find,
    gauge_forms,
    parse_line,
    plain,
    readable,
    say_back,
)

HINT = (
    "1. Say what you were flying:          snapshot climb",
    "2. then what the gauges showed:       airspeed falling; altimeter steady; vsi zero",
    "3. and read the answer:               rank        ('help' lists all, Tab completes)",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What is on the table: knowledge, the session, the last answer, and the engines built so far."""

    kb: KnowledgeBase
    session: Session = field(default_factory=Session)
    width: int = 80
    answered: Answer | None = None
    engines: dict[str, Engine] = field(default_factory=dict)
    done: bool = False

    @property
    def case(self) -> CaseRecord:
        """The case under construction."""
        return self.session.case

    @property
    def engine(self) -> Engine:
        """The engine of the case's panel, built once."""
        if self.case.panel not in self.engines:
            self.engines[self.case.panel] = Engine(compile_network(self.kb, self.case.panel))
        return self.engines[self.case.panel]

    def answer(self) -> Answer:
        """The answer for the case as it stands."""
        return answer_case(self.kb, self.case, self.engine)

    def change(self, **fields: object) -> Desk:
        """Change fields of the case. Raises CaseError if what was read no longer fits."""
        session = self.session.change(**fields)
        problems = case_problems(session.case, self.kb)
        if problems:
            raise CaseError("; ".join(problems), mend="take that back first (commands: forget, undo)")
        return replace(self, session=session)


Run = Callable[[Desk, str], tuple[Desk, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One command: its name, other words for it, how to write it, what it does, and an example."""

    name: str
    also: tuple[str, ...] = ()
    usage: str
    help: str
    more: str
    run: Run


def _marked(desk: Desk, entries: Iterable[tuple[str, str]], chosen: Sequence[str]) -> str:
    rows = ((f"  {'*' if entry in chosen else ' '} {readable(entry)}", text) for entry, text in entries)
    return table(rows, desk.width)


def _panel(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        panels = ((entry, panel.name) for entry, panel in desk.kb.panels.items())
        return desk, _marked(desk, panels, (desk.case.panel,))
    chosen = find(text, entry_forms(desk.kb.panels), "panel")
    panel = desk.kb.panel(chosen)
    for number, snapshot in enumerate(desk.case.snapshot, 1):
        read = {facet.split(".")[0] for facet in (*snapshot.readings, *snapshot.unsure)}
        read |= {gauge for pair in snapshot.disagree for gauge in pair}
        gone = [desk.kb.gauges[gauge].name for gauge in read.difference(panel.gauges)]
        gone += [
            desk.kb.switches[switch].name for switch in set(snapshot.switches).difference(panel.switches)
        ]
        if gone:
            raise CaseError(
                f"the panel {readable(chosen)} has no {', '.join(sorted(gone))}, spoken of in snapshot {number}",
                mend="take that back first (commands: forget, undo), or start a new case",
            )
    return desk.change(panel=chosen), f"Panel: {panel.name}."


def _odds(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        settings = ((entry, setting.note) for entry, setting in desk.kb.settings.items())
        return desk, _marked(desk, settings, (desk.case.setting,))
    chosen = find(text, entry_forms(desk.kb.settings), "setting")
    return desk.change(setting=chosen), f"Odds: {desk.kb.settings[chosen].name}."


def _context(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        flags = ((entry, flag.name) for entry, flag in desk.kb.context.items())
        return desk, _marked(desk, flags, desk.case.context)
    context, known = list(desk.case.context), entry_forms(desk.kb.context)
    for piece in re.split("[;,]", text):
        word, _, rest = plain(piece).partition(" ")
        if plain(piece) in ("none", "clear"):
            context.clear()
        elif word in ("not", "no", "without") and plain(piece) not in sum(known.values(), ()):
            context = [flag for flag in context if flag != find(rest, known, "context")]
        elif word:
            context.append(find(piece, known, "context"))
    kept = tuple(dict.fromkeys(context))
    stated = ", ".join(desk.kb.context[flag].name for flag in kept) or "none stated"
    return desk.change(context=kept), fill(f"Conditions: {stated}.", desk.width)


#: "for 2 minutes", "after 1.5 h": word -> minutes
_MINUTES = re.compile(
    r"\b(for|after)\s+(-?\d+(?:\.\d+)?)\s*(s|secs?|seconds?|h|hrs?|hours?|m|mins?|minutes?)?\b"
)
_UNITS = {"s": 1.0 / 60.0, "h": 60.0, "m": 1.0, "": 1.0}


def _snapshot(desk: Desk, text: str) -> tuple[Desk, str]:
    head, _, shown = text.partition(";")
    times = {word: float(n) * _UNITS[unit[:1]] for word, n, unit in _MINUTES.findall(head.lower())}
    words = _MINUTES.sub("", head.lower())
    if not plain(words):
        listed = ", ".join(readable(entry) for entry in desk.kb.manoeuvres)
        return desk, fill(f"Which manoeuvre? {listed}", desk.width)
    manoeuvre = find(words, entry_forms(desk.kb.manoeuvres), "manoeuvre")
    fresh = SnapshotRecord(
        manoeuvre=manoeuvre,
        minutes=times.get("for", 1.0),
        minutes_before=times.get("after", 0.0),
        switches=desk.case.snapshot[-1].switches if desk.case.snapshot else {},
    )
    if not (fresh.minutes > 0.0 and fresh.minutes_before >= 0.0):
        raise CaseError(
            "a snapshot lasts longer than nothing, and comes after the one before it",
            mend="for example: snapshot climb for 2 after 10",
        )
    desk = desk.change(snapshot=(*desk.case.snapshot, fresh))
    said = f"Snapshot {len(desk.case.snapshot)}: {desk.kb.manoeuvres[manoeuvre].name}."
    if not plain(shown):
        return desk, said
    desk, heard = hear(desk, shown)
    return desk, f"{said}\n{heard}"


def _switch(desk: Desk, text: str) -> tuple[Desk, str]:
    snapshot, panel = desk.session.snapshot, desk.kb.panel(desk.case.panel)
    if not text:
        places = desk.engine.network.switch_positions(snapshot.switches)
        rows = ((f"  {desk.kb.switches[switch].name}", place) for switch, place in places.items())
        return desk, table(rows, desk.width) or "  This panel has no switches."
    known = entry_forms({switch: desk.kb.switches[switch] for switch in panel.switches})
    *words, position = plain(text).split() or [""]
    name = find(" ".join(words or [position]), known, "switch")
    if position not in desk.kb.switches[name].positions:
        wanted = " or ".join(desk.kb.switches[name].positions)
        raise CaseError(f"{desk.kb.switches[name].name} has no position {position!r}", mend=f"use {wanted}")
    switched = msgspec.structs.replace(snapshot, switches={**snapshot.switches, name: position})
    said = f"{desk.kb.switches[name].name}: {position} in snapshot {len(desk.case.snapshot)}."
    return replace(desk, session=desk.session.with_snapshot(switched)), fill(
        said + _counts_after(snapshot), desk.width
    )


def _counts_after(snapshot: SnapshotRecord) -> str:
    """Said when a switch moves in a snapshot that has readings already."""
    if not (snapshot.readings or snapshot.unsure or snapshot.disagree):
        return ""
    return " Its readings count as taken after the switch: for before and after use two snapshots."


def _forget(desk: Desk, text: str) -> tuple[Desk, str]:
    snapshot = desk.session.snapshot
    if not text:
        raise CaseError("forget which gauge?", mend="for example: forget airspeed")
    gauge = find(text, gauge_forms(desk.kb, desk.kb.panel(desk.case.panel)), "gauge")
    fewer = msgspec.structs.replace(
        snapshot,
        readings={f: r for f, r in snapshot.readings.items() if f.split(".")[0] != gauge},
        unsure={f: r for f, r in snapshot.unsure.items() if f.split(".")[0] != gauge},
        disagree=tuple(pair for pair in snapshot.disagree if gauge not in pair),
    )
    name = desk.kb.gauges[gauge].name
    if fewer == snapshot:
        raise CaseError(f"nothing was said of the {name} in snapshot {len(desk.case.snapshot)}")
    return replace(desk, session=desk.session.with_snapshot(fewer)), f"Forgotten: {name}."


def _undo(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, session=desk.session.undo()), "Taken back."


def _redo(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, session=desk.session.redo()), "Done again."


def _show(desk: Desk, _: str) -> tuple[Desk, str]:
    return desk, describe(desk.case, desk.kb, desk.width)


def _rank(desk: Desk, _: str) -> tuple[Desk, str]:
    answer = desk.answer()
    return replace(desk, answered=answer), render(answer, desk.case, desk.kb, desk.width)


def _gauges(desk: Desk, _: str) -> tuple[Desk, str]:
    groups: dict[str, list[str]] = {}
    for gauge in desk.kb.panel(desk.case.panel).gauges:
        groups.setdefault(desk.kb.gauges[gauge].group, []).append(desk.kb.gauges[gauge].words[0])
    return desk, table(((f"  {group}", ", ".join(gauges)) for group, gauges in groups.items()), desk.width)


def _readings(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        raise CaseError("readings of which gauge?", mend="for example: readings airspeed")
    chosen = find(text, gauge_forms(desk.kb, desk.kb.panel(desk.case.panel)), "gauge")
    lines = [desk.kb.gauges[chosen].name]
    for facet in desk.kb.gauges[chosen].facets:
        note = f" ({facet.note})" if facet.note else ""
        lines.append(fill(f"{readable(facet.id)}: {facet.name}{note}", desk.width, "  ", "    "))
        lines.append(table(((f"    {readable(r.id)}", r.means) for r in facet.readings), desk.width))
    return desk, "\n".join(lines)


def _failure(desk: Desk, text: str) -> tuple[Desk, str]:
    kb, parts = desk.kb, desk.kb.panel(desk.case.panel).parts
    if not text:
        systems: dict[str, list[str]] = {}
        for failure in kb.failures.values():
            if set(failure.acts) <= set(parts):
                systems.setdefault(failure.system.value, []).append(readable(failure.id))
        return desk, table(((f"  {system}", ", ".join(ids)) for system, ids in systems.items()), desk.width)
    failure = kb.failures[find(text, entry_forms(kb.failures), "failure")]
    rows = [("  how it shows", failure.mechanism)]
    if not set(failure.acts) <= set(parts):
        rows.append(("  here", "this panel does not have the part"))
    elif desk.case.snapshot:
        answer = desk.answer()
        before, now = percent(answer.priors[failure.id]), percent(answer.failures[failure.id])
        rows.append(("  chance", f"{before} before the readings, {now} with them"))
    if failure.inspect:
        rows.append(("  to inspect", f"by a licensed technician: {'; '.join(failure.inspect)}"))
    document = kb.documents.get(failure.source)
    source = document.title if document else failure.source
    rows.append(("  source", source + (f" ({failure.note})" if failure.note else "")))
    return desk, f"{fill(failure.name, desk.width)}\n{table(rows, desk.width)}"


def _save(desk: Desk, text: str) -> tuple[Desk, str]:
    name = text.strip().strip("\"'")
    over = name.endswith(" over")
    name = name.removesuffix(" over").strip()
    if not name and desk.session.path is None:
        raise CaseError("save under which file name?", mend="for example: save tuesday")
    path = _path(name) if name else desk.session.path or Path()
    if not path.name:
        raise CaseError(f"{name!r} is no file name", mend="for example: save tuesday")
    path = path if path.suffix else path.with_suffix(".toml")
    if path.exists() and path != desk.session.path and not over:
        raise CaseError(f"there is a file {path} already", mend=f"another name, or: save {name} over")
    case = desk.case
    if case.title == "untitled":
        case = msgspec.structs.replace(case, title=readable(path.stem))
    save_case(case, path)
    return replace(desk, session=desk.session.filed(case, path)), f"Saved: {path}"


def _path(text: str) -> Path:
    try:
        return Path(text).expanduser()
    except RuntimeError as error:  # a "~" whose home folder is not known
        raise CaseError(f"{text!r} is no file name: {error}") from None


def _load(desk: Desk, text: str) -> tuple[Desk, str]:
    name = text.strip().strip("\"'")
    if not name:
        return desk, fill(f"Which case? A file, or one of: {', '.join(case_paths())}", desk.width)
    name = str(_path(name))
    if not Path(name).suffix and "\0" not in name and Path(f"{name}.toml").is_file():
        name = f"{name}.toml"
    case = load_case(name, desk.kb)
    path = case_path(name)
    own = None if path in case_paths().values() else path
    return replace(desk, session=desk.session.filed(case, own)), f"Loaded: {case.title}."


def _new(desk: Desk, _: str) -> tuple[Desk, str]:
    fresh = msgspec.structs.replace(Session().case, panel=desk.case.panel)
    told = "A new case on the same panel ('undo' brings the old one back)."
    return replace(desk, answered=None, session=desk.session.to(fresh, None)), told


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


def _command(
    run: Run, name: str, arguments: str, text: str, more: str = "", also: tuple[str, ...] = ()
) -> Command:
    usage = f"{name} {arguments}".strip()
    return Command(name=name, also=also, usage=usage, help=text, more=more, run=run)


COMMANDS: dict[str, Command] = {
    command.name: command
    for command in (
        _command(
            _snapshot,
            "snapshot",
            "MANOEUVRE [for N] [after N]",
            "start a snapshot: what was flown, for how many minutes, how long after the last",
            "Switches stay as they were. The readings may follow after a semicolon: "
            "snapshot climb for 2 after 10; airspeed falling. 'snapshot' alone lists the manoeuvres.",
        ),
        _command(
            _panel,
            "panel",
            "[NAME]",
            "choose the aircraft's panel, or list the panels",
            "For example: panel dual pump. It decides which gauges can be read and which parts can fail.",
        ),
        _command(
            _odds,
            "odds",
            "[routine|anomaly|exercise]",
            "say why you are here; it changes the odds before any reading",
            "'odds' alone says what each means.",
            ("setting",),
        ),
        _command(
            _context,
            "context",
            "[WORDS; WORDS]",
            "add conditions of the day: icing, washed, parked uncovered",
            "'context not icing' takes one out, 'context none' all; 'context' alone lists them.",
        ),
        _command(
            _switch,
            "switch",
            "NAME on|off",
            "a switch position in this snapshot: alternate static, pitot heat",
            "A switch counts from the start of the snapshot: what changed after it was moved belongs into a "
            "new snapshot.",
        ),
        _command(_forget, "forget", "GAUGE", "take what was said of a gauge out of this snapshot"),
        _command(
            _rank,
            "rank",
            "",
            "the whole answer: ranking, instruments to trust, what to fly on",
            "'before' is the chance before any reading, 'readings' how far they moved its odds.",
        ),
        _command(
            _failure,
            "failure",
            "[NAME]",
            "what a failure is, how it shows, what to inspect",
            "'failure' alone lists those that this panel can have.",
            ("about",),
        ),
        _command(_gauges, "gauges", "", "the gauges of this panel"),
        _command(_readings, "readings", "GAUGE", "what can be said of a gauge, and what counts as what"),
        _command(_show, "show", "", "the case so far"),
        _command(_undo, "undo", "", "take the last change back"),
        _command(_redo, "redo", "", "do again what was taken back"),
        _command(
            _save,
            "save",
            "[FILE]",
            "save the case; without a name into the file it came from",
            "A file that is there already is not written over, except by 'save FILE over'.",
        ),
        _command(_load, "load", "FILE|NAME", "load a case file, or a shipped case by its name"),
        _command(_new, "new", "", "start a new case"),
        _command(_help, "help", "[COMMAND]", "this list, or more about a command", also=("?",)),
        _command(_quit, "quit", "", "leave; an unsaved case comes back next time", also=("exit", "bye")),
    )
}
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


def hear(desk: Desk, text: str) -> tuple[Desk, str]:
    """Take in what the gauges showed. Raises DiagnoseError, and then nothing has changed."""
    statements: tuple[Statement, ...] = parse_line(text, desk.kb, desk.kb.panel(desk.case.panel))
    if not statements:
        raise CaseError(f"{text.strip()!r} says nothing", mend="for example: airspeed falling")
    before = desk.session.snapshot
    session = desk.session.say(statements, desk.engine.network)
    after = replace(desk, session=session)
    answer = after.answer()
    moved = _counts_after(before) if session.snapshot.switches != before.switches else ""
    said = fill(f"Heard: {say_back(statements, desk.kb)}.{moved}", desk.width)
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
