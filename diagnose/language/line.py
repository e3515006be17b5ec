"""A line of plain words to statements about the snapshot, and back."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.aircraft import not_all_but, not_of_ourselves, not_what_was_flown
from diagnose.language.gauge import (
    denied_at,
    facet_at,
    not_understood,
    reading_at,
    reading_list,
    reading_ways,
    readings_in,
)
from diagnose.language.names import (
    Words,
    core,
    entry_forms,
    find,
    forms,
    gauge_forms,
    length_at,
    likest,
    nearest,
    phrase_at,
    phrases,
    plain,
    readable,
    spelled_out,
    without_filler,
)
from diagnose.language.switches import Switched, absent, switched
from diagnose.model import Panel
from diagnose.model.errors import CaseError, DiagnoseError, TellsMore, UnknownName


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """A reading that was stated; ``sure`` is 1 for a plain statement, 0 for "not this one"."""

    facet: str
    reading: str
    sure: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Disagreement:
    """Two gauges said to disagree, without saying which shows what."""

    first: str
    second: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AsExpected:
    """One gauge looked right for this maneuver."""

    gauge: str
    sure: float = 1.0


@dataclass(frozen=True, slots=True)
class RestAsExpected:
    """All gauges not spoken of looked right for this maneuver; ``but``: gauges that are not meant either."""

    but: frozenset[str] = frozenset()


Statement = Said | Disagreement | Switched | AsExpected | RestAsExpected


def parse_line(line: str, kb: KnowledgeBase, panel: Panel) -> tuple[Statement, ...]:
    """Give the statements of a line.

    Semicolons and full stops part statements. A comma does too, but after it the gauge spoken of last
    may go on ("airspeed low, falling"), and gauges named before it share what follows ("airspeed,
    altimeter steady"). Raises UnknownName or CaseError that names the piece that is not understood.
    """
    sentences = re.split(r"[;\n]|\.(?=\s|$)", spelled_out(line))
    ways = {core(way): gauge for gauge, all_ways in gauge_forms(kb, panel).items() for way in all_ways}
    reader = _Reader(kb=kb, panel=panel, gauge_ways=ways)
    return tuple(statement for sentence in sentences for statement in reader.sentence(sentence))


def leaves_out(text: str) -> bool:
    """Whether a line begins by saying that something is not known."""
    return bool(_unknown_at(tuple(plain(text).split())))


def _unknown_at(words: Words) -> int:
    """How many words at the beginning say that something is not known."""
    return length_at(words, 0, [tuple(text.split()) for text in phrases().unknown])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """One or more gauges and what is said of them."""

    gauges: tuple[str, ...]
    words: Words = ()
    sure: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reader:
    """Reads sentences with the words of one panel. ``gauge_ways``: words -> gauge."""

    kb: KnowledgeBase
    panel: Panel
    gauge_ways: dict[Words, str] = field(default_factory=dict)

    def sentence(self, text: str) -> Iterator[Statement]:
        waiting: tuple[str, ...] = ()
        last: tuple[str, ...] = ()
        for clause in (part for piece in text.split(",") for part in self._parts(piece)):
            if not plain(clause) or (not _words(clause) and core(clause)[0] not in phrases().filler):
                continue
            not_all_but(clause)
            not_of_ourselves(clause, self.kb)
            if self._not_known(clause):
                continue
            if not waiting and (special := self._whole_clause(clause)):
                yield special
                last = ()
                continue
            if last and not waiting:
                not_what_was_flown(clause, self.kb)
            try:
                first, *others = self._groups(clause, last, alone=not waiting)
                groups = [replace(first, gauges=(*waiting, *first.gauges)), *others]
                said = [list(self._of_group(group)) for group in groups]
            except DiagnoseError as error:
                if self._gauge_at(core(clause), 0)[0] and not isinstance(error, UnknownName):
                    raise
                raise self._other_kind(clause) or error from None
            for group in groups[:-1]:
                if not group.words:
                    raise self._says_nothing(group.gauges[0])
            last = groups[-1].gauges
            waiting = () if groups[-1].words else last
            for statements in said:
                yield from statements
        if waiting:
            raise self._says_nothing(waiting[0])

    def _parts(self, clause: str) -> list[str]:
        """Part "airspeed low and attitude disagrees with heading" at a join between gauge and gauge.

        Not where only gauges stand before it: "attitude and heading disagree" is one statement.
        """
        said = phrases()
        # "with" joins too, but belongs to "disagrees with"
        joins = "|".join(" ".join(join) for join in said.joins if join != ("with",))
        for join in re.finditer(rf"\s(?:{joins})\s", clause, re.IGNORECASE):
            left, right = _words(clause[: join.start()]), _words(clause[join.end() :])
            left, right = (words[len(phrase_at(words, 0, said.certainty)) :] for words in (left, right))
            place = first = self._gauge_at(left, 0)[1]
            while more := self._gauge_at(left, place)[1] or len(phrase_at(left, place, said.joins)):
                place += more
            if first and place < len(left) and self._gauge_at(right, 0)[1]:
                return [clause[: join.start()], *self._parts(clause[join.end() :])]
        return [clause]

    def _of_group(self, group: _Group) -> Iterator[Statement]:
        for gauge in dict.fromkeys(group.gauges if group.words else ()):
            yield from self._statements(gauge, group)

    def _statements(self, gauge_id: str, group: _Group) -> Iterator[Statement]:
        gauge = self.kb.gauges[gauge_id]
        _, reading = reading_ways(gauge).get(group.words, ("", ""))
        # where normal is no reading by itself; and in a turn or a climb a normal trend is not a steady one
        if " ".join(group.words) in phrases().normal and reading in ("", "steady"):
            yield AsExpected(gauge=gauge_id, sure=group.sure)
            return
        if (
            group.words in phrases().abnormal
            and len(gauge.facets) == 1
            and not denied_at(gauge, group.words, 0)
        ):
            yield AsExpected(gauge=gauge_id, sure=denied(group.sure))
            return
        for facet, found in readings_in(gauge, group.words).items():
            sure = denied(group.sure) if found.denied else group.sure
            yield Said(facet=f"{gauge_id}.{facet}", reading=found.reading, sure=sure)

    # -------------------------------------------------------------- whole clauses

    def _whole_clause(self, clause: str) -> Statement | None:
        """Rest as expected, a disagreement or a switch position; None for readings."""
        said = phrases()
        # "all" is a word without meaning elsewhere, but not here
        telling = [word for word in plain(clause).split() if word == "all" or word not in said.filler]
        if any(telling == f"{rest} {normal}".split() for rest in _rests() for normal in said.normal):
            return RestAsExpected()
        words = core(clause)
        gauge, length = self._gauge_at(words, 0)
        if gauge:
            only, more = facet_at(self.kb.gauges[gauge], words, length)
            if words[length + more :] in reading_ways(self.kb.gauges[gauge], only):
                return None  # such as "heading disagrees with compass", which is a reading by itself
        return self._disagreement(clause, words) or switched(clause, self.kb, self.panel)

    def _disagreement(self, clause: str, words: Words) -> Disagreement | None:
        said = phrases()
        for phrase in (*said.disagree, *said.disagree_together):
            for place in range(1, len(words) - len(phrase) + 1):
                before, after = words[:place], words[place + len(phrase) :]
                together = phrase in said.disagree_together
                if words[place : place + len(phrase)] != phrase or together == bool(after):
                    continue
                if any(phrase_at(words, i, said.certainty) for i in range(len(words))):
                    raise CaseError(
                        f"a disagreement cannot be given as unsure: {clause.strip()!r}",
                        mend="leave the doubt out, or say what each of the two showed",
                    )
                if after:
                    return Disagreement(first=self._one_gauge(before), second=self._one_gauge(after))
                first, length = self._gauge_at(before, 0)
                joins = [word for (word, *_) in said.joins]
                rest = tuple(word for word in before[length:] if word not in joins)
                if first and rest:
                    return Disagreement(first=first, second=self._one_gauge(rest))
        return None

    def _not_known(self, clause: str) -> bool:
        """Whether the clause only says of which gauges nothing is known: "don't remember the suction"."""
        words = tuple(plain(clause).split())
        length = _unknown_at(words)
        if length and words[length - 1] in ("if", "whether"):
            return True
        left = core(" ".join(words[length:])) if 0 < length < len(words) else ()
        place = 0
        while more := self._gauge_at(left, place)[1] or (
            place and len(phrase_at(left, place, phrases().joins))
        ):
            place += more
        return bool(left) and place == len(left)

    def _one_gauge(self, words: Words) -> str:
        if words in self.gauge_ways:
            return self.gauge_ways[words]
        self._complain_if_absent(words)
        return find(" ".join(words), gauge_forms(self.kb, self.panel), "gauge")

    # -------------------------------------------------------------- gauges, each with what follows it

    def _groups(self, clause: str, last: tuple[str, ...], alone: bool) -> list[_Group]:
        """Part a clause into gauges, each with the words that follow it."""
        said = phrases()
        clause, doubt = _percentage(clause)
        if doubt is None and "?" in clause:
            doubt = said.question
        words = _words(clause)
        groups: list[_Group] = []
        joined, place = False, 0
        while place < len(words):
            if certainty := phrase_at(words, place, said.certainty):
                doubt, place = said.certainty[certainty], place + len(certainty)
                continue
            speaks = bool(groups) and self._speaks(groups[-1].gauges[0], words, place)
            gauge, length = self._next_gauge(words, place, groups[-1].gauges[0] if groups else "")
            join = phrase_at(words, place, said.joins)
            if join and not speaks and not gauge:
                joined, place = True, place + len(join)
                continue
            if not groups and not gauge:
                if alone and (turned := self._named_last(words, place)):
                    groups.append(turned if doubt is None else replace(turned, sure=doubt))
                    return groups
                if not last or not self._speaks(last[0], words, place):
                    raise self._no_gauge(words[place:])
                groups.append(_Group(gauges=last))
                continue
            if not gauge:
                kept = groups[-1]
                length = self._known_length(kept.gauges[0], words, place)
                more = (*kept.words, *words[place : place + length])
                groups[-1] = replace(kept, words=more, sure=kept.sure if doubt is None else doubt)
            elif groups and not groups[-1].words and (joined or gauge in groups[-1].gauges):
                groups[-1] = replace(groups[-1], gauges=(*groups[-1].gauges, gauge))
                place += length
                joined = False
                continue
            else:
                groups.append(_Group(gauges=(gauge,), sure=1.0 if doubt is None else doubt))
            doubt, joined, place = None, False, place + length
        if not groups:
            raise CaseError(f"{clause.strip()!r} does not name a gauge", mend="airspeed falling")
        if doubt is not None:
            groups[-1] = replace(groups[-1], sure=doubt)
        return groups

    def _named_last(self, words: Words, place: int) -> _Group | None:
        """ "Low suction", "stuck altimeter": what was read stands before the gauge, and nothing after it."""
        for at in range(place + 1, len(words)):
            gauge, length = self._gauge_at(words, at)
            joined = any((word,) in phrases().joins for word in words[place:at])
            if gauge and at + length == len(words) and not joined:
                ends = [at]
                if words[at - 1] in phrases().upon and at - 1 > place:
                    ends.append(at - 1)  # "dropped right off on the airspeed"
                for end in ends:
                    try:
                        readings_in(self.kb.gauges[gauge], words[place:end])
                    except DiagnoseError:
                        continue
                    return _Group(gauges=(gauge,), words=words[place:end])
                return None
        return None

    def _speaks(self, gauge_id: str, words: Words, place: int) -> bool:
        """Whether a reading or a facet of the gauge stands at this place."""
        gauge = self.kb.gauges[gauge_id]
        return bool(facet_at(gauge, words, place)[1] or reading_at(gauge, words, place))

    def _known_length(self, gauge_id: str, words: Words, place: int) -> int:
        """How many words to take together: those of a facet's name or of a known reading, else one."""
        gauge = self.kb.gauges[gauge_id]
        known = (length_at(words, place, ways) for ways in (reading_ways(gauge), phrases().same))
        return max(*known, facet_at(gauge, words, place)[1], 1)

    def _gauge_at(self, words: Words, place: int) -> tuple[str, int]:
        """The gauge named at this place and the length of its name; the name may go on with a slip."""
        length = length_at(words, place, self.gauge_ways)
        if not length:
            return "", 0
        gauge = self.gauge_ways[words[place : place + length]]
        ways = {" ".join(way): way for way, meant in self.gauge_ways.items() if meant == gauge}
        for more in range(phrases().likeness.longest_mistyped, length, -1):
            longer = words[place : place + more]
            whole = {way: gauge for way, parts in ways.items() if len(parts) == more == len(longer)}
            if (
                whole
                and not self._speaks(gauge, words, place + length)
                and likest(" ".join(longer), whole)[0]
            ):
                return gauge, more
        return gauge, length

    def _next_gauge(self, words: Words, place: int, current: str) -> tuple[str, int]:
        """The gauge named at this place and the length of its name; ("", 0) if what stands here is no name.

        Where a word names a gauge and is a reading of the current one, the longer of the two is meant.
        """
        gauge, length = self._gauge_at(words, place)
        if not current:
            return (gauge, length) if gauge else self._mistyped_gauge(words, place)
        if gauge:
            longer = length > length_at(words, place, reading_ways(self.kb.gauges[current]))
            return (gauge, length) if longer else ("", 0)
        if self._speaks(current, words, place) or phrase_at(words, place, phrases().joins):
            return "", 0
        return self._mistyped_gauge(words, place)

    def _mistyped_gauge(self, words: Words, place: int) -> tuple[str, int]:
        """The gauge that a beginning of the words nearly spells, or spells the beginning of."""
        self._complain_if_absent(words[place:])
        gauge_of = {" ".join(way): gauge for way, gauge in self.gauge_ways.items()}
        near: list[tuple[float, int, str]] = []
        for length in range(min(phrases().likeness.longest_mistyped, len(words) - place), 0, -1):
            text = " ".join(words[place : place + length])
            begun = {gauge for way, gauge in gauge_of.items() if way.startswith(text)}
            if len(begun) == 1 and len(text) >= phrases().likeness.shortest_beginning:
                return begun.pop(), length
            meant, ratio = likest(text, gauge_of)
            near.append((ratio, length, meant))
        _, length, meant = max(near, default=(0.0, 0, ""))
        return (meant, length) if meant else ("", 0)

    # -------------------------------------------------------------- what was not understood

    def _complain_if_absent(self, words: Words) -> None:
        for gauge in self.kb.gauges.values():
            ways = {core(way) for way in forms(gauge.id, gauge.name, gauge.words)}
            if gauge.id not in self.panel.gauges and length_at(words, 0, ways):
                raise absent(self.panel, gauge.name)

    def _says_nothing(self, gauge_id: str) -> CaseError:
        gauge = self.kb.gauges[gauge_id]
        return CaseError(
            f"this does not say what the {gauge.name} did", mend=f"add one of: {reading_list(gauge)}"
        )

    def _no_gauge(self, words: Words) -> DiagnoseError:
        """Say what the words lack, or which gauges are near."""
        text = " ".join(words)
        if set(words) & phrases().later:
            return TellsMore(
                f"{text!r} tells of another moment", mend="start a second moment for what followed"
            )
        if vague := phrase_at(words, 0, phrases().vague):
            gauge_id, _ = self._next_gauge(words, len(vague), "")
            if gauge_id:  # "lost airspeed"
                return not_understood(self.kb.gauges[gauge_id], vague)
        for gauge_id in self.panel.gauges:
            if words in reading_ways(self.kb.gauges[gauge_id]):
                name = self.kb.gauges[gauge_id].words[0]
                return CaseError(f"{text!r} does not say which gauge", mend=f"{name} {text}")
        known = gauge_forms(self.kb, self.panel)
        begun = [gauge for gauge, ways in known.items() if any(way.startswith(words[0]) for way in ways)]
        if len(begun) > 1:
            near = tuple(map(readable, begun[:6]))
            return UnknownName(f"{words[0]!r} can mean several gauges", nearest=near)
        return UnknownName(f"there is no gauge {words[0]!r}", nearest=nearest(words[0], known))

    def _other_kind(self, clause: str) -> CaseError | None:
        """Say what the clause is, if it is something else than what a gauge showed."""
        text, meant = plain(clause), " ".join(core(clause))
        kinds = (
            (entry_forms(self.kb.manoeuvres), "a maneuver", "start a moment with it: moment"),
            (entry_forms(self.kb.context), "a condition of the day", "give it as such: context"),
            (entry_forms(self.kb.failures), "a failure", "say what the gauges showed; about it: failure"),
        )
        for whole in (True, False):
            for known, kind, mend in kinds:
                ways = [way for all_ways in known.values() for way in all_ways]
                # one word alone begins too many names to say what is meant by it
                begun = " " in text and any(way.startswith(f"{text} ") for way in ways)
                if ({text, meant} & set(ways)) if whole else begun:
                    said = text if text in ways or not whole else meant
                    return CaseError(f"{said!r} is {kind}, not what a gauge showed", mend=f"{mend} {said}")
        return None


def _rests() -> set[str]:
    """How "all others" is said, without "the"."""
    return {rest.removeprefix("the ") for rest in phrases().rest}


def _words(clause: str) -> Words:
    """The words of a clause without filler, where phrases such as "i think" are kept whole."""
    said, words = phrases(), tuple(plain(clause).split())
    kept: list[str] = []
    plainly: list[str] = []
    place = 0
    while place < len(words):
        if certainty := phrase_at(words, place, said.certainty):
            kept, plainly, place = [*kept, *without_filler(plainly), *certainty], [], place + len(certainty)
        elif aside := phrase_at(words, place, said.asides):
            place += len(aside)
        else:
            plainly.append(words[place])
            place += 1
    return (*kept, *without_filler(plainly))


def _percentage(clause: str) -> tuple[str, float | None]:
    """Read "70 %" in a clause and remove it. Raises CaseError for a number that is no certainty."""
    found = re.search(r"\(?(\d+(?:\.\d+)?)\s*(?:%|percent\b)\)?", clause)
    if not found:
        return clause, None
    chance = float(found[1]) / 100.0
    if not 0.5 < chance <= 1.0:
        raise CaseError(
            f"{found[0].strip()!r} does not say how sure you are",
            mend="give more than 50 and at most 100 %; for less, leave the reading out",
        )
    return clause.replace(found[0], " "), chance


def denied(sure: float) -> float:
    """How sure somebody is of a reading who is this sure that it was another."""
    return round(1.0 - sure, 9)


# ------------------------------------------------------------------ saying it back


def say_back(statements: Iterable[Statement], kb: KnowledgeBase) -> str:
    """Give statements as plain words, so that a misunderstanding is seen."""
    said: dict[str, list[str]] = {}
    for statement in statements:
        match statement:
            case Said(facet=facet, reading=reading, sure=sure):
                gauge_id, facet_id = facet.split(".")
                gauge = kb.gauges[gauge_id]
                which = "" if len(gauge.facets) == 1 else f"{readable(facet_id)} "
                said.setdefault(gauge.name, []).append(f"{which}{with_doubt(readable(reading), sure)}")
            case AsExpected(gauge=gauge_id, sure=sure):
                said.setdefault(kb.gauges[gauge_id].name, []).append(with_doubt("as expected", sure))
            case Disagreement(first=first, second=second):
                name = kb.gauges[second].name
                said.setdefault(kb.gauges[first].name, []).append(f"disagrees with the {name}")
            case Switched(switch=switch, position=position):
                said.setdefault(kb.switches[switch].name, []).append(position)
            case RestAsExpected():
                said.setdefault("the dials not spoken of", []).append("as expected")
    return "; ".join(f"{name}: {', '.join(texts)}" for name, texts in said.items())


def with_doubt(text: str, sure: float) -> str:
    """Say how sure somebody was of a reading; below one half the other way round."""
    said, sure = (text, sure) if sure >= 0.5 else (f"not {text}", 1.0 - sure)
    return f"{said} ({sure * 100:.0f} % sure)" if sure < 1.0 else said
