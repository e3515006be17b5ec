"""The look that settled a published event is among the first three in most of them.

Source: the reports named in ``cases/published`` (NASA ASRS by number and others); what settled each stands in
``tests/data/settling_looks.toml``. ``python -m tests.test_against_settling_looks`` prints the table.
"""

from __future__ import annotations

import tomllib
from functools import cache
from pathlib import Path

import msgspec
import pytest

from diagnose import engine_for
from diagnose.advice.looks import next_looks
from diagnose.knowledge.load import with_only
from diagnose.language.case_files import load_case
from diagnose.model import Panel, SnapshotRecord
from tests.small import shipped

SETTLED = tomllib.loads((Path(__file__).parent / "data" / "settling_looks.toml").read_text())["settled"]
FIRST = 3


GPS = ("gps_height", "gps_speed", "gps_track", "two_heading_speed")


@cache
def engine(panel, no_gps=False):
    if not no_gps:
        return engine_for(shipped(), panel)
    bare = Panel(id=panel, name="without GPS", based_on="with_gps", without=GPS)
    with_gps = msgspec.structs.replace(shipped().panels[panel], id="with_gps")
    return engine_for(
        with_only(shipped(), panels={**shipped().panels, panel: bare, "with_gps": with_gps}), panel
    )


def case_before(entry):
    """The case as it stood before the look that settled it."""
    case = load_case(entry["case"], shipped())
    snapshots = [without(s, entry.get("without", ())) for s in case.snapshot[: entry["keep"]]]
    if "drop" in entry:
        snapshots.append(without(case.snapshot[entry["keep"]], entry["drop"]))
    if "bare" in entry:
        snapshots.append(SnapshotRecord(**entry["bare"]))
    return msgspec.structs.replace(case, snapshot=tuple(snapshots))


def without(snapshot, facets):
    return msgspec.structs.replace(
        snapshot,
        readings={f: r for f, r in snapshot.readings.items() if f not in facets},
        unsure={f: r for f, r in snapshot.unsure.items() if f not in facets},
    )


def ranked(entry):
    """Looks where this one was made, the most worth while first."""
    case = case_before(entry)
    ground = entry.get("where") == "ground"
    machine = engine(case.panel, entry.get("no_gps", False))
    found = next_looks(machine, machine.posterior(case))
    return [advice.look for advice in found if (advice.kind == "ground") == ground]


def place(entry):
    """Place of the first look that does what settled it, from one; None if it is not on offer."""
    found = ranked(entry)
    return min((found.index(look) + 1 for look in entry["looks"] if look in found), default=None)


@pytest.mark.parametrize("entry", SETTLED, ids=lambda entry: entry["case"])
def test_the_data_fit_the_case(entry):
    case = load_case(entry["case"], shipped())
    assert len(case_before(entry).snapshot) in (entry["keep"], entry["keep"] + 1)
    for facet in entry.get("drop", ()):
        last = case.snapshot[entry["keep"]]
        assert facet in last.readings or facet in last.unsure
    assert set(entry["looks"]) <= set(shipped().looks)


def test_every_published_case_has_its_entry():
    published = {path.stem for path in (Path(__file__).parents[1] / "cases" / "published").glob("*.toml")}
    assert published == {entry["case"] for entry in SETTLED}


#: cases whose settling look stands fourth or later: six of 21, where three in ten at most were wanted; a
#: case that improves must leave this list
FOURTH_OR_LATER = {
    "asrs_123539_static_branch_pinched",
    # the electrics and the turn coordinator's own dial come first, since the flag was not told of
    "asrs_1344994_turn_coordinator",
    "asrs_1579894_pitot_cover_left_on",
    "asrs_536579_mountain_wave",
    "asrs_841131_vacuum_pump",
    # decided at 96 % before the look: no look is worth much any more
    "dominican_1996_puerto_plata_pitot_blocked",
}


def test_the_look_that_settled_it_is_among_the_first_three_but_for_those_listed():
    places = {entry["case"]: place(entry) for entry in SETTLED}
    assert {case for case, found in places.items() if found is None or found > FIRST} == FOURTH_OR_LATER


if __name__ == "__main__":
    for one in SETTLED:
        print(f"{place(one)!s:>5}  {one['case']:<46} {one['looks'][0]}; first: {', '.join(ranked(one)[:3])}")
