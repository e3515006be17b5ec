"""Commands that save and load cases."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec

from diagnose.commands.desk import Command, Desk, command
from diagnose.errors import CaseError
from diagnose.session import Session, case_path, case_paths, load_case, save_case
from diagnose.text import fill
from diagnose.words import readable


def _save(desk: Desk, text: str) -> tuple[Desk, str]:
    name = text.strip().strip("\"'")
    over = name.endswith(" over")
    name = name.removesuffix(" over").strip()
    if not name and desk.session.path is None:
        raise CaseError("save under which file name?", mend="for example: save tuesday")
    path = _path(name) if name else desk.session.path or Path()
    if not path.name:
        raise CaseError(f"{name!r} is no file name", mend="for example: save tuesday")
    path = path if path.suffix else path.with_suffix(".toml")
    if path.exists() and path != desk.session.path and not over:
        raise CaseError(f"there is a file {path} already", mend=f"another name, or: save {name} over")
    case = desk.case
    if case.title == "untitled":
        case = msgspec.structs.replace(case, title=readable(path.stem))
    save_case(case, path)
    return replace(desk, session=desk.session.filed(case, path)), f"Saved: {path}"


def _path(text: str) -> Path:
    try:
        return Path(text).expanduser()
    except RuntimeError as error:  # a "~" whose home folder is not known
        raise CaseError(f"{text!r} is no file name: {error}") from None


def _load(desk: Desk, text: str) -> tuple[Desk, str]:
    name = text.strip().strip("\"'")
    if not name:
        return desk, fill(f"Which case? A file, or one of: {', '.join(case_paths())}", desk.width)
    name = str(_path(name))
    if not Path(name).suffix and "\0" not in name and Path(f"{name}.toml").is_file():
        name = f"{name}.toml"
    case = load_case(name, desk.kb)
    path = case_path(name)
    own = None if path in case_paths().values() else path
    return replace(desk, session=desk.session.filed(case, own)), f"Loaded: {case.title}."


def _new(desk: Desk, _: str) -> tuple[Desk, str]:
    fresh = msgspec.structs.replace(Session().case, panel=desk.case.panel)
    told = "A new case on the same panel ('undo' brings the old one back)."
    return replace(desk, answered=None, session=desk.session.to(fresh, None)), told


FILES: tuple[Command, ...] = (
    command(
        _save,
        "save",
        "[FILE]",
        "save the case; without a name into the file it came from",
        "A file that is there already is not written over, except by 'save FILE over'.",
    ),
    command(_load, "load", "FILE|NAME", "load a case file, or a shipped case by its name"),
    command(_new, "new", "", "start a new case"),
)
