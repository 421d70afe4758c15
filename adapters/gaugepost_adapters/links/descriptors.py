"""A descriptor read on the event loop: wakes for what comes, and leaves it to the kernel while nobody takes it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from gaugepost.contract import Chunk, LinkLost
from gaugepost_adapters.links.inbox import MOST_WAITING, Inbox


class Watched:
    """An open descriptor: `read` is called whenever it has something, but not while too much waits in `inbox`."""

    def __init__(self, descriptor: int, read: Callable[[], None]) -> None:
        self._descriptor, self._read = descriptor, read
        self._loop = asyncio.get_running_loop()
        self.reading = self.stopped = False
        self.inbox = Inbox(self.read_on)

    def read_on(self) -> None:
        """Read as long as there is room; harmless while it is read, and when it has ended."""
        if not self.reading and not self.stopped and len(self.inbox) <= MOST_WAITING // 2:
            self.reading = True
            self._loop.add_reader(self._descriptor, self._read)

    def put(self, chunk: Chunk) -> None:
        """Add what was read; reading pauses where there is no more room."""
        self.inbox.put(chunk)
        if len(self.inbox) >= MOST_WAITING:
            self._pause()

    def end(self, fault: LinkLost | None = None) -> None:
        """Read no more; what was read can still be taken."""
        self._pause()
        self.stopped = True
        self.inbox.end(fault)

    def _pause(self) -> None:
        if self.reading:
            self.reading = False
            self._loop.remove_reader(self._descriptor)
