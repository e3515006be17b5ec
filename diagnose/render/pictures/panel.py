"""A whole panel: where each dial stands, and the picture of all."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

import msgspec

from diagnose.model.gauges import Dial
from diagnose.render.pictures.faces import CAPTION, CAPTION_PX, LOW, SMALL_CAPTION_PX, WIDE, dial_svg
from diagnose.render.pictures.ghost import ghost_svg
from diagnose.render.pictures.moving import State
from diagnose.render.pictures.said import reading_words
from diagnose.render.pictures.svg import INK, element, number, words
from diagnose.render.pictures.told import plate_svg

#: the six in their usual places; what stands first of each group that the panel has takes the place
PLACES = (
    ("airspeed",),
    ("attitude",),
    ("altimeter",),
    ("turn_coordinator", "electric_attitude"),
    ("heading",),
    ("vertical_speed",),
)
CELL = 210.0
#: captions stand below the dials
CELL_HIGH = 234.0
SMALL_CELL = 126.0
SMALL_HIGH = 150.0
SMALL_COLUMNS = 3
#: dials that are no more than a plate high
FLAT = ("strip", "ball", "lamp", "window")
#: how far below the middle of a dial a plate with words stands
PLATE_Y = 46.0
SMALL = 0.58
STRIP_ROW = 2.0 * LOW * SMALL + 8.0


def shown_dials(dials: Mapping[str, Dial], gauges: Sequence[str]) -> tuple[Dial, ...]:
    """Dials of those gauges that have one, in the order of the panel, faces of ``like`` filled in."""
    return tuple(_whole(dials[gauge], dials) for gauge in gauges if gauge in dials)


def _whole(dial: Dial, dials: Mapping[str, Dial]) -> Dial:
    if not dial.like:
        return dial
    face = dials[dial.like]

    def own(name: str) -> str:
        return dial.renames.get(name, name)

    return msgspec.structs.replace(
        face,
        id=dial.id,
        title=dial.title,
        large=dial.large,
        like="",
        hands=tuple(msgspec.structs.replace(hand, reads=own(hand.reads)) for hand in face.hands),
        windows=tuple(msgspec.structs.replace(window, reads=own(window.reads)) for window in face.windows),
        reads=tuple(own(name) for name in face.reads),
        flag=own(face.flag),
    )


def panel_words(
    state: State, dials: Mapping[str, Dial], gauges: Sequence[str], covered: Collection[str] = ()
) -> str:
    """Every dial of a panel in words, for who does not see its picture."""
    shown = shown_dials(dials, gauges)
    told = [
        f"{dial.title.lower()} {'covered' if dial.id in covered else reading_words(dial, state)}"
        for dial in shown
    ]
    return "; ".join(told)


def covered_svg(dial: Dial, says: str = "covered") -> str:
    """What hides a dial: a blank disc or plate with a word on it, and nothing of what is beneath."""
    if dial.kind in ("lamp", "window", "strip", "ball"):
        plate = element(
            "rect", x=-100.0, y=-LOW, width=200.0, height=2 * LOW, fill="var(--cover,#ddd)", stroke=INK
        )
    else:
        plate = element("circle", r=98.0, fill="var(--cover,#ddd)", stroke=INK, stroke_width=3.0)
    return element("g", plate, words(says, 0.0, 0.0, 18.0), class_="cover")


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What every dial of one picture shares."""

    state: State
    covered: Collection[str]
    key: str
    sound: State | None = None
    told: Mapping[str, tuple[str, ...]] | None = None
    ways: Mapping[str, float] = field(default_factory=dict)


def _placed(dial: Dial, sheet: _Sheet, x: float, y: float, scale: float) -> str:
    hidden = dial.id in sheet.covered or (sheet.told is not None and dial.id not in sheet.told)
    # a covered dial's hands are not drawn at all: a picture must not tell what its reader may not see
    inside = (
        element("g", covered_svg(dial, *(() if sheet.told is None else ("not read",))), data_gauge=dial.id)
        if hidden
        else dial_svg(dial, sheet.state, sheet.key)
    )
    at = f"translate({number(x)} {number(y)}) scale({number(scale)})"
    ghost = ""
    if sheet.sound is not None and not hidden:
        ghost = ghost_svg(dial, sheet.state, sheet.sound, CAPTION_PX if dial.large else SMALL_CAPTION_PX)
    plate = words(dial.title, 0.0, CAPTION, CAPTION_PX if dial.large else SMALL_CAPTION_PX) if hidden and sheet.told is not None and dial.kind not in FLAT else ""
    if sheet.told is not None and not hidden and dial.kind not in ("lamp", "window"):
        flat = dial.kind in FLAT
        size = CAPTION_PX if dial.large else SMALL_CAPTION_PX
        plate = plate_svg(sheet.told[dial.id], 0.0 if flat else PLATE_Y, 0.0 if flat else sheet.ways.get(dial.id, 0.0), size)
    return element("g", inside, ghost, plate, transform=at)


@dataclass(frozen=True, slots=True)
class _Drawn:
    """Dials put in their places, and how much room they take."""

    parts: tuple[str, ...]
    gauges: frozenset[str]
    width: float
    height: float


