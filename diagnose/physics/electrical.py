"""What the alternator carries, how long the battery carries the rest, and the bus voltage.

Currents in A, voltages in V; numbers of a given aircraft are arguments.

Functions take scalars or arrays that broadcast together, and give arrays of that shape.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from diagnose.model.units import MIN_PER_H, S_PER_H, Array, Numbers
from diagnose.physics.limits import within


def battery_minutes(capacity_ah: Numbers, load_a: Numbers, sound_share: Numbers, exponent: Numbers) -> Array:
    """Minutes = 60 k Ah / load^exponent: a lead battery gives less of its capacity at a high load.

    ``sound_share`` k: what an ageing battery still holds; ``exponent``: Peukert's, 1 to 1.3. Values
    stand in knowledge/physics.toml, section battery. Source: Peukert's law, textbook.
    """
    load = within(load_a, 0.1, np.inf, "load", "A")
    capacity = np.asarray(capacity_ah, dtype=np.float64)
    return np.asarray(MIN_PER_H * np.asarray(sound_share) * capacity / load**exponent)


def alternator_a(rpm: Numbers, *, rated_a: Numbers, cut_in_rpm: Numbers, full_rpm: Numbers) -> Array:
    """Most current that an alternator can give: none below cut-in, rising straight to its rating."""
    cut_in = np.asarray(cut_in_rpm, dtype=np.float64)
    rise = (np.asarray(rpm, dtype=np.float64) - cut_in) / (np.asarray(full_rpm) - cut_in)
    return np.asarray(np.asarray(rated_a, dtype=np.float64) * np.clip(rise, 0.0, 1.0))


def battery_current_a(load_a: Numbers, available_a: Numbers) -> Array:
    """Current out of the battery: what the alternator cannot carry (a center-zero ammeter, negated).

    Charging current is left out: a charged battery is assumed, so the ammeter stands at zero.
    """
    load = within(load_a, 0.0, np.inf, "load", "A")
    return np.asarray(np.maximum(load - np.asarray(available_a, dtype=np.float64), 0.0))


def used_share(
    drawn_a: Array,
    step_s: float,
    capacity_ah: Numbers,
    sound_share: Numbers,
    exponent: float,
) -> Array:
    """Share of the battery's endurance that is used up, over time; it stops at 1 (flat).

    ``drawn_a`` shape (..., time), see ``battery_current_a``; capacity and soundness have its shape
    without time. The draw at sample k holds from k - 1 to k. At a steady draw it reaches 1 after
    ``battery_minutes``. Recharging is left out.
    """
    drawn = within(drawn_a, 0.0, np.inf, "battery current", "A")
    step = float(within(step_s, 1e-9, np.inf, "time step", "s"))
    whole = np.asarray(capacity_ah, dtype=np.float64) * sound_share
    used = np.zeros_like(drawn)
    per_step = drawn[..., 1:] ** exponent * (step / S_PER_H) / whole[..., np.newaxis]
    used[..., 1:] = np.minimum(np.cumsum(per_step, axis=-1), 1.0)
    return used


def bus_voltage_v(
    drawn_a: Numbers,
    used: Numbers,
    *,
    regulated_v: Numbers,
    used_points: tuple[float, ...],
    volts_points: tuple[float, ...],
) -> Array:
    """Bus voltage: the regulator's while the alternator carries the load, else the battery's.

    ``used_points`` (rising, 0 to 1) and ``volts_points`` are the corners of the battery's discharge
    curve, straight in between: a plateau, a knee and a fall. Drawn and used broadcast together.
    """
    battery = np.interp(np.asarray(used, dtype=np.float64), used_points, volts_points)
    return np.asarray(np.where(np.asarray(drawn_a) > 0.0, battery, regulated_v))


def low_voltage_light(bus_v: Numbers, trip_v: Numbers) -> npt.NDArray[np.bool_]:
    """Whether the low-voltage light is on: below its trip voltage."""
    return np.asarray(np.asarray(bus_v, dtype=np.float64) < trip_v)
