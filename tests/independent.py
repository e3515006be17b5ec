"""Flights of an independent flight dynamics library, recorded with faults that share nothing with our physics.

The airplane is a light single of the library ``jsbsim`` (an extra of the tests), flown closed loop by a simple pilot at
30 Hz in wind and turbulence. The panel here is fed by the library's own static and total pressure, attitude and rates;
each fault is a line of arithmetic on those. Nothing of ``diagnose`` is used until a review is asked for its verdict.

``python -m tests.independent --share check`` prints first answers, false alarms and onsets by kind of fault.
Even seeds are for building, odd ones are only for checking.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import sys
import time
import zlib
from functools import cache
from pathlib import Path

import numpy as np

KT_FPS, PSF_INHG = 1.68781, 70.7262  # feet a second in a knot; pounds a square foot in an inch of mercury
STEPS, PER_S = 3, 10  # steps of the library between two moves of the pilot; moves a second
#: by how much an instrument may be off: 14 CFR 23.1323 for the airspeed; the rest common practice
TOLERANCE = {"airspeed": 5.0, "altimeter": 75.0, "vertical_speed": 200.0, "attitude": 5.0, "heading": 10.0, "turn_coordinator": 1.0}
#: it must have been off by more for so long, s
LIES_S = 45
GAUGE = {"ias": "airspeed", "alt": "altimeter", "vs": "vertical_speed", "bank": "attitude", "pitch": "attitude", "hdg": "heading", "turn": "turn_coordinator"}
COLUMNS = {
    "ias": ("IAS", "kt", 1), "alt": ("AltInd", "ft", 0), "vs": ("VSpd", "fpm", -1), "pitch": ("Pitch", "deg", 1),
    "bank": ("Roll", "deg", 1), "hdg": ("HDG", "deg", 1), "turn": ("Turn rate", "deg/s", 1), "rpm": ("RPM", "rpm", -1),
    "suction": ("Vac", "inHg", 1), "volts": ("Volts", "V", 1), "amps": ("Amps", "A", 1), "gps_alt": ("AltGPS", "ft", 0),
    "gs": ("GndSpd", "kt", 1), "track": ("TRK", "deg", 1),
}  # fmt: skip
#: what a recorder leaves out: one in two records all
RECORDERS = ((), (), ("turn",), ("suction", "volts", "amps"), ("gps_alt", "gs", "track"), ())
#: fault -> failures of our knowledge that are the answer
FAULTS = {
    "sound": (),
    "static blocked": ("static_line_iced", "static_blocked", "static_water_plug", "static_common_blocked", "static_port_iced", "static_taped", "static_frozen_water"),
    "small static leak": (), "alternate source open": (),
    "pitot inlet blocked": (), "pitot and drain blocked": (), "pitot closing": (), "pitot leak": (), "pitot and static iced": (),
    "vacuum lost": (), "suction weak": (), "horizon worn": (), "horizon stuck": (), "heading drifts": (), "heading stuck": (),
    "turn coordinator dead": (), "altimeter stuck": (), "airspeed stuck": (), "vertical speed stuck": (), "static line pinched": (),
    "alternator": (),
}  # fmt: skip


def altitude_ft(psf: float) -> float:
    """Pressure altitude in the standard atmosphere (1976), below 11 km."""
    return 145442.2 * (1.0 - (max(psf, 100.0) / 2116.217) ** 0.190263)


def airspeed_kt(impact_psf: float) -> float:
    """Calibrated airspeed of an impact pressure (compressible, sea level)."""
    return 661.47 * math.sqrt(5.0 * ((max(impact_psf, 0.0) / 2116.217 + 1.0) ** (2.0 / 7.0) - 1.0))


class Panel:
    """Dials of one airplane with one fault; stepped ten times a second."""

    def __init__(self, fault: str, at: float, rng: np.random.Generator) -> None:
        self.fault, self.at = fault, at
        u, n = rng.uniform, rng.normal
        self.size = u(0.0, 1.0)
        self.ias_off, self.ias_gain = n(0.0, 0.8), 1.0 + n(0.0, 0.008)
        self.alt_off, self.position = n(0.0, 20.0), n(0.0, 0.015)
        self.vs_off, self.bank_off, self.pitch_off = n(0.0, 25.0), n(0.0, 0.6), n(0.0, 0.8)
        self.turn_off, self.turn_gain = n(0.0, 0.08), 1.0 + n(0.0, 0.04)
        self.hdg_off, self.hdg_rate = n(0.0, 1.5), n(0.0, 6.0) / 3600.0
        self.suction0, self.volts0, self.load = 5.0 + n(0.0, 0.12), (14.0 if u() < 0.5 else 28.0), u(12.0, 25.0)
        self.phase, self.way = u(0.0, 2.0 * math.pi), 1.0 if u() < 0.5 else -1.0
        self.kept: dict[str, float] = {}
        self.line: dict[str, float] = {}
        self.lean = [0.0, 0.0]
        self.creep = 0.0
        self.spin = 1.0

    def keep(self, name: str, value: float) -> float:
        return self.kept.setdefault(name, value)

    def follow(self, name: str, value: float, seconds: float, dt: float) -> float:
        old = self.line.get(name, value)
        self.line[name] = old + (value - old) * min(dt / seconds, 1.0)
        return self.line[name]

    def step(self, t: float, true: dict[str, float], dt: float) -> tuple[dict[str, float], dict[str, float]]:
        """What the dials show, and what healthy ones would."""
        there, since, fault = t >= self.at, max(t - self.at, 0.0), self.fault
        static, total = true["static"], true["total"]
        q = total - static
        port = static + self.position * q
        good = self.air(port, total, "good", dt)
        if there:
            if fault in ("static blocked", "pitot and static iced"):
                port = self.keep("static", port)
            elif fault == "small static leak":
                port -= (0.06 + 0.06 * self.size) * q
            elif fault == "alternate source open":
                port -= (0.14 + 0.12 * self.size) * q
            elif fault == "static line pinched":
                port = self.follow("pinched", port, 20.0 + 60.0 * self.size, dt)
            if fault in ("pitot and drain blocked", "pitot and static iced"):
                total = self.keep("total", total)
            elif fault == "pitot inlet blocked":
                total = static + q * math.exp(-since / 2.0)
            elif fault == "pitot closing":
                shut = min(since / (180.0 + 240.0 * self.size), 1.0)
                total = static + q * (1.0 - shut * (0.75 + 0.12 * math.sin(t / 7.0 + self.phase)))
            elif fault == "pitot leak":
                total = static + q * (1.0 - 0.22 - 0.25 * self.size)
        elif fault == "static line pinched":
            self.follow("pinched", port, 1.0, dt)
        shown = self.air(port, total, "own", dt)
        # the horizon leans to the apparent vertical by some degrees a minute; both erect by 4 minutes
        for k, pull in enumerate((true["bank"], 0.0)):
            wish = max(-2.5, min(2.5, 0.06 * -pull))
            self.lean[k] += (wish - self.lean[k]) * dt / 180.0
        good |= {
            "bank": true["bank"] + self.bank_off + self.lean[0], "pitch": true["pitch"] + self.pitch_off,
            "turn": self.turn_gain * self.follow("turn", true["turn"], 0.6, dt) + self.turn_off,
            "hdg": true["hdg"] + self.hdg_off + self.hdg_rate * t,
            "rpm": true["rpm"], "suction": self.suction0 * min(1.0, 0.55 + true["rpm"] / 3600.0),
            "volts": self.volts0 + (0.0 if true["rpm"] > 1200 else -0.5), "amps": 2.0,
        }  # fmt: skip
        shown |= {k: v for k, v in good.items() if k not in shown}
        if there:
            self.broken(shown, good, since, t, dt, true)
        return shown, good

    def air(self, port: float, total: float, which: str, dt: float) -> dict[str, float]:
        alt = altitude_ft(port) + self.alt_off
        # a metering leak: the case follows the line by some seconds, and the needle shows the difference
        before = self.line.get("vs " + which, alt)
        self.line["vs " + which] = before + (alt - before) * min(dt / 5.0, 1.0)
        return {
            "ias": self.ias_gain * airspeed_kt(total - port) + self.ias_off, "alt": alt,
            "vs": (alt - before) / 5.0 * 60.0 + self.vs_off,
        }  # fmt: skip

    def broken(self, shown: dict[str, float], good: dict[str, float], since: float, t: float, dt: float, true: dict[str, float]) -> None:
        fault, way = self.fault, self.way
        stuck = {"altimeter stuck": "alt", "airspeed stuck": "ias", "heading stuck": "hdg", "vertical speed stuck": "vs"}
        if fault in stuck:
            shown[stuck[fault]] = self.keep("needle", shown[stuck[fault]])
        elif fault == "turn coordinator dead":
            shown["turn"] = self.turn_off
        elif fault == "heading drifts":
            self.creep += way * (2.5 + 3.5 * self.size) / 60.0 * dt
            shown["hdg"] += self.creep
        elif fault == "horizon stuck":
            shown["bank"], shown["pitch"] = self.keep("bank", shown["bank"]), self.keep("pitch", shown["pitch"])
        elif fault == "horizon worn":
            reach = min(since / (180.0 + 240.0 * self.size), 1.0)
            shown["bank"] += way * reach * (16.0 + 6.0 * math.sin(since / 60.0 + self.phase))
            shown["pitch"] -= reach * 6.0
        elif fault in ("vacuum lost", "suction weak"):
            lost = fault == "vacuum lost"
            shown["suction"] *= math.exp(-since / 3.0) if lost else 1.0 - 0.55 * min(since / 240.0, 1.0)
            self.spin += ((0.0 if lost else 0.75) - self.spin) * dt / 300.0
            loose = max(0.0, 0.9 - self.spin) * (1.0 if lost else 0.5)
            shown["bank"] += way * 45.0 * loose * math.sin(since / 80.0 + 0.2)
            shown["pitch"] += 18.0 * loose * math.sin(since / 130.0)
            self.creep += way * 12.0 / 60.0 * loose * dt
            shown["hdg"] += self.creep
        elif fault == "alternator":
            scale = self.volts0 / 14.0
            shown["volts"] = scale * (12.5 - since / 3600.0)
            shown["amps"] = -self.load


# ------------------------------------------------------------------ the flight


@cache
def airplane() -> str:
    """The folder of the library's piston single nearest to 1,500 lb empty and 170 square feet of wing."""
    import jsbsim

    found = []
    for path in sorted(Path(jsbsim.get_default_root_dir()).glob("aircraft/*/*.xml")):
        text = path.read_text(errors="replace")
        area, weight = (re.search(rf"<{tag}[^>]*>\s*([\d.]+)", text) for tag in ("wingarea", "emptywt"))
        engines = re.findall(r'<engine file="([^"]+)', text)
        if area and weight and len(engines) == 1 and path.stem == path.parent.name:
            engine = Path(jsbsim.get_default_root_dir()) / "engine" / f"{engines[0]}.xml"
            if engine.exists() and "<piston_engine" in engine.read_text(errors="replace"):
                found.append((abs(float(weight[1]) - 1500.0) + 2.0 * abs(float(area[1]) - 174.0), path.parent.name))
    return min(found)[1]


