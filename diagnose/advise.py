"""From the posterior to what to do: which instruments to use, and what to fly on.

An instrument misleads in a state in which its readings differ from the healthy ones by more than the
stated distance (total variation), in a motion that this flight can meet. Its grade is the one of least
expected cost by the table in ``knowledge/engine.toml``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.answer import Answer, AxisAdvice, Ranked, Trust
from diagnose.guidance import CHECKS
from diagnose.hidden import HiddenSpace, number_codes
from diagnose.inference import Posterior, to_twelve_digits
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
    """Whether a facet misleads in each combination of its parents' states; bool (parents…).

    It does where it shows something else than a sound gauge would in what the gauge tells of.
    """
    table = network.facets[facet]
    slices = _motion_slices(network, table.axes, phase)
    parents = table.chance.shape[: len(table.parents)]
    met = _met(table.chance, slices, len(table.parents))
    usual = _met(network.sound_chance(facet), slices, len(table.parents))
    distance = 0.5 * np.abs(met - usual).sum(axis=-1)
    worst = distance.reshape(*parents, -1).max(axis=-1)
    return np.asarray(worst > network.kb.limits.misleading_distance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Misled:
    """Which gauges mislead in which rows, in one phase of flight with one setting of the switches.

    Rows in which the same gauges mislead share a pattern, ``of_row`` (row,). ``now``, and ``soon``
    when the memories have moved on: 1.0 where a gauge misleads, else 0.0; (pattern, gauge), gauges
    as on the panel.
    """

    of_row: Index
    now: Array
    soon: Array

    def chances(self, rows: Array) -> tuple[Array, Array]:
        """Chance that each gauge tells the truth now and soon; ``rows`` (row,), results (gauge,)."""
        weight = np.bincount(self.of_row, weights=rows, minlength=len(self.now))
        return weight @ (1.0 - self.now), weight @ (1.0 - self.soon)


def misled(space: HiddenSpace, manoeuvre_id: str, switches: Mapping[str, str]) -> Misled:
    """Give which gauges mislead in each row; the readings make no difference to that."""
    phase = space.network.kb.manoeuvres[manoeuvre_id].phase
    key = (phase, *sorted(switches.items()))
    found: Misled = space.remembered("misleading", key, lambda: _misled(space, phase, switches))
    return found


def _lying_states(space: HiddenSpace, facet: str, phase: str) -> Array:
    def find() -> Array:
        return misleading_states(space.network, facet, phase)

    found: Array = space.remembered("lying states", (facet, phase), find)
    return found


def _misled(space: HiddenSpace, phase: str, switches: Mapping[str, str]) -> Misled:
    network, state = space.network, space.conditions(switches)
    now = {gauge: np.zeros(space.count, dtype=bool) for gauge in network.panel.gauges}
    soon = {gauge: np.zeros(space.count, dtype=bool) for gauge in network.panel.gauges}
    for facet, table in network.dials.items():
        gauge = facet.split(".")[0]
        lies = _lying_states(space, facet, phase)
        names = table.parents
        index = tuple(state.get(name, np.zeros(space.count, dtype=np.int8)) for name in names)
        found = lies[index]
        now[gauge] |= found
        soon[gauge] |= found
        for place, name in enumerate(names):
            if name in network.memories:
                moved = np.broadcast_to(lies.any(axis=place, keepdims=True), lies.shape)
                soon[gauge] |= space.running(name, state) & moved[index]
    columns = [*now.values(), *soon.values()]
    of_row, first = number_codes([(column, 2) for column in columns], space.count)
    both = np.stack(columns, axis=1)[first].astype(np.float64)
    return Misled(of_row=of_row, now=both[:, : len(now)], soon=both[:, len(now) :])


def grade_of(network: Network, truth: float) -> Grade:
    """Give the grade of least expected cost for a chance of telling the truth."""
    costs = network.kb.grade_costs.values()
    best = min(costs, key=lambda c: truth * c.if_true + (1.0 - truth) * c.if_misleading)
    return best.grade


def trust(posterior: Posterior) -> tuple[Trust, ...]:
    """Give every instrument's chance of telling the truth now and soon, and its grade."""
    space, network = posterior.space, posterior.space.network
    last = posterior.case.snapshot[-1]
    lies = misled(space, last.manoeuvre, network.switch_positions(last.switches))
    now, soon = lies.chances(posterior.rows)
    grades = [grade_of(network, truth) for truth in soon.tolist()]
    doubted = [place for place, grade in enumerate(grades) if grade is not Grade.USE]
    blame = dict(zip(doubted, _blame(posterior, lies, doubted), strict=True))
    return tuple(
        Trust(gauge=gauge, now=now[i].item(), soon=soon[i].item(), grade=grades[i], blame=blame.get(i, ""))
        for i, gauge in enumerate(network.panel.gauges)
        if network.kb.gauges[gauge].group != CHECKS
    )


def _blame(posterior: Posterior, lies: Misled, gauges: Sequence[int]) -> list[str]:
    """Give for each of these gauges the failure that speaks most against it."""
    space = posterior.space
    weight = np.array([posterior.rows * lies.soon[:, gauge][lies.of_row] for gauge in gauges])
    by_failure = space.by_set(weight.reshape(-1, space.count)) @ space.member_weights
    best = to_twelve_digits(by_failure).argmax(axis=1)
    return [
        space.network.failures[place].id if chances[place] > 0.0 else ""
        for place, chances in zip(best.tolist(), by_failure, strict=True)
    ]


# ------------------------------------------------------------------ partial panel


def partial_panel(network: Network, manoeuvre_id: str, trusts: tuple[Trust, ...]) -> tuple[AxisAdvice, ...]:
    """Give for each axis of control what to fly on in this manoeuvre."""
    manoeuvre = network.kb.manoeuvres[manoeuvre_id]
    grades = {t.gauge: t.grade for t in trusts}
    least = network.kb.limits.nearly_sure
    nearly = {t.gauge for t in trusts if t.grade is Grade.VERIFY and t.soon >= least}
    uses = {"pitch": manoeuvre.pitch, "bank": manoeuvre.bank, "power": manoeuvre.power}
    answers = []
    for axis in AXES_OF_CONTROL:
        use = uses.get(axis) or (AxisUse(primary="heading") if axis == "heading" else None)
        if use is None:
            continue
        stand_ins = [s for s in network.kb.substitutes.values() if s.axis == axis]
        usual = (use.primary, *use.supporting)
        candidates = [g for g in dict.fromkeys([*usual, *(s.gauge for s in stand_ins)]) if g in grades]
        # a usual instrument that is all but surely right stays, cross-checked: it is not given up for less
        good = [g for g in candidates if grades[g] is Grade.USE or g in nearly]
        doubtful = [g for g in candidates if grades[g] is Grade.VERIFY and g not in nearly]
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
    prior = posterior.prior_sets @ posterior.space.member_weights
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
    sets, members = posterior.sets, posterior.space.member_weights
    faulty = [
        (float(chance), failure)
        for chance, failure in zip(posterior.marginals, network.failures, strict=True)
        if failure.kind is FailureKind.FAILURE
    ]
    real = np.array([float(failure.kind is FailureKind.FAILURE) for failure in network.failures])
    no_failure = float(sets[members @ real == 0.0].sum())
    strayed = _strayed(network, posterior)
    best_chance, best = max(faulty, key=lambda pair: float(f"{pair[0]:.11e}"))
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
    within = np.array([float(failure.system in systems) for failure in network.failures])
    share = float(sets[members @ within > 0.0].sum())
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
