"""``diagnose review``: recorded flights to a timeline and a cause."""

from __future__ import annotations

import argparse
import json
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Parser, Subparsers, command, inputs, show, tell, text_width, write
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.terminal.console import bounded

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.review import Guess, MapRecord, Review

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
    from diagnose.review import reviewed

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
    from diagnose.review import dump_map, guess_of

    guessed = guess_of(chosen.file, tuple(chosen.say), kb)
    print(dump_map(guessed.mapping, guessed.notes), end="")
    for column, asks in guessed.questions:
        print(f"# to be answered: {repr(f'{column}: {asks}' if column else asks)[1:-1]}")
    if guessed.unused:
        print(f"# not used: {', '.join(repr(name)[1:-1] for name in guessed.unused)}")
    return 0


def _mapping(chosen: argparse.Namespace, kb: KnowledgeBase, *, ask: bool) -> MapRecord | Guess:
    """The mapping of the file: the user's own, or a guess that is shown, corrected and confirmed."""
    from diagnose.review import guess_of, load_map

    if chosen.map:
        return load_map(chosen.map, kb)
    found = guess_of(chosen.file, tuple(chosen.say), kb)
    return _confirmed(chosen, chosen.file, found, kb)[0] if ask else found


def _show(chosen: argparse.Namespace, file: Path, found: Guess, kb: KnowledgeBase) -> None:
    from diagnose.review import columns_text

    print(f"{file.name}:\n{columns_text(found, kb, text_width(chosen))}", file=sys.stderr)


def _confirmed(chosen: argparse.Namespace, file: Path, found: Guess, kb: KnowledgeBase) -> tuple[Guess, tuple[str, ...]]:  # fmt: skip
    """The guess as the user has corrected and confirmed it, and his corrections. Raises CaseError if nobody did."""
    from diagnose.review import changed_text, corrected, dump_map

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
    from diagnose.cli.fleet import PAGE, Job, recordings, reviews, table_of
    from diagnose.render.pages.fleet import fleet_row, fleet_text

    files = recordings(chosen.file, chosen.table)
    if not files:
        raise CaseError("there is no CSV file in this folder", str(chosen.file), "give the folder of the recordings")
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
    from diagnose.review import layout_of

    try:
        return layout_of(file, kb).names
    except DiagnoseError:
        return ()


def _says(chosen: argparse.Namespace, files: list[Path], kb: KnowledgeBase) -> dict[tuple[str, ...], tuple[str, ...]]:  # fmt: skip
    """The user's corrections of one guess for each way in which the files name their columns.

    A file of which nothing can be used is told of when it is reviewed.
    """
    from diagnose.review import guess_of

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
