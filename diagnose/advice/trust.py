"""Which instruments tell the truth: what misleads in which hidden state, and the grade that follows.

An instrument misleads in a state in which its readings differ from the healthy ones by more than the
stated distance (total variation), in a motion that this flight can meet. Its grade is the one of least
expected cost by the table in ``knowledge/engine.toml``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.advice.witnesses import MORE_LIKELY_THAN_NOT, coasting, contradicted, dark, denied, held
from diagnose.model import Grade
from diagnose.model.answer import Trust
from diagnose.model.systems import CHECKS
from diagnose.model.units import Array
from diagnose.network.hidden import HiddenSpace, number_codes
from diagnose.network.posterior import Posterior, to_twelve_digits
from diagnose.network.tables import Index, Network

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

    It does where it shows something else than a healthy gauge would in what the gauge tells of.
    """
    table = network.facets[facet]
    slices = _motion_slices(network, table.axes, phase)
    parents = table.drawn.shape[: len(table.parents)]
    met = _met(table.at(()), slices, len(table.parents))
    usual = _met(network.sound_chance(facet), slices, len(table.parents))
    distance = 0.5 * np.abs(met - usual).sum(axis=-1)
    worst = distance.reshape(*parents, -1).max(axis=-1)
    return np.asarray(worst > network.kb.limits.misleading_distance)


@dataclass(frozen=True, slots=True, kw_only=True)
class Misled:
    """Which gauges mislead in which rows, in one phase of flight with one setting of the switches.

    Rows in which the same gauges mislead share a pattern, ``of_row`` (row,). 1.0 where a gauge misleads,
    else 0.0; (pattern, gauge), gauges as on the panel: ``now``; ``soon``, when the memories have moved on;
    ``fed``, the same and where another gauge on its source misleads by that source; ``right``, as ``fed`` if
    the pilot's slips were set right.
    """

    of_row: Index
    now: Array
    soon: Array
    fed: Array
    right: Array

    def chances(self, rows: Array) -> tuple[Array, Array]:
        """Chance that each gauge tells the truth now and soon; ``rows`` (row,), results (gauge,)."""
        weight = np.bincount(self.of_row, weights=rows, minlength=len(self.now))
        now, soon = weight @ (1.0 - self.now), weight @ (1.0 - self.soon)
        return np.minimum(now, 1.0), np.minimum(soon, 1.0)  # sums of chances may round to above one

    def relied_on(self, rows: Array) -> tuple[Array, Array]:
        """Chance that each gauge and what feeds it are right soon, as it is and with slips set right; (gauge,)."""
        weight = np.bincount(self.of_row, weights=rows, minlength=len(self.now))
        return weight @ (1.0 - self.fed), weight @ (1.0 - self.right)


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
    key = (phase, *sorted(switches.items()))
    found = space.ready("misled", key, lambda: _misled_rows(space, phase, switches))
    now, soon, fed, right = np.split(found["gauges"].astype(np.float64), 4, axis=1)
    return Misled(of_row=found["of_row"].astype(np.intp), now=now, soon=soon, fed=fed, right=right)


def _misled_rows(space: HiddenSpace, phase: str, switches: Mapping[str, str]) -> dict[str, Index]:
    """The pattern of each row, and the gauges of each pattern now, soon, fed and right."""
    network, state = space.network, space.conditions(switches)
    now, soon, fed = _lies(space, phase, state)
    rows, mended = space.set_right(switches)
    right = {gauge: lying.copy() for gauge, lying in fed.items()}
    for gauge, lying in _lies(space, phase, mended)[-1].items():
        # what has no power shows nothing until the switch is on again
        right[gauge][rows] = lying | _unpowered(network, gauge, state)[rows]
    columns = np.array([column for table in (now, soon, fed, right) for column in table.values()])
    # eight gauges are one number
    octets = np.packbits(columns, axis=0)
    of_row, first = number_codes([(octet, 256) for octet in octets], space.count)
    return {"of_row": of_row.astype(np.int32), "gauges": columns[:, first].T}


