"""The instructor's session in the terminal: a line in, what happens out. Works through a pipe as well."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TextIO

from diagnose.language import entry_forms, find, plain
from diagnose.language.prose import named_gauge
from diagnose.model import Failure, Switch
from diagnose.model.case import Call, Unread
from diagnose.model.errors import CaseError, DiagnoseError, UnknownName
from diagnose.model.files import write_whole
from diagnose.model.units import s_from_min
from diagnose.practice.known import Followed
from diagnose.practice.simulate import state_at
from diagnose.practice.tabletop import (
    SYSTEMS,
    USING,
    Table,
    advance,
    call,
    look,
    not_understood,
    seconds_of,
    switch_decided,
    write_session,
)
from diagnose.render.layout import chance_words
from diagnose.render.pages.debrief import call_words
from diagnose.render.pages.papers import seen_gauges
from diagnose.render.pages.timeline import clock, events, known_names
from diagnose.render.pictures.terminal import panel_text
from diagnose.render.text import fill, names
from diagnose.terminal.commands.hearing import failure_named
from diagnose.terminal.console import bounded

HELP = (
    ("Enter, or next", "half a minute passes, less if a radio call is due"),
    ("go SECONDS", "that many seconds pass"),
    ("panel", "show the panel now"),
    ("look GAUGE", "look at one gauge, even one out of view; it takes time"),
    ("suspect FAILURE 60", "they suspect it, 60 % sure; a system will do: 'suspect vacuum 60'"),
    ("name FAILURE 90", "they name it (two: joined with +); 'name nothing': nothing has failed"),
    ("cover GAUGE", "they ignore a gauge; 'doubt GAUGE': they check it against others; 'trust GAUGE': they use it again"),
    ("atc WORDS, decide WORDS", "they tell ATC; they decide ('decide pitot heat on' moves the switch)"),
    ("at 4:00 CALL", "a call that you enter late"),
    ("undo", "undo the last line"),
    ("notes", "the answers, on this screen (with --answers only)"),
    ("save FILE", "keep the calls"),
    ("quit", "show the scores, then end"),
)
TEAMS_HELP = "With more than one team, begin looks and calls with the team: red suspect pump sheared 60"
#: ways to say each kind of call
VERBS = {
    "look": ("look", "looks", "check", "checks", "see", "sees", "cross-check", "cross-checks"),
    "suspect": ("suspect", "suspects", "think", "thinks", "guess", "guesses", "believe", "believes", "reckon",
                "reckons", "maybe", "probably"),
    "isolate": ("name", "names", "isolate", "isolates", "call", "calls", "say", "says"),
    "cover": ("cover", "covers", "ignore", "ignores"),
    "doubt": ("doubt", "doubts", "distrust"),
    "trust": ("trust", "trusts", "uncover", "uncovers", "use", "uses"),
    "tell_atc": ("atc", "tell", "tells", "ask", "asks", "declare", "declares", "request", "requests"),
    "decide": ("decide", "decides", "decision"),
}  # fmt: skip
WARNING = "Answers on: 'notes' shows them on this screen. Only where no student sees it."
NO_ANSWERS = (
    "The answers stay off this screen, which students may see. For yourself: --instructor FILE.html writes your "
    "copy; --answers lets 'notes' show them here."
)
#: columns of what is typed
TYPED = 25
#: letters of a line that is kept although it was not understood
LONGEST_KEPT = 300


def help_lines(width: int) -> list[str]:
    """What can be typed, one entry a line."""
    entries = [fill(does, width, f"{typed:<{TYPED}}", " " * TYPED) for typed, does in HELP]
    return [*entries, fill(TEAMS_HELP, width)]


@dataclass(frozen=True)
class Desk:
    """What the instructor's terminal holds: the table, its past, and how much may be shown.

    ``saved``: the table as it was last written; ``own``: files that this session has written. ``score``
    tells the scores of a table, ``scored`` is the one whose scores were told; ``refollow`` works out anew what
    could be known once a decision has changed the flight.
    """

    table: Table
    past: tuple[Table, ...] = ()
    followed: Followed | None = None
    width: int = 80
    done: bool = False
    saved: Table | None = None
    own: tuple[Path, ...] = ()
    score: Callable[[Table], str] | None = None
    scored: Table | None = None
    refollow: Callable[[Table], Followed] | None = None
    #: whether the line before could not be carried out: the next one may say it anew
    refused: bool = False

    @property
    def names(self) -> dict[str, str]:
        """Names of switches by id."""
        return {name: switch.name for name, switch in self.table.simulation.network.kb.switches.items()}

    def to(self, table: Table) -> Desk:
        """Go on to another state of the table."""
        return replace(self, table=table, past=(*self.past, self.table))


Reply = tuple[Desk, list[str]]


def opening(desk: Desk) -> list[str]:
    """What is said and shown before anything is typed."""
    table = desk.table
    scenario, kb = table.simulation.scenario, table.simulation.network.kb
    lines = [scenario.title, "=" * len(scenario.title), "", fill(f"Say: {scenario.briefing}", desk.width)]
    # how a switch stands is for the students to look at
    if day := "; ".join(kb.context[flag].name for flag in scenario.context if not kb.context[flag].switch):
        lines.append(fill(f"Conditions: {day}.", desk.width))
    teams = f"Teams: {', '.join(table.teams)}. " if len(table.teams) > 1 else ""
    if desk.followed is not None:
        lines.append(fill(WARNING, desk.width))
    lines += [f"{teams}Press Enter to let time pass; 'help' lists what else you can type.", "", *moment(desk)]
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
        lines.append("The flight is over. Ask each team for a last word, then 'quit' shows the scores.")
    else:
        lines.append("Ask: what do you see, what do you think, what would you look at next?")
    return lines


def _happened(desk: Desk, before: float, after: float) -> Iterator[str]:
    """What is to be said for the time that went by."""
    simulation = desk.table.simulation
    for at, says in events(desk.table.scenario, known_names(simulation), answers=False):
        if before < at <= after or (before == 0.0 == at):
            yield fill(f"Say: {says}", desk.width, f"{clock(at)}  ", " " * 6)
    for pause in desk.table.scenario.pause:
        if before < pause.at_minutes <= after:
            yield fill(f"Stop and ask: {pause.asks}", desk.width, f"{clock(pause.at_minutes)}  ", " " * 6)


def _go(desk: Desk, seconds: float) -> Reply:
    after = desk.to(advance(desk.table, seconds))
    said = list(_happened(after, desk.table.minutes, after.table.minutes))
    return after, [*said, *moment(after)]


def _next(desk: Desk) -> Reply:
    table = desk.table
    until = table.minutes + table.simulation.sizes("table.step_s") / 60.0
    stops = [inject.at_minutes for inject in table.scenario.inject]
    stops += [pause.at_minutes for pause in table.scenario.pause]
    until = min([until, *(at for at in stops if table.minutes < at < until)])
    return _go(desk, s_from_min(until - table.minutes))


def notes(desk: Desk) -> list[str]:
    """What the engine knows by now: for the instructor's eyes."""
    if desk.followed is None:
        return [NO_ANSWERS]
    kb = desk.table.simulation.network.kb
    known = desk.followed.at(desk.table.minutes)
    second = min(round(s_from_min(desk.table.minutes)), desk.table.simulation.samples - 1)
    lines = [f"What has failed: {names(kb, desk.table.simulation.active_at(second))}."]
    if known is None or known.something < 0.5:
        return [*lines, "So far nothing shows."]
    first = "; ".join(f"{names(kb, members)} {chance_words(chance, kb)}" for members, chance in known.ranking[:3])
    lines.append(f"Can be known: {first}.")
    doubtful = ", ".join(kb.gauges[g].name for g, true in known.trust.items() if true < 0.5)
    lines.append(f"Misleading: {doubtful or 'nothing'}.")
    return lines


