"""Reviews of flights made by hand: what lies is named, what cannot be told apart stays together, no second failure.

The flight is worked out here from its turn and climb rates with a wind, gusts and a recorder's noise, and each fault is
put in by a line of arithmetic. Nothing of the product's physics or numbers is used, so that nothing can agree by
construction. Standard atmosphere: true airspeed 1.7 % above indicated a thousand feet (rule of thumb, common practice).
"""

from __future__ import annotations

import io
import math
import re
from functools import cache
from html import escape

import numpy as np
import pytest

from diagnose import engine_for, load_knowledge
from diagnose.model import FailureKind
from diagnose.render.pages.findings import at, onset_words, review_text, verdict
from diagnose.render.pages.whole import write_up_page
from diagnose.render.pages.writeup import write_up_case
from diagnose.review.findings import review
from diagnose.review.mapping import guess
from diagnose.review.motion import motion_of
from diagnose.review.recording import read
from diagnose.review.relations import steps_of_static
from diagnose.review.table import layout_of

KB = load_knowledge()
#: minutes, feet a minute, degrees a second, rpm
LEGS = (
    (2, 0, 0, 2350), (4, 500, 0, 2550), (3, 0, 0, 2350), (2, 0, 3, 2350), (3, 0, 0, 2350), (1.5, 0, -3, 2350),
    (3, 0, 0, 2350), (3, -500, 0, 2000), (3, 0, 0, 2350), (2, 0, 3, 2350), (3, 0, 0, 2350), (2, 400, -2, 2550),
    (3, 0, 0, 2350), (4, -500, 0, 2000), (2, 0, 0, 2350),
)  # fmt: skip
#: the fault is put in here: at one altitude, in the last half minute of a turn
AT = 900
#: seconds at which the next descent and the next turn begin (sums of LEGS)
DESCENT, TURN = 1110, 1470
COLUMNS = {
    "ias": ("IAS (kt)", 0.4), "alt": ("Altimeter (ft)", 3.0), "vs": ("VSI (fpm)", 15.0), "pitch": ("Pitch (deg)", 0.15),
    "bank": ("Roll (deg)", 0.2), "hdg": ("HDG (deg)", 0.4), "turn": ("Turn rate (deg/s)", 0.1), "rpm": ("RPM", 8.0),
    "suction": ("Vac (inHg)", 0.03), "volts": ("Volts", 0.04), "amps": ("Amps", 0.2), "gps_alt": ("GPS Alt (ft)", 4.0),
    "gs": ("GndSpd (kt)", 0.3), "track": ("Track (deg)", 0.6),
}  # fmt: skip
GPS = ("gps_alt", "gs", "track")


