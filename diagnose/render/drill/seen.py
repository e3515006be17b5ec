"""The panel of a flight to be named as a table: a row for each gauge that tells, a column for each maneuver."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from itertools import zip_longest

import numpy as np

from diagnose.language import readable
from diagnose.model.dials import Dial
from diagnose.practice.drill.name_it import NameIt
from diagnose.practice.drill.studio import Studio
from diagnose.practice.simulate import shown_histories
from diagnose.render.drill.hands import LAMPS, hand_name, moves, span, value_words, written_unit
from diagnose.render.pictures import shown_dials
from diagnose.render.reasons import bound
from diagnose.render.text import fill

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
