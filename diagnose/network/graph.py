"""The lines of a panel as a graph: from parts by sources and memories to gauges, as the knowledge has them.

Nothing is worked out here that an answer waits for: the engine knows the same by its tables.
"""

from __future__ import annotations

from collections.abc import Iterator

import networkx as nx

from diagnose.knowledge.load import KnowledgeBase

#: kinds of nodes; an edge runs from what is followed to what follows, and ``later`` marks one into a memory.
#: A gauge's node is (GAUGE, its id): the suction gauge is not the suction.
PART, SOURCE, MEMORY, GAUGE = "part", "source", "memory", "gauge"


def lines_of(kb: KnowledgeBase, panel: str) -> nx.DiGraph:
    """Give the graph of a panel; every node has a ``kind``. What a panel lacks is in none of its lines.

    A gauge follows what its readings rest on and the power that it runs on; what drives a memory feeds it in the
    next moment.
    """
    here = kb.panel(panel)
    graph = nx.DiGraph(panel=panel)
    kinds = {
        **dict.fromkeys(here.parts, PART),
        **dict.fromkeys(kb.sources, SOURCE),
        **dict.fromkeys(kb.memories, MEMORY),
    }
    graph.add_nodes_from((name, {"kind": kind}) for name, kind in kinds.items())
    known = {*kinds, *here.switches, *kb.circumstances}
    for source in kb.sources.values():
        asked = {name for rule in source.rules if set(rule.when) <= known for name in rule.when}
        graph.add_edges_from((name, source.id) for name in asked if name in kinds)
    for memory in kb.memories.values():
        graph.add_edge(memory.driver, memory.id, later=True)
    for gauge in here.gauges:
        record, node = kb.gauges[gauge], (GAUGE, gauge)
        parents = {name for facet in record.facets for name in facet.parents} | {record.power}
        graph.add_node(node, kind=GAUGE)
        graph.add_edges_from((name, node) for name in parents if name in kinds)
    return graph


def feeds(graph: nx.DiGraph, gauge: str) -> set[str]:
    """Give all that a gauge's readings rest on: its own parts and memories, and every source, near and far."""
    lines = nx.subgraph_view(graph, filter_node=lambda name: graph.nodes[name]["kind"] != PART)
    far = {name for name in nx.ancestors(lines, (GAUGE, gauge)) if graph.nodes[name]["kind"] == SOURCE}
    return far | set(graph.predecessors((GAUGE, gauge)))


def line_problems(kb: KnowledgeBase) -> Iterator[str]:
    """Sources that follow from themselves, gauges cut off from all that they rest on, failures that nothing shows."""
    # air and pilot show in the motion, which every gauge follows
    reached = {variation.part for variation in kb.variations.values()}
    for panel in kb.panels:
        graph = lines_of(kb, panel)
        now = graph.edge_subgraph(edge for edge in graph.edges if not graph.edges[edge].get("later"))
        if not nx.is_directed_acyclic_graph(now):
            circle = [name for name, _ in nx.find_cycle(now)]
            yield f"{kb.at('sources', circle[0])}: sources follow from themselves: {' -> '.join(circle)}"
            return
        for gauge in kb.panel(panel).gauges:
            rests_on = {name for facet in kb.gauges[gauge].facets for name in facet.parents}
            if rests_on and not graph.in_degree((GAUGE, gauge)):
                yield f"{kb.at('panels', panel)}: nothing that the {kb.gauges[gauge].name} rests on is fitted"
        reached |= {
            part for part in kb.panel(panel).parts if any(map(_is_gauge, nx.descendants(graph, part)))
        }
    for failure in kb.failures.values():
        if not set(failure.acts) & reached:
            yield f"{kb.at('failures', failure.id)}: no gauge of any panel shows what it acts on"


def _is_gauge(node: object) -> bool:
    return isinstance(node, tuple)
