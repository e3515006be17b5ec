"""Recorded files as people have them: any writing, any fault told with its row and column, never a traceback."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose import load_knowledge
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.review.clock import in_order, seconds_of
from diagnose.review.mapping import guess
from diagnose.review.recording import read
from diagnose.review.table import MappedColumn, MapRecord, dump_map, layout_of, load_map, plain
from tests.examples import some

KB = load_knowledge()
HEADER = ("Time", "IAS (kt)", "Altitude (ft)", "VSpd (fpm)", "HDG (deg)")


def rows(count=200):
    """Climbing at 300 fpm and 90 kt on a steady heading."""
    return [
        [f"{t}", f"{90 + t % 3}", f"{3000 + 5 * t}", "300", f"{(350 + t // 10) % 360}"] for t in range(count)
    ]


def text_of(lines, header=HEADER, separator=","):
    return "\n".join(separator.join(line) for line in [header, *lines]) + "\n"


def recorded(tmp_path, text, encoding="utf-8", mapping=None):
    path = tmp_path / "flight.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    layout = layout_of(path, KB)
    return read(layout, mapping or guess(layout, KB).mapping, KB)


def refusal(tmp_path, text):
    """How a file is refused, in words; "" if it is read. Any other exception is a fault of ours."""
    try:
        recorded(tmp_path, text)
    except DiagnoseError as error:
        return str(error)
    return ""


# ------------------------------------------------------------------ how a file is written


def decimal_commas(lines):
    return [[f"{float(cell):.2f}".replace(".", ",") for cell in line] for line in lines]


@pytest.mark.parametrize(
    ("text", "encoding"),
    [
        (text_of(rows()), "utf-8"),
        (text_of(rows()), "utf-8-sig"),
        (text_of(rows()), "utf-16"),
        (text_of(rows()), "cp1252"),
        (text_of(rows(), (*HEADER[:4], "HDG (°)")), "cp1252"),
        (text_of(rows(), separator=";"), "utf-8"),
        (text_of(rows(), separator="\t"), "utf-8"),
        (text_of(decimal_commas(rows()), separator=";"), "utf-8"),
        (text_of(rows()).replace("\n", "\r\n"), "utf-8"),
        ("#a recorder of ours,,,,\n\n" + text_of(rows()), "utf-8"),
        (text_of([["s", "kt", "ft", "fpm", "deg"], *rows()], ("Time", "IAS", "Alt", "VSI", "Heading")), "utf-8"),
    ],
)  # fmt: skip
def test_every_writing_gives_the_same_channels(tmp_path, text, encoding):
    found = recorded(tmp_path, text, encoding)
    assert set(found.channels) == {"airspeed_kt", "altimeter_ft", "vertical_speed_fpm", "heading_deg"}
    assert found.seconds == 200
    assert found.channels["altimeter_ft"][100] == pytest.approx(3500.0)
    # the course goes on through north
    assert found.channels["heading_deg"][[0, 199]].tolist() == pytest.approx([350.0, 9.0])
    assert found.faults == ()


@pytest.mark.parametrize(
    ("cells", "seconds"),
    [
        (["12.5"], 12.5),
        (["12,5"], 12.5),
        (["01:02:03"], 3723.0),
        (["1:02:03.5"], 3723.5),
        (["2:30"], 9000.0),
        (["02:30:00 PM"], 52200.0),
        (["1970-01-02", "00:00:10"], 86410.0),
        (["1970-01-02T00:00:10Z"], 86410.0),
        (["31/01/1970 00:00:01"], 30 * 86400.0 + 1.0),
        (["1700000000000"], 1700000000.0),
    ],
)
def test_times_in_any_usual_writing(cells, seconds):
    assert seconds_of(cells) == seconds


@pytest.mark.parametrize("cell", ["", "noon", "25h", "99:99:99", "--"])
def test_what_is_no_time_is_none(cell):
    assert np.isnan(seconds_of([cell]))


def test_four_rows_a_second_are_averaged(tmp_path):
    lines = [[f"{t / 4}", f"{100 + t % 4}", "3000", "0", "90"] for t in range(400)]
    found = recorded(tmp_path, text_of(lines))
    assert (found.seconds, found.period_s) == (100, 0.25)
    assert np.all(found.channels["airspeed_kt"] == 101.5)


def test_units_are_brought_to_our_own(tmp_path):
    lines = [[f"{t}", "50", "1000", "2", "1.5"] for t in range(60)]
    header = ("Time (s)", "IAS (m/s)", "Altitude [m]", "VS (m/s)", "Heading (rad)")
    found = recorded(tmp_path, text_of(lines, header))
    # NIST SP 811: 1 ft = 0.3048 m, 1 kt = 1852 m per hour
    assert found.channels["altimeter_ft"][5] == pytest.approx(1000.0 / 0.3048, rel=1e-6)
    assert found.channels["airspeed_kt"][5] == pytest.approx(50.0 * 3600.0 / 1852.0, rel=1e-6)
    assert found.channels["vertical_speed_fpm"][5] == pytest.approx(2.0 * 60.0 / 0.3048, rel=1e-6)
    assert found.channels["heading_deg"][5] == pytest.approx(np.degrees(1.5), rel=1e-6)


def test_every_unit_is_the_exact_conversion():
    """Factors of ``recorded.toml`` against NIST SP 811, appendix B.8."""
    exact = {"mph": 1609.344 / 1852.0, "km/h": 1000.0 / 1852.0, "m": 1.0 / 0.3048, "rad": 180.0 / np.pi}
    for channel in KB.recorded.values():
        for unit, (factor, _) in channel.units.items():
            if unit in exact:
                assert factor == pytest.approx(exact[unit], rel=2e-6), (channel.id, unit)


# ------------------------------------------------------------------ the clock


def test_rows_out_of_order_are_put_in_their_place():
    times = np.arange(50.0)
    times[[20, 21]] = times[[21, 20]]
    clock = in_order(times, 3600.0)
    assert [row for row, _ in clock.order] == [21]
    assert clock.jumps == ()
    assert sorted(clock.time_s.tolist()) == np.arange(50.0).tolist()


@pytest.mark.parametrize("step", [-20.0, 7200.0])
def test_a_jump_of_the_clock_is_taken_out(step):
    times = np.arange(100.0)
    times[60:] += step
    clock = in_order(times, 3600.0)
    assert [row for row, _ in clock.jumps] == [60]
    assert clock.time_s.tolist() == pytest.approx(np.arange(100.0).tolist())


def test_midnight_is_no_jump():
    times = (86390.0 + np.arange(30.0)) % 86400.0
    clock = in_order(times, 3600.0)
    assert (clock.order, clock.jumps) == ((), ())
    assert clock.time_s.tolist() == np.arange(30.0).tolist()


# ------------------------------------------------------------------ faults, each with its row and column


def one_fault(found, kind):
    faults = [fault for fault in found.faults if fault.kind == kind]
    assert len(faults) == 1, found.faults
    return faults[0]


def test_text_among_numbers_is_told_with_row_and_column(tmp_path):
    lines = rows()
    lines[49][1] = "abc"
    fault = one_fault(recorded(tmp_path, text_of(lines)), "text")
    assert (fault.row, fault.column) == (51, "IAS (kt)")
    assert str(fault) == "row 51, column IAS (kt): 'abc' is no number; left out"


def test_missing_values_are_no_fault_and_are_bridged_for_seconds_only(tmp_path):
    lines = rows()
    for place in (*range(50, 55), *range(100, 130)):
        lines[place][1] = ""
    found = recorded(tmp_path, text_of(lines))
    speed = found.channels["airspeed_kt"]
    assert np.isfinite(speed[50:55]).all()
    assert np.isnan(speed[112:129]).all()


def test_values_out_of_range_are_left_out(tmp_path):
    lines = rows()
    lines[10][2] = "99999"
    found = recorded(tmp_path, text_of(lines))
    fault = one_fault(found, "range")
    assert (fault.row, fault.column) == (12, "Altitude (ft)")
    assert found.channels["altimeter_ft"][10] == 3045.0


def test_gaps_order_jumps_and_short_rows_are_told(tmp_path):
    lines = rows()
    del lines[100:140]
    fault = one_fault(recorded(tmp_path, text_of(lines)), "gap")
    assert (fault.row, fault.says) == (102, "nothing for 41 s")
    lines = rows()
    lines[30], lines[31] = lines[31], lines[30]
    assert one_fault(recorded(tmp_path, text_of(lines)), "order").row == 33
    lines = rows()
    for line in lines[100:]:
        line[0] = str(int(line[0]) + 20_000)
    assert one_fault(recorded(tmp_path, text_of(lines)), "jump").row == 102
    lines = rows()
    lines[5] = lines[5][:3]
    fault = one_fault(recorded(tmp_path, text_of(lines)), "cells")
    assert (fault.row, fault.says) == (7, "3 cells, fewer than the 5 columns")
    lines = rows()
    lines[5][0] = "?"
    assert one_fault(recorded(tmp_path, text_of(lines)), "time").row == 7


def test_mixed_rates_and_a_channel_that_never_moves_are_told(tmp_path):
    lines = rows(900)
    for place, line in enumerate(lines):
        if place % 5:
            line[1] = ""
        line[3] = "0"
    kinds = {(f.kind, f.column) for f in recorded(tmp_path, text_of(lines)).faults}
    assert ("rate", "IAS (kt)") in kinds
    assert ("constant", "VSpd (fpm)") in kinds


def test_a_wrong_unit_is_named(tmp_path):
    lines = rows(400)
    for place, line in enumerate(lines):
        line[2] = f"{(3000 + 5 * place) * 0.3048:.2f}"
    fault = one_fault(recorded(tmp_path, text_of(lines)), "unit")
    assert 'unit = "m"' in fault.says


def test_faults_of_one_kind_are_counted_beyond_the_first(tmp_path):
    lines = rows()
    for line in lines[:50]:
        line[1] = "abc"
    found = [f for f in recorded(tmp_path, text_of(lines)).faults if f.kind == "text"]
    assert len(found) == KB.recording.most_listed + 1
    assert found[-1].says == "38 more of this kind: text"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "the file is empty"),
        ("\n\n", "the file is empty"),
        ("1,2,3\n4,5,6\n", "no row names the columns"),
        ("a,b,c\n1,2,3\n", "no column tells the time"),
        ("Time,foo\n1,2\n2,3\n", "no column is a channel that is known"),
        ("Time,IAS\n1,90\n", "there are fewer than two rows with a time"),
        ("Time,IAS\n0,90\n900000,91\n1800000,92\n", "the times span 500 h"),
    ],
)
def test_what_cannot_be_read_is_said(tmp_path, text, says):
    assert says in refusal(tmp_path, text)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(CaseError, match="cannot be read"):
        layout_of(tmp_path / "none.csv", KB)
    with pytest.raises(CaseError, match="cannot be read"):
        layout_of(tmp_path, KB)


# ------------------------------------------------------------------ mapping


def test_names_are_read_in_any_usual_form():
    assert plain("AltGPS(ft)") == ("alt gps", "ft")
    assert plain("gpsTrack_deg") == ("gps track deg", "")


def test_the_guess_survives_its_own_file(tmp_path):
    path = tmp_path / "flight.csv"
    path.write_text(text_of(rows()))
    guessed = guess(layout_of(path, KB), KB)
    kept = tmp_path / "map.toml"
    kept.write_text(dump_map(guessed.mapping, guessed.notes))
    assert load_map(kept, KB).columns == guessed.mapping.columns


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[columns]\nairspeed = { column = 'x' }\n", "there is no channel 'airspeed', nearest: airspeed_kt"),
        ("[columns]\nairspeed_kt = { column = 'x', unit = 'furlong' }\n", "is not given in 'furlong'"),
        ("speed = 1\n", "the mapping does not fit"),
        ("[columns\n", "is not valid TOML"),
    ],
)
def test_a_wrong_mapping_is_explained(tmp_path, text, says):
    path = tmp_path / "map.toml"
    path.write_text(text)
    with pytest.raises(CaseError, match=says):
        load_map(path, KB)


def test_a_mapped_column_that_is_not_there(tmp_path):
    mapping = MapRecord(time=("Time",), columns={"airspeed_kt": MappedColumn(column="IAS (kts)")})
    with pytest.raises(CaseError, match=r"no column 'IAS \(kts\)', nearest: IAS \(kt\)"):
        recorded(tmp_path, text_of(rows()), mapping=mapping)


def test_a_file_without_times_can_have_a_period(tmp_path):
    lines = [line[1:] for line in rows()]
    mapping = MapRecord(period_s=0.5, columns={"airspeed_kt": MappedColumn(column="IAS (kt)")})
    assert recorded(tmp_path, text_of(lines, HEADER[1:]), mapping=mapping).seconds == 100


# ------------------------------------------------------------------ fuzz

CELLS = st.one_of(
    st.floats(allow_nan=True).map(str),
    st.integers().map(str),
    st.sampled_from(["", "nan", "inf", "1,5", "on", "12:00:00", '"', ";", "\x00", "é", "-", "1e999", "0x1f"]),
    st.text(max_size=8),
)


@some(150)
@given(
    lines=st.lists(st.lists(CELLS, min_size=0, max_size=7), max_size=25),
    header=st.booleans(),
    separator=st.sampled_from([",", ";", "\t"]),
    encoding=st.sampled_from(["utf-8", "utf-16", "cp1252", "utf-8-sig"]),
)
def test_no_table_of_anything_ends_in_a_traceback(tmp_path_factory, lines, header, separator, encoding):
    body = "\n".join(separator.join(line) for line in lines)
    text = (separator.join(HEADER) + "\n" if header else "") + body
    refusal(tmp_path_factory.mktemp("fuzz"), text.encode(encoding, errors="replace"))


@some(100)
@given(seed=st.integers(0, 2**32), cuts=st.integers(1, 12))
def test_no_damaged_recording_ends_in_a_traceback(tmp_path_factory, seed, cuts):
    draw = random.Random(seed)
    data = bytearray(text_of(rows(60)).encode())
    for _ in range(cuts):
        place = draw.randrange(len(data))
        match draw.randrange(4):
            case 0:
                data[place] = draw.randrange(256)
            case 1:
                del data[place : place + draw.randrange(40)]
            case 2:
                data[place:place] = draw.randbytes(draw.randrange(10))
            case _:
                data[place:place] = draw.choice([b"\n", b'"', b",", b";", b"\xef\xbb\xbf", b"NaN", b"\r"])
    refusal(tmp_path_factory.mktemp("fuzz"), bytes(data))


def test_random_bytes_are_refused_in_words(tmp_path):
    for seed in range(40):
        data = random.Random(seed).randbytes(2000)
        assert refusal(tmp_path, data)


# ------------------------------------------------------------------ positions, and channels that end


def test_speed_and_track_come_from_positions_when_nothing_else_tells_them(tmp_path):
    """A minute of latitude is a nautical mile (to 0.5 %): a 60th of that in a second northward is 60 kt."""
    lines = [[f"{t}", "100", "3000", f"{48.0 + t / 3600.0:.6f}", "11.0"] for t in range(120)]
    header = ("Time", "IAS (kt)", "Altitude (ft)", "Latitude", "Longitude")
    recording = recorded(tmp_path, text_of(lines, header))
    assert recording.channels["gps_speed_kt"][60] == pytest.approx(60.0, rel=0.005)
    assert recording.channels["gps_track_deg"][60] == pytest.approx(0.0, abs=0.1)


def test_a_channel_that_ends_before_the_others_is_told_of_with_its_row(tmp_path):
    lines = rows(300)
    for line in lines[100:]:
        line[4] = ""
    lost = [f for f in recorded(tmp_path, text_of(lines)).faults if f.kind == "lost"]
    # the header is row 1, so that the hundredth line of values is row 101
    assert [(f.column, f.row) for f in lost] == [("HDG (deg)", 101)]


@some(60)
@given(
    row=st.integers(0, 199),
    column=st.integers(1, 4),
    damage=st.sampled_from(["text", "huge", "comma", "lost", "time"]),
    writing=st.sampled_from([("utf-8", ","), ("utf-8-sig", ";"), ("utf-16", "\t"), ("cp1252", ";")]),
)
def test_one_fault_anywhere_is_told_with_its_row_and_column(tmp_path_factory, row, column, damage, writing):
    """Whatever the encoding and separator: the row as an editor counts it, header first, and the column's name."""
    encoding, separator = writing
    lines = rows()
    expected = HEADER[column]
    match damage:
        case "text":
            lines[row][column], kind = "köttbullar", "text"
        case "huge":
            lines[row][column], kind = "9e5", "range"
        case "comma":  # a decimal comma where the file has points and no other comma among numbers
            lines[row][column], kind = "1 200,5 ft", "text"
            if separator == ",":
                lines[row][column] = "1.200.5"
        case "lost":
            lines[row], kind, expected = lines[row][:3], "cells", ""
        case _:
            lines[row][0], kind, expected = "later", "time", HEADER[0]
    path = tmp_path_factory.mktemp("one")
    recording = recorded(path, text_of(lines, separator=separator), encoding)
    assert (kind, row + 2, expected) in {(f.kind, f.row, f.column) for f in recording.faults}


