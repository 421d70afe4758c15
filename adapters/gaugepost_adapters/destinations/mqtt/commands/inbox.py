"""Commands by topic: what is published below the command topic is asked of the station, and answered.

- The topic's last level is the command's name, its payload one JSON object. The answer is published to the reply topic,
  and with MQTT 5 also to the command's Response Topic with its Correlation Data, unless that is one of our own topics:
  whoever may command shall not have the station speak there in its name.
- A command is carried out when it is published or never. Sessions are clean, so that none waits at the broker while the
  station is away; one that the broker retains is refused, because nobody knows when it was meant.
- So many may wait; the rest is refused at once, and beyond what can be answered the broker is left waiting.
"""

from __future__ import annotations

import asyncio
import re
import threading
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from functools import partial

import structlog
from paho.mqtt.client import MQTTMessage

from gaugepost.contract import (
    MOST_COMMAND_BYTES,
    Asked,
    StationFacts,
    ValueRefused,
    problem_details,
    read_command,
)
from gaugepost_adapters.destinations.mqtt import messages, reasons, topic
from gaugepost_adapters.destinations.mqtt.commands.hearing import Hearing
from gaugepost_adapters.destinations.mqtt.connection import Connection
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings

MOST_WAITING = 50
"""Commands that may wait for those before them."""

MOST_REFUSALS = 100
"""Refusals for want of room, or because they were retained, that may wait to be published."""

SLOWED_S = 0.001
"""How long the broker is left waiting for each command that is not even answered."""

ANSWERING_S = 1.0
"""How long answers may take to get out at the end."""

RETAINED = problem_details(
    409,
    "a command that the broker retained is not carried out: nobody knows when it was meant",
    "publish it without the retain flag, and clear what is retained with an empty retained message",
)
BUSY = problem_details(503, f"{MOST_WAITING} commands wait already", "send it again later")


@dataclass(frozen=True, slots=True)
class Letter:
    """A command as it came."""

    name: str
    body: bytes
    response_topic: str | None
    correlation: bytes | None


@asynccontextmanager
async def connected(settings: MqttSettings, station: StationFacts) -> AsyncIterator[AsyncIterator[Asked]]:
    """Connect and subscribe; inside, commands come. Raises `Unreachable` where that can't be had."""
    inbox = Inbox(settings, station)
    connection = inbox.connection
    await connection.open()
    tasks = [asyncio.create_task(inbox.reply()), asyncio.create_task(connection.ended())]
    for task in tasks:
        task.add_done_callback(inbox.end)
    try:
        yield inbox
    finally:
        with suppress(TimeoutError):
            async with asyncio.timeout(0 if connection.is_over else ANSWERING_S):
                await inbox.answered()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await connection.close()


