"""The session's transitions, and case files: what is wrong is told at once, what is written comes back."""

from __future__ import annotations

import os
import stat
import tomllib
from functools import cache
from pathlib import Path

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from diagnose.language import AsExpected, Disagreement, RestAsExpected, Said, Switched
from diagnose.language.case_files import case_paths, dump_case, load_case, save_case
from diagnose.language.session import Session, says_anything
from diagnose.model import CaseRecord, SnapshotRecord, TruthRecord
from diagnose.model.errors import CaseError, UnknownName
from diagnose.network.tables import compile_network
from tests.small import shipped

HEAD = b'title = "x"\npanel = "single_pump"\n'
LEVEL = HEAD + b'[[snapshot]]\nmanoeuvre = "level"\n'


@cache
def network():
    return compile_network(shipped(), "single_pump")


def load(content, tmp_path):
    path = tmp_path / "case.toml"
    path.write_bytes(content)
    return load_case(str(path), shipped())


# ------------------------------------------------------------------ files that are at fault


@pytest.mark.parametrize(
    ("content", "text"),
    [
        (b"", "the case file is empty. Where: {}. Try: a case has title, panel and [[snapshot]]."),
        (b" \n\n", "the case file is empty"),
        (b"\x00\xff\xfe\x80junk", "this is not a case file: it is not text in UTF-8. Where: {}."),
        (HEAD + b"[[snapsh", "the case file is not valid TOML ("),
        (HEAD + b"[[snapsh", "Try: it may be cut off or mistyped there."),
        (HEAD + b'title = "y"\n', "Try: an entry stands there twice: keep one."),
        (
            LEVEL + b'readings = {"airspeed.trend" = "rising", "airspeed.trend" = "falling"}\n',
            "the case file is not valid TOML (",
        ),
        (b'panel = "single_pump"\n', "title is missing. Where: {}."),
        (HEAD + b"color = 1\n", "there is no entry 'color', nearest: "),
        (HEAD + b'contxt = ["washed"]\n', "there is no entry 'contxt', nearest: context"),
        (b'title = 3\npanel = "single_pump"\n', "title: expected text, got a number"),
        (HEAD + b'context = "washed"\n', "context: expected a list, got text"),
        (HEAD + b'context = ["washed", 3]\n', "context: expected text, got a number"),
        (HEAD + b'minutes_since_start = "ten"\n', "minutes_since_start: expected a number, got text"),
        (HEAD + b"minutes_since_start = -1\n", "minutes_since_start must be 0 or more"),
        (HEAD + b"minutes_since_start = nan\n", "minutes_since_start must be 0 or more"),
        (HEAD + b'[snapshot]\nmanoeuvre = "level"\n', "snapshot must be written [[snapshot]]"),
        (HEAD + b"[[snapshot]]\nminutes = 2\n", "snapshot 1: manoeuvre is missing"),
        (HEAD + b'[truth]\nstrength = "T9"\nfailures = []\n', "truth: strength: invalid enum value 'T9'"),
        (b'title = "x"\npanel = "glider"\n', "there is no panel 'glider', nearest: "),
        (HEAD + b'setting = "anomoly"\n', "there is no setting 'anomoly', nearest: anomaly"),
        (HEAD + b'context = ["icy"]\n', "there is no context 'icy'"),
        (
            HEAD + b'[truth]\nstrength = "T1"\nfailures = [["pump"]]\n',
            "there is no failure 'pump', nearest: pump",
        ),
        (
            HEAD + b'[[snapshot]]\nmanoeuvre = "levl"\n',
            "moment 1: there is no maneuver 'levl', nearest: level",
        ),
        (LEVEL + b"minutes = 0\n", "moment 1: minutes must be above 0, not 0"),
        (
            HEAD + b"minutes_since_start = 1e308\n",
            "minutes_since_start must be 0 or more and at most 1440, a day",
        ),
        (
            LEVEL + b"minutes = 1441\n",
            "moment 1: minutes must be above 0 and at most 1440, a day, not 1441",
        ),
        (LEVEL + b"minutes = nan\n", "moment 1: minutes must be above 0, not nan"),
        (LEVEL + b"minutes_before = inf\n", "moment 1: minutes_before must be 0 or more, not inf"),
        (LEVEL + b'switches = {flaps = "on"}\n', "there is no switch on the panel single_pump 'flaps'"),
        (
            LEVEL + b'switches = {pitot_heat = "up"}\n',
            "there is no position of pitot_heat 'up', nearest: off, on",
        ),
        (
            LEVEL + b'readings = {"airsped.trend" = "rising"}\n',
            "there is no gauge on the panel single_pump 'airsped.trend', nearest: airspeed.trend",
        ),
        (
            LEVEL + b'readings = {"electric_attitude.bank" = "left"}\n',
            "there is no gauge on the panel single_pump 'electric_attitude.bank'",
        ),
        (
            LEVEL + b'readings = {"airspeed.trend" = "fall"}\n',
            "there is no reading of airspeed.trend 'fall', nearest: falling",
        ),
        (
            LEVEL
            + b'readings = {"airspeed.trend" = "rising"}\nunsure = {"airspeed.trend" = ["falling", 0.8]}\n',
            "moment 1: airspeed.trend stands both in readings and in unsure",
        ),
        (
            LEVEL + b'unsure = {"airspeed.trend" = ["falling", 1.8]}\n',
            "moment 1: airspeed.trend: how sure must lie between 0 and 1, not 1.8",
        ),
        (
            LEVEL + b'unsure = {"airspeed.trend" = "falling"}\n',
            "snapshot 1: unsure: expected a list, got text",
        ),
        (
            LEVEL + b'disagree = [["airspeed", "ball"]]\n',
            "moment 1: airspeed and ball do not tell of one thing, so they cannot disagree",
        ),
        (LEVEL + b'disagree = [["attitude", "foo"]]\n', "there is no gauge on the panel single_pump 'foo'"),
    ],
)
def test_a_bad_case_file_is_explained(tmp_path, content, text):
    with pytest.raises(CaseError) as caught:
        load(content, tmp_path)
    assert text.format(tmp_path / "case.toml") in str(caught.value)
    assert caught.value.where == str(tmp_path / "case.toml")


