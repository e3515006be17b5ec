"""A review: from a recording to ranked causes, their onset, what not to believe from when, and what is open."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from diagnose.advice.advise import advise
from diagnose.advice.coverage import SOUND, Alike
from diagnose.advice.trust import misled
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.session import START
from diagnose.model import CaseRecord, Failure, FailureKind, ReviewLimits
from diagnose.model.answer import Answer
from diagnose.model.errors import CaseError, ImpossibleEvidence
from diagnose.model.units import Array, min_from_s
from diagnose.network.engine import Engine
from diagnose.network.posterior import Posterior
from diagnose.network.tables import Network
from diagnose.review.causes import (
    GAUGE_CHANNELS,
    Cause,
    Onset,
    causes_of,
    gauges_of,
    not_needed,
    onsets_of,
    real_ones,
    sufficed_at,
)
from diagnose.review.coding import Coder, coder, snapshots_of
from diagnose.review.compared import shows_discharge
from diagnose.review.dialogue import guess_of
from diagnose.review.mapping import Guess
from diagnose.review.motion import Motion, mean_over, motion_of
from diagnose.review.recording import Fault, Recording, read
from diagnose.review.relations import Change, Residual, airspeed_by_altitude_kt, residuals
from diagnose.review.table import MapRecord, layout_of
from diagnose.review.windows import Window, manoeuvres_of, speed_of_level, windows_of

#: unrecorded gauges that are named as what would have helped
MOST_HELP = 3
#: groups of gauges that tell of a supply: out of band they are right
WARNING_GROUPS = ("vacuum", "electrical")
SHIPPED_SETTING = "routine"


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubted:
    """An instrument not to be believed from a time on; seconds from the first row."""

    gauge: str
    since: float
    trust: float
    blame: str
    recorded: bool


@dataclass(frozen=True, kw_only=True)
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
    engine: Engine
    posterior: Posterior

    @property
    def found(self) -> bool:
        """Whether the leading explanation holds a failure that is likelier than not."""
        return bool(self.causes and self.causes[0].failures and self.causes[0].chance > 0.5)

    @cached_property
    def would_help(self) -> tuple[tuple[str, float], ...]:
        """Unrecorded facets that would have told most, and how much (bits); worked out when somebody asks."""
        return _would_help(self.engine, self.case, self.told, self.posterior)


def review(engine: Engine, recording: Recording, mapping: MapRecord, *, setting: str = "") -> Review:
    """Review a recording. Raises CaseError when there is nothing to review in it."""
    kb = engine.network.kb
    if not engine.network.panel.ammeter and shows_discharge(recording, kb.review):
        engine = Engine(engine.network.with_ammeter("center_zero"), engine.largest_set)
    motion = motion_of(recording, kb.review, mapping.variation_deg)
    found = residuals(recording, motion, kb)
    network = engine.network
    engine = _without(engine, _not_compared(network, recording))
    if any(residual.relation.id == "static_step" and residual.changes for residual in found):
        engine = _in_flight(engine, "alternate_valve")
    coded = _likeliest(engine, recording, motion, found, mapping, setting)
    motion, windows, maker, case, posterior = coded.motion, coded.windows, coded.maker, coded.case, coded.posterior
    remarks = not_needed(engine, case, posterior, _apart(found))
    over_time, nothing, trusts = _over_time(engine, case, remarks)
    answer = advise(posterior)
    causes = causes_of(posterior, maker, remarks)
    stands = motion.stood
    onsets = onsets_of(engine, case, causes, windows, found, tuple(maker.made), stands)
    sufficed = sufficed_at(engine.network, over_time, nothing, causes, windows, kb.review.enough)
    silent = (g for g in engine.network.dial_gauges if not any(n.split(".")[0] == g for n in maker.made))
    doubted = _doubted(engine.network, recording, answer, trusts, found, windows, onsets, causes)
    if causes and causes[0].failures:
        doubted = (*doubted, *_measured(found, motion, onsets, {d.gauge for d in doubted}, causes[0], network))
    else:
        doubted = _unexplained(causes, found, kb.review)
    doubted = _standing(doubted, stands, causes, network)
    return Review(
        recording=recording, motion=motion, residuals=found, windows=windows, case=case, network=network, answer=answer,
        causes=causes, remarks=remarks, unsettled=_unsettled(motion, found), onsets=onsets, sufficed=sufficed,
        doubted=doubted, failures_over_time=over_time, nothing=nothing,
        told=tuple(maker.made), silent=tuple(silent), engine=engine, posterior=posterior,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Coded:
    """A recording as a case, under one account of the motion, and what the engine makes of it."""

    motion: Motion
    windows: tuple[Window, ...]
    maker: Coder
    case: CaseRecord
    posterior: Posterior


def _likeliest(engine: Engine, recording: Recording, motion: Motion, found: Sequence[Residual], mapping: MapRecord, setting: str) -> _Coded:  # fmt: skip
    """The recording as a case. Where two sources of the turn contradict each other, the one is believed with which
    fewer failures explain all that was recorded; else nothing is read there that depends on the turn.
    """
    plain = _coded(engine, recording, motion, found, mapping, setting)
    told = [name for name, rate in motion.rates_dps.items() if np.isfinite(rate[motion.contested]).any()]
    if not told:
        return plain
    accounts = [_coded(engine, recording, motion.believing(n), found, mapping, setting) for n in told]
    ids, real = [failure.id for failure in engine.network.failures], real_ones(engine.network)
    needs = [sum(real[ids.index(n)] for n in c.posterior.ranking()[0].failures) for c in accounts]
    fewest = [coded for coded, count in zip(accounts, needs, strict=True) if count == min(needs)]
    # an account that needs no failure leaves the contradiction as it is
    return fewest[0] if len(fewest) == 1 and min(needs) else plain


def _coded(engine: Engine, recording: Recording, motion: Motion, found: Sequence[Residual], mapping: MapRecord, setting: str) -> _Coded:  # fmt: skip
    """The recording as a case under this account of the motion. Raises CaseError where there is nothing to review."""
    kb = engine.network.kb
    flown = manoeuvres_of(recording, motion, kb.review)
    trend = kb.facet("airspeed.trend")
    windows = tuple(
        replace(w, manoeuvre=speed_of_level(w, recording, motion, kb.review, trend))
        if w.manoeuvre == "level"
        else w
        for w in windows_of(flown, motion.power, [c for r in found for c in r.changes], kb.review)
    )
    maker = coder(engine.network, recording, motion, found, kb.review)
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
        context=_context(recording, motion, mapping, kb.review.freezing_s),
        minutes_since_start=max(min_from_s(float(windows[0].first)), 1.0),
        snapshot=snapshots_of(maker, windows, mapping.switches),
        source="recorded data",
    )
    case, posterior = _posterior(engine, case)
    return _Coded(motion=motion, windows=windows, maker=maker, case=case, posterior=posterior)


def _context(recording: Recording, motion: Motion, mapping: MapRecord, least_s: float) -> tuple[str, ...]:
    """Conditions: what the mapping file states, and freezing air where it was recorded in flight."""
    outside = recording.channels.get("outside_c")
    if outside is None or "below_freezing" in mapping.context:
        return mapping.context
    cold = int(((outside <= 0.0) & motion.airborne).sum()) >= least_s
    return (*mapping.context, "below_freezing") if cold else mapping.context


def _not_compared(network: Network, recording: Recording) -> frozenset[str]:
    """Slips that no recorder sees, and failures of a compass that is not recorded: the heading is compared with track
    and wind, not with it.
    """
    unseen = frozenset(network.kb.review.unseen)
    if "compass_deg" in recording.channels:
        return unseen
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
    return unseen | {failure.id for failure in network.failures if set(failure.acts) <= own - others}


def _without(engine: Engine, failures: frozenset[str]) -> Engine:
    """The engine with these failures as unlikely as can be."""
    if not failures:
        return engine
    return _rated(engine, lambda f: {"latent": 0.0, "rate_per_hour": 0.0, "context": ()} if f.id in failures else {})


def _in_flight(engine: Engine, part: str) -> Engine:
    """The engine in which what is left so before a flight came in an hour of flight instead: a hand moved the part."""
    return _rated(engine, lambda f: {"latent": 0.0, "rate_per_hour": f.latent} if part in f.acts else {})


def _rated(engine: Engine, others: Callable[[Failure], dict[str, Any]]) -> Engine:
    failures = tuple(msgspec.structs.replace(f, **others(f)) for f in engine.network.failures)
    return engine.with_rates_of(engine.network.with_odds_of(failures))


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


def _apart(found: Sequence[Residual]) -> frozenset[str]:
    """Gauges that part from what does not share their source, by the detector. An energy balance parts in healthy flights."""
    told = {n for r in found if r.changes and r.relation.id != "airspeed_energy" for n in r.relation.speaks_of}
    return frozenset(gauge for gauge, channels in GAUGE_CHANNELS.items() if told & set(channels))


def _unsettled(motion: Motion, found: Sequence[Residual]) -> tuple[str, ...]:
    """Gauges whose turns contradict each other for long while neither could be believed."""
    if motion.believed or not motion.contested.any():
        return ()
    told = {n for n, rate in motion.rates_dps.items() if np.isfinite(rate[motion.contested]).any()}
    # bank is compared with whatever else tells of the turn
    apart = any(r.changes and told & set(r.relation.speaks_of) for r in found)
    gauges = [gauge for gauge, channels in GAUGE_CHANNELS.items() if told & set(channels)]
    return tuple(gauges) if apart and len(gauges) > 1 else ()


# ------------------------------------------------------------------ what not to believe, what is open


def _doubted(network: Network, recording: Recording, answer: Answer, trusts: Array, residuals: Sequence[Residual], windows: Sequence[Window], onsets: Sequence[Onset], causes: Sequence[Cause]) -> tuple[Doubted, ...]:  # fmt: skip
    found = []
    limit = network.kb.review.disbelieve
    begun = min((onset.likeliest for onset in onsets), default=0.0)
    knew = next((i for i, w in enumerate(windows) if w.end >= begun), 0)
    told = {trust.gauge: trust for trust in answer.trust}
    leading = causes[0].failures if causes else ()
    hurt = {name: gauges_of(network, name) for name in leading}
    for place, gauge in enumerate(network.panel.gauges):
        if gauge not in told:
            continue  # the result of a check
        if leading and not any(gauge in touched for touched in hurt.values()):
            continue  # no failure that is needed touches it
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
        # it began to part from what does not share its source some time before it was sure to be wrong
        parted = [c.onset for r in residuals if set(channels) & set(r.relation.speaks_of) for c in r.changes]
        since = min([since, *(second for second in parted if onsets and second >= onsets[0].showed)])
        found.append(
            Doubted(
                gauge=gauge, since=since, trust=float(trusts[-1, place]), blame=blame,
                recorded=any(channel in recording.channels for channel in channels),
            )
        )  # fmt: skip
    return tuple(found)


def _measured(found: Sequence[Residual], motion: Motion, onsets: Sequence[Onset], there: set[str], cause: Cause, network: Network) -> tuple[Doubted, ...]:  # fmt: skip
    """Dials that the cause touches and that were measured to be off: by a step of the static source, or because they
    alone part far from what does not share their source, since it first showed.
    """
    limits, gauge_of = network.kb.review, {c: gauge for gauge, channels in GAUGE_CHANNELS.items() for c in channels}
    blame = {gauge: name for name in cause.failures for gauge in gauges_of(network, name)}
    showed = min((onset.showed for onset in onsets), default=0.0)
    off = dict[str, float]()
    for residual in found:
        if residual.relation.id == "static_step":
            by_kt = airspeed_by_altitude_kt(residual.values, motion.tas_kt)
            for gauge, values, most in (("airspeed", by_kt, limits.tolerance_kt), ("altimeter", residual.values, limits.tolerance_ft)):
                places = np.flatnonzero(np.abs(np.nan_to_num(values)) > most)
                if len(places) >= limits.contested_least_s:
                    off.setdefault(gauge, float(places[0]))
            continue
        spoken_of = {gauge_of[channel] for channel in residual.relation.speaks_of}
        for change in _far(residual, limits):
            if len(spoken_of) == 1 and change.onset >= showed - limits.blurred_s:
                off.setdefault(min(spoken_of), change.onset)
    return tuple(
        Doubted(gauge=gauge, since=since, trust=0.0, blame=blame[gauge], recorded=True)
        for gauge, since in off.items()
        if gauge in blame and gauge not in there and network.kb.gauges[gauge].group not in WARNING_GROUPS
    )


def _standing(doubted: Sequence[Doubted], stands: Mapping[str, tuple[float, float]], causes: Sequence[Cause], network: Network) -> tuple[Doubted, ...]:  # fmt: skip
    """The same, and dials whose pointer stood while others asked it to move; blamed is what leads, if it touches them."""
    blame = {g: name for cause in causes[:1] for name in cause.failures for g in gauges_of(network, name)}
    since = {gauge: stands[c][1] for gauge, channels in GAUGE_CHANNELS.items() for c in channels if c in stands}
    there = {d.gauge for d in doubted}
    return (
        *(replace(d, since=min(d.since, since[d.gauge])) if d.gauge in since else d for d in doubted),
        *(
            Doubted(gauge=gauge, since=second, trust=0.0, blame=blame.get(gauge, ""), recorded=True)
            for gauge, second in since.items()
            if gauge not in there
        ),
    )


def _far(residual: Residual, limits: ReviewLimits) -> list[Change]:
    """The changes in which a residual was further off than what goes unexplained."""
    apart = np.abs(np.nan_to_num(mean_over(residual.values / residual.noise, round(limits.blurred_s))))
    return [
        change
        for change in residual.changes
        if apart[round(change.onset) : round(min(change.until, len(apart)))].max() >= limits.unexplained
    ]


def _unexplained(causes: Sequence[Cause], found: Sequence[Residual], limits: ReviewLimits) -> tuple[Doubted, ...]:
    """Recorded gauges that part far, and more than once or for minutes, from what does not share their source, where no
    failure leads: what is wrong with them is not in the list.
    """
    if causes and causes[0].failures:
        return ()
    gauges = {channel: gauge for gauge, channels in GAUGE_CHANNELS.items() for channel in channels}
    doubted = dict[str, Doubted]()
    for residual in found:
        spoken_of = {gauges[channel] for channel in residual.relation.speaks_of}
        far = _far(residual, limits)
        if len(spoken_of) == 1 and far and (len(far) > 1 or far[0].until - far[0].onset >= limits.slow_s):
            gauge = spoken_of.pop()
            since = min(far[0].onset, doubted[gauge].since if gauge in doubted else far[0].onset)
            doubted[gauge] = Doubted(gauge=gauge, since=since, trust=0.0, blame="", recorded=True)
    return tuple(doubted.values())


def _own(network: Network, failure: str, gauge: str) -> bool:
    """Whether a failure shows on this gauge alone: then the gauge is wrong, not what it tells of."""
    if not failure:
        return False
    own = tuple(name for name in network.facets if name.partition(".")[0] == gauge)
    others = tuple(name for name in network.facets if name not in own)
    return Alike(network, others).same(failure, SOUND)


def _would_help(engine: Engine, case: CaseRecord, told: Sequence[str], posterior: Posterior) -> tuple[tuple[str, float], ...]:  # fmt: skip
    """Unrecorded facets that would have told most, by the expected fall of the entropy of the causes (bits)."""
    now = _bits(posterior.sets)
    if now < 0.3:
        return ()
    found = []
    # facets that depend on the same parts one after the other: they share most of the work
    for facet, _ in sorted(engine.network.facets.items(), key=lambda one: one[1].parents):
        if facet in told or facet in case.snapshot[-1].readings or facet in case.snapshot[-1].unsure:
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


# ------------------------------------------------------------------ a file


def reviewed(
    file: Path,
    mapping: MapRecord | Guess | None,
    panel: str | None,
    setting: str,
    kb: KnowledgeBase,
    engine: Callable[[str], Engine],
) -> Review:
    """Read and review one file; without a mapping a guess is taken, and what is open in it is a fault of the file.

    Raises CaseError if the file cannot be read or holds too little.
    """
    found = guess_of(file, (), kb) if mapping is None else mapping
    asked: tuple[Fault, ...] = ()
    if isinstance(found, Guess):
        asked = tuple(
            Fault(
                kind="question", says=f"not used until you answer: {says}" if column else says, column=column
            )
            for column, says in found.questions
        )
        found = found.mapping
    chosen = engine(panel or found.panel or START.panel)
    try:
        recording = read(layout_of(file, kb), found, kb)
        return review(chosen, replace(recording, faults=(*asked, *recording.faults)), found, setting=setting)
    except CaseError as error:
        if not asked:
            raise
        # what is open may be all that it lacks
        open_ones = "; ".join(str(fault) for fault in asked)
        raise CaseError(error.what, error.where, f"{error.mend}. Open: {open_ones}") from None
