"""What a panel is made of and what can fail, what to look at, say and decide; and what all records have in common."""

import math
from collections.abc import Collection, Iterator, Mapping
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


class HoldsWhen(Record, frozen=True, kw_only=True):
    """When a circumstance holds: the snapshot lasted ``least_minutes``, and the one ``before`` it, which ended
    within ``within_minutes``, was meant to be flown so (axis -> values; nothing asked: any)."""

    position: str
    before: dict[str, tuple[str, ...]] = {}
    within_minutes: float = 0.0
    least_minutes: float = 0.0


class Circumstance(Record, frozen=True, kw_only=True):
    """What the case itself says of a snapshot; rules of sources ask for it like for a switch.

    ``positions[0]`` is the usual one; the first of ``tells`` that holds gives another.
    """

    id: str
    name: str
    positions: tuple[str, ...]
    tells: tuple[HoldsWhen, ...]
    note: str = ""


class MemoryKind(Enum):
    """Which physics moves a memory on."""

    HEIGHT = "height"
    ROTOR = "rotor"
    CHARGE = "charge"
    ACTING = "acting"
    DEGREE = "degree"


class Degree(Record, frozen=True, kw_only=True):
    """How far a fault goes: drawn once when it begins, then kept from snapshot to snapshot, or worse with time.

    ``begins``: state -> chance when it begins; ``first``: when it is there already at the first snapshot (empty:
    as ``begins``). ``worsens``: state -> minutes that it lasts on average until the fault passes through
    ``passing``, which is seen in one snapshot of a minute, to ``ends``. A state without either stays. In a flight that
    is flown second by second, ``halves`` names the quantity whose lower and upper half the states of ``begins`` are,
    in their order, and ``at_once`` the one that says with what chance it goes to the end as it begins.
    """

    begins: dict[str, float]
    first: dict[str, float] = {}
    worsens: dict[str, float] = {}
    passing: str = ""
    ends: str = ""
    halves: str = ""
    at_once: str = ""

    def problems(self, states: Collection[str], quantities: Collection[str]) -> Iterator[str]:
        """What does not fit a memory with these states, or these quantities."""
        for chances in filter(None, (self.begins, self.first)):
            if abs(sum(chances.values()) - 1.0) > 1e-9 or min(chances.values()) < 0.0:
                yield "the chances of begins and of first must each sum to one"
        if not self.begins or bool(self.passing) != bool(self.ends) or (self.worsens and not self.passing):
            yield "needs begins, and what worsens both passing and ends"
        if min(self.worsens.values(), default=1.0) <= 0.0:
            yield "the minutes of worsens must be above zero"
        named = {*self.begins, *self.first, *self.worsens, *filter(None, (self.passing, self.ends))}
        missing = {*(named - {*states}), *({*filter(None, (self.halves, self.at_once))} - {*quantities})}
        for name in sorted(missing):
            yield f"there is no {name!r}"


class Memory(Cited, frozen=True, kw_only=True):
    """What the past has left behind: a hidden variable carried from snapshot to snapshot.

    ``driver`` is the node that makes it run while in a condition of ``carry`` (condition -> name
    of the carrying table). In every other condition it falls back to ``start``. ``onset``: phase
    of flight -> state distribution when the driver has just become active. ``first``: the
    distribution when the driver is already active at the first snapshot. Empty ``onset``/``first``
    are computed by the physics (rotor, charge). ``degrees``: name of the carrying table -> what a memory of the kind
    "degree" does (a size, or how far an opening has closed).
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
    degrees: dict[str, Degree] = {}


class Flow(Record, frozen=True, kw_only=True):
    """What can be in a line; the worse stands later in the file. ``of``: "source.condition" that comes to it.

    ``sign`` draws it in text.
    """

    id: str
    name: str
    sign: str
    of: tuple[str, ...] = ()


class Fitting(Record, frozen=True, kw_only=True):
    """Something in a line on the way to the dials: see the head of ``knowledge/plumbing.toml``."""

    id: str
    name: str
    system: System
    shape: Literal["probe", "ports", "hose", "valve", "tee", "pump", "filter", "battery", "bus", "breaker"]
    parts: tuple[str, ...]
    after: tuple[str, ...] = ()
    carries: str = ""
    opens: dict[str, str] = {}
    gives: dict[str, str] = {}
    openings: dict[str, tuple[str, ...]] = {}


class ContextEffect(Record, frozen=True, kw_only=True):
    """When all of ``when`` hold: rate and latent chance are multiplied, or the latent chance set."""

    when: tuple[str, ...]
    times: float = 1.0
    latent: float | None = None


class Cure(Record, frozen=True, kw_only=True):
    """What clears a failure, with the mean time in minutes that it takes; 0: never.

    ``switch`` in its ``position`` clears it in ``minutes``, a ``late_share`` of such failures in
    ``late_minutes``; where it stands so in the first snapshot it has done so from the start in ``already_share`` of the
    cases. ``alone_minutes``: it clears by itself as well. ``returns_minutes``: once cleared it comes
    back, unless the switch stands so. ``needs``: part or source -> condition that it must be in for the switch
    to help.
    """

    switch: str = ""
    position: str = ""
    minutes: float = 0.0
    late_share: float = 0.0
    late_minutes: float = 0.0
    already_share: float = 0.0
    alone_minutes: float = 0.0
    returns_minutes: float = 0.0
    needs: dict[str, str] = {}

    def helps(self, switches: Mapping[str, str]) -> bool:
        """Whether the switch stands where it helps."""
        return bool(self.switch) and switches.get(self.switch) == self.position

    def cleared(self, minutes: float, *, helped: bool, first: bool = False) -> float:
        """Chance to be gone after this time, with the switch's help or by itself; ``first``: in the first snapshot."""
        stays = 1.0 - _begun(minutes, self.alone_minutes)
        if helped:
            stays *= 1.0 - self.already_share * first
            late = 1.0 - _begun(minutes, self.late_minutes)
            stays *= (1.0 - self.late_share) * (1.0 - _begun(minutes, self.minutes)) + self.late_share * late
        return 1.0 - stays

    def returned(self, minutes: float, *, helped: bool) -> float:
        """Chance to be back after this time, once it has gone."""
        return 0.0 if helped else _begun(minutes, self.returns_minutes)


