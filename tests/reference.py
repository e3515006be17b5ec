"""A reference for the engine: plain, slow, and without a line of its code.

It reads the knowledge files and the stored counts itself and takes from the package only the physics' random draws
and the suction of a starved rotor (both checked elsewhere). Prior, memories, transitions, cures, disagreements, soft
readings and motions are worked out here from what the knowledge files and DEVELOPERS.md say, in dictionaries and
loops, and the joint is summed over every hidden state that can come about: set of failures, which of them act, and
one state of every memory. Nothing is left out as unlikely, cached by kind, or laid out in rows.

``chances`` gives P(set of failures at the last snapshot | all that was said) and the chance of all that was said.
"""

from __future__ import annotations

import itertools
import json
import math
import tomllib
from collections import defaultdict
from functools import cache
from pathlib import Path

import msgspec
import numpy as np

from diagnose.knowledge.load import OTHER_FILES
from diagnose.physics.draws import Draws
from diagnose.physics.flight import draw_flights
from diagnose.physics.suction_dials import starved_rotor_speed

KNOWLEDGE = Path(__file__).parent.parent / "knowledge"
TIMES = (0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0, 120.0, 240.0)
CASES = 600


# ------------------------------------------------------------------ what the files say


@cache
def files():
    """Every table of the knowledge: kind -> id -> entry."""
    found = defaultdict(dict)
    own = [path for path in sorted(KNOWLEDGE.glob("*.toml")) if path.name not in OTHER_FILES]
    for path in [*own, *sorted((KNOWLEDGE / "failures").glob("*.toml"))]:
        for kind, entries in tomllib.loads(path.read_text(encoding="utf-8")).items():
            if isinstance(entries, dict):
                found[kind] = entries
            elif all(isinstance(entry, dict) for entry in entries):
                place = len(found[kind])
                found[kind] |= {e.get("id", place + number): e for number, e in enumerate(entries)}
    usual = {axis["id"]: axis["usual"] for axis in found["axis"].values() if "usual" in axis}
    for manoeuvre in found["manoeuvre"].values():
        manoeuvre["expected"] = usual | manoeuvre["expected"]
    return found


@cache
def counts():
    """Simulated counts of each facet, from the archive."""
    with np.load(KNOWLEDGE / "derived" / "likelihoods.npz") as archive:
        names = json.loads(bytes(archive["fingerprints"]))
        return {name: archive[name].astype(float) for name in names}


def states(name):
    """The states of anything that has some, in order."""
    kb = files()
    for kind in ("part", "source"):
        if name in kb[kind]:
            return list(kb[kind][name]["conditions"])
    if name in kb["memory"]:
        return list(kb["memory"][name]["states"])
    if name in kb["axis"]:
        return kb["axis"][name]["values"]
    return {**kb["switch"], **kb["circumstance"]}[name]["positions"]


def with_circumstances(before, snapshot):
    """The snapshot with what its length and the one before it say, among its switches."""
    kb, told = files(), {}
    for name, circumstance in kb["circumstance"].items():
        for one in reversed(circumstance["tells"]):
            holds = snapshot.minutes >= one.get("least_minutes", 0.0)
            if "before" in one:
                flown = kb["manoeuvre"][before.manoeuvre]["expected"] if before else {}
                holds = holds and snapshot.minutes_before <= one["within_minutes"]
                holds = holds and all(flown.get(axis) in values for axis, values in one["before"].items())
            if holds:
                told[name] = one["position"]
    return msgspec.structs.replace(snapshot, switches={**snapshot.switches, **told})


