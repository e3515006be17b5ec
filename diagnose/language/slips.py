"""Slips of the keyboard: an unknown word that is nearly one of ours, and is no other word of English."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from diagnose.language.lexicon import Lexicon, common_english
from diagnose.language.names import phrases
from diagnose.language.tokens import Token


@dataclass(frozen=True, slots=True)
class Slip:
    """What was typed, and what it was taken for."""

    typed: str
    meant: str


def corrected(words: Sequence[Token], known: Lexicon) -> tuple[tuple[Token, ...], tuple[Slip, ...]]:
    """The words with slips put right, and each correction, to be shown."""
    slips: list[Slip] = []
    made: list[Token] = []
    place = 0
    short = known.tables["short"]
    words = [
        Token(word, token.start, token.end)
        for token in words
        for word in short.get(token.text, token.text).split()
    ]
    said = tuple(token.text for token in words)
    table = {tuple(typed.split()): meant for typed, meant in known.tables["slips"].items()}
    while place < len(words):
        token = words[place]
        if way := next((way for way in table if said[place : place + len(way)] == way), None):
            meant = table[way]
            slips.append(Slip(" ".join(way), meant))
            end = words[place + len(way) - 1].end
            made += [Token(word, token.start, end) for word in meant.split()]
            place += len(way)
            continue
        strange = (
            token.text.isalpha()
            and token.text not in known.words
            and token.text not in common_english()
            and token.text not in known.tables["prose"]["harmless"]
        )
        if strange and (meant := _nearest(token.text, known.words)) and _fits(token.text, meant, known):
            slips.append(Slip(token.text, meant))
            token = Token(meant, token.start, token.end)
        made.append(token)
        place += 1
    return tuple(made), tuple(slips)


def _fits(typed: str, meant: str, known: Lexicon) -> bool:
    """Whether a word of three letters was taken for one of the small words of every sentence."""
    _, senses = known.at((meant,), 0)
    small = {"determiner", "copula", "joins", "breaks", "negation", "pronoun", "aircraft"}
    return len(typed) > 3 or any(sense.kind in small for sense in senses)


@lru_cache(maxsize=4096)
def _nearest(word: str, known: frozenset[str]) -> str:
    """The one known word within a slip or two of this; "" if there is none or several."""
    from rapidfuzz import process
    from rapidfuzz.distance import OSA

    like = phrases().likeness
    if len(word) < like.shortest_mistyped:
        # two letters that changed places, or a last one left out: in a short word nothing else is sure
        swapped = {word[:at] + word[at + 1] + word[at] + word[at + 2 :] for at in range(len(word) - 1)}
        found = sorted(other for other in swapped | {f"{word}e", f"{word}l", f"{word}g"} if other in known)
        return found[0] if len(found) == 1 and len(word) >= like.shortest_beginning else ""
    most = 1 if len(word) < 8 else 2
    longer = [other for other in _by_letter(known).get(word[0], ()) if len(other) >= like.shortest_mistyped]
    near = sorted(
        (distance, _consonants(other) != _consonants(word), len(other) != len(word), other)
        for other, distance, _ in process.extract(
            word, longer, scorer=OSA.distance, score_cutoff=most, limit=None
        )
    )
    if len(near) > 1 and near[0][:3] == near[1][:3]:
        # "normaly": normal or normally is the same
        return near[1][3] if near[1][3].startswith(near[0][3]) and len(near) == 2 else ""
    return near[0][3] if near else ""


def _consonants(word: str) -> str:
    """The consonants of a word: who types "heet" has those of "heat" in mind."""
    return "".join(letter for letter in word if letter not in "aeiouy")


@lru_cache(maxsize=4)
def _by_letter(known: frozenset[str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for word in sorted(known):
        found.setdefault(word[0], []).append(word)
    return found
