"""Scoring a session: how soon, how right, what trusting a bad gauge would have cost, against a perfect reasoner."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from diagnose.advice.coverage import Alike
from diagnose.model import AxisUse, Grade
from diagnose.model.case import Call, SessionRecord
from diagnose.model.units import min_from_s
from diagnose.network.engine import Engine
from diagnose.practice.known import Followed, Known, know_at, misleading
from diagnose.practice.simulate import Simulation
from diagnose.practice.tabletop.session import NAMING, SYSTEMS, used

#: a forecast of 0 or 1 that turns out wrong would cost without end
SURELY = 0.99


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """A call that named failures with a chance; ``true`` if all of them, or ones alike, were there.

    ``engine`` is the chance that the engine gave the same statement then. Scores: Brier (square of what
    is missing, 0 best) and log (bits, 0 best).
    """

    call: Call
    true: bool
    engine: float

    @staticmethod
    def brier_of(chance: float, true: bool) -> float:
        """Square of the distance to what was so."""
        return (chance - float(true)) ** 2

    @staticmethod
    def bits_of(chance: float, true: bool) -> float:
        """Bits of surprise at what was so; chances are held away from 0 and 1."""
        held = min(max(chance, 1.0 - SURELY), SURELY)
        return -math.log2(held if true else 1.0 - held)

    @property
    def brier(self) -> float:
        """The team's."""
        return self.brier_of(self.call.sure, self.true)

    @property
    def engine_brier(self) -> float:
        """The engine's on the same statement."""
        return self.brier_of(self.engine, self.true)

    @property
    def bits(self) -> float:
        """The team's."""
        return self.bits_of(self.call.sure, self.true)

    @property
    def engine_bits(self) -> float:
        """The engine's on the same statement."""
        return self.bits_of(self.engine, self.true)


@dataclass(frozen=True, slots=True, kw_only=True)
class TeamScore:
    """What one team did. Times in minutes of the scenario, None where it never happened.

    ``false_alarm``: a first suspicion before anything had failed. ``cover``: gauge that misleads ->
    (when it began, when it was covered). ``good_covered``: healthy gauges that were covered at the end.
    ``wrong_trust`` and ``wrong_doubt``: what it cost to use what misleads and to cover what is sound, by
    the table of grades (unit: looks) and minute. ``least_wrong_trust``: the same for somebody who covers
    at once whatever the engine would not trust; ``most_wrong_trust``: for somebody who covers nothing.
    ``still_used``: gauge that misleads -> minutes in which it misled and the team neither covered nor doubted it.
    ``points``: what -> (points, of how many), for what counts in this scenario.
    """

    team: str
    suspected: float | None
    false_alarm: bool
    isolated: float | None
    told_atc: float | None
    decided: float | None
    cover: Mapping[str, tuple[float, float | None]]
    good_covered: tuple[str, ...]
    forecasts: tuple[Forecast, ...]
    wrong_trust: float
    wrong_doubt: float
    least_wrong_trust: float
    most_wrong_trust: float
    still_used: Mapping[str, float]
    points: Mapping[str, tuple[float, float]]

    @property
    def total(self) -> float:
        """Points of 100, whatever counts in this scenario."""
        reached = sum(points for points, _ in self.points.values())
        return max(0.0, 100.0 * reached / sum(most for _, most in self.points.values()))

    @property
    def brier(self) -> float | None:
        """Mean Brier score of the team's forecasts."""
        return float(np.mean([f.brier for f in self.forecasts])) if self.forecasts else None

    @property
    def engine_brier(self) -> float | None:
        """Mean Brier score of the engine on the same statements."""
        return float(np.mean([f.engine_brier for f in self.forecasts])) if self.forecasts else None


def _first(calls: Sequence[Call], *kinds: str) -> float | None:
    return next((c.minutes for c in calls if c.kind in kinds), None)


def _chance_of(known: Known, alike: Alike, named: tuple[str, ...]) -> float:
    """The engine's chance that all the named failures, or ones alike, are there."""
    if not named:
        return 1.0 - known.something
    if set(named) & set(SYSTEMS):
        return sum(chance for members, chance in known.ranking if _holds(members, named, alike))
    if len(named) == 1:
        return known.chance.get(named[0], 0.0)
    return sum(chance for members, chance in known.ranking if alike.holds(members, named))


