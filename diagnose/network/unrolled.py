"""The network unrolled over the snapshots of a case, node by node, as tables for general inference libraries.

Built without the engine's enumeration, so that exact inference on it is a reference for the engine. Nodes are
named ``<id>_at_<snapshot>``; a facet's dot becomes ``_of_``.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from diagnose.model import CaseRecord, Failure, SnapshotRecord, System
from diagnose.network.engine import Engine
from diagnose.network.hidden import HiddenSpace, Step
from diagnose.network.kernels import memory_kernel
from diagnose.network.likelihood import matches
from diagnose.network.nodes import NO_YES, Tables, at, certain, chance_of
from diagnose.network.odds import Odds, odds_of, survival
from diagnose.network.readings import size_of
from diagnose.network.statements import agreement, groups_of, reading_index
from diagnose.network.tables import Motions, Network
from diagnose.network.telling import BENIGN, MISREADING, explained, odd_groups, straying_counts, untold


def build_tables(network: Network, case: CaseRecord) -> Tables:
    """Give all tables of the unrolled network, with the case's readings as evidence."""
    engine = Engine(network)
    odds = odds_of(network, case)
    steps = engine.steps(case)
    # one space that holds nothing but the empty set serves the engine's own memory kernels
    space = HiddenSpace(network, ((),))
    tables = Tables()
    strongest, rarest, tells = "", 1.0, ""
    for number, (snapshot, step) in enumerate(zip(case.snapshot, steps, strict=True), 1):
        earlier = steps[number - 2] if number > 1 else None
        _failures(tables, network, odds, number)
        _acting(tables, network, number, step, by_parts=False)
        _parts_without_cures(tables, network, number)
        _acting(tables, network, number, step, by_parts=True)
        _parts(tables, network, number)
        _memories_and_sources(tables, network, space, case, number, step, earlier)
        _motion(tables, network, odds, number, snapshot)
        _facets(tables, network, number, snapshot)
        _statements(tables, network, number, snapshot)
        strongest, rarity = _because(tables, network, odds, number, snapshot, step, strongest)
        rarest = min(rarest, rarity)
        if rarity < 1.0:
            tells = _silence(tables, network, odds, number, snapshot, step, tells)
    _weight(tables, network, odds, len(case.snapshot), strongest, rarest)
    return tables


def _failures(tables: Tables, network: Network, odds: Odds, number: int) -> None:
    """Failures begin and stay. What hastens or is hastened has a node at the start, snapshot 0, too."""
    known = {failure.id: place for place, failure in enumerate(network.failures)}
    causes_of = {f.id: [cause for cause in f.hastened_by if cause in known] for f in network.failures}
    tied = {name for name, causes in causes_of.items() if causes}.union(*causes_of.values())
    for name in sorted(known, key=lambda name: bool(causes_of[name])):
        here, place, causes = at(name, number), known[name], causes_of[name]
        begins = odds.begins_first if number == 1 else odds.begins[number - 2]
        if number == 1 and name in tied:
            tables.add(at(name, 0), NO_YES, (), np.array(chance_of(float(odds.latent[place]))))
        elif number == 1:
            tables.add(here, NO_YES, (), np.array(chance_of(float(odds.first[place]))))
            continue
        before = at(name, number - 1)
        factors = {
            cause: survival(
                float(begins[place]), network.failures[place].hastened_by[cause], float(begins[known[cause]])
            )
            for cause in causes
        }

        def rule(
            state: dict[str, str],
            before: str = before,
            factors: dict[str, tuple[float, float]] = factors,
            begins: float = float(begins[place]),
        ) -> list[float]:
            if state[before] == "yes":
                return chance_of(1.0)
            stays = 1.0 - begins
            for cause, (was, comes) in factors.items():
                if state[at(cause, number - 1)] == "yes":
                    stays *= was
                elif state[at(cause, number)] == "yes":
                    stays *= comes
            return chance_of(1.0 - stays)

        ties = [at(cause, when) for cause in causes for when in (number - 1, number)]
        tables.add_rule(here, NO_YES, (before, *ties), rule)


def _comes_and_goes(network: Network, failure_id: str) -> bool:
    failure = network.kb.failures[failure_id]
    return failure.acting < 1.0 or failure.cured_by is not None


