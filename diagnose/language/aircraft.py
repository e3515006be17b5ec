"""What a clause tells of the aircraft and not of a gauge, though a gauge may have the same word for a reading."""

from __future__ import annotations

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.names import entry_forms, phrase_at, phrases, plain, readable
from diagnose.model.errors import CaseError, TellsMore


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
