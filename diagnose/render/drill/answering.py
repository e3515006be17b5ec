"""How the exercise that is asked is answered: at 'help', and when the line was empty."""

from __future__ import annotations

from collections.abc import Iterator

from diagnose.language import readable
from diagnose.practice.drill.fly_on import FlyOn
from diagnose.practice.drill.name_it import NameIt
from diagnose.practice.drill.predict import PredictIt
from diagnose.practice.drill.scan import Scan
from diagnose.practice.drill.sitting import Exercise
from diagnose.practice.drill.studio import Studio
from diagnose.render.drill.question import facet_words
from diagnose.render.text import fill

ALWAYS = "'again' repeats the question, 'skip' passes, 'quit' ends (your answers are saved)."
CHANCES = (
    "To say how sure you are, give percentages: 'b 70 d 30', or just 'b 70'. You score best by giving "
    "what you really believe."
)
READING = (
    "Each row is a gauge; each column is a maneuver, in the order flown. '100 to 81': where the needle began "
    "and ended. 'swings 94/106': it went back and forth between these. One value: it did not move. 16R: 16 degrees "
    "of bank, or degrees per second, to the right. 'panel' draws the panel as it was at the end."
)
LOOKING = (
    "Name one gauge or more, in the order you look: 'att alt asi'. Enter alone repeats the same looks, or takes "
    "the next look of the pattern you practice. 'wait' lets the time of one look pass, 'wait 5' of five. After a "
    "change of maneuver the needles need a few seconds to settle. A letter is your answer and ends the exercise. "
    "Afterwards the value of a look is given in bits: 1 bit settles one even yes-or-no question."
)


def answering(exercise: Exercise) -> str:
    """How to answer, in one line."""
    match exercise:
        case PredictIt():
            return "One letter per gauge; 'help' explains the readings."
        case FlyOn():
            return "Answer all, in order: letters for what to cover (or -), then one letter per axis."
        case _:
            return "Answer with a letter, or with percentages such as 'b 70 d 30'."


def help_text(exercise: Exercise, studio: Studio, width: int) -> str:
    """How to answer, and what the words of the question mean."""
    return "\n".join(_help(exercise, studio, width))


def _help(exercise: Exercise, studio: Studio, width: int) -> Iterator[str]:
    match exercise:
        case PredictIt():
            yield fill(f"Answer with one letter per gauge, in order. {ALWAYS} The readings mean:", width)
            yield from _meanings(exercise, studio, width)
        case FlyOn():
            yield fill(
                f"{answering(exercise)} Cover what misleads here, and nothing that is good. {ALWAYS}", width
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
