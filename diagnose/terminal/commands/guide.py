"""Guided entry: one question at a time, what is worth asking; it builds the same session.

What was flown and seen, then the silent gauges, the most telling first; every command of the prompt still works.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import msgspec

from diagnose.language import (
    entry_forms,
    find,
    flown_in,
    named_anywhere,
    parse_line,
    plain,
    readable,
    say_back,
    scene_words,
)
from diagnose.language.names import phrases
from diagnose.language.prose import EVIDENCE, read_story
from diagnose.language.session import State, fewer_readings, says_anything
from diagnose.model import Facet, Gauge, Manoeuvre, SnapshotRecord
from diagnose.model.errors import CaseError, DiagnoseError, TellsMore, UnknownName
from diagnose.render.text import PLAIN, fill, first_screen, table
from diagnose.terminal.commands.desk import UNWRAPPED, Command, Desk, Guide, command, never_taken_in
from diagnose.terminal.commands.entry import conditions, hear, left_out

#: a space at which no line is broken
_TOGETHER = "\N{NO-BREAK SPACE}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A question as it is put: its text, and the answers that can be given by number (id -> in words).

    ``kinds`` (id -> kind) where there are so many that those of a kind are listed together.
    """

    text: str
    options: Mapping[str, str]
    kinds: Mapping[str, str] = field(default_factory=dict)


def _guide(desk: Desk, _: str) -> tuple[Desk, str]:
    if desk.face == "worksheet":
        raise CaseError("the guide asks on the lines", mend="go back to them first (F4), then: guide")
    step: Literal["panel", "flown", "seen"] = "panel"
    if desk.case.snapshot:
        step = "seen"
        desk = replace(desk, session=desk.session.look_at(len(desk.case.snapshot)))
    desk = replace(desk, guide=Guide(step=step), guided=None)
    lead = "One question at a time. Say 'don't know' whenever you do not, 'back' to change the last answer, "
    lead += "'stop' to go on by yourself."
    if says_anything(desk.case):
        desk, text = _on_to_gauges(desk)
        return desk, f"{fill(lead, desk.width)}\n{text}"
    return desk, f"{fill(lead, desk.width)}\n{put(desk)}"


def _back(desk: Desk, _: str) -> tuple[Desk, str]:
    if desk.guided is None or desk.face == "worksheet":
        raise CaseError("the guide has not asked anything", mend="undo takes the last change back")
    return _question_before(replace(desk, guided=None), desk.guided.trail)


GUIDE: tuple[Command, ...] = (
    command(
        _guide,
        "guide",
        "",
        "be asked, one question at a time, what is worth asking",
        "It goes on from what has been said already; 'don't know' and 'back' are always possible.",
    ),
    command(_back, "back", "", "to the question before: in the guide, or to its last one after it has ended"),
)


# ------------------------------------------------------------------ the questions


def asked(desk: Desk) -> Asked:
    """The question that is open."""
    kb, guide = desk.kb, desk.guide
    assert guide is not None
    if guide.step == "panel":
        usual_first = sorted(kb.panels.values(), key=lambda panel: bool(panel.based_on))
        panels = {panel.id: f"{readable(panel.id)}: {readable(panel.name)}" for panel in usual_first}
        return Asked(text="Which of these is most like your panel?", options=panels)
    if guide.step == "flown":
        text = "What were you doing when something caught your eye?"
        text = "And what were you flying then? A number, or in words." if guide.held else text
        flown = {
            entry: known.words[0] if known.words else known.name for entry, known in kb.manoeuvres.items()
        }
        kinds = {entry: _kind(known) for entry, known in kb.manoeuvres.items()}
        return Asked(text=text, options=flown, kinds=kinds)
    if guide.step == "seen":
        text = "What caught your eye? In your own words, for example: my attitude indicator was leaning"
        return Asked(text=text, options={})
    if guide.step == "conditions":
        flags = {entry: flag.name for entry, flag in kb.context.items()}
        text = "Was any of this so on that flight? Several numbers are possible, or 'none'."
        return Asked(text=text, options=flags)
    gauge, facet = _facet(desk)
    note = f" ({facet.note})" if facet.note and facet.id == "value" else ""
    return Asked(
        text=f"The {gauge.name}: {facet.name}?{note}",
        options={reading.id: f"{readable(reading.id)}: {reading.means}" for reading in facet.readings},
    )


#: answers up to which each has a line of its own
MOST_LISTED = 16
GUIDE_HELP = "Answer with a number, or in your own words. 'don't know' skips, 'back' goes back, 'stop' ends the questions."


