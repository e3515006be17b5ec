"""Time until both faces of the prompt take keys: ``python tests/benchmarks/start.py``. Not a test.

Each start is a process in a terminal of its own. A key is waiting in the terminal before the program
begins to read; the start ends when the face itself shows what the key did (not the terminal's echo).
Wall time is the best of some starts, because other work on the machine only ever adds; processor time is
that of the whole process up to this moment, its threads included. "Without byte code" is the very first
start after an installation that did not compile.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TICKS = os.sysconf("SC_CLK_TCK")
#: face -> arguments, the waiting key, what the face shows once it has taken it (a pattern)
FACES = {
    "lines": ((), b"q", rb"gauges>.*q"),
    "worksheet": (("worksheet", "static_blocked_climb"), b":", rb"carry out"),
}


def start(arguments: tuple[str, ...], key: bytes, answer: bytes, byte_code: str) -> tuple[float, float]:
    """Wall and processor seconds from the start of a process until it has taken a key."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "OMP_NUM_THREADS": "1",
            "PYTHONDONTWRITEBYTECODE": "",
            "PYTHONPYCACHEPREFIX": byte_code,
            "XDG_STATE_HOME": folder,
            "TERM": "xterm",
            "PROMPT_TOOLKIT_NO_CPR": "1",
        }
        outer, inner = pty.openpty()
        fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        begun = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-m", "diagnose", *arguments],
            stdin=inner,
            stdout=inner,
            stderr=inner,
            env=environment,
            start_new_session=True,
        )
        os.close(inner)
        os.write(outer, key)
        shown, passed = b"", 0.0
        while not re.search(answer, plain(shown), re.DOTALL):
            if not select.select([outer], [], [], 60.0)[0]:
                raise SystemExit(f"no answer to the key; shown so far: {shown!r}")
            shown += os.read(outer, 65536)
            passed = time.perf_counter() - begun
        used = processor_seconds(process.pid)
        process.send_signal(signal.SIGKILL)
        process.wait()
        os.close(outer)
        return passed, used


def plain(shown: bytes) -> bytes:
    """What was shown without the terminal's control sequences."""

    return re.sub(rb"\x1b(\[[0-9;?]*[a-zA-Z]|[()=>].?|\].*?\x07)", b"", shown)


def processor_seconds(process: int) -> float:
    """Processor time of a running process so far (Linux)."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--starts", type=int, default=7, help="starts of each kind (7)")
    chosen = parser.parse_args()
    print(f"{'':<12} {'':<20} {'wall, best':>10} {'median':>8} {'processor':>10}")
    for face, (arguments, key, answer) in FACES.items():
        with tempfile.TemporaryDirectory() as byte_code:
            first = [start(arguments, key, answer, byte_code)]
            later = [start(arguments, key, answer, byte_code) for _ in range(chosen.starts)]
        for label, times in (("without byte code", first), ("with byte code", later)):
            walls, used = sorted(t[0] for t in times), min(t[1] for t in times)
            middle = walls[len(walls) // 2]
            print(f"{face:<12} {label:<20} {walls[0]:>8.2f} s {middle:>6.2f} s {used:>8.2f} s")
    load = os.getloadavg()[0]
    print(f"load of the machine {load:.1f} on {os.cpu_count()} processors")


if __name__ == "__main__":
    main()
