"""The plumbing of a panel as text: a line for each way from a source to a dial."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping

from diagnose.advice.explain.schematic import (
    NORMAL,
    SHUT,
    SYSTEMS,
    Node,
    Schematic,
    bends,
    concerned,
    schematic,
)
from diagnose.advice.explain.why import Reasons
from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import CaseRecord, System
from diagnose.network.tables import Network
from diagnose.render.text import fill

FAILED = "X "
#: of a dial that is there to show what a line carries
SHOWS_IT = "shows it"
#: what is set out for no screen at all is told in words
WIDEST_DRAWN = 1000


def plumbing_text(
    network: Network,
    failures: Iterable[str] = (),
    switches: Mapping[str, str] | None = None,
    memories: Mapping[str, str] | None = None,
    *,
    systems: Collection[System] = SYSTEMS,
    width: int = 80,
    only_concerned: bool = False,
) -> str:
    """Draw these systems with these failures; a dial that two systems feed stands in both.

    ``only_concerned``: leave out the systems in which everything is as it should be.
    """
    failures, kb = tuple(failures), network.kb
    if width > WIDEST_DRAWN:
        drawn = schematic(network, failures, switches, memories, systems=systems)
        return in_words(drawn, kb)
    flows: dict[str, None] = {}
    blocks: list[str] = []
    for system in (s for s in SYSTEMS if s in systems):
        drawn = schematic(network, failures, switches, memories, systems=(system,), share=False)
        if only_concerned and not concerned(drawn):
            continue
        if drawn.nodes:
            flows |= dict.fromkeys(line.flow for line in drawn.lines)
            notes = (fill(note, width, "  ", "    ") for note in _notes(drawn.nodes.values()))
            blocks.append("\n".join([system.value.upper(), *_drawing(drawn, kb, width), *notes]))
    alone = schematic(network, failures).independent
    hurt = list(_notes(alone))
    if alone and (hurt or not only_concerned):
        listed = ", ".join((FAILED if node.failed else "") + node.name for node in alone)
        blocks.append("\n".join(fill(text, width, "", "  ") for text in (f"INDEPENDENT  {listed}", *hurt)))
    used = [f"{kb.flows[name].sign * 2} {kb.flows[name].name}" for name in kb.flows if name in flows]
    key = fill("   ".join([*used, *(["X failed"] if failures else [])]), width)
    return "\n".join([*blocks, key]) if flows else "\n".join(blocks)


def reached_text(network: Network, case: CaseRecord, reasons: Reasons, width: int = 80) -> str:
    """Draw what an explanation does to the lines, as the switches and memories stand where the case ends."""
    switches = case.snapshot[-1].switches if case.snapshot else {}
    memories = {name: state for name, state in reasons.states.items() if name in network.memories}
    return plumbing_text(network, reasons.explanation, switches, memories, width=width, only_concerned=True)


def short_flow(kb: KnowledgeBase, flow: str) -> str:
    """A flow in a word or two."""
    return kb.flows[flow].name.partition(" (")[0].partition(",")[0]


def shows_it(node: Node, kb: KnowledgeBase) -> bool:
    """Whether a dial into which something else comes is there to show that, and so tells the truth."""
    carried = {fitting.carries for fitting in kb.fittings.values()}
    tells = all(carried & {*kb.gauges[gauge].tells_of} for gauge in node.gauges)
    return node.flow != NORMAL and bool(node.gauges) and tells


def in_words(drawn: Schematic, kb: KnowledgeBase) -> str:
    """The picture for who does not see it: what has failed, and what comes to which dials."""
    nodes = (*drawn.nodes.values(), *drawn.independent)
    failed = "; ".join(f"{n.name}: {', '.join(n.failed)}" for n in nodes if n.failed)
    reached: dict[str, list[str]] = {}
    for node in drawn.nodes.values():
        if node.gauges:
            comes = SHOWS_IT if shows_it(node, kb) else f"What comes is {short_flow(kb, node.flow)}"
            reached.setdefault(comes, []).append(node.name)
    lines = [f"Failed: {failed}." if failed else "Nothing has failed in the lines."]
    lines += [f"{comes[0].upper()}{comes[1:]}: {', '.join(names)}." for comes, names in reached.items()]
    if drawn.independent:
        lines.append(f"Independent of all these: {', '.join(node.name for node in drawn.independent)}.")
    return "\n".join(lines)


def _notes(nodes: Iterable[Node]) -> Iterator[str]:
    for node in nodes:
        if node.failed:
            openings = ", ".join(f"{name} {'blocked' if shut else 'open'}" for name, shut in node.openings)
            yield f"{FAILED}{node.name}: {'; '.join(node.failed)}" + (f" [{openings}]" if openings else "")


def _drawing(drawn: Schematic, kb: KnowledgeBase, width: int) -> list[str]:
    """Labels in columns, lines between them in the sign of what they carry; lines are short where room is."""
    wide = _sheet(drawn, kb, 2)
    lines = wide if max(map(len, wide)) <= width else _sheet(drawn, kb, 1)
    return [line if len(line) <= width else f"{line[: width - 1]}…" for line in lines]


def _sheet(drawn: Schematic, kb: KnowledgeBase, least: int) -> list[str]:
    turns, lanes = bends(drawn)
    label = {name: (FAILED if node.failed else "") + node.name
             for name, node in drawn.nodes.items()}  # fmt: skip
    wide = [max((len(label[n]) for n, node in drawn.nodes.items() if node.column == c and not node.gauges), default=0)
            for c in range(drawn.columns)]  # fmt: skip
    left, x = [], 2
    for column in range(drawn.columns):
        x += (2 + least + 2 * max(lanes.get(column, 1) - 1, 0)) if column else 0
        left.append(x)
        x += wide[column]
    high = 1 + max(
        max((n.row for n in drawn.nodes.values()), default=0),
        max((li.along for li in drawn.lines), default=0),
    )
    sheet = [[" "] * (x + 2) for _ in range(high)]

    def lane_x(turn: tuple[int, int]) -> int:
        return left[turn[0]] - 2 - 2 * turn[1]

    flows = list(kb.flows)
    later = sorted(drawn.lines, key=lambda li: flows.index(li.flow) if li.flow != SHUT else -1)
    corners: list[tuple[int, int]] = []
    upright: list[tuple[int, int, int, str]] = []
    for line in later:
        start, end = drawn.nodes[line.start], drawn.nodes[line.end]
        sign = kb.flows[line.flow].sign
        begin, stop = left[start.column] + len(label[line.start]) + 1, left[end.column] - 1
        bend = turns[line]
        one = lane_x(bend.first) if bend.first else None
        two = lane_x(bend.last) if bend.last else None
        runs = [(start.row, begin, one if one is not None else two if two is not None else stop)]
        if one is not None:
            runs.append((line.along, one, two if two is not None else stop))
        if two is not None:
            runs.append((end.row, two, stop))
        for row, low, to in runs:
            for place in range(low, to):
                sheet[row][place] = sign
        for at, rows in ((one, (start.row, line.along)), (two, (line.along, end.row))):
            if at is not None:
                upright.append((at, min(rows), max(rows), "|" if line.flow in (NORMAL, SHUT) else sign))
                corners += [(row, at) for row in rows]
    for at, low, to, sign in upright:
        for row in range(low, to + 1):
            sheet[row][at] = sign
    for row, at in corners:
        sheet[row][at] = "+"
    lines = []
    for number, row_signs in enumerate(sheet):
        for name, node in drawn.nodes.items():
            if node.row == number and not node.gauges:
                row_signs[left[node.column] : left[node.column] + len(label[name])] = label[name]
        dials = [name for name, node in drawn.nodes.items() if node.row == number and node.gauges]
        text = "".join(row_signs).rstrip()
        if dials:
            text = f"{text[: left[drawn.columns - 1] - 1]} {label[dials[0]]}"
        lines.append(text)
    return lines
