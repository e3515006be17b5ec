"""Partial panel in numbers, the recovery by what is left, and decision prompts.

Worked values: Instrument Flying Handbook FAA-H-8083-15B, ch. 5 (compass: latitude 30, bank 15, right turn on to
north from 037 less, left from 323 more) and ch. 7 (90 degrees in 30 s; 100 ft in 10 s is 600 fpm, arithmetic).
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import msgspec
import pytest

from diagnose import answer_case, engine_for
from diagnose.advice.partial_panel import Standing, method_view, recover, technique
from diagnose.knowledge.load import load_knowledge, with_only
from diagnose.model import CaseRecord, Grade, PowerSetting, SnapshotRecord
from diagnose.model.systems import Decision
from diagnose.network.tables import compile_network
from diagnose.render.advice import render_flying
from tests.small import shipped

PANEL = shipped().panel("single_pump")
GOOD = dict.fromkeys(PANEL.gauges, Grade.USE)


@cache
def engine(panel="single_pump"):
    return engine_for(shipped(), panel)


def lost(*gauges):
    return GOOD | dict.fromkeys(gauges, Grade.COVER)


def case(manoeuvre="level", **fields):
    return CaseRecord(
        title="x", panel="single_pump", snapshot=(SnapshotRecord(manoeuvre=manoeuvre),), **fields
    )


def notes(*gauges, panel=PANEL, upset="", doubted=(), **fields):
    grades = lost(*gauges) | dict.fromkeys(doubted, Grade.VERIFY)
    found = technique(shipped(), panel, grades, case(**fields), upset)
    return {note.topic: note for note in found}


def answered(*readings, context=(), manoeuvre="level", panel="single_pump", switches=None):
    snapshot = SnapshotRecord(manoeuvre=manoeuvre, readings=dict(readings), switches=switches or {})
    told = CaseRecord(title="x", panel=panel, context=context, snapshot=(snapshot,))
    return answer_case(shipped(), told, engine(panel))


# ------------------------------------------------------------------ numbers


def test_nothing_applies_while_everything_is_trusted_or_on_the_ground():
    assert notes() == {}
    assert notes("airspeed", "heading", manoeuvre="run_up") == {}


def test_timed_turn_and_altimeter_rate():
    assert "90 degrees in 30 s" in notes("heading")["timed turn"].says
    assert "100 ft in 10 s is 600 fpm" in notes("vertical_speed")["rate by altimeter"].says


def test_bank_given_changes_the_seconds():
    # 100 kt and 15 degrees give 2.92 degrees/s (rate = 1091 tan(bank) / speed): 90 degrees in 30.8 s
    says = notes("heading", true_airspeed_kt=100.0, bank_deg=15.0)["timed turn"].says
    assert "15 degrees of bank" in says
    assert "90 degrees in 31 s" in says


def test_compass_turns_at_30_north_with_15_degrees_of_bank():
    says = notes("heading", latitude_deg=30.0, bank_deg=15.0)["compass turns"].says
    # the handbook's 037 and 323, 203 and 157
    assert "north 37 before (323 turning right, 037 turning left)" in says
    assert "south 23 past (203 turning right, 157 turning left)" in says


def test_southern_latitudes_turn_it_round():
    says = notes("heading", latitude_deg=-30.0, bank_deg=15.0)["compass turns"].says
    assert "at 30 S" in says
    assert "north 23 past" in says
    assert "south 37 before" in says


def test_without_a_latitude_the_rule_stands_in_words():
    assert "latitude plus half the bank" in notes("heading")["compass turns"].says


@pytest.mark.parametrize(("speed", "bank"), [(80.0, 12), (100.0, 15), (120.0, 18), (150.0, 22)])
def test_standard_rate_bank(speed, bank):
    assert (
        f"standard rate is {bank} degrees of bank at {speed:.0f} kt"
        in notes("heading", true_airspeed_kt=speed)["bank"].says
    )


def test_level_off_lead():
    assert "50 ft before the altitude at 500 fpm" in notes("vertical_speed")["level-off"].says


# ------------------------------------------------------------------ power and attitude


def test_a_generic_table_says_that_it_is_generic():
    note = notes(doubted=["airspeed"], manoeuvre="climb")["power table"]
    assert note.says.startswith("generic trainer")
    assert "power full, pitch +7 to +10 degrees, expect 75 to 85 kt" in note.says
    assert "judgement" in note.source


def test_no_speed_is_promised_where_no_airspeed_can_show_it():
    says = notes("airspeed", manoeuvre="climb")["power table"].says
    assert says.endswith("climb: power full, pitch +7 to +10 degrees, expect 500 to 700 fpm")
    says = notes("airspeed", "altimeter", "vertical_speed", "attitude", "electric_attitude", "outside")
    assert says["power table"].says.endswith("cruise or hold, level: power 2,100 to 2,200 rpm")


def test_the_own_aircraft_beats_the_generic_table():
    own = PowerSetting(
        id="own", name="cruise", manoeuvres=("level",), power="22 inHg, 2,300 rpm", pitch_deg=(2.0, 2.0), speed_kt=(120.0, 125.0), source="judgement"
    )  # fmt: skip
    panel = msgspec.structs.replace(PANEL, power_table=(own,))
    says = notes(panel=panel, doubted=["airspeed"])["power table"].says
    assert says == "cruise: power 22 inHg, 2,300 rpm, pitch +2 degrees, expect 120 to 125 kt, level"


def test_a_table_in_a_users_file_is_read_and_inherited(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(
        '[[panel]]\nid = "mine"\nname = "mine"\nbased_on = "single_pump"\n[[panel.power_table]]\nid = "c"\n'
        'name = "cruise"\nmanoeuvres = ["level"]\npower = "2,400 rpm"\npitch_deg = [1.0, 1.0]\n'
        'speed_kt = [110.0, 115.0]\nsource = "own flight test"\n'
    )
    kb = load_knowledge(overlays=(path,))
    assert kb.panel("mine").power_table[0].power == "2,400 rpm"
    child = msgspec.structs.replace(kb.panels["mine"], id="child", based_on="mine", power_table=())
    assert with_only(kb, panels={**kb.panels, "child": child}).panel("child").power_table[0].id == "c"


# ------------------------------------------------------------------ methods and recovery


def test_control_and_performance():
    view = method_view(PANEL, lost("attitude", "heading"))
    assert view.control == ("engine",)
    assert view.control_out == ("attitude",)
    assert view.performance == ("airspeed", "altimeter", "vertical_speed", "turn_coordinator")
    assert "no attitude to set" in view.says
    assert "no attitude" not in method_view(PANEL, lost("airspeed")).says


def recovery(*gauges):
    return recover(Standing(panel=PANEL, grades=lost(*gauges))).says


@pytest.mark.parametrize(
    ("gauges", "sort"),
    [
        (("attitude",), "by the airspeed:"),
        (("altimeter", "vertical_speed"), "by the airspeed alone"),
        (("airspeed",), "not by the airspeed: by altimeter and vertical speed"),
        (("airspeed", "altimeter"), "not by the airspeed: by vertical speed"),
        (("airspeed", "altimeter", "vertical_speed"), "by the attitude indicator"),
        (("airspeed", "altimeter", "vertical_speed", "attitude"), "by sound and feel"),
    ],
)
def test_the_recovery_sorts_by_what_is_left(gauges, sort):
    assert sort in recovery(*gauges)


def test_the_wings_are_levelled_by_what_is_left():
    assert "turn coordinator and ball" in recovery("attitude")
    assert "by the attitude indicator" in recovery("turn_coordinator")
    assert "heading indicator standing still" in recovery("turn_coordinator", "attitude")
    assert "GPS track standing still" in recovery("turn_coordinator", "attitude", "heading")


# ------------------------------------------------------------------ decisions


def decided(answer):
    return [advice.decision for advice in answer.decisions]


VACUUM = (("attitude.behaviour", "leaning"), ("suction.value", "zero"), ("heading.trend", "drifting"))
STATIC = (("airspeed.trend", "falling"), ("altimeter.trend", "steady"), ("vertical_speed.rate", "zero"))


def test_vacuum_lost_in_cloud_and_in_the_clear():
    cloud = decided(answered(*VACUUM, context=("visible_moisture",)))
    # the airplane first: cover, hands on, then the call (aviate, navigate, communicate: common practice)
    assert cloud[:3] == ["cover_it", "hand_fly", "vacuum_in_cloud"]
    assert {"no_gyro_vectors", "leave_cloud_gyros", "cover_it"} <= set(cloud)
    clear = decided(answered(*VACUUM))
    assert "land_soon" in clear
    assert not {"vacuum_in_cloud", "no_gyro_vectors"} & set(clear)


def test_static_blocked_tells_atc_about_its_own_readout():
    answer = answered(*STATIC, manoeuvre="climb")
    # aviate, then communicate
    assert decided(answer)[0] == "alternate_static_on"
    (told,) = [advice for advice in answer.decisions if advice.decision == "pitot_static_tell_atc"]
    assert told.urgency == 3
    assert "Mode C" in told.says


def test_on_the_ground_the_flight_is_not_begun():
    answer = answered(("suction.value", "zero"), ("attitude.behaviour", "leaning"), manoeuvre="run_up")
    assert decided(answer) == ["do_not_depart"]


def test_an_airspeed_that_stays_at_zero_rejects_the_takeoff():
    found = decided(
        answered(("airspeed.value", "zero"), ("airspeed.trend", "steady"), manoeuvre="takeoff_roll")
    )
    assert found[0] == "reject_takeoff"


def test_charging_lost_and_icing():
    electric = answered(("ammeter.state", "discharge"), ("low_voltage_light.state", "lit"))
    assert "charging_lost" in decided(electric)
    icing = ("visible_moisture", "below_freezing", "pitot_heat_off")
    iced = answered(("airspeed.value", "zero"), ("altimeter.trend", "steady"), context=icing)
    assert "leave_icing" in decided(iced)


def test_nothing_wrong_gives_nothing_to_decide():
    good = answered(
        ("attitude.behaviour", "stable"), ("suction.value", "normal"), ("airspeed.value", "normal")
    )
    assert decided(good) == []


def test_an_upset_comes_first():
    answer = answered(("airspeed.trend", "rising"), context=("unusual_attitude",))
    assert decided(answer)[0] == "recover_first"
    assert answer.technique[0].topic == "recovery"


#: how documents of many parts are cited: by the place that says it
CHAPTER, NUMBER = r"\bch\. \d", r"\b\d-\d+-\d+\b"
PLACES = {
    "ifh": CHAPTER,
    "phak": CHAPTER,
    "afh": CHAPTER,
    "aim": NUMBER,
    "asrs": r"\bACN \d{5,}",
    "ntsb": r"\b[A-Z]{3}\d\d[A-Z]{2}\d{3}",
    "cfr_91": r"\b91\.\d+",
    "cfr_91_185": r"\b91\.185\([a-z]\)",
    "c172r_poh": r"\bsection \d",
}
ADVICE = ("decisions", "effects", "substitutes", "power_settings")


def vague(record):
    """Say why the source of an entry says too little; "" if it does not.

    A document says where (an address, or from memory), its entry what is found there, at which place if it has many;
    what else a note names must be in the bibliography.
    """
    documents = shipped().documents
    if record.source in ("judgement", "common practice"):
        return "a decision rests on a document" if isinstance(record, Decision) else ""
    if record.source not in documents:
        return "no such document"
    document = documents[record.source]
    if not (document.address or "memory" in document.note):
        return "a document that nobody can find"
    if not re.search(PLACES.get(record.source, r"\w{3}"), record.note) or record.note.startswith("as above"):
        return f"the note does not say what is found there, or where: {record.note!r}"
    named = re.findall(r"\b[a-z0-9]+(?:_[a-z0-9]+)+\b", record.note)
    return ", ".join(name for name in named if name not in documents)


@pytest.mark.parametrize(
    ("table", "entry"), [(table, entry) for table in ADVICE for entry in getattr(shipped(), table)]
)
def test_what_is_advised_says_who_says_so(table, entry):
    assert vague(getattr(shipped(), table)[entry]) == ""


@pytest.mark.parametrize(
    "fields",
    [
        {"source": ""},
        {"source": "a handbook"},
        {"source": "judgement"},
        {"source": "ifh", "note": ""},
        {"source": "ifh", "note": "says so"},
        {"source": "aim", "note": "lost communication"},
        {"source": "asrs", "note": "a report"},
        {"source": "p_8740_52", "note": ""},
        {"source": "kfc_200", "note": "as above"},
        {"source": "ifh", "note": "ch. 11; also_some_page"},
    ],
)
def test_an_empty_or_vague_source_would_be_found(fields):
    assert vague(msgspec.structs.replace(shipped().decisions["cover_it"], **fields))


# ------------------------------------------------------------------ answers that would have done harm

CLOUD = ("visible_moisture",)
LEVEL = (("attitude.bank", "level"), ("heading.trend", "steady"), ("turn_coordinator.turn", "level"))


def flown(*snapshots, panel="single_pump", context=(), setting="anomaly"):
    told = CaseRecord(title="x", panel=panel, context=context, setting=setting, snapshot=snapshots)
    answer = answer_case(shipped(), told, engine(panel))
    return answer, {one.gauge: one for one in answer.trust}


def look(*readings, **fields):
    return SnapshotRecord(**({"manoeuvre": "level", "readings": dict(readings)} | fields))


def test_zero_suction_is_a_lost_pump_until_ten_minutes_of_agreement():
    zero = (("suction.value", "zero"), *LEVEL)
    answer, trust = flown(look(*zero), context=CLOUD)
    assert trust["attitude"].grade is trust["heading"].grade is Grade.VERIFY
    assert "suction gauge zero" in trust["attitude"].why
    assert trust["suction"].grade is not Grade.COVER
    (told,) = [one for one in answer.decisions if one.decision == "coasting_in_cloud"]
    assert told.urgency == 3
    assert "turn coordinator" in told.says
    later, trust = flown(look(*zero), look(*zero, minutes_before=12.0), context=CLOUD)
    assert trust["attitude"].coasting is False
    assert trust["attitude"].grade is Grade.USE
    assert "coasting_in_cloud" not in decided(later)


def test_in_the_clear_gyros_that_lie_are_run_down_and_gyros_that_agree_are_coasting():
    """By hand: without suction a rotor turns on for minutes (kfc_200); once both pictures are wrong it no longer does."""
    zero = ("suction.value", "zero")
    right = look(zero, *LEVEL)
    wrong = look(
        zero,
        ("attitude.bank", "left"),
        ("heading.trend", "left"),
        ("turn_coordinator.turn", "level"),
        ("compass.trend", "steady"),
        minutes_before=12.0,
    )
    coasting, _ = flown(right)
    assert "coasting" in decided(coasting)
    assert "gyros_run_down" not in decided(coasting)
    lost, trust = flown(right, wrong)
    assert trust["attitude"].grade is trust["heading"].grade is Grade.COVER
    assert "gyros_run_down" in decided(lost)
    assert "coasting" not in decided(lost)
    (told,) = [one for one in lost.decisions if one.decision == "gyros_run_down"]
    assert "turn coordinator" in told.says
    hidden, _ = flown(right, wrong, context=CLOUD)
    assert not {"gyros_run_down", "coasting"} & set(decided(hidden))


def test_the_turn_coordinator_and_the_compass_outvote_the_horizon_and_are_named():
    _, trust = flown(
        look(
            ("attitude.bank", "left"),
            ("turn_coordinator.turn", "level"),
            ("compass.trend", "steady"),
            ("suction.value", "normal"),
        )
    )
    assert trust["attitude"].grade is not Grade.USE
    assert trust["attitude"].why == "the turn coordinator and the magnetic compass contradict it"


def test_a_wrong_setting_is_set_right_and_leaves_mode_c_alone():
    answer, trust = flown(
        look(("altimeter.value", "high"), ("vertical_speed.rate", "zero"), ("airspeed.value", "normal"))
    )
    assert trust["altimeter"].grade is Grade.VERIFY
    assert trust["altimeter"].now < 0.3
    assert trust["atc_height"].grade is Grade.USE
    assert "set_right_altimeter_set_high" in decided(answer)
    assert not {"land_soon", "cover_it", "pitot_static_tell_atc"} & set(decided(answer))


def test_dead_radios_say_nothing_and_feed_nothing():
    answer, trust = flown(
        look(("radios.state", "dead"), ("lights.state", "dead"), ("turn_coordinator.flag", "showing")),
        context=("instruments_only",),
    )
    assert trust["atc_height"].grade is trust["turn_coordinator"].grade is Grade.COVER
    assert decided(answer)[:2] == ["flashlight", "handheld"]
    assert not [one for one in answer.decisions if one.kind == "say"]


def test_a_vertical_speed_indicator_alone_is_no_reason_to_land():
    answer, trust = flown(
        look(
            ("altimeter.trend", "rising"),
            ("vertical_speed.rate", "zero"),
            ("gps_height.trend", "rising"),
            ("airspeed.trend", "steady"),
            manoeuvre="climb",
        )
    )
    assert trust["vertical_speed"].grade is not Grade.USE
    assert not [one for one in answer.decisions if one.kind == "land"]


def test_what_shares_the_static_line_shares_its_grade():
    _, trust = flown(
        look(
            ("altimeter.trend", "steady"),
            ("airspeed.trend", "falling"),
            ("attitude.pitch", "nose_up"),
            ("gps_height.trend", "rising"),
            manoeuvre="climb",
        )
    )
    grades = {trust[g].grade for g in ("altimeter", "vertical_speed", "atc_height")}
    assert grades == {Grade.COVER}


def test_the_second_airspeed_takes_the_place_of_the_first():
    answer, trust = flown(
        look(
            ("airspeed.value", "zero"),
            ("airspeed.trend", "steady"),
            ("second_airspeed.value", "normal"),
            ("second_airspeed.trend", "steady"),
            ("altimeter.trend", "rising"),
            manoeuvre="climb",
        ),
        panel="two_sets",
    )
    assert trust["airspeed"].grade is not Grade.USE
    assert {one.axis: one.primary for one in answer.axes}["pitch"] == "second_airspeed"


def test_after_the_alternate_source_has_cured_it():
    stuck = look(
        ("altimeter.trend", "steady"), ("vertical_speed.rate", "zero"), ("gps_height.trend", "rising"),
        manoeuvre="climb",
    )  # fmt: skip
    cured = look(
        ("altimeter.trend", "rising"), ("vertical_speed.rate", "climb"), ("airspeed.value", "normal"),
        manoeuvre="climb", switches={"alternate_static": "on"},
    )  # fmt: skip
    answer, _ = flown(stuck, cured, context=CLOUD)
    assert "stay_on_alternate" in decided(answer)
    assert "alternate_static_on" not in decided(answer)


def test_normal_effects_are_told_where_their_condition_holds():
    lag = (("vertical_speed.rate", "zero"), ("altimeter.trend", "rising"))
    told, _ = flown(look(*lag, manoeuvre="climb", minutes=0.25))
    assert any(note.startswith("vertical speed lags") for note in told.notes)
    stands, _ = flown(look(lag[0], ("altimeter.trend", "steady"), manoeuvre="climb", minutes=2.0))
    assert stands.notes == ()
    lean = look(("attitude.bank", "left"), ("suction.value", "normal"), ("heading.trend", "steady"))
    after, _ = flown(look(manoeuvre="right_turn"), lean, setting="routine")
    assert any("after a right turn" in note for note in after.notes)
    no_turn, _ = flown(lean, setting="routine")
    assert no_turn.notes == ()


def test_the_type_of_the_ammeter_decides_what_zero_means():
    """A center-zero needle at zero is at rest, a loadmeter at zero has lost its alternator; unknown: half of each."""
    kb = shipped()
    chances = {}
    for fitted in ("center_zero", "", "loadmeter"):
        panel = msgspec.structs.replace(kb.panels["single_pump"], ammeter=fitted)
        network = compile_network(with_only(kb, panels={**kb.panels, "single_pump": panel}), "single_pump")
        table = network.facets["ammeter.state"]
        on_battery = [
            network.states[p].index(
                {"bus": "on_battery", "alternator": "failed"}.get(p, network.states[p][0])
            )
            for p in table.parents
        ]
        chances[fitted] = dict(zip(table.readings, table.chance[tuple(on_battery)].tolist(), strict=True))
    assert chances["center_zero"]["discharge"] > 0.9 > 0.1 > chances["center_zero"]["zero"]
    assert chances["loadmeter"]["zero"] > 0.9 > 0.1 > chances["loadmeter"]["discharge"]
    for reading, chance in chances[""].items():
        assert chance == pytest.approx((chances["center_zero"][reading] + chances["loadmeter"][reading]) / 2)


# ------------------------------------------------------------------ text


@pytest.mark.parametrize("width", [56, 80, 100])
def test_partial_panel_keeps_its_width(width):
    answer = answered(*VACUUM, context=("visible_moisture",))
    shown = render_flying(answer, shipped(), width)
    assert max(map(len, shown.splitlines())) <= width
    for words in ("Control and performance", "Numbers that apply", "no-gyro vectors", "the pilot in"):
        assert words in shown.replace("\n" + " " * 19, " ").replace("\n" + " " * 11, " ")


def test_a_panel_without_a_method_is_no_trouble():
    assert "Control" not in render_flying(replace(answered(*STATIC), method=None), shipped())


# ------------------------------------------------------------------ what has failed is spoken of


@pytest.mark.parametrize(
    ("readings", "word"),
    [
        ({"ammeter.state": "high_charge", "voltmeter.value": "high"}, "alternator_off"),
        ({"radios.transmit": "receive_only", "ammeter.state": "normal"}, "transmitter_out"),
        ({"gps_track.trend": "dark", "gps_height.trend": "dark", "radios.state": "normal"}, "report_equipment"),
        ({"altimeter.trend": "steady", "vertical_speed.rate": "climb", "atc_height.trend": "rising"}, "altimeter_tell_atc"),
        ({"heater_load.state": "none", "ammeter.state": "normal", "lights.state": "normal"}, "pitot_heater_dead"),
    ],
)  # fmt: skip
def test_in_cloud_what_has_failed_is_spoken_of(readings, word):
    answer, _ = flown(
        look(*readings.items(), manoeuvre="climb", switches={"pitot_heat": "on"}), context=CLOUD
    )
    assert word in decided(answer)


def test_an_electric_horizon_without_power_is_no_word_against_the_pump():
    """Published practice exchanges the turn coordinator for it (AC 91-75): it coasts on its own power."""
    dead = (("electric_attitude.flag", "showing"), ("radios.state", "dead"), ("lights.state", "dead"))
    answer, trust = flown(look(*dead), panel="electric_attitude", context=(*CLOUD, "instruments_only"))
    assert trust["attitude"].grade is Grade.USE
    assert not {"coasting_in_cloud", "watch_gyros", "vacuum_in_cloud"} & set(decided(answer))


def test_with_dead_radios_gyros_that_have_fallen_are_covered_and_not_called_coasting():
    lost = (
        ("suction.value", "zero"),
        ("attitude.behaviour", "tumbling"),
        ("radios.state", "dead"),
        ("lights.state", "dead"),
    )
    answer, _ = flown(look(*lost), context=("instruments_only",))
    assert "gyros_run_down" in decided(answer)
    assert not {"coasting", "coasting_in_cloud"} & set(decided(answer))


def test_in_an_upset_nothing_is_called_normal():
    swinging = look(("compass.trend", "swinging"), ("suction.value", "normal"), manoeuvre="left_turn")
    meant, _ = flown(swinging)
    assert meant.notes != ()
    upset, _ = flown(swinging, context=("unusual_attitude",))
    assert upset.notes == ()


def test_on_the_roll_a_lost_supply_is_no_silence():
    answer, _ = flown(look(("suction.value", "zero"), manoeuvre="takeoff_roll"))
    assert "supply_out_on_the_roll" in decided(answer)


# ------------------------------------------------------------------ a gyro that dies is followed

BLIND = (*CLOUD, "instruments_only")


def test_the_horizon_that_the_bank_is_held_by_does_not_cover_the_turn_coordinator_alone():
    """A student followed the dying gyros into a slow spiral (AOPA, Partial-Panel Emergencies, September 1998)."""
    turning = (("attitude.bank", "level"), ("turn_coordinator.turn", "right"))
    answer, trust = flown(look(*turning), context=BLIND)
    assert {trust[g].grade for g in ("attitude", "turn_coordinator")} == {Grade.VERIFY}
    assert trust["attitude"].why or trust["attitude"].blame
    assert {"watch_bank", "watch_gyros"} & set(decided(answer))


@pytest.mark.parametrize(
    ("third", "context"),
    [
        pytest.param((("compass.trend", "steady"), ("gps_track.trend", "steady")), BLIND, id="a third decides"),
        pytest.param(
            (("outside.bank", "level"),), (), id="with a horizon outside nobody follows a gyro"
        ),
    ],
)  # fmt: skip
def test_a_third_witness_or_the_outside_horizon_decides(third, context):
    turning = (("attitude.bank", "level"), ("turn_coordinator.turn", "right"), *third)
    _, trust = flown(look(*turning), context=context)
    assert trust["turn_coordinator"].grade is Grade.COVER


def test_two_witnesses_need_not_be_independent_of_what_they_contradict():
    turning = (("attitude.bank", "level"), ("turn_coordinator.turn", "right"), ("heading.trend", "right"))
    answer, trust = flown(look(*turning), context=BLIND)
    assert trust["attitude"].grade is not Grade.USE
    assert "heading indicator" in trust["attitude"].why
    assert "instruments agree" not in answer.verdict


def test_all_that_agree_on_an_unmeant_turn_are_said_to_agree():
    turning = (("attitude.bank", "right"), ("turn_coordinator.turn", "right"), ("heading.trend", "right"))
    answer, _ = flown(look(*turning), context=BLIND)
    assert "the instruments agree, you are turning right" in answer.verdict


# ------------------------------------------------------------------ answers that would have done harm, found by hand


def test_the_likeliest_cure_comes_first():
    """A static line that is shut is cured by the alternate source (PHAK ch. 8), not first by heating the pitot tube."""
    shut = (("altimeter.trend", "steady"), ("vertical_speed.rate", "zero"), ("airspeed.trend", "rising"))
    told = decided(answered(*shut, manoeuvre="descent", context=("visible_moisture", "below_freezing")))
    assert told[:2] == ["alternate_static_on", "pitot_heat_on"]
    iced = (("airspeed.trend", "falling"), ("altimeter.trend", "rising"), ("vertical_speed.rate", "climb"))
    told = decided(answered(*iced, manoeuvre="climb", context=("visible_moisture", "below_freezing")))
    assert told[0] == "pitot_heat_on"


def test_a_horizon_level_in_a_spiral_is_not_used():
    spiral = {"turn_coordinator.turn": "left", "altimeter.trend": "falling", "airspeed.trend": "rising"}
    answer, trust = flown(look(*spiral.items(), ("attitude.bank", "level")), context=("instruments_only",))
    assert answer.upset
    assert trust["attitude"].grade is not Grade.USE
    assert "you are turning left" in trust["attitude"].why
    assert {"watch_bank", "watch_gyros"} & set(decided(answer))


def test_a_needle_that_nothing_contradicts_is_not_covered_for_what_was_meant():
    _, trust = flown(look(("attitude.bank", "left")), context=CLOUD)
    assert trust["attitude"].grade is Grade.VERIFY
    _, trust = flown(look(("attitude.bank", "left"), ("attitude.behaviour", "leaning")), context=CLOUD)
    assert trust["attitude"].grade is Grade.COVER


def test_a_flag_in_view_is_taken_at_its_word():
    lost = (("suction.value", "zero"), ("attitude.behaviour", "leaning"), ("turn_coordinator.flag", "showing"))
    answer, trust = flown(look(*lost, manoeuvre="left_turn"), context=CLOUD)
    assert trust["turn_coordinator"].grade is Grade.COVER
    assert "emergency_no_bank" in decided(answer)


def test_a_lever_that_may_have_been_left_open_is_not_opened():
    rough = (("airspeed.trend", "erratic"), ("vertical_speed.rate", "erratic"))
    told = decided(answered(*rough, manoeuvre="approach", context=("turbulence",)))
    assert "set_right_alternate_static_left_open" in told
    assert "alternate_static_on" not in told


def test_the_cabin_is_dumped_once_the_alternate_source_has_changed_nothing():
    shut = (("altimeter.trend", "steady"), ("vertical_speed.rate", "zero"), ("airspeed.trend", "falling"))
    first = look(*shut, manoeuvre="climb")
    then = look(*shut[:2], manoeuvre="climb", switches={"alternate_static": "on"})
    icing = ("visible_moisture", "below_freezing", "pressurized")
    assert "dump_cabin" not in decided(flown(first, panel="pressurised", context=icing)[0])
    assert "dump_cabin" in decided(flown(first, then, panel="pressurised", context=("pressurized",))[0])


def test_no_compass_supports_the_bank_in_a_turn():
    lost = (("suction.value", "zero"), ("attitude.behaviour", "leaning"))
    for manoeuvre, steady in (("left_turn", False), ("level", True)):
        answer, _ = flown(look(*lost, manoeuvre=manoeuvre), context=CLOUD)
        (bank,) = [axis for axis in answer.axes if axis.axis == "bank"]
        assert bank.primary == "turn_coordinator"
        assert ("compass" in bank.supporting) is steady


def test_radios_that_are_dead_ask_for_no_call_in_any_order():
    dead = (("radios.state", "dead"), ("lights.state", "dead"), ("turn_coordinator.flag", "showing"))
    answer, _ = flown(look(*dead), context=("instruments_only",))
    assert "handheld" in decided(answer)
    assert not [one for one in answer.decisions if one.kind == "say" or "ATC" in one.short]
