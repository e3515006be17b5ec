"""What a look would tell and what it is worth: small tables by hand, and the engine asked for every outcome."""

from __future__ import annotations

import itertools
from dataclasses import replace
from functools import cache
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest

from diagnose.advice.looks import (
    Offer,
    _advice,
    _allowed,
    _offers,
    _outcomes,
    _safe,
    next_looks,
    offers,
    suspects,
    trust_cost,
)
from diagnose.advice.prospect import Told, entropy, scene_of, told
from diagnose.advice.trust import misled
from diagnose.knowledge.load import with_only
from diagnose.model import Grade, SnapshotRecord
from diagnose.model.systems import Look
from diagnose.network.engine import Engine
from tests.small import shipped, showing, small_case, small_network

NETWORK = small_network()
KB = shipped()
ENGINE = Engine(NETWORK, largest_set=4)
ALL = np.ones(len(NETWORK.failures), dtype=bool)


# ------------------------------------------------------------------ bits


def test_entropy_in_bits():
    assert entropy(np.array([0.5, 0.5])) == pytest.approx(1.0)
    assert entropy(np.array([[0.25, 0.25], [0.25, 0.25]])) == pytest.approx(2.0)
    assert entropy(np.array([1.0, 0.0])) == pytest.approx(0.0)
    # 1/4 * 2 + 3/4 * 0.415
    assert entropy(np.array([0.25, 0.75])) == pytest.approx(0.8113, abs=1e-4)


# ------------------------------------------------------------------ a look at one and two facets


@cache
def present(before="level"):
    shot = SnapshotRecord(
        manoeuvre="climb",
        readings={"airspeed.trend": "falling", "altimeter.trend": "steady"},
        unsure={"attitude.bank": ("level", 0.8)},
        disagree=(("attitude", "heading"),),
    )
    # what a look will show is no reason why the case was told, so it is compared where that is not asked
    case = small_case(SnapshotRecord(manoeuvre=before, readings={}), shot, setting="routine")
    posterior = ENGINE.posterior(case)
    return case, posterior


def outcomes(case, *facets):
    """Readings of these facets -> (chance, P(row | them)), by asking the engine with each entered."""
    last, found = case.snapshot[-1], {}
    base = ENGINE.posterior(case).log_evidence
    for readings in itertools.product(*(NETWORK.facets[f].readings for f in facets)):
        more = msgspec.structs.replace(
            last, readings=last.readings | dict(zip(facets, readings, strict=True))
        )
        after = ENGINE.posterior(msgspec.structs.replace(case, snapshot=(*case.snapshot[:-1], more)))
        found[readings] = float(np.exp(after.log_evidence - base)), after.rows
    return found


@pytest.mark.parametrize("before", ["level", "left_turn"])
@pytest.mark.parametrize(
    "facets",
    [
        ("suction.value",), ("heading.trend",), ("altimeter.value",), ("turn_coordinator.turn", "suction.value"),
        ("airspeed.value", "attitude.behaviour"), ("suction.value", "airspeed.value"),
    ],
)  # fmt: skip
def test_a_look_tells_what_the_engine_says_with_each_outcome(facets, before, every_row):
    case, posterior = present(before)
    space = posterior.space
    suspected = np.array([f.id in ("pump_sheared", "static_ports_taped") for f in NETWORK.failures])
    scene = scene_of(space, case.snapshot[-1], posterior.rows, suspected, before=posterior.before)
    tells = told(scene, facets)
    by_engine = outcomes(case, *facets)
    chances = np.array([chance for chance, _ in by_engine.values()])
    assert tells.chance == pytest.approx(chances, abs=1e-9)
    sets = np.array([space.by_set(rows) for _, rows in by_engine.values()])
    before = entropy(space.by_set(posterior.rows))
    after = sum(chance * entropy(one) for chance, one in zip(chances, sets, strict=True))
    assert tells.bits == pytest.approx(before - after, abs=1e-8)
    assert tells.leading_chance == pytest.approx(sets.max(axis=1), abs=1e-8)
    assert sets[np.arange(len(sets)), tells.leading] == pytest.approx(sets.max(axis=1), abs=1e-8)
    # the suspects alone: sets that hold the same of them are one
    kinds = {}
    for number, members in enumerate(space.members & suspected):
        kinds.setdefault(members.tobytes(), []).append(number)
    merged = [np.array([one[numbers].sum() for numbers in kinds.values()]) for one in sets]
    whole = space.by_set(posterior.rows)
    before = entropy(np.array([whole[numbers].sum() for numbers in kinds.values()]))
    after = sum(chance * entropy(one) for chance, one in zip(chances, merged, strict=True))
    assert tells.suspect_bits == pytest.approx(before - after, abs=1e-7)
    # which instruments mislead, outcome by outcome
    lies = misled(space, "climb", NETWORK.switch_positions({}))
    for number, (chance, rows) in enumerate(by_engine.values()):
        _, soon = lies.chances(rows)
        assert tells.lies[:, number] == pytest.approx(chance * (1.0 - soon), abs=1e-7)


