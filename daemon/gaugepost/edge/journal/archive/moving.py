"""Moving records of years ago into an archive, so that a kill or a power cut at any step loses nothing.

1. The archive is written, read back, held against the journal and gets its name: the records are in both.
2. One transaction of the journal says so: a record in the chain, and beside it the hash that the chain goes on from and
   the bench as the records left it. From then on the journal begins after them.
3. They are cleared from the journal's file, some thousands at a time. Whoever is interrupted goes on the next time. The
   set-up in force stays: what comes after rests on it, and a station file that is never edited is journaled once.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from gaugepost.core.bench import State, follow
from gaugepost.core.errors import JournalError
from gaugepost.core.evidence.checkpoint import Checkpoint, Signed
from gaugepost.core.indication import Moment
from gaugepost.core.publication import rfc3339
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.edge.files import hold_there, part_of, plain, settle, sweep, vanish
from gaugepost.edge.journal import schema
from gaugepost.edge.journal.archive.file import SUFFIX, Archive, Row, Writer, sha256_of
from gaugepost.edge.journal.codec import decode
from gaugepost.edge.journal.reader import PAGE, Reader
from gaugepost.edge.journal.watching import Progress, watched
from gaugepost.edge.journal.writer import add, locked

CLEARED_AT_ONCE = 5000
WORTH = 20
"""The part of its file that must be free for the journal to be written anew: a twentieth."""

Packed = Callable[[State], bytes]
Sign = Callable[[Checkpoint], Signed]


@dataclass(frozen=True, slots=True)
class UpTo:
    """How much is to be moved: what comes before the first record of a time (UTC, ms) or later, or up to a record."""

    before_ms: int | None = None
    through: int = 0


@dataclass(frozen=True, slots=True)
class Moved:
    """What was moved to an archive."""

    file: Path
    first: int
    last: int
    count: int
    before: bytes
    head: bytes
    limit: str
    """Why it is not all that was asked for; empty where it is."""
    is_smaller: bool
    """Whether the journal's file was made smaller; else its free pages are used by the records to come."""


def _reach(reader: Reader, upto: UpTo, needed: Iterable[tuple[int, str]]) -> tuple[int, str]:
    """Return the last record that may be archived of those asked for, and what keeps others.

    `needed` are sequences that must stay, each with why.
    """
    with reader.connection() as db:
        last, limit = (
            _measured_before(db, upto.before_ms) if upto.before_ms is not None else (upto.through, "")
        )
        (sealed,) = db.execute(
            "SELECT max(sequence) FROM records WHERE kind = (SELECT number FROM names WHERE name = ?) AND sequence > ?",
            (Kind.SALVAGE, reader.base[0]),
        ).fetchone()
    last = min(last, reader.head()[0])
    for sequence, why in sorted(needed):
        if sequence <= last:
            last, limit = sequence - 1, f"record {sequence} stays: {why}"
            break
    if sealed is not None and reader.base[0] < last < sealed:
        last = reader.base[0]
        limit = f"record {sealed} seals all before it, which can only be archived together with it"
    return max(last, reader.base[0]), limit


def _measured_before(db: sqlite3.Connection, before_ms: int) -> tuple[int, str]:
    """Return the record before the first that was measured then or later, and why it stays where others follow it."""
    later, its_ms = db.execute(
        "SELECT min(sequence), measured_at FROM records WHERE measured_at >= ?", (before_ms,)
    ).fetchone()
    if later is None:
        return 1 << 62, ""
    (earlier,) = db.execute(
        "SELECT max(sequence) FROM records WHERE measured_at < ? AND sequence > ?", (before_ms, later)
    ).fetchone()
    if earlier is None:
        return later - 1, ""
    return later - 1, (
        f"record {later} stays: by its time, {rfc3339(its_ms)}, it came after record {earlier}, which follows it. "
        f"Where that clock was wrong, name the last record to be moved: --through {earlier}"
    )


