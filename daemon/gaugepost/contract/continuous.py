"""What a destination offers besides batches where its far side answers for each record by itself.

A batch waits for the answers to the one before it, and its boundaries are kept on disk first: each record of a moment
when much is measured waits for both. Over a stream records go out as they come to be in the journal. Nothing else
changes: the cursor follows the answers, and whatever is not plainly held goes out again, in batches.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, runtime_checkable

from gaugepost.contract.adapters import Publication


class Stream(Protocol):
    """Records on their way to a far side, in order. It ends for good at the first that is not plainly held."""

    @property
    def held(self) -> int:
        """Sequence of the last record that the far side holds, with all that were sent before it; 0 for none."""

    @property
    def over(self) -> bool:
        """Whether it has ended: the far side is gone, or did not take a record."""

    @property
    def room(self) -> int:
        """How many records may be sent now. Where that is none, it is said when there is room again."""

    def send(self, records: Sequence[Publication]) -> None:
        """Send `records`, ascending by sequence and by what was sent before; returns at once."""

    async def settle(self) -> None:
        """Wait until all that was sent is answered, or no answer will come; nothing more may be sent."""


@runtime_checkable
class Continuous(Protocol):
    """A destination whose far side tells a repeat by its record's id, and needs no batches."""

    async def stream(self, news: Callable[[], None]) -> Stream:
        """Begin a stream; `news` is called, in the event loop, when it is over or has room again.

        The destination is open, and nothing is delivered by batch before the stream has settled. Raises `Unreachable`.
        """
