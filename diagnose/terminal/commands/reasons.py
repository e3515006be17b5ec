"""Commands that give reasons: why an explanation stands where it does."""

from __future__ import annotations

from diagnose.knowledge.load import unknown_name
from diagnose.language import entry_forms, find
from diagnose.language.session import says_anything
from diagnose.model.errors import CaseError
from diagnose.render.text import fill, names
from diagnose.terminal.commands.desk import Command, Desk, command

#: words for the explanation that nothing has failed
NOTHING = ("nothing failed", "nothing", "no failure")


def _why(desk: Desk, text: str) -> tuple[Desk, str]:
    # numpy comes with these, and the prompt should be there before
    from diagnose.advice.explain.why import reasons
    from diagnose.render.plumbing import reached_text
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
    network = desk.engine.network
    return desk, desk.page(
        lambda width: why(
            given,
            desk.case,
            desk.kb,
            width,
            figures=figures,
            drawn=reached_text(network, desk.case, given, width),
        )
    )


def _plumbing(desk: Desk, text: str) -> tuple[Desk, str]:
    # numpy comes with these, and the prompt should be there before
    from diagnose.advice.coverage import SOUND
    from diagnose.advice.explain.contrast import named_failure
    from diagnose.advice.explain.schematic import SYSTEMS
    from diagnose.advice.explain.why import reasons
    from diagnose.render.plumbing import plumbing_text

    network, words = desk.engine.network, text.lower().split()
    systems = [system for system in SYSTEMS if system.value in words]
    rest = " ".join(word for word in words if word not in [system.value for system in systems])
    failures: tuple[str, ...] = ()
    memories: dict[str, str] = {}
    if rest:
        found = (named_failure(desk.kb, name, network.panel) for name in rest.split(","))
        failures = tuple(name for name in found if name != SOUND)
    elif says_anything(desk.case):
        given = reasons(desk.engine, desk.engine.posterior(desk.case), whole=False)
        failures = given.explanation
        memories = {name: state for name, state in given.states.items() if name in network.memories}
    switches = desk.case.snapshot[-1].switches if desk.case.snapshot else {}
    told = f"With: {names(desk.kb, failures)}." if failures else "With nothing failed."
    return desk, desk.page(
        lambda width: (
            fill(told, width)
            + "\n"
            + plumbing_text(network, failures, switches, memories, systems=systems or SYSTEMS, width=width)
        )
    )


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
        _plumbing,
        "plumbing",
        "[SYSTEM] [FAILURE]",
        "the lines of this panel, from pitot tube, ports, pump and bus to the dials, and what is in each",
        "With the leading explanation of the case, or with the failure named: 'plumbing static', 'plumbing pump "
        "sheared'. Systems: pitot, static, vacuum, electrical.",
        ("schematic",),
        tells=True,
    ),
    command(
        _alike,
        "alike",
        "[MANEUVER]",
        "the groups of failures that this panel cannot tell apart in a maneuver",
        "With every gauge read once; 'alike' alone takes the maneuver of this moment.",
        ("lookalikes", "similar"),
        tells=True,
    ),
)