def _begun(minutes: float, mean: float) -> float:
    return -math.expm1(-minutes / mean) if mean > 0.0 else 0.0


#: condition of an instrument that is wrong in a way that the knowledge does not list
UNLISTED = "unlisted"


class FailureKind(Enum):
    """A failure of equipment, or something healthy that looks like one."""

    FAILURE = "failure"
    LOOK_ALIKE = "look_alike"


class Failure(Cited, frozen=True, kw_only=True):
    """A part in one failed mode, or a non-failure that a pilot mistakes for one.

    ``rate_per_hour`` and ``latent`` (the chance that it is there before the first snapshot, per
    flight) are priors; ``acts``: part -> condition. ``acting`` is the share of snapshots in which
    an intermittent failure shows. A ``silent`` failure shows nothing until it is needed (a
    look-alike: everybody aboard knows of it), so it is never what was noticed and the setting does not
    raise its odds. ``hastened_by``: another failure ->
    how many times as likely this one begins once that one is there. ``set_right``: a slip of the pilot, and
    what puts it right in a few words; ``set_right_by``: an instrument that this needs.
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
    set_right: str = ""
    set_right_by: str = ""

    @property
    def needs_conditions(self) -> tuple[str, ...]:
        """Conditions without which it cannot be, the likeliest of them: gyros spin up after a start."""
        if self.rate_per_hour > 0.0 or self.latent > 0.0:
            return ()
        able = [effect for effect in self.context if (effect.latent or 0.0) > 0.0]
        return max(able, key=lambda effect: effect.latent or 0.0).when if able else ()

    @property
    def listed(self) -> bool:
        """Whether the knowledge says how it shows; else it shows anything."""
        return UNLISTED not in self.acts.values()

    @property
    def begins_in_flight(self) -> bool:
        """Whether it can begin while one flies; a cover left on, a nest or tape is there from before."""
        return self.rate_per_hour > 0.0


class ContextFlag(Record, frozen=True, kw_only=True):
    """A condition of the day that changes the odds.

    ``switch``: switch -> position that says the same, where it is stated before any other position.
    ``all_in``: maneuvers that say the same if nothing else was flown in the case.
    ``phases``: phases of flight in which it can hold (none: all); ``above_ft``: it needs this altitude.
    Made-up flights keep to both; what a person says of a real one is never refused.
    """

    id: str
    name: str
    words: tuple[str, ...] = ()
    switch: dict[str, str] = {}
    all_in: tuple[str, ...] = ()
    phases: tuple[str, ...] = ()
    above_ft: float = 0.0
    note: str = ""


#: group of the results of checks: no dials, so they are no part of what a look at the panel shows
CHECKS = "checks"


class Look(Cited, frozen=True, kw_only=True):
    """A way to learn more: what is done, which facets are then read, and what it costs.

    ``kind`` "read" reads facets that are still silent in the present snapshot. Every other kind is a
    next snapshot: switches moved, perhaps another maneuver (of ``minutes``, after ``wait_minutes``),
    and then all of ``reads``. ``at_once``: the switch is moved, and what happens at that moment is read. ``seconds`` is the time it takes in all, ``workload`` 1 (a glance) to 5,
    ``hazard`` 0 (none) to 5. It is not offered outside ``phases``, while one of ``not_while`` is flown,
    under a condition of ``not_in``, with a switch or part of ``without`` on the panel, unless the
    switches of ``only_with`` stand as listed, or a second time if it may be done ``once``.
    ``last_resort``: stands after everything else whatever it tells. Without an outside horizon
    ``blind_least`` at least of the instruments ``blind_needs`` must not be ones to be covered.
    """

    id: str
    name: str
    kind: Literal["read", "switch", "manoeuvre", "outside", "cabin", "ground"]
    done_by: Literal["pilot", "technician"] = "pilot"
    reads: tuple[str, ...] = ()
    switches: dict[str, str] = msgspec.field(default_factory=dict)
    manoeuvre: str = ""
    minutes: float = 1.0
    wait_minutes: float = 0.0
    seconds: float
    workload: int
    hazard: int = 0
    caution: str = ""
    phases: tuple[str, ...] = ("ground", "roll", "air")
    only_while: tuple[str, ...] = ()
    not_while: tuple[str, ...] = ()
    not_in: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    only_with: dict[str, str] = msgspec.field(default_factory=dict)
    once: bool = False
    at_once: bool = False
    last_resort: bool = False
    blind_needs: tuple[str, ...] = ()
    blind_least: int = 1


class LookWeights(Cited, frozen=True, kw_only=True):
    """What a look is worth and what it costs, in the unit of the grade costs (one look).

    ``per_bit`` for each bit about which suspects are there (a suspect: a failure whose odds the readings
    have raised ``suspect_factor`` times), ``per_trust`` for each unit of expected cost of
    trusting wrongly that it saves; against them ``per_minute`` (``per_ground_minute`` for what is done
    after the flight), ``per_workload`` (above a glance) and ``per_hazard``. ``least_bits`` and ``least_saving``: a look that gives less of both is not shown
    by itself.
    """

    per_bit: float
    suspect_factor: float
    per_trust: float
    per_minute: float
    per_ground_minute: float
    per_workload: float
    per_hazard: float
    least_bits: float
    least_saving: float


class Decision(Cited, frozen=True, kw_only=True):
    """Something to do, say or decide, and when: all that is given must hold.

    ``short`` is an order of 60 characters at most, ``says`` the whole of it. ``against``: instruments of which
    those that stand are named instead of ``{against}``; one must stand.

    By instruments: ``out``, none of these may be used; ``covered``, each is to be covered; ``trusted``, each may
    be used; ``required``, one that the rules ask for is to be covered, or none is; ``any_covered``, some instrument
    is; ``axis_lost``, pitch or bank has nothing trustworthy left. By causes, of which one is enough:
    ``doubted``, one of these instruments may not be used, and not for a slip alone; ``lost``, a part or source is in one of these
    conditions with the chance that ``level`` asks for: "likely", more likely than not; "suspected", as much as the
    cost table asks for before an instrument is no longer simply used; ``coasting``, the supply of one of these
    gyros was seen lost and the gyro still looks right. ``raised``: the readings have made it likelier. ``sound``:
    none of these is likely. ``radio``: one works ("works"), or none does ("dead").

    ``conditions``: one of these conditions stands, ``also``: all of these, ``not_in``: none.
    ``move``: the panel has one of these switches and it is not in that position yet; ``moved``: it is.
    ``parts``, ``without``: parts or switches that the panel has, or lacks. ``unless``: decisions before it that
    say it better; ``unless_read``: facets whose reading says that it was done. ``upset``: the aircraft must be
    recovered first. ``manoeuvres``: one of these is flown. ``urgency``: 3 at once, 2 soon, 1 when convenient.
    """

    id: str
    kind: Literal["recover", "act", "say", "fly", "land"]
    short: str
    says: str
    urgency: int
    against: tuple[str, ...] = ()
    out: tuple[str, ...] = ()
    covered: tuple[str, ...] = ()
    trusted: tuple[str, ...] = ()
    required: Literal["", "covered", "standing"] = ""
    any_covered: bool = False
    axis_lost: bool = False
    doubted: tuple[str, ...] = ()
    lost: dict[str, tuple[str, ...]] = msgspec.field(default_factory=dict)
    level: Literal["likely", "suspected"] = "likely"
    coasting: tuple[str, ...] = ()
    raised: bool = False
    sound: dict[str, tuple[str, ...]] = msgspec.field(default_factory=dict)
    radio: Literal["", "works", "dead"] = ""
    conditions: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    not_in: tuple[str, ...] = ()
    move: dict[str, str] = msgspec.field(default_factory=dict)
    moved: dict[str, str] = msgspec.field(default_factory=dict)
    parts: tuple[str, ...] = ()
    without: tuple[str, ...] = ()
    unless: tuple[str, ...] = ()
    unless_read: tuple[str, ...] = ()
    upset: bool = False
    phases: tuple[str, ...] = ("ground", "roll", "air")
    manoeuvres: tuple[str, ...] = ()
