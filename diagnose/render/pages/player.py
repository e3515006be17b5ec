"""The page that plays a scenario: one HTML file in which the panel moves, and calls are recorded.

The page holds how every moving part of the picture stands at each second, worked out here by the same
``movements`` that draw the still pictures; the script only puts the parts there. What fails stands in it encoded,
for the end of the flight. ``deck.js`` plays (the debrief uses it too), ``player.js`` takes calls.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from html import escape
from typing import Any

import numpy as np

from diagnose.model.case import scenario_mark
from diagnose.model.gauges import Dial
from diagnose.model.systems import System
from diagnose.model.units import s_from_min
from diagnose.practice.simulate import Simulation, shown_histories, state_at
from diagnose.render.pages.branches import branches_of
from diagnose.render.pages.page import data_script, heading, page, paragraph, part
from diagnose.render.pages.papers import seen_gauges, sound_plumbing
from diagnose.render.pages.timeline import SYSTEM_WORDS, events, known_names
from diagnose.render.pictures import Movement, covered_svg, lone_svg, movements, panel_halves, shown_dials
from diagnose.render.text import names


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


def deck_data(simulation: Simulation, *, answers: bool) -> dict[str, Any]:
    """What ``deck.js`` needs to play a flight; with ``answers`` it says what fails."""
    kb, network = simulation.network.kb, simulation.network
    flown = [kb.manoeuvres[leg.manoeuvre].name for leg in simulation.plan.legs]
    changes = [0, *(np.flatnonzero(np.diff(simulation.plan.leg_of)) + 1).tolist()]
    return {
        "seconds": simulation.samples,
        "tracks": tracks_of(simulation, network.panel.gauges),
        "says": [[at, says] for at, says in events(simulation.scenario, known_names(simulation), answers=answers)],
        "legs": [[k, flown[int(simulation.plan.leg_of[k])]] for k in changes],
        "dials": {
            dial.id: _spoken(dial, kb.gauges[dial.id].name)
            for dial in shown_dials(kb.dials, seen_gauges(simulation))
        },
    }


def _spoken(dial: Dial, name: str) -> dict[str, Any]:
    """How the script puts a dial's reading into words."""
    part = f"{dial.id}-part"
    told: dict[str, Any] = {"name": name, "unit": dial.unit.replace("100 ", ""), "per_unit": dial.per_unit}
    if dial.flag:
        told["flag"] = f"{dial.id}-flag"
    match dial.kind:
        case "horizon":
            return told | {"horizon": part}
        case "lamp" | "window":
            return told | {dial.kind: part}
        case "ball" | "strip":
            return told | {"slide": part, "heading": dial.kind == "strip"}
    hands = [
        [f"{dial.id}-hand{place}", hand.points, hand.per_turn]
        for place, hand in sorted(enumerate(dial.hands), key=lambda pair: -abs(pair[1].per_turn or 0.0))
    ]
    step = (10 if dial.unit.endswith(("ft", "fpm")) else 1) if dial.large else 0.1
    return told | {"hands": hands, "step": step, "heading": dial.kind == "card", "turn": dial.kind == "turn"}


def play_data(simulation: Simulation, teams: tuple[str, ...]) -> dict[str, Any]:
    """What the scripts need: the flight, its branches, and what can be called. No answers, but in ``hidden``."""
    kb, network = simulation.network.kb, simulation.network
    scenario = simulation.scenario
    deck = deck_data(simulation, answers=False)
    dials = [gauge for gauge in network.panel.gauges if gauge in kb.dials]
    there = {failure.system for failure in network.failures}
    systems = [system.value for system in System if system in there]
    failed = [item for item in events(scenario, known_names(simulation), answers=True) if item[1].startswith("FAILS")]
    return deck | {
        "scenario": scenario.title,
        "mark": scenario_mark(scenario),
        "teams": list(teams),
        "look_s": simulation.sizes("table.look_s"),
        "step_s": simulation.sizes("table.step_s"),
        "pauses": [[s_from_min(pause.at_minutes), pause.asks] for pause in scenario.pause],
        "gauges": {gauge: kb.gauges[gauge].name for gauge in dials},
        "unseen": [gauge for gauge in scenario.unseen if gauge in dials],
        "systems": {system: [_short(system), SYSTEM_WORDS[system]] for system in systems},
        "failures": {f.id: [f.system.value, names(kb, (f.id,)), " ".join((f.id.replace("_", " "), *f.words))] for f in network.failures},
        "switches": _switches(simulation),
        "branches": branches_of(simulation, network.panel.gauges, deck["tracks"]),
        "hidden": base64.b64encode(json.dumps(failed, ensure_ascii=False).encode()).decode(),
    }


