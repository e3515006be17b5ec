"""What an exercise is, what one panel needs for it, and flights with chances if one thing at most has failed."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from functools import cached_property

import msgspec
import numpy as np

from diagnose.advice.coverage import SOUND, Alike
from diagnose.advice.explain.pictures import Album, Condition, Pictures
from diagnose.advice.trust import graded, misled
from diagnose.knowledge.load import KnowledgeBase, listed_only, unknown_name
from diagnose.model import CaseRecord, Failure, FailureKind, SnapshotRecord
from diagnose.model.answer import Trust
from diagnose.model.case import FailureEvent, Leg, ScenarioRecord, Start
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.network.posterior import Posterior
from diagnose.network.tables import Network, compile_network
from diagnose.practice.simulate import Simulation, Window, simulate, snapshots

#: stands for "can't tell yet" among the answers offered
OPEN = "cannot_tell"
LETTERS = "abcdefghijklmnopqrstuvwxyz"


class Kind(Enum):
    """Kinds of exercise, in the order in which a failure is met."""

    PREDICT = "predict"
    NAME = "name"
    FLY = "fly"
    SCAN = "scan"


@dataclass(frozen=True, slots=True, order=True)
class Card:
    """What is learned and asked again: a failure (or ``SOUND``) in a maneuver by a kind of exercise."""

    failure: str
    manoeuvre: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """An answer offered: a failure's id, ``SOUND`` or ``OPEN``; ``like``: those that look the same, it first."""

    id: str
    like: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Marked:
    """An answer marked.

    ``score`` from 0 to 1; ``given`` and ``right`` are ids of options, or what stands for them in the
    record of answers. ``sure`` is the chance that the student gave to the first choice, ``engine`` the
    engine's chance of that choice (None where the answer was no chance). ``counts`` is False for a call
    of a scan that came too early to be right or wrong; it is not ``correct`` then.
    """

    correct: bool
    score: float
    given: str
    right: str
    sure: float | None = None
    engine: float | None = None
    counts: bool = True


#: gauges that are not on the panel, or are seen only if somebody asks; as scenarios have it
UNSEEN = next(f.default for f in msgspec.structs.fields(ScenarioRecord) if f.name == "unseen")
#: what can be read only against such a gauge
COMPARED = ("altimeter.value",)
#: a failure shows in a maneuver if its readings differ by so much in all (total variations added up)
SHOWS = 0.5
#: what shows so much of the most counts as much
AS_MUCH = 0.9
#: maneuvers of every flight
ORDINARY = ("level", "climb", "descent", "left_turn", "right_turn")
#: an instrument misleads if the chance that it tells the truth is below this
MISLEADS = 0.5


