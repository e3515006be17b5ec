"""What a perfect reasoner would have known at each time, and from that how hard a scenario is.

After every snapshot the engine is asked with all that was to be seen until then. Failures that no
gauge of the panel can tell apart count as one: nobody at the table can do better.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import msgspec
import networkx as nx
import numpy as np

from diagnose.advice.coverage import Alike
from diagnose.advice.trust import trust
from diagnose.knowledge.load import KnowledgeBase, listed_only, with_only
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.model.case import ScenarioRecord
from diagnose.model.units import min_from_s
from diagnose.network.engine import Engine
from diagnose.network.graph import lines_of
from diagnose.network.posterior import Posterior
from diagnose.network.tables import compile_network
from diagnose.practice.simulate import Simulation, shown_histories, snapshots, state_at
from diagnose.practice.simulate.flight import sound

#: an instructor chose what fails, so every failure is about as likely as another
SETTING = "watched"
LEVELS = ("easy", "medium", "hard")
#: explanations kept for each time
MOST_KEPT = 60
#: sets of failures below this chance change none of the figures shown
LEAST_COUNTED = 1e-7
#: nobody can say anything before so many seconds
SHORTEST_LOOK_S = 10


def reasoner(kb: KnowledgeBase, panel: str) -> Engine:
    """The engine that follows scenarios: up to two failures at once, as instructors choose them.

    Without triples the sets of failures are the same however far a flight has come, so that each
    snapshot only adds its own part.
    """
    pairs = msgspec.structs.replace(kb.limits, most_triples=0)
    return Engine(compile_network(with_only(listed_only(kb), limits=pairs), panel))


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What can be known at the end of a snapshot, ``minutes`` into the scenario.

    ``something``: chance that anything is wrong, from even odds before any reading. ``right``: chance of
    what is really there by then (for nothing: from even odds). ``ranking``: explanations, those alike
    joined, with their chances. ``chance``: failure -> chance that it or one like it is there.
    ``trust``: instrument -> chance that it tells the truth. ``doubt_bits``: entropy over explanations.
    """

    minutes: float
    snapshot: SnapshotRecord
    truth: tuple[str, ...]
    something: float
    right: float
    ranking: tuple[tuple[tuple[str, ...], float], ...]
    chance: Mapping[str, float]
    trust: Mapping[str, float]
    doubt_bits: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """A scenario followed by the engine to its end. Times in minutes, None for never.

    ``onset``: when the first failure begins; ``suspected``: when it could have been noticed;
    ``isolated``: when everything that is there could have been named, once all has begun.
    """

    known: tuple[Known, ...]
    truth: tuple[str, ...]
    end: float
    onset: float | None
    suspected: float | None
    isolated: float | None
    score: float
    level: str

    def until(self, minutes: float) -> Followed:
        """What could be known by a time, as if the flight had ended then."""
        known = tuple(known for known in self.known if known.minutes <= minutes + 1e-9)
        first, second = (when if when is not None and when <= minutes else None for when in (self.suspected, self.isolated))
        return replace(self, known=known, end=min(self.end, minutes), suspected=first, isolated=second)

    def at(self, minutes: float) -> Known | None:
        """What could be known at a time, None before the first snapshot has ended."""
        found = [known for known in self.known if known.minutes <= minutes + 1e-9]
        return found[-1] if found else None


def _even(before: float, after: float) -> float:
    """The chance that even odds would have become where ``before`` became ``after``."""
    tiny = 1e-12
    factor = (after / max(1.0 - after, tiny)) / (before / max(1.0 - before, tiny))
    return factor / (1.0 + factor)


def _know(posterior: Posterior, alike: Alike, minutes: float, truth: tuple[str, ...]) -> Known:
    network = posterior.space.network
    ids = [failure.id for failure in network.failures]
    sets, names = posterior.sets, [tuple(ids[i] for i in members) for members in posterior.space.sets]
    none = names.index(())
    nothing = _even(float(posterior.prior_sets[none]), float(sets[none]))
    joined: dict[frozenset[str], tuple[tuple[str, ...], float, float]] = {}
    classes: dict[str, float] = {}
    right = 0.0
    for members, chance in zip(names, sets.tolist(), strict=True):
        if chance < LEAST_COUNTED:
            continue
        kinds = frozenset(map(alike.kind, members))
        # of those alike the one that is really there stands for all of them
        weight = chance + len(set(members) & set(truth))
        best, top, total = joined.get(kinds, (members, 0.0, 0.0))
        joined[kinds] = (members if weight > top else best, max(weight, top), total + chance)
        for kind in kinds:
            classes[kind] = classes.get(kind, 0.0) + chance
        if truth and alike.holds(members, truth):
            right += chance
    if not truth:
        right = nothing
    shares = np.array([total for _, _, total in joined.values()])
    shares = shares[shares > 1e-12]
    order = sorted(joined.values(), key=lambda item: -item[2])[:MOST_KEPT]
    return Known(
        minutes=minutes,
        snapshot=posterior.case.snapshot[-1],
        truth=truth,
        something=1.0 - nothing,
        right=right,
        ranking=tuple((members, total) for members, _, total in order),
        chance={failure: classes.get(alike.kind(failure), 0.0) for failure in ids},
        trust={t.gauge: t.now for t in trust(posterior) if network.kb.gauges[t.gauge].instrument},
        doubt_bits=float(-(shares * np.log2(shares)).sum()),
    )


