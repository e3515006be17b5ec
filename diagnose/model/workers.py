"""One door for work in many parts: on the cores of this machine, or on a cluster that runs already.

Each part is a function of the package with its job; what comes back does not depend on where it was done, or when.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TypeVar

from diagnose.model.errors import CaseError

if TYPE_CHECKING:
    from concurrent.futures import Executor, Future

Job = TypeVar("Job")
Result = TypeVar("Result")

#: jobs under way for each worker: enough that none waits, few enough that their results need no memory
AHEAD = 3
#: seconds in which a cluster must answer
ANSWERS_S = 10
ADDRESS = "tcp://HOST:8786"


def results(
    work: Callable[[Job], Result], jobs: Sequence[Job], workers: int | None = None, cluster: str = ""
) -> Iterator[tuple[Job, Result]]:
    """Give each job with its result as it is done, in any order.

    ``cluster``: address of a running dask scheduler, "" for processes of this machine. Raises CaseError if it cannot
    be reached, and whatever a job raises; then nothing more is started.
    """
    from concurrent.futures import FIRST_COMPLETED, wait  # late: most commands need no workers

    if not jobs:
        return
    with _cluster(cluster) if cluster else _processes(workers, len(jobs)) as (pool, many):
        waiting: dict[Future[Result], Job] = {}
        left = iter(jobs)
        try:
            while True:
                for job in left:
                    waiting[pool.submit(_alone, work, job)] = job
                    if len(waiting) >= AHEAD * many:
                        break
                if not waiting:
                    return
                for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                    yield waiting.pop(future), future.result()
        finally:
            for future in waiting:
                future.cancel()


def _alone(work: Callable[[Job], Result], job: Job) -> Result:
    """One job at a time in one process: a worker of a cluster may have several threads, what it keeps is not for them."""
    with _LOCK:
        return work(job)


_LOCK = threading.Lock()


@contextmanager
def _processes(workers: int | None, jobs: int) -> Iterator[tuple[Executor, int]]:
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    many = min(workers or os.cpu_count() or 1, jobs)
    # "spawn" starts each worker clean, whatever threads the caller runs
    with ProcessPoolExecutor(many, mp_context=get_context("spawn")) as pool:
        yield pool, many


@contextmanager
def _cluster(address: str) -> Iterator[tuple[Executor, int]]:
    try:
        from distributed import Client
    except ImportError:
        raise CaseError(
            "work on a cluster needs the library dask.distributed", address, "pip install 'diagnose-gauges[cluster]'"
        ) from None  # fmt: skip
    try:
        client: Any = Client(address, timeout=ANSWERS_S)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TimeoutError) as error:
        raise CaseError(
            f"no cluster answers ({error})", address, f"give the scheduler's address as it prints it: {ADDRESS}"
        ) from None  # fmt: skip
    with client as engine:
        many = sum(engine.nthreads().values())
        if not many:
            raise CaseError("this cluster has no worker", address, "start workers first: dask worker ADDRESS")
        yield engine.get_executor(pure=False), many
