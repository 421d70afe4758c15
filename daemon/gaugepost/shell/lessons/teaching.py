"""A lesson at work: a link that is heard, a gauge that is asked where it wants that, and what a person types."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import suppress

from gaugepost.contract import Chunk, Link, LinkLost
from gaugepost.core.errors import CommandRefused, ValueRefused
from gaugepost.shell.lessons.arriving import Arrivals, Came
from gaugepost.shell.lessons.listening import Listening
from gaugepost.teach import CAN_NEVER, Lesson, read_request, read_typed

LATE_S = 0.3
"""How long after a line was typed, or after the last byte, chunks still belong to it: some gauges send late."""
ANSWER_S = 3.0
"""How long an answer is waited for, and how long it may go on."""
SEND_S = 10.0
"""How long a link may take to send a request."""


class Teaching:
    """A lesson and the link that it is of. `said` is told when the link comes or goes, `came` what comes over it."""

    def __init__(
        self,
        make_link: Callable[[], Link],
        said: Callable[[str], None],
        came: Callable[[Came], None],
        *,
        request: str = "",
        channel: str = "",
    ) -> None:
        """`make_link` gives a fresh link for every attempt; `request` asks a gauge, over `channel`, that needs it.

        Raises:
            ValueRefused: the request can't be one.
        """
        self.request, self.channel = request, channel
        self._asking = read_request(request)
        self._listening = Listening(make_link, said, request)
        self._arrivals = Arrivals(lambda: len(self.lesson.samples) + 1, came)
        self._listening.heard = self._heard
        self._came = asyncio.Event()
        self._turn = asyncio.Lock()

    @property
    def lesson(self) -> Lesson:
        """What was heard and typed."""
        return self._listening.lesson

    @property
    def description(self) -> str:
        """What is listened to, in words."""
        return self._listening.description

    @property
    def problem(self) -> str:
        """What is wrong with the link now; empty where nothing is."""
        return self._listening.problem

    async def open(self) -> None:
        """Connect. Raises `LinkLost` where that can't be."""
        await self._listening.open()

    async def run(self) -> None:
        """Hear the link, after `open`, until cancelled; the link is closed then."""
        try:
            await self._listening.run()
        finally:
            self._arrivals.close()

    async def close(self) -> None:
        """Let go of a link that was opened and never run."""
        await self._listening.close()

    async def typed(self, text: str) -> int:
        """Take what the display shows for what came, or is answered now; return the measurement's number.

        A gauge that has to be asked is asked here, so that the answer is of what was typed.

        Raises:
            ValueRefused: no display shows that, or so much came that no search takes it.
            CommandRefused: nothing came, or it can't be asked.
        """
        shows = read_typed(text)
        async with self._turn:
            if self._asking:
                self.lesson.skip()
                await self._answer()
            else:
                await asyncio.sleep(LATE_S)
            if not self.lesson.show(shows):
                raise self._nothing()
            return len(self.lesson.samples)

    async def ask(self) -> None:
        """Ask the gauge now: what it answers is shown as it comes, and belongs to no measurement.

        Raises:
            CommandRefused: it can't be asked.
        """
        async with self._turn:
            self.lesson.skip()
            await self._answer()
            self.lesson.skip()

    def skip(self) -> bool:
        """Let what came since the last measurement belong to none; False where nothing came."""
        return self.lesson.skip()

    def drop(self, number: int) -> None:
        """Take measurement `number` back. Raises `ValueRefused` where there is none such."""
        self.lesson.drop(number)

    def never(self, word: str) -> None:
        """Take it that the gauge can't show this: a word of `CAN_NEVER`. Raises `ValueRefused` where it is none."""
        if word not in CAN_NEVER:
            raise ValueRefused(
                f"{word[:40]!r} is nothing that a gauge can't show", hint=f"one of {', '.join(CAN_NEVER)}"
            )
        self.lesson.never(CAN_NEVER[word])

    def _heard(self, chunk: Chunk) -> None:
        self._came.set()
        self._arrivals.add(chunk)

    async def _answer(self) -> None:
        """Ask, and wait until an answer has come and nothing follows it."""
        if not self._asking:
            raise CommandRefused(
                "nothing is known that would ask this gauge", hint="press its own button, or give its request"
            )
        self._came.clear()
        try:
            async with asyncio.timeout(SEND_S):
                await self._listening.send(self._asking, self.channel)
        except LinkLost as lost:
            raise CommandRefused(lost.finding, hint=lost.hint) from lost
        except TimeoutError as late:
            raise CommandRefused(
                f"{self.description} took no request within {SEND_S:g} s", hint="see cable and flow control"
            ) from late
        with suppress(TimeoutError):
            async with asyncio.timeout(ANSWER_S):
                await self._came.wait()
        with suppress(TimeoutError):
            async with asyncio.timeout(ANSWER_S):
                while self._came.is_set():
                    self._came.clear()
                    await asyncio.sleep(LATE_S)

    def _nothing(self) -> CommandRefused:
        if self.problem:
            return CommandRefused(self.problem)
        if self._asking:
            return CommandRefused(
                "the gauge did not answer to its request",
                hint="see its request, its terminator, baud and cable",
            )
        return CommandRefused(
            "nothing came from the gauge", hint="send the value, then type it; else see baud and cable"
        )
