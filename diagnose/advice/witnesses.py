"""What the instruments say of each other, whatever the ranking says: independent witnesses, warnings of loss."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterable, Mapping

import numpy as np

from diagnose.model import CaseRecord, Grade, MemoryKind, SnapshotRecord
from diagnose.network.statements import reading_index
from diagnose.network.tables import Index, Network

MORE_LIKELY_THAN_NOT = 0.5


def upstream(network: Network, names: Iterable[str]) -> set[str]:
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
    powers = upstream(network, [known.power]) if known.power else set()
    return upstream(network, [n for n in parents if n not in known.tells_of]) - powers


def tells(network: Network, manoeuvre_id: str, facet: str, reading: str) -> dict[str, str]:
    """Say of which motion axis a reading of a healthy gauge speaks, and for which value of it.

    Of the axes that it speaks clearly of, it is the one along which the reading becomes likeliest.
    """
    table, manoeuvre = network.facets[facet], network.kb.manoeuvres[manoeuvre_id]
    gauge, name = facet.split(".")
    if manoeuvre.phase != "air" and any(f.aloft for f in network.kb.gauges[gauge].facets if f.id == name):
        return {}
    chance = network.healthy_chance(facet)[..., reading_index(network, facet, reading)]
    usual = [network.states[axis].index(manoeuvre.expected[axis]) for axis in table.axes]
    clear, likeliest, found = network.kb.strengths["clear"].from_factor, 0.0, {}
    for place, axis in enumerate(table.axes):
        along = chance[tuple(slice(None) if p == place else at for p, at in enumerate(usual))]
        *_, second, best = np.sort(along).tolist()
        if best >= clear * second and best > likeliest:
            likeliest, found = best, {axis: network.states[axis][int(along.argmax())]}
    return found


def contradicted(
    network: Network, case: CaseRecord, grades: Mapping[str, Grade], dead: Collection[str]
) -> dict[str, str]:
    """Name the instruments that two independent working witnesses contradict in the last snapshot, and these.

    A witness works if it is not ``dead`` (without power), and of the two one at least is not to be covered: the ranking may have blamed
    the other for this very contradiction. The two say the same of the motion, or are both said to disagree,
    and share no source with each other; one that shares a source with what it contradicts is no worse for that.
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
        working = [w for w in dict.fromkeys(witnesses) if w[0] not in dead]
        for (one, says), (other, also) in itertools.combinations(working, 2):
            shared = measures_by(network, one) & measures_by(network, other)
            covered = grades.get(one) is Grade.COVER is grades.get(other)
            if says == also and one != other and not shared and not covered:
                found[gauge] = f"the {kb.gauges[one].name} and the {kb.gauges[other].name} contradict it"
                break
    return found


#: chances of the values of each motion axis
Motion = Mapping[str, Mapping[str, float]]
MOTION_WORDS = {
    "turn": {
        "left": "you are turning left",
        "right": "you are turning right",
        "straight": "you are flying straight",
    },
    "vertical": {"up": "you are climbing", "down": "you are descending", "level": "you are level"},
}


def strayed(network: Network, case: CaseRecord, motion: Motion) -> str:
    """Say in which way the aircraft all but certainly does something else than was meant, if it does."""
    meant = network.kb.manoeuvres[case.snapshot[-1].manoeuvre].expected
    said = (MOTION_WORDS[axis][now] for axis, now in _sure(network, motion).items() if now != meant[axis])
    return " and ".join(said)


def denied(network: Network, case: CaseRecord, motion: Motion) -> dict[str, str]:
    """Name the instruments whose last reading shows another turn or climb than is all but certain, and which it is."""
    last, sure = case.snapshot[-1], _sure(network, motion)
    return {
        facet.split(".")[0]: f"it does not show it: {MOTION_WORDS[axis][sure[axis]]}"
        for facet, reading in last.readings.items()
        if facet in network.dials
        for axis, value in tells(network, last.manoeuvre, facet, reading).items()
        if sure.get(axis, value) != value
    }


def _sure(network: Network, motion: Motion) -> dict[str, str]:
    return {
        axis: value
        for axis in MOTION_WORDS
        for value, chance in motion[axis].items()
        if chance >= network.kb.limits.decided
    }


