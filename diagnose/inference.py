"""The engine: exact posterior over sets of failures by a forward pass over (set, memories).

P(set | all readings) = sum over the memories of the forward messages; every snapshot's hidden motion
is summed out on the way. Sets that are not enumerated are left out, and their prior is given.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import msgspec
import numpy as np

from diagnose.answer import Ranked
from diagnose.errors import CaseError, ImpossibleEvidence
from diagnose.evidence import Emission, emission, facet_chance, motion_chance, opened
from diagnose.hidden import FailureSet, HiddenSpace, Recent, Step, enumerate_sets
from diagnose.knowledge import unknown_name
from diagnose.model import CaseRecord, Failure, Setting, SnapshotRecord
from diagnose.network import Network
from diagnose.units import Array


@dataclass(frozen=True, slots=True, kw_only=True)
class Odds:
    """Prior chances: of each failure at the first snapshot, and to begin before each later one.

    ``first`` (failure,); ``begins`` (snapshot - 1, failure). ``weight`` multiplies the odds of every
    set that holds a failure of ``loud`` (failure,), one that can be noticed, so that "something
    noticeable is there" has the chance that the setting states.
    """

    first: Array
    begins: Array
    loud: Array
    weight: float

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
    """Rate per hour and latent chance (at most ``largest``) under these conditions of the day."""
    rate, latent = failure.rate_per_hour, failure.latent
    for effect in failure.context:
        if set(effect.when) <= set(context):
            rate, latent = rate * effect.times, latent * effect.times
    for effect in failure.context:
        if effect.latent is not None and set(effect.when) <= set(context):
            latent = effect.latent
    return rate, min(latent, largest)


def odds_of(network: Network, case: CaseRecord) -> Odds:
    """Give the prior of a case. Raises UnknownName for an unknown setting or context."""
    kb = network.kb
    if case.setting not in kb.settings:
        raise unknown_name("setting", case.setting, kb.settings)
    for flag in case.context:
        if flag not in kb.context:
            raise unknown_name("context", flag, kb.context)
    setting = kb.settings[case.setting]
    later = case.snapshot[1:]
    hours = np.array(
        [(s.minutes_before + p.minutes) / 60.0 for p, s in zip(case.snapshot, later, strict=False)]
    )
    if setting.equal_chance is not None:
        return _equal_odds(network, case, setting, hours)
    rates, latent = (
        np.array(
            [
                failure_rates(failure, case.context, network.kb.limits.largest_latent)
                for failure in network.failures
            ]
        )
        .reshape(-1, 2)
        .T
    )
    first = 1.0 - (1.0 - latent) * np.exp(-rates * case.minutes_since_start / 60.0)
    begins = -np.expm1(-rates * hours[:, None])
    return _weighted(network, setting, first, begins)


def _equal_odds(network: Network, case: CaseRecord, setting: Setting, hours: Array) -> Odds:
    """Every failure that can be there at all has the same chance, spread over start and steps."""
    possible = np.array(
        [
            max(failure_rates(failure, case.context, network.kb.limits.largest_latent)) > 0.0
            for failure in network.failures
        ]
    )
    share = float(setting.equal_chance or 0.0)
    first = np.where(possible, share, 0.0)
    begins = np.repeat(first[None, :] * setting.later_share, len(hours), axis=0)
    return _weighted(network, setting, first, begins)


def _weighted(network: Network, setting: Setting, first: Array, begins: Array) -> Odds:
    """Choose the weight that gives "something noticeable is there" the setting's chance."""
    loud = np.array([not failure.silent for failure in network.failures], dtype=bool)
    plain = Odds(first=first, begins=begins, loud=loud, weight=1.0)
    nothing = plain.nothing_loud
    if setting.chance is None or nothing >= 1.0:
        return plain
    weight = setting.chance / (1.0 - setting.chance) * nothing / (1.0 - nothing)
    return replace(plain, weight=weight)


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    """What the readings leave: rows of the hidden space with their chances at the last snapshot.

    ``rows`` (row,) sums to one; ``sets`` (set,); ``prior_sets`` the same before any reading;
    ``uncovered`` prior chance of sets that were not enumerated; ``motion`` axis -> value -> chance.
    """

    space: HiddenSpace
    case: CaseRecord
    odds: Odds
    rows: Array
    prior_sets: Array
    uncovered: float
    log_evidence: float
    motion: Mapping[str, Mapping[str, float]]

    @property
    def sets(self) -> Array:
        """Chance of each enumerated set at the last snapshot; (set,)."""
        return self.space.by_set(self.rows)

    @property
    def marginals(self) -> Array:
        """Chance of each failure to be there at the last snapshot; (failure,)."""
        return np.asarray(self.sets @ self.space.members)

    def ranking(self) -> tuple[Ranked, ...]:
        """All sets, likeliest first."""
        sets, names = self.sets, [failure.id for failure in self.space.network.failures]
        order = np.argsort(-sets, kind="stable")
        return tuple(
            Ranked(
                failures=tuple(names[i] for i in self.space.sets[place]),
                prior=float(self.prior_sets[place]),
                posterior=float(sets[place]),
            )
            for place in order
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcomes:
    """What each reading of one silent facet of the last snapshot would say, before it is read.

    ``chance`` (reading,) sums to one; ``rows`` (reading, row) and ``sets`` (reading, set) are the
    posteriors with that reading, each summing to one (zeros where the reading is impossible).
    """

    space: HiddenSpace
    facet: str
    readings: tuple[str, ...]
    chance: Array
    rows: Array

    @property
    def sets(self) -> Array:
        """Chance of each enumerated set, given each reading; (reading, set)."""
        return self.space.by_set(self.rows)

    @property
    def marginals(self) -> Array:
        """Chance of each failure, given each reading; (reading, failure)."""
        return np.asarray(self.sets @ self.space.members)


@dataclass
class Engine:
    """Answers cases on one network; keeps what several cases share (sets, transitions)."""

    network: Network
    largest_set: int | None = None
    _spaces: dict[tuple[object, ...], HiddenSpace] = field(default_factory=dict)
    _emissions: Recent = field(default_factory=lambda: Recent(64))
    _last: Recent = field(default_factory=lambda: Recent(2))
    _sets: dict[tuple[int, bytes], tuple[FailureSet, ...]] = field(default_factory=dict)

    def posterior(self, case: CaseRecord) -> Posterior:
        """Give the exact posterior of a case.

        Raises CaseError or UnknownName for a case that does not fit the panel, ImpossibleEvidence
        with the smallest conflicting set of readings when no hidden state allows the readings.
        """
        if not case.snapshot:
            raise CaseError(
                "the case has no snapshot",
                mend="start one with a manoeuvre and say what the gauges showed",
            )
        odds = odds_of(self.network, case)
        space = self._space(odds)
        rows, log_evidence = self._forward(space, case, odds)
        if rows is None:
            raise self._conflict(space, case, odds)
        prior = self._prior_sets(space, odds)
        last = case.snapshot[-1]
        return Posterior(
            space=space,
            case=case,
            odds=odds,
            rows=rows,
            prior_sets=prior,
            uncovered=max(0.0, 1.0 - float(prior.sum())),
            log_evidence=log_evidence,
            motion=self._motion(self._weighed(space, last, self.steps(case)[-1]), rows),
        )

    def outcomes(self, case: CaseRecord, facet: str) -> Outcomes:
        """Give for each reading of a silent facet of the last snapshot its chance and its posterior.

        Exact: the same as adding the reading to the case and asking for its posterior. One forward
        pass serves all facets of a case. Raises as ``posterior`` does, and CaseError for a facet that
        is read already.
        """
        odds = odds_of(self.network, case)
        space = self._space(odds)
        steps = self.steps(case)
        message, _ = self._message(space, case, steps, odds)
        if message is None:
            raise self._conflict(space, case, odds)
        said = opened(space, case.snapshot[-1], steps[-1].switches, facet)
        rows = said.T * (message * odds.weights(space.members)[space.row_set])
        totals = rows.sum(axis=1)
        if not totals.sum() > 0.0:
            raise self._conflict(space, case, odds)
        return Outcomes(
            space=space,
            facet=facet,
            readings=self.network.facets[facet].readings,
            chance=totals / totals.sum(),
            rows=rows / np.where(totals > 0.0, totals, 1.0)[:, None],
        )

    # -------------------------------------------------------------- parts of it

    def _space(self, odds: Odds) -> HiddenSpace:
        limits = self.network.kb.limits
        count = len(self.network.failures)
        largest = limits.largest_set if self.largest_set is None else self.largest_set
        key = (largest, odds.by_the_end.tobytes())
        if key not in self._sets:
            self._sets[key] = enumerate_sets(
                count,
                min(largest, count),
                list(odds.by_the_end),
                limits.uncovered_limit,
                limits.most_triples,
            )
        sets = self._sets[key]
        if sets not in self._spaces:
            self._spaces[sets] = HiddenSpace(self.network, sets)
        return self._spaces[sets]

    def steps(self, case: CaseRecord) -> list[Step]:
        """Give each snapshot's part for the hidden states. Raises UnknownName, CaseError."""
        manoeuvres = self.network.kb.manoeuvres
        steps = []
        for number, snapshot in enumerate(case.snapshot, 1):
            if snapshot.manoeuvre not in manoeuvres:
                raise unknown_name("manoeuvre", snapshot.manoeuvre, manoeuvres)
            if snapshot.minutes <= 0 or snapshot.minutes_before < 0:
                raise CaseError(
                    f"snapshot {number} lasts {snapshot.minutes} min after {snapshot.minutes_before} min",
                    mend="give a length above 0 and a gap of 0 or more",
                )
            steps.append(
                Step(
                    switches=self.network.switch_positions(snapshot.switches),
                    phase=manoeuvres[snapshot.manoeuvre].phase,
                    minutes=snapshot.minutes,
                    minutes_before=snapshot.minutes_before,
                )
            )
        return steps

    def _emission(self, space: HiddenSpace, snapshot: SnapshotRecord, step: Step) -> Array:
        """P(what was said, vertical motion | row); (row, vertical)."""
        key = (id(space), *_said(snapshot), step.key)
        found: Array = self._emissions.get(key, lambda: self._weighed(space, snapshot, step).by_vertical)
        return found

    def _weighed(self, space: HiddenSpace, snapshot: SnapshotRecord, step: Step) -> Emission:
        """Weigh a snapshot; the large tables of the last two are kept for their motion."""
        key = (id(space), *_said(snapshot), step.key)
        found: Emission = self._last.get(key, lambda: emission(space, snapshot, step.switches))
        return found

    def _forward(
        self, space: HiddenSpace, case: CaseRecord, odds: Odds, only: FailureSet | None = None
    ) -> tuple[Array | None, float]:
        """Give P(row at the last snapshot | readings) and log P(readings); None if impossible."""
        steps = self.steps(case)
        message, log_evidence = self._message(space, case, steps, odds, only)
        if message is None:
            return None, -np.inf
        rows = message * self._emission(space, case.snapshot[-1], steps[-1]).sum(axis=1)
        total = float(rows.sum())
        if not total > 0.0:
            return None, -np.inf
        rows /= total
        log_evidence += float(np.log(total))
        if only is None:
            log_evidence += self._reweigh(space, rows, odds)
        return rows / rows.sum(), log_evidence

    def _message(
        self,
        space: HiddenSpace,
        case: CaseRecord,
        steps: Sequence[Step],
        odds: Odds,
        only: FailureSet | None = None,
    ) -> tuple[Array | None, float]:
        """Give P(row at the last snapshot | earlier readings) and their log chance; None if impossible."""
        if only is None:
            member = space.members
            start = np.where(member, odds.first, 1.0 - odds.first).prod(axis=1)
            begins = odds.begins
        else:
            start = np.array([1.0 if members == only else 0.0 for members in space.sets])
            begins = np.zeros((len(steps) - 1, len(self.network.failures)))
        message = start[space.row_set] * space.first(steps[0], case.minutes_since_start)
        log_evidence = 0.0
        for number, (snapshot, step) in enumerate(zip(case.snapshot[:-1], steps, strict=False)):
            joint = message[:, None] * self._emission(space, snapshot, step)
            total = float(joint.sum())
            if not total > 0.0:
                return None, -np.inf
            log_evidence += float(np.log(total))
            joint /= total
            moves = space.transitions(step, steps[number + 1], begins[number])
            flow = np.einsum("ev,ev->e", moves.weight, joint[moves.source])
            message = np.bincount(moves.target, weights=flow, minlength=space.count)
        return message, log_evidence

    def _reweigh(self, space: HiddenSpace, rows: Array, odds: Odds) -> float:
        """Apply the setting's weights to the rows; gives the log of the change."""
        rows *= odds.weights(space.members)[space.row_set]
        return float(np.log(rows.sum()) - np.log(odds.total))

    def _prior_sets(self, space: HiddenSpace, odds: Odds) -> Array:
        chance = odds.by_the_end
        prior = np.where(space.members, chance, 1.0 - chance).prod(axis=1)
        return np.asarray(prior * odds.weights(space.members) / odds.total)

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
        if sets not in self._spaces:
            self._spaces[sets] = HiddenSpace(self.network, sets)
        return self._spaces[sets], only

    def log_likelihood(self, case: CaseRecord, failures: Sequence[str]) -> float:
        """log P(readings | exactly these failures, all there before the first snapshot)."""
        space, only = self._given_space(failures)
        return self._forward(space, case, odds_of(self.network, case), only)[1]

    def predict(self, case: CaseRecord, failures: Sequence[str]) -> tuple[dict[str, dict[str, float]], ...]:
        """For each snapshot P(reading | exactly these failures), facet -> reading -> chance.

        The readings that stand in the case are not used: this is the failure's signature.
        """
        space, only = self._given_space(failures)
        bare = [replace_readings(snapshot) for snapshot in case.snapshot]
        answers = []
        for number, snapshot in enumerate(bare, 1):
            shown = _with(case, tuple(bare[:number]))
            rows, _ = self._forward(space, shown, odds_of(self.network, shown), only)
            assert rows is not None
            answers.append(self._signature(space, snapshot, rows))
        return tuple(answers)

    def _signature(
        self, space: HiddenSpace, snapshot: SnapshotRecord, rows: Array
    ) -> dict[str, dict[str, float]]:
        network = self.network
        switches = network.switch_positions(snapshot.switches)
        motions = network.motions(snapshot.manoeuvre)
        state = space.conditions(switches)
        weight = rows[:, None] * motion_chance(network, motions, state)
        found = {}
        for facet, table in network.facets.items():
            chance = facet_chance(network, facet, state, motions)
            chance = np.broadcast_to(chance, (*weight.shape, len(table.readings)))
            spread = np.einsum("rm,rmk->k", weight, chance)
            found[facet] = dict(zip(table.readings, spread.tolist(), strict=True))
        return found

    # -------------------------------------------------------------- impossible evidence

    def _conflict(self, space: HiddenSpace, case: CaseRecord, odds: Odds) -> ImpossibleEvidence:
        """Find a smallest set of statements that contradict each other."""
        statements = [
            (number, kind, name)
            for number, snapshot in enumerate(case.snapshot)
            for kind, names in (
                ("readings", snapshot.readings),
                ("unsure", snapshot.unsure),
                ("disagree", range(len(snapshot.disagree))),
            )
            for name in names
        ]

        def possible(kept: Sequence[tuple[int, str, object]]) -> bool:
            return self._forward(space, _keep(case, kept), odds)[0] is not None

        smallest: Sequence[tuple[int, str, object]] = statements
        for statement in statements:
            fewer = [s for s in smallest if s != statement]
            if not possible(fewer):
                smallest = fewer
        for size in range(1, len(smallest)):
            for subset in itertools.combinations(statements, size):
                if not possible(subset):
                    smallest = subset
                    break
            else:
                continue
            break
        texts = tuple(_say(case, statement) for statement in smallest)
        return ImpossibleEvidence(
            f"these cannot all be true: {'; '.join(texts)}",
            mend="correct or take back one of them, or say how sure you are",
            conflict=texts,
        )


def _said(snapshot: SnapshotRecord) -> tuple[object, ...]:
    """What a snapshot says, whatever the order in which it was said."""
    return (
        snapshot.manoeuvre,
        *sorted(snapshot.readings.items()),
        *sorted(snapshot.unsure.items()),
        *snapshot.disagree,
    )


def replace_readings(snapshot: SnapshotRecord, **changes: object) -> SnapshotRecord:
    """Give the snapshot without its readings, or with others."""

    bare: dict[str, object] = {"readings": {}, "unsure": {}, "disagree": ()}
    return msgspec.structs.replace(snapshot, **(bare | changes))


def _with(case: CaseRecord, snapshots: tuple[SnapshotRecord, ...]) -> CaseRecord:

    return msgspec.structs.replace(case, snapshot=snapshots)


def _keep(case: CaseRecord, kept: Sequence[tuple[int, str, object]]) -> CaseRecord:
    snapshots = []
    for number, snapshot in enumerate(case.snapshot):
        names = {(kind, name) for n, kind, name in kept if n == number}
        snapshots.append(
            replace_readings(
                snapshot,
                readings={k: v for k, v in snapshot.readings.items() if ("readings", k) in names},
                unsure={k: v for k, v in snapshot.unsure.items() if ("unsure", k) in names},
                disagree=tuple(pair for i, pair in enumerate(snapshot.disagree) if ("disagree", i) in names),
            )
        )
    return _with(case, tuple(snapshots))


def _say(case: CaseRecord, statement: tuple[int, str, object]) -> str:
    number, kind, name = statement
    snapshot = case.snapshot[number]
    if kind == "disagree":
        first, second = snapshot.disagree[int(str(name))]
        text = f"{first} disagrees with {second}"
    elif kind == "unsure":
        reading, sure = snapshot.unsure[str(name)]
        text = f"{name} {'perhaps' if sure >= 0.5 else 'not'} {reading}"
    else:
        text = f"{name} {snapshot.readings[str(name)]}"
    return f"{text} (snapshot {number + 1}, {snapshot.manoeuvre})"
