"""The evidence: each check agrees or is explained, can fail, and is told the same way everywhere."""

from __future__ import annotations

import dataclasses
import json
import re
from functools import cache
from html.parser import HTMLParser

import pytest

from diagnose import cli
from diagnose.knowledge.load import with_only
from diagnose.network.nodes import at
from diagnose.network.unrolled import build_tables
from diagnose.proof import evidence as checked
from diagnose.proof import values
from diagnose.proof.evidence import Evidence, Result, evidence_page, render, sections, to_data
from diagnose.proof.handbook import INSTALL, Line, compared
from diagnose.proof.sensitivity import load_result, origin_counts
from diagnose.proof.values import atmosphere_lines, leading_plan, outside, query_pyagrum, value_lines
from tests.small import shipped

LINES = [*value_lines(shipped()), *atmosphere_lines()]


@pytest.mark.parametrize("line", LINES, ids=[line.what for line in LINES])
def test_the_physics_agrees_with_tables_and_libraries_or_says_why_not(line):
    assert line.result is not Result.NOT_RUN
    assert not line.surprising, line.misses
    assert line.source
    assert line.tolerance
    assert line.values > 0


def test_the_only_difference_of_the_physics_is_a_misprint_of_a_web_table():
    differing = [line for line in LINES if line.result is Result.DIFFERS]
    assert [line.what for line in differing] == ["static pressure in psi, a web table"]
    assert "the web table is one unit off" in differing[0].misses[0]


def test_every_table_of_outside_values_is_compared():
    """No file of knowledge/outside lies there unread."""
    from diagnose.knowledge.load import knowledge_root

    files = {path.stem for path in (knowledge_root() / "outside").glob("*.toml")}
    assert files == {
        "standard_atmosphere",
        "worked_air_values",
        "blockages",
        "turns",
        "part_43",
    }


@pytest.mark.parametrize(
    ("found", "right", "surprising"),
    [
        pytest.param([1.0, 2.0], 2, False, id="the same"),
        pytest.param([1.0, 2.4], 2, False, id="within the tolerance"),
        pytest.param([1.0, 2.6], 1, True, id="beyond it"),
        pytest.param([1.0, float("nan")], 1, True, id="not a number"),
        pytest.param([1.6, 2.0], 1, False, id="a known misprint"),
    ],
)
def test_a_comparison_can_fail(found, right, surprising):
    line = compared(
        "g", "w", "s", found, [1.0, 2.0], 0.5, "ft", labels=("a", "b"), misprints={"a": "printed wrongly"}
    )
    assert (line.right, line.surprising) == (right, surprising)
    assert len(line.misses) == 2 - right


def test_a_threshold_inside_a_regulation_is_told():
    """A sticking altimeter with less friction than the regulation allows would be no fault."""
    kb = shipped()
    name = "altimeter.sticky.friction_ft"
    quantity = kb.quantities[name]
    weaker = with_only(
        kb, quantities={**kb.quantities, name: type(quantity)(**{**_fields(quantity), "low": 75.0})}
    )
    (line,) = [line for line in value_lines(weaker) if line.what.startswith("altimeter friction")]
    assert line.surprising
    assert line.misses == (
        "10,000 ft: limit 80 ft, ours 75 ft",
        "15,000 ft: limit 90 ft, ours 75 ft",
    )


def _fields(record):
    return {name: getattr(record, name) for name in record.__struct_fields__}


# ------------------------------------------------------------------ libraries


def test_a_library_that_is_missing_is_a_line_and_no_crash(monkeypatch):
    monkeypatch.setattr(values, "optional", lambda name: None)
    lines = [*atmosphere_lines(), *values.inference_lines(shipped(), {}, lambda _: None)]
    assert len(lines) == 4
    assert {line.result for line in lines} == {Result.NOT_RUN}
    assert {line.why_not for line in lines} == {INSTALL}
    assert not any(line.surprising for line in lines)


def test_a_library_that_is_not_installed_is_none():
    assert values.optional("no_such_library_anywhere") is None


