"""Calibration: simulated flights with known truth, and how far the engine's probabilities can be believed.

``world`` says what is true, ``flights`` what is seen of it, ``measures`` how good the answers are, ``run`` flies
them all and ``pictures`` draws the outcome. The stored outcome is read with ``load_result``.
"""

from __future__ import annotations

from pathlib import Path

from diagnose.model.files import write_whole
from diagnose.proof.calibrate.measures import Calibration
from diagnose.proof.calibrate.pictures import reliability_svg

__all__ = ["load_result", "reliability_svg", "write_result"]

RESULT_FILE = "calibration.json"


def result_path() -> Path:
    """Give the path of the stored outcome in the knowledge base."""
    from diagnose.knowledge.load import knowledge_root

    return knowledge_root() / "evidence" / RESULT_FILE


def load_result(path: Path | None = None) -> Calibration:
    """Read the stored outcome. Raises KnowledgeError when it is not there or does not fit."""
    from diagnose.knowledge.load import stored_result

    return stored_result(path or result_path(), Calibration, "calibration", "diagnose calibrate")


def write_result(result: Calibration, path: Path | None = None, *, over: bool = True) -> Path:
    """Write the outcome whole or not at all; gives its path. Raises CaseError."""
    import msgspec

    file = result_path() if path is None else path
    file.parent.mkdir(parents=True, exist_ok=True)
    write_whole(
        msgspec.json.format(msgspec.json.encode(result), indent=1) + b"\n", file, "outcome", over=over
    )
    return file
