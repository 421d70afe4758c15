"""Every signature of a file held in one go over its records, and those of archives before it where they are given.

A file of years has thousands of signatures: a question for each would read an archive thousands of times.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from typing import Any

from gaugepost.core.errors import JournalError
from gaugepost.core.evidence.signature import (
    CHANGING,
    LOT,
    PIECE,
    RECORD,
    SPAN,
    Signed,
    Subject,
    holds,
    since,
    subject_of,
)
from gaugepost.core.record import Entry, Kind
from gaugepost.edge.evidence.signatures import ADDED, Held
from gaugepost.edge.journal import Archive, Reader

Part = Reader | Archive


def in_order(opened: Part, archives: Iterable[Archive]) -> tuple[Part, ...]:
    """Return archives that lead up to `opened`, each of which the next one follows by its chain, and `opened`.

    Raises:
        JournalError: one is not sound, or leads nowhere.
    """
    left = dict[tuple[int, bytes], Archive]()
    for archive in archives:
        report = archive.examine()
        if not report.sound:
            raise JournalError(
                f"{archive.path} is not sound: {report.findings[0]}", hint="take another copy of the archive"
            )
        left[report.sequence, report.head] = archive
    parts: list[Part] = [opened]
    while (before := left.pop(parts[0].base, None)) is not None:
        parts.insert(0, before)
    if left:
        stray = next(iter(left.values()))
        raise JournalError(
            f"{stray.path} is not what the records here follow",
            hint="name the archives that the journal names, without a gap up to this file",
        )
    return tuple(parts)


def all_held(parts: Sequence[Part]) -> list[Held]:
    """Return every signature in the last of `parts`, oldest first, each held against what the parts have."""
    signatures = [_Watched(entry) for entry in parts[-1].replay(kinds=(Kind.SIGNATURE,))]
    begin = parts[0].base[0]
    watched = _Index([each for each in signatures if each.is_within(begin)])
    for part in parts:
        for entry in part.replay():
            for each in watched.of(entry):
                each.take(entry)
    return [each.held(begin) for each in signatures]


class _Watched:
    """A signature, with what was found of its subject so far, and of what came after it."""

    def __init__(self, entry: Entry) -> None:
        self.entry, self.subject = entry, subject_of(entry.record)
        self._digest: Any = hashlib.sha256()
        self._sequences, self._gauges = set[int](), set[str]()
        self._later: list[Entry] = []
        self._added = 0

    def is_within(self, begin: int) -> bool:
        """Return whether all that it signs comes after the record `begin`."""
        return self.subject is not None and self.subject.first > begin

    def take(self, entry: Entry) -> None:
        """Look at the next record that may be of the subject, or change it."""
        subject, record = self.subject, entry.record
        assert subject is not None
        if subject.first <= entry.sequence <= subject.last:
            if _is_filed(subject, entry):
                self._digest.update(entry.sequence.to_bytes(8, "big") + entry.hash)
                self._sequences.add(entry.sequence)
                self._gauges.update(() if record.gauge is None else (record.gauge,))
            return
        if entry.sequence <= subject.seen(self.entry.sequence):
            return
        if record.kind is Kind.SUSPECT or record.replaces in self._sequences:
            self._later.append(entry)
        elif record.kind in ADDED and subject.what in (LOT, PIECE) and _is_filed(subject, entry):
            self._added += 1

    def held(self, begin: int) -> Held:
        """Return how it stands, after the last record."""
        if self.subject is None:
            return Held(self.entry, holds=False)
        if not self.is_within(begin):
            return Held(self.entry, holds=None)
        found = Signed(
            self.subject,
            len(self._sequences),
            self._digest.digest(),
            frozenset(self._sequences),
            frozenset(self._gauges),
        )
        if not holds(self.entry.record, found):
            return Held(self.entry, holds=False)
        later = (each for each in self._later if each.record.kind in CHANGING)
        return Held(self.entry, holds=True, since=since(found, later, self._added))


class _Index:
    """Which signatures a record may concern."""

    def __init__(self, watched: Collection[_Watched]) -> None:
        self._all = tuple(watched)
        self._filed = defaultdict[tuple[str | None, ...], list[_Watched]](list)
        self._records = defaultdict[int, list[_Watched]](list)
        self._spans: list[_Watched] = []
        for each in watched:
            subject = each.subject
            assert subject is not None
            if subject.what == RECORD:
                self._records[subject.first].append(each)
            elif subject.what == SPAN:
                self._spans.append(each)
            else:
                self._filed[_key(subject)].append(each)

    def of(self, entry: Entry) -> Iterable[_Watched]:
        """Return them."""
        record = entry.record
        if record.kind in CHANGING:
            return self._all
        lots = self._filed.get((record.lot,), ()) if record.lot is not None else ()
        pieces = self._filed.get((record.lot, record.piece), ()) if record.piece is not None else ()
        return (*self._records.get(entry.sequence, ()), *lots, *pieces, *self._spans)


def _key(subject: Subject) -> tuple[str | None, ...]:
    return (subject.lot, subject.piece) if subject.what == PIECE else (subject.lot,)


def _is_filed(subject: Subject, entry: Entry) -> bool:
    record = entry.record
    if subject.what == PIECE:
        return (record.lot, record.piece) == (subject.lot, subject.piece)
    return subject.what != LOT or record.lot == subject.lot