@pytest.mark.parametrize("name", ["wrong_setting", "vacuum_pump_three_snapshots", "asrs_98401_pitot_ice"])
def test_the_second_library_gives_the_engines_posteriors(name):
    """pyAgrum 3.3.1, lazy propagation on the same tables; 1e-9."""
    pytest.importorskip("pyagrum")
    plan, tables = leading_plan(shipped(), name, {})
    nodes = {at(f.id, len(plan.case.snapshot)): f.id for f in plan.network.failures}
    found = {nodes[node]: chance for node, chance in query_pyagrum(tables, list(nodes))}
    assert found == pytest.approx(plan.engine_chances(), abs=1e-9)


@pytest.mark.parametrize(
    "name", ["static_blocked_climb", "pitot_and_drain_blocked_climb", "downdraught_lee_side"]
)
def test_a_case_whose_readings_hang_on_everything_still_fits_a_library(name):
    """The static line changes how the airplane is flown; only what can occur with four failures counts."""
    plan, tables = leading_plan(shipped(), name, {})
    assert len(plan.network.failures) == 4
    whole = build_tables(plan.network, plan.case)
    assert sum(v.size for v in tables.values.values()) < sum(v.size for v in whole.values.values()) / 4


# ------------------------------------------------------------------ the document

MISS = Line(
    group="published incidents",
    what="the cause comes first <T1>",
    source="NASA & others",
    values=3,
    right=2,
    tolerance="first",
    misses=("Something <odd>: true was this, first came that",),
    expected_misses=1,
)
AGREES = dataclasses.replace(MISS, group="regulations", what="a limit", right=3, misses=(), from_memory=True)
NOT_RUN = Line(group="inference", what="another library", source="x", why_not=INSTALL)
FAULT = dataclasses.replace(MISS, group="blocked lines", what="a blocked line", expected_misses=0)


@cache
def evidence(*lines):
    return Evidence(
        lines=lines or (MISS, AGREES, NOT_RUN),
        numbers=origin_counts(shipped()),
        sensitivity=load_result(),
        made_with="diagnose, a test",
    )


def test_the_document_begins_with_what_was_not_shown():
    titles = [section.title for section in sections(evidence(), shipped())]
    assert titles[:3] == [
        "Why believe it, and where not",
        "What was not shown",
        "Published incidents whose cause did not come first",
    ]
    assert titles.index("Not run here") < titles.index("Checked: published incidents")
    assert "The 10 numbers that matter most" in titles


def test_the_text_fits_its_width_and_tells_each_line():
    for width in (56, 80, 110):
        text = render(evidence(), shipped(), width)
        assert max(map(len, text.splitlines())) <= width
    assert "(from memory)" in text
    assert INSTALL in text
    assert "2 of 3" in text
    assert "the pilot in command decide" in text.replace("\n", " ")


def test_a_difference_that_nothing_explains_is_called_a_fault():
    found = evidence(MISS, FAULT)
    assert [line.what for line in found.faults] == ["a blocked line"]
    assert "that is a fault" in render(found, shipped())
    assert to_data(found)["unexplained"] == ["a blocked line"]


def test_the_data_hold_every_line_and_can_be_written():
    data = json.loads(json.dumps(to_data(evidence())))
    assert [line["result"] for line in data["lines"]] == ["differs", "agrees", "not run"]
    assert data["values"] == 6
    assert data["agree"] == 5
    assert data["numbers"]["judgement"] <= data["numbers"]["total"]


