"""``diagnose coverage``: which failures show in which maneuver, and which look alike."""

from __future__ import annotations

import argparse
import json
import textwrap
from collections.abc import Iterable
from functools import partial
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Subparsers, asks_width, tell, text_width, write, writes
from diagnose.terminal.console import step

if TYPE_CHECKING:
    from diagnose.advice.coverage import PanelCoverage
    from diagnose.knowledge.load import KnowledgeBase


#: names that are listed of what a failure cannot be told from
LISTED = 4


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the command to the parser."""
    coverage = commands.add_parser(
        "coverage",
        parents=[shared],
        help="in which maneuvers each failure shows and can be told from every other",
    )
    coverage.add_argument("--panel", metavar="PANEL", default="single_pump", help="single_pump if not said")
    coverage.add_argument(
        "--maneuver",
        "--manoeuvre",
        dest="manoeuvre",
        action="append",
        metavar="NAME",
        help="only this one; may be repeated",
    )
    coverage.add_argument(
        "--every-panel", action="store_true", help="all panels one after the other, a line each"
    )
    writes(coverage, "--to", text="with --every-panel: write it there (JSON)")
    coverage.add_argument("--json", action="store_true", help="answer as JSON")
    asks_width(coverage)
    coverage.set_defaults(run=_coverage)


def _coverage(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose import engine_for
    from diagnose.advice.coverage import cover
    from diagnose.language import entry_forms, find

    kb = load()
    if chosen.every_panel:
        return _every_panel(kb, chosen)
    panel = find(chosen.panel, entry_forms(kb.panels), "panel")
    manoeuvres = [find(name, entry_forms(kb.manoeuvres), "maneuver") for name in chosen.manoeuvre or ()]
    found = cover(engine_for(kb, panel), manoeuvres, told=lambda name: step(f"coverage of {name}"))
    if chosen.json:
        print(json.dumps(_as_data(found), ensure_ascii=False, indent=1))
        return 0
    columns = text_width(chosen)
    print("\n".join(_as_text(found, kb, columns)))
    return 0


def _step(panel: str, manoeuvre: str) -> None:
    step(f"coverage of {panel}, {manoeuvre}")


def _every_panel(kb: KnowledgeBase, chosen: argparse.Namespace) -> int:
    import msgspec

    from diagnose import engine_for
    from diagnose.advice.coverage import COMMAND, StoredCoverage, cover, mark_of

    panels = []
    for panel in kb.panels:
        found = cover(engine_for(kb, panel), told=partial(_step, panel))
        panels.append(found)
        shown, apart = (
            sum(map(bool, (getattr(f, w) for f in found.failures))) for w in ("detectable", "isolable")
        )
        print(
            f"{panel:<20} {len(found.failures):>3} failures, {shown} show somewhere, {apart} can be told from all"
        )
    if chosen.to is not None:
        stored = StoredCoverage(command=COMMAND, mark=mark_of(kb), panels=tuple(panels))
        write(chosen, chosen.to, msgspec.json.format(msgspec.json.encode(stored), indent=0) + b"\n", tell)
    return 0


def _as_data(found: PanelCoverage) -> dict[str, object]:
    return {
        "panel": found.panel,
        "failures": [
            {
                "failure": one.failure,
                "detectable": one.detectable,
                "isolable": one.isolable,
                "looks_like": one.looks_like,
            }
            for one in found.failures
        ],
        "groups": found.groups,
    }


def _as_text(found: PanelCoverage, kb: KnowledgeBase, columns: int) -> Iterable[str]:
    total = len(found.groups)
    yield from _wrapped(f"Panel: {kb.panels[found.panel].name}", columns)
    yield from _wrapped(
        f"Every gauge read once in one maneuver; counts are of {total}. Shows: told from a healthy airplane. "
        "Apart: told from every other single failure too.",
        columns,
    )
    yield ""
    yield f"{'shows':>6} {'apart':>6}  failure"
    for one in found.failures:
        yield from _wrapped(
            kb.failures[one.failure].name, columns, f"{len(one.detectable):>6} {len(one.isolable):>6}  "
        )
        alike = [_name(other, kb) for other in one.looks_like]
        if alike:
            more = f" and {len(alike) - LISTED} more" if len(alike) > LISTED else ""
            yield from _wrapped(f"always like: {'; '.join(alike[:LISTED])}{more}", columns, " " * 17)
    for manoeuvre, groups in found.groups.items():
        yield ""
        yield from _wrapped(f"Alike in: {kb.manoeuvres[manoeuvre].name}", columns)
        for group in groups:
            yield from _wrapped("; ".join(_name(name, kb) for name in group), columns, "  - ")
    yield ""
    yield from _wrapped(
        "What shows nowhere by one look may show over several, after a switch is moved, "
        "or once something else has failed. For ground training and review only.",
        columns,
    )


def _name(failure: str, kb: KnowledgeBase) -> str:
    return kb.failures[failure].name if failure in kb.failures else "nothing failed"


def _wrapped(text: str, columns: int, lead: str = "") -> list[str]:
    return textwrap.wrap(text, columns, initial_indent=lead, subsequent_indent=" " * len(lead))
