"""Timeline picture of a reviewed recording: channels, residuals, maneuvers, chances over time, onset."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from diagnose.model.units import Array, min_from_s
from diagnose.render.layout import percent
from diagnose.render.pages.findings import at
from diagnose.render.pictures.charts import DASHES, Frame, Line, key
from diagnose.render.pictures.faces import FAINT, INK, RULE, SHADE, element, number, words
from diagnose.review.causes import GAUGE_CHANNELS
from diagnose.review.findings import Review
from diagnose.review.recording import Recording
from diagnose.review.relations import Residual
from diagnose.review.windows import Window

#: in this type every word stands at 9 px where the page sets the picture no narrower than 704 px (`.wide`)
WIDE, LEFT, RIGHT, SMALL = 620.0, 150.0, 20.0, 10.5
ROW, LOW_ROW, GAP = 84.0, 46.0, 8.0
#: points of a line; more would not be seen
MOST_POINTS = 800
#: rows of channels: title, channels drawn in it (the second dashed), what the axis holds at least
ROWS: tuple[tuple[str, tuple[str, ...], tuple[float, ...]], ...] = (
    ("airspeed, kt", ("airspeed_kt", "gps_speed_kt"), (0.0,)),
    ("altitude, ft", ("altimeter_ft", "gps_height_ft"), ()),
    ("vertical speed, fpm", ("vertical_speed_fpm",), (0.0,)),
    ("pitch, degrees", ("pitch_deg",), (0.0,)),
    ("bank, degrees", ("bank_deg",), (0.0,)),
    ("heading, degrees", ("heading_deg", "gps_track_deg"), (0.0, 360.0)),
    ("turn, degrees/s", ("turn_dps",), (-3.0, 3.0)),
    ("suction, inHg", ("suction_inhg",), (0.0, 6.0)),
    ("rpm", ("rpm",), (0.0,)),
    ("volts", ("volts",), ()),
)
#: channels that a needle cannot show below zero
NEVER_BELOW = ("airspeed_kt", "gps_speed_kt", "suction_inhg", "rpm", "volts")
#: residuals are drawn up to this many standard deviations; a healthy gauge lies within so many of what the others say
MOST_SD, BAND_SD = 6.0, 3.0
#: what was flown in a box too narrow for its name; moments of one maneuver that near are one
SIGNS = {"climb": "\N{UPWARDS ARROW}", "descent": "\N{DOWNWARDS ARROW}", "left": "L", "right": "R"}
TOGETHER_S = 30
#: rows that stand before all else
MOST_PARTED = 3
#: failures whose chance is drawn, and how likely they must have been at some time
MOST_FAILURES, LEAST_DRAWN = 3, 0.05


def timeline_svg(review: Review, *, folded: bool | None = None) -> str:
    """The picture; ``folded``: only what a page folds away, or only what it does not, else all of it."""
    sheet = _Sheet(review.recording)
    first = _parted(review)
    for row in ROWS:
        if folded is None or (row in first) != folded:
            _row(sheet, row, review)
    if folded is not False:
        sheet.heading(
            "Do they agree? Differences in standard deviations; shaded where the detector holds them apart"
        )
        for residual in review.residuals:
            spans = [(c.onset, min(c.until, float(review.recording.seconds))) for c in residual.changes]
            z = np.clip(residual.values / residual.noise, -MOST_SD, MOST_SD)
            sheet.row(residual.relation.name, [("", z)], (-MOST_SD, MOST_SD), spans=spans, high=30.0)
    sheet.heading("What was flown, and how likely each failure was from the readings so far")
    sheet.strip(review.windows)
    sheet.chances(*_chances(review))
    marks: list[tuple[float, str, tuple[float, float] | None]] = [
        (onset.showed, "first shows", (onset.earliest, onset.latest)) for onset in review.onsets
    ]
    if review.sufficed is not None:
        marks.append((review.sufficed, "evidence suffices", None))
    return sheet.done(marks)


Row = tuple[str, tuple[str, ...], tuple[float, ...]]


def _parted(review: Review) -> tuple[Row, ...]:
    """The rows that matter: of the channels that are not believed, those first that part most; else what was flown."""
    doubted = {c for d in review.doubted if d.recorded for c in GAUGE_CHANNELS.get(d.gauge, ())}
    apart = {
        channel: max(abs(change.size) / float(residual.noise.mean()) for change in residual.changes)
        for residual in review.residuals
        if residual.changes
        for channel in residual.relation.speaks_of
    }
    there = [row for row in ROWS if any(name in review.recording.channels for name in row[1])]
    wanted = [row for row in there if doubted & set(row[1])]
    wanted.sort(key=lambda row: -max(apart.get(name, 0.0) for name in row[1]))
    return tuple((wanted or there)[:MOST_PARTED])


def _row(sheet: _Sheet, row: Row, review: Review) -> None:
    """One row of channels, with the band in which a healthy gauge would lie where another source tells it."""
    title, names, least = row
    channels = review.recording.channels
    lines = []
    for name in names:
        if name in channels:
            values = channels[name] % 360.0 if name.endswith(("heading_deg", "track_deg")) else channels[name]
            values = np.maximum(values, 0.0) if name in NEVER_BELOW else values
            lines.append((review.network.kb.recorded[name].name, values))
    if not lines:
        return
    band = next((b for r in review.residuals if (b := _band(r, names[0], review)) is not None), None)
    known = np.concatenate([line[np.isfinite(line)] for _, line in lines])
    known = np.append(known, least)
    bounds = (min(least), max(least)) if len(least) == 2 and known.max() <= max(least) and known.min() >= min(least) else None  # fmt: skip
    sheet.row(title, lines, bounds or _round_bounds(float(known.min()), float(known.max())), band=band)


def _band(residual: Residual, channel: str, review: Review) -> tuple[Array, Array] | None:
    """Least and most that a healthy gauge would have shown by this relation; None where it does not tell that."""
    relation = residual.relation
    if relation.channels[0] != channel or relation.unit != review.network.kb.recorded[channel].unit:
        return None
    expected = review.recording.channels[channel] - residual.values
    if review.network.kb.recorded[channel].circular:
        expected = expected % 360.0
    wide = BAND_SD * residual.noise
    return expected - wide, expected + wide


def timeline_table(review: Review) -> tuple[list[str], list[list[str]]]:
    """The picture's numbers moment by moment: what was flown, the mean of each channel, the chances after it."""
    channels = review.recording.channels
    shown = [(title, names[0]) for title, names, _ in ROWS if names[0] in channels]
    _, lines = _chances(review)
    heads = ["min", "flown", *(title for title, _ in shown), *(name for name, _ in lines)]
    rows = []
    for place, window in enumerate(review.windows):
        means = []
        for _, name in shown:
            values = channels[name][window.first : window.end]
            if review.network.kb.recorded[name].circular:
                values = np.degrees(np.unwrap(np.radians(values)))
            known = values[np.isfinite(values)]
            mean = float(known.mean()) if len(known) else math.nan
            if not math.isfinite(mean):
                means.append("")
            else:
                means.append(f"{mean % 360.0 if review.network.kb.recorded[name].circular else mean:.{1 if abs(mean) < 20.0 else 0}f}")
        chances = [percent(float(line[place])) for _, line in lines]
        rows.append([at(window.first, review.recording), window.manoeuvre.replace("_", " "), *means, *chances])
    return heads, rows


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

    def __init__(self, recording: Recording) -> None:
        self.recording, self.seconds = recording, max(recording.seconds, 1)
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
        lines: Sequence[tuple[str, Array]],
        bounds: tuple[float, float],
        spans: Sequence[tuple[float, float]] = (),
        band: tuple[Array, Array] | None = None,
        high: float = ROW,
    ) -> None:
        """A row: its title and key at the left; a line by itself needs no key and a lower row."""
        if not any(np.isfinite(line).any() for _, line in lines):
            return
        named = len(lines) > 1 or band is not None
        high = high if named else min(high, LOW_ROW)
        low, top = bounds
        for since, until in spans:
            self.parts.append(element("rect", x=self.x(since), y=self.y, width=max(self.x(until) - self.x(since), 1.0), height=high, fill=FAINT))  # fmt: skip
        if band is not None:
            self.parts.append(element("path", d=self._area(*band, low, top, high), fill=SHADE))
        self.parts.append(element("rect", x=LEFT, y=self.y, width=WIDE, height=high, fill="none", stroke=RULE))  # fmt: skip
        for place, part in enumerate(_wrapped(title)):
            self.parts.append(words(part, 4.0, self.y + 7.0 + 11.0 * place, SMALL, text_anchor="start"))
        if bounds != (-MOST_SD, MOST_SD):
            for value, y in ((top, self.y + 5.0), (low, self.y + high - 5.0)):
                self.parts.append(words(f"{value:,.0f}" if abs(value) >= 10.0 else f"{value:g}", LEFT - 5.0, y, SMALL, text_anchor="end"))  # fmt: skip
        low_key = self.y + 24.0
        for place, (name, line) in enumerate(lines):
            style = {"stroke_dasharray": DASHES[place]} if place else {}
            if path := self._path(line, low, top, high):
                self.parts.append(element("path", d=path, fill="none", stroke=INK, stroke_width=1.0, **style))
            if named:
                self.parts.append(element("line", x1=4.0, y1=low_key, x2=20.0, y2=low_key, stroke=INK, **style))
                self.parts.append(words(name, 24.0, low_key, SMALL, text_anchor="start"))
                low_key += 13.0
        if band is not None:
            self.parts.append(
                element("rect", x=4.0, y=low_key - 4.0, width=16.0, height=8.0, fill=SHADE, stroke=RULE)
            )
            self.parts.append(words("a healthy one", 24.0, low_key, SMALL, text_anchor="start"))
        self.y += high + GAP

    def _area(self, least: Array, most: Array, low: float, top: float, high: float) -> str:
        """The band, thinned; it is broken where nothing is known."""
        stretch = max(1, math.ceil(len(least) / (MOST_POINTS / 2)))
        path, edges = "", list[tuple[float, float, float]]()

        def y(value: float) -> float:
            return self.y + high * (1.0 - (min(max(value, low), top) - low) / max(top - low, 1e-9))

        def closed() -> str:
            if len(edges) < 2:
                return ""
            forth = "L".join(f"{number(x)} {number(y(b))}" for x, _, b in edges)
            back = "L".join(f"{number(x)} {number(y(a))}" for x, a, _ in edges[::-1])
            return f"M{forth}L{back}Z"

        for first in range(0, len(least), stretch):
            a, b = least[first : first + stretch], most[first : first + stretch]
            if np.isfinite(a).any():
                edges.append((self.x(first), float(np.nanmedian(a)), float(np.nanmedian(b))))
            else:
                path, edges = path + closed(), []
        return path + closed()

    def _path(self, line: Array, low: float, top: float, high: float) -> str:
        """The line, thinned to the least and the greatest value of each stretch."""
        stretch = max(1, math.ceil(len(line) / (MOST_POINTS / 2)))
        path, pen_down, before = "", False, 0.0
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
            if pen_down and abs(float(values[0]) - before) > 180.0 and top == 360.0:
                pen_down = False  # a heading goes on at the other edge
            before = float(values[-1])
            for value in values:
                y = self.y + high * (1.0 - (float(value) - low) / max(top - low, 1e-9))
                path += f"{'L' if pen_down else 'M'}{number(self.x(first))} {number(y)}"
                pen_down = True
        return path

    def strip(self, windows: Sequence[Window]) -> None:
        """What was flown, each maneuver named once; a narrow box by a sign."""
        self.parts.append(words("maneuver", 4.0, self.y + 8.0, SMALL, text_anchor="start"))
        spans: list[tuple[int, int, str]] = []
        for window in windows:
            name = _flown(window.manoeuvre)
            if spans and spans[-1][2] == name and window.first - spans[-1][1] <= TOGETHER_S:
                spans[-1] = (spans[-1][0], window.end, name)
            else:
                spans.append((window.first, window.end, name))
        for first, end, name in spans:
            width = self.x(end) - self.x(first)
            self.parts.append(element("rect", element("title", name), x=self.x(first), y=self.y, width=width, height=16.0, fill=SHADE, stroke=RULE))  # fmt: skip
            text = name if width > 5.6 * len(name) else "".join(sign for word, sign in SIGNS.items() if word in name)
            self.parts.append(words(text, self.x(first) + width / 2.0, self.y + 8.0, SMALL))
        self.y += 16.0 + GAP

    def chances(self, times: Array, lines: Sequence[tuple[str, Array]]) -> None:
        frame = Frame((0.0, float(self.seconds)), left=LEFT, top=self.y, wide=WIDE, high=110.0)
        drawn = [
            Line(name, [(0.0, float(chance[0])), *zip(times.tolist(), chance.tolist(), strict=True)])
            for name, chance in lines
        ]
        self.parts += [*frame.grid((0.0, 0.5, 1.0), "{:.0%}".format), *frame.drawn(drawn, 1.8)]
        self.bottom = frame.bottom
        names, self.y = key(drawn, LEFT, frame.bottom + 28.0, LEFT + WIDE, 1.8)
        self.parts += names

    def done(self, marks: Sequence[tuple[float, str, tuple[float, float] | None]]) -> str:
        front, back = list(_axis(self)), []
        for place, (second, text, span) in enumerate(marks):
            x = self.x(second)
            if span is not None:
                low, high = self.x(span[0]), self.x(span[1])
                back.append(element("rect", x=low, y=28.0, width=max(high - low, 1.0), height=self.bottom - 28.0, fill="var(--mark,#f3e3b3)"))  # fmt: skip
            front.append(element("line", x1=x, y1=28.0, x2=x, y2=self.bottom, stroke=INK, stroke_dasharray="3 3"))  # fmt: skip
            front.append(words(f"{text} {at(second, self.recording)}", x, 9.0 + 12.0 * (place % 2), SMALL))
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
    """Marks at whole minutes: of the clock where the file tells one, else from the first row."""
    minutes = min_from_s(float(sheet.seconds))
    step = next((s for s in (1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 120.0, 240.0) if minutes / s <= 14.0), 480.0)
    start = sheet.recording.clock_s
    by_clock = math.isfinite(start)
    first = -start % (step * 60.0) if by_clock else 0.0
    for second in np.arange(first, sheet.seconds + 1.0, step * 60.0).tolist():
        x = sheet.x(second)
        yield element("line", x1=x, y1=sheet.bottom, x2=x, y2=sheet.bottom + 4.0, stroke=INK)
        text = at(second, sheet.recording)
        yield words(
            text.rpartition(":")[0] if by_clock else f"{min_from_s(second):g}", x, sheet.bottom + 10.0, SMALL
        )
    yield words("clock" if by_clock else "min", LEFT - 24.0, sheet.bottom + 10.0, SMALL)


def _flown(manoeuvre: str) -> str:
    """A maneuver in a word or two: "level", "climb", "left turn"."""
    word = {"climbing": "climb", "descending": "descent"}
    parts = [word.get(part, part) for part in manoeuvre.split("_")]
    return " ".join(part for part in parts if part in ("level", "climb", "descent", "left", "right", "turn"))


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
