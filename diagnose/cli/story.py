"""``diagnose story``: a pilot's own account, read sentence by sentence, then the answer."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from diagnose.cli.command import Load, Subparsers, asks_width, text_width
from diagnose.model.errors import CaseError

#: characters that are read of a file at most; the reader's own limit is lower (knowledge/story.toml)
MOST_READ = 200_000


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the command to the parser."""
    story = commands.add_parser(
        "story",
        parents=[shared],
        help="read a pilot's own story: what was taken in, what was not used, then the answer",
    )
    story.add_argument("file", metavar="FILE", help="a text file, or - for what is typed or piped in")
    story.add_argument("--panel", metavar="NAME", help="the panel, where the story does not tell it")
    story.add_argument("--full", action="store_true", help="the whole answer, not its first screen")
    story.add_argument("--json", action="store_true", help="answer as JSON")
    asks_width(story)
    story.set_defaults(run=_story)


def _text(name: str) -> str:
    try:
        # a little more than a story may have, so that the reader can say that it is too long
        if name == "-":
            text = sys.stdin.read(MOST_READ)
        else:
            with Path(name).open("rb") as file:
                text = file.read(MOST_READ).decode("utf-8-sig")
    except OSError as error:
        raise CaseError(f"the story cannot be read ({error.strerror})", name, "check the path") from None
    except UnicodeDecodeError:
        raise CaseError("this is no text in UTF-8", name, "save the story as plain text") from None
    if not text.strip():
        raise CaseError("the story is empty", name, "in the climb the airspeed froze at 80")
    return text


def _story(chosen: argparse.Namespace, load: Load) -> int:
    text = _text(chosen.file)
    kb = load()
    # numpy comes with these
    from diagnose.language import entry_forms, find
    from diagnose.render.text import brief, render
    from diagnose.terminal.commands.desk import Desk
    from diagnose.terminal.commands.hearing import hear_story, story_data, taken_lines

    desk = Desk(kb=kb)
    if chosen.panel:
        desk = desk.change(panel=find(chosen.panel, entry_forms(kb.panels), "panel"))
    heard = hear_story(desk, text)
    if chosen.json:
        print(json.dumps(story_data(heard), ensure_ascii=False, indent=1))
        return 0
    columns = text_width(chosen)
    print("\n".join(taken_lines(heard, columns)))
    shown = render if chosen.full else brief
    print("\n" + shown(heard.answer, heard.desk.case, kb, columns))
    return 0
