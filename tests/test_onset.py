"""When a failure began, against chances worked by hand: without readings the onset is geometric."""

from __future__ import annotations

import random
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from diagnose.model import SnapshotRecord
from diagnose.network import engine as inference
from diagnose.network.engine import Engine
from diagnose.network.odds import odds_of
from diagnose.review import causes as onset
from diagnose.review.causes import (
    Onset,
    _asked,
    _onset,
    _shown,
    _telling,
    _touches,
    _unasked,
    gains,
    interval_of,
    onset_chances,
    onsets_of,
)
from diagnose.review.relations import Change
from diagnose.review.windows import Window
from tests.small import shipped, small_case, small_network

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
    # a side that has no more is left alone, even if nothing is on the other, and all may hold less than the share
    assert interval_of(np.array([0.6, 0.0, 0.4]), 0.9) == (0, 2)
    assert interval_of(np.array([0.4, 0.0, 0.6]), 0.9) == (0, 2)
    assert interval_of(np.array([0.3, 0.4]), 1.0) == (0, 1)


def test_where_the_failure_cannot_have_begun_any_time_is_as_good(odds):
    odds({}, {"altimeter_stuck": [0.0, 0.0]})
    chances = onset_chances(ENGINE, silent(3), ("altimeter_stuck",), "altimeter_stuck")
    assert chances == pytest.approx([1.0 / 3.0] * 3)


# ------------------------------------------------------------------ from chances to seconds
#
# review.toml: interval 0.9, nothing dated more sharply than 30 s, what comes slowly may take 180 s

LIMITS = shipped().review
#: five moments of 100 s, 20 s apart
MOMENTS = tuple(Window(first=first, end=first + 100, manoeuvre="climb") for first in range(0, 600, 120))


def change(onset, until=np.inf, relation="height_gps"):
    return Change(
        relation=relation, onset=onset, earliest=onset - 5.0, latest=onset + 10.0, alarm=onset + 20.0, until=until,
        size=1.0,
    )  # fmt: skip


def dated(chances, *changes, slow=False):
    return _onset(np.array(chances), "f", MOMENTS, changes, slow, LIMITS)


def test_numbers_of_the_review():
    assert (LIMITS.onset_share, LIMITS.blurred_s, LIMITS.slow_s) == (0.9, 30.0, 180.0)


def test_it_began_from_inside_the_moment_before_to_the_end_of_the_one_that_shows_it():
    """All but sure before the third (240 to 340 s): from 120 on; half way between the ends 220 and 340: 280."""
    found = dated([0.02, 0.03, 0.92, 0.02, 0.01])
    assert (found.earliest, found.likeliest, found.latest) == (120.0, 280.0, 340.0)
    assert (found.before_start, found.showed, found.worst, found.seen_by) == (0.02, 280.0, 280.0, "")


def test_what_was_there_before_the_first_moment_began_at_the_start():
    found = dated([0.95, 0.05, 0.0, 0.0, 0.0], change(50.0))
    assert (found.earliest, found.likeliest, found.latest, found.seen_by) == (0.0, 0.0, 100.0, "")


def test_without_a_moment_of_more_than_half_the_middle_counts():
    """0.3 and 0.3: the half is passed at the second (ends 100 and 220); 0.9 takes the first four (to 460)."""
    found = dated([0.3, 0.3, 0.2, 0.1, 0.1])
    assert (found.earliest, found.likeliest, found.latest) == (0.0, 160.0, 460.0)
    # exactly a half is no more than half: of 0.25, 0.25, 0.5 the middle is the second
    assert dated([0.25, 0.25, 0.5, 0.0, 0.0]).likeliest == 160.0
    assert dated([0.2, 0.2, 0.6, 0.0, 0.0]).likeliest == 280.0


