"""How the exercise that is asked is answered: at 'help', and when the line was empty."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.drill.fly_on import FlyOn
from diagnose.drill.name_it import NameIt
from diagnose.drill.predict import PredictIt
from diagnose.drill.scan import Scan
from diagnose.drill.sitting import Exercise
from diagnose.drill.studio import Studio
from diagnose.text import fill
from diagnose.text_drill.question import facet_words
from diagnose.words import readable

ALWAYS = "'again' shows the question again, 'skip' leaves it, 'quit' ends (what you answered is kept)."
CHANCES = (
    "To say how sure you are, give chances out of 100: 'b 70 d 30', or 'b 70' and the rest is spread evenly; "
    "the score is best if they are what you believe."
)
READING = (
    "A row of the table is a gauge, a column a maneuver in the order flown: '100 to 81' is where the hand began "
    "and ended, 'swings 94/106' between what it went to and fro, one value that it stood still. 16R is 16 degrees of "
    "bank, or so many degrees a second, to the right. 'panel' draws the panel as it stood at the end."
)
LOOKING = (
    "Name one gauge or several, in the order in which you look: 'att alt asi'. An empty line takes the same looks "
    "again, or the next look of the pattern that you practise. 'wait' lets the time of one look pass, 'wait 5' that "
    "of five. After a change of maneuver the hands need some seconds before a look tells anything. "
    "A letter is your call and ends the exercise. Afterwards the worth of a look is told in bits: 1 bit is the "
    "answer to one even yes-or-no question."
)


def answering(exercise: Exercise) -> str:
    """How to answer, in one line."""
    match exercise:
        case PredictIt():
            return "Answer with a letter for each gauge; 'help' says what the readings mean."
        case FlyOn():
            return "Answer all in their order: letters for what to cover (or -), then a letter for each axis."
        case _:
            return "Answer with a letter, or with chances such as 'b 70 d 30'."


def help_text(exercise: Exercise, studio: Studio, width: int) -> str:
    """How to answer, and what the words of the question mean."""
    return "\n".join(_help(exercise, studio, width))


def _help(exercise: Exercise, studio: Studio, width: int) -> Iterator[str]:
    match exercise:
        case PredictIt():
            yield fill(
                f"Answer with a letter for each gauge, in their order. {ALWAYS} The readings mean:", width
            )
            yield from _meanings(exercise, studio, width)
        case FlyOn():
            yield fill(
                f"{answering(exercise)} Cover what misleads here, and nothing that is sound. {ALWAYS}", width
            )
        case NameIt():
            yield fill(f"{READING} Answer with the letter. {CHANCES} {ALWAYS}", width)
        case Scan():
            yield fill(f"{LOOKING} {CHANCES} {ALWAYS}", width)


def _meanings(exercise: PredictIt, studio: Studio, width: int) -> Iterator[str]:
    """What each reading offered means, in the words of the knowledge base."""
    for asked in exercise.asked:
        gauge, facet = asked.facet.split(".")
        (found,) = (f for f in studio.kb.gauges[gauge].facets if f.id == facet)
        means = {reading.id: reading.means for reading in found.readings}
        told = "; ".join(f"{readable(r)} = {means[r]}" for r in asked.readings if means[r] != readable(r))
        # a lamp that is lit needs no words
        if told:
            yield fill(f"{facet_words(asked.facet, studio.kb)}: {told}.", width, "  ", "    ")
