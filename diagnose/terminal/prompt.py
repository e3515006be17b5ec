"""Read lines from a terminal or a pipe, and answer each."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, TextIO

from diagnose.commands import HINT, Desk, complete, obey, summary
from diagnose.errors import DiagnoseError
from diagnose.knowledge import KnowledgeBase
from diagnose.session import Session, restore, save_case
from diagnose.text import CAUTION


def state_folder() -> Path:
    """Folder of the user's own state (history and autosave)."""
    import platformdirs

    return Path(platformdirs.user_state_dir("diagnose-gauges", appauthor=False))


def run(kb: KnowledgeBase, stdin: TextIO, stdout: TextIO, folder: Path | None = None) -> int:
    """Run the prompt; gives the exit code."""
    if stdin.isatty():
        return run_terminal(kb, folder or state_folder())
    return run_lines(Desk(kb=kb), stdin, stdout)


def run_lines(desk: Desk, lines: Iterable[str], stdout: TextIO) -> int:
    """Answer lines without a terminal: no prompt signs, a bad line is reported and passed over."""
    worst = 0
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            desk, text = obey(desk, line)
        except DiagnoseError as error:
            worst = max(worst, error.exit_code)
            text = f"line {number}: {error}"
        if text:
            print(f"> {line.strip()}\n{text}\n", file=stdout)
        if desk.done:
            break
    return worst


def run_terminal(kb: KnowledgeBase, folder: Path, **session_options: Any) -> int:
    """Answer lines in a terminal, with completion, history and autosave."""
    from prompt_toolkit import PromptSession
    from prompt_toolkit.completion import Completer, Completion
    from prompt_toolkit.document import Document
    from prompt_toolkit.history import FileHistory

    folder.mkdir(parents=True, exist_ok=True)
    autosave = folder / "autosave.toml"
    desk = Desk(kb=kb, width=min(shutil.get_terminal_size((80, 24)).columns, 110))
    left = restore(autosave, kb)
    if left is not None:
        desk = replace(desk, session=Session(past=(desk.case,), case=left))
        print(f"Restored what was on the table: {len(left.snapshot)} snapshot(s). 'new' starts afresh.")
    else:
        print("\n".join(HINT))
    print(CAUTION)

    class Words(Completer):
        def get_completions(self, document: Document, complete_event: object) -> Iterator[Completion]:
            for word, means, replaced in complete(document.text_before_cursor, desk):
                yield Completion(word, start_position=-replaced, display_meta=means)

    prompt: PromptSession[str] = PromptSession(
        history=FileHistory(str(folder / "history")),
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
        try:
            desk, text = obey(desk, line)
            if text:
                print(text)
            save_case(desk.case, autosave)
        except DiagnoseError as error:
            print(error)
        except KeyboardInterrupt:
            print("stopped; nothing was changed")
    if desk.session.saved == desk.case:
        autosave.unlink(missing_ok=True)
    elif desk.case.snapshot:
        print("What is on the table comes back next time ('save FILE' keeps it under a name).")
    return 0