def test_all_that_does_not_fit_is_told_at_once(tmp_path):
    content = (
        b'title = 3\npanl = "x"\n[[snapshot]]\nmanoeuvre = 1\nreadngs = {}\n[[snapshot]]\nminutes = "a"\n'
    )
    with pytest.raises(CaseError) as caught:
        load(content, tmp_path)
    assert caught.value.what.split("; ") == [
        "there is no entry 'panl', nearest: panel",
        "title: expected text, got a number",
        "panel is missing",
        "snapshot 1: there is no entry 'readngs', nearest: readings",
        "snapshot 1: manoeuvre: expected text, got a number",
        "snapshot 2: manoeuvre is missing",
        "snapshot 2: minutes: expected a number, got text",
    ]


def test_all_that_is_not_known_is_told_at_once(tmp_path):
    content = (
        b'title = "x"\npanel = "venturi"\nsetting = "odd"\n[[snapshot]]\nmanoeuvre = "levl"\n'
        b'readings = {"vacuum_light.state" = "lit", "airspeed.trend" = "fall"}\n'
    )
    with pytest.raises(CaseError) as caught:
        load(content, tmp_path)
    for text in (
        "no setting 'odd'",
        "no maneuver 'levl', nearest: level",
        "no gauge on the panel venturi 'vacuum_light.state'",
        "no reading of airspeed.trend 'fall', nearest: falling",
    ):
        assert text in caught.value.what


@pytest.mark.parametrize(
    ("name", "error", "text"),
    [
        (
            "static_blocked_clim",
            UnknownName,
            "there is no case 'static_blocked_clim'. Try: static_b",
        ),
        ("nowhere/case.toml", CaseError, "there is no file nowhere/case.toml. Try: check the path"),
        ("a\0b", UnknownName, "there is no case"),
        ("", CaseError, "this is a folder, not a case file"),
    ],
)
def test_a_case_that_is_not_there(name, error, text):
    with pytest.raises(error) as caught:
        load_case(name, shipped())
    assert text in str(caught.value)


def test_a_folder_is_no_case_and_hides_no_shipped_one(tmp_path, monkeypatch):
    with pytest.raises(CaseError, match="this is a folder, not a case file"):
        load_case(str(tmp_path), shipped())
    (tmp_path / "wrong_setting").mkdir()
    monkeypatch.chdir(tmp_path)
    assert load_case("wrong_setting", shipped()).snapshot


