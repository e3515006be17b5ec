"""Likelihood tables: P(reading | states, memories, motion) by simulating many flights.

The counts of the simulation are stored in ``knowledge/derived/`` with a fingerprint of all that went
into them, so a facet whose definition, or a quantity of the physics, was corrected is simulated anew
when it is next needed; ``diagnose derive`` does that for all and stores the result. Same seed, same
knowledge, same tables.

A table is an array (states of the parents, readings).
"""

from __future__ import annotations

import hashlib
import io
import itertools
import math
import os
import zipfile
import zlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import msgspec
import numpy as np

from diagnose.knowledge.cache import digest
from diagnose.knowledge.load import KnowledgeBase, knowledge_root
from diagnose.model import UNLISTED, Facet, Row
from diagnose.model.files import record_of, write_whole
from diagnose.model.units import Array
from diagnose.network.readings import STATISTICS, classify
from diagnose.physics.draws import Draws
from diagnose.physics.flight import AIR, TURBULENCE, draw_flights
from diagnose.physics.flown import moment
from diagnose.physics.panel import show

Index = np.ndarray

SEED = 20261125
#: raised whenever the physics code changes what a table holds
PHYSICS_VERSION = 9
TABLES_FILE = "likelihoods.npz"


@dataclass(frozen=True, kw_only=True)
class FacetTable:
    """Chances of a facet's readings.

    ``drawn``: counts or stated chances before anything is told wrongly; axes are the parents in their order,
    then the motion axes, then the readings. ``report`` (reading drawn, reading told) mixes misreports in:
    chance = drawn @ ``report``, as shares of one. ``drawn_sizes``: gives the same with bins of what is said as a
    number instead of the readings, ``size_report`` (bin, bin). The large tables are small whole numbers, so
    chances are worked out where they are asked for.
    """

    facet: str
    parents: tuple[str, ...]
    axes: tuple[str, ...]
    readings: tuple[str, ...]
    drawn: np.ndarray
    report: Array
    drawn_sizes: Callable[[], np.ndarray] | None = None
    size_report: Array | None = None

    def _told(self, drawn: np.ndarray, *, sized: bool = False) -> Array:
        report = self.size_report if sized and self.size_report is not None else self.report
        chance = drawn @ report
        return np.asarray(chance / (chance @ np.ones(len(report)))[..., None])

    def at(self, place: tuple[int | slice, ...]) -> Array:
        """Chances at a place of the table (parents…, axes…, reading)."""
        return self._told(self.drawn[place])

    @cached_property
    def chance(self) -> Array:
        """All chances; (parents…, axes…, reading)."""
        return self.at(())

    @property
    def sizes(self) -> Array | None:
        """All chances of the bins; (parents…, axes…, bin). None if nothing is said as a number."""
        return None if self.drawn_sizes is None else self._told(self.drawn_sizes(), sized=True)

    @cached_property
    def _worked_out(self) -> dict[bool, tuple[np.ndarray, Array, Index]]:
        """By whether sized: what was drawn, the chances as far as they were asked for, and where; by combination of
        the parents' states.
        """
        return {}

    def rows(self, combination: Index, *, sized: bool = False) -> Array:
        """Chances for combinations of the parents' states, numbered in their order; (row, values of the axes, reading).

        ``sized``: (…, bin).
        """
        sized = sized and self.drawn_sizes is not None
        if sized not in self._worked_out:
            drawn = self.drawn_sizes() if sized and self.drawn_sizes is not None else self.drawn
            drawn = drawn.reshape(math.prod(drawn.shape[: len(self.parents)]), -1, drawn.shape[-1])
            # memory is taken only for what is written
            self._worked_out[sized] = drawn, np.zeros(drawn.shape), np.zeros(len(drawn), dtype=bool)
        drawn, chance, known = self._worked_out[sized]
        if not known.take(combination).all():
            asked = np.zeros_like(known)
            asked[combination] = True
            new = np.flatnonzero(asked & ~known)
            chance[new] = self._told(drawn[new], sized=sized)
            known[new] = True
        return chance.take(combination, axis=0)

    def truly(self, weights: Array) -> Array:
        """Weights w of told readings as weights of ``chance`` that count only what was told rightly; (reading,).

        chance @ truly(w) = drawn @ (diagonal of ``report`` * w).
        """
        return np.asarray(np.linalg.solve(self.report, np.diag(self.report) * weights))


def states_of(kb: KnowledgeBase, name: str) -> tuple[str, ...]:
    """Give the states of a part, source, memory, axis or switch, in order."""
    for table in (kb.parts, kb.sources):
        if name in table:
            return tuple(table[name].conditions)
    if name in kb.memories:
        return tuple(kb.memories[name].states)
    if name in kb.axes:
        return kb.axes[name].values
    return (kb.circumstances if name in kb.circumstances else kb.switches)[name].positions


