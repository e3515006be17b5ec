"""From the posterior to what to do: which instruments to use, and what to fly on.

An instrument misleads in a state in which its readings differ from the healthy ones by more than the
stated distance (total variation), in a motion that this flight can meet. Its grade is the one of least
expected cost by the table in ``knowledge/engine.toml``.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from diagnose.answer import Answer, AxisAdvice, Ranked, Trust
from diagnose.evidence import reading_index
from diagnose.guidance import CHECKS
from diagnose.hidden import HiddenSpace, number_codes
from diagnose.inference import Posterior, to_twelve_digits
from diagnose.model import (
    AxisUse,
    CaseRecord,
    FailureKind,
    Grade,
    MemoryKind,
    NormalEffect,
    SnapshotRecord,
)
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
    network, state = space.network, space.conditions(switches)
    now, soon, fed = _lies(space, phase, state)
    rows, mended = space.set_right(switches)
    right = {gauge: lying.copy() for gauge, lying in fed.items()}
    for gauge, lying in _lies(space, phase, mended)[-1].items():
        # what has no power shows nothing until the switch is on again
        right[gauge][rows] = lying | _unpowered(network, gauge, state)[rows]
    tables = (now, soon, fed, right)
    columns = [column for table in tables for column in table.values()]
    of_row, first = number_codes([(column, 2) for column in columns], space.count)
    every = np.stack(columns, axis=1)[first].astype(np.float64)
    parts = np.split(every, len(tables), axis=1)
    return Misled(of_row=of_row, now=parts[0], soon=parts[1], fed=parts[2], right=parts[3])


def _lies(space: HiddenSpace, phase: str, state: Mapping[str, Index]) -> tuple[dict[str, Index], ...]:
    """Give in which rows each gauge misleads now, soon, and soon counting what feeds it; bool (row,) each."""
    network, count = space.network, len(next(iter(state.values())))
    now = {gauge: _unpowered(network, gauge, state) for gauge in network.panel.gauges}
    soon = {gauge: dead.copy() for gauge, dead in now.items()}
    for facet, table in network.dials.items():
        gauge = facet.split(".")[0]
        lies = _lying_states(space, facet, phase)
        names = table.parents
        index = tuple(state.get(name, np.zeros(count, dtype=np.int8)) for name in names)
        found = lies[index]
        now[gauge] |= found
        soon[gauge] |= found
        for place, name in enumerate(names):
            if name in network.memories:
                moved = np.broadcast_to(lies.any(axis=place, keepdims=True), lies.shape)
                soon[gauge] |= space.running(name, state) & moved[index]
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
    witnesses, or rotors that coast after a warning of lost suction or power.
    """
    space, network = posterior.space, posterior.space.network
    last = posterior.case.snapshot[-1]
    lies = misled(space, last.manoeuvre, network.switch_positions(last.switches))
    found = graded(network, lies, posterior.rows)
    doubted = [place for place, told in enumerate(found) if told.grade is not Grade.USE]
    blame = dict(zip(doubted, _blame(posterior, lies, doubted), strict=True))
    grades = {told.gauge: told.grade for told in found}
    why = contradicted(network, posterior.case, grades)
    unlit = dark(network, posterior.case)
    why = {**unlit, **why}
    warned = coasting(network, posterior.case, grades)
    for gauge, (_, says) in warned.items():
        why.setdefault(gauge, says)
    at_its_word = {name for name, _ in warned.values()}
    met = set(posterior.case.context)
    answers = []
    for place, told in enumerate(found):
        known = network.kb.gauges[told.gauge]
        read = any(facet.split(".")[0] == told.gauge for facet in (*last.readings, *last.unsure))
        if known.group == CHECKS or (met & set(known.unseen_in) and not read):
            continue
        reason, grade = why.get(told.gauge, ""), told.grade
        if not reason and grade_of(network, told.soon) is Grade.USE is not grade:
            reason = _shared_source(posterior, told.gauge)
        if (reason and grade is Grade.USE) or (told.gauge in at_its_word and grade is Grade.COVER):
            grade = Grade.VERIFY
        if told.gauge in unlit and not read:
            grade = Grade.COVER
        answers.append(
            replace(
                told,
                grade=grade,
                blame=blame.get(place, ""),
                why=reason,
                slip=told.slip and told.gauge not in why,
                coasting=told.gauge in warned,
            )
        )
    return tuple(answers)


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
    """Give for each of these gauges the failure that speaks most against it."""
    space = posterior.space
    weight = np.array([posterior.rows * lies.fed[:, gauge][lies.of_row] for gauge in gauges])
    by_failure = space.by_set(weight.reshape(-1, space.count)) @ space.member_weights
    best = to_twelve_digits(by_failure).argmax(axis=1)
    return [
        space.network.failures[place].id if chances[place] > 0.0 else ""
        for place, chances in zip(best.tolist(), by_failure, strict=True)
    ]


