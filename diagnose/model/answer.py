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
    """How far an instrument can be trusted: chance of the truth now, and in the minutes to come.

    The grade counts what feeds it too: what shares a failed source is not trusted for itself. ``blame`` is the
    failure that speaks most against it; ``why`` a reason that holds whatever the ranking says. ``slip``: all that
    speaks against it is a slip of the pilot, so it serves as soon as that is set right. ``coasting``: its supply
    was seen lost not long ago.
    """

    gauge: str
    now: float
    soon: float
    grade: Grade
    blame: str = ""
    why: str = ""
    slip: bool = False
    coasting: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisAdvice:
    """What to fly one axis of control on. ``usual`` is the primary gauge of the maneuver.

    ``primary`` is "" when nothing trustworthy is left. ``how`` says how to use a stand-in.
    """

    axis: str
    usual: str
    primary: str
    supporting: tuple[str, ...]
    out: tuple[str, ...]
    how: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodView:
    """The instruments by the control and performance method: those to use (or verify), those to cover."""

    control: tuple[str, ...]
    control_out: tuple[str, ...]
    performance: tuple[str, ...]
    performance_out: tuple[str, ...]
    says: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TechniqueNote:
    """A rule of technique that now applies, with its numbers and where they come from.

    ``uses``: the gauges that it reads; each of them stands.
    """

    topic: str
    says: str
    source: str
    uses: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionAdvice:
    """Something to do, say or decide now; ``urgency`` 3 at once, 2 soon, 1 when convenient.

    ``short`` is an order of 60 characters at most, ``says`` the whole of it.
    """

    decision: str
    kind: str
    short: str
    says: str
    urgency: int
    source: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LookOutcome:
    """One joint outcome of a look: facet and reading, its chance, and what would lead after it."""

    readings: tuple[tuple[str, str], ...]
    chance: float
    leading: tuple[str, ...]
    leading_chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LookAdvice:
    """A look that can be had: what it tells (``bits`` about what has failed, ``suspect_bits`` about
    those failures that the readings speak for, ``saving`` off the cost of trusting wrongly), how many instruments the switch is expected to give back (``regained``), what it
    costs, and what its outcomes would mean.

    ``worth`` weighs all of it in looks at a gauge; ``tells`` is false for one that is not worth showing
    by itself. ``facets`` are those that it reads; ``unlisted`` is the chance of all outcomes too rare to
    list.
    """

    look: str
    name: str
    kind: str
    done_by: str
    bits: float
    suspect_bits: float
    saving: float
    regained: float
    worth: float
    seconds: float
    workload: int
    hazard: int
    caution: str
    last_resort: bool
    tells: bool
    source: str
    facets: tuple[str, ...]
    outcomes: tuple[LookOutcome, ...]
    unlisted: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Because:
    """A reading that the leading explanation makes ``factor`` times as likely as its rival does.

    ``snapshot`` counts from 0; ``sure`` is how sure the speaker was.
    """

    snapshot: int
    facet: str
    reading: str
    sure: float
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The whole answer for one case.

    ``ranking`` is ordered by posterior; ``failures`` is each failure's own chance of being there
    at the last snapshot (any set that holds it); ``uncovered`` is the prior chance of sets that
    were not enumerated. ``verdict`` is one plain sentence, ``notes`` explain normal effects.
    ``because`` holds the readings that speak most for the leading explanation, the strongest first.
    ``upset`` says why the aircraft must be recovered first ("" if it need not). ``looks`` is empty then,
    and where nobody asked for looks.
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
    because: tuple[Because, ...] = ()
    upset: str = ""
    method: MethodView | None = None
    technique: tuple[TechniqueNote, ...] = ()
    decisions: tuple[DecisionAdvice, ...] = ()
    looks: tuple[LookAdvice, ...] = ()