def _lies(space: HiddenSpace, phase: str, state: Mapping[str, Index]) -> tuple[dict[str, Index], ...]:
    """Give in which rows each gauge misleads now, soon, and soon counting what feeds it; bool (row,) each."""
    network, count = space.network, len(next(iter(state.values())))
    now = {gauge: _unpowered(network, gauge, state) for gauge in network.panel.gauges}
    soon = {gauge: dead.copy() for gauge, dead in now.items()}
    for facet, table in network.dials.items():
        gauge = facet.split(".")[0]
        lies = _lying_states(space, facet, phase)
        names = table.parents
        index = np.zeros(count, dtype=np.intp)
        for name, states in zip(names, lies.shape, strict=True):
            index *= states
            if name in state:
                index += state[name]
        found = lies.ravel().take(index)
        now[gauge] |= found
        soon[gauge] |= found
        for place, name in enumerate(names):
            if name in network.memories:
                moved = np.broadcast_to(lies.any(axis=place, keepdims=True), lies.shape)
                soon[gauge] |= space.running(name, state) & moved.ravel().take(index)
    fed = {gauge: lying.copy() for gauge, lying in soon.items()}
    spoilt = {source: _spoilt(space, source, phase) for source in network.sources}
    for gauge, lying in fed.items():
        for source in fed_by(network, gauge):
            lying |= spoilt[source][state[source]]
    return now, soon, fed


def _unpowered(network: Network, gauge: str, state: Mapping[str, Index]) -> Index:
    """In which rows a gauge has no power and so shows nothing; bool (row,)."""
    power = network.kb.gauges[gauge].power
    if power not in state:
        return np.zeros(len(next(iter(state.values()))), dtype=bool)
    return np.asarray(state[power] == len(network.states[power]) - 1)


def fed_by(network: Network, gauge: str) -> tuple[str, ...]:
    """Give the sources that an instrument takes its reading from (not those that it is there to tell of)."""
    known = network.kb.gauges[gauge]
    if not known.instrument:
        return ()
    names = (n for facet in known.facets for n in network.facets[f"{gauge}.{facet.id}"].parents)
    return tuple(n for n in dict.fromkeys(names) if n in network.sources and n not in known.tells_of)


def _spoilt(space: HiddenSpace, source: str, phase: str) -> Index:
    """Whether some instrument misleads by each condition of a source alone; bool (condition,)."""
    key = ("by a source", source, phase)
    found: Index = space.remembered("lying states", key, lambda: _spoilt_by(space, source, phase))
    return found


def _spoilt_by(space: HiddenSpace, source: str, phase: str) -> Index:
    network = space.network
    found = np.zeros(len(network.states[source]), dtype=bool)
    for facet, table in network.dials.items():
        if source not in fed_by(network, facet.split(".")[0]) or source not in table.parents:
            continue
        lies = _lying_states(space, facet, phase)
        for condition, name in enumerate(network.states[source]):
            places = []
            for parent in table.parents:
                if parent == source:
                    places.append([condition])
                elif parent in network.memories:
                    memory = network.memories[parent].memory
                    runs = memory.driver == source and name in memory.carry
                    places.append(list(range(len(memory.states))) if runs else [space.at_start(parent)])
                else:
                    places.append([0])
            found[condition] |= bool(lies[np.ix_(*places)].any())
    found[0] = False
    return found


def grade_of(network: Network, truth: float) -> Grade:
    """Give the grade of least expected cost for a chance of telling the truth."""
    costs = network.kb.grade_costs.values()
    best = min(costs, key=lambda c: truth * c.if_true + (1.0 - truth) * c.if_misleading)
    return best.grade


def suspicion(network: Network) -> float:
    """Chance of being misled from which the cost table no longer lets an instrument simply be used."""
    costs = network.kb.grade_costs
    use, verify = costs[Grade.USE.value], costs[Grade.VERIFY.value]
    spared, risked = verify.if_true - use.if_true, use.if_misleading - verify.if_misleading
    return spared / (spared + risked)


def graded(network: Network, lies: Misled, rows: Array) -> tuple[Trust, ...]:
    """Give every gauge's trust by the chances of the rows (row,) alone.

    A gauge that would serve once the pilot's slip is set right is no gauge to cover.
    """
    found = []
    chances = zip(*lies.chances(rows), *lies.relied_on(rows), strict=True)
    for gauge, each in zip(network.panel.gauges, chances, strict=True):
        now, soon, fed, right = (float(chance) for chance in each)
        grade, if_right = grade_of(network, fed), grade_of(network, right)
        if grade is Grade.COVER and if_right is not Grade.COVER:
            grade = Grade.VERIFY
        slip = grade is not Grade.USE and if_right is Grade.USE
        found.append(Trust(gauge=gauge, now=now, soon=soon, grade=grade, slip=slip))
    return tuple(found)


