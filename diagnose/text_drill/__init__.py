"""Exercises of the drill as text: the question and the looks, then what was right and why."""

from diagnose.text_drill.answering import answering, help_text
from diagnose.text_drill.feedback import aftermath, feedback
from diagnose.text_drill.question import (
    TITLES,
    drawn,
    flown_lines,
    heading,
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
