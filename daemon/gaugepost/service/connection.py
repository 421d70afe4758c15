"""The connection beneath a request, for what HTTP has no word for: let go of a client that does not read."""

from __future__ import annotations

import asyncio
import socket
from dataclasses import dataclass

from starlette.types import Scope


@dataclass(frozen=True, slots=True)
class Connection:
    """A client's connection."""

    _transport: asyncio.Transport

    def hold_at_most(self, size: int) -> None:
        """Have the kernel keep about `size` bytes that the client has not read, instead of what it likes."""
        self._transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, size)

    def abort(self) -> None:
        """End it at once; what was not sent is lost."""
        self._transport.abort()


def connection_of(scope: Scope) -> Connection:
    """Return the connection that a request came over: the server knows each by the address at its far end."""
    return next(
        Connection(each.transport)
        for each in scope["app"].state.connections
        if each.client == tuple(scope["client"])
    )
