"""The magnetic compass: how its card swings in turns and with speed, and its deviation.

Headings in degrees, 0 to 360; right, and nose-up, are positive; a field dip is positive where the field
points down (northern hemisphere). The card hangs level to the apparent vertical, and its magnets settle
along the field's part in the plane of the card; once that plane is tilted, the vertical part of the
field pulls as well. That one mechanism gives both published rules: the northerly turning error
(undershoot north, overshoot south) and the acceleration error (accelerate north, decelerate south).
Source: derived from that geometry; the rules are those of IFH FAA-H-8083-15B ch. 5.
"""

from __future__ import annotations

import numpy as np

from diagnose.model.units import Array, Numbers
from diagnose.physics.airdata import pressure_line
from diagnose.physics.limits import within


def dip_deg(latitude_deg: Numbers) -> Array:
    """Dip of the field of a central dipole: tan(dip) = 2 tan(magnetic latitude).

    Textbook. The real field differs by several degrees of dip; take a chart's value where it matters.
    """
    latitude = within(latitude_deg, -89.0, 89.0, "magnetic latitude", "degrees")
    return np.asarray(np.degrees(np.arctan(2.0 * np.tan(np.radians(latitude)))))


def settled_heading_deg(
    heading_deg: Numbers, vertical_bank_deg: Numbers, vertical_pitch_deg: Numbers, dip_deg: Numbers
) -> Array:
    """Heading that the card would settle at, with the apparent vertical tilted.

    ``vertical_bank_deg``: the bank of a coordinated turn (0 with wings level); ``vertical_pitch_deg``:
    see ``gyros.apparent_pitch_deg``. Leaves out the stops of the card's tilt (some 18 degrees: IFH ch. 5,
    memory).
    """
    dip = np.radians(within(dip_deg, -89.0, 89.0, "dip", "degrees"))
    heading = np.radians(np.asarray(heading_deg, dtype=np.float64))
    bank, pitch = np.radians(vertical_bank_deg), np.radians(vertical_pitch_deg)
    # Field in the plane of the card, horizontal part 1: along the nose and along the right wing.
    # Speed gained tilts the card nose-down, a right turn tilts it right wing down.
    down = np.tan(dip)
    along = np.cos(heading) * np.cos(pitch) + down * np.sin(pitch)
    dips = down * np.cos(pitch) - np.cos(heading) * np.sin(pitch)
    across = dips * np.sin(bank) - np.sin(heading) * np.cos(bank)
    return np.asarray(np.degrees(np.arctan2(-across, along)) % 360.0)


def card_history_deg(settled_deg: Array, step_s: float, damping_s: Numbers) -> Array:
    """What the card shows over time, following the settled heading as a first-order lag.

    ``settled_deg`` shape (..., time), ``damping_s`` its shape without time. The card's way round is the
    short one between samples; overshoot of a badly damped card is left out.
    """
    unwound = np.degrees(np.unwrap(np.radians(np.asarray(settled_deg, dtype=np.float64)), axis=-1))
    return np.asarray(pressure_line(unwound, step_s, damping_s) % 360.0)
