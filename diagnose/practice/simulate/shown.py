"""What the gauges of a flown scenario show: for pictures by name, for readings by channel.

Histories are arrays (time,), a value a second.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from diagnose.model.units import Array
from diagnose.network.likelihood import stated_chances
from diagnose.network.readings import classify
from diagnose.network.tables import Network
from diagnose.physics import suction_dials
from diagnose.physics.airdata import tas_from_cas_kt
from diagnose.physics.course import STEP_S
from diagnose.physics.panel import show
from diagnose.practice.simulate.flight import Simulation

Histories = Mapping[str, np.ndarray]

#: motion counts as such from here on; see the quantities flight.* of the physics, between their ranges
VERTICAL_FPM, SPEED_KT, TURN_DPS, NOSE_DEG = 150.0, 6.0, 1.0, 3.0
#: beyond this the speed is not what power and attitude should give; the facet's own limit
PACE_KT = 12.0
#: how many seconds back a picture judges a trend by
TREND_S = 20


def motion_over_time(simulation: Simulation) -> dict[str, np.ndarray]:
    """Value of every axis of the motion at each second, judged by the seconds before it."""
    course, back = simulation.course, TREND_S

    def gained(values: Array) -> Array:
        return np.asarray(values - np.pad(values, (back, 0), mode="edge")[: len(values)])

    per_minute = 60.0 / (back * STEP_S)
    off = course.airspeed_kt - simulation.plan.meant.airspeed_kt
    return _words_of(
        simulation,
        np.arange(simulation.samples),
        gained(course.height_ft) * per_minute,
        gained(course.airspeed_kt) * per_minute,
        off,
        course.turn_dps,
        course.pitch_deg,
    )


def motion_in(simulation: Simulation, first: int, end: int) -> dict[str, np.ndarray]:
    """Value of every axis of the motion in the seconds from ``first`` to before ``end``, one each."""
    course = simulation.course
    inside = slice(first, end)
    minutes = (end - first) * STEP_S / 60.0
    edge = max(1, (end - first) // 6)

    def gained(values: Array) -> Array:
        part = values[inside]
        return np.array([part[-edge:].mean() - part[:edge].mean()])

    off = course.airspeed_kt[inside] - simulation.plan.meant.airspeed_kt[inside]
    return _words_of(
        simulation,
        np.array([end - 1]),
        gained(course.height_ft) / minutes,
        gained(course.airspeed_kt),
        np.array([off[-edge:].mean()]),
        np.array([course.turn_dps[inside].mean()]),
        np.array([course.pitch_deg[inside][-edge:].mean()]),
    )


def _words_of(
    simulation: Simulation,
    samples: np.ndarray,
    rate_fpm: Array,
    gain_kt: Array,
    off_kt: Array,
    turn_dps: Array,
    pitch_deg: Array,
) -> dict[str, np.ndarray]:
    meant = simulation.plan.meant

    def three(values: Array, limit: float, low: str, middle: str, high: str) -> np.ndarray:
        return np.select([values < -limit, values > limit], [low, high], middle)

    still = np.where(meant.rolling[samples], "rolling", "at_rest")
    return {
        "vertical": three(rate_fpm, VERTICAL_FPM, "down", "level", "up"),
        "speed": three(gain_kt, SPEED_KT, "decreasing", "constant", "increasing"),
        "pace": np.where(meant.airborne[samples], three(off_kt, PACE_KT, "slow", "expected", "fast"), still),
        "turn": three(turn_dps, TURN_DPS, "left", "straight", "right"),
        "nose": three(pitch_deg, NOSE_DEG, "down", "level", "up"),
        "power": meant.power[samples],
    }


def likely_reading(
    simulation: Simulation, facet: str, motion: Mapping[str, np.ndarray], samples: np.ndarray
) -> np.ndarray:
    """The likeliest reading of a facet whose chances are stated, at these seconds (str array).

    ``motion``: axis -> its value at each of them. Where the panel does not say which type is fitted, it is the
    type that its dial is drawn as.
    """
    network: Network = simulation.network
    table, chance = network.facets[facet], network.facets[facet].chance
    gauge, _, part = facet.partition(".")
    dial = network.kb.dials.get(gauge)
    if dial is not None and dial.fitted and not network.panel.ammeter:
        known = next(f for f in network.kb.gauges[gauge].facets if f.id == part)
        chance = stated_chances(network.kb, known, dial.fitted)
    index = []
    for name in table.parents:
        words = simulation.half.get(name)
        first = np.zeros(len(samples), dtype=np.intp)
        index.append(first if words is None else _places(network.states[name], words[samples]))
    for axis in table.axes:
        index.append(_places(network.states[axis], motion[axis]))
    if not index:
        return np.full(len(samples), table.readings[int(chance.argmax(axis=-1))])
    return np.array(table.readings)[chance[tuple(index)].argmax(axis=-1)]


def _places(states: tuple[str, ...], words: np.ndarray) -> np.ndarray:
    order = {state: place for place, state in enumerate(states)}
    return np.array([order[word] for word in words.tolist()], dtype=np.intp)


# ------------------------------------------------------------------ channels of the facets


def channel(simulation: Simulation, name: str) -> tuple[Array, Array | None]:
    """History of a facet's channel, and of the dial itself where the two differ. Raises KeyError."""
    shown = show(name, simulation.flown)
    return shown.channel[0], None if shown.dial is None else shown.dial[0]


# ------------------------------------------------------------------ what the pictures read


def shown_histories(simulation: Simulation) -> Histories:
    """What the panel's pictures read: name -> history of numbers, or of words for a window."""
    if "shown" not in simulation.kept:
        simulation.kept["shown"] = _shown(simulation)
    return simulation.kept["shown"]


