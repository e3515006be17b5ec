"""What the exercises on one panel are made of: its engine, what looks alike, what shows where."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import msgspec
import numpy as np

from diagnose.advice.explain.pictures import Album, Condition, Pictures
from diagnose.advice.trust import graded, misled
from diagnose.knowledge.load import KnowledgeBase, listed_only, unknown_name
from diagnose.model import CaseRecord, Failure, FailureKind, SnapshotRecord
from diagnose.model.answer import Trust
from diagnose.model.script import ScenarioRecord
from diagnose.network.engine import Engine
from diagnose.network.tables import Network, compile_network
from diagnose.practice.scenario import Alike

#: gauges that are not on the panel, or are seen only if somebody asks; as scenarios have it
UNSEEN = next(f.default for f in msgspec.structs.fields(ScenarioRecord) if f.name == "unseen")
#: what can be read only against such a gauge
COMPARED = ("altimeter.value",)
#: a failure shows in a maneuver if its readings differ by so much in all (total variations added up)
SHOWS = 0.5
#: what shows so much of the most counts as much
AS_MUCH = 0.9
#: maneuvers of every flight
ORDINARY = ("level", "climb", "descent", "left_turn", "right_turn")
#: an instrument misleads if the chance that it tells the truth is below this
MISLEADS = 0.5


@dataclass(frozen=True)
class Studio:
    """One panel, ready to make exercises.

    ``engine`` weighs one failure at a time and few pairs, ``whole`` all pairs as everywhere else.
    """

    network: Network
    engine: Engine
    whole: Engine
    alike: Alike
    album: Album
    drawn: dict[str, Pictures] = field(default_factory=dict, repr=False)
    meant: dict[tuple[str, str], frozenset[str]] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, kb: KnowledgeBase, panel: str) -> Studio:
        """Make the studio of a panel. Raises UnknownName."""
        network = compile_network(listed_only(kb), panel)
        engine = Engine(network, largest_set=1)
        whole = Engine(network)
        return cls(network=network, engine=engine, whole=whole, alike=Alike(network), album=Album.of(engine))

    @property
    def kb(self) -> KnowledgeBase:
        """The knowledge base."""
        return self.network.kb

    def number(self, name: str) -> float:
        """Give a number of ``knowledge/drill.toml``. Raises UnknownName."""
        numbers = self.kb.drill_numbers
        if name not in numbers:
            raise unknown_name("number of the drill", name, numbers)
        return numbers[name].value

    @cached_property
    def classes(self) -> tuple[tuple[str, ...], ...]:
        """Failures of the panel that no gauge tells apart, together; the commonest of each first."""
        found: dict[object, list[Failure]] = {}
        for failure in self.network.failures:
            found.setdefault(self.alike.effect(failure.id), []).append(failure)

        def common(failure: Failure) -> tuple[bool, float]:
            return failure.kind is FailureKind.FAILURE, failure.rate_per_hour + failure.latent

        return tuple(
            tuple(f.id for f in sorted(group, key=common, reverse=True))
            for effect, group in found.items()
            if effect
        )

    def class_of(self, failure: str) -> tuple[str, ...]:
        """Give the failures that look the same in everything, the commonest first."""
        return next((group for group in self.classes if failure in group), (failure,))

    def pictures(self, manoeuvre: str) -> Pictures:
        """Give what every gauge shows for every failure in a maneuver."""
        if manoeuvre not in self.drawn:
            self.drawn[manoeuvre] = self.album.pictures(Condition(manoeuvre=manoeuvre))
        return self.drawn[manoeuvre]

    def strengths(self, manoeuvre: str) -> Mapping[str, float]:
        """Say how much each failure shows: over all gauges, how far its readings differ from sound ones."""
        pictures = self.pictures(manoeuvre)
        found = sum(
            0.5 * np.abs(chances - chances[0]).sum(axis=1)
            for facet, chances in pictures.facets.items()
            if facet.split(".")[0] in self.seen and facet not in COMPARED
        )
        return dict(zip(pictures.names, np.asarray(found).tolist(), strict=True))

    @property
    def seen(self) -> tuple[str, ...]:
        """Gauges of the panel that the student can see: what must be asked for from outside is left out."""
        return tuple(name for name in self.network.dial_gauges if name not in UNSEEN)

    @cached_property
    def flown_by(self) -> frozenset[str]:
        """Give the gauges that some axis of control is flown by, as usual or as a stand-in."""
        kb = self.kb
        uses = [use for m in kb.manoeuvres.values() for use in (m.pitch, m.bank, m.power) if use is not None]
        usual = {name for use in uses for name in (use.primary, *use.supporting)}
        stand_ins = {s.gauge for s in kb.substitutes.values()}
        return frozenset((usual | stand_ins | {"heading"}) & set(self.network.panel.gauges))

    def trusts(self, failure: str, manoeuvre: str) -> tuple[Trust, ...]:
        """Say which gauges tell the truth while a failure acts that has been there for some time (or ``SOUND``)."""
        space = self.album.space
        snapshot = SnapshotRecord(manoeuvre=manoeuvre)
        case = CaseRecord(title="", panel=self.network.panel.id, snapshot=(snapshot,))
        (step,) = self.engine.steps(case)
        place = self.album.names.index(failure)
        acts = (space.row_set == place) & (space.acting == space.members[space.row_set]).all(axis=1)
        rows = np.where(acts, space.first(step, case.minutes_since_start), 0.0)
        return graded(self.network, misled(space, manoeuvre, step.switches), rows / rows.sum())

    def misleads(self, failure: str, manoeuvre: str) -> frozenset[str]:
        """Give the instruments that a failure makes mislead now or soon: what it means to the pilot."""
        key = (failure, self.kb.manoeuvres[manoeuvre].phase)
        if key not in self.meant:
            self.meant[key] = frozenset(
                t.gauge
                for t in self.trusts(failure, manoeuvre)
                if t.gauge in self.flown_by and t.soon < MISLEADS
            )
        return self.meant[key]

    @cached_property
    def shown_by_manoeuvre(self) -> Mapping[str, Mapping[str, float]]:
        """Give for each maneuver how much each failure shows in it."""
        return {name: self.strengths(name) for name in self.kb.manoeuvres}

    def shows_in(self, failure: str) -> tuple[str, ...]:
        """Give the maneuvers in which a failure shows: in the air first, those in which it shows most.

        Where it shows about as much as anywhere, what is flown every day comes first.
        """
        shown = {name: shows[failure] for name, shows in self.shown_by_manoeuvre.items()}
        most = {
            phase: max(
                (shown[name] for name, m in self.kb.manoeuvres.items() if (m.phase == "air") is phase),
                default=0.0,
            )
            for phase in (True, False)
        }

        def place(name: str) -> tuple[bool, bool, float, int]:
            air = self.kb.manoeuvres[name].phase == "air"
            as_much = shown[name] >= AS_MUCH * most[air]
            ordinary = ORDINARY.index(name) if name in ORDINARY else len(ORDINARY)
            return not air, not as_much, 0.0 if as_much else -round(shown[name], 1), ordinary

        return tuple(sorted((name for name in shown if shown[name] >= SHOWS), key=place))

    def can_be(self, failure: str, manoeuvre: str) -> bool:
        """Whether the conditions that a failure needs can hold in a maneuver (or ``SOUND``: always)."""
        needed = self.kb.failures[failure].needs_conditions if failure in self.kb.failures else ()
        return all(self.holds_in(flag, manoeuvre) for flag in needed)

    def holds_in(self, flag: str, manoeuvre: str) -> bool:
        """Whether a condition can hold in the phase of flight of a maneuver."""
        phases = self.kb.context[flag].phases
        return not phases or self.kb.manoeuvres[manoeuvre].phase in phases

    def shows_on(self, failure: str, manoeuvre: str) -> frozenset[str]:
        """Give the gauges whose readings a failure changes in a maneuver, as far as the student sees them."""
        pictures = self.pictures(manoeuvre)
        place, least = pictures.names.index(failure), self.number("changes_gauge")
        return frozenset(
            gauge
            for facet, chances in pictures.facets.items()
            if (gauge := facet.split(".")[0]) in self.seen
            and facet not in COMPARED
            and 0.5 * np.abs(chances[place] - chances[0]).sum() >= least
        )

    def with_failures(self, failures: Sequence[str]) -> Engine:
        """Give an engine that knows only these failures, one at a time, and what they turn into."""
        chosen = set(failures)
        kept = tuple(f for f in self.network.failures if f.id in chosen or chosen & set(f.hastened_by))
        return Engine(self.network.with_failures(kept), largest_set=1)
