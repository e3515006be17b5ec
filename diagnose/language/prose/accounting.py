"""Whether a clause is accounted for: no reading of it enters the case while a word that may turn it is not understood."""

from __future__ import annotations

from diagnose.language.prose.counting import Counting
from diagnose.language.prose.pieces import EVIDENCE, Piece, Span, Unused, glue, names


class Accounting(Counting):
    """Holds back the readings of a clause that says more, or something else, than what was understood of it."""

    def _account(self) -> None:
        told = [piece for piece in self.told if piece.kind in EVIDENCE]
        if not told:
            return
        why = self._explains(told) or self._contradicts(told) or self._strange_word(told)
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
            if not any(names(other) or other.sense("pronoun") for other in self.spans[:at]):
                return "only supposed"
        return ""

    def _contradicts(self, told: list[Piece]) -> str:
        """Two readings of one needle that exclude each other, in one breath: one of the words means something else."""
        for at, piece in enumerate(told):
            for other in told[at + 1 :]:
                if piece.facet and piece.facet == other.facet and piece.reading != other.reading:
                    if piece.sure >= 0.5 and other.sure >= 0.5 and piece.value == other.value:
                        return "this says two things of one needle"
        return ""

    def _strange_word(self, told: list[Piece]) -> str:
        """A word behind the gauge that no rule knows, and that only says where, when or for how long."""
        gauges = {piece.gauge for piece in told}
        first = next(
            (
                at
                for at, span in enumerate(self.spans)
                if names(span) and gauges & set(self.reader.gauges_of(span))
            ),
            -1,
        )
        for at, span in enumerate(self.spans):
            if at > first and self._strange(span) and not self._aside(at):
                return f"{span.text!r} is not understood"
        return ""

    def _strange(self, span: Span) -> bool:
        plain = span.senses or span.number is not None or span.words[0].endswith("ly")
        named = self.reader.text[span.start : span.start + 1].isupper() and not self.reader.text.isupper()
        harmless = {*self.reader.prose["harmless"], *self.reader.prose["adjuncts"], *self.reader.prose["prepositions"]}
        return not plain and not named and span.text.isalpha() and span.text not in harmless

    def _aside(self, at: int) -> bool:
        """Whether a word stands in what a preposition or a person begins: "within a minute", "when I landed"."""
        prepositions = {*self.reader.prose["prepositions"], *self.reader.prose["adjuncts"]}
        for before in reversed(self.spans[max(0, at - 5) : at]):
            if {before.words[0], before.words[-1]} & prepositions:
                return True
            if before.kinds & {"aircraft", "others", "during"}:
                return True
            if before.kinds & {"behaviour", "reading"} and not glue(before, {"copula"}):
                return False
        return False
