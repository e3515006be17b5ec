"""When a card is asked again: spaced repetition by the FSRS algorithm, and what comes next.

Source: the ``fsrs`` package (Free Spaced Repetition Scheduler, version 6) with its own parameters.
"""

from __future__ import annotations

import json
import sqlite3
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

import msgspec

from diagnose.advice.coverage import SOUND
from diagnose.model.errors import CaseError
from diagnose.model.files import escaped, private_file, record_of, write_whole
from diagnose.practice.drill.studio import Card, Kind, Marked

#: an answer of another machine may be so much ahead of this clock
AHEAD = timedelta(days=1)
#: no stability is longer: the scheduler's longest interval ten times
LONGEST_DAYS = 365_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """A card that was begun: when it is due, the scheduler's own state, right answers in a row, lapses."""

    card: Card
    due: datetime
    state: str
    row: int = 0
    lapses: int = 0


def _scheduler() -> Any:
    from fsrs import Scheduler

    # without fuzz the same answers give the same schedule
    return Scheduler(enable_fuzzing=False)


def begun(card: Card, now: datetime) -> Held:
    """Begin a card: it is due at once."""
    from fsrs import Card as Kept

    return Held(card=card, due=now, state=json.dumps(Kept(card_id=1, due=now).to_dict()))


def check_state(state: str) -> None:
    """Refuse a scheduler's state that it could not go on from. Raises ValueError."""
    from fsrs import Card as Kept

    try:
        card = Kept.from_dict(json.loads(state))
    except (KeyError, TypeError, AttributeError, RecursionError) as error:
        raise ValueError(f"the state of a card cannot be read ({error})") from None
    for value, low, high in (
        (card.stability, 0.0, LONGEST_DAYS),
        (card.difficulty, 0.0, 10.0),
        (card.step, 0, 100),
    ):
        if value is not None and not (isinstance(value, int | float) and low <= value <= high):
            raise ValueError("the state of a card holds a number that none has")
    for at in (card.due, card.last_review):
        if at is not None and (at.tzinfo is None or not 2000 <= at.year <= 2200):
            raise ValueError("the state of a card holds a time that none has")


def reviewed_at(state: str) -> datetime:
    """When a card was answered last; long ago if never."""
    said = json.loads(state).get("last_review")
    return datetime.fromisoformat(said) if said else datetime(1, 1, 1, tzinfo=UTC)


def by_this_clock(held: Held, now: datetime) -> Held:
    """Give a card as it stands now. One answered later than now was kept under a clock that was ahead: due at once."""
    if reviewed_at(held.state) - now <= AHEAD:
        return held
    state = json.loads(held.state) | {"last_review": now.isoformat(), "due": now.isoformat()}
    return replace(held, due=min(held.due, now), state=json.dumps(state))


def reschedule(
    held: Held, marked: Marked, seconds: float, now: datetime, quick_s: float, slow_s: float
) -> Held:
    """Give the card after an answer; ``seconds`` is what the answer took.

    An answer that does not count teaches the schedule nothing: the card is asked again soon.
    """
    if not marked.counts:
        return soon(held, now)
    from fsrs import Card as Kept
    from fsrs import Rating

    if not marked.correct:
        rating = Rating.Again
    elif seconds > slow_s or marked.score < 0.75:
        rating = Rating.Hard
    else:
        rating = Rating.Easy if seconds <= quick_s else Rating.Good
    card = Kept.from_dict(json.loads(held.state))
    # an answer read from a file may be older than the last one given here
    when = max(now, card.last_review) if card.last_review else now
    kept, _ = _scheduler().review_card(card, rating, when)
    return replace(
        held,
        due=kept.due,
        state=json.dumps(kept.to_dict()),
        row=held.row + 1 if marked.correct else 0,
        lapses=held.lapses + (not marked.correct),
    )


def soon(held: Held, now: datetime) -> Held:
    """Give a card that is asked soon, whatever its schedule: what was taken for it is to be kept apart."""
    return replace(held, due=min(held.due, now))


