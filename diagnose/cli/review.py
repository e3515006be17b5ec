"""``diagnose review``: recorded flights to a timeline and a cause."""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from collections.abc import Callable, Iterator
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.cli.command import WIDEST, Load, Subparsers, inputs, tell, width, write, writes
from diagnose.console import step
from diagnose.errors import CaseError, DiagnoseError

if TYPE_CHECKING:
    from diagnose.inference import Engine
    from diagnose.knowledge import KnowledgeBase
    from diagnose.review import Guess, MapRecord, Review

USUAL_PANEL = "single_pump"


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the command to the parser."""
    review = commands.add_parser(
        "review", parents=[shared], help="review a recorded flight (CSV), or a folder of them"
    )
    review.add_argument("file", type=Path, help="a CSV file, or a folder of them")
    review.add_argument("--map", type=Path, metavar="FILE", help="which column is what (see --guess)")
    review.add_argument(
        "--guess",
        action="store_true",
        help="show the mapping as guessed, to be saved, mended and given with --map",
    )
    review.add_argument("--yes", action="store_true", help="take the guessed mapping without asking")
    review.add_argument("--panel", metavar="PANEL", help=f"the aircraft's panel ({USUAL_PANEL})")
    review.add_argument(
        "--setting", metavar="WHY", help="why you are here: routine (the default), anomaly or exercise"
    )
    review.add_argument("--json", action="store_true", help="answer as JSON")
    writes(review, "--svg", text="write the timeline as a picture")
    writes(review, "-o", "--html", text="write the report as one page")
    writes(review, "--save", text="write the snapshots as a case file")
    review.add_argument("--width", type=width, metavar="N", help="columns of the text, 56 or more")
    review.set_defaults(run=_review)


def _review(chosen: argparse.Namespace, load: Load) -> int:
    if chosen.guess:
        return _guess(chosen.file, load())
    kb = load()
    setting = ""
    if chosen.setting:
        from diagnose.words import entry_forms, find

        setting = find(chosen.setting, entry_forms(kb.settings), "setting")
    if chosen.file.is_dir():
        return _folder(chosen, setting, kb)
    from diagnose import engine_for

    mapping = _mapping(chosen, kb, ask=not (chosen.yes or chosen.json))
    found = reviewed(chosen.file, mapping, chosen.panel, setting, kb, partial(engine_for, kb))
    _write(chosen, found)
    return 0


def _write(chosen: argparse.Namespace, found: Review) -> None:
    from diagnose.report.findings import review_data, review_text

    if chosen.svg:
        from diagnose.report.recorded import timeline_svg

        write(chosen, chosen.svg, timeline_svg(found), tell)
    if chosen.html:
        from diagnose.report.whole import review_page

        write(chosen, chosen.html, review_page(found), tell)
    if chosen.save:
        from diagnose.session import save_case

        save_case(found.case, chosen.save, over=chosen.over, sources=inputs(chosen))
    if chosen.json:
        print(json.dumps(review_data(found), ensure_ascii=False, indent=1))
    else:
        columns = chosen.width or min(shutil.get_terminal_size((80, 24)).columns, WIDEST)
        print(review_text(found, columns), end="")


# ------------------------------------------------------------------ mapping


def _guess(file: Path, kb: KnowledgeBase) -> int:
    from diagnose.review import dump_map, guess, layout_of

    guessed = guess(layout_of(file), kb)
    print(dump_map(guessed.mapping, guessed.notes), end="")
    if guessed.unused:
        print(f"# not used: {', '.join(repr(name)[1:-1] for name in guessed.unused)}")
    return 0


def _mapping(chosen: argparse.Namespace, kb: KnowledgeBase, *, ask: bool) -> MapRecord | None:
    """The mapping of the file: the user's own, or a guess that is shown and confirmed."""
    from diagnose.review import guess, layout_of, load_map

    if chosen.map:
        return load_map(chosen.map, kb)
    if not ask:
        return None
    guessed = guess(layout_of(chosen.file), kb)
    _confirm([(chosen.file, guessed)])
    return guessed.mapping


