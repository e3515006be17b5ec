"""Partial panel in numbers: what to fly on when instruments are out, and the small rules that then apply.

Control and performance: attitude and power are set, the other instruments show what comes of it. Every
number is computed for the speed, the latitude and the bank given; what is not given is said to be assumed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from diagnose.answer import MethodView, TechniqueNote
from diagnose.knowledge import KnowledgeBase
from diagnose.model import CaseRecord, Grade, Panel, PowerSetting
from diagnose.physics import technique as rules
from diagnose.physics.gyros import turn_rate_dps

CONTROL = ("attitude", "electric_attitude", "engine")
"""Instruments of control: what is set (Instrument Flying Handbook FAA-H-8083-15B, ch. 6)."""
PERFORMANCE = ("airspeed", "altimeter", "vertical_speed", "heading", "turn_coordinator")
"""Instruments of performance: what comes of it (the same chapter)."""

USUAL_SPEED_KT = 100.0
"""True airspeed assumed for a light trainer when none is given (judgement)."""
USUAL_RATE_FPM = 500.0
"""Rate of climb and descent that partial panel is taught with (common practice)."""
CHECK_TURN_DEG = (30.0, 90.0, 180.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Flown:
    """What the numbers are computed for; ``speed_kt`` true airspeed, ``latitude_deg`` None if not given.

    ``bank_deg`` is that of a standard-rate turn at this speed if none is given.
    """

    speed_kt: float
    speed_given: bool
    latitude_deg: float | None
    bank_deg: float
    bank_given: bool

    @property
    def rate_dps(self) -> float:
        """Rate of turn at this speed and bank."""
        return (
            float(turn_rate_dps(self.speed_kt, self.bank_deg)) if self.bank_given else rules.STANDARD_RATE_DPS
        )


def flown(case: CaseRecord) -> Flown:
    """Give what the case says of speed, latitude and bank, and what is assumed."""
    speed_kt = USUAL_SPEED_KT if case.true_airspeed_kt is None else case.true_airspeed_kt
    bank_deg = float(rules.standard_rate_bank_deg(speed_kt)) if case.bank_deg is None else case.bank_deg
    return Flown(
        speed_kt=speed_kt,
        speed_given=case.true_airspeed_kt is not None,
        latitude_deg=case.latitude_deg,
        bank_deg=bank_deg,
        bank_given=case.bank_deg is not None,
    )


# ------------------------------------------------------------------ control and performance


def method_view(panel: Panel, grades: Mapping[str, Grade]) -> MethodView:
    """Give the instruments by the control and performance method, and what the loss of some means."""

    def sorted_out(gauges: Iterable[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
        here = [gauge for gauge in gauges if gauge in panel.gauges]
        good = tuple(gauge for gauge in here if grades.get(gauge) is not Grade.COVER)
        return good, tuple(gauge for gauge in here if gauge not in good)

    control, control_out = sorted_out(CONTROL)
    performance, performance_out = sorted_out(PERFORMANCE)
    if not any(gauge != "engine" for gauge in control):
        says = (
            "no attitude to set: set power, and let the performance instruments stand in for it, with small "
            "pressures and a pause after each"
        )
    elif performance_out:
        says = "set the known attitude and power, and check them on the performance instruments that are left"
    else:
        says = "set attitude and power, trim, check the result, adjust"
    return MethodView(
        control=control,
        control_out=control_out,
        performance=performance,
        performance_out=performance_out,
        says=says,
    )


# ------------------------------------------------------------------ numbers


def technique(
    kb: KnowledgeBase,
    panel: Panel,
    grades: Mapping[str, Grade],
    case: CaseRecord,
    upset: str,
    systems: frozenset[str],
) -> tuple[TechniqueNote, ...]:
    """Give the rules and numbers that apply with these instruments; the recovery too if ``upset`` says why.

    ``systems``: those of which a failure is more likely than not.
    """
    manoeuvre = case.snapshot[-1].manoeuvre
    if kb.manoeuvres[manoeuvre].phase == "ground":
        return ()
    return tuple(_notes(kb, panel, manoeuvre, grades, flown(case), upset, systems))


def _notes(
    kb: KnowledgeBase,
    panel: Panel,
    manoeuvre: str,
    grades: Mapping[str, Grade],
    now: Flown,
    upset: str,
    systems: frozenset[str],
) -> Iterator[TechniqueNote]:
    def out(*gauges: str) -> bool:
        return any(gauge in panel.gauges and grades.get(gauge) is Grade.COVER for gauge in gauges)

    # a doubtful airspeed is checked by the table as well as replaced by it
    no_airspeed = "airspeed" in panel.gauges and grades.get("airspeed") is not Grade.USE
    if upset or no_airspeed or out("airspeed", "altimeter", "attitude", "vertical_speed"):
        yield recover(panel, grades, systems)
    if no_airspeed:
        yield from _power_table(kb, panel, manoeuvre)
        yield TechniqueNote(
            topic="pitch and rate",
            says=f"one degree of pitch is about {_ten(rules.fpm_per_degree(now.speed_kt))} fpm{_at(now)}",
            source="computed: true airspeed times the sine of one degree",
        )
    if out("vertical_speed"):
        in_10_s = float(USUAL_RATE_FPM / rules.rate_from_altimeter_fpm(1.0, 10.0))
        yield TechniqueNote(
            topic="rate by altimeter",
            says="altimeter and clock: 100 ft in 10 s is "
            f"{float(rules.rate_from_altimeter_fpm(100.0, 10.0)):.0f} fpm; for {USUAL_RATE_FPM:.0f} fpm "
            f"count {in_10_s:.0f} ft in 10 s",
            source="arithmetic",
        )
    if out("attitude", "vertical_speed", "altimeter"):
        yield TechniqueNote(
            topic="level-off",
            says=f"begin {float(rules.level_off_lead_ft(USUAL_RATE_FPM)):.0f} ft before the height at "
            f"{USUAL_RATE_FPM:.0f} fpm: a tenth of the rate",
            source="Instrument Flying Handbook FAA-H-8083-15B, ch. 7",
        )
    if out("heading", "attitude", "turn_coordinator"):
        yield from _turns(now, heading_out=out("heading"))


def _at(now: Flown) -> str:
    return f" at {now.speed_kt:.0f} kt" + ("" if now.speed_given else " (assumed; give your true airspeed)")


def _ten(value: object) -> str:
    return f"{round(float(value), -1):.0f}"  # type: ignore[arg-type]


def _turns(now: Flown, *, heading_out: bool) -> Iterator[TechniqueNote]:
    seconds = [float(rules.timed_turn_s(turn, now.rate_dps)) for turn in CHECK_TURN_DEG]
    turns = ", ".join(
        f"{turn:.0f} degrees in {time:.0f} s" for turn, time in zip(CHECK_TURN_DEG, seconds, strict=True)
    )
    rate = f"{now.bank_deg:.0f} degrees of bank" if now.bank_given else "standard rate"
    yield TechniqueNote(
        topic="timed turn",
        says=f"{rate} by the clock: {turns}; half the rate takes twice as long",
        source="Instrument Flying Handbook FAA-H-8083-15B, ch. 7",
    )
    standard = float(rules.standard_rate_bank_deg(now.speed_kt))
    yield TechniqueNote(
        topic="bank",
        says=f"standard rate is {standard:.0f} degrees of bank{_at(now)}; never more, and never more than "
        "the degrees to turn",
        source="computed: rate (degrees/s) = 1091 tan(bank) / true airspeed (kt)",
    )
    if not heading_out:
        return
    if now.latitude_deg is None:
        says = (
            "turning by compass roll out early for north, by latitude plus half the bank, and late for south, by "
            "latitude less half the bank; east and west by half the bank (give the latitude for the numbers; "
            "southern hemisphere the other way round)"
        )
    else:
        listed = []
        for name, heading in (("north", 0.0), ("east", 90.0), ("south", 180.0), ("west", 270.0)):
            # a half degree goes to the smaller lead, as the handbook's worked 037 and 323, 203 and 157
            lead = math.ceil(float(rules.roll_out_lead_deg(heading, now.latitude_deg, now.bank_deg)) - 0.5)
            right, left = (heading - lead) % 360.0, (heading + lead) % 360.0
            when = "before" if lead >= 0 else "past"
            listed.append(
                f"{name} {abs(lead)} {when} ({right:03.0f} turning right, {left:03.0f} turning left)"
            )
        where = f"{abs(now.latitude_deg):.0f} {'N' if now.latitude_deg >= 0.0 else 'S'}"
        says = f"roll out by compass at {where}, {now.bank_deg:.0f} degrees of bank: " + "; ".join(listed)
    yield TechniqueNote(
        topic="compass turns",
        says=says + ". Read it settled only; ask for no-gyro vectors instead where you can",
        source="Instrument Flying Handbook FAA-H-8083-15B, ch. 5 (south from memory); other headings by the cosine",
    )


def _power_table(kb: KnowledgeBase, panel: Panel, manoeuvre: str) -> Iterator[TechniqueNote]:
    own = bool(panel.power_table)
    table: tuple[PowerSetting, ...] = panel.power_table or tuple(kb.power_settings.values())
    fitting = [line for line in table if manoeuvre in line.manoeuvres] or list(table)
    for line in fitting:
        rate = "level"
        if line.rate_fpm is not None:
            rate = f"{_range(*line.rate_fpm)} fpm"
        generic = "" if own else "generic trainer, put in your own aircraft's: "
        pitch = _range(*line.pitch_deg, sign=True)
        yield TechniqueNote(
            topic="power table",
            says=f"{generic}{line.name}: power {line.power}, pitch {pitch} degrees, expect "
            f"{_range(*line.speed_kt)} kt, {rate}",
            source="the aircraft's own table" if own else "judgement: trainer of 160 to 180 hp, fixed pitch",
        )


def _range(low: float, high: float, *, sign: bool = False) -> str:
    form = "+.0f" if sign else ".0f"
    return f"{low:{form}}" if low == high else f"{low:{form}} to {high:{form}}"


# ------------------------------------------------------------------ recovery


def recover(panel: Panel, grades: Mapping[str, Grade], systems: frozenset[str]) -> TechniqueNote:
    """Give the recovery from an unusual attitude with the instruments that are left.

    The usual sort into nose high and nose low goes by the trend of the airspeed. With the airspeed out,
    altimeter and vertical speed sort; with the static side blocked, the trend of the airspeed alone, which
    still falls in a climb and rises in a descent though its value is false; else an attitude that is
    trusted, else sound and feel. Derived from which line feeds which dial: no handbook gives it.
    """

    def good(gauge: str) -> bool:
        # what sorts must be surely right; the others may be cross-checked
        spoilt = (Grade.COVER, Grade.VERIFY) if gauge == "airspeed" else (Grade.COVER,)
        return gauge in panel.gauges and grades.get(gauge) not in spoilt

    heights = [gauge for gauge in ("altimeter", "vertical_speed") if good(gauge)]
    horizons = [gauge for gauge in ("attitude", "electric_attitude") if good(gauge)]
    names = {
        "altimeter": "altimeter",
        "vertical_speed": "vertical speed",
        "attitude": "attitude indicator",
        "electric_attitude": "electric attitude indicator",
    }
    derived = "derived from which line feeds which dial; order of recovery: IFH ch. 7"
    if good("airspeed") and heights:
        sort = "by the airspeed: falling or low is nose high, rising or high is nose low"
        level = f"level pitch is where airspeed and {names[heights[0]]} stop and turn back"
        source = "Instrument Flying Handbook FAA-H-8083-15B, ch. 7"
    elif good("airspeed"):
        sort = "by the airspeed alone, altimeter and vertical speed are out: falling is nose high, rising nose low"
        level = "level pitch is where the airspeed stops and turns back"
        source = derived
    elif heights:
        listed = " and ".join(names[gauge] for gauge in heights)
        sort = f"not by the airspeed: by {listed}; going up is nose high, going down nose low, with power and sound"
        level = f"level pitch is where the {names[heights[0]]} stops and turns back"
        source = derived
    elif "static" in systems and "pitot" not in systems:
        sort = (
            "by the trend of the airspeed, false as its value is (static side blocked, altimeter and vertical "
            "speed stand): falling is nose high, rising nose low"
        )
        if horizons:
            sort += f"; the {names[horizons[0]]} must agree"
        level = "level pitch is where the airspeed stops and turns back"
        source = derived
    elif horizons:
        sort = f"not by airspeed, altimeter or vertical speed: by the {names[horizons[0]]}, as far as it has not tumbled"
        level = "set the known level attitude and cruise power, and wait"
        source = derived
    else:
        sort = (
            "by sound and feel, no dial tells the nose: rising sound and rpm mean nose low, falling ones and soft controls nose high; "
            "GPS height and speed follow late"
        )
        level = "cruise power, trim, hands light"
        source = derived
    if good("turn_coordinator"):
        wings = "wings level by turn coordinator and ball"
    elif horizons:
        wings = f"wings level by the {names[horizons[0]]}"
    else:
        wings = "wings level by heading, track or compass standing still"
    return TechniqueNote(
        topic="recovery",
        says=f"Sort {sort}. Nose high: power on, lower the nose, {wings}. Nose low: power off, {wings}, then raise "
        f"the nose smoothly; {level}",
        source=source,
    )
