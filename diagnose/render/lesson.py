"""The lesson of a failure on one screen: what it shows, what to ignore and fly by, what to do, what it is taken for."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from diagnose.advice.advise import advise
from diagnose.advice.decisions import with_decisions
from diagnose.advice.explain.contrast import Parting
from diagnose.advice.explain.signature import Signature, typical_cases
from diagnose.knowledge.load import KnowledgeBase
from diagnose.model import Failure
from diagnose.model.errors import ImpossibleEvidence
from diagnose.network.engine import Engine
from diagnose.render.signature import failure_page, gauge_words, reading_words
from diagnose.render.text import LABEL, NARROWEST, fill, screen_rows

#: lines of a failure's screen with its drawing, on a terminal of 24
MOST_LINES = 22
#: typical cases that are tried before a page says nothing of what to do
MOST_TRIED = 3


def failure_screen(
    failure: Failure, found: Signature | None, engine: Engine, width: int = 80, drawn: str = "", more: str = ""
) -> str:
    """The lesson of a failure on one screen: what it shows, what to ignore, fly by and do, what it is confused with.

    ``drawn``, the diagram of its plumbing, is left to the whole page where the screen would overflow; ``more`` names
    the command for that. Who changes no gauge of the panel has the whole page only.
    """
    kb, width = engine.network.kb, max(width, NARROWEST)
    rows = [("HOW", failure.mechanism)]
    if found is None or found.motion_only or not found.mostly.conditions:
        return failure_page(failure, found, kb, engine.network.panel, width, drawn=drawn)
    shown = [f"{gauge} {told}" for gauge, told in _shown_rows(found, kb)]
    rows.append(("SHOWS", "; ".join(shown)))
    rows += todo_rows(engine, found)
    alike = [f"{kb.failures[other.failure].name}: {_parted(other.parting, kb)}" for other in found.look_alikes[:2]]
    rows.append(("LIKE IT", ". ".join(alike) or "nothing else on this panel, if you read the right gauges"))
    lines = [fill(f"{failure.name} ({failure.id})", width)]
    lines += [fill(f"{text}.", width, f"{label:<{LABEL}}", " " * LABEL) for label, text in rows]
    said = "\n".join(lines)
    if drawn and len(f"{said}\n{drawn}".splitlines()) <= MOST_LINES:
        said = f"{said}\n{drawn}"
    return "\n".join(filter(None, (said, fill(f"More: {more}", width) if more else "")))


def todo_rows(engine: Engine, found: Signature) -> list[tuple[str, str]]:
    """What to ignore, fly by and do, from the answer to a typical case; nothing where it is taken for something else."""
    kb = engine.network.kb
    kin = {found.failure, *(m for family in kb.families.values() if found.failure in family.members for m in family.members)}
    for case in itertools.islice(typical_cases(engine.network, found), MOST_TRIED):
        try:
            posterior = engine.posterior(case)
        except ImpossibleEvidence:
            continue
        answer = with_decisions(posterior, advise(posterior))
        if kin & set(answer.ranking[0].failures):
            return [(label, text) for label, text in screen_rows(answer, case, kb) if label in ("IGNORE", "CHECK", "FLY BY", "DO")]
    return []


def _shown_rows(found: Signature, kb: KnowledgeBase) -> Iterator[tuple[str, str]]:
    """What the gauges show in most maneuvers in few words: each by its likeliest reading."""
    rows: dict[str, list[str]] = {}
    first = found.mostly.changed or found.pictures[0].changed
    tale = found.tell_tale.facet if found.tell_tale else ""
    for d in sorted(first, key=lambda d: d.shows.facet != tale):
        rows.setdefault(gauge_words(kb, d.shows.facet), []).append(reading_words(d.shows))
    for gauge, told in rows.items():
        yield gauge, " and ".join(told)


def _parted(parting: Parting | None, kb: KnowledgeBase) -> str:
    if parting is None:
        return "only an inspection tells them apart"
    this, other = (reading_words(shown) for shown in parting.shows)
    return f"{gauge_words(kb, parting.facet)} {this} here, {other} there"
