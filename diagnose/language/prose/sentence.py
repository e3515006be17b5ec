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
from diagnose.language.prose.spans import Divided
from diagnose.language.slips import corrected
from diagnose.language.tokens import Token, tokens


class SentenceReader(Divided):
    """Reads one sentence; ``state`` is carried on to the next."""

    def __init__(self, kb: KnowledgeBase, known: Lexicon, state: State, text: str) -> None:
        super().__init__(kb, known, state, text)
        self.pieces: list[Piece] = []
        self.unused: list[Unused] = []
        self.repeated: Sequence[Piece] = ()
        self.numbers: dict[str, float] = {}
        #: every number told of a gauge in this sentence
        self.listed: dict[str, list[float]] = {}
        self.range = False
        self.supposed = False
        #: whether the sentence tells what happened again and again
        self.habit = False
        #: whether the clause before was about a gauge; about the altimeter setting
        self.spoke = self.spoke_of_setting = False
        #: gauges that a clause named and said nothing of yet: "the airspeed, which should have risen, ..."
        self.hanging: tuple[str, ...] = ()
        #: the gauge that the clause before ends with: "the compass, which was steady"
        self.antecedent: tuple[str, ...] = ()
        #: whether the clause in hand is the last of the sentence
        self.final = False
        #: what the next clause begins with
        self.next_lead = ""

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
        self.side = False
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

    def source(self, spans: Sequence[Span]) -> str:
        """The words of the text that these spans stand for."""
        if not spans:
            return ""
        return self.text[min(s.start for s in spans) : max(s.end for s in spans)]

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
            if said[: len(parts)] == parts and (ends or len(parts) > 2 or parts[0] in ("what", "why")):
                if not ends and "*" not in table[lead] and len(said) > len(parts) + 2:
                    continue  # "what happened is the altimeter quit"
                if table[lead] == "failure *" and not rest:
                    continue  # "how do I know?"
                command = table[lead].replace("*", rest).strip()
                return (Piece(kind="question", words=self.text, value=command),)
        if ends and said[0] in self.known.tables["plain_question"]:
            return (Piece(kind="question", words=self.text),)
        return ()

    def _collisions(self, words: Sequence[Token]) -> Iterator[Piece]:
        said = tuple(token.text for token in words)
        there = set(said)
        self.blocked: set[int] = set()
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
        if all(piece.kind == "time" for piece in self.pieces[first:]) and content(spans) and not done.strange:
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

    def _mis_set(self, spans: list[Span]) -> bool:
        """ "It had been set to 30.12 instead of 29.72": two altimeter settings, one of them wrong."""
        ranges = self.prose["settings"]
        told = {
            s.number for s in spans if s.number is not None and any(a <= s.number <= b for a, b in ranges)
        }
        words = tuple(word for span in spans for word in span.words)
        return len(told) == 2 and any_of(words, self.prose["not_the_same"])

    def _only_fine(self, spans: list[Span]) -> bool:
        """ "It lay on its side, which is normal": nothing but that what was told is usual."""
        told = {s.value for span in spans for s in span.senses if s.kind == "behaviour"}
        odd = [p for p in self.pieces if p.kind == "reading" and p.reading not in self.prose["fine"]]
        named = any(names(span) for span in spans)
        return told == {"normal"} and bool(odd) and not named and "copula" in spans[0].kinds

    def _setting_right(self, lead: str, spans: list[Span]) -> bool:
        """ "I checked the altimeter setting and it was right": said of the setting, and of no needle."""
        words = tuple(word for span in spans for word in span.words)
        named = any_of(words, self.prose["setting_named"])
        about = named or (lead in ("and", ",", "which", "but") and self.spoke_of_setting)
        self.spoke_of_setting = named
        told = {s.value for span in spans for s in span.senses if s.kind == "behaviour"}
        other = any(span.sense("gauge") and "setting" not in self.source(spans) for span in spans)
        flown = any(span.kinds & {"setting", "motion"} for span in spans)
        if not about or other or flown or not told & {"normal", "wrong", "agree"}:
            return False
        wrong = any("negation" in span.kinds for span in spans) != ("wrong" in told)
        self.pieces.append(
            Piece(
                kind="reading", words=self.source(spans), gauge="setting_check", facet="setting_check.state",
                reading="mis_set" if wrong else "as_reported",
            )
        )  # fmt: skip
        return True

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

    def _intended(self, spans: list[Span]) -> bool:
        """ "I was going to fail the vacuum on him", "she likes night flying": nothing that happened."""
        gauge = next((at for at, span in enumerate(spans) if names(span)), len(spans))
        person = next((at for at, span in enumerate(spans) if span.kinds & {"aircraft", "others"}), gauge)
        return any_of(
            tuple(word for span in spans[person:gauge] for word in span.words), self.prose["intended"]
        ) or any_of(tuple(word for span in spans for word in span.words), self.prose["habits"])

    def _spoken_of(self, spans: list[Span]) -> None:
        """ "The light should have come on but it stayed dark": what was only supposed still says what "it" is."""
        named = tuple(g for span in spans if span.sense("gauge") for g in self.gauges_of(span))
        if named:
            self.state.focus, self.state.named = named, True
            self.state.seen += named

    def _known_before(self, spans: list[Span]) -> str:
        """The condition that a clause tells: what was known not to work, work on the pitot-static system; "" if none."""
        words = tuple(word for span in spans for word in span.words)
        table, work = self.known.tables["inop"], self.known.tables["worked_on"]
        if any("negation" in span.kinds for span in spans):
            return ""
        for flag, texts in table["names"].items():
            dead = any_of(words, table["dead"]) and (flag not in table["needle"] or "known" in words)
            if any_of(words, texts) and (any_of(words, table["marked"]) or dead):
                return str(flag)
        done = any_of(words, work["done"]) and set(words) & set(work["had"])
        return "probe_work" if done and any_of(words, work["parts"]) else ""

    def _found(self, spans: list[Span]) -> bool:
        """Whether a clause tells what was found on the ground: a part or a fault, and no needle."""
        table, words = self.known.tables["finding"], tuple(w for span in spans for w in span.words)
        part = any_of(words, table["parts"]) and (
            any_of(words, table["states"]) or set(words) & set(table["faults"])
        )
        if part and not {"others", "aircraft", "guess"} & {k for s in spans[:1] for k in s.kinds}:
            return not any("attend" in span.kinds for span in spans[:1])
        if not any_of(words, table["finders"]) or not set(words) & set(table["faults"]):
            return False
        others = [span for span in spans if "perceive" not in span.kinds]
        meant = [span for span in others if span.text not in ("both", "these", "those", "neither")]
        return not any(span.sense("pronoun") or "report" in span.kinds for span in meant)

    def _thinks_it_showed(self, spans: list[Span]) -> bool:
        """ "I thought the airspeed was low" is a report with a doubt; "I thought it was the pump" a guess."""
        guesses = [span for span in spans if "guess" in span.kinds]
        if any("thought" not in span.words and "think" not in span.words for span in guesses):
            return False
        if any("others" in span.kinds for span in spans[: spans.index(guesses[0])]):
            return False  # "he thought the vacuum had gone"
        named = {g for span in spans if names(span) for g in self.gauges_of(span)}
        return any("gauge" in span.kinds for span in spans) and any(
            sense.kind in ("behaviour", "reading")
            and sense.value not in ("wrong", "dead", "normal", "recover")
            and (sense.kind == "behaviour" or sense.value.partition(".")[0] in named)
            for span in spans
            for sense in span.senses
        )

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

    # ------------------------------------------------------------------ gauges

    def gauges_of(self, span: Span) -> tuple[str, ...]:
        """The gauges that a span names; a pronoun names those spoken of last."""
        if span.start in self.blocked:
            return ()
        if gauges := span.sense("gauges"):
            return tuple(self.known.tables["all_gauges"][gauges.value])
        if gauge := span.sense("gauge"):
            return (self.prose["second"].get(gauge.value, gauge.value) if self.side else gauge.value,)
        if pronoun := span.sense("pronoun"):
            # in a new sentence "it" is what the story is about; later in it, what was named last
            topic = self.state.topic if self.state.odd_topic else ()
            focus = self.state.focus if self.state.named else topic or self.state.focus
            if pronoun.value == "unclear":
                return ()  # "only one came alive"
            if pronoun.value in ("mine", "theirs"):
                if "one" in span.words and not self.state.sides:
                    return ()  # one of what is not clear
                pairs = self.prose["second"]
                last = self.state.last_of((*pairs, *pairs.values()))
                first = tuple(one for one, two in pairs.items() if last and last[0] in (one, two))
                return first if pronoun.value == "mine" else tuple(pairs[one] for one in first)
            lost = self.prose["no_needle"]
            focus = tuple(g for g in focus if g not in lost) or tuple(
                g for g in self.state.topic if g not in lost and pronoun.value == "any"
            )
            if {"other", "others"} & set(span.words):  # "the altimeter leapt up and the other two came back"
                rest = tuple(g for g in self.state.gone if g not in {p.gauge for p in self.pieces})
                return rest if "two" not in span.words or len(rest) == 2 else ()
            if pronoun.value == "many" and "three" in span.words and len(focus) != 3:
                static = tuple(self.known.tables["all_gauges"]["pitot_static"])
                return static if focus and set(focus) <= set(static) else ()
            if pronoun.value == "many" and "all" in span.words and len(self.state.gone) > 2:
                return tuple(self.state.gone)  # "they all came back": whatever had gone wrong
            if pronoun.value == "many" and len(focus) < 2:
                return tuple(self.state.gone) if len(self.state.gone) == 2 else ()
            if set(span.words) & {"gauge", "gage", "needle", "dial"}:
                beside = self.prose[
                    "companion"
                ]  # the gauge beside a lamp: "the light came on, gauge was at zero"
                focus = tuple(beside.get(gauge, gauge) for gauge in focus)
            if wanted := self.known.only.get(pronoun.value):
                focus = tuple(gauge for gauge in focus if gauge in wanted) or self.state.last_of(wanted)
            return focus
        return ()

    def _likely(self, spans: list[Span]) -> str:
        named = [g for span in spans if not span.sense("pronoun") for g in self.gauges_of(span)]
        if named:
            return named[0]
        told = any(span.kinds & {"behaviour", "reading"} for span in spans)
        return self.state.focus[0] if told and self.state.focus else ""