class Panel:
    """Some failures, gauges and switches on the parts of an aircraft."""

    def __init__(self, parts, gauges, switches, failures):
        kb = files()
        self.parts, self.gauges, self.switches = parts, gauges, switches
        self.failures = {name: kb["failure"][name] for name in failures}
        self.facets = {
            f"{gauge}.{facet['id']}": facet for gauge in gauges for facet in kb["gauge"][gauge]["facets"]
        }
        self.memories = {
            name: memory
            for name, memory in kb["memory"].items()
            if memory["driver"] in parts or memory["driver"] in kb["source"]
        }
        self.moving_parts = [
            part
            for part in dict.fromkeys(v["part"] for v in kb["variation"].values())
            # a source that no gauge of the panel feels, nor what it follows from, misleads nobody
            if part in parts
            or any(
                not {part, *(n for rule in kb["source"][part]["rules"] for n in rule["when"])}.isdisjoint(
                    facet.get("parents", ())
                )
                for facet in self.facets.values()
            )
        ]
        self._chances, self._conditions, self._axes = {}, {}, {}
        self._motions = {}

    def positions(self, said):
        """Every switch and circumstance: as said, or its first position."""
        names = (*self.switches, *files()["circumstance"])
        return tuple((name, said.get(name, states(name)[0])) for name in names)

    # -------------------------------------------------------------- conditions

    def condition(self, name, acting, memory, switches):
        """The condition of a part, source or memory, or the position of a switch; None if it is not there.

        ``memory``: (name, state) of each memory that is not at its start; ``switches``: (name, position) of all.
        """
        key = name, acting, memory, switches
        if key not in self._conditions:
            self._conditions[key] = self._condition(*key)
        return self._conditions[key]

    def _condition(self, name, acting, memory, switches):
        kb = files()
        if name in self.switches or name in kb["circumstance"]:
            return dict(switches)[name]
        if name in self.memories:
            return dict(memory).get(name, self.memories[name]["start"])
        if name in kb["part"]:
            if name not in self.parts:
                return None
            order = states(name)
            shown = [self.failures[f]["acts"][name] for f in acting if name in self.failures[f]["acts"]]
            return max(shown, key=order.index, default=order[0])
        if name not in kb["source"]:
            return None
        for rule in kb["source"][name].get("rules", []):
            for other, wanted in rule["when"].items():
                is_so = self.condition(other, acting, memory, switches)
                if is_so is None or is_so not in ([wanted] if isinstance(wanted, str) else wanted):
                    break
            else:
                if not any(self.lacks(other) for other in rule["when"]):
                    return rule["gives"]
        return states(name)[0]

    def lacks(self, name):
        """Whether the panel has no such part, memory or switch."""
        kb = files()
        if name in kb["source"] or name in kb["circumstance"]:
            return False
        return name not in self.parts and name not in self.memories and name not in self.switches

    # -------------------------------------------------------------- readings

    def table(self, facet_id):
        """Chances (parents..., axes..., readings) of a facet's readings, misreports mixed in."""
        if facet_id not in self._chances:
            facet = self.facets[facet_id]
            self._chances[facet_id] = told_of(facet, self.drawn(facet_id))
        return self._chances[facet_id]

    def drawn(self, facet_id):
        """Chances of what the gauge itself shows, from the counts or the stated rows."""
        facet = self.facets[facet_id]
        if facet.get("channel"):
            table = counts()[facet_id][..., : len(facet["readings"])]  # bins of sizes stand behind
        else:
            # of an ammeter whose type is not known each type is as likely
            types = {row["fitted"] for row in facet["rows"] if "fitted" in row} or {""}
            table = sum(self.stated(facet, each) for each in types) / len(types)
        return table / table.sum(axis=-1, keepdims=True)

    def stated(self, facet, fitted):
        """Chances of a facet by its stated rows, of which the first that fits holds."""
        names = [*facet["parents"], *facet.get("axes", [])]
        readings = [reading["id"] for reading in facet["readings"]]
        table = np.zeros([len(states(name)) for name in names] + [len(readings)])
        for place in itertools.product(*(range(len(states(name))) for name in names)):
            here = {name: states(name)[i] for name, i in zip(names, place, strict=True)}
            if "unlisted" in here.values():
                table[place] = 1.0 / len(readings)
                continue
            for row in facet["rows"]:
                when = row.get("when", {}).items()
                if row.get("fitted", fitted) == fitted and all(
                    here.get(name) in ([wanted] if isinstance(wanted, str) else wanted)
                    for name, wanted in when
                ):
                    table[place] = [row["gives"].get(reading, 0.0) for reading in readings]
                    break
        return table

    # -------------------------------------------------------------- motion

    def motions(self, manoeuvre_id):
        """The motions of a maneuver, and their chances by the conditions of air and pilot."""
        if manoeuvre_id not in self._motions:
            kb = files()
            axes = list(kb["axis"])
            # a condition that changes no motion flies like the first one
            changing = {(v["part"], v["condition"]) for v in kb["variation"].values()}
            by_own, by_combo = {}, {}
            for combo in itertools.product(*(states(part) for part in self.moving_parts)):
                own = tuple(
                    condition if (part, condition) in changing else states(part)[0]
                    for part, condition in zip(self.moving_parts, combo, strict=True)
                )
                if own not in by_own:
                    by_own[own] = self._motion_chances(kb["manoeuvre"][manoeuvre_id], own, axes)
                by_combo[combo] = by_own[own]
            every = {motion for chances in by_combo.values() for motion in chances}
            floor = kb["limits"]["motion_floor"]
            kept = sorted(m for m in every if max(c.get(m, 0.0) for c in by_combo.values()) >= floor)
            tables = {}
            for combo, chances in by_combo.items():
                row = np.array([chances.get(motion, 0.0) for motion in kept])
                tables[combo] = row / row.sum()
            values = {axis: [motion[n] for motion in kept] for n, axis in enumerate(axes)}
            self._motions[manoeuvre_id] = values, tables
        return self._motions[manoeuvre_id]

    def on_axes(self, manoeuvre_id, axes):
        """Place of every motion on each of these axes; a tuple of (motion,)."""
        if (manoeuvre_id, axes) not in self._axes:
            values, _ = self.motions(manoeuvre_id)
            places = tuple(np.array([states(axis).index(v) for v in values[axis]]) for axis in axes)
            self._axes[manoeuvre_id, axes] = places
        return self._axes[manoeuvre_id, axes]

    def _motion_chances(self, manoeuvre, combo, axes):
        """Motion (value of each axis) -> chance, while air and pilot are in these conditions."""
        usual = {}
        for axis in axes:
            strays = dict(manoeuvre.get("strays", {}).get(axis, {}))
            rest = 1.0 - sum(strays.values())
            expected = manoeuvre["expected"][axis]
            usual[axis] = {**strays, expected: strays.get(expected, 0.0) + rest}
        wanders = manoeuvre.get("wanders", [])
        ways = [(1.0 - sum(w["chance"] for w in wanders), {})]
        ways += [(w["chance"], w["motion"]) for w in wanders]
        for part, condition in zip(self.moving_parts, combo, strict=True):
            for variation in files()["variation"].values():
                if (
                    (variation["part"], variation["condition"]) == (part, condition)
                    and manoeuvre["phase"] in variation["phases"]
                    and (
                        not variation.get("meant") or manoeuvre["expected"]["vertical"] in variation["meant"]
                    )
                ):
                    ways = [
                        (chance * outcome["chance"], {**motion, **outcome["motion"]})
                        for chance, motion in ways
                        for outcome in variation["outcomes"]
                    ]
                    break
        found = defaultdict(float)
        for chance, motion in ways:
            choices = [
                [(motion[axis], 1.0)] if axis in motion else list(usual[axis].items()) for axis in axes
            ]
            for way in itertools.product(*choices):
                found[tuple(value for value, _ in way)] += chance * math.prod(p for _, p in way)
        return found


# ------------------------------------------------------------------ misreadings


def told_of(facet, shown):
    """Chances of what is told, from those of what the gauge shows; readings last."""
    if facet.get("channel"):
        # so many flights more, in which the drawn ones were misread
        flights, few = files()["limits"]["flights_per_cell"], files()["limits"]["prior_flights"]
        shown = (flights * shown + few * misread(facet, shown)) / (flights + few)
    slip = facet["misreport"]
    return (1.0 - slip) * shown + slip * misread(facet, shown)


def misread(facet, table):
    """Chances of what is told by somebody who misreads, from those of what is shown; readings last."""
    readings = [reading["id"] for reading in facet["readings"]]
    told = np.zeros_like(table)
    for place, shown in enumerate(readings):
        for other, chance in taken_for(facet, shown, readings).items():
            told[..., readings.index(other)] += table[..., place] * chance
    return told


def taken_for(facet, shown, readings):
    """Reading -> chance that a shown one is taken for it, by whoever misreads: the next on the dial, mostly."""
    fewer = files()["limits"]["confused_further"]
    weights = {}
    for other in readings:
        if other != shown:
            weights[other] = fewer ** (steps_apart(facet.get("scale", {}), shown, other) - 1.0)
    total = sum(weights.values())
    if total > 1.0:
        return {other: weight / total for other, weight in weights.items()}
    # one that nothing lies next to is mostly told rightly after all
    return {**weights, shown: 1.0 - total}


