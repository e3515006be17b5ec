"""The unrolled network as a pgmpy DiscreteBayesianNetwork: reference inference and BIF export.

pgmpy is imported inside the functions, because that takes more than a second.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from diagnose.model import CaseRecord
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.network.nodes import NO_YES, Tables, at, certain, chance_of
from diagnose.network.tables import Network
from diagnose.network.unrolled import build_tables

#: what to say where pgmpy is not there
HOW_TO_GET = "install it: pip install pgmpy"
#: numbers of a table that are looked at to foresee how long its text is, and bytes of a row and of a node beside
#: names and numbers
SAMPLED, ROW_BYTES, NODE_BYTES = 500, 5, 120


# ------------------------------------------------------------------ pgmpy


def _quiet_import() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            import pgmpy.factors.discrete
            import pgmpy.inference
            import pgmpy.models
            import pgmpy.readwrite
        except ImportError as error:
            raise DiagnoseError(
                f"this needs pgmpy, which cannot be used here ({error})", mend=HOW_TO_GET
            ) from None
    return pgmpy


def to_pgmpy(tables: Tables) -> Any:
    """Give the tables as a pgmpy ``DiscreteBayesianNetwork``."""
    pgmpy = _quiet_import()
    model = pgmpy.models.DiscreteBayesianNetwork()
    model.add_nodes_from(tables.states)
    for name, parents in tables.parents.items():
        model.add_edges_from((parent, name) for parent in parents)
        states = tables.states[name]
        model.add_cpds(
            pgmpy.factors.discrete.TabularCPD(
                name,
                len(states),
                tables.values[name].reshape(-1, len(states)).T,
                evidence=list(parents) or None,
                evidence_card=[len(tables.states[parent]) for parent in parents] or None,
                state_names={node: list(tables.states[node]) for node in (name, *parents)},
            )
        )
    model.check_model()
    return model


def pgmpy_version() -> str:
    """The version of pgmpy that answers."""
    from importlib.metadata import version

    return version("pgmpy")


def query_pgmpy(tables: Tables, nodes: Sequence[str]) -> Iterator[tuple[str, float]]:
    """Give each node's chance of "yes" under the evidence, by pgmpy's variable elimination."""
    elimination = _quiet_import().inference.VariableElimination(to_pgmpy(tables))
    for node in nodes:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = elimination.query(
                [node], evidence=tables.evidence, elimination_order="greedy", show_progress=False
            )
        yield node, float(found.values[list(NO_YES).index("yes")])


def pgmpy_marginals(network: Network, case: CaseRecord) -> dict[str, float]:
    """Chance of each failure at the last snapshot by pgmpy's variable elimination."""
    nodes = {at(failure.id, len(case.snapshot)): failure.id for failure in network.failures}
    return {nodes[node]: chance for node, chance in query_pgmpy(build_tables(network, case).reachable(), list(nodes))}


def limit_failures(tables: Tables, network: Network, last: int, most: int) -> None:
    """Add the evidence that no more than ``most`` failures are there at the last snapshot.

    The engine leaves larger sets out; with this pgmpy sums over the same sets. A chain of nodes counts.
    """
    states = (*(str(count) for count in range(most + 1)), "more")
    previous = ""
    for failure in network.failures:
        here, name = at(failure.id, last), at(f"count_with_{failure.id}", last)

        def rule(state: dict[str, str], here: str = here, previous: str = previous) -> list[float]:
            count = (states.index(state[previous]) if previous else 0) + (state[here] == "yes")
            return certain(states, states[min(count, most + 1)])

        tables.add_rule(name, states, [parent for parent in (previous, here) if parent], rule)
        previous = name
    few = at(f"at_most_{most}", last)
    tables.add_rule(few, NO_YES, (previous,), lambda s: chance_of(float(s[previous] != "more")))
    tables.evidence[few] = "yes"


def elimination_cost(tables: Tables, node: str) -> tuple[float, float]:
    """Numbers in the largest table, and multiplications, that eliminating down to a node takes.

    Planned as pgmpy does it (greedy contraction of what evidence and node depend on), nothing computed.
    """
    import opt_einsum

    needed: set[str] = set()
    waiting = [node, *tables.evidence]
    while waiting:
        name = waiting.pop()
        if name not in needed:
            needed.add(name)
            waiting += tables.parents[name]
    letters = {name: opt_einsum.get_symbol(place) for place, name in enumerate(sorted(needed))}
    terms, shapes = [], []
    for name in tables.states:
        free = [n for n in (*tables.parents[name], name) if n in needed and n not in tables.evidence]
        if name in needed and free:
            terms.append("".join(letters[n] for n in free))
            shapes.append(tuple(len(tables.states[n]) for n in free))
    _, plan = opt_einsum.contract_path(
        f"{','.join(terms)}->{letters[node]}", *shapes, shapes=True, optimize="greedy"
    )
    return float(plan.largest_intermediate), float(plan.opt_cost)


def bif_of(network: Network, case: CaseRecord, told: Callable[[str], None] = lambda text: None) -> str:
    """Give the network of a case as BIF text, its evidence as ``property observed = <state>``.

    BIF has no place for evidence. Readers keep properties or pass over them; without them the text is
    the network before any reading. Probabilities keep all their digits. ``told`` hears how large the text
    will be before it is made. Raises CaseError for a case without snapshots, DiagnoseError without pgmpy.
    """
    if not case.snapshot:
        raise CaseError(
            "nothing has been said yet",
            mend="say what you were flying and what you saw: climb, airspeed falling",
        )
    pgmpy = _quiet_import()
    tables = build_tables(network, case)
    told(f"the network has {len(tables.states)} nodes; its text takes about {bif_bytes(tables) / 1e6:.1f} MB")
    model = to_pgmpy(tables)
    for name, state in tables.evidence.items():
        model.nodes[name]["observed"] = state
    return str(pgmpy.readwrite.BIFWriter(model))


def bif_bytes(tables: Tables) -> float:
    """About how many bytes the BIF text of these tables takes: the names of the parents' states and the numbers."""
    total = 0.0
    for name, values in tables.values.items():
        states, parents = tables.states[name], [tables.states[parent] for parent in tables.parents[name]]
        numbers = values.ravel()[:: max(1, values.size // SAMPLED)].tolist()
        digits = sum(len(repr(number)) for number in numbers) / len(numbers)
        named = sum(sum(map(len, known)) / len(known) + 2.0 for known in parents) + ROW_BYTES * bool(parents)
        total += (
            values.size / len(states) * named
            + values.size * (digits + 2.0)
            + NODE_BYTES
            + sum(map(len, states))
        )
    return total
