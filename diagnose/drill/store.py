"""Progress in one SQLite file: cards and answers, safe under a crash and under two processes.

Every answer is one transaction, so that what is lost with a killed process is the question not answered
yet. The clock comes in from outside.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import msgspec

from diagnose.drill.exercise import Card
from diagnose.drill.schedule import Held, begun, soon
from diagnose.errors import CaseError
from diagnose.files import escaped, write_whole

FORMAT = "diagnose drill progress"
VERSION = 1
#: how long a process waits for another one's answer to be written
BUSY_S = 10.0

SCHEMA = """
CREATE TABLE IF NOT EXISTS cards (
    failure TEXT NOT NULL, manoeuvre TEXT NOT NULL, kind TEXT NOT NULL,
    due TEXT NOT NULL, state TEXT NOT NULL, row INTEGER NOT NULL, lapses INTEGER NOT NULL,
    PRIMARY KEY (failure, manoeuvre, kind)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS answers (id TEXT PRIMARY KEY, at TEXT NOT NULL, answer TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS answers_at ON answers (at);
"""


class Answered(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An answer as it is kept. ``seconds``: what it took; ``recognised_s``: from onset to the call of a scan.

    ``given``, ``right`` and ``counts`` as in ``Marked``; ``seed`` makes the exercise again.
    """

    id: str
    at: datetime
    panel: str
    failure: str
    manoeuvre: str
    kind: str
    given: str
    right: str
    correct: bool
    score: float
    seconds: float
    sure: float | None = None
    engine: float | None = None
    recognised_s: float | None = None
    faults: tuple[str, ...] = ()
    seed: int = 0
    counts: bool = True


class KeptCard(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A card as it stands in an exported file."""

    failure: str
    manoeuvre: str
    kind: str
    due: datetime
    state: str
    row: int
    lapses: int


class Progress(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An exported file: all cards and answers of a student."""

    format: str = FORMAT
    version: int = VERSION
    cards: tuple[KeptCard, ...] = ()
    answers: tuple[Answered, ...] = ()


@dataclass(frozen=True)
class Store:
    """An open file of progress."""

    path: Path
    connection: sqlite3.Connection

    @classmethod
    def open(cls, path: Path) -> Store:
        """Open or make a file of progress. Raises CaseError if it cannot be used."""
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
            connection.execute("PRAGMA journal_mode = WAL")
            connection.execute("PRAGMA synchronous = FULL")
            connection.executescript(SCHEMA)
        except (OSError, sqlite3.Error) as error:
            raise CaseError(
                f"the progress cannot be read or written ({error})",
                str(path),
                "choose another file with --data",
            ) from None
        return cls(path=path, connection=connection)

    def close(self) -> None:
        """Close the file."""
        self.connection.close()

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        try:
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
            except BaseException:
                self.connection.execute("ROLLBACK")
                raise
            self.connection.execute("COMMIT")
        except sqlite3.Error as error:
            raise CaseError(
                f"the answer cannot be kept ({error})",
                str(self.path),
                "end other sessions, or choose another file with --data",
            ) from None

    # -------------------------------------------------------------- reading

    def held(self) -> dict[Card, Held]:
        """Give every card that was begun."""
        rows = self.connection.execute("SELECT failure, manoeuvre, kind, due, state, row, lapses FROM cards")
        found = [_held(row) for row in rows]
        return {held.card: held for held in found}

    def answers(self) -> tuple[Answered, ...]:
        """Give all answers in the order of time."""
        rows = self.connection.execute("SELECT answer FROM answers ORDER BY at, id")
        return tuple(msgspec.json.decode(row[0], type=Answered) for row in rows)

    # -------------------------------------------------------------- writing

    def keep(self, answered: Answered, reviewed: Callable[[Held], Held], also: tuple[Card, ...] = ()) -> None:
        """Keep an answer with what it makes of its card; cards of ``also`` are asked soon. All or nothing.

        An answer that is there already changes nothing.
        """
        card = Card(answered.failure, answered.manoeuvre, answered.kind)
        with self._transaction() as connection:
            if connection.execute("SELECT 1 FROM answers WHERE id = ?", (answered.id,)).fetchone():
                return
            # read inside the transaction: another process may have asked the same card
            now = self._one(card) or begun(card, answered.at)
            self._put(reviewed(now))
            for other in also:
                self._put(soon(self._one(other) or begun(other, answered.at), answered.at))
            connection.execute(
                "INSERT INTO answers VALUES (?, ?, ?)",
                (answered.id, answered.at.isoformat(), msgspec.json.encode(answered).decode()),
            )

    def _one(self, card: Card) -> Held | None:
        row = self.connection.execute(
            "SELECT failure, manoeuvre, kind, due, state, row, lapses FROM cards "
            "WHERE failure = ? AND manoeuvre = ? AND kind = ?",
            (card.failure, card.manoeuvre, card.kind),
        ).fetchone()
        return None if row is None else _held(row)

    def _put(self, held: Held) -> None:
        self.connection.execute(
            "INSERT OR REPLACE INTO cards VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                held.card.failure,
                held.card.manoeuvre,
                held.card.kind,
                held.due.isoformat(),
                held.state,
                held.row,
                held.lapses,
            ),
        )

    # -------------------------------------------------------------- moving house

    def progress(self) -> Progress:
        """Give everything, for an exported file."""
        return Progress(
            cards=tuple(
                KeptCard(
                    failure=h.card.failure,
                    manoeuvre=h.card.manoeuvre,
                    kind=h.card.kind,
                    due=h.due,
                    state=h.state,
                    row=h.row,
                    lapses=h.lapses,
                )
                for h in self.held().values()
            ),
            answers=self.answers(),
        )

    def take(self, progress: Progress) -> int:
        """Add an exported file's answers that are not there yet, and its cards where they are newer.

        Gives the number of answers added. All or nothing.
        """
        with self._transaction() as connection:
            added = 0
            for answered in progress.answers:
                cursor = connection.execute(
                    "INSERT OR IGNORE INTO answers VALUES (?, ?, ?)",
                    (answered.id, answered.at.isoformat(), msgspec.json.encode(answered).decode()),
                )
                added += cursor.rowcount
            for kept in progress.cards:
                card = Card(kept.failure, kept.manoeuvre, kept.kind)
                mine = self._one(card)
                theirs = Held(card=card, due=kept.due, state=kept.state, row=kept.row, lapses=kept.lapses)
                if mine is None or _reviewed(theirs) > _reviewed(mine):
                    self._put(theirs)
        return added


def _held(row: tuple[Any, ...]) -> Held:
    failure, manoeuvre, kind, due, state, in_a_row, lapses = row
    return Held(
        card=Card(failure, manoeuvre, kind),
        due=datetime.fromisoformat(due),
        state=state,
        row=in_a_row,
        lapses=lapses,
    )


def _reviewed(held: Held) -> str:
    state: Mapping[str, Any] = json.loads(held.state)
    return str(state.get("last_review") or "")


def read_progress(path: Path) -> Progress:
    """Read an exported file. Raises CaseError for what is none."""
    try:
        progress = msgspec.json.decode(path.read_bytes(), type=Progress)
    except OSError as error:
        raise CaseError(f"the file cannot be read ({error.strerror or error})", str(path)) from None
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise CaseError(
            f"this is no exported progress ({error})",
            str(path),
            "export one with: diagnose drill --export FILE",
        ) from None
    if progress.format != FORMAT or progress.version != VERSION:
        raise CaseError(f"this is no {FORMAT} of version {VERSION}", str(path))
    return progress


def write_progress(
    progress: Progress, path: Path, *, over: bool = False, sources: Iterable[Path] = ()
) -> None:
    """Write an exported file, whole or not at all. Raises CaseError."""
    text = msgspec.json.format(msgspec.json.encode(progress), indent=1).decode()
    write_whole(escaped(text), path, over=over, sources=sources)


def delete_progress(path: Path) -> bool:
    """Delete a file of progress with what belongs to it; False if there was none. Raises CaseError."""
    there = path.exists()
    try:
        for suffix in ("", "-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
    except OSError as error:
        raise CaseError(f"the progress cannot be deleted ({error.strerror or error})", str(path)) from None
    return there
