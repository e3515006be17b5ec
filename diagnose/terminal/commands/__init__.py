"""The commands of the prompt: one registry for what they do, their help and their completion.

A command takes the desk (what is on the table) and its argument, and gives a new desk and a text.
Everything that is not a command is read as what the gauges showed. Each module of this package
registers its own commands; their order here is the order of the help.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import replace

from diagnose.language import entry_forms, gauge_forms, plain, readable
from diagnose.language.names import core, phrase_at, phrases
from diagnose.language.prose import read_story
from diagnose.language.session import says_anything
from diagnose.model.errors import CaseError, DiagnoseError, ImpossibleEvidence, UnknownName
from diagnose.render.text import fill, first_screen
from diagnose.terminal.commands.answers import ANSWERS, REASONS, help_commands, next_step
from diagnose.terminal.commands.desk import Command, Desk, command
from diagnose.terminal.commands.entry import ENTRY, PLACES, hear
from diagnose.terminal.commands.files import FACES, FILES, REPORTS
from diagnose.terminal.commands.flying import ADVICE
from diagnose.terminal.commands.guide import GUIDE, GUIDE_HELP, answer, is_answer, put, say_held
from diagnose.terminal.commands.hearing import (
    flight_corrected,
    heard,
    held_back,
    is_prose,
    question_line,
    tell_story,
)
from diagnose.terminal.commands.trial import TRIAL, asked_for
from diagnose.terminal.console import LONGEST_LINE, LONGEST_STATEMENT, bounded

__all__ = ["COMMANDS", "HINT", "Command", "Desk", "command_of", "hear", "names_a_gauge", "next_step", "obey"]

#: commands behind which readings or conditions may stand in many words
READINGS_FOLLOW = frozenset({"moment", "what", "context"})

HINT = (
    "Tell what you saw:                in the climb the airspeed was falling",
    "Add what else the gauges showed:  altimeter steady; vsi zero",
    "Read the answer:                  rank   (or: guide, help, or just Enter)",
)


def _quit(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, done=True), ""


def _yes(desk: Desk, _: str) -> tuple[Desk, str]:
    if not desk.pending:
        raise CaseError("nothing was asked")
    command = command_of(desk.pending.split(" ")[0])
    assert command is not None
    after, said = command.run(desk, desk.pending.partition(" ")[2].strip())
    return replace(after, pending=""), said


def _no(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, pending=""), "Nothing was changed."


_LEAVING: tuple[Command, ...] = (
    *help_commands(lambda: COMMANDS),
    command(_yes, "yes", "", "do what was asked about", also=("y",), ranked=True, way_out=True),
    command(_no, "no", "", "leave what was asked about as it is", also=("n",)),
    command(_quit, "quit", "", "leave; an unsaved case is offered next time", also=("exit", "bye")),
)

COMMANDS: dict[str, Command] = {
    c.name: c
    for c in (
        *ENTRY,
        *PLACES,
        *ANSWERS,
        *ADVICE,
        *REASONS,
        *TRIAL,
        *GUIDE,
        *FACES,
        *FILES,
        *REPORTS,
        *_LEAVING,
    )
}


def command_of(word: str) -> Command | None:
    """Give the command of a word, or None."""
    word = word.lower().rstrip(",.!;:") or word
    return COMMANDS.get(word) or next((c for c in COMMANDS.values() if word in c.also), None)


def obey(desk: Desk, line: str) -> tuple[Desk, str]:
    """Carry out one line: a command, or what the gauges showed. Raises DiagnoseError."""
    text = bounded(line, LONGEST_LINE).strip()
    if not text or text.startswith("#"):
        return desk, ""
    if text.lower() == "q" and not desk.guide:
        # typed once more behind the last page of a long text
        return desk, "Nothing to stop here. 'quit' leaves."
    if desk.pending and command_of(text.split()[0]) not in (COMMANDS["yes"], COMMANDS["no"]):
        after, said = obey(replace(desk, pending=""), text)
        undone = fill(f"'{desk.pending}' was not answered and not done: the same case goes on.", desk.width)
        return after, f"{undone}\n{said}"
    if len(text) > LONGEST_STATEMENT:
        # only a story is as long as that
        if is_prose(text) and (taken := tell_story(desk, text)):
            return taken
        bounded(text)
    asked = plain(text).split()
    while asked and asked[0] in phrases().openers:
        asked = asked[1:]
    if desk.guide and text.rstrip("?").lower() in ("", "help"):
        return desk, f"{fill(GUIDE_HELP, desk.width)}\n\n{put(desk)}"
    text = phrases().commands.get(" ".join(asked), text)
    if not desk.guide and not desk.pending and (flown := flight_corrected(desk, text)):
        return obey(desk, f"maneuver {readable(flown)}")
    if " ".join(asked) in phrases().lost and says_anything(desk.case) and not desk.guide:
        text = phrases().commands["what do i fly on"]
    if text.lower().startswith("whatif "):
        text = f"what if {text[len('whatif ') :]}"
    if not desk.pending and not desk.guide:
        if command_of(text.partition(" ")[0]) is None or text.lower().startswith("no"):
            held_back(read_story(text, desk.kb))
        text = _without_opener(text)
    word, _, rest = text.partition(" ")
    command = command_of(word)
    if command is not None and rest and any(
        piece.kind == "time" and piece.minutes
        for sentence in read_story(text, desk.kb)
        for piece in sentence.pieces
    ) and word.lower() in command.also and command.name not in READINGS_FOLLOW:
        command = None  # "about ten minutes later ...": a story goes on
    if not desk.guide and not desk.pending:
        if asked[:2] == ["why", "not"] and len(asked) > 2 and says_anything(desk.case):
            return desk, _carry_out(COMMANDS["why"], desk, " ".join(asked[1:]))[1]
        if (line_for := question_line(desk, text)) not in ("", text):
            return obey(desk, line_for)
        # "Back at altitude the suction was low, and ..." is no command
        apart = command is not None and command.name in READINGS_FOLLOW
        if is_prose(text) and not apart and (taken := tell_story(desk, text)):
            return taken
    if not desk.guide and (told := asked_for(desk, text)):
        return told
    if not desk.guide and plain(text) in phrases().lost | phrases().unknown:
        raise CaseError(
            f"{text!r} doesn't mention a gauge", mend="airspeed falling; or 'guide', and you are asked"
        )
    if (
        command
        and command.name == "what"
        and plain(rest).split()[:1] != ["if"]
        and (wanted := _wanted(desk, text))
    ):
        return obey(desk, wanted)
    if told := _sentence(desk, text, command, rest):
        return told
    if command and not command.tells and _says_more(desk, command, rest):
        command = None
    if desk.guide and (command is None or is_answer(desk, word)):
        return answer(desk, text)
    flown, _, shown = (*re.split(r"\s*([,;])\s*", text, maxsplit=1), "", "")[:3]
    if command is None and shown and not desk.pending and any(
        plain(flown) in ways for ways in entry_forms(desk.kb.manoeuvres).values()
    ):
        # "climb, airspeed falling"
        return obey(desk, f"moment {flown}; {shown}")
    if command is None or names_a_gauge(desk, text):
        try:
            return heard(desk, text)
        except DiagnoseError as error:
            if (wanted := _wanted(desk, text)) and not desk.guide:
                return obey(desk, wanted)
            raise (None if command_of(word) else _near_command(desk, word, rest)) or error from None
    if command.puts_away and desk.asks and desk.session.unsaved and (rest.strip() or command.name != "load"):
        return replace(desk, pending=text), fill(
            f"This case has unsaved changes. '{text}' puts it away: 'yes' does it, 'no' leaves all as it is; "
            "or save it first: save NAME.",
            desk.width,
        )
    after, said = _carry_out(command, desk, rest)
    if after.guide and after.guide.held and after.case.snapshot:
        if command.name in ("undo", "redo"):
            # a line taken in here would be a new change, and what was undone could no longer be redone
            waiting = fill(f"Not taken in, say it again if it still holds: {after.guide.held}", desk.width)
            return replace(after, guide=None), f"{said}\n{waiting}"
        after, answered = say_held(after)
        return after, f"{said}\n{answered}"
    if desk.guide and after.guide and after.guide is desk.guide and not after.pending and not after.done:
        said = f"{said}\n\n{put(after)}"
    return after, said


def _wanted(desk: Desk, text: str) -> str:
    """The command that answers a question: of a term its help, else by one of its words.

    "" if it is no question; raises CaseError for one that has no answer here.
    """
    words = tuple(plain(text).split())
    if not words or not (text.rstrip().endswith("?") or words[0] in phrases().questions):
        return ""
    asked_about = re.sub(
        r"^(?:whats|what is|what are|what does)(?: an?| the)? | means?$", "", " ".join(words)
    )
    if any(asked_about in map(plain, (term.name, *term.words)) for term in desk.kb.terms.values()):
        return f"help {asked_about}"
    for way, wanted in phrases().asks.items():
        if any(words[at : at + len(way)] == way for at in range(len(words))):
            return wanted
    if words[0] not in phrases().questions:
        return ""
    raise CaseError(
        f"There is no answer to {text.strip()!r}",
        mend="rank (what it was), why, next (what to look at), fly (what to fly by), help",
    )


def _without_opener(text: str) -> str:
    """Leave out "ok so", "well," and "no," at the beginning of a line."""
    said = phrases()
    anyway, parted = (
        "|".join(map(re.escape, words)) for words in (said.openers - {"no", "yes"}, said.openers)
    )
    return re.sub(rf"^(?:(?:(?:{anyway})\s+|(?:{parted})\s*[,.!]+\s+)(?=\S))+", "", text, flags=re.IGNORECASE)


def _says_more(desk: Desk, command: Command, rest: str) -> bool:
    """Whether a word that is a command by itself begins a sentence: "no, the airspeed was steady"."""
    words = core(rest) if plain(rest) else ()
    return not desk.pending and command.usage == command.name and not set(words) <= phrases().polite


def _sentence(desk: Desk, text: str, command: Command | None, rest: str) -> tuple[Desk, str] | None:
    """Take in a sentence that only begins like a command, or asks why a gauge shows what it does."""
    if command is None or desk.guide:
        return None
    lead = phrase_at(tuple(plain(text).split()), 0, phrases().asking)
    if not lead and not _says_more(desk, command, rest):
        return None
    try:
        after, said = heard(desk, text.strip("? ").split(maxsplit=len(lead))[-1] if lead else text)
    except DiagnoseError:
        return None
    if not lead or after.guide or not says_anything(after.case):
        return after, said
    return after, f"{said}\n{_carry_out(COMMANDS['why'], after, '')[1]}"


def _carry_out(command: Command, desk: Desk, rest: str) -> tuple[Desk, str]:
    """Run a command, and show the ranking again where it has changed."""
    after, said = command.run(desk if command.name == "yes" else replace(desk, pending=""), rest.strip())
    if not command.ranked or after.case == desk.case or desk.later:
        return after, said
    if not says_anything(after.case):
        return replace(after, answered=None), said
    try:
        answer = after.answer()
    except ImpossibleEvidence as error:
        if not command.way_out:
            raise
        return replace(after, answered=None), f"{said}\n{fill(str(error), desk.width)}"
    return replace(
        after, answered=answer
    ), f"{said}\n{first_screen(answer, after.case, after.kb, after.width)}"


def names_a_gauge(desk: Desk, text: str) -> bool:
    """Whether the line begins with a gauge whose name begins like a command ("panel lights")."""
    ways = gauge_forms(desk.kb, desk.kb.panel(desk.case.panel)).values()
    return any(plain(text).startswith(f"{way} ") for all_ways in ways for way in all_ways)


def _near_command(desk: Desk, word: str, rest: str) -> UnknownName | None:
    """The error for a mistyped command, if the line looks like one."""
    names = [name for c in COMMANDS.values() for name in (c.name, *c.also) if len(name) > 1]
    near = difflib.get_close_matches(word.lower(), names, n=1, cutoff=phrases().likeness.command)
    if not near or word.lower() in phrases().negation or names_a_gauge(desk, f"{word} {rest}"):
        return None
    return UnknownName(f"there is no command {word!r}", mend=f"{near[0]} {rest}".strip())