def _named(desk: Desk, text: str) -> tuple[str, ...]:
    """What a team names: failures, families of them or systems, joined with +. Raises UnknownName."""
    if text in ("nothing", "nothing failed", "none"):
        return ()
    text = re.sub(r"^(?:it is|it's|its|it was|that|there is|the)\s+", "", text.strip(), flags=re.IGNORECASE)
    return tuple(_cause(desk, part.strip()) for part in text.split("+"))


#: words around a system that a team blames: "it is an electrical problem"
AROUND = re.compile(r"\b(?:the|an?|its?|is|has|have|we|some|kind|of|lost|system|line|trouble|problem|failure|issue)\b")


def _cause(desk: Desk, text: str) -> str:
    """One cause: a system, a failure, or what holds all that the words can mean: a family, else a system."""
    network = desk.table.simulation.network
    words = " ".join(AROUND.sub(" ", plain(text)).split())
    if words in SYSTEMS:
        return words
    failures: dict[str, Failure] = {failure.id: failure for failure in network.failures}
    try:
        return find(text, entry_forms(failures), "failure on this panel")
    except UnknownName as error:
        meanings = set(error.meanings)
        families = [f.id for f in network.kb.families.values() if meanings and meanings <= set(f.members)]
        systems = {failures[name].system.value for name in meanings}
        if families or len(systems) == 1:
            return families[0] if families else systems.pop()
        if found := failure_named(network.kb, network.panel, text):
            return found
        # students read this screen: no failure is named that nobody has named
        which = "can mean several" if meanings else "is none known here"
        raise CaseError(f"as a failure {text!r} {which}", mend="a system will do: suspect vacuum") from None


