"""Whole sentences: one moment, or one after the other ("it was fine, then it fell"), as one change to undo."""

from __future__ import annotations

import re
from dataclasses import replace

from diagnose.language import AsExpected, Disagreement, Said, flown_in, meanwhile, parse_line, scene_words
from diagnose.language.names import phrases
from diagnose.model import SnapshotRecord
from diagnose.model.errors import CaseError, DiagnoseError, TellsMore, UnknownName
from diagnose.terminal.commands.desk import Desk
from diagnose.terminal.commands.entry import hear
from diagnose.terminal.commands.guide import hear_scene, hold
from diagnose.terminal.commands.hearing import ask_which, is_prose, tell_story


def heard(desk: Desk, text: str) -> tuple[Desk, str]:
    """Take in what the gauges showed, what was flown and what the day was like. Raises DiagnoseError."""
    if is_prose(text) and (taken := tell_story(desk, text)):
        return taken
    ask_which(text, desk.kb)
    try:
        return _statement(desk, text)
    except (TellsMore, UnknownName):
        # what one plain statement cannot hold, the reader of stories may; what could mean two things stays asked
        if taken := tell_story(desk, text):
            return taken
        raise


def _statement(desk: Desk, text: str) -> tuple[Desk, str]:
    """Take in one sentence of which every word is understood. Raises DiagnoseError."""
    moments = moments_of(desk, text)
    after, said = _one_by_one(desk, moments) if len(moments) > 1 else _moment(desk, text)
    if len(after.session.past) > len(desk.session.past) + 1:
        # what was said in one breath is taken back in one
        after = replace(after, session=replace(after.session, past=(*desk.session.past, desk.session.now)))
    return after, said


def moments_of(desk: Desk, text: str) -> list[str]:
    """The moments that a sentence tells of, one after the other: parted by "then", or by what was flown."""
    said = phrases()
    onward = "|".join(map(re.escape, said.onward))
    during = "|".join(map(re.escape, said.during))
    pieces: list[str] = []
    for piece in re.split(rf"[,;.]?\s*\b(?:(?:and|but)\s+)?(?:{onward})\b\s*,?", text, flags=re.IGNORECASE):
        begun = 0
        for place in re.finditer(
            rf"(?:[,;]|\.(?=\s)|\s(?:and|but)\s)\s*(?=(?:{during})\s)", piece, re.IGNORECASE
        ):
            clause = re.split(r"[,;]|\s(?:and|but)\s", piece[place.end() :], maxsplit=1)[0]
            if flown_in(piece[begun : place.start()], desk.kb)[0] and _leads(desk, clause):
                pieces.append(piece[begun : place.start()])
                begun = place.end()
        pieces.append(piece[begun:])
    pieces = [piece.strip(" ,;.") for piece in pieces]
    if len(pieces) > 1:
        pieces[0] = re.sub(r"^(?:at\s+)?first\s*,?\s+", "", pieces[0], flags=re.IGNORECASE)
    return pieces if all(pieces) else [text]


def _leads(desk: Desk, clause: str) -> bool:
    """Whether a clause begins with what was flown, and goes on."""
    manoeuvre, left = flown_in(clause, desk.kb)
    return bool(manoeuvre) and bool(left) and clause.endswith(left)


def _one_by_one(desk: Desk, moments: list[str]) -> tuple[Desk, str]:
    """Each moment a snapshot; what is not said to be flown otherwise goes on."""
    if not desk.case.snapshot and not flown_in(moments[0], desk.kb)[0]:
        # it must be understood before anything is asked
        level = desk.on(desk.session.insert(SnapshotRecord(manoeuvre="level"), 0))
        _one_by_one(replace(level, later=True), moments)
        return hold(desk, "; then ".join(moments), ", then ".join(moments))
    shown = desk.later
    desk, text = _moment(replace(desk, later=True), moments[0])
    told = [text]
    for number, moment in enumerate(moments[1:], 2):
        if scene_words(moment, desk.kb).alone:
            raise CaseError(
                f"{moment!r} may be what was flown or what a gauge did",
                mend=f"say it apart: moment {moment}, or name the gauge",
            )
        flown, left = flown_in(moment, desk.kb)
        before = desk.session.snapshot
        fresh = SnapshotRecord(manoeuvre=flown or before.manoeuvre, switches=before.switches)
        desk = desk.on(desk.session.insert(fresh, len(desk.case.snapshot)))
        told.append(f"Moment {len(desk.case.snapshot)}: {desk.kb.manoeuvres[fresh.manoeuvre].name}.")
        desk = replace(desk, later=shown or number < len(moments))
        desk, text = _moment(desk, left if flown else moment, _spoken_of(desk, moments[number - 2]))
        told.append(text)
    return desk, "\n".join(told)


def _moment(desk: Desk, text: str, spoken_of: str = "") -> tuple[Desk, str]:
    """Take in one moment; where it names no gauge, the one spoken of before is meant."""
    if meanwhile(text, desk.kb) and (told := hear_scene(desk, text)):
        return told
    try:
        return hear(desk, text)
    except DiagnoseError:
        if told := hear_scene(desk, text):
            return told
        if not spoken_of:
            raise
        return hear(desk, f"{spoken_of} {re.sub(r'^(?:it|they)', '', text, flags=re.IGNORECASE)}")


def _spoken_of(desk: Desk, moment: str) -> str:
    """The gauge that a moment spoke of last, in a word; "" if it cannot be told."""
    try:
        said = parse_line(scene_words(moment, desk.kb).rest, desk.kb, desk.kb.panel(desk.case.panel))
    except DiagnoseError:
        return ""
    match said[-1:]:
        case (Said(facet=facet),):
            return desk.kb.gauges[facet.split(".")[0]].words[0]
        case (AsExpected(gauge=gauge),):
            return desk.kb.gauges[gauge].words[0]
        case (Disagreement(second=second),):
            return desk.kb.gauges[second].words[0]
    return ""
