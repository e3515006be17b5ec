"""One clause from left to right: which gauge it names, and what it says of it."""

from __future__ import annotations

from diagnose.language.lexicon import GLUE, Sense
from diagnose.language.prose.accounting import Accounting
from diagnose.language.prose.pieces import EVIDENCE, STOPS, Piece, Span, content, determined, glue, names


def before_number(spans: list[Span], at: int) -> bool:
    """Whether a number stands right before a place."""
    return bool(at) and spans[at - 1].number is not None


class Clause(Accounting):
    """Reads the gauges, behaviors, maneuvers, switches and numbers of one clause, left to right."""

    def read(self) -> None:
        """Read the whole clause; what it says is kept in ``pieces``."""
        spans = self.spans
        self._switches()
        if (
            self.lead in ("and", "then", "but")
            and self.state.subject
            and not any(s.sense("pronoun") for s in spans)
        ):
            self.subject = self.state.subject
        first = next((at for at, span in enumerate(spans) if self._behaves(at)), len(spans))
        if self.lead == "which":
            self.hanging = self.reader.antecedent or self.hanging
        own = "determiner" in spans[0].kinds and self.lead != "which"  # "and the climb thing was steady"
        if (
            self.hanging
            and not own
            and not any(names(span) or span.sense("pronoun") for span in spans[:first])
        ):
            self.gauges, self.subject = self.hanging, "gauge"  # "the airspeed, being old, fell"
        for at, span in enumerate(spans):
            self._span(at, span)
            self.held.append(self.gauges)
        self.state.subject = (
            self.subject if self.subject in ("self", "other", "unknown", "everything") else ""
        )
        self._everything()
        self._same_again()
        self._listed_too()
        self._numbers()
        self._account()
        self._finish()

    def dropped(self) -> bool:
        """Whether the clause names a gauge and says what it did, and nothing of that was used."""
        named = any((one := span.sense("gauge")) and not one.weak for span in self.spans)
        return named and not self.told and any("behaviour" in s.kinds for s in self.spans if not s.kinds & {"setting", "motion", "copula"})

    def _span(self, at: int, span: Span) -> None:
        spans = self.spans
        if span.start in self.reader.blocked:
            return
        kinds = span.kinds
        if "negation" in kinds and not kinds & {"behaviour"}:
            self.negated, self.negator = True, span.text
            if span.sense("pronoun") and not any(names(other) for other in spans[at + 1 :]):
                self._named(at)  # "neither moved", but not "neither radio worked"
            if at + 1 < len(spans) and (_bare := self._gauge_after(at)) and not self._told_later(at):
                if span.text in ("not", "never"):
                    self.subject = "unknown"  # "so not the pump"
                else:
                    self._lost(at, _bare)
            elif span.text in self.reader.prose["ceased"] and self._ceased(at):
                return  # "the fluctuation stopped"
            elif span.text in ("stopped", "stops", "quit") and self.pronoun and at + 1 == len(spans):
                self.why, self.subject = "the needle or the trouble", "unknown"  # "it stopped"
            elif span.text in ("stopped", "stops", "quit") and self.gauges and not self._told_later(at):
                self.negated = False
                self._attach(at, [Sense("behaviour", "stuck")])  # "the needle stopped"
            return
        if "excepting" in kinds and self._has("everything"):
            self.excepted, self.negated = True, False
            return
        if span.number is not None:
            return
        if span.words[0] == "no" and span.text.endswith("indication"):
            self.negated = True
            return
        if self._flown(at):
            return
        if (behaviours := self._behaves(at)) and self._attach(at, behaviours):
            return
        if self._named(at):
            return
        if kinds & {"aircraft", "others"}:
            beside = bool(at) and self.spans[at - 1].text == "with"
            if beside or not (self.gauges and (self._reported(at) or self.gauges == ("outside",))):
                flies = "aircraft" in kinds or span.words[-1] in self.reader.prose["crew"]
                self.subject, self.gauges = ("self" if flies else "other"), ()
            return
        if "attend" in kinds and not self.gauges:
            self.attended = True
        flown_next = at + 1 < len(spans) and "setting" in spans[at + 1].kinds  # "our last descent"
        if (
            not span.senses
            and not flown_next
            and not self.gauges
            and not self.subject
            and at
            and determined(spans, at)
            and not self._object(at)
        ):
            self.subject = "unknown"

    def _lost(self, at: int, gauges: tuple[str, ...]) -> None:
        for gauge in gauges:
            self._say(
                gauge, self.known.behaviours["zero"], [self.spans[at], self.spans[at + 1]], denied=False
            )

    def _named(self, at: int) -> bool:
        span = self.spans[at]
        gauges = self.reader.gauges_of(span)
        pronoun = span.sense("pronoun") is not None and span.sense("gauge") is None
        if pronoun and not gauges and not self.gauges and {"the", "one"} & set(span.words):
            self.subject = "unknown"  # a light or a card of which nothing was said yet
        if not gauges or not self._meant(at):
            return False
        if span.sense("gauges") and at and self.spans[at - 1].text in self.reader.prose["others"]:
            gauges = tuple(g for g in gauges if g not in self.state.gone)  # "the other vacuum instruments"
        first = next((i for i, other in enumerate(self.spans) if other.number is None), 0)
        if pronoun and at == first + 1 and span.text == "it" and self._handled(self.spans[first]):
            self.subject = "self"  # "left it off", "gave it ten minutes"
            return False
        beside = " ".join(other.text for other in self.spans[max(0, at - 2) : at])
        if pronoun and span.text == "it" and beside.endswith("next to"):
            return False  # "the one next to it"
        if (
            pronoun
            and span.text == "it"
            and self.gauges
            and self.spans[at - 1].text in self.reader.prose["adjuncts"]
        ):
            return False  # "the DG beside it"
        verb = at > 0 and self._strange(self.spans[at - 1]) and not self._aside(at - 1, persons=False)
        if pronoun and span.text == "it" and verb:
            self.subject = self.subject or "unknown"
            return False  # "nobody wrote it up"
        sided = pronoun and span.sense("pronoun") in (Sense("pronoun", "mine"), Sense("pronoun", "theirs"))
        if (
            sided
            and at
            and self.spans[at - 1].words[-1] in ("on", "at", "from", "of", "to", "as", "than", "with")
        ):
            return False
        if pronoun and span.text == "it" and gauges and not set(gauges) & set(self.state.gone):
            back = any(s.sense("behaviour") == Sense("behaviour", "recover") for s in self.spans[at + 1 :])
            gauges = tuple(self.state.gone)[-1:] if back and self.state.gone else gauges
        if pronoun and (span.text in ("it", "it all", "all of it") or "needle" in span.text):
            gauges = self._by_number(at, self._calmed() or gauges)
            if not gauges:
                self.why = "which gauge is meant is not clear"
                self.subject = "unknown"
                return True
        if pronoun and span.text == "it" and self.gauges and self._object(self.anchor):
            gauges = tuple(g for g in self.state.topic if g not in self.gauges)
            self.gauges = ()  # "with the engine running it still showed 400 down"
            if not gauges:
                return False
        if self.subject == "self" and self._set_to(at):
            return False
        if pronoun and (
            self.gauges or (self.subject in ("self", "other", "unknown") and not self._perceived(at))
        ):
            return False
        if gauges == ("engine",) and self._by_hand(at):
            self.reader.pieces.append(
                Piece(kind="noted", words=self.reader.source(self.spans[at : at + 1]), value="power changed")
            )
            self.subject, self.gauges = "unknown", ()
            return True
        if self.excepted:
            self._except(gauges, at)
            return True
        together = bool(self.gauges) and self._joined(at)
        self.gauges = tuple(dict.fromkeys((*self.gauges, *gauges))) if together else gauges
        self.subject, self.anchor, self.pronoun = "gauge", at, pronoun and span.text == "it"
        waiting, self.waiting = self.waiting or (self.carried if together else []), []
        self.carried = waiting
        if waiting:
            self.gauges = gauges
        for place in waiting:
            self._attach_to(place, self._behaves(place), self.gauges)
        return True

    def _by_number(self, place: int, gauges: tuple[str, ...]) -> tuple[str, ...]:
        """What "it" means where a number follows: the gauge that can show it; () if it is none of those told of.

        A number that was told of one gauge before is of that gauge again.
        """
        spans = self.spans
        feet = [at for at in range(place + 1, len(spans)) if spans[at].unit == "ft" and self._behaves(at - 1)]
        if feet:  # "the needles jumped 500 feet"
            fits = tuple(g for g in gauges if self.reader.prose["bare"].get(g) == "ft")
            return fits or self.state.last_of(("altimeter", "second_altimeter"))
        bare = [
            s
            for s in spans[place + 1 :]
            if s.number is not None and s.unit in ("", "kt", "ft") and not s.sense("behaviour")
        ]
        bare = [s for s in bare if (s.number or 0.0) >= self.reader.prose["telling_from"]]
        if not bare or any(span.unit == "ft" for span in bare):
            return gauges
        likely = [
            g
            for g in gauges
            if g not in self.reader.prose["no_needle"]
            and (g not in self.reader.prose["plausible"] or self._plausible(g, bare[-1]))
        ]
        alike = [g for g, told in self.state.history.items() if bare[-1].number in told]
        if alike and not set(alike) & set(gauges):
            return (alike[-1],)  # "it fell from 120 to 80 ... the needle jumped back to 120"
        others = [g for g in self.state.numbers if self._plausible(g, bare[-1])]
        return tuple(likely or others[-1:])

    def _perceived(self, at: int) -> bool:
        return any("perceive" in span.kinds for span in self.spans[:at])

    def _joined(self, at: int) -> bool:
        return all(
            glue(span, GLUE | {"joins", "breaks", "perceive", "hedge"}) or span.words[0] in STOPS
            for span in self.spans[self.anchor + 1 : at]
        )

    def _meant(self, at: int) -> bool:
        """Whether a loose name such as "altitude" names its gauge here."""
        span = self.spans[at]
        sense = span.sense("gauge")
        if sense is not None and "others" in span.kinds:  # "ATC was great": people, unless a number or a comparison follows
            said = {s.value for other in self.spans for s in other.senses if s.kind == "behaviour"}
            numbered = any(other.number is not None for other in self.spans)
            return numbered or bool(said & {"agree", "disagree", "off_by"})
        if sense is None or not sense.weak:
            return True
        before = self.spans[at - 1] if at else None
        told = self.spans[at + 1 : at + 2] and self.spans[at + 1].kinds & {"copula", "earlier"}
        joins = (
            before is not None and before.text in ("for", "that") and told
        )  # "for the speed had been falling"
        if before is not None and not joins and before.words[-1] in self.reader.prose["not_before"]:
            return before.words[-1] in ("in", "of", "on") and bool(self.waiting)
        following = self.spans[at + 1] if at + 1 < len(self.spans) else None
        beside = self._next(at, skip=("joins",))
        if beside > at + 1 and beside < len(self.spans) and self.spans[beside].sense("gauge"):
            return True  # "altitude and VSI were unaffected"
        beside = at - 1
        while beside > 0 and "joins" in self.spans[beside].kinds:
            beside -= 1
        joined = self.spans[beside].sense("gauge") if 0 <= beside < at - 1 else None
        if (
            joined is not None
            and not joined.weak
            and self.spans[beside].start == self.spans[self.anchor].start
        ):
            return True  # "attitude and heading were unaffected"
        number = self._next(at)
        between = self.spans[at + 1 : number]
        numbers = number < len(self.spans) and self.spans[number].number is not None
        does = number < len(self.spans) and bool(self.spans[number].kinds & {"behaviour", "report"})
        if (numbers or (does and between)) and all(span.kinds & {"adverb", "onward"} for span in between):
            return True  # "vac still 5", "my horizon slowly tilts"
        if following is not None and following.text == "itself":
            return True  # "it was the horizon itself"
        if self.attended and following is None and sense.value not in self.reader.prose["no_needle"]:
            return True  # "I looked at the vacuum"
        if sense.value == "outside" and not at and following is not None and "aircraft" in following.kinds:
            return True  # "outside we were level"
        if following is not None and (
            following.kinds & {"copula", "earlier", "report", "behaviour", "reading"}
            or (following.text in ("not", "never") and bool(self.spans[at + 2 : at + 3]) and bool(self._behaves(at + 2)))
            or following.number is not None
        ):
            return True
        return bool(self.waiting) or (before is not None and bool(before.kinds & {"negation"}))

    def _attach(self, at: int, senses: list[Sense]) -> bool:
        span = self.spans[at]
        if span.text in self.reader.prose["particles"] and self._of_a_verb(at):
            return True  # "did not budge off field elevation"
        from_it = [other.text for other in self.spans[max(0, at - 3) : at]]
        between = self.spans[at + 1 : at + 5]
        if (
            [other.text for other in between[::2]] == ["from", "to"]
            and len(between) == 4
            and None not in (between[1].number, between[3].number)
            and any(sense.value == "recover" for sense in senses)
        ):
            return True  # "goes back from 110 to 70": the numbers say which way
        if span.text in ("down to", "up to") and "from" in from_it and before_number(self.spans, at):
            return False  # "from 120 down to 60": the way between two numbers
        if any("same_again" in other.kinds and other.text != "likewise" for other in self.spans[:at]):
            return False  # "it did it all over again"
        before_it = [other.text for other in self.spans[max(0, at - 4) : at]]
        simile = "like" in before_it and set(before_it[before_it.index("like") :]) & {"a", "an"}
        adjective = determined(self.spans[:at], at) and bool(behind_it := self.spans[at + 1 : at + 2])
        if adjective and at and "determiner" in self.spans[at - 1].kinds and behind_it[0].text in ("one", "thing"):
            return True  # "the up-and-down one was fine"
        if self._of_a_noun(at) or (simile and self.told):
            return True  # "leaning like a drunk", "bouncing like a pogo stick"
        if span.text in self.reader.prose["colors"] and names(self.spans[min(at + 1, len(self.spans) - 1)]):
            return True  # "the red low voltage light": which one
        before, behind = self.spans[at - 1 : at] if at else [], self.spans[at + 1 : at + 2]
        ways = {"rise": "climb", "fall": "descent"}
        way = next((ways[sense.value] for sense in senses if sense.value in ways), "")
        passing = bool(behind) and behind[0].text in self.reader.prose["going_through"]
        if self.told and way and passing and span.words[0] in self.reader.prose["going"]:
            return self._fly(at, span, Sense("setting", way), True)  # "both froze going up through 2,000"
        if self._only_how(span, behind):
            return True
        if (
            before
            and "determiner" in before[0].kinds
            and behind
            and behind[0].text in self.reader.prose["ceased"]
        ):
            return False  # "the fluctuation stopped": said where it stops
        if before and before[0].unit in ("min", "h", "s", "nm") and span.text in ("out", "off", "away"):
            return False  # "an hour out", "five miles out"
        if before and (before[0].number or 0.0) < 0.0 and span.text == "out":
            return False  # "it was minus 5 out"
        if before and before[0].text == "for" and self.known.is_base(span.text):
            return False  # "normal for climb"
        if span.words[-1] in ("out", "off") and behind and behind[0].words[0] == "of":
            return False  # "coming out of the clouds"
        if (
            span.text in ("up", "down")
            and before
            and before[0].text in self.reader.prose["extent"]
            and self.told
        ):
            return False  # "it stuck all the way down"
        if span.text in ("no", "yes", "both") or (span.sense("no_effect") and not self.gauges):
            return False
        if span.sense("moved") and self._has("switch") and not self.gauges:
            return False
        senses = self._stepped(at, senses)
        outside = self.state.outside == self.state.sentence and self.gauges in ((), ("outside",))
        if outside and "level" in span.words and self._has_word("wings"):
            return self._say("outside", self.known.behaviours["level"], [span], denied=self.negated)
        flyable = span.words[0] in self.reader.prose["flyable"]
        if (
            flyable
            and not self._reported(at)
            and (self.pronoun or (not self.gauges and at + 1 == len(self.spans)))
        ):
            self.why = "the needle or the airplane"
            return False
        if span.text == "freezing" and (self.pronoun or not self.gauges):
            return False  # the air, and no needle
        if span.text in self.reader.prose["forward"]:  # "with no change in power"
            following = self._next(at)
            named = self.spans[following] if following < len(self.spans) else None
            if named is None or not names(named):
                return False
            self.waiting.append(at)
            return True
        leading = next(
            (s for s in reversed(self.spans[:at]) if s.text not in ("a", "the", "my", "our")), None
        )
        if not self.gauges and leading is not None and leading.text in ("in", "during"):
            return False  # "in a bank it ..." says when
        flown_too = all(s.value in self.reader.prose["flown_too"] for s in senses)
        if flown_too and before and before[0].words[-1] in ("after", "before", "during"):
            return False  # "lazy after a turn"
        if self._aim(at) or (self.gauges and self._of_its_object(at)) or self._with_somebody(at, senses):
            return False
        if self.gauges and self._for_next(at, senses):
            self.waiting.append(at)
            return True
        if self.gauges and self._reach(at, senses) and self._attach_to(at, senses, self.gauges):
            return True
        if self.pronoun and not any(sense.weak for sense in senses) and not self._can(self.gauges, senses):
            able = [g for g in reversed(self.state.seen[-6:]) if self._can((g,), senses)]
            if able and self._reported(at):  # "it was showing a right bank": the one that can
                self.gauges, self.state.topic, self.state.odd_topic = (able[0],), (able[0],), True
                return self._attach_to(at, senses, self.gauges)
        for sense in senses:
            if sense.value in self.reader.prose["telling"] and not self.gauges:
                wanted = self.known.behaviours[sense.value].only
                spoken = [g for s in self.spans if s.sense("gauge") for g in self.reader.gauges_of(s)]
                if (last := self.state.last_of(wanted)) and not spoken:
                    self.gauges, self.anchor = last, at
                    return self._attach_to(at, [sense], last)
        own = [s for s in senses if s.kind == "behaviour" and self.known.behaviours[s.value].names]
        for sense in own:
            gauge = self.known.behaviours[sense.value].names
            self.gauges, self.anchor = (gauge,), at
            self._attach_to(at, [sense], (gauge,))
            self.aside.add(gauge)
        if own:
            return True
        if span.text in self.reader.prose["particles"] and not self.gauges:
            return False  # "called out that his airspeed was dropping"
        following = self._next(at, skip=("behaviour", "reading", "negation", "hedge", "moved"))
        if self._done_by_hand(at) or self._aim(at) or self._of_its_object(at):
            return False
        if any("switch" in span.kinds for span in self.spans[at + 1 : at + 3]):
            return False  # "dropping the alternate static changed nothing on the airspeed"
        if (
            following < len(self.spans)
            and self.spans[following].sense("gauge") is not None
            and not any(span.text in self.reader.prose["parting"] for span in self.spans[at + 1 : following])
            and (not self.gauges or not self._can(self.gauges, senses))
        ):
            self.waiting.append(at)
            return True
        if self.gauges:
            return False
        object_follows = self._acts_on(at)
        if (
            self.subject == ""
            and self.state.focus
            and not self._someone(at)
            and not self.attended
            and not object_follows
            and self.lead not in (")", "]")
            and self._elided(at, senses)
        ):
            if not self.number and any(s.value == "recover" for s in senses) and len(self.state.gone) > 1:
                last = tuple(dict.fromkeys(piece.gauge for piece in self.state.last))
                if (len(last) == 1 and last != self.state.topic[:1]) or len(self.state.topic) > 1:
                    self.why = "which gauge is meant is not clear"
                    return False
            gone = tuple(self.state.gone)[-1:]  # what came back is what had gone wrong
            back = not self.state.named and any(sense.value == "recover" for sense in senses)
            focus = (
                gone
                if back and gone and not set(self.state.focus) & set(self.state.gone)
                else self.state.focus
            )
            self.gauges, self.anchor = focus, at - 1
            if self._attach_to(at, senses, focus):
                return True
            self.gauges = ()
        return False

    def _stepped(self, at: int, senses: list[Sense]) -> list[Sense]:
        """ "It jumped to 1,900", "had gone to 40": up or down from where the needle was, not restless and not dead."""
        following = self.spans[at + 1 : at + 3]
        to = len(following) == 2 and following[0].text == "to" and following[1].number
        gauges = self.gauges or self.state.focus
        stands = bool(following) and (
            following[0].text in ("there", "right there") or (following[0].text in ("at", "on") and len(following) > 1 and following[1].number)
        )
        if stands and gauges and any(s.value == "dead" for s in senses) and self.spans[at].text in self.reader.prose["ceased"]:
            return [Sense("behaviour", "stuck")]  # "came up to 50 and quit there"
        if not to or not gauges or not any(s.value in ("erratic", "jerky", "dead") for s in senses):
            return senses
        if any(p.gauge in gauges and p.value == "stuck" for p in self.reader.pieces):
            return [Sense("behaviour", "jerky")]  # "stuck at 2,400, then jumped to 2,150"
        was = self.state.numbers.get(gauges[-1])
        if was is None or was == following[1].number:
            return []
        return [Sense("behaviour", "rise" if (following[1].number or 0.0) > was else "fall")]

    def _for_next(self, at: int, senses: list[Sense]) -> bool:
        """ "Wings level on the AI", "a steady groundspeed": what is said of the gauge behind it."""
        following = self._next(at)
        if following >= len(self.spans) or self.spans[following].sense("gauge") is None:
            return False
        gauges = self.reader.gauges_of(self.spans[following])
        between = [word for span in self.spans[at + 1 : following] for word in span.words]
        beside = not between and at and "determiner" in self.spans[at - 1].kinds
        on = bool(between) and between[0] == "on" and set(between) <= {"on", "the", "my", "our"}
        if set(gauges) >= set(self.gauges) or not self._can(gauges, senses):
            return False
        told = any(piece.gauge in self.gauges for piece in self.told)
        return bool(beside) or (on and told)

    def _fine(self, piece: Piece) -> bool:
        """Whether a piece says that its gauge was as it should be: the story's topic stays with the odd one."""
        if self._has("earlier"):
            return False  # "normal at first": it is about to go wrong
        if "turn" in self.state.flown and piece.facet.endswith(".bank"):
            return True  # "the horizon showed 45 of bank" in a steep turn
        steady = piece.reading in ("steady", "level") and piece.value != "stuck"
        fine = piece.kind == "expected" or steady or piece.reading in self.reader.prose["fine"]
        if piece.sure < 0.5:  # "did not precess at all"
            return piece.reading in self.reader.prose["never_right"]
        return fine

    def _hang(self) -> None:
        """Keep a subject of which nothing was said yet: "the airspeed, which should have risen, fell"."""
        if self.lead in ("(", "["):
            return  # an aside leaves it hanging
        told = any(piece.kind in EVIDENCE for piece in self.told)
        bare = all(names(s) or s.kinds & {"joins", "determiner", "onward", "breaks"} for s in self.spans)
        ends = names(self.spans[-1])
        self.reader.antecedent = self.reader.gauges_of(self.spans[-1]) if ends else ()
        parted = self.reader.next_lead in ("(", "[", "then")  # "the voltage (I have a meter) read 11.9"
        ends = ends and (parted or self._meant(len(self.spans) - 1))
        if told or (self.subject in ("self", "other") and self.lead not in (",", "which")):
            self.reader.hanging = ()
        elif ends and (bare or self._has("copula")):
            self.reader.hanging = (
                self.reader.gauges_of(self.spans[-1])
                if not bare
                else tuple(
                    dict.fromkeys(
                        g for span in self.spans if names(span) for g in self.reader.gauges_of(span)
                    )
                )
            )

    def _finish(self) -> None:
        self._hang()
        if content(self.spans) and self.lead not in ("which", "who"):  # an aside leaves it as it was
            known = not any(self._strange(span) or "behaviour" in span.kinds for span in self.spans)
            said = self.told or any(names(span) for span in self.spans)
            self.reader.spoke = bool(said or (self.gauges and known))
        if self.told:
            self.state.last = [p for p in self.told if p.kind in EVIDENCE]
            self.state.told += 1
            odd = self.reader.prose["odd"]
            self.state.odd = [p for p in self.state.last if p.reading in odd] or self.state.odd
            for piece in self.state.last:
                if self._fine(piece):
                    self.state.gone.pop(piece.gauge, None)
                else:
                    here = len(self.state.history.get(piece.gauge, ()))
                    self.state.gone.setdefault(piece.gauge, max(here - 1, 0))
            told = {p.gauge for p in self.state.last}
            self.state.restless = [g for g in self.state.restless if g not in told] + [
                p.gauge for p in self.state.last if p.reading in odd and p.sure >= 0.5
            ]
        if self._has("ordinary") and any(
            s.kind == "behaviour" and s.value in ("normal", "recover")
            for span in self.spans
            for s in span.senses
        ):
            self.reader.pieces.append(Piece(kind="ordinary", words=self.reader.source(self.spans)))
        named = [
            g
            for at, span in enumerate(self.spans)
            if span.sense("gauge") and self._meant(at) and not (self.subject == "self" and self._set_to(at))
            for g in self.reader.gauges_of(span)
        ]
        looked = named and self.attended and not self.told
        unread = named and not self.told and not self.state.topic and (self.strange or self._has("behaviour"))
        first = self.spans[0].text in ("it", "that", "this") and len(self.spans) > 1
        itself = (
            first and named and not self.told and "copula" in self.spans[1].kinds
        )  # "it was the AI itself"
        before, self.state.looked = self.state.looked, []
        if looked or unread or itself:
            self.state.looked = [(self.state.topic, self.state.odd_topic)]
            self.state.odd_topic = True
            self.state.topic = tuple(dict.fromkeys(named))  # "I glanced at the DG. It was spinning."
        # "pitch and power had not changed" is no topic
        self.aside -= {g for span in self.spans if span.sense("gauge") for g in self.reader.gauges_of(span)}
        spoken = [g for g in dict.fromkeys(p.gauge for p in self.told if p.gauge) if g not in self.aside]
        self.gauges = tuple(gauge for gauge in self.gauges if gauge not in self.aside)
        self.state.named = self.state.named or bool(named or spoken)
        self.state.seen += [*named, *spoken]
        odd = tuple(
            dict.fromkeys(
                p.gauge for p in self.told if p.gauge and p.gauge not in self.aside and not self._fine(p)
            )
        )
        if before and spoken and not odd and set(self.state.topic) == set(spoken):
            self.state.topic, self.state.odd_topic = before[0]  # looked at, and it was fine
        if odd or (spoken and not self.state.topic):
            self.state.topic, self.state.odd_topic = odd or tuple(spoken), bool(odd)
        if spoken:
            self.state.focus = tuple(spoken)
        elif self.gauges:
            self.state.focus = self.gauges
        elif named:
            self.state.focus = tuple(dict.fromkeys(named))