def test_a_look_at_nothing_tells_nothing(every_row):
    case, posterior = present()
    tells = told(scene_of(posterior.space, case.snapshot[-1], posterior.rows, ALL), ())
    assert tells.chance == pytest.approx([1.0])
    assert tells.bits == pytest.approx(0.0, abs=1e-12)
    lies = misled(posterior.space, "climb", NETWORK.switch_positions({}))
    _, soon = lies.chances(posterior.rows)
    assert tells.lies[:, 0] == pytest.approx(1.0 - soon, abs=1e-7)


def test_instruments_are_trusted_with_the_switches_as_they_then_stand():
    """With the alternate source open a taped port misleads nobody by itself."""
    case, posterior = present()
    shut = scene_of(posterior.space, case.snapshot[-1], posterior.rows, ALL)
    opened = scene_of(posterior.space, case.snapshot[-1], posterior.rows, ALL, {"alternate_static": "on"})
    assert shut.trusting["alternate_static"] == "off"
    assert opened.trusting["alternate_static"] == "on"
    assert opened.switches["alternate_static"] == "off"
    place = [g for g in NETWORK.panel.gauges if KB.gauges[g].instrument].index("altimeter")
    assert told(opened, ()).lies[place].sum() < 0.2 * told(shut, ()).lies[place].sum()


# ------------------------------------------------------------------ what it is worth


def test_the_cost_of_trusting_is_that_of_the_best_grade_after_each_outcome():
    """engine.toml: use 0 and 60, verify 2 and 8, cover 12 and 0.5.

    Outcome of 0.6 with a lie in 0.0: use, 0. Of 0.4 with a lie in 0.4: cover, 0.2. A second gauge lies in 0.06 and
    0.2: verify 0.54 * 2 + 0.06 * 8 = 1.56; of 0.4: verify 0.2 * 2 + 0.2 * 8 = 2.0 against cover 2.4 + 0.1.
    """
    lies = np.array([[0.0, 0.4], [0.06, 0.2]])
    assert trust_cost(NETWORK, np.array([0.6, 0.4]), lies) == pytest.approx(0.0 + 0.2 + 1.56 + 2.0)


def test_suspects_are_what_the_readings_raised_threefold():
    """Odds before 1/99 and 1/9; after 0.03 (odds 3.06 times as much), 0.25 (3.0 times) and 0.24 (2.8 times)."""
    assert KB.look_weights.suspect_factor == 3.0

    def found(before, after):
        space = SimpleNamespace(network=NETWORK)
        posterior = SimpleNamespace(space=space, priors=np.array(before), marginals=np.array(after))
        return suspects(posterior).tolist()

    assert found([0.01, 0.1, 0.1], [0.03, 0.2501, 0.24]) == [True, True, False]
    # if they speak for none, all are
    assert found([0.01, 0.1, 0.1], [0.01, 0.1, 0.05]) == [True, True, True]


