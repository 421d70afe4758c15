"""A source of commands kept connected: what is told of it, and that its faults are its own."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager, suppress

import pytest

from gaugepost.contract import Asked, Unreachable
from gaugepost.shell.command_intake import CommandIntake

pytestmark = pytest.mark.asyncio

ACCEPTED = {"accepted": True, "request": "a", "text": "done"}


class Source:
    """A source that the test speaks through: each connection ends with what it is told to raise."""

    def __init__(self) -> None:
        self.asked: asyncio.Queue[Asked | Exception] = asyncio.Queue()
        self.answers: list[Mapping[str, object]] = []
        self.connections = self.closed = 0
        self.refusal: Exception | None = None

    def ask(self, name: str) -> None:
        self.asked.put_nowait(Asked(name, b"{}", self.answers.append))

    def connect(self) -> AbstractAsyncContextManager[AsyncIterator[Asked]]:
        return self._connection()

    @asynccontextmanager
    async def _connection(self) -> AsyncIterator[AsyncIterator[Asked]]:
        self.connections += 1
        refusal, self.refusal = self.refusal, None
        if refusal is not None:
            raise refusal
        try:
            yield self._coming()
        finally:
            self.closed += 1

    async def _coming(self) -> AsyncIterator[Asked]:
        while True:
            found = await self.asked.get()
            if isinstance(found, Exception):
                raise found
            yield found


async def until(intake: CommandIntake, state: str) -> None:
    async with asyncio.timeout(30):
        while intake.status().state != state:  # noqa: ASYNC110 - nothing tells of it
            await asyncio.sleep(0.001)


async def settled(source: Source, count: int) -> None:
    async with asyncio.timeout(30):
        while len(source.answers) < count:  # noqa: ASYNC110 - nothing tells of it
            await asyncio.sleep(0.001)


def intake_of(source: Source) -> CommandIntake:
    return CommandIntake("broker", source.connect, lambda: 1000, random=lambda: 0.0)


async def ended(task: asyncio.Task[None]) -> None:
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_commands_are_answered_in_order_and_counted() -> None:
    """One command is carried out after the other, each answer goes to its asker, and both kinds are counted."""
    source, order = Source(), []

    async def carry_out(name: str, _: bytes) -> Mapping[str, object]:
        order.append(name)
        await asyncio.sleep(0)
        order.append(f"{name} done")
        return ACCEPTED if name != "b" else {"status": 409, "detail": "no"}

    intake = intake_of(source)
    task = asyncio.create_task(intake.run(carry_out))
    for name in "abc":
        source.ask(name)
    await settled(source, 3)
    assert order == ["a", "a done", "b", "b done", "c", "c done"]
    assert [each.get("status") for each in source.answers] == [None, 409, None]
    status = intake.status()
    assert (status.destination, status.state, status.accepted, status.refused) == (
        "broker",
        "listening",
        2,
        1,
    )
    await ended(task)
    assert source.closed == 1


async def test_a_source_that_is_lost_is_connected_again() -> None:
    """Where it can't be had, or is lost, its status says why, and commands come again over a new connection."""
    source = Source()
    source.refusal = Unreachable("not let in", hint="ask whoever runs it")

    async def carry_out(_: str, __: bytes) -> Mapping[str, object]:
        return ACCEPTED

    intake = intake_of(source)
    assert intake.status().state == "connecting"
    task = asyncio.create_task(intake.run(carry_out))
    await until(intake, "unreachable")
    assert intake.status().last_error == "not let in; ask whoever runs it"
    await until(intake, "listening")
    source.asked.put_nowait(Unreachable("gone"))
    await until(intake, "unreachable")
    await until(intake, "listening")
    source.ask("a")
    await settled(source, 1)
    assert intake.status().last_error == "gone"
    assert source.connections == 3
    await ended(task)
    assert source.closed == 2


@pytest.mark.parametrize("bug", [RuntimeError("oops"), TypeError("what")])
async def test_a_bug_of_the_source_ends_its_commands_only(bug: Exception) -> None:
    """What the contract rules out ends this source with its cause, and nothing is raised that would end the daemon."""
    source = Source()

    async def carry_out(_: str, __: bytes) -> Mapping[str, object]:
        return ACCEPTED

    intake = intake_of(source)
    source.asked.put_nowait(bug)
    await asyncio.wait_for(intake.run(carry_out), 30)
    assert intake.status().state == "broken"
    assert intake.status().last_error == f"{type(bug).__name__}: {bug}"
    assert (source.connections, source.closed) == (1, 1)


async def test_what_is_under_way_at_the_end_is_answered() -> None:
    """A command that is on its way to the disk when the service ends is carried out to its end, and its asker hears."""
    source, begun, go_on = Source(), asyncio.Event(), asyncio.Event()

    async def carry_out(_: str, __: bytes) -> Mapping[str, object]:
        begun.set()
        await go_on.wait()
        return ACCEPTED

    task = asyncio.create_task(intake_of(source).run(carry_out))
    source.ask("a")
    await asyncio.wait_for(begun.wait(), 30)
    task.cancel()
    await asyncio.sleep(0)
    go_on.set()
    with suppress(asyncio.CancelledError):
        await task
    assert source.answers == [ACCEPTED]