def test_files_of_other_editors_are_read(tmp_path):
    text = LEVEL.decode().replace("\n", "\r\n")
    assert load(b"\xef\xbb\xbf" + text.encode(), tmp_path) == load(LEVEL, tmp_path)


@pytest.mark.parametrize("name", sorted(case_paths()))
def test_a_shipped_case_comes_back_as_it_was(name, tmp_path):
    case = load_case(name, shipped())
    save_case(case, tmp_path / "copy.toml")
    assert load_case(str(tmp_path / "copy.toml"), shipped()) == case


# ------------------------------------------------------------------ what is written comes back

NUMBERS = st.floats(allow_nan=False, allow_infinity=False)
TEXTS = st.text(st.characters(codec="utf-8"), max_size=12)
ANY_SNAPSHOT = st.builds(
    SnapshotRecord,
    manoeuvre=TEXTS,
    minutes=NUMBERS,
    minutes_before=NUMBERS,
    switches=st.dictionaries(TEXTS, TEXTS, max_size=2),
    readings=st.dictionaries(TEXTS, TEXTS, max_size=3),
    unsure=st.dictionaries(TEXTS, st.tuples(TEXTS, NUMBERS), max_size=2),
    disagree=st.lists(st.tuples(TEXTS, TEXTS), max_size=2).map(tuple),
    note=TEXTS,
)
ANY_CASE = st.builds(
    CaseRecord,
    title=TEXTS,
    panel=TEXTS,
    setting=TEXTS,
    context=st.lists(TEXTS, max_size=2).map(tuple),
    minutes_since_start=NUMBERS,
    snapshot=st.lists(ANY_SNAPSHOT, max_size=3).map(tuple),
    truth=st.none()
    | st.builds(
        TruthRecord,
        strength=st.sampled_from(["T1", "T2", "T3", "T4", "invented"]),
        failures=st.lists(st.lists(TEXTS, max_size=2).map(tuple), max_size=2).map(tuple),
        says=TEXTS,
    ),
    source=TEXTS,
    note=TEXTS,
)


@given(ANY_CASE)
def test_any_case_comes_back_from_its_text(case):
    assert msgspec.convert(tomllib.loads(dump_case(case)), CaseRecord) == case


FACETS = [
    (f"{gauge}.{facet.id}", reading.id)
    for gauge in shipped().panel("single_pump").gauges
    for facet in shipped().gauges[gauge].facets
    for reading in facet.readings
]


@st.composite
def sound_snapshot(draw):
    said = dict(draw(st.lists(st.sampled_from(FACETS), max_size=5)))
    unsure = {f: (r, draw(st.floats(0.5, 1.0))) for f, r in said.items() if draw(st.booleans())}
    return SnapshotRecord(
        manoeuvre=draw(st.sampled_from(list(shipped().manoeuvres))),
        minutes=draw(st.floats(0.01, 600.0)),
        minutes_before=draw(st.floats(0.0, 600.0)),
        switches=draw(st.fixed_dictionaries({}, optional={"pitot_heat": st.sampled_from(["on", "off"])})),
        readings={f: r for f, r in said.items() if f not in unsure},
        unsure=unsure,
        disagree=draw(st.sampled_from([(), (("attitude", "turn_coordinator"),)])),
        note=draw(TEXTS),
    )


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(sound_snapshot(), max_size=3), TEXTS, st.sampled_from(list(shipped().settings)))
def test_load_gives_what_save_wrote(tmp_path, snapshots, title, setting):
    case = CaseRecord(title=title, panel="single_pump", setting=setting, snapshot=tuple(snapshots))
    save_case(case, tmp_path / "case.toml", over=True)
    assert load_case(str(tmp_path / "case.toml"), shipped()) == case


def test_a_file_is_the_old_one_or_the_new_one(tmp_path, monkeypatch):
    path = tmp_path / "case.toml"
    old, new = (CaseRecord(title=title, panel="single_pump") for title in ("old", "new"))
    save_case(old, path)

    def full(self, target):
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(Path, "replace", full)
        with pytest.raises(CaseError) as caught:
            save_case(new, path, over=True)
    assert "the case cannot be written (No space left on device)" in str(caught.value)
    assert load_case(str(path), shipped()) == old
    assert os.listdir(tmp_path) == ["case.toml"]


