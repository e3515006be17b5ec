"""The debrief of a session: scores, and one picture of posterior, readings and calls over time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import msgspec
import numpy as np

from diagnose.model.case import Call, SessionRecord
from diagnose.model.units import min_from_s, s_from_min
from diagnose.practice.known import Followed, hanging, misleading, odd_gauges, odd_readings
from diagnose.practice.scoring import TeamScore
from diagnose.practice.simulate import Simulation, state_at
from diagnose.practice.tabletop import NAMING, USING
from diagnose.render.pages.page import (
    Paper,
    data_script,
    figure,
    folded,
    heading,
    listed,
    page,
    paragraph,
    part,
    table,
)
from diagnose.render.pages.papers import (
    READINGS,
    deck_bar,
    deck_data,
    failed_plumbing,
    ghost_figure,
    plumbing_over_time,
    seen_gauges,
    truth_marks,
)
from diagnose.render.pages.timeline import SYSTEM_WORDS, certainty, clock, judgement, known_chart, known_rows
from diagnose.render.pictures.charts import Mark
from diagnose.render.pictures.panel import panel_halves
from diagnose.render.plumbing import plumbing_text
from diagnose.render.text import fill, names, percent, short_name
from diagnose.render.text import table as layout_table

KIND_WORDS = {
    "suspect": "suspects",
    "isolate": "names",
    "cover": "covers",
    "doubt": "doubts",
    "trust": "trusts",
    "uncover": "trusts",
    "tell_atc": "tells ATC",
    "decide": "decides",
}

def named_words(simulation: Simulation, what: Sequence[str]) -> str:
    """What a call names: failures, families of them, or a system."""
    kb = simulation.network.kb
    wide = [
        f"the {SYSTEM_WORDS[name]}" if name in SYSTEM_WORDS else kb.families[name].name
        for name in what
        if name not in kb.failures
    ]
    causes = tuple(name for name in what if name in kb.failures)
    return " + ".join([*wide, *([names(kb, causes)] if causes or not wide else [])])


def call_words(simulation: Simulation, call: Call) -> str:
    """A call in words."""
    kb = simulation.network.kb
    if call.kind in NAMING:
        sure = f" ({percent(call.sure)})" if call.sure < 1.0 else ""
        return f"{KIND_WORDS[call.kind]} {named_words(simulation, call.what)}{sure}"
    if call.kind in USING:
        return f"{KIND_WORDS[call.kind]} {', '.join(kb.gauges[gauge].name for gauge in call.what)}"
    return ": ".join([KIND_WORDS[call.kind], *call.what])


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
    if not any(most for score in ranked for _, most in score.points.values()):
        return "No score: the session ended before anything had failed."
    if len(ranked) == 1:
        return f"Score: {ranked[0].total:.0f} of 100."
    first = [score.team for score in ranked if round(score.total) == round(ranked[0].total)]
    if len(first) > 1:
        return f"A tie between {' and '.join(first)}. Points of 100: {told}."
    return f"The winner is {first[0]}. Points of 100: {told}."


def total_words(score: TeamScore) -> str:
    """A team's points, and of how many where not all that can count did."""
    reached, most = (sum(pair[place] for pair in score.points.values()) for place in (0, 1))
    of = f" ({max(reached, 0.0):.0f} of the {most:.0f} points that counted)" if 0.0 < most < 99.5 else ""
    return f"{score.team}: {score.total:.0f} of 100{of}"


def _part_words(part: str, score: TeamScore, followed: Followed, simulation: Simulation) -> str:
    """What a team did about one thing that is scored, in words."""
    match part:
        case "noticed" if followed.onset is None:
            return "no false alarm" if not score.false_alarm else "suspected a failure; there was none"
        case "noticed":
            wrong = ", but blamed a system that was sound" if score.blamed_wrong else ""
            return _late(score.suspected, score.possible[0]) + wrong
        case "named":
            best, when = score.named_as, _late(score.isolated, score.possible[1])
            if best is None or (best.kind == "isolate" and set(best.what) <= set(simulation.network.kb.failures)):
                return when
            return f"{'suspected' if best.kind == 'suspect' else 'named'} {named_words(simulation, best.what)} {when}"
        case "told_atc":
            return "never" if score.told_atc is None else f"at {clock(score.told_atc)}"
        case "decided" if score.set_right is not None:
            return f"{' '.join(score.set_right.what)} at {clock(score.set_right.minutes)}: it put the instruments right"
        case "decided" if score.decided is not None:
            return f"at {clock(score.decided)}" + (", with the call to ATC" if score.decided == score.told_atc else "")
        case "decided":
            return "about a switch that has no part in this" if score.decided_in_vain else "never"
        case "false_alarm":
            return "suspected a failure before anything had failed"
    return "; ".join(_trusted(score, followed.onset, simulation)) or "no gauge misled, and none was covered"


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


