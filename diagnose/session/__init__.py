"""A session: the case under construction with its past (``state``), and case files (``files``)."""

from diagnose.session.files import (
    LONGEST_MINUTES,
    case_content,
    case_of,
    case_path,
    case_paths,
    case_problems,
    dump_case,
    load_case,
    save_case,
)
from diagnose.session.state import NOT_LOOKED_AT, START, Session, State, fewer_readings, says_anything

__all__ = [
    "LONGEST_MINUTES",
    "NOT_LOOKED_AT",
    "START",
    "Session",
    "State",
    "case_content",
    "case_of",
    "case_path",
    "case_paths",
    "case_problems",
    "dump_case",
    "fewer_readings",
    "load_case",
    "save_case",
    "says_anything",
]