# ------------------------------------------------------------------ witnesses


def _upstream(network: Network, names: Iterable[str]) -> set[str]:
    """Give these sources and memories and all sources that they follow from."""
    found: set[str] = set()
    waiting = [name for name in names if name in network.sources or name in network.memories]
    while waiting:
        name = waiting.pop()
        if name in found:
            continue
        found.add(name)
        if name in network.memories:
            asked = {network.memories[name].memory.driver}
        else:
            asked = {other for rule in network.rules[name] for other in rule.when}
        waiting += [other for other in asked if other in network.sources or other in network.memories]
    return found & set(network.sources)


def measures_by(network: Network, gauge: str) -> set[str]:
    """Give all sources, near and far, that a gauge's reading rests on, but for the power that it runs on.

    Two gauges are independent witnesses if they share none: power that fails shows as a dead gauge.
    """
    known = network.kb.gauges[gauge]
    parents = [n for facet in known.facets for n in network.facets[f"{gauge}.{facet.id}"].parents]
    powers = _upstream(network, [known.power]) if known.power else set()
    return _upstream(network, [n for n in parents if n not in known.tells_of]) - powers


def tells(network: Network, manoeuvre_id: str, facet: str, reading: str) -> dict[str, str]:
    """Say of which motion axis a reading of a sound gauge speaks most clearly, and for which value of it."""
    table, manoeuvre = network.facets[facet], network.kb.manoeuvres[manoeuvre_id]
    gauge, name = facet.split(".")
    if manoeuvre.phase != "air" and any(f.aloft for f in network.kb.gauges[gauge].facets if f.id == name):
        return {}
    chance = network.healthy_chance(facet)[..., reading_index(network, facet, reading)]
    usual = [network.states[axis].index(manoeuvre.expected[axis]) for axis in table.axes]
    clearest, found = network.kb.strengths["clear"].from_factor, {}
    for place, axis in enumerate(table.axes):
        along = chance[tuple(slice(None) if p == place else at for p, at in enumerate(usual))]
        *_, second, best = np.sort(along).tolist()
        if best >= clearest * second:
            clearest, found = best / second, {axis: network.states[axis][int(along.argmax())]}
    return found


