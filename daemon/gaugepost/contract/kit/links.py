"""What every link must keep: bytes whole and in order, a loss told as such, and nothing left behind."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncGenerator, AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager, aclosing, suppress
from pathlib import Path
from typing import Protocol, TypeVar

from gaugepost.contract.adapters import Link
from gaugepost.contract.kit.not_held import NotHeld, check_settings
from gaugepost.core.errors import LinkLost
from gaugepost.core.indication import Chunk, Moment

PATIENCE_S = 20.0
"""How long the kit waits for what must come. It bounds a failure; a link that keeps its promise never takes so long."""

EVERY_BYTE = bytes(range(256))

T = TypeVar("T")


class FarSide(Protocol):
    """The hands of whoever plays the gauge. They work on the same event loop and must not block it."""

    async def say(self, data: bytes) -> None:
        """Send `data` towards the link; returns when all of it is on its way."""

    async def hear(self, count: int) -> bytes:
        """Return the next `count` bytes that the link sent."""

    async def leave(self) -> None:
        """Go away as an unplugged gauge does. Nothing is asked of this far side afterwards."""


Now = Callable[[], Moment]
Bench = Callable[[Now], AbstractAsyncContextManager[tuple[Link, FarSide]]]
"""Makes a link, not yet open, and a far side that is ready for it; tidies the far side up at the end.

A far side that cannot leave (an echo) is told to the kit by `can_leave=False`.
"""


def counting_now() -> tuple[Now, list[Moment]]:
    """Return a clock that ticks at every look, and the list of what it said."""
    told: list[Moment] = []

    def now() -> Moment:
        told.append(Moment(utc_ms=len(told), clock_ms=len(told), boot="kit"))
        return told[-1]

    return now, told


async def check_link(
    bench: Bench,
    *,
    burst: int = 200_000,
    can_leave: bool = True,
    can_hear: bool = True,
    alphabet: bytes = EVERY_BYTE,
) -> None:
    """Hold a link against every promise, each on a bench of its own.

    `alphabet` are the bytes that the far side can say (a keyboard has no others): letters, digits, space and "+." at
    least. A far side that can't be told anything is named by `can_hear=False`.

    Raises:
        NotHeld: the first promise that does not hold.
    """
    await check_closed(bench)
    await check_carries(bench, alphabet)
    await (check_send if can_hear else check_send_refused)(bench)
    checks = [check_cancelled_wait, check_close_ends, check_reopens]
    checks += [check_loss, check_loss_while_waiting] if can_leave else []
    for check in checks:
        await check(bench)
    await check_burst(bench, burst, alphabet)
    await check_leaves_nothing(bench)


async def check_absent(link: Link) -> None:
    """Opening a link whose far side is not there raises `LinkLost` with a hint, and leaves it closed."""
    try:
        await _soon(link.open(), "open ends")
    except LinkLost as lost:
        if not lost.hint:
            raise NotHeld("what could not be opened says what to do", str(lost)) from lost
    else:
        await link.close()
        raise NotHeld("opening what is not there raises LinkLost", "it opened")
    await _soon(link.close(), "close ends")


async def check_closed(bench: Bench) -> None:
    """Before it is open a link has checked settings and a name, can be closed, and refuses to work."""
    now, _ = counting_now()
    async with bench(now) as (link, _far):
        check_settings(type(link).Settings)
        name = link.describe()
        if not name or "\n" in name:
            raise NotHeld("describe names the far side in one line", repr(name))
        await _soon(link.close(), "close of what was never open ends")
        for work, what in ((link.send(b"x"), "send"), (anext(aiter(link.chunks())), "chunks")):
            await _refused(work, f"{what} before open raises LinkLost")


async def check_carries(bench: Bench, alphabet: bytes = EVERY_BYTE) -> None:
    """Bytes come in order, none lost, none added, in chunks stamped by the clock the link was given."""
    now, told = counting_now()
    async with bench(now) as (link, far):
        await _soon(link.open(), "open ends")
        try:
            async with aclosing(_stream(link)) as stream:
                for data in (b"+12.345", alphabet[:1], alphabet * 2):
                    await far.say(data)
                    chunks = await _take(stream, len(data))
                    if (came := b"".join(chunk.data for chunk in chunks)) != data:
                        raise NotHeld(f"what the far side sends arrives unchanged: {data!r}", repr(came))
                    _check_stamps(chunks, told)
        finally:
            await _soon(link.close(), "close ends")


async def check_send(bench: Bench) -> None:
    """What is sent reaches the far side whole, in the order of sending."""
    now, _ = counting_now()
    async with bench(now) as (link, far):
        await _soon(link.open(), "open ends")
        try:
            await _soon(asyncio.gather(*(link.send(bytes([n]) * 50) for n in range(65, 75))), "send ends")
            want = b"".join(bytes([n]) * 50 for n in range(65, 75))
            if (heard := await _soon(far.hear(len(want)), "what was sent is heard")) != want:
                raise NotHeld("what is sent is heard unchanged", repr(heard))
        finally:
            await _soon(link.close(), "close ends")


async def check_send_refused(bench: Bench) -> None:
    """A far side that can't be told anything has a link that says so, and goes on."""
    now, _ = counting_now()
    async with bench(now) as (link, far):
        await _soon(link.open(), "open ends")
        try:
            await _refused(link.send(b"x"), "what can't be sent raises LinkLost")
            await far.say(b"after")
            async with aclosing(_stream(link)) as stream:
                await _take(stream, 5)
        finally:
            await _soon(link.close(), "close ends")