def look(**fields):
    usual = {"id": "l", "name": "look", "kind": "read", "seconds": 60.0, "workload": 3, "source": "judgement"}
    return Look(**(usual | fields))


def tells_of(**fields):
    usual = {
        "chance": np.array([0.7, 0.2999, 0.0001]), "bits": 0.5, "suspect_bits": 0.4, "leading": np.array([0, 1, 2]),
        "leading_chance": np.array([0.9, 0.8, 0.7]), "lies": np.zeros((1, 3)),
    }  # fmt: skip
    return Told(**(usual | fields))


def worth(tells, *, saving=0.0, regained=0.0, facets=(), **fields):
    offer = Offer(look=look(**fields), facets=facets, snapshot=None)
    space = ENGINE.posterior(small_case(SnapshotRecord(manoeuvre="level"))).space
    return _advice(NETWORK, space, offer, tells, saving, regained)


def test_the_worth_of_a_look():
    """Ten a bit about suspects, a quarter of the cost it saves; half a minute, half a step of workload, 3 a hazard.

    0.4 bits: 4; saving 2 and a dial that comes back (12): 3.5; a minute 0.5; workload 3: 1; hazard 1: 3.
    """
    found = worth(tells_of(), saving=2.0, regained=1.0, hazard=1)
    assert found.worth == pytest.approx(4.0 + 3.5 - 0.5 - 1.0 - 3.0)
    assert (found.bits, found.suspect_bits, found.saving, found.regained) == (0.5, 0.4, 2.0, 1.0)
    # on the ground a minute costs 0.02
    assert worth(tells_of(), kind="ground").worth == pytest.approx(4.0 - 0.02 - 1.0)
    assert worth(tells_of(), seconds=120.0).worth == pytest.approx(4.0 - 1.0 - 1.0)


@pytest.mark.parametrize(
    ("bits", "saving", "shown"),
    [(0.02, 0.0, True), (0.019, 0.0, False), (0.0, 1.0, True), (0.019, 0.99, False)],
)
def test_a_look_that_tells_next_to_nothing_is_not_shown_by_itself(bits, saving, shown):
    assert (KB.look_weights.least_bits, KB.look_weights.least_saving) == (0.02, 1.0)
    assert worth(tells_of(suspect_bits=bits), saving=saving).tells == shown


def test_outcomes_stand_likeliest_first_and_rare_ones_are_counted_only():
    space = ENGINE.posterior(small_case(SnapshotRecord(manoeuvre="level"))).space
    facet = "attitude.bank"
    readings = NETWORK.facets[facet].readings
    offer = Offer(look=look(), facets=(facet,), snapshot=None)
    found = _outcomes(NETWORK, space, offer, tells_of(chance=np.array([0.2999, 0.7, 0.0001])))
    assert [one.readings for one in found] == [((facet, readings[1]),), ((facet, readings[0]),)]
    assert [one.chance for one in found] == [0.7, 0.2999]
    assert [one.leading for one in found] == [space.set_names[1], space.set_names[0]]
    assert [one.leading_chance for one in found] == [0.8, 0.9]
    assert worth(tells_of(), facets=(facet,)).unlisted == pytest.approx(0.0001)
    assert _outcomes(NETWORK, space, Offer(look=look(), facets=(), snapshot=None), tells_of()) == ()


# ------------------------------------------------------------------ which can be had


def allowed(case=None, **fields):
    case = case or small_case(SnapshotRecord(manoeuvre="level", readings={"airspeed.trend": "steady"}))
    positions = NETWORK.switch_positions(case.snapshot[-1].switches)
    return _allowed(look(**fields), NETWORK, case, positions)


