"""Find an entry of the knowledge base by the words that people use for it."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Protocol, TypeVar

from diagnose.knowledge.load import KnowledgeBase, knowledge_root
from diagnose.model import Panel
from diagnose.model.errors import UnknownName

Words = tuple[str, ...]
Forms = Mapping[str, tuple[str, ...]]
Value = TypeVar("Value")


class Named(Protocol):
    """An entry that people call by several words."""

    @property
    def name(self) -> str:
        """Its full name."""

    @property
    def words(self) -> tuple[str, ...]:
        """Other words for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Likeness:
    """How alike words must be to be meant or offered: ``[likeness]`` of words.toml says what each is."""

    sure: float
    lead: float
    near: float
    command: float
    shortest_mistyped: int
    shortest_beginning: int
    longest_mistyped: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Phrases:
    """The words of the prompt itself, from knowledge/words.toml (see there); longest phrases first."""

    certainty: Mapping[Words, float]
    question: float
    filler: frozenset[str]
    joins: tuple[Words, ...]
    negation: frozenset[str]
    helpers: frozenset[str]
    excepting: tuple[Words, ...]
    ourselves: tuple[Words, ...]
    abnormal: tuple[Words, ...]
    later: frozenset[str]
    during: tuple[str, ...]
    meanwhile: tuple[str, ...]
    together: tuple[str, ...]
    upon: frozenset[str]
    switched: frozenset[str]
    disagree: tuple[Words, ...]
    disagree_together: tuple[Words, ...]
    rest: tuple[str, ...]
    normal: tuple[str, ...]
    same: Mapping[Words, tuple[str, ...]]
    positions: Mapping[Words, str]
    asking: tuple[Words, ...]
    begun: tuple[str, ...]
    questions: frozenset[str]
    asks: Mapping[Words, str]
    polite: frozenset[str]
    comparing: tuple[Words, ...]
    openers: frozenset[str]
    onward: tuple[str, ...]
    vague: Mapping[Words, str]
    asides: tuple[Words, ...]
    commands: Mapping[str, str]
    shown: Mapping[str, str]
    unknown: frozenset[str]
    lost: frozenset[str]
    guide: Mapping[str, float]
    likeness: Likeness


_NOT = re.compile(r"\b(?:is|are|was|were|do|does|did|has|have|had)(?:n['’]?t| not)\b", re.IGNORECASE)


@cache
def phrases() -> Phrases:
    """Read the words of the prompt."""
    found = tomllib.loads((knowledge_root() / "words.toml").read_text(encoding="utf-8"))

    def longest_first(texts: Iterable[str]) -> tuple[Words, ...]:
        return tuple(sorted((tuple(plain(text).split()) for text in texts), key=len, reverse=True))

    def by_length(table: Mapping[str, Value]) -> dict[Words, Value]:
        ways = {tuple(plain(text).split()): value for text, value in table.items()}
        return {way: ways[way] for way in sorted(ways, key=len, reverse=True) if way}

    # who does not think that it fell is so sure that it did something else
    doubted = {way: round(1.0 - sure, 9) for way, sure in found["doubted"].items()}

    def listed(others: str | list[str]) -> tuple[str, ...]:
        return (others,) if isinstance(others, str) else tuple(others)

    return Phrases(
        certainty=by_length({**found["certainty"], **doubted}),
        question=found["certainty"]["?"],
        filler=frozenset(found["filler"]),
        joins=longest_first(found["joins"]),
        negation=frozenset(found["negation"]),
        helpers=frozenset(found["helpers"]),
        excepting=longest_first(found["excepting"]),
        ourselves=longest_first(found["ourselves"]),
        abnormal=longest_first(found["abnormal"]),
        later=frozenset(found["later"]),
        during=tuple(found["during"]),
        meanwhile=tuple(found["meanwhile"]),
        together=tuple(found["together"]),
        upon=frozenset(found["upon"]),
        switched=frozenset(found["switched"]),
        disagree=longest_first(found["disagree"]),
        disagree_together=longest_first(found["disagree_together"]),
        rest=tuple(found["rest"]),
        normal=tuple(found["normal"]),
        same={way: listed(others) for way, others in by_length(found["same"]).items()},
        positions=by_length(found["positions"]),
        asking=longest_first(found["asking"]),
        begun=tuple(found["begun"]),
        questions=frozenset(found["questions"]),
        asks={tuple(way.split()): command for way, command in found["asks"].items()},
        polite=frozenset(found["polite"]),
        comparing=longest_first(found["comparing"]),
        openers=frozenset(found["openers"]),
        onward=tuple(found["onward"]),
        vague=by_length(found["vague"]),
        asides=longest_first(found["asides"]),
        commands={plain(asked): command for asked, command in found["commands"].items()},
        shown=found["shown"],
        unknown=frozenset(map(plain, found["unknown"])),
        lost=frozenset(map(plain, found["lost"])),
        guide=found["guide"],
        likeness=Likeness(**found["likeness"]),
    )


#: stands for a decimal point in plain words, which have no punctuation
POINT = "point"


def plain(text: str) -> str:
    """Give text in lower case, with single spaces for hyphens, underscores and punctuation.

    "Wasn't", "did not" and their like are all "not": which of them is said makes no difference.
    """
    whole = re.sub(r"(?<=\d)\.(?=\d)", POINT, text.lower().replace("'", "").replace("’", ""))
    spaced = re.sub(r"[\W_]+", " ", whole).strip()
    return _NOT.sub("not", spaced)


