"""Scanning until you know; and the scan looked back on."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import msgspec
import numpy as np

from diagnose.advice.coverage import SOUND
from diagnose.advice.prospect import Held, Scene, told
from diagnose.model import CaseRecord, ScanPattern, SnapshotRecord
from diagnose.model.case import Leg
from diagnose.network.engine import Engine
from diagnose.network.posterior import Posterior
from diagnose.network.tables import Index
from diagnose.practice.drill.kinds import leads, mark, offered, readings_say
from diagnose.practice.drill.studio import (
    OPEN,
    Belief,
    Card,
    Flown,
    Marked,
    Option,
    Studio,
    believe,
    fly,
    legs_to,
    onset_minutes,
    right_places,
    truth_of,
)
from diagnose.practice.simulate import Window
from diagnose.practice.simulate.coding import reading_in, seen_facets

LEGS = 3
LEG_MIN = 1.5
#: the failure begins in this part of the first two legs
BEGINS = (0.2, 1.6)
TRIES = 12
#: wrong answers that name a failure, and how many of them are of other systems
WRONG, ELSEWHERE = 4, 2
QUARTER_MIN = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """A look that began at ``second``: what its gauge did, by facets (nothing while it still settles)."""

    gauge: str
    second: int
    readings: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Half a minute or so of one leg; ``ready``: from when on the dials no longer move from the change."""

    first: int
    end: int
    ready: int
    leg: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What each gauge could have told when a look was taken: expected information in bits."""

    look: Glance
    bits: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Scan:
    """A flight in progress: how far it is, and what was looked at. One look costs ``look_s`` seconds."""

    card: Card
    studio: Studio = field(repr=False)
    flown: Flown = field(repr=False)
    engine: Engine = field(repr=False)
    options: tuple[Option, ...]
    blocks: tuple[Block, ...]
    onset_s: int | None
    look_s: int
    second: int = 0
    looks: tuple[Glance, ...] = ()

    @property
    def over(self) -> bool:
        """Whether the flight has ended."""
        return self.second >= self.flown.simulation.samples

    @property
    def manoeuvre(self) -> str:
        """What is flown now."""
        return self.flown.simulation.leg_at(min(self.second, self.flown.simulation.samples - 1)).manoeuvre

    def look(self, gauge: str) -> Scan:
        """Look at a gauge; the flight goes on meanwhile."""
        after = min(self.second + self.look_s, self.flown.simulation.samples)
        look = Glance(gauge=gauge, second=self.second, readings=self._readings(gauge, after))
        return replace(self, second=after, looks=(*self.looks, look))

    def wait(self) -> Scan:
        """Look at nothing for as long as a look takes."""
        return replace(self, second=min(self.second + self.look_s, self.flown.simulation.samples))

    def _block(self, second: int) -> Block:
        return next(block for block in reversed(self.blocks) if block.first < max(second, 1))

    def _readings(self, gauge: str, second: int) -> dict[str, str]:
        """What a gauge did over the last seconds of this leg; nothing while too little time has passed."""
        block = self._block(second)
        first = max(block.ready, second - int(self.studio.number("scan.back_s")))
        if second - first < self.studio.number("scan.shortest_s"):
            return {}
        window = Window(first, second, block.leg)
        simulation = self.flown.simulation
        return {
            name: reading_in(simulation, facet, name, window)
            for name, facet in seen_facets(simulation, simulation.scenario.unseen).items()
            if name.split(".")[0] == gauge
        }

    # -------------------------------------------------------------- what is known

    def case(self) -> CaseRecord:
        """The case that the looks make: a snapshot for each half minute, with what was seen in it."""
        snapshots: list[SnapshotRecord] = []
        last_end = 0.0
        for block in self.blocks:
            if block.first >= max(self.second, 1):
                break
            readings: dict[str, str] = {}
            for look in self.looks:
                # a look belongs to the half minute in which it ends
                if block.first < look.second + self.look_s <= block.end:
                    readings |= look.readings
            start, end = _quarters(block.first), _quarters(block.end)
            snapshots.append(
                SnapshotRecord(
                    manoeuvre=self.flown.simulation.plan.legs[block.leg].manoeuvre,
                    minutes=max(end - start, QUARTER_MIN),
                    minutes_before=max(start - last_end, 0.0) if snapshots else 0.0,
                    readings=readings,
                )
            )
            last_end = max(end, start + QUARTER_MIN)
        return replace_snapshots(self.flown.case, tuple(snapshots))

    def posterior(self) -> Posterior:
        """The engine's posterior over the answers offered, after the looks taken."""
        return self.engine.posterior(self.case())

    def chances(self) -> tuple[float, ...]:
        """The chances of the answers after the looks taken; (option,)."""
        return believe(self.studio, self.posterior(), self.offered).among(self.options)

    @property
    def offered(self) -> frozenset[str]:
        """The failures that can be: those of the answers."""
        return frozenset(name for option in self.options for name in option.like) - {SOUND}

    def right(self) -> tuple[int, ...]:
        """The places of the answers that are right now."""
        number = self.studio.number
        return right_places(self.options, self.chances(), number("told"), number("not_told"))

    def bits(self) -> dict[str, float]:
        """What a look at each gauge would tell of the answers now, in bits: exact, over all that it shows."""
        found = dict.fromkeys(self.studio.seen, 0.0)
        if not self._readings_possible():
            return found
        case = self.case()
        scene = _scene(self.studio, self.engine.posterior(case), self)
        silent: dict[str, list[str]] = {}
        for facet in seen_facets(self.flown.simulation, self.flown.simulation.scenario.unseen):
            # what has no dial on the panel is no look to recommend
            if facet not in case.snapshot[-1].readings and facet.split(".")[0] in self.studio.kb.dials:
                silent.setdefault(facet.split(".")[0], []).append(facet)
        return found | {gauge: told(scene, tuple(facets)).suspect_bits for gauge, facets in silent.items()}

    def _readings_possible(self) -> bool:
        second = self.second + self.look_s
        block = self._block(second)
        # the case must already have the half minute in which the look would end
        return second - block.ready >= self.studio.number("scan.shortest_s") and block.first < max(
            self.second, 1
        )

    def mark(self, text: str) -> Marked:
        """Mark a call by what was looked at. Raises CaseError for what is no answer.

        That nothing has failed, or that nobody can tell yet, is all too true before anybody has looked
        much: such a call counts only late in the flight, and is right only if going on looking would have
        said the same.
        """
        marked = mark(text, self.options, self.chances(), self.right(), self.studio.number("told"))
        gives_up = {marked.given, marked.right} <= {OPEN, SOUND}
        if gives_up and (self.second < self.patience_s or (marked.correct and not self.stays(marked.given))):
            return replace(marked, correct=False, score=0.0, counts=False)
        return marked

    def stays(self, given: str) -> bool:
        """Whether an answer is right for who goes on looking where most is to be learned."""
        best = self.best_sequence()
        return given in (best.options[place].id for place in best.right())

    @property
    def patience_s(self) -> int:
        """From this second on what fails has begun, so that a call that nothing has can count."""
        return round(self.studio.number("scan.patience") * self.flown.simulation.samples)

    def ran_out(self) -> Marked:
        """The mark of a flight that ended without a call."""
        return Marked(correct=False, score=0.0, given="", right=self.options[self.right()[0]].id)

    # -------------------------------------------------------------- looking back

    def judged(self) -> Iterator[Judged]:
        """Give for each look taken what every gauge could have told at that time."""
        now = replace(self, second=0, looks=())
        for look in self.looks:
            now = replace(now, second=look.second)
            yield Judged(look=look, bits=now.bits())
            now = now.look(look.gauge)

    def best_sequence(self) -> Scan:
        """Fly again, looking each time where most is to be learned, until one answer is told or the end."""
        now = replace(self, second=0, looks=())
        enough_known = self.studio.number("told")
        while not now.over:
            bits = now.bits()
            gauge = max(bits, key=lambda name: round(bits[name], 3))
            now = now.look(gauge) if bits[gauge] > 0.0 else now.wait()
            began = now.onset_s is None or now.second > now.onset_s
            # with nothing failed there is no moment from which on it is known
            enough = now.onset_s is not None or now.second >= now.patience_s
            # that nothing had failed was known before it did: from then on only what has failed counts
            told = (
                chance
                for option, chance in zip(now.options, now.chances(), strict=True)
                if now.onset_s is None or option.id != SOUND
            )
            if began and enough and max(told, default=0.0) >= enough_known:
                break
        return now


