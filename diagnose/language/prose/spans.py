"""From the words of a sentence to its spans, numbers and clauses."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.lexicon import Lexicon, Sense
from diagnose.language.names import Words
from diagnose.language.prose.pieces import (
    STOPS,
    Piece,
    Span,
    State,
    names,
)
from diagnose.language.tokens import Token


def glue_or_name(span: Span) -> bool:
    """Whether a span belongs to a bare list of gauges."""
    return names(span) or span.words[0] in STOPS or bool(span.kinds & {"joins", "determiner"})


class Divided:
    """A sentence that is divided into spans, and these into clauses; ``state`` is carried on to the next."""

    def __init__(self, kb: KnowledgeBase, known: Lexicon, state: State, text: str) -> None:
        self.kb, self.known, self.state, self.text = kb, known, state, text
        self.prose = known.tables["prose"]
        self.pieces: list[Piece] = []
        #: where words stand that may mean two things: they are asked, and used for nothing else
        self.blocked: set[int] = set()
        #: whether the gauges are those of the other side
        self.side = False

    def source(self, spans: Sequence[Span]) -> str:
        """The words of the text that these spans stand for."""
        if not spans:
            return ""
        return self.text[min(s.start for s in spans) : max(s.end for s in spans)]

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
            if span.words[0] == "both" and len(span.words) == 2:  # "both instruments came back"
                dials = tuple(g for g in self.state.gone if g not in self.prose["no_dial"])
                return dials if len(dials) == 2 else ()
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

    def _without_quite(self, words: Sequence[Token]) -> list[Token]:
        """Leave out a "right" that names no side: "rolled right over", "went right down"."""
        quite, going = set(self.prose["right_before"]), set(self.prose["right_after"])
        words = list(words)
        if len(words) > 3 and words[0].text.isdigit() and words[1].text == "." and words[2].text.isalpha():
            del words[:2]  # "4. VSI 100 up": which one of a list
        for at in range(len(words) - 3):  # "the higher we got": in the climb
            said = [token.text for token in words[at : at + 3]]
            way = (
                self.prose["correlative"].get(said[1], "")
                if said[0] == "the" and said[2] in ("we", "i")
                else ""
            )
            for place, text in enumerate(way.split()):
                words[at + place] = Token(text, words[at + place].start, words[at + place].end)
            if way:
                words[at + 3] = Token("and", words[at + 3].start, words[at + 3].end)
        if [token.text for token in words[-2:]] == ["right", "?"] and "is" not in {
            t.text for t in words[-6:]
        }:
            del words[-2]  # "just the VSI, right?"
        for at, token in enumerate(words[:-1]):  # "its good"
            _, senses = self.known.at((words[at + 1].text,), 0)
            alone = at + 2 == len(words) or words[at + 2].text in STOPS
            if token.text == "its" and alone and any(sense.kind == "behaviour" for sense in senses):
                words[at] = Token("it", token.start, token.end)
        for seeming in self.prose["seeming"]:  # "did not seem to help": it did not help
            way = seeming.split()
            for at in range(len(words) - len(way) - 1, 0, -1):
                if words[at - 1].text == "not" and [t.text for t in words[at : at + len(way)]] == way:
                    del words[at : at + len(way)]
        for at in range(len(words) - 2, -1, -1):  # "No. 1 ASI", "number two": which one, and no number
            said = [token.text for token in words[at : at + 3] if token.text != "."]
            if said[:1] and said[0] in ("no", "nr", "number") and said[1:2] and said[1] in self.prose["designators"]:
                end = at + 2 + (words[at + 1].text == ".")
                which = self.prose["designators"][said[1]]
                kept = [Token("number", words[at].start, words[at].end), Token(which, words[end - 1].start, words[end - 1].end)]
                words[at:end] = kept if which == "two" else []
        for at, token in enumerate(words):  # "a 10 deg L bank", "to the R"
            side = self.prose["sides"].get(token.text)
            beside = {t.text for t in words[at + 1 : at + 2]} & set(self.prose["sided"])
            if side and (beside or [t.text for t in words[max(0, at - 2) : at]] == ["to", "the"]):
                words[at] = Token(side, token.start, token.end)
        for at in range(len(words) - 1):  # "she reads 105": the needle
            said = [token.text for token in words[at : at + 6] if token.text not in ("is", "was", "now", "at", "to")]
            numbered = said[2:3] and (said[2][:1].isdigit() or said[2] in self.prose["counts"] or said[2] == "a")
            if said[0] == "she" and numbered and said[1] in self.prose["she_reads"]:
                words[at] = Token("it", words[at].start, words[at].end)
        return [
            token
            for at, token in enumerate(words)
            if token.text not in self.prose["quite"]
            or not 0 < at < len(words) - 1
            or words[at + 1].text not in quite
            or words[at - 1].text in going
        ]

    def _spans(self, words: Sequence[Token]) -> Iterator[Span]:
        said = tuple(token.text for token in words)
        place = 0
        while place < len(words):
            token = words[place]
            if token.text in STOPS:
                yield Span((token.text,), token.start, token.end)
                place += 1
                continue
            length, senses = self.known.at(said, place)
            inner = self.known.at(said, place + 1)[0] if length > 1 else 0
            if inner >= length and token.text in self.prose["loose_head"]:
                length, senses = 1, self.known.at((token.text,), 0)[1]  # "the | vertical speed", "still | on its side"
            number, unit, used = self._number(said, place)
            if not used:
                longer, senses_of_it = self._without_adverb(said, place, length)
                length, senses = (longer, senses_of_it) if longer else (length, senses)
            if used and used >= length and not (number == 0.0 and senses):
                yield Span(
                    said[place : place + used], token.start, words[place + used - 1].end, (), number, unit
                )
                place += used
                continue
            length = max(length, 1)
            end = words[place + length - 1].end
            yield Span(said[place : place + length], token.start, end, senses)
            place += length

    def _without_adverb(self, said: Words, place: int, length: int) -> tuple[int, tuple[Sense, ...]]:
        """A longer phrase that an adverb parts ("acted just like an altimeter"), and what it means; 0 for none."""
        how = self.prose["within_a_phrase"]
        for at in range(place + 1, min(place + 4, len(said) - 1)):
            if said[at] not in how:
                continue
            found, senses = self.known.at(said[:at] + said[at + 1 :], place)
            if found > max(length, at - place) and not any(sense.kind == "breaks" for sense in senses):
                return found + 1, senses
        return 0, ()

    def _number(self, said: Words, place: int) -> tuple[float | None, str, int]:
        """A number at this place with its unit, and how many words it takes; none: 0 words."""
        counts, times = self.prose["counts"], self.prose["times"]
        at, sign = place, 1.0
        following = said[at + 1 : at + 2]
        signed = (
            said[at] in ("minus", "plus")
            and following
            and (following[0][:1].isdigit() or following[0] in counts)
        )
        if signed:
            sign, at = (-1.0 if said[at] == "minus" else 1.0), at + 1
        word = said[at]
        if word[:1].isdigit():
            try:
                value = float(word.replace(",", ""))
            except ValueError:
                return None, "", 0
        elif word in counts:
            value, length = self._spoken_number(said, at)
            at += length - 1
            if word in ("couple", "half", "quarter") and said[at + 1 : at + 2] in (("of",), ("a",), ("an",)):
                at += 1
                at += said[at + 1 : at + 2] in (("a",), ("an",))
        elif (word in ("a", "an") and said[at + 1 : at + 2] and said[at + 1] in times) or (
            word in ("a", "an") and self.known.units.get(said[at + 1 : at + 2]) in ("min", "h", "s")
        ):
            value = 1.0
        elif word in times and at == place:
            value, at = 1.0, at - 1
        else:
            return None, "", 0
        at += 1
        spelled = not word[:1].isdigit()
        tenths = (
            self.prose["counts"].get(said[at + 1])
            if said[at : at + 1] == ("point",) and said[at + 1 :]
            else None
        )
        if tenths is not None and tenths < 10:  # "five point one"
            value, at, spelled = value + tenths / 10.0, at + 2, False
        if said[at : at + 3] == ("and", "a", "half"):
            value, at, spelled = value + 0.5, at + 3, False
        while at < len(said) and said[at] in times:
            value, at, spelled = value * times[said[at]], at + 1, False
            if (
                said[at : at + 1]
                and said[at] in counts
                and value >= 100
                and spelled is False
                and word in counts
            ):
                more, length = self._spoken_number(said, at)  # "five thousand five hundred"
                hundreds = said[at + length : at + length + 1] == ("hundred",)
                if more * (100 if hundreds else 1) < value:
                    value, at = value + more * (100 if hundreds else 1), at + length + hundreds
        if said[at : at + 1] == ("and",) and value >= 100 and value % 100 == 0 and said[at + 1 :]:
            more = self.prose["counts"].get(said[at + 1], 0)  # "a hundred and five"
            length = self._spoken_number(said, at + 1)[1] if more else 0
            more = self._spoken_number(said, at + 1)[0] if more else 0
            ends = said[at + 1 + length : at + 2 + length]
            timed = ends and self.known.units.get(ends) in ("min", "s", "h")
            between = place and said[place - 1] in ("between", "from")
            if 0 < more < 100 and more == int(more) and not (timed or between):
                value, at = value + more, at + 1 + length
        if (
            said[at : at + 1] == ("to",)
            and said[at + 1 : at + 2]
            and said[at + 1][:1].isdigit()
            and value < 10
        ):
            at, value = at + 2, float(said[at + 1].replace(",", ""))  # "3 to 400 a minute"
        for length in (3, 2, 1):
            here = said[at : at + length]
            if len(here) == length and (unit := self.known.units.get(here)):
                return sign * value, unit, at + length - place
        # "one of the dials" is no number, "off by thirty" is
        told = (
            bool(signed)
            or value >= self.prose["spelled_from"]
            or (place and said[place - 1] in self.prose["numbered"])
        )
        if spelled and word != "zero" and (not told or word in ("couple", "few", "half", "quarter")):
            return None, "", 0
        return sign * value, "", at - place

    def _spoken_number(self, said: Words, at: int) -> tuple[float, int]:
        """A number in words and how many: "twenty five" 25, "one ten" 110, "two four zero" 240."""
        counts = self.prose["counts"]
        listed = []
        for word in said[at : at + 3]:
            value = counts.get(word)
            if value is None or value != int(value) or word in ("couple", "few"):
                break
            listed.append(int(value))
        match listed:
            case [tens, ones, *_] if 20 <= tens < 100 and 0 < ones < 10:
                return float(tens + ones), 2
            case [hundreds, tens, ones] if 0 < hundreds < 10 and 20 <= tens < 100 and 0 < ones < 10:
                return float(hundreds * 100 + tens + ones), 3
            case [hundreds, tens, *_] if 0 < hundreds < 10 and 10 <= tens < 100:
                return float(hundreds * 100 + tens), 2
            case [first, second, third] if max(first, second, third) < 10:
                return float(first * 100 + second * 10 + third), 3
            case _:
                return float(counts[said[at]]), 1

    def _clauses(self, spans: list[Span]) -> list[tuple[str, list[Span]]]:
        """Part a sentence at stops and at words that begin a clause; lists of gauges stay together."""
        found: list[tuple[str, list[Span]]] = []
        lead: str = ""
        now: list[Span] = []
        longest = int(self.prose["longest_clause"])
        for at, span in enumerate(spans):
            stop = span.words[0] in STOPS
            breaks = "breaks" in span.kinds
            if span.text in (",", "then", "and") and self._counts_on(now, spans[at + 1 : at + longest]):
                continue
            if span.text == ":" and len(now) <= 2 and now and names(now[-1]):
                continue  # "DI: turning to the right"
            if (stop or breaks) and not self._listing(now, spans[at : at + longest], stop):
                if now:
                    found.append((lead, now))
                    now = []
                    lead = ""
                if breaks or not lead:
                    lead = span.text
                continue
            if now and not stop and self._runs_on(now, spans[at : at + longest]):
                taken = len(now)
                while (
                    taken and now[taken - 1].kinds & {"determiner"} and not now[taken - 1].kinds & {"pronoun"}
                ):
                    taken -= 1
                if now[:taken]:
                    found.append((lead, now[:taken]))
                    now, lead = now[taken:], ","
            if len(now) >= longest:  # no clause that anybody means is as long: time stays linear
                found.append((lead, now))
                now, lead = [], ","
            if not stop:
                now.append(span)
        if now:
            found.append((lead, now))
        return found

    def _counts_on(self, before: list[Span], after: list[Span]) -> bool:
        """Whether the next number of a needle follows: "it kept falling, 100, 80, then 60"."""
        rest = [
            span for span in after if span.text not in ("then", "and", "now", "finally", "down", "up", "to")
        ]
        if not rest or rest[0].number is None or rest[0].unit in ("min", "s", "h", "C", "F", "rpm"):
            return False
        told = next((at for at, span in enumerate(before) if names(span) or span.sense("pronoun")), None)
        alone = len(rest) < 2 or rest[1].words[0] in STOPS or bool(rest[1].kinds & {"breaks"})
        ended = bool(before) and (
            before[-1].number is not None or bool(before[-1].kinds & {"behaviour", "copula"})
        )
        return alone and ended and told is not None and not names(before[-1])

    def _runs_on(self, before: list[Span], after: list[Span]) -> bool:
        """Whether a sentence without stops begins its next clause here: "it came back the altimeter was fine"."""
        said = [span for span in before if "determiner" not in span.kinds]
        last = said[-1] if said else before[-1]
        subject = next((at for at, span in enumerate(before) if names(span) or span.sense("pronoun")), None)
        told = subject is not None and any(
            sense.kind in ("behaviour", "reading") and not names(span)
            for span in before[subject + 1 :]
            for sense in span.senses
        )
        told = told or (
            subject is not None and any(span.number is not None for span in before[subject + 1 :])
        )
        if last.words[-1] in self.prose["prepositions"] or last.kinds & {
            "perceive",
            "attend",
            "joins",
            "breaks",
        }:
            return False
        if after[0].text in ("i", "we"):
            going = after[1:2] and after[1].kinds & {
                "copula",
                "perceive",
                "motion",
                "attend",
                "moved",
                "report",
                "noted",
            }
            loose = last.kinds & {"report", "during", "negation"} or names(last)
            return bool(told and going and not loose)
        sense = after[0].sense("gauge") or after[0].sense("gauges")
        if sense is None or sense.weak or not told or names(last):
            return False
        rest = [span for span in after[1:] if not (names(span) or span.kinds & {"joins", "determiner"})]
        return (
            bool(rest)
            and bool(rest[0].kinds & {"copula", "report", "behaviour"})
            and rest[0].words[0] not in STOPS
        )

    def _listing(self, before: list[Span], after: list[Span], stop: bool) -> bool:
        """Whether a comma or "and" stands between two gauges of one list, or within "up and down"."""
        if not before or not names(before[-1]) or after[0].words[0] in ";:.!?()[]":
            return False
        if len(before) > 1 and before[-2].number is not None and before[-1].sense("gauge"):
            return False  # "minus 3 outside, the airspeed fell"
        if {after[0].text, *(span.text for span in after[1:2])} & set(self.prose["set_apart"]):
            return False  # "I trust the altimeter, but the airspeed was stuck"
        rest = [span for span in after[1:] if not span.kinds & {"joins", "determiner", "breaks"}]
        if rest and "everything" in rest[0].kinds and all(glue_or_name(span) for span in before):
            return True  # "the VSI, the airspeed and everything else were normal"
        if not rest or not (names(rest[0]) or rest[0].text in ("mine", "his", "hers")):
            return False
        # a weak word is none of a gauge that was not named yet: "right after lift-off", "both the altimeter and ..."
        told_before = any("same_again" in span.kinds for span in before) or any(
            sense.kind in ("behaviour", "reading") and not sense.weak
            for span in before
            if not names(span) and not span.kinds & {"setting", "motion"}
            for sense in span.senses
        )
        if not told_before:
            return True
        # "fell on the airspeed, the altimeter was steady": each has its own
        for span in rest:
            if span.words[0] in STOPS:
                return True
            if span.kinds & {"copula", "behaviour", "report"} and not names(span):
                return False
        return True

    # ------------------------------------------------------------------ one clause
