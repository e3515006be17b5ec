"""Plain words to statements: ``airspeed falling; altimeter probably steady; vsi zero``.

The words stand with each gauge, reading, manoeuvre, switch, context and panel in the knowledge base,
those of the prompt itself in ``knowledge/words.toml``. A word that could be meant in two ways is asked
back, never guessed: evidence that was not given is worse than a question.

``names`` finds an entry by its words, ``gauge`` the readings of one gauge, ``line`` a whole line,
``completion`` what can follow.
"""

from diagnose.words.completion import beginning, complete_words
from diagnose.words.line import (
    AsExpected,
    Disagreement,
    RestAsExpected,
    Said,
    Statement,
    Switched,
    parse_line,
    say_back,
    with_doubt,
)
from diagnose.words.names import entry_forms, find, forms, gauge_forms, nearest, plain, readable

__all__ = [
    "AsExpected",
    "Disagreement",
    "RestAsExpected",
    "Said",
    "Statement",
    "Switched",
    "beginning",
    "complete_words",
    "entry_forms",
    "find",
    "forms",
    "gauge_forms",
    "nearest",
    "parse_line",
    "plain",
    "readable",
    "say_back",
    "with_doubt",
]
