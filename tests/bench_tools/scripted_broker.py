"""A broker whose every answer is written by the test, byte by byte, for what a real one can't be brought to say.

Packets by MQTT 5.0, chapter 3, read and made here without the library under test.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass

CONNECT, CONNACK, PUBLISH, PUBACK, PINGREQ, DISCONNECT = 1, 2, 3, 4, 12, 14


@dataclass(frozen=True)
class Published:
    """A PUBLISH as it came."""

    packet: int
    topic: str
    payload: bytes
    qos: int
    dup: bool


class Peer:
    """One connection, at the broker's end."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._reader = reader
        self.writer = writer

    async def packet(self) -> tuple[int, int, bytes]:
        """Return the next packet's type, flags and rest. Raises `IncompleteReadError` where there is none."""
        first = (await self._reader.readexactly(1))[0]
        length, shift = 0, 0
        while True:
            digit = (await self._reader.readexactly(1))[0]
            length |= (digit & 0x7F) << shift
            shift += 7
            if digit < 0x80:
                break
        return first >> 4, first & 15, await self._reader.readexactly(length)

    async def let_in(self, code: int = 0, properties: bytes = b"") -> bytes:
        """Read a CONNECT, answer it, and return it."""
        kind, _, connect = await self.packet()
        assert kind == CONNECT
        self.say(CONNACK, bytes((0, code, len(properties))) + properties)
        return connect

    async def published(self) -> Published:
        """Return the next PUBLISH. Raises `ConnectionError` where the far side says goodbye instead."""
        kind, flags, body = await self.packet()
        if kind == DISCONNECT:
            raise ConnectionResetError("it has said goodbye")
        assert kind == PUBLISH, kind
        end = 2 + struct.unpack_from("!H", body)[0]
        (packet,) = struct.unpack_from("!H", body, end)
        properties, at, shift = 0, end + 2, 0
        while True:
            properties |= (body[at] & 0x7F) << shift
            shift, at = shift + 7, at + 1
            if body[at - 1] < 0x80:
                break
        return Published(
            packet, body[2:end].decode(), body[at + properties :], flags >> 1 & 3, bool(flags & 8)
        )

    def say(self, kind: int, body: bytes) -> None:
        """Send a packet of fewer than 128 bytes."""
        self.writer.write(bytes((kind << 4, len(body))) + body)

    def acknowledge(self, message: Published, code: int = 0) -> None:
        """Send its PUBACK, with a reason code."""
        self.say(PUBACK, struct.pack("!HB", message.packet, code))

    def throw_out(self, code: int, words: str = "") -> None:
        """Send DISCONNECT, with a reason code and a reason in words."""
        said = b"\x1f" + struct.pack("!H", len(words)) + words.encode() if words else b""
        self.say(DISCONNECT, bytes((code, len(said))) + said)


Script = Callable[[Peer], Awaitable[None]]


@asynccontextmanager
async def scripted(*scripts: Script) -> AsyncIterator[int]:
    """Serve on the port that is yielded: the first connection by the first script, and so on, the rest by the last.

    A connection is closed when its script ends. What a script raises comes out at the end of the block.
    """
    waiting = list(scripts)
    failures: list[BaseException] = []
    tasks: set[asyncio.Task[None]] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        script = waiting.pop(0) if len(waiting) > 1 else waiting[0]
        try:
            await script(Peer(reader, writer))
        except (asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            pass  # the far side has gone, or the test is over
        except BaseException as failure:  # noqa: BLE001 - raised below, where the test sees it
            failures.append(failure)
        finally:
            writer.close()
            with suppress(ConnectionError, asyncio.CancelledError):
                await writer.wait_closed()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await server.wait_closed()
    for failure in failures:
        raise failure
