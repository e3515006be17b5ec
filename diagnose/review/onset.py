"""When a failure began: the chance of each time, given all readings before and after it.

Exact within the sets that the leading explanation is made of: for every snapshot one message in which the
failure begins just before it, all carried on together by the same transitions as the engine's.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from diagnose.model import CaseRecord
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.network.evidence import emission
from diagnose.network.hidden import ANY_VERTICAL, COLUMNS, HiddenSpace
from diagnose.network.odds import odds_of
from diagnose.network.transitions import Transitions, first_sets, transitions


def onset_chances(engine: Engine, case: CaseRecord, failures: Sequence[str], which: str) -> Array:
    """P(``which`` begins just before each snapshot | all readings, all of ``failures`` there at the end).

    (snapshot,); the first stands for "before the recording told of it".
    """
    network = engine.network
    ids = [failure.id for failure in network.failures]
    members = tuple(sorted(ids.index(name) for name in failures))
    place = ids.index(which)
    sets = tuple(s for size in range(len(members) + 1) for s in itertools.combinations(members, size))
    space = HiddenSpace(network, sets)
    odds, steps = odds_of(network, case), engine.steps(case)
    there = space.members[space.row_set, place]
    start = first_sets(space, odds)[space.row_set] * space.first(steps[0], case.minutes_since_start)
    # not begun yet, then begun just before each snapshot so far
    messages = np.stack([np.where(there, 0.0, start), np.where(there, start, 0.0)])
    kept: dict[tuple[object, ...], Array] = {}

    def dense(moves: Transitions) -> Array:
        """The transitions as a matrix (row and column, row)."""
        matrix = np.zeros((space.count * COLUMNS, space.count))
        np.add.at(matrix, (moves.source, moves.target), moves.weight)
        return matrix * moves.share

    for number, (snapshot, step) in enumerate(zip(case.snapshot, steps, strict=True)):
        columns = emission(space, snapshot, step.switches).columns
        joint = messages[:, :, None] * columns[None]
        if number + 1 == len(steps):
            messages = joint[:, :, ANY_VERTICAL]
            break
        total = float(joint[:, :, ANY_VERTICAL].sum())
        flat = joint.reshape(len(joint), -1) / (total if total > 0.0 else 1.0)
        begins = odds.begins[number]
        key = (step.key, steps[number + 1].key, begins.tobytes())
        if key not in kept:
            kept[key] = dense(transitions(space, step, steps[number + 1], begins))
        carried = flat @ kept[key]
        messages = np.vstack([carried, np.where(there, carried[0], 0.0)])
        messages[0] = np.where(there, 0.0, carried[0])
    full = np.asarray(space.members[:, list(members)].all(axis=1))[space.row_set]
    chances = messages[1:, full].sum(axis=1)
    total = float(chances.sum())
    return chances / total if total > 0.0 else np.full(len(chances), 1.0 / len(chances))


def interval_of(chances: Array, share: float) -> tuple[int, int]:
    """The likeliest snapshots, next to each other, that together hold this share: first and last of them."""
    best = int(chances.argmax())
    low = high = best
    held = float(chances[best])
    while held < share and (low > 0 or high < len(chances) - 1):
        below = float(chances[low - 1]) if low > 0 else -1.0
        above = float(chances[high + 1]) if high < len(chances) - 1 else -1.0
        if below >= above:
            low, held = low - 1, held + below
        else:
            high, held = high + 1, held + above
    return low, high
