"""One simulated flight: a motion and a state of the aircraft that carry on from snapshot to snapshot.

Altitude carries on through snapshots and the gaps between them, and what the past leaves behind is followed
exactly: the altitude and the pressure at which a line was sealed, how far each rotor has run down, what is
left in the battery, where a needle stuck. The gauges are drawn by the physics of the panel and read by
``readings``, the same rules as everywhere.

Simplified: a failure begins, and a switch moves, between two snapshots (an onset that a pilot sees falls
into the first seconds of the later one). Lines that lag (restricted, pinched, with water, a sticking
altimeter) are followed in one run from when they began to lag; all other dials are drawn snapshot by
snapshot. Airspeed follows the maneuver and is not carried over a gap. What failed before the first snapshot
of a flight that is joined in the air has the past that the knowledge base states for it. A failing rotor's
horizon leans as its speed says, also where it only sags; within its class of charge a battery's voltage is
drawn anew in each snapshot.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

import msgspec
import numpy as np

from diagnose.model import UNLISTED, CaseRecord, Facet, MemoryKind, Quantity, SnapshotRecord
from diagnose.network.likelihood import confusion, matches
from diagnose.network.readings import classify
from diagnose.network.tables import Network
from diagnose.physics.draws import Draws
from diagnose.physics.flight import AIR, SNAPSHOT_S, TURBULENCE, Flights, draw_flights
from diagnose.physics.flown import moment
from diagnose.physics.panel import show
from diagnose.proof.calibrate.past import Battery, Line, Rotor
from diagnose.proof.calibrate.world import (
    OneFlight,
    Plan,
    between,
    draw_truth,
    wider,
)

#: states in which a pressure dial depends on its past, so that it is followed in one run
LAGGING = {
    "pitot": ("restricted", "erratic"),
    "static": ("restricted", "erratic"),
    "static_branch": ("pinched",),
    "altimeter_part": ("sticky",),
}
#: what a motion holds beside its histories
NOT_MOVING = ("time_s", "pace", "power", "gained")
#: motion that belongs to the flight as a whole or is set by it
HELD = (*TURBULENCE.values(), "flight.bank_per_dps", "flight.slowest_kt", "flight.field_ft")


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """A simulated flight: what was reported of it, and the ids of what was there at its end."""

    case: CaseRecord
    truth: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pilot:
    """How one pilot flies, looks and reads. ``attention``: gauge -> chance that it is looked at."""

    attention: Mapping[str, float]
    careless: float
    sloppy: float
    vague: float
    late: bool


def simulate(network: Network, flown: Plan, seed: tuple[int, ...], kind: str = "") -> Simulated:
    """Simulate one flight of a plan; same plan and seed, same flight.

    ``kind``: empty draws failures from the prior of the plan's setting. "calm", "rough", "drafts" and
    "sloppy" are healthy flights: nothing has failed, in ordinary air, in bumps, in moving air, or flown badly.
    """
    rng = np.random.default_rng(seed)
    plan = flown.case
    truth = draw_truth(network, plan, rng, healthy=bool(kind))
    if kind == "draughts":
        truth = _draught(network, rng)
    world = network.kb.world
    pilot = Pilot(
        attention={gauge: float(rng.uniform(*world.attention)) for gauge in network.panel.gauges},
        careless=between(world.careless_times, rng),
        sloppy=between(world.sloppy_times, rng) * (world.sloppier_times if kind == "sloppy" else 1.0),
        vague=between(world.vague_power, rng),
        late=bool(rng.random() < world.late),
    )
    quantities = wider(network.kb.quantities, world)
    if kind == "rough":
        bumps = quantities["flight.turbulence"]
        quantities["flight.turbulence"] = msgspec.structs.replace(
            bumps, low=bumps.high / 2.0, high=bumps.high * world.rough_times
        )
    flight = Flight(network, plan, truth, quantities, pilot.sloppy, rng)
    snapshots = [_report(network, pilot, flight, number, rng) for number in range(len(plan.snapshot))]
    told = zip(snapshots, flown.told_min, strict=True)
    return Simulated(
        case=msgspec.structs.replace(
            plan, snapshot=tuple(msgspec.structs.replace(s, minutes_before=gap) for s, gap in told)
        ),
        truth=tuple(network.failures[i].id for i in sorted(truth)),
    )


def _draught(network: Network, rng: np.random.Generator) -> dict[int, int]:
    """The air rises or sinks from the start; found by the part that it acts on."""
    moving = [i for i, failure in enumerate(network.failures) if "air" in failure.acts]
    return {int(rng.choice(moving)): 0}


# ------------------------------------------------------------------ the flight and its past


class Flight:
    """Everything that is true of one flight, snapshot by snapshot."""

    def __init__(
        self,
        network: Network,
        plan: CaseRecord,
        truth: Mapping[int, int],
        quantities: Mapping[str, Quantity],
        sloppy: float,
        rng: np.random.Generator,
    ) -> None:
        self.network, self.plan, self.truth, self.rng = network, plan, truth, rng
        self.sloppy = sloppy
        self.draws = OneFlight(quantities, rng, key=int(rng.integers(2**60)))
        self.acting = self._acting()
        self.motion = [self._motion(n) for n in range(len(plan.snapshot))]
        self.flown = self._fly()
        self.states: list[dict[str, str]] = []
        self.exact: list[dict[str, list[float]]] = []
        self._remember()

    # ---------------------------------------------------------- what acts

    def _acting(self) -> list[list[int]]:
        """Failures that act in each snapshot: those that come and go by chance, cured ones no more."""
        found: list[list[int]] = []
        gone: set[int] = set()
        for number, snapshot in enumerate(self.plan.snapshot):
            now = []
            for index in sorted(i for i, since in self.truth.items() if since <= number):
                failure = self.network.failures[index]
                cure = failure.cured_by
                if cure is not None:
                    minutes = snapshot.minutes_before + 0.5 * snapshot.minutes
                    there = [i for i, since in self.truth.items() if since <= number]
                    works = cure.helps(snapshot.switches) and self._cure_works(cure.needs, there, snapshot)
                    if index in gone and self.rng.random() < cure.returned(minutes, helped=works):
                        gone.discard(index)
                    elif self.rng.random() < cure.cleared(minutes, helped=works, first=number == 0):
                        gone.add(index)
                if index not in gone and self.rng.random() < failure.acting:
                    now.append(index)
            found.append(now)
        return found

    def _cure_works(self, needs: Mapping[str, str], acting: list[int], snapshot: SnapshotRecord) -> bool:
        """Whether what the cure needs (a live bus, a working heater) is in order."""
        state = self._conditions(self._conditions_of(acting), snapshot)
        return all(state.get(name, condition) == condition for name, condition in needs.items())

    def _parts(self, number: int) -> dict[str, str]:
        return self._conditions_of(self.acting[number])

    def _conditions_of(self, acting: list[int]) -> dict[str, str]:
        """Condition of every part that is not healthy; the later condition dominates."""
        found: dict[str, str] = {}
        for index in acting:
            for part, condition in self.network.failures[index].acts.items():
                order = self.network.states[part]
                if order.index(condition) > order.index(found.get(part, order[0])):
                    found[part] = condition
        return found

    # ---------------------------------------------------------- motion

    def _motion(self, number: int) -> dict[str, str]:
        """Value of each axis in a snapshot, by maneuver, air and pilot; strays as sloppy as they come."""
        network = self.network
        motions = network.motions(self.plan.snapshot[number].manoeuvre)
        parts, row = self._parts(number), 0
        parts |= {
            name: condition
            for name, condition in self._conditions(dict(parts), self.plan.snapshot[number]).items()
            if name in network.sources
        }
        for part in network.variation_parts:
            order = network.states[part]
            row = row * len(order) + order.index(parts.get(part, order[0]))
        chance = motions.chance[row].copy()
        if network.flies_as_meant()[row]:
            # all but the motion that was meant; moving air and a pilot astray have their own
            meant = int(chance.argmax())
            chance[np.arange(len(chance)) != meant] *= self.sloppy
        pick = int(self.rng.choice(len(chance), p=chance / chance.sum()))
        return {axis: network.states[axis][int(motions.values[axis][pick])] for axis in motions.axes}

    def _fly(self) -> list[Flights]:
        """Motion of every snapshot; altitude carries on over snapshots and gaps."""
        flown: list[Flights] = []
        held = {name: [float(self.draws(name, 1)[0])] for name in HELD}
        quantities = self.draws.quantities
        cruise_kt = float(Draws(quantities, self.rng)("flight.airspeed_kt", 1)[0])
        field_ft = held["flight.field_ft"][0]
        for number, snapshot in enumerate(self.plan.snapshot):
            axes = {axis: np.array([value]) for axis, value in self.motion[number].items()}
            exact = dict(held)
            # climb and approach are slower than cruise; what power and attitude give differs by maneuver
            slower = self.rng.uniform(0.75, 1.0) if self.motion[number]["power"] != "cruise" else 1.0
            exact["flight.airspeed_kt"] = [max(cruise_kt * float(slower), 65.0)]
            if flown:
                exact["flight.height_ft"] = [self._height_after_gap(flown[-1], snapshot, field_ft)]
            draws = replace(self.draws, exact=exact, turns={})
            flown.append(draw_flights(axes, 1, draws, self._parts(number).get(AIR, "ordinary")))
        return flown

    def _height_after_gap(self, before: Flights, snapshot: SnapshotRecord, field_ft: float) -> float:
        """Altitude after a gap: short ones go on as before, long ones may have led anywhere."""
        end = float(before.height_ft[0, -1])
        if not before.airborne[0]:
            return field_ft + float(self.rng.uniform(150.0, 600.0))
        rate_fpm = (end - float(before.height_ft[0, 0])) * 60.0 / SNAPSHOT_S
        moved = rate_fpm * min(snapshot.minutes_before, 0.5) * 0.5
        if snapshot.minutes_before >= 1.0 and self.rng.random() < 0.4:
            moved += self.rng.choice((-1.0, 1.0)) * self.rng.uniform(150.0, 500.0) * snapshot.minutes_before
        return float(np.clip(end + moved, field_ft + 200.0, 14000.0))

    # ---------------------------------------------------------- what the past has left

    def _remember(self) -> None:
        """Follow every memory through the flight; fills ``states`` and ``exact``."""
        network = self.network
        kinds = {name: tables.memory.kind for name, tables in network.memories.items()}
        rotors = {n: Rotor(self, n) for n, kind in kinds.items() if kind is MemoryKind.ROTOR}
        batteries = {n: Battery(self, n) for n, kind in kinds.items() if kind is MemoryKind.CHARGE}
        lines = {n: Line(self, n) for n, kind in kinds.items() if kind is MemoryKind.HEIGHT}
        stuck: dict[str, float] = {}
        for number, snapshot in enumerate(self.plan.snapshot):
            given = dict(self._parts(number))
            exact: dict[str, list[float]] = {}
            drivers = self._conditions(given, snapshot)
            for name, battery in batteries.items():
                given[name] = battery.enter(number, drivers)
            drivers = self._conditions(given, snapshot)
            for name, rotor in rotors.items():
                given[name] = rotor.enter(number, drivers)
            for name, line in lines.items():
                given[name] = line.enter(number, drivers)
            self._needles(number, given, stuck, exact)
            if drivers.get("pitot") in ("vented", "choking"):
                exact["pitot.vented.begins_now"] = [float(self._just_begun(number))]
            state = self._conditions(given, snapshot)
            for name, rotor in rotors.items():
                exact[f"minutes of {name}"] = [rotor.equivalent_min]
                rotor.leave(number, state)
            for battery in batteries.values():
                battery.leave(state)
            for name, line in lines.items():
                exact[f"altitude of {name}"] = [line.above_ft]
            self.states.append(state)
            self.exact.append(exact)

    def _conditions(self, given: Mapping[str, str], snapshot: SnapshotRecord) -> dict[str, str]:
        network = self.network
        indices = {name: np.array([network.states[name].index(state)]) for name, state in given.items()}
        switches = network.switch_positions(snapshot.switches)
        found = network.conditions(indices, switches, 1)
        return {name: network.states[name][int(index[0])] for name, index in found.items()}

    def _needles(
        self, number: int, given: Mapping[str, str], stuck: dict[str, float], exact: dict[str, list[float]]
    ) -> None:
        """A stuck needle stays where it stuck, whatever the aircraft does since."""
        flights = self.flown[number]
        height, speed = float(flights.height_ft[0, 0]), float(flights.airspeed_kt[0, 0])
        for part, condition, quantity, now, sign in (
            ("altimeter_part", "stuck", "altimeter.stuck.off_ft", height, 1.0),
            ("airspeed_part", "stuck", "airspeed.stuck.off_kt", speed, 1.0),
            # here the altitude of the aircraft above that of the trapped case, not the reverse
            (
                "vertical_speed_part",
                "metering_blocked",
                "vertical_speed.metering_blocked.above_ft",
                height,
                -1.0,
            ),
        ):
            if given.get(part) == condition:
                # a needle that sticks in flight sticks at what it shows, one stuck before anywhere
                off = float(self.draws.either_way(quantity, 1)[0]) if number == 0 else 0.0
                exact[quantity] = [sign * (stuck.setdefault(part, now + off) - now)]

    def _just_begun(self, number: int) -> bool:
        """Whether the onset falls into this snapshot's first seconds."""
        begins = [since for i, since in self.truth.items() if i in self.acting[number]]
        return number in begins and self.rng.random() < self.network.kb.world.seen_beginning

    def elapsed_min(self, number: int) -> float:
        """Minutes from the start of the snapshot before to the start of this one."""
        return 1.0 + self.plan.snapshot[number].minutes_before

    def onset_min(self, number: int) -> float:
        """Minutes before the start of a snapshot at which its driver began to act; an even chance anywhere."""
        span = self.plan.minutes_since_start if number == 0 else self.elapsed_min(number)
        return float(self.rng.uniform(0.0, span))


