"""The world that calibration flies in: what differs from flight to flight, and what is true in each.

It is not the world of the likelihood tables. Every quantity is drawn from a wider range, keeps its value
through the whole flight (an instrument has one character, a leak one size), and so does the pilot: how
often each gauge is looked at, how carelessly it is read, how sloppily the aircraft is flown.

**What a calibration can be judged against.** Probabilities are right or wrong only on average over a
prior, so truths are drawn from the prior of the setting under test: its chance of each failure before the
first snapshot and before each later one, under the day's context and with causes that hasten another
failure. ``anomaly`` says that something noticeable is there, or begins before the last snapshot, with a
stated chance, whether or not it shows in what is then flown; sets keep the odds that the rates give them.
``exercise`` draws nearly every failure alike. That the prior itself fits the world is a different question,
which no simulation answers.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec
import numpy as np

from diagnose.model import CaseRecord, Quantity, SnapshotRecord, World
from diagnose.model.units import Array
from diagnose.network.odds import Odds, odds_of, survival
from diagnose.network.tables import Network


def wider(quantities: Mapping[str, Quantity], world: World) -> dict[str, Quantity]:
    """Give the quantities with wider ranges; what is the same in every flight stays so."""
    return {
        name: quantity if name.startswith(world.sound_by_definition) else _wider(quantity, world.wider_share)
        for name, quantity in quantities.items()
    }


def _wider(quantity: Quantity, share: float) -> Quantity:
    low, high = quantity.low, quantity.high
    if quantity.scale == "log":
        more = (high / low) ** share
        return msgspec.structs.replace(quantity, low=low / more, high=high * more)
    reach = share * (high - low)
    least = low - reach
    # a magnitude stays one: its sign is drawn apart
    least = max(least, low * (1.0 - share)) if low >= 0.0 else least
    return msgspec.structs.replace(quantity, low=least, high=high + reach)


def between(low_high: tuple[float, float], rng: np.random.Generator) -> float:
    """Draw a factor evenly in its logarithm."""
    return float(np.exp(rng.uniform(*np.log(low_high))))


# ------------------------------------------------------------------ what is flown


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is flown, when, in which conditions and with which switches; nothing read yet.

    ``told_min``: the gap before each snapshot as the pilot remembers it.
    """

    case: CaseRecord
    told_min: tuple[float, ...]


def draw_plan(network: Network, setting: str, rng: np.random.Generator) -> Plan:
    """Draw a plan for one panel and setting."""
    world = network.kb.world
    flown = world.flown[rng.integers(len(world.flown))]
    length = int(rng.integers(1, world.most_snapshots + 1))
    first = int(rng.integers(0, max(len(flown) - length, 0) + 1))
    manoeuvres = flown[first : first + length]
    phases = [network.kb.manoeuvres[name].phase for name in manoeuvres]
    context = [flag for day in world.days if rng.random() < day.chance for flag in day.flags]
    if phases[0] != "air" and rng.random() < world.just_started:
        context.append("just_started")
    since = rng.uniform(1.0, 12.0) if phases[0] != "air" else rng.uniform(8.0, 90.0)
    snapshots: list[SnapshotRecord] = []
    switches: dict[str, str] = {}
    for number, manoeuvre in enumerate(manoeuvres):
        if number:
            for switch in network.panel.switches:
                if rng.random() < world.switch_moved:
                    switches = {**switches, switch: network.kb.switches[switch].positions[1]}
        gap = float(rng.choice(world.gaps_min)) if number else 0.0
        snapshots.append(SnapshotRecord(manoeuvre=manoeuvre, minutes_before=gap, switches=switches))
    case = CaseRecord(
        title="simulated",
        panel=network.panel.id,
        setting=setting,
        context=tuple(dict.fromkeys(flag for flag in context if flag in network.kb.context)),
        minutes_since_start=round(float(since), 1),
        snapshot=tuple(snapshots),
    )
    told = tuple(round(s.minutes_before * between(world.gap_memory_times, rng), 1) for s in snapshots)
    return Plan(case=case, told_min=told)


# ------------------------------------------------------------------ what has failed


def draw_truth(
    network: Network, plan: CaseRecord, rng: np.random.Generator, *, healthy: bool = False
) -> dict[int, int]:
    """Draw what is there by the end, from the prior of the plan's setting: failure -> first snapshot with it.

    Snapshot 0 stands for "from before the first one". ``healthy`` gives nothing.
    """
    if healthy:
        return {}
    odds = odds_of(network, plan)
    chance = odds.by_the_end
    loud = odds.loud
    anything = odds.weight * (1.0 - odds.nothing_loud) / odds.total
    order = _causes_first(network)
    noticeable = [i for i in order if loud[i]]
    truth: dict[int, int] = {}
    spared: set[int] = set()
    if rng.random() < anything:
        # the first noticeable one, in this order, that is there: those before it are not
        none_before = np.cumprod([1.0, *(1.0 - chance[i] for i in noticeable[:-1])])
        share = none_before * chance[noticeable]
        first = int(rng.choice(len(noticeable), p=share / share.sum()))
        spared = set(noticeable[:first])
        begun = _beginning(odds.first[noticeable[first]], odds.begins[:, noticeable[first]], rng, True)
        assert begun is not None
        truth[noticeable[first]] = begun
    else:
        spared = set(noticeable)
    for index in order:
        if index not in truth and index not in spared:
            begun = _beginning(*_hastened(network, odds, index, truth), rng, False)
            if begun is not None:
                truth[index] = begun
    return truth


def _causes_first(network: Network) -> list[int]:
    """Failures in an order in which those that hasten another come before it."""
    return sorted(range(len(network.failures)), key=lambda i: bool(network.failures[i].hastened_by))


def _hastened(network: Network, odds: Odds, index: int, truth: Mapping[int, int]) -> tuple[float, Array]:
    """Chance to be there at the first snapshot, and to begin before the end of each later one, given causes."""
    begins = np.array([odds.begins_first[index], *odds.begins[:, index]])
    stays = 1.0 - begins
    for cause, times in network.failures[index].hastened_by.items():
        for other, since in truth.items():
            if network.failures[other].id != cause:
                continue
            cause_begins = [odds.begins_first[other], *odds.begins[:, other]]
            for number in range(since, len(begins)):
                was, comes = survival(float(begins[number]), times, float(cause_begins[number]))
                # a cause that is there at the first snapshot was latent, or began by then
                latent = odds.latent[other] / odds.first[other] if number == 0 else 0.0
                stays[number] *= was if number > since else latent * was + (1.0 - latent) * comes
    return float(1.0 - (1.0 - odds.latent[index]) * stays[0]), 1.0 - stays[1:]


def _beginning(first: float, begins: Array, rng: np.random.Generator, surely: bool) -> int | None:
    """Draw the snapshot from which on it is there; None if it is not."""
    not_yet = np.cumprod([1.0, 1.0 - first, *(1.0 - begins)])
    when = not_yet[:-1] * np.array([first, *begins])
    if surely:
        when = when / when.sum()
    u = rng.random()
    upto = np.cumsum(when)
    found = int(np.searchsorted(upto, u, side="right"))
    if found < len(when):
        return found
    return int(np.argmax(when)) if surely else None
