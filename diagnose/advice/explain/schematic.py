"""How the systems of a panel hang together, and what is in every line: the plumbing diagram before it is drawn.

The fittings stand in ``knowledge/plumbing.toml``; which dials depend on them follows from the network, and what a line
carries from the network's own rules: those of its source, with what lies before the line as it is and all behind
it sound. So a line before a blockage is normal and the line behind it is not.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Literal

import networkx as nx
import numpy as np

from diagnose.advice.witnesses import upstream
from diagnose.model import Fitting, System
from diagnose.network.tables import Network

#: systems that have plumbing, in the order in which they are drawn
SYSTEMS = (System.PITOT, System.STATIC, System.VACUUM, System.ELECTRICAL)
NORMAL, SHUT = "normal", "shut"


@dataclass(frozen=True, slots=True, kw_only=True)
class Node:
    """A fitting, a dial, or dials that depend on the same lines. ``flow``: the worst that comes into it.

    ``failed``: what is wrong with it itself, in words. ``openings``: opening -> whether it is blocked.
    ``column`` counts from the source of pressure, suction or current; ``row`` from the top.
    """

    id: str
    name: str
    system: System | None
    shape: str
    gauges: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()
    openings: tuple[tuple[str, bool], ...] = ()
    flow: str = NORMAL
    column: int = 0
    row: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """From one node into another. ``along``: the row in which it runs; "start" leaves in the row of its start."""

    start: str
    end: str
    flow: str
    along: int = 0
    turns: Literal["early", "late"] = "early"


@dataclass(frozen=True, slots=True, kw_only=True)
class Schematic:
    """Nodes and lines of some systems. ``independent``: dials that depend on none of these."""

    nodes: Mapping[str, Node]
    lines: tuple[Line, ...]
    independent: tuple[Node, ...]
    systems: tuple[System, ...]

    @property
    def columns(self) -> int:
        """How many columns there are."""
        return 1 + max((node.column for node in self.nodes.values()), default=0)


def schematic(
    network: Network,
    failures: Iterable[str] = (),
    switches: Mapping[str, str] | None = None,
    memories: Mapping[str, str] | None = None,
    *,
    systems: Collection[System] = SYSTEMS,
    share: bool = True,
) -> Schematic:
    """Give the plumbing of a panel with these failures. ``memories``: memory -> state, where it is not as at the start.

    ``share``: windows and lamps on the same lines share a node. Switches that are not named stand as usual. Raises CaseError for a switch or position that the panel lacks.
    """
    bad: dict[str, str] = {}
    for failure in failures:
        for part, condition in network.kb.failures[failure].acts.items():
            known = network.states.get(part, ())
            if part in network.parts and known.index(condition) >= known.index(bad.get(part, known[0])):
                bad[part] = condition
    drawn = _Plan(
        network, plumbing_graph(network), bad, network.switch_positions(switches or {}), memories or {}, share
    )
    return drawn.made(tuple(s for s in SYSTEMS if s in systems))


@dataclass(frozen=True)
class _Plan:
    """What is asked while a schematic is made."""

    network: Network
    graph: nx.DiGraph
    bad: Mapping[str, str]
    switches: Mapping[str, str]
    memories: Mapping[str, str]
    share: bool
    worked_out: dict[tuple[tuple[str, str], ...], dict[str, str]] = field(default_factory=dict)

    @cached_property
    def fittings(self) -> dict[str, Fitting]:
        """Those of this panel."""
        return {
            n: self.network.kb.fittings[n] for n, kind in self.graph.nodes(data="kind") if kind == "fitting"
        }

    def made(self, systems: tuple[System, ...]) -> Schematic:
        kb, fittings = self.network.kb, self.fittings
        fed: dict[tuple[tuple[str, ...], str], list[str]] = {}
        independent = []
        for gauge in (name for name, kind in self.graph.nodes(data="kind") if kind == "dial"):
            ends = tuple(self.graph.predecessors(gauge))
            if not ends:
                independent.append(gauge)
                continue
            alone = "" if self.share and kb.dials[gauge].kind in ("window", "lamp") else gauge
            fed.setdefault((ends, alone), []).append(gauge)
        nodes = {
            name: self._fitting(fitting) for name, fitting in fittings.items() if fitting.system in systems
        }
        lines = [
            Line(start=before, end=name, flow=self._flow(before, fittings[name].carries))
            for name in tuple(nodes)
            for before in self.graph.predecessors(name)
        ]
        for (known, _), gauges in fed.items():
            ends = tuple(end for end in known if end in nodes)
            if not ends:
                independent += [gauge for gauge in gauges if kb.gauges[gauge].instrument]
                continue
            lines += [Line(start=end, end=gauges[0], flow=self._into(end, gauges[0])) for end in ends]
            nodes[gauges[0]] = self._dials(gauges, nodes[ends[0]].system)
        for line in lines:
            # the mast stands among the pitot parts and feeds the static ones
            if line.start not in nodes:
                nodes[line.start] = replace(
                    self._fitting(fittings[line.start]), system=nodes[line.end].system
                )
        nodes = {
            name: nodes[name]
            for name in (*(f for f in fittings if f in nodes), *(n for n in nodes if nodes[n].gauges))
        }
        flows = list(kb.flows)
        for name in nodes:
            into = [line.flow for line in lines if line.end == name and line.flow != SHUT]
            worst = max(into, key=flows.index, default=NORMAL)
            nodes[name] = replace(nodes[name], flow=worst)
        apart = tuple(self._dials([gauge], None) for gauge in independent)
        return _placed(nodes, lines, apart, systems)

    def _fitting(self, fitting: Fitting) -> Node:
        return Node(
            id=fitting.id,
            name=fitting.name,
            system=fitting.system,
            shape=fitting.shape,
            failed=self._failed(fitting.parts),
            openings=tuple(
                (opening, any(self.bad.get(part) in blocked for part in fitting.parts))
                for opening, blocked in fitting.openings.items()
            ),
        )

    def _failed(self, parts: Iterable[str]) -> tuple[str, ...]:
        known = self.network.kb.parts
        return tuple(known[part].conditions[self.bad[part]] for part in parts if part in self.bad)

    def _dials(self, gauges: Sequence[str], system: System | None) -> Node:
        kb = self.network.kb
        failed: list[str] = []
        for gauge in gauges:
            parents = _parents(self.network, gauge)
            failed += self._failed(
                p for p in parents if p in kb.parts and kb.parts[p].system is System.INSTRUMENT
            )
            failed += [kb.memories[m].states[self.memories[m]] for m in parents
                       if m in self.memories and kb.memories[m].kind.value == "rotor"]  # fmt: skip
        return Node(
            id=gauges[0],
            name=", ".join(kb.dials[gauge].title for gauge in gauges),
            system=system,
            shape="dial" if kb.dials[gauges[0]].kind not in ("window", "lamp") else kb.dials[gauges[0]].kind,
            gauges=tuple(gauges),
            failed=tuple(dict.fromkeys(failed)),
        )

    # ------------------------------------------------------------------ what is in a line

    def _into(self, end: str, gauge: str) -> str:
        network, fitting = self.network, self.network.kb.fittings[end]
        parents = _parents(network, gauge)
        sources = [network.memories[n].memory.driver if n in network.memories else n for n in parents]
        known = [name for name in sources if name in network.sources]
        carried = next((s for s in known if set(fitting.parts) & _behind(network, s)), fitting.carries)
        # into a dial comes what all parts together make of it, even those of another line that rob it
        return self._flow(end, carried, tuple(self.fittings) if fitting.carries else ())

    def _flow(self, start: str, source: str, near: Collection[str] = ()) -> str:
        """What the line behind a fitting carries. ``near``: fittings that count, if not those before it."""
        fittings, network = self.fittings, self.network
        fitting = fittings[start]
        for part in fitting.parts:
            if (gives := fitting.gives.get(self.bad.get(part, ""))) is not None:
                return gives
        if any(self.switches.get(name, position) != position for name, position in fitting.opens.items()):
            return SHUT
        if source not in network.sources:
            into = [self._flow(name, fittings[name].carries) for name in self.graph.predecessors(start)]
            return into[0] if into else NORMAL
        near = near or {start, *nx.ancestors(self.graph, start)}
        bad = {p: c for p, c in self.bad.items() if any(p in fittings[name].parts for name in near)}
        set_so = {name for f in near for name in fittings[f].opens}
        usual = {name: network.kb.switches[name].positions[0] for name in self.switches}
        switches = {name: at if name in set_so else usual[name] for name, at in self.switches.items()}
        condition = self._states({**bad, **(self.memories if bad else {})}, switches)[source]
        found = (flow.id for flow in network.kb.flows.values() if f"{source}.{condition}" in flow.of)
        return next(found, NORMAL)

    def _states(self, bad: Mapping[str, str], switches: Mapping[str, str]) -> dict[str, str]:
        """Condition of every source with these parts and memories as they are; most lines ask the same."""
        network = self.network
        key = (*sorted(bad.items()), *sorted(switches.items()))
        if key not in self.worked_out:
            given = {
                name: np.array([network.states[name].index(to)], dtype=np.int8) for name, to in bad.items()
            }
            state = network.conditions(given, switches, 1)
            self.worked_out[key] = {
                name: network.states[name][int(state[name][0])] for name in network.sources
            }
        return self.worked_out[key]


# ------------------------------------------------------------------ the graph: which dial depends on what


def plumbing_graph(network: Network) -> nx.DiGraph:
    """Give the plumbing of a panel as one graph: fittings in the order of the lines, then the dials they lead to.

    Nodes have a ``kind``, "fitting" or "dial"; a dial without an edge into it is independent of all lines.
    """
    kb = network.kb
    graph = nx.DiGraph(panel=network.panel.id)
    here = [name for name, fitting in kb.fittings.items() if fitting.parts[0] in network.parts]
    graph.add_nodes_from(here, kind="fitting")
    graph.add_edges_from((a, name) for name in here for a in kb.fittings[name].after if a in here)
    for gauge in network.dial_gauges:
        if gauge not in kb.dials:
            continue
        parents = _parents(network, gauge)
        parts = {part for parent in parents for part in _behind(network, parent)}
        carried = upstream(network, parents) | {""}
        # a line that carries what this gauge does not read may rob it, but does not lead to it
        way = [n for n in here if parts & set(kb.fittings[n].parts) and kb.fittings[n].carries in carried]
        passed = {before for name in way for before in nx.ancestors(graph, name)}
        graph.add_node(gauge, kind="dial")
        graph.add_edges_from((name, gauge) for name in way if name not in passed)
    return graph


def _parents(network: Network, gauge: str) -> tuple[str, ...]:
    """What a gauge's own readings rest on; what compares it with another instrument does not count."""
    kb, known = network.kb, network.kb.gauges[gauge]
    others = {
        parent
        for other in network.dial_gauges
        if other != gauge
        for parent in network.facets[f"{other}.{network.kb.gauges[other].facets[0].id}"].parents
        if parent in network.parts and network.kb.parts[parent].system is System.INSTRUMENT
    }
    first = network.facets[f"{gauge}.{known.facets[0].id}"].parents
    found = dict.fromkeys((*first, *([known.power] if known.power else [])))
    for facet in known.facets[1:]:
        parents = network.facets[f"{gauge}.{facet.id}"].parents
        if not (set(parents) - set(first)) & others:
            found |= dict.fromkeys(parents)
    return tuple(
        n for n in found if n not in kb.parts or kb.parts[n].system not in (System.AIR, System.PILOT)
    )


