"""The commands of the prompt: what each does, what it refuses, and that nothing is lost."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from diagnose.commands import COMMANDS, HINT, Desk, command_of, obey
from diagnose.errors import CaseError, DiagnoseError, ImpossibleEvidence, UnknownName
from diagnose.inference import Engine
from diagnose.model import SnapshotRecord
from diagnose.session import load_case
from diagnose.terminal.screen import complete, summary
from tests.small import shipped

#: shared by all desks of this file, as one prompt shares them among its lines
ENGINES: dict[str, Engine] = {}


def desk_after(*lines):
    desk = Desk(kb=shipped(), engines=ENGINES)
    for line in lines:
        desk, _ = obey(desk, line)
    return desk


def answer_to(*lines):
    desk = desk_after(*lines[:-1])
    return " ".join(obey(desk, lines[-1])[1].split())


def refusal(*lines):
    with pytest.raises(DiagnoseError) as caught:
        answer_to(*lines)
    return str(caught.value)


def last(*lines):
    return desk_after(*lines).case.snapshot[-1]


# ------------------------------------------------------------------ commands


@pytest.mark.parametrize(
    ("line", "manoeuvre", "minutes", "before"),
    [
        ("snapshot climb", "climb", 1.0, 0.0),
        ("SNAPSHOT Climb", "climb", 1.0, 0.0),
        ("snapshot climb for 2 after 10", "climb", 2.0, 10.0),
        ("snapshot left turn after 10 minutes for 1.5 min", "left_turn", 1.5, 10.0),
        ("snapshot climbing left", "climbing_left_turn", 1.0, 0.0),
        ("snapshot take-off roll for 30 seconds", "takeoff_roll", 0.5, 0.0),
        ("snapshot s&l after 1 hour", "level", 1.0, 60.0),
        ("snapshot after start", "idle_at_rest", 1.0, 0.0),
    ],
)
def test_a_snapshot_is_started(line, manoeuvre, minutes, before):
    snapshot = last(line)
    assert (snapshot.manoeuvre, snapshot.minutes, snapshot.minutes_before) == (manoeuvre, minutes, before)


def test_a_snapshot_takes_its_readings_along_and_keeps_the_switches():
    snapshot = last("snapshot level", "switch pitot heat on", "snapshot climb; airspeed falling; vsi zero")
    assert snapshot == SnapshotRecord(
        manoeuvre="climb",
        switches={"pitot_heat": "on"},
        readings={"airspeed.trend": "falling", "vertical_speed.rate": "zero"},
    )


def test_a_switch_can_be_said_or_commanded():
    for line in ("switch alt static on", "alternate static was on", "alternate on"):
        assert last("snapshot level", line).switches == {"alternate_static": "on"}
    said = "Its readings count as taken after the switch: for before and after use two snapshots."
    assert said in answer_to("snapshot level", "vsi zero", "switch alt static on")
    assert said in answer_to("snapshot level", "vsi zero", "alt static on")
    assert "alternate static source off pitot heat off" in answer_to("snapshot level", "switch")


def test_conditions_come_and_go():
    assert desk_after("context icing; washed", "context not washed").case.context == ("below_freezing",)
    assert desk_after("context icing", "context none").case.context == ()
    assert desk_after("context no horizon").case.context == ("instruments_only",)
    assert "* below freezing" in answer_to("context icing", "context")


def test_the_odds_are_chosen():
    assert desk_after("odds exercise").case.setting == "exercise"
    assert desk_after("setting routine flight").case.setting == "routine"
    assert "* anomaly somebody noticed something" in answer_to("odds")


def test_a_panel_is_chosen_unless_it_lacks_what_was_read():
    assert desk_after("panel two pumps").case.panel == "dual_pump"
    assert "* single pump six round dials" in answer_to("panel")


def test_forget_takes_all_of_a_gauge_out():
    lines = ("snapshot level", "attitude level; tc level", "attitude probably leaning", "attitude vs heading")
    snapshot = last(*lines, "forget horizon")
    assert snapshot == SnapshotRecord(manoeuvre="level", readings={"turn_coordinator.turn": "level"})


def test_what_changes_the_odds_shows_the_ranking_again():
    spoken = ("snapshot level", "suction zero", "tc level")
    again = (
        "context vacuum history",
        "odds exercise",
        "panel dual pump",
        "forget tc",
        "undo",
        "alt static on",
    )
    for line in again:
        assert " use " in answer_to(*spoken, line), line
    assert " use " not in answer_to("snapshot level", "context icing")
    assert " use " not in answer_to(*spoken, "context not icing")


def test_what_was_heard_is_said_back():
    assert answer_to("snapshot level", "asi droping; vsi maybe zero").startswith(
        "Heard: airspeed indicator: trend falling; vertical speed indicator: zero (65 % sure)."
    )


def test_lists_of_what_there_is():
    assert "gyros attitude, heading, turn coordinator, ball" in answer_to("gauges")
    assert "falling 5 kt or more lower at the end than at the start" in answer_to("readings asi")
    assert "Which manoeuvre? run up, " in answer_to("snapshot")
    assert "vacuum gyros spinning up, pump sheared" in answer_to("failure")
    assert "standby valve stuck" not in answer_to("failure")
    assert "static_blocked_climb" in answer_to("load")


def test_a_failure_is_explained():
    text = answer_to("snapshot level", "suction zero", "failure wasp nest")
    for part in (
        "how it shows no ram air",
        "chance <0.1 % before",
        "airspeed zero, not normal",
        "Tell-tale: airspeed ",
        "Easily taken for: pitot cover left on",
        "by a licensed technician:",
        "Source: ",
    ):
        assert part in text
    assert "it does not have the part" in answer_to("failure standby valve stuck")


def test_why_gives_the_reasons_reading_by_reading():
    said = ("snapshot level", "suction zero; attitude leaning; vsi zero")
    text = answer_to(*said, "why")
    assert text.startswith("Why vacuum pump failed")
    assert "suction zero x " in text
    assert "Add nothing to the others (snapshot): vertical speed zero (1)" in text
    assert answer_to(*said, "why nothing").startswith("Why nothing failed?")
    assert "The leading one: vacuum pump failed" in answer_to(*said, "why suction gauge zero")
    assert refusal(*said, "why left pump stopped").startswith("there is no failure on the panel single_pump")
    assert refusal(*said, "why pumb").startswith("there is no failure 'pumb'")


def test_rank_says_why_in_short():
    text = answer_to("snapshot level", "suction zero", "rank")
    assert "Why: suction zero (x " in text
    assert "against 'nothing failed'" in text


def test_failures_are_compared():
    text = answer_to("compare pump sheared, suction gauge zero")
    assert "A leaning; B stable" in text
    assert "A lit; B out" in text
    assert text == answer_to("compare pump sheared and suction gauge zero")
    assert "B nothing failed" in answer_to("compare pump sheared, nothing")
    assert refusal("compare pump sheared").startswith("one failure alone cannot be compared")
    assert refusal("compare").startswith("compare which failures?")
    assert refusal("compare left pump stopped, pump sheared").startswith("there is no failure on the panel")


def test_show_gives_the_case_in_words():
    text = answer_to("snapshot climb for 2", "airspeed probably falling", "show")
    assert "snapshot 1: straight climb at constant speed, 2 min" in text
    assert "airspeed indicator trend falling (80 % sure)" in text


def test_rank_gives_the_whole_answer():
    assert "To fly on: straight and level" in answer_to("snapshot level", "suction zero", "rank")


def test_help_lists_every_command_and_explains_each():
    listed = answer_to("help")
    for command in COMMANDS.values():
        assert command.usage in listed
        assert command.help in " ".join(listed.split())
        assert command.help in answer_to(f"help {command.name}")
        assert all(command_of(word) is command for word in (command.name, *command.also))


def test_a_line_that_begins_like_a_command_can_be_a_reading():
    assert last("snapshot level", "panel lights dim").readings == {"lights.state": "dim"}


@pytest.mark.parametrize("line", ["", "   ", "# a remark"])
def test_empty_lines_and_remarks_do_nothing(line):
    desk = Desk(kb=shipped())
    assert obey(desk, line) == (desk, "")


def test_quit_ends():
    assert desk_after("quit").done
    assert desk_after("exit").done


def test_the_hint_has_three_lines_that_work():
    assert len(HINT) == 3
    commands = [line[38:].split("   ")[0] for line in HINT]
    assert "To fly on: straight climb" in answer_to(*commands)
    assert max(map(len, HINT)) <= 84


# ------------------------------------------------------------------ files


def test_saving_never_writes_over_a_file_unasked(tmp_path):
    path = tmp_path / "tuesday.toml"
    desk = desk_after("snapshot level", f"save {tmp_path}/tuesday")
    assert load_case(str(path), shipped()).title == "tuesday"
    desk, _ = obey(desk, "vsi zero")
    desk, text = obey(desk, "save")
    assert text == f"Saved: {path}"
    assert load_case(str(path), shipped()).snapshot[0].readings == {"vertical_speed.rate": "zero"}
    with pytest.raises(CaseError) as caught:
        desk_after("snapshot climb", f"save {path}")
    assert f"there is a file {path} already. To mend: another name, or: save {path} over." in str(
        caught.value
    )
    desk_after("snapshot climb", f"save {path} over")
    assert load_case(str(path), shipped()).snapshot[0].manoeuvre == "climb"


def test_save_after_undoing_a_load_asks_for_a_name(tmp_path):
    desk_after("snapshot level", f"save {tmp_path}/other")
    with pytest.raises(CaseError, match="save under which file name"):
        desk_after("snapshot climb", f"load {tmp_path}/other.toml", "undo", "save")


def test_a_shipped_case_is_not_written_over():
    with pytest.raises(CaseError, match="save under which file name"):
        desk_after("load disagreement_only", "save")


def test_load_takes_names_with_spaces_quotes_and_no_ending(tmp_path):
    desk_after("snapshot level", f"save {tmp_path}/a b")
    for name in (f'"{tmp_path}/a b.toml"', f"{tmp_path}/a b.toml", f"{tmp_path}/a b"):
        assert desk_after(f"load {name}").case.snapshot[0].manoeuvre == "level"


def test_a_contradictory_case_can_be_loaded_and_mended(monkeypatch):
    def impossible(desk):
        raise ImpossibleEvidence("these cannot all be true: a; b")

    desk = desk_after("snapshot level", "suction zero", "attitude level")
    monkeypatch.setattr(Desk, "answer", impossible)
    after, text = obey(desk, "forget suction")
    assert after.case.snapshot[0].readings == {"attitude.bank": "level"}
    assert "these cannot all be true" in text
    for line in ("vsi zero", "odds exercise"):
        with pytest.raises(ImpossibleEvidence):
            obey(desk, line)


# ------------------------------------------------------------------ what is refused


@pytest.mark.parametrize(
    ("line", "error", "text"),
    [
        (
            "snapshot loop the loop",
            UnknownName,
            "there is no manoeuvre 'loop the loop'. To mend: use one of:",
        ),
        (
            "snapshot turn",
            UnknownName,
            "'turn' can mean several manoeuvres. To mend: use one of: left turn, r",
        ),
        ("snapshot climb after 25 h", CaseError, "no snapshot lasts, and no gap is, longer than a day"),
        ("snapshot climb for 0", CaseError, "a snapshot lasts longer than nothing, and comes after the one"),
        (
            "snapshot climb after -5",
            CaseError,
            "a snapshot lasts longer than nothing, and comes after the one",
        ),
        (
            "snapshot climb; airspeed purple",
            UnknownName,
            "there is no reading of the airspeed indicator 'purple'",
        ),
        (
            "panel dual",
            UnknownName,
            "'dual' can mean several panels. To mend: use one of: dual pump, two sets.",
        ),
        (
            "panel electric attitude",
            CaseError,
            "the panel electric attitude has no turn coordinator, spoken of in",
        ),
        (
            "odds banana",
            UnknownName,
            "there is no setting 'banana'. To mend: use one of: routine, anomaly, exer",
        ),
        ("context banana", UnknownName, "there is no context 'banana'"),
        (
            "switch pitot heat sideways",
            CaseError,
            "pitot heat has no position 'sideways'. To mend: use off or on",
        ),
        ("switch pitot heat", CaseError, "pitot heat has no position 'heat'"),
        (
            "switch standby on",
            UnknownName,
            "there is no switch 'standby'. To mend: use one of: alternate static",
        ),
        ("forget", CaseError, "forget which gauge? To mend: for example: forget airspeed."),
        ("forget vsi", CaseError, "nothing was said of the vertical speed indicator in snapshot 1."),
        ("forget banana", UnknownName, "there is no gauge 'banana'"),
        ("readings", CaseError, "readings of which gauge? To mend: for example: readings airspeed."),
        (
            "failure pump",
            UnknownName,
            "'pump' can mean several failures. To mend: use one of: pump sheared, pum",
        ),
        ("save", CaseError, "save under which file name? To mend: for example: save tuesday."),
        ("save /", CaseError, "'/' is no file name. To mend: for example: save tuesday."),
        ("save ~nobody_lives_here/x", CaseError, "'~nobody_lives_here/x' is no file name"),
        (
            "save /no/such/folder/x",
            CaseError,
            "the case cannot be written (No such file or directory). Where: /no",
        ),
        ("load nowhere", UnknownName, "there is no case 'nowhere'"),
        ("load no\0where", UnknownName, "there is no case"),
        ("help banana", UnknownName, "there is no command 'banana'"),
        ("hlep", UnknownName, "there is no command 'hlep'. To mend: use: help."),
        ("snapshto climb", UnknownName, "there is no command 'snapshto'. To mend: use: snapshot climb."),
        (
            "airspeed rising; airspeed falling",
            CaseError,
            "airspeed trend cannot be both rising and falling in one",
        ),
        ("airspeed disagrees with ball", CaseError, "airspeed and ball do not tell of one thing"),
        ("!", CaseError, "'!' says nothing. To mend: for example: airspeed falling."),
        ("redo", CaseError, "there is nothing to do again."),
    ],
)
def test_what_is_refused_is_explained_and_changes_nothing(line, error, text):
    desk = desk_after("snapshot level", "tc level")
    with pytest.raises(error) as caught:
        obey(desk, line)
    assert text in str(caught.value)


def test_before_the_first_snapshot_the_way_is_shown():
    for line in ("airspeed falling", "switch pitot heat on", "forget airspeed"):
        with pytest.raises(CaseError, match="no snapshot has been started"):
            desk_after(line)
    with pytest.raises(CaseError, match="the case has no snapshot"):
        desk_after("rank")
    with pytest.raises(CaseError, match="there is nothing to take back"):
        desk_after("undo")


LINES = st.sampled_from(
    [
        *(
            "snapshot climb",
            "snapshot level for 2 after 5; vsi zero",
            "airspeed falling",
            "tc vs ai",
            "vsi normal",
        ),
        *(
            "rest as expected",
            "pitot heat on",
            "context icing",
            "odds routine",
            "panel dual pump",
            "forget asi",
        ),
        *("undo", "redo", "new", "nonsense", "airspeed probably low", "panel standby", "switch standby on"),
    ]
)


@settings(deadline=None, max_examples=25)
@given(st.lists(LINES, max_size=8))
def test_whatever_is_typed_can_be_undone_and_leaves_a_case_that_can_be_answered(lines):
    desk = desk_after()
    for line in lines:
        try:
            desk, _ = obey(desk, line)
        except DiagnoseError:
            continue
        if desk.case.snapshot:
            assert desk.answer().ranking
    while desk.session.past:
        desk, _ = obey(desk, "undo")
    assert desk.case == desk_after().case


# ------------------------------------------------------------------ completion and the line at the foot


def offered(text, *lines):
    return [candidate for candidate, _, _ in complete(text, desk_after(*lines))]


def test_completion_offers_commands_and_gauges_then_what_fits():
    assert set(offered("")) >= {*COMMANDS, "airspeed", "rest as expected"}
    assert offered("sna") == ["snapshot"]
    assert "climb" in offered("snapshot cl")
    assert offered("snapshot level; airspeed fal") == ["falling"]
    assert offered("panel du") == ["dual pump", "two sets"]
    assert "below freezing" in offered("context washed; ic")
    assert offered("switch alt") == ["alternate static off", "alternate static on"]
    assert offered("odds ex") == ["exercise"]
    assert "static_blocked_climb" in offered("load static")
    assert "rank" not in offered("airspeed falling; ra")
    assert offered("panel lights di") == ["dim"]


def test_completion_offers_only_what_is_possible_here():
    assert not offered("failure standby valve")
    assert not offered("why standby valve")
    assert offered("compare pump sheared, suction ga")
    assert offered("failure standby valve", "panel standby suction") == ["standby valve stuck"]
    assert not offered("switch standby")


def test_a_candidate_says_how_much_it_replaces():
    assert complete("context washed; ici", desk_after())[0][2] == 3


def test_the_line_at_the_foot_tells_where_things_stand():
    assert summary(desk_after()) == " single pump | no snapshot | odds: anomaly "
    foot = summary(desk_after("snapshot level", "suction zero; attitude leaning; tc level"))
    assert foot.startswith(" single pump | snapshot 1: level | odds: anomaly | ")
    assert "vacuum pump" in foot
    assert len(foot) <= 80


def test_a_gauge_that_is_spelt_like_a_command_is_not_taken_for_a_mistyped_command():
    desk, _ = obey(Desk(kb=shipped()), "snapshot level")
    with pytest.raises(DiagnoseError) as caught:
        obey(desk, "heading drifting right")
    assert "no command" not in str(caught.value)
