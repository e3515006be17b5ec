"""The words of the domain as immutable records: what a knowledge file, a panel and a case hold.

Records are msgspec structures, so that decoding refuses unknown keys and wrong types by itself.
Ids match ``[a-z][a-z0-9_]*``. The first condition of a part or source is its healthy one; the
conditions of a part stand in order of dominance: where two failures act on one part, the later
condition is the one that shows.
"""

from __future__ import annotations

from enum import Enum
from typing import Literal

import msgspec

ID_PATTERN = r"[a-z][a-z0-9_]*"


class Record(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An entry of a file: immutable, with unknown keys refused."""


class Cited(Record, frozen=True, kw_only=True):
    """An entry that says where it comes from.

    ``source`` is a key of ``knowledge/sources.toml``, ``"judgement"`` or ``"common practice"``.
    """

    source: str
    note: str = ""
    from_memory: bool = False


class Document(Record, frozen=True, kw_only=True):
    """A published document of the bibliography."""

    id: str
    title: str
    publisher: str = ""
    edition: str = ""
    address: str = ""
    note: str = ""


# ------------------------------------------------------------------ the aircraft's systems


class System(Enum):
    """What a part or failure belongs to."""

    PITOT = "pitot"
    STATIC = "static"
    VACUUM = "vacuum"
    ELECTRICAL = "electrical"
    INSTRUMENT = "instrument"
    AIR = "air"
    PILOT = "pilot"


class Part(Record, frozen=True, kw_only=True):
    """Something that can fail. ``conditions``: id -> what it means; the first is healthy."""

    id: str
    name: str
    system: System
    conditions: dict[str, str]


class Rule(Record, frozen=True, kw_only=True):
    """``when`` every named node, memory or switch is in one of the listed states, ``gives``."""

    when: dict[str, str | tuple[str, ...]]
    gives: str


class Source(Record, frozen=True, kw_only=True):
    """What feeds instruments; its condition follows from parts, switches, memories and sources.

    The first rule that matches gives the condition, else the first condition holds. A rule that
    names something that the panel does not have is passed over.
    """

    id: str
    name: str
    system: System
    conditions: dict[str, str]
    rules: tuple[Rule, ...] = ()


class Switch(Record, frozen=True, kw_only=True):
    """A switch or valve that the pilot sets; ``positions[0]`` is the usual one."""

    id: str
    name: str
    words: tuple[str, ...] = ()
    positions: tuple[str, ...]


class MemoryKind(Enum):
    """Which physics moves a memory on."""

    HEIGHT = "height"
    ROTOR = "rotor"
    CHARGE = "charge"
    ACTING = "acting"


class Memory(Cited, frozen=True, kw_only=True):
    """What the past has left behind: a hidden variable carried from snapshot to snapshot.

    ``driver`` is the node that makes it run while in a condition of ``carry`` (condition -> name
    of the carrying table). In every other condition it falls back to ``start``. ``onset``: phase
    of flight -> state distribution when the driver has just become active. ``first``: the
    distribution when the driver is already active at the first snapshot. Empty ``onset``/``first``
    are computed by the physics (rotor, charge).
    """

    id: str
    name: str
    kind: MemoryKind
    driver: str
    states: dict[str, str]
    start: str
    carry: dict[str, str] = {}
    onset: dict[str, dict[str, float]] = {}
    first: dict[str, float] = {}


# ------------------------------------------------------------------ failures


class ContextEffect(Record, frozen=True, kw_only=True):
    """When all of ``when`` hold: rate and latent chance are multiplied, or the latent chance set."""

    when: tuple[str, ...]
    times: float = 1.0
    latent: float | None = None


class Cure(Record, frozen=True, kw_only=True):
    """A switch position that clears the failure, with the mean time that it takes.

    ``needs``: part or source -> condition that it must be in for the cure to work.
    """

    switch: str
    position: str
    minutes: float
    needs: dict[str, str] = {}


class FailureKind(Enum):
    """A failure of equipment, or something healthy that looks like one."""

    FAILURE = "failure"
    LOOK_ALIKE = "look_alike"


class Failure(Cited, frozen=True, kw_only=True):
    """A part in one failed mode, or a non-failure that a pilot mistakes for one.

    ``rate_per_hour`` and ``latent`` (the chance that it is there before the first snapshot, per
    flight) are priors; ``acts``: part -> condition. ``acting`` is the share of snapshots in which
    an intermittent failure shows. A ``silent`` failure shows nothing until it is needed, so it is
    never what was noticed and the setting does not raise its odds. ``hastened_by``: another failure ->
    how many times as likely this one begins once that one is there.
    """

    id: str
    name: str
    kind: FailureKind = FailureKind.FAILURE
    system: System
    words: tuple[str, ...] = ()
    acts: dict[str, str]
    rate_per_hour: float = 0.0
    rate_range: tuple[float, float] | None = None
    latent: float = 0.0
    onset: Literal["sudden", "gradual", "either"] = "either"
    acting: float = 1.0
    silent: bool = False
    hastened_by: dict[str, float] = {}
    cured_by: Cure | None = None
    context: tuple[ContextEffect, ...] = ()
    mechanism: str
    inspect: tuple[str, ...] = ()


class ContextFlag(Record, frozen=True, kw_only=True):
    """A condition of the day that changes the odds."""

    id: str
    name: str
    words: tuple[str, ...] = ()
    note: str = ""


# ------------------------------------------------------------------ gauges and readings


class Reading(Record, frozen=True, kw_only=True):
    """A named thing that a gauge did. ``where``: statistic -> (low, high), all must hold.

    The readings of a facet are tried in order; one without ``where`` takes the rest.
    """

    id: str
    words: tuple[str, ...] = ()
    where: dict[str, tuple[float, float]] = {}
    means: str


class Row(Record, frozen=True, kw_only=True):
    """A stated likelihood: when these states hold, the readings have these chances."""

    when: dict[str, str | tuple[str, ...]] = {}
    gives: dict[str, float]


class Facet(Cited, frozen=True, kw_only=True):
    """One way of looking at a gauge. Either simulated (``channel``) or stated (``rows``)."""

    id: str
    name: str
    readings: tuple[Reading, ...]
    parents: tuple[str, ...]
    axes: tuple[str, ...] = ()
    misreport: float
    channel: str = ""
    rows: tuple[Row, ...] = ()


class Gauge(Record, frozen=True, kw_only=True):
    """Whatever is read. ``group`` orders the display; ``covers`` says if it can be covered."""

    id: str
    name: str
    group: str
    words: tuple[str, ...] = ()
    facets: tuple[Facet, ...]
    instrument: bool = True
    note: str = ""


class Axis(Record, frozen=True, kw_only=True):
    """One axis of the hidden motion, with its values in order."""

    id: str
    name: str
    values: tuple[str, ...]


class Opposition(Record, frozen=True, kw_only=True):
    """Two facets that tell of one thing: pairs of readings that agree. All others disagree."""

    facets: tuple[str, str]
    agree: tuple[tuple[str, str], ...]
    misreport: float


# ------------------------------------------------------------------ manoeuvres and panels


class AxisUse(Record, frozen=True, kw_only=True):
    """Which gauges serve one axis of control in a manoeuvre, best first."""

    primary: str
    supporting: tuple[str, ...] = ()


class Manoeuvre(Cited, frozen=True, kw_only=True):
    """What the pilot is flying: expected motion, how far it strays, and which gauges serve."""

    id: str
    name: str
    words: tuple[str, ...] = ()
    phase: Literal["ground", "roll", "air"]
    expected: dict[str, str]
    strays: dict[str, dict[str, float]] = {}
    wanders: tuple[Outcome, ...] = ()
    pitch: AxisUse | None = None
    bank: AxisUse | None = None
    power: AxisUse | None = None


class Outcome(Record, frozen=True, kw_only=True):
    """One way in which the motion differs from what was meant."""

    chance: float
    motion: dict[str, str]


class Variation(Cited, frozen=True, kw_only=True):
    """How air or pilot change the motion: while ``part`` is in ``condition``.

    ``meant`` narrows it to manoeuvres that mean to go "up", "level" or "down" (empty: all).
    """

    part: str
    condition: str
    phases: tuple[str, ...]
    meant: tuple[str, ...] = ()
    outcomes: tuple[Outcome, ...]


class Panel(Record, frozen=True, kw_only=True):
    """An aircraft's fit. ``based_on`` takes another panel and ``without``/additions change it."""

    id: str
    name: str
    words: tuple[str, ...] = ()
    based_on: str = ""
    parts: tuple[str, ...] = ()
    gauges: tuple[str, ...] = ()
    switches: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    note: str = ""


class Substitute(Cited, frozen=True, kw_only=True):
    """For an axis of control, the gauges that can stand in, best first, and how to use each."""

    axis: Literal["pitch", "bank", "power", "heading"]
    gauge: str
    how: str


class NormalEffect(Cited, frozen=True, kw_only=True):
    """Something healthy that looks odd: when these readings appear in these manoeuvres."""

    id: str
    name: str
    when: dict[str, str]
    manoeuvres: tuple[str, ...] = ()
    says: str
    gauge: str = ""


class Quantity(Cited, frozen=True, kw_only=True):
    """A physical quantity that differs from flight to flight: drawn evenly between two bounds.

    ``scale`` "log" draws its logarithm evenly.
    """

    id: str
    low: float
    high: float
    unit: str
    scale: Literal["even", "log"] = "even"


class HandbookRow(Cited, frozen=True, kw_only=True):
    """A row of a published failure table: failures, conditions of flight, what the gauges show.

    ``shows`` lists for each snapshot what the row states; silent gauges are not stated.
    ``finding`` explains in writing where our physics contradicts the row.
    """

    id: str
    says: str
    panel: str
    failures: tuple[str, ...]
    section: str
    shows: tuple[SnapshotRecord, ...]
    context: tuple[str, ...] = ()
    finding: str = ""


# ------------------------------------------------------------------ cases


class SnapshotRecord(Record, frozen=True, kw_only=True):
    """A snapshot as it stands in a case file.

    ``readings``: facet ("airspeed.trend") -> reading. ``unsure``: the same with "reading" and how
    sure (0 to 1; 0 says that it was any other reading than this). ``disagree``: pairs of gauges said to disagree, no more.
    """

    manoeuvre: str
    minutes: float = 1.0
    minutes_before: float = 0.0
    switches: dict[str, str] = {}
    readings: dict[str, str] = {}
    unsure: dict[str, tuple[str, float]] = {}
    disagree: tuple[tuple[str, str], ...] = ()
    note: str = ""


class TruthRecord(Record, frozen=True, kw_only=True):
    """What had really failed, and how strongly that is known.

    ``strength``: T1 found by inspection, T2 shown by the response in flight, T3 inferred, T4
    never established, "invented" for a case of our own. ``failures``: any one of these answers
    is right (each a tuple of failure ids; the empty tuple is "nothing failed").
    """

    strength: Literal["T1", "T2", "T3", "T4", "invented"]
    failures: tuple[tuple[str, ...], ...]
    says: str = ""


class CaseRecord(Record, frozen=True, kw_only=True):
    """A case file."""

    title: str
    panel: str
    setting: str = "anomaly"
    context: tuple[str, ...] = ()
    minutes_since_start: float = 30.0
    snapshot: tuple[SnapshotRecord, ...] = ()
    truth: TruthRecord | None = None
    source: str = ""
    note: str = ""


# ------------------------------------------------------------------ settings of the engine


class Setting(Cited, frozen=True, kw_only=True):
    """Why the user is here: how likely it is that anything failed, or looked as if it had.

    ``chance`` is the prior chance of anything at all (None: as the rates give it);
    ``equal_chance`` replaces every rate by one chance per case, and ``later_share`` of it holds before
    each later snapshot.
    """

    id: str
    name: str
    words: tuple[str, ...] = ()
    chance: float | None = None
    equal_chance: float | None = None
    later_share: float = 1.0


class Limits(Record, frozen=True, kw_only=True):
    """Numbers that the engine and the advice work with."""

    largest_set: int
    uncovered_limit: float
    most_triples: int
    motion_floor: float
    misleading_distance: float
    decided: float
    worth_naming: float
    largest_latent: float
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