def move(
    folder: Path,
    archives: Path,
    upto: UpTo,
    needed: Callable[[Reader], Iterable[tuple[int, str]]],
    bench: Callable[[Reader], State],
    packed: Packed,
    now: Moment,
    *,
    program: str,
    progress: Progress | None = None,
    sign: Sign | None = None,
) -> Moved | str:
    """Move what is asked for from the journal in `folder` to a new file in `archives`.

    `needed` says what must stay, `bench` what the bench is before the journal's first record, and `packed` lays a
    state out; where `sign` is given, it signs the archive's end. Returns why nothing was moved, where nothing was.

    Raises:
        JournalError: a daemon has the journal, it is not sound, or the disk refuses. Nothing is lost then.
    """
    path = schema.journal_file(folder)
    if not path.is_file():
        raise JournalError(f"there is no journal at {folder}", hint="name the station's data folder")
    told: Progress = progress or (lambda what, done, of: None)
    hold_there(archives)
    try:
        lock = locked(path)
        try:
            with contextlib.closing(Reader(path)) as reader:
                before = bench(reader)
                _clear(path, reader.base[0], before.set_up_sequence, told)  # of a time that was interrupted
                last, limit = _reach(reader, upto, needed(reader))
                if last <= reader.base[0]:
                    return limit or "nothing in the journal was measured before then"
                sweep(archives, rf"{re.escape(plain(reader.station))}-\d+-\d+{re.escape(SUFFIX)}")
                ending = None if sign is None else _Ending(sign, now.utc_ms)
                moved, state = _written(reader, archives, last, limit, before, packed, told, ending)
            _said(path, moved, packed(state), now, program)
            _clear(path, last, state.set_up_sequence, told)
            return _shrunk(path, moved, told)
        finally:
            os.close(lock)
    except schema.FAULTS as cause:
        raise schema.refused(path, "archive from", cause) from cause


@dataclass(frozen=True, slots=True)
class _Ending:
    """Who signs an archive's end, and when that is."""

    sign: Sign
    utc_ms: int

    def as_before(self, target: Path) -> _Ending:
        """Return it with the time of the archive that a try that was interrupted left: the same is written again."""
        with contextlib.suppress(JournalError):
            if target.exists() and (signed := Archive(target).signed_end()) is not None:
                return replace(self, utc_ms=signed.checkpoint.utc_ms)
        return self

    def signed(self, reader: Reader, first: int, row: Row) -> Signed:
        """Return the checkpoint over the record in `row`."""
        epoch = reader.epoch.of(row.sequence)
        return self.sign(Checkpoint(reader.station, epoch, first, row.sequence, row.hash, self.utc_ms))


def _written(
    reader: Reader,
    archives: Path,
    last: int,
    limit: str,
    state: State,
    packed: Packed,
    told: Progress,
    ending: _Ending | None,
) -> tuple[Moved, State]:
    """Write the archive and prove it; return what is in it, and the bench as it leaves it."""
    first, before = reader.base[0] + 1, reader.base[1]
    head = {
        "station": reader.station,
        "epoch": str(reader.epoch.of(last)),
        "earlier": [[border, epoch] for border, epoch in reader.epoch.earlier if border < last],
        "first": first,
        "before": before,
        **({"state": packed(state)} if state.sequence else {}),
    }
    target = archives / f"{plain(reader.station)}-{first}-{last}{SUFFIX}"
    part = part_of(target)
    earliest, latest, seal = 1 << 62, -(1 << 62), hashlib.sha256()
    try:
        ending = None if ending is None else ending.as_before(target)
        writer = Writer(part, head, is_signed=ending is not None)
        try:
            row = None
            for row in _rows(reader, last):
                record = decode(row.body)
                writer.add(row)
                seal.update(row.sequence.to_bytes(8, "big") + row.hash + row.body)
                earliest, latest = min(earliest, record.measured_at), max(latest, record.measured_at)
                state = follow(state, Entry(row.sequence, row.hash, record))
                if row.sequence % PAGE == 0 or row.sequence == last:
                    told("archived", row.sequence - first + 1, last - first + 1)
            signed = None if ending is None or row is None else ending.signed(reader, first, row)
            writer.end(earliest, latest, signed)
        finally:
            writer.close()
        if row is None or row.sequence != last:
            raise JournalError(f"record {last} is missing", hint="`gaugepost verify` finds what else is")
        _prove(part, seal.digest(), told)
        if target.exists():
            _same(target, part)
        settle(part, target)
    finally:
        vanish(part)
    return Moved(target, first, last, writer.count, before, row.hash, limit, is_smaller=False), state


