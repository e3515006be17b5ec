"""The panel of one moment of a case, drawn from words: a plate with what was told of each dial that was read.

A hand is drawn where the words say where it stood, by the bounds that the knowledge gives for the reading; an arrow
shows where it went. A dial that nobody read is blank.
"""

from __future__ import annotations

import math

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable, with_doubt
from diagnose.model.case import SnapshotRecord
from diagnose.model.gauges import Facet
from diagnose.network.readings import reading_of, size_of
from diagnose.render.pictures.svg import INK, PAPER, arc, at_angle, element, number, words

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
