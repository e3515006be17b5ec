"""The unrolled network of a case in pyAgrum, a C++ library with its own junction trees.

Built from the same tables as the pgmpy network. pyAgrum is imported inside the functions, because only
one test and the benchmarks need it.
"""

from __future__ import annotations

from typing import Any

from diagnose.model import CaseRecord
from diagnose.network import Network
from diagnose.pgmpy_bridge import Tables, at, build_tables


def to_agrum(tables: Tables) -> Any:
    """Give the tables as a ``pyagrum.BayesNet``."""
    import pyagrum

    net = pyagrum.BayesNet()
    for name, states in tables.states.items():
        net.add(pyagrum.LabelizedVariable(name, name, list(states)))
    for name, parents in tables.parents.items():
        # its tables count the node fastest, then the parents from the first added to the last; ours
        # have the last parent next to the node
        for parent in reversed(parents):
            net.addArc(parent, name)
        net.cpt(name).fillWith(tables.values[name].ravel().tolist())
    return net


def agrum_marginals(network: Network, case: CaseRecord) -> dict[str, float]:
    """Chance of each failure at the last snapshot by pyAgrum's lazy propagation in a junction tree."""
    import pyagrum

    tables = build_tables(network, case)
    net = to_agrum(tables)
    inference = pyagrum.LazyPropagation(net)
    inference.setEvidence(tables.evidence)
    names = {failure.id: at(failure.id, len(case.snapshot)) for failure in network.failures}
    inference.setTargets(set(names.values()))
    inference.makeInference()
    return {
        failure: float(inference.posterior(name)[tables.states[name].index("yes")])
        for failure, name in names.items()
    }
