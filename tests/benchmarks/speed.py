"""Times, memory and ratios of one run: ``python tests/benchmarks/speed.py``. Not a test; machines are noisy.

One changed snapshot at 1 to 24 snapshots for the engine (ranking and trust), pgmpy and pyAgrum (the
chances of the failures only), each in a process of its own with a limit of time and memory; then cold
starts and the regeneration of the tables. ``pip install -e '.[test]'`` brings both libraries.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
SNAPSHOTS = (1, 2, 4, 8, 16, 24)
WAYS = ("engine", "pgmpy", "pyagrum")
NETWORKS = {
    "small": "Small knowledge base: 4 failures, all sets of them; the three must agree",
    "single_pump": "Shipped panel single_pump: 78 failures; the engine takes sets of up to two, the libraries all",
}
CODE = [sys.executable, "-m", "diagnose"]
ENVIRONMENT = {
    **os.environ,
    "PYTHONPATH": str(ROOT),
    "OMP_NUM_THREADS": "1",
    # a user's installation has its byte code; the first run writes it here
    "PYTHONDONTWRITEBYTECODE": "",
    "PYTHONPYCACHEPREFIX": str(Path(tempfile.gettempdir()) / "diagnose_speed_bytecode"),
}


def measured(way: str, network: str, count: int, seconds: float, gigabytes: float) -> dict[str, Any] | str:
    """What ``one_update.py`` measured, or why it did not."""
    command = [
        sys.executable,
        str(HERE / "one_update.py"),
        way,
        network,
        str(count),
        str(int(seconds)),
        str(gigabytes),
    ]
    done = subprocess.run(command, capture_output=True, text=True, env=ENVIRONMENT, check=False)
    if done.returncode == -signal.SIGXCPU:
        return f"over {seconds:.0f} s"
    if done.returncode:
        last = (done.stderr.strip().splitlines() or ["no message"])[-1]
        if "alloc" in last or "MemoryError" in last:
            return f"over {gigabytes:g} GB"
        return last[:40]
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def duration(seconds: float) -> str:
    """Seconds in words of fitting size."""
    return f"{seconds:.2f} s" if seconds >= 1.0 else f"{seconds * 1000:.1f} ms"


def updates(network: str, seconds: float, gigabytes: float) -> list[list[str]]:
    """Print the table of one network; gives its rows for the page of evidence."""
    rows: list[list[str]] = []
    print(f"\n{NETWORKS[network]}")
    print(
        f"{'':>9} {'':<8} {'first answer':>12} {'last changed':>13} {'first changed':>14} {'memory':>8} {'x engine':>9}"
    )
    failed: dict[str, str] = {}
    growth: list[tuple[int, float]] = []
    apart = 0.0
    for count in SNAPSHOTS:
        engine: dict[str, Any] = {}
        beside: list[str] = []
        for way in WAYS:
            label = f"{count:>9} {way:<8}"
            if way in failed:
                print(f"{label} {'not tried: ' + failed[way] + ' with fewer':>12}")
                beside.append(f"{way}: not tried, {failed[way]} with fewer")
                continue
            found = measured(way, network, count, seconds, gigabytes)
            if isinstance(found, str):
                failed[way] = found
                print(f"{label} {found:>12}", flush=True)
                beside.append(f"{way}: {found}")
                continue
            engine = engine or found
            last, first = found["changed"]["last"], found["changed"]["first"]
            ratio = last / engine["changed"]["last"]
            print(
                f"{label} {duration(found['first']):>12} {duration(last):>13} {duration(first):>14} "
                f"{found['mb']:>5.0f} MB {ratio:>9.0f}",
                flush=True,
            )
            if way != "engine":
                beside.append(f"{way}: {duration(last)}, {ratio:,.0f} times as long")
            if way == "engine":
                growth.append((count, first))
            else:
                apart = max(apart, *(abs(p - engine["marginals"][f]) for f, p in found["marginals"].items()))
        what = (
            f"{NETWORKS[network].split(':')[0]}; {duration(engine['changed']['first'])} if the first changed"
        )
        rows.append([str(count), duration(engine["changed"]["last"]), what, "; ".join(beside)])
    (low, few), (high, many) = growth[1], growth[-1]
    print(
        f"first snapshot changed, from {low} to {high} snapshots: x {many / few:.1f} (linear: x {high / low:.0f})"
    )
    print(f"largest difference of a failure's chance between the engine and a library: {apart:.1e}")
    return rows


def stored(rows: list[list[str]], chosen: argparse.Namespace) -> dict[str, Any]:
    """What the page of evidence shows of these times."""
    return {
        "command": "python tests/benchmarks/speed.py --to knowledge/evidence/speed.json",
        "machine": f"{os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()}",
        "says": "Time from a changed last snapshot to the new chances: of the engine with trust, of the libraries "
        f"the chances of the failures alone, with the same evidence, each stopped after {chosen.seconds:.0f} s or "
        f"{chosen.gigabytes:g} GB.",
        "rows": rows,
    }


def cold(name: str, *arguments: str) -> None:
    """Time a command from start to end, the best of three."""
    times, most = [], 0
    for _ in range(4):
        start = time.perf_counter()
        process = subprocess.Popen([*CODE, *arguments], stdout=subprocess.DEVNULL, env=ENVIRONMENT)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode:
            raise SystemExit(f"{name} ended with code {process.returncode}")
        times.append(time.perf_counter() - start)
        most = max(most, usage.ru_maxrss)
    # the first run writes the byte code
    print(f"{name:<34} {min(times[1:]):>6.2f} s {most / 1024:>5.0f} MB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--seconds", type=float, default=60.0, help="limit of each process, processor time (60)"
    )
    parser.add_argument("--gigabytes", type=float, default=4.0, help="memory limit of each process (4)")
    parser.add_argument(
        "--no-tables", action="store_true", help="leave out regenerating the tables (a minute)"
    )
    parser.add_argument("--to", type=Path, metavar="FILE", help="write the updates for the page of evidence")
    chosen = parser.parse_args()
    rows = [row for network in NETWORKS for row in updates(network, chosen.seconds, chosen.gigabytes)]
    if chosen.to:
        chosen.to.write_text(json.dumps(stored(rows, chosen), indent=1, ensure_ascii=False) + "\n")
    print("\nCold starts")
    cold("--help", "--help")
    cold("rank static_blocked_climb", "rank", "static_blocked_climb")
    cold("rank vacuum_pump_three_snapshots", "rank", "vacuum_pump_three_snapshots")
    subprocess.run([sys.executable, str(HERE / "start.py")], check=True, env=ENVIRONMENT)
    if not chosen.no_tables:
        with tempfile.TemporaryDirectory() as folder:
            start = time.perf_counter()
            subprocess.run(
                [*CODE, "derive", "--to", str(Path(folder) / "tables.npz")],
                check=True,
                capture_output=True,
                env=ENVIRONMENT,
            )
        print(f"{'derive (all tables)':<34} {time.perf_counter() - start:>6.2f} s")


if __name__ == "__main__":
    main()
