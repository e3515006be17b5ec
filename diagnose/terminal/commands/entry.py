"""Commands that say what was flown and what the gauges showed."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import msgspec

from diagnose.language import (
    AsExpected,
    RestAsExpected,
    Said,
    Statement,
    Switched,
    entry_forms,
    find,
    gauge_forms,
    leaves_out,
    parse_line,
    plain,
    readable,
    say_back,
)
from diagnose.language.case_files import LONGEST_MINUTES
from diagnose.language.session import fewer_readings
from diagnose.model import SnapshotRecord
from diagnose.model.errors import CaseError
from diagnose.render.text import fill, first_screen, reading_words, snapshot_lines, table
from diagnose.terminal.commands.desk import Command, Desk, command, marked


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
                f"the panel {readable(chosen)} has no {', '.join(sorted(gone))}, spoken of in moment {number}",
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
    desk = desk.change(context=tuple(dict.fromkeys(context)))
    return desk, fill(f"Conditions: {conditions(desk)}.", desk.width)


#: entries that an undo names
MOST_TOLD = 4
#: "for 2 minutes", "after 1.5 h": word -> minutes
_MINUTES = re.compile(
    r"\b(for|after)\s+(-?\d+(?:\.\d+)?)\s*(s|secs?|seconds?|h|hrs?|hours?|m|mins?|minutes?)?\b"
)
_TIMES = {"for": "minutes", "after": "minutes_before"}
_UNITS = {"s": 1.0 / 60.0, "h": 60.0, "m": 1.0, "": 1.0}


def when_flown(desk: Desk, text: str, old: SnapshotRecord | None) -> SnapshotRecord | None:
    """Read "climb for 2 after 10" into a snapshot: a new one, or an old one changed; None without words. Raises CaseError."""
    times = {word: float(n) * _UNITS[unit[:1]] for word, n, unit in _MINUTES.findall(text.lower())}
    words = _MINUTES.sub("", text.lower())
    if not plain(words) and not (old and times):
        return None
    fields: dict[str, Any] = {}
    if plain(words):
        fields["manoeuvre"] = find(words, entry_forms(desk.kb.manoeuvres), "maneuver")
    fields |= {name: times[word] for word, name in _TIMES.items() if word in times}
    flown = msgspec.structs.replace(old, **fields) if old else SnapshotRecord(**fields)
    if not (flown.minutes > 0.0 and flown.minutes_before >= 0.0):
        raise CaseError(
            "the duration must be positive, and so must the gap", mend="moment climb for 2 after 10"
        )
    if max(flown.minutes, flown.minutes_before) > LONGEST_MINUTES:
        raise CaseError("no moment lasts, and no gap is, longer than a day", mend="give minutes or hours")
    return flown


def list_manoeuvres(desk: Desk) -> str:
    """Ask which maneuver."""
    listed = ", ".join(readable(entry) for entry in desk.kb.manoeuvres)
    return fill(f"Which maneuver? {listed}", desk.width)


def _snapshot(desk: Desk, text: str) -> tuple[Desk, str]:
    head, _, shown = text.partition(";")
    fresh = when_flown(desk, head, None)
    if fresh is None:
        return desk, list_manoeuvres(desk)
    if desk.case.snapshot:
        fresh = msgspec.structs.replace(fresh, switches=desk.case.snapshot[-1].switches)
    desk = desk.on(desk.session.insert(fresh, len(desk.case.snapshot)))
    said = f"Moment {len(desk.case.snapshot)}: {desk.kb.manoeuvres[fresh.manoeuvre].name}."
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
    after = replace(desk, session=desk.session.switch(name, position, desk.kb))
    said = f"{desk.kb.switches[name].name}: {position} in moment {desk.session.now.at + 1}."
    return after, fill(said + conditions_told(desk, after) + _counts_after(snapshot), desk.width)


def conditions_told(before: Desk, after: Desk) -> str:
    """Said when a switch has told a condition of the day, or taken one back."""
    if before.case.context == after.case.context:
        return ""
    return f" Conditions: {conditions(after)}."


def conditions(desk: Desk) -> str:
    """The conditions in words."""
    return ", ".join(desk.kb.context[flag].name for flag in desk.case.context) or "none stated"


def _counts_after(snapshot: SnapshotRecord) -> str:
    """Said when a switch moves in a snapshot that has readings already."""
    if not (snapshot.readings or snapshot.unsure or snapshot.disagree):
        return ""
    return " Its readings count as taken after the switch: for before and after use two moments."


def _forget(desk: Desk, text: str) -> tuple[Desk, str]:
    snapshot = desk.session.snapshot
    if not text:
        raise CaseError("forget which gauge?", mend="forget airspeed")
    gauge = find(text, gauge_forms(desk.kb, desk.kb.panel(desk.case.panel)), "gauge")
    fewer = msgspec.structs.replace(
        fewer_readings(snapshot, lambda facet: facet.split(".")[0] == gauge),
        disagree=tuple(pair for pair in snapshot.disagree if gauge not in pair),
    )
    name = desk.kb.gauges[gauge].name
    if fewer == snapshot:
        raise CaseError(f"nothing was said of the {name} in moment {desk.session.now.at + 1}")
    return replace(desk, session=desk.session.with_snapshot(fewer)), f"Forgotten: {name}."


def _undo(desk: Desk, _: str) -> tuple[Desk, str]:
    if desk.guide and desk.guide.held and not desk.session.past:  # said, and it waits for what was flown
        return replace(desk, guide=None), fill(f"Taken back: {desk.guide.held}.", desk.width)
    return _told_back(desk, replace(desk, session=desk.session.undo()), "Undone")


def _redo(desk: Desk, _: str) -> tuple[Desk, str]:
    return _told_back(desk, replace(desk, session=desk.session.redo()), "Redone")


def _told_back(desk: Desk, after: Desk, done: str) -> tuple[Desk, str]:
    """What an undo or redo changed, in words: readings, moments or conditions that went or came."""
    def held(one: Desk) -> list[str]:
        kb, said = one.kb, []
        for number, moment in enumerate(one.case.snapshot, 1):
            place = f" (moment {number})" if len(one.case.snapshot) > 1 else ""
            said.append(f"moment {number}: {readable(moment.manoeuvre)}")
            said += [f"{reading_words(kb, facet, reading)}{place}" for facet, reading in moment.readings.items()]
        return said + [kb.context[flag].name for flag in one.case.context]

    before, now = held(desk), held(after)
    gone = [text for text in before if text not in now]
    come = [text for text in now if text not in before]
    told = [f"taken out: {'; '.join(gone[:MOST_TOLD])}"] if gone else []
    told += [f"back again: {'; '.join(come[:MOST_TOLD])}"] if come else []
    return after, fill(f"{done}{': ' if told else ''}{'. '.join(told)}.", desk.width)

def left_out(desk: Desk, flags: tuple[str, ...]) -> str:
    """Say which conditions do not count because the pilot was not sure of them, and how to see what they do."""
    named = ", ".join(desk.kb.context[flag].name for flag in flags)
    count = f"context {', '.join(map(readable, flags))}"
    told = f"Left out, as you are not sure: {named}. See what it would do: {count} ('undo' takes it back)."
    return fill(told, desk.width)


def _reads_again(desk: Desk, statements: tuple[Statement, ...]) -> bool:
    """Whether a switch is moved and a gauge read again in one breath: what was read before came before the switch."""
    snapshot = desk.session.snapshot
    stood = desk.engine.network.switch_positions(snapshot.switches)
    moved = any(isinstance(one, Switched) and stood.get(one.switch) != one.position for one in statements)
    read = {facet.split(".")[0] for facet in (*snapshot.readings, *snapshot.unsure)}
    again = (
        isinstance(one, RestAsExpected)
        or (isinstance(one, AsExpected) and one.gauge in read)
        or (isinstance(one, Said) and one.facet.split(".")[0] in read)
        for one in statements
    )
    return moved and bool(read) and any(again)


def hear(desk: Desk, text: str) -> tuple[Desk, str]:
    """Take in what the gauges showed. Raises DiagnoseError, and then nothing has changed."""
    statements: tuple[Statement, ...] = parse_line(text, desk.kb, desk.kb.panel(desk.case.panel))
    if not statements and leaves_out(text):
        return desk, fill("Nothing recorded. Leave out what you do not know.", desk.width)
    if not statements:
        raise CaseError(f"{text.strip()!r} says nothing", mend="airspeed falling")
    asked, began = desk, ""
    if _reads_again(desk, statements):
        snapshot = desk.session.snapshot
        fresh = SnapshotRecord(manoeuvre=snapshot.manoeuvre, switches=snapshot.switches)
        desk = desk.on(desk.session.insert(fresh, desk.session.now.at + 1))
        began = (
            f" That is moment {desk.session.now.at + 1}, after the switch was moved; 'undo' takes it back."
        )
    before = desk.session.snapshot
    session = desk.session.say(statements, desk.engine.network)
    if began:  # one change, so that one undo takes back the moment and its readings
        session = replace(session, past=(*asked.session.past, asked.session.now))
    after = replace(desk, session=session)
    moved = _counts_after(before) if session.snapshot.switches != before.switches else ""
    told = conditions_told(desk, after)
    said = fill(f"Heard: {say_back(statements, desk.kb)}.{told}{moved}{began}", desk.width)
    after = replace(after, taken=asked.taken_with(said))
    if desk.later:
        return after, said
    answer = after.answer()
    return replace(
        after, answered=answer
    ), f"{said}\n{first_screen(answer, after.case, after.kb, after.width)}"


ENTRY: tuple[Command, ...] = (
    command(
        _snapshot,
        "moment",
        "MANEUVER [for N] [after N]",
        "start a moment: what was flown, for how many minutes, how long after the last",
        "Switches stay as they were. The readings may follow after a semicolon: "
        "moment climb for 2 after 10; airspeed falling. 'moment' alone lists the maneuvers.",
        also=("snapshot",),
    ),
    command(
        _panel,
        "panel",
        "[NAME]",
        "choose the aircraft's panel, or list the panels",
        "For example: panel dual pump. It decides which gauges can be read and which parts can fail.",
        ranked=True,
    ),
    command(
        _odds,
        "odds",
        "[routine|anomaly|exercise]",
        "say why you are here; it changes the odds before any reading",
        "'odds' alone says what each means.",
        ("setting",),
        ranked=True,
    ),
    command(
        _context,
        "context",
        "[WORDS; WORDS]",
        "add conditions: icing, washed, parked without pitot cover",
        "'context not icing' takes one out, 'context none' all; 'context' alone lists them.",
        ranked=True,
    ),
    command(
        _switch,
        "switch",
        "NAME on|off",
        "a switch position in this moment: alternate static, pitot heat",
        "A switch counts from the start of the moment: what changed after it was moved belongs in a "
        "new moment.",
        ranked=True,
    ),
    command(
        _forget,
        "forget",
        "GAUGE",
        "take what was said of a gauge out of this moment",
        ranked=True,
        way_out=True,
    ),
    command(_undo, "undo", "", "take the last change back", ranked=True, way_out=True),
    command(_redo, "redo", "", "redo what was undone", ranked=True, way_out=True),
)


# ------------------------------------------------------------------ commands that move among the snapshots: go to one, copy, delete, change what was flown


def _go(desk: Desk, text: str) -> tuple[Desk, str]:
    desk = desk.on(desk.session.look_at(_number(desk, text)))
    return desk, snapshot_lines(desk.case, desk.kb, desk.session.now.at, desk.width)


def _copy(desk: Desk, text: str) -> tuple[Desk, str]:
    at = desk.session.index(_number(desk, text))
    desk = desk.on(desk.session.insert(desk.case.snapshot[at], at + 1))
    return desk, fill(
        f"Moment {at + 2} is a copy of moment {at + 1} and in hand. "
        "'maneuver' changes what was flown in it, 'forget' takes readings out.",
        desk.width,
    )


def _delete(desk: Desk, text: str) -> tuple[Desk, str]:
    at = desk.session.index(_number(desk, text))
    gone = desk.kb.manoeuvres[desk.case.snapshot[at].manoeuvre].name
    return desk.on(desk.session.delete(at)), f"Moment {at + 1} removed: {gone}. 'undo' brings it back."


def _manoeuvre(desk: Desk, text: str) -> tuple[Desk, str]:
    old = desk.session.snapshot
    changed = when_flown(desk, text, old)
    if changed is None:
        return desk, list_manoeuvres(desk)
    if changed.manoeuvre != old.manoeuvre and old.filled:
        # what was filled in for the old maneuver is what the new one gives
        expected = desk.engine.network.expected_readings(changed.manoeuvre, changed.switches)
        refilled = {facet: expected[facet] for facet in old.filled if facet in old.readings}
        kept = fewer_readings(changed, lambda facet: facet in old.filled)
        changed = msgspec.structs.replace(
            kept, readings={**kept.readings, **refilled}, filled=tuple(refilled)
        )
    desk = desk.on(desk.session.with_snapshot(changed))
    return desk, snapshot_lines(desk.case, desk.kb, desk.session.now.at, desk.width)


def _number(desk: Desk, text: str) -> int:
    """The snapshot that is meant: by number, the last, the first, or the one in hand."""
    said = plain(text).removeprefix("moment ").removeprefix("snapshot ")
    named = {"": desk.session.now.at + 1, "first": 1, "last": len(desk.case.snapshot)}
    if said not in named and not said.isdecimal():
        raise CaseError(f"{text.strip()!r} is no number of a moment", mend="go 1, go last")
    return named[said] if said in named else int(said)


PLACES: tuple[Command, ...] = (
    command(
        _go,
        "go",
        "N",
        "go to an earlier moment, to add to it or correct it",
        "What you say then counts for that moment. 'go last' returns to the last.",
        ("goto",),
    ),
    command(_copy, "copy", "[N]", "copy a moment; the copy stands behind it", ranked=True),
    command(_delete, "delete", "[N]", "take a moment out", also=("remove",), ranked=True, way_out=True),
    command(
        _manoeuvre,
        "maneuver",
        "[NAME] [for N] [after N]",
        "change what was flown in the moment in hand, for how long, how long after the last",
        "For example: maneuver descent for 2. What 'rest as expected' had filled in follows.",
        ("manoeuvre", "flown"),
        ranked=True,
    ),
)
