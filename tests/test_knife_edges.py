"""No single word decides: a reading or a condition left out, or a harmless one added, seldom moves a published truth out of
the first five.

Source: the published cases (``cases/published``). One change in twenty is the limit (judgement). ``python -m
tests.test_knife_edges`` prints every change that does.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

import msgspec
import pytest

from diagnose.language import RestAsExpected
from diagnose.language.case_files import load_case
from diagnose.language.session import Session, State
from diagnose.proof.handbook import published
from tests.examples import part
from tests.small import engine, shipped

FIRST = 5
#: of all changes of a kind, fewer than this share may matter
LIMIT = 0.05
#: readings with what had failed differ from those without by less than this (total variation): it leaves the dial alone
UNTOUCHED = 0.1
#: minutes since start that say as little as others
MINUTES = (6.0, 20.0, 60.0, 120.0)


def place_of(case):
    """Place of the truth in the ranking, counted from one."""
    truths = {tuple(sorted(truth)) for truth in case.truth.failures}
    ranking = engine(case.panel).posterior(case).ranking()
    return next((n for n, r in enumerate(ranking, 1) if tuple(sorted(r.failures)) in truths), len(ranking))


@cache
def cases():
    """The published cases whose truth stands among the first five."""
    found = {name: load_case(name, shipped()) for name in published()}
    return {name: case for name, case in found.items() if place_of(case) <= FIRST}


def with_snapshot(case, number, **fields):
    listed = list(case.snapshot)
    listed[number] = msgspec.structs.replace(listed[number], **fields)
    return msgspec.structs.replace(case, snapshot=tuple(listed))


def less(case) -> Iterator[tuple[str, object]]:
    """The case with one statement or condition left out."""
    for number, snapshot in enumerate(case.snapshot):
        for facet in snapshot.readings:
            rest = {f: r for f, r in snapshot.readings.items() if f != facet}
            yield f"without {facet} in {number + 1}", with_snapshot(case, number, readings=rest)
        for facet in snapshot.unsure:
            rest = {f: r for f, r in snapshot.unsure.items() if f != facet}
            yield f"without {facet} in {number + 1}", with_snapshot(case, number, unsure=rest)
        for pair in snapshot.disagree:
            rest = tuple(p for p in snapshot.disagree if p != pair)
            yield f"without {pair} in {number + 1}", with_snapshot(case, number, disagree=rest)
    for flag in case.context:
        rest = tuple(f for f in case.context if f != flag)
        yield f"without {flag}", msgspec.structs.replace(case, context=rest)


def harmless(case):
    """Conditions that have nothing to do with what was told: none makes a failure of the systems concerned likelier."""
    failures, network = shipped().failures, engine(case.panel).network
    concerned = {failures[name].system for truth in case.truth.failures for name in truth}
    told = {facet.split(".")[0] for s in case.snapshot for facet in (*s.readings, *s.unsure)}
    parts = {p for f, table in network.facets.items() if f.split(".")[0] in told for p in table.parents}
    for flag in shipped().context.values():
        moved = [
            failure
            for failure in network.failures
            if any(flag.id in effect.when for effect in failure.context)
        ]
        if flag.switch or flag.id in case.context or not moved:
            continue
        if any(effect.latent and flag.id in effect.when for f in moved for effect in f.context):
            continue  # says that something has failed, or is about to be told
        if not any(failure.system in concerned or parts & set(failure.acts) for failure in moved):
            yield flag.id


def more(case) -> Iterator[tuple[str, object]]:
    """The case with a harmless word more."""
    for flag in harmless(case):
        yield f"with {flag}", msgspec.structs.replace(case, context=(*case.context, flag))
    for minutes in MINUTES:
        yield f"{minutes} min since start", msgspec.structs.replace(case, minutes_since_start=minutes)
    for number in range(len(case.snapshot)):
        if (said := with_the_rest(case, number)) != case:
            yield f"rest as expected in {number + 1}", said


def with_the_rest(case, number):
    """The case with the rest as expected in a snapshot, as far as what had failed leaves it alone."""
    machine = engine(case.panel)
    said = Session(now=State(case=case, at=number)).say((RestAsExpected(),), machine.network).case
    failed = machine.predict(case, tuple(case.truth.failures[0]))[number]
    sound = machine.predict(case, ())[number]
    touched = {
        facet
        for facet in said.snapshot[number].filled
        if facet in sound
        and sum(abs(failed[facet][r] - p) for r, p in sound[facet].items()) / 2.0 >= UNTOUCHED
    }
    return with_snapshot(
        said,
        number,
        readings={f: r for f, r in said.snapshot[number].readings.items() if f not in touched},
        filled=tuple(f for f in said.snapshot[number].filled if f not in touched),
    )


KINDS = {"less": less, "more": more}


@cache
def changes(kind):
    """Every change of a kind: (case, what was changed, place of the truth)."""
    listed = [(name, *change) for name, case in cases().items() for change in KINDS[kind](case)]
    chosen = listed if kind == "less" else part(listed, 3)
    return [(name, what, place_of(changed)) for name, what, changed in chosen]


@pytest.mark.parametrize("kind", KINDS)
def test_one_word_seldom_moves_the_truth_out_of_the_first_five(kind):
    found = changes(kind)
    gone = [(name, what, place) for name, what, place in found if place > FIRST]
    assert len(found) > 50
    assert len(gone) < LIMIT * len(found), gone


if __name__ == "__main__":
    for kind, changed in KINDS.items():
        found = [(name, what, place_of(c)) for name, case in cases().items() for what, c in changed(case)]
        gone = [entry for entry in found if entry[2] > FIRST]
        for entry in gone:
            print(*entry)
        print(f"{kind}: {len(gone)} of {len(found)} changes move the truth out of the first {FIRST}")
