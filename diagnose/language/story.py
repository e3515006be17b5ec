"""From a story that was read to a case: its moments in order, what was flown, the day and the panel.

A moment begins where another maneuver is told, where time goes on and something is read again, where a
switch is moved, or where a gauge shows something else than before. Where no maneuver is told, level flight is
assumed, and that is said.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import msgspec

from diagnose.language import AsExpected, Disagreement, RestAsExpected, Said, Statement, readable
from diagnose.language.aircraft import panel_told
from diagnose.language.case_files import LONGEST_MINUTES
from diagnose.language.lexicon import story_tables
from diagnose.language.prose import EVIDENCE, Piece, SentenceRead
from diagnose.language.session import Session
from diagnose.model import SnapshotRecord
from diagnose.model.errors import CaseError

if TYPE_CHECKING:
    from diagnose.knowledge.load import KnowledgeBase
    from diagnose.network.tables import Network

#: the network of a panel, built once for each
NetworkOf = Callable[[str], "Network"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """A piece of evidence or a switch, the sentence that it came from and the moment it went to (from 1)."""

    piece: Piece
    sentence: int
    moment: int


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """A piece that was understood but has no place in the case, and why."""

    piece: Piece
    sentence: int
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BuiltStory:
    """The session with the story in it, where each piece went, and what was assumed or left out.

    ``panel``: the panel that the story chose ("" if none); ``suggested``: panels that it may mean.
    ``assumed``: moments (from 1) whose maneuver was not told.
    """

    session: Session
    placed: tuple[Placed, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    panel: str = ""
    suggested: tuple[str, ...] = ()
    assumed: tuple[int, ...] = ()
    softened: bool = False


@dataclass(slots=True)
class _Moment:
    flown: str = ""
    assumed: bool = True
    before: float = 0.0
    switches: dict[str, str] = field(default_factory=dict)
    told: list[tuple[int, Piece]] = field(default_factory=list)
    rest: list[tuple[int, Piece]] = field(default_factory=list)
    #: what was tried without effect, beside the switches
    tried: list[str] = field(default_factory=list)
    #: its place among the snapshots that were there already, None for a new one
    at: int | None = None

    def evidence(self) -> bool:
        return bool(self.told or self.rest or self.tried)


def build(
    session: Session,
    story: Sequence[SentenceRead],
    kb: KnowledgeBase,
    network_of: NetworkOf,
    *,
    sure_at_most: float = 1.0,
) -> BuiltStory:
    """Put a story into a session, as one change. ``sure_at_most`` softens what cannot all have been so."""
    panel, suggested = panel_told(session, story, kb)
    changed = session.change(panel=panel) if panel else session
    builder = _Builder(changed, story, kb, network_of)
    builder.read()
    return builder.done(panel, suggested, sure_at_most)


class _Builder:
    def __init__(
        self, session: Session, story: Sequence[SentenceRead], kb: KnowledgeBase, network_of: NetworkOf
    ) -> None:
        self.session, self.story, self.kb = session, story, kb
        self.panel = kb.panel(session.case.panel)
        self.network = network_of(session.case.panel)
        self.moments: list[_Moment] = []
        self.now: _Moment | None = None
        self.later = self.earlier = self.throughout = False
        self.minutes: float | None = None
        self.context = list(session.case.context)
        self.left_out: list[LeftOut] = []
        self.always: list[tuple[int, Piece]] = []
        self.stood: dict[str, str] = {}
        self.action: tuple[int, Piece] | None = None
        if session.case.snapshot:
            last = session.snapshot
            self.now = _Moment(
                flown=last.manoeuvre, assumed=False, switches=dict(last.switches), at=session.now.at
            )
            self.now.told = [(-1, piece) for piece in _pieces_of(last)]
            self.moments.append(self.now)

    # ------------------------------------------------------------------ in the order told

    def read(self) -> None:
        for number, sentence in enumerate(self.story):
            self.throughout = self.earlier = False
            self.minutes = None
            whole = any(p.kind == "time" and p.value == "throughout" for p in sentence.pieces)
            # in a sentence that moves on it is said of what follows it only
            moves = any(
                p.kind == "switch" or (p.kind == "time" and p.value == "later") for p in sentence.pieces
            )
            self.throughout = whole and not moves
            self.since: list[Piece] = []
            for piece in sentence.pieces:
                self._piece(number, piece)

    def _piece(self, number: int, piece: Piece) -> None:
        match piece.kind:
            case "flown":
                self._flown(piece)
            case "time":
                if piece.value in ("later", "again"):
                    self.later, self.minutes = (
                        True,
                        piece.minutes if piece.minutes is not None else self.minutes,
                    )
                elif piece.value == "earlier":
                    self.earlier = True
                elif piece.value == "throughout":
                    self.throughout = True
                elif piece.value == "now":
                    self.earlier, self.later = False, True
            case "switch":
                self._switch(number, piece)
            case "same":
                self._same(number, piece)
            case "noted" if piece.value in story_tables()["tried"]:
                self.action = (number, piece)
            case "ordinary":
                self._ordinary(number, piece)
            case "condition":
                if piece.value not in self.context:
                    self.context.append(piece.value)
            case "no_condition":
                self.context = [flag for flag in self.context if flag != piece.value]
            case "reading" | "expected" | "disagree" | "rest":
                self._evidence(number, piece)
            case _:
                pass

    def _flown(self, piece: Piece) -> None:
        now = self.now
        if self.earlier and now is not None and now.evidence():
            first = self._before_all()
            first.flown, first.assumed = piece.value, False
            return
        if piece.position == "implied":
            if now is None or (now.assumed and not now.evidence()):
                self._open(piece.value)
            elif now.assumed:
                now.flown, now.assumed = piece.value, False
            return
        if piece.position == "back" and now is not None and self.since:
            mine = [(n, p) for n, p in now.told if p in self.since]
            if len(mine) == len(now.told):
                now.flown, now.assumed = piece.value, False
            elif now.flown != piece.value:
                now.told = [pair for pair in now.told if pair not in mine]
                fresh = self._open(piece.value)
                fresh.told = mine
            return
        if now is None or (now.evidence() and (now.flown != piece.value or now.assumed)):
            if (
                now is not None
                and now.assumed
                and now.flown == ""
                and len(self.moments) == 1
                and not now.evidence()
            ):
                now.flown, now.assumed = piece.value, False
            else:
                self._open(piece.value)
        elif not now.evidence():
            now.flown, now.assumed = piece.value, False

    def _open(self, flown: str = "", before: float | None = None) -> _Moment:
        """Begin a new moment; what was flown and how the switches stood goes on."""
        old = self.now
        fresh = _Moment(
            flown=flown or (old.flown if old else ""),
            assumed=not flown and (old.assumed if old else True),
            switches=dict(old.switches) if old else {},
            before=min(before if before is not None else (self.minutes or 0.0), LONGEST_MINUTES),
        )
        fresh.told += [(n, p) for n, p in self.always]
        self.moments.append(fresh)
        self.now, self.later, self.minutes = fresh, False, None
        return fresh

    def _evidence(self, number: int, piece: Piece) -> None:
        if piece.gauge and piece.gauge not in self.panel.gauges:
            name = self.kb.gauges[piece.gauge].name
            why = f"the panel {readable(self.panel.id)} has no {name}"
            self.left_out.append(LeftOut(piece=piece, sentence=number, why=why))
            return
        if self.earlier and self.now is not None and self.now.evidence():
            first = self._before_all()
            if _conflict(first, piece):
                why = "another reading of that moment was told"
                self.left_out.append(LeftOut(piece=piece, sentence=number, why=why))
            else:
                first.told.append((number, piece))
            return
        if self.now is None:
            self._open()
        assert self.now is not None
        if self.now.evidence() and (self.later or self._conflicts(number, piece)):
            # what the same sentence told already, without "then", is of the same moment
            before = not self.later and self._conflicts_with_earlier(number, piece)
            mine = [(n, p) for n, p in self.now.told if before and n == number and p in self.since]
            self.now.told = [pair for pair in self.now.told if pair not in mine]
            fresh = self._open()
            fresh.told += mine
        if self.minutes and not self.now.evidence() and self.now.at is None and len(self.moments) > 1:
            self.now.before, self.minutes = min(self.minutes, LONGEST_MINUTES), None
        self.later = False
        if piece.kind == "rest":
            self.now.rest.append((number, piece))
            return
        self.now.told.append((number, piece))
        self.since.append(piece)
        if self.throughout:
            self.always.append((number, piece))
            for moment in self.moments:
                if not any(other.gauge == piece.gauge for _, other in moment.told):
                    moment.told.append((number, piece))

    def _conflicts(self, number: int, piece: Piece) -> bool:
        assert self.now is not None
        return _conflict(self.now, piece)

    def _conflicts_with_earlier(self, number: int, piece: Piece) -> bool:
        """Whether a piece contradicts what an earlier sentence told, and nothing of its own sentence."""
        assert self.now is not None
        mine = _Moment(told=[(n, p) for n, p in self.now.told if n == number])
        return not _conflict(mine, piece)

    def _before_all(self) -> _Moment:
        """The moment before the first one told: at first, on the ground, the day before."""
        first = self.moments[0]
        if first.at is None and getattr(self, "ahead", None) is first:
            return first
        fresh = _Moment(flown=first.flown, assumed=first.assumed)
        fresh.flown = fresh.flown if first.at is None else self.session.case.snapshot[0].manoeuvre
        self.moments.insert(0, fresh)
        self.ahead = fresh
        return fresh

    def _switch(self, number: int, piece: Piece) -> None:
        if piece.value not in self.panel.switches:
            why = f"the panel {readable(self.panel.id)} has no {self.kb.switches[piece.value].name}"
            self.left_out.append(LeftOut(piece=piece, sentence=number, why=why))
            return
        self.action = None
        stood_on = story_tables()["switch"][piece.value].get("stood_on", "")
        if piece.position == "on" and not piece.reading and stood_on and len(self.moments) < 2:
            self.context.append(stood_on)
        if self.throughout:
            for moment in self.moments or [self._open()]:
                moment.switches[piece.value] = piece.position
            return
        if self.earlier and self.now is not None:  # "before that I turned it on": it stood so by then
            self.now.switches[piece.value] = piece.position
            return
        if self.now is None or (self.now.evidence() and self.now.switches.get(piece.value) != piece.position):
            self._open()
        assert self.now is not None
        self.now.switches[piece.value] = piece.position
        if not piece.reading and self.now is self.moments[0]:
            # it stood so from the start: what the day was like
            self.stood[piece.value] = piece.position

    def _same(self, number: int, piece: Piece) -> None:
        """A remedy without effect: after it everything is as it was."""
        if self.action is not None and number - self.action[0] < 2:
            self._tried(number, self.action[1])
            return
        told = [m for m in self.moments if m.told]
        if not told or self.now is None:
            return
        before = told[-1]
        if self.now is before:
            if len(told) < 2 or not piece.gauge:
                return
            before = told[-2]
        spoken = {old.gauge for _, old in self.now.told}
        self.now.told += [
            (number, replace(old, words=piece.words))
            for n, old in before.told
            if old.gauge not in spoken and (not piece.gauge or old.gauge == piece.gauge)
        ]

    def _tried(self, number: int, action: Piece) -> None:
        """Something tried by hand without effect: noted, and a reading where the panel has one for it."""
        moment = self.now or self._open()
        moment.tried.append(action.value)
        gauge, facet, reading = (*story_tables()["tried"][action.value].get("unaffected", "").split("."), "", "")[:3]
        if gauge in self.panel.gauges:
            told = replace(action, kind="reading", gauge=gauge, facet=f"{gauge}.{facet}", reading=reading)
            moment.told.append((number, replace(told, value="")))
        self.action = None

    def _ordinary(self, number: int, piece: Piece) -> None:
        """ "The rest of the flight was normal": what was told of last is as it should be."""
        told = [m for m in self.moments if m.told]
        if not told:
            return
        gauges = dict.fromkeys(p.gauge for _, p in told[-1].told if p.gauge)
        if self.now is None or self.now.evidence():
            self._open()
        assert self.now is not None
        self.now.told += [
            (number, Piece(kind="expected", words=piece.words, gauge=gauge)) for gauge in gauges
        ]

    # ------------------------------------------------------------------ into the session

    def done(self, panel: str, suggested: tuple[str, ...], sure_at_most: float) -> BuiltStory:
        session = self.session
        assumed: list[int] = []
        placed: list[Placed] = []
        kept = [m for m in self.moments if m.evidence() or m.at is not None]
        if kept and all(m.at is not None for m in kept):  # perhaps a switch was moved, no more
            kept += [m for m in self.moments[-1:] if m.switches != kept[-1].switches]
        if not kept:
            kept = ([m for m in self.moments if m.flown] or [_Moment()])[-1:]
        default = story_tables()["prose"]["assumed"]
        odd = frozenset(p.gauge for sentence in self.story for p in sentence.pieces if _odd(p))
        for moment in kept:
            if moment.at is None:
                record = SnapshotRecord(
                    manoeuvre=moment.flown or default,
                    minutes_before=moment.before,
                    switches={s: p for s, p in moment.switches.items() if s in self.panel.switches},
                )
                # "at first" is before all that the case holds
                ahead = any(other.at is not None for other in kept[kept.index(moment) :])
                session = session.insert(record, 0 if ahead else len(session.case.snapshot))
                for other in kept:
                    if ahead and other.at is not None:
                        other.at += 1
                if moment is kept[0]:
                    for switch, position in self.stood.items():
                        session = session.switch(switch, position, self.kb)
                    self.context = list(dict.fromkeys((*self.context, *session.case.context)))
                if moment.assumed or not moment.flown:
                    assumed.append(session.now.at + 1)
            else:
                session = session.look_at(moment.at + 1)
                for switch, position in moment.switches.items():
                    if session.snapshot.switches.get(switch) != position:
                        session = session.switch(switch, position, self.kb)
            number = session.now.at + 1
            if moment.tried:
                note = "; ".join(filter(None, (session.snapshot.note, *(f"{t}: no effect" for t in moment.tried))))
                session = session.with_snapshot(msgspec.structs.replace(session.snapshot, note=note))
            session, put, lost = _say(session, moment, self.network, sure_at_most, number, odd)
            placed += put
            self.left_out += lost
        if tuple(self.context) != session.case.context:
            session = session.change(context=tuple(dict.fromkeys((*session.case.context, *self.context))))
            gone = set(session.case.context) - set(self.context) - set(_by_switch(session, self.kb))
            session = session.change(context=tuple(f for f in session.case.context if f not in gone))
        return BuiltStory(
            session=session,
            placed=tuple(placed),
            left_out=tuple(self.left_out),
            panel=panel,
            suggested=suggested,
            assumed=tuple(assumed),
            softened=sure_at_most < 1.0,
        )


def _by_switch(session: Session, kb: KnowledgeBase) -> Iterable[str]:
    """Conditions that stand for a switch."""
    return [flag.id for flag in kb.context.values() if flag.switch]


def _pieces_of(snapshot: SnapshotRecord) -> list[Piece]:
    stated = {**{f: (r, 1.0) for f, r in snapshot.readings.items()}, **snapshot.unsure}
    return [
        Piece(kind="reading", words="", gauge=facet.split(".")[0], facet=facet, reading=reading, sure=sure)
        for facet, (reading, sure) in stated.items()
        if facet not in snapshot.filled
    ]


def _conflict(moment: _Moment, piece: Piece) -> bool:
    """Whether a moment already has something else of the same facet, or of a gauge that was as it should be."""
    for number, other in moment.told:
        if other.gauge != piece.gauge or not piece.gauge:
            continue
        if piece.value == "again" and other.value != "again":
            return True
        if piece.kind == "reading" and other.kind == "reading":
            if piece.facet == other.facet and (
                piece.reading != other.reading or (piece.sure < 0.5) != (other.sure < 0.5)
            ):
                return piece.sure >= 0.5 or other.reading == piece.reading
        elif number >= 0 and {piece.kind, other.kind} == {"reading", "expected"}:
            # "indicated a normal climb" is one saying
            return piece.words not in other.words and other.words not in piece.words
    return False


def _odd(piece: Piece) -> bool:
    """Whether a gauge was told to show something else than what is right in any maneuver."""
    fine = piece.kind == "expected" or piece.reading in story_tables()["prose"]["fine"]
    return piece.kind in EVIDENCE and bool(piece.gauge) and fine == (piece.sure < 0.5)


def _measured(piece: Piece, kb: KnowledgeBase) -> str:
    """The size of a reading as a case keeps it ("-40 kt"); its reading where the facet takes no such number."""
    facet = next(f for f in kb.gauges[piece.gauge].facets if f"{piece.gauge}.{f.id}" == piece.facet)
    sizes = facet.sizes
    if (
        not piece.measured
        or piece.size is None
        or sizes is None
        or piece.unit.lower() not in (*sizes.words, sizes.unit.lower())
    ):
        return piece.reading
    size = -abs(piece.size) if piece.reading in sizes.low else abs(piece.size)
    return f"{size:g} {sizes.unit}"


def _say(
    session: Session, moment: _Moment, network: Network, most: float, number: int, odd: frozenset[str]
) -> tuple[Session, list[Placed], list[LeftOut]]:
    """Say one moment; what cannot be said together is left out, with why."""
    placed: list[Placed] = []
    lost: list[LeftOut] = []
    told = [(n, p) for n, p in moment.told if n >= 0]
    apart = [(n, p) for n, p in told if p.kind == "disagree"]
    for (n, first), (_, second) in zip(apart[::2], apart[1::2], strict=False):
        try:
            session = session.say((Disagreement(first=first.gauge, second=second.gauge),), network)
            placed += [Placed(piece=p, sentence=n, moment=number) for p in (first, second)]
        except CaseError as error:
            lost.append(LeftOut(piece=first, sentence=n, why=error.what))
    if len(apart) % 2:
        n, alone = apart[-1]
        lost.append(LeftOut(piece=alone, sentence=n, why="this does not say with what it disagrees"))
    statements: dict[str, Statement] = {}
    order: list[tuple[int, Piece]] = []
    for n, piece in told:
        sure = min(piece.sure, most) if piece.sure >= 0.5 else max(piece.sure, 1.0 - most)
        if piece.kind == "expected":
            statements[piece.gauge] = AsExpected(gauge=piece.gauge, sure=sure)
        elif piece.kind == "reading":
            statements.pop(piece.gauge, None)
            reading = _measured(piece, network.kb) if sure == 1.0 else piece.reading
            statements[piece.facet] = Said(facet=piece.facet, reading=reading, sure=sure)
        else:
            continue
        order.append((n, piece))
    if statements:
        session = session.say(tuple(statements.values()), network)
        placed += [Placed(piece=piece, sentence=n, moment=number) for n, piece in order]
    for n, piece in moment.rest:
        # "everything else" is never what was told odd, whenever that was
        but = odd if piece.value == "else" else frozenset()
        session = session.say((RestAsExpected(but=but),), network)
        placed.append(Placed(piece=piece, sentence=n, moment=number))
    return session, placed, lost