class Inbox:
    """Commands on their way from the connection's thread to whoever carries them out, and their answers back."""

    def __init__(self, settings: MqttSettings, station: StationFacts) -> None:
        self._settings = settings
        name = {"station": station.name}
        self._below = topic.maker(settings.command_topic)(name)
        self._reply_topic = topic.maker(settings.reply_topic)(name)
        self._own = re.compile("|".join(_own_topics(settings, station.name)))
        self._loop = asyncio.get_running_loop()
        self._letters: asyncio.Queue[Letter | asyncio.Task[None]] = asyncio.Queue()
        self._replies: asyncio.Queue[tuple[Letter, Mapping[str, object], bool]] = asyncio.Queue()
        self._room = threading.Semaphore(MOST_WAITING)
        self._refusals = threading.Semaphore(MOST_REFUSALS)
        self._log = structlog.get_logger().bind(broker=settings.where)
        self._retained_seen = self._mute = False
        client_id = f"{settings.client_id_at(station.name)}-commands"
        self.connection = Connection(
            settings, partial(Hearing, settings, station.data, client_id, f"{self._below}/+", self.hear)
        )

    # The connection's thread.

    def hear(self, message: MQTTMessage) -> None:
        """Take a command, or refuse it where there is no room, or where it is no fresh one."""
        properties = message.properties
        letter = Letter(
            message.topic.removeprefix(f"{self._below}/"),
            bytes(message.payload[: MOST_COMMAND_BYTES + 1]),
            getattr(properties, "ResponseTopic", None),
            getattr(properties, "CorrelationData", None),
        )
        if message.retain:
            if not self._retained_seen:
                self._retained_seen = True
                self._log.warning("a retained command is not carried out", topic=ascii(message.topic)[:200])
            self._refuse(letter, RETAINED)
        elif self._room.acquire(blocking=False):
            self._loop.call_soon_threadsafe(self._letters.put_nowait, letter)
        else:
            self._refuse(letter, BUSY)

    def _refuse(self, letter: Letter, refusal: Mapping[str, object]) -> None:
        if self._refusals.acquire(blocking=False):
            self._loop.call_soon_threadsafe(self._replies.put_nowait, (letter, refusal, True))
        else:
            time.sleep(SLOWED_S)

    # The event loop.

    def __aiter__(self) -> AsyncIterator[Asked]:
        return self

    async def __anext__(self) -> Asked:
        """Return the next command. Raises why where none can come any more."""
        letter = await self._letters.get()
        if isinstance(letter, asyncio.Task) or self.connection.is_over:
            if isinstance(letter, asyncio.Task):
                letter.result()  # raises a bug of ours in what publishes the answers
            raise self.connection.cause
        self._room.release()
        return Asked(letter.name, letter.body, partial(self._answer, letter))

    def end(self, task: asyncio.Task[None]) -> None:
        """Have whoever waits for a command hear that `task` has ended."""
        if not task.cancelled():
            self._letters.put_nowait(task)

    def _answer(self, letter: Letter, said: Mapping[str, object]) -> None:
        self._replies.put_nowait((letter, said, False))

    async def answered(self) -> None:
        """Return when every answer is out."""
        await self._replies.join()

    async def reply(self) -> None:
        """Publish answers until cancelled; what can't be published because the connection has ended is lost."""
        while True:
            letter, said, refused = await self._replies.get()
            if refused:
                said = _addressed(letter, said)
                self._refusals.release()
            for name, correlation in self._ways(letter):
                message = messages.answer(name, said, version=self._settings.version, correlation=correlation)
                self._check(name, await self.connection.publish([message], 1, most_in_flight=1))
            self._replies.task_done()

    def _ways(self, letter: Letter) -> list[tuple[str, bytes | None]]:
        """Return the topics of an answer, with the correlation data that goes there."""
        ways = [(self._reply_topic, letter.correlation)]
        asked = letter.response_topic
        if asked is not None and topic.is_name(asked) and not self._own.fullmatch(asked):
            ways.insert(0, (asked, letter.correlation))
        return ways

    def _check(self, name: str, answers: list[int | None]) -> None:
        """Say so, once, where the broker does not take an answer."""
        for code in answers:
            if code is not None and code not in reasons.TAKEN and not self._mute:
                self._mute = True
                self._log.warning(
                    "commands are carried out, and the broker does not take their answers",
                    topic=ascii(name)[:200],
                    reason=reasons.named(code),
                )


def _addressed(letter: Letter, refusal: Mapping[str, object]) -> dict[str, object]:
    """Return a refusal with what tells whose it is, as far as that can be read."""
    said: dict[str, object] = {"command": letter.name[:80]}
    with suppress(ValueRefused):
        request = read_command(letter.body).get("request")
        if isinstance(request, str):
            said["request"] = request[:64]
    return {**said, **refusal}


def _own_topics(settings: MqttSettings, station: str) -> list[str]:
    """Return patterns of the topics that are the station's own."""
    name = {"station": station}
    own = [
        topic.pattern(settings.topic, name),
        topic.pattern(settings.command_topic, name) + "/[^/]*",
        topic.pattern(settings.reply_topic, name),
    ]
    return [*own, topic.pattern(settings.status_topic, name)] if settings.status_topic else own
