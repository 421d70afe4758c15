"""Masterings and checks of a journal and its archives as points over time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from gaugepost.core.drift import Point, What, point_of
from gaugepost.core.errors import JournalError
from gaugepost.core.record import Entry, Kind, Record
from gaugepost.core.setup import SetUp, from_document
from gaugepost.edge.journal import Archive, Reader, is_archive
from gaugepost.edge.kept.state import archived_state


def read_points(
    reader: Reader | Archive,
    what: Sequence[What] = tuple(What),
    *,
    gauge: str | None = None,
    contact_set: str | None = None,
    master: str | None = None,
    operator: str | None = None,
    since_ms: int | None = None,
    until_ms: int | None = None,
) -> Iterator[Point]:
    """Yield what masterings and checks of a journal or an archive say, in their order; a filter that is None lets all
    pass.

    Raises:
        JournalError: it can't be read.
    """
    kinds = [each.kind for each in what]
    if isinstance(reader, Archive):
        found = _of_archive(reader, kinds)
    else:
        found = _of_journal(reader, kinds, gauge, since_ms, until_ms)

    def fits(record: Record) -> bool:
        asked = ((contact_set, record.contact_set), (operator, record.operator), (master, record.master))
        since, until = since_ms is None or record.measured_at >= since_ms, until_ms
        within = since and (until is None or record.measured_at < until)
        return within and gauge in (None, record.gauge) and all(a in (None, b) for a, b in asked)

    for entry, in_force in found:
        point = point_of(entry, in_force) if fits(entry.record) else None
        if point is not None:
            yield point


def archives_of(reader: Reader, paths: Sequence[Path]) -> list[Archive]:
    """Return the archives at `paths`, oldest first.

    Raises:
        JournalError: one can't be read, or holds no records of this journal.
    """
    for path in paths:
        if path.is_file() and not is_archive(path):
            raise JournalError(
                f"{path} is no archive of gaugepost", hint="name a file that ends in .archive.xz"
            )
    known = {(each.first - 1, each.before) for each in reader.archived}
    found = [Archive(path) for path in dict.fromkeys(paths)]
    for archive in found:
        if archive.base not in known or archive.station != reader.station:
            raise JournalError(
                f"{archive.path.name} holds no records of this journal",
                hint="name archives that were made of it: its `archive` records name their files",
            )
    return sorted(found, key=lambda archive: archive.base[0])


def _of_journal(
    reader: Reader, kinds: Sequence[Kind], gauge: str | None, since_ms: int | None, until_ms: int | None
) -> Iterator[tuple[Entry, SetUp]]:
    """Yield records with the set-up in force, looked up by its sequence: kinds and period are found by an index."""
    set_ups: dict[int, SetUp | None] = {}
    for entry in reader.replay(kinds=kinds, gauge=gauge, since_ms=since_ms, until_ms=until_ms):
        sequence = entry.record.set_up
        if sequence is None:
            continue
        if sequence not in set_ups:
            set_ups[sequence] = _set_up(reader, sequence)
        if (in_force := set_ups[sequence]) is not None:
            yield entry, in_force


def _of_archive(archive: Archive, kinds: Sequence[Kind]) -> Iterator[tuple[Entry, SetUp]]:
    """Yield the same of an archive, which is read from its beginning to its end: set-ups come by."""
    before = archived_state(archive)
    set_ups = {before.set_up_sequence: before.set_up}
    for entry in archive.replay(kinds=(*kinds, Kind.SET_UP)):
        record = entry.record
        if record.kind is Kind.SET_UP and record.document is not None:
            set_ups[entry.sequence] = from_document(record.document)
        elif record.set_up is not None and (in_force := set_ups.get(record.set_up)) is not None:
            yield entry, in_force


def _set_up(reader: Reader, sequence: int) -> SetUp | None:
    """Return the set-up that was recorded there; None where a damaged journal has lost it."""
    entry = reader.entry(sequence)
    return None if entry is None or entry.record.document is None else from_document(entry.record.document)
