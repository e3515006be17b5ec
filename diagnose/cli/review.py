"""``diagnose review``: recorded flights to a timeline and a cause."""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
from collections.abc import Iterable, Iterator, Sequence
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.cli.command import Load, Parser, Subparsers, command, inputs, show, tell, text_width, write
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.model.files import write_whole
from diagnose.model.workers import results
from diagnose.terminal.console import bounded, step

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.network.engine import Engine
    from diagnose.review.findings import Review
    from diagnose.review.mapping import Guess
    from diagnose.review.table import MapRecord

HOW_TO_ANSWER = (
    'Correct it in words ("speed is groundspeed in km/h", "ignore HDG2"), "save FILE" to keep it, '
    '"show" it again, "yes" to go on, "no" to stop.'
)


def add(commands: Subparsers, shared: Parser) -> None:
    """Add the command to the parser."""
    about = "review a recorded flight (CSV), or a folder of them"
    review = command(commands, shared, "review", _review, about)
    review.add_argument("file", type=Path, help="a CSV file, or a folder of them")
    review.option("--map", type=Path, metavar="FILE", text="which column is what (see --guess)")
    review.flag("--guess", text="show the mapping as guessed, to be saved, mended and given with --map")
    review.option(
        "--say",
        action="append",
        default=[],
        metavar="WORDS",
        text='correct the guess, as in "altimeter is gps altitude", "speed is groundspeed in km/h", "ignore HDG2"; '
        "may be repeated",
    )
    review.flag("--yes", text="take the guess; a column that has to be asked about is not used")
    review.option("--panel", metavar="PANEL", text="the aircraft's panel (single_pump)")
    setting = "why you are here: routine (the default), anomaly or exercise"
    review.option("--setting", metavar="WHY", text=setting)
    review.writes("--svg", text="write the timeline as a picture")
    review.writes("-o", "--html", text="write the report as one page")
    review.writes("--save", text="write the moments as a case file")
    kept = "of a folder of flights: keep their table there (page and CSV), and go on where it stopped"
    review.option("--table", type=Path, metavar="FOLDER", text=kept)
    review.asks_cluster()
    review.asks_form()


def _review(chosen: argparse.Namespace, load: Load) -> int:
    if chosen.guess:
        return _guess(chosen, load())
    kb = load()
    setting = ""
    if chosen.setting:
        from diagnose.language import entry_forms, find

        setting = find(chosen.setting, entry_forms(kb.settings), "setting")
    if chosen.file.is_dir():
        return _folder(chosen, setting, kb)
    from diagnose import engine_for
    from diagnose.review.findings import reviewed

    mapping = _mapping(chosen, kb, ask=not (chosen.yes or chosen.json))
    found = reviewed(chosen.file, mapping, chosen.panel, setting, kb, partial(engine_for, kb))
    _write(chosen, found)
    return 0


def _write(chosen: argparse.Namespace, found: Review) -> None:
    from diagnose.render.pages.findings import review_data, review_text

    if chosen.svg:
        from diagnose.render.pages.recorded import timeline_svg

        write(chosen, chosen.svg, timeline_svg(found), tell)
    if chosen.html:
        from diagnose.render.pages.whole import review_page

        write(chosen, chosen.html, review_page(found), tell)
    if chosen.save:
        from diagnose.language.case_files import save_case

        save_case(found.case, chosen.save, over=chosen.over, sources=inputs(chosen))
    show(chosen, lambda: review_data(found), lambda columns: review_text(found, columns).removesuffix("\n"))


# ------------------------------------------------------------------ mapping


def _guess(chosen: argparse.Namespace, kb: KnowledgeBase) -> int:
    """Print the guess, corrected, as a mapping file; what is open stands in it as remarks."""
    from diagnose.review.dialogue import guess_of
    from diagnose.review.table import dump_map

    guessed = guess_of(chosen.file, tuple(chosen.say), kb)
    print(dump_map(guessed.mapping, guessed.notes), end="")
    for column, asks in guessed.questions:
        print(f"# to be answered: {repr(f'{column}: {asks}' if column else asks)[1:-1]}")
    if guessed.unused:
        print(f"# not used: {', '.join(repr(name)[1:-1] for name in guessed.unused)}")
    return 0


def _mapping(chosen: argparse.Namespace, kb: KnowledgeBase, *, ask: bool) -> MapRecord | Guess:
    """The mapping of the file: the user's own, or a guess that is shown, corrected and confirmed."""
    from diagnose.review.dialogue import guess_of
    from diagnose.review.table import load_map

    if chosen.map:
        return load_map(chosen.map, kb)
    found = guess_of(chosen.file, tuple(chosen.say), kb)
    return _confirmed(chosen, chosen.file, found, kb)[0] if ask else found


def _show(chosen: argparse.Namespace, file: Path, found: Guess, kb: KnowledgeBase) -> None:
    from diagnose.review.dialogue import columns_text

    print(f"{file.name}:\n{columns_text(found, kb, text_width(chosen))}", file=sys.stderr)


