"""A destination held to its contract: whatever else it does than answer is its bug, and ends only its own delivery."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Sequence
from typing import TypeVar

from gaugepost.contract import Continuous, Destination, Outcome, Publication, Stream, Unreachable
from gaugepost.edge.cursors import Batch

CLOSING_S = 5.0
"""How long a destination may take to let go."""

T = TypeVar("T")


class Broken(Exception):
    """The destination did what its contract rules out."""


class FarSide:
    """One destination. Every method raises `Broken` for what the contract rules out."""

    def __init__(self, destination: Destination) -> None:
        self._destination = destination
        self._open = False

    async def open(self) -> None:
        """Have it get ready. Raises `Unreachable`."""
        self._open = True
        await _ask(self._destination.open())

    async def hand_over(
        self, batch: Sequence[Publication], bounds: Batch
    ) -> tuple[int, list[tuple[int, str]]]:
        """Hand `batch` over; return the sequence through which it was dealt with, and what of that was refused.

        Raises `Unreachable`, also where nothing of it was taken.
        """
        outcome = await _ask(self._destination.deliver(batch, bounds.key))
        refused = _refusals(outcome, batch, bounds)
        if outcome.through < bounds.first:
            raise Unreachable(f"none of {len(batch)} records was taken", hint="they are kept and sent again")
        return outcome.through, refused

    @property
    def is_continuous(self) -> bool:
        """Whether it takes records as they come."""
        return isinstance(self._destination, Continuous)

    async def stream(self, news: Callable[[], None]) -> Stream:
        """Begin a stream; `news` is called when it is over or has room again. Raises `Unreachable`."""
        if not isinstance(self._destination, Continuous):
            raise TypeError("it takes batches only")
        return await _ask(self._destination.stream(news))

    async def close(self) -> None:
        """Have it let go, if it was ever opened since."""
        if not self._open:
            return
        self._open = False
        try:
            async with asyncio.timeout(CLOSING_S):
                await self._destination.close()
        except Exception as cause:
            raise Broken(_named(cause)) from cause


async def _ask(call: Awaitable[T]) -> T:
    """Await the destination. `Unreachable` comes out as it is, anything else as `Broken`."""
    try:
        return await call
    except Unreachable:
        raise
    except asyncio.CancelledError as cause:
        task = asyncio.current_task()
        if task is not None and task.cancelling():
            raise
        # Raised as it is, this delivery would end in silence.
        raise Broken("it was cancelled from inside") from cause
    except Exception as cause:
        raise Broken(_named(cause)) from cause


def _named(cause: Exception) -> str:
    return f"{type(cause).__name__}: {cause}"


def _refusals(outcome: object, batch: Sequence[Publication], bounds: Batch) -> list[tuple[int, str]]:
    """Return the refused sequences with their answers. Raises `Broken` for an outcome that can't be."""
    if not isinstance(outcome, Outcome) or not bounds.first - 1 <= outcome.through <= bounds.last:
        raise Broken(f"it answered {outcome!r} to a batch from {bounds.first} to {bounds.last}")
    sequences = {publication["id"]: publication["sequence"] for publication in batch}
    refused = []
    for refusal in outcome.refused:
        sequence = sequences.get(refusal.id)
        if not isinstance(sequence, int) or sequence > outcome.through:
            raise Broken(f"it refused {refusal.id}, which is not among the records it has dealt with")
        refused.append((sequence, refusal.answer))
    return refused
