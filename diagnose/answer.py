"""What the engine and the advice answer: plain immutable records that text, JSON and screens show."""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from diagnose.model import Grade


class Ranked(msgspec.Struct, frozen=True, kw_only=True, gc=False):
    """A set of failures that explains the evidence; the empty set is "nothing failed".

    ``prior`` and ``posterior`` are probabilities; ``evidence`` is the factor between their odds. A
    structure of msgspec: an answer holds thousands of these.
    """

    failures: tuple[str, ...]
    prior: float
    posterior: float

    @property
    def evidence(self) -> float:
        """Posterior odds divided by prior odds (how far the readings moved this set)."""
        before = self.prior / max(1.0 - self.prior, 1e-300)
        after = self.posterior / max(1.0 - self.posterior, 1e-300)
        return after / max(before, 1e-300)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trust:
    """How far an instrument can be trusted: chance of the truth now, and in the minutes to come."""

    gauge: str
    now: float
    soon: float
    grade: Grade
    blame: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisAdvice:
    """What to fly one axis of control on. ``usual`` is the primary gauge of the manoeuvre.

    ``primary`` is "" when nothing trustworthy is left. ``how`` says how to use a stand-in.
    """

    axis: str
    usual: str
    primary: str
    supporting: tuple[str, ...]
    out: tuple[str, ...]
    how: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The whole answer for one case.

    ``ranking`` is ordered by posterior; ``failures`` is each failure's own chance of being there
    at the last snapshot (any set that holds it); ``uncovered`` is the prior chance of sets that
    were not enumerated. ``verdict`` is one plain sentence, ``notes`` explain normal effects.
    """

    setting: str
    ranking: tuple[Ranked, ...]
    failures: dict[str, float]
    priors: dict[str, float]
    uncovered: float
    log_evidence: float
    decided: bool
    verdict: str
    trust: tuple[Trust, ...]
    axes: tuple[AxisAdvice, ...]
    manoeuvre: str
    notes: tuple[str, ...] = ()