def matches(when: Mapping[str, str | tuple[str, ...]], state: Mapping[str, str]) -> bool:
    """Tell whether every name in ``when`` is in one of its listed states."""
    return all(
        state.get(name) == wanted if isinstance(wanted, str) else state.get(name) in wanted
        for name, wanted in when.items()
    )


# ------------------------------------------------------------------ one facet


def fingerprint(kb: KnowledgeBase, facet: Facet, used: Collection[str]) -> str:
    """Give a digest of everything that decides the counts of a simulated facet; ``used``: quantities drawn."""
    names = (*facet.parents, *facet.axes)
    parts = (
        str(PHYSICS_VERSION),
        str((SEED, kb.limits.flights_per_cell)),
        facet.channel,
        repr([(reading.id, reading.where) for reading in facet.readings]),
        repr([(name, states_of(kb, name)) for name in names]),
        repr([(q.id, q.low, q.high, q.scale) for q in kb.quantities.values() if q.id in used]),
        repr(facet.sizes and (facet.sizes.edges, facet.sizes.statistic)),
    )
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:16]


def _combinations(kb: KnowledgeBase, facet: Facet) -> Iterator[tuple[tuple[int, ...], dict[str, str]]]:
    states = [states_of(kb, name) for name in facet.parents]
    for index in itertools.product(*(range(len(values)) for values in states)):
        yield index, {name: values[i] for name, values, i in zip(facet.parents, states, index, strict=True)}


def _without_idle_memories(kb: KnowledgeBase, facet: Facet, state: dict[str, str]) -> dict[str, str]:
    """Put memories that do not run in this state back to their start: they change nothing."""
    settled = dict(state)
    for name in facet.parents:
        memory = kb.memories.get(name)
        if memory is not None and memory.driver in state and state[memory.driver] not in memory.carry:
            settled[name] = memory.start
    return settled


def simulate_counts(
    kb: KnowledgeBase, gauge_id: str, facet: Facet, used: set[str] | None = None
) -> np.ndarray:
    """Count readings over simulated flights, and behind them bins of sizes; shape (parents…, axes…, both), uint16.

    An instrument with a fault that is ``UNLISTED`` shows each as often as any other.

    The names of the quantities that were drawn are added to ``used``.
    """
    drawn = set() if used is None else used
    flights_per_cell = kb.limits.flights_per_cell
    axis_values = [states_of(kb, axis) for axis in facet.axes]
    cells = list(itertools.product(*axis_values))
    count = len(cells) * flights_per_cell
    per_flight = {
        axis: np.repeat(np.array([cell[i] for cell in cells]), flights_per_cell)
        for i, axis in enumerate(facet.axes)
    }
    seed = int.from_bytes(hashlib.sha256(f"{SEED} {gauge_id}.{facet.id}".encode()).digest()[:8])
    flights = {
        air: draw_flights(per_flight, count, Draws(kb.quantities, np.random.default_rng(seed), drawn), air)
        for air in TURBULENCE
    }
    shape = tuple(len(states_of(kb, name)) for name in facet.parents)
    outcomes = len(facet.readings) + (len(facet.sizes.edges) + 1 if facet.sizes else 0)
    counts = np.zeros((*shape, len(cells), outcomes), dtype=np.uint16)
    done: dict[tuple[str, ...], np.ndarray] = {}
    for index, state in _combinations(kb, facet):
        settled = _without_idle_memories(kb, facet, state)
        key = tuple(settled[name] for name in facet.parents)
        if UNLISTED in key:
            counts[index] = flights_per_cell
            continue
        if key not in done:
            # the same instruments in any air, so that the bumps alone make the difference
            still = tuple(settled[name] for name in facet.parents if name != AIR)
            text = f"{SEED} {gauge_id}.{facet.id} {still}"
            own_seed = int.from_bytes(hashlib.sha256(text.encode()).digest()[:8])
            draws = Draws(kb.quantities, np.random.default_rng(own_seed), drawn)
            shown = show(facet.channel, moment(settled, flights[settled.get(AIR, "ordinary")], draws))
            cell_of = np.repeat(np.arange(len(cells)), flights_per_cell)
            found = [classify(facet.readings, shown.channel, shown.dial)]
            if facet.sizes:
                size = STATISTICS[facet.sizes.statistic](shown.channel)
                found.append(len(facet.readings) + np.digitize(size, facet.sizes.edges))
            flat = sum(
                np.bincount(cell_of * outcomes + places, minlength=len(cells) * outcomes) for places in found
            )
            done[key] = np.reshape(flat, (len(cells), -1))
        counts[index] = done[key]
    return counts.reshape(*shape, *(len(values) for values in axis_values), -1)


