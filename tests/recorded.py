"""Recordings of simulated flights with known truth, as a recorder would have written them.

The flights are ``diagnose.practice.simulate``'s; here the recorder is added: its noise, its rate, wind over the ground.
"""

from __future__ import annotations

import dataclasses
import io
import zlib

import msgspec
import numpy as np

from diagnose.model import Quantity
from diagnose.model.case import Draught, FailureEvent, Leg, ScenarioRecord
from diagnose.practice.simulate import shown_histories, simulate

#: quantities that say what is sound
SOUND = ("suction.", "attitude.erection_", "rotor.lean_")
#: name of the picture's history -> column
COLUMNS = {
    "airspeed_kt": "IAS (kt)",
    "altitude_ft": "Altitude (ft)",
    "vertical_speed_fpm": "VSpd (fpm)",
    "pitch_deg": "Pitch (deg)",
    "bank_deg": "Roll (deg)",
    "heading_deg": "HDG (deg)",
    "turn_rate_dps": "Turn rate (deg/s)",
    "suction_inhg": "Vac (inHg)",
    "engine_rpm": "RPM",
    "voltmeter_v": "Volts",
    "ammeter_a": "Amps",
    "vacuum_light": "low vacuum light",
    "low_voltage_light": "low voltage light",
}
GPS = {"gps_height_ft": "GPS Alt (ft)", "gps_speed_kt": "GndSpd (kt)", "gps_track_deg": "Track (deg)"}
#: standard deviation of the recorder's own noise, one value to the next
NOISE = {
    "airspeed_kt": 0.4, "altitude_ft": 2.0, "vertical_speed_fpm": 15.0, "pitch_deg": 0.15, "bank_deg": 0.2,
    "heading_deg": 0.3, "turn_rate_dps": 0.08, "suction_inhg": 0.03, "engine_rpm": 8.0, "voltmeter_v": 0.04,
    "ammeter_a": 0.2, "gps_height_ft": 8.0, "gps_speed_kt": 0.3, "gps_track_deg": 0.5,
}  # fmt: skip


#: length of a piece of a leg that is flown sloppily
SLOPPY_S = 10.0
#: what is meant by maneuver: rate of climb if the leg gives none, rate of turn, airspeed that is to be held
MEANT = {
    "level": (0.0, 0.0, 100.0), "climb": (500.0, 0.0, 80.0), "descent": (-500.0, 0.0, 95.0),
    "descent_constant_rate": (-500.0, 0.0, 95.0), "left_turn": (0.0, -3.0, 100.0), "right_turn": (0.0, 3.0, 100.0),
    "climbing_left_turn": (500.0, -3.0, 80.0), "descending_right_turn": (-500.0, 3.0, 95.0),
}  # fmt: skip


def beyond_the_tables(kb):
    """The knowledge base with every drawn quantity's range widened by a quarter of it at both ends.

    But for those that say what is sound: the band of suction that "low" and "high" are measured against, and
    drift and erection of a sound horizon (a little beyond their ranges it erects more slowly than it drifts and
    leans over by itself, which is a failure).
    """

    def moved(quantity: Quantity) -> Quantity:
        if quantity.low == quantity.high or quantity.id.startswith(SOUND):
            return quantity
        span = quantity.high - quantity.low
        low, high = quantity.low - 0.25 * span, quantity.high + 0.25 * span
        if quantity.low >= 0.0:
            low = max(low, 0.6 * quantity.low)
        return msgspec.structs.replace(quantity, low=low, high=high)

    return dataclasses.replace(kb, quantities={n: moved(q) for n, q in kb.quantities.items()})


def flight_plan(rng, minutes=30.0):
    """Legs of an ordinary flight: climbs, levels, turns both ways, descents, speeds up and slows down."""
    legs = [Leg(manoeuvre="level", minutes=2.5)]
    total = 2.5
    choices = (
        ("level", 1.5, 4.0), ("climb", 1.0, 3.0), ("descent", 1.0, 2.0), ("descent_constant_rate", 1.0, 2.5),
        ("left_turn", 0.5, 1.5), ("right_turn", 0.5, 1.5), ("level_slowing_down", 0.6, 1.0),
        ("level_speeding_up", 0.6, 1.0), ("climbing_left_turn", 0.7, 1.2), ("descending_right_turn", 0.7, 1.2),
    )  # fmt: skip
    height = 3000.0
    while total < minutes:
        name, low, high = choices[int(rng.integers(len(choices)))]
        if name.startswith("desc") and height < 2200.0:
            continue
        if name.startswith("climb") and height > 9000.0:
            continue
        length = float(rng.uniform(low, high))
        rate = float(rng.uniform(400.0, 700.0))
        if "climb" in name:
            legs.append(Leg(manoeuvre=name, minutes=length, rate_fpm=rate))
            height += rate * length
        elif "desc" in name:
            legs.append(Leg(manoeuvre=name, minutes=length, rate_fpm=-rate))
            height -= rate * length
        else:
            legs.append(Leg(manoeuvre=name, minutes=length))
        total += length
        if name != "level":
            rest = float(rng.uniform(1.0, 2.0))
            legs.append(Leg(manoeuvre="level", minutes=rest))
            total += rest
    return tuple(legs), total


