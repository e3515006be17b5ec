"""What the name of a column says: words, a unit, and the channels that it may mean."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import Literal

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Channel
from diagnose.review.records import known_unit
from diagnose.review.table import plain_unit

#: words that say that a value comes from satellites
BY_GPS = frozenset({"gps", "gnss", "wgs", "wgs84", "satellite"})
#: words behind a unit that tell nothing: an altitude above sea level may be any
ABOVE_SEA = frozenset({"msl", "amsl"})
#: channels that feel the pressure of the air, and those that are instruments whatever else is there
PRESSURE = ("airspeed_kt", "altimeter_ft", "vertical_speed_fpm")
INSTRUMENTS = (*PRESSURE, "pitch_deg", "bank_deg", "turn_dps", "compass_deg", "suction_inhg")
POSITION = ("latitude_deg", "longitude_deg")
GPS = (*POSITION, "gps_height_ft", "gps_speed_kt", "gps_track_deg")


# ------------------------------------------------------------------ names


def plain(name: str) -> tuple[str, str]:
    """A column's name in small plain words, and the unit that stands in it."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name.replace("\N{LATIN SMALL LETTER SHARP S}", "ss"))
    unit = ""
    bracket = re.search(r"[(\[]([^)\]]*)[)\]]", spaced)
    if bracket:
        unit, spaced = bracket[1], spaced[: bracket.start()] + " " + spaced[bracket.end() :]
    spaced = unicodedata.normalize("NFKD", spaced.lower().replace("\N{DEGREE SIGN}", " deg"))
    bare = "".join(sign for sign in spaced if not unicodedata.combining(sign))
    words = re.sub(r"[^a-z0-9/]+", " ", re.sub(r"(?<=[a-z])(?=\d)", " ", bare)).split()
    return " ".join(words), unit.strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What a column's name says: words of it, its unit ("" for none) and the words that stand behind the unit."""

    words: tuple[str, ...]
    unit: str
    beside: frozenset[str]


def parted(name: str, unit_below: str, units: frozenset[str], whole: frozenset[str], qualifies: frozenset[str]) -> Named:  # fmt: skip
    """Part a name, and a row of units, into words and a unit; a last word that is a unit is taken for one.

    ``whole``: names that are not parted ("engine rpm"); ``qualifies``: words that are no unit.
    """
    text, unit = plain(name)
    unit = unit or unit_below
    words = text.split()
    if not unit and len(words) > 1 and text not in whole:
        for count in (2, 1):
            last = " ".join(words[-count:])
            if len(words) > count and plain_unit(last) in units:
                words, unit = words[:-count], last
                break
    beside = frozenset[str]()
    if unit and set(plain(unit)[0].split()) <= qualifies and plain_unit(unit) not in units:
        # no unit but a word that says which: (mag), (baro), (GPS)
        unit, beside = unit_below, frozenset(plain(unit)[0].split()) - ABOVE_SEA
    if unit and plain_unit(unit) not in units:
        first, *others = unit.replace("_", " ").split() or [""]
        if plain_unit(first) in units:
            unit, beside = first, beside | frozenset(word.lower() for word in others) - ABOVE_SEA
    return Named(words=tuple(words), unit=unit, beside=beside)


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How well a name fits a channel: ``how`` its words stand there, ``loose`` if another channel has them as well."""

    channel: str
    score: float
    how: Literal["its name", "a part of its name", "unclear"]
    loose: bool


def meanings(named: Named, kb: KnowledgeBase) -> list[Fit]:
    """The channels that a name may mean, best first."""
    tokens = (*named.words, *sorted(named.beside))
    other, neutral = set(kb.recording.other_words), set(kb.recording.plain_words)
    whole = {" ".join(tokens), "".join(tokens)}
    if not named.beside & (other | BY_GPS):
        # what stands behind the unit need not be part of the name
        whole |= {" ".join(named.words), "".join(named.words)}
    found = []
    for channel in kb.recorded.values():
        best: Fit | None = None
        for loose, words in ((False, channel.words), (True, channel.loose)):
            for place, word in enumerate(words):
                wanted = plain(word)[0].split()
                left = set(tokens) - set(wanted)
                if {" ".join(wanted), "".join(wanted)} & whole:
                    how, score = "its name", 1.0
                elif (
                    not set(wanted) <= set(tokens)
                    or left & other
                    or (left & BY_GPS and channel.id not in GPS)
                ):
                    continue
                elif left <= neutral:
                    how, score = "a part of its name", 0.5 + 0.4 * len(wanted) / len(tokens)
                else:
                    how, score = "unclear", 0.4 * len(wanted) / len(tokens)
                if left & BY_GPS and channel.id in GPS:
                    loose = False
                score -= 0.004 * place + 0.05 * loose
                if best is None or score > best.score:
                    best = Fit(channel=channel.id, score=score, how=how, loose=loose)  # type: ignore[arg-type]
        if best is not None:
            found.append(best)
    return sorted(found, key=lambda fit: -fit.score)


def unit_may_be(named: Named, channel: Channel, kb: KnowledgeBase) -> bool:
    """Whether the column's unit is one of the channel's, is unknown, or is not given; not one of other things."""
    unit = named.unit
    if not unit or known_unit(channel, unit):
        return True
    return not any(known_unit(other, unit) for other in kb.recorded.values())
