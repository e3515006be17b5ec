"""The state of a session and its transitions; the record that is kept of it.

Immutable: every step gives a new state. The clock is the scenario's own: it moves when the instructor
moves it, and a look costs some of it.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import get_args, get_type_hints

import msgspec
import numpy as np

from diagnose.advice.coverage import Alike
from diagnose.knowledge.load import KnowledgeBase, record_problems, unknown_name
from diagnose.language.switches import switched
from diagnose.model import AxisUse, Grade
from diagnose.model.case import Action, Asked, Call, ScenarioRecord, SessionRecord, Unread, scenario_mark
from diagnose.model.errors import CaseError
from diagnose.model.files import escaped, json_of
from diagnose.model.systems import System
from diagnose.model.units import min_from_s, s_from_min
from diagnose.network.engine import Engine
from diagnose.practice.known import Followed, Known, know_at, misleading
from diagnose.practice.scenarios import load_scenario, scenario_paths
from diagnose.practice.simulate import Simulation, simulate

KINDS: tuple[str, ...] = get_args(get_type_hints(Call)["kind"])
#: calls that name failures, and calls that say how a gauge is used from then on
NAMING: tuple[str, ...] = ("suspect", "isolate")
USING = {"cover": Grade.COVER, "doubt": Grade.VERIFY, "trust": Grade.USE, "uncover": Grade.USE}
#: a system can be suspected as well
SYSTEMS = tuple(system.value for system in System)


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A session under way at ``minutes`` of its scenario; ``covered`` are the gauges now covered.

    ``simulation``: the flight with what was decided about switches until now.
    """

    scenario: ScenarioRecord
    simulation: Simulation
    teams: tuple[str, ...]
    minutes: float = 0.0
    calls: tuple[Call, ...] = ()
    looks: tuple[Asked, ...] = ()
    unread: tuple[Unread, ...] = ()

    @property
    def end(self) -> float:
        """Minute at which the flight ends."""
        return min_from_s(float(self.simulation.samples))

    @property
    def over(self) -> bool:
        """Whether the flight has ended."""
        return self.minutes >= self.end

    @property
    def covered(self) -> tuple[str, ...]:
        """Gauges that every team has covered: with one team, that team's."""
        return self.used_as(Grade.COVER)

    def used_as(self, grade: Grade) -> tuple[str, ...]:
        """Gauges that every team now uses in this way."""
        kept = [used(self.calls, team, self.minutes) for team in self.teams]
        return tuple(g for g, how in kept[0].items() if how is grade and all(o.get(g) is grade for o in kept))

    @property
    def record(self) -> SessionRecord:
        """The session so far as its record."""
        return SessionRecord(
            scenario=self.scenario.title,
            mark=scenario_mark(self.scenario),
            teams=self.teams,
            minutes=round(self.minutes, 3),
            calls=self.calls,
            looks=self.looks,
            unread=self.unread,
        )


def used(calls: Sequence[Call], team: str, minutes: float) -> dict[str, Grade]:
    """How a team uses the gauges at a time: covered, with doubt, or after that trusted again."""
    return {
        gauge: USING[one.kind]
        for one in sorted(calls, key=lambda one: one.minutes)
        if one.team == team and one.minutes <= minutes and one.kind in USING
        for gauge in one.what
    }


# ------------------------------------------------------------------ decisions that change the flight


def switch_decided(said: Call, simulation: Simulation) -> Action | None:
    """The switch that a decision moves: at the next step of the clock. None for one that moves none."""
    if said.kind != "decide":
        return None
    network = simulation.network
    panel = network.kb.panel(network.panel.id)
    for clause in re.split(r"[,;.]|\b(?:and|then)\b", " ".join(said.what)):
        try:
            found = switched(re.sub(r"^\s*to\b", "", clause), network.kb, panel)
        except CaseError:
            continue
        if found is not None:
            step = simulation.sizes("table.step_s")
            # a time with three digits may lie a little after the step that it means
            at = math.ceil(s_from_min(said.minutes) / step - 1e-3) * step
            return Action(at_minutes=min_from_s(at), switch=found.switch, position=found.position)
    return None


def as_decided(simulation: Simulation, calls: Sequence[Call]) -> Simulation:
    """The flight with what was decided about switches. There is one aircraft: any team's decision moves it."""
    scenario = simulation.scenario
    end = min_from_s(float(simulation.samples))
    moved = [
        found for call in calls if (found := switch_decided(call, simulation)) and found.at_minutes < end
    ]
    if not moved:
        return simulation
    return simulate(simulation.network, msgspec.structs.replace(scenario, action=(*scenario.action, *moved)))


def start(simulation: Simulation, teams: Sequence[str] = ("team",)) -> Table:
    """Begin a session. Raises CaseError for teams with the same name."""
    if not teams or len({t.casefold() for t in teams}) < len(teams) or any(not t.strip() for t in teams):
        raise CaseError("the teams need different names", mend="--team red --team blue")
    return Table(scenario=simulation.scenario, simulation=simulation, teams=tuple(teams))


