"""When a failure began, against chances worked by hand: without readings the onset is geometric."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from diagnose.model import SnapshotRecord
from diagnose.network import engine as inference
from diagnose.network.engine import Engine
from diagnose.network.odds import odds_of
from diagnose.review import began as onset
from diagnose.review.began import interval_of, onset_chances
from tests.small import small_case, small_network

NETWORK = small_network(
    ("pump_sheared", "pump_weak", "altimeter_stuck", "static_ports_taped", "pitot_ram_iced", "pitot_water")
)
ENGINE = Engine(NETWORK, largest_set=4)
IDS = [failure.id for failure in NETWORK.failures]


@pytest.fixture
def odds(monkeypatch):
    """Set the chances of failures: there at the first snapshot, and to begin before each later one."""

    def given(first, begins, module=onset, ids=IDS):
        def stated(network, case):
            found = odds_of(network, case)
            at_first, later = np.zeros(len(ids)), np.zeros((len(case.snapshot) - 1, len(ids)))
            for name, chance in first.items():
                at_first[ids.index(name)] = chance
            for name, chances in begins.items():
                later[:, ids.index(name)] = chances
            return replace(found, latent=at_first, begins_first=np.zeros(len(ids)), begins=later)

        monkeypatch.setattr(module, "odds_of", stated)

    return given


def silent(count):
    return small_case(*[SnapshotRecord(manoeuvre="level")] * count)


def test_without_readings_the_onset_is_geometric(odds):
    """There with 0.2, else 0.5 before each look: 0.2, 0.8 * 0.5, 0.8 * 0.25, 0.8 * 0.125, of 0.9 in all."""
    odds({"altimeter_stuck": 0.2}, {"altimeter_stuck": [0.5, 0.5, 0.5]})
    chances = onset_chances(ENGINE, silent(4), ("altimeter_stuck",), "altimeter_stuck")
    assert chances == pytest.approx(np.array([0.2, 0.4, 0.2, 0.1]) / 0.9)


def test_intervals_of_unequal_length(odds):
    """There with 0.1; then 0.9 * 0.2; then 0.9 * 0.8 * 0.7: 0.1, 0.18, 0.504."""
    odds({"altimeter_stuck": 0.1}, {"altimeter_stuck": [0.2, 0.7]})
    chances = onset_chances(ENGINE, silent(3), ("altimeter_stuck",), "altimeter_stuck")
    assert chances == pytest.approx(np.array([0.1, 0.18, 0.504]) / 0.784)


def test_beside_another_failure(odds):
    """Both there at the end: the other (0.3, then 0.5) is independent, so the onset does not change."""
    odds(
        {"altimeter_stuck": 0.2, "static_ports_taped": 0.3},
        {"altimeter_stuck": [0.5, 0.5], "static_ports_taped": [0.5, 0.5]},
    )
    both = ("altimeter_stuck", "static_ports_taped")
    chances = onset_chances(ENGINE, silent(3), both, "altimeter_stuck")
    assert chances == pytest.approx(np.array([0.2, 0.4, 0.2]) / 0.8)
    other = onset_chances(ENGINE, silent(3), both, "static_ports_taped")
    assert other == pytest.approx(np.array([0.3, 0.35, 0.175]) / 0.825)


def test_a_cause_that_was_there_from_the_first_look(odds):
    """Weak from the first look for sure: whenever the pump then sheared."""
    odds({"pump_weak": 1.0}, {"pump_sheared": [0.001, 0.001]})
    chances = onset_chances(ENGINE, silent(3), ("pump_weak", "pump_sheared"), "pump_weak")
    assert chances == pytest.approx([1.0, 0.0, 0.0])


def test_a_failure_hastened_by_another(odds):
    """0.01 before each look, 200 times as likely with the weak pump that is there: h = 1 - 0.99^200, 0.866.

    So there at first with 0.2, then with 0.8 h, then 0.8 (1 - h) h.
    """
    odds({"pump_weak": 1.0, "pump_sheared": 0.2}, {"pump_sheared": [0.01, 0.01]})
    chances = onset_chances(ENGINE, silent(3), ("pump_weak", "pump_sheared"), "pump_sheared")
    h = 1.0 - 0.99**200
    by_hand = np.array([0.2, 0.8 * h, 0.8 * (1.0 - h) * h])
    assert chances == pytest.approx(by_hand / by_hand.sum())


def test_a_failure_that_comes_and_goes(odds):
    """Water acts in 0.6 of the looks, and is there all the time: without readings that moves no onset."""
    odds({"pitot_water": 0.2}, {"pitot_water": [0.5, 0.5]})
    chances = onset_chances(ENGINE, silent(3), ("pitot_water",), "pitot_water")
    assert chances == pytest.approx(np.array([0.2, 0.4, 0.2]) / 0.8)


def shots_of(number):
    """Four snapshots of anything, with switches and gaps, by number."""
    draw = random.Random(number)
    facets = [name for name in NETWORK.facets if name.split(".")[0] in ("airspeed", "altimeter", "attitude")]
    return [
        SnapshotRecord(
            manoeuvre=draw.choice(["level", "climb", "descent", "left_turn", "takeoff_roll"]),
            minutes=draw.choice([0.5, 1.0, 4.0]),
            minutes_before=draw.choice([0.0, 2.0]),
            switches={"pitot_heat": draw.choice(["off", "on"])},
            readings={f: draw.choice(NETWORK.facets[f].readings) for f in draw.sample(facets, 3)},
        )
        for _ in range(4)
    ]


@pytest.mark.parametrize("number", range(8))
@pytest.mark.parametrize("failure", ["pitot_ram_iced", "pitot_water", "static_ports_taped", "pump_sheared"])
def test_an_onset_is_as_likely_as_the_engine_finds_readings_with_just_that_onset(failure, number, odds):
    """Once for each onset the engine is asked with a failure that surely begins then and at no other time."""
    shots = shots_of(number)
    begins = [0.5, 0.3, 0.2]
    odds({failure: 0.1}, {failure: begins})
    chances = onset_chances(ENGINE, small_case(*shots), (failure,), failure)
    alone = Engine(small_network((failure,)), largest_set=1)
    case = small_case(*shots, setting="routine")
    prior = [0.1, 0.9 * 0.5, 0.9 * 0.5 * 0.3, 0.9 * 0.5 * 0.7 * 0.2]
    by_engine = []
    for onset_at, chance in enumerate(prior):
        at = [float(place == onset_at) for place in range(4)]
        odds({failure: at[0]}, {failure: at[1:]}, inference, [failure])
        by_engine.append(chance * np.exp(alone.posterior(case).log_evidence))
    assert chances == pytest.approx(np.array(by_engine) / sum(by_engine), rel=1e-8, abs=1e-12)


def test_what_was_read_moves_the_onset(odds):
    """Right with 0.005 / n of misreport only if it is stuck off; with the altimeter steady in a climb it was there."""
    odds({"altimeter_stuck": 0.2}, {"altimeter_stuck": [0.5, 0.5]})
    stuck, moved = (
        SnapshotRecord(manoeuvre="climb", minutes=2.0, readings={"altimeter.trend": trend})
        for trend in ("steady", "rising")
    )
    by_hand = {}
    for name, shots in {"early": (stuck, stuck, stuck), "late": (moved, moved, stuck)}.items():
        chances = onset_chances(ENGINE, small_case(*shots), ("altimeter_stuck",), "altimeter_stuck")
        assert chances.sum() == pytest.approx(1.0)
        by_hand[name] = int(chances.argmax())
    assert by_hand == {"early": 0, "late": 2}


def test_the_interval_grows_to_the_likelier_side_until_it_holds_its_share():
    chances = np.array([0.05, 0.15, 0.5, 0.2, 0.1])
    assert interval_of(chances, 0.5) == (2, 2)
    assert interval_of(chances, 0.69) == (2, 3)
    assert interval_of(chances, 0.71) == (1, 3)
    assert interval_of(chances, 0.86) == (1, 4)
    assert interval_of(chances, 1.0) == (0, 4)
    assert interval_of(np.array([0.25, 0.5, 0.25]), 0.6) == (0, 1)
    assert interval_of(np.array([0.9, 0.1]), 0.95) == (0, 1)
    assert interval_of(np.array([0.1, 0.9]), 0.95) == (0, 1)
