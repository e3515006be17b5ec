"""The statements of a case: what a snapshot says, a case with fewer of them, the smallest set that cannot be."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import msgspec

from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.model.errors import ImpossibleEvidence

#: snapshot (from 0), kind ("readings", "unsure", "disagree"), facet or place of the pair
Place = tuple[int, str, object]


def said(snapshot: SnapshotRecord) -> tuple[object, ...]:
    """What a snapshot says, whatever the order in which it was said."""
    return (
        snapshot.manoeuvre,
        *sorted(snapshot.readings.items()),
        *sorted(snapshot.unsure.items()),
        *snapshot.disagree,
    )


def replace_readings(snapshot: SnapshotRecord, **changes: object) -> SnapshotRecord:
    """Give the snapshot without its readings, or with others."""
    bare: dict[str, object] = {"readings": {}, "unsure": {}, "disagree": ()}
    return msgspec.structs.replace(snapshot, **(bare | changes))


def with_snapshots(case: CaseRecord, snapshots: tuple[SnapshotRecord, ...]) -> CaseRecord:
    """Give the case with other snapshots."""
    return msgspec.structs.replace(case, snapshot=snapshots)


def without_readings(case: CaseRecord) -> CaseRecord:
    """Give the case as it was flown, with nothing read."""
    return with_snapshots(case, tuple(replace_readings(snapshot) for snapshot in case.snapshot))


def _keep(case: CaseRecord, kept: Sequence[Place]) -> CaseRecord:
    snapshots = []
    for number, snapshot in enumerate(case.snapshot):
        names = {(kind, name) for n, kind, name in kept if n == number}
        snapshots.append(
            replace_readings(
                snapshot,
                readings={k: v for k, v in snapshot.readings.items() if ("readings", k) in names},
                unsure={k: v for k, v in snapshot.unsure.items() if ("unsure", k) in names},
                disagree=tuple(pair for i, pair in enumerate(snapshot.disagree) if ("disagree", i) in names),
            )
        )
    return with_snapshots(case, tuple(snapshots))


def _say(case: CaseRecord, statement: Place) -> str:
    number, kind, name = statement
    snapshot = case.snapshot[number]
    if kind == "disagree":
        first, second = snapshot.disagree[int(str(name))]
        text = f"{first} disagrees with {second}"
    elif kind == "unsure":
        reading, sure = snapshot.unsure[str(name)]
        text = f"{name} {'perhaps' if sure >= 0.5 else 'not'} {reading}"
    else:
        text = f"{name} {snapshot.readings[str(name)]}"
    return f"{text} (moment {number + 1}, {snapshot.manoeuvre})"


def smallest_conflict(case: CaseRecord, possible: Callable[[CaseRecord], bool]) -> ImpossibleEvidence:
    """Give the error that names a smallest set of statements that contradict each other.

    ``possible`` says whether some hidden state allows all that a case states.
    """
    statements: list[Place] = [
        (number, kind, name)
        for number, snapshot in enumerate(case.snapshot)
        for kind, names in (
            ("readings", snapshot.readings),
            ("unsure", snapshot.unsure),
            ("disagree", range(len(snapshot.disagree))),
        )
        for name in names
    ]
    smallest: Sequence[Place] = statements
    for statement in statements:
        fewer = [s for s in smallest if s != statement]
        if not possible(_keep(case, fewer)):
            smallest = fewer
    for size in range(1, len(smallest)):
        found = (s for s in itertools.combinations(statements, size) if not possible(_keep(case, s)))
        if (subset := next(found, None)) is not None:
            smallest = subset
            break
    texts = tuple(_say(case, statement) for statement in smallest)
    return ImpossibleEvidence(
        f"these cannot all be true: {'; '.join(texts)}",
        mend="correct or remove one of them, or say how sure you are",
        conflict=texts,
    )
