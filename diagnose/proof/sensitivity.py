"""How far each uncertain number of the knowledge base moves the ranking, over all shipped cases.

A number is set to the low and to the high end of its range, everything else staying as it is, and every
case that it can touch is ranked again. Quantities of the physics are not varied: each flight draws them
over their whole range already.

Arrays of chances have shape (failure,).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from diagnose.knowledge.load import KnowledgeBase, knowledge_root, load_knowledge, stored_result, with_only
from diagnose.language.case_files import case_paths, load_case
from diagnose.model import CaseRecord
from diagnose.model.files import write_whole
from diagnose.model.units import Array
from diagnose.model.workers import results
from diagnose.network.engine import Engine
from diagnose.network.tables import Network, compile_network

#: where the stored result stands in the knowledge folder
STORED = "evidence/sensitivity.json"
COMMAND = "diagnose sensitivity"
#: a number without a stated range is taken to be known within this factor either way
FACTOR = 3.0
#: the same for the chance that anything is there at all
CHANCES = (0.5, 0.9)

Told = Callable[[str], None]
#: overlays of the knowledge base, so that a worker can load the same one
Overlays = tuple[Path, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A number that is varied: of an entry (``kind``, ``id``), from ``low`` to ``high``.

    ``stated``: the range stands in the knowledge base; else it is ``FACTOR`` or ``CHANCES``.
    """

    kind: str
    id: str
    what: str
    value: float
    low: float
    high: float
    stated: bool

    def set_to(self, kb: KnowledgeBase, value: float) -> KnowledgeBase:
        """The knowledge base with this number exchanged."""
        if self.kind == "setting":
            changed = msgspec.structs.replace(kb.settings[self.id], chance=value)
            return with_only(kb, settings={**kb.settings, self.id: changed})
        if self.kind == "misreport":
            gauge_id, facet_id = self.id.split(".")
            gauge = kb.gauges[gauge_id]
            facets = tuple(
                msgspec.structs.replace(facet, misreport=value) if facet.id == facet_id else facet
                for facet in gauge.facets
            )
            return with_only(
                kb, gauges={**kb.gauges, gauge_id: msgspec.structs.replace(gauge, facets=facets)}
            )
        failure = kb.failures[self.id]
        times = value / self.value
        if self.kind == "context":
            context = tuple(
                msgspec.structs.replace(
                    effect,
                    times=effect.times * (times if effect.times != 1.0 else 1.0),
                    latent=None
                    if effect.latent is None
                    else min(effect.latent * times, kb.limits.largest_latent),
                )
                for effect in failure.context
            )
            changed_failure = msgspec.structs.replace(failure, context=context)
        else:
            # what is there before the flight is part of the same class: it moves with the rate
            changed_failure = msgspec.structs.replace(
                failure, rate_per_hour=failure.rate_per_hour * times, latent=failure.latent * times
            )
        return with_only(kb, failures={**kb.failures, self.id: changed_failure})

    def touches(self, case: CaseRecord, network: Network) -> bool:
        """Whether it can change the answer to a case."""
        if self.kind == "setting":
            return case.setting == self.id
        if self.kind == "misreport":
            said = {f for s in case.snapshot for f in (*s.readings, *s.unsure)}
            return self.id in said
        mine = [failure for failure in network.failures if failure.id == self.id]
        if self.kind == "context":
            return any(set(effect.when) <= set(case.context) for f in mine for effect in f.context)
        return bool(mine)


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """What a number does: largest change of any failure's chance, its case, and cases whose first changes.

    ``mean``: over all cases, of the larger of both ends' largest changes.
    """

    kind: str
    id: str
    what: str
    value: float
    low: float
    high: float
    stated: bool
    mean: float
    largest: float
    where: str
    first_changes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """The effects, greatest mean first, with the command that made them and the cases."""

    command: str
    cases: tuple[str, ...]
    effects: tuple[Effect, ...]


