"""Every phrase that a story may hold, with what it can mean: built once per knowledge base from knowledge/.

The words stand with the entries themselves (gauges, readings, maneuvers, conditions), in words.toml and in
story.toml, which says what each of its tables is.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from typing import Any

from diagnose.knowledge.load import KnowledgeBase, knowledge_root
from diagnose.language.names import Words, forms, phrases, plain, readable

#: kinds whose words are only glue: they never name what was meant
GLUE = frozenset({"copula", "adverb", "determiner", "join", "report", "filler"})


@dataclass(frozen=True, slots=True)
class Sense:
    """One meaning of a phrase: its kind, which entry of that kind, and whether it counts only beside its gauge."""

    kind: str
    value: str = ""
    weak: bool = False


@dataclass(frozen=True, slots=True)
class Behaviour:
    """What a gauge did, whatever the gauge.

    ``means``: readings in order of preference; ``only``: the gauges it can be said of (empty: any);
    ``denied``: the behavior that its denial means; ``asks``: what is missing where no reading fits.
    """

    id: str
    means: tuple[str, ...]
    only: frozenset[str] = frozenset()
    denied: str = ""
    asks: str = ""
    flown: str = ""
    names: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lexicon:
    """Phrases by their first word, longest first, each with its senses; and the tables of story.toml."""

    phrases: Mapping[str, tuple[tuple[Words, tuple[Sense, ...]], ...]]
    behaviours: Mapping[str, Behaviour]
    collisions: tuple[tuple[tuple[Words, ...], tuple[Words, ...], tuple[str, ...]], ...]
    words: frozenset[str]
    tables: Mapping[str, Any]
    units: Mapping[Words, str]
    only: Mapping[str, frozenset[str]] = field(default_factory=dict)
    bases: frozenset[str] = frozenset()

    def is_base(self, word: str) -> bool:
        """Whether a word is the plain form of a verb of behavior: "fall", and not "fell"."""
        return word in self.bases

    def at(self, words: Words, place: int) -> tuple[int, tuple[Sense, ...]]:
        """Length and senses of the longest phrase at a place; (0, ()) if none is known."""
        for phrase, senses in self.phrases.get(words[place], ()):
            if words[place : place + len(phrase)] == phrase:
                return len(phrase), senses
        return 0, ()


@cache
def story_tables() -> dict[str, Any]:
    """The tables of knowledge/story.toml."""
    return tomllib.loads((knowledge_root() / "story.toml").read_text(encoding="utf-8"))


@cache
def common_english() -> frozenset[str]:
    """Words of ordinary English that look like one of ours, and so are no slips (knowledge/english.txt)."""
    text = (knowledge_root() / "english.txt").read_text(encoding="utf-8")
    return frozenset(line.strip() for line in text.splitlines() if not line.startswith("#"))


def inflected(verb: str, irregular: Mapping[str, list[str]]) -> tuple[str, ...]:
    """A verb in all its forms; what follows its first word is kept ("bleed off": "bled off")."""
    first, space, rest = verb.partition(" ")
    stem = first[:-1] if first.endswith("e") and not first.endswith("ee") else first
    double = first + first[-1] if first[-1] not in "aeiouwxy" and first[-2:-1] in "aeiou" else stem
    made = [first, f"{first}s", f"{first}es", f"{stem}ing", f"{double}ing", *irregular.get(first, ())]
    if first.endswith("y"):
        made += [f"{first[:-1]}ies", f"{first[:-1]}ied"]
    if first not in irregular:
        made += [f"{stem}ed", f"{double}ed"]
    return tuple(dict.fromkeys(f"{form}{space}{rest}" for form in made))


class _Builder:
    def __init__(self) -> None:
        self.senses: dict[Words, dict[Sense, None]] = {}

    def add(self, texts: Iterable[str], kind: str, value: str = "", *, weak: Iterable[str] = ()) -> None:
        loose = {spoken(text) for text in weak}
        for text in texts:
            if words := spoken(text):
                self.senses.setdefault(words, {})[Sense(kind, value, words in loose)] = None

    def done(self) -> dict[str, tuple[tuple[Words, tuple[Sense, ...]], ...]]:
        by_first: dict[str, list[tuple[Words, tuple[Sense, ...]]]] = {}
        for words in sorted(self.senses, key=len, reverse=True):
            by_first.setdefault(words[0], []).append((words, tuple(self.senses[words])))
        return {first: tuple(listed) for first, listed in by_first.items()}


def spoken(text: str) -> Words:
    """The words of a phrase as the tokens of a story would give them."""
    from diagnose.language.tokens import tokens

    words = tuple(text.split())
    if (
        text.replace(" ", "").isalpha()
        and text.islower()
        and not any(w.endswith(("nt", "not")) for w in words)
    ):
        return words  # nothing that the tokens would part
    return tuple(token.text for token in tokens(text) if token.text.isalnum())


class _Same:
    """A knowledge base compared by identity, so that its lexicon is built once."""

    def __init__(self, kb: KnowledgeBase) -> None:
        self.kb = kb

    def __hash__(self) -> int:
        return id(self.kb)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.kb is self.kb


def lexicon(kb: KnowledgeBase) -> Lexicon:
    """The lexicon of a knowledge base, built once for it."""
    return _lexicon(_Same(kb))


@lru_cache(maxsize=4)
def _lexicon(same: _Same) -> Lexicon:
    kb, found, said = same.kb, story_tables(), phrases()
    build = _Builder()
    loose = found["prose"]["loose"]
    for gauge_id, ways in found["gauge"].items():
        build.add(ways, "gauge", gauge_id, weak=loose)
    taken = set(build.senses)
    for gauge in kb.gauges.values():
        if gauge.group != "checks":
            ways = [way for way in forms(gauge.id, gauge.name, gauge.words) if spoken(way) not in taken]
            build.add(ways, "gauge", gauge.id, weak=loose)
    # "the heading thing", "speed gauge": a dial in more words is that dial, however loose its name
    for named in [way for way in build.senses if len(way) == 1]:
        for sense in list(build.senses[named]):
            build.add((f"{named[0]} {dial}" for dial in found["prose"]["dial_words"]), "gauge", sense.value)
    # "the needle of the speed"
    for named in [way for way in build.senses if len(way) == 1 and way[0] in loose]:
        for sense in list(build.senses[named]):
            ways = [
                f"{dial} of {the}{named[0]}" for dial in found["prose"]["dial_words"] for the in ("", "the ")
            ]
            build.add(ways, "gauge", sense.value)
    only: dict[str, frozenset[str]] = {}
    for kind, entry in found["pronoun"].items():
        ways = entry if isinstance(entry, list) else entry["words"]
        build.add(ways, "pronoun", kind)
        if isinstance(entry, dict):
            only[kind] = frozenset(entry["only"])
    for group, words in found["all"].items():
        build.add(words, "gauges", group)
    behaviours: dict[str, Behaviour] = {}
    for name, entry in found["behaviour"].items():
        verbs = [form for verb in entry.get("verbs", ()) for form in inflected(verb, found["irregular"])]
        weak = entry.get("weak", ())
        build.add((*verbs, *entry.get("words", ()), *weak), "behaviour", name, weak=weak)
        behaviours[name] = Behaviour(
            name,
            tuple(entry["means"]),
            frozenset(entry.get("only", ())),
            entry.get("not", ""),
            entry.get("asks", ""),
            entry.get("flown", ""),
            entry.get("names", ""),
        )
    # the words that stand with each reading, for its own gauge
    for gauge in kb.gauges.values():
        for facet in gauge.facets if gauge.group != "checks" else ():
            for reading in facet.readings:
                value = f"{gauge.id}.{facet.id}.{reading.id}"
                ways = [way for way in forms(reading.id, reading.id, reading.words) if way not in said.filler]
                build.add(ways, "reading", value, weak=[way for way in ways if " " not in way])
    for flown, entry in found["flown"].items():
        motion = [form for verb in entry.get("motion", ()) for form in inflected(verb, found["irregular"])]
        build.add(motion, "motion", flown)
        build.add(entry.get("setting", ()), "setting", flown)
    for manoeuvre in kb.manoeuvres.values():
        names = forms(manoeuvre.id, manoeuvre.name, manoeuvre.words)
        build.add([way for way in names if " " in way], "setting", manoeuvre.id)
    for flag in kb.context.values():
        extra = found["day"].get(flag.id, {})
        words = [plain(word) for word in flag.words if plain(word) not in found["prose"]["not_day"]]
        build.add((*words, *extra.get("words", ())), "day", flag.id)
        build.add(extra.get("clear", ()), "clear", flag.id)
    for panel, entry in found["fitted"].items():
        build.add(entry.get("words", ()), "fitted", panel)
        build.add(entry.get("maybe", ()), "maybe", panel)
    for switch, entry in found["switch"].items():
        build.add(entry["names"], "switch", switch)
        build.add(entry["on"], "moved", "on", weak=entry["on"])
        build.add(entry["off"], "moved", "off", weak=entry["off"])
    # "not move" may be a reading of one gauge: what its denial means for the others stays known
    for said_so, senses in list(build.senses.items()):
        if said_so[0] in ("not", "never") and not any(sense.kind == "behaviour" for sense in senses):
            for sense in build.senses.get(said_so[1:], ()):
                if sense.kind == "behaviour" and (other := behaviours[sense.value].denied):
                    senses[Sense("behaviour", other)] = None
    build.add(found["no_effect"], "no_effect")
    build.add(found["cures"], "cure")
    for says, words in found["noted"].items():
        build.add(words, "noted", says)
    for says, entry in found["tried"].items():
        for thing in entry.get("things", ()):
            articles = [f"{article}{thing}" for article in ("", "the ", "my ", "our ")]
            build.add([f"{verb} {named}" for verb in entry["did"] for named in articles], "noted", says)
            build.add([f"{thing} {way}" for way in entry["then"]], "noted", says)
    for kind in ("aircraft", "others", "perceive", "attend", "report", "copula", "adverb", "determiner"):
        build.add(found[kind], kind)
    for kind in ("negation", "breaks", "joins", "onward", "earlier", "throughout", "hearsay", "guess"):
        build.add(found[kind], kind)
    for kind in (
        "silence",
        "same_again",
        "rest_fine",
        "excepting",
        "everything",
        "ordinary",
        "if_words",
        "supposed_whole",
    ):
        build.add(found[kind], kind)
    for phrase, sure in said.certainty.items():
        build.add((" ".join(phrase),), "hedge", str(sure))
    build.add(said.filler, "filler")
    for aside in said.asides:
        build.add((" ".join(aside),), "filler")
    during = [way for way in said.during if way not in ("we", "we were", "i was", "as", "flying")]
    build.add(during, "during")
    units = {spoken(word): unit for unit, words in found["prose"]["units"].items() for word in words}
    numbers = (*units, *((word,) for word in (*found["prose"]["counts"], *found["prose"]["times"])))
    known = frozenset(word for phrase in (*build.senses, *numbers) for word in phrase)
    collisions = tuple(
        (
            tuple(spoken(text) for text in entry["text"]),
            tuple(spoken(text) for text in entry.get("unless", ())),
            tuple(entry["both"]),
        )
        for entry in found["collision"]
    )
    return Lexicon(
        phrases=build.done(),
        behaviours=behaviours,
        collisions=collisions,
        words=known,
        tables=found,
        units=units,
        only=only,
        bases=frozenset(
            verb.split()[0] for entry in found["behaviour"].values() for verb in entry.get("verbs", ())
        ),
    )


def said_of(kb: KnowledgeBase, gauge: str, behaviour: Behaviour) -> tuple[str, ...]:
    """The readings ("facet.reading", "!facet.reading", "expected", "disagree") of a gauge for a behavior; () for none."""
    if behaviour.only and gauge not in behaviour.only:
        return ()
    known = {f"{facet.id}.{reading.id}" for facet in kb.gauges[gauge].facets for reading in facet.readings}
    for meant in behaviour.means:
        parts = meant.removeprefix("!").split(".")
        if meant in ("expected", "disagree"):
            return (meant,)
        if len(parts) == 3 and parts[0] != gauge:
            continue
        reading = ".".join(parts[-2:])
        if reading in known:
            return (f"!{reading}" if meant.startswith("!") else reading,)
    return ()


def unknown_readings(kb: KnowledgeBase) -> list[str]:
    """Readings that story.toml names and no gauge has; a test holds it empty."""
    known = {
        f"{gauge.id}.{facet.id}.{reading.id}"
        for gauge in kb.gauges.values()
        for facet in gauge.facets
        for reading in facet.readings
    }
    ends = {name.partition(".")[2] for name in known}
    return [
        f"{behaviour.id}: {meant}"
        for behaviour in lexicon(kb).behaviours.values()
        for meant in behaviour.means
        if meant not in ("expected", "disagree", "none") and meant.removeprefix("!") not in known | ends
    ]


__all__ = [
    "GLUE",
    "Behaviour",
    "Lexicon",
    "Sense",
    "common_english",
    "lexicon",
    "plain",
    "readable",
    "said_of",
]