def put(desk: Desk) -> str:
    """The open question as text, with its answers by number."""
    question = asked(desk)
    if desk.face == "worksheet" and desk.guide and desk.guide.held:
        return _flown_again(desk)
    lines = [fill(question.text, desk.width)]
    if question.kinds and desk.width != PLAIN:
        listed: dict[str, list[str]] = {}
        for number, (entry, text) in enumerate(question.options.items(), 1):
            # a line must not end between a number and what it stands for
            listed.setdefault(question.kinds[entry], []).append(f"{number} {text}".replace(" ", _TOGETHER))
        rows = ((f"  {kind}", ", ".join(answers)) for kind, answers in listed.items())
        return "\n".join([*lines, table(rows, desk.width).replace(_TOGETHER, " ")])
    if len(question.options) > MOST_LISTED and desk.width != PLAIN:
        # so many that one a line would not fit a screen
        joined = "; ".join(
            f"{number} {text}".replace(" ", _TOGETHER, 1)
            for number, text in enumerate(question.options.values(), 1)
        )
        return "\n".join([*lines, fill(joined, desk.width, "  ").replace(_TOGETHER, " ")])
    for number, text in enumerate(question.options.values(), 1):
        lead = f"{number}. " if desk.width == PLAIN else f"  {number:>2}  "
        lines.append(f"{lead}{text}" if desk.width == PLAIN else fill(text, desk.width, lead, " " * 6))
    return "\n".join(lines)


def _flown_again(desk: Desk) -> str:
    """What was flown, asked without the list: there is no room for it, or it has been shown."""
    text = f"{asked(desk).text.partition('?')[0]}? For example: climb, or straight and level; or: don't know."
    # the worksheet breaks its lines itself
    return text if desk.face == "worksheet" else fill(text, desk.width)


def _kind(manoeuvre: Manoeuvre) -> str:
    """Where a maneuver stands in the list of all."""
    if manoeuvre.phase == "air":
        return {"left": "turning left", "right": "turning right"}.get(manoeuvre.expected["turn"], "straight")
    return "on the ground"


def _facet(desk: Desk) -> tuple[Gauge, Facet]:
    assert desk.guide is not None
    gauge_id, which = desk.guide.facet.split(".")
    gauge = desk.kb.gauges[gauge_id]
    return gauge, next(facet for facet in gauge.facets if facet.id == which)


# ------------------------------------------------------------------ the answers


def is_answer(desk: Desk, word: str) -> bool:
    """Whether a line that begins with this word answers the guide, although it may name a command."""
    own = ("yes", "no", "y", "n", "back", "stop")
    return desk.guide is not None and not desk.pending and (plain(word) in own or word == "?")


def answer(desk: Desk, text: str) -> tuple[Desk, str]:
    """Take an answer and put the next question. Raises DiagnoseError; then the question stays open."""
    guide = desk.guide
    assert guide is not None
    said = plain(text)
    if said == "stop" and guide.held:
        return replace(desk, guide=None), fill(never_taken_in(guide), desk.width)
    if said == "stop":
        return _end(desk, "The guide ends here.")
    if said == "back":
        if not guide.trail:
            raise CaseError("this is the first question", mend="answer it, or say: stop")
        return _question_before(desk, guide.trail)
    unknown = said in phrases().unknown or text.strip() == "?"
    if guide.held:
        if more := _held_too(desk, text, unknown):
            return more
        try:
            taken = _take(desk, text.strip(), unknown)
        except UnknownName as error:
            error.nearest, error.mend = (), "give one of the numbers, or: don't know"
            raise
        flown = desk.kb.manoeuvres[_in_hand(taken)].name
        taken, heard = say_held(taken)
        return taken, f"{fill(f'Taken as: {flown}.', desk.width)}\n{heard}" if unknown else heard
    trail = (*guide.trail, (desk.session.now, replace(guide, trail=())))
    try:
        desk = _take(desk, text.strip(), unknown)
    except DiagnoseError as error:
        if not said.isdecimal() and (story := _as_story(desk, text, trail)):
            return story
        if "don't know" not in error.mend:
            error.mend = f"{error.mend or 'give one of the numbers'}; or: don't know"
        raise
    assert desk.guide is not None
    desk = replace(desk, guide=replace(desk.guide, trail=trail))
    if desk.guide is not None and desk.guide.step != "facet":
        return desk, put(desk)
    return _on_to_gauges(desk)


