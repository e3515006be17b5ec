"""A section of the evidence, before it is known where it will be shown."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A heading with texts, then a table: ``heads`` name the cells of each row, the last is its detail.

    ``bullets`` are separate remarks; ``svg`` is a picture for the page.
    """

    title: str
    texts: tuple[str, ...] = ()
    bullets: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    svg: str = ""
