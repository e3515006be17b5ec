"""How the memories move on from one snapshot to the next, whatever else is: their kernels.

A kernel is an array (state before, state after) of one memory.
"""

from __future__ import annotations

import itertools

import numpy as np

from diagnose.model import MemoryKind
from diagnose.model.units import Array
from diagnose.network.hidden import HiddenSpace, Step
from diagnose.network.memories import at_time, gap_matrix

#: how many a network keeps, some kilobytes each
MOST_KERNELS = 1024


def memory_kernel(space: HiddenSpace, name: str, earlier: Step, later: Step) -> Array:
    """Kernel (driver before, memory before, driver after, memory after, vertical).

    It depends on times and phases, not on what was flown, and on whether a switch was moved between the two:
    many pairs of snapshots share one.
    """
    key = (
        name,
        earlier.minutes,
        later.minutes_before,
        earlier.phase,
        later.phase,
        moved(space, earlier, later),
    )
    known = space.network.kernels
    if key not in known:
        if len(known) >= MOST_KERNELS:
            known.clear()
        known[key] = made_kernel(space, name, earlier, later)
    return known[key]


def moved(space: HiddenSpace, earlier: Step, later: Step) -> bool:
    """Whether any switch of the panel stands otherwise in the later snapshot."""
    return any(earlier.switches[name] != later.switches[name] for name in space.network.panel.switches)


def made_kernel(space: HiddenSpace, name: str, earlier: Step, later: Step) -> Array:
    """As ``memory_kernel``, made anew."""
    tables = space.network.memories[name]
    memory = tables.memory
    driver = space.network.states[memory.driver]
    count, start = len(space.network.states[name]), space.at_start(name)
    elapsed = earlier.minutes + later.minutes_before
    carries = [memory.carry.get(condition) for condition in driver]
    runs = [place > 0 and carry is not None for place, carry in enumerate(carries)]
    carried = {carry: _carried(space, name, carry, earlier, later) for carry in dict.fromkeys(carries)}
    # by what ran before (driver,), runs now (driver,): the state at the end of the gap and the one now
    moved_on = np.repeat(np.array([carried[carry] for carry in carries])[:, None], len(driver), axis=1)
    enter = np.zeros((2, len(driver), count, count))
    onsets: dict[str, Array] = {}
    for place, carry in enumerate(carries):
        enter[1, place] = np.eye(count)
        if carry is None:
            enter[:, place] = 0.0
            enter[:, place, :, start] = 1.0
            continue
        enter[0, place] = np.eye(count)
        if runs[place]:
            if carry not in onsets:
                onsets[carry] = _onset_states(space, name, carry, later, elapsed)
            enter[0, place, start] = onsets[carry]
    # a switch is moved at once: what it drives runs from the end of the earlier snapshot
    if memory.kind is not MemoryKind.HEIGHT and moved(space, earlier, later):
        known = [carry for carry in carried if carry is not None]
        first = {carry: tables.carry_at(carry, earlier.minutes) for carry in known}
        then = {carry: tables.carry_at(carry, later.minutes_before) for carry in known}
        for i, j in itertools.permutations(range(len(driver)), 2):
            before, after = carries[i], carries[j]
            if runs[i] and before is not None and after is not None:
                moved_on[i, j] = first[before] @ then[after]
    kernel = moved_on @ enter[np.array(runs, dtype=np.intp)][:, :, None]
    return np.ascontiguousarray(kernel.transpose(0, 3, 1, 4, 2))


def _onset_states(space: HiddenSpace, name: str, carry: str, step: Step, minutes: float) -> Array:
    """P(memory) after its driver became active within these minutes; (state,)."""
    tables = space.network.memories[name]
    memory = tables.memory
    if memory.kind is MemoryKind.HEIGHT:
        return space.spread(name, memory.onset[step.phase])
    return at_time(tables.onset[carry], minutes)


def _carried(space: HiddenSpace, name: str, carry: str | None, earlier: Step, later: Step) -> Array:
    """Carry (vertical, before, at the end of snapshot and gap); back to the start if nothing runs."""
    tables = space.network.memories[name]
    memory = tables.memory
    count = len(space.network.states[name])
    if carry is None:
        back = np.zeros((3, count, count))
        back[:, :, space.at_start(name)] = 1.0
        return back
    if memory.kind is not MemoryKind.HEIGHT:
        return np.broadcast_to(tables.carry_at(carry, earlier.minutes + later.minutes_before), (3, count, count))
    moved = tables.carry_at(carry, earlier.minutes)
    if later.minutes_before >= 1.0:
        moved = moved @ gap_matrix(space.network.kb, tables, carry)
    if earlier.phase != "air" and later.phase == "air":
        moved = moved @ tables.carry_at(carry, 1.0)[2]
    return moved
