"""Comparisons with independent libraries: two of the atmosphere, two of inference.

The libraries are optional; without one its line says what to install.
"""

from __future__ import annotations

import importlib
import warnings
from collections.abc import Callable, Iterator, Sequence
from importlib.metadata import version
from typing import Any

import numpy as np

from diagnose import engine_for
from diagnose.knowledge.load import KnowledgeBase
from diagnose.language.case_files import case_paths, load_case
from diagnose.model.units import M_PER_FT, PA_PER_INHG
from diagnose.network.engine import Engine
from diagnose.network.pgmpy_bridge import elimination_cost, query_pgmpy
from diagnose.network.unrolled import NO_YES, Tables, at
from diagnose.physics.atmosphere import density_ratio, pressure_inhg, temperature_c
from diagnose.proof.cross_check import MOST_CELLS, Plan, plans
from diagnose.proof.outside.handbook import Line, compared, not_run
from diagnose.proof.outside.values import ATMOSPHERE

INFERENCE = "inference"
#: altitudes in ft at which the libraries are asked, over the range of light aircraft and beyond
HEIGHTS_FT = tuple(range(-1000, 36_001, 1000))
EARTH_M = 6_356_766.0
"""Radius that turns geopotential into geometric altitude. Source: ICAO Doc 7488."""
MOST_LEADING = 4
"""Leading failures of a case that the libraries are given, in any combination."""
TOLERANCE = 1e-9
"""Absolute, on a probability: the rounding of double precision over some thousand products."""


def optional(name: str) -> Any:
    """Import a library that need not be there; None without it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            return importlib.import_module(name)
        except ImportError:
            return None


# ------------------------------------------------------------------ atmosphere


def _ambiance(library: Any, geometric_m: float) -> tuple[float, float, float]:
    air = library.Atmosphere(geometric_m)
    return float(air.pressure[0]), float(air.temperature[0]), float(air.density[0])


def _fluids(library: Any, geometric_m: float) -> tuple[float, float, float]:
    air = library.ATMOSPHERE_1976(geometric_m)
    return float(air.P), float(air.T), float(air.rho)


def atmosphere_lines() -> Iterator[Line]:
    """Pressure, temperature and density at each 1,000 ft against both libraries."""
    for package, module, standard, ask in (
        ("ambiance", "ambiance", "ICAO Standard Atmosphere (Doc 7488)", _ambiance),
        ("fluids", "fluids.atmosphere", "US Standard Atmosphere 1976", _fluids),
    ):
        library = optional(module)
        what = f"pressure, temperature and density by the library {package}"
        if library is None:
            yield not_run(ATMOSPHERE, what, standard)
            continue
        height = np.array(HEIGHTS_FT, dtype=np.float64)
        geopotential_m = height * M_PER_FT
        theirs = np.array([ask(library, float(EARTH_M * h / (EARTH_M - h))) for h in geopotential_m]).T
        ours = np.array(
            [
                pressure_inhg(height) * PA_PER_INHG,
                temperature_c(height) + 273.15,
                density_ratio(height) * 1.225,
            ]
        )
        # relative: our constants carry seven digits; the inch of mercury is conventional
        yield compared(
            ATMOSPHERE,
            what,
            f"{standard}, {package} {version(package)}",
            (ours / theirs).ravel().tolist(),
            np.ones(ours.size).tolist(),
            2e-5,
            "relative",
            labels=[
                f"{name} at {h:,} ft" for name in ("pressure", "temperature", "density") for h in HEIGHTS_FT
            ],
        )


# ------------------------------------------------------------------ inference


def to_agrum(tables: Tables) -> Any:
    """Give the tables as a ``pyagrum.BayesNet``."""
    gum = importlib.import_module("pyagrum")
    model = gum.BayesNet()
    for name, states in tables.states.items():
        model.add(gum.LabelizedVariable(name, name, list(states)))
    for name, parents in tables.parents.items():
        # its tables count the node fastest, then the parents from the first added to the last; ours
        # have the last parent next to the node
        for parent in reversed(parents):
            model.addArc(parent, name)
        model.cpt(name).fillWith(tables.values[name].ravel().tolist())
    return model


def query_pyagrum(tables: Tables, nodes: Sequence[str]) -> Iterator[tuple[str, float]]:
    """Give each node's chance of "yes" under the evidence, by pyAgrum's lazy propagation."""
    inference = importlib.import_module("pyagrum").LazyPropagation(to_agrum(tables))
    inference.setEvidence(tables.evidence)
    inference.setTargets(set(nodes))
    inference.makeInference()
    yes = NO_YES.index("yes")
    for node in nodes:
        yield node, float(inference.posterior(node)[yes])


def inference_lines(
    kb: KnowledgeBase, engines: dict[str, Engine], told: Callable[[str], None]
) -> Iterator[Line]:
    """Every shipped case: the leading failures' chances by both libraries on the same network."""
    for package, query in (("pgmpy", query_pgmpy), ("pyagrum", query_pyagrum)):
        what = f"each shipped case's leading failures, any combination, by the library {package}"
        if optional(package) is None:
            yield not_run(INFERENCE, what, package)
            continue
        ours: list[float] = []
        theirs: list[float] = []
        labels: list[str] = []
        for number, name in enumerate(case_paths(), 1):
            if number % 10 == 0:
                told(f"inference by {package}: {number} of {len(case_paths())} cases")
            plan, tables = leading_plan(kb, name, engines)
            nodes = {at(f.id, len(plan.case.snapshot)): f.id for f in plan.network.failures}
            chances = plan.engine_chances()
            for node, chance in query(tables, list(nodes)):
                ours.append(chances[nodes[node]])
                theirs.append(chance)
                labels.append(f"{name}, {nodes[node]}")
        yield compared(
            INFERENCE,
            what,
            f"{package} {version(package)}",
            ours,
            theirs,
            TOLERANCE,
            "of a chance",
            labels=labels,
        )


def leading_plan(kb: KnowledgeBase, name: str, engines: dict[str, Engine]) -> tuple[Plan, Tables]:
    """A shipped case with as many of its leading failures and snapshots as a library carries easily."""
    case = load_case(name, kb)
    if case.panel not in engines:
        engines[case.panel] = engine_for(kb, case.panel)
    engine = engines[case.panel]
    marginals = engine.posterior(case).marginals
    leading = [engine.network.failures[i].id for i in np.argsort(-marginals, kind="stable")]
    for plan in plans(kb, case, leading):
        if plan.at_most or len(plan.network.failures) > MOST_LEADING:
            continue
        tables = plan.tables()
        cells, _ = elimination_cost(tables, at(plan.network.failures[0].id, len(plan.case.snapshot)))
        # a smaller table than the cross-check of one case may have: 38 cases are asked
        if cells <= MOST_CELLS / 50:
            return plan, tables
    raise AssertionError(f"no part of {name} fits")
