"""Results that take too long to be run afresh: the calibration, if it has been measured and stored."""

from __future__ import annotations

import importlib
import importlib.util
from collections.abc import Iterator
from typing import Any

from diagnose.checked.section import Section
from diagnose.errors import KnowledgeError
from diagnose.text import percent

MODULE = "diagnose.calibrate"


def stored_sections() -> Iterator[Section]:
    """Sections of the stored results that there are; a section that says so where there is none."""
    if importlib.util.find_spec(MODULE) is not None:
        calibrate = importlib.import_module(MODULE)
        try:
            yield calibration_section(calibrate.load_result(), calibrate.reliability_svg)
            return
        except KnowledgeError:
            pass
    yield Section(
        title="Calibration",
        texts=("Whether failures given 70 % are there in 7 flights of 10 has not been measured here.",),
    )


def calibration_section(result: Any, draw: Any) -> Section:
    """What the stored calibration says; ``result`` and ``draw`` as ``diagnose.calibrate`` gives them."""
    rows = []
    for scores in result.scores:
        done = [tally for tally in scores.by_snapshots if tally.flights]
        flights = sum(tally.flights for tally in done)
        first = percent(sum(tally.top1 for tally in done) / max(flights, 1))
        three = percent(sum(tally.top3 for tally in done) / max(flights, 1))
        rows.append(
            (
                f"{scores.flights:,}",
                f"{scores.ece:.3f}",
                f"setting {scores.setting}: truth first in {first}, among the first three in {three}",
                f"Brier score {scores.brier:.3f} ({scores.brier_prior:.3f} without readings), log score "
                f"{scores.log_score:.2f} ({scores.log_score_prior:.2f})",
            )
        )
    alarms = tuple(
        f"Healthy flights, {healthy.kind}, setting {healthy.setting}: a failure above 50 % in "
        f"{healthy.alarms} of {healthy.flights:,}."
        for healthy in result.healthy
    )
    return Section(
        title="Calibration on simulated flights",
        texts=(
            f"{result.flights:,} simulated flights with known truth. They are simulated by the same physics, "
            "drawn otherwise than for the tables: this shows that the chances mean what they say if the "
            f"physics is right, no more. Stored result of: {result.command}.",
        ),
        bullets=alarms,
        heads=("flights", "calibration error", "how often right", "scores"),
        rows=tuple(rows),
        svg=draw(result),
    )
