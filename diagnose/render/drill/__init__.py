"""Exercises of the drill as text: the question and the looks, then what was right and why."""

from diagnose.render.drill.feedback import aftermath, feedback
from diagnose.render.drill.question import (
    TITLES,
    answering,
    drawn,
    flown_lines,
    heading,
    help_text,
    look_line,
    look_words,
    option_words,
    question,
)

__all__ = [
    "TITLES",
    "aftermath",
    "answering",
    "drawn",
    "feedback",
    "flown_lines",
    "heading",
    "help_text",
    "look_line",
    "look_words",
    "option_words",
    "question",
]
