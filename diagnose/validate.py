"""Whether the knowledge base makes sense: one function per rule, all problems at once.

What cannot even be decoded is reported by ``knowledge`` when it reads.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping

from diagnose.knowledge import KnowledgeBase, knowledge_error
from diagnose.likelihood import states_of
from diagnose.model import ID_PATTERN
from diagnose.physics.panel import CHANNELS, DIFFERENCES
from diagnose.readings import STATISTICS

PLAIN_SOURCES = ("judgement", "common practice")


def _at(kb: KnowledgeBase, table: str, entry: str) -> str:
    return f"{kb.origin.get((table, entry), table)}, {entry}"


def _nodes(kb: KnowledgeBase) -> set[str]:
    return {*kb.parts, *kb.sources, *kb.memories, *kb.switches}


def _bad_states(kb: KnowledgeBase, when: Mapping[str, str | tuple[str, ...]], where: str) -> Iterator[str]:
    for name, wanted in when.items():
        if name not in _nodes(kb) | set(kb.axes):
            yield f"{where}: there is no part, source, memory, switch or axis {name!r}"
            continue
        for state in (wanted,) if isinstance(wanted, str) else wanted:
            if state not in states_of(kb, name):
                yield f"{where}: {name} has no state {state!r}; it has {', '.join(states_of(kb, name))}"


def ids_are_plain(kb: KnowledgeBase) -> Iterator[str]:
    """Ids are lower-case letters, digits and underscores."""
    for table in ("parts", "sources", "memories", "failures", "gauges", "panels", "manoeuvres"):
        for entry in getattr(kb, table):
            if not re.fullmatch(ID_PATTERN, entry):
                yield f"{_at(kb, table, entry)}: the id must be lower-case letters, digits and underscores"


def sources_are_known(kb: KnowledgeBase) -> Iterator[str]:
    """Every entry's source is a document of the bibliography, judgement or common practice."""
    for table in (
        "failures",
        "manoeuvres",
        "memories",
        "effects",
        "quantities",
        "settings",
        "substitutes",
        "strengths",
    ):
        for entry, record in getattr(kb, table).items():
            if record.source not in PLAIN_SOURCES and record.source not in kb.documents:
                yield f"{_at(kb, table, entry)}: the source {record.source!r} is not in sources.toml"


def failures_act_on_parts(kb: KnowledgeBase) -> Iterator[str]:
    """A failure puts parts into conditions that they have, and never the healthy one."""
    for entry, failure in kb.failures.items():
        where = _at(kb, "failures", entry)
        for part, condition in failure.acts.items():
            if part not in kb.parts:
                yield f"{where}: there is no part {part!r}"
            elif condition not in tuple(kb.parts[part].conditions)[1:]:
                yield f"{where}: {part} has no failed condition {condition!r}"


def chances_are_chances(kb: KnowledgeBase) -> Iterator[str]:
    """Rates and chances lie where they must, and a rate lies in its own range."""
    for entry, failure in kb.failures.items():
        where = _at(kb, "failures", entry)
        if not (failure.rate_per_hour >= 0.0 and 0.0 <= failure.latent < 1.0 and 0.0 < failure.acting <= 1.0):
            yield f"{where}: rate, latent or acting is out of range"
        if failure.rate_range and not failure.rate_range[0] <= failure.rate_per_hour <= failure.rate_range[1]:
            yield f"{where}: the rate {failure.rate_per_hour:g} lies outside its range {failure.rate_range}"


def failures_name_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """Contexts, cures and causes that a failure names exist."""
    for entry, failure in kb.failures.items():
        where = _at(kb, "failures", entry)
        for effect in failure.context:
            for flag in effect.when:
                if flag not in kb.context:
                    yield f"{where}: there is no context {flag!r}"
        for cause in failure.hastened_by:
            if cause not in kb.failures:
                yield f"{where}: hastened by an unknown failure {cause!r}"
        if failure.cured_by is not None:
            cure = failure.cured_by
            yield from _bad_states(kb, {cure.switch: cure.position, **cure.needs}, where)
            if failure.acting < 1.0:
                yield f"{where}: a failure is either intermittent or cured by a switch, not both"


def rules_name_known_states(kb: KnowledgeBase) -> Iterator[str]:
    """Rules of sources and drivers of memories name states that exist."""
    for entry, source in kb.sources.items():
        where = _at(kb, "sources", entry)
        for rule in source.rules:
            yield from _bad_states(kb, rule.when, where)
            if rule.gives not in source.conditions:
                yield f"{where}: a rule gives {rule.gives!r}, which is none of its conditions"
    for entry, memory in kb.memories.items():
        where = _at(kb, "memories", entry)
        yield from _bad_states(kb, {memory.driver: tuple(memory.carry)}, where)
        if memory.start not in memory.states:
            yield f"{where}: the start {memory.start!r} is none of its states"