@pytest.mark.parametrize(
    ("fields", "expected"),
    [
        ({}, True),
        ({"phases": ("ground",)}, False),
        pytest.param(
            {"phases": ("ground",), "kind": "ground"}, True, id="what is done on the ground can be planned"
        ),
        ({"only_while": ("climb",)}, False),
        ({"only_while": ("level", "climb")}, True),
        ({"not_while": ("level",)}, False),
        ({"not_while": ("climb",)}, True),
        ({"not_in": ("visible_moisture",)}, False),
        ({"not_in": ("washed",)}, True),
        ({"without": ("alternate_static",)}, False),
        ({"without": ("engine_pump",)}, False),
        ({"without": ("gear",)}, True),
        ({"switches": {"pitot_heat": "on"}}, True),
        pytest.param({"switches": {"pitot_heat": "off"}}, False, id="it stands so already"),
        ({"switches": {"pitot_heat": "off", "alternate_static": "on"}}, True),
        ({"switches": {"gear": "down"}}, False),
        ({"only_with": {"pitot_heat": "off"}}, True),
        ({"only_with": {"pitot_heat": "on"}}, False),
        ({"once": True, "reads": ("airspeed.trend",)}, False),
        ({"once": True, "reads": ("suction.value",)}, True),
        ({"reads": ("airspeed.trend",)}, True),
        pytest.param(
            {"reads": ("gps_height.trend", "suction.value")}, False, id="the first is what it is for"
        ),
        ({"reads": ("suction.value", "gps_height.trend")}, True),
    ],
)
def test_needs_of_a_look(fields, expected):
    assert allowed(**fields) == expected


def test_a_look_is_had_where_the_case_ends():
    case = small_case(SnapshotRecord(manoeuvre="takeoff_roll"), SnapshotRecord(manoeuvre="climb"))
    assert allowed(case, only_while=("climb",), phases=("air",))
    assert not allowed(case, only_while=("takeoff_roll",))
    assert not allowed(case, phases=("roll",))
    assert allowed(case, not_while=("takeoff_roll",))
    assert not allowed(case, not_while=("climb",))


def test_without_a_horizon_enough_instruments_must_be_left():
    needs = {"blind_needs": ("attitude", "turn_coordinator", "radios"), "blind_least": 1}
    clear = small_case(SnapshotRecord(manoeuvre="level"), context=())
    cloud = small_case(SnapshotRecord(manoeuvre="level"), context=("visible_moisture",))
    blind = small_case(SnapshotRecord(manoeuvre="level"), context=("instruments_only",))
    out = {"attitude", "turn_coordinator"}
    assert _safe(look(**needs), NETWORK, clear, out)
    assert _safe(look(), NETWORK, cloud, out)
    for case in (cloud, blind):
        assert not _safe(look(**needs), NETWORK, case, out)
        assert _safe(look(**needs), NETWORK, case, {"attitude"})
        assert not _safe(look(**(needs | {"blind_least": 2})), NETWORK, case, {"attitude"})
        assert _safe(look(**(needs | {"blind_least": 2})), NETWORK, case, set())
        assert not _safe(look(**(needs | {"blind_least": 3})), NETWORK, case, set())


# ------------------------------------------------------------------ air and pilot that move the airplane

MOVED = small_network(("static_ports_taped", "updraught", "disoriented", "pump_sheared"))


