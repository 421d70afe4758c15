"""One connection as the event loop sees it: opened, given batches, closed. Its thread is in `network`."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Self

from gaugepost.contract import Publication, Unreachable
from gaugepost_adapters.destinations.mqtt import reasons
from gaugepost_adapters.destinations.mqtt.job import Job
from gaugepost_adapters.destinations.mqtt.messages import Message, Presence
from gaugepost_adapters.destinations.mqtt.network import Network
from gaugepost_adapters.destinations.mqtt.settings import MqttSettings
from gaugepost_adapters.destinations.mqtt.stream import MqttStream

FAREWELL_S = 1.5
"""How long the broker may take to take the last status."""

ENDING_S = 1.5
"""How long the thread may take to end once it is told to."""


class Connection:
    """One connection to the broker, from `open` to `close`. It is never made anew: that takes another object."""

    def __init__(
        self,
        settings: MqttSettings,
        network: Callable[[Callable[[], None]], Network],
        presence: Presence | None = None,
    ) -> None:
        """`network` makes what the thread runs, and is given what that tells when the connection stands."""
        self._settings = settings
        self._presence = presence
        self._network = network(lambda: self._tell(self._opened.set))
        self._loop = asyncio.get_running_loop()
        # Daemonic, because nothing can break off the look-up of a name: alone that may outlast `close`.
        self._thread = threading.Thread(target=self._run, name=f"mqtt {settings.where}", daemon=True)
        self._opened = asyncio.Event()
        self._ended = asyncio.Event()
        self._answered: asyncio.Event | None = None
        """Set when a batch is answered or there will be no answer; None where none is out."""
        self._failure: BaseException | None = None

    @classmethod
    def for_records(cls, settings: MqttSettings, folder: Path, station: str) -> Self:
        """Return one for records, with the station's status if there is a topic for it."""
        presence = Presence.of(settings, station)
        will = presence.will() if presence else None
        client_id = settings.client_id_at(station)
        return cls(settings, partial(Network, settings, folder, client_id, will), presence)

    @classmethod
    def for_a_look(cls, settings: MqttSettings, folder: Path, station: str) -> Self:
        """Return one that says nothing, under a name of its own: the station's would end the connection it may have."""
        return cls(
            settings, partial(Network, settings, folder, f"{settings.client_id_at(station)}-look", None)
        )

    @property
    def is_over(self) -> bool:
        """Whether it has ended, for whatever reason."""
        return self._ended.is_set()

    @property
    def thrown_out_by(self) -> int | None:
        """Reason code with which the broker ended it; None where it did not, or said nothing."""
        return self._network.thrown_out_by

    @property
    def cause(self) -> BaseException:
        """Why it has ended: `Unreachable`, or whatever a bug raised."""
        return self._failure or Unreachable("the connection was closed")

    async def ended(self) -> None:
        """Return when it has ended."""
        await self._ended.wait()

    async def open(self) -> None:
        """Connect and say that the station is online.

        Raises:
            Unreachable: it can't be had; nothing is left of it.
        """
        self._thread.start()
        try:
            try:
                async with asyncio.timeout(self._settings.connect_timeout_s + 1):
                    await self._first(self._opened, self._ended)
            except TimeoutError as cause:
                raise Unreachable(
                    f"the broker's name {self._settings.host} was not resolved in time",
                    hint="check the network and its name server",
                ) from cause
            self._check_open()
            if self._presence is not None:
                await self._say(self._presence.online())
        except BaseException:
            await self._end()
            raise

    async def publish(
        self, messages: Iterable[Message], count: int, *, most_in_flight: int
    ) -> list[int | None]:
        """Publish `count` messages in order; return the broker's reason codes, in the same order.

        A message is made only when its turn comes, in the connection's thread. The list ends with the last message
        that was sent: after an answer that is neither taken nor refused nothing more is. None stands for a message
        that was not answered before the connection ended; `is_over` says that it has, and `cause` why.
        """
        self._network.stream = None  # it has settled, or nobody waits for it any more
        answered = self._answered = asyncio.Event()
        job = Job(iter(messages), [None] * count, most_in_flight, lambda: self._tell(answered.set))
        if self.is_over:
            answered.set()
        else:
            self._network.submit(job)
        try:
            await answered.wait()
        except asyncio.CancelledError:
            self._network.abort()  # what of it is out can't be called back
            raise
        finally:
            self._answered = None
        return job.answers[: job.next]

    def stream(
        self, compose: Callable[[Publication], Message], most_in_flight: int, news: Callable[[], None]
    ) -> MqttStream:
        """Begin to publish records as they come; `news` is called when the stream is over or has room again."""
        stream = MqttStream(compose, most_in_flight, self._network.publish_stream, self._tell, news)
        if self.is_over:
            stream.lost()
        self._network.stream = stream
        return stream

    async def close(self) -> None:
        """Say that the station is offline, and go; no thread is left. Harmless when it is over."""
        try:
            if (
                self._presence is not None
                and self._opened.is_set()
                and self._answered is None
                and not self.is_over
            ):
                with suppress(TimeoutError, Unreachable):
                    async with asyncio.timeout(FAREWELL_S):
                        await self._say(self._presence.offline())
            self._network.stop()
            with suppress(TimeoutError):
                async with asyncio.timeout(ENDING_S):
                    await self._ended.wait()
        finally:
            await self._end()

    def _check_open(self) -> None:
        if not self._opened.is_set():
            raise self.cause

    async def _end(self) -> None:
        if not self.is_over:
            self._network.abort()
            with suppress(TimeoutError):
                async with asyncio.timeout(ENDING_S):
                    await self._ended.wait()
        if self.is_over:
            self._thread.join()  # it has said its last word
        self._network.release()

    async def _say(self, status: Message) -> None:
        answers = await self.publish([status], 1, most_in_flight=1)
        answer = answers[0] if answers else None
        if answer is None:
            raise self.cause
        if answer not in reasons.TAKEN:
            raise reasons.not_taken(self._settings.where, answer, f"the station's status at {status.topic}")

    async def _first(self, *events: asyncio.Event) -> None:
        """Wait until one of `events` is set."""
        waiting = [asyncio.ensure_future(event.wait()) for event in events]
        try:
            await asyncio.wait(waiting, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for each in waiting:
                each.cancel()

    def _run(self) -> None:
        try:
            self._network.run()
        except BaseException as cause:  # noqa: BLE001 - carried over to whoever waits
            self._failure = cause
        self._tell(self._end_here)

    def _end_here(self) -> None:
        self._ended.set()
        if self._network.stream is not None:
            self._network.stream.lost()
        if self._answered is not None:
            self._answered.set()

    def _tell(self, news: Callable[[], None]) -> None:
        with suppress(RuntimeError):  # the loop has ended before a name was looked up
            self._loop.call_soon_threadsafe(news)
