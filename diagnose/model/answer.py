"""Settings of the engine, of the advice and of the drill; and what an answer is: immutable records that text, JSON and screens show."""

from dataclasses import dataclass
from enum import Enum

import msgspec

from diagnose.model.systems import Cited, Record


class Telling(Record, frozen=True, kw_only=True):
    """Chances that somebody tells a flight as an anomaly, by what explains the odd readings in it.

    ``failure``: something is wrong. ``benign``: the air, a wrong picture of the motion, or a known normal effect. ``misreading``: he misread it, or strayed by himself and says that he
    held it, or sat in rough air and did not say so. ``also``: who tells of something odd tells
    with this chance of all that was odd just then on the other dials that depend on the same sources (0: silence says
    nothing).
    """

    failure: float
    benign: float
    misreading: float
    also: float = 0.0


class Setting(Cited, frozen=True, kw_only=True):
    """Why the user is here: how likely it is that anything failed, or looked as if it had.

    ``chance`` is the prior chance of anything at all (None: as the rates give it);
    ``equal_chance`` replaces every rate by one chance from the start, and what can begin in flight begins
    as often again in every ``begins_within_min`` minutes. ``told``: how an odd reading came to be told (None:
    the case was not chosen for what it shows). ``strayed``: how often one whose speed, turn or altitude
    strayed by himself says that he flew the maneuver, for one time of him who held it.
    """

    id: str
    name: str
    words: tuple[str, ...] = ()
    chance: float | None = None
    equal_chance: float | None = None
    begins_within_min: float = 10.0
    told: Telling | None = None
    strayed: float = 1.0


class Limits(Record, frozen=True, kw_only=True):
    """Numbers that the engine and the advice work with."""

    largest_set: int
    uncovered_limit: float
    most_triples: int
    motion_floor: float
    misleading_distance: float
    decided: float
    nearly_sure: float
    worth_naming: float
    not_listed: float
    coast_minutes: float
    largest_latent: float
    most_snapshots: int
    flights_per_cell: int
    prior_flights: float
    confused_further: float
    odd_below: float
    odd_fades: float
    held: tuple[str, ...]
    scanned: tuple[str, ...] = ()
    source: str
    note: str


class Grade(Enum):
    """What to do with an instrument."""

    USE = "use"
    VERIFY = "verify"
    COVER = "cover"


class GradeCost(Cited, frozen=True, kw_only=True):
    """What a grade costs if the instrument tells the truth, and if it misleads (same unit)."""

    grade: Grade
    if_true: float
    if_misleading: float


class Strength(Cited, frozen=True, kw_only=True):
    """A word for how much a reading says, from this factor between the odds upwards."""

    id: str
    word: str
    from_factor: float


class Family(Record, frozen=True, kw_only=True):
    """Failures that a pilot names in one breath: they call for the same action."""

    id: str
    name: str
    members: tuple[str, ...]


class Term(Cited, frozen=True, kw_only=True):
    """A term of the trade, or of this program, explained. ``words``: other ways to say it."""

    id: str
    name: str
    words: tuple[str, ...] = ()
    means: str


class ChanceWord(Record, frozen=True, kw_only=True):
    """A chance as people say it."""

    id: str
    chance: float
    words: str


class FirstScreen(Cited, frozen=True, kw_only=True):
    """How much of an answer the first screen shows; chances and factors are plain numbers."""

    most_else: int
    least_else: float
    most_because: int
    least_because_factor: float
    most_do: int


# ------------------------------------------------------------------ what the simulated flights of a calibration are flown with


class DayRecord(Record, frozen=True, kw_only=True):
    """Conditions that go together, and the chance of a day with them."""

    chance: float
    flags: tuple[str, ...]


class World(Cited, frozen=True, kw_only=True):
    """The world of simulated flights, as far as it differs from that of the tables; see ``calibration.toml``."""

    wider_share: float
    sound_by_definition: tuple[str, ...]
    careless_times: tuple[float, float]
    sloppy_times: tuple[float, float]
    vague_power: tuple[float, float]
    late: float
    seen_beginning: float
    attention: tuple[float, float]
    gap_memory_times: tuple[float, float]
    gaps_min: tuple[float, ...]
    most_snapshots: int
    just_started: float
    switch_moved: float
    rough_times: float
    sloppier_times: float
    flown: tuple[tuple[str, ...], ...]
    days: tuple[DayRecord, ...]


# ------------------------------------------------------------------ what the drill works with


class DrillNumber(Cited, frozen=True, kw_only=True):
    """A number that the drill works with."""

    id: str
    value: float
    unit: str


class ScanPattern(Cited, frozen=True, kw_only=True):
    """A customary order of looking at the instruments, gone round and round."""

    id: str
    name: str
    words: tuple[str, ...] = ()
    gauges: tuple[str, ...]
    says: str


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
    failure that counts most against it; ``why`` a reason that holds whatever the ranking says. ``slip``: all that
    counts against it is a slip of the pilot, so it serves as soon as that is set right. ``coasting``: its supply
    was seen lost not long ago. ``denied``: other instruments contradict it.
    """

    gauge: str
    now: float
    soon: float
    grade: Grade
    blame: str = ""
    why: str = ""
    slip: bool = False
    coasting: bool = False
    denied: bool = False


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
