"""A user's own case worked out a second time by pgmpy, and how far the two answers lie apart.

pgmpy's elimination grows with the snapshots and with what they say, so the largest network that fits is
asked, in this order: the whole panel, with as many failures at once as the engine's pairs; the leading
failures alone, in any combination, with all snapshots; the same with the last snapshots only. The engine
is run on the same network and evidence, so that like is compared with like.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Any

import msgspec
import numpy as np

from diagnose.knowledge.load import KnowledgeBase, with_only
from diagnose.model import CaseRecord
from diagnose.model.errors import DiagnoseError, ImpossibleEvidence
from diagnose.network.engine import Engine
from diagnose.network.nodes import Tables, at
from diagnose.network.pgmpy_bridge import elimination_cost, limit_failures, pgmpy_version, query_pgmpy
from diagnose.network.tables import Network, compile_network
from diagnose.network.unrolled import build_tables
from diagnose.render.text import fill

Told = Callable[[str], None]

#: largest intermediate table, in numbers, that pgmpy is asked to build (400 MB)
MOST_CELLS = 5e7
#: multiplications up to which an answer comes within about ten seconds per failure
MOST_WORK = 3e10
#: numbers of leading failures that are tried, in any combination
LEADING = (8, 6, 4)
#: failures compared: those above this chance, and no more of them than this
LEAST_COMPARED = 1e-4
MOST_COMPARED = 10
#: share of the time that the first try may take
FIRST_SHARE = 0.6
#: progress is told no more often than this
TELL_EVERY_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One network on which both are run: ``says`` tells which. ``at_most`` failures at once, 0: any."""

    says: str
    network: Network
    case: CaseRecord
    at_most: int

    def engine_chances(self) -> dict[str, float]:
        """Each failure's chance at the last snapshot by our engine, over the same sets."""
        largest = self.at_most or len(self.network.failures)
        marginals = Engine(self.network, largest_set=largest).posterior(self.case).marginals
        return dict(zip((f.id for f in self.network.failures), marginals.tolist(), strict=True))

    def tables(self) -> Tables:
        """The tables that pgmpy is given."""
        tables = build_tables(self.network, self.case).reachable()
        if self.at_most:
            limit_failures(tables, self.network, len(self.case.snapshot), self.at_most)
        return tables


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossCheck:
    """Both answers: failure -> (engine, pgmpy). ``not_run`` says why there is none."""

    network: str
    library: str = ""
    chances: dict[str, tuple[float, float]]
    snapshots: int = 0
    failures: int = 0
    at_most: int = 0
    seconds: float = 0.0
    not_run: str = ""

    @property
    def largest_difference(self) -> float:
        """Largest difference between the two chances of one failure."""
        return max((abs(ours - theirs) for ours, theirs in self.chances.values()), default=0.0)


def without_triples(kb: KnowledgeBase) -> KnowledgeBase:
    """The knowledge base with enumeration of whole sizes only, so that both sum over the same sets."""
    return with_only(kb, limits=msgspec.structs.replace(kb.limits, most_triples=0))


def plans(kb: KnowledgeBase, case: CaseRecord, leading: list[str]) -> Iterator[Plan]:
    """What could be asked, from the whole case to ever smaller parts of it."""
    kb = without_triples(kb)
    network = compile_network(kb, case.panel)
    pairs = kb.limits.largest_set
    yield Plan(
        says=f"the whole panel ({len(network.failures)} failures, at most {pairs} at once) with "
        f"{_snapshots(case, len(case.snapshot))}",
        network=network,
        case=case,
        at_most=pairs,
    )
    for kept in range(len(case.snapshot), 0, -1):
        # the flight before the first snapshot that is kept goes into the time since start
        before = sum(s.minutes_before + s.minutes for s in case.snapshot[:-kept])
        part = msgspec.structs.replace(
            case, snapshot=case.snapshot[-kept:], minutes_since_start=case.minutes_since_start + before
        )
        for count in LEADING:
            chosen = {name: kb.failures[name] for name in leading[:count]}
            yield Plan(
                says=f"the {len(chosen)} leading failures in any combination with {_snapshots(case, kept)}",
                network=compile_network(with_only(kb, failures=chosen), case.panel),
                case=part,
                at_most=0,
            )


def _snapshots(case: CaseRecord, kept: int) -> str:
    if kept == len(case.snapshot):
        return "the only moment" if kept == 1 else f"all {kept} moments"
    return "the last moment alone" if kept == 1 else f"the last {kept} moments"


