"""The unrolled network of a case in pyAgrum, a C++ library with its own junction trees."""

from __future__ import annotations

from diagnose.model import CaseRecord
from diagnose.network.nodes import at
from diagnose.network.tables import Network
from diagnose.network.unrolled import build_tables
from diagnose.proof.values import query_pyagrum, to_agrum

__all__ = ["agrum_marginals", "to_agrum"]


def agrum_marginals(network: Network, case: CaseRecord) -> dict[str, float]:
    """Chance of each failure at the last snapshot by pyAgrum's lazy propagation in a junction tree."""
    nodes = {at(failure.id, len(case.snapshot)): failure.id for failure in network.failures}
    found = query_pyagrum(build_tables(network, case).reachable(), list(nodes))
    return {nodes[node]: chance for node, chance in found}