# ------------------------------------------------------------------ what the gauges show, and what is told


def _report(
    network: Network, pilot: Pilot, flight: Flight, number: int, rng: np.random.Generator
) -> SnapshotRecord:
    """What the pilot tells of a snapshot: the gauges looked at, as they were read."""
    plan = flight.plan.snapshot[number]
    expected = network.expected_readings(plan.manoeuvre, plan.switches)
    fresh = any(since == number for since in flight.truth.values())
    # late, not never: whoever reports has noticed by the end
    overlooks = pilot.late and fresh and number + 1 < len(flight.plan.snapshot)
    readings: dict[str, str] = {}
    for gauge in dict.fromkeys(facet.split(".")[0] for facet in network.dials):
        for facet in network.kb.gauges[gauge].facets:
            if rng.random() > pilot.attention[gauge]:
                continue
            name = f"{gauge}.{facet.id}"
            reading = _shown(flight, gauge, facet, number, pilot, rng)
            if overlooks and reading != expected[name]:
                continue
            if rng.random() < facet.misreport * pilot.careless:
                told = network.facets[name].readings
                spread = confusion(network.kb, facet)[told.index(reading)]
                reading = told[int(rng.choice(len(told), p=spread))]
            readings[name] = reading
    return msgspec.structs.replace(plan, readings=readings)


