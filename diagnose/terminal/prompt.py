"""Read lines from a terminal or a pipe, and answer each."""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import threading
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import IO, Any, TextIO

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.case_files import case_content, case_of
from diagnose.language.session import State
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.model.files import escaped, private_file, private_folder, toml_of, write_whole
from diagnose.render.layout import sentence
from diagnose.render.text import CAUTION, PLAIN, fill
from diagnose.terminal.commands import HINT, Desk, next_step, obey
from diagnose.terminal.commands.desk import Left, never_taken_in
from diagnose.terminal.commands.files import left_over
from diagnose.terminal.commands.guide import put
from diagnose.terminal.console import LONGEST_LINE, paged, pause
from diagnose.terminal.screen import complete, summary

# ------------------------------------------------------------------ the unsaved case of each running prompt, kept in a file of its own, and those of prompts that have ended
# Each prompt writes ``desk-<key>.toml`` and holds a lock on ``desk-<key>.lock`` while it runs. A file whose
# lock is free was left by a prompt that has ended, in whatever way; the system frees the lock even of a
# process that was killed. So two prompts never share a file, and none takes what another still works on.


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeper:
    """The file of this prompt and its lock; ``lock`` is held as long as it stays open."""

    path: Path
    lock: IO[str]

    def keep(self, desk: Desk, before: Desk) -> None:
        """Write what lies on the table, and clear away what has been taken up. Raises CaseError."""
        if desk.session.unsaved:
            if desk.session.now != before.session.now or not self.path.exists():
                state = desk.session.now
                write_whole(lambda: _text(state), self.path, "case", over=True, private=True)
        else:
            self.path.unlink(missing_ok=True)
        for left in before.left:
            if left not in desk.left:
                discard(left.path)

    def close(self) -> None:
        """End: give the lock back, and leave the file to the next prompt if there is something in it."""
        self.lock.close()
        if not self.path.exists():
            discard(self.path)


def open_keeper(folder: Path) -> Keeper:
    """Choose a file of our own in the folder. Raises OSError if it cannot be written."""
    private_folder(folder)
    number = 0
    while True:
        path = folder / f"desk-{os.getpid()}-{number}.toml"
        lock = open(private_file(_lock_path(path)), "a", encoding="utf-8")  # noqa: SIM115 - held while the prompt runs
        if not path.exists() and _locked(lock):
            return Keeper(path=path, lock=lock)
        lock.close()
        number += 1


def left_behind(folder: Path, kb: KnowledgeBase, own: Path) -> tuple[tuple[Left, ...], tuple[str, ...]]:
    """What ended prompts have left, newest first, and what to say of files that cannot be used."""
    for lock_path in folder.glob("desk-*.lock"):
        if not lock_path.with_suffix(".toml").exists():
            with open(lock_path, "a", encoding="utf-8") as lock:
                free = _locked(lock)
            if free:
                lock_path.unlink(missing_ok=True)
    found: list[tuple[float, Left]] = []
    told: list[str] = []
    for path in sorted(folder.glob("desk-*.toml")):
        if path == own or path.name.endswith(".unread.toml"):
            continue
        with open(_lock_path(path), "a", encoding="utf-8") as lock:
            if not _locked(lock):
                continue
        when = path.stat().st_mtime
        try:
            state = _read(path, kb)
        except CaseError as error:
            aside = path.with_suffix(".unread.toml")
            path.replace(aside)
            discard(path)
            told.append(f"An unsaved case cannot be read: {error} It is kept in {aside}.")
            continue
        said = datetime.fromtimestamp(when).strftime("%d %b %H:%M")
        found.append((when, Left(state=state, when=said, path=path)))
    return tuple(left for _, left in sorted(found, key=lambda pair: -pair[0])), tuple(told)


def discard(path: Path) -> None:
    """Take a kept file and its lock away."""
    for gone in (path, _lock_path(path)):
        with contextlib.suppress(OSError):
            gone.unlink(missing_ok=True)


def _lock_path(path: Path) -> Path:
    return path.with_suffix(".lock")


def _locked(file: IO[str]) -> bool:
    """Take the lock of an open file; False if another process holds it."""
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