def state_at(simulation: Simulation, second: float) -> dict[str, float | str]:
    """The panel's state for its picture at a second of the scenario."""
    k = min(max(round(second / STEP_S), 0), simulation.samples - 1)
    return {name: values[k].item() for name, values in shown_histories(simulation).items()}


#: name of the picture -> channel, of what every panel shows
DIALS = {
    "airspeed_kt": "airspeed_kt",
    "altitude_ft": "altimeter_ft",
    "vertical_speed_fpm": "vertical_speed_fpm",
    "bank_deg": "attitude_bank_deg",
    "pitch_deg": "attitude_pitch_deg",
    "heading_deg": "heading_deg",
    "compass_deg": "compass_deg",
    "suction_inhg": "suction_inhg",
    "voltmeter_v": "bus_v",
    "atc_height_ft": "encoder_ft",
}


def _shown(simulation: Simulation) -> dict[str, np.ndarray]:
    flown, scenario = simulation.flown, simulation.scenario
    gauges, samples = simulation.network.panel.gauges, simulation.samples
    motion = motion_over_time(simulation)
    setting = np.full(samples, scenario.altimeter_setting_inhg)
    found = {picture: channel(simulation, name)[0] for picture, name in DIALS.items()}
    found |= {
        "altimeter_setting_inhg": setting,
        "heading_deg": found["heading_deg"] % 360.0,
        "ball": _ball(simulation),
        "compass_deg": found["compass_deg"] % 360.0,
        "engine_rpm": suction_dials.engine_rpm(flown.motion.power, flown.draws)[0],
    }
    if "turn_coordinator" in gauges:
        found["turn_rate_dps"] = channel(simulation, "turn_rate_dps")[0]
    if "electric_attitude" in gauges:
        found["electric_bank_deg"] = channel(simulation, "electric_attitude_bank_deg")[0]
        found["electric_pitch_deg"] = channel(simulation, "electric_attitude_pitch_deg")[0]
    if "second_altimeter" in gauges:
        found["second_altitude_ft"] = channel(simulation, "second_altimeter_ft")[0]
        found["second_setting_inhg"] = setting
        found["second_airspeed_kt"] = channel(simulation, "second_airspeed_kt")[0]
    found |= _by_words(simulation, motion)
    found |= _by_satellite(simulation)
    return found


#: facets whose readings stand in a window as they are: gauge -> facet
WORDS = {"radios": "state", "lights": "state", "wing_leveller": "state", "wind_noise": "trend"}
#: lamps and flags: name of the picture -> facet, and the reading that shows it
LAMPS = {
    "vacuum_light": ("vacuum_light.state", "lit"),
    "left_vacuum_light": ("left_vacuum_light.state", "lit"),
    "right_vacuum_light": ("right_vacuum_light.state", "lit"),
    "low_voltage_light": ("low_voltage_light.state", "lit"),
    "turn_flag": ("turn_coordinator.flag", "showing"),
    "electric_flag": ("electric_attitude.flag", "showing"),
}


def _by_words(simulation: Simulation, motion: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    network, sizes, found = simulation.network, simulation.sizes, {}
    samples = np.arange(simulation.samples)

    def words_of(name: str) -> np.ndarray:
        gauge, _, part = name.partition(".")
        facet = next(f for f in network.kb.gauges[gauge].facets if f.id == part)
        if not facet.channel:
            return likely_reading(simulation, name, motion, samples)
        # each second by itself, by the same thresholds
        values, _ = channel(simulation, facet.channel)
        return np.array([reading.id for reading in facet.readings])[classify(facet.readings, values[:, None])]

    for gauge, facet in WORDS.items():
        if f"{gauge}.{facet}" in network.facets:
            found[gauge] = np.char.replace(words_of(f"{gauge}.{facet}"), "_", " ")
    for name, (facet, reading) in LAMPS.items():
        if facet in network.facets:
            found[name] = (words_of(facet) == reading).astype(np.float64)
    if "ammeter.state" in network.facets:
        words = likely_reading(simulation, "ammeter.state", motion, samples)
        amps = np.select(
            [words == "discharge", words == "zero"], [-simulation.drawn_a, 0.0], sizes("bus.charge_a")
        )
        found["ammeter_a"] = amps
    airborne = simulation.plan.meant.airborne
    slow = simulation.course.airspeed_kt < sizes("course.stall_warner_kt")
    found["stall_warner"] = (airborne & slow).astype(np.float64)
    return found


def _by_satellite(simulation: Simulation) -> dict[str, np.ndarray]:
    """Altitude, speed and GPS track: dark without power."""
    course, samples = simulation.course, simulation.samples
    power = simulation.half.get("avionics_power", np.full(samples, "normal"))
    dark = power == "none"
    off = simulation.sizes.either_way("gps.off_ft")
    made = {
        "gps_height_ft": course.height_ft + off,
        "gps_speed_kt": tas_from_cas_kt(course.airspeed_kt, course.height_ft),
        "gps_track_deg": course.heading_deg % 360.0,
    }
    return {name: np.where(dark, np.nan, values) for name, values in made.items()}


def _ball(simulation: Simulation) -> Array:
    """The ball: out of a taxi turn it swings outwards, in flight it follows how the bank is changed."""
    course = simulation.course
    rolling_in = np.clip(np.gradient(course.bank_deg, STEP_S) * 0.08, -0.6, 0.6)
    taxi = np.clip(-course.turn_dps * 0.2, -1.0, 1.0)
    jitter = simulation.sizes.wander("ball jitter", 0.15, simulation.samples, 5)
    return np.where(simulation.plan.meant.airborne, rolling_in, taxi) + jitter
