"""An exercise of the drill as text: the question, what is seen, the looks."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from itertools import zip_longest
from typing import Any

import numpy as np

from diagnose.advice.coverage import SOUND
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language import readable
from diagnose.model import Gauge, ScanPattern
from diagnose.model.gauges import Dial
from diagnose.practice.drill.kinds import COVER, FlyOn, NameIt, PredictIt
from diagnose.practice.drill.scan import Scan
from diagnose.practice.drill.session import Exercise, Round
from diagnose.practice.drill.studio import LETTERS, OPEN, Option, Studio
from diagnose.practice.simulate import Simulation, Window, shown_histories, state_at
from diagnose.render.pictures.panel import shown_dials
from diagnose.render.pictures.terminal import panel_text
from diagnose.render.reasons import bound
from diagnose.render.text import NO_FAILURE, fill, reading_words, table

# ------------------------------------------------------------------ what the hands of the dials did in a window of a flight, in words


LAMPS = ("lamp", "window", "ball")


def short_name(gauge: Gauge) -> str:
    """The first of the words that pilots have for a gauge."""
    return gauge.words[0] if gauge.words else gauge.name


def moves(part: np.ndarray, dial: Dial, studio: Studio) -> bool:
    """Whether a hand counts as moving within one maneuver."""
    least = moved_by(dial, studio) * studio.number("moved_within")
    return bool(np.abs(step(part, part[0], dial)).max() > least)


def otherwise(exercise: NameIt, number: int, studio: Studio) -> list[str]:
    """Lamps and words of an earlier snapshot that differ from the panel now."""
    case = exercise.flown.case
    kinds = {dial.id: dial.kind for dial in shown_dials(studio.kb.dials, studio.seen)}
    now = case.snapshot[-1].readings
    return [
        reading_words(studio.kb, facet, reading)
        for facet, reading in case.snapshot[number].readings.items()
        if now.get(facet) != reading and kinds.get(facet.split(".")[0]) in LAMPS
    ]


def went(
    studio: Studio,
    simulation: Simulation,
    window: Window,
    later: Window | None = None,
    covered: Sequence[str] = (),
) -> Iterator[str]:
    """What each hand did in a window: "altimeter 3,000 to 3,620 ft"; one that stood still is left out.

    With ``later``, the window of the panel that is shown, one that stood elsewhere than there is named.
    """
    histories = shown_histories(simulation)
    for dial in shown_dials(studio.kb.dials, studio.seen):
        name = hand_name(dial)
        if dial.kind in LAMPS or dial.id in covered or name not in histories:
            continue
        values = np.asarray(histories[name], dtype=np.float64)
        part = values[window.first : window.end]
        if not np.isfinite(part).all():
            continue
        beyond = moved_by(dial, studio)
        elsewhere = later is not None and abs(step(part[-1], values[later.end - 1], dial)) > beyond
        if elsewhere or moves(part, dial, studio):
            gauge, does = studio.kb.gauges[dial.id], span(part, dial, studio)
            yield f"{short_name(gauge)} {does if ' ' in does else f'stays at {does}'}{written_unit(dial)}"


def moved_by(dial: Dial, studio: Studio) -> float:
    """How far a hand must go to be said to have moved: the number of the drill in the unit of its dial."""
    moved = {n.unit: n.value for n in studio.kb.drill_numbers.values() if n.id.startswith("moved_by_")}
    return moved.get(unit_of(dial), studio.number("moved_by_other"))


def step(to: Any, start: float, dial: Dial) -> Any:
    """How far a hand is from where it was; cards the short way round."""
    return (to - start + 180.0) % 360.0 - 180.0 if dial.kind in ("card", "strip") else to - start


def hand_name(dial: Dial) -> str:
    """What the main hand of a dial reads."""
    return (*dial.reads, *(hand.reads for hand in dial.hands))[0]


def span(values: np.ndarray, dial: Dial, studio: Studio) -> str:
    """Where a hand began and ended, or between what it swung if it came to little: "swings -250/+300"."""
    card = dial.kind in ("card", "strip")
    if card:
        values = np.degrees(np.unwrap(np.radians(values)))
    beyond = moved_by(dial, studio)
    first, last = float(values[0]), float(values[-1])
    begins, ends = value_words(first, dial, studio), value_words(last, dial, studio)
    low, high = float(values.min()), float(values.max())
    beyond_both = low < min(first, last) - beyond or high > max(first, last) + beyond
    if beyond_both and abs(last - first) < (high - low) * studio.number("swings"):
        return f"swings {value_words(low, dial, studio)}/{value_words(high, dial, studio)}"
    # the long way round is said, or it would be taken for the short one
    way = f" by the {'left' if last < first else 'right'}" if card and abs(last - first) > 180.0 else ""
    return f"{begins}{way} to {ends}" if begins != ends else ends


def unit_of(dial: Dial) -> str:
    """The unit of a dial's values; turn coordinators have none printed, cards and horizons need none."""
    return {"turn": "deg/s", "horizon": "deg"}.get(dial.kind) or dial.unit.replace("100 ", "")


