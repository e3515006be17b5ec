"""``diagnose scenario`` and ``diagnose tabletop``: scenarios, sessions around them, and their papers."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Parser, Subparsers, command, show, text_width, whole, write
from diagnose.model.errors import CaseError
from diagnose.terminal.console import bounded

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.model.case import ScenarioRecord
    from diagnose.network.engine import Engine
    from diagnose.practice.simulate import Simulation

#: as in ``scenario``, which is not imported before it is wanted
LEVELS = ("easy", "medium", "hard")
SYSTEMS = ("pitot", "static", "vacuum", "electrical", "instrument")


#: what ``--over`` holds where a file is to be gone on with
GO_ON = "continue"
#: characters of a question that an answer still fits behind
LONG_QUESTION = 55


def add_scenario(commands: Subparsers, shared: Parser) -> None:
    """Add the commands to the parser."""
    scenario = commands.add_parser("scenario", help="fly failure scenarios: list, play, check, new")
    kinds = scenario.add_subparsers(dest="kind", metavar="COMMAND", required=True)
    command(kinds, shared, "list", _list, "list the shipped scenarios")
    play = command(kinds, shared, "play", _play, "fly a scenario and show the panel over time")
    play.add_argument("scenario", help="a shipped scenario (see: diagnose scenario list) or a file")
    play.flag("--answers", text="say what fails and what could be known when")
    play.writes("--csv", text="write every second as a table (- for the screen)")
    play.writes("--html", text="write pictures of the panel over time as a page")
    play.option(
        "--every", type=whole(1, 100_000), default=30, metavar="SECONDS", text="step of the timeline (30)"
    )
    play.asks_width()
    check = command(kinds, shared, "check", _check, "check a scenario and say how hard it is")
    check.add_argument("scenario")
    new = command(kinds, shared, "new", _new, "make a scenario: asks, or draws one with --random")
    new.writes("file", text="the file to write")
    new.flag("--random", text="draw one instead of asking")
    new.add_argument("--level", choices=LEVELS, default="medium", help="how hard a drawn one is")
    new.add_argument("--system", choices=SYSTEMS, default="vacuum", help="what fails in a drawn one")
    new.add_argument("--panel", default="single_pump", help="panel of a drawn one")
    new.add_argument(
        "--seed", type=whole(0, 1_000_000_000), default=1, help="another number draws another one"
    )
    go_on = "go on with a file that was begun before"
    new.add_argument("--continue", dest="over", action="store_const", const=GO_ON, help=go_on)


def flown(name: str, kb: KnowledgeBase) -> tuple[ScenarioRecord, Simulation, Engine]:
    """Read and fly a scenario; the engine of its panel comes with it."""
    from diagnose.practice.known import reasoner
    from diagnose.practice.scenarios import load_scenario
    from diagnose.practice.simulate import simulate

    scenario = load_scenario(name, kb)
    engine = reasoner(kb, scenario.panel)
    return scenario, simulate(engine.network, scenario), engine


def _list(chosen: argparse.Namespace, load: Load) -> int:
    import tomllib

    from diagnose.practice.scenarios import scenario_paths

    for name, path in scenario_paths().items():
        print(f"{name:<32} {tomllib.loads(path.read_text(encoding='utf-8')).get('title', '')}")
    return 0


def _play(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.practice.known import follow
    from diagnose.render.pages.timeline import timeline_csv, timeline_text

    _, simulation, engine = flown(chosen.scenario, load())
    if chosen.csv:
        table = timeline_csv(simulation, answers=chosen.answers)
        if str(chosen.csv) == "-":
            print(table, end="")
        else:
            write(chosen, chosen.csv, table)
    if chosen.html:
        from diagnose.render.pages.papers import picture_page

        write(chosen, chosen.html, picture_page(simulation, every_s=chosen.every))
    if not (chosen.csv or chosen.html):
        followed = follow(simulation, engine) if chosen.answers else None
        print(timeline_text(simulation, followed, every_s=chosen.every, width=text_width(chosen)))
    return 0


def _check(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.practice.known import follow
    from diagnose.render.pages.timeline import judgement
    from diagnose.render.text import fill

    scenario, simulation, engine = flown(chosen.scenario, load())
    print(scenario.title)
    for line in judgement(simulation, follow(simulation, engine)):
        print(fill(line, text_width(chosen), "", "  "))
    return 0


def _new(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.practice.scenarios import save_scenario

    kb = load()
    if chosen.random:
        from diagnose.practice.known import reasoner
        from diagnose.practice.scenarios import draw_scenario

        engine = reasoner(kb, chosen.panel)
        scenario, followed = draw_scenario(kb, engine, chosen.panel, chosen.system, chosen.level, chosen.seed)
        save_scenario(scenario, chosen.file, over=chosen.over)
        print(f"{chosen.file}: {followed.level}, score {followed.score:.1f}")
        return 0
    from diagnose.practice.ask import EMPTY, Stopped, ask_scenario
    from diagnose.practice.scenarios import load_scenario
    from diagnose.render.text import fill

    made = load_scenario(str(chosen.file), kb) if chosen.over == GO_ON else EMPTY
    over = bool(chosen.over)

    width_now = text_width(chosen)

    def ask(question: str) -> str:
        # a long question leaves no room for the answer
        print(fill(question, width_now), end="\n> " if len(question) > LONG_QUESTION else " ", flush=True)
        line = bounded(sys.stdin.readline())
        if not line:
            raise EOFError  # no fault of an answer, which would be asked again without end
        return line.strip()

    def keep(record: ScenarioRecord) -> None:
        nonlocal over
        save_scenario(record, chosen.file, over=over)
        over = True  # from here on it is ours

    try:
        ask_scenario(kb, ask, lambda told: print(fill(told.strip(), width_now, "  ", "  ")), keep, made)
    except Stopped as stopped:
        print()
        if not stopped.made.leg:
            raise CaseError("the answers ended before the first leg; nothing was written") from None
        print(f"Saved so far in {chosen.file}. Go on: diagnose scenario new {chosen.file} --continue")
        return 0
    print(f"Saved in {chosen.file}. Fly it: diagnose tabletop {chosen.file} --answers")
    return 0


PAPERS = ("a4", "letter")


def add_tabletop(commands: Subparsers, shared: Parser) -> None:
    """Add the commands to the parser."""
    about = "lead students through a scenario; handouts and the page that plays"
    tabletop = command(commands, shared, "tabletop", _tabletop, about)
    tabletop.add_argument("scenario", help="a shipped scenario (see: diagnose scenario list) or a file")
    teams = "a team; give it once for each"
    tabletop.option("--team", action="append", default=[], metavar="NAME", text=teams)
    tabletop.writes("--record", text="keep the calls in this file")
    tabletop.flag("--answers", text="let 'notes' show what failed and what can be known")
    tabletop.writes("--handout", text="write the students' handout instead")
    tabletop.writes("--instructor", text="write the instructor's copy instead")
    tabletop.writes("--page", text="write the page that plays instead")
    tabletop.add_argument("--paper", choices=PAPERS, default="a4", help="what the pages are printed on")
    tabletop.asks_width()
    about = "score a recorded session: who won, and why"
    debrief = command(commands, shared, "debrief", _debrief, about, listed=False)
    alone = "may be left out for a shipped scenario, or one in the record's folder"
    debrief.add_argument("scenario", nargs="?", help=alone)
    debrief.add_argument("record", type=Path, help="the session's record")
    debrief.writes("--html", text="write the debrief as a page")
    debrief.flag("--figures", text="add penalties and scores of confidence")
    debrief.add_argument("--paper", choices=PAPERS, default="a4", help="what the page is printed on")
    debrief.asks_form()


def _tabletop(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.practice.known import follow

    _, simulation, engine = flown(chosen.scenario, load())
    if chosen.handout or chosen.instructor or chosen.page:
        from diagnose.render.pages.papers import handout, instructor_copy

        if chosen.handout:
            write(chosen, chosen.handout, handout(simulation, chosen.paper))
        if chosen.instructor:
            copy = instructor_copy(simulation, follow(simulation, engine), chosen.paper)
            write(chosen, chosen.instructor, copy)
        if chosen.page:
            from diagnose.render.pages.player import player_page

            write(chosen, chosen.page, player_page(simulation, tuple(chosen.team) or ("team",)))
        return 0
    from diagnose.practice.tabletop import Table, score, start
    from diagnose.render.pages.debrief import debrief_text
    from diagnose.terminal.tabletop import Desk, run

    table = start(simulation, tuple(chosen.team) or ("team",))
    followed = follow(simulation, engine) if chosen.answers else None
    desk = Desk(
        table=table,
        followed=followed,
        width=text_width(chosen),
        refollow=lambda table: follow(table.simulation, engine),
    )

    def ask(prompt: str) -> None:
        if sys.stdin.isatty():
            print(prompt, end="", flush=True)

    def debriefed(table: Table) -> str:
        """The scores so far."""
        known = follow(table.simulation, engine)
        scores = score(table.simulation, engine, known, table.record)
        return debrief_text(table.simulation, known, scores, text_width(chosen))

    run(desk, sys.stdin, lambda text: print(text, flush=True), chosen.record, ask, debriefed)
    return 0


def _debrief(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.practice.known import follow
    from diagnose.practice.tabletop import as_decided, read_session, scenario_held, score
    from diagnose.render.pages.debrief import debrief_data, debrief_page, debrief_text

    kb = load()
    scenario, simulation, engine = flown(chosen.scenario or scenario_held(chosen.record, kb), kb)
    record = read_session(chosen.record, scenario)
    simulation = as_decided(simulation, record.calls)
    followed = follow(simulation, engine)
    scores = score(simulation, engine, followed, record)
    figures = chosen.figures
    if chosen.html:
        page = debrief_page(simulation, followed, record, scores, chosen.paper, figures=figures)
        write(chosen, chosen.html, page)
        return 0
    return show(
        chosen,
        lambda: debrief_data(simulation, followed, scores),
        lambda wide: debrief_text(simulation, followed, scores, wide, figures=figures),
    )
