"""One way to answer one case, timed in a process of its own: ``one_update.py WAY NETWORK SNAPSHOTS SECONDS GB``.

Prints JSON: seconds until the first answer, seconds after one snapshot was changed (the best of some
changes, so that other work on the machine counts as little as possible), megabytes, and the marginals,
by which the ways are compared. All run in one thread. SECONDS limits the processor time of the process,
GB its memory. A change replaces hard readings by others of the same gauges, so the libraries keep their
networks and take new evidence only.
"""

from __future__ import annotations

import itertools
import json
import resource
import sys
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path

import msgspec

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from diagnose.advice.advise import advise
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.network.tables import Network, compile_network
from tests.small import shipped, small_case, small_network

MANOEUVRES = ("level", "climb", "left_turn", "descent")
CHANGES = 7
#: what the gauges show after each change; the first is the case itself
SHOWN = [
    {
        "airspeed.trend": speed,
        "altimeter.trend": height,
        "attitude.behaviour": "leaning",
        "suction.value": air,
    }
    for speed, air, height in itertools.product(("steady", "falling"), ("low", "zero"), ("steady", "rising"))
]

Marginals = dict[str, float]


def case_of(network: Network, count: int, minutes: float = 1.0) -> CaseRecord:
    """A case of some snapshots with the same gauges read in each; ``minutes``: how long the last one lasts."""
    snapshots = tuple(
        SnapshotRecord(
            manoeuvre=MANOEUVRES[i % 4], readings=SHOWN[0], minutes=minutes if i + 1 == count else 1.0
        )
        for i in range(count)
    )
    return small_case(*snapshots, panel=network.panel.id)


def changed(case: CaseRecord, place: int) -> Iterator[CaseRecord]:
    """The case with one snapshot changed, and changed again; no answer stands from before."""
    for shown in SHOWN[1 : CHANGES + 1]:
        snapshots = list(case.snapshot)
        snapshots[place] = msgspec.structs.replace(snapshots[place], readings=shown)
        yield msgspec.structs.replace(case, snapshot=tuple(snapshots))


def by_engine(network: Network, case: CaseRecord) -> Callable[[CaseRecord], Marginals]:
    """The engine: ranking and trust, all of the answer."""
    complete = len(network.failures) if len(network.failures) < 6 else None
    engine = Engine(network, largest_set=complete)
    return lambda case: dict(advise(engine.posterior(case)).failures)


def by_pgmpy(network: Network, case: CaseRecord) -> Callable[[CaseRecord], Marginals]:
    """pgmpy's variable elimination, one query for each failure; no trust."""
    from diagnose.network.nodes import at
    from diagnose.network.pgmpy_bridge import _quiet_import, to_pgmpy
    from diagnose.network.unrolled import build_tables

    model = to_pgmpy(build_tables(network, case))
    elimination = _quiet_import().inference.VariableElimination(model)

    def answer(case: CaseRecord) -> Marginals:
        found = {}
        for failure in network.failures:
            factor = elimination.query(
                [at(failure.id, len(case.snapshot))],
                evidence=evidence_of(model.nodes(), case),
                elimination_order="greedy",
                show_progress=False,
            )
            found[failure.id] = float(factor.values[1])
        return found

    return answer


def by_agrum(network: Network, case: CaseRecord) -> Callable[[CaseRecord], Marginals]:
    """pyAgrum's lazy propagation, all failures from one junction tree; no trust."""
    import pyagrum

    from diagnose.network.nodes import at
    from diagnose.network.unrolled import build_tables
    from tests.agrum_bridge import to_agrum

    net = to_agrum(build_tables(network, case))
    inference = pyagrum.LazyPropagation(net)
    inference.setNumberOfThreads(1)
    names = {failure.id: at(failure.id, len(case.snapshot)) for failure in network.failures}
    inference.setTargets(set(names.values()))

    def answer(case: CaseRecord) -> Marginals:
        inference.setEvidence(evidence_of(net.names(), case))
        inference.makeInference()
        return {failure: float(inference.posterior(name)[1]) for failure, name in names.items()}

    return answer


def evidence_of(nodes: object, case: CaseRecord) -> dict[str, str]:
    """The readings of a case, and the statement that carries the setting's weight, as evidence."""
    from diagnose.network.nodes import at

    given = {
        at(facet, number): reading
        for number, snapshot in enumerate(case.snapshot, 1)
        for facet, reading in snapshot.readings.items()
    }
    noticed = at("noticed", len(case.snapshot))
    return given | ({noticed: "yes"} if noticed in set(nodes) else {})  # type: ignore[call-overload]


WAYS = {"engine": by_engine, "pgmpy": by_pgmpy, "pyagrum": by_agrum}


def main() -> None:
    way, name, count = sys.argv[1], sys.argv[2], int(sys.argv[3])
    seconds, gigabytes = int(sys.argv[4]), float(sys.argv[5])
    warnings.simplefilter("ignore")
    network = small_network() if name == "small" else compile_network(shipped(), name)
    resource.setrlimit(resource.RLIMIT_AS, (int(gigabytes * 2**30),) * 2)
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds + 1))
    case = case_of(network, count)
    start = time.perf_counter()
    answer = WAYS[way](network, case)
    marginals = answer(case)
    first = time.perf_counter() - start
    spans = {}
    for label, place in (("last", -1), ("first", 0)):
        times = []
        for edited in changed(case, place):
            start = time.perf_counter()
            answer(edited)
            times.append(time.perf_counter() - start)
        spans[label] = min(times)
    megabytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps({"first": first, "changed": spans, "mb": megabytes, "marginals": marginals}))


if __name__ == "__main__":
    main()