def test_the_detector_dates_it_to_seconds():
    """Seen at 250 (245 to 260), blurred by 30 s: 215 to 290; slowly: 180 s sooner, 35."""
    sharp = [0.02, 0.03, 0.92, 0.02, 0.01]
    found = dated(sharp, change(300.0, relation="later"), change(250.0))
    assert (found.earliest, found.likeliest, found.latest, found.seen_by) == (215.0, 250.0, 290.0, "height_gps")
    assert dated(sharp, change(250.0), slow=True).earliest == 35.0
    # nothing begins before the recording
    assert dated(sharp, change(20.0)).earliest == 0.0


@pytest.mark.parametrize(
    ("seen", "counts"),
    [
        pytest.param(change(90.0), True, id="two moments sooner, from 120, less 30"),
        pytest.param(change(89.0), False, id="sooner than that"),
        pytest.param(change(490.0), True, id="30 s after the moment that shows it, which ends at 460"),
        pytest.param(change(491.0), False, id="later than that"),
        pytest.param(change(300.0, until=361.0), True, id="it held into that moment, from 360 on"),
        pytest.param(change(300.0, until=360.0), False, id="it had passed"),
    ],
)
def test_a_change_counts_where_it_fits_the_moment(seen, counts):
    found = dated([0.0, 0.0, 0.03, 0.95, 0.02], seen)
    assert found.likeliest == (seen.onset if counts else 400.0)
    assert found.seen_by == ("height_gps" if counts else "")


def test_a_wide_interval_holds_the_second_that_the_detector_saw():
    """0.45 and 0.55: from the second moment (120) to the end of the fourth (460), and what was seen beside it."""
    wide = [0.0, 0.0, 0.45, 0.55, 0.0]
    found = dated(wide, change(300.0))
    assert (found.earliest, found.likeliest, found.latest) == (120.0, 300.0, 460.0)
    assert dated(wide, change(50.0)).earliest == 50.0
    assert dated(wide, change(480.0)).latest == 480.0


# ------------------------------------------------------------------ when it showed


def onset_at(earliest, likeliest=280.0):
    return Onset(
        failure="f", likeliest=likeliest, earliest=earliest, latest=500.0, before_start=0.0, showed=likeliest,
        worst=likeliest,
    )  # fmt: skip


def residual(*changes, name="height_gps", speaks_of=("altimeter_ft",), peak=None):
    """A residual of 2 in units of 0.5, by 8 at its peak (a negative one): 4 and 16 standard deviations."""
    values = np.full(600, 2.0)
    if peak is not None:
        values[peak] = -8.0
    return SimpleNamespace(
        relation=SimpleNamespace(id=name, speaks_of=speaks_of), values=values, noise=np.full(600, 0.5),
        changes=changes,
    )  # fmt: skip


def shown(onset, *own, odd=(2,), of=MOMENTS):
    found = _shown(onset, own, [of[place] for place in odd], of, LIMITS)
    return found.showed, found.worst


def test_it_showed_with_the_first_odd_moment_or_the_change_that_led_there():
    assert shown(onset_at(120.0)) == (240.0, 240.0)
    # the one before began at 120; less 30
    for seen, showed in ((89.0, 240.0), (90.0, 120.0), (130.0, 130.0), (340.0, 340.0), (341.0, 240.0)):
        assert shown(onset_at(120.0), residual(change(seen)))[0] == showed, seen
    assert shown(onset_at(50.0), residual(change(90.0)))[0] == 90.0
    # the first of several; not one that had passed before the moment, nor a change of power
    assert shown(onset_at(50.0), residual(change(300.0), change(200.0)), residual(change(230.0)))[0] == 200.0
    assert shown(onset_at(50.0), residual(change(200.0, until=240.0)))[0] == 240.0
    assert shown(onset_at(50.0), residual(change(200.0, until=241.0)))[0] == 200.0
    assert shown(onset_at(50.0), residual(change(200.0), name="airspeed_energy"))[0] == 240.0


