"""Salvage: of a damaged journal, what is whole goes in its order into a new one, with a new epoch.

The damaged file is never written to. Records that are kept keep their sequences, bodies and hashes, and so their ids,
what they point to, and every head that was noted of them. What is written after them belongs to the new epoch, whose
first record says what is missing and seals what is there: nothing lost and nothing new share an id.

A record is whole where its hash follows from the one before it and its body. After a gap that can't be seen for the
first record; it is kept where it is in order by itself, and named.
"""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import os
import re
import sqlite3
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from gaugepost.core.errors import JournalError
from gaugepost.core.indication import Moment
from gaugepost.core.record import FORMAT, Kind, Record
from gaugepost.edge.files import hold_there, make, part_of, settle, sweep
from gaugepost.edge.journal import schema
from gaugepost.edge.journal.archive.before import Before, put_before, what_is_before
from gaugepost.edge.journal.codec import anchor, chained, decode, encode
from gaugepost.edge.journal.copies.remains import Found, Owner, Remains
from gaugepost.edge.journal.watching import Progress

MOST_RANGES = 500
"""So many missing ranges are written out in the record; all of them are counted."""

"""Hears what is being done, how far, and of how much."""


class Kept(NamedTuple):
    """A record that is whole."""

    sequence: int
    hash: bytes
    body: bytes
    record: Record
    proven: bool


@dataclass(slots=True)
class Salvaged:
    """What became of a damaged journal."""

    path: Path
    """The new journal."""
    station: str
    epoch: str = ""
    epoch_before: str = ""
    count: int = 0
    first: int = 0
    last: int = 0
    lost: int = 0
    missing: list[str] = field(default_factory=list)
    """Every range that is missing between the records kept, and why."""
    unproven: list[int] = field(default_factory=list)
    """Records whose bodies no hash speaks for, because the one before them is missing."""
    unreadable: int = 0
    """Pages that the disk could not read."""


def salvage(
    damaged: Path,
    new: Path,
    now: Moment,
    *,
    program: str,
    owner: Owner | None = None,
    progress: Progress | None = None,
) -> Salvaged:
    """Copy what is whole of the journal at `damaged` into a new one at `new`, and return how it came out.

    `new` is a file that is not there, or a folder that is not there or has no journal; what it lies
    in is there. It appears whole or not at all.
    `owner` is the epoch and the station of the damaged journal, where it can't say so itself.

    Raises:
        JournalError: a daemon has it, nothing in it is whole, it can't say whose it is, `new` is taken, or the disk.
    """
    damaged, target = schema.journal_file(damaged), _target(new)
    if not damaged.is_file():
        raise JournalError(
            f"there is no journal at {damaged}", hint="name the file journal.db or its directory"
        )
    scratch = target.with_name(f".{target.name}.{os.getpid()}.found")
    part = part_of(target)
    try:
        with _left_alone(damaged), Remains(damaged) as remains:
            make(target.parent)
            sweep(target.parent, re.escape(target.name))
            with contextlib.closing(_blank(scratch)) as found, contextlib.closing(_blank(part)) as made:
                owners = _gather(remains, found, progress)
                before = what_is_before(damaged)
                whose = (
                    Owner(before.epoch, before.station) if before else _owner(found, owner, owners, damaged)
                )
                salvaged = Salvaged(target, whose.station, unreadable=remains.unreadable)
                _write(
                    made,
                    _whole(found, whose, salvaged, before),
                    whose,
                    salvaged,
                    before,
                    now,
                    program,
                    _copying(found, progress),
                )
        settle(part, target)
    except schema.FAULTS as cause:
        raise schema.refused(target, "write", cause) from cause
    finally:
        for left in (scratch, part):
            left.unlink(missing_ok=True)
    return salvaged


def _target(new: Path) -> Path:
    hold_there(new.parent)
    target = new if new.suffix == ".db" and not new.is_dir() else new / schema.FILE_NAME
    for taken in (target, Path(f"{target}-wal")):
        if taken.exists():
            raise JournalError(f"{taken} is there already", hint="name a new folder, as journal-salvaged")
    if new.exists() and not new.is_dir():
        raise JournalError(f"{new} is a file", hint="name a folder that is not there yet")
    return target


@contextlib.contextmanager
def _left_alone(damaged: Path) -> Iterator[None]:
    """Hold the journal's lock, where it has one, without writing to it."""
    lock = Path(f"{damaged}.lock")
    if not lock.exists():
        yield
        return
    descriptor = os.open(lock, os.O_RDONLY)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as cause:
            holder = os.read(descriptor, 20).decode("ascii", "replace").strip() or "unknown"
            raise JournalError(
                f"{damaged} is in use by a daemon (process {holder})", hint="stop it first, then salvage"
            ) from cause
        yield
    finally:
        os.close(descriptor)


