"""The evidence as text of a given width, and as data for JSON."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from diagnose.knowledge.load import KnowledgeBase
from diagnose.proof.outside import Evidence
from diagnose.proof.outside.document import judgement_of, sections, total_of
from diagnose.proof.outside.section import Section
from diagnose.render.text import CAUTION, fill

#: the detail of a row stands under it, not under its last cell, which would leave little room
DETAIL = " " * 10


def render(found: Evidence, kb: KnowledgeBase, width: int = 80) -> str:
    """The whole document as text."""
    parts = [section_text(section, width) for section in sections(found, kb)]
    return "\n\n".join([*parts, fill(CAUTION, width)])


def section_text(section: Section, width: int) -> str:
    """A section: heading, texts, remarks, table."""
    lines = [section.title, "-" * len(section.title)]
    lines += [fill(text, width) for text in section.texts]
    lines += [fill(text, width, "  - ", "    ") for text in section.bullets]
    if section.rows:
        lines += _table(section.heads, section.rows, width)
    return "\n".join(lines)


def _table(heads: tuple[str, ...], rows: Iterable[tuple[str, ...]], width: int) -> list[str]:
    """Short cells side by side, then what the row is about; its detail stands below."""
    listed = list(rows)
    short = range(len(heads) - 2)
    wide = [max(len(row[i]) for row in (heads, *listed)) for i in short]

    def lead(row: tuple[str, ...]) -> str:
        return "".join(f"  {row[i]:<{wide[i]}}" for i in short) + "  "

    indent = " " * len(lead(heads))
    lines = [fill(heads[-2], width, lead(heads), indent)]
    for row in listed:
        lines.append(fill(row[-2], width, lead(row), indent))
        if row[-1]:
            lines.append(fill(row[-1], width, DETAIL))
    return lines


def to_data(found: Evidence) -> dict[str, Any]:
    """The findings as plain data."""
    values, right = total_of(found)
    judged, numbers = judgement_of(found)
    return {
        "made_with": found.made_with,
        "values": values,
        "agree": right,
        "unexplained": [line.what for line in found.faults],
        "lines": [asdict(line) | {"result": line.result.value} for line in found.lines],
        "numbers": {
            "total": numbers,
            "judgement": judged,
            "tables": {k: dict(v) for k, v in found.numbers.items()},
        },
        "sensitivity": asdict(found.sensitivity) if found.sensitivity else None,
    }
