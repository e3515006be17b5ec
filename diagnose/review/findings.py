"""A review: from a recording to ranked causes, their onset, what not to believe from when, and what is open."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from diagnose.advise import advise
from diagnose.answer import Answer
from diagnose.errors import CaseError, ImpossibleEvidence
from diagnose.inference import Engine
from diagnose.model import CaseRecord, FailureKind, MemoryKind
from diagnose.network import Network
from diagnose.posterior import Posterior
from diagnose.review.coding import Coder, coder, snapshots_of
from diagnose.review.compared import shows_discharge
from diagnose.review.motion import Motion, motion_of
from diagnose.review.onset import interval_of, onset_chances
from diagnose.review.recording import Recording
from diagnose.review.records import MapRecord
from diagnose.review.relations import Change, Residual, residuals
from diagnose.review.windows import Window, manoeuvres_of, speed_of_level, windows_of
from diagnose.trust import misled
from diagnose.units import Array, min_from_s

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
#: causes named beside the first
MOST_CAUSES = 6
#: unrecorded gauges that are named as what would have helped
MOST_HELP = 3
#: rates and means are taken over spans of up to twice this, so that a change is no sharper
BLURRED_S = 30.0
#: what comes gradually or by a rotor that runs down may take this long until the detector sees it
SLOW_S = 180.0
#: readings whose chances differ by less (total variation) are told apart by nobody
ALIKE_BELOW = 0.1
#: groups of gauges that tell of a supply: out of band they are right
WARNING_GROUPS = ("vacuum", "electrical")
SHIPPED_SETTING = "routine"


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubted:
    """An instrument not to be believed from a time on; seconds from the first row."""

    gauge: str
    since: float
    trust: float
    blame: str
    recorded: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """Everything that a review found. ``failures_over_time`` (snapshot, failure), ``nothing`` (snapshot,).

    ``remarks``: what may have been there as well, but is no cause of its own: a slip beside a failure, or a second
    failure that no reading of an instrument calls for. ``unsettled``: gauges that contradict each other, and nothing
    tells which of them is wrong.
    ``told``: facets that the recorded channels can tell of; ``silent``: gauges of the panel of which none does.
    """

    recording: Recording
    motion: Motion
    residuals: tuple[Residual, ...]
    windows: tuple[Window, ...]
    case: CaseRecord
    network: Network
    answer: Answer
    causes: tuple[Cause, ...]
    remarks: tuple[str, ...]
    unsettled: tuple[str, ...]
    onsets: tuple[Onset, ...]
    sufficed: float | None
    doubted: tuple[Doubted, ...]
    failures_over_time: Array
    nothing: Array
    told: tuple[str, ...]
    silent: tuple[str, ...]
    would_help: tuple[tuple[str, float], ...]

    @property
    def found(self) -> bool:
        """Whether the leading explanation holds a failure that is likelier than not."""
        return bool(self.causes and self.causes[0].failures and self.causes[0].chance > 0.5)


def review(engine: Engine, recording: Recording, mapping: MapRecord, *, setting: str = "") -> Review:
    """Review a recording. Raises CaseError when there is nothing to review in it."""
    kb = engine.network.kb
    if not engine.network.panel.ammeter and shows_discharge(recording, kb.review):
        engine = Engine(engine.network.with_ammeter("center_zero"), engine.largest_set)
    motion = motion_of(recording, kb.review, mapping.variation_deg)
    found = residuals(recording, motion, kb)
    changes = [change for residual in found for change in residual.changes]
    network = engine.network
    engine = _without(engine, _not_compared(network, recording))
    coded = _likeliest(engine, recording, motion, changes, mapping, setting)
    motion, windows, maker, case, posterior = (
        coded.motion,
        coded.windows,
        coded.maker,
        coded.case,
        coded.posterior,
    )
    remarks = _not_needed(engine, case, posterior)
    over_time, nothing, trusts = _over_time(engine, case, remarks)
    answer = advise(posterior)
    causes = _causes(posterior, maker, remarks)
    onsets = _onsets(engine, case, causes, windows, found, tuple(maker.made))
    sufficed = _sufficed(engine.network, over_time, nothing, causes, windows, kb.review.enough)
    return Review(
        recording=recording,
        motion=motion,
        residuals=found,
        windows=windows,
        case=case,
        network=network,
        answer=answer,
        causes=causes,
        remarks=remarks,
        unsettled=_unsettled(motion, found),
        onsets=onsets,
        sufficed=sufficed,
        doubted=_doubted(engine.network, recording, answer, trusts, windows, onsets, causes),
        failures_over_time=over_time,
        nothing=nothing,
        told=tuple(maker.made),
        silent=tuple(
            g for g in engine.network.dial_gauges if not any(n.split(".")[0] == g for n in maker.made)
        ),
        would_help=_would_help(engine, case, maker, posterior),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Coded:
    """A recording as a case, under one account of the motion, and what the engine makes of it."""

    motion: Motion
    windows: tuple[Window, ...]
    maker: Coder
    case: CaseRecord
    posterior: Posterior


def _likeliest(engine: Engine, recording: Recording, motion: Motion, changes: Sequence[Change], mapping: MapRecord, setting: str) -> _Coded:  # fmt: skip
    """The recording as a case. Where two sources of the turn contradict each other, the one is believed with which
    fewer failures explain all that was recorded; else nothing is read there that hangs on the turn.
    """
    plain = _coded(engine, recording, motion, changes, mapping, setting)
    told = [name for name, rate in motion.rates_dps.items() if np.isfinite(rate[motion.contested]).any()]
    if not told:
        return plain
    accounts = [_coded(engine, recording, motion.believing(n), changes, mapping, setting) for n in told]
    ids, real = [failure.id for failure in engine.network.failures], _real(engine.network)
    needs = [sum(real[ids.index(n)] for n in c.posterior.ranking()[0].failures) for c in accounts]
    fewest = [coded for coded, count in zip(accounts, needs, strict=True) if count == min(needs)]
    # an account that needs no failure leaves the contradiction as it is
    return fewest[0] if len(fewest) == 1 and min(needs) else plain


def _coded(engine: Engine, recording: Recording, motion: Motion, changes: Sequence[Change], mapping: MapRecord, setting: str) -> _Coded:  # fmt: skip
    """The recording as a case under this account of the motion. Raises CaseError where there is nothing to review."""
    kb = engine.network.kb
    flown = manoeuvres_of(recording, motion, kb.review)
    trend = next(f for f in kb.gauges["airspeed"].facets if f.id == "trend")
    windows = tuple(
        replace(w, manoeuvre=speed_of_level(w, recording, motion, kb.review, trend))
        if w.manoeuvre == "level"
        else w
        for w in windows_of(flown, motion.power, changes, kb.review)
    )
    maker = coder(engine.network, recording, motion, changes, kb.review)
    # what satellites tell is no instrument that could be judged
    judged = [name for name in maker.made if not name.startswith("gps_")]
    if not windows or not judged:
        what = "nothing was flown in this recording" if judged else "no instrument of the panel is recorded"
        raise CaseError(
            what,
            recording.name,
            "a review needs some minutes of flight with the instruments; check the mapping",
        )
    case = CaseRecord(
        title=f"Recorded flight {recording.name}",
        panel=engine.network.panel.id,
        setting=setting or mapping.setting or SHIPPED_SETTING,
        context=_context(recording, motion, mapping),
        minutes_since_start=max(min_from_s(float(windows[0].first)), 1.0),
        snapshot=snapshots_of(maker, windows, mapping.switches),
        source="recorded data",
    )
    case, posterior = _posterior(engine, case)
    return _Coded(motion=motion, windows=windows, maker=maker, case=case, posterior=posterior)


#: so many seconds of flight at or below freezing make it a fact of the day
FREEZING_S = 60


def _context(recording: Recording, motion: Motion, mapping: MapRecord) -> tuple[str, ...]:
    """Conditions of the day: what the mapping file states, and freezing air where it was recorded in flight."""
    outside = recording.channels.get("outside_c")
    if outside is None or "below_freezing" in mapping.context:
        return mapping.context
    cold = int(((outside <= 0.0) & motion.airborne).sum()) >= FREEZING_S
    return (*mapping.context, "below_freezing") if cold else mapping.context


def _not_compared(network: Network, recording: Recording) -> frozenset[str]:
    """Failures of a compass that is not recorded: the heading is compared with track and wind, not with it."""
    if "compass_deg" in recording.channels:
        return frozenset()
    gauges = {name: name.partition(".")[0] for name in network.facets}
    own = {
        part for name, gauge in gauges.items() if gauge == "compass" for part in network.facets[name].parents
    }
    others = {
        part
        for name, gauge in gauges.items()
        if gauge not in ("compass", "heading")
        for part in network.facets[name].parents
    }
    return frozenset(failure.id for failure in network.failures if set(failure.acts) <= own - others)


def _without(engine: Engine, failures: frozenset[str]) -> Engine:
    """The engine with these failures as unlikely as can be."""
    if not failures:
        return engine
    network = replace(
        engine.network,
        failures=tuple(
            msgspec.structs.replace(f, latent=0.0, rate_per_hour=0.0, context=()) if f.id in failures else f
            for f in engine.network.failures
        ),
    )
    return engine.with_rates_of(network)


def _posterior(engine: Engine, case: CaseRecord) -> tuple[CaseRecord, Posterior]:
    """The posterior; readings that no state allows together are made unsure rather than refused."""
    try:
        return case, engine.posterior(case)
    except ImpossibleEvidence:
        snapshots = tuple(
            msgspec.structs.replace(
                s, readings={}, unsure={**s.unsure, **{name: (r, 0.99) for name, r in s.readings.items()}}
            )
            for s in case.snapshot
        )
        softer = msgspec.structs.replace(case, snapshot=snapshots)
        return softer, engine.posterior(softer)


def _over_time(engine: Engine, case: CaseRecord, remarks: Sequence[str]) -> tuple[Array, Array, Array]:
    """Chance of each failure, of none, and of each gauge telling the truth, after each snapshot.

    The truth is weighed as if what is a remark only were not there: no instrument is condemned for it.
    """
    failures, nothing, trusts = [], [], []
    left_out = [place for place, failure in enumerate(engine.network.failures) if failure.id in remarks]
    for (space, rows), snapshot in zip(engine.filtered(case), case.snapshot, strict=True):
        sets = space.by_set(rows)
        failures.append(space.by_failure(sets))
        real = [f.kind is FailureKind.FAILURE for f in engine.network.failures]
        nothing.append(float(sets[~space.members[:, real].any(axis=1)].sum()))
        lies = misled(space, snapshot.manoeuvre, engine.network.switch_positions(snapshot.switches))
        there = np.asarray(space.members[:, left_out].any(axis=1))
        kept = np.where(there[space.row_set], 0.0, rows)
        trusts.append(lies.chances(kept / kept.sum() if kept.sum() > 0.0 else rows)[0])
    return np.array(failures), np.array(nothing), np.array(trusts)


def _unsettled(motion: Motion, found: Sequence[Residual]) -> tuple[str, ...]:
    """Gauges whose turns contradict each other for long while neither could be believed."""
    if motion.believed or not motion.contested.any():
        return ()
    told = {n for n, rate in motion.rates_dps.items() if np.isfinite(rate[motion.contested]).any()}
    # bank is compared with whatever else tells of the turn
    apart = any(r.changes and told & set(r.relation.speaks_of) for r in found)
    gauges = [gauge for gauge, channels in GAUGE_CHANNELS.items() if told & set(channels)]
    return tuple(gauges) if apart and len(gauges) > 1 else ()


# ------------------------------------------------------------------ causes


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What one failure does: ``marks`` of motion and memories, ``shows`` facet -> chances of its readings."""

    marks: frozenset[tuple[str, object]]
    shows: Mapping[str, Array]

    def alike(self, other: Effect) -> bool:
        """Whether no reading is told from the other's by more than the limit (total variation)."""
        return self.marks == other.marks and all(
            shown.shape == other.shows[name].shape
            and bool((0.5 * np.abs(shown - other.shows[name]).sum(axis=-1) < ALIKE_BELOW).all())
            for name, shown in self.shows.items()
        )