def case_of(scenario: ScenarioRecord, taken: Sequence[SnapshotRecord]) -> CaseRecord:
    """The case that an observer of the scenario would have written down so far."""
    return CaseRecord(
        title=scenario.title,
        panel=scenario.panel,
        setting=SETTING,
        context=scenario.context,
        minutes_since_start=scenario.minutes_since_start,
        snapshot=tuple(taken),
        source=scenario.source,
    )


def follow(simulation: Simulation, engine: Engine) -> Followed:
    """Ask the engine after every snapshot of a flown scenario."""
    scenario, alike = simulation.scenario, Alike(simulation.network)
    taken: list[SnapshotRecord] = []
    known: list[Known] = []
    for window, record in snapshots(simulation):
        taken.append(record)
        posterior = engine.posterior(case_of(scenario, taken))
        truth = simulation.active_at(window.end - 1)
        known.append(_know(posterior, alike, min_from_s(float(window.end)), truth))
    return _judge(simulation, tuple(known))


def know_at(simulation: Simulation, engine: Engine, minutes: float, alike: Alike) -> Known:
    """What could be known at any time, with the part of the running snapshot that has been seen."""
    second = min(max(round(minutes * 60.0), SHORTEST_LOOK_S), simulation.samples)
    taken = [record for _, record in snapshots(simulation, until=second)]
    posterior = engine.posterior(case_of(simulation.scenario, taken))
    there = simulation.active_at(second - 1)
    return _know(posterior, alike, min_from_s(float(second)), there)


def _judge(simulation: Simulation, known: tuple[Known, ...]) -> Followed:
    scenario, kb = simulation.scenario, simulation.network.kb
    end = min_from_s(float(simulation.samples))
    truth = tuple(dict.fromkeys(event.id for event in scenario.failure))
    noticeable = [e.at_minutes for e in scenario.failure if not kb.failures[e.id].silent]
    onset = min(noticeable or [e.at_minutes for e in scenario.failure], default=None)
    suspects, isolates = (kb.flown_quantities[f"known.{name}"].low for name in ("suspected", "isolated"))
    since = 0.0 if onset is None else onset
    noticed = [
        k.minutes for k in known if onset is not None and k.minutes > since and k.something >= suspects
    ]
    suspected = noticed[0] if noticed else None
    begun = {k.minutes: {e.id for e in scenario.failure if e.at_minutes < k.minutes} for k in known}
    # it counts once all has begun, and while something is there to be named (a cure ends it)
    isolated = next(
        (
            k.minutes
            for k in known
            if k.minutes > since
            and begun[k.minutes] == set(truth)
            and bool(k.truth) == bool(truth)
            and k.right >= isolates
        ),
        None,
    )
    if suspected is None or (isolated is not None and onset is not None and isolated < suspected):
        suspected = isolated if onset is not None else None
    doubt = next(
        (k.doubt_bits for k in known if k.minutes == suspected), known[-1].doubt_bits if known else 0.0
    )
    late = (
        (isolated - since)
        if isolated is not None
        else end - since + kb.flown_quantities["hard.never_min"].low
    )
    score = late + doubt
    return Followed(
        known=known,
        truth=truth,
        end=end,
        onset=onset,
        suspected=suspected,
        isolated=isolated,
        score=score,
        level=level_of(kb, score),
    )


def level_of(kb: KnowledgeBase, score: float) -> str:
    """How hard: by the minutes to isolation and the bits of doubt when it could first be suspected."""
    limits = [kb.flown_quantities[f"hard.{name}_below"].low for name in ("easy", "medium")]
    return LEVELS[sum(score >= limit for limit in limits)]


# ------------------------------------------------------------------ what is true in a flown scenario: which instruments mislead when, and when the attitude is unusual


#: instrument -> the names of its picture that are compared, True where they are angles
COMPARED: Mapping[str, tuple[tuple[str, ...], bool]] = {
    "airspeed": (("airspeed_kt",), False),
    "altimeter": (("altitude_ft",), False),
    "vertical_speed": (("vertical_speed_fpm",), False),
    "attitude": (("bank_deg", "pitch_deg"), False),
    "electric_attitude": (("electric_bank_deg", "electric_pitch_deg"), False),
    "heading": (("heading_deg",), True),
    "turn_coordinator": (("turn_rate_dps",), False),
    "compass": (("compass_deg",), True),
    "suction": (("suction_inhg",), False),
}


