"""Clauses that are no reading of a gauge: plans and habits, findings, settings, what was known before the flight."""

from __future__ import annotations

from diagnose.language.prose.pieces import Piece, Span, any_of, names
from diagnose.language.prose.spans import Divided


class Remarks(Divided):
    """What a clause tells besides what the gauges showed."""

    #: whether the clause before was about the altimeter setting
    spoke_of_setting = False

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

    def _intended(self, spans: list[Span]) -> bool:
        """ "I was going to fail the vacuum on him", "she likes night flying": nothing that happened."""
        gauge = next((at for at, span in enumerate(spans) if names(span)), len(spans))
        person = next((at for at, span in enumerate(spans) if span.kinds & {"aircraft", "others"}), gauge)
        return any_of(
            tuple(word for span in spans[person:gauge] for word in span.words), self.prose["intended"]
        ) or any_of(tuple(word for span in spans for word in span.words), self.prose["habits"])

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
