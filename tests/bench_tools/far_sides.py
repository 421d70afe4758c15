"""Whoever plays the gauge at the other end of a serial link: real ptys, a real socket server, a real port server."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import termios
import threading
from typing import Any, cast

import serial
import serial.rfc2217

from gaugepost.contract import Link
from tests.bench_tools.terminal import Terminal


class Hands:
    """Says and hears on a descriptor without blocking the loop."""

    def __init__(self, descriptor: int) -> None:
        os.set_blocking(descriptor, False)
        self.descriptor = descriptor

    async def say(self, data: bytes) -> None:
        """Write all of `data`, as fast as the other side takes it."""
        rest = memoryview(data)
        while rest:
            try:
                rest = rest[os.write(self.descriptor, rest) :]
            except BlockingIOError:
                await _ready(self.descriptor, to_write=True)

    async def hear(self, count: int) -> bytes:
        """Return the next `count` bytes."""
        heard = b""
        while len(heard) < count:
            try:
                heard += os.read(self.descriptor, count - len(heard))
            except BlockingIOError:
                await _ready(self.descriptor, to_write=False)
        return heard


async def _ready(descriptor: int, *, to_write: bool) -> None:
    loop = asyncio.get_running_loop()
    ready = asyncio.Event()
    (loop.add_writer if to_write else loop.add_reader)(descriptor, ready.set)
    try:
        await ready.wait()
    finally:
        (loop.remove_writer if to_write else loop.remove_reader)(descriptor)


class Pty(Hands, Terminal):
    """A serial port at `path`, and the gauge at its other end."""

    def __init__(self) -> None:
        Terminal.__init__(self)
        Hands.__init__(self, self.ours)

    async def leave(self) -> None:
        """Unplug."""
        self.unplug()

    def attributes(self) -> list[Any]:
        """Return how the port is set, as termios tells it."""
        return termios.tcgetattr(self.far)


class Server:
    """A socket that one link at a time connects to: the far side of socket://."""

    def __init__(self) -> None:
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._listening.setblocking(False)
        self.url = f"socket://127.0.0.1:{self._listening.getsockname()[1]}"
        self._joined: socket.socket | None = None

    async def _hands(self) -> Hands:
        """Talk to whoever connected last."""
        loop = asyncio.get_running_loop()
        if self._joined is None:
            self._joined, _ = await loop.sock_accept(self._listening)
        with contextlib.suppress(BlockingIOError):
            while True:
                newer, _ = self._listening.accept()
                self._joined.close()
                self._joined = newer
        return Hands(self._joined.fileno())

    async def say(self, data: bytes) -> None:
        """Send to the link."""
        await (await self._hands()).say(data)

    async def hear(self, count: int) -> bytes:
        """Return the next `count` bytes from the link."""
        return await (await self._hands()).hear(count)

    async def leave(self) -> None:
        """Close the connection."""
        await self._hands()
        assert self._joined is not None
        self._joined.close()
        self._joined = None

    def close(self) -> None:
        """Stop listening."""
        if self._joined:
            self._joined.close()
        self._listening.close()


class Echo:
    """The far side of a link that gives back what it is sent: to make it say something, send that over the link."""

    def __init__(self, link: Link) -> None:
        self._link = link

    async def say(self, data: bytes) -> None:
        """Have the echo say `data`."""
        await self._link.send(data)

    async def hear(self, count: int) -> bytes:
        """What the echo was sent is what it says: take it off the link."""
        heard = b""
        async for chunk in self._link.chunks():
            heard += chunk.data
            if len(heard) >= count:
                break
        return heard

    async def leave(self) -> None:
        """An echo can't leave; the kit is told so."""
        raise AssertionError("an echo can't leave")


class PortServer:
    """A network port server for one connection at a time, with an echo for a port: the far side of rfc2217://."""

    def __init__(self) -> None:
        self.port = serial.serial_for_url("loop://", timeout=0.05)
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._listening.settimeout(0.05)
        self.url = f"rfc2217://127.0.0.1:{self._listening.getsockname()[1]}"
        self._stop = threading.Event()
        self._left: int | None = None
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def hang_up_after(self, count: int) -> None:
        """End the connection that there is as soon as `count` more bytes were given to it."""
        self._left = count

    def close(self) -> None:
        """Stop serving."""
        self._stop.set()
        self._thread.join()
        self._listening.close()
        self.port.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            with contextlib.suppress(TimeoutError):
                connection, _ = self._listening.accept()
                with connection:
                    self._talk(connection)
                self._left = None

    def _talk(self, connection: socket.socket) -> None:
        connection.settimeout(0.01)

        class Wire:
            def write(self, data: bytes) -> None:
                connection.sendall(data)

        manager: Any = serial.rfc2217.PortManager(cast("Any", self.port), cast("Any", Wire()))
        while not self._stop.is_set() and self._left != 0:
            manager.check_modem_lines()
            with contextlib.suppress(TimeoutError):
                received = connection.recv(4096)
                if not received:
                    return
                self.port.write(b"".join(manager.filter(received)))
            if waiting := self.port.in_waiting:
                said = self.port.read(waiting)
                with contextlib.suppress(OSError):
                    connection.sendall(b"".join(manager.escape(said)))
                if self._left is not None:
                    self._left = max(0, self._left - len(said))
