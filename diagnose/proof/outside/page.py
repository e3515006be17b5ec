"""The evidence as one HTML page that stands by itself: light, dark and on paper, nothing from the network."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from diagnose.knowledge.load import KnowledgeBase
from diagnose.proof.outside import Evidence
from diagnose.proof.outside.document import sections
from diagnose.proof.outside.section import Section
from diagnose.render.text import CAUTION

STYLE = """
:root { color-scheme: light dark; --ink: #1b1b1b; --soft: #5a5a5a; --line: #c9c9c9; --paper: #fff;
  --band: #f4f4f1; --good: #1d6b34; --bad: #a1280e; --open: #7a5a00; }
@media (prefers-color-scheme: dark) { :root { --ink: #e8e6e1; --soft: #a9a7a1; --line: #47463f;
  --paper: #171715; --band: #22221f; --good: #7fcf97; --bad: #ff9c83; --open: #e6c25c; } }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 2rem 1.25rem 4rem; max-width: 62rem; color: var(--ink);
  background: var(--paper); font: 1rem/1.5 system-ui, sans-serif; }
h1 { font-size: 1.7rem; line-height: 1.2; margin: 0 0 1rem; }
h2 { font-size: 1.15rem; margin: 2.2rem 0 .5rem; }
p, li { max-width: 46rem; }
li { margin: .35rem 0; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; }
.wide { overflow-x: auto; }
th, td { text-align: left; vertical-align: top; padding: .4rem .6rem .4rem 0;
  border-bottom: 1px solid var(--line); }
th { font-weight: 600; color: var(--soft); }
td.short { white-space: nowrap; font-variant-numeric: tabular-nums; }
td.detail { color: var(--soft); }
.agrees { color: var(--good); font-weight: 600; }
.differs { color: var(--bad); font-weight: 600; }
.not-run { color: var(--open); font-weight: 600; }
figure { margin: 1rem 0; padding: 1rem; background: #fff; border: 1px solid var(--line); max-width: 40rem; }
figure svg { width: 100%; height: auto; display: block; }
.caution { margin-top: 3rem; padding: .8rem 1rem; background: var(--band); }
@media print { :root { --ink: #000; --soft: #333; --line: #999; --paper: #fff; --band: #fff; --good: #000;
  --bad: #000; --open: #000; } body { max-width: none; padding: 0; font-size: 10pt; }
  h2 { break-after: avoid; } tr, li, figure { break-inside: avoid; } .wide { overflow: visible; } }
"""


def page(found: Evidence, kb: KnowledgeBase) -> str:
    """Give the whole page."""
    first, *rest = sections(found, kb)
    body = [f"<h1>{escape(first.title)}</h1>", *_content(first)]
    for section in rest:
        body += ["<section>", f"<h2>{escape(section.title)}</h2>", *_content(section), "</section>"]
    body.append(f'<p class="caution">{escape(CAUTION)}</p>')
    inner = "\n".join(body)
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{escape(first.title)}</title>\n<style>{STYLE}</style>\n</head>\n"
        f"<body>\n<main>\n{inner}\n</main>\n</body>\n</html>\n"
    )


def _content(section: Section) -> Iterable[str]:
    yield from (f"<p>{escape(text)}</p>" for text in section.texts)
    if section.svg:
        yield f"<figure>{section.svg}</figure>"
    if section.bullets:
        yield "<ul>" + "".join(f"<li>{escape(text)}</li>" for text in section.bullets) + "</ul>"
    if section.rows:
        heads = "".join(f'<th scope="col">{escape(head)}</th>' for head in _kept(section, section.heads))
        yield f'<div class="wide"><table><thead><tr>{heads}</tr></thead><tbody>'
        yield from ("<tr>" + "".join(_cells(section, row)) + "</tr>" for row in section.rows)
        yield "</tbody></table></div>"


def _kept(section: Section, row: tuple[str, ...]) -> tuple[str, ...]:
    """Cells of a row; a detail that no row has is left out."""
    return row if any(other[-1] for other in section.rows) else row[:-1]


def _cells(section: Section, row: tuple[str, ...]) -> Iterable[str]:
    about = len(row) - 2
    for place, text in enumerate(_kept(section, row)):
        kind = "short" if place < about else "what" if place == about else "detail"
        shown = escape(text)
        if place == 0 and text in ("agrees", "differs", "not run"):
            shown = f'<span class="{text.replace(" ", "-")}">{shown}</span>'
        yield f'<td class="{kind}">{shown}</td>'
