"""Pictures agree with the numbers: a dial is read back from its drawing as an eye would read it."""

from __future__ import annotations

import itertools
import math
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.model.gauges import needed
from diagnose.render.pictures.charts import Line, chart
from diagnose.render.pictures.faces import dial_svg, movements, transform
from diagnose.render.pictures.panel import covered_svg, lone_svg, panel_svg, shown_dials
from diagnose.render.pictures.terminal import panel_text
from tests.small import shipped

SVG = "{http://www.w3.org/2000/svg}"


def dial(gauge):
    return shown_dials(shipped().dials, (gauge,))[0]


def drawn(gauge, **state):
    return ET.fromstring(dial_svg(dial(gauge), state))


def part(root, name):
    return next(e for e in root.iter() if e.get("data-part") == name)


def rotation(element):
    return float(re.search(r"rotate\((-?[\d.]+)\)", element.get("transform")).group(1))


def angle_of(x, y):
    return math.degrees(math.atan2(x, -y)) % 360.0


def printed_scale(root):
    """(angle, printed number) of every label of a dial, from where the numbers stand in the drawing."""
    found = []
    for text in root.iter("text"):
        if text.get("class") == "label":
            # the letters stand a little below the point that they are centered on
            y = float(text.get("y")) - 0.36 * float(text.get("font-size"))
            found.append((angle_of(float(text.get("x")), y), float(text.text)))
    return sorted(found)


def read_dial(root, pointer_deg):
    """The number that a pointer shows, between the two printed numbers that it stands between."""
    scale = printed_scale(root)
    turned = [(angle + 360.0, value) for angle, value in scale]
    around = [(angle - 360.0, value) for angle, value in scale] + scale + turned
    for (low, first), (high, second) in itertools.pairwise(around):
        if low <= pointer_deg % 360.0 <= high:
            return first + (second - first) * (pointer_deg % 360.0 - low) / (high - low)
    raise AssertionError(pointer_deg)


# where the printed scale reaches; one percent of it is finer than an eye reads
@pytest.mark.parametrize(
    ("gauge", "reads", "low", "high", "printed_in"),
    [
        ("airspeed", "airspeed_kt", 40.0, 200.0, 1.0),
        ("second_airspeed", "second_airspeed_kt", 40.0, 200.0, 1.0),
        ("suction", "suction_inhg", 0.0, 8.0, 1.0),
        ("ammeter", "ammeter_a", -60.0, 60.0, 1.0),
        ("voltmeter", "voltmeter_v", 8.0, 16.0, 1.0),
        ("engine", "engine_rpm", 0.0, 3000.0, 100.0),
    ],
)
@given(share=st.floats(0.0, 1.0))
def test_a_pointer_stands_at_its_number_on_the_printed_scale(gauge, reads, low, high, printed_in, share):
    value = low + share * (high - low)
    root = drawn(gauge, **{reads: value})
    shown = read_dial(root, rotation(part(root, f"{gauge}-hand0"))) * printed_in
    assert shown == pytest.approx(value, abs=0.01 * (high - low))


@given(rate_fpm=st.floats(-2000.0, 2000.0))
def test_vertical_speed_reads_up_above_the_middle_and_its_size_on_the_scale(rate_fpm):
    root = drawn("vertical_speed", vertical_speed_fpm=rate_fpm)
    pointer = rotation(part(root, "vertical_speed-hand0"))
    assert read_dial(root, pointer) * 100.0 == pytest.approx(abs(rate_fpm), abs=25.0)
    if abs(rate_fpm) > 50.0:
        # zero stands on the left: climbs in the upper half, descents in the lower
        assert (math.cos(math.radians(pointer)) > 0.0) == (rate_fpm > 0.0)


@given(altitude_ft=st.floats(0.0, 20000.0))
def test_three_hands_of_the_altimeter_give_the_height(altitude_ft):
    root = drawn("altimeter", altitude_ft=altitude_ft)
    tens, thousands, hundreds = (rotation(part(root, f"altimeter-hand{i}")) % 360.0 for i in range(3))
    # an eye reads the hundreds off the long hand, and how many thousands off the short one
    rest = hundreds / 360.0 * 1000.0
    full = round((thousands / 360.0 * 10000.0 - rest) / 1000.0) * 1000.0
    ten = round((tens / 360.0 * 100000.0 - full - rest) / 10000.0) * 10000.0
    assert ten + full + rest == pytest.approx(altitude_ft, abs=2.0)
    printed = [value for _, value in printed_scale(root)]
    assert printed == list(range(10))


