"""The readings of one gauge in words: which reading stands at a place, and what to say if none does."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

from diagnose.language.lexicon import story_tables
from diagnose.language.names import (
    Words,
    core,
    forms,
    length_at,
    mistyped,
    nearest,
    number_of,
    phrase_at,
    phrases,
    plain,
    readable,
)
from diagnose.model import Gauge
from diagnose.model.errors import CaseError, DiagnoseError, TellsMore, UnknownName

#: (facet, reading)
Pair = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Found:
    """A facet's reading, how many words said it, and whether they said that it was not this one."""

    facet: str
    reading: str
    length: int
    denied: bool = False


def reading_ways(gauge: Gauge, only: str = "") -> dict[Words, Pair]:
    """Ways to say each reading of a gauge, or of one facet; of two facets the first keeps the word."""
    ways: dict[Words, Pair] = {}
    for facet in gauge.facets:
        for reading in facet.readings if not only or facet.id == only else ():
            for form in forms(reading.id, reading.id, reading.words):
                ways.setdefault(core(form), (facet.id, reading.id))
    for way, same in phrases().same.items():
        # "came on immediately" without its filler is the plain word for another reading, which is meant
        plain_word = next((ways[core(other)] for other in same if core(other) in ways), None)
        if plain_word and way in ways and ways[way][0] != plain_word[0]:
            ways[way] = plain_word
    return ways


def reading_list(gauge: Gauge, only: str = "") -> str:
    """Everything that can be said of a gauge, for messages."""
    facets = [facet for facet in gauge.facets if not only or facet.id == only]
    return "; ".join(", ".join(readable(reading.id) for reading in facet.readings) for facet in facets)


def size_at(gauge: Gauge, words: Words, place: int, only: str = "") -> Found | None:
    """The size that stands at this place: "3.8", "40 low", "high by 2800"; where a sign is needed it must be said."""
    if not any(word[:1].isdigit() for word in words[place : place + 4]):
        return None
    for facet in gauge.facets:
        if facet.sizes is None or (only and facet.id != only):
            continue
        sizes, ways = facet.sizes, reading_ways(gauge, facet.id)
        side, at = "", place
        if words[at][:1].isdigit():
            number, at = words[at], at + 1
            while at < len(words) and words[at] in sizes.words:
                at += 1
            length = length_at(words, at, ways)
            if length and (reading := ways[words[at : at + length]][1]) in (*sizes.low, *sizes.high):
                side, at = reading, at + length
        else:
            length = length_at(words, at, ways)
            side, at = (ways[words[at : at + length]][1], at + length) if length else ("", at)
            at += at < len(words) and words[at] == "by"
            if side not in (*sizes.low, *sizes.high) or at >= len(words) or not words[at][:1].isdigit():
                continue
            number, at = words[at], at + 1
            while at < len(words) and words[at] in sizes.words:
                at += 1
        size = number_of(number)
        if size is None or (sizes.low and not side):
            continue
        return Found(facet.id, f"{-size if side in sizes.low else size:g} {sizes.unit}", at - place)
    return None


def reading_at(gauge: Gauge, words: Words, place: int, only: str = "") -> Found | None:
    """The reading that stands at this place: as known, as another word for it, begun or mistyped; or a size."""
    ways = reading_ways(gauge, only)
    a_reading = words[place][:1].isdigit() and length_at(words, place, ways)  # such as "0"
    if not a_reading and (size := size_at(gauge, words, place, only)):
        return size
    if length := length_at(words, place, ways):
        return Found(*ways[words[place : place + length]], length)
    others = {
        way: ways[known]
        for way, same in phrases().same.items()
        if (known := next((core(other) for other in same if core(other) in ways), None))
    }
    if way := phrase_at(words, place, others):
        return Found(*others[way], len(way))
    pair_of = {" ".join(known): pair for known, pair in ways.items()}
    # "or zero" is no slip for "on zero"
    alike = {
        way: pair
        for way, pair in others.items()
        if min(map(len, way)) > phrases().likeness.shortest_beginning
    }
    nearly = {" ".join(way): "/".join(pair) for way, pair in {**alike, **ways}.items()}
    for length in range(min(phrases().likeness.longest_mistyped, len(words) - place), 0, -1):
        text = " ".join(words[place : place + length])
        begun = {pair for known, pair in pair_of.items() if known.startswith(text)}
        if (
            len(begun) == 1
            and len(text) >= phrases().likeness.shortest_beginning
            and text not in phrases().negation
        ):
            return Found(*begun.pop(), length)
        if near := mistyped(text, nearly):
            facet, reading = near.split("/")
            return Found(facet, reading, length)
    return None


