"""Tests. What holds for every process of a run is set here, before anything else is imported.

One thread of linear algebra: the tables are small, and threads that wait for each other take the processor
from the next test. What is kept ready between runs is kept for this run, its workers and what they start.
"""

import atexit
import os
import shutil
import tempfile

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")
if "DIAGNOSE_TEST_CACHE" not in os.environ:
    _folder = os.environ["DIAGNOSE_TEST_CACHE"] = os.environ["XDG_CACHE_HOME"] = tempfile.mkdtemp()
    atexit.register(shutil.rmtree, _folder, ignore_errors=True)
