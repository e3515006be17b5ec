"""Prior chances, worked by hand from rates, latent chances, conditions of the day and the setting."""

from __future__ import annotations

import itertools
from dataclasses import replace

import msgspec
import numpy as np
import pytest

from diagnose.knowledge.load import with_only
from diagnose.model import ContextEffect, FailureKind, SnapshotRecord
from diagnose.model.errors import UnknownName
from diagnose.network.engine import Engine
from diagnose.network.odds import enumerate_sets, failure_rates, odds_of, survival
from diagnose.network.tables import compile_network
from tests.small import shipped, small_case, small_network

PUMP = shipped().failures["pump_sheared"]


def failure(rate=0.0, latent=0.0, *effects):
    return msgspec.structs.replace(
        PUMP, rate_per_hour=rate, latent=latent, hastened_by={}, context=tuple(effects)
    )


def effect(*when, times=1.0, latent=None):
    return ContextEffect(when=when, times=times, latent=latent)


# ------------------------------------------------------------------ rates under the conditions of the day


@pytest.mark.parametrize(
    ("context", "rate", "latent"),
    [
        ((), 2.0, 0.01),
        pytest.param(("wet",), 6.0, 0.03, id="three times both"),
        pytest.param(("cold",), 2.0, 0.01, id="cold alone does nothing"),
        pytest.param(("wet", "cold"), 60.0, 0.3, id="three times ten"),
        pytest.param(("cold", "wet", "old"), 60.0, 0.2, id="a stated latent chance holds after all factors"),
        pytest.param(("old",), 2.0, 0.2, id="and alone"),
        pytest.param(("sure",), 2.0, 0.5, id="nothing is more certain than the largest latent chance"),
    ],
)
def test_effects_multiply_when_all_their_conditions_hold(context, rate, latent):
    made = failure(
        2.0, 0.01, effect("old", latent=0.2), effect("wet", times=3.0), effect("wet", "cold", times=10.0),
        effect("sure", latent=0.99),
    )  # fmt: skip
    assert failure_rates(made, context, 0.5) == pytest.approx((rate, latent))


# ------------------------------------------------------------------ a case


def network_of(**failures):
    kb = shipped()
    base = small_network()
    made = {name: msgspec.structs.replace(one, id=name) for name, one in failures.items()}
    return compile_network(with_only(kb, failures=made, panels={"small": base.panel}), "small")


def case(*minutes_and_gaps, setting="routine", since=30.0, context=()):
    shots = [
        SnapshotRecord(manoeuvre="level", minutes=minutes, minutes_before=gap)
        for minutes, gap in minutes_and_gaps
    ]
    return small_case(*shots, setting=setting, minutes_since_start=since, context=context)


def test_by_the_first_look_it_was_latent_or_began_since_the_start():
    """Latent 0.1, else 2 an hour over 29 min and the minute of the look: 1 - 0.9 exp(-1); no rate: 0.1."""
    network = network_of(a=failure(2.0, 0.1), b=failure(0.0, 0.1))
    assert odds_of(network, case((1.0, 0.0), since=29.0)).first == pytest.approx(
        [1.0 - 0.9 * np.exp(-1.0), 0.1]
    )


def test_between_looks_it_begins_by_its_rate_and_the_time_from_end_to_end():
    """6 an hour: 0.1 a minute. A gap of 3 and a snapshot of 4: 0.7; none and 7: 0.7 again; a gap of 1 and 2: 0.3."""
    network = network_of(a=failure(6.0, 0.1), b=failure(0.0, 0.1))
    begins = odds_of(network, case((2.0, 9.0), (4.0, 3.0), (7.0, 0.0), (2.0, 1.0))).begins
    assert begins[:, 0] == pytest.approx([1.0 - np.exp(-0.7), 1.0 - np.exp(-0.7), 1.0 - np.exp(-0.3)])
    assert begins[:, 1].tolist() == [0.0, 0.0, 0.0]


