"""Calibration: measures against hand-worked numbers and scikit-learn, and a small calibration for each run."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from diagnose.cli import main
from diagnose.model.errors import KnowledgeError
from diagnose.network.odds import odds_of
from diagnose.network.tables import compile_network
from diagnose.physics.panel import show
from diagnose.proof.calibrate import load_result, reliability_svg, write_result
from diagnose.proof.calibrate.flights import Flight, simulate
from diagnose.proof.calibrate.measures import (
    Outcome,
    alarms_of,
    bins_of,
    brier_parts,
    brier_score,
    calibration_error,
    scores_of,
    wilson,
)
from diagnose.proof.calibrate.run import Chunk, collect, fly, outcomes_in, plan, run
from diagnose.proof.calibrate.world import draw_plan, draw_truth, wider
from tests.examples import long_only
from tests.small import shipped


@cache
def network(panel="single_pump"):
    return compile_network(shipped(), panel)


def a_plan(setting="anomaly", seed=1):
    return draw_plan(network(), setting, np.random.default_rng(seed))


# ------------------------------------------------------------------ measures


def test_a_perfect_forecaster_has_no_error_and_a_brier_score_of_nothing():
    bins = bins_of([(1.0, True)] * 3 + [(0.0, False)] * 5)
    assert calibration_error(bins) == 0.0
    reliability, resolution, uncertainty = brier_parts(bins)
    assert reliability - resolution + uncertainty == pytest.approx(0.0)
    assert uncertainty == pytest.approx(3 / 8 * 5 / 8)


def test_a_constant_forecaster_is_off_by_its_distance_to_the_base_rate():
    # 0.5 said four times, true once: off by 0.25; Brier (3 * 0.25 + 0.25) / 4 = 0.25
    bins = bins_of([(0.5, True), (0.5, False), (0.5, False), (0.5, False)])
    assert calibration_error(bins) == pytest.approx(0.25)
    reliability, resolution, uncertainty = brier_parts(bins)
    assert (reliability, resolution, uncertainty) == pytest.approx((0.0625, 0.0, 0.1875))
    assert reliability - resolution + uncertainty == pytest.approx(0.25)


def test_calibration_error_weighs_bins_by_their_count():
    # 0.15 four times, true once (off 0.10); 0.85 once, true (off 0.15): (4 * 0.10 + 0.15) / 5
    forecasts = [(0.15, True), (0.15, False), (0.15, False), (0.15, False), (0.85, True)]
    assert calibration_error(bins_of(forecasts)) == pytest.approx(0.11)


def test_every_forecast_falls_into_one_bin_edges_too():
    chances = [0.0, 0.05, 0.1, 0.3, 0.9, 0.95, 1.0]
    bins = bins_of((p, False) for p in chances)
    assert sum(b.count for b in bins) == len(chances)
    assert bins[0].count == 2
    assert bins[-1].count == 1


def test_interval_of_a_share_as_wilson_gives_it():
    # Wilson 1927 for 0 of 10 and z = 1.96: upper end z^2 / (n + z^2) = 3.8416 / 13.8416
    assert wilson(0, 10) == pytest.approx((0.0, 0.2775), abs=1e-4)
    assert wilson(10, 10) == pytest.approx((0.7225, 1.0), abs=1e-4)
    assert wilson(0, 0) == (0.0, 1.0)


def outcome(truth, sets, *, chances=None, snapshots=1, prior=0.1):
    found = chances
    if found is None:
        found = {}
        for names, p in sets:
            for name in names:
                found[name] = found.get(name, 0.0) + p
    found = {**dict.fromkeys(truth, 0.0), **found}
    return Outcome(
        truth=truth,
        named=truth,
        snapshots=snapshots,
        chances=found,
        rest=0.0,
        small=(0, 0.0),
        sets=tuple(sets),
        true_set=dict(sets).get(truth, 0.0),
        prior_true_set=prior,
        prior_brier=1.0,
    )


def test_brier_and_log_score_equal_scikit_learn():
    metrics = pytest.importorskip("sklearn.metrics")
    rng = np.random.default_rng(3)
    chances = rng.dirichlet((1.0, 1.0, 1.0), 200)
    truths = [rng.choice(3, p=row) for row in chances]
    sets = [(), ("a",), ("b",)]
    outcomes = [
        outcome(sets[t], sorted(zip(sets, row.tolist(), strict=True), key=lambda s: -s[1]))
        for t, row in zip(truths, chances, strict=True)
    ]
    scores = scores_of("anomaly", outcomes)
    assert scores.log_score == pytest.approx(metrics.log_loss(truths, chances, labels=[0, 1, 2]))
    expected = sum(
        metrics.brier_score_loss([t == place for t in truths], chances[:, place]) for place in (1, 2)
    )
    assert scores.brier == pytest.approx(expected)


def test_brier_score_counts_what_was_left_out():
    one = outcome(("a",), [(("a",), 0.6)], chances={"a": 0.6, "b": 0.3})
    # (1 - 0.6)^2 + 0.3^2 = 0.25
    assert brier_score(one) == pytest.approx(0.25)
    assert brier_score(replace(one, rest=0.02)) == pytest.approx(0.27)


def test_places_and_confusions():
    right = outcome(("a",), [(("a",), 0.6), ((), 0.4)], snapshots=2)
    second = outcome(("a",), [((), 0.6), (("a",), 0.4)])
    missed = outcome(("c",), [((), 0.6), (("a",), 0.3), (("b",), 0.1)])
    scores = scores_of("anomaly", [right, second, missed])
    by_snapshots = {t.name: (t.flights, t.top1, t.top3) for t in scores.by_snapshots}
    assert by_snapshots == {"1": (2, 0, 1), "2": (1, 1, 1)}
    by_failure = {t.name: (t.flights, t.top1, t.top3) for t in scores.by_failure}
    assert by_failure == {"a": (2, 1, 2), "c": (1, 0, 0)}
    assert {(c.truth, c.said): c.flights for c in scores.confusions} == {("a", ""): 1, ("c", ""): 1}


def test_a_false_alarm_is_a_failure_above_one_half_that_is_not_there():
    calm = outcome((), [((), 0.9), (("pump",), 0.1)])
    alarm = outcome((), [(("pump",), 0.6), ((), 0.4)])
    draught = outcome(("air",), [(("air",), 0.9), ((), 0.1)])
    look_alike = outcome((), [(("air",), 0.8), ((), 0.2)])
    found = alarms_of("routine", "calm", [calm, alarm, draught, look_alike], frozenset({"air"}))
    assert (found.alarms, found.look_alikes, found.by_failure) == (1, 1, {"pump": 1})
    assert found.share == 0.25


# ------------------------------------------------------------------ the world


def test_wider_ranges_hold_the_old_ones_and_keep_what_is_fixed():
    for name, quantity in wider(shipped().quantities, shipped().world).items():
        old = shipped().quantities[name]
        assert quantity.low <= old.low <= old.high <= quantity.high
        assert (quantity.low == quantity.high) == (old.low == old.high)
        assert quantity.low >= 0.0 or old.low < 0.0


@pytest.mark.parametrize("setting", ["anomaly", "exercise"])
def test_truths_come_as_often_as_the_prior_says(setting):
    """Frequencies of 4,000 draws against the engine's own prior, within five standard errors."""
    flown = a_plan(setting, seed=5)
    odds = odds_of(network(), flown.case)
    rng = np.random.default_rng(11)
    draws = [draw_truth(network(), flown.case, rng) for _ in range(4000)]
    loud = np.mean([any(odds.loud[i] for i in truth) for truth in draws])
    assert loud == pytest.approx(shipped().settings[setting].chance, abs=0.035)
    factor = odds.weight / odds.total
    for index in np.argsort(-odds.by_the_end * odds.loud)[:8]:
        expected = odds.by_the_end[index] * factor
        found = np.mean([index in truth for truth in draws])
        assert found == pytest.approx(expected, abs=5 * np.sqrt(expected / 4000) + 0.002)


