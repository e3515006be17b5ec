"""From the posterior to what to do: which instruments to use, and what to fly on.

An instrument misleads in a state in which its readings differ from the healthy ones by more than the
stated distance (total variation), in a motion that this flight can meet. Its grade is the one of least
expected cost by the table in ``knowledge/engine.toml``.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from diagnose.answer import Answer, AxisAdvice, Ranked, Trust
from diagnose.hidden import HiddenSpace
from diagnose.inference import Posterior
from diagnose.model import AxisUse, FailureKind, Grade, NormalEffect
from diagnose.network import Index, Network
from diagnose.units import Array

AXES_OF_CONTROL = ("pitch", "bank", "power", "heading")
ON_GROUND = ("at_rest", "rolling")


def _motion_slices(network: Network, axes: tuple[str, ...], phase: str) -> list[Index]:
    """Indices of the values of each axis that this phase of flight can meet."""
    slices = []
    for axis in axes:
        values = network.states[axis]
        met = [
            i for i, value in enumerate(values) if axis != "pace" or phase != "air" or value not in ON_GROUND
        ]
        slices.append(np.array(met))
    return slices


def _met(chance: Array, slices: list[Index], first_axis: int) -> Array:
    """Keep only the met values of each motion axis."""
    for place, values in enumerate(slices):
        chance = np.take(chance, values, axis=first_axis + place)
    return chance


def misleading_states(network: Network, facet: str, phase: str) -> Array:
    """Whether a facet misleads in each combination of its parents' states; bool (parents…)."""
    table = network.facets[facet]
    slices = _motion_slices(network, table.axes, phase)
    parents = table.chance.shape[: len(table.parents)]
    met = _met(table.chance, slices, len(table.parents))
    healthy = network.healthy_chance(facet)
    usual = _met(healthy, slices, 0)
    distance = 0.5 * np.abs(met - usual).sum(axis=-1)
    worst = distance.reshape(*parents, -1).max(axis=-1)
    return np.asarray(worst > network.kb.limits.misleading_distance)


def _misleads(space: HiddenSpace, facet: str, phase: str, state: Mapping[str, Index], *, soon: bool) -> Index:
    """Whether a facet misleads in each row, now or once the memories have moved on; bool (row,)."""
    network = space.network
    key = ("misleading", facet, phase)
    if key not in space.cache:
        space.cache[key] = misleading_states(network, facet, phase)
    lies = space.cache[key]
    names = network.facets[facet].parents
    index = [state.get(name, np.zeros(space.count, dtype=np.intp)) for name in names]
    found = lies[tuple(index)]
    if not soon:
        return np.asarray(found)
    for place, name in enumerate(names):
        if name in network.memories:
            running = space.running(name, state)
            for value in range(len(network.states[name])):
                moved = [*index]
                moved[place] = np.full(space.count, value)
                found = found | (running & lies[tuple(moved)])
    return np.asarray(found)


def grade_of(network: Network, truth: float) -> Grade:
    """Give the grade of least expected cost for a chance of telling the truth."""
    costs = network.kb.grade_costs.values()
    best = min(costs, key=lambda c: truth * c.if_true + (1.0 - truth) * c.if_misleading)
    return best.grade


def trust(posterior: Posterior) -> tuple[Trust, ...]:
    """Give every instrument's chance of telling the truth now and soon, and its grade."""
    space, network = posterior.space, posterior.space.network
    last = posterior.case.snapshot[-1]
    switches = network.switch_positions(last.switches)
    state = space.conditions(switches)
    phase = network.kb.manoeuvres[last.manoeuvre].phase
    answers = []
    for gauge_id in network.panel.gauges:
        facets = [facet for facet in network.facets if facet.split(".")[0] == gauge_id]
        lies_now = np.zeros(space.count, dtype=bool)
        lies_soon = np.zeros(space.count, dtype=bool)
        for facet in facets:
            lies_now |= _misleads(space, facet, phase, state, soon=False)
            lies_soon |= _misleads(space, facet, phase, state, soon=True)
        now = 1.0 - float(posterior.rows @ lies_now)
        soon = 1.0 - float(posterior.rows @ lies_soon)
        grade = grade_of(network, soon)
        answers.append(
            Trust(
                gauge=gauge_id,
                now=now,
                soon=soon,
                grade=grade,
                blame="" if grade is Grade.USE else _blame(posterior, lies_soon),
            )
        )
    return tuple(answers)


def _blame(posterior: Posterior, lies: Index) -> str:
    """Give the failure that speaks most against an instrument."""
    space = posterior.space
    weight = np.bincount(space.row_set, weights=posterior.rows * lies, minlength=len(space.sets))
    by_failure = weight @ space.members
    return space.network.failures[int(by_failure.argmax())].id if by_failure.any() else ""


# ------------------------------------------------------------------ partial panel


