"""What the hands of the dials did in a window of a flight, in words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from diagnose.model import Gauge
from diagnose.model.dials import Dial
from diagnose.practice.drill.name_it import NameIt
from diagnose.practice.drill.studio import Studio
from diagnose.practice.simulate import Simulation, Window, shown_histories
from diagnose.render.pictures import shown_dials
from diagnose.render.text import reading_words

LAMPS = ("lamp", "window", "ball")


def short_name(gauge: Gauge) -> str:
    """The first of the words that pilots have for a gauge."""
    return gauge.words[0] if gauge.words else gauge.name


def moves(part: np.ndarray, dial: Dial, studio: Studio) -> bool:
    """Whether a hand counts as moving within one maneuver."""
    least = moved_by(dial, studio) * studio.number("moved_within")
    return bool(np.abs(step(part, part[0], dial)).max() > least)


def otherwise(exercise: NameIt, number: int, studio: Studio) -> list[str]:
    """Lamps and words of an earlier snapshot that differ from the panel now."""
    case = exercise.flown.case
    kinds = {dial.id: dial.kind for dial in shown_dials(studio.kb.dials, studio.seen)}
    now = case.snapshot[-1].readings
    return [
        reading_words(studio.kb, facet, reading)
        for facet, reading in case.snapshot[number].readings.items()
        if now.get(facet) != reading and kinds.get(facet.split(".")[0]) in LAMPS
    ]


def went(
    studio: Studio,
    simulation: Simulation,
    window: Window,
    later: Window | None = None,
    covered: Sequence[str] = (),
) -> Iterator[str]:
    """What each hand did in a window: "altimeter 3,000 to 3,620 ft"; one that stood still is left out.

    With ``later``, the window of the panel that is shown, one that stood elsewhere than there is named.
    """
    histories = shown_histories(simulation)
    for dial in shown_dials(studio.kb.dials, studio.seen):
        name = hand_name(dial)
        if dial.kind in LAMPS or dial.id in covered or name not in histories:
            continue
        values = np.asarray(histories[name], dtype=np.float64)
        part = values[window.first : window.end]
        if not np.isfinite(part).all():
            continue
        beyond = moved_by(dial, studio)
        elsewhere = later is not None and abs(step(part[-1], values[later.end - 1], dial)) > beyond
        if elsewhere or moves(part, dial, studio):
            gauge, does = studio.kb.gauges[dial.id], span(part, dial, studio)
            yield f"{short_name(gauge)} {does if ' ' in does else f'stays at {does}'}{written_unit(dial)}"


def moved_by(dial: Dial, studio: Studio) -> float:
    """How far a hand must go to be said to have moved: the number of the drill in the unit of its dial."""
    moved = {n.unit: n.value for n in studio.kb.drill_numbers.values() if n.id.startswith("moved_by_")}
    return moved.get(unit_of(dial), studio.number("moved_by_other"))


def step(to: Any, start: float, dial: Dial) -> Any:
    """How far a hand is from where it was; cards the short way round."""
    return (to - start + 180.0) % 360.0 - 180.0 if dial.kind in ("card", "strip") else to - start


def hand_name(dial: Dial) -> str:
    """What the main hand of a dial reads."""
    return (*dial.reads, *(hand.reads for hand in dial.hands))[0]


def span(values: np.ndarray, dial: Dial, studio: Studio) -> str:
    """Where a hand began and ended, or between what it swung if it came to little: "swings -250/+300"."""
    card = dial.kind in ("card", "strip")
    if card:
        values = np.degrees(np.unwrap(np.radians(values)))
    beyond = moved_by(dial, studio)
    first, last = float(values[0]), float(values[-1])
    begins, ends = value_words(first, dial, studio), value_words(last, dial, studio)
    low, high = float(values.min()), float(values.max())
    beyond_both = low < min(first, last) - beyond or high > max(first, last) + beyond
    if beyond_both and abs(last - first) < (high - low) * studio.number("swings"):
        return f"swings {value_words(low, dial, studio)}/{value_words(high, dial, studio)}"
    return f"{begins} to {ends}" if begins != ends else ends


def unit_of(dial: Dial) -> str:
    """The unit of a dial's values; turn coordinators have none printed, cards and horizons need none."""
    return {"turn": "deg/s", "horizon": "deg"}.get(dial.kind) or dial.unit.replace("100 ", "")


def written_unit(dial: Dial) -> str:
    """The unit with a blank before it; "" where none is written."""
    return "" if dial.kind in ("card", "strip", "horizon", "turn") else f" {unit_of(dial)}".rstrip()


def value_words(value: float, dial: Dial, studio: Studio) -> str:
    """A value as the dial is read."""
    match dial.kind:
        case "card" | "strip":
            return f"{round(value) % 360 or 360:03d}"
        case "horizon":
            if abs(value) < studio.number("level_within"):
                return "level"
            return f"{abs(value):.0f}{'L' if value < 0 else 'R'}"
        case "turn":
            if abs(value) < studio.number("no_turn_within"):
                return "no turn"
            return f"{abs(value):.1f}{'L' if value < 0 else 'R'}"
    unit = unit_of(dial)
    if unit == "ft":
        return f"{round(value, -1):,.0f}"
    if unit == "fpm":
        return f"{round(value / 50.0) * 50.0:+,.0f}".replace("+0", "0").replace("-0", "0")
    return f"{value:.1f}".replace("-0.0", "0.0") if abs(value) < 20.0 else f"{value:.0f}"
