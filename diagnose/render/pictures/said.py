"""What a dial shows, in words: for the terminal, and for who does not see its picture."""

from __future__ import annotations

from diagnose.model.gauges import Dial
from diagnose.render.pictures.moving import State, known, movements


def values_of(dial: Dial, state: State) -> list[float] | None:
    """The numbers that a dial shows, None where one is missing."""
    names = dial.reads or tuple(hand.reads for hand in dial.hands)
    values = [value for name in names if (value := known(state, name)) is not None]
    return values if len(values) == len(names) else None


def reading_words(dial: Dial, state: State) -> str:
    """What a dial shows, in words: "100 kt", "bank 5R nose +2", "LIT"."""
    if dial.kind not in ("horizon", "card", "turn", "pointer"):
        return plain_words(dial, state)
    values = values_of(dial, state)
    if values is None:
        return "(blank)"
    value = values[0]
    flagged = " OFF" if dial.flag and known(state, dial.flag) else ""
    match dial.kind:
        case "horizon":
            side = "L" if value < -0.5 else "R" if value > 0.5 else ""
            return f"bank {abs(value):.0f}{side} nose {round(values[1]):+d}{flagged}"
        case "card":
            return f"{round(value % 360.0) % 360 or 360:03d} deg"
        case "turn":
            side = "left" if value < 0 else "right"
            return (f"{side} {abs(value):.1f} deg/s" if abs(value) >= 0.25 else "no turn") + flagged
    if not dial.large:
        return plain_words(dial, state)
    # nobody reads an altitude or a vertical speed to the foot
    step = 10 if dial.unit.endswith(("ft", "fpm")) else 1
    text = f"{round(value / step) * step} {dial.unit.replace('100 ', '')}"
    windows = [m.text for m in movements(dial, state) if m.how == "write"]
    return f"{text}, set {windows[0]}" if windows and windows[0] else text


def plain_words(dial: Dial, state: State) -> str:
    """A small dial, lamp or window as its number or word."""
    name = (*dial.reads, *(hand.reads for hand in dial.hands))[0]
    value = state.get(name, "")
    number = known(state, name)
    if dial.kind == "lamp":
        return "LIT" if number else "out"
    if dial.kind == "ball":
        side = "left" if (number or 0.0) < 0 else "right"
        return "centered" if abs(number or 0.0) < 0.5 else f"{abs(number or 0.0):.1f} to the {side}"
    if dial.kind == "strip":
        return "" if number is None else f"{round(number) % 360 or 360:03d}"
    if isinstance(value, str):
        return value
    if number is None:
        return "----"
    digits = 1 if abs(number) < 20.0 else 0
    return f"{round(number, digits) + 0.0:.{digits}f} {dial.unit.replace('100 ', '')}".strip()