def facets_are_complete(kb: KnowledgeBase) -> Iterator[str]:
    """A facet is simulated or stated, names known states, and its numbers are chances."""
    for gauge_id, gauge in kb.gauges.items():
        for facet in gauge.facets:
            where = f"{_at(kb, 'gauges', gauge_id)}, facet {facet.id}"
            for name in (*facet.parents, *facet.axes):
                if name not in _nodes(kb) | set(kb.axes):
                    yield f"{where}: depends on an unknown {name!r}"
            if bool(facet.channel) == bool(facet.rows):
                yield f"{where}: needs either a channel or rows"
            if facet.channel and facet.channel not in {*CHANNELS, *DIFFERENCES}:
                yield f"{where}: the physics has no channel {facet.channel!r}"
            if not 0.0 <= facet.misreport < 0.5:
                yield f"{where}: misreport {facet.misreport} is no small chance"
            for reading in facet.readings:
                for statistic in reading.where:
                    if statistic not in {*STATISTICS, "shown"}:
                        yield f"{where}, reading {reading.id}: there is no statistic {statistic!r}"
            yield from _rows(kb, where, facet.rows, {reading.id for reading in facet.readings})


def _rows(kb: KnowledgeBase, where: str, rows: Iterable[object], readings: set[str]) -> Iterator[str]:
    listed = list(rows)
    for number, row in enumerate(listed, 1):
        yield from _bad_states(kb, row.when, f"{where}, row {number}")  # type: ignore[attr-defined]
        gives = row.gives  # type: ignore[attr-defined]
        if set(gives) - readings:
            yield f"{where}, row {number}: gives unknown readings {sorted(set(gives) - readings)}"
        if abs(sum(gives.values()) - 1.0) > 0.011:
            yield f"{where}, row {number}: the chances add up to {sum(gives.values()):g}, not to 1"
    if listed and listed[-1].when:  # type: ignore[attr-defined]
        yield f"{where}: the last row must hold for everything else (no 'when')"


def manoeuvres_are_complete(kb: KnowledgeBase) -> Iterator[str]:
    """A manoeuvre expects a value of every axis, and its strays leave room for it."""
    for entry, manoeuvre in kb.manoeuvres.items():
        where = _at(kb, "manoeuvres", entry)
        if set(manoeuvre.expected) != set(kb.axes):
            yield f"{where}: must expect a value of each of {', '.join(kb.axes)}"
        yield from _bad_states(kb, manoeuvre.expected, where)
        for axis, strays in manoeuvre.strays.items():
            yield from _bad_states(kb, {axis: tuple(strays)}, where)
            if sum(strays.values()) >= 1.0:
                yield f"{where}: strays of {axis} leave no chance for what is expected"
        if sum(outcome.chance for outcome in manoeuvre.wanders) >= 1.0:
            yield f"{where}: its wanders leave no chance for what is expected"
        for use in (manoeuvre.pitch, manoeuvre.bank, manoeuvre.power):
            for gauge in (use.primary, *use.supporting) if use else ():
                if gauge not in kb.gauges:
                    yield f"{where}: there is no gauge {gauge!r}"


def panels_name_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """Parts, gauges and switches of a panel exist, and so does the panel it is based on."""
    for entry, panel in kb.panels.items():
        where = _at(kb, "panels", entry)
        if panel.based_on and panel.based_on not in kb.panels:
            yield f"{where}: is based on an unknown panel {panel.based_on!r}"
        for kind, names, known in (
            ("part", panel.parts, kb.parts),
            ("gauge", panel.gauges, kb.gauges),
            ("switch", panel.switches, kb.switches),
        ):
            for name in names:
                if name not in known:
                    yield f"{where}: there is no {kind} {name!r}"


RULES: tuple[Callable[[KnowledgeBase], Iterator[str]], ...] = (
    ids_are_plain,
    sources_are_known,
    failures_act_on_parts,
    chances_are_chances,
    failures_name_known_things,
    rules_name_known_states,
    facets_are_complete,
    manoeuvres_are_complete,
    panels_name_known_things,
)


def problems(kb: KnowledgeBase) -> list[str]:
    """Every problem that the rules find, each with its file and entry."""
    return [problem for rule in RULES for problem in rule(kb)]


def check(kb: KnowledgeBase) -> None:
    """Raise KnowledgeError with all problems, if there are any."""
    found = problems(kb)
    if found:
        raise knowledge_error(found)
