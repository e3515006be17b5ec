"""How good forecasts were: reliability, calibration error, Brier and log score, first and first three.

A *forecast* is the chance that an answer gave to a failure; its *outcome* is whether the failure was there.
Calibrated means: of all forecasts near 0.3, three in ten come true.
Source of the measures: G. W. Brier 1950, Monthly Weather Review 78 (1); A. H. Murphy 1973, Journal of
Applied Meteorology 12 (4), for the decomposition; E. B. Wilson 1927, Journal of the American Statistical
Association 22 (158), for the interval. From memory.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

#: edges of the bins; the outer ones are finer, where most forecasts lie
EDGES = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
#: forecasts below this are not named in an answer; there are thousands of them for each that is
NAMED = 0.01
#: a failure given more than this on a healthy flight is a false alarm
ALARM = 0.5
#: least chance that the log score takes for a truth that was not enumerated
LEAST = 1e-6
#: confusions that are kept
MOST_CONFUSIONS = 40
#: standard deviations of a 95 % interval
Z95 = 1.959964


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What one flight gives the measures: the truth, and the answer as far as they need it.

    ``chances``: failure -> posterior, of all from ``NAMED`` up and all that were there; ``rest`` is the sum of
    the squares of those left out, which were not there, and ``small`` their number and sum. ``sets``: the
    likeliest sets with their chance, rough air beside a failure not counted apart, and ``named`` the true one so; ``true_set`` the chance of the true set. ``prior_*`` the same without any reading.
    """

    truth: tuple[str, ...]
    named: tuple[str, ...]
    snapshots: int
    chances: dict[str, float]
    rest: float
    small: tuple[int, float]
    sets: tuple[tuple[tuple[str, ...], float], ...]
    true_set: float
    prior_true_set: float
    prior_brier: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Forecasts between ``low`` and ``high``: how many, their mean, and how many came true."""

    low: float
    high: float
    count: int
    mean: float
    hits: int

    @property
    def share(self) -> float:
        """Share that came true; 0 of none."""
        return self.hits / self.count if self.count else 0.0

    @property
    def interval(self) -> tuple[float, float]:
        """95 % interval of the share (Wilson)."""
        return wilson(self.hits, self.count)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Flights of one kind, in how many the truth came first and among the first three, and its mean chance."""

    name: str
    flights: int
    top1: int
    top3: int
    mean: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Confusion:
    """Flights in which ``said`` was ranked first and ``truth`` was the case ("" is "nothing failed")."""

    truth: str
    said: str
    flights: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Scores:
    """What the flights of one setting gave.

    ``bins`` and ``ece``: failures' probabilities from ``NAMED`` up. ``top_bins``, ``ece_top``: the chance of the
    set ranked first against its being the truth. ``ece_all``: every failure of every flight, which flatters,
    since most are next to impossible. ``brier``: mean over flights of the sum over failures of
    (chance - outcome)^2; ``reliability``, ``resolution`` and ``uncertainty`` are its parts per forecast from
    ``NAMED`` up (Murphy; up to the spread within a bin). ``log_score``: mean of -ln P(true set).
    """

    setting: str
    flights: int
    bins: tuple[Bin, ...]
    ece: float
    top_bins: tuple[Bin, ...]
    ece_top: float
    ece_all: float
    brier: float
    brier_prior: float
    reliability: float
    resolution: float
    uncertainty: float
    log_score: float
    log_score_prior: float
    by_snapshots: tuple[Tally, ...]
    by_failure: tuple[Tally, ...]
    confusions: tuple[Confusion, ...]

    @property
    def ece_likely(self) -> float:
        """Calibration error of the failures' probabilities above one half, which small ones cannot hide."""
        return calibration_error(b for b in self.bins if b.low >= ALARM)