def _held_too(desk: Desk, text: str, unknown: bool) -> tuple[Desk, str] | None:
    """Hold another sentence about gauges with the first, and ask again what was flown."""
    assert desk.guide is not None
    if unknown or plain(text).isdecimal():
        return None
    pieces = [piece for sentence in read_story(text, desk.kb) for piece in sentence.pieces]
    says = {piece.kind for piece in pieces}
    # "then in the climb ...": the story goes on, and what was flown at first stays untold
    onward = [piece.value for piece in pieces[:1]] == ["later"]
    if says & EVIDENCE and (onward or "flown" in says):
        flown = "level" if onward else next(piece.value for piece in pieces if piece.kind == "flown")
        return _held_with_more(desk, text, flown)
    if scene_words(text, desk.kb).manoeuvre and not says & EVIDENCE:
        return None
    try:
        said = parse_line(text, desk.kb, desk.kb.panel(desk.case.panel))
    except DiagnoseError:
        # "the turn coordinator was stuck in a right turn" tells no maneuver
        return hold(desk, f"{desk.guide.held}; {text}", text.strip()) if says & EVIDENCE else None
    return hold(desk, f"{desk.guide.held}; {text}", say_back(said, desk.kb)) if said else None


def _held_with_more(desk: Desk, text: str, flown: str) -> tuple[Desk, str]:
    """A sentence that says what was flown and more: what was held belongs there, and the rest is taken in too."""
    from diagnose.terminal.commands.hearing import heard

    assert desk.guide is not None
    session = desk.session.insert(SnapshotRecord(manoeuvre=flown), len(desk.case.snapshot))
    begun = replace(desk.on(session), guide=None, later=True)
    after, said = heard(begun, desk.guide.held)
    after, more = heard(replace(after, later=desk.later), text)
    # what was said in one breath is undone in one
    whole = replace(after.session, past=(*desk.session.past, desk.session.now))
    return replace(after, session=whole), f"What was held is taken as: {flown}.\n{said}\n{more}"


def _as_story(desk: Desk, text: str, trail: tuple[tuple[State, Guide], ...]) -> tuple[Desk, str] | None:
    """An answer that tells what gauges showed, at whichever step: taken in as a story, and the guide goes on."""
    from diagnose.terminal.commands.hearing import tell_story

    guide = desk.guide
    assert guide is not None
    if guide.step == "facet" and not any(
        piece.gauge for sentence in read_story(text, desk.kb) for piece in sentence.pieces
    ):
        text = f"{_facet(desk)[0].words[0]} {text}"  # "it read 3 inches"
    if guide.step == "panel" or (taken := tell_story(replace(desk, later=True), text)) is None:
        return None
    after, said = taken
    onward: Literal["facet", "conditions"] = (
        "facet" if guide.step in ("conditions", "facet") else "conditions"
    )
    skipped = guide.skipped | {guide.facet} if guide.step == "facet" else guide.skipped
    after.answer()  # refuses what cannot be, before it is taken
    guide = replace(guide, step=onward, skipped=skipped, trail=trail)
    after = replace(after, later=desk.later, guide=guide)
    after, asking = _on_to_gauges(after) if onward == "facet" else (after, put(after))
    return after, f"{said}\n{asking}"


def hold(desk: Desk, told: str, noted: str) -> tuple[Desk, str]:
    """Hold what was told until it is said what was flown, and ask for that."""
    shown = desk.guide is not None
    desk = replace(desk, guide=Guide(step="flown", held=told), guided=None)
    lead = fill(f"Noted: {noted}.", UNWRAPPED if desk.face == "worksheet" else desk.width)
    return desk, f"{lead}\n{_flown_again(desk) if shown else put(desk)}"


