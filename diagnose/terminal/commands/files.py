"""Commands that save and load cases."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from diagnose.language import plain, readable
from diagnose.language.case_files import case_path, case_paths, load_case, save_case
from diagnose.language.session import START, State, says_anything
from diagnose.model.errors import CaseError
from diagnose.model.files import check_output, write_whole
from diagnose.render.text import fill, reading_words, table
from diagnose.terminal.commands.desk import Command, Desk, Left, command

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.model.answer import Answer
    from diagnose.render.pages.writeup import WriteUp


def _save(desk: Desk, text: str) -> tuple[Desk, str]:
    own = desk.session.path
    # "save as tuesday", "save it", "save this as tuesday"
    text = re.sub(r"^(?:(?:it|this|case)\s+)?as\s+|^(?:it|this)$", "", text.strip(), flags=re.IGNORECASE)
    if not text and own is None:
        raise CaseError("save under which file name?", mend="save tuesday")
    path, over = new_file(text, ".toml", "save", own) if text else (own or Path(), True)
    if desk.session.now.base:
        raise CaseError("a 'what if' is open", mend="say 'keep' or 'drop' first, or put it by: branch NAME")
    case = desk.case
    if case.title == "untitled":
        case = msgspec.structs.replace(case, title=readable(path.stem))
    save_case(case, path, over=over)
    return replace(desk, session=desk.session.written(case.title, path)), f"Saved: {path}"


def new_file(text: str, suffix: str, command: str, own: Path | None = None) -> tuple[Path, bool]:
    """The file that "NAME" or "NAME over" means, and whether it may be written over; ``own`` always may.

    Raises CaseError for a file that is there already, and for what is no file name.
    """
    name = text.strip().strip("\"'")
    over = name.endswith(" over")
    name = name.removesuffix(" over").strip().strip("\"'")
    path = _path(name)
    if not path.name:
        raise CaseError(f"{name!r} is no file name", mend=f"{command} tuesday")
    path = path if path.suffix else path.with_suffix(suffix)
    if path.exists() and path != own and not over:
        raise CaseError(f"there is a file {path} already", mend=f"another name, or: {command} {name} over")
    return path, over or path == own


def _path(text: str) -> Path:
    try:
        return Path(text).expanduser()
    except RuntimeError as error:  # a "~" whose home folder is not known
        raise CaseError(f"{text!r} is no file name: {error}") from None


def _load(desk: Desk, text: str) -> tuple[Desk, str]:
    name = text.strip().strip("\"'")
    if not name:
        return desk, fill(f"Which case? A file, or one of: {', '.join(case_paths())}", desk.width)
    name = str(_path(name))
    if not Path(name).suffix and "\0" not in name and Path(f"{name}.toml").is_file():
        name = f"{name}.toml"
    case = load_case(name, desk.kb)
    path = case_path(name)
    own = None if path in case_paths().values() else path
    return replace(desk, session=desk.session.filed(case, own)), f"Loaded: {case.title}."


def _restore(desk: Desk, text: str) -> tuple[Desk, str]:
    if not desk.left:
        raise CaseError("there is no unsaved work")
    if plain(text) in ("none", "nothing"):
        if desk.asks and not desk.pending:
            told = f"{left_over(desk, len(desk.left))}\nDelete for good? 'yes' or 'no'."
            return replace(desk, pending="restore none"), told
        return replace(desk, left=()), "Deleted."
    if not text and len(desk.left) > 1:
        return desk, left_over(desk, len(desk.left))
    if not (text or "1").isdecimal() or not 1 <= int(text or "1") <= len(desk.left):
        raise CaseError(
            f"there is no {text!r} among the unsaved cases", mend="restore, restore 1, restore none"
        )
    chosen = desk.left[int(text or "1") - 1]
    rest = tuple(left for left in desk.left if left is not chosen)
    session = desk.session.go(chosen.state)
    told = fill(f"Restored: {told_left(chosen, desk.kb)}.", desk.width)
    return replace(desk, session=session, left=rest), told


#: readings that tell one unsaved case from another
MOST_TOLD = 2


def told_left(left: Left, kb: KnowledgeBase) -> str:
    """An unsaved case, in a few words: what was last seen tells it from another."""
    case = left.state.case
    count = "1 moment" if len(case.snapshot) == 1 else f"{len(case.snapshot)} moments"
    trial = ", with a 'what if' open" if left.state.base else ""
    last = f", last: {readable(case.snapshot[-1].manoeuvre)}" if case.snapshot else ""
    seen = [reading_words(kb, *pair) for moment in case.snapshot for pair in moment.readings.items()][-MOST_TOLD:]
    told = f": {', '.join(seen)}" if seen else ""
    return f"{case.title}, {count}{last}{told}{trial} ({left.when})"


#: unsaved cases that are offered at start-up
MOST_OFFERED = 3


def left_over(desk: Desk, most: int = MOST_OFFERED) -> str:
    """Say what earlier prompts have left, the ``most`` newest, and how to open it."""
    if len(desk.left) == 1:
        return fill(
            f"Unsaved from last time: {told_left(desk.left[0], desk.kb)}. 'restore' opens it, 'restore none' deletes it.",
            desk.width,
        )
    rows = [(f"  {number}", told_left(left, desk.kb)) for number, left in enumerate(desk.left[:most], 1)]
    older = f" {len(desk.left) - most} older ones: restore." if len(desk.left) > most else ""
    lead = f"Unsaved cases ('restore 1' opens the first, 'restore none' deletes all).{older}"
    return f"{fill(lead, desk.width)}\n{table(rows, desk.width)}"


def _new(desk: Desk, _: str) -> tuple[Desk, str]:
    fresh = msgspec.structs.replace(START, panel=desk.case.panel)
    told = "A new case on the same panel ('undo' brings the old one back)."
    return replace(desk, answered=None, session=desk.session.go(State(case=fresh))), told


FILES: tuple[Command, ...] = (
    command(
        _save,
        "save",
        "[FILE]",
        "save the case; without a name into the file it came from",
        "A file that is there already is not written over, except by 'save FILE over'.",
    ),
    command(
        _load,
        "load",
        "FILE|NAME",
        "load a case file, or a shipped case by its name",
        puts_away=True,
        ranked=True,
        way_out=True,
    ),
    command(_new, "new", "", "start a new case", puts_away=True),
    command(
        _restore,
        "restore",
        "[N|none]",
        "recover unsaved work after the prompt was closed or crashed",
        "Every prompt keeps its own; what a prompt that still runs has on its table is not touched.",
        puts_away=True,
        ranked=True,
        way_out=True,
    ),
)


# ------------------------------------------------------------------ commands that change where the next line comes from


def _worksheet(desk: Desk, _: str) -> tuple[Desk, str]:
    if not desk.asks:
        raise CaseError(
            "the worksheet needs a terminal", mend="run diagnose in a terminal, not through a pipe"
        )
    if desk.guide and not desk.guide.held:
        # the guide asks on the lines; "back" there goes to its last question
        desk = replace(desk, guide=None, guided=desk.guide if desk.guide.trail else None)
    return replace(desk, face="worksheet"), ""


def _lines(desk: Desk, _: str) -> tuple[Desk, str]:
    return replace(desk, face="lines"), ""


FACES: tuple[Command, ...] = (
    command(
        _worksheet,
        "worksheet",
        "",
        "the full screen: gauges by moments, with the ranking beside it",
        "F4 or 'lines' brings back the lines, with the same case.",
        ("sheet",),
    ),
    command(_lines, "lines", "", "from the worksheet back to the lines"),
)


# ------------------------------------------------------------------ commands that hand the case on: the whole report as a page, and the write-up for maintenance


def _report(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        raise CaseError("a report under which file name?", mend="report tuesday")
    path, over = new_file(text, ".html", "report")
    sources = [desk.session.path] if desk.session.path else []
    check_output(path, over=over, sources=sources, what="report")
    # numpy comes with these, and the prompt should be there before
    from diagnose.render.pages.whole import case_page

    answer, up = _written_up(desk)
    page = case_page(desk.case, answer, desk.engine, up)
    write_whole(page, path, "report", over=over, sources=sources)
    return desk, f"Written: {path} (one page with everything in it; any browser shows and prints it)"


def _writeup(desk: Desk, text: str) -> tuple[Desk, str]:
    from diagnose.render.pages.writeup import write_up_text

    # "writeup for the mechanic" names no file
    name = re.sub(r"^for\b.*|^(?:>\s*|(?:in)?to\s+)?(?:(?:a\s+)?file\s*)?", "", text.strip(), flags=re.IGNORECASE)
    up = _written_up(desk)[1]
    if name:
        path, over = new_file(name, ".txt", "writeup")
        sources = [desk.session.path] if desk.session.path else []
        write_whole(write_up_text(up) + "\n", path, "write-up", over=over, sources=sources)
        return desk, f"Written: {path}"
    return desk, desk.page(lambda width: write_up_text(up, width)).rstrip()


def _written_up(desk: Desk) -> tuple[Answer, WriteUp]:
    """The answer and the write-up. Raises CaseError while nothing has been said."""
    if not says_anything(desk.case):
        raise CaseError("nothing has been said yet", mend="say what the gauges showed (or be asked: guide)")
    from diagnose.render.pages.writeup import write_up_case

    answer = desk.answer("")
    return answer, write_up_case(desk.engine, desk.case, answer)


REPORTS: tuple[Command, ...] = (
    command(
        _report,
        "report",
        "FILE",
        "write the whole report of the case as a page, to read, print and hand on",
        "A file that is there already is not written over, except by 'report FILE over'.",
        ("export",),
        tells=True,
    ),
    command(
        _writeup,
        "writeup",
        "[FILE]",
        "the case as a discrepancy for maintenance: what was seen, in order, and what to inspect",
        "With FILE as a text; as a page with all else: report FILE.",
        ("write-up",),
        tells=True,
    ),
)
