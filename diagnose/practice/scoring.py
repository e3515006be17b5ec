"""What a session's record is worth: calls against what was so, what could be known, and what misled."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

import msgspec
import networkx as nx
import numpy as np

from diagnose.advice.coverage import Alike
from diagnose.model import AxisUse, Grade
from diagnose.model.case import Call, SessionRecord
from diagnose.model.units import min_from_s, s_from_min
from diagnose.network.engine import Engine
from diagnose.network.graph import lines_of
from diagnose.practice.known import Followed, Known, hanging, know_at, misleading
from diagnose.practice.simulate import Simulation, simulate
from diagnose.practice.tabletop import NAMING, SYSTEMS, USING, switch_decided, used

#: a forecast of 0 or 1 that turns out wrong would cost without end
SURELY = 0.99


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """A call that named failures with a chance; ``true`` if all of them, or ones alike, were there.

    ``engine`` is the chance that the engine gave the same statement then, ``something`` that anything was
    wrong, ``kin`` that of the systems of what was named. Scores: Brier (square of what
    is missing, 0 best) and log (bits, 0 best).
    """

    call: Call
    true: bool
    engine: float
    something: float = 0.0
    kin: float = 0.0

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
    ``possible``: when it could have been noticed and named, by the engine at the team's own calls as well.
    ``decided_in_vain``: only about switches that have no part in the failure. ``blamed_wrong``: the credited suspicion was of a system that was sound. ``named_as``: the call that named it best. ``set_right``: the decision that put instruments right.
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
    possible: tuple[float | None, float | None] = (None, None)
    named_as: Call | None = None
    set_right: Call | None = None
    blamed_wrong: bool = False
    decided_in_vain: bool = False

    @property
    def total(self) -> float:
        """Points of 100, whatever counts in this session; 0 where nothing does."""
        reached = sum(points for points, _ in self.points.values())
        return max(0.0, 100.0 * reached / max(sum(most for _, most in self.points.values()), 1e-9))

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
    if len(named) == 1 and named[0] in known.chance:
        return known.chance[named[0]]
    return sum(chance for members, chance in known.ranking if _holds(members, named, alike))


def _holds(members: Sequence[str], named: Sequence[str], alike: Alike) -> bool:
    """Whether these failures hold all that was named: failures, ones alike, or one of a family or a system."""
    return all(any(_is(name, failure, alike) for failure in members) for name in named)


def _is(name: str, failure: str, alike: Alike) -> bool:
    """Whether a name that was called is right of a failure: its own, one that covers it, its family's or its system's."""
    kb = alike.network.kb
    if name in SYSTEMS:
        return kb.failures[failure].system.value == name
    if name in kb.families:
        return failure in kb.families[name].members
    return alike.covers(failure, name)


def _forecast(call: Call, simulation: Simulation, engine: Engine, alike: Alike) -> Forecast:
    known = know_at(simulation, engine, call.minutes, alike)
    true = _holds(known.truth, call.what, alike) if call.what else not known.truth
    chance = _chance_of(known, alike, call.what)
    kin = max(chance, _chance_of(known, alike, systems_of(call.what, simulation)))
    return Forecast(call=call, true=true, engine=chance, something=known.something, kin=kin)


def systems_of(named: Sequence[str], simulation: Simulation) -> tuple[str, ...]:
    """The systems of what was named."""
    kb = simulation.network.kb
    failures = (kb.families[name].members[0] if name in kb.families else name for name in named)
    return tuple(dict.fromkeys(f if f in SYSTEMS else kb.failures[f].system.value for f in failures))


def _exactness(call: Call, simulation: Simulation, alike: Alike) -> float:
    """How exactly a call names all that is there at its time, 0 to 1: ``points.*_share`` of knowledge/flown.toml.

    A cause of the right family counts as the family does: pilots name both in one breath.
    """
    kb, sizes = simulation.network.kb, simulation.sizes
    there = _there(simulation, call)
    family = {member: record.members for record in kb.families.values() for member in record.members}

    def share(name: str, failure: str) -> float:
        if name in kb.failures and alike.covers(name, failure):
            return 1.0
        if name in family.get(failure, ()) or (name in kb.families and _is(name, failure, alike)):
            return sizes("points.family_share")
        return sizes("points.system_share") * (name in SYSTEMS and _is(name, failure, alike))

    if not there or not call.what:
        exact = float(not there and not call.what)
    else:
        exact = min(max(share(name, failure) for name in call.what) for failure in there)
    return exact * (sizes("points.suspect_share") if call.kind == "suspect" else 1.0)


def _there(simulation: Simulation, call: Call) -> tuple[str, ...]:
    """What has failed at the time of a call."""
    return simulation.active_at(min(round(s_from_min(call.minutes)), simulation.samples - 1))


def _set_right(calls: Sequence[Call], simulation: Simulation) -> Call | None:
    """The first decision about a switch after which the instruments mislead for a shorter time; None if none does."""
    for call in calls:
        moved = switch_decided(call, simulation)
        if moved is None or moved not in simulation.scenario.action:
            continue
        others = tuple(action for action in simulation.scenario.action if action != moved)
        without = simulate(simulation.network, msgspec.structs.replace(simulation.scenario, action=others))
        if _misled_s(simulation) < _misled_s(without):
            return call
    return None


def concerns(call: Call, simulation: Simulation, failures: Sequence[str]) -> bool:
    """Whether a decision can bear on what failed: one about a switch must feed a gauge that hangs on it."""
    moved = switch_decided(call, simulation)
    network = simulation.network
    cures = [network.kb.failures[name].cured_by for name in failures]
    if moved is None or any(cure is not None and cure.switch == moved.switch for cure in cures):
        return True
    lines = lines_of(network.kb, network.panel.id)
    fed = {source.id for source in network.kb.sources.values() if any(moved.switch in rule.when for rule in source.rules)}
    reached = {node[1] for source in fed & set(lines) for node in nx.descendants(lines, source) if isinstance(node, tuple)}
    return bool(reached & set(hanging(simulation, failures)))


def _misled_s(simulation: Simulation) -> int:
    return sum(int(wrong.sum()) for wrong in misleading(simulation).values())


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
    spoilt: Collection[str] = (),
    onset: float | None = None,
) -> tuple[float, float]:
    """Cost of trusting a bad gauge and of wrong doubt over the flight, in looks.

    To doubt a gauge of ``spoilt``, which hang on what has failed, costs nothing from the onset on: who sees that
    the suction is gone covers both gyros at once, while they still coast.
    """
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
            elif grade is not Grade.USE and not (gauge in spoilt and onset is not None and sample >= s_from_min(onset)):
                false_doubt += grades[grade].if_true * weight * minutes
    return false_trust, false_doubt


def score(
    simulation: Simulation, engine: Engine, followed: Followed, record: SessionRecord
) -> tuple[TeamScore, ...]:
    """Score every team of a session."""
    alike = Alike(engine.network)
    wrong = misleading(simulation)
    spoilt = hanging(simulation, followed.truth)

    located = _located(simulation, followed)

    def engine_covers(minutes: float) -> dict[str, Grade]:
        known = followed.at(minutes)
        doubted = [g for g, true in known.trust.items() if true < 0.5] if known else []
        # a system that is known to have failed spoils all that hangs on it
        named = located is not None and minutes >= located
        return dict.fromkeys([*doubted, *(spoilt if named else ())], Grade.COVER)

    least, _ = _costs(simulation, wrong, engine_covers, record.minutes)
    most, _ = _costs(simulation, wrong, lambda minutes: {}, record.minutes)
    found = []
    for team in record.teams:
        calls = sorted((c for c in record.calls if c.team == team), key=lambda c: c.minutes)
        found.append(
            _score_team(
                team, calls, simulation, engine, followed, alike, wrong, record.minutes, (least, most), spoilt
            )
        )
    return tuple(found)


def _located(simulation: Simulation, followed: Followed) -> float | None:
    """When the system that failed was as good as certain; None for never."""
    kb, enough = simulation.network.kb, simulation.sizes("known.isolated")
    systems = set(systems_of(followed.truth, simulation))
    for known in followed.known:
        chance = sum(share for members, share in known.ranking if systems <= {kb.failures[m].system.value for m in members})
        if followed.onset is not None and known.minutes > followed.onset and chance >= enough:
            return known.minutes
    return followed.isolated


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
    spoilt: Sequence[str],
) -> TeamScore:
    forecasts = tuple(_forecast(c, simulation, engine, alike) for c in calls if c.kind in NAMING)
    onset, network = followed.onset, simulation.network
    naming = [f.call for f in forecasts]
    set_right = _set_right(calls, simulation) if onset is not None else None
    if set_right is not None:
        # who moves the switch that helps has said with it what he suspects
        failures = [network.kb.failures[name] for name in _there(simulation, set_right)]
        systems = tuple(dict.fromkeys(failure.system.value for failure in failures))
        naming.append(msgspec.structs.replace(set_right, kind="isolate", what=systems, sure=1.0))
    # a suspicion is one from the onset on; one before that is a false alarm
    suspicions = sorted(c.minutes for c in naming if c.what)
    noticing = [c for c in naming if c.what and onset is not None and c.minutes >= onset]
    after = [c.minutes for c in noticing]
    named = [c for c in naming if (onset is None) == (not c.what) and c.minutes >= (onset or 0.0)]
    limits = {what: simulation.sizes(f"known.{what}") for what in ("suspected", "isolated")}
    best, exact = _best_named(named, followed.isolated, simulation, alike)
    possible = (
        _earliest(followed.suspected, [f.call.minutes for f in forecasts if f.call.minutes in after and f.something >= limits["suspected"]]),
        _earliest(followed.isolated, [f.call.minutes for f in forecasts if f.call is best and f.kin >= limits["isolated"]]),
    )  # fmt: skip
    covers = {}
    for gauge, misleads in wrong.items():
        if misleads.any():
            began = min_from_s(float(np.argmax(misleads)))
            when = next((c.minutes for c in calls if c.kind == "cover" and gauge in c.what), None)
            covers[gauge] = (began, when)
    trust, doubt = _costs(simulation, wrong, lambda minutes: used(calls, team, minutes), until, spoilt, onset)
    at_end = [gauge for gauge, grade in used(calls, team, until).items() if grade is Grade.COVER]
    still_used = {gauge: _still_used(gauge, wrong[gauge], calls, team, until) for gauge in covers}
    # who sees that something is wrong and blames another system has noticed, and is worth less
    blamed = {
        call.minutes: bool(set(systems_of(call.what, simulation)) & set(systems_of(followed.truth, simulation)))
        for call in reversed(noticing)
    }
    share = {when: 1.0 if right else simulation.sizes("points.wrong_system_share") for when, right in blamed.items()}
    suspected = min(share, default=None)
    credited = max(share, key=lambda when: share[when] * _in_time(when, possible[0], simulation), default=None)
    isolated = best.minutes if best else None
    spoiled = set(spoilt) if onset is not None and onset <= until else set()
    good_covered = tuple(g for g in at_end if g not in spoiled and not (g in wrong and wrong[g].any()))
    told_atc = _first(calls, "tell_atc")
    deciding = [c for c in calls if (c.kind == "decide" and concerns(c, simulation, followed.truth)) or (c.kind == "tell_atc" and c.what)]
    decided = deciding[0].minutes if deciding else None
    misled = any(bool(array[: round(s_from_min(until))].any()) for array in wrong.values())
    handled = any(c.kind in USING for c in calls)
    false_alarm = bool(suspicions) and (onset is None or suspicions[0] < onset)
    return TeamScore(
        team=team,
        suspected=suspected,
        false_alarm=false_alarm,
        isolated=isolated,
        told_atc=told_atc,
        decided=decided,
        cover=covers,
        good_covered=good_covered,
        forecasts=forecasts,
        wrong_trust=trust,
        wrong_doubt=doubt,
        least_wrong_trust=bounds[0],
        most_wrong_trust=bounds[1],
        still_used=still_used,
        possible=possible,
        named_as=best,
        blamed_wrong=credited is not None and not blamed[credited],
        set_right=set_right,
        decided_in_vain=decided is None and any(c.kind == "decide" for c in calls),
        points=_points(
            simulation,
            followed.onset,
            possible,
            until=until,
            suspected=credited,
            suspected_share=share[credited] if credited is not None else 0.0,
            isolated=isolated,
            exact=exact,
            false_alarm=false_alarm,
            gauges_count=onset is None or handled or (misled and bounds[1] > bounds[0]),
            trusted=_trusted_share(trust, doubt, bounds, simulation, until),
            good_covered=len(good_covered),
            told_atc=told_atc,
            decided=decided,
        ),
    )


def _earliest(known: float | None, times: Sequence[float]) -> float | None:
    """The earliest of these times; None if there is none."""
    return min([*times, *([] if known is None else [known])], default=None)


def _best_named(
    named: Sequence[Call], possible: float | None, simulation: Simulation, alike: Alike
) -> tuple[Call | None, float]:
    """The call that is worth most as a name for all that is there, and how exact it is; (None, 0) if none is right."""

    def worth(call: Call) -> tuple[float, float]:
        exact = _exactness(call, simulation, alike)
        return exact * _in_time(call.minutes, possible, simulation), exact

    best = max(named, key=worth, default=None)
    exact = _exactness(best, simulation, alike) if best else 0.0
    return (best, exact) if exact else (None, 0.0)


def _in_time(when: float, possible: float | None, simulation: Simulation) -> float:
    """What is left at a time of what could be had from ``possible`` on, 0 to 1."""
    late = max(when - possible, 0.0) if possible is not None else 0.0
    return max(1.0 - late / float(simulation.sizes("points.late_min")), 0.0)


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
    onset: float | None,
    possible: tuple[float | None, float | None],
    *,
    until: float,
    suspected: float | None,
    suspected_share: float,
    isolated: float | None,
    exact: float,
    false_alarm: bool,
    gauges_count: bool,
    trusted: float,
    good_covered: int,
    told_atc: float | None,
    decided: float | None,
) -> dict[str, tuple[float, float]]:
    """Points by ``points.*`` of knowledge/flown.toml, for what could be done until the session ended."""
    if onset is not None and onset > until:
        # nothing has failed yet
        return {"false_alarm": (-float(simulation.sizes("points.false_alarm")), 0.0)} if false_alarm else {}

    def worth(what: str) -> float:
        return float(simulation.sizes(f"points.{what}"))

    def soon(what: str, when: float | None, since: float | None, share: float = 1.0) -> tuple[float, float]:
        reached = 0.0 if when is None else worth(what) * share * _in_time(when, since, simulation)
        return reached, worth(what)

    found: dict[str, tuple[float, float]] = {}
    if onset is None:
        found["noticed"] = (0.0 if false_alarm else worth("noticed"), worth("noticed"))
    else:
        found["noticed"] = soon("noticed", suspected, possible[0], suspected_share)
    if isolated is not None or (possible[1] is not None and possible[1] <= until):
        found["named"] = soon("named", isolated, possible[1], exact)
    if gauges_count:
        kept = max(worth("trusted") * trusted - worth("good_covered") * good_covered, 0.0)
        found["trusted"] = (kept, worth("trusted"))
    if onset is not None:
        found["told_atc"] = (worth("told_atc") * (told_atc is not None), worth("told_atc"))
        found["decided"] = (worth("decided") * (decided is not None), worth("decided"))
        if false_alarm:
            found["false_alarm"] = (-worth("false_alarm"), 0.0)
    return found
