"""Read lines from a terminal or a pipe, and answer each."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, TextIO

from diagnose.commands import HINT, Desk, obey
from diagnose.errors import CaseError, DiagnoseError
from diagnose.knowledge import KnowledgeBase
from diagnose.session import Session, restore, save_case
from diagnose.terminal.screen import complete, summary
from diagnose.text import CAUTION, fill

WIDEST = 110


def state_folder() -> Path:
    """Folder of the user's own state (history and autosave)."""
    import platformdirs

    return Path(platformdirs.user_state_dir("diagnose-gauges", appauthor=False))


def run(kb: KnowledgeBase, stdin: TextIO | None, stdout: TextIO, folder: Path | None = None) -> int:
    """Run the prompt; gives the exit code."""
    if stdin is not None and stdin.isatty() and stdout.isatty():
        return run_terminal(kb, folder or state_folder())
    return run_lines(Desk(kb=kb), stdin or (), stdout)


def run_lines(desk: Desk, lines: Iterable[str], stdout: TextIO) -> int:
    """Answer lines without a terminal: a bad line is reported and passed over.

    Each line is repeated before its answer, so that the output can be read by itself.
    """
    worst = 0
    print(fill(CAUTION, desk.width), end="\n\n", file=stdout)
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            desk, text = obey(desk, line)
        except DiagnoseError as error:
            worst = max(worst, error.exit_code)
            text = f"line {number}: {error}"
        if text:
            print(f"> {line.strip()}\n{text}\n", file=stdout, flush=True)
        if desk.done:
            break
    return worst


def width_of_terminal() -> int:
    """Columns to write in."""
    return min(shutil.get_terminal_size((80, 24)).columns, WIDEST)


def run_terminal(kb: KnowledgeBase, folder: Path, **session_options: Any) -> int:
    """Answer lines in a terminal, with completion, history and autosave."""
    from prompt_toolkit import PromptSession
    from prompt_toolkit.completion import Completer, Completion
    from prompt_toolkit.document import Document
    from prompt_toolkit.history import FileHistory, InMemoryHistory

    desk = Desk(kb=kb, width=width_of_terminal())
    autosave: Path | None = folder / "autosave.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "history").touch()
        desk, told = _take_up(desk, folder / "autosave.toml")
    except OSError as error:
        autosave = None
        told = f"Nothing is kept for next time: {folder} cannot be written ({error.strerror})."
    print(fill(told, desk.width) if told else "\n".join(HINT))
    print(fill(CAUTION, desk.width))

    class Words(Completer):
        def get_completions(self, document: Document, complete_event: object) -> Iterator[Completion]:
            for word, means, replaced in complete(document.text_before_cursor, desk):
                yield Completion(word, start_position=-replaced, display_meta=means)

    prompt: PromptSession[str] = PromptSession(
        history=FileHistory(str(folder / "history")) if autosave else InMemoryHistory(),
        completer=Words(),
        complete_while_typing=True,
        bottom_toolbar=lambda: summary(desk),
        **session_options,
    )
    while not desk.done:
        try:
            line = prompt.prompt("gauges> ")
        except KeyboardInterrupt:
            continue
        except EOFError:
            break
        desk = replace(desk, width=width_of_terminal())
        try:
            after, text = obey(desk, line)
        except DiagnoseError as error:
            print(fill(str(error), desk.width))
            continue
        except KeyboardInterrupt:
            print("Stopped; nothing was changed.")
            continue
        desk = after
        if text:
            print(text)
        if autosave:
            autosave = _keep(desk, autosave)
    _leave(desk, autosave)
    return 0


def _take_up(desk: Desk, autosave: Path) -> tuple[Desk, str]:
    """Go on with what was left on the table, and say so. A file that cannot be used is set aside."""
    try:
        left = restore(autosave, desk.kb)
    except CaseError as error:
        aside = autosave.with_suffix(".unread.toml")
        autosave.replace(aside)
        return desk, f"What was on the table cannot be read: {error} It is kept in {aside}."
    if left is None:
        return desk, ""
    session = Session(past=((desk.case, None),), case=left)
    count = "1 snapshot" if len(left.snapshot) == 1 else f"{len(left.snapshot)} snapshots"
    return replace(desk, session=session), (
        f"Restored what was on the table: {left.title}, {count}. 'show' shows it, 'new' starts afresh."
    )


def _keep(desk: Desk, autosave: Path) -> Path | None:
    """Write the autosave; gives up, with one message, when it cannot be written."""
    try:
        save_case(desk.case, autosave)
    except DiagnoseError as error:
        print(fill(f"Nothing is kept for next time: {error}", desk.width))
        return None
    return autosave


def _leave(desk: Desk, autosave: Path | None) -> None:
    if autosave and desk.session.saved == desk.case:
        autosave.unlink(missing_ok=True)
    elif autosave and desk.case.snapshot:
        print("What is on the table comes back next time ('save FILE' keeps it under a name).")
