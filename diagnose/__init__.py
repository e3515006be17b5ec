"""Diagnose failures of vacuum, electrical, pitot and static systems from what the gauges showed.

The front door. Nothing heavy is imported before it is needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from diagnose.answer import Answer
    from diagnose.inference import Engine
    from diagnose.knowledge import KnowledgeBase
    from diagnose.model import CaseRecord, SnapshotRecord

__version__ = "0.1.0"


def load_knowledge(overlays: tuple[Path, ...] = ()) -> KnowledgeBase:
    """Read the packaged knowledge base and lay the user's own files over it."""
    from diagnose import knowledge

    return knowledge.load_knowledge(overlays=overlays)


def cases_root() -> Path:
    """Give the folder of the shipped cases."""
    from diagnose import knowledge

    return knowledge.cases_root()


def engine_for(kb: KnowledgeBase, panel: str) -> Engine:
    """Build the engine of one panel; keep it to answer several cases or a case that grows."""
    from diagnose.inference import Engine
    from diagnose.network import compile_network

    return Engine(compile_network(kb, panel))


def answer_case(kb: KnowledgeBase, case: CaseRecord, engine: Engine | None = None) -> Answer:
    """Rank the failures that explain a case, and say which instruments to trust and fly on."""
    from diagnose.advise import advise

    return advise((engine or engine_for(kb, case.panel)).posterior(case))


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