def _acting(tables: Tables, network: Network, number: int, step: Step, by_parts: bool) -> None:
    """Whether each failure acts, of those whose cure needs a part or of those whose cure needs none."""
    for failure in network.failures:
        needy = failure.cured_by is not None and bool(failure.cured_by.needs)
        if not _comes_and_goes(network, failure.id) or needy is not by_parts:
            continue
        here, name = at(failure.id, number), at(f"{failure.id}_acts", number)
        if failure.acting < 1.0:
            tables.add_rule(
                name,
                NO_YES,
                (here,),
                lambda s, here=here, share=failure.acting: chance_of(share if s[here] == "yes" else 1.0),  # type: ignore[misc]
            )
            continue
        cure = failure.cured_by
        assert cure is not None
        needs = {n: w for n, w in cure.needs.items() if at(n, number) in tables.states}
        on, elapsed = cure.helps(step.switches), step.minutes_before + 0.5 * step.minutes
        alone = cure.cleared(elapsed, helped=False)
        cleared = cure.cleared(elapsed, helped=on, first=number == 1)
        back = cure.returned(elapsed, helped=on)
        past = (at(failure.id, number - 1), at(f"{failure.id}_acts", number - 1)) if number > 1 else ()

        def rule(
            state: dict[str, str],
            here: str = here,
            needs: dict[str, str] = needs,
            cleared: float = cleared,
            alone: float = alone,
            back: float = back,
            past: tuple[str, ...] = past,
        ) -> list[float]:
            if state[here] == "no":
                return chance_of(1.0)
            if past and state[past[0]] == "yes" and state[past[1]] == "no":
                return chance_of(back)
            works = all(state[at(name, number)] == wanted for name, wanted in needs.items())
            return chance_of(1.0 - (cleared if works else alone))

        tables.add_rule(name, NO_YES, (here, *past, *(at(n, number) for n in needs)), rule)


def _needed_by_cures(network: Network) -> list[str]:
    needed = {n for f in network.failures if f.cured_by is not None for n in f.cured_by.needs}
    return [part for part in network.parts if part in needed]


def _parts_without_cures(tables: Tables, network: Network, number: int) -> None:
    """Parts that a cure needs come first, because acting depends on them."""
    for part in _needed_by_cures(network):
        _part(tables, network, part, number)


def _parts(tables: Tables, network: Network, number: int) -> None:
    for part in network.parts:
        if at(part, number) not in tables.states:
            _part(tables, network, part, number)


def _part(tables: Tables, network: Network, part: str, number: int) -> None:
    """A chain of nodes, one for each failure of the part: the dominant condition shows."""
    conditions = network.states[part]
    failures = [failure for failure in network.failures if part in failure.acts]
    previous = ""
    for place, failure in enumerate(failures):
        last = place + 1 == len(failures)
        name = at(part, number) if last else at(f"{part}_by_{failure.id}", number)
        here = at(failure.id, number)
        acts = at(f"{failure.id}_acts", number) if _comes_and_goes(network, failure.id) else ""

        def rule(
            state: dict[str, str],
            here: str = here,
            acts: str = acts,
            previous: str = previous,
            shown: str = failure.acts[part],
        ) -> list[float]:
            present = state[here] == "yes" and (not acts or state[acts] == "yes")
            found = conditions.index(shown) if present else 0
            if previous:
                found = max(found, conditions.index(state[previous]))
            return certain(conditions, conditions[found])

        parents = [parent for parent in (previous, here, acts) if parent]
        tables.add_rule(name, conditions, parents, rule)
        previous = name
    if not failures:
        tables.add(at(part, number), conditions, (), np.array(certain(conditions, conditions[0])))


def _memories_and_sources(
    tables: Tables,
    network: Network,
    space: HiddenSpace,
    case: CaseRecord,
    number: int,
    step: Step,
    earlier: Step | None,
) -> None:
    waiting = [*network.sources, *network.memories]
    while waiting:
        for name in waiting:
            if name in network.memories:
                needs = [network.memories[name].memory.driver]
            else:
                needs = [n for rule in network.rules[name] for n in rule.when if n not in step.switches]
            if all(at(need, number) in tables.states for need in needs):
                break
        else:
            raise ValueError(f"sources and memories form a circle: {', '.join(waiting)}")
        waiting.remove(name)
        if name in network.memories:
            _memory(tables, network, space, case, name, number, step, earlier)
        else:
            _source(tables, network, name, number, step)