def test_swapped_columns_are_told_by_what_they_cannot_hold(tmp_path):
    lines = [[t, altitude, speed, *rest] for t, speed, altitude, *rest in rows()]
    mapping = MapRecord(
        time=("Time",),
        columns={
            "airspeed_kt": MappedColumn(column="IAS (kt)"),
            "altimeter_ft": MappedColumn(column="Altitude (ft)"),
        },
    )
    faults = recorded(tmp_path, text_of(lines), mapping=mapping).faults
    assert ("range", 2, "IAS (kt)") in {(f.kind, f.row, f.column) for f in faults}


# ------------------------------------------------------------------ no row vanishes unsaid


@pytest.mark.parametrize("place", ["start", "middle", "end"])
@pytest.mark.parametrize("row", [0, 1, 57, 199])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_quote_that_is_not_closed_swallows_no_row(tmp_path, row, place, separator):
    sound = recorded(tmp_path, text_of(rows(), separator=separator))
    cells = rows()
    cell = {"start": '"' + cells[row][1], "middle": f'9"{cells[row][1]}', "end": cells[row][1] + '"'}[place]
    cells[row][1] = cell
    for text in (
        text_of(cells, separator=separator),
        text_of(cells, separator=separator).replace("\n", "\r\n"),
    ):
        found = recorded(tmp_path, text)
        assert (found.rows, found.seconds) == (sound.rows, sound.seconds)
        for name, values in sound.channels.items():
            other = found.channels[name]
            assert np.nanmax(np.abs(np.delete(values - other, row))) == 0.0, name
        if place == "start":
            assert [f.row for f in found.faults if f.kind == "line"] == [row + 2]


