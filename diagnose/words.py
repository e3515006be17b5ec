"""Plain words to readings: ``airspeed falling; altimeter probably steady; vsi zero``.

The words stand with each gauge, reading, manoeuvre, switch, context and panel in the knowledge base.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache

from diagnose.errors import CaseError, UnknownName
from diagnose.knowledge import KnowledgeBase, knowledge_root
from diagnose.model import Gauge, Panel


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A reading that was stated; ``sure`` is 1 for a plain statement."""

    facet: str
    reading: str
    sure: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """Two gauges said to disagree, without saying which shows what."""

    first: str
    second: str


@dataclass(frozen=True, slots=True)
class RestAsExpected:
    """All gauges not spoken of looked right for this manoeuvre."""


#: how alike a mistyped word must be to count as meant, and by how much more than the next
SURE_MATCH = 0.85
CLEAR_LEAD = 0.05

Statement = Said | Disagreement | RestAsExpected


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrases:
    """The words of the prompt itself, from knowledge/words.toml."""

    certainty: Mapping[str, float]
    filler: frozenset[str]
    disagree: tuple[str, ...]
    rest: tuple[str, ...]


@cache
def phrases() -> Phrases:
    """Read the words of the prompt."""
    found = tomllib.loads((knowledge_root() / "words.toml").read_text(encoding="utf-8"))
    return Phrases(
        certainty=found["certainty"],
        filler=frozenset(found["filler"]),
        disagree=tuple(found["disagree"]),
        rest=tuple(found["rest"]),
    )


def plain(text: str) -> str:
    """Give text in lower case, without hyphens, underscores and double spaces."""
    return " ".join(text.lower().replace("-", " ").replace("_", " ").split())


def forms(entry_id: str, name: str, words: Iterable[str]) -> tuple[str, ...]:
    """All ways to write an entry."""
    return tuple(dict.fromkeys(plain(form) for form in (entry_id, name, *words)))


def find(text: str, known: Mapping[str, tuple[str, ...]], kind: str) -> str:
    """Give the id that a text means: exactly, by a beginning that fits one, or nearly.

    Raises UnknownName with the nearest names.
    """
    wanted = plain(text)
    exact = [entry for entry, ways in known.items() if wanted in ways]
    if len(exact) >= 1:
        return exact[0]
    begun = [entry for entry, ways in known.items() if any(w.startswith(wanted) for w in ways)]
    if wanted and len(begun) == 1:
        return begun[0]
    of_way = {way: entry for entry, ways in known.items() for way in ways}
    near = difflib.get_close_matches(wanted, of_way, n=4, cutoff=0.6)
    meant = tuple(dict.fromkeys(of_way[way] for way in near))
    closeness = [difflib.SequenceMatcher(None, wanted, way).ratio() for way in near]
    others = [c for c, way in zip(closeness, near, strict=True) if of_way[way] != meant[0]]
    if near and closeness[0] >= SURE_MATCH and (not others or closeness[0] - others[0] >= CLEAR_LEAD):
        return meant[0]
    if len(begun) > 1:
        raise UnknownName(f"{text!r} can mean several {kind}s", nearest=tuple(begun[:6]))
    raise UnknownName(
        f"there is no {kind} {text.strip()!r}",
        nearest=tuple(entry.replace("_", " ") for entry in meant) or tuple(known)[:6],
    )


def gauge_forms(kb: KnowledgeBase, panel: Panel) -> dict[str, tuple[str, ...]]:
    """Ways to write each gauge of a panel."""
    return {g: forms(g, kb.gauges[g].name, kb.gauges[g].words) for g in panel.gauges}


def reading_forms(gauge: Gauge) -> dict[str, tuple[str, ...]]:
    """Ways to write each reading of a gauge: "facet reading-id" -> words, first facet first."""
    return {
        f"{facet.id} {reading.id}": forms(reading.id, reading.id, reading.words)
        for facet in gauge.facets
        for reading in facet.readings
    }


