"""Advice judged by its worst answer: random cases of every panel, and the rules that no answer may break.

``python -m tests.advice_rules --cases 2000`` draws as many cases for each panel and stores the counts in
``knowledge/evidence/advice.json``; ``tests/test_advice_rules.py`` runs fewer. Rules are written from the readings,
the panel and the chances of states alone, with tables of their own, not with the functions that give the advice.
"""

from __future__ import annotations

import argparse
import re
import sys
import tomllib
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from datetime import date
from functools import cache, cached_property
from itertools import repeat

import msgspec
import numpy as np

from diagnose import engine_for
from diagnose.advice.advise import advise
from diagnose.advice.decisions import with_decisions
from diagnose.knowledge.load import knowledge_root, with_only
from diagnose.model import CaseRecord, FailureKind, Grade, SnapshotRecord
from diagnose.model.errors import ImpossibleEvidence
from diagnose.network.evidence import motion_chance
from diagnose.network.statements import facet_chance
from diagnose.proof.stored import ADVICE, AdviceRules
from tests.small import shipped

SEED = 20261128
USE, VERIFY, COVER = Grade.USE, Grade.VERIFY, Grade.COVER
BLIND = {"visible_moisture", "instruments_only"}
SETTINGS = ("anomaly", "exercise", "routine")
#: conditions of flight, each as often as it stands here
CONDITIONS = (
    (),
    (),
    ("visible_moisture",),
    ("instruments_only",),
    ("visible_moisture", "instruments_only"),
    ("visible_moisture", "below_freezing"),
    ("visible_moisture", "below_freezing", "pitot_heat_off"),
    ("visible_moisture", "unusual_attitude"),
    ("unusual_attitude", "instruments_only"),
    ("turbulence",),
)
#: what may be known besides; what a panel lacks is left out
KNOWN = (
    "pitot_heat_inop",
    "turn_coordinator_inop",
    "attitude_inop",
    "heading_inop",
    "vacuum_inop",
    "alternate_static_inop",
    "standby_inop",
    "transponder_inop",
    "altimeter_setting_old",
    "maintained",
    "above_12000",
    "just_started",
    "parked_uncovered",
)
INOP = {
    "alternate_static": "alternate_static_inop",
    "pitot_heat": "pitot_heat_inop",
    "standby_suction": "standby_inop",
}
IN_CABIN = ("pressurized", "unpressurized")
#: failures after which decisions are owed, so that each is met often enough to be a proof
TELLING = (
    "alternator_failed",
    "alternator_tripped",
    "alternator_overcharging",
    "alternator_and_battery_lost",
    "main_bus_dead",
    "avionics_bus_dead",
    "turn_supply_open",
    "electric_attitude_supply_open",
    "pitot_heater_dead",
    "com_set_dead",
    "transmitter_dead",
    "transponder_dead",
    "pump_sheared",
    "pump_weak",
    "left_pump_stopped",
    "right_pump_stopped",
    "both_pumps_stopped",
    "venturi_iced",
    "suction_gauge_zero",
    "attitude_worn",
    "heading_stuck",
    "airspeed_stuck",
    "altimeter_stuck",
    "vertical_speed_stuck",
    "pitot_ram_iced",
    "pitot_and_drain_iced",
    "static_ports_taped",
    "static_icing",
    "static_restricted",
    "static_leak_low",
    "pitot_static_mast_icing",
    "pitot_static_lines_swapped",
)
#: so many cases share a flight, and with it what the engine has worked out for it
SHARE = 6
AIR = 0.8
#: after so many cases of each panel what was found is stored
ROUND = 30
#: of so many flights all but one are drawn to meet a rule's premise, and are random in all else
AIMED = 3


@dataclass(frozen=True, kw_only=True)
class Aim:
    """What is drawn so that a premise is met: all else of the case stays random.

    ``failures``: one of these is there. ``context`` is stated, ``without`` is not. ``on``: this switch is off first
    and on in the last of two snapshots; ``off``: it is off. ``phase`` of the maneuver. ``shows``: readings of the last
    snapshot, one of those listed; ``always``: facets that are read. ``share`` of the other facets that is read.
    ``wait``: minutes before a later snapshot.
    """

    failures: tuple[str, ...] = ()
    context: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    on: str = ""
    off: str = ""
    phase: str = "air"
    turning: bool = True
    shows: dict[str, tuple[str, ...]] = field(default_factory=dict)
    always: tuple[str, ...] = ()
    share: float | None = None
    wait: tuple[float, ...] = ()

    def fits(self, network) -> bool:
        """Whether the panel can meet it."""
        there = {*network.facets, *network.panel.switches, *(failure.id for failure in network.failures)}
        names = {*self.shows, self.on, self.off} - {""}
        return names <= there and (not self.failures or bool(set(self.failures) & there))


SUCTION_LOST = ("pump_sheared", "suction_hose_collapsed", "both_pumps_stopped", "pump_weak")
STATIC_SHUT = (
    "static_ports_taped",
    "static_line_iced",
    "static_water_plug",
    "static_restricted",
    "static_icing",
)
POWER_LOST = ("alternator_and_battery_lost", "avionics_bus_dead", "main_bus_dead")
SIDES = ("left", "right")
#: a premise, and how a case is drawn that meets it
AIMS = {
    "suction zero": Aim(failures=SUCTION_LOST, shows={"suction.value": ("zero",)}),
    "a gyro without air against the turn coordinator": Aim(
        failures=("pump_sheared",),
        shows={
            "suction.value": ("zero",),
            "vacuum_light.state": ("lit",),
            "turn_coordinator.turn": ("level",),
            "attitude.bank": SIDES,
        },
        always=("suction.value", "vacuum_light.state", "heading.trend"),
        turning=False,
        wait=(5.0, 12.0),
    ),
    "held by the gyros alone": Aim(
        context=("instruments_only",),
        turning=False,
        shows={"attitude.bank": ("level",), "turn_coordinator.turn": SIDES},
        share=0.1,
    ),
    "a motion denied": Aim(
        turning=False,
        shows={
            "attitude.bank": ("level",),
            "turn_coordinator.turn": SIDES,
            "altimeter.trend": ("falling",),
            "airspeed.trend": ("rising",),
        },
        share=0.3,
    ),
    "standby_suction needed": Aim(failures=SUCTION_LOST, off="standby_suction", always=("suction.value",)),
    "on standby suction": Aim(
        failures=SUCTION_LOST, on="standby_suction", always=("suction.value", "vacuum_light.state")
    ),
    "alternate_static needed": Aim(failures=STATIC_SHUT, off="alternate_static", always=("altimeter.trend",)),
    "on alternate static": Aim(
        failures=STATIC_SHUT, on="alternate_static", always=("altimeter.trend", "vertical_speed.rate")
    ),
    "pitot_heat needed": Aim(
        failures=("pitot_ram_iced", "pitot_and_drain_iced", "pitot_and_static_iced"), off="pitot_heat"
    ),
    "cabin to dump": Aim(
        failures=("static_leak_low", "static_leak_high"),
        context=("pressurized",),
        without=("unpressurized",),
        share=0.9,
    ),
    "reset needed": Aim(
        failures=("alternator_tripped", "alternator_failed"),
        always=("ammeter.state", "low_voltage_light.state"),
    ),
    "a slip": Aim(
        failures=("altimeter_set_high", "altimeter_set_low", "heading_not_reset", "attitude_mis_set"),
        always=(
            "setting_check.state",
            "altimeter.value",
            "heading.value",
            "attitude.pitch",
            "atc_height.against_altimeter",
        ),
        share=0.9,
    ),
    "second instrument": Aim(
        failures=(
            "airspeed_stuck",
            "altimeter_stuck",
            "altimeter_sticky",
            "pitot_insect_nest",
            "airspeed_overstressed",
        ),
        shows={"second_airspeed.value": ("normal",)},
        share=0.9,
    ),
    "flag showing": Aim(failures=("turn_supply_open",), shows={"turn_coordinator.flag": ("showing",)}),
    "power low": Aim(
        failures=("alternator_failed", "alternator_low_output"),
        always=("voltmeter.value", "lights.state"),
        wait=(20.0, 40.0, 60.0),
    ),
    "radios dead in flight": Aim(failures=POWER_LOST, always=("radios.state",)),
    "nothing read": Aim(share=0.0),
    "stall warner sounds": Aim(shows={"stall_warner.state": ("sounding",)}, context=("unusual_attitude",)),
    "not required alone": Aim(
        failures=(
            "vertical_speed_stuck",
            "vertical_speed_stuck_away",
            "vertical_speed_metering_blocked",
            "gps_lost",
        ),
        share=0.9,
    ),
    "required out, visual": Aim(
        failures=(
            "airspeed_stuck",
            "altimeter_stuck",
            "attitude_worn",
            "heading_stuck",
            "turn_dead",
            "compass_stuck",
        ),
        without=("visible_moisture", "instruments_only"),
        share=0.9,
    ),
    "required out, blind": Aim(
        failures=(
            "airspeed_stuck",
            "altimeter_stuck",
            "turn_dead",
            "turn_supply_open",
            "compass_stuck",
            "heading_stuck",
        ),
        context=("instruments_only",),
        share=0.9,
    ),
    "airspeed out on the roll": Aim(
        failures=(
            "airspeed_stuck",
            "pitot_insect_nest",
            "pitot_static_lines_swapped",
            "static_restricted",
            "airspeed_overstressed",
        ),
        phase="roll",
        share=0.9,
    ),
    "alternate static left open": Aim(
        failures=("alternate_static_left_open", "rough_air"), off="alternate_static", share=0.5
    ),
    "required out, roll": Aim(
        failures=("airspeed_stuck", "turn_supply_open", "turn_dead", "attitude_worn", "heading_stuck"),
        context=("instruments_only",),
        phase="roll",
        share=0.9,
    ),
}


