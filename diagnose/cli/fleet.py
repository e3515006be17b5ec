"""Many recorded flights: reviewed on all cores or on a cluster, with one table that goes on where it stopped."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Sequence
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.model.files import write_whole
from diagnose.model.workers import results
from diagnose.terminal.console import step

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.network.engine import Engine

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
    from diagnose.render.pages.fleet import fleet_csv, fleet_page, fleet_row

    marks = {overlays: work_mark(overlays) for overlays in {job[-1] for job in jobs}}

    def key(job: Job) -> str:
        file, name, mapping, *others, overlays = job
        told = repr((name, others, marks[overlays])).encode()
        return digest([told, file.read_bytes(), mapping.read_bytes() if mapping else b""])

    journal = folder / JOURNAL
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not journal.exists():
            # without a journal it is no folder of a table: files of these names are somebody else's
            for name in (TABLE, PAGE):
                if (folder / name).exists():
                    raise CaseError(
                        "this file is not of this table", str(folder / name), "name another folder"
                    )
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
    from diagnose.review import guess_of, load_map, reviewed

    file, name, map_file, says, panel, setting, overlays = job
    kb = _knowledge(overlays)
    try:
        mapping = load_map(map_file, kb) if map_file else guess_of(file, says, kb)
        found = reviewed(file, mapping, panel, setting, kb, partial(_engine, overlays))
        return review_data(found) | {"file": name}
    except DiagnoseError as error:
        return {"file": name, "error": error.what}