def effect_of(network: Network, facets: Iterable[str], acts: Mapping[str, str]) -> Effect:
    """What these conditions of parts do to these facets, with the switches as usual."""
    given = {part: np.array([network.states[part].index(c)]) for part, c in acts.items()}
    state = network.conditions(given, network.switch_positions({}), 1)
    marks: set[tuple[str, object]] = {(part, int(state[part][0])) for part in network.variation_parts}
    shows = {}
    for name in facets:
        table = network.facets[name]
        place = tuple(
            slice(None) if p in network.memories else int(state[p][0]) if p in state else 0
            for p in table.parents
        )
        shows[name] = table.at(place)
        for parent in table.parents:
            if parent in network.memories:
                memory = network.memories[parent].memory
                driver = network.states[memory.driver][int(state[memory.driver][0])]
                marks.add((parent, memory.carry.get(driver, "")))
    return Effect(marks=frozenset(marks), shows=shows)


def alike_finder(network: Network, facets: Sequence[str]) -> Callable[[str], tuple[str, ...]]:
    """Give for a failure the others that these facets cannot tell from it."""
    sound = effect_of(network, facets, {})
    effects = {
        failure.id: effect_of(network, facets, failure.acts)
        for failure in network.failures
        if failure.latent > 0.0 or failure.rate_per_hour > 0.0 or failure.context
    }

    def alike(failure: str) -> tuple[str, ...]:
        own = effects[failure]
        if own.alike(sound):
            return ()
        return tuple(name for name, effect in effects.items() if name != failure and own.alike(effect))

    return alike


