"""Which numbers matter: each is varied by itself, and the stored result speaks of the knowledge as it is."""

from __future__ import annotations

import msgspec
import pytest

from diagnose import cli
from diagnose.language.case_files import case_paths, load_case
from diagnose.model.errors import KnowledgeError
from diagnose.network.engine import Engine
from diagnose.network.tables import compile_network
from diagnose.proof import sensitivity
from diagnose.proof.sensitivity import (
    Effect,
    Number,
    Ranker,
    Sensitivity,
    load_result,
    numbers,
    origin_counts,
)
from tests.small import shipped

NUMBERS = {(number.kind, number.id): number for number in numbers(shipped())}


def test_every_uncertain_number_is_varied_once():
    kinds = [kind for kind, _ in NUMBERS]
    assert len(NUMBERS) == len(numbers(shipped()))
    failures = {i for kind, i in NUMBERS if kind == "failure"}
    assert failures == {f.id for f in shipped().failures.values() if f.rate_per_hour or f.latent}
    assert {"failure", "context", "misreport", "setting"} == set(kinds)


@pytest.mark.parametrize("number", NUMBERS.values(), ids=["-".join(key) for key in NUMBERS])
def test_a_number_lies_in_its_range_and_can_be_set_without_a_trace(number):
    assert number.low <= number.value <= number.high
    assert number.low < number.high
    kb = shipped()
    again = number.set_to(number.set_to(kb, number.value), number.value)
    assert again.failures == kb.failures
    assert again.gauges == kb.gauges
    assert again.settings == kb.settings

    def different(value):
        changed = number.set_to(kb, value)
        return [
            name for name in ("failures", "gauges", "settings") if getattr(changed, name) != getattr(kb, name)
        ]

    # what the conditions of the day make as sure as anything may be (limits.largest_latent) only goes down
    assert len(different(number.low)) == 1
    assert len(different(number.high)) <= 1


def test_a_rate_moves_what_is_there_before_the_flight_with_it():
    number = next(n for n in NUMBERS.values() if n.id == "pump_weak" and n.kind == "failure")
    pump = shipped().failures["pump_weak"]
    changed = number.set_to(shipped(), 2.0 * pump.rate_per_hour).failures["pump_weak"]
    assert changed.rate_per_hour == pytest.approx(2.0 * pump.rate_per_hour)
    assert changed.latent == pytest.approx(2.0 * pump.latent)


@pytest.mark.parametrize(
    "key", [("failure", "static_ports_taped"), ("context", "static_ports_taped"), ("setting", "anomaly")]
)
def test_sharing_what_the_rates_leave_alone_changes_no_answer(key):
    """The quick way equals a new engine built from the changed knowledge."""
    number, case = NUMBERS[key], load_case("static_blocked_climb", shipped())
    assert number.touches(case, compile_network(shipped(), case.panel))
    quick, first = Ranker(shipped(), {}).changed(number, number.high, case)
    fresh = Engine(compile_network(number.set_to(shipped(), number.high), case.panel)).posterior(case)
    assert quick == pytest.approx(fresh.marginals, abs=1e-12)
    assert first == fresh.ranking()[0].failures


def test_a_number_that_a_case_does_not_name_is_passed_over():
    case = load_case("wrong_setting", shipped())
    network = compile_network(shipped(), case.panel)
    assert not NUMBERS["misreport", "suction.value"].touches(case, network)
    assert NUMBERS["misreport", next(iter(case.snapshot[0].readings))].touches(case, network)
    assert not NUMBERS["failure", "left_pump_stopped"].touches(case, network)


# ------------------------------------------------------------------ the stored result


def test_the_stored_result_is_of_these_numbers_and_cases():
    """A failure, gauge or case that came or went asks for: diagnose sensitivity.

    A number that was corrected does not; the evidence says how many were.
    """
    stored = load_result()
    assert {(effect.kind, effect.id) for effect in stored.effects} == NUMBERS.keys()
    assert set(stored.cases) == set(case_paths())
    means = [effect.mean for effect in stored.effects]
    assert means == sorted(means, reverse=True)
    for effect in stored.effects:
        assert 0.0 <= effect.mean <= effect.largest <= 1.0


def test_the_first_of_the_stored_result_comes_out_again():
    top = load_result().effects[0]
    ranker = Ranker(shipped(), {})
    case = load_case(top.where, shipped())
    number = NUMBERS[top.kind, top.id]
    as_is, _ = ranker.marginals(case)
    moved = [abs(ranker.changed(number, value, case)[0] - as_is).max() for value in (number.low, number.high)]
    # the stored one leaves triples out, and other numbers may have been corrected since
    assert max(moved) == pytest.approx(top.largest, rel=0.3)


def test_a_result_is_read_as_it_was_written(tmp_path):
    effect = Effect(
        kind="failure",
        id="x",
        what="rate",
        value=1e-4,
        low=1e-5,
        high=1e-3,
        stated=True,
        mean=0.25,
        largest=0.5,
        where="a",
        first_changes=("a", "b"),
    )
    result = Sensitivity(command="diagnose sensitivity", cases=("a", "b"), effects=(effect,))
    sensitivity.write(result, tmp_path / "new" / "s.json")
    assert load_result(tmp_path / "new" / "s.json") == result
    with pytest.raises(KnowledgeError, match="run: diagnose sensitivity"):
        load_result(tmp_path / "none.json")
    (tmp_path / "bad.json").write_text("{}")
    with pytest.raises(KnowledgeError, match="cannot be read"):
        load_result(tmp_path / "bad.json")


def in_this_process(work, jobs, workers, cluster):
    """The door of many parts, with one case for each of them."""
    assert (workers, cluster) == (1, "")
    one = load_case("wrong_setting", shipped())
    ranker = Ranker(shipped(), {})
    state = (ranker, {"wrong_setting": one}, {"wrong_setting": ranker.marginals(one)})
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sensitivity, "_worker_state", lambda overlays: state)
        yield from [(job, work(job)) for job in jobs]


def test_the_command_measures_in_processes_and_writes(tmp_path, monkeypatch, capsys):
    two = (NUMBERS["setting", "anomaly"], NUMBERS["failure", "left_pump_stopped"])
    monkeypatch.setattr(sensitivity, "numbers", lambda kb: two)
    path = tmp_path / "s.json"
    monkeypatch.setattr(sensitivity, "results", in_this_process)
    assert cli.main(["sensitivity", "--processes", "1", "--to", str(path)]) == 0
    assert capsys.readouterr().out.strip() == str(path)
    found = load_result(path)
    assert [effect.id for effect in found.effects] == ["anomaly", "left_pump_stopped"]
    assert found.effects[0].mean > 0.0
    assert found.effects[1].mean == 0.0
    assert cli.main(["sensitivity", "--processes", "1", "--to", str(tmp_path)]) == 1
    assert "the file cannot be written (this is a folder)" in capsys.readouterr().err


def test_judgement_is_counted_as_judgement():
    """An entry that cites a document for what happens but calls its rate judgement is no published number."""
    counts = origin_counts(shipped())["failures: rates and factors"]
    assert counts["judgement"] > 300
    cited = shipped().failures["static_ports_taped"]
    assert cited.source == "asrs"
    assert sensitivity._origin(cited, shipped()) == "judgement"
    assert sensitivity._origin(msgspec.structs.replace(cited, note=""), shipped()) == "published"
    memory = msgspec.structs.replace(cited, note="", from_memory=True)
    assert sensitivity._origin(memory, shipped()) == "from memory"
    assert isinstance(NUMBERS["setting", "anomaly"], Number)
