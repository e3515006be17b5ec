"""What a command of the command line is given, and how it tells of faults."""

from __future__ import annotations

import argparse
import contextlib
import difflib
import json
import re
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.model.files import check_output, write_whole
from diagnose.terminal.console import paged

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase

#: as in ``text``, which is not imported before something is to be written
NARROWEST = 56
WIDEST = 110
#: wider than any screen
WIDEST_ASKED = 1000
#: no name, path or list of words is longer
LONGEST_TEXT = 4000
#: a day: nobody waits longer for a command
LONGEST_S = 86_400.0

#: what ``add_subparsers`` gives; argparse keeps its type to itself
Subparsers = Any
#: loads the knowledge base with the user's own entries laid over it
Load = Callable[[], "KnowledgeBase"]
#: carries a command out; gives the exit code
Run = Callable[[argparse.Namespace, Load], int]


def report(error: DiagnoseError, *, as_json: bool) -> int:
    """Tell of a fault on the error stream; gives the exit code."""
    text = json.dumps({"error": error.as_dict()}, ensure_ascii=False) if as_json else f"diagnose: {error}"
    with contextlib.suppress(OSError):
        print(text, file=sys.stderr)
    return error.exit_code


def width(text: str) -> int:
    """A width that a table fits in; argparse reports anything else."""
    return whole(NARROWEST, WIDEST_ASKED, "width")(text)


def text_width(chosen: argparse.Namespace) -> int:
    """The width asked for, else that of the terminal, no wider than reads well."""
    return getattr(chosen, "width", None) or min(shutil.get_terminal_size((80, 24)).columns, WIDEST)


def whole(low: int, high: int, what: str = "number") -> Callable[[str], int]:
    """A whole number within bounds; argparse reports anything else."""

    def number(text: str) -> int:
        # more digits than the bound has are out of it, and a number of thousands of them is none
        if not (text.isdecimal() and len(text) <= len(str(high)) and low <= int(text) <= high):
            raise argparse.ArgumentTypeError(
                f"must be a {what} from {low} to {high}, not {shortened(text)!r}"
            )
        return int(text)

    return number


def shortened(text: str, most: int = 40) -> str:
    """A text that may be of any length, as an error repeats it."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


def seconds(text: str) -> float:
    """A time limit; argparse reports anything else."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value <= LONGEST_S:
        raise argparse.ArgumentTypeError(
            f"must be above 0 and at most {LONGEST_S:g} seconds, not {shortened(text)!r}"
        )
    return value


def tell(text: str) -> None:
    """One plain line of progress on the error stream, so that the answer stays clean."""
    print(text, file=sys.stderr, flush=True)


# ------------------------------------------------------------------ files that a command writes


#: choices up to which all are named after a wrong one
MOST_OFFERED = 8


class Parser(argparse.ArgumentParser):
    """A parser with the ways in which our commands ask for things."""

    def error(self, message: str) -> NoReturn:
        """Say in two short sentences what is wrong in how the command was typed, and what to try."""
        told = message.removeprefix("argument ").replace(": must be", " must be")
        known = f"{self.prog} --help"
        if missing := re.fullmatch(r"the following arguments are required: (.*)", told):
            told = f"{missing[1]} is missing"
            known = "diagnose scenario list" if missing[1].startswith("scenario") else known
        elif extra := re.fullmatch(r"unrecognized arguments: (.*)", told):
            told = f"{shortened(extra[1])!r} is not known here"
        elif choice := re.fullmatch(r"(.*): invalid choice: '(.*)' \(choose from (.*)\)", told, re.DOTALL):
            offered = re.findall(r"[^', ]+", choice[3])
            near = difflib.get_close_matches(choice[2], offered, n=3)
            told = f"there is no {choice[1].lower().strip('-')} {shortened(choice[2])!r}"
            known = ", ".join(near) if near else known if len(offered) > MOST_OFFERED else ", ".join(offered)
        self.exit(2, f"{self.prog}: {told}. Try: {known}.\n")

    def flag(self, *names: str, text: str, **how: Any) -> None:
        """Add an option without a value."""
        self.add_argument(*names, action="store_true", help=text, **how)

    def option(self, *names: str, metavar: str, text: str, **how: Any) -> None:
        """Add an option with a value."""
        self.add_argument(*names, metavar=metavar, help=text, **how)

    def asks_width(self) -> None:
        """Add ``--width``."""
        self.option("--width", type=width, metavar="N", text="columns of the text, 56 or more")

    def asks_cluster(self) -> None:
        """Add ``--cluster`` to a command whose work has many parts."""
        where = "hand the work to a running dask scheduler, whose workers have this package and see the same files"
        self.option("--cluster", default="", metavar="ADDRESS", text=where)

    def asks_form(self) -> None:
        """Add ``--json`` and ``--width``."""
        self.flag("--json", text="answer as JSON")
        self.asks_width()

    def writes(self, *names: str, text: str, group: Any = None, **how: Any) -> None:
        """Add an argument (of a ``group``) that names a file to be written, and with the first one ``--over``."""
        how = {"type": Path, "help": text, **({"metavar": "FILE"} if names[0][0] == "-" else {}), **how}
        action = (group or self).add_argument(*names, **how)
        known: tuple[str, ...] = self.get_default("outputs") or ()
        if not known:
            self.flag("--over", text="write over a file that is there already")
        self.set_defaults(outputs=(*known, action.dest))