@given(heading_deg=st.floats(0.0, 359.9))
def test_the_heading_stands_under_the_mark_at_the_top(heading_deg):
    card = part(drawn("heading", heading_deg=heading_deg), "heading-hand0")
    at_top = {}
    for group in card.iter("g"):
        text = group.find("text")
        if text is not None:
            angle = (rotation(group) + rotation(card) + 180.0) % 360.0 - 180.0
            at_top[abs(angle)] = (text.text, angle)
    label, angle = at_top[min(at_top)]
    number = {"N": 0, "E": 90, "S": 180, "W": 270}.get(label) if label in "NESW" else int(label) * 10
    assert (number - angle - heading_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.02)


@given(heading_deg=st.floats(0.0, 359.9))
def test_the_compass_strip_slides_its_heading_to_the_line(heading_deg):
    strip = part(drawn("compass", compass_deg=heading_deg), "compass-part")
    slid = float(re.search(r"translate\((-?[\d.]+)", strip.get("transform")).group(1))
    labels = [(float(t.get("x")) + slid, t.text) for t in strip.iter("text")]
    x, label = min(labels, key=lambda item: abs(item[0]))
    number = {"N": 0, "E": 90, "S": 180, "W": 270}.get(label) if label in "NESW" else int(label) * 10
    # 2 units a degree, larger headings on the left
    assert (number + x / 2.0 - heading_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.02)


@given(bank=st.floats(-80.0, 80.0), pitch=st.floats(-20.0, 20.0))
def test_the_horizon_turns_against_the_bank_and_sinks_with_the_nose_up(bank, pitch):
    horizon = part(drawn("attitude", bank_deg=bank, pitch_deg=pitch), "attitude-part")
    assert rotation(horizon) == pytest.approx(-bank, abs=0.01)
    down = float(re.search(r"translate\(0 (-?[\d.]+)", horizon.get("transform")).group(1))
    lines = [
        (float(t.text), float(t.get("y")) - 0.36 * float(t.get("font-size"))) for t in horizon.iter("text")
    ]
    # the number at the line that lies on the middle of the dial is the pitch
    per_deg = max(y for _, y in lines) / max(number for number, _ in lines)
    assert down / per_deg == pytest.approx(pitch, abs=0.01)


@given(rate=st.floats(-3.0, 3.0))
def test_the_wings_reach_the_mark_at_a_standard_rate_turn(rate):
    root = drawn("turn_coordinator", turn_rate_dps=rate, turn_flag=0)
    tilt = rotation(part(root, "turn_coordinator-hand0"))
    marks = [
        angle_of((float(m.get("x1")) + float(m.get("x2"))) / 2, (float(m.get("y1")) + float(m.get("y2"))) / 2)
        for m in root.findall("line")
    ]
    # right wing at 90 degrees: its marks are level and right turn, a right turn tilts it down
    right = sorted(angle for angle in marks if angle < 180.0)
    assert (tilt / (right[1] - right[0])) * 3.0 == pytest.approx(rate, abs=0.01)


def test_flags_and_lamps_show_only_when_they_are_on():
    for state, visibility in (({"turn_flag": 1}, "visible"), ({"turn_flag": 0}, "hidden"), ({}, "hidden")):
        flag = part(drawn("turn_coordinator", turn_rate_dps=0.0, **state), "turn_coordinator-flag")
        assert flag.get("visibility") == visibility
    for lit, visibility in ((1, "visible"), (0, "hidden")):
        assert (
            part(drawn("vacuum_light", vacuum_light=lit), "vacuum_light-part").get("visibility") == visibility
        )


def test_the_ball_rolls_to_the_side_that_it_is_said_to_be_on():
    slid = part(drawn("ball", ball=1.0), "ball-part").get("transform")
    assert float(re.search(r"translate\((-?[\d.]+)", slid).group(1)) > 10.0


def test_what_is_not_known_is_blank_and_not_zero():
    root = drawn("airspeed")
    assert part(root, "airspeed-hand0").get("visibility") == "hidden"
    assert part(drawn("gps_height", gps_height_ft=math.nan), "gps_height-part").text == "----"