def _behind(network: Network, name: str) -> frozenset[str]:
    """All parts that can decide a source, or what drives a memory."""
    if name in network.memories:
        return _behind(network, network.memories[name].memory.driver)
    if name not in network.sources:
        return frozenset([name])
    return frozenset(
        part
        for rule in network.rules[name]
        for asked in rule.when
        if asked in network.parts or asked in network.sources
        for part in _behind(network, asked)
    )


# ------------------------------------------------------------------ rows and columns


def _placed(
    nodes: dict[str, Node], lines: Sequence[Line], alone: tuple[Node, ...], systems: tuple[System, ...]
) -> Schematic:
    """Put every node into a cell of its own, so that no two can overlap."""
    into = {name: [line for line in lines if line.end == name] for name in nodes}
    out = {name: [line for line in lines if line.start == name] for name in nodes}
    graph = nx.DiGraph((line.start, line.end) for line in lines)
    graph.add_nodes_from(nodes)
    column = {name: depth for depth, names in enumerate(nx.topological_generations(graph)) for name in names}
    last = max((column[name] for name in nodes if not nodes[name].gauges), default=0) + 1
    column |= {name: last for name in nodes if nodes[name].gauges}
    row: dict[str, int] = {}
    taken: dict[int, list[tuple[int, int]]] = {}
    first = 0

    def free(at: int, low: int, high: int) -> bool:
        return all(high < a or low > b for a, b in taken.get(at, ()))

    def put(name: str, at: int, low: int, high: int) -> None:
        while not free(at, low, high):
            at += 1
        row[name] = at
        taken.setdefault(at, []).append((low, high))

    def visit(name: str, at: int, low: int) -> None:
        ahead = [
            line.end
            for line in out[name]
            if line.end not in row and nodes[line.end].system is nodes[name].system
        ]
        waits = [column[line.end] for line in out[name] if line.end in row]
        # a line that joins another one keeps its row free until it gets there
        put(name, at, low, max([column[name], *(w - 1 for w in waits)]))
        for place, end in enumerate(ahead):
            if end not in row:
                visit(end, row[name] + (place > 0), column[name] + 1)

    for system in systems:
        inside = [name for name in nodes if nodes[name].system is system]
        roots = [n for n in inside if not any(nodes[line.start].system is system for line in into[n])]
        for name in roots:
            if name in row:
                continue
            joined = [row[line.end] + 1 for line in out[name] if line.end in row]
            visit(name, max([first, *joined[:1]]), 0 if not into[name] else column[name])
        used = [row[name] for name in inside]
        first = max(used, default=first - 1) + 1
    extra = max(row.values(), default=0) + 1
    cells = {(row[name], column[name]) for name in nodes}
    routed = []
    for line in lines:
        a, b = line.start, line.end
        between = range(column[a] + 1, column[b])
        if not any((row[b], c) in cells for c in between):
            routed.append(_route(line, row[b], "early"))
        elif not any((row[a], c) in cells for c in between):
            routed.append(_route(line, row[a], "late"))
        else:
            routed.append(_route(line, extra, "early"))
            extra += 1
    at = {name: replace(node, column=column[name], row=row[name]) for name, node in nodes.items()}
    return Schematic(nodes=at, lines=tuple(routed), independent=alone, systems=systems)


