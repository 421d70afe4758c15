"""What tracing asks of a journal: few records among very many, each question answered by an index."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import islice

from gaugepost.core.bench import State
from gaugepost.core.record import Entry, Kind
from gaugepost.edge.journal.codec import decode
from gaugepost.edge.journal.reader import Reader
from gaugepost.edge.kept.state import archived_state

PAGE = 500
"""Records that are read in one go."""
_NUMBER = "(SELECT number FROM names WHERE name = ?)"

OF_KINDS = "SELECT sequence FROM records WHERE kind IN ({kinds}) AND sequence > ? AND sequence <= ?"
OF_GAUGES = " AND +gauge IN ({gauges})"
READINGS = f"""SELECT sequence, hash, body FROM records
    WHERE gauge = {_NUMBER} AND +kind = {_NUMBER} AND sequence >= ? AND sequence <= ? ORDER BY sequence LIMIT ?"""  # noqa: S608
SEVERAL = f"""SELECT sequence, hash, body FROM records
    WHERE characteristic = {_NUMBER} AND +kind IN ({_NUMBER}, {_NUMBER}) AND sequence > ?
    ORDER BY sequence LIMIT ?"""  # noqa: S608
AT = "SELECT sequence, hash, body FROM records WHERE sequence IN ({places}) ORDER BY sequence"


class Lookup:
    """A journal as `core.bench.tracing` looks things up in it. What a reader raises comes through."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._base = reader.base[0]

    def beginning(self) -> State:
        """Return the bench as archived records left it; a new one where none are."""
        return archived_state(self._reader)

    def span(self, since_ms: int | None, until_ms: int | None) -> tuple[int, int]:
        """Return first and last sequence of what was recorded in a period, (1, 0) where nothing was."""
        if since_ms is None and until_ms is None:
            return self._base + 1, self._reader.head()[0]
        return self._reader.span(since_ms, until_ms)

    def of_kinds(
        self, kinds: Collection[Kind], gauges: Collection[str] | None, after: int, through: int
    ) -> Iterator[Entry]:
        """Yield records of kinds that are rarer than readings, of these gauges, where any are named."""
        query = OF_KINDS.format(kinds=", ".join([_NUMBER] * len(kinds)))
        values: list[object] = [*map(str, kinds), max(after, self._base), through]
        if gauges is not None:
            query += OF_GAUGES.format(gauges=", ".join([_NUMBER] * len(gauges)))
            values += gauges
        with self._reader.connection() as db:
            sequences = sorted(sequence for (sequence,) in db.execute(query, values))
        return self._at(sequences)

    def readings(self, gauge: str, first: int, last: int) -> Iterator[Entry]:
        """Yield a gauge's readings."""
        first = max(first, self._base + 1)
        while first <= last:
            with self._reader.connection() as db:
                rows = db.execute(READINGS, (gauge, Kind.READING.value, first, last, PAGE)).fetchall()
            yield from map(_entry, rows)
            if len(rows) < PAGE:
                return
            first = rows[-1][0] + 1

    def made_of_several(self, characteristic: str, after: int) -> Iterator[Entry]:
        """Yield results and forms of a characteristic."""
        wanted, after = (characteristic, Kind.RESULT.value, Kind.FORM.value), max(after, self._base)
        while True:
            with self._reader.connection() as db:
                rows = db.execute(SEVERAL, (*wanted, after, PAGE)).fetchall()
            yield from map(_entry, rows)
            if len(rows) < PAGE:
                return
            after = rows[-1][0]

    def at(self, sequences: Iterable[int]) -> Iterator[Entry]:
        """Yield the records with these sequences, those that there are."""
        return self._at(sorted({each for each in sequences if each > self._base}))

    def _at(self, sequences: Sequence[int]) -> Iterator[Entry]:
        left = iter(sequences)
        while page := list(islice(left, PAGE)):
            query = AT.format(places=", ".join("?" * len(page)))
            with self._reader.connection() as db:
                rows = db.execute(query, page).fetchall()
            yield from map(_entry, rows)


def _entry(row: tuple[int, bytes, bytes]) -> Entry:
    return Entry(row[0], row[1], decode(row[2]))
