"""Files: written whole or not at all by the one writer, and read so that no text can hang or break the reader.

Every output of the package goes through ``write_whole``. Every TOML or JSON file that a person hands over
is read through ``toml_of`` and ``json_of``, whose faults are all ``ValueError``.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, TypeVar

from diagnose.model.errors import CaseError

Record = TypeVar("Record")

#: no file that a person writes for us is larger
MOST_BYTES = 4_000_000
#: no table of ours stands deeper in others, and no key has as many parts: the reader's time grows with their square
MOST_DEEP = 40
#: for their owner only
PRIVATE_FILE, PRIVATE_FOLDER = 0o600, 0o700

#: texts and remarks of TOML, in which dots part no key
_TEXTS = re.compile(
    r'"""(?:\\.|[^\\])*?"""' + r"|'''.*?'''" + r'|"(?:\\.|[^"\\\n])*"' + r"|'[^'\n]*'|#[^\n]*", re.DOTALL
)
_LONG_KEY = re.compile(rf"(?<![\w.-])[\w-]+(?:[ \t]*\.[ \t]*[\w-]+){{{MOST_DEEP}}}")
#: signs that steer a terminal or turn the direction of writing
_STEERING = re.compile("[\0-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]|\r(?!\n)")


def harmless(text: str) -> str:
    """A text in which no sign steers a terminal: each is shown as its picture (ESC as ␛) or as �."""
    return _STEERING.sub(_picture, text)


def _picture(sign: re.Match[str]) -> str:
    code = ord(sign[0])
    return chr(0x2400 + code) if code < 0x20 else "\u2421" if code == 0x7F else "\ufffd"


def escaped(data: str) -> str:
    """TOML or JSON with the signs that steer a terminal written as their numbers: it reads back the same."""
    return _STEERING.sub(lambda sign: f"\\u{ord(sign[0]):04x}", data)


# ------------------------------------------------------------------ writing


def check_output(path: Path, *, over: bool = False, sources: Iterable[Path] = (), what: str = "file") -> None:
    """Refuse an output before any work is done for it. Raises CaseError.

    It must not be one of the files that are read (``sources``), nor lead elsewhere, nor stand there already
    unless it is to be written ``over``.
    """
    where = str(path)
    try:
        if path.name != harmless(path.name) or "\n" in path.name:
            raise ValueError("control characters in its name")
        if path.exists() and any(source.exists() and path.samefile(source) for source in sources):
            raise CaseError("this file is read; writing would destroy it", where, "choose another file")
        if path.is_symlink():
            raise CaseError("this is a link to another place", where, "give the file itself")
        if path.exists() and not path.is_file():
            kind = "a folder" if path.is_dir() else "no ordinary file"
            raise CaseError(f"the {what} cannot be written (this is {kind})", where, "choose another file")
        if path.exists() and not over:
            raise CaseError(
                "there is a file of this name already", where, "choose another name, or write over it: --over"
            )
    except (OSError, ValueError) as error:
        raise _unwritten(what, error, path) from None


def write_whole(
    content: str | bytes | Callable[[], str],
    path: Path,
    what: str = "file",
    *,
    over: bool = False,
    sources: Iterable[Path] = (),
    private: bool = False,
) -> None:
    """Write a file so that it is either as it was or the new one, and on the disk. Raises CaseError.

    A new file beside it is filled and takes its name at the end; a link that somebody has put there is never
    followed. The file keeps its rights; ``private``: for its owner only. ``over`` and ``sources`` as in
    ``check_output``.
    """
    check_output(path, over=over, sources=sources, what=what)
    part = path.parent / f".{os.urandom(8).hex()}.part"
    try:
        whole = content() if callable(content) else content
        data = harmless(whole).encode() if isinstance(whole, str) else whole
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
        with open(os.open(part, flags, PRIVATE_FILE if private else 0o666), "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if path.exists() and not private:
            part.chmod(path.stat().st_mode & 0o777)
        _take_name(part, path, over=over)
        _settle(path.parent)
    except (OSError, ValueError) as error:
        raise _unwritten(what, error, path) from None
    finally:
        with contextlib.suppress(OSError, ValueError):
            part.unlink(missing_ok=True)


def _unwritten(what: str, error: Exception, path: Path) -> CaseError:
    # ValueError: a name with a null character, or text that UTF-8 cannot hold
    why = error.strerror or error if isinstance(error, OSError) else error
    return CaseError(f"the {what} cannot be written ({why})", str(path), "choose another file")


def _take_name(part: Path, path: Path, *, over: bool) -> None:
    """Give a finished file its name; one that came there meanwhile stays unless it is to be written over."""
    if over:
        part.replace(path)
        return
    try:
        os.link(part, path)
    except FileExistsError:
        raise
    except OSError:  # a disk without hard links
        if os.path.lexists(path):
            raise FileExistsError(17, "there is a file of this name already") from None
        part.rename(path)


def _settle(folder: Path) -> None:
    """Bring the new name to the disk, where a folder can be asked for that."""
    if os.name != "posix":
        return
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def private_folder(path: Path) -> Path:
    """Make a folder for its owner only; one that is there is closed to others if it is ours. Raises OSError."""
    path.mkdir(mode=PRIVATE_FOLDER, parents=True, exist_ok=True)
    _close(path, PRIVATE_FOLDER)
    return path


def private_file(path: Path) -> Path:
    """Make an empty file for its owner only if there is none, and close one that is there. Raises OSError."""
    flags = os.O_WRONLY | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0)
    os.close(os.open(path, flags, PRIVATE_FILE))
    _close(path, PRIVATE_FILE)
    return path


def _close(path: Path, most: int) -> None:
    with contextlib.suppress(OSError):
        there = path.stat().st_mode & 0o777
        if there & ~most:
            path.chmod(there & most)


# ------------------------------------------------------------------ reading


def toml_of(content: bytes | str) -> dict[str, Any]:
    """Read TOML. Raises ValueError that says what is wrong; takes no longer than the text is long.

    ``UnicodeDecodeError`` (a ValueError) if it is not text in UTF-8.
    """
    if len(content) > MOST_BYTES:
        raise ValueError(f"it is larger than {MOST_BYTES // 1_000_000} MB")
    text = content if isinstance(content, str) else content.decode("utf-8-sig")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    if _LONG_KEY.search(_TEXTS.sub(lambda text: "text" if text[0][0] != "#" else "", text)):
        raise ValueError(f"it holds a key of more than {MOST_DEEP} parts")
    return dict(_shallow(lambda: tomllib.loads(text)))


def record_of(content: bytes | str, kind: type[Record]) -> Record:
    """Read JSON into a record. Raises ValueError that says what is wrong."""
    import msgspec

    try:
        return msgspec.json.decode(content, type=kind)
    except RecursionError:
        raise ValueError("it is nested too deep") from None
    except msgspec.MsgspecError as error:
        raise ValueError(str(error)) from None


def json_of(content: bytes) -> Any:
    """Read JSON. Raises ValueError that says what is wrong."""
    if not content.strip():
        raise ValueError("it is empty")
    return _shallow(lambda: json.loads(content.decode("utf-8-sig")))


def _shallow(read: Callable[[], Any]) -> Any:
    """What was read, if nothing in it is nested deeper than any file of ours."""
    too_deep = f"it is nested more than {MOST_DEEP} deep"
    try:
        found = read()
    except RecursionError:
        raise ValueError(too_deep) from None
    except ValueError as error:
        if "int_max_str_digits" not in str(error):
            raise
        raise ValueError("it holds a number of thousands of digits") from None
    level = [found]
    for _ in range(MOST_DEEP):
        level = [
            part
            for one in level
            if isinstance(one, dict | list)
            for part in (one.values() if isinstance(one, dict) else one)
        ]
        if not level:
            return found
    raise ValueError(too_deep)
