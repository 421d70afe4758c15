"""Exchanges: one question at a time on a link, and an answer that counts only as the answer to its own question.

    ask 01 ──► answer 01                          passed on
    ask 01 ──► (answer_within) ──► answer 01      a bad frame: too late, whatever was asked since
    ask 01 ──► answer 02                          a bad frame: not what was asked

A channel whose answer did not come is left alone until that answer can no longer be taken for the next one.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

from gaugepost.contract import BadFrame, Decoded, Indication, Link, LinkLost, Temperature

LATE_S = 2.0
"""How long after its time an answer may still come, where the time was not longer itself."""


class Exchanges:
    """The questions of one link. Channels that are not in `within_s` send by themselves and are left alone."""

    def __init__(
        self,
        within_s: Mapping[str, float],
        scheduled: Callable[[str], bool],
        can_ask: Callable[[str], bool],
        missed: Callable[[str], None],
    ) -> None:
        """`within_s`: how long each channel's answer is waited for. `scheduled`: whether one sends when asked only.

        `missed` is told the channel of each answer that did not come in time.
        """
        self.unanswered: dict[str, int] = {}
        """By channel, how many questions in a row had no answer."""
        self._within_s, self._scheduled, self._can_ask, self._missed = within_s, scheduled, can_ask, missed
        self._turn = asyncio.Lock()
        self._open: object | None = None
        """Stands for the question that waits for its answer."""
        self._channel = ""
        self._timer: asyncio.TimerHandle | None = None
        self._owed_until: dict[str, float] = {}

    def serve(self, within_s: Mapping[str, float]) -> None:
        """Go on with other channels; a question that is open keeps the time that it was given."""
        self._within_s = within_s
        self._owed_until = {one: until for one, until in self._owed_until.items() if one in within_s}

    async def ask(self, link: Link, request: bytes, channel: str) -> None:
        """Send a question as soon as the link is free for it. Raises `LinkLost`."""
        loop = asyncio.get_running_loop()
        within_s = self._within_s.get(channel)
        if within_s is None:
            async with self._turn:
                await link.send(request, channel)
            return
        while True:
            await asyncio.sleep(max(0.0, self._owed_until.get(channel, 0.0) - loop.time()))
            await self._turn.acquire()
            if self._owed_until.get(channel, 0.0) <= loop.time():
                break
            self._turn.release()
        self._owed_until.pop(channel, None)
        question = self._open = object()
        self._channel = channel
        try:
            await link.send(request, channel)
        except BaseException:
            self._end(question)
            raise
        if self._open is question:
            self._timer = loop.call_later(within_s, self._miss, question)

    async def keep_asking(
        self, link: Link, request: bytes, channel: str, every_s: float, may: Callable[[], bool]
    ) -> None:
        """Ask a channel every so often while `may`, until cancelled. What is behind its time is left out."""
        loop = asyncio.get_running_loop()
        at = loop.time()
        while True:
            if may():
                try:
                    await self.ask(link, request, channel)
                except (
                    LinkLost
                ):  # the link's reader finds it gone, too; one that only takes nothing is not answered
                    self._count_miss(channel)
            at = max(at + every_s, loop.time())
            await asyncio.sleep(at - loop.time())

    def admit(self, decoded: list[Decoded]) -> list[Decoded]:
        """Return what counts of a decoder's events: a value that nobody waits for is a bad frame."""
        admitted: list[Decoded] = []
        frame: list[Decoded] = []
        for event in decoded:
            frame.append(event)
            if event.raw:  # where a frame gives several events, the last one keeps its bytes
                admitted += self._admit_frame(frame)
                frame = []
        return admitted + frame

    def forget(self) -> None:
        """The link is lost: nothing that was asked will be answered."""
        self._owed_until.clear()
        self.unanswered.clear()
        if self._open is not None:
            self._end(self._open)

    def _admit_frame(self, frame: list[Decoded]) -> list[Decoded]:
        if isinstance(frame[-1], BadFrame):
            return frame
        channels = {event.channel for event in frame}
        if self._open is not None and self._channel in channels:
            self.unanswered.pop(self._channel, None)
            self._end(self._open)
            return frame
        now = asyncio.get_running_loop().time()
        owed = next((one for one in channels if self._owed_until.get(one, 0.0) > now), None)
        if owed is not None:
            del self._owed_until[owed]
        if not any(isinstance(event, Indication | Temperature) for event in frame):
            return frame  # what a gauge says about itself needs no question
        asked_for = [one for one in channels if one in self._within_s]
        if not asked_for:
            return frame
        if owed is not None:
            reason = f"an answer later than {self._within_s[owed]:g} s after its question: see answer_within"
        elif self._open is not None and any(self._can_ask(one) for one in asked_for):
            reason = f"not an answer to the question that channel {self._channel!r} was asked"
        elif any(map(self._scheduled, asked_for)):
            reason = "nothing was asked: a gauge with ask_every counts only when it answers"
        else:
            return frame
        return [BadFrame(reason, frame[-1].raw, frame[-1].channel)]

    def _miss(self, question: object) -> None:
        if self._open is question:
            late_s = max(LATE_S, self._within_s.get(self._channel, 0.0))
            self._owed_until[self._channel] = asyncio.get_running_loop().time() + late_s
            self._end(question)
            self._count_miss(self._channel)

    def _count_miss(self, channel: str) -> None:
        self.unanswered[channel] = self.unanswered.get(channel, 0) + 1
        self._missed(channel)

    def _end(self, question: object) -> None:
        if self._open is not question:
            return
        self._open = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._turn.release()
