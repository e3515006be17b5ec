"""The state of a session and its transitions; the record that is kept of it.

Immutable: every step gives a new state. The clock is the scenario's own: it moves when the instructor
moves it, and a look costs some of it.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import get_args, get_type_hints

import msgspec

from diagnose.knowledge.load import KnowledgeBase, record_problems, unknown_name
from diagnose.language.switches import Switched, switched
from diagnose.model import Grade, Panel
from diagnose.model.case import Action, Asked, Call, ScenarioRecord, SessionRecord, Unread, scenario_mark
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.model.files import escaped, json_of
from diagnose.model.systems import System
from diagnose.model.units import min_from_s, s_from_min
from diagnose.practice.scenarios import load_scenario, scenario_paths
from diagnose.practice.simulate import Simulation, simulate

KINDS: tuple[str, ...] = get_args(get_type_hints(Call)["kind"])
#: calls that name failures, and calls that say how a gauge is used from then on
NAMING: tuple[str, ...] = ("suspect", "isolate")
USING = {"cover": Grade.COVER, "doubt": Grade.VERIFY, "trust": Grade.USE, "uncover": Grade.USE}
#: a system can be named as well, and a family of failures (``KnowledgeBase.families``)
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


def _switch_meant(clause: str, kb: KnowledgeBase, panel: Panel) -> Switched | None:
    try:
        return switched(clause, kb, panel)
    except CaseError:
        return None


def switch_decided(said: Call, simulation: Simulation) -> Action | None:
    """The switch that a decision moves: at the next step of the clock. None for one that moves none."""
    if said.kind != "decide":
        return None
    network = simulation.network
    panel = network.kb.panel(network.panel.id)
    for clause in re.split(r"[,;.]|\b(?:and|then)\b", " ".join(said.what)):
        # "opens the alternate static" is said of who does it, "alternate static open" of how it is to stand
        asked = re.sub(r"^\s*(?:to\s+)?(?:(open|close|turn|select|set|put)s?\b)?", r"\1", clause)
        *rest, last = asked.split() or [""]
        found = next(filter(None, (_switch_meant(way, network.kb, panel) for way in (asked, " ".join([last, *rest])))), None)
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


def seconds_of(text: str) -> float:
    """Seconds of "60", "5 minutes" or "1:30". Raises CaseError."""
    if found := re.fullmatch(r"(\d+):(\d\d)", text):
        return 60.0 * int(found[1]) + int(found[2])
    found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(s|sec|seconds?|m|min|minutes?)?", text)
    if not found:
        raise CaseError("go how far?", mend="go 60 (seconds), go 5 minutes or go 1:30")
    return float(found[1]) * (60.0 if (found[2] or "s").startswith("m") else 1.0)


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
    causes = [*(f.id for f in network.failures), *SYSTEMS, *network.kb.families]
    known = causes if kind in NAMING else network.dial_gauges
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


#: bytes; a larger file is no scenario
LARGEST_SCENARIO = 100_000


def scenario_held(path: Path, kb: KnowledgeBase) -> str:
    """The scenario that a session was held with, by the record alone: a shipped one, or a file beside the record.

    Raises CaseError if the record cannot be read or none of these scenarios is the one.
    """
    record = _record(path)
    others = [file for file in path.parent.iterdir() if file.is_file() and file != path and file.suffix != ".json"]
    small = [file for file in others if file.stat().st_size <= LARGEST_SCENARIO]
    beside = [str(file) for file in sorted(small, key=lambda file: (file.suffix != ".toml", file.name))]
    for name in (*scenario_paths(), *beside):
        try:
            found = scenario_mark(load_scenario(name, kb)) == record.mark
        except DiagnoseError:
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
