"""Proof that a journal is whole: every record is what was written, where it was written, and none is missing.

The chain alone can't show that its end was cut off, or that all of it was written anew: a head noted elsewhere does.
Where a journal was salvaged, records are missing by its own account: its first record says so, and seals the others.
"""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from gaugepost.core.errors import JournalError
from gaugepost.core.publication import Epoch
from gaugepost.core.record import Kind, Record
from gaugepost.core.setup import from_document
from gaugepost.edge.journal import schema, times
from gaugepost.edge.journal.codec import anchor, chained, proven
from gaugepost.edge.journal.reader import PAGE, Reader
from gaugepost.edge.journal.watching import Progress, watched
from gaugepost.edge.kept.state import archived_state

MAX_FINDINGS = 20
"""So many are told one by one; the rest is counted."""

_ROWS = """
    SELECT r.sequence, r.hash, r.body, r.measured_at, k.name, g.name, c.name, l.name, r.piece,
        r.gauge IS NULL, r.characteristic IS NULL, r.lot IS NULL
    FROM records r
    LEFT JOIN names k ON k.number = r.kind
    LEFT JOIN names g ON g.number = r.gauge
    LEFT JOIN names c ON c.number = r.characteristic
    LEFT JOIN names l ON l.number = r.lot
    WHERE r.sequence > ? ORDER BY r.sequence LIMIT ?"""
_COLUMNS = ("measured_at", "kind", "gauge", "characteristic", "lot", "piece")


@dataclass(slots=True)
class Report:
    """What the walk along the chain found."""

    epoch: Epoch
    station: str
    count: int = 0
    earliest_ms: int | None = None
    latest_ms: int | None = None
    first: int | None = None
    """Sequence of the first record."""
    sequence: int = 0
    head: bytes = b""
    findings: list[str] = field(default_factory=list)
    """What is wrong, the first `MAX_FINDINGS` of it."""
    faults: int = 0
    """How much is wrong in all."""
    gaps: list[tuple[int, int]] = field(default_factory=list)
    """First and last sequence of what is missing; a seal after it makes it known, else it is a fault."""
    sealed: list[tuple[int, int, int]] = field(default_factory=list)
    """First and last sequence of what is missing by the journal's own account, and of the record that says so."""
    known_missing: int = 0
    """How many records are missing by the journal's own account."""
    seal: Any = field(default_factory=hashlib.sha256)
    """What a salvage's seal must be here."""
    epochs: list[tuple[int, str]] = field(default_factory=list)
    """Epochs that ended, by the records that say so."""
    epoch_now: str = ""
    signatures: int = 0
    """How many records are a person's signature on others."""
    archived: tuple[schema.Archived, ...] = ()
    """What was moved to archives."""
    archives: dict[int, Record] = field(default_factory=dict)
    """Records that say so, by the last sequence that was moved."""

    @property
    def sound(self) -> bool:
        """Whether nothing is wrong."""
        return self.faults == 0

    def fault(self, finding: str) -> None:
        """Count a fault, and keep it in words while there are few."""
        self.faults += 1
        if len(self.findings) < MAX_FINDINGS:
            self.findings.append(finding)


def examine(path: Path, head: tuple[int, bytes] | None = None, progress: Progress | None = None) -> Report:
    """Walk along the journal at `path`, a running station's too, as far as it reaches when the walk begins.

    `head` is a (sequence, hash) noted earlier that must still be in it.

    Raises:
        JournalError: it can't be read, or a newer program wrote it: nothing is known then.
    """
    reader = Reader(path)
    try:
        report = begin(reader.epoch, reader.station, reader.base)
        report.archived = reader.archived
        _walk(reader, report, head, progress)
        account(report)
        _account_archives(reader, report)
        _structure(reader, report, progress)
        return report
    finally:
        reader.close()


