"""The commands of the prompt: one registry for what they do, their help and their completion.

A command takes the desk (what is on the table) and its argument, and gives a new desk and a text.
Everything that is not a command is read as what the gauges showed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import msgspec

from diagnose import answer_case
from diagnose.answer import Answer
from diagnose.errors import CaseError, UnknownName
from diagnose.inference import Engine
from diagnose.knowledge import KnowledgeBase
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.network import compile_network
from diagnose.session import Session, case_paths, dump_case, load_case, save_case
from diagnose.text import names, percent, render, render_short
from diagnose.words import find, forms, gauge_forms, parse_line, plain, reading_forms

HINT = (
    "Say what you were flying, then what the gauges showed:  snapshot climb",
    "then:  airspeed falling; altimeter steady; vsi zero     (Tab completes, 'rest as expected' fills in)",
    "'help' lists the commands, 'rank' shows the whole answer, 'undo' takes back.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    """What is on the table: knowledge, the session, and the engines built so far."""

    kb: KnowledgeBase
    session: Session = field(default_factory=Session)
    width: int = 80
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
        """Change fields of the case."""
        return replace(self, session=self.session.change(**fields))


Run = Callable[[Desk, str], tuple[Desk, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """One command: its name, other words for it, how to write it, what it does."""

    name: str
    also: tuple[str, ...] = ()
    usage: str
    help: str
    run: Run


def _entry_forms(table: Mapping[str, Any]) -> dict[str, tuple[str, ...]]:
    return {entry_id: forms(entry_id, entry.name, entry.words) for entry_id, entry in table.items()}


def _panel(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        return desk, "\n".join(
            f"  {'*' if p == desk.case.panel else ' '} {p:<27} {panel.name}"
            for p, panel in desk.kb.panels.items()
        )
    chosen = find(text, _entry_forms(desk.kb.panels), "panel")
    panel = desk.kb.panel(chosen)
    for snapshot in desk.case.snapshot:
        gone = [f for f in (*snapshot.readings, *snapshot.unsure) if f.split(".")[0] not in panel.gauges]
        if gone:
            raise CaseError(
                f"the panel {chosen} does not have what was read: {', '.join(gone)}",
                mend="take those readings back first (command: forget)",
            )
    return desk.change(panel=chosen), f"panel: {panel.name}"


def _odds(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        return desk, "\n".join(
            f"  {'*' if s == desk.case.setting else ' '} {s:<10} {setting.note}"
            for s, setting in desk.kb.settings.items()
        )
    chosen = find(text, _entry_forms(desk.kb.settings), "setting")
    return desk.change(setting=chosen), f"odds: {desk.kb.settings[chosen].name}"


def _context(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        return desk, "\n".join(
            f"  {'*' if c in desk.case.context else ' '} {c:<22} {flag.name}"
            for c, flag in desk.kb.context.items()
        )
    if plain(text) in ("none", "clear"):
        return desk.change(context=()), "context: none"
    known = _entry_forms(desk.kb.context)
    chosen = [find(piece, known, "context") for piece in re.split("[;,]", text) if piece.strip()]
    context = tuple(dict.fromkeys([*desk.case.context, *chosen]))
    return desk.change(context=context), f"context: {', '.join(desk.kb.context[c].name for c in context)}"


_MINUTES = re.compile(r"\b(for|after)\s+(\d+(?:\.\d+)?)\s*(?:min(?:utes?)?)?\b")


def _snapshot(desk: Desk, text: str) -> tuple[Desk, str]:
    times = {word: float(number) for word, number in _MINUTES.findall(plain(text))}
    words = _MINUTES.sub("", plain(text)).strip()
    if not words:
        return desk, "which manoeuvre? " + ", ".join(desk.kb.manoeuvres)
    manoeuvre = find(words, _entry_forms(desk.kb.manoeuvres), "manoeuvre")
    switches = desk.case.snapshot[-1].switches if desk.case.snapshot else {}
    fresh = SnapshotRecord(
        manoeuvre=manoeuvre,
        minutes=times.get("for", 1.0),
        minutes_before=times.get("after", 0.0),
        switches=switches,
    )
    desk = desk.change(snapshot=(*desk.case.snapshot, fresh))
    return desk, f"snapshot {len(desk.case.snapshot)}: {desk.kb.manoeuvres[manoeuvre].name}"


def _switch(desk: Desk, text: str) -> tuple[Desk, str]:
    snapshot = desk.session.snapshot
    panel = desk.kb.panel(desk.case.panel)
    known = {s: forms(s, desk.kb.switches[s].name, desk.kb.switches[s].words) for s in panel.switches}
    *words, position = plain(text).split() or [""]
    if not words:
        places = desk.engine.network.switch_positions(snapshot.switches)
        return desk, "\n".join(f"  {s:<18} {p}" for s, p in places.items()) or "  this panel has no switches"
    name = find(" ".join(words), known, "switch")
    if position not in desk.kb.switches[name].positions:
        raise CaseError(
            f"{name} has no position {position!r}",
            mend=f"use {' or '.join(desk.kb.switches[name].positions)}",
        )
    switched = msgspec.structs.replace(snapshot, switches={**snapshot.switches, name: position})
    text = f"{desk.kb.switches[name].name}: {position} in snapshot {len(desk.case.snapshot)}"
    if snapshot.readings or snapshot.unsure:
        text += "\n(its readings count as taken after the switch; for before and after use two snapshots)"
    return replace(desk, session=desk.session.with_snapshot(switched)), text


def _forget(desk: Desk, text: str) -> tuple[Desk, str]:
    snapshot = desk.session.snapshot
    gauge = find(text, gauge_forms(desk.kb, desk.kb.panel(desk.case.panel)), "gauge")
    fewer = msgspec.structs.replace(
        snapshot,
        readings={f: r for f, r in snapshot.readings.items() if f.split(".")[0] != gauge},
        unsure={f: r for f, r in snapshot.unsure.items() if f.split(".")[0] != gauge},
        disagree=tuple(pair for pair in snapshot.disagree if gauge not in pair),
    )
    return replace(
        desk, session=desk.session.with_snapshot(fewer)
    ), f"forgotten: {desk.kb.gauges[gauge].name}"


def _undo(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, session=desk.session.undo()), "taken back"


def _redo(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, session=desk.session.redo()), "done again"


def _show(desk: Desk, _: str) -> tuple[Desk, str]:
    return desk, dump_case(desk.case).rstrip()


def _rank(desk: Desk, _: str) -> tuple[Desk, str]:
    return desk, render(desk.answer(), desk.case, desk.kb, desk.width)


def _gauges(desk: Desk, _: str) -> tuple[Desk, str]:
    panel = desk.kb.panel(desk.case.panel)
    groups: dict[str, list[str]] = {}
    for gauge in panel.gauges:
        groups.setdefault(desk.kb.gauges[gauge].group, []).append(desk.kb.gauges[gauge].words[0])
    return desk, "\n".join(f"  {group:<18} {', '.join(gauges)}" for group, gauges in groups.items())


def _readings(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        raise CaseError("of which gauge?", mend="for example: readings airspeed")
    chosen = find(text, gauge_forms(desk.kb, desk.kb.panel(desk.case.panel)), "gauge")
    lines = []
    for facet in desk.kb.gauges[chosen].facets:
        lines.append(f"  {facet.id}: {facet.name}" + (f" ({facet.note})" if facet.note else ""))
        lines += [f"    {reading.id:<12} {reading.means}" for reading in facet.readings]
    return desk, "\n".join(lines)


def _failure(desk: Desk, text: str) -> tuple[Desk, str]:
    chosen = find(text, _entry_forms(desk.kb.failures), "failure")
    failure = desk.kb.failures[chosen]
    lines = [failure.name, f"  how it shows: {failure.mechanism}"]
    if desk.case.snapshot and failure in desk.engine.network.failures:
        answer = desk.answer()
        lines.append(
            f"  chance before the readings {percent(answer.priors[chosen])}, with them {percent(answer.failures[chosen])}"
        )
    if failure.inspect:
        lines.append(f"  for a licensed technician to inspect: {'; '.join(failure.inspect)}")
    lines.append(f"  source: {failure.source}" + (f" ({failure.note})" if failure.note else ""))
    return desk, "\n".join(lines)


def _save(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        raise CaseError("save under which file name?", mend="for example: save tuesday.toml")
    path = Path(text).expanduser()
    path = path if path.suffix else path.with_suffix(".toml")
    case = desk.case
    if case.title == "untitled":
        case = msgspec.structs.replace(case, title=path.stem.replace("_", " "))
    save_case(case, path)
    session = desk.session.to(case)
    return replace(desk, session=replace(session, saved=case)), f"saved: {path}"


def _load(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        return desk, "which case? " + ", ".join(case_paths())
    case = load_case(str(Path(text).expanduser()) if "/" in text or "." in text else text, desk.kb)
    session = replace(desk.session.to(case), saved=case)
    desk = replace(desk, session=session)
    return desk, f"loaded: {case.title}" + (
        "\n" + render_short(desk.answer(), desk.kb, desk.width) if case.snapshot else ""
    )


def _new(desk: Desk, _: str) -> tuple[Desk, str]:
    fresh = Session().case
    return replace(desk, session=desk.session.to(fresh)), "a new case ('undo' brings the old one back)"


def _help(desk: Desk, text: str) -> tuple[Desk, str]:
    if text:
        command = command_of(text)
        if command is None:
            raise UnknownName(f"there is no command {text!r}", nearest=tuple(COMMANDS))
        return desk, f"  {command.usage}\n  {command.help}"
    lines = [f"  {command.usage:<38} {command.help}" for command in COMMANDS.values()]
    lines += ["", "  Anything else is read as what the gauges showed:"]
    lines += ["    airspeed falling; altimeter probably steady; attitude disagrees with turn coordinator"]
    return desk, "\n".join(lines)


def _quit(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, done=True), ""


COMMANDS: dict[str, Command] = {
    command.name: command
    for command in (
        Command(
            name="snapshot",
            usage="snapshot MANOEUVRE [for N] [after N]",
            help="start a snapshot: what was flown, how many minutes, how long after the last",
            run=_snapshot,
        ),
        Command(
            name="panel", usage="panel [NAME]", help="choose the aircraft's panel, or list them", run=_panel
        ),
        Command(
            name="odds",
            also=("setting",),
            usage="odds [routine|anomaly|exercise]",
            help="say why you are here: it changes the odds before any reading",
            run=_odds,
        ),
        Command(
            name="context",
            usage="context [WORDS; WORDS|none]",
            help="add conditions of the day: icing, washed, parked uncovered …",
            run=_context,
        ),
        Command(
            name="switch",
            usage="switch NAME on|off",
            help="a switch position in this snapshot: alternate static, pitot heat …",
            run=_switch,
        ),
        Command(
            name="forget",
            usage="forget GAUGE",
            help="take a gauge's readings out of this snapshot",
            run=_forget,
        ),
        Command(
            name="rank",
            usage="rank",
            help="the whole answer: ranking, instruments to trust, what to fly on",
            run=_rank,
        ),
        Command(
            name="failure",
            also=("about",),
            usage="failure NAME",
            help="what a failure is, how it shows, what to inspect",
            run=_failure,
        ),
        Command(name="gauges", usage="gauges", help="the gauges of this panel", run=_gauges),
        Command(
            name="readings",
            usage="readings GAUGE",
            help="what can be said of a gauge, and what counts as what",
            run=_readings,
        ),
        Command(name="show", usage="show", help="the case so far, as it would be saved", run=_show),
        Command(name="undo", usage="undo", help="take the last change back", run=_undo),
        Command(name="redo", usage="redo", help="do again what was taken back", run=_redo),
        Command(name="save", usage="save FILE", help="save the case", run=_save),
        Command(name="load", usage="load FILE or NAME", help="load a case, also a shipped one", run=_load),
        Command(name="new", usage="new", help="start a new case", run=_new),
        Command(name="help", also=("?",), usage="help [COMMAND]", help="this list", run=_help),
        Command(
            name="quit",
            also=("exit", "bye"),
            usage="quit",
            help="leave; the case stays in the autosave",
            run=_quit,
        ),
    )
}


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
    if command is not None:
        return command.run(desk, rest.strip())
    statements = parse_line(text, desk.kb, desk.kb.panel(desk.case.panel))
    heard = replace(desk, session=desk.session.say(statements, desk.engine.network))
    return heard, render_short(heard.answer(), heard.kb, heard.width)


# ------------------------------------------------------------------ completion


def complete(text: str, desk: Desk) -> list[tuple[str, str, int]]:
    """Candidates for the text before the cursor: (candidate, what it means, how much it replaces)."""
    kb, panel = desk.kb, desk.kb.panel(desk.case.panel)
    piece = re.split("[;,]", text)[-1].lstrip()
    word, space, rest = piece.partition(" ")
    command = command_of(word) if space and piece == text.lstrip() else None
    if command is not None:
        tables: dict[str, dict[str, str]] = {
            "snapshot": {m.replace("_", " "): v.name for m, v in kb.manoeuvres.items()},
            "panel": {p: v.name for p, v in kb.panels.items()},
            "odds": {s: v.name for s, v in kb.settings.items()},
            "context": {c.replace("_", " "): v.name for c, v in kb.context.items()},
            "switch": {
                f"{s.replace('_', ' ')} {p}": "" for s in panel.switches for p in kb.switches[s].positions
            },
            "forget": {kb.gauges[g].words[0]: kb.gauges[g].name for g in panel.gauges},
            "readings": {kb.gauges[g].words[0]: kb.gauges[g].name for g in panel.gauges},
            "failure": {f.id: f.name for f in kb.failures.values()},
            "load": dict.fromkeys(case_paths(), ""),
            "help": {name: c.help for name, c in COMMANDS.items()},
        }
        return _beginning(tables.get(command.name, {}), rest)
    of_way = {way: g for g, ways in gauge_forms(kb, panel).items() for way in ways}
    for way in sorted(of_way, key=len, reverse=True):
        if plain(piece).startswith(f"{way} ") or (plain(piece) == way and piece.endswith(" ")):
            said = piece[len(way) :].lstrip()
            gauge = kb.gauges[of_way[way]]
            means = {f"{f.id} {r.id}": r.means for f in gauge.facets for r in f.readings}
            shown = {key.split()[1].replace("_", " "): means[key] for key in reversed(reading_forms(gauge))}
            return _beginning(dict(reversed(shown.items())), said)
    starts = {kb.gauges[g].words[0]: kb.gauges[g].name for g in panel.gauges}
    starts["rest as expected"] = "all other dials looked right"
    if piece == text.lstrip():
        starts |= {name: c.help for name, c in COMMANDS.items()}
    return _beginning(starts, piece)


def _beginning(table: dict[str, str], typed: str) -> list[tuple[str, str, int]]:
    return [(c, means, len(typed)) for c, means in table.items() if c.startswith(typed.lower())]


def summary(desk: Desk) -> str:
    """One line about where the session stands."""
    case = desk.case
    place = f"{len(case.snapshot)} {case.snapshot[-1].manoeuvre}" if case.snapshot else "no snapshot"
    return f" {case.panel} | {place} | odds: {case.setting} | {len(case.context)} conditions "


def leading(answer: Answer, kb: KnowledgeBase) -> str:
    """The leading explanation in a few words."""
    return f"{names(kb, answer.ranking[0].failures)} {percent(answer.ranking[0].posterior)}"