def test_a_saved_file_has_the_rights_that_a_new_file_has(tmp_path):
    (tmp_path / "plain").touch()
    save_case(CaseRecord(title="x", panel="single_pump"), tmp_path / "case.toml")
    rights = [stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("plain", "case.toml")]
    assert rights[0] == rights[1]


@pytest.mark.parametrize("place", ["missing/case.toml", "file/case.toml", "a\0b.toml"])
def test_a_place_that_cannot_be_written_is_told(tmp_path, place):
    (tmp_path / "file").touch()
    with pytest.raises(CaseError, match=r"^the case cannot be written \("):
        save_case(CaseRecord(title="x", panel="single_pump"), tmp_path / place)
    assert os.listdir(tmp_path) == ["file"]


# ------------------------------------------------------------------ transitions


def say(*statements, session=None, manoeuvre="level"):
    session = session or Session().change(snapshot=(SnapshotRecord(manoeuvre=manoeuvre),))
    return session.say(statements, network())


FALLING = Said(facet="airspeed.trend", reading="falling")


def test_a_later_reading_replaces_the_earlier_one():
    session = say(FALLING)
    session = say(Said(facet="airspeed.trend", reading="steady", sure=0.8), session=session)
    assert session.snapshot.readings == {}
    assert session.snapshot.unsure == {"airspeed.trend": ("steady", 0.8)}
    assert say(FALLING, session=session).snapshot.unsure == {}


def test_one_line_cannot_say_two_things():
    with pytest.raises(CaseError, match="airspeed trend cannot be both falling and rising in one moment"):
        say(FALLING, Said(facet="airspeed.trend", reading="rising"))


def test_the_rest_is_what_was_not_spoken_of_wherever_it_stands_in_the_line():
    statements = (RestAsExpected(), FALLING, Disagreement(first="attitude", second="turn_coordinator"))
    for order in (statements, statements[::-1]):
        readings = say(*order).snapshot.readings
        assert readings["altimeter.trend"] == "steady"
        assert readings["vertical_speed.rate"] == "zero"
        assert "airspeed.value" not in readings
        spoken_of = ("attitude", "turn_coordinator", "outside", "gps_height", "atc_height", "radios")
        assert not [facet for facet in readings if facet.split(".")[0] in spoken_of]


def test_what_was_filled_in_yields_to_what_is_said_later():
    session = say(Said(facet="suction.value", reading="zero"), RestAsExpected())
    assert session.snapshot.readings["airspeed.value"] == "normal"
    # nobody overlooks dead radios or a failing engine: the rest speaks of them too, though less surely
    assert session.snapshot.unsure == {"radios.state": ("normal", 0.95), "engine.state": ("as_set", 0.95)}
    read = {*session.snapshot.readings, *session.snapshot.unsure}
    assert set(session.snapshot.filled) == read - {"suction.value"}
    later = say(FALLING, session=session).snapshot
    assert "airspeed.value" not in later.readings
    assert later.readings["airspeed.trend"] == "falling"
    assert not [facet for facet in later.filled if facet.startswith("airspeed.")]
    assert later.readings["altimeter.trend"] == "steady"
    # the same whether it is said in one line or in two
    assert (
        later.readings
        == say(FALLING, Said(facet="suction.value", reading="zero"), RestAsExpected()).snapshot.readings
    )
    compared = say(Disagreement(first="attitude", second="turn_coordinator"), session=session).snapshot
    assert not [f for f in compared.readings if f.split(".")[0] in ("attitude", "turn_coordinator")]
    one = say(AsExpected(gauge="airspeed"))
    assert say(FALLING, session=one).snapshot.readings == {"airspeed.trend": "falling"}
    # what was said is never overwritten by the rest
    assert say(RestAsExpected(), session=say(FALLING)).snapshot.readings["airspeed.trend"] == "falling"


@pytest.mark.parametrize(
    ("manoeuvre", "rate"), [("level", "zero"), ("climb", "climb"), ("descent", "descent")]
)
def test_as_expected_is_what_the_manoeuvre_gives(manoeuvre, rate):
    session = say(AsExpected(gauge="vertical_speed"), manoeuvre=manoeuvre)
    assert session.snapshot.readings == {"vertical_speed.rate": rate}


