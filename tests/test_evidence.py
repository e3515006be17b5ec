"""From statements to likelihoods, worked by hand: sure, unsure, denied, silent, "these two disagree"."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from diagnose.model import SnapshotRecord
from diagnose.model.errors import CaseError, UnknownName
from diagnose.network import evidence
from diagnose.network.evidence import Emission, emission, opened
from diagnose.network.hidden import HiddenSpace
from diagnose.network.statements import agreement, group_likelihood, groups_of, reading_index
from diagnose.network.tables import Motions
from diagnose.network.telling import BENIGN, FAILURE, MISREADING, Shares, odd_groups
from tests.small import showing, small_network

NETWORK = small_network()
BANK, TURN, TREND = "attitude.bank", "turn_coordinator.turn", "heading.trend"


def flat(facet, **chances):
    """The table of a facet that shows the same in every state: a chance by reading, the rest shared."""
    table = NETWORK.facets[facet]
    row = np.array([chances.get(reading, 0.0) for reading in table.readings])
    return showing(table, row, parents=(), axes=())


def one_motion():
    return Motions(
        axes=("vertical",), values={"vertical": np.zeros(1, dtype=np.intp)}, chance=np.ones((1, 1))
    )


def likelihood(snapshot, **tables):
    """P(what a snapshot says) with these chances of readings, whatever else is; the groups multiply."""
    facets = dict(NETWORK.facets) | {
        name: flat(name, **chances) for name, chances in tables.pop("tables").items()
    }
    network = replace(NETWORK, facets=facets)
    state = {"any": np.zeros(1, dtype=np.intp)}
    found = [group_likelihood(network, g, state, one_motion()) for g in groups_of(network, snapshot)]
    return float(np.prod([one[0, 0] for one in found]))


def said(readings=(), unsure=(), disagree=()):
    return SnapshotRecord(
        manoeuvre="level", readings=dict(readings), unsure=dict(unsure), disagree=tuple(disagree)
    )


def test_to_disagree_is_said_of_readings_that_differ_and_hardly_ever_of_those_that_agree():
    """gauges.toml: bank and turn agree on left/left, right/right, level/level, left or right/sluggish; 0.5 % else."""
    first, second, table = agreement(NETWORK, "attitude", "turn_coordinator")
    assert (first, second) == (BANK, TURN)
    alike = {
        ("left", "left"), ("right", "right"), ("level", "level"), ("left", "sluggish"), ("right", "sluggish"),
    }  # fmt: skip
    banks, turns = NETWORK.facets[BANK].readings, NETWORK.facets[TURN].readings
    for (i, bank), (j, turn) in itertools.product(enumerate(banks), enumerate(turns)):
        assert table[i, j] == (0.005 if (bank, turn) in alike else 0.995), (bank, turn)
    # the order in which they are named makes no difference
    assert agreement(NETWORK, "turn_coordinator", "attitude")[:2] == (BANK, TURN)


def test_a_disagreement_sums_over_what_was_not_read():
    """Bank left 0.7, level 0.3; turn left 0.2, level 0.8.

    They agree with 0.7 * 0.2 + 0.3 * 0.8 = 0.38, so it is said with 0.38 * 0.005 + 0.62 * 0.995 = 0.6188.
    """
    tables = {BANK: {"left": 0.7, "level": 0.3}, TURN: {"left": 0.2, "level": 0.8}}
    pair = ("attitude", "turn_coordinator")
    assert likelihood(said(disagree=[pair]), tables=tables) == pytest.approx(0.6188)
    # with the bank read left: 0.7 * (0.2 * 0.005 + 0.8 * 0.995)
    assert likelihood(said({BANK: "left"}, disagree=[pair]), tables=tables) == pytest.approx(0.5579)
    # both read and alike: said only by a slip
    both = said({BANK: "left", TURN: "left"}, disagree=[pair])
    assert likelihood(both, tables=tables) == pytest.approx(0.7 * 0.2 * 0.005)
    # the bank left with 0.9: 0.9 * 0.7 * (..) + 0.05 * 0.3 * (..), its third reading shares the rest
    assert len(NETWORK.facets[BANK].readings) == 3
    unsure = said(unsure={BANK: ("left", 0.9)}, disagree=[pair])
    level = 0.2 * 0.995 + 0.8 * 0.005
    assert likelihood(unsure, tables=tables) == pytest.approx(0.9 * 0.5579 + 0.05 * 0.3 * level)


def test_three_gauges_tied_by_two_disagreements_are_summed_together():
    """Two of three say that they differ from the first: 0.6188-like sums are no product when they share a gauge.

    Bank left 0.5 or level 0.5; turn left, heading left: for sure. Bank left: 0.005 twice; level: 0.995 twice.
    """
    tables = {BANK: {"left": 0.5, "level": 0.5}, TURN: {"left": 1.0}, TREND: {"left": 1.0}}
    pairs = [("attitude", "turn_coordinator"), ("attitude", "heading")]
    shot = said(disagree=pairs)
    (group,) = groups_of(NETWORK, shot)
    assert set(group.facets) == {BANK, TURN, TREND}
    assert likelihood(shot, tables=tables) == pytest.approx(0.5 * 0.005**2 + 0.5 * 0.995**2)
    # what no statement ties stays a factor of its own
    assert len(groups_of(NETWORK, said({"suction.value": "low"}, disagree=pairs))) == 2


def test_sure_and_unsure_readings():
    """Suction: P(low) 0.6, the rest evenly. Sure gives 0.6; 0.8 sure gives 0.8 * 0.6 + 0.2 shared; 0 denies it."""
    readings = NETWORK.facets["suction.value"].readings
    others = len(readings) - 1
    chances = {r: 0.6 if r == "low" else 0.4 / others for r in readings}
    tables = {"suction.value": chances}
    assert likelihood(said({"suction.value": "low"}), tables=tables) == pytest.approx(0.6)
    unsure = said(unsure={"suction.value": ("low", 0.8)})
    assert likelihood(unsure, tables=tables) == pytest.approx(0.8 * 0.6 + 0.2 / others * 0.4)
    denied = said(unsure={"suction.value": ("low", 0.0)})
    assert likelihood(denied, tables=tables) == pytest.approx(0.4 / others)
    assert likelihood(said(), tables=tables) == 1.0


@pytest.mark.parametrize(
    ("shot", "error", "text"),
    [
        (said({"suction.value": "low"}, {"suction.value": ("low", 0.5)}), CaseError, "both as sure"),
        (said(unsure={"suction.value": ("low", 1.01)}), CaseError, "not between 0 and 1"),
        (said(unsure={"suction.value": ("low", -0.01)}), CaseError, "not between 0 and 1"),
        (said({"suction.value": "lo"}), UnknownName, "lo"),
        (said({"suctio.value": "low"}), UnknownName, "suctio"),
        (said({"radios.state": "dead"}), CaseError, "has no"),
        (said(disagree=[("attitude", "suction")]), CaseError, "do not tell of one thing"),
        (said(disagree=[("attitude", "compass")]), CaseError, "not on this panel"),
    ],
)
def test_what_makes_no_sense_is_refused(shot, error, text):
    with pytest.raises(error, match=text):
        groups_of(NETWORK, shot)


def test_the_place_of_a_reading_is_that_of_its_facet():
    for facet, table in NETWORK.facets.items():
        assert [reading_index(NETWORK, facet, r) for r in table.readings] == list(range(len(table.readings)))


def test_opening_a_facet_splits_what_was_said_by_its_reading():
    """Sum over the readings of the opened facet = the likelihood without it; no reading is opened twice."""
    space = HiddenSpace(NETWORK, ((), (0,), (1,), (2,), (3,)))
    switches = NETWORK.switch_positions({})
    shot = said({"suction.value": "zero"}, disagree=[("attitude", "turn_coordinator")])
    first = opened(space, shot, switches, BANK)
    second = opened(space, shot, switches, "airspeed.trend")
    assert first.shape == (3, space.count)
    assert first.sum(axis=0) == pytest.approx(second.sum(axis=0))
    for facet, table in NETWORK.facets.items():
        if facet != "suction.value":
            each = opened(space, shot, switches, facet)
            assert each.shape == (len(table.readings), space.count)
            assert each.sum(axis=0) == pytest.approx(first.sum(axis=0)), facet
    with pytest.raises(CaseError, match="read already"):
        opened(space, shot, switches, "suction.value")


def test_opening_what_no_motion_touches_sums_the_motions():
    """Bank left 0.7 or level 0.3, turn left 0.2 or level 0.8 in every state and motion; said to disagree.

    Left: 0.7 * (0.2 * 0.005 + 0.8 * 0.995); level: 0.3 * (0.2 * 0.995 + 0.8 * 0.005); never right.
    """
    tables = {BANK: flat(BANK, left=0.7, level=0.3), TURN: flat(TURN, left=0.2, level=0.8)}
    space = HiddenSpace(replace(NETWORK, facets={**NETWORK.facets, **tables}), ((), (0,), (1,)))
    found = opened(space, said(disagree=[("attitude", "turn_coordinator")]), NETWORK.switch_positions({}), BANK)
    expected = {"left": 0.5579, "level": 0.0609, "right": 0.0}
    for reading, chances in zip(NETWORK.facets[BANK].readings, found, strict=True):
        assert chances == pytest.approx(np.full(space.count, expected[reading])), reading


@pytest.mark.parametrize(
    ("reading", "explanation", "share"),
    [
        ({"suction.value": "zero"}, MISREADING, 0.25),
        ({"suction.value": "zero"}, BENIGN, 0.25 + 0.125),
        ({"altimeter.trend": "rising"}, MISREADING, 0.25),
        ({"altimeter.trend": "rising"}, BENIGN, 0.25 + 0.125),
    ],
)
def test_of_an_odd_reading_only_what_the_explanation_makes_of_it_counts(reading, explanation, share, monkeypatch):
    """Told wrongly with 0.25, shown by healthy gauges with 0.125: a misreading is 0.25 of it, a normal effect both."""

    def shares(network, group, state, *_):
        each = np.ones((len(next(iter(state.values()))), 1))
        return Shares(misread=0.25 * each, benign=0.125 * each, strayed=0.0 * each, failed=0.5 * each)

    monkeypatch.setattr(evidence, "explained", shares)
    space = HiddenSpace(NETWORK, ((), (0,), (1,), (2,), (3,)))
    switches = NETWORK.switch_positions({})
    assert odd_groups(space, said(reading), switches)
    silent = emission(space, said(), switches).columns[:, 3]
    found = emission(space, said(reading), switches, explanation).columns[:, 3]
    assert found == pytest.approx(share * silent)


def test_what_one_space_is_asked_in_turn_is_what_each_new_one_says():
    """All explanations or some, silence heard or not: in either order, each its own answer."""
    ways = list(itertools.product((FAILURE, MISREADING), (None, 0.1, 0.9)))
    shot, switches = said({"airspeed.trend": "falling"}), NETWORK.switch_positions({})
    sets = ((), (0,), (1,), (2,), (3,))
    alone = {way: emission(HiddenSpace(NETWORK, sets), shot, switches, *way).columns for way in ways}
    for one, other in itertools.combinations(ways, 2):
        assert alone[one] != pytest.approx(alone[other], rel=1e-3), (one, other)
    for order in (ways, ways[::-1]):
        space = HiddenSpace(NETWORK, sets)
        for way in order:
            assert emission(space, shot, switches, *way).columns == pytest.approx(alone[way]), way


def test_the_motions_are_summed_by_the_vertical_one():
    """Motions up, down, up; two states. Of the second: up 0.5 + 0.25; of the first: up 0.1 + 0.3, down 0.2."""
    motions = Motions(axes=("vertical",), values={"vertical": np.array([2, 0, 2])}, chance=np.ones((1, 3)))
    seen = evidence.Seen(of_row=np.array([1, 0, 1]), state={})
    made = Emission(
        motions=motions, seen=seen, likelihood=np.array([[0.1, 0.2, 0.3], [0.5, 0.0, 0.25]]),
        still=np.array([1.0, 0.5, 0.1]),
    )  # fmt: skip
    assert NETWORK.states["vertical"] == ("down", "level", "up")
    assert made.columns == pytest.approx(
        np.array([[0.0, 0.0, 0.75, 0.75], [0.1, 0.0, 0.2, 0.3], [0.0, 0.0, 0.075, 0.075]])
    )


def test_rows_that_cannot_be_tell_of_no_motion():
    seen = evidence.distinct(HiddenSpace(NETWORK, ((),)), (), NETWORK.switch_positions({}))
    made = Emission(
        motions=one_motion(), seen=replace(seen, of_row=np.array([0, 1])), likelihood=np.array([[0.0, 0.0], [0.3, 0.1]]),
        still=np.ones(2),
    )  # fmt: skip
    assert made.motion_given(np.array([0.0, 0.7])) == pytest.approx([0.75, 0.25])
