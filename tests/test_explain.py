"""Why: weights of evidence against re-runs of the whole engine and against pgmpy; looks and changes."""

from __future__ import annotations

import math
from dataclasses import replace

import msgspec
import pytest

from diagnose import engine_for
from diagnose.advice.explain.weights import (
    contrasts,
    rival_of,
    rivals_of,
    statements_of,
    with_reading,
    without,
)
from diagnose.advice.explain.why import LEAST_LIKELY_CHANGE, changes, reasons, unread
from diagnose.language.case_files import load_case
from diagnose.model import SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.network.pgmpy_bridge import pgmpy_marginals
from diagnose.render.reasons import (
    here_line,
    odds,
    path_lines,
    plain_lines,
    reasons_data,
    strength,
    why,
    why_short,
)
from tests.small import GAUGES, shipped, small_case, small_network

#: the rounding of double precision over some thousand products, on a logarithm
TOLERANCE = 1e-8

LEVEL = SnapshotRecord(manoeuvre="level", readings={"airspeed.trend": "steady", "altimeter.trend": "steady"})
CLIMB = SnapshotRecord(
    manoeuvre="climb",
    minutes=2.0,
    readings={"airspeed.trend": "falling", "suction.value": "zero"},
    unsure={"altimeter.trend": ("steady", 0.8)},
)
LEANING = SnapshotRecord(
    manoeuvre="level",
    minutes_before=3.0,
    readings={"attitude.behaviour": "leaning"},
    disagree=(("attitude", "turn_coordinator"),),
)


def log_odds(posterior, one, other):
    # of each set as it stands: the ranking counts it with and without rough air
    chances = dict(zip(posterior.space.set_names, posterior.sets.tolist(), strict=True))
    return math.log(chances[one]) - math.log(chances[other])


@pytest.fixture(scope="module")
def engine():
    return engine_for(shipped(), "single_pump")


# ------------------------------------------------------------------ weights


def test_independent_readings_add_up_to_the_change_of_the_odds():
    """Suction gauge and low-vacuum light: given the suction each shows it on its own, and power is as set."""
    network = small_network(gauges=(*GAUGES, "vacuum_light"))
    snapshot = SnapshotRecord(
        manoeuvre="level", readings={"suction.value": "zero", "vacuum_light.state": "lit"}
    )
    # why a case was told is common to its readings, so they add up where it was not chosen for what it shows
    case = small_case(snapshot, setting="routine")
    posterior = Engine(network).posterior(case)
    (weighed,) = contrasts(posterior, ("pump_sheared",), [()])
    prior = {ranked.failures: ranked.prior for ranked in posterior.ranking()}
    before = math.log(prior["pump_sheared",]) - math.log(prior[()])
    assert weighed.before == pytest.approx(before, abs=TOLERANCE)
    assert weighed.after == pytest.approx(log_odds(posterior, ("pump_sheared",), ()), abs=TOLERANCE)
    assert sum(weighed.weights) == pytest.approx(weighed.after - before, abs=TOLERANCE)
    assert weighed.together == pytest.approx(0.0, abs=TOLERANCE)
    # both speak for it, or the test would say nothing
    assert min(weighed.weights) > math.log(50.0)


def test_readings_that_lean_on_each_other_leave_a_remainder():
    """A climb that did not happen would explain both: the second of the two says little more."""
    case = small_case(
        SnapshotRecord(manoeuvre="climb", readings={"airspeed.trend": "falling", "altimeter.trend": "steady"})
    )
    posterior = Engine(small_network()).posterior(case)
    (weighed,) = contrasts(posterior, ("static_ports_taped",), [()])
    assert abs(weighed.together) > 0.1
    assert sum(weighed.weights) + weighed.together == pytest.approx(weighed.total, abs=TOLERANCE)
    assert weighed.before + weighed.total == pytest.approx(weighed.after, abs=TOLERANCE)


@pytest.mark.parametrize(
    ("failure", "setting"),
    # with why it was told nothing failed has 3e-12 beside the pump, which one less a chance cannot hold
    [("static_ports_taped", "anomaly"), ("pump_sheared", "routine")],
)
def test_weights_equal_variable_elimination(failure, setting):
    """pgmpy 1.1.2: one failure or none, so that its marginal gives the odds of the two explanations."""
    network = small_network((failure,))
    case = small_case(LEVEL, CLIMB, LEANING, setting=setting)

    def reference(of):
        chance = pgmpy_marginals(network, of)[failure]
        return math.log(chance) - math.log(1.0 - chance)

    posterior = Engine(network).posterior(case)
    (weighed,) = contrasts(posterior, (failure,), [()])
    expected = [reference(case) - reference(without(case, said)) for said in statements_of(case)]
    assert list(weighed.weights) == pytest.approx(expected, abs=1e-6)
    assert weighed.after == pytest.approx(reference(case), abs=1e-6)
    assert max(map(abs, expected)) > 1.0