def written_unit(dial: Dial) -> str:
    """The unit with a blank before it; "" where none is written."""
    return "" if dial.kind in ("card", "strip", "horizon", "turn") else f" {unit_of(dial)}".rstrip()


def value_words(value: float, dial: Dial, studio: Studio) -> str:
    """A value as the dial is read."""
    match dial.kind:
        case "card" | "strip":
            return f"{round(value) % 360 or 360:03d}"
        case "horizon":
            if abs(value) < studio.number("level_within"):
                return "level"
            return f"{abs(value):.0f}{'L' if value < 0 else 'R'}"
        case "turn":
            if abs(value) < studio.number("no_turn_within"):
                return "no turn"
            return f"{abs(value):.1f}{'L' if value < 0 else 'R'}"
    unit = unit_of(dial)
    if unit == "ft":
        return f"{round(value, -1):,.0f}"
    if unit == "fpm":
        return f"{round(value / 50.0) * 50.0:+,.0f}".replace("+0", "0").replace("-0", "0")
    return f"{value:.1f}".replace("-0.0", "0.0") if abs(value) < 20.0 else f"{value:.0f}"


#: columns of a gauge's name
NAME = 17
#: from so many maneuvers on their heads have room for the short names only
CROWDED = 3
#: rows of gauges beside the six; if more changed, they are told in sentences
MOST_MINOR = 2


def seen_lines(exercise: NameIt, studio: Studio, width: int) -> Iterator[str]:
    """The table, then what showed the same throughout, then what could not be seen."""
    kb, flown = studio.kb, exercise.flown
    count = len(flown.windows)
    each = (width - NAME) // count
    manoeuvres = [kb.manoeuvres[snapshot.manoeuvre] for snapshot in flown.case.snapshot]
    heads = [m.words[0] if count >= CROWDED and m.words else m.name for m in manoeuvres]
    yield from _row("You fly:" if count == 1 else "First, then:", heads, each)
    minor: list[tuple[str, list[str]]] = []
    steady: list[str] = []
    for dial in shown_dials(kb.dials, studio.seen):
        cells = [] if dial.id in exercise.covered else _cells(dial, exercise, studio)
        if not cells:
            continue
        name, unit = dial.title.lower(), "" if dial.kind in LAMPS else written_unit(dial)
        if dial.large:
            yield from _row(name + unit, cells, each)
        elif len(set(cells)) == 1:
            steady.append(bound(f"{name} {cells[0]}{unit}"))
        else:
            minor.append((name + unit, cells))
    if len(minor) <= MOST_MINOR:
        for name, cells in minor:
            yield from _row(name, cells, each)
    else:
        yield fill("; ".join(f"{name} {' | '.join(cells)}" for name, cells in minor) + ".", width)
    if steady:
        yield fill(f"{'Throughout' if count > 1 else 'Also'}: {', '.join(steady)}.", width)
    if exercise.covered:
        titles = {dial.id: dial.title.lower() for dial in kb.dials.values()}
        yield fill(
            f"Not visible: {', '.join(titles.get(gauge, gauge) for gauge in exercise.covered)}.", width
        )


def _row(name: str, cells: Sequence[str], each: int) -> Iterator[str]:
    """A row of the table; what has no room in its column goes on below."""
    wrapped = [textwrap.wrap(cell, each - 1) for cell in cells]
    for number, parts in enumerate(zip_longest(*wrapped, fillvalue="")):
        yield (f"{'' if number else name:<{NAME}}" + "".join(f"{part:<{each}}" for part in parts)).rstrip()


def _stood(part: np.ndarray, dial: Dial) -> float:
    """Where a hand stood, bumps left out; a card may pass north, so that it has no middle value."""
    return float(part[-1] if dial.kind in ("card", "strip") else np.median(part))


