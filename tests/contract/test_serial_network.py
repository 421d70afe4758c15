"""Serial ports on the network: what reaches them, and how their going is noticed, said goodbye or not."""

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from gaugepost.contract import Link, LinkLost, Moment
from gaugepost.contract.kit import links
from gaugepost_adapters.links.serial.opening import close_port, open_port
from gaugepost_adapters.links.serial.port import SerialPortLink
from gaugepost_adapters.links.serial.settings import Settings
from tests.bench_tools.far_sides import PortServer, Server

PORT_LIBRARY_WARNS = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")


def _link(**settings: object) -> SerialPortLink:
    return SerialPortLink(Settings.model_validate(settings), lambda: Moment(0, 0, ""))


async def _take(link: SerialPortLink, count: int) -> bytes:
    taken = bytearray()
    async with asyncio.timeout(60):
        async for chunk in link.chunks():
            taken += chunk.data
            if len(taken) >= count:
                break
    return bytes(taken)


async def _until_lost(link: SerialPortLink) -> bytes:
    """What comes before the loss, which must be told."""
    taken = bytearray()
    try:
        async with asyncio.timeout(60):
            async for chunk in link.chunks():
                taken += chunk.data
    except LinkLost:
        return bytes(taken)
    raise AssertionError("the stream just ended")


@pytest.mark.asyncio
@PORT_LIBRARY_WARNS
async def test_a_port_server_gets_speed_parity_and_lines() -> None:
    """What the station file says about a port reaches a port elsewhere, lines included, before anything is sent."""
    server = PortServer()
    link = _link(url=server.url, baud=4800, bits=7, parity="even", stop_bits=2, dtr=False, rts=True)
    try:
        await link.open()
        port = server.port
        assert (port.baudrate, port.bytesize, port.parity, port.stopbits) == (4800, 7, "E", 2)
        await link.send(b"over the network")
        assert await _take(link, 16) == b"over the network"
        assert (port.dtr, port.rts) == (False, True)
    finally:
        await link.close()
        server.close()


@pytest.mark.asyncio
@PORT_LIBRARY_WARNS
async def test_a_port_server_that_hangs_up_is_a_lost_link() -> None:
    """A link read by a thread tells a loss as one on a descriptor does, and hands on what came before it."""
    server = PortServer()
    link = _link(url=server.url)
    try:
        await link.open()
        words = b"38.0012 mm\r\n" * 20
        server.hang_up_after(len(words))
        await link.send(words)
        assert await _until_lost(link) == words
    finally:
        await link.close()
        server.close()


@pytest.mark.asyncio
async def test_a_socket_that_closed_is_lost_however_it_looks() -> None:
    """A peer that closed is found by reading: the first write after it succeeds, and must not hide it."""
    server = Server()
    link = _link(url=server.url)
    try:
        await link.open()
        await server.say(b"last words")
        await server.leave()
        with contextlib.suppress(LinkLost):
            await link.send(b"?\r")
        assert await _until_lost(link) == b"last words"
        with pytest.raises(LinkLost):
            await link.send(b"?\r")
    finally:
        await link.close()
        server.close()


@pytest.mark.asyncio
@PORT_LIBRARY_WARNS
@pytest.mark.parametrize("kind", [Server, PortServer])
async def test_a_peer_that_is_gone_without_a_word_is_looked_for(
    kind: type[Server] | type[PortServer],
) -> None:
    """The kernel is told to ask a quiet peer whether it is there, and not to wait long for what it does not confirm."""
    server = kind()
    try:
        port, _ = await asyncio.to_thread(open_port, Settings(url=server.url))
        wire = vars(port)["_socket"]
        # tcp(7), socket(7): when it is asked, how often and how many times, and a bound on what is not acknowledged.
        assert wire.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) == 1
        asked = [socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT, socket.TCP_USER_TIMEOUT]
        assert [wire.getsockopt(socket.IPPROTO_TCP, option) for option in asked] == [10, 5, 3, 25_000]
        await asyncio.to_thread(close_port, port)
    finally:
        server.close()


class _Leaves:
    """A gauge behind a port server that loses its power."""

    def __init__(self, server: PortServer) -> None:
        self._server = server

    async def say(self, data: bytes) -> None:
        """Send from the port behind the server."""
        self._server.port.write(data)

    async def hear(self, count: int) -> bytes:
        """Not asked for: what the port is sent, it says."""
        raise AssertionError

    async def leave(self) -> None:
        """Hang up."""
        self._server.hang_up_after(0)


@pytest.mark.asyncio
@PORT_LIBRARY_WARNS
async def test_the_loss_of_a_port_server_keeps_the_contract() -> None:
    """What the kit asks of a loss, at once and while waiting, holds where the far side is a port server."""

    @asynccontextmanager
    async def bench(now: links.Now) -> AsyncIterator[tuple[Link, links.FarSide]]:
        server = PortServer()
        link = SerialPortLink(Settings.model_validate({"url": server.url}), now)
        yield link, _Leaves(server)
        await link.close()
        server.close()

    await links.check_loss(bench)
    await links.check_loss_while_waiting(bench)