def test_the_chance_by_the_end_is_that_of_not_having_survived():
    """First 0.2, then 0.5 twice: survives with 0.8 * 0.25."""
    found = odds_of(network_of(a=failure(0.0, 0.2)), case((1.0, 0.0), (1.0, 0.0), (1.0, 0.0)))
    found = replace(found, begins_first=np.zeros(1), begins=np.full((2, 1), 0.5))
    assert found.by_the_end == pytest.approx([0.8])
    assert found.nothing_loud == pytest.approx(0.2)


def test_a_switch_that_is_moved_later_stood_as_usual_before_and_tells_that():
    """context.toml: heat off is a condition of the day. Not spoken of, then on: it was off. On from the first: not."""
    assert shipped().context["pitot_heat_off"].switch == {"pitot_heat": "off"}
    network = network_of(a=failure(0.0, 0.01, effect("pitot_heat_off", times=20.0)))

    def latent(*heat):
        shots = [
            SnapshotRecord(manoeuvre="level", switches={"pitot_heat": position} if position else {})
            for position in heat
        ]
        return odds_of(network, small_case(*shots, setting="routine", context=())).latent[0]

    assert latent("", "on") == latent("", "", "on") == pytest.approx(0.2)
    assert (
        latent("", "off") == latent("on", "off") == latent("off", "on") == latent("") == pytest.approx(0.01)
    )


# ------------------------------------------------------------------ settings


def test_an_anomaly_is_there_with_the_stated_chance_and_ratios_stay():
    """Latent 0.02 and 0.01, and a silent 0.1. Routine: nothing noticeable in 0.98 * 0.99 = 0.9702.

    Anomaly: 0.75 = w * 0.0298 / (0.9702 + w * 0.0298), so w = 3 * 0.9702 / 0.0298 = 97.67; silent ones keep 0.1.
    """
    quiet = msgspec.structs.replace(failure(0.0, 0.1), silent=True)
    network = network_of(a=failure(0.0, 0.02), b=failure(0.0, 0.01), quiet=quiet)
    assert shipped().settings["anomaly"].chance == 0.75
    odds = odds_of(network, case((1.0, 0.0), setting="anomaly"))
    assert odds.loud.tolist() == [True, True, False]
    assert odds.weight == pytest.approx(3.0 * 0.9702 / 0.0298)
    assert odds.total == pytest.approx(0.9702 + odds.weight * 0.0298)
    members = np.array(list(itertools.product((False, True), repeat=3)))
    by_rates = np.where(members, odds.first, 1.0 - odds.first).prod(axis=1)
    weights = odds.weights(members)
    assert weights.tolist() == [odds.weight if a or b else 1.0 for a, b, _ in members]
    chance = by_rates * weights / odds.total
    assert chance.sum() == pytest.approx(1.0)
    noticeable = members[:, 0] | members[:, 1]
    assert chance[noticeable].sum() == pytest.approx(0.75)
    assert chance[members[:, 2]].sum() == pytest.approx(0.1)
    # two at once against one stay as the rates give them: 0.02 * 0.01 to 0.02 * 0.99
    assert chance[6] / chance[4] == pytest.approx(0.01 / 0.99)
    # the engine gives the same before any reading
    posterior = Engine(network, largest_set=3).posterior(case((1.0, 0.0), setting="anomaly"))
    named = dict(zip(posterior.space.set_names, posterior.prior_sets, strict=True))
    assert named["a",] == pytest.approx(chance[4])
    assert named[()] == pytest.approx(0.25 * 0.9)


def test_routine_weighs_nothing():
    network = network_of(a=failure(0.0, 0.02))
    odds = odds_of(network, case((1.0, 0.0)))
    assert (odds.weight, odds.total) == (1.0, pytest.approx(1.0))


def test_where_nothing_can_fail_there_is_nothing_to_weigh():
    odds = odds_of(network_of(a=failure(0.0, 0.0)), case((1.0, 0.0), setting="anomaly"))
    assert odds.weight == 1.0


