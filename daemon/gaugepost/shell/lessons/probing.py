"""Finds out how a serial line is set: a person measures again and again, while one setting after another is tried."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import Any

from gaugepost.contract import Link
from gaugepost.contract.probing import Line, Probes
from gaugepost.core.errors import SettingsError
from gaugepost.teach.probing import BAUDS, Heard, Judgement, judge

SETTLE_S, LONGEST_SETTLE_S = 0.1, 2.0
"""A silence after which listening begins, so that it begins with a whole byte; a gauge that never pauses has none."""
QUIET_S = 0.5
"""A silence after which a measurement is over."""
MOST_BYTES = 512
"""Bytes of one measurement that are listened to."""


async def probe(
    make_link: Callable[[], Link], lines: asyncio.Queue[str | None], say: Callable[[str], None]
) -> Judgement | None:
    """Listen under one setting after another until it is certain, or certain that it can't be told.

    An empty line says that something was sent and nothing came; None, or another line, ends it with None.

    Raises:
        SettingsError: the link has no line that could be probed.
        LinkLost: it can't be opened, or is lost.
    """
    heard: list[Heard] = []
    say("finding out baud, bits and parity: measure and send again and again, best other values each time")
    while (judgement := judge(heard)).next is not None:
        why = f" ({judgement.reason})" if heard else ""
        say(f"{len(heard) + 1}. listening at {judgement.next}{why}: measure and send")
        one = await _measured(make_link(), judgement.next, lines)
        if one is None:
            return None
        heard.append(one)
        count, damaged = len(one.undamaged) + len(one.damaged), len(one.damaged)
        say(f"   {count} bytes came, {damaged or 'none'} of them damaged" if count else "   nothing came")
    return judgement


async def can_probe(link: Link) -> None:
    """See that a link has a line that can be probed.

    Raises:
        SettingsError: it has none.
        LinkLost: it can't be opened.
    """
    try:
        await _as_it_can(link).listen_as(Line(BAUDS[0]))
    finally:
        await link.close()


def _as_it_can(link: Link) -> Probes:
    if not isinstance(link, Probes):
        raise SettingsError(
            f"{link.describe()} has no line whose settings could be found out", hint="leave probing out"
        )
    return link


async def _measured(link: Link, line: Line, lines: asyncio.Queue[str | None]) -> Heard | None:
    probed = _as_it_can(link)
    parts: tuple[bytearray, bytearray] = (bytearray(), bytearray())
    came = asyncio.Event()

    async def listen() -> None:
        async for chunk in link.chunks():
            parts[bool(chunk.fault)].extend(chunk.data)
            came.set()

    try:
        await probed.listen_as(line)
        listening, typing = asyncio.create_task(listen()), asyncio.create_task(lines.get())
        first: asyncio.Task[bool] | None = None
        try:
            await _silence(came, SETTLE_S, LONGEST_SETTLE_S)
            for part in parts:
                part.clear()
            came.clear()
            first = asyncio.create_task(came.wait())
            await asyncio.wait([first, typing, listening], return_when=asyncio.FIRST_COMPLETED)
            if listening.done():
                listening.result()
            if typing.done() and typing.result() != "":
                return None
            while came.is_set() and sum(map(len, parts)) < MOST_BYTES:
                came.clear()
                with_more = asyncio.wait_for(came.wait(), QUIET_S)
                await asyncio.gather(with_more, return_exceptions=True)
        finally:
            tasks: list[asyncio.Task[Any]] = [task for task in (listening, typing, first) if task is not None]
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
    finally:
        await link.close()
    return Heard(line, bytes(parts[0]), bytes(parts[1]))


async def _silence(came: asyncio.Event, seconds: float, longest_s: float) -> None:
    """Wait until nothing came for `seconds`, at the most `longest_s`."""
    loop = asyncio.get_running_loop()
    end = loop.time() + longest_s
    while loop.time() < end:
        came.clear()
        await asyncio.sleep(seconds)
        if not came.is_set():
            return
