"""Commands about a case: rank, the prompt, a story, the write-up."""

from __future__ import annotations

import argparse
import json
import os
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.command import (
    Load,
    Parser,
    Subparsers,
    command,
    report,
    seconds,
    show,
    tell,
    text_width,
    write,
)
from diagnose.model.errors import CaseError, DiagnoseError
from diagnose.terminal.console import paged

if TYPE_CHECKING:
    from diagnose import Looks
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.model import CaseRecord
    from diagnose.model.answer import Answer
    from diagnose.network.engine import Engine
    from diagnose.network.posterior import Posterior
    from diagnose.review.findings import Review


def add_rank(commands: Subparsers, shared: Parser) -> None:
    """Add the commands to the parser."""
    about = "rank the failures that explain a case; diagnose cases lists those that come with it"
    rank = command(commands, shared, "rank", _rank, about)
    rank.add_argument("case", nargs="+", help="a shipped case (see: diagnose cases) or a file")
    rank.flag("--full", text="everything: all explanations, trust, advice, looks")
    rank.flag("--why", text="add the reasons")
    rank.flag("--figures", text="add to --why how far each reading moves the odds")
    rank.option("--setting", metavar="WHY", text="why you are here: routine, anomaly or exercise")
    rank.flag("--looks", text="list everything that could be looked at next")
    rank.flag("--cross-check", text="work it out by pgmpy too, and compare")
    limit = "for the cross-check of a case (60)"
    rank.option("--time-limit", type=seconds, default=60.0, metavar="SECONDS", text=limit)
    rank.asks_form()
    command(commands, None, "cases", _cases, "list the shipped cases", listed=False)


def _cases(chosen: argparse.Namespace, load: Load) -> int:
    import tomllib

    from diagnose.language.case_files import case_paths

    for name, path in case_paths().items():
        print(f"{name:<48} {tomllib.loads(path.read_text(encoding='utf-8')).get('title', '')}")
    return 0


