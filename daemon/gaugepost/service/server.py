"""The HTTP server inside the daemon's own event loop: it takes no signals and ends when it is told to."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import socket
from collections.abc import Callable, Iterator
from typing import Any

import uvicorn
from fastapi import FastAPI

from gaugepost.core.errors import SettingsError
from gaugepost.service.door.encryption import Encryption

GRACE_S = 2
"""How long requests may take to finish at the end."""


class _Server(uvicorn.Server):
    """A server that leaves signals to `app`."""

    def __init__(self, config: uvicorn.Config, listening: Callable[[], None]) -> None:
        super().__init__(config)
        self._listening = listening

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Capture none."""
        yield

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Listen, then say so."""
        await super().startup(sockets)
        self._listening()


async def serve(
    api: FastAPI,
    host: str,
    port: int,
    *,
    on_listening: Callable[[str], None],
    stop: asyncio.Event,
    encryption: Encryption | None = None,
) -> None:
    """Serve `api` until `stop` is set or the task is cancelled; either way requests end in good order.

    `on_listening` is told the address, with the real port where `port` is 0.

    Raises:
        SettingsError: the address can't be had or the certificate not be used, with what to write in the station file.
    """
    context = None if encryption is None else encryption.context()
    listening = listener(host, port)
    address = _address(host, listening.getsockname()[1], "http" if context is None else "https")
    config = uvicorn.Config(
        api,
        loop="none",
        http="h11",
        ws="none",
        lifespan="off",
        log_config=None,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_graceful_shutdown=GRACE_S,
        ssl_context_factory=None if context is None else lambda *_: context,
    )
    server = _Server(config, lambda: on_listening(address))
    api.state.connections = server.server_state.connections
    with listening:
        serving = asyncio.create_task(server.serve([listening]), name="http")
        beside: list[asyncio.Task[Any]] = [asyncio.create_task(stop.wait(), name="http stop")]
        if encryption is not None and context is not None:
            beside.append(asyncio.create_task(encryption.keep(context), name="certificate"))
        try:
            await asyncio.wait({serving, *beside}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in beside:
                task.cancel()
            await asyncio.gather(*beside, return_exceptions=True)
            api.state.closing.set()
            server.should_exit = True
            await serving


def listener(host: str, port: int) -> socket.socket:
    """Return a socket that listens there. Raises `SettingsError`, with what to write in the station file."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        made = socket.create_server((host, port), family=family, backlog=128)
    except OSError as error:
        where = _address(host, port)
        if error.errno == errno.EADDRINUSE:
            finding = f"{where} is in use by another program"
            hint = (
                f"end the other one, or write port = {port + 1 if port < 65535 else port - 1} under [service]"
            )
        elif error.errno == errno.EACCES:
            finding, hint = f"{where} may not be listened at", "write port = 8620 under [service]"
        else:
            finding = f"{where} can't be listened at: {error.strerror or error}"
            hint = 'write host = "127.0.0.1" under [service]'
        raise SettingsError(finding, hint=hint) from error
    # Connections inherit it. The event loop sets it only on sockets that were made with the protocol named; without it,
    # each answer on a connection that is kept waits for the client's delayed acknowledgement, 40 ms.
    made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return made


def _address(host: str, port: int, scheme: str = "http") -> str:
    return f"{scheme}://[{host}]:{port}" if ":" in host else f"{scheme}://{host}:{port}"
