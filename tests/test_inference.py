"""The engine's own parts by hand: what it refuses, how it orders, what conflicts, and passes that must agree."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from diagnose.model import SnapshotRecord
from diagnose.model.errors import CaseError, ImpossibleEvidence, UnknownName
from diagnose.network.engine import Engine
from diagnose.network.posterior import to_twelve_digits
from diagnose.network.statements import replace_readings
from tests.small import shipped, showing, small_case, small_network

NETWORK = small_network()
ENGINE = Engine(NETWORK, largest_set=4)
IDS = [failure.id for failure in NETWORK.failures]


def shot(manoeuvre="level", minutes=1.0, gap=0.0, **more):
    return SnapshotRecord(manoeuvre=manoeuvre, minutes=minutes, minutes_before=gap, **more)


FALLING = shot("climb", 2.0, readings={"airspeed.trend": "falling", "suction.value": "zero"})
LEANING = shot(
    "level", 1.0, 3.0, readings={"attitude.behaviour": "leaning"}, unsure={"heading.trend": ("drifting", 0.7)}
)


# ------------------------------------------------------------------ order


def test_chances_that_differ_by_rounding_count_as_equal():
    values = np.array([0.1, 0.1 * (1.0 + 1e-15), 0.1 * (1.0 + 1e-10), 1e-300, 0.0])
    rounded = to_twelve_digits(values)
    assert rounded[0] == rounded[1] != rounded[2]
    assert rounded == pytest.approx(values, rel=1e-11)
    assert rounded[4] == 0.0
    # twelve digits, however small: the twelfth counts, the thirteenth does not
    for size in (1.0, 2.0**-40):
        one, close, apart = to_twelve_digits(size * np.array([0.6, 0.6 + 3e-13, 0.6 + 3e-12])).tolist()
        assert one == close < apart


def test_the_ranking_holds_every_set_once_the_likeliest_first():
    posterior = ENGINE.posterior(small_case(FALLING, LEANING))
    ranking = posterior.ranking()
    chances = [one.posterior for one in ranking]
    assert chances == sorted(chances, reverse=True)
    assert len({one.failures for one in ranking}) == len(ranking) == 16
    assert sum(chances) == pytest.approx(1.0)
    held = dict(zip(posterior.space.set_names, posterior.sets, strict=True))
    prior = dict(zip(posterior.space.set_names, posterior.prior_sets, strict=True))
    for one in ranking:
        assert one.posterior == pytest.approx(held[one.failures])
        assert one.prior == pytest.approx(prior[one.failures])
    for place, name in enumerate(IDS):
        alone = sum(chance for names, chance in held.items() if name in names)
        assert posterior.marginals[place] == pytest.approx(alone)


def test_that_one_of_some_is_there_is_the_sum_over_the_sets_that_hold_any_of_them():
    posterior = ENGINE.posterior(small_case(FALLING, LEANING))
    held = dict(zip(posterior.space.set_names, posterior.sets.tolist(), strict=True))
    for wanted in (IDS[:1], IDS[1:3], IDS[::3], IDS):
        some = sum(chance for names, chance in held.items() if {*wanted} & {*names})
        assert posterior.any_of([name in wanted for name in IDS]) == pytest.approx(some)
    assert posterior.any_of([False] * len(IDS)) == 0.0


# ------------------------------------------------------------------ passes that must agree


def test_the_pass_after_every_snapshot_is_the_posterior_of_what_was_said_so_far():
    """But for the prior, which is that of the whole case: with the routine's weight of 1 both are the same."""
    case = small_case(FALLING, LEANING, FALLING, setting="routine")
    for number, (space, rows) in enumerate(ENGINE.filtered(case), 1):
        so_far = msgspec.structs.replace(case, snapshot=case.snapshot[:number])
        alone = ENGINE.posterior(so_far)
        assert space.sets == alone.space.sets
        assert rows == pytest.approx(alone.rows, abs=1e-12)
    assert number == 3


