"""What all tests share, and how many examples they take.

Five amounts: the usual one, always and everywhere the same; ``--wide``, what CI takes; ``--all``, every case of the long
tables that ``data/thinned.toml`` names, and what takes long alone; ``--long``, more examples too;
HYPOTHESIS_PROFILE=full, thousands at random (``tests.examples`` has what a test needs for it). One engine for each panel (``tests.small.engine``),
which ``diagnose.engine_for`` gives to the command line as well (``tests.console.run``).

The browser of the tests is any Chromium of the machine, or the one named in DIAGNOSE_CHROMIUM.
"""

from __future__ import annotations

import collections
import os
import shutil
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

import diagnose
from tests import small

diagnose.engine_for = small.engine_of

slow = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]
settings.register_profile(
    "usual", derandomize=True, deadline=None, max_examples=25, suppress_health_check=slow
)
settings.register_profile("long", settings.get_profile("usual"), max_examples=60)
settings.register_profile("full", deadline=None, max_examples=2000, suppress_health_check=slow)


def pytest_addoption(parser):
    parser.addoption("--wide", action="store_true", help="more cases of the long tables: what CI takes")
    parser.addoption("--all", action="store_true", help="every case of every table")
    parser.addoption("--long", action="store_true", help="every case, and more examples and exercises")


def pytest_configure(config):
    settings.load_profile(
        os.environ.get("HYPOTHESIS_PROFILE", "long" if config.getoption("--long") else "usual")
    )


@pytest.fixture
def unasked(monkeypatch):
    """Nothing is offered to look at: for tests of what is heard, whose every line would weigh all looks."""
    monkeypatch.setattr("diagnose.advice.looks.next_looks", lambda *args, **fields: ())


@pytest.fixture
def every_row(monkeypatch):
    """Looks leave out no hidden row, however unlikely: for tests that compare them with the whole engine."""
    monkeypatch.setattr("diagnose.advice.prospect.NEGLIGIBLE", 1e-16)


CHROMIUM = os.environ.get("DIAGNOSE_CHROMIUM") or next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)


@pytest.fixture(scope="module")
def browser():
    """A running Chromium, for one file of tests: while it runs, Playwright's own event loop runs in this
    thread, where the prompt of a later file could start none."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed: pip install playwright"
    )
    if CHROMIUM is None:
        pytest.skip("no Chromium found: install one, or name it in DIAGNOSE_CHROMIUM")
    with playwright.sync_playwright() as running:
        opened = running.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


def pytest_collection_modifyitems(config, items):
    """Thin out long tables, and mark the tests of ``data/known_red.toml`` as expected to fail."""
    if not (config.getoption("--all") or config.getoption("--long") or os.environ.get("HYPOTHESIS_PROFILE")):
        thin_out(config, items)
    red = told_in("known_red")
    for item in items:
        reason = red.get(item.nodeid) or red.get(item.nodeid.partition("[")[0])
        if reason:
            item.add_marker(pytest.mark.xfail(reason=reason, strict=False))


def told_in(name):
    return tomllib.loads((Path(__file__).parent / "data" / f"{name}.toml").read_text(encoding="utf-8"))


#: processor seconds for the cases of one test, and the longest that a single case may take
AMOUNTS = {"usual": (1.5, 3.5), "wide": (3.0, 12.0)}


def thin_out(config, items):
    """Keep as many cases of a test as its processor seconds allow (``data/thinned.toml``); what was asked for by name stays."""
    seconds, longest = AMOUNTS["wide" if config.getoption("--wide") else "usual"]
    takes, place, kept, left = told_in("thinned"), collections.Counter(), [], []
    asked = {argument for argument in config.args if "::" in argument}
    cases = collections.Counter(item.nodeid.partition("[")[0] for item in items)
    for item in items:
        test = item.nodeid.partition("[")[0]
        each = takes.get(test, 0.0)
        most = max(1, int(seconds / each)) if each else cases[test]
        one_in = -(-cases[test] // most)
        spared = (each > longest or place[test] % one_in) and not any(one.startswith(test) for one in asked)
        place[test] += 1
        (left if spared else kept).append(item)
    config.hook.pytest_deselected(items=left)
    items[:] = kept
