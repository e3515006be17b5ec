"""A pilot's own story, sentence by sentence and clause by clause, to pieces of evidence.

Whatever a clause says that is understood becomes a ``Piece`` with the words that it came from; the rest is
kept as not used. Nothing is refused whole. What may mean two things is asked, what is guessed by the teller
is no evidence, and what nobody looked at is silence.
"""

from __future__ import annotations

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.lexicon import lexicon, spoken
from diagnose.language.prose.pieces import EVIDENCE, Piece, SentenceRead, State, Unused
from diagnose.language.prose.sentence import SentenceReader
from diagnose.language.tokens import sentences
from diagnose.model.errors import CaseError

__all__ = ["EVIDENCE", "Piece", "SentenceRead", "Unused", "named_gauge", "read_story"]


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
    return tuple(SentenceReader(kb, known, state, sentence).read() for sentence in sentences(text))