def _six(shown: Mapping[str, Dial], sheet: _Sheet) -> _Drawn:
    """The six in their usual places, the ball in the turn coordinator."""
    drawn: list[str] = []
    placed: set[str] = set()
    for place, group in enumerate(PLACES):
        chosen = next((gauge for gauge in group if gauge in shown), None)
        if chosen is None:
            continue
        x, y = CELL * (place % 3 + 0.5), CELL_HIGH * (place // 3) + CELL / 2.0
        drawn.append(_placed(shown[chosen], sheet, x, y, 1.0))
        placed.add(chosen)
        if chosen == "turn_coordinator" and "ball" in shown:
            drawn.append(_placed(shown["ball"], sheet, x, y + 52.0, 0.9))
            placed.add("ball")
    return _Drawn(tuple(drawn), frozenset(placed), CELL * 3, CELL_HIGH * 2)


def _others(dials: Sequence[Dial], sheet: _Sheet, left: float) -> _Drawn:
    """Small dials, the round ones above the plates; ``left`` is where they begin."""
    round_ones = [dial for dial in dials if dial.kind in ("pointer", "horizon", "card", "turn")]
    plates = [dial for dial in dials if dial not in round_ones]
    columns, drawn = min(SMALL_COLUMNS, max(len(dials), 1)), []
    for place, dial in enumerate(round_ones):
        x = left + SMALL_CELL * (place % columns + 0.5)
        drawn.append(_placed(dial, sheet, x, SMALL_HIGH * (place // columns) + SMALL_CELL / 2.0, SMALL))
    top = SMALL_HIGH * -(-len(round_ones) // columns) + 4.0
    for place, dial in enumerate(plates):
        x = left + SMALL_CELL * (place % columns + 0.5)
        drawn.append(_placed(dial, sheet, x, top + STRIP_ROW * (place // columns + 0.5), SMALL))
    height = top + STRIP_ROW * -(-len(plates) // columns)
    return _Drawn(tuple(drawn), frozenset(dial.id for dial in dials), SMALL_CELL * columns, height)


def _sheet_svg(parts: Sequence[str], right: float, height: float, title: str, width: str) -> str:
    return element(
        "svg",
        element("title", title),
        element(
            "rect",
            x=-4.0,
            y=-4.0,
            width=right + 8,
            height=height + 8,
            rx=12.0,
            fill="var(--sheet,#fff)",
            stroke=INK,
        ),
        *parts,
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"-6 -6 {number(right + 12)} {number(height + 12)}",
        width=width,
        role="img",
        class_="panel",
    )


def panel_svg(
    state: State,
    dials: Mapping[str, Dial],
    gauges: Sequence[str],
    *,
    covered: Collection[str] = (),
    sound: State | None = None,
    told: Mapping[str, tuple[str, ...]] | None = None,
    ways: Mapping[str, float] | None = None,
    title: str = "instrument panel",
    key: str = "",
    width: str = "100%",
) -> str:
    """The panel as one SVG picture: the six in their usual places, the others beside them.

    ``gauges`` of the panel; those without a dial are left out, those in ``covered`` are hidden.
    ``key`` tells the ids of several pictures in one page apart. ``sound``: what healthy gauges would show, drawn as
    ghosts with the difference. ``told``: what was said of each dial that was read, written on it, the others blank;
    ``ways``: those whose hand went clockwise (1) or the other way (-1).
    """
    sheet = _Sheet(state, covered, key, sound, told, ways or {})
    shown = {dial.id: dial for dial in shown_dials(dials, gauges)}
    six, left = _six(shown, sheet), CELL * 3 + 6.0
    others = _others([dial for dial in shown.values() if dial.id not in six.gauges], sheet, left)
    right, height = left + SMALL_CELL * SMALL_COLUMNS, max(six.height, others.height)
    texts = {g: " and ".join(lines) for g, lines in (told or {}).items()}
    says = panel_words(state, dials, gauges, covered) if told is None else "; ".join(
        f"{shown[g].title.lower()} {text}" for g, text in texts.items() if g in shown
    )
    return _sheet_svg([element("desc", escape(says)), *six.parts, *others.parts], right, height, title, width)


def panel_halves(state: State, dials: Mapping[str, Dial], gauges: Sequence[str]) -> tuple[str, str]:
    """The six and the others as two SVG pictures, for a page that sets them one under the other if it must."""
    sheet = _Sheet(state, (), "")
    shown = {dial.id: dial for dial in shown_dials(dials, gauges)}
    six = _six(shown, sheet)
    others = _others([dial for dial in shown.values() if dial.id not in six.gauges], sheet, 0.0)
    return (
        _sheet_svg(six.parts, six.width, six.height, "the six", "100%"),
        _sheet_svg(others.parts, others.width, others.height, "the other gauges", "100%"),
    )


def lone_svg(state: State, dials: Mapping[str, Dial], gauge: str, *, key: str = "") -> str:
    """One dial as a picture of its own, 200 px wide."""
    sheet = _Sheet(state, (), key)
    (dial,) = shown_dials(dials, (gauge,))
    low = high = LOW if dial.kind in ("lamp", "window", "strip", "ball") else WIDE
    low += 0.0 if high == LOW else CELL_HIGH - CELL
    return element(
        "svg",
        element("title", dial.title),
        _placed(dial, sheet, 0.0, 0.0, 1.0),
        xmlns="http://www.w3.org/2000/svg",
        viewBox=f"{number(-WIDE - 4)} {number(-high - 4)} {number(2 * WIDE + 8)} {number(high + low + 8)}",
        width="200",
        role="img",
        class_="panel",
    )
