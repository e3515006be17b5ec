"""Timeline picture of a reviewed recording: channels, residuals, maneuvers, chances over time, onset."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from diagnose.model.units import Array, min_from_s
from diagnose.render.pages.timeline import clock
from diagnose.render.pictures.svg import FAINT, INK, RULE, SHADE, element, number, words
from diagnose.review import Review
from diagnose.review.motion import unwrapped

WIDE, LEFT, RIGHT = 860.0, 130.0, 20.0
ROW, GAP = 46.0, 8.0
#: points of a line; more would not be seen
MOST_POINTS = 800
#: rows of channels: title, channels drawn in it (the second dashed)
ROWS = (
    ("airspeed kt", ("airspeed_kt", "gps_speed_kt")),
    ("altitude ft", ("altimeter_ft", "gps_height_ft")),
    ("vertical speed fpm", ("vertical_speed_fpm",)),
    ("pitch deg", ("pitch_deg",)),
    ("bank deg", ("bank_deg",)),
    ("heading deg", ("heading_deg", "gps_track_deg")),
    ("turn deg/s", ("turn_dps",)),
    ("suction inHg", ("suction_inhg",)),
    ("rpm", ("rpm",)),
    ("volts", ("volts",)),
)
DASHES = ("", "5 3", "2 3", "8 3 2 3")
#: residuals are drawn up to this many standard deviations
MOST_SD = 6.0
#: failures whose chance is drawn, and how likely they must have been at some time
MOST_FAILURES, LEAST_DRAWN = 3, 0.05


def timeline_svg(review: Review) -> str:
    """The whole picture; times in minutes from the first row."""
    sheet = _Sheet(review.recording.seconds)
    for title, channels in ROWS:
        lines = [
            unwrapped(review.recording.channels[name]) if name.endswith(("heading_deg", "track_deg")) else review.recording.channels[name]
            for name in channels
            if name in review.recording.channels
        ]  # fmt: skip
        if lines:
            sheet.row(title, lines)
    sheet.heading(
        "Do they agree? Differences in standard deviations; shaded where the detector holds them apart"
    )
    for residual in review.residuals:
        spans = [(c.onset, min(c.until, float(review.recording.seconds))) for c in residual.changes]
        z = np.clip(residual.values / residual.noise, -MOST_SD, MOST_SD)
        sheet.row(residual.relation.name, [z], bounds=(-MOST_SD, MOST_SD), spans=spans, high=30.0)
    sheet.heading("What was flown, and how likely each failure was from the readings so far")
    sheet.strip([(w.first, w.end, w.manoeuvre.replace("_", " ")) for w in review.windows])
    sheet.chances(*_chances(review))
    marks: list[tuple[float, str, tuple[float, float] | None]] = [
        (onset.showed, "first shows", (onset.earliest, onset.latest)) for onset in review.onsets
    ]
    if review.sufficed is not None:
        marks.append((review.sufficed, "evidence suffices", None))
    return sheet.done(marks)


def _chances(review: Review) -> tuple[Array, list[tuple[str, Array]]]:
    times = np.array([w.end for w in review.windows], dtype=np.float64)
    ids = [failure.id for failure in review.network.failures]
    first = [ids.index(name) for cause in review.causes[:1] for name in cause.failures]
    order = np.argsort(-review.failures_over_time.max(axis=0), kind="stable").tolist()
    picked = list(dict.fromkeys([*first, *order]))[:MOST_FAILURES]
    lines = [("nothing failed", review.nothing)]
    for place in picked:
        chance = review.failures_over_time[:, place]
        if chance.max() >= LEAST_DRAWN:
            lines.append((review.network.failures[place].name, chance))
    return times, lines


class _Sheet:
    """A picture that grows downwards; all rows share the axis of time."""

    def __init__(self, seconds: int) -> None:
        self.seconds = max(seconds, 1)
        self.y = 34.0
        self.parts: list[str] = []

    def x(self, second: float) -> float:
        return LEFT + WIDE * second / self.seconds

    def heading(self, text: str) -> None:
        self.parts.append(words(text, LEFT, self.y + 10.0, 11.0, text_anchor="start", font_weight="bold"))
        self.y += 24.0

    def row(
        self,
        title: str,
        lines: Sequence[Array],
        bounds: tuple[float, float] | None = None,
        spans: Sequence[tuple[float, float]] = (),
        high: float = ROW,
    ) -> None:
        known = np.concatenate([line[np.isfinite(line)] for line in lines])
        if not len(known):
            return
        low, top = bounds or _round_bounds(float(known.min()), float(known.max()))
        for since, until in spans:
            self.parts.append(element("rect", x=self.x(since), y=self.y, width=max(self.x(until) - self.x(since), 1.0), height=high, fill=FAINT))  # fmt: skip
        self.parts.append(element("rect", x=LEFT, y=self.y, width=WIDE, height=high, fill="none", stroke=RULE))  # fmt: skip
        for place, part in enumerate(_wrapped(title)):
            self.parts.append(words(part, 4.0, self.y + 8.0 + 10.0 * place, 9.0, text_anchor="start"))
        if bounds is None:
            for value, y in ((top, self.y + 5.0), (low, self.y + high - 5.0)):
                self.parts.append(words(f"{value:g}", LEFT - 5.0, y, 8.0, text_anchor="end"))
        for place, line in enumerate(lines):
            path = self._path(line, low, top, high)
            if path:
                style = {"stroke_dasharray": DASHES[place]} if place else {}
                self.parts.append(element("path", d=path, fill="none", stroke=INK, stroke_width=1.0, **style))
        self.y += high + GAP

    def _path(self, line: Array, low: float, top: float, high: float) -> str:
        """The line, thinned to the least and the greatest value of each stretch."""
        stretch = max(1, math.ceil(len(line) / (MOST_POINTS / 2)))
        path, pen_down = "", False
        for first in range(0, len(line), stretch):
            part = line[first : first + stretch]
            known = part[np.isfinite(part)]
            if not len(known):
                pen_down = False
                continue
            values = (
                [known[0]]
                if len(known) == 1
                else sorted({known.min(), known.max()}, key=lambda v: abs(v - known[0]))
            )
            for value in values:
                y = self.y + high * (1.0 - (float(value) - low) / max(top - low, 1e-9))
                path += f"{'L' if pen_down else 'M'}{number(self.x(first))} {number(y)}"
                pen_down = True
        return path

    def strip(self, spans: Sequence[tuple[int, int, str]]) -> None:
        self.parts.append(words("maneuver", 4.0, self.y + 8.0, 9.0, text_anchor="start"))
        for first, end, name in spans:
            width = self.x(end) - self.x(first)
            box = element("rect", element("title", name), x=self.x(first), y=self.y, width=width, height=16.0, fill=SHADE, stroke=RULE)  # fmt: skip
            self.parts.append(box)
            if width > 6.0 * len(name):
                self.parts.append(words(name, self.x(first) + width / 2.0, self.y + 8.0, 8.5))
        self.y += 16.0 + GAP

    def chances(self, times: Array, lines: Sequence[tuple[str, Array]]) -> None:
        high = 110.0
        self.parts.append(element("rect", x=LEFT, y=self.y, width=WIDE, height=high, fill="none", stroke=RULE))  # fmt: skip
        for share in (0.0, 0.5, 1.0):
            y = self.y + high * (1.0 - share)
            self.parts.append(words(f"{share * 100:.0f} %", LEFT - 5.0, y, 8.0, text_anchor="end"))
            self.parts.append(element("line", x1=LEFT, y1=y, x2=LEFT + WIDE, y2=y, stroke=FAINT))
        key = self.y + high + 14.0
        for place, (name, chance) in enumerate(lines):
            style = {"stroke_dasharray": DASHES[place % len(DASHES)]} if place else {}
            path = f"M{number(LEFT)} {number(self.y + high * (1.0 - float(chance[0])))}"
            for time, value in zip(times.tolist(), chance.tolist(), strict=True):
                path += f"H{number(self.x(time))}V{number(self.y + high * (1.0 - value))}"
            path += f"H{number(LEFT + WIDE)}"
            self.parts.append(element("path", d=path, fill="none", stroke=INK, stroke_width=1.8, **style))
            y = key + 13.0 * place
            self.parts.append(element("line", x1=LEFT, y1=y, x2=LEFT + 36.0, y2=y, stroke=INK, stroke_width=1.8, **style))  # fmt: skip
            self.parts.append(words(name, LEFT + 44.0, y, 10.0, text_anchor="start"))
        self.bottom = self.y + high
        self.y = key + 13.0 * len(lines) + GAP

    def done(self, marks: Sequence[tuple[float, str, tuple[float, float] | None]]) -> str:
        front, back = list(_axis(self)), []
        for place, (second, text, span) in enumerate(marks):
            x = self.x(second)
            if span is not None:
                low, high = self.x(span[0]), self.x(span[1])
                back.append(element("rect", x=low, y=28.0, width=max(high - low, 1.0), height=self.bottom - 28.0, fill="var(--mark,#f3e3b3)"))  # fmt: skip
            front.append(element("line", x1=x, y1=28.0, x2=x, y2=self.bottom, stroke=INK, stroke_dasharray="3 3"))  # fmt: skip
            front.append(words(f"{text} {clock(min_from_s(second))}", x, 10.0 + 11.0 * (place % 2), 10.0))
        return element(
            "svg",
            element("title", "the recorded flight over time"),
            *back,
            *self.parts,
            *front,
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {number(LEFT + WIDE + RIGHT)} {number(self.y + 4.0)}",
            width="100%",
            role="img",
        )


def _axis(sheet: _Sheet) -> Iterator[str]:
    minutes = min_from_s(float(sheet.seconds))
    step = next((s for s in (1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 240.0) if minutes / s <= 20.0), 480.0)
    for k in range(int(minutes / step) + 1):
        x = sheet.x(k * step * 60.0)
        yield element("line", x1=x, y1=sheet.bottom, x2=x, y2=sheet.bottom + 4.0, stroke=INK)
        yield words(f"{k * step:g}", x, sheet.bottom + 9.0, 8.0)
    yield words("min", LEFT - 18.0, sheet.bottom + 9.0, 8.0)


def _round_bounds(low: float, high: float) -> tuple[float, float]:
    span = max(high - low, 1e-3)
    step = 10.0 ** math.floor(math.log10(span))
    return math.floor(low / step) * step, math.ceil(high / step + 1e-9) * step


def _wrapped(title: str, most: int = 24) -> list[str]:
    lines = [""]
    for word in title.split():
        if len(lines[-1]) + len(word) + 1 > most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines[:3]
