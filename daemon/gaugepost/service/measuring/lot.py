"""What stands of the lot in hand, piece by piece: kept in memory and led on by what is recorded.

A void, an amendment, what was judged again and a failed check show at once; nothing that was measured goes away.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from gaugepost.core.publication import publish
from gaugepost.core.record import Entry, Kind
from gaugepost.edge.journal import Reader
from gaugepost.service.measuring.shown import with_shown
from gaugepost.service.views import Document

MOST = 4000
"""Records of the lot that are looked at, the last ones: about a shift's."""
_PAGE = 1000
_MEASURED = (Kind.READING, Kind.RESULT, Kind.AMENDMENT, Kind.REJUDGED)
_DOUBTS = (Kind.SUSPECT, Kind.LIFTED)
_KINDS = (*_MEASURED, Kind.VOID, Kind.FORM, *_DOUBTS)


@dataclass(slots=True)
class Measured:
    """A measurement of the lot, and what became of it."""

    entry: Entry
    document: Document
    replaced: Kind | None = None
    """What replaced it: a void, an amendment, or that it was judged again."""
    suspect: bool = False

    @property
    def stands(self) -> bool:
        """Whether nothing replaced it."""
        return self.replaced is None

    @property
    def combined(self) -> bool:
        """Whether it is a result of several readings."""
        record = self.entry.record
        return record.kind is Kind.RESULT or (record.kind is Kind.REJUDGED and record.code == Kind.RESULT)


@dataclass(slots=True)
class LotInHand:
    """The measurements of one lot. Reads the disk: for a thread, one at a time."""

    reader: Reader
    station: str
    lot: str | None = None
    through: int = -1
    """The last record that was looked at; -1 before any."""
    measured: dict[int, Measured] = field(default_factory=dict)
    pieces: dict[str | None, dict[int, Measured]] = field(default_factory=dict)
    doubts: dict[int, Entry] = field(default_factory=dict)
    turn: int = 0
    """Another number after whatever may have changed more than one piece."""
    _gone: dict[int, Kind] = field(default_factory=dict)
    """By the sequence of a measurement that is not known here, what replaced it."""

    def follow(self, lot: str | None, head: int) -> None:
        """Look at what was recorded up to `head`, or at another lot from its beginning."""
        if lot != self.lot or self.through < 0:
            self._begin(lot, head)
            return
        while self.through < head:
            entries = self.reader.entries(self.through, _PAGE, kinds=_KINDS)
            self._take(entries)
            self.through = entries[-1].sequence if len(entries) == _PAGE else head

    def _begin(self, lot: str | None, head: int) -> None:
        self.lot, self.through = lot, head
        self.turn += 1
        for known in (self.measured, self.pieces, self.doubts, self._gone):
            known.clear()
        of_lot = self.reader.latest(MOST, kinds=(*_MEASURED, Kind.VOID), lot=lot)
        doubts = self.reader.latest(_PAGE, kinds=_DOUBTS)
        self._take(sorted([*of_lot, *doubts], key=lambda entry: entry.sequence))
        self.through = max(head, *(entry.sequence for entry in (*of_lot, *doubts)), 0)

    def _take(self, entries: Iterable[Entry]) -> None:
        doubted = False
        for entry in entries:
            record = entry.record
            if record.kind in _DOUBTS:
                doubted = True
                self._doubt(entry)
                continue
            if record.replaces is not None:
                self._replace(record.replaces, record.kind)
            if record.kind in _MEASURED and record.code != Kind.FORM and record.lot == self.lot:
                published = publish(entry, self.reader.epoch, self.station)
                made = Measured(entry, with_shown(published), self._gone.pop(entry.sequence, None))
                self.measured[entry.sequence] = made
                self.pieces.setdefault(record.piece, {})[entry.sequence] = made
                doubted = doubted or bool(self.doubts)
        if doubted:
            self._cast()

    def _replace(self, sequence: int, by: Kind) -> None:
        known = self.measured.get(sequence)
        if known is None:
            self._gone[sequence] = by
        else:
            known.replaced = by
            self.turn += 1

    def _doubt(self, entry: Entry) -> None:
        if entry.record.kind is Kind.SUSPECT:
            self.doubts[entry.sequence] = entry
        elif entry.record.replaces is not None:
            self.doubts.pop(entry.record.replaces, None)

    def _cast(self) -> None:
        """Mark what the doubts that stand are about; what was amended or judged again is doubted as it was measured."""
        self.turn += 1
        ranges = [
            (each.record.gauge, each.record.first or 0, each.record.last or 0)
            for each in self.doubts.values()
        ]
        for one in self.measured.values():
            first = self._first(one).entry
            one.suspect = any(
                gauge == first.record.gauge and since <= first.sequence <= until
                for gauge, since, until in ranges
            )

    def _first(self, one: Measured) -> Measured:
        while (before := self.measured.get(one.entry.record.replaces or -1)) is not None:
            one = before
        return one
