"""Where a destination stands in the journal, and what is to be handed over next: kept on disk before it is done."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Protocol

from gaugepost.contract import Publication
from gaugepost.core.errors import CommandRefused, JournalError
from gaugepost.core.publication import Epoch, record_id
from gaugepost.core.record import Entry, Kind
from gaugepost.edge.asides import Asides, By, Counts
from gaugepost.edge.cursors import Batch, Cursors, Start
from gaugepost.shell.growth import KEPT, Growth, Late

BATCH_RECORDS = 500

Found = tuple[list[Publication], int]
"""A batch, and the sequence up to which the journal was looked through for it."""


class Source(Protocol):
    """The journal as a delivery reads it, from one worker thread."""

    @property
    def epoch(self) -> str: ...

    @property
    def station(self) -> str: ...

    def head(self) -> tuple[int, bytes]: ...

    def entry(self, sequence: int) -> Entry | None: ...

    def entries(
        self, after: int, limit: int, *, kinds: Iterable[str] | None = None, since_ms: int | None = None
    ) -> Sequence[Entry]: ...


class WrongJournal(Exception):
    """The journal can't be the one that the cursor was moved through."""


class Place:
    """One destination's cursor and what it has set aside.

    The methods block on the disk: call them from one worker thread. They raise `Unreachable` where cursors, and
    `JournalError` where the journal can't be read or written. The attributes may be looked at from any thread.
    """

    def __init__(
        self,
        name: str,
        source: Source,
        cursors: Cursors,
        kinds: Iterable[Kind] | None,
        start: Start | int,
        utc_ms: Callable[[], int],
        growth: Growth,
    ) -> None:
        """`kinds` are wanted (None: all). `start` is where a new destination begins; a number is a time (UTC, ms)."""
        self.name = name
        self.through = 0
        self.pending: Batch | None = None
        self.counts = Counts()
        self._source, self._cursors, self._asides = source, cursors, Asides(cursors)
        self._kinds = None if kinds is None else tuple(sorted(set(kinds)))
        self._start = start
        self._utc_ms = utc_ms
        self._growth = growth
        self._left_out: Mapping[int, int] = {}
        self._ahead: tuple[int, list[Late], int] | None = None
        """What was read ahead: after which sequence, the records, and up to where the journal was looked through."""

    @property
    def epoch(self) -> str:
        """The journal's epoch."""
        return self._source.epoch

    def read(self) -> bool:
        """Read the cursor; False where it is to begin at a time that no record has reached yet.

        Raises:
            WrongJournal: the journal ends before the cursor.
        """
        head, start = self._source.head()[0], self._start
        # A time is looked for once: a clock that is wrong later must not hold records back.
        if isinstance(start, int) and not self._cursors.begun(self.name, self.epoch):
            first = self._source.entries(0, 1, since_ms=start)
            if not first:
                self.through = head
                return False
            cursor = self._cursors.cursor(self.name, self.epoch, start=first[0].sequence - 1, head=head)
        else:
            cursor = self._cursors.cursor(self.name, self.epoch, start=start, head=head)
        self.through, self.pending = cursor.through, cursor.pending
        self._recount()
        if cursor.through > head:
            raise WrongJournal(
                f"the cursor stands at {cursor.through} and the journal ends at {head}: an older copy of the journal "
                f"was put in its place; `gaugepost salvage` makes a new journal of that copy, in which new records get "
                f"ids of their own"
            )
        return True

    def next(self) -> Found:
        """Return the next batch, its boundaries kept."""
        if self.pending is not None:
            return self._published(map(Late, self._entries_of(self.pending))), self.pending.last
        batch, lates, examined = self._following(self.through)
        if batch is not None:
            self._cursors.begin(self.name, self.epoch, batch)
            self.pending = batch
        return self._published(lates), examined

    def move(self, through: int, refused: Sequence[tuple[int, str]]) -> Found | None:
        """Move the cursor to `through`, ending the batch; what was `refused` is set aside with its answers.

        Where more records wait, the next batch is begun in the same transaction and returned.
        """
        following: tuple[Batch | None, list[Late], int] = (None, [], through)
        with contextlib.suppress(JournalError):  # what is settled is kept all the same; `next` comes upon it
            following = self._following(through)
        batch, lates, examined = following
        count = self._cursors.advance(self.name, self.epoch, through, refused, self._utc_ms(), batch)
        self.counts = Counts(count, self.counts.skipped, self.counts.again)
        self.through, self.pending = through, batch
        return None if batch is None else (self._published(lates), examined)

    def keep(self, through: int) -> None:
        """Move the cursor to `through`, which the far side holds, where no batch is under way."""
        self._cursors.advance(self.name, self.epoch, through)
        self.through = through

    @property
    def is_plain(self) -> bool:
        """Whether nothing but what comes next is to be handed over: no batch again, nothing left out, nothing asked."""
        return self.pending is None and not self._left_out and not self.counts.again

    def published(self, lates: Iterable[Late]) -> list[Publication]:
        """Return those of `lates` that are wanted, as published. Does not block."""
        return self._published(late for late in lates if self.wants(late.entry.record.kind))

    def wants(self, kind: Kind) -> bool:
        """Whether the destination wants records of `kind`."""
        return self._kinds is None or kind in self._kinds

    def read_ahead(self, after: int) -> None:
        """Read and publish what comes after `after`; its boundaries are kept when its turn comes, not yet."""
        self._ahead = None
        with contextlib.suppress(JournalError):  # whoever needs it comes upon it
            lates, examined = self._of_late(after) or self._of_journal(after)
            self._published(lates)
            self._ahead = after, lates, examined

    def _following(self, after: int) -> tuple[Batch | None, list[Late], int]:
        """Return what comes after `after`: a batch, its records, and up to where the journal was looked through."""
        ahead, self._ahead = self._ahead, None
        if ahead is not None and ahead[0] == after:
            _, lates, examined = ahead
        else:
            lates, examined = self._of_late(after) or self._of_journal(after)
        border = self.epoch.last(after + 1) if isinstance(self.epoch, Epoch) else None
        if border is not None and border < examined:  # a batch is of one epoch: ids in it ascend
            lates, examined = [late for late in lates if late.entry.sequence <= border], border
        skips = [
            self._left_out[late.entry.sequence] for late in lates if late.entry.sequence in self._left_out
        ]
        if skips:
            lates = [late for late in lates if late.entry.sequence not in self._left_out]
        if not lates:
            return None, [], examined
        first, last = lates[0].entry.sequence, lates[-1].entry.sequence
        # What a far side remembers of a key must be true of the batch: without the skipped ones it is another one.
        key = f"{self.epoch}-{first}-{last}" + (f"-skip-{max(skips)}" if skips else "")
        return Batch(first, last, key, self._kinds), lates, examined

    def _of_late(self, after: int) -> tuple[list[Late], int] | None:
        found = self._growth.late(after, BATCH_RECORDS if self._kinds is None else KEPT)
        if found is None:
            return None
        wanted = (
            found
            if self._kinds is None
            else [late for late in found if late.entry.record.kind in self._kinds]
        )
        if len(wanted) < BATCH_RECORDS:
            return wanted, found[-1].entry.sequence if found else after
        return wanted[:BATCH_RECORDS], wanted[BATCH_RECORDS - 1].entry.sequence

    def _of_journal(self, after: int) -> tuple[list[Late], int]:
        head = self._source.head()[0]
        entries = self._source.entries(after, BATCH_RECORDS, kinds=self._kinds)
        full = len(entries) == BATCH_RECORDS
        examined = entries[-1].sequence if full else max([head, *(entry.sequence for entry in entries[-1:])])
        return [Late(entry) for entry in entries], examined

    def again(self) -> tuple[list[Publication], Batch] | None:
        """Return records that were refused and are to be handed over again, and the batch they are."""
        found = self._asides.again(self.name, self.epoch, BATCH_RECORDS)
        if found is None:
            return None
        number, sequences = found
        lates = [Late(self._entry(sequence)) for sequence in sequences]
        first, last = sequences[0], sequences[-1]
        return self._published(lates), Batch(first, last, f"again-{number}-{self.epoch}-{first}-{last}", None)

    def answered(self, sequences: Sequence[int], refused: Sequence[tuple[int, str]]) -> None:
        """Take what was handed over again off the list, except what was `refused` once more."""
        self.counts = self._asides.answered(self.name, self.epoch, sequences, refused, self._utc_ms())

    def tried(self, by: By) -> None:
        """Keep that somebody wanted the destination tried at once."""
        self._asides.tried(self.name, self.epoch, by)

    def ask_again(self, sequences: Sequence[int] | None, by: By) -> int:
        """Have refused records, or all of them, handed over again; return how many. Raises `CommandRefused`."""
        count = self._asides.ask_again(self.name, self.epoch, sequences, by)
        self.counts = self._asides.counts(self.name, self.epoch)
        return count

    def skip(self, epoch: str, sequences: Sequence[int], by: By) -> int:
        """Skip records that are set aside or in the batch under way; return how many. Raises `CommandRefused`."""
        under_way = self._under_way() if epoch == self.epoch else frozenset()
        if self._asides.skip(self.name, epoch, sequences, under_way, by):
            self.pending = None
        self._recount()
        return len(set(sequences))

    def skip_batch(self, key: str, by: By) -> int:
        """Skip every record of the batch under way, if `key` is its key; return how many. Raises `CommandRefused`."""
        if self.pending is None or self.pending.key != key:
            raise CommandRefused(
                f"the batch {key[:100]} is not under way at {self.name}",
                hint=f"the one that is: {self.pending.key}" if self.pending else "none is under way",
            )
        return self.skip(self.epoch, sorted(self._under_way()), by)

    def _recount(self) -> None:
        self.counts = self._asides.counts(self.name, self.epoch)
        self._left_out = self._asides.left_out(self.name, self.epoch, self.through)

    def _under_way(self) -> frozenset[int]:
        if self.pending is None:
            return frozenset()
        return frozenset(entry.sequence for entry in self._entries_of(self.pending))

    def _entries_of(self, batch: Batch) -> list[Entry]:
        found = self._source.entries(batch.first - 1, batch.last - batch.first + 1, kinds=batch.kinds)
        return [e for e in found if e.sequence <= batch.last and e.sequence not in self._left_out]

    def _entry(self, sequence: int) -> Entry:
        entry = self._source.entry(sequence)
        if entry is None:
            raise JournalError(
                f"{record_id(self.epoch, sequence)} is not in the journal",
                hint="keep the journal's file, and run `gaugepost verify`",
            )
        return entry

    def _published(self, lates: Iterable[Late]) -> list[Publication]:
        return [late.published(self.epoch, self._source.station) for late in lates]