def replace_snapshots(case: CaseRecord, snapshots: tuple[SnapshotRecord, ...]) -> CaseRecord:
    """Give the case with other snapshots."""
    return msgspec.structs.replace(case, snapshot=snapshots)


def _quarters(second: int) -> float:
    return round(second / 60.0 / QUARTER_MIN) * QUARTER_MIN


@dataclass(frozen=True, kw_only=True)
class _Asked(Scene):
    """A scene in which the answers offered take the place of the suspects; ``option_of_set`` (set,)."""

    option_of_set: Index

    @cached_property
    def suspected(self) -> Index:
        """Number of the answer that each row that counts belongs to."""
        return self.option_of_set[self.held.sets][self.held.of_row]


def _scene(studio: Studio, posterior: Posterior, scan: Scan) -> _Asked:
    """Make the scene of a look, with the drill's own odds of nothing and of each failure, as in ``belief``."""
    space, prior = posterior.space, posterior.prior_sets
    failures, snapshot = space.network.failures, posterior.case.snapshot[-1]
    share = studio.number("nothing")
    each = (1.0 - share) / max(len(scan.offered), 1)
    weights, option_of_set = np.zeros(len(space.sets)), np.zeros(len(space.sets), dtype=np.intp)
    for place, members in enumerate(space.sets):
        name = SOUND if not members else failures[members[0]].id
        column = next((k for k, option in enumerate(scan.options) if name in option.like), None)
        if column is not None and len(members) <= 1 and prior[place] > 0.0:
            weights[place] = (share if name == SOUND else each) / prior[place]
            option_of_set[place] = column
    rows = posterior.rows * weights[space.row_set]
    return _Asked(
        held=Held(space=space, rows=rows / rows.sum()),
        snapshot=snapshot,
        trusting=space.network.switch_positions(snapshot.switches),
        suspects=np.zeros(len(failures), dtype=np.intp),
        option_of_set=option_of_set,
    )


