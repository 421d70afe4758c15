"""Signatures of a journal or an archive, each held against the records that it signs, and against what came after."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from gaugepost.core.evidence.signature import (
    CHANGING,
    LOT,
    PIECE,
    RECORD,
    Signed,
    Subject,
    holds,
    signed,
    since,
    subject_of,
)
from gaugepost.core.record import Entry, Kind
from gaugepost.edge.journal import Archive, Reader

ADDED = (Kind.READING, Kind.RESULT, Kind.FORM, Kind.AMENDMENT)
"""Kinds by which a lot or a piece comes to more than what was signed."""


@dataclass(frozen=True, slots=True)
class Held:
    """A signature, and how it stands."""

    entry: Entry
    holds: bool | None
    """Whether what it signs is what is here; None where some of it is in an archive."""
    since: tuple[str, ...] = ()
    """What came after it that what it signs is otherwise by."""


def look_up(opened: Reader | Archive, subject: Subject) -> Signed:
    """Return what there is of a subject. Raises `JournalError` where it can't be read."""
    return signed(subject, _records(opened, subject))


def held(opened: Reader | Archive, entry: Entry) -> Held:
    """Hold a signature against what it signs. Raises `JournalError` where that can't be read."""
    subject = subject_of(entry.record)
    if subject is None:
        return Held(entry, holds=False)
    if subject.first <= opened.base[0]:
        return Held(entry, holds=None)
    found = look_up(opened, subject)
    if not holds(entry.record, found):
        return Held(entry, holds=False)
    seen = subject.seen(entry.sequence)
    later = opened.replay(after=seen, kinds=CHANGING)
    return Held(entry, holds=True, since=since(found, later, _added(opened, found, seen)))


def _records(opened: Reader | Archive, subject: Subject) -> Iterator[Entry]:
    if subject.what == RECORD and isinstance(opened, Reader):
        entry = opened.entry(subject.first)
        yield from () if entry is None else (entry,)
        return
    lot, piece = subject.filed_under
    for entry in opened.replay(after=subject.first - 1, lot=lot, piece=piece):
        if entry.sequence > subject.last:
            return
        yield entry


def _added(opened: Reader | Archive, found: Signed, seen: int) -> int:
    """Return how many measurements came to a lot or piece after it was signed, amended ones of elsewhere too."""
    if found.subject.what not in (LOT, PIECE):
        return 0
    lot, piece = found.subject.filed_under
    came = opened.replay(after=seen, kinds=ADDED, lot=lot, piece=piece)
    return sum(each.record.replaces not in found.sequences for each in came)
