"""Plain words to statements: ``airspeed falling; altimeter probably steady; vsi zero``.

The words stand with each gauge, reading, maneuver, switch, context and panel in the knowledge base,
those of the prompt itself in ``knowledge/words.toml``. A word that could be meant in two ways is asked
back, never guessed: evidence that was not given is worse than a question.

``names`` finds an entry by its words, ``gauge`` the readings of one gauge, ``line`` a whole line,
``switches`` where a switch stood, ``aircraft`` what tells of the aircraft and not of a gauge, ``scene`` what
was flown and the conditions, ``completion`` what can follow; ``prose`` reads a whole sentence.

What was said makes a case: ``session`` is the case under construction with its past, ``story`` the moments of
a told flight, ``case_files`` what is read from disk and written to it.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from diagnose.language.completion import beginning, complete_words
    from diagnose.language.line import (
        AsExpected,
        Disagreement,
        RestAsExpected,
        Said,
        Statement,
        leaves_out,
        parse_line,
        say_back,
        with_doubt,
    )
    from diagnose.language.names import entry_forms, find, forms, gauge_forms, nearest, plain, readable
    from diagnose.language.scene import SceneWords, flown_in, meanwhile, named_anywhere, scene_words
    from diagnose.language.switches import Switched

#: what each module gives; one is imported when something of it is asked for, an answer needs few of them
GIVEN_BY = {
    "completion": ("beginning", "complete_words"),
    "line": (
        "AsExpected",
        "Disagreement",
        "RestAsExpected",
        "Said",
        "Statement",
        "leaves_out",
        "parse_line",
        "say_back",
        "with_doubt",
    ),
    "names": ("entry_forms", "find", "forms", "gauge_forms", "nearest", "plain", "readable"),
    "scene": ("SceneWords", "flown_in", "meanwhile", "named_anywhere", "scene_words"),
    "switches": ("Switched",),
}


def __getattr__(name: str) -> object:
    for module, names in GIVEN_BY.items():
        if name in names:
            return getattr(import_module(f"{__name__}.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


__all__ = [
    "AsExpected",
    "Disagreement",
    "RestAsExpected",
    "Said",
    "SceneWords",
    "Statement",
    "Switched",
    "beginning",
    "complete_words",
    "entry_forms",
    "find",
    "flown_in",
    "forms",
    "gauge_forms",
    "leaves_out",
    "meanwhile",
    "named_anywhere",
    "nearest",
    "parse_line",
    "plain",
    "readable",
    "say_back",
    "scene_words",
    "with_doubt",
]
