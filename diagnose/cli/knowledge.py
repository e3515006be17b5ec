"""Commands about the knowledge base: ``diagnose validate``, ``derive`` and ``export``."""

from __future__ import annotations

import argparse

from diagnose.cli.command import Load, Subparsers, tell, write, writes
from diagnose.terminal.console import step


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    validate = commands.add_parser(
        "validate", parents=[shared], help="check the knowledge base; all problems at once"
    )
    validate.set_defaults(run=_validate)
    derive = commands.add_parser("derive", parents=[shared], help="simulate the likelihood tables anew")
    writes(derive, "--to", text="write them there instead of into the knowledge base")
    derive.set_defaults(run=_derive)
    export = commands.add_parser(
        "export", parents=[shared], help="write a case's network with its evidence for other programs"
    )
    export.add_argument("case")
    export.add_argument("--format", choices=("bif",), default="bif", help="the format (bif)")
    writes(export, "--to", text="write it there instead of to the screen")
    export.set_defaults(run=_export)


def _validate(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.proof.validate import check

    kb = load()
    check(kb)
    print(
        f"The knowledge base is sound: {len(kb.failures)} failures, {len(kb.gauges)} gauges, "
        f"{len(kb.panels)} panels, {len(kb.manoeuvres)} maneuvers."
    )
    return 0


def _derive(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.network.likelihood import derive

    print(
        derive(
            load(), chosen.to, lambda name: step(f"tables of {name}"), over=chosen.to is None or chosen.over
        )
    )
    return 0


def _export(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.language.case_files import load_case
    from diagnose.network.pgmpy_bridge import bif_of
    from diagnose.network.tables import compile_network

    kb = load()
    case = load_case(chosen.case, kb)
    text = bif_of(compile_network(kb, case.panel), case, tell)
    if chosen.to is None:
        print(text)
        return 0
    write(chosen, chosen.to, text)
    return 0
