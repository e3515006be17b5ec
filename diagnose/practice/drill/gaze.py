"""A scan looked back on: fixation, omission and emphasis, and the looks that would have told.

Source: Instrument Flying Handbook, FAA-H-8083-15B, ch. 6, for the three faults (from memory); what counts
as one stands in ``knowledge/drill.toml``.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from diagnose.model import ScanPattern
from diagnose.practice.drill.scan import Judged, Look, Scan

Fault = Literal["fixation", "omission", "emphasis"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A fault of the scan: on which gauge, which look would have told more, how much and when.

    ``seconds`` is how long the gauge was stared at, ``share`` its share of the looks; ``bits`` what
    ``instead`` would have told, ``second`` when.
    """

    fault: Fault
    gauge: str
    instead: str = ""
    bits: float = 0.0
    second: int = 0
    seconds: int = 0
    share: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """A scan against the most informative one. ``dwell`` seconds by gauge; ``best`` and when it knew."""

    looks: int
    called_s: int
    dwell: dict[str, int]
    faults: tuple[Found, ...]
    best: tuple[Look, ...]
    best_s: int
    best_knew: bool
    followed: float | None = None


def review(scan: Scan, pattern: ScanPattern | None = None) -> Review:
    """Look back on a scan that was called or has run out."""
    judged = tuple(scan.judged())
    best = scan.best_sequence()
    count = Counter(look.gauge for look in scan.looks)
    return Review(
        looks=len(scan.looks),
        called_s=scan.second,
        dwell={gauge: number * scan.look_s for gauge, number in count.most_common()},
        faults=faults(judged, scan),
        best=best.looks,
        best_s=best.second,
        best_knew=max(best.chances()) >= scan.studio.number("told"),
        followed=None if pattern is None else kept_to(scan.looks, cycle(scan, pattern)),
    )


def faults(judged: Sequence[Judged], scan: Scan) -> tuple[Found, ...]:
    """Name the faults of a scan, each at most once."""
    return tuple(
        found
        for found in (_fixation(judged, scan), _omission(judged, scan), _emphasis(judged, scan))
        if found is not None
    )


def _best(judged: Judged) -> tuple[str, float]:
    return max(judged.bits.items(), key=lambda item: item[1])


def _fixation(judged: Sequence[Judged], scan: Scan) -> Found | None:
    """The longest stare during which another gauge would have told much more."""
    number = scan.studio.number
    least = max(2, round(number("scan.fixation_s") / scan.look_s))
    found = None
    for gauge, group in itertools.groupby(judged, key=lambda j: j.look.gauge):
        run = list(group)
        missed = max(run[1:], key=lambda j: _best(j)[1] - j.bits.get(gauge, 0.0), default=None)
        if missed is None or len(run) < least:
            continue
        instead, bits = _best(missed)
        if instead == gauge or bits - missed.bits.get(gauge, 0.0) < number("scan.omission_bits"):
            continue
        seconds = len(run) * scan.look_s
        if found is None or seconds > found.seconds:
            found = Found(
                fault="fixation",
                gauge=gauge,
                instead=instead,
                bits=bits,
                second=missed.look.second,
                seconds=seconds,
            )
    return found


def _omission(judged: Sequence[Judged], scan: Scan) -> Found | None:
    """The gauge never looked at that would have told most."""
    seen = {j.look.gauge for j in judged}
    if len(judged) < scan.studio.number("scan.fewest_looks"):
        return None
    missed = [
        (bits, -j.look.second, gauge) for j in judged for gauge, bits in j.bits.items() if gauge not in seen
    ]
    bits, second, gauge = max(missed, default=(0.0, 0, ""))
    if bits < scan.studio.number("scan.omission_bits"):
        return None
    return Found(fault="omission", gauge=gauge, instead=gauge, bits=bits, second=-second)


def _emphasis(judged: Sequence[Judged], scan: Scan) -> Found | None:
    """One gauge that took far more than its share of the looks, now and again."""
    number = scan.studio.number
    if len(judged) < number("scan.fewest_looks"):
        return None
    (gauge, count), *_ = Counter(j.look.gauge for j in judged).most_common(1)
    runs = sum(1 for name, _ in itertools.groupby(j.look.gauge for j in judged) if name == gauge)
    told = sum(j.bits.get(gauge, 0.0) for j in judged if j.look.gauge == gauge)
    better = [j for j in judged if j.look.gauge == gauge and _best(j)[0] != gauge]
    share = count / len(judged)
    if share < number("scan.emphasis_share") or runs < 2 or not better:
        return None
    missed = max(better, key=lambda j: _best(j)[1])
    instead, bits = _best(missed)
    if told / count + number("scan.omission_bits") > bits:
        return None
    return Found(
        fault="emphasis", gauge=gauge, instead=instead, bits=bits, second=missed.look.second, share=share
    )


def cycle(scan: Scan, pattern: ScanPattern) -> tuple[str, ...]:
    """Give the gauges of a pattern that the panel has, in their order."""
    kept = [gauge for gauge in pattern.gauges if gauge in scan.studio.seen]
    # two of the same side by side, because what stood between them is not there, are one
    return tuple(gauge for gauge, before in zip(kept, [kept[-1], *kept], strict=False) if gauge != before)


def kept_to(looks: Sequence[Look], order: Sequence[str]) -> float:
    """Give the share of the steps from one look to the next that a pattern has."""
    steps = set(zip(order, [*order[1:], order[0]], strict=True))
    made = [(a.gauge, b.gauge) for a, b in itertools.pairwise(looks)]
    return sum(step in steps for step in made) / len(made) if made else 0.0
