"""Firefox driven by WebDriver BiDi, which it speaks by itself: no driver program is needed."""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from typing import Any


class Firefox:
    """One tab of a running Firefox; ``faults`` holds what its pages complained of."""

    def __init__(self, socket: Any) -> None:
        self.socket, self.last, self.faults = socket, 0, []
        self.ask("session.new", capabilities={})
        self.ask("session.subscribe", events=["log.entryAdded"])
        self.tab = self.ask("browsingContext.getTree")["contexts"][0]["context"]

    def ask(self, method: str, **params: Any) -> Any:
        """Send a command and give its result."""
        self.last += 1
        self.socket.send(json.dumps({"id": self.last, "method": method, "params": params}))
        while True:
            heard = json.loads(self.socket.recv(timeout=60))
            if heard.get("method") == "log.entryAdded" and heard["params"]["level"] in ("error", "warn"):
                self.faults.append(heard["params"]["text"])
            if heard.get("id") == self.last:
                if heard["type"] == "error":
                    raise AssertionError(f"{method}: {heard['message']}")
                return heard["result"]

    def size(self, width: int, height: int) -> None:
        """Set the size of the page."""
        self.ask("browsingContext.setViewport", context=self.tab, viewport={"width": width, "height": height})

    def goto(self, address: str) -> None:
        """Load a page and wait for it."""
        self.ask("browsingContext.navigate", context=self.tab, url=address, wait="complete")

    def get(self, expression: str) -> Any:
        """What an expression gives in the page: a number, a text, a truth."""
        found = self.ask("script.evaluate", expression=expression, target={"context": self.tab}, awaitPromise=False)
        assert found["type"] == "success", found
        return found["result"].get("value")

    def key(self, *keys: str) -> None:
        """Press keys one after the other."""
        moves = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        actions = [{"type": "key", "id": "keys", "actions": moves}]
        self.ask("input.performActions", context=self.tab, actions=actions)


@contextlib.contextmanager
def running(program: str) -> Iterator[Firefox]:
    """A Firefox with an empty profile, ended afterwards."""
    from websockets.sync.client import connect

    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        command = [program, "--headless", "--no-remote", "--profile", profile, "--remote-debugging-port", "0"]
        process = subprocess.Popen(command, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
        assert process.stderr is not None
        try:
            port = next(found[1] for line in process.stderr if (found := re.search(r"BiDi listening on ws://[^:]+:(\d+)", line)))
            with connect(f"ws://127.0.0.1:{port}/session", max_size=None) as socket:
                yield Firefox(socket)
        finally:
            process.kill()
            process.wait(60)
            process.stderr.close()


def program() -> str | None:
    """The Firefox of this machine."""
    return next(filter(None, map(shutil.which, ("firefox-esr", "firefox"))), None)
