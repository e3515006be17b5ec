"""What a dial shows, in words: for the terminal, and for who does not see its picture."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

import msgspec

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable, with_doubt
from diagnose.model.case import SnapshotRecord
from diagnose.model.gauges import Dial, Facet, hand_angle_deg
from diagnose.network.readings import reading_of, size_of
from diagnose.render.pictures.faces import (
    CAPTION,
    CAPTION_PX,
    FARTHEST,
    INK,
    LOW,
    PAPER,
    SMALL_CAPTION_PX,
    WIDE,
    State,
    arc,
    at_angle,
    dial_svg,
    element,
    known,
    movements,
    number,
    spoke,
    words,
)


def values_of(dial: Dial, state: State) -> list[float] | None:
    """The numbers that a dial shows, None where one is missing."""
    names = dial.reads or tuple(hand.reads for hand in dial.hands)
    values = [value for name in names if (value := known(state, name)) is not None]
    return values if len(values) == len(names) else None


def reading_words(dial: Dial, state: State) -> str:
    """What a dial shows, in words: "100 kt", "bank 5R nose +2", "LIT"."""
    if dial.kind not in ("horizon", "card", "turn", "pointer"):
        return plain_words(dial, state)
    values = values_of(dial, state)
    if values is None:
        return "(blank)"
    value = values[0]
    flagged = " OFF" if dial.flag and known(state, dial.flag) else ""
    match dial.kind:
        case "horizon":
            side = "L" if value < -0.5 else "R" if value > 0.5 else ""
            return f"bank {abs(value):.0f}{side} nose {round(values[1]):+d}{flagged}"
        case "card":
            return f"{round(value % 360.0) % 360 or 360:03d} deg"
        case "turn":
            side = "left" if value < 0 else "right"
            return (f"{side} {abs(value):.1f} deg/s" if abs(value) >= 0.25 else "no turn") + flagged
    if not dial.large:
        return plain_words(dial, state)
    # nobody reads an altitude or a vertical speed to the foot
    step = 10 if dial.unit.endswith(("ft", "fpm")) else 1
    text = f"{round(value / step) * step} {dial.unit.replace('100 ', '')}"
    windows = [m.text for m in movements(dial, state) if m.how == "write"]
    return f"{text}, set {windows[0]}" if windows and windows[0] else text


def plain_words(dial: Dial, state: State) -> str:
    """A small dial, lamp or window as its number or word."""
    name = (*dial.reads, *(hand.reads for hand in dial.hands))[0]
    value = state.get(name, "")
    number = known(state, name)
    if dial.kind == "lamp":
        return "LIT" if number else "out"
    if dial.kind == "ball":
        side = "left" if (number or 0.0) < 0 else "right"
        return "centered" if abs(number or 0.0) < 0.5 else f"{abs(number or 0.0):.1f} to the {side}"
    if dial.kind == "strip":
        return "" if number is None else f"{round(number) % 360 or 360:03d}"
    if isinstance(value, str):
        return value
    if number is None:
        return "----"
    digits = 1 if abs(number) < 20.0 else 0
    return f"{round(number, digits) + 0.0:.{digits}f} {dial.unit.replace('100 ', '')}".strip()


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
#: where every px counts
CLOSE = 204.0
#: captions stand below the dials
CELL_HIGH = 234.0
#: small dials: the room of one as a multiple of its scale; beside the six so wide, in so many columns at most
SMALL_CELL, SMALL_HIGH = 217.0, 258.0
BESIDE_SIX, MOST_COLUMNS = 624.0, 4
#: where they stand alone: so wide, and so many columns
ALONE_WIDE, ALONE_COLUMNS = 378.0, 3
#: dials that are no more than a plate high
FLAT = ("strip", "ball", "lamp", "window")
#: how far below the middle of a dial a plate with words stands
PLATE_Y = 46.0
PLATE_GAP = 8.0


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
    plate = (
        words(dial.title, 0.0, CAPTION, CAPTION_PX if dial.large else SMALL_CAPTION_PX)
        if hidden and sheet.told is not None and dial.kind not in FLAT
        else ""
    )
    if sheet.told is not None and not hidden and dial.kind not in ("lamp", "window"):
        flat = dial.kind in FLAT
        size = CAPTION_PX if dial.large else SMALL_CAPTION_PX
        plate = plate_svg(
            sheet.told[dial.id], 0.0 if flat else PLATE_Y, 0.0 if flat else sheet.ways.get(dial.id, 0.0), size
        )
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


def _others(dials: Sequence[Dial], sheet: _Sheet, left: float, width: float, columns: int) -> _Drawn:
    """Small dials, the round ones above the plates, in the width from ``left`` on.

    ``columns`` of round ones, where they fill one row; else they stand in as many as the plates.
    """
    round_ones = [dial for dial in dials if dial.kind not in FLAT]
    plates = [dial for dial in dials if dial.kind in FLAT]
    drawn: list[str] = []
    top = 0.0
    for group, most in ((round_ones, columns if len(round_ones) <= columns else ALONE_COLUMNS), (plates, ALONE_COLUMNS)):
        cell = width / most
        scale = cell / SMALL_CELL
        high = SMALL_HIGH * scale if group is round_ones else 2.0 * LOW * scale + PLATE_GAP
        middle = cell / 2.0 if group is round_ones else high / 2.0
        for place, dial in enumerate(group):
            x = left + cell * (place % most + 0.5)
            drawn.append(_placed(dial, sheet, x, top + high * (place // most) + middle, scale))
        top += high * -(-len(group) // most)
    return _Drawn(tuple(drawn), frozenset(dial.id for dial in dials), width, top + 4.0)


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
    rest = [dial for dial in shown.values() if dial.id not in six.gauges]
    others = _others(rest, sheet, left, BESIDE_SIX, MOST_COLUMNS)
    right, height = left + BESIDE_SIX, max(six.height, others.height)
    texts = {g: " and ".join(lines) for g, lines in (told or {}).items()}
    says = (
        panel_words(state, dials, gauges, covered)
        if told is None
        else "; ".join(f"{shown[g].title.lower()} {text}" for g, text in texts.items() if g in shown)
    )
    return _sheet_svg([element("desc", escape(says)), *six.parts, *others.parts], right, height, title, width)


def picture_size(drawing: str) -> tuple[float, float]:
    """Width and height of a picture in its own units."""
    wide, high = drawing.partition('viewBox="')[2].partition('"')[0].split()[2:]
    return float(wide), float(high)


def panel_halves(state: State, dials: Mapping[str, Dial], gauges: Sequence[str]) -> tuple[str, str]:
    """The six and the others as two SVG pictures, for a page that sets them one under the other if it must."""
    sheet = _Sheet(state, (), "")
    shown = {dial.id: dial for dial in shown_dials(dials, gauges)}
    six = _six(shown, sheet)
    rest = [dial for dial in shown.values() if dial.id not in six.gauges]
    others = _others(rest, sheet, 0.0, ALONE_WIDE, ALONE_COLUMNS)
    return (
        _sheet_svg(six.parts, six.width, six.height, "the six", "100%"),
        _sheet_svg(others.parts, others.width, others.height, "the other gauges", "100%"),
    )


def dials_svg(
    state: State, dials: Mapping[str, Dial], gauges: Sequence[str], *, title: str, key: str = ""
) -> str:
    """A few dials side by side, all of one size."""
    sheet, shown = _Sheet(state, (), key), shown_dials(dials, gauges)
    parts = [_placed(dial, sheet, CLOSE * (place + 0.5), CELL / 2.0, 1.0) for place, dial in enumerate(shown)]
    says = element("desc", escape(panel_words(state, dials, gauges)))
    return _sheet_svg([says, *parts], CLOSE * len(shown), CELL_HIGH, title, "100%")


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


#: facet -> the name of the picture that it moves
PLACED = {
    "airspeed.value": "airspeed_kt",
    "second_airspeed.value": "second_airspeed_kt",
    "vertical_speed.rate": "vertical_speed_fpm",
    "attitude.bank": "bank_deg",
    "attitude.pitch": "pitch_deg",
    "electric_attitude.bank": "electric_bank_deg",
    "turn_coordinator.turn": "turn_rate_dps",
    "suction.value": "suction_inhg",
    "voltmeter.value": "voltmeter_v",
}
#: what a horizon needs beside the half that was told
BESIDE = {"bank_deg": "pitch_deg", "pitch_deg": "bank_deg", "electric_bank_deg": "electric_pitch_deg"}
#: lamps and flags: name of the picture -> facet, and the reading that shows it
SHOWN = {
    "vacuum_light": ("vacuum_light.state", "lit"),
    "left_vacuum_light": ("left_vacuum_light.state", "lit"),
    "right_vacuum_light": ("right_vacuum_light.state", "lit"),
    "low_voltage_light": ("low_voltage_light.state", "lit"),
    "stall_warner": ("stall_warner.state", "sounding"),
    "turn_flag": ("turn_coordinator.flag", "showing"),
    "electric_flag": ("electric_attitude.flag", "showing"),
}
#: a hand is drawn so far beyond the bound that a word asks for, and so far where the scale does not go both ways
BEYOND, LITTLE_BEYOND = 2.0, 1.15
#: letters in a line of a plate
PLATE = 15
#: the arrow stands between the middle and the numbers
AROUND = 38.0


def told_words(kb: KnowledgeBase, snapshot: SnapshotRecord) -> dict[str, tuple[str, ...]]:
    """Gauge -> what was told of it in this snapshot."""
    found: dict[str, list[str]] = {}
    said = {name: readable(reading) for name, reading in snapshot.readings.items()}
    said |= {name: with_doubt(readable(reading), sure) for name, (reading, sure) in snapshot.unsure.items()}
    for name, text in said.items():
        # against what else it was compared is said where one look does not show it
        shown = text if kb.facet(name).glance else f"{text} (compared)"
        found.setdefault(name.partition(".")[0], []).append(shown)
    return {gauge: tuple(dict.fromkeys(texts)) for gauge, texts in found.items()}


def told_state(kb: KnowledgeBase, snapshot: SnapshotRecord, expected_kt: float) -> dict[str, float | str]:
    """Where hands and lamps stood, as far as the words tell; ``expected_kt``: the usual airspeed of the maneuver."""
    state: dict[str, float | str] = {}
    said = snapshot.readings
    for name, reading in said.items():
        gauge, _, facet_id = name.partition(".")
        facet = kb.facet(name)
        if name in PLACED:
            value = place_of(facet, reading)
            if value is not None:
                relative = facet.channel.endswith("less_expected_kt") and not _is_shown(facet, reading)
                state[PLACED[name]] = value + (expected_kt if relative else 0.0)
        elif (
            facet_id == "state" and gauge in ("radios", "lights", "wing_leveller")
        ) or name == "wind_noise.trend":
            state[gauge] = readable(reading)
    for one, other in BESIDE.items():
        if one in state:
            state.setdefault(other, 0.0)
    for picture, (name, reading) in SHOWN.items():
        if name in said:
            state[picture] = float(said[name] == reading)
    return state


def _is_shown(facet: Facet, said: str) -> bool:
    return any("shown" in r.where for r in facet.readings if r.id == said)


def place_of(facet: Facet, said: str) -> float | None:
    """The number at which a hand is drawn for a reading, in the unit of the facet's channel; None if it has none."""
    size = size_of(facet, said)
    if size is not None:
        return size
    reading = next((r for r in facet.readings if r.id == reading_of(facet, said)), None)
    if reading is None:
        return None
    bounds = [r.where[s] for r in facet.readings for s in ("end", "mean") if s in r.where]
    both_ways = any(math.isfinite(low) and low < 0 for low, _ in bounds) or any(
        math.isfinite(high) and high < 0 for _, high in bounds
    )
    beyond = BEYOND if both_ways else LITTLE_BEYOND
    if "shown" in reading.where:
        return 0.0
    own = next((reading.where[s] for s in ("end", "mean") if s in reading.where), None)
    if own is None:
        if reading.where or not bounds:
            return None
        # what is left between the others
        under = max((high for _, high in bounds if math.isfinite(high)), default=0.0)
        over = min(
            (low for low, _ in bounds if math.isfinite(low) and low >= under), default=under * LITTLE_BEYOND
        )
        return 0.0 if both_ways else (under + over) / 2.0
    low, high = own
    if math.isfinite(low) and math.isfinite(high):
        return (low + high) / 2.0
    bound = low if math.isfinite(low) else high
    # below a number that is above nothing lies nothing
    return 0.0 if bound > 0.0 and not math.isfinite(low) else bound * beyond


