"""The instructor's session in the terminal: a line in, what happens out. Works through a pipe as well."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

from diagnose.console import bounded
from diagnose.errors import CaseError, DiagnoseError
from diagnose.files import write_whole
from diagnose.model import Failure
from diagnose.pictures import panel_text
from diagnose.report.debrief import call_words
from diagnose.report.papers import seen_gauges
from diagnose.report.timeline import clock, events, known_names
from diagnose.scenario import Followed
from diagnose.simulate import state_at
from diagnose.tabletop import Table, advance, call, look, write_session
from diagnose.text import fill, names, percent
from diagnose.units import s_from_min
from diagnose.words import entry_forms, find
from diagnose.words.prose import named_gauge

HELP = (
    ("next, or an empty line", "time goes on by half a minute, or to the next call on the radio"),
    ("go SECONDS", "time goes on by so many seconds"),
    ("panel", "the panel now"),
    ("look GAUGE", "a look at one gauge, also at one that is not in view; it costs time"),
    ("suspect FAILURE 60", "a suspicion, and how sure in percent (several: joined with +)"),
    ("isolate FAILURE 90", "the failure named; isolate nothing: nothing has failed"),
    ("cover GAUGE", "a gauge covered; uncover GAUGE: seen again"),
    ("atc WORDS, decide WORDS", "tell ATC; a decision"),
    ("undo", "takes the last line back"),
    ("notes", "what the instructor's copy says about this moment (with --answers)"),
    ("save FILE, quit", "the record; the end"),
)
TEAMS_HELP = (
    "With several teams each line about a look or a call begins with the team: red suspect pump sheared 60"
)
#: columns of what is typed
TYPED = 25


def help_lines(width: int) -> list[str]:
    """What can be typed, one entry a line."""
    entries = [fill(does, width, f"{typed:<{TYPED}}", " " * TYPED) for typed, does in HELP]
    return [*entries, fill(TEAMS_HELP, width)]


@dataclass(frozen=True)
class Desk:
    """What the instructor's terminal holds: the table, its past, and how much may be shown.

    ``saved``: the table as it was last written; ``own``: files that this session has written.
    """

    table: Table
    past: tuple[Table, ...] = ()
    followed: Followed | None = None
    width: int = 80
    done: bool = False
    saved: Table | None = None
    own: tuple[Path, ...] = ()

    def to(self, table: Table) -> Desk:
        """Go on to another state of the table."""
        return replace(self, table=table, past=(*self.past, self.table))


Reply = tuple[Desk, list[str]]


def opening(desk: Desk) -> list[str]:
    """What is said and shown before anything is typed."""
    table = desk.table
    scenario, kb = table.simulation.scenario, table.simulation.network.kb
    lines = [scenario.title, "=" * len(scenario.title), "", fill(f"Say: {scenario.briefing}", desk.width)]
    if scenario.context:
        day = "; ".join(kb.context[flag].name for flag in scenario.context)
        lines.append(fill(f"The day: {day}.", desk.width))
    lines += [f"Teams: {', '.join(table.teams)}. help lists what can be typed.", "", *moment(desk)]
    return lines


def moment(desk: Desk) -> list[str]:
    """The panel now, and what to ask."""
    table = desk.table
    simulation = table.simulation
    second = min(round(s_from_min(table.minutes)), simulation.samples - 1)
    kb = simulation.network.kb
    flown = kb.manoeuvres[simulation.leg_at(second).manoeuvre].name
    picture = panel_text(
        state_at(simulation, second), kb.dials, seen_gauges(simulation), covered=table.covered
    )
    lines = [f"{clock(table.minutes)}  {flown}", picture]
    if table.over:
        lines.append("The flight is over. Ask for a last word of each team, then: save FILE, quit")
    else:
        lines.append("Ask: what do you see, what do you think, what would you look at next?")
    return lines


def _happened(desk: Desk, before: float, after: float) -> Iterator[str]:
    """What is to be said for the time that went by."""
    simulation = desk.table.simulation
    for at, says in events(simulation.scenario, known_names(simulation), answers=desk.followed is not None):
        if before < at <= after or (before == 0.0 == at):
            spoken = f"(not to be said) {says}" if says.startswith("FAILS") else f"Say: {says}"
            yield fill(spoken, desk.width, f"{clock(at)}  ", " " * 6)


def _go(desk: Desk, seconds: float) -> Reply:
    after = desk.to(advance(desk.table, seconds))
    said = list(_happened(after, desk.table.minutes, after.table.minutes))
    return after, [*said, *moment(after)]


def _next(desk: Desk) -> Reply:
    table = desk.table
    until = table.minutes + table.simulation.sizes("table.step_s") / 60.0
    for inject in table.simulation.scenario.inject:
        if table.minutes < inject.at_minutes < until:
            until = inject.at_minutes
    return _go(desk, s_from_min(until - table.minutes))


def notes(desk: Desk) -> list[str]:
    """What the engine knows by now: for the instructor's eyes."""
    if desk.followed is None:
        return ["The answers are hidden: start with --answers to see them."]
    kb = desk.table.simulation.network.kb
    known = desk.followed.at(desk.table.minutes)
    second = min(round(s_from_min(desk.table.minutes)), desk.table.simulation.samples - 1)
    lines = [f"Really there: {names(kb, desk.table.simulation.active_at(second))}."]
    if known is None:
        return [*lines, "Nothing could be known yet."]
    first = "; ".join(f"{percent(chance)} {names(kb, members)}" for members, chance in known.ranking[:3])
    doubtful = ", ".join(kb.gauges[g].name for g, true in known.trust.items() if true < 0.5)
    lines.append(f"Could be known: something wrong {percent(known.something)}; {first}.")
    lines.append(f"Not to be trusted: {doubtful or 'nothing'}.")
    return lines