def begin(epoch: Epoch, station: str, base: tuple[int, bytes]) -> Report:
    """Return the report of records that follow `base` (sequence and hash), before the first of them."""
    ended = [(last, each) for last, each in epoch.earlier if last < base[0]]
    return Report(
        epoch, station, sequence=base[0], head=base[1], epochs=ended, epoch_now=epoch.of(max(base[0], 1))
    )


def step(report: Report, sequence: int, digest: bytes, body: bytes) -> Record | None:
    """Hold a record against the one before, and its body against the one form; None where it can't be read."""
    expected, report.sequence = report.sequence + 1, sequence
    previous, report.head = report.head, digest
    report.count += 1
    report.first = report.first or sequence
    if sequence != expected:
        report.gaps.append((expected, sequence - 1))
    elif digest != chained(previous, sequence, body):
        report.fault(f"record {sequence} was changed, or the one before it: its hash doesn't fit")
    try:
        record, is_in_form = proven(body)
    except JournalError as damage:
        report.fault(f"record {sequence}: {damage.finding}")
        return None
    if record.kind is Kind.SALVAGE:
        _sealed(report, record)
    if record.kind is Kind.SIGNATURE:
        report.signatures += 1
    if record.kind is Kind.ARCHIVE:
        report.archives[record.last or 0] = record
    report.seal.update(sequence.to_bytes(8, "big") + digest + body)
    if not is_in_form:
        report.fault(f"record {sequence} is not in the one form that this program writes")
    moment = record.measured_at
    report.earliest_ms = moment if report.earliest_ms is None else min(report.earliest_ms, moment)
    report.latest_ms = moment if report.latest_ms is None else max(report.latest_ms, moment)
    return record


def account(report: Report) -> None:
    """Tell gaps that no seal accounts for, and epochs that are not those of the records."""
    for first, last in report.gaps:
        gone = f"record {first} is" if first == last else f"records {first} to {last} are"
        report.fault(f"{gone} missing")
    told = (report.epoch.earlier, str(report.epoch))
    if (report.epochs or report.epoch.earlier) and told != (tuple(report.epochs), report.epoch_now):
        report.fault("its epochs are not those that its records name")


def _walk(
    reader: Reader,
    report: Report,
    head: tuple[int, bytes] | None,
    progress: Progress | None,
) -> None:
    last, _ = reader.head()
    after = report.sequence if reader.archived else -(1 << 63)
    found = head is not None and head == reader.base
    while after < last:
        try:
            with reader.connection() as db:
                db.text_factory = _tolerant
                rows = db.execute(_ROWS, (after, PAGE)).fetchall()
        except JournalError as unreadable:
            report.fault(f"after record {report.sequence} the file can't be read: {_damage(unreadable)}")
            return
        if not rows:
            break
        for row in rows:
            _step(report, row)
            found = found or head == (report.sequence, report.head)
        if progress is not None:
            progress("verified", report.sequence, last)
        after = rows[-1][0]
    if head is not None and not found:
        report.fault(_lost(head, report.sequence))


def _tolerant(text: bytes) -> str:
    return text.decode(errors="surrogateescape")


def _lost(head: tuple[int, bytes], last: int) -> str:
    sequence, digest = head
    if sequence > last:
        return f"record {sequence} with hash {digest.hex()} is gone: the journal ends at record {last}"
    return f"record {sequence} doesn't have the hash {digest.hex()}: the journal was written anew"


def _step(report: Report, row: tuple[object, ...]) -> None:
    """Hold one row against the one before, and its columns against its body."""
    sequence, digest, body = row[:3]
    assert isinstance(sequence, int)
    if sequence < 1:
        report.fault(f"record {sequence} stands before the first")
        return
    if not isinstance(digest, bytes) or not isinstance(body, bytes):
        report.sequence, report.head = sequence, digest if isinstance(digest, bytes) else b""
        report.first, report.count = report.first or sequence, report.count + 1
        report.fault(f"record {sequence} has no hash or no body")
        return
    record = step(report, sequence, digest, body)
    if record is None:
        return
    wanted = (
        record.measured_at,
        record.kind.value,
        record.gauge,
        record.characteristic,
        record.lot,
        record.piece,
    )
    empty = (record.gauge is None, record.characteristic is None, record.lot is None)
    if row[3:9] != wanted or row[9:] != empty:
        wrong = [name for name, has, wants in zip(_COLUMNS, row[3:9], wanted, strict=True) if has != wants]
        report.fault(
            f"record {sequence} is filed wrongly under {', '.join(wrong) or 'a name that is not there'}"
        )