def blocks_of(flown: Flown, long_s: int, settle_s: int) -> tuple[Block, ...]:
    """Cut a flight into blocks of about ``long_s`` that do not cross from one leg into the next."""
    leg_of = flown.simulation.plan.leg_of
    cuts = [0, *(np.flatnonzero(np.diff(leg_of)) + 1).tolist(), len(leg_of)]
    blocks = []
    for leg, (start, end) in enumerate(itertools.pairwise(cuts)):
        edges = (
            np.linspace(start, end, max(1, round((end - start) / long_s)) + 1).round().astype(int).tolist()
        )
        ready = start + settle_s if leg and flown.simulation.plan.meant.airborne[start] else start
        blocks += [Block(first=a, end=b, ready=ready, leg=leg) for a, b in itertools.pairwise(edges)]
    return tuple(blocks)


def make(
    studio: Studio,
    card: Card,
    level: int,
    rng: np.random.Generator,
    confused: Collection[str] = (),
    met: Collection[str] = (),
) -> Scan | None:
    """Make an exercise for a card: a flight that ends in its maneuver. None if no flight tried is fair."""
    if studio.kb.manoeuvres[card.manoeuvre].phase != "air":
        return None
    for _ in range(TRIES):
        legs = tuple(
            Leg(manoeuvre=leg.manoeuvre, minutes=LEG_MIN)
            for leg in legs_to(studio, card.manoeuvre, LEGS, rng)
        )
        truth = truth_of(studio, card, rng)
        at_minutes = round(float(rng.uniform(*BEGINS)) * 4.0) / 4.0
        flown = fly(studio, truth, legs, at_minutes, rng)
        belief: Belief = believe(studio, studio.engine.posterior(flown.case))
        left = readings_say(studio, belief, card.manoeuvre, truth)
        if len(left) > 1 or left[0].id != truth or belief.chance(left[0]) < studio.kb.limits.decided:
            continue
        if not leads(studio, flown.case, left[0]):
            continue
        options = offered(
            studio, belief, left, card.manoeuvre, WRONG + min(level, 1), rng, confused, ELSEWHERE, met
        )
        names = {name for option in options for name in option.like} - {SOUND}
        sizes = flown.simulation.sizes
        return Scan(
            card=card,
            studio=studio,
            flown=flown,
            engine=studio.with_failures(sorted(names)),
            options=options,
            blocks=blocks_of(flown, int(studio.number("scan.back_s")), int(sizes("snapshot.settle_s"))),
            onset_s=None if truth == SOUND else round(onset_minutes(studio, truth, at_minutes) * 60.0),
            look_s=int(studio.number("scan.look_s")),
        )
    return None