def steps_apart(scale, one, other):
    """Steps between two readings of a dial; without a scale all are next to each other."""
    if not scale:
        return 1.0
    if one not in scale or other not in scale or scale[one] == scale[other]:
        return 2.0
    return max(abs(scale[one] - scale[other]), 1.0)


# ------------------------------------------------------------------ prior


def rate_and_latent(failure, context):
    """Rate per hour and latent chance under the conditions of the day."""
    rate, latent = failure.get("rate_per_hour", 0.0), failure.get("latent", 0.0)
    holding = [effect for effect in failure.get("context", []) if all(w in context for w in effect["when"])]
    for effect in holding:
        rate *= effect.get("times", 1.0)
        latent *= effect.get("times", 1.0)
    for effect in holding:
        latent = effect.get("latent", latent)
    return rate, min(latent, files()["limits"]["largest_latent"])


def prior(panel, case):
    """Chance of each failure to be there from the start, and its mean number of onsets up to the end of each snapshot.

    It begins at a constant rate: what begins within a snapshot is there in it.
    """
    setting, context = files()["setting"][case.setting], list(case.context)
    for flag_id, flag in files()["context"].items():
        if case.snapshot and all(one.manoeuvre in flag.get("all_in", ()) for one in case.snapshot):
            context.append(flag_id)
        # a switch that a later snapshot speaks of first was moved there, and stood as usual before
        for switch, position in flag.get("switch", {}).items():
            spoken = [number for number, one in enumerate(case.snapshot) if switch in one.switches]
            moved = spoken and spoken[0] > 0 and case.snapshot[spoken[0]].switches[switch] != position
            if moved and states(switch)[0] == position:
                context.append(flag_id)
    latent_of, onsets = {}, [{} for _ in case.snapshot]
    for name, failure in panel.failures.items():
        rate, latent = rate_and_latent(failure, context)
        if "equal_chance" in setting and "unlisted" not in failure["acts"].values():
            latent = setting["equal_chance"] if rate > 0.0 or latent > 0.0 else 0.0
            # as often again in so many minutes of the case
            a_minute = -math.log(1.0 - setting["equal_chance"]) / setting["begins_within_min"]
            rate = 60.0 * a_minute if rate > 0.0 else 0.0
        latent_of[name] = latent
        for number, snapshot in enumerate(case.snapshot):
            minutes = snapshot.minutes
            if number > 0:
                minutes += snapshot.minutes_before
            elif "equal_chance" not in setting:
                minutes += case.minutes_since_start
            onsets[number][name] = rate * minutes / 60.0
    return latent_of, onsets


def nothing_loud(panel, latent, onsets):
    """Prior chance that nothing noticeable is there by the end."""
    return math.prod(
        (1.0 - latent[name]) * math.exp(-sum(step[name] for step in onsets))
        for name, failure in panel.failures.items()
        if not failure.get("silent", False)
    )


def setting_weight(case, nothing):
    """What the setting multiplies the odds of every set with something noticeable by."""
    setting = files()["setting"][case.setting]
    if "chance" not in setting or nothing >= 1.0:
        return 1.0
    return setting["chance"] / (1.0 - setting["chance"]) * nothing / (1.0 - nothing)


def joins(panel, before, onsets):
    """P(set after | set before) of one stretch of time: who begins in it, hastened by who is there or begins."""
    found = {}
    absent = [name for name in panel.failures if name not in before]
    for fresh in subsets(absent):
        after = frozenset(before) | fresh
        chance = 1.0
        for name in absent:
            left = math.exp(-onsets[name])
            for cause, times in panel.failures[name].get("hastened_by", {}).items():
                extra = (times - 1.0) * onsets[name]
                if cause in before:
                    left *= math.exp(-extra)
                elif cause in after:
                    left *= since_it_began(extra, onsets[cause])
            chance *= 1.0 - left if name in fresh else left
        found[after] = chance
    return found


#: points and weights for means over 0 to 1 (exact for any polynomial of degree 127)
POINTS, WEIGHTS = np.polynomial.legendre.leggauss(64)


def since_it_began(extra, cause):
    """Mean of exp(-extra (1 - s)) over the onset s of a cause that begins in 0 to 1, with this mean number."""
    s = (POINTS + 1.0) / 2.0
    onset = np.exp(-cause * s)
    return float(WEIGHTS @ (onset * np.exp(-extra * (1.0 - s))) / (WEIGHTS @ onset))


# ------------------------------------------------------------------ memories


@cache
def memory_tables(name):
    """(carry, time, vertical motion, from) -> shares of the states; and (carry, time) -> shares at onset."""
    memory = files()["memory"][name]
    quantities = {key: _Range(entry) for key, entry in files()["quantity"].items()}
    draws = Draws(quantities, np.random.default_rng(int.from_bytes(name.encode()[:7])))
    make = {
        "height": _height_tables,
        "rotor": _rotor_tables,
        "charge": _battery_tables,
        "degree": _degree_tables,
    }[memory["kind"]]
    return make(memory, draws)


class _Range:
    """A quantity as the draws ask for it."""

    def __init__(self, entry):
        self.low, self.high, self.scale = entry["low"], entry["high"], entry.get("scale", "linear")


def _shares(places):
    return [places.count(state) / len(places) for state in range(3)]


def _height_tables(memory, draws):
    """Follow cases that begin far below, near, or far above, in a climb, a descent, or level flight."""
    limit = float(draws("memory.near_limit_ft", 1)[0])
    climb, descent = draws("flight.climb_fpm", CASES).tolist(), draws("flight.descent_fpm", CASES).tolist()
    level = draws.either_way("flight.level_fpm", CASES).tolist()
    far = draws("memory.far_ft", CASES).tolist()
    near = draws.either_way("memory.near_ft", CASES).tolist()

    def state(above_ft):
        return 0 if above_ft < -limit else 1 if above_ft < limit else 2

    moves = {}
    for minutes in TIMES:
        # level flight is held: its error adds up for a minute at most
        moved = {
            "down": [-rate * minutes for rate in descent],
            "level": [rate * min(minutes, 1.0) for rate in level],
            "up": [rate * minutes for rate in climb],
        }
        for vertical, gained in moved.items():
            for place, begun in enumerate(([-ft for ft in far], near, far)):
                ends = [state(ft + gain) for ft, gain in zip(begun, gained, strict=True)]
                for carry in set(memory["carry"].values()):
                    moves[carry, minutes, vertical, place] = _shares(ends)
    return moves, {}