class Reader(HTMLParser):
    """Checks that tags close in order and that nothing points outside."""

    def __init__(self):
        super().__init__()
        self.open, self.text = [], []

    def handle_starttag(self, tag, attributes):
        assert not {"src", "href", "srcset"} & {name for name, _ in attributes}
        if tag not in ("meta", "br", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


def test_the_page_stands_by_itself_and_says_what_the_text_says():
    written = evidence_page(evidence(), shipped())
    reader = Reader()
    reader.feed(written)
    assert reader.open == []
    style = re.search(r"<style>(.*?)</style>", written, re.DOTALL).group(1)
    assert "url(" not in style
    assert "@import" not in style
    assert "prefers-color-scheme: dark" in style
    assert "@media print" in style
    shown = " ".join(" ".join(reader.text).split())
    for section in sections(evidence(), shipped()):
        for text in (section.title, *section.texts, *section.bullets):
            assert text in shown


def test_the_command_writes_text_data_and_page(monkeypatch, capsys, tmp_path):
    monkeypatch.setattr(checked, "gather", lambda kb, told: evidence())
    assert cli.main(["evidence", "--width", "80"]) == 0
    assert capsys.readouterr().out.startswith("Why believe it, and where not\n---")
    path = tmp_path / "evidence.html"
    assert cli.main(["evidence", "--json", "--html", str(path)]) == 0
    assert json.loads(capsys.readouterr().out)["agree"] == 5
    assert path.read_text().startswith("<!doctype html>")
    assert cli.main(["evidence", "--html", str(tmp_path)]) == 1
    assert "the file cannot be written" in capsys.readouterr().err
    monkeypatch.setattr(checked, "gather", lambda kb, told: evidence(FAULT))
    assert cli.main(["evidence"]) == 1


def test_published_values_name_their_source():
    for name in ("standard_atmosphere", "worked_air_values", "blockages", "turns", "part_43"):
        content = outside(name)
        tables = [value for value in content.values() if isinstance(value, dict)]
        assert "source" in content or all(table["source"] for table in tables), name


def test_a_stored_calibration_is_shown_with_its_picture_and_its_limits():
    """Shapes as ``diagnose.proof.calibrate`` gives them; before it was run the document says that it was not."""
    from types import SimpleNamespace as Record

    from diagnose.proof.stored import calibration_section

    tally = Record(name="1", flights=100, top1=60, top3=90, mean=0.5)
    scores = Record(
        setting="anomaly",
        flights=100,
        ece=0.021,
        by_snapshots=(tally,),
        brier=0.4,
        brier_prior=0.9,
        log_score=1.1,
        log_score_prior=4.2,
    )
    calm = Record(setting="anomaly", kind="calm", flights=500, alarms=2)
    result = Record(command="diagnose calibrate", flights=600, scores=(scores,), healthy=(calm,))
    section = calibration_section(result, lambda _: "<svg></svg>")
    assert section.svg == "<svg></svg>"
    assert section.rows[0][:3] == (
        "100",
        "0.021",
        "setting anomaly: truth first in 60 %, among the first three in 90 %",
    )
    assert section.bullets == ("Healthy flights, calm, setting anomaly: a failure above 50 % in 2 of 500.",)
    titles = [s.title for s in sections(evidence(), shipped())]
    assert any(title.startswith("Calibration") for title in titles)


def test_stored_reviews_are_shown_by_failure_with_what_they_miss():
    from diagnose.proof.stored import ByFailure, Reviewed, Sound, Total, review_section

    total = Total(
        hz=1, gps=True, failing=61, first=40, isolable=36, first_of_isolable=33, told_apart=30, first_of_told_apart=29,
        sudden=20, sudden_near=15, sudden_inside=19, sharp=12, sharp_near=11, from_start=4, from_start_told=4, sound=50, sound_above_half=1,
    )  # fmt: skip
    row = ByFailure(
        hz=1, gps=True, failure="pump_sheared", flights=2, isolable=2, first=1, first_of_isolable=1,
        onset_off_s=(12,), instead=("nothing",),
    )  # fmt: skip
    calm = Sound(hz=1, gps=True, kind="sloppy", flights=10, above_half=1, named=("heading_worn",))
    section = review_section(Reviewed(command="python x.py", totals=(total,), sound=(calm,), failures=(row,)))
    assert section.heads == ("1 Hz GPS", "failure", "named instead")
    assert section.rows == (("1/2/2", "pump sheared", "nothing"),)
    assert "first in 33 of 36 isolable" in section.bullets[0]
    assert "1 of 50 healthy flights" in section.bullets[0]
    assert "sloppy (1 Hz): heading_worn" in section.bullets[1]
    assert "python x.py" in section.texts[1]