def advance(table: Table, seconds: float) -> Table:
    """Let time go on, to the end of the flight at most. Raises CaseError for a time below zero."""
    if not seconds >= 0.0:
        raise CaseError("time cannot go back", mend="go 60")
    return replace(table, minutes=min(table.minutes + min_from_s(seconds), table.end))


def look(table: Table, team: str, gauge: str) -> Table:
    """A team asks for a gauge: it costs time, and is seen as it stands then. Raises UnknownName."""
    _known_team(table, team)
    gauges = table.simulation.network.dial_gauges
    if gauge not in gauges:
        raise unknown_name("gauge on this panel", gauge, gauges)
    later = advance(table, table.simulation.sizes("table.look_s"))
    return replace(
        later, looks=(*table.looks, Asked(minutes=round(later.minutes, 3), team=team, gauge=gauge))
    )


def call(
    table: Table,
    team: str,
    kind: str,
    what: Sequence[str] = (),
    sure: float = 1.0,
    minutes: float | None = None,
) -> Table:
    """Record a call of a team, now or at an earlier minute. Raises CaseError, UnknownName."""
    _known_team(table, team)
    if kind not in KINDS:
        raise unknown_name("call", kind, KINDS)
    network = table.simulation.network
    systems = SYSTEMS if kind == "suspect" else ()
    known = [*(f.id for f in network.failures), *systems] if kind in NAMING else network.dial_gauges
    if kind in NAMING or kind in USING:
        if kind in USING and not what:
            raise CaseError(f"{kind} which gauge?", mend=f"{kind} attitude")
        for name in what:
            if name not in known:
                raise unknown_name(
                    "failure on this panel" if kind in NAMING else "gauge on this panel", name, known
                )
    if not 0.0 <= sure <= 1.0:
        raise CaseError(f"how sure must be between 0 and 100 percent, not {sure * 100:g}")
    at = table.minutes if minutes is None else minutes
    if not 0.0 <= at <= table.minutes:
        raise CaseError("a call cannot be later than now", mend="give the time when it was said")
    said = Call(minutes=round(at, 3), team=team, kind=kind, what=tuple(what), sure=sure)  # type: ignore[arg-type]
    calls = (*table.calls, said)
    if switch_decided(said, table.simulation) is None:
        return replace(table, calls=calls)
    again = msgspec.structs.replace(table.simulation.scenario, action=table.scenario.action)
    return replace(
        table, calls=calls, simulation=as_decided(replace(table.simulation, scenario=again), calls)
    )


def not_understood(table: Table, team: str, text: str) -> Table:
    """Keep a line that could not be carried out, so that no call is lost. ``team``: "" if it named none."""
    return replace(
        table, unread=(*table.unread, Unread(minutes=round(table.minutes, 3), team=team, text=text))
    )


def _known_team(table: Table, team: str) -> None:
    if team not in table.teams:
        raise unknown_name("team", team, table.teams)


# ------------------------------------------------------------------ records


def write_session(record: SessionRecord) -> str:
    """The record as the text of its file (JSON, as the page in the browser writes it)."""
    return escaped(json.dumps(msgspec.to_builtins(record), ensure_ascii=False, indent=1)) + "\n"


def scenario_held(path: Path, kb: KnowledgeBase) -> str:
    """The scenario that a session was held with, by the record alone: a shipped one, or a file beside the record.

    Raises CaseError if the record cannot be read or none of these scenarios is the one.
    """
    record = _record(path)
    beside = [str(file) for file in sorted(path.parent.glob("*.toml"))]
    for name in (*scenario_paths(), *beside):
        try:
            found = scenario_mark(load_scenario(name, kb)) == record.mark
        except CaseError:
            continue
        if found:
            return name
    raise CaseError(
        f"its scenario, {record.scenario!r}, is no shipped one and does not lie in the folder of the record",
        str(path),
        f"name the scenario's file as well: diagnose debrief FILE {path.name}",
    )


def read_session(path: Path, scenario: ScenarioRecord) -> SessionRecord:
    """Read a session's record, of this very scenario. Raises CaseError with all that is wrong."""
    record = _record(path)
    if record.mark != scenario_mark(scenario):
        raise CaseError(
            f"this session was held with another scenario ({record.scenario!r}), or the scenario was changed since",
            str(path),
            "score it with the scenario file that it was held with",
        )
    strangers = sorted({c.team for c in record.calls} - set(record.teams))
    if strangers:
        raise CaseError(f"calls of unknown teams: {', '.join(strangers)}", str(path))
    return record


def _record(path: Path) -> SessionRecord:
    try:
        content = json_of(path.read_bytes())
    except OSError as error:
        raise CaseError(f"the record cannot be read ({error.strerror})", str(path)) from None
    except ValueError as error:
        raise CaseError(f"this is not a session record ({error})", str(path)) from None
    problems = (
        list(record_problems(content, SessionRecord))
        if isinstance(content, dict)
        else ["it holds no session"]
    )
    if problems:
        raise CaseError("; ".join(problems), str(path))
    return msgspec.convert(content, SessionRecord)


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
    still_used = {gauge: _still_used(gauge, wrong[gauge], calls, team, until) for gauge in covers}
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