def test_a_likelihood_is_what_the_failures_give_if_they_were_there_from_the_start():
    """P(readings) = sum over the sets of prior and likelihood, where nothing can begin on the way."""
    still = small_network(("static_ports_taped", "attitude_worn"))
    kb = still.kb
    latent = {
        name: msgspec.structs.replace(failure, rate_per_hour=0.0, latent=chance, context=())
        for (name, failure), chance in zip(kb.failures.items(), (0.2, 0.1), strict=True)
    }
    network = replace(still, failures=tuple(latent[f.id] for f in still.failures))
    engine = Engine(network, largest_set=2)
    case = small_case(FALLING, LEANING, setting="routine")
    chance = {f.id: f.latent for f in network.failures}
    total = 0.0
    for members in ((), ("static_ports_taped",), ("attitude_worn",), ("static_ports_taped", "attitude_worn")):
        prior = np.prod([chance[n] if n in members else 1.0 - chance[n] for n in chance])
        total += prior * np.exp(engine.log_likelihood(case, members))
    assert engine.posterior(case).log_evidence == pytest.approx(np.log(total), abs=1e-9)
    with pytest.raises(UnknownName, match="pump"):
        engine.log_likelihood(case, ("pump",))


def test_a_prediction_gives_the_chance_of_each_reading():
    """P(reading | failure) as the likelihood of a case with just that reading."""
    for *before, last in ((FALLING,), (shot("left_turn"), shot("level")), (shot("level", 20.0),)):
        *_, found = ENGINE.predict(small_case(*before, last), ("pump_sheared",))
        for facet in ("suction.value", "attitude.behaviour", "attitude.bank", "heading.trend"):
            assert sum(found[facet].values()) == pytest.approx(1.0)
            for reading, chance in found[facet].items():
                case = small_case(*before, replace_readings(last, readings={facet: reading}))
                assert chance == pytest.approx(np.exp(ENGINE.log_likelihood(case, ("pump_sheared",))))


def test_outcomes_add_up_to_what_was_known_before():
    case = small_case(FALLING, LEANING)
    before, found = ENGINE.posterior(case), ENGINE.outcomes(case, "suction.value")
    assert found.chance.sum() == pytest.approx(1.0)
    assert found.chance @ found.rows == pytest.approx(before.rows, abs=1e-12)
    assert found.chance @ found.marginals == pytest.approx(before.marginals, abs=1e-12)
    with pytest.raises(CaseError, match="read already"):
        ENGINE.outcomes(case, "attitude.behaviour")


def test_a_look_ahead_moves_memories_and_lets_nothing_begin():
    posterior = ENGINE.posterior(small_case(FALLING))
    ahead = ENGINE.ahead(posterior, shot("level", 1.0, 30.0))
    assert ahead.sum() == pytest.approx(1.0)
    assert posterior.space.by_set(ahead) == pytest.approx(posterior.sets, abs=1e-12)
    # half an hour without suction: the rotors stand
    space = posterior.space
    column = space.memory_names.index("attitude_rotor")
    sheared = np.array(["pump_sheared" in names for names in space.set_names])[space.row_set]
    stopped = space.memory_states[:, column] == NETWORK.states["attitude_rotor"].index("stopped")
    assert ahead[sheared & stopped].sum() == pytest.approx(ahead[sheared].sum(), rel=1e-9)
    assert posterior.rows[sheared & stopped].sum() < 0.9 * posterior.rows[sheared].sum()


def test_what_a_motion_is_after_the_readings():
    posterior = ENGINE.posterior(small_case(shot("level", readings={"altimeter.trend": "rising"})))
    for values in posterior.motion.values():
        assert sum(values.values()) == pytest.approx(1.0)
    still = ENGINE.posterior(small_case(shot("level")))
    assert posterior.motion["vertical"]["up"] > 10.0 * still.motion["vertical"]["up"]


def test_the_condition_of_a_part_is_as_likely_as_the_failures_that_make_it_so():
    posterior = ENGINE.posterior(small_case(FALLING))
    held = posterior.conditions("engine_pump")
    assert sum(held.values()) == pytest.approx(1.0)
    assert held["stopped"] == pytest.approx(posterior.marginals[IDS.index("pump_sheared")])
    assert posterior.conditions("left_pump") == {}


# ------------------------------------------------------------------ refused


def test_uncovered_is_what_larger_sets_hold():
    """Singles only: what two at once have of the prior is not covered."""
    small = Engine(NETWORK, largest_set=1)
    case = small_case(FALLING)
    whole = ENGINE.posterior(case)
    kept = [len(names) <= 1 for names in whole.space.set_names]
    assert whole.uncovered == pytest.approx(0.0, abs=1e-12)
    found = small.posterior(case)
    if len(found.space.sets) == 5:  # no larger set was worth adding
        assert found.uncovered == pytest.approx(1.0 - whole.prior_sets[kept].sum(), abs=1e-9)


