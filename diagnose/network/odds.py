"""Prior chances of a case: of each failure, by its rates, the conditions and the setting; and the sets worth a look.

Arrays of chances have shape (failure,).
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import msgspec
import numpy as np

from diagnose.knowledge.load import KnowledgeBase, unknown_name
from diagnose.model import CaseRecord, Failure, FailureKind, Setting, Telling
from diagnose.model.units import Array
from diagnose.network.hidden import FailureSet
from diagnose.network.tables import Network


@dataclass(frozen=True, slots=True, kw_only=True)
class Odds:
    """Prior chances: of each failure to be there when the clock starts, and to begin later.

    A failure begins at a constant rate, so its chance depends on the time that has passed and not on how a
    case is cut into snapshots. One that begins within a snapshot counts as there in that snapshot.

    ``latent`` (failure,): there from the start. ``begins_first`` (failure,): begins between the start and
    the end of the first snapshot. ``begins`` (snapshot - 1, failure): begins between the ends of a snapshot
    and of the next one. Both chances are for one that nothing hastens (``survival``).
    ``weight`` multiplies the odds of every set that holds a failure of ``loud`` (failure,), one that can be
    noticed, so that "something noticeable is there by the end" has the chance that the setting states.
    ``strayed``, ``told``: as in ``Setting``. ``unsaid``: places of failures that everybody aboard knows of and
    nobody spoke of (rough air without a word of turbulence); what they make odd is no reason to tell.
    """

    latent: Array
    begins_first: Array
    begins: Array
    loud: Array
    weight: float
    strayed: float = 1.0
    told: Telling | None = None
    unsaid: frozenset[int] = frozenset()

    @property
    def first(self) -> Array:
        """Chance of each failure to be there at the first snapshot, hastened by none; (failure,)."""
        return np.asarray(1.0 - (1.0 - self.latent) * (1.0 - self.begins_first))

    @property
    def by_the_end(self) -> Array:
        """Chance of each failure to be there at the last snapshot, before the setting's weight."""
        return np.asarray(1.0 - (1.0 - self.first) * np.prod(1.0 - self.begins, axis=0))

    @property
    def nothing_loud(self) -> float:
        """Prior chance that nothing noticeable is there, before the setting's weight."""
        return float(np.prod(np.where(self.loud, 1.0 - self.by_the_end, 1.0)))

    @property
    def total(self) -> float:
        """Sum of the weighted prior over all sets."""
        return self.nothing_loud + self.weight * (1.0 - self.nothing_loud)

    def weights(self, members: Array) -> Array:
        """Weight of each set; members is bool (set, failure)."""
        return np.where(members @ self.loud, self.weight, 1.0)


def failure_rates(failure: Failure, context: Sequence[str], largest: float) -> tuple[float, float]:
    """Rate per hour and latent chance (at most ``largest``) under these conditions."""
    rate, latent = failure.rate_per_hour, failure.latent
    for effect in failure.context:
        if set(effect.when) <= set(context):
            rate, latent = rate * effect.times, latent * effect.times
    for effect in failure.context:
        if effect.latent is not None and set(effect.when) <= set(context):
            latent = effect.latent
    return rate, min(latent, largest)


def conditions_told(kb: KnowledgeBase, case: CaseRecord) -> tuple[str, ...]:
    """Conditions that the case states, and those that a switch or the maneuvers tell.

    A switch that is first spoken of in a later snapshot stood as usual before it was moved there.
    """
    told = dict.fromkeys(case.context)
    for flag in kb.context.values():
        if flag.all_in and {s.manoeuvre for s in case.snapshot} <= set(flag.all_in) and case.snapshot:
            told[flag.id] = None
        for switch, position in flag.switch.items():
            stands = [s.switches[switch] for s in case.snapshot if switch in s.switches]
            spoken_first = bool(case.snapshot) and switch in case.snapshot[0].switches
            usual = kb.switches[switch].positions[0]
            if stands and not spoken_first and stands[0] != position == usual:
                told[flag.id] = None
    return tuple(told)


def odds_of(network: Network, case: CaseRecord) -> Odds:
    """Give the prior of a case. Raises UnknownName for an unknown setting or context."""
    kb = network.kb
    if case.setting not in kb.settings:
        raise unknown_name("setting", case.setting, kb.settings)
    for flag in case.context:
        if flag not in kb.context:
            raise unknown_name("context", flag, kb.context)
    case = msgspec.structs.replace(case, context=conditions_told(kb, case))
    setting = kb.settings[case.setting]
    plain = _plain_odds(network.failures, case, setting, kb.limits.largest_latent)
    unsaid = frozenset(
        place
        for place, failure in enumerate(network.failures)
        if failure.silent
        and failure.kind is FailureKind.LOOK_ALIKE
        and not any(set(effect.when) <= set(case.context) for effect in failure.context)
    )
    plain = replace(plain, strayed=setting.strayed, told=setting.told, unsaid=unsaid)
    if setting.chance is None:
        return plain
    # all that the panel can have counts, so that a network of a few failures has the weight of the whole one
    whole = _plain_odds(kb.failures_of(network.parts), case, setting, kb.limits.largest_latent)
    nothing = whole.nothing_loud
    if nothing >= 1.0:
        return plain
    weight = setting.chance / (1.0 - setting.chance) * nothing / (1.0 - nothing)
    return replace(plain, weight=weight)


