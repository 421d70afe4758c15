"""Commands that come where records go out: one source kept connected, its commands carried out one after the other.

It decides nothing about a command: what carries them out is given, and answers everything. A source that is lost is
connected again with growing pauses; one that does what its contract rules out ends, with its cause, and delays nobody.
"""

from __future__ import annotations

import asyncio
import random as chance
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass, replace
from typing import Literal

import structlog

from gaugepost.contract import Asked, Unreachable
from gaugepost.shell.patience import asked_s, pause_s

TURN_S = 0.02
"""Pause after each command: a flood of them takes turns with gauges and deliveries, at most fifty a second."""

ENDING_S = 2.0
"""How long a command that is under way may take to be answered when the service ends."""

CarryOut = Callable[[str, bytes], Awaitable[Mapping[str, object]]]
"""Carries out the command of a name with what was sent, and returns the answer; raises nothing for what is asked."""

log = structlog.get_logger(__name__)


@dataclass(frozen=True, slots=True)
class CommandStatus:
    """How the commands of one destination stand, as shown to a person."""

    destination: str
    state: Literal["connecting", "listening", "unreachable", "broken"]
    since_ms: int
    """Wall time (UTC, ms) since which the state is what it is."""
    last_error: str
    accepted: int
    refused: int


class CommandIntake:
    """A source of commands, and the task that has them carried out."""

    def __init__(
        self,
        destination: str,
        connect: Callable[[], AbstractAsyncContextManager[AsyncIterator[Asked]]],
        utc_ms: Callable[[], int],
        random: Callable[[], float] = chance.random,
    ) -> None:
        """`connect` gives a fresh connection for every attempt; `random` yields numbers in [0, 1)."""
        self.destination = destination
        self._connect, self._utc_ms, self._random = connect, utc_ms, random
        self._status = CommandStatus(destination, "connecting", utc_ms(), "", 0, 0)

    def status(self) -> CommandStatus:
        """Return how it stands."""
        return self._status

    async def run(self, carry_out: CarryOut) -> None:
        """Have commands carried out until cancelled, or until the source breaks its contract."""
        paused_s = 0.0
        while self._status.state != "broken":
            try:
                async with self._connect() as commands:
                    self._turn("listening", "")
                    paused_s = 0.0
                    async for asked in commands:
                        await self._answer(asked, carry_out)
                        await asyncio.sleep(TURN_S)
                raise AssertionError("the commands ended without a reason")  # noqa: TRY301 - as any other bug of it
            except Unreachable as cause:
                self._turn("unreachable", str(cause))
                paused_s = pause_s(paused_s, self._random)
                await asyncio.sleep(asked_s(cause) + paused_s)
            except Exception as cause:
                log.exception("no more commands from a source that is broken", destination=self.destination)
                self._turn("broken", f"{type(cause).__name__}: {cause}")

    async def _answer(self, asked: Asked, carry_out: CarryOut) -> None:
        task = asyncio.ensure_future(carry_out(asked.name, asked.body))
        try:
            answer = await asyncio.shield(task)
        except asyncio.CancelledError:
            # It may be on its way to the disk: whoever asked is to hear of that.
            await asyncio.wait({task}, timeout=ENDING_S)
            if task.done() and not task.cancelled() and task.exception() is None:
                asked.answer(task.result())
            task.cancel()
            raise
        status = self._status
        if answer.get("accepted"):
            log.info("command", destination=self.destination, command=asked.name, request=answer["request"])
            self._status = replace(status, accepted=status.accepted + 1)
        else:
            self._status = replace(status, refused=status.refused + 1)
        asked.answer(answer)

    def _turn(self, state: Literal["listening", "unreachable", "broken"], error: str) -> None:
        status = self._status
        if state != status.state:
            told = log.info if state == "listening" else log.warning
            told("commands", destination=self.destination, state=state, reason=error or None)
            status = replace(status, state=state, since_ms=self._utc_ms())
        self._status = replace(status, last_error=error or status.last_error)
