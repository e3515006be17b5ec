"""What maintainers run, behind ``diagnose proof``: calibrate, coverage, evidence, sensitivity, validate and the like."""

from __future__ import annotations

import argparse
import json
import os
import shlex
import textwrap
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.command import (
    Load,
    Subparsers,
    asks_cluster,
    asks_width,
    tell,
    text_width,
    whole,
    write,
    writes,
)
from diagnose.terminal.console import step

if TYPE_CHECKING:
    from diagnose.advice.coverage import PanelCoverage
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.proof.calibrate.measures import Bin, Calibration

FLIGHTS, HEALTHY, SEED = 2600, 300, 20261125


def add_calibrate(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the command to the parser."""
    calibrate = commands.add_parser(
        "calibrate",
        parents=[shared],
        help="fly simulated flights with known truth: how far the probabilities can be believed",
    )
    calibrate.add_argument("--show", action="store_true", help="show the stored outcome, fly nothing")
    calibrate.add_argument(
        "--flights", type=_number, default=FLIGHTS, metavar="N", help=f"for each setting ({FLIGHTS})"
    )
    calibrate.add_argument(
        "--healthy", type=_number, default=HEALTHY, metavar="N", help=f"for each kind and setting ({HEALTHY})"
    )
    calibrate.add_argument("--seed", type=_number, default=SEED, metavar="N", help=f"({SEED})")
    calibrate.add_argument("--workers", type=_number, metavar="N", help="processes (all cores)")
    asks_cluster(calibrate)
    calibrate.add_argument(
        "--work", type=Path, metavar="FOLDER", help="where finished chunks are kept, to go on after a stop"
    )
    writes(calibrate, "--to", text="write the outcome there (JSON)")
    writes(calibrate, "--svg", text="write the reliability diagram there")
    calibrate.add_argument("--json", action="store_true", help="answer as JSON")
    calibrate.set_defaults(run=_calibrate)


#: more flights than anybody waits for, and more seeds than anybody tries
_number = whole(0, 1_000_000_000)


def _calibrate(chosen: argparse.Namespace, load: Load) -> int:
    import msgspec

    from diagnose.proof.calibrate import load_result, reliability_svg, write_result

    result = load_result() if chosen.show else _fly(chosen, load)
    if chosen.to:
        write_result(result, chosen.to, over=chosen.over)
    if chosen.svg:
        write(chosen, chosen.svg, reliability_svg(result), tell)
    if chosen.json:
        print(json.dumps(msgspec.to_builtins(result), ensure_ascii=False, indent=1))
    else:
        print("\n".join(_calibration_text(result)))
    return 0


def _fly(chosen: argparse.Namespace, load: Load) -> Calibration:
    import platformdirs

    from diagnose.proof.calibrate.run import collect, plan, run, work_mark

    overlays = tuple(path.resolve() for path in (*chosen.knowledge_first, *chosen.knowledge))
    chunks = plan(chosen.flights, chosen.healthy, chosen.seed)
    work = chosen.work or Path(platformdirs.user_cache_dir("diagnose")) / "calibrate"
    folder = work / work_mark(overlays)
    kb = load()
    total, flown = sum(chunk.flights for chunk in chunks), 0

    def told(flights: int) -> None:
        nonlocal flown
        flown += flights
        step(f"{flown:,} of {total:,} flights")

    run(chunks, folder, overlays, chosen.workers, told, chosen.cluster)
    return collect(chunks, folder, kb, _command(chosen))


def _command(chosen: argparse.Namespace) -> str:
    """The command that gives this outcome again."""
    words = ["diagnose", "calibrate", "--flights", str(chosen.flights), "--healthy", str(chosen.healthy)]
    words += ["--seed", str(chosen.seed)]
    for overlay in (*chosen.knowledge_first, *chosen.knowledge):
        words += ["--knowledge", overlay.name]
    return shlex.join(words)


# ------------------------------------------------------------------ as text


def _calibration_text(result: Calibration) -> list[str]:
    lines = [f"{result.flights:,} simulated flights with known truth on {len(result.panels)} panels."]
    for scores in result.scores:
        lines += [
            "",
            f"Setting {scores.setting}: {scores.flights:,} flights",
            f"  expected calibration error  {scores.ece:.3f} of failures' probabilities from 0.01 up",
            f"                              {scores.ece_likely:.3f} of those above one half",
            f"                              {scores.ece_top:.3f} of the first-ranked answer",
            f"  Brier score                 {scores.brier:.3f} (without readings {scores.brier_prior:.3f})",
            f"  log score                   {scores.log_score:.3f} (without readings {scores.log_score_prior:.3f})",
        ]
        for tally in scores.by_snapshots:
            lines.append(
                f"  {tally.name} moment{'s' * (tally.name != '1')}: truth first "
                f"{_share(tally.top1, tally.flights)}, among the first three {_share(tally.top3, tally.flights)}"
            )
        lines += ["", "  given          how many   on average   came true (95 %)", *map(_bin, scores.bins)]
    lines += ["", "Healthy flights, a failure above 0.5:"]
    for alarms in result.healthy:
        also = f", no failure but something like it in {alarms.look_alikes}" if alarms.look_alikes else ""
        lines.append(
            f"  {alarms.setting:<9} {alarms.kind:<9} {alarms.alarms} of {alarms.flights} "
            f"({_share(alarms.alarms, alarms.flights)}){also}"
        )
    return [*lines, "", f"Made by: {result.command}"]


def _share(part: int, whole: int) -> str:
    return f"{100 * part / whole:.1f} %" if whole else "-"


def _bin(found: Bin) -> str:
    low, high = found.interval
    return (
        f"  {found.low:.2f} to {found.high:.2f} {found.count:>10,} {found.mean:>12.3f}   "
        f"{found.share:.3f} ({low:.3f} to {high:.3f})"
    )


#: names that are listed of what a failure cannot be told from
LISTED = 4


def add_coverage(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the command to the parser."""
    coverage = commands.add_parser(
        "coverage",
        parents=[shared],
        help="in which maneuvers each failure shows and can be told from every other",
    )
    coverage.add_argument("--panel", metavar="PANEL", default="single_pump", help="single_pump if not said")
    coverage.add_argument(
        "--maneuver",
        "--manoeuvre",
        dest="manoeuvre",
        action="append",
        metavar="NAME",
        help="only this one; may be repeated",
    )
    coverage.add_argument(
        "--every-panel", action="store_true", help="all panels one after the other, a line each"
    )
    writes(coverage, "--to", text="with --every-panel: write it there (JSON)")
    coverage.add_argument("--json", action="store_true", help="answer as JSON")
    asks_width(coverage)
    coverage.set_defaults(run=_coverage)


def _coverage(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose import engine_for
    from diagnose.advice.coverage import cover
    from diagnose.language import entry_forms, find

    kb = load()
    if chosen.every_panel:
        return _every_panel(kb, chosen)
    panel = find(chosen.panel, entry_forms(kb.panels), "panel")
    manoeuvres = [find(name, entry_forms(kb.manoeuvres), "maneuver") for name in chosen.manoeuvre or ()]
    found = cover(engine_for(kb, panel), manoeuvres, told=lambda name: step(f"coverage of {name}"))
    if chosen.json:
        print(json.dumps(_as_data(found), ensure_ascii=False, indent=1))
        return 0
    columns = text_width(chosen)
    print("\n".join(_coverage_text(found, kb, columns)))
    return 0


def _step(panel: str, manoeuvre: str) -> None:
    step(f"coverage of {panel}, {manoeuvre}")


def _every_panel(kb: KnowledgeBase, chosen: argparse.Namespace) -> int:
    import msgspec

    from diagnose import engine_for
    from diagnose.advice.coverage import COMMAND, StoredCoverage, cover, mark_of

    panels = []
    for panel in kb.panels:
        found = cover(engine_for(kb, panel), told=partial(_step, panel))
        panels.append(found)
        shown, apart = (
            sum(map(bool, (getattr(f, w) for f in found.failures))) for w in ("detectable", "isolable")
        )
        print(
            f"{panel:<20} {len(found.failures):>3} failures, {shown} show somewhere, {apart} can be told from all"
        )
    if chosen.to is not None:
        stored = StoredCoverage(command=COMMAND, mark=mark_of(kb), panels=tuple(panels))
        write(chosen, chosen.to, msgspec.json.format(msgspec.json.encode(stored), indent=0) + b"\n", tell)
    return 0


def _as_data(found: PanelCoverage) -> dict[str, object]:
    return {
        "panel": found.panel,
        "failures": [
            {
                "failure": one.failure,
                "detectable": one.detectable,
                "isolable": one.isolable,
                "looks_like": one.looks_like,
            }
            for one in found.failures
        ],
        "groups": found.groups,
    }


def _coverage_text(found: PanelCoverage, kb: KnowledgeBase, columns: int) -> Iterable[str]:
    total = len(found.groups)
    yield from _wrapped(f"Panel: {kb.panels[found.panel].name}", columns)
    yield from _wrapped(
        f"Every gauge read once in one maneuver; counts are of {total}. Shows: told from a healthy airplane. "
        "Apart: told from every other single failure too.",
        columns,
    )
    yield ""
    yield f"{'shows':>6} {'apart':>6}  failure"
    for one in found.failures:
        yield from _wrapped(
            kb.failures[one.failure].name, columns, f"{len(one.detectable):>6} {len(one.isolable):>6}  "
        )
        alike = [_name(other, kb) for other in one.looks_like]
        if alike:
            more = f" and {len(alike) - LISTED} more" if len(alike) > LISTED else ""
            yield from _wrapped(f"always like: {'; '.join(alike[:LISTED])}{more}", columns, " " * 17)
    for manoeuvre, groups in found.groups.items():
        yield ""
        yield from _wrapped(f"Alike in: {kb.manoeuvres[manoeuvre].name}", columns)
        for group in groups:
            yield from _wrapped("; ".join(_name(name, kb) for name in group), columns, "  - ")
    yield ""
    yield from _wrapped(
        "What shows nowhere by one look may show over several, after a switch is moved, "
        "or once something else has failed. For ground training and review only.",
        columns,
    )


def _name(failure: str, kb: KnowledgeBase) -> str:
    return kb.failures[failure].name if failure in kb.failures else "nothing failed"


def _wrapped(text: str, columns: int, lead: str = "") -> list[str]:
    return textwrap.wrap(text, columns, initial_indent=lead, subsequent_indent=" " * len(lead))


def add_evidence(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    evidence = commands.add_parser(
        "evidence",
        parents=[shared],
        help="what this was checked against, run afresh, and what was not shown (about a minute)",
    )
    evidence.add_argument("--json", action="store_true", help="answer as JSON")
    writes(evidence, "--html", text="write it as a page that stands by itself")
    asks_width(evidence)
    evidence.set_defaults(run=_evidence)
    sensitivity = commands.add_parser(
        "sensitivity",
        parents=[shared],
        help="how far each uncertain number moves the rankings (some minutes); the evidence shows the result",
    )
    writes(sensitivity, "--to", text="write it there instead of into the knowledge base")
    sensitivity.add_argument(
        "--processes", type=whole(1, 1000), metavar="N", help="processes that work at once"
    )
    asks_cluster(sensitivity)
    sensitivity.set_defaults(run=_sensitivity)


def _evidence(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.proof.outside import gather
    from diagnose.proof.outside.report import render, to_data

    kb = load()
    found = gather(kb, tell)
    if chosen.html is not None:
        from diagnose.proof.outside.report import page

        write(chosen, chosen.html, page(found, kb), tell if chosen.json else print)
    if chosen.json:
        print(json.dumps(to_data(found), ensure_ascii=False, indent=1))
    elif chosen.html is None:
        columns = text_width(chosen)
        print(render(found, kb, columns))
    return 1 if found.faults else 0


def _sensitivity(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.knowledge.load import knowledge_root
    from diagnose.proof import sensitivity

    load()
    overlays = tuple(path.resolve() for path in (*chosen.knowledge_first, *chosen.knowledge))
    result = sensitivity.measure(overlays, chosen.processes or os.cpu_count() or 1, tell, chosen.cluster)
    path = chosen.to or knowledge_root() / sensitivity.STORED
    sensitivity.write(result, path, over=chosen.to is None or chosen.over)
    print(path)
    return 0


def add_knowledge(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
    """Add the commands to the parser."""
    validate = commands.add_parser(
        "validate", parents=[shared], help="check the knowledge base; all problems at once"
    )
    validate.set_defaults(run=_validate)
    derive = commands.add_parser("derive", parents=[shared], help="simulate the likelihood tables anew")
    writes(derive, "--to", text="write them there instead of into the knowledge base")
    derive.set_defaults(run=_derive)
    export = commands.add_parser(
        "export", parents=[shared], help="write a case's network with its evidence for other programs"
    )
    export.add_argument("case")
    export.add_argument("--format", choices=("bif",), default="bif", help="the format (bif)")
    writes(export, "--to", text="write it there instead of to the screen")
    export.set_defaults(run=_export)


def _validate(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.proof.validate import check

    kb = load()
    check(kb)
    print(
        f"The knowledge base is sound: {len(kb.failures)} failures, {len(kb.gauges)} gauges, "
        f"{len(kb.panels)} panels, {len(kb.manoeuvres)} maneuvers."
    )
    return 0


def _derive(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.network.likelihood import derive

    print(
        derive(
            load(), chosen.to, lambda name: step(f"tables of {name}"), over=chosen.to is None or chosen.over
        )
    )
    return 0


def _export(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.language.case_files import load_case
    from diagnose.network.pgmpy_bridge import bif_of
    from diagnose.network.tables import compile_network

    kb = load()
    case = load_case(chosen.case, kb)
    text = bif_of(compile_network(kb, case.panel), case, tell)
    if chosen.to is None:
        print(text)
        return 0
    write(chosen, chosen.to, text)
    return 0