def hear_scene(desk: Desk, text: str) -> tuple[Desk, str] | None:
    """Take a sentence that says what was flown or what the day was like; None if it does not.

    Before the first snapshot a sentence about gauges alone is held until the pilot has said what was flown.
    Raises TellsMore for a sentence that tells of two moments, or of which only a part is understood.
    """
    kb, panel = desk.kb, desk.kb.panel(desk.case.panel)
    scene = scene_words(text, kb)
    if scene.manoeuvre and (other := flown_in(scene.rest, kb)[0]) and other != scene.manoeuvre:
        raise TellsMore(
            f"{text.strip()!r} tells of two moments",
            mend="say one after the other: in the climb airspeed rising, then in the descent airspeed falling",
        )
    try:
        speaks = bool(scene.rest and parse_line(scene.rest, kb, panel))
    except DiagnoseError as error:
        if scene.context:
            told = ", ".join(readable(flag) for flag in scene.context)
            raise TellsMore(
                f"only a part of this is understood ({told}), not: {scene.rest!r}; {error.what}",
                mend="; ".join(
                    filter(None, (error.mend, f"say them apart; the conditions alone: context {told}"))
                ),
            ) from None
        if scene.manoeuvre:
            raise
        return None
    if scene.alone and desk.case.snapshot:
        return None  # "climb" may be a reading
    said: list[str] = []
    if scene.unsure:
        said.append(left_out(desk, scene.unsure))
    if scene.context or scene.denied:
        before = tuple(flag for flag in desk.case.context if flag not in scene.denied)
        desk = desk.change(context=tuple(dict.fromkeys((*before, *scene.context))))
        denied = "".join(f"; not: {kb.context[flag].name}" for flag in scene.denied)
        said.append(fill(f"Conditions: {conditions(desk)}{denied}.", desk.width))
    if scene.manoeuvre and not (speaks and _in_hand(desk) == scene.manoeuvre):
        fresh = SnapshotRecord(
            manoeuvre=scene.manoeuvre, switches=desk.case.snapshot[-1].switches if desk.case.snapshot else {}
        )
        desk = desk.on(desk.session.insert(fresh, len(desk.case.snapshot)))
        said.append(f"Moment {len(desk.case.snapshot)}: {kb.manoeuvres[scene.manoeuvre].name}.")
    if speaks and not desk.case.snapshot:
        desk, asking = hold(desk, scene.rest, say_back(parse_line(scene.rest, kb, panel), kb))
        said.append(asking)
    elif speaks:
        desk, heard = hear(desk, scene.rest)
        said.append(heard)
    elif (scene.context or scene.denied) and says_anything(desk.case) and not desk.later:
        given = desk.answer()
        desk = replace(desk, answered=given)
        said.append(first_screen(given, desk.case, kb, desk.width))
    return (desk, "\n".join(said)) if said else None


def _in_hand(desk: Desk) -> str:
    return desk.session.snapshot.manoeuvre if desk.case.snapshot else ""


def say_held(desk: Desk) -> tuple[Desk, str]:
    """Take in the sentence that waited for a snapshot."""
    assert desk.guide is not None
    from diagnose.terminal.commands.hearing import heard

    return heard(replace(desk, guide=None), desk.guide.held)


def _question_before(desk: Desk, trail: tuple[tuple[State, Guide], ...]) -> tuple[Desk, str]:
    """Put the last question of the trail again, with the case as it was then."""
    *earlier, (state, asked_then) = trail
    guide = replace(asked_then, trail=tuple(earlier))
    desk = replace(desk, session=desk.session.go(state), guide=guide, answered=None)
    return desk, put(desk)


def _take(desk: Desk, text: str, unknown: bool) -> Desk:
    """Take the answer to the open question, and go on to the next step."""
    guide, kb = desk.guide, desk.kb
    assert guide is not None
    if guide.step == "panel":
        if not unknown:
            desk = desk.change(panel=_chosen(desk, text, entry_forms(kb.panels), "panel"))
        return replace(desk, guide=replace(guide, step="flown"))
    if guide.step == "flown":
        flown = "level" if unknown else _flown(desk, text)
        session = desk.session.insert(SnapshotRecord(manoeuvre=flown), len(desk.case.snapshot))
        return replace(desk.on(session), guide=replace(guide, step="seen"))
    if guide.step == "seen":
        desk = desk if unknown or plain(text) in ("nothing", "none", "no", "n") else _hear(desk, text)
        return replace(desk, guide=replace(guide, step="conditions"))
    if guide.step == "conditions":
        if not unknown and plain(text) not in ("none", "no", "n", "nothing"):
            known = entry_forms(kb.context)
            scene = scene_words(text, kb)
            if scene.unsure:
                doubted = ", ".join(kb.context[flag].name for flag in scene.unsure)
                raise CaseError(
                    f"a condition counts or it does not, there is no perhaps: {doubted}",
                    mend="name only what was so, or: none",
                )
            pieces = [piece for piece in re.split(r"[;,]|\s(?=\d)|\band\b", text) if plain(piece)]
            try:
                chosen = [_chosen(desk, piece, known, "condition") for piece in pieces]
            except UnknownName:
                if not scene.context or scene.rest:
                    raise
                chosen = list(scene.context)
            desk = desk.change(context=tuple(dict.fromkeys((*desk.case.context, *chosen))))
        return replace(desk, guide=replace(guide, step="facet"))
    skipped = guide.skipped | {guide.facet}
    if not unknown:
        desk = _reading(desk, text)
    return replace(desk, guide=replace(guide, skipped=skipped))


