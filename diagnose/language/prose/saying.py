"""What a behavior or a reading means for a gauge, and the piece that it makes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from diagnose.language.lexicon import GLUE, Behaviour, Sense, said_of
from diagnose.language.names import phrases
from diagnose.language.prose.pieces import Piece, Span, Unused, glue, names

if TYPE_CHECKING:
    from diagnose.language.prose.sentence import SentenceReader


class Saying:
    """One clause: where it stands, and saying what its gauges did."""

    def __init__(self, reader: SentenceReader, lead: str, spans: list[Span], number: int) -> None:
        self.reader, self.lead, self.spans, self.number = reader, lead, spans, number
        self.kb, self.known, self.state = reader.kb, reader.known, reader.state
        self.gauges: tuple[str, ...] = ()
        #: which gauges were spoken of at each place of the clause
        self.held: list[tuple[str, ...]] = []
        self.anchor = -1
        self.subject = ""
        self.negated = False
        self.negator = ""
        self.flew = False
        self.sure = self._sure()
        self.waiting: list[int] = []
        self.carried: list[int] = []
        self.why = ""
        self.told: list[Piece] = []
        #: the place in the clause of what was said last, and of each piece
        self.said_at = 0
        self.places: dict[tuple[str, str], int] = {}
        self.attended = False
        #: whether a number alone was taken for the size of what the clause before told
        self.sized = False
        self.excepted = False
        self.pronoun = False
        self.aside: set[str] = set()
        #: the gauges that the clause before ended with and said nothing of, and that this one goes on about
        self.hanging = reader.hanging
        #: what was compared with, cut off the clause
        self.standard: list[Span] = []
        #: whether a reading was left out because of a word that no rule knows
        self.strange = False

    def _sure(self) -> float:
        sure = self.reader.doubt
        for at, span in enumerate(self.spans):
            about = self.spans[at + 1 : at + 3]
            if any(s.number is not None and s.unit in ("min", "s", "h") for s in about):
                continue  # "in maybe a minute"
            for sense in span.senses:
                if sense.kind == "hedge":
                    sure = min(sure, float(sense.value)) if float(sense.value) > 0.5 else float(sense.value)
                elif sense.kind == "hearsay":
                    sure = min(sure, phrases().certainty.get(("hearsay",), 0.75))
        return sure

    def _strange(self, span: Span) -> bool:
        plain = span.senses or span.number is not None or span.words[0].endswith("ly")
        named = self.reader.text[span.start : span.start + 1].isupper() and not self.reader.text.isupper()
        harmless = {
            *self.reader.prose["harmless"],
            *self.reader.prose["adjuncts"],
            *self.reader.prose["prepositions"],
        }
        return (
            not plain
            and not named
            and len(span.text) > 1
            and span.text.isalpha()
            and span.text not in harmless
        )

    def _next(self, at: int, skip: Iterable[str] = ()) -> int:
        """The next place whose span is more than glue (and more than what is to be skipped)."""
        passing = GLUE | set(skip)
        at += 1
        while at < len(self.spans) and glue(self.spans[at], passing):
            at += 1
        return at

    def _has(self, kind: str) -> bool:
        return any(kind in span.kinds for span in self.spans)

    def _has_word(self, word: str) -> bool:
        return any(word in span.words for span in self.spans)

    def _told_later(self, at: int) -> bool:
        later = (span for span in self.spans[at + 1 :] if not (names(span) or "negation" in span.kinds))
        return any(span.kinds & {"behaviour", "reading"} for span in later)

    def _behaves(self, at: int) -> list[Sense]:
        span = self.spans[at]
        return [sense for sense in span.senses if sense.kind in ("behaviour", "reading")]

    def _can(self, gauges: tuple[str, ...], senses: list[Sense]) -> bool:
        return any(self._meaning(gauge, senses) for gauge in gauges)

    def _elided(self, at: int, senses: Sequence[Sense] = ()) -> bool:
        """Whether nothing but glue stands before, so that the gauges spoken of last go on.

        A weak word needs a verb before it: "and was fine", but not "Not good".
        """
        weak = bool(senses) and all(sense.weak for sense in senses)
        sides = {sense.value for sense in senses} & set(self.reader.prose["flown_too"])
        weak = weak or self.spans[at].text in ("left", "right") or len(sides) == len(senses) > 0
        noun = at and self.spans[at - 1].text in self.reader.prose["articles"]
        listed = self.lead == "and" and self.reader.spoke and len(sides) == len(senses) > 0
        if noun and listed and not self._strange_behind(at):
            return True  # "it showed ten degrees nose up and a left bank"
        if weak and not any(span.kinds & {"copula", "report"} for span in self.spans[:at]):
            return False
        pronoun = any(span.sense("pronoun") for span in self.spans[:at])
        went = set() if self._has("switch") else {"moved"}  # "went to zero"; "went to the alternate source"
        verb = any(span.kinds & ({"copula", "report", "perceive"} | went) for span in self.spans[:at])
        if noun and not verb:
            return False  # "... and a normal climb attitude"
        following = self.spans[at + 1 : at + 2]
        if (
            not at
            and following
            and "copula" in following[0].kinds
            and following[0].text not in ("to", "out", "up", "there", "all")
        ):
            return False  # "static was good": a subject of its own
        if any((one := span.sense("pronoun")) and one.value == "many" for span in self.spans[:at]):
            return False  # "both came back", and it is not clear which two
        if not pronoun and any(span.text in ("that", "this", "there") for span in self.spans[:at]):
            return False  # "that is not right"
        if at > 1 and "report" in self.spans[0].kinds and self.spans[1].text in ("is", "was"):
            return False  # "indicated was 300 higher": a subject of its own
        if self.lead in ("after", "before", "until", "till") and not pronoun:
            return False  # it only says when: "after a turn"
        needle = self.spans[at].words[0] in ("indication", "indications")
        verb = verb or bool(self.spans[at].kinds & {"copula"})
        if not (self.number or pronoun or verb) and any(sense.value == "normal" for sense in senses):
            return False  # "All good."
        if self.number and not (pronoun or needle or self.reader.spoke):
            return False  # "it charged, then quit": what stands before is none of our needles
        goes_on = self.number and self.lead in ("and", "then", "but", ",") and self.state.named
        coming = self.reader.prose["coming"]
        if not goes_on and not pronoun and {self.spans[0].words[0], self.spans[at].words[0]} & set(coming):
            return False  # "left the pattern, came back and landed"
        return all(
            glue(
                span,
                GLUE
                | went
                | {
                    "hedge",
                    "negation",
                    "joins",
                    "breaks",
                    "onward",
                    "throughout",
                    "during",
                    "hearsay",
                    "pronoun",
                    "earlier",
                },
            )
            or span.number is not None
            or span.text in ("again", "also")
            for span in self.spans[:at]
        )

    def _strange_behind(self, at: int) -> bool:
        """Whether a noun follows that what stands here is said of."""
        return any(not span.senses and span.number is None for span in self.spans[at + 1 : at + 2])

    def _reach(self, at: int, senses: list[Sense]) -> bool:
        """A weak word counts only right beside its gauge, or beside what else was said of it."""
        if not all(sense.weak for sense in senses):
            return True
        between = self.spans[self.anchor + 1 : at]
        return all(
            glue(
                span,
                GLUE
                | {
                    "hedge",
                    "negation",
                    "behaviour",
                    "reading",
                    "aircraft",
                    "throughout",
                    "onward",
                    "earlier",
                    "joins",
                    "breaks",
                    "moved",
                },
            )
            or span.number is not None
            for span in between
        )

    def _reported(self, at: int) -> bool:
        """ "The VSI had us climbing": what follows is what the gauge said."""
        return any("report" in span.kinds for span in self.spans[self.anchor + 1 : at])

    def _meaning(self, gauge: str, senses: list[Sense], at: int = -1) -> list[tuple[str, Behaviour | None]]:
        """What the senses mean for a gauge: a reading of its own words, or behaviors of different facets."""
        # "the AI was right": as it should be, and no bank
        plainly = at > 0 and self.spans[at].text == "right" and bool(self.spans[at - 1].kinds & {"copula"})
        # "the gyros were both up": running, and no nose up
        up = (
            at >= 0
            and self.spans[at].text in ("up", "down")
            and ".pitch." in "".join(s.value for s in senses)
        )
        plainly = plainly or (up and gauge in ("attitude", "electric_attitude"))
        aside = (
            at > 0
            and self.spans[at].text == "right"
            and self.spans[at - 1].words[-1] in self.reader.prose["went"]
        )
        if (
            aside
            and (meant := said_of(self.kb, gauge, self.known.behaviours["right"]))
            and meant != ("none",)
        ):
            return [("", self.known.behaviours["right"])]
        own = [s for s in senses if s.kind == "reading" and s.value.startswith(f"{gauge}.") and not plainly]
        if not any("flag" in other.words for other in self.spans):  # "sluggish in turns" is no flag
            own = [s for s in own if ".flag." not in s.value or at < 0 or len(self.spans[at].words) > 1]
        if (
            gauge == "heading"
            and self.spans[at].text in ("left", "right")
            and at
            and self.spans[at - 1].number
        ):
            return []  # "off by 30 left" is no turn
        if own:
            return [(own[0].value.partition(".")[2], None)]
        found: dict[str, tuple[str, Behaviour | None]] = {}
        # what is said of a few gauges only says more of them: a heading that wanders drifts
        told = [sense for sense in senses if sense.kind == "behaviour"]
        for sense in sorted(told, key=lambda sense: not self.known.behaviours[sense.value].only):
            behaviour = self.known.behaviours[sense.value]
            fits = not behaviour.only or gauge in behaviour.only
            meant = said_of(self.kb, gauge, behaviour)
            if meant or (fits and behaviour.asks) or behaviour.id == "move":
                facet = meant[0].removeprefix("!").partition(".")[0] if meant else "asked"
                found.setdefault(facet, ("", behaviour))
        if len(found) > 1:
            found.pop("asked", None)
            found.pop("expected", None)
        return list(found.values())

    def _other_unit(self, gauge: str, at: int, senses: list[Sense]) -> bool:
        """Whether the number right beside a behavior is of a unit that this gauge has not: "40 degrees off"."""
        prose = self.reader.prose
        if not any(sense.value in prose["sized"] for sense in senses):
            return False
        beside = [
            span
            for span in (*self.spans[max(0, at - 1) : at], *self.spans[at + 1 : at + 2])
            if span.number is not None and span.unit in ("deg", "ft", "kt")
        ]
        return any(span.unit != prose["bare"].get(gauge, span.unit) for span in beside)

    def _accounted(self, at: int, gauges: tuple[str, ...]) -> bool:
        """Whether every word between a gauge and what it did is known, and none turns its meaning.

        What is not is shown as not used, with the word that is in the way.
        """
        if self.anchor < 0:
            low, high = 0, at
            between = [span for span in self.spans[:at] if not self.gauges and span.sense("pronoun") is None]
            between = between if self.gauges else []
        else:
            low, high = sorted((self.anchor, at))
            between = self.spans[low + 1 : high]
        account = self.known.tables["account"]
        before = f" {' '.join(word for span in self.spans[max(0, at - 3) : at] for word in span.words)}"
        odd = next((span.text for span in between if self._strange(span)), "")
        turned = next((span.text for span in between if span.text in account["supposed"]), "")
        shifted = next((text for text in account["shifts"] if before.endswith(f" {text}")), "")
        if not (odd or turned or shifted):
            return True
        if turned:
            why = "only supposed"
        elif shifted:
            why = f"{shifted!r} does not say what it showed"
        else:
            why = f"{odd!r} is not understood"
        self.strange = True
        self.reader.unused.append(Unused(words=self.reader.source(self.spans), gauge=gauges[0], why=why))
        return False

    def _attach_to(self, at: int, senses: list[Sense], gauges: tuple[str, ...]) -> bool:
        done = False
        if self._can(gauges, senses) and not self._accounted(at, gauges):
            return True
        stopped = self.negated and self.negator in ("stopped", "stops", "quit")
        if stopped and any(
            sense.value in ("rise", "fall", "spin", "drift", "banked") for sense in senses
        ):  # "stopped climbing": it stands
            senses, self.negated = [Sense("behaviour", "stuck")], False
        for gauge in gauges:
            if self._other_unit(gauge, at, senses):
                continue
            for reading, behaviour in self._meaning(gauge, senses, at):
                where = [self.spans[at]]
                if self.anchor >= 0 and self.gauges:
                    where.append(self.spans[min(self.anchor, len(self.spans) - 1)])
                if behaviour is not None:
                    done = self._say(gauge, behaviour, where, denied=self.negated) or done
                else:
                    usual = self.spans[at].text in phrases().normal and reading.endswith(".steady")
                    first = len(self.told)
                    self._tell(gauge, "expected" if usual else reading, where, denied=self.negated)
                    if any(sense.value == "stuck" for sense in senses):
                        self._mark(first, "stuck")
                    done = True
        if done:
            self.negated = False
            self.anchor = max(at, self.anchor)
            self.gauges = self.gauges or gauges
        return done

    def _say(self, gauge: str, behaviour: Behaviour, where: list[Span], *, denied: bool) -> bool:
        if gauge == "engine" and " ".join(where[0].words) in self.reader.prose["switched_off"]:
            return False  # by hand
        if behaviour.id == "recover" and where[0].words[0].endswith("ing") and gauge not in self.state.gone:
            return False  # "the speed was coming back": nothing was told of it before
        slow = self.known.behaviours["sluggish"]
        hardly = denied and behaviour.id == "move" and self.negator in ("hardly", "barely", "scarcely")
        if hardly and slow.means[0].startswith(f"{gauge}."):
            return self._say(gauge, slow, where, denied=False)
        if behaviour.flown and (
            gauge in self.state.gone or said_of(self.kb, gauge, behaviour) == ("expected",)
        ):
            # "all three came alive" after a fault: as before it, and no takeoff
            return self._say(gauge, self.known.behaviours["recover"], where, denied=denied)
        if denied and behaviour.id == "move" and where[0].words[-1].startswith("chang"):
            return self._say(gauge, self.known.behaviours["steady"], where, denied=False)
        if denied and behaviour.denied:
            return self._say(gauge, self.known.behaviours[behaviour.denied], where, denied=False)
        meant = said_of(self.kb, gauge, behaviour)
        if not meant or meant == ("none",):
            beside = self.reader.prose["stuck_beside"].get(gauge, {})
            if behaviour.id == "stuck" and not denied and (seen := set(beside) & set(self.gauges)):
                self._tell(gauge, beside[seen.pop()], where, denied=False)
                return True
            flown = self.reader.prose["stuck_flown"].get(gauge, "")
            if behaviour.id == "stuck" and flown and not denied and self._in_a_maneuver(where[0]):
                self._tell(gauge, flown, where, denied=False)
                return True
            if behaviour.id == "pegged" and gauge != "vertical_speed" and self._at_number(where[0]):
                return self._say(gauge, self.known.behaviours["stuck"], where, denied=denied)
            if behaviour.asks and not denied:
                name = self.kb.gauges[gauge].words[0]
                self._put(
                    Piece(
                        kind="asked",
                        words=self.reader.source(where),
                        gauge=gauge,
                        asks=(f"{name}: {behaviour.asks}",),
                    )
                )
                return True
            return False
        if behaviour.id == "tumble" and self._by_and_by(where[0]):
            lean = said_of(self.kb, gauge, self.known.behaviours["lean"])
            if lean:
                return self._say(gauge, self.known.behaviours["lean"], where, denied=denied)
        if behaviour.flown:
            self.reader.pieces.append(
                Piece(
                    kind="flown",
                    words=self.reader.source(where[:1]),
                    value=behaviour.flown,
                    position="implied",
                )
            )
        facet = f"{gauge}.{meant[0].removeprefix('!').partition('.')[0]}"
        if behaviour.id == "normal" and not denied and any(p.facet == facet for p in self.told):
            return True  # "the ball went right like it should"
        first = len(self.told)
        self._tell(gauge, meant[0], where, denied=denied)
        if mark := {"recover": "again", "stuck": "stuck"}.get(behaviour.id):
            self._mark(first, mark)
        return True

    def _mark(self, first: int, mark: str) -> None:
        """Mark the piece told last, if one was told since there were ``first``."""
        if len(self.told) > first:
            marked = replace(self.told[-1], value=mark)
            self.reader.pieces[self.reader.pieces.index(self.told[-1])] = marked
            self.told[-1] = marked

    def _in_a_maneuver(self, span: Span) -> bool:
        """Whether a needle stayed put in a maneuver that should have moved it: "it did not move when we descended"."""
        stayed = bool({"not", "never", "no"} & set(span.words))
        return stayed and any(
            other.kinds & {"setting", "motion"} and "during" in before.kinds
            for before, other in zip(self.spans, self.spans[1:], strict=False)
        )

    def _by_and_by(self, span: Span) -> bool:
        """ "Slowly rolled over", "began to keel over": it leans, it does not tumble."""
        at = next((place for place, other in enumerate(self.spans) if other is span), 0)
        before = {word for other in self.spans[max(0, at - 3) : at] for word in other.words}
        return bool(before & set(self.reader.prose["by_and_by"])) and span.words[-1] == "over"

    def _at_number(self, span: Span) -> bool:
        """Whether a needle stood at a number that is no stop: "pegged on 7,000"."""
        at = next((place for place, other in enumerate(self.spans) if other is span), len(self.spans))
        following = [other for other in self.spans[at + 1 : at + 3] if other.number is not None]
        return bool(following) and bool(following[0].number)

    def _tell(self, gauge: str, meant: str, where: list[Span], *, denied: bool) -> None:
        words = self.reader.source(where)
        self.said_at = next((at for at, span in enumerate(self.spans) if span is where[0]), 0)
        if self.reader.side and gauge in self.reader.prose["no_second"]:
            value = f"the other side's {self.kb.gauges[gauge].name}: {meant.rpartition('.')[2]}"
            self._put(Piece(kind="noted", words=words, value=value))
            return
        if gauge == "altimeter" and self.reader.setting and meant in ("trend.rising", "trend.falling"):
            value = "altimeter moved with its setting"  # by its knob
            self._put(Piece(kind="noted", words=words, gauge=gauge, value=value))
            return
        certain = self.sure
        if gauge == "atc_height" and not self._has("hedge"):
            certain = self.reader.doubt  # who says it is the one who reads it: no hearsay
        if gauge == "suction" and any(span.text in self.reader.prose["parts"] for span in where):
            certain = min(certain, phrases().certainty[("told", "by", "its", "part")])
        if meant == "expected":
            if gauge in self.reader.prose["no_needle"]:
                return
            if any(p.gauge == gauge and p.kind == "reading" for p in self.told):
                return  # "pegged at the bottom like normal": what it showed says more
            sure = round(1.0 - certain, 9) if denied else certain
            self._put(Piece(kind="expected", words=words, gauge=gauge, sure=sure))
            return
        if meant == "disagree":
            beside = [
                g for s in self.spans if s.sense("gauge") for g in self.reader.gauges_of(s) if g != gauge
            ]
            if {gauge, *beside[:1]} == {"heading", "compass"} and not denied:
                self._put(
                    Piece(
                        kind="reading",
                        words=words,
                        gauge="heading",
                        facet="heading.value",
                        reading="off",
                        sure=certain,
                    )
                )
                return
            if beside:
                self._put(Piece(kind="disagree", words=words, gauge=beside[0], sure=certain))
            self._put(Piece(kind="disagree", words=words, gauge=gauge, sure=self.sure))
            return
        other = meant.startswith("!")
        facet, _, reading = meant.removeprefix("!").partition(".")
        sure = round(1.0 - certain, 9) if denied != other else certain
        self._put(
            Piece(
                kind="reading", words=words, gauge=gauge, facet=f"{gauge}.{facet}", reading=reading, sure=sure
            )
        )

    def _put(self, piece: Piece) -> None:
        if piece.kind == "reading":
            stuck = [p for p in self.told if p.gauge == piece.gauge and p.value == "stuck"]
            if stuck and piece.reading == "right":
                return  # "stuck on field elevation": where it stood
            if piece.reading == "zero":  # "sitting at zero": at its stop, and not stuck anywhere
                for other in [p for p in self.told if p.gauge == piece.gauge and p.value == "stuck"]:
                    self.told.remove(other)
                    self.reader.pieces.remove(other)
            for other in [p for p in self.told if p.kind == "asked" and p.gauge == piece.gauge]:
                self.told.remove(other)
                self.reader.pieces.remove(other)
            for other in [p for p in self.told if p.kind == "reading" and p.facet == piece.facet]:
                if other.reading == piece.reading:
                    return
                more = self.reader.prose["says_more"]  # "jumps 200 feet at a time"
                if more.get(piece.reading) == other.reading and other.sure >= 0.5:
                    return
                if more.get(other.reading) == piece.reading and piece.sure >= 0.5:
                    self.told.remove(other)
                    self.reader.pieces.remove(other)
                    continue
                if piece.reading == "zero" and other.reading in ("descent", "climb", "low", "discharge"):
                    # "dropped to zero": where it ended
                    self.told.remove(other)
                    self.reader.pieces.remove(other)
                    continue
                # of two words for one thing the plainer one counts: what it did, not what it did not
                if piece.sure < 0.5 <= other.sure:
                    return
                if other.sure < 0.5 <= piece.sure or "stead" in other.reading:
                    self.told.remove(other)
                    self.reader.pieces.remove(other)
        self.told.append(piece)
        self.places[piece.gauge, piece.facet] = self.said_at
        self.reader.pieces.append(piece)
