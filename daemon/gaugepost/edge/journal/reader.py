"""Reading a journal, while its daemon writes or long after: nothing here can change or hold up anything."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import NamedTuple, TypedDict, Unpack

from gaugepost.core.errors import JournalError
from gaugepost.core.evidence.checkpoint import Checkpoint, Signed, sound
from gaugepost.core.record import NUMBER_OF, Entry, Record
from gaugepost.edge.journal import schema, times
from gaugepost.edge.journal.codec import anchor, decode, some_of

RARE = 2000
"""Kinds with fewer records than this are looked up by kind, whatever else is asked for."""

PAGE = 1000
"""Rows read in one go; between pages a reader holds on to nothing, so that the writer's log can be copied."""


class Wanted(TypedDict, total=False):
    """Which records: all that are given must hold; None is as good as absent."""

    kinds: Iterable[str] | None
    gauge: str | None
    characteristic: str | None
    lot: str | None
    piece: str | None
    since_ms: int | None
    """Measured at or after this, ms since 1970-01-01 UTC."""
    until_ms: int | None
    """Measured before this."""


class Reader:
    """A journal, open for reading. Any number of threads may use it at once.

    Every method raises `JournalError` where the journal can't be read.
    """

    def __init__(self, path: Path) -> None:
        """Open the journal at `path` (the file, or the data directory it lies in).

        Raises:
            JournalError: there is none, it can't be read, or a newer program wrote it.
        """
        self.path = schema.journal_file(path)
        if not self.path.is_file():
            raise JournalError(
                f"there is no journal at {path}", hint="name the file journal.db or its directory"
            )
        self._idle: list[sqlite3.Connection] = []
        self._guard = threading.Lock()
        self._closed = False
        self._mode = "mode=ro"
        with self.connection() as db:
            identity = schema.identify(db, self.path)
        self.epoch = identity.epoch
        self.station = identity.station
        self.archived = identity.archived
        """What was moved to archives, oldest first."""
        last = self.archived[-1:]
        self.base = (last[0].last, last[0].hash) if last else (0, anchor(self.epoch.of(1), self.station))
        """Sequence and hash of what the journal's own records follow: 0 and the anchor, or an archive's last record."""

    def close(self) -> None:
        """Let go of the journal; harmless when closed. Another thread's reading ends first or closes after itself."""
        with self._guard:
            self._closed = True
            idle, self._idle = self._idle, []
        for db in idle:
            db.close()

    def head(self) -> tuple[int, bytes]:
        """Return sequence and hash of the last record; what it would follow where there is none."""
        with self.connection() as db:
            row = db.execute("SELECT sequence, hash FROM records ORDER BY sequence DESC LIMIT 1").fetchone()
        return row if row is not None else self.base

    def kept_state(self) -> bytes | None:
        """Return the bench as the archived records left it (`edge.kept.state`); None where none are archived."""
        if not self.archived:
            return None
        with self.connection() as db:
            (state,) = db.execute("SELECT state FROM archived WHERE last = ?", (self.base[0],)).fetchone()
        return bytes(state or b"")

    def signed_end(self) -> Signed | None:
        """Return the checkpoint over a backup's last record; None where it was given none, or is no backup."""
        with self.connection() as db:
            (has,) = db.execute("SELECT count(*) FROM sqlite_master WHERE name = 'signed_end'").fetchone()
            told = "SELECT first, last, hash, time, key, signature FROM signed_end"
            row = db.execute(told).fetchone() if has else None
        if not has:
            return None
        first, last, digest, utc_ms, key, signature = row or [None] * 6
        made = Checkpoint(
            self.station, self.epoch.of(last if isinstance(last, int) else 0), first, last, digest, utc_ms
        )
        signed = Signed(made, key, signature)
        if not sound(signed):
            raise JournalError(f"what signs the end of {self.path} can't be read", hint=schema.SALVAGE)
        return signed

    def entry(self, sequence: int) -> Entry | None:
        """Return the record with this sequence, None where there is none."""
        with self.connection() as db:
            row = db.execute(
                "SELECT sequence, hash, body FROM records WHERE sequence = ?", (sequence,)
            ).fetchone()
        return None if row is None else _entry(row)

    def entries(
        self, after: int = 0, limit: int = 500, only: Iterable[str] | None = None, **wanted: Unpack[Wanted]
    ) -> list[Entry]:
        """Return the first `limit` records with a sequence above `after`, ascending.

        Where `only` some fields are needed, others may be left out; those that every record has are there. Names of
        what a body does not hold (`id`, `hash`) are passed by.
        """
        after = max(after, self.base[0])
        with self.connection() as db:
            return _page(db, _question(db, wanted), after, limit, _reading(only))

    def latest(self, n: int, only: Iterable[str] | None = None, **wanted: Unpack[Wanted]) -> list[Entry]:
        """Return the last `n` records, ascending; `only` as for `entries`."""
        with self.connection() as db:
            after = self.base[0]  # what an archive holds may not yet be cleared
            return _page(db, _question(db, wanted), after, n, _reading(only), newest=True)[::-1]

    def replay(
        self, after: int = 0, only: Iterable[str] | None = None, **wanted: Unpack[Wanted]
    ) -> Iterator[Entry]:
        """Yield the records above `after`, ascending, up to the one that is the last when the reading begins.

        `only` as for `entries`.
        """
        after, read = max(after, self.base[0]), _reading(only)
        with self.connection() as db:
            question = _question(db, wanted)
        while True:
            with self.connection() as db:
                page = _page(db, question, after, PAGE, read)
            yield from page
            if len(page) < PAGE:
                return
            after = page[-1].sequence

    def span(self, since_ms: int | None, until_ms: int | None) -> tuple[int, int]:
        """Return the first and the last sequence of what was measured in a period, (1, 0) where nothing was."""
        with self.connection() as db:
            return times.span(db, since_ms, until_ms)

    @contextlib.contextmanager
    def connection(self) -> Iterator[sqlite3.Connection]:
        """Lend a connection for one short question; what SQLite or the disk says becomes a `JournalError`."""
        db = None
        try:
            with self._guard:
                if self._closed:
                    raise JournalError(f"{self.path} was closed", hint="open a reader of your own")
                db = self._idle.pop() if self._idle else None
            if db is None:
                db = self._opened()
            yield db
        except schema.FAULTS as cause:
            raise schema.refused(self.path, "read", cause) from cause
        finally:
            if db is not None:
                with self._guard:
                    kept = not self._closed
                    if kept:
                        self._idle.append(db)
                if not kept:
                    db.close()

    def _opened(self) -> sqlite3.Connection:
        try:
            return self._connected(self._mode)
        except sqlite3.OperationalError as cause:
            # Reading takes a lock beside the journal, which a read-only medium has no room for. Nobody writes there
            # either, so the file alone is the journal, unless a log with the latest records lies beside it.
            log = self.path.with_name(self.path.name + "-wal")
            if schema.code_of(cause) not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
                raise
            if log.exists() and log.stat().st_size:
                raise JournalError(
                    f"{self.path} lies where nothing can be written, and its latest records are in {log.name}",
                    hint="copy both files to a place that can be written, and read them there",
                ) from cause
            self._mode = "immutable=1"
            return self._connected(self._mode)

    def _connected(self, mode: str) -> sqlite3.Connection:
        db = sqlite3.connect(
            f"{self.path.absolute().as_uri()}?{mode}",
            uri=True,
            isolation_level=None,
            check_same_thread=False,
            timeout=5,
        )
        try:
            db.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except BaseException:
            db.close()
            raise
        return db


