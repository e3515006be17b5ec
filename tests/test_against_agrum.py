"""The engine and pgmpy against pyAgrum's junction tree on the same tables, with complete enumeration.

Reference: pyAgrum 3.3, LazyPropagation. Tolerance 1e-9 absolute, the rounding of double precision over
some thousand products.
"""

from __future__ import annotations

import pytest

from diagnose.network.engine import Engine
from diagnose.network.pgmpy_bridge import pgmpy_marginals
from tests.agrum_bridge import agrum_marginals
from tests.small import small_case, small_network
from tests.test_against_pgmpy import CLIMB, LEANING, LEVEL, SEQUENCES, TOLERANCE

pytest.importorskip("pyagrum", reason="the test extra installs it")


def engine_marginals(network, case):
    posterior = Engine(network, largest_set=len(network.failures)).posterior(case)
    return dict(zip([f.id for f in network.failures], posterior.marginals.tolist(), strict=True))


@pytest.mark.parametrize("snapshots", SEQUENCES.values(), ids=SEQUENCES.keys())
def test_both_libraries_and_the_engine_agree(snapshots):
    network, case = small_network(), small_case(*snapshots)
    reference = agrum_marginals(network, case)
    assert pgmpy_marginals(network, case) == pytest.approx(reference, abs=TOLERANCE)
    assert engine_marginals(network, case) == pytest.approx(reference, abs=TOLERANCE)


@pytest.mark.parametrize("setting", ["routine", "exercise"])
def test_four_snapshots_equal_the_junction_tree(setting):
    """Longer than pgmpy's elimination can take in a test; from five on the tree, too, takes minutes."""
    network = small_network()
    case = small_case(LEVEL, CLIMB, LEANING, LEVEL, setting=setting)
    assert engine_marginals(network, case) == pytest.approx(agrum_marginals(network, case), abs=TOLERANCE)


def test_intermittent_and_hastened_failures_equal_the_junction_tree():
    network = small_network(("pump_weak", "pump_sheared", "pitot_water", "suction_gauge_stuck"))
    case = small_case(LEVEL, CLIMB, LEANING)
    assert engine_marginals(network, case) == pytest.approx(agrum_marginals(network, case), abs=TOLERANCE)