def _confirm(guesses: list[tuple[Path, Guess]]) -> None:
    """Show guessed mappings and ask whether they are right. Raises CaseError if nobody says so."""
    from diagnose.review import dump_map

    for file, guessed in guesses:
        print(f"# {file.name}", file=sys.stderr)
        print(dump_map(guessed.mapping, guessed.notes), file=sys.stderr)
    mend = "say --yes to take it, or save it (--guess), mend it and give it with --map"
    if not sys.stdin.isatty():
        raise CaseError("the mapping above is a guess that nobody has confirmed", str(guesses[0][0]), mend)
    answer = input("Is this right? (y/n) ")
    if answer.strip().lower() not in ("y", "yes"):
        raise CaseError("the mapping was not confirmed", mend=mend)


def reviewed(file: Path, mapping: MapRecord | None, panel: str | None, setting: str, kb: KnowledgeBase, engine: Callable[[str], Engine]) -> Review:  # fmt: skip
    """Read and review one file; without a mapping a guess is taken."""
    from diagnose.review import guess, layout_of, read, review

    layout = layout_of(file)
    found = guess(layout, kb).mapping if mapping is None else mapping
    chosen = engine(panel or found.panel or USUAL_PANEL)
    return review(chosen, read(layout, found, kb), found, setting=setting)


# ------------------------------------------------------------------ many flights


def _folder(chosen: argparse.Namespace, setting: str, kb: KnowledgeBase) -> int:
    """Review every CSV file of a folder, two or more at a time; a bad one does not keep the others back."""
    files = sorted(
        p for p in chosen.file.iterdir() if p.suffix.lower() in (".csv", ".txt", ".tsv") and p.is_file()
    )
    if not files:
        raise CaseError("there is no CSV file in this folder", str(chosen.file))
    from diagnose.report.findings import summary_text

    if not (chosen.map or chosen.yes or chosen.json):
        guesses = _guesses(files, kb)
        if guesses:
            _confirm(guesses)
    overlays = (*chosen.knowledge_first, *chosen.knowledge)
    jobs = [(file, chosen.map, chosen.panel, setting, overlays) for file in files]
    rows = list(_progress(jobs))
    rows.sort(key=lambda row: str(row["file"]))
    print(json.dumps(rows, ensure_ascii=False, indent=1) if chosen.json else summary_text(rows))
    return 1 if any("error" in row for row in rows) else 0


def _guesses(files: list[Path], kb: KnowledgeBase) -> list[tuple[Path, Guess]]:
    """One guess for each way in which the files name their columns; a file that cannot be read is told of later."""
    from diagnose.review import guess, layout_of

    found: dict[tuple[str, ...], tuple[Path, Guess]] = {}
    for file in files:
        try:
            layout = layout_of(file)
            if layout.names not in found:
                found[layout.names] = (file, guess(layout, kb))
        except DiagnoseError:
            continue
    return list(found.values())


Job = tuple[Path, Path | None, str | None, str, tuple[Path, ...]]


def _progress(jobs: list[Job]) -> Iterator[dict[str, Any]]:
    """Carry the jobs out in parallel; on a terminal it is told how far they are."""
    import os
    from concurrent.futures import ProcessPoolExecutor, as_completed
    from multiprocessing import get_context

    with ProcessPoolExecutor(min(os.cpu_count() or 1, len(jobs)), mp_context=get_context("spawn")) as pool:
        waiting = [pool.submit(_one, job) for job in jobs]
        for number, done in enumerate(as_completed(waiting), 1):
            row = done.result()
            step(f"{number} of {len(jobs)} flights, the last {row['file']}")
            yield row


@cache
def _knowledge(overlays: tuple[Path, ...]) -> KnowledgeBase:
    """One worker process reviews many files with the same knowledge and engines."""
    from diagnose import load_knowledge

    return load_knowledge(overlays)


@cache
def _engine(overlays: tuple[Path, ...], panel: str) -> Engine:
    from diagnose import engine_for

    return engine_for(_knowledge(overlays), panel)


def _one(job: Job) -> dict[str, Any]:
    from diagnose.report.findings import review_data
    from diagnose.review import load_map

    file, map_file, panel, setting, overlays = job
    kb = _knowledge(overlays)
    try:
        mapping = load_map(map_file, kb) if map_file else None
        return review_data(reviewed(file, mapping, panel, setting, kb, partial(_engine, overlays)))
    except DiagnoseError as error:
        return {"file": file.name, "error": error.what}
