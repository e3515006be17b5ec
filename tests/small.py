"""A knowledge base small enough to enumerate completely, cut from the shipped one."""

from __future__ import annotations

from functools import cache

from diagnose.knowledge import KnowledgeBase, load_knowledge, with_only
from diagnose.model import CaseRecord, Panel, SnapshotRecord
from diagnose.network import Network, compile_network

GAUGES = ("airspeed", "altimeter", "attitude", "heading", "suction", "turn_coordinator")
FAILURES = ("static_ports_taped", "pitot_ram_iced", "pump_sheared", "attitude_worn")


@cache
def shipped() -> KnowledgeBase:
    """The shipped knowledge base."""
    return load_knowledge()


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