async def check_cancelled_wait(bench: Bench) -> None:
    """A wait for bytes that is given up costs no byte and breaks nothing."""
    now, _ = counting_now()
    async with bench(now) as (link, far):
        await _soon(link.open(), "open ends")
        try:
            waiting = asyncio.ensure_future(anext(aiter(link.chunks())))
            await asyncio.sleep(0.01)
            waiting.cancel()
            await asyncio.wait([waiting])
            await far.say(b"after")
            async with aclosing(_stream(link)) as stream:
                await _take(stream, 5)
        finally:
            await _soon(link.close(), "close ends")


async def check_close_ends(bench: Bench) -> None:
    """Closing ends a wait for bytes without an error, may be repeated, and makes the link refuse to work."""
    now, _ = counting_now()
    async with bench(now) as (link, _far):
        await _soon(link.open(), "open ends")
        waiting = asyncio.ensure_future(_all(link))
        await asyncio.sleep(0.01)
        await _soon(link.close(), "close ends")
        try:
            left = await _soon(waiting, "close ends a wait for bytes")
        except LinkLost as lost:
            raise NotHeld("closing is no loss", str(lost)) from lost
        if left:
            raise NotHeld("nothing comes of nothing", repr(left))
        await _soon(link.close(), "a second close ends")
        await _refused(link.send(b"x"), "send after close raises LinkLost")


async def check_reopens(bench: Bench) -> None:
    """Closed and opened again, a link carries as before."""
    now, _ = counting_now()
    async with bench(now) as (link, far):
        for data in (b"first", b"second"):
            await _soon(link.open(), "open ends")
            try:
                await far.say(data)
                async with aclosing(_stream(link)) as stream:
                    came = b"".join(chunk.data for chunk in await _take(stream, len(data)))
                if came != data:
                    raise NotHeld(f"after opening it again {data!r} arrives", repr(came))
            finally:
                await _soon(link.close(), "close ends")


async def check_loss(bench: Bench) -> None:
    """When the far side goes, what it had sent still comes, then `LinkLost` with a hint, each time one asks."""
    now, _ = counting_now()
    async with bench(now) as (link, far):
        await _soon(link.open(), "open ends")
        try:
            await far.say(b"last words")
            async with aclosing(_stream(link)) as stream:
                await _take(stream, 10)
                await far.leave()
                for turn in ("at once", "when asked again"):
                    try:
                        await _soon(_all(link), f"a loss is told {turn}")
                    except LinkLost as lost:
                        if not lost.hint:
                            raise NotHeld("a loss says what to do", str(lost)) from lost
                    else:
                        raise NotHeld(f"a loss raises LinkLost {turn}", "the stream just ended")
        finally:
            await _soon(link.close(), "close after a loss ends")