def _confirmed(chosen: argparse.Namespace, file: Path, found: Guess, kb: KnowledgeBase) -> tuple[Guess, tuple[str, ...]]:  # fmt: skip
    """The guess as the user has corrected and confirmed it, and his corrections. Raises CaseError if nobody did."""
    from diagnose.review.dialogue import changed_text, corrected
    from diagnose.review.table import dump_map

    columns = text_width(chosen)
    says: list[str] = []
    _show(chosen, file, found, kb)
    if not sys.stdin.isatty():
        raise CaseError(
            "the table above is a guess that nobody has confirmed",
            str(file),
            'say --yes to take it, correct it with --say "COLUMN is …", or save it (--guess) and give it with --map',
        )
    print(f"{HOW_TO_ANSWER}\n", file=sys.stderr)
    while True:
        sys.stderr.write("> ")
        sys.stderr.flush()
        line = sys.stdin.readline()
        said = " ".join(line.split())
        match said.lower() if line else "no":
            case "":
                continue
            case "y" | "yes" | "ok" | "go on":
                return found, tuple(says)
            case "n" | "no" | "q" | "quit" | "stop":
                raise CaseError("the mapping was not confirmed", str(file))
            case "show":
                _show(chosen, file, found, kb)
                continue
        try:
            if bounded(said).lower().startswith("save "):
                name = said[5:].removeprefix("as ").strip("\"' ")
                write(chosen, Path(name), dump_map(found.mapping, found.notes), tell)
                continue
            before, found = found, corrected(found, said, kb)
        except DiagnoseError as error:
            print(error, file=sys.stderr)
            continue
        says.append(said)
        print(changed_text(before, found, kb, columns), file=sys.stderr)


# ------------------------------------------------------------------ many flights


def _folder(chosen: argparse.Namespace, setting: str, kb: KnowledgeBase) -> int:
    """Review every recording of a folder, on all cores; a bad one does not keep the others back."""
    from diagnose.render.pages.findings import fleet_row, fleet_text

    files = recordings(chosen.file, chosen.table)
    if not files:
        raise CaseError(
            "there is no CSV file in this folder", str(chosen.file), "give the folder of the recordings"
        )
    says = {}
    if not (chosen.map or chosen.yes or chosen.json):
        says = _says(chosen, files, kb)
    overlays = tuple(path.resolve() for path in (*chosen.knowledge_first, *chosen.knowledge))
    mapping = chosen.map.resolve() if chosen.map else None
    jobs: list[Job] = []
    for file in files:
        own = (*chosen.say, *says.get(_names(file, kb), ())) if says or not mapping else ()
        name = file.relative_to(chosen.file).as_posix()
        jobs.append((file.resolve(), name, mapping, own, chosen.panel, setting, overlays))
    failed = False
    if chosen.json and not chosen.table:
        print("[", end="")
        for number, data in enumerate(reviews(jobs, chosen.cluster)):
            failed |= "error" in data
            print("," * (number > 0) + json.dumps(data, ensure_ascii=False, indent=1), end="")
        print("]")
        return int(failed)
    if chosen.table:
        rows = table_of(jobs, chosen.table, chosen.cluster)
    else:
        rows = [fleet_row(data) for data in reviews(jobs, chosen.cluster)]
    if chosen.json:
        print(json.dumps(rows, ensure_ascii=False, indent=1))
    elif chosen.table:
        tell(str(chosen.table / PAGE))
    if not chosen.json:
        print(fleet_text(rows))
    return int(any(row["error"] for row in rows))


def _names(file: Path, kb: KnowledgeBase) -> tuple[str, ...]:
    """How a file names its columns; nothing for one that cannot be read, which is told of later."""
    from diagnose.review.table import layout_of

    try:
        return layout_of(file, kb).names
    except DiagnoseError:
        return ()


def _says(chosen: argparse.Namespace, files: list[Path], kb: KnowledgeBase) -> dict[tuple[str, ...], tuple[str, ...]]:  # fmt: skip
    """The user's corrections of one guess for each way in which the files name their columns.

    A file of which nothing can be used is told of when it is reviewed.
    """
    from diagnose.review.dialogue import guess_of

    first: dict[tuple[str, ...], Path] = {}
    for file in files:
        names = _names(file, kb)
        if names:
            first.setdefault(names, file)
    guesses = {names: guess_of(file, tuple(chosen.say), kb) for names, file in first.items()}
    guesses = {names: found for names, found in guesses.items() if any(row.channel for row in found.rows)}
    if not sys.stdin.isatty():
        for names in list(guesses)[:-1]:
            _show(chosen, first[names], guesses[names], kb)
    return {names: _confirmed(chosen, first[names], found, kb)[1] for names, found in guesses.items()}


SUFFIXES = (".csv", ".txt", ".tsv")
#: files of the table: one line for each finished flight, written as it is finished; the table; the page
JOURNAL, TABLE, PAGE = "flights.jsonl", "flights.csv", "flights.html"

#: (file, its name in the table, mapping file, corrections, panel, setting, overlays of the knowledge)
Job = tuple[Path, str, Path | None, tuple[str, ...], str | None, str, tuple[Path, ...]]


