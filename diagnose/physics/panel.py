"""From flights and the states of their systems to what a gauge's channel shows.

A channel is the quantity that a facet of ``knowledge/gauges.toml`` classifies. ``CHANNELS`` is the
list of all that the physics can show.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from diagnose.model.units import Array
from diagnose.physics import electric_dials, gyro_dials, pressure_dials, suction_dials
from diagnose.physics.flight import Flights
from diagnose.physics.flown import Flown


@dataclass(frozen=True, slots=True)
class Shown:
    """History of a channel (flight, time), and of the dial itself where the two differ."""

    channel: Array
    dial: Array | None = None


CHANNELS: Mapping[str, Callable[[Flown], Array]] = {
    "airspeed_kt": pressure_dials.airspeed_kt,
    "second_airspeed_kt": pressure_dials.second_airspeed_kt,
    "altimeter_ft": pressure_dials.altimeter_ft,
    "second_altimeter_ft": pressure_dials.second_altimeter_ft,
    "vertical_speed_fpm": pressure_dials.vertical_speed,
    "encoder_ft": pressure_dials.encoder_ft,
    "encoder_less_altimeter_ft": pressure_dials.encoder_less_altimeter_ft,
    "attitude_bank_deg": gyro_dials.attitude_bank_deg,
    "attitude_pitch_deg": gyro_dials.attitude_pitch_deg,
    "attitude_error_deg": lambda flown: gyro_dials.attitude_errors_deg(flown, "attitude")[0],
    "electric_attitude_bank_deg": lambda flown: gyro_dials.attitude_bank_deg(flown, "electric_attitude"),
    "electric_attitude_pitch_deg": lambda flown: gyro_dials.attitude_pitch_deg(flown, "electric_attitude"),
    "electric_attitude_error_deg": lambda flown: gyro_dials.attitude_errors_deg(flown, "electric_attitude")[
        0
    ],
    "heading_deg": gyro_dials.heading_deg,
    "heading_error_deg": gyro_dials.heading_error_deg,
    "turn_rate_dps": gyro_dials.turn_rate_dps,
    "compass_deg": gyro_dials.compass_deg,
    "suction_inhg": suction_dials.suction_inhg,
    "low_vacuum_light": suction_dials.low_vacuum_light,
    "bus_v": electric_dials.bus_v,
    "lights_share": electric_dials.lights_share,
    "low_voltage_light": electric_dials.low_voltage_light,
}

#: channel -> (dial, what is taken off it)
DIFFERENCES: Mapping[str, tuple[str, Callable[[Flights], Array]]] = {
    "airspeed_less_expected_kt": ("airspeed_kt", lambda motion: motion.expected_airspeed_kt),
    "second_airspeed_less_expected_kt": ("second_airspeed_kt", lambda motion: motion.expected_airspeed_kt),
    "airspeed_less_true_kt": ("airspeed_kt", lambda motion: motion.airspeed_kt),
    "altimeter_error_ft": ("altimeter_ft", lambda motion: motion.height_ft),
}


def show(channel: str, flown: Flown) -> Shown:
    """Give what a channel shows; raises KeyError for an unknown channel."""
    if channel in DIFFERENCES:
        name, reference = DIFFERENCES[channel]
        dial = show(name, flown).channel
        return Shown(dial - reference(flown.motion), dial)
    return Shown(CHANNELS[channel](flown))
