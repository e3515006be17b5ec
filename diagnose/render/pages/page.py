"""The shell of every page: one HTML file that needs nothing else, and prints on A4 or Letter."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from functools import cache
from html import escape
from importlib import resources
from typing import Any, Literal

from diagnose.advice.explain.schematic import concerned, schematic
from diagnose.model import System
from diagnose.network.tables import Network
from diagnose.render.pictures.plumbing import plumbing_svg
from diagnose.render.plumbing import in_words
from diagnose.render.text import CAUTION, names

Paper = Literal["a4", "letter"]
_NONE = "'none'"
SIZES: dict[Paper, str] = {"a4": "A4", "letter": "letter"}


@cache
def part(name: str) -> str:
    """The text of a file that stands beside this module."""
    return (resources.files("diagnose.render.pages") / name).read_text(encoding="utf-8")


def page(title: str, body: Iterable[str], paper: Paper = "a4", script: str = "", style: str = "") -> str:
    """A whole page. The usual caution stands at its end; only its own script and style run, and nothing is fetched."""
    sheet = f"@page {{ size: {SIZES[paper]}; margin: 14mm; }}\n{part('style.css')}{style}"
    code = f"<script>{script}</script>" if script else ""
    inside = "\n".join(body)
    policy = (
        f"default-src 'none'; style-src {_mark(sheet)}; script-src {_mark(script) if script else _NONE}; "
        f"base-uri {_NONE}; form-action {_NONE}"
    )
    return (
        f'<!doctype html>\n<html lang="en">\n<head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        f'<meta name="viewport" content="width=device-width">\n<title>{escape(title)}</title>\n'
        f"<style>{sheet}</style></head>\n<body>\n{inside}\n"
        f'<p class="caution">{escape(CAUTION)}</p>\n{code}</body>\n</html>\n'
    )


def _mark(text: str) -> str:
    """How a content security policy names a script or style that stands in the page itself."""
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def data_script(data: Any) -> str:
    """What a page's script reads, as JSON inside the page."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    # no tag, comment or end of a script may be read into it
    return f'<script type="application/json" id="data">{text.replace("<", chr(92) + "u003c")}</script>'


def heading(level: int, text: str) -> str:
    """A heading."""
    return f"<h{level}>{escape(text)}</h{level}>"


def paragraph(text: str, kind: str = "") -> str:
    """A paragraph, of a class of the style sheet."""
    return f'<p class="{kind}">{escape(text)}</p>' if kind else f"<p>{escape(text)}</p>"


def listed(texts: Iterable[str]) -> str:
    """A list of points."""
    return "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in texts) + "</ul>"


def table(heads: Sequence[str], rows: Iterable[Sequence[str]], kind: str = "", numbers: int = 0) -> str:
    """A table; its last ``numbers`` columns are set to the right."""
    first = len(heads) - numbers

    def cell(tag: str, place: int, text: str) -> str:
        right = ' class="number"' if place >= first else ""
        return f"<{tag}{right}>{escape(text)}</{tag}>"

    named = "".join(cell("th", place, text) for place, text in enumerate(heads))
    head = f"<thead><tr>{named}</tr></thead>" if any(heads) else ""
    body = "".join(
        "<tr>" + "".join(cell("td", place, text) for place, text in enumerate(row)) + "</tr>" for row in rows
    )
    marked = f' class="{kind}"' if kind else ""
    return f"<table{marked}>{head}<tbody>{body}</tbody></table>"


def head(rows: Iterable[tuple[str, str]]) -> str:
    """The answer in a few labeled lines at the head of a page."""
    lines = "".join(f"<tr><th>{escape(label)}</th><td>{escape(text)}</td></tr>" for label, text in rows)
    return f'<table class="head"><tbody>{lines}</tbody></table>'


def filled_columns(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> tuple[list[str], list[list[str]]]:
    """Leave out the columns in which nothing stands."""
    kept = [place for place in range(len(heads)) if any(row[place] for row in rows)]
    return [heads[place] for place in kept], [[row[place] for place in kept] for row in rows]


def figure(caption: str, drawing: str) -> str:
    """A picture with its caption."""
    return f"<figure><figcaption>{escape(caption)}</figcaption>{drawing}</figure>"


def folded(title: str, inside: str) -> str:
    """What opens when its title is pressed."""
    return f"<details><summary>{escape(title)}</summary>{inside}</details>"


def plumbing_figure(
    network: Network,
    failures: Iterable[str] = (),
    switches: Mapping[str, str] | None = None,
    memories: Mapping[str, str] | None = None,
    *,
    says: Mapping[str, str] | None = None,
    caption: str = "",
    systems: Collection[System] = (),
) -> str:
    """The plumbing with these failures: ``systems``, else those that they reach, or all of them where they reach none.

    ``says``: gauge -> a word for its box.
    """
    failures = tuple(failures)
    drawn = schematic(network, failures, switches, memories)
    if reached := systems or concerned(drawn):
        drawn = schematic(network, failures, switches, memories, systems=reached)
    told = names(network.kb, failures) if failures else "nothing failed"
    title = caption or f"The plumbing with {told}"
    picture = plumbing_svg(drawn, network.kb, title=title, says=says)
    words = "".join(paragraph(line) for line in in_words(drawn, network.kb).splitlines())
    return figure(
        title,
        # wide pictures are moved to the side on a phone, by keys as well
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(title)}">{picture}</div>'
        + folded("In words", words),
    )
