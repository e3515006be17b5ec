"""Seconds of one core and memory of a review by length: ``python tests/benchmarks/review_speed.py``.

Each length is read and reviewed in a process of its own; the start (loading the knowledge and building the engine)
is told apart. Processor time, so that other work on the machine does not count. The flight is a simulated one, flown over and over with its times going on.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

LENGTHS = ((0.5, 1), (1.0, 1), (1.0, 4), (2.0, 4), (4.0, 4), (8.0, 4), (24.0, 4))


def write(path, hours, hz):
    from diagnose import engine_for, load_knowledge
    from tests.recorded import fly, scenario, written

    kb = load_knowledge()
    engine = engine_for(kb, "single_pump")
    head, *rows = written(fly(engine.network, scenario("single_pump", 1, "pump_sheared")), hz).splitlines()
    wanted = round(hours * 3600 * hz)
    with path.open("w") as file:
        file.write(head + "\n")
        for number in range(wanted):
            cells = rows[number % len(rows)].partition(",")[2]
            file.write(f"{number / hz:.2f},{cells}\n")


def measure(path):
    began = time.process_time()
    from diagnose import engine_for, load_knowledge
    from diagnose.review.findings import review
    from diagnose.review.mapping import guess
    from diagnose.review.recording import read
    from diagnose.review.table import layout_of

    kb = load_knowledge()
    engine = engine_for(kb, "single_pump")
    started = time.process_time()
    layout = layout_of(path, kb)
    mapping = guess(layout, kb).mapping
    recording = read(layout, mapping, kb)
    done_reading = time.process_time()
    found = review(engine, recording, mapping)
    done = time.process_time()
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(
        f"start {started - began:5.2f} s, read {done_reading - started:6.2f} s, review {done - done_reading:6.2f} s, "
        f"{len(found.windows)} snapshots, at most {most:.0f} MB"
    )


def main():
    if len(sys.argv) > 1:
        measure(Path(sys.argv[1]))
        return
    with tempfile.TemporaryDirectory() as folder:
        for hours, hz in LENGTHS:
            path = Path(folder) / "flight.csv"
            write(path, hours, hz)
            told = subprocess.run(
                [sys.executable, __file__, str(path)], capture_output=True, text=True, check=True
            )
            print(f"{hours:4.1f} h at {hz} Hz: {told.stdout.strip()}", flush=True)


if __name__ == "__main__":
    main()