def _source(tables: Tables, network: Network, name: str, number: int, step: Step) -> None:
    rules = network.rules[name]
    conditions = network.states[name]
    parents = tuple(dict.fromkeys(n for rule in rules for n in rule.when if n not in step.switches))

    def rule(state: dict[str, str]) -> list[float]:
        known = {parent: state[at(parent, number)] for parent in parents} | dict(step.switches)
        for one in rules:
            if matches(one.when, known):
                return certain(conditions, one.gives)
        return certain(conditions, conditions[0])

    tables.add_rule(at(name, number), conditions, [at(parent, number) for parent in parents], rule)


def _memory(
    tables: Tables,
    network: Network,
    space: HiddenSpace,
    case: CaseRecord,
    name: str,
    number: int,
    step: Step,
    earlier: Step | None,
) -> None:
    memory = network.memories[name].memory
    states = network.states[name]
    driver = network.states[memory.driver]
    here = at(memory.driver, number)
    if earlier is None:
        rows = []
        for place, condition in enumerate(driver):
            if place > 0 and condition in memory.carry:
                spread = space.first_states(name, condition, step, case.minutes_since_start)
                rows.append(np.asarray(spread, dtype=np.float64))
            else:
                rows.append(np.array(certain(states, memory.start)))
        tables.add(at(name, number), states, (here,), np.array(rows))
        return
    kernel = memory_kernel(space, name, earlier, step)  # before, from, after, to, vertical
    parents = (at(memory.driver, number - 1), at(name, number - 1), here, at("vertical", number - 1))
    tables.add(at(name, number), states, parents, np.moveaxis(kernel, 3, 4))


def _motion(tables: Tables, network: Network, odds: Odds, number: int, snapshot: SnapshotRecord) -> None:
    motions = network.motions(snapshot.manoeuvre, odds.strayed)
    labels = tuple(f"m{place}" for place in range(motions.chance.shape[1]))
    kinds, first = np.unique(motions.alike, return_index=True)
    parents = tuple(at(part, number) for part in network.variation_parts)
    tables.add(
        at("moves", number), tuple(f"k{kind}" for kind in kinds), parents, np.eye(len(kinds))[motions.alike]
    )
    tables.add(at("motion", number), labels, (at("moves", number),), motions.chance[first])
    for axis in motions.axes:
        values = network.states[axis]
        tables.add(
            at(axis, number), values, (at("motion", number),), np.eye(len(values))[motions.values[axis]]
        )


def _facets(tables: Tables, network: Network, number: int, snapshot: SnapshotRecord) -> None:
    spoken = {*snapshot.readings, *snapshot.unsure}
    for first, second in snapshot.disagree:
        spoken.update(agreement(network, first, second)[:2])
    for name in sorted(spoken):
        table = network.facets[name]
        present = [parent for parent in table.parents if at(parent, number) in tables.states]
        absent = tuple(slice(None) if at(parent, number) in tables.states else 0 for parent in table.parents)
        parents = [at(parent, number) for parent in (*present, *table.axes)]
        tables.add(at(name, number), table.readings, parents, table.chance[absent])
        if (sizes := table.sizes) is not None:
            bins = tuple(f"bin_{place}" for place in range(sizes.shape[-1]))
            tables.add(at(f"{name}.size", number), bins, parents, sizes[absent])


def _statements(tables: Tables, network: Network, number: int, snapshot: SnapshotRecord) -> None:
    for name, reading in snapshot.readings.items():
        reading_index(network, name, reading)
        known = network.facet(name)
        if known.sizes and (size := size_of(known, reading)) is not None:
            tables.evidence[at(f"{name}.size", number)] = f"bin_{np.digitize(size, known.sizes.edges)}"
            continue
        tables.evidence[at(name, number)] = reading
    for name, (reading, sure) in snapshot.unsure.items():
        readings = network.facets[name].readings
        weights = np.full(len(readings), (1.0 - sure) / max(len(readings) - 1, 1))
        weights[reading_index(network, name, reading)] = sure
        said = at(f"{name}.said", number)
        tables.add(said, NO_YES, (at(name, number),), np.stack([1.0 - weights, weights], axis=1))
        tables.evidence[said] = "yes"
    for place, (first, second) in enumerate(snapshot.disagree):
        a, b, chance = agreement(network, first, second)
        said = at(f"disagree_{place}", number)
        tables.add(said, NO_YES, (at(a, number), at(b, number)), np.stack([1.0 - chance, chance], axis=-1))
        tables.evidence[said] = "yes"