def _real(network: Network) -> np.ndarray:
    """Which failures are failures of equipment, and neither slips nor weather; (failure,)."""
    return np.array([failure.kind is FailureKind.FAILURE for failure in network.failures])


def _not_needed(engine: Engine, case: CaseRecord, posterior: Posterior) -> tuple[str, ...]:
    """Members of the leading explanation that are no cause of their own.

    Beside a failure a slip or the weather is a remark. A second failure is needed only if the readings of the
    instruments call for it without those that rest on an estimate (of the wind, of a usual difference from GPS):
    an error of an estimate lasts, so that its many readings are one witness.
    """
    leading = posterior.ranking()[0].failures
    ids = [failure.id for failure in engine.network.failures]
    real = _real(engine.network)
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
            if left and chance(left) >= chance(failures):
                failures, out = left, [*out, name]
    return tuple(out)


def _causes(posterior: Posterior, maker: Coder, remarks: Sequence[str]) -> tuple[Cause, ...]:
    """The likeliest explanations; what differs only in slips beside a failure, or in remarks, is one of them."""
    network = maker.network
    ids, real = [failure.id for failure in network.failures], _real(network)
    slips = {name for name, failure in zip(ids, real.tolist(), strict=True) if not failure}
    merged: dict[tuple[str, ...], list[float]] = {}
    for ranked in posterior.ranking():
        kept = tuple(name for name in ranked.failures if name not in slips)
        needed = tuple(name for name in kept if name not in remarks) or kept or ranked.failures
        both = merged.setdefault(needed, [0.0, 0.0])
        both[0], both[1] = both[0] + ranked.prior, both[1] + ranked.posterior
    alike_to = alike_finder(network, tuple(maker.made))
    single = {names[0]: both for names, both in merged.items() if len(names) == 1 and names[0] not in slips}
    within, decided = network.kb.review.alike_within, network.kb.limits.decided

    def as_well(name: str) -> list[str]:
        """Other failures that explain what was recorded as well, or between which and this one it does not decide."""
        prior, chance = single[name]
        own = _gauges_of(network, name)
        open_ones = [o for o, both in single.items() if both[1] * decided >= chance * (1.0 - decided)]
        # only what speaks for a failure at all can speak for two of them as well
        factor = chance / prior if prior > 0.0 else 0.0
        alike = [
            o for o, (p, c) in single.items() if factor > within and p > 0.0 and factor / within <= c / p <= factor * within
        ]  # fmt: skip
        return [o for o in dict.fromkeys([*alike, *open_ones]) if own & _gauges_of(network, o)]

    def any_of(group: set[str]) -> float:
        return posterior.any_of([name in group for name in ids])

    def until_decided(name: str, others: Sequence[str]) -> list[str]:
        """The next likeliest that show on the same gauges, until it is decided that it is one of these; none if never."""
        own, group, added = _gauges_of(network, name), {name, *others}, list[str]()
        for other in sorted(single, key=lambda o: -single[o][1])[: MOST_CAUSES + len(group)]:
            if other not in group and own & _gauges_of(network, other):
                added.append(other)
                group.add(other)
                if any_of(group) >= decided:
                    return added
        return []

    found = list[Cause]()
    for failures, (prior, chance) in sorted(merged.items(), key=lambda one: -one[1][1])[:MOST_CAUSES]:
        alike = dict.fromkeys(other for failure in failures for other in alike_to(failure))
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


