"""The journal's last records in memory: read once, however many clients follow them."""

from __future__ import annotations

import asyncio
import json
from collections import deque
from dataclasses import dataclass

from gaugepost.core.publication import publish
from gaugepost.core.record import Entry
from gaugepost.edge.journal import Reader

KEPT = 2000
PAGE = 200


@dataclass(frozen=True, slots=True)
class Followed:
    """A record, and the event that publishes it (WHATWG HTML, 9.2 Server-sent events)."""

    entry: Entry
    event: bytes


class Tail:
    """What was recorded last, in order and without a gap; whoever is further behind reads the journal."""

    def __init__(self, reader: Reader, station: str) -> None:
        self._reader, self._station = reader, station
        self._kept: deque[Followed] = deque(maxlen=KEPT)
        self._reading = asyncio.Lock()

    async def after(self, sequence: int, head: int) -> list[Followed]:
        """Return the next records after `sequence`, at most a page; `head` is known to be on disk."""
        if not self._kept or self._kept[-1].entry.sequence < head:
            async with self._reading:
                await self._extend(head)
        if self._kept and self._kept[0].entry.sequence <= sequence + 1:
            begin = sequence + 1 - self._kept[0].entry.sequence
            return [self._kept[at] for at in range(begin, min(begin + PAGE, len(self._kept)))]
        return await asyncio.to_thread(self._page, sequence)

    async def _extend(self, head: int) -> None:
        last = self._kept[-1].entry.sequence if self._kept else head - 1
        if head - last > KEPT:
            self._kept.clear()
            last = head - KEPT
        while last < head:
            page = await asyncio.to_thread(self._page, last)
            if not page:
                return
            self._kept.extend(page)
            last = page[-1].entry.sequence

    def _page(self, after: int) -> list[Followed]:
        return [Followed(entry, self._event(entry)) for entry in self._reader.entries(after, PAGE)]

    def _event(self, entry: Entry) -> bytes:
        published = publish(entry, self._reader.epoch, self._station)
        data = json.dumps(published, ensure_ascii=False, separators=(",", ":"))
        return f"id: {published['id']}\nevent: {entry.record.kind}\ndata: {data}\n\n".encode()
