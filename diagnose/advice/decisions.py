"""What to do, say and decide now, by how much trustworthy instrument is left, the conditions and the equipment.

When each prompt holds stands in ``knowledge/decisions.toml``. Prompts only: in flight the handbook, ATC and
the pilot in command decide.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from diagnose.advice.advise import anything_read
from diagnose.advice.partial_panel import CONTROL, PERFORMANCE, STALLING, method_view, technique
from diagnose.advice.trust import suspicion
from diagnose.advice.witnesses import MORE_LIKELY_THAN_NOT, seen_lost
from diagnose.model import Grade
from diagnose.model.answer import Answer, AxisAdvice, DecisionAdvice, Trust
from diagnose.model.systems import Decision
from diagnose.network.posterior import Posterior

#: what radios run on, and its condition in which they are dead
RADIO_POWER = ("avionics_power", "none")

#: kinds of what is to be done, first things first
ORDER = ("recover", "act", "fly", "say", "land")


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
    told = Told(posterior=posterior, trust=answer.trust, axes=answer.axes, upset=why)
    return replace(
        answer,
        upset=why,
        # what is normal in the flight that was meant is no comfort in an upset
        notes=() if why else answer.notes,
        method=method_view(network.panel, grades),
        technique=technique(network.kb, network.panel, grades, case, why),
        decisions=to_do(replace(answer, decisions=told.decisions())),
    )


def to_do(answer: Answer) -> tuple[DecisionAdvice, ...]:
    """Give the DO line: actions, flying, calls and landing, the most urgent first; each has its ``short`` order."""
    return tuple(sorted(answer.decisions, key=lambda advice: (-advice.urgency, ORDER.index(advice.kind))))


@dataclass(frozen=True, kw_only=True)
class Told:
    """What the decisions of one answer are made by."""

    posterior: Posterior
    trust: tuple[Trust, ...]
    axes: tuple[AxisAdvice, ...]
    upset: str

    @cached_property
    def _known(self) -> dict[str, Mapping[str, float]]:
        """Chances of the conditions of the parts and sources asked for so far."""
        return {}

    def condition(self, name: str, *conditions: str) -> float:
        """Chance that a part or source is in one of these conditions now; 0 if the panel lacks it."""
        if name not in self._known:
            self._known[name] = self.posterior.conditions(name)
        return sum(self._known[name].get(condition, 0.0) for condition in conditions)

    @cached_property
    def grades(self) -> dict[str, Grade]:
        """Grade of each gauge that is there."""
        return {told.gauge: told.grade for told in self.trust}

    def decisions(self) -> tuple[DecisionAdvice, ...]:
        """Give what to do, say and decide, the most urgent first."""
        kb = self.posterior.space.network.kb
        found: dict[str, DecisionAdvice] = {}
        for decision in kb.decisions.values():
            if found.keys() & set(decision.unless) or not self._holds(decision):
                continue
            standing = [kb.gauges[g].name for g in decision.against if self._stands(g)]
            if decision.against and not standing:
                continue
            against = " and ".join(standing[:2])
            found[decision.id] = DecisionAdvice(
                decision=decision.id,
                kind=decision.kind,
                short=decision.short,
                says=decision.says.replace("{against}", against),
                urgency=decision.urgency,
                source=decision.source,
                note=decision.note,
            )
        slips = []
        for acts, chance, advice in self._slips():
            opposed = [
                name
                for name in found
                if any(state in kb.decisions[name].sound.get(part, ()) for part, state in acts.items())
            ]
            # a lever that may have been left open is not opened: of the two orders the likelier stands
            if all(self._chance(kb.decisions[name]) <= chance for name in opposed):
                slips.append(advice)
                found = {name: told for name, told in found.items() if name not in opposed}
        # among themselves cures stand by the chance of what they cure
        cures = [name for name in found if kb.decisions[name].kind == "act" and kb.decisions[name].raised]
        ranked = sorted(cures, key=lambda name: -self._chance(kb.decisions[name]))
        instead = dict(zip(cures, ranked, strict=True))
        return (*(found[instead.get(name, name)] for name in found), *slips)

    @cached_property
    def doubted(self) -> frozenset[str]:
        """Gauges that may not simply be used, and for more than a slip that is set right."""
        return frozenset(t.gauge for t in self.trust if t.grade is not Grade.USE and not t.slip)

    def _stands(self, gauge: str) -> bool:
        return self.grades.get(gauge, Grade.COVER) is not Grade.COVER

    def _slips(self) -> Iterator[tuple[Mapping[str, str], float, DecisionAdvice]]:
        """Slips of the pilot that the readings speak for, to be set right: what each acts on, its chance, the order."""
        posterior, kb = self.posterior, self.posterior.space.network.kb
        failures = posterior.space.network.failures
        said: set[str] = set()
        for failure, chance, prior in zip(
            failures, posterior.marginals.tolist(), posterior.priors.tolist(), strict=True
        ):
            needs = failure.set_right_by
            if (
                failure.set_right
                and failure.set_right not in said
                and chance >= kb.limits.worth_naming
                and self._risen(chance, prior)
                and (not needs or self._stands(needs))
            ):
                said.add(failure.set_right)
                advice = DecisionAdvice(
                    decision=f"set_right_{failure.id}",
                    kind="act",
                    short=failure.set_right,
                    says=f"{failure.set_right}: {failure.name} would explain it",
                    urgency=2,
                    source=failure.source,
                    note=failure.note,
                )
                yield failure.acts, chance, advice

    # -------------------------------------------------------------- when a prompt holds

    def _holds(self, decision: Decision) -> bool:
        network, case = self.posterior.space.network, self.posterior.case
        conditions, last = set(case.context), case.snapshot[-1]
        positions = network.switch_positions(last.switches)
        aboard = {*network.panel.switches, *network.parts}
        read = {facet for snapshot in case.snapshot for facet in (*snapshot.readings, *snapshot.unsure)}
        return (
            network.kb.manoeuvres[last.manoeuvre].phase in decision.phases
            and (not decision.manoeuvres or last.manoeuvre in decision.manoeuvres)
            and (bool(self.upset) or not decision.upset)
            and self._by_instruments(decision)
            and (not decision.conditions or bool(conditions & set(decision.conditions)))
            and set(decision.also) <= conditions
            and not conditions & set(decision.not_in)
            and all(name in positions and positions[name] != to for name, to in decision.move.items())
            and all(positions.get(name) == to for name, to in decision.moved.items())
            and set(decision.parts) <= aboard
            and not aboard & set(decision.without)
            and not read & set(decision.unless_read)
            and (decision.radio == "" or (decision.radio == "dead") == self.radios_dead)
            and not any(
                self.condition(name, *states) > MORE_LIKELY_THAN_NOT
                for name, states in decision.sound.items()
            )
            and self._by_cause(decision)
        )

    def _by_instruments(self, decision: Decision) -> bool:
        grades, kb = self.grades, self.posterior.space.network.kb
        flown = [
            g
            for g in ("attitude", "electric_attitude", *CONTROL, *PERFORMANCE)
            if grades.get(g) is Grade.COVER
        ]
        required = [g for g, grade in grades.items() if grade is Grade.COVER and kb.gauges[g].required]
        return (
            # an instrument that the panel lacks is no help either, but one at least must be there to be out
            all(gauge not in grades or gauge in self.doubted for gauge in decision.out)
            and (not decision.out or any(gauge in grades for gauge in decision.out))
            and all(grades.get(gauge) is Grade.COVER for gauge in decision.covered)
            and all(grades.get(gauge) is Grade.USE for gauge in decision.trusted)
            and (not decision.any_covered or bool(flown))
            and (not decision.required or (decision.required == "covered") == bool(required))
            and (not decision.axis_lost or self.axis_lost)
        )

    @property
    def axis_lost(self) -> bool:
        """Whether pitch or bank has nothing left that may simply be used."""
        return any(
            axis.axis in ("pitch", "bank")
            and self.grades.get(axis.primary) is not Grade.USE
            and not any(self.grades.get(gauge) is Grade.USE for gauge in axis.supporting)
            for axis in self.axes
        )

    @cached_property
    def radios_dead(self) -> bool:
        """Whether the radios were seen dead, or are more likely dead than not."""
        source, none = RADIO_POWER
        seen = seen_lost(self.posterior.space.network, self.posterior.case, source)
        return seen is not None or self.condition(source, none) > MORE_LIKELY_THAN_NOT

    def _by_cause(self, decision: Decision) -> bool:
        """Whether one of the causes that a decision names is there; a decision without one needs none."""
        if not (decision.doubted or decision.lost or decision.coasting):
            return True
        least = suspicion(self.posterior.space.network) if decision.level == "suspected" else MORE_LIKELY_THAN_NOT
        return (
            bool(self.doubted & set(decision.doubted))
            or any(
                told.coasting and told.grade is not Grade.COVER and told.gauge in decision.coasting
                for told in self.trust
            )
            or self._lost(decision, least)
        )

    def _lost(self, decision: Decision, least: float) -> bool:
        chance = self._chance(decision)
        if chance <= least:
            return False
        return not decision.raised or chance > MORE_LIKELY_THAN_NOT or self._raised(decision, chance)

    def _chance(self, decision: Decision) -> float:
        """Chance of what a decision calls lost."""
        posterior, space = self.posterior, self.posterior.space
        failures = space.network.failures
        parts = space.network.kb.parts
        acting = [
            any(name in parts and acted in decision.lost.get(name, ()) for name, acted in f.acts.items())
            for f in failures
        ]
        states = [self.condition(name, *states) for name, states in decision.lost.items() if name not in parts]
        # a part counts as failed though it may not act just now, or a switch may have cured it
        return max([posterior.any_of(acting), *states])

    def _raised(self, decision: Decision, chance: float) -> bool:
        """Whether the readings have made a loss likelier than it was before them."""
        posterior, space = self.posterior, self.posterior.space
        if not anything_read(posterior.case):
            return False
        state = space.conditions(space.network.switch_positions(posterior.case.snapshot[-1].switches))
        reached = np.zeros(space.count, dtype=bool)
        for name, states in decision.lost.items():
            if name in state:
                wanted = [i for i, known in enumerate(space.network.states[name]) if known in states]
                reached |= np.isin(state[name], wanted)
        able = space.by_set(reached.astype(float)) > 0.0
        return self._risen(chance, float(posterior.prior_sets @ able))

    def _risen(self, chance: float, prior: float) -> bool:
        """Whether the readings have raised the odds of something ``suspect_factor`` times."""
        factor = self.posterior.space.network.kb.look_weights.suspect_factor
        return chance * (1.0 - prior) >= factor * prior * (1.0 - chance)
