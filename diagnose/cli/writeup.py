"""``diagnose writeup`` and ``diagnose report``: what to hand to maintenance, and the whole report of a case."""

from __future__ import annotations

import argparse
import json
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Subparsers, asks_width, tell, text_width, write, writes

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.model import CaseRecord
    from diagnose.model.answer import Answer
    from diagnose.network.engine import Engine
    from diagnose.review import Review

PAPERS = ("a4", "letter")
#: the word for the drill instead of a case
DRILL = "drill"


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    writeup = commands.add_parser(
        "writeup", parents=[shared], description="write up a case or a recorded flight for maintenance"
    )
    _source(writeup)
    writeup.add_argument("--json", action="store_true", help="as JSON")
    writeup.add_argument("--notes", action="store_true", help="the record for your own notes instead")
    writes(writeup, "-o", "--html", text="write it as a page")
    asks_width(writeup)
    writeup.set_defaults(run=_writeup)
    report = commands.add_parser(
        "report",
        parents=[shared],
        help="write a whole report of a case, a recorded flight, a scenario or the drill as one page",
    )
    _source(report)
    report.add_argument(
        "--session", type=Path, metavar="FILE", help="record of a session: the debrief of its scenario"
    )
    report.add_argument("--data", type=Path, metavar="PATH", help="file of the drill's progress")
    writes(report, "-o", "--html", text="the page to write", required=True)
    report.set_defaults(run=_report)


def _source(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "case",
        help="a shipped case, a case file, or a recorded flight (.csv); a report also: a scenario, or drill",
    )
    command.add_argument(
        "--map", type=Path, metavar="FILE", help="mapping of a recorded flight; without it a guess is taken"
    )
    command.add_argument("--panel", metavar="PANEL", help="panel of a recorded flight")
    command.add_argument("--paper", choices=PAPERS, default="a4", help="paper of the page")


def _answered(
    chosen: argparse.Namespace, kb: KnowledgeBase
) -> tuple[CaseRecord, Answer, Engine, Review | None]:
    """The case of a file, or of a reviewed recording."""
    from diagnose import answer_case, engine_for

    if Path(chosen.case).suffix.lower() == ".csv":
        from diagnose.network.engine import Engine
        from diagnose.review import load_map, reviewed

        mapping = load_map(chosen.map, kb) if chosen.map else None
        found = reviewed(Path(chosen.case), mapping, chosen.panel, "", kb, partial(engine_for, kb))
        return found.case, found.answer, Engine(found.network), found
    from diagnose.language.case_files import load_case

    case = load_case(chosen.case, kb)
    engine = engine_for(kb, case.panel)
    return case, answer_case(kb, case, engine), engine, None


def _writeup(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.render.pages.writeup import incident_text, write_up_case, write_up_data, write_up_text

    case, answer, engine, found = _answered(chosen, load())
    up = write_up_case(engine, case, answer, found)
    columns = text_width(chosen)
    if chosen.html:
        from diagnose.render.pages.whole import write_up_page

        write(chosen, chosen.html, write_up_page(up, chosen.paper), tell)
    if chosen.json:
        print(json.dumps(write_up_data(up), ensure_ascii=False, indent=1))
    elif chosen.notes:
        print(incident_text(up, columns), end="")
    elif not chosen.html:
        print(write_up_text(up, columns), end="")
    return 0


def _report(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.render.pages.whole import case_page, review_page
    from diagnose.render.pages.writeup import write_up_case

    if chosen.case == DRILL:
        from diagnose.cli.drill import write_progress_page

        return write_progress_page(chosen, load)
    if chosen.session is not None or _is_scenario(chosen.case):
        write(chosen, chosen.html, _scenario_page(chosen, load()), tell)
        return 0
    case, answer, engine, found = _answered(chosen, load())
    up = write_up_case(engine, case, answer, found)
    text = (
        case_page(case, answer, engine, up, chosen.paper)
        if found is None
        else review_page(found, up, chosen.paper)
    )
    write(chosen, chosen.html, text, tell)
    return 0


def _is_scenario(name: str) -> bool:
    """Whether this is a scenario: the name of a shipped one that is no case, or a file with legs in it."""
    from diagnose.knowledge.load import read_toml
    from diagnose.language.case_files import case_paths
    from diagnose.practice.scenario import scenario_paths

    if "\0" not in name and Path(name).is_file():
        return Path(name).suffix.lower() == ".toml" and "leg" in read_toml(Path(name), name, [])
    return name in scenario_paths() and name not in case_paths()


def _scenario_page(chosen: argparse.Namespace, kb: KnowledgeBase) -> str:
    """The instructor's copy of a scenario, with all answers, or the debrief of a session with it."""
    from diagnose.cli.scenario import flown
    from diagnose.practice.scenario import follow

    scenario, simulation, engine = flown(chosen.case, kb)
    followed = follow(simulation, engine)
    if chosen.session is None:
        from diagnose.render.pages.papers import instructor_copy

        return instructor_copy(simulation, followed, chosen.paper)
    from diagnose.practice.tabletop import read_session, score
    from diagnose.render.pages.debrief import debrief_page

    record = read_session(chosen.session, scenario)
    return debrief_page(
        simulation, followed, record, score(simulation, engine, followed, record), chosen.paper
    )