def test_a_first_moment_has_none_before():
    assert shown(onset_at(0.0), residual(change(0.0)), odd=(0,))[0] == 0.0
    late = tuple(replace(one, first=one.first + 100, end=one.end + 100) for one in MOMENTS)
    assert shown(onset_at(0.0), residual(change(1.0)), odd=(0,), of=late)[0] == 1.0


def test_moments_that_ended_before_it_can_have_begun_do_not_show_it():
    assert shown(onset_at(220.0), odd=(1, 3))[0] == 220.0
    assert shown(onset_at(221.0), odd=(1, 3))[0] == 360.0
    # no moment at all: as likely as it began, never sooner than it can have begun
    assert shown(onset_at(120.0), odd=())[0] == 280.0


def test_the_worst_is_where_its_channels_part_most_from_then_on():
    """At 450 the one is off by 16 deviations; 100 is before it showed."""
    assert shown(onset_at(120.0), residual(peak=100), residual(peak=450)) == (240.0, 450.0)
    assert shown(onset_at(120.0), residual()) == (240.0, 240.0)
    nothing = residual()
    nothing.values[:] = np.nan
    assert shown(onset_at(120.0), nothing) == (240.0, 240.0)


def test_moments_speak_for_it_from_where_they_all_together_do():
    """Sums from each on: 1.5, -0.5, 4.5, 3.5, 2.8: from the third; of those, more than 0.7."""
    found = _telling(np.array([2.0, -5.0, 1.0, 0.7, 2.8]), MOMENTS, 0.7)
    assert found == [MOMENTS[2], MOMENTS[4]]
    # -0.4, -2.4, -3.4, 1.6, 0.7: from the fourth
    assert _telling(np.array([2.0, 1.0, -5.0, 0.9, 0.7]), MOMENTS, 0.7) == [MOMENTS[3]]
    # -4, -5, -6, -7, 2: from the last
    assert _telling(np.array([1.0, 1.0, 1.0, -9.0, 2.0]), MOMENTS, 0.7) == [MOMENTS[4]]


def test_the_six_likeliest_explanations_are_named():
    """Of all sets of up to four of six failures, none of which is a slip or a remark, and nothing was recorded."""
    posterior = Engine(NETWORK, largest_set=4).posterior(small_case(SnapshotRecord(manoeuvre="level"), setting="anomaly"))
    ranking = posterior.ranking()
    assert len(ranking) == 57
    found = onset.causes_of(posterior, SimpleNamespace(network=NETWORK, made={}), ())
    assert [(one.failures, one.prior, one.chance) for one in found] == [
        (one.failures, pytest.approx(one.prior), pytest.approx(one.posterior)) for one in ranking[:6]
    ]


def test_what_sticks_may_have_begun_since_it_last_moved():
    """Asked in a climb. It showed in the climb of 360; it last moved as it should in that of 120."""
    climbs = [replace(one, manoeuvre=what) for one, what in zip(MOMENTS, ("climb", "climb", "level", "climb", "level"), strict=True)]  # fmt: skip
    onset, climb = replace(onset_at(330.0), showed=360.0), frozenset({"climb"})
    assert _unasked(onset, [climbs[3]], climbs, climb).earliest == 120.0
    assert _unasked(onset, [climbs[1], climbs[3]], climbs, climb).earliest == 0.0
    assert _unasked(onset, [climbs[0], climbs[1], climbs[3]], climbs, climb).earliest == 0.0
    # sooner than that already; shown in level flight; shown in nothing
    assert _unasked(replace(onset, earliest=100.0), [climbs[3]], climbs, climb).earliest == 100.0
    assert _unasked(onset, [climbs[4]], climbs, climb).earliest == 330.0
    assert _unasked(onset, [], climbs, climb).earliest == 330.0
    # a moment that ended before it showed is not the one; one that ends just then is
    assert _unasked(replace(onset, showed=461.0), [climbs[3]], climbs, climb).earliest == 330.0
    assert _unasked(replace(onset, showed=460.0), [climbs[3]], climbs, climb).earliest == 120.0