def _flown(desk: Desk, text: str) -> str:
    """The maneuver that is meant: by number, by its words, or in a sentence such as "we were climbing out"."""
    try:
        return _chosen(desk, text, entry_forms(desk.kb.manoeuvres), "maneuver")
    except UnknownName:
        says = {piece.kind for sentence in read_story(text, desk.kb) for piece in sentence.pieces}
        if says & EVIDENCE:
            raise  # "the turn coordinator was stuck in a right turn" tells no maneuver: read as a story
        if flown := scene_words(text, desk.kb).manoeuvre or named_anywhere(text, desk.kb):
            return flown
        raise


def _chosen(desk: Desk, text: str, known: Mapping[str, tuple[str, ...]], kind: str) -> str:
    """The option that is meant, by number or by its words."""
    options = list(asked(desk).options)
    if plain(text).isdecimal():
        number = int(text) if text.startswith("-") else int(plain(text))
        if 1 <= number <= len(options):
            return options[number - 1]
        raise CaseError(f"there is no answer {number}", mend=f"give a number from 1 to {len(options)}")
    return find(text, known, kind)


def _hear(desk: Desk, text: str) -> Desk:
    panel = desk.kb.panel(desk.case.panel)
    try:
        statements = parse_line(text, desk.kb, panel)
    except DiagnoseError:
        scene = scene_words(text, desk.kb)
        if not scene.rest or scene.rest == text or scene.manoeuvre not in ("", _in_hand(desk)):
            raise
        statements = parse_line(scene.rest, desk.kb, panel)
        desk = desk.change(context=tuple(dict.fromkeys((*desk.case.context, *scene.context))))
    if not statements:
        raise CaseError(f"{text!r} doesn't mention a gauge", mend="airspeed falling; or: don't know")
    after = replace(desk, session=desk.session.say(statements, desk.engine.network))
    after.answer()  # refuses what cannot be, before it is taken
    return after


def _reading(desk: Desk, text: str) -> Desk:
    """A reading of the facet that is asked for: by number, by its words, or as a whole sentence."""
    gauge, facet = _facet(desk)
    if plain(text).isdecimal():
        reading = _chosen(desk, text, {}, "reading")
        snapshot = fewer_readings(desk.session.snapshot, lambda f: f == f"{gauge.id}.{facet.id}")
        readings = {**snapshot.readings, f"{gauge.id}.{facet.id}": reading}
        after = replace(
            desk, session=desk.session.with_snapshot(msgspec.structs.replace(snapshot, readings=readings))
        )
        after.answer()
        return after
    try:
        return _hear(desk, f"{gauge.words[0]} {text}")
    except DiagnoseError:
        try:
            return _hear(desk, text)
        except DiagnoseError:
            pass
        raise


def _on_to_gauges(desk: Desk) -> tuple[Desk, str]:
    """Say how things stand and ask for the most telling gauge, or end where nothing is worth asking."""
    from diagnose.terminal.commands.asking import questions

    guide = desk.guide
    assert guide is not None
    told = ""
    if says_anything(desk.case):
        given = desk.answer()
        desk = replace(desk, answered=given)
        told = f"{fill(given.verdict, desk.width)}\n"
    ask = phrases().guide
    asked_first = questions(desk.engine, desk.case, guide.skipped)
    best = next((q for q in asked_first if q.suspect_bits >= ask["least_bits"]), None)
    if best is None or guide.count >= ask["most_questions"]:
        return _end(desk, "Nothing else is worth asking.")
    desk = replace(desk, guide=replace(guide, step="facet", facet=best.facet, count=guide.count + 1))
    return desk, f"{told}\n{put(desk)}".lstrip("\n")


def _end(desk: Desk, why: str) -> tuple[Desk, str]:
    guided = desk.guide if desk.guide and desk.guide.trail else None
    desk = replace(desk, guide=None, guided=guided)
    back = ", 'back' changes the last answer" if guided else ""
    lead = f"{why} The case is an ordinary one: add to it, 'show' it, 'save NAME'{back}."
    lead = fill(lead, desk.width)
    if not says_anything(desk.case):
        return desk, lead
    given = desk.answer()
    shown = first_screen(given, desk.case, desk.kb, desk.width)
    if not given.decided:
        shown += "\n" + fill("What is left can't be told apart with what you remember.", desk.width)
    return replace(desk, answered=given), f"{lead}\n\n{shown}"