def _shown(
    flight: Flight, gauge: str, facet: Facet, number: int, pilot: Pilot, rng: np.random.Generator
) -> str:
    """What a facet showed in a snapshot."""
    state = {**flight.states[number], **flight.motion[number]}
    if UNLISTED in (state.get(name) for name in facet.parents):
        return facet.readings[int(rng.integers(len(facet.readings)))].id
    if not facet.channel:
        gives = next(row.gives for row in facet.rows if matches(row.when, state))
        chance = np.array([gives.get(r.id, 0.0) for r in facet.readings]) ** pilot.vague
        return facet.readings[int(rng.choice(len(chance), p=chance / chance.sum()))].id
    relevant = {name: state[name] for name in facet.parents if name in flight.states[number]}
    start = number
    if any(relevant.get(name) in lagging for name, lagging in LAGGING.items()):
        start = _began(flight, number, facet.parents)
    exact = dict(flight.exact[start])
    rotor = next((name for name in facet.parents if f"minutes of {name}" in exact), "")
    if rotor:
        exact["rotor.slowing.minutes"] = exact[f"minutes of {rotor}"]
    above = [
        exact[f"altitude of {name}"][0]
        for driver, name in (("pitot", "pitot_trapped"), ("static", "static_trapped"))
        if name in facet.parents and state.get(driver) == "sealed"
    ]
    if above:
        exact["memory.far_ft"] = [abs(height) for height in above]
        exact["memory.near_ft"] = above
    # a gauge keeps its own noise: which way it leans, how its bearing misbehaves
    noise = np.random.default_rng((flight.draws.key, number if not rotor else 0, *gauge.encode()))
    draws = replace(flight.draws, rng=noise, exact=exact, turns={})
    flights = _stretch(flight, start, number)
    shown = show(facet.channel, moment(relevant, flights, draws))
    last = slice(-SNAPSHOT_S, None)
    dial = None if shown.dial is None else shown.dial[:, last]
    return facet.readings[int(classify(facet.readings, shown.channel[:, last], dial)[0])].id


