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
    Subparsers,
    asks_width,
    report,
    seconds,
    tell,
    text_width,
    write,
    writes,
)
from diagnose.model.errors import CaseError, DiagnoseError

if TYPE_CHECKING:
    from diagnose import Looks
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.model import CaseRecord
    from diagnose.model.answer import Answer
    from diagnose.network.engine import Engine
    from diagnose.network.posterior import Posterior
    from diagnose.review import Review


def add_rank(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    rank = commands.add_parser(
        "rank",
        parents=[shared],
        help="rank the failures that explain a case; diagnose cases lists those that come with it",
    )
    rank.add_argument("case", nargs="+", help="a shipped case (see: diagnose cases) or a file")
    rank.add_argument("--json", action="store_true", help="answer as JSON")
    rank.add_argument(
        "--full", action="store_true", help="everything: all explanations, trust, advice, looks"
    )
    rank.add_argument("--why", action="store_true", help="add the reasons")
    rank.add_argument(
        "--figures", action="store_true", help="add to --why how far each reading moves the odds"
    )
    rank.add_argument("--setting", metavar="WHY", help="why you are here: routine, anomaly or exercise")
    asks_width(rank)
    rank.add_argument("--cross-check", action="store_true", help="work it out by pgmpy too, and compare")
    rank.add_argument(
        "--time-limit",
        type=seconds,
        default=60.0,
        metavar="SECONDS",
        help="for the cross-check of a case (60)",
    )
    rank.add_argument("--looks", action="store_true", help="list everything that could be looked at next")
    rank.set_defaults(run=_rank)
    commands.add_parser("cases", description="list the shipped cases").set_defaults(run=_cases)


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
            print("\n" * bool(number) + shown, flush=True)
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


def add_story(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the command to the parser."""
    story = commands.add_parser(
        "story",
        parents=[shared],
        help="read a pilot's own story: what was taken in, what was not used, then the answer",
    )
    story.add_argument("file", metavar="FILE", help="a text file, or - for what is typed or piped in")
    story.add_argument("--panel", metavar="NAME", help="the panel, where the story does not tell it")
    story.add_argument("--full", action="store_true", help="the whole answer, not its first screen")
    story.add_argument("--json", action="store_true", help="answer as JSON")
    asks_width(story)
    story.set_defaults(run=_story)


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
        raise CaseError("the story is empty", name, "in the climb the airspeed froze at 80")
    return text


def _story(chosen: argparse.Namespace, load: Load) -> int:
    text = _text(chosen.file)
    kb = load()
    # numpy comes with these
    from diagnose.language import entry_forms, find
    from diagnose.render.text import brief, render
    from diagnose.terminal.commands.desk import Desk
    from diagnose.terminal.commands.hearing import hear_story, story_data, taken_lines

    desk = Desk(kb=kb)
    if chosen.panel:
        desk = desk.change(panel=find(chosen.panel, entry_forms(kb.panels), "panel"))
    heard = hear_story(desk, text)
    if chosen.json:
        print(json.dumps(story_data(heard), ensure_ascii=False, indent=1))
        return 0
    columns = text_width(chosen)
    print("\n".join(taken_lines(heard, columns)))
    shown = render if chosen.full else brief
    print("\n" + shown(heard.answer, heard.desk.case, kb, columns))
    return 0


#: option -> what it does; they may stand before or after the name of the command
OPTIONS = {
    "--batch": "stop at the first line that is not understood, with its exit code",
    "--plain": "one statement a line, nothing aligned or drawn: for screen readers and scripts",
    "--no-color": "no colors (also when the environment variable NO_COLOR is set)",
}


def add_talk(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    worksheet = commands.add_parser(
        "worksheet",
        parents=[shared],
        help="a full-screen sheet of gauges and moments with the ranking beside it",
    )
    worksheet.add_argument("case", nargs="?", help="a shipped case (see: diagnose cases) or a file")
    worksheet.set_defaults(run=_worksheet)
    guide = commands.add_parser(
        "guide", parents=[shared], help="be asked, one question at a time, what is worth asking"
    )
    guide.set_defaults(run=_guide)
    for parser in (worksheet, guide):
        add_options(parser)


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the prompt; one given before a subcommand is not undone by its default."""
    for option, text in OPTIONS.items():
        parser.add_argument(option, action="store_true", default=argparse.SUPPRESS, help=text)


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


def add_writeup(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    writeup = commands.add_parser(
        "writeup", parents=[shared], description="write up a case or a recorded flight for maintenance"
    )
    _source(writeup)
    writeup.add_argument("--json", action="store_true", help="as JSON")
    writeup.add_argument("--notes", action="store_true", help="the record for your own notes instead")
    writes(writeup, "-o", "--html", text="write it as a page")
    asks_width(writeup)
    writeup.set_defaults(run=_writeup)
    report = commands.add_parser(
        "report",
        parents=[shared],
        help="write a whole report of a case, a recorded flight, a scenario or the drill as one page",
    )
    _source(report)
    report.add_argument(
        "--session", type=Path, metavar="FILE", help="record of a session: the debrief of its scenario"
    )
    report.add_argument("--data", type=Path, metavar="PATH", help="file of the drill's progress")
    writes(report, "-o", "--html", text="the page to write", required=True)
    report.set_defaults(run=_report)


def _source(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "case",
        help="a shipped case, a case file, or a recorded flight (.csv); a report also: a scenario, or drill",
    )
    command.add_argument(
        "--map", type=Path, metavar="FILE", help="mapping of a recorded flight; without it a guess is taken"
    )
    command.add_argument("--panel", metavar="PANEL", help="panel of a recorded flight")
    command.add_argument("--paper", choices=PAPERS, default="a4", help="paper of the page")


def _answered(
    chosen: argparse.Namespace, kb: KnowledgeBase
) -> tuple[CaseRecord, Answer, Engine, Review | None]:
    """The case of a file, or of a reviewed recording."""
    from diagnose import answer_case, engine_for

    if Path(chosen.case).suffix.lower() == ".csv":
        from diagnose.network.engine import Engine
        from diagnose.review import load_map, reviewed

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
    columns = text_width(chosen)
    if chosen.html:
        from diagnose.render.pages.whole import write_up_page

        write(chosen, chosen.html, write_up_page(up, chosen.paper), tell)
    if chosen.json:
        print(json.dumps(write_up_data(up), ensure_ascii=False, indent=1))
    elif chosen.notes:
        print(incident_text(up, columns), end="")
    elif not chosen.html:
        print(write_up_text(up, columns), end="")
    return 0


def _report(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.render.pages.whole import case_page, review_page
    from diagnose.render.pages.writeup import write_up_case

    if chosen.case == DRILL:
        from diagnose.cli.drill import write_progress_page

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
    from diagnose.cli.scenario import flown
    from diagnose.practice.known import follow

    scenario, simulation, engine = flown(chosen.case, kb)
    followed = follow(simulation, engine)
    if chosen.session is None:
        from diagnose.render.pages.papers import instructor_copy

        return instructor_copy(simulation, followed, chosen.paper)
    from diagnose.practice.tabletop import read_session, score
    from diagnose.render.pages.debrief import debrief_page

    record = read_session(chosen.session, scenario)
    return debrief_page(
        simulation, followed, record, score(simulation, engine, followed, record), chosen.paper
    )
