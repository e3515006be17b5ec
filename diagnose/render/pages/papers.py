"""The page that plays a scenario: one HTML file in which the panel moves, and calls are recorded.

The page holds how every moving part of the picture stands at each second, worked out here by the same
``movements`` that draw the still pictures; the script only puts the parts there. What fails stands in it encoded,
for the end of the flight. ``deck.js`` plays (the debrief uses it too), ``player.js`` takes calls.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator, Sequence
from html import escape
from typing import Any

import numpy as np

from diagnose.advice.explain.schematic import SYSTEMS, concerned, schematic
from diagnose.model.case import scenario_mark
from diagnose.model.gauges import Dial
from diagnose.model.systems import System
from diagnose.model.units import min_from_s, s_from_min
from diagnose.practice.known import Followed, misleading, true_state
from diagnose.practice.simulate import Simulation, Window, shown_histories, state_at, windows
from diagnose.render.pages.branches import branches_of
from diagnose.render.pages.page import (
    Paper,
    data_script,
    figure,
    heading,
    listed,
    page,
    paragraph,
    part,
    plumbing_figure,
    table,
)
from diagnose.render.pages.timeline import (
    COLUMNS,
    SYSTEM_WORDS,
    clock,
    events,
    judgement,
    known_chart,
    known_names,
    shown,
)
from diagnose.render.pictures.charts import Mark
from diagnose.render.pictures.faces import Movement, movements
from diagnose.render.pictures.panel import (
    covered_svg,
    lone_svg,
    panel_halves,
    panel_svg,
    picture_size,
    shown_dials,
)
from diagnose.render.pictures.plumbing import plumbing_svg
from diagnose.render.text import names, percent


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
        "says": [
            [at, says] for at, says in events(simulation.scenario, known_names(simulation), answers=answers)
        ],
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
    failed = [
        item
        for item in events(scenario, known_names(simulation), answers=True)
        if item[1].startswith("FAILS")
    ]
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
        "failures": {
            f.id: [f.system.value, names(kb, (f.id,)), " ".join((f.id.replace("_", " "), *f.words))]
            for f in network.failures
        },
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
    said = {
        word.lower()
        for name, switch in entries.items()
        for word in (switch.name, *switch.words, name.replace("_", " "))
    }
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
        '<button id="on">+10 s</button>'
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
            "Dials on one line fail together: they are one witness. What you cover or doubt is marked here too.",
            "quiet",
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


#: numbers of a minute that a still picture cannot show as a trend
MOMENTS = 3
#: px of a printed sheet (Letter, the lower one; A4, the narrower one), of a picture's caption, of the briefing, of a row
#: for notes and of their heading; the fewest rows that are of use
SHEET_HIGH, SHEET_WIDE, CAPTION_HIGH, BRIEFING_HIGH, ROW_HIGH, NOTES_HIGH, LEAST_ROWS = 950, 688, 34, 250, 43, 250, 6


def seen_gauges(simulation: Simulation) -> tuple[str, ...]:
    """Gauges that are in view without asking."""
    hidden = simulation.scenario.unseen
    return tuple(gauge for gauge in simulation.network.dial_gauges if gauge not in hidden)


def _picture(simulation: Simulation, second: int, key: str) -> str:
    return panel_svg(
        state_at(simulation, second),
        simulation.network.kb.dials,
        seen_gauges(simulation),
        title=f"the panel at {clock(second / 60.0)}",
        key=key,
    )


def _numbers(simulation: Simulation, window: Window) -> str:
    """What some dials showed at the start, the middle and the end of a snapshot."""
    moments = np.linspace(window.first, window.end - 1, MOMENTS).round().astype(int).tolist()
    rows = []
    for second in moments:
        state = state_at(simulation, second)
        values = [state.get(name) for _, name, _ in COLUMNS]
        cells = [
            shown(w, v) if isinstance(v, float) else "" for v, (_, _, w) in zip(values, COLUMNS, strict=True)
        ]
        rows.append((clock(second / 60.0), *cells))
    return table(("min", *(head for head, _, _ in COLUMNS)), rows, numbers=len(COLUMNS))


def _moments(simulation: Simulation, *, numbers: bool) -> Iterator[str]:
    """The flight minute by minute: what is flown, what is said, the panel; ``numbers``: what the dials read as well."""
    kb = simulation.network.kb
    waiting = events(simulation.scenario, known_names(simulation), answers=False)
    for place, window in enumerate(windows(simulation)):
        end = min_from_s(float(window.end))
        while waiting and waiting[0][0] <= end:
            at, says = waiting.pop(0)
            yield paragraph(f"{clock(at)}  {says}", "says")
        manoeuvre = kb.manoeuvres[simulation.plan.legs[window.leg].manoeuvre].name
        drawing = _picture(simulation, window.end - 1, f"p{place}-")
        if numbers:
            drawing += _numbers(simulation, window)
        yield figure(f"{clock(end)}  {manoeuvre}", drawing)
    for at, says in waiting:
        yield paragraph(f"{clock(at)}  {says}", "says")


def _briefing(simulation: Simulation) -> Iterator[str]:
    scenario, kb = simulation.scenario, simulation.network.kb
    yield heading(1, scenario.title)
    yield paragraph(scenario.briefing)
    yield paragraph(f"Panel: {kb.panels[scenario.panel].name}.", "quiet")
    # how a switch stands is for the student to look at
    day = [kb.context[flag].name for flag in scenario.context if not kb.context[flag].switch]
    if day:
        yield paragraph(f"The day: {'; '.join(day)}.", "quiet")
    legs = simulation.plan.legs
    flown = ", ".join(f"{kb.manoeuvres[leg.manoeuvre].name} {leg.minutes:g} min" for leg in legs)
    yield paragraph(f"Planned: {flown}.", "quiet")


def sound_plumbing(simulation: Simulation) -> str:
    """The lines of the panel with nothing failed: it holds no answer."""
    return plumbing_figure(simulation.network, caption="The plumbing of this panel")


def failed_plumbing(simulation: Simulation, followed: Followed) -> str:
    """What the truth did to the lines, as the switches stood when it began."""
    begun = 0 if followed.onset is None else round(s_from_min(followed.onset))
    switches = simulation.switches_at(min(begun, simulation.samples - 1))
    return plumbing_figure(simulation.network, followed.truth, switches)


def plumbing_over_time(simulation: Simulation, followed: Followed) -> str:
    """The lines that the truth reaches, anew whenever something fails, is cured or a switch moves (``data-from``: s)."""
    network = simulation.network
    reached = concerned(schematic(network, followed.truth)) or SYSTEMS
    there = {failure: degree > 0.0 for failure, degree in simulation.degrees.items()}
    changes = {0}
    for stands in (*there.values(), *simulation.switches.values()):
        changes |= {*(np.flatnonzero(stands[1:] != stands[:-1]) + 1).tolist()}
    drawn, before = "", ""
    for second in sorted(changes):
        failed = [failure for failure in followed.truth if failure in there and there[failure][second]]
        lines = schematic(network, failed, simulation.switches_at(second), systems=reached)
        picture = plumbing_svg(lines, network.kb, title=f"the lines from {clock(second / 60.0)} on")
        if picture.partition("</title>")[2] != before:
            drawn += f'<div data-from="{second}">{picture}</div>'
            before = picture.partition("</title>")[2]
    return f'<div id="lines" class="wide" tabindex="0" role="region" aria-label="the lines at this time">{drawn}</div>'


def ghost_figure(simulation: Simulation, end: float | None = None) -> str:
    """The panel when most instruments misled, with ghosts of what healthy ones would have shown; "" if none did.

    ``end``: of the session, min: later moments were never flown.
    """
    until = simulation.samples if end is None else round(s_from_min(end)) + 1
    wrong = {gauge: off[:until] for gauge, off in misleading(simulation).items()}
    most = np.sum(list(wrong.values()), axis=0) if wrong else np.zeros(1)
    if not most.any():
        return ""
    # the last of the seconds at which most mislead: what grows has grown
    second = int(np.flatnonzero(most == most.max())[-1])
    kb = simulation.network.kb
    names_of = [kb.gauges[gauge].name for gauge, off in wrong.items() if off[second]]
    at = clock(second / 60.0)
    picture = panel_svg(
        state_at(simulation, second),
        kb.dials,
        simulation.network.dial_gauges,
        sound=true_state(simulation, second),
        title=f"the panel at {at} with what healthy gauges would have shown",
        key="g-",
    )
    caption = (
        f"{at}: dashed, what a healthy gauge would have shown; the number is the difference. Misleading: "
    )
    return figure(caption + ", ".join(names_of), picture)


def picture_page(simulation: Simulation, *, every_s: int = 30) -> str:
    """The panel every so many seconds, as a page."""
    kb = simulation.network.kb
    body = [*_briefing(simulation), sound_plumbing(simulation)]
    for place, second in enumerate(range(0, simulation.samples, every_s)):
        manoeuvre = kb.manoeuvres[simulation.leg_at(second).manoeuvre].name
        body.append(
            figure(f"{clock(second / 60.0)}  {manoeuvre}", _picture(simulation, second, f"p{place}-"))
        )
    return page(simulation.scenario.title, body)


def _rows(pictures: int, high: float) -> tuple[int, bool]:
    """Rows for notes that fill the sheet on which pictures so high end, or (True) a sheet of their own."""
    first, sheet = int((SHEET_HIGH - BRIEFING_HIGH) // high), int(SHEET_HIGH // high)
    last = (pictures - first) % sheet or sheet
    left = SHEET_HIGH - last * high if pictures > first else SHEET_HIGH - BRIEFING_HIGH - pictures * high
    rows = int((left - NOTES_HIGH) // ROW_HIGH)
    return (rows, False) if rows >= LEAST_ROWS else (int((SHEET_HIGH - NOTES_HIGH) // ROW_HIGH), True)


def handout(simulation: Simulation, paper: Paper = "a4") -> str:
    """The students' handout. It says nothing of what fails: not its name, id, time or truth."""
    body = [*_briefing(simulation), heading(2, "What you see"), *_moments(simulation, numbers=False)]
    wide, high = picture_size(_picture(simulation, 0, ""))
    rows, alone = _rows(len(windows(simulation)), high * SHEET_WIDE / wide + CAPTION_HIGH)
    body.append(
        '<h2 class="new-page">What you think and do</h2>' if alone else heading(2, "What you think and do")
    )
    body.append(
        paragraph("Note the time, what caught your eye, what you think and how sure you are (in percent).")
    )
    heads = ("min", "what I see", "what I suspect, and how sure", "what I cover, check, tell ATC or decide")
    body.append(table(heads, [("", "", "", "")] * rows, "blank"))
    return page(simulation.scenario.title, body, paper)


