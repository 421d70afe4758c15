"""A backup of a journal that is being written to, and the way back: into a new epoch, so that no id is used twice.

A backup is a journal in one file. It is read back and proven before it gets its name, and so is what is restored of it.
"""

from __future__ import annotations

import contextlib
import os
import re
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from itertools import chain, count
from pathlib import Path

from gaugepost.core.errors import JournalError
from gaugepost.core.evidence.checkpoint import Checkpoint, Signed
from gaugepost.core.indication import Moment
from gaugepost.core.publication import rfc3339
from gaugepost.core.record import Kind, Record
from gaugepost.edge.files import hold_there, make, part_of, plain, settle, sweep, vanish
from gaugepost.edge.journal import schema
from gaugepost.edge.journal.reader import Reader
from gaugepost.edge.journal.verify import Report, examine
from gaugepost.edge.journal.watching import Progress
from gaugepost.edge.journal.writer import add, locked

STEP_PAGES = 2000
_OF_THE_SOURCE = (sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
"""What copying fails with where the file that is read is to blame: no such table, no order in it, no database."""
_ANOTHER = (
    "name the file that `gaugepost backup` wrote, or another one; `gaugepost salvage` copies what is whole"
)

Sign = Callable[[Checkpoint], Signed]


def backup(
    source: Path, target: Path, progress: Progress | None = None, sign: Sign | None = None
) -> tuple[Path, Report]:
    """Copy the journal at `source`, as it is at this moment, to `target`; return the file and what proves it.

    `target` is a file that is not there, or a folder in which the file is named by station, day and last record. The
    station may be running: it is neither stopped nor held up. Where `sign` is given, it signs the backup's end.

    Raises:
        JournalError: it can't be read, it is not sound, `target` is there already, its folder is not, or the disk
            refuses.
    """
    with contextlib.closing(Reader(source)) as reader:
        station, (head, _) = reader.station, reader.head()
    names = re.escape(target.name)
    if target.is_dir():
        names = rf"{re.escape(plain(station))}-\d{{4}}-\d\d-\d\d-\d+\.db"
        target = target / f"{plain(station)}-{datetime.now(UTC):%Y-%m-%d}-{head}.db"
    hold_there(target.parent)
    _not_there(target)
    part = part_of(target)
    try:
        sweep(target.parent, names)
        _copied(reader.path, part, progress)
        report = _proven(part, "the journal", progress)
        if sign is not None:
            _signed(part, report, sign)
        _not_there(target)
        settle(part, target)
    except schema.FAULTS as cause:
        raise schema.refused(target, "write", cause) from cause
    finally:
        vanish(part)
    return target, report


def restore(
    file: Path,
    folder: Path,
    now: Moment,
    *,
    program: str,
    replace: bool = False,
    progress: Progress | None = None,
) -> tuple[Report, str, Path | None]:
    """Make a journal in `folder` of the backup `file`; return what proved it, the new epoch, and what was moved aside.

    What is recorded from then on belongs to a new epoch: records that were made after the backup, and may have been
    sent, keep their ids for themselves. With `replace` a journal that is there is moved into a folder beside it.

    Raises:
        JournalError: `file` can't be read or is not sound, a daemon has the folder, a journal is there, or the disk.
    """
    target = folder / schema.FILE_NAME
    if folder.exists() and not folder.is_dir():
        raise JournalError(f"{folder} is a file", hint="name the station's data folder")
    if not schema.journal_file(file).is_file():
        raise JournalError(f"there is no backup at {file}", hint="name the file that was written")
    try:
        schema.journal_file(file).open("rb").close()
    except OSError as cause:
        raise JournalError(f"can't read {file}: {cause.strerror}", hint="become who may read it") from cause
    part = part_of(target)
    try:
        make(folder)
        with _kept_out(target):
            sweep(folder, re.escape(target.name))
            there = [path for path in _belonging(target) if path.exists()]
            if there and not replace:
                raise JournalError(
                    f"{there[0]} is there already",
                    hint="name another folder, or add --replace: what is there is moved aside, not deleted",
                )
            if there and there[0].samefile(schema.journal_file(file)):
                raise JournalError(f"{file} is the journal itself", hint="name a backup")
            try:
                _copied(schema.journal_file(file), part, progress)
            except schema.FAULTS as cause:
                if schema.code_of(cause) not in _OF_THE_SOURCE:
                    raise
                raise JournalError(f"{file} is no backup, or is damaged: {cause}", hint=_ANOTHER) from cause
            report = _proven(part, "the backup", progress)
            epoch = _begun_anew(part, report, now, program)
            aside = _moved_aside(target) if there else None
            settle(part, target)
    except schema.FAULTS as cause:
        raise schema.refused(target, "write", cause) from cause
    finally:
        vanish(part)
    return report, epoch, aside


def _copied(source: Path, part: Path, progress: Progress | None) -> None:
    """Copy a journal with its log into one file. One reading transaction holds the moment, so nothing begins anew."""
    uri = f"{source.absolute().as_uri()}?mode=ro"
    vanish(part)
    with (
        contextlib.closing(sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5)) as db,
        contextlib.closing(sqlite3.connect(part, isolation_level=None)) as copy,
    ):
        db.execute("BEGIN")
        db.execute("SELECT count(*) FROM journal").fetchone()

        def told(_: int, remaining: int, total: int) -> None:
            if progress is not None:
                progress("copied", total - remaining, total)

        db.backup(copy, pages=STEP_PAGES, progress=told)
        db.execute("ROLLBACK")
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, that can be read from any medium


