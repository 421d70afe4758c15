"""What a workbook's destination remembers: the records that cells are worked out from, and which cells it filled.

A delivery hands over a record once, and a cell may depend on many: when an attempt is voided, the one before it is
shown again. The memory lies in the data directory, in a database of its own (SQLite, synchronous FULL), not beside
the workbook, which may lie on a share. It is no second journal: it can be lost, and comes back when the records are
handed over again from the beginning.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path

from gaugepost.contract import Publication, Unreachable
from gaugepost_adapters.destinations.workbook.filling import Record
from gaugepost_adapters.destinations.workbook.layout import Slot
from gaugepost_adapters.destinations.workbook.records import is_measured

_TABLES = """
CREATE TABLE IF NOT EXISTS epoch (place INTEGER PRIMARY KEY, epoch TEXT UNIQUE NOT NULL);
CREATE TABLE IF NOT EXISTS record (
    id TEXT PRIMARY KEY, epoch INTEGER NOT NULL, sequence INTEGER NOT NULL, kind TEXT NOT NULL, book TEXT NOT NULL,
    replaces TEXT, gauge TEXT, body TEXT NOT NULL
) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS of_book ON record (book, kind);
CREATE INDEX IF NOT EXISTS doubts ON record (kind) WHERE kind = 'suspect';
CREATE INDEX IF NOT EXISTS lifts ON record (kind) WHERE kind = 'lifted';
CREATE INDEX IF NOT EXISTS salvages ON record (kind) WHERE kind = 'salvage';
CREATE INDEX IF NOT EXISTS replacing ON record (replaces) WHERE replaces IS NOT NULL;
CREATE TABLE IF NOT EXISTS shown (
    book TEXT NOT NULL, line INTEGER NOT NULL, purpose TEXT NOT NULL, text TEXT NOT NULL,
    PRIMARY KEY (book, line, purpose)
) WITHOUT ROWID;
"""

_OF_PLACE = """
CREATE INDEX IF NOT EXISTS of_place ON record (book, place, epoch, sequence) WHERE place IS NOT NULL
"""
_FORGOTTEN = """
DELETE FROM record WHERE book = ?1 AND (epoch, sequence) <= (
    SELECT epoch, sequence FROM record WHERE book = ?1 ORDER BY epoch DESC, sequence DESC LIMIT 1 OFFSET ?2)
"""
_SUPERSEDED = """
DELETE FROM record WHERE book = ?1 AND place = ?2 AND kind IN ('reading', 'result') AND (epoch, sequence) <= (
    SELECT epoch, sequence FROM record WHERE book = ?1 AND place = ?2
    ORDER BY epoch DESC, sequence DESC LIMIT 1 OFFSET ?3)
