"""Charts: lines in a frame with a scale, a key below, and labels that are never cut and never lie on each other.

Lines are told apart by their dashes and points, so that a black and white print loses nothing. One unit is a px where a chart is
as wide as a sheet of paper.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape

from diagnose.render.pictures.faces import FAINT, INK, RULE, element, number, words

WIDE, LEFT, RIGHT = 620.0, 52.0, 14.0
#: type, the widest that a letter of it is on average, and a line of it
SIZE, SIGN, LINE = 11.0, 6.6, 15.0
#: the first is whole
DASHES = ("", "7 4", "2 3", "10 3 2 3", "5 2", "1 4", "12 6")
#: a point of a line that is not stepped, about the origin
POINTS = ("M-4 0A4 4 0 1 1 -4 .01Z", "M-4 -4H4V4H-4Z", "M0 -6L6 0L0 6L-6 0Z", "M0 -6L6 4H-6Z", "M0 6L6 -4H-6Z", "M-6 -2H6V2H-6Z", "M-2 -6H2V6H-2Z")
#: length of a line's sample in the key
SAMPLE = 32.0


@dataclass(frozen=True, slots=True)
class Line:
    """``points``: x and y of the frame's units, in order. A stepped line holds each value until the next one's x."""

    name: str
    points: Sequence[tuple[float, float]]
    stepped: bool = True


@dataclass(frozen=True, slots=True)
class Mark:
    """Something at a time: drawn in the row of its kind."""

    minutes: float
    row: str
    text: str


@dataclass(frozen=True, slots=True)
class Frame:
    """The rectangle of a chart: ``across`` and ``up`` are the least and greatest numbers of its axes."""

    across: tuple[float, float]
    up: tuple[float, float] = (0.0, 1.0)
    left: float = LEFT
    top: float = 0.0
    wide: float = WIDE
    high: float = 180.0

    def x(self, value: float) -> float:
        """Place of a number across, px."""
        low, most = self.across
        return self.left + self.wide * (value - low) / max(most - low, 1e-9)

    def y(self, value: float) -> float:
        """Place of a number upward, px from the top."""
        low, most = self.up
        return self.top + self.high * (1.0 - (value - low) / max(most - low, 1e-9))

    @property
    def bottom(self) -> float:
        """The y of the lower edge."""
        return self.top + self.high

    def grid(self, levels: Iterable[float], label: Callable[[float], str]) -> list[str]:
        """The edge, and a faint line with its number at each level."""
        drawn = [
            element(
                "rect", x=self.left, y=self.top, width=self.wide, height=self.high, fill="none", stroke=RULE
            )
        ]
        for level in levels:
            y = self.y(level)
            drawn.append(element("line", x1=self.left, y1=y, x2=self.left + self.wide, y2=y, stroke=FAINT))
            drawn.append(words(label(level), self.left - 5.0, y, SIZE, text_anchor="end"))
        return drawn

    def ticks(self, places: Iterable[tuple[float, str]], name: str = "") -> list[str]:
        """Marks below the frame; a number that would touch the one before it, or ``name`` at the left, is left out."""
        drawn, y = [], self.bottom + 13.0
        free = 4.0 + SIGN * (len(name) + 1) if name else 0.0
        if name:
            drawn.append(words(name, 4.0, y, SIZE, text_anchor="start"))
        for value, text in places:
            x, half = self.x(value), SIGN * len(text) / 2.0
            drawn.append(element("line", x1=x, y1=self.bottom, x2=x, y2=self.bottom + 5.0, stroke=INK))
            if x - half >= free:
                drawn.append(words(text, x, y, SIZE))
                free = x + half + 6.0
        return drawn

    def drawn(self, lines: Sequence[Line], thick: float = 2.0) -> list[str]:
        """The lines; one that is not stepped has a point of its own shape at each value."""
        found = []
        for place, line in enumerate(lines):
            points = [(self.x(a), self.y(b)) for a, b in line.points]
            if not points:
                continue
            path = f"M{number(points[0][0])} {number(points[0][1])}"
            if line.stepped:
                path += "".join(f"H{number(x)}V{number(y)}" for x, y in points[1:])
                path += f"H{number(self.left + self.wide)}"
            else:
                path += "".join(f"L{number(x)} {number(y)}" for x, y in points[1:])
                found += [_point(place, x, y) for x, y in points]
            found.append(
                element("path", d=path, fill="none", stroke=INK, stroke_width=thick, **_dashed(place))
            )
        return found


def _dashed(place: int) -> dict[str, str | float]:
    dashes = DASHES[place % len(DASHES)]
    return {"stroke_dasharray": dashes} if dashes else {}


def _point(place: int, x: float, y: float) -> str:
    at = f"translate({number(x)} {number(y)})"
    return element("path", d=POINTS[place % len(POINTS)], fill=INK, transform=at)


def key(
    lines: Sequence[Line], left: float, y: float, right: float, thick: float = 2.0
) -> tuple[list[str], float]:
    """What each line is, from ``y`` on, as many beside each other as there is room for; the y of the end."""
    drawn, x = [], left
    for place, line in enumerate(lines):
        room = SAMPLE + 8.0 + SIGN * len(line.name) + 18.0
        if x > left and x + room > right:
            x, y = left, y + LINE
        drawn.append(
            element("line", x1=x, y1=y, x2=x + SAMPLE, y2=y, stroke=INK, stroke_width=thick, **_dashed(place))
        )
        drawn += [] if line.stepped else [_point(place, x + SAMPLE / 2.0, y)]
        drawn.append(words(line.name, x + SAMPLE + 8.0, y, SIZE, text_anchor="start"))
        x += room
    return drawn, y + LINE


def rows(
    frame: Frame, marks: Sequence[Mark], y: float, clock: Callable[[float], str]
) -> tuple[list[str], float]:
    """A row for each kind of mark, from ``y`` on: each label whole, in the first lines in which there is room for it."""
    drawn, right = [], frame.left + frame.wide
    for row in dict.fromkeys(mark.row for mark in marks):
        drawn.append(element("line", x1=0.0, y1=y - 9.0, x2=right, y2=y - 9.0, stroke=FAINT))
        drawn.append(words(row, 4.0, y, SIZE, text_anchor="start"))
        # a long name of a team stands above its calls
        y += LINE if SIGN * len(row) > frame.left - 12.0 else 0.0
        ends: list[float] = []
        for mark in sorted((m for m in marks if m.row == row), key=lambda m: m.minutes):
            x = frame.x(mark.minutes)
            texts = textwrap.wrap(f"{clock(mark.minutes)} {mark.text}", int((frame.wide - 14.0) / SIGN))
            long = SIGN * max(map(len, texts))
            left = x + 7.0 if x + 7.0 + long <= right else max(x - 7.0 - long, frame.left + 7.0)
            line = next(
                n
                for n in range(len(ends) + 1)
                if all(taken < min(left, x - 5.0) for taken in ends[n : n + len(texts)])
            )
            ends[line : line + len(texts)] = [max(left + long, x) + 8.0] * len(texts)
            at = y + LINE * line
            drawn.append(element("circle", element("title", escape(mark.text)), cx=x, cy=at, r=4.0, fill=INK))
            drawn += [
                words(text, left, at + LINE * k, SIZE, text_anchor="start") for k, text in enumerate(texts)
            ]
        y += LINE * len(ends) + 8.0
    return drawn, y


def uprights(frame: Frame, times: Sequence[tuple[float | None, str]]) -> list[str]:
    """Dotted lines through the frame, each with its label above it, the first lowest; without a time the label alone."""
    drawn, right = [], frame.left + frame.wide
    for place, (value, text) in enumerate(times):
        x, half = frame.x(frame.across[1] if value is None else value), SIGN * len(text) / 2.0
        if value is not None:
            drawn.append(
                element("line", x1=x, y1=frame.top, x2=x, y2=frame.bottom, stroke=INK, stroke_dasharray="2 3")
            )
        drawn.append(words(text, max(frame.left + half, min(right - half, x)), frame.top - 9.0 - LINE * place, SIZE))
    return drawn


def picture(parts: Iterable[str], height: float, title: str) -> str:
    """A chart by itself."""
    return element(
        "svg",
        element("title", escape(title)),
        *parts,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"0 0 {number(LEFT + WIDE + RIGHT)} {number(height)}",
        width="100%",
        role="img",
        class_="chart",
    )


def chart(
    lines: Sequence[Line],
    across: tuple[float, float],
    ticks: Sequence[tuple[float, str]],
    title: str,
    *,
    name: str = "",
    most: float = 1.0,
    label: Callable[[float], str] = "{:.0%}".format,
    levels: int = 4,
    times: Sequence[tuple[float | None, str]] = (),
    marks: Sequence[Mark] = (),
    clock: Callable[[float], str] = str,
) -> str:
    """A whole chart. ``name``: of the axis of x; ``times``: dotted lines; ``marks``: rows of what happened, below."""
    lines = [line for line in lines if line.points]
    frame = Frame(across, (0.0, most), top=8.0 + LINE * len(times))
    parts = [*frame.grid([most * k / levels for k in range(levels + 1)], label), *frame.ticks(ticks, name)]
    parts += [*frame.drawn(lines), *uprights(frame, times)]
    below, y = rows(frame, marks, frame.bottom + 36.0, clock) if marks else ([], frame.bottom + 34.0)
    samples, y = key(lines, 4.0, y, frame.left + frame.wide)
    return picture([*parts, *below, *samples], y, title)
