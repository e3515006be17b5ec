"""Coverage: what one look at every gauge can tell apart, against sums worked out in full."""

from __future__ import annotations

import itertools
import json
from functools import cache

import numpy as np
import pytest

from diagnose.advice.coverage import SINCE_START_MIN, SOUND, ambiguity_groups, cover, overlaps
from diagnose.cli import main
from diagnose.knowledge.load import load_handbook
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.model.errors import UnknownName
from diagnose.network.engine import Engine
from diagnose.network.tables import compile_network
from tests.small import shipped, small_network

FLYING = ("level", "climb", "left_turn")


@cache
def engine(panel="single_pump"):
    return Engine(compile_network(shipped(), panel))


@cache
def looked(manoeuvre):
    return overlaps(engine(), manoeuvre)


def exact_overlap(machine, manoeuvre, failure):
    """Sum over every combination of readings of p q / (p + q), by the engine's own likelihoods."""
    facets = {name: table.readings for name, table in machine.network.facets.items()}
    total = 0.0
    for readings in itertools.product(*facets.values()):
        case = CaseRecord(
            title="",
            panel="small",
            minutes_since_start=SINCE_START_MIN,
            snapshot=(
                SnapshotRecord(manoeuvre=manoeuvre, readings=dict(zip(facets, readings, strict=True))),
            ),
        )
        p, q = (np.exp(machine.log_likelihood(case, failures)) for failures in ((), (failure,)))
        total += p * q / (p + q)
    return total


@pytest.mark.parametrize("failure", ["static_ports_taped", "pump_sheared"])
def test_overlap_equals_the_sum_over_all_readings(failure):
    machine = Engine(small_network(gauges=("altimeter", "suction")))
    found = overlaps(machine, "climb", draws=4000)
    drawn = found.chance[0, found.names.index(failure)]
    # 8,000 draws of a number between 0 and 1/2: four standard errors are below 0.012
    assert drawn == pytest.approx(exact_overlap(machine, "climb", failure), abs=0.012)


def test_overlap_is_symmetric_one_half_with_itself_and_the_same_again():
    found = looked("climb")
    assert found.chance == pytest.approx(found.chance.T)
    assert np.diag(found.chance) == pytest.approx(0.5)
    assert found.chance.min() >= 0.0
    assert found.chance.max() <= 0.56
    assert overlaps(engine(), "climb").chance == pytest.approx(found.chance, abs=0.0)


def test_failures_that_act_alike_stay_together_everywhere():
    for manoeuvre in FLYING:
        found = looked(manoeuvre)
        pair = found.names.index("pitot_insect_nest"), found.names.index("pitot_cover_left_on")
        assert found.chance[pair] == pytest.approx(0.5, abs=0.02)
        group = next(g for g in found.groups() if "pitot_insect_nest" in g)
        assert "pitot_cover_left_on" in group


def test_groups_hold_only_pairs_that_are_alike_and_share_no_member():
    for manoeuvre in FLYING:
        found = looked(manoeuvre)
        groups = ambiguity_groups(engine(), manoeuvre)
        assert groups == found.groups()
        members = [name for group in groups for name in group]
        assert len(members) == len(set(members))
        for group in groups:
            for one, other in itertools.combinations(group, 2):
                assert found.alike[found.names.index(one), found.names.index(other)]


def test_what_the_trade_knows_of_turns_and_climbs():
    """Common practice: a stuck card and a dead turn coordinator show in a turn, blocked ports in a climb."""
    assert looked("left_turn").detectable("turn_dead")
    assert not looked("level").detectable("turn_dead")
    assert looked("climb").detectable("static_ports_taped")
    assert not looked("level").detectable("static_ports_taped")
    assert looked("level").isolable("suction_gauge_zero")
    silent = next(g for g in looked("level").groups() if SOUND in g)
    assert {"low_voltage_light_dead", "vacuum_light_dead", "suction_gauge_stuck"} <= set(silent)


def test_an_unknown_manoeuvre_is_told():
    with pytest.raises(UnknownName):
        overlaps(engine(), "looping")


# ------------------------------------------------------------------ against the handbook

#: failures that a handbook row says show, and that no single look shows here: defects of the model, why
NEVER_SHOWN = {
    "static_leak_low": "as static_leak_high; row s4_leak_cabin_low says so in its finding",
    "static_leak_high": "cabin errors of tens of ft and a few kt are less than the 150 ft and 12 kt of a reading",
    "static_one_port_blocked": "slip errors are smaller than a reading's threshold",
    "altimeter_case_leak": "as static_leak_high",
    "vertical_speed_sluggish": "there is no reading for a rate that is shown too small",
}


def test_what_the_handbook_says_shows_is_shown_in_some_manoeuvre():
    wanted = {
        row.failures[0] for row in load_handbook() if row.panel == "single_pump" and len(row.failures) == 1
    }
    shown = cover(engine(), ("level_speeding_up", "level_slowing_down", "climb", "left_turn", "idle_at_rest"))
    nowhere = {one.failure for one in shown.failures if not one.detectable}
    assert nowhere & wanted == set(NEVER_SHOWN)


def test_the_command(capsys):
    assert main(["coverage", "--panel", "single pump", "--manoeuvre", "climb", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["panel"] == "single_pump"
    assert set(data["groups"]) == {"climb"}
    one = next(f for f in data["failures"] if f["failure"] == "static_ports_taped")
    assert one["detectable"] == ["climb"]
    assert "static_line_iced" in one["looks_like"]
    assert main(["coverage", "--manoeuvre", "climb", "--width", "70"]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 70
    assert "nothing failed" in text
