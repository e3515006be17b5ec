"""What can be read: failures, how they compare, the plumbing, help and manual."""

from __future__ import annotations

import argparse
import json
from functools import partial
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Subparsers, asks_width, text_width, write, writes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from diagnose.knowledge.load import KnowledgeBase


def add_failures(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    failures = commands.add_parser(
        "failures",
        parents=[shared],
        help="list the failures, or one failure's page; also: diagnose compare, diagnose plumbing",
    )
    failures.add_argument("name", nargs="*", help="a failure, in words or by its id")
    failures.set_defaults(run=_failures)
    compare = commands.add_parser(
        "compare", parents=[shared], description="where and by which look failures part, and which look alike"
    )
    compare.add_argument(
        "name",
        nargs="*",
        metavar="A B",
        help="failures: ids, words in quotes, or words separated by commas; 'nothing' is no failure; "
        "none with --maneuver: the groups that look alike there",
    )
    compare.add_argument(
        "--maneuver", "--manoeuvre", dest="manoeuvre", metavar="M", help="only in this maneuver"
    )
    compare.set_defaults(run=_compare)
    plumbing = commands.add_parser(
        "plumbing",
        parents=[shared],
        description="the lines of a panel from pitot tube, ports, pump and bus to the dials, and what a failure puts into them",
    )
    plumbing.add_argument(
        "name", nargs="*", metavar="SYSTEM", help="pitot, static, vacuum, electrical; none: all of them"
    )
    plumbing.add_argument(
        "--failure", metavar="F", action="append", default=[], help="with this failure; may be repeated"
    )
    plumbing.add_argument(
        "--switch",
        metavar="S=P",
        action="append",
        default=[],
        help="a switch and its position: alternate_static=on",
    )
    writes(plumbing, "--svg", text="write the diagram as an SVG picture")
    plumbing.set_defaults(run=_plumbing)
    for parser in (failures, compare, plumbing):
        parser.add_argument("--panel", metavar="P", help="the panel; else the first that has the parts")
        parser.add_argument("--json", action="store_true", help="answer as JSON")
        asks_width(parser)


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
    from diagnose.render.plumbing import plumbing_text
    from diagnose.render.signature import failure_list, failure_page, list_data, page_data

    kb = load()
    if not chosen.name:
        panel = kb.panel(_panel(chosen, kb, ()))
        parts = {*panel.parts} if chosen.panel else {*kb.parts}
        listed = [f for f in kb.failures.values() if f.listed and set(f.acts) <= parts]
        if chosen.json:
            print(json.dumps(list_data(listed), ensure_ascii=False, indent=1))
        else:
            print(failure_list(listed, panel.name if chosen.panel else "", text_width(chosen)))
        return 0
    name = find(" ".join(chosen.name), entry_forms(kb.failures), "failure")
    failure = kb.failures[name]
    panel = kb.panel(_panel(chosen, kb, (name,)))
    found = signature(engine_for(kb, panel.id), name) if set(failure.acts) <= set(panel.parts) else None
    if chosen.json:
        print(json.dumps(page_data(failure, found, kb, panel), ensure_ascii=False, indent=1))
    else:
        columns = text_width(chosen)
        drawn = ""
        if found:
            drawn = plumbing_text(
                engine_for(kb, panel.id).network, (name,), width=columns, only_concerned=True
            )
        print(failure_page(failure, found, kb, panel, columns, drawn=drawn))
    return 0


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
    elif chosen.json:
        lines = [{"from": line.start, "to": line.end, "carries": line.flow} for line in drawn.lines]
        data = {
            "panel": network.panel.id,
            "failures": list(failures),
            "lines": lines,
            "failed": {node.id: list(node.failed) for node in drawn.nodes.values() if node.failed},
            "dials": {gauge: node.flow for node in drawn.nodes.values() for gauge in node.gauges},
            "independent": [gauge for node in drawn.independent for gauge in node.gauges],
        }
        print(json.dumps(data, ensure_ascii=False, indent=1))
    else:
        print(plumbing_text(network, failures, switches, systems=systems, width=text_width(chosen)))
    return 0


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
    if chosen.json:
        print(json.dumps(comparison_data(found, panel), ensure_ascii=False, indent=1))
    else:
        print(comparison(found, kb, panel, text_width(chosen)))
    return 0


def _alike(chosen: argparse.Namespace, kb: KnowledgeBase, manoeuvre: str) -> int:
    from diagnose import engine_for
    from diagnose.advice.coverage import ambiguity_groups
    from diagnose.render.signature import alike

    panel = kb.panel(_panel(chosen, kb, ()))
    groups = ambiguity_groups(engine_for(kb, panel.id), manoeuvre)
    if chosen.json:
        data = {"panel": panel.id, "manoeuvre": manoeuvre, "alike": groups}
        print(json.dumps(data, ensure_ascii=False, indent=1))
    else:
        print(alike(groups, manoeuvre, kb, panel, text_width(chosen)))
    return 0


def add_help(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    about = commands.add_parser(
        "help",
        parents=[shared],
        help="topics; a command, a gauge, a reading or a term: diagnose help precession",
    )
    about.add_argument("topic", nargs="*", help="a topic or a word; none: the topics")
    about.set_defaults(run=partial(_help, commands))
    manual = commands.add_parser(
        "manual", parents=[shared], description="The whole manual: all topics of the help."
    )
    writes(manual, "-o", "--html", text="write it as a page that stands by itself")
    manual.set_defaults(run=partial(_manual, commands))
    for parser in (about, manual):
        asks_width(parser)


def _help(commands: Subparsers, chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.render.layout import fill, table
    from diagnose.render.manual import TOPICS, as_text, title
    from diagnose.terminal.commands import COMMANDS
    from diagnose.terminal.commands.desk import Desk
    from diagnose.terminal.commands.helping import about, command_rows

    wide, asked = text_width(chosen), " ".join(chosen.topic).lower()
    if not asked:
        lead = (
            "diagnose help TOPIC tells about one of these; diagnose help WORD about a command, a gauge, a reading or "
            "a term; diagnose COMMAND --help lists the options; diagnose manual -o FILE.html writes all as one page."
        )
        print(fill(lead, wide), table([(f"  {topic}", title(topic)) for topic in TOPICS], wide), sep="\n\n")
    elif asked in TOPICS:
        print(as_text(asked, command_rows(COMMANDS), wide))
    elif asked in commands.choices:
        print(commands.choices[asked].format_help(), end="")
    else:
        print(about(Desk(kb=load(), width=wide), asked, COMMANDS))
    return 0


def _manual(commands: Subparsers, chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.render.manual import TOPICS, as_page, as_text
    from diagnose.terminal.commands import COMMANDS
    from diagnose.terminal.commands.helping import command_rows

    rows = command_rows(COMMANDS)
    if chosen.html is None:
        print("\n\n\n".join(as_text(topic, rows, text_width(chosen)) for topic in TOPICS))
        return 0
    usages = [(name, parser.format_help()) for name, parser in commands.choices.items()]
    write(chosen, chosen.html, as_page(rows, usages))
    return 0