@pytest.mark.parametrize(
    ("name", "one"),
    [
        ("static_blocked_climb", None),
        ("vacuum_pump_three_snapshots", ("pump_weak",)),
        ("ice_pitot_heat_cures", None),
        ("downdraught_lee_side", ("downdraught", "static_line_iced")),
    ],
)
def test_weights_equal_runs_of_the_whole_engine_without_each_reading(engine, name, one):
    """With hastened, intermittent and curable failures and a pair among the explanations."""
    case = load_case(name, shipped())
    posterior = engine.posterior(case)
    one = one or posterior.ranking()[0].failures
    others = [(), rival_of(posterior, one)]
    for other, weighed in zip(others, contrasts(posterior, one, others), strict=True):
        whole = log_odds(posterior, one, other)
        expected = [
            whole - log_odds(engine.posterior(without(case, said)), one, other)
            for said in statements_of(case)
        ]
        assert weighed.against == other
        assert list(weighed.weights) == pytest.approx(expected, abs=TOLERANCE)


def test_rivals_are_no_supersets(engine):
    posterior = engine.posterior(load_case("static_blocked_climb", shipped()))
    leading = posterior.ranking()[0].failures
    rivals = list(rivals_of(posterior, leading))
    assert leading not in rivals
    assert not any(set(leading) < set(other) for other in rivals)
    assert () in rivals
    # of nothing, everything is a rival
    assert rival_of(posterior, ()) == leading


# ------------------------------------------------------------------ what was not read, what would change it


def test_unread_looks_have_the_chances_that_runs_with_the_reading_give(engine):
    case = msgspec.structs.replace(load_case("disagreement_only", shipped()), setting="routine")
    posterior = engine.posterior(case)
    one, other = ("pump_sheared",), ("attitude_worn",)
    looks = {look.facet: look for look in unread(posterior, one, other)}
    assert not set(case.snapshot[-1].readings) & set(looks)
    chances = looks["suction.value"].chances
    for which in (0, 1):
        assert sum(pair[which] for pair in chances.values()) == pytest.approx(1.0, abs=1e-9)
    for reading, pair in chances.items():
        after = engine.posterior(with_reading(case, 0, "suction.value", reading))
        moved = log_odds(after, one, other) - log_odds(posterior, one, other)
        assert math.log(pair[0]) - math.log(pair[1]) == pytest.approx(moved, abs=TOLERANCE)
    assert looks["suction.value"].told == pytest.approx(
        0.5 * sum(max(pair) for pair in chances.values()), abs=1e-12
    )
    # whether the horizon or its suction is at fault is asked of the suction gauge or its light (PHAK ch. 8)
    assert set(list(looks)[:2]) == {"suction.value", "vacuum_light.state"}


def test_the_readings_that_would_change_the_leader_are_all_found():
    """By brute force over every other reading, where the enumeration is complete."""
    engine = Engine(small_network(), largest_set=4)
    case = small_case(LEVEL, CLIMB, setting="routine")
    posterior = engine.posterior(case)
    leading = posterior.ranking()[0].failures
    expected = {}
    for said in statements_of(case):
        readings = engine.network.facets[said.name].readings
        runs = {r: engine.posterior(with_reading(case, said.snapshot, said.name, r)) for r in readings}
        all_of_them = sum(math.exp(run.log_evidence) for run in runs.values())
        for reading, run in runs.items():
            first = run.ranking()[0]
            another = first.failures != leading and not (leading and set(leading) < set(first.failures))
            chance = math.exp(run.log_evidence) / all_of_them
            if reading != said.reading and another and chance >= LEAST_LIKELY_CHANGE:
                expected[said.snapshot, said.name, reading] = first.failures, first.posterior, chance
    found = {
        (c.statement.snapshot, c.statement.name, c.reading): (c.leading, c.posterior, c.chance)
        for c in changes(engine, posterior)
    }
    assert expected
    assert found.keys() == expected.keys()
    for key, (failures, chance_now, chance) in found.items():
        assert failures == expected[key][0]
        assert (chance_now, chance) == pytest.approx(expected[key][1:], rel=1e-9)


def test_a_reading_said_not_to_have_shown_can_change_the_leader(engine):
    case = small_case(
        SnapshotRecord(manoeuvre="climb", unsure={"altimeter.trend": ("rising", 0.0)}),
        panel="single_pump",
        context=(),
    )
    found = reasons(engine, engine.posterior(case))
    assert "with altimeter rising (moment 1)" in " ".join(why(found, case, shipped()).split())
    assert "rising" in {change.reading for change in found.changes}
    # what was said is that it was none of the rising ones
    (under,) = engine.predict(case, found.explanation)
    assert found.foreseen[0][0] == pytest.approx(1.0 - under["altimeter.trend"]["rising"], abs=1e-12)


# ------------------------------------------------------------------ words


