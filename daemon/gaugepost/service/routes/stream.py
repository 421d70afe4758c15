"""The live stream: records as they are recorded, as server-sent events.

A client that comes back says where it was by Last-Event-ID. One that comes from another journal is told to start over;
one that does not read is told so and dropped, because nothing here may wait for it.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends, Header, Query
from fastapi.responses import Response
from starlette.types import Receive, Scope, Send

from gaugepost.core.errors import ValueRefused
from gaugepost.core.publication import parse_record_id
from gaugepost.service.connection import connection_of
from gaugepost.service.facade import Running
from gaugepost.service.problems import problem
from gaugepost.service.query import Filter, only
from gaugepost.service.tail import Tail

MOST_CLIENTS = 32
HEARTBEAT_S = 15.0
PATIENCE_S = 10.0
"""How long a client may take to make room for the next page of events."""

LAST_WORDS_S = 60.0
"""How long a client that is being dropped may take to hear of it; nothing more is kept for it meanwhile."""

CLOSING_S = 0.5
"""How long a client may take to hear that the service ends."""

BEAT_S = 0.05
"""Who was sent something is sent more at the next beat, which is the same for all: each page is then made once, and
twenty clients that follow two hundred readings a second don't keep the gauges waiting."""

KERNEL_BYTES = 256 * 1024
"""What the kernel may hold for a client; by itself it takes megabytes for one that does not read."""


def routes(running: Running) -> APIRouter:
    """Return the route of the stream."""
    router = APIRouter()
    following: set[Stream] = set()
    tail = Tail(running.reader, running.station.name)

    @router.get(
        "/stream",
        dependencies=[Depends(only(*Filter.model_fields, many=("kind",)))],
        response_class=Response,
        responses={200: {"content": {Stream.media_type: {"schema": {"type": "string"}}}}},
    )
    async def stream(
        wanted: Annotated[Filter, Query()], last_event_id: Annotated[str | None, Header()] = None
    ) -> Response:
        """Records after `after` or Last-Event-ID that match, and every one to come, as server-sent events.

        Events are named for the record's kind. `restart` says that the journal is another one, with its epoch: what
        follows is from its beginning. `dropped` says after which record to come back.
        """
        if len(following) >= MOST_CLIENTS:
            return problem(
                503, f"{MOST_CLIENTS} clients follow the stream", "close one of them, or ask for records"
            )
        return Stream(running, tail, wanted, last_event_id, following)

    return router


class Stream(Response):
    """One client's stream, until it leaves, is dropped, or the service ends."""

    media_type = "text/event-stream"

    def __init__(
        self, running: Running, tail: Tail, wanted: Filter, last_id: str | None, following: set[Stream]
    ) -> None:
        self._running, self._tail, self._wanted, self._following = running, tail, wanted, following
        self._after, self._restart = self._position(last_id)
        self._sent = self._after
        self._ended = False
        super().__init__(headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"})
        del self.headers["content-length"]  # nobody knows where it ends

    def _position(self, last_id: str | None) -> tuple[int, bool]:
        """Return after which record to begin, and whether the client comes from another journal."""
        epoch, sequence = str(self._running.reader.epoch), self._wanted.after
        if last_id is not None:
            try:
                epoch, sequence = parse_record_id(last_id)
            except ValueRefused:
                return 0, True
        same = epoch in (self._running.reader.epoch, self._running.reader.epoch.of(sequence))
        if not same or sequence > self._running.growth.head:
            return 0, True
        return sequence, False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send events until the client leaves, is dropped, or the service ends."""
        connection = connection_of(scope)
        connection.hold_at_most(KERNEL_BYTES)
        self._following.add(self)
        gone = asyncio.create_task(_left(receive))
        closing = asyncio.create_task(self._running.closing.wait())
        sending = asyncio.create_task(self._send(send))
        try:
            await asyncio.wait({gone, sending, closing}, return_when=asyncio.FIRST_COMPLETED)
            if closing.done():
                await asyncio.wait({gone, sending}, timeout=CLOSING_S, return_when=asyncio.FIRST_COMPLETED)
            if sending.done():
                sending.result()
            if gone.done() and not self._ended:  # or it has to go: its token counts no more
                sending.cancel()
                await asyncio.gather(sending, return_exceptions=True)
                await send({"type": "http.response.body", "body": b"", "more_body": False})
            elif not self._ended:
                # What it does not read would be kept for as long as it stays connected.
                connection.abort()
                await gone
        finally:
            self._following.discard(self)
            for task in (gone, closing, sending):
                task.cancel()
            await asyncio.gather(gone, closing, sending, return_exceptions=True)

    async def _send(self, send: Send) -> None:
        await send({"type": "http.response.start", "status": self.status_code, "headers": self.raw_headers})
        last = b""
        async for part in self._parts():
            try:
                async with asyncio.timeout(PATIENCE_S):
                    await send({"type": "http.response.body", "body": part, "more_body": True})
            except TimeoutError:
                last = _event("dropped", {"after": self._sent, "epoch": self._running.reader.epoch})
                break
            self._sent = self._after
        with contextlib.suppress(TimeoutError):  # it hears nothing: the connection is closed without a word
            async with asyncio.timeout(LAST_WORDS_S):
                await send({"type": "http.response.body", "body": last, "more_body": False})
                self._ended = True

    async def _parts(self) -> AsyncIterator[bytes]:
        running = self._running
        if self._restart:
            yield _event("restart", {"epoch": running.reader.epoch, "after": 0})
        yield b": " + running.reader.epoch.encode() + b"\n\n"
        now, sent_at = asyncio.get_running_loop().time, -BEAT_S
        while not running.closing.is_set():
            head = running.growth.head
            if self._after >= head:
                if not await running.grown(self._after, HEARTBEAT_S) and not running.closing.is_set():
                    yield b": nothing new\n\n"
                if now() < sent_at + BEAT_S:
                    await asyncio.sleep(BEAT_S - now() % BEAT_S)
                continue
            page = await self._tail.after(self._after, head)
            if not page:
                continue
            self._after = page[-1].entry.sequence
            if events := b"".join(each.event for each in page if self._wanted.matches(each.entry.record)):
                sent_at = now()
                yield events


def _event(name: str, said: dict[str, object]) -> bytes:
    return f"event: {name}\ndata: {json.dumps(said)}\n\n".encode()


async def _left(receive: Receive) -> None:
    """Wait until the client is gone."""
    while (await receive())["type"] != "http.disconnect":
        pass
