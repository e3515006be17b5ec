"""Asking for a scenario, question by question; every answer is checked, said back and kept at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec

from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import entry_forms, find, readable
from diagnose.language.names import Named
from diagnose.model.case import FailureEvent, Inject, Leg, Pilot, ScenarioRecord, Start, leg_starts_min
from diagnose.model.errors import CaseError, DiagnoseError, UnknownName
from diagnose.practice.scenarios import scenario_problems
from diagnose.practice.simulate import FOLLOWED
from diagnose.practice.simulate.plan import filled_legs

Ask = Callable[[str], str]
Tell = Callable[[str], None]
Save = Callable[[ScenarioRecord], None]
#: a scenario with an answer taken in, and the answer said back
Taken = tuple[ScenarioRecord, str]

NUMBER = r"-?\d+(?:\.\d+)?"
#: minutes as people say them: 1.5, or 1:30
TIME = r"\d+:\d\d|\d+(?:\.\d+)?"
EMPTY = ScenarioRecord(title="", panel="single_pump", briefing="", leg=())
BACK, HELP, LIST, STOP = ("back", "undo"), ("help",), ("?", "list"), ("stop", "quit", "exit")
SHOW = ("show", "so far")
#: lists of which several may be said in one line, and what parts them
MANY = ("leg", "failure")
_PARTS = re.compile(r"\s*(?:[,;]|\band\b|\bthen\b)\s*(?:(?:and|then)\s+)*(?=\S)", re.IGNORECASE)
#: entries that are offered where a name can mean several
MOST_OFFERED = 8
ANYWHERE = "'back' takes back, 'show' tells what you have so far, 'stop' ends and keeps it."


class Stopped(Exception):
    """The answers ended before the last question; ``made`` is what there is by then."""

    def __init__(self, made: ScenarioRecord) -> None:
        super().__init__()
        self.made = made


class Several(DiagnoseError):
    """A name that can mean several entries; ``lines`` are the whole answer with each of them, by its name."""

    def __init__(self, lines: Mapping[str, str]) -> None:
        super().__init__("that can mean several things")
        self.lines = lines


def minutes_of(text: str) -> float:
    """Minutes of "1.5" or "1:30"."""
    whole, _, seconds = text.partition(":")
    return float(whole) + float(seconds or 0) / 60.0


def clock(minutes: float) -> str:
    """Minutes as m:ss."""
    seconds = round(minutes * 60.0)
    return f"{seconds // 60}:{seconds % 60:02d}"


def meant(text: str, known: Mapping[str, Named], kind: str, line: str) -> str:
    """The entry that a text means. Raises UnknownName, and Several where ``line`` has to be asked about."""
    try:
        return find(text, entry_forms(known), kind)
    except UnknownName as error:
        if not error.meanings:
            raise
        raise Several({known[i].name: line.replace(text, i, 1) for i in error.meanings[:MOST_OFFERED]}) from None


@dataclass(frozen=True, kw_only=True)
class Question:
    """A question: its text with the answer of an empty line, its help, and what takes an answer in.

    ``take`` gives the scenario with the answer and the answer said back, or None where an empty line ends
    a list. ``entries``: the field of a list, whose last entry "back" takes away. ``known``: what "?" lists.
    """

    text: Callable[[ScenarioRecord], str]
    help: str
    take: Callable[[ScenarioRecord, str], Taken | None]
    entries: str = ""
    known: Callable[[ScenarioRecord], Mapping[str, Named]] = lambda made: {}
    wanted: Callable[[ScenarioRecord], bool] = lambda made: True


def ask_scenario(
    kb: KnowledgeBase, ask: Ask, tell: Tell, save: Save = lambda made: None, made: ScenarioRecord = EMPTY
) -> ScenarioRecord:
    """Ask for everything that a scenario needs, beginning with ``made``.

    ``tell`` hears each answer said back, what is wrong with one, help and lists; ``save`` hears the
    scenario after every answer from the first leg on. Raises Stopped.
    """
    return _Asking(kb=kb, ask=ask, tell=tell, save=save, made=made).run()


@dataclass
class _Asking:
    """What was answered so far. Every answer is tried with all before it, so that none is lost at the end."""

    kb: KnowledgeBase
    ask: Ask
    tell: Tell
    save: Save
    made: ScenarioRecord
    #: names offered to choose from: number -> the whole answer
    offered: dict[str, str] = field(default_factory=dict)
    #: the last answer that could not be used, while its question stands
    refused: str = ""

    def run(self) -> ScenarioRecord:
        asked, place = tuple(questions(self.kb)), 0
        self.tell(f"Enter keeps what stands in [brackets]. 'help' explains a question. {ANYWHERE}")
        while place < len(asked):
            question = asked[place]
            if not question.wanted(self.made):
                place += 1
                continue
            try:
                text = self.ask(question.text(self.made))
            except EOFError:
                raise Stopped(self.made) from None
            word = text.casefold()
            if not text and self.refused and question.entries:
                # nothing is left out in silence
                self.tell(f"Nothing was taken in for {self.refused!r}. Say it again, or press Enter to go on without it.")
                self.refused, self.offered = "", {}
                continue
            if word in STOP:
                raise Stopped(self.made)
            if word in BACK:
                place = self._back(asked, place)
            elif word in SHOW:
                entries = (*self.made.leg, *self.made.failure, *self.made.context, *self.made.inject)
                for told in [_entry_words(entry, self.kb) for entry in entries] or ["No leg yet"]:
                    self.tell(f"{told}.")
            elif word in HELP:
                listed = " '?' lists what there is." if question.known(self.made) else ""
                self.tell(f"{question.help}{listed} {ANYWHERE}")
            elif word in LIST:
                known = question.known(self.made)
                # panels differ in what their names leave out
                names = [
                    f"{readable(i)}: {e.name}" if i in self.kb.panels else e.name for i, e in known.items()
                ]
                for name in names or [question.help]:
                    self.tell(name)
            else:
                place += self._answered(question, self.offered.get(text, text))

        return self.made

    def _back(self, asked: Sequence[Question], place: int) -> int:
        """Take the last entry of this list away, or go to the question before."""
        name = asked[place].entries
        if name and (entries := getattr(self.made, name)):
            self._keep(msgspec.structs.replace(self.made, **{name: entries[:-1]}), check=False)
            self.tell(f"Removed: {_entry_words(entries[-1], self.kb)}. {len(entries) - 1} left.")
            return place
        before = [k for k in range(place) if asked[k].wanted(self.made)]
        if not before:
            self.tell("This is the first question.")
            return place
        return before[-1]

    def _answered(self, question: Question, text: str) -> bool:
        """Take an answer in; whether the question is done with."""
        self.offered, self.refused = {}, ""
        try:
            taken = _taken(question, self.made, text)
            if taken is None:
                return True
            made, said = taken
            self._keep(made)
        except Several as several:
            self.refused = text
            self.tell("Which one? Type its number:")
            for number, (name, line) in enumerate(several.lines.items(), 1):
                self.offered[str(number)] = line
                self.tell(f"{number}  {name}")
            return False
        except DiagnoseError as error:
            self.refused = text
            self.tell(f"{str(error)[:1].upper()}{str(error)[1:]}")
            return False
        if said:
            self.tell(said)
        return not question.entries

    def _keep(self, made: ScenarioRecord, *, check: bool = True) -> None:
        """Take an answer in. Raises CaseError if it does not go with those before it."""
        # before the first leg there is no flight to check
        problems = scenario_problems(made, self.kb) if made.leg and check else []
        if problems:
            raise CaseError("; ".join(problems))
        self.made = made
        if made.leg:
            self.save(made)


def _taken(question: Question, made: ScenarioRecord, text: str) -> Taken | None:
    """Take an answer in as a whole, or where a list is asked for part by part: "climb 2, then level 3"."""
    text = re.sub(r"(?<=\d),(?=\d{3}\b)", "", text) if question.entries in MANY else text
    try:
        return question.take(made, text)
    except UnknownName:
        first, *others = _PARTS.split(text) if question.entries in MANY else [text]
        if not others:
            raise
    told = []
    for place, part in enumerate((first, *others)):
        try:
            taken = question.take(made, part)
        except Several as several:
            whole = (first, *others)
            raise Several(
                {name: ", ".join((*whole[:place], line, *whole[place + 1 :])) for name, line in several.lines.items()}
            ) from None
        if taken is not None:
            made, said = taken
            told.append(said)
    return made, " ".join(told)


def _entry_words(entry: Any, kb: KnowledgeBase) -> str:
    """An entry of a list as it was said back."""
    match entry:
        case Leg():
            return f"{kb.manoeuvres[entry.manoeuvre].name}, {clock(entry.minutes)}"
        case FailureEvent():
            return f"{kb.failures[entry.id].name} at {clock(entry.at_minutes)}"
        case Inject():
            return f"{clock(entry.at_minutes)} {entry.who}: {entry.says}"
    return kb.context[entry].name if entry in kb.context else str(entry)


def content(made: ScenarioRecord, kb: KnowledgeBase) -> str:
    """What a scenario holds by now, in a line: so that nothing is missing unseen."""
    legs = f"{len(made.leg)} leg{'s' * (len(made.leg) != 1)}, {clock(leg_starts_min(made.leg)[-1])}"
    fails = [f"{kb.failures[event.id].name} at {clock(event.at_minutes)}" for event in made.failure]
    return f"{legs}; {'fails: ' + ', '.join(fails) if fails else 'nothing fails'}."


# ------------------------------------------------------------------ the questions


def _number(text: str, low: float, high: float, usual: float) -> float:
    if not text:
        return usual
    if not re.fullmatch(NUMBER, text) or not low <= float(text) <= high:
        raise CaseError(f"{text!r} is not a number from {low:g} to {high:g}")
    return float(text)


def _text(text: str, usual: str, such_as: str) -> str:
    if not text and not usual:
        raise CaseError("this cannot be empty", mend=f"{such_as}, or 'stop' to end")
    return text or usual


@dataclass(frozen=True, slots=True)
class _At:
    """Where a flight is after the legs so far: feet, degrees."""

    altitude_ft: float
    heading_deg: float


def _after(kb: KnowledgeBase, made: ScenarioRecord) -> _At:
    """Where the flight is meant to be after its legs."""
    altitude, heading = made.start.altitude_ft, made.start.heading_deg
    for leg in filled_legs(kb, made):
        altitude += (leg.rate_fpm or 0.0) * leg.minutes
        heading += (leg.turn_dps or 0.0) * 60.0 * leg.minutes
    return _At(altitude, heading % 360.0)


def _until(kb: KnowledgeBase, made: ScenarioRecord, leg: Leg, text: str, to: float) -> Leg:
    """The leg with the minutes that it takes to an altitude, or where it only turns to a heading. Raises CaseError."""
    now = _after(kb, made)
    flown = filled_legs(kb, msgspec.structs.replace(made, leg=(*made.leg, leg)))[-1]
    if flown.rate_fpm:
        minutes = (to - now.altitude_ft) / flown.rate_fpm
    elif flown.turn_dps:
        minutes = ((to - now.heading_deg) * (1.0 if flown.turn_dps > 0.0 else -1.0) % 360.0 or 360.0) / abs(flown.turn_dps) / 60.0
    else:
        minutes = 0.0
    if minutes <= 0.0:
        raise CaseError(f"{text!r} leads nowhere from {now.altitude_ft:,.0f} ft, heading {now.heading_deg:03.0f}", mend="climb 2")
    return msgspec.structs.replace(leg, minutes=minutes)


def _leg(kb: KnowledgeBase, made: ScenarioRecord, text: str) -> Leg:
    """ "climb 2", "climb 2 80 kt 500 fpm", "climb to 5000", "left turn to 360": maneuver, how long, what is not usual."""
    text = re.sub(r"\bknots?\b|\bkts\b", "kt", text)
    numbers = rf"((?:,?\s+(?:at\s+)?{NUMBER}\s*(?:kt|fpm|dps))*)"
    lasts = rf"(?:for\s+)?(?P<lasts>{TIME})(?:\s*(?:min|minutes?))?"
    reaches = r"to\s+(?:heading\s+)?(?P<to>\d{2,5})(?:\s*(?:ft|feet|degrees))?"
    found = re.fullmatch(rf"(.+?)\s+(?:{lasts}|{reaches}){numbers}", text)
    if not found:
        raise CaseError(f"{text!r} is not a leg", mend="climb 2, climb to 5000, or: climb 1:30 85 kt 700 fpm")
    units = re.findall(rf"({NUMBER})\s*(kt|fpm|dps)", found.group(found.lastindex or 0))
    given = {unit: float(value) for value, unit in units}
    leg = Leg(
        manoeuvre=meant(found.group(1), kb.manoeuvres, "maneuver", text),
        minutes=minutes_of(found["lasts"]) if found["lasts"] else 1.0,
        airspeed_kt=given.get("kt"),
        rate_fpm=given.get("fpm"),
        turn_dps=given.get("dps"),
    )
    return _until(kb, made, leg, text, float(found["to"])) if found["to"] else leg


#: what a failure is said to do, between its name and its time
_FAILS = r"(?:\s+(?:fails|dies|quits|stops|breaks))?"


def _failure(possible: Mapping[str, Named], end: float, text: str) -> FailureEvent:
    """ "pump sheared at 2", "pump dies 2 minutes in", "static restricted at 1:30 gradual 3": failure, minute, progression."""
    how = rf"(?:\s+(sudden|intermittent|gradual)(?:\s+(?:over\s+)?({TIME}))?)?"
    text = re.sub(rf"\s+({TIME})\s*(?:min|minutes?)\s+in\b", r" at \1", text)
    found = re.fullmatch(rf"(.+?){_FAILS}\s+at\s+({TIME})(?:\s*min(?:utes?)?)?{how}", text)
    if not found:
        named = re.sub(r"\s+(?:fails|dies|quits|stops|breaks|at)\b.*", "", text)
        name = readable(meant(named, possible, "failure", text))
        raise CaseError("when does it fail?", mend=f"{name} at 1:30, or: {name} at 2 gradual 3")
    at = minutes_of(found.group(2))
    if not 0.0 <= at <= end:
        raise CaseError(f"{clock(at)} is not in the flight, which ends at {clock(end)}")
    return FailureEvent(
        id=meant(found.group(1), possible, "failure", text),
        at_minutes=at,
        progression=found.group(3) or "sudden",  # type: ignore[arg-type]
        over_minutes=minutes_of(found.group(4)) if found.group(4) else 1.0,
    )


def _inject(end: float, text: str) -> Inject:
    found = re.fullmatch(rf"(?:at\s+)?({TIME})\s+([^:]+):\s*(.+)", text)
    if not found or not 0.0 <= minutes_of(found.group(1)) <= end:
        raise CaseError(f"{text!r} is not a radio call in the flight", mend="3:00 ATC: say your heading")
    return Inject(at_minutes=minutes_of(found.group(1)), who=found.group(2).strip(), says=found.group(3))


def questions(kb: KnowledgeBase) -> Iterator[Question]:
    """All questions in their order; an answer that cannot be used raises CaseError when it is taken."""

    def changed(made: ScenarioRecord, said: str, **changes: Any) -> Taken:
        return msgspec.structs.replace(made, **changes), said

    def added(made: ScenarioRecord, name: str, entry: Any, said: str) -> Taken:
        return changed(made, said, **{name: (*getattr(made, name), entry)})

    def end(made: ScenarioRecord) -> float:
        return leg_starts_min(made.leg)[-1]

    def possible(made: ScenarioRecord) -> dict[str, Named]:
        return {f.id: f for f in kb.failures_of(kb.panel(made.panel).parts) if f.listed}

    def followed(made: ScenarioRecord) -> dict[str, Named]:
        return {g: kb.gauges[g] for g in FOLLOWED if g in kb.panel(made.panel).gauges}

    def bracketed(text: str, usual: str) -> str:
        return f"{text} [{usual}]" if usual else text

    yield Question(
        text=lambda made: bracketed("Title (students see it: no answer in it)?", made.title),
        help="A title for your list of scenarios. It heads the screen and the handout.",
        take=lambda made, text: changed(made, "", title=_text(text, made.title, "Night flight home")),
    )
    yield Question(
        text=lambda made: bracketed("Briefing for the students?", made.briefing),
        help="What you tell the students first: where they are and what they are doing.",
        take=lambda made, text: changed(made, "", briefing=_text(text, made.briefing, "Local flight, climbing to 3,000 ft, all well so far")),
    )

    def panel(made: ScenarioRecord, text: str) -> Taken:
        name = meant(text, kb.panels, "panel", text) if text else made.panel
        return changed(made, f"Panel: {readable(name)}.", panel=name)

    yield Question(
        text=lambda made: f"Panel? [{readable(made.panel)}]",
        help="The instrument panel to fly.",
        take=panel,
        known=lambda made: kb.panels,
    )

    def altitude(made: ScenarioRecord, text: str) -> Taken:
        feet = _number(text.removesuffix("ft").strip().replace(",", ""), 0.0, 20000.0, made.start.altitude_ft)
        start = msgspec.structs.replace(made.start, altitude_ft=feet)
        return changed(made, f"Starting altitude {feet:,.0f} ft.", start=start)

    yield Question(
        text=lambda made: f"Starting altitude, ft? [{made.start.altitude_ft:g}]",
        help="The altitude at which the flight begins, in feet.",
        take=altitude,
    )

    def heading(made: ScenarioRecord, text: str) -> Taken:
        degrees = _number(text, 0.0, 360.0, made.start.heading_deg)
        start: Start = msgspec.structs.replace(made.start, heading_deg=degrees)
        return changed(made, f"Starting heading {degrees:03.0f}.", start=start)

    yield Question(
        text=lambda made: f"Starting heading? [{made.start.heading_deg:03.0f}]",
        help="The heading at which the flight begins, in degrees.",
        take=heading,
    )

    def leg(made: ScenarioRecord, text: str) -> Taken | None:
        if not text:
            if not made.leg:
                raise CaseError("at least one leg is needed", mend="climb 2")
            return None
        entry = _leg(kb, made, text)
        given = ((entry.airspeed_kt, "kt"), (entry.rate_fpm, "fpm"), (entry.turn_dps, "deg/s"))
        besides = "".join(f", {value:g} {unit}" for value, unit in given if value is not None)
        at = _after(kb, msgspec.structs.replace(made, leg=(*made.leg, entry)))
        then = f"then {at.altitude_ft:,.0f} ft, heading {round(at.heading_deg) % 360 or 360:03d}"
        named = f"{kb.manoeuvres[entry.manoeuvre].name}, {clock(entry.minutes)}{besides}"
        said = f"Leg {len(made.leg) + 1}: {named}; {then}."
        return added(made, "leg", entry, said)

    yield Question(
        text=lambda made: (
            "Next leg, such as: climb 2 (Enter = done)?" if made.leg else "First leg, such as: climb 2?"
        ),
        help="A maneuver and its minutes: 'climb 2', 'left turn 1:30', 'climb 2 85 kt 700 fpm'.",
        take=leg,
        entries="leg",
        known=lambda made: kb.manoeuvres,
    )

    def rough(made: ScenarioRecord, text: str) -> Taken:
        word = kb.flown_quantities.get(f"turbulence.{text.casefold()}")
        much = word.low if word else _number(text, 0.0, 1.0, made.turbulence)
        return changed(made, f"Turbulence {much:g}.", turbulence=much)

    yield Question(
        text=lambda made: f"Turbulence: smooth, light, moderate, rough? [{made.turbulence:g}]",
        help="How rough the air is, in a word or from 0 (smooth) to 1 (rough).",
        take=rough,
    )

    def failure(made: ScenarioRecord, text: str) -> Taken | None:
        if not text:
            return None
        entry = _failure(possible(made), end(made), text)
        if any(event.id == entry.id for event in made.failure):
            raise CaseError(f"{kb.failures[entry.id].name} fails already", mend="'back' removes it")
        how = f", gradual over {clock(entry.over_minutes)}" if entry.progression == "gradual" else ""
        how = ", comes and goes" if entry.progression == "intermittent" else how
        said = f"Fails at {clock(entry.at_minutes)}: {kb.failures[entry.id].name}{how}."
        return added(made, "failure", entry, said)

    yield Question(
        text=lambda made: f"{'Next' if made.failure else 'First'} failure, such as: pump sheared at 1:30 (Enter = {'done' if made.failure else 'none'})?",
        help="What fails and when: 'pump sheared at 2', 'pump weak at 1:30 gradual 3', 'alternator failed at 4'.",
        take=failure,
        entries="failure",
        known=possible,
    )

    def condition(made: ScenarioRecord, text: str) -> Taken | None:
        if not text:
            return None
        flag = meant(text, kb.context, "condition", text)
        return added(made, "context", flag, f"Condition: {kb.context[flag].name}.")

    yield Question(
        text=lambda made: "Next condition, such as: icing (Enter = done)?",
        help="Weather and history of the airplane, which the students are told: 'in cloud', 'just washed'.",
        take=condition,
        entries="context",
        known=lambda made: kb.context,
    )

    def pilot(made: ScenarioRecord, text: str) -> Taken:
        if text.casefold() in ("none", "nobody", "no"):
            return changed(made, "The pilot is not fooled.", pilot=Pilot())
        if not text:
            return changed(made, "", pilot=made.pilot)
        gauge = meant(text, followed(made), "instrument", text)
        said = f"The pilot trusts the {kb.gauges[gauge].name}."
        return changed(made, said, pilot=msgspec.structs.replace(made.pilot, follows=gauge))

    yield Question(
        text=lambda made: (
            f"Does the pilot in it fly after a bad gauge? Which? [{readable(made.pilot.follows) or 'none'}]"
        ),
        help="The pilot in the scenario flies by this gauge, right or wrong, so that the flight goes where it leads.",
        take=pilot,
        known=followed,
    )

    def since(made: ScenarioRecord, text: str) -> Taken:
        if text and not re.fullmatch(TIME, text):
            raise CaseError(f"{text!r} is not a time", mend="1:30")
        at = minutes_of(text) if text else made.pilot.from_minutes
        return changed(
            made, f"From {clock(at)} on.", pilot=msgspec.structs.replace(made.pilot, from_minutes=at)
        )

    yield Question(
        text=lambda made: f"From when on? [{clock(made.pilot.from_minutes)}]",
        help="Minutes into the flight, such as 1:30.",
        take=since,
        wanted=lambda made: bool(made.pilot.follows),
    )

    def inject(made: ScenarioRecord, text: str) -> Taken | None:
        if not text:
            return None
        entry = _inject(end(made), text)
        return added(made, "inject", entry, f"{clock(entry.at_minutes)} {entry.who}: {entry.says}")

    yield Question(
        text=lambda made: "Radio call, such as: 3:00 ATC: say your heading (Enter = done)?",
        help="A call that you read out at its time: when, who, what.",
        take=inject,
        entries="inject",
    )
    for name, asked, explained in (
        ("teaching", "Teaching point (Enter = done)?", "What the students should take home. The debrief shows it."),
        ("cautions", "Caution for the instructor (Enter = done)?", "What to watch for. Only the instructor's copy shows it."),
    ):  # fmt: skip
        yield Question(
            text=lambda made, asked=asked: asked,  # type: ignore[misc]
            help=explained,
            take=lambda made, text, name=name: added(made, name, text, "Noted.") if text else None,  # type: ignore[misc]
            entries=name,
        )
    yield Question(
        text=lambda made: f"Number of the draw: another gives other bumps and details [{made.seed}]",
        help="Any whole number. Another one draws other details, such as bumps; keep it to get the same flight again.",
        take=lambda made, text: changed(made, "", seed=int(_number(text, 0.0, 1e9, float(made.seed)))),
    )
