"""The words of the domain as immutable records: what a knowledge file, a panel and a case hold.

Records are msgspec structures, so that decoding refuses unknown keys and wrong types by itself.
Ids match ``[a-z][a-z0-9_]*``. The first condition of a part or source is its healthy one; the
conditions of a part stand in order of dominance: where two failures act on one part, the later
condition is the one that shows.

Beside the records stands what needs nothing else of this package: ``errors``, ``units``, and ``files``, which
reads and writes every file.
"""

# ruff: noqa: F403 - the records are given on, by whichever module holds them

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

MODULES = ("case", "systems", "gauges", "answer", "review")

if TYPE_CHECKING:
    from diagnose.model.answer import *
    from diagnose.model.case import *
    from diagnose.model.gauges import *
    from diagnose.model.review import *
    from diagnose.model.systems import *
else:

    def __getattr__(name: str) -> object:
        """Give a record from the module that holds it: a command that reads no file loads none."""
        for module in MODULES:
            held = vars(import_module(f"{__name__}.{module}"))
            if name in held:
                globals()[name] = held[name]
                return held[name]
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