def held(
    network: Network, case: CaseRecord, grades: Mapping[str, Grade], dead: Collection[str]
) -> dict[str, str]:
    """Name what is to be covered on the word of the instruments that the bank is held by alone, and these.

    With no horizon in sight a gyro that dies is followed, and so it goes on showing what was meant: that it does
    is no word against an instrument on another supply that shows another turn, until a third one decides; less still
    is it if nothing else was read.
    """
    kb, last = network.kb, case.snapshot[-1]
    manoeuvre = kb.manoeuvres[last.manoeuvre]
    blind = any(set(case.context) & set(kb.gauges[g].unseen_in) for g in network.dial_gauges)
    if manoeuvre.bank is None or manoeuvre.phase != "air" or not blind:
        return {}
    flown_by, meant = {manoeuvre.bank.primary, *manoeuvre.bank.supporting}, manoeuvre.expected["turn"]
    usual = network.expected_readings(last.manoeuvre, last.switches)
    odd = [facet for facet, reading in last.readings.items() if usual.get(facet) != reading]
    said = {
        facet: turn
        for facet, reading in last.readings.items()
        if facet in network.dials
        and facet.split(".")[0] not in dead
        and (turn := tells(network, last.manoeuvre, facet, reading).get("turn")) is not None
    }
    shows_it = {
        gauge: measures_by(network, gauge)
        for gauge in dict.fromkeys(facet.split(".")[0] for facet, turn in said.items() if turn == meant)
    }
    found: dict[str, str] = {}
    others = dict.fromkeys(facet.split(".")[0] for facet, turn in said.items() if turn != meant)
    for gauge in (gauge for gauge in others if grades.get(gauge) is Grade.COVER):
        rests_on = measures_by(network, gauge)
        power = kb.gauges[gauge].power
        # what warned that its supply is lost contradicts it as well
        if any(
            seen_lost(network, case, supply) for supply in (*rests_on, power) if supply in network.sources
        ):
            continue
        # one that shares a source with what it contradicts is no worse for that, but it is no holder against it
        holding = {g for g, on in shows_it.items() if g in flown_by and not on & rests_on}
        supply = set().union(*(shows_it[g] for g in holding))
        third = any(not on & supply for g, on in shows_it.items() if g not in holding)
        if not shows_it and all(facet in said and facet.startswith(f"{gauge}.") for facet in odd):
            found[gauge] = "nothing contradicts it but what was meant"
        if not holding or third:
            continue
        named = " and the ".join(kb.gauges[g].name for g in sorted(holding))
        found[gauge] = f"nothing contradicts it but the {named}, which the bank is held by"
        says = (
            f"the {kb.gauges[gauge].name} contradicts it, and what the bank is held by shows what was meant"
        )
        found |= dict.fromkeys(holding, says)
    return found


def dark(network: Network, case: CaseRecord) -> dict[str, str]:
    """Name the gauges whose power was last seen to be lost, and by what."""
    found = {}
    for gauge in network.dial_gauges:
        power = network.kb.gauges[gauge].power
        if power not in network.sources:
            continue
        if seen := seen_lost(network, case, power):
            found[gauge] = f"no power: {seen[2]}"
        elif flag := _flagged(network, case, gauge, power):
            found[gauge] = f"no power, or too little: {flag}"
    return found


def _flagged(network: Network, case: CaseRecord, gauge: str, power: str) -> str:
    """Say what a gauge last showed of its own power, where that is likelier with too little of it; "" if nothing."""
    for facet in network.kb.gauges[gauge].facets:
        name = f"{gauge}.{facet.id}"
        table = network.facets[name]
        # a flag that was seen with some doubt is no flag out of view
        likely = [{n: r for n, (r, sure) in s.unsure.items() if sure > MORE_LIKELY_THAN_NOT} | s.readings for s in case.snapshot]
        said = [readings[name] for readings in likely if name in readings]
        if said and table.parents == (power,) and not table.axes:
            chance = table.at(())[:, reading_index(network, name, said[-1])]
            if int(chance.argmax()) > 0:
                return f"{facet.name} {said[-1].replace('_', ' ')}"
    return ""


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
        supply = upstream(network, rotors)
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
        return float(table.at((*at, *axes))[reading_index(network, facet, reading)])

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
