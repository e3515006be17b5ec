"""``diagnose rank`` and ``diagnose cases``."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Subparsers, asks_width, report, seconds, tell, text_width
from diagnose.model.errors import DiagnoseError

if TYPE_CHECKING:
    from diagnose import Looks
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.model import CaseRecord
    from diagnose.model.answer import Answer
    from diagnose.network.engine import Engine
    from diagnose.network.posterior import Posterior


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
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
