"""Drawing a flight in which a failure shows, or may not show yet."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from diagnose.model import CaseRecord, Failure
from diagnose.model.script import FailureEvent, Leg, ScenarioRecord, Start
from diagnose.model.units import Array
from diagnose.network.posterior import Posterior
from diagnose.practice.drill.exercise import OPEN, SOUND, Card, Option
from diagnose.practice.drill.studio import ORDINARY, Studio
from diagnose.practice.simulate import Simulation, Window, simulate, snapshots

# ------------------------------------------------------------------ what can be known: the chance of each failure alone, given what was seen and that one at most is there
# The engine's posterior is conditioned on "one failure at most", which the student is told, and the prior of
# "nothing failed" is the drill's own. Both are exact: in this setting nothing was told for being odd, so that it enters
# as a factor on each set.


#: somebody chose what fails, so that the failures share one prior, and readings were not told for being odd
SETTING = "watched"


@dataclass(frozen=True, slots=True, kw_only=True)
class Belief:
    """Chances that sum to one: ``nothing`` and ``of`` each failure, alone.

    ``said``: how well each failure, and ``SOUND``, foretold the readings; the best one has 1.
    """

    nothing: float
    of: Mapping[str, float]
    said: Mapping[str, float]

    def chance(self, option: Option) -> float:
        """Give the chance of an answer, zero for "cannot be told yet"."""
        return sum(self.nothing if name == SOUND else self.of.get(name, 0.0) for name in option.like)

    def among(self, options: Sequence[Option]) -> tuple[float, ...]:
        """Give the chances of the answers offered if one of them is so; (option,), zero for ``OPEN``."""
        chances = [self.chance(option) for option in options]
        total = sum(chances)
        return tuple(chance / total for chance in chances) if total > 0.0 else tuple(chances)

    def best(self, too_alike: float) -> tuple[str, ...]:
        """Give the failures, and ``SOUND``, that the readings put less than so many times behind the best."""
        order = sorted(self.said, key=lambda name: -self.said[name])
        return tuple(name for name in order if self.said[name] * too_alike >= 1.0)


def believe(studio: Studio, posterior: Posterior, only: Collection[str] = ()) -> Belief:
    """Give the belief that a posterior (in ``SETTING``) leaves; ``only`` these failures can be, if given."""
    return belief_of(studio, posterior, posterior.sets, only)


def belief_of(studio: Studio, posterior: Posterior, sets: Array, only: Collection[str] = ()) -> Belief:
    """Give the belief for chances of the sets, (set,), of a posterior's space.

    Failures that show nothing until they are needed are left out: they never are what was seen.
    """
    space = posterior.space
    failures, prior = space.network.failures, posterior.prior_sets
    alone = {
        failures[members[0]].id: place
        for place, members in enumerate(space.sets)
        if len(members) == 1
        and not failures[members[0]].silent
        and prior[place] > 0.0
        and (not only or failures[members[0]].id in only)
    }
    none = space.sets.index(())
    said = {name: float(sets[place] / prior[place]) for name, place in {SOUND: none, **alone}.items()}
    most = max(said.values())
    said = {name: value / most for name, value in said.items()}
    # the failures share one prior, and nothing has the drill's own
    share = studio.number("nothing")
    each = (1.0 - share) / max(len(alone), 1)
    total = share * said[SOUND] + each * sum(said[name] for name in alone)
    return Belief(
        nothing=share * said[SOUND] / total,
        of={name: each * said[name] / total for name in alone},
        said=said,
    )


def right_places(
    options: Sequence[Option], chances: Sequence[float], told: float, not_told: float
) -> tuple[int, ...]:
    """Give the places of the right answers for chances among the options, the best first.

    One that is told, or ``OPEN`` where none is; in between both the likeliest and ``OPEN`` are right.
    """
    open_place = next(place for place, option in enumerate(options) if option.id == OPEN)
    best = max(range(len(options)), key=lambda place: chances[place])
    if chances[best] >= told:
        return (best,)
    return (open_place,) if chances[best] <= not_told else (open_place, best)


#: a leg makes one snapshot: what it takes for the dials to settle, and about a minute
LEG_MIN = 1.25
GROUND_MIN = 1.0
ROLL_MIN = 0.5
TURBULENCE = (0.0, 0.1, 0.2)
#: conditions of the day are told now and then where they do not matter, so that they give nothing away
NEEDLESS_CONDITIONS = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Flown:
    """A flight with the snapshots that an observer of it wrote down; ``truth`` is a failure or ``SOUND``."""

    truth: str
    simulation: Simulation
    windows: tuple[Window, ...]
    case: CaseRecord


def possible_conditions(studio: Studio) -> tuple[tuple[str, ...], ...]:
    """Give the conditions that some failure of the panel needs, each once."""
    found = (failure.needs_conditions for failure in studio.network.failures)
    return tuple(dict.fromkeys(flags for flags in found if flags))


def context_for(
    studio: Studio, truth: str, manoeuvre: str, altitude_ft: float, rng: np.random.Generator
) -> tuple[str, ...]:
    """Give the conditions that are told: those that the failure needs, or some that hold up there as well."""
    needed = () if truth == SOUND else studio.kb.failures[truth].needs_conditions
    others = [
        flags
        for flags in possible_conditions(studio)
        if all(studio.holds_in(f, manoeuvre) and studio.kb.context[f].above_ft <= altitude_ft for f in flags)
    ]
    if needed or not others or rng.random() >= NEEDLESS_CONDITIONS:
        return needed
    return others[int(rng.integers(len(others)))]


def truth_of(studio: Studio, card: Card, rng: np.random.Generator) -> str:
    """Give what is flown for a card: its failure, or one that looks the same and can be there."""
    alike = [name for name in studio.class_of(card.failure) if studio.can_be(name, card.manoeuvre)]
    return card.failure if card.failure == SOUND else str(rng.choice(alike))


def legs_to(studio: Studio, manoeuvre: str, count: int, rng: np.random.Generator) -> tuple[Leg, ...]:
    """Give the legs of a flight that ends in a maneuver; on the ground there is only one."""
    phase = studio.kb.manoeuvres[manoeuvre].phase
    if phase != "air":
        return (Leg(manoeuvre=manoeuvre, minutes=ROLL_MIN if phase == "roll" else GROUND_MIN),)
    # what moves the dials tells more than what does not
    earlier = [name for name in ORDINARY if name in studio.kb.manoeuvres and name != manoeuvre]
    chosen = [str(rng.choice(earlier)) for _ in range(count - 1)]
    return tuple(Leg(manoeuvre=name, minutes=LEG_MIN) for name in (*chosen, manoeuvre))


def onset_minutes(studio: Studio, truth: str, at_minutes: float) -> float:
    """Give when a failure begins: at this time, or with the flight if it cannot begin in the air."""
    if truth == SOUND or studio.kb.failures[truth].begins_in_flight:
        return at_minutes
    return 0.0


def event_for(failure: Failure, at_minutes: float) -> FailureEvent:
    """Give the failure's event: an intermittent one comes and goes, a gradual one takes its time."""
    if failure.acting < 1.0:
        return FailureEvent(
            id=failure.id, at_minutes=at_minutes, progression="intermittent", share=failure.acting
        )
    gradual = failure.onset == "gradual" and at_minutes > 0.0
    return FailureEvent(id=failure.id, at_minutes=at_minutes, progression="gradual" if gradual else "sudden")