EXPLANATIONS = ("misreading", "benign", "failure")


def _because(
    tables: Tables,
    network: Network,
    odds: Odds,
    number: int,
    snapshot: SnapshotRecord,
    step: Step,
    strongest: str,
) -> tuple[str, float]:
    """What explains each odd reading, and the strongest so far: a chain of nodes.

    Gives the last of the chain, and the smallest chance of an odd reading with nothing failed as a share of
    ``odd_below``. The chances of an explanation hold for what was said, which is evidence.
    """
    below = network.kb.limits.odd_below
    odd = odd_groups(HiddenSpace(network, ((),), odds.strayed), snapshot, step.switches)
    if odds.told is None or not odd:
        return strongest, 1.0
    motions = network.motions(snapshot.manoeuvre, odds.strayed)
    first = np.unique(motions.alike, return_index=True)[1]
    slight, benign = (straying_counts(motions, first, most) for most in (MISREADING, BENIGN))
    tables.add(
        at("strayed", number),
        EXPLANATIONS,
        (at("moves", number), at("motion", number)),
        np.stack([slight, benign & ~slight, ~(benign | slight)], axis=-1),
    )
    for place, group in enumerate(groups_of(network, snapshot)):
        if group.facets not in odd:
            continue
        names = dict.fromkeys(n for facet in group.facets for n in network.facets[facet].parents)
        parents = [name for name in names if at(name, number) in tables.states]
        axes = list(dict.fromkeys(axis for facet in group.facets for axis in network.facets[facet].axes))
        grids = [
            np.indices(sizes).reshape(len(sizes), math.prod(sizes))
            for sizes in ([len(network.states[n]) for n in each] for each in (parents, axes))
        ]
        here = Motions(
            axes=tuple(axes),
            values=dict(zip(axes, grids[1], strict=True)),
            chance=np.ones((1, max(grids[1].shape[1], 1))),
        )
        state = dict(zip(parents, grids[0], strict=True)) or {"": np.zeros(1, dtype=int)}
        shares = explained(network, group, state, step.switches, here, snapshot.manoeuvre)
        parts_of = np.stack([shares.misread, shares.benign, shares.failed, shares.strayed], axis=-1)
        total = parts_of.sum(axis=-1, keepdims=True)
        parts_of = np.where(total > 0.0, parts_of / np.where(total > 0.0, total, 1.0), [1.0, 0.0, 0.0, 0.0])
        why = parts_of[..., :3]
        if axes:  # without axes no straying makes a difference
            why = why[..., None, :] + parts_of[..., None, 3:] * np.eye(3)
        name = at(f"why_{place}", number)
        nodes = [at(name_, number) for name_ in (*parents, *axes)]
        tables.add(name, EXPLANATIONS, [*nodes, at("strayed", number)] if axes else nodes, why)
        if strongest:
            following = at(f"strongest_{place}", number)
            tables.add_rule(
                following,
                EXPLANATIONS,
                (strongest, name),
                lambda s: certain(EXPLANATIONS, max(s.values(), key=EXPLANATIONS.index)),
            )
            strongest = following
        else:
            strongest = name
    return strongest, min(odd.values()) / below


