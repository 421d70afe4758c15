"""A foot switch on a line of a serial port: pressed, it is told; held or noisy bytes, it is not."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_asyncio
from pydantic import ValidationError

from gaugepost.contract import Chunk, LinkLost, Moment, Trigger
from gaugepost_adapters.links.serial.port import SerialPortLink
from gaugepost_adapters.links.serial.settings import Settings
from tests.bench_tools.daemon import Daemon, Port, station_file
from tests.bench_tools.far_sides import PortServer

PORT_LIBRARY_WARNS = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
pytestmark = [pytest.mark.asyncio, PORT_LIBRARY_WARNS]


def link(**settings: object) -> SerialPortLink:
    return SerialPortLink(Settings.model_validate(settings), lambda: Moment(0, 0, ""))


@pytest_asyncio.fixture
async def server() -> AsyncIterator[PortServer]:
    """A port server whose port has its line "clear to send" wired to its own "request to send"."""
    made = await asyncio.to_thread(PortServer)
    yield made
    await asyncio.to_thread(made.close)


async def press(server: PortServer) -> None:
    """Let go, then press, each for longer than anybody looks."""
    for on in (False, True):
        server.port.rts = on
        await asyncio.sleep(0.3)


async def test_a_line_that_goes_on_is_a_trigger(server: PortServer) -> None:
    """Once for each press, between the bytes that come over the same port; what is on from the start is no press."""
    opened = link(url=server.url, rts=True, trigger_line="cts")
    await opened.open()
    try:
        await press(server)
        await opened.send(b"38.010\r\n")
        told: list[Chunk] = []
        async with asyncio.timeout(60):
            async for chunk in opened.chunks():
                told.append(chunk)
                if chunk.data.endswith(b"\n"):
                    break
        assert [chunk.trigger for chunk in told if chunk.trigger] == [Trigger("cts", b"", "cts")]
        assert b"".join(chunk.data for chunk in told) == b"38.010\r\n"
    finally:
        await opened.close()


async def test_a_port_without_lines_says_so() -> None:
    """A pseudo-terminal has none, and a settings file that asks for one is told."""
    with Port() as port:
        opened = link(device=port.path, trigger_line="cts")
        with pytest.raises(LinkLost, match="no line cts"):
            await opened.open()
        await opened.close()


async def test_a_line_that_something_else_uses_is_refused() -> None:
    """Flow control has its line for itself, and an address of bytes has none."""
    for wrong in ({"device": "/dev/x", "flow": "rts-cts"}, {"url": "socket://h:1"}):
        with pytest.raises(ValidationError, match="trigger_line"):
            Settings.model_validate({**wrong, "trigger_line": "cts"})


async def test_a_switch_on_a_port_asks_a_gauge(tmp_path: Path, server: PortServer) -> None:
    """From the line of one port to the question on another, through the daemon and its journal."""
    extra = f"""
[links.far-port]
kind = "serial_port"
url = "{server.url}"
rts = true
trigger_line = "cts"
[links.far-port.decoder]
kind = "code_text"
[triggers.pedal]
link = "far-port"
channel = "cts"
does = "ask"
gauge = "g0"
"""
    with Port() as gauge:
        station = station_file([gauge], extra=extra).replace("units = {", 'request = "?"\nunits = {')
        daemon = Daemon(tmp_path, station)
        await asyncio.to_thread(daemon.start)
        try:
            await asyncio.to_thread(daemon.wait_for, 2, kind="link")
            await press(server)
            (pressed,) = await asyncio.to_thread(daemon.wait_for, 1, kind="trigger")
            assert (pressed["device"], pressed["gauge"]) == ("pedal", "g0")
            assert await asyncio.to_thread(gauge.received, 1) == b"?"
        finally:
            await asyncio.to_thread(daemon.stop)