Fault = Literal["fixation", "omission", "emphasis"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A fault of the scan: on which gauge, which look would have told more, how much and when.

    ``since``: it was looked at before the onset only. ``seconds`` is how long the gauge was stared at, ``share`` its share of the looks; ``bits`` what
    ``instead`` would have told, ``second`` when.
    """

    fault: Fault
    gauge: str
    instead: str = ""
    bits: float = 0.0
    second: int = 0
    seconds: int = 0
    share: float = 0.0
    since: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanReview:
    """A scan against the most informative one. ``dwell`` seconds by gauge; ``best`` and when it knew."""

    looks: int
    called_s: int
    dwell: dict[str, int]
    faults: tuple[Found, ...]
    best: tuple[Glance, ...]
    best_s: int
    best_knew: bool
    followed: float | None = None


def scan_review(scan: Scan, pattern: ScanPattern | None = None) -> ScanReview:
    """Look back on a scan that was called or has run out."""
    judged = tuple(scan.judged())
    best = scan.best_sequence()
    count = Counter(look.gauge for look in scan.looks)
    return ScanReview(
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
    """The gauge not looked at that would have told most: since the failure began, where any look was taken then."""
    before = {j.look.gauge for j in judged if scan.onset_s is not None and j.look.second < scan.onset_s}
    judged = [j for j in judged if scan.onset_s is None or j.look.second >= scan.onset_s] or judged
    seen = {j.look.gauge for j in judged}
    if len(judged) < scan.studio.number("scan.fewest_looks"):
        return None
    missed = [
        (bits, -j.look.second, gauge) for j in judged for gauge, bits in j.bits.items() if gauge not in seen
    ]
    bits, second, gauge = max(missed, default=(0.0, 0, ""))
    if bits < scan.studio.number("scan.omission_bits"):
        return None
    return Found(fault="omission", gauge=gauge, instead=gauge, bits=bits, second=-second, since=gauge in before)


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


def kept_to(looks: Sequence[Glance], order: Sequence[str]) -> float:
    """Give the share of the steps from one look to the next that a pattern has."""
    steps = set(zip(order, [*order[1:], order[0]], strict=True))
    made = [(a.gauge, b.gauge) for a, b in itertools.pairwise(looks)]
    return sum(step in steps for step in made) / len(made) if made else 0.0