def test_a_heading_is_asked_to_move_in_a_turn_and_an_altimeter_in_a_climb():
    told = ("heading.trend", "altimeter.trend")
    turns, climbs = _asked(NETWORK, told, {"heading"}), _asked(NETWORK, told, {"altimeter"})
    assert {"left_turn", "right_turn", "climbing_left_turn"} <= turns
    assert {"climb", "descent", "climbing_left_turn"} <= climbs
    assert not {"level", "climb", "descent"} & turns
    assert not {"level", "left_turn", "right_turn"} & climbs
    assert _asked(NETWORK, told, {"suction"}) == frozenset()


@pytest.mark.parametrize(
    ("failure", "channels", "slow"),
    [
        ("altimeter_stuck", {"altimeter_ft"}, False),
        pytest.param("pump_sheared", {"bank_deg", "pitch_deg", "heading_deg", "suction_inhg"}, True, id="rotors"),
        ("pitot_ram_iced", {"airspeed_kt"}, False),
    ],
)
def test_what_a_failure_touches_and_whether_it_takes_minutes(failure, channels, slow):
    assert _touches(NETWORK, failure) == (channels, slow)


def test_a_gradual_failure_takes_minutes():
    kb = NETWORK.kb
    gradual = [f.id for f in NETWORK.failures if kb.failures[f.id].onset == "gradual"]
    assert gradual
    assert all(_touches(NETWORK, name)[1] for name in gradual)


def test_a_reading_speaks_for_a_failure_only_as_far_as_the_others_do_not_explain_it():
    """Steady in a climb speaks for the stuck altimeter, a climb shown not against it (it sticks at times), silence
    not at all; a climb shown speaks against taped ports, which always act.

    An airspeed at zero says nothing of it, alone (no part of it) or beside the iced probe that explains it.
    """
    shots = [
        SnapshotRecord(manoeuvre="climb", minutes=2.0, readings=readings)
        for readings in ({"altimeter.trend": "steady"}, {"altimeter.trend": "rising"}, {}, {"airspeed.value": "zero"})
    ]  # fmt: skip
    case = small_case(*shots)
    for failures in (("altimeter_stuck",), ("altimeter_stuck", "pitot_ram_iced")):
        steady, rising, nothing, zero = gains(ENGINE, case, failures, "altimeter_stuck")
        assert steady > 2.0
        assert rising == pytest.approx(0.0, abs=1e-9)
        assert nothing == pytest.approx(0.0, abs=1e-9)
        assert zero == pytest.approx(0.0, abs=1e-9)
    assert gains(ENGINE, case, ("altimeter_stuck", "pitot_ram_iced"), "pitot_ram_iced")[3] > 2.0
    assert gains(ENGINE, case, ("static_ports_taped",), "static_ports_taped")[1] < -2.0


def test_only_relations_that_speak_of_the_failed_dial_date_it(odds):
    odds({"altimeter_stuck": 0.01}, {"altimeter_stuck": [0.01] * 4})
    readings = [{"altimeter.trend": trend} for trend in ("rising", "rising", "rising", "steady", "steady")]
    case = small_case(*(SnapshotRecord(manoeuvre="climb", minutes=2.0, readings=one) for one in readings))
    found = (
        residual(change(300.0, relation="heading_track"), name="heading_track", speaks_of=("heading_deg",), peak=500),
        residual(change(350.0), peak=400),
    )  # fmt: skip
    causes = [SimpleNamespace(failures=("altimeter_stuck",)), SimpleNamespace(failures=())]
    (onset,) = onsets_of(ENGINE, case, causes, MOMENTS, found, ("altimeter.trend",))
    assert (onset.seen_by, onset.likeliest, onset.showed, onset.worst) == ("height_gps", 350.0, 350.0, 400.0)
    assert onsets_of(ENGINE, case, causes[::-1], MOMENTS, found, ()) == ()
    assert onsets_of(ENGINE, case, [], MOMENTS, found, ()) == ()
