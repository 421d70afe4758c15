"""Cursors: how far each destination has got in the journal, and what it would never take.

They live in a database of their own, because losing it loses nothing: what was delivered is sent again under the same
id, and the far side tells a repeat from a new record. So a commit need not wait for the disk (synchronous NORMAL), as
long as a cursor never stands ahead of what was delivered. What people did about deliveries is kept here too, and is
read and written by `edge.asides`.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from gaugepost.core.errors import Unreachable
from gaugepost.core.publication import Epoch

FORMAT = 2
"""Number of the tables' layout, kept in `PRAGMA user_version`; another one is set aside and begun anew."""

Start = Literal["beginning", "now"]

_TABLES = """
CREATE TABLE cursor (
    destination TEXT NOT NULL, epoch TEXT NOT NULL, through INTEGER NOT NULL,
    first INTEGER, last INTEGER, key TEXT, kinds TEXT,
    PRIMARY KEY (destination, epoch)) STRICT, WITHOUT ROWID;
CREATE TABLE aside (
    destination TEXT NOT NULL, epoch TEXT NOT NULL, sequence INTEGER NOT NULL, answer TEXT NOT NULL,
    at_ms INTEGER NOT NULL, again INTEGER REFERENCES command, skipped INTEGER REFERENCES command,
    PRIMARY KEY (destination, epoch, sequence)) STRICT, WITHOUT ROWID;
CREATE TABLE command (
    number INTEGER PRIMARY KEY, destination TEXT NOT NULL, epoch TEXT NOT NULL, what TEXT NOT NULL,
    sequences TEXT NOT NULL, operator TEXT, reason TEXT, at_ms INTEGER NOT NULL) STRICT;
CREATE TABLE lost (since TEXT NOT NULL) STRICT;
"""
_REFUSED = "SELECT count(*) FROM aside WHERE destination = ? AND epoch = ? AND skipped IS NULL"


@dataclass(frozen=True, slots=True)
class Batch:
    """The boundaries of what is being sent: first and last sequence, of these kinds, under this idempotency key."""

    first: int
    last: int
    key: str
    kinds: tuple[str, ...] | None
    """Kinds that the batch was made of, None for every kind: a repeat must not follow an edit of the station file."""


@dataclass(frozen=True, slots=True)
class Cursor:
    """Where a destination stands in one epoch of the journal."""

    through: int
    """Everything up to this sequence was delivered, refused, or of no interest."""
    pending: Batch | None
    """A batch that was begun and not ended: it goes out again as it was."""
    refused: int
    """How many records of this epoch the destination would never take, those left out that people skipped."""


