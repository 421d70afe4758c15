"""What a client of the stream can cost: so much memory and no more, and never the end of the service."""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from decimal import Decimal
from pathlib import Path
from urllib.parse import urlsplit

import pytest

from gaugepost.core.bench.events import Arrived
from gaugepost.core.indication import Indication
from gaugepost.core.quantity import Unit
from gaugepost.service.routes import stream
from tests.service.at_work import AtWork, at_work

pytestmark = pytest.mark.asyncio

READINGS = 10_000
MOST_BYTES = 1_000_000
"""What may be on its way to a client that does not read: what the kernel holds at both ends, and a page."""


@asynccontextmanager
async def deaf(station: AtWork) -> AsyncIterator[socket.socket]:
    """Connect a client that asks for the stream and reads nothing."""
    where = urlsplit(station.address)
    with socket.socket() as client:
        client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 16_384)
        client.setblocking(False)
        loop = asyncio.get_running_loop()
        await loop.sock_connect(client, (where.hostname, where.port))
        await loop.sock_sendall(client, b"GET /v1/stream HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
        yield client


async def measured(station: AtWork) -> None:
    """Record many readings."""
    station.connect()
    for at in range(READINGS):
        digits = f"38.{at:05}"
        indication = Indication(digits, Decimal(digits), Unit.MM, f"{digits} mm\r\n".encode())
        station.running.recorder.tell(Arrived("bore-serial", indication), station.running.now())
        if at % 500 == 0:
            await asyncio.sleep(0)
    async with asyncio.timeout(60):
        await station.running.growth.wait_beyond(READINGS)


async def rest(client: socket.socket) -> bytes:
    """Return what is still there to be read, up to the end or the reset."""
    found = b""
    try:
        while part := await asyncio.get_running_loop().sock_recv(client, 65_536):
            found += part
    except ConnectionResetError:
        pass
    return found


async def test_a_client_that_never_reads_is_let_go_of(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Nothing is kept for it for longer than it is given to hear that it is dropped, and never more than so much."""
    monkeypatch.setattr(stream, "PATIENCE_S", 0.2)
    monkeypatch.setattr(stream, "LAST_WORDS_S", 0.2)
    async with at_work(tmp_path) as station:
        await measured(station)
        async with deaf(station) as client:
            await station.connected(1)
            await station.connected(0)
            told = await rest(client)
    assert 10_000 < len(told) < MOST_BYTES
    assert [line.message for line in caplog.records if line.levelno >= logging.ERROR] == []


async def test_a_client_that_does_not_read_never_delays_the_end(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The service ends without waiting for it, and without having to be cancelled."""
    async with at_work(tmp_path) as station:
        await measured(station)
        async with deaf(station) as client:
            await station.connected(1)
            await asyncio.sleep(1)  # by then it is stuck
            station.stop.set()
            async with asyncio.timeout(20):
                await station.serving
            assert len(await rest(client)) < MOST_BYTES
    assert [line.message for line in caplog.records if line.levelno >= logging.ERROR] == []
