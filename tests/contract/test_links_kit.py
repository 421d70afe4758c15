"""The kit's checks for links, held against our link on each kind of far side, and against links that break one."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest

from gaugepost.contract import Chunk, Link, LinkLost, Moment
from gaugepost.contract.kit import NotHeld, links
from gaugepost_adapters.links.serial.port import SerialPortLink
from tests.bench_tools.far_sides import Echo, PortServer, Pty, Server


def _link(
    now: links.Now, *, kind: type[SerialPortLink] = SerialPortLink, **settings: object
) -> SerialPortLink:
    return kind(kind.Settings.model_validate(settings), now)


@asynccontextmanager
async def _pty(
    now: links.Now, kind: type[SerialPortLink] = SerialPortLink
) -> AsyncIterator[tuple[Link, links.FarSide]]:
    with Pty() as pty:
        link = _link(now, kind=kind, device=pty.path)
        yield link, pty
        await link.close()


@asynccontextmanager
async def _socket(now: links.Now) -> AsyncIterator[tuple[Link, links.FarSide]]:
    server = Server()
    link = _link(now, url=server.url)
    yield link, server
    await link.close()
    server.close()


@asynccontextmanager
async def _loop(now: links.Now) -> AsyncIterator[tuple[Link, links.FarSide]]:
    link = _link(now, url="loop://")
    yield link, Echo(link)
    await link.close()


@asynccontextmanager
async def _port_server(now: links.Now) -> AsyncIterator[tuple[Link, links.FarSide]]:
    server = PortServer()
    link = _link(now, url=server.url)
    yield link, Echo(link)
    await link.close()
    server.close()


@pytest.mark.asyncio
async def test_serial_port_keeps_the_contract_on_a_pty() -> None:
    """A link on a real terminal device keeps every promise of the kit."""
    await links.check_link(_pty)


@pytest.mark.asyncio
async def test_serial_port_keeps_the_contract_on_a_socket() -> None:
    """A link to a real socket server keeps every promise of the kit."""
    await links.check_link(_socket)


@pytest.mark.asyncio
async def test_serial_port_keeps_the_contract_on_an_echo() -> None:
    """A link without a descriptor, read by a thread, keeps every promise that an echo can hold it to."""
    await links.check_link(_loop, burst=20_000, can_leave=False)


@pytest.mark.asyncio
@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # the port library's own
async def test_serial_port_keeps_the_contract_on_a_port_server() -> None:
    """A link to a port server over the network keeps every promise that an echo can hold it to."""
    await links.check_link(_port_server, burst=3_000, can_leave=False)


@pytest.mark.asyncio
async def test_what_is_not_there_is_told() -> None:
    """The kit's check of an absent far side holds for a device, a USB adapter and a socket."""
    now, _ = links.counting_now()
    await links.check_absent(_link(now, device="/dev/no-such-port"))
    await links.check_absent(_link(now, usb="ffff:fffe"))
    await links.check_absent(_link(now, url="socket://127.0.0.1:1"))


class _Loses(SerialPortLink):
    """Drops a byte of every chunk longer than ten."""

    async def chunks(self) -> AsyncIterator[Chunk]:
        async for chunk in super().chunks():
            yield Chunk(chunk.data[1:] if len(chunk.data) > 10 else chunk.data, chunk.arrived)


class _Doubles(SerialPortLink):
    """Hands on every chunk twice."""

    async def chunks(self) -> AsyncIterator[Chunk]:
        async for chunk in super().chunks():
            yield chunk
            yield chunk


class _Stamps(SerialPortLink):
    """Has a clock of its own."""

    async def chunks(self) -> AsyncIterator[Chunk]:
        async for chunk in super().chunks():
            yield Chunk(chunk.data, Moment(0, -1, "its own"))


class _Hides(SerialPortLink):
    """Tells a loss as if it were the end."""

    async def chunks(self) -> AsyncIterator[Chunk]:
        try:
            async for chunk in super().chunks():
                yield chunk
        except LinkLost:
            return


class _Reverses(SerialPortLink):
    """Sends backwards."""

    async def send(self, data: bytes, channel: str = "") -> None:
        await super().send(bytes(255 - byte for byte in data), channel)


class _Fails(SerialPortLink):
    """Takes it ill when closed twice."""

    async def close(self) -> None:
        if self._traffic is None and self._found:
            raise LinkLost("closed already", hint="don't")
        await super().close()


class _Leaks(SerialPortLink):
    """Leaves a task behind."""

    tasks: list[asyncio.Task[None]]

    async def open(self) -> None:
        await super().open()
        self.tasks = [*getattr(self, "tasks", []), asyncio.ensure_future(asyncio.sleep(30))]


class _Nameless(SerialPortLink):
    """Has no name."""

    def describe(self) -> str:
        return ""


@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("kind", "check", "promise"),
    [
        (_Loses, links.check_carries, "more bytes come"),
        (_Doubles, links.check_carries, "arrives unchanged|more than that"),
        (_Stamps, links.check_carries, "stamped by the clock"),
        (_Hides, links.check_loss, "a loss raises LinkLost"),
        (_Hides, links.check_loss_while_waiting, "ends a wait with LinkLost"),
        (_Reverses, links.check_send, "heard unchanged"),
        (_Leaks, links.check_leaves_nothing, "leaves nothing behind"),
        (_Nameless, links.check_closed, "names the far side"),
    ],
)
async def test_the_kit_finds_a_broken_promise(
    kind: type[SerialPortLink],
    check: Callable[[links.Bench], object],
    promise: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each promise of the kit is one that a link can break, and the finding names it."""
    monkeypatch.setattr(links, "PATIENCE_S", 0.5)
    made: list[Link] = []

    @asynccontextmanager
    async def bench(now: links.Now) -> AsyncIterator[tuple[Link, links.FarSide]]:
        async with _pty(now, kind) as (link, far):
            made.append(link)
            try:
                yield link, far
            finally:
                await link.close()

    try:
        with pytest.raises(NotHeld, match=promise):
            await check(bench)  # type: ignore[misc]
    finally:
        for task in (task for link in made for task in getattr(link, "tasks", [])):
            task.cancel()


@pytest.mark.asyncio
async def test_the_kit_finds_a_close_that_raises() -> None:
    """A second close that raises shows as what it is."""
    with pytest.raises(LinkLost, match="closed already"):
        await links.check_close_ends(lambda now: _pty(now, _Fails))