def _sealed(report: Report, record: Record) -> None:
    """Hold what stands before the first record of an epoch against its seal: what is missing there is known then."""
    report.epochs.append((report.sequence - 1, record.epoch_before or ""))
    report.epoch_now = record.epoch or ""
    if report.seal.digest() != record.seal:
        report.fault(f"record {report.sequence} seals other records than those before it")
        return
    report.sealed += [(first, last, report.sequence) for first, last in report.gaps]
    report.known_missing += sum(last - first + 1 for first, last in report.gaps)
    report.gaps.clear()


def _account_archives(reader: Reader, report: Report) -> None:
    """Hold what the journal says of its archives against its chain: it is known of them by records that came after."""
    follows = anchor(report.epoch.of(1), report.station)
    for at, part in enumerate(reader.archived):
        told = report.archives.get(part.last)
        is_last = at == len(reader.archived) - 1
        if part.first != (reader.archived[at - 1].last + 1 if at else part.first) or (
            part.before != follows and (at or part.first == 1)
        ):
            report.fault(
                f"what was archived up to record {part.last} does not follow what was archived before"
            )
        if told is None and is_last:
            report.fault(f"no record says that those up to {part.last} were archived")
        if told is not None and _said(told) != (
            part.first, part.last, part.count, part.file, part.hash, part.file_sha256
        ):  # fmt: skip
            report.fault(f"what was archived up to record {part.last} is not what the journal's record says")
        if told is not None and is_last:
            _account_state(reader, report, part.last, told)
        follows = part.hash


def _account_state(reader: Reader, report: Report, last: int, told: Record) -> None:
    """Hold the bench that the journal goes on from, and the set-up that it keeps for it, against its own record."""
    if hashlib.sha256(reader.kept_state() or b"").digest() != told.state_sha256:
        report.fault(f"the bench as record {last} left it is not what the journal's record says")
        return
    state = archived_state(reader)
    kept = None if state.set_up_sequence is None else reader.entry(state.set_up_sequence)
    if state.set_up_sequence is not None and (
        kept is None or kept.record.document is None or from_document(kept.record.document) != state.set_up
    ):
        report.fault(f"the set-up in force at record {last} is not the one that the journal keeps")


def _said(told: Record) -> tuple[object, ...]:
    return told.first, told.last, told.count, told.archive, told.archive_head, told.archive_sha256


def _structure(reader: Reader, report: Report, progress: Progress | None) -> None:
    """Have SQLite hold its pages and indexes against each other: a query uses what the walk didn't.

    It reads each page, and again what indexes lead to: about twice the file.
    """
    size = 2 * reader.path.stat().st_size
    try:
        with reader.connection() as db, watched("read", size, "structure, MB", progress):
            answers = [str(answer) for (answer,) in db.execute(f"PRAGMA integrity_check({MAX_FINDINGS})")]
            untrue = times.wrong(db)
    except JournalError as unreadable:
        answers, untrue = [_damage(unreadable)], None
    if untrue is not None:
        report.fault(f"records up to {untrue} were measured at other times than the table of times says")
    for answer in answers:
        if answer != "ok":
            report.fault(f"the file's structure: {' '.join(answer.split())}")


def _damage(unreadable: JournalError) -> str:
    """Return in what way the file is damaged; raise `unreadable` itself where the fault lies outside the file."""
    cause = unreadable.__cause__
    if schema.code_of(cause) not in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        raise unreadable
    return str(cause)
