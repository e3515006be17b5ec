"""Papers for a tabletop session: the students' handout, which holds no answer, and the instructor's copy."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from diagnose.model.units import min_from_s, s_from_min
from diagnose.practice.known import Followed, misleading, true_state
from diagnose.practice.simulate import Simulation, Window, state_at, windows
from diagnose.render.pages.chart import Mark, chart
from diagnose.render.pages.page import Paper, figure, heading, listed, page, paragraph, plumbing_figure, table
from diagnose.render.pages.timeline import COLUMNS, clock, events, judgement, known_names, shown
from diagnose.render.pictures import panel_svg
from diagnose.render.text import names, percent

#: numbers of a minute that a still picture cannot show as a trend
MOMENTS = 3
#: panels on a printed sheet, and on the first one under the briefing; rows for notes in the room of a panel, what the
#: heading takes of them, and the fewest that are of use
ON_SHEET, ON_FIRST = 3, 2
ROWS_OF_PICTURE, ROWS_OF_HEADING, LEAST_ROWS = 7, 4, 6


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


def ghost_figure(simulation: Simulation) -> str:
    """The panel when most instruments misled, with ghosts of what healthy ones would have shown; "" if none did."""
    wrong = misleading(simulation)
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


def _rows(pictures: int) -> tuple[int, bool]:
    """Rows of the sheet for notes that fill the page on which the pictures end, or (True) one of their own."""
    left = -(pictures - ON_FIRST) % ON_SHEET if pictures > ON_FIRST else ON_FIRST - pictures
    rows = left * ROWS_OF_PICTURE - ROWS_OF_HEADING
    return (rows, False) if rows >= LEAST_ROWS else (ON_SHEET * ROWS_OF_PICTURE - ROWS_OF_HEADING, True)


def handout(simulation: Simulation, paper: Paper = "a4") -> str:
    """The students' handout. It says nothing of what fails: not its name, id, time or truth."""
    body = [*_briefing(simulation), heading(2, "What you see"), *_moments(simulation, numbers=False)]
    rows, alone = _rows(len(windows(simulation)))
    body.append('<h2 class="new-page">What you think and do</h2>' if alone else heading(2, "What you think and do"))
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
    body.append(figure("What could be known over time", chart(followed, truth_marks(simulation))))
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
