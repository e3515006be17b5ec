"""One sentence: its words, its clauses, and what stands beside the gauges in it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.lexicon import Lexicon, Sense
from diagnose.language.names import phrases
from diagnose.language.prose.clause import Clause
from diagnose.language.prose.counting import where
from diagnose.language.prose.pieces import (
    Kind,
    Piece,
    SentenceRead,
    Span,
    State,
    Unused,
    any_of,
    content,
    names,
    place,
)
from diagnose.language.prose.remarks import Remarks
from diagnose.language.slips import corrected
from diagnose.language.tokens import Token, tokens


class SentenceReader(Remarks):
    """Reads one sentence; ``state`` is carried on to the next."""

    def __init__(self, kb: KnowledgeBase, known: Lexicon, state: State, text: str) -> None:
        super().__init__(kb, known, state, text)
        self.unused: list[Unused] = []
        self.repeated: Sequence[Piece] = ()
        self.numbers: dict[str, float] = {}
        #: every number told of a gauge in this sentence
        self.listed: dict[str, list[float]] = {}
        self.range = False
        self.supposed = False
        #: whether the sentence tells what happened again and again
        self.habit = False
        #: whether the clause before was about a gauge
        self.spoke = False
        #: gauges that a clause named and said nothing of yet: "the airspeed, which should have risen, ..."
        self.hanging: tuple[str, ...] = ()
        #: the gauge that the clause before ends with: "the compass, which was steady"
        self.antecedent: tuple[str, ...] = ()
        #: whether the clause in hand is the last of the sentence
        self.final = False
        #: what the next clause begins with
        self.next_lead = ""
        #: the switch that the sentence names last
        self.switch = ""

    # ------------------------------------------------------------------ from text to clauses

    def read(self) -> SentenceRead:
        """Read the sentence: its pieces, corrections of typing errors, and what was not used."""
        typed, slips = corrected(tokens(self.text), self.known)
        words: Sequence[Token] = typed
        if asked := self._question(words):
            return SentenceRead(text=self.text, pieces=asked, slips=slips, question=True)
        words = self._without_quite(words)
        spans = list(self._spans(words))
        for piece in self._collisions(words):
            self.pieces.append(piece)
        self.doubt = phrases().question if self._doubts() else 1.0
        said = tuple(token.text for token in words)
        self.state.sentence += 1
        if any_of(said, self.prose["looked_out"]):
            self.state.outside = self.state.sentence
        self.taxiing = any(word.startswith("taxi") for word in said)
        self.setting = any_of(said, self.known.tables["noted"]["altimeter set"])
        self.state.sides = self.state.sides or any_of(said, self.prose["two_seats"])
        clauses: list[tuple[str, list[Span]]] = []
        parted = False
        for lead, clause in self._clauses(spans):
            hedge = all({"hedge", "guess"} & set(span.kinds) for span in clause)
            if clauses and (hedge or (parted and lead in (",", ")"))):
                # "we were in cloud, I think": the doubt is about what stands before it; "the VSI, I think, rose": all one
                clauses[-1][1].extend(clause)
                parted = hedge and not any(span.kinds & {"behaviour", "reading"} for span in clauses[-1][1])
            else:
                clauses.append((lead, clause))
                parted = False
        self.state.subject, self.state.named = "", False
        before: set[str] = set()
        for number, (lead, clause) in enumerate(clauses):
            if lead in self.prose["no_longer_first"] and "earlier" in before:
                self.pieces.append(Piece(kind="time", words=lead, value="now"))
            self.final = number == len(clauses) - 1
            self.next_lead = "" if self.final else clauses[number + 1][0]
            self._clause(lead, clause, number)
            before = {kind for span in clause for kind in span.kinds}
        self._set_against()
        self._in_one_step()
        if any(p.kind == "switch" or p.value in self.known.tables["tried"] for p in self.pieces):
            self.state.acted = self.state.sentence
        return SentenceRead(text=self.text, pieces=tuple(self.pieces), unused=tuple(self.unused), slips=slips)

    def _set_against(self) -> None:
        """Two numbers of one sentence: "the compass showed 180 while the DG showed 210"."""
        for gauge, witness, facet in self.prose["against"]:
            if not {gauge, witness} <= set(self.numbers) or any(
                p.facet == f"{gauge}.{facet}" for p in self.pieces
            ):
                continue
            off = self.numbers[gauge] - self.numbers[witness]
            off = (off + 180.0) % 360.0 - 180.0 if gauge == "heading" else off
            reading = where(self.kb, gauge, facet, off)
            if witness in self.prose["second"].values():  # which of the two is wrong is not said
                if reading in ("low", "high") and not any(p.kind == "disagree" for p in self.pieces):
                    self.pieces += [Piece(kind="disagree", words=self.text, gauge=g) for g in (gauge, witness)]
            elif reading:
                self.pieces.append(
                    Piece(
                        kind="reading", words=self.text, gauge=gauge, facet=f"{gauge}.{facet}", reading=reading,
                        size=off, unit=self.prose["bare"][gauge],
                    )
                )  # fmt: skip
                if reading not in self.prose["fine"]:
                    self.state.topic = self.state.focus = (gauge,)

    def _in_one_step(self) -> None:
        """What a needle did in one step: a check on opening the alternate source, a jerk where it had been stuck."""
        for at, piece in enumerate(self.pieces):
            way = {"rising": "jumped_up", "falling": "jumped_down"}.get(piece.reading, "")
            behind = tuple(re.findall(r"[a-z]+", self.text[max(0, self.text.find(piece.words)) :].lower()))
            if not way or piece.facet != "altimeter.trend" or not any_of(behind, self.prose["step_words"]):
                continue
            before = self.pieces[:at]
            if any((p.kind, p.value, p.position) == ("switch", "alternate_static", "on") for p in before):
                gauge = "alternate_altimeter"
                self.pieces[at] = replace(piece, gauge=gauge, facet=f"{gauge}.jump", reading=way)
            elif stuck := [p for p in before if p.facet == piece.facet and p.value == "stuck"]:
                self.pieces[at] = replace(piece, reading="jerky")
                self.pieces[self.pieces.index(stuck[-1])] = replace(stuck[-1], kind="noted", facet="", reading="")
                return

    def _doubts(self) -> bool:
        """Whether it asks about what it tells: "the airspeed was low?", but not "it rose and rose: what is it?"."""
        *before, last = re.split(r"[,;:]|\s-+\s", self.text.rstrip(" \"')"))
        asks = last.split()[:1]
        tells = before and asks and asks[0].strip("?").lower() in self.known.tables["plain_question"]
        return last.endswith("?") and not tells

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
            rest = " ".join(said[len(parts) :])
            alone = len(parts) > 2 or parts[0] in ("what", "why", *self.prose["inverted"])
            if said[: len(parts)] == parts and (ends or alone):
                if not ends and "*" not in table[lead] and len(said) > len(parts) + 2:
                    continue  # "what happened is the altimeter quit"
                if table[lead] == "failure *" and not rest:
                    continue  # "how do I know?"
                command = table[lead].replace("*", rest).strip()
                return (Piece(kind="question", words=self.text, value=command),)
        short = len(said) <= int(self.prose["sentence_words"])
        asks = short and said[1:2] and said[1] in self.prose["asks"].get(said[0], ())
        if asks or (ends and said[0] in self.known.tables["plain_question"]):
            return (Piece(kind="question", words=self.text),)
        return ()

    def _collisions(self, words: Sequence[Token]) -> Iterator[Piece]:
        said = tuple(token.text for token in words)
        how = self.prose["within_a_phrase"]
        words = [token for token in words if token.text not in how]  # "the horizon slowly tilts left"
        said = tuple(token.text for token in words)
        there = set(said)
        for texts, unless, both in self.known.collisions:
            if any(place(said, phrase) is not None for phrase in unless):
                continue
            for phrase in sorted(texts, key=len, reverse=True):
                if phrase[0] in there and (at := place(said, phrase)) is not None:
                    taken = words[at : at + len(phrase)]
                    self.blocked |= {token.start for token in taken}
                    yield Piece(kind="asked", words=self.text[taken[0].start : taken[-1].end], asks=both)
                    break

    def _clause(self, lead: str, spans: list[Span], number: int) -> None:
        self.side = self._on_the_other_side(spans)
        first = len(self.pieces)
        spans, standard = self._compared(spans)
        if not spans:
            return
        kinds = {kind for span in spans for kind in span.kinds}
        source = self.source(spans)
        self.supposed = "supposed_whole" in kinds or (self.supposed and lead not in ("but", "so"))
        if "if_words" in kinds or lead == "if" or self.supposed:
            self.unused.append(Unused(words=source, gauge=self._likely(spans), why="only supposed"))
            self._spoken_of(spans)
            self.supposed = self.supposed and lead not in ("which", "as")  # an aside ends with itself
            return
        if self._intended(spans):
            self.unused.append(Unused(words=source, gauge=self._likely(spans), why="only intended"))
            return
        if flag := self._known_before(spans):
            self.pieces.append(Piece(kind="condition", words=source, value=flag))
            self._spoken_of(spans)
            return
        if self._found(spans):
            self.pieces.append(Piece(kind="noted", words=source, value=f"found afterwards: {source}"))
            self._day([span for span in spans if len(span.words) > 1], ("day",))  # a rotor is no weather
            return
        if self._mis_set(spans):
            self.pieces += [
                Piece(kind="noted", words=source, value=f"found afterwards: {source}"),
                Piece(
                    kind="reading",
                    words=source,
                    gauge="setting_check",
                    facet="setting_check.state",
                    reading="mis_set",
                ),
            ]
            return
        if self._setting_right(lead, spans):
            return
        if lead == "which" and not self.antecedent and self._only_fine(spans):
            self.pieces.append(Piece(kind="noted", words=source, value="said to be usual"))
            return
        self._times(lead, spans, number)
        if "guess" in kinds and not self._thinks_it_showed(spans):
            self._flown_before(lead, spans, number)
            self.pieces.append(Piece(kind="guess", words=source))
            return
        if "silence" in kinds:
            gauges = [g for span in spans if names(span) for g in self.gauges_of(span)] or [""]
            self.pieces += [Piece(kind="silence", words=source, gauge=gauge) for gauge in gauges[:1]]
            return
        if self._usual(spans):
            return
        done = Clause(self, lead, spans, number)
        done.standard = standard
        done.read()
        self._day(spans, ("fitted", "maybe", "noted", "day", "clear"))
        self._temperature(spans)
        if done.sized:
            return
        kinds = {piece.kind for piece in self.pieces[first:]}
        lost = done.dropped() if kinds <= {"time", "flown"} else False  # "in cruise" is used, the gauge is not
        if (kinds <= {"time"} or lost) and content(spans) and not done.strange:
            self.unused.append(Unused(words=source, gauge=self._likely(spans), why=done.why))

    def _compared(self, spans: list[Span]) -> tuple[list[Span], list[Span]]:
        """A clause without its standard of comparison ("lower | than it should have"), and the standard."""
        for at, span in enumerate(spans):
            words = " ".join(word for other in spans[at : at + 4] for word in other.words) + " "
            alone = "behaviour" not in span.kinds and any(
                words.startswith(f"{text} ") for text in self.prose["standard"]
            )
            ends = span.words[-1] == "than" and "behaviour" in span.kinds
            number = at + 1 < len(spans) and spans[at + 1].number is not None
            if not (alone or ends) or (number and span.words[-1] == "than"):
                continue  # "more than 500 feet low"
            return spans[: at + ends], spans[at + ends :]
        return spans, []

    def _usual(self, spans: list[Span]) -> bool:
        """ ", normally 105": what the gauge of the last number usually reads."""
        numbers = [span for span in spans if span.number is not None]
        words = {word for span in spans for word in span.words}
        if len(numbers) != 1 or not self.numbers or not words & set(self.prose["usually"]):
            return False
        gauge = list(self.numbers)[-1]
        if any(names(span) for span in spans) or numbers[0].unit not in ("", self.prose["bare"].get(gauge)):
            return False
        self.against_usual(gauge, numbers[0].number or 0.0, self.source(spans))
        return True

    def against_usual(self, gauge: str, usual: float, words: str) -> None:
        """Say that a gauge reads high or low, where the number told is that far from what is usual."""
        off = self.numbers[gauge] - usual
        reading = where(self.kb, gauge, "value", off)
        if gauge not in self.prose["absolute"] and reading in ("low", "high"):
            self.pieces.append(
                Piece(
                    kind="reading", words=words, gauge=gauge, facet=f"{gauge}.value", reading=reading,
                    size=abs(off), unit=self.prose["bare"][gauge], measured=True,
                )
            )  # fmt: skip

    def _day(self, spans: list[Span], kinds: Sequence[str]) -> None:
        for kind in kinds:
            for span in spans:
                if span.start in self.blocked:
                    continue
                for sense in span.senses:
                    if sense.kind == kind:
                        self._scene(kind, sense, span, spans)

    def _on_the_other_side(self, spans: list[Span]) -> bool:
        """Whether a clause tells of the other pilot's instruments; what the clause before said goes on."""
        words = tuple(word for span in spans for word in span.words)
        his = self.state.sides and set(words) & {"his", "her"} and any(names(span) for span in spans)
        if (his or any_of(words, self.prose["other_side"])) and not self._side_of_a_thing(spans):
            return True
        return self.side and not set(words) & {"my", "mine", "our"}

    def _side_of_a_thing(self, spans: list[Span]) -> bool:
        """ "She opened the vent on her side": the side is that of a thing and of no gauge."""
        return any(
            span.text == "on"
            and at
            and not spans[at - 1].senses
            and any_of(tuple(w for s in spans[at : at + 4] for w in s.words), self.prose["other_side"])
            for at, span in enumerate(spans)
        )

    def _flown_before(self, lead: str, spans: list[Span], number: int) -> None:
        """ "Climbing out I thought ...": the maneuver stands before the guess."""
        end = next(at for at, span in enumerate(spans) if "guess" in span.kinds)
        scene = [span for span in spans[:end] if not (names(span) or span.sense("pronoun"))]
        if any(span.kinds & {"setting", "motion"} for span in scene):
            Clause(self, lead, scene, number).read()

    def _spoken_of(self, spans: list[Span]) -> None:
        """ "The light should have come on but it stayed dark": what was only supposed still says what "it" is."""
        named = tuple(g for span in spans if span.sense("gauge") for g in self.gauges_of(span))
        if named:
            self.state.focus, self.state.named = named, True
            self.state.seen += named

    def _scene(self, kind: str, sense: Sense, span: Span, spans: list[Span]) -> None:
        at = spans.index(span)
        words = self.source([span])
        denied = any("negation" in other.kinds for other in spans[max(0, at - 4) : at])
        if kind == "day":
            said = {word for other in spans for word in other.words}
            if sense.value == "visible_moisture" and "rain" in span.text and any_of(
                tuple(re.findall(r"[a-z]+", self.text.lower())), self.prose["while_parked"]
            ):
                sense = replace(sense, value="rain_parked")
            if any_of(tuple(self.text[: span.start].lower().split()[-2:]), self.prose["other_day"]):
                return  # "missing since the winter", "last January"
            if said & set(self.prose["not_yet"]) or self.text[span.end :].lstrip().startswith("before"):
                return  # "a new pump has been ordered", "the night before"
            about = [spans[i] for i, other in enumerate(spans[:-1]) if spans[i + 1].number is None]
            if "hedge" in {k for other in (*about, spans[-1]) for k in other.kinds}:
                self.pieces.append(
                    Piece(kind="asked", words=words, asks=(f"context {sense.value}",), value=sense.value)
                )
            elif not any(p.value == sense.value and p.kind == "condition" for p in self.pieces):
                if denied and any("never" in other.words for other in spans):
                    return  # "I have never flown in IMC since"
                self.pieces.append(
                    Piece(kind="no_condition" if denied else "condition", words=words, value=sense.value)
                )
        elif kind == "clear":
            self.pieces.append(
                Piece(kind="noted", words=words, value=f"no: {self.kb.context[sense.value].name}")
            )
        elif kind == "fitted" and not denied:
            self.pieces.append(Piece(kind="fitted", words=words, value=sense.value))
        elif kind == "maybe" and not denied:
            self.pieces.append(Piece(kind="maybe_fitted", words=words, value=sense.value))
        elif kind == "noted":
            self.pieces.append(Piece(kind="noted", words=words, value=sense.value))

    def _temperature(self, spans: list[Span]) -> None:
        """A temperature: a number with its unit, or the one nearest to "OAT" (behind it first)."""
        low, high = self.prose["air_c"]
        air = next((at for at, s in enumerate(spans) if any_of(s.words, self.prose["outside_air"])), None)
        numbers = [at for at, span in enumerate(spans) if span.number is not None]
        below = "ammeter" not in self.state.focus and not any(
            names(span) for span in spans
        )  # "minus twenty on the ramp"
        near = [
            at
            for at in numbers
            if spans[at].unit in ("", "deg")
            and (
                air is not None or (below and "minus" in spans[at].words and (spans[at].number or 0.0) < 0.0)
            )
        ]
        near.sort(key=lambda at: (at + 1 != air, at < (air or 0), abs(at - (air or 0))))
        for at in numbers:  # "forty below on the strip"
            cold = spans[at + 1].text if at + 1 < len(spans) else ""
            if (
                cold == "below"
                and not spans[at].unit
                and not any("determiner" in s.kinds for s in spans[at + 2 : at + 3])
            ):
                spans[at] = replace(spans[at], number=-abs(spans[at].number or 0.0), unit="C")
        for at in [at for at in numbers if spans[at].unit in ("C", "F")] or near:
            span = spans[at]
            assert span.number is not None
            celsius = (span.number - 32.0) / 1.8 if span.unit == "F" else span.number
            if not low <= celsius <= high:
                continue
            cold = celsius <= self.prose["freezing_c"]
            kind: Kind = "condition" if cold else "noted"
            value = "below_freezing" if cold else f"outside air {celsius:.0f} °C"
            self.pieces.append(
                Piece(kind=kind, words=self.source([span]), value=value, size=span.number, unit=span.unit)
            )
            return

    def _times(self, lead: str, spans: list[Span], number: int) -> None:
        """Marks of time in a clause: later, earlier, throughout, with the minutes where they are told."""
        minutes = None
        for at, span in enumerate(spans):
            if span.number is not None and span.unit in ("min", "s", "h"):
                factor = {"min": 1.0, "s": 1.0 / 60.0, "h": 60.0}[span.unit]
                near = [
                    w for other in (*spans[max(0, at - 2) : at], *spans[at + 1 : at + 2]) for w in other.words
                ]
                if self._a_rate(spans, at):
                    continue
                if lead == "after" or set(near) & {"later", "after", "within", "on", "afterwards", "in"}:
                    minutes = span.number * factor
                    if "in" in near and "later" not in near and "after" not in near and at + 1 < len(spans):
                        minutes = None if spans[at + 1].text == "in" else minutes
                    if minutes is not None:
                        self.pieces.append(
                            Piece(kind="time", words=self.source([span]), value="later", minutes=minutes)
                        )
        for span in spans:
            for mark, value in (("onward", "later"), ("earlier", "earlier"), ("throughout", "throughout")):
                if mark in span.kinds and not (mark == "onward" and minutes is not None):
                    self.pieces.append(Piece(kind="time", words=self.source([span]), value=value))
            if span.text == "again":
                self.pieces.append(Piece(kind="time", words="again", value="again"))
        if lead == "then":
            self.pieces.append(Piece(kind="time", words="then", value="later"))

    @staticmethod
    def _a_rate(spans: list[Span], at: int) -> bool:
        """Whether minutes say how fast and not when: "30 degrees in 10 minutes"."""
        before = spans[max(0, at - 2) : at]
        return (
            len(before) == 2
            and before[0].number is not None
            and before[0].unit not in ("min", "s", "h")
            and before[1].text in ("in", "over", "every", "per", "each")
        )

    def _likely(self, spans: list[Span]) -> str:
        named = [g for span in spans if not span.sense("pronoun") for g in self.gauges_of(span)]
        if named:
            return named[0]
        told = any(span.kinds & {"behaviour", "reading"} for span in spans)
        return self.state.focus[0] if told and self.state.focus else ""
