"""What is told of the aircraft and not of a gauge: what it did, though a gauge has the same word; its panel."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.names import entry_forms, phrase_at, phrases, plain, readable
from diagnose.model.errors import CaseError, TellsMore

if TYPE_CHECKING:
    from diagnose.language.prose import SentenceRead
    from diagnose.language.session import Session
    from diagnose.model import CaseRecord


def not_of_ourselves(clause: str, kb: KnowledgeBase) -> None:
    """Raise CaseError where a clause tells what the aircraft did: its "level" is no reading of a gauge."""
    said, words = phrases(), tuple(plain(clause).split())
    ways = {tuple(way.split()) for all_ways in entry_forms(kb.manoeuvres).values() for way in all_ways}
    for place in range(len(words)):
        lead = phrase_at(words, place, said.ourselves)
        flown = phrase_at(words, place + len(lead), ways) if lead else ()
        if flown:
            told = " ".join((*lead, *flown))
            raise CaseError(
                f"{told!r} tells what was flown, not what a gauge showed",
                mend=f"say it apart: moment {' '.join(flown)}",
            )


def not_all_but(clause: str) -> None:
    """Raise TellsMore for "all but the airspeed was normal": it says nothing of what the airspeed did."""
    words = tuple(plain(clause).split())
    for place in range(len(words)):
        if leaving_out := phrase_at(words, place, phrases().excepting):
            raise TellsMore(
                f"{' '.join(leaving_out)!r} does not say what the one left out did",
                mend="say that first, then the others: airspeed low; rest as expected",
            )


def not_what_was_flown(clause: str, kb: KnowledgeBase) -> None:
    """Raise CaseError for a clause such as "climbing" after "airspeed zero": the pointer climbs, or the aircraft."""
    text = " ".join(word for word in plain(clause).split() if (word,) not in phrases().joins)
    for entry, ways in entry_forms(kb.manoeuvres).items():
        if text in ways:
            raise CaseError(
                f"{text!r} may be what was flown or what the gauge did",
                mend=f"name the gauge again, or say it apart: moment {readable(entry)}",
            )


def panel_told(session: Session, story: Sequence[SentenceRead], kb: KnowledgeBase) -> tuple[str, tuple[str, ...]]:
    """The panel that a story chooses ("" if none), and those that it may mean."""
    from diagnose.language.prose import EVIDENCE
    from diagnose.language.session import START

    pieces = [piece for sentence in story for piece in sentence.pieces]
    fitted = tuple(dict.fromkeys(piece.value for piece in pieces if piece.kind == "fitted"))
    maybe = tuple(
        dict.fromkeys(p.value for p in pieces if p.kind == "maybe_fitted" and p.value not in fitted)
    )
    now = kb.panel(session.case.panel)
    if session.case.panel in fitted or session.case.panel != START.panel:
        return "", ()
    needed = {piece.gauge for piece in pieces if piece.kind in EVIDENCE and piece.gauge} - set(now.gauges)
    handles = {piece.value for piece in pieces if piece.kind == "switch"} - set(now.switches)
    if not fitted and (needed or handles):
        fitted = tuple(
            entry
            for entry in kb.panels
            if needed <= set(kb.panel(entry).gauges) and handles <= set(kb.panel(entry).switches)
        )
    read = {facet.split(".")[0] for s in session.case.snapshot for facet in (*s.readings, *s.unsure)}
    moved = {switch for s in session.case.snapshot for switch in s.switches}
    if len(fitted) > 1 and needed:  # of several panels the one that has what was read
        able = [entry for entry in fitted if needed <= set(kb.panel(entry).gauges)]
        if len(able) == 1:
            maybe = tuple(dict.fromkeys((*(e for e in fitted if e not in able), *maybe)))
            fitted = (able[0],)
    if len(fitted) == 1:
        chosen = kb.panel(fitted[0])
        if read <= set(chosen.gauges) and moved <= set(chosen.switches):
            return fitted[0], maybe
    return "", (*fitted, *maybe)


def speed_assumed(read: Sequence[SentenceRead], case: CaseRecord, kb: KnowledgeBase) -> str:
    """What a needle that is told to be stuck owes to the speed flown: at a constant one a sound needle stands too.

    "" where no airspeed indicator is told to be stuck, or the speed is told to change.
    """
    stuck = [p for s in read for p in s.pieces if p.value == "stuck" and p.gauge.endswith("airspeed")]
    flown = dict.fromkeys(m.manoeuvre for m in case.snapshot if any("airspeed.trend" in f for f in m.readings))
    held = [kb.manoeuvres[m].words[0] for m in flown if kb.manoeuvres[m].expected["speed"] == "constant"]
    if not stuck or not held:
        return ""
    return (
        f"Assumed, not told: a constant airspeed while {' and '.join(held)}. A sound needle stands still then too, so "
        f"{stuck[0].words!r} counts as steady only. If your speed was changing, tell it: slowing down, airspeed steady."
    )
