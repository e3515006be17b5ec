"""When a failure began and when it first showed, in seconds: from chances by snapshot and from the detector."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from diagnose.advice.coverage import SOUND, Alike, effect_of
from diagnose.model import CaseRecord, FailureKind, MemoryKind, ReviewLimits
from diagnose.model.errors import ImpossibleEvidence
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.network.evidence import emission
from diagnose.network.hidden import ANY_VERTICAL, COLUMNS, HiddenSpace
from diagnose.network.odds import odds_of
from diagnose.network.posterior import Posterior
from diagnose.network.tables import Network
from diagnose.network.transitions import Transitions, first_sets, transitions
from diagnose.review.coding import Coder
from diagnose.review.relations import Change, Residual
from diagnose.review.windows import Window

# ------------------------------------------------------------------ when a failure began: the chance of each time, given all readings before and after it
# Exact within the sets that the leading explanation is made of: for every snapshot one message in which the
# failure begins just before it, all carried on together by the same transitions as the engine's.


@dataclass(frozen=True, slots=True, kw_only=True)
class _Within:
    """The sets that the leading explanation is made of: rows in which ``which`` is there, and in which all are."""

    space: HiddenSpace
    there: np.ndarray
    all_there: np.ndarray


def _within(network: Network, failures: Sequence[str], which: str) -> _Within:
    ids = [failure.id for failure in network.failures]
    members = tuple(sorted(ids.index(name) for name in failures))
    sets = tuple(s for size in range(len(members) + 1) for s in itertools.combinations(members, size))
    space = HiddenSpace(network, sets)
    everything = np.asarray(space.members[:, list(members)].all(axis=1))
    there = space.members[space.row_set, ids.index(which)]
    return _Within(space=space, there=there, all_there=everything[space.row_set])


def onset_chances(engine: Engine, case: CaseRecord, failures: Sequence[str], which: str) -> Array:
    """P(``which`` begins just before each snapshot | all readings, all of ``failures`` there at the end).

    (snapshot,); the first stands for "before the recording told of it".
    """
    within = _within(engine.network, failures, which)
    space, there, full = within.space, within.there, within.all_there
    odds, steps = odds_of(engine.network, case), engine.steps(case)
    start = first_sets(space, odds)[space.row_set] * space.first(steps[0], case.minutes_since_start)
    # not begun yet, then begun just before each snapshot so far
    messages = np.stack([np.where(there, 0.0, start), np.where(there, start, 0.0)])
    kept: dict[tuple[object, ...], Array] = {}

    def dense(moves: Transitions) -> Array:
        """The transitions as a matrix (row and column, row)."""
        matrix = np.zeros((space.count * COLUMNS, space.count))
        np.add.at(matrix, (moves.source, moves.target), moves.weight)
        return matrix * moves.share

    for number, (snapshot, step) in enumerate(zip(case.snapshot, steps, strict=True)):
        columns = emission(space, snapshot, step.switches).columns
        joint = messages[:, :, None] * columns[None]
        if number + 1 == len(steps):
            messages = joint[:, :, ANY_VERTICAL]
            break
        total = float(joint[:, :, ANY_VERTICAL].sum())
        flat = joint.reshape(len(joint), -1) / (total if total > 0.0 else 1.0)
        begins = odds.begins[number]
        key = (step.key, steps[number + 1].key, begins.tobytes())
        if key not in kept:
            kept[key] = dense(transitions(space, step, steps[number + 1], begins))
        carried = flat @ kept[key]
        messages = np.vstack([carried, np.where(there, carried[0], 0.0)])
        messages[0] = np.where(there, 0.0, carried[0])
    chances = messages[1:, full].sum(axis=1)
    total = float(chances.sum())
    return chances / total if total > 0.0 else np.full(len(chances), 1.0 / len(chances))


def gains(engine: Engine, case: CaseRecord, failures: Sequence[str], which: str) -> Array:
    """How much more likely each snapshot's readings are with ``which`` than without, beside the other ``failures``, at
    best: log ratio, (snapshot,). A line that is closed where it was closed gives nothing.
    """
    within, found = _within(engine.network, failures, which), list[float]()
    ids = [failure.id for failure in engine.network.failures]
    others = [ids.index(name) for name in failures if name != which]
    beside = np.asarray(within.space.members[:, others].all(axis=1))
    without = ~within.there & beside[within.space.row_set]
    for snapshot, step in zip(case.snapshot, engine.steps(case), strict=True):
        likely = emission(within.space, snapshot, step.switches).columns[:, ANY_VERTICAL]
        least = np.finfo(float).tiny
        found.append(
            float(np.log(max(likely[within.all_there].max(), least) / max(likely[without].max(), least)))
        )
    return np.array(found)


def interval_of(chances: Array, share: float) -> tuple[int, int]:
    """The likeliest snapshots, next to each other, that together hold this share: first and last of them."""
    best = int(chances.argmax())
    low = high = best
    held = float(chances[best])
    while held < share and high - low < len(chances) - 1:
        if low and (high + 1 == len(chances) or chances[low - 1] >= chances[high + 1]):
            low -= 1
            held += float(chances[low])
        else:
            high += 1
            held += float(chances[high])
    return low, high


#: gauge -> channels that record it
GAUGE_CHANNELS = {
    "airspeed": ("airspeed_kt",),
    "altimeter": ("altimeter_ft",),
    "vertical_speed": ("vertical_speed_fpm",),
    "attitude": ("bank_deg", "pitch_deg"),
    "heading": ("heading_deg",),
    "turn_coordinator": ("turn_dps",),
    "compass": ("compass_deg",),
    "suction": ("suction_inhg",),
    "voltmeter": ("volts",),
    "ammeter": ("amps",),
    "gps_height": ("gps_height_ft",),
    "gps_speed": ("gps_speed_kt",),
    "gps_track": ("gps_track_deg",),
    "vacuum_light": ("vacuum_light",),
    "low_voltage_light": ("low_voltage_light",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Onset:
    """When a failure began and when it showed, seconds from the first row.

    It began between ``earliest`` and ``latest``; ``before_start``: chance that it was there already. ``showed``: the
    first disagreement or odd reading, which may be long after; ``worst``: when the channels disagreed most.
    """

    failure: str
    likeliest: float
    earliest: float
    latest: float
    before_start: float
    showed: float
    worst: float
    seen_by: str = ""


# ------------------------------------------------------------------ onset


def onsets_of(engine: Engine, case: CaseRecord, causes: Sequence[Cause], windows: Sequence[Window], found: Sequence[Residual], told: Sequence[str], stands: Mapping[str, tuple[float, float]] | None = None) -> tuple[Onset, ...]:  # fmt: skip
    """When each failure of the leading set began and first showed; ``stands``: as ``Motion.stood``."""
    failures = causes[0].failures if causes else ()
    network = engine.network
    onsets = []
    for name in failures:
        touched, slow = _touches(network, name)
        own = [r for r in found if touched & set(r.relation.speaks_of)]
        changes = [c for r in own for c in r.changes]
        chances = onset_chances(engine, case, failures, name)
        onset = _onset(chances, name, windows, changes, slow, network.kb.review)
        gauges = gauges_of(network, name)
        odd = _telling(gains(engine, case, failures, name), windows, network.kb.review.telling_gain)
        shown = _shown(onset, own, odd, windows, network.kb.review)
        dated = _unasked(shown, odd, windows, _asked(network, told, gauges))
        stood = [stands[channel] for channel in touched if stands and channel in stands]
        onsets.append(_stuck(dated, (min(first for first, _ in stood), min(shows for _, shows in stood)), network.kb.review) if stood else dated)
    return tuple(onsets)


def _asked(network: Network, told: Sequence[str], gauges: set[str]) -> frozenset[str]:
    """Maneuvers in which one of these gauges must show something else than in level flight."""
    usual = {name: network.expected_readings(name, {}) for name in network.kb.manoeuvres}
    own = [name for name in told if name.partition(".")[0] in gauges]
    return frozenset(m for m, shows in usual.items() if any(shows[n] != usual["level"][n] for n in own))


def _unasked(onset: Onset, odd: Sequence[Window], windows: Sequence[Window], asked: frozenset[str]) -> Onset:
    """What sticks while nothing asks it to move looks normal: it may have begun since it last moved as it should.

    That is so where it showed in a maneuver that asks it to move, and not before.
    """
    first = next((w for w in odd if w.end >= onset.showed), None)
    if first is None or first.manoeuvre not in asked:
        return onset
    before = [w for w in windows if w.end <= first.first and w.manoeuvre in asked and w not in odd]
    return replace(onset, earliest=min(onset.earliest, float(before[-1].first) if before else 0.0))


def _stuck(onset: Onset, stood: tuple[float, float], limits: ReviewLimits) -> Onset:
    """What stands was moving before: it stuck between then and when it was asked, if it had not been wrong before."""
    first, shows = stood
    showed = min(onset.showed, max(shows, onset.earliest))
    if onset.showed < first:
        return replace(onset, showed=showed)
    begun = max(first - limits.block_s, 0.0)
    return replace(onset, likeliest=0.5 * (first + shows), earliest=begun, latest=shows, before_start=0.0, showed=showed)


def _telling(gained: Array, windows: Sequence[Window], least: float) -> list[Window]:
    """The windows that speak for a failure, from the time on from which they all together do so most: one long before
    the others was a slip of the flying.
    """
    after = np.cumsum(gained[::-1])[::-1]
    since = int(after.argmax())
    return [w for w, gain in zip(windows[since:], gained[since:].tolist(), strict=True) if gain > least]


def _shown(onset: Onset, own: Sequence[Residual], odd: Sequence[Window], windows: Sequence[Window], limits: ReviewLimits) -> Onset:  # fmt: skip
    """When a failure first showed: the first reading that counts for it, to the second by the detector if that saw it.

    A healthy flight's energy balance parts as well, with every change of power, so that it is no witness of a second.
    """
    first = next((w for w in odd if w.end >= onset.earliest), None)
    if first is None:
        showed = onset.likeliest
    else:
        before = [w for w in windows if w.end <= first.first]
        since = min((before[-1].first if before else 0.0) - limits.blurred_s, onset.earliest)
        # one that had passed before any reading was odd tells of something else; one that held from then on is the same
        seen = [
            change.onset
            for residual in own
            for change in residual.changes
            if residual.relation.id != "airspeed_energy" and since <= change.onset <= first.end and change.until > first.first
        ]  # fmt: skip
        showed = min(seen, default=float(first.first))
    showed = max(showed, onset.earliest)
    size = [np.abs(np.nan_to_num(r.values / r.noise)) for r in own]
    after = np.max(size, axis=0)[round(showed) :] if size else np.zeros(0)
    worst = showed + float(after.argmax()) if len(after) else showed
    return replace(onset, showed=showed, worst=worst)


def _touches(network: Network, failure: str) -> tuple[set[str], bool]:
    """Channels that a failure alters, and whether it may take minutes to show.

    It does if it comes gradually, or by a rotor that runs down.
    """
    record, gauges = network.kb.failures[failure], gauges_of(network, failure)
    rotors = {m.memory.driver for m in network.memories.values() if m.memory.kind is MemoryKind.ROTOR}
    state = network.conditions(
        {part: np.array([network.states[part].index(c)]) for part, c in record.acts.items()},
        network.switch_positions({}), 1,
    )  # fmt: skip
    slow = record.onset == "gradual" or any(state[driver].any() for driver in rotors)
    return {channel for gauge in gauges for channel in GAUGE_CHANNELS.get(gauge, ())}, slow


def _onset(chances: Array, failure: str, windows: Sequence[Window], changes: Sequence[Change], slow: bool, limits: ReviewLimits) -> Onset:  # fmt: skip
    """From chances by snapshot to seconds, made narrower by the detector where it saw the change.

    A failure that begins before a snapshot began somewhere from inside the snapshot before (whose readings
    need not show it yet) on into this one, of which many readings tell only how it ended.
    """
    low, high = interval_of(chances, limits.onset_share)
    # a failure that showed only when it was needed may have begun at any time before: the middle of them
    best = int(chances.argmax()) if chances.max() > 0.5 else int(np.searchsorted(np.cumsum(chances), 0.5))
    earliest = float(windows[low - 1].first if low else 0)
    latest = float(windows[high].end)
    # when the snapshot before ended all was usual still, when this one ended no longer
    likeliest = 0.5 * (windows[best - 1].end + windows[best].end) if best else 0.0
    # a change that began about then, or a snapshot sooner, and held still when the readings showed it
    blurred = limits.blurred_s
    begin, end = windows[max(low - 2, 0)].first - blurred, float(windows[best].end) + blurred
    seen = [c for c in changes if best and begin <= c.onset <= end and c.until > windows[best].first]
    seen_by = ""
    if seen:
        first = min(seen, key=lambda change: change.onset)
        likeliest, seen_by = first.onset, first.relation
        if low == high == best:
            earliest, latest = first.earliest - blurred - limits.slow_s * slow, first.latest + blurred
    return Onset(
        failure=failure,
        likeliest=likeliest,
        earliest=max(min(earliest, likeliest), 0.0),
        latest=max(latest, likeliest),
        before_start=float(chances[0]),
        showed=likeliest,
        worst=likeliest,
        seen_by=seen_by,
    )


#: causes named at most
MOST_CAUSES = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A ranked explanation. ``alike``: other failures that this recording cannot tell from it.

    ``together``: chance that it or one of those is there.
    """

    failures: tuple[str, ...]
    prior: float
    chance: float
    alike: tuple[str, ...] = ()
    together: float = 0.0