def _rotor_tables(memory, draws):
    """Speed (a share of full) nears what drives it, with one time constant down and another up."""
    up_from, stopped_below = (
        float(draws(f"rotor.{n}", 1)[0]) for n in ("up_to_speed_above", "stopped_below")
    )
    down_min, up_min = draws("rotor.run_down_min", CASES).tolist(), draws("rotor.run_up_min", CASES).tolist()
    flights = draw_flights({}, CASES, draws)
    weak = starved_rotor_speed(("low", "weak"), flights, draws).tolist()
    standby = starved_rotor_speed(("standby",), flights, draws).tolist()
    swinging = draws("rotor.swinging_suction_speed", CASES).tolist()
    since = draws.rng.random(CASES).tolist()
    aims = {
        "run_down": [0.0] * CASES, "run_up": [1.0] * CASES, "spin_up": [1.0] * CASES,
        "sag": weak, "aid": standby, "swing": swinging,
    }  # fmt: skip
    parts = [(n + 0.5) / CASES for n in range(CASES)]
    begun = (
        [up_from + (1.0 - up_from) * part for part in parts],
        [stopped_below + (up_from - stopped_below) * part for part in parts],
        [stopped_below * part for part in parts],
    )

    def state(speed):
        return 0 if speed >= up_from else 1 if speed >= stopped_below else 2

    def after(case, speed, aim, minutes):
        constant = up_min[case] if aim > speed else down_min[case]
        return aim + (speed - aim) * math.exp(-minutes / constant)

    moves, onsets = {}, {}
    for carry in set(memory["carry"].values()):
        aim = aims[carry]
        started = draws("rotor.spin_up.minutes", CASES).tolist() if carry == "spin_up" else None
        for minutes in TIMES:
            for place, speeds in enumerate(begun):
                ends = [state(after(n, speeds[n], aim[n], minutes)) for n in range(CASES)]
                for vertical in ("down", "level", "up"):
                    moves[carry, minutes, vertical, place] = _shares(ends)
            if started is not None:
                ends = [state(after(n, 0.0, aim[n], started[n])) for n in range(CASES)]
            else:
                ends = [state(after(n, 1.0, aim[n], minutes * since[n])) for n in range(CASES)]
            onsets[carry, minutes] = _shares(ends)
    return moves, onsets


def _battery_tables(memory, draws):
    """Minutes left above and below the knee, used up by the load and filled up by the alternator."""
    exponent, knee = draws.fixed("battery.peukert_exponent"), draws.fixed("battery.knee_used_share")
    capacity, load = draws("battery.capacity_ah", CASES), draws("battery.load_a", CASES)
    sound = draws("battery.sound_share", CASES)
    total = (60.0 * sound * capacity / load**exponent).tolist()
    carried = draws("battery.low_output_share", CASES).tolist()
    recharge = draws("battery.recharge_min", CASES).tolist()
    even, since = draws.rng.random(CASES).tolist(), draws.rng.random(CASES).tolist()
    last = [(1.0 - knee) * minutes for minutes in total]
    use = {
        "discharge": [1.0] * CASES,
        "slow_discharge": [(1.0 - share) ** exponent for share in carried],
        "recharge": [-knee * minutes / whole for minutes, whole in zip(total, recharge, strict=True)],
    }

    def state(case, left):
        return 0 if left > last[case] else 1 if left > 0.0 else 2

    moves, onsets = {}, {}
    for carry in set(memory["carry"].values()):
        for minutes in TIMES:
            for place in range(3):
                ends = []
                for n in range(CASES):
                    left = (last[n] + knee * total[n] * even[n], last[n] * even[n], 0.0)[place]
                    ends.append(state(n, left - use[carry][n] * minutes))
                for vertical in ("down", "level", "up"):
                    moves[carry, minutes, vertical, place] = _shares(ends)
            onsets[carry, minutes] = _shares(
                [state(n, total[n] - max(use[carry][n], 0.0) * minutes * since[n]) for n in range(CASES)]
            )
    return moves, onsets


def _degree_tables(memory, _):
    """A course of its own for each state: it lasts, passes for a minute, has come to its end; or it stays for ever.

    Of an onset at an even chance within some minutes the last minute is seen as it began; sums over the rest are
    worked out by Gauss's rule, piece by piece, as the courses bend at one minute.
    """
    names = list(memory["states"])

    def course(degree, state, minutes):
        shares = dict.fromkeys(names, 0.0)
        mean = degree.get("worsens", {}).get(state)
        if mean:
            left_by = [1.0 - math.exp(-time / mean) for time in (minutes, max(minutes - 1.0, 0.0))]
            shares[state] = 1.0 - left_by[0]
            shares[degree["passing"]] += left_by[0] - left_by[1]
            shares[degree["ends"]] += left_by[1]
        elif state == degree.get("passing"):
            shares[degree["ends"]] = min(minutes, 1.0)
            shares[state] = 1.0 - shares[degree["ends"]]
        else:
            shares[state] = 1.0
        return [shares[name] for name in names]

    nodes, weights = np.polynomial.legendre.leggauss(60)

    def average(degree, state, minutes):
        """Mean course since an onset within these minutes."""
        begun = course(degree, state, 0.0)
        if minutes <= 1.0:
            return begun
        whole = np.array(begun)
        for low, high in ((0.0, min(minutes - 1.0, 1.0)), (1.0, max(minutes - 1.0, 1.0))):
            for node, weight in zip(nodes, weights, strict=True):
                at = low + (high - low) * (node + 1.0) / 2.0
                whole = whole + weight * (high - low) / 2.0 * np.array(course(degree, state, at))
        return (whole / minutes).tolist()

    moves, onsets = {}, {}
    for carry, degree in memory["degrees"].items():
        for minutes in TIMES:
            for place, state in enumerate(names):
                for vertical in ("down", "level", "up"):
                    moves[carry, minutes, vertical, place] = course(degree, state, minutes)
            begun = [(p, average(degree, state, minutes)) for state, p in degree["begins"].items()]
            onsets[carry, minutes] = [sum(p * shares[n] for p, shares in begun) for n in range(len(names))]
    return moves, onsets


def between(table, key, minutes):
    """Shares at a time: a straight line between the two tabled times around it; the last holds on."""
    if minutes >= TIMES[-1]:
        return table[key(TIMES[-1])]
    later = next(time for time in TIMES if time > minutes)
    earlier = TIMES[TIMES.index(later) - 1]
    share = (minutes - earlier) / (later - earlier)
    ends = zip(table[key(earlier)], table[key(later)], strict=True)
    return [(1.0 - share) * a + share * b for a, b in ends]


