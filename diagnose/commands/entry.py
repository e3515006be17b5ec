"""Commands that say what was flown and what the gauges showed."""

from __future__ import annotations

import re
from dataclasses import replace

import msgspec

from diagnose.commands.desk import Command, Desk, command, marked
from diagnose.errors import CaseError
from diagnose.model import SnapshotRecord
from diagnose.session import LONGEST_MINUTES
from diagnose.text import fill, render_short, table
from diagnose.words import Statement, entry_forms, find, gauge_forms, parse_line, plain, readable, say_back


def _panel(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        panels = ((entry, panel.name) for entry, panel in desk.kb.panels.items())
        return desk, marked(desk, panels, (desk.case.panel,))
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
        return desk, marked(desk, settings, (desk.case.setting,))
    chosen = find(text, entry_forms(desk.kb.settings), "setting")
    return desk.change(setting=chosen), f"Odds: {desk.kb.settings[chosen].name}."


def _context(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        flags = ((entry, flag.name) for entry, flag in desk.kb.context.items())
        return desk, marked(desk, flags, desk.case.context)
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
    if max(fresh.minutes, fresh.minutes_before) > LONGEST_MINUTES:
        raise CaseError("no snapshot lasts, and no gap is, longer than a day", mend="give minutes or hours")
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


ENTRY: tuple[Command, ...] = (
    command(
        _snapshot,
        "snapshot",
        "MANOEUVRE [for N] [after N]",
        "start a snapshot: what was flown, for how many minutes, how long after the last",
        "Switches stay as they were. The readings may follow after a semicolon: "
        "snapshot climb for 2 after 10; airspeed falling. 'snapshot' alone lists the manoeuvres.",
    ),
    command(
        _panel,
        "panel",
        "[NAME]",
        "choose the aircraft's panel, or list the panels",
        "For example: panel dual pump. It decides which gauges can be read and which parts can fail.",
    ),
    command(
        _odds,
        "odds",
        "[routine|anomaly|exercise]",
        "say why you are here; it changes the odds before any reading",
        "'odds' alone says what each means.",
        ("setting",),
    ),
    command(
        _context,
        "context",
        "[WORDS; WORDS]",
        "add conditions of the day: icing, washed, parked uncovered",
        "'context not icing' takes one out, 'context none' all; 'context' alone lists them.",
    ),
    command(
        _switch,
        "switch",
        "NAME on|off",
        "a switch position in this snapshot: alternate static, pitot heat",
        "A switch counts from the start of the snapshot: what changed after it was moved belongs into a "
        "new snapshot.",
    ),
    command(_forget, "forget", "GAUGE", "take what was said of a gauge out of this snapshot"),
    command(_undo, "undo", "", "take the last change back"),
    command(_redo, "redo", "", "do again what was taken back"),
)