def trust(posterior: Posterior) -> tuple[Trust, ...]:
    """Give every instrument's chance of telling the truth now and soon, and its grade.

    What speaks against an instrument whatever the ranking says stands in ``why``: two independent working
    witnesses, a motion that is all but certain, one against what the bank is held by, or rotors that coast after a
    warning of lost suction or power.
    """
    space, network = posterior.space, posterior.space.network
    last = posterior.case.snapshot[-1]
    lies = misled(space, last.manoeuvre, network.switch_positions(last.switches))
    found = graded(network, lies, posterior.rows)
    doubted = [place for place, told in enumerate(found) if told.grade is not Grade.USE]
    blame = dict(zip(doubted, _blame(posterior, lies, doubted), strict=True))
    grades = {told.gauge: told.grade for told in found}
    unlit = dark(network, posterior.case)
    dead = unlit.keys() | {g for g in network.panel.gauges if _powerless(posterior, network.kb.gauges[g].power)}
    why = contradicted(network, posterior.case, grades, dead)
    by_hand = held(network, posterior.case, grades, dead)
    against = {**denied(network, posterior.case, posterior.motion), **by_hand, **why}
    why = {**against, **unlit, **by_hand, **why}
    warned = coasting(network, posterior.case, grades)
    for gauge, (_, says) in warned.items():
        why.setdefault(gauge, says)
    at_its_word = {name for name, _ in warned.values()} | by_hand.keys()
    answers = []
    for place, told in enumerate(found):
        known = network.kb.gauges[told.gauge]
        read = any(facet.split(".")[0] == told.gauge for facet in (*last.readings, *last.unsure))
        # nobody said that a horizon is in sight: what depends on it is not flown by
        if known.group == CHECKS or (known.unseen_in and not read):
            continue
        reason, grade = why.get(told.gauge, ""), told.grade
        if not reason and grade is Grade.USE and _weak(posterior, known.power) >= suspicion(network):
            reason = "its power is low"
        if not reason and grade_of(network, told.soon) is Grade.USE is not grade:
            reason = _shared_source(posterior, told.gauge)
        if (reason and grade is Grade.USE) or (told.gauge in at_its_word and grade is Grade.COVER):
            grade = Grade.VERIFY
        moving = any(f.split(".")[0] == told.gauge and network.facets[f].axes for f in last.readings)
        if told.gauge in unlit and not moving:
            grade = Grade.COVER
        answers.append(
            replace(
                told,
                grade=grade,
                blame=blame.get(place, ""),
                why=reason,
                slip=told.slip and told.gauge not in why,
                coasting=told.gauge in warned,
                denied=told.gauge in against,
            )
        )
    return tuple(answers)


def _powerless(posterior: Posterior, power: str) -> bool:
    """Whether a source of power is more likely gone than not."""
    chances = tuple(posterior.conditions(power).values()) if power in posterior.space.network.sources else (0.0,)
    return chances[-1] > MORE_LIKELY_THAN_NOT


def _weak(posterior: Posterior, power: str) -> float:
    """Chance that a source of power gives less than it should, though it gives some."""
    if power not in posterior.space.network.sources:
        return 0.0
    _, *between, _ = posterior.conditions(power).values()
    return sum(between)


def _shared_source(posterior: Posterior, gauge: str) -> str:
    """Name the source in doubt that an instrument shares with one that it makes mislead."""
    space, phase = (
        posterior.space,
        posterior.space.network.kb.manoeuvres[posterior.case.snapshot[-1].manoeuvre].phase,
    )
    state = space.conditions(space.network.switch_positions(posterior.case.snapshot[-1].switches))
    chances = {
        source: float(posterior.rows @ _spoilt(space, source, phase)[state[source]])
        for source in fed_by(space.network, gauge)
    }
    if not chances:
        return ""
    return (
        f"on the same {space.network.kb.sources[max(chances, key=lambda name: chances[name])].name} in doubt"
    )


def _blame(posterior: Posterior, lies: Misled, gauges: Sequence[int]) -> list[str]:
    """Give for each of these gauges the failure that counts most against it."""
    space = posterior.space
    misled_by = (posterior.rows * lies.fed[:, gauge].take(lies.of_row) for gauge in gauges)
    by_failure = [space.by_failure(space.by_set(rows)) for rows in misled_by]
    best = np.array([to_twelve_digits(chances).argmax() for chances in by_failure], dtype=np.intp)
    return [
        space.network.failures[place].id if chances[place] > 0.0 else ""
        for place, chances in zip(best.tolist(), by_failure, strict=True)
    ]
