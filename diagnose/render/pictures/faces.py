"""Elements of an SVG picture as text."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from html import escape
from typing import Literal

import numpy as np

from diagnose.model.gauges import Dial, Ticks, hand_angle_deg

#: what everything is drawn with: a page may set other colors for the dark; paper takes dark ink on white, so that a
#: black and white print loses nothing
INK, PAPER = "var(--ink,#111)", "var(--paper,#fff)"
RULE, FAINT, SHADE = "var(--rule,#888)", "var(--faint,#ccc)", "var(--shade,#eee)"
FONT = "Helvetica, Arial, sans-serif"


def number(value: float) -> str:
    """A number with two digits at most, without "-0"."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def element(tag: str, *inside: str, **attributes: str | float) -> str:
    """One element; underscores of attribute names become hyphens, and a last one goes."""
    written = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{escape(value) if isinstance(value, str) else number(value)}"'
        for name, value in attributes.items()
    )
    return f"<{tag}{written}>{''.join(inside)}</{tag}>" if inside else f"<{tag}{written}/>"


def words(text: str, x: float, y: float, size: float, **attributes: str | float) -> str:
    """Text centered on a point."""
    fixed: dict[str, str | float] = {"text_anchor": "middle", "fill": INK, "font_family": FONT}
    return element("text", escape(text), x=x, y=y + size * 0.36, font_size=size, **(fixed | attributes))


def at_angle(radius: float, angle_deg: float) -> tuple[float, float]:
    """A point at this distance and angle, clockwise from the top."""
    angle = math.radians(angle_deg)
    return radius * math.sin(angle), -radius * math.cos(angle)


def spoke(inner: float, outer: float, angle_deg: float, width: float, **attributes: str | float) -> str:
    """A line that points away from the middle."""
    (x1, y1), (x2, y2) = at_angle(inner, angle_deg), at_angle(outer, angle_deg)
    style: dict[str, str | float] = {"stroke": INK, "stroke_width": width}
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, **(style | attributes))


def arc(radius: float, start_deg: float, end_deg: float, width: float, **attributes: str | float) -> str:
    """A part of a circle, clockwise."""
    (x1, y1), (x2, y2) = at_angle(radius, start_deg), at_angle(radius, end_deg)
    large = int(end_deg - start_deg > 180.0)
    path = (
        f"M{number(x1)} {number(y1)}A{number(radius)} {number(radius)} 0 {large} 1 {number(x2)} {number(y2)}"
    )
    return element("path", d=path, fill="none", stroke_width=width, **attributes)


#: the horizon goes so far from the middle of its dial, in hundredths of the radius, of which 80 are in view
FARTHEST = 70.0
#: the ball goes so far from the middle of its tube, and no further
TUBE = 38.0

