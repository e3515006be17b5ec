"""``diagnose evidence`` and ``diagnose sensitivity``: what the tool was checked against, and what it rests on."""

from __future__ import annotations

import argparse
import json
import os

from diagnose.cli.command import Load, Subparsers, asks_width, tell, text_width, whole, write, writes


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    evidence = commands.add_parser(
        "evidence",
        parents=[shared],
        help="what this was checked against, run afresh, and what was not shown (about a minute)",
    )
    evidence.add_argument("--json", action="store_true", help="answer as JSON")
    writes(evidence, "--html", text="write it as a page that stands by itself")
    asks_width(evidence)
    evidence.set_defaults(run=_evidence)
    sensitivity = commands.add_parser(
        "sensitivity",
        parents=[shared],
        help="how far each uncertain number moves the rankings (some minutes); the evidence shows the result",
    )
    writes(sensitivity, "--to", text="write it there instead of into the knowledge base")
    sensitivity.add_argument(
        "--processes", type=whole(1, 1000), metavar="N", help="processes that work at once"
    )
    sensitivity.set_defaults(run=_sensitivity)


def _evidence(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.proof.outside import gather
    from diagnose.proof.outside.show import render, to_data

    kb = load()
    found = gather(kb, tell)
    if chosen.html is not None:
        from diagnose.proof.outside.page import page

        write(chosen, chosen.html, page(found, kb), tell if chosen.json else print)
    if chosen.json:
        print(json.dumps(to_data(found), ensure_ascii=False, indent=1))
    elif chosen.html is None:
        columns = text_width(chosen)
        print(render(found, kb, columns))
    return 1 if found.faults else 0


def _sensitivity(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.knowledge.load import knowledge_root
    from diagnose.proof import sensitivity

    load()
    overlays = tuple(path.resolve() for path in (*chosen.knowledge_first, *chosen.knowledge))
    result = sensitivity.measure(overlays, chosen.processes or os.cpu_count() or 1, tell)
    path = chosen.to or knowledge_root() / sensitivity.STORED
    sensitivity.write(result, path, over=chosen.to is None or chosen.over)
    print(path)
    return 0
