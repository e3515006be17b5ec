"""Why a case was told: what explains its odd readings decides, and each rule of it is one that a pilot would state."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest
from msgspec.structs import replace

from diagnose import answer_case, engine_for
from diagnose.model import CaseRecord, FailureKind, SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.network.odds import odds_of
from diagnose.network.statements import facet_chance
from diagnose.network.telling import BENIGN, MISREADING, straying_counts
from tests.small import shipped, small_case, small_network

TOLD = shipped().settings["anomaly"].told


@cache
def engine():
    return engine_for(shipped(), "single_pump")


@cache
def deaf_to_silence():
    """The engine as if silence said nothing."""
    setting, network = shipped().settings["anomaly"], engine().network
    changed = replace(setting, told=replace(setting.told, also=0.0))
    kb = dataclasses.replace(network.kb, settings={**network.kb.settings, "anomaly": changed})
    return Engine(dataclasses.replace(network, kb=kb))


def heard(manoeuvre, setting="anomaly", **readings):
    return answer(manoeuvre, setting, deaf_to_silence(), **readings)


def answer(manoeuvre, setting="anomaly", machine=None, **readings):
    named = {name.replace("__", "."): reading for name, reading in readings.items()}
    snapshot = SnapshotRecord(manoeuvre=manoeuvre, readings=named)
    case = CaseRecord(title="", panel="single_pump", setting=setting, snapshot=(snapshot,))
    return answer_case(shipped(), case, machine or engine())


def chances(found):
    return {r.failures: r.posterior for r in found.ranking}


ODD = [
    ("climb", {"airspeed__value": "zero"}),
    ("climb", {"altimeter__trend": "steady", "vertical_speed__rate": "zero"}),
    ("level", {"suction__value": "zero"}),
    ("level", {"low_voltage_light__state": "lit"}),
]


@pytest.mark.parametrize(("manoeuvre", "readings"), ODD)
@pytest.mark.parametrize("setting", ["anomaly", "exercise"])
def test_a_slip_that_explains_nothing_of_what_was_told_gains_nothing(manoeuvre, readings, setting):
    """Its odds against nothing failed are those of the routine flight, where nobody asks why it was told.

    In an exercise every failure is as likely as another before any reading, so there it only falls. What silence says
    comes on top, and of a slip that would have shown it says no good.
    """
    found = chances(heard(manoeuvre, setting, **readings))
    for slip in ("heading_not_reset", "attitude_mis_set"):
        if setting == "anomaly":
            usual = chances(answer(manoeuvre, "routine", **readings))
            assert found[slip,] / found[()] == pytest.approx(usual[slip,] / usual[()], rel=0.1), slip
        silent = chances(answer(manoeuvre, setting, **readings))
        assert max(found[slip,], silent[slip,]) < 0.01
        assert silent[slip,] / silent[()] < 1.1 * found[slip,] / found[()]


@pytest.mark.parametrize(("manoeuvre", "readings"), ODD)
def test_what_is_shown_truly_or_falsely_by_a_failure_is_explained_by_it(manoeuvre, readings):
    """A lit light after the alternator and a false altimeter alike: something has failed with nine in ten."""
    found = answer(manoeuvre, **readings)
    faults = {f.id for f in shipped().failures.values() if f.kind is FailureKind.FAILURE}
    assert sum(p for names, p in chances(found).items() if faults & set(names)) > 0.9


def test_until_something_odd_is_told_the_settings_chance_stands():
    """Ordinary readings move little: something noticeable keeps its three in four."""
    plain = answer("level", engine__state="as_set")
    loud = {f.id for f in engine().network.failures if not f.silent}
    share = sum(p for names, p in chances(plain).items() if loud & set(names))
    assert share == pytest.approx(0.75, abs=0.02)


def test_known_effects_raise_no_failure_above_one_half():
    """A compass that swings in a turn, suction low at idle and a heading card that was not reset for a while."""
    for manoeuvre, readings in (
        ("idle_at_rest", {"suction__value": "low"}),
        ("left_turn", {"compass__trend": "swinging", "heading__trend": "left"}),
        ("left_turn", {"ball__position": "off_centre", "turn_coordinator__turn": "left"}),
    ):
        found = answer(manoeuvre, **readings).failures
        assert max(p for name, p in found.items() if name != "heading_not_reset") < 0.5, manoeuvre


def test_the_share_of_an_explanation_is_the_stated_one():
    """Two explanations of one reading that routine odds put at a and b stand at a t(a) : b t(b) once it is told.

    Suction zero in level flight: a sheared pump shows it (failure), nothing failed needs a misreading.
    """
    usual = chances(answer("level", "routine", suction__value="zero"))
    found = chances(heard("level", suction__value="zero"))
    expected = usual["pump_sheared",] / usual[()] * TOLD.failure / TOLD.misreading
    assert found["pump_sheared",] / found[()] == pytest.approx(expected, rel=0.1)


# ------------------------------------------------------------------ what silence says


def test_a_flag_alone_speaks_of_its_own_supply():
    """A dead bus would have darkened radios and lights as well; who says so is believed."""
    alone = answer("level", turn_coordinator__flag="showing").failures
    assert alone["turn_supply_open"] > 3.0 * max(alone["alternator_failed"], alone["main_bus_dead"])
    dark = answer("level", turn_coordinator__flag="showing", radios__state="dead", lights__state="dead").failures
    assert dark["turn_supply_open"] < 0.1


PRESSURE = ("airspeed", "altimeter", "vertical_speed")
FEW = ("static_ports_taped", "static_common_blocked", "pitot_insect_nest", "pitot_restricted", "altimeter_stuck", "airspeed_stuck")  # fmt: skip


def pilots_flights(count, also, *, each=False, manoeuvre="climb", seed=5):
    """(failure, what was told) of flights in which one thing had failed; the tables' own world.

    With the chance ``also`` the pilot tells all that is odd on the three dials, else what is odd on one of them;
    ``each``: he tells of each odd dial with that chance, whatever else he tells.
    """
    rng = np.random.default_rng(seed)
    network = small_network(FEW, PRESSURE)
    motions = network.motions(manoeuvre, shipped().settings["anomaly"].strayed)
    sound = network.sound({s: network.kb.switches[s].positions[0] for s in network.panel.switches})
    odd_below = network.kb.limits.odd_below
    prior = odds_of(network, small_case(SnapshotRecord(manoeuvre=manoeuvre), setting="anomaly")).by_the_end
    usual = {
        facet: motions.chance[0] @ facet_chance(network, facet, sound, motions)[0] for facet in network.dials
    }
    found = []
    while len(found) < count:
        failure = network.failures[int(rng.choice(len(prior), p=prior / prior.sum()))]
        given = {p: np.array([network.states[p].index(c)]) for p, c in failure.acts.items()}
        for name, tables in network.memories.items():
            state = network.conditions(given, network.switch_positions({}), 1)
            driver = network.states[tables.memory.driver][int(state[tables.memory.driver][0])]
            carry = tables.memory.carry.get(driver)
            if carry is not None:
                names = network.states[name]
                stated = tables.memory.first or dict(
                    zip(names, tables.first.get(carry, [[]])[0], strict=True)
                )
                given[name] = np.array([rng.choice(len(names), p=[stated.get(n, 0.0) for n in names])])
        state = network.conditions(given, network.switch_positions({}), 1)
        motion = int(rng.choice(motions.chance.shape[1], p=motions.chance[network.combination(state)][0]))
        odd = {}
        for facet in network.dials:
            chance = facet_chance(network, facet, state, motions)[0]
            reading = int(rng.choice(chance.shape[1], p=chance[motion % len(chance)]))
            if usual[facet][reading] < odd_below:
                odd.setdefault(facet.split(".")[0], {})[facet] = network.facets[facet].readings[reading]
        if odd:
            told = list(odd) if rng.random() < also else [str(rng.choice(list(odd)))]
            if each:
                told = [gauge for gauge in odd if rng.random() < also]
            if told:
                found.append((failure.id, {k: v for gauge in told for k, v in odd[gauge].items()}))
    return found


def said_of(flights, also):
    """(chance of the true failure, chance of the first one, whether that is true) of each flight."""
    network = small_network(FEW, PRESSURE)
    setting = shipped().settings["anomaly"]
    changed = replace(setting, told=replace(setting.told, also=also))
    kb = dataclasses.replace(network.kb, settings={**network.kb.settings, "anomaly": changed})
    machine, known, found = Engine(dataclasses.replace(network, kb=kb)), {}, []
    for failure, readings in flights:
        key = tuple(sorted(readings.items()))
        if key not in known:
            case = small_case(SnapshotRecord(manoeuvre="climb", readings=readings), setting="anomaly")
            singles = [r for r in machine.posterior(case).ranking() if len(r.failures) == 1]
            whole = sum(r.posterior for r in singles)
            known[key] = {r.failures[0]: r.posterior / whole for r in singles}
        first = max(known[key], key=known[key].__getitem__)
        found.append((known[key][failure], known[key][first], first == failure))
    return np.array(found, dtype=float).T


@pytest.mark.parametrize("each", [False, True])
def test_pilots_who_tell_what_is_odd_are_believed_by_how_they_tell_it(each):
    """What is said of the first cause is as often true, and the truth is given more than if silence said nothing."""
    also = shipped().settings["anomaly"].told.also
    flights = pilots_flights(1500, also, each=each)
    truth, first, right = said_of(flights, also)
    deaf, deaf_first, deaf_right = said_of(flights, 0.0)
    # three standard errors of 1,500 flights are 0.03; pilots of the other kind may be 0.02 further off
    assert first.mean() == pytest.approx(right.mean(), abs=0.05 if each else 0.03)
    assert np.log(truth).mean() > np.log(deaf).mean() + 0.1
    assert abs(deaf_first.mean() - deaf_right.mean()) > abs(first.mean() - right.mean())


def test_silence_of_the_dials_of_a_blocked_static_line_speaks_for_the_probe():
    """Airspeed zero in a climb, nothing said of altimeter and vertical speed; said to be right, it is sure."""
    probe = ("pitot_insect_nest", "pitot_ram_iced", "pitot_insect_underway")
    ports = ("static_ports_taped", "static_line_iced")
    silent = chances(answer("climb", airspeed__value="zero"))
    seen = {"altimeter__trend": "rising", "vertical_speed__rate": "climb"}
    spoken = chances(answer("climb", airspeed__value="zero", **seen))
    odds = [sum(f[name,] for name in probe) / sum(f[name,] for name in ports) for f in (silent, spoken)]
    routine = chances(answer("climb", "routine", airspeed__value="zero"))
    deaf = sum(routine[name,] for name in probe) / sum(routine[name,] for name in ports)
    # of three odd dials the pilot who is not thorough names this one in a third of cases
    assert odds[0] == pytest.approx(3.0 * deaf / (1.0 - TOLD.also), rel=0.2)
    assert odds[1] > 3.0 * odds[0]


def test_silence_says_nothing_in_a_setting_that_was_not_chosen_for_what_it_shows():
    assert shipped().settings["routine"].told is None
    assert shipped().settings["watched"].told is None


# ------------------------------------------------------------------ what is not felt


def motion_rows(manoeuvre, **conditions):
    """Motions of a maneuver on the usual panel, and the place of these conditions of air and pilot."""
    network = engine().network
    state = {
        part: np.array([network.states[part].index(conditions.get(part, network.states[part][0]))])
        for part in network.variation_parts
    }
    return network, network.motions(manoeuvre), int(network.combination(state)[0])


@pytest.mark.parametrize("manoeuvre", ["level", "climb", "descent", "left_turn", "takeoff_roll"])
def test_his_own_slip_is_what_he_held_and_neither_air_nor_a_wrong_picture_moves(manoeuvre):
    """Judged motion by motion from the words of the knowledge."""
    kb = shipped()
    meant = kb.manoeuvres[manoeuvre]
    for part, condition in [("", ""), *((v.part, v.condition) for v in kb.variations.values())]:
        network, motions, row = motion_rows(manoeuvre, **({part: condition} if part else {}))
        fitting = [
            v
            for v in kb.variations.values()
            if (v.part, v.condition) == (part, condition)
            and meant.phase in v.phases
            and (not v.meant or meant.expected["vertical"] in v.meant)
        ]
        done = [dict(o.motion) for v in fitting for o in v.outcomes] or [{}]
        for place in range(motions.chance.shape[1]):
            moves = {a: network.states[a][motions.values[a][place]] for a in motions.axes}
            explained = any(
                all(moves[a] == way.get(a, meant.expected[a]) for a in kb.limits.held) for way in done
            )
            assert motions.slips[row, place] == (not explained), (condition, moves)


def test_what_is_not_felt_is_told_as_a_failure_is_and_a_draft_is_not():
    """A turn in which a pilot is astray counts in full only with explanations up to a failure; a draft is benign."""
    for part, condition, told in (("pilot", "astray", False), ("air", "sinking", True)):
        _, motions, row = motion_rows("level", **{part: condition})
        slight, benign = (straying_counts(motions, np.array([row]), most)[0] for most in (MISREADING, BENIGN))
        moved = ~motions.slips[row]
        assert moved.any()
        assert not slight[moved].any()
        assert (benign[moved] == told).all()
        assert slight[motions.slips[row]].all()


def held_level():
    """The cells of the bank shown in which its picture is held level, and those in which it is free."""
    network = engine().network
    table = network.facets["attitude.bank"]
    assert table.axes[-1] == "picture"
    return table.chance[..., network.states["picture"].index("held_level"), :], table


def test_a_horizon_that_is_held_level_shows_level_whatever_the_airplane_does():
    """By what it means to follow a horizon (common practice): its picture is what stays put."""
    held, table = held_level()
    listed = [s != "unlisted" for s in engine().network.states["attitude_part"]]
    assert held[listed][..., table.readings.index("level")].min() > 0.98


GYROS = {"engine_pump", "suction_line", "regulator", "gyro_filter", "attitude_hose", "attitude_part"}


def of_gyros(given):
    """Chance of anything that makes the attitude indicator lean."""
    acts = {name: set(failure.acts) for name, failure in shipped().failures.items()}
    return sum(r.posterior for r in given.ranking if any(acts[name] & GYROS for name in r.failures))


def test_a_turn_beside_a_level_horizon_speaks_for_what_makes_it_lean():
    """Rate of turn and card agree on a turn, the horizon shows none: he follows it (aopa_vacuum_failure)."""
    agreed = {"turn_coordinator__turn": "left", "heading__trend": "left"}
    assert of_gyros(answer("level", attitude__bank="level", **agreed)) > 0.8
    # a horizon that shows the turn as well is not being followed
    assert of_gyros(answer("level", attitude__bank="left", **agreed)) < 0.2


@pytest.mark.parametrize("readings", [{"altimeter__trend": "falling", "vertical_speed__rate": "descent"}])
def test_lost_altitude_alone_accuses_no_gyro(readings):
    assert of_gyros(answer("level", **readings)) < 0.2


@pytest.mark.parametrize("context", [(), ("visible_moisture",), ("visible_moisture", "below_freezing")])
def test_a_stall_warning_is_believed_against_an_airspeed_that_rises_in_a_climb(context):
    """Who pulls up after a needle that rises in a climb stalls (phak, ch. 8, blocked pitot tube and drain)."""
    snapshot = SnapshotRecord(
        manoeuvre="climb", readings={"airspeed.trend": "rising", "stall_warner.state": "sounding"}
    )
    case = CaseRecord(title="", panel="single_pump", setting="anomaly", context=context, snapshot=(snapshot,))
    chance = answer_case(shipped(), case, engine()).failures
    assert chance["pitot_and_drain_blocked"] + chance["pitot_and_drain_iced"] > chance["stall_warner_sounding"]


def test_who_is_surprised_by_the_motion_would_have_told_of_every_dial():
    """Silence about the dials on the same line speaks against a descent that he does not feel; a draft he feels."""
    alone, with_altimeter = (
        answer("climb", **told)
        for told in ({"airspeed__trend": "rising"}, {"airspeed__trend": "rising", "altimeter__trend": "falling"})
    )
    assert alone.failures["disoriented"] < 0.1 < with_altimeter.failures["disoriented"]
