"""What a command of the command line is given, and how it tells of faults."""

from __future__ import annotations

import argparse
import contextlib
import json
import shutil
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.model.files import check_output, write_whole

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


def asks_width(parser: argparse.ArgumentParser) -> None:
    """Add ``--width`` to a command."""
    parser.add_argument("--width", type=width, metavar="N", help="columns of the text, 56 or more")


def asks_cluster(parser: argparse.ArgumentParser) -> None:
    """Add ``--cluster`` to a command whose work has many parts."""
    parser.add_argument(
        "--cluster", default="", metavar="ADDRESS",
        help="hand the work to a running dask scheduler, whose workers have this package and see the same files",
    )  # fmt: skip


def text_width(chosen: argparse.Namespace) -> int:
    """The width asked for, else that of the terminal, no wider than reads well."""
    return getattr(chosen, "width", None) or min(shutil.get_terminal_size((80, 24)).columns, WIDEST)


def whole(low: int, high: int, what: str = "number") -> Callable[[str], int]:
    """A whole number within bounds; argparse reports anything else."""

    def number(text: str) -> int:
        # more digits than the bound has are out of it, and a number of thousands of them is none
        if not (text.isdecimal() and len(text) <= len(str(high)) and low <= int(text) <= high):
            raise argparse.ArgumentTypeError(f"{shortened(text)!r} is no {what} from {low} to {high}")
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
        raise argparse.ArgumentTypeError(f"{text!r} must be above 0 and at most {LONGEST_S:g} seconds")
    return value


def tell(text: str) -> None:
    """One plain line of progress on the error stream, so that the answer stays clean."""
    print(text, file=sys.stderr, flush=True)


# ------------------------------------------------------------------ files that a command writes


def writes(parser: argparse.ArgumentParser | Any, *names: str, text: str, **how: Any) -> None:
    """Add an argument that names a file to be written, and with the first one ``--over``.

    ``parser`` may be a group of one; then ``within`` is the parser.
    """
    owner = how.pop("within", parser)
    option = names[0].startswith("-")
    how = {"type": Path, "help": text, **({"metavar": "FILE"} if option else {}), **how}
    action = parser.add_argument(*names, **how)
    known: tuple[str, ...] = owner.get_default("outputs") or ()
    if not known:
        owner.add_argument("--over", action="store_true", help="write over a file that is there already")
    owner.set_defaults(outputs=(*known, action.dest))


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


def write(chosen: argparse.Namespace, path: Path, content: str | bytes, told: Callable[[str], None] = print) -> None:  # fmt: skip
    """Write an output of the command whole, and say so. Raises CaseError if it cannot or must not be written."""
    write_whole(content, path, over=chosen.over, sources=inputs(chosen))
    told(str(path))