def contradicted(network: Network, case: CaseRecord, grades: Mapping[str, Grade]) -> dict[str, str]:
    """Name the instruments that two independent working witnesses contradict in the last snapshot, and these.

    A witness works if its grade is not "cover". The two say the same of the motion, or are both said to disagree.
    """
    kb, last = network.kb, case.snapshot[-1]
    said: dict[str, dict[str, str]] = {}
    for facet, reading in last.readings.items():
        gauge = facet.split(".")[0]
        if facet in network.dials:
            said.setdefault(gauge, {}).update(tells(network, last.manoeuvre, facet, reading))
    against: dict[str, list[tuple[str, str]]] = {}
    for one, other in itertools.permutations(said, 2):
        axes = said[one].keys() & said[other].keys()
        against.setdefault(one, []).extend(
            (other, f"{axis} {said[other][axis]}")
            for axis in sorted(axes)
            if said[one][axis] != said[other][axis]
        )
    for pair in last.disagree:
        for one, other in (pair, pair[::-1]):
            against.setdefault(one, []).append((other, "disagrees"))
    found = {}
    for gauge, witnesses in against.items():
        working = [w for w in dict.fromkeys(witnesses) if grades.get(w[0], Grade.USE) is not Grade.COVER]
        for (one, says), (other, also) in itertools.combinations(working, 2):
            apart = [measures_by(network, name) for name in (gauge, one, other)]
            shared = any(a & b for a, b in itertools.combinations(apart, 2))
            if says == also and one != other and not shared:
                found[gauge] = f"the {kb.gauges[one].name} and the {kb.gauges[other].name} contradict it"
                break
    return found


def dark(network: Network, case: CaseRecord) -> dict[str, str]:
    """Name the gauges whose power was last seen to be lost, and by what."""
    found = {}
    for gauge in network.dial_gauges:
        power = network.kb.gauges[gauge].power
        if power in network.sources and (seen := seen_lost(network, case, power)) and seen[1] != gauge:
            found[gauge] = f"no power: {seen[2]}"
    return found


def coasting(network: Network, case: CaseRecord, grades: Mapping[str, Grade]) -> dict[str, tuple[str, str]]:
    """Name the gyros whose supply was last seen to be lost, though they may still look right: by what, and say so.

    Rotors coast: until ``limits.coast_minutes`` of agreement with an independent witness a lost supply is taken
    at its word, whatever the ranking says of the gauge that showed it.
    """
    found = {}
    for gauge in network.dial_gauges:
        parents = [
            n for f in network.kb.gauges[gauge].facets for n in network.facets[f"{gauge}.{f.id}"].parents
        ]
        rotors = [
            n
            for n in parents
            if n in network.memories and network.memories[n].memory.kind is MemoryKind.ROTOR
        ]
        if not rotors or not network.kb.gauges[gauge].instrument:
            continue
        supply = _upstream(network, rotors)
        warned = [warning for source in sorted(supply) if (warning := seen_lost(network, case, source))]
        if not warned:
            continue
        at, name, says = min(warned)
        minutes = sum(s.minutes + s.minutes_before for s in case.snapshot[at + 1 :])
        agreed = _agrees(network, case, gauge, grades) or _supplied(network, case, supply, name)
        if minutes < network.kb.limits.coast_minutes or not agreed:
            found[gauge] = name, f"{says}: its rotor may be coasting"
    return found


def seen_lost(network: Network, case: CaseRecord, source: str) -> tuple[int, str, str] | None:
    """Give since which snapshot, and by what, a source's own gauges have shown it to be lost; None if not."""
    kb = network.kb
    for name in network.dial_gauges:
        told = kb.gauges[name].tells_of
        if source not in told:
            continue
        for facet in (f"{name}.{facet.id}" for facet in kb.gauges[name].facets):
            since = None
            for number, snapshot in enumerate(case.snapshot):
                reading = snapshot.readings.get(facet)
                if reading is None:
                    continue
                if not _speaks_of_loss(network, snapshot, facet, reading, source):
                    since = None
                elif since is None:
                    since = number
            if since is not None:
                reading = next(s.readings[facet] for s in case.snapshot[since:] if facet in s.readings)
                return since, name, f"{kb.gauges[name].name} {reading.replace('_', ' ')}"
    return None