@pytest.mark.parametrize(
    "facets",
    [
        ("altimeter.trend",), ("turn_coordinator.turn", "altimeter.value"), ("suction.value", "attitude.bank"),
        ("altimeter.trend", "suction.value", "turn_coordinator.turn"), ("heading.trend", "attitude.bank", "altimeter.trend"),
    ],
)  # fmt: skip
def test_a_look_at_what_air_and_pilot_move_tells_what_the_engine_says(facets, every_row):
    engine = Engine(MOVED, largest_set=4)
    shot = SnapshotRecord(
        manoeuvre="level", readings={"airspeed.trend": "falling"}, disagree=(("attitude", "turn_coordinator"),)
    )
    posterior = engine.posterior(small_case(shot, setting="routine"))
    tells = told(scene_of(posterior.space, shot, posterior.rows, np.ones(4, dtype=bool)), facets)
    chances, sets = [], []
    for readings in itertools.product(*(MOVED.facets[f].readings for f in facets)):
        more = msgspec.structs.replace(shot, readings=shot.readings | dict(zip(facets, readings, strict=True)))
        after = engine.posterior(small_case(more, setting="routine"))
        chances.append(np.exp(after.log_evidence - posterior.log_evidence))
        sets.append(after.sets)
    assert tells.chance == pytest.approx(np.array(chances), abs=1e-9)
    after = sum(chance * entropy(one) for chance, one in zip(chances, sets, strict=True))
    assert tells.bits == pytest.approx(entropy(posterior.sets) - after, abs=1e-7)
    assert tells.leading_chance == pytest.approx(np.max(sets, axis=1), abs=1e-7)


def test_an_outcome_that_cannot_be_leads_to_nothing():
    table = NETWORK.facets["suction.value"]
    rest = len(table.readings) - 1
    never = showing(table, np.array([0.0, *[1.0 / rest] * rest]), parents=(), axes=())
    network = replace(NETWORK, facets={**NETWORK.facets, "suction.value": never})
    shot = SnapshotRecord(manoeuvre="level")
    posterior = Engine(network, largest_set=4).posterior(small_case(shot))
    tells = told(scene_of(posterior.space, shot, posterior.rows, ALL), ("suction.value",))
    assert tells.chance == pytest.approx([0.0, *[1.0 / rest] * rest])
    assert tells.leading_chance[0] == 0.0
    assert tells.leading_chance[1:] == pytest.approx(posterior.sets.max(), rel=1e-6)
    assert tells.bits == pytest.approx(0.0, abs=1e-9)


# ------------------------------------------------------------------ offers, and their order


def with_looks(*looks):
    return replace(NETWORK, kb=with_only(NETWORK.kb, looks={one.id: one for one in looks}))


def test_what_is_read_now_and_what_makes_a_moment_of_its_own():
    """Airspeed's value and, less surely, the heading's trend are read now; suction was read earlier."""
    case = small_case(
        SnapshotRecord(manoeuvre="climb", readings={"suction.value": "low"}),
        SnapshotRecord(
            manoeuvre="level", readings={"airspeed.value": "zero"}, unsure={"heading.trend": ("steady", 0.8)},
            switches={"pitot_heat": "on"},
        ),
    )  # fmt: skip
    both, static = ("airspeed.value", "altimeter.value"), {"alternate_static": "on"}
    network = with_looks(
        look(id="read", reads=both),
        look(id="known", reads=("airspeed.value", "heading.trend")),
        look(id="earlier", reads=("suction.value", "compass.value")),
        look(id="open", kind="switch", switches=static, reads=both, minutes=2.0, wait_minutes=3.0),
        look(id="at once", kind="switch", switches=static, reads=both, at_once=True),
        look(id="fly", kind="manoeuvre", manoeuvre="climb", reads=both),
        look(id="glance", manoeuvre="descent", reads=both),
        look(id="bare", kind="switch", switches=static),
        look(id="inspect", kind="ground"),
        look(id="on the ground", phases=("ground",), reads=both),
        look(id="blind", reads=both, blind_needs=("attitude", "turn_coordinator"), blind_least=2),
    )
    found = {one.look.id: (one.facets, one.snapshot) for one in _offers(network, case, {"attitude"})}

    def moment(manoeuvre, minutes=1.0, gap=0.0, **switches):
        return SnapshotRecord(
            manoeuvre=manoeuvre, minutes=minutes, minutes_before=gap, switches={"pitot_heat": "on"} | switches
        )

    opened = {"alternate_static": "on"}
    assert found == {
        "read": (("altimeter.value",), None),
        "earlier": (("suction.value",), None),
        "open": (both, moment("level", 2.0, 3.0, **opened)),
        "at once": (("altimeter.value",), None),
        "fly": (both, moment("climb")),
        "glance": (both, moment("descent")),
        "bare": ((), moment("level", **opened)),
        "inspect": ((), None),
    }


