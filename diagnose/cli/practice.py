"""``diagnose drill``: exercises, progress, an instructor's summary."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.command import (
    Load,
    Parser,
    Subparsers,
    command,
    inputs,
    show,
    tell,
    text_width,
    whole,
    write,
)
from diagnose.model.errors import CaseError
from diagnose.terminal.console import bounded

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.model.case import ScenarioRecord
    from diagnose.network.engine import Engine
    from diagnose.practice.drill.store import Store
    from diagnose.practice.simulate import Simulation

#: as in ``drill.exercise``, which is not imported before it is wanted
KINDS = ("predict", "name", "fly", "scan")
#: as in ``drill.lent``
IN_PAGE = ("name", "scan")
MOST_IN_PAGE = 40


def _minutes(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value <= 600.0:
        raise argparse.ArgumentTypeError(f"must be above 0 and at most 600 minutes, not {text!r}")
    return value


def add(commands: Subparsers, shared: Parser) -> None:
    """Add the command to the parser."""
    about = "learn failure patterns and where to look, a few minutes a day"
    drill = command(commands, shared, "drill", _drill, about)
    drill.option("--minutes", type=_minutes, default=20.0, metavar="N", text="length of the session (20)")
    drill.option("--panel", default="single_pump", metavar="PANEL", text="panel to learn on (single_pump)")
    many = "exercises of a page, 1 to 40 (10)"
    drill.option("--count", type=whole(1, MOST_IN_PAGE), default=10, metavar="N", text=many)
    drill.add_argument("--kind", choices=KINDS, action="append", help="only this kind; may be repeated")
    cross_check = "practise a cross-check in scans: radial, inverted v, rectangular"
    drill.option("--pattern", metavar="NAME", text=cross_check)
    same = "the same number gives the same exercises"
    drill.option("--seed", type=whole(0, 1_000_000_000), metavar="N", text=same)
    where = "file of the progress (default: in your data folder)"
    drill.option("--data", type=Path, metavar="PATH", text=where)
    drill.asks_width()
    instead = drill.add_mutually_exclusive_group()
    instead.add_argument("--progress", action="store_true", help="how you are doing, instead of a session")
    for name, text in (
        ("--html", "the same as a page with pictures"),
        ("--page", "exercises in naming and scanning as a page for a browser"),
        ("--export", "write the progress to a file, for another machine or an instructor"),
    ):
        drill.writes(name, text=text, group=instead)
    taken = "add an exported file, or the results downloaded from a page, to the progress"
    instead.add_argument("--import", type=Path, dest="take", metavar="FILE", help=taken)
    read = "an instructor's one-page summary of an exported file"
    instead.add_argument("--read", type=Path, metavar="FILE", help=read)
    instead.add_argument("--delete", action="store_true", help="delete the progress; asks first")


def data_path(chosen: argparse.Namespace) -> Path:
    """Where the progress is kept."""
    if chosen.data is not None:
        return Path(chosen.data)
    import platformdirs

    return Path(platformdirs.user_data_dir("diagnose-gauges", appauthor=False)) / "drill.sqlite"


def _drill(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.practice.drill.store import delete_progress, read_progress, write_progress

    path = chosen.data = data_path(chosen)
    if chosen.delete:
        return _delete(path, delete_progress)
    if chosen.read:
        return _read(chosen, load)
    if chosen.export:
        with closing(_opened(path)) as store:
            write_progress(store.progress(), chosen.export, over=chosen.over, sources=inputs(chosen))
        print(chosen.export)
        return 0
    if chosen.page:
        return _page(chosen, load, path)
    if chosen.take and _holds_results(chosen.take):
        return _take_results(chosen, load, path)
    if chosen.take:
        progress = read_progress(chosen.take)
        with closing(_opened(path)) as store:
            added = store.take(progress)
        print(f"{added} answers added.")
        return 0
    store = _opened(path)
    try:
        return (
            _progress(chosen, load, store)
            if chosen.progress or chosen.html
            else _session(chosen, load, store)
        )
    finally:
        store.close()


def _opened(path: Path) -> Store:
    from diagnose.practice.drill.store import Store

    store = Store.open(path)
    if store.set_aside:
        tell(f"{store.set_aside} entries of the progress cannot be read; they are set aside in its file.")
    return store


def _delete(path: Path, delete: Callable[[Path], bool]) -> int:
    if not path.exists():
        print(f"There is no progress in {path}.")
        return 0
    print(f"Delete all progress in {path}? 'yes' deletes it: ", end="", flush=True)
    if sys.stdin.readline().strip().lower() != "yes":
        print("Nothing was deleted.")
        return 1
    delete(path)
    print("Deleted.")
    return 0


def _read(chosen: argparse.Namespace, load: Load) -> int:
    from datetime import UTC, datetime

    from diagnose.practice.drill.progress import summary
    from diagnose.practice.drill.store import Held, read_progress
    from diagnose.practice.drill.studio import Card
    from diagnose.render.progress import instructor_text

    progress, kb = read_progress(chosen.read), load()
    held = {
        card: Held(card=card, due=k.due, state=k.state, row=k.row, lapses=k.lapses)
        for k in progress.cards
        for card in (Card(k.failure, k.manoeuvre, k.kind),)
    }
    told = summary(kb, progress.answers, held, datetime.now(UTC))
    print(instructor_text(told, kb, text_width(chosen)))
    return 0


def write_progress_page(chosen: argparse.Namespace, load: Load) -> int:
    """Write the progress as a page to ``chosen.html``."""

    store = _opened(data_path(chosen))
    try:
        return _progress(chosen, load, store)
    finally:
        store.close()


def _progress(chosen: argparse.Namespace, load: Load, store: Store) -> int:
    from datetime import UTC, datetime

    from diagnose.practice.drill.progress import summary

    kb = load()
    told = summary(kb, store.answers(), store.held(), datetime.now(UTC))
    if chosen.html:
        from diagnose.render.pages.drill import progress_page

        write(chosen, chosen.html, progress_page(told, kb))
        return 0
    from diagnose.render.progress import progress_text

    print(progress_text(told, kb, text_width(chosen)))
    return 0


def _page(chosen: argparse.Namespace, load: Load, path: Path) -> int:
    import time
    import uuid
    from datetime import UTC, datetime

    from diagnose.language import entry_forms, find
    from diagnose.practice.drill.session import DrillSession, page_rounds
    from diagnose.practice.drill.studio import Kind, Studio
    from diagnose.render.pages.drill import exercises_page

    if set(chosen.kind or ()) - set(IN_PAGE) or chosen.pattern:
        raise CaseError(
            "a page asks by name and by scan only, without a pattern",
            mend="leave the other kinds to a session",
        )
    kb = load()
    studio = Studio.of(kb, find(chosen.panel, entry_forms(kb.panels), "panel"))
    seed = chosen.seed if chosen.seed is not None else time.time_ns() % 1_000_000
    store = _opened(path)
    try:
        kinds = tuple(Kind(kind) for kind in chosen.kind or IN_PAGE)
        session = DrillSession(studio=studio, store=store, seed=seed, kinds=kinds)
        rounds = page_rounds(session, datetime.now(UTC), chosen.count)
    finally:
        store.close()
    if not rounds:
        raise CaseError("nothing of this kind can be asked on this panel", mend="choose another panel")
    write(chosen, chosen.page, exercises_page(rounds, studio, uuid.uuid4().hex))
    return 0


def _holds_results(path: Path) -> bool:
    from diagnose.practice.drill.session import is_results

    try:
        return is_results(path.read_bytes())
    except OSError as error:
        raise CaseError(f"the file cannot be read ({error.strerror or error})", str(path)) from None


def _take_results(chosen: argparse.Namespace, load: Load, path: Path) -> int:
    from datetime import UTC, datetime

    from diagnose.language import entry_forms, find
    from diagnose.practice.drill.session import DrillSession, read_results, take
    from diagnose.practice.drill.studio import Kind, Studio
    from diagnose.render.drill_feedback import feedback

    results, kb, columns = read_results(chosen.take), load(), text_width(chosen)
    studio = Studio.of(kb, find(results.panel, entry_forms(kb.panels), "panel"))
    store = _opened(path)
    added = changed = 0
    try:
        session = DrillSession(studio=studio, store=store, seed=0, kinds=tuple(map(Kind, IN_PAGE)))
        for taken in take(session, results, datetime.now(UTC)):
            if taken.done is None or taken.marked is None:
                changed += 1
                continue
            added += 1
            # a scan could not be marked in the page
            if taken.looked is not None:
                told = feedback(taken.done.exercise, taken.marked, studio, columns, taken.looked)
                print(f"[{taken.number}] {told}\n")
    finally:
        store.close()
    print(f"{added} answers added.")
    if changed:
        print(f"{changed} not marked: the knowledge has changed since the page was made.")
    return 0


def _session(chosen: argparse.Namespace, load: Load, store: Store) -> int:
    import time
    import uuid
    from datetime import UTC, datetime

    from diagnose.language import entry_forms, find
    from diagnose.practice.drill.session import DrillSession
    from diagnose.practice.drill.studio import Kind, Studio
    from diagnose.terminal.drill import Talk

    kb = load()
    panel = find(chosen.panel, entry_forms(kb.panels), "panel")
    pattern = None
    kinds = tuple(Kind(kind) for kind in chosen.kind or KINDS)
    if chosen.pattern:
        pattern = kb.scan_patterns[find(chosen.pattern, entry_forms(kb.scan_patterns), "pattern")]
        kinds = (Kind.SCAN,)
    seed = chosen.seed if chosen.seed is not None else time.time_ns() % 1_000_000
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    Talk(
        session=DrillSession(studio=Studio.of(kb, panel), store=store, seed=seed, kinds=kinds),
        lines=iter(sys.stdin.readline, ""),
        out=sys.stdout,
        width=text_width(chosen),
        minutes=chosen.minutes,
        clock=time.monotonic,
        now=lambda: datetime.now(UTC),
        new_id=lambda: uuid.uuid4().hex,
        echo=not terminal,
        pause=terminal,
        pattern=pattern,
    ).run()
    return 0


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

    print(f"{'NAME':<20} {'MIN':>3}  {'PANEL':<16} TITLE")
    for name, path in scenario_paths().items():
        held = tomllib.loads(path.read_text(encoding="utf-8"))
        minutes = sum(leg["minutes"] for leg in held["leg"])
        print(f"{name:<20} {minutes:>3.0f}  {held['panel'].replace('_', ' '):<16} {held['title']}")
    print("What fails and how hard it is (answers): diagnose scenario check NAME. Lead one: diagnose tabletop NAME")
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
    from diagnose.practice.ask import EMPTY, Stopped, ask_scenario, content
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
        made = ask_scenario(kb, ask, lambda told: print(fill(told.strip(), width_now, "  ", "  ")), keep, made)
    except Stopped as stopped:
        print()
        if not stopped.made.leg:
            raise CaseError("the answers ended before the first leg; nothing was written") from None
        print(fill(f"So far: {content(stopped.made, kb)}", width_now))
        print(f"Saved so far in {chosen.file}. Go on: diagnose scenario new {chosen.file} --continue")
        return 0
    print(fill(content(made, kb), width_now))
    copy = f"{chosen.file.with_suffix('')}-instructor.html"
    print(f"Saved in {chosen.file}. Fly it with students: diagnose tabletop {chosen.file}")
    print(f"Your copy with the answers: diagnose tabletop {chosen.file} --instructor {copy}")
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
    tabletop.flag("--answers", text="let 'notes' show the answers here: not where students see the screen")
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
            from diagnose.render.pages.papers import player_page

            write(chosen, chosen.page, player_page(simulation, tuple(chosen.team) or ("team",)))
        return 0
    from diagnose.practice.scoring import score
    from diagnose.practice.tabletop import Table, start
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
        return debrief_text(table.simulation, known, scores, text_width(chosen), until=table.minutes)

    run(desk, sys.stdin, lambda text: print(text, flush=True), chosen.record, ask, debriefed)
    return 0


def _debrief(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.practice.known import follow
    from diagnose.practice.scoring import score
    from diagnose.practice.tabletop import as_decided, read_session, scenario_held
    from diagnose.render.pages.debrief import debrief_data, debrief_page, debrief_text
    from diagnose.terminal.tabletop import unread_lines

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
        lambda wide: "\n".join(
            [
                debrief_text(simulation, followed, scores, wide, until=record.minutes, figures=figures),
                *unread_lines(record.unread, wide),
            ]
        ),
    )