def _named(desk: Desk, text: str) -> tuple[str, ...]:
    network = desk.table.simulation.network
    failures: dict[str, Failure] = {failure.id: failure for failure in network.failures}
    if text in ("nothing", "nothing failed", "none"):
        return ()
    return tuple(
        find(part.strip(), entry_forms(failures), "failure on this panel") for part in text.split("+")
    )


def _gauge(desk: Desk, text: str) -> str:
    network = desk.table.simulation.network
    gauges = {gauge: network.kb.gauges[gauge] for gauge in network.dial_gauges}
    if (named := named_gauge(text, network.kb)) in gauges:
        return named  # "the ASI", "his whiskey compass"
    return find(text, entry_forms(gauges), "gauge on this panel")


def _team(desk: Desk, line: str) -> tuple[str, str]:
    """The team that a line speaks of, and the rest of it."""
    for team in desk.table.teams:
        if line.casefold() == team.casefold() or line.casefold().startswith(f"{team.casefold()} "):
            return team, line[len(team) :].strip()
    if len(desk.table.teams) == 1:
        return desk.table.teams[0], line
    raise CaseError("which team?", mend=f"begin the line with one of: {', '.join(desk.table.teams)}")


def _call(desk: Desk, line: str) -> Reply:
    team, rest = _team(desk, line)
    verb, _, text = rest.partition(" ")
    verb, text = verb.casefold(), text.strip()
    table = desk.table
    if verb == "look":
        gauge = _gauge(desk, text)
        after = desk.to(look(table, team, gauge))
        return after, [*_happened(after, table.minutes, after.table.minutes), *_shown(after, gauge)]
    if verb in ("suspect", "isolate"):
        found = re.fullmatch(r"(.+?)(?:\s+(\d{1,3})\s*(?:%|percent)?)?", text)
        if not found:
            raise CaseError(f"{verb} what?", mend=f"say for example: {verb} pump sheared 60")
        sure = float(found.group(2)) / 100.0 if found.group(2) else 1.0
        after = desk.to(call(table, team, verb, _named(desk, found.group(1)), sure))
    elif verb in ("cover", "uncover"):
        after = desk.to(call(table, team, verb, (_gauge(desk, text),)))
    elif verb in ("atc", "decide"):
        kind = "tell_atc" if verb == "atc" else verb
        after = desk.to(call(table, team, kind, (text,) if text else ()))
    else:
        raise CaseError(f"{verb!r} is nothing that can be done here", mend="help lists what can be typed")
    said = after.table.calls[-1]
    words = f"{clock(said.minutes)}  {team} {call_words(after.table.simulation, said)}"
    return after, [fill(words, desk.width, "", " " * 6)]