# ------------------------------------------------------------------ causes


def alike_to(alike: Alike, failure: str) -> tuple[str, ...]:
    """Other failures that can begin by themselves and are alike; none where this one shows nothing."""
    failures = alike.network.kb.failures
    others = () if alike.same(failure, SOUND) else alike.like(failure)[1:]
    return tuple(o for o in others if (f := failures[o]).latent > 0.0 or f.rate_per_hour > 0.0 or f.context)


def real_ones(network: Network) -> np.ndarray:
    """Which failures are failures of equipment, and neither slips nor weather; (failure,)."""
    return np.array([failure.kind is FailureKind.FAILURE for failure in network.failures])


def not_needed(
    engine: Engine, case: CaseRecord, posterior: Posterior, apart: frozenset[str]
) -> tuple[str, ...]:
    """Members of the leading explanation that are no cause of their own.

    Beside a failure a slip or the weather is a remark. A second failure is needed only if the readings of the
    instruments call for it without those that rest on an estimate (of the wind, of a usual difference from GPS):
    an error of an estimate lasts, so that its many readings are one witness. And a gauge that it alone touches must be
    among those that part from what does not share their source (``apart``): else it rests on how the flight was flown.
    """
    leading = posterior.ranking()[0].failures
    ids = [failure.id for failure in engine.network.failures]
    real = real_ones(engine.network)
    failures = [name for name in leading if real[ids.index(name)]]
    if not failures or len(leading) < 2:
        return ()
    out = [name for name in leading if name not in failures]
    if len(failures) > 1:
        firm = msgspec.structs.replace(
            case, snapshot=tuple(msgspec.structs.replace(s, unsure={}) for s in case.snapshot)
        )
        try:
            firmly = engine.posterior(firm)
        except ImpossibleEvidence:
            return tuple(out)
        members = firmly.space.members[:, real]
        places = np.flatnonzero(real).tolist()

        def chance(names: Sequence[str]) -> float:
            """Chance of these failures, and of no others, with whatever slips."""
            wanted = np.isin(places, [ids.index(name) for name in names])
            return float(firmly.sets[(members == wanted).all(axis=1)].sum())

        for name in sorted(failures, key=lambda name: firmly.marginals[ids.index(name)]):
            left = [other for other in failures if other != name]
            own = gauges_of(engine.network, name).difference(*(gauges_of(engine.network, o) for o in left))
            if left and (chance(left) >= chance(failures) or (own and not own & apart)):
                failures, out = left, [*out, name]
    return tuple(out)


