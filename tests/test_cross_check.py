"""A case through other libraries: the cross-check of ``rank``, and the exported network read back.

pgmpy 1.1.2 and pyAgrum 3.3.1. Tolerance 1e-9, but 1e-6 for pyAgrum reading BIF: its reader keeps numbers
in single precision (the file has all digits; the same tables given directly agree to 1e-9).
"""

from __future__ import annotations

import json
import re
import warnings

import msgspec
import pytest

from diagnose import engine_for
from diagnose.cli import main
from diagnose.language.case_files import load_case
from diagnose.model import SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.network.nodes import at
from diagnose.network.pgmpy_bridge import bif_of, elimination_cost, limit_failures, query_pgmpy
from diagnose.network.unrolled import build_tables
from diagnose.proof import cross_check
from tests.small import shipped, small_case, small_network

CASE = small_case(
    SnapshotRecord(manoeuvre="level", readings={"airspeed.trend": "steady"}),
    SnapshotRecord(
        manoeuvre="climb",
        readings={"airspeed.trend": "falling"},
        unsure={"altimeter.trend": ("steady", 0.8)},
        disagree=(("attitude", "turn_coordinator"),),
    ),
)


#: gauges whose tables are small: the airspeed's has a million numbers, written out and read back twice
GAUGES = ("altimeter", "attitude", "turn_coordinator", "suction")
READ_BACK = small_case(
    SnapshotRecord(manoeuvre="level", readings={"suction.value": "low"}),
    SnapshotRecord(
        manoeuvre="climb",
        readings={"attitude.bank": "level"},
        unsure={"altimeter.trend": ("steady", 0.8)},
        disagree=(("attitude", "turn_coordinator"),),
    ),
)


def by_the_engine(network, case, largest):
    marginals = Engine(network, largest_set=largest).posterior(case).marginals
    return {
        at(f.id, len(case.snapshot)): p for f, p in zip(network.failures, marginals.tolist(), strict=True)
    }


def observed(text):
    """The evidence of an exported file: node -> state."""
    variables = re.findall(r"variable (\w+) \{(.*?)\}\s*;?\s*(.*?)\}", text, re.DOTALL)
    return {
        name: found.group(1)
        for name, _, rest in variables
        if (found := re.search(r"property observed = (\w+)", rest))
    }


def test_the_exported_network_read_back_by_pgmpy_gives_the_engines_posteriors():
    import pgmpy.inference
    import pgmpy.readwrite

    network = small_network(gauges=GAUGES)
    text = bif_of(network, READ_BACK)
    assert observed(text) == build_tables(network, READ_BACK).evidence
    reader = pgmpy.readwrite.BIFReader(string=text)
    evidence = observed(text)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        elimination = pgmpy.inference.VariableElimination(reader.get_model())
        for node, chance in by_the_engine(network, READ_BACK, 4).items():
            found = elimination.query(
                [node], evidence=evidence, elimination_order="greedy", show_progress=False
            )
            assert found.get_value(**{node: "yes"}) == pytest.approx(chance, abs=1e-9)


def test_the_exported_network_read_back_by_pyagrum_gives_the_engines_posteriors(tmp_path):
    gum = pytest.importorskip("pyagrum")
    network = small_network(gauges=GAUGES)
    path = tmp_path / "case.bif"
    path.write_text(bif_of(network, READ_BACK))
    model = gum.loadBN(str(path))
    inference = gum.LazyPropagation(model)
    inference.setEvidence(observed(path.read_text()))
    for node, chance in by_the_engine(network, READ_BACK, 4).items():
        assert inference.posterior(node)[1] == pytest.approx(chance, abs=1e-6)


def test_no_more_than_two_at_once_equals_the_engine_over_pairs():
    network = small_network()
    tables = build_tables(network, CASE)
    without = dict(query_pgmpy(tables, list(by_the_engine(network, CASE, 2))))
    limit_failures(tables, network, 2, 2)
    found = dict(query_pgmpy(tables, list(without)))
    assert found == pytest.approx(by_the_engine(network, CASE, 2), abs=1e-9)
    # the limit matters: without it pgmpy counts triples too
    assert max(abs(found[n] - without[n]) for n in found) > 1e-9