def _sufficed(network: Network, over_time: Array, nothing: Array, causes: Sequence[Cause], windows: Sequence[Window], enough: float) -> float | None:  # fmt: skip
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


# ------------------------------------------------------------------ onset


def _onsets(engine: Engine, case: CaseRecord, causes: Sequence[Cause], windows: Sequence[Window], found: Sequence[Residual], told: Sequence[str]) -> tuple[Onset, ...]:  # fmt: skip
    if not causes or not causes[0].failures:
        return ()
    network = engine.network
    onsets = []
    for name in causes[0].failures:
        touched, slow = _touches(network, name)
        changes = [c for r in found if touched & set(r.relation.speaks_of) for c in r.changes]
        chances = onset_chances(engine, case, causes[0].failures, name)
        onset = _onset(
            chances, name, windows, changes, SLOW_S if slow else 0.0, network.kb.review.onset_share
        )
        own = [r for r in found if touched & set(r.relation.speaks_of)]
        gauges = _gauges_of(network, name)
        odd = _odd_windows(network, case, windows, gauges)
        onsets.append(_unasked(_shown(onset, own, odd), odd, windows, _asked(network, told, gauges)))
    return tuple(onsets)


def _asked(network: Network, told: Sequence[str], gauges: set[str]) -> frozenset[str]:
    """Maneuvers in which one of these gauges must show something else than in level flight."""
    usual = {name: network.expected_readings(name, {}) for name in network.kb.manoeuvres}
    own = [name for name in told if name.partition(".")[0] in gauges]
    return frozenset(m for m, shows in usual.items() if any(shows[n] != usual["level"][n] for n in own))