@pytest.mark.parametrize("panel", sorted(shipped().panels))
def test_every_panel_is_drawn_whole_and_a_covered_dial_tells_nothing(panel):
    kb = shipped()
    gauges = kb.panel(panel).gauges
    dials = shown_dials(kb.dials, gauges)
    state = {name: 1.0 for one in dials for name in needed(one)}
    root = ET.fromstring(panel_svg(state, kb.dials, gauges))
    assert {e.get("data-gauge") for e in root.iter() if e.get("data-gauge")} == {d.id for d in dials}
    covered = ET.fromstring(panel_svg(state, kb.dials, gauges, covered=[d.id for d in dials]))
    assert not [e for e in covered.iter() if e.get("data-part")]
    text = panel_text(state, kb.dials, gauges)
    assert max(map(len, text.splitlines())) <= 78
    assert all(d.title.lower() in text for d in dials)


def test_a_picture_is_the_same_whatever_wrote_its_movements():
    """The page that plays sets the very attributes that the drawing holds."""
    state = {"airspeed_kt": 97.3}
    root = drawn("airspeed", **state)
    for movement in movements(dial("airspeed"), state):
        found = part(root, movement.part)
        for name, value in transform(movement).items():
            assert found.get(name) == value


def test_terminal_horizon_is_lower_on_the_right_in_a_right_bank():
    kb = shipped()
    text = panel_text({"bank_deg": 30.0, "pitch_deg": 0.0}, kb.dials, ("attitude",))
    rows = [line for line in text.splitlines() if "#" in line]
    assert any(re.search(r"\..*#", row) for row in rows)
    assert not any(re.search(r"#.*\.", row) for row in rows)


def test_cover_says_so():
    assert "covered" in covered_svg(dial("attitude"))


@pytest.mark.parametrize("value", [-0.4, -0.04, -0.004])
def test_nothing_reads_minus_nought(value):
    kb = shipped()
    gauges = kb.panels["single_pump"].gauges
    state = {name: value for dial in shown_dials(kb.dials, gauges) for name in needed(dial)}
    assert not re.search(r"-0(\.0+)?(?![\d.])", panel_text(state, kb.dials, gauges))


@pytest.mark.parametrize("pitch", [-90.0, -45.0, 45.0, 90.0])
def test_a_sliver_of_sky_and_of_ground_stays_in_view(pitch):
    (dial,) = shown_dials(shipped().dials, ("attitude",))
    (part,) = (m for m in movements(dial, {"bank_deg": 0.0, "pitch_deg": pitch}) if m.how == "horizon")
    # the window of the dial has a radius of 80
    assert 0.0 < 80.0 - abs(part.values[1]) < 20.0
    assert (part.values[1] > 0.0) == (pitch > 0.0)


@pytest.mark.parametrize(
    ("altitude_ft", "row", "column"), [(0.0, 0, 10), (250.0, 2, 14), (500.0, 4, 10), (750.0, 2, 6)]
)
def test_the_terminals_round_dial_points_as_the_real_one(altitude_ft, row, column):
    text = panel_text(
        {"altitude_ft": altitude_ft, "altimeter_setting_inhg": 29.92}, shipped().dials, ("altimeter",)
    )
    box = [line[line.index("|") + 2 : line.rindex("|") - 1] for line in text.splitlines() if "|" in line]
    face = box[1:6]
    assert len(face) == 5
    assert face[2][10] == "o"
    assert face[row][column] == "*"


def test_no_caption_lies_under_a_hand():
    """Hands reach the rim at most; captions stand below it."""
    for gauge in ("airspeed", "altimeter", "vertical_speed", "suction", "heading", "attitude"):
        (dial,) = shown_dials(shipped().dials, (gauge,))
        text = next(
            e
            for e in ET.fromstring(lone_svg({}, shipped().dials, gauge)).iter()
            if (e.text or "").startswith(dial.title) and e.get("y")
        )
        assert float(text.get("y")) - float(text.get("font-size")) > 98.0


def test_lines_of_a_chart_are_told_apart_by_their_points_and_dashes_and_the_key_shows_both():
    lines = [Line(f"class {k}", [(0.0, k / 8.0), (1.0, k / 7.0)], stepped=False) for k in range(7)]
    root = ET.fromstring(chart(lines, (0.0, 1.0), [(0.0, "first"), (0.02, "second"), (1.0, "last")], "a chart"))
    points = [e.get("d") for e in root.iter(f"{SVG}path") if e.get("transform")]
    assert len(set(points)) == 7
    assert all(points.count(shape) == 3 for shape in points)
    dashes = [e.get("stroke-dasharray", "") for e in root.iter(f"{SVG}path") if not e.get("transform")]
    assert len(set(dashes)) == 7
    texts = [e.text for e in root.iter(f"{SVG}text")]
    assert {line.name for line in lines} <= set(texts)
    # a number that would lie on the one before it is left out
    assert "first" in texts
    assert "second" not in texts
    assert "last" in texts
