"""What every link needs between its device and the event loop: chunks that wait to be taken, and work that may hang."""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import Callable
from typing import TypeVar

from gaugepost.contract import Chunk, LinkLost

MOST_WAITING = 256
"""Chunks read and not yet taken, before reading pauses and the kernel, then the gauge, holds the rest."""
STUCK_S = 5.0
"""How long a device may take not a single byte before it counts as lost."""

T = TypeVar("T")


async def in_thread(work: Callable[[], T], seconds: float, late: Callable[[T], object] | None = None) -> T:
    """Return what `work` returns, done in a thread of its own; what comes after `seconds` goes to `late`.

    Raises:
        TimeoutError: it takes longer. The thread ends when `work` does.
    """
    loop = asyncio.get_running_loop()
    future: asyncio.Future[T] = loop.create_future()

    def post(deliver: Callable[[], object], discard: Callable[[], object]) -> None:
        def arrive() -> None:
            if not future.done():
                deliver()
            else:
                threading.Thread(target=discard, daemon=True).start()

        try:
            loop.call_soon_threadsafe(arrive)
        except RuntimeError:  # the loop is closed: nobody waits any more
            discard()

    def run() -> None:
        try:
            result = work()
        except BaseException as error:  # noqa: BLE001 - raised where the result is waited for
            fault = error
            post(lambda: future.set_exception(fault), lambda: None)
        else:
            post(lambda: future.set_result(result), lambda: late(result) if late else None)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    async with asyncio.timeout(seconds):
        try:
            return await future
        finally:
            if future.done() and not future.cancelled():
                thread.join()


class Inbox:
    """Chunks that were read and not yet taken, and how the stream ended."""

    def __init__(self, taken: Callable[[], None]) -> None:
        self._taken = taken
        self._chunks: deque[Chunk] = deque()
        self._arrived = asyncio.Event()
        self._ended = False
        self._fault: LinkLost | None = None

    def __len__(self) -> int:
        return len(self._chunks)

    def put(self, chunk: Chunk) -> None:
        """Add what was read."""
        self._chunks.append(chunk)
        self._arrived.set()

    def end(self, fault: LinkLost | None = None) -> None:
        """Nothing more comes: the port was lost, or (no fault) closed. The first word counts."""
        if not self._ended:
            self._ended, self._fault = True, fault
            self._arrived.set()

    async def take(self) -> Chunk | None:
        """Return the next chunk; None when the port was closed, `LinkLost` when it was lost, after the last chunk."""
        while not self._chunks:
            if self._ended:
                if self._fault:
                    raise LinkLost(self._fault.finding, hint=self._fault.hint) from self._fault
                return None
            self._arrived.clear()
            await self._arrived.wait()
        chunk = self._chunks.popleft()
        if chunk.trigger is None:  # which took nobody's room
            self._taken()
        return chunk
