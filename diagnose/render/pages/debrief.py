"""The debrief of a session: scores, and one picture of posterior, readings and calls over time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import msgspec

from diagnose.model.case import Call, SessionRecord
from diagnose.practice.known import Followed
from diagnose.practice.simulate import Simulation
from diagnose.practice.tabletop import TeamScore
from diagnose.render.pages.chart import Mark, chart
from diagnose.render.pages.page import Paper, figure, heading, listed, page, paragraph, table
from diagnose.render.pages.papers import failed_plumbing, ghost_figure, truth_marks
from diagnose.render.pages.timeline import clock, judgement
from diagnose.render.plumbing import plumbing_text
from diagnose.render.text import fill, names, percent, short_name
from diagnose.render.text import table as layout_table

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
    # before there was anything to see it was a guess, and is not praised as quick
    return f"{clock(minutes)} ({'+' + clock(late) if late >= 0 else 'before: a guess'})"


PARTS = {
    "noticed": "Noticed it",
    "named": "Named it",
    "trusted": "Ignored the right gauges",
    "told_atc": "Told ATC",
    "decided": "Decided",
    "false_alarm": "False alarm",
}


def winner_line(scores: Sequence[TeamScore]) -> str:
    """Who has most points, or that it is a tie; with one team its points."""
    ranked = sorted(scores, key=lambda score: -score.total)
    told = ", ".join(f"{score.team} {score.total:.0f}" for score in ranked)
    if len(ranked) == 1:
        return f"Score: {ranked[0].total:.0f} of 100."
    first = [score.team for score in ranked if round(score.total) == round(ranked[0].total)]
    if len(first) > 1:
        return f"A tie between {' and '.join(first)}. Points of 100: {told}."
    return f"The winner is {first[0]}. Points of 100: {told}."


def _part_words(part: str, score: TeamScore, followed: Followed, simulation: Simulation) -> str:
    """What a team did about one thing that is scored, in words."""
    match part:
        case "noticed" if followed.onset is None:
            return "no false alarm" if not score.false_alarm else "suspected a failure; there was none"
        case "noticed":
            return _late(score.suspected, followed.suspected)
        case "named":
            return _late(score.isolated, followed.isolated)
        case "told_atc":
            return "never" if score.told_atc is None else f"at {clock(score.told_atc)}"
        case "decided":
            return "never" if score.decided is None else f"at {clock(score.decided)}"
        case "false_alarm":
            return "suspected a failure before anything had failed"
    return "; ".join(_trusted(score, simulation)) or "no gauge misled, and none was covered"


def _late(when: float | None, possible: float | None) -> str:
    if when is None:
        return "never"
    if possible is None or when <= possible:
        early = (
            ", before it could be known: a guess"
            if possible is None or when < possible - 1e-6
            else ", as soon as possible"
        )
        return f"at {clock(when)}{early}"
    return f"at {clock(when)}, {clock(when - possible)} after it was possible"


def _trusted(score: TeamScore, simulation: Simulation) -> Iterator[str]:
    """Which gauges that mislead were covered when, and which good ones were covered at the end."""
    gauges = simulation.network.kb.gauges
    if score.cover and score.most_wrong_trust <= score.least_wrong_trust:
        yield "nobody could know which gauges misled before the session ended"
        return
    for gauge, (began, when) in score.cover.items():
        name = short_name(gauges[gauge])
        if when is None:
            yield f"never covered {name}, which misled from {clock(began)}"
        elif when <= began:
            yield f"covered {name} at {clock(when)}, before it misled: a guess"
        else:
            yield f"covered {name} {clock(when - began)} after it began to mislead"
    if score.good_covered:
        listed = ", ".join(short_name(gauges[gauge]) for gauge in score.good_covered)
        yield f"covered {listed}, which {'was' if len(score.good_covered) == 1 else 'were'} good"


def team_rows(score: TeamScore, followed: Followed, simulation: Simulation) -> list[tuple[str, str, str]]:
    """What a team did, thing by thing: what, in words, points."""
    return [
        (
            PARTS[part],
            _part_words(part, score, followed, simulation),
            f"{points:.0f} of {most:.0f}" if most else f"{points:.0f}",
        )
        for part, (points, most) in score.points.items()
    ]


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
        ("noticed (after it could be)", never(followed.suspected), *(_after(s.suspected, followed.suspected) for s in scores)),
        ("suspected something before anything failed", "-", *("yes" if s.false_alarm else "no" for s in scores)),
        ("named correctly (after it could be)", never(followed.isolated), *(_after(s.isolated, followed.isolated) for s in scores)),
    ]  # fmt: skip
    for gauge in scores[0].cover if scores else ():
        began = scores[0].cover[gauge][0]
        covered = (_after(score.cover[gauge][1], began) for score in scores)
        rows.append(
            (
                f"covered the {kb.gauges[gauge].name} (after it began to mislead)",
                f"starts misleading at {clock(began)}",
                *covered,
            )
        )
    rows += [
        ("told ATC", "-", *(never(s.told_atc) for s in scores)),
        ("decided", "-", *(never(s.decided) for s in scores)),
        ("good instruments covered at the end", "-", *(", ".join(kb.gauges[g].name for g in s.good_covered) or "none" for s in scores)),
        ("penalty for trusting a bad gauge, in looks", f"{scores[0].least_wrong_trust:.0f}" if scores else "-", *(f"{s.wrong_trust:.0f}" for s in scores)),
        ("penalty for covering a good one, in looks", "-", *(f"{s.wrong_doubt:.0f}" for s in scores)),
        ("confidence: mean Brier score (0 is best, 50 % on everything is 0.25)", "-", *(mean(s.brier) for s in scores)),
        ("the same for the engine", "-", *(mean(s.engine_brier) for s in scores)),
    ]  # fmt: skip
    return rows


def _forecast_rows(scores: Sequence[TeamScore], simulation: Simulation) -> Iterator[tuple[str, ...]]:
    for score in scores:
        for forecast in score.forecasts:
            yield (
                clock(forecast.call.minutes),
                score.team,
                names(simulation.network.kb, forecast.call.what),
                "true" if forecast.true else "false",
                percent(forecast.call.sure),
                percent(forecast.engine),
                f"{forecast.bits:.2f}",
                f"{forecast.engine_bits:.2f}",
            )


def reading_marks(simulation: Simulation, followed: Followed) -> list[Mark]:
    """When readings first differed from those of a healthy panel."""
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
    *,
    figures: bool = False,
) -> str:
    """The whole debrief as a page; ``figures`` adds penalties and scores of confidence."""
    scenario = simulation.scenario
    calls = [Mark(c.minutes, c.team, call_words(simulation, c)) for c in record.calls]
    looks = [
        Mark(look.minutes, "looks", f"{look.team}: {simulation.network.kb.gauges[look.gauge].name}")
        for look in record.looks
    ]
    marks = [*truth_marks(simulation), *reading_marks(simulation, followed), *looks, *calls]
    body = [heading(1, f"Debrief: {scenario.title}")]
    body.append(paragraph(winner_line(scores), "says"))
    body.append(listed(judgement(simulation, followed)))
    body.append(paragraph(f"Session of {clock(record.minutes)}; teams: {', '.join(record.teams)}.", "quiet"))
    for score in scores:
        body.append(heading(2, f"{score.team}: {score.total:.0f} of 100"))
        body.append(table(("", "", "points"), team_rows(score, followed, simulation), numbers=1))
    body += [failed_plumbing(simulation, followed), ghost_figure(simulation)]
    body.append(figure("What could be known, what was visible, what was called", chart(followed, marks)))
    if figures:
        body.append(heading(2, "Figures"))
        heads = ("", "engine", *(score.team for score in scores))
        body.append(table(heads, score_rows(scores, followed, simulation)))
        body.append(heading(2, "How sure, and how right"))
        heads = ("min", "team", "named", "true?", "team's chance", "engine's", "team's bits", "engine's bits")
        body.append(table(heads, _forecast_rows(scores, simulation), numbers=4))
        body.append(paragraph("Bits: 0 is best; saying 50 percent costs 1 bit.", "quiet"))
    body.append(heading(2, "All calls"))
    body.append(
        table(
            ("min", "team", "call"),
            [(clock(c.minutes), c.team, call_words(simulation, c)) for c in record.calls],
        )
    )
    if record.unread:
        body.append(heading(2, "Lines that were not understood"))
        body.append(
            table(("min", "line"), [(clock(u.minutes), f"{u.team} {u.text}".strip()) for u in record.unread])
        )
    if scenario.teaching:
        body += [heading(2, "Teaching points"), listed(scenario.teaching)]
    if scenario.cautions:
        body += [heading(2, "Cautions"), listed(scenario.cautions)]
    return page(f"Debrief: {scenario.title}", body, paper)


def debrief_text(
    simulation: Simulation,
    followed: Followed,
    scores: Sequence[TeamScore],
    width: int = 80,
    *,
    figures: bool = False,
) -> str:
    """Who won, what each team did and when, as text; ``figures`` adds penalties and scores of confidence."""
    title = f"Debrief: {simulation.scenario.title}"
    lines = [
        title,
        "=" * len(title),
        fill(winner_line(scores), width),
        "",
        *(fill(line, width) for line in judgement(simulation, followed)),
    ]
    drawn = plumbing_text(simulation.network, followed.truth, width=width, only_concerned=True)
    lines += ["", drawn] if drawn else []
    for score in scores:
        rows = [
            (f"  {what}", f"{said} ({points})")
            for what, said, points in team_rows(score, followed, simulation)
        ]
        lines += ["", f"{score.team}: {score.total:.0f} of 100", layout_table(rows, width)]
    if not figures:
        return "\n".join(lines)
    lines.append("")
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
                "total": score.total,
                "points": {part: list(points) for part, points in score.points.items()},
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