def _speaks_of_loss(
    network: Network,
    snapshot: SnapshotRecord,
    facet: str,
    reading: str,
    source: str,
    *,
    against: bool = False,
) -> bool:
    """Whether a reading speaks clearly for a lost source, and not for a part that the gauge tells of as well.

    ``against``: clearly for a source that is there.
    """
    known, switches = network.worked_out, tuple(sorted(snapshot.switches.items()))
    key = (snapshot.manoeuvre, switches, facet, reading, source, against)
    if key not in known:
        known[key] = _speaks(network, snapshot, facet, reading, source, against)
    return known[key]


def _speaks(
    network: Network, snapshot: SnapshotRecord, facet: str, reading: str, source: str, against: bool
) -> bool:
    table, clear = network.facets[facet], network.kb.strengths["clear"].from_factor
    if source not in table.parents:
        return False
    expected = network.kb.manoeuvres[snapshot.manoeuvre].expected
    told = network.kb.gauges[facet.split(".")[0]].tells_of
    switches = network.switch_positions(snapshot.switches)
    axes = tuple(network.states[axis].index(expected[axis]) for axis in table.axes)
    gone = len(network.states[source]) - 1

    def chance(given: Mapping[str, Index], lost: bool) -> float:
        state = network.conditions(given, switches, 1)
        at = [int(state[name][0]) if name in state else 0 for name in table.parents]
        place = table.parents.index(source)
        if lost:
            at[place] = gone
        elif at[place] == gone:
            return 0.0
        return float(table.chance[(*at, *axes, reading_index(network, facet, reading))])

    parts = [name for name in told if name in network.parts]
    there = max(
        [chance({}, lost=False)]
        + [
            chance({name: np.array([place], dtype=np.int8)}, lost=False)
            for name in parts
            for place in range(1, len(network.states[name]))
        ]
    )
    lost = chance({}, lost=True)
    return there >= clear * lost if against else lost >= clear * there


def _supplied(network: Network, case: CaseRecord, supply: set[str], but: str) -> bool:
    """Whether another gauge than the one that warned shows in the last snapshot that the supply is there."""
    last = case.snapshot[-1]
    return any(
        facet in network.dials
        and gauge != but
        and source in network.kb.gauges[gauge].tells_of
        and _speaks_of_loss(network, last, facet, reading, source, against=True)
        for facet, reading in last.readings.items()
        for gauge in (facet.split(".")[0],)
        for source in supply
    )


def _agrees(network: Network, case: CaseRecord, gauge: str, grades: Mapping[str, Grade]) -> bool:
    """Whether an independent working witness says the same of the motion in the last snapshot."""
    last = case.snapshot[-1]

    def said(name: str) -> set[tuple[str, str]]:
        return {
            item
            for facet, reading in last.readings.items()
            if facet.split(".")[0] == name
            for item in tells(network, last.manoeuvre, facet, reading).items()
        }

    own, rests_on = said(gauge), measures_by(network, gauge)
    return any(
        own & said(other)
        for other in network.dial_gauges
        if other != gauge
        and grades.get(other) is not Grade.COVER
        and not rests_on & measures_by(network, other)
    )


# ------------------------------------------------------------------ partial panel


