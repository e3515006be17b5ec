"""Which failures lead, what looks the same, and what is needed beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from diagnose.advice.coverage import SOUND, Alike, effect_of
from diagnose.model import CaseRecord, FailureKind
from diagnose.model.errors import ImpossibleEvidence
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.network.posterior import Posterior
from diagnose.network.tables import Network
from diagnose.review.coding import Coder
from diagnose.review.windows import Window

#: causes named beside the first
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


def not_needed(engine: Engine, case: CaseRecord, posterior: Posterior, apart: frozenset[str]) -> tuple[str, ...]:
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