def partial_panel(network: Network, manoeuvre_id: str, trusts: tuple[Trust, ...]) -> tuple[AxisAdvice, ...]:
    """Give for each axis of control what to fly on in this manoeuvre."""
    manoeuvre = network.kb.manoeuvres[manoeuvre_id]
    grades = {t.gauge: t.grade for t in trusts}
    uses = {"pitch": manoeuvre.pitch, "bank": manoeuvre.bank, "power": manoeuvre.power}
    answers = []
    for axis in AXES_OF_CONTROL:
        use = uses.get(axis) or (AxisUse(primary="heading") if axis == "heading" else None)
        if use is None:
            continue
        stand_ins = [s for s in network.kb.substitutes.values() if s.axis == axis]
        usual = (use.primary, *use.supporting)
        candidates = [g for g in dict.fromkeys([*usual, *(s.gauge for s in stand_ins)]) if g in grades]
        good = [g for g in candidates if grades[g] is Grade.USE]
        doubtful = [g for g in candidates if grades[g] is Grade.VERIFY]
        primary = (good or doubtful or [""])[0]
        how = next((s.how for s in stand_ins if s.gauge == primary), "")
        answers.append(
            AxisAdvice(
                axis=axis,
                usual=use.primary,
                primary=primary,
                supporting=tuple(g for g in good if g != primary)[:3],
                out=tuple(g for g in usual if g not in grades or grades[g] is Grade.COVER),
                how=how if primary != use.primary or primary in doubtful else "",
            )
        )
    return tuple(answers)


# ------------------------------------------------------------------ the whole answer


def advise(posterior: Posterior) -> Answer:
    """Give the whole answer for a posterior."""
    network = posterior.space.network
    ranking = posterior.ranking()
    ids = [failure.id for failure in network.failures]
    trusts = trust(posterior)
    last = posterior.case.snapshot[-1]
    decided, verdict = _verdict(network, posterior, ranking)
    prior = posterior.prior_sets @ posterior.space.members
    return Answer(
        setting=posterior.case.setting,
        ranking=ranking,
        failures=dict(zip(ids, posterior.marginals.tolist(), strict=True)),
        priors=dict(zip(ids, prior.tolist(), strict=True)),
        uncovered=posterior.uncovered,
        log_evidence=posterior.log_evidence,
        decided=decided,
        verdict=verdict,
        trust=trusts,
        axes=partial_panel(network, last.manoeuvre, trusts),
        manoeuvre=last.manoeuvre,
        notes=_notes(network, posterior),
    )


def names_of(network: Network, failures: tuple[str, ...]) -> str:
    """Say a set of failures in plain words."""
    if not failures:
        return "nothing has failed"
    return " and ".join(network.kb.failures[name].name for name in failures)


def _verdict(network: Network, posterior: Posterior, ranking: tuple[Ranked, ...]) -> tuple[bool, str]:
    limits = network.kb.limits
    marginals = posterior.marginals
    faulty = [
        (float(chance), failure)
        for chance, failure in zip(marginals, network.failures, strict=True)
        if failure.kind is FailureKind.FAILURE
    ]
    no_failure = sum(
        ranked.posterior
        for ranked in ranking
        if all(network.kb.failures[f].kind is FailureKind.LOOK_ALIKE for f in ranked.failures)
    )
    strayed = _strayed(network, posterior)
    best_chance, best = max(faulty, key=lambda pair: pair[0])
    if no_failure >= limits.decided:
        if strayed:
            return True, f"Nothing has failed: the instruments agree, {strayed}."
        leading = ranking[0]
        if leading.failures and leading.posterior >= limits.decided:
            return True, f"No failure: {names_of(network, leading.failures)}."
        return False, "Nothing here speaks for a failure; what is left is a matter of a second look."
    if best_chance >= limits.decided:
        return True, f"Most likely: {best.name} ({best_chance:.0%})."
    alike = [failure for chance, failure in faulty if chance > limits.worth_naming]
    systems = {failure.system for failure in alike}
    share = sum(
        ranked.posterior
        for ranked in ranking
        if any(network.kb.failures[f].system in systems for f in ranked.failures)
    )
    if len(systems) == 1 and share >= limits.decided:
        system = systems.pop().value
        return False, f"Not enough yet for one cause, but it lies in the {system} system ({share:.0%})."
    return (
        False,
        f"Not enough yet: leading is {names_of(network, ranking[0].failures)} ({ranking[0].posterior:.0%}).",
    )


TURN_WORDS = {
    "left": "you are turning left",
    "right": "you are turning right",
    "straight": "you are flying straight",
}
HEIGHT_WORDS = {"up": "you are climbing", "down": "you are descending", "level": "you are level"}


def _strayed(network: Network, posterior: Posterior) -> str:
    """Say in which way the aircraft does something else than was meant, if it does."""
    manoeuvre = network.kb.manoeuvres[posterior.case.snapshot[-1].manoeuvre]
    said = []
    for axis, words in (("turn", TURN_WORDS), ("vertical", HEIGHT_WORDS)):
        value, chance = max(posterior.motion[axis].items(), key=lambda item: item[1])
        if value != manoeuvre.expected[axis] and chance >= network.kb.limits.decided:
            said.append(words[value])
    return " and ".join(said)


def _notes(network: Network, posterior: Posterior) -> tuple[str, ...]:
    """Normal effects that the last snapshot's readings may be."""
    last = posterior.case.snapshot[-1]

    def fits(effect: NormalEffect) -> bool:
        return (
            bool(effect.when)
            and all(last.readings.get(facet) == reading for facet, reading in effect.when.items())
            and (not effect.manoeuvres or last.manoeuvre in effect.manoeuvres)
        )

    return tuple(f"{effect.name}: {effect.says}" for effect in network.kb.effects.values() if fits(effect))
