"""A text to sentences and words, each with the place that it came from."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

#: what an apostrophe stands for
_ENDINGS = {"m": "am", "re": "were", "ve": "have", "ll": "will", "d": "had"}
#: words after which 's is "is"
_IS = frozenset(
    {
        "it",
        "that",
        "what",
        "there",
        "here",
        "who",
        "he",
        "she",
        "where",
        "how",
        "something",
        "everything",
        "nothing",
    }
)
_IRREGULAR = {
    "won't": "will not",
    "can't": "can not",
    "cannot": "can not",
    "ain't": "is not",
    "wont": "will not",
}
_BARE = re.compile(r"(do|did|does|is|was|were|are|has|have|had|could|would|should|ca)nt")
_TOKEN = re.compile(
    r"\d{1,2}:\d\d(?!\d)|\d(?:[\d,]*\d)?(?:\.\d+)?|[^\W\d_]+(?:['’][^\W\d_]+)?|[^\w\s]", re.UNICODE
)
#: a stop that ends no sentence: within a number, after a common abbreviation, or inside dots
_SENTENCE = re.compile(r"(?<=[.!?])[\"')\]]*\s+(?=\S)|\n+")
_ABBREVIATION = re.compile(
    r"\b(?:approx|alt|min|mins|ft|kts|vs|e\.g|i\.e|st|mt|dr|mr|sec|secs|in|hg|deg|hr|hrs)\.$", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class Token:
    """A word, number or sign in lower case, and where it stands in the sentence."""

    text: str
    start: int
    end: int


def sentences(text: str) -> tuple[str, ...]:
    """The sentences of a text; a stop, a question or exclamation mark and a new line end one."""
    found: list[str] = []
    begun = 0
    for place in _SENTENCE.finditer(text):
        piece = text[begun : place.start()]
        after = text[place.end() : place.end() + 1]
        shortened = _ABBREVIATION.search(piece) and (
            after.islower() or text[place.end() : place.end() + 2].lower() == "hg"
        )
        counted = piece.lower().endswith((" no.", " nr.")) and after.isdigit()  # "solo no. 4"
        counted = counted or piece.strip(" .()").isdigit()  # "1. ASI sticks. 2. VSI ok."
        if "\n" not in place[0] and (shortened or counted or _trails_off(piece, after) or _only_asks(piece)):
            continue
        found.append(piece)
        begun = place.end()
    return tuple(piece.strip() for piece in (*found, text[begun:]) if piece.strip())


def _trails_off(piece: str, after: str) -> bool:
    """Whether dots only make a pause: "yet... and"."""
    return piece.endswith("..") and after.islower()


def _only_asks(piece: str) -> bool:
    """Whether a word or two only ask what is answered at once: "Suction? Right on five inches."."""
    return piece.rstrip().endswith("?") and len(piece.split()) <= 2


def tokens(sentence: str) -> tuple[Token, ...]:
    """The words, numbers and signs of a sentence; "didn't" is two, "the copilot's" one."""
    return tuple(_tokens(sentence.lower().replace("’", "'")))


def _tokens(text: str) -> Iterator[Token]:
    for found in _TOKEN.finditer(text):
        word, start, end = found[0], found.start(), found.end()
        if word in _IRREGULAR:
            yield from (Token(part, start, end) for part in _IRREGULAR[word].split())
        elif word.endswith("n't"):
            yield Token(word[:-3], start, end)
            yield Token("not", start, end)
        elif _BARE.fullmatch(word):
            yield Token("can" if word == "cant" else word[:-2], start, end)
            yield Token("not", start, end)
        elif "'" in word:
            stem, _, ending = word.partition("'")
            if ending in _ENDINGS:
                yield Token(stem, start, end)
                yield Token("had" if ending == "d" else _ENDINGS[ending], start, end)
            elif ending == "s" and stem in _IS:
                yield Token(stem, start, end)
                yield Token("is", start, end)
            else:
                yield Token(stem, start, end)  # "the copilot's", "the needle's"
        elif word == "&":
            yield Token("and", start, end)
        elif word in "/-'\"*_~`":
            if word == "-" and text[end : end + 1].isdigit() and not text[start - 1 : start].isalnum():
                yield Token("minus", start, end)
            elif word == "-" and text[start - 1 : start] == " " and text[end : end + 1] == " ":
                yield Token(",", start, end)
        elif word == "+":
            yield Token("plus", start, end)
        elif word == "%":
            yield Token("percent", start, end)
        elif word in "–—":
            yield Token(",", start, end)
        else:
            yield Token(word, start, end)