def candidates(
    order: Sequence[Card],
    held: Mapping[Card, Held],
    now: datetime,
    *,
    new_left: int,
    sound_wanted: bool,
    new_wanted: bool,
    recent: Collection[str],
    unfit: Collection[Card],
    together: Collection[str] = (),
) -> Iterator[Card]:
    """Give cards in the order in which they should be asked; whoever cannot make one takes the next.

    ``order``: all cards as they are begun; ``new_left``: how many may still be begun; ``sound_wanted``:
    it is time for a healthy airplane; ``new_wanted``: for something new, whatever is due; ``recent``: the failures of the last exercises, which wait their turn
    however often they were missed, so that a session is not spent on two or three;
    ``together``: failures that were taken for each other and are asked before others that are due.
    """
    known = [held[card] for card in order if card in held and card not in unfit]
    fresh = [card for card in order if card not in held and card not in unfit]
    due = sorted((h for h in known if h.due <= now), key=lambda h: (h.card.failure not in together, h.due))
    waiting: deque[Card] = deque()
    if sound_wanted:
        yield from (h.card for h in due if h.card.failure == SOUND)
        yield from (card for card in fresh if card.failure == SOUND)
        yield from (h.card for h in sorted(known, key=lambda h: h.due) if h.card.failure == SOUND)
    if new_wanted and new_left > 0:
        # another maneuver of a failure that is being missed is no relief from it
        met = {card.failure for card in held}
        anew = sorted(fresh, key=lambda card: card.failure in met)
        yield from (card for card in anew if card.failure not in recent)
    for h in due:
        if h.card.failure in recent:
            waiting.append(h.card)
        else:
            yield h.card
    if new_left > 0:
        yield from (card for card in fresh if card.failure not in recent)
    yield from waiting
    # nothing is due and enough is new: what is due next is asked ahead of its time
    ahead = sorted((h for h in known if h.due > now), key=lambda h: h.due)
    yield from (h.card for h in ahead if h.card.failure not in recent)
    yield from fresh
    yield from (h.card for h in known)


FORMAT = "diagnose drill progress"
VERSION = 1
#: what SQLite keeps in the head of a file to say whose it is ("diag"), and the version of what stands in it
APPLICATION, STORED_VERSION = 0x64696167, 1
#: how long a process waits for another one's answer to be written
BUSY_S = 10.0
#: nobody thinks longer about one exercise
LONGEST_S = 86_400.0

SCHEMA = """
CREATE TABLE IF NOT EXISTS cards (
    failure TEXT NOT NULL, manoeuvre TEXT NOT NULL, kind TEXT NOT NULL,
    due TEXT NOT NULL, state TEXT NOT NULL, row INTEGER NOT NULL, lapses INTEGER NOT NULL,
    PRIMARY KEY (failure, manoeuvre, kind)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS answers (id TEXT PRIMARY KEY, at TEXT NOT NULL, answer TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS answers_at ON answers (at);
"""
#: what older versions took in and nobody can read, kept as it was
ASIDE = "CREATE TABLE IF NOT EXISTS set_aside (entry TEXT NOT NULL, why TEXT NOT NULL)"
COLUMNS = {
    "cards": ("failure", "manoeuvre", "kind", "due", "state", "row", "lapses"),
    "answers": ("id", "at", "answer"),
}

Text = Annotated[str, msgspec.Meta(max_length=500)]
KindName = Annotated[str, msgspec.Meta(pattern=f"^({'|'.join(kind.value for kind in Kind)})$")]
Share = Annotated[float, msgspec.Meta(ge=0.0, le=1.0)]
Seconds = Annotated[float, msgspec.Meta(ge=0.0, le=LONGEST_S)]
Count = Annotated[int, msgspec.Meta(ge=0, le=1_000_000)]
Seed = Annotated[int, msgspec.Meta(ge=0, le=2**63 - 1)]
Moment = Annotated[datetime, msgspec.Meta(tz=True)]


