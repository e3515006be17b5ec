"""What the tool was checked against, from outside the project: every check run afresh.

``gather`` runs them; ``document`` puts the findings into words, what was not shown first; ``show`` and
``page`` write that for a terminal and for a browser.
"""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from diagnose import __version__
from diagnose.knowledge.load import KnowledgeBase
from diagnose.model.errors import KnowledgeError
from diagnose.network.engine import Engine
from diagnose.proof.outside.handbook import Line, Result, handbook_lines, incident_lines
from diagnose.proof.outside.libraries import atmosphere_lines, inference_lines
from diagnose.proof.outside.values import value_lines
from diagnose.proof.sensitivity import Sensitivity, load_result, origin_counts

__all__ = ["Evidence", "Line", "Result", "gather"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """All lines, where the numbers come from, which of them matter (None: not measured), and on what it ran."""

    lines: tuple[Line, ...]
    numbers: Mapping[str, Mapping[str, int]]
    sensitivity: Sensitivity | None
    made_with: str

    @property
    def faults(self) -> tuple[Line, ...]:
        """Lines with a difference that nothing in the knowledge explains."""
        return tuple(line for line in self.lines if line.surprising)


def all_lines(kb: KnowledgeBase, told: Callable[[str], None]) -> Iterator[Line]:
    """Run every check; ``told`` hears of the progress."""
    engines: dict[str, Engine] = {}
    yield from incident_lines(kb, engines, told)
    yield from handbook_lines(kb, engines, told)
    yield from value_lines(kb)
    yield from atmosphere_lines()
    yield from inference_lines(kb, engines, told)


def gather(kb: KnowledgeBase, told: Callable[[str], None] = lambda _: None) -> Evidence:
    """Run every check and collect what is stored; takes about a minute."""
    try:
        sensitivity = load_result()
    except KnowledgeError:
        sensitivity = None
    return Evidence(
        lines=tuple(all_lines(kb, told)),
        numbers=origin_counts(kb),
        sensitivity=sensitivity,
        made_with=f"diagnose {__version__}, Python {platform.python_version()}",
    )
