"""The panel as text for a terminal: a box for each of the six, a line for the others."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

from diagnose.model.gauges import Dial, hand_angle_deg
from diagnose.render.pictures.moving import State, known, movements
from diagnose.render.pictures.panel import PLACES, shown_dials

BOX = 25
COVERED = "(covered)"


def _round(angle_deg: float) -> list[str]:
    """A round dial of the size of a few signs: twelve marks, and the hand at its place on the clock."""
    across, down = (BOX - 4) // 2, 2
    sheet = [[" "] * (BOX - 4) for _ in range(2 * down + 1)]

    def at(turn_deg: float, share: float) -> tuple[int, int]:
        # a sign is about twice as high as wide
        turn = math.radians(turn_deg)
        return round(down - share * down * math.cos(turn)), round(
            across + share * 2.2 * down * math.sin(turn)
        )

    for hour in range(12):
        row, column = at(30.0 * hour, 1.0)
        sheet[row][column] = "."
    for share in (0.35, 0.7, 1.0):
        row, column = at(angle_deg, share)
        sheet[row][column] = "*"
    sheet[down][across] = "o"
    return ["".join(line) for line in sheet]


def _wings(tilt_deg: float) -> list[str]:
    """The airplane of a turn coordinator from behind."""
    wide, sheet = BOX - 4, [[" "] * (BOX - 4) for _ in range(3)]
    for column in range(wide // 2 - 7, wide // 2 + 8):
        off = column - wide // 2
        sheet[1 + round(max(-1.0, min(1.0, off * 0.5 * math.tan(math.radians(tilt_deg)))))][column] = "-"
    sheet[1][wide // 2] = "o"
    return ["".join(line) for line in sheet]


def _horizon_lines(bank_deg: float, pitch_deg: float) -> list[str]:
    """Ground (#) and sky as the instrument shows them, the airplane in the middle."""
    wide, high = BOX - 4, 5
    slope = math.tan(math.radians(max(min(bank_deg, 80.0), -80.0)))
    rows = []
    for row in range(high):
        # a sign is about twice as high as wide; a row is 8 degrees of pitch
        line = ""
        for column in range(wide):
            x, y = (column - wide // 2) * 4.0, (high // 2 - row) * 8.0
            # with the right wing down, what lies to the right is lower
            line += "." if y + pitch_deg - x * slope > 0.0 else "#"
        rows.append(line)
    middle = rows[high // 2]
    rows[high // 2] = middle[: wide // 2 - 2] + "--o--" + middle[wide // 2 + 3 :]
    return rows


def _lines(dial: Dial, state: State) -> list[str]:
    names = dial.reads or tuple(hand.reads for hand in dial.hands)
    values = [known(state, name) for name in names]
    if any(value is None for value in values):
        return ["(blank)"]
    value = values[0] or 0.0
    flagged = " OFF" if dial.flag and known(state, dial.flag) else ""
    match dial.kind:
        case "horizon":
            side = "L" if value < -0.5 else "R" if value > 0.5 else ""
            text = f"bank {abs(value):.0f}{side} nose {round(values[1] or 0.0):+d}{flagged}"
            return [text, *_horizon_lines(value, values[1] or 0.0)]
        case "card" | "strip":
            heading = value % 360.0
            around = [f"{(round(heading / 10) + step) % 36 or 36:02d}" for step in range(-2, 3)]
            return [f"{round(heading) % 360 or 360:03d} deg", " ".join(around), "^"]
        case "turn":
            side = "left" if value < 0 else "right"
            text = f"{side} {abs(value):.1f} deg/s" if abs(value) >= 0.25 else "no turn"
            wing = hand_angle_deg(dial.hands[0], value)
            return [text + flagged, *_wings(wing), "L  standard rate is 3  R"[: BOX - 4]]
        case _:
            hand = dial.hands[-1]
            windows = [m.text for m in movements(dial, state) if m.how == "write"]
            # nobody reads an altitude or a vertical speed to the foot
            step = 10 if dial.unit.endswith(("ft", "fpm")) else 1
            text = f"{round(value / step) * step} {dial.unit.replace('100 ', '')}"
            if windows and windows[0]:
                text += f", set {windows[0]}"
            return [text, *_round(hand_angle_deg(hand, value))]


def _box(dial: Dial, state: State, covered: Collection[str]) -> list[str]:
    lines = [COVERED] if dial.id in covered else _lines(dial, state)
    title = f" {dial.title.lower()} "
    return [f"+{title:-^{BOX - 2}}+", *(f"| {line:^{BOX - 4}} |" for line in lines)]


def _plain(dial: Dial, state: State) -> str:
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


def panel_text(
    state: State, dials: Mapping[str, Dial], gauges: Sequence[str], *, covered: Collection[str] = ()
) -> str:
    """The panel in 77 columns: six boxes, and the other gauges as name and reading."""
    shown = {dial.id: dial for dial in shown_dials(dials, gauges)}
    chosen = [next((g for g in group if g in shown), None) for group in PLACES]
    lines: list[str] = []
    for row in (chosen[:3], chosen[3:]):
        boxes = [_box(shown[g], state, covered) if g else [] for g in row]
        high = max(map(len, boxes))
        inside = f"|{'':{BOX - 2}}|"
        filled = [[*box, *[inside if box else " " * BOX] * (high - len(box))] for box in boxes]
        lines += [" ".join(parts).rstrip() for parts in zip(*filled, strict=True)]
    lines.append(" ".join(["+" + "-" * (BOX - 2) + "+"] * 3))
    others = [dial for dial in shown.values() if dial.id not in chosen]
    cells = [
        f"{dial.title.lower()}: {COVERED if dial.id in covered else _plain(dial, state)}" for dial in others
    ]
    lines += ["  ".join(f"{cell:<24}" for cell in cells[i : i + 3]).rstrip() for i in range(0, len(cells), 3)]
    return "\n".join(lines)
