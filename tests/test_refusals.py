"""What commands refuse, and how they say to mend it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from diagnose.model.errors import CaseError, DiagnoseError, UnknownName
from diagnose.terminal.commands import obey
from tests.desks import desk_after
from tests.examples import some

# ------------------------------------------------------------------ what is refused


@pytest.mark.parametrize(
    ("line", "error", "text"),
    [
        (
            "snapshot loop the loop",
            UnknownName,
            "there is no maneuver 'loop the loop'. Try:",
        ),
        (
            "snapshot turn",
            UnknownName,
            "'turn' can mean several maneuvers. Try: left turn, r",
        ),
        ("snapshot climb after 25 h", CaseError, "no moment lasts, and no gap is, longer than a day"),
        ("snapshot climb for 0", CaseError, "the duration must be positive, and so must the gap"),
        (
            "snapshot climb after -5",
            CaseError,
            "the duration must be positive, and so must the gap",
        ),
        (
            "snapshot climb; airspeed purple",
            UnknownName,
            "there is no reading of the airspeed indicator 'purple'",
        ),
        (
            "panel dual",
            UnknownName,
            "'dual' can mean several panels. Try: dual pump, two sets.",
        ),
        (
            "panel electric attitude",
            CaseError,
            "the panel electric attitude has no turn coordinator, spoken of in",
        ),
        (
            "odds banana",
            UnknownName,
            "there is no setting 'banana'. Try: routine, anomaly, exer",
        ),
        ("context banana", UnknownName, "there is no context 'banana'"),
        (
            "switch pitot heat sideways",
            CaseError,
            "pitot heat has no position 'sideways'. Try: use off or on",
        ),
        ("switch pitot heat", CaseError, "pitot heat has no position 'heat'"),
        (
            "switch standby on",
            UnknownName,
            "there is no switch 'standby'. Try: alternate static",
        ),
        ("forget", CaseError, "forget which gauge? Try: forget airspeed."),
        ("forget vsi", CaseError, "nothing was said of the vertical speed indicator in moment 1."),
        ("forget banana", UnknownName, "there is no gauge 'banana'"),
        ("readings", CaseError, "readings of which gauge? Try: readings airspeed."),
        (
            "failure pump",
            UnknownName,
            "'pump' can mean several failures. Try: pump sheared, pum",
        ),
        ("save", CaseError, "save under which file name? Try: save tuesday."),
        ("save /", CaseError, "'/' is no file name. Try: save tuesday."),
        ("save ~nobody_lives_here/x", CaseError, "'~nobody_lives_here/x' is no file name"),
        (
            "save /no/such/folder/x",
            CaseError,
            "the case cannot be written (No such file or directory). Where: /no",
        ),
        ("load nowhere", UnknownName, "there is no case 'nowhere'"),
        ("load no\0where", UnknownName, "there is no case"),
        ("help banana", UnknownName, "'banana' is not a command, a gauge, a reading or a term"),
        ("hlep", UnknownName, "there is no command 'hlep'. Try: use: help."),
        ("snapshto climb", UnknownName, "there is no command 'snapshto'. Try: use: snapshot climb."),
        (
            "airspeed rising; airspeed falling",
            CaseError,
            "airspeed trend cannot be both rising and falling in one",
        ),
        ("airspeed disagrees with ball", CaseError, "airspeed and ball do not tell of one thing"),
        ("!", CaseError, "'!' says nothing. Try: airspeed falling."),
        ("redo", CaseError, "nothing to redo."),
    ],
)
def test_what_is_refused_is_explained_and_changes_nothing(line, error, text):
    desk = desk_after("snapshot level", "tc level")
    with pytest.raises(error) as caught:
        obey(desk, line)
    assert text in str(caught.value)


def test_before_the_first_snapshot_the_way_is_shown():
    for line in ("switch pitot heat on", "forget airspeed"):
        with pytest.raises(CaseError, match=r"what were you flying\?"):
            desk_after(line)
    with pytest.raises(CaseError, match="nothing has been said yet"):
        desk_after("rank")
    with pytest.raises(CaseError, match="nothing to undo"):
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


@some(25)
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
