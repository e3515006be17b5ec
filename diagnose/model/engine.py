"""Settings of the engine and of the advice."""

from __future__ import annotations

from enum import Enum

from diagnose.model.record import Cited, Record


class Telling(Record, frozen=True, kw_only=True):
    """Chances that somebody tells a flight as an anomaly, by what explains the odd readings in it.

    ``failure``: something is wrong. ``benign``: the air, a wrong picture of the motion, or a known normal effect. ``misreading``: he misread it, or strayed by himself and says that he
    held it, or sat in rough air and did not say so.
    """

    failure: float
    benign: float
    misreading: float


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
    """Conditions of the day that go together, and the chance of a day with them."""

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
