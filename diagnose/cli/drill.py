"""``diagnose drill``: exercises, progress, an instructor's summary."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Parser, Subparsers, command, inputs, tell, text_width, whole, write
from diagnose.model.errors import CaseError

if TYPE_CHECKING:
    from diagnose.practice.drill.store import Store

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
    from diagnose.practice.drill.schedule import Held
    from diagnose.practice.drill.store import read_progress
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
        from diagnose.render.pages.progress import progress_page

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
    from diagnose.render.pages.exercises import exercises_page

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
