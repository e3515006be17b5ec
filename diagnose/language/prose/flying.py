"""What was flown, which switch was moved, and what is said of several gauges at once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Literal

from diagnose.language.lexicon import GLUE, Sense
from diagnose.language.names import phrases
from diagnose.language.prose.pieces import EVIDENCE, Piece, Span, any_of, determined, glue, names
from diagnose.language.prose.saying import Saying


class Flying(Saying):
    """What was flown and moved, and what is said of all gauges at once."""

    def _except(self, gauges: tuple[str, ...], at: int) -> None:
        for gauge in gauges:
            self.gauges, self.anchor, self.subject = gauges, at, "gauge"
            if not self._told_later(at):
                self._say(gauge, self.known.behaviours["wrong"], [self.spans[at]], denied=False)
        later = {
            sense.value for span in self.spans[at + 1 :] for sense in span.senses if sense.kind == "behaviour"
        }
        if later & {"normal", "steady", "recover", "agree"}:
            self.gauges, self.subject = (), "everything"  # "all other than the airspeed were normal"
        words = self.reader.source(self.spans)
        self.reader.pieces.append(Piece(kind="rest", words=words, asks=gauges, value="else"))

    def _everything(self) -> None:
        if fine := next((span for span in self.spans if "rest_fine" in span.kinds), None):
            self.reader.pieces.append(Piece(kind="rest", words=self.reader.source([fine]), value="else"))
            return
        whole = next((at for at, span in enumerate(self.spans) if "everything" in span.kinds), None)
        if whole is None and self.lead in ("and", "then", "but") and self.state.subject == "everything":
            whole = -1  # "everything jumped and started working": goes on
        if whole is None or self.excepted:
            return
        self.state.subject = "everything"  # "everything was erect and normal": not the gauge of before
        after = self.spans[whole + 1 :]
        words = self.reader.source(self.spans)
        others = (
            "else" if whole >= 0 and set(self.spans[whole].words) & set(self.reader.prose["others"]) else ""
        )
        changed = any("changed" in span.words or "change" in span.words for span in after)
        if whole >= 0 and self.spans[whole].text == "nothing else":
            if changed:
                self.reader.pieces.append(Piece(kind="rest", words=words, value="else"))
            return
        normal = any(
            sense.kind == "behaviour" and sense.value in ("normal", "steady", "recover", "agree")
            for span in after
            for sense in span.senses
        )
        if normal and not any("negation" in span.kinds for span in self.spans) and self._beside(whole):
            if whole >= 0 and any(piece.kind == "expected" or piece.reading for piece in self.told):
                for piece in [p for p in self.told if p.gauge in self.state.focus]:
                    self.told.remove(piece)
                    self.reader.pieces.remove(piece)
            self.reader.pieces.append(Piece(kind="rest", words=words, value=others))

    def _beside(self, whole: int) -> bool:
        """ "The rest of the flight" is no gauge."""
        following = self.spans[whole + 1].text if whole + 1 < len(self.spans) else ""
        return following not in ("of", "of the")

    def _same_again(self) -> None:
        at = next((at for at, span in enumerate(self.spans) if "same_again" in span.kinds), None)
        said = self.reader.pieces[-1].kind in EVIDENCE if self.reader.pieces else False
        if at is None and said and self.lead in ("and", ","):  # ", and the variometer too"
            bare = all(
                names(s) or s.text in ("too", "also", "as well") or "joins" in s.kinds for s in self.spans
            )
            at = next(
                (at for at, s in enumerate(self.spans) if s.text in ("too", "also", "as well") and bare), None
            )
        if at is None or self.told:
            return
        gauges = [g for span in self.spans if names(span) for g in self.reader.gauges_of(span)]
        span = self.spans[at]
        odd = self.state.odd if "it" in span.words else []
        if (
            not gauges
            and (any(s.text == "it" for s in self.spans[:at]) or {"same", "thing"} <= set(span.words))
            and len({p.gauge for p in self.state.odd}) == 1
        ):
            odd, gauges = [], []
            self._copy((self.state.odd[0].gauge,), self.state.odd)  # "on the descent it did the same"
            return
        self._copy([g for g in gauges if g not in {p.gauge for p in odd}], odd or self.state.last)
        self.reader.repeated = odd or self.state.last

    def _listed_too(self) -> None:
        """ "Everything on the static side does it, the encoder, the backup too": what is listed does it as well."""
        if not self.reader.repeated or self.told or any(span.kinds & {"behaviour"} for span in self.spans):
            return
        done = {piece.gauge for piece in self.reader.repeated}
        listed = [
            g for span in self.spans if names(span) for g in self.reader.gauges_of(span) if g not in done
        ]
        self._copy(listed, self.reader.repeated)

    def _copy(self, gauges: Iterable[str], last: Sequence[Piece]) -> None:
        """Say of these gauges what was said of the last ones."""
        for gauge in dict.fromkeys(gauges):
            for piece in last:
                changed = {"changed", "change", "moved", "move"} & set(self.reader.text.lower().split())
                if changed and piece.reading in ("as_set", "stable", "steady"):
                    # "the power hadn't changed and neither had the altimeter"
                    self._say(gauge, self.known.behaviours["steady"], self.spans, denied=False)
                    break
                if piece.kind == "expected" or piece.reading in ("normal", "right", "stable", "as_set"):
                    denied = piece.sure < 0.5  # "the altimeter was wrong, the airspeed too"
                    self._say(gauge, self.known.behaviours["normal"], self.spans, denied=denied)
                    break
                ends = {f"{f.id}.{r.id}" for f in self.kb.gauges[gauge].facets for r in f.readings}
                wanted = next((end for end in ends if end.endswith(f".{piece.reading}")), "")
                if piece.kind == "reading" and wanted:
                    self._tell(gauge, wanted, self.spans, denied=piece.sure < 0.5)
                    break

    def _switches(self) -> None:
        spans = self.spans
        table = self.known.tables["switch"]
        knob = self.reader.prose["knob"]
        if self._has("hedge"):
            return  # how a switch stood is no matter of perhaps
        for span in spans:
            if told := span.sense("switch"):
                self.state.switch = told.value
                if not any(span.start <= place < span.end for place in self.reader.blocked):
                    self.reader.switch = told.value
            elif any(s.kind == "day" and s.value == "pitot_heat_off" for s in span.senses):
                self.state.switch = "pitot_heat"
        for at, span in enumerate(spans):
            sense = span.sense("switch")
            # "the alternate air": what may mean two things is asked, wherever the name of the switch begins
            if sense is None or any(span.start <= place < span.end for place in self.reader.blocked):
                continue
            if at + 1 < len(spans) and spans[at + 1].text in self.reader.prose["wiring"]:
                continue  # "the pitot heat breaker"
            if any(s.kind == "day" and s.value == "pitot_heat_off" for other in spans for s in other.senses):
                continue  # told as a condition
            entry = table[sense.value]
            near = [*spans[max(0, at - 6) : at], *spans[at + 1 : at + 4]]
            place = {id(other): beside for beside, other in enumerate(spans)}
            said = [
                other.text
                for other in near
                if other.sense("moved")
                # "I flew on the standby", "the heat breaker on my side"
                and not (
                    other.text in ("on", "off")
                    and place[id(other)] < at
                    and not self._moving(place[id(other)])
                )
                and not (
                    other.text in ("on", "off")
                    and place[id(other)] > at
                    and determined(spans, place[id(other)] + 2)
                )
            ]
            on = any(text in entry["on"] for text in said)
            off = any(text in entry["off"] for text in said)
            denied = any("negation" in other.kinds for other in near)
            without = any("no_effect" in other.kinds for other in spans)
            if self._has("cure") and not denied:
                cured = self.reader.source(spans)
                self.reader.pieces += [
                    Piece(kind="switch", words=cured, value=sense.value, position="on", reading="moved"),
                    Piece(kind="ordinary", words=cured),
                ]
                return
            words = self.reader.source([span, *[o for o in near if o.sense("moved")]])
            if without:
                self.reader.pieces.append(
                    Piece(kind="switch", words=words, value=sense.value, position="on", reading="moved")
                )
                self.reader.pieces.append(Piece(kind="same", words=self.reader.source(spans)))
            elif (on or off) and not denied and not any("fitted" in o.kinds for o in (span,) if not on):
                position = "off" if off and not any(t in entry["on"] and t != "on" for t in said) else "on"
                self.reader.pieces.append(
                    Piece(
                        kind="switch",
                        words=words,
                        value=sense.value,
                        position=position,
                        reading="moved" if set(said) - {"on", "off"} else "",
                    )
                )
            else:
                continue
            return
        if self.state.switch and (handle := [s for s in spans if set(s.words) & {"knob", "handle", "lever", "switch"}]):
            said_all = tuple(word for span in spans for word in span.words)
            way = [p for p in ("on", "off") if any_of(said_all, knob[p])]
            if len(way) == 1 and not self._has("negation"):
                words = self.reader.source(handle if len(spans) < 2 else spans)
                self.reader.pieces.append(
                    Piece(
                        kind="switch", words=words, value=self.state.switch, position=way[0], reading="moved"
                    )
                )
                return
        if self.state.switch and any(span.text == "it" for span in spans) and self.subject != "gauge":
            entry = table[self.state.switch]
            moved = [span.text for span in spans if span.sense("moved")]
            if any(text in entry["on"] and text != "on" for text in moved) and any(
                s.kinds & {"aircraft"} or s is spans[0] for s in spans
            ):
                self.reader.pieces.append(
                    Piece(
                        kind="switch",
                        words=self.reader.source(spans),
                        value=self.state.switch,
                        position="on",
                        reading="moved",
                    )
                )
                return
        tried = self.known.tables["tried"]
        noted = {sense.value for span in spans for sense in span.senses if sense.kind == "noted"}
        here = noted & set(tried) or any(p.kind == "switch" or p.value in tried for p in self.reader.pieces)
        acted = here or self.state.sentence - self.state.acted < 2
        # "tried the pitot heat: nothing"
        bare = (acted or self.reader.switch) and " ".join(s.text for s in spans) in self.reader.prose["nothing"]
        if not (bare or any("no_effect" in span.kinds for span in spans)):
            return
        if self.reader.switch and not here and not any(names(span) for span in spans):
            self.reader.pieces.append(
                Piece(kind="switch", words=self.reader.source(spans), value=self.reader.switch, position="on")
            )
            acted = True
        if self.state.told or acted:
            self.reader.pieces[:] = [  # "pitot heat on, no change": it was moved then
                replace(p, reading="moved") if p.kind == "switch" else p for p in self.reader.pieces
            ]
            named = [g for span in spans if span.sense("gauge") for g in self.reader.gauges_of(span)]
            for gauge in named or [""]:
                self.reader.pieces.append(Piece(kind="same", words=self.reader.source(spans), gauge=gauge))

    def _moving(self, at: int) -> bool:
        """Whether somebody moves something right before "on" or "off"."""
        return bool(at) and bool(
            set(self.spans[at - 1].words) & {*phrases().switched, "flipped", "flicked", "with"}
        )

    def _flown(self, at: int) -> bool:
        span = self.spans[at]
        sense = span.sense("setting") or span.sense("motion")
        after = self.spans[at + 1] if at + 1 < len(self.spans) else None
        passing = span.text == "passing" and after is not None and after.unit in ("", "ft") and after.number
        if passing and self.state.flown == "takeoff_roll" and not self.gauges:
            return self._fly(at, span, Sense("setting", "climb"), True)  # "passing 500 feet" after the roll
        if sense is None or span.start in self.reader.blocked:
            return False
        before = self.spans[at - 1] if at else None
        if after is not None and after.words[0] in self.reader.prose["named_after"]:
            return False  # "the departure airport", "the approach plate"
        led = self._led(at)
        account = self.known.tables["account"]
        if self.subject == "other" or any(
            set(s.words) & set(account["orders"]) for s in self.spans[max(0, at - 5) : at]
        ):
            return False  # "he gave me a left turn"
        meant = {*account["approach"], *self.reader.prose["ordinal"]}
        if before is not None and before.text in ("said", "says", "answered", "replied"):
            return False  # "he said before takeoff"
        if span.text == "approach" and (before is None or before.words[-1] not in meant):
            return False  # "I called approach"
        behaves = self._behaves(at)
        if self._seen_outside(at, sense):
            return True
        flight_level = at > 1 and before is not None and before.number and self.spans[at - 2].text == "fl"
        feet = before is not None and before.unit == "ft"
        if span.text == "level" and (feet or flight_level) and not self.gauges:
            return self._fly(at, span, Sense("setting", "level"), True)  # "4,500 ft level"
        noun = before is not None and before.text in ("the", "our", "my", "that", "this") and not self.gauges
        if noun and sense.kind == "setting" and not self.negated and self.subject != "other":
            return self._fly(at, span, sense, led)
        if (
            behaves
            and self.gauges
            and self._can(self.gauges, behaves)
            and not led
            and self._reach(at, [Sense("", "", True)])
        ):
            return False
        if behaves and self.gauges and self._reported(at):
            return False
        follows = self._next(at)
        if (
            behaves
            and not self.gauges
            and follows < len(self.spans)
            and self.spans[follows].sense("gauge")
            and not led
            and self.subject != "self"
            and self._can(self.reader.gauges_of(self.spans[follows]), behaves)
            and at + 1 < follows
            # "descending the altimeter stayed put": the gauge has a verb of its own
            and not (
                sense.kind == "setting"
                and all(s.text in ("the", "my", "our") for s in self.spans[at + 1 : follows])
                and any("behaviour" in s.kinds for s in self.spans[follows + 1 :])
            )
        ):
            return False
        if not span.sense("setting"):  # a motion verb needs somebody who flies
            opening = at == 0 or all(
                glue(s, GLUE | {"onward", "breaks", "joins", "during"}) for s in self.spans[:at]
            )
            pronoun = any(s.sense("pronoun") for s in self.spans[:at])
            alone = span.words[0] in self.reader.prose["airplane_only"] or (at == 0 and self._to_altitude())
            begins = (
                opening and not pronoun and not self.number and span.words[0] in self.reader.prose["flyable"]
            )
            alone = alone or (begins and not any(s.unit == "kt" for s in self.spans))  # "Descended and ..."
            if alone and not self.gauges:
                return not self.negated and self._fly(at, span, sense, led)
            if self.subject != "self" and not led and not (opening and not pronoun and not self.state.focus):
                return False
            if self.lead in ("and",) and self.subject != "self" and self.state.focus and not led:
                return False
        if self.negated or self.subject == "other" or (before is not None and before.unit == "fpm"):
            return False
        if (
            behaves
            and not led
            and self.subject != "self"
            and self.state.focus
            and not self.gauges
            and self._elided(at)
            and at
            and self._can(self.state.focus, behaves)
        ):
            return False
        return self._fly(at, span, sense, led)

    def _to_altitude(self) -> bool:
        """ "Descended to 4,000 ft": an altitude to go to is the airplane's."""
        low, _ = self.reader.prose["plausible"]["altimeter"]
        to = self.spans[1:3]
        return (
            len(to) == 2
            and to[0].text in ("to", "through", "from")
            and to[1].unit in ("", "ft")
            and (to[1].number or 0.0) >= low
        )

    def _seen_outside(self, at: int, sense: Sense) -> bool:
        """ "I looked outside and we were level": what was seen out there."""
        if self.state.outside != self.state.sentence or sense.value != "level" or self.subject != "self":
            return False
        if not any("copula" in span.kinds or span.text == "am" for span in self.spans[max(0, at - 3) : at]):
            return False
        return self._say("outside", self.known.behaviours["level"], [self.spans[at]], denied=self.negated)

    def _led(self, at: int) -> bool:
        """Whether "in", "during" or similar stands before, past "the", "our next", "a second"."""
        passed, prose = 0, self.reader.prose
        while at - passed > 0 and passed < 4:
            before = self.spans[at - 1 - passed]
            if "during" in before.kinds or before.words[-1] in prose["lead_in"]:
                return True
            if before.text not in ("the", "a", "our", "my") and before.text not in prose["ordinal"]:
                return False
            passed += 1
        return False

    def _fly(self, at: int, span: Span, sense: Sense, led: bool) -> bool:
        if sense.value in ("left_turn", "right_turn") and self.reader.taxiing:
            sense = Sense("setting", f"taxi_{sense.value.removesuffix('_turn')}")
        self.state.flown = sense.value
        last = self.reader.pieces[-1] if self.reader.pieces else None
        if last is not None and last.kind == "flown" and self.flew:
            both = self.reader.prose["at_once"]
            if together := both.get(f"{last.value} {sense.value}") or both.get(f"{sense.value} {last.value}"):
                self.reader.pieces[-1] = replace(last, value=together)  # "a left turn on departure"
                return True
        self.flew = True
        place: Literal["", "back"] = "back" if self.told or (self.number and self._subordinate()) else ""
        self.reader.pieces.append(
            Piece(kind="flown", words=self.reader.source([span]), value=sense.value, position=place)
        )
        following = self.spans[at + 1] if at + 1 < len(self.spans) else None
        if not led and not self.gauges and following is not None and "copula" in following.kinds:
            self.subject = "unknown"  # "the climb felt normal"
        return True

    def _subordinate(self) -> bool:
        """Whether the clause only says when: "... when we descended", after what was read."""
        evidence = any(piece.kind in EVIDENCE for piece in self.reader.pieces)
        # ", right after takeoff" at the end, with nothing else, says when as well
        bare = (
            self.lead == ","
            and self.reader.final
            and not any(
                names(span)
                or (
                    span.kinds & {"behaviour", "reading"}
                    and not span.kinds & {"setting", "motion", "adverb", "during"}
                )
                for span in self.spans
            )
        )
        return (self.lead in ("when", "while", "as", "once") or bare) and evidence
