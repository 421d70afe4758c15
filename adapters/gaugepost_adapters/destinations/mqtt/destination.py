"""MQTT: every record is published at QoS 1 and counts as delivered when the broker has acknowledged it.

- The journal is the memory: sessions are clean, and what was not acknowledged when a connection ended is published
  anew over the next one, as a new PUBLISH with the same `id` in it. So a subscriber may get a record twice, and tells
  the repeat by its id; the DUP flag says nothing about it.
- Records go out as they come (`stream`); where one is not taken, those that the broker does not hold go out again, in
  batches.
- Acknowledgements may come in any order. `through` is the last record before the first one without.
- The broker gets several records at a time and takes them in the order in which they were sent. Only where it does not
  take one of them for now (rights, quota), those after it that were on their way already come before it, and once more
  after it. No more are sent past it: until it is taken, records go out one at a time. Where not even that may happen,
  max_in_flight is 1.
- While nothing is to be delivered a lost connection is made anew all the same, so that the status topic stays true.

Commands come over a connection of their own (`commands`), so that no flood of them stands before an acknowledgement.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractAsyncContextManager, suppress
from typing import ClassVar

import structlog

from gaugepost.contract import (
    AdapterSettings,
    Asked,
    Outcome,
    Publication,
    Refusal,
    StationFacts,
    Stream,
    Unreachable,
    sequence_of,
)
from gaugepost_adapters.destinations.mqtt import reasons
from gaugepost_adapters.destinations.mqtt.commands.inbox import connected
from gaugepost_adapters.destinations.mqtt.connection import Connection
from gaugepost_adapters.destinations.mqtt.messages import composer
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings

FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0

_DONE = reasons.TAKEN | reasons.REFUSED
"""Answers after which a record needs nothing more."""


class Mqtt:
    """Destination of an MQTT broker."""

    Settings: ClassVar[type[AdapterSettings]] = MqttSettings

    def __init__(self, settings: AdapterSettings, station: StationFacts) -> None:
        if not isinstance(settings, MqttSettings):
            raise TypeError(f"settings of mqtt are MqttSettings, not {type(settings).__name__}")
        self._settings = settings
        self._station = station
        self._compose = composer(settings)
        self._connection: Connection | None = None
        self._keeper: asyncio.Task[None] | None = None
        self._turn = asyncio.Lock()
        self._log = structlog.get_logger().bind(broker=settings.where)
        self._one_by_one = False
        """Whether records go out one at a time, because there is one at which the broker throws us out, or one that it
        does not take for now."""

    async def open(self) -> None:
        """Connect, and stay connected until closed. Raises `Unreachable`."""
        async with self._turn:
            await self._connected()
        if self._keeper is None:
            self._keeper = asyncio.create_task(self._keep(), name="mqtt keeper")

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        """Publish `batch`; done through the last record before the first one that the broker has not acknowledged.

        Raises:
            Unreachable: not even the first record is acknowledged or refused.
        """
        if self._keeper is None:
            raise RuntimeError("mqtt is not open")
        async with self._turn:
            connection = await self._connected()
            one_by_one, self._one_by_one = self._one_by_one, False
            answers = await connection.publish(
                map(self._compose, batch),
                len(batch),
                most_in_flight=1 if one_by_one else self._settings.max_in_flight,
            )
            blame = connection.thrown_out_by
            if blame in reasons.REFUSED and answers[-1:] == [None]:
                if one_by_one:
                    answers[-1] = blame
                else:
                    self._one_by_one = True
            elif any(answer is not None and answer not in _DONE for answer in answers):
                self._one_by_one = True
            return self._outcome(connection, batch, answers)

    async def stream(self, news: Callable[[], None]) -> Stream:
        """Begin to publish records as they come, each acknowledged when the broker likes. Raises `Unreachable`."""
        async with self._turn:
            connection = await self._connected()
        return connection.stream(self._compose, self._settings.max_in_flight, news)

    async def reach(self) -> str:
        """Let the broker take us in, and go again. Raises `Unreachable`."""
        look = Connection.for_a_look(self._settings, self._station.data, self._station.name)
        await look.open()
        await look.close()
        return self._settings.where

    @property
    def brings_commands(self) -> bool:
        """Whether the settings switch commands on."""
        return self._settings.commands

    def commands(self) -> AbstractAsyncContextManager[AsyncIterator[Asked]]:
        """Return a new connection over which commands come, apart from that for records."""
        return connected(self._settings, self._station)

    async def close(self) -> None:
        """Say that the station is offline and let the broker go; harmless when not open."""
        keeper, self._keeper = self._keeper, None
        try:
            if keeper is not None:
                keeper.cancel()
                with suppress(asyncio.CancelledError):
                    await keeper
        finally:
            connection, self._connection = self._connection, None
            if connection is not None:
                await connection.close()

    async def _connected(self) -> Connection:
        connection = self._connection
        if connection is not None and not connection.is_over:
            return connection
        self._connection = None
        if connection is not None:
            await connection.close()
        connection = Connection.for_records(self._settings, self._station.data, self._station.name)
        await connection.open()
        self._connection = connection
        return connection

    def _outcome(
        self, connection: Connection, batch: Sequence[Publication], answers: Sequence[int | None]
    ) -> Outcome:
        """Return how far the broker has answered for `batch`. Raises why where that is for none of it."""
        refused: list[Refusal] = []
        through: int | None = None
        for record, answer in zip(batch, answers, strict=False):
            if answer in reasons.REFUSED:
                refused.append(Refusal(str(record["id"]), reasons.named(answer)))
            elif answer not in reasons.TAKEN:
                break
            through = sequence_of(record)
        if through is not None:
            return Outcome(through, tuple(refused))
        first = answers[0] if answers else None
        if first is None:
            raise connection.cause
        raise reasons.not_taken(self._settings.where, first, f"the record {batch[0]['id']}")

    async def _keep(self) -> None:
        """Connect again whenever the connection is lost while nothing is delivered."""
        clock, pause_s = asyncio.get_running_loop().time, FIRST_PAUSE_S
        lost: Connection | None = None
        while True:
            connection, began = self._connection, clock()
            if connection is not None:
                await connection.ended()
                if connection is not lost and not self._turn.locked():
                    lost = connection
                    self._log.warning("connection lost", reason=str(connection.cause))
            if clock() - began > LONGEST_PAUSE_S:
                pause_s = FIRST_PAUSE_S
            await asyncio.sleep(pause_s * random.uniform(0.5, 1))  # noqa: S311 - spread, not secret
            pause_s = min(LONGEST_PAUSE_S, 2 * pause_s)
            async with self._turn:
                with suppress(Unreachable):
                    if await self._connected() is not lost and lost is not None:
                        self._log.info("connected again")
                        lost = None
