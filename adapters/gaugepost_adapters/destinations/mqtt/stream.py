"""Records that are published as they come, each acknowledged when the broker likes: what two threads share of it.

The event loop puts records in and looks how far the broker has got; the connection's thread makes packets of them and
takes the acknowledgements; where nothing else is under way the loop makes and writes them itself, and spares the
hand-over. The loop is told only of what it must act upon.
"""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import Callable, Sequence

from gaugepost.contract import Publication
from gaugepost_adapters.destinations.mqtt import reasons
from gaugepost_adapters.destinations.mqtt.messages import Message

_MOST_WAITING = 1000
"""Records that may wait for the broker in memory; the rest waits in the journal."""


class MqttStream:
    """One stream over one connection."""

    def __init__(
        self,
        compose: Callable[[Publication], Message],
        most_in_flight: int,
        publish: Callable[[], None],
        tell: Callable[[Callable[[], None]], None],
        news: Callable[[], None],
    ) -> None:
        """`publish` has what waits published; `tell` has something called in the event loop, as `news` is."""
        self.held = 0
        self.over = False
        self._compose, self._most_in_flight = compose, most_in_flight
        self._publish, self._tell, self._news = publish, tell, news
        self._waiting: deque[Publication] = deque()
        self._out: dict[int, int] = {}
        """Packet identifiers that were sent, and the sequence of their record; those not taken stay."""
        self._unanswered = self._sent = 0
        self._guard = threading.Lock()
        """Held while what is on its way is looked at or changed."""
        self._wants_room = self._ending = False
        self._settled = asyncio.Event()

    # The event loop's.

    @property
    def room(self) -> int:
        """How many records may be sent now."""
        room = _MOST_WAITING - len(self._waiting)
        self._wants_room = room <= 0
        return max(0, room)

    def send(self, records: Sequence[Publication]) -> None:
        """Publish `records`, in order, now or when there is room for them; returns at once."""
        self._waiting.extend(records)
        self._publish()

    async def settle(self) -> None:
        """Wait until all that was published is acknowledged, or nothing more will be."""
        self._ending = True
        self._publish()
        await self._settled.wait()

    # Of whichever thread has something to publish, one at a time.

    @property
    def holds_more(self) -> bool:
        """Whether records wait to be published."""
        return bool(self._waiting)

    @property
    def is_waiting(self) -> bool:
        """Whether acknowledgements are still to come."""
        return self._unanswered > 0

    def packets(
        self, most_in_flight: int, most_bytes: int | None, go_bytes: int, next_identifier: Callable[[], int]
    ) -> bytes:
        """Return packets of what waits, as far as the window allows and about `go_bytes` in one go."""
        with self._guard:
            packets = self._packets(most_in_flight, most_bytes, go_bytes, next_identifier)
        if self._wants_room and len(self._waiting) <= _MOST_WAITING // 2:
            self._wants_room = False
            self._tell(self._news)
        if self._ending and self._unanswered == 0 and (self.over or not self._waiting):
            self._tell(self._settled.set)
        return b"".join(packets)

    def _packets(
        self, most_in_flight: int, most_bytes: int | None, go_bytes: int, next_identifier: Callable[[], int]
    ) -> list[bytes]:
        waiting, out, window = self._waiting, self._out, min(most_in_flight, self._most_in_flight)
        packets, size = list[bytes](), 0
        while waiting and not self.over and len(out) < window and size < go_bytes:
            record = waiting[0]
            identifier = next_identifier()
            packet = self._compose(record).packet(identifier)
            if most_bytes is not None and len(packet) > most_bytes:
                self.end()  # a batch finds out which one it is, and sets it aside
                break
            waiting.popleft()
            sequence = record["sequence"]
            assert isinstance(sequence, int)
            out[identifier] = self._sent = sequence
            self._unanswered += 1
            packets.append(packet)
            size += len(packet)
        return packets

    # The connection's thread's.

    def answered(self, identifier: int, reason: int) -> bool:
        """Take an acknowledgement; return whether it was for a record of this stream."""
        with self._guard:
            if identifier not in self._out:
                return False
            self._unanswered -= 1
            if reason in reasons.TAKEN:
                del self._out[identifier]
                self.held = next(iter(self._out.values())) - 1 if self._out else self._sent
                return True
        self.end()
        return True

    def end(self) -> None:
        """Publish nothing more: a record was not taken."""
        if not self.over:
            self.over = True
            self._tell(self._news)

    # Either's.

    def lost(self) -> None:
        """Say, in the event loop, that the connection is gone: nothing more is acknowledged."""
        self.over = True
        self._news()
        self._settled.set()