def test_same_seed_same_flight_and_another_seed_another():
    flown = a_plan()
    assert simulate(network(), flown, (1, 2)) == simulate(network(), flown, (1, 2))
    assert simulate(network(), flown, (1, 2)) != simulate(network(), flown, (1, 3))


def test_readings_exist_and_silent_gauges_are_silent():
    for seed in range(30):
        flight = simulate(network(), a_plan(seed=seed), (9, seed))
        for snapshot in flight.case.snapshot:
            assert 0 < len(snapshot.readings) < len(network().facets)
            for facet, reading in snapshot.readings.items():
                assert reading in network().facets[facet].readings


def test_a_healthy_flight_in_calm_air_shows_mostly_what_is_expected():
    expected = odd = 0
    for seed in range(40):
        flight = simulate(network(), a_plan(seed=seed), (4, seed), "calm")
        assert flight.truth == ()
        for snapshot in flight.case.snapshot:
            usual = network().expected_readings(snapshot.manoeuvre, snapshot.switches)
            expected += sum(usual[f] == r for f, r in snapshot.readings.items())
            odd += sum(usual[f] != r for f, r in snapshot.readings.items())
    assert expected / (expected + odd) > 0.9


def test_a_line_sealed_in_a_climb_stays_at_its_height():
    """The altimeter shows the altitude at which the ports were shut, however far the climb goes on."""
    net = network()
    index = next(i for i, f in enumerate(net.failures) if f.id == "static_ports_taped")
    flown = next(
        p
        for p in (a_plan(seed=s) for s in range(400))
        if [s.manoeuvre for s in p.case.snapshot][:2] == ["takeoff_roll", "climb"]
        and len(p.case.snapshot) > 2
    )
    flight = Flight(
        net,
        flown.case,
        {index: 0},
        wider(shipped().quantities, shipped().world),
        1.0,
        np.random.default_rng(1),
    )
    shown = show("altimeter_ft", flight.flown).channel[0]
    seen = np.concatenate([shown[window] for window in flight.windows])
    assert seen.max() - seen.min() < 0.01
    assert flight.flown.motion.height_ft[0, -1] > seen[-1] + 300.0
    assert flight.states[-1]["static_trapped"] == "above"


