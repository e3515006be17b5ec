"""What all tests share, and their profiles: ``fast`` always and everywhere the same; ``full`` by HYPOTHESIS_PROFILE=full.

One thread of linear algebra in each process: the tables are small, and threads that wait for each other take
the processor from the next test. One engine for each panel (``tests.small.engine``), which ``diagnose.engine_for``
gives to the command line as well (``tests.console.run``).

The browser of the tests is any Chromium of the machine, or the one named in DIAGNOSE_CHROMIUM.
"""

from __future__ import annotations

import atexit
import os
import shutil
import tempfile

for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(threads, "1")
if "DIAGNOSE_TEST_CACHE" not in os.environ:
    # what is kept ready between runs is kept for this run, for its workers and the programs that they start
    folder = os.environ["DIAGNOSE_TEST_CACHE"] = os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp()
    atexit.register(shutil.rmtree, folder, ignore_errors=True)

import pytest
from hypothesis import HealthCheck, settings

import diagnose
from tests import small

diagnose.engine_for = small.engine_of

slow = [HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.filter_too_much]
settings.register_profile(
    "fast", derandomize=True, deadline=None, max_examples=60, suppress_health_check=slow
)
settings.register_profile("full", deadline=None, max_examples=2000, suppress_health_check=slow)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "fast"))

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
