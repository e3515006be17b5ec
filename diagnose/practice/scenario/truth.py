"""What is true in a flown scenario: which instruments mislead when, and when the attitude is unusual."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from diagnose.model.units import min_from_s
from diagnose.practice.simulate import Simulation, shown_histories, state_at
from diagnose.practice.simulate.flight import sound

#: instrument -> the names of its picture that are compared, True where they are angles
COMPARED: Mapping[str, tuple[tuple[str, ...], bool]] = {
    "airspeed": (("airspeed_kt",), False),
    "altimeter": (("altitude_ft",), False),
    "vertical_speed": (("vertical_speed_fpm",), False),
    "attitude": (("bank_deg", "pitch_deg"), False),
    "electric_attitude": (("electric_bank_deg", "electric_pitch_deg"), False),
    "heading": (("heading_deg",), True),
    "turn_coordinator": (("turn_rate_dps",), False),
    "compass": (("compass_deg",), True),
    "suction": (("suction_inhg",), False),
}


#: what a second set of instruments reads
SECOND = ("second_airspeed_kt", "second_altitude_ft")


def misleading(simulation: Simulation) -> dict[str, np.ndarray]:
    """Instrument -> whether it misleads at each second, bool (time,).

    It misleads where it differs from a sound one in the same flight by more than ``mislead.*`` of
    knowledge/flown.toml. The suction gauge misleads where it does not show the suction that there is.
    """
    shown = shown_histories(simulation)
    healthy = shown_histories(sound(simulation))
    found = {}
    for gauge, (names, angle) in COMPARED.items():
        if gauge not in simulation.network.panel.gauges:
            continue
        limit = simulation.sizes(f"mislead.{gauge}")
        off = np.zeros(simulation.samples)
        for name in names:
            against = healthy[name]
            if gauge == "suction":
                against = shown_histories(_true_gauge(simulation))[name]
            apart = shown[name] - against
            if angle:
                apart = (apart + 180.0) % 360.0 - 180.0
            off = np.maximum(off, np.abs(apart))
        found[gauge] = off > limit
    return found


def true_state(simulation: Simulation, second: float) -> dict[str, float | str]:
    """What a panel of sound instruments would show at this second: the motion as it was, the suction that there is.

    What measures a system and not the motion (lamps, volts, amperes) is left as it was shown.
    """
    state = state_at(simulation, second)
    healthy, gauge = state_at(sound(simulation), second), state_at(_true_gauge(simulation), second)
    motion = [name for names, _ in COMPARED.values() for name in names if name != "suction_inhg"]
    return {
        **state,
        **{name: healthy[name] for name in (*motion, *SECOND) if name in healthy},
        "suction_inhg": gauge["suction_inhg"],
    }


def _true_gauge(simulation: Simulation) -> Simulation:
    """The same flight with a suction gauge that reads right."""
    flown = simulation.flown
    kept = {
        name: value
        for name, value in flown.conditions.items()
        if name not in ("suction_gauge", "gyro_filter")
    }
    return replace(simulation, flown=replace(flown, conditions=kept, kept={}), kept={})


def unusual_from(simulation: Simulation) -> float | None:
    """Minute at which the attitude becomes unusual, None if it never does."""
    course, sizes = simulation.course, simulation.sizes
    unusual = simulation.plan.meant.airborne & (
        (np.abs(course.bank_deg) > sizes("unusual.bank_deg"))
        | (course.pitch_deg > sizes("unusual.nose_up_deg"))
        | (course.pitch_deg < -sizes("unusual.nose_down_deg"))
        | (course.airspeed_kt < sizes("course.stall_kt"))
    )
    return min_from_s(float(np.argmax(unusual))) if unusual.any() else None
