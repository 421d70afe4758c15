"""What tracing asks a journal for, and which records stand after what was said of them later."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from typing import Protocol

from gaugepost.core.bench.state import State
from gaugepost.core.record import Entry, Kind

REPLACING = (Kind.VOID, Kind.AMENDMENT, Kind.REJUDGED)


class Records(Protocol):
    """A journal's records, looked up by what they are about; whatever is yielded comes in its order."""

    def beginning(self) -> State:
        """Return the bench before the first record that can be looked up: what was archived left it so."""

    def span(self, since_ms: int | None, until_ms: int | None) -> tuple[int, int]:
        """Return first and last sequence of what was recorded in a period, (1, 0) where nothing was."""

    def of_kinds(
        self, kinds: Collection[Kind], gauges: Collection[str] | None, after: int, through: int
    ) -> Iterator[Entry]:
        """Yield records of kinds that are rarer than readings, of these gauges, where any are named."""

    def readings(self, gauge: str, first: int, last: int) -> Iterator[Entry]:
        """Yield a gauge's readings."""

    def made_of_several(self, characteristic: str, after: int) -> Iterator[Entry]:
        """Yield results and forms of a characteristic."""

    def at(self, sequences: Iterable[int]) -> Iterator[Entry]:
        """Yield the records with these sequences, those that there are."""


class Replacements:
    """What became of records: voided, amended, judged again."""

    def __init__(self, entries: Iterable[Entry]) -> None:
        self._by: dict[int, Entry] = {}
        self._base: dict[int, int] = {}
        for entry in entries:
            before = entry.record.replaces
            if before is not None and before < entry.sequence:
                self._by[before] = entry
                self._base[entry.sequence] = self.base(before)

    def base(self, sequence: int) -> int:
        """Return the reading, result or form that the record with this sequence began as."""
        return self._base.get(sequence, sequence)

    def before(self, sequence: int, other: int) -> int:
        """Return the sequence of the record that stood for this one when the record `other` was made."""
        while (by := self._by.get(sequence)) is not None and by.sequence < other:
            sequence = by.sequence
        return sequence

    def standing(self, entry: Entry) -> Entry | None:
        """Return the record that stands for `entry` today; None where it was voided."""
        while (by := self._by.get(entry.sequence)) is not None:
            if by.record.kind is Kind.VOID:
                return None
            entry = by
        return entry


def replacements(records: Records, after: int, through: int) -> Replacements:
    """Return what became of the records beyond `after`, as far as it was said up to `through`."""
    return Replacements(records.of_kinds(REPLACING, None, after, through))