def in_our_time(at: datetime) -> None:
    """Refuse times that no clock shows and that no sum of days can be taken of. Raises ValueError."""
    if not 2000 <= at.year <= 2200:
        raise ValueError(f"the year {at.year} is none of an exercise")


class Answered(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An answer as it is kept. ``seconds``: what it took; ``recognized_s``: from onset to the call of a scan.

    ``given``, ``right`` and ``counts`` as in ``Marked``; ``seed`` makes the exercise again.
    """

    id: Text
    at: Moment
    panel: Text
    failure: Text
    manoeuvre: Text
    kind: KindName
    given: Text
    right: Text
    correct: bool
    score: Share
    seconds: Seconds
    sure: Share | None = None
    engine: Share | None = None
    recognised_s: Seconds | None = None
    faults: tuple[Text, ...] = ()
    seed: Seed = 0
    counts: bool = True

    def __post_init__(self) -> None:
        in_our_time(self.at)


class KeptCard(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A card as it stands in an exported file."""

    failure: Text
    manoeuvre: Text
    kind: KindName
    due: Moment
    state: Text
    row: Count
    lapses: Count

    def __post_init__(self) -> None:
        in_our_time(self.due)
        check_state(self.state)


class Progress(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An exported file: all cards and answers of a student."""

    format: str = FORMAT
    version: int = VERSION
    cards: tuple[KeptCard, ...] = ()
    answers: tuple[Answered, ...] = ()


@dataclass(frozen=True)
class Store:
    """An open file of progress. ``set_aside``: entries of an older file that cannot be read, kept in it."""

    path: Path
    connection: sqlite3.Connection
    set_aside: int = 0

    @classmethod
    def open(cls, path: Path) -> Store:
        """Open or make a file of progress. Raises CaseError if it cannot be used, or is a file of something else."""
        try:
            path = path.resolve()
            path.parent.mkdir(parents=True, exist_ok=True)
            there = path.exists() and path.stat().st_size > 0
            if there and not is_progress(path):
                raise CaseError(
                    "the progress cannot be read or written (this file holds something else; it was not touched)",
                    str(path),
                    "choose another file with --data",
                )
            private_file(path)
            connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
            try:
                aside = _made_ready(connection, new=not there)
            except BaseException:
                connection.close()
                raise
        except (OSError, ValueError, sqlite3.Error) as error:
            raise CaseError(
                f"the progress cannot be read or written ({error})",
                str(path),
                "choose another file with --data",
            ) from None
        return cls(path=path, connection=connection, set_aside=aside)

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

    @contextmanager
    def _read(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, ValueError, TypeError) as error:
            raise CaseError(
                f"the progress is damaged ({error})",
                str(self.path),
                "choose another file with --data, and take up an exported one with --import",
            ) from None

    def held(self, now: datetime | None = None) -> dict[Card, Held]:
        """Give every card that was begun; ``now``: what a clock that was ahead has left behind is put right first.

        Raises CaseError if the file is damaged.
        """
        with self._read():
            found = [_held(row) for row in self.connection.execute(f"SELECT {_listed('cards')} FROM cards")]
            right = found if now is None else [by_this_clock(held, now) for held in found]
        if right != found:
            with self._transaction():
                for held in right:
                    self._put(held)
        return {held.card: held for held in right}

    def answers(self) -> tuple[Answered, ...]:
        """Give all answers in the order of time. Raises CaseError if the file is damaged."""
        with self._read():
            rows = self.connection.execute("SELECT answer FROM answers ORDER BY at, id").fetchall()
            return tuple(record_of(row[0], Answered) for row in rows)

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
            f"SELECT {_listed('cards')} FROM cards WHERE failure = ? AND manoeuvre = ? AND kind = ?",
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
                if mine is None or reviewed_at(theirs.state) > reviewed_at(mine.state):
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


def _listed(table: str) -> str:
    return ", ".join(COLUMNS[table])


def is_progress(path: Path) -> bool:
    """Whether this is a file of progress of ours: by its head, or an older one by its very tables. Touches nothing.

    Raises OSError, sqlite3.Error.
    """
    with open(path, "rb") as file:
        head = file.read(100)
    if len(head) < 100 or not head.startswith(b"SQLite format 3\0"):
        return False
    if owner := int.from_bytes(head[68:72], "big"):
        return owner == APPLICATION
    found = _tables(path, "immutable=1")
    if not found and path.with_name(f"{path.name}-wal").exists():
        found = _tables(path, "mode=ro")  # its first tables are still on their way into it
    found.pop("set_aside", None)
    return found == {name: set(columns) for name, columns in COLUMNS.items()}


def _tables(path: Path, how: str) -> dict[str, set[str]]:
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?{how}", uri=True, timeout=BUSY_S)) as connection:
        rows = connection.execute(
            "SELECT m.name, c.name FROM sqlite_master m, pragma_table_info(m.name) c WHERE m.type = 'table'"
        )
        found: dict[str, set[str]] = {}
        for table, column in rows:
            found.setdefault(table, set()).add(column)
        return found


def _made_ready(connection: sqlite3.Connection, *, new: bool) -> int:
    """Lay out a new file, or bring an older one to this version.

    Gives how many entries cannot be read and were set aside in it.
    """
    if new:
        connection.execute(f"PRAGMA application_id = {APPLICATION}")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.executescript(SCHEMA)
    connection.execute("BEGIN IMMEDIATE")
    try:
        aside = 0
        if connection.execute("PRAGMA user_version").fetchone()[0] < STORED_VERSION:
            connection.execute(ASIDE)
            for table, key, readable in (
                ("cards", COLUMNS["cards"][:3], _card_of),
                ("answers", ("id",), _answer_of),
            ):
                for row in connection.execute(f"SELECT {_listed(table)} FROM {table}").fetchall():
                    try:
                        readable(row)
                    except (ValueError, TypeError) as error:
                        entry = json.dumps(row, default=repr)
                        connection.execute("INSERT INTO set_aside VALUES (?, ?)", (entry, str(error)))
                        where = " AND ".join(f"{name} IS ?" for name in key)
                        connection.execute(f"DELETE FROM {table} WHERE {where}", row[: len(key)])
                        aside += 1
            connection.execute(f"PRAGMA application_id = {APPLICATION}")
            connection.execute(f"PRAGMA user_version = {STORED_VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
    return aside


def _card_of(row: tuple[Any, ...]) -> object:
    return msgspec.convert(dict(zip(COLUMNS["cards"], row, strict=True)), KeptCard)


def _answer_of(row: tuple[Any, ...]) -> object:
    return record_of(row[2], Answered)


def read_progress(path: Path) -> Progress:
    """Read an exported file. Raises CaseError for what is none."""
    try:
        progress = record_of(path.read_bytes(), Progress)
    except OSError as error:
        raise CaseError(f"the file cannot be read ({error.strerror or error})", str(path)) from None
    except ValueError as error:
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
    """Delete a file of progress with what belongs to it; False if there was none.

    Raises CaseError for a file of anything else, and for one that a session has open: neither is touched.
    """
    path = path.resolve()
    if not path.exists():
        return False
    try:
        if not is_progress(path):
            raise CaseError(
                "this is no file of progress; nothing was deleted", str(path), "name another one: --data"
            )
        with closing(sqlite3.connect(path, timeout=0.0, isolation_level=None)) as connection:
            # only who is alone with a file can change the way in which it is written
            if connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0] != "delete":
                raise sqlite3.OperationalError("database is locked")
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise CaseError(
                "a session has this file open; nothing was deleted", str(path), "end it first"
            ) from None
    except sqlite3.Error:
        pass  # ours by its head, and damaged behind it: it may go
    except OSError as error:
        raise CaseError(f"the progress cannot be read ({error.strerror or error})", str(path)) from None
    try:
        for suffix in ("", "-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
    except OSError as error:
        raise CaseError(f"the progress cannot be deleted ({error.strerror or error})", str(path)) from None
    return True
