"""What an answer costs beside what it is made of, in processor time of one run: ``python tests/benchmarks/ratios.py``.

Not a test. The whole answer after a changed last snapshot (ranking, trust, decisions, looks) beside the posterior;
a cold ``diagnose rank`` beside the import of numpy and prompt_toolkit. Ratios, because machines are noisy: both
sides are measured in turn, the best of some counts.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from diagnose import answer_posterior, load_knowledge
from diagnose.network.engine import Engine
from diagnose.network.tables import compile_network
from tests.benchmarks.one_update import case_of, changed
from tests.benchmarks.speed import CODE, ENVIRONMENT

STARTS = 9
ROUNDS = 3


def answers() -> None:
    """The whole answer beside the posterior, for one snapshot changed and changed again."""
    kb = load_knowledge()
    network = compile_network(kb, "single_pump")
    for count in (1, 8, 24):
        case, whole, posterior = case_of(network, count), [], []
        engine = Engine(network)
        answer_posterior(engine, engine.posterior(case), looks="all")
        for round_ in range(ROUNDS):
            # another length each time, so that no answer stands from before
            engine = Engine(network, None, engine._spaces, engine._given)
            for edited in changed(case_of(network, count, minutes=1.0 + round_ / 100.0), -1):
                start = time.process_time()
                found = engine.posterior(edited)
                between = time.process_time()
                answer_posterior(engine, found, looks="all")
                posterior.append(between - start)
                whole.append(time.process_time() - start)
        print(
            f"{count:>3} snapshots: posterior {min(posterior) * 1000:5.1f} ms, whole answer "
            f"{min(whole) * 1000:6.1f} ms: x {min(whole) / min(posterior):.1f} "
            f"(sums: x {sum(whole) / sum(posterior):.1f})",
            flush=True,
        )


def starts() -> None:
    """Cold starts beside the two imports."""
    commands = {
        "import numpy, prompt_toolkit": [sys.executable, "-c", "import numpy, prompt_toolkit"],
        "rank static_blocked_climb": [*CODE, "rank", "static_blocked_climb"],
        "rank vacuum_pump_three_snapshots": [*CODE, "rank", "vacuum_pump_three_snapshots"],
    }
    times: dict[str, list[float]] = {name: [] for name in commands}
    with tempfile.TemporaryDirectory() as folder:
        environment = {**ENVIRONMENT, "XDG_CACHE_HOME": folder}
        for number in range(STARTS + 1):
            for name, command in commands.items():
                process = subprocess.Popen(command, stdout=subprocess.DEVNULL, env=environment)
                _, status, usage = os.wait4(process.pid, 0)
                process.returncode = os.waitstatus_to_exitcode(status)
                assert process.returncode == 0, name
                if number:  # the first start makes the byte code and what is kept ready
                    times[name].append(usage.ru_utime + usage.ru_stime)
    bare, *_ = (sorted(each) for each in times.values())
    for name, each in times.items():
        best, middle = min(each), sorted(each)[len(each) // 2]
        print(
            f"{name:<34} {best:.2f} s, x {best / bare[0]:.2f} (medians: x {middle / bare[len(bare) // 2]:.2f})"
        )


if __name__ == "__main__":
    answers()
    starts()
    print(f"load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