def command(
    commands: Subparsers, shared: Parser | None, name: str, run: Run, text: str, *, listed: bool = True
) -> Parser:
    """Add a command that ``run`` carries out; one that is not ``listed`` stands in no list of commands."""
    how = {"help": text} if listed else {"description": text}
    parser: Parser = commands.add_parser(name, parents=[shared] if shared else [], **how)
    parser.set_defaults(run=run)
    return parser


def show(chosen: argparse.Namespace, data: Callable[[], Any], text: Callable[[int], str]) -> int:
    """Print the answer as JSON where that is asked for, else as text of the width asked for; gives exit code 0."""
    if chosen.json:
        print(json.dumps(data(), ensure_ascii=False, indent=1))
    else:
        paged(text(text_width(chosen)))
    return 0


def outputs(chosen: argparse.Namespace) -> list[Path]:
    """The files that are to be written."""
    named = [getattr(chosen, dest) for dest in getattr(chosen, "outputs", ())]
    return [Path(path) for path in named if path is not None and str(path) != "-"]


def inputs(chosen: argparse.Namespace) -> list[Path]:
    """The files that are read: everything named that is there and is not to be written."""
    written = getattr(chosen, "outputs", ())

    def named(value: object) -> Iterator[Path]:
        if isinstance(value, list | tuple):
            for part in value:
                yield from named(part)
        elif isinstance(value, str | Path) and value and "\0" not in str(value):
            yield Path(value)

    aside = {*written, "outputs", "command", "kind"}
    found = [path for dest, value in vars(chosen).items() if dest not in aside for path in named(value)]
    return [path for path in found if len(str(path)) < LONGEST_TEXT and path.exists()]


def check_arguments(chosen: argparse.Namespace) -> None:
    """Refuse, before any work is done, texts without end and files that must not be written. Raises CaseError."""
    for value in vars(chosen).values():
        for text in value if isinstance(value, list) else (value,):
            if isinstance(text, str | Path) and len(str(text)) > LONGEST_TEXT:
                raise CaseError(
                    f"a text of {len(str(text))} characters is too long: {shortened(str(text))!r}"
                )
            if isinstance(text, str | Path) and "\0" in str(text):
                raise CaseError(f"a text with a zero byte names nothing: {shortened(str(text))!r}")
    sources, written = inputs(chosen), outputs(chosen)
    for number, path in enumerate(written):
        check_output(path, over=chosen.over, sources=sources)
        if path.absolute() in [other.absolute() for other in written[:number]]:
            raise CaseError("two results are to be written into one file", str(path), "name another file")


def write(
    chosen: argparse.Namespace, path: Path, content: str | bytes, told: Callable[[str], None] = print
) -> None:
    """Write an output of the command whole, and say so. Raises CaseError if it cannot or must not be written."""
    write_whole(content, path, over=chosen.over, sources=inputs(chosen))
    told(str(path))