def _holds(members: Sequence[str], named: Sequence[str], alike: Alike) -> bool:
    """Whether these failures hold all that was named: failures, ones alike, or something of a system."""
    failures = alike.network.kb.failures
    systems = {failures[name].system.value for name in members}
    causes = tuple(name for name in named if name not in SYSTEMS)
    return all(name in systems for name in named if name in SYSTEMS) and (
        not causes or alike.holds(members, causes)
    )


def _forecast(call: Call, simulation: Simulation, engine: Engine, alike: Alike) -> Forecast:
    known = know_at(simulation, engine, call.minutes, alike)
    true = _holds(known.truth, call.what, alike) if call.what else not known.truth
    return Forecast(call=call, true=true, engine=_chance_of(known, alike, call.what))


def _uses(simulation: Simulation, sample: int) -> Mapping[str, float]:
    """Gauge -> how much depends on it in the maneuver at this second: 1 primary, less supporting."""
    manoeuvre = simulation.network.kb.manoeuvres[simulation.leg_at(sample).manoeuvre]
    share = simulation.sizes("table.supporting_share")
    weight: dict[str, float] = {}
    for use in (manoeuvre.pitch, manoeuvre.bank, manoeuvre.power):
        if isinstance(use, AxisUse):
            for gauge in use.supporting:
                weight.setdefault(gauge, share)
            weight[use.primary] = 1.0
    return weight


def _costs(
    simulation: Simulation,
    wrong: Mapping[str, np.ndarray],
    used_at: Callable[[float], Mapping[str, Grade]],
    until: float,
) -> tuple[float, float]:
    """Cost of trusting a bad gauge and of wrong doubt over the flight, in looks."""
    grades = {cost.grade: cost for cost in simulation.network.kb.grade_costs.values()}
    step = 5
    minutes = min_from_s(float(step))
    false_trust = false_doubt = 0.0
    for sample in range(0, min(simulation.samples, round(until * 60.0)), step):
        used_as = used_at(sample / 60.0)
        for gauge, weight in _uses(simulation, sample).items():
            grade = used_as.get(gauge, Grade.USE)
            if gauge in wrong and wrong[gauge][sample]:
                # who covers what misleads has done all that can be done
                cost = 0.0 if grade is Grade.COVER else grades[grade].if_misleading
                false_trust += cost * weight * minutes
            elif grade is not Grade.USE:
                false_doubt += grades[grade].if_true * weight * minutes
    return false_trust, false_doubt


def score(
    simulation: Simulation, engine: Engine, followed: Followed, record: SessionRecord
) -> tuple[TeamScore, ...]:
    """Score every team of a session."""
    alike = Alike(engine.network)
    wrong = misleading(simulation)

    def engine_covers(minutes: float) -> dict[str, Grade]:
        known = followed.at(minutes)
        return {g: Grade.COVER for g, true in known.trust.items() if true < 0.5} if known else {}

    least, _ = _costs(simulation, wrong, engine_covers, record.minutes)
    most, _ = _costs(simulation, wrong, lambda minutes: {}, record.minutes)
    found = []
    for team in record.teams:
        calls = sorted((c for c in record.calls if c.team == team), key=lambda c: c.minutes)
        found.append(
            _score_team(
                team, calls, simulation, engine, followed, alike, wrong, record.minutes, (least, most)
            )
        )
    return tuple(found)


