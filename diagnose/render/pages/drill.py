"""The drill as a page: one HTML file with exercises in naming and scanning, answered without a network.

What is right is in the page, because it explains at once, but it is written so that it cannot be read by
looking at the file. Answers are kept in the page until they are downloaded; ``drill.lent`` marks them anew.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import msgspec

from diagnose.advice.coverage import SOUND
from diagnose.knowledge.load import KnowledgeBase
from diagnose.practice.drill.kinds import NameIt
from diagnose.practice.drill.progress import Cell, Summary
from diagnose.practice.drill.scan import Glance, Scan, scan_review
from diagnose.practice.drill.session import FORMAT, VERSION, Round, plan_of
from diagnose.practice.drill.studio import LETTERS, OPEN, Studio
from diagnose.practice.simulate import state_at
from diagnose.render.drill_feedback import aftermath, feedback
from diagnose.render.drill_question import TITLES, flown_lines, look_words, option_words
from diagnose.render.pages.page import (
    data_script,
    figure,
    heading,
    page,
    paragraph,
    part,
    plumbing_figure,
    table,
)
from diagnose.render.pages.papers import tracks_of
from diagnose.render.pictures.charts import Line, chart
from diagnose.render.pictures.panel import covered_svg, panel_halves, shown_dials
from diagnose.render.progress import answer_words, habits, leaning, share, work_on

#: texts are wrapped by the browser
UNWRAPPED = 100_000


def _hidden(data: dict[str, Any]) -> str:
    """What is not to be read before it is shown."""
    return base64.b64encode(json.dumps(data, ensure_ascii=False).encode()).decode()


def _asked(done: Round, studio: Studio) -> dict[str, Any]:
    """What both kinds have in common."""
    exercise = done.exercise
    assert isinstance(exercise, NameIt | Scan)
    context = ", ".join(studio.kb.context[flag].name for flag in exercise.flown.case.context)
    return {
        "kind": done.card.kind,
        "title": TITLES[done.card.kind] + (" (new)" if done.new else ""),
        "lines": [f"Conditions: {context}."] if context else [],
        "options": [[option_words(option, studio.kb), option.id == OPEN] for option in exercise.options],
    }


def _lines_of(exercise: NameIt | Scan, studio: Studio) -> str:
    """What was flown, in the plumbing; nothing where no line or instrument has a part in it."""
    truth = exercise.flown.truth
    failures = (truth,) if truth in studio.kb.failures else ()
    return plumbing_figure(studio.network, failures) if failures else ""


def _name(done: Round, exercise: NameIt, studio: Studio) -> dict[str, Any]:
    """A flight to be named: what was seen of it moves, nothing in between."""
    kb, simulation = studio.kb, exercise.flown.simulation
    seconds = [k for window in exercise.flown.windows for k in range(window.first, window.end)]
    starts, place = [], 0
    for window, snapshot in zip(exercise.flown.windows, exercise.flown.case.snapshot, strict=True):
        starts.append([place, kb.manoeuvres[snapshot.manoeuvre].name])
        place += window.end - window.first
    read = [gauge for gauge in studio.seen if gauge not in exercise.covered]
    letters = LETTERS[: len(exercise.options)]
    asked = _asked(done, studio)
    return asked | {
        "lines": [line.strip() for line in flown_lines(exercise, studio, UNWRAPPED)],
        "seconds": len(seconds),
        "legs": starts,
        "covered": list(exercise.covered),
        "tracks": tracks_of(simulation, read, seconds),
        "hidden": _hidden(
            {
                "plan": msgspec.to_builtins(plan_of(done)),
                "plumbing": _lines_of(exercise, studio),
                "right": list(exercise.right),
                "chances": list(exercise.chances),
                "told": exercise.told,
                "says": [feedback(exercise, exercise.mark(letter), studio, UNWRAPPED) for letter in letters],
            }
        ),
    }


def _looks(scan: Scan) -> dict[str, list[str]]:
    """What a look at each gauge shows, by the number of looks and waits before it."""
    said: dict[str, list[str]] = {}
    now = scan
    while not now.over:
        for gauge in scan.studio.seen:
            after: Scan = now.look(gauge)
            assert isinstance(after.looks[-1], Glance)
            said.setdefault(gauge, []).append(look_words(after))
        now = now.wait()
    return said


def _scan(done: Round, exercise: Scan, studio: Studio) -> dict[str, Any]:
    """A flight whose gauges are hidden until they are looked at."""
    kb, simulation = studio.kb, exercise.flown.simulation
    changes, before = [], ""
    for k in range(simulation.samples):
        if (name := kb.manoeuvres[simulation.leg_at(k).manoeuvre].name) != before:
            changes.append([k, name])
            before = name
    asked = _asked(done, studio)
    truth = [place for place, o in enumerate(exercise.options) if exercise.flown.truth in o.like]
    return asked | {
        "seconds": simulation.samples,
        "look_s": exercise.look_s,
        "patience": exercise.patience_s,
        "legs": changes,
        "covered": list(studio.seen),
        "tracks": tracks_of(simulation, studio.seen),
        "looks": _looks(exercise),
        "hidden": _hidden(
            {
                "plan": msgspec.to_builtins(plan_of(done)),
                "plumbing": _lines_of(exercise, studio),
                "truth": truth,
                "onset": exercise.onset_s,
                "gives_up": [p for p, o in enumerate(exercise.options) if o.id in (OPEN, SOUND)],
                "stays": [p for p, o in enumerate(exercise.options) if exercise.stays(o.id)],
                "best": [o.gauge for o in scan_review(replace(exercise, second=0, looks=())).best],
                "says": aftermath(exercise, studio, UNWRAPPED),
            }
        ),
    }


def exercise_data(rounds: Sequence[Round], studio: Studio, page_id: str) -> dict[str, Any]:
    """What the script needs."""
    kb = studio.kb
    exercises = []
    for done in rounds:
        if isinstance(done.exercise, NameIt):
            exercises.append(_name(done, done.exercise, studio))
        elif isinstance(done.exercise, Scan):
            exercises.append(_scan(done, done.exercise, studio))
    dials = shown_dials(kb.dials, studio.seen)
    return {
        "format": FORMAT,
        "version": VERSION,
        "page": page_id,
        "panel": studio.network.panel.id,
        "exercises": exercises,
        "gauges": {dial.id: kb.gauges[dial.id].name for dial in dials},
        "short": {gauge: (kb.gauges[gauge].words or (gauge,))[0] for gauge in studio.seen},
        "covers": {dial.id: covered_svg(dial, dial.title.lower()) for dial in dials},
        "letters": LETTERS,
    }


def exercises_page(rounds: Sequence[Round], studio: Studio, page_id: str) -> str:
    """The page. ``page_id`` tells its answers from those of every other page."""
    first = rounds[0].exercise
    assert isinstance(first, NameIt | Scan)
    picture = "".join(panel_halves(state_at(first.flown.simulation, 0), studio.kb.dials, studio.seen))
    bars = (
        '<div class="bar"><strong id="title"></strong> <span id="clock" role="timer"></span> <output id="leg"></output></div>'
        '<div id="asked"></div>'
        '<div class="bar screen"><button id="play" title="space">Play</button>'
        '<button id="again">From the beginning</button>'
        '<label>Speed <select id="speed"><option>1</option><option selected>2</option><option>5</option>'
        "<option>20</option></select></label>"
        '<span id="look-box"><label>Look at <select id="look"></select></label> '
        '<button id="look-now">Look</button></span></div>'
    )
    answer = (
        '<form id="form"><fieldset><legend id="ask"></legend><div id="options"></div>'
        '<p class="quiet">A letter chooses. If you like, say in percent how sure you are: you score best by '
        "giving what you really believe.</p>"
        '<p id="fault" role="alert"></p>'
        '<button id="answer">Answer</button></fieldset></form>'
        '<section id="told" aria-live="polite" tabindex="-1" hidden></section>'
        '<div class="bar screen"><button id="next" hidden>Next exercise</button></div>'
    )
    body = [
        heading(1, "Drill"),
        paragraph(
            f"{len(rounds)} exercises on the panel '{studio.network.panel.name}'. Space plays and pauses, 1 to 6 look at "
            "the six dials of a scan, a letter chooses an answer, Enter gives it. Your answers stay in this page; "
            "download them at the end and read them back with: diagnose drill --import FILE",
            "quiet screen",
        ),
        bars,
        f'<div id="panel"><div class="halves">{picture}</div></div>',
        '<ol id="seen" aria-label="what you saw" aria-live="polite"></ol>',
        answer,
        heading(2, "Answers"),
        '<table id="answers"><thead><tr><th>exercise</th><th>answer</th><th>mark</th></tr></thead><tbody></tbody></table>',
        '<div class="bar screen"><button id="save">Download the results</button></div>',
        data_script(exercise_data(rounds, studio, page_id)),
    ]
    return page("Drill", body, script=part("moving.js") + part("exercises.js"), style=part("player.css"))


def progress_page(told: Summary, kb: KnowledgeBase) -> str:
    """The page; it needs nothing else."""
    return page("Drill: progress", _body(told, kb))


def _body(told: Summary, kb: KnowledgeBase) -> Iterator[str]:
    yield heading(1, "Drill: progress")
    if told.first is None:
        yield paragraph("No answers yet.")
        return
    yield paragraph(
        f"{told.count + told.uncounted} answers from {told.first:%Y-%m-%d} to {told.at:%Y-%m-%d}; {told.begun} exercises begun, "
        f"{told.due} due now, {told.due_tomorrow} by tomorrow."
    )
    if work_on(told, kb):
        yield paragraph(f"To work on: {work_on(told, kb)}", "says")
    weeks = sorted({cell.week for cells in told.classes.values() for cell in cells})
    yield figure(
        "Right answers by class of failure",
        curves(told.classes, weeks, lambda cell: cell.rate, 1.0, lambda value: f"{value * 100:.0f} %"),
    )
    called = [c.recognised_s for cells in told.classes.values() for c in cells if c.recognised_s is not None]
    if called:
        yield figure(
            "From the onset to the right call in scans (median)",
            curves(told.classes, weeks, lambda cell: cell.recognised_s, max(called), lambda v: f"{v:.0f} s"),
        )
    rows = [
        (cell.week, name, str(cell.count), share(cell.rate), f"{cell.seconds:.0f} s",
         "" if cell.recognised_s is None else f"{cell.recognised_s:.0f} s")
        for name, cells in told.classes.items()
        for cell in cells
    ]  # fmt: skip
    yield table(("week of", "class", "answers", "right", "to answer", "to call it"), sorted(rows), numbers=4)
    yield table(
        ("kind", "answers", "right"),
        [(TITLES[kind], str(count), share(rate)) for kind, (count, rate) in told.kinds.items()],
        numbers=2,
    )
    if told.confused:
        yield heading(2, "Confused")
        yield table(
            ("what was right", "what was said", "times"),
            [(answer_words(a, kb), answer_words(b, kb), str(n)) for a, b, n in told.confused],
            numbers=1,
        )
    for habit in habits(told):
        yield paragraph(habit)
    if told.sureness:
        yield heading(2, "How sure, and how sure the readings allowed")
        yield table(
            ("week of", "answers", "sure", "allowed", ""),
            [
                (
                    week.week,
                    str(week.count),
                    share(week.sure),
                    share(week.engine),
                    leaning(week, kb),
                )
                for week in told.sureness
            ],
        )
    if told.faults:
        yield heading(2, "Faults of the scan")
        yield table(("fault", "times"), [(fault, str(count)) for fault, count in told.faults], numbers=1)


def curves(
    classes: Mapping[str, Sequence[Cell]],
    weeks: Sequence[str],
    of: Callable[[Cell], float | None],
    most: float,
    label: Callable[[float], str],
) -> str:
    """A line for each class over the weeks, from zero to ``most``; a single week is a dot in the middle."""
    place = {week: float(at) for at, week in enumerate(weeks)}
    lines = [
        Line(name, [(place[c.week], value) for c in cells if (value := of(c)) is not None], stepped=False)
        for name, cells in classes.items()
    ]
    across = (-0.2, len(weeks) - 0.8) if len(weeks) > 1 else (-1.0, 1.0)
    ticks = [(place[week], week[5:]) for week in weeks]
    return chart(lines, across, ticks, "by class of failure over the weeks", most=most or 1.0, label=label, levels=2)