def number_of(word: str) -> float | None:
    """The number that a plain word is; None if it is none."""
    found = re.fullmatch(rf"(\d+)(?:{POINT}(\d+))?", word)
    return float(f"{found[1]}.{found[2] or 0}") if found else None


def spelled_out(text: str) -> str:
    """Give "we're" as "we were", which has no meaning without its apostrophe, and "began to fall" as "to fall"."""
    text = re.sub(r"(?<=\d),(?=\d{3}\b)", "", text)
    text = re.sub(r"\bwe['’]re\b", "we were", text, flags=re.IGNORECASE)
    text = _NOT.sub("not", text)
    # "in cloud, I think": the doubt is about what stands before it
    doubts = "|".join(re.escape(" ".join(way)) for way in phrases().certainty if way)
    text = re.sub(rf",\s*((?:{doubts})\s*(?:[,;.]|$))", r" \1", text, flags=re.IGNORECASE)
    begun = "|".join(phrases().begun)
    return re.sub(rf"\b(?:{begun})\s+(?=to\s|\w+ing\b)", "", text, flags=re.IGNORECASE)


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
    """Give an id as words, as they are spelled on screens (ids keep the spelling of older files)."""
    shown = phrases().shown
    if entry_id in shown:
        return shown[entry_id]
    spelled = entry_id.replace("behaviour", "behavior").replace("draught", "draft")
    return re.sub(r"_height\b", " altitude", spelled).replace("_", " ")


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
    """Give the id that a text means: exactly, by a beginning that fits one, by its words in any order, or nearly.

    Raises UnknownName with the nearest names.
    """
    wanted = plain(text)
    fitting = [entry for entry in known if plain(entry) == wanted]
    fitting = fitting or [entry for entry, ways in known.items() if wanted in ways]
    if not fitting and " " in wanted:
        # "a blocked static" is "static blocked"
        wanted = re.sub(r"^(?:(?:a|an|the|my|our) )+", "", wanted)
        parts = sorted(wanted.split())
        fitting = [entry for entry, ways in known.items() if any(sorted(w.split()) == parts for w in ways)]
    if not fitting and len(wanted) >= phrases().likeness.shortest_beginning:
        fitting = [entry for entry, ways in known.items() if any(w.startswith(wanted) for w in ways)]
    if not fitting and " " in wanted:
        fitting = [entry for entry, ways in known.items() if any(_holds(way, wanted) for way in ways)]
    meant = "" if fitting else mistyped(wanted, {way: entry for entry, ways in known.items() for way in ways})
    if not fitting and not meant and " " in wanted:
        # "blocked pitot ram with open drain": its words stand in several names of one entry
        telling = " ".join(word for word in core(wanted) if (word,) not in phrases().joins)
        fitting = [entry for entry, ways in known.items() if telling and _holds(" ".join(ways), telling)]
    if meant or len(fitting) == 1:
        return meant or fitting[0]
    if fitting:
        nearest_names = tuple(map(readable, fitting[:6]))
        what, on, where = kind.partition(" on ")
        kinds = f"{what}s{on}{where}"
        several = f"{text.strip()!r} can mean several {kinds}"
        raise UnknownName(several, nearest=nearest_names, meanings=tuple(fitting))
    raise UnknownName(f"there is no {kind} {text.strip()!r}", nearest=nearest(wanted, known))


def _holds(way: str, wanted: str) -> bool:
    """Whether a way of writing has all the wanted words, or words that begin so, in any order."""
    shortest = phrases().likeness.shortest_beginning
    words = way.split()
    return all(
        any(word == part or (len(part) >= shortest and word.startswith(part)) for word in words)
        for part in wanted.split()
    )


def mistyped(text: str, entry_of: Mapping[str, str]) -> str:
    """Give the entry whose way of writing is nearly this text and no other's; "" if there is none."""
    return likest(text, entry_of)[0]


def likest(text: str, entry_of: Mapping[str, str]) -> tuple[str, float]:
    """Give the entry whose way of writing is nearly this text and no other's, and how nearly; or ("", 0)."""
    like = phrases().likeness
    if len(text) < like.shortest_mistyped or set(text.split()) & phrases().negation:
        return "", 0.0
    alike = sorted(
        ((difflib.SequenceMatcher(None, text, way).ratio(), entry) for way, entry in entry_of.items()),
        reverse=True,
    )
    if not alike or alike[0][0] < like.sure:
        return "", 0.0
    ratio, best = alike[0]
    others = [other for other, entry in alike if entry != best]
    return (best, ratio) if not others or ratio - others[0] >= like.lead else ("", 0.0)


def nearest(text: str, known: Forms, most: int = 6) -> tuple[str, ...]:
    """Give the names most like a text, as words; the first few known ones if none is like it."""
    entry_of = {way: entry for entry, ways in known.items() for way in ways}
    near = difflib.get_close_matches(text, entry_of, n=4, cutoff=phrases().likeness.near)
    return tuple(map(readable, dict.fromkeys(entry_of[way] for way in near))) or tuple(
        readable(entry) for entry in list(known)[:most]
    )
