"""How far the journal has got: what deliveries and live streams wait on, so that nobody polls the disk."""

from __future__ import annotations

import asyncio


class Growth:
    """The journal's head as the event loop knows it. Belongs to one loop; call it from no other thread."""

    def __init__(self, head: int = 0) -> None:
        self._head = head
        self._waiting: set[tuple[int, asyncio.Future[None]]] = set()

    @property
    def head(self) -> int:
        """Sequence of the last record known to be on disk; 0 for an empty journal."""
        return self._head

    def grow(self, to: int) -> None:
        """Say that every record up to `to` is on disk. A smaller number than before changes nothing."""
        if to <= self._head:
            return
        self._head = to
        for sequence, waiter in self._waiting:
            if sequence < to and not waiter.done():
                waiter.set_result(None)

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
