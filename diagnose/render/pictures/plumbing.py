"""The plumbing of a panel as one SVG picture: fittings on the left, the dials that they feed on the right.

Every fitting and dial has a cell of its own, every line a lane of its own, so nothing is drawn over a label. What a
line carries shows by its pattern first and by its color second.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from diagnose.advice.explain.schematic import NORMAL, Line, Node, Schematic, bends
from diagnose.knowledge.load import KnowledgeBase
from diagnose.render.pictures.faces import FONT, INK, PAPER, element, number
from diagnose.render.plumbing import SHOWS_IT, in_words, short_flow, shows_it

#: flow -> color, width, dashes, and what is drawn along the middle: color, width, dashes
STROKES: dict[str, tuple[str, float, str, tuple[str, float, str] | None]] = {
    "normal": ("var(--normal,#176b87)", 3.0, "", None),
    "reduced": ("var(--reduced,#9a6a00)", 3.0, "9 5", None),
    "high": ("var(--high,#b04a00)", 6.0, "", (PAPER, 1.6, "2 4")),
    "other": ("var(--other,#2f6b3a)", 6.0, "", (PAPER, 2.6, "")),
    "lost": ("var(--lost,#b3261e)", 3.0, "1 8", None),
    "trapped": ("var(--trapped,#6d3aa8)", 8.0, "", (PAPER, 3.0, "0.1 8")),
    "shut": ("var(--shut,#777)", 1.6, "3 5", None),
}
HURT = "var(--hurt,#b3261e)"
CELL, FONT_PX, LINE_PX = 140.0, 12.0, 14.0
#: the picture is no wider where its boxes need not be: on a sheet of paper its type is still 9 px high
WIDEST = 910.0
PAD, LANE, GAP, HEADING = 7.0, 10.0, 12.0, 26.0
#: widths of a capital and of another sign as shares of their size, in the widest of the usual fonts
CAPITAL, OTHER = 0.76, 0.67
#: lines that come into a box are so far apart
PORTS = 13.0
LEAST_GUTTER = 20.0
GLYPH = 24.0

GLYPHS: dict[str, str] = {
    "probe": "M-9 4H4A4 4 0 0 0 4 -4H-9M-9 -4V4M0 4V9",
    "ports": "M-6 -9V9M-6 -5H3M-6 5H3M3 -5A2 2 0 1 1 3 -4.9M3 5A2 2 0 1 1 3 5.1",
    "hose": "M-9 3C-5 -7 -1 9 9 -3",
    "valve": "M-8 -6L8 6V-6L-8 6ZM0 0V-9M-4 -9H4",
    "tee": "M-9 0H9M0 0V9",
    "pump": "M8 0A8 8 0 1 1 8 -0.1M-6 -5L6 5M-6 5L6 -5",
    "filter": "M-8 -7H8L2 1V8L-2 6V1Z",
    "battery": "M-9 -5H9V7H-9ZM-5 -5V-8M5 -5V-8M3 1H7M-7 1H-3M-5 -1V3",
    "bus": "M-9 -2H9V2H-9ZM-6 2V8M0 2V8M6 2V8",
    "breaker": "M-9 3H-3L4 -5M4 3H9",
    "dial": "M9 0A9 9 0 1 1 9 -0.1M0 0L5 -5",
    "window": "M-9 -5H9V5H-9ZM-5 0H5",
    "lamp": "M6 0A6 6 0 1 1 6 -0.1M-4 -4L4 4M-4 4L4 -4",
}


def plumbing_svg(
    drawn: Schematic, kb: KnowledgeBase, *, title: str = "plumbing", says: Mapping[str, str] | None = None
) -> str:
    """The picture. ``says``: gauge -> a word for its box ("use", "cover"). Texts are 12 units high or more."""
    return _Picture(drawn, kb, says or {}).svg(title)


def wide(text: str, size: float) -> float:
    """How wide a text is at most."""
    return size * sum(CAPITAL if sign.isupper() else OTHER for sign in text)


def wrapped(text: str, size: float, room: float) -> list[str]:
    """A text in lines that fit into the room; a longer word stands alone."""
    lines = [""]
    for word in text.split():
        if lines[-1] and wide(f"{lines[-1]} {word}", size) > room:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


class _Picture:
    """Sizes and places first, then the parts."""

    def __init__(self, drawn: Schematic, kb: KnowledgeBase, says: Mapping[str, str]) -> None:
        self.drawn, self.kb = drawn, kb
        self.bends, self.lanes = bends(drawn)
        gutters = [LEAST_GUTTER + LANE * self.lanes.get(column, 0) for column in range(1, drawn.columns)]
        # dials and what depends on no line keep their room, fittings share what is left
        room = (WIDEST - 20.0 - CELL - sum(gutters)) / max(len(gutters), 1)
        self.cells = [*(min(CELL, room) for _ in gutters), CELL]
        self.texts = {n.id: _texts(n, kb, says, self.cells[n.column]) for n in drawn.nodes.values()}
        self.texts |= {n.id: _texts(n, kb, says, CELL) for n in drawn.independent}
        self.left = [10.0]
        for cell, gutter in zip(self.cells, gutters, strict=False):
            self.left.append(self.left[-1] + cell + gutter)
        self.width = self.left[-1] + CELL + 10.0
        rows = 1 + max(
            [n.row for n in drawn.nodes.values()] + [line.along for line in drawn.lines], default=-1
        )
        first = {}
        for system in drawn.systems:
            inside = [n.row for n in drawn.nodes.values() if n.system is system]
            if inside:
                first[min(inside)] = system.value.upper()
        self.headings: list[tuple[float, str]] = []
        self.middle: list[float] = []
        y = 6.0
        for row in range(rows):
            if row in first:
                y += HEADING
                self.headings.append((y - 8.0, first[row]))
            high = max([self.height(n) for n in drawn.nodes.values() if n.row == row], default=10.0)
            self.middle.append(y + high / 2.0)
            y += high + GAP
        self.bottom = y

    def height(self, node: Node) -> float:
        return max(26.0, 2.0 * PAD + LINE_PX * len(self.texts[node.id]))

    def svg(self, title: str) -> str:
        nets: dict[tuple[str, str], list[str]] = {}
        for line in sorted(self.drawn.lines, key=lambda li: list(self.kb.flows).index(li.flow)):
            nets.setdefault((line.flow, line.start), []).append(self.path(line))
        parts = [_stroke(paths, flow, start) for (flow, start), paths in nets.items()]
        parts += [_text(10.0, y, heading, 13.0, bold=True) for y, heading in self.headings]
        parts += [
            self.box(n, self.left[n.column], self.middle[n.row], self.cells[n.column])
            for n in self.drawn.nodes.values()
        ]
        y = self.bottom
        if self.drawn.independent:
            y += HEADING
            parts.append(_text(10.0, y - 8.0, "INDEPENDENT OF ALL THESE", 13.0, bold=True))
            fit = max(int((self.width - 10.0) // (CELL + 12.0)), 1)
            for first in range(0, len(self.drawn.independent), fit):
                nodes = self.drawn.independent[first : first + fit]
                high = max(self.height(n) for n in nodes)
                parts += [self.box(n, 10.0 + (CELL + 12.0) * k, y + high / 2.0, CELL) for k, n in enumerate(nodes)]
                y += high + GAP
        legend, y = self.legend(y + 4.0)
        return element(
            "svg",
            element("title", escape(title)),
            element("desc", escape(in_words(self.drawn, self.kb))),
            element("rect", x=0.0, y=0.0, width=self.width, height=y, rx=10.0, fill=PAPER, class_="ground"),
            *parts,
            *legend,
            xmlns="http://www.w3.org/2000/svg",
            font_family=FONT,
            fill=INK,
            viewBox=f"0 0 {number(self.width)} {number(y)}",
            width=number(self.width),
            height=number(y),
            role="img",
            class_="plumbing",
        )

    def box(self, node: Node, left: float, middle: float, cell: float) -> str:
        high = self.height(node)
        hurt = bool(node.failed)
        style: dict[str, str | float] = {"fill": PAPER, "stroke": INK, "stroke_width": 1.5}
        if hurt:
            style |= {"stroke": HURT, "stroke_width": 4.0}
        elif node.gauges and node.flow != NORMAL and not shows_it(node, self.kb):
            style |= {"stroke": STROKES[node.flow][0], "stroke_width": 3.0, "stroke_dasharray": "6 3"}
        round_ = high / 2.0 if node.gauges else 5.0
        parts = [
            element("rect", x=left, y=middle - high / 2.0, width=cell, height=high, rx=min(round_, 16.0),
                    class_="box", **style),
            element("path", d=GLYPHS[node.shape], fill="none", stroke=INK, stroke_width=1.6, class_="glyph",
                    transform=f"translate({number(left + 15.0)} {number(middle)})"),
        ]  # fmt: skip
        if hurt:
            parts.append(element("path", d="M-9 -9L9 9M-9 9L9 -9", stroke=HURT, stroke_width=4.0, class_="cross",
                                 transform=f"translate({number(left + 15.0)} {number(middle)})"))  # fmt: skip
        top = middle - LINE_PX * len(self.texts[node.id]) / 2.0
        for place, (text, bold) in enumerate(self.texts[node.id]):
            y = top + LINE_PX * (place + 0.5) + 4.0
            parts.append(_text(left + GLYPH + 4.0, y, text, FONT_PX, bold=bold))
        fed = {"data_gauges": " ".join(node.gauges)} if node.gauges else {}
        return element("g", *parts, data_node=node.id, class_="hurt" if hurt else "sound", **fed)

    def path(self, line: Line) -> str:
        start, end = self.drawn.nodes[line.start], self.drawn.nodes[line.end]
        into = [li for li in self.drawn.lines if li.end == line.end]
        # lines come into a box side by side, the upper ones above
        into.sort(key=lambda li: (self.drawn.nodes[li.start].row, self.drawn.nodes[li.start].column))
        low = end.row if line.along == end.row else line.along
        room = min(self.height(end) - 8.0, PORTS * (len(into) - 1))
        port = self.middle[end.row] + (
            room * (into.index(line) / (len(into) - 1) - 0.5) if len(into) > 1 else 0.0
        )
        flows = list(dict.fromkeys(li.flow for li in self.drawn.lines if li.start == line.start))
        leave = self.middle[start.row] + 7.0 * (flows.index(line.flow) - (len(flows) - 1) / 2.0)
        bend = self.bends[line]
        along = port if low == end.row else leave if line.along == start.row else self.middle[line.along]
        path = f"M{number(self.left[start.column] + self.cells[start.column])} {number(leave)}"
        if bend.first:
            path += f"H{number(self.lane(bend.first))}V{number(along)}"
        if bend.last:
            path += f"H{number(self.lane(bend.last))}V{number(port)}"
        elif not bend.first and port != leave:
            path += f"H{number(self.left[end.column] - 8.0)}V{number(port)}"
        return path + f"H{number(self.left[end.column] - 1.0)}"

    def lane(self, turn: tuple[int, int]) -> float:
        return self.left[turn[0]] - 10.0 - LANE * turn[1]

    def legend(self, y: float) -> tuple[list[str], float]:
        used = {line.flow for line in self.drawn.lines}
        entries = [(name, flow.name) for name, flow in self.kb.flows.items() if name in used]
        parts, x = [], 10.0
        for name, words in entries:
            room = 44.0 + wide(words, FONT_PX) + 16.0
            if x + room > self.width and x > 10.0:
                x, y = 10.0, y + 20.0
            parts.append(_stroke([f"M{number(x)} {number(y + 8.0)}h36"], name))
            parts.append(_text(x + 44.0, y + 12.0, words, FONT_PX, bold=False))
            x += room
        return parts, y + (24.0 if entries else 4.0)


def _texts(node: Node, kb: KnowledgeBase, says: Mapping[str, str], cell: float) -> list[tuple[str, bool]]:
    """Lines of a box: its name, then what is wrong with it, its openings, or what comes into a dial."""
    room = cell - GLYPH - 8.0
    lines = [(text, True) for text in wrapped(node.name, FONT_PX, room)]

    def note(text: str) -> None:
        lines.extend((part, False) for part in wrapped(text, FONT_PX, room))

    if node.failed:
        note("FAILED: " + "; ".join(node.failed))
        for word, closed in (("blocked", True), ("open", False)):
            listed = [opening for opening, shut in node.openings if shut is closed]
            if listed:
                note(f"{word}: {', '.join(listed)}")
    elif node.openings:
        note("with " + ", ".join(opening for opening, _ in node.openings))
    elif node.gauges and node.flow != NORMAL:
        note(SHOWS_IT if shows_it(node, kb) else short_flow(kb, node.flow))
    for word in dict.fromkeys(says[gauge] for gauge in node.gauges if gauge in says):
        note(word)
    return lines


def _stroke(paths: Sequence[str], flow: str, start: str = "") -> str:
    """Lines that leave one node with the same in them."""
    color, width, dashes, core = STROKES[flow]
    drawn = "".join(element("path", d=path) for path in paths)
    round_: dict[str, str | float] = {"stroke_linecap": "round"} if flow in ("lost", "trapped") else {}

    def layer(color: str, width: float, dashes: str, kind: str) -> str:
        dashed: dict[str, str | float] = {"stroke_dasharray": dashes} if dashes else {}
        return element("g", drawn, stroke=color, stroke_width=width, class_=kind, **dashed)

    # an empty edge keeps lines apart where they cross
    layers = [layer(PAPER, width + 3.0, "", "edge"), layer(color, width, dashes, "pipe")]
    if core:
        layers.append(layer(core[0], core[1], core[2], "core"))
    named = {"data_line": start} if start else {}
    return element(
        "g", *layers, fill="none", stroke_linejoin="round", class_=f"flow {flow}", **round_, **named
    )


def _text(x: float, y: float, text: str, size: float, *, bold: bool) -> str:
    heavy: dict[str, str | float] = {"font_weight": "bold"} if bold else {}
    return element("text", escape(text), x=x, y=y, font_size=size, **heavy)
