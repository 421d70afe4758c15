"""Masterings and checks of a journal as points over time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gaugepost.core.drift import Point, What, point_of
from gaugepost.core.setup import SetUp, from_document
from gaugepost.edge.journal import Reader


def read_points(
    reader: Reader,
    what: Sequence[What] = tuple(What),
    *,
    gauge: str | None = None,
    contact_set: str | None = None,
    master: str | None = None,
    operator: str | None = None,
    since_ms: int | None = None,
    until_ms: int | None = None,
) -> Iterator[Point]:
    """Yield what the journal's masterings and checks say, in their order; a filter that is None lets all pass.

    Raises:
        JournalError: it can't be read.
    """
    set_ups: dict[int, SetUp | None] = {}
    kinds = [each.kind for each in what]
    for entry in reader.replay(kinds=kinds, gauge=gauge, since_ms=since_ms, until_ms=until_ms):
        record = entry.record
        if contact_set not in (None, record.contact_set) or operator not in (None, record.operator):
            continue
        if master not in (None, record.master) or record.set_up is None:
            continue
        if record.set_up not in set_ups:
            set_ups[record.set_up] = _set_up(reader, record.set_up)
        in_force = set_ups[record.set_up]
        point = None if in_force is None else point_of(entry, in_force)
        if point is not None:
            yield point


def _set_up(reader: Reader, sequence: int) -> SetUp | None:
    """Return the set-up that was recorded there; None where a damaged journal has lost it."""
    entry = reader.entry(sequence)
    return None if entry is None or entry.record.document is None else from_document(entry.record.document)
