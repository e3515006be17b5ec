"""Commands about the knowledge base: ``diagnose validate``, ``derive`` and ``export``."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from diagnose.cli.command import Load, Subparsers
from diagnose.errors import DiagnoseError


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    validate = commands.add_parser(
        "validate", parents=[shared], help="check the knowledge base; all problems at once"
    )
    validate.set_defaults(run=_validate)
    derive = commands.add_parser("derive", parents=[shared], help="simulate the likelihood tables anew")
    derive.add_argument(
        "--to", type=Path, metavar="FILE", help="write them there instead of into the knowledge base"
    )
    derive.set_defaults(run=_derive)
    export = commands.add_parser(
        "export", parents=[shared], help="write a case's network with its evidence for other programs"
    )
    export.add_argument("case")
    export.add_argument("--format", choices=("bif",), default="bif", help="the format (bif)")
    export.add_argument("--to", type=Path, metavar="FILE", help="write it there instead of to the screen")
    export.set_defaults(run=_export)


def _validate(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.validate import check

    kb = load()
    check(kb)
    print(
        f"The knowledge base is sound: {len(kb.failures)} failures, {len(kb.gauges)} gauges, "
        f"{len(kb.panels)} panels, {len(kb.manoeuvres)} manoeuvres."
    )
    return 0


def _derive(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.likelihood import derive

    def told(name: str) -> None:
        print(f"  {name}", file=sys.stderr, flush=True)

    print(derive(load(), chosen.to, told))
    return 0


def _export(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.network import compile_network
    from diagnose.pgmpy_bridge import bif_of
    from diagnose.session import load_case

    kb = load()
    case = load_case(chosen.case, kb)
    text = bif_of(compile_network(kb, case.panel), case)
    if chosen.to is None:
        print(text)
        return 0
    try:
        chosen.to.write_text(text, encoding="utf-8")
    except OSError as error:
        raise DiagnoseError(f"the network cannot be written ({error.strerror})", str(chosen.to)) from None
    print(chosen.to)
    return 0
