"""Pictures of the panel: every gauge drawn from numbers, as SVG and as text. Pure functions, no state.

A panel's state is a mapping from what a hand or window reads (``airspeed_kt``: ``dials.needed`` lists a
dial's names) to a number; lamps and flags are 0 or 1, windows may hold words. A name that is missing or
not a number draws its hand, lamp or window blank.
"""

from diagnose.render.pictures.faces import dial_svg
from diagnose.render.pictures.moving import Movement, movements, transform
from diagnose.render.pictures.panel import (
    covered_svg,
    lone_svg,
    panel_halves,
    panel_svg,
    panel_words,
    shown_dials,
)
from diagnose.render.pictures.said import reading_words
from diagnose.render.pictures.terminal import panel_text

__all__ = [
    "Movement",
    "covered_svg",
    "dial_svg",
    "lone_svg",
    "movements",
    "panel_halves",
    "panel_svg",
    "panel_text",
    "panel_words",
    "reading_words",
    "shown_dials",
    "transform",
]