def _gauge(desk: Desk, text: str) -> str:
    network = desk.table.simulation.network
    gauges = {gauge: network.kb.gauges[gauge] for gauge in network.dial_gauges}
    if (named := named_gauge(text, network.kb)) in gauges:
        return named  # "the ASI", "his whiskey compass"
    return find(text, entry_forms(gauges), "gauge on this panel")


def _team(desk: Desk, line: str) -> tuple[str, str]:
    """The team that a line speaks of, in upper or lower case, and the rest of it; "" if it names none."""
    for team in sorted(desk.table.teams, key=len, reverse=True):
        if found := re.match(rf"{re.escape(team)}(?:\s*[:,]\s*|\s+|$)", line, re.IGNORECASE):
            return team, line[found.end() :].strip()
    return (desk.table.teams[0] if len(desk.table.teams) == 1 else ""), line


def _call(desk: Desk, line: str) -> Reply:
    who, _, rest = line.partition(" ")
    if who.casefold().rstrip(":,") in EVERYONE and rest and len(desk.table.teams) > 1:
        before, told = desk, []
        for team in desk.table.teams:
            desk, said_back = _call(desk, f"{team} {rest}")
            told += said_back
        # what was said in one line is undone in one
        return replace(desk, past=(*before.past, before.table)), told
    team, rest = _team(desk, line)
    at, table = None, desk.table
    dials = (
        desk.table.simulation.network.kb.gauges[gauge] for gauge in desk.table.simulation.network.dial_gauges
    )
    if plain(rest) in {plain(way) for dial in dials for way in (dial.id, dial.name, *dial.words)}:
        rest = f"look {rest}"
    if late := re.match(r"at\s+(\d+):(\d\d)\s+", rest, re.IGNORECASE):
        at = int(late[1]) + int(late[2]) / 60.0
        named, rest = _team(desk, rest[late.end() :])
        team = team or named
    said, _, text = rest.partition(" ")
    verb = next((verb for verb, ways in VERBS.items() if said.casefold() in ways), "")
    text = text.strip()
    if verb in ("", "suspect") and team and _moves_a_switch(desk, rest):
        verb, text = "decide", text if verb else rest
    if verb == "" and team and (switch := _switch_named(desk, rest)):
        raise CaseError(f"{switch.name} how?", mend=f"{team} decide {switch.name} {' or '.join(switch.positions)}")
    if verb == "" and team and (meant := _meant_cause(desk, rest)):
        verb, text = "suspect", meant
    if not team:
        raise CaseError("which team?", mend=f"{table.teams[0]} {line}")
    if verb == "look":
        gauge = _gauge(desk, text)
        after = desk.to(look(table, team, gauge))
        return after, [*_happened(after, table.minutes, after.table.minutes), *_shown(after, gauge)]
    if verb in ("suspect", "isolate"):
        found = re.fullmatch(r"(.+?)(?:,?\s+(\d{1,3})\s*(?:%|percent)?(?:\s*sure)?)?", text)
        if not found:
            raise CaseError(f"{said} what?", mend=f"{said} pump sheared 60")
        sure = float(found.group(2)) / 100.0 if found.group(2) else 1.0
        after = desk.to(call(table, team, verb, _named(desk, found.group(1)), sure, at))
    elif verb in USING:
        gauges = [_gauge(desk, part) for part in re.split(r"\s*(?:,|\+|\band\b)\s*", text) if part]
        after = desk.to(call(table, team, verb, gauges, minutes=at))
    elif verb in ("tell_atc", "decide"):
        text = re.sub(r"^atc\b\s*", "", text, flags=re.IGNORECASE) if verb == "tell_atc" else text
        after = desk.to(call(table, team, verb, (text,) if text else (), minutes=at))
    else:
        raise CaseError(f"{said!r} is not a call", mend=CALLS)
    last = after.table.calls[-1]
    if desk.refused or at is not None:
        after = replace(after, table=_said_now(after.table, last, rest, late=at is not None))
    if after.table.simulation is not table.simulation and desk.refollow is not None and desk.followed:
        after = replace(after, followed=desk.refollow(after.table))
    words = f"{clock(last.minutes)}  {team} {call_words(after.table.simulation, last)}"
    moved = switch_decided(last, after.table.simulation)
    lines = [f"{clock(moved.at_minutes)}  {desk.names[moved.switch]} {moved.position}"] if moved else []
    return after, [fill(words, desk.width, "", " " * 6), *lines]


