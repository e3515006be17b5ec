"""Whole sentences and stories to the desk: what was taken in, what was not used, what is asked; each one change to undo."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

from diagnose import engine_for
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import (
    AsExpected,
    Disagreement,
    Said,
    flown_in,
    meanwhile,
    parse_line,
    plain,
    readable,
    scene_words,
    with_doubt,
)
from diagnose.language.aircraft import speed_assumed
from diagnose.language.lexicon import story_tables
from diagnose.language.names import phrases
from diagnose.language.prose import EVIDENCE, HELD_BACK, TAKEN_BACK, Piece, SentenceRead, read_story
from diagnose.language.story import BuiltStory, build
from diagnose.language.tokens import sentences
from diagnose.model import Panel, SnapshotRecord
from diagnose.model.answer import Answer
from diagnose.model.errors import CaseError, DiagnoseError, ImpossibleEvidence, TellsMore, UnknownName
from diagnose.render.text import fill, first_screen, reading_words, to_data
from diagnose.terminal.commands.desk import Desk
from diagnose.terminal.commands.entry import hear
from diagnose.terminal.commands.guide import hear_scene, hold


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardStory:
    """A story that was taken in: the desk after it, what was read, where it went, and the answer."""

    desk: Desk
    read: tuple[SentenceRead, ...]
    built: BuiltStory
    answer: Answer

    @property
    def taken(self) -> int:
        """How many pieces say something of the gauges, the flight or the day."""
        kinds = EVIDENCE | {"switch", "condition", "no_condition", "flown", "fitted"}
        return sum(piece.kind in kinds for sentence in self.read for piece in sentence.pieces)


def hear_story(desk: Desk, text: str) -> HeardStory:
    """Read a story into the case on the desk and answer it. There is always an answer.

    What the network calls impossible together is taken as nearly sure: whoever tells a story may be wrong
    in one thing. Raises CaseError for a text that is too long.
    """
    read = read_story(text, desk.kb)

    def built_with(most: float) -> tuple[Desk, BuiltStory]:
        def network(panel: str) -> Any:
            if panel not in desk.engines:
                desk.engines[panel] = engine_for(desk.kb, panel)
            return desk.engines[panel].network

        built = build(desk.session, read, desk.kb, network, sure_at_most=most)
        # what was said in one breath is undone in one
        session = replace(built.session, past=(*desk.session.past, desk.session.now), future=())
        return replace(desk, session=session, guide=None, pending=""), built

    after, built = built_with(1.0)
    try:
        answer = after.answer()
    except ImpossibleEvidence:
        after, built = built_with(phrases().certainty[("almost", "certainly")])
        answer = after.answer()
    return HeardStory(desk=replace(after, answered=answer), read=read, built=built, answer=answer)


# ------------------------------------------------------------------ at the prompt


def is_prose(text: str) -> bool:
    """Whether a line is a story rather than one statement: several sentences, or one of many words."""
    prose = story_tables()["prose"]
    words = len(text.split())
    return words >= prose["story_words"] or (len(sentences(text)) > 1 and words >= prose["sentence_words"])


def tell_story(desk: Desk, text: str) -> tuple[Desk, str] | None:
    """Take a line in as a story; None if nothing of it says what a gauge showed or how a switch stood."""
    heard = hear_story(desk, text)
    kb = desk.kb
    switched = any(_of_a_switch(piece, kb) for sentence in heard.read for piece in sentence.pieces)
    if not heard.built.placed and not (desk.case.snapshot and switched):
        return None
    held_back(heard.read)
    moment = {id(placed.piece): placed.moment for placed in heard.built.placed}
    lost = {id(left.piece) for left in heard.built.left_out}
    many = len(heard.desk.case.snapshot) > 1
    lines = []
    for sentence in heard.read:
        lines += [fill(f"Read as: {slip.typed!r} = {slip.meant!r}.", desk.width) for slip in sentence.slips]
        for piece in sentence.pieces:
            if piece.kind in EVIDENCE | {"switch", "condition", "no_condition", "flown", "same", "ordinary"}:
                at = f" (moment {moment[id(piece)]})" if many and id(piece) in moment else ""
                if id(piece) not in lost:
                    lines.append(
                        fill(f"{says(piece, kb)}{at}, from {piece.words!r}", desk.width, "  + ", "    ")
                    )
            elif piece.kind in ("guess", "silence", "question"):
                lines.append(fill(f"{says(piece, kb)}: {piece.words!r}", desk.width, "  . ", "    "))
    said = "\n".join(["Heard:", *lines, *noted_lines(heard, desk.width)])
    after = replace(heard.desk, taken=desk.taken_with(said))
    if desk.later:
        return replace(after, answered=desk.answered), said
    screen = first_screen(heard.answer, after.case, kb, desk.width)
    return after, "\n".join([screen, "", *heard_lines(heard, desk.width, "what was taken in")])


def _of_a_switch(piece: Piece, kb: KnowledgeBase) -> bool:
    """Whether a piece says how a switch stood, or that something was tried by hand without effect."""
    stood = {entry.get("stood_on") for entry in story_tables()["switch"].values()}
    flag = piece.kind == "condition" and (piece.value in stood or bool(kb.context[piece.value].switch))
    return flag or piece.kind in ("switch", "same")


def held_back(read: tuple[SentenceRead, ...]) -> None:
    """Raise CaseError where a line takes back, or puts in another order, what was told in a line before it."""
    for sentence in read:
        for unused in sentence.unused:
            if unused.why in HELD_BACK:
                raise CaseError(
                    f"{unused.words!r} {unused.why}: nothing of this line was taken in",
                    mend="undo takes the last line back; then tell what was so, in the order of the flight",
                )


#: lines that what was heard may take behind an answer
MOST_HEARD = 2


def heard_lines(heard: HeardStory, width: int, door: str) -> list[str]:
    """What was taken in, in a line or two, and what was not; ``door`` is what to type for all of it."""
    kb, case = heard.desk.kb, heard.desk.case
    told = []
    for moment in case.snapshot:
        flown = kb.manoeuvres[moment.manoeuvre]
        readings = [reading_words(kb, facet, reading) for facet, reading in moment.readings.items()]
        told.append(f"{(flown.words or (flown.name,))[0]}: {', '.join(readings) or 'nothing odd'}")
    told += [kb.context[flag].name for flag in case.context]
    whole = fill(f"Heard: {'; '.join(told)}. (All of it: {door})", width)
    if len(whole.splitlines()) > MOST_HEARD > 0 < width:
        count = sum(len(moment.readings) for moment in case.snapshot)
        moments = f"{len(case.snapshot)} moment{'s' * (len(case.snapshot) > 1)}"
        whole = fill(f"Heard: {count} readings in {moments}. (All of it: {door})", width)
    clauses = [clause for sentence in heard.read for clause in sentence.unused]
    lost = [clause.words for clause in clauses if clause.why != TAKEN_BACK]
    back = [clause.words for clause in clauses if clause.why == TAKEN_BACK]
    if back:
        whole = "\n".join([fill(f"Taken back, so not used: {'; '.join(map(repr, back))}.", width), whole])
    lost += [left.piece.words for left in heard.built.left_out]
    unused = [fill(f"Not used: {'; '.join(map(repr, lost))}.", width, "", "  ")] if lost else []
    slips = [f"{slip.typed!r} = {slip.meant!r}" for sentence in heard.read for slip in sentence.slips]
    read_as = [fill(f"Read as: {'; '.join(slips)}.", width)] if slips else []
    return [whole, *read_as, *said_lines(heard, width), *unused]


def ask_which(text: str, kb: KnowledgeBase) -> None:
    """Raise CaseError where a line has words of two meanings: both are named, none is chosen."""
    for sentence in read_story(text, kb):
        for piece in sentence.pieces:
            if piece.kind == "asked" and not piece.gauge and not piece.value:
                raise CaseError(f"{piece.words!r} can mean two things", mend="; or: ".join(piece.asks))


def question_line(desk: Desk, text: str) -> str:
    """The command that answers a question in plain words; "" if it is none, or names nothing that is known.

    Raises CaseError for a question without its mark that names no failure: it is no fact either.
    """
    read = read_story(text, desk.kb)
    if len(read) != 1 or not read[0].question:
        return ""
    command = read[0].pieces[0].value
    verb, _, about = command.partition(" ")
    if verb == "what" and not desk.case.snapshot:  # "what if the static port freezes?": in general
        name = failure_named(desk.kb, desk.kb.panel(desk.case.panel), about.removeprefix("if "))
        return f"failure {readable(name)}" if name else command
    if verb == "what" or not about:
        return command
    name = failure_named(desk.kb, desk.kb.panel(desk.case.panel), about)
    if not name and plain(text).split()[0] in story_tables()["prose"]["inverted"] and not text.endswith("?"):
        raise CaseError(f"no failure is named {about!r}", mend="failure lists them; why NAME weighs one")  # no fact
    return f"{verb} {readable(name)}" if name else ""


def flight_corrected(desk: Desk, text: str) -> str:
    """The maneuver of "no, it was in the climb", "I meant the climb, not level"; "" if it corrects nothing."""
    words = plain(text.partition(" not ")[0]).split()
    corrects = story_tables()["correction"]
    begins = words[:1] and (words[0] in corrects["first"] or " ".join(words[:2]) in corrects["meant"])
    if not begins or not desk.case.snapshot or len(words) > 10:
        return ""
    while words and words[0] in corrects["first"]:
        words = words[1:]
    pieces = [piece for sentence in read_story(" ".join(words), desk.kb) for piece in sentence.pieces]
    flown = [piece.value for piece in pieces if piece.kind == "flown"]
    return flown[0] if len(flown) == 1 and len(pieces) == 1 else ""


def failure_named(kb: KnowledgeBase, panel: Panel, text: str) -> str:
    """The failure that people mean with "the pump dies", "a blocked static port look like"; "" if none is clear."""
    from diagnose.advice.explain.contrast import named_failure

    prose = story_tables()["prose"]
    words = [word for word in plain(text).split() if word not in prose["passed_over"]]
    while words and words[-1] in prose["looks_like"]:
        words.pop()
    words = [prose["fails"].get(word, word) for word in words]
    if words[-2:-1] == ["not"]:
        del words[-2]  # "the pump did not fail"
    ways = (" ".join(words), " ".join((*words[-1:], *words[:-1])), " ".join(words[:-1]))
    for way in ways if words else ():
        if way in prose["failures"]:
            return str(prose["failures"][way])
        try:
            name = named_failure(kb, way, panel)
        except UnknownName:
            continue
        # "is it icing": not that of a mast on a panel that has none
        return name if name not in kb.failures or set(kb.failures[name].acts) <= set(panel.parts) else ""
    return ""


# ------------------------------------------------------------------ as text


def says(piece: Piece, kb: KnowledgeBase) -> str:
    """A piece in words: what the reader made of it."""
    name = kb.gauges[piece.gauge].name if piece.gauge else ""
    size = f" ({piece.size:g} {piece.unit})" if piece.size is not None and piece.unit else ""
    match piece.kind:
        case "reading":
            gauge, facet = piece.facet.split(".")
            which = f"{readable(facet)} " if len(kb.gauges[gauge].facets) > 1 else ""
            return f"{name}: {which}{with_doubt(readable(piece.reading), piece.sure)}{size}"
        case "expected":
            return f"{name}: {with_doubt('as expected', piece.sure)}{size}"
        case "disagree":
            return f"{name}: disagrees"
        case "rest":
            but = f", except the {kb.gauges[piece.asks[0]].name}" if piece.asks else ""
            return f"the gauges not spoken of: as expected{but}"
        case "switch":
            return f"{kb.switches[piece.value].name}: {piece.position}"
        case "condition":
            return f"condition: {kb.context[piece.value].name}"
        case "no_condition":
            return f"not: {kb.context[piece.value].name}"
        case "flown":
            return f"flown: {kb.manoeuvres[piece.value].name}"
        case "fitted" | "maybe_fitted":
            return f"equipment: {readable(piece.value)}"
        case "guess":
            return "the pilot's guess, no reading"
        case "silence":
            return f"{name}: not looked at" if name else "not looked at"
        case "same":
            return "no effect: the gauges as before"
        case "ordinary":
            return "after that as expected"
        case "question":
            return f"a question; the command for it: {piece.value}" if piece.value else "a question"
        case "noted":
            return f"noted: {f'{name} ' if name else ''}{piece.value}{size}"
    return ""


def taken_lines(heard: HeardStory, width: int) -> Iterator[str]:
    """Each sentence with what was taken in, then what is asked, assumed and not used."""
    kb, built = heard.desk.kb, heard.built
    moment = {id(placed.piece): placed.moment for placed in built.placed}
    lost = {id(left.piece): left.why for left in built.left_out}
    for number, sentence in enumerate(heard.read, 1):
        yield fill(sentence.text, width, f"{number:>3}. ", "     ")
        for slip in sentence.slips:
            yield fill(f"read as: {slip.typed!r} = {slip.meant!r}", width, "       ", "         ")
        for piece in sentence.pieces:
            if piece.kind in ("time", "asked") or id(piece) in lost:
                continue
            at = f" [moment {moment[id(piece)]}]" if id(piece) in moment else ""
            yield fill(f"{says(piece, kb)}{at}  <- {piece.words!r}", width, "     + ", "         ")
    yield ""
    yield from noted_lines(heard, width)


def noted_lines(heard: HeardStory, width: int) -> Iterator[str]:
    """What is asked, assumed, put right and not used."""
    built, kb = heard.built, heard.desk.kb
    yield from said_lines(heard, width)
    for left in built.left_out:
        yield fill(f"Not used: {left.piece.words!r}: {left.why}.", width, "", "  ")
    unused = [clause for sentence in heard.read for clause in sentence.unused]
    if unused:
        yield "Not used:"
    for clause in unused:
        gauge = f" (the {kb.gauges[clause.gauge].name}?)" if clause.gauge else ""
        why = f": {clause.why}" if clause.why else ""
        yield fill(f"{clause.words!r}{gauge}{why}", width, "  - ", "    ")


def said_lines(heard: HeardStory, width: int) -> Iterator[str]:
    """What is asked, assumed and put right."""
    kb, built = heard.desk.kb, heard.built
    if built.panel:
        yield fill(f"Panel, from the story: {kb.panels[built.panel].name}.", width)
    if built.suggested:
        named = " or ".join(map(readable, built.suggested))
        yield fill(f"The story may mean another panel ({named}); to choose it: panel NAME.", width)
    if built.assumed:
        which = ", ".join(map(str, built.assumed))
        flown = readable(heard.desk.case.snapshot[built.assumed[0] - 1].manoeuvre)
        yield fill(f"Assumed, because the story doesn't say: {flown} flight in moment {which}.", width)
    if built.softened:
        yield fill("Not all of this can have been so at once: each reading counts as nearly sure.", width)
    if assumed := speed_assumed(heard.read, heard.desk.case, kb):
        yield fill(assumed, width)
    asked = [piece for sentence in heard.read for piece in sentence.pieces if piece.kind == "asked"]
    for piece in asked:
        yield fill(f"Which is meant by {piece.words!r}? {'; or: '.join(piece.asks)}", width, "", "  ")


# ------------------------------------------------------------------ as data


def story_data(heard: HeardStory) -> dict[str, Any]:
    """A story that was taken in as plain data, with the answer."""
    from diagnose.language.case_files import case_content

    kb, built = heard.desk.kb, heard.built
    moment = {id(placed.piece): placed.moment for placed in built.placed}
    lost = {id(left.piece): left.why for left in built.left_out}
    told = []
    for sentence in heard.read:
        pieces = [
            {
                **{key: value for key, value in _fields(piece).items() if value not in ("", None, (), [])},
                "says": says(piece, kb),
                **({"moment": moment[id(piece)]} if id(piece) in moment else {}),
                **({"not_used": lost[id(piece)]} if id(piece) in lost else {}),
            }
            for piece in sentence.pieces
        ]
        told.append(
            {
                "text": sentence.text,
                "taken": pieces,
                "not_used": [_unused(unused) for unused in sentence.unused],
                "corrections": [{"typed": slip.typed, "meant": slip.meant} for slip in sentence.slips],
            }
        )
    return {
        "sentences": told,
        "panel_from_story": built.panel,
        "panels_suggested": list(built.suggested),
        "maneuver_assumed": list(built.assumed),
        "case": case_content(heard.desk.case),
        "answer": to_data(heard.answer, heard.desk.case, kb),
    }


def _fields(piece: Piece) -> dict[str, Any]:
    return {name: getattr(piece, name) for name in Piece.__dataclass_fields__}


def _unused(unused: Any) -> dict[str, str]:
    """An unused clause as plain data."""
    return {"words": unused.words, "likely_gauge": unused.gauge, "why": unused.why}


def heard(desk: Desk, text: str) -> tuple[Desk, str]:
    """Take in what the gauges showed, what was flown and what the day was like. Raises DiagnoseError."""
    read = read_story(text, desk.kb)
    held_back(read)
    # an action and its effect are two moments
    acts = any(piece.kind == "same" for sentence in read for piece in sentence.pieces)
    if (acts or is_prose(text)) and (taken := tell_story(desk, text)):
        return taken
    ask_which(text, desk.kb)
    try:
        after, said = _statement(desk, text)
        assumed = speed_assumed(read, after.case, desk.kb)
        return after, f"{said}\n{fill(assumed, desk.width)}" if assumed else said
    except (TellsMore, UnknownName):
        # what one plain statement cannot hold, the reader of stories may; what could mean two things stays asked
        if taken := tell_story(desk, text):
            return taken
        raise


def _statement(desk: Desk, text: str) -> tuple[Desk, str]:
    """Take in one sentence of which every word is understood. Raises DiagnoseError."""
    moments = moments_of(desk, text)
    after, said = _one_by_one(desk, moments) if len(moments) > 1 else _moment(desk, text)
    if len(after.session.past) > len(desk.session.past) + 1:
        # what was said in one breath is undone in one
        after = replace(after, session=replace(after.session, past=(*desk.session.past, desk.session.now)))
    return after, said


def moments_of(desk: Desk, text: str) -> list[str]:
    """The moments that a sentence tells of, one after the other: separated by "then", or by what was flown."""
    said = phrases()
    onward = "|".join(map(re.escape, said.onward))
    during = "|".join(map(re.escape, said.during))
    pieces: list[str] = []
    for piece in re.split(rf"[,;.]?\s*\b(?:(?:and|but)\s+)?(?:{onward})\b\s*,?", text, flags=re.IGNORECASE):
        begun = 0
        for place in re.finditer(
            rf"(?:[,;]|\.(?=\s)|\s(?:and|but)\s)\s*(?=(?:{during})\s)", piece, re.IGNORECASE
        ):
            clause = re.split(r"[,;]|\s(?:and|but)\s", piece[place.end() :], maxsplit=1)[0]
            if flown_in(piece[begun : place.start()], desk.kb)[0] and _leads(desk, clause):
                pieces.append(piece[begun : place.start()])
                begun = place.end()
        pieces.append(piece[begun:])
    pieces = [piece.strip(" ,;.") for piece in pieces]
    if len(pieces) > 1:
        pieces[0] = re.sub(r"^(?:at\s+)?first\s*,?\s+", "", pieces[0], flags=re.IGNORECASE)
    return pieces if all(pieces) else [text]


def _leads(desk: Desk, clause: str) -> bool:
    """Whether a clause begins with what was flown, and goes on."""
    manoeuvre, left = flown_in(clause, desk.kb)
    return bool(manoeuvre) and bool(left) and clause.endswith(left)


def _one_by_one(desk: Desk, moments: list[str]) -> tuple[Desk, str]:
    """Each moment a snapshot; what is not said to be flown otherwise goes on."""
    if not desk.case.snapshot and not flown_in(moments[0], desk.kb)[0]:
        # it must be understood before anything is asked
        level = desk.on(desk.session.insert(SnapshotRecord(manoeuvre="level"), 0))
        _one_by_one(replace(level, later=True), moments)
        return hold(desk, "; then ".join(moments), ", then ".join(moments))
    shown = desk.later
    desk, text = _moment(replace(desk, later=True), moments[0])
    told = [text]
    for number, moment in enumerate(moments[1:], 2):
        if scene_words(moment, desk.kb).alone:
            raise CaseError(
                f"{moment!r} may be what was flown or what a gauge did",
                mend=f"say it apart: moment {moment}, or name the gauge",
            )
        flown, left = flown_in(moment, desk.kb)
        before = desk.session.snapshot
        fresh = SnapshotRecord(manoeuvre=flown or before.manoeuvre, switches=before.switches)
        desk = desk.on(desk.session.insert(fresh, len(desk.case.snapshot)))
        told.append(f"Moment {len(desk.case.snapshot)}: {desk.kb.manoeuvres[fresh.manoeuvre].name}.")
        desk = replace(desk, later=shown or number < len(moments))
        desk, text = _moment(desk, left if flown else moment, _spoken_of(desk, moments[number - 2]))
        told.append(text)
    return desk, "\n".join(told)


def _moment(desk: Desk, text: str, spoken_of: str = "") -> tuple[Desk, str]:
    """Take in one moment; where it names no gauge, the one spoken of before is meant."""
    if meanwhile(text, desk.kb) and (told := hear_scene(desk, text)):
        return told
    try:
        return hear(desk, text)
    except DiagnoseError:
        if told := hear_scene(desk, text):
            return told
        if not spoken_of:
            raise
        return hear(desk, f"{spoken_of} {re.sub(r'^(?:it|they)', '', text, flags=re.IGNORECASE)}")


def _spoken_of(desk: Desk, moment: str) -> str:
    """The gauge that a moment spoke of last, in a word; "" if that is not clear."""
    try:
        said = parse_line(scene_words(moment, desk.kb).rest, desk.kb, desk.kb.panel(desk.case.panel))
    except DiagnoseError:
        return ""
    match said[-1:]:
        case (Said(facet=facet),):
            return desk.kb.gauges[facet.split(".")[0]].words[0]
        case (AsExpected(gauge=gauge),):
            return desk.kb.gauges[gauge].words[0]
        case (Disagreement(second=second),):
            return desk.kb.gauges[second].words[0]
    return ""
