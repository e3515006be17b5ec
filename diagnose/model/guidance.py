"""Records of what to look at, and of what to say and decide."""

from __future__ import annotations

from typing import Literal

import msgspec

from diagnose.model import Cited

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
    cost table asks for before an instrument is no longer simply used; ``coasting``, a gyro's supply was seen lost.
    ``raised``: the readings have made it likelier. ``sound``: none of these is likely. ``radio``: one works
    ("works"), or none does ("dead").

    ``conditions``: one of these conditions of the day stands, ``also``: all of these, ``not_in``: none.
    ``move``: the panel has one of these switches and it is not in that position yet; ``moved``: it is.
    ``parts``, ``without``: parts or switches that the panel has, or lacks. ``unless``: decisions before it that
    say it better; ``unless_read``: facets whose reading says that it was done. ``upset``: the aircraft must be
    recovered first. ``urgency``: 3 at once, 2 soon, 1 when convenient.
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
    coasting: bool = False
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
