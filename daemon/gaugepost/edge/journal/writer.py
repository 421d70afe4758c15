"""The one writer of a journal: what it has returned is on the disk, and what it refused was not written."""

from __future__ import annotations

import contextlib
import fcntl
import os
import sqlite3
import uuid
from collections.abc import Sequence
from itertools import chain
from pathlib import Path

from gaugepost.core.errors import JournalError
from gaugepost.core.publication import Epoch
from gaugepost.core.record import FORMAT, Entry, Record
from gaugepost.edge.files import make, sync
from gaugepost.edge.journal import schema, times
from gaugepost.edge.journal.codec import anchor, chained, encode

CHECKPOINT_COMMITS = 250
CHECKPOINT_BYTES = 1 << 20
"""The log beside the journal is copied into it after so many commits or bytes of bodies: below 10 MB in practice."""

LOG_KEPT_BYTES = 16 << 20
"""A log that grew larger (a reader held on to an old state) is cut back to this once it is copied."""

AT_ONCE_ROWS = 32
"""Up to so many rows are one statement and thereby one transaction. Between two statements other threads go first."""

_INSERT = {
    count: "INSERT INTO records VALUES " + ", ".join(["(?, ?, ?, ?, ?, ?, ?, ?, ?)"] * count)  # noqa: S608
    for count in range(1, AT_ONCE_ROWS + 1)
}


class Journal:
    """The journal, open for writing. Use it from one thread at a time; readers of their own don't disturb it."""

    def __init__(self, path: Path, db: sqlite3.Connection, lock: int, identity: schema.Identity) -> None:
        self.path = path
        self.epoch = identity.epoch
        self.station = identity.station
        self._archived = identity.archived
        self._db = db
        self._lock = lock
        self.sequence, self.head = self._last()
        """Sequence and hash of the last record; 0 and the anchor before the first."""
        self._names: dict[str, int] = dict(db.execute("SELECT name, number FROM names"))
        self._commits = self._bytes = 0
        self._doubtful = False
        self._timed = 0
        with contextlib.suppress(sqlite3.Error):  # without it a period's records are found in their own time
            self._timed = times.prepare(db, self.sequence)

    @classmethod
    def open(cls, path: Path, station: str) -> Journal:
        """Open the journal at `path` for `station`, or make it, with its directory.

        Raises:
            JournalError: another daemon has it, it belongs to another station or a newer program, or the disk refuses.
        """
        try:
            make(path.parent)
            lock = locked(path)
        except OSError as cause:
            raise schema.refused(path, "open", cause) from cause
        db: sqlite3.Connection | None = None
        try:
            _not_torn(path)
            db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=5)
            identity = _prepared(db, path, station)
            sync(path.parent)
            return cls(path, db, lock, identity)
        except BaseException as fault:
            if db is not None:
                db.close()
            os.close(lock)
            if isinstance(fault, schema.FAULTS):
                raise schema.refused(path, "open", fault) from fault
            raise

    def append(self, records: Sequence[Record]) -> list[Entry]:
        """Write `records` in one transaction and return them in their places; they are on the disk then.

        Raises:
            JournalError: nothing was written; the same call can be made again when the cause is gone.
            ValueRefused: a record that can't be written at all; nothing was written.
        """
        sequence, head = self.sequence, self.head
        entries, bodies = [], []
        for record in records:
            body = encode(record)
            sequence += 1
            head = chained(head, sequence, body)
            entries.append(Entry(sequence, head, record))
            bodies.append(body)
        if not entries:
            return []
        added = self._added_names(records)
        try:
            self._commit(entries, bodies, added)
        except schema.FAULTS as cause:
            self._doubtful = True
            raise schema.refused(self.path, "write to", cause) from cause
        finally:
            if self._db.in_transaction:
                with contextlib.suppress(sqlite3.Error):  # the transaction is void either way
                    self._db.rollback()
        self.sequence, self.head = sequence, head
        self._names |= added
        self._checkpoint_when_due(sum(map(len, bodies)))
        return entries

    def close(self) -> None:
        """Copy the log into the journal and let go of it; harmless when closed."""
        if self._lock < 0:
            return
        with contextlib.suppress(
            sqlite3.Error
        ):  # what is not copied stays in the log, and is read from there
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        self._db.close()
        os.close(self._lock)
        self._lock = -1

    def _commit(self, entries: Sequence[Entry], bodies: Sequence[bytes], added: dict[str, int]) -> None:
        names = self._names | added if added else self._names
        rows = [
            (
                entry.sequence,
                entry.record.measured_at,
                *(None if name is None else names[name] for name in _named(entry.record)),
                entry.record.piece,
                entry.hash,
                body,
            )
            for entry, body in zip(entries, bodies, strict=True)
        ]
        if len(rows) <= AT_ONCE_ROWS and not added and not self._doubtful:
            self._db.execute(_INSERT[len(rows)], list(chain.from_iterable(rows)))
        else:
            self._commit_step_by_step(rows, added)
        self._doubtful = False

    def _commit_step_by_step(self, rows: Sequence[tuple[object, ...]], added: dict[str, int]) -> None:
        db = self._db
        db.execute("BEGIN IMMEDIATE")
        if self._doubtful and self._last() != (self.sequence, self.head):
            raise JournalError(
                f"{self.path} holds records that were reported as not written", hint="restart the service"
            )
        db.executemany("INSERT INTO names VALUES (?, ?)", [(number, name) for name, number in added.items()])
        db.executemany(_INSERT[1], rows)
        db.execute("COMMIT")

    def _added_names(self, records: Sequence[Record]) -> dict[str, int]:
        """Return the names that `records` use for the first time, with the numbers they will have."""
        known = self._names
        named = (
            name for record in records for name in _named(record) if name is not None and name not in known
        )
        return {name: number for number, name in enumerate(dict.fromkeys(named), start=len(known) + 1)}

    def _last(self) -> tuple[int, bytes]:
        row = self._db.execute("SELECT sequence, hash FROM records ORDER BY sequence DESC LIMIT 1").fetchone()
        if row is None and self._archived:
            return self._archived[-1].last, self._archived[-1].hash
        return row if row is not None else (0, anchor(self.epoch.of(1), self.station))

    def _checkpoint_when_due(self, written: int) -> None:
        """Copy the log now and then. SQLite's own way tries at every commit once the log is long; this never does.

        The table of times follows at the same moment. A copy that fails takes nothing away: the records are in the log,
        which the next `append` may find full.
        """
        self._commits += 1
        self._bytes += written
        if self._commits >= CHECKPOINT_COMMITS or self._bytes >= CHECKPOINT_BYTES:
            self._commits = self._bytes = 0
            with contextlib.suppress(sqlite3.Error):
                self._timed = times.extend(self._db, self._timed, self.sequence)
                self._db.execute("PRAGMA wal_checkpoint(PASSIVE)")


