"""Likelihood tables: rows that are stated, counts that are simulated, what is stored; small ones by hand."""

from __future__ import annotations

from dataclasses import replace

import msgspec
import numpy as np
import pytest

from diagnose.knowledge.load import with_only
from diagnose.model import Facet, Reading, Row
from diagnose.model.gauges import Sizes
from diagnose.network import likelihood
from diagnose.network.likelihood import (
    _size_report,
    derive,
    facet_table,
    fingerprint,
    matches,
    read_counts,
    simulate_counts,
    stated_chances,
    states_of,
)
from tests.small import shipped

KB = shipped()


def facet_of(name):
    gauge, facet = name.split(".")
    return next(one for one in KB.gauges[gauge].facets if one.id == facet)


def made(*, channel="", rows=(), misreport=0.1, readings=("a", "b"), parents=("suction_gauge",), scale=None):
    return Facet(
        id="f", name="f", channel=channel, rows=tuple(rows), misreport=misreport, parents=parents, source="judgement",
        readings=tuple(Reading(id=r, means="") for r in readings), scale=scale or {},
    )  # fmt: skip


def test_states_of_everything_that_has_some():
    assert states_of(KB, "suction_gauge") == ("true", "stuck", "reads_zero", "unlisted")
    assert states_of(KB, "static")[0] == "open"
    assert states_of(KB, "static_trapped") == ("below", "near", "above")
    assert states_of(KB, "vertical") == ("down", "level", "up")
    assert states_of(KB, "pitot_heat") == ("off", "on")


@pytest.mark.parametrize(
    ("when", "fits"),
    [
        ({}, True),
        ({"x": "1"}, True),
        ({"x": "2"}, False),
        ({"x": ("2", "1")}, True),
        ({"x": ("2", "3")}, False),
        ({"x": "1", "y": "2"}, True),
        ({"x": "1", "y": "3"}, False),
        ({"z": "1"}, False),
    ],
)
def test_all_that_a_row_names_must_hold(when, fits):
    assert matches(when, {"x": "1", "y": "2"}) == fits


def test_counts_become_chances_with_misreadings():
    """Two readings: 150 and 50 of 200 flights and half a flight more that misread: 0.7488, 0.2512 before misreport.

    (150 + 0.5 * 50 / 200) / 200.5 = 0.748753; told: 0.9 * that + 0.1 * the other.
    """
    assert (KB.limits.flights_per_cell, KB.limits.prior_flights) == (200, 0.5)
    raw = np.array([[150, 50], [0, 200], [200, 0]], dtype=np.uint16)
    table = facet_table(KB, "g", made(channel="suction_inhg"), raw)
    shown = (150.0 + 0.5 * 0.25) / 200.5
    assert table.chance[0, 0] == pytest.approx(0.9 * shown + 0.1 * (1.0 - shown))
    never = 0.5 / 200.5
    assert table.chance[1, 0] == pytest.approx(0.9 * never + 0.1 * (1.0 - never))
    assert table.chance.sum(axis=-1) == pytest.approx(np.ones(3))
    assert (table.facet, table.parents, table.axes, table.readings) == (
        "g.f",
        ("suction_gauge",),
        (),
        ("a", "b"),
    )


def test_stated_rows_are_told_with_misreadings_and_nothing_more():
    raw = np.array([[1.0, 0.0], [0.25, 0.75], [1.0, 1.0]])
    table = facet_table(KB, "g", made(), raw)
    assert table.chance == pytest.approx(np.array([[0.9, 0.1], [0.9 * 0.25 + 0.075, 0.7], [0.5, 0.5]]))