def runs(memory, condition):
    """Whether a driver in this condition makes the memory run (its usual condition never counts)."""
    return condition in memory["carry"] and condition != states(memory["driver"])[0]


def moved_on(memory, condition, state, vertical, minutes):
    """State -> chance after so many minutes while the driver is in one condition."""
    names = list(memory["states"])
    if condition not in memory["carry"]:
        return {memory["start"]: 1.0}
    moves, _ = memory_tables(memory["id"])
    carry, place = memory["carry"][condition], names.index(state)
    shares = between(moves, lambda time: (carry, time, vertical, place), minutes)
    return dict(zip(names, shares, strict=True))


def followed(chances, step):
    """Chances of states, each moved on by a step (state -> its successors)."""
    found = defaultdict(float)
    for state, chance in chances.items():
        for after, p in step(state).items():
            found[after] += chance * p
    return found


def memory_step(name, before, state, vertical, after, earlier, later):
    """State -> chance in the later snapshot.

    ``before`` and ``after``: the driver's condition in the two. It moves on while the driver was as it was
    before; what has become active since then began its course at any time between.
    """
    phases = tuple(files()["manoeuvre"][snapshot.manoeuvre]["phase"] for snapshot in (earlier, later))
    switches = (snapshot.switches for snapshot in (earlier, later))
    here, there = (
        {s: one.get(s, p["positions"][0]) for s, p in files()["switch"].items()} for one in switches
    )
    moved = here != there
    return _memory_step(
        name, before, state, vertical, after, earlier.minutes, later.minutes_before, phases, moved
    )


@cache
def _memory_step(name, before, state, vertical, after, minutes, gap, phases, moved):
    memory = files()["memory"][name]
    elapsed = minutes + gap
    switched = moved and before != after and runs(memory, before) and after in memory["carry"]
    if memory["kind"] != "height" and switched:
        # a switch is moved at once: what it drives runs from the end of the earlier snapshot
        found = moved_on(memory, before, state, vertical, minutes)
        found = followed(found, lambda state: moved_on(memory, after, state, vertical, gap))
    elif memory["kind"] != "height" or before not in memory["carry"]:
        found = moved_on(memory, before, state, vertical, elapsed)
    else:
        found = moved_on(memory, before, state, vertical, minutes)
        if gap >= 1.0:
            change = files()["quantity"]["memory.gap_changes_height"]["low"]

            def over_a_gap(state):
                """Nothing, or as often a minute's descent as a minute's climb."""
                ways = {state: 1.0 - change}
                for way in ("down", "up"):
                    for end, p in moved_on(memory, before, state, way, 1.0).items():
                        ways[end] = ways.get(end, 0.0) + 0.5 * change * p
                return ways

            found = followed(found, over_a_gap)
        if phases[0] != "air" and phases[1] == "air":
            found = followed(found, lambda state: moved_on(memory, before, state, "up", 1.0))
    if runs(memory, after) and not runs(memory, before):
        fresh = onset(memory, after, phases[1], elapsed)
        found = followed(found, lambda state: fresh if state == memory["start"] else {state: 1.0})
    elif after not in memory["carry"]:
        found = {memory["start"]: 1.0}
    return found


def onset(memory, condition, phase, minutes):
    """State -> chance when the driver became active within these minutes."""
    if memory["kind"] == "height":
        return memory["onset"][phase]
    _, onsets = memory_tables(memory["id"])
    carry = memory["carry"][condition]
    shares = between(onsets, lambda time: (carry, time), minutes)
    return dict(zip(memory["states"], shares, strict=True))


def memory_first(name, condition, snapshot, since_start):
    """State -> chance at the first snapshot, by the driver's condition in it."""
    memory = files()["memory"][name]
    phase = files()["manoeuvre"][snapshot.manoeuvre]["phase"]
    if not runs(memory, condition):
        return {memory["start"]: 1.0}
    if memory["kind"] == "height":
        return memory["first"] if phase == "air" else memory["onset"][phase]
    if memory["kind"] == "degree":
        degree = memory["degrees"][memory["carry"][condition]]
        return degree.get("first") or degree["begins"]
    return onset(memory, condition, phase, since_start)


# ------------------------------------------------------------------ acting or not


def after(minutes, mean):
    """Chance that what takes a mean time has happened; never where none is given."""
    return 1.0 - math.exp(-minutes / mean) if mean else 0.0


def stands_to_cure(panel, cure, snapshot):
    """Whether the switch of a cure stands where it helps."""
    return (
        "switch" in cure and dict(panel.positions(snapshot.switches)).get(cure["switch"]) == cure["position"]
    )


def gone_by(panel, failure, acting, memory, snapshot, first):
    """Chance that a switch, or time, has cleared a failure by the middle of a snapshot."""
    cure, switches = failure["cured_by"], panel.positions(snapshot.switches)
    minutes = snapshot.minutes_before + 0.5 * snapshot.minutes
    alone = after(minutes, cure.get("alone_minutes"))
    if not stands_to_cure(panel, cure, snapshot):
        return alone
    for name, wanted in cure.get("needs", {}).items():
        if panel.condition(name, acting, memory, switches) not in (None, wanted):
            return alone
    late = cure.get("late_share", 0.0)
    soon = (1.0 - late) * after(minutes, cure["minutes"]) + late * after(minutes, cure.get("late_minutes"))
    already = cure.get("already_share", 0.0) if first else 0.0
    return 1.0 - (1.0 - alone) * (1.0 - already) * (1.0 - soon)


def still_gone(panel, cure, snapshot):
    """Chance that what was cleared before has not come back."""
    if stands_to_cure(panel, cure, snapshot):
        return 1.0
    return 1.0 - after(snapshot.minutes_before + 0.5 * snapshot.minutes, cure.get("returns_minutes"))


def acting_chance(panel, members, acting, gone_before, memory, snapshot, *, first=False):
    """P(just these of the set act in a snapshot | which were cleared before)."""
    chance = 1.0
    for name in members:
        failure = panel.failures[name]
        if failure.get("acting", 1.0) < 1.0:
            chance *= failure["acting"] if name in acting else 1.0 - failure["acting"]
        elif "cured_by" in failure:
            gone = gone_by(panel, failure, acting, memory, snapshot, first)
            if name in gone_before:
                gone = still_gone(panel, failure["cured_by"], snapshot)
            chance *= 1.0 - gone if name in acting else gone
        elif name not in acting:
            return 0.0
    return chance


