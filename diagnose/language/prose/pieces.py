"""What a story is taken apart to: pieces of evidence, clauses not used, and spans of words with their senses."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Literal

from diagnose.language.lexicon import GLUE, Sense
from diagnose.language.names import Words
from diagnose.language.slips import Slip

Kind = Literal[
    "reading", "expected", "disagree", "rest", "switch", "condition", "no_condition", "flown", "fitted",
    "maybe_fitted", "guess", "question", "silence", "noted", "asked", "time", "same", "ordinary",
]  # fmt: skip
#: kinds that are evidence or set the scene
EVIDENCE = frozenset({"reading", "expected", "disagree", "rest"})
STOPS = frozenset(",;:.!?()[]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """One thing that a clause says.

    ``words``: the words that it came from. ``gauge`` with ``facet`` and ``reading`` for evidence; ``sure`` is
    1 for a plain statement, 0 for "not this one". ``size`` in ``unit`` where a number was told. ``value``: the
    maneuver, condition, switch, panel or time mark; ``position`` of a switch; ``asks``: the readings that an
    ambiguous piece may have. ``minutes``: a gap or a length that was told. ``measured``: whether the size is that
    of the facet itself ("40 knots low", "suction 3.8") and goes into the case.
    """

    kind: Kind
    words: str
    gauge: str = ""
    facet: str = ""
    reading: str = ""
    sure: float = 1.0
    size: float | None = None
    unit: str = ""
    value: str = ""
    position: str = ""
    asks: tuple[str, ...] = ()
    minutes: float | None = None
    measured: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Unused:
    """A clause of which nothing was used, with the gauge that it is probably about ("" if none)."""

    words: str
    gauge: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SentenceRead:
    """A sentence with what was taken from it, in the order told."""

    text: str
    pieces: tuple[Piece, ...] = ()
    unused: tuple[Unused, ...] = ()
    slips: tuple[Slip, ...] = ()
    question: bool = False


@dataclass(slots=True)
class Span:
    """Words that belong together, with what they may mean; ``number`` with its unit where it is one."""

    words: Words
    start: int
    end: int
    senses: tuple[Sense, ...] = ()
    number: float | None = None
    unit: str = ""

    @property
    def kinds(self) -> set[str]:
        """The kinds of all its senses."""
        return {sense.kind for sense in self.senses}

    def sense(self, kind: str) -> Sense | None:
        """Its first sense of a kind; None if it has none."""
        return next((sense for sense in self.senses if sense.kind == kind), None)

    @property
    def text(self) -> str:
        """Its words as typed."""
        return " ".join(self.words)


@dataclass(slots=True)
class State:
    """What goes on from clause to clause: the gauges spoken of last, and whether "it" still means them."""

    focus: tuple[str, ...] = ()
    listed: tuple[str, ...] = ()
    last: list[Piece] = field(default_factory=list)
    told: int = 0
    numbers: dict[str, float] = field(default_factory=dict)
    #: how a gauge was off where a size was told, as "facet.reading": the next bare number is a size again
    sizes: dict[str, str] = field(default_factory=dict)
    #: every number told of a gauge
    history: dict[str, list[float]] = field(default_factory=dict)
    #: gauges that went wrong, and how many numbers had been told of them before
    gone: dict[str, int] = field(default_factory=dict)
    odd: list[Piece] = field(default_factory=list)
    #: the gauge that was odd last: what "it" means in a new sentence
    topic: tuple[str, ...] = ()
    #: whether it was told to be odd
    odd_topic: bool = False
    #: the topic before somebody looked at a gauge, in the clause before
    looked: list[tuple[tuple[str, ...], bool]] = field(default_factory=list)
    #: whether a gauge was named in this sentence already
    named: bool = False
    #: every gauge told to be restless and not yet calm again
    restless: list[str] = field(default_factory=list)
    #: the maneuver told last
    flown: str = ""
    switch: str = ""
    #: the sentence in which something was moved or tried by hand last
    acted: int = -9
    #: how many sentences were begun; the altitude that was flown or read, and in which of them
    sentence: int = 0
    altitude: tuple[float, int] = (0.0, -9)
    #: the sentence in which somebody looked outside last
    outside: int = -1
    #: whether a second pilot with instruments was spoken of
    sides: bool = False
    subject: str = ""
    #: every gauge of the story, the last named at the end
    seen: list[str] = field(default_factory=list)

    def last_of(self, wanted: Iterable[str]) -> tuple[str, ...]:
        """The gauge of these that was named last; () if none was."""
        return next(((gauge,) for gauge in reversed(self.seen) if gauge in set(wanted)), ())


def names(span: Span) -> bool:
    """Whether a span names a gauge, or gauges."""
    return bool(span.kinds & {"gauge", "gauges"})


def glue(span: Span, passing: frozenset[str] | set[str]) -> bool:
    """Whether a span carries nothing that would part a gauge from what it did."""
    return bool(span.kinds & passing)


def determined(spans: list[Span], at: int) -> bool:
    """Whether a determiner stands within three spans before."""
    return any("determiner" in span.kinds for span in spans[max(0, at - 3) : at])


def content(spans: list[Span]) -> bool:
    """Whether a clause says anything but glue."""
    return any((not span.senses and span.number is None) or span.kinds - GLUE for span in spans)


def any_of(words: Words, texts: Iterable[str]) -> bool:
    """Whether one of these texts is among the words."""
    joined = f" {' '.join(words)} "
    return any(f" {text} " in joined for text in texts)


def place(said: Words, phrase: Words) -> int | None:
    """Where a phrase begins among the words; None if it is not there."""
    return next(
        (at for at in range(len(said) - len(phrase) + 1) if said[at : at + len(phrase)] == phrase), None
    )
