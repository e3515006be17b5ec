"""Fly a calibration: in chunks, on all cores, resumable, with the same outcome for the same seed.

A chunk is some flights of one plan: panel, setting, maneuvers and conditions are the same, all else
differs from flight to flight (the engine then works out once what depends on the plan alone). Its seed follows from its own number, so that it does not
matter which core flies it, or when. Each finished chunk is written whole into the work folder; a run
that was stopped goes on where it stood when it is started with the same numbers.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path

import msgspec
import numpy as np

from diagnose.knowledge.load import KnowledgeBase, knowledge_root, load_knowledge
from diagnose.model import FailureKind
from diagnose.model.files import write_whole
from diagnose.model.workers import results
from diagnose.network.engine import Engine
from diagnose.network.likelihood import read_counts
from diagnose.network.tables import Network, compile_network
from diagnose.proof.calibrate.flights import simulate
from diagnose.proof.calibrate.measures import (
    NAMED,
    Calibration,
    FalseAlarms,
    Outcome,
    Scores,
    alarms_of,
    scores_of,
)
from diagnose.proof.calibrate.world import Plan, draw_plan

CHUNK = 20
#: false alarms are rare and depend on the plan: few flights of each, so that many plans are flown
HEALTHY_CHUNK = 5
PANELS = ("single_pump", "dual_pump", "standby_suction", "electric_attitude", "two_sets", "pressurised")
SETTINGS = ("anomaly", "exercise")
HEALTHY = ("calm", "rough", "draughts", "sloppy")
HEALTHY_SETTINGS = ("routine", "anomaly")
#: sets of an answer that are kept for "among the first three"
KEPT_SETS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Chunk:
    """Flights that are flown together; ``number`` counts the chunks of one plan."""

    number: int
    panel: str
    setting: str
    kind: str
    flights: int
    seed: int

    @property
    def name(self) -> str:
        """File name of what it gave; holds all that decides it but knowledge and code (``work_mark``)."""
        kind = self.kind or "failures"
        return f"{self.seed}-{self.number:05d}-{self.panel}-{self.setting}-{kind}-{self.flights}.json"


def plan(flights: int, healthy: int, seed: int, panels: tuple[str, ...] = PANELS) -> tuple[Chunk, ...]:
    """Share the flights over panels and settings: ``flights`` for each setting, ``healthy`` for each kind."""
    kinds = [(setting, "", flights) for setting in SETTINGS]
    kinds += [(setting, kind, healthy) for setting in HEALTHY_SETTINGS for kind in HEALTHY]
    chunks: list[Chunk] = []
    for setting, kind, wanted in kinds:
        most = HEALTHY_CHUNK if kind else CHUNK
        sizes = [most] * (wanted // most) + ([wanted % most] if wanted % most else [])
        for place, size in enumerate(sizes):
            chunks.append(
                Chunk(
                    number=len(chunks),
                    panel=panels[place % len(panels)],
                    setting=setting,
                    kind=kind,
                    flights=size,
                    seed=seed,
                )
            )
    return tuple(chunks)


# ------------------------------------------------------------------ one chunk


def fly(chunk: Chunk, network: Network) -> tuple[Outcome, ...]:
    """Fly the flights of a chunk and rank each; same chunk and knowledge, same outcomes."""
    engine = Engine(network)
    flown = draw_plan(network, chunk.setting, np.random.default_rng((chunk.seed, chunk.number)))
    return tuple(_outcome(engine, flown, chunk, place) for place in range(chunk.flights))


def _outcome(engine: Engine, flown: Plan, chunk: Chunk, place: int) -> Outcome:
    flight = simulate(engine.network, flown, (chunk.seed, chunk.number, place), chunk.kind)
    posterior = engine.posterior(flight.case)
    space = posterior.space
    sets, prior_sets = space.named(posterior.sets), space.named(posterior.prior_sets)
    names = [failure.id for failure in engine.network.failures]
    there = np.array([name in flight.truth for name in names])
    chance = posterior.marginals
    prior = posterior.prior_sets @ space.members
    kept = there | (chance >= NAMED)
    index = tuple(names.index(name) for name in flight.truth)
    try:
        place_of_truth = int(space.shown_as[space.sets.index(index)])
    except ValueError:
        place_of_truth = -1
    order = np.argsort(-sets, kind="stable")[:KEPT_SETS]
    return Outcome(
        truth=flight.truth,
        named=space.set_names[place_of_truth] if place_of_truth >= 0 else flight.truth,
        snapshots=len(flight.case.snapshot),
        chances={n: float(p) for n, p, k in zip(names, chance, kept, strict=True) if k},
        rest=float((chance[~kept] ** 2).sum()),
        small=(int((~kept).sum()), float(chance[~kept].sum())),
        sets=tuple((tuple(names[i] for i in space.sets[place]), float(sets[place])) for place in order),
        true_set=float(sets[place_of_truth]) if place_of_truth >= 0 else 0.0,
        prior_true_set=float(prior_sets[place_of_truth]) if place_of_truth >= 0 else 0.0,
        prior_brier=float(((prior - there) ** 2).sum()),
    )


# ------------------------------------------------------------------ many chunks


@cache
def _network(overlays: tuple[Path, ...], panel: str) -> Network:
    """One per process and panel: a chunk brings only its number."""
    return compile_network(load_knowledge(overlays=overlays), panel, read_counts())


def _flown(overlays: tuple[Path, ...], chunk: Chunk) -> bytes:
    """The outcomes of a chunk as they are kept."""
    return msgspec.json.encode(fly(chunk, _network(overlays, chunk.panel)))


def run(
    chunks: tuple[Chunk, ...],
    folder: Path,
    overlays: tuple[Path, ...] = (),
    workers: int | None = None,
    told: Callable[[int], None] = lambda flights: None,
    cluster: str = "",
) -> None:
    """Fly the chunks that the folder lacks, each written whole or not at all; ``told`` hears of flights as they are
    done. ``workers`` and ``cluster`` as in ``model.workers``.
    """
    folder.mkdir(parents=True, exist_ok=True)
    open_chunks = []
    for chunk in chunks:
        if (folder / chunk.name).is_file():
            told(chunk.flights)
        else:
            open_chunks.append(chunk)
    for chunk, outcomes in results(partial(_flown, overlays), open_chunks, workers, cluster):
        write_whole(outcomes, folder / chunk.name, "outcome", over=True)
        told(chunk.flights)


def work_mark(overlays: tuple[Path, ...]) -> str:
    """Give a digest of the knowledge and the code: chunks flown with another must not be mixed in."""
    digest = hashlib.sha256()
    code = Path(__file__).parents[2]
    root = knowledge_root()
    files = [p for p in root.rglob("*") if p.is_file() and p.relative_to(root).parts[0] != "evidence"]
    for path in (*sorted(files), *sorted(code.rglob("*.py")), *overlays):
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:12]


def outcomes_in(chunks: tuple[Chunk, ...], folder: Path) -> Iterator[tuple[Chunk, tuple[Outcome, ...]]]:
    """Read back what the chunks gave."""
    for chunk in chunks:
        yield chunk, msgspec.json.decode((folder / chunk.name).read_bytes(), type=tuple[Outcome, ...])


def collect(chunks: tuple[Chunk, ...], folder: Path, kb: KnowledgeBase, command: str) -> Calibration:
    """Measure what the chunks gave."""
    groups: dict[tuple[str, str], list[Outcome]] = {}
    for chunk, outcomes in outcomes_in(chunks, folder):
        groups.setdefault((chunk.kind, chunk.setting), []).extend(outcomes)
    look_alikes = frozenset(f.id for f in kb.failures.values() if f.kind is FailureKind.LOOK_ALIKE)
    scores: list[Scores] = []
    healthy: list[FalseAlarms] = []
    for (kind, setting), found in groups.items():
        if kind:
            healthy.append(alarms_of(setting, kind, found, look_alikes))
        else:
            scores.append(scores_of(setting, found))
    return Calibration(
        command=command,
        seed=chunks[0].seed if chunks else 0,
        panels=tuple(dict.fromkeys(chunk.panel for chunk in chunks)),
        scores=tuple(scores),
        healthy=tuple(healthy),
    )
