"""Numbers with their units: sizes of what was read, and readings that a number counts as."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.lexicon import GLUE, Sense
from diagnose.language.prose.flying import Flying
from diagnose.language.prose.pieces import Piece, Span, any_of, glue, names
from diagnose.model import Reading


def value_facet(kb: KnowledgeBase, gauge: str) -> str:
    """The facet that holds what a gauge reads; "" if it has none."""
    return next((f.id for f in kb.gauges[gauge].facets if f.id == "value"), "")


def where(kb: KnowledgeBase, gauge: str, facet: str, value: float) -> str:
    """The reading that a number counts as, by the limits that stand with the readings; "" if they do not say."""
    readings: tuple[Reading, ...] = next((f.readings for f in kb.gauges[gauge].facets if f.id == facet), ())
    if not any(reading.where for reading in readings):
        return ""
    for reading in readings:
        limits = reading.where.get("end") or reading.where.get("size")
        told = abs(value) if "size" in reading.where else value
        if limits is not None and limits[0] <= told <= limits[1]:
            return reading.id
    return next((reading.id for reading in readings if not reading.where), "")


def changed(kb: KnowledgeBase, gauge: str, change: float) -> str:
    """The trend that a change from one number told to the next counts as; "" if it is none."""
    for facet in kb.gauges[gauge].facets:
        for reading in facet.readings:
            low, high = reading.where.get("change", (0.0, 0.0))
            if low < high and low <= change <= high:
                return f"{facet.id}.{reading.id}"
    return ""


def has_reading(kb: KnowledgeBase, gauge: str, facet: str, reading: str) -> bool:
    """Whether a facet of a gauge has this reading."""
    return any(f.id == facet and any(r.id == reading for r in f.readings) for f in kb.gauges[gauge].facets)


class Counting(Flying):
    """The numbers of a clause."""

    def _numbers(self) -> None:
        prose = self.reader.prose
        spans = self.spans
        numbers = [
            at
            for at, span in enumerate(spans)
            if span.number is not None and span.unit not in ("min", "s", "h", "nm", "pct", "C", "F", "rpm")
        ]
        self._altitude(numbers)
        for at in numbers:
            span = spans[at]
            assert span.number is not None
            gauge = self._gauge_of_number(at, span) or self._atc_saw(at, span)
            if not gauge:
                continue
            unit = span.unit or prose["bare"].get(gauge, "")
            if unit != prose["bare"].get(gauge) and not (gauge == "vertical_speed" and unit == "ft"):
                continue
            outside = spans[at + 1 : at + 2] and any_of(spans[at + 1].words, prose["outside_air"])
            if outside and not span.unit and spans[at].words[0] in ("plus", "minus"):
                continue  # "plus 3 outside"
            if set(prose["not_read"]) & {w for s in spans[max(0, at - 3) : at] for w in s.words}:
                continue  # "3 instead of the usual 5"
            off = next((p for p in self.told if p.gauge == gauge and p.reading == "off"), None)
            if off is not None and off.size is None and span.unit in ("", "deg"):
                self.state.sizes[gauge] = off.facet.partition(".")[2] + ".off"
                self._keep_size(gauge, at, span, unit)
                continue
            if not self.told and gauge in self.state.sizes and self._size_again(at, gauge):
                self._sized(gauge, self.state.sizes[gauge], at, span, unit, measured=True)
                continue
            before, earlier = self.reader.numbers.get(gauge), self.state.numbers.get(gauge)
            if set(prose["another"]) & {word for s in spans[:at] if s.number is None for word in s.words}:
                before = None  # "mine 8,200 and the right one 8,900"
            if gauge in prose["absolute"] and (self.reader.range or self._just(at, "between")):
                self.reader.range = self._just(at, "between")
                continue  # "swinging between 3 and 6" is neither of them
            if self.reader.range:  # "between 80 and 110" is no way from one to the other
                before = None
            self.reader.range = self._just(at, "between")
            if not span.unit and gauge in prose["plausible"] and not self._plausible(gauge, span):
                continue
            self.reader.numbers[gauge] = self.state.numbers[gauge] = span.number
            self.state.history.setdefault(gauge, []).append(span.number)
            if gauge == "engine":
                continue
            if sides := prose["signed"].get(gauge):
                known = any(p.gauge == gauge and p.reading == "discharge" for p in self.reader.pieces)
                said = any(s.value == "discharge" and not s.weak for other in spans for s in other.senses)
                if said and not known and not self._has("negation"):
                    self._sized(gauge, sides["less"], at, span, unit)  # "a discharge of 15 amps on the ammeter"
                if known or said:
                    continue  # "15 amps of discharge", "it shows minus, about 15 amps"
                signed = span.number < 0.0 or bool(self._way(at) < 0.0)
                if not signed and span.number >= sides["much"]:
                    self._keep_size(gauge, at, span, unit)
                    continue
                self._sized(gauge, sides["less" if signed else "more"], at, span, unit)
                continue
            listed = self.reader.listed.setdefault(gauge, [])
            listed.append(span.number)
            if self._to_and_fro(gauge, listed):
                ways = [p for p in self.reader.pieces if p.facet == f"{gauge}.trend"]
                self.reader.pieces = [p for p in self.reader.pieces if p not in ways]
                self.told = [p for p in self.told if p not in ways]
                self._sized(gauge, "trend.erratic", at, span, unit)
                continue
            if self._back_again(gauge, at, span):
                continue
            if gauge == "atc_height" and self._against_altitude(at, span, unit):
                continue
            way = self._way(at)
            amount = way and self._amount(at)
            if gauge in prose["absolute"]:
                self._classed(gauge, at, span, way)
            elif amount and (facet := prose["error"].get(gauge) or value_facet(self.kb, gauge)):
                # "10 knots high" is high, however little
                told = "high" if way > 0.0 else "low"
                plain = has_reading(self.kb, gauge, facet, told)
                reading = told if plain else where(self.kb, gauge, facet, way * abs(span.number))
                if reading:
                    self._sized(gauge, f"{facet}.{reading}", at, span, unit, measured=True)
            elif (
                before is not None
                and not [p for p in self.told if p.gauge == gauge and p.reading]
                and (trend := changed(self.kb, gauge, span.number - before))
            ):
                self._sized(gauge, trend, at, span, unit)
            elif has_reading(self.kb, gauge, "trend", "steady") and (
                (self._goes_on(at) and not [p for p in self.told if p.gauge == gauge and p.reading])
                or (
                    earlier == span.number
                    and (
                        self._just(at, "still")
                        or self._just(at, "always")
                        or before == span.number
                        or not self.gauges
                    )
                )
            ):
                self._sized(gauge, "trend.steady", at, span, unit)
            elif any(self._just(at, word) for word in prose["only"]) and has_reading(
                self.kb, gauge, "value", "low"
            ):
                self._sized(gauge, "value.low", at, span, unit)
            elif usual := [s.number for s in self.standard if s.number is not None and s.unit in ("", unit)]:
                self.reader.against_usual(gauge, usual[0], self.reader.source(spans))
            else:
                self._keep_size(gauge, at, span, unit)

    def _goes_on(self, at: int) -> bool:
        """ "Continued to read 7,500", "122 throughout": the same number over a time."""
        return self._has("throughout") or any(
            self._just(at, word) for word in self.reader.prose["same_number"]
        )

    def _size_again(self, at: int, gauge: str) -> bool:
        """ "20 degrees off, and later it was 40": how far off again, and no heading that it read."""
        goes_on = self.pronoun or not any(names(span) for span in self.spans[:at])
        return goes_on and gauge in self.held[at] and self._next(at) >= len(self.spans)

    def _to_and_fro(self, gauge: str, listed: list[float]) -> bool:
        """ "It read 60 and then 200 and then 60": up and down in one sentence, and nothing says that it came back."""
        if len(listed) < 3 or {"back", "again", "returned", "recovered"} & set(self.reader.text.lower().split()):
            return False
        ways = [after - before for before, after in pairwise(listed) if after != before]
        turns = any(a * b < 0.0 for a, b in pairwise(ways))
        return turns and has_reading(self.kb, gauge, "trend", "erratic")

    def _back_again(self, gauge: str, at: int, span: Span) -> bool:
        """Whether a number is that of the gauge before it went wrong: "110 ... 0 ... 108", "it read 90 again"."""
        if gauge in self.reader.prose["absolute"] or any(p.gauge == gauge and p.reading for p in self.told):
            return False
        told = self.state.history.get(gauge, ())
        low = has_reading(self.kb, gauge, "value", "zero")
        if not low or self.state.gone.get(gauge) is None or not span.number:
            return False
        since = told[self.state.gone[gauge] :]
        back = at > 1 and self.spans[at - 1].text in ("at", "to", "on", "up to", "down to")
        back = back and "back" in self.spans[at - 2].words and span.number not in since[:-1]
        again = (
            back
            or any("again" in other.words for other in self.spans)
            or any(abs(span.number - before) <= 0.1 * before for before in told[: self.state.gone[gauge]])
        )
        if again:
            self._sized(gauge, "value.normal", at, span, self.reader.prose["bare"][gauge])
        return again

    def _altitude(self, numbers: list[int]) -> None:
        """Keep the altitude that was flown or read out: "level at 5,500", "I said 8,500"."""
        low, high = self.reader.prose["plausible"]["altimeter"]
        for at in numbers:
            span, before = self.spans[at], self.spans[at - 1] if at else None
            number = span.number or 0.0
            words = f" {' '.join(word for other in self.spans[max(0, at - 3) : at] for word in other.words)}"
            said = any(words.endswith(f" {text}") for text in self.reader.prose["flown_at"])
            told = before is not None and (said or self.held[at] == ("altimeter",))
            told = told and "atc_height" not in self.held[at] and not self._atc_saw(at, span)
            if told and span.unit in ("", "ft") and low <= number <= high:
                self.state.altitude = (number, self.state.sentence)

    def _atc_saw(self, at: int, span: Span) -> str:
        """ "Their readout had me at 8,100": Mode C."""
        words = tuple(word for other in self.spans[:at] for word in other.words)
        low, _ = self.reader.prose["plausible"]["atc_height"]
        seen = any_of(words, self.reader.prose["atc_saw"]) and any_of(words, self.reader.prose["atc"])
        if (
            any_of(words, ("i was", "we were"))
            and any_of(words, self.reader.prose["atc"])
            and self._amount(at)
        ):
            return "atc_height" if span.unit in ("", "ft") else ""  # "tower said we were 500 feet high"
        return "atc_height" if seen and span.unit in ("", "ft") and (span.number or 0.0) >= low else ""

    def _against_altitude(self, at: int, span: Span, unit: str) -> bool:
        """An altitude that ATC sees, against the one flown or read in this sentence or one of the two before."""
        altitude, sentence = self.state.altitude
        low, _ = self.reader.prose["plausible"]["atc_height"]
        if self.state.sentence - sentence > 2 or (span.number or 0.0) < low or self._amount(at):
            return False
        off = (span.number or 0.0) - altitude
        reading = where(self.kb, "atc_height", self.reader.prose["error"]["atc_height"], off)
        self._sized(
            "atc_height",
            f"{self.reader.prose['error']['atc_height']}.{reading}",
            at,
            replace(span, number=abs(off)),
            unit,
        )
        return True

    def _gauge_of_number(self, at: int, span: Span) -> str:
        prose = self.reader.prose
        if gauge := prose["unit_gauge"].get(span.unit, ""):
            flies = {word for other in self.spans[:at] if "aircraft" in other.kinds for word in other.words}
            own = gauge in self.held[at] or flies <= {"i", "we", "me", "us"}
            other = gauge == "vertical_speed" and {prose["bare"].get(g) for g in self.held[at]} == {"ft"}
            # "the airplane climbing at 700 fpm", "the altimeter falling 1,000 a minute"
            return gauge if own and not other else ""
        rates = {word for other in self.spans[at + 1 : at + 2] for word in other.words} & {
            "up",
            "down",
            "descent",
            "climb",
        }
        if not span.unit and rates and abs(span.number or 0.0) >= prose["rate_from"] and not self.gauges:
            return "vertical_speed"
        named = next(
            (place for place, other in enumerate(self.spans) if names(other) or other.sense("pronoun")), -1
        )
        if (on := self._number_on(at)) or (on := self._his_own(at, span)):
            return on
        held = self.held[at] or self.gauges
        if held and named <= at:
            fitting = [
                g
                for g in held
                if prose["bare"].get(g)
                == (span.unit or (prose["bare"].get(g) if g in prose["plausible"] else "-"))
                or (
                    g == "vertical_speed"
                    and span.unit == "ft"
                    and not self.pronoun
                    and named >= 0
                    and names(self.spans[named])
                )
            ]
            likely = [g for g in fitting if self._plausible(g, span)]
            return (likely or fitting)[-1] if fitting else ""
        if not self.gauges and span.unit == "kt" and not self.told and not self._just(at, "with"):
            return "airspeed" if not any(self._strange(other) for other in self.spans) else ""
        if not self.gauges and not self.subject and self.state.focus and self._elided(at):
            fitting = [
                g for g in self.state.focus if prose["bare"].get(g) == (span.unit or prose["bare"].get(g))
            ]
            if (likely := [g for g in fitting if g in self.reader.numbers]) and not span.unit:
                return likely[0]
            near = at + 1 < len(self.spans) and bool(
                set(self.spans[at + 1].words) & {*prose["more"], *prose["less"], "off"}
            )
            if fitting and span.unit and self._size_of_last(fitting[0]) and self.at_number_alone():
                return fitting[0]
            if fitting and (near or (fitting[0] in prose["absolute"] and self.at_number_alone())):
                return fitting[0]
        return ""

    def _number_on(self, at: int) -> str:
        """ "40 on the ASI": the gauge behind the number."""
        if not self.spans[at + 1 : at + 2] or self.spans[at + 1].text not in ("on", "on the", "at"):
            return ""
        place = self._next(at + 1)
        gauges = self.reader.gauges_of(self.spans[place]) if place < len(self.spans) else ()
        fits = len(gauges) == 1 and names(self.spans[place]) and self._plausible(gauges[0], self.spans[at])
        return gauges[0] if fits else ""

    def _his_own(self, at: int, span: Span) -> str:
        """ "I was indicating 85", "always 70", "60 in the climb": a number of the needle that is spoken of."""
        if self.gauges or span.unit or names(self.spans[min(at + 1, len(self.spans) - 1)]):
            return ""
        before = self.spans[at - 1] if at else None
        if before is not None and before.text == "indicating" and self.subject == "self":
            return "airspeed" if self._plausible("airspeed", span) else ""
        (gauge,) = self.state.topic if len(self.state.topic) == 1 else ("",)
        if not self._plausible(gauge, span) or not self._next_is_flown(at):
            return ""
        said = self.reader.prose["said_of_it"]
        seen = before is not None and ({*before.words} & {*said} or "perceive" in before.kinds)
        again = span.number in self.state.history.get(gauge, ())
        return gauge if (seen and self.subject in ("", "self")) or (before is None and again) else ""

    def _next_is_flown(self, at: int) -> bool:
        """Whether nothing follows a number, or the maneuver in which it was read."""
        rest = [span for span in self.spans[at + 1 :] if not glue(span, GLUE | {"during"})]
        return not rest or bool(rest[0].kinds & {"setting", "motion"})

    def _size_of_last(self, gauge: str) -> int | None:
        """Where the last reading of a gauge stands among the sentence's pieces, if it has no size yet."""
        for place in range(len(self.reader.pieces) - 1, -1, -1):
            piece = self.reader.pieces[place]
            if piece.kind == "reading" and piece.gauge == gauge:
                return place + 1 if piece.size is None else None
        return None

    def _just(self, at: int, word: str) -> bool:
        return any(word in span.words for span in self.spans[max(0, at - 4) : at])

    def _plausible(self, gauge: str, span: Span) -> bool:
        low, high = self.reader.prose["plausible"].get(gauge, (0.0, 0.0))
        return low <= (span.number or 0.0) <= high

    def at_number_alone(self) -> bool:
        """Whether the clause holds a number and nothing else that says anything."""
        return all(glue(span, GLUE | {"hedge"}) or span.number is not None for span in self.spans)

    def _way(self, at: int) -> float:
        """+1 or -1 where the words beside a number say which way; 0 where they do not."""
        prose = self.reader.prose
        beside = self.spans[max(0, at - 3) : at + 3]
        near = [word for span in beside if span.text != "set up" for word in span.words]
        if set(near) & ({*prose["more"], "up", "climb", "climbing", "positive"} - {"or"}):
            return 1.0
        if set(near) & {*prose["less"], "down", "descent", "descending", "negative", "sink"}:
            return -1.0
        return 0.0

    def _amount(self, at: int) -> bool:
        """Whether a number is how far the gauge is off: "5 knots fast", "500 ft low"."""
        prose = self.reader.prose
        following = self.spans[at + 1 : at + 2]
        over = [word for span in self.spans[at + 2 : at + 3] for word in span.words] and following[
            0
        ].text == "over"
        if over and self.spans[at + 2].text in ("the", "ground"):
            return False  # "85 over the ground"
        return bool(following) and bool(set(following[0].words) & {*prose["more"], *prose["less"]})

    def _classed(self, gauge: str, at: int, span: Span, way: float) -> None:
        assert span.number is not None
        if at and {s.value for s in self._behaves(at - 1)} & set(self.reader.prose["odd"]):
            return  # "the needle jumped 200": by how much
        value = abs(span.number) * (way or 1.0) if gauge == "vertical_speed" else span.number
        if gauge == "vertical_speed" and span.unit == "" and abs(value) < 150 and value != 0:
            return
        if gauge == "vertical_speed" and not way:
            rates = [p for p in self.told if p.gauge == gauge and p.reading in ("descent", "pegged_down")]
            if rates or {"descent", "sink"} & set(self.spans[max(self.anchor, 0)].words):
                value = -abs(span.number)
            elif not [p for p in self.told if p.gauge == gauge] and span.number:
                return
        facet = "rate" if gauge == "vertical_speed" else "value"
        if gauge == "suction" and not 0.0 <= span.number <= 10.0:
            return
        if gauge == "voltmeter" and span.number > 17.0:
            value = span.number / 2.0
        told = {p.reading for p in self.reader.pieces if p.facet == f"{gauge}.{facet}" and p.sure >= 0.5}
        reading = where(self.kb, gauge, facet, value)
        here = {p.reading for p in self.told if p.facet == f"{gauge}.{facet}"}
        ended = here == {"high"} and at and self.spans[at - 1].words[-1] == "to"  # "came up to 5"
        if reading == "normal" and told - {"normal"} and not ended:
            return  # "dropping, 4.5, then 4": a number on the way there is no normal reading
        if reading:
            self._sized(
                gauge, f"{facet}.{reading}", at, span, self.reader.prose["bare"][gauge], measured=True
            )

    def _sized(
        self, gauge: str, meant: str, at: int, span: Span, unit: str, *, measured: bool = False
    ) -> None:
        self.said_at = at
        facet = f"{gauge}.{meant.partition('.')[0]}"
        for other in [p for p in self.told if p.facet == facet]:
            self.told.remove(other)
            self.reader.pieces.remove(other)
        first = len(self.told)
        where = [span, *self.spans[max(self.anchor, 0) : max(self.anchor, 0) + 1]] if self.gauges else [span]
        self._tell(gauge, meant, where, denied=False)
        if len(self.told) > first:
            sized = replace(self.told[-1], size=span.number, unit=unit, measured=measured)
            self.reader.pieces[self.reader.pieces.index(self.told[-1])] = sized
            self.told[-1] = sized

    def _keep_size(self, gauge: str, at: int, span: Span, unit: str) -> None:
        for place, piece in enumerate(self.told):
            if piece.gauge == gauge and piece.size is None and piece.kind == "reading":
                measured = unit == "deg" and (
                    self._just(at, "by") or piece.reading in ("left", "right", "off")
                )
                sized = replace(piece, size=span.number, unit=unit, measured=measured)
                self.reader.pieces[self.reader.pieces.index(piece)] = sized
                self.told[place] = sized
                return
        if (last := self._size_of_last(gauge)) and self.at_number_alone():
            # ", maybe 30 degrees in 10 minutes": of what the clause before told
            self.reader.pieces[last - 1] = replace(self.reader.pieces[last - 1], size=span.number, unit=unit)
            self.sized = True
            return
        if not [p for p in self.told if p.gauge == gauge]:
            self.reader.pieces.append(
                Piece(
                    kind="noted",
                    words=self.reader.source([span]),
                    gauge=gauge,
                    size=span.number,
                    unit=unit,
                    value="reading as told",
                )
            )

    def _done_by_hand(self, at: int) -> bool:
        """ "I stabilized the flaps": somebody did it to what follows, no gauge did."""
        begins = self.spans[at].words[0] in self.reader.prose["felt"]
        if self.subject not in ("self", "other") or self.spans[at].kinds & {"perceive"} or begins:
            return False
        actor = max((i for i in range(at) if self.spans[i].kinds & {"aircraft", "others"}), default=-1)
        return not any(
            span.kinds & {"perceive", "report", "attend", "copula", "negation"}
            for span in self.spans[actor + 1 : at]
        )

    def _aim(self, at: int) -> bool:
        """ "Heading to return": what was about to be done, unless it began, seemed or went on to do so."""
        before = self.spans[at - 1] if at else None
        if before is None or before.text != "to" or at < 2:
            return False
        word = self.spans[at].words[0]
        form = word.endswith(("ing", "ed", "s")) or not self.known.is_base(word)
        return not form and not set(self.spans[at - 2].words) & set(
            self.known.tables["account"]["inchoative"]
        )

    def _of_its_object(self, at: int) -> bool:
        """ "With a sticky note": the word belongs to the noun behind it."""
        if at + 1 >= len(self.spans) or self.spans[at + 1].senses or self.spans[at + 1].number is not None:
            return False
        before = [span for span in self.spans[max(0, at - 2) : at] if span.text not in ("a", "an", "the")]
        loose = (
            all(sense.weak for sense in self._behaves(at))
            and before
            and before[-1].text in ("at", "in", "on")
        )
        return bool(before) and (
            bool(loose) or before[-1].text in ("with", "of", "by", "from", "about", "for", "without")
        )

    def _with_somebody(self, at: int, senses: list[Sense]) -> bool:
        """ "The tablet agreed with me": with a person, and with no gauge."""
        if not any(sense.value in ("agree", "disagree") for sense in senses):
            return False
        rest = self.spans[at + 1 :]
        people = any(span.text in ("me", "us", "him", "her", "them", "myself") for span in rest[:2])
        return people and not any(names(span) for span in rest)

    def _acts_on(self, at: int) -> bool:
        """ "Began to pick up ice": what follows without a preposition is what somebody acted on."""
        for span in self.spans[at + 1 :]:
            if span.kinds & {"adverb", "determiner"} and span.text not in self.reader.prose["prepositions"]:
                continue
            if span.text in {*self.reader.prose["prepositions"], *self.reader.prose["adjuncts"]}:
                return False  # "jumping between 30 and 70"
            unknown = not span.senses and span.number is None and not span.words[0].endswith("ly")
            return unknown or bool(span.kinds & {"day", "everything", "excepting"})
        return False