def smooth(values, seconds):
    padded = np.pad(values, (seconds // 2, seconds - 1 - seconds // 2), mode="edge")
    return np.convolve(padded, np.ones(seconds) / seconds, "valid")


def wander(rng, count, sd, seconds):
    """A first-order wander of this size that forgets in so many seconds."""
    keep = math.exp(-1.0 / seconds)
    pushes = rng.normal(0.0, sd * math.sqrt(1.0 - keep * keep), count)
    found = np.zeros(count)
    for place in range(1, count):
        found[place] = keep * found[place - 1] + pushes[place]
    return found


def flown(seed):
    rng = np.random.default_rng(seed)
    rate, turn, rpm = (np.repeat([leg[k] for leg in LEGS], [round(60 * leg[0]) for leg in LEGS]).astype(float) for k in (1, 2, 3))  # fmt: skip
    count = len(rate)
    ias = smooth(np.where(rate > 0, 85.0, np.where(rate < 0, 105.0, 100.0)), 25) + wander(rng, count, 1.2, 20)
    rate, turn, rpm = smooth(rate, 9), smooth(turn, 7), smooth(rpm, 5)
    climb = rate + wander(rng, count, 60.0, 6)
    alt = 3000.0 + np.concatenate([[0.0], np.cumsum(climb[:-1]) / 60.0])
    turn = turn + wander(rng, count, 0.25, 6)
    hdg = 200.0 + np.concatenate([[0.0], np.cumsum(turn[:-1])])
    tas = ias * (1.0 + 0.017 * alt / 1000.0)
    bank = np.degrees(np.arctan(tas * 1852.0 / 3600.0 * np.radians(turn) / 9.80665)) + wander(
        rng, count, 1.0, 4
    )
    east = tas * np.sin(np.radians(hdg)) + 14.0 + wander(rng, count, 2.0, 600)
    north = tas * np.cos(np.radians(hdg)) - 8.0 + wander(rng, count, 2.0, 600)
    return {
        "ias": ias, "alt": alt, "vs": smooth(climb, 9), "pitch": 2.0 + rate / 200.0 + wander(rng, count, 0.5, 5),
        "bank": bank, "hdg": hdg, "turn": turn, "rpm": rpm, "suction": np.full(count, 4.9), "volts": np.full(count, 28.0),
        "amps": np.full(count, 4.0), "gps_alt": alt + 90.0 + wander(rng, count, 8.0, 60), "gs": np.hypot(east, north),
        "track": np.degrees(np.arctan2(east, north)),
    }, rng  # fmt: skip


def stand(made, name, at):
    made[name] = np.where(np.arange(len(made[name])) >= at, made[name][at], made[name])


def put_in(made, fault, at=AT):
    """Put a fault in; seconds since it came: ``since``, 0 before."""
    count = len(made["ias"])
    since = np.maximum(np.arange(count) - at, 0.0)
    there = np.arange(count) >= at
    match fault:
        case "heading drifts":  # 4 degrees a minute
            made["hdg"] = made["hdg"] + since / 15.0
        case "heading stuck":
            stand(made, "hdg", at)
        case "turn dead":
            made["turn"] = np.where(there, 0.0, made["turn"])
        case "altimeter stuck":
            stand(made, "alt", at)
        case "static closed":
            # the pressure of the air at `at` is kept: 2 g h per foot, in knots squared (Bernoulli; 1 kt = 1.6878 ft/s)
            lost = (made["alt"] - made["alt"][at]) * 2.0 * 32.174 / 1.6878**2
            made["ias"] = np.where(there, np.sqrt(np.maximum(made["ias"] ** 2 - lost, 0.0)), made["ias"])
            stand(made, "alt", at)
            made["vs"] = np.where(there, 0.0, made["vs"])
        case "alternate static" | "gps jumps" | "altimeter set anew":
            # cabin air at less pressure by so many feet: 2 g h in knots squared more of impact pressure (Bernoulli)
            made["gps_alt" if fault == "gps jumps" else "alt"] += np.where(there, 90.0, 0.0)
            if fault == "alternate static":
                more = np.where(there, 90.0 * 2.0 * 32.174 / 1.6878**2, 0.0)
                made["ias"] = np.sqrt(made["ias"] ** 2 + more)
        case "vacuum":
            made["suction"] = np.where(there, 4.9 * np.exp(-since / 3.0), 4.9)
            run_down = np.clip((since - 120.0) / 240.0, 0.0, 1.0)
            made["bank"] = made["bank"] + run_down * 40.0 * np.sin(since / 70.0)
            made["pitch"] = made["pitch"] - run_down * 12.0
            made["hdg"] = made["hdg"] + np.cumsum(run_down * 0.15)
        case "horizon":
            run_down = np.clip(since / 300.0, 0.0, 1.0)
            made["bank"] = made["bank"] + run_down * 25.0 * np.sin(since / 90.0 + 0.3)
            made["pitch"] = made["pitch"] - run_down * 8.0
        case "horizon stuck":  # level, and stays so in every turn: no failure in the list does that
            made["bank"] = np.where(there, 0.0, made["bank"])
            made["pitch"] = np.where(there, 2.0, made["pitch"])
        case "alternator":
            made["volts"] = np.where(there, 24.8 - since / 1800.0, 28.0)
            made["amps"] = np.where(there, -18.0, 4.0)


@cache
def rows_of(fault, seed, without=()):
    made, rng = flown(seed)
    put_in(made, fault)
    names = [name for name in COLUMNS if name not in without]
    count = len(made["ias"])
    table = {"Time (s)": [str(second) for second in range(count)]}
    for name in names:
        column, noise = COLUMNS[name]
        values = made[name] % 360.0 if name in ("hdg", "track") else made[name]
        table[column] = [f"{v:.2f}" for v in values + rng.normal(0.0, noise, count)]
    return list(table), [list(row) for row in zip(*table.values(), strict=True)]


@pytest.fixture(scope="module")
def engine():
    return engine_for(KB, "single_pump")


@pytest.fixture(scope="module")
def found_in(engine, tmp_path_factory):
    """Gives the review of a flight with this fault; each is reviewed once."""
    folder = tmp_path_factory.mktemp("by_hand")

    @cache
    def of(fault, seed=1, without=()):
        return reviewed(engine, folder / "flight.csv", *rows_of(fault, seed, without))

    return of


def reviewed(engine, path, header, rows):
    path.write_text("\n".join(",".join(cells) for cells in [header, *rows]) + "\n")
    layout = layout_of(path, KB)
    mapping = guess(layout, KB).mapping
    return review(engine, read(layout, mapping, KB), mapping)


def condemned(found):
    """Recorded instruments that are not believed; the altitude that goes out to others hangs on the static line."""
    return {doubted.gauge for doubted in found.doubted if doubted.recorded}


#: fault -> instruments that lie, and what may be at the bottom of it
LIES = {
    "heading drifts": ({"heading"}, {"heading_worn", "heading_hose_blocked"}),
    "heading stuck": ({"heading"}, {"heading_stuck"}),
    "turn dead": ({"turn_coordinator"}, {"turn_dead", "turn_supply_open", "turn_wire_intermittent"}),
    "altimeter stuck": ({"altimeter"}, {"altimeter_stuck"}),
    "static closed": ({"airspeed", "altimeter", "vertical_speed"}, {"static_line_iced", "static_blocked", "static_water_plug", "static_common_blocked"}),
    "vacuum": ({"attitude", "heading"}, {"pump_sheared", "suction_hose_collapsed"}),
    "horizon": ({"attitude"}, {"attitude_hose_blocked", "attitude_worn"}),
}  # fmt: skip


@pytest.mark.parametrize("fault", LIES)
def test_what_lies_is_named_and_nothing_else(found_in, fault):
    found = found_in(fault)
    lying, causes = LIES[fault]
    first = found.causes[0]
    assert verdict(found).startswith("Most likely")
    assert len(first.failures) == 1
    assert {*first.failures, *first.alike} & causes == {first.failures[0], *first.alike} & causes
    assert first.failures[0] in causes
    assert condemned(found) == lying
    assert all(KB.failures[d.blame].kind is FailureKind.FAILURE for d in found.doubted if d.blame)


#: fault -> when it can first be seen: at once (in what is left of the turn), or when what is stuck is first asked to move
SHOWS = {
    "vacuum": AT, "alternator": AT, "heading stuck": AT, "turn dead": AT, "static closed": DESCENT,
    "altimeter stuck": DESCENT,
}  # fmt: skip


@pytest.mark.parametrize("fault", SHOWS)
def test_when_it_first_showed_and_when_it_may_have_begun_are_two_instants(found_in, fault):
    onset = found_in(fault).onsets[0]
    assert abs(onset.showed - SHOWS[fault]) <= 60.0
    assert onset.earliest <= AT <= onset.latest
    assert onset.showed <= onset.worst
    assert (
        f"it first showed at {at(onset.showed)}" in onset_words(onset)
        or abs(onset.showed - onset.likeliest) <= 60.0
    )


def test_altitude_and_airspeed_up_at_one_instant_are_the_static_source(found_in):
    found = found_in("alternate static")
    assert {*found.causes[0].failures, *found.causes[0].alike} & {"alternate_static_left_open", "static_leak_low"}
    assert condemned(found) == {"airspeed", "altimeter"}
    assert abs(found.onsets[0].showed - AT) <= 10.0
    assert found.onsets[0].earliest <= AT <= found.onsets[0].latest


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("fault", ["sound", "gps jumps", "altimeter set anew", "altimeter stuck", "static closed"])
def test_nothing_else_steps_so_and_a_sound_pointer_does_not_stand(tmp_path, fault, seed):
    path = tmp_path / "flight.csv"
    path.write_text("\n".join(",".join(cells) for cells in [*rows_of(fault, seed)[:1], *rows_of(fault, seed)[1]]))
    layout = layout_of(path, KB)
    recording = read(layout, guess(layout, KB).mapping, KB)
    motion = motion_of(recording, KB.review, 0.0)
    assert not steps_of_static(recording.channels, motion.tas_kt, motion.turn_dps, KB.review).any()
    stands = {"altimeter stuck": {"altimeter_ft"}, "static closed": {"altimeter_ft", "vertical_speed_fpm"}}
    assert motion.stood.keys() - {"airspeed_kt"} == stands.get(fault, set())
    assert all(shows >= AT for _, shows in motion.stood.values())
    assert all(DESCENT <= motion.stood[name][1] <= DESCENT + 120.0 for name in {"altimeter_ft"} & motion.stood.keys())


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("fault", ["vacuum", "static closed", "alternator"])
def test_the_mechanics_page_prints_on_one_sheet_with_every_cause(found_in, browser, fault, paper):
    found = found_in(fault)
    up = write_up_case(found.engine, found.case, found.answer, found)
    html = write_up_page(up, paper)
    tab = browser.new_page()
    tab.set_content(html)
    sheets = tab.pdf(prefer_css_page_size=True)
    tab.close()
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", sheets)) == 1
    assert all(escape(KB.failures[n].name) in html for n in (*found.causes[0].failures, *found.causes[0].alike))
    assert html.count("<figcaption>") == 3


def test_an_alternator_that_gives_nothing_condemns_no_dial(found_in):
    found = found_in("alternator")
    assert "alternator_failed" in {*found.causes[0].failures, *found.causes[0].alike}
    assert verdict(found).startswith("Most likely")
    assert condemned(found) == set()


def test_what_no_failure_in_the_list_explains_is_not_believed_all_the_same(found_in):
    found = found_in("horizon stuck")
    assert condemned(found) == {"attitude"}
    # it stands at zero from the last seconds of one turn on, and is asked to move again in the next
    assert AT <= found.doubted[0].since <= TURN + 60.0
    if not found.causes[0].failures:
        assert "no failure in the list explains it" in verdict(found)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_of_a_sound_flight_nothing_is_said(found_in, seed):
    found = found_in("", seed)
    assert verdict(found) == "Nothing in this recording speaks for a failure."
    assert (found.doubted, found.remarks, found.unsettled) == ((), (), ())


@pytest.mark.parametrize("fault", ["heading drifts", "heading stuck", "static closed", "altimeter stuck"])
@pytest.mark.parametrize("seed", [2, 3])
def test_no_second_failure_without_a_witness_of_its_own(found_in, fault, seed):
    found = found_in(fault, seed)
    assert len(found.causes[0].failures) == 1
    assert found.causes[0].failures[0] in LIES[fault][1]
    assert condemned(found) <= LIES[fault][0]


def test_what_explains_all_as_well_is_named_with_it(found_in):
    """A dead turn coordinator shows the same for want of power and for a gyro that stands."""
    found = found_in("turn dead")
    first = found.causes[0]
    assert {"turn_dead", "turn_supply_open"} <= {*first.failures, *first.alike}
    assert first.together >= KB.limits.decided
    text = " ".join(review_text(found).split())
    assert KB.failures["turn_dead"].name in text
    assert KB.failures["turn_supply_open"].name in text


def test_a_compass_that_is_not_recorded_is_never_blamed(found_in):
    for fault in ("heading drifts", "heading stuck"):
        named = {name for cause in found_in(fault).causes for name in (*cause.failures, *cause.alike)}
        assert not {name for name in named if name.startswith("compass")}


# ------------------------------------------------------------------ two sources of the turn, and no third

TWO_SOURCES = ("hdg", *GPS)


@pytest.mark.parametrize(
    ("fault", "lying"),
    [("turn dead", {"turn_coordinator"}), ("horizon", {"attitude"}), ("vacuum", {"attitude"}), ("", set())],
)
def test_of_two_that_contradict_each_other_the_one_is_believed_with_fewer_failures(found_in, fault, lying):
    found = found_in(fault, 1, TWO_SOURCES)
    assert condemned(found) == lying
    assert len(found.causes[0].failures) <= 1


def test_what_nothing_settles_is_said_and_no_dial_is_condemned(engine, tmp_path):
    """A bank that goes over and back once while the turn coordinator shows nothing: one of the two is wrong."""
    header, rows = rows_of("", 1, (*TWO_SOURCES, "suction", "pitch"))
    place = header.index("Roll (deg)")
    swung = [list(row) for row in rows]
    for second in range(AT, AT + 180):
        swing = 20.0 * math.sin((second - AT) / 180.0 * math.pi)
        swung[second][place] = f"{float(rows[second][place]) + swing:.2f}"
    found = reviewed(engine, tmp_path / "swing.csv", header, swung)
    assert found.unsettled == ("attitude", "turn_coordinator")
    assert condemned(found) == set()
    assert "cannot tell which of them is wrong" in verdict(found)


# ------------------------------------------------------------------ holes


def with_holes(header, rows, rng):
    """Empty cells at random: gaps, columns that stop, that begin late, that are sparse or never there; lost rows."""
    rows = [list(row) for row in rows]
    count, touched = len(rows), set()
    for place in range(1, len(header)):
        kind = rng.choice(["", "", "", "gap", "stops", "late", "sparse", "never", "rare"])
        if not kind:
            continue
        touched.add(header[place])
        first = int(rng.integers(0, count - 100))
        last = first + int(rng.integers(30, 600))
        for second, row in enumerate(rows):
            if (
                (kind == "gap" and first <= second < last)
                or (kind == "stops" and second > first)
                or (kind == "late" and second < first)
                or (kind == "sparse" and rng.random() < 0.5)
                or (kind == "rare" and rng.random() < 0.97)
                or kind == "never"
            ):
                row[place] = ""
    if rng.random() < 0.5:
        first = int(rng.integers(0, count - 100))
        del rows[first : first + 30]
    return rows, touched


@pytest.mark.parametrize("seed", range(6))
def test_holes_anywhere_make_no_failure_and_end_nothing(engine, tmp_path, seed):
    rng = np.random.default_rng(seed)
    header, rows = rows_of("", 1)
    rows, _ = with_holes(header, rows, rng)
    found = reviewed(engine, tmp_path / "holes.csv", header, rows)
    assert not found.found
    assert condemned(found) == set()


@pytest.mark.parametrize(
    "column", ["IAS (kt)", "Roll (deg)", "HDG (deg)", "Turn rate (deg/s)", "Track (deg)"]
)
def test_a_hole_of_30_s_in_one_column_changes_no_other(tmp_path, column):
    header, rows = rows_of("", 1)
    place = header.index(column)
    hole = [[*row[:place], "", *row[place + 1 :]] if 1000 <= n < 1030 else row for n, row in enumerate(rows)]
    read_as = []
    for lines in (rows, hole):
        path = tmp_path / "one.csv"
        path.write_text("\n".join(",".join(cells) for cells in [header, *lines]) + "\n")
        layout = layout_of(path, KB)
        read_as.append((read(layout, guess(layout, KB).mapping, KB), guess(layout, KB).mapping))
    (whole, mapping), (other, _) = read_as
    own = next(name for name, mapped in mapping.columns.items() if mapped.column == column)
    for name, values in whole.channels.items():
        same = np.isclose(values, other.channels[name], equal_nan=True)
        # the value before is kept for a few seconds, then it is missing, and from the end of the hole on it is there
        assert same[:1000].all()
        assert same[1030:].all()
        assert same.all() or name == own
    assert np.isnan(other.channels[own][1000 + math.ceil(KB.recording.gap_s) : 1030]).all()
    assert io.StringIO(str(other.faults)).getvalue().count("out of range") == 0