def test_words_for_weights_stand_in_the_knowledge_base():
    """Raftery 1995, table 6: weak to 3, positive to 20, strong to 150, very strong above."""
    kb = shipped()
    for factor, word in ((1.1, ""), (2.9, "weak"), (3.1, "clear"), (19.0, "clear"), (21.0, "strong")):
        assert strength(kb, math.log(factor)) == word
        assert strength(kb, -math.log(factor)) == word
    assert strength(kb, math.log(151.0)) == "very strong"
    assert strength(kb, 800.0) == "very strong"


def test_odds_are_told_as_people_say_them():
    assert [odds(math.log(x)) for x in (1.0, 250.0, 1 / 36, 2.5)] == [
        "even",
        "250 to 1",
        "1 to 36",
        "2.5 to 1",
    ]
    assert odds(50.0) == ">100000 to 1"


def test_the_mechanism_is_made_concrete_from_the_case(engine):
    case = load_case("static_blocked_climb", shipped())
    found = reasons(engine, engine.posterior(case))
    line = here_line(found, case, shipped())
    # more than 99 in 100, and what a healthy panel shows in one flight of 250
    assert (
        "altimeter steady almost certain (with no failure less than 1 in 100)" in line or "1 in 100" in line
    )
    path = " ".join(path_lines(found, shipped()))
    # the static line feeds these three and the encoder, and nothing else on the panel (FAA-H-8083-15B, chapter 5)
    assert "static ports (blocked: pressure trapped) -> static pressure (trapped) -> " in path
    assert set(found.plumbing.wrong) == {"airspeed", "altimeter", "vertical_speed", "atc_height"}
    assert {"attitude", "heading", "suction", "turn_coordinator", "gps_height"} <= set(
        found.plumbing.independent
    )
    case = load_case("vacuum_pump_three_snapshots", shipped())
    found = reasons(engine, engine.posterior(case))
    assert "rotor of the attitude indicator (stopped" in " ".join(path_lines(found, shipped()))
    assert {"attitude", "heading"} <= set(found.plumbing.wrong)
    assert set(found.plumbing.shows) == {"suction", "vacuum_light"}
    assert {"airspeed", "altimeter", "turn_coordinator", "compass"} <= set(found.plumbing.independent)


def test_what_is_no_failure_is_said_plainly():
    kb = shipped()
    assert next(plain_lines(kb, ())).startswith("No failure: what looked odd would be the lag")
    for name in ("disoriented", "updraught", "altimeter_set_high", "heading_not_reset"):
        assert next(plain_lines(kb, (name,))).startswith("No failure: ")
    assert next(plain_lines(kb, ("pump_sheared",))).startswith("How it shows: ")


@pytest.mark.parametrize("width", [56, 80])
def test_reasons_fit_the_width_for_every_kind_of_case(engine, width):
    kb = shipped()
    for name in (
        "static_blocked_climb",
        "all_agree_turning",
        "static_blocked_level_only",
        "disagreement_only",
    ):
        case = load_case(name, kb)
        found = reasons(engine, engine.posterior(case))
        text = why(found, case, kb, width)
        assert max(map(len, text.splitlines())) <= width
        assert "_" not in text
        assert len(why_short(found, kb, 80).splitlines()) <= 4
        msgspec.json.encode(reasons_data(found, case, kb))


def test_the_text_says_what_speaks_against_and_what_tells_nothing(engine):
    kb = shipped()
    case = load_case("static_blocked_climb", kb)
    posterior = engine.posterior(case)
    text = " ".join(why(reasons(engine, posterior), case, kb).split())
    assert "Against it: nothing that was read." in text
    assert "static ports or line frozen shut. No reading so far separates the two" in text
    # not the altimeter alone: a line that lags shows a steady climb on the vertical speed, so zero speaks for a closed one
    assert "with vertical speed erratic instead of zero" in text
    text = " ".join(why(reasons(engine, posterior, ("downdraught",)), case, kb).split())
    assert "The leading one: static ports blocked (tape, paint, wax, dirt)" in text
    assert "Against it: airspeed steady" in text
    text = " ".join(why(reasons(engine, posterior, ()), case, kb).split())
    assert text.startswith("Why nothing failed? No failure: ")


def test_before_anything_was_read_only_the_odds_count(engine):
    case = small_case(SnapshotRecord(manoeuvre="level"), panel="single_pump")
    found = reasons(engine, engine.posterior(case))
    assert "Nothing has been read yet" in why(found, case, shipped())
    assert why_short(found, shipped()) == ""
    assert all(contrast.total == pytest.approx(0.0, abs=TOLERANCE) for contrast in found.contrasts)


def test_short_reasons_of_readings_that_only_count_together(engine):
    """Any one of them may be left out where the others say the same."""
    found = reasons(engine, engine.posterior(load_case("all_agree_turning", shipped())), whole=False)
    first = found.nothing or found.rival
    apart = replace(first, weights=(0.0,) * len(first.weights))
    assert apart.together == first.total > 1.0
    text = why_short(replace(found, **{"nothing" if found.nothing else "rival": apart}), shipped())
    assert text.startswith("Why: the readings together (")
