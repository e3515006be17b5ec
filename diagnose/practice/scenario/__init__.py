"""Scenarios: their files, what could have been known and when, how hard they are, and drawing one.

The flight itself is ``simulate``'s; the records are ``script``'s.
"""

from diagnose.practice.scenario.draw import SYSTEMS, draw_scenario
from diagnose.practice.scenario.files import (
    dump_scenario,
    load_scenario,
    save_scenario,
    scenario_path,
    scenario_paths,
    scenario_problems,
)
from diagnose.practice.scenario.known import (
    LEVELS,
    Alike,
    Followed,
    Known,
    follow,
    know_at,
    level_of,
    misleading,
    reasoner,
    true_state,
    unusual_from,
)

__all__ = [
    "LEVELS",
    "SYSTEMS",
    "Alike",
    "Followed",
    "Known",
    "draw_scenario",
    "dump_scenario",
    "follow",
    "know_at",
    "level_of",
    "load_scenario",
    "misleading",
    "reasoner",
    "save_scenario",
    "scenario_path",
    "scenario_paths",
    "scenario_problems",
    "true_state",
    "unusual_from",
]