@some(200)
@given(data=st.data())
def test_whatever_stands_in_a_line_every_other_row_is_read_or_told(tmp_path_factory, data):
    """Damage some lines at random behind their time: every other row comes out as it stands."""
    folder = tmp_path_factory.mktemp("damaged")
    lines = [",".join(row) for row in rows(60)]
    hurt = data.draw(st.lists(st.integers(40, 59), min_size=1, max_size=6, unique=True))
    for place in hurt:
        at = data.draw(st.integers(lines[place].index(",") + 1, len(lines[place])))
        lines[place] = lines[place][:at] + data.draw(st.text('",\0;x1\x1b', max_size=4)) + lines[place][at:]
    found = recorded(folder, "\n".join([",".join(HEADER), *lines]) + "\n")
    assert found.rows == 60
    assert found.lost <= len(hurt)
    sound = [place for place in range(60) if place not in hurt]
    assert found.channels["altimeter_ft"][sound].tolist() == [3000.0 + 5.0 * place for place in sound]


def test_a_cell_larger_than_any_is_told_and_the_rest_is_read(tmp_path):
    for size in (131_073, 1_000_000):
        cells = rows()
        cells[50][4] = "9" * size
        found = recorded(tmp_path, text_of(cells))
        assert (found.rows, found.lost) == (199, 1)
        assert [(f.row, "left out" in f.says) for f in found.faults if "line" in f.kind] == [(52, True)]
        cells[0][4] = "x" * size
        assert recorded(tmp_path, text_of(cells)).lost == 2
    assert refusal(tmp_path, text_of([["1", "2", "3", "4", "9" * 200_000]] * 5))