def partial_panel(
    network: Network, manoeuvre_id: str, trusts: tuple[Trust, ...], *, read: bool = True
) -> tuple[AxisAdvice, ...]:
    """Give for each axis of control what to fly on in this manoeuvre.

    With nothing ``read`` nothing speaks against an instrument: it is the handbook's table. An instrument that
    is out is replaced by a second one of its kind first.
    """
    kb = network.kb
    manoeuvre = kb.manoeuvres[manoeuvre_id]
    grades = {t.gauge: t.grade for t in trusts if t.gauge in network.panel.gauges}
    if not read:
        grades = dict.fromkeys(grades, Grade.USE)
    least, out = kb.limits.nearly_sure, Grade.COVER
    doubted = [t for t in trusts if grades.get(t.gauge) is Grade.VERIFY]
    nearly = {t.gauge for t in doubted if t.soon >= least or t.slip}
    uses = {"pitch": manoeuvre.pitch, "bank": manoeuvre.bank, "power": manoeuvre.power}
    answers = []
    for axis in AXES_OF_CONTROL:
        use = uses.get(axis) or (AxisUse(primary="heading") if axis == "heading" else None)
        if use is None:
            continue
        stand_ins = [s for s in kb.substitutes.values() if s.axis == axis]
        usual = (use.primary, *use.supporting)
        # an instrument that is all but surely right, or wrong by a setting alone, is not given up for less
        good = [g for g in usual if grades.get(g) is Grade.USE or g in nearly]
        if len(good) < len(usual):
            seconds = {s.second_to: s.gauge for s in kb.substitutes.values() if s.second_to}
            own = [g if g in good else seconds.get(g, g) for g in usual]
            candidates = [*own, *usual, *(s.gauge for s in stand_ins)]
            good = [g for g in dict.fromkeys(candidates) if grades.get(g) is Grade.USE or g in nearly]
            doubtful = [
                g for g in dict.fromkeys(candidates) if grades.get(g) is Grade.VERIFY and g not in nearly
            ]
        else:
            doubtful = []
        primary = (good or doubtful or [""])[0]
        hows = (
            s.how
            for s in stand_ins
            if s.gauge == primary and all(grades.get(g, out) is not out for g in s.uses)
        )
        how = next(hows, "")
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
        axes=partial_panel(network, last.manoeuvre, trusts, read=anything_read(posterior.case)),
        manoeuvre=last.manoeuvre,
        notes=_notes(network, posterior),
    )


def anything_read(case: CaseRecord) -> bool:
    """Whether a gauge was read at all."""
    return any(s.readings or s.unsure or s.disagree for s in case.snapshot)


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
    """Normal effects that the last snapshot's readings may be, where their condition holds."""
    effects = network.kb.effects.values()
    return tuple(f"{effect.name}: {effect.says}" for effect in effects if _fits(network, posterior, effect))


def _fits(network: Network, posterior: Posterior, effect: NormalEffect) -> bool:
    """Whether an effect's readings are there, its condition holds, and nothing that feeds its gauge has failed."""
    case, limits = posterior.case, network.kb.limits
    *before, last = case.snapshot
    earlier = before[-1] if before else None
    return (
        all(last.readings.get(facet) == reading for facet, reading in effect.when.items())
        and (not effect.manoeuvres or last.manoeuvre in effect.manoeuvres)
        and (not effect.after or (earlier is not None and earlier.manoeuvre in effect.after))
        and last.minutes + last.minutes_before * bool(effect.after) <= effect.most_minutes
        and (not effect.context or bool(set(effect.context) & set(case.context)))
        and set(effect.parts) <= set(network.parts)
        and all(posterior.motion[axis].get(v, 0.0) >= limits.decided for axis, v in effect.motion.items())
        and all(posterior.conditions(part).get(c, 0.0) >= limits.decided for part, c in effect.likely.items())
        and all(
            last.switches.get(name) == to and (earlier is None or earlier.switches.get(name) != to)
            for name, to in effect.moved.items()
        )
        and (effect.passing or _feeds_fail(posterior, effect.gauge) < 1.0 - limits.decided)
    )


def _feeds_fail(posterior: Posterior, gauge: str) -> float:
    """Chance of a failure (no look-alike) of the gauge or of anything that it rests on or tells of."""
    network = posterior.space.network
    if gauge not in network.panel.gauges:
        return 1.0
    parents = [n for f in network.kb.gauges[gauge].facets for n in network.facets[f"{gauge}.{f.id}"].parents]
    sources = _upstream(network, parents)
    parts = {n for n in parents if n in network.parts}
    parts |= {
        n for source in sources for rule in network.rules[source] for n in rule.when if n in network.parts
    }
    failing = [f.kind is FailureKind.FAILURE and bool(parts & f.acts.keys()) for f in network.failures]
    return posterior.any_of(failing)
