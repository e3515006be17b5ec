"""The commands of the prompt: what each does, what it refuses, and that nothing is lost."""

from __future__ import annotations

import contextlib
import math
import re
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose import answer_case, engine_for
from diagnose.language import readable
from diagnose.language.names import phrases
from diagnose.model import CaseRecord, Grade, SnapshotRecord
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.network.readings import reading_of
from diagnose.render.advice import worth_while
from diagnose.render.layout import chance_words
from diagnose.render.pages.writeup import write_up
from diagnose.render.text import PLAIN, screen_rows
from diagnose.terminal.commands import COMMANDS, HINT, Desk, command_of, next_step, obey
from diagnose.terminal.commands.answers import TOPICS
from diagnose.terminal.commands.desk import Left
from diagnose.terminal.screen import complete, summary
from tests.desks import ENGINES, answer_to, desk_after, last, refusal
from tests.small import shipped

# ------------------------------------------------------------------ commands


@pytest.mark.parametrize(
    ("line", "manoeuvre", "minutes", "before"),
    [
        ("snapshot climb", "climb", 1.0, 0.0),
        ("SNAPSHOT Climb", "climb", 1.0, 0.0),
        ("snapshot climb for 2 after 10", "climb", 2.0, 10.0),
        ("snapshot left turn after 10 minutes for 1.5 min", "left_turn", 1.5, 10.0),
        ("snapshot climbing left", "climbing_left_turn", 1.0, 0.0),
        ("snapshot takeoff roll for 30 seconds", "takeoff_roll", 0.5, 0.0),
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


@pytest.mark.parametrize("line", ["climb, airspeed falling; vsi zero", "climb; airspeed falling; vsi zero"])
@pytest.mark.parametrize("before", [(), ("snapshot level; altimeter steady",)])
def test_a_maneuver_at_the_head_of_readings_starts_a_moment(line, before):
    snapshot = last(*before, line)
    assert snapshot.manoeuvre == "climb"
    assert snapshot.readings == {"airspeed.trend": "falling", "vertical_speed.rate": "zero"}


@pytest.mark.parametrize("line", ["take that back", "No, I got that wrong.", "scratch that"])
def test_what_was_said_last_can_be_taken_back_in_plain_words(line):
    assert last("snapshot climb; airspeed falling", "vsi zero", line).readings == {"airspeed.trend": "falling"}


@pytest.mark.parametrize("line", ["drill", "quiz me, five questions"])
def test_who_wants_to_be_quizzed_is_told_how(line):
    assert "diagnose drill" in answer_to(line)


@pytest.mark.parametrize("question", ["why", "why not the vacuum pump", "why vacuum pump", "next", "writeup", "what if suction low"])
@pytest.mark.parametrize("said", ["suction 5 inches", "suction 3.8", "heading 30 off", "altimeter 300 high"])
def test_a_number_that_was_said_breaks_no_answer(said, question):
    """A fresh pair of eyes asked "why not the vacuum pump?" after "the suction was 5 inches": a KeyError."""
    assert answer_to("snapshot level", said, question)


def test_a_switch_can_be_said_or_commanded():
    for line in ("switch alt static on", "alternate static was on", "alternate on"):
        assert last("snapshot level", line).switches == {"alternate_static": "on"}
    said = "Its readings count as taken after the switch: for before and after use two moments."
    assert said in answer_to("snapshot level", "vsi zero", "switch alt static on")
    assert said in answer_to("snapshot level", "vsi zero", "alt static on")
    assert "alternate static source off pitot heat off" in answer_to("snapshot level", "switch")


def test_what_is_read_again_with_a_switch_moved_was_read_after_it():
    before = ("moment climb; airspeed falling; vsi zero",)
    for line in ("alternate static on; airspeed normal; vsi climb", "alt static on; rest as expected"):
        desk = desk_after(*before, line)
        first, second = desk.case.snapshot
        assert first == last(*before)
        assert (second.manoeuvre, second.switches) == ("climb", {"alternate_static": "on"})
        assert second.readings["vertical_speed.rate"] == "climb"
        assert "That is moment 2, after the switch was moved" in answer_to(*before, line)
        assert desk_after(*before, line, "undo").case.snapshot == (first,)
    # a gauge that was not read before may belong to the same moment, and so does a switch that stands so already
    assert len(desk_after(*before, "alternate static on; suction normal").case.snapshot) == 1
    already = ("moment climb; alternate static on; airspeed falling", "alternate static on; airspeed rising")
    assert len(desk_after(*already).case.snapshot) == 1


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
        assert "BECAUSE" in answer_to(*spoken, line), line
    assert "BECAUSE" not in answer_to("snapshot level", "context icing")
    assert "BECAUSE" not in answer_to(*spoken, "context not icing")


def test_what_was_heard_is_said_back():
    assert answer_to("snapshot level", "asi droping; vsi maybe zero").startswith(
        "Heard: airspeed indicator: trend falling; vertical speed indicator: zero (75 % sure)."
    )


def test_lists_of_what_there_is():
    assert "gyros attitude, heading, turn coordinator, ball" in answer_to("gauges")
    assert "falling 5 kt or more lower at the end than at the start" in answer_to("readings asi")
    assert "Which maneuver? run up, " in answer_to("snapshot")
    assert "vacuum gyros spinning up, thin air suction, pump sheared" in answer_to("failure")
    assert "standby valve stuck" not in answer_to("failure")
    assert "static_blocked_climb" in answer_to("load")


def test_a_failure_is_explained():
    text = answer_to("snapshot level", "suction zero", "failure wasp nest full")
    for part in (
        "how it shows no ram air",
        "Tell-tale: airspeed ",
        "Often confused with: pitot cover left on",
        "by a licensed technician:",
        "Source: ",
    ):
        assert part in text
    assert re.search(r"chance [a-z ]*\d+ in \d+ before the readings, [a-z ]*\d+ in \d+ with them", text)
    assert re.search(r"airspeed [^.]*zero \(usually normal\)", text)
    assert "it does not have the part" in answer_to("failure standby valve stuck")


def test_why_gives_the_reasons_reading_by_reading():
    said = ("snapshot level", "suction zero; attitude leaning; vsi zero")
    plain = answer_to(*said, "why")
    assert plain.startswith("Why vacuum pump failed")
    assert "suction zero (very strong evidence)" in plain
    assert " x " not in plain
    text = answer_to(*said, "why figures")
    assert text.startswith(plain)
    assert "suction zero x " in text
    assert "Add nothing to the others (moment): vertical speed zero (1)" in text
    assert answer_to(*said, "why nothing").startswith("Why nothing failed?")
    assert "The leading one: vacuum pump failed" in answer_to(*said, "why suction gauge zero")
    assert refusal(*said, "why left pump stopped").startswith("there is no failure on the panel single_pump")
    assert refusal(*said, "why pumb").startswith("there is no failure 'pumb'")


def test_rank_says_why_in_short():
    text = answer_to("snapshot level", "suction zero", "rank full")
    assert "Why: suction zero (very strong evidence)" in text
    assert "compared with no failure" in text


def test_failures_are_compared():
    text = answer_to("compare pump sheared, suction gauge zero")
    assert "A leaning or tumbling; B stable" in text
    assert "A lit; B out" in text
    assert text == answer_to("compare pump sheared and suction gauge zero")
    assert "B nothing failed" in answer_to("compare pump sheared, nothing")
    assert refusal("compare pump sheared").startswith("one failure alone cannot be compared")
    assert refusal("compare").startswith("compare which failures?")
    assert refusal("compare left pump stopped, pump sheared").startswith("there is no failure on the panel")


def test_groups_that_look_alike_are_listed():
    text = answer_to("snapshot climb", "alike")
    assert "With every gauge read once in 'climb, wings level, constant airspeed'" in text
    assert "static ports blocked (tape, paint, wax, dirt); static ports or line frozen shut" in text
    assert "'straight and level, constant airspeed'" in answer_to("alike level flight")
    assert refusal("alike").startswith("alike in which maneuver?")


def test_show_gives_the_case_in_words():
    text = answer_to("snapshot climb for 2", "airspeed probably falling", "show")
    assert "moment 1: climb, wings level, constant airspeed, 2 min" in text
    assert "airspeed indicator trend falling (85 % sure)" in text


def test_rank_gives_the_whole_answer():
    said = ("snapshot level", "suction zero")
    assert "Partial panel, fly by: straight and level" in answer_to(*said, "rank full")
    assert answer_to(*said, "rank").startswith("LIKELY Vacuum pump failed")
    assert refusal(*said, "rank all").startswith("'rank' takes no 'all'")


def test_help_lists_every_command_and_explains_each():
    listed = answer_to("help all")
    first = answer_to("help")
    # what cannot stand on one screen stands behind a topic
    assert len(first.splitlines()) <= 20
    topics = " ".join(answer_to(f"help {topic}") for topic in TOPICS)
    for command in COMMANDS.values():
        assert command.usage in topics or command.name in ("help", "yes", "no"), command.name
        assert command.usage in listed
        assert command.help in " ".join(listed.split())
        assert command.help in answer_to(f"help {command.name}")
        assert all(command_of(word) is command for word in (command.name, *command.also))


def test_help_explains_the_terms_of_the_glossary():
    text = answer_to("help precession")
    assert "90 degrees further round" in text
    # a word that is a gauge and a term is told as both
    both = answer_to("help ammeter")
    assert "into or out of the battery" in both
    assert "discharge" in both
    for term in shipped().terms.values():
        for word in (term.name, *term.words):
            assert " ".join(term.means.split()) in " ".join(answer_to(f"help {word}").split()), word


@pytest.mark.parametrize(
    ("said", "next_said"),
    [
        ((), "Say what you were flying"),
        (("snapshot climb",), "what the gauges showed"),
        (("snapshot climb", "asi falling"), "'rank'"),
    ],
)
def test_enter_alone_says_what_to_do_next(said, next_said):
    assert next_said in next_step(desk_after(*said))


def test_help_tells_of_every_gauge_and_reading():
    text = answer_to("help falling")
    assert "'falling' counts in one moment as:" in text
    assert "airspeed 5 kt or more lower at the end than at the start" in text
    assert "altimeter 60 ft or more lower" in text
    assert "vertical speed descent: more than 150 fpm down" in text
    assert "falling 5 kt or more lower at the end than at the start" in answer_to("help asi")
    assert "climb: climb, wings level, constant airspeed (a maneuver)" in answer_to("help climb")
    for gauge in shipped().panel("single_pump").gauges:
        assert shipped().gauges[gauge].name in answer_to(f"help {shipped().gauges[gauge].words[0]}")
        for facet in shipped().gauges[gauge].facets:
            for reading in facet.readings:
                assert reading.means in answer_to(f"help {reading.id}")


def test_plain_text_is_one_statement_a_line_and_nothing_is_drawn():
    for line in (
        "rank",
        "rank full",
        "show",
        "help",
        "readings asi",
        "why",
        "failure pump sheared",
        "compare pump sheared, attitude worn",
        "compare static_blocked_climb with wrong_setting",
    ):
        desk = replace(desk_after("snapshot level; suction zero; vsi probably zero"), width=PLAIN)
        text = obey(desk, line)[1]
        assert not re.search(r"={3}|-{3}|\S {2,}\S", text), line
        assert re.search(r"^\s*$", text.replace("\n\n", "\n"), re.MULTILINE) is None, line
    assert "1. vacuum pump" in obey(replace(desk, width=PLAIN), "rank full")[1]
    assert "LIKELY: Vacuum pump" in obey(replace(desk, width=PLAIN), "rank")[1]


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
    commands = [line[34:].split("   ")[0] for line in HINT]
    assert "IGNORE airspeed, altimeter, vertical speed" in answer_to(*commands)
    assert max(map(len, HINT)) <= 80


# ------------------------------------------------------------------ earlier snapshots


def test_an_earlier_snapshot_is_taken_in_hand_and_mended():
    lines = ("snapshot climb; airspeed falling", "snapshot level; vsi zero", "go 1")
    desk = desk_after(*lines, "airspeed rising", "alt static on", "altimeter steady")
    first, second = desk.case.snapshot
    assert first.readings == {"airspeed.trend": "rising", "altimeter.trend": "steady"}
    assert first.switches == {"alternate_static": "on"}
    assert (second.readings, second.switches) == ({"vertical_speed.rate": "zero"}, {})
    assert "airspeed indicator trend falling" in answer_to(*lines)
    assert "moment 1 of 2: climb" in summary(desk_after(*lines))
    assert last(*lines, "snapshot descent").manoeuvre == "descent"


def test_a_snapshot_is_copied_changed_and_deleted():
    lines = (
        "snapshot climb for 2; airspeed falling",
        "snapshot level",
        "copy 1",
        "maneuver descent for 3 after 4",
    )
    desk = desk_after(*lines)
    assert [s.manoeuvre for s in desk.case.snapshot] == ["climb", "descent", "level"]
    assert desk.case.snapshot[1] == SnapshotRecord(
        manoeuvre="descent", minutes=3.0, minutes_before=4.0, readings={"airspeed.trend": "falling"}
    )
    desk = desk_after(*lines, "delete 1", "delete last")
    assert [s.manoeuvre for s in desk.case.snapshot] == ["descent"]
    assert desk_after(*lines, "maneuver for 5").session.snapshot.minutes == 5.0
    assert "Which maneuver? run up" in answer_to("snapshot climb", "manoeuvre")


def test_what_was_filled_in_follows_the_manoeuvre():
    desk = desk_after("snapshot level; suction zero; rest as expected", "maneuver climb")
    readings = desk.session.snapshot.readings
    assert (readings["vertical_speed.rate"], readings["suction.value"]) == ("climb", "zero")


@pytest.mark.parametrize("line", ["go 3", "go 0", "copy 9", "delete 3", "go banana"])
def test_a_snapshot_that_is_not_there(line):
    with pytest.raises(CaseError, match="moment"):
        desk_after("snapshot climb", "snapshot level", line)


# ------------------------------------------------------------------ asking first


def asked(*lines):
    desk = replace(desk_after(*lines[:-1]), asks=True)
    return obey(desk, lines[-1])


def test_work_is_not_put_away_without_asking():
    for line in ("new", "load wrong_setting"):
        desk, text = asked("snapshot level; suction zero", line)
        assert "unsaved changes" in text
        assert desk.case.snapshot[0].readings == {"suction.value": "zero"}
        assert obey(desk, "yes")[0].case.snapshot != desk.case.snapshot
        assert obey(desk, "no")[0].case == desk.case
        # another line is no yes
        other = obey(desk, "show")[0]
        with pytest.raises(CaseError, match="nothing was asked"):
            obey(other, "yes")


def test_nothing_is_asked_where_nothing_is_lost(tmp_path):
    for lines in (("new",), ("load wrong_setting", "new"), ("snapshot level", f"save {tmp_path}/a", "new")):
        assert not asked(*lines)[0].pending
    assert not desk_after("snapshot level", "new").case.snapshot  # a pipe cannot answer


def test_what_was_left_is_taken_up_or_thrown_away_only_after_a_yes():
    state = desk_after("snapshot level; suction zero").session.now
    lefts = tuple(Left(state=state, when="1 May", path=Path(f"{n}")) for n in (1, 2))
    desk = Desk(kb=shipped(), engines=ENGINES, asks=True, left=lefts)
    assert "2 untitled, 1 moment, last: level: suction zero (1 May)" in " ".join(obey(desk, "restore")[1].split())
    after, _ = obey(desk, "restore 2")
    assert (after.case, after.left) == (state.case, lefts[:1])
    after, text = obey(desk, "restore none")
    assert (after.left, "'yes' or 'no'" in text) == (lefts, True)
    assert obey(after, "yes")[0].left == ()
    for line in ("restore 3", "restore banana"):
        with pytest.raises(CaseError):
            obey(desk, line)
    with pytest.raises(CaseError, match="there is no unsaved work"):
        desk_after("restore")


# ------------------------------------------------------------------ undo


EDITS = st.sampled_from(
    [
        "snapshot climb",
        "snapshot level; suction zero",
        "airspeed falling; rest as expected",
        "vsi probably zero",
        "forget airspeed",
        "alt static on",
        "context icing",
        "odds exercise",
        "panel dual pump",
        "copy",
        "copy 1",
        "delete",
        "delete 1",
        "go 1",
        "go last",
        "maneuver descent for 2",
        "what if tc level",
        "keep",
        "drop",
        "branch a",
        "new",
        "load wrong_setting",
        "undo",
        "redo",
    ]
)


@given(st.lists(EDITS, max_size=12))
def test_as_many_undos_as_there_were_changes_give_back_the_start(lines):
    desk = Desk(kb=shipped(), engines=ENGINES, later=True)
    start = desk.session.now
    for line in lines:
        with contextlib.suppress(DiagnoseError):
            desk, _ = obey(desk, line)
        assert not desk.case.snapshot or desk.session.snapshot in desk.case.snapshot
    end = desk.session.now
    undone = 0
    while desk.session.past:
        desk, _ = obey(desk, "undo")
        undone += 1
    assert desk.session.now == start
    for _ in range(undone):
        desk, _ = obey(desk, "redo")
    assert replace(desk.session.now, at=0, path=None) == replace(end, at=0, path=None)


# ------------------------------------------------------------------ completion and the line at the foot


def offered(text, *lines):
    return [candidate for candidate, _, _ in complete(text, desk_after(*lines))]


def test_completion_offers_commands_and_gauges_then_what_fits():
    assert set(offered("")) >= {*COMMANDS, "airspeed", "rest as expected"}
    assert offered("mom") == ["moment"]
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
    assert summary(desk_after()) == " single pump | nothing said yet | anomaly noticed "
    foot = summary(desk_after("snapshot level", "suction zero; attitude leaning; tc level"))
    assert foot.startswith(" single pump | moment 1: level | anomaly noticed | ")
    assert "vacuum pump" in foot
    assert len(foot) <= 80


def test_a_gauge_that_is_spelt_like_a_command_is_not_taken_for_a_mistyped_command():
    desk, _ = obey(Desk(kb=shipped()), "snapshot level")
    with pytest.raises(DiagnoseError) as caught:
        obey(desk, "heading drifting right")
    assert "no command" not in str(caught.value)


# ------------------------------------------------------------------ questions in plain words


def test_every_word_of_a_question_leads_to_a_command_that_is_there():
    for way, wanted in phrases().asks.items():
        word, _, topic = wanted.partition(" ")
        assert word in COMMANDS, way
        assert not topic or topic in TOPICS, way


@pytest.mark.parametrize(
    ("question", "same_as"),
    [
        ("What should I have flown by?", "fly"),
        ("which of these instruments could I trust", "fly"),
        ("What would the mechanic want to know?", "writeup"),
        ("and what is the most likely cause", "rank"),
        ("how do I save all this?", "help files"),
    ],
)
def test_a_question_is_answered_by_what_it_asks_for(question, same_as):
    desk = desk_after("snapshot climb", "airspeed falling; altimeter steady")
    assert obey(desk, question)[1] == obey(desk, same_as)[1]


def test_a_question_without_an_answer_says_what_can_be_asked():
    desk = desk_after("snapshot climb", "airspeed falling")
    with pytest.raises(CaseError, match=r"no answer to 'who ate my lunch\?'\. Try: rank"):
        obey(desk, "who ate my lunch?")


def test_what_is_and_a_term_is_explained():
    desk = desk_after()
    for term in desk.kb.terms.values():
        assert f"{term.name}: {term.means[:20]}" in obey(desk, f"What is {term.name}?")[1], term.id


# ------------------------------------------------------------------ flags told with doubt, numbers in the write-up


@pytest.mark.parametrize("sure", [0.6, 0.75, 0.9, 1.0])
@pytest.mark.parametrize(("panel", "gauge"), [("single_pump", "turn_coordinator"), ("electric_horizon", "electric_attitude")])
def test_an_instrument_whose_flag_was_seen_is_not_good_however_unsure_it_was(panel, gauge, sure):
    kb = shipped()
    if panel not in kb.panels:
        panel = next(p.id for p in kb.panels.values() if gauge in p.gauges)
    engine = ENGINES.setdefault(panel, engine_for(kb, panel))
    told = {"readings": {f"{gauge}.flag": "showing"}} if sure == 1.0 else {"unsure": {f"{gauge}.flag": ("showing", sure)}}
    answer = answer_case(kb, CaseRecord(title="x", panel=panel, snapshot=(SnapshotRecord(manoeuvre="level", **told),)), engine)
    (trust,) = (one for one in answer.trust if one.gauge == gauge)
    assert trust.grade is not Grade.USE
    assert gauge not in [axis.primary for axis in answer.axes]


def test_a_number_is_normal_in_the_write_up_where_the_reading_is_that_it_stands_for():
    """Every facet of the panel that takes a number, a number of each of its readings."""
    kb, engine = shipped(), ENGINES.setdefault("single_pump", engine_for(shipped(), "single_pump"))
    network, seen = engine.network, 0
    for name in network.facets:
        facet = kb.facet(name)
        for reading in facet.readings if facet.sizes else ():
            low, high = reading.where.get(facet.sizes.statistic, (-math.inf, math.inf))
            inside = [edge + 1e-3 for edge in facet.sizes.edges if low <= edge + 1e-3 <= high]
            if not inside or reading_of(facet, f"{inside[0]:.3f} {facet.sizes.unit}") != reading.id:
                continue
            odd = []
            for said in (reading.id, f"{inside[0]:.3f} {facet.sizes.unit}"):
                case = CaseRecord(title="x", panel="single_pump", snapshot=(SnapshotRecord(manoeuvre="level", readings={name: said}),))
                answer = SimpleNamespace(failures={}, ranking=(), trust=())
                sound = [network.sound_chances("level", {})]
                (moment,) = write_up(case, answer, kb, sound).moments
                odd.append(bool(moment.odd))
            assert odd[0] == odd[1], (name, reading.id)
            seen += 1
    assert seen > 5


@pytest.mark.parametrize(
    ("asked", "name"),
    [("why not the vacuum pump", "pump_sheared"), ("why not ice on the static ports?", "static_icing"), ("why not attitude worn", "attitude_worn")],
)
def test_why_not_says_first_how_likely_it_is_and_what_is_likelier(asked, name):
    before = ("snapshot level", "suction zero", "vacuum light lit", "heading drifting")
    kb, answer = shipped(), desk_after(*before).answer()
    told = answer_to(*before, asked)
    chance = chance_words(answer.failures[name], kb)
    assert told.lower().startswith(f"{kb.failures[name].name}: {chance}.")
    if name in answer.ranking[0].failures:
        assert "It is the likeliest." in told
    else:
        assert " is likelier: " in told
        assert "evidence)" in told
    assert told.endswith(f"More: why {readable(name)}.")


def test_the_write_up_goes_to_a_file_where_one_is_named(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for line, file in (("writeup a", "a.txt"), ("writeup > b.txt", "b.txt"), ("writeup to file c.txt", "c.txt")):
        assert answer_to("snapshot level", "suction zero", line) == f"Written: {file}"
        assert "Maintenance discrepancy" in (tmp_path / file).read_text()
    for line in ("writeup", "write-up for the mechanic", "writeup for maintenance", "write up"):
        assert answer_to("snapshot level", "suction zero", line).startswith("Maintenance discrepancy")
    assert "There is" not in str(refusal("writup"))
    assert "Try: writeup." in str(refusal("writup"))


def test_what_is_to_be_looked_at_next_is_not_called_good_unseen():
    for case in (("snapshot level", "attitude leaning"), ("snapshot climb", "airspeed falling"), ("snapshot level", "heading drifting")):
        desk = desk_after(*case)
        answer = desk.answer()
        rows = dict(screen_rows(answer, desk.case, desk.kb))
        seen = {facet.split(".")[0] for facet in desk.case.snapshot[-1].readings}
        for look in worth_while(answer, desk.kb)[:1] if not answer.decided else ():
            for gauge in {facet.split(".")[0] for facet in look.facets} - seen:
                words = desk.kb.gauges[gauge].words[0]
                assert words not in rows["FLY BY"].partition("good: ")[2].split(", "), (case, gauge)


def test_a_question_that_is_not_answered_is_said_to_be_left_undone():
    """Another line than yes or no goes into the case that lies there, and says so."""
    desk = replace(desk_after("snapshot level", "suction zero"), asks=True)
    desk, _ = obey(desk, "new")
    assert desk.pending == "new"
    after, said = obey(desk, "heading drifting")
    assert said.startswith("'new' was not answered and not done: the same case goes on.")
    assert "suction.value" in after.case.snapshot[0].readings
    assert "heading.trend" in after.case.snapshot[0].readings
    assert not after.pending
    gone, _ = obey(obey(desk, "yes")[0], "show")
    assert not gone.case.snapshot


def test_q_leaves_no_prompt():
    desk, said = obey(desk_after("snapshot level", "suction zero"), "q")
    assert not desk.done
    assert "'quit' leaves" in said


def test_a_write_up_tells_times_only_where_some_were_told():
    untimed = answer_to("snapshot level", "suction zero", "snapshot climb", "heading drifting", "writeup")
    assert not re.search(r"\d:\d\d (?:straight|climb)", untimed)
    assert "1. straight and level" in untimed
    assert "2. climb" in untimed
    timed = answer_to("snapshot level for 3 minutes", "suction zero", "snapshot climb", "heading drifting", "writeup")
    assert "0:00 straight and level" in timed
    assert "3:00 climb" in timed
