"""How memories move on: from the end of one snapshot to the next, at onset, and at the first look.

Three kinds have physics: the altitude relative to where a line was sealed, how far a starved rotor has
run down, and what is left in the battery. Their classes are coarse, so moving on is a matter of
chance: many cases spread over each class are followed and counted. A degree (how large a fault is, how far an
opening has closed) is drawn when the fault begins and stays, or goes one way, as stated. The last kind, whether
an intermittent failure acts, follows from the failure itself.

Tables have shape (minutes, state before, state after), and chances (state,).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Degree, Memory, MemoryKind
from diagnose.model.units import S_PER_MIN, Array
from diagnose.physics.draws import Draws
from diagnose.physics.electrical import battery_minutes
from diagnose.physics.flight import SNAPSHOT_S, draw_flights
from diagnose.physics.suction_dials import starved_rotor_speed

CASES = 600
#: what passes is seen for as long as a snapshot lasts
SEEN_MIN = SNAPSHOT_S / S_PER_MIN
TIMES_MIN = np.array([0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0, 120.0, 240.0])


@dataclass(frozen=True, slots=True)
class MemoryTables:
    """Tables of one memory over ``TIMES_MIN``.

    ``carry``: carry name -> (time, vertical, from, to); the vertical axis has length 3 for a
    altitude memory and 1 else. ``onset`` and ``first``: carry name -> (time, state), for a driver that
    became active at an even chance anywhere within that time.
    """

    memory: Memory
    carry: Mapping[str, Array]
    onset: Mapping[str, Array]
    first: Mapping[str, Array]

    def carry_at(self, name: str, minutes: float) -> Array:
        """Carry matrix (vertical, from, to) after ``minutes``, between the tabled times."""
        return at_time(self.carry[name], minutes)


def at_time(table: Array, minutes: float) -> Array:
    """Interpolate a table over its first axis at a time; beyond the last time it stays."""
    low = min(max(bisect_right(TIMES_MIN, minutes) - 1, 0), len(TIMES_MIN) - 2)
    share = min((minutes - TIMES_MIN[low]) / (TIMES_MIN[low + 1] - TIMES_MIN[low]), 1.0)
    return np.asarray((1.0 - share) * table[low] + share * table[low + 1])


def memory_tables(kb: KnowledgeBase, memory: Memory) -> MemoryTables:
    """Build the tables of a memory that has physics. Raises ValueError for one that has none."""
    draws = Draws(kb.quantities, np.random.default_rng(int.from_bytes(memory.id.encode()[:7])))
    match memory.kind:
        case MemoryKind.HEIGHT:
            carry, onset, first = _height(memory, draws)
        case MemoryKind.ROTOR:
            carry, onset, first = _rotor(memory, draws)
        case MemoryKind.CHARGE:
            carry, onset, first = _charge(memory, draws)
        case MemoryKind.DEGREE:
            carry, onset, first = _degree(memory)
        case MemoryKind.ACTING:
            raise ValueError("whether a failure acts follows from the failure")
    return MemoryTables(memory=memory, carry=carry, onset=onset, first=first)


def _shares(classes: np.ndarray, states: int) -> Array:
    return np.bincount(classes, minlength=states) / len(classes)


# ------------------------------------------------------------------ altitude


def _height(memory: Memory, draws: Draws) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
    limit = draws("memory.near_limit_ft", 1)[0]
    climb, descent = draws("flight.climb_fpm", CASES), draws("flight.descent_fpm", CASES)
    level = draws.either_way("flight.level_fpm", CASES)
    far = draws("memory.far_ft", CASES)
    starts = (-far, draws.either_way("memory.near_ft", CASES), far)
    table = np.zeros((len(TIMES_MIN), 3, 3, 3))
    for t, minutes in enumerate(TIMES_MIN):
        for v, rate in enumerate((-descent, level, climb)):
            # level flight is held, not drifted away from: its error does not add up over time
            moved = rate * (min(minutes, 1.0) if v == 1 else minutes)
            for m, start in enumerate(starts):
                ends = np.digitize(start + moved, (-limit, limit))
                table[t, v, m] = _shares(ends, 3)
    return dict.fromkeys(set(memory.carry.values()), table), {}, {}


def gap_matrix(kb: KnowledgeBase, tables: MemoryTables, carry: str) -> Array:
    """Carry matrix (from, to) of an altitude memory over a gap of more than a minute."""
    change = kb.quantities["memory.gap_changes_height"].low
    down, _, up = tables.carry_at(carry, 1.0)
    return np.asarray((1.0 - change) * np.eye(3) + change * 0.5 * (down + up))


# ------------------------------------------------------------------ rotor


def _rotor_class(speed: Array, up: float, stopped: float) -> np.ndarray:
    """Order of states: up to speed, slowing, stopped."""
    return np.where(speed >= up, 0, np.where(speed >= stopped, 1, 2))


def _rotor(memory: Memory, draws: Draws) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
    up, stopped = (draws(f"rotor.{name}", 1)[0] for name in ("up_to_speed_above", "stopped_below"))
    down_min, up_min = draws("rotor.run_down_min", CASES), draws("rotor.run_up_min", CASES)
    even = (np.arange(CASES) + 0.5) / CASES
    starts = (up + (1.0 - up) * even, stopped + (up - stopped) * even, stopped * even)
    flights = draw_flights({}, CASES, draws)
    settles = {
        "run_down": np.zeros(CASES),
        "run_up": np.ones(CASES),
        "spin_up": np.ones(CASES),
        "sag": starved_rotor_speed(("low", "weak"), flights, draws),
        "aid": starved_rotor_speed(("standby",), flights, draws),
        "swing": draws("rotor.swinging_suction_speed", CASES),
    }
    since = draws.rng.random(CASES)

    def after(speed: Array, target: Array, minutes: Array | float) -> Array:
        tau = np.where(target > speed, up_min, down_min)
        return np.asarray(target + (speed - target) * np.exp(-minutes / tau))

    def classes(speed: Array) -> Array:
        return _shares(_rotor_class(speed, up, stopped), 3)

    carry, onset = {}, {}
    for name in set(memory.carry.values()):
        target = settles[name]
        carry[name] = np.array([[[classes(after(start, target, t)) for start in starts]] for t in TIMES_MIN])
        if name == "spin_up":
            begun = after(np.zeros(CASES), target, draws("rotor.spin_up.minutes", CASES))
            onset[name] = np.array([classes(begun) for _ in TIMES_MIN])
        else:
            onset[name] = np.array([classes(after(np.ones(CASES), target, t * since)) for t in TIMES_MIN])
    return carry, onset, onset


# ------------------------------------------------------------------ battery


def _charge(memory: Memory, draws: Draws) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
    exponent, knee = draws.fixed("battery.peukert_exponent"), draws.fixed("battery.knee_used_share")
    total = battery_minutes(
        draws("battery.capacity_ah", CASES),
        draws("battery.load_a", CASES),
        draws("battery.sound_share", CASES),
        exponent,
    )
    charged, sagging = knee * total, (1.0 - knee) * total
    slow = (1.0 - draws("battery.low_output_share", CASES)) ** -exponent
    recharge = draws("battery.recharge_min", CASES)
    even = draws.rng.random(CASES)
    since = draws.rng.random(CASES)
    left = (sagging + charged * even, sagging * even, np.zeros(CASES))

    def classes(minutes_left: Array) -> Array:
        found = np.where(minutes_left > sagging, 0, np.where(minutes_left > 0.0, 1, 2))
        return _shares(found, 3)

    uses = {"discharge": np.ones(CASES), "slow_discharge": 1.0 / slow, "recharge": -charged / recharge}
    carry, onset = {}, {}
    for name in set(memory.carry.values()):
        use = uses[name]
        carry[name] = np.array([[[classes(start - use * t) for start in left]] for t in TIMES_MIN])
        full = sagging + charged
        onset[name] = np.array([classes(full - np.maximum(use, 0.0) * t * since) for t in TIMES_MIN])
    return carry, onset, onset


# ------------------------------------------------------------------ degree


def _degree(memory: Memory) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
    states = tuple(memory.states)
    carry, onset, first = {}, {}, {}
    for name, degree in memory.degrees.items():
        begins = np.array([degree.begins.get(state, 0.0) for state in states])
        stated = degree.first or degree.begins
        carry[name] = np.array([[_worse(degree, states, t)[0]] for t in TIMES_MIN])
        onset[name] = np.array([begins @ _since_onset(degree, states, t) for t in TIMES_MIN])
        first[name] = np.tile([stated.get(state, 0.0) for state in states], (len(TIMES_MIN), 1))
    return carry, onset, first


def _since_onset(degree: Degree, states: tuple[str, ...], minutes: float) -> Array:
    """(state when it began, state that the snapshot shows) for an even chance of the onset within these minutes.

    What began within the snapshot's own minute is seen as it began.
    """
    if minutes <= SEEN_MIN:
        return np.eye(len(states))
    _, summed = _worse(degree, states, minutes - SEEN_MIN)
    return np.asarray((SEEN_MIN * np.eye(len(states)) + summed) / minutes)


def _worse(degree: Degree, states: tuple[str, ...], minutes: float) -> tuple[Array, Array]:
    """How a degree moves on in these minutes, (from, to), and its integral over them (minutes).

    A state that lasts m minutes on average is left at a constant rate; what left it within the last minute is seen
    passing, what left it before has come to the end. What is seen passing stays so for what is left of the minute.
    """
    moved, summed = np.eye(len(states)), minutes * np.eye(len(states))
    if not degree.passing:
        return moved, summed
    passing, end = states.index(degree.passing), states.index(degree.ends)
    recent, before = min(minutes, SEEN_MIN), max(minutes - SEEN_MIN, 0.0)
    moved[passing, [passing, end]] = 1.0 - recent / SEEN_MIN, recent / SEEN_MIN
    still = recent - recent**2 / (2.0 * SEEN_MIN)
    summed[passing, [passing, end]] = still, minutes - still
    for state, mean in degree.worsens.items():
        place = states.index(state)
        left = np.exp(-minutes / mean)
        passes = np.exp(-before / mean) - left
        moved[place, [place, passing, end]] = left, passes, 1.0 - left - passes
        lasting = mean * (1.0 - left)
        passing_for = recent + mean * (1.0 - np.exp(-before / mean)) - lasting
        summed[place, [place, passing, end]] = lasting, passing_for, minutes - lasting - passing_for
    return moved, summed
