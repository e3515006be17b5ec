"""Commands that show the answer, the case, and what the knowledge base says."""

from __future__ import annotations

from dataclasses import replace

from diagnose.language import entry_forms, find, gauge_forms, plain, readable
from diagnose.language.names import phrases
from diagnose.model.errors import CaseError
from diagnose.render.text import describe, fill, first_screen, render, table
from diagnose.terminal.commands.desk import Command, Desk, command


def _rank(desk: Desk, text: str) -> tuple[Desk, str]:
    words = set(plain(text).split()) - phrases().polite
    if words - {"full"}:
        raise CaseError(f"'rank' takes no {text!r}", mend="rank, or rank full for everything at once")
    answer = desk.answer()
    after = replace(desk, answered=answer)
    if not words:
        door = fill("More: rank full, why, next, fly, writeup.", desk.width)
        return after, f"{first_screen(answer, desk.case, desk.kb, desk.width)}\n{door}"
    # numpy comes with this, and the prompt should be there before
    from diagnose.advice.explain.why import reasons
    from diagnose.render.reasons import why_short

    given = reasons(desk.engine, desk.engine.posterior(desk.case), whole=False)
    told = desk.page(lambda width: why_short(given, desk.kb, width))
    return after, render(answer, desk.case, desk.kb, desk.width, why=told)


def failure_shown(desk: Desk, text: str) -> tuple[Desk, str]:
    """A failure's page; without a name all that this panel can have."""
    from diagnose.advice.explain.signature import signature
    from diagnose.render.plumbing import plumbing_text
    from diagnose.render.signature import failure_page

    kb, parts = desk.kb, desk.kb.panel(desk.case.panel).parts
    if not text:
        systems: dict[str, list[str]] = {}
        for failure in kb.failures.values():
            if failure.listed and set(failure.acts) <= set(parts):
                systems.setdefault(failure.system.value, []).append(readable(failure.id))
        return desk, table(((f"  {system}", ", ".join(ids)) for system, ids in systems.items()), desk.width)
    failure = kb.failures[find(text, entry_forms(kb.failures), "failure")]
    panel = kb.panel(desk.case.panel)
    found, chance = None, None
    if set(failure.acts) <= set(parts):
        found = signature(desk.engine, failure.id)
        if desk.case.snapshot:
            answer = desk.answer()
            chance = answer.priors[failure.id], answer.failures[failure.id]

    def shown(width: int) -> str:
        network = desk.engine.network
        drawn = plumbing_text(network, (failure.id,), width=width, only_concerned=True) if found else ""
        return failure_page(failure, found, kb, panel, width, chance, drawn)

    return desk, desk.page(shown)


def _gauges(desk: Desk, _: str) -> tuple[Desk, str]:
    groups: dict[str, list[str]] = {}
    for gauge in desk.kb.panel(desk.case.panel).gauges:
        groups.setdefault(desk.kb.gauges[gauge].group, []).append(desk.kb.gauges[gauge].words[0])
    return desk, table(((f"  {group}", ", ".join(gauges)) for group, gauges in groups.items()), desk.width)


def _readings(desk: Desk, text: str) -> tuple[Desk, str]:
    if not text:
        raise CaseError("readings of which gauge?", mend="readings airspeed")
    return desk, explain_gauge(
        desk, find(text, gauge_forms(desk.kb, desk.kb.panel(desk.case.panel)), "gauge")
    )


def explain_gauge(desk: Desk, chosen: str) -> str:
    """What can be said of a gauge, and what counts as what."""
    lines = [desk.kb.gauges[chosen].name]
    for facet in desk.kb.gauges[chosen].facets:
        note = f" ({facet.note})" if facet.note else ""
        lines.append(fill(f"{readable(facet.id)}: {facet.name}{note}", desk.width, "  ", "    "))
        lines.append(table(((f"    {readable(r.id)}", r.means) for r in facet.readings), desk.width))
    return "\n".join(lines)


def _show(desk: Desk, text: str) -> tuple[Desk, str]:
    if plain(text):
        raise CaseError(
            f"'show' shows the case so far, not {text!r}",
            mend="a failure: failure pump sheared; two side by side: compare pump sheared, attitude worn",
        )
    return desk, describe(desk.case, desk.kb, desk.width)


ANSWERS: tuple[Command, ...] = (
    command(
        _rank,
        "rank",
        "[full]",
        "the answer in a few lines; 'rank full' for all of it",
        "'rank full' adds every explanation: 'before' is its chance before any reading, 'readings' how far "
        "they moved its odds.",
        tells=True,
    ),
    command(
        failure_shown,
        "failure",
        "[NAME]",
        "a failure's page: what every gauge shows, what looks like it, what to inspect",
        "'failure' alone lists those that this panel can have.",
        ("about",),
        tells=True,
    ),
    command(_gauges, "gauges", "", "the gauges of this panel", tells=True),
    command(
        _readings, "readings", "GAUGE", "what can be said of a gauge, and what counts as what", tells=True
    ),
    command(_show, "show", "", "the case so far", tells=True),
)