def _unasked(onset: Onset, odd: Sequence[Window], windows: Sequence[Window], asked: frozenset[str]) -> Onset:
    """What sticks while nothing asks it to move looks sound: it may have begun since it last moved as it should.

    That is so where it showed in a maneuver that asks it to move, and not before.
    """
    first = next((w for w in odd if w.end >= onset.showed), None)
    if first is None or first.manoeuvre not in asked:
        return onset
    before = [w for w in windows if w.end <= first.first and w.manoeuvre in asked and w not in odd]
    return replace(onset, earliest=min(onset.earliest, float(before[-1].first) if before else 0.0))


def _odd_windows(
    network: Network, case: CaseRecord, windows: Sequence[Window], gauges: set[str]
) -> list[Window]:
    """Windows in which one of these gauges read what a sound one does not."""
    usual = {name: network.expected_readings(name, {}) for name in {w.manoeuvre for w in windows}}
    return [
        window
        for window, snapshot in zip(windows, case.snapshot, strict=True)
        if any(
            name.partition(".")[0] in gauges and reading != usual[window.manoeuvre].get(name, reading)
            for name, reading in (
                *snapshot.readings.items(),
                *((name, said) for name, (said, _) in snapshot.unsure.items()),
            )
        )
    ]


def _shown(onset: Onset, own: Sequence[Residual], odd: Sequence[Window]) -> Onset:
    """When a failure first showed: where its channels part for good by the detector, else the first odd reading.

    A sound flight's energy balance parts as well, with every change of power, so that it is no witness of a second.
    """
    first = next((w for w in odd if w.end >= onset.earliest), None)
    changes = [
        change
        for residual in own
        for change in residual.changes
        if residual.relation.id != "airspeed_energy" and change.alarm >= onset.earliest
    ]
    # one that had passed before any reading was odd tells of something else
    lasting = [c.onset for c in changes if first is None or c.until > first.first]
    at_first = [] if first is None else [float(first.first)]
    showed = max(min([*lasting, *at_first], default=onset.likeliest), onset.earliest)
    size = [np.abs(np.nan_to_num(r.values / r.noise)) for r in own]
    after = np.max(size, axis=0)[round(showed) :] if size else np.zeros(0)
    worst = showed + float(after.argmax()) if len(after) and after.max() > 0.0 else showed
    return replace(onset, showed=showed, worst=worst)


def _touches(network: Network, failure: str) -> tuple[set[str], bool]:
    """Channels that a failure alters, and whether it may take minutes to show.

    It does if it comes gradually, or by a rotor that runs down.
    """
    record, gauges = network.kb.failures[failure], _gauges_of(network, failure)
    rotors = {m.memory.driver for m in network.memories.values() if m.memory.kind is MemoryKind.ROTOR}
    state = network.conditions(
        {part: np.array([network.states[part].index(c)]) for part, c in record.acts.items()},
        network.switch_positions({}), 1,
    )  # fmt: skip
    slow = record.onset == "gradual" or any(int(state[driver][0]) for driver in rotors)
    return {channel for gauge in gauges for channel in GAUGE_CHANNELS.get(gauge, ())}, slow


def _gauges_of(network: Network, failure: str) -> set[str]:
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


