"""The command line. Nothing heavy is imported before it is known what is asked for.

Each module of this package adds its own commands, with a function that carries them out.
"""

from __future__ import annotations

import argparse
import io
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose import __version__
from diagnose.cli import (
    calibrate,
    coverage,
    drill,
    evidence,
    failures,
    knowledge,
    rank,
    review,
    scenario,
    tabletop,
    talk,
    writeup,
)
from diagnose.cli.command import report
from diagnose.errors import DiagnoseError

if TYPE_CHECKING:
    from diagnose.knowledge import KnowledgeBase

#: in the order of the help
MODULES = (
    rank,
    talk,
    failures,
    scenario,
    tabletop,
    drill,
    review,
    writeup,
    coverage,
    calibrate,
    evidence,
    knowledge,
)


def parser() -> argparse.ArgumentParser:
    """Build the parser of the command line."""
    top = argparse.ArgumentParser(
        prog="diagnose",
        description="Work out from what the gauges showed which vacuum, electrical, pitot or static "
        "failure explains it, and which instruments to trust. Without a command: the prompt. "
        "For ground training and review only.",
    )
    top.add_argument("--version", action="version", version=f"diagnose {__version__}")
    shared = argparse.ArgumentParser(add_help=False)
    shared.add_argument(
        "--knowledge",
        metavar="FILE",
        action="append",
        default=[],
        type=Path,
        help="your own entries laid over the knowledge base (your aircraft's panel and numbers); may be repeated",
    )
    # its own name: a subcommand's default would overwrite what was given before the subcommand
    top.add_argument(
        "--knowledge",
        metavar="FILE",
        action="append",
        default=[],
        type=Path,
        dest="knowledge_first",
        help="your own entries laid over the knowledge base; may be repeated",
    )
    talk.add_options(top)
    commands = top.add_subparsers(dest="command", metavar="COMMAND")
    for module in MODULES:
        module.add(commands, shared)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; gives the exit code."""
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        # a sign that the screen cannot show, or a byte that is no text, is no reason to stop
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    chosen = parser().parse_args(arguments)
    as_json = getattr(chosen, "json", False)
    try:
        return _run(chosen)
    except DiagnoseError as error:
        return report(error, as_json=as_json)
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _run(chosen: argparse.Namespace) -> int:
    def load() -> KnowledgeBase:
        from diagnose import load_knowledge

        return load_knowledge((*chosen.knowledge_first, *getattr(chosen, "knowledge", ())))

    if chosen.command is not None:
        return chosen.run(chosen, load)
    return talk.start(chosen, load())
