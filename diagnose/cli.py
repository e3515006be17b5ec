"""The command line. Nothing heavy is imported before it is known what is asked for."""

from __future__ import annotations

import argparse
import io
import json
import os
import shutil
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose import __version__
from diagnose.errors import DiagnoseError

if TYPE_CHECKING:
    from diagnose.answer import Answer
    from diagnose.inference import Engine
    from diagnose.knowledge import KnowledgeBase
    from diagnose.model import CaseRecord

#: as in ``text``, which is not imported before something is to be written
NARROWEST = 56
WIDEST = 110


def parser() -> argparse.ArgumentParser:
    """Build the parser of the command line."""
    top = argparse.ArgumentParser(
        prog="diagnose",
        description="Work out from what the gauges showed which vacuum, electrical, pitot or static "
        "failure explains it, and which instruments to trust. Without a command: the prompt. "
        "For ground training and review only.",
    )
    top.add_argument("--version", action="version", version=f"diagnose {__version__}")
    knowledge = argparse.ArgumentParser(add_help=False)
    knowledge.add_argument(
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
    commands = top.add_subparsers(dest="command", metavar="COMMAND")
    rank = commands.add_parser("rank", parents=[knowledge], help="rank the failures that explain a case")
    rank.add_argument("case", nargs="+", help="a shipped case (see: diagnose cases) or a file")
    rank.add_argument("--json", action="store_true", help="answer as JSON")
    rank.add_argument("--setting", metavar="WHY", help="why you are here: routine, anomaly or exercise")
    rank.add_argument("--width", type=_width, metavar="N", help="columns of the text, 56 or more")
    commands.add_parser("cases", help="list the shipped cases")
    commands.add_parser(
        "validate", parents=[knowledge], help="check the knowledge base; all problems at once"
    )
    derive = commands.add_parser("derive", parents=[knowledge], help="simulate the likelihood tables anew")
    derive.add_argument(
        "--to", type=Path, metavar="FILE", help="write them there instead of into the knowledge base"
    )
    export = commands.add_parser("export", parents=[knowledge], help="write a case's network as a BIF file")
    export.add_argument("case")
    export.add_argument("file", type=Path)
    return top


def _width(text: str) -> int:
    """A width that a table fits in; argparse reports anything else."""
    if not text.isdecimal() or int(text) < NARROWEST:
        raise argparse.ArgumentTypeError(f"{text!r} is no width from {NARROWEST} columns upwards")
    return int(text)


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
        return _report(error, as_json=as_json)
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
        return 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0


def _report(error: DiagnoseError, *, as_json: bool) -> int:
    text = json.dumps({"error": error.as_dict()}, ensure_ascii=False) if as_json else f"diagnose: {error}"
    print(text, file=sys.stderr)
    return error.exit_code


def _run(chosen: argparse.Namespace) -> int:
    from diagnose import load_knowledge

    if chosen.command == "cases":
        return _cases()
    kb = load_knowledge((*chosen.knowledge_first, *getattr(chosen, "knowledge", ())))
    match chosen.command:
        case "rank":
            return _rank(chosen, kb)
        case "validate":
            return _validate(kb)
        case "derive":
            return _derive(chosen, kb)
        case "export":
            return _export(chosen, kb)
    from diagnose.terminal.prompt import run

    return run(kb, sys.stdin, sys.stdout)


def _cases() -> int:
    import tomllib

    from diagnose.session import case_paths

    for name, path in case_paths().items():
        print(f"{name:<48} {tomllib.loads(path.read_text(encoding='utf-8')).get('title', '')}")
    return 0


def _rank(chosen: argparse.Namespace, kb: KnowledgeBase) -> int:
    from diagnose.text import render, to_data
    from diagnose.words import entry_forms, find

    width = chosen.width or min(shutil.get_terminal_size((80, 24)).columns, WIDEST)
    setting = find(chosen.setting, entry_forms(kb.settings), "setting") if chosen.setting else ""
    engines: dict[str, Engine] = {}
    answers: list[dict[str, object]] = []
    worst = 0
    for number, name in enumerate(chosen.case):
        try:
            case, answer = _answer(name, kb, setting, engines)
        except DiagnoseError as error:
            # one bad case does not keep the others from being ranked
            worst = max(worst, _report(error, as_json=chosen.json))
            answers.append({"case": name, "error": error.as_dict()})
            continue
        if chosen.json:
            answers.append({"case": name, **to_data(answer, case, kb)})
        else:
            print("\n" * bool(number) + render(answer, case, kb, width), flush=True)
    if chosen.json and (len(answers) > 1 or not worst):
        print(json.dumps(answers if len(answers) > 1 else answers[0], ensure_ascii=False, indent=1))
    return worst


def _answer(
    name: str, kb: KnowledgeBase, setting: str, engines: dict[str, Engine]
) -> tuple[CaseRecord, Answer]:
    import msgspec

    from diagnose import answer_case, engine_for
    from diagnose.session import load_case

    case = load_case(name, kb)
    if setting:
        case = msgspec.structs.replace(case, setting=setting)
    if case.panel not in engines:
        engines[case.panel] = engine_for(kb, case.panel)
    return case, answer_case(kb, case, engines[case.panel])


def _validate(kb: KnowledgeBase) -> int:
    from diagnose.validate import check

    check(kb)
    print(
        f"The knowledge base is sound: {len(kb.failures)} failures, {len(kb.gauges)} gauges, "
        f"{len(kb.panels)} panels, {len(kb.manoeuvres)} manoeuvres."
    )
    return 0


def _derive(chosen: argparse.Namespace, kb: KnowledgeBase) -> int:
    from diagnose.likelihood import derive

    def told(name: str) -> None:
        print(f"  {name}", file=sys.stderr, flush=True)

    print(derive(kb, chosen.to, told))
    return 0


def _export(chosen: argparse.Namespace, kb: KnowledgeBase) -> int:
    from diagnose.network import compile_network
    from diagnose.pgmpy_bridge import write_bif
    from diagnose.session import load_case

    case = load_case(chosen.case, kb)
    write_bif(compile_network(kb, case.panel), case, chosen.file)
    print(chosen.file)
    return 0