def numbers(kb: KnowledgeBase) -> tuple[Number, ...]:
    """Every number that is varied."""
    found = []
    for failure in kb.failures.values():
        rate, latent = failure.rate_per_hour, failure.latent
        value = rate or latent
        if value > 0.0:
            low, high = failure.rate_range or (value / FACTOR, value * FACTOR)
            what = "rate per hour" if rate else "chance to be there before the flight"
            found.append(("failure", failure.id, what, value, low, high, failure.rate_range is not None))
        if failure.context:
            what = "factors for the conditions"
            found.append(("context", failure.id, what, 1.0, 1.0 / FACTOR, FACTOR, False))
    for gauge in kb.gauges.values():
        for facet in gauge.facets:
            if facet.misreport > 0.0:
                p = facet.misreport
                high = min(p * FACTOR, 0.5)
                found.append(
                    (
                        "misreport",
                        f"{gauge.id}.{facet.id}",
                        "chance of a misreport",
                        p,
                        p / FACTOR,
                        high,
                        False,
                    )
                )
    for setting in kb.settings.values():
        if setting.chance is not None and setting.equal_chance is None:
            what = "chance that anything is there"
            found.append(("setting", setting.id, what, setting.chance, *CHANCES, False))
    names = ("kind", "id", "what", "value", "low", "high", "stated")
    return tuple(Number(**dict(zip(names, entry, strict=True))) for entry in found)  # type: ignore[arg-type]


# ------------------------------------------------------------------ ranking again


@dataclass
class Ranker:
    """Ranks cases under a changed knowledge base, and keeps what the change leaves alone."""

    kb: KnowledgeBase
    engines: dict[str, Engine]

    def engine(self, panel: str) -> Engine:
        """The engine of a panel with the knowledge as it is."""
        if panel not in self.engines:
            self.engines[panel] = Engine(compile_network(self.kb, panel))
        return self.engines[panel]

    def marginals(self, case: CaseRecord) -> tuple[Array, tuple[str, ...]]:
        """Chances of the failures, and the set in the first place."""
        return _answer(self.engine(case.panel), case)

    def changed(self, number: Number, value: float, case: CaseRecord) -> tuple[Array, tuple[str, ...]]:
        """The same with a number exchanged."""
        kb = number.set_to(self.kb, value)
        if number.kind == "misreport":
            return _answer(Engine(compile_network(kb, case.panel)), case)
        as_is = self.engine(case.panel)
        failures = tuple(kb.failures[failure.id] for failure in as_is.network.failures)
        return _answer(as_is.with_rates_of(replace(as_is.network, kb=kb, failures=failures)), case)


def _answer(engine: Engine, case: CaseRecord) -> tuple[Array, tuple[str, ...]]:
    posterior = engine.posterior(case)
    names = [failure.id for failure in engine.network.failures]
    first = posterior.space.sets[int(posterior.sets.argmax())]
    return posterior.marginals, tuple(names[i] for i in first)


@cache
def _worker_state(overlays: Overlays) -> tuple[Ranker, dict[str, CaseRecord], dict[str, Any]]:
    kb = load_knowledge(overlays=overlays)
    # whole sizes of sets only: the sets, and all that rests on them, then do not depend on the rates
    kb = with_only(kb, limits=msgspec.structs.replace(kb.limits, most_triples=0))
    ranker = Ranker(kb, {})
    cases = {name: load_case(name, kb) for name in case_paths()}
    return ranker, cases, {name: ranker.marginals(case) for name, case in cases.items()}


def _effect(number: Number, overlays: Overlays) -> Effect:
    ranker, cases, as_is = _worker_state(overlays)
    changes: dict[str, float] = {}
    first_changes = []
    for name, case in cases.items():
        if not number.touches(case, ranker.engine(case.panel).network):
            continue
        before, first_before = as_is[name]
        for value in (number.low, number.high):
            after, first = ranker.changed(number, value, case)
            changes[name] = max(changes.get(name, 0.0), float(np.abs(after - before).max()))
            if first != first_before and name not in first_changes:
                first_changes.append(name)
    where = max(changes, key=lambda name: changes[name], default="")
    return Effect(
        **asdict(number),
        mean=sum(changes.values()) / len(cases),
        largest=changes.get(where, 0.0),
        where=where,
        first_changes=tuple(first_changes),
    )


