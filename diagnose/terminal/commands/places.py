"""Commands that move among the snapshots: go to one, copy, delete, change what was flown."""

from __future__ import annotations

import msgspec

from diagnose.language import plain
from diagnose.language.session import fewer_readings
from diagnose.model.errors import CaseError
from diagnose.render.text import fill, snapshot_lines
from diagnose.terminal.commands.desk import Command, Desk, command
from diagnose.terminal.commands.entry import list_manoeuvres, when_flown


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
