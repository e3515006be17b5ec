"""The panel of a flight to be named as a table: a row for each gauge that tells, a column for each maneuver."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from itertools import zip_longest
from typing import Any

import numpy as np

from diagnose.language import readable
from diagnose.model import Gauge
from diagnose.model.gauges import Dial
from diagnose.practice.drill.kinds import NameIt
from diagnose.practice.drill.studio import Studio
from diagnose.practice.simulate import Simulation, Window, shown_histories
from diagnose.render.pictures import shown_dials
from diagnose.render.reasons import bound
from diagnose.render.text import fill, reading_words

# ------------------------------------------------------------------ what the hands of the dials did in a window of a flight, in words


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


#: columns of a gauge's name
NAME = 17
#: from so many maneuvers on their heads have room for the short names only
CROWDED = 3
#: rows of gauges beside the six; if more changed, they are told in sentences
MOST_MINOR = 2


def seen_lines(exercise: NameIt, studio: Studio, width: int) -> Iterator[str]:
    """The table, then what showed the same throughout, then what could not be seen."""
    kb, flown = studio.kb, exercise.flown
    count = len(flown.windows)
    each = (width - NAME) // count
    manoeuvres = [kb.manoeuvres[snapshot.manoeuvre] for snapshot in flown.case.snapshot]
    heads = [m.words[0] if count >= CROWDED and m.words else m.name for m in manoeuvres]
    yield from _row("You fly:" if count == 1 else "First, then:", heads, each)
    minor: list[tuple[str, list[str]]] = []
    steady: list[str] = []
    for dial in shown_dials(kb.dials, studio.seen):
        cells = [] if dial.id in exercise.covered else _cells(dial, exercise, studio)
        if not cells:
            continue
        name, unit = dial.title.lower(), "" if dial.kind in LAMPS else written_unit(dial)
        if dial.large:
            yield from _row(name + unit, cells, each)
        elif len(set(cells)) == 1:
            steady.append(bound(f"{name} {cells[0]}{unit}"))
        else:
            minor.append((name + unit, cells))
    if len(minor) <= MOST_MINOR:
        for name, cells in minor:
            yield from _row(name, cells, each)
    else:
        yield fill("; ".join(f"{name} {' | '.join(cells)}" for name, cells in minor) + ".", width)
    if steady:
        yield fill(f"{'Throughout' if count > 1 else 'Also'}: {', '.join(steady)}.", width)
    if exercise.covered:
        titles = {dial.id: dial.title.lower() for dial in kb.dials.values()}
        yield fill(
            f"Not visible: {', '.join(titles.get(gauge, gauge) for gauge in exercise.covered)}.", width
        )


def _row(name: str, cells: Sequence[str], each: int) -> Iterator[str]:
    """A row of the table; what has no room in its column goes on below."""
    wrapped = [textwrap.wrap(cell, each - 1) for cell in cells]
    for number, parts in enumerate(zip_longest(*wrapped, fillvalue="")):
        yield (f"{'' if number else name:<{NAME}}" + "".join(f"{part:<{each}}" for part in parts)).rstrip()


def _stood(part: np.ndarray, dial: Dial) -> float:
    """Where a hand stood, bumps left out; a card may pass north, so that it has no middle value."""
    return float(part[-1] if dial.kind in ("card", "strip") else np.median(part))


def _cells(dial: Dial, exercise: NameIt, studio: Studio) -> list[str]:
    """What a gauge showed in each maneuver."""
    if dial.kind in LAMPS:
        return [
            ", ".join(
                "LIT" if r == "lit" else readable(r)
                for facet, r in snapshot.readings.items()
                if facet.split(".")[0] == dial.id
            )
            for snapshot in exercise.flown.case.snapshot
        ]
    histories = shown_histories(exercise.flown.simulation)
    if hand_name(dial) not in histories:
        return []
    values = np.asarray(histories[hand_name(dial)], dtype=np.float64)
    cells = []
    for window in exercise.flown.windows:
        part = values[window.first : window.end]
        if not np.isfinite(part).all():
            cells.append("blank")
            continue
        cell = (
            span(part, dial, studio)
            if moves(part, dial, studio)
            else value_words(_stood(part, dial), dial, studio)
        )
        if dial.kind == "horizon":
            cell += f" nose {round(float(histories[dial.reads[1]][window.end - 1])):+d}"
        if dial.flag and histories[dial.flag][window.end - 1]:
            cell += " OFF"
        cells.append(cell)
    return cells
