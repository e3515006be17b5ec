"""A pilot's own story, sentence by sentence and clause by clause, to pieces of evidence.

Whatever a clause says that is understood becomes a ``Piece`` with the words that it came from; the rest is
kept as not used. Nothing is refused whole. What may mean two things is asked, what is guessed by the teller
is no evidence, and what nobody looked at is silence.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.lexicon import lexicon, spoken
from diagnose.language.names import plain
from diagnose.language.prose.pieces import EVIDENCE, Piece, SentenceRead, State, Unused
from diagnose.language.prose.sentence import SentenceReader
from diagnose.language.tokens import sentences
from diagnose.model.errors import CaseError

__all__ = ["EVIDENCE", "HELD_BACK", "TAKEN_BACK", "Piece", "SentenceRead", "Unused", "named_gauge", "read_story"]

#: kinds of pieces that go into a case
_TOLD = EVIDENCE | {"switch", "condition", "no_condition", "fitted", "same"}
#: why something is not used: it was taken back later; it is itself about what an earlier line told
TAKEN_BACK, TAKES_BACK = "taken back", "takes back what was told before"
REORDERS = "puts what was told before in another order"
HELD_BACK = (TAKES_BACK, REORDERS)


def named_gauge(text: str, kb: KnowledgeBase) -> str:
    """The one gauge that a few words name, in whichever words a story may use; "" if none or several."""
    known, words = lexicon(kb), spoken(text)
    found, at = set(), 0
    while at < len(words):
        length, senses = known.at(words, at)
        found |= {sense.value for sense in senses[:1] if sense.kind == "gauge"}
        at += length or 1
    return found.pop() if len(found) == 1 else ""


def read_story(text: str, kb: KnowledgeBase) -> tuple[SentenceRead, ...]:
    """Read a text of any length. Raises CaseError for a line that is too long to be a story."""
    known = lexicon(kb)
    longest = int(known.tables["prose"]["longest_line"])
    if len(text) > longest:
        raise CaseError(
            f"a story may have {longest:,} characters, this one has {len(text):,}",
            mend="tell it in parts, or leave out what has nothing to do with the instruments",
        )
    state = State()
    read = [SentenceReader(kb, known, state, sentence).read() for sentence in sentences(text)]
    return tuple(_corrected(read, known.tables["correction"]))


def _corrected(read: list[SentenceRead], table: dict[str, Any]) -> list[SentenceRead]:
    """Withdraw what a later sentence takes back: "No, that was the other day"; mark what tells another order."""
    for number, sentence in enumerate(read):
        text = plain(sentence.text)
        begins = text.split()[:1] and text.split()[0] in table["first"]
        back = re.search(rf"\b(?:{'|'.join(table['back'])})\b", text)
        if back:
            # what stands before it in its own sentence, else the last sentence that told of a gauge or a switch
            told = [p for p in sentence.pieces if plain(p.words) in text[: back.start()]]
            of = [number] if any(p.kind in _TOLD for p in told) else [
                at for at in range(number) if any(p.kind in _TOLD for p in read[at].pieces)
            ][-1:]
            for at in of:
                gone = told if at == number else list(read[at].pieces)
                unused = [Unused(words=p.words, gauge=p.gauge, why=TAKEN_BACK) for p in gone if p.kind in _TOLD]
                read[at] = replace(
                    read[at],
                    pieces=tuple(p for p in read[at].pieces if p not in gone),
                    unused=(*unused, *(u for u in read[at].unused if u.words not in text)),
                )
            if not of:
                read[number] = replace(sentence, unused=(Unused(words=back[0], why=TAKES_BACK), *sentence.unused))
            continue
        order = begins and re.search(rf"\b(?:{'|'.join(table['order'])})\b", text)
        placed = any(p.kind == "time" and p.value == "earlier" for p in sentence.pieces)
        kinds = [p.facet for p in sentence.pieces if p.kind == "reading"]
        twice = len(kinds) > len(set(kinds))
        if order and not placed and (twice or not any(p.kind in _TOLD for p in sentence.pieces)):
            read[number] = replace(sentence, unused=(Unused(words=sentence.text, why=REORDERS), *sentence.unused))
    return read
