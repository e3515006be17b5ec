"""Commands that answer and explain: ranking, advice, reasons, failures; help on commands, gauges, readings and terms."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from diagnose.knowledge.load import unknown_name
from diagnose.language import entry_forms, find, forms, gauge_forms, nearest, plain, readable
from diagnose.language.names import phrases
from diagnose.language.session import says_anything
from diagnose.model.errors import CaseError, UnknownName
from diagnose.render.layout import chance_words
from diagnose.render.text import describe, fill, first_screen, names, render, table
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
    from diagnose.render.lesson import failure_screen
    from diagnose.render.plumbing import plumbing_text
    from diagnose.render.signature import failure_page

    name, _, last = text.rpartition(" ")
    whole = last.lower() in ("full", "more")
    text = name if whole else text
    kb, parts = desk.kb, desk.kb.panel(desk.case.panel).parts
    if not text:
        systems: dict[str, list[str]] = {}
        for failure in kb.failures_of(parts):
            if failure.listed:
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
        if whole or not found:
            return failure_page(failure, found, kb, panel, width, chance, drawn)
        return failure_screen(failure, found, desk.engine, width, drawn, f"failure {readable(failure.id)} full")

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


def _taken(desk: Desk, _: str) -> tuple[Desk, str]:
    told = desk.taken if desk.case.snapshot else ""
    return desk, told or fill("No story yet. 'show' tells the case so far.", desk.width)


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
        "[NAME] [full]",
        "a failure: what it shows, what to ignore and fly by, what to do",
        "'full' adds every maneuver and switch, what looks like it, what to inspect; 'failure' alone lists those that "
        "this panel can have.",
        ("about",),
        tells=True,
    ),
    command(_gauges, "gauges", "", "the gauges of this panel", tells=True),
    command(
        _readings, "readings", "GAUGE", "what can be said of a gauge, and what counts as what", tells=True
    ),
    command(_show, "show", "", "the case so far", tells=True),
    command(_taken, "taken", "", "what was taken in from your last story, and from which words", tells=True),
)


# ------------------------------------------------------------------ commands that give reasons: why an explanation stands where it does


#: words for the explanation that nothing has failed
NOTHING = ("nothing failed", "nothing", "no failure")


def _why_not(desk: Desk, text: str) -> tuple[Desk, str]:
    """How likely a failure is, and the readings that speak most for the leading explanation against it, in a line."""
    # numpy comes with these, and the prompt should be there before
    from diagnose.advice.explain.contrast import named_failure
    from diagnose.render.drill_feedback import telling
    from diagnose.terminal.commands.hearing import failure_named

    panel, kb = desk.kb.panel(desk.case.panel), desk.kb
    name = failure_named(kb, panel, text) or named_failure(kb, text, panel)
    answer, posterior = desk.answer(), desk.engine.posterior(desk.case)
    if name not in answer.failures:
        raise unknown_name(f"failure on the panel {desk.case.panel}", name, tuple(answer.failures))
    leading = answer.ranking[0].failures
    said = f"{kb.failures[name].name[:1].upper()}{kb.failures[name].name[1:]}: {chance_words(answer.failures[name], kb)}."
    if name in leading:
        said += " It is the likeliest."
    else:
        said += f" {names(kb, leading)[:1].upper()}{names(kb, leading)[1:]} is likelier: {telling(posterior, leading, (name,), kb)}."
    return desk, fill(f"{said} More: why {readable(name)}.", desk.width)


def _why(desk: Desk, text: str) -> tuple[Desk, str]:
    if text.lower().startswith("not "):
        return _why_not(desk, text[len("not ") :])
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


def _quiz(desk: Desk, text: str) -> tuple[Desk, str]:
    said = (
        "The drill asks you flight by flight and keeps your progress: 'quit' here, then type: diagnose drill. With "
        "students at a whiteboard: diagnose tabletop. Your case can be taken up again afterward."
    )
    return desk, fill(said, desk.width)


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
        "'why not pump sheared' says in a line what speaks against it; 'why nothing' asks about no failure; 'why figures' adds how far each reading moves the odds once all the "
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
    command(
        _quiz,
        "quiz",
        "",
        "how to be quizzed, alone or with students",
        "The drill and the tabletop start outside the prompt.",
        ("practice",),
        tells=True,
    ),
)


def help_commands(commands: Callable[[], Mapping[str, Command]]) -> tuple[Command, ...]:
    """The command ``help`` over these commands, which are known only once all are registered."""

    def run(desk: Desk, text: str) -> tuple[Desk, str]:
        return desk, about(desk, text, commands()) if text else _all(desk, commands())

    return (
        command(
            run,
            "help",
            "[WORD]",
            "topics, or a command, a gauge, a reading or a term: help falling",
            "'help airspeed' tells what can be said of a gauge and what counts as what.",
            ("?",),
            tells=True,
        ),
    )


#: topics of the help: what each is about, and its commands
TOPICS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "telling": (
        "say what was flown and what the gauges showed",
        ("moment", "context", "switch", "forget", "panel", "odds", "gauges", "readings"),
    ),
    "answer": (
        "what it was, why, what to look at next, what to fly by",
        ("rank", "why", "next", "fly", "failure", "compare", "alike", "plumbing"),
    ),
    "moments": ("go back to an earlier moment, correct, undo", ("go", "copy", "delete", "maneuver", "show", "taken", "undo", "redo")),
    "trying": ("try readings, keep copies side by side", ("what", "keep", "drop", "branch", "compare")),
    "files": ("save, load, reports for yourself and the mechanic", ("save", "load", "new", "restore", "report", "writeup")),
    "screens": ("be asked one question at a time; the full screen", ("guide", "back", "stop", "worksheet", "lines", "quiz", "quit")),
}  # fmt: skip
START = (
    "Just tell it: 'in the climb the airspeed fell and the altimeter stayed where it was'. "
    "What you leave out counts as not looked at."
)


def _all(desk: Desk, commands: Mapping[str, Command]) -> str:
    """Help that fits a screen: how to begin, and the topics."""
    rows = [(f"  help {topic}", about) for topic, (about, _) in TOPICS.items()]
    rows += [
        ("  help all", "every command"),
        ("  help WORD", "a command, a gauge, a reading (help falling) or a term (help precession)"),
    ]
    then = "Then: rank (the answer), why, next (what to look at), fly (what to fly by). Or: guide, and you are asked."
    return "\n".join((fill(START, desk.width), fill(then, desk.width), "", table(rows, desk.width)))


def _list(desk: Desk, commands: Mapping[str, Command]) -> str:
    rows = [(f"  {command.usage}", command.help) for command in commands.values()]
    said = "airspeed falling; altimeter probably steady; tc disagrees with ai; rest as expected"
    return f"{table(rows, desk.width)}\n\n  Anything else is what the gauges showed:\n    {said}"


def _topic(desk: Desk, topic: str, commands: Mapping[str, Command]) -> str:
    about, names = TOPICS[topic]
    rows = [(f"  {commands[name].usage}", commands[name].help) for name in names if name in commands]
    return f"{about[0].upper()}{about[1:]}:\n{table(rows, desk.width)}"


def _terms(desk: Desk, wanted: str) -> list[str]:
    """What the glossary says of a term."""
    return [
        fill(f"{term.name}: {term.means}.", desk.width)
        for term in desk.kb.terms.values()
        if wanted in (plain(term.name), *map(plain, term.words))
    ]


def command_rows(commands: Mapping[str, Command]) -> list[tuple[str, str]]:
    """Give how each command is written and what it does, for the manual."""
    return [(f"`{c.usage}`", f"{c.help}. {c.more}".strip()) for c in commands.values()]


def about(desk: Desk, text: str, commands: Mapping[str, Command]) -> str:
    """Tell about a topic, a command, a gauge, a reading or a term. Raises UnknownName."""
    if plain(text) == "all":
        return _list(desk, commands)
    if plain(text) in TOPICS:
        return _topic(desk, plain(text), commands)
    found = commands.get(text.lower()) or next((c for c in commands.values() if text.lower() in c.also), None)
    told = [_command(desk, found)] if found else []
    gauges = gauge_forms(desk.kb, desk.kb.panel(desk.case.panel))
    wanted = plain(text)
    gauge = next((gauge for gauge, ways in gauges.items() if wanted in ways), None)
    told += [explain_gauge(desk, gauge)] if gauge else []
    told += [reading] if (reading := _reading(desk, wanted)) else []
    manoeuvres = entry_forms(desk.kb.manoeuvres)
    told += [
        fill(f"{readable(entry)}: {desk.kb.manoeuvres[entry].name} (a maneuver).", desk.width)
        for entry, ways in manoeuvres.items()
        if wanted in ways
    ]
    told += _terms(desk, wanted)
    if told:
        return "\n\n".join(told)
    from diagnose.render import manual

    if wanted in manual.TOPICS:
        return manual.as_text(wanted, command_rows(commands), desk.width)
    known = {name: (plain(t.name), *map(plain, t.words)) for name, t in desk.kb.terms.items()}
    known |= {name: (name, *c.also) for name, c in commands.items()} | gauges
    try:
        return about(desk, find(text, known, "command"), commands)
    except UnknownName:
        raise UnknownName(
            f"{text!r} is not a command, a gauge, a reading or a term", nearest=nearest(wanted, known)
        ) from None


def next_step(desk: Desk) -> str:
    """What to do next, for somebody who types nothing but Enter."""
    case = desk.case
    if not case.snapshot:
        text = "Say what you were flying and what you saw: 'climb, airspeed fell'. Or type 'guide' and you are asked."
    elif not says_anything(case):
        text = "Now say what the gauges showed: 'airspeed falling; altimeter steady'. Or type 'guide' and you are asked."
    else:
        text = "'rank' shows the answer, 'next' what to look at, 'why' the reasons. Or add what else you saw."
    return fill(text, desk.width)


def _command(desk: Desk, chosen: Command) -> str:
    also = f" Also: {', '.join(chosen.also)}." if chosen.also else ""
    return f"  {chosen.usage}\n" + fill(f"{chosen.help}. {chosen.more}{also}", desk.width, "  ")


def _reading(desk: Desk, wanted: str) -> str:
    """What a word counts as on every gauge of the panel that has it; "" if none has."""
    kb, rows = desk.kb, []
    same = phrases().same.get(tuple(wanted.split()), ())
    for gauge in desk.kb.panel(desk.case.panel).gauges:
        for facet in kb.gauges[gauge].facets:
            for reading in facet.readings:
                if {wanted, *same} & set(forms(reading.id, reading.id, reading.words)):
                    other = f"{readable(reading.id)}: " if plain(reading.id) != wanted else ""
                    rows.append((f"  {kb.gauges[gauge].words[0]}", f"{other}{reading.means}"))
    lead = f"{wanted!r} counts in one moment as:"
    return f"{lead}\n{table(rows, desk.width)}" if rows else ""
