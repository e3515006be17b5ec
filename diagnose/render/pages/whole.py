"""The whole report as one page: of a case, of a reviewed recording, and of a write-up for maintenance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import msgspec
import numpy as np

from diagnose.advice.explain.schematic import concerned, schematic
from diagnose.advice.explain.why import states_under
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable, with_doubt
from diagnose.model import CaseRecord
from diagnose.model.answer import Answer
from diagnose.model.case import Leg
from diagnose.model.units import Array
from diagnose.network.engine import Engine
from diagnose.practice.simulate.plan import usual
from diagnose.render.layout import chance_words
from diagnose.render.pages.findings import apart_words, at, onset_words, times_words, verdict
from diagnose.render.pages.page import (
    Paper,
    figure,
    filled_columns,
    folded,
    head,
    heading,
    listed,
    page,
    paragraph,
    plumbing_figure,
    table,
)
from diagnose.render.pages.recorded import timeline_svg, timeline_table
from diagnose.render.pages.timeline import clock
from diagnose.render.pages.writeup import DEFER, RULES, WriteUp, recorded_moments
from diagnose.render.pictures.charts import Line, chart
from diagnose.render.pictures.panel import PLACES, moved, panel_svg, told_state, told_words
from diagnose.render.text import GRADE_WORDS, NO_FAILURE, names, percent, screen_rows, short_name
from diagnose.review.findings import Review

#: a box to tick
BOX = "\N{BALLOT BOX}"
#: tests of one sheet
MOST_TESTS = 6
BLANK = "_" * 18
#: rows of a table, and things to look at, where it all has to go on one sheet
MOST_ROWS, MOST_LOOKS = 4, 8
#: lines of the chart, and how likely a failure must have been at some time to have one
MOST_LINES, LEAST_DRAWN = 4, 0.05


# ------------------------------------------------------------------ a reviewed recording


def review_page(review: Review, up: WriteUp | None = None, paper: Paper = "a4") -> str:
    """A reviewed recording with its timeline, and its write-up if there is one."""
    kb, recording = review.network.kb, review.recording
    body = [
        heading(1, f"Recorded flight {recording.name}"),
        head(_review_rows(review)),
        paragraph(verdict(review)),
    ]
    if review.found:
        begun = [f"{kb.failures[o.failure].name}: {onset_words(o, recording)}." for o in review.onsets]
        if review.sufficed is not None:
            begun.append(f"From {at(review.sufficed, recording)} on the readings sufficed to name it.")
        body.append(listed(begun))
    minutes = recording.seconds / 60.0
    body.append(
        paragraph(
            f"{minutes:.0f} min, {recording.rows} rows, {recording.period_s:.3g} s apart; {len(review.windows)} moments. "
            f"Panel: {kb.panels[review.case.panel].name}. {times_words(recording)}", "quiet",
        )
    )  # fmt: skip
    about = (
        "Solid: the instrument; dashed: GPS; shaded: where a healthy instrument would lie by the others (three standard "
        "deviations). The line stands where it first showed, the band behind it where it may have begun."
    )
    body.append(figure("The flight over time", _wide("The flight over time", timeline_svg(review, folded=False))))
    body.append(paragraph(about, "quiet"))
    rest = _wide("The rest of the flight over time", timeline_svg(review, folded=True))
    body.append(f"<details><summary>The other channels, and where they agree</summary>{rest}</details>")
    body.append(folded("The same as a table", table(*timeline_table(review))))
    body.append(heading(2, "What has failed"))
    rows = [
        (names(kb, c.failures), ", ".join(kb.failures[a].name for a in c.alike) or "-", percent(c.prior), percent(c.chance))
        for c in review.causes
    ]  # fmt: skip
    body.append(table(("what", "can't be told from", "before", "chance"), rows, numbers=2))
    body += _recorded_moments(review)
    body.append(heading(2, "Not to be believed"))
    doubted = [
        (kb.gauges[d.gauge].name, at(d.since, recording), kb.failures[d.blame].name if d.blame else "-", "yes" if d.recorded else "no")
        for d in review.doubted
    ]  # fmt: skip
    body.append(
        table(("instrument", "from", "suspect", "recorded"), doubted)
        if doubted
        else paragraph("No instrument.")
    )
    body.append(heading(2, "Where channels disagreed"))
    apart = [
        (r.relation.name, at(c.onset, recording), f"{at(c.earliest, recording)} to {at(c.latest, recording)}", "the end" if c.until == float("inf") else at(c.until, recording), apart_words(c, r.relation))
        for r in review.residuals
        for c in r.changes
    ]  # fmt: skip
    heads = ("channels", "from", "plausible", "to", "by")
    body.append(table(heads, apart, numbers=1) if apart else paragraph("Nowhere for long."))
    body += [heading(2, "What this recording cannot tell"), listed(_open(review))]
    body.append(heading(2, "The file"))
    body.append(listed([str(fault) for fault in recording.faults] or ["Nothing wrong was found in it."]))
    if up is not None:
        body += ['<div class="new-page"></div>', *_write_up_body(up, 2)]
    return page(f"Recorded flight {recording.name}", body, paper)


def _recorded_moments(review: Review) -> Iterator[str]:
    """Panel and lines before it showed, when it did and when it was farthest off; the lines alone where nothing began."""
    network, failures = review.network, review.causes[0].failures
    if not review.onsets:
        yield plumbing_figure(network, failures)
        return
    yield heading(2, "The panel as recorded, and the lines then")
    reached, drawn = concerned(schematic(network, failures)), ""
    for place, (second, caption, state, gauges) in enumerate(recorded_moments(review)):
        picture = panel_svg(state, network.kb.dials, gauges, title=f"the panel at {caption}", key=f"r{place}-")
        later = {onset.failure for onset in review.onsets if onset.showed > second + 0.5}
        lines = plumbing_figure(network, [f for f in failures if f not in later], systems=reached)
        yield figure(caption, picture) + (lines if lines != drawn else paragraph("The lines as before.", "quiet"))
        drawn = lines


def _wide(label: str, picture: str) -> str:
    """A wide picture, which a phone moves to the side, by keys as well."""
    return f'<div class="wide" tabindex="0" role="region" aria-label="{label}">{picture}</div>'


def _review_rows(review: Review) -> Iterator[tuple[str, str]]:
    """The head of a reviewed recording: what, since when, what to ignore, what else."""
    kb = review.network.kb
    first, *others = review.causes
    yield (
        "LIKELY",
        f"{names(kb, first.failures) if first.failures else NO_FAILURE}, {chance_words(first.chance, kb)}",
    )
    if review.onsets:
        yield "BEGAN", "; ".join(f"{kb.failures[o.failure].name}: {onset_words(o, review.recording)}" for o in review.onsets)
    if review.doubted:
        yield "IGNORE", ", ".join(short_name(kb.gauges[d.gauge]) for d in review.doubted)
    other = [
        f"{names(kb, c.failures) if c.failures else NO_FAILURE} {chance_words(c.chance, kb).removeprefix('about ')}"
        for c in others[: kb.first_screen.most_else]
        if c.chance >= kb.first_screen.least_else
    ]
    if other:
        yield "ELSE", "; ".join(other)


def _open(review: Review) -> Iterator[str]:
    kb, first = review.network.kb, review.causes[0]
    if first.alike:
        yield f"{names(kb, first.failures)} apart from {', '.join(kb.failures[a].name for a in first.alike)}: a look at the parts would."
    silent = [kb.gauges[gauge].name for gauge in review.silent if kb.gauges[gauge].instrument]
    yield f"What these showed, which were not recorded: {', '.join(silent) or 'none'}."
    for facet, gain in review.would_help:
        yield f"The {kb.gauges[facet.partition('.')[0]].name} would have told most ({gain:.1f} bits)."


# ------------------------------------------------------------------ a case


def case_page(case: CaseRecord, answer: Answer, engine: Engine, up: WriteUp | None = None, paper: Paper = "a4") -> str:  # fmt: skip
    """A case with its answer, how the chances grew, what to trust, and its write-up if there is one."""
    kb = engine.network.kb
    body = [heading(1, case.title), head(screen_rows(answer, case, kb)), paragraph(answer.verdict)]
    if case.source:
        body.append(paragraph(f"Source: {case.source}", "quiet"))
    body.append(
        paragraph(f"Panel: {kb.panels[case.panel].name}. Odds: {kb.settings[case.setting].name}.", "quiet")
    )
    if case.context:
        body.append(
            paragraph(f"Conditions: {'; '.join(kb.context[flag].name for flag in case.context)}.", "quiet")
        )
    body.append(heading(2, "What has failed"))
    ranked = [(str(n), names(kb, r.failures), percent(r.prior), percent(r.posterior)) for n, r in enumerate(answer.ranking[:8], 1)]  # fmt: skip
    body.append(table(("", "what", "before", "chance"), ranked, numbers=2))
    lines = chances_over(case, engine)
    body.append(figure("How likely, after each moment", _steps(lines)))
    after = [(str(n + 1), *(percent(float(chance[n])) for _, chance in lines)) for n in range(len(case.snapshot))]
    body.append(folded("The same as a table", table(("after moment", *(name for name, _ in lines)), after, numbers=len(lines))))
    body.append(_leading_plumbing(case, answer, engine))
    body += [heading(2, "What the gauges showed"), _shown(case, kb), *_moments(case, answer, engine)]
    body.append(heading(2, "Instruments"))
    rows = [
        (kb.gauges[t.gauge].name, percent(t.now), GRADE_WORDS[t.grade], t.why or (kb.failures[t.blame].name if t.blame else "-"))
        for t in answer.trust
        if kb.gauges[t.gauge].instrument
    ]  # fmt: skip
    body.append(table(("instrument", "trust", "", "suspect"), rows))
    body.append(heading(2, "Partial panel, fly by"))
    flown = [
        (a.axis, kb.gauges[a.primary].name if a.primary else "nothing left", ", ".join(kb.gauges[g].name for g in a.supporting) or "-", ", ".join(kb.gauges[g].name for g in a.out) or "-", a.how or "-")
        for a in answer.axes
    ]  # fmt: skip
    body.append(table(("", "on", "supported by", "out", "how"), flown))
    if answer.notes:
        body += [heading(2, "Normal effects"), listed(answer.notes)]
    if up is not None:
        body += ['<div class="new-page"></div>', *_write_up_body(up, 2)]
    return page(case.title, body, paper)


def _leading_plumbing(case: CaseRecord, answer: Answer, engine: Engine) -> str:
    """The lines under the leading explanation where the case ends, with what to do about each instrument."""
    first = answer.ranking[0].failures
    states = states_under(engine.posterior(case), first)
    says = {t.gauge: GRADE_WORDS[t.grade] for t in answer.trust}
    memories = {name: state for name, state in states.items() if name in engine.network.memories}
    switches = case.snapshot[-1].switches if case.snapshot else {}
    return plumbing_figure(engine.network, first, switches, memories, says=says)


def _moments(case: CaseRecord, answer: Answer, engine: Engine) -> Iterator[str]:
    """Panel and plumbing at each moment: what was told of each dial, and the lines under the leading explanation."""
    kb, minutes, drawn = engine.network.kb, 0.0, ""
    before = float(kb.flown_quantities["course.level_kt"].low)
    first = answer.ranking[0].failures
    for place, snapshot in enumerate(case.snapshot):
        minutes += snapshot.minutes_before
        flown = kb.manoeuvres[snapshot.manoeuvre].name
        before = usual(kb, Leg(manoeuvre=snapshot.manoeuvre, minutes=snapshot.minutes), before).airspeed_kt or 0.0
        told = told_words(kb, snapshot)
        gauges = [g for g in engine.network.panel.gauges if g in told or any(g in group for group in PLACES)]
        at = f"{clock(minutes)}  {flown}"
        picture = panel_svg(
            told_state(kb, snapshot, before), kb.dials, gauges, told=told, ways=moved(kb, snapshot),
            title=f"what was told of each dial: {at}", key=f"m{place}-",
        )  # fmt: skip
        minutes += snapshot.minutes
        until = msgspec.structs.replace(case, snapshot=case.snapshot[: place + 1])
        states = states_under(engine.posterior(until), first)
        memories = {name: state for name, state in states.items() if name in engine.network.memories}
        lines = plumbing_figure(engine.network, first, snapshot.switches, memories, caption=f"The lines then, if it was {names(kb, first)}")
        # the same lines need not be drawn twice
        yield figure(at, picture) + (lines if lines != drawn else paragraph("The lines as before.", "quiet"))
        drawn = lines


def _shown(case: CaseRecord, kb: KnowledgeBase) -> str:
    """A row for each facet, a column for each snapshot."""
    facets = dict.fromkeys(name for s in case.snapshot for name in (*s.readings, *s.unsure))
    heads, minutes = ["gauge"], 0.0
    for snapshot in case.snapshot:
        minutes += snapshot.minutes_before
        heads.append(f"{clock(minutes)} {kb.manoeuvres[snapshot.manoeuvre].name}")
        minutes += snapshot.minutes
    rows = []
    for name in facets:
        facet = kb.facet(name)
        cells = []
        for snapshot in case.snapshot:
            said = readable(snapshot.readings[name]) if name in snapshot.readings else ""
            if name in snapshot.unsure:
                reading, sure = snapshot.unsure[name]
                said = with_doubt(readable(reading), sure)
            cells.append(said)
        rows.append((f"{kb.gauges[name.partition('.')[0]].name}: {facet.name}", *cells))
    switches = dict.fromkeys(name for s in case.snapshot for name in s.switches)
    for switch in switches:
        rows.append(
            (kb.switches[switch].name, *(readable(s.switches.get(switch, "")) for s in case.snapshot))
        )
    pairs = [
        " / ".join(", ".join((kb.gauges[a].name, kb.gauges[b].name)) for a, b in s.disagree)
        for s in case.snapshot
    ]
    if any(pairs):
        rows.append(("disagree", *pairs))
    return table(heads, rows)


def chances_over(case: CaseRecord, engine: Engine) -> list[tuple[str, Array]]:
    """Name and chances, shape (snapshot,), of nothing and of the likeliest failures after each snapshot."""
    kept = [space.by_failure(space.by_set(rows)) for space, rows in engine.filtered(case)]
    nothing = [float(space.by_set(rows)[0]) for space, rows in engine.filtered(case)]
    over_time = np.array(kept)
    order = np.argsort(-over_time[-1], kind="stable").tolist()
    lines: list[tuple[str, Array]] = [("nothing failed", np.array(nothing))]
    for place in order[:MOST_LINES]:
        if over_time[:, place].max() >= LEAST_DRAWN:
            lines.append((engine.network.failures[place].name, over_time[:, place]))
    return lines


def _steps(lines: Sequence[tuple[str, Array]]) -> str:
    """A step for each moment; what stands at its end is said in the key."""
    said = [
        Line(f"{name} ({percent(float(chance[-1]))})", list(enumerate(chance.tolist()))) for name, chance in lines
    ]
    count = len(lines[0][1])
    ticks = [(place + 0.5, str(place + 1)) for place in range(count)]
    return chart(said, (0.0, float(count)), ticks, "chances after each moment", name="moment")


# ------------------------------------------------------------------ the write-up


def write_up_page(up: WriteUp, paper: Paper = "a4") -> str:
    """The discrepancy as a page of its own."""
    return page(f"Maintenance discrepancy: {up.title}", _write_up_body(up, 1), paper, style="@page { margin: 9mm; }")


def _write_up_body(up: WriteUp, level: int) -> list[str]:
    """One sheet: what it may be and which test tells, when, what was seen, what to look at in order, with tick boxes."""
    body = ['<div class="sheet">', heading(level, f"Maintenance discrepancy: {up.title}")]
    rows_of_head = (("BEGAN", up.onset), ("SUSPECT", ", ".join(up.disbelieved)))
    body += [head((label, text) for label, text in rows_of_head if text), paragraph(DEFER, "caution")]
    causes = [(BOX, name, percent(chance), test) for (_, name, chance), test in zip(up.causes, up.told_by, strict=True)]
    body.append(heading(level + 1, "Likely causes, and the test that tells"))
    body.append(table(("", "what", "chance", "test"), causes))
    body.append(paragraph(f"Panel: {up.panel}. Conditions: {', '.join(up.conditions) or 'none stated'}."))
    if up.recorded:
        body.append(paragraph(f"Recorded: {'; '.join(up.recorded)}."))
    if up.pictures:
        body.append(f'<div class="three">{"".join(figure(caption, drawing) for caption, drawing in up.pictures)}</div>')
    body.append(heading(level + 1, "What was seen, in order"))
    # beside the pictures and the worst values few words are enough for one sheet
    short = bool(up.pictures)
    spare = max(len(up.causes) - MOST_ROWS, 0)  # causes that cannot be told apart all stand there
    most_rows, most_looks = max(MOST_ROWS - (spare + 1) // 2, 2), max(MOST_LOOKS - spare, 4)
    rows = [
        (m.when, m.flown, ", ".join(m.switches), "; ".join(_briefly(t) if short else t for t in m.odd) or "-", "" if short else ", ".join(t.partition(" (")[0] for t in m.showed), m.note)
        for m in [m for m in up.moments if m.odd or not short][: most_rows if short else None]
    ]  # fmt: skip
    heads = ("time", "flown", "switches", "not normal", "normal", "note")
    body.append(table(*filled_columns(heads, rows)))
    if up.tried:
        body += [heading(level + 1, "What was tried, and its effect"), listed(up.tried)]
    body.append(heading(level + 1, "Tests on the ground that would tell, in order"))
    tests = [
        (BOX, "; ".join(part for part in (f"{t.name}: {t.how}", t.limit, t.rule) if part))
        for t in up.tests[: most_rows if short else MOST_TESTS]
    ]
    body.append(table(("", "test, its limit and rule"), tests))
    if up.inspect:
        looks = "  ".join(f"{BOX} {text}" for text in up.inspect[: most_looks if short else None])
        body += [heading(level + 1, "To look at, in order"), paragraph(looks)]
    body.append(heading(level + 1, "To be filled in by the pilot"))
    asked = [text for text in up.asked if text]
    body.append(paragraph("  ".join(f"{text}:\N{NO-BREAK SPACE}{BLANK}" for text in asked), "asked"))
    body += [paragraph(" ".join(RULES)), "</div>"]
    return body


def _briefly(said: str) -> str:
    """What a gauge showed without what that means: "heading indicator: drifting (90 % sure)"."""
    shown, _, more = said.partition(" (")
    sure = more.partition(")")[0]
    return f"{shown} ({sure})" if sure.endswith("sure") else shown