def parse_line(line: str, kb: KnowledgeBase, panel: Panel) -> tuple[Statement, ...]:
    """Give the statements of a line, separated by semicolons or commas.

    Raises UnknownName or CaseError that names the piece that is not understood.
    """
    pieces = [piece.strip() for piece in line.replace(",", ";").split(";") if piece.strip()]
    return tuple(statement for piece in pieces for statement in parse_piece(piece, kb, panel))


def parse_piece(piece: str, kb: KnowledgeBase, panel: Panel) -> tuple[Statement, ...]:
    """Give the statements of one piece, such as "attitude leaning left"."""
    said = phrases()
    text = plain(piece)
    if text in said.rest:
        return (RestAsExpected(),)
    words, sure = [], 1.0
    for word in text.split():
        if word in said.certainty:
            sure = said.certainty[word]
        else:
            words.append(word)
    text = " ".join(words)
    for phrase in said.disagree:
        before, found, after = text.partition(f" {phrase} ")
        if found:
            known = gauge_forms(kb, panel)
            first, second = (_gauge(part, kb, panel, known) for part in (before, after))
            return (Disagreement(first=first, second=second),)
    gauge_id, rest = _leading_gauge(words, kb, panel)
    rest = [word for word in rest if word not in said.filler]
    if not rest:
        readings = ", ".join(r.id for f in kb.gauges[gauge_id].facets for r in f.readings)
        raise CaseError(
            f"{piece!r} does not say what the {kb.gauges[gauge_id].name} did",
            mend=f"add one of: {readings.replace('_', ' ')}",
        )
    return _readings(kb.gauges[gauge_id], rest, sure)


def _gauge(text: str, kb: KnowledgeBase, panel: Panel, known: dict[str, tuple[str, ...]]) -> str:
    words = [word for word in text.split() if word not in phrases().filler]
    try:
        return find(" ".join(words), known, "gauge")
    except UnknownName:
        _complain_if_absent(" ".join(words), kb, panel)
        raise


def _leading_gauge(words: list[str], kb: KnowledgeBase, panel: Panel) -> tuple[str, list[str]]:
    """Take the longest beginning that names a gauge off the words."""
    filler = phrases().filler
    while words and words[0] in filler:
        words = words[1:]
    known = gauge_forms(kb, panel)
    of_way = {way: gauge for gauge, ways in known.items() for way in ways}
    for length in range(len(words), 0, -1):
        way = " ".join(words[:length])
        if way in of_way:
            return of_way[way], words[length:]
    for length in range(len(words), 0, -1):
        _complain_if_absent(" ".join(words[:length]), kb, panel)
    for length in range(min(len(words), 3), 0, -1):
        try:
            return find(" ".join(words[:length]), known, "gauge"), words[length:]
        except UnknownName as error:
            problem = error
    raise problem


def _complain_if_absent(text: str, kb: KnowledgeBase, panel: Panel) -> None:
    for gauge in kb.gauges.values():
        if gauge.id not in panel.gauges and text in forms(gauge.id, gauge.name, gauge.words):
            raise CaseError(
                f"the panel {panel.id} has no {gauge.name}",
                mend="leave it out or choose the panel that has it (command: panel)",
            )


def _readings(gauge: Gauge, words: list[str], sure: float) -> tuple[Said, ...]:
    """Read one or more reading words after the gauge; a facet's name may stand before each."""
    found: dict[str, Said] = {}
    only = ""
    while words:
        if words[0] in {facet.id for facet in gauge.facets} and len(words) > 1:
            only, words = words[0], words[1:]
        facets = [f for f in gauge.facets if f.id == only or (not only and f.id not in found)]
        for length in range(len(words), 0, -1):
            way = " ".join(words[:length])
            match = next(
                ((f.id, r.id) for f in facets for r in f.readings if way in forms(r.id, r.id, r.words)),
                None,
            )
            if match:
                break
        else:
            ways = {k: v for k, v in reading_forms(gauge).items() if k.split()[0] in {f.id for f in facets}}
            facet, reading = find(" ".join(words), ways, f"reading of the {gauge.name}").split()
            match, length = (facet, reading), len(words)
        facet, reading = match
        found[facet] = Said(facet=f"{gauge.id}.{facet}", reading=reading, sure=sure)
        words, only = words[length:], ""
    return tuple(found.values())
