"""Commands that give reasons: why an explanation stands where it does."""

from __future__ import annotations

from diagnose.knowledge.load import unknown_name
from diagnose.language import entry_forms, find
from diagnose.model.errors import CaseError
from diagnose.terminal.commands.desk import Command, Desk, command

#: words for the explanation that nothing has failed
NOTHING = ("nothing failed", "nothing", "no failure")


def _why(desk: Desk, text: str) -> tuple[Desk, str]:
    # numpy comes with these, and the prompt should be there before
    from diagnose.advice.explain.why import reasons
    from diagnose.render.reasons import why

    words = text.split()
    figures = bool(words) and words[-1].lower() in ("figures", "full")
    text = " ".join(words[:-1]) if figures else text
    posterior = desk.engine.posterior(desk.case)
    explanation = None
    if text:
        name = find(text, {**entry_forms(desk.kb.failures), "": NOTHING}, "failure")
        here = [failure.id for failure in desk.engine.network.failures]
        if name and name not in here:
            raise unknown_name(f"failure on the panel {desk.case.panel}", name, here)
        explanation = (name,) if name else ()
    given = reasons(desk.engine, posterior, explanation)
    return desk, desk.page(lambda width: why(given, desk.case, desk.kb, width, figures=figures))


def _alike(desk: Desk, text: str) -> tuple[Desk, str]:
    if text:
        manoeuvre = find(text, entry_forms(desk.kb.manoeuvres), "maneuver")
    elif desk.case.snapshot:
        manoeuvre = desk.case.snapshot[-1].manoeuvre
    else:
        raise CaseError("alike in which maneuver?", mend="alike climb")
    # numpy comes with these, and the prompt should be there before
    from diagnose.advice.coverage import ambiguity_groups
    from diagnose.render.signature import alike

    groups, panel = ambiguity_groups(desk.engine, manoeuvre), desk.kb.panel(desk.case.panel)
    return desk, desk.page(lambda width: alike(groups, manoeuvre, desk.kb, panel, width))


REASONS: tuple[Command, ...] = (
    command(
        _why,
        "why",
        "[FAILURE]",
        "the reasons: what the failure reaches, and the readings for and against it",
        "'why nothing' asks about no failure; 'why figures' adds how far each reading moves the odds once all the "
        "others are known.",
        tells=True,
    ),
    command(
        _alike,
        "alike",
        "[MANEUVER]",
        "the groups of failures that this panel cannot tell apart in a maneuver",
        "With every gauge read once; 'alike' alone takes the maneuver of this snapshot.",
        ("lookalikes", "similar"),
        tells=True,
    ),
)
