"""The words of the domain as immutable records: what a knowledge file, a panel and a case hold.

Records are msgspec structures, so that decoding refuses unknown keys and wrong types by itself.
Ids match ``[a-z][a-z0-9_]*``. The first condition of a part or source is its healthy one; the
conditions of a part stand in order of dominance: where two failures act on one part, the later
condition is the one that shows.

Beside the records stands what needs nothing else of this package: ``errors``, ``units``, and ``files``, which
reads and writes every file.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from diagnose.model.case import CaseRecord, HandbookRow, SnapshotRecord, TruthRecord
    from diagnose.model.engine import (
        ChanceWord,
        DayRecord,
        DrillNumber,
        Family,
        FirstScreen,
        Grade,
        GradeCost,
        Limits,
        ScanPattern,
        Setting,
        Strength,
        Telling,
        Term,
        World,
    )
    from diagnose.model.flying import (
        AxisUse,
        Manoeuvre,
        NormalEffect,
        Outcome,
        Panel,
        PowerSetting,
        Quantity,
        Substitute,
        Variation,
    )
    from diagnose.model.gauges import Axis, Facet, Gauge, Opposition, Reading, Row, Sizes
    from diagnose.model.record import ID_PATTERN, Cited, Document, Record
    from diagnose.model.review import Channel, GroundTest, RecordingLimits, Relation, ReviewLimits
    from diagnose.model.systems import (
        UNLISTED,
        Circumstance,
        ContextEffect,
        ContextFlag,
        Cure,
        Failure,
        FailureKind,
        Fitting,
        Flow,
        Memory,
        MemoryKind,
        Part,
        Rule,
        Source,
        Switch,
        System,
    )
else:

    def __getattr__(name: str) -> object:
        """Give a record from the module that holds it: a command that reads no file loads none."""
        for module in (
            "record",
            "case",
            "systems",
            "gauges",
            "flying",
            "engine",
            "review",
        ):
            held = vars(import_module(f"{__name__}.{module}"))
            if name in held and name in __all__:
                globals()[name] = held[name]
                return held[name]
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


__all__ = [
    "ID_PATTERN",
    "UNLISTED",
    "Axis",
    "AxisUse",
    "CaseRecord",
    "ChanceWord",
    "Channel",
    "Circumstance",
    "Cited",
    "ContextEffect",
    "ContextFlag",
    "Cure",
    "DayRecord",
    "Document",
    "DrillNumber",
    "Facet",
    "Failure",
    "FailureKind",
    "Family",
    "FirstScreen",
    "Fitting",
    "Flow",
    "Gauge",
    "Grade",
    "GradeCost",
    "GroundTest",
    "HandbookRow",
    "Limits",
    "Manoeuvre",
    "Memory",
    "MemoryKind",
    "NormalEffect",
    "Opposition",
    "Outcome",
    "Panel",
    "Part",
    "PowerSetting",
    "Quantity",
    "Reading",
    "Record",
    "RecordingLimits",
    "Relation",
    "ReviewLimits",
    "Row",
    "Rule",
    "ScanPattern",
    "Setting",
    "Sizes",
    "SnapshotRecord",
    "Source",
    "Strength",
    "Substitute",
    "Switch",
    "System",
    "Telling",
    "Term",
    "TruthRecord",
    "Variation",
    "World",
]