@pytest.mark.parametrize(("grade", "left"), [(Grade.COVER, 1), (Grade.VERIFY, 2), (Grade.USE, 2)])
def test_in_cloud_a_covered_instrument_is_none_to_fly_a_look_on(grade, left):
    network = with_looks(*(
        look(id=f"{least}", reads=("airspeed.value",), blind_needs=("attitude", "turn_coordinator"), blind_least=least)
        for least in (1, 2)
    ))  # fmt: skip
    trusts = [
        SimpleNamespace(gauge="attitude", grade=grade), SimpleNamespace(gauge="turn_coordinator", grade=Grade.USE),
    ]  # fmt: skip
    case = small_case(SnapshotRecord(manoeuvre="level"), context=("visible_moisture",))
    found = offers(SimpleNamespace(space=SimpleNamespace(network=network), case=case), trusts)
    assert [one.look.id for one in found] == ["1", "2"][:left]


def test_looks_stand_by_their_worth_after_what_is_to_be_done_anyway_and_before_the_last_resort():
    heat = {"pitot_heat": "on"}
    order = next(one for one in KB.decisions.values() if one.move == heat)
    network = with_looks(
        look(id="last", reads=("suction.value",), seconds=1.0, workload=1, last_resort=True),
        look(id="slow", reads=("suction.value",), seconds=600.0),
        look(id="glass", kind="switch", switches={"alternate_static": "on"}, reads=("altimeter.value",)),
        look(id="quick", reads=("suction.value",), seconds=6.0),
        look(id="hot", kind="switch", switches=heat, reads=("airspeed.value",), hazard=5, workload=5),
        look(id="heat", kind="switch", switches=heat, reads=("airspeed.value",), seconds=3000.0, workload=5),
        look(id="afterward", kind="ground", reads=("suction.value",), seconds=60000.0),
    )
    engine = Engine(network, largest_set=4)
    case = small_case(SnapshotRecord(manoeuvre="climb", readings={"attitude.behaviour": "leaning"}))
    posterior = engine.posterior(case)
    orders = (SimpleNamespace(decision="no such"), SimpleNamespace(decision=order.id))
    found = next_looks(engine, posterior, orders=orders)
    names = [one.look for one in found]
    assert (names[0], names[-1]) == ("heat", "last")
    between = found[1:-1]
    assert {one.look for one in between} == {"slow", "glass", "quick", "hot", "afterward"}
    assert [one.worth for one in between] == sorted((one.worth for one in between), reverse=True)
    # the heat is worth less than all of them; without the order it stands by its worth
    plain = [one.look for one in next_looks(engine, posterior, orders=())]
    assert plain.index("heat") > plain.index("quick")
    assert plain[-1] == "last"
    by_name = {one.look: one for one in found}
    # minutes cost half: the ten of the slow one against the tenth of the quick one
    assert by_name["quick"].worth - by_name["slow"].worth == pytest.approx(0.5 * (10.0 - 0.1))
    assert by_name["quick"].bits == by_name["slow"].bits == by_name["last"].bits > 0.0
    assert by_name["quick"].regained == 0.0
    # what is only done on the ground is left out in the air if that is asked for
    assert "afterward" in names
    here = [one.look for one in next_looks(engine, posterior, orders=orders, everywhere=False)]
    assert here == [name for name in names if name != "afterward"]
    upset_case = msgspec.structs.replace(case, context=("unusual_attitude",))
    astray = engine.posterior(upset_case)
    assert next_looks(engine, astray, orders=orders) == ()
    assert len(next_looks(engine, astray, orders=orders, recovered=True)) == len(names)
