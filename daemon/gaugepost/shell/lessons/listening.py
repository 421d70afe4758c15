"""A link that is listened to for a lesson: connected again whenever it is lost, with nothing forgotten meanwhile."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from gaugepost.contract import Chunk, Link, LinkLost
from gaugepost.contract.present import Seeks
from gaugepost.contract.teaching import Tells
from gaugepost.teach import Lesson

FIRST_PAUSE_S = 2.0
"""How long a lost link is left alone at first: by then every decoder takes what was cut off for a frame of its own."""
LONGEST_PAUSE_S = 5.0


class Listening:
    """A link and the lesson that hears it; `told` is told, in words for a person, whenever the link comes or goes."""

    def __init__(self, make_link: Callable[[], Link], told: Callable[[str], None], request: str = "") -> None:
        """`make_link` gives a fresh link for every attempt; `request` is what the gauge is asked with."""
        self._make_link, self._told, self._request = make_link, told, request
        self._link: Link | None = None
        self.lesson = Lesson(None, request)
        self.heard: Callable[[Chunk], None] = lambda chunk: None
        """Is told each chunk after the lesson was."""
        self.description, self.problem = "", ""
        """What is listened to, and what is wrong with it now; empty where nothing is."""

    async def open(self) -> None:
        """Connect for the first time. Raises `LinkLost` where that can't be: nothing was measured yet."""
        self._link = await self._opened()
        tells = self._link.tells() if isinstance(self._link, Tells) else None
        self.lesson = Lesson(tells, self._request)
        self._told(f"listening to {self.description}")

    async def run(self) -> None:
        """Hear the link, after `open`, until cancelled; the link is closed then."""
        try:
            while True:
                await self._until_lost()
                await self._again()
        finally:
            await self.close()

    async def send(self, data: bytes, channel: str) -> None:
        """Send bytes to the gauge. Raises `LinkLost` where it is not connected now."""
        if self._link is None:
            raise LinkLost(self.problem or f"{self.description} is not connected", hint="connect it first")
        await self._link.send(data, channel)

    async def close(self) -> None:
        """Let go of the link; harmless where there is none."""
        link, self._link = self._link, None
        if link is not None:
            await link.close()

    async def _opened(self) -> Link:
        link = self._make_link()
        self.description = link.describe()
        if isinstance(link, Seeks):  # somebody waits for it
            link.seek()
        try:
            await link.open()
        except BaseException:
            await link.close()
            raise
        self.description = link.describe()  # an open link knows where, and maybe which gauge, it is
        return link

    async def _until_lost(self) -> None:
        assert self._link is not None
        try:
            async for chunk in self._link.chunks():
                self.lesson.hear(chunk)
                self.heard(chunk)
            lost = LinkLost(f"{self.description} ended", hint="start it again")
        except LinkLost as fault:
            lost = fault
        await self.close()
        self.problem = str(lost)
        self._told(f"lost: {lost}. What was measured is kept, and it is being connected again")

    async def _again(self) -> None:
        pause_s = FIRST_PAUSE_S
        await asyncio.sleep(pause_s)
        # Who was just typing what came has typed it by now; the rest may be half a frame, so no measurement is of it.
        if self.lesson.skip():
            self._told("what came last and was not typed is left out: send it again")
        while self._link is None:
            try:
                self._link = await self._opened()
            except LinkLost as lost:
                self.problem = str(lost)
                await asyncio.sleep(pause_s)
                pause_s = min(LONGEST_PAUSE_S, pause_s * 2)
        self.problem = ""
        self._told(f"connected again: {self.description}")