# ------------------------------------------------------------------ what was said


def said_weights(panel, snapshot):
    """Facet -> how well each of its readings fits what was said of it."""
    found = {}
    for facet, reading in snapshot.readings.items():
        ids = [one["id"] for one in panel.facets[facet]["readings"]]
        found[facet] = [1.0 if one == reading else 0.0 for one in ids]
    for facet, (reading, sure) in snapshot.unsure.items():
        ids = [one["id"] for one in panel.facets[facet]["readings"]]
        found[facet] = [sure if one == reading else (1.0 - sure) / (len(ids) - 1) for one in ids]
    return found


def tie(panel, first, second):
    """The facets of two gauges said to disagree, and (reading, reading) -> P(that is said of them)."""
    for opposition in files()["opposition"].values():
        a, b = opposition["facets"]
        if {a.split(".")[0], b.split(".")[0]} == {first, second} and a in panel.facets and b in panel.facets:
            alike = {tuple(pair) for pair in opposition["agree"]}
            slip = opposition["misreport"]
            pairs = itertools.product(*([one["id"] for one in panel.facets[f]["readings"]] for f in (a, b)))
            return a, b, {pair: slip if pair in alike else 1.0 - slip for pair in pairs}
    raise ValueError(f"{first} and {second} are not compared")


def said_groups(panel, snapshot):
    """What was said: (facets, how well their readings fit, ties) of each group that is weighed together."""
    weights = said_weights(panel, snapshot)
    ties = [tie(panel, *pair) for pair in snapshot.disagree]
    clusters = [{facet} for facet in weights]
    for a, b, _ in ties:
        joined = set().union({a, b}, *(c for c in clusters if c & {a, b}))
        clusters = [c for c in clusters if not c & {a, b}] + [joined]
    return [(tuple(sorted(c)), weights, [t for t in ties if t[0] in c]) for c in clusters]


class Shown:
    """What the gauges show in one hidden state, motion by motion; ``sound``: with all equipment sound."""

    def __init__(self, panel, snapshot, acting, memory):
        self.panel, self.snapshot, self.acting, self.memory = panel, snapshot, acting, memory
        self.switches = panel.positions(snapshot.switches)
        self.values, self.tables = panel.motions(snapshot.manoeuvre)
        self.count = len(self.values["vertical"])

    def now(self, name, sound=False):
        part = files()["part"].get(name, {})
        if sound and part.get("system") not in ("air", "pilot"):
            return self.panel.condition(name, frozenset(), (), self.switches)
        return self.panel.condition(name, self.acting, self.memory, self.switches)

    def varied(self):
        """What changes the motion now: of each part the first that fits the maneuver."""
        manoeuvre, found = files()["manoeuvre"][self.snapshot.manoeuvre], {}
        for part in self.panel.moving_parts:
            for v in files()["variation"].values():
                meant = v.get("meant") or [manoeuvre["expected"]["vertical"]]
                fits = manoeuvre["phase"] in v["phases"] and manoeuvre["expected"]["vertical"] in meant
                if (v["part"], v["condition"]) == (part, self.now(part)) and fits:
                    found.setdefault(part, v)
        return list(found.values())

    def unfelt(self):
        """Whether he does not know of something that changes the motion."""
        return any(v.get("unfelt") for v in self.varied())

    def motion(self, strayed):
        """Chance of each motion; his own slips in what he says count less."""
        combo = tuple(self.now(part) for part in self.panel.moving_parts)
        chance = self.tables[combo] * np.where(self.strays(), strayed, 1.0)
        return chance / chance.sum()

    def strays(self):
        """Which motions differ from what was meant in something that he says he held, by nothing that changes it."""
        manoeuvre, ways = files()["manoeuvre"][self.snapshot.manoeuvre], [{}]
        for v in self.varied():
            ways = [{**way, **outcome["motion"]} for way in ways for outcome in v["outcomes"]]
        held = files()["limits"].get("held", [])
        return np.array(
            [
                not any(
                    all(self.values[axis][m] == {**manoeuvre["expected"], **way}[axis] for axis in held)
                    for way in ways
                )
                for m in range(self.count)
            ],
            dtype=bool,
        )

    def by_motion(self, facet_id, table, sound=False, meant=False):
        """(motion, reading) of a facet; what the panel lacks is as it should be."""
        facet = self.panel.facets[facet_id]
        found = [(name, self.now(name, sound)) for name in facet["parents"]]
        own = table[tuple(0 if is_so is None else states(name).index(is_so) for name, is_so in found)]
        axes = tuple(facet.get("axes", []))
        if meant:
            expected = files()["manoeuvre"][self.snapshot.manoeuvre]["expected"]
            own = own[tuple(states(axis).index(expected[axis]) for axis in axes)]
        elif axes:
            return own[self.panel.on_axes(self.snapshot.manoeuvre, axes)]
        return np.repeat(own[None], self.count, axis=0)

    def said(self, facets, weights, ties, sound=False):
        """P(what was said of a group | motion); (motion,)."""
        tables = [self.by_motion(facet, self.panel.table(facet), sound) for facet in facets]
        if not ties:
            return tables[0] @ np.array(weights[facets[0]])
        ids = [[reading["id"] for reading in self.panel.facets[facet]["readings"]] for facet in facets]
        total = np.zeros(self.count)
        for combo in itertools.product(*(range(len(names)) for names in ids)):
            fits = 1.0
            for facet, place in zip(facets, combo, strict=True):
                fits *= weights[facet][place] if facet in weights else 1.0
            for a, b, says in ties:
                one, other = facets.index(a), facets.index(b)
                fits *= says[ids[one][combo[one]], ids[other][combo[other]]]
            if fits > 0.0:
                each = fits * np.ones(self.count)
                for place, table in zip(combo, tables, strict=True):
                    each = each * table[:, place]
                total += each
        return total

    def explained(self, facets, weights, ties, most):
        """The part of that in which nothing stronger than this explains it; (motion,)."""
        whole = self.said(facets, weights, ties)
        if ties:  # a misreading, or a failure
            return np.minimum(whole, self.said(facets, weights, ties, sound=True))
        (facet,), told = facets, np.array(weights[facets[0]])
        readings = len(told)
        rightly = told * np.diag(told_of(self.panel.facets[facet], np.eye(readings)))
        drawn = self.panel.drawn(facet)
        here = self.by_motion(facet, drawn) @ rightly
        sound = np.minimum(here, self.by_motion(facet, drawn, sound=True) @ rightly)
        benign = np.minimum(sound, self.by_motion(facet, drawn, sound=True, meant=True) @ rightly)
        misread_, strayed = np.maximum(whole - here, 0.0), sound - benign
        if not known_effect(facet, self.panel, int(told.argmax()), self.snapshot.manoeuvre):
            misread_, benign = misread_ + benign, np.zeros(self.count)
        counts = np.ones(self.count) if most == "benign" and not self.unfelt() else self.strays()
        return misread_ + (benign if most == "benign" else 0.0) + strayed * counts