def moved(kb: KnowledgeBase, snapshot: SnapshotRecord) -> dict[str, float]:
    """Gauge -> 1 where its hand went clockwise, -1 the other way, of what was told for certain."""
    found = {}
    for name, said in snapshot.readings.items():
        gauge = name.partition(".")[0]
        reading = next((r for r in kb.facet(name).readings if r.id == said), None)
        if reading is not None and "change" in reading.where:
            low, _ = reading.where["change"]
            # a card turns the other way
            found[gauge] = (1.0 if math.isfinite(low) else -1.0) * (
                -1.0 if gauge in ("heading", "compass") else 1.0
            )
    return found


def plate_svg(lines: tuple[str, ...], low: float, way: float, size: float) -> str:
    """The plate with the words, ``low`` below the middle, and an arrow clockwise (1), the other way (-1), or none (0)."""
    written: list[str] = []
    for text in lines:
        written += _wrapped(text)
    high = 1.15 * size
    top = low - high * (len(written) - 1) / 2.0
    half = max(0.33 * size * max(map(len, written), default=1), 24.0)
    parts = [
        element("rect", x=-half, y=top - 0.6 * high, width=2.0 * half, height=high * len(written) + 0.2 * high,
                rx=4.0, fill=PAPER, stroke=INK, stroke_width=1.0),
        *(words(text, 0.0, top + high * k, size, font_weight="bold") for k, text in enumerate(written)),
    ]  # fmt: skip
    if way:
        tip = 40.0 * way
        x, y = at_angle(AROUND, tip)
        turn = tip if way > 0 else tip + 180.0
        head = element("path", d="M-9 -8L7 0L-9 8Z", fill=INK,
                       transform=f"translate({number(x)} {number(y)}) rotate({number(turn)})")  # fmt: skip
        parts += [arc(AROUND, -40.0, 40.0, 5.0, stroke=INK), head]
    return element("g", *parts, class_="told")


