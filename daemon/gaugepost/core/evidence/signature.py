"""A person's signature on records: who, when, what it means (21 CFR 11.50), bound to exactly what it signs (11.70).

It is a record of the journal, so that it can't be cut off; it holds a hash over what it signs, so that it fits nothing
else:

    SHA-256 of, for each record that is signed, in order: its sequence, 8 bytes big endian, and its hash in the chain

What is signed is a record alone, or every record from `first` to `last`: all of them (a span), or those that are filed
under a lot, or under a piece of it. Nothing of it is ever written again; whether what it signs still stands is found
anew whenever somebody looks.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from gaugepost.core.publication import record_id, rfc3339
from gaugepost.core.record import Entry, Kind, Record

RECORD, PIECE, LOT, SPAN = "record", "piece", "lot", "span"
SUBJECTS = (RECORD, PIECE, LOT, SPAN)

_REPLACING = {
    Kind.AMENDMENT: "an amendment",
    Kind.VOID: "a void",
    Kind.REJUDGED: "another judgement",
}
CHANGING = (*_REPLACING, Kind.SUSPECT)
"""Kinds that say later that what was signed is otherwise, or in doubt."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What is signed."""

    what: str
    """One of `SUBJECTS`."""
    first: int
    last: int
    lot: str | None = None
    piece: str | None = None

    def seen(self, signature: int) -> int:
        """Return the last record that whoever signed could have seen, `signature` being the sequence of theirs.

        A lot is looked up to the journal's end of that moment, which `last` is: what came while it was signed is later.
        """
        return self.last if self.what in (LOT, PIECE) else signature

    @property
    def filed_under(self) -> tuple[str | None, str | None]:
        """Lot and piece that its records are filed under: neither for a record or a span."""
        if self.what not in (LOT, PIECE):
            return None, None
        return self.lot, self.piece if self.what == PIECE else None


@dataclass(frozen=True, slots=True)
class Signed:
    """The records of a subject, and what is kept of them."""

    subject: Subject
    count: int
    digest: bytes
    sequences: frozenset[int]
    gauges: frozenset[str]
    """Gauges that made some of them."""


def signed(subject: Subject, entries: Iterable[Entry]) -> Signed:
    """Return what a signature on `entries`, the records of `subject` in order, holds of them."""
    digest, sequences, gauges = hashlib.sha256(), set[int](), set[str]()
    for entry in entries:
        digest.update(entry.sequence.to_bytes(8, "big") + entry.hash)
        sequences.add(entry.sequence)
        if entry.record.gauge is not None:
            gauges.add(entry.record.gauge)
    return Signed(subject, len(sequences), digest.digest(), frozenset(sequences), frozenset(gauges))


def subject_of(record: Record) -> Subject | None:
    """Return what a signature's record says that it signs; None: it can't be one."""
    if record.code not in SUBJECTS or record.first is None or record.last is None:
        return None
    return Subject(record.code, record.first, record.last, record.lot, record.piece)


def holds(record: Record, found: Signed) -> bool:
    """Return whether `found` is exactly what the signature in `record` signs."""
    return (record.count, record.signed_sha256) == (found.count, found.digest)


def since(found: Signed, later: Iterable[Entry], added: int = 0) -> tuple[str, ...]:
    """Return in words what came after a signature that what it signs is otherwise by; `later` of kinds `CHANGING`.

    `added` is how many records came to its lot or piece beside.
    """
    told = dict[str, None]()
    for entry in later:
        record = entry.record
        if record.kind is Kind.SUSPECT:
            marks = range(record.first or 0, (record.last or 0) + 1)
            if record.gauge in found.gauges and any(each in marks for each in found.sequences):
                told["a suspicion"] = None
        elif record.replaces in found.sequences:
            told[_REPLACING[record.kind]] = None
    if added:
        told[f"{added} more record{'s' if added != 1 else ''}"] = None
    return tuple(told)


def standing(what_came: tuple[str, ...]) -> str:
    """Return how a signature stands: as signed, or before what."""
    return f"signed before {' and '.join(what_came)}" if what_came else "as signed"


def document(entry: Entry, epoch: str, is_held: bool | None, what_came: tuple[str, ...]) -> dict[str, Any]:
    """Return a signature as plain values; `is_held` is None where what it signs is in an archive."""
    record = entry.record
    assert record.first is not None and record.last is not None
    return {
        "id": record_id(epoch, entry.sequence),
        "sequence": entry.sequence,
        "what": record.code,
        "lot": record.lot,
        "piece": record.piece,
        "first": record_id(epoch, record.first),
        "last": record_id(epoch, record.last),
        "count": record.count,
        "signed_by": record.operator,
        "printed_name": record.printed_name,
        "signed_at": rfc3339(record.measured_at),
        "meaning": record.meaning,
        "reason": record.text,
        "holds": is_held,
        "standing": standing(what_came),
    }
