"""What lies on the table of each running prompt, kept in a file of its own, and what was left by others.

Each prompt writes ``desk-<key>.toml`` and holds a lock on ``desk-<key>.lock`` while it runs. A file whose
lock is free was left by a prompt that has ended, in whatever way; the system frees the lock even of a
process that was killed. So two prompts never share a file, and none takes what another still works on.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, Any

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.case_files import case_content, case_of
from diagnose.language.session import State
from diagnose.model.errors import CaseError
from diagnose.model.files import escaped, private_file, private_folder, toml_of, write_whole
from diagnose.terminal.commands import Desk
from diagnose.terminal.commands.desk import Left


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
            told.append(f"What was on the table cannot be read: {error} It is kept in {aside}.")
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