def _wrapped(text: str) -> list[str]:
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + len(word) + 1 > PLATE:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines


GHOST = "var(--ghost,#a3005c)"
#: the number stands between the middle of a dial and the labels of its scale
BELOW = 44.0
#: what nobody sees on a dial: degrees of a hand or card, degrees of the horizon
LEAST_DEG, LEAST_HORIZON_DEG = 2.5, 1.5


def ghost_svg(dial: Dial, state: State, sound: State, size: float) -> str:
    """The ghost of one dial with the difference (shown less sound) below its middle; "" where there is none to see.

    ``state`` and ``sound``: what it shows, and what a healthy one shows in the same flight.
    """
    told = difference(dial, state, sound)
    if not told:
        return ""
    match dial.kind:
        case "horizon":
            bank, pitch = (known(sound, name) or 0.0 for name in dial.reads)
            down = max(-FARTHEST, min(FARTHEST, pitch * dial.per_unit))
            line = element("path", d="M-78 0H-30M30 0H78", fill="none")
            drawn = element("g", line, transform=f"rotate({number(-bank)}) translate(0 {number(down)})")
        case "card":
            # where the heading under the mark would stand: the mark of a healthy card, on this one
            apart = hand_angle_deg(dial.hands[0], known(sound, dial.hands[0].reads) or 0.0) - hand_angle_deg(
                dial.hands[0], known(state, dial.hands[0].reads) or 0.0
            )
            drawn = spoke(58.0, 97.0, -apart, 5.0, stroke=GHOST)
        case "turn":
            tilt = hand_angle_deg(dial.hands[0], known(sound, dial.hands[0].reads) or 0.0)
            drawn = element("path", d="M-72 0H-16M16 0H72", fill="none", transform=f"rotate({number(tilt)})")
        case _:
            hands = [hand for hand in dial.hands if hand.shape != "marker"]
            drawn = "".join(
                element("path", d=f"M-5 0V{number(-100.0 * hand.length)}H5V0Z", fill="none",
                        transform=f"rotate({number(hand_angle_deg(hand, known(sound, hand.reads) or 0.0))})")
                for hand in hands
            )  # fmt: skip
    lines = element("g", drawn, stroke=GHOST, stroke_width=4.0, stroke_dasharray="7 4")
    half = 0.33 * size * len(told)
    plate = element(
        "rect", x=-half, y=BELOW - 0.6 * size, width=2.0 * half, height=1.2 * size, rx=4.0, fill=PAPER
    )
    written = words(told, 0.0, BELOW, size, fill=GHOST, font_weight="bold")
    return element("g", lines, plate, written, class_="ghost")