def _signed(part: Path, report: Report, sign: Sign) -> None:
    """Have the copy's last record signed, within the copy."""
    with contextlib.closing(Reader(part)) as reader:
        last = [entry.record.last or 0 for entry in reader.latest(1, kinds=(Kind.CHECKPOINT,))]
    first = max(report.archived[-1].last if report.archived else 0, *last, 0) + 1
    utc_ms = round(datetime.now(UTC).timestamp() * 1000)
    epoch = report.epoch.of(report.sequence)
    made = Checkpoint(
        report.station, epoch, min(first, report.sequence), report.sequence, report.head, utc_ms
    )
    signed = sign(made)
    with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as db:
        db.execute("DROP TABLE IF EXISTS signed_end")
        db.execute(schema.SIGNED_END)
        db.execute(
            "INSERT INTO signed_end VALUES (?, ?, ?, ?, ?, ?)",
            (made.first, made.last, made.hash, made.utc_ms, signed.key, signed.signature),
        )


def _proven(part: Path, what: str, progress: Progress | None) -> Report:
    report = examine(part, progress=progress)
    if not report.sound:
        raise JournalError(
            f"{what} is not sound: {report.findings[0]}",
            hint="`gaugepost verify` lists what is wrong; `gaugepost salvage` copies what is whole",
        )
    return report


def _begun_anew(part: Path, report: Report, now: Moment, program: str) -> str:
    """Begin a new epoch after the records that are there; return it."""
    epoch, before = str(uuid.uuid4()), str(report.epoch)
    latest = "" if report.latest_ms is None else f" of {rfc3339(report.latest_ms)}"
    record = Record(
        kind=Kind.SALVAGE,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        boot=now.boot,
        program=program,
        first=report.first,
        last=report.sequence,
        count=report.count,
        epoch=epoch,
        epoch_before=before,
        ends_mastering=True,
        seal=report.seal.digest(),
        text=f"restored from a backup{latest}: {report.count} records up to {report.sequence}; "
        "whatever came after them is not in it",
    )
    with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as db:
        db.execute("BEGIN IMMEDIATE")
        schema.grown_to(db, 2)
        db.execute("INSERT INTO earlier VALUES (?, ?)", (report.sequence, before))
        db.execute("DROP TABLE IF EXISTS signed_end")
        db.execute("UPDATE journal SET epoch = ?", (epoch,))
        add(db, report.sequence + 1, report.head, record)
        db.execute("COMMIT")
    return epoch


@contextlib.contextmanager
def _kept_out(target: Path) -> Iterator[None]:
    """Keep every daemon from the folder. Raises `JournalError` where one has it."""
    lock = locked(target)
    try:
        yield
    finally:
        os.close(lock)


def _belonging(target: Path) -> list[Path]:
    return [target, *(Path(f"{target}{suffix}") for suffix in ("-wal", "-shm"))]


def _moved_aside(target: Path) -> Path:
    """Move the journal that is there into a folder beside it, and return that folder.

    The file goes before its log: `Journal.open` begins no journal where a log lies without one.
    """
    # Beside a file that is missing or blank SQLite deletes the log, with the records in it.
    if target.exists() and target.stat().st_size:
        with contextlib.suppress(sqlite3.Error), contextlib.closing(sqlite3.connect(target)) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    name = f"journal-replaced-{datetime.now(UTC):%Y%m%dT%H%M%S}"
    names = chain([name], (f"{name}-{number}" for number in count(2)))
    aside = next(path for path in map(target.with_name, names) if not path.exists())
    make(aside)
    for path in _belonging(target):
        if path.exists():
            settle(path, aside / path.name)
    return aside


def _not_there(target: Path) -> None:
    if target.exists():
        raise JournalError(f"{target} is there already", hint="name a file that is not there yet")