def _blank(path: Path) -> sqlite3.Connection:
    """Return a database that nobody relies on until it is whole and has its name."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("PRAGMA journal_mode = OFF")
    db.execute("PRAGMA synchronous = OFF")
    return db


def _gather(remains: Remains, found: sqlite3.Connection, progress: Progress | None) -> list[Owner]:
    """Put everything that looks like a record into `found`, and return whom the file says it belongs to."""
    owners: list[Owner] = []
    found.execute("CREATE TABLE found (sequence INTEGER, surely INTEGER, hash BLOB, body BLOB)")
    found.execute("BEGIN")
    told = None if progress is None else lambda done, of: progress("searched page", done, of)
    for each in remains.rows(told):
        if isinstance(each, Found):
            if each.sequence < 1 << 62:
                found.execute("INSERT INTO found VALUES (?, ?, ?, ?)", each)
        elif each not in owners:
            owners.append(each)
    found.execute("CREATE INDEX by_sequence ON found (sequence, surely DESC)")
    found.execute("COMMIT")
    return owners


def _groups(found: sqlite3.Connection) -> Iterator[tuple[int, list[Found]]]:
    """Yield each sequence with what was found of it, no two alike."""
    rows = found.execute("SELECT sequence, surely, hash, body FROM found ORDER BY sequence, surely DESC")
    for sequence, group in groupby(map(Found._make, rows), key=lambda each: each.sequence):
        yield sequence, list({(each.hash, each.body): each for each in reversed(list(group))}.values())[::-1]


def _owner(found: sqlite3.Connection, given: Owner | None, owners: list[Owner], path: Path) -> Owner:
    """Return the first epoch and the station of the journal, proven by its first record where that is there."""
    firsts = [each for sequence, group in _groups(found) if sequence == 1 for each in group]
    stations = [one.station for one in owners if one.station]
    possible = [Owner(one.epoch, station) for one in owners for station in stations]
    if given is not None:
        possible = [given]
    for one in possible:
        if any(chained(anchor(one.epoch, one.station), 1, each.body) == each.hash for each in firsts):
            return one
    hint = (
        "add --epoch and --station: the station's name as in its station file, and the first 36 characters of the id "
        "of any record that it published (before it was ever salvaged)"
    )
    if not possible:
        raise JournalError(f"{path} no longer says whose journal it is", hint=hint)
    if firsts and any(_in_order(each) for each in firsts):
        named = possible[0]
        finding = f"the first record is not one of station {named.station!r} in epoch {named.epoch}"
        if given is not None:
            raise JournalError(finding, hint="write --epoch and --station as published")
        following = [each for sequence, group in _groups(found) if sequence == 2 for each in group]
        if any(chained(one.hash, 2, two.body) == two.hash for one in firsts for two in following):
            raise JournalError(f"{path}: {finding}: one of them is damaged", hint=hint)
    return possible[0]


def _in_order(each: Found) -> Record | None:
    """Return the record that a body holds; None where it is damaged. Raises where a newer program wrote it."""
    try:
        record = decode(each.body)
    except JournalError as cause:
        if "newer" in cause.hint:
            raise
        return None
    except RecursionError:
        return None
    return record if encode(record) == each.body else None


def _whole(
    found: sqlite3.Connection, whose: Owner, salvaged: Salvaged, base: Before | None
) -> Iterator[Kept]:
    """Yield the records that are whole, ascending, and note what is not."""
    salvaged.last, head = (base.last, base.hash) if base else (0, anchor(whose.epoch, whose.station))
    groups = (each for each in _groups(found) if each[0] > salvaged.last)
    upcoming = next(groups, None)
    expected, trusted = salvaged.last + 1, True
    before: set[bytes] = {head}
    while upcoming is not None:
        (sequence, group), upcoming = upcoming, next(groups, None)
        following = upcoming[1] if upcoming is not None and upcoming[0] == sequence + 1 else []
        if sequence != expected:
            before, trusted = set(), False
        kept = _chosen(sequence, group, following, before, trusted)
        before = {each.hash for each in group}
        trusted = kept is not None
        if kept is not None:
            if kept.sequence > salvaged.last + 1:
                _note_missing(found, salvaged, salvaged.last + 1, kept.sequence - 1)
            if not kept.proven:
                salvaged.unproven.append(sequence)
            salvaged.count, salvaged.last = salvaged.count + 1, sequence
            salvaged.first = salvaged.first or sequence
            before.add(kept.hash)
            yield kept
        expected = sequence + 1


def _chosen(
    sequence: int, group: list[Found], following: list[Found], before: set[bytes], trusted: bool
) -> Kept | None:
    """Return the record with this sequence, of what was found of it; None where none of it is whole.

    `before` are the hashes that the record before it may have; they are all where `trusted`.
    """

    def continued(digest: bytes) -> bool:
        return any(chained(digest, sequence + 1, each.body) == each.hash for each in following)

    proven = [
        (each, digest)
        for each in group
        for previous in before
        if (digest := chained(previous, sequence, each.body)) == each.hash or continued(digest)
    ]
    proven.sort(key=lambda pair: not continued(pair[1]))
    for each, digest in proven:
        if (record := _in_order(each)) is not None:
            return Kept(sequence, digest, each.body, record, proven=True)
    if trusted:
        return None
    for each in group:  # what follows, where it does, speaks at least for the hash
        if (continued(each.hash) or not following) and (record := _in_order(each)) is not None:
            return Kept(sequence, each.hash, each.body, record, proven=False)
    return None


def _note_missing(found: sqlite3.Connection, salvaged: Salvaged, first: int, last: int) -> None:
    """Add the range `first` to `last` to what is missing, cut where the reason is another one."""
    (changed,) = found.execute(
        "SELECT count(DISTINCT sequence) FROM found WHERE sequence BETWEEN ? AND ?", (first, last)
    ).fetchone()
    why = "nothing of it is left"
    if changed:
        why = (
            "damaged" if changed == last - first + 1 else f"{changed} damaged, nothing is left of the others"
        )
    salvaged.lost += last - first + 1
    salvaged.missing.append(f"{first} {why}" if first == last else f"{first} to {last} {why}")


def _write(
    made: sqlite3.Connection,
    whole: Iterator[Kept],
    whose: Owner,
    salvaged: Salvaged,
    before: Before | None,
    now: Moment,
    program: str,
    copying: Callable[[int], None],
) -> None:
    """Write the journal: the records that are whole, and the first of the new epoch."""
    made.execute("BEGIN")
    for statement in (*schema.TABLES, *schema.EARLIER):
        made.execute(statement)
    epochs = list(before.earlier) if before else []
    names: dict[str, int] = {}
    seal, epoch, head = hashlib.sha256(), whose.epoch, b""
    if before is not None:
        put_before(made, before)
        if before.set_up is not None:
            _insert(made, names, Kept(*before.set_up, decode(before.set_up[2]), proven=True))
    for kept in whole:
        if kept.record.kind is Kind.SALVAGE and kept.record.epoch and kept.record.epoch_before:
            epochs.append((kept.sequence - 1, kept.record.epoch_before))
            epoch = kept.record.epoch
        _insert(made, names, kept)
        seal.update(kept.sequence.to_bytes(8, "big") + kept.hash + kept.body)
        head = kept.hash
        copying(kept.sequence)
    if not salvaged.count:
        raise JournalError(
            "nothing in it is whole: no record was found", hint="restore a backup that verifies"
        )
    epochs.append((salvaged.last, epoch))
    salvaged.epoch_before, salvaged.epoch = epoch, str(uuid.uuid4())
    record = _first(salvaged, now, program, seal.digest())
    body, sequence = encode(record), salvaged.last + 1
    _insert(made, names, Kept(sequence, chained(head, sequence, body), body, record, proven=True))
    made.executemany("INSERT INTO earlier VALUES (?, ?)", epochs)
    made.execute("INSERT INTO journal VALUES (?, ?, ?)", (salvaged.epoch, whose.station, FORMAT))
    made.execute("COMMIT")


def _copying(found: sqlite3.Connection, progress: Progress | None) -> Callable[[int], None]:
    """Return what tells how far it is with the record of a sequence, of those that were found."""
    if progress is None:
        return lambda sequence: None
    first, last = found.execute("SELECT min(sequence), max(sequence) FROM found").fetchone()

    def told(sequence: int) -> None:
        if sequence % 1000 == 0 or sequence == last:
            progress("copied record", sequence - first + 1, last - first + 1)

    return told


def _insert(made: sqlite3.Connection, names: dict[str, int], kept: Kept) -> None:
    record, numbers = kept.record, list[int | None]()
    for name in (record.kind, record.gauge, record.characteristic, record.lot):
        if name is not None and name not in names:
            names[name] = len(names) + 1
            made.execute("INSERT INTO names VALUES (?, ?)", (names[name], name))
        numbers.append(None if name is None else names[name])
    row = (kept.sequence, record.measured_at, *numbers, record.piece, kept.hash, kept.body)
    made.execute("INSERT INTO records VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)


def _first(salvaged: Salvaged, now: Moment, program: str, seal: bytes) -> Record:
    """Return the first record of the new epoch."""
    text = f"records {salvaged.first} to {salvaged.last} were salvaged from a damaged journal: {salvaged.count} kept, "
    text += f"{salvaged.lost} lost, and whatever came after them"
    if salvaged.unproven:
        text += f"; no hash speaks for {len(salvaged.unproven)} of those kept, the first after each gap"
    missing = salvaged.missing[:MOST_RANGES]
    if more := len(salvaged.missing) - len(missing):
        missing.append(f"and {more} more ranges")
    return Record(
        kind=Kind.SALVAGE,
        measured_at=now.utc_ms,
        clock_ms=now.clock_ms,
        boot=now.boot,
        program=program,
        first=salvaged.first,
        last=salvaged.last,
        count=salvaged.count,
        epoch=salvaged.epoch,
        epoch_before=salvaged.epoch_before,
        missing=tuple(missing) or None,
        members=tuple(salvaged.unproven[:MOST_RANGES]) or None,
        ends_mastering=True,
        seal=seal,
        text=text,
    )
