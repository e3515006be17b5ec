"""A knowledge base small enough to enumerate completely, cut from the shipped one."""

from __future__ import annotations

from dataclasses import replace
from functools import cache, lru_cache

import numpy as np

from diagnose import engine_for
from diagnose.knowledge.load import KnowledgeBase, load_knowledge, with_only
from diagnose.model import CaseRecord, Panel, SnapshotRecord
from diagnose.network.engine import Engine
from diagnose.network.likelihood import FacetTable
from diagnose.network.tables import Network, compile_network

GAUGES = ("airspeed", "altimeter", "attitude", "heading", "suction", "turn_coordinator")
FAILURES = ("static_ports_taped", "pitot_ram_iced", "pump_sheared", "attitude_worn")


@cache
def shipped() -> KnowledgeBase:
    """The shipped knowledge base."""
    return load_knowledge()


def showing(table: FacetTable, chance: np.ndarray, **changes: object) -> FacetTable:
    """A table with these chances of its readings, told as they are."""
    return replace(table, drawn=chance, report=np.eye(chance.shape[-1]), **changes)  # type: ignore[arg-type]


@lru_cache(maxsize=12)
def _engine(made_from: str, panel: str, kb: _Kept) -> Engine:
    return engine_for(kb.kb, panel)


class _Kept:
    """A knowledge base that counts as the same as another read from the same files."""

    def __init__(self, kb: KnowledgeBase) -> None:
        self.kb = kb

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Kept)

    def __hash__(self) -> int:
        return 0


def engine_of(kb: KnowledgeBase, panel: str) -> Engine:
    """As ``diagnose.engine_for``, but one engine serves all that ask for the same panel of the same files."""
    return _engine(kb.made_from, panel, _Kept(kb)) if kb.made_from else engine_for(kb, panel)


def engine(panel: str = "single_pump") -> Engine:
    """The engine of a shipped panel."""
    return engine_of(shipped(), panel)


@cache
def small_network(failures: tuple[str, ...] = FAILURES, gauges: tuple[str, ...] = GAUGES) -> Network:
    """A network of a few failures and gauges with the shipped tables."""
    kb = shipped()
    full = kb.panel("standby_suction")
    panel = Panel(
        id="small",
        name="small",
        parts=full.parts,
        gauges=gauges,
        switches=("alternate_static", "pitot_heat", "standby_suction"),
    )
    chosen = {name: kb.failures[name] for name in failures}
    return compile_network(with_only(kb, failures=chosen, panels={"small": panel}), "small")


def small_case(*snapshots: SnapshotRecord, **changes: object) -> CaseRecord:
    """A case on the small panel."""
    fields: dict[str, object] = {
        "title": "small",
        "panel": "small",
        "context": ("visible_moisture", "below_freezing"),
        "snapshot": snapshots,
    }
    return CaseRecord(**(fields | changes))  # type: ignore[arg-type]
