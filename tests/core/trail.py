"""A journal in memory, as tracing looks things up in it."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

from gaugepost.core.bench import State
from gaugepost.core.record import Entry, Kind, Record


class Trail:
    """Records in their order; the first has sequence 1."""

    def __init__(self, records: Sequence[Record]) -> None:
        self.entries = [Entry(at, b"", record) for at, record in enumerate(records, 1)]

    def beginning(self) -> State:
        """Return a new bench."""
        return State()

    def span(self, since_ms: int | None, until_ms: int | None) -> tuple[int, int]:
        """Return first and last sequence of a period."""
        within = [
            entry.sequence
            for entry in self.entries
            if (since_ms is None or entry.record.measured_at >= since_ms)
            and (until_ms is None or entry.record.measured_at < until_ms)
        ]
        return (min(within), max(within)) if within else (1, 0)

    def of_kinds(
        self, kinds: Collection[Kind], gauges: Collection[str] | None, after: int, through: int
    ) -> Iterator[Entry]:
        """Yield records of these kinds and gauges."""
        for entry in self.entries:
            of_gauge = gauges is None or entry.record.gauge in gauges
            if entry.record.kind in kinds and of_gauge and after < entry.sequence <= through:
                yield entry

    def readings(self, gauge: str, first: int, last: int) -> Iterator[Entry]:
        """Yield a gauge's readings."""
        yield from self.of_kinds((Kind.READING,), (gauge,), first - 1, last)

    def made_of_several(self, characteristic: str, after: int) -> Iterator[Entry]:
        """Yield results and forms of a characteristic."""
        for entry in self.of_kinds((Kind.RESULT, Kind.FORM), None, after, len(self.entries)):
            if entry.record.characteristic == characteristic:
                yield entry

    def at(self, sequences: Iterable[int]) -> Iterator[Entry]:
        """Yield the records with these sequences."""
        for sequence in sorted(set(sequences)):
            if 0 < sequence <= len(self.entries):
                yield self.entries[sequence - 1]