def stated_chances(kb: KnowledgeBase, facet: Facet, fitted: str) -> Array:
    """Fill a table from the stated rows of a facet; the first row that matches holds.

    Rows of another type than the one ``fitted`` are passed over; where that is not known, all types count alike.
    """
    types = dict.fromkeys(row.fitted for row in facet.rows if row.fitted)
    if types and not fitted:
        return np.asarray(sum(stated_chances(kb, facet, each) for each in types) / len(types))
    names = (*facet.parents, *facet.axes)
    states = [states_of(kb, name) for name in names]
    table = np.zeros((*(len(values) for values in states), len(facet.readings)))
    for index in itertools.product(*(range(len(values)) for values in states)):
        state = {name: values[i] for name, values, i in zip(names, states, index, strict=True)}
        if UNLISTED in state.values():
            table[index] = 1.0 / len(facet.readings)
            continue
        row: Row = next(r for r in facet.rows if r.fitted in ("", fitted) and matches(r.when, state))
        table[index] = [row.gives.get(reading.id, 0.0) for reading in facet.readings]
    return table


def facet_table(
    kb: KnowledgeBase,
    gauge_id: str,
    facet: Facet,
    raw: np.ndarray,
    sizes: Callable[[], np.ndarray] | None = None,
) -> FacetTable:
    """Give the table of a facet from its counts or stated rows, with misreports mixed in.

    ``sizes`` gives the counts of its bins where they do not stand behind the readings.
    A simulated cell counts as ``prior_flights`` flights more, spread as ``confusion`` spreads what was drawn.
    """
    readings = len(facet.readings)
    if facet.sizes and sizes is None:
        behind = np.ascontiguousarray(raw[..., readings:])

        def sizes() -> np.ndarray:
            return behind

    same, spread = np.eye(readings), confusion(kb, facet)
    report = (1.0 - facet.misreport) * same + facet.misreport * spread
    if facet.channel:
        few = kb.limits.prior_flights / (kb.limits.flights_per_cell + kb.limits.prior_flights)
        report = ((1.0 - few) * same + few * spread) @ report
    return FacetTable(
        facet=f"{gauge_id}.{facet.id}",
        parents=facet.parents,
        axes=facet.axes,
        readings=tuple(reading.id for reading in facet.readings),
        drawn=np.ascontiguousarray(raw[..., :readings]),
        report=report,
        drawn_sizes=sizes,
        size_report=_size_report(kb, facet) if facet.sizes else None,
    )


def _size_report(kb: KnowledgeBase, facet: Facet) -> Array:
    """P(bin told | bin drawn) of a facet's sizes: slips into the next bin and misreports; (bin, bin)."""
    assert facet.sizes is not None
    bins = len(facet.sizes.edges) + 1
    same, even = np.eye(bins), np.full((bins, bins), 1.0 / bins)
    beside = np.eye(bins, k=1) + np.eye(bins, k=-1)
    beside /= beside.sum(axis=1, keepdims=True)
    few = kb.limits.prior_flights / (kb.limits.flights_per_cell + kb.limits.prior_flights)
    wrong = min(facet.misreport + few, 1.0)
    slipped = (1.0 - facet.sizes.slip) * same + facet.sizes.slip * beside
    return np.asarray((1.0 - wrong) * slipped + wrong * even)


def confusion(kb: KnowledgeBase, facet: Facet) -> Array:
    """P(reading told | reading shown, told wrongly), by their distance on the dial; (shown, told), rows sum to one.

    d steps further off is told ``confused_further`` ** (d - 1) times as often as the next. What a reading has
    no neighbor for stays untold: it is told rightly.
    """
    count = len(facet.readings)
    steps = np.ones((count, count))
    if facet.scale:
        place = np.array([facet.scale.get(reading.id, np.nan) for reading in facet.readings])
        steps = np.abs(place[:, None] - place)
        steps = np.where(np.isnan(steps) | (steps == 0.0), 2.0, np.maximum(steps, 1.0))
    likely = kb.limits.confused_further ** (steps - 1.0)
    np.fill_diagonal(likely, 0.0)
    likely /= np.maximum(likely.sum(axis=1, keepdims=True), 1.0)
    return np.asarray(likely + np.diag(np.maximum(1.0 - likely.sum(axis=1), 0.0)))


# ------------------------------------------------------------------ all facets, stored


