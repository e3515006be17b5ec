"""Tables of any shape: each is read right or asked about, never wrong in silence, never a traceback.

The flights are made here, by hand: a constant speed, a constant wind and coordinated turns. Nothing of the product's
physics is used. Units: NIST SP 811, appendix B.8 (1 ft = 0.3048 m, 1 kt = 1852 m/h exactly).
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import math
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose import load_knowledge
from diagnose.cli import main
from diagnose.model.errors import DiagnoseError
from diagnose.review.dialogue import columns_text, corrected
from diagnose.review.mapping import guess
from diagnose.review.recording import read
from diagnose.review.table import dump_map, layout_of, load_map
from tests.examples import some

KB = load_knowledge()

START = datetime(2026, 11, 28, 14, 3, 5, tzinfo=UTC)
GRAVITY = 9.80665
M_S_PER_KT = 1852.0 / 3600.0
FT = 0.3048
#: minutes, feet a minute, degrees a second
LEGS = (
    (2, 0, 0),
    (4, 500, 0),
    (3, 0, 0),
    (2, 0, 3),
    (3, 0, 0),
    (2, 300, -3),
    (2, 0, 0),
    (4, -500, 0),
    (3, 0, 0),
)


def flight(hz=1.0):
    """What happened, in the units of the dials: time (s), altitude, speed, ... by row."""
    rate = np.repeat([leg[1] for leg in LEGS], [round(60 * leg[0] * hz) for leg in LEGS]).astype(float)
    turn = np.repeat([leg[2] for leg in LEGS], [round(60 * leg[0] * hz) for leg in LEGS]).astype(float)
    t = np.arange(len(rate)) / hz
    ias = np.where(rate > 0, 85.0, np.where(rate < 0, 105.0, 100.0)) + 1.5 * np.sin(t / 7.0)
    altitude = 3000.0 + np.concatenate([[0.0], np.cumsum(rate[:-1]) / 60.0 / hz])
    heading = (200.0 + np.concatenate([[0.0], np.cumsum(turn[:-1]) / hz])) % 360.0
    bank = np.degrees(np.arctan(ias * M_S_PER_KT * np.radians(turn) / GRAVITY))
    east = ias * np.sin(np.radians(heading)) + 12.0
    north = ias * np.cos(np.radians(heading)) - 5.0
    lat = 48.0 + np.cumsum(north) / 3600.0 / 60.0 / hz
    lon = 11.0 + np.cumsum(east) / 3600.0 / 60.0 / hz / math.cos(math.radians(48.0))
    return {
        "t": t, "ias": ias, "alt": altitude, "vs": rate, "heading": heading, "bank": bank, "turn": turn,
        "pitch": 2.0 + rate / 150.0, "gps_alt": altitude + 120.0, "gs": np.hypot(east, north),
        "track": np.degrees(np.arctan2(east, north)) % 360.0, "lat": lat, "lon": lon,
        "rpm": 2300.0 + rate / 4.0, "volts": 28.0 + 0.1 * np.sin(t), "suction": 5.0 + 0.05 * np.sin(t / 3.0),
    }  # fmt: skip


F = flight()
CHANNEL = {
    "ias": "airspeed_kt", "alt": "altimeter_ft", "vs": "vertical_speed_fpm", "heading": "heading_deg", "bank": "bank_deg",
    "turn": "turn_dps", "pitch": "pitch_deg", "gps_alt": "gps_height_ft", "gs": "gps_speed_kt", "track": "gps_track_deg",
    "rpm": "rpm", "volts": "volts", "suction": "suction_inhg", "lat": "latitude_deg", "lon": "longitude_deg",
}  # fmt: skip
#: what may be lost to the digits that a file gives, in the channel's unit
NEAR = {"altimeter_ft": 2.0, "gps_height_ft": 2.0, "vertical_speed_fpm": 12.0, "rpm": 1.0}


def table(columns, *, times=None, separator=",", comma=False, hz=1.0, before=(), digits=3, made=None):
    """A file: ``columns`` header -> (quantity, factor) or cells; ``before``: lines above or below the header."""
    made = made or flight(hz)
    count = len(made["t"])
    cells = {}
    for header, what in columns.items():
        if isinstance(what, tuple):
            name, factor = what
            cells[header] = [f"{v * factor:.{digits}f}" for v in made[name]]
        elif isinstance(what, str):
            cells[header] = [f"{v:.{digits}f}" for v in made[what]]
        else:
            cells[header] = [what(second) for second in made["t"]] if callable(what) else list(what)
    if comma:
        cells = {
            h: [c.replace(".", ",") if c[:1].isdigit() or c[:1] == "-" else c for c in v]
            for h, v in cells.items()
        }
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    for line in before:
        out.write(line + "\n")
    writer.writerow([h.rstrip("\0") for h in cells])
    writer.writerows(zip(*cells.values(), strict=True))
    assert count
    return out.getvalue()


def clock(fmt, start=START):
    return lambda second: (start + timedelta(seconds=float(second))).strftime(fmt)


def guessed(tmp_path, text, encoding="utf-8"):
    path = tmp_path / "any.csv"
    path.write_bytes(text.encode(encoding))
    layout = layout_of(path, KB)
    return layout, guess(layout, KB)


def is_right(layout, found, quantities, made=F, missing=()):
    """These quantities are read as they were flown, second by second; nothing else is read as anything."""
    recording = read(layout, found.mapping, KB)
    assert set(found.mapping.columns) == {CHANNEL[q] for q in quantities}, found.questions
    assert recording.seconds == pytest.approx(made["t"][-1] + 1.0, abs=1.0)
    for quantity in quantities:
        name = CHANNEL[quantity]
        values = recording.channels[name]
        truth = np.interp(np.arange(recording.seconds), made["t"], made[quantity])
        if KB.recorded[name].circular:
            truth = np.interp(
                np.arange(recording.seconds), made["t"], np.unwrap(made[quantity], period=360.0)
            )
            apart = np.abs((values - truth + 180.0) % 360.0 - 180.0)
        else:
            apart = np.abs(values - truth)
        # one second of a turn or a climb, and what the digits lose
        near = NEAR.get(name, 0.3) + 2.0 * float(np.abs(np.diff(truth)).max() > 1.0) * 3.0
        known = np.isfinite(apart)
        assert known.mean() > 0.9
        assert float(np.median(apart[known])) <= NEAR.get(name, 0.3), name
        assert float(np.percentile(apart[known], 95.0)) <= max(near, 12.0), name


STANDARD = {
    "IAS (kt)": "ias",
    "Altitude (ft)": "alt",
    "VSI (fpm)": "vs",
    "Heading (deg)": "heading",
    "Bank (deg)": "bank",
}
ALL = ("ias", "alt", "vs", "heading", "bank")
KMH, MPS, METRES = 1.852, M_S_PER_KT, FT
GPS_ONLY = {"Latitude": lambda s: f"{F['lat'][int(s)]:.6f}", "Longitude": lambda s: f"{F['lon'][int(s)]:.6f}"}


def t(fmt="{:.0f}", scale=1.0, start=0.0):
    return lambda second: fmt.format(start + second * scale)


#: name -> (text of the file, quantities that must be read right)
RIGHT = {
    "semicolons and decimal commas": (
        table({"Zeit": clock("%H:%M:%S"), **STANDARD}, separator=";", comma=True), ALL),
    "German names, Datum/Zeit with dots": (
        table({"Datum/Zeit": clock("%d.%m.%Y %H:%M:%S"), "Fahrt (km/h)": ("ias", KMH), "Druckhöhe (m)": ("alt", METRES),
               "Variometer (m/s)": ("vs", FT / 60.0), "Kurs (°)": "track", "Querneigung (°)": "bank",
               "Drehzahl (1/min)": "rpm"}, separator=";", comma=True),
        ("ias", "alt", "vs", "track", "bank", "rpm")),
    "a row of units below the header": (
        table({"Time": ["s", *map(str, range(len(F["t"])))], "IAS": ["km/h", *(f"{v * KMH:.2f}" for v in F["ias"])],
               "Altimeter": ["m", *(f"{v * METRES:.2f}" for v in F["alt"])],
               "VSI": ["m/s", *(f"{v * FT / 60.0:.3f}" for v in F["vs"])],
               "HDG": ["°", *(f"{v:.1f}" for v in F["heading"])]}), ("ias", "alt", "vs", "heading")),
    "a row of units above the header, and a line of the recorder": (
        table({"Time": t(), "IAS": "ias", "AltB": "alt", "VSI": "vs", "Roll": "bank"},
              before=("#recorder of ours, version 1", "s,kt,ft Baro,fpm,deg")), ("ias", "alt", "vs", "bank")),
    "date and time in two columns": (
        table({"Date": clock("%Y-%m-%d"), "Time": clock("%H:%M:%S"), **STANDARD}), ALL),
    "Date/Time with the month first": (
        table({"Date/Time": clock("%m/%d/%Y %I:%M:%S %p"), **STANDARD}), ALL),
    "a zone behind the time": (
        table({"timestamp": clock("%Y-%m-%dT%H:%M:%S+01:00"), **STANDARD}), ALL),
    "a flight through midnight, days told apart by it": (
        table({"Date/Time": clock("%d/%m/%Y %H:%M:%S", START.replace(month=4, day=3, hour=23, minute=50)), **STANDARD}),
        ALL),
    "a flight through midnight without a date": (
        table({"Time": clock("%H:%M:%S", START.replace(hour=23, minute=55)), **STANDARD}), ALL),
    "seconds since 1970": (table({"timestamp": t(start=1_795_000_000.0), **STANDARD}), ALL),
    "milliseconds since 1970": (table({"timestamp": t(start=1_795_000_000_000.0, scale=1000.0), **STANDARD}), ALL),
    "second": (table({"second": t(), **STANDARD}), ALL),
    "elapsed": (table({"elapsed": t("{:.1f}"), **STANDARD}), ALL),
    "t": (table({"t": t(), **STANDARD}), ALL),
    "milliseconds since the start, no unit given": (table({"Time": t(scale=1000.0), **STANDARD}), ALL),
    "milliseconds at 20 Hz": (table({"time_ms": t(scale=1000.0), **STANDARD}, hz=20.0), ALL),
    "minutes with decimals": (table({"Elapsed (min)": t("{:.5f}", 1.0 / 60.0), **STANDARD}), ALL),
    "minutes and seconds": (
        table({"Time": lambda s: f"{int(s) // 60:02d}:{int(s) % 60:02d}", **STANDARD}), ALL),
    "minutes, seconds and tenths at 5 Hz": (
        table({"Time": lambda s: f"{int(s) // 60:02d}:{int(s) % 60:02d}.{round(s % 1 * 10):d}", **STANDARD}, hz=5.0), ALL),
    "hours, minutes and seconds in digits": (table({"Time": clock("%H%M%S"), **STANDARD}), ALL),
    "days of a spreadsheet": (table({"Time": t("{:.7f}", 1.0 / 86400.0, 46354.58), **STANDARD}), ALL),
    "whole seconds at 4 Hz": (table({"Time": clock("%H:%M:%S"), **STANDARD}, hz=4.0), ALL),
    "metres, km/h and m/s in the names": (
        table({"Time": t(), "Indicated airspeed [km/h]": ("ias", KMH), "Baro altitude [m]": ("alt", METRES),
               "V/S [m/s]": ("vs", FT / 60.0), "Groundspeed [m/s]": ("gs", MPS), "Course [°]": "track"}),
        ("ias", "alt", "vs", "gs", "track")),
    "hPa of suction": (
        table({"Time": t(), **STANDARD, "Suction (hPa)": ("suction", 33.8639), "Bus V": "volts"}),
        (*ALL, "suction", "volts")),
    "no units, all metric: judged by each other and by the positions": (
        table({"Time": t(), **GPS_ONLY, "IAS": ("ias", KMH), "Altimeter": ("alt", METRES), "V/S": ("vs", FT / 60.0),
               "GPS altitude (m)": ("gps_alt", METRES), "GPS speed": ("gs", KMH), "Track": "track"}),
        ("ias", "alt", "vs", "gps_alt", "gs", "track", "lat", "lon")),
    "no units, all usual": (
        table({"Time": t(), "IAS": "ias", "Altimeter": "alt", "V/S": "vs", "HDG": "heading", "Roll": "bank"}), ALL),
    "a vertical speed of -2.5 to 2.5, no unit, feet beside it": (
        table({"Time": t(), "IAS": "ias", "Altimeter (ft)": "alt", "V/S": ("vs", FT / 60.0), "HDG": "heading"}),
        ("ias", "alt", "vs", "heading")),
    "bank and heading in radians, no unit": (
        table({"Time": t(), "IAS": "ias", "Roll": ("bank", math.pi / 180.0), "Heading": ("heading", math.pi / 180.0)}),
        ("ias", "bank", "heading")),
    "a column twice, one of them empty": (
        table({"Time": t(), "IAS (kt)": "ias", "HDG (deg)": [""] * len(F["t"]), "HDG (deg)\0": "heading"}),
        ("ias", "heading")),
    "a column twice, both the same": (
        table({"Time": t(), "IAS (kt)": "ias", "HDG (deg)": "heading", "HDG (deg)\0": "heading"}), ("ias", "heading")),
    "latitude, longitude and altitude alone": (
        table({"Time": t(), **GPS_ONLY, "Altitude (m)": ("gps_alt", METRES)}), ("lat", "lon", "gps_alt")),
    "a GPS alone, names of a telephone": (
        table({"time": clock("%Y-%m-%dT%H:%M:%SZ"), "lat": GPS_ONLY["Latitude"], "lon": GPS_ONLY["Longitude"],
               "ele (m)": ("gps_alt", METRES), "speed": ("gs", MPS), "course": "track"}),
        ("lat", "lon", "gps_alt", "gs", "track")),
    "what is selected, true or at the ground is no dial": (
        table({"Time": t(), **STANDARD, "True airspeed (kt)": ("ias", 1.05), "Heading bug (deg)": "track",
               "Wind speed (kt)": ("vs", 0.01), "Altitude AGL (ft)": ("alt", 0.5), "Altimeter setting (inHg)": ("volts", 1.0)}),
        ALL),
    "a word in brackets that is no unit": (
        table({"Time": t(), "IAS (kt)": "ias", "Altitude (baro)": "alt", "Altitude (GPS)": "gps_alt", "Heading (mag)": "heading"}),
        ("ias", "alt", "gps_alt", "heading")),
    "names with units behind a line": (
        table({"elapsed_sec": t(), "airspeed_mps": ("ias", MPS), "pressure_altitude_m": ("alt", METRES), "gs_mps": ("gs", MPS)}),
        ("ias", "alt", "gs")),
    "blanks around the cells, empty last column": (
        table({"Time": t(" {:.0f} "), "IAS (kt)": [f"  {v:.1f}" for v in F["ias"]], "Altitude (ft)": "alt", "": [""] * len(F["t"])}),
        ("ias", "alt")),
    "thousands parted": (
        table({"Time": t(), "IAS (kt)": "ias", "Altitude (ft)": [f"{v:,.1f}" for v in F["alt"]]}), ("ias", "alt")),
    "thousands parted with dots": (
        table({"Zeit": t(), "IAS (kt)": ["100,0"] * 5 + [f"{v:.1f}".replace(".", ",") for v in F["ias"][5:]],
               "Altimeter (ft)": [f"{v:,.1f}".replace(",", "x").replace(".", ",").replace("x", ".") for v in F["alt"]]},
              separator=";"), ("ias", "alt")),
}  # fmt: skip


@pytest.mark.parametrize("shape", RIGHT)
def test_a_table_of_any_shape_is_read_right(tmp_path, shape):
    text, quantities = RIGHT[shape]
    layout, found = guessed(tmp_path, text)
    made = (
        flight(20.0)
        if "20 Hz" in shape
        else flight(5.0)
        if "5 Hz" in shape
        else flight(4.0)
        if "4 Hz" in shape
        else F
    )
    is_right(layout, found, quantities, made)
    assert not [text for column, text in found.questions if column], found.questions


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_any_encoding(tmp_path, encoding):
    text, quantities = RIGHT["German names, Datum/Zeit with dots"]
    is_right(*guessed(tmp_path, text, encoding), quantities)


#: name -> (text, column that must be asked about, quantities that are read right all the same)
ASKED = {
    "an unknown unit": (
        table({"Time": t(), "IAS (furlong/h)": "ias", "Altimeter (ft)": "alt", "HDG (deg)": "heading"}),
        "IAS (furlong/h)", ("alt", "heading")),
    "an unknown unit in the row of units": (
        table({"Time": ["s", *map(str, range(len(F["t"])))], "IAS": ["kt", *(f"{v:.1f}" for v in F["ias"])],
               "VSI": ["FL/h", *(f"{v:.1f}" for v in F["vs"])]}), "VSI", ("ias",)),
    "a climb in metres or feet a second, nothing beside it": (
        table({"Time": t(), "IAS (kt)": "ias", "VSI": ("vs", FT / 60.0)}), "VSI", ("ias",)),
    "an altitude with nothing beside it": (
        table({"Time": t(), "Altitude (ft)": "alt", "Bank (deg)": "bank"}), "Altitude (ft)", ("bank",)),
    "a speed with nothing beside it": (
        table({"Time": t(), "Speed (kt)": "ias", "Bank (deg)": "bank"}), "Speed (kt)", ("bank",)),
    "two columns of one name that differ": (
        table({"Time": t(), "IAS (kt)": "ias", "HDG (deg)": "heading", "HDG (deg)\0": "track"}), "HDG (deg)", ("ias",)),
    "a unit that its values deny": (
        table({"Time": t(), "IAS (kt)": ("ias", 10.0), "Altimeter (ft)": "alt"}), "IAS (kt)", ("alt",)),
    "a name with a word more": (
        table({"Time": t(), "IAS (kt)": "ias", "Pitch wheel (deg)": "pitch"}), "Pitch wheel (deg)", ("ias",)),
}  # fmt: skip


@pytest.mark.parametrize("shape", ASKED)
def test_what_a_table_leaves_open_is_asked_and_not_used(tmp_path, shape):
    text, column, quantities = ASKED[shape]
    layout, found = guessed(tmp_path, text)
    is_right(layout, found, quantities)
    assert [c for c, _ in found.questions] == [column]


def test_a_date_that_can_be_read_in_two_ways_is_asked_about_and_the_times_are_right(tmp_path):
    text = table({"Date/Time": clock("%d/%m/%Y %H:%M:%S", START.replace(month=4, day=3)), **STANDARD})
    layout, found = guessed(tmp_path, text)
    is_right(layout, found, ALL)
    assert ["04/2026" in says or "day first" in says for _, says in found.questions] == [True]


def test_numbers_that_may_be_seconds_or_rows_are_no_time(tmp_path):
    """A column without a known name that counts up: at four rows a second a count is no second."""
    _, found = guessed(tmp_path, table({"Sample": t(scale=4.0), **STANDARD}))
    assert found.mapping.time == ()
    assert any("time" in says for _, says in found.questions)


@pytest.mark.parametrize("names", [("Altitude (ft)", "Speed (kt)", "Heading (deg)"), ("Alt", "Spd", "Track"), ("Height (ft)", "Velocity", "Course")])  # fmt: skip
def test_a_flight_with_a_gps_alone_is_no_flight_with_instruments(tmp_path, names):
    altitude, speed, course = names
    text = table(
        {
            "Time": t(),
            **GPS_ONLY,
            altitude: "gps_alt",
            speed: "gs",
            course: "track",
            "Vertical speed (fpm)": "vs",
        }
    )
    _, found = guessed(tmp_path, text)
    assert set(found.mapping.columns) <= {
        "latitude_deg", "longitude_deg", "gps_height_ft", "gps_speed_kt", "gps_track_deg",
    }  # fmt: skip
    assert {"gps_height_ft", "gps_speed_kt", "gps_track_deg"} <= set(found.mapping.columns)


def test_our_own_scenarios_are_read(tmp_path, capsys):
    assert main(["scenario", "play", "clear_morning", "--csv", "-"]) == 0
    text = capsys.readouterr().out
    layout, found = guessed(tmp_path, text)
    named = {channel: mapped.column for channel, mapped in found.mapping.columns.items()}
    assert named.items() >= {
        "airspeed_kt": "airspeed_kt", "altimeter_ft": "altitude_ft", "vertical_speed_fpm": "vertical_speed_fpm",
        "bank_deg": "bank_deg", "pitch_deg": "pitch_deg", "heading_deg": "heading_deg", "compass_deg": "compass_deg",
        "suction_inhg": "suction_inhg", "rpm": "engine_rpm", "volts": "voltmeter_v", "amps": "ammeter_a",
        "turn_dps": "turn_rate_dps", "gps_height_ft": "gps_height_ft", "gps_speed_kt": "gps_speed_kt",
        "gps_track_deg": "gps_track_deg", "vacuum_light": "vacuum_light", "low_voltage_light": "low_voltage_light",
    }.items()  # fmt: skip
    assert "atc_height_ft" in found.unused
    columns = list(csv.DictReader(io.StringIO(text)))
    recording = read(layout, found.mapping, KB)
    for channel in ("airspeed_kt", "altimeter_ft", "suction_inhg"):
        own = [float(row[named[channel]]) for row in columns]
        assert recording.channels[channel].tolist() == pytest.approx(own)


# ------------------------------------------------------------------ the dialogue

MIXED = {
    "Time": t(), "IAS (kt)": "ias", "Speed": ("gs", KMH), "Altimeter (ft)": "alt", "VSI": ("vs", FT / 60.0),
    "HDG (deg)": "heading", "HDG2": "heading", "Course": "track", "Pitch wheel": "pitch", "Mode": ["HDG"] * len(F["t"]),
}  # fmt: skip


@pytest.mark.parametrize(
    ("words", "columns"),
    [
        ("altimeter is gps altitude", {"gps_height_ft": ("Altimeter (ft)", "ft")}),
        ("the altimeter (ft) is the GPS height", {"gps_height_ft": ("Altimeter (ft)", "ft")}),
        ("speed is groundspeed in km/h", {"gps_speed_kt": ("Speed", "km/h")}),
        ("Speed is airspeed in mph", {"airspeed_kt": ("Speed", "mph")}),
        ("VSI is in ft/s", {"vertical_speed_fpm": ("VSI", "ft/s")}),
        ("vertical speed is in ft/s", {"vertical_speed_fpm": ("VSI", "ft/s")}),
        ("pitch wheel is pitch in deg", {"pitch_deg": ("Pitch wheel", "deg")}),
        ("HDG2 is heading", {"heading_deg": ("HDG2", "deg")}),
        ("ignore hdg", {"heading_deg": None}),
        ("HDG (deg) is nothing", {"heading_deg": None}),
        ("Ignore HDG2.", {}),
    ],
)
def test_a_correction_in_words_is_done(tmp_path, words, columns):
    _, found = guessed(tmp_path, table(MIXED))
    before = {c: (m.column, m.unit) for c, m in found.mapping.columns.items()}
    after = corrected(found, words, KB).mapping.columns
    told = {c: (m.column, m.unit) for c, m in after.items()}
    taken = {place[0] for place in columns.values() if place}
    kept = {c: place for c, place in before.items() if c not in columns and place[0] not in taken}
    assert told == kept | {c: place for c, place in columns.items() if place}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("foo is airspeed", "there is no column 'foo'"),
        ("HDG2 is fuel flow", "nothing that is recorded is called 'fuel flow'"),
        ("Speed is groundspeed in furlong", "GPS groundspeed is not given in 'furlong'"),
        ("pitch wheel is pitch", "in what unit is 'Pitch wheel'?"),
        ("hello", "is no correction that is understood"),
        ("time is Time in weeks", "time is not counted in 'weeks'"),
        ("Mode is in kt", "is not used yet"),
    ],
)
def test_a_correction_that_says_nothing_known_is_refused_in_words(tmp_path, words, says):
    _, found = guessed(tmp_path, table(MIXED))
    with pytest.raises(DiagnoseError, match=re.escape(says)):
        corrected(found, words, KB)


@some(100)
@given(words=st.text(max_size=60) | st.lists(st.sampled_from(["is", "in", "time", "the", "ignore", "HDG2", "speed", "gps", "kt", "="]), max_size=8).map(" ".join))  # fmt: skip
def test_no_correction_ends_in_a_traceback(mixed, words):
    with contextlib.suppress(DiagnoseError):
        assert corrected(mixed, words, KB).rows


@pytest.fixture(scope="module")
def mixed(tmp_path_factory):
    return guessed(tmp_path_factory.mktemp("mixed"), table(MIXED))[1]


def test_the_time_can_be_told(tmp_path):
    layout, found = guessed(tmp_path, table({"Sample": t(scale=4.0), **STANDARD}, hz=1.0))
    made = {**F, "t": F["t"] * 4.0}
    told = corrected(found, "time is Sample in s", KB)
    assert read(layout, told.mapping, KB).seconds == made["t"][-1] + 1.0
    assert told.questions == ()
    told = corrected(found, "Sample is time in ms", KB)
    assert read(layout, told.mapping, KB).seconds == pytest.approx(made["t"][-1] / 1000.0 + 1.0, abs=1.0)


def test_the_order_of_a_date_can_be_told_and_kept(tmp_path):
    text = table({"Date/Time": clock("%d/%m/%Y %H:%M:%S", START.replace(month=4, day=3)), **STANDARD})
    _, found = guessed(tmp_path, text)
    told = corrected(found, "day first", KB)
    assert (told.questions, told.mapping.date_order) == ((), "day first")
    kept = tmp_path / "map.toml"
    kept.write_text(dump_map(told.mapping, told.notes))
    assert load_map(kept, KB) == told.mapping


@pytest.mark.parametrize("width", [56, 80, 110])
def test_the_table_of_columns_fits_and_holds_every_column(mixed, width):
    text = columns_text(mixed, KB, width)
    assert max(map(len, text.splitlines())) <= width
    for row in mixed.rows:
        assert row.column[:8] in text
    assert "83.5 to 106.5" in text or width == 56
    assert "is 'Pitch wheel' the pitch?" in " ".join(text.split())


def test_what_is_open_is_told_before_the_review_and_not_used(tmp_path, capsys):
    path = tmp_path / "open.csv"
    path.write_text(table({**STANDARD, "Time": t(), "Suction (furlong)": "suction"}))
    assert main(["review", str(path), "--yes", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert next((f["kind"], f["column"]) for f in data["faults"]) == ("question", "Suction (furlong)")
    assert (
        main(["review", str(path), "--yes", "--json", "--say", "Suction (furlong) is suction in inHg"]) == 0
    )
    assert "question" not in {f["kind"] for f in json.loads(capsys.readouterr().out)["faults"]}


def test_of_a_gps_alone_no_instrument_is_judged(tmp_path, capsys):
    path = tmp_path / "gps.csv"
    path.write_text(RIGHT["a GPS alone, names of a telephone"][0])
    assert main(["review", str(path), "--yes"]) == 1
    assert "no instrument of the panel is recorded" in capsys.readouterr().err


class Typist(io.StringIO):
    """Somebody who types at a terminal."""

    def isatty(self):
        return True


def test_the_dialogue_corrects_saves_and_goes_on(tmp_path, capsys, monkeypatch):
    path, kept = tmp_path / "mixed.csv", tmp_path / "map.toml"
    path.write_text(table(MIXED))
    lines = ["pitch wheel is pitch in deg", "nonsense", "ignore HDG2", f"save {kept}", "yes"]
    monkeypatch.setattr("sys.stdin", Typist("\n".join(lines) + "\n"))
    assert main(["review", str(path)]) == 0
    shown = capsys.readouterr()
    assert "is no correction that is understood" in shown.err
    assert "by you" in shown.err
    assert load_map(kept, KB).columns["pitch_deg"].column == "Pitch wheel"
    assert main(["review", str(path), "--map", str(kept)]) == 0
    assert capsys.readouterr().out == shown.out.replace(f"{kept}\n", "")


def test_a_dialogue_that_ends_confirms_nothing(tmp_path, capsys, monkeypatch):
    path = tmp_path / "mixed.csv"
    path.write_text(table(MIXED))
    for typed in ("", "no\n"):
        monkeypatch.setattr("sys.stdin", Typist(typed))
        assert main(["review", str(path)]) == 1
        assert "was not confirmed" in capsys.readouterr().err
