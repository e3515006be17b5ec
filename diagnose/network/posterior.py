"""What the engine gives: the chances of the hidden rows after the readings, and of a look not taken yet.

Chances are arrays (row,) over the hidden rows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.model.answer import Ranked
from diagnose.model.units import Array
from diagnose.network.hidden import ANY_VERTICAL, HiddenSpace
from diagnose.network.odds import Odds


@dataclass(frozen=True, kw_only=True)
class Posterior:
    """What the readings leave: rows of the hidden space with their chances at the last snapshot.

    ``rows`` (row,) sums to one; ``sets`` (set,); ``prior_sets`` the same before any reading;
    ``uncovered`` prior chance of sets that were not enumerated; ``motion`` axis -> value -> chance;
    ``said`` P(what was said, vertical motion | row) at the last snapshot, (row, column).
    """

    space: HiddenSpace
    case: CaseRecord
    odds: Odds
    rows: Array
    prior_sets: Array
    uncovered: float
    log_evidence: float
    motion: Mapping[str, Mapping[str, float]]
    said: Array

    @cached_property
    def sets(self) -> Array:
        """Chance of each enumerated set at the last snapshot; (set,)."""
        return self.space.by_set(self.rows)

    @cached_property
    def joint(self) -> Array:
        """P(row, vertical motion) at the last snapshot, and its sum over them; (row, column)."""
        total = self.said[:, ANY_VERTICAL]
        return np.asarray(self.said * (self.rows / np.where(total > 0.0, total, 1.0))[:, None])

    @cached_property
    def marginals(self) -> Array:
        """Chance of each failure to be there at the last snapshot; (failure,)."""
        return self.space.by_failure(self.sets)

    @cached_property
    def priors(self) -> Array:
        """The same before any reading; (failure,)."""
        return self.space.by_failure(self.prior_sets)

    def any_of(self, failures: Sequence[bool]) -> float:
        """Chance that one at least of these failures is there; bool (failure,)."""
        return float(self.sets[self.space.members[:, np.flatnonzero(failures)].any(axis=1)].sum())

    def conditions(self, name: str) -> Mapping[str, float]:
        """Chance of each condition that a part, source or memory is in now; nothing if the panel lacks it."""
        network = self.space.network
        state = self.space.conditions(self.set_so)
        if name not in state:
            return {}
        known = network.states[name]
        chances = np.bincount(state[name], weights=self.rows, minlength=len(known))
        return dict(zip(known, chances.tolist(), strict=True))

    @property
    def before(self) -> SnapshotRecord | None:
        """The snapshot before the last one, if there is one."""
        return self.case.snapshot[-2] if len(self.case.snapshot) > 1 else None

    @property
    def set_so(self) -> dict[str, str]:
        """How switches and circumstances stand in the last snapshot."""
        return self.space.network.set_so(self.before, self.case.snapshot[-1])

    def ranking(self) -> tuple[Ranked, ...]:
        """All sets, likeliest first; equal ones in the order of the knowledge base.

        A failure counts with and without rough air as one (``HiddenSpace.shown_as``).
        """
        space = self.space
        sets, prior_sets, names = space.named(self.sets), space.named(self.prior_sets), space.set_names
        order = np.argsort(-to_twelve_digits(sets), kind="stable")
        order = order[space.shown_as[order] == order]
        return tuple(
            Ranked(failures=names[place], prior=prior, posterior=posterior)
            for place, prior, posterior in zip(
                order.tolist(), prior_sets[order].tolist(), sets[order].tolist(), strict=True
            )
        )


def to_twelve_digits(values: Array) -> Array:
    """Round, so that chances that differ by rounding errors alone count as equal."""
    fraction, exponent = np.frexp(values)
    return np.asarray(np.ldexp(np.round(fraction, 12), exponent))


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
        return np.array([self.space.by_failure(sets) for sets in self.sets])
