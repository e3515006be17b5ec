"""A pilot's own story, sentence by sentence and clause by clause, to pieces of evidence.

Whatever a clause says that is understood becomes a ``Piece`` with the words that it came from; the rest is
kept as not used. Nothing is refused whole. What may mean two things is asked, what is guessed by the teller
is no evidence, and what nobody looked at is silence.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from diagnose.errors import CaseError
from diagnose.knowledge import KnowledgeBase
from diagnose.model import Reading
from diagnose.words.lexicon import GLUE, Behaviour, Lexicon, Sense, lexicon, said_of
from diagnose.words.names import Words, phrases
from diagnose.words.slips import Slip, corrected
from diagnose.words.tokens import Token, sentences, tokens

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
    ambiguous piece may have. ``minutes``: a gap or a length that was told.
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
class _Span:
    """Words that belong together, with what they may mean; ``number`` with its unit where it is one."""

    words: Words
    start: int
    end: int
    senses: tuple[Sense, ...] = ()
    number: float | None = None
    unit: str = ""

    @property
    def kinds(self) -> set[str]:
        return {sense.kind for sense in self.senses}

    def sense(self, kind: str) -> Sense | None:
        return next((sense for sense in self.senses if sense.kind == kind), None)

    @property
    def text(self) -> str:
        return " ".join(self.words)


@dataclass(slots=True)
class _State:
    """What goes on from clause to clause: the gauges spoken of last, and whether "it" still means them."""

    focus: tuple[str, ...] = ()
    listed: tuple[str, ...] = ()
    last: list[Piece] = field(default_factory=list)
    told: int = 0


def read_story(text: str, kb: KnowledgeBase) -> tuple[SentenceRead, ...]:
    """Read a text of any length. Raises CaseError for a line that is too long to be a story."""
    known = lexicon(kb)
    longest = int(known.tables["prose"]["longest_line"])
    if len(text) > longest:
        raise CaseError(
            f"a story may have {longest:,} characters, this one has {len(text):,}",
            mend="tell it in parts, or leave out what has nothing to do with the instruments",
        )
    state = _State()
    return tuple(_Reader(kb, known, state, sentence).read() for sentence in sentences(text))


class _Reader:
    """Reads one sentence; ``state`` is carried on to the next."""

    def __init__(self, kb: KnowledgeBase, known: Lexicon, state: _State, text: str) -> None:
        self.kb, self.known, self.state, self.text = kb, known, state, text
        self.pieces: list[Piece] = []
        self.unused: list[Unused] = []
        self.prose = known.tables["prose"]
        self.repeated = False
        self.numbers: dict[str, float] = {}

    # ------------------------------------------------------------------ from text to clauses

    def read(self) -> SentenceRead:
        words, slips = corrected(tokens(self.text), self.known)
        if asked := self._question(words):
            return SentenceRead(text=self.text, pieces=asked, slips=slips, question=True)
        spans = list(self._spans(words))
        for piece in self._collisions(words):
            self.pieces.append(piece)
        self.doubt = 1.0 if not self.text.rstrip(" \"')").endswith("?") else phrases().question
        clauses = self._clauses(spans)
        for number, (lead, clause) in enumerate(clauses):
            self._clause(lead, clause, number)
        return SentenceRead(
            text=self.text, pieces=tuple(self.pieces), unused=tuple(self.unused), slips=slips
        )

    def _source(self, spans: Sequence[_Span]) -> str:
        """The words of the text that these spans stand for."""
        if not spans:
            return ""
        return self.text[min(s.start for s in spans) : max(s.end for s in spans)]

    def _question(self, words: Sequence[Token]) -> tuple[Piece, ...]:
        said = tuple(token.text for token in words if token.text.isalnum())
        while said and said[0] in phrases().openers:
            said = said[1:]
        if not said:
            return ()
        table = self.known.tables["question"]
        ends = self.text.rstrip(" \"')").endswith("?")
        for lead in sorted(table, key=len, reverse=True):
            parts = tuple(lead.split())
            if said[: len(parts)] == parts and (ends or len(parts) > 2 or parts[0] in ("what", "why")):
                rest = " ".join(said[len(parts) :])
                command = table[lead].replace("*", rest).strip()
                return (Piece(kind="question", words=self.text, value=command),)
        if ends and said[0] in self.known.tables["plain_question"]:
            return (Piece(kind="question", words=self.text),)
        return ()

    def _collisions(self, words: Sequence[Token]) -> Iterator[Piece]:
        said = tuple(token.text for token in words)
        self.blocked: set[int] = set()
        for texts, unless, both in self.known.collisions:
            if any(_place(said, phrase) is not None for phrase in unless):
                continue
            for phrase in sorted(texts, key=len, reverse=True):
                if (at := _place(said, phrase)) is not None:
                    taken = words[at : at + len(phrase)]
                    self.blocked |= {token.start for token in taken}
                    yield Piece(kind="asked", words=self.text[taken[0].start : taken[-1].end], asks=both)
                    break

    def _spans(self, words: Sequence[Token]) -> Iterator[_Span]:
        said = tuple(token.text for token in words)
        place = 0
        while place < len(words):
            token = words[place]
            if token.text in STOPS:
                yield _Span((token.text,), token.start, token.end)
                place += 1
                continue
            length, senses = self.known.at(said, place)
            number, unit, used = self._number(said, place)
            if used and used >= length:
                yield _Span(said[place : place + used], token.start, words[place + used - 1].end, (), number, unit)
                place += used
                continue
            length = max(length, 1)
            end = words[place + length - 1].end
            yield _Span(said[place : place + length], token.start, end, senses)
            place += length

    def _number(self, said: Words, place: int) -> tuple[float | None, str, int]:
        """A number at this place with its unit, and how many words it takes; none: 0 words."""
        counts, times = self.prose["counts"], self.prose["times"]
        at, sign = place, 1.0
        if said[at] in ("minus", "plus") and at + 1 < len(said) and said[at + 1][:1].isdigit():
            sign, at = (-1.0 if said[at] == "minus" else 1.0), at + 1
        word = said[at]
        if word[:1].isdigit():
            try:
                value = float(word.replace(",", ""))
            except ValueError:
                return None, "", 0
        elif word in counts:
            value = float(counts[word])
            if word in ("couple", "half", "quarter") and said[at + 1 : at + 2] in (("of",), ("a",), ("an",)):
                at += 1
                at += said[at + 1 : at + 2] in (("a",), ("an",))
        elif word == "a" and said[at + 1 : at + 2] and said[at + 1] in times:
            value = 1.0
        elif word in times and at == place:
            value, at = 1.0, at - 1
        else:
            return None, "", 0
        at += 1
        spelled = not word[:1].isdigit()
        while at < len(said) and said[at] in times:
            value, at, spelled = value * times[said[at]], at + 1, False
        if said[at : at + 1] == ("to",) and said[at + 1 : at + 2] and said[at + 1][:1].isdigit() and value < 10:
            at, value = at + 2, float(said[at + 1].replace(",", ""))  # "3 to 400 a minute"
        for length in (3, 2, 1):
            if unit := self.known.units.get(said[at : at + length]):
                return sign * value, unit, at + length - place
        # "one of the dials" is no number
        return (None, "", 0) if spelled and word != "zero" else (sign * value, "", at - place)

    def _clauses(self, spans: list[_Span]) -> list[tuple[str, list[_Span]]]:
        """Part a sentence at stops and at words that begin a clause; lists of gauges stay together."""
        found: list[tuple[str, list[_Span]]] = []
        lead: str = ""
        now: list[_Span] = []
        for at, span in enumerate(spans):
            stop = span.words[0] in STOPS
            breaks = "breaks" in span.kinds
            if (stop or breaks) and not self._listing(now, spans[at:], stop):
                if now:
                    found.append((lead, now))
                    now = []
                    lead = ""
                if breaks or not lead:
                    lead = span.text
                continue
            if not stop:
                now.append(span)
        if now:
            found.append((lead, now))
        return found

    def _listing(self, before: list[_Span], after: list[_Span], stop: bool) -> bool:
        """Whether a comma or "and" stands between two gauges of one list, or within "up and down"."""
        if not before or not _names(before[-1]) or after[0].words[0] in ";:.!?()[]":
            return False
        rest = [span for span in after[1:] if not span.kinds & {"joins", "determiner", "breaks"}]
        if not rest or not _names(rest[0]):
            return False
        told_before = any(span.kinds & {"behaviour", "reading"} and not _names(span) for span in before)
        if not told_before:
            return True
        # "fell on the airspeed, the altimeter was steady": each has its own
        for span in rest:
            if span.words[0] in STOPS:
                return True
            if span.kinds & {"copula", "behaviour", "report"} and not _names(span):
                return False
        return True

    # ------------------------------------------------------------------ one clause

    def _clause(self, lead: str, spans: list[_Span], number: int) -> None:
        first = len(self.pieces)
        kinds = {kind for span in spans for kind in span.kinds}
        source = self._source(spans)
        if "if_words" in kinds or lead == "if":
            self.unused.append(Unused(words=source, gauge=self._likely(spans), why="only supposed"))
            return
        self._times(lead, spans, number)
        if "guess" in kinds and not self._thinks_it_showed(spans):
            self.pieces.append(Piece(kind="guess", words=source))
            return
        if "silence" in kinds:
            gauges = [g for span in spans for g in self._gauges_of(span)] or list(self.state.focus)
            self.pieces += [Piece(kind="silence", words=source, gauge=gauge) for gauge in gauges[:1]]
            return
        done = _Clause(self, lead, spans, number)
        done.read()
        for kind in ("fitted", "maybe", "noted", "day", "clear"):
            for span in spans:
                if span.start in self.blocked:
                    continue
                for sense in span.senses:
                    if sense.kind == kind:
                        self._scene(kind, sense, span, spans)
        self._temperature(spans)
        if len(self.pieces) == first and _content(spans):
            self.unused.append(Unused(words=source, gauge=self._likely(spans), why=done.why))

    def _thinks_it_showed(self, spans: list[_Span]) -> bool:
        """ "I thought the airspeed was low" is a report with a doubt; "I thought it was the pump" a guess."""
        guesses = [span for span in spans if "guess" in span.kinds]
        if any("thought" not in span.words and "think" not in span.words for span in guesses):
            return False
        return any("gauge" in span.kinds for span in spans) and any(
            sense.kind in ("behaviour", "reading") and sense.value not in ("wrong", "dead", "normal")
            for span in spans
            for sense in span.senses
        )

    def _scene(self, kind: str, sense: Sense, span: _Span, spans: list[_Span]) -> None:
        at = spans.index(span)
        words = self._source([span])
        denied = any("negation" in other.kinds for other in spans[max(0, at - 3) : at])
        if kind == "day":
            if "hedge" in {k for other in spans for k in other.kinds}:
                self.pieces.append(Piece(kind="asked", words=words, asks=(f"context {sense.value}",), value=sense.value))
            elif not any(p.value == sense.value and p.kind == "condition" for p in self.pieces):
                self.pieces.append(
                    Piece(kind="no_condition" if denied else "condition", words=words, value=sense.value)
                )
        elif kind == "clear":
            self.pieces.append(Piece(kind="noted", words=words, value=f"no: {self.kb.context[sense.value].name}"))
        elif kind == "fitted" and not denied:
            self.pieces.append(Piece(kind="fitted", words=words, value=sense.value))
        elif kind == "maybe" and not denied:
            self.pieces.append(Piece(kind="maybe_fitted", words=words, value=sense.value))
        elif kind == "noted":
            self.pieces.append(Piece(kind="noted", words=words, value=sense.value))

    def _temperature(self, spans: list[_Span]) -> None:
        air = any(_any_of(span.words, self.prose["outside_air"]) for span in spans)
        for span in spans:
            if span.number is None or (span.unit not in ("C", "F") and not (air and span.unit in ("", "deg"))):
                continue
            celsius = (span.number - 32.0) / 1.8 if span.unit == "F" else span.number
            cold = celsius <= self.prose["freezing_c"]
            if span.unit or air:
                kind: Kind = "condition" if cold else "noted"
                value = "below_freezing" if cold else f"outside air {celsius:.0f} °C"
                self.pieces.append(
                    Piece(kind=kind, words=self._source([span]), value=value, size=span.number, unit=span.unit)
                )

    def _times(self, lead: str, spans: list[_Span], number: int) -> None:
        """Marks of time in a clause: later, earlier, throughout, with the minutes where they are told."""
        minutes = None
        for at, span in enumerate(spans):
            if span.number is not None and span.unit in ("min", "s", "h"):
                factor = {"min": 1.0, "s": 1.0 / 60.0, "h": 60.0}[span.unit]
                near = [w for other in (*spans[max(0, at - 2) : at], *spans[at + 1 : at + 2]) for w in other.words]
                if lead == "after" or set(near) & {"later", "after", "within", "on", "afterwards", "in"}:
                    minutes = span.number * factor
                    if "in" in near and "later" not in near and "after" not in near and at + 1 < len(spans):
                        minutes = None if spans[at + 1].text == "in" else minutes
                    if minutes is not None:
                        self.pieces.append(
                            Piece(kind="time", words=self._source([span]), value="later", minutes=minutes)
                        )
        for span in spans:
            for mark, value in (("onward", "later"), ("earlier", "earlier"), ("throughout", "throughout")):
                if mark in span.kinds and not (mark == "onward" and minutes is not None):
                    self.pieces.append(Piece(kind="time", words=self._source([span]), value=value))
            if span.text == "again":
                self.pieces.append(Piece(kind="time", words="again", value="again"))
        if lead == "then":
            self.pieces.append(Piece(kind="time", words="then", value="later"))

    # ------------------------------------------------------------------ gauges

    def _gauges_of(self, span: _Span) -> tuple[str, ...]:
        """The gauges that a span names; a pronoun names those spoken of last."""
        if span.start in self.blocked:
            return ()
        if gauges := span.sense("gauges"):
            return tuple(self.known.tables["all_gauges"][gauges.value])
        if gauge := span.sense("gauge"):
            return (gauge.value,)
        if pronoun := span.sense("pronoun"):
            focus = self.state.focus
            if pronoun.value == "many" and len(focus) < 2:
                return ()
            if wanted := self.known.only.get(pronoun.value):
                focus = tuple(gauge for gauge in focus if gauge in wanted)
            return focus
        return ()

    def _likely(self, spans: list[_Span]) -> str:
        named = [g for span in spans if not span.sense("pronoun") for g in self._gauges_of(span)]
        if named:
            return named[0]
        told = any(span.kinds & {"behaviour", "reading"} for span in spans)
        return self.state.focus[0] if told and self.state.focus else ""


class _Clause:
    """Reads the gauges, behaviours, maneuvers, switches and numbers of one clause."""

    def __init__(self, reader: _Reader, lead: str, spans: list[_Span], number: int) -> None:
        self.reader, self.lead, self.spans, self.number = reader, lead, spans, number
        self.kb, self.known, self.state = reader.kb, reader.known, reader.state
        self.gauges: tuple[str, ...] = ()
        self.anchor = -1
        self.subject = ""
        self.negated = False
        self.sure = self._sure()
        self.waiting: list[int] = []
        self.carried: list[int] = []
        self.why = ""
        self.told: list[Piece] = []
        self.attended = False
        self.excepted = False
        self.pronoun = False

    def _sure(self) -> float:
        sure = self.reader.doubt
        for span in self.spans:
            for sense in span.senses:
                if sense.kind == "hedge":
                    sure = min(sure, float(sense.value)) if float(sense.value) > 0.5 else float(sense.value)
                elif sense.kind == "hearsay":
                    sure = min(sure, phrases().certainty.get(("hearsay",), 0.75))
        return sure

    def _next(self, at: int, skip: Iterable[str] = ()) -> int:
        """The next place whose span is more than glue (and more than what is to be skipped)."""
        passing = GLUE | set(skip)
        at += 1
        while at < len(self.spans) and _glue(self.spans[at], passing):
            at += 1
        return at

    def read(self) -> None:
        spans = self.spans
        self._switches()
        for at, span in enumerate(spans):
            if span.start in self.reader.blocked:
                continue
            kinds = span.kinds
            if "negation" in kinds and not kinds & {"behaviour"}:
                self.negated = True
                if at + 1 < len(spans) and (_bare := self._gauge_after(at)) and not self._told_later(at):
                    self._lost(at, _bare)
                continue
            if "excepting" in kinds and self._has("everything"):
                self.excepted, self.negated = True, False
                continue
            if span.number is not None:
                continue
            if span.words[0] == "no" and span.text.endswith("indication") and self._of_something(at):
                self.negated = True
                continue
            if self._flown(at):
                continue
            if (behaviours := self._behaves(at)) and self._attach(at, behaviours):
                continue
            if self._named(at):
                continue
            if kinds & {"aircraft", "others"}:
                if not (self.gauges and self._reported(at)):
                    self.subject, self.gauges = ("self" if "aircraft" in kinds else "other"), ()
                continue
            if "attend" in kinds and not self.gauges:
                self.attended = True
            if not span.senses and not self.gauges and not self.subject and at and _determined(spans, at):
                self.subject = "unknown"
        self._everything()
        self._same_again()
        self._listed_too()
        self._numbers()
        self._finish()

    def _of_something(self, at: int) -> bool:
        """ "No indication on the ammeter of any discharge": it is denied what follows."""
        return any("of" in span.words for span in self.spans[at + 1 :]) and any(
            span.kinds & {"behaviour"} and not _names(span) for span in self.spans[at + 1 :]
        )

    def _has(self, kind: str) -> bool:
        return any(kind in span.kinds for span in self.spans)

    def _told_later(self, at: int) -> bool:
        return any(
            span.kinds & {"behaviour", "reading"} and not _names(span) for span in self.spans[at + 1 :]
        )

    def _gauge_after(self, at: int) -> tuple[str, ...]:
        """The gauges named right behind a place: "no airspeed"."""
        following = self.spans[at + 1] if at + 1 < len(self.spans) else None
        if following is None or following.sense("gauge") is None:
            return ()
        return self.reader._gauges_of(following)

    def _lost(self, at: int, gauges: tuple[str, ...]) -> None:
        for gauge in gauges:
            self._say(gauge, self.known.behaviours["zero"], [self.spans[at], self.spans[at + 1]], denied=False)

    # ------------------------------------------------------------------ naming gauges

    def _named(self, at: int) -> bool:
        span = self.spans[at]
        gauges = self.reader._gauges_of(span)
        if not gauges or not self._meant(at):
            return False
        pronoun = span.sense("pronoun") is not None and span.sense("gauge") is None
        if pronoun and (self.gauges or self.subject in ("self", "other", "unknown") and not self._perceived(at)):
            return False
        if self.excepted:
            self._except(gauges, at)
            return True
        together = bool(self.gauges) and self._joined(at) and (bool(self.carried) or not self._since_told())
        self.gauges = tuple(dict.fromkeys((*self.gauges, *gauges))) if together else gauges
        self.subject, self.anchor, self.pronoun = "gauge", at, pronoun and span.text == "it"
        waiting, self.waiting = self.waiting or (self.carried if together else []), []
        self.carried = waiting
        if waiting:
            self.gauges = gauges
        for place in waiting:
            self._attach_to(place, self._behaves(place), self.gauges)
        return True

    def _perceived(self, at: int) -> bool:
        return any("perceive" in span.kinds for span in self.spans[:at])

    def _joined(self, at: int) -> bool:
        return all(
            _glue(span, GLUE | {"joins", "breaks", "perceive", "hedge"}) or span.words[0] in STOPS
            for span in self.spans[self.anchor + 1 : at]
        )

    def _since_told(self) -> bool:
        return any(piece.gauge in self.gauges for piece in self.told) and not self.waiting

    def _meant(self, at: int) -> bool:
        """Whether a loose name such as "altitude" names its gauge here."""
        span = self.spans[at]
        sense = span.sense("gauge")
        if sense is None or not sense.weak:
            return True
        before = self.spans[at - 1] if at else None
        if before is not None and before.words[-1] in self.reader.prose["not_before"]:
            return before.words[-1] in ("in", "of", "on") and bool(self.waiting)
        following = self.spans[at + 1] if at + 1 < len(self.spans) else None
        if following is not None and (
            following.kinds & {"copula", "report", "behaviour", "reading"} or following.number is not None
        ):
            return True
        return bool(self.waiting) or (before is not None and bool(before.kinds & {"negation"}))

    # ------------------------------------------------------------------ what it did

    def _behaves(self, at: int) -> list[Sense]:
        span = self.spans[at]
        return [sense for sense in span.senses if sense.kind in ("behaviour", "reading")]

    def _attach(self, at: int, senses: list[Sense]) -> bool:
        span = self.spans[at]
        if span.text in ("no", "yes"):
            return False
        if span.sense("moved") and self._has("switch") and not self.gauges:
            return False
        if self.pronoun and span.sense("motion") and not self._reported(at):
            self.why = "the needle or the airplane"
            return False
        if self.gauges and self._reach(at, senses) and self._attach_to(at, senses, self.gauges):
            return True
        own = [s for s in senses if s.kind == "behaviour" and self.known.behaviours[s.value].names]
        for sense in own:
            self._attach_to(at, [sense], (self.known.behaviours[sense.value].names,))
        if own:
            return True
        following = self._next(at, skip=("behaviour", "reading", "negation", "hedge"))
        if (
            following < len(self.spans)
            and self.spans[following].sense("gauge") is not None
            and not self._parted(at, following)
            and (not self.gauges or not self._can(self.gauges, senses))
        ):
            self.waiting.append(at)
            return True
        if self.gauges:
            return False
        if self.subject == "" and self.state.focus and not self.attended and self._elided(at, senses):
            self.gauges, self.anchor = self.state.focus, at - 1
            if self._attach_to(at, senses, self.state.focus):
                return True
            self.gauges = ()
        return False

    def _parted(self, at: int, following: int) -> bool:
        return any(span.kinds & {"aircraft", "others"} for span in self.spans[at + 1 : following])

    def _can(self, gauges: tuple[str, ...], senses: list[Sense]) -> bool:
        return any(self._meaning(gauge, senses) for gauge in gauges)

    def _elided(self, at: int, senses: Sequence[Sense] = ()) -> bool:
        """Whether nothing but glue stands before, so that the gauges spoken of last go on.

        A weak word needs a verb before it: "and was fine", but not "Not good".
        """
        if senses and all(sense.weak for sense in senses):
            if not any(span.kinds & {"copula", "report"} for span in self.spans[:at]):
                return False
        if not self.number and not any(span.sense("pronoun") for span in self.spans[:at]):
            opening = self.spans[0].words[0]
            if opening in self.reader.prose["coming"] or self.spans[at].words[0] in self.reader.prose["coming"]:
                return False
        return all(
            _glue(span, GLUE | {"hedge", "negation", "joins", "breaks", "onward", "throughout", "during", "hearsay", "pronoun", "earlier"})
            or span.number is not None
            or span.text in ("again", "also")
            for span in self.spans[:at]
        )

    def _reach(self, at: int, senses: list[Sense]) -> bool:
        """A weak word counts only right beside its gauge, or beside what else was said of it."""
        if not all(sense.weak for sense in senses):
            return True
        between = self.spans[self.anchor + 1 : at]
        return all(
            _glue(span, GLUE | {"hedge", "negation", "behaviour", "reading", "aircraft", "throughout", "onward", "earlier", "joins", "breaks", "moved"})
            or span.number is not None
            for span in between
        )

    def _meaning(self, gauge: str, senses: list[Sense], at: int = -1) -> list[tuple[str, Behaviour | None]]:
        """What the senses mean for a gauge: a reading of its own words, or behaviours of different facets."""
        # "the AI was right": as it should be, and no bank
        plainly = at > 0 and self.spans[at].text == "right" and bool(self.spans[at - 1].kinds & {"copula"})
        own = [s for s in senses if s.kind == "reading" and s.value.startswith(f"{gauge}.") and not plainly]
        if own:
            return [(own[0].value.partition(".")[2], None)]
        found: dict[str, tuple[str, Behaviour | None]] = {}
        for sense in senses:
            if sense.kind != "behaviour":
                continue
            behaviour = self.known.behaviours[sense.value]
            fits = not behaviour.only or gauge in behaviour.only
            meant = said_of(self.kb, gauge, behaviour)
            if meant or fits and behaviour.asks or behaviour.id == "move":
                facet = meant[0].removeprefix("!").partition(".")[0] if meant else "asked"
                found.setdefault(facet, ("", behaviour))
        if len(found) > 1:
            found.pop("asked", None)
            found.pop("expected", None)
        return list(found.values())

    def _attach_to(self, at: int, senses: list[Sense], gauges: tuple[str, ...]) -> bool:
        done = False
        for gauge in gauges:
            for reading, behaviour in self._meaning(gauge, senses, at):
                where = [self.spans[at]]
                if self.anchor >= 0 and self.gauges:
                    where.append(self.spans[min(self.anchor, len(self.spans) - 1)])
                if behaviour is not None:
                    done = self._say(gauge, behaviour, where, denied=self.negated) or done
                else:
                    usual = self.spans[at].text in phrases().normal and reading.endswith(".steady")
                    self._tell(gauge, "expected" if usual else reading, where, denied=self.negated)
                    done = True
        if done:
            self.negated = False
            self.anchor = max(at, self.anchor)
            self.gauges = self.gauges or gauges
        return done

    def _say(self, gauge: str, behaviour: Behaviour, where: list[_Span], *, denied: bool) -> bool:
        if denied and behaviour.denied:
            return self._say(gauge, self.known.behaviours[behaviour.denied], where, denied=False)
        meant = said_of(self.kb, gauge, behaviour)
        if not meant or meant == ("none",):
            if behaviour.asks and not denied:
                name = self.kb.gauges[gauge].words[0]
                self._put(Piece(kind="asked", words=self.reader._source(where), gauge=gauge, asks=(f"{name}: {behaviour.asks}",)))
                return True
            return False
        if behaviour.flown:
            self.reader.pieces.append(
                Piece(kind="flown", words=self.reader._source(where[:1]), value=behaviour.flown, position="implied")
            )
        self._tell(gauge, meant[0], where, denied=denied)
        return True

    def _tell(self, gauge: str, meant: str, where: list[_Span], *, denied: bool) -> None:
        words = self.reader._source(where)
        certain = self.sure
        if gauge == "suction" and any(span.text in self.reader.prose["parts"] for span in where):
            certain = min(certain, phrases().certainty[("told", "by", "its", "part")])
        if meant == "expected":
            sure = round(1.0 - certain, 9) if denied else certain
            self._put(Piece(kind="expected", words=words, gauge=gauge, sure=sure))
            return
        if meant == "disagree":
            self._put(Piece(kind="disagree", words=words, gauge=gauge, sure=self.sure))
            return
        other = meant.startswith("!")
        facet, _, reading = meant.removeprefix("!").partition(".")
        sure = round(1.0 - certain, 9) if denied != other else certain
        self._put(
            Piece(kind="reading", words=words, gauge=gauge, facet=f"{gauge}.{facet}", reading=reading, sure=sure)
        )

    def _put(self, piece: Piece) -> None:
        if piece.kind == "reading":
            for other in [p for p in self.told if p.kind == "reading" and p.facet == piece.facet]:
                if other.reading == piece.reading:
                    return
                # of two words for one thing the plainer one counts: what it did, not what it did not
                if piece.sure < 0.5 <= other.sure:
                    return
                if other.sure < 0.5 <= piece.sure or "stead" in other.reading:
                    self.told.remove(other)
                    self.reader.pieces.remove(other)
        self.told.append(piece)
        self.reader.pieces.append(piece)

    def _except(self, gauges: tuple[str, ...], at: int) -> None:
        for gauge in gauges:
            self.gauges, self.anchor, self.subject = gauges, at, "gauge"
            if not self._told_later(at):
                self._say(gauge, self.known.behaviours["wrong"], [self.spans[at]], denied=False)
        self.reader.pieces.append(Piece(kind="rest", words=self.reader._source(self.spans), asks=gauges))

    # ------------------------------------------------------------------ everything else, the same, a switch

    def _everything(self) -> None:
        whole = next((at for at, span in enumerate(self.spans) if "everything" in span.kinds), None)
        if whole is None or self.excepted:
            return
        after = self.spans[whole + 1 :]
        words = self.reader._source(self.spans)
        changed = any("changed" in span.words or "change" in span.words for span in after)
        if self.spans[whole].text == "nothing else":
            if changed:
                self.reader.pieces.append(Piece(kind="rest", words=words))
            return
        normal = any(
            sense.kind == "behaviour" and sense.value in ("normal", "steady") for span in after for sense in span.senses
        )
        if normal and not any("negation" in span.kinds for span in self.spans) and self._beside(whole):
            if any(piece.kind == "expected" or piece.reading for piece in self.told):
                for piece in [p for p in self.told if p.gauge in self.state.focus]:
                    self.told.remove(piece)
                    self.reader.pieces.remove(piece)
            self.reader.pieces.append(Piece(kind="rest", words=words))

    def _beside(self, whole: int) -> bool:
        """ "The rest of the flight" is no gauge."""
        following = self.spans[whole + 1].text if whole + 1 < len(self.spans) else ""
        return following not in ("of", "of the")

    def _same_again(self) -> None:
        at = next((at for at, span in enumerate(self.spans) if "same_again" in span.kinds), None)
        if at is None or self.told:
            return
        gauges = [g for span in self.spans if _names(span) for g in self.reader._gauges_of(span)]
        self._copy(gauges)
        self.reader.repeated = True

    def _listed_too(self) -> None:
        """ "Everything on the static side does it, the encoder, the backup too": what is listed does it as well."""
        if not self.reader.repeated or self.told or any(span.kinds & {"behaviour"} for span in self.spans):
            return
        self._copy([g for span in self.spans if _names(span) for g in self.reader._gauges_of(span)])

    def _copy(self, gauges: Iterable[str]) -> None:
        """Say of these gauges what was said of the last ones."""
        for gauge in dict.fromkeys(gauges):
            for piece in self.state.last:
                if piece.kind == "expected" or piece.reading in ("normal", "right", "stable", "as_set"):
                    self._say(gauge, self.known.behaviours["normal"], self.spans, denied=False)
                    break
                ends = {f"{f.id}.{r.id}" for f in self.kb.gauges[gauge].facets for r in f.readings}
                wanted = next((end for end in ends if end.endswith(f".{piece.reading}")), "")
                if piece.kind == "reading" and wanted:
                    self._tell(gauge, wanted, self.spans, denied=piece.sure < 0.5)
                    break

    def _switches(self) -> None:
        spans = self.spans
        table = self.known.tables["switch"]
        for at, span in enumerate(spans):
            sense = span.sense("switch")
            if sense is None or span.start in self.reader.blocked:
                continue
            if span.sense("day") or any(s.sense("day") and s.sense("day").value == "pitot_heat_off" for s in spans):  # type: ignore[union-attr]
                continue
            entry = table[sense.value]
            near = [*spans[max(0, at - 4) : at], *spans[at + 1 : at + 4]]
            said = [word for other in near for word in ((other.text,) if other.sense("moved") else ())]
            on = any(text in entry["on"] for text in said)
            off = any(text in entry["off"] for text in said)
            denied = any("negation" in other.kinds for other in near)
            without = any("no_effect" in other.kinds for other in spans)
            words = self.reader._source([span, *[o for o in near if o.sense("moved")]])
            if without:
                self.reader.pieces.append(Piece(kind="switch", words=self.reader._source(spans), value=sense.value, position="on"))
                self.reader.pieces.append(Piece(kind="same", words=self.reader._source(spans)))
            elif (on or off) and not denied and not any("fitted" in o.kinds for o in (span,) if not on):
                position = "off" if off and not any(t in entry["on"] and t != "on" for t in said) else "on"
                self.reader.pieces.append(Piece(kind="switch", words=words, value=sense.value, position=position))
            else:
                continue
            return
        if any("no_effect" in span.kinds for span in spans) and self.state.told:
            named = [g for span in spans if span.sense("gauge") for g in self.reader._gauges_of(span)]
            for gauge in named or [""]:
                self.reader.pieces.append(Piece(kind="same", words=self.reader._source(spans), gauge=gauge))

    # ------------------------------------------------------------------ what was flown

    def _flown(self, at: int) -> bool:
        span = self.spans[at]
        sense = span.sense("setting") or span.sense("motion")
        if sense is None or span.start in self.reader.blocked:
            return False
        before = self.spans[at - 1] if at else None
        led = before is not None and (
            "during" in before.kinds or before.words[-1] in self.reader.prose["lead_in"] or before.text in ("the", "a", "our", "my") and at > 1 and (self.spans[at - 2].words[-1] in self.reader.prose["lead_in"] or "during" in self.spans[at - 2].kinds)
        )
        behaves = self._behaves(at)
        if behaves and self.gauges and self._can(self.gauges, behaves) and not led and self._reach(at, [Sense("", "", True)]):
            return False
        if behaves and self.gauges and self._reported(at):
            return False
        follows = self._next(at)
        if behaves and not self.gauges and follows < len(self.spans) and self.spans[follows].sense("gauge") and not led and self.subject != "self" and self._can(self.reader._gauges_of(self.spans[follows]), behaves) and at + 1 < follows:
            return False
        if not span.sense("setting"):  # a motion verb needs somebody who flies
            opening = at == 0 or all(_glue(s, GLUE | {"onward", "breaks", "joins", "during"}) for s in self.spans[:at])
            pronoun = any(s.sense("pronoun") for s in self.spans[:at])
            if self.subject != "self" and not led and not (opening and not pronoun and not self.state.focus):
                return False
            if self.lead in ("and",) and self.subject != "self" and self.state.focus and not led:
                return False
        if self.negated or self.subject == "other" or (before is not None and before.unit == "fpm"):
            return False
        if behaves and not led and self.subject != "self" and self.state.focus and not self.gauges and self._elided(at) and at and self._can(self.state.focus, behaves):
            return False
        place: Literal["", "back"] = "back" if self.told or (self.number and not self.told and self._subordinate()) else ""
        self.reader.pieces.append(
            Piece(kind="flown", words=self.reader._source([span]), value=sense.value, position=place)
        )
        return True

    def _subordinate(self) -> bool:
        """Whether the clause only says when: "... when we descended", after what was read."""
        evidence = any(piece.kind in EVIDENCE for piece in self.reader.pieces)
        return self.lead in ("when", "while", "as", "once") and evidence

    def _reported(self, at: int) -> bool:
        """ "The VSI had us climbing": what follows is what the gauge said."""
        return any("report" in span.kinds for span in self.spans[self.anchor + 1 : at])

    # ------------------------------------------------------------------ numbers

    def _numbers(self) -> None:
        prose = self.reader.prose
        spans = self.spans
        numbers = [at for at, span in enumerate(spans) if span.number is not None and span.unit not in ("min", "s", "h", "pct", "C", "F", "rpm")]
        for at in numbers:
            span = spans[at]
            assert span.number is not None
            gauge = self._gauge_of_number(at, span)
            if not gauge:
                continue
            unit = span.unit or prose["bare"].get(gauge, "")
            if unit != prose["bare"].get(gauge) and not (gauge == "vertical_speed" and unit == "ft"):
                continue
            before = self.reader.numbers.get(gauge)
            self.reader.numbers[gauge] = span.number
            if gauge == "engine":
                continue
            way = self._way(at)
            amount = way and self._amount(at)
            if gauge in prose["absolute"]:
                self._classed(gauge, at, span, way)
            elif amount and (facet := _value_facet(self.kb, gauge)):
                reading = _where(self.kb, gauge, facet, way * abs(span.number))
                if reading:
                    self._sized(gauge, f"{facet}.{reading}", at, span, unit)
            elif before is not None and (trend := _changed(self.kb, gauge, span.number - before)):
                self._sized(gauge, trend, at, span, unit)
            else:
                self._keep_size(gauge, at, span, unit)

    def _gauge_of_number(self, at: int, span: _Span) -> str:
        prose = self.reader.prose
        if (gauge := prose["unit_gauge"].get(span.unit, "")) and not (span.unit == "fpm" and "altimeter" in self.gauges and self._reported(at) and False):
            return gauge
        rates = {word for other in self.spans[at + 1 : at + 2] for word in other.words} & {"up", "down", "descent", "climb"}
        if not span.unit and rates and abs(span.number or 0.0) >= prose["rate_from"] and not self.gauges:
            return "vertical_speed"
        if self.gauges and (self.anchor < at or self.told):
            fitting = [
                g
                for g in self.gauges
                if prose["bare"].get(g) == (span.unit or (prose["bare"].get(g) if g in prose["plausible"] else "-"))
                or g == "vertical_speed"
                and span.unit == "ft"
            ]
            likely = [g for g in fitting if self._plausible(g, span)]
            return (likely or fitting)[-1] if fitting else ""
        if not self.gauges and span.unit == "kt" and not self.told:
            return "airspeed"
        if not self.gauges and not self.subject and self.state.focus and self._elided(at):
            fitting = [g for g in self.state.focus if prose["bare"].get(g) == (span.unit or prose["bare"].get(g))]
            if (likely := [g for g in fitting if g in self.reader.numbers]) and not span.unit:
                return likely[0]
            near = at + 1 < len(self.spans) and bool(set(self.spans[at + 1].words) & {*prose["more"], *prose["less"], "off"})
            if fitting and (near or fitting[0] in prose["absolute"] and self.at_number_alone()):
                return fitting[0]
        return ""

    def _plausible(self, gauge: str, span: _Span) -> bool:
        low, high = self.reader.prose["plausible"].get(gauge, (0.0, 0.0))
        return low <= (span.number or 0.0) <= high

    def at_number_alone(self) -> bool:
        return all(_glue(span, GLUE | {"hedge"}) or span.number is not None for span in self.spans)

    def _way(self, at: int) -> float:
        """+1 or -1 where the words beside a number say which way; 0 where they do not."""
        prose = self.reader.prose
        near = [word for span in self.spans[max(0, at - 3) : at + 3] for word in span.words]
        if set(near) & ({*prose["more"], "up", "climb", "climbing", "positive"} - {"or"}):
            return 1.0
        if set(near) & {*prose["less"], "down", "descent", "descending", "negative", "sink"}:
            return -1.0
        return 0.0

    def _amount(self, at: int) -> bool:
        """Whether a number is how far the gauge is off: "5 knots fast", "500 ft low"."""
        prose = self.reader.prose
        following = self.spans[at + 1 : at + 2]
        return bool(following) and bool(set(following[0].words) & {*prose["more"], *prose["less"]})

    def _classed(self, gauge: str, at: int, span: _Span, way: float) -> None:
        assert span.number is not None
        value = abs(span.number) * (way or 1.0) if gauge == "vertical_speed" else span.number
        if gauge == "vertical_speed" and span.unit == "" and abs(value) < 150 and value != 0:
            return
        if gauge == "vertical_speed" and not way:
            rates = [p for p in self.told if p.gauge == gauge and p.reading in ("descent", "pegged_down")]
            if rates:
                value = -abs(span.number)
            elif not [p for p in self.told if p.gauge == gauge] and span.number:
                return
        facet = "rate" if gauge == "vertical_speed" else "value"
        if gauge == "suction" and not 0.0 <= span.number <= 10.0:
            return
        if gauge == "voltmeter" and span.number > 17.0:
            value = span.number / 2.0
        if reading := _where(self.kb, gauge, facet, value):
            self._sized(gauge, f"{facet}.{reading}", at, span, span.unit or self.reader.prose["bare"][gauge])

    def _sized(self, gauge: str, meant: str, at: int, span: _Span, unit: str) -> None:
        facet = f"{gauge}.{meant.partition('.')[0]}"
        for other in [p for p in self.told if p.facet == facet]:
            self.told.remove(other)
            self.reader.pieces.remove(other)
        first = len(self.told)
        where = [span, *self.spans[max(self.anchor, 0) : max(self.anchor, 0) + 1]] if self.gauges else [span]
        self._tell(gauge, meant, where, denied=False)
        if len(self.told) > first:
            sized = replace(self.told[-1], size=span.number, unit=unit)
            self.reader.pieces[self.reader.pieces.index(self.told[-1])] = sized
            self.told[-1] = sized

    def _keep_size(self, gauge: str, at: int, span: _Span, unit: str) -> None:
        for place, piece in enumerate(self.told):
            if piece.gauge == gauge and piece.size is None and piece.kind == "reading":
                sized = replace(piece, size=span.number, unit=unit)
                self.reader.pieces[self.reader.pieces.index(piece)] = sized
                self.told[place] = sized
                return
        if not [p for p in self.told if p.gauge == gauge]:
            self.reader.pieces.append(
                Piece(kind="noted", words=self.reader._source([span]), gauge=gauge, size=span.number, unit=unit, value="reading as told")
            )

    def _finish(self) -> None:
        if self.told:
            self.state.last = [p for p in self.told if p.kind in EVIDENCE]
            self.state.told += 1
        if self._has("ordinary") and any(
            s.kind == "behaviour" and s.value == "normal" for span in self.spans for s in span.senses
        ):
            self.reader.pieces.append(Piece(kind="ordinary", words=self.reader._source(self.spans)))
        named = [g for span in self.spans if span.sense("gauge") and self.reader._gauges_of(span) for g in self.reader._gauges_of(span)]
        spoken = list(dict.fromkeys(p.gauge for p in self.told if p.gauge))
        if spoken:
            self.state.focus = tuple(spoken)
        elif self.gauges:
            self.state.focus = self.gauges
        elif named:
            self.state.focus = tuple(dict.fromkeys(named))


def _value_facet(kb: KnowledgeBase, gauge: str) -> str:
    return next((f.id for f in kb.gauges[gauge].facets if f.id == "value"), "")


def _where(kb: KnowledgeBase, gauge: str, facet: str, value: float) -> str:
    """The reading that a number counts as, by the limits that stand with the readings; "" if they do not say."""
    readings: tuple[Reading, ...] = next((f.readings for f in kb.gauges[gauge].facets if f.id == facet), ())
    if not any(reading.where for reading in readings):
        return ""
    for reading in readings:
        limits = [limit for name, limit in reading.where.items() if name in ("end", "shown", "size", "mean")]
        if "end" in reading.where and limits[0][0] <= value <= limits[0][1]:
            return reading.id
    return next((reading.id for reading in readings if not reading.where), "")


def _changed(kb: KnowledgeBase, gauge: str, change: float) -> str:
    """The trend that a change from one number told to the next counts as; "" if it is none."""
    for facet in kb.gauges[gauge].facets:
        for reading in facet.readings:
            low, high = reading.where.get("change", (0.0, 0.0))
            if low < high and low <= change <= high:
                return f"{facet.id}.{reading.id}"
    return ""


def _names(span: _Span) -> bool:
    return bool(span.kinds & {"gauge", "gauges"})


def _glue(span: _Span, passing: frozenset[str] | set[str]) -> bool:
    """Whether a span carries nothing that would part a gauge from what it did."""
    return bool(span.kinds & passing)


def _determined(spans: list[_Span], at: int) -> bool:
    return any("determiner" in span.kinds for span in spans[max(0, at - 3) : at])


def _content(spans: list[_Span]) -> bool:
    """Whether a clause says anything but glue."""
    return any(not span.senses and span.number is None or span.kinds - GLUE for span in spans)


def _any_of(words: Words, texts: Iterable[str]) -> bool:
    joined = f" {' '.join(words)} "
    return any(f" {text} " in joined for text in texts)


def _place(said: Words, phrase: Words) -> int | None:
    return next((at for at in range(len(said) - len(phrase) + 1) if said[at : at + len(phrase)] == phrase), None)