@dataclass(frozen=True)
class Studio:
    """One panel, ready to make exercises.

    ``engine`` weighs one failure at a time and few pairs, ``whole`` all pairs as everywhere else.
    """

    network: Network
    engine: Engine
    whole: Engine
    alike: Alike
    album: Album
    drawn: dict[str, Pictures] = field(default_factory=dict, repr=False)
    meant: dict[tuple[str, str], frozenset[str]] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, kb: KnowledgeBase, panel: str) -> Studio:
        """Make the studio of a panel. Raises UnknownName."""
        network = compile_network(listed_only(kb), panel)
        engine = Engine(network, largest_set=1)
        whole = Engine(network)
        return cls(network=network, engine=engine, whole=whole, alike=Alike(network), album=Album.of(engine))

    @property
    def kb(self) -> KnowledgeBase:
        """The knowledge base."""
        return self.network.kb

    def number(self, name: str) -> float:
        """Give a number of ``knowledge/drill.toml``. Raises UnknownName."""
        numbers = self.kb.drill_numbers
        if name not in numbers:
            raise unknown_name("number of the drill", name, numbers)
        return numbers[name].value

    @cached_property
    def classes(self) -> tuple[tuple[str, ...], ...]:
        """Failures of the panel that no gauge tells apart, together; the commonest of each first."""
        found: dict[str, list[Failure]] = {}
        for failure in self.network.failures:
            found.setdefault(self.alike.kind(failure.id), []).append(failure)

        def common(failure: Failure) -> tuple[bool, float]:
            return failure.kind is FailureKind.FAILURE, failure.rate_per_hour + failure.latent

        return tuple(tuple(f.id for f in sorted(group, key=common, reverse=True)) for group in found.values())

    def class_of(self, failure: str) -> tuple[str, ...]:
        """Give the failures that look the same in everything, the commonest first."""
        return next((group for group in self.classes if failure in group), (failure,))

    def pictures(self, manoeuvre: str) -> Pictures:
        """Give what every gauge shows for every failure in a maneuver."""
        if manoeuvre not in self.drawn:
            self.drawn[manoeuvre] = self.album.pictures(Condition(manoeuvre=manoeuvre))
        return self.drawn[manoeuvre]

    def strengths(self, manoeuvre: str) -> Mapping[str, float]:
        """Say how much each failure shows: over all gauges, how far its readings differ from healthy ones."""
        pictures = self.pictures(manoeuvre)
        found = sum(
            0.5 * np.abs(chances - chances[0]).sum(axis=1)
            for facet, chances in pictures.facets.items()
            if facet.split(".")[0] in self.seen and facet not in COMPARED
        )
        return dict(zip(pictures.names, np.asarray(found).tolist(), strict=True))

    @property
    def seen(self) -> tuple[str, ...]:
        """Gauges of the panel that the student can see: what must be asked for from outside is left out."""
        return tuple(name for name in self.network.dial_gauges if name not in UNSEEN)

    @cached_property
    def flown_by(self) -> frozenset[str]:
        """Give the gauges that some axis of control is flown by, as usual or as a stand-in."""
        kb = self.kb
        uses = [use for m in kb.manoeuvres.values() for use in (m.pitch, m.bank, m.power) if use is not None]
        usual = {name for use in uses for name in (use.primary, *use.supporting)}
        stand_ins = {s.gauge for s in kb.substitutes.values()}
        return frozenset((usual | stand_ins | {"heading"}) & set(self.network.panel.gauges))

    def trusts(self, failure: str, manoeuvre: str) -> tuple[Trust, ...]:
        """Say which gauges tell the truth while a failure acts that began some minutes ago (or ``SOUND``)."""
        space = self.album.space
        snapshot = SnapshotRecord(manoeuvre=manoeuvre)
        case = CaseRecord(title="", panel=self.network.panel.id, snapshot=(snapshot,))
        (step,) = self.engine.steps(case)
        place = self.album.names.index(failure)
        acts = (space.row_set == place) & (space.acting == space.members[space.row_set]).all(axis=1)
        rows = np.where(acts, space.first(step, case.minutes_since_start), 0.0)
        return graded(self.network, misled(space, manoeuvre, step.switches), rows / rows.sum())

    def misleads(self, failure: str, manoeuvre: str) -> frozenset[str]:
        """Give the instruments that a failure makes mislead now or soon: what it means to the pilot."""
        key = (failure, self.kb.manoeuvres[manoeuvre].phase)
        if key not in self.meant:
            self.meant[key] = frozenset(
                t.gauge
                for t in self.trusts(failure, manoeuvre)
                if t.gauge in self.flown_by and t.soon < MISLEADS
            )
        return self.meant[key]

    @cached_property
    def shown_by_manoeuvre(self) -> Mapping[str, Mapping[str, float]]:
        """Give for each maneuver how much each failure shows in it."""
        return {name: self.strengths(name) for name in self.kb.manoeuvres}

    def shows_in(self, failure: str) -> tuple[str, ...]:
        """Give the maneuvers in which a failure shows: in the air first, those in which it shows most.

        Where it shows about as much as anywhere, what is flown every day comes first.
        """
        shown = {name: shows[failure] for name, shows in self.shown_by_manoeuvre.items()}
        most = {
            phase: max(
                (shown[name] for name, m in self.kb.manoeuvres.items() if (m.phase == "air") is phase),
                default=0.0,
            )
            for phase in (True, False)
        }

        def place(name: str) -> tuple[bool, bool, float, int]:
            air = self.kb.manoeuvres[name].phase == "air"
            as_much = shown[name] >= AS_MUCH * most[air]
            ordinary = ORDINARY.index(name) if name in ORDINARY else len(ORDINARY)
            return not air, not as_much, 0.0 if as_much else -round(shown[name], 1), ordinary

        return tuple(sorted((name for name in shown if shown[name] >= SHOWS), key=place))

    def can_be(self, failure: str, manoeuvre: str) -> bool:
        """Whether the conditions that a failure needs can hold in a maneuver (or ``SOUND``: always)."""
        needed = self.kb.failures[failure].needs_conditions if failure in self.kb.failures else ()
        return all(self.holds_in(flag, manoeuvre) for flag in needed)

    def holds_in(self, flag: str, manoeuvre: str) -> bool:
        """Whether a condition can hold in the phase of flight of a maneuver."""
        phases = self.kb.context[flag].phases
        return not phases or self.kb.manoeuvres[manoeuvre].phase in phases

    def shows_on(self, failure: str, manoeuvre: str) -> frozenset[str]:
        """Give the gauges whose readings a failure changes in a maneuver, as far as the student sees them."""
        pictures = self.pictures(manoeuvre)
        place, least = pictures.names.index(failure), self.number("changes_gauge")
        return frozenset(
            gauge
            for facet, chances in pictures.facets.items()
            if (gauge := facet.split(".")[0]) in self.seen
            and facet not in COMPARED
            and 0.5 * np.abs(chances[place] - chances[0]).sum() >= least
        )

    def with_failures(self, failures: Sequence[str]) -> Engine:
        """Give an engine that knows only these failures, one at a time, and what they turn into."""
        chosen = set(failures)
        kept = tuple(f for f in self.network.failures if f.id in chosen or chosen & set(f.hastened_by))
        return Engine(self.network.with_failures(kept), largest_set=1)


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
        """Give the chance of an answer, zero for "can't tell yet"."""
        return sum(self.nothing if name == SOUND else self.of.get(name, 0.0) for name in option.like)

    def among(self, options: Sequence[Option]) -> tuple[float, ...]:
        """Give the chances of the answers offered if one of them is so; (option,), zero for ``OPEN``."""
        chances = [self.chance(option) for option in options]
        total = sum(chances)
        return tuple(chance / total for chance in chances) if total > 0.0 else tuple(chances)

    def best(self, alike_within: float) -> tuple[str, ...]:
        """Give the failures, and ``SOUND``, that the readings put less than so many times behind the best."""
        order = sorted(self.said, key=lambda name: -self.said[name])
        return tuple(name for name in order if self.said[name] * alike_within >= 1.0)


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
        nothing=share * said[SOUND] / total, of={name: each * said[name] / total for name in alone}, said=said
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
#: conditions are told now and then where they do not matter, so that they give nothing away
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
        start=Start(altitude_ft=altitude_ft, heading_deg=10.0 * int(rng.integers(1, 37))),
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
