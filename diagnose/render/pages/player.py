"""The page that plays a scenario: one HTML file in which the panel moves, and calls are recorded.

The page holds how every moving part of the picture stands at each second, worked out here by the same
``movements`` that draw the still pictures; the script only puts the parts there. What fails is not in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

import numpy as np

from diagnose.model.case import scenario_mark
from diagnose.model.units import min_from_s
from diagnose.practice.simulate import Simulation, shown_histories, state_at
from diagnose.render.pages.page import data_script, heading, page, paragraph, part
from diagnose.render.pages.papers import seen_gauges, sound_plumbing
from diagnose.render.pages.timeline import clock, events, known_names
from diagnose.render.pictures import Movement, covered_svg, lone_svg, movements, panel_halves, shown_dials
from diagnose.render.text import names

#: calls that the page takes, with what is said of them
CALLS = (
    ("suspect", "Suspect"),
    ("isolate", "Name it"),
    ("cover", "Cover"),
    ("uncover", "Uncover"),
    ("tell_atc", "Tell ATC"),
    ("decide", "Decide"),
)


def _whole_turns(values: list[float]) -> list[float]:
    """Angles without jumps of a whole turn, so that what lies between two seconds is the short way."""
    return [round(float(v), 1) for v in np.degrees(np.unwrap(np.radians(values))).tolist()]


def _track(stands: list[Movement]) -> dict[str, Any]:
    """One part's standing at every second. Words and switches change rarely: only changes are kept."""
    how = stands[0].how
    if how in ("write", "show"):
        said: list[tuple[int, str | float]] = []
        for second, stand in enumerate(stands):
            value = stand.text if how == "write" else (stand.values[0] if stand.values else 0.0)
            if not said or said[-1][1] != value:
                said.append((second, value))
        return {"how": how, "changes": said}
    known = [stand.values or (0.0,) * (2 if how == "horizon" else 1) for stand in stands]
    first = [values[0] for values in known]
    track: dict[str, Any] = {"how": how}
    if how == "slide":
        # a strip slides to and fro; it does not turn
        track["values"] = [round(value, 1) for value in first]
    else:
        track["values"] = _whole_turns(first)
    if how == "horizon":
        track["second"] = [round(values[1], 1) for values in known]
    return track


def tracks_of(
    simulation: Simulation, gauges: Sequence[str], seconds: Sequence[int] | None = None
) -> dict[str, dict[str, Any]]:
    """How every moving part of these gauges stands at each second, or at these seconds of the flight."""
    kb = simulation.network.kb
    shown = shown_histories(simulation)
    lists = {name: values.tolist() for name, values in shown.items()}
    chosen = range(simulation.samples) if seconds is None else seconds
    states = [{name: values[k] for name, values in lists.items()} for k in chosen]
    tracks = {}
    for dial in shown_dials(kb.dials, gauges):
        stands = [movements(dial, state) for state in states]
        for place, first in enumerate(stands[0]):
            tracks[first.part] = _track([stand[place] for stand in stands])
        for place, hand in enumerate(dial.hands):
            if hand.points and hand.shape != "wings":
                # the pegs of a needle, which it does not swing over
                tracks[f"{dial.id}-hand{place}"]["stops"] = [hand.points[0][1], hand.points[-1][1]]
    return tracks


def play_data(simulation: Simulation, teams: tuple[str, ...]) -> dict[str, Any]:
    """What the script needs: the tracks, what is said when, and what can be called. No answers."""
    kb, network = simulation.network.kb, simulation.network
    scenario = simulation.scenario
    flown = [kb.manoeuvres[leg.manoeuvre].name for leg in simulation.plan.legs]
    changes = [0, *(np.flatnonzero(np.diff(simulation.plan.leg_of)) + 1).tolist()]
    return {
        "scenario": scenario.title,
        "mark": scenario_mark(scenario),
        "teams": list(teams),
        "seconds": simulation.samples,
        "look_s": simulation.sizes("table.look_s"),
        "tracks": tracks_of(simulation, network.panel.gauges),
        "says": [[at, says] for at, says in events(scenario, known_names(simulation), answers=False)],
        "legs": [[k, flown[int(simulation.plan.leg_of[k])]] for k in changes],
        "gauges": {gauge: kb.gauges[gauge].name for gauge in network.panel.gauges if gauge in kb.dials},
        "unseen": [gauge for gauge in scenario.unseen if gauge in network.panel.gauges and gauge in kb.dials],
        "failures": {failure.id: names(kb, (failure.id,)) for failure in network.failures},
    }


