"""What a clause says of a switch: "pitot heat was not on", "opened the alternate static"."""

from __future__ import annotations

from dataclasses import dataclass

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.names import core, entry_forms, forms, phrase_at, phrases, plain, readable
from diagnose.model import Panel
from diagnose.model.errors import CaseError


@dataclass(frozen=True, slots=True, kw_only=True)
class Switched:
    """A switch said to stand in a position, or to have been ``moved`` there."""

    switch: str
    position: str
    moved: bool = False


def absent(panel: Panel, name: str) -> CaseError:
    """The complaint that a panel has no such gauge or switch."""
    return CaseError(
        f"the panel {readable(panel.id)} has no {name}",
        mend="leave it out or choose the panel that has it (command: panel)",
    )


def switched(clause: str, kb: KnowledgeBase, panel: Panel) -> Switched | None:
    """Give the switch and its position if the clause says nothing else. Raises CaseError for a doubtful one.

    The name of a failure is no switch: "alternate static open" may mean that it had been left so.
    """
    said = phrases()
    plainly, doubt = tuple(plain(clause).split()), ""
    for place in range(len(plainly)):
        if way := phrase_at(plainly, place, said.certainty):
            plainly, doubt = (*plainly[:place], *plainly[place + len(way) :]), " ".join(way)
            break
    words = core(" ".join(plainly)) if plainly else ()
    if {plain(clause), " ".join(words)} & {way for ways in entry_forms(kb.failures).values() for way in ways}:
        return None
    for switch_id, switch in kb.switches.items():
        ways = sorted(map(core, forms(switch_id, switch.name, switch.words)), key=len, reverse=True)
        for place in range(len(words)):
            way = phrase_at(words, place, ways)
            others = (*words[:place], *words[place + len(way) :])
            told = tuple(
                # "no pitot heat" is less than "the pitot heat was not"
                "not" if word in said.negation and word != "no" else word
                for word in others
                if word not in said.filler and word not in said.switched
            )
            position = said.positions.get(told, " ".join(told))
            if not way or position not in switch.positions:
                continue
            if switch_id not in panel.switches:
                raise absent(panel, switch.name)
            if doubt or "?" in clause:
                raise CaseError(
                    f"a switch cannot be given as unsure: {clause.strip()!r}",
                    mend=f"leave it out, or try it: what if {' '.join(way)} {position}",
                )
            return Switched(
                switch=switch_id, position=position, moved=bool(set(others) & said.switched - {"left"})
            )
    return None
