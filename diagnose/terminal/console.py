"""The streams of the command line: nothing that is shown steers the terminal, no line is longer than a line,
and work that takes a while says so.

``streams`` puts ``Shown`` and ``Typed`` in the place of the standard streams while a command runs, so that
every ``print`` and every line that is read passes here.
"""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any, TextIO

from diagnose.model.errors import CaseError
from diagnose.model.files import harmless

#: characters of a line that is typed or piped in: a whole story of 2,000 words pasted as one paragraph
LONGEST_LINE = 15_000
#: characters of a line that is no story
LONGEST_STATEMENT = 2000
#: work that takes longer says so on a terminal
PATIENCE_S = 2.0


def bounded(line: str, most: int = LONGEST_STATEMENT) -> str:
    """Give a line of bearable length as it is. Raises CaseError for a longer one."""
    if len(line) > most:
        count = f"{len(line)} or more" if len(line) > 2 * LONGEST_LINE else str(len(line))
        raise CaseError(
            f"this line is too long to be read: {count} characters",
            mend=f"say it in lines of at most {most} characters, a moment of the flight in each",
        )
    return line


class Working:
    """Tells on a terminal's error stream what is being done, once it takes a while; erased before anything else.

    ``step`` says what is being done now. Where somebody types lines (``talking``) it is told once, on a line of its
    own: what is typed meanwhile is neither overwritten nor glued to it.
    """

    talking = False

    def __init__(self, stream: TextIO) -> None:
        self._stream, self._lock = stream, threading.RLock()
        self._label, self._since, self._shown = "", time.monotonic(), 0
        self._ended = threading.Event()
        self._idle = not stream.isatty()

    def step(self, text: str) -> None:
        """Say what is being done from now on."""
        self._label = text

    def begin(self, text: str) -> None:
        """Begin to watch a command."""
        self._label = text
        if not self._idle:
            threading.Thread(target=self._watch, daemon=True).start()

    def end(self) -> None:
        """Say no more."""
        self._ended.set()
        self.pause()

    def pause(self) -> None:
        """Say no more until ``resume``: somebody is to type."""
        with self._lock:
            self._idle = True
            self.clear()

    def resume(self) -> None:
        """Go on to watch, from now."""
        with self._lock:
            self._since, self._idle = time.monotonic(), self._ended.is_set() or not self._stream.isatty()

    def clear(self) -> None:
        """Erase what is shown, and wait as long again before more."""
        with self._lock:
            if self._shown:
                if not self.talking:
                    self._put(f"\r{' ' * self._shown}\r")
                self._shown, self._since = 0, time.monotonic()

    def _watch(self) -> None:
        while not self._ended.wait(0.5):
            with self._lock:
                passed = time.monotonic() - self._since
                if self._idle or (passed < PATIENCE_S and not self._shown):
                    continue
                room = max(shutil.get_terminal_size((80, 24)).columns - 1, 20)
                if self.talking:
                    if not self._shown:
                        self._put(harmless("(working)\n"))
                    self._shown = 1
                    continue
                line = harmless(f"working: {self._label} ({passed:.0f} s)")[:room]
                self._put(f"\r{line:<{self._shown}}")
                self._shown = len(line)

    def _put(self, text: str) -> None:
        with contextlib.suppress(OSError, ValueError):
            self._stream.write(text)
            self._stream.flush()


class _Stream:
    """A stream that stands for another."""

    def __init__(self, stream: TextIO, working: Working) -> None:
        self.stream, self.working = stream, working

    def __getattr__(self, name: str) -> Any:
        return getattr(self.stream, name)


class Shown(_Stream):
    """A stream on which no sign steers a terminal."""

    def write(self, text: str) -> int:
        """Write a text, its steering signs as pictures."""
        self.working.clear()
        self.stream.write(harmless(text))
        return len(text)


class Typed(_Stream):
    """A stream of which no line is read further than anybody reads; what is longer is cut, and refused later."""

    def readline(self, size: int = -1) -> str:
        """Give the next line, or so much of it that ``bounded`` refuses it; the rest of it is passed over."""
        self.working.pause()
        self.working.talking = self.stream.isatty()
        most = 2 * LONGEST_LINE + 1
        try:
            line = self.stream.readline(most)
            rest = line
            while len(rest) == most and not rest.endswith("\n"):
                rest = self.stream.readline(most)
            return line
        finally:
            self.working.resume()

    def __iter__(self) -> Iterator[str]:
        return iter(self.readline, "")

    def __next__(self) -> str:
        if not (line := self.readline()):
            raise StopIteration
        return line


@contextlib.contextmanager
def streams() -> Iterator[Working]:
    """Guard the standard streams while a command runs; one that is closed counts as empty."""
    before = sys.stdin, sys.stdout, sys.stderr
    stdin = sys.stdin or io.StringIO()
    stdout, stderr = (stream or open(os.devnull, "w") for stream in (sys.stdout, sys.stderr))  # noqa: SIM115
    for stream in (stdin, stdout, stderr):
        # a sign that the screen cannot show, or a byte that is no text, is no reason to stop
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    working = Working(stderr)
    sys.stdin, sys.stdout, sys.stderr = Typed(stdin, working), Shown(stdout, working), Shown(stderr, working)
    try:
        yield working
    finally:
        working.end()
        sys.stdin, sys.stdout, sys.stderr = before


def step(text: str) -> None:
    """Say what a command is doing, where somebody watches."""
    working = getattr(sys.stderr, "working", None)
    if isinstance(working, Working):
        working.step(text)


def pause() -> None:
    """Say nothing more of work: a full screen or an editor of lines takes over."""
    working = getattr(sys.stderr, "working", None)
    if isinstance(working, Working):
        working.end()


def give_up_output() -> None:
    """Send what is left for an output that cannot be written nowhere, so that ending says no more of it."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


#: what ends a text of several pages; any other word is the next line
STOPS = ("q", "quit", "exit", "stop", "n", "no")


def asked(prompt: str) -> str:
    """Give the next line that is typed. Read as a line of the guarded stream, so that no news of work falls into it.

    Raises EOFError at the end of what is typed.
    """
    print(prompt, end="", flush=True)
    if not (line := sys.stdin.readline()):
        raise EOFError
    return line


def paged(text: str, ask: Callable[[str], str] = asked) -> str:
    """Print a text; on a terminal one that is longer than the screen stops after each page.

    Gives what was typed there instead of going on: it ends the text and is meant for the prompt.
    """
    lines = text.splitlines()
    rows = shutil.get_terminal_size((80, 24)).lines - 2
    while len(lines) > rows > 3 and sys.stdout.isatty():
        print("\n".join(lines[:rows]))
        lines = lines[rows:]
        try:
            if typed := ask(f"-- {len(lines)} more lines: Enter, q to stop, or your next line -- ").strip():
                return "" if typed.lower() in STOPS else typed
        except (EOFError, KeyboardInterrupt):
            print()
            return ""
    print("\n".join(lines))
    return ""