def _began(flight: Flight, number: int, parents: tuple[str, ...]) -> int:
    """First snapshot of the unbroken run in which what the dial depends on is as it is now."""

    def kept(n: int) -> list[str]:
        return [flight.states[n][p] for p in parents if p in LAGGING and p in flight.states[n]]

    start = number
    while start and kept(start - 1) == kept(number):
        start -= 1
    return start


def _stretch(flight: Flight, start: int, number: int) -> Flights:
    """Motion from the start of one snapshot to the end of another, gaps filled in straight."""
    if start == number:
        return flight.flown[number]
    pieces = [flight.flown[start]]
    for later in range(start + 1, number + 1):
        samples = max(round(flight.plan.snapshot[later].minutes_before * 60.0), 1)
        pieces += [_gap(pieces[-1], flight.flown[later], samples), flight.flown[later]]
    moving = {
        f.name: np.concatenate([_of_shape(getattr(p, f.name), p.samples) for p in pieces], axis=1)
        for f in fields(Flights)
        if f.name not in NOT_MOVING
    }
    total = sum(piece.samples for piece in pieces)
    return replace(flight.flown[number], time_s=np.arange(total, dtype=np.float64), **moving)


def _of_shape(values: np.ndarray, samples: int) -> np.ndarray:
    return np.broadcast_to(values, (1, samples))


def _gap(before: Flights, after: Flights, samples: int) -> Flights:
    """Straight from the end of one snapshot to the start of the next."""
    along = (np.arange(samples) + 1.0) / (samples + 1.0)
    moving = {}
    for f in fields(Flights):
        if f.name in NOT_MOVING:
            continue
        first, last = getattr(before, f.name)[:, -1:], getattr(after, f.name)[:, :1]
        moving[f.name] = first + (last - first) * along
    return replace(after, time_s=np.arange(samples, dtype=np.float64), **moving)
