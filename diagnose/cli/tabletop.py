"""``diagnose tabletop`` and ``diagnose debrief``: a session around a table, its papers and its scores."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from diagnose.cli.command import Load, Subparsers, asks_width, text_width, write, writes
from diagnose.cli.scenario import flown

PAPERS = ("a4", "letter")


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    tabletop = commands.add_parser(
        "tabletop",
        parents=[shared],
        help="lead students through a scenario; handouts and the page that plays",
    )
    tabletop.add_argument("scenario", help="a shipped scenario (see: diagnose scenario list) or a file")
    tabletop.add_argument(
        "--team", action="append", default=[], metavar="NAME", help="a team; give it once for each"
    )
    writes(tabletop, "--record", text="keep the calls in this file")
    tabletop.add_argument(
        "--answers", action="store_true", help="let 'notes' show what failed and what can be known"
    )
    writes(tabletop, "--handout", text="write the students' handout instead")
    writes(tabletop, "--instructor", text="write the instructor's copy instead")
    writes(tabletop, "--page", text="write the page that plays instead")
    tabletop.add_argument("--paper", choices=PAPERS, default="a4", help="what the pages are printed on")
    asks_width(tabletop)
    tabletop.set_defaults(run=_tabletop)
    debrief = commands.add_parser(
        "debrief", parents=[shared], description="score a recorded session: who won, and why"
    )
    debrief.add_argument("scenario")
    debrief.add_argument("record", type=Path, help="the session's record")
    writes(debrief, "--html", text="write the debrief as a page")
    debrief.add_argument("--figures", action="store_true", help="add penalties and scores of confidence")
    debrief.add_argument("--json", action="store_true", help="answer as JSON")
    debrief.add_argument("--paper", choices=PAPERS, default="a4", help="what the page is printed on")
    asks_width(debrief)
    debrief.set_defaults(run=_debrief)


def _tabletop(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.practice.scenario import follow

    _, simulation, engine = flown(chosen.scenario, load())
    if chosen.handout or chosen.instructor or chosen.page:
        from diagnose.render.pages.papers import handout, instructor_copy

        if chosen.handout:
            write(chosen, chosen.handout, handout(simulation, chosen.paper))
        if chosen.instructor:
            write(
                chosen,
                chosen.instructor,
                instructor_copy(simulation, follow(simulation, engine), chosen.paper),
            )
        if chosen.page:
            from diagnose.render.pages.player import player_page

            write(chosen, chosen.page, player_page(simulation, tuple(chosen.team) or ("team",)))
        return 0
    from diagnose.practice.tabletop import Table, score, start
    from diagnose.render.pages.debrief import debrief_text
    from diagnose.terminal.tabletop import Desk, run

    table = start(simulation, tuple(chosen.team) or ("team",))
    followed = follow(simulation, engine) if chosen.answers else None
    desk = Desk(table=table, followed=followed, width=text_width(chosen))

    def ask(prompt: str) -> None:
        if sys.stdin.isatty():
            print(prompt, end="", flush=True)

    def debriefed(table: Table) -> str:
        """The scores so far."""
        nonlocal followed
        followed = followed or follow(simulation, engine)
        scores = score(simulation, engine, followed, table.record)
        return debrief_text(simulation, followed, scores, text_width(chosen))

    run(desk, sys.stdin, lambda text: print(text, flush=True), chosen.record, ask, debriefed)
    return 0


def _debrief(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.practice.scenario import follow
    from diagnose.practice.tabletop import read_session, score
    from diagnose.render.pages.debrief import debrief_data, debrief_page, debrief_text

    scenario, simulation, engine = flown(chosen.scenario, load())
    record = read_session(chosen.record, scenario)
    followed = follow(simulation, engine)
    scores = score(simulation, engine, followed, record)
    if chosen.html:
        write(
            chosen,
            chosen.html,
            debrief_page(simulation, followed, record, scores, chosen.paper, figures=chosen.figures),
        )
    elif chosen.json:
        print(json.dumps(debrief_data(followed, scores), ensure_ascii=False, indent=1))
    else:
        print(debrief_text(simulation, followed, scores, text_width(chosen), figures=chosen.figures))
    return 0