def _route(line: Line, along: int, turns: Literal["early", "late"]) -> Line:
    return Line(start=line.start, end=line.end, flow=line.flow, along=along, turns=turns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """Where a line turns: up to two vertical runs, each (gutter before this column, lane in it), or None."""

    first: tuple[int, int] | None
    last: tuple[int, int] | None


def bends(drawn: Schematic) -> tuple[dict[Line, Bend], dict[int, int]]:
    """Give every line lanes of its own where it turns, so that no two lie on each other; and lanes by gutter.

    Lines from one node that carry the same share a lane.
    """
    runs: dict[int, dict[tuple[str, str, str], list[int]]] = {}
    wanted = []
    for line in drawn.lines:
        start, end = drawn.nodes[line.start], drawn.nodes[line.end]
        early = (start.column + 1, (line.start, line.flow, "early"))
        late = (end.column, (line.start, line.flow, "late"))
        first = early if line.along != start.row else None
        last = late if line.along != end.row else None
        for turn, passed in ((first, (start.row, line.along)), (last, (line.along, end.row))):
            if turn is not None:
                runs.setdefault(turn[0], {}).setdefault(turn[1], []).extend(passed)
        wanted.append((line, first, last))
    lanes: dict[tuple[int, tuple[str, str, str]], int] = {}
    widths: dict[int, int] = {}
    for gutter, nets in runs.items():
        taken: list[list[tuple[int, int]]] = []
        for net, rows in sorted(nets.items(), key=lambda item: max(item[1]) - min(item[1])):
            low, high = min(rows), max(rows)
            lane = next(
                (n for n, t in enumerate(taken) if all(high < a or low > b for a, b in t)), len(taken)
            )
            if lane == len(taken):
                taken.append([])
            taken[lane].append((low, high))
            lanes[gutter, net] = lane
        widths[gutter] = len(taken)

    def lane_of(turn: tuple[int, tuple[str, str, str]] | None) -> tuple[int, int] | None:
        return None if turn is None else (turn[0], lanes[turn])

    return {line: Bend(first=lane_of(first), last=lane_of(last)) for line, first, last in wanted}, widths


def concerned(drawn: Schematic) -> tuple[System, ...]:
    """Systems in which something has failed, or a line does not carry what it should."""
    hurt = {node.system for node in drawn.nodes.values() if node.failed or node.flow != NORMAL}
    return tuple(system for system in drawn.systems if system in hurt)