# ------------------------------------------------------------------ random cases


@cache
def chances_of_aims(panel: str) -> tuple[tuple[str, ...], np.ndarray]:
    """Premises that a panel can meet, those that few panels can the more often."""
    networks = {name: engine_for(shipped(), name).network for name in shipped().panels}
    fitting = {
        name: [p for p, network in networks.items() if aim.fits(network)] for name, aim in AIMS.items()
    }
    names = tuple(name for name, panels in fitting.items() if panel in panels)
    weights = np.array([1.0 / len(fitting[name]) for name in names])
    return names, weights / weights.sum()


def aim_of(panel: str, rng) -> Aim:
    """Draw what a flight is drawn for."""
    names, chances = chances_of_aims(panel)
    return AIMS[str(rng.choice(names, p=chances))] if rng.integers(AIMED) else Aim(phase="")


def flight(engine, rng, aim: Aim) -> CaseRecord:
    """Draw a flight of up to three snapshots in which nothing is read yet: maneuvers, times, switches, what is known."""
    network, kb = engine.network, engine.network.kb
    cabin = "cabin" in network.parts
    dead = {INOP[switch] for switch in network.panel.switches}
    known = [name for name in KNOWN if name in dead or name not in INOP.values()]
    context = dict.fromkeys(CONDITIONS[rng.integers(len(CONDITIONS))])
    if rng.random() < 0.35:
        context |= dict.fromkeys(rng.choice(known, rng.choice([1, 1, 2]), replace=False).tolist())
    if cabin and rng.random() < 0.5:
        context[str(rng.choice(IN_CABIN))] = None
    context |= dict.fromkeys(aim.context)
    avoided = {*aim.without, *(INOP.get(switch, "") for switch in (aim.on, aim.off))}
    context = {name: None for name in context if name not in avoided}
    air = [m.id for m in kb.manoeuvres.values() if m.phase == "air"]
    if not aim.turning:
        air = [name for name in air if "turn" not in name]
    other = [m.id for m in kb.manoeuvres.values() if m.phase != "air"]
    chosen = air if rng.random() < AIR or aim.phase == "air" else other
    if aim.phase == "roll":
        air = chosen = [m.id for m in kb.manoeuvres.values() if m.phase == "roll"]
    manoeuvre = rng.choice(chosen)
    snapshots: list[SnapshotRecord] = []
    switches: dict[str, str] = {}
    count = 2 if aim.on or aim.wait else rng.choice([1, 1, 1, 2, 3])
    for number in range(count):
        if number and rng.random() < 0.5:
            manoeuvre = rng.choice(air)
        for name in network.panel.switches:
            if rng.random() < (0.3 if number else 0.1):
                switches = {**switches, name: str(rng.choice(kb.switches[name].positions))}
        if moved := aim.on or aim.off:
            switches = {**switches, moved: "on" if aim.on and number == count - 1 else "off"}
        snapshots.append(
            SnapshotRecord(
                manoeuvre=str(manoeuvre),
                minutes=float(rng.choice([0.25, 1.0, 1.0, 2.0, 5.0])),
                minutes_before=float(rng.choice(aim.wait or [0.0, 2.0, 12.0])) if number else 0.0,
                switches=dict(switches),
            )
        )
    return CaseRecord(
        title="drawn",
        panel=network.panel.id,
        setting=str(rng.choice(SETTINGS)),
        context=tuple(context),
        snapshot=tuple(snapshots),
    )


def draw(engine, rng, bare: CaseRecord, aim: Aim) -> CaseRecord:
    """Draw failures on a flight, and what a pilot read of it.

    All readings of a snapshot come from one hidden state and one motion of the failures' own, so that they hang
    together as in flight; a few are then replaced by anything.
    """
    if rng.random() < 0.04 or aim.share == 0.0:
        return bare
    ids = [failure.id for failure in engine.network.failures]
    size = rng.choice([0, 1, 1, 1, 1, 1, 2, 2])
    pick = rng.random()
    among = [name for name in SLIPS if name in ids] if pick < 0.1 else ids
    if 0.1 <= pick < 0.55:
        among = [name for name in TELLING if name in ids]
    if aim.failures:
        among, size = [name for name in aim.failures if name in ids], 1
    failures = tuple(rng.choice(among, size, replace=False).tolist())
    share = aim.share or rng.choice([rng.uniform(0.1, 1.0), 1.0])
    numbers = range(len(bare.snapshot))
    read = [_read(engine, bare, number, failures, share, rng, aim.always) for number in numbers]
    shown = {facet: str(rng.choice(readings)) for facet, readings in aim.shows.items()}
    unsure = {facet: told for facet, told in read[-1].unsure.items() if facet not in shown}
    read[-1] = msgspec.structs.replace(read[-1], readings={**read[-1].readings, **shown}, unsure=unsure)
    return msgspec.structs.replace(bare, snapshot=tuple(read))


