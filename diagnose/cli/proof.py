"""What maintainers run, behind ``diagnose proof``: calibrate, coverage, evidence, sensitivity, validate and the like."""

from __future__ import annotations

import argparse
import os
import shlex
import textwrap
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Parser, Subparsers, command, show, tell, whole, write
from diagnose.terminal.console import step

if TYPE_CHECKING:
    from diagnose.advice.coverage import PanelCoverage
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.proof.calibrate.measures import Bin, Calibration

FLIGHTS, HEALTHY, SEED = 2600, 300, 20261125


def add_calibrate(commands: Subparsers, shared: Parser) -> None:
    """Add the command to the parser."""
    about = "fly simulated flights with known truth: how far the probabilities can be believed"
    own = command(commands, shared, "calibrate", _calibrate, about)
    own.flag("--show", text="show the stored outcome, fly nothing")
    for name, usual, text in (
        ("--flights", FLIGHTS, "for each setting"),
        ("--healthy", HEALTHY, "for each kind and setting"),
        ("--seed", SEED, ""),
    ):
        own.option(name, type=_number, default=usual, metavar="N", text=f"{text} ({usual})".lstrip())
    own.option("--workers", type=_number, metavar="N", text="processes (all cores)")
    own.asks_cluster()
    kept = "where finished chunks are kept, to go on after a stop"
    own.option("--work", type=Path, metavar="FOLDER", text=kept)
    own.writes("--to", text="write the outcome there (JSON)")
    own.writes("--svg", text="write the reliability diagram there")
    own.flag("--json", text="answer as JSON")


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
    return show(chosen, lambda: msgspec.to_builtins(result), lambda _: "\n".join(_calibration_text(result)))


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


#: names that are listed of what looks the same as a failure
LISTED = 4


def add_coverage(commands: Subparsers, shared: Parser) -> None:
    """Add the command to the parser."""
    about = "in which maneuvers each failure shows and can be told from every other"
    own = command(commands, shared, "coverage", _coverage, about)
    own.option("--panel", metavar="PANEL", default="single_pump", text="single_pump if not said")
    own.option(
        "--maneuver",
        "--manoeuvre",
        dest="manoeuvre",
        action="append",
        metavar="NAME",
        text="only this one; may be repeated",
    )
    own.flag("--every-panel", text="all panels one after the other, a line each")
    own.writes("--to", text="with --every-panel: write it there (JSON)")
    own.asks_form()


def _coverage(chosen: argparse.Namespace, load: Load) -> int:
    import msgspec

    from diagnose import engine_for
    from diagnose.advice.coverage import cover
    from diagnose.language import entry_forms, find

    kb = load()
    if chosen.every_panel:
        return _every_panel(kb, chosen)
    panel = find(chosen.panel, entry_forms(kb.panels), "panel")
    manoeuvres = [find(name, entry_forms(kb.manoeuvres), "maneuver") for name in chosen.manoeuvre or ()]
    found = cover(engine_for(kb, panel), manoeuvres, told=lambda name: step(f"coverage of {name}"))
    return show(
        chosen,
        lambda: msgspec.to_builtins(found),
        lambda columns: "\n".join(_coverage_text(found, kb, columns)),
    )


def _every_panel(kb: KnowledgeBase, chosen: argparse.Namespace) -> int:
    import msgspec

    from diagnose import engine_for
    from diagnose.advice.coverage import COMMAND, StoredCoverage, cover, mark_of

    def told(manoeuvre: str) -> None:
        step(f"coverage of {panel}, {manoeuvre}")

    panels = []
    for panel in kb.panels:
        found = cover(engine_for(kb, panel), told=told)
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


def add_evidence(commands: Subparsers, shared: Parser) -> None:
    """Add the commands to the parser."""
    about = "what this was checked against, run afresh, and what was not shown (about a minute)"
    evidence = command(commands, shared, "evidence", _evidence, about)
    evidence.writes("--html", text="write it as a page that stands by itself")
    evidence.asks_form()
    about = "how far each uncertain number moves the rankings (some minutes); the evidence shows the result"
    sensitivity = command(commands, shared, "sensitivity", _sensitivity, about)
    sensitivity.writes("--to", text="write it there instead of into the knowledge base")
    sensitivity.option("--processes", type=whole(1, 1000), metavar="N", text="processes that work at once")
    sensitivity.asks_cluster()


def _evidence(chosen: argparse.Namespace, load: Load) -> int:
    from diagnose.proof.evidence import gather, render, to_data

    kb = load()
    found = gather(kb, tell)
    if chosen.html is not None:
        from diagnose.proof.evidence import evidence_page

        write(chosen, chosen.html, evidence_page(found, kb), tell if chosen.json else print)
    if chosen.json or chosen.html is None:
        show(chosen, lambda: to_data(found), lambda columns: render(found, kb, columns))
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


def add_knowledge(commands: Subparsers, shared: Parser) -> None:
    """Add the commands to the parser."""
    command(commands, shared, "validate", _validate, "check the knowledge base; all problems at once")
    derive = command(commands, shared, "derive", _derive, "simulate the likelihood tables anew")
    derive.writes("--to", text="write them there instead of into the knowledge base")
    about = "write a case's network with its evidence for other programs"
    export = command(commands, shared, "export", _export, about)
    export.add_argument("case")
    export.add_argument("--format", choices=("bif",), default="bif", help="the format (bif)")
    export.writes("--to", text="write it there instead of to the screen")


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