def _cells(dial: Dial, exercise: NameIt, studio: Studio) -> list[str]:
    """What a gauge showed in each maneuver."""
    if dial.kind in LAMPS:
        return [
            ", ".join(
                "LIT" if r == "lit" else readable(r)
                for facet, r in snapshot.readings.items()
                if facet.split(".")[0] == dial.id
            )
            for snapshot in exercise.flown.case.snapshot
        ]
    histories = shown_histories(exercise.flown.simulation)
    if hand_name(dial) not in histories:
        return []
    values = np.asarray(histories[hand_name(dial)], dtype=np.float64)
    cells = []
    for window in exercise.flown.windows:
        part = values[window.first : window.end]
        if not np.isfinite(part).all():
            cells.append("blank")
            continue
        cell = (
            span(part, dial, studio)
            if moves(part, dial, studio)
            else value_words(_stood(part, dial), dial, studio)
        )
        if dial.kind == "horizon":
            cell += f" nose {round(float(histories[dial.reads[1]][window.end - 1])):+d}"
        if dial.flag and histories[dial.flag][window.end - 1]:
            cell += " OFF"
        cells.append(cell)
    return cells


TITLES = {"predict": "Predict it", "name": "Name it", "fly": "Partial panel", "scan": "Scan"}


# ------------------------------------------------------------------ the question


def heading(number: int, done: Round, kb: KnowledgeBase, left: str) -> str:
    """The line above an exercise. A failure that is to be named is not told."""
    what = TITLES[done.card.kind]
    return f"[{number}] {what}{' (new)' if done.new else ''} - {left}"


def question(done: Round, studio: Studio, width: int, pattern: ScanPattern | None = None) -> str:
    """The whole question of an exercise."""
    exercise = done.exercise
    lines: Iterable[str]
    match exercise:
        case NameIt():
            lines = _name_question(exercise, studio, width)
        case PredictIt():
            lines = _predict_question(exercise, studio, width, first=done.first)
        case FlyOn():
            lines = _fly_question(exercise, studio, width)
        case Scan():
            lines = _scan_question(exercise, studio, width, pattern)
    return "\n".join(lines)


def option_words(option: Option, kb: KnowledgeBase) -> str:
    """An answer in words; those that look the same are one answer."""
    if option.id == OPEN:
        return "can't tell yet"
    if option.id == SOUND:
        return NO_FAILURE
    return kb.failures[option.id].name + (" (or similar)" if len(option.like) > 1 else "")


def option_lines(options: Sequence[Option], kb: KnowledgeBase, width: int) -> Iterator[str]:
    """The answers offered, a letter each."""
    *failures, sound, none = [
        (f"  {letter}  ", option_words(option, kb)) for letter, option in zip(LETTERS, options, strict=False)
    ]
    for letter, text in failures:
        yield fill(text, width, letter, "     ")
    # two of every question, in one line
    yield fill(sound[1] + none[0] + none[1], width, sound[0], "     ")


def _conditions(context: Sequence[str], kb: KnowledgeBase, width: int) -> Iterator[str]:
    if context:
        yield fill(f"Conditions: {', '.join(kb.context[flag].name for flag in context)}.", width)


def _name_question(exercise: NameIt, studio: Studio, width: int) -> Iterator[str]:
    yield from _conditions(exercise.flown.case.context, studio.kb, width)
    yield from seen_lines(exercise, studio, width)
    yield "What has failed? At most one thing."
    yield from option_lines(exercise.options, studio.kb, width)


def drawn(exercise: NameIt, studio: Studio) -> str:
    """The panel at the end of a flight to be named, as a picture of signs."""
    state = state_at(exercise.flown.simulation, exercise.flown.windows[-1].end - 1)
    return panel_text(state, studio.kb.dials, studio.seen, covered=exercise.covered)


def flown_lines(exercise: NameIt, studio: Studio, width: int) -> Iterator[str]:
    """What was flown, and what the needles did meanwhile."""
    kb, flown = studio.kb, exercise.flown
    yield from _conditions(flown.case.context, kb, width)
    count = len(flown.windows)
    for number, (window, snapshot) in enumerate(zip(flown.windows, flown.case.snapshot, strict=True), 1):
        yield fill(f"{number}. You fly: {kb.manoeuvres[snapshot.manoeuvre].name}.", width)
        later = None if number == count else flown.windows[-1]
        moved = list(went(studio, flown.simulation, window, later, exercise.covered))
        moved += otherwise(exercise, number - 1, studio)
        if number == count:
            rest = "nothing else moves" if moved else "nothing moves"
        else:
            rest = "the rest as shown below" if moved else "all as shown below"
        yield fill("; ".join([*moved, rest]) + ".", width, "   ")