# ------------------------------------------------------------------ the file


def _content(state: State) -> dict[str, Any]:
    content: dict[str, Any] = {"at": state.at, "case": case_content(state.case)}
    if state.path:
        content["path"] = str(state.path)
    if state.branches:
        content["branches"] = [{"name": name, "case": case_content(case)} for name, case in state.branches]
    if state.base:
        content["base"] = _content(state.base)
    return content


def _text(state: State) -> str:
    import tomli_w

    return escaped(tomli_w.dumps(_content(state)))


def _read(path: Path, kb: KnowledgeBase) -> State:
    try:
        content = toml_of(path.read_bytes())
    except (OSError, ValueError) as error:
        raise CaseError(f"the file is no longer whole ({error})", str(path)) from None
    return _state(content, kb, str(path))


def _state(content: Mapping[str, Any], kb: KnowledgeBase, where: str) -> State:
    try:
        case = case_of(content["case"], kb, where)
        at, path = int(content["at"]), Path(content["path"]) if "path" in content else None
        branches = tuple((str(b["name"]), case_of(b["case"], kb, where)) for b in content.get("branches", ()))
    except (KeyError, TypeError, ValueError, AttributeError):
        raise CaseError("the file does not hold what a prompt keeps", where) from None
    return State(
        case=case,
        path=path,
        at=max(0, min(at, len(case.snapshot) - 1)),
        base=_state(content["base"], kb, where) if "base" in content else None,
        branches=branches,
    )


WIDEST = 110


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """How the prompt is to behave: ``batch`` stops at the first fault, ``plain`` draws nothing."""

    batch: bool = False
    plain: bool = False
    colour: bool = True


def state_folder() -> Path:
    """Folder of the user's own state (history and autosave)."""
    import platformdirs

    return Path(platformdirs.user_state_dir("diagnose-gauges", appauthor=False))


def run(
    desk: Desk,
    stdin: TextIO | None,
    stdout: TextIO,
    options: Options | None = None,
    folder: Path | None = None,
    first: tuple[str, ...] = (),
) -> int:
    """Run the prompt, with these lines before any other; gives the exit code."""
    options = options or Options()
    if stdin is not None and stdin.isatty() and stdout.isatty() and not options.batch:
        return run_terminal(desk, folder or state_folder(), options, first)
    return run_lines(desk, itertools.chain(first, stdin or ()), stdout, options)


def run_lines(desk: Desk, lines: Iterable[str], stdout: TextIO, options: Options | None = None) -> int:
    """Answer lines without a terminal: a bad line is reported and passed over, or ends a batch.

    Each line is repeated before its answer, so that the output can be read by itself.
    """
    options = options or Options()
    desk = replace(desk, width=PLAIN if options.plain else desk.width)
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
            print(f"> {line.strip()[:LONGEST_LINE]}\n{text}\n", file=stdout, flush=True)
        if desk.done or (worst and options.batch):
            break
    if desk.guide and desk.guide.held:
        worst = max(worst, CaseError.exit_code)
        print(fill(never_taken_in(desk.guide), desk.width), file=stdout)
    return worst


def width_of_terminal() -> int:
    """Columns to write in."""
    return min(shutil.get_terminal_size((80, 24)).columns, WIDEST)