def test_a_steady_needle_is_not_told_of_one_that_lies_at_its_stop():
    steady = Said(facet="airspeed.trend", reading="steady", sure=1.0)
    zero = Said(facet="airspeed.value", reading="zero", sure=1.0)
    snapshot = say(steady).snapshot
    assert snapshot.unsure == {"airspeed.value": ("zero", 0.02)}
    assert snapshot.filled == ("airspeed.value",)
    both = say(steady, zero).snapshot
    assert (both.readings["airspeed.value"], both.unsure) == ("zero", {})
    later = say(zero, session=say(steady)).snapshot
    assert (later.readings["airspeed.value"], later.unsure) == ("zero", {})
    assert set(say(RestAsExpected()).snapshot.unsure) == {"radios.state", "engine.state"}


def test_a_switch_and_a_disagreement_are_kept_once():
    switch = Switched(switch="pitot_heat", position="on")
    session = say(switch, Disagreement(first="attitude", second="heading"))
    session = say(Disagreement(first="heading", second="attitude"), session=session)
    assert session.snapshot.switches == {"pitot_heat": "on"}
    assert session.snapshot.disagree == (("attitude", "heading"),)


def test_gauges_that_tell_of_different_things_cannot_disagree():
    with pytest.raises(CaseError, match="airspeed and ball do not tell of one thing"):
        say(Disagreement(first="airspeed", second="ball"))


def test_nothing_can_be_said_before_the_first_snapshot():
    with pytest.raises(CaseError) as caught:
        Session().say((FALLING,), network())
    assert str(caught.value) == ("what were you flying? Try: moment climb; or guide, and you are asked.")


def test_what_says_anything():
    assert not says_anything(Session().case)
    assert not says_anything(Session().change(snapshot=(SnapshotRecord(manoeuvre="level"),)).case)
    assert says_anything(say(FALLING).case)


@given(st.lists(st.sampled_from(["a", "b", "c", "undo", "redo"]), max_size=20))
def test_undo_and_redo_walk_the_whole_way(steps):
    session, seen = Session(), [Session().case]
    for step in steps:
        if step == "undo" and session.past:
            session = session.undo()
        elif step == "redo" and session.future:
            session = session.redo()
        elif step in "abc":
            session = session.change(title=step)
            seen.append(session.case)
        assert session.case in seen
    end = session.case
    while session.future:
        session = session.redo()
    last = session.case
    while session.past:
        session = session.undo()
    assert session.case == Session().case
    while session.future:
        session = session.redo()
    assert session.case == last
    assert end in seen


def test_there_is_an_end_to_undo_and_redo():
    with pytest.raises(CaseError, match="nothing to undo"):
        Session().undo()
    with pytest.raises(CaseError, match="nothing to redo"):
        Session().redo()


def test_undoing_a_load_gives_back_the_file_of_the_earlier_case():
    mine, other = (CaseRecord(title=title, panel="single_pump") for title in ("mine", "other"))
    session = Session().filed(mine, Path("mine.toml")).filed(other, Path("other.toml"))
    assert session.undo().path == Path("mine.toml")
    assert session.undo().redo().path == Path("other.toml")
    assert session.undo().undo().path is None


def test_to_write_a_file_is_no_change_to_undo_and_its_title_stays():
    session = Session().change(panel="dual_pump")
    for manoeuvre in ("climb", "level"):
        session = session.insert(SnapshotRecord(manoeuvre=manoeuvre), 0)
    before = session.undo()
    saved = session.written("tuesday", Path("tuesday.toml"))
    assert not saved.unsaved
    assert saved.path == Path("tuesday.toml")
    undone = saved.undo()
    assert undone.case.snapshot == before.case.snapshot
    assert undone.case.title == "tuesday"
    assert undone.unsaved
    assert undone.redo().case == saved.case
    # what was undone before the saving can be done again after it
    again = before.written("monday", Path("monday.toml")).redo()
    assert (again.case.title, len(again.case.snapshot)) == ("monday", 2)
    # another case keeps its own title
    other = session.to(CaseRecord(title="other", panel="single_pump"), None)
    other = other.insert(SnapshotRecord(manoeuvre="descent"), 0).written("friday", Path("friday.toml"))
    assert other.undo().undo().case.title == "untitled"
