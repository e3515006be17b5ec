"""One picture of a scenario over time: what could be known, what happened, what was called."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence

from diagnose.model.case import ScenarioRecord
from diagnose.model.units import s_from_min
from diagnose.practice.known import Followed, unusual_from
from diagnose.practice.simulate import Simulation, shown_histories, state_at
from diagnose.render.pictures.charts import Line, Mark, chart
from diagnose.render.text import fill, names, percent


def known_chart(followed: Followed, marks: Sequence[Mark] = ()) -> str:
    """Chance that something is wrong and of the truth, with rows of marks below."""
    end = followed.end
    times: list[tuple[float | None, str]] = []
    for minutes, text in (
        (followed.onset, "begins"),
        (followed.suspected, "to be noticed"),
        (followed.isolated, "to be named"),
    ):
        if minutes is not None:
            times.append((minutes, f"{text} {clock(minutes)}"))
        elif followed.onset is not None:
            times.append((None, f"never enough {text}"))
    return chart(
        [
            Line("what is really so", [(k.minutes, k.right) for k in followed.known]),
            Line("something is wrong (even odds before)", [(k.minutes, k.something) for k in followed.known]),
        ],
        (0.0, end),
        [(float(minute), str(minute)) for minute in range(int(end) + 1)],
        "what could be known over time",
        name="min",
        times=times,
        marks=marks,
        clock=clock,
    )


#: heading of a column, what it reads, how it is written
COLUMNS = (
    ("kt", "airspeed_kt", "{:.0f}"),
    ("feet", "altitude_ft", "{:.0f}"),
    ("fpm", "vertical_speed_fpm", "{:+.0f}"),
    ("bank", "bank_deg", "{:+.0f}"),
    ("nose", "pitch_deg", "{:+.0f}"),
    ("hdg", "heading_deg", "{:03.0f}"),
    ("turn", "turn_rate_dps", "{:+.1f}"),
    ("comp", "compass_deg", "{:03.0f}"),
    ("suct", "suction_inhg", "{:.1f}"),
    ("volt", "voltmeter_v", "{:.1f}"),
)
LAMPS = {
    "vacuum_light": "low vac",
    "left_vacuum_light": "L vac",
    "right_vacuum_light": "vac R",
    "low_voltage_light": "low volts",
    "turn_flag": "turn flag",
    "electric_flag": "horizon flag",
    "stall_warner": "STALL HORN",
}

#: system -> what a team suspects that suspects it
SYSTEM_WORDS = {
    "pitot": "pitot line",
    "static": "static line",
    "vacuum": "vacuum system",
    "electrical": "electrical system",
    "instrument": "instrument itself",
    "air": "air",
    "pilot": "pilot's own doing",
}


def clock(minutes: float) -> str:
    """Minutes as m:ss."""
    seconds = round(s_from_min(minutes))
    return f"{seconds // 60}:{seconds % 60:02d}"


def shown(written: str, value: float) -> str:
    """A number as a column writes it; what rounds to nothing has no sign."""
    text = written.format(value)
    return text if any(digit in text for digit in "123456789") else text.lstrip("+-")


def events(scenario: ScenarioRecord, kb_names: dict[str, str], *, answers: bool) -> list[tuple[float, str]]:
    """What happens when: injects and switches, and with ``answers`` what fails. ``kb_names``: id -> name."""
    found = [(i.at_minutes, f"{i.who}: {i.says}") for i in scenario.inject]
    found += [(a.at_minutes, f"{kb_names.get(a.switch, a.switch)} {a.position}") for a in scenario.action]
    if answers:
        for event in scenario.failure:
            how = event.progression + (
                f" over {event.over_minutes:g} min" if event.progression == "gradual" else ""
            )
            found.append((event.at_minutes, f"FAILS: {kb_names.get(event.id, event.id)} ({how})"))
        if scenario.pilot.follows:
            led = f"the pilot follows the {kb_names.get(scenario.pilot.follows, scenario.pilot.follows)}"
            found.append((scenario.pilot.from_minutes, led))
    return sorted(found, key=lambda item: item[0])


def known_names(simulation: Simulation) -> dict[str, str]:
    """Names of failures, switches and gauges by id."""
    kb = simulation.network.kb
    tables = (kb.failures, kb.switches, kb.gauges)
    return {entry: record.name for table in tables for entry, record in table.items()}


def _row(simulation: Simulation, second: int) -> str:
    state = state_at(simulation, second)
    cells = [
        f"{shown(written, value) if isinstance(value := state.get(name), float) else '':>6}"
        for _, name, written in COLUMNS
    ]
    lit = [words for name, words in LAMPS.items() if state.get(name) == 1.0]
    return f"{clock(second / 60.0):>6}{''.join(cells)}  {', '.join(lit)}".rstrip()


def timeline_text(
    simulation: Simulation, followed: Followed | None = None, *, every_s: int = 30, width: int = 80
) -> str:
    """The timeline in text; with ``followed`` it holds the answers."""
    scenario, kb = simulation.scenario, simulation.network.kb
    answers = followed is not None
    lines = [scenario.title, "=" * len(scenario.title), "", fill(scenario.briefing, width), ""]
    lines.append(f"{'min':>6}" + "".join(f"{head:>6}" for head, _, _ in COLUMNS) + "  lamps, flags")
    waiting = events(scenario, known_names(simulation), answers=answers)
    leg = -1
    for second in range(0, simulation.samples, every_s):
        while waiting and s_from_min(waiting[0][0]) <= second:
            at, says = waiting.pop(0)
            lines.append(fill(says, width, f"{clock(at):>6}  * ", " " * 10))
        if (now := int(simulation.plan.leg_of[second])) != leg:
            leg = now
            lines.append(f"        -- {kb.manoeuvres[simulation.plan.legs[leg].manoeuvre].name}")
        lines.append(_row(simulation, second))
    for at, says in waiting:
        lines.append(fill(says, width, f"{clock(at):>6}  * ", " " * 10))
    if followed is not None:
        lines += ["", *known_lines(simulation, followed, width)]
    return "\n".join(lines)


def known_lines(simulation: Simulation, followed: Followed, width: int) -> Iterator[str]:
    """What could have been known at the end of each snapshot, and what follows from it."""
    kb = simulation.network.kb
    yield "What could be known (the engine, with everything that was visible)"
    for known in followed.known:
        ranked = "; ".join(f"{percent(chance)} {names(kb, members)}" for members, chance in known.ranking[:2])
        yield fill(
            f"something wrong {percent(known.something)}; {ranked}",
            width,
            f"{clock(known.minutes):>6}  ",
            " " * 8,
        )
    yield ""
    yield from (fill(line, width) for line in judgement(simulation, followed))


def certainty(followed: Followed) -> str:
    """How certain perfect reasoning could have been, in a line."""
    if not followed.known:
        return ""
    last = followed.known[-1]
    if followed.onset is None:
        return f"With perfect reasoning one could have been {percent(last.right)} sure at the end that nothing had failed."
    begun = [known for known in followed.known if known.minutes > followed.onset and known.truth]
    if not begun:
        return ""
    best = max(begun, key=lambda known: known.right)
    told = f"With perfect reasoning one could have been at most {percent(best.right)} sure of what had failed ({clock(best.minutes)})"
    if followed.isolated is None:
        return f"{told}: it could not be named in this session."
    return f"{told}; it could be named from {clock(followed.isolated)} on."


def known_rows(followed: Followed, simulation: Simulation) -> list[tuple[str, ...]]:
    """The chart of what could be known as a table: minute, something wrong, the truth, likeliest."""
    kb = simulation.network.kb
    return [
        (
            clock(known.minutes),
            f"{names(kb, known.ranking[0][0])} ({percent(known.ranking[0][1])})" if known.ranking else "-",
            percent(known.something),
            percent(known.right),
        )
        for known in followed.known
    ]


def judgement(simulation: Simulation, followed: Followed) -> Iterator[str]:
    """Onset, suspicion, isolation and difficulty in sentences."""
    kb = simulation.network.kb

    def said(minutes: float | None) -> str:
        return "at no time in this flight" if minutes is None else f"by {clock(minutes)}"

    yield f"What failed: {names(kb, followed.truth) if followed.truth else 'nothing'}."
    if followed.onset is not None:
        yield f"It began at {clock(followed.onset)}."
        yield f"It could be noticed {said(followed.suspected)}."
    if (family := _family(simulation, followed)) and family[1] != followed.isolated:
        yield f"That it was {family[0]} could be known {said(family[1])}."
    yield f"It could be named {said(followed.isolated)}."
    yield f"Difficulty: {followed.level}."
    unusual = unusual_from(simulation)
    if unusual is not None:
        yield f"Unusual attitude from {clock(unusual)}."


def _family(simulation: Simulation, followed: Followed) -> tuple[str, float] | None:
    """The family of the one failure that is there, and when one of its members was as good as certain."""
    kb = simulation.network.kb
    enough = simulation.sizes("known.isolated")
    for family in kb.families.values():
        if len(followed.truth) != 1 or not set(followed.truth) <= set(family.members):
            continue
        for known in followed.known:
            chance = sum(share for members, share in known.ranking if members and set(members) <= set(family.members))
            if followed.onset is not None and known.minutes > followed.onset and chance >= enough:
                return family.name, known.minutes
    return None


def timeline_csv(simulation: Simulation, *, answers: bool) -> str:
    """Every second as a row of a table; with ``answers`` the true motion and the failures as well."""
    shown = shown_histories(simulation)
    table: dict[str, list[object]] = {"second": list(range(simulation.samples))}
    table["manoeuvre"] = [simulation.leg_at(k).manoeuvre for k in range(simulation.samples)]
    for name, values in shown.items():
        table[name] = [round(v, 3) if isinstance(v, float) else v for v in values.tolist()]
    if answers:
        course = simulation.course
        for name in (
            "height_ft",
            "airspeed_kt",
            "rate_fpm",
            "turn_dps",
            "heading_deg",
            "bank_deg",
            "pitch_deg",
        ):
            table[f"true_{name}"] = [round(v, 3) for v in getattr(course, name).tolist()]
        for failure, degree in simulation.degrees.items():
            table[f"failed_{failure}"] = [round(v, 3) for v in degree.tolist()]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table)
    writer.writerows(zip(*table.values(), strict=True))
    return out.getvalue()
