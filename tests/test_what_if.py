"""What if, branches and comparing them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.terminal.screen import summary
from tests.desks import answer_to, desk_after

# ------------------------------------------------------------------ what if, branches


def test_a_trial_is_kept_or_dropped():
    lines = ("snapshot level; suction zero", "what if attitude leaning", "tc level")
    trial = desk_after(*lines)
    assert set(trial.case.snapshot[0].readings) == {
        "suction.value",
        "attitude.behaviour",
        "turn_coordinator.turn",
    }
    assert summary(trial).startswith(" WHAT IF | ")
    assert set(desk_after(*lines, "drop").case.snapshot[0].readings) == {"suction.value"}
    kept = desk_after(*lines, "keep")
    assert kept.case == trial.case
    assert kept.session.now.base is None
    assert "WHAT IF" not in summary(kept)
    assert desk_after(*lines, "keep", "undo").session.now == trial.session.now


def test_the_effect_of_a_trial_is_shown_beside_what_was_before():
    text = answer_to("snapshot level; suction zero", "what if attitude stable")
    assert "before: " in text
    assert "what if: " in text
    assert "what has failed before what if" in text
    assert "'keep' accepts it, 'drop' forgets it." in text
    # the vacuum pump and the attitude indicator that it drives: less likely, and trusted more
    desk = desk_after("snapshot level; suction zero", "what if attitude stable")
    before = replace(desk, session=desk.session.drop()).answer().failures["suction_gauge_zero"]
    assert desk.answer().failures["suction_gauge_zero"] > before


def test_nothing_is_saved_in_the_middle_of_a_trial(tmp_path):
    for opened in ("what if", "What if?", "whatif attitude stable"):
        with pytest.raises(CaseError, match="a 'what if' is open"):
            desk_after("snapshot level", opened, f"save {tmp_path}/x")
    for line in ("keep", "drop"):
        with pytest.raises(CaseError, match="no 'what if' is open"):
            desk_after("snapshot level", line)


def test_branches_are_compared_with_now_and_with_each_other():
    lines = (
        "snapshot level; suction zero",
        "branch low suction",
        "forget suction",
        "vsi zero; altimeter steady",
    )
    text = answer_to(*lines, "compare low suction")
    assert "low suction: " in text
    assert "what has failed low suction now" in text
    assert "suction gauge verify use differs" in text
    assert text == answer_to(*lines, "compare")
    assert "low suction" in answer_to(*lines, "branch")
    text = answer_to("compare static_blocked_climb with wrong_setting")
    assert "what has failed static_blocked_climb wrong_setting" in text


def test_failures_are_compared_whatever_stands_between_them():
    text = answer_to("compare pitot ram and drain blocked, static ports taped")
    assert "A pitot tube and drain" in text
    for other in ("and", "vs", "versus", "with"):
        assert answer_to(f"compare pitot ram and drain blocked {other} static ports taped") == text, other


def test_a_failure_to_compare_may_be_named_as_the_ranking_names_it():
    text = answer_to("compare pitot_insect_nest, pump_sheared")
    ram = "pitot tube inlet blocked (insects or dirt), drain open"
    for line in (f"{ram} with pump sheared", f"{ram}, pump sheared", f"{ram} next to pump sheared"):
        assert answer_to(f"compare {line}") == text, line


def test_of_failures_named_alike_the_one_that_the_panel_can_have_is_compared():
    text = answer_to("compare pump_sheared, attitude_worn")
    assert answer_to("compare vacuum pump failed with attitude indicator worn") == text


@pytest.mark.parametrize(
    "line", ["compare", "compare a with b with c", "compare nosuch with now", "compare now"]
)
def test_what_cannot_be_compared_is_explained(line):
    with pytest.raises(DiagnoseError) as caught:
        desk_after(line)
    assert caught.value.mend