class Cursors:
    """The database of cursors. Calls block on the disk: make them from a worker thread; any thread may."""

    def __init__(self, path: Path, *, first_start: bool = False) -> None:
        """Open the database at `path`, or make it.

        What can't be read as cursors is moved aside (`.unreadable` and a time are added to its name), a new database
        is begun, and `finding` says so; so it does for a missing one, except on the station's `first_start`. Since it
        is not known then what was delivered, every destination starts at the beginning, whatever its `start` says,
        until the database has once been closed in peace.

        Raises:
            Unreachable: the database can be neither opened nor made.
        """
        self.finding = ""
        self._lock = threading.Lock()
        self._name = path.name
        try:
            if not path.exists() and not first_start:
                self.finding = f"{path.name} was not there"
            try:
                self._db = _opened(path)
            except sqlite3.OperationalError:
                raise  # the disk or its rights: the file may be sound
            except sqlite3.DatabaseError as cause:
                self.finding = (
                    f"{path.name} could not be read ({cause}) and was set aside as {_set_aside(path).name}"
                )
                self._db = _opened(path)
            if self.finding:
                self.finding += (
                    "; every destination starts over, and records are sent again under their old ids"
                )
                self._db.execute("INSERT INTO lost VALUES (?)", (_stamp(),))
        except (sqlite3.Error, OSError) as cause:
            raise _fault(path.name, cause) from cause

    def close(self) -> None:
        """Close the database; harmless when closed."""
        with self._lock, contextlib.suppress(sqlite3.Error):  # a mark that stays only sends again
            self._db.execute("DELETE FROM lost")
        self._db.close()

    def begun(self, destination: str, epoch: str) -> bool:
        """Return whether `destination` has a cursor in `epoch`, or in one that the journal was salvaged from.

        Raises `Unreachable` as `cursor` does.
        """
        with self.transaction() as db:
            row = db.execute(
                "SELECT 1 FROM cursor WHERE destination = ? AND epoch = ?", (destination, epoch)
            ).fetchone()
            return row is not None or _inherited(db, destination, epoch) is not None

    def cursor(self, destination: str, epoch: str, *, start: Start | int, head: int) -> Cursor:
        """Return where `destination` stands in `epoch`.

        One that was never seen starts at the beginning, after `head` where `start` is "now", or after the sequence
        that `start` is. One that has delivered from another epoch starts at the beginning of this one, or after the
        sequence that `start` is: it is the same stream of records, under new ids. Where the journal was salvaged from
        that other epoch, its records have kept their ids, and it goes on where it stood among them.

        Raises:
            Unreachable: the database can't be read or written.
        """
        with self.transaction() as db:
            row = db.execute(
                "SELECT through, first, last, key, kinds FROM cursor WHERE destination = ? AND epoch = ?",
                (destination, epoch),
            ).fetchone()
            if row is None:
                (seen,) = db.execute(
                    "SELECT EXISTS (SELECT 1 FROM cursor WHERE destination = ?) OR EXISTS (SELECT 1 FROM lost)",
                    (destination,),
                ).fetchone()
                through = _inherited(db, destination, epoch)
                if through is None:
                    through = start if isinstance(start, int) else head if start == "now" and not seen else 0
                db.execute(
                    "INSERT INTO cursor (destination, epoch, through) VALUES (?, ?, ?)",
                    (destination, epoch, through),
                )
                return Cursor(through, None, 0)
            (refused,) = db.execute(_REFUSED, (destination, epoch)).fetchone()
        through, first, last, key, kinds = row
        if key is None:
            return Cursor(through, None, refused)
        return Cursor(
            through, Batch(first, last, key, None if kinds is None else tuple(kinds.split())), refused
        )

    def begin(self, destination: str, epoch: str, batch: Batch) -> None:
        """Keep the boundaries of `batch`, before it is sent. Raises `Unreachable` as `cursor` does."""
        with self.transaction() as db:
            db.execute(
                "UPDATE cursor SET first = ?, last = ?, key = ?, kinds = ? WHERE destination = ? AND epoch = ?",
                (*_bounds(batch), destination, epoch),
            )

    def advance(
        self,
        destination: str,
        epoch: str,
        through: int,
        refused: Sequence[tuple[int, str]] = (),
        at_ms: int = 0,
        begin: Batch | None = None,
    ) -> int:
        """Move the cursor to `through` and end the batch that was begun; return how many are refused in all.

        `refused` are sequences with the far side's answers, set aside as of `at_ms` (UTC). `begin` is the next batch,
        where it is known already.

        Raises:
            Unreachable: the database can't be written; nothing was kept.
            ValueError: the cursor would go back.
        """
        with self.transaction() as db:
            moved = db.execute(
                "UPDATE cursor SET through = ?1, first = ?4, last = ?5, key = ?6, kinds = ?7 "
                "WHERE destination = ?2 AND epoch = ?3 AND through <= ?1",
                (through, destination, epoch, *_bounds(begin)),
            )
            if moved.rowcount != 1:
                raise ValueError(f"the cursor of {destination} in {epoch} can't go back to {through}")
            db.executemany(
                "INSERT INTO aside (destination, epoch, sequence, answer, at_ms) VALUES (?, ?, ?, ?, ?) "
                "ON CONFLICT DO UPDATE SET answer = excluded.answer, at_ms = excluded.at_ms",
                [(destination, epoch, sequence, answer, at_ms) for sequence, answer in refused],
            )
            (count,) = db.execute(_REFUSED, (destination, epoch)).fetchone()
        return int(count)

    def history(self) -> dict[str, dict[str, int]]:
        """Return every destination ever seen, removed ones too: `through` by epoch."""
        found: dict[str, dict[str, int]] = {}
        with self.transaction() as db:
            for destination, epoch, through in db.execute("SELECT destination, epoch, through FROM cursor"):
                found.setdefault(destination, {})[epoch] = through
        return found

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """Lend the database for one transaction. Raises `Unreachable` where the disk does not take it."""
        with self._lock:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                try:
                    yield self._db
                    self._db.execute("COMMIT")
                finally:
                    if self._db.in_transaction:  # a full disk has ended it already
                        self._db.execute("ROLLBACK")
            except (sqlite3.ProgrammingError, sqlite3.InterfaceError, sqlite3.IntegrityError):
                raise  # our bug, not the disk's
            except sqlite3.Error as cause:
                raise _fault(self._name, cause) from cause


def _inherited(db: sqlite3.Connection, destination: str, epoch: str) -> int | None:
    """Return where `destination` stood in the latest epoch that the journal was salvaged from; None where nowhere."""
    for last, earlier in reversed(epoch.earlier if isinstance(epoch, Epoch) else ()):
        row = db.execute(
            "SELECT through FROM cursor WHERE destination = ? AND epoch = ?", (destination, earlier)
        ).fetchone()
        if row is not None:
            return min(int(row[0]), last)
    return None


def _bounds(batch: Batch | None) -> tuple[int | None, int | None, str | None, str | None]:
    if batch is None:
        return None, None, None, None
    return batch.first, batch.last, batch.key, None if batch.kinds is None else " ".join(batch.kinds)


def _fault(name: str, cause: Exception) -> Unreachable:
    return Unreachable(
        f"cursors can't be kept in {name} ({cause})",
        hint="check the disk's free space and the service's rights; a restart sets a damaged file aside",
    )


def _opened(path: Path) -> sqlite3.Connection:
    """Open `path`, or make it. Raises `sqlite3.DatabaseError` where it holds anything but sound cursors."""
    db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
    try:
        _check(db)  # before anything is written: a file that is not ours stays as it is
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = NORMAL")
        if db.execute("SELECT count(*) FROM sqlite_schema").fetchone() == (0,):
            db.executescript(f"BEGIN; {_TABLES} PRAGMA user_version = {FORMAT}; COMMIT")
    except BaseException:
        db.close()
        raise
    return db


def _check(db: sqlite3.Connection) -> None:
    (verdict,) = db.execute("PRAGMA quick_check(1)").fetchone()
    if verdict != "ok":
        raise sqlite3.DatabaseError(str(verdict))
    (number,) = db.execute("PRAGMA user_version").fetchone()
    (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if tables and number != FORMAT:
        raise sqlite3.DatabaseError(f"its format is {number}, not {FORMAT}")


def _set_aside(path: Path) -> Path:
    """Move the database and what belongs to it out of the way; return the new name of the database."""
    aside = path.with_name(f"{path.name}.unreadable-{_stamp()}")
    path.rename(aside)
    for suffix in ("-wal", "-shm"):
        with contextlib.suppress(FileNotFoundError):
            Path(f"{path}{suffix}").rename(f"{aside}{suffix}")
    return aside


def _stamp() -> str:
    return datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
