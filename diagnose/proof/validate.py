"""Whether the knowledge base makes sense: one function per rule, all problems at once.

What cannot even be decoded is reported by ``knowledge`` when it reads.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Container, Iterable, Iterator, Mapping

import msgspec
import networkx as nx

from diagnose.knowledge.load import KnowledgeBase, knowledge_error
from diagnose.model import ID_PATTERN, MemoryKind
from diagnose.network.graph import line_problems
from diagnose.network.likelihood import states_of
from diagnose.network.readings import STATISTICS
from diagnose.physics.panel import CHANNELS, DIFFERENCES

#: an order of the DO line has no more characters
LONGEST_ORDER = 60
PLAIN_SOURCES = ("judgement", "common practice")
#: tables of the pictures, of scenarios and of the drill
DRAWN = ("dials", "flown_quantities", "drill_numbers", "scan_patterns")
#: tables of the review
REVIEWED = ("relations", "ground_tests")
#: numbers of the review that are chances
SHARES = ("full_share", "sure_by_wind", "sure_drifting", "enough", "disbelieve", "onset_share")


def _nodes(kb: KnowledgeBase) -> set[str]:
    return {*kb.parts, *kb.sources, *kb.memories, *kb.switches, *kb.circumstances}


def _bad_states(kb: KnowledgeBase, when: Mapping[str, str | tuple[str, ...]], where: str) -> Iterator[str]:
    for name, wanted in when.items():
        if name not in _nodes(kb) | set(kb.axes):
            yield f"{where}: there is no part, source, memory, switch or axis {name!r}"
            continue
        for state in (wanted,) if isinstance(wanted, str) else wanted:
            if state not in states_of(kb, name):
                yield f"{where}: {name} has no state {state!r}; it has {', '.join(states_of(kb, name))}"


def _unknown(where: str, *named: tuple[str, Iterable[str], Container[str]]) -> Iterator[str]:
    """Names that are not known, of each (kind, names, known ones)."""
    for kind, names, known in named:
        yield from (f"{where}: there is no {kind} {name!r}" for name in names if name not in known)


def ids_are_plain(kb: KnowledgeBase) -> Iterator[str]:
    """Ids are lower-case letters, digits and underscores."""
    for table in ("parts", "sources", "memories", "failures", "gauges", "panels", "manoeuvres"):
        for entry in getattr(kb, table):
            if not re.fullmatch(ID_PATTERN, entry):
                yield f"{kb.at(table, entry)}: the id must be lower-case letters, digits and underscores"


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
        "power_settings",
        "strengths",
        "terms",
        "looks",
        "decisions",
        *DRAWN,
        *REVIEWED,
    ):
        for entry, record in getattr(kb, table).items():
            if record.source not in PLAIN_SOURCES and record.source not in kb.documents:
                yield f"{kb.at(table, entry)}: the source {record.source!r} is not in sources.toml"


def failures_act_on_parts(kb: KnowledgeBase) -> Iterator[str]:
    """A failure puts parts into conditions that they have, and never the healthy one."""
    for entry, failure in kb.failures.items():
        where = kb.at("failures", entry)
        for part, condition in failure.acts.items():
            if part not in kb.parts:
                yield f"{where}: there is no part {part!r}"
            elif condition not in tuple(kb.parts[part].conditions)[1:]:
                yield f"{where}: {part} has no failed condition {condition!r}"


def chances_are_chances(kb: KnowledgeBase) -> Iterator[str]:
    """Rates and chances lie where they must, and a rate lies in its own range."""
    for entry, failure in kb.failures.items():
        where = kb.at("failures", entry)
        if not (failure.rate_per_hour >= 0.0 and 0.0 <= failure.latent < 1.0 and 0.0 < failure.acting <= 1.0):
            yield f"{where}: rate, latent or acting is out of range"
        if failure.rate_range and not failure.rate_range[0] <= failure.rate_per_hour <= failure.rate_range[1]:
            yield f"{where}: the rate {failure.rate_per_hour:g} lies outside its range {failure.rate_range}"


def failures_name_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """Contexts, cures and causes that a failure names exist."""
    for entry, failure in kb.failures.items():
        where = kb.at("failures", entry)
        yield from _unknown(where, ("context", [f for e in failure.context for f in e.when], kb.context))
        for cause in failure.hastened_by:
            if cause not in kb.failures:
                yield f"{where}: hastened by an unknown failure {cause!r}"
        if failure.cured_by is not None:
            cure = failure.cured_by
            switched = {cure.switch: cure.position} if cure.switch else {}
            yield from _bad_states(kb, {**switched, **cure.needs}, where)
            if not (cure.switch and cure.minutes > 0.0) and not cure.alone_minutes > 0.0:
                yield f"{where}: a cure needs a switch and its minutes, or alone_minutes"
            if failure.acting < 1.0:
                yield f"{where}: a failure is either intermittent or cured by a switch, not both"


def rules_name_known_states(kb: KnowledgeBase) -> Iterator[str]:
    """Rules of sources, drivers of memories and conditions that a switch tells name states that exist."""
    for entry, flag in kb.context.items():
        yield from _bad_states(kb, flag.switch, kb.at("context", entry))
        yield from _unknown(kb.at("context", entry), ("maneuver", flag.all_in, kb.manoeuvres))
    for entry, source in kb.sources.items():
        where = kb.at("sources", entry)
        for rule in source.rules:
            yield from _bad_states(kb, rule.when, where)
            if rule.gives not in source.conditions:
                yield f"{where}: a rule gives {rule.gives!r}, which is none of its conditions"
    for entry, circumstance in kb.circumstances.items():
        where = kb.at("circumstances", entry)
        for told in circumstance.tells:
            yield from _bad_states(kb, {entry: told.position, **told.before}, where)
    for entry, memory in kb.memories.items():
        where = kb.at("memories", entry)
        yield from _bad_states(kb, {memory.driver: tuple(memory.carry)}, where)
        if memory.start not in memory.states:
            yield f"{where}: the start {memory.start!r} is none of its states"
        if memory.kind is MemoryKind.DEGREE and set(memory.carry.values()) != set(memory.degrees):
            yield f"{where}: carry and degrees must name the same"
        for name, degree in memory.degrees.items():
            yield from (f"{where}, degree {name!r}: {p}" for p in degree.problems(memory.states, kb.quantities))


def facets_are_complete(kb: KnowledgeBase) -> Iterator[str]:
    """A facet is simulated or stated, names known states, and its numbers are chances."""
    for gauge_id, gauge in kb.gauges.items():
        parents = {name for facet in gauge.facets for name in facet.parents}
        for name in gauge.tells_of:
            if name not in parents:
                yield f"{kb.at('gauges', gauge_id)}: tells of {name!r}, on which no facet depends"
        for facet in gauge.facets:
            where = f"{kb.at('gauges', gauge_id)}, facet {facet.id}"
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
            others = {
                other.id: {r.id for r in other.readings} for other in gauge.facets if other is not facet
            }
            for reading_id, (other_id, not_so, _) in facet.implies_not.items():
                if reading_id not in {r.id for r in facet.readings} or not_so not in others.get(other_id, ()):
                    yield f"{where}: {reading_id!r} implies an unknown {other_id} {not_so!r}"
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
    if listed and (listed[-1].when or listed[-1].fitted):  # type: ignore[attr-defined]
        yield f"{where}: the last row must hold for everything else (no 'when')"


def manoeuvres_are_complete(kb: KnowledgeBase) -> Iterator[str]:
    """A maneuver expects a value of every axis, and its strays leave room for it."""
    for entry, manoeuvre in kb.manoeuvres.items():
        where = kb.at("manoeuvres", entry)
        if set(manoeuvre.expected) != set(kb.axes):
            yield f"{where}: must expect a value of each of {', '.join(kb.axes)}"
        yield from _bad_states(kb, manoeuvre.expected, where)
        for axis, strays in manoeuvre.strays.items():
            yield from _bad_states(kb, {axis: tuple(strays)}, where)
            if sum(strays.values()) >= 1.0:
                yield f"{where}: strays of {axis} leave no chance for what is expected"
        if sum(outcome.chance for outcome in manoeuvre.wanders) >= 1.0:
            yield f"{where}: its wanders leave no chance for what is expected"
        uses = filter(None, (manoeuvre.pitch, manoeuvre.bank, manoeuvre.power))
        gauges = [gauge for use in uses for gauge in (use.primary, *use.supporting)]
        yield from _unknown(where, ("gauge", gauges, kb.gauges))


def panels_name_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """Parts, gauges and switches of a panel exist, and so does the panel it is based on."""
    for entry, panel in kb.panels.items():
        where = kb.at("panels", entry)
        if panel.based_on and panel.based_on not in kb.panels:
            yield f"{where}: is based on an unknown panel {panel.based_on!r}"
        below, seen = panel.based_on, {entry}
        while below in kb.panels and below not in seen:
            seen.add(below)
            below = kb.panels[below].based_on
        if below in seen:
            yield f"{where}: is based on itself"
        yield from _unknown(
            where,
            ("part", panel.parts, kb.parts),
            ("gauge", panel.gauges, kb.gauges),
            ("switch", panel.switches, kb.switches),
        )


def looks_name_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """Facets, switches, maneuvers and conditions that a look names exist; a glance moves nothing."""
    facets = {f"{gauge.id}.{facet.id}" for gauge in kb.gauges.values() for facet in gauge.facets}
    for entry, look in kb.looks.items():
        where = kb.at("looks", entry)
        yield from _unknown(
            where,
            ("facet", look.reads, facets),
            ("maneuver", (*filter(None, [look.manoeuvre]), *look.only_while, *look.not_while), kb.manoeuvres),
            ("context", look.not_in, kb.context),
            ("gauge", look.blind_needs, kb.gauges),
            ("switch or part", look.without, {*kb.switches, *kb.parts}),
        )
        yield from _bad_states(kb, {**look.switches, **look.only_with}, where)
        if look.kind == "read" and (look.switches or look.manoeuvre):
            yield f"{where}: a look that only reads moves no switch and flies nothing"
        if not (look.seconds >= 0.0 and 1 <= look.workload <= 5 and 0 <= look.hazard <= 5):
            yield f"{where}: seconds, workload (1 to 5) or hazard (0 to 5) is out of range"
        if look.hazard >= 2 and not look.caution:
            yield f"{where}: a look with a hazard needs its caution"


def advice_fields_name_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """Power of a gauge, conditions in which it is not seen, what sets a slip right, second instruments exist."""
    for table, entry, kind, names, known in (
        *(("gauges", g.id, "source", (g.power,) if g.power else (), kb.sources) for g in kb.gauges.values()),
        *(("gauges", g.id, "context", g.unseen_in, kb.context) for g in kb.gauges.values()),
        *(
            ("failures", f.id, "gauge", tuple(filter(None, (f.set_right_by,))), kb.gauges)
            for f in kb.failures.values()
        ),
        *(
            ("substitutes", e, "gauge", (*s.uses, *filter(None, (s.second_to,))), kb.gauges)
            for e, s in kb.substitutes.items()
        ),
    ):
        yield from _unknown(kb.at(table, entry), (kind, names, known))
    for failure in kb.failures.values():
        if len(failure.set_right) > LONGEST_ORDER:
            yield f"{kb.at('failures', failure.id)}: set_right must have at most {LONGEST_ORDER} characters"


def decisions_name_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """Instruments, states, conditions and switches that a decision names exist; its order is short."""
    before: set[str] = set()
    for entry, decision in kb.decisions.items():
        where = kb.at("decisions", entry)
        gauges = (*decision.against, *decision.out, *decision.covered, *decision.trusted, *decision.doubted)
        facets = {f"{g.id}.{f.id}" for g in kb.gauges.values() for f in g.facets}
        yield from _unknown(
            where,
            ("gauge", gauges, kb.gauges),
            ("context", (*decision.conditions, *decision.also, *decision.not_in), kb.context),
            ("part or switch", (*decision.parts, *decision.without), {*kb.parts, *kb.switches}),
            ("decision before it", decision.unless, before),
            ("facet", decision.unless_read, facets),
        )
        for states in (decision.lost, decision.sound, decision.move, decision.moved):
            yield from _bad_states(kb, states, where)
        if decision.urgency not in (1, 2, 3):
            yield f"{where}: urgency must be 1, 2 or 3, not {decision.urgency}"
        if not 0 < len(decision.short) <= LONGEST_ORDER:
            yield f"{where}: its short order must have 1 to {LONGEST_ORDER} characters, not {len(decision.short)}"
        before.add(entry)


def effects_name_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """What a normal effect is told by exists: facets, readings, maneuvers, conditions, motion, switches, parts."""
    facets = {f"{g.id}.{f.id}": {r.id for r in f.readings} for g in kb.gauges.values() for f in g.facets}
    for entry, effect in kb.effects.items():
        where = kb.at("effects", entry)
        yield from _unknown(
            where,
            ("gauge", (effect.gauge,), kb.gauges),
            ("facet", effect.when, facets),
            ("maneuver", (*effect.manoeuvres, *effect.after), kb.manoeuvres),
            ("context", effect.context, kb.context),
            ("part", effect.parts, kb.parts),
        )
        for facet, reading in effect.when.items():
            if reading not in facets.get(facet, {reading}):
                yield f"{where}: {facet} has no reading {reading!r}"
        for states in (effect.motion, effect.likely, effect.moved):
            yield from _bad_states(kb, states, where)


def dials_can_be_drawn(kb: KnowledgeBase) -> Iterator[str]:
    """A dial belongs to a gauge, its face is there, and every scale has two points or a whole turn."""
    for entry, dial in kb.dials.items():
        where = kb.at("dials", entry)
        if entry not in kb.gauges:
            yield f"{where}: there is no gauge {entry!r}"
        if dial.like and (dial.like not in kb.dials or kb.dials[dial.like].like):
            yield f"{where}: there is no face {dial.like!r} to take"
        if not (dial.like or dial.hands or dial.reads):
            yield f"{where}: it reads nothing"
        for hand in dial.hands:
            values = [value for value, _ in hand.points]
            if bool(hand.per_turn) == (len(values) > 1):
                yield f"{where}: the hand for {hand.reads} needs two points or more, or per_turn"
            elif values != sorted(set(values)):
                yield f"{where}: the points of the hand for {hand.reads} must rise"
        for ticks in dial.ticks:
            if ticks.every <= 0.0 or not 0 <= ticks.hand < len(dial.hands):
                yield f"{where}: marks need a step above 0 and a hand that is there"


def plumbing_names_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """A fitting names parts, fittings before it, a source, switches and flows that exist; a flow, conditions."""
    states = {
        f"{source}.{condition}" for source, known in kb.sources.items() for condition in known.conditions
    }
    for entry, flow in kb.flows.items():
        where = kb.at("flows", entry)
        yield from (
            f"{where}: no source has the condition {name!r}" for name in flow.of if name not in states
        )
    named = [state for flow in kb.flows.values() for state in flow.of]
    for source in dict.fromkeys(
        fitting.carries for fitting in kb.fittings.values() if fitting.carries in kb.sources
    ):
        for condition in list(kb.sources[source].conditions)[1:]:
            if (times := named.count(f"{source}.{condition}")) != 1:
                yield f"{kb.at('sources', source)}: {condition} stands in {times} flows of plumbing.toml, not in one"
    lines = nx.DiGraph((before, entry) for entry, fitting in kb.fittings.items() for before in fitting.after)
    order = list(kb.fittings)
    for ring in nx.simple_cycles(lines):
        # it begins anywhere in the ring
        first = ring.index(min(ring, key=order.index))
        told = " -> ".join((*ring[first:], *ring[:first]))
        yield f"{kb.at('fittings', ring[first])}: its line comes back into itself: {told}"
    for entry, fitting in kb.fittings.items():
        where = kb.at("fittings", entry)
        known = [
            condition for part in fitting.parts if part in kb.parts for condition in kb.parts[part].conditions
        ]
        named = [condition for blocked in fitting.openings.values() for condition in blocked]
        yield from _unknown(where, ("part", fitting.parts, kb.parts), ("fitting", fitting.after, kb.fittings))
        yield from (
            f"{where}: its parts have no condition {name!r}"
            for name in (*fitting.gives, *named)
            if name not in known
        )
        yield from _unknown(where, ("flow", fitting.gives.values(), kb.flows))
        if not fitting.parts:
            yield f"{where}: it stands for no part"
        if fitting.carries and fitting.carries not in kb.sources:
            yield f"{where}: there is no source {fitting.carries!r}"
        yield from _bad_states(kb, dict(fitting.opens), where)


def scan_patterns_name_gauges(kb: KnowledgeBase) -> Iterator[str]:
    """A pattern of looks goes round two gauges or more, which exist."""
    for entry, pattern in kb.scan_patterns.items():
        where = kb.at("scan_patterns", entry)
        yield from _unknown(where, ("gauge", pattern.gauges, kb.gauges))
        if len(set(pattern.gauges)) < 2:
            yield f"{where}: a pattern goes round two gauges or more"


def review_names_known_things(kb: KnowledgeBase) -> Iterator[str]:
    """Channels, failures and numbers that the review of a recording works with are there and make sense."""
    for entry, channel in kb.recorded.items():
        where = kb.at("recorded", entry)
        if not channel.range[0] < channel.range[1]:
            yield f"{where}: the range {channel.range} must rise"
        if not channel.units or next(iter(channel.units.values())) != (1.0, 0.0):
            yield f"{where}: its first unit must be its own, [1.0, 0.0]"
        yield from (
            f"{where}: one {unit} must be more than 0 {channel.unit}"
            for unit, (factor, _) in channel.units.items()
            if factor <= 0.0
        )
        if channel.twin and channel.twin not in kb.recorded:
            yield f"{where}: there is no channel {channel.twin!r}"
    for entry, relation in kb.relations.items():
        where = kb.at("relations", entry)
        yield from _unknown(where, ("channel", (*relation.channels, *relation.speaks_of), kb.recorded))
        if relation.noise <= 0.0:
            yield f"{where}: the noise must be above 0"
    for entry, test in kb.ground_tests.items():
        where = kb.at("ground_tests", entry)
        yield from _unknown(where, ("failure", test.failures, kb.failures))
    for name, numbers in (("recording", kb.recording), ("review", kb.review)):
        if numbers.source not in PLAIN_SOURCES and numbers.source not in kb.documents:
            yield f"{name}: the source {numbers.source!r} is not in sources.toml"
        for key, value in msgspec.structs.asdict(numbers).items():
            if isinstance(value, int | float) and not isinstance(value, bool) and value <= 0:
                yield f"{name}: {key} must be above 0"
            if key in SHARES and value >= 1.0:
                yield f"{name}: {key} must be below 1"


def simulated_flights_can_be_flown(kb: KnowledgeBase) -> Iterator[str]:
    """What a calibration flies is there, its chances are chances and its ranges rise."""
    world, numbers = kb.world, msgspec.structs.asdict(kb.world)
    if world.source not in PLAIN_SOURCES and world.source not in kb.documents:
        yield f"world: the source {world.source!r} is not in sources.toml"
    for key in ("late", "seen_beginning", "just_started", "switch_moved"):
        if not 0.0 <= numbers[key] <= 1.0:
            yield f"world: {key} must lie between 0 and 1, not {numbers[key]:g}"
    for key in ("careless_times", "sloppy_times", "vague_power", "gap_memory_times", "attention"):
        if not 0.0 < numbers[key][0] <= numbers[key][1]:
            yield f"world: {key} must rise from above 0, not {list(numbers[key])}"
    if not (world.flown and all(world.flown) and world.most_snapshots >= 1 and world.gaps_min):
        yield "world: needs flights in flown, gaps in gaps_min and at least one moment"
    flown = dict.fromkeys(name for flight in world.flown for name in flight)
    yield from _unknown("world", ("maneuver", flown, kb.manoeuvres))
    for day in world.days:
        yield from _unknown("world", ("context", day.flags, kb.context))
        if not 0.0 <= day.chance <= 1.0:
            yield f"world: the chance of a day must lie between 0 and 1, not {day.chance:g}"


def families_hold_failures(kb: KnowledgeBase) -> Iterator[str]:
    """A family lists known failures, and none that another family lists."""
    taken: dict[str, str] = {}
    for family in kb.families.values():
        for name in family.members:
            if name not in kb.failures:
                yield f"{kb.at('families', family.id)}: there is no failure {name!r}"
            if taken.setdefault(name, family.id) != family.id:
                yield f"{kb.at('families', family.id)}: {name} stands in two families, here and {taken[name]}"


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
    looks_name_known_things,
    advice_fields_name_known_things,
    decisions_name_known_things,
    effects_name_known_things,
    dials_can_be_drawn,
    plumbing_names_known_things,
    scan_patterns_name_gauges,
    review_names_known_things,
    simulated_flights_can_be_flown,
    families_hold_failures,
)


def problems(kb: KnowledgeBase) -> list[str]:
    """Every problem that the rules find, each with its file and entry; lines are followed once all names are known."""
    return [problem for rule in RULES for problem in rule(kb)] or list(line_problems(kb))


def check(kb: KnowledgeBase) -> None:
    """Raise KnowledgeError with all problems, if there are any."""
    found = problems(kb)
    if found:
        raise knowledge_error(found)
