"""One simulated flight: a motion and a state of the aircraft over its whole time, seen in its snapshots.

The physics is that of flown scenarios: what the past leaves behind (the pressure in a sealed line, how far each rotor
has run down, what is left in the battery, where a needle stuck) follows from the minutes before, those between the
snapshots and those before the first one. The gauges are read by ``readings``, the same rules as everywhere. What is
calibration's own is the world: what is flown, what fails and when, how large things are, how the pilot looks and tells.

Simplified: a failure begins, and a switch moves, between two snapshots (an onset that a pilot sees falls into the
first seconds of the later one). Airspeed follows the maneuver and is not carried over a gap, through which all else
goes straight. What failed before the first snapshot of a flight that is joined in the air failed at an even chance
anywhere since the start, at an altitude for which the knowledge base states the chances.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec
import numpy as np

from diagnose.model import UNLISTED, CaseRecord, Facet, MemoryKind, Quantity, SnapshotRecord
from diagnose.model.units import S_PER_MIN, Array
from diagnose.network.likelihood import confusion, matches
from diagnose.network.tables import Network
from diagnose.physics.atmosphere import pressure_altitude_ft
from diagnose.physics.draws import Draws, Sizes
from diagnose.physics.flight import AIR, SNAPSHOT_S, TURBULENCE, Flights, draw_flights
from diagnose.physics.flown import Flown
from diagnose.physics.gyro_dials import rotor
from diagnose.physics.panel import show
from diagnose.physics.pressure_dials import static_inhg
from diagnose.practice.simulate.coding import read
from diagnose.practice.simulate.plan import battery_states, conditions_over_time, degrees_over_time
from diagnose.proof.calibrate.world import Plan, between, draw_truth, wider

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
        self.sizes = Sizes(
            quantities={**quantities, **network.kb.flown_quantities}, seed=int(rng.integers(2**60))
        )
        self.acting = self._acting()
        self.motion = [self._motion(n) for n in range(len(plan.snapshot))]
        self.windows: list[slice] = []
        self.words: dict[str, np.ndarray] = {}
        self.flown = self._whole(self._fly())
        self.states = [self._state(window.start) for window in self.windows]

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
        chance[motions.slips[row]] *= self.sloppy
        pick = int(self.rng.choice(len(chance), p=chance / chance.sum()))
        return {axis: network.states[axis][int(motions.values[axis][pick])] for axis in motions.axes}

    def _fly(self) -> list[Flights]:
        """Motion of every snapshot; altitude carries on over snapshots and gaps."""
        flown: list[Flights] = []
        held = {name: self.sizes(name) for name in HELD}
        quantities = self.sizes.draws.quantities
        cruise_kt = float(Draws(quantities, self.rng)("flight.airspeed_kt", 1)[0])
        for number, snapshot in enumerate(self.plan.snapshot):
            axes = {axis: np.array([value]) for axis, value in self.motion[number].items()}
            # climb and approach are slower than cruise; what power and attitude give differs by maneuver
            slower = self.rng.uniform(0.75, 1.0) if self.motion[number]["power"] != "cruise" else 1.0
            exact = {**held, "flight.airspeed_kt": max(cruise_kt * float(slower), 65.0)}
            if flown:
                after = self._height_after_gap(flown[-1], snapshot, held["flight.field_ft"])
                exact["flight.height_ft"] = after
            known = {
                name: msgspec.structs.replace(quantities[name], low=value, high=value, scale="even")
                for name, value in exact.items()
            }
            draws = Draws({**quantities, **known}, self.rng)
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

    # ---------------------------------------------------------- the whole of it, second by second

    def _whole(self, snapshots: list[Flights]) -> Flown:
        """Everything from before the first snapshot to the end of the last; fills ``windows``."""
        network, settle_s, end = self.network, round(self.sizes("snapshot.settle_s")), 0
        begins: list[int] = []
        for number, snapshot in enumerate(self.plan.snapshot):
            minutes = snapshot.minutes_before if number else self._before_min()
            start = end + max(round(minutes * S_PER_MIN), settle_s + 1)
            begins.append(
                start if number and self._seen_beginning(number) else int(self.rng.integers(end, start))
            )
            end = start + SNAPSHOT_S
            self.windows.append(slice(start, end))
        motion = self._joined(snapshots)
        # what is there in the first snapshot was there before it
        of = np.searchsorted(begins[1:], np.arange(motion.samples), side="right")
        parts = [self._parts(number) for number in range(len(snapshots))]
        positions = [network.switch_positions(snapshot.switches) for snapshot in self.plan.snapshot]
        given = {
            part: np.array([network.states[part].index(p.get(part, network.states[part][0])) for p in parts])[
                of
            ]
            for part in network.parts
        }
        switches = {name: np.array([p[name] for p in positions])[of] for name in positions[0]}
        battery = None
        if "battery_charge" in network.memories:
            battery, given["battery_charge"] = battery_states(network, given, motion.power[0], self.sizes)
        conditions = conditions_over_time(network, given, switches)
        degrees = {name: self._degree(name, words) for name, words in conditions.items()}
        gone = degrees_over_time(network, given, switches, self.sizes)
        self.words = conditions_over_time(network, {**given, **gone}, switches)
        self.words |= {name: np.array(network.states[name])[index] for name, index in gone.items()}
        return Flown(motion, self.sizes.draws, None, conditions, degrees, battery)

    def _before_min(self) -> float:
        """Minutes before the first snapshot in which what has failed has its effect."""
        if not self.acting[0]:
            return 0.0
        state = self._conditions(self._parts(0), self.plan.snapshot[0])
        memories = [tables.memory for tables in self.network.memories.values()]
        if any(memory.carry.get(state.get(memory.driver, "")) == "spin_up" for memory in memories):
            return self.sizes("rotor.spin_up.minutes")
        return float(self.rng.uniform(0.0, self.plan.minutes_since_start))

    def _first_above_ft(self) -> float:
        """Altitude of the first snapshot above that at which its flight is joined in the air."""
        chances = list(self.network.memories["static_trapped"].memory.first.values())
        side = int(self.rng.choice((-1, 0, 1), p=chances))
        return self.sizes("memory.far_ft") * side if side else self.sizes.either_way("memory.near_ft")

    def _joined(self, snapshots: list[Flights]) -> Flights:
        """The motion of all snapshots with what lies between and before them, straight; one flight."""
        first, samples = snapshots[0], self.windows[-1].stop
        airborne = bool(first.airborne.all())
        # a snapshot's motion has settled when it begins: it is flown for a while before
        back = np.arange(-round(self.sizes("snapshot.settle_s")), 0)
        known = np.concatenate([[0], *(np.arange(w.start - len(back), w.stop) for w in self.windows)])
        seconds = np.arange(samples)

        def straight(
            name: str, start: float | None = None, *, rises: bool = True, goes_on: bool = False
        ) -> Array:
            pieces = [np.broadcast_to(getattr(s, name), (1, SNAPSHOT_S))[0] for s in snapshots]
            slopes = [(piece[-1] - piece[0]) / (SNAPSHOT_S - 1) * rises for piece in pieces]
            pieces = [
                np.r_[piece[0] + slope * back, piece] for piece, slope in zip(pieces, slopes, strict=True)
            ]
            if goes_on:
                moved = np.cumsum([0.0, *(piece[-1] - piece[0] for piece in pieces)])
                pieces = [piece - piece[0] + at for piece, at in zip(pieces, moved, strict=False)]
            at_first = pieces[0][0] if start is None else start
            return np.interp(seconds, known, np.concatenate([[at_first], *pieces]))[None]

        above_ft = self._first_above_ft() if airborne else 0.0
        speed, of = (
            np.maximum(straight("airspeed_kt"), 0.0),
            np.searchsorted([w.stop for w in self.windows], seconds, "right"),
        )
        inside = np.isin(seconds, known[1:])
        pace, power = (
            np.array([getattr(s, name)[0, 0] for s in snapshots])[of] for name in ("pace", "power")
        )
        if not airborne:
            pace = np.where(seconds < self.windows[0].start, "at_rest", pace)
            power = np.where(seconds < self.windows[0].start, "idle", power)
        return Flights(
            time_s=seconds.astype(np.float64),
            height_ft=straight("height_ft", float(first.height_ft[0, 0]) - above_ft),
            airspeed_kt=speed,
            expected_airspeed_kt=straight("expected_airspeed_kt", rises=False),
            turn_rate_dps=straight("turn_rate_dps", 0.0, rises=False),
            heading_deg=straight("heading_deg", goes_on=True),
            bank_deg=straight("bank_deg", 0.0, rises=False),
            pitch_deg=straight("pitch_deg", rises=False),
            bumps=straight("bumps", rises=False),
            pace=pace[None],
            power=power[None],
            gained=np.where(inside, straight("trend_kt_per_s", rises=False), np.gradient(speed, axis=1)),
        )

    def _degree(self, name: str, words: np.ndarray) -> Array:
        """How far a part or source has gone: all of it, or ever more over the snapshot in which an inlet closes."""
        gone = np.asarray(words != self.network.states[name][0], dtype=np.float64)
        choking = words == "choking"
        if choking.any() and self.sizes.draws.chance("pitot.choking.sinks", 1)[0]:
            begins = int(np.argmax(choking))
            first = next(window.start for window in self.windows if window.stop > begins)
            return np.where(choking, np.clip((np.arange(len(words)) - first) / SNAPSHOT_S, 0.0, 1.0), gone)
        return gone

    def _state(self, second: int) -> dict[str, str]:
        """Condition of every part, source and memory at this second, as far as stated chances depend on it."""
        flown, network = self.flown, self.network
        state = {name: str(words[second]) for name, words in self.words.items()}
        up, stopped = flown.draws.fixed("rotor.up_to_speed_above"), flown.draws.fixed("rotor.stopped_below")
        near_ft = flown.draws.fixed("memory.near_limit_ft")
        for name, tables in network.memories.items():
            memory, names = tables.memory, tuple(tables.memory.states)
            state.setdefault(name, memory.start)
            if memory.kind is MemoryKind.ROTOR:
                speed = rotor(flown, name.removesuffix("_rotor"))[0, second]
                state[name] = names[0] if speed >= up else names[1] if speed >= stopped else names[2]
            elif memory.driver == "static" and state["static"] in memory.carry:
                reads_ft = pressure_altitude_ft(static_inhg(flown)[0, second])
                above_ft = flown.motion.height_ft[0, second] - reads_ft
                state[name] = names[int(np.digitize(above_ft, (-near_ft, near_ft)))]
        return state

    def _conditions(self, given: Mapping[str, str], snapshot: SnapshotRecord) -> dict[str, str]:
        network = self.network
        indices = {name: np.array([network.states[name].index(state)]) for name, state in given.items()}
        switches = network.switch_positions(snapshot.switches)
        found = network.conditions(indices, switches, 1)
        return {name: network.states[name][int(index[0])] for name, index in found.items()}

    def _seen_beginning(self, number: int) -> bool:
        """Whether an onset falls into this snapshot's first seconds."""
        begins = [since for i, since in self.truth.items() if i in self.acting[number]]
        return number in begins and self.rng.random() < self.network.kb.world.seen_beginning


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
    return read(facet, show(facet.channel, flight.flown), flight.windows[number])