"""
"""What took the place of another record stays: without it that one would stand again."""
OF_A_PLACE = 200
"""Measurements that are remembered of one characteristic, piece and position: so many may be voided one after the
other before a cell stays empty. A piece that is measured without end fills no more than that."""
_LEFT_OUT = frozenset({"raw", "hash", "document"})
"""Fields that no cell shows well, and that would fill the memory."""


class Memory:
    """The memory of one destination; `book` names one of its workbooks. One thread at a time.

    Every method may raise `sqlite3.Error`.
    """

    def __init__(self, path: Path, *, only_to_read: bool = False) -> None:
        """Open the memory at `path`; it is made where there is none, unless it is only to be read."""
        how = "rwc"
        if (
            only_to_read
        ):  # where nobody has it open, not even a log may be made beside it, by somebody else perhaps
            how = "ro" if path.with_name(f"{path.name}-wal").exists() else "ro&immutable=1"
        at = f"{path.absolute().as_uri()}?mode={how}"
        # Closed in the thread of the one who closes, which is another than the one who worked with it.
        self._database = sqlite3.connect(at, uri=True, isolation_level=None, check_same_thread=False)
        if only_to_read:
            return
        try:
            self._database.execute("PRAGMA journal_mode = WAL")
            self._database.execute("PRAGMA synchronous = FULL")
            self._database.executescript(_TABLES)
            if "place" not in {row[1] for row in self._database.execute("PRAGMA table_info(record)")}:
                self._database.execute("ALTER TABLE record ADD COLUMN place TEXT")
            self._database.execute(_OF_PLACE)
        except BaseException:
            self._database.close()
            raise

    def close(self) -> None:
        """Let go of it."""
        self._database.close()

    def known(self, book: str, fresh: Sequence[tuple[str, Publication]]) -> list[Record]:
        """Return all records that bear on `book`, those of `fresh` (book and record) that do among them."""
        rows = self._database.execute(
            "SELECT epoch, sequence, book, body FROM record WHERE book = ?1 OR kind = 'suspect' OR kind = 'lifted'"
            " OR kind = 'salvage' OR replaces IN (SELECT id FROM record WHERE book = ?1)",
            (book,),
        )
        found = {}
        for epoch, sequence, of, text in rows:
            body = json.loads(text)
            found[body["id"]] = ((epoch, sequence), _seen_from(book, of, body))
        for of, record in fresh:
            if of == book or record["kind"] not in ("reading", "result"):
                found[record["id"]] = (self._order(record), _seen_from(book, of, _kept(record)))
        return list(found.values())

    def books_of(self, record: Publication) -> set[str]:
        """Return the workbooks that a void, an amendment or a doubt bears on, by the records it names."""
        if record["kind"] in ("suspect", "lifted"):
            query = "SELECT DISTINCT book FROM record WHERE gauge = ? AND sequence BETWEEN ? AND ?"
            values: tuple[object, ...] = (record.get("gauge"), record.get("first"), record.get("last"))
        else:
            query, values = "SELECT book FROM record WHERE id = ?", (record.get("replaces"),)
        return {book for (book,) in self._database.execute(query, values) if book}

    def ours(self, book: str) -> dict[Slot, str]:
        """Return which cells of `book` were filled, and with what."""
        query = "SELECT line, purpose, text FROM shown WHERE book = ?"
        return {Slot(line, purpose): text for line, purpose, text in self._database.execute(query, (book,))}

    def keep(
        self,
        records: Sequence[tuple[str, Publication]],
        ours: Mapping[str, Mapping[Slot, str]],
        most: int | None = None,
    ) -> None:
        """Remember records (with their book) and what every book's cells were filled with; on disk when it returns.

        Of each book whose records come, the last `most` are remembered; None: `OF_A_PLACE` of each place.
        """
        with closing(self._database.cursor()) as cursor:
            cursor.execute("BEGIN IMMEDIATE")
            try:
                for book, record in records:
                    kept = _kept(record)
                    row = (
                        kept["id"], *self._order(record), kept["kind"], book, kept.get("replaces"), kept.get("gauge"),
                        json.dumps(kept, ensure_ascii=False), _place(record),
                    )  # fmt: skip
                    cursor.execute("INSERT OR REPLACE INTO record VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)
                if most is None:
                    for book, place in {(book, _place(record)) for book, record in records}:
                        cursor.execute(_SUPERSEDED, (book, place, OF_A_PLACE))
                else:
                    for book in {book for book, _ in records}:
                        cursor.execute(_FORGOTTEN, (book, most))
                for book, cells in ours.items():
                    cursor.execute("DELETE FROM shown WHERE book = ?", (book,))
                    said = ((book, slot.line, slot.purpose, text) for slot, text in cells.items())
                    cursor.executemany("INSERT INTO shown VALUES (?, ?, ?, ?)", said)
                cursor.execute("COMMIT")
            except BaseException:
                cursor.execute("ROLLBACK")
                raise

    def _order(self, record: Publication) -> tuple[int, int]:
        epoch, _, sequence = str(record["id"]).rpartition("-")
        query = "SELECT place FROM epoch WHERE epoch = ?"
        place = self._database.execute(query, (epoch,)).fetchone()
        if place is None:
            self._database.execute("INSERT INTO epoch (epoch) VALUES (?)", (epoch,))
            place = self._database.execute(query, (epoch,)).fetchone()
        return int(place[0]), int(sequence)


def _seen_from(book: str, of: str, body: dict[str, object]) -> dict[str, object]:
    """Return a record as it bears on `book`: an amendment that moves a measurement away only takes it away."""
    return {**body, "kind": "void"} if body["kind"] == "amendment" and of != book else body


def _place(record: Publication) -> str | None:
    """Return what tells the measurements of one place from all others; None for what is no measurement."""
    if not is_measured(record):
        return None
    names = ("lot", "piece", "characteristic", "position")
    return json.dumps([record.get(name) for name in names], ensure_ascii=False)


def _kept(record: Publication) -> dict[str, object]:
    return {name: value for name, value in record.items() if name not in _LEFT_OUT}


def unreachable(path: Path, cause: sqlite3.Error) -> Unreachable:
    """Return what to tell where the memory can't be read or written."""
    return Unreachable(
        f"{path}: {cause}",
        hint="check the disk; a damaged file may be deleted, then hand the records over again from the beginning",
    )
