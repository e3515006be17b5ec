"""What a sentence says beside the gauges: what was flown, and conditions."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.names import (
    Named,
    core,
    entry_forms,
    forms,
    length_at,
    mistyped,
    phrase_at,
    phrases,
    plain,
    spelled_out,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneWords:
    """What was flown ("" if nothing says it), the conditions, and the text that is left for the gauges.

    ``unsure``: conditions named with a doubt; a condition counts or does not, so these are not taken.
    ``denied``: conditions that were said not to be.
    ``alone``: the maneuver was named without a word such as "in", so that it may be a reading as well.
    """

    manoeuvre: str = ""
    context: tuple[str, ...] = ()
    unsure: tuple[str, ...] = ()
    denied: tuple[str, ...] = ()
    rest: str = ""
    alone: bool = False


def scene_words(text: str, kb: KnowledgeBase) -> SceneWords:
    """Part "in the climb the airspeed fell, heavy rain" into maneuver, conditions and the rest.

    A maneuver must follow a word of ``during`` (words.toml), begin the sentence before a colon, or be all
    that is said. Nothing is taken that its clause denies before it is named: "not in the climb".
    """
    text = spelled_out(text)
    for aside in phrases().asides:
        text = re.sub(rf"\b{_spaced(' '.join(aside))}\b", "", text.replace("'", ""), flags=re.IGNORECASE)
    for entry, ways in entry_forms(kb.manoeuvres).items():
        if core(text) in map(core, ways):
            return SceneWords(manoeuvre=entry, alone=True)
    unsure, denied, text = _clauses(text, kb)
    manoeuvre, text = flown_in(text, kb)
    context: list[str] = []
    while True:
        flag, left = _take(text, kb.context, r"\b(?:(?:in|with)\s+)?(?:(?:the|a|an)\s+)?", kb)
        if not flag:
            break
        context, text = [*context, flag], left
    pieces = [piece for piece in re.split(r"(?<=[,;])", text) if _telling(piece)]
    rest = "".join(pieces).strip(" ,;")
    while context and rest and not _telling(rest.split()[-1]):
        rest = rest.rpartition(" ")[0].strip(" ,;")  # "... and it was" before the condition
    return SceneWords(manoeuvre=manoeuvre, context=tuple(context), unsure=unsure, denied=denied, rest=rest)


def _clauses(text: str, kb: KnowledgeBase) -> tuple[tuple[str, ...], tuple[str, ...], str]:
    """The conditions named with a doubt ("heat may have been off"), those denied, and the text without either."""
    said, doubted, denied, kept = phrases(), [], [], []
    ways = {core(way): flag for flag, all_ways in entry_forms(kb.context).items() for way in all_ways}
    leads = {*said.during, "with", "any"}
    for clause in re.split(r"(?<=[,;])|(?<=\.)(?=\s|$)|(?=\b(?:and|but)\b)", text):
        words, doubt = tuple(plain(clause).split()), "?" in clause
        plainly: list[str] = []
        while words:
            certainty = phrase_at(words, 0, said.certainty)
            doubt = doubt or bool(certainty)
            plainly += [] if certainty else [words[0]]
            words = words[len(certainty) or 1 :]
        meant = tuple(word for word in core(" ".join(plainly)) if (word,) not in said.joins)
        whole = ways.get(meant, "")
        positive = tuple(
            w for w in meant if w not in said.negation and w not in said.filler and w not in leads
        )
        other = "" if whole or positive == meant else ways.get(positive, "")
        if doubt and (whole or other):
            doubted.append(whole or other)
        elif other and set(meant) & said.negation:
            denied.append(other)
        else:
            kept.append(clause)
    return tuple(dict.fromkeys(doubted)), tuple(dict.fromkeys(denied)), "".join(kept).strip(" ,;")


def flown_in(text: str, kb: KnowledgeBase) -> tuple[str, str]:
    """The maneuver that a sentence names, and the text without it."""
    said = phrases()
    head, colon, told = text.partition(":")
    if colon:
        for entry, ways in entry_forms(kb.manoeuvres).items():
            if core(head) in map(core, ways):
                return entry, told.strip()
    for clause in re.split(r"[,;]|\.(?=\s|$)", text):
        for entry, ways in entry_forms(kb.manoeuvres).items():
            # "straight and level"; one word alone may be a reading
            if " " in plain(clause) and plain(clause) in ways and plain(clause) not in _readings(kb):
                return entry, text.replace(clause, "", 1).strip(" ,;:.")
    lead = _lead(said.during)
    later = "|".join(map(re.escape, said.later))
    opening = rf"^\W*(?:and\s+)?(?:{later})\s*,?\s+(?={lead})"
    following = re.sub(opening, "", text, flags=re.IGNORECASE)
    manoeuvre, left = _take(following, kb.manoeuvres, lead, kb)
    if manoeuvre:
        return manoeuvre, left
    entry_of = {way: entry for entry, ways in entry_forms(kb.manoeuvres).items() for way in ways}
    for found in re.finditer(lead, following, re.IGNORECASE):
        words = following[found.end() :].split()
        for count in range(min(said.likeness.longest_mistyped, len(words)), 0, -1):
            near = " ".join(words[:count])
            meant = "" if re.search(r"[,;]", near[:-1]) else mistyped(plain(near), entry_of)
            if meant and not _denied(following, found.start(), kb):
                return meant, f"{following[: found.start()]}{' '.join(words[count:])}".strip(" ,;:.")
    return "", text


def _lead(words: Iterable[str]) -> str:
    """A pattern for any of these words before a name."""
    leads = "|".join(map(re.escape, sorted(words, key=len, reverse=True)))
    return rf"\b(?:{leads})\s+(?:(?:{'|'.join(phrases().filler)})\s+)*"


def meanwhile(text: str, kb: KnowledgeBase) -> bool:
    """Whether a sentence says what was flown meanwhile, so that it is no reading: "zero while climbing"."""
    return bool(_take(spelled_out(text), kb.manoeuvres, _lead(phrases().meanwhile), kb)[0])


def _readings(kb: KnowledgeBase) -> set[str]:
    """Whatever is said of any gauge."""
    return {
        way
        for gauge in kb.gauges.values()
        for facet in gauge.facets
        for reading in facet.readings
        for way in forms(reading.id, reading.id, reading.words)
    }


def named_anywhere(text: str, kb: KnowledgeBase) -> str:
    """The one maneuver that an answer names, without what else it says; "" if it names several or denies."""
    words = tuple(plain(text).split())
    if set(words) & phrases().negation:
        return ""
    entry_of = {
        tuple(way.split()): entry for entry, ways in entry_forms(kb.manoeuvres).items() for way in ways
    }
    found, place = set(), 0
    while place < len(words):
        length = length_at(words, place, entry_of)
        found |= {entry_of[words[place : place + length]]} if length else set()
        place += length or 1
    return found.pop() if len(found) == 1 else ""


def _telling(text: str) -> bool:
    """Whether any word carries meaning."""
    said = phrases()
    return any(word not in said.filler and (word,) not in said.joins for word in plain(text).split())


def _spaced(words: str) -> str:
    """A pattern for words with spaces or hyphens between them."""
    return re.escape(words).replace(r"\ ", r"[\s-]+")


def _denied(text: str, place: int, kb: KnowledgeBase) -> bool:
    """Whether the clause that leads to this place denies what stands there.

    "Airspeed did not fall in the climb" denies what the gauge did, which it names first.
    """
    before = plain(
        re.split(r"[,;.:]|\b(?:but|while|whereas)\b", text[:place], flags=re.IGNORECASE)[-1]
    ).split()
    no = next((at for at, word in enumerate(before) if word in phrases().negation), None)
    if no is None:
        return False
    gauges = {way for ways in entry_forms(kb.gauges).values() for way in ways}
    named = any(" ".join(before[start:end]) in gauges for end in range(no + 1) for start in range(end))
    return not named or not _telling(" ".join(before[no + 1 :]))


def _take(text: str, known: Mapping[str, Named], lead: str, kb: KnowledgeBase) -> tuple[str, str]:
    """The entry whose longest way of writing stands after the lead and is not denied, and the text without it."""
    entry_of = {way: entry for entry, ways in entry_forms(known).items() for way in ways}
    for way in sorted(entry_of, key=len, reverse=True):
        for found in re.finditer(rf"{lead}{_spaced(way)}\b\s*[,:]?", text, re.IGNORECASE):
            if _denied(text, found.start(), kb):
                continue
            # a comma after it parts what stands on either side of it still
            comma = "," if found[0].endswith(",") else ""
            before, after = text[: found.start()].rstrip(), text[found.end() :]
            return entry_of[way], f"{before}{comma} {after}".strip(" ,;:.")
    return "", text