def drawn(engine, number: int, *seeds: int) -> CaseRecord:
    """Give the case of a number: of a flight that ``SHARE`` cases have in common."""
    rng = np.random.default_rng([*seeds, 1, number // SHARE])
    aim = aim_of(engine.network.panel.id, rng)
    return draw(engine, np.random.default_rng([*seeds, 2, number]), flight(engine, rng, aim), aim)


def _read(engine, case, number, failures, share, rng, always) -> SnapshotRecord:
    network, snapshot = engine.network, case.snapshot[number]
    until = msgspec.structs.replace(case, snapshot=case.snapshot[: number + 1])
    space, rows = engine.given(until, failures)
    row = rng.choice(space.count, p=rows / rows.sum())
    switches = network.switch_positions(snapshot.switches)
    state = {name: values[row : row + 1] for name, values in space.conditions(switches).items()}
    motions = network.motions(snapshot.manoeuvre)
    chance = motion_chance(network, motions, state)[0]
    motion = rng.choice(len(chance), p=chance / chance.sum())
    readings: dict[str, str] = {}
    unsure: dict[str, tuple[str, float]] = {}
    for facet, table in network.facets.items():
        checks = network.kb.gauges[facet.split(".")[0]].group == "checks"
        if rng.random() > (0.03 if checks else share) and facet not in always:
            continue
        spread = facet_chance(network, facet, state, motions)[0]
        spread = spread[motion if len(spread) > 1 else 0]
        if rng.random() < 0.04:
            spread = np.ones(len(spread)) / len(spread)
        reading = table.readings[rng.choice(len(spread), p=spread / spread.sum())]
        if rng.random() < 0.04:
            unsure[facet] = (reading, float(rng.choice([0.3, 0.8])))
        else:
            readings[facet] = reading
    disagree = ()
    if rng.random() < 0.1:
        pairs = [o.facets for o in network.kb.oppositions.values() if set(o.facets) <= set(network.facets)]
        one, other = pairs[rng.integers(len(pairs))]
        disagree = ((one.split(".")[0], other.split(".")[0]),)
    return msgspec.structs.replace(snapshot, readings=readings, unsure=unsure, disagree=disagree)


# ------------------------------------------------------------------ one answer under the rules


@dataclass(frozen=True)
class Tried:
    """One case with its posterior and its answer."""

    posterior: object
    answer: object

    @property
    def network(self):
        return self.posterior.space.network

    @property
    def case(self) -> CaseRecord:
        return self.posterior.case

    @property
    def last(self) -> SnapshotRecord:
        return self.case.snapshot[-1]

    @property
    def phase(self) -> str:
        return self.network.kb.manoeuvres[self.last.manoeuvre].phase

    @cached_property
    def grades(self) -> dict[str, Grade]:
        return {t.gauge: t.grade for t in self.answer.trust}

    @cached_property
    def trust(self):
        return {t.gauge: t for t in self.answer.trust}

    @cached_property
    def decided(self) -> set[str]:
        return {d.decision for d in self.answer.decisions}

    @property
    def blind(self) -> bool:
        return bool(BLIND & set(self.case.context))

    @property
    def read(self) -> bool:
        return any(s.readings or s.unsure or s.disagree for s in self.case.snapshot)

    @cached_property
    def positions(self) -> dict[str, str]:
        return self.network.switch_positions(self.last.switches)

    @cached_property
    def states(self):
        """State of every part and source of each row, and the chances counted so far."""
        return self.posterior.space.conditions(self.positions), {}

    def chance(self, name: str, *conditions: str) -> float:
        """Chance that a part or source is in one of these conditions now."""
        state, counted = self.states
        if name not in state:
            return 0.0
        known = self.network.states[name]
        if name not in counted:
            counted[name] = np.bincount(state[name], weights=self.posterior.rows, minlength=len(known))
        return float(sum(counted[name][i] for i, each in enumerate(known) if each in conditions))

    def stands(self, *gauges: str) -> bool:
        """Whether one of these is there and not to be covered."""
        return any(self.grades.get(gauge, COVER) is not COVER for gauge in gauges)

    @cached_property
    def met(self) -> set[str]:
        """Premises of the rules that this case has met."""
        return set()

    def meets(self, premise: str) -> bool:
        """Note that the case meets a premise, so that a run can tell how often it was there."""
        self.met.add(premise)
        return True

    def last_reading(self, facet: str) -> tuple[str, float] | None:
        """The last reading of a facet, and the minutes since it was first read so without a break."""
        said = [(n, s.readings[facet]) for n, s in enumerate(self.case.snapshot) if facet in s.readings]
        if not said:
            return None
        first = said[-1][0]
        for number, reading in reversed(said):
            if reading != said[-1][1]:
                break
            first = number
        return said[-1][1], sum(s.minutes + s.minutes_before for s in self.case.snapshot[first + 1 :])


#: chance of being misled above which verifying costs less than using: 60 p against 2 (1 - p) + 8 p
SUSPICION = 2.0 / 54.0
LOST = {
    "suction": ("none", "low", "weak", "swinging"),
    "pitot": (
        "restricted",
        "restricted_little",
        "leaking",
        "erratic",
        "choking",
        "vented",
        "empty",
        "sealed",
    ),
    "static": (
        "sealed",
        "restricted",
        "restricted_little",
        "erratic",
        "one_port",
        "swapped",
        "cabin_high",
        "cabin_pressurised",
    ),
}
CURED_BY_ALTERNATE = ("sealed", "restricted", "restricted_little", "erratic", "one_port")
#: parts that are owed a word of their own in cloud or at night once they have failed, and the words that give it
OWED = {
    ("alternator", "failed", "tripped", "low_output"): {"charging_lost"},
    ("alternator", "overcharging"): {"alternator_off"},
    ("com_set", "receives_only"): {"transmitter_out"},
    ("com_set", "dead"): {"report_equipment"},
    ("gps", "lost", "frozen"): {"report_equipment"},
    ("transponder", "dead", "no_height"): {"report_equipment"},
    ("encoder", "off"): {"report_equipment"},
}
Verdict = tuple[str, ...] | None
"""None where a rule does not apply; else what is broken, empty if nothing."""

SPEEDS = {"rising": "increasing", "falling": "decreasing", "steady": "constant"}
#: what a reading says of the motion
SAYS = {
    "attitude.bank": ("turn", {"left": "left", "right": "right", "level": "straight"}),
    "electric_attitude.bank": ("turn", {"left": "left", "right": "right", "level": "straight"}),
    "turn_coordinator.turn": ("turn", {"left": "left", "right": "right", "level": "straight"}),
    "heading.trend": ("turn", {"left": "left", "right": "right", "steady": "straight"}),
    "gps_track.trend": ("turn", {"left": "left", "right": "right", "steady": "straight"}),
    "compass.trend": ("turn", {"left": "left", "right": "right", "steady": "straight"}),
    "outside.bank": ("turn", {"left": "left", "right": "right", "level": "straight"}),
    "altimeter.trend": ("vertical", {"rising": "up", "falling": "down", "steady": "level"}),
    "second_altimeter.trend": ("vertical", {"rising": "up", "falling": "down", "steady": "level"}),
    "vertical_speed.rate": ("vertical", {"climb": "up", "descent": "down", "zero": "level"}),
    "gps_height.trend": ("vertical", {"rising": "up", "falling": "down", "steady": "level"}),
    "atc_height.trend": ("vertical", {"rising": "up", "falling": "down", "steady": "level"}),
    "airspeed.trend": ("speed", SPEEDS),
    "second_airspeed.trend": ("speed", SPEEDS),
    "gps_speed.trend": ("speed", SPEEDS),
    "wind_noise.trend": ("speed", SPEEDS),
}
#: what a gauge measures by; two that share one are one witness
RESTS_ON = {
    "attitude": "suction",
    "heading": "suction",
    "altimeter": "static",
    "second_altimeter": "static",
    "vertical_speed": "static",
    "atc_height": "static",
    "airspeed": "static",
    "second_airspeed": "static",
}


def _apart(case: Tried, gauge: str, *witnesses: str) -> bool:
    """Whether two witnesses share no source with each other; at rest on the ground, not with the gauge either."""
    names = witnesses if case.phase == "air" else (gauge, *witnesses)
    return len({RESTS_ON.get(name, name) for name in names}) == len(names)


def rule_1(case: Tried) -> Verdict:
    """An instrument that two independent working witnesses contradict is never "use", and they are named."""
    said: dict[str, dict[str, str]] = {}
    for facet, reading in case.last.readings.items():
        axis, means = SAYS.get(facet, ("", {}))
        on_ground = case.phase != "air" and facet.endswith(".bank")  # it turns there with its wings level
        # wind makes the groundspeed change in a turn, and on the ground there is none of it to hear
        no_speed = axis == "speed" and (case.phase != "air" or "turn" in case.last.manoeuvre)
        if reading in means and not (on_ground or no_speed):
            said.setdefault(axis, {})[facet.split(".")[0]] = means[reading]
    tried, broken = False, []
    dark = {POWER[g] for g, told in case.trust.items() if g in POWER and told.why.startswith("no power")}
    for axis, values in said.items():
        sure = [value for value, chance in case.posterior.motion[axis].items() if chance >= 0.8]
        for gauge, value in values.items():
            if (
                case.phase == "air"
                and axis != "speed"
                and sure not in ([], [value])
                and gauge in ("attitude", "altimeter", "turn_coordinator")
            ):
                tried = case.meets("a motion denied")
                if case.grades.get(gauge) is USE:
                    broken.append(f"{gauge} is used though you are surely {sure[0]}")
            witnesses = [
                (other, told)
                for other, told in values.items()
                if told != value
                and not (other in POWER and case.chance(POWER[other], "none") >= 0.5)
                and POWER.get(other) not in dark
            ]
            pairs = [
                (one, other)
                for i, (one, told) in enumerate(witnesses)
                for other, also in witnesses[i + 1 :]
                if told == also
                and _apart(case, gauge, one, other)
                and not case.grades.get(one, USE) is COVER is case.grades.get(other, USE)
            ]
            if not pairs:
                continue
            tried = case.meets("two against one")
            broken += [
                f"{axis.axis} is flown on {gauge} against {pairs[0]}"
                for axis in case.answer.axes
                if axis.primary == gauge and any(case.grades.get(g) is USE for g in axis.supporting)
            ]
            if case.grades.get(gauge) is USE:
                broken.append(f"{gauge} is used against {pairs[0]}")
            # one of the two may be a witness that the table here does not know, such as a stall warner
            elif not any(
                case.trust[gauge].why.endswith("contradict it")
                and case.network.kb.gauges[one].name in case.trust[gauge].why
                for pair in pairs
                for one in pair
            ):
                broken.append(f"{gauge}: {case.trust[gauge].why!r} does not name {pairs[0]}")
    return tuple(broken) if tried else None


HORIZONS = ("attitude", "electric_attitude")
AIRSPEEDS = ("airspeed", "second_airspeed")
ALTIMETERS = ("altimeter", "second_altimeter")
#: words that take something from an instrument, and the instruments of which one must stand
TAKEN = {
    r"100 ft in 10 s|begin \d+ ft before|\baltimeter\b": ALTIMETERS,
    r"vertical speed|\d fpm": ("vertical_speed", *ALTIMETERS),
    r"\d kt(?! \(assumed| of true)|airspeed(?! indicator's)": AIRSPEEDS,
    r"pitch [+-]?\d|degrees? of pitch|degrees of bank": (*HORIZONS, "outside"),
    r"turn coordinator|miniature airplane level": ("turn_coordinator",),
    r"attitude indicator": HORIZONS,
    r"heading indicator": ("heading",),
    r"settled compass|roll out by compass|turning by compass|the compass standing": ("compass",),
    r"GPS track": ("gps_track",),
    r"GPS altitude": ("gps_height",),
}
#: words that say what an instrument is not used for, or that a number is assumed
DENIED = (
    r"not by (the )?airspeed(, altimeter or vertical speed)?|altimeter and vertical speed are out or in doubt"
    r"|at \d+ kt( \(assumed; give your true airspeed\))?|your true airspeed|no dial tells"
    r"|if the (altimeter itself|first probe or indicator) has failed|only when the altimeter alone has failed"
    r"|as a slow altimeter|as the (altimeter|airspeed)\b|a false altitude|put in your own aircraft's"
)


def taken_wrongly(case: Tried, text: str) -> Iterator[str]:
    """Words of a text that take something from instruments of which none stands."""
    left = re.sub(DENIED, "", text)
    for words, gauges in TAKEN.items():
        if (found := re.search(words, left)) and not case.stands(*gauges):
            yield f"{found.group()!r} with {', '.join(gauges)} out: {text[:80]}"


def rule_2(case: Tried) -> Verdict:
    """No number, rule or technique is taken from an instrument that is covered, not fitted, lit or powered."""
    if all(case.stands(gauge) for gauges in TAKEN.values() for gauge in gauges if gauge != "outside"):
        return None
    broken = []
    for axis in case.answer.axes:
        for gauge in (axis.primary, *axis.supporting):
            if gauge and not case.stands(gauge):
                broken.append(f"{axis.axis} is flown on the {gauge}")
        broken += taken_wrongly(case, axis.how)
    for note in case.answer.technique:
        broken += taken_wrongly(case, note.says)
        broken += [f"{note.topic} uses {gauge}" for gauge in note.uses if not case.stands(gauge)]
    lines = {axis.axis: axis for axis in case.answer.axes}
    if "turn" in case.last.manoeuvre and "bank" in lines:
        case.meets("bank in a turn")
        bank = lines["bank"]
        broken += [
            f"the {g} supports the bank in a turn" for g in ("compass", "gps_track") if g in bank.supporting
        ]
        others = [g for g in ("turn_coordinator", *HORIZONS, "heading") if case.grades.get(g) is USE]
        if bank.primary in ("compass", "gps_track") and others:
            broken.append(f"the bank of a turn is held by the {bank.primary}, not the {others[0]}")
    if {g for g, grade in case.grades.items() if grade is COVER} & REQUIRED and case.phase == "air":
        calls = [d.decision for d in case.answer.decisions if d.kind == "say" or d.decision == "cover_it"]
        if calls[1:]:
            case.meets("a call with something to cover")
        if not calls or calls[0] != "cover_it":
            broken.append(f"the call comes before covering: {calls}")
    if case.answer.method:
        shown = (*case.answer.method.control, *case.answer.method.performance)
        broken += [f"{gauge} stands among the instruments" for gauge in shown if not case.stands(gauge)]
    return tuple(broken)


def rule_3(case: Tried) -> Verdict:
    """Suspicion is enough: Decide is not empty in cloud or at night; lost suction is taken at its word."""
    tried, broken = False, []
    if case.blind:
        lost = {name: case.chance(name, *states) for name, states in LOST.items()}
        lost["pump"] = case.chance("left_pump", "stopped") + case.chance("right_pump", "stopped")
        if max(lost.values()) >= SUSPICION:
            tried = case.meets("a supply in doubt, blind")
            if not case.answer.decisions:
                broken.append(f"nothing to decide with {lost}")
        owed = _owed(case) if case.phase == "air" and "handheld" not in case.decided else ()
        if owed:
            tried = case.meets("a word owed")
        broken += [f"no word of {what}" for what, words in owed if not words & case.decided]
        out = sorted({g for g, grade in case.grades.items() if grade is COVER} & REQUIRED)
        kinds = {d.kind for d in case.answer.decisions}
        if out and case.phase == "air":
            tried = case.meets("required out, blind")
            if not kinds & {"say", "fly", "land"}:
                broken.append(f"nothing but to cover {out}")
        if out and case.phase == "roll" and set(out) & (REQUIRED - {"compass", "ball"}):
            tried = case.meets("required out, roll")
            if "land" not in kinds:
                broken.append(f"the takeoff goes on into cloud or night with {out} covered")
        supply = case.chance("suction", *LOST["suction"]) + lost["pump"]
        if "watch_gyros" in case.decided:
            tried = case.meets("gyros suspect")
            if supply < SUSPICION:
                broken.append(f"the gyros are suspect with their supply lost at {supply:.3f}")
    # a word of coasting air-driven gyros needs one that lost its air and still looks right
    gyros = [case.trust[g] for g in ("attitude", "heading")]
    if case.decided & {"coasting", "coasting_in_cloud"}:
        tried = case.meets("coasting")
        if not any(told.coasting and told.grade is not COVER for told in gyros):
            broken.append("the pump is called lost with no gyro of it that coasts")
    # what the bank is held by shows what was meant: it alone does not cover a rate-of-turn instrument
    turns = {
        facet.split(".")[0]: SAYS[facet][1][reading]
        for facet, reading in case.last.readings.items()
        if facet in SAYS and SAYS[facet][0] == "turn" and reading in SAYS[facet][1]
    }
    rate = turns.get("turn_coordinator")
    powered = (
        case.chance("turn_power", "none") < 0.5
        and case.last.readings.get("turn_coordinator.flag") != "showing"
    )
    if case.phase == "air" and case.blind and rate and powered and "turn" not in case.last.manoeuvre:
        others = {gauge for gauge, turn in turns.items() if turn == "straight"} - {"turn_coordinator"}
        if rate != "straight" and others and others <= {"attitude", "heading"}:
            tried = case.meets("held by the gyros alone")
            stand = [g for g in others if case.grades.get(g) is USE]
            if stand and case.grades["turn_coordinator"] is COVER:
                broken.append(f"the turn coordinator is covered on the word of {stand} alone")
    suction = case.last_reading("suction.value")
    venturi = "venturi" in case.network.parts
    if suction and suction[0] == "zero" and suction[1] < 10.0 and not (venturi and case.phase != "air"):
        moment = [s for s in case.case.snapshot if "suction.value" in s.readings][-1]
        if not (venturi and case.network.kb.manoeuvres[moment.manoeuvre].phase != "air"):
            tried = case.meets("suction zero")
            broken += [
                f"{g} used while it may coast" for g in ("attitude", "heading") if case.grades[g] is USE
            ]
            one, other = turns.get("attitude"), turns.get("turn_coordinator")
            if (
                {one, other} <= {"left", "right", "straight"}
                and one != other
                and case.chance("suction", "none") > 0.97
                and case.chance("attitude_part", "healthy") > 0.97
                and case.stands("turn_coordinator")
                and case.phase == "air"
            ):
                tried = case.meets("a gyro without air against the turn coordinator")
                if case.grades["attitude"] is not COVER:
                    broken.append("attitude without air against the turn coordinator is not covered")
            if case.grades["suction"] is COVER:
                broken.append("the suction gauge is covered at zero")
            if case.phase == "air" and not re.search(
                "pump|gyros|suction|emergency|partial panel", " ".join(d.says for d in case.answer.decisions)
            ):
                broken.append("lost suction is not spoken of")
    return tuple(broken) if tried else None


def _owed(case: Tried) -> list[tuple[str, set[str]]]:
    """What has failed that is owed a word of its own in cloud or at night, and the decisions that say it."""
    owed = [(name, words) for (name, *states), words in OWED.items() if case.chance(name, *states) > 0.5]
    if case.grades["altimeter"] is COVER and case.grades.get("second_altimeter") is not USE:
        owed.append(("altimeter", {"altimeter_tell_atc", "pitot_static_tell_atc"}))
    if "visible_moisture" in case.case.context and case.chance("pitot_heater", "dead") > 0.5:
        owed.append(("pitot_heater", {"pitot_heater_dead", "leave_icing"}))
    return owed


def rule_4(case: Tried) -> Verdict:
    """Immediate actions are told while likely needed, and never when the switch is so already."""
    tried, broken = False, []
    if case.phase == "roll" and case.grades["airspeed"] is COVER:
        case.meets("airspeed out on the roll")
        return (
            ()
            if "land" in {d.kind for d in case.answer.decisions}
            else ("the takeoff goes on without airspeed",)
        )
    if case.phase != "air":
        return None
    alive = case.chance("bus", "dead") <= 0.5
    cabin = "cabin" in case.network.parts
    for switch, orders, needed in (
        (
            "pitot_heat",
            {"pitot_heat_on"},
            alive
            and case.chance(
                "pitot", "choking", "vented", "empty", "sealed", "restricted", "restricted_little", "erratic"
            )
            > 0.5,
        ),
        (
            "alternate_static",
            {"alternate_static_on", "alternate_static_on_pressurized"},
            case.chance("static", "sealed", "restricted", "restricted_little", "erratic", "one_port") > 0.5,
        ),
        (
            "standby_suction",
            {"standby_suction_on"},
            case.chance("suction", "none", "low", "weak", "swinging") > 0.5,
        ),
    ):
        if switch not in case.positions or INOP[switch] in case.case.context:
            continue
        told = orders & case.decided
        if case.positions[switch] == "on":
            tried = case.meets("switch is on")
            broken += [f"{order} with the switch on" for order in told]
        elif needed:
            tried = case.meets(f"{switch} needed")
            if not told:
                broken.append(f"{switch} is not told")
    cures = {
        "pitot_heat_on": max(
            case.chance("pitot", *(set(LOST["pitot"]) - {"leaking"})),
            case.chance("pitot_static_mast", "icing", "iced_shut"),
        ),
        "alternate_static_on": case.chance("static", *CURED_BY_ALTERNATE),
        "alternate_static_on_pressurized": case.chance("static", *CURED_BY_ALTERNATE),
    }
    if "set_right_alternate_static_left_open" in case.decided:
        tried = case.meets("alternate static left open")
        broken += [
            f"{order} while it is to be shut"
            for order in case.decided
            if order.startswith("alternate_static_on")
        ]
    told = [(d.decision, cures[d.decision]) for d in case.answer.decisions if d.decision in cures]
    if len(told) > 1:
        tried = case.meets("two cures")
        if told[0][1] < told[1][1] - 0.02:
            broken.append(f"{told[0][0]} before {told[1][0]}: {told[0][1]:.2f} and {told[1][1]:.2f}")
    done = any("alternator_reset.state" in {*s.readings, *s.unsure} for s in case.case.snapshot)
    if done and "alternator_reset" in case.decided:
        broken.append("the alternator is reset twice")
    if not done and alive and case.chance("alternator", "tripped", "failed") > 0.5:
        tried = case.meets("reset needed")
        if "alternator_reset" not in case.decided:
            broken.append("the alternator is not reset")
    if cabin and "unpressurized" not in case.case.context and case.chance("static", "cabin_pressurised") > 0.5:
        tried = case.meets("cabin to dump")
        if "dump_cabin" not in case.decided:
            broken.append("the cabin is not dumped")
    if (
        case.positions.get("alternate_static") == "on"
        and case.chance("static_ports", "sealed", "restricted") > 0.5
    ):
        tried = case.meets("on alternate static")
        if "stay_on_alternate" not in case.decided:
            broken.append("not told to stay on the alternate source")
    if case.positions.get("standby_suction") == "on" and case.chance("engine_pump", "stopped", "weak") > 0.5:
        tried = case.meets("on standby suction")
        if "stay_on_standby" not in case.decided:
            broken.append("not told to stay on standby suction")
    return tuple(broken) if tried else None


#: slips and the instrument that each makes wrong
SLIPS = {
    "altimeter_set_high": "altimeter",
    "altimeter_set_low": "altimeter",
    "heading_not_reset": "heading",
    "attitude_mis_set": "attitude",
}


def rule_5(case: Tried) -> Verdict:
    """A slip is set right, not covered, landed for or written up; a wrong setting leaves Mode C alone."""
    space = case.posterior.space
    faulty = np.array([f.kind is FailureKind.FAILURE for f in space.network.failures])
    clean = ~(space.members & faulty).any(axis=1)
    ids = [f.id for f in space.network.failures]
    slip = clean & space.members[:, [ids.index(name) for name in SLIPS]].any(axis=1)
    sure = float(case.posterior.sets @ slip)
    if sure < 0.9:
        return None
    case.meets("a slip")
    broken = [f"{g} is covered for a slip" for g in set(SLIPS.values()) if case.grades.get(g) is COVER]
    # a failure beside it that is likely enough to act on has decisions of its own (rule 3)
    if 1.0 - sure < SUSPICION:
        broken += [f"{d.decision} for a slip" for d in case.answer.decisions if d.kind == "land"]
    mode_c = case.trust.get("atc_height")
    # what two witnesses say against it and lost power are no word of the setting
    doubt = mode_c and mode_c.grade is not USE and not re.search("contradict it|no power|does not show it", mode_c.why)
    if doubt and "altimeter" in {SLIPS[n] for n in SLIPS if case.answer.failures[n] > 0.9}:
        broken.append("Mode C is doubted for a wrong setting")
    chance, name = max((case.answer.failures[name], name) for name in SLIPS)
    if chance > 0.9 and case.read and not any(d.startswith("set_right_") for d in case.decided):
        broken += (
            [f"nothing sets right {name}"] if name != "heading_not_reset" or case.stands("compass") else []
        )
    return tuple(broken)


STATIC_FED = ("altimeter", "vertical_speed", "atc_height", "airspeed", "second_altimeter", "second_airspeed")


def rule_6(case: Tried) -> Verdict:
    """What shares a source shares its grade; a good second instrument takes the primary place."""
    tried, broken = False, []
    spoilt = case.chance(
        "static", "sealed", "restricted", "restricted_little", "erratic", "swapped", "cabin_pressurised"
    )
    if spoilt >= SUSPICION:
        tried = case.meets("static line in doubt")
        broken += [f"{g} is used on a static line in doubt" for g in STATIC_FED if case.grades.get(g) is USE]
        for note in case.answer.technique:
            if note.topic == "recovery" and re.search(r"by (altimeter and )?vertical speed;", note.says):
                broken.append("the recovery is sorted by a vertical speed on that line")
    if case.chance("suction", "none") >= SUSPICION:
        tried = case.meets("suction lost")
        broken += [f"{g} is used on lost suction" for g in ("attitude", "heading") if case.grades[g] is USE]
    for axis in case.answer.axes:
        for first, second in (("airspeed", "second_airspeed"), ("altimeter", "second_altimeter")):
            out = case.grades.get(first) is COVER
            if axis.usual == first and out and case.grades.get(second) is USE:
                tried = case.meets("second instrument")
                if axis.primary != second:
                    broken.append(f"{axis.axis}: {axis.primary} and not the {second}")
    return tuple(broken) if tried else None


POWER = {
    "turn_coordinator": "turn_power",
    "electric_attitude": "electric_attitude_power",
    "gps_height": "avionics_power",
    "gps_speed": "avionics_power",
    "gps_track": "avionics_power",
    "atc_height": "avionics_power",
}


def rule_7(case: Tried) -> Verdict:
    """Nothing without power is of use; with dead radios nothing is said by radio."""
    tried, broken = False, []
    for gauge, source in POWER.items():
        dead = case.chance(source, "none")
        if gauge in case.grades and dead >= SUSPICION:
            tried = case.meets("unpowered")
            if case.grades[gauge] is USE or (dead > 0.9 and case.grades[gauge] is not COVER):
                broken.append(f"{gauge} is {case.grades[gauge].value}, without power with {dead:.2f}")
        weak = case.chance(source, "low")
        if gauge in case.grades and weak >= SUSPICION:
            tried = case.meets("power low")
            if case.grades[gauge] is USE:
                broken.append(f"{gauge} is used on low power ({weak:.2f})")
        flag = case.last_reading(f"{gauge}.flag")
        if gauge in case.grades and flag and flag[0] == "showing":
            tried = case.meets("flag showing")
            if case.grades[gauge] is USE:
                broken.append(f"{gauge} is used with its flag in view")
    radios = case.last_reading("radios.state")
    seen_dead = radios is not None and radios[0] == "dead"
    if seen_dead:
        tried = case.meets("radios seen dead")
        fed = [gauge for gauge, source in POWER.items() if source == "avionics_power"]
        broken += [f"{g} is used with the radios dead" for g in fed if case.grades.get(g) is USE]
    if (seen_dead or case.chance("avionics_power", "none") > 0.5) and case.phase == "air":
        tried = case.meets("radios dead in flight")
        broken += [
            f"{d.decision} with dead radios"
            for d in case.answer.decisions
            if d.kind == "say" or re.search("[Tt]ell ATC|[Aa]sk ATC", d.short)
        ]
        texts = [*(a.how for a in case.answer.axes), *(n.says for n in case.answer.technique)]
        broken += [
            f"with dead radios: {text[:60]}" for text in texts if re.search("ATC|vectors|\\bask\\b", text)
        ]
        if "handheld" not in case.decided or not case.decided & {"lost_comm_ifr", "lost_comm_vfr"}:
            broken.append("no procedure for lost communication")
        if "instruments_only" in case.case.context and case.chance("bus", "dead") > 0.5:
            acts = [d.decision for d in case.answer.decisions if d.decision != "recover_first"]
            if acts[:2] != ["flashlight", "handheld"]:
                broken.append(f"flashlight and handheld do not come first: {acts[:2]}")
    return tuple(broken) if tried else None


def rule_8(case: Tried) -> Verdict:
    """A normal effect is told only where its condition holds."""
    if not case.answer.notes:
        return None
    broken = ["something is called normal in an upset"] if case.answer.upset else []
    motion, earlier = case.posterior.motion, case.case.snapshot[-2:-1]
    for note in case.answer.notes:
        held = motion["vertical"]["level"] >= 0.8 and motion["turn"]["straight"] >= 0.8
        if re.search("rising air|sinking air", note) and not held:
            broken.append(f"not held level and straight: {note[:60]}")
        if "after a left turn" in note or "after a right turn" in note:
            side = "left" if "after a left" in note else "right"
            if not earlier or f"{side}_turn" not in earlier[0].manoeuvre:
                broken.append(f"no {side} turn was flown: {note[:60]}")
        if "after leveling off" in note and (
            not earlier or not re.search("climb|descen|approach", earlier[0].manoeuvre)
        ):
            broken.append(f"no level-off: {note[:60]}")
        if note.startswith("vertical speed") and re.search("lags|still shows", note):
            trend = case.last.readings.get("altimeter.trend")
            expected = "steady" if "still" in note else ("rising", "falling")
            if case.last.minutes > 1.0 or trend not in expected:
                broken.append(f"no lag in {case.last.minutes} min, altimeter {trend}: {note[:60]}")
        if "venturi" in note and "venturi" not in case.network.parts:
            broken.append("no venturi is fitted")
        if "12,000" in note and "above_12000" not in case.case.context:
            broken.append("an altitude that nobody stated")
        if note.startswith("suction") and case.chance("suction", *LOST["suction"]) > 0.5:
            broken.append(f"a lost pump is called normal: {note[:60]}")
        if "bumps" in note.split(":")[0] and case.chance("bumps", "rough") < 0.8:
            broken.append(f"the air is not rough: {note[:60]}")
        if "cold air" in note and "below_freezing" not in case.case.context:
            broken.append("the air is not cold")
    return tuple(broken)


@cache
def table() -> dict[str, dict[str, str]]:
    """The published table of primary instruments, by maneuver."""
    text = (knowledge_root() / "handbook/scan.toml").read_text(encoding="utf-8")
    return {row["manoeuvre"]: row for row in tomllib.loads(text)["primary"]}


def rule_9(case: Tried) -> Verdict:
    """With nothing read, the partial panel is the handbook's table for the maneuver."""
    row = table().get(case.last.manoeuvre)
    if case.read or row is None:
        return None
    case.meets("nothing read")
    broken = []
    for axis in case.answer.axes:
        if axis.axis == "heading":
            continue
        published = row[axis.axis]
        if case.grades.get(published) is COVER:  # known to be dead before the flight
            continue
        if published in case.network.panel.gauges and (axis.primary != published or axis.how):
            broken.append(f"{axis.axis}: {axis.primary}, not {published}")
        use = getattr(case.network.kb.manoeuvres[case.last.manoeuvre], axis.axis)
        fitted = tuple(g for g in use.supporting if case.stands(g))
        if fitted == use.supporting and published in case.network.panel.gauges and axis.supporting != fitted:
            broken.append(f"{axis.axis}: supported by {axis.supporting}, not {fitted}")
    return tuple(broken)


def rule_10(case: Tried) -> Verdict:
    """Recovery from an upset uses only what the ranking leaves standing."""
    if not case.answer.upset or case.phase != "air":
        return None
    notes = [note for note in case.answer.technique if note.topic == "recovery"]
    broken = [] if len(notes) == 1 else [f"{len(notes)} recoveries"]
    for note in notes:
        broken += taken_wrongly(case, note.says)
        broken += [f"uses the {gauge}" for gauge in note.uses if not case.stands(gauge)]
        banks = [g for g in ("turn_coordinator", *HORIZONS) if case.grades.get(g) is USE]
        if banks and not set(banks) & set(note.uses):
            broken.append(f"the wings are not leveled by the {banks[0]}: {note.says[:60]}")
        if case.last.readings.get("stall_warner.state") == "sounding":
            case.meets("stall warner sounds")
            if re.search("[Pp]ower off", note.says) or "lower the nose" not in note.says.split(",")[0]:
                broken.append(f"the wing is not flown first: {note.says[:60]}")
    if not case.answer.decisions or case.answer.decisions[0].decision != "recover_first":
        broken.append("the recovery does not come first")
    return tuple(broken)


#: 14 CFR 91.205 (b) and (d): what is required for VFR or IFR of the instruments that are flown by
REQUIRED = {
    "airspeed",
    "altimeter",
    "compass",
    "attitude",
    "heading",
    "turn_coordinator",
    "electric_attitude",
    "ball",
}


def rule_11(case: Tried) -> Verdict:
    """No landing for an instrument that is neither required nor on a source in doubt; less left, more weight."""
    tried, broken = False, []
    covered = {
        g for g, grade in case.grades.items() if grade is COVER and case.network.kb.gauges[g].instrument
    }
    sources = max(
        [case.chance(name, *states) for name, states in LOST.items()]
        + [case.chance("bus", "on_battery", "sagging", "dead"), case.chance("avionics_power", "none")]
        + [case.chance(f"{side}_pump", "stopped") for side in ("left", "right")]
        # what comes and goes is in doubt while it is there
        + [
            case.answer.failures.get(name, 0.0)
            for name in ("charging_wire_intermittent", "pump_intermittent")
        ]
    )
    cured = "on" in (case.positions.get("alternate_static"), case.positions.get("standby_suction"))
    silent = case.last_reading("radios.state") or case.last_reading(
        "radios.transmit"
    )  # then lost communication rules
    if (
        covered
        and not covered & REQUIRED
        and sources < SUSPICION
        and not (cured or silent)
        and case.phase == "air"
    ):
        tried = case.meets("not required alone")
        broken += [f"{d.decision} for {sorted(covered)}" for d in case.answer.decisions if d.kind == "land"]
    if case.phase == "air" and covered & REQUIRED and not case.blind:
        lands = [d.urgency for d in case.answer.decisions if d.kind == "land"]
        tried = case.meets("required out, visual")
        if not lands:
            broken.append(f"no landing with {sorted(covered & REQUIRED)} covered")
        nothing = any(
            axis.axis in ("pitch", "bank")
            and not any(case.grades.get(g) is USE for g in (axis.primary, *axis.supporting))
            for axis in case.answer.axes
        )
        if nothing and lands and max(lands) < 2:
            broken.append("no weight though an axis has nothing left")
    return tuple(broken) if tried else None


RULES: dict[str, Callable[[Tried], Verdict]] = {
    f"{number}": globals()[f"rule_{number}"] for number in range(1, 12)
}
AMMETERS = ("center_zero", "", "loadmeter")


# ------------------------------------------------------------------ runs


@dataclass
class Counts:
    """How often each rule applied, and what was broken."""

    cases: int = 0
    tried: Counter[str] = field(default_factory=Counter)
    met: Counter[tuple[str, str]] = field(default_factory=Counter)
    broken: dict[str, list[str]] = field(default_factory=dict)

    def add(self, rule: str, found: Verdict, where: str) -> None:
        """Count one rule on one case."""
        if found is not None:
            self.tried[rule] += 1
        for text in found or ():
            self.broken.setdefault(rule, []).append(f"{where}: {text}")

    def merge(self, other: Counts) -> Counts:
        """Add another run's counts."""
        broken = {
            rule: [*self.broken.get(rule, []), *other.broken.get(rule, [])]
            for rule in {*self.broken, *other.broken}
        }
        return Counts(
            cases=self.cases + other.cases,
            tried=self.tried + other.tried,
            met=self.met + other.met,
            broken=broken,
        )


def run_panel(panel: str, cases: int, seed: int = SEED, first: int = 0) -> Counts:
    """Draw cases of one panel and hold rules 1 to 11 against their answers."""
    engine = engine_for(shipped(), panel)
    counts = Counts()
    for number in range(first, cases):
        hold(engine, drawn(engine, number, seed, zlib.crc32(panel.encode())), counts, f"{panel} {number}")
    return counts


def hold(engine, case: CaseRecord, counts: Counts, where: str) -> None:
    """Hold rules 1 to 11 against the answer to one case, and count it."""
    try:
        posterior = engine.posterior(case)
    except ImpossibleEvidence:
        return
    counts.cases += 1
    tried = Tried(posterior, with_decisions(posterior, advise(posterior)))
    for name, rule in RULES.items():
        before = set(tried.met)
        counts.add(name, rule(tried), where)
        counts.met.update((name, premise) for premise in tried.met - before)


def top_up(counts: Counts, least: int, seed: int, most: int = 12) -> Iterator[str]:
    """Draw further flights for each premise that fewer cases than ``least`` have met, ``most`` flights at the most."""
    for place, (premise, aim) in enumerate(AIMS.items()):
        engines = [engine_for(shipped(), panel) for panel in shipped().panels]
        fitting = [engine for engine in engines if aim.fits(engine.network)]
        for number in range(most):
            if sum(times for (_, met), times in counts.met.items() if met == premise) >= least:
                break
            engine = fitting[number % len(fitting)]
            shared = flight(engine, np.random.default_rng([seed, 3, place, number]), aim)
            for one in range(2 * SHARE):
                case = draw(engine, np.random.default_rng([seed, 4, place, number, one]), shared, aim)
                hold(engine, case, counts, f"{premise} {number} {one}")
        yield premise


def run_ammeters(panel: str, cases: int, seed: int = SEED, first: int = 0) -> Counts:
    """Rule 12: the ammeter's type decides what it says; one that is not known lies between the two."""
    kb, counts = shipped(), Counts()
    engines = []
    for fitted in AMMETERS:
        changed = msgspec.structs.replace(kb.panels[panel], ammeter=fitted)
        engines.append(engine_for(with_only(kb, panels={**kb.panels, panel: changed}), panel))
    out = [any(p == "alternator" for p in f.acts) for f in engines[0].network.failures]
    for number in range(first, cases):
        flown = drawn(engines[0], number, seed, 12, zlib.crc32(panel.encode()))
        last = flown.snapshot[-1]
        reading = ("zero", "discharge")[number % 2]
        kept = {f: r for f, r in last.readings.items() if not f.startswith(("ammeter.", "heater_load."))}
        unsure = {f: r for f, r in last.unsure.items() if not f.startswith(("ammeter.", "heater_load."))}
        first = [_without_ammeter(s) for s in flown.snapshot[:-1]]
        shown = msgspec.structs.replace(last, readings={**kept, "ammeter.state": reading}, unsure=unsure)
        case = msgspec.structs.replace(flown, snapshot=(*first, shown))
        try:
            chances = [engine.posterior(case).any_of(out) for engine in engines]
        except ImpossibleEvidence:
            continue
        counts.cases += 1
        order = chances if reading == "zero" else chances[::-1]
        wrong = not (order[0] <= order[1] + 1e-9 <= order[2] + 2e-9)
        found = (f"{reading}: {order}",) if wrong else ()
        counts.add("12", found, f"{panel} {number}")
    return counts


def _without_ammeter(snapshot: SnapshotRecord) -> SnapshotRecord:
    def kept(facets):
        return {f: r for f, r in facets.items() if not f.startswith(("ammeter.", "heater_load."))}

    return msgspec.structs.replace(snapshot, readings=kept(snapshot.readings), unsure=kept(snapshot.unsure))


def run_all(panel: str, cases: int, seed: int, first: int) -> Counts:
    """Hold all rules on one panel's cases from a number on; the ammeter's on a tenth, as each takes three engines."""
    return run_panel(panel, cases, seed, first).merge(run_ammeters(panel, cases // 10, seed, first // 10))


def titles() -> dict[str, str]:
    """What each rule says, by number."""
    said = {name: (rule.__doc__ or "").strip() for name, rule in RULES.items()}
    return {**said, "12": (run_ammeters.__doc__ or "").split(": ", 1)[1].split("\n")[0].strip().capitalize()}


def main(arguments: list[str]) -> int:
    """Run all panels and store the table of the evidence page."""
    parser = argparse.ArgumentParser(prog="python -m tests.advice_rules", description=__doc__)
    parser.add_argument("--cases", type=int, default=2000, help="cases of each panel (default 2000)")
    parser.add_argument(
        "--seed", type=int, default=SEED, help="seed of the draws (default: that of the tests)"
    )
    parser.add_argument("--panel", action="append", help="this panel only; nothing is stored then")
    parser.add_argument(
        "--least", type=int, help="add to what is stored until so many cases meet each premise"
    )
    parser.add_argument("--jobs", type=int, default=1, help="processes at once (default 1)")
    chosen = parser.parse_args(arguments)
    if chosen.least:
        return _topped_up(chosen.least, chosen.seed)
    counts, panels = Counts(), chosen.panel or list(shipped().panels)
    with ProcessPoolExecutor(chosen.jobs) as pool:
        for first in range(0, chosen.cases, ROUND):
            done = min(first + ROUND, chosen.cases)
            drawn_ones = pool.map(run_all, panels, repeat(done), repeat(chosen.seed), repeat(first))
            for panel, found in zip(panels, drawn_ones, strict=True):
                for rule, broken in found.broken.items():
                    print(*(f"{panel}: rule {rule}, {text}" for text in broken[:8]), sep="\n", flush=True)
                counts = counts.merge(found)
            print(done, counts.cases, dict(counts.tried), dict(counts.met), flush=True)
            if not chosen.panel:
                store(counts, f"python -m tests.advice_rules --cases {done} --seed {chosen.seed}")
    return 1 if counts.broken else 0


def _topped_up(least: int, seed: int) -> int:
    """Go on from the stored counts until each premise is met by so many cases, storing after each."""
    before = msgspec.json.decode((knowledge_root() / ADVICE).read_bytes(), type=AdviceRules)
    counts = Counts(
        cases=before.cases,
        tried=Counter({number: tried for number, _, tried, _ in before.rules}),
        met=Counter({(number, premise): times for number, premise, times in before.premises}),
        broken={number: ["stored"] * broken for number, _, _, broken in before.rules if broken},
    )
    for premise in top_up(counts, least, seed):
        print(premise, counts.cases, [text for found in counts.broken.values() for text in found], flush=True)
        store(counts, f"{before.command}; then --least {least} --seed {seed}")
    return 1 if counts.broken else 0


def store(counts: Counts, command: str) -> None:
    """Store what was found so far for the evidence page."""
    stored = AdviceRules(
        command=command,
        date=date.today().isoformat(),
        panels=len(shipped().panels),
        cases=counts.cases,
        rules=tuple(
            (n, says, counts.tried[n], len(counts.broken.get(n, ()))) for n, says in titles().items()
        ),
        premises=tuple((n, premise, times) for (n, premise), times in sorted(counts.met.items())),
    )
    (knowledge_root() / ADVICE).write_bytes(
        msgspec.json.format(msgspec.json.encode(stored), indent=1) + b"\n"
    )


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