def denied_at(gauge: Gauge, words: Words, place: int, only: str = "") -> Found | None:
    """The reading that these words deny: "not falling", or "wrong" where the gauge can be right."""
    said = phrases()
    if words[place] in said.negation:
        after = place + 1
        while after < len(words):
            if found := reading_at(gauge, words, after, only):
                return replace(found, length=found.length + after - place, denied=True)
            if words[after] not in said.helpers:  # "has not been falling"
                return None
            after += 1
        return None
    if length := len(phrase_at(words, place, said.abnormal)):
        ways = reading_ways(gauge, only)
        normal = Counter(ways[core(word)] for word in said.normal if core(word) in ways)
        # one word alone may mean something else: "right" of a turn coordinator is a turn
        sound = [pair for pair, count in normal.items() if count > 1]
        return Found(*sound[0], length, denied=True) if sound else None
    return None


def facet_at(gauge: Gauge, words: Words, place: int) -> tuple[str, int]:
    """The facet whose name stands at this place with one of its readings after it, and the name's length."""
    for facet in gauge.facets:
        name = tuple(plain(facet.id).split())
        after = place + len(name)
        if words[place:after] == name and after < len(words) and reading_at(gauge, words, after, facet.id):
            return facet.id, len(name)
    return "", 0


def readings_in(gauge: Gauge, words: Words) -> dict[str, Found]:
    """Read one or more readings by their facets; a facet's name may stand before each.

    Raises CaseError and UnknownName for what is not understood or contradicts itself.
    """
    told: dict[str, Found] = {}
    place = 0
    stood = drifted = False
    while place < len(words):
        if drifted and (length := _how_far(gauge, words, place)):
            place += length
            continue
        only, length = facet_at(gauge, words, place)
        place += length
        found = reading_at(gauge, words, place, only) or denied_at(gauge, words, place, only)
        if found is None:
            if join := phrase_at(words, place, phrases().joins):
                place += len(join)
                continue
            if stood and words[place].isdecimal():
                place += 1  # "stuck at 3000": where it stood is not needed
                continue
            raise not_understood(gauge, words[place:], only)
        before = told.setdefault(found.facet, found)
        if before.denied and not found.denied:
            told[found.facet] = found  # "not normal, low": what it did says more
        elif before.reading != found.reading and not found.denied:
            first, second = readable(before.reading), readable(found.reading)
            raise CaseError(
                f"the {gauge.name} cannot be both {first} and {second} at once",
                mend="keep one, or start a second moment for the later reading",
            )
        stood = found.reading == "steady" and not found.denied
        drifted = found.facet == "trend" and not stood and not found.denied
        place += found.length
    return told


def _how_far(gauge: Gauge, words: Words, place: int) -> int:
    """How many words tell how far a needle or card moved ("drifted | by 20 degrees"): never what it read."""
    at = place + (words[place] == "by")
    if at >= len(words) or not words[at][:1].isdigit():
        return 0
    size = size_at(gauge, words, at)
    if size and any(f.id == size.facet and f.sizes and f.sizes.low for f in gauge.facets):
        return 0  # "falling, 40 low"
    units = {unit for facet in gauge.facets if facet.sizes for unit in facet.sizes.words}
    at += 1
    while at < len(words) and words[at] in units:
        at += 1
    return at - place


def not_understood(gauge: Gauge, words: Words, only: str = "") -> DiagnoseError:
    """Say why these words are no reading of the gauge."""
    said, text, ways = phrases(), " ".join(words), reading_ways(gauge, only)
    options = reading_list(gauge, only)
    if vague := phrase_at(words, 0, said.vague):
        kind = TellsMore if any(word[0].isdigit() for word in words) else CaseError  # "from 145 to 105"
        return kind(
            f"{' '.join(vague)!r} does not say what the {gauge.name} showed: {said.vague[vague]}",
            mend=options,
        )
    if words[0] in said.negation:
        return CaseError(f"{text!r} does not say what the {gauge.name} did instead", mend=options)
    if set(words) & said.later:
        return TellsMore(
            f"{text!r} tells of another moment",
            mend="say what was seen first, then start a second moment for what followed",
        )
    if phrase_at(words, 0, (*said.disagree, *said.disagree_together)):
        return CaseError(
            f"this does not say with what the {gauge.name} disagrees",
            mend="name the other: attitude disagrees with turn coordinator",
        )
    if any(letter.isdigit() for letter in words[0]):
        return TellsMore(
            f"numbers are not read: {text!r}",
            mend=f"{options} ('readings {gauge.words[0]}' tells what counts as what)",
        )
    begun = {reading for way, (_, reading) in ways.items() if " ".join(way).startswith(text)}
    if len(begun) > 1:
        near = ", ".join(readable(reading) for reading in sorted(begun))
        for facet in gauge.facets:
            others = [reading.id for reading in facet.readings if reading.id not in begun]
            if len(others) == 1 < len(facet.readings) - 1 == len(begun):
                near += f"; if you do not know which: {gauge.words[0]} not {readable(others[0])}"
        # "the higher I go": a verb of any sentence, and no beginning of "going up"
        kind = TellsMore if text in story_tables()["copula"] else CaseError
        return kind(f"{text!r} can mean several readings of the {gauge.name}", mend=near)
    known = {readable(reading): (" ".join(way),) for way, (_, reading) in ways.items()}
    return UnknownName(
        f"there is no reading of the {gauge.name} {text!r}", mend=options, nearest=nearest(text, known)
    )