# ------------------------------------------------------------------ the instructor's copy


def truth_marks(simulation: Simulation) -> list[Mark]:
    """What happens and which instruments begin to mislead, for the chart."""
    marks = [
        Mark(at, "events", says)
        for at, says in events(simulation.scenario, known_names(simulation), answers=True)
    ]
    for gauge, wrong in misleading(simulation).items():
        if wrong.any():
            marks.append(
                Mark(
                    min_from_s(float(np.argmax(wrong))), "misleads", simulation.network.kb.gauges[gauge].name
                )
            )
    return marks


def _known_table(simulation: Simulation, followed: Followed) -> str:
    kb = simulation.network.kb
    rows = []
    for known in followed.known:
        first = [f"{names(kb, members)} ({percent(chance)})" for members, chance in known.ranking[:2]]
        doubtful = [kb.gauges[g].name for g, true in known.trust.items() if true < 0.5]
        rows.append(
            (
                clock(known.minutes),
                kb.manoeuvres[known.snapshot.manoeuvre].name,
                "; ".join(first),
                ", ".join(doubtful) or "-",
                percent(known.something),
                percent(known.right),
            )
        )
    heads = ("min", "maneuver", "likeliest", "not to be trusted", "something wrong", "the truth")
    return table(heads, rows, numbers=2)


