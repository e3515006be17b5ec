"""Find an entry of the knowledge base by the words that people use for it."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Protocol

from diagnose.errors import UnknownName
from diagnose.knowledge import KnowledgeBase, knowledge_root
from diagnose.model import Panel

#: how alike a mistyped word must be to count as meant, and by how much more than the next
SURE_MATCH = 0.85
CLEAR_LEAD = 0.05
#: how alike a name must be to be offered
NEAR = 0.65
#: shorter words are too much alike by chance ("all" and "ball"), shorter beginnings fit too much
SHORTEST_MISTYPED = 5
SHORTEST_BEGINNING = 3
#: most words that a mistyped name or reading is taken to have
LONGEST_MISTYPED = 3

Words = tuple[str, ...]
Forms = Mapping[str, tuple[str, ...]]


class Named(Protocol):
    """An entry that people call by several words."""

    @property
    def name(self) -> str:
        """Its full name."""

    @property
    def words(self) -> tuple[str, ...]:
        """Other words for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrases:
    """The words of the prompt itself, from knowledge/words.toml (see there); longest phrases first."""

    certainty: Mapping[Words, float]
    question: float
    filler: frozenset[str]
    joins: tuple[Words, ...]
    negation: frozenset[str]
    abnormal: tuple[Words, ...]
    later: frozenset[str]
    switched: frozenset[str]
    disagree: tuple[Words, ...]
    disagree_together: tuple[Words, ...]
    rest: tuple[str, ...]
    normal: tuple[str, ...]
    same: Mapping[Words, str]


@cache
def phrases() -> Phrases:
    """Read the words of the prompt."""
    found = tomllib.loads((knowledge_root() / "words.toml").read_text(encoding="utf-8"))

    def longest_first(texts: Iterable[str]) -> tuple[Words, ...]:
        return tuple(sorted((tuple(plain(text).split()) for text in texts), key=len, reverse=True))

    certainty = {way: found["certainty"][" ".join(way)] for way in longest_first(found["certainty"]) if way}
    return Phrases(
        certainty=certainty,
        question=found["certainty"]["?"],
        filler=frozenset(found["filler"]),
        joins=longest_first(found["joins"]),
        negation=frozenset(found["negation"]),
        abnormal=longest_first(found["abnormal"]),
        later=frozenset(found["later"]),
        switched=frozenset(found["switched"]),
        disagree=longest_first(found["disagree"]),
        disagree_together=longest_first(found["disagree_together"]),
        rest=tuple(found["rest"]),
        normal=tuple(found["normal"]),
        same={tuple(text.split()): other for text, other in found["same"].items()},
    )


def plain(text: str) -> str:
    """Give text in lower case, with single spaces for hyphens, underscores and punctuation."""
    return re.sub(r"[\W_]+", " ", text.lower().replace("'", "").replace("’", "")).strip()


def without_filler(words: Iterable[str]) -> Words:
    """Leave out words without meaning, but not where a negation makes them mean something."""
    said, kept, before = phrases(), [], ""
    for word in words:
        # "no reading", "not showing"
        if word not in said.filler or before in said.negation:
            kept.append(word)
        before = word
    return tuple(kept)


def core(text: str) -> Words:
    """Give the words of a text that carry meaning; all of them if none does."""
    words = tuple(plain(text).split())
    return without_filler(words) or words


def phrase_at(words: Words, place: int, known: Iterable[Words]) -> Words:
    """Give the first of the known phrases that stands at this place; () if none does."""
    return next((way for way in known if words[place : place + len(way)] == way), ())


def length_at(words: Words, place: int, known: Iterable[Words]) -> int:
    """Length of the longest known phrase that stands at this place; 0 if none does."""
    return max((len(way) for way in known if way and words[place : place + len(way)] == way), default=0)


def readable(entry_id: str) -> str:
    """Give an id as words."""
    return entry_id.replace("_", " ")


def forms(entry_id: str, name: str, words: Iterable[str]) -> tuple[str, ...]:
    """All ways to write an entry."""
    return tuple(dict.fromkeys(plain(form) for form in (entry_id, name, *words)))


def entry_forms(table: Mapping[str, Named]) -> dict[str, tuple[str, ...]]:
    """Ways to write each entry of a table of the knowledge base."""
    return {entry_id: forms(entry_id, entry.name, entry.words) for entry_id, entry in table.items()}


def gauge_forms(kb: KnowledgeBase, panel: Panel) -> dict[str, tuple[str, ...]]:
    """Ways to write each gauge of a panel."""
    return entry_forms({gauge: kb.gauges[gauge] for gauge in panel.gauges})


def find(text: str, known: Forms, kind: str) -> str:
    """Give the id that a text means: exactly, by a beginning that fits one, or nearly.

    Raises UnknownName with the nearest names.
    """
    wanted = plain(text)
    fitting = [entry for entry in known if plain(entry) == wanted]
    fitting = fitting or [entry for entry, ways in known.items() if wanted in ways]
    if not fitting and len(wanted) >= SHORTEST_BEGINNING:
        fitting = [entry for entry, ways in known.items() if any(w.startswith(wanted) for w in ways)]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        nearest_names = tuple(map(readable, fitting[:6]))
        raise UnknownName(f"{text.strip()!r} can mean several {kind}s", nearest=nearest_names)
    if meant := mistyped(wanted, {way: entry for entry, ways in known.items() for way in ways}):
        return meant
    raise UnknownName(f"there is no {kind} {text.strip()!r}", nearest=nearest(wanted, known))


def mistyped(text: str, entry_of: Mapping[str, str]) -> str:
    """Give the entry whose way of writing is nearly this text and no other's; "" if there is none."""
    if len(text) < SHORTEST_MISTYPED or set(text.split()) & phrases().negation:
        return ""
    alike = sorted(
        ((difflib.SequenceMatcher(None, text, way).ratio(), entry) for way, entry in entry_of.items()),
        reverse=True,
    )
    if not alike or alike[0][0] < SURE_MATCH:
        return ""
    best = alike[0][1]
    others = [ratio for ratio, entry in alike if entry != best]
    return best if not others or alike[0][0] - others[0] >= CLEAR_LEAD else ""


def nearest(text: str, known: Forms, most: int = 6) -> tuple[str, ...]:
    """Give the names most like a text, as words; the first few known ones if none is like it."""
    entry_of = {way: entry for entry, ways in known.items() for way in ways}
    near = difflib.get_close_matches(text, entry_of, n=4, cutoff=NEAR)
    return tuple(map(readable, dict.fromkeys(entry_of[way] for way in near))) or tuple(
        readable(entry) for entry in list(known)[:most]
    )