@dataclass(frozen=True, slots=True, kw_only=True)
class FalseAlarms:
    """Healthy flights of one kind: in how many a failure, or a look-alike, was given more than ``ALARM``."""

    setting: str
    kind: str
    flights: int
    alarms: int
    look_alikes: int
    by_failure: dict[str, int]

    @property
    def share(self) -> float:
        """Share of flights with a false alarm."""
        return self.alarms / self.flights if self.flights else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A whole calibration, and the command that made it."""

    command: str
    seed: int
    panels: tuple[str, ...]
    scores: tuple[Scores, ...]
    healthy: tuple[FalseAlarms, ...]

    @property
    def flights(self) -> int:
        """All flights of it."""
        return sum(s.flights for s in self.scores) + sum(h.flights for h in self.healthy)


# ------------------------------------------------------------------ measures


def wilson(hits: int, count: int) -> tuple[float, float]:
    """95 % interval of a share; (0, 1) of nothing."""
    if not count:
        return 0.0, 1.0
    share, z2 = hits / count, Z95**2
    middle = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = Z95 / (1 + z2 / count) * math.sqrt(share * (1 - share) / count + z2 / (4 * count**2))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def bins_of(forecasts: Iterable[tuple[float, bool]], edges: Sequence[float] = EDGES) -> tuple[Bin, ...]:
    """Sort forecasts into bins; the upper edge belongs to the bin, the very lowest edge too."""
    count, total, hits = [0] * (len(edges) - 1), [0.0] * (len(edges) - 1), [0] * (len(edges) - 1)
    for chance, came_true in forecasts:
        place = next(i for i, high in enumerate(edges[1:]) if chance <= high or i == len(edges) - 2)
        count[place] += 1
        total[place] += chance
        hits[place] += came_true
    return tuple(
        Bin(low=low, high=high, count=n, mean=s / n if n else (low + high) / 2.0, hits=h)
        for low, high, n, s, h in zip(edges, edges[1:], count, total, hits, strict=False)
    )


def calibration_error(bins: Iterable[Bin]) -> float:
    """Expected calibration error: mean of |mean forecast - share that came true|, weighted by count."""
    kept = [b for b in bins if b.count]
    total = sum(b.count for b in kept)
    return sum(b.count * abs(b.mean - b.share) for b in kept) / total if total else 0.0


def brier_parts(bins: Iterable[Bin]) -> tuple[float, float, float]:
    """Reliability, resolution and uncertainty of binned forecasts; Brier = first - second + third.

    Exact when all forecasts of a bin are equal.
    """
    kept = [b for b in bins if b.count]
    total = sum(b.count for b in kept)
    if not total:
        return 0.0, 0.0, 0.0
    base = sum(b.hits for b in kept) / total
    reliability = sum(b.count * (b.mean - b.share) ** 2 for b in kept) / total
    resolution = sum(b.count * (b.share - base) ** 2 for b in kept) / total
    return reliability, resolution, base * (1.0 - base)


def brier_score(outcome: Outcome) -> float:
    """Sum over failures of (chance - outcome)^2 of one flight."""
    there = set(outcome.truth)
    return outcome.rest + sum((p - (name in there)) ** 2 for name, p in outcome.chances.items())


def scores_of(setting: str, outcomes: Sequence[Outcome]) -> Scores:
    """Give all measures of the flights of one setting."""
    named = [(p, name in o.truth) for o in outcomes for name, p in o.chances.items() if p >= NAMED]
    bins = bins_of(named)
    top_bins = bins_of((o.sets[0][1], o.sets[0][0] == o.named) for o in outcomes)
    reliability, resolution, uncertainty = brier_parts(bins)
    flights = max(len(outcomes), 1)
    return Scores(
        setting=setting,
        flights=len(outcomes),
        bins=bins,
        ece=calibration_error(bins),
        top_bins=top_bins,
        ece_top=calibration_error(top_bins),
        ece_all=_error_of_all(outcomes),
        brier=sum(map(brier_score, outcomes)) / flights,
        brier_prior=sum(o.prior_brier for o in outcomes) / flights,
        reliability=reliability,
        resolution=resolution,
        uncertainty=uncertainty,
        log_score=sum(-math.log(max(o.true_set, LEAST)) for o in outcomes) / flights,
        log_score_prior=sum(-math.log(max(o.prior_true_set, LEAST)) for o in outcomes) / flights,
        by_snapshots=_tallies((str(o.snapshots), o) for o in outcomes),
        by_failure=_tallies((name, o) for o in outcomes for name in o.truth or ("",)),
        confusions=_confusions(outcomes),
    )


def _error_of_all(outcomes: Sequence[Outcome]) -> float:
    """Calibration error over every failure of every flight, those below ``NAMED`` as one more bin."""
    number = sum(o.small[0] for o in outcomes)
    total = sum(o.small[1] for o in outcomes)
    low = [(p, name in o.truth) for o in outcomes for name, p in o.chances.items() if p < NAMED]
    named = [(p, name in o.truth) for o in outcomes for name, p in o.chances.items() if p >= NAMED]
    number, total = number + len(low), total + sum(p for p, _ in low)
    hits = sum(there for _, there in low)
    least = Bin(low=0.0, high=NAMED, count=number, mean=total / number if number else 0.0, hits=hits)
    return calibration_error((least, *bins_of(named)))


def _place(outcome: Outcome) -> int:
    """Rank of the true set, from 0."""
    return next((i for i, (names, _) in enumerate(outcome.sets) if names == outcome.named), len(outcome.sets))


def _tallies(named: Iterable[tuple[str, Outcome]]) -> tuple[Tally, ...]:
    groups: dict[str, list[Outcome]] = defaultdict(list)
    for name, outcome in named:
        groups[name].append(outcome)
    return tuple(
        Tally(
            name=name,
            flights=len(found),
            top1=sum(_place(o) < 1 for o in found),
            top3=sum(_place(o) < 3 for o in found),
            mean=sum(o.true_set for o in found) / len(found),
        )
        for name, found in sorted(groups.items())
    )


def _confusions(outcomes: Sequence[Outcome]) -> tuple[Confusion, ...]:
    pairs = Counter(("+".join(o.named), "+".join(o.sets[0][0])) for o in outcomes if o.sets[0][0] != o.named)
    return tuple(
        Confusion(truth=truth, said=said, flights=count)
        for (truth, said), count in sorted(pairs.items(), key=lambda item: (-item[1], item[0]))[
            :MOST_CONFUSIONS
        ]
    )


def alarms_of(
    setting: str, kind: str, outcomes: Sequence[Outcome], look_alikes: frozenset[str]
) -> FalseAlarms:
    """Count false alarms over healthy flights; the truth of a draft is no alarm."""
    raised = [[name for name, p in o.chances.items() if p > ALARM and name not in o.truth] for o in outcomes]
    failures = [[name for name in names if name not in look_alikes] for names in raised]
    return FalseAlarms(
        setting=setting,
        kind=kind,
        flights=len(outcomes),
        alarms=sum(bool(names) for names in failures),
        look_alikes=sum(any(name in look_alikes for name in names) for names in raised),
        by_failure=dict(sorted(Counter(name for names in failures for name in names).items())),
    )