def known_effect(facet, panel, place, manoeuvre):
    """Whether a reading is a normal effect of a sound gauge in this maneuver, by no motion of its own."""
    reading = panel.facets[facet]["readings"][place]["id"]
    return any(
        effect.get("when", {}).get(facet) == reading
        and (not effect.get("manoeuvres") or manoeuvre in effect["manoeuvres"])
        and not effect.get("motion")
        and not effect.get("likely")
        for effect in files()["effect"].values()
    )


def odd_groups(panel, snapshot, strayed):
    """Facets of which something odd was said -> its chance with nothing failed in the usual motions."""
    sound = Shown(panel, snapshot, frozenset(), ())
    found = {}
    for facets, weights, ties in said_groups(panel, snapshot):
        surest = math.prod(max(weights[facet]) for facet in facets if facet in weights)
        chance = float(sound.motion(strayed) @ sound.said(facets, weights, ties)) / surest
        if chance < files()["limits"].get("odd_below", 0.0):
            found[facets] = chance
    return found


def sources_of(panel, gauge):
    """Sources that a gauge hangs on, through memories and what its sources' rules ask for."""
    found, waiting = (
        set(),
        [
            name
            for facet_id, facet in panel.facets.items()
            if facet_id.split(".")[0] == gauge
            for name in facet.get("parents", ())
        ],
    )
    while waiting:
        name = waiting.pop()
        if name in panel.memories:
            waiting.append(panel.memories[name]["driver"])
        elif name in files()["source"] and name not in found:
            found.add(name)
            for rule in files()["source"][name].get("rules", []):
                if not any(panel.lacks(n) for n in rule["when"]):
                    waiting += [n for n in rule["when"] if n not in panel.memories]
    return found


def silent_dials(panel, snapshot, odd, strayed):
    """Facets of the flight instruments that share a source with what is odd and were not spoken of -> usual readings."""
    spoken = {facet.split(".")[0] for facet in (*snapshot.readings, *snapshot.unsure)}
    spoken |= {gauge for pair in snapshot.disagree for gauge in pair}
    shared = set().union(*(sources_of(panel, facet.split(".")[0]) for facets in odd for facet in facets))
    sound, found = Shown(panel, snapshot, frozenset(), ()), {}
    for facet_id, facet in panel.facets.items():
        gauge = facet_id.split(".")[0]
        fits = gauge in files()["limits"]["scanned"] and gauge not in spoken and facet.get("glance", True)
        if fits and sources_of(panel, gauge) & shared:
            chance = sound.motion(strayed) @ sound.by_motion(facet_id, panel.table(facet_id))
            found[facet_id] = [float(p >= files()["limits"]["odd_below"]) for p in chance]
    return found


def said_chance(panel, snapshot, acting, memory, strayed, most, odd, also):
    """P(all that the snapshot says, vertical motion | hidden state): motion by motion; value -> chance.

    ``most``: the strongest explanation that its ``odd`` groups may have; ``also``: "all" where all that was odd was told,
    "chooses" where some of it was.
    """
    shown = Shown(panel, snapshot, acting, memory)
    chance = shown.motion(strayed)
    for group in said_groups(panel, snapshot):
        bounded = most != "failure" and group[0] in odd
        chance = chance * (shown.explained(*group, most) if bounded else shown.said(*group))
    if also:
        dials = defaultdict(lambda: np.ones(shown.count))
        for facet, usual in silent_dials(panel, snapshot, odd, strayed).items():
            # what a sound dial shows in this motion is no oddity of its own
            here, sound = (
                shown.by_motion(facet, panel.table(facet), s) @ np.array(usual) for s in (False, True)
            )
            surprising = shown.unfelt() & ~shown.strays()
            dials[facet.split(".")[0]] *= np.where(surprising, here, 1.0 - np.maximum(sound - here, 0.0))
        named = len({facet.split(".")[0] for facets in odd for facet in facets})
        left_out = np.zeros(shown.count)
        for is_odd in itertools.product((False, True), repeat=len(dials)):
            p = math.prod(1.0 - q if bad else q for bad, q in zip(is_odd, dials.values(), strict=True))
            ways = math.comb(named + sum(is_odd), named)
            left_out = left_out + p * (1.0 / ways if also == "chooses" else float(not sum(is_odd)))
        chance = chance * left_out
    found = defaultdict(float)
    for motion in range(shown.count):
        found[shown.values["vertical"][motion]] += float(chance[motion])
    return found


# ------------------------------------------------------------------ the whole joint


def subsets(names):
    names = sorted(names)
    return [frozenset(s) for size in range(len(names) + 1) for s in itertools.combinations(names, size)]


def chances(panel, case):
    """P(set of failures at the end | all that was said), and the chance of all that was said."""
    latent, onsets = prior(panel, case)
    nothing = nothing_loud(panel, latent, onsets)
    weight = setting_weight(case, nothing)
    told = zip((None, *case.snapshot), case.snapshot, strict=False)
    case = msgspec.structs.replace(case, snapshot=tuple(with_circumstances(*pair) for pair in told))
    setting = files()["setting"][case.setting]
    strayed, why = setting.get("strayed", 1.0), setting.get("told")
    odd = [odd_groups(panel, snapshot, strayed) if why else {} for snapshot in case.snapshot]
    # who tells of all that is odd, and who does not
    tells = why.get("also", 0.0) if why else 0.0
    first = next((number for number, groups in enumerate(odd) if groups), None)
    chooses = ["chooses" if tells and number == first else "" for number in range(len(odd))]
    pilots = ((1.0 - tells, chooses), (tells, ["all" if groups else "" for groups in odd]))
    below = files()["limits"].get("odd_below", 1.0)
    rarest = min((chance / below for groups in odd for chance in groups.values()), default=1.0)
    loud = {name for name, failure in panel.failures.items() if not failure.get("silent", False)}
    passes = {"failure": lambda members: weight if members & loud else 1.0}
    if rarest < 1.0:
        # P(told | what explains the odd readings), in units of that of a failure; before anything odd is told
        # the setting's weight stands for it
        yet = rarest ** files()["limits"]["odd_fades"]
        slip, air = why["misreading"] / why["failure"], why["benign"] / why["failure"]
        unsaid = unspoken(panel, case)

        def benign(members):
            return slip if members & unsaid else air

        passes = {
            "failure": lambda members: (1.0 - yet) * weight + yet * (weight if members & loud else 1.0),
            "benign": lambda members: -(1.0 - yet) * weight * (1.0 - benign(members)),
            "misreading": lambda members: -(1.0 - yet) * weight * (benign(members) - slip),
        }
    found = defaultdict(float)
    for (most, share), (pilot, also) in itertools.product(passes.items(), pilots):
        if pilot > 0.0:
            for members, chance in passed(panel, case, latent, onsets, strayed, most, odd, also).items():
                found[members] += pilot * share(members) * chance
    before = nothing + weight * (1.0 - nothing)
    total = sum(found.values())
    return {members: chance / total for members, chance in found.items()}, total / before


