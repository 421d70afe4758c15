"""The journal's tables: bodies that are never touched again, and columns beside them that can be rebuilt from bodies.

Names are kept once and stand in the columns as numbers: with names written out, a reading took a fifth more space.
"""

from __future__ import annotations

import sqlite3
import uuid
from dataclasses import dataclass
from pathlib import Path

from gaugepost.core.errors import JournalError
from gaugepost.core.publication import Epoch
from gaugepost.core.record import FORMAT

FILE_NAME = "journal.db"
APPLICATION_ID = 0x67617567
"""`gaug` in ASCII: tells file(1), and us, whose database it is."""
LAYOUT = 3
"""Number of the tables' layout, kept as `user_version`. Bodies have a number of their own: `core.record.FORMAT`.

1 has neither table `earlier` nor `archived`, 2 not the latter: what was never salvaged or archived has them neither, so
that earlier programs read it."""

TABLES = (
    "CREATE TABLE journal (epoch TEXT NOT NULL, station TEXT NOT NULL, format INTEGER NOT NULL)",
    "CREATE TABLE names (number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
    """CREATE TABLE records (
        sequence INTEGER PRIMARY KEY,
        measured_at INTEGER NOT NULL,
        kind INTEGER NOT NULL REFERENCES names,
        gauge INTEGER REFERENCES names,
        characteristic INTEGER REFERENCES names,
        lot INTEGER REFERENCES names,
        piece TEXT,
        hash BLOB NOT NULL,
        body BLOB NOT NULL)""",
    "CREATE INDEX records_time ON records (measured_at)",
    "CREATE INDEX records_gauge ON records (gauge) WHERE gauge IS NOT NULL",
    "CREATE INDEX records_characteristic ON records (characteristic) WHERE characteristic IS NOT NULL",
    "CREATE INDEX records_piece ON records (lot, piece) WHERE lot IS NOT NULL",
    "CREATE INDEX records_kind ON records (kind)",
    f"PRAGMA application_id = {APPLICATION_ID}",
    "PRAGMA user_version = 1",
)
SINCE = ("CREATE INDEX IF NOT EXISTS records_kind ON records (kind)",)
"""Indexes that journals of earlier programs lack. Questions are answered without them too, in their own time."""
EARLIER = (
    "CREATE TABLE earlier (last INTEGER PRIMARY KEY, epoch TEXT NOT NULL)",
    "PRAGMA user_version = 2",
)
"""What a salvaged journal has beside the tables: the epochs before its own, with the last sequence of each."""
ARCHIVED = (
    """CREATE TABLE archived (
        last INTEGER PRIMARY KEY,
        first INTEGER NOT NULL,
        count INTEGER NOT NULL,
        before BLOB NOT NULL,
        hash BLOB NOT NULL,
        file TEXT NOT NULL,
        file_sha256 BLOB NOT NULL,
        state BLOB)""",
    f"PRAGMA user_version = {LAYOUT}",
)
"""What a journal has besides once records were moved to an archive: what the chain goes on from, and the bench as those
records left it (`edge.kept.state`; of the last archive only)."""

SIGNED_END = """CREATE TABLE signed_end (
    first INTEGER NOT NULL, last INTEGER NOT NULL, hash BLOB NOT NULL, time INTEGER NOT NULL,
    key BLOB NOT NULL, signature BLOB NOT NULL)"""
"""What a backup has besides where the station has a key: a checkpoint over its last record. A record of it would be one
that the journal does not have; programs that don't know the table pass it by."""


@dataclass(frozen=True, slots=True)
class Archived:
    """Records that were moved to an archive."""

    first: int
    last: int
    count: int
    before: bytes
    """Hash of the record before `first`, or what stands for it."""
    hash: bytes
    """Hash of the record `last`."""
    file: str
    """Name of the archive's file."""
    file_sha256: bytes


@dataclass(frozen=True, slots=True)
class Identity:
    """Which journal it is: its epoch (a UUID) and those before it, and the station it belongs to."""

    epoch: Epoch
    station: str
    archived: tuple[Archived, ...] = ()
    """What was moved to archives, oldest first."""