def _buttons() -> str:
    plays = (
        '<button id="play" title="space">Play</button>'
        '<button id="back" title="left arrow">-10 s</button><button id="step" title="right arrow">+1 s</button>'
        '<label>Speed <select id="speed"><option>1</option><option>2</option><option>5</option>'
        "<option>10</option><option>60</option></select></label>"
        '<span id="clock" role="timer">0:00</span> <output id="leg"></output>'
    )
    return f'<div class="bar screen">{plays}</div><p id="said" class="says" role="status" aria-live="polite"></p>'


def _call_form() -> str:
    kinds = "".join(f'<option value="{kind}">{escape(words)}</option>' for kind, words in CALLS)
    return (
        '<form id="form" class="bar screen"><label>Team <select id="team"></select></label>'
        f'<label>Call <select id="kind">{kinds}</select></label>'
        '<label id="failure-box">What <select id="failure" multiple size="4"></select></label>'
        '<label id="gauge-box">Gauge <select id="gauge"></select></label>'
        '<label id="words-box">Words <input id="words" size="30"></label>'
        '<label id="sure-box">Sure, percent <input id="sure" type="number" min="0" max="100" value="60"></label>'
        '<button id="call">Record</button></form>'
        '<div class="bar screen" id="look-box"><label>Look at <select id="look"></select></label>'
        '<button id="look-now">Look (costs time)</button><span id="looked"></span></div>'
        '<div class="bar screen"><button id="undo">Undo the last call</button>'
        '<button id="save">Download the record</button></div>'
        '<table id="calls"><thead><tr><th>min</th><th>team</th><th>call</th></tr></thead><tbody></tbody></table>'
    )


def player_page(simulation: Simulation, teams: tuple[str, ...] = ("team",)) -> str:
    """The page that plays. Space plays and pauses, arrows step, a click covers a dial (1 to 6 as well)."""
    kb, scenario = simulation.network.kb, simulation.scenario
    gauges = tuple(g for g in simulation.network.panel.gauges if g in kb.dials)
    in_view = seen_gauges(simulation)
    now = state_at(simulation, 0.0)
    picture = "".join(panel_halves(now, kb.dials, in_view))
    others = [dial for dial in shown_dials(kb.dials, gauges) if dial.id not in in_view]
    aside = "".join(
        f'<div class="aside" data-aside="{dial.id}" hidden>{lone_svg(now, kb.dials, dial.id, key="a-")}</div>'
        for dial in others
    )
    covers = {dial.id: covered_svg(dial) for dial in shown_dials(kb.dials, gauges)}
    body = [
        heading(1, scenario.title),
        paragraph(scenario.briefing),
        paragraph(
            f"{clock(min_from_s(float(simulation.samples)))} of flight. Keys: space plays and pauses, arrows step, "
            "1 to 6 cover and uncover the six dials, C goes to the calls.",
            "quiet screen",
        ),
        _buttons(),
        f'<div id="panel"><div class="halves">{picture}</div>{aside}</div>',
        heading(2, "Calls"),
        _call_form(),
        f"<details><summary>Plumbing of this panel</summary>{sound_plumbing(simulation)}</details>",
        data_script(play_data(simulation, teams) | {"covers": covers}),
    ]
    return page(scenario.title, body, script=part("moving.js") + part("player.js"), style=part("player.css"))
