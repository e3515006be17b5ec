"""Diagnose failures of vacuum, electrical, pitot and static systems from what the gauges showed.

The front door. Nothing heavy is imported before it is needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.model import CaseRecord, SnapshotRecord
    from diagnose.model.answer import Answer
    from diagnose.network.engine import Engine
    from diagnose.network.posterior import Posterior

Looks = Literal["", "here", "all"]

__version__ = "0.1.0"


def load_knowledge(overlays: tuple[Path, ...] = ()) -> KnowledgeBase:
    """Read the packaged knowledge base and lay the user's own files over it."""
    from diagnose.knowledge import load

    return load.load_knowledge(overlays=overlays)


def cases_root() -> Path:
    """Give the folder of the shipped cases."""
    from diagnose.knowledge import load

    return load.cases_root()


def engine_for(kb: KnowledgeBase, panel: str) -> Engine:
    """Build the engine of one panel; keep it to answer several cases or a case that grows."""
    from diagnose.network.engine import Engine
    from diagnose.network.tables import compile_network

    return Engine(compile_network(kb, panel))


def answer_case(
    kb: KnowledgeBase, case: CaseRecord, engine: Engine | None = None, *, looks: Looks = ""
) -> Answer:
    """Rank the failures that explain a case, say which instruments to trust and fly on, what to decide.

    With ``looks`` also what to look at next: "here" where the case ends, or "all" on the ground as well.
    """
    engine = engine or engine_for(kb, case.panel)
    return answer_posterior(engine, engine.posterior(case), looks=looks)


def answer_posterior(engine: Engine, posterior: Posterior, *, looks: Looks = "") -> Answer:
    """Give the answer of ``answer_case`` for a posterior that is at hand."""
    from dataclasses import replace

    from diagnose.advice.advise import advise
    from diagnose.advice.decisions import with_decisions
    from diagnose.advice.explain.why import because

    answer = with_decisions(posterior, advise(posterior))
    answer = replace(answer, because=because(engine, posterior, answer.ranking))
    return with_looks(engine, posterior, answer, looks) if looks else answer


def with_looks(engine: Engine, posterior: Posterior, answer: Answer, looks: Looks) -> Answer:
    """Give the answer with what to look at next."""
    from dataclasses import replace

    from diagnose.advice.looks import next_looks

    found = next_looks(
        engine, posterior, everywhere=looks == "all", trusts=answer.trust, orders=answer.decisions
    )
    return replace(answer, looks=found)


def _bare_case(panel: str, snapshots: tuple[SnapshotRecord, ...], context: tuple[str, ...]) -> CaseRecord:
    from diagnose.model import CaseRecord

    return CaseRecord(title="", panel=panel, context=context, snapshot=snapshots)


def predict(
    kb: KnowledgeBase,
    panel: str,
    failures: tuple[str, ...],
    snapshots: tuple[SnapshotRecord, ...],
    context: tuple[str, ...] = (),
) -> tuple[dict[str, dict[str, float]], ...]:
    """Give for each snapshot facet -> reading -> chance when exactly these failures are there."""
    return engine_for(kb, panel).predict(_bare_case(panel, snapshots, context), failures)


def likelihood_of(kb: KnowledgeBase, case: CaseRecord, failures: tuple[str, ...]) -> float:
    """Give log P(readings of the case | exactly these failures from before the first snapshot)."""
    return engine_for(kb, case.panel).log_likelihood(case, failures)