def test_the_cost_of_an_elimination_is_that_of_its_tables():
    """A chain of two-state nodes needs no table above four numbers; a node of ten such parents 2^11."""
    from diagnose.network.nodes import NO_YES, Tables

    chain = Tables()
    chain.add("a0", NO_YES, (), [0.5, 0.5])
    for number in range(1, 11):
        chain.add(f"a{number}", NO_YES, (f"a{number - 1}",), [[0.9, 0.1], [0.2, 0.8]])
    assert elimination_cost(chain, "a10")[0] <= 4
    wide = Tables()
    for number in range(10):
        wide.add(f"a{number}", NO_YES, (), [0.5, 0.5])
    wide.add_rule("b", NO_YES, [f"a{n}" for n in range(10)], lambda s: [1.0, 0.0])
    assert elimination_cost(wide, "b")[0] >= 2**10


@pytest.mark.parametrize(
    ("name", "says", "at_most"),
    [
        ("turn_coordinator_breaker", "the whole panel", 2),
        ("static_blocked_climb", "the 8 leading failures in any combination with all 2 moments", None),
    ],
)
def test_a_shipped_case_agrees_with_pgmpy_and_says_on_which_network(name, says, at_most, capsys):
    # agreement is checked here, not how long pgmpy takes beside other work
    assert main(["rank", name, "--cross-check", "--json", "--time-limit", "300"]) == 0
    shown = capsys.readouterr()
    check = json.loads(shown.out)["cross_check"]
    assert check["network"].startswith(says)
    assert check["at_most_at_once"] == at_most
    assert len(check["compared"]) >= 6
    assert check["largest_difference"] < 1e-9
    assert "cross-check: the" in shown.err


def test_the_text_shows_both_chances_and_the_difference(capsys):
    assert main(["rank", "turn_coordinator_breaker", "--cross-check"]) == 0
    shown = capsys.readouterr().out
    assert "Cross-check with pgmpy 1.1.2" in shown
    pairs = re.findall(r"(\d\.\d{9}) +(\d\.\d{9})  \w", shown)
    assert len(pairs) >= 6
    assert all(ours == theirs for ours, theirs in pairs)
    assert max(float(ours) for ours, _ in pairs) > 0.5
    assert "Largest difference" in shown


def test_a_case_that_takes_too_long_is_stopped_with_a_message():
    case = load_case("asrs_98401_pitot_ice", shipped())
    engine = engine_for(shipped(), case.panel)
    engine.posterior(case)
    check = cross_check.cross_check(shipped(), case, engine, 0.05)
    assert "--time-limit" in check.not_run
    assert cross_check.render(check, shipped()).startswith("Cross-check not run: the time limit of 0.05 s")
    assert cross_check.to_data(check, shipped()) == {"not_run": check.not_run}


def test_the_last_snapshots_keep_the_time_since_the_start():
    """With the first snapshots left out, the flight before them counts as time since the start."""
    case = msgspec.structs.replace(load_case("vacuum_pump_three_snapshots", shipped()))
    parts = [plan for plan in cross_check.plans(shipped(), case, ["pump_sheared"] * 8) if not plan.at_most]
    last = next(plan for plan in parts if len(plan.case.snapshot) == 1)
    gone = sum(s.minutes + s.minutes_before for s in case.snapshot[:-1])
    assert last.case.minutes_since_start == case.minutes_since_start + gone
    assert "the last moment alone" in last.says


@pytest.mark.parametrize("limit", ["0", "-1", "nan", "soon", "1e9"])
def test_a_time_limit_must_be_a_time(limit, capsys):
    with pytest.raises(SystemExit) as left:
        main(["rank", "wrong_setting", "--cross-check", "--time-limit", limit])
    assert left.value.code == 2
    assert "must be above 0 and at most 86400 seconds" in capsys.readouterr().err


def test_export_writes_to_the_screen_or_a_file_and_says_what_is_wrong(tmp_path, capsys):
    path = tmp_path / "x.bif"
    assert main(["export", "all_agree_turning", "--format", "bif", "--to", str(path)]) == 0
    assert capsys.readouterr().out.strip() == str(path)
    assert main(["export", "all_agree_turning"]) == 0
    assert capsys.readouterr().out.strip() == path.read_text().strip()
    assert main(["export", "all_agree_turning", "--to", str(tmp_path)]) == 1
    refused = capsys.readouterr().err
    # what is wrong, where, and how to mend it
    assert "cannot be written (this is a folder)" in refused
    assert str(tmp_path) in refused
    assert "choose another file" in refused
