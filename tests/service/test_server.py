"""The HTTP server as a guest in the daemon's loop: its address, its end, and what it keeps its hands off."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import signal
import socket
from pathlib import Path

import httpx
import pytest
from fastapi import FastAPI

from gaugepost.core.errors import SettingsError
from gaugepost.service import build_api, serve
from gaugepost.service.server import listener
from tests.service.at_work import STATION, at_work

pytestmark = pytest.mark.asyncio


async def test_port_0_takes_a_free_one_and_tells_it(tmp_path: Path) -> None:
    """Whoever starts the service at port 0 is told where it really listens, once it does."""
    async with at_work(tmp_path) as station:
        assert station.address.startswith("http://127.0.0.1:")
        assert int(station.address.rpartition(":")[2]) > 0
        assert (await station.http.get("/v1")).status_code == 200


async def test_an_address_in_use_says_what_to_write(tmp_path: Path) -> None:
    """A port that another program has is a settings error with another port to write."""
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(SettingsError) as refused:
            await serve(FastAPI(), "127.0.0.1", port, on_listening=print, stop=asyncio.Event())
    assert f"127.0.0.1:{port} is in use" in refused.value.finding
    assert "write port = " in refused.value.hint
    assert "[service]" in refused.value.hint


async def test_an_address_of_another_computer_says_what_to_write() -> None:
    """An address that this computer has not (192.0.2.0/24 is for documentation, RFC 5737) is a settings error."""
    with pytest.raises(SettingsError) as refused:
        await serve(FastAPI(), "192.0.2.1", 0, on_listening=print, stop=asyncio.Event())
    assert 'write host = "127.0.0.1"' in refused.value.hint


async def test_signals_are_left_alone(tmp_path: Path) -> None:
    """Signals belong to the daemon: serving changes no handler."""
    before = [signal.getsignal(name) for name in (signal.SIGINT, signal.SIGTERM)]
    async with at_work(tmp_path) as station:
        await station.http.get("/v1")
        during = [signal.getsignal(name) for name in (signal.SIGINT, signal.SIGTERM)]
    assert during == before


@pytest.mark.parametrize("cancelled", [False, True])
async def test_it_ends_in_good_order(cancelled: bool, tmp_path: Path) -> None:
    """Told to stop or cancelled, it answers who waits, lets the port go and ends."""
    async with at_work(tmp_path) as station:
        head = (await station.get("/v1/station"))["head"]
        waiting = asyncio.create_task(station.get("/v1/records", after=head, wait=30))
        await station.somebody_waits()
        if cancelled:
            station.serving.cancel()
        station.stop.set()
        async with asyncio.timeout(10):
            with contextlib.suppress(asyncio.CancelledError):
                await station.serving
            assert (await waiting)["records"] == []
        with pytest.raises(httpx.ConnectError):
            await station.http.get("/v1")


async def test_a_bug_is_answered_and_logged(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """What fails inside is a problem without our insides for the client, a traceback in the log, and no end."""
    async with at_work(tmp_path) as station:
        api = build_api(station.running)

        @api.get("/v1/bug")
        async def bug() -> None:
            raise RuntimeError("secret of the house")

        stop, listening = asyncio.Event(), asyncio.get_running_loop().create_future()
        serving = asyncio.create_task(
            serve(api, "127.0.0.1", 0, on_listening=listening.set_result, stop=stop)
        )
        async with httpx.AsyncClient(base_url=await listening, trust_env=False) as client:
            with caplog.at_level(logging.ERROR):
                answer = await client.get("/v1/bug")
            assert (await client.get("/v1")).status_code == 200
        stop.set()
        await serving
    assert answer.status_code == 500
    assert answer.headers["content-type"] == "application/problem+json"
    assert "secret" not in answer.text
    assert "secret of the house" in caplog.text


async def test_answers_do_not_wait_for_acknowledgements() -> None:
    """Connections send small answers at once (TCP_NODELAY, inherited from the listener on Linux: tcp(7))."""
    with listener("127.0.0.1", 0) as listening:
        client = socket.create_connection(listening.getsockname())
        server, _ = listening.accept()
        with client, server:
            assert server.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


async def test_ipv6_loopback_is_served(tmp_path: Path) -> None:
    """The other loopback address is served too, and told in brackets."""
    async with at_work(tmp_path, STATION) as station:
        stop, listening = asyncio.Event(), asyncio.get_running_loop().create_future()
        serving = asyncio.create_task(
            serve(build_api(station.running), "::1", 0, on_listening=listening.set_result, stop=stop)
        )
        address = await listening
        assert address.startswith("http://[::1]:")
        async with httpx.AsyncClient(base_url=address, trust_env=False) as client:
            assert (await client.get("/v1/health")).status_code == 200
        stop.set()
        await serving
