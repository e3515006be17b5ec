"""A session around a table: time that goes on, looks that cost time, calls that are recorded and scored."""

from diagnose.practice.tabletop.score import Forecast, TeamScore, score
from diagnose.practice.tabletop.session import (
    KINDS,
    SYSTEMS,
    Table,
    advance,
    as_decided,
    call,
    look,
    not_understood,
    read_session,
    scenario_held,
    start,
    switch_decided,
    used,
    write_session,
)

__all__ = [
    "KINDS",
    "SYSTEMS",
    "Forecast",
    "Table",
    "TeamScore",
    "advance",
    "as_decided",
    "call",
    "look",
    "not_understood",
    "read_session",
    "scenario_held",
    "score",
    "start",
    "switch_decided",
    "used",
    "write_session",
]
