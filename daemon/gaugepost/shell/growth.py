"""How far the journal has got: what deliveries and live streams wait on, so that nobody polls the disk.

The records of late are at hand here, so that not every delivery reads and publishes them for itself.
"""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import Callable, Iterable
from itertools import islice

from gaugepost.contract import Publication
from gaugepost.core.publication import publish
from gaugepost.core.record import Entry

KEPT = 2000
"""Records of late that are kept in memory: about 8 MB. Whoever is further behind reads the journal."""


class Late:
    """A record of late, published once for all who want it."""

    __slots__ = ("_published", "entry")

    def __init__(self, entry: Entry) -> None:
        self.entry = entry
        self._published: Publication | None = None

    def published(self, epoch: str, station: str) -> Publication:
        """Return it as published; the same object to everybody, so nobody may change it."""
        published = self._published
        if published is None:
            published = self._published = publish(self.entry, epoch, station)
        return published


class Growth:
    """The journal's head as the event loop knows it. Belongs to one loop; `late` alone is for every thread."""

    def __init__(self, head: int = 0) -> None:
        self._head = head
        self._waiting: set[tuple[int, asyncio.Future[None]]] = set()
        self._watching: set[Callable[[], object]] = set()
        self._late: deque[Late] = deque(maxlen=KEPT)
        self._guard = threading.Lock()

    @property
    def head(self) -> int:
        """Sequence of the last record known to be on disk; 0 for an empty journal."""
        return self._head

    def grow(self, to: int, entries: Iterable[Entry] = ()) -> None:
        """Say that every record up to `to` is on disk; `entries` are the last of them, as far as they are known.

        A smaller number than before changes nothing.
        """
        if to <= self._head:
            return
        fresh = [Late(entry) for entry in entries]
        with self._guard:
            kept = self._late
            if not fresh or (kept and kept[-1].entry.sequence + 1 != fresh[0].entry.sequence):
                kept.clear()  # what is kept has no gaps
            kept.extend(fresh)
        self._head = to
        for sequence, waiter in self._waiting:
            if sequence < to and not waiter.done():
                waiter.set_result(None)
        for watcher in self._watching:
            watcher()

    def late(self, after: int, limit: int) -> list[Late] | None:
        """Return the first `limit` records above sequence `after`; None where the first of them is not kept."""
        with self._guard:
            kept = self._late
            if not kept or kept[0].entry.sequence > after + 1:
                return None
            begin = after + 1 - kept[0].entry.sequence
            return list(islice(kept, begin, begin + limit))

    def watch(self, watcher: Callable[[], object]) -> None:
        """Call `watcher` at every growth, until `leave`."""
        self._watching.add(watcher)

    def leave(self, watcher: Callable[[], object]) -> None:
        """Call `watcher` no more."""
        self._watching.discard(watcher)

    async def wait_beyond(self, sequence: int) -> int:
        """Return the head as soon as it is greater than `sequence`; at once where it already is."""
        if self._head <= sequence:
            waiter = asyncio.get_running_loop().create_future()
            self._waiting.add((sequence, waiter))
            try:
                await waiter
            finally:
                self._waiting.discard((sequence, waiter))
        return self._head
