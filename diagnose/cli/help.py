"""``diagnose help`` and ``diagnose manual``: the same texts topic by topic, and as one page."""

from __future__ import annotations

import argparse
from functools import partial

from diagnose.cli.command import Load, Subparsers, asks_width, text_width, write, writes


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
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