def lesson(score: TeamScore, followed: Followed, simulation: Simulation) -> str:
    """One line of what a team should learn: from where it lost most."""
    lost = {part: most - points for part, (points, most) in score.points.items()}
    part = max(lost, key=lambda name: lost[name], default="")
    if not part or lost[part] < 0.5:
        return "nothing was left to gain; fly it again with less in view"
    gauges = simulation.network.kb.gauges
    if score.blamed_wrong and (against := _against(score, followed, simulation)):
        return against
    odd = [short_name(gauges[gauge]) for gauge in odd_gauges(simulation, followed)]
    match part:
        case "false_alarm":
            return "wait for a second witness that does not hang on the same line before you suspect a failure"
        case "noticed" if followed.onset is None:
            return "an odd reading alone is no failure: ask what the air and the maneuver do to it"
        case "noticed":
            at = score.suspected if score.suspected is not None else followed.end
            first = next((m for m in reading_marks(simulation, followed) if m.minutes > followed.onset - 1e-6), None)  # type: ignore[operator]
            told = f": by {clock(first.minutes)} it was to be seen ({first.text})" if first and first.minutes < at else ""
            return f"compare dials that share no line all the time{told}"
        case "named" if score.named_as is not None and score.named_as.kind == "suspect":
            return "your suspicion was right: name it, so that you can act on it"
        case "named" if len(odd) > 1:
            return f"ask what the odd dials share: {', '.join(odd[:-1])} and {odd[-1]}"
        case "named" if odd:
            return f"the {odd[0]} alone is odd: read what shares its line; if that is good, the dial itself has failed"
        case "named":
            return "name the system first, then look for what tells its causes apart"
        case "told_atc":
            return "tell ATC as soon as an instrument is in doubt; the cause can wait"
        case "decided":
            return "say what you will do with what is left, even before the cause is known"
    used = max(score.still_used, key=lambda gauge: score.still_used[gauge], default="")
    if used and score.still_used[used] > 0.0 and score.wrong_trust - score.least_wrong_trust >= score.wrong_doubt:
        return f"cover what you doubt: the {short_name(gauges[used])} misled for {clock(score.still_used[used])} in all while you still used it"
    good = ", ".join(short_name(gauges[gauge]) for gauge in score.good_covered) or "a dial"
    return f"cover only what a witness speaks against: {good} told the truth"


def _against(score: TeamScore, followed: Followed, simulation: Simulation) -> str:
    """What spoke against a wrong suspicion: gauges that hang on what was blamed, and read as usual."""
    gauges, call = simulation.network.kb.gauges, next(f.call for f in score.forecasts if f.call.minutes == score.suspected)
    causes = [name for name in call.what if name in simulation.network.kb.failures]
    odd = set(odd_gauges(simulation, followed))
    good = [g for g in hanging(simulation, causes) if g in simulation.network.dial_gauges and g not in odd]
    sound = [short_name(gauges[gauge]) for gauge in good[:2]]
    blamed = f"you blamed {named_words(simulation, call.what)}"
    return f"{blamed}; {' and '.join(sound)}, which hang{'s' * (len(sound) == 1)} on it, read as usual" if sound else ""


def still_used_rows(simulation: Simulation, scores: Sequence[TeamScore], until: float) -> list[tuple[str, ...]]:
    """For each instrument that misled: since when, how long, and for how long each team still used it."""
    gauges, rows = simulation.network.kb.gauges, []
    for gauge, wrong in misleading(simulation).items():
        misled = int(wrong[: round(s_from_min(until))].sum())
        if not misled:
            continue
        began = min_from_s(float(np.argmax(wrong)))
        cells = []
        for score in scores:
            left = score.still_used.get(gauge, 0.0)
            when = score.cover.get(gauge, (began, None))[1]
            if when is not None:
                then = f"covered it at {clock(when)}"
            else:
                then = "doubted it" if left < min_from_s(float(misled)) else "never covered or doubted it"
            cells.append(f"used it for {clock(left)}; {then}" if left else then)
        rows.append((gauges[gauge].name, clock(began), clock(min_from_s(float(misled))), *cells))
    return rows


def _replay(
    simulation: Simulation, followed: Followed, record: SessionRecord
) -> tuple[str, dict[str, Any]]:
    """The flight again with calls, failures and what misled on the bar, and the lines; what its script needs."""
    kb = simulation.network.kb
    six, more = panel_halves(state_at(simulation, 0.0), kb.dials, seen_gauges(simulation))
    spans = []
    for gauge, wrong in misleading(simulation).items():
        if wrong.any():
            edges = np.flatnonzero(np.diff(np.concatenate([[0], wrong.astype(int), [0]]))).tolist()
            spans.append([short_name(kb.gauges[gauge]), list(zip(edges[::2], edges[1::2], strict=True))])
    data = deck_data(simulation, answers=True) | {
        "misleads": spans,
        "called": [[s_from_min(c.minutes), c.team, call_words(simulation, c)] for c in record.calls],
    }
    return (
        f'<section class="screen"><h2>The flight again</h2><div id="stage">{deck_bar(simulation.samples)}'
        f'<div id="beside">'
        f'<div id="panel"><div id="six">{six}</div><div id="more">{more}</div></div>'
        f"{plumbing_over_time(simulation, followed)}</div></div>"
        + paragraph("Bar: round, radio; diamond, a call; solid, a failure; hatched below, an instrument that misleads.", "quiet")
        + f"{READINGS}</section>",
        data,
    )


