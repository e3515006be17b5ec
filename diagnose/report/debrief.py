"""The debrief of a session: scores, and one picture of posterior, readings and calls over time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import msgspec

from diagnose.report.chart import Mark, chart
from diagnose.report.page import Paper, figure, heading, listed, page, paragraph, table
from diagnose.report.papers import truth_marks
from diagnose.report.timeline import clock, judgement
from diagnose.scenario import Followed
from diagnose.script import Call, SessionRecord
from diagnose.simulate import Simulation
from diagnose.tabletop import TeamScore
from diagnose.text import fill, names, percent

KIND_WORDS = {
    "suspect": "suspects",
    "isolate": "names",
    "cover": "covers",
    "uncover": "uncovers",
    "tell_atc": "tells ATC",
    "decide": "decides",
}


def call_words(simulation: Simulation, call: Call) -> str:
    """A call in words."""
    kb = simulation.network.kb
    if call.kind in ("suspect", "isolate"):
        return f"{KIND_WORDS[call.kind]} {names(kb, call.what)} ({percent(call.sure)})"
    if call.kind in ("cover", "uncover"):
        return f"{KIND_WORDS[call.kind]} {', '.join(kb.gauges[gauge].name for gauge in call.what)}"
    return f"{KIND_WORDS[call.kind]} {' '.join(call.what)}".strip()


def _after(minutes: float | None, reference: float | None) -> str:
    if minutes is None:
        return "never"
    if reference is None:
        return clock(minutes)
    late = minutes - reference
    return f"{clock(minutes)} ({'+' if late >= 0 else '-'}{clock(abs(late))})"


def score_rows(
    scores: Sequence[TeamScore], followed: Followed, simulation: Simulation
) -> list[tuple[str, ...]]:
    """Rows of the table of scores: what, the engine, then each team."""
    kb = simulation.network.kb

    def never(minutes: float | None) -> str:
        return "never" if minutes is None else clock(minutes)

    def mean(value: float | None) -> str:
        return "-" if value is None else f"{value:.2f}"

    rows = [
        ("suspicion (after it could be noticed)", never(followed.suspected), *(_after(s.suspected, followed.suspected) for s in scores)),
        ("suspicion before anything failed", "-", *("yes" if s.false_alarm else "no" for s in scores)),
        ("named rightly (after it could be named)", never(followed.isolated), *(_after(s.isolated, followed.isolated) for s in scores)),
    ]  # fmt: skip
    for gauge in scores[0].cover if scores else ():
        began = scores[0].cover[gauge][0]
        covered = (_after(score.cover[gauge][1], began) for score in scores)
        rows.append(
            (
                f"covered the {kb.gauges[gauge].name} (after it misled)",
                f"misleads from {clock(began)}",
                *covered,
            )
        )
    rows += [
        ("told ATC", "-", *(never(s.told_atc) for s in scores)),
        ("decided", "-", *(never(s.decided) for s in scores)),
        ("sound instruments covered at the end", "-", *(", ".join(kb.gauges[g].name for g in s.good_covered) or "none" for s in scores)),
        ("cost of wrong trust, in looks", f"{scores[0].least_wrong_trust:.0f}" if scores else "-", *(f"{s.wrong_trust:.0f}" for s in scores)),
        ("cost of covering what is sound, in looks", "-", *(f"{s.wrong_doubt:.0f}" for s in scores)),
        ("forecasts: mean Brier score (0 is best, saying nothing is 0.25)", "-", *(mean(s.brier) for s in scores)),
        ("the engine's Brier score on the same statements", "-", *(mean(s.engine_brier) for s in scores)),
    ]  # fmt: skip
    return rows


def _forecast_rows(scores: Sequence[TeamScore], simulation: Simulation) -> Iterator[tuple[str, ...]]:
    for score in scores:
        for forecast in score.forecasts:
            yield (
                clock(forecast.call.minutes),
                score.team,
                names(simulation.network.kb, forecast.call.what),
                "so" if forecast.true else "not so",
                percent(forecast.call.sure),
                percent(forecast.engine),
                f"{forecast.bits:.2f}",
                f"{forecast.engine_bits:.2f}",
            )


def reading_marks(simulation: Simulation, followed: Followed) -> list[Mark]:
    """When readings first differed from those of a sound panel."""
    network, seen, marks = simulation.network, set(), []
    for known in followed.known:
        usual = network.expected_readings(known.snapshot.manoeuvre, known.snapshot.switches)
        for facet, reading in known.snapshot.readings.items():
            gauge = facet.split(".")[0]
            if usual.get(facet) != reading and gauge not in seen and gauge != "wind_noise":
                seen.add(gauge)
                marks.append(Mark(known.minutes, "readings", f"{gauge} {reading}".replace("_", " ")))
    return marks


def debrief_page(
    simulation: Simulation,
    followed: Followed,
    record: SessionRecord,
    scores: Sequence[TeamScore],
    paper: Paper = "a4",
) -> str:
    """The whole debrief as a page."""
    scenario = simulation.scenario
    calls = [Mark(c.minutes, c.team, call_words(simulation, c)) for c in record.calls]
    looks = [
        Mark(look.minutes, "looks", f"{look.team}: {simulation.network.kb.gauges[look.gauge].name}")
        for look in record.looks
    ]
    marks = [*truth_marks(simulation), *reading_marks(simulation, followed), *looks, *calls]
    body = [heading(1, f"Debrief: {scenario.title}")]
    body.append(paragraph(f"Session of {clock(record.minutes)}; teams: {', '.join(record.teams)}.", "quiet"))
    body.append(listed(judgement(simulation, followed)))
    body.append(figure("What could be known, what was to be seen, what was called", chart(followed, marks)))
    body.append(heading(2, "Scores"))
    heads = ("", "could have been", *(score.team for score in scores))
    body.append(table(heads, score_rows(scores, followed, simulation)))
    body.append(heading(2, "Forecasts"))
    heads = (
        "min",
        "team",
        "what was named",
        "truth",
        "team's chance",
        "engine's",
        "team's bits",
        "engine's bits",
    )
    body.append(table(heads, _forecast_rows(scores, simulation), numbers=4))
    body.append(
        paragraph("Bits: surprise at what was so, 0 is best; 1 bit is what saying 50 percent costs.", "quiet")
    )
    body.append(heading(2, "All calls"))
    body.append(
        table(
            ("min", "team", "call"),
            [(clock(c.minutes), c.team, call_words(simulation, c)) for c in record.calls],
        )
    )
    if scenario.teaching:
        body += [heading(2, "Teaching points"), listed(scenario.teaching)]
    if scenario.cautions:
        body += [heading(2, "Cautions"), listed(scenario.cautions)]
    return page(f"Debrief: {scenario.title}", body, paper)


def debrief_text(
    simulation: Simulation, followed: Followed, scores: Sequence[TeamScore], width: int = 80
) -> str:
    """The scores as text."""
    title = f"Debrief: {simulation.scenario.title}"
    lines = [
        title,
        "=" * len(title),
        "",
        *(fill(line, width) for line in judgement(simulation, followed)),
        "",
    ]
    for what, engine, *teams in score_rows(scores, followed, simulation):
        lines.append(fill(f"{what}: {engine}", width))
        lines += [
            fill(f"{score.team}: {said}", width, "    ") for score, said in zip(scores, teams, strict=True)
        ]
    return "\n".join(lines)


def debrief_data(followed: Followed, scores: Sequence[TeamScore]) -> dict[str, Any]:
    """The scores as data."""
    return {
        "truth": list(followed.truth),
        "onset": followed.onset,
        "suspected": followed.suspected,
        "isolated": followed.isolated,
        "teams": [
            {
                "team": score.team,
                "suspected": score.suspected,
                "false_alarm": score.false_alarm,
                "isolated": score.isolated,
                "told_atc": score.told_atc,
                "decided": score.decided,
                "cover": {gauge: list(times) for gauge, times in score.cover.items()},
                "good_covered": list(score.good_covered),
                "wrong_trust": score.wrong_trust,
                "wrong_doubt": score.wrong_doubt,
                "least_wrong_trust": score.least_wrong_trust,
                "brier": score.brier,
                "engine_brier": score.engine_brier,
                "forecasts": [
                    {"call": msgspec.to_builtins(f.call), "true": f.true, "engine": f.engine, "bits": f.bits}
                    for f in score.forecasts
                ],
            }
            for score in scores
        ],
    }
