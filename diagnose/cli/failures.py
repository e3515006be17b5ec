"""What can be read: failures, how they compare, the plumbing, help and manual."""

from __future__ import annotations

import argparse
from functools import partial
from typing import TYPE_CHECKING, Any

from diagnose.cli.command import Load, Parser, Subparsers, command, show, text_width, write

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.knowledge.load import KnowledgeBase


def add_failures(commands: Subparsers, shared: Parser) -> None:
    """Add the commands to the parser."""
    about = "list the failures, or one failure's page; also: diagnose compare, diagnose plumbing"
    failures = command(commands, shared, "failures", _failures, about)
    failures.add_argument("name", nargs="*", help="a failure, in words or by its id")
    failures.flag("--full", text="every maneuver and switch, what looks like it, what to inspect, sources")
    about = "where and by which look failures part, and which look alike"
    compare = command(commands, shared, "compare", _compare, about, listed=False)
    compare.add_argument(
        "name",
        nargs="*",
        metavar="A B",
        help="failures: ids, words in quotes, or words separated by commas; 'nothing' is no failure; "
        "none with --maneuver: the groups that look alike there",
    )
    compare.option("--maneuver", "--manoeuvre", dest="manoeuvre", metavar="M", text="only in this maneuver")
    about = "the lines of a panel from pitot tube, ports, pump and bus to the dials, and what a failure puts into them"
    plumbing = command(commands, shared, "plumbing", _plumbing, about, listed=False)
    which = "pitot, static, vacuum, electrical; none: all of them"
    plumbing.add_argument("name", nargs="*", metavar="SYSTEM", help=which)
    repeated: dict[str, Any] = {"action": "append", "default": []}
    plumbing.option("--failure", metavar="F", text="with this failure; may be repeated", **repeated)
    plumbing.option(
        "--switch", metavar="S=P", text="a switch and its position: alternate_static=on", **repeated
    )
    plumbing.writes("--svg", text="write the diagram as an SVG picture")
    for parser in (failures, compare, plumbing):
        parser.option("--panel", metavar="P", text="the panel; else the first that has the parts")
        parser.asks_form()


def _panel(chosen: argparse.Namespace, kb: KnowledgeBase, failures: Sequence[str]) -> str:
    """The panel asked for, or the first that can have these failures, or the first at all."""
    from diagnose.advice.coverage import SOUND
    from diagnose.language import entry_forms, find
    from diagnose.language.session import START

    if chosen.panel:
        return find(chosen.panel, entry_forms(kb.panels), "panel")
    needed = {part for name in failures if name != SOUND for part in kb.failures[name].acts}
    usual = START.panel
    return next((p for p in (usual, *kb.panels) if needed <= set(kb.panel(p).parts)), usual)


