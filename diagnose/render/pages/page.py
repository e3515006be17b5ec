"""The shell of every page: one HTML file that needs nothing else, and prints on A4 or Letter."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from functools import cache
from html import escape
from importlib import resources
from typing import Any, Literal

from diagnose.render.text import CAUTION

Paper = Literal["a4", "letter"]
SIZES: dict[Paper, str] = {"a4": "A4", "letter": "letter"}


@cache
def part(name: str) -> str:
    """The text of a file that stands beside this module."""
    return (resources.files("diagnose.render.pages") / name).read_text(encoding="utf-8")


def page(title: str, body: Iterable[str], paper: Paper = "a4", script: str = "") -> str:
    """A whole page. The usual caution stands at its end."""
    sheet = f"@page {{ size: {SIZES[paper]}; margin: 14mm; }}\n{part('style.css')}"
    code = f"<script>{script}</script>" if script else ""
    inside = "\n".join(body)
    return (
        f'<!doctype html>\n<html lang="en">\n<head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width">\n<title>{escape(title)}</title>\n'
        f"<style>{sheet}</style></head>\n<body>\n{inside}\n"
        f'<p class="caution">{escape(CAUTION)}</p>\n{code}</body>\n</html>\n'
    )


def data_script(data: Any) -> str:
    """What a page's script reads, as JSON inside the page."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"))
    # "</" inside a script would end it
    return '<script type="application/json" id="data">' + text.replace("</", "<\\/") + "</script>"


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