def test_simulated_counts_are_the_same_again_and_hold_every_flight():
    few = with_only(KB, limits=msgspec.structs.replace(KB.limits, flights_per_cell=20))
    facet = facet_of("suction.value")
    used = set()
    counts = simulate_counts(few, "suction", facet, used)
    readings = len(facet.readings)
    # every reading as often as any other where the fault is in no list
    gauge = facet.parents.index("suction_gauge")
    *flown, unlisted = np.moveaxis(counts[..., :readings], gauge, 0)
    assert (np.array(flown).sum(axis=-1) == 20).all()
    assert (unlisted == unlisted[..., :1]).all()
    assert (counts == simulate_counts(few, "suction", facet)).all()
    assert "suction.regulator.inhg" in used
    assert "memory.far_ft" not in used
    shape = [len(states_of(KB, name)) for name in (*facet.parents, *facet.axes)]
    assert list(counts.shape[:-1]) == shape
    # a gauge that has failed to zero reads zero, whatever the suction
    place = facet.parents.index("suction_gauge")
    failed = np.take(counts, states_of(KB, "suction_gauge").index("reads_zero"), axis=place)
    zero = [reading.id for reading in facet.readings].index("zero")
    assert (failed[..., zero] == 20).all()


def test_a_memory_that_does_not_run_changes_no_counts():
    few = with_only(KB, limits=msgspec.structs.replace(KB.limits, flights_per_cell=10))
    facet = facet_of("altimeter.value")
    counts = simulate_counts(few, "altimeter", facet)
    static, trapped = facet.parents.index("static"), facet.parents.index("static_trapped")
    opened = np.take(counts, 0, axis=static)
    each = np.moveaxis(opened, trapped - (trapped > static), 0)
    assert (each == each[:1]).all()
    sealed = np.take(counts, states_of(KB, "static").index("sealed"), axis=static)
    each = np.moveaxis(sealed, trapped - (trapped > static), 0)
    assert not (each[0] == each[2]).all()


def test_what_is_stored_counts_as_long_as_nothing_that_made_it_has_changed(tmp_path):
    limits = msgspec.structs.replace(KB.limits, flights_per_cell=5)
    gauges = {name: KB.gauges[name] for name in ("suction", "vacuum_light")}
    few = with_only(KB, limits=limits, gauges=gauges)
    names = []
    path = derive(few, tmp_path / "tables.npz", names.append)
    simulated = [f"{g}.{f.id}" for g, gauge in gauges.items() for f in gauge.facets if f.channel]
    assert names == simulated
    stored = read_counts(path)
    assert set(stored.of(few, gauges)) == set(simulated)
    assert (
        stored.of(few, gauges)["suction.value"] == simulate_counts(few, "suction", facet_of("suction.value"))
    ).all()
    # a quantity that was drawn, or the number of flights
    q = KB.quantities["suction.regulator.inhg"]
    other = with_only(few, quantities={**KB.quantities, q.id: msgspec.structs.replace(q, high=q.high + 0.1)})
    assert "suction.value" not in stored.of(other, gauges)
    more = with_only(few, limits=msgspec.structs.replace(limits, flights_per_cell=6))
    assert stored.of(more, gauges) == {}
    far = KB.quantities["memory.far_ft"]
    unasked = with_only(few, quantities={**KB.quantities, far.id: msgspec.structs.replace(far, high=9e3)})
    assert set(stored.of(unasked, gauges)) == set(simulated)
    # nothing is simulated twice
    again = []
    derive(few, path, again.append)
    assert again == []
    assert read_counts(tmp_path / "none.npz").counts == {}


def test_a_fingerprint_tells_facets_apart():
    facet = facet_of("suction.value")
    mark = fingerprint(KB, facet, ())
    assert mark == fingerprint(KB, facet, ())
    for change in (
        {"channel": "bus_v"},
        {"parents": facet.parents[:1]},
        {"axes": ()},
        {"readings": facet.readings[1:]},
    ):
        assert fingerprint(KB, msgspec.structs.replace(facet, **change), ()) != mark, change
    # the chance of a misreport is mixed in later
    assert fingerprint(KB, msgspec.structs.replace(facet, misreport=0.5), ()) == mark
    assert fingerprint(KB, facet, ("suction.regulator.inhg",)) != mark


def test_a_row_gives_its_readings_in_their_order():
    rows = (
        Row(when={"suction_gauge": "stuck"}, gives={"b": 1.0}),
        Row(when={}, gives={"a": 0.3, "b": 0.7}),
    )
    kb = with_only(KB, gauges={"g": replace_facet(made(rows=rows, misreport=0.0))})
    from diagnose.network.likelihood import not_stored

    assert not_stored(kb, ("g",), ())["g.f"].tolist() == [[0.3, 0.7], [0.0, 1.0], [0.3, 0.7], [0.5, 0.5]]
    assert not_stored(kb, ("g",), ("g.f",)) == {}


