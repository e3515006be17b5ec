"""Drawing a scenario: a flight, a failure of a system and its progression, at a wanted difficulty.

Difficulty is not a label put on by hand: each draft is flown and followed by the engine, and the first
draft of the wanted level is taken.
"""

from __future__ import annotations

import numpy as np

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Failure, FailureKind, System
from diagnose.model.case import FailureEvent, Leg, ScenarioRecord, Start
from diagnose.model.errors import CaseError
from diagnose.network.engine import Engine
from diagnose.practice.scenario.known import LEVELS, Followed, follow
from diagnose.practice.simulate import simulate

SYSTEMS = ("pitot", "static", "vacuum", "electrical", "instrument")
#: a bound on computer time and no statement about aircraft, so it stands here and not in the knowledge
MOST_DRAFTS = 100
#: in so many of the hard ones a second failure waits
SECOND_SHARE = 0.4
AIRFIELD = "Karelund"

#: flights: what is flown, the letters mean level, climb, descent, turns and changes of speed
PATTERNS = ("LCLTLD", "LTLCLD", "LDLTLC", "LSLCTL", "LCTLDL", "LDTLSL")
STEPS = {
    "L": ("level",),
    "C": ("climb", "climb_constant_rate"),
    "D": ("descent", "descent_constant_rate"),
    "T": ("left_turn", "right_turn"),
    "S": ("level_speeding_up", "level_slowing_down"),
}


def _legs(rng: np.random.Generator) -> tuple[Leg, ...]:
    legs = []
    for letter in str(rng.choice(PATTERNS)):
        minutes = 1.0 if letter in "TS" else float(rng.choice((1.5, 2.0, 2.5)))
        legs.append(Leg(manoeuvre=str(rng.choice(STEPS[letter])), minutes=minutes))
    return tuple(legs)


def _event(failure: Failure, rng: np.random.Generator, earliest: float, latest: float) -> FailureEvent:
    progression = {"sudden": "sudden", "gradual": "gradual"}.get(failure.onset)
    if progression is None:
        progression = str(rng.choice(("sudden", "gradual")))
    if failure.acting < 1.0:
        progression = "intermittent"
    begins = round(float(rng.uniform(earliest, latest)) * 4.0) / 4.0
    return FailureEvent(
        id=failure.id,
        at_minutes=begins if failure.begins_in_flight else 0.0,
        progression=progression if failure.begins_in_flight else "sudden",  # type: ignore[arg-type]
        over_minutes=float(rng.choice((1.0, 2.0, 3.0))),
        share=failure.acting if failure.acting < 1.0 else 0.6,
    )


def possible_failures(kb: KnowledgeBase, panel: str, system: str) -> tuple[Failure, ...]:
    """Failures of a system that a panel can have, that can be noticed and that happen at all."""
    parts = set(kb.panel(panel).parts)
    return tuple(
        failure
        for failure in kb.failures.values()
        if failure.kind is FailureKind.FAILURE
        and failure.system is System(system)
        and set(failure.acts) <= parts
        and not failure.silent
        and failure.listed
    )


def _draft(
    kb: KnowledgeBase, panel: str, system: str, level: str, rng: np.random.Generator
) -> ScenarioRecord:
    chosen = possible_failures(kb, panel, system)
    if not chosen:
        raise CaseError(
            f"the panel {panel} has nothing of the system {system} that could fail and be noticed"
        )
    first = chosen[int(rng.integers(len(chosen)))]
    legs = _legs(rng)
    failures = [_event(first, rng, 1.0, 3.0)]
    if level == LEVELS[-1] and rng.random() < SECOND_SHARE:
        every = [
            f
            for name in SYSTEMS
            for f in possible_failures(kb, panel, name)
            if not set(f.acts) & set(first.acts)
        ]
        failures.append(_event(every[int(rng.integers(len(every)))], rng, 2.0, 5.0))
    needs = sorted({flag for event in failures for flag in kb.failures[event.id].needs_conditions})
    return ScenarioRecord(
        title=f"Drawn scenario, {level}",
        panel=panel,
        briefing=f"A local flight out of {AIRFIELD}. Report what you see, what you think, and what you would do.",
        leg=legs,
        start=Start(
            altitude_ft=float(rng.choice((3000.0, 4000.0, 5000.0))),
            heading_deg=float(rng.integers(36)) * 10.0,
        ),
        failure=tuple(failures),
        context=tuple(needs),
        turbulence=float(rng.choice((0.1, 0.2, 0.4))),
        teaching=tuple(kb.failures[event.id].mechanism for event in failures),
        seed=int(rng.integers(1, 10_000)),
        source="drawn",
    )


def draw_scenario(
    kb: KnowledgeBase, engine: Engine, panel: str, system: str, level: str, seed: int
) -> tuple[ScenarioRecord, Followed]:
    """Draw a scenario of this difficulty. ``engine`` is the panel's.

    The same arguments give the same scenario. Raises CaseError if no draft of the level is found.
    """
    rng = np.random.default_rng([seed, LEVELS.index(level), sum(map(ord, system))])
    for _ in range(MOST_DRAFTS):
        scenario = _draft(kb, panel, system, level, rng)
        followed = follow(simulate(engine.network, scenario), engine)
        if followed.level == level and followed.suspected is not None:
            return scenario, followed
    raise CaseError(
        f"none of {MOST_DRAFTS} drafts on the panel {panel} with a {system} failure was {level}",
        mend="choose another system, difficulty or seed",
    )