SALVAGE = "keep it as it is; `gaugepost salvage` copies what is whole into a new journal"
"""What to do about a damaged file."""

FAULTS = (sqlite3.Error, OSError, UnicodeDecodeError)
"""What the disk, the database or damage in it can raise."""


def journal_file(path: Path) -> Path:
    """Return the journal's file: `path` itself, or the one inside where `path` is a data directory."""
    return path / FILE_NAME if path.is_dir() else path


def is_blank(db: sqlite3.Connection) -> bool:
    """Return whether nothing was ever written: a power cut during the first start leaves such a file."""
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (owner,) = db.execute("PRAGMA application_id").fetchone()
    return bool(tables == 0 and owner == 0)


def identify(db: sqlite3.Connection, path: Path) -> Identity:
    """Return which journal `db` is.

    Raises:
        JournalError: no journal, or one that a newer program wrote.
    """
    (owner,) = db.execute("PRAGMA application_id").fetchone()
    (layout,) = db.execute("PRAGMA user_version").fetchone()
    if owner != APPLICATION_ID or layout < 1:
        raise JournalError(f"{path} is not a journal of gaugepost", hint="name the file called journal.db")
    if layout > LAYOUT:
        raise _newer(path, f"layout {layout}, this program knows {LAYOUT}")
    rows = db.execute("SELECT epoch, station, format FROM journal").fetchall()
    epoch, station, number = rows[0] if len(rows) == 1 else ("", "", 0)
    if not (_is_uuid(epoch) and isinstance(station, str) and isinstance(number, int)):
        raise JournalError(f"{path} doesn't say whose journal it is", hint=SALVAGE)
    if number > FORMAT:
        raise _newer(path, f"format {number}, this program knows {FORMAT}")
    earlier = db.execute("SELECT last, epoch FROM earlier ORDER BY last").fetchall() if layout > 1 else []
    rows = db.execute(_ARCHIVED).fetchall() if layout > 2 else []
    return Identity(Epoch(epoch, earlier), station, tuple(Archived(*row) for row in rows))


def grown_to(db: sqlite3.Connection, layout: int) -> None:
    """Give a journal of an older layout the tables of `layout`, within a transaction that is open."""
    (has,) = db.execute("PRAGMA user_version").fetchone()
    for number, statements in ((2, EARLIER), (3, ARCHIVED)):
        if has < number <= layout:
            for statement in statements:
                db.execute(statement)


def refused(path: Path, doing: str, cause: Exception) -> JournalError:
    """Return what a fault of the disk or of the database means to whoever looks after the station."""
    return JournalError(
        f"can't {doing} the journal {path}: {cause}", hint=_HINTS.get(code_of(cause), _HINTS[0])
    )


def code_of(cause: BaseException | None) -> int:
    """Return SQLite's primary result code for what it raised, 0 where it gave none."""
    if isinstance(cause, UnicodeDecodeError):  # so damaged that SQLite's words about it are no text either
        return sqlite3.SQLITE_CORRUPT
    code: int = getattr(cause, "sqlite_errorcode", 0)
    return code & 0xFF


def _is_uuid(epoch: object) -> bool:
    try:
        return str(uuid.UUID(str(epoch))) == epoch
    except ValueError:
        return False


def _newer(path: Path, finding: str) -> JournalError:
    return JournalError(
        f"{path} was written by a newer version of gaugepost ({finding})",
        hint="install that version or a later one",
    )


_ARCHIVED = "SELECT first, last, count, before, hash, file, file_sha256 FROM archived ORDER BY last"
_HINTS = {
    0: "check the disk and the rights to its directory",
    sqlite3.SQLITE_FULL: "free some space on the disk",
    sqlite3.SQLITE_BUSY: "another program holds it open for writing: close that program",
    sqlite3.SQLITE_CORRUPT: f"the file is damaged: {SALVAGE}",
    sqlite3.SQLITE_NOTADB: f"the file is no database, or its beginning is damaged: {SALVAGE}",
}