def test_a_header_larger_than_any_is_refused_in_words(tmp_path):
    assert refusal(tmp_path, "a" * 300_000 + "\n1,2\n3,4\n")
    assert refusal(tmp_path, '"' * 300_001)
    assert refusal(tmp_path, "\n" * 50 + "Time,IAS\n1,2\n")


def test_rows_that_were_lost_are_counted(tmp_path):
    cells = rows()
    for place in range(40, 60):
        cells[place][0] = "?"
    assert recorded(tmp_path, text_of(cells)).lost == 20
    cells = rows()
    for place in range(40, 50):
        cells[place] = [cells[place][0]]
    assert recorded(tmp_path, text_of(cells)).lost == 10
    assert recorded(tmp_path, text_of(rows())).lost == 0
    # a row of another rate, whole but for the channels that we read, is none
    sparse = [[row[0], *(cell if n % 4 == 0 else "" for cell in row[1:])] for n, row in enumerate(rows())]
    assert recorded(tmp_path, text_of(sparse)).lost == 0


def test_a_file_without_units_is_written_in_one_system_and_what_no_relation_tells_is_asked(tmp_path):
    """Meters and meters a second bear each other out; speeds beside them may be km/h or knots (185 is either)."""
    seconds = np.arange(900)
    climb = np.where(seconds < 400, 2.5, np.where(seconds < 600, 0.0, -2.0))
    altitude = 900.0 + np.cumsum(climb)
    lines = ["time,baro altitude,V/S,airspeed,ground speed"]
    lines += [f"{s},{a:.1f},{v:.2f},{185 + 3 * np.sin(s / 60):.1f},{190 + 3 * np.sin(s / 60):.1f}" for s, a, v in zip(seconds, altitude, climb, strict=True)]
    path = tmp_path / "metric.csv"
    path.write_text("\n".join(lines))
    found = guess(layout_of(path, KB), KB)
    assert {name: mapped.unit for name, mapped in found.mapping.columns.items()} == {"altimeter_ft": "m", "vertical_speed_fpm": "m/s"}
    assert {column for column, _ in found.questions} == {"airspeed", "ground speed"}