def _failures(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose import engine_for
    from diagnose.advice.explain.signature import signature
    from diagnose.language import entry_forms, find
    from diagnose.render.lesson import failure_screen
    from diagnose.render.plumbing import plumbing_text
    from diagnose.render.signature import failure_list, failure_page, list_data, page_data

    kb = load()
    if not chosen.name:
        panel = kb.panel(_panel(chosen, kb, ()))
        listed = [f for f in kb.failures_of(panel.parts if chosen.panel else kb.parts) if f.listed]
        of_panel = panel.name if chosen.panel else ""
        return show(chosen, lambda: list_data(listed), lambda wide: failure_list(listed, of_panel, wide))
    name = find(" ".join(chosen.name), entry_forms(kb.failures), "failure")
    failure = kb.failures[name]
    panel = kb.panel(_panel(chosen, kb, (name,)))
    found = signature(engine_for(kb, panel.id), name) if set(failure.acts) <= set(panel.parts) else None

    def text(wide: int) -> str:
        drawn = ""
        if found:
            drawn = plumbing_text(engine_for(kb, panel.id).network, (name,), width=wide, only_concerned=True)
        if chosen.full or not found:
            return failure_page(failure, found, kb, panel, wide, drawn=drawn)
        more = f"diagnose failures {name} --full"
        return failure_screen(failure, found, engine_for(kb, panel.id), wide, drawn, more)

    return show(chosen, lambda: page_data(failure, found, kb, panel), text)


def _plumbing(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose import engine_for
    from diagnose.advice.coverage import SOUND
    from diagnose.advice.explain.contrast import named_failure
    from diagnose.advice.explain.schematic import SYSTEMS, schematic
    from diagnose.language import find
    from diagnose.render.pictures.plumbing import plumbing_svg
    from diagnose.render.plumbing import plumbing_text
    from diagnose.render.text import names

    kb = load()
    failures = tuple(f for text in chosen.failure if (f := named_failure(kb, text)) != SOUND)
    network = engine_for(kb, _panel(chosen, kb, failures)).network
    words = {system.value: (system.value,) for system in SYSTEMS}
    wanted = {find(name, words, "system") for name in chosen.name}
    systems = tuple(system for system in SYSTEMS if not wanted or system.value in wanted)
    switches = {switch: position for switch, _, position in (text.partition("=") for text in chosen.switch)}
    drawn = schematic(network, failures, switches, systems=systems)
    if chosen.svg:
        title = names(kb, failures) if failures else network.panel.name
        write(chosen, chosen.svg, plumbing_svg(drawn, kb, title=title))
        return 0
    data = {
        "panel": network.panel.id,
        "failures": failures,
        "lines": [{"from": line.start, "to": line.end, "carries": line.flow} for line in drawn.lines],
        "failed": {node.id: node.failed for node in drawn.nodes.values() if node.failed},
        "dials": {gauge: node.flow for node in drawn.nodes.values() for gauge in node.gauges},
        "independent": [gauge for node in drawn.independent for gauge in node.gauges],
    }
    shown = partial(plumbing_text, network, failures, switches, systems=systems)
    return show(chosen, lambda: data, lambda wide: shown(width=wide))


def _compare(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose import engine_for
    from diagnose.advice.explain.contrast import compare, named_failures
    from diagnose.language import entry_forms, find
    from diagnose.render.signature import comparison, comparison_data

    kb = load()
    manoeuvre = find(chosen.manoeuvre, entry_forms(kb.manoeuvres), "maneuver") if chosen.manoeuvre else ""
    if manoeuvre and not chosen.name:
        return _alike(chosen, kb, manoeuvre)
    text = " ".join(chosen.name)
    names = named_failures(kb, text.split(",") if "," in text else chosen.name)
    panel = kb.panel(_panel(chosen, kb, names))
    found = compare(engine_for(kb, panel.id), names, manoeuvre)
    return show(
        chosen, lambda: comparison_data(found, panel), lambda wide: comparison(found, kb, panel, wide)
    )


def _alike(chosen: argparse.Namespace, kb: KnowledgeBase, manoeuvre: str) -> int:
    from diagnose import engine_for
    from diagnose.advice.coverage import ambiguity_groups
    from diagnose.render.signature import alike

    panel = kb.panel(_panel(chosen, kb, ()))
    groups = ambiguity_groups(engine_for(kb, panel.id), manoeuvre)
    data = {"panel": panel.id, "manoeuvre": manoeuvre, "alike": groups}
    return show(chosen, lambda: data, lambda wide: alike(groups, manoeuvre, kb, panel, wide))


def add_help(commands: Subparsers, shared: Parser) -> None:
    """Add the commands to the parser."""
    text = "topics; a command, a gauge, a reading or a term: diagnose help precession"
    about = command(commands, shared, "help", partial(_help, commands), text)
    about.add_argument("topic", nargs="*", help="a topic or a word; none: the topics")
    text = "The whole manual: all topics of the help."
    manual = command(commands, shared, "manual", partial(_manual, commands), text, listed=False)
    manual.writes("-o", "--html", text="write it as a page that stands by itself")
    for parser in (about, manual):
        parser.asks_width()


def _help(commands: Subparsers, chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.render.layout import fill, table
    from diagnose.render.manual import TOPICS, as_text, title, topic_of
    from diagnose.terminal.commands import COMMANDS
    from diagnose.terminal.commands.answers import about, command_rows
    from diagnose.terminal.commands.desk import Desk

    wide, asked = text_width(chosen), " ".join(chosen.topic).lower()
    if not asked:
        lead = (
            "diagnose help TOPIC tells about one of these; diagnose help WORD about a command, a gauge, a reading or "
            "a term; diagnose COMMAND --help lists the options; diagnose manual -o FILE.html writes all as one page."
        )
        print(fill(lead, wide), table([(f"  {topic}", title(topic)) for topic in TOPICS], wide), sep="\n\n")
    elif topic := topic_of(asked):
        print(as_text(topic, command_rows(COMMANDS), wide))
    elif asked in commands.choices:
        print(commands.choices[asked].format_help(), end="")
    else:
        print(about(Desk(kb=load(), width=wide), asked, COMMANDS))
    return 0


def _manual(commands: Subparsers, chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.render.manual import TOPICS, as_page, as_text
    from diagnose.terminal.commands import COMMANDS
    from diagnose.terminal.commands.answers import command_rows

    rows = command_rows(COMMANDS)
    if chosen.html is None:
        print("\n\n\n".join(as_text(topic, rows, text_width(chosen)) for topic in TOPICS))
        return 0
    usages = [(name, parser.format_help()) for name, parser in commands.choices.items()]
    write(chosen, chosen.html, as_page(rows, usages))
    return 0