def _reading(only: Iterable[str] | None) -> Callable[[bytes], Record]:
    return decode if only is None else partial(some_of, names=frozenset(NUMBER_OF.keys() & set(only)))


class _Question(NamedTuple):
    conditions: tuple[str, ...]
    values: tuple[object, ...]
    ranges: list[tuple[int, int]]
    """Where records can meet them, ascending: sequences beyond the first of a pair up to its second."""


_NUMBER = "(SELECT number FROM names WHERE name = ?)"
_CONDITIONS = {
    "gauge": f"gauge = {_NUMBER}",
    "characteristic": f"characteristic = {_NUMBER}",
    "lot": f"lot = {_NUMBER}",
    "piece": "piece = ?",
}


def _question(db: sqlite3.Connection, wanted: Wanted) -> _Question:
    """Return the conditions that `wanted` stands for, and where records can meet them."""
    given: dict[str, object] = {name: wanted.get(name) for name in _CONDITIONS}
    conditions = [_CONDITIONS[name] for name, value in given.items() if value is not None]
    values = [value for value in given.values() if value is not None]
    if (kinds := wanted.get("kinds")) is not None:
        words = [str(kind) for kind in kinds]
        among = f"kind IN ({', '.join([_NUMBER] * len(words))})"
        # The + keeps SQLite from the index of an unsuited column. It knows nothing of how many of each there are: rare
        # kinds are found by kind, others come up among those of a gauge, or among all, before long.
        if _is_rare(db, among, words):
            conditions = [f"+{condition}" for condition in conditions]
        elif conditions or len(words) != 1:
            among = f"+{among}"
        conditions.append(among)
        values += words
    since, until = wanted.get("since_ms"), wanted.get("until_ms")
    if since is None and until is None:
        (last,) = db.execute("SELECT max(sequence) FROM records").fetchone()
        return _Question(tuple(conditions), tuple(values), [(0, last or 0)])
    # The + keeps SQLite from sorting a year of readings for each page.
    if since is not None:
        conditions.append("+measured_at >= ?")
        values.append(since)
    if until is not None:
        conditions.append("+measured_at < ?")
        values.append(until)
    return _Question(tuple(conditions), tuple(values), times.ranges(db, since, until))


def _is_rare(db: sqlite3.Connection, among: str, words: list[str]) -> bool:
    (count,) = db.execute(
        f"SELECT count(*) FROM (SELECT 1 FROM records WHERE {among} LIMIT ?)",  # noqa: S608
        (*words, RARE),
    ).fetchone()
    return bool(count < RARE)


def _page(
    db: sqlite3.Connection,
    question: _Question,
    after: int,
    limit: int,
    read: Callable[[bytes], Record],
    *,
    newest: bool = False,
) -> list[Entry]:
    """Return up to `limit` records that meet `question`, ascending, or descending where `newest` are asked for."""
    order = "ORDER BY sequence DESC" if newest else "ORDER BY sequence"
    where = " AND ".join(("sequence > ?", "sequence <= ?", *question.conditions))
    # Sorted are sequences, not bodies. What was asked for stands in values; the rest is text from this file.
    inner = f"SELECT sequence FROM records WHERE {where} {order} LIMIT ?"  # noqa: S608
    asked = f"SELECT sequence, hash, body FROM records WHERE sequence IN ({inner}) {order}"  # noqa: S608
    rows: list[tuple[int, bytes, bytes]] = []
    for first, last in reversed(question.ranges) if newest else question.ranges:
        if last > after and len(rows) < limit:
            # One bound at each end: of two, SQLite begins at the one that comes first in the text.
            rows += db.execute(asked, (max(after, first), last, *question.values, limit - len(rows)))
    return [Entry(sequence, digest, read(body)) for sequence, digest, body in rows]


def _entry(row: tuple[int, bytes, bytes]) -> Entry:
    return Entry(row[0], row[1], decode(row[2]))
