"""The bench with a radio in a thread of its own, for tests that watch a daemon in another process."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Coroutine, Iterator
from typing import Any, TypeVar

from tests.bench_tools.bluetooth.bench import Bench
from tests.bench_tools.bluetooth.bus import private_bus

T = TypeVar("T")


class Aside:
    """A bench, and the loop that it lives on."""

    def __init__(self, bench: Bench, loop: asyncio.AbstractEventLoop) -> None:
        self.bench, self.loop = bench, loop

    def do(self, work: Coroutine[Any, Any, T]) -> T:
        """Do something on the bench, and return what comes of it."""
        return asyncio.run_coroutine_threadsafe(work, self.loop).result(60)

    def wait_until(self, uuid_listened: str) -> None:
        """Wait until somebody subscribed to a characteristic of the first gauge."""
        self.do(self._listened(uuid_listened))

    async def _listened(self, uuid: str) -> None:
        (first, *_) = self.bench.service.peripherals.values()
        async with asyncio.timeout(60):
            while not first.find(uuid).listeners:  # noqa: ASYNC110 - another process subscribes
                await asyncio.sleep(0.02)


@contextlib.contextmanager
def bench_aside() -> Iterator[Aside]:
    """Yield a bench whose service runs on a bus of its own."""
    with private_bus() as bus:
        loop = asyncio.new_event_loop()
        thread = threading.Thread(target=loop.run_forever, name="the bench with a radio")
        thread.start()
        aside = Aside(Bench(bus), loop)
        try:
            aside.do(aside.bench.service.start())
            yield aside
        finally:
            aside.do(aside.bench.service.die())
            loop.call_soon_threadsafe(loop.stop)
            thread.join()
            loop.close()