def _said_now(table: Table, last: Call, text: str, *, late: bool) -> Table:
    """Drop the line that a call says anew: the one refused just before, or of that team at a ``late`` call's time."""
    alone = len(table.teams) == 1
    for line in reversed(table.unread if late else table.unread[-1:]):
        if line.minutes == last.minutes and (alone or line.team == last.team or line.text.casefold() == text.casefold()):
            return replace(table, unread=tuple(one for one in table.unread if one is not line))
    return table


def _moves_a_switch(desk: Desk, text: str) -> bool:
    """Whether a line without a call says how a switch is to stand: "opens the alternate static", "pitot heat on"."""
    probe = Call(minutes=0.0, team=desk.table.teams[0], kind="decide", what=(text,))
    return switch_decided(probe, desk.table.simulation) is not None


def _switch_named(desk: Desk, text: str) -> Switch | None:
    """The switch that a line speaks of; None if it names none."""
    network = desk.table.simulation.network
    known, ways = network.kb.switches, entry_forms(network.kb.switches)
    return next((known[s] for s in network.panel.switches if any(way in plain(text) for way in ways[s])), None)


def _meant_cause(desk: Desk, text: str) -> str:
    """A cause that a line without a call speaks of, all of it or after its first word; "" if it names none."""
    for words in (text, text.partition(" ")[2]):
        try:
            if words and _named(desk, re.sub(r"\s+\d{1,3}\s*(?:%|percent)?$", "", words)):
                return words
        except DiagnoseError:
            continue
    return ""


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
    from diagnose.practice.simulate.coding import Window, reading_in

    simulation = desk.table.simulation
    first = max(second - 20, 0)
    window = Window(first, max(second, first + 1), int(simulation.plan.leg_of[second]))
    facets = simulation.network.kb.gauges[gauge].facets
    said = [
        f"{facet.name} {reading_in(simulation, facet, f'{gauge}.{facet.id}', window)}" for facet in facets
    ]
    return "; ".join(said).replace("_", " ")


def _undone(desk: Desk) -> str:
    """What an undo takes back, in words."""
    now, before = desk.table, desk.past[-1]
    gone = [f"{c.team} {call_words(now.simulation, c)}" for c in now.calls[len(before.calls) :]]
    gone += [f"look at {now.simulation.network.kb.gauges[look.gauge].name}" for look in now.looks[len(before.looks) :]]
    back = [f"clock back at {clock(before.minutes)}"] if before.minutes != now.minutes else []
    return "; ".join(["undone: " + (", ".join(gone) or "the last step"), *back])