def _short(system: str) -> str:
    """A system as a button says it."""
    return {"instrument": "Instrument itself", "pilot": "Pilot"}.get(system, system.capitalize())


def _switches(simulation: Simulation) -> dict[str, Any]:
    """The switches of the panel: names, words, positions and how they stand second by second."""
    kb = simulation.network.kb
    stands = {}
    for name, positions in simulation.switches.items():
        changes = [0, *(np.flatnonzero(positions[1:] != positions[:-1]) + 1).tolist()]
        stands[name] = [[second, str(positions[second])] for second in changes]
    entries = {name: kb.switches[name] for name in stands}
    said = {word.lower() for name, switch in entries.items() for word in (switch.name, *switch.words, name.replace("_", " "))}
    return {
        "stands": stands,
        "names": {name: switch.name for name, switch in entries.items()},
        "positions": {name: list(switch.positions) for name, switch in entries.items()},
        "words": sorted(said),
        "pairs": not simulation.scenario.pilot.follows,
    }


def deck_bar(seconds: int) -> str:
    """The clock, the bar and the buttons of ``deck.js`` for a flight of so many seconds."""
    speeds = "".join(f"<option>{speed}</option>" for speed in (1, 2, 5, 10, 60))
    return (
        '<div id="deck" class="screen"><div class="bar">'
        '<button id="play" title="space">Play</button>'
        '<button id="back" title="left arrow">-10 s</button><button id="step" title="right arrow">+1 s</button>'
        f'<label>Speed <select id="speed">{speeds}</select></label>'
        '<span id="clock" role="timer">0:00</span> <output id="leg"></output></div>'
        '<div id="bar"><div id="legs" aria-hidden="true"></div><div id="marks"></div>'
        f'<input id="scrub" type="range" min="0" max="{seconds}" step="1" value="0" aria-label="time in the flight">'
        '<div id="rows"></div></div>'
        '<p id="said" class="says" role="status" aria-live="polite"></p>'
        '<div id="asked-box" class="says" hidden><p id="asked" role="alert"></p>'
        '<button id="go-on">Go on</button></div></div>'
    )


READINGS = '<details id="readings"><summary>The dials in words</summary><ul id="in-words"></ul></details>'