def recordings(folder: Path, but: Path | None) -> list[Path]:
    """The recordings in a folder and those below it, but not in the folder of the table."""
    found = (path for path in folder.rglob("*") if path.suffix.lower() in SUFFIXES and path.is_file())
    return sorted(path for path in found if but is None or but.resolve() not in path.resolve().parents)


def reviews(jobs: Sequence[Job], cluster: str = "") -> Iterator[dict[str, Any]]:
    """The reviews as data, in the order of the jobs; on a terminal it is told how far they are."""
    place = {job: number for number, job in enumerate(jobs)}
    ready: dict[int, dict[str, Any]] = {}
    following = 0
    for done, (job, data) in enumerate(results(review_one, jobs, cluster=cluster), 1):
        step(f"{done} of {len(jobs)} flights, the last {data['file']}")
        ready[place[job]] = data
        while following in ready:
            yield ready.pop(following)
            following += 1


def table_of(jobs: Sequence[Job], folder: Path, cluster: str = "") -> list[dict[str, Any]]:
    """The rows of the table, as in the order of the jobs; what the journal holds already is not reviewed again.

    A row counts under a digest of the file and of all that the review depends on. Raises CaseError if it cannot be kept.
    """
    from diagnose.knowledge.cache import digest
    from diagnose.proof.calibrate.run import work_mark
    from diagnose.render.pages.findings import fleet_csv, fleet_page, fleet_row

    marks = {overlays: work_mark(overlays) for overlays in {job[-1] for job in jobs}}

    def key(job: Job) -> str:
        file, name, mapping, *others, overlays = job
        told = repr((name, others, marks[overlays])).encode()
        return digest([told, file.read_bytes(), mapping.read_bytes() if mapping else b""])

    journal = folder / JOURNAL
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # without a journal of ours it is no folder of a table: files of these names are somebody else's
        others = [journal] if journal.exists() and not _ours(journal) else []
        if not journal.exists():
            others = [folder / name for name in (TABLE, PAGE) if (folder / name).exists()]
        for path in others:
            raise CaseError("this file is not of this table", str(path), "name another folder")
        keys = {job: key(job) for job in jobs}
        rows = dict(_kept(journal))
        left = [job for job in jobs if keys[job] not in rows]
        with journal.open("ab") as file:
            # a line that was cut by a stop stays by itself
            file.write(b"\n" if file.tell() else b"")
            there = len(jobs) - len(left)
            for done, (job, data) in enumerate(results(review_one, left, cluster=cluster), there + 1):
                rows[keys[job]] = fleet_row(data)
                file.write(json.dumps([keys[job], rows[keys[job]]], ensure_ascii=False).encode() + b"\n")
                file.flush()
                os.fsync(file.fileno())
                step(f"{done} of {len(jobs)} flights, the last {data['file']}")
    except OSError as error:
        raise CaseError(
            f"the table cannot be kept: {error.strerror or error}", str(folder), "name another folder"
        ) from None
    table = [rows[keys[job]] for job in jobs]
    write_whole(fleet_csv(table), folder / TABLE, "table", over=True)
    write_whole(fleet_page(table), folder / PAGE, "page", over=True)
    return table


#: how a line of the journal begins: a key; it may be cut anywhere
LINE = re.compile(rb'\["[0-9a-f]{8,}"|\["[0-9a-f]{0,8}$|\[?$')


def _ours(journal: Path) -> bool:
    """Whether every line begins as those of a journal do."""
    with journal.open("rb") as file:
        return all(LINE.match(line.strip()) for line in file)


def _kept(journal: Path) -> Iterable[tuple[str, dict[str, Any]]]:
    """Key and row of each flight in the journal; a line that is no such pair tells nothing."""
    if not journal.exists():
        return
    with journal.open("rb") as file:
        for line in file:
            try:
                key, row = json.loads(line)
                yield str(key), dict(row)
            except (ValueError, TypeError):
                continue


@cache
def _knowledge(overlays: tuple[Path, ...]) -> KnowledgeBase:
    """One worker process reviews many files with the same knowledge and engines."""
    from diagnose import load_knowledge

    return load_knowledge(overlays)


@cache
def _engine(overlays: tuple[Path, ...], panel: str) -> Engine:
    from diagnose import engine_for

    return engine_for(_knowledge(overlays), panel)


def review_one(job: Job) -> dict[str, Any]:
    """One review as data; of a file that cannot be reviewed why."""
    from diagnose.render.pages.findings import review_data
    from diagnose.review.dialogue import guess_of
    from diagnose.review.findings import reviewed
    from diagnose.review.table import load_map

    file, name, map_file, says, panel, setting, overlays = job
    kb = _knowledge(overlays)
    try:
        mapping = load_map(map_file, kb) if map_file else guess_of(file, says, kb)
        found = reviewed(file, mapping, panel, setting, kb, partial(_engine, overlays))
        return review_data(found) | {"file": name}
    except DiagnoseError as error:
        return {"file": name, "error": error.what}
