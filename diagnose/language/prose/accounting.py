"""Whether a clause is accounted for: no reading of it enters the case while a word that may turn it is not understood."""

from __future__ import annotations

from diagnose.language.prose.counting import Counting
from diagnose.language.prose.pieces import EVIDENCE, STOPS, Piece, Span, Unused, determined, glue, names


class Accounting(Counting):
    """Holds back the readings of a clause that says more, or something else, than what was understood of it."""

    def _account(self) -> None:
        told = [piece for piece in self.told if piece.kind in EVIDENCE]
        if not told:
            self._habit(told)
            return
        why = (
            self._of_anybody()
            or self._habit(told)
            or self._explains(told)
            or self._contradicts(told)
            or self._strange_word(told)
        )
        if not why:
            return
        for piece in self.told:
            if piece in self.reader.pieces:
                self.reader.pieces.remove(piece)
        self.told, self.strange = [], True
        words = self.reader.source(self.spans)
        self.reader.unused.append(Unused(words=words, gauge=told[0].gauge, why=why))

    def _explains(self, told: list[Piece]) -> str:
        """ "Could be low suction": what might be so, where the gauge is not the subject, is an explanation."""
        modals = self.reader.prose["modals"]
        for at, span in enumerate(self.spans):
            following = [word for other in self.spans[at : at + 2] for word in other.words][1:2]
            if span.words[0] not in modals or not set(following) & {"be", "have", "been"}:
                continue
            named = [names(other) for other in self.spans]
            pronoun = any(other.sense("pronoun") for other in self.spans[:at])
            if not any(named[:at]) and (any(named[at:]) or not pronoun):
                return "only supposed"
        return ""

    def _of_anybody(self) -> str:
        """ "You see it when the pump fails": how it is in general, and not what happened."""
        listener = self.reader.prose["to_the_listener"]
        said = self.reader.text.lower()
        anybody = " you " in f" {said} " and not any(text in said for text in listener)
        return "said of anybody" if anybody else ""

    def _habit(self, told: list[Piece]) -> str:
        """ "It would hang and then drop": what it did again and again is no way that it went once."""
        said = [span.text for span in self.spans]
        self.reader.habit = (self.reader.habit and self.lead in ("and", "then", ",")) or (
            "would" in said and not self._has("negation")
        )
        once = {"trend.rising", "trend.falling", "trend.steady", "rate.climb", "rate.descent"}
        ways = {piece.facet.partition(".")[2] + "." + piece.reading for piece in told}
        return "what it did again and again" if self.reader.habit and ways & once else ""

    def _contradicts(self, told: list[Piece]) -> str:
        """Two readings of one needle that exclude each other, in one breath: one of the words means something else."""
        for at, piece in enumerate(told):
            for other in told[at + 1 :]:
                same = piece.facet and piece.facet == other.facet and piece.value == other.value
                scene = self.spans[self.places.get((other.gauge, other.facet), 0)].kinds & {
                    "setting"
                }  # "for that descent"
                if (
                    same
                    and not scene
                    and piece.reading != other.reading
                    and min(piece.sure, other.sure) >= 0.5
                ):
                    return "this says two things of one needle"
        return ""

    def _strange_word(self, told: list[Piece]) -> str:
        """A word that no rule knows and that does not only say where, when or for how long.

        Behind a gauge and its verb any such word counts; where the gauge is only meant, or follows what is
        said of it, those before count as well.
        """
        for piece in told:
            said = self.places.get((piece.gauge, piece.facet), 0)
            named = [
                at
                for at, span in enumerate(self.spans[:said])
                if piece.gauge in self.reader.gauges_of(span) and (names(span) or span.text == "it")
            ]
            for at in range(named[0] + 1 if named else 0, len(self.spans)):
                if self._strange(self.spans[at]) and not self._aside(at, persons=bool(named)):
                    return f"{self.spans[at].text!r} is not understood"
        return ""

    def _aside(self, at: int, *, persons: bool) -> bool:
        """Whether a word stands in what a preposition or a person begins: "within a minute", "when I landed"."""
        prepositions = {*self.reader.prose["prepositions"], *self.reader.prose["adjuncts"]}
        for before in reversed(self.spans[max(0, at - 5) : at]):
            if {before.words[0], before.words[-1]} & prepositions:
                return True
            if persons and before.kinds & {"aircraft", "others", "during"}:
                return True
            if before.kinds & {"behaviour", "reading"} and not glue(before, {"copula"}):
                return False
        return False

    def _someone(self, at: int) -> bool:
        """ "When I shut down": somebody did it, no needle."""
        return any("during" in span.kinds and span.words[-1] in ("i", "we") for span in self.spans[:at])

    def _of_a_verb(self, at: int) -> bool:
        """Whether a particle belongs to the verb of behavior right before it."""
        before = self.spans[at - 1] if at else None
        if before is None or self.spans[at].text in ("up", "down"):
            return before is not None and before.words[-1] in ("open", "opened", "opening")  # "was opened up"
        return "behaviour" in before.kinds and not before.kinds & {"copula", "adverb", "gauge", "pronoun"}

    def _of_a_noun(self, at: int) -> bool:
        """ "With a normal climb attitude": what an adjective is said of is the noun behind it, and no needle."""
        if not at or self.spans[at - 1].text not in self.reader.prose["articles"]:
            return False
        for span in self.spans[at + 1 : at + 3]:
            if names(span) and not set(self.reader.gauges_of(span)) & set(self.gauges):
                return bool(self.gauges) and span.sense("gauge") is not None and not self._behaves(at)[0].weak
            if not span.senses and span.number is None:
                return span.text not in self.reader.prose["measures"]
            if not span.kinds & {"setting", "motion"}:
                return False
        return False

    def _only_how(self, span: Span, behind: list[Span]) -> bool:
        """Whether a word only says how, before the reading itself: "a steady discharge", "a steady 600 down"."""
        if span.text not in self.reader.prose["manner"] or not behind or not self.gauges:
            return False
        told = [s for s in behind[0].senses if s.kind in ("behaviour", "reading")]
        rate = behind[0].number is not None and set(self.gauges) & set(self.reader.prose["absolute"])
        return bool(rate) or (bool(told) and self._can(self.gauges, told))

    def _handled(self, verb: Span) -> bool:
        """Whether a clause begins with a verb that somebody did to something."""
        if verb.kinds & {
            "perceive",
            "adverb",
            "during",
            "breaks",
            "onward",
            "earlier",
            "joins",
            "negation",
            "hedge",
        }:
            return False
        return (
            bool(verb.kinds & {"attend", "moved", "noted"})
            or not verb.senses
            or verb.text in ("left", "gave")
        )

    def _by_hand(self, at: int) -> bool:
        """Whether the throttle or the power was moved: "I pushed the throttle up" is no reading."""
        said = {word for span in self.spans[max(0, at - 3) : at] for word in span.words}
        denied = any("negation" in span.kinds for span in self.spans[:at])
        return bool(said & set(self.reader.prose["hand"])) and not denied

    def _object(self, at: int) -> bool:
        """Whether a noun only stands behind a preposition: "by the clock it showed half"."""
        before = [
            span.text
            for span in self.spans[:at]
            if "determiner" not in span.kinds or span.text in ("to", "of")
        ]
        return bool(before) and before[-1] in self.reader.prose["prepositions"]

    def _ceased(self, at: int) -> bool:
        """Say that what the gauges spoken of last did has ended: "the fluctuation stopped"."""
        noun = at and self._behaves(at - 1) and determined(self.spans, at - 1)
        rest = self._next(at, skip=("earlier", "throughout"))
        meant = tuple(dict.fromkeys(p.gauge for p in self.state.odd)) or self.state.focus
        if not noun or self.gauges or not meant or rest < len(self.spans):
            return False
        done = self._attach_to(at - 1, self._behaves(at - 1), meant)
        self.negated = False
        return done

    def _gauge_after(self, at: int) -> tuple[str, ...]:
        """The gauges named right behind a place: "no airspeed"."""
        following = self.spans[at + 1] if at + 1 < len(self.spans) else None
        sense = following.sense("gauge") if following is not None else None
        if following is None or sense is None:
            return ()
        loose = {"perceive", "copula", "joins", "report", "breaks", "gauge"}
        if sense.weak and at and not self.spans[at - 1].kinds & loose and self.spans[at - 1].words[0] not in STOPS:
            return ()  # "landed no flaps"
        return self.reader.gauges_of(following)

    def _set_to(self, at: int) -> bool:
        """ "I reset it to the compass": what a thing is set to or held against is not spoken of next."""
        before = [span.text for span in self.spans[:at] if span.text not in ("the", "my", "our")]
        return bool(before) and before[-1] in self.reader.prose["held_to"] and bool({"it", "them"} & set(before))

    def _calmed(self) -> tuple[str, ...]:
        """ "It calmed down": what was restless before, whatever was told of since."""
        calm = self.reader.prose["calmed"]
        if not any(span.sense("behaviour") and span.words[0] in calm for span in self.spans):
            return ()
        if any(span.text in ("it all", "all of it") for span in self.spans):
            return tuple(dict.fromkeys(self.state.restless))
        return tuple(dict.fromkeys(p.gauge for p in self.state.odd if p.gauge and p.sure >= 0.5))