def _calls() -> str:
    opens = (("suspect", "Suspect", "S"), ("isolate", "Name it", "N"), ("decide", "Decide", "D"), ("tell_atc", "Tell ATC", "A"))  # fmt: skip
    buttons = "".join(
        f'<button data-sheet="{kind}" aria-expanded="false" aria-controls="sheet" title="key {key}">{escape(words)}</button>'
        for kind, words, key in opens
    )
    return (
        '<section id="calling" aria-label="calls"><div class="bar screen">'
        '<label id="team-box">Team <select id="team"></select></label>' + buttons +
        '<button id="look-opens" data-sheet="look" aria-expanded="false" aria-controls="sheet" title="key L">Look at more</button>'
        '<button id="undo">Undo</button></div><p id="last" class="screen quiet"></p>'
        '<div id="sheet" class="screen" hidden><form id="form">'
        '<div id="cause-box"><div id="systems" class="bar" role="group" aria-label="first the system"></div>'
        '<button type="button" id="some"></button><button type="button" id="nothing">Nothing has failed</button>'
        '<label class="line">Then the cause <input id="find" type="search" placeholder="search" autocomplete="off"></label>'
        '<div id="causes" role="group" aria-label="causes" tabindex="0"></div><p id="none-found" hidden>No cause with these words.</p>'
        '<label class="line">How sure <input id="sure" type="range" min="0" max="100" step="5" value="60"> <output id="sure-words"></output></label></div>'
        '<div id="switch-box"><p>A switch: it moves at the next half minute, and the flight changes.</p><div id="switches" class="bar"></div></div>'
        '<div id="words-box"><label class="line">In words <input id="words" autocomplete="off"></label></div>'
        '<p id="fault" role="alert"></p></form>'
        '<div id="look-box" class="bar"><label>Look at <select id="look"></select></label>'
        '<button type="button" id="look-now">Look (costs time)</button><span id="looked"></span></div>'
        '<div id="sheet-end" class="bar"><button id="record" form="form">Record</button>'
        '<button type="button" id="close">Close</button></div></div></section>'
    )  # fmt: skip


MENU = (
    '<div id="menu" role="dialog" aria-labelledby="menu-gauge" hidden><b id="menu-gauge"></b>'
    '<button data-use="cover" data-key="c" title="key C">Cover</button><button data-use="doubt" data-key="d" title="key D">Doubt</button>'
    '<button data-use="trust" data-key="t" title="key T">Trust</button></div>'
)


def player_page(simulation: Simulation, teams: tuple[str, ...] = ("team",)) -> str:
    """The page that plays. Space plays and pauses, arrows step, a dial is pressed to cover, doubt or trust it."""
    kb, scenario = simulation.network.kb, simulation.scenario
    gauges = tuple(g for g in simulation.network.panel.gauges if g in kb.dials)
    in_view = seen_gauges(simulation)
    now = state_at(simulation, 0.0)
    six, more = panel_halves(now, kb.dials, in_view)
    others = [dial for dial in shown_dials(kb.dials, gauges) if dial.id not in in_view]
    aside = "".join(
        f'<div class="aside" data-aside="{dial.id}" hidden>{lone_svg(now, kb.dials, dial.id, key="a-")}</div>'
        for dial in others
    )
    covers = {dial.id: covered_svg(dial) for dial in shown_dials(kb.dials, gauges)}
    body = [
        heading(1, scenario.title),
        paragraph(scenario.briefing),
        '<div id="stage">',
        deck_bar(simulation.samples),
        f'<div id="panel"><div id="six">{six}</div>{_calls()}<div id="more">{more}{aside}</div></div>',
        MENU,
        "</div>",
        '<section id="end-box" hidden><h2>The flight is over</h2>'
        '<button id="reveal" class="screen">Show what failed (ends the calls)</button><ul id="failed" hidden></ul></section>',
        heading(2, "Which dials hang on one line"),
        paragraph(
            "Dials on one line fail together: they are one witness. What you cover or doubt is marked here too.", "quiet"
        ),
        sound_plumbing(simulation),
        heading(2, "Calls"),
        '<table id="calls"><thead><tr><th>min</th><th>team</th><th>call</th></tr></thead><tbody></tbody></table>',
        '<div class="bar screen"><button id="save">Download the record</button>'
        '<button id="clear">Begin anew</button></div>',
        READINGS,
        "<details><summary>Keys</summary>"
        + paragraph(
            "Space plays and pauses, arrows step, 1 to 6 choose one of the six dials (then C cover, D doubt, T trust), "
            "S suspect, N name it, D decide, A tell ATC, L look at more, Escape closes."
        )
        + "</details>",
        data_script(play_data(simulation, teams) | {"covers": covers}),
    ]
    script = part("moving.js") + part("deck.js") + part("player.js")
    return page(scenario.title, body, script=script, style=part("player.css") + part("deck.css"))
