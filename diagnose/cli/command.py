"""What a command of the command line is given, and how it tells of faults."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from diagnose.errors import DiagnoseError

if TYPE_CHECKING:
    from diagnose.knowledge import KnowledgeBase

#: as in ``text``, which is not imported before something is to be written
NARROWEST = 56
WIDEST = 110
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
    print(text, file=sys.stderr)
    return error.exit_code


def width(text: str) -> int:
    """A width that a table fits in; argparse reports anything else."""
    if not text.isdecimal() or int(text) < NARROWEST:
        raise argparse.ArgumentTypeError(f"{text!r} is no width from {NARROWEST} columns upwards")
    return int(text)


def seconds(text: str) -> float:
    """A time limit; argparse reports anything else."""
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value <= LONGEST_S:
        raise argparse.ArgumentTypeError(f"{text!r} is no time from above 0 to {LONGEST_S:g} seconds")
    return value


def tell(text: str) -> None:
    """One plain line of progress on the error stream, so that the answer stays clean."""
    print(text, file=sys.stderr, flush=True)