# ------------------------------------------------------------------ whole runs


SMALL = Chunk(number=0, panel="single_pump", setting="anomaly", kind="", flights=3, seed=5)


def test_a_chunk_gives_the_same_again():
    assert fly(SMALL, network()) == fly(SMALL, network())


def test_an_outcome_adds_up():
    for found in fly(SMALL, network()):
        assert len(network().failures) == found.small[0] + len(found.chances)
        assert 0.0 <= found.true_set <= 1.0
        assert set(found.truth) <= set(found.chances)


def test_a_stopped_run_goes_on_where_it_stood(tmp_path):
    """Kill a run in the middle: what is there is whole, and the rest gives what an unbroken run gives."""
    code = (
        "import sys; from pathlib import Path; from diagnose.proof.calibrate.run import plan, run\n"
        "if __name__ == '__main__':\n"
        "    run(plan(60, 0, 3, ('single_pump',)), Path(sys.argv[1]), workers=1)\n"
    )
    script = tmp_path / "fly.py"
    script.write_text(code)
    broken = tmp_path / "broken"
    started = subprocess.Popen(
        [sys.executable, str(script), str(broken)], start_new_session=True, env={**os.environ}
    )
    for _ in range(1200):
        if list(broken.glob("3-*.json")) if broken.is_dir() else False:
            break
        time.sleep(0.1)
    os.killpg(started.pid, signal.SIGKILL)
    started.wait()
    chunks = plan(60, 0, 3, ("single_pump",))
    done = {p.name: p.read_bytes() for p in broken.glob("3-*.json")}
    assert 0 < len(done) < len(chunks)
    heard = []
    run(chunks, broken, workers=1, told=heard.append)
    assert sum(heard) == 120
    assert all((broken / name).read_bytes() == content for name, content in done.items())
    afresh = fly(chunks[-1], network())
    assert {c.name: o for c, o in outcomes_in(chunks, broken)}[chunks[-1].name] == afresh


@long_only
def test_a_small_calibration_holds_the_bounds(tmp_path):
    """240 flights with failures and 96 healthy ones; bounds four times as loose as those of the large run."""
    chunks = plan(120, 12, 20, ("single_pump",))
    run(chunks, tmp_path)
    result = collect(chunks, tmp_path, shipped(), "test")
    assert result.flights == 240 + 96
    for scores in result.scores:
        assert scores.ece < 0.06
        assert scores.ece_all < 0.01
        assert scores.brier < 0.9 * scores.brier_prior
        assert scores.log_score < 0.8 * scores.log_score_prior
    routine = [h for h in result.healthy if h.setting == "routine"]
    assert sum(h.alarms for h in routine) <= 2
    assert load_result(write_result(result, tmp_path / "kept.json")) == result


# ------------------------------------------------------------------ the stored outcome and the command


def test_the_stored_outcome_holds_what_was_asked_for():
    result = load_result()
    assert sum(s.flights for s in result.scores) >= 5000
    assert all(s.ece <= 0.03 for s in result.scores)
    routine = [h for h in result.healthy if h.setting == "routine"]
    assert sum(h.alarms for h in routine) <= 0.01 * sum(h.flights for h in routine)


def test_a_diagram_is_sound_xml_with_a_dot_for_each_bin():
    scores = load_result().scores[0]
    for top in (False, True):
        bins = scores.top_bins if top else scores.bins
        root = ElementTree.fromstring(reliability_svg(scores, top=top))
        dots = root.findall(".//{http://www.w3.org/2000/svg}circle")
        assert len(dots) == sum(b.count > 0 for b in bins)
    assert reliability_svg(load_result()) == reliability_svg(scores)


def test_a_missing_outcome_says_how_to_make_one(tmp_path):
    with pytest.raises(KnowledgeError, match="diagnose calibrate"):
        load_result(tmp_path / "none.json")
    (tmp_path / "bad.json").write_text("{}")
    with pytest.raises(KnowledgeError, match="does not fit"):
        load_result(tmp_path / "bad.json")


def test_the_command_shows_the_stored_outcome(capsys, tmp_path):
    assert main(["calibrate", "--show", "--svg", str(tmp_path / "a.svg")]) == 0
    shown = capsys.readouterr().out
    assert "expected calibration error" in shown
    assert load_result().command in shown
    assert (tmp_path / "a.svg").read_text().startswith("<svg")
    assert main(["calibrate", "--show", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["command"] == load_result().command


def test_the_command_flies(capsys, tmp_path):
    to = tmp_path / "out.json"
    arguments = ["calibrate", "--flights", "2", "--healthy", "0", "--seed", "7", "--workers", "1"]
    assert main([*arguments, "--work", str(tmp_path / "work"), "--to", str(to)]) == 0
    assert "Made by: diagnose calibrate --flights 2 --healthy 0 --seed 7" in capsys.readouterr().out
    assert load_result(to).flights == 4