@dataclass(frozen=True, slots=True)
class StoredCounts:
    """Counts as they stand on disk: facet -> (fingerprint, quantities that were drawn, counts).

    ``mark`` tells one file's content from another's.
    """

    counts: Mapping[str, tuple[str, tuple[str, ...], np.ndarray]]
    mark: str = ""

    def of(self, kb: KnowledgeBase, gauges: Iterable[str]) -> dict[str, np.ndarray]:
        """Counts of the facets of some gauges, but for those whose knowledge has changed since."""
        found = {}
        for name, facet in facets_of(kb, gauges):
            mark, used, counts = self.counts.get(name, ("", (), None))
            if facet.channel and counts is not None and mark == fingerprint(kb, facet, used):
                found[name] = counts
        return found


def counts_mark(path: Path | None = None) -> str:
    """Tell the stored counts from others by their content, without reading them; "" if there are none."""
    file = knowledge_root() / "derived" / TABLES_FILE if path is None else path
    try:
        return digest([file.read_bytes()])
    except OSError:
        return ""


def read_counts(path: Path | None = None, only: Collection[str] = ()) -> StoredCounts:
    """Read the stored counts, or ``only`` those of some facets.

    An absent or damaged file gives none (they are simulated anew).
    """
    file = knowledge_root() / "derived" / TABLES_FILE if path is None else path
    if not file.is_file():
        return StoredCounts({})
    try:
        with np.load(file) as archive:
            marks = record_of(bytes(archive["fingerprints"]), dict[str, tuple[str, tuple[str, ...]]])
            counts = {
                name: (mark, used, archive[name])
                for name, (mark, used) in marks.items()
                if name in (only or marks)
            }
            return StoredCounts(counts, counts_mark(file))
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, zlib.error):
        return StoredCounts({})


def drawn_bins(kb: KnowledgeBase, name: str, facet: Facet, stored: StoredCounts | None) -> np.ndarray:
    """Counts of the bins of a facet's sizes; they are large, and most cases say no number of it."""
    gauge = name.split(".")[0]
    counts = (read_counts(only=(name,)) if stored is None else stored).of(kb, (gauge,))
    raw = counts[name] if name in counts else simulate_counts(kb, gauge, facet)
    return raw[..., len(facet.readings) :]


def facets_of(kb: KnowledgeBase, gauges: Iterable[str]) -> Iterator[tuple[str, Facet]]:
    """Give every facet of some gauges with its full name."""
    for gauge_id in gauges:
        for facet in kb.gauges[gauge_id].facets:
            yield f"{gauge_id}.{facet.id}", facet


def not_stored(
    kb: KnowledgeBase, gauges: Iterable[str], stored: Iterable[str], ammeter: str = ""
) -> dict[str, np.ndarray]:
    """Give what the other facets' tables are made of: stated chances, or counts simulated anew.

    ``ammeter``: the type on the panel, "" if that is not known.
    """
    known = set(stored)
    return {
        name: simulate_counts(kb, name.split(".")[0], facet)
        if facet.channel
        else stated_chances(kb, facet, ammeter)
        for name, facet in facets_of(kb, gauges)
        if name not in known
    }


def derive(
    kb: KnowledgeBase,
    path: Path | None = None,
    told: Callable[[str], None] = lambda name: None,
    *,
    over: bool = True,
) -> Path:
    """Simulate every facet whose counts are not stored yet, and store all; ``told`` hears of each.

    What is stored under the same fingerprint would come out the same: it is kept.

    Raises CaseError if they cannot be written; the tables that were there then stay.
    """
    from concurrent.futures import ThreadPoolExecutor  # late: an answer needs no workers

    file = knowledge_root() / "derived" / TABLES_FILE if path is None else path
    stored = read_counts(file)
    known = stored.of(kb, kb.gauges)
    simulated = [(n, f) for n, f in facets_of(kb, kb.gauges) if f.channel]
    used = {name: set(stored.counts[name][1]) if name in known else set() for name, _ in simulated}
    wanting = [(name, facet) for name, facet in simulated if name not in known]
    # the work is done outside of the interpreter's lock, so that threads share the cores
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        done = pool.map(lambda one: simulate_counts(kb, one[0].split(".")[0], one[1], used[one[0]]), wanting)
        for (name, _), counts in zip(wanting, done, strict=True):
            told(name)
            known[name] = counts
    arrays = {name: known[name] for name, _ in simulated}
    marks = {
        name: (fingerprint(kb, facet, used[name]), tuple(sorted(used[name]))) for name, facet in simulated
    }
    file.parent.mkdir(parents=True, exist_ok=True)
    packed = io.BytesIO()
    np.savez_compressed(
        packed,
        allow_pickle=False,
        fingerprints=np.frombuffer(msgspec.json.encode(marks), dtype=np.uint8),
        **arrays,
    )
    write_whole(packed.getvalue(), file, "tables", over=over)
    return file
