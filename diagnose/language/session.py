"""The state of a session: a case under construction with its past.

Immutable: every transition gives a new session, so that undo and redo are never lost.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import msgspec

from diagnose.language import AsExpected, Disagreement, RestAsExpected, Said, Statement, Switched, readable
from diagnose.model import CaseRecord, SnapshotRecord
from diagnose.model.errors import CaseError

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.network.tables import Network

START = CaseRecord(title="untitled", panel="single_pump")

#: "the rest" means the dials in front of the pilot, not what must be asked for or needs sight outside
NOT_LOOKED_AT = frozenset({"outside", "atc_height", "gps_height", "gps_speed", "gps_track"})


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What lies on the table at one moment.

    ``path`` is the file that the case came from or went to, None if there is none; it belongs to each
    state of the past, so that undoing a load cannot write one case over another's file. ``at`` is the
    place of the snapshot in hand. ``base`` is the state from which a "what if" was opened, None outside
    one. ``branches``: name -> a case saved for comparison.
    """

    case: CaseRecord = START
    path: Path | None = None
    at: int = 0
    base: State | None = None
    branches: tuple[tuple[str, CaseRecord], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """The state now, with what it was before (``past``) and what undo took back (``future``).

    ``saved`` is the case that stands in a file.
    """

    now: State = State()
    past: tuple[State, ...] = ()
    future: tuple[State, ...] = ()
    saved: CaseRecord | None = None

    @property
    def case(self) -> CaseRecord:
        """The case under construction."""
        return self.now.case

    @property
    def path(self) -> Path | None:
        """The file of the case."""
        return self.now.path

    def go(self, state: State) -> Session:
        """Go on to another state. To look at another snapshot or to name a file is no change to undo."""
        state = replace(state, at=max(0, min(state.at, len(state.case.snapshot) - 1)))
        if replace(state, path=self.now.path, at=self.now.at) == self.now:
            return replace(self, now=state)
        return replace(self, now=state, past=(*self.past, self.now), future=())

    def change(self, **fields: Any) -> Session:
        """Change fields of the case."""
        return self.go(replace(self.now, case=msgspec.structs.replace(self.case, **fields)))

    def to(self, case: CaseRecord, path: Path | None) -> Session:
        """Go on to another case, of this file, with its last snapshot in hand."""
        return self.go(replace(self.now, case=case, path=path, at=len(case.snapshot) - 1))

    def filed(self, case: CaseRecord, path: Path | None) -> Session:
        """Go on to a case that stands in this file (None: a shipped case, not to be written over)."""
        return replace(self.to(case, path), saved=case)

    def written(self, title: str, path: Path) -> Session:
        """Go on with the case as it was written to a file: no change to undo, and none that undo loses.

        The title that it got with the file is that of its earlier and later states too, as far back as
        the case goes under its old one.
        """

        def named(state: State) -> State:
            return replace(state, case=msgspec.structs.replace(state.case, title=title))

        def same(state: State) -> bool:
            return state.case.title == self.case.title and bool(state.case.snapshot)

        begun = next((i for i in range(len(self.past), 0, -1) if not same(self.past[i - 1])), 0)
        ended = next((i for i, state in enumerate(self.future) if not same(state)), len(self.future))
        now = replace(named(self.now), path=path)
        return replace(
            self,
            now=now,
            past=(*self.past[:begun], *map(named, self.past[begun:])),
            future=(*map(named, self.future[:ended]), *self.future[ended:]),
            saved=now.case,
        )

    def undo(self) -> Session:
        """Take the last change back. Raises CaseError if there is none."""
        if not self.past:
            raise CaseError("nothing to undo")
        return replace(self, now=self.past[-1], past=self.past[:-1], future=(self.now, *self.future))

    def redo(self) -> Session:
        """Redo what was undone. Raises CaseError if there is nothing."""
        if not self.future:
            raise CaseError("nothing to redo")
        return replace(self, now=self.future[0], past=(*self.past, self.now), future=self.future[1:])

    @property
    def unsaved(self) -> bool:
        """Whether something lies on the table that stands in no file."""
        bare = bool(self.case.snapshot) and self.case != self.saved
        return bare or self.now.base is not None or bool(self.now.branches)

    # -------------------------------------------------------------- what if

    def what_if(self) -> Session:
        """Open a trial: what is said from here on can be dropped as a whole."""
        return self.go(replace(self.now, base=self.now))

    def keep(self) -> Session:
        """End the trial and keep what was said in it. Raises CaseError outside one."""
        return self.go(replace(self.now, base=self._base().base))

    def drop(self) -> Session:
        """End the trial as if it had not been. Raises CaseError outside one."""
        return self.go(replace(self._base(), branches=self.now.branches))

    def _base(self) -> State:
        if self.now.base is None:
            raise CaseError("no 'what if' is open", mend="open one: what if airspeed steady")
        return self.now.base

    def put_by(self, name: str) -> Session:
        """Keep the case as it stands under a name, to compare with."""
        others = tuple(pair for pair in self.now.branches if pair[0] != name)
        return self.go(replace(self.now, branches=(*others, (name, self.case))))

    # -------------------------------------------------------------- snapshots

    def index(self, number: int) -> int:
        """Place of snapshot ``number`` (from 1). Raises CaseError if there is none."""
        count = len(self.case.snapshot)
        if not 1 <= number <= count:
            there = f"there are {count}" if count else "none has been started"
            raise CaseError(f"there is no moment {number}", mend=f"moments count from 1; {there}")
        return number - 1

    def look_at(self, number: int) -> Session:
        """Take snapshot ``number`` (from 1) in hand."""
        return self.go(replace(self.now, at=self.index(number)))

    def insert(self, snapshot: SnapshotRecord, at: int) -> Session:
        """Put a snapshot in at this place and take it in hand."""
        listed = self.case.snapshot
        case = msgspec.structs.replace(self.case, snapshot=(*listed[:at], snapshot, *listed[at:]))
        return self.go(replace(self.now, case=case, at=at))

    def delete(self, at: int) -> Session:
        """Take the snapshot at this place out."""
        listed = self.case.snapshot
        case = msgspec.structs.replace(self.case, snapshot=(*listed[:at], *listed[at + 1 :]))
        return self.go(replace(self.now, case=case, at=self.now.at - (at < self.now.at)))

    @property
    def snapshot(self) -> SnapshotRecord:
        """The snapshot in hand. Raises CaseError before the first."""
        if not self.case.snapshot:
            raise CaseError(
                "what were you flying?",
                mend="moment climb; or guide, and you are asked",
            )
        return self.case.snapshot[self.now.at]

    def with_snapshot(self, snapshot: SnapshotRecord, **fields: Any) -> Session:
        """Exchange the snapshot in hand, and change these fields of the case with it."""
        listed = list(self.case.snapshot)
        listed[self.now.at] = snapshot
        return self.change(snapshot=tuple(listed), **fields)

    def switch(self, switch: str, position: str, kb: KnowledgeBase) -> Session:
        """Say where a switch stood in the snapshot in hand."""
        snapshot = msgspec.structs.replace(
            self.snapshot, switches={**self.snapshot.switches, switch: position}
        )
        return self.with_snapshot(snapshot, context=self._context_told({switch: position}, kb))

    def _context_told(self, switches: Mapping[str, str], kb: KnowledgeBase) -> tuple[str, ...]:
        """The conditions once these switches are said to stand so in the snapshot in hand.

        "Pitot heat off" is one fact, whichever way it is said; a switch that had been said to stand
        otherwise before was moved only then, which is no condition of the day.
        """
        context = list(self.case.context)
        for flag in kb.context.values():
            for switch, position in flag.switch.items():
                before = [
                    s.switches[switch] for s in self.case.snapshot[: self.now.at] if switch in s.switches
                ]
                if switch not in switches or any(stood != position for stood in before):
                    continue
                if switches[switch] == position:
                    context = list(dict.fromkeys((*context, flag.id)))
                elif self.now.at == 0:
                    context = [other for other in context if other != flag.id]
        return tuple(context)

    def say(self, statements: Sequence[Statement], network: Network) -> Session:
        """Add statements to the snapshot in hand; a new reading of a facet replaces the old one.

        "Rest as expected" counts after all others of the line. What it, "vsi normal" or a reading that implies
        another filled in yields to what is said of the gauge later. Raises CaseError when one line says two things of one
        facet, or compares two gauges that do not tell of one thing.
        """
        from diagnose.network.statements import agreement

        snapshot = self.snapshot
        readings, unsure = dict(snapshot.readings), dict(snapshot.unsure)
        switches, disagree = dict(snapshot.switches), list(snapshot.disagree)
        earlier, filled = set(snapshot.filled), set(snapshot.filled)
        told: dict[str, str] = {}
        stated = {said.facet for said in statements if isinstance(said, Said) and said.sure >= 0.5}

        def give_way(gauges: Iterable[str]) -> None:
            for facet in [facet for facet in earlier if facet.split(".")[0] in gauges]:
                earlier.discard(facet)
                filled.discard(facet)
                readings.pop(facet, None)
                unsure.pop(facet, None)

        def tell(facet: str, reading: str, sure: float) -> None:
            if sure < 0.5 and facet in stated:
                return  # "not normal, low": what it did says more than what it did not
            if told.setdefault(facet, reading) != reading:
                raise CaseError(
                    f"{_facet_name(facet)} cannot be both {readable(told[facet])} and {readable(reading)} "
                    "in one moment",
                    mend="keep one, or start a second moment for the later reading",
                )
            readings.pop(facet, None)
            unsure.pop(facet, None)
            filled.discard(facet)
            if sure < 1.0:
                unsure[facet] = (reading, sure)
            else:
                readings[facet] = reading

        for statement in sorted(statements, key=lambda said: isinstance(said, RestAsExpected)):
            match statement:
                case Said(facet=facet, reading=reading, sure=sure):
                    give_way({facet.split(".")[0]})
                    tell(facet, reading, sure)
                case AsExpected(gauge=gauge, sure=sure):
                    give_way({gauge})
                    for facet, reading in network.expected_readings(snapshot.manoeuvre, switches).items():
                        if facet.split(".")[0] == gauge and (
                            facet in network.dials or gauge not in network.dial_gauges
                        ):
                            tell(facet, reading, sure)
                            filled.add(facet)
                case Disagreement(first=first, second=second):
                    agreement(network, first, second)
                    give_way({first, second})
                    if (first, second) not in disagree and (second, first) not in disagree:
                        disagree.append((first, second))
                case Switched(switch=switch, position=position):
                    switches[switch] = position
                case RestAsExpected(but=but):
                    give_way(network.panel.gauges)
                    spoken = {facet.split(".")[0] for facet in (*readings, *unsure)}
                    spoken |= {gauge for pair in disagree for gauge in pair} | NOT_LOOKED_AT | but
                    shares = {g: network.kb.gauges[g].in_the_rest for g in network.panel.gauges}
                    rest = {
                        g: 1.0 if network.kb.gauges[g].instrument else share for g, share in shares.items()
                    }
                    for facet, reading in network.expected_readings(snapshot.manoeuvre, switches).items():
                        gauge = facet.split(".")[0]
                        sure = rest.get(gauge, 0.0)
                        if not sure or gauge in spoken or facet not in network.dials:
                            continue
                        if sure < 1.0:
                            unsure[facet] = (reading, sure)
                        else:
                            readings[facet] = reading
                        filled.add(facet)
        for said in statements:
            if isinstance(said, Said) and said.sure >= 1.0:
                gauge, other = (
                    said.facet.split(".")[0],
                    network.facet(said.facet).implies_not.get(said.reading),
                )
                if other and not {f"{gauge}.{other[0]}"} & {*readings, *unsure}:
                    unsure[f"{gauge}.{other[0]}"] = other[1:]
                    filled.add(f"{gauge}.{other[0]}")
        stood = {
            said.switch: said.position for said in statements if isinstance(said, Switched) and not said.moved
        }
        return self.with_snapshot(
            msgspec.structs.replace(
                snapshot,
                readings=readings,
                unsure=unsure,
                switches=switches,
                disagree=tuple(disagree),
                filled=tuple(facet for facet in (*readings, *unsure) if facet in filled),
            ),
            context=self._context_told(stood, network.kb),
        )


def _facet_name(facet: str) -> str:
    return readable(facet.replace(".", " "))


def says_anything(case: CaseRecord) -> bool:
    """Whether any snapshot of the case holds a statement about a gauge."""
    return any(s.readings or s.unsure or s.disagree for s in case.snapshot)


def fewer_readings(snapshot: SnapshotRecord, gone: Callable[[str], bool]) -> SnapshotRecord:
    """Give a snapshot without the readings of the facets that are to go."""
    return msgspec.structs.replace(
        snapshot,
        readings={facet: said for facet, said in snapshot.readings.items() if not gone(facet)},
        unsure={facet: said for facet, said in snapshot.unsure.items() if not gone(facet)},
        filled=tuple(facet for facet in snapshot.filled if not gone(facet)),
    )