def legs_of(rng: np.random.Generator, minutes: float) -> list[tuple[float, str, float]]:
    """(seconds, kind, value): climbs, descents, turns both ways, slow flight, with level flight between."""
    legs, height = [(150.0, "level", 0.0)], 0.0
    while sum(leg[0] for leg in legs) < 60.0 * minutes:
        kind = str(rng.choice(["climb", "descent", "left", "right", "slow", "left", "right", "climb", "descent"]))
        seconds = float(rng.uniform(60.0, 170.0))
        if kind == "climb" and height < 3000.0:
            legs.append((seconds, "climb", 1.0))
            height += 9.0 * seconds
        elif kind == "descent" and height > -500.0:
            legs.append((seconds, "descent", -float(rng.uniform(400.0, 650.0))))
            height -= 8.5 * seconds
        elif kind in ("left", "right"):
            legs.append((float(rng.uniform(30.0, 110.0)), "turn", (-1.0 if kind == "left" else 1.0) * float(rng.uniform(12.0, 20.0))))
        elif kind == "slow":
            legs.append((float(rng.uniform(90.0, 150.0)), "slow", 75.0))
        else:
            continue
        legs.append((float(rng.uniform(60.0, 210.0)), "level", 0.0))
    return legs


def fly(fault: str, seed: int, minutes: float = 30.0, per_s: int = 1) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray], float]:
    """Fly one flight: what was recorded, what healthy dials would have shown, and when the fault came (s)."""
    import jsbsim

    plan, rng = np.random.default_rng([seed, 1]), np.random.default_rng([seed, zlib.crc32(fault.encode())])
    legs = legs_of(plan, minutes)
    length = sum(leg[0] for leg in legs)
    at = float(rng.uniform(0.25, 0.6)) * length
    panel = Panel(fault, at, rng)
    follows = bool(rng.uniform() < 0.35)
    f = jsbsim.FGFDMExec(jsbsim.get_default_root_dir())
    f.set_debug_level(0)
    f.load_model(airplane())
    f.set_dt(1.0 / (STEPS * PER_S))
    f["atmosphere/randomseed"] = float(seed % 1000 + 1)
    wind_kt, wind_from = float(plan.uniform(3.0, 28.0)), float(plan.uniform(0.0, 360.0))
    shift = (float(plan.normal(0.0, 0.08)), float(plan.normal(0.0, 8.0)))  # a minute each: kt, and over the flight: degrees
    f["atmosphere/delta-T"] = float(plan.normal(0.0, 12.0))
    f["ic/h-sl-ft"], f["ic/vc-kts"], f["ic/psi-true-deg"] = float(plan.uniform(2800.0, 4500.0)), 98.0, float(plan.uniform(0.0, 360.0))
    f["propulsion/set-running"] = -1
    f.run_ic()
    rough = float(plan.choice([0.0, 0.4, 0.8, 1.3]))
    if rough:
        f["atmosphere/turb-type"] = 4
        f["atmosphere/turbulence/milspec/windspeed_at_20ft_AGL-fps"] = 18.0 * rough
        f["atmosphere/turbulence/milspec/severity"] = 2 if rough < 1.0 else 3
    f["fcs/mixture-cmd-norm"] = 0.87
    base, alt_target, hdg_target = f["position/h-sl-ft"], None, None
    rows, healthy = [], []
    theta_i = thr_i = trim = 0.0
    wander = np.zeros(3)
    thr = cruise = 0.76
    dt, clock, leg, left = 1.0 / PER_S, 0.0, 0, legs[0][0]
    gps_wander, bias, variation = 0.0, float(plan.normal(0.0, 25.0)), 0.0
    shown: dict[str, float] = {}
    while leg < len(legs):
        minute = clock / 60.0
        speed, course = wind_kt * (1.0 + shift[0] * minute / 3.0), math.radians(wind_from + shift[1] * minute / 10.0)
        f["atmosphere/wind-north-fps"], f["atmosphere/wind-east-fps"] = -speed * KT_FPS * math.cos(course), -speed * KT_FPS * math.sin(course)
        for _ in range(STEPS):
            f.run()
        bank, pitch = math.degrees(f["attitude/phi-rad"]), math.degrees(f["attitude/theta-rad"])
        p, q = math.degrees(f["velocities/p-rad_sec"]), math.degrees(f["velocities/q-rad_sec"])
        heading = math.degrees(f["attitude/psi-rad"]) % 360.0
        true = {
            "static": f["atmosphere/P-psf"], "total": f["atmosphere/P-psf"] * (1.0 + 0.2 * f["velocities/mach"] ** 2) ** 3.5, "bank": bank, "pitch": pitch,
            "hdg": heading - variation, "turn": math.degrees(f["velocities/psidot-rad_sec"]), "rpm": f["propulsion/engine/propeller-rpm"],
        }  # fmt: skip
        shown, good = panel.step(clock, true, dt)
        # the pilot: by the panel or by the windows, and never quite where he means to be
        wander += -wander * dt / 25.0 + math.sqrt(2.0 * dt / 25.0) * plan.normal(size=3)
        seen = shown if follows else good
        kind, value = legs[leg][1:]
        alt, ias, hdg, vs = seen["alt"], seen["ias"], seen["hdg"], seen["vs"]
        if alt_target is None and kind in ("level", "turn", "slow"):
            alt_target = alt
        if kind in ("climb", "descent"):
            alt_target = None
        hdg_target = hdg if kind == "turn" or hdg_target is None else hdg_target
        bank_c = value if kind == "turn" else max(-15.0, min(15.0, 0.8 * ((hdg_target - hdg + 180.0) % 360.0 - 180.0)))
        bank_c += 1.2 * wander[0]
        if kind == "climb":
            thr_c = 0.97
            theta_i = max(2.0, min(8.0, theta_i + 0.02 * max(-1.0, min(1.0, 0.1 * (ias - 82.0)))))
            theta_c = theta_i + max(-2.0, min(2.0, 0.2 * (ias - 82.0 - 2.0 * wander[1])))
        else:
            rate = value + 60.0 * wander[2] if kind == "descent" else max(-400.0, min(400.0, 3.0 * (alt_target + 25.0 * wander[1] - alt)))
            theta_i = max(-8.0, min(10.0, theta_i + max(-0.02, min(0.02, (rate - vs) * 4e-5))))
            theta_c = max(-7.0, min(10.0, theta_i + max(-3.0, min(3.0, (rate - vs) * 0.004))))
            thr_c = 0.45 if kind == "descent" else cruise
            if kind in ("level", "turn"):
                cruise = max(0.6, min(0.95, cruise + 4e-5 * max(-8.0, min(8.0, 98.0 - ias))))
            if kind == "slow":
                thr_i = max(-0.3, min(0.3, thr_i + 2e-5 * (value - ias)))
                thr_c = max(0.15, min(0.9, 0.45 + thr_i + 0.012 * (value - ias)))
        thr += max(-0.02, min(0.02, thr_c - thr))
        f["fcs/throttle-cmd-norm"] = thr
        f["fcs/aileron-cmd-norm"] = max(-1.0, min(1.0, 0.03 * (bank_c - bank) - 0.012 * p))
        trim = max(-0.8, min(0.8, trim - 0.008 * max(-3.0, min(3.0, theta_c - pitch)) * dt * 10.0 * 0.3))
        f["fcs/elevator-cmd-norm"] = max(-1.0, min(1.0, trim - 0.05 * (theta_c - pitch) + 0.025 * q))
        f["fcs/rudder-cmd-norm"] = max(-1.0, min(1.0, -2.0 * f["aero/beta-rad"]))
        gps_wander += -gps_wander * dt / 90.0 + math.sqrt(2.0 * dt / 90.0) * 8.0 * plan.normal()
        north, east = f["velocities/v-north-fps"], f["velocities/v-east-fps"]
        shown["gps_alt"] = f["position/h-sl-ft"] + bias + gps_wander
        shown["gs"], shown["track"] = math.hypot(north, east) / KT_FPS, math.degrees(math.atan2(east, north)) % 360.0
        rows.append(shown)
        healthy.append(good)
        clock, left = clock + dt, left - dt
        if left <= 0.0:
            leg += 1
            left = legs[leg][0] if leg < len(legs) else 0.0
            hdg_target = None
        if abs(bank) > 80.0 or f["position/h-sl-ft"] < base - 2500.0:
            raise RuntimeError(f"the pilot lost it: {fault}, seed {seed}, at {clock:.0f} s")
    every = PER_S // per_s
    noise = {"ias": 0.5, "alt": 3.0, "vs": 12.0, "pitch": 0.1, "bank": 0.15, "hdg": 0.3, "turn": 0.08, "rpm": 8.0, "suction": 0.02, "volts": 0.03, "amps": 0.3, "gps_alt": 2.0, "gs": 0.2, "track": 0.3}
    made = {k: np.array([row[k] for row in rows[::every]]) for k in COLUMNS}
    made = {k: v + plan.normal(0.0, noise[k], len(v)) for k, v in made.items()}
    for k in ("hdg", "track"):
        made[k] %= 360.0
    left_out = RECORDERS[seed // 2 % len(RECORDERS)]
    made = {k: v for k, v in made.items() if k not in left_out}
    return made, {k: np.array([row[k] for row in healthy[::every]]) for k in GAUGE}, at


def lying(made: dict[str, np.ndarray], healthy: dict[str, np.ndarray], at: float) -> dict[str, float]:
    """Instruments that lied by more than tolerances for long enough -> the second at which that first was so."""
    found: dict[str, float] = {}
    for name, gauge in GAUGE.items():
        if name not in made:
            continue
        apart = made[name] - healthy[name]
        if name == "hdg":
            apart = (apart + 180.0) % 360.0 - 180.0
        smooth = np.convolve(apart, np.ones(15) / 15.0, "same")
        smooth[:8] = smooth[-8:] = 0.0
        off = np.flatnonzero((np.abs(smooth) > TOLERANCE[gauge]) & (np.arange(len(smooth)) >= at - 10.0))
        if len(off) >= LIES_S:
            found[gauge] = min(float(off[0]), found.get(gauge, math.inf))
    return found


def csv_of(made: dict[str, np.ndarray]) -> str:
    """The recording as a table, rounded as recorders do."""
    lines = [",".join(["Time (s)", *(f"{COLUMNS[k][0]} ({COLUMNS[k][1]})" for k in made)])]
    digits = {k: COLUMNS[k][2] for k in made}
    cells = {k: [f"{v:.{max(d, 0)}f}" for v in np.round(made[k], d)] for k, d in digits.items()}
    count = len(next(iter(made.values())))
    return "\n".join([*lines, *(",".join([str(n), *(cells[k][n] for k in made)]) for n in range(count))]) + "\n"


# ------------------------------------------------------------------ the review of it


def reviewed(fault: str, seed: int, folder: Path, engine, kb) -> dict:
    """One flight flown (or taken from the folder), reviewed and judged."""
    from diagnose.review.findings import review
    from diagnose.review.mapping import guess
    from diagnose.review.recording import read
    from diagnose.review.table import layout_of

    name = f"{fault.replace(' ', '_')}-{seed}"
    path, truth = folder / f"{name}.csv", folder / f"{name}.json"
    if not truth.exists():
        try:
            made, healthy, at = fly(fault, seed)
        except RuntimeError as error:
            return {"fault": fault, "seed": seed, "lost": str(error)}
        path.write_text(csv_of(made))
        truth.write_text(json.dumps({"at": at, "lies": lying(made, healthy, at), "recorded": sorted({GAUGE[k] for k in made if k in GAUGE})}))
    known = json.loads(truth.read_text())
    began = time.perf_counter()
    layout = layout_of(path, kb)
    mapping = guess(layout, kb).mapping
    found = review(engine, read(layout, mapping, kb), mapping)
    took = time.perf_counter() - began
    first = found.causes[0] if found.causes else None
    real = [n for n in (first.failures if first else ()) if kb.failures[n].kind.value == "failure"]
    return {
        "fault": fault, "seed": seed, **known, "took": round(took, 2), "found": found.found,
        "first": list(first.failures) if first else [], "alike": list(first.alike) if first else [],
        "chance": round(first.chance, 3) if first else 0.0, "together": round(first.together, 3) if first else 0.0, "real": len(real),
        "condemned": sorted(d.gauge for d in found.doubted if d.recorded), "unsettled": list(found.unsettled),
        "showed": found.onsets[0].showed if found.onsets else None, "remarks": list(found.remarks),
        "earliest": found.onsets[0].earliest if found.onsets else None, "latest": found.onsets[0].latest if found.onsets else None,
    }  # fmt: skip


def scores(results: list[dict]) -> list[dict]:
    """By kind of fault: lying instruments named, sound ones condemned, second failures, onsets; what the evidence shows."""
    table = []
    for fault in dict.fromkeys(one["fault"] for one in results):
        flights = [one for one in results if one["fault"] == fault and "lost" not in one]
        lied = [one for one in flights if one["lies"]]
        timed = [one for one in lied if one["showed"] is not None and one["found"]]
        sound = [(one, gauge) for one in flights for gauge in one["recorded"] if gauge not in one["lies"]]
        table.append({
            "fault": fault, "flights": len(flights), "lied": len(lied),
            "named": sum(set(one["lies"]) <= set(one["condemned"]) for one in lied),
            "sound_gauges": len(sound), "condemned": sum(gauge in one["condemned"] for one, gauge in sound),
            "second": sum(one["real"] > 1 for one in flights), "found": sum(one["found"] for one in flights), "timed": len(timed),
            # it may show on a gauge that tells the truth, suction, before any instrument lies
            "within_60s": sum(one["at"] - 60.0 <= one["showed"] <= min(one["lies"].values()) + 60.0 for one in timed),
        })  # fmt: skip
    return table


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--share", choices=["build", "check"], default="build")
    parser.add_argument("--first", type=int, default=100, help="an even number: the first seed of either share")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--faults", nargs="*", default=list(FAULTS))
    parser.add_argument("--folder", type=Path, default=Path("flights"), help="where the flights are kept")
    parser.add_argument("--to", type=Path, help="store the table, as knowledge/evidence/recordings.json")
    parser.add_argument("-v", action="store_true")
    chosen = parser.parse_args()
    from diagnose import engine_for, load_knowledge

    chosen.folder.mkdir(parents=True, exist_ok=True)
    kb = load_knowledge()
    engine = engine_for(kb, "single_pump")
    results = []
    for fault in chosen.faults:
        for number in range(chosen.seeds * (3 if fault == "sound" else 1)):
            one = reviewed(fault, chosen.first + 2 * number + (chosen.share == "check"), chosen.folder, engine, kb)
            results.append(one)
            if chosen.v:
                print(json.dumps(one), file=sys.stderr, flush=True)
    table = scores(results)
    for row in table:
        print(f"{row['fault']:25}", " ".join(f"{k}={v}" for k, v in row.items() if k != "fault"))
    if chosen.to:
        import jsbsim

        command = f"python -m tests.independent --share {chosen.share} --first {chosen.first} --seeds {chosen.seeds}"
        stored = {"command": command, "library": f"jsbsim {jsbsim.__version__}", "faults": table}
        chosen.to.write_text(json.dumps(stored, indent=1) + "\n")


if __name__ == "__main__":
    main()