def without(flown: Flown, gauges: Collection[str]) -> Flown:
    """Give a flight in which some gauges were not read."""
    snapshots = tuple(
        msgspec.structs.replace(
            snapshot, readings={f: r for f, r in snapshot.readings.items() if f.split(".")[0] not in gauges}
        )
        for snapshot in flown.case.snapshot
    )
    return replace(flown, case=msgspec.structs.replace(flown.case, snapshot=snapshots))


def fly(studio: Studio, truth: str, legs: tuple[Leg, ...], at_minutes: float, rng: np.random.Generator) -> Flown:  # fmt: skip
    """Fly the legs; the failure begins ``at_minutes``, or is there from the start as it must be."""
    at_minutes = onset_minutes(studio, truth, at_minutes)
    altitude_ft = float(rng.choice((3000.0, 4000.0, 5000.0)))
    needed = () if truth == SOUND else studio.kb.failures[truth].needs_conditions
    altitude_ft += max((studio.kb.context[flag].above_ft for flag in needed), default=0.0)
    context = context_for(studio, truth, legs[-1].manoeuvre, altitude_ft, rng)
    scenario = ScenarioRecord(
        title="drill",
        panel=studio.network.panel.id,
        briefing="",
        leg=legs,
        start=Start(
            altitude_ft=altitude_ft,
            heading_deg=10.0 * int(rng.integers(1, 37)),
        ),
        failure=() if truth == SOUND else (event_for(studio.kb.failures[truth], at_minutes),),
        context=context,
        turbulence=float(rng.choice(TURBULENCE)),
        seed=int(rng.integers(1, 1_000_000)),
    )
    simulation = simulate(studio.network, scenario)
    written = snapshots(simulation)
    case = CaseRecord(
        title="drill",
        panel=scenario.panel,
        setting=SETTING,
        context=context,
        minutes_since_start=scenario.minutes_since_start,
        snapshot=tuple(msgspec.structs.replace(record, switches={}) for _, record in written),
    )
    return Flown(truth=truth, simulation=simulation, windows=tuple(w for w, _ in written), case=case)
