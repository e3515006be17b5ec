"""Scenario files: found, read with every problem at once, written; and a scenario drawn at random."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from pathlib import Path

import msgspec
import numpy as np

from diagnose.knowledge.load import (
    KnowledgeBase,
    cases_root,
    record_problems,
    unknown_entries,
    unknown_name,
    without_defaults,
)
from diagnose.model import Failure, FailureKind, System
from diagnose.model.case import FailureEvent, Leg, ScenarioRecord, Start, leg_starts_min
from diagnose.model.errors import CaseError
from diagnose.model.files import escaped, toml_of, write_whole
from diagnose.network.engine import Engine
from diagnose.practice.known import LEVELS, Followed, follow
from diagnose.practice.simulate import FOLLOWED, filled_legs, simulate

#: longer than this nobody sits around a table for
LONGEST_MIN = 90.0
SHORTEST_LEG_MIN = 0.25
#: what the reasoner that judges scenarios can tell
MOST_FAILURES = 2


def scenario_paths() -> dict[str, Path]:
    """Shipped scenarios by name."""
    return {path.stem: path for path in sorted((cases_root() / "scenarios").glob("*.toml"))}


def scenario_path(name: str) -> Path:
    """The file of a scenario: a file, or a shipped one by its name. Raises CaseError, UnknownName."""
    shipped = scenario_paths()
    if "\0" not in name and Path(name).is_file():
        return Path(name)
    if name in shipped:
        return shipped[name]
    if Path(name).suffix or os.sep in name:
        raise CaseError(
            f"there is no file {name}", mend="check the path; shipped scenarios: diagnose scenario list"
        )
    raise unknown_name("scenario", name, shipped)


def load_scenario(name: str, kb: KnowledgeBase) -> ScenarioRecord:
    """Read a scenario by shipped name or by file. Raises CaseError with all that is wrong."""
    path = scenario_path(name)
    try:
        content = toml_of(path.read_bytes())
    except OSError as error:
        raise CaseError(f"the scenario cannot be read ({error.strerror})", str(path)) from None
    except UnicodeDecodeError:
        raise CaseError("this is not a scenario file: it is not text in UTF-8", str(path)) from None
    except ValueError as error:
        raise CaseError(f"the scenario file is not valid TOML ({error})", str(path)) from None
    problems = list(record_problems(content, ScenarioRecord))
    if not problems:
        scenario = msgspec.convert(content, ScenarioRecord)
        problems = scenario_problems(scenario, kb)
    if problems:
        raise CaseError("; ".join(problems), str(path), "correct what is named, and try again")
    return scenario


# ------------------------------------------------------------------ what makes no sense


def scenario_problems(scenario: ScenarioRecord, kb: KnowledgeBase) -> list[str]:
    """Everything in a scenario that the knowledge base, the panel or the flight does not allow."""
    problems = unknown_entries("context", scenario.context, kb.context)
    problems += unknown_entries("gauge", scenario.unseen, kb.gauges)
    problems += unknown_entries("quantity", scenario.sizes, (*kb.quantities, *kb.flown_quantities))
    problems += _leg_problems(scenario, kb)
    # what a leg flies is known only once its maneuver is
    if not problems:
        problems += _height_problems(scenario, kb)
    problems += _time_problems(scenario)
    problems += _number_problems(scenario)
    panel_unknown = unknown_entries("panel", (scenario.panel,), kb.panels)
    return [*problems, *(panel_unknown or _panel_problems(scenario, kb))]


def _leg_problems(scenario: ScenarioRecord, kb: KnowledgeBase) -> Iterator[str]:
    if not scenario.leg:
        yield "a scenario needs at least one [[leg]]"
    for number, leg in enumerate(scenario.leg, 1):
        for what in unknown_entries("maneuver", (leg.manoeuvre,), kb.manoeuvres):
            yield f"leg {number}: {what}"
        if not leg.minutes >= SHORTEST_LEG_MIN:
            yield f"leg {number}: minutes must be {SHORTEST_LEG_MIN:g} or more, not {leg.minutes:g}"
        if leg.airspeed_kt is not None and not 0.0 <= leg.airspeed_kt <= 190.0:
            yield f"leg {number}: airspeed_kt must lie between 0 and 190, not {leg.airspeed_kt:g}"
        if leg.rate_fpm is not None and not abs(leg.rate_fpm) <= 2000.0:
            yield f"leg {number}: rate_fpm must lie within 2000, not {leg.rate_fpm:g}"
        if leg.turn_dps is not None and not abs(leg.turn_dps) <= 10.0:
            yield f"leg {number}: turn_dps must lie within 10, not {leg.turn_dps:g}"


def _height_problems(scenario: ScenarioRecord, kb: KnowledgeBase) -> Iterator[str]:
    height_ft = scenario.start.altitude_ft
    for number, leg in enumerate(filled_legs(kb, scenario), 1):
        height_ft += (leg.rate_fpm or 0.0) * leg.minutes
        if height_ft < 0.0:
            yield f"leg {number}: the flight would end up {-height_ft:.0f} ft below the sea: start higher"
            return


def _time_problems(scenario: ScenarioRecord) -> Iterator[str]:
    end = leg_starts_min(scenario.leg)[-1]
    if not end <= LONGEST_MIN:
        yield f"the legs last {end:g} min together; {LONGEST_MIN:g} is the most"
    timed = [
        (kind, number, entry.at_minutes)
        for kind in ("failure", "action", "draught", "inject", "pause")
        for number, entry in enumerate(getattr(scenario, kind), 1)
    ]
    for kind, number, at in timed:
        if not 0.0 <= at <= end:
            yield f"{kind} {number}: at_minutes must lie between 0 and {end:g}, not {at:g}"
    for number, event in enumerate(scenario.failure, 1):
        if event.until_minutes is not None and not event.until_minutes > event.at_minutes:
            yield f"failure {number}: until_minutes must be later than at_minutes"
        if not (event.over_minutes > 0.0 and event.every_seconds > 0.0 and 0.0 < event.share <= 1.0):
            yield f"failure {number}: over_minutes and every_seconds must be above 0, share above 0 and at most 1"
    for number, draught in enumerate(scenario.draught, 1):
        if not (draught.minutes > 0.0 and abs(draught.fpm) <= 3000.0):
            yield f"draught {number}: minutes must be above 0 and fpm within 3000"
    pilot = scenario.pilot
    if not 0.0 <= pilot.from_minutes <= end or (
        pilot.to_minutes is not None and pilot.to_minutes < pilot.from_minutes
    ):
        yield "pilot: from_minutes and to_minutes must lie in the flight, in this order"


def _number_problems(scenario: ScenarioRecord) -> Iterator[str]:
    for name, value, low, high in (
        ("start: altitude_ft", scenario.start.altitude_ft, 0.0, 20000.0),
        ("start: heading_deg", scenario.start.heading_deg, 0.0, 360.0),
        ("turbulence", scenario.turbulence, 0.0, 1.0),
        ("altimeter_setting_inhg", scenario.altimeter_setting_inhg, 27.0, 32.0),
        ("latitude_deg", scenario.latitude_deg, -75.0, 75.0),
        ("minutes_since_start", scenario.minutes_since_start, 0.0, 1000.0),
    ):
        if not (math.isfinite(value) and low <= value <= high):
            yield f"{name} must lie between {low:g} and {high:g}, not {value:g}"


def _panel_problems(scenario: ScenarioRecord, kb: KnowledgeBase) -> Iterator[str]:
    panel = kb.panel(scenario.panel)
    on_panel = f"on the panel {panel.id}"
    possible = [f.id for f in kb.failures_of(panel.parts) if f.listed]
    for number, event in enumerate(scenario.failure, 1):
        for what in unknown_entries(f"failure {on_panel}", (event.id,), possible):
            yield f"failure {number}: {what}"
    for number, action in enumerate(scenario.action, 1):
        unknown = unknown_entries(f"switch {on_panel}", (action.switch,), panel.switches)
        for what in unknown or unknown_entries(
            f"position of {action.switch}", (action.position,), kb.switches[action.switch].positions
        ):
            yield f"action {number}: {what}"
    for switch, position in scenario.switches.items():
        unknown = unknown_entries(f"switch {on_panel}", (switch,), panel.switches)
        yield from unknown or unknown_entries(
            f"position of {switch}", (position,), kb.switches[switch].positions
        )
    if len({event.id for event in scenario.failure}) > MOST_FAILURES:
        yield f"more than {MOST_FAILURES} failures at once: nobody could sort them out"
    if scenario.pilot.follows:
        followed = [gauge for gauge in FOLLOWED if gauge in panel.gauges]
        for what in unknown_entries(f"instrument to follow {on_panel}", (scenario.pilot.follows,), followed):
            yield f"pilot: {what}"


# ------------------------------------------------------------------ writing


def dump_scenario(scenario: ScenarioRecord) -> str:
    """A scenario as the text of its file."""
    import tomli_w

    return escaped(tomli_w.dumps(without_defaults(scenario)))


def save_scenario(scenario: ScenarioRecord, path: Path, *, over: bool = False) -> None:
    """Write a scenario by ``files.write_whole``, ``over`` a file only if told to. Raises CaseError."""
    write_whole(lambda: dump_scenario(scenario), path, "scenario", over=over)


SYSTEMS = ("pitot", "static", "vacuum", "electrical", "instrument")
#: a bound on computer time and no statement about aircraft, so it stands here and not in the knowledge
MOST_DRAFTS = 100
#: in so many of the hard ones a second failure waits
SECOND_SHARE = 0.4
AIRFIELD = "Karelund"

#: flights: what is flown, the letters mean level, climb, descent, turns and changes of speed
PATTERNS = ("LCLTLD", "LTLCLD", "LDLTLC", "LSLCTL", "LCTLDL", "LDTLSL")
STEPS = {
    "L": ("level",),
    "C": ("climb", "climb_constant_rate"),
    "D": ("descent", "descent_constant_rate"),
    "T": ("left_turn", "right_turn"),
    "S": ("level_speeding_up", "level_slowing_down"),
}


def _legs(rng: np.random.Generator) -> tuple[Leg, ...]:
    legs = []
    for letter in str(rng.choice(PATTERNS)):
        minutes = 1.0 if letter in "TS" else float(rng.choice((1.5, 2.0, 2.5)))
        legs.append(Leg(manoeuvre=str(rng.choice(STEPS[letter])), minutes=minutes))
    return tuple(legs)


def _event(failure: Failure, rng: np.random.Generator, earliest: float, latest: float) -> FailureEvent:
    progression = {"sudden": "sudden", "gradual": "gradual"}.get(failure.onset)
    if progression is None:
        progression = str(rng.choice(("sudden", "gradual")))
    if failure.acting < 1.0:
        progression = "intermittent"
    begins = round(float(rng.uniform(earliest, latest)) * 4.0) / 4.0
    return FailureEvent(
        id=failure.id,
        at_minutes=begins if failure.begins_in_flight else 0.0,
        progression=progression if failure.begins_in_flight else "sudden",  # type: ignore[arg-type]
        over_minutes=float(rng.choice((1.0, 2.0, 3.0))),
        share=failure.acting if failure.acting < 1.0 else 0.6,
    )


def possible_failures(kb: KnowledgeBase, panel: str, system: str) -> tuple[Failure, ...]:
    """Failures of a system that a panel can have, that can be noticed and that happen at all."""
    return tuple(
        failure
        for failure in kb.failures_of(kb.panel(panel).parts)
        if failure.kind is FailureKind.FAILURE
        and failure.system is System(system)
        and not failure.silent
        and failure.listed
    )


def _draft(
    kb: KnowledgeBase, panel: str, system: str, level: str, rng: np.random.Generator
) -> ScenarioRecord:
    chosen = possible_failures(kb, panel, system)
    if not chosen:
        raise CaseError(
            f"the panel {panel} has nothing of the system {system} that could fail and be noticed"
        )
    first = chosen[int(rng.integers(len(chosen)))]
    legs = _legs(rng)
    failures = [_event(first, rng, 1.0, 3.0)]
    if level == LEVELS[-1] and rng.random() < SECOND_SHARE:
        every = [
            f
            for name in SYSTEMS
            for f in possible_failures(kb, panel, name)
            if not set(f.acts) & set(first.acts)
        ]
        failures.append(_event(every[int(rng.integers(len(every)))], rng, 2.0, 5.0))
    needs = sorted({flag for event in failures for flag in kb.failures[event.id].needs_conditions})
    return ScenarioRecord(
        title=f"Drawn scenario, {level}",
        panel=panel,
        briefing=f"A local flight out of {AIRFIELD}. Report what you see, what you think, and what you would do.",
        leg=legs,
        start=Start(
            altitude_ft=float(rng.choice((3000.0, 4000.0, 5000.0))),
            heading_deg=float(rng.integers(36)) * 10.0,
        ),
        failure=tuple(failures),
        context=tuple(needs),
        turbulence=float(rng.choice((0.1, 0.2, 0.4))),
        teaching=tuple(kb.failures[event.id].mechanism for event in failures),
        seed=int(rng.integers(1, 10_000)),
        source="drawn",
    )


def draw_scenario(
    kb: KnowledgeBase, engine: Engine, panel: str, system: str, level: str, seed: int
) -> tuple[ScenarioRecord, Followed]:
    """Draw a scenario of this difficulty. ``engine`` is the panel's.

    The same arguments give the same scenario. Raises CaseError if no draft of the level is found.
    """
    rng = np.random.default_rng([seed, LEVELS.index(level), sum(map(ord, system))])
    for _ in range(MOST_DRAFTS):
        scenario = _draft(kb, panel, system, level, rng)
        followed = follow(simulate(engine.network, scenario), engine)
        if followed.level == level and followed.suspected is not None:
            return scenario, followed
    raise CaseError(
        f"none of {MOST_DRAFTS} drafts on the panel {panel} with a {system} failure was {level}",
        mend="choose another system, difficulty or seed",
    )