def _onset(chances: Array, failure: str, windows: Sequence[Window], changes: Sequence[Change], slow_s: float, share: float) -> Onset:  # fmt: skip
    """From chances by snapshot to seconds, made narrower by the detector where it saw the change.

    A failure that begins before a snapshot began somewhere from inside the snapshot before (whose readings
    need not show it yet) on into this one, of which many readings tell only how it ended.
    """
    low, high = interval_of(chances, share)
    # a failure that showed only when it was needed may have begun at any time before: the middle of them
    best = int(chances.argmax()) if chances.max() > 0.5 else int(np.searchsorted(np.cumsum(chances), 0.5))
    earliest = float(windows[low - 1].first if low else 0)
    latest = float(windows[high].end)
    # when the snapshot before ended all was usual still, when this one ended no longer
    likeliest = 0.5 * (windows[best - 1].end + windows[best].end) if best else 0.0
    # a change that began about then, or a snapshot sooner, and held still when the readings showed it
    begin, end = windows[max(low - 2, 0)].first - BLURRED_S, float(windows[best].end) + BLURRED_S
    seen = [c for c in changes if best and begin <= c.onset <= end and c.until > windows[best].first]
    seen_by = ""
    if seen:
        first = min(seen, key=lambda change: change.onset)
        likeliest, seen_by = first.onset, first.relation
        if low == high == best:
            earliest, latest = first.earliest - BLURRED_S - slow_s, first.latest + BLURRED_S
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


# ------------------------------------------------------------------ what not to believe, what is open


def _doubted(network: Network, recording: Recording, answer: Answer, trusts: Array, windows: Sequence[Window], onsets: Sequence[Onset], causes: Sequence[Cause]) -> tuple[Doubted, ...]:  # fmt: skip
    found = []
    limit = network.kb.review.disbelieve
    begun = min((onset.likeliest for onset in onsets), default=0.0)
    knew = next((i for i, w in enumerate(windows) if w.end >= begun), 0)
    told = {trust.gauge: trust for trust in answer.trust}
    leading = causes[0].failures if causes else ()
    hurt = {name: _gauges_of(network, name) for name in leading}
    for place, gauge in enumerate(network.panel.gauges):
        if gauge not in told:
            continue  # the result of a check
        low = trusts[:, place] < limit
        # what leads is to blame for all that it touches
        blame = next((name for name in leading if gauge in hurt[name]), told[gauge].blame)
        if not low[-1] or (
            network.kb.gauges[gauge].group in WARNING_GROUPS and not _own(network, blame, gauge)
        ):
            continue
        first = len(low) - int(np.argmin(low[::-1])) if not low.all() else 0
        # the filter learns of it a little late: what falls soon after the onset has fallen with it
        since = begun if onsets and first <= knew + 3 else float(windows[first].first)
        channels = GAUGE_CHANNELS.get(gauge, ())
        found.append(
            Doubted(
                gauge=gauge, since=since, trust=float(trusts[-1, place]), blame=blame,
                recorded=any(channel in recording.channels for channel in channels),
            )
        )  # fmt: skip
    return tuple(found)


def _own(network: Network, failure: str, gauge: str) -> bool:
    """Whether a failure shows on this gauge alone: then the gauge is wrong, not what it tells of."""
    if not failure:
        return False
    own = tuple(name for name in network.facets if name.partition(".")[0] == gauge)
    others = tuple(name for name in network.facets if name not in own)
    acts = network.kb.failures[failure].acts
    return effect_of(network, others, acts).alike(effect_of(network, others, {}))


def _would_help(engine: Engine, case: CaseRecord, maker: Coder, posterior: Posterior) -> tuple[tuple[str, float], ...]:  # fmt: skip
    """Unrecorded facets that would have told most, by the expected fall of the entropy of the causes (bits)."""
    now = _bits(posterior.sets)
    if now < 0.3:
        return ()
    found = []
    for facet in engine.network.facets:
        if facet in maker.made or facet in case.snapshot[-1].readings or facet in case.snapshot[-1].unsure:
            continue
        outcomes = engine.outcomes(case, facet)
        later = sum(
            c * _bits(s) for c, s in zip(outcomes.chance.tolist(), outcomes.sets, strict=True) if c > 0
        )
        found.append((facet, now - later))
    best = sorted(found, key=lambda pair: -pair[1])
    return tuple((facet, gain) for facet, gain in best[:MOST_HELP] if gain > 0.05)


def _bits(chances: Array) -> float:
    there = chances[chances > 1e-12]
    return float(-(there * np.log2(there)).sum())