def _shown(desk: Desk, gauge: str) -> list[str]:
    """One gauge as it stands now; for what has no dial the reading of this minute."""
    simulation, kb = desk.table.simulation, desk.table.simulation.network.kb
    second = min(round(s_from_min(desk.table.minutes)), simulation.samples - 1)
    if gauge in kb.dials:
        text = panel_text(state_at(simulation, second), kb.dials, (gauge,))
        rows = [row for row in text.splitlines() if row.strip(" +-")]
        return [f"{clock(desk.table.minutes)}  {kb.gauges[gauge].name}", *rows]
    return [f"{clock(desk.table.minutes)}  {kb.gauges[gauge].name}: {_spoken(desk, gauge, second)}"]


def _spoken(desk: Desk, gauge: str, second: int) -> str:
    from diagnose.simulate.coding import Window, reading_in

    simulation = desk.table.simulation
    first = max(second - 20, 0)
    window = Window(first, max(second, first + 1), int(simulation.plan.leg_of[second]))
    facets = simulation.network.kb.gauges[gauge].facets
    said = [
        f"{facet.name} {reading_in(simulation, facet, f'{gauge}.{facet.id}', window)}" for facet in facets
    ]
    return "; ".join(said).replace("_", " ")


def answer(desk: Desk, line: str) -> Reply:
    """Carry out one line. Raises DiagnoseError for one that cannot be understood."""
    line = " ".join(bounded(line).split())
    word, _, rest = line.partition(" ")
    match word.casefold():
        case "" | "next" | "n":
            return _next(desk) if not desk.table.over else (desk, moment(desk))
        case "go":
            if not re.fullmatch(r"\d+(\.\d+)?", rest):
                raise CaseError("go how far?", mend="say for example: go 60")
            return _go(desk, float(rest))
        case "panel":
            return desk, moment(desk)
        case "notes":
            return desk, [fill(text, desk.width) for text in notes(desk)]
        case "help" | "?":
            return desk, help_lines(desk.width)
        case "undo":
            if not desk.past:
                raise CaseError("there is nothing to take back")
            return replace(desk, table=desk.past[-1], past=desk.past[:-1]), [
                f"{clock(desk.past[-1].minutes)}  taken back"
            ]
        case "save":
            if not rest.removesuffix("over").strip():
                raise CaseError("save where?", mend="say for example: save monday.json")
            path = Path(rest.removesuffix(" over"))
            _save(desk.table, path, over=path in desk.own or path != Path(rest))
            return replace(desk, saved=desk.table, own=(*desk.own, path)), [f"saved in {path}"]
        case "quit" | "q" | "exit":
            return replace(desk, done=True), []
        case _:
            return _call(desk, line)


def _save(table: Table, path: Path, *, over: bool) -> None:
    write_whole(lambda: write_session(table.record), path, "record", over=over)


def run(
    desk: Desk,
    lines: TextIO,
    say: Callable[[str], None],
    record: Path | None = None,
    ask: Callable[[str], None] = lambda prompt: None,
) -> Desk:
    """Lead through the scenario until it is quit or the lines end.

    ``record`` is written after every line that changes it, so that a closed window loses nothing. A line
    that cannot be carried out is answered with why, and changes nothing. ``ask`` shows a prompt.
    """
    desk = replace(desk, own=(record,)) if record else desk
    for text in opening(desk):
        say(text)
    while not desk.done:
        ask(f"{clock(desk.table.minutes)}> ")
        line = lines.readline()
        if not line:
            break
        try:
            desk, said = answer(desk, line)
        except DiagnoseError as error:
            said = [fill(str(error), desk.width)]
        for text in said:
            say(text)
        if record is not None and desk.saved != desk.table:
            _save(desk.table, record, over=True)
            desk = replace(desk, saved=desk.table)
    if record is not None:
        if desk.saved is None:
            _save(desk.table, record, over=True)
        say(f"saved in {record}")
    return desk
