"""From numbers to how the parts of a picture stand: the one place that the drawing, the page that
plays and the test of the dials share."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from diagnose.model.gauges import Dial, hand_angle_deg
from diagnose.render.pictures.svg import number

#: the horizon goes so far from the middle of its dial, in hundredths of the radius, of which 80 are in view
FARTHEST = 70.0
#: the ball goes so far from the middle of its tube, and no further
TUBE = 38.0

State = Mapping[str, float | str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Movement:
    """How one part stands. ``part`` is its id in the picture.

    ``values``: rotate (degrees); slide (x); horizon (degrees of rotation, then y); show (0 or 1);
    write (the text in ``text``). Empty values: not known, the part is blank.
    """

    part: str
    how: Literal["rotate", "slide", "horizon", "show", "write"]
    values: tuple[float, ...] = ()
    text: str = ""


def known(state: State, name: str) -> float | None:
    """A number of the state, None where there is none."""
    value = state.get(name)
    return float(value) if isinstance(value, int | float) and math.isfinite(value) else None


def _window(state: State, name: str, digits: int) -> str:
    value = state.get(name, "")
    if isinstance(value, str):
        return value.upper()
    # nought added turns "-0" into "0"
    return f"{round(value, digits) + 0.0:.{digits}f}" if math.isfinite(value) else "----"


def movements(dial: Dial, state: State) -> tuple[Movement, ...]:
    """How every moving part of a dial stands in this state."""
    found: list[Movement] = []
    for place, hand in enumerate(dial.hands):
        value = known(state, hand.reads)
        angles = () if value is None else (hand_angle_deg(hand, value),)
        found.append(Movement(part=f"{dial.id}-hand{place}", how="rotate", values=angles))
    for place, window in enumerate(dial.windows):
        text = _window(state, window.reads, window.digits)
        found.append(Movement(part=f"{dial.id}-window{place}", how="write", text=text))
    if dial.flag:
        shown = known(state, dial.flag)
        found.append(Movement(part=f"{dial.id}-flag", how="show", values=(float(bool(shown)),)))
    part = f"{dial.id}-part"
    values = [known(state, name) for name in dial.reads]
    numbers = tuple(value for value in values if value is not None)
    complete = len(numbers) == len(values)
    match dial.kind:
        case "horizon":
            # a bank to the right turns the horizon to the left; the nose up moves it down
            # a sliver of sky or ground stays in view at any pitch
            stand = (
                (-numbers[0], max(-FARTHEST, min(FARTHEST, numbers[1] * dial.per_unit))) if complete else ()
            )
            found.append(Movement(part=part, how="horizon", values=stand))
        case "ball":
            inside = tuple(max(-TUBE, min(TUBE, n * dial.per_unit)) for n in numbers)
            found.append(Movement(part=part, how="slide", values=inside))
        case "strip":
            # larger headings stand on the left of the card, so it slides to the right as they come
            found.append(Movement(part=part, how="slide", values=tuple(n * dial.per_unit for n in numbers)))
        case "lamp":
            found.append(Movement(part=part, how="show", values=tuple(float(bool(n)) for n in numbers)))
        case "window":
            found.append(Movement(part=part, how="write", text=_window(state, dial.reads[0], dial.digits)))
    return tuple(found)


def transform(movement: Movement) -> dict[str, str | float]:
    """Attributes of the part that put it where it stands; a part that is not known is hidden."""
    values = movement.values
    if movement.how == "write":
        return {}
    if not values:
        return {"visibility": "hidden"}
    match movement.how:
        case "rotate":
            return {"transform": f"rotate({number(values[0])})"}
        case "slide":
            return {"transform": f"translate({number(values[0])} 0)"}
        case "horizon":
            return {"transform": f"rotate({number(values[0])}) translate(0 {number(values[1])})"}
        case _:
            return {"visibility": "visible" if values[0] else "hidden"}