def cross_check(
    kb: KnowledgeBase, case: CaseRecord, engine: Engine, seconds: float, told: Told = lambda _: None
) -> CrossCheck:
    """Work a case out by pgmpy too, in at most this many seconds; ``told`` hears of the progress.

    Raises what the engine raises for a case that cannot be answered.
    """
    if find_spec("pgmpy") is None:
        return CrossCheck(network="", chances={}, not_run="pgmpy is not installed (pip install pgmpy)")
    marginals = engine.posterior(case).marginals
    leading = [engine.network.failures[i].id for i in np.argsort(-marginals, kind="stable")]
    start = time.monotonic()
    tried = False
    for plan in plans(kb, case, leading):
        tables = plan.tables()
        cells, work = elimination_cost(tables, at(plan.network.failures[0].id, len(plan.case.snapshot)))
        if cells > MOST_CELLS or work > MOST_WORK:
            told(f"cross-check: {plan.says} needs a table of {cells:.0e} numbers in pgmpy: too large")
            continue
        left = seconds - (time.monotonic() - start)
        if left <= 0.0:
            return _not_run(f"the time limit of {seconds:g} s passed before pgmpy had answered")
        # a first try that takes longer than foreseen must leave time for a smaller one
        allowed = left if tried else left * FIRST_SHARE
        tried = True
        told(f"cross-check: {plan.says}, at most {allowed:.3g} s")
        # a part of the evidence can be impossible for the leading failures alone
        with contextlib.suppress(ImpossibleEvidence):
            found = _both(plan, tables, allowed, told)
            if found is not None:
                return found
    return _not_run(f"no part of the case could be answered by pgmpy within {seconds:g} s")


def _not_run(why: str) -> CrossCheck:
    return CrossCheck(network="", chances={}, not_run=f"{why}; allow more with --time-limit SECONDS")


def _both(plan: Plan, tables: Tables, seconds: float, told: Told) -> CrossCheck | None:
    start = time.monotonic()
    ours = plan.engine_chances()
    compared = sorted(ours, key=lambda name: -ours[name])[:MOST_COMPARED]
    compared = [name for name in compared if ours[name] >= LEAST_COMPARED] or compared[:1]
    last = len(plan.case.snapshot)
    found: dict[str, float] = {}
    heard = start
    for name, chance in _in_time(tables, [at(name, last) for name in compared], seconds):
        found[name] = chance
        if time.monotonic() - heard > TELL_EVERY_S:
            heard = time.monotonic()
            told(f"cross-check: {len(found)} of {len(compared)} failures")
    if len(found) < len(compared):
        return None
    return CrossCheck(
        network=plan.says,
        library=f"pgmpy {pgmpy_version()}",
        chances={name: (ours[name], found[at(name, last)]) for name in compared},
        snapshots=last,
        failures=len(plan.network.failures),
        at_most=plan.at_most,
        seconds=time.monotonic() - start,
    )


def _in_time(tables: Tables, nodes: list[str], seconds: float) -> Iterator[tuple[str, float]]:
    """Node -> chance of "yes" by pgmpy in a process of its own, which is ended when time is up."""
    context = multiprocessing.get_context("spawn")
    receiver, sender = context.Pipe(duplex=False)
    worker = context.Process(target=_work, args=(tables, nodes, sender), daemon=True)
    worker.start()
    sender.close()
    end = time.monotonic() + seconds
    try:
        for _ in nodes:
            if not receiver.poll(max(end - time.monotonic(), 0.0)):
                return
            try:
                yield receiver.recv()
            except EOFError:
                return
    finally:
        worker.kill()
        worker.join()


def _work(tables: Tables, nodes: list[str], sender: Any) -> None:
    # memory that is not there, and a parent that went away, end the work; the parent sees the closed pipe
    with contextlib.suppress(MemoryError, BrokenPipeError, DiagnoseError):
        for node, chance in query_pgmpy(tables, nodes):
            sender.send((node, chance))


def to_data(check: CrossCheck, kb: KnowledgeBase) -> dict[str, Any]:
    """The cross-check as plain data for JSON."""
    if check.not_run:
        return {"not_run": check.not_run}
    return {
        "library": check.library,
        "network": check.network,
        "failures_in_network": check.failures,
        "at_most_at_once": check.at_most or None,
        "last_snapshots": check.snapshots,
        "compared": [
            {"failure": name, "name": kb.failures[name].name, "engine": ours, "library": theirs}
            for name, (ours, theirs) in check.chances.items()
        ],
        "largest_difference": check.largest_difference,
        "seconds": round(check.seconds, 2),
    }


def render(check: CrossCheck, kb: KnowledgeBase, width: int = 80) -> str:
    """The cross-check as text."""
    if check.not_run:
        return fill(f"Cross-check not run: {check.not_run}.", width)
    lines = [
        fill(f"Cross-check with {check.library}, an independent library: {check.network}.", width),
        f"  {'diagnose':>12} {check.library.split()[0]:>12}  failure",
    ]
    for name, (ours, theirs) in check.chances.items():
        lines.append(fill(kb.failures[name].name, width, f"  {ours:12.9f} {theirs:12.9f}  ", " " * 29))
    lines.append(
        fill(
            f"Largest difference {check.largest_difference:.1e}. Both were given the same network and the "
            "same evidence; the chances differ from the ranking above where that network is a part of it.",
            width,
        )
    )
    return "\n".join(lines)