def test_where_the_type_is_not_known_all_types_count_alike():
    """Of one kind of ammeter 0.9 and 0.1, of the other 0.2 and 0.8: in the mean 0.55 and 0.45; each alone as stated."""
    rows = (
        Row(when={}, gives={"a": 0.9, "b": 0.1}, fitted="center_zero"),
        Row(when={}, gives={"a": 0.2, "b": 0.8}, fitted="loadmeter"),
    )
    for fitted, chance in (("center_zero", 0.9), ("loadmeter", 0.2), ("", 0.55)):
        assert stated_chances(KB, made(rows=rows), fitted)[0] == pytest.approx([chance, 1.0 - chance]), fitted


def test_tables_are_stored_with_the_knowledge_unless_told_where(tmp_path, monkeypatch):
    monkeypatch.setattr(likelihood, "knowledge_root", lambda: tmp_path)
    few = with_only(KB, limits=msgspec.structs.replace(KB.limits, flights_per_cell=1), gauges={"vacuum_light": KB.gauges["vacuum_light"]})
    assert derive(few) == tmp_path / "derived" / "likelihoods.npz"
    assert read_counts(tmp_path / "derived" / "likelihoods.npz").counts


def replace_facet(facet):
    return msgspec.structs.replace(KB.gauges["suction"], id="g", facets=(facet,))


def test_a_number_slips_into_the_next_bin_or_is_told_wrongly():
    """Three bins, 0.2 slip: from an end all of it inwards, from the middle half to each side.

    Wrong with the misreport of 0.1 and the half flight in 200.5: w = 0.1 + 0.5 / 200.5; then each bin as often.
    """
    facet = msgspec.structs.replace(made(channel="bus_v"), sizes=Sizes(unit="V", edges=(1.0, 2.0), slip=0.2))
    wrong = 0.1 + 0.5 / 200.5
    slipped = np.array([[0.8, 0.2, 0.0], [0.1, 0.8, 0.1], [0.0, 0.2, 0.8]])
    assert _size_report(KB, facet) == pytest.approx((1.0 - wrong) * slipped + wrong / 3.0)
    # never more than always wrong
    always = msgspec.structs.replace(facet, misreport=1.0)
    assert _size_report(KB, always) == pytest.approx(np.full((3, 3), 1.0 / 3.0))


def test_counts_of_bins_stand_behind_those_of_the_readings_or_come_from_elsewhere():
    facet = msgspec.structs.replace(made(), sizes=Sizes(unit="V", edges=(1.0, 2.0), slip=0.2))
    raw = np.array([[1.0, 0.0, 5.0, 6.0, 7.0], [0.25, 0.75, 1.0, 2.0, 3.0]])
    table = facet_table(KB, "g", facet, raw)
    assert table.drawn.tolist() == [[1.0, 0.0], [0.25, 0.75]]
    assert table.drawn_sizes().tolist() == [[5.0, 6.0, 7.0], [1.0, 2.0, 3.0]]
    # 5, 6 and 7 flights; 0.2 of each bin is told as the one beside it: 4 + 0.6, 1 + 4.8 + 1.4, 0.6 + 5.6, of 18
    slipped = replace(table, size_report=np.array([[0.8, 0.2, 0.0], [0.1, 0.8, 0.1], [0.0, 0.2, 0.8]]))
    told = np.array([4.6, 7.2, 6.2]) / 18.0
    assert slipped.sizes[0] == pytest.approx(told)
    assert slipped.rows(np.array([1, 0]), sized=True)[1, 0] == pytest.approx(told)
    assert slipped.rows(np.array([0]))[0, 0] == pytest.approx([0.9, 0.1])
    other = np.ones((2, 3))
    assert facet_table(KB, "g", facet, raw[:, :2], lambda: other).drawn_sizes() is other
    assert facet_table(KB, "g", made(), raw[:, :2]).drawn_sizes is None
