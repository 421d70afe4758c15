"""Records go out as they come to be on disk, to a far side that answers for each; the cursor follows now and then.

From the journal's commit to the far side nothing is waited for: no other thread, no disk, no earlier answer. What a
kill leaves between cursor and far side goes out again under its old id.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from gaugepost.contract import Stream
from gaugepost.shell.growth import Growth
from gaugepost.shell.place import Place

KEEP_S = 0.2
"""How often the cursor follows what the far side holds."""

HURRY_S = 0.01
MOST_AT_ONCE = 50
"""Records that are made ready between two turns of the event loop."""


class Streaming:
    """One stream and the cursor behind it."""

    def __init__(
        self,
        stream: Stream,
        place: Place,
        growth: Growth,
        woken: asyncio.Event,
        keep: Callable[[int], asyncio.Future[None]],
    ) -> None:
        """`woken` is set when anything changes; `keep` has the cursor moved by the delivery's thread."""
        self._stream, self._place, self._growth, self._woken, self._keep = stream, place, growth, woken, keep
        self._examined = place.through
        """The last record that was looked at, and sent where it was wanted."""
        self._sent = 0
        self._keeping: asyncio.Future[None] | None = None
        self._look: asyncio.TimerHandle | None = None
        self._kept_at = 0.0

    async def run(self, is_wanted: Callable[[], bool], in_a_hurry: Callable[[], bool]) -> None:
        """Send what comes until the stream is over, `is_wanted` says that it must end, or the memory lacks a record.

        Raises what moving the cursor raises.
        """
        loop = asyncio.get_running_loop()
        try:
            while not (self._stream.over or is_wanted()):
                self._woken.clear()
                if not self._sent_more():
                    break
                self._follow(loop.time(), HURRY_S if in_a_hurry() else KEEP_S)
                if self._growth.head > self._examined and self._stream.room:
                    await asyncio.sleep(0)
                else:
                    await self._woken.wait()
            await self._stream.settle()
        finally:
            if self._look is not None:
                self._look.cancel()
            if self._keeping is not None:
                await self._keeping
        if self._held() > self._place.through:
            await self._keep(self._held())

    def _sent_more(self) -> bool:
        """Send what there is room for; return whether that was possible."""
        room = self._stream.room
        if self._growth.head <= self._examined or not room:
            return True
        lates = self._growth.late(self._examined, min(room, MOST_AT_ONCE))
        if not lates:
            return False
        if records := self._place.published(lates):
            self._stream.send(records)
            self._sent = next(
                late.entry.sequence for late in reversed(lates) if self._place.wants(late.entry.record.kind)
            )
        self._examined = lates[-1].entry.sequence
        return True

    def _held(self) -> int:
        """Return through which sequence the far side has all that it wants."""
        return self._examined if self._stream.held >= self._sent else self._stream.held

    def _follow(self, now: float, pause_s: float) -> None:
        """Have the cursor moved where it is time to, and look again later where it is not."""
        if self._keeping is not None and self._keeping.done():
            self._keeping.result()
            self._keeping = None
        if self._place.through >= self._examined or self._keeping is not None:
            return
        if now >= self._kept_at + pause_s and self._held() > self._place.through:
            self._kept_at = now
            self._keeping = self._keep(self._held())
            self._keeping.add_done_callback(lambda _: self._woken.set())
        elif self._look is None or self._look.when() <= now or self._look.when() > now + pause_s:
            if self._look is not None:
                self._look.cancel()
            loop = asyncio.get_running_loop()
            self._look = loop.call_at(max(now, self._kept_at) + pause_s, self._woken.set)