def causes_of(posterior: Posterior, maker: Coder, remarks: Sequence[str]) -> tuple[Cause, ...]:
    """The likeliest explanations; what differs only in slips beside a failure, or in remarks, is one of them."""
    network = maker.network
    ids, real = [failure.id for failure in network.failures], real_ones(network)
    slips = {name for name, failure in zip(ids, real.tolist(), strict=True) if not failure}
    merged: dict[tuple[str, ...], list[float]] = {}
    for ranked in posterior.ranking():
        kept = tuple(name for name in ranked.failures if name not in slips)
        needed = tuple(name for name in kept if name not in remarks) or kept or ranked.failures
        both = merged.setdefault(needed, [0.0, 0.0])
        both[0], both[1] = both[0] + ranked.prior, both[1] + ranked.posterior
    recorded = Alike(network, tuple(maker.made))
    single = {names[0]: both for names, both in merged.items() if len(names) == 1 and names[0] not in slips}
    within, decided = network.kb.review.alike_within, network.kb.limits.decided

    def as_well(name: str) -> list[str]:
        """Other failures that explain what was recorded as well, or between which and this one it does not decide."""
        prior, chance = single[name]
        own = gauges_of(network, name)
        open_ones = [o for o, both in single.items() if both[1] * decided >= chance * (1.0 - decided)]
        # only what speaks for a failure at all can speak for two of them as well
        factor = chance / prior if prior > 0.0 else 0.0
        alike = [
            o for o, (p, c) in single.items() if factor > within and p > 0.0 and factor / within <= c / p <= factor * within
        ]  # fmt: skip
        return [o for o in dict.fromkeys([*alike, *open_ones]) if own & gauges_of(network, o)]

    def any_of(group: set[str]) -> float:
        return posterior.any_of([name in group for name in ids])

    def until_decided(name: str, others: Sequence[str]) -> list[str]:
        """The next likeliest that show on the same gauges, until it is decided that it is one of these; none if never."""
        own, group, added = gauges_of(network, name), {name, *others}, list[str]()
        for other in sorted(single, key=lambda o: -single[o][1])[: MOST_CAUSES + len(group)]:
            if other not in group and own & gauges_of(network, other):
                added.append(other)
                group.add(other)
                if any_of(group) >= decided:
                    return added
        return []

    found = list[Cause]()
    for failures, (prior, chance) in sorted(merged.items(), key=lambda one: -one[1][1])[:MOST_CAUSES]:
        alike = dict.fromkeys(other for failure in failures for other in alike_to(recorded, failure))
        if len(failures) == 1 and failures[0] in single:
            alike |= dict.fromkeys(as_well(failures[0]))
        others = tuple(other for other in alike if other not in failures)
        if len(failures) == 1:
            together, more = any_of({*failures, *others}), []
            if not found and together < decided:
                more = until_decided(failures[0], others)
                together = any_of({*failures, *others, *more}) if more else together
            others = (*others, *more)
        else:
            together = sum(both[1] for names, both in merged.items() if names == failures or set(names) <= set(others))  # fmt: skip
        found.append(Cause(failures=failures, prior=prior, chance=chance, alike=others, together=together))
    return tuple(found)


def sufficed_at(network: Network, over_time: Array, nothing: Array, causes: Sequence[Cause], windows: Sequence[Window], enough: float) -> float | None:  # fmt: skip
    """When the leading cause, or what is alike, had been likely enough for the rest of the flight."""
    if not causes or not causes[0].failures:
        return None
    ids = [failure.id for failure in network.failures]
    named = [ids.index(name) for name in (*causes[0].failures[:1], *causes[0].alike)]
    high = over_time[:, named].sum(axis=1) >= enough
    if not high[-1]:
        return None
    first = len(high) - int(np.argmin(high[::-1])) if not high.all() else 0
    return float(windows[first].end)


def gauges_of(network: Network, failure: str) -> set[str]:
    """Gauges of which a failure alters the readings, at once or by what runs down."""
    record = network.kb.failures[failure]
    sound, hurt = (effect_of(network, network.facets, acts) for acts in ({}, record.acts))
    moved = {name for name, _ in sound.marks ^ hurt.marks}
    return {
        name.partition(".")[0]
        for name, shown in hurt.shows.items()
        if shown.shape != sound.shows[name].shape
        or bool((np.abs(shown - sound.shows[name]) > 0.01).any())
        or moved & set(network.facets[name].parents)
    }