def _predict_question(exercise: PredictIt, studio: Studio, width: int, *, first: bool) -> Iterator[str]:
    kb, card = studio.kb, exercise.card
    failure = kb.failures[card.failure]
    if first:
        yield fill(f"New to you: {failure.name}. {upper(failure.mechanism)}.", width)
    it = "" if first else f"The failure: {failure.name}. "
    flown = kb.manoeuvres[card.manoeuvre].name
    yield fill(f"{it}It has been so for several minutes. You fly: {flown}. What does each gauge show?", width)
    for number, asked in enumerate(exercise.asked, 1):
        readings = "   ".join(
            bound(f"{letter} {readable(r)}") for letter, r in zip(LETTERS, asked.readings, strict=False)
        )
        yield fill(facet_words(asked.facet, kb), width, f"  {number}  ", " " * 5)
        yield fill(readings, width, " " * 7)
    yield "Answer with one letter per line, in order, such as: " + " ".join("a" for _ in exercise.asked)


def upper(text: str) -> str:
    """A text that begins a sentence."""
    return text[:1].upper() + text[1:]


def facet_words(facet: str, kb: KnowledgeBase) -> str:
    """A facet in words: "airspeed (what the needle did)"; the gauge alone where it is read in one way."""
    gauge_id, facet_id = facet.split(".")
    gauge = kb.gauges[gauge_id]
    name = gauge.words[0] if gauge.words else gauge.name
    (found,) = (known for known in gauge.facets if known.id == facet_id)
    return f"{name} ({found.name})" if len(gauge.facets) > 1 else name


def _short(gauge: str, kb: KnowledgeBase) -> str:
    return kb.gauges[gauge].words[0] if kb.gauges[gauge].words else kb.gauges[gauge].name


def _fly_question(exercise: FlyOn, studio: Studio, width: int) -> Iterator[str]:
    kb, card = studio.kb, exercise.card
    yield fill(
        f"You know what is wrong: {kb.failures[card.failure].name}. You fly: {kb.manoeuvres[card.manoeuvre].name}.",
        width,
    )
    for number, choice in enumerate(exercise.choices, 1):
        ask = "cover what?" if choice.what == COVER else f"{choice.what} by what?"
        gauges = "   ".join(
            bound(f"{letter} {_short(g, kb)}") for letter, g in zip(LETTERS, choice.gauges, strict=False)
        )
        yield fill(gauges, width, f"  {number}  {ask:<20}", " " * 25)
    example = " ".join("ab" if choice.what == COVER else "c" for choice in exercise.choices)
    yield f"Answer all, in order, such as: {example}   (- covers nothing)"


def _scan_question(exercise: Scan, studio: Studio, width: int, pattern: ScanPattern | None) -> Iterator[str]:
    kb = studio.kb
    minutes = exercise.flown.simulation.samples / 60.0
    yield from _conditions(exercise.flown.case.context, kb, width)
    yield fill(
        f"All gauges are hidden. Each look takes {exercise.look_s} s while the flight goes on; it ends after "
        f"{minutes:.1f} min. At most one thing fails, at the start or later. Name gauges to look at ('alt vsi asi'), "
        "or 'wait 30' (seconds). Answer with a letter as soon as you know. 'No failure' and 'can't tell' count only from "
        f"{clock(exercise.patience_s)} on.",
        width,
    )
    names = [kb.gauges[g].words[0] if kb.gauges[g].words else g for g in studio.seen if g in kb.dials]
    yield fill(f"Gauges: {', '.join(names)}.", width)
    if pattern:
        yield fill(f"Practice: {pattern.name}, {pattern.says}. An empty line takes its next look.", width)
    yield from option_lines(exercise.options, kb, width)
    yield f"0:00 {kb.manoeuvres[exercise.manoeuvre].name}"


# ------------------------------------------------------------------ looks of a scan


def clock(second: int) -> str:
    """A time in the flight."""
    return f"{second // 60}:{second % 60:02d}"


def look_line(scan: Scan, before: str) -> str:
    """What the last look showed, below the maneuver if it is another one than before."""
    new = f"{new_leg_line(scan)}\n" if scan.manoeuvre != before else ""
    return f"{new}{clock(scan.second)} {look_words(scan)}"


def new_leg_line(scan: Scan) -> str:
    """What is flown from now on."""
    return f"{clock(scan.second)} You now fly: {scan.studio.kb.manoeuvres[scan.manoeuvre].name}"


