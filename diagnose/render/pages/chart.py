"""One picture of a scenario over time: what could be known, what happened, what was called."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from diagnose.practice.known import Followed
from diagnose.render.pages.timeline import clock
from diagnose.render.pictures.svg import FAINT, INK, element, number, words

WIDE, HIGH, LEFT, TOP = 880.0, 220.0, 60.0, 40.0
#: height of a line of labels, and width of a sign at most
LINE, SIGN = 16.0, 6.6


@dataclass(frozen=True, slots=True)
class Mark:
    """Something at a time: drawn in the row of its kind."""

    minutes: float
    row: str
    text: str


def _x(minutes: float, end: float) -> float:
    return LEFT + WIDE * minutes / max(end, 1e-9)


def _y(chance: float) -> float:
    return TOP + HIGH * (1.0 - chance)


def _line(points: Sequence[tuple[float, float]], end: float, **style: str | float) -> str:
    """Steps from the first reading on: what is known at a time is known until the next."""
    if not points:
        return ""
    (first, chance), *later = points
    path = f"M{number(_x(first, end))} {number(_y(chance))}"
    for minutes, chance in later:
        path += f"H{number(_x(minutes, end))}V{number(_y(chance))}"
    return element("path", d=path + f"H{number(_x(end, end))}", fill="none", stroke=INK, **style)


def chart(followed: Followed, marks: Sequence[Mark] = ()) -> str:
    """Chance that something is wrong (dashed) and of the truth (whole line), with rows of marks below."""
    end = followed.end
    rows = list(dict.fromkeys(mark.row for mark in marks))
    bottom = TOP + HIGH
    drawn = [element("rect", x=LEFT, y=TOP, width=WIDE, height=HIGH, fill="none", stroke=INK)]
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        y = _y(share)
        drawn.append(element("line", x1=LEFT, y1=y, x2=LEFT + WIDE, y2=y, stroke=FAINT))
        drawn.append(words(f"{share * 100:.0f} %", LEFT - 24.0, y, 11.0))
    for minute in range(int(end) + 1):
        x = _x(float(minute), end)
        drawn.append(element("line", x1=x, y1=bottom, x2=x, y2=bottom + 5.0, stroke=INK))
        if end <= 20.0 or minute % 5 == 0:
            drawn.append(words(str(minute), x, bottom + 13.0, 11.0))
    drawn.append(words("min", LEFT - 24.0, bottom + 13.0, 11.0))
    known = followed.known
    drawn.append(
        _line([(k.minutes, k.something) for k in known], end, stroke_width=2.0, stroke_dasharray="7 4")
    )
    drawn.append(_line([(k.minutes, k.right) for k in known], end, stroke_width=3.0))
    for place, (minutes, text) in enumerate(
        (
            (followed.onset, "begins"),
            (followed.suspected, "to be noticed"),
            (followed.isolated, "to be named"),
        )
    ):
        if minutes is not None:
            x = _x(minutes, end)
            drawn.append(element("line", x1=x, y1=TOP, x2=x, y2=bottom, stroke=INK, stroke_dasharray="2 3"))
            drawn.append(words(f"{text} {clock(minutes)}", x, TOP - 8.0 - 11.0 * place, 10.0))
        elif followed.onset is not None:
            never = f"never enough {text}"
            drawn.append(words(never, LEFT + WIDE, TOP - 8.0 - 11.0 * place, 10.0, text_anchor="end"))
    y = bottom + 34.0
    for row in rows:
        inside = sorted((mark for mark in marks if mark.row == row), key=lambda mark: mark.minutes)
        drawn.append(words(row[:9], LEFT - 28.0, y, 11.0))
        ends: list[float] = []
        for mark in inside:
            # each label whole, in the first line in which there is room for it
            x, text = _x(mark.minutes, end), f"{clock(mark.minutes)} {mark.text}"
            long = SIGN * len(text)
            left = x + 7.0 if x + 7.0 + long <= LEFT + WIDE + 18.0 else x - 7.0 - long
            left = max(left, LEFT + 7.0)
            line = next((n for n, taken in enumerate(ends) if taken < min(left, x - 5.0)), len(ends))
            ends[line : line + 1] = [max(left + long, x) + 8.0]
            at = y + LINE * line
            drawn.append(element("circle", element("title", escape(text)), cx=x, cy=at, r=4.0, fill=INK))
            drawn.append(words(text, left, at, 11.0, text_anchor="start"))
        drawn.append(element("line", x1=LEFT, y1=y - 9.0, x2=LEFT + WIDE, y2=y - 9.0, stroke=FAINT))
        y += LINE * len(ends) + 8.0
    high = y - 6.0
    key = [
        element("line", x1=LEFT, y1=high + 6.0, x2=LEFT + 40.0, y2=high + 6.0, stroke=INK, stroke_width=2.0, stroke_dasharray="7 4"),
        words("something is wrong (even odds before)", LEFT + 48.0, high + 6.0, 11.0, text_anchor="start"),
        element("line", x1=LEFT + 330.0, y1=high + 6.0, x2=LEFT + 370.0, y2=high + 6.0, stroke=INK, stroke_width=3.0),
        words("what is really so", LEFT + 378.0, high + 6.0, 11.0, text_anchor="start"),
    ]  # fmt: skip
    return element(
        "svg",
        element("title", "what could be known over time"),
        *drawn,
        *key,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(LEFT + WIDE + 20.0)} {number(high + 22.0)}",
        width="100%",
        role="img",
        class_="chart",
    )
