"""What takes long to make and always comes out the same is kept ready between runs, in the user's cache folder.

A result is found again only under the digest of everything that went into it: what it was made from, the
code of this package, and the versions of Python and msgspec (what numpy makes adds numpy's). So nothing kept is ever out of date. A
file holds plain data (MessagePack), no code, and its own digest; it counts only if it and its folder belong
to this user alone. A folder that cannot be used, or a damaged file, costs time and nothing else.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import msgspec

if TYPE_CHECKING:
    import numpy as np

Kept = TypeVar("Kept")

PACKAGE = Path(__file__).resolve().parents[1]
#: beyond so many files of one kind the oldest is removed: an own aircraft's file, an older version
MOST_FILES = 4
#: the same of kinds that one panel needs several of, one for a setting of the switches or so
MOST_OF_PANEL = 24
DIGEST_BYTES = hashlib.sha256().digest_size


class Table(msgspec.Struct, frozen=True):
    """An array as plain data."""

    kind: str
    shape: tuple[int, ...]
    data: memoryview

    def array(self) -> np.ndarray:
        """The array, a copy: it lies as numpy wants it, and what was read with it can be forgotten."""
        import numpy as np

        return np.frombuffer(self.data, dtype=self.kind).reshape(self.shape).copy()


def as_table(values: np.ndarray) -> Table:
    """Give an array as plain data."""
    return Table(values.dtype.str, values.shape, memoryview(values.tobytes()))


def as_tables(values: Mapping[str, np.ndarray]) -> dict[str, Table]:
    """Give arrays by name as plain data."""
    return {name: as_table(one) for name, one in values.items()}


def arrays(tables: Mapping[str, Table]) -> dict[str, np.ndarray]:
    """Give arrays by name."""
    return {name: one.array() for name, one in tables.items()}


def digest(parts: Iterable[bytes]) -> str:
    """Give one digest of several pieces; where one ends and the next begins counts too."""
    found = hashlib.sha256()
    for part in parts:
        found.update(len(part).to_bytes(8, "little"))
        found.update(part)
    return found.hexdigest()


@cache
def _program() -> str:
    """Digest of this package's code and of what it runs on; empty if the code cannot be read."""
    try:
        code = [path.read_bytes() for path in sorted(PACKAGE.rglob("*.py"))]
    except OSError:
        return ""
    versions = (sys.version, sys.byteorder, msgspec.__version__)
    return digest([*code, *(text.encode() for text in versions)]) if code else ""


def folder() -> Path:
    """Give the folder in which results are kept."""
    import platformdirs

    return Path(platformdirs.user_cache_dir("diagnose-gauges", appauthor=False)) / "ready"


def kept(
    kind: str, made_from: str, shape: type[Kept], make: Callable[[], Kept], most: int = MOST_FILES
) -> Kept:
    """Give what an earlier run kept under this digest of all that it is made from, or make it and keep it.

    ``shape``: the type of the data, made of what MessagePack can hold; ``most``: how many files of this kind
    stay. Raises only what ``make`` raises.
    """
    program = _program()
    if not program:
        return make()
    path = folder() / f"{kind}-{digest([kind.encode(), made_from.encode(), program.encode()])[:40]}"
    content = _read(path)
    if content is not None:
        with contextlib.suppress(msgspec.MsgspecError):
            return msgspec.msgpack.decode(content, type=shape)
    found = make()
    with contextlib.suppress(OSError, msgspec.MsgspecError):
        _write(path, msgspec.msgpack.encode(found), most)
    return found


def _own(state: os.stat_result, forbidden: int) -> bool:
    """Whether this belongs to the user of this process, and to nobody else by these bits."""
    user = getattr(os, "geteuid", None)
    return user is None or (state.st_uid == user() and not state.st_mode & forbidden)


def _own_folder(path: Path) -> bool:
    state = path.lstat()
    return stat.S_ISDIR(state.st_mode) and _own(state, 0o077)


def _read(path: Path) -> memoryview | None:
    """The content of a kept file; None if there is none, or none to be trusted."""
    try:
        if not _own_folder(path.parent):
            return None
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0))
        with open(handle, "rb") as file:
            state = os.fstat(handle)
            if not (stat.S_ISREG(state.st_mode) and _own(state, 0o022)):
                return None
            content = memoryview(file.read())
    except OSError:
        return None
    mark, rest = content[:DIGEST_BYTES], content[DIGEST_BYTES:]
    return rest if hashlib.sha256(rest).digest() == mark else None


def _write(path: Path, content: bytes, most: int = MOST_FILES) -> None:
    """Write a file whole or not at all, for its owner only; older ones of its kind make room."""
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    if not _own_folder(path.parent):
        return
    handle, name = tempfile.mkstemp(prefix=".new-", dir=path.parent)
    try:
        with open(handle, "wb") as file:
            file.write(hashlib.sha256(content).digest() + content)
        os.replace(name, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
    kind = path.name.rsplit("-", 1)[0]
    others = sorted(path.parent.glob(f"{kind}-*"), key=_written, reverse=True)
    broken_off = [p for p in path.parent.glob(".new-*") if _written(p) < time.time() - 3600.0]
    for old in (*others[most:], *broken_off):
        old.unlink(missing_ok=True)


def _written(path: Path) -> float:
    with contextlib.suppress(OSError):
        return path.stat().st_mtime
    return 0.0
