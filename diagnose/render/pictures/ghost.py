"""Ghost hands: what a healthy gauge would show, beside what it showed, and the number of the difference."""

from __future__ import annotations

from diagnose.model.gauges import Dial, hand_angle_deg
from diagnose.render.pictures.moving import FARTHEST, State, known
from diagnose.render.pictures.svg import PAPER, element, number, spoke, words

GHOST = "var(--ghost,#a3005c)"
#: the number stands between the middle of a dial and the labels of its scale
BELOW = 44.0
#: what nobody sees on a dial: degrees of a hand or card, degrees of the horizon
LEAST_DEG, LEAST_HORIZON_DEG = 2.5, 1.5


def ghost_svg(dial: Dial, state: State, sound: State, size: float) -> str:
    """The ghost of one dial with the difference (shown less sound) below its middle; "" where there is none to see.

    ``state`` and ``sound``: what it shows, and what a healthy one shows in the same flight.
    """
    told = difference(dial, state, sound)
    if not told:
        return ""
    match dial.kind:
        case "horizon":
            bank, pitch = (known(sound, name) or 0.0 for name in dial.reads)
            down = max(-FARTHEST, min(FARTHEST, pitch * dial.per_unit))
            line = element("path", d="M-78 0H-30M30 0H78", fill="none")
            drawn = element("g", line, transform=f"rotate({number(-bank)}) translate(0 {number(down)})")
        case "card":
            # where the heading under the mark would stand: the mark of a healthy card, on this one
            apart = hand_angle_deg(dial.hands[0], known(sound, dial.hands[0].reads) or 0.0) - hand_angle_deg(
                dial.hands[0], known(state, dial.hands[0].reads) or 0.0
            )
            drawn = spoke(58.0, 97.0, -apart, 5.0, stroke=GHOST)
        case "turn":
            tilt = hand_angle_deg(dial.hands[0], known(sound, dial.hands[0].reads) or 0.0)
            drawn = element("path", d="M-72 0H-16M16 0H72", fill="none", transform=f"rotate({number(tilt)})")
        case _:
            hands = [hand for hand in dial.hands if hand.shape != "marker"]
            drawn = "".join(
                element("path", d=f"M-5 0V{number(-100.0 * hand.length)}H5V0Z", fill="none",
                        transform=f"rotate({number(hand_angle_deg(hand, known(sound, hand.reads) or 0.0))})")
                for hand in hands
            )  # fmt: skip
    lines = element("g", drawn, stroke=GHOST, stroke_width=4.0, stroke_dasharray="7 4")
    half = 0.33 * size * len(told)
    plate = element(
        "rect", x=-half, y=BELOW - 0.6 * size, width=2.0 * half, height=1.2 * size, rx=4.0, fill=PAPER
    )
    written = words(told, 0.0, BELOW, size, fill=GHOST, font_weight="bold")
    return element("g", lines, plate, written, class_="ghost")


def difference(dial: Dial, state: State, sound: State) -> str:
    """By how much a dial shows something else than a healthy one, in its unit; "" if nobody would see it."""
    names = dial.reads or tuple(hand.reads for hand in dial.hands[-1:])
    pairs = [(known(state, name), known(sound, name)) for name in names]
    if dial.kind in ("lamp", "window", "ball", "strip") or any(None in pair for pair in pairs):
        return ""
    apart = [(shown or 0.0) - (true or 0.0) for shown, true in pairs]
    if dial.kind == "horizon":
        bank, pitch = ((value + 180.0) % 360.0 - 180.0 for value in apart)
        seen = abs(bank) >= LEAST_HORIZON_DEG or abs(pitch) >= LEAST_HORIZON_DEG
        return f"bank {bank:+.0f}, nose {pitch:+.0f}" if seen else ""
    hand, (value,) = dial.hands[-1], apart
    if dial.kind == "card":
        value = (value + 180.0) % 360.0 - 180.0
        return f"{value:+.0f} deg" if abs(value) >= LEAST_DEG else ""
    shown, true = pairs[0]
    turned = hand_angle_deg(hand, shown or 0.0) - hand_angle_deg(hand, true or 0.0)
    if abs(turned) < LEAST_DEG:
        return ""
    digits = 1 if abs(value) < 10.0 else 0
    return f"{value:+,.{digits}f} {dial.unit.removeprefix('100 ')}".strip()
