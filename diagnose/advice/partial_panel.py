"""Partial panel in numbers: what to fly on when instruments are out, and the small rules that then apply.

Control and performance: attitude and power are set, the other instruments show what comes of it. Every
number is computed for the speed, the latitude and the bank given; what is not given is said to be assumed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import CaseRecord, Grade, Panel, PowerSetting
from diagnose.model.answer import MethodView, TechniqueNote
from diagnose.physics import technique as rules
from diagnose.physics.gyros import turn_rate_dps

CONTROL = ("attitude", "electric_attitude", "engine")
"""Instruments of control: what is set (Instrument Flying Handbook FAA-H-8083-15B, ch. 6)."""
PERFORMANCE = (
    "airspeed",
    "second_airspeed",
    "altimeter",
    "second_altimeter",
    "vertical_speed",
    "heading",
    "turn_coordinator",
)
"""Instruments of performance: what comes of it (the same chapter)."""

HORIZONS = ("attitude", "electric_attitude")
AIRSPEEDS = ("airspeed", "second_airspeed")
#: this reading calls for the wing to be flown first
STALLING = ("stall_warner.state", "sounding")
ALTIMETERS = ("altimeter", "second_altimeter")

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
        here = [gauge for gauge in gauges if gauge in panel.gauges and gauge in grades]
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """Which instruments are there, with power and light, and not to be covered."""

    panel: Panel
    grades: Mapping[str, Grade]

    def first(self, *gauges: str, surely: bool = False) -> str:
        """Give the first of these gauges that stands, "" if none; ``surely``: that may simply be used."""
        spoilt = (Grade.COVER, Grade.VERIFY) if surely else (Grade.COVER,)
        return next((g for g in gauges if self.grades.get(g, Grade.COVER) not in spoilt), "")

    def out(self, *gauges: str) -> bool:
        """Whether one of these gauges that the panel has is to be covered."""
        return any(g in self.panel.gauges and self.grades.get(g, Grade.COVER) is Grade.COVER for g in gauges)

    @property
    def no_airspeed(self) -> bool:
        """Whether the airspeed may not simply be used: a doubtful one is checked by the table too."""
        return "airspeed" in self.panel.gauges and self.grades.get("airspeed") is not Grade.USE


def technique(
    kb: KnowledgeBase, panel: Panel, grades: Mapping[str, Grade], case: CaseRecord, upset: str
) -> tuple[TechniqueNote, ...]:
    """Give the rules and numbers that apply with these instruments; the recovery too if ``upset`` says why.

    No number is taken from an instrument that does not stand. On the ground there is nothing to recover or to turn;
    on the takeoff roll the power table stands for a lost airspeed.
    """
    last, left = case.snapshot[-1], Standing(panel=panel, grades=grades)
    phase = kb.manoeuvres[last.manoeuvre].phase
    if phase == "roll":
        return tuple(_power_table(kb, left, last.manoeuvre)) if left.no_airspeed else ()
    if phase == "ground":
        return ()
    stalling = last.readings.get(STALLING[0]) == STALLING[1]
    return tuple(_notes(kb, left, last.manoeuvre, flown(case), upset, stalling))


def _notes(
    kb: KnowledgeBase, left: Standing, manoeuvre: str, now: Flown, upset: str, stalling: bool
) -> Iterator[TechniqueNote]:
    horizon, altimeter = left.first(*HORIZONS), left.first(*ALTIMETERS)
    if stalling:
        yield recover_from_stall(left)
    elif upset or left.no_airspeed or left.out("airspeed", "altimeter", "attitude", "vertical_speed"):
        yield recover(left)
    if left.no_airspeed:
        yield from _power_table(kb, left, manoeuvre)
        if horizon and left.first(*ALTIMETERS, "vertical_speed"):
            yield TechniqueNote(
                topic="pitch and rate",
                says=f"one degree of pitch is about {_ten(rules.fpm_per_degree(now.speed_kt))} fpm{_at(now)}",
                source="computed: true airspeed times the sine of one degree",
                uses=(horizon,),
            )
    if left.out("vertical_speed") and altimeter:
        in_10_s = float(USUAL_RATE_FPM / rules.rate_from_altimeter_fpm(1.0, 10.0))
        yield TechniqueNote(
            topic="rate by altimeter",
            says="altimeter and clock: 100 ft in 10 s is "
            f"{float(rules.rate_from_altimeter_fpm(100.0, 10.0)):.0f} fpm; for {USUAL_RATE_FPM:.0f} fpm "
            f"count {in_10_s:.0f} ft in 10 s",
            source="arithmetic",
            uses=(altimeter,),
        )
    if left.out("attitude", "vertical_speed", "altimeter") and altimeter:
        yield TechniqueNote(
            topic="level-off",
            says=f"begin {float(rules.level_off_lead_ft(USUAL_RATE_FPM)):.0f} ft before the altitude at "
            f"{USUAL_RATE_FPM:.0f} fpm: a tenth of the rate",
            source="Instrument Flying Handbook FAA-H-8083-15B, ch. 7",
            uses=(altimeter,),
        )
    if left.out("heading", "attitude", "turn_coordinator"):
        yield from _turns(now, left, horizon)


def _at(now: Flown) -> str:
    return f" at {now.speed_kt:.0f} kt" + ("" if now.speed_given else " (assumed; give your true airspeed)")


def _ten(value: object) -> str:
    return f"{round(float(value), -1):.0f}"  # type: ignore[arg-type]


def _turns(now: Flown, left: Standing, horizon: str) -> Iterator[TechniqueNote]:
    seconds = [float(rules.timed_turn_s(turn, now.rate_dps)) for turn in CHECK_TURN_DEG]
    turns = ", ".join(
        f"{turn:.0f} degrees in {time:.0f} s" for turn, time in zip(CHECK_TURN_DEG, seconds, strict=True)
    )
    # a bank is held by a horizon, standard rate by the turn coordinator or by a horizon at its bank
    by = horizon if now.bank_given else left.first("turn_coordinator") or horizon
    if by:
        rate = f"{now.bank_deg:.0f} degrees of bank" if now.bank_given else "standard rate"
        yield TechniqueNote(
            topic="timed turn",
            says=f"{rate} by the clock: {turns}; half the rate takes twice as long",
            source="Instrument Flying Handbook FAA-H-8083-15B, ch. 7",
            uses=(by,),
        )
    if horizon:
        standard = float(rules.standard_rate_bank_deg(now.speed_kt))
        yield TechniqueNote(
            topic="bank",
            says=f"standard rate is {standard:.0f} degrees of bank{_at(now)}; never more, and never more than "
            "the degrees to turn",
            source="computed: rate (degrees/s) = 1091 tan(bank) / true airspeed (kt)",
            uses=(horizon,),
        )
    if not (left.out("heading") and left.first("compass")):
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
            exact = float(rules.roll_out_lead_deg(heading, now.latitude_deg, now.bank_deg))
            lead = math.ceil(round(exact, 9) - 0.5)
            from_left, from_right = (heading - lead) % 360.0, (heading + lead) % 360.0
            when = "before" if lead >= 0 else "past"
            listed.append(
                f"{name} {abs(lead)} {when} ({from_left:03.0f} turning right, {from_right:03.0f} turning left)"
            )
        where = f"{abs(now.latitude_deg):.0f} {'N' if now.latitude_deg >= 0.0 else 'S'}"
        says = f"roll out by compass at {where}, {now.bank_deg:.0f} degrees of bank: " + "; ".join(listed)
    yield TechniqueNote(
        topic="compass turns",
        says=says + ". Read it settled only",
        source="Instrument Flying Handbook FAA-H-8083-15B, ch. 5 (south from memory); other headings by the cosine",
        uses=("compass",),
    )


def _power_table(kb: KnowledgeBase, left: Standing, manoeuvre: str) -> Iterator[TechniqueNote]:
    if not left.first("engine"):
        return
    panel, horizon = left.panel, left.first(*HORIZONS, "outside")
    speed, rates = left.first(*AIRSPEEDS), left.first("vertical_speed", *ALTIMETERS)
    own = bool(panel.power_table)
    table: tuple[PowerSetting, ...] = panel.power_table or tuple(kb.power_settings.values())
    fitting = [line for line in table if manoeuvre in line.manoeuvres] or list(table)
    for line in fitting:
        generic = "" if own else "generic trainer, put in your own aircraft's: "
        rate = "level" if line.rate_fpm is None else f"{_range(*line.rate_fpm)} fpm"
        expected = [f"{_range(*line.speed_kt)} kt"] if speed else []
        expected += [rate] if rates else []
        said = [f"power {line.power}"]
        said += [f"pitch {_range(*line.pitch_deg, sign=True)} degrees"] if horizon else []
        said += [f"expect {', '.join(expected)}"] if expected else []
        yield TechniqueNote(
            topic="power table",
            says=f"{generic}{line.name}: {', '.join(said)}",
            source="the aircraft's own table" if own else "judgement: trainer of 160 to 180 hp, fixed pitch",
            uses=tuple(g for g in ("engine", horizon, speed, rates) if g),
        )


def _range(low: float, high: float, *, sign: bool = False) -> str:
    form = "+.0f" if sign else ".0f"
    return f"{low:{form}}" if low == high else f"{low:{form}} to {high:{form}}"


# ------------------------------------------------------------------ recovery


#: how the recovery speaks of an instrument
NAMES = {
    "airspeed": "airspeed",
    "second_airspeed": "second airspeed",
    "altimeter": "altimeter",
    "second_altimeter": "second altimeter",
    "vertical_speed": "vertical speed",
    "attitude": "attitude indicator",
    "electric_attitude": "electric attitude indicator",
    "heading": "heading indicator",
    "gps_track": "GPS track",
    "compass": "compass",
}


def _wings(left: Standing) -> tuple[str, list[str]]:
    """Say by what the wings are leveled, and which instrument that is; none if nothing shows the bank."""
    steady = left.first("heading", "gps_track", "compass")
    # what may simply be used comes before what is in doubt
    shows = left.first("turn_coordinator", *HORIZONS, surely=True) or left.first("turn_coordinator", *HORIZONS)
    if shows == "turn_coordinator":
        return "wings level by turn coordinator and ball", [shows]
    if shows:
        return f"wings level by the {NAMES[shows]}", [shows]
    if steady:
        return f"wings level by the {NAMES[steady]} standing still", [steady]
    return "ball centered and light control pressures, no bank reference", []


def recover_from_stall(left: Standing) -> TechniqueNote:
    """Give the recovery while the stall warner sounds: the wing first, whatever the dials make of the nose."""
    wings, uses = _wings(left)
    return TechniqueNote(
        topic="recovery",
        says=f"Stall warning: lower the nose until it stops, then {wings}, add power as needed, and come back to "
        "level smoothly. It comes before any dial",
        source="Airplane Flying Handbook FAA-H-8083-3C, ch. 5, stall recovery template",
        uses=tuple(uses),
    )


def recover(left: Standing) -> TechniqueNote:
    """Give the recovery from an unusual attitude with the instruments that are left, and with no others.

    The usual sort into nose high and nose low goes by the trend of the airspeed. Without it, the altimeter
    sorts, or a vertical speed that may simply be used (it lags); else an attitude that stands; else what is to
    be cross-checked, and at last sound and feel. Derived from which line feeds which dial: no handbook gives it.
    """
    handbook = "Instrument Flying Handbook FAA-H-8083-15B, ch. 7"
    derived = "derived from which line feeds which dial; order of recovery: IFH ch. 7"
    speed = left.first(*AIRSPEEDS, surely=True)
    heights = [
        g for g in (left.first(*ALTIMETERS, surely=True), left.first("vertical_speed", surely=True)) if g
    ]
    horizon = left.first(*HORIZONS, surely=True) or left.first(*HORIZONS)
    doubtful = [g for g in (left.first(*AIRSPEEDS), left.first(*ALTIMETERS)) if g]
    uses: list[str]
    if speed and heights:
        sort = f"by the {NAMES[speed]}: falling or low is nose high, rising or high is nose low"
        level = f"level pitch is where {NAMES[speed]} and {NAMES[heights[0]]} stop and turn back"
        uses, source = [speed, heights[0]], handbook
    elif speed:
        sort = (
            f"by the {NAMES[speed]} alone, altimeter and vertical speed are out or in doubt: falling is nose high, "
            "rising nose low"
        )
        level = f"level pitch is where the {NAMES[speed]} stops and turns back"
        uses, source = [speed], derived
    elif heights:
        listed = " and ".join(NAMES[gauge] for gauge in heights)
        sort = f"not by the airspeed: by {listed}; going up is nose high, going down nose low, with power and sound"
        level = f"level pitch is where the {NAMES[heights[0]]} stops and turns back"
        uses, source = heights, derived
    elif horizon and (left.first(horizon, surely=True) or not doubtful):
        sort = f"not by airspeed, altimeter or vertical speed: by the {NAMES[horizon]}, as far as it has not tumbled"
        level = "set the known level attitude and cruise power, and wait"
        uses, source = [horizon], derived
    elif doubtful:
        listed = " and ".join(NAMES[gauge] for gauge in doubtful)
        sort = (
            f"by {listed}, in doubt as they are, checked against sound and rpm"
            if len(doubtful) > 1
            else (f"by the {listed}, in doubt as it is, checked against sound and rpm")
        )
        level = f"level pitch is where the {NAMES[doubtful[-1]]} stops and turns back"
        uses, source = doubtful, derived
    else:
        sort = (
            "by sound and feel, no pitch reference: rising sound and rpm mean nose low, falling ones and soft "
            "controls nose high"
        )
        uses = [g for g in ("gps_height",) if left.first(g)]
        sort += "; GPS altitude follows late" if uses else ""
        level, source = "cruise power, trim, light control pressures", derived
    wings, by = _wings(left)
    uses += by
    return TechniqueNote(
        topic="recovery",
        says=f"Sort {sort}. Nose high: power on, lower the nose, {wings}. Nose low: power off, {wings}, then raise "
        f"the nose smoothly; {level}",
        source=source,
        uses=tuple(dict.fromkeys(uses)),
    )
