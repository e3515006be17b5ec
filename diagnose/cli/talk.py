"""The prompt in its three forms: lines, ``diagnose worksheet`` and ``diagnose guide``."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Subparsers

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase

#: option -> what it does; they may stand before or after the name of the command
OPTIONS = {
    "--batch": "stop at the first line that is not understood, with its exit code",
    "--plain": "one statement a line, nothing aligned or drawn: for screen readers and scripts",
    "--no-color": "no colors (also when the environment variable NO_COLOR is set)",
}


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    worksheet = commands.add_parser(
        "worksheet",
        parents=[shared],
        help="a full-screen sheet of gauges and moments with the ranking beside it",
    )
    worksheet.add_argument("case", nargs="?", help="a shipped case (see: diagnose cases) or a file")
    worksheet.set_defaults(run=_worksheet)
    guide = commands.add_parser(
        "guide", parents=[shared], help="be asked, one question at a time, what is worth asking"
    )
    guide.set_defaults(run=_guide)
    for parser in (worksheet, guide):
        add_options(parser)


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the prompt; one given before a subcommand is not undone by its default."""
    for option, text in OPTIONS.items():
        parser.add_argument(option, action="store_true", default=argparse.SUPPRESS, help=text)


def start(chosen: argparse.Namespace, kb: KnowledgeBase, first: tuple[str, ...] = ()) -> int:
    """Run the prompt with these lines first."""
    from diagnose.terminal.commands import Desk
    from diagnose.terminal.prompt import Options, run

    options = Options(
        batch=getattr(chosen, "batch", False),
        plain=getattr(chosen, "plain", False),
        colour=not (getattr(chosen, "no_color", False) or os.environ.get("NO_COLOR")),
    )
    return run(Desk(kb=kb), sys.stdin, sys.stdout, options, first=first)


def _worksheet(chosen: argparse.Namespace, load: Load) -> int:
    load_first = (f"load {chosen.case}",) if chosen.case else ()
    return start(chosen, load(), (*load_first, "worksheet"))


def _guide(chosen: argparse.Namespace, load: Load) -> int:
    return start(chosen, load(), ("guide",))