def lines_for_completion() -> int:
    """Lines kept free below the prompt for completions: a low terminal needs them for the answer."""
    return max(2, min(8, shutil.get_terminal_size((80, 24)).lines // 6))


def run_terminal(
    desk: Desk, folder: Path, options: Options, first: tuple[str, ...] = (), **session_options: Any
) -> int:
    """Answer lines in a terminal, with completion, history and autosave."""
    pause()
    desk = replace(desk, width=PLAIN if options.plain else width_of_terminal(), asks=True)
    keeping = Keeping(None)
    told: list[str] = []
    try:
        keeper = open_keeper(folder)
        private_file(folder / "history")
        keeping = Keeping(keeper)
        left, told_unread = left_behind(folder, desk.kb, keeper.path)
        told += [fill(text, desk.width) for text in told_unread]
        desk = replace(desk, left=left)
    except OSError as error:
        told.append(
            fill(f"Nothing is kept for next time: {folder} cannot be written ({error.strerror}).", desk.width)
        )
    if desk.left:
        told.append(left_over(desk))
    print("\n".join((*told, *(() if first else HINT))))
    print(fill(CAUTION, desk.width))
    reader = _reader(folder if keeping.keeper else None, options, lambda: desk, session_options)
    # the engine is built while the first line is typed; what is wrong with it is told when it is used
    threading.Thread(target=_warm, args=(desk,), daemon=True).start()
    waiting = list(first)
    try:
        while not desk.done:
            if desk.face == "worksheet":
                from diagnose.terminal.worksheet import run_worksheet

                desk = run_worksheet(desk, options.colour, keeping.keep, **session_options)
                if desk.guide:
                    print(put(desk))
                continue
            opening = bool(waiting)
            reader.reserve_space_for_menu = lines_for_completion()
            try:
                # what was pasted may hold many lines
                lines = (
                    [waiting.pop(0)]
                    if waiting
                    else reader.prompt("answer> " if desk.guide else "gauges> ").splitlines()
                )
            except KeyboardInterrupt:
                continue
            except EOFError:
                break
            desk = replace(desk, width=desk.width and width_of_terminal())
            if not any(line.strip() for line in lines):
                print(put(desk) if desk.guide else next_step(desk))
            while lines:
                before = desk
                # what comes from the command line only lays the table
                desk, typed = _answer(replace(desk, later=opening), lines.pop(0))
                desk = replace(desk, later=False)
                lines = [typed, *lines] if typed else lines
                if problem := keeping.keep(before, desk):
                    print(fill(problem, desk.width))
        if keeping.keeper and keeping.keeper.path.exists():
            print("Your unsaved case is offered next time ('save FILE' keeps it under a name).")
    finally:
        keeping.close()
    return 0


def _warm(desk: Desk) -> None:
    with contextlib.suppress(Exception):
        _ = desk.engine


def _answer(desk: Desk, line: str) -> tuple[Desk, str]:
    """Carry one line out and print what it gives; gives also a line that was typed between two pages."""
    try:
        after, text = obey(desk, line)
    except DiagnoseError as error:
        print(fill(sentence(str(error)), desk.width))
        return desk, ""
    except KeyboardInterrupt:
        print("Stopped; nothing was changed.")
        return desk, ""
    return after, paged(text) if text else ""


def _reader(folder: Path | None, options: Options, desk: Any, more: dict[str, Any]) -> Any:
    """The line editor; its history is kept in the folder."""
    from prompt_toolkit import PromptSession
    from prompt_toolkit.completion import Completer, Completion
    from prompt_toolkit.document import Document
    from prompt_toolkit.history import FileHistory, InMemoryHistory
    from prompt_toolkit.output import ColorDepth

    class Words(Completer):
        def get_completions(self, document: Document, complete_event: object) -> Iterator[Completion]:
            for word, means, replaced in complete(document.text_before_cursor, desk()):
                yield Completion(word, start_position=-replaced, display_meta=means)

    return PromptSession(
        history=FileHistory(str(folder / "history")) if folder else InMemoryHistory(),
        completer=Words(),
        complete_while_typing=not options.plain,
        # a listener hears the state when asking for it, not after every key
        bottom_toolbar=None if options.plain else (lambda: summary(desk())),
        color_depth=None if options.colour else ColorDepth.DEPTH_1_BIT,
        **more,
    )


class Keeping:
    """Keeps the table after every change; says once when that fails."""

    def __init__(self, keeper: Keeper | None) -> None:
        self.keeper = keeper

    def keep(self, before: Desk, after: Desk) -> str:
        """Write what lies on the table now; gives what went wrong, "" if nothing."""
        if self.keeper is None:
            return ""
        try:
            self.keeper.keep(after, before)
        except DiagnoseError as error:
            self.close()
            self.keeper = None
            return f"Nothing is kept for next time: {error}"
        return ""

    def close(self) -> None:
        """End the keeping; the file stays if something is in it."""
        if self.keeper:
            self.keeper.close()