#: what a second set of instruments reads
SECOND = ("second_airspeed_kt", "second_altitude_ft")


def misleading(simulation: Simulation) -> dict[str, np.ndarray]:
    """Instrument -> whether it misleads at each second, bool (time,).

    It misleads where it differs from a healthy one in the same flight by more than ``mislead.*`` of
    knowledge/flown.toml, for longer than a look takes: the jump of a dial whose source was switched misleads nobody.
    The suction gauge misleads where it does not show the suction that there is.
    """
    shown = shown_histories(simulation)
    healthy = shown_histories(sound(simulation))
    found = {}
    for gauge, (names, angle) in COMPARED.items():
        if gauge not in simulation.network.panel.gauges:
            continue
        limit = simulation.sizes(f"mislead.{gauge}")
        off = np.zeros(simulation.samples)
        for name in names:
            against = healthy[name]
            if gauge == "suction":
                against = shown_histories(_true_gauge(simulation))[name]
            apart = shown[name] - against
            if angle:
                apart = (apart + 180.0) % 360.0 - 180.0
            off = np.maximum(off, np.abs(apart))
        found[gauge] = off > limit
        edges = np.flatnonzero(np.diff(found[gauge], prepend=False, append=False))
        for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            found[gauge][begin:end] = end - begin > simulation.sizes("table.look_s")
    return found


def true_state(simulation: Simulation, second: float) -> dict[str, float | str]:
    """What a panel of healthy instruments would show at this second: the motion as it was, the suction that there is.

    What measures a system and not the motion (lamps, volts, amperes) is left as it was shown.
    """
    state = state_at(simulation, second)
    healthy, gauge = state_at(sound(simulation), second), state_at(_true_gauge(simulation), second)
    motion = [name for names, _ in COMPARED.values() for name in names if name != "suction_inhg"]
    return {
        **state,
        **{name: healthy[name] for name in (*motion, *SECOND) if name in healthy},
        "suction_inhg": gauge["suction_inhg"],
    }


def _true_gauge(simulation: Simulation) -> Simulation:
    """The same flight with a suction gauge that reads right."""
    flown = simulation.flown
    kept = {
        name: value
        for name, value in flown.conditions.items()
        if name not in ("suction_gauge", "gyro_filter")
    }
    return replace(simulation, flown=replace(flown, conditions=kept, kept={}), kept={})


def unusual_from(simulation: Simulation) -> float | None:
    """Minute at which the attitude becomes unusual, None if it never does."""
    course, sizes = simulation.course, simulation.sizes
    unusual = simulation.plan.meant.airborne & (
        (np.abs(course.bank_deg) > sizes("unusual.bank_deg"))
        | (course.pitch_deg > sizes("unusual.nose_up_deg"))
        | (course.pitch_deg < -sizes("unusual.nose_down_deg"))
        | (course.airspeed_kt < sizes("course.stall_kt"))
    )
    return min_from_s(float(np.argmax(unusual))) if unusual.any() else None


def odd_readings(simulation: Simulation, followed: Followed) -> Iterator[tuple[float, str, str]]:
    """Minute, gauge and reading of all that differed from a healthy panel."""
    for known in followed.known:
        usual = simulation.network.expected_readings(known.snapshot.manoeuvre, known.snapshot.switches)
        for facet, reading in known.snapshot.readings.items():
            if usual.get(facet) != reading:
                yield known.minutes, facet.split(".")[0], str(reading)


def odd_gauges(simulation: Simulation, followed: Followed) -> list[str]:
    """The gauges that the failures made odd, as far as it was seen: they hang on what has failed."""
    since = followed.end if followed.onset is None else followed.onset - 1e-6
    shown = {gauge for minutes, gauge, _ in odd_readings(simulation, followed) if minutes > since}
    touched = set(hanging(simulation, followed.truth))
    return [gauge for gauge in simulation.network.dial_gauges if gauge in shown & (touched or shown)]


def hanging(simulation: Simulation, failures: Iterable[str]) -> list[str]:
    """The gauges that hang on the parts on which these failures act, by the lines of the panel; nearest first."""
    network = simulation.network
    lines = lines_of(network.kb, network.panel.id)
    away: dict[str, int] = {}
    for part in {part for name in failures for part in network.kb.failures[name].acts} & set(lines):
        for node, steps in nx.single_source_shortest_path_length(lines, part).items():
            if isinstance(node, tuple):
                away[node[1]] = min(steps, away.get(node[1], steps))
    return sorted(away, key=lambda gauge: away[gauge])