def test_in_an_exercise_all_that_can_be_are_alike():
    """Whatever its rate; what needs conditions of the day that do not hold cannot be.

    What can begin in flight has begun a tenth as often again after one of the ten minutes.
    """
    icy = failure(0.0, 0.0, effect("visible_moisture", latent=0.3))
    network = network_of(a=failure(8e-4, 0.0), b=failure(0.0, 1e-6), icy=icy)
    dry = odds_of(network, case((1.0, 0.0), setting="exercise"))
    assert dry.latent[0] == dry.latent[1] == pytest.approx(dry.first[1])
    assert dry.latent[1] > dry.first[2] == 0.0
    assert 1.0 - dry.first[0] == pytest.approx((1.0 - dry.latent[0]) ** 1.1)
    wet = odds_of(network, case((1.0, 0.0), setting="exercise", context=("visible_moisture",)))
    assert wet.latent[0] == wet.latent[1] == wet.latent[2]
    # 0.95 that something is there
    assert shipped().settings["exercise"].chance == 0.95
    nothing = (1.0 - dry.first).prod()
    assert nothing / (nothing + dry.weight * (1.0 - nothing)) == pytest.approx(0.05)


@pytest.mark.parametrize("change", [{"setting": "routin"}, {"context": ("wett",)}])
def test_unknown_words_are_refused(change):
    network = network_of(a=failure(0.0, 0.02))
    with pytest.raises(UnknownName):
        odds_of(network, msgspec.structs.replace(case((1.0, 0.0)), **change))


# ------------------------------------------------------------------ hastened by another


@pytest.mark.parametrize(
    ("extra", "cause"),
    [(2.0, 0.5), (0.5, 2.0), (1.0, 1.0), (3.0, 1e-9), (1e-9, 3.0), (0.2, 0.0), (40.0, 0.3)],
)
def test_a_cause_leaves_less_the_longer_it_was_there(extra, cause):
    """It was there before: exp(-K). It begins at s of 0..1, chances A exp(-A s) / (1 - exp(-A)): the mean of
    exp(-K (1 - s)); summed here over 100,000 middles. K is (times - 1) mean numbers of the failure.
    """
    times = 11.0
    begins = 1.0 - np.exp(-extra / (times - 1.0))
    was, comes = survival(begins, times, 1.0 - np.exp(-cause))
    assert was == pytest.approx(np.exp(-extra), rel=1e-6)
    s = (np.arange(100_000) + 0.5) / 100_000
    onset = np.exp(-cause * s)
    assert comes == pytest.approx((onset * np.exp(-extra * (1.0 - s))).sum() / onset.sum(), rel=1e-6)


def test_a_cause_that_hastens_nothing_and_certain_onsets():
    assert survival(0.3, 1.0, 0.4) == pytest.approx((1.0, 1.0))
    # the failure begins for sure: nothing is left whoever hastens it
    was, comes = survival(1.0, 5.0, 0.4)
    assert was == 0.0
    assert 0.0 <= comes < 1e-5
    # both have the mean number ln 2, twice as likely: half is left, and ln 2 e^-(ln 2) / (1 - e^-(ln 2)) = ln 2
    assert survival(0.5, 2.0, 0.5) == pytest.approx((0.5, np.log(2.0)))
    # the cause begins at once
    assert survival(0.3, 3.0, 1.0)[1] == pytest.approx(0.7**2, rel=1e-4)


# ------------------------------------------------------------------ what the maneuvers tell


@pytest.mark.parametrize("name", ["pitot_insect_nest", "pitot_cover_left_on", "static_ports_taped"])
def test_what_is_blocked_since_the_ground_is_seldom_first_seen_in_cruise(name):
    """context.toml, first_seen_underway: a tenth, if no roll, climb or approach is told of."""
    network = compile_network(shipped(), "single_pump")
    place = [f.id for f in network.failures].index(name)

    def there(*manoeuvres):
        snapshots = tuple(SnapshotRecord(manoeuvre=manoeuvre) for manoeuvre in manoeuvres)
        return odds_of(network, small_case(*snapshots, panel="single_pump", setting="routine")).latent[place]

    assert there("level") == pytest.approx(0.1 * there("climb"))
    assert there("descent", "level") == pytest.approx(0.1 * there("climb"))
    for told in (("takeoff_roll", "level"), ("approach",), ("climb", "level"), ("level", "climb")):
        assert there(*told) == there("climb")