def sloppily(legs, rng):
    """The same flight by a pilot who lets rate, bank and speed wander: each leg in pieces of about ten seconds.

    The wander is of first order with a time of half a minute: 150 fpm, 0.6 degrees a second and 4 kt (standard
    deviations), about what takes a private pilot to the edge of 100 ft, 10 degrees and 10 kt.
    """
    keep = np.exp(-SLOPPY_S / 30.0)
    fresh = np.sqrt(1.0 - keep**2)
    state = rng.normal(size=3)
    found = []
    for leg in legs:
        pieces = max(1, round(leg.minutes * 60.0 / SLOPPY_S))
        if leg.manoeuvre not in MEANT:  # the speed changes: flown as it is
            found.append(leg)
            continue
        climb, turn, speed = MEANT[leg.manoeuvre]
        rate = climb if leg.rate_fpm is None else leg.rate_fpm
        for _ in range(pieces):
            state = keep * state + fresh * rng.normal(size=3)
            found.append(
                msgspec.structs.replace(
                    leg, minutes=leg.minutes / pieces, rate_fpm=rate + 150.0 * state[0],
                    turn_dps=turn + 0.6 * state[1], airspeed_kt=speed + 4.0 * state[2],
                )
            )  # fmt: skip
    return tuple(found)


def scenario(panel, seed, failure="", onset="sudden", minutes=30.0, kind="ordinary"):
    """A flight with one failure, or a healthy one of a kind: ordinary, rough, drafts, wind, sloppy.

    ``onset``: sudden or gradual, at some time of the flight; from_start: it was there before the recording.
    """
    rng = np.random.default_rng([seed, zlib.crc32(failure.encode()), zlib.crc32(kind.encode())])
    legs, total = flight_plan(rng, minutes)
    events, draughts = (), ()
    if failure:
        at = float(rng.uniform(0.3, 0.55)) * total
        if onset == "from_start":
            at, onset = 0.0, "sudden"
        events = (FailureEvent(id=failure, at_minutes=at, progression=onset, over_minutes=3.0),)
    if kind == "sloppy":
        legs = sloppily(legs, rng)
    if kind == "draughts":
        draughts = tuple(
            Draught(at_minutes=float(rng.uniform(2.0, total - 3.0)), minutes=float(rng.uniform(0.5, 2.0)), fpm=float(rng.choice([-1, 1]) * rng.uniform(200.0, 500.0)))
            for _ in range(3)
        )  # fmt: skip
    return ScenarioRecord(
        title=failure or kind, panel=panel, briefing="", leg=legs, failure=events, draught=draughts,
        seed=seed, turbulence=0.7 if kind == "rough" else float(rng.uniform(0.1, 0.35)),
    )  # fmt: skip


def fly(network, record, kb=None):
    """Fly it, with quantities beyond those of the tables if ``kb`` is given."""
    return simulate(network if kb is None else dataclasses.replace(network, kb=kb), record)


def written(simulation, rate_hz=1, gps=True, seed=1, kind="ordinary", wind_kt=18.0):
    """The recording as CSV text."""
    rng = np.random.default_rng(seed)
    shown = shown_histories(simulation)
    samples = simulation.samples
    at = np.arange(0.0, samples - 1.0 + 1e-9, 1.0 / rate_hz)
    columns = [("Time (s)", at)]
    names = {**COLUMNS, **(GPS if gps else {})}
    values = {name: np.asarray(shown[name], dtype=np.float64) for name in names if name in shown}
    if gps:
        turn = np.radians(rng.uniform(0.0, 360.0))
        strength = np.full(samples, wind_kt * rng.uniform(0.2, 1.0))
        if kind == "wind":
            shift = int(rng.integers(samples // 3, 2 * samples // 3))
            strength += 15.0 / (1.0 + np.exp(-(np.arange(samples) - shift) / 60.0))
        track = np.radians(values["gps_track_deg"])
        east = values["gps_speed_kt"] * np.sin(track) + strength * np.sin(turn)
        north = values["gps_speed_kt"] * np.cos(track) + strength * np.cos(turn)
        values["gps_speed_kt"] = np.hypot(east, north)
        values["gps_track_deg"] = np.degrees(np.arctan2(east, north)) % 360.0
    for name, history in values.items():
        circular = name in ("heading_deg", "gps_track_deg")
        known = np.degrees(np.unwrap(np.radians(np.nan_to_num(history)))) if circular else history
        fine = np.interp(at, np.arange(samples), known)
        fine[np.isnan(history)[np.round(at).astype(int)]] = np.nan
        fine = fine + rng.normal(0.0, NOISE.get(name, 0.0), len(fine))
        columns.append((names[name], fine % 360.0 if circular else fine))
    out = io.StringIO()
    out.write(",".join(name for name, _ in columns) + "\n")
    np.savetxt(out, np.column_stack([v for _, v in columns]), fmt="%.2f", delimiter=",")
    return out.getvalue().replace("nan", "")