def _named(record: Record) -> tuple[str, str | None, str | None, str | None]:
    return record.kind, record.gauge, record.characteristic, record.lot


def _prepared(db: sqlite3.Connection, path: Path, station: str) -> schema.Identity:
    """Set the connection up, make the tables of a blank file, and return which journal it is."""
    identity = None if schema.is_blank(db) else schema.identify(db, path)
    if identity is not None and identity.station != station:
        raise JournalError(
            f"{path} is the journal of station {identity.station!r}, not of {station!r}",
            hint="name that station in the station file, or give this one a data directory of its own",
        )
    (mode,) = db.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise JournalError(
            f"{path} is on a disk that can't keep a journal safely",
            hint="use a local disk, not a network share",
        )
    # Nothing weaker survives a power cut with every acknowledged record in place.
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA wal_autocheckpoint = 0")
    db.execute(f"PRAGMA journal_size_limit = {LOG_KEPT_BYTES}")
    if identity is not None:
        with contextlib.suppress(
            sqlite3.Error
        ):  # a full disk has no room for it; nothing but time hangs on it
            for statement in schema.SINCE:
                db.execute(statement)
        return identity
    identity = schema.Identity(Epoch(str(uuid.uuid4())), station)
    db.execute("BEGIN IMMEDIATE")
    for statement in schema.TABLES:
        db.execute(statement)
    db.execute("INSERT INTO journal VALUES (?, ?, ?)", (identity.epoch, station, FORMAT))
    db.execute("COMMIT")
    return identity


def locked(path: Path) -> int:
    """Return a descriptor that keeps every other daemon from the journal while it is open.

    Raises:
        JournalError: one has it.
        OSError: the disk refuses.
    """
    lock = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT, 0o644)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as cause:
        holder = os.read(lock, 20).decode("ascii", "replace").strip() or "unknown"
        os.close(lock)
        raise JournalError(
            f"{path} is in use by another daemon (process {holder})",
            hint="stop that one first, or give this station a data directory of its own",
        ) from cause
    except OSError:
        os.close(lock)
        raise
    os.ftruncate(lock, 0)
    os.pwrite(lock, b"%d\n" % os.getpid(), 0)
    return lock


def add(db: sqlite3.Connection, sequence: int, previous: bytes, record: Record) -> None:
    """Add a record of the house's own after the one with hash `previous`, within a transaction that is open."""
    body = encode(record)
    db.execute(
        "INSERT OR IGNORE INTO names SELECT coalesce(max(number), 0) + 1, ? FROM names", (record.kind,)
    )
    db.execute(
        "INSERT INTO records SELECT ?, ?, number, NULL, NULL, NULL, NULL, ?, ? FROM names WHERE name = ?",
        (sequence, record.measured_at, chained(previous, sequence, body), body, record.kind),
    )


def _not_torn(path: Path) -> None:
    """Raise where a log lies without its journal: a blank one beside it would be taken for what the log belongs to."""
    log = path.with_name(f"{path.name}-wal")
    if log.exists() and log.stat().st_size and not path.exists():
        raise JournalError(
            f"{log.name} is there, with the latest records, and {path.name} is not",
            hint=f"put the {path.name} that it belongs to beside it again, or move the log away",
        )