def _score_team(
    team: str,
    calls: Sequence[Call],
    simulation: Simulation,
    engine: Engine,
    followed: Followed,
    alike: Alike,
    wrong: Mapping[str, np.ndarray],
    until: float,
    bounds: tuple[float, float],
) -> TeamScore:
    forecasts = tuple(_forecast(c, simulation, engine, alike) for c in calls if c.kind in NAMING)
    onset = followed.onset
    # a suspicion is one from the onset on; one before that is a false alarm
    suspicions = [c.minutes for c in calls if c.kind in NAMING and c.what]
    after = [m for m in suspicions if onset is not None and m >= onset]
    right = [f.call for f in forecasts if f.call.kind == "isolate" and f.true]
    named = [c.minutes for c in right if _all_named(c, simulation, alike)]
    covers = {}
    for gauge, misleads in wrong.items():
        if misleads.any():
            began = min_from_s(float(np.argmax(misleads)))
            when = next((c.minutes for c in calls if c.kind == "cover" and gauge in c.what), None)
            covers[gauge] = (began, when)
    trust, doubt = _costs(simulation, wrong, lambda minutes: used(calls, team, minutes), until)
    at_end = [gauge for gauge, grade in used(calls, team, until).items() if grade is Grade.COVER]
    still_used = {
        gauge: _still_used(gauge, wrong[gauge], calls, team, until) for gauge in covers
    }
    suspected, isolated = (after[0] if after else None), (named[0] if named else None)
    told_atc, decided = _first(calls, "tell_atc"), _first(calls, "decide")
    false_alarm = bool(suspicions) and (onset is None or suspicions[0] < onset)
    return TeamScore(
        team=team,
        suspected=suspected,
        false_alarm=false_alarm,
        isolated=isolated,
        told_atc=told_atc,
        decided=decided,
        cover=covers,
        good_covered=tuple(gauge for gauge in at_end if gauge not in wrong or not wrong[gauge].any()),
        forecasts=forecasts,
        wrong_trust=trust,
        wrong_doubt=doubt,
        least_wrong_trust=bounds[0],
        most_wrong_trust=bounds[1],
        still_used=still_used,
        points=_points(
            simulation,
            followed,
            suspected=suspected,
            isolated=isolated,
            false_alarm=false_alarm,
            trusted=_trusted_share(trust, doubt, bounds, simulation, until),
            told_atc=told_atc,
            decided=decided,
        ),
    )


def _still_used(gauge: str, wrong: np.ndarray, calls: Sequence[Call], team: str, until: float) -> float:
    """Minutes in which a gauge misled and the team neither covered nor doubted it."""
    seconds = np.flatnonzero(wrong[: round(until * 60.0)]).tolist()
    return min_from_s(
        float(sum(used(calls, team, s / 60.0).get(gauge, Grade.USE) is Grade.USE for s in seconds))
    )


def _trusted_share(
    trust: float, doubt: float, bounds: tuple[float, float], simulation: Simulation, until: float
) -> float:
    """How well a team trusted, 0 to 1: 1 for covering at once whatever the engine would, 0 for nothing."""
    least, most = bounds
    if most > least:
        scale = most - least
    else:
        # nothing misleads: a primary instrument covered for the whole flight is as bad as it gets
        costs = {cost.grade: cost for cost in simulation.network.kb.grade_costs.values()}
        scale = costs[Grade.COVER].if_true * until
    return min(max(1.0 - (max(trust - least, 0.0) + doubt) / max(scale, 1e-9), 0.0), 1.0)


def _points(
    simulation: Simulation,
    followed: Followed,
    *,
    suspected: float | None,
    isolated: float | None,
    false_alarm: bool,
    trusted: float,
    told_atc: float | None,
    decided: float | None,
) -> dict[str, tuple[float, float]]:
    """Points by ``points.*`` of knowledge/flown.toml, for what counts in this scenario."""

    def worth(what: str) -> float:
        return float(simulation.sizes(f"points.{what}"))

    def soon(what: str, when: float | None, possible: float | None) -> tuple[float, float]:
        if when is None:
            return 0.0, worth(what)
        late = max(when - possible, 0.0) if possible is not None else 0.0
        return worth(what) * max(1.0 - late / worth("late_min"), 0.0), worth(what)

    found: dict[str, tuple[float, float]] = {}
    if followed.onset is None:
        found["noticed"] = (0.0 if false_alarm else worth("noticed"), worth("noticed"))
    else:
        found["noticed"] = soon("noticed", suspected, followed.suspected)
    if followed.isolated is not None or isolated is not None:
        found["named"] = soon("named", isolated, followed.isolated)
    found["trusted"] = (worth("trusted") * trusted, worth("trusted"))
    if followed.onset is not None:
        found["told_atc"] = (worth("told_atc") * (told_atc is not None), worth("told_atc"))
        found["decided"] = (worth("decided") * (decided is not None), worth("decided"))
        if false_alarm:
            found["false_alarm"] = (-worth("false_alarm"), 0.0)
    return found


def _all_named(call: Call, simulation: Simulation, alike: Alike) -> bool:
    """Whether a call explains everything that is there at its time."""
    there = simulation.active_at(min(round(call.minutes * 60.0), simulation.samples - 1))
    return alike.holds(call.what, there)
