"""The manual: one text a topic, read as help on a terminal and as one page.

The texts stand beside this module in a small part of Markdown: headings, paragraphs, points, quotes, tables of
which every cell is one line, and screens between fences. ``{commands}`` on a line of its own stands for the
commands of the prompt, which the caller gives: they have one text, that of their own help.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from html import escape
from importlib import resources
from typing import NamedTuple

from diagnose.render.layout import fill, table
from diagnose.render.pages.page import heading, page

#: in the order of the manual
TOPICS = ("prompt", "story", "guide", "worksheet", "why", "failures", "looks", "scenario", "drill", "review", "files", "proof")  # fmt: skip

#: other words for a topic
MEANT = {
    "scenario": ("instructor", "teaching", "teach", "students", "tabletop", "debrief", "handout", "scenarios", "team", "teams"),
    "drill": ("student", "practice", "practise", "learn", "learning", "exercise", "exercises", "quiz"),
    "review": ("flight", "recording", "csv", "recorded"),
}  # fmt: skip

Rows = Sequence[tuple[str, ...]]


class Block(NamedTuple):
    """One piece of a text; ``rows`` are those of a table."""

    kind: str
    text: str
    rows: Rows = ()


@cache
def source(topic: str) -> str:
    """Give the text of a topic as it is stored. Raises KeyError."""
    if topic not in TOPICS:
        raise KeyError(topic)
    return (resources.files(__name__) / f"{topic}.md").read_text(encoding="utf-8")


def topic_of(asked: str) -> str:
    """The topic that a word means; "" for none."""
    return asked if asked in TOPICS else next((topic for topic, ways in MEANT.items() if asked in ways), "")


def title(topic: str) -> str:
    """Give the heading of a topic. Raises KeyError."""
    return source(topic).partition("\n")[0].lstrip("# ")


def blocks(text: str, commands: Rows) -> Iterator[Block]:
    """Give the pieces of a text in their order."""
    for piece in re.findall(r"^```.*?^```$|^(?:(?!```)[^\n]+\n?)+", text, re.MULTILINE | re.DOTALL):
        lines = piece.strip("\n").split("\n")
        if lines[0].startswith("```"):
            yield Block("screen", "\n".join(lines[1:-1]))
        elif lines[0] == "{commands}":
            yield Block("table", "", commands)
        elif lines[0].startswith("|"):
            yield Block("table", "", [_cells(line) for line in lines if not set(line) <= set("|-: ")])
        elif lines[0].startswith("#"):
            yield Block("heading", lines[0].lstrip("# "))
        elif lines[0].startswith("- "):
            yield from (Block("point", line.removeprefix("- ")) for line in lines)
        else:
            yield Block("quote" if lines[0].startswith("> ") else "paragraph", " ".join(lines).lstrip("> "))


def _cells(line: str) -> tuple[str, ...]:
    return tuple(cell.strip() for cell in line.strip("|").split("|"))


def as_text(topic: str, commands: Rows, width: int) -> str:
    """Give a topic as lines of a width. Raises KeyError."""
    told: list[str] = []
    before = ""
    for kind, text, rows in blocks(source(topic), commands):
        bare = _bare(text)
        if kind == "table" and all(len(row) == 2 for row in rows):
            bare = table([(f"  {_bare(left)}", _bare(right)) for left, right in rows], width)
        elif kind == "table":
            bare = "\n".join(
                fill("; ".join(filter(None, map(_bare, row))), width, "  - ", "    ") for row in rows
            )
        elif kind == "heading":
            bare = bare.upper()
        elif kind == "screen":
            bare = text
        else:
            lead, later = ("  - ", "    ") if kind == "point" else ("", "")
            bare = fill(bare, width, lead, later)
        told.append(("" if kind == before == "point" else "\n" if told else "") + bare)
        before = kind
    return "\n".join(told)


def _bare(text: str) -> str:
    """A text without its marks."""
    return re.sub(r"\*\*(.+?)\*\*", r"\1", text).replace("`", "")


def as_page(commands: Rows, usages: Iterable[tuple[str, str]]) -> str:
    """Give the whole manual as one page; ``usages``: the name of each command and what its own help says."""
    body = [heading(1, "Manual of diagnose"), _contents()]
    for topic in TOPICS:
        before = ""
        for block in blocks(source(topic), commands):
            if "point" in (block.kind, before) and block.kind != before:
                body.append("<ul>" if block.kind == "point" else "</ul>")
            body.append(_tagged(block, topic if block.kind == "heading" and not before else ""))
            before = block.kind
        body += ["</ul>"] if before == "point" else []
    body.append('<h2 id="usage">Every command and its options</h2>')
    body += [f"<h3>{escape(name)}</h3><pre>{escape(usage)}</pre>" for name, usage in usages]
    return page("Manual of diagnose", body)


def _contents() -> str:
    links = "".join(f'<li><a href="#{topic}">{escape(title(topic))}</a></li>' for topic in TOPICS)
    return f'<ul>{links}<li><a href="#usage">Every command and its options</a></li></ul>'


def _tagged(block: Block, topic: str) -> str:
    match block.kind:
        case "heading":
            return (
                f'<h2 id="{topic}">{_marked(block.text)}</h2>' if topic else f"<h3>{_marked(block.text)}</h3>"
            )
        case "screen":
            return f"<pre>{escape(block.text)}</pre>"
        case "table":
            rows = "".join(
                "<tr>" + "".join(f"<td>{_marked(cell)}</td>" for cell in row) + "</tr>" for row in block.rows
            )
            return f"<table><tbody>{rows}</tbody></table>"
        case "point":
            return f"<li>{_marked(block.text)}</li>"
        case "quote":
            return f'<p class="says">{_marked(block.text)}</p>'
    return f"<p>{_marked(block.text)}</p>"


def _marked(text: str) -> str:
    """A text with its marks as HTML."""
    shown = re.sub(r"\*\*(.+?)\*\*", r"<strong>\1</strong>", escape(text, quote=False))
    return re.sub(r"`(.+?)`", r"<code>\1</code>", shown)
