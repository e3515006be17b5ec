"""The engine: exact posterior over sets of failures by a forward pass over (set, memories).

P(set | all readings) = sum over the memories of the forward messages; every snapshot's hidden motion
is summed out on the way. Sets that are not enumerated are left out, and their prior is given.
"""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from diagnose.knowledge.load import unknown_name
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.model.errors import CaseError, ImpossibleEvidence
from diagnose.model.units import Array
from diagnose.network.evidence import Emission, emission, motion_chance, opened
from diagnose.network.hidden import ANY_VERTICAL, FailureSet, HiddenSpace, Step
from diagnose.network.memo import Recent, short
from diagnose.network.odds import Odds, enumerate_sets, odds_of
from diagnose.network.posterior import Outcomes, Posterior
from diagnose.network.statements import (
    facet_chance,
    said,
    smallest_conflict,
    with_snapshots,
    without_readings,
)
from diagnose.network.tables import Network
from diagnose.network.telling import (
    BENIGN,
    FAILURE,
    MISREADING,
    Silence,
    odd_groups,
    pilots_of,
    told_by_explanation,
)
from diagnose.network.transitions import first_sets, set_chance, set_pairs, transitions


@dataclass
class Engine:
    """Answers cases on one network; keeps what several cases share (sets, transitions)."""

    network: Network
    largest_set: int | None = None
    _spaces: Recent = field(default_factory=lambda: Recent(2), repr=False)
    _given: Recent = field(default_factory=lambda: Recent(100), repr=False)

    def with_rates_of(self, network: Network) -> Engine:
        """Give an engine for a network that differs in the odds alone, sharing all that they leave alone."""
        return Engine(network, self.largest_set, self._spaces, self._given)

    def posterior(self, case: CaseRecord) -> Posterior:
        """Give the exact posterior of a case.

        Raises CaseError or UnknownName for a case that does not fit the panel, ImpossibleEvidence
        with the smallest conflicting set of readings when no hidden state allows the readings.
        """
        if not case.snapshot:
            raise CaseError(
                "nothing has been said yet",
                mend="say what you were flying and what you saw: climb, airspeed falling",
            )
        odds = odds_of(self.network, case)
        space = self._space(odds)
        rows, log_evidence = self._forward(space, case, odds)
        if rows is None:
            raise self._conflict(space, case, odds)
        prior = self._prior_sets(space, odds)
        last, steps = case.snapshot[-1], self.steps(case)
        step = steps[-1]
        # only how the vertical motion parts within a row depends on it
        also = pilots_of(odds, self._odd_in(space, case, steps, odds))[-1][1][-1]
        return Posterior(
            space=space,
            case=case,
            odds=odds,
            rows=rows,
            prior_sets=prior,
            uncovered=max(0.0, 1.0 - float(prior.sum())),
            log_evidence=log_evidence,
            motion=self._motion(self._weighed(space, last, step, FAILURE, also), rows),
            said=self._emission(space, last, step, FAILURE, also),
        )

    def filtered(self, case: CaseRecord) -> Iterator[tuple[HiddenSpace, Array]]:
        """Give P(row | readings so far) after each snapshot, with the prior of the whole case; (row,).

        One forward pass serves them all. Raises as ``posterior`` does.
        """
        odds, steps = odds_of(self.network, case), self.steps(case)
        space = self._space(odds)
        pilots = pilots_of(odds, self._odd_in(space, case, steps, odds))
        start = self._start(space, case, steps[0], odds, None)
        messages = {(FAILURE, pilot): start for pilot in range(len(pilots))}
        scales = dict.fromkeys(messages, 0.0)
        rarest = 1.0
        for number, (snapshot, step) in enumerate(zip(case.snapshot, steps, strict=True)):
            here = self._rarest(space, odds, snapshot, step)
            rarest = min(rarest, here)
            if here < 1.0:
                for most, pilot in itertools.product((MISREADING, BENIGN), range(len(pilots))):
                    messages.setdefault((most, pilot), messages[FAILURE, pilot])
                    scales.setdefault((most, pilot), scales[FAILURE, pilot])
            joints = {
                (most, pilot): message[:, None]
                * self._emission(space, snapshot, step, most, pilots[pilot][1][number])
                for (most, pilot), message in messages.items()
            }
            sums = {kind: float(joint[:, ANY_VERTICAL].sum()) for kind, joint in joints.items()}
            if not sums[FAILURE, 0] > 0.0:
                raise self._conflict(space, with_snapshots(case, case.snapshot[: number + 1]), odds)
            rows = np.zeros(space.count)
            for (most, coefficient), pilot in itertools.product(
                told_by_explanation(space, odds, rarest), range(len(pilots))
            ):
                if sums.get((most, pilot), 0.0) > 0.0:
                    scale = pilots[pilot][0] * np.exp(scales[most, pilot] - scales[FAILURE, 0])
                    rows += joints[most, pilot][:, ANY_VERTICAL] * coefficient * scale
            np.maximum(rows, 0.0, out=rows)
            yield space, rows / rows.sum()
            if number + 1 < len(steps):
                moves = transitions(space, step, steps[number + 1], odds.begins[number])
                totals = [sums[kind] if sums[kind] > 0.0 else 1.0 for kind in joints]
                carried = moves.forward(np.stack([*joints.values()]) / np.reshape(totals, (-1, 1, 1)))
                for kind, message, total in zip(joints, carried, totals, strict=True):
                    messages[kind] = message
                    scales[kind] += float(np.log(total))

    def outcomes(self, case: CaseRecord, facet: str) -> Outcomes:
        """Give for each reading of a silent facet of the last snapshot its chance and its posterior.

        What is read then is no reason why the case was told, so the rows stand as they do now: chance of
        the row times P(reading | row, what was said). With a setting that does not ask why the case was
        told that is the same as adding the reading and asking for the posterior. Raises as ``posterior``
        does, and CaseError for a facet that is read already.
        """
        odds = odds_of(self.network, case)
        space = self._space(odds)
        steps = self.steps(case)
        now, _ = self._forward(space, case, odds)
        if now is None:
            raise self._conflict(space, case, odds)
        said = opened(space, case.snapshot[-1], steps[-1].switches, facet)
        held = said.sum(axis=0)
        rows = said * (now / np.where(held > 0.0, held, 1.0))
        totals = rows.sum(axis=1)
        return Outcomes(
            space=space,
            facet=facet,
            readings=self.network.facets[facet].readings,
            chance=totals,
            rows=rows / np.where(totals > 0.0, totals, 1.0)[:, None],
        )

    def ahead(self, posterior: Posterior, snapshot: SnapshotRecord) -> Array:
        """P(row) in a snapshot that follows the last one, before anything in it is read; (row,).

        Switches may be moved for it and memories move on, but no failure begins meanwhile: what has
        failed stays what it was, which is what a look is to find out.
        """
        space, case = posterior.space, posterior.case
        last, step = self.steps(with_snapshots(case, (*case.snapshot, snapshot)[-3:]))[-2:]
        return transitions(space, last, step, None).forward(posterior.joint)

    # -------------------------------------------------------------- parts of it

    def _space(self, odds: Odds) -> HiddenSpace:
        limits = self.network.kb.limits
        count = len(self.network.failures)
        largest = limits.largest_set if self.largest_set is None else self.largest_set

        def find() -> HiddenSpace:
            sets = enumerate_sets(
                count,
                min(largest, count),
                list(odds.by_the_end),
                limits.uncovered_limit,
                limits.most_triples,
            )
            known = (s for s in self._spaces.values() if s.sets == sets and s.strayed == odds.strayed)
            return next(known, None) or HiddenSpace(self.network, sets, odds.strayed)

        found: HiddenSpace = self._spaces.get((largest, odds.strayed, odds.by_the_end.tobytes()), find)
        return found

    def steps(self, case: CaseRecord) -> list[Step]:
        """Give each snapshot's part for the hidden states. Raises UnknownName, CaseError."""
        manoeuvres, most = self.network.kb.manoeuvres, self.network.kb.limits.most_snapshots
        if len(case.snapshot) > most:
            raise CaseError(
                f"the case has {len(case.snapshot):,} moments, more than the {most:,} that are answered",
                mend="keep those in which something changed, or take the flight as a recording (diagnose review)",
            )
        steps = []
        before: SnapshotRecord | None = None
        for number, snapshot in enumerate(case.snapshot, 1):
            if snapshot.manoeuvre not in manoeuvres:
                raise unknown_name("maneuver", snapshot.manoeuvre, manoeuvres)
            if snapshot.minutes <= 0 or snapshot.minutes_before < 0:
                raise CaseError(
                    f"moment {number} lasts {snapshot.minutes} min after {snapshot.minutes_before} min",
                    mend="give a length above 0 and a gap of 0 or more",
                )
            steps.append(
                Step(
                    switches=self.network.set_so(before, snapshot),
                    phase=manoeuvres[snapshot.manoeuvre].phase,
                    minutes=snapshot.minutes,
                    minutes_before=snapshot.minutes_before,
                )
            )
            before = snapshot
        return steps

    def _emission(
        self,
        space: HiddenSpace,
        snapshot: SnapshotRecord,
        step: Step,
        most: int = FAILURE,
        also: float | None = None,
    ) -> Array:
        """P(what was said, vertical motion | row) and their sum; (row, column) as in ``COLUMNS``.

        ``most``: the strongest explanation that odd readings may have. ``also``: as in ``Untold``.
        """
        if most != FAILURE and not self._odd(space, snapshot, step):
            most = FAILURE
        key = (said(snapshot), step.key, most, also)
        found: Array = space.remembered(
            "emission", key, lambda: self._weighed(space, snapshot, step, most, also).columns
        )
        return found

    def _weighed(
        self,
        space: HiddenSpace,
        snapshot: SnapshotRecord,
        step: Step,
        most: int = FAILURE,
        also: float | None = None,
    ) -> Emission:
        """Weigh a snapshot; the large tables of the last few are kept for their motion."""
        key = (said(snapshot), step.key, most, also)
        found: Emission = space.remembered(
            "weighed", key, lambda: emission(space, snapshot, step.switches, most, also)
        )
        return found

    # -------------------------------------------------------------- why it was told

    def _odd(
        self, space: HiddenSpace, snapshot: SnapshotRecord, step: Step
    ) -> Mapping[tuple[str, ...], float]:
        """What was said that is odd, with its chance when nothing has failed."""
        key = (said(snapshot), tuple(sorted(step.switches.items())))
        found: Mapping[tuple[str, ...], float] = space.remembered(
            "odd", key, lambda: odd_groups(space, snapshot, step.switches)
        )
        return found

    def _odd_in(self, space: HiddenSpace, case: CaseRecord, steps: Sequence[Step], odds: Odds) -> list[bool]:
        """Whether something odd was said of each snapshot, where the setting asks why the case was told."""
        if odds.told is None:
            return [False] * len(steps)
        return [bool(self._odd(space, s, step)) for s, step in zip(case.snapshot, steps, strict=True)]

    def _rarest(self, space: HiddenSpace, odds: Odds, snapshot: SnapshotRecord, step: Step) -> float:
        """The smallest chance of an odd reading, as a share of ``odd_below``; 1 where nothing is odd."""
        below = self.network.kb.limits.odd_below
        odd = self._odd(space, snapshot, step) if odds.told is not None else {}
        return min(odd.values(), default=below) / below

    # -------------------------------------------------------------- the forward pass

    def _forward(
        self, space: HiddenSpace, case: CaseRecord, odds: Odds, only: FailureSet | None = None
    ) -> tuple[Array | None, float]:
        """Give P(row at the last snapshot | readings) and log P(readings); None if impossible."""
        steps = self.steps(case)
        told = [(FAILURE, np.ones(space.count))]
        pilots: list[tuple[float, Silence]] = [(1.0, (None,) * len(steps))]
        if only is None:
            pilots = pilots_of(odds, self._odd_in(space, case, steps, odds))
            here = (self._rarest(space, odds, s, step) for s, step in zip(case.snapshot, steps, strict=True))
            told = told_by_explanation(space, odds, min(here))
        passes = [(most, silence) for most, _ in told for _, silence in pilots]
        found = self._messages(space, case, steps, odds, only, passes)
        if not found:
            return None, -np.inf
        rows, reference = np.zeros(space.count), max(log_chance for _, log_chance in found.values())
        for (most, coefficient), (share, silence) in itertools.product(told, pilots):
            if (most, silence) in found:
                message, log_chance = found[most, silence]
                emitted = self._emission(space, case.snapshot[-1], steps[-1], most, silence[-1])
                rows += (
                    message
                    * emitted[:, ANY_VERTICAL]
                    * (coefficient * share * np.exp(log_chance - reference))
                )
        np.maximum(rows, 0.0, out=rows)  # rounding of differences
        total = float(rows.sum())
        if not total > 0.0:
            return None, -np.inf
        log_evidence = reference + float(np.log(total))
        return rows / total, log_evidence - (float(np.log(odds.total)) if only is None else 0.0)

    def _messages(
        self,
        space: HiddenSpace,
        case: CaseRecord,
        steps: Sequence[Step],
        odds: Odds,
        only: FailureSet | None,
        passes: Sequence[tuple[int, Silence]],
    ) -> dict[tuple[int, Silence], tuple[Array, float]]:
        """Give P(row at the last snapshot | earlier readings) and their log chance, for each pass that is possible.

        A pass is the strongest explanation that odd readings may have, and what silence says of each snapshot; all go
        side by side, so that they share transitions. Messages are kept, so that only what comes after an edited
        snapshot is worked out again, and shared up to the first odd reading.
        """
        begins = odds.begins if only is None else np.zeros_like(odds.begins)
        first = (odds.latent.tobytes(), odds.begins_first.tobytes()) if only is None else only
        start = short(first, case.minutes_since_start, steps[0].key)
        found: dict[tuple[int, Silence], tuple[Array, float]] = {}
        keys: dict[tuple[int, Silence], list[bytes]] = {}
        known = {}
        for kind in passes:
            (most, silence), own, odd = kind, [start], FAILURE
            for number, (snapshot, chances) in enumerate(zip(case.snapshot, begins, strict=False)):
                if most in (MISREADING, BENIGN) and self._odd(space, snapshot, steps[number]):
                    odd = most
                after = steps[number + 1].key
                own.append(short(own[-1], said(snapshot), odd, silence[number], after, chances.tobytes()))
            keys[kind] = own
            known[kind] = max((n for n, key in enumerate(own) if space.has("message", key)), default=0)
            found[kind] = space.remembered(
                "message", own[known[kind]], lambda: (self._start(space, case, steps[0], odds, only), 0.0)
            )
        for number in range(min(known.values()), len(steps) - 1):
            snapshot, step = case.snapshot[number], steps[number]
            carried: dict[bytes, tuple[Array, float]] = {}
            for kind in [kind for kind in found if number >= known[kind]]:
                key = keys[kind][number + 1]
                if key in carried or space.has("message", key):
                    continue
                (most, silence), (message, log_evidence) = kind, found[kind]
                joint = message[:, None] * self._emission(space, snapshot, step, most, silence[number])
                total = float(joint[:, ANY_VERTICAL].sum())
                if total > 0.0:
                    carried[key] = joint / total, log_evidence + float(np.log(total))
                else:
                    del found[kind]
            if carried:
                moves = transitions(space, step, steps[number + 1], begins[number])
                rows = moves.forward(np.stack([joint for joint, _ in carried.values()]))
                for (key, (_, log_chance)), message in zip(carried.items(), rows, strict=True):
                    space.keep("message", key, (message, log_chance))
            for kind in found:
                if number >= known[kind]:
                    found[kind] = space.remembered("message", keys[kind][number + 1], tuple)
        return found

    def _start(
        self, space: HiddenSpace, case: CaseRecord, step: Step, odds: Odds, only: FailureSet | None
    ) -> Array:
        """P(row at the first snapshot) before any reading, without the setting's weights."""
        if only is None:
            start = first_sets(space, odds)
        else:
            start = np.array([1.0 if members == only else 0.0 for members in space.sets])
        return np.asarray(start[space.row_set] * space.first(step, case.minutes_since_start))

    def _prior_sets(self, space: HiddenSpace, odds: Odds) -> Array:
        """Chance of each set at the last snapshot before any reading; failures hasten each other here too."""

        def pass_without_readings() -> Array:
            # what the memories and intermittent failures do sums to one
            sets, (before, after) = first_sets(space, odds), set_pairs(space).T
            for begins in odds.begins:
                flow = sets.take(before) * set_chance(space, begins)
                sets = np.asarray(np.bincount(after, weights=flow, minlength=len(sets)))
            return np.asarray(sets * odds.weights(space.members) / odds.total)

        chances = (odds.latent, odds.begins_first, odds.begins)
        key = (*(each.tobytes() for each in chances), odds.weight)
        found: Array = space.remembered("prior", key, pass_without_readings)
        return found

    def _motion(self, weighed: Emission, rows: Array) -> dict[str, dict[str, float]]:
        """P(value of each axis of the motion | all readings) at the last snapshot."""
        motions, joint = weighed.motions, weighed.motion_given(rows)
        found = {}
        for axis in motions.axes:
            names = self.network.states[axis]
            chances = np.bincount(motions.values[axis], weights=joint, minlength=len(names))
            found[axis] = dict(zip(names, chances.tolist(), strict=True))
        return found

    # -------------------------------------------------------------- one set of failures given

    def _given_space(self, failures: Sequence[str]) -> tuple[HiddenSpace, tuple[int, ...]]:
        ids = [failure.id for failure in self.network.failures]
        for name in failures:
            if name not in ids:
                raise unknown_name(f"failure on the panel {self.network.panel.id}", name, ids)
        only = tuple(sorted(ids.index(name) for name in failures))
        sets = tuple(subset for size in range(len(only) + 1) for subset in itertools.combinations(only, size))
        space: HiddenSpace = self._given.get(sets, lambda: HiddenSpace(self.network, sets))
        return space, only

    def log_likelihood(self, case: CaseRecord, failures: Sequence[str]) -> float:
        """log P(readings | exactly these failures, all there before the first snapshot)."""
        space, only = self._given_space(failures)
        return self._forward(space, case, odds_of(self.network, case), only)[1]

    def predict(
        self, case: CaseRecord, failures: Sequence[str], facets: Collection[str] = ()
    ) -> tuple[dict[str, dict[str, float]], ...]:
        """For each snapshot P(reading | exactly these failures), facet -> reading -> chance.

        ``facets``: those asked for, if not all. The readings that stand in the case are not used: this is the
        failure's signature.
        """
        (space, only), steps, bare = self._given_space(failures), self.steps(case), without_readings(case)
        odds = odds_of(self.network, bare)
        begins = np.zeros(len(self.network.failures))
        asked = sorted(facets) or list(self.network.facets)
        so_far = short(*failures, case.setting, case.context, case.minutes_since_start, asked)
        joint = np.zeros(0)

        def carried_on(number: int) -> Array:
            """P(row, vertical motion) at a snapshot, from that at the one before."""
            if number == 0:
                rows = self._start(space, bare, steps[0], odds, only)
            else:
                rows = transitions(space, steps[number - 1], steps[number], begins).forward(joint)
            return rows[:, None] * self._emission(space, bare.snapshot[number], steps[number])

        answers: list[dict[str, dict[str, float]]] = []
        for number, (snapshot, step) in enumerate(zip(bare.snapshot, steps, strict=True)):
            so_far = short(so_far, snapshot.manoeuvre, step.key)
            joint = space.remembered("message", so_far, partial(carried_on, number))
            here = joint[:, ANY_VERTICAL] / joint[:, ANY_VERTICAL].sum()
            shown = partial(self._signature, space, snapshot, step, here, asked)
            answers.append(space.remembered("signature", so_far, shown))
        return tuple(answers)

    def given(self, case: CaseRecord, failures: Sequence[str]) -> tuple[HiddenSpace, Array]:
        """Give P(row at the last snapshot | exactly these failures), whatever was read; space and (row,)."""
        space, only = self._given_space(failures)
        bare = without_readings(case)
        rows, _ = self._forward(space, bare, odds_of(self.network, bare), only)
        assert rows is not None
        return space, rows

    def _signature(
        self,
        space: HiddenSpace,
        snapshot: SnapshotRecord,
        step: Step,
        rows: Array,
        facets: Sequence[str],
    ) -> dict[str, dict[str, float]]:
        network = self.network
        motions = network.motions(snapshot.manoeuvre)
        state = space.conditions(step.switches)
        weight = rows[:, None] * motion_chance(network, motions, state)
        found = {}
        for facet in facets:
            chance = facet_chance(network, facet, state, motions)
            chance = np.broadcast_to(chance, (*weight.shape, chance.shape[-1]))
            spread = np.einsum("rm,rmk->k", weight, chance)
            found[facet] = dict(zip(network.facets[facet].readings, spread.tolist(), strict=True))
        return found

    # -------------------------------------------------------------- impossible evidence

    def _conflict(self, space: HiddenSpace, case: CaseRecord, odds: Odds) -> ImpossibleEvidence:
        """Find a smallest set of statements that contradict each other."""
        return smallest_conflict(case, lambda kept: self._forward(space, kept, odds)[0] is not None)
