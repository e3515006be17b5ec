"""Work behind the screen, so that no key waits for it: of each kind only the latest job counts."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Any

#: a job's parts, one after the other; each gives what is to be shown
Parts = Callable[[], Iterator[Any]]
#: takes what a job gave: kind, key, value
Deliver = Callable[[str, Any, Any], None]


class Background:
    """One thread that carries out the latest job of each kind; an overtaken job ends at its next part.

    What goes wrong in a job is delivered like a value. Jobs of one ``Background`` never run at once, so
    they may share an engine.
    """

    def __init__(self, deliver: Deliver) -> None:
        self._deliver = deliver
        self._changed = threading.Condition()
        self._jobs: dict[str, tuple[Any, Parts]] = {}
        self._latest: dict[str, Any] = {}
        self._running = ""
        self._ended = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def submit(self, kind: str, key: Any, parts: Parts) -> None:
        """Ask for a job; an earlier one of this kind no longer counts."""
        with self._changed:
            self._jobs[kind] = (key, parts)
            self._latest[kind] = key
            self._changed.notify_all()

    def wait(self, seconds: float = 60.0) -> bool:
        """Wait until nothing is left to do; False if that takes too long."""
        with self._changed:
            return self._changed.wait_for(lambda: not self._jobs and not self._running, seconds)

    def end(self) -> None:
        """Take no more jobs; what is running ends at its next part."""
        with self._changed:
            self._ended = True
            self._jobs.clear()
            self._latest.clear()
            self._changed.notify_all()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._running = ""
                self._changed.notify_all()
                self._changed.wait_for(lambda: bool(self._jobs) or self._ended)
                if self._ended:
                    return
                kind = next(iter(self._jobs))
                key, parts = self._jobs.pop(kind)
                self._running = kind
            try:
                for value in parts():
                    if self._latest.get(kind) != key or self._ended:
                        break
                    self._deliver(kind, key, value)
            except Exception as error:
                if self._latest.get(kind) == key:
                    self._deliver(kind, key, error)
