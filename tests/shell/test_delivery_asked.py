"""A far side that asks to be left alone is left alone, within reason."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import ClassVar

import pytest

from gaugepost.contract import AdapterSettings, LinkLost, Outcome, Publication, Unreachable
from gaugepost.core.record import Kind, Record
from gaugepost.edge.cursors import Cursors
from gaugepost.edge.journal import Journal, Reader
from gaugepost.shell.delivery import Delivery
from gaugepost.shell.growth import Growth
from gaugepost.shell.patience import asked_s

PATIENCE_S = 20.0
"""Bounds a failure; a passing test never waits that long."""


class Asking:
    """A destination that asks once to be left alone, and then takes everything."""

    Settings: ClassVar[type[AdapterSettings]] = AdapterSettings

    def __init__(self, retry_after_s: float | None) -> None:
        self.retry_after_s = retry_after_s
        self.called_at: list[float] = []

    async def open(self) -> None:
        pass

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        self.called_at.append(asyncio.get_running_loop().time())
        if len(self.called_at) == 1:
            raise Unreachable("too much at once", retry_after_s=self.retry_after_s)
        sequence = batch[-1]["sequence"]
        assert isinstance(sequence, int)
        return Outcome(sequence)

    async def close(self) -> None:
        pass


async def until(condition: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE_S):
        while not condition():  # noqa: ASYNC110 - what is waited for has no event of its own
            await asyncio.sleep(0.005)


async def calls(folder: Path, far: Asking, *, drained: bool) -> list[float]:
    """Return when `far` was called until it had the one record of a journal, asked to hurry or not."""
    with (
        closing(Journal.open(folder / "journal.db", "bench 1")) as journal,
        closing(Cursors(folder / "deliveries.db", first_start=True)) as cursors,
        closing(Reader(folder / "journal.db")) as reader,
    ):
        growth = Growth(journal.append([Record(kind=Kind.READING, measured_at=1, clock_ms=1)])[-1].sequence)
        delivery = Delivery(
            "far", far, reader, cursors, growth, None, kind="asking", utc_ms=lambda: 0, random=lambda: 0.0
        )
        task = asyncio.create_task(delivery.run())
        try:
            await until(lambda: bool(far.called_at) and delivery.status().state != "delivering")
            if drained:
                assert await delivery.drain(PATIENCE_S)
            await until(lambda: delivery.status().lag == 0)
        finally:
            task.cancel()
            await asyncio.gather(task, return_exceptions=True)
    return far.called_at


@pytest.mark.asyncio
async def test_what_the_far_side_asks_for_is_waited(tmp_path: Path) -> None:
    """The next attempt comes no sooner than the far side asked, and the pause of our own comes on top."""
    first, second = await calls(tmp_path, Asking(1.0), drained=False)
    assert second - first >= 1.5 - 0.05  # a loop's timer may fire a tick early


@pytest.mark.asyncio
async def test_an_end_does_not_wait_for_it(tmp_path: Path) -> None:
    """At shutdown it is tried once more at once, whatever it asked for: the next start may be days away."""
    first, second = await calls(tmp_path, Asking(3000.0), drained=True)
    assert second - first < 3000


@pytest.mark.parametrize(
    ("asked", "waited"),
    [
        (None, 0),
        (0, 0),
        (7.5, 7.5),
        (3600, 3600),
        (1e9, 3600),
        (float("inf"), 3600),
        (-5, 0),
        (float("nan"), 0),
    ],
)
def test_absurd_requests_are_bounded(asked: float | None, waited: float) -> None:
    """An hour at most, never a time that is past, and no answer that is not a number stops a delivery."""
    assert asked_s(Unreachable("later", retry_after_s=asked)) == waited


def test_other_causes_ask_for_nothing() -> None:
    """Only what a far side said counts."""
    assert asked_s(LinkLost("gone")) == 0