def unspoken(panel, case):
    """Failures that everybody aboard knows of and nobody spoke of: rough air without a word of it."""
    return {
        name
        for name, failure in panel.failures.items()
        if failure.get("silent", False)
        and failure.get("kind") == "look_alike"
        and not any(set(effect["when"]) <= set(case.context) for effect in failure.get("context", []))
    }


def passed(panel, case, latent, onsets, strayed, most, odd, also):
    """P(set of failures at the end, all that was said with nothing stronger explaining what is odd)."""
    start, *later = case.snapshot
    # hidden state: (set, which act, (memory, state) of each memory that is not at its start)
    now, known = defaultdict(float), {}
    for before in subsets(panel.failures):
        there = math.prod(latent[name] if name in before else 1.0 - latent[name] for name in panel.failures)
        if there > 0.0:
            for members, p_set in joins(panel, before, onsets[0]).items():
                known[members] = known.get(members, 0.0) + there * p_set
    for members, there in known.items():
        for acting in subsets(members):
            for memory, p in first_memories(panel, acting, start, case.minutes_since_start).items():
                acts = acting_chance(panel, members, acting, (), memory, start, first=True)
                now[members, acting, memory] += there * p * acts
    told = emitted(panel, now, start, strayed, most, odd[0], also[0])
    for number, (earlier, snapshot) in enumerate(zip(case.snapshot, later, strict=False), 1):
        now = moved(panel, told, earlier, snapshot, onsets[number])
        told = emitted(panel, now, snapshot, strayed, most, odd[number], also[number])
    found = defaultdict(float)
    for (members, _, _), by_vertical in told.items():
        found[members] += sum(by_vertical.values())
    return found


def in_order(panel):
    """Memories, each after those that its driver hangs on (the battery feeds the electric gyros)."""
    return sorted(panel.memories, key=lambda name: panel.memories[name]["kind"] != "charge")


def first_memories(panel, acting, snapshot, since_start):
    """States of all memories at the first snapshot (those that are not at their start) -> chance."""
    switches = panel.positions(snapshot.switches)
    found = [((), 1.0)]
    for name in in_order(panel):
        start, grown = panel.memories[name]["start"], []
        for held, chance in found:
            driver = panel.condition(panel.memories[name]["driver"], acting, held, switches)
            for state, p in memory_first(name, driver, snapshot, since_start).items():
                if p > 0.0:
                    grown.append((held if state == start else (*held, (name, state)), chance * p))
        found = grown
    return dict(found)


def emitted(panel, now, snapshot, strayed, most, odd, also):
    """Hidden state -> vertical motion -> P(hidden state, all that was said so far)."""
    known = {}
    found = {}
    for (members, acting, memory), chance in now.items():
        if chance > 0.0:
            key = acting, memory
            if key not in known:
                known[key] = said_chance(panel, snapshot, acting, memory, strayed, most, odd, also)
            found[members, acting, memory] = {v: chance * p for v, p in known[key].items()}
    return found


def moved(panel, told, earlier, later, onsets):
    """Hidden state of the later snapshot -> chance."""
    joined, steps, acts_with = {}, {}, {}
    now = defaultdict(float)
    for (members, acting, memory), by_vertical in told.items():
        gone = members - acting
        if members not in joined:
            joined[members] = joins(panel, members, onsets)
        if not hangs_on_vertical(panel, acting, memory, earlier):
            by_vertical = {"level": sum(by_vertical.values())}
        for after, p_set in joined[members].items():
            for acts in subsets(after) if p_set > 0.0 else ():
                if any(changeless(panel, name) for name in after - acts):
                    continue
                for vertical, chance in by_vertical.items():
                    key = acting, memory, vertical, acts
                    if key not in steps:
                        steps[key] = memories_moved(panel, *key, earlier, later)
                    for held, p_memory in steps[key].items():
                        key = after, acts, gone, held
                        if key not in acts_with:
                            acts_with[key] = acting_chance(panel, *key, later)
                        now[after, acts, held] += chance * p_set * p_memory * acts_with[key]
    return now


def hangs_on_vertical(panel, acting, memory, snapshot):
    """Whether some sealed line is carried up or down from here."""
    switches = panel.positions(snapshot.switches)
    return any(
        held["kind"] == "height"
        and panel.condition(held["driver"], acting, memory, switches) in held["carry"]
        for held in panel.memories.values()
    )


def changeless(panel, name):
    """Whether a failure acts all the time."""
    failure = panel.failures[name]
    return failure.get("acting", 1.0) >= 1.0 and "cured_by" not in failure


def memories_moved(panel, acting, memory, vertical, acts, earlier, later):
    """States of all memories in the later snapshot -> chance."""
    before_switches, after_switches = panel.positions(earlier.switches), panel.positions(later.switches)
    found = [((), 1.0)]
    for name in in_order(panel):
        start, driver = panel.memories[name]["start"], panel.memories[name]["driver"]
        before = panel.condition(driver, acting, memory, before_switches)
        state = dict(memory).get(name, start)
        grown = []
        for held, chance in found:
            after = panel.condition(driver, acts, held, after_switches)
            for end, p in memory_step(name, before, state, vertical, after, earlier, later).items():
                if p > 0.0:
                    grown.append((held if end == start else (*held, (name, end)), chance * p))
        found = grown
    return dict(found)
