"""Times and ratios of one run: ``python tests/benchmarks/speed.py``. Not a test; the machine is noisy."""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import time
from pathlib import Path

import msgspec

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from diagnose import answer_case, engine_for
from diagnose.inference import Engine
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.pgmpy_bridge import pgmpy_marginals
from tests.small import shipped, small_case, small_network

MANOEUVRES = ("level", "climb", "left_turn", "descent")
READINGS = {"airspeed.trend": "steady", "altimeter.trend": "steady", "attitude.behaviour": "leaning"}


def snapshots(count):
    """Distinct snapshots, so that none is answered from another's cache."""
    return tuple(
        SnapshotRecord(
            manoeuvre=MANOEUVRES[i % 4], readings=READINGS, unsure={"suction.value": ("low", 0.5 + i / 100)}
        )
        for i in range(count)
    )


def timed(action, repeats=5):
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def main() -> None:
    engine = engine_for(shipped(), "single_pump")
    spans = {}
    for count in (2, 8, 24):
        case = CaseRecord(title="x", panel="single_pump", snapshot=snapshots(count))
        first = timed(lambda case=case: engine.posterior(case), 1)
        known = timed(lambda case=case: engine.posterior(case))
        edits = iter(range(10_000))

        def changed(case=case, edits=edits):
            edited = msgspec.structs.replace(
                case.snapshot[-1], unsure={"suction.value": ("zero", 0.51 + next(edits) / 1000)}
            )
            answer_case(
                shipped(), msgspec.structs.replace(case, snapshot=(*case.snapshot[:-1], edited)), engine
            )

        spans[count] = known
        print(
            f"{count:>3} snapshots: first {first:.3f} s, known {known * 1000:.1f} ms, one changed, whole answer {timed(changed) * 1000:.1f} ms"
        )
    print(f"growth from 2 to 24 snapshots: x {spans[24] / spans[2]:.1f} (linear would be x 12)")
    network = small_network()
    for count in (1, 2, 3):
        case = small_case(*snapshots(count))
        small = Engine(network, largest_set=4)
        small.posterior(case)
        own = timed(lambda small=small, case=case: small.posterior(case))
        other = timed(lambda case=case: pgmpy_marginals(network, case), 1)
        print(
            f"small network, {count} snapshots: engine {own * 1000:.2f} ms, pgmpy {other:.2f} s, ratio {other / own:.0f}"
        )
    for arguments in (["--help"], ["rank", "static_blocked_climb"]):
        span = timed(
            lambda arguments=arguments: subprocess.run(
                [sys.executable, "-m", "diagnose", *arguments], capture_output=True, check=True
            ),
            3,
        )
        print(f"cold start of {' '.join(arguments)}: {span:.2f} s")
    print(f"resident at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