def _rows(reader: Reader, last: int) -> Iterator[Row]:
    after = reader.base[0]
    while after < last:
        with reader.connection() as db:
            rows = db.execute(
                "SELECT sequence, hash, body FROM records WHERE sequence > ? AND sequence <= ? "
                "ORDER BY sequence LIMIT ?",
                (after, last, PAGE),
            ).fetchall()
        if not rows:
            return
        yield from map(Row._make, rows)
        after = rows[-1][0]


def _prove(part: Path, seal: bytes, told: Progress) -> None:
    """Read the archive back: its chain is sound, and it has every record as the journal has it."""
    report = Archive(part).examine(progress=told)
    if not report.sound or report.seal.digest() != seal:
        finding = report.findings[0] if report.findings else "it does not read back as it was written"
        raise JournalError(
            f"these records can't be archived: {finding}",
            hint="`gaugepost verify` lists what is wrong with the journal; nothing was changed",
        )


def _same(target: Path, part: Path) -> None:
    """Hold a file that is there already, of a time that was interrupted, against what was written now."""
    if sha256_of(target) != sha256_of(part):
        raise JournalError(
            f"{target} is there already, and is another archive", hint="name another folder for archives"
        )


def _said(path: Path, moved: Moved, state: bytes, now: Moment, program: str) -> None:
    """Have the journal begin after what was moved, in one transaction."""
    digest = sha256_of(moved.file)
    record = Record(
        kind=Kind.ARCHIVE,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        boot=now.boot,
        program=program,
        first=moved.first,
        last=moved.last,
        count=moved.count,
        archive=moved.file.name,
        archive_head=moved.head,
        archive_sha256=digest,
        state_sha256=hashlib.sha256(state).digest(),
        text=f"records {moved.first} to {moved.last} were moved to {moved.file.name}",
    )
    with contextlib.closing(_opened(path)) as db:
        db.execute("BEGIN IMMEDIATE")
        schema.grown_to(db, schema.LAYOUT)
        db.execute("UPDATE archived SET state = NULL")
        db.execute(
            "INSERT INTO archived VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (moved.last, moved.first, moved.count, moved.before, moved.head, moved.file.name, digest, state),
        )
        sequence, previous = db.execute(
            "SELECT sequence, hash FROM records ORDER BY sequence DESC LIMIT 1"
        ).fetchone()
        add(db, sequence + 1, previous, record)
        db.execute("COMMIT")


def _clear(path: Path, last: int, kept: int | None, told: Progress) -> None:
    """Remove from the journal's file what archives hold, up to `last`, but the record `kept`."""
    with contextlib.closing(_opened(path)) as db:
        (first, end) = db.execute(
            "SELECT min(sequence), max(sequence) FROM records WHERE sequence <= ? AND sequence IS NOT ?",
            (last, kept),
        ).fetchone()
        if first is None:
            return
        for border in range(first + CLEARED_AT_ONCE, end + CLEARED_AT_ONCE + 1, CLEARED_AT_ONCE):
            border = min(border, end)
            db.execute("DELETE FROM records WHERE sequence <= ? AND sequence IS NOT ?", (border, kept))
            db.execute("PRAGMA wal_checkpoint(PASSIVE)")
            told("cleared", border - first + 1, end - first + 1)


def _shrunk(path: Path, moved: Moved, told: Progress) -> Moved:
    """Give the room back to the disk, where it is worth writing the file anew and there is enough room for that.

    Each page is written three times: to a file aside, to the log, and from there to its place.
    """
    with contextlib.closing(_opened(path)) as db:
        (pages,) = db.execute("PRAGMA page_count").fetchone()
        (free,) = db.execute("PRAGMA freelist_count").fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
        if free * WORTH < pages or shutil.disk_usage(path.parent).free < 3 * (pages - free) * size:
            return moved
        try:
            with watched("written", 3 * (pages - free) * size, "written anew, MB", told):
                db.execute("VACUUM")
                db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        except sqlite3.Error as cause:  # its temporary file may lie on another disk
            if schema.code_of(cause) != sqlite3.SQLITE_FULL:
                raise
            return moved
    return replace(moved, is_smaller=True)


def _opened(path: Path) -> sqlite3.Connection:
    db = sqlite3.connect(path, isolation_level=None, timeout=5)
    db.execute("PRAGMA synchronous = FULL")
    db.execute("PRAGMA wal_autocheckpoint = 0")
    return db
