"""Moves bytes between an open port and the event loop: on the port's descriptor, or by a thread where it has none."""

from __future__ import annotations

import asyncio
import contextlib
import os
import queue
import threading
from collections.abc import Callable

import serial

from gaugepost.contract import Chunk, LinkLost, Moment
from gaugepost_adapters.links.descriptors import Watched
from gaugepost_adapters.links.inbox import MOST_WAITING, STUCK_S, Inbox, in_thread
from gaugepost_adapters.links.serial.opening import FAULTS, READ_TIMEOUT_S, close_port, lost

_READ_BYTES = 128
"""What is read in one go is decided in one turn of the event loop: a few frames, so that one gauge that sends without
pause does not hold up the others, the service and the deliveries."""
_WRITE_BYTES = 1024


class OnDescriptor:
    """Reads and writes on the port's descriptor: wakes for data only, and costs nothing while a gauge rests."""

    def __init__(self, port: serial.Serial, place: str, now: Callable[[], Moment]) -> None:
        self._port, self._place, self._now = port, place, now
        self._descriptor: int = port.fileno()
        self._loop = asyncio.get_running_loop()
        self._turn = asyncio.Lock()
        self._writable: asyncio.Future[None] | None = None
        self._watched = Watched(self._descriptor, self._read)
        self.inbox = self._watched.inbox
        self._watched.read_on()

    def _read(self) -> None:
        try:
            data = os.read(self._descriptor, _READ_BYTES)
        except BlockingIOError:
            return
        except FAULTS as error:
            self._end(lost(error, self._place))
            return
        if not data:
            self._end(
                LinkLost(f"{self._place} was hung up by the far side", hint="plug it in, or start it, again")
            )
            return
        self._watched.put(Chunk(data, self._now()))

    def _end(self, fault: LinkLost | None = None) -> None:
        self._watched.end(fault)
        self._wake()

    async def write(self, data: bytes) -> None:
        """Hand all of `data` to the kernel. Raises `LinkLost` where it is gone or takes nothing for `STUCK_S`."""
        rest = memoryview(data)
        async with self._turn:
            while rest:
                if self._watched.stopped:
                    raise LinkLost(f"{self._place} is no longer open", hint="open it again")
                try:
                    rest = rest[os.write(self._descriptor, rest) :]
                except BlockingIOError:
                    await self._room()
                except FAULTS as error:
                    raise lost(error, self._place) from error

    async def _room(self) -> None:
        self._writable = self._loop.create_future()
        self._loop.add_writer(self._descriptor, self._wake)
        try:
            async with asyncio.timeout(STUCK_S):
                await self._writable
        except TimeoutError as error:
            raise stuck(self._place) from error
        finally:
            self._loop.remove_writer(self._descriptor)
            self._writable = None

    def _wake(self) -> None:
        if self._writable and not self._writable.done():
            self._writable.set_result(None)

    async def stop(self) -> None:
        """Let go of the port; what was read can still be taken."""
        self._end()
        try:
            async with (
                self._turn
            ):  # a writer takes its hands off the descriptor before its number is free for others
                pass
        finally:
            await let_go(self._port)


class ByThread:
    """Reads in a thread, for ports without a descriptor (a port server, the echo)."""

    def __init__(self, port: serial.Serial, place: str, now: Callable[[], Moment]) -> None:
        self._port, self._place, self._now = port, place, now
        self._loop = asyncio.get_running_loop()
        self._stopped = threading.Event()
        self._room = threading.Semaphore(MOST_WAITING)
        self._turn = asyncio.Lock()
        self.inbox = Inbox(self._room.release)
        self._reader = threading.Thread(target=self._read, name=f"reads {place}", daemon=True)
        self._reader.start()

    def _read(self) -> None:
        with contextlib.suppress(RuntimeError):  # a closed loop: nobody listens any more
            while not self._stopped.is_set():
                if not self._room.acquire(timeout=READ_TIMEOUT_S):
                    continue
                try:
                    data = self._port.read(min(self._port.in_waiting or 1, _READ_BYTES))
                except FAULTS as error:
                    if not self._stopped.is_set():
                        if data := _left_in(self._port):
                            self._loop.call_soon_threadsafe(self.inbox.put, Chunk(data, self._now()))
                        self._loop.call_soon_threadsafe(self.inbox.end, lost(error, self._place))
                    return
                if data:
                    self._loop.call_soon_threadsafe(self.inbox.put, Chunk(data, self._now()))
                else:
                    self._room.release()

    async def write(self, data: bytes) -> None:
        """Hand all of `data` to the port. Raises `LinkLost` where it is gone or takes nothing for `STUCK_S`."""
        async with self._turn:
            for at in range(0, len(data), _WRITE_BYTES):
                if self._stopped.is_set():
                    raise LinkLost(f"{self._place} is no longer open", hint="open it again")
                piece = data[at : at + _WRITE_BYTES]
                try:
                    await in_thread(lambda piece=piece: self._port.write(piece), STUCK_S)  # type: ignore[misc]
                except TimeoutError as error:
                    raise stuck(self._place) from error
                except FAULTS as error:
                    raise lost(error, self._place) from error

    async def stop(self) -> None:
        """Let go of the port; what was read can still be taken."""
        self._stopped.set()
        await let_go(self._port, self._reader)
        self.inbox.end()


def _left_in(port: serial.Serial) -> bytes:
    """Return what the library's port server client had received, and does not give out once the server is gone."""
    held: queue.Queue[bytes | None] | None = getattr(port, "_read_buffer", None)
    return b"".join(held.get_nowait() or b"" for _ in range(held.qsize())) if held else b""


async def let_go(port: serial.Serial, reader: threading.Thread | None = None) -> None:
    """Wait for the reader and close the port. One that hangs in the driver is left behind, not waited for."""

    def work() -> None:
        if reader:
            reader.join()
        close_port(port)

    with contextlib.suppress(TimeoutError):
        await in_thread(work, 2 * STUCK_S)


def stuck(place: str) -> LinkLost:
    """Return the fault of a port that takes no bytes."""
    return LinkLost(
        f"{place} has taken no byte for {STUCK_S:g} s",
        hint="see that the gauge is on, and correct flow where it differs",
    )
