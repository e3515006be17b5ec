"""What to say and decide now, by how much trustworthy instrument is left, the conditions and the equipment.

When each prompt holds stands in ``knowledge/decisions.toml``. Prompts only: in flight the handbook, ATC and
the pilot in command decide.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from diagnose.answer import Answer, DecisionAdvice
from diagnose.guidance import Decision
from diagnose.inference import Posterior
from diagnose.model import Grade
from diagnose.technique import CONTROL, PERFORMANCE, method_view, technique

MORE_LIKELY_THAN_NOT = 0.5

#: this reading calls for a recovery first
STALLING = ("stall_warner.state", "sounding")


def upset(posterior: Posterior) -> str:
    """Say in a few words why the aircraft must be recovered before anything is looked at; "" if not.

    An unusual attitude that the user stated, a stall warning, or a motion that the readings make all but
    certain: turning and descending with growing speed where none of it was meant, or climbing with
    the speed falling.
    """
    network, case = posterior.space.network, posterior.case
    last = case.snapshot[-1]
    if "unusual_attitude" in case.context:
        return "unusual attitude"
    if last.readings.get(STALLING[0]) == STALLING[1]:
        return "the stall warner sounds"
    manoeuvre = network.kb.manoeuvres[last.manoeuvre]

    def surely(axis: str, *values: str) -> bool:
        chance = sum(posterior.motion[axis].get(value, 0.0) for value in values)
        return manoeuvre.expected[axis] not in values and chance >= network.kb.limits.decided

    if surely("turn", "left", "right") and surely("vertical", "down") and surely("speed", "increasing"):
        return "a spiral: turning, descending, speed growing"
    return ""


def with_decisions(posterior: Posterior, answer: Answer) -> Answer:
    """Give the answer with partial panel in numbers and with what to decide."""
    network, case = posterior.space.network, posterior.case
    grades = {trust.gauge: trust.grade for trust in answer.trust}
    why = upset(posterior)
    return replace(
        answer,
        upset=why,
        method=method_view(network.panel, grades),
        technique=technique(network.kb, network.panel, grades, case, why, likely_systems(posterior)),
        decisions=decisions(posterior, grades, why),
    )


def decisions(posterior: Posterior, grades: Mapping[str, Grade], why: str) -> tuple[DecisionAdvice, ...]:
    """Give what to say and decide, the most urgent first; ``why`` says what to recover from, if anything."""
    kb = posterior.space.network.kb
    found = [
        DecisionAdvice(
            decision=decision.id,
            says=decision.says,
            urgency=decision.urgency,
            source=decision.source,
            note=decision.note,
        )
        for decision in kb.decisions.values()
        if _holds(decision, posterior, grades, why)
    ]
    return tuple(sorted(found, key=lambda advice: -advice.urgency))


def _holds(decision: Decision, posterior: Posterior, grades: Mapping[str, Grade], why: str) -> bool:
    network, case = posterior.space.network, posterior.case
    conditions = set(case.context)
    flown = ("attitude", "electric_attitude", *CONTROL, *PERFORMANCE)
    return (
        network.kb.manoeuvres[case.snapshot[-1].manoeuvre].phase in decision.phases
        and (bool(why) or not decision.upset)
        # an instrument that the panel lacks is no help either, but one at least must be there to be out
        and all(grades.get(gauge) is not Grade.USE for gauge in decision.out)
        and (not decision.out or any(gauge in grades for gauge in decision.out))
        and all(grades.get(gauge) is Grade.COVER for gauge in decision.covered)
        and all(grades.get(gauge) is Grade.USE for gauge in decision.trusted)
        and (not decision.any_covered or any(grades.get(gauge) is Grade.COVER for gauge in flown))
        and (not decision.conditions or bool(conditions & set(decision.conditions)))
        and set(decision.also) <= conditions
        and not conditions & set(decision.not_in)
        and (not decision.with_switch or bool(set(decision.with_switch) & set(network.panel.switches)))
        and _likely(decision, posterior)
    )


def _likely(decision: Decision, posterior: Posterior) -> bool:
    """Whether a failure that the decision names, or one of its systems, is more likely than not."""
    if decision.failures:
        named = [failure.id in decision.failures for failure in posterior.space.network.failures]
        return _chance_of(posterior, named) > MORE_LIKELY_THAN_NOT
    if decision.suspect:
        named = [failure.system.value in decision.suspect for failure in posterior.space.network.failures]
        return _chance_of(posterior, named) > MORE_LIKELY_THAN_NOT
    return True


def likely_systems(posterior: Posterior) -> frozenset[str]:
    """Systems of which a failure is more likely than not."""
    failures = posterior.space.network.failures
    return frozenset(
        system
        for system in {failure.system.value for failure in failures}
        if _chance_of(posterior, [f.system.value == system for f in failures]) > MORE_LIKELY_THAN_NOT
    )


def _chance_of(posterior: Posterior, named: Sequence[bool]) -> float:
    """Chance that one at least of the named failures is there."""
    holding = (posterior.space.members & np.array(named)).any(axis=1)
    return float(posterior.sets @ holding)