def _trusted(score: TeamScore, onset: float | None, simulation: Simulation) -> Iterator[str]:
    """Which gauges that mislead were covered when, and which good ones were covered at the end."""
    gauges = simulation.network.kb.gauges
    unknown = score.most_wrong_trust <= score.least_wrong_trust
    if score.cover and unknown and not any(when for _, when in score.cover.values()):
        yield "nobody could know which gauges misled before the session ended"
    for gauge, (began, when) in score.cover.items():
        name = short_name(gauges[gauge])
        if unknown and when is None:
            continue
        if when is None:
            yield f"never covered {name}, which misled from {clock(began)}"
        elif when < (onset or 0.0):
            yield f"covered {name} at {clock(when)}, before anything had failed: a guess"
        elif when <= began:
            yield f"covered {name} at {clock(when)}, before it misled: well done"
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


def score_rows(scores: Sequence[TeamScore], followed: Followed, simulation: Simulation) -> list[tuple[str, ...]]:
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
                named_words(simulation, forecast.call.what),
                "true" if forecast.true else "false",
                percent(forecast.call.sure),
                percent(forecast.engine),
                f"{forecast.bits:.2f}",
                f"{forecast.engine_bits:.2f}",
            )


def reading_marks(simulation: Simulation, followed: Followed) -> list[Mark]:
    """When readings first differed from those of a healthy panel."""
    seen: set[str] = set()
    marks = []
    for minutes, gauge, reading in odd_readings(simulation, followed):
        if gauge not in seen and gauge != "wind_noise":
            seen.add(gauge)
            marks.append(Mark(minutes, "readings", f"{gauge} {reading}".replace("_", " ")))
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
    body += [failed_plumbing(simulation, followed), ghost_figure(simulation, record.minutes)]
    again, data = _replay(simulation, followed, record)
    body.append(again)
    if rows := still_used_rows(simulation, scores, record.minutes):
        body.append(heading(2, "Which instrument misled, and who still used it"))
        heads = ("instrument", "from", "for", *(score.team for score in scores))
        body.append(table(heads, rows))
    for score in scores:
        body.append(heading(2, total_words(score)))
        body.append(paragraph(f"To learn: {lesson(score, followed.until(record.minutes), simulation)}.", "says"))
        body.append(table(("", "", "points"), team_rows(score, followed, simulation), numbers=1))
    body.append(heading(2, "How certain one could have been"))
    body.append(paragraph(certainty(followed.until(record.minutes))))
    body.append(figure("What could be known, what was visible, what was called", known_chart(followed, marks)))
    heads = ("min", "likeliest", "something is wrong", "what is really so")
    body.append(folded("The same as a table", table(heads, known_rows(followed, simulation), numbers=2)))
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
    body.append(data_script(data))
    script = part("moving.js") + part("deck.js") + part("replay.js")
    style = part("player.css") + part("deck.css")
    return page(f"Debrief: {scenario.title}", body, paper, script=script, style=style)


def debrief_text(
    simulation: Simulation,
    followed: Followed,
    scores: Sequence[TeamScore],
    width: int = 80,
    *,
    until: float | None = None,
    figures: bool = False,
) -> str:
    """Who won, what each team did and when, as text. ``until``: when the session ended.

    ``figures`` adds penalties and scores of confidence.
    """
    title = f"Debrief: {simulation.scenario.title}"
    lines = [
        title,
        "=" * len(title),
        fill(winner_line(scores), width),
        "",
        *(fill(line, width) for line in judgement(simulation, followed)),
    ]
    seen = followed if until is None else followed.until(until)
    drawn = plumbing_text(simulation.network, followed.truth, width=width, only_concerned=True)
    lines += ["", drawn] if drawn else []
    for score in scores:
        rows = [
            (f"  {what}", f"{said} ({points})")
            for what, said, points in team_rows(score, followed, simulation)
        ]
        lines += ["", total_words(score), layout_table(rows, width)]
        lines.append(fill(f"To learn: {lesson(score, seen, simulation)}.", width))
    if told := certainty(seen):
        lines += ["", fill(told, width)]
    if not figures:
        return "\n".join(lines)
    lines.append("")
    for what, engine, *teams in score_rows(scores, followed, simulation):
        lines.append(fill(f"{what}: {engine}", width))
        lines += [
            fill(f"{score.team}: {said}", width, "    ") for score, said in zip(scores, teams, strict=True)
        ]
    return "\n".join(lines)


def debrief_data(simulation: Simulation, followed: Followed, scores: Sequence[TeamScore]) -> dict[str, Any]:
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
                "still_used": dict(score.still_used),
                "learn": lesson(score, followed, simulation),
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
