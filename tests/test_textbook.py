"""Failure patterns said in the shortest way: every row of the handbooks' tables, and a tell-tale of every failure.

Sources: the rows of ``knowledge/handbook`` with their documents, and ``tests/data/telltales.toml``, whose tell-tales name
theirs. ``python -m tests.test_textbook`` prints what falls short, by kind.

A row is cut to each of its odd readings alone, and to the odd readings of one snapshot with the rest of the panel as
expected, as far as the row's failures leave it alone. In the setting "routine flight" a single odd reading is mostly a slip,
so there the first of those sets counts whose odds the readings have raised (``suspect_factor``).
"""

from __future__ import annotations

import math
import tomllib
from collections import Counter
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import msgspec
import pytest

from diagnose.knowledge.load import load_handbook
from diagnose.language.session import NOT_LOOKED_AT
from diagnose.model import CaseRecord, FailureKind
from diagnose.proof.handbook import RowChecks, case_of
from diagnose.terminal.commands import Desk, obey
from tests.small import engine, shipped

SETTINGS = ("routine", "anomaly", "exercise")
DATA = tomllib.loads((Path(__file__).parent / "data/telltales.toml").read_text(encoding="utf-8"))
ROWS = {row.id: row for row in load_handbook()}
#: a reading of a row that a sound panel shows less often is what somebody would report
ODD = shipped().limits.odd_below
#: readings with the failure differ from those without by less than this (total variation): the row leaves the dial alone
UNTOUCHED = 0.1

#: what everybody aboard knows of and nobody spoke of
UNSPOKEN = {
    f.id
    for f in shipped().failures.values()
    if f.silent and f.kind is FailureKind.LOOK_ALIKE and f.rate_per_hour
}

#: so many sets of the ranking are looked at
MOST = 400

Names = frozenset[str]


@dataclass(frozen=True, kw_only=True)
class Pattern:
    """A case in its shortest form, whom it speaks for, and among how many of the ranking they must be."""

    name: str
    kind: str
    case: CaseRecord
    accept: frozenset[Names]
    place: int
    red: frozenset[str]
    settings: tuple[str, ...] = SETTINGS


@cache
def effects(names):
    """What these failures do to which part: the same to a mechanic where it is the same."""
    return frozenset(act for name in names for act in shipped().failures[name].acts.items())


def speaks_for(pattern, names):
    """Whether this set holds one of those that the pattern speaks for."""
    return any(wanted <= names if wanted else not names for wanted in pattern.accept)


CAUSES = {}


def causes(pattern, setting):
    """What the ranking holds, likeliest first: (names, chance, whether the pattern speaks for it).

    Failures that do the same to the same part are one cause, and so is all that the pattern speaks for.
    """
    if (pattern.name, setting) not in CAUSES:
        case = msgspec.structs.replace(pattern.case, setting=setting)
        found, factor = (
            engine(case.panel).posterior(case).ranking()[:MOST],
            shipped().look_weights.suspect_factor,
        )
        mass, told_by = Counter(), {}
        for ranked in found:
            names = frozenset(ranked.failures)
            own = speaks_for(pattern, names)
            raised = ranked.posterior * (1.0 - ranked.prior) > factor * ranked.prior * (
                1.0 - ranked.posterior
            )
            if setting == "routine" and not own and (not raised or not names or UNSPOKEN & names):
                continue
            key = True if own else effects(names)
            mass[key] += ranked.posterior
            told_by.setdefault(key, "+".join(ranked.failures) or "none")
        CAUSES[pattern.name, setting] = [
            (told_by[key], chance, key is True) for key, chance in mass.most_common()
        ]
    return CAUSES[pattern.name, setting]


def place_of(pattern, setting):
    """Place of what the pattern speaks for among the causes; 99 if it is none.

    In an exercise all failures are as likely before any reading, so there nothing may explain the readings clearly
    better; what is ahead by less is level with it.
    """
    listed = causes(pattern, setting)
    mass = next((chance for _, chance, own in listed if own), 0.0)
    ahead = shipped().review.alike_within * mass if setting == "exercise" else mass
    return 1 + sum(chance > ahead for _, chance, own in listed if not own) if mass else 99


# ------------------------------------------------------------------ tell-tales


def named(names):
    """What "a+b" and "none" stand for."""
    return frozenset(frozenset() if name == "none" else frozenset(name.split("+")) for name in names)


@cache
def told(panel, lines):
    """The case that these lines of the prompt make."""
    desk = Desk(kb=shipped(), engines={panel: engine(panel)}, later=True)
    for line in (f"panel {panel}", *lines):
        desk, _ = obey(desk, line)
    return desk.case


@cache
def telltale(number):
    entry = DATA["telltale"][number]
    return Pattern(
        name=f"{number}_{entry['failures'][0]}",
        kind="tell-tale",
        case=told(entry.get("panel", "single_pump"), tuple(entry["lines"])),
        accept=named([*entry["failures"], *entry.get("same", ())]),
        place=entry["place"],
        red=frozenset(entry.get("red", ())),
        settings=tuple(entry.get("settings", SETTINGS)),
    )


# ------------------------------------------------------------------ rows of the handbooks


@cache
def row_check(row_id):
    return RowChecks(shipped(), {ROWS[row_id].panel: engine(ROWS[row_id].panel)}).of(ROWS[row_id])