@pytest.mark.parametrize(
    ("snapshots", "error", "text"),
    [
        ((), CaseError, "nothing has been said yet"),
        ((shot("loop"),), UnknownName, "loop"),
        ((shot("level", 0.0),), CaseError, "moment 1 lasts 0.0 min"),
        ((shot(), shot("level", -1.0)), CaseError, "moment 2 lasts"),
        ((shot(), shot("level", 1.0, -0.5)), CaseError, "moment 2 lasts"),
    ],
)
def test_what_makes_no_sense_is_refused(snapshots, error, text):
    with pytest.raises(error, match=text):
        ENGINE.posterior(small_case(*snapshots))


def test_the_smallest_conflict_is_named_whatever_else_was_said():
    """A dial that can only be steady, said to fall in the second of two snapshots, among other readings."""
    sure = NETWORK.facets["airspeed.trend"]
    chance = np.zeros_like(sure.chance)
    chance[..., sure.readings.index("steady")] = 1.0
    facets = dict(NETWORK.facets) | {"airspeed.trend": showing(sure, chance)}
    engine = Engine(replace(NETWORK, facets=facets), largest_set=4)
    case = small_case(
        shot("level", readings={"airspeed.trend": "steady", "suction.value": "normal"}),
        shot("climb", unsure={"airspeed.trend": ("falling", 1.0)}, readings={"suction.value": "low"}),
    )
    with pytest.raises(ImpossibleEvidence) as caught:
        engine.posterior(case)
    assert caught.value.conflict == ("airspeed.trend perhaps falling (moment 2, climb)",)
    denied = small_case(shot("level", unsure={"airspeed.trend": ("steady", 0.0)}))
    with pytest.raises(ImpossibleEvidence) as caught:
        engine.posterior(denied)
    assert caught.value.conflict == ("airspeed.trend not steady (moment 1, level)",)
    with pytest.raises(ImpossibleEvidence):
        list(engine.filtered(case))
    with pytest.raises(ImpossibleEvidence):
        engine.outcomes(case, "heading.trend")


def test_the_setting_is_that_of_the_file():
    assert shipped().limits.largest_set == 2
    assert len(Engine(NETWORK).posterior(small_case(FALLING)).space.sets) >= 11


def test_a_first_moment_is_what_it_is_whatever_follows():
    """The chances of readings on the roll are not those of the climb that comes after; each engine is new."""
    for before, after in ((shot("takeoff_roll"), shot("climb", 5.0)), (shot("level"), shot("takeoff_roll", 20.0, 3.0))):
        for names in (("static_ports_taped",), ("pump_sheared",)):
            alone, *_ = Engine(NETWORK, largest_set=4).predict(small_case(before), names)
            first, *_ = Engine(NETWORK, largest_set=4).predict(small_case(before, after), names)
            for facet, chances in alone.items():
                assert first[facet] == pytest.approx(chances), facet


def test_settings_asked_of_one_engine_do_not_mix():
    """Of the same sets, but the pilot's word counts less where nobody sought an anomaly."""
    case = small_case(shot("level", readings={"altimeter.trend": "rising"}))
    shared = Engine(NETWORK, largest_set=4)
    settings = ("routine", "anomaly", "exercise")
    assert len({NETWORK.kb.settings[one].strayed for one in settings}) > 1
    for setting in (*settings, *settings[::-1]):
        asked = msgspec.structs.replace(case, setting=setting)
        alone = Engine(NETWORK, largest_set=4).posterior(asked)
        found = shared.posterior(asked)
        assert found.sets == pytest.approx(alone.sets, abs=1e-12)
        assert found.motion["vertical"] == pytest.approx(alone.motion["vertical"])


def test_what_cannot_be_is_nothing_and_no_error():
    """A reading that is never shown has no chance; a row that what was said rules out has no motion."""
    table = NETWORK.facets["suction.value"]
    chance = np.array([0.0, *[1.0 / (len(table.readings) - 1)] * (len(table.readings) - 1)])
    facets = {**NETWORK.facets, "suction.value": showing(table, chance, parents=(), axes=())}
    engine = Engine(replace(NETWORK, facets=facets), largest_set=4)
    found = engine.outcomes(small_case(shot("level")), "suction.value")
    assert found.chance[0] == 0.0
    assert found.rows[0].tolist() == [0.0] * found.rows.shape[1]
    assert found.rows[1:].sum(axis=1) == pytest.approx(1.0)
    posterior = ENGINE.posterior(small_case(shot("level")))
    said, rows = posterior.said.copy(), posterior.rows.copy()
    said[3], rows[3] = 0.0, 0.0
    joint = replace(posterior, said=said, rows=rows).joint
    assert joint[3].tolist() == [0.0] * 4
    assert joint[:, 3] == pytest.approx(rows)