def _silence(
    tables: Tables,
    network: Network,
    odds: Odds,
    number: int,
    snapshot: SnapshotRecord,
    step: Step,
    tells: str,
) -> str:
    """What silence says: a pilot who tells of all that is odd, or chooses once, and each silent dial, odd or not.

    Gives the pilot's node, made where something odd is told for the first time.
    """
    space = HiddenSpace(network, ((),), odds.strayed)
    odd = odd_groups(space, snapshot, step.switches)
    if odds.told is None or not odds.told.also:
        return tells
    silent = untold(space, snapshot, step.switches, [f for facets in odd for f in facets])
    first = not tells
    if first:
        tells = at("tells_all", number)
        tables.add(tells, NO_YES, (), np.array(chance_of(odds.told.also)))
    dials = []
    for groups in silent.usual:
        facets = []
        for group in groups:
            table = network.facets[group.facets[0]]
            known = [at(parent, number) in tables.states for parent in table.parents]
            usual = table.chance[tuple(slice(None) if here else 0 for here in known)] @ group.weights[0]
            sound = usual
            for axis, parent in enumerate(n for n, here in zip(table.parents, known, strict=True) if here):
                if parent not in network.parts or network.kb.parts[parent].system not in (
                    System.AIR,
                    System.PILOT,
                ):
                    sound = sound.take([int(network.sound(step.switches)[parent][0])], axis=axis)
            by_failures = 1.0 - np.maximum(sound - usual, 0.0)  # broadcast: the same for all that is set right
            # what he does not know of is odd on every dial
            usual = np.stack([by_failures, by_failures, usual], axis=-1)
            parents = [at(n, number) for n in (*table.parents, *table.axes) if at(n, number) in tables.states]
            parents.append(at("strayed", number))
            facets.append(at(f"{table.facet}.odd", number))
            tables.add(facets[-1], NO_YES, parents, np.stack([usual, 1.0 - usual], axis=-1))
        dials.append(at(f"{groups[0].facets[0].split('.')[0]}_odd", number))
        tables.add_rule(
            dials[-1], NO_YES, facets, lambda s: certain(NO_YES, max(s.values(), key=NO_YES.index))
        )

    def rule(state: dict[str, str]) -> list[float]:
        left_out = sum(state[dial] == "yes" for dial in dials)
        if state[tells] == "yes":
            return chance_of(float(not left_out))
        return chance_of(1.0 / math.comb(silent.named + left_out, silent.named) if first else 1.0)

    if dials:
        said = at("left_out", number)
        tables.add_rule(said, NO_YES, (tells, *dials), rule)
        tables.evidence[said] = "yes"
    return tells


def _weight(tables: Tables, network: Network, odds: Odds, last: int, strongest: str, rarest: float) -> None:
    """Why it was told: a statement whose chance depends on what explains the odd readings, and what is there.

    As ``Engine._told`` in units of 1 / weight; without an odd reading the setting's weight alone.
    """
    unsaid = rarest**network.kb.limits.odd_fades if strongest else 1.0
    loud = _any_of(tables, network, "noticeable_by", last, lambda failure: not failure.silent)
    spoken = {network.failures[place].id for place in odds.unsaid} if strongest else set()
    unsaid_air = _any_of(tables, network, "unsaid_by", last, lambda failure: failure.id in spoken)
    top = max(odds.weight, 1.0)
    parents = [parent for parent in (strongest, loud, unsaid_air) if parent]
    if not parents or (not strongest and odds.weight == 1.0):
        return

    def chance(state: dict[str, str]) -> list[float]:
        weight = odds.weight if loud and state[loud] == "yes" else 1.0
        told = odds.told
        if not strongest or told is None:
            return chance_of(weight / top)
        slight = told.misreading / told.failure
        quiet = bool(unsaid_air) and state[unsaid_air] == "yes"
        shares = (slight, slight if quiet else told.benign / told.failure, 1.0)
        told_here = shares[EXPLANATIONS.index(state[strongest])]
        return chance_of(min(((1.0 - unsaid) * odds.weight * told_here + unsaid * weight) / top, 1.0))

    tables.add_rule(at("noticed", last), NO_YES, parents, chance)
    tables.evidence[at("noticed", last)] = "yes"


def _any_of(tables: Tables, network: Network, what: str, last: int, wanted: Callable[[Failure], bool]) -> str:
    """A chain of nodes that tells whether any of the wanted failures is there; its last node."""
    previous = ""
    for failure in network.failures:
        if not wanted(failure):
            continue
        name = at(f"{what}_{failure.id}", last)
        parents = [parent for parent in (previous, at(failure.id, last)) if parent]
        tables.add_rule(name, NO_YES, parents, lambda s: chance_of(float("yes" in s.values())))
        previous = name
    return previous
