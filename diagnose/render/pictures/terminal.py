"""The panel as text for a terminal: a box for each of the six, a line for the others."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence

from diagnose.model.gauges import Dial, hand_angle_deg
from diagnose.render.pictures.faces import State
from diagnose.render.pictures.panel import PLACES, plain_words, reading_words, shown_dials, values_of

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
    values = values_of(dial, state)
    if values is None:
        return ["(blank)"]
    text = reading_words(dial, state)
    match dial.kind:
        case "horizon":
            return [text, *_horizon_lines(values[0], values[1])]
        case "card" | "strip":
            around = [f"{(round(values[0] % 360.0 / 10) + step) % 36 or 36:02d}" for step in range(-2, 3)]
            return [text, " ".join(around), "^"]
        case "turn":
            wing = hand_angle_deg(dial.hands[0], values[0])
            return [text, *_wings(wing), "L  standard rate is 3  R"[: BOX - 4]]
        case _:
            return [text, *_round(hand_angle_deg(dial.hands[-1], values[0]))]


def _box(dial: Dial, state: State, covered: Collection[str]) -> list[str]:
    lines = [COVERED] if dial.id in covered else _lines(dial, state)
    title = f" {dial.title.lower()} "
    return [f"+{title:-^{BOX - 2}}+", *(f"| {line:^{BOX - 4}} |" for line in lines)]


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
        f"{dial.title.lower()}: {COVERED if dial.id in covered else plain_words(dial, state)}" for dial in others
    ]
    lines += ["  ".join(f"{cell:<24}" for cell in cells[i : i + 3]).rstrip() for i in range(0, len(cells), 3)]
    return "\n".join(lines)