def look_words(scan: Scan) -> str:
    """What the last look showed: where the hand stands and what it did."""
    look = scan.looks[-1]
    studio, simulation = scan.studio, scan.flown.simulation
    kb = studio.kb
    dial = next((d for d in shown_dials(kb.dials, (look.gauge,))), None)
    gauge = kb.gauges[look.gauge]
    text, shown = short_name(gauge), ""
    histories = shown_histories(simulation)
    if dial is not None and dial.kind not in LAMPS and hand_name(dial) in histories:
        value = float(histories[hand_name(dial)][max(scan.second - 1, 0)])
        shown = value_words(value, dial, studio)
        text += f" {shown}{written_unit(dial)}"
    done = [
        _done(gauge, facet.split(".")[1], reading, reading_words(kb, facet, reading))
        for facet, reading in look.readings.items()
        if readable(reading) != shown
    ]
    return text + (f": {', '.join(done)}" if done else "" if look.readings else f"{' (' if shown else ': '}too soon to say what it does{')' if shown else ''}")


def _done(gauge: Gauge, facet: str, reading: str, words: str) -> str:
    """What a gauge did, without its name; of a flag it is said that it is one."""
    return f"flag {readable(reading)}" if facet == "flag" else words.removeprefix(short_name(gauge)).strip()


# ------------------------------------------------------------------ how the exercise that is asked is answered: at 'help', and when the line was empty


ALWAYS = (("again", "repeats the question"), ("skip", "passes"), ("quit", "ends; your answers are saved"))
CHANCES = (
    "your answer. To say how sure you are, add percentages: 'b 70 d 30', or just 'b 70'. You score best by "
    "giving what you really believe."
)
READING = (
    ("rows", "the gauges; each column is a maneuver, in the order flown"),
    ("100 to 81", "where the needle began and where it ended"),
    ("swings 94/106", "it went back and forth between these"),
    ("100", "it did not move"),
    ("16R", "16 degrees of bank to the right, or degrees per second"),
    ("panel", "draws the panel as it was at the end"),
)
LOOKING = (
    ("att alt asi", "look at these gauges, in this order; one or more"),
    ("Enter", "the same looks again, or the next look of the pattern you practice"),
    ("wait", "let the time of one look pass; 'wait 30' thirty seconds. After a maneuver change needles take a few seconds to settle"),
)  # fmt: skip


def answering(exercise: Exercise) -> str:
    """How to answer, in one line."""
    match exercise:
        case PredictIt():
            return "One letter per gauge; 'help' explains the readings."
        case FlyOn():
            return "Answer all, in order: letters for what to cover (or -), then one letter per axis."
        case _:
            claims = [letter for letter, option in zip(LETTERS, exercise.options, strict=False) if option.id != OPEN]
            return f"Answer with a letter, or with percentages such as '{claims[0]} 70 {claims[-1]} 30'."


def help_text(exercise: Exercise, studio: Studio, width: int) -> str:
    """How to answer, and what the words of the question mean."""
    return "\n".join(_help(exercise, studio, width))


def _help(exercise: Exercise, studio: Studio, width: int) -> Iterator[str]:
    match exercise:
        case PredictIt():
            yield fill("Answer with one letter per gauge, in order.", width)
            yield from table(ALWAYS, width).splitlines()
            yield "The readings mean:"
            yield from _meanings(exercise, studio, width)
        case FlyOn():
            yield fill(f"{answering(exercise)} Cover what misleads here, and nothing that is good.", width)
            yield from table(ALWAYS, width).splitlines()
        case NameIt():
            yield from table((*READING, ("letter", CHANCES), *ALWAYS), width).splitlines()
        case Scan():
            yield from table(
                (*LOOKING, ("letter", f"ends the exercise: {CHANCES}"), *ALWAYS), width
            ).splitlines()


def _meanings(exercise: PredictIt, studio: Studio, width: int) -> Iterator[str]:
    """What each reading offered means, in the words of the knowledge base."""
    for asked in exercise.asked:
        found = studio.kb.facet(asked.facet)
        means = {reading.id: reading.means for reading in found.readings}
        told = "; ".join(f"{readable(r)} = {means[r]}" for r in asked.readings if means[r] != readable(r))
        # a lamp that is lit needs no words
        if told:
            yield fill(f"{facet_words(asked.facet, studio.kb)}: {told}.", width, "  ", "    ")