State = Mapping[str, float | str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """How one part stands. ``part`` is its id in the picture.

    ``values``: rotate (degrees); slide (x); horizon (degrees of rotation, then y); show (0 or 1);
    write (the text in ``text``). Empty values: not known, the part is blank.
    """

    part: str
    how: Literal["rotate", "slide", "horizon", "show", "write"]
    values: tuple[float, ...] = ()
    text: str = ""


def known(state: State, name: str) -> float | None:
    """A number of the state, None where there is none."""
    value = state.get(name)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _window_move(state: State, name: str, digits: int) -> str:
    value = state.get(name, "")
    if isinstance(value, str):
        return value.upper()
    # nought added turns "-0" into "0"
    return f"{round(value, digits) + 0.0:.{digits}f}" if math.isfinite(value) else "----"


def movements(dial: Dial, state: State) -> tuple[Movement, ...]:
    """How every moving part of a dial stands in this state."""
    found: list[Movement] = []
    for place, hand in enumerate(dial.hands):
        value = known(state, hand.reads)
        angles = () if value is None else (hand_angle_deg(hand, value),)
        found.append(Movement(part=f"{dial.id}-hand{place}", how="rotate", values=angles))
    for place, window in enumerate(dial.windows):
        text = _window_move(state, window.reads, window.digits)
        found.append(Movement(part=f"{dial.id}-window{place}", how="write", text=text))
    if dial.flag:
        shown = known(state, dial.flag)
        found.append(Movement(part=f"{dial.id}-flag", how="show", values=(float(bool(shown)),)))
    part = f"{dial.id}-part"
    values = [known(state, name) for name in dial.reads]
    numbers = tuple(value for value in values if value is not None)
    complete = len(numbers) == len(values)
    match dial.kind:
        case "horizon":
            # a bank to the right turns the horizon to the left; the nose up moves it down
            # a sliver of sky or ground stays in view at any pitch
            stand = (
                (-numbers[0], max(-FARTHEST, min(FARTHEST, numbers[1] * dial.per_unit))) if complete else ()
            )
            found.append(Movement(part=part, how="horizon", values=stand))
        case "ball":
            inside = tuple(max(-TUBE, min(TUBE, n * dial.per_unit)) for n in numbers)
            found.append(Movement(part=part, how="slide", values=inside))
        case "strip":
            # larger headings stand on the left of the card, so it slides to the right as they come
            found.append(Movement(part=part, how="slide", values=tuple(n * dial.per_unit for n in numbers)))
        case "lamp":
            found.append(Movement(part=part, how="show", values=tuple(float(bool(n)) for n in numbers)))
        case "window":
            found.append(
                Movement(part=part, how="write", text=_window_move(state, dial.reads[0], dial.digits))
            )
    return tuple(found)


def transform(movement: Movement) -> dict[str, str | float]:
    """Attributes of the part that put it where it stands; a part that is not known is hidden."""
    values = movement.values
    if movement.how == "write":
        return {}
    if not values:
        return {"visibility": "hidden"}
    match movement.how:
        case "rotate":
            return {"transform": f"rotate({number(values[0])})"}
        case "slide":
            return {"transform": f"translate({number(values[0])} 0)"}
        case "horizon":
            return {"transform": f"rotate({number(values[0])}) translate(0 {number(values[1])})"}
        case _:
            return {"visibility": "visible" if values[0] else "hidden"}


#: style of an arc -> color, width, and dashes that tell it apart without color
ARCS = {
    "normal": ("var(--arc-normal,#1a8a3a)", 6.0, ""),
    "caution": ("var(--arc-caution,#d9a400)", 6.0, "5 3"),
    "special": ("var(--arc-special,#8a8a8a)", 3.0, "2 2"),
}
LIMIT = "var(--arc-limit,#c01010)"
#: sky, ground and the airplane before them: dark faces on a screen, ink on paper
SKY, GROUND, AIRPLANE = "var(--sky,#cfe6f7)", "var(--ground,#8a6b4a)", "var(--airplane,#111)"
ON_SKY, ON_GROUND = "var(--on-sky,#111)", "#fff"
#: captions stand below the rim, where no hand passes
CAPTION, CAPTION_PX, SMALL_CAPTION_PX = 115.0, 17.0, 24.0
#: a longer caption of a small dial has its unit in a second line; no caption is wider than its dial, so many letters of
#: this share of their size
MOST_SMALL, LETTER = 15, 0.68
#: a scale with so many signs on it is crowded: they are smaller
MOST_SIGNS = 16
#: half the size of a strip or window dial
WIDE, LOW = 100.0, 32.0
#: the card of a strip is drawn this many degrees beyond its ends
BEYOND_DEG = 90


def dial_svg(dial: Dial, state: State, key: str = "") -> str:
    """One dial as an SVG group about the origin, reaching 100 to each side, its caption to 124 below.

    Lamps, windows and strips reach 32 up and down. Moving parts carry ``data-part`` = part of
    ``movements``. ``key`` tells the ids of several pictures in one page apart.
    """
    moving = {movement.part: movement for movement in movements(dial, state)}
    draw = {"card": _card, "turn": _turn, "ball": _ball, "lamp": _lamp, "window": _window}
    draw["pointer"] = _pointer
    if dial.kind in ("horizon", "strip"):
        inside = (_horizon if dial.kind == "horizon" else _strip)(dial, moving, f"{key}{dial.id}-clip")
    else:
        inside = draw[dial.kind](dial, moving)
    return element("g", *inside, class_="dial", data_gauge=dial.id)


def _face() -> str:
    return element("circle", r=98.0, fill=PAPER, stroke=INK, stroke_width=3.0)


def _title(dial: Dial) -> str:
    # small dials are drawn at little more than half the size
    text = f"{dial.title} {dial.unit}".strip()
    if dial.large:
        return words(text, 0.0, CAPTION, CAPTION_PX)
    if len(text) <= MOST_SMALL:
        return words(text, 0.0, CAPTION, SMALL_CAPTION_PX)
    unit = words(dial.unit, 0.0, CAPTION + SMALL_CAPTION_PX, SMALL_CAPTION_PX) if dial.unit else ""
    size = min(SMALL_CAPTION_PX, 2.0 * CAPTION / (LETTER * len(dial.title)))
    return words(dial.title, 0.0, CAPTION, size) + unit


def _part(movement: Movement, *inside: str, **attributes: str | float) -> str:
    return element("g", *inside, data_part=movement.part, **(transform(movement) | attributes))


def _written(movement: Movement, x: float, y: float, size: float) -> str:
    # a space keeps the element open, so that a page can write into it
    return words(movement.text or " ", x, y, size, data_part=movement.part, font_weight="bold")


def _scale(dial: Dial) -> Iterator[str]:
    for marks in dial.arcs:
        start = hand_angle_deg(dial.hands[0], marks.start)
        if marks.style == "limit":
            yield spoke(78.0, 97.0, start, 5.0, stroke=LIMIT)
            continue
        colour, width, dashes = ARCS[marks.style]
        radius = 84.0 if marks.style == "special" else 92.0
        style = {"stroke": colour} | ({"stroke_dasharray": dashes} if dashes else {})
        yield arc(radius, start, hand_angle_deg(dial.hands[0], marks.end), width, **style)
    for ticks in dial.ticks:
        yield from _ticks(dial, ticks)


def _ticks(dial: Dial, ticks: Ticks) -> Iterator[str]:
    hand = dial.hands[ticks.hand]
    inner = 96.0 - 100.0 * ticks.size
    values = np.arange(ticks.start, ticks.end + ticks.every / 2.0, ticks.every).tolist()
    labels = [number((abs(v) if ticks.unsigned else v) / ticks.divide) if ticks.divide else "" for v in values]
    size = 17.0 if dial.large else 24.0 if len("".join(labels)) <= MOST_SIGNS else 19.0
    for value, label in zip(values, labels, strict=True):
        angle = hand_angle_deg(hand, value)
        yield spoke(inner, 96.0, angle, 3.0 if ticks.divide else 1.6)
        if label:
            # long numbers beside the middle need more room to the side
            room = 0.7 + 0.25 * (len(label) - 1) * abs(math.sin(math.radians(angle)))
            x, y = at_angle(inner - size * room, angle)
            yield words(label, x, y, size, font_weight="bold", class_="label")


def _hand(dial: Dial, place: int, movement: Movement) -> str:
    hand = dial.hands[place]
    tip = 100.0 * hand.length
    if hand.shape == "marker":
        # a thin line with a triangle at the rim
        drawn = element("path", d=f"M0 0V{number(-tip + 14)}M-7 {number(-tip)}H7L0 {number(-tip + 14)}Z",
                        fill=INK, stroke=INK, stroke_width=1.5)  # fmt: skip
    elif hand.shape == "short":
        drawn = element("path", d=f"M-7 0L-8 {number(-tip + 14)}L0 {number(-tip)}L8 {number(-tip + 14)}L7 0Z",
                        fill=PAPER, stroke=INK, stroke_width=2.5)  # fmt: skip
    else:
        # thin from the numbers on, so that none is hidden
        drawn = element("path", d=f"M-5 16L-4 0L-3 {number(-0.55 * tip)}L-0.6 {number(-0.62 * tip)}V{number(-tip)}H0.6V{number(-0.62 * tip)}L3 {number(-0.55 * tip)}L4 0L5 16Z",
                        fill=INK, stroke=INK, stroke_width=1.0)  # fmt: skip
    return _part(movement, drawn)


def _pointer(dial: Dial, moving: dict[str, Movement]) -> Iterator[str]:
    yield _face()
    yield from _scale(dial)
    yield _title(dial)
    if any(ticks.unsigned for ticks in dial.ticks):
        # right of the middle, where the scale has its gap
        yield words("UP", 28.0, -22.0, 17.0)
        yield words("DN", 28.0, 22.0, 17.0)
    for place in range(len(dial.hands)):
        yield _hand(dial, place, moving[f"{dial.id}-hand{place}"])
    yield element("circle", r=6.0, fill=INK)
    # above the hands: its digits are always to be read
    for place, _ in enumerate(dial.windows):
        yield element(
            "rect", x=37.0, y=-11.0, width=59.0, height=22.0, rx=2.0, fill=PAPER, stroke=INK, stroke_width=1.5
        )
        yield _written(moving[f"{dial.id}-window{place}"], 66.5, 0.0, 17.0 if dial.large else 18.0)


def _flag(dial: Dial, moving: dict[str, Movement], y: float) -> Iterator[str]:
    if dial.flag:
        yield _part(
            moving[f"{dial.id}-flag"],
            element("rect", x=-24.0, y=y - 12.0, width=48.0, height=24.0, fill=LIMIT, stroke=INK),
            words("OFF", 0.0, y, 17.0, fill=PAPER, font_weight="bold"),
            class_="flag",
        )


def _horizon(dial: Dial, moving: dict[str, Movement], clip: str) -> Iterator[str]:
    per_deg = dial.per_unit
    yield _face()
    yield element("clipPath", element("circle", r=80.0), id=clip)
    lines = [
        element("rect", x=-300.0, y=-500.0, width=600.0, height=500.0, fill=SKY),
        element("rect", x=-300.0, y=0.0, width=600.0, height=500.0, fill=GROUND),
        element("line", x1=-300.0, y1=0.0, x2=300.0, y2=0.0, stroke=ON_GROUND, stroke_width=3.0),
    ]
    for pitch in (-30, -25, -20, -15, -10, -5, 5, 10, 15, 20, 25, 30):
        half = 26.0 if pitch % 10 == 0 else 14.0
        y, ink = -pitch * per_deg, ON_SKY if pitch > 0 else ON_GROUND
        lines.append(element("line", x1=-half, y1=y, x2=half, y2=y, stroke=ink, stroke_width=2.0))
        if pitch % 10 == 0:
            lines.append(words(str(abs(pitch)), half + 13.0, y, 17.0, fill=ink))
    part = moving[f"{dial.id}-part"]
    yield element("g", _part(part, *lines), clip_path=f"url(#{clip})")
    # the bank pointer turns with the horizon, without its pitch
    yield element("g", element("path", d="M0 -80L-6 -68H6Z", fill=ON_SKY), data_part=f"{dial.id}-bank",
                  **_bank_only(part))  # fmt: skip
    for bank in (-90, -60, -30, -20, -10, 0, 10, 20, 30, 60, 90):
        yield spoke(82.0, 96.0 if bank % 30 == 0 else 90.0, bank, 4.0 if bank == 0 else 2.5)
    yield element("path", d="M-56 0H-22L-14 9M56 0H22L14 9", fill="none", stroke="#111", stroke_width=9.0)
    yield element("path", d="M-56 0H-22L-14 9M56 0H22L14 9", fill="none", stroke=AIRPLANE, stroke_width=5.0)
    yield element("circle", r=4.0, fill=AIRPLANE, stroke="#111", stroke_width=1.5)
    yield from _flag(dial, moving, 60.0)
    yield _title(dial)


def _bank_only(part: Movement) -> dict[str, str | float]:
    return transform(Movement(part=part.part, how="rotate", values=part.values[:1]))


def _card(dial: Dial, moving: dict[str, Movement]) -> Iterator[str]:
    yield _face()
    marks = []
    for heading in range(0, 360, 5):
        long = heading % 10 == 0
        marks.append(spoke(82.0 if long else 89.0, 96.0, heading, 2.5 if long else 1.5))
        if heading % 30 == 0:
            label = {0: "N", 90: "E", 180: "S", 270: "W"}.get(heading, str(heading // 10))
            turned = f"rotate({heading})"
            marks.append(element("g", words(label, 0.0, -68.0, 18.0, font_weight="bold"), transform=turned))
    yield _part(moving[f"{dial.id}-hand0"], *marks)
    yield element("path", d="M0 -99L-7 -84H7Z", fill=LIMIT, stroke=INK, stroke_width=1.0)
    yield element(
        "path",
        d="M0 -46L5 -16L40 2V11L5 4L3 26L16 34V40L0 36L-16 40V34L-3 26L-5 4L-40 11V2L-5 -16Z",
        fill=PAPER, stroke=AIRPLANE, stroke_width=2.5,
    )  # fmt: skip
    yield _title(dial)


def _turn(dial: Dial, moving: dict[str, Movement]) -> Iterator[str]:
    yield _face()
    for ticks in dial.ticks:
        for rate in np.arange(ticks.start, ticks.end + ticks.every / 2.0, ticks.every).tolist():
            tilt = hand_angle_deg(dial.hands[0], rate)
            for side in (-90.0, 90.0):
                # wings tilt to these marks: on the left only level and left turns are marked
                if rate == 0.0 or (rate < 0.0) == (side < 0.0):
                    yield spoke(78.0, 94.0, side + tilt, 4.0)
    for side, label in ((-1.0, "L"), (1.0, "R")):
        yield words(label, side * 72.0, 44.0, 17.0, font_weight="bold")
    reach = number(100.0 * dial.hands[0].length)
    yield _part(
        moving[f"{dial.id}-hand0"],
        element("path", d=f"M-{reach} -3L-12 -6A12 12 0 0 1 12 -6L{reach} -3V3L12 6A12 12 0 0 1 -12 6L-{reach} 3Z",
                fill=INK),
        element("line", x1=0.0, y1=-10.0, x2=0.0, y2=-34.0, stroke=INK, stroke_width=5.0),
    )  # fmt: skip
    yield words(dial.unit, 0.0, 82.0, 17.0)
    yield words(dial.title, 0.0, CAPTION, CAPTION_PX)
    yield from _flag(dial, moving, -76.0)


def _ball(dial: Dial, moving: dict[str, Movement]) -> Iterator[str]:
    yield element("rect", x=-50.0, y=-11.0, width=100.0, height=22.0, rx=11.0, fill=PAPER, stroke=INK,
                  stroke_width=2.0)  # fmt: skip
    yield _part(moving[f"{dial.id}-part"], element("circle", r=8.5, fill=INK))
    for x in (-10.5, 10.5):
        yield element("line", x1=x, y1=-11.0, x2=x, y2=11.0, stroke=INK, stroke_width=2.0)


def _frame(low: float = LOW) -> str:
    return element("rect", x=-WIDE + 2, y=-low + 2, width=2 * WIDE - 4, height=2 * low - 4, rx=6.0, fill=PAPER,
                   stroke=INK, stroke_width=2.0)  # fmt: skip


def _strip(dial: Dial, moving: dict[str, Movement], clip: str) -> Iterator[str]:
    yield _frame()
    yield element(
        "clipPath", element("rect", x=-WIDE + 4, y=-LOW, width=2 * WIDE - 8, height=2 * LOW), id=clip
    )
    marks = []
    for heading in range(-BEYOND_DEG, 360 + BEYOND_DEG + 1, 5):
        x, long = -heading * dial.per_unit, heading % 10 == 0
        marks.append(element("line", x1=x, y1=-LOW + 4, x2=x, y2=-LOW + (18 if long else 12), stroke=INK,
                             stroke_width=2.0))  # fmt: skip
        if heading % 30 == 0:
            wrapped = heading % 360
            label = {0: "N", 90: "E", 180: "S", 270: "W"}.get(wrapped, str(wrapped // 10))
            marks.append(words(label, x, -3.0, 18.0, font_weight="bold"))
    yield element("g", _part(moving[f"{dial.id}-part"], *marks), clip_path=f"url(#{clip})")
    yield element("line", x1=0.0, y1=-LOW + 2, x2=0.0, y2=LOW - 22, stroke=LIMIT, stroke_width=2.0)
    yield words(dial.title, 0.0, LOW - 10.0, 18.0)


def _lamp(dial: Dial, moving: dict[str, Movement]) -> Iterator[str]:
    # lit: filled with dark ink and light letters, so that it shows in a black and white print
    yield _frame()
    yield words(dial.title, 0.0, 0.0, 20.0, fill="var(--unlit,#777)")
    yield _part(
        moving[f"{dial.id}-part"],
        element(
            "rect", x=-WIDE + 6, y=-LOW + 6, width=2 * WIDE - 12, height=2 * LOW - 12, rx=4.0, fill=LIMIT
        ),
        words(dial.title, 0.0, 0.0, 22.0, fill=PAPER, font_weight="bold"),
        class_="lit",
    )


def _window(dial: Dial, moving: dict[str, Movement]) -> Iterator[str]:
    yield _frame()
    yield words(f"{dial.title} {dial.unit}".strip(), 0.0, -LOW + 14.0, 18.0)
    yield _written(moving[f"{dial.id}-part"], 0.0, 13.0, 24.0)
