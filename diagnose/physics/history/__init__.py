"""What every dial shows over a whole flight in which parts fail, recover and are switched.

The formulas are those of the snapshots (airdata, gyros, compass, electrical, vacuum); here the conditions
change with time and may be there by degrees. A degree of 1 is the whole failure, 0 none. Arrays (time,).
"""

from diagnose.physics.history.electric import (
    battery_used,
    bus_volts,
    drawn_a,
    electric_volts,
    lights_share,
    low_voltage_light,
)
from diagnose.physics.history.flown import Flown
from diagnose.physics.history.gyros import (
    attitude_deg,
    compass_shown_deg,
    electric_share,
    heading_shown_deg,
    rotor,
    turn_shown_dps,
)
from diagnose.physics.history.pressure import (
    airspeed_kt,
    altimeter_ft,
    encoder_ft,
    second_airspeed_kt,
    second_altimeter_ft,
    static_inhg,
    vertical_speed,
)
from diagnose.physics.history.suction import (
    engine_rpm,
    gyro_inhg,
    low_vacuum_light,
    manifold_inhg,
    rpm_of,
    suction_inhg,
)

__all__ = [
    "Flown",
    "airspeed_kt",
    "altimeter_ft",
    "attitude_deg",
    "battery_used",
    "bus_volts",
    "compass_shown_deg",
    "drawn_a",
    "electric_share",
    "electric_volts",
    "encoder_ft",
    "engine_rpm",
    "gyro_inhg",
    "heading_shown_deg",
    "lights_share",
    "low_vacuum_light",
    "low_voltage_light",
    "manifold_inhg",
    "rotor",
    "rpm_of",
    "second_airspeed_kt",
    "second_altimeter_ft",
    "static_inhg",
    "suction_inhg",
    "turn_shown_dps",
    "vertical_speed",
]