async def check_loss_while_waiting(bench: Bench) -> None:
    """A far side that goes while the link waits for bytes ends the wait with `LinkLost`."""
    now, _ = counting_now()
    async with bench(now) as (link, far):
        await _soon(link.open(), "open ends")
        try:
            waiting = asyncio.ensure_future(_all(link))
            await asyncio.sleep(0.05)
            await far.leave()
            await _refused(waiting, "a loss ends a wait with LinkLost")
        finally:
            await _soon(link.close(), "close after a loss ends")


async def check_burst(bench: Bench, size: int, alphabet: bytes = EVERY_BYTE) -> None:
    """A burst that nobody takes for a while is held back, not lost and not piled up without bound."""
    now, _ = counting_now()
    data = bytes(alphabet[n * 7 % 251 % len(alphabet)] for n in range(size))
    async with bench(now) as (link, far):
        await _soon(link.open(), "open ends")
        try:
            saying = asyncio.ensure_future(far.say(data))
            await asyncio.sleep(0.1)
            async with aclosing(_stream(link)) as stream:
                chunks = await _take(stream, size)
            await _soon(saying, "the far side gets rid of its burst")
            came = b"".join(chunk.data for chunk in chunks)
            if came != data:
                at = next((n for n, (a, b) in enumerate(zip(came, data, strict=False)) if a != b), len(came))
                raise NotHeld(
                    f"a burst of {size} bytes arrives whole and in order", f"it differs from byte {at} on"
                )
        finally:
            await _soon(link.close(), "close ends")


async def check_leaves_nothing(bench: Bench, rounds: int = 5) -> None:
    """Opened and closed again and again, a link leaves no thread, task or descriptor."""
    now, _ = counting_now()
    async with bench(now) as (link, _far):
        before = _held()
        for _ in range(rounds):
            await _soon(link.open(), "open ends")
            await _soon(link.close(), "close ends")
        for _ in range(int(PATIENCE_S * 5)):
            if (after := _held()) <= before:
                return
            await asyncio.sleep(0.05)
        raise NotHeld("an open and closed link leaves nothing behind", ", ".join(sorted(after - before)))


def _held() -> frozenset[str]:
    tasks = {f"task {task.get_name()}" for task in asyncio.all_tasks()}
    threads = {f"thread {thread.name} {thread.ident}" for thread in threading.enumerate()}
    held = set()
    for entry in Path("/proc/self/fd").iterdir():
        with suppress(FileNotFoundError):  # the listing's own descriptor is gone again
            held.add(f"descriptor {entry.name} of {entry.readlink()}")
    return frozenset(tasks | threads | held)


def _check_stamps(chunks: list[Chunk], told: list[Moment]) -> None:
    stamps = [chunk.arrived.clock_ms for chunk in chunks]
    if stamps != sorted(stamps) or any(chunk.arrived not in told for chunk in chunks):
        raise NotHeld("each chunk is stamped by the clock the link was given, in order", repr(stamps))


async def _stream(link: Link) -> AsyncGenerator[Chunk, None]:
    async for chunk in link.chunks():
        if not chunk.data:
            raise NotHeld("a link yields chunks with bytes in them", repr(chunk))
        if chunk.fault:
            raise NotHeld("a link finds no fault with what the far side says", repr(chunk))
        yield chunk


async def _take(stream: AsyncIterator[Chunk], count: int) -> list[Chunk]:
    """The next chunks until `count` bytes are there; more than `count` is a finding, too."""
    chunks: list[Chunk] = []
    while (missing := count - sum(len(chunk.data) for chunk in chunks)) > 0:
        try:
            chunks.append(await _soon(anext(stream), f"{missing} more bytes come"))
        except StopAsyncIteration as error:
            raise NotHeld(f"{missing} more bytes come", "the stream ended") from error
    if missing < 0:
        raise NotHeld(f"{count} bytes come", f"{-missing} more than that")
    return chunks


async def _all(link: Link) -> bytes:
    return b"".join([chunk.data async for chunk in _stream(link)])


async def _refused(work: Awaitable[object], promise: str) -> None:
    try:
        await _soon(work, promise)
    except LinkLost:
        return
    raise NotHeld(promise, "nothing was raised")


async def _soon(work: Awaitable[T], promise: str) -> T:
    try:
        async with asyncio.timeout(PATIENCE_S):
            return await work
    except TimeoutError as error:
        raise NotHeld(promise, f"nothing within {PATIENCE_S:g} s") from error