def as_good(row):
    """The row's failures, what does the same, and what all of its readings together do not tell from them.

    In the setting in which nothing is told for being odd, chance after the readings over chance before them is the
    likelihood, but for one factor.
    """
    case = msgspec.structs.replace(case_of(row, row_check(row.id).excused), setting="watched")
    found = engine(row.panel).posterior(case).ranking()
    weight = {frozenset(r.failures): r.posterior / r.prior for r in found if r.prior > 0.0}
    own = weight[frozenset(row.failures)]
    return frozenset(
        names
        for names, other in weight.items()
        if effects(names) == effects(frozenset(row.failures))
        or (len(names) == 1 and other > 0.0 and abs(math.log(other / own)) <= math.log(shipped().review.alike_within))
    )


def left_alone(row, snapshot, number):
    """Facets that a look at the panel shows and on which the row's failures do nothing, with their usual readings."""
    machine = engine(row.panel)
    with_them = machine.predict(case_of(row), row.failures)[number]
    without = machine.predict(case_of(row), ())[number]
    usual = machine.network.expected_readings(snapshot.manoeuvre, snapshot.switches)
    spoken = {facet.split(".")[0] for facet in snapshot.readings} | NOT_LOOKED_AT
    return {
        facet: usual[facet]
        for facet in machine.network.dials
        if facet.split(".")[0] not in spoken
        and shipped().gauges[facet.split(".")[0]].instrument
        and sum(abs(with_them[facet][r] - p) for r, p in without[facet].items()) / 2.0 < UNTOUCHED
    }


def stated(row, number):
    """The readings of a snapshot of the row, less those that a finding explains, and which of them are odd."""
    snapshot, excused = row.shows[number], row_check(row.id).excused
    chances = engine(row.panel).network.sound_chances(snapshot.manoeuvre, snapshot.switches)
    readings = {f: r for f, r in snapshot.readings.items() if (number, f) not in excused}
    return readings, {f: r for f, r in readings.items() if chances[f][r] < ODD}


def also_named(manoeuvre, odd):
    """The failures of every row that states these odd readings in this maneuver."""
    return frozenset(
        frozenset(row.failures)
        for row in ROWS.values()
        for snapshot in row.shows
        if row.failures
        and snapshot.manoeuvre == manoeuvre
        and all(snapshot.readings.get(facet) == reading for facet, reading in odd.items())
    )


def same_effect(failure, named):
    return any(effects(frozenset((failure.id,))) == effects(names) for names in named)


@cache
def short_row(row_id):
    """The short forms of a row, each once."""
    row = ROWS[row_id]
    found, seen, accept, about = [], set(), as_good(row), DATA.get("row", {}).get(row.id, {})
    for number, snapshot in enumerate(row.shows):
        readings, odd = stated(row, number)
        forms = {facet: ("alone", {facet: odd[facet]}) for facet in odd} if len(odd) > 1 else {}
        if odd:
            forms["rest"] = ("with the rest as expected", readings | left_alone(row, snapshot, number))
        for what, (kind, said) in forms.items():
            form = f"{number}.{what}"
            named = accept | also_named(snapshot.manoeuvre, odd if what == "rest" else said)
            named |= frozenset(frozenset(n.split("+")) for n in about.get("also", {}).get(form, ()))
            named |= {frozenset((f.id,)) for f in shipped().failures.values() if same_effect(f, named)}
            if what != "rest" and len(row.failures) > 1:
                named |= {frozenset((name,)) for name in row.failures}
            cut = msgspec.structs.replace(snapshot, readings=said, minutes_before=0.0)
            case = CaseRecord(title="", panel=row.panel, context=row.context, snapshot=(cut,))
            key = (row.panel, row.context, snapshot.manoeuvre, tuple(sorted(said.items())), named)
            if key in seen:
                continue
            seen.add(key)
            found.append(
                Pattern(
                    name=f"{row.id}.{form}",
                    kind=kind,
                    case=case,
                    accept=named,
                    place=about.get("place", {}).get(form, 1 if what == "rest" else 3),
                    red=frozenset(about.get("red", {}).get(form, ())),
                )
            )
    return found


FAILING = [row_id for row_id, row in ROWS.items() if row.failures]


def falls_short(patterns, setting):
    """What does not stand where it must in this setting, or stands there though it is on the red list."""
    return {
        pattern.name: causes(pattern, setting)[:6]
        for pattern in patterns
        if setting in pattern.settings
        and (place_of(pattern, setting) <= pattern.place) == (setting in pattern.red)
    }


@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("number", range(len(DATA["telltale"])))
def test_a_telltale_names_its_failure(number, setting):
    assert not falls_short([telltale(number)], setting)


@pytest.mark.parametrize("setting", SETTINGS)
@pytest.mark.parametrize("row", FAILING)
def test_a_row_in_its_shortest_forms_names_its_failures(row, setting):
    assert not falls_short(short_row(row), setting)


def test_every_failure_has_a_telltale():
    told_of = {name for entry in DATA["telltale"] for names in entry["failures"] for name in names.split("+")}
    listed = {failure.id for failure in shipped().failures.values() if failure.listed}
    assert listed - told_of == set(DATA["untold"])


def show():
    """Print what falls short, and counts by kind and setting."""
    right, count = Counter(), Counter()
    rows = (pattern for row_id in FAILING for pattern in short_row(row_id))
    for pattern in (*map(telltale, range(len(DATA["telltale"]))), *rows):
        for setting in pattern.settings:
            place = place_of(pattern, setting)
            count[pattern.kind, setting] += 1
            right[pattern.kind, setting] += place <= pattern.place
            if place > pattern.place:
                first = ", ".join(
                    f"{name} {p:.2g}{'*' if own else ''}" for name, p, own in causes(pattern, setting)[:5]
                )
                print(f"{setting} {pattern.name}: place {place}, not {pattern.place}; {first}")
    for kind, setting in sorted(count):
        print(f"{kind}, {setting}: {right[kind, setting]} of {count[kind, setting]}")


if __name__ == "__main__":
    show()