def measure(overlays: Overlays, processes: int, told: Told, cluster: str = "") -> Sensitivity:
    """Vary every number; in parallel processes, or on a cluster (``model.workers``)."""
    wanted = numbers(load_knowledge(overlays=overlays))
    effects: list[Effect] = []
    for number, effect in results(partial(_effect, overlays=overlays), wanted, processes, cluster):
        effects.append(effect)
        if len(effects) % 10 == 0:
            told(f"sensitivity: {len(effects)} of {len(wanted)} numbers, the last {number.id}")
    effects.sort(key=lambda effect: (-effect.mean, effect.kind, effect.id))
    return Sensitivity(command=COMMAND, cases=tuple(case_paths()), effects=tuple(effects))


# ------------------------------------------------------------------ the stored result


def write(result: Sensitivity, path: Path, *, over: bool = True) -> None:
    """Store the result, numbers to four digits. Raises CaseError if it cannot be written."""
    data = asdict(result)
    for effect in data["effects"]:
        for name in ("value", "low", "high", "mean", "largest"):
            effect[name] = float(f"{effect[name]:.4g}")
    lines = ",\n".join(f"  {json.dumps(effect)}" for effect in data["effects"])
    head = f'{{\n "command": {json.dumps(result.command)},\n "cases": {json.dumps(data["cases"])},\n'
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(f'{head} "effects": [\n{lines}\n ]\n}}\n', path, "result", over=over)


def load_result(path: Path | None = None) -> Sensitivity:
    """Read the stored result. Raises KnowledgeError if it is not there or cannot be read."""
    path = path or knowledge_root() / STORED
    return stored_result(path, Sensitivity, "sensitivity", COMMAND)


# ------------------------------------------------------------------ where numbers come from

#: kinds of origin, from the strongest to the weakest
ORIGINS = ("published", "common practice", "from memory", "judgement")


def origin_counts(kb: KnowledgeBase) -> Mapping[str, Mapping[str, int]]:
    """Table of the knowledge base -> origin -> how many numbers.

    A number belongs to the entry that it stands in. An entry that cites a document for what happens and says
    in its note that its numbers are judgement counts as judgement; so do the strays of a maneuver.
    """
    tables: dict[str, Iterable[Any]] = {
        "failures: rates and factors": kb.failures.values(),
        "gauges: limits of readings, misreports, stated chances": (
            facet for gauge in kb.gauges.values() for facet in gauge.facets
        ),
        "physics: bounds of quantities": kb.quantities.values(),
        "maneuvers and air: how motion strays": (*kb.manoeuvres.values(), *kb.variations.values()),
        "memories": kb.memories.values(),
        "settings, limits and costs": (*kb.settings.values(), *kb.grade_costs.values(), kb.limits),
    }
    found: dict[str, dict[str, int]] = {}
    for name, entries in tables.items():
        counts = dict.fromkeys(ORIGINS, 0)
        for entry in entries:
            counts[_origin(entry, kb)] += sum(1 for _ in _numbers_in(msgspec.to_builtins(entry)))
        found[name] = counts
    return found


def _origin(entry: Any, kb: KnowledgeBase) -> str:
    if (
        entry.source == "judgement"
        or "judgement" in entry.note.lower()
        or getattr(entry, "id", "") in kb.manoeuvres
    ):
        return "judgement"
    if getattr(entry, "from_memory", False):
        return "from memory"
    return "common practice" if entry.source == "common practice" else "published"


def _numbers_in(value: Any) -> Iterable[float]:
    """Numbers that were chosen: no ends of the line, no nought or one that stands for "none"."""
    if isinstance(value, dict):
        for part in value.values():
            yield from _numbers_in(part)
    elif isinstance(value, list | tuple):
        for part in value:
            yield from _numbers_in(part)
    elif isinstance(value, float) and np.isfinite(value) and value not in (0.0, 1.0):
        yield value
