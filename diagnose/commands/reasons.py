"""Commands that give reasons: why an explanation stands where it does, and what parts failures."""

from __future__ import annotations

from diagnose.commands.desk import Command, Desk, command
from diagnose.explain.contrast import compare, named_failures
from diagnose.explain.why import reasons
from diagnose.knowledge import unknown_name
from diagnose.text_reasons import why
from diagnose.text_signature import comparison
from diagnose.words import entry_forms, find

#: words for the explanation that nothing has failed
NOTHING = ("nothing failed", "nothing", "no failure")


def _why(desk: Desk, text: str) -> tuple[Desk, str]:
    posterior = desk.engine.posterior(desk.case)
    explanation = None
    if text:
        name = find(text, {**entry_forms(desk.kb.failures), "": NOTHING}, "failure")
        here = [failure.id for failure in desk.engine.network.failures]
        if name and name not in here:
            raise unknown_name(f"failure on the panel {desk.case.panel}", name, here)
        explanation = (name,) if name else ()
    return desk, why(reasons(desk.engine, posterior, explanation), desk.case, desk.kb, desk.width)


def _compare(desk: Desk, text: str) -> tuple[Desk, str]:
    given = text.split(",") if "," in text else text.split(" and ")
    names = named_failures(desk.kb, given)
    found = compare(desk.engine, names)
    return desk, comparison(found, desk.kb, desk.kb.panel(desk.case.panel), desk.width)


REASONS: tuple[Command, ...] = (
    command(
        _why,
        "why",
        "[FAILURE]",
        "the reasons, reading by reading: for the leading answer or another failure",
        "Each factor is what a reading adds to the odds once all the others are known. 'why nothing' asks "
        "about a sound panel.",
    ),
    command(
        _compare,
        "compare",
        "A, B",
        "where and by which look two or more failures part on this panel",
        "For example: compare pump sheared, suction gauge zero. 'nothing' is a sound panel.",
    ),
)