def _rank(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose import with_looks
    from diagnose.language import entry_forms, find
    from diagnose.render.text import brief, render, to_data

    kb = load()
    columns = text_width(chosen)
    setting = find(chosen.setting, entry_forms(kb.settings), "setting") if chosen.setting else ""
    engines: dict[str, Engine] = {}
    answers: list[dict[str, object]] = []
    worst = 0
    for number, name in enumerate(chosen.case):
        try:
            full = chosen.full or chosen.why or chosen.looks
            looks: Looks = "all" if chosen.looks or chosen.json else "here" if full else ""
            case, answer, posterior, engine = _answer(name, kb, setting, engines, looks)
            if not (looks or answer.decided):
                # the first screen names a look only where the cause is not clear yet
                answer = with_looks(engine, posterior, answer, "here")
            because = None
            if chosen.why or (full and not chosen.json):
                from diagnose.advice.explain.why import reasons
                from diagnose.render.plumbing import reached_text
                from diagnose.render.reasons import reasons_data, why, why_short

                because = reasons(engine, posterior, whole=chosen.why)
        except DiagnoseError as error:
            # one bad case does not keep the others from being ranked
            worst = max(worst, report(error, as_json=chosen.json))
            answers.append({"case": name, "error": error.as_dict()})
            continue
        if chosen.json:
            data = {"why": reasons_data(because, case, kb)} if because else {}
            answers.append({"case": name, **to_data(answer, case, kb), **data})
        elif not full:
            print("\n" * bool(number) + brief(answer, case, kb, columns), flush=True)
        else:
            assert because is not None
            told = (
                why(
                    because,
                    case,
                    kb,
                    columns,
                    figures=chosen.figures,
                    drawn=reached_text(engine.network, case, because, columns),
                )
                if chosen.why
                else why_short(because, kb, columns)
            )
            shown = render(answer, case, kb, columns, why=told, all_looks=chosen.looks)
            paged("\n" * bool(number) + shown)
        if chosen.cross_check:
            from diagnose.proof import cross_check

            check = cross_check.cross_check(kb, case, engines[case.panel], chosen.time_limit, tell)
            if chosen.json:
                answers[-1]["cross_check"] = cross_check.to_data(check, kb)
            else:
                print("\n" + cross_check.render(check, kb, columns), flush=True)
    if chosen.json and (len(answers) > 1 or not worst):
        print(json.dumps(answers if len(answers) > 1 else answers[0], ensure_ascii=False, indent=1))
    return worst


def _answer(
    name: str, kb: KnowledgeBase, setting: str, engines: dict[str, Engine], looks: Looks
) -> tuple[CaseRecord, Answer, Posterior, Engine]:
    import msgspec

    from diagnose import answer_posterior, engine_for
    from diagnose.language.case_files import load_case

    case = load_case(name, kb)
    if setting:
        case = msgspec.structs.replace(case, setting=setting)
    if case.panel not in engines:
        engines[case.panel] = engine_for(kb, case.panel)
    engine = engines[case.panel]
    posterior = engine.posterior(case)
    return case, answer_posterior(engine, posterior, looks=looks), posterior, engine


#: characters that are read of a file at most; the reader's own limit is lower (knowledge/story.toml)
MOST_READ = 200_000


def add_story(commands: Subparsers, shared: Parser) -> None:
    """Add the command to the parser."""
    about = "read a pilot's own story: the answer, then what was taken in and what was not used"
    story = command(commands, shared, "story", _story, about)
    story.add_argument("file", metavar="FILE", help="a text file, or - for what is typed or piped in")
    story.option("--panel", metavar="NAME", text="the panel, where the story does not tell it")
    story.flag("--full", text="all that was taken in, from which words, and the whole answer")
    story.asks_form()


def _text(name: str) -> str:
    try:
        # a little more than a story may have, so that the reader can say that it is too long
        if name == "-":
            text = sys.stdin.read(MOST_READ)
        else:
            with Path(name).open("rb") as file:
                text = file.read(MOST_READ).decode("utf-8-sig")
    except OSError as error:
        raise CaseError(f"the story cannot be read ({error.strerror})", name, "check the path") from None
    except UnicodeDecodeError:
        raise CaseError("this is no text in UTF-8", name, "save the story as plain text") from None
    if not text.strip():
        where = "standard input" if name == "-" else name
        raise CaseError("the story is empty", where, "in the climb the airspeed froze at 80")
    return text


def _story(chosen: argparse.Namespace, load: Load) -> int:
    told = _text(chosen.file)
    kb = load()
    # numpy comes with these
    from diagnose.language import entry_forms, find
    from diagnose.render.text import brief, render
    from diagnose.terminal.commands.desk import Desk
    from diagnose.terminal.commands.hearing import hear_story, heard_lines, story_data, taken_lines

    desk = Desk(kb=kb)
    if chosen.panel:
        desk = desk.change(panel=find(chosen.panel, entry_forms(kb.panels), "panel"))
    heard = hear_story(desk, told)

    def text(columns: int) -> str:
        answer, case = heard.answer, heard.desk.case
        if chosen.full:
            return "\n".join([*taken_lines(heard, columns), "", render(answer, case, kb, columns)])
        return "\n".join([brief(answer, case, kb, columns), "", *heard_lines(heard, columns, "--full")])

    return show(chosen, lambda: story_data(heard), text)


#: option -> what it does; they may stand before or after the name of the command
OPTIONS = {
    "--batch": "stop at the first line that is not understood, with its exit code",
    "--plain": "one statement a line, nothing aligned or drawn: for screen readers and scripts",
    "--no-color": "no colors (also when the environment variable NO_COLOR is set)",
}


def add_talk(commands: Subparsers, shared: Parser) -> None:
    """Add the commands to the parser."""
    about = "a full-screen sheet of gauges and moments with the ranking beside it"
    worksheet = command(commands, shared, "worksheet", _worksheet, about)
    worksheet.add_argument("case", nargs="?", help="a shipped case (see: diagnose cases) or a file")
    guide = command(
        commands, shared, "guide", _guide, "be asked, one question at a time, what is worth asking"
    )
    for parser in (worksheet, guide):
        add_options(parser)


def add_options(parser: Parser) -> None:
    """Add the options of the prompt; one given before a subcommand is not undone by its default."""
    for option, text in OPTIONS.items():
        parser.flag(option, default=argparse.SUPPRESS, text=text)


def start(chosen: argparse.Namespace, kb: KnowledgeBase, first: tuple[str, ...] = ()) -> int:
    """Run the prompt with these lines first."""
    from diagnose.terminal.commands import Desk
    from diagnose.terminal.prompt import Options, run

    options = Options(
        batch=getattr(chosen, "batch", False),
        plain=getattr(chosen, "plain", False),
        colour=not (getattr(chosen, "no_color", False) or os.environ.get("NO_COLOR")),
    )
    return run(Desk(kb=kb), sys.stdin, sys.stdout, options, first=first)


def _worksheet(chosen: argparse.Namespace, load: Load) -> int:
    load_first = (f"load {chosen.case}",) if chosen.case else ()
    return start(chosen, load(), (*load_first, "worksheet"))


def _guide(chosen: argparse.Namespace, load: Load) -> int:
    return start(chosen, load(), ("guide",))


PAPERS = ("a4", "letter")
#: the word for the drill instead of a case
DRILL = "drill"


def add_writeup(commands: Subparsers, shared: Parser) -> None:
    """Add the commands to the parser."""
    about = "write up a case or a recorded flight for maintenance"
    writeup = command(commands, shared, "writeup", _writeup, about, listed=False)
    about = "write a whole report of a case, a recorded flight, a scenario or the drill as one page"
    report = command(commands, shared, "report", _report, about)
    what = "a shipped case, a case file, or a recorded flight (.csv); a report also: a scenario, or drill"
    guessed = "mapping of a recorded flight; without it a guess is taken"
    for parser in (writeup, report):
        parser.add_argument("case", help=what)
        parser.option("--map", type=Path, metavar="FILE", text=guessed)
        parser.option("--panel", metavar="PANEL", text="panel of a recorded flight")
        parser.add_argument("--paper", choices=PAPERS, default="a4", help="paper of the page")
    writeup.flag("--notes", text="the record for your own notes instead")
    writeup.writes("-o", "--html", text="write it as a page")
    writeup.asks_form()
    debrief = "record of a session: the debrief of its scenario"
    report.option("--session", type=Path, metavar="FILE", text=debrief)
    report.option("--data", type=Path, metavar="PATH", text="file of the drill's progress")
    report.writes("-o", "--html", text="the page to write", required=True)


def _answered(
    chosen: argparse.Namespace, kb: KnowledgeBase
) -> tuple[CaseRecord, Answer, Engine, Review | None]:
    """The case of a file, or of a reviewed recording."""
    from diagnose import answer_case, engine_for

    if Path(chosen.case).suffix.lower() == ".csv":
        from diagnose.network.engine import Engine
        from diagnose.review.findings import reviewed
        from diagnose.review.table import load_map

        mapping = load_map(chosen.map, kb) if chosen.map else None
        found = reviewed(Path(chosen.case), mapping, chosen.panel, "", kb, partial(engine_for, kb))
        return found.case, found.answer, Engine(found.network), found
    from diagnose.language.case_files import load_case

    case = load_case(chosen.case, kb)
    engine = engine_for(kb, case.panel)
    return case, answer_case(kb, case, engine), engine, None


def _writeup(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.render.pages.writeup import incident_text, write_up_case, write_up_data, write_up_text

    case, answer, engine, found = _answered(chosen, load())
    up = write_up_case(engine, case, answer, found)
    if chosen.html:
        from diagnose.render.pages.whole import write_up_page

        write(chosen, chosen.html, write_up_page(up, chosen.paper), tell)
    if chosen.json or chosen.notes or not chosen.html:
        told = incident_text if chosen.notes else write_up_text
        show(chosen, lambda: write_up_data(up), lambda columns: told(up, columns).removesuffix("\n"))
    return 0


def _report(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.render.pages.whole import case_page, review_page
    from diagnose.render.pages.writeup import write_up_case

    if chosen.case == DRILL:
        from diagnose.cli.practice import write_progress_page

        return write_progress_page(chosen, load)
    if chosen.session is not None or _is_scenario(chosen.case):
        write(chosen, chosen.html, _scenario_page(chosen, load()), tell)
        return 0
    case, answer, engine, found = _answered(chosen, load())
    up = write_up_case(engine, case, answer, found)
    text = (
        case_page(case, answer, engine, up, chosen.paper)
        if found is None
        else review_page(found, up, chosen.paper)
    )
    write(chosen, chosen.html, text, tell)
    return 0


def _is_scenario(name: str) -> bool:
    """Whether this is a scenario: the name of a shipped one that is no case, or a file with legs in it."""
    from diagnose.knowledge.load import read_toml
    from diagnose.language.case_files import case_paths
    from diagnose.practice.scenarios import scenario_paths

    if "\0" not in name and Path(name).is_file():
        return Path(name).suffix.lower() == ".toml" and "leg" in read_toml(Path(name), name, [])
    return name in scenario_paths() and name not in case_paths()


def _scenario_page(chosen: argparse.Namespace, kb: KnowledgeBase) -> str:
    """The instructor's copy of a scenario, with all answers, or the debrief of a session with it."""
    from diagnose.cli.practice import flown
    from diagnose.practice.known import follow

    scenario, simulation, engine = flown(chosen.case, kb)
    if chosen.session is None:
        from diagnose.render.pages.papers import instructor_copy

        return instructor_copy(simulation, follow(simulation, engine), chosen.paper)
    from diagnose.practice.scoring import score
    from diagnose.practice.tabletop import as_decided, read_session
    from diagnose.render.pages.debrief import debrief_page

    record = read_session(chosen.session, scenario)
    simulation = as_decided(simulation, record.calls)
    followed = follow(simulation, engine)
    return debrief_page(
        simulation, followed, record, score(simulation, engine, followed, record), chosen.paper
    )
