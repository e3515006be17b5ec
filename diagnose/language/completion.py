"""What can follow the text before the cursor: pure functions over the knowledge base and a panel."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.gauge import reading_at
from diagnose.language.names import core, forms, gauge_forms, phrases, readable, without_filler
from diagnose.model import Panel

#: (text to put in, what it means, how many typed characters it replaces)
Candidate = tuple[str, str, int]
#: text to put in -> what it means, other ways to write it
Options = Mapping[str, tuple[str, Sequence[str]]]


def beginning(options: Options, typed: str) -> list[Candidate]:
    """The options of which any way of writing begins as typed."""
    wanted = typed.lower()
    return [
        (option, means, len(typed))
        for option, (means, ways) in options.items()
        if any(way.startswith(wanted) for way in (option, *ways))
    ]


def complete_words(text: str, kb: KnowledgeBase, panel: Panel) -> list[Candidate]:
    """Candidates for a statement being typed, with what this panel has and nothing else."""
    piece = re.split(r"[;,]", text)[-1].lstrip().lower()
    gauge_of = {way: gauge for gauge, ways in gauge_forms(kb, panel).items() for way in ways}
    for lead in ("the ", *(f"{' '.join(phrase)} " for phrase in phrases().certainty)):
        piece = piece.removeprefix(lead)
    for way in sorted(gauge_of, key=len, reverse=True):
        if piece.startswith(f"{way} "):
            return _after_gauge(piece[len(way) :].lstrip(), kb, panel, gauge_of[way])
    return beginning(_gauges(kb, panel, panel.gauges) | {"rest as expected": ("the other dials", ())}, piece)


def _gauges(kb: KnowledgeBase, panel: Panel, chosen: Sequence[str]) -> dict[str, tuple[str, tuple[str, ...]]]:
    ways = gauge_forms(kb, panel)
    return {kb.gauges[gauge].words[0]: (kb.gauges[gauge].name, ways[gauge]) for gauge in chosen}


def _after_gauge(said: str, kb: KnowledgeBase, panel: Panel, gauge_id: str) -> list[Candidate]:
    """Readings of facets not spoken of yet, or gauges that can be compared."""
    gauge = kb.gauges[gauge_id]
    pairs = [tuple(facet.split(".")[0] for facet in o.facets) for o in kb.oppositions.values()]
    others = dict.fromkeys(g for pair in pairs if gauge_id in pair for g in pair if g != gauge_id)
    comparable = [other for other in others if other in panel.gauges]
    for phrase in phrases().disagree:
        if said.startswith(lead := f"{' '.join(phrase)} "):
            return beginning(_gauges(kb, panel, comparable), said[len(lead) :])
    *whole, tail = said.split(" ")
    words, told, place = core(" ".join(whole)), set(), 0
    while place < len(words):
        found = reading_at(gauge, words, place)
        if found:
            told.add(found.facet)
        place += found.length if found else 1
    options: dict[str, tuple[str, Sequence[str]]] = {}
    for facet in gauge.facets:
        for reading in facet.readings if facet.id not in told else ():
            text = readable(reading.id)
            if not without_filler(text.split()):  # "showing" alone is taken for filler
                text = f"{readable(facet.id)} {text}"
            options.setdefault(text, (reading.means, forms(reading.id, reading.id, reading.words)))
    if comparable and not told:
        options["disagrees with"] = ("another gauge, without saying which is right", ())
    return beginning(options, tail if told else said) or beginning(options, tail)