def difference(dial: Dial, state: State, sound: State) -> str:
    """By how much a dial shows something else than a healthy one, in its unit; "" if nobody would see it."""
    names = dial.reads or tuple(hand.reads for hand in dial.hands[-1:])
    pairs = [(known(state, name), known(sound, name)) for name in names]
    if dial.kind in ("lamp", "window", "ball", "strip") or any(None in pair for pair in pairs):
        return ""
    apart = [(shown or 0.0) - (true or 0.0) for shown, true in pairs]
    if dial.kind == "horizon":
        bank, pitch = ((value + 180.0) % 360.0 - 180.0 for value in apart)
        seen = abs(bank) >= LEAST_HORIZON_DEG or abs(pitch) >= LEAST_HORIZON_DEG
        return f"bank {bank:+.0f}, nose {pitch:+.0f}" if seen else ""
    hand, (value,) = dial.hands[-1], apart
    if dial.kind == "card":
        value = (value + 180.0) % 360.0 - 180.0
        return f"{value:+.0f} deg" if abs(value) >= LEAST_DEG else ""
    shown, true = pairs[0]
    turned = hand_angle_deg(hand, shown or 0.0) - hand_angle_deg(hand, true or 0.0)
    if abs(turned) < LEAST_DEG:
        return ""
    digits = 1 if abs(value) < 10.0 else 0
    return f"{value:+,.{digits}f} {dial.unit.removeprefix('100 ')}".strip()
