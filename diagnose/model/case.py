"""Cases, rows of published tables, and the files of a scenario and of a session around it.

Times of a scenario are minutes from its start. Only what a person wants to set need stand in a file; the rest has
usual values, some of them from ``knowledge/flown.toml``.
"""

import hashlib
from typing import Literal

import msgspec

from diagnose.model.systems import Cited, Record


class SnapshotRecord(Record, frozen=True, kw_only=True):
    """A snapshot as it stands in a case file.

    ``readings``: facet ("airspeed.trend") -> reading. ``unsure``: the same with "reading" and how
    sure (0 to 1; 0 says that it was any other reading than this). ``disagree``: pairs of gauges said to
    disagree, no more. ``filled``: facets whose reading was filled in by "rest as expected": it counts, but
    yields to what is said later.
    """

    manoeuvre: str
    minutes: float = 1.0
    minutes_before: float = 0.0
    switches: dict[str, str] = {}
    readings: dict[str, str] = {}
    unsure: dict[str, tuple[str, float]] = {}
    disagree: tuple[tuple[str, str], ...] = ()
    filled: tuple[str, ...] = ()
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
    """A case file. Latitude (south negative), true airspeed and bank serve the numbers of partial panel."""

    title: str
    panel: str
    setting: str = "anomaly"
    context: tuple[str, ...] = ()
    minutes_since_start: float = 30.0
    latitude_deg: float | None = None
    true_airspeed_kt: float | None = None
    bank_deg: float | None = None
    snapshot: tuple[SnapshotRecord, ...] = ()
    truth: TruthRecord | None = None
    source: str = ""
    note: str = ""


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


class Start(Record, frozen=True, kw_only=True):
    """Where the flight begins. ``airspeed_kt`` None: what the first leg flies."""

    altitude_ft: float = 3000.0
    heading_deg: float = 90.0
    airspeed_kt: float | None = None


class Leg(Record, frozen=True, kw_only=True):
    """A piece of the flight in one maneuver. What is not given is the usual one of the maneuver.

    ``rate_fpm`` up and ``turn_dps`` right are positive.
    """

    manoeuvre: str
    minutes: float
    airspeed_kt: float | None = None
    rate_fpm: float | None = None
    turn_dps: float | None = None


class Draught(Record, frozen=True, kw_only=True):
    """Air that rises (positive) or sinks for a while."""

    at_minutes: float
    minutes: float
    fpm: float


class FailureEvent(Record, frozen=True, kw_only=True):
    """A failure with its onset and progression.

    ``over_minutes``: how long a gradual one takes to be complete. ``every_seconds`` and ``share``: about
    how often an intermittent one changes, and how much of the time it acts. ``until_minutes``: when it
    clears by itself. A switch that cures the failure (see the knowledge base) clears it as well.
    """

    id: str
    at_minutes: float = 0.0
    progression: Literal["sudden", "gradual", "intermittent"] = "sudden"
    over_minutes: float = 1.0
    every_seconds: float = 15.0
    share: float = 0.6
    until_minutes: float | None = None


class Action(Record, frozen=True, kw_only=True):
    """A switch that the pilot in the scenario moves."""

    at_minutes: float
    switch: str
    position: str


class Pilot(Record, frozen=True, kw_only=True):
    """What the pilot flies by: the true picture, or from a time on one instrument, true or false."""

    follows: str = ""
    from_minutes: float = 0.0
    to_minutes: float | None = None


class Inject(Record, frozen=True, kw_only=True):
    """Something that is said or happens at a time: a call from ATC, weather, a question."""

    at_minutes: float
    who: str
    says: str


class Pause(Record, frozen=True, kw_only=True):
    """Where the instructor stops the flight to ask something."""

    at_minutes: float
    asks: str


class ScenarioRecord(Record, frozen=True, kw_only=True):
    """A scenario file.

    ``unseen``: gauges that nobody looks at unless somebody asks. ``sizes``: a quantity of the physics by
    its id -> the value that it has in this scenario instead of a drawn one (signed where a sign would be
    drawn). ``seed`` decides everything else that is drawn.
    """

    title: str
    panel: str
    briefing: str
    leg: tuple[Leg, ...]
    start: Start = Start()
    failure: tuple[FailureEvent, ...] = ()
    action: tuple[Action, ...] = ()
    draught: tuple[Draught, ...] = ()
    inject: tuple[Inject, ...] = ()
    pause: tuple[Pause, ...] = ()
    pilot: Pilot = Pilot()
    context: tuple[str, ...] = ()
    switches: dict[str, str] = msgspec.field(default_factory=dict)
    turbulence: float = 0.2
    altimeter_setting_inhg: float = 29.92
    latitude_deg: float = 48.0
    minutes_since_start: float = 30.0
    unseen: tuple[str, ...] = (
        "outside", "atc_height", "gps_height", "gps_speed", "gps_track", "heater_load", "engine",
    )  # fmt: skip
    teaching: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    sizes: dict[str, float] = msgspec.field(default_factory=dict)
    seed: int = 1
    source: str = ""
    note: str = ""


def leg_starts_min(legs: tuple[Leg, ...]) -> tuple[float, ...]:
    """When each leg begins, and when the last one ends."""
    starts = [0.0]
    for leg in legs:
        starts.append(starts[-1] + leg.minutes)
    return tuple(starts)


# ------------------------------------------------------------------ what students called


class Call(Record, frozen=True, kw_only=True):
    """What a team said at a time.

    ``what``: for suspect and isolate ids of failures, families of failures or systems (all of them together), one
    gauge for cover, doubt and trust, free words for the others; a decision that says how a switch is to stand
    ("pitot heat on") moves it. ``uncover`` is ``trust`` in older records. ``sure``: the chance that the team
    gave, 0 to 1.
    """

    minutes: float
    team: str
    kind: Literal["suspect", "isolate", "cover", "doubt", "trust", "uncover", "tell_atc", "decide"]
    what: tuple[str, ...] = ()
    sure: float = 1.0


class Asked(Record, frozen=True, kw_only=True):
    """A gauge that a team asked for."""

    minutes: float
    team: str
    gauge: str


class Unread(Record, frozen=True, kw_only=True):
    """A line that was not understood when it was typed. ``team``: "" if it named none."""

    minutes: float
    team: str
    text: str


class SessionRecord(Record, frozen=True, kw_only=True):
    """A session around one scenario. ``mark`` is the scenario's fingerprint; see ``scenario_mark``."""

    scenario: str
    mark: str
    teams: tuple[str, ...]
    minutes: float
    calls: tuple[Call, ...] = ()
    looks: tuple[Asked, ...] = ()
    unread: tuple[Unread, ...] = ()


def scenario_mark(scenario: ScenarioRecord) -> str:
    """A fingerprint of a scenario, so that a session is scored against the one that it was held with.

    Where the instructor stops to ask changes neither the flight nor the scores, and is not in it.
    """
    flown = msgspec.to_builtins(scenario)
    del flown["pause"]
    return hashlib.sha256(msgspec.json.encode(flown)).hexdigest()[:12]
