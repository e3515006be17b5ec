"""``diagnose calibrate``: fly simulated flights with known truth and measure the answers."""

from __future__ import annotations

import argparse
import json
import shlex
from pathlib import Path
from typing import TYPE_CHECKING

from diagnose.cli.command import Load, Subparsers, tell, whole, write, writes
from diagnose.terminal.console import step

if TYPE_CHECKING:
    from diagnose.proof.calibrate.measures import Bin, Calibration

FLIGHTS, HEALTHY, SEED = 2600, 300, 20261125


def add(commands: Subparsers, shared: argparse.ArgumentParser) -> None:
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
        print("\n".join(_as_text(result)))
    return 0


def _fly(chosen: argparse.Namespace, load: Load) -> Calibration:
    import platformdirs

    from diagnose.proof.calibrate.run import collect, plan, run, work_mark

    overlays = (*chosen.knowledge_first, *chosen.knowledge)
    chunks = plan(chosen.flights, chosen.healthy, chosen.seed)
    work = chosen.work or Path(platformdirs.user_cache_dir("diagnose")) / "calibrate"
    folder = work / work_mark(overlays)
    kb = load()
    total, flown = sum(chunk.flights for chunk in chunks), 0

    def told(flights: int) -> None:
        nonlocal flown
        flown += flights
        step(f"{flown:,} of {total:,} flights")

    run(chunks, folder, overlays, chosen.workers, told)
    return collect(chunks, folder, kb, _command(chosen))


def _command(chosen: argparse.Namespace) -> str:
    """The command that gives this outcome again."""
    words = ["diagnose", "calibrate", "--flights", str(chosen.flights), "--healthy", str(chosen.healthy)]
    words += ["--seed", str(chosen.seed)]
    for overlay in (*chosen.knowledge_first, *chosen.knowledge):
        words += ["--knowledge", overlay.name]
    return shlex.join(words)


# ------------------------------------------------------------------ as text


def _as_text(result: Calibration) -> list[str]:
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