def test_a_silent_look_alike_that_no_condition_speaks_of_is_unsaid():
    """Not a failure, not a loud one, and not one whose condition of the day holds."""
    alike = msgspec.structs.replace(failure(0.0, 0.1), silent=True, kind=FailureKind.LOOK_ALIKE)
    gusty = msgspec.structs.replace(alike, context=(effect("washed"), effect("visible_moisture", "below_freezing")))
    network = network_of(
        alike=alike, gusty=gusty, loud=msgspec.structs.replace(alike, silent=False),
        hidden=msgspec.structs.replace(alike, kind=FailureKind.FAILURE),
    )  # fmt: skip
    for context, places in (
        ((), {0, 1}), (("washed",), {0}), (("visible_moisture",), {0, 1}), (("visible_moisture", "below_freezing"), {0}),
    ):  # fmt: skip
        assert odds_of(network, case((1.0, 0.0), context=context)).unsaid == places, context


# ------------------------------------------------------------------ which sets are looked at


def test_all_small_sets_then_the_likeliest_larger_ones():
    """Odds 1, 1/4, 1/9, 1/99; of the four triples those with the largest products of odds come first."""
    chances = [0.5, 0.2, 0.1, 0.01]
    sets = enumerate_sets(4, 2, chances, 0.0, 2)
    assert sets[:11] == tuple(s for size in range(3) for s in itertools.combinations(range(4), size))
    assert sets[11:] == ((0, 1, 2), (0, 1, 3))
    # nothing fails in 0.5 * 0.8 * 0.9 * 0.99 = 0.3564. Triples 012, 013, 023, 123 have 1/36, 1/396, 1/891 and
    # 1/3564 of it, four at once the same 1/3564: 99, 9, 4, 1 and 1 ten-thousandths. So 114 of them are missing
    # without triples, then 15, 6, 2 and 1
    for missing, expected in ((115, 11), (113, 12), (16, 12), (14, 13), (7, 13), (5, 14), (3, 14), (1.5, 15)):
        limit = missing * 1e-4
        assert len(enumerate_sets(4, 2, chances, limit, 600)) == expected, limit
    assert len(enumerate_sets(4, 4, chances, 0.5, 600)) == 16
    assert enumerate_sets(2, 5, [0.1, 0.1], 0.0, 600) == ((), (0,), (1,), (0, 1))


@pytest.mark.parametrize("spread", [0.0, 0.5, 2.0, 4.0])
def test_the_larger_sets_are_the_likeliest_of_all_whatever_their_members(spread):
    """Two that are far likelier than all others make a triple with each of them: no failure is too rare to be looked at.

    All triples are weighed here, and the largest products of odds must be those that were added.
    """
    random = np.random.default_rng(int(10 * spread))
    for most in (1, 7, 60, 2000):
        odds = np.exp(random.normal(-6.0, spread, 20))
        odds[random.permutation(20)[:2]] *= 50.0
        sets = enumerate_sets(20, 2, (odds / (1.0 + odds)).tolist(), 0.0, most)
        assert len(set(sets)) == len(sets) == 211 + min(most, 1140)
        every = sorted((odds[[*three]].prod() for three in itertools.combinations(range(20), 3)), reverse=True)
        assert [odds[[*three]].prod() for three in sets[211:]] == pytest.approx(every[:most], rel=1e-9)
        assert all(three == tuple(sorted(three)) for three in sets[211:])


def rate_in(failure, *context):
    return failure_rates(failure, context, shipped().limits.largest_latent)[0]


@pytest.mark.parametrize("name", [f.id for f in shipped().failures.values() if "iced" in f.id and f.system.value in ("pitot", "static")])  # fmt: skip
def test_ice_is_likelier_in_moisture_of_unknown_temperature_than_where_nothing_is_told(name):
    """Moisture may have been freezing; who has ice mostly tells of the cloud (judgement in pitot.toml)."""
    failure = shipped().failures[name]
    bare, moist, icing = (
        rate_in(failure, *told) for told in ((), ("visible_moisture",), ("visible_moisture", "below_freezing"))
    )
    assert 2.0 * bare < moist < icing / 2.0
