"""The command line. Nothing heavy is imported before it is known what is asked for.

Each module of this package adds its own commands, with a function that carries them out.
"""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose import __version__
from diagnose.cli import cases, failures, practice, proof, review
from diagnose.cli.command import Parser, Subparsers, check_arguments, report
from diagnose.model.errors import DiagnoseError
from diagnose.terminal.console import Working, give_up_output, streams

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase

#: in the order of the help
LISTED = (
    cases.add_rank, cases.add_talk, cases.add_story, failures.add_failures, practice.add_scenario,
    practice.add_tabletop, practice.add, review.add, cases.add_writeup, failures.add_help,
)  # fmt: skip
#: what maintainers run stands behind one word; each works without that word as well
PROOF = (proof.add_evidence, proof.add_calibrate, proof.add_coverage, proof.add_knowledge)


class Unlisted:
    """Adds commands that work and stand in no list."""

    def __init__(self, commands: Subparsers) -> None:
        """Add to these."""
        self.commands = commands

    def add_parser(self, name: str, **how: Any) -> Parser:
        """Add a command without its line in the list."""
        how["description"] = how.pop("help")
        parser: Parser = self.commands.add_parser(name, **how)
        return parser


def parser() -> Parser:
    """Build the parser of the command line."""
    top = Parser(
        prog="diagnose",
        description="Work out from what the gauges showed which vacuum, electrical, pitot or static "
        "failure explains it, and which instruments to trust. Without a command: the prompt. "
        "For ground training and review only.",
        epilog="diagnose help: the manual, topic by topic. diagnose manual -o FILE.html: all of it.",
    )
    top.add_argument("--version", action="version", version=f"diagnose {__version__}")
    overlays: dict[str, Any] = {"metavar": "FILE", "action": "append", "default": [], "type": Path}
    overlaid = (
        "your own entries laid over the knowledge base (your aircraft's panel and numbers); may be repeated"
    )
    shared = Parser(add_help=False)
    shared.option("--knowledge", text=overlaid, **overlays)
    # its own name: a subcommand's default would overwrite what was given before the subcommand
    top.option("--knowledge", text=overlaid, dest="knowledge_first", **overlays)
    cases.add_options(top)
    commands = top.add_subparsers(dest="command", metavar="COMMAND")
    for add in LISTED:
        add(commands, shared)
    about = "for maintainers: check the knowledge base, measure the answers"
    proofs = commands.add_parser("proof", help=about).add_subparsers(
        dest="command", metavar="COMMAND", required=True
    )
    for add in PROOF:
        add(proofs, shared)
        add(Unlisted(commands), shared)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; gives the exit code."""
    given = sys.argv[1:] if arguments is None else list(arguments)
    # an answer is made of some ten thousand small records that stay: not worth looking through time and again
    gc.set_threshold(100_000, 20, 20)
    # threads of linear algebra that wait for each other cost three times what such small tables take
    for library in ("OMP", "OPENBLAS", "MKL"):
        os.environ.setdefault(f"{library}_NUM_THREADS", "1")
    with streams() as working:
        try:
            return _run(given, working)
        except DiagnoseError as error:
            return report(error, as_json="--json" in given)
        except KeyboardInterrupt:
            print("stopped", file=sys.stderr)
            return 130
        except BrokenPipeError:
            give_up_output()
            return 0
        except OSError as error:
            # the machine's fault, not the program's: no room, no rights, a folder that went away
            what, done = ("the answer", "written") if error.filename is None else ("a file", "used")
            if error.filename is None:
                give_up_output()
            told = f"{what} cannot be {done} ({error.strerror or error})"
            return report(DiagnoseError(told, str(error.filename or "")), as_json="--json" in given)


def _run(arguments: list[str], working: Working) -> int:
    def load() -> KnowledgeBase:
        from diagnose import load_knowledge

        return load_knowledge((*chosen.knowledge_first, *getattr(chosen, "knowledge", ())))

    try:
        chosen = parser().parse_args(arguments)
        check_arguments(chosen)
        working.begin(chosen.command or "diagnose")
        if chosen.command is not None:
            return int(chosen.run(chosen, load))
        return cases.start(chosen, load())
    finally:
        # what cannot be written is told now, not by the interpreter at its end
        sys.stdout.flush()