def _misleading_list(simulation: Simulation) -> str:
    found = []
    for gauge, wrong in misleading(simulation).items():
        if wrong.any():
            since = min_from_s(float(np.argmax(wrong)))
            share = float(wrong[int(np.argmax(wrong)) :].mean())
            found.append(
                f"{simulation.network.kb.gauges[gauge].name}: from {clock(since)}, {percent(share)} of the time after"
            )
    return listed(found or ["no instrument misleads"])


def _evidence_list(simulation: Simulation, followed: Followed) -> str:
    """When one could have known: each snapshot's readings that a healthy panel would not have shown."""
    network, points = simulation.network, []
    for known in followed.known:
        snapshot = known.snapshot
        usual = network.expected_readings(snapshot.manoeuvre, snapshot.switches)
        odd = [
            f"{facet.replace('.', ' ').replace('_', ' ')} {reading.replace('_', ' ')}"
            for facet, reading in snapshot.readings.items()
            if usual.get(facet) != reading
        ]
        if odd:
            points.append(f"{clock(known.minutes)}: {', '.join(odd)}")
    return listed(points or ["nothing unusual was to be seen"])


def instructor_copy(simulation: Simulation, followed: Followed, paper: Paper = "a4") -> str:
    """Everything: truth, timeline, what could be known when and from what, teaching points, pictures."""
    scenario, kb = simulation.scenario, simulation.network.kb
    body = [*_briefing(simulation), heading(2, "The truth")]
    body.append(listed(judgement(simulation, followed)))
    for failure in followed.truth:
        body.append(paragraph(f"{kb.failures[failure].name}: {kb.failures[failure].mechanism}."))
        if kb.failures[failure].inspect:
            body.append(
                paragraph(f"Maintenance would look at: {'; '.join(kb.failures[failure].inspect)}.", "quiet")
            )
    body.append(failed_plumbing(simulation, followed))
    body.append(figure("What could be known over time", known_chart(followed, truth_marks(simulation))))
    body.append(heading(2, "What happens"))
    happens = events(scenario, known_names(simulation), answers=True)
    body.append(table(("min", "what"), [(clock(at), says) for at, says in happens]))
    body.append(heading(2, "When could you have known"))
    body.append(_evidence_list(simulation, followed))
    body.append(_known_table(simulation, followed))
    body.append(heading(2, "Instruments that really mislead"))
    body += [_misleading_list(simulation), ghost_figure(simulation)]
    if scenario.teaching:
        body += [heading(2, "Teaching points"), listed(scenario.teaching)]
    if scenario.cautions:
        body += [heading(2, "Cautions"), listed(scenario.cautions)]
    body += ['<h2 class="new-page">What the students see</h2>', *_moments(simulation, numbers=True)]
    return page(f"{scenario.title}: instructor's copy", body, paper)