def answer(desk: Desk, line: str) -> Reply:
    """Carry out one line. Raises DiagnoseError for one that cannot be understood."""
    line = " ".join(bounded(line).split())
    word, _, rest = line.partition(" ")
    match word.casefold():
        case "" | "next" | "n":
            return _next(desk) if not desk.table.over else (desk, moment(desk))
        case "go":
            return _go(desk, seconds_of(rest))
        case "panel":
            return desk, moment(desk)
        case "notes":
            return desk, [fill(text, desk.width) for text in notes(desk)]
        case "help" | "?":
            return desk, help_lines(desk.width)
        case "undo":
            if not desk.past:
                raise CaseError("nothing to undo")
            before = replace(desk.past[-1], unread=desk.table.unread)
            followed = desk.followed
            if followed and desk.refollow and before.simulation is not desk.table.simulation:
                followed = desk.refollow(before)
            said = fill(_undone(desk), desk.width, f"{clock(before.minutes)}  ", " " * 6)
            return replace(desk, table=before, past=desk.past[:-1], followed=followed), [said]
        case "save":
            if not rest.removesuffix("over").strip():
                raise CaseError("save where?", mend="save monday.json")
            path = Path(rest.removesuffix(" over"))
            _save(desk.table, path, over=path in desk.own or path != Path(rest))
            return replace(desk, saved=desk.table, own=(*desk.own, path)), [f"saved in {path}"]
        case "quit" | "q" | "exit":
            return _quit(desk)
        case _:
            return _call(desk, line)


def _quit(desk: Desk) -> Reply:
    """The end: the scores, and once more a chance to save what is not saved."""
    if desk.score is not None and not desk.table.calls:
        return replace(desk, done=True), ["No calls, so no score.", *unread_lines(desk.table.unread, desk.width)]
    said = []
    if desk.score is not None and desk.scored != desk.table and desk.table.calls:
        said = ["", desk.score(desk.table)]
    desk = replace(desk, scored=desk.table)
    if said and desk.saved != desk.table:
        return desk, [
            *said,
            *unread_lines(desk.table.unread, desk.width),
            "",
            "The calls are not saved. 'save FILE' keeps them; 'quit' again ends.",
        ]
    return replace(desk, done=True), [*said, *(unread_lines(desk.table.unread, desk.width) if said else [])]


def unread_lines(unread: Sequence[Unread], width: int) -> list[str]:
    """Lines that were not understood, with how to enter them after all."""
    if not unread:
        return []
    lines = [fill(f"{clock(u.minutes)}  {f'{u.team} {u.text}'.strip()}", width, "  ", "    ") for u in unread]
    lead = "Not understood, so not scored. Enter them as: at 4:00 red suspect pump sheared 60"
    return ["", fill(lead, width), *lines]


def _save(table: Table, path: Path, *, over: bool) -> None:
    write_whole(lambda: write_session(table.record), path, "record", over=over)


CALLS = "suspect, name, cover, doubt, trust, atc or decide, then what; 'help' lists all"
#: lines of the instructor's own, in which no team has said anything
OWN = ("go", "save", "undo", "notes", "panel", "help", *VERBS["look"])
#: words for every team at once
EVERYONE = ("everyone", "everybody", "all", "both")


def kept(desk: Desk, line: str, error: DiagnoseError) -> Reply:
    """A line that was not understood: why, and a note of it where it may have been a call."""
    text = " ".join(line.split())[:LONGEST_KEPT]
    team, rest = _team(desk, text)
    said = [fill(str(error), desk.width)]
    if not rest or rest.partition(" ")[0].casefold() in OWN:
        return desk, said
    team = team if len(desk.table.teams) > 1 else ""
    return replace(desk, table=not_understood(desk.table, team, rest), refused=True), [
        *said,
        f"Kept as a note at {clock(desk.table.minutes)}.",
    ]


def run(
    desk: Desk,
    lines: TextIO,
    say: Callable[[str], None],
    record: Path | None = None,
    ask: Callable[[str], None] = lambda prompt: None,
    scores: Callable[[Table], str] | None = None,
) -> Desk:
    """Lead through the scenario until it is quit or the lines end.

    ``record`` is written after every line that changes it, so that a closed window loses nothing. A line
    that cannot be carried out is answered with why and kept as not understood. ``ask`` shows a prompt,
    ``scores`` gives what is told at the end.
    """
    desk = replace(desk, own=(record,) if record else desk.own, score=scores)
    for text in opening(desk):
        say(text)
    while not desk.done:
        ask(f"{clock(desk.table.minutes)}> ")
        line = lines.readline()
        if not line:
            for text in _quit(desk)[1]:
                say(text)
            break
        try:
            desk, said = answer(desk, line)
            desk = replace(desk, refused=False)
        except DiagnoseError as error:
            desk, said = kept(desk, line, error)
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