def _plain_odds(
    failures: Sequence[Failure], case: CaseRecord, setting: Setting, largest_latent: float
) -> Odds:
    """Give the chances of these failures without the setting's weight.

    With ``equal_chance`` every failure that can be there at all has that chance from the start, and one that
    can begin in flight begins as often again in every ``begins_within_min`` of the case. Somebody chose it
    from a list: what is not listed keeps its rates.
    """
    found = [failure_rates(failure, case.context, largest_latent) for failure in failures]
    rates, latent = np.array(found).reshape(-1, 2).T
    minutes = np.array([snapshot.minutes_before + snapshot.minutes for snapshot in case.snapshot])
    minutes[:1] -= case.snapshot[0].minutes_before if case.snapshot else 0.0
    if setting.equal_chance is None:
        minutes[:1] += case.minutes_since_start
    else:
        chosen = np.array([failure.listed for failure in failures], dtype=bool)
        latent = np.where(chosen & ((rates > 0.0) | (latent > 0.0)), setting.equal_chance, latent)
        hourly = -np.log1p(-setting.equal_chance) * 60.0 / setting.begins_within_min
        rates = np.where(chosen & (rates > 0.0), hourly, rates)
    begins = -np.expm1(-rates * minutes[:, None] / 60.0)
    loud = np.array([not failure.silent for failure in failures], dtype=bool)
    return Odds(latent=latent, begins_first=begins[0], begins=begins[1:], loud=loud, weight=1.0)


#: exponents above this count as this: the chance that is left is zero either way
CERTAIN = 1e6


def survival(begins: float, times: float, cause_begins: float) -> tuple[float, float]:
    """By which factor a cause lowers the chance that a failure has not begun in some time.

    ``begins``, ``cause_begins``: chances that the failure (hastened by none) and its cause begin in that time;
    ``times``: how many times as likely the failure begins once the cause is there. Gives the factor of a
    cause that was there before, and of one that begins in that time at a constant rate. Causes add up:
    each multiplies what is left by its own factor.

    With K = (times - 1) x the failure's mean number in that time and A that of the cause: exp(-K), and the mean
    of exp(-K (1 - s)) over the cause's onset s, A exp(-A s) / (1 - exp(-A)) on 0..1.
    """
    hazard, cause = (
        min(-float(np.log1p(-p)) if p < 1.0 else CERTAIN, CERTAIN) for p in (begins, cause_begins)
    )
    extra = (times - 1.0) * hazard
    apart = abs(extra - cause)
    mean = np.exp(-min(extra, cause)) * (-np.expm1(-apart) / apart if apart > 0.0 else 1.0)
    share = cause / -np.expm1(-cause) if cause > 0.0 else 1.0
    return float(np.exp(-extra)), float(min(mean * share, 1.0))


# ------------------------------------------------------------------ which sets are looked at


def enumerate_sets(
    count: int, largest: int, chances: Sequence[float], uncovered_limit: float, most_triples: int
) -> tuple[FailureSet, ...]:
    """Give all sets up to ``largest``, then the likeliest sets of one more failure.

    ``chances``: prior chance of each failure. Larger sets are added in order of prior until what is
    left out is less than ``uncovered_limit`` or ``most_triples`` are added.
    """
    sets: list[FailureSet] = []
    for size in range(min(largest, count) + 1):
        sets.extend(itertools.combinations(range(count), size))
    if largest >= count:
        return tuple(sets)
    odds = np.array(chances) / (1.0 - np.array(chances))
    nothing = float(np.prod(1.0 - np.array(chances)))
    covered = nothing * _sums_of_products(odds, largest)
    missing = 1.0 - covered
    if missing <= uncovered_limit:
        return tuple(sets)
    for members, product in itertools.islice(_likeliest(odds, largest + 1), most_triples):
        if missing <= uncovered_limit:
            break
        sets.append(members)
        missing -= nothing * product
    return tuple(sets)


def _likeliest(odds: Array, size: int) -> Iterator[tuple[FailureSet, float]]:
    """Give all sets of a size with the product of their odds, the likeliest first.

    What comes next differs from one that has come by a member, which is the next less likely failure instead.
    """
    order = np.argsort(-odds, kind="stable")
    falling, first = odds[order].tolist(), tuple(range(size))
    waiting, met = [(-math.prod(falling[:size]), first)], {first}
    while waiting:
        product, ranks = heapq.heappop(waiting)
        yield tuple(sorted(order[[*ranks]].tolist())), -product
        for place, end in enumerate((*ranks[1:], len(falling))):
            following = (*ranks[:place], ranks[place] + 1, *ranks[place + 1 :])
            if following[place] < end and following not in met:
                met.add(following)
                heapq.heappush(waiting, (-math.prod(falling[rank] for rank in following), following))


def _sums_of_products(odds: Array, largest: int) -> float:
    """Sum over all sets up to ``largest`` of the product of their odds (elementary symmetric sums)."""
    sums = np.zeros(largest + 1)
    sums[0] = 1.0
    for one in odds:
        sums[1:] += one * sums[:-1]
    return float(sums.sum())
