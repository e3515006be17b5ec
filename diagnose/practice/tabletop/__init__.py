"""A session around a table: time that goes on, looks that cost time, calls that are recorded and scored."""

from diagnose.practice.tabletop.score import Forecast, TeamScore, score
from diagnose.practice.tabletop.session import (
    KINDS,
    Table,
    advance,
    call,
    look,
    not_understood,
    read_session,
    start,
    write_session,
)

__all__ = [
    "KINDS",
    "Forecast",
    "Table",
    "TeamScore",
    "advance",
    "call",
    "look",
    "not_understood",
    "read_session",
    "score",
    "start",
    "write_session",
]
