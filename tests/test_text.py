"""The answer as text: its order, its numbers, its width; and as data."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from html import unescape

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import structs

from diagnose import answer_case
from diagnose.cli import main
from diagnose.language.case_files import load_case
from diagnose.model import CaseRecord, Grade, SnapshotRecord
from diagnose.model.answer import Answer, AxisAdvice, Because, Ranked, Trust
from diagnose.render.layout import chance_words
from diagnose.render.text import (
    CAUTION,
    brief,
    causes,
    describe,
    factor,
    first_screen,
    percent,
    render,
    screen_rows,
    table,
    to_data,
)
from tests.small import shipped

CASE = CaseRecord(title="Over the lake", panel="single_pump", snapshot=(SnapshotRecord(manoeuvre="climb"),))
#: chances that are easy to check by eye; nothing failed stands below what is listed
ANSWER = Answer(
    setting="anomaly",
    ranking=(
        Ranked(failures=("static_ports_taped",), prior=0.01, posterior=0.9),
        Ranked(failures=("pump_sheared", "static_ports_taped"), prior=0.0001, posterior=0.06),
        Ranked(failures=("downdraught",), prior=0.02, posterior=0.03),
        Ranked(failures=(), prior=0.25, posterior=0.0001),
    ),
    failures={"static_ports_taped": 0.96, "pump_sheared": 0.06},
    priors={"static_ports_taped": 0.01, "pump_sheared": 0.05},
    uncovered=0.002,
    log_evidence=-3.0,
    decided=True,
    verdict="Most likely: the static ports.",
    trust=(
        Trust(gauge="attitude", now=0.99, soon=0.985, grade=Grade.USE),
        Trust(gauge="suction", now=0.9, soon=0.88, grade=Grade.VERIFY, blame="pump_sheared"),
        Trust(gauge="airspeed", now=0.05, soon=0.04, grade=Grade.COVER, blame="static_ports_taped"),
        Trust(gauge="altimeter", now=0.05, soon=0.03, grade=Grade.COVER, blame="static_ports_taped"),
        Trust(gauge="radios", now=0.05, soon=0.03, grade=Grade.COVER, blame="static_ports_taped"),
    ),
    axes=(
        AxisAdvice(
            axis="pitch",
            usual="airspeed",
            primary="attitude",
            supporting=("gps_height",),
            out=("airspeed",),
            how="set the attitude known for the climb",
        ),
        AxisAdvice(axis="bank", usual="heading", primary="heading", supporting=(), out=()),
        AxisAdvice(axis="power", usual="engine", primary="suction", supporting=(), out=()),
        AxisAdvice(axis="heading", usual="heading", primary="", supporting=(), out=("heading",)),
    ),
    manoeuvre="climb",
    notes=("the vertical speed lags",),
)


def shown(width=80, **changes):
    return render(replace(ANSWER, **changes), CASE, shipped(), width)


@pytest.mark.parametrize(
    ("chance", "text"),
    [
        (1.0, ">99.9 %"),
        (0.9994, "100 %"),
        (0.5, "50 %"),
        (0.0994, "9.9 %"),
        (0.001, "0.1 %"),
        (0.0, "<0.1 %"),
    ],
)
def test_a_chance_is_read_at_a_glance(chance, text):
    assert percent(chance) == text


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (1.0, "no change"),
        (1.3, "x 1.3"),
        (0.4, "/ 2.5"),
        (53.1, "x 53"),
        (2184.0, "x 2200"),
        (1 / 280.0, "/ 280"),
        (1e9, "x >100000"),
        (0.0, "/ >100000"),
    ],
)
def test_a_factor_is_read_at_a_glance(value, text):
    assert factor(value) == text


@given(st.floats(1e-300, 1e300))
def test_a_factor_fits_its_column(value):
    assert len(factor(value)) <= 10


def test_the_parts_stand_in_their_order():
    parts = (
        "Over the lake",
        "Most likely: the static ports.",
        "what has failed",
        "static ports blocked (tape",
        "nothing failed",
        "all other failures",
        "Odds: anomaly noticed",
        "Not covered:",
        "Instruments",
        "Partial panel, fly by: climb",
        "Normal effect: the vertical speed lags",
        "For ground training and review only.",
    )
    places = [shown().find(part) for part in parts]
    assert -1 not in places
    assert places == sorted(places)


def test_a_row_tells_before_evidence_and_after():
    row = next(line for line in shown().splitlines() if line.startswith("  1"))
    # posterior odds 9 against prior odds 1/99: 891
    assert row.split()[:3] == ["1", "90", "%"]
    assert row.split()[-4:] == ["1.0", "%", "x", "890"]


def test_the_leading_failure_is_also_told_with_or_without_others():
    assert "             (96 % with or without another failure)" in shown().splitlines()
    alone = shown(failures={"static_ports_taped": 0.9})
    assert "with or without" not in alone


def test_nothing_failed_is_always_listed_with_its_place_and_the_rest_is_summed_up():
    lines = shown().splitlines()
    assert next(line for line in lines if "nothing failed" in line).split()[:3] == ["4", "<0.1", "%"]
    # 1 - 0.9 - 0.06 - 0.03 - 0.0001
    assert next(line for line in lines if "all other failures" in line).split()[:2] == ["1.0", "%"]
    assert "Not covered: combinations with 0.2 %" in " ".join(shown().split())


def test_instruments_stand_by_grade_with_the_suspect_once():
    text = " ".join(shown().split())
    assert "use attitude indicator verify suction gauge (trust 88 %); suspect: vacuum pump failed" in text
    cover = "cover airspeed indicator (trust 4.0 %), altimeter (trust 3.0 %); suspect: static ports blocked"
    assert cover in text
    # no dial that a pilot flies by
    assert "radios" not in text


def test_what_to_fly_on_says_instead_of_what_and_how():
    text = " ".join(shown().split())
    assert (
        "pitch attitude indicator instead of the airspeed indicator; supported by GPS altitude. "
        "Set the attitude known for the climb" in text
    )
    assert "bank heading indicator power" in text
    assert "power suction gauge (verify) instead of the tachometer" in text
    assert "heading nothing trustworthy is left on this panel instead of the heading indicator" in text


def test_the_ground_has_nothing_to_fly_on():
    assert "Partial panel, fly by" not in shown(axes=())


def test_the_setting_says_what_it_assumes():
    assert "anomaly noticed, assuming something was wrong (3 in 4)" in shown()
    assert "Odds: routine flight. 'before'" in shown(setting="routine")


def test_the_caution_ends_every_answer():
    assert " ".join(shown().split()).endswith(CAUTION)
    for word in ("training", "handbook", "ATC", "pilot in command", "licensed technicians"):
        assert word in CAUTION


@cache
def solved(name):
    case = load_case(name, shipped())
    return case, answer_case(shipped(), case)


@pytest.mark.parametrize("name", ["static_blocked_climb", "all_agree_turning", "alternator_out_radios_fade"])
@pytest.mark.parametrize("width", [10, 56, 80, 110])
def test_no_line_is_wider_than_asked(name, width):
    case, answer = solved(name)
    texts = (
        render(answer, case, shipped(), width),
        first_screen(answer, case, shipped(), width),
        brief(answer, case, shipped(), width),
        describe(case, shipped(), width),
    )
    for text in texts:
        assert max(map(len, text.splitlines())) <= max(width, 56)
        # a number stays with its unit
        assert not [line for line in text.splitlines() if line.strip().startswith("%")]


def test_the_first_screen_says_what_why_what_to_ignore_and_what_to_fly_by():
    because = (Because(snapshot=0, facet="altimeter.trend", reading="steady", sure=1.0, factor=50.0),)
    case = structs.replace(CASE, context=("washed",))
    lines = first_screen(replace(ANSWER, because=because), case, shipped(), 100).splitlines()
    static, pump = (shipped().failures[name].name for name in ("static_ports_taped", "pump_sheared"))
    assert lines[0] == f"LIKELY   {static[0].upper()}{static[1:]}, about 9 in 10"
    assert lines[1] == f"BECAUSE  altimeter steady; {shipped().context['washed'].name}"
    assert lines[2:5] == [
        "IGNORE   airspeed, altimeter",
        "CHECK    suction",
        "FLY BY   attitude (pitch); heading (bank); suction (power)",
    ]
    assert " ".join(" ".join(lines[5:]).split()).startswith(f"ELSE {pump} plus {static} 1 in 20")


def test_a_family_is_one_cause_and_is_called_by_its_member_only_where_that_leads():
    def ranked(*chances):
        members = ("static_ports_taped", "static_line_iced")
        sets = [
            Ranked(failures=(name,), prior=0.1, posterior=p) for name, p in zip(members, chances, strict=True)
        ]
        # beside a failure a look-alike is no second cause
        sets.append(Ranked(failures=("heading_not_reset", "static_ports_taped"), prior=0.1, posterior=0.1))
        return causes(
            replace(ANSWER, ranking=(*sets, Ranked(failures=(), prior=0.1, posterior=0.1))), shipped()
        )

    together, alone = ranked(0.4, 0.4), ranked(0.8, 0.0)
    assert together[0].name == shipped().families["static_trapped"].name
    assert alone[0].name == shipped().failures["static_ports_taped"].name
    assert together[0].chance == pytest.approx(0.9)
    assert [cause.failures for cause in together] == [("static_ports_taped",), ()]


def test_chances_in_words_rise_with_the_chance_and_are_near_it():
    words = sorted(shipped().chance_words.values(), key=lambda word: word.chance)
    spoken = [chance_words(chance, shipped()) for chance in np.linspace(0.0, 1.0, 501)]
    order = [[word.words for word in words].index(said) for said in spoken]
    assert order == sorted(order)
    assert chance_words(0.74, shipped()) == "about 3 in 4"
    assert chance_words(1.0, shipped()) == "almost certain"
    assert chance_words(0.0005, shipped()) == "less than 1 in 100"


def test_a_case_is_described_in_plain_words():
    case = CaseRecord(
        title="Over the lake",
        panel="single_pump",
        context=("washed",),
        snapshot=(
            SnapshotRecord(manoeuvre="level"),
            SnapshotRecord(
                manoeuvre="climb",
                minutes=2,
                minutes_before=10,
                switches={"pitot_heat": "on"},
                readings={"airspeed.trend": "falling", "vertical_speed.rate": "zero"},
                unsure={"airspeed.value": ("low", 0.8)},
                disagree=(("attitude", "turn_coordinator"),),
            ),
        ),
    )
    text = describe(case, shipped(), 100)
    for line in (
        "  odds        anomaly noticed",
        "  conditions  washed or waxed since the last flight",
        "moment 1: straight and level, constant airspeed, 1 min",
        "  nothing said yet",
        "moment 2: climb, wings level, constant airspeed, 2 min, 10 min after the last",
        "  pitot heat                on",
        "  airspeed indicator        trend falling, value low (80 % sure)",
        "  vertical speed indicator  zero",
        "  attitude indicator        disagrees with the turn coordinator",
    ):
        assert line in text.splitlines()
    assert describe(CaseRecord(title="x", panel="venturi"), shipped()).endswith("  no moment yet")


def test_a_table_wraps_beside_its_names():
    assert table([("a", "one two three " * 4), ("bb", "")], 48).splitlines() == [
        "a   one two three one two three one two three one two",
        "    three",
        "bb",
    ]


def test_the_data_are_plain_and_hold_everything():
    data = json.loads(json.dumps(to_data(ANSWER, CASE, shipped())))
    assert data["ranking"][0]["failures"] == ["static_ports_taped"]
    assert data["ranking"][0]["posterior"] == 0.9
    assert data["ranking"][3]["names"] == "nothing failed"
    assert data["instruments"][2] == {
        "gauge": "airspeed",
        "name": "airspeed indicator",
        "true_now": 0.05,
        "true_soon": 0.04,
        "grade": "cover",
        "blame": "static_ports_taped",
        "why": "",
    }
    assert data["fly_on"][0]["out"] == ["airspeed"]
    assert data["uncovered"] == 0.002
    assert data["caution"] == CAUTION


def test_a_name_too_long_for_its_column_stands_on_a_line_of_its_own():
    long = "  a name that is longer than half of the whole width"
    assert table(
        [("  short", "one"), (long, "two"), (f"{long} and of all of it", "three")], 60
    ).splitlines() == [
        "  short  one",
        long,
        "         two",
        f"{long} and of",
        "    all of it",
        "         three",
    ]


def test_pages_begin_with_the_lines_of_the_first_screen(capsys, tmp_path):
    path = tmp_path / "r.html"
    assert main(["report", "static_blocked_climb", "-o", str(path)]) == 0
    page = unescape(path.read_text())
    case = load_case("static_blocked_climb", shipped())
    answer = answer_case(shipped(), case, looks="here")
    before = page[: page.index("<h2>")]
    for label, text in screen_rows(answer, case, shipped()):
        assert f"<th>{label}</th><td>{text}</td>" in before
