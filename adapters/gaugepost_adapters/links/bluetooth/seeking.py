"""Which gauge is sought, and when it is listened for again after it was not heard.

An adapter has one radio. While it scans it dwells on the advertising channels, and connected gauges get what is left of
its time: their values come late, at worst their connections end. So, while others are connected, a gauge that is away
is listened for in short goes with growing pauses between them; with nobody to slow, all the time.
"""

from __future__ import annotations

from dataclasses import dataclass

SEEK_S = 15.0
"""How long a gauge is listened for in one go; most advertise at least once in 10 s (common practice, no source)."""
AGAIN_S = 5.0
"""How long in a further go while others are connected. The longest advertising interval is 10.24 s (Core, Vol 6,
Part B, 4.4.2.2; from memory): a gauge that advertises so seldom is heard in every other go."""
FIRST_PAUSE_S = 2.0
LONGEST_PAUSE_S = 30.0
"""With `AGAIN_S`, a seventh of the radio's time at most for gauges that are away for long."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which gauge is meant: by its address, or by its name and a service that it advertises."""

    address: str | None
    name: str | None
    service: str | None

    def is_it(self, address: str, name: str | None, services: list[str]) -> bool:
        """Return whether this is the gauge."""
        if self.address is not None:
            return address.upper() == self.address
        return name == self.name and self.service in services

    def __str__(self) -> str:
        return self.address or f'"{self.name}"'


class Pauses:
    """How often each gauge was not heard in a row, and from when it is listened for again. Instants in s, any clock."""

    def __init__(self) -> None:
        self._missed: dict[Wanted, tuple[int, float]] = {}

    def due_s(self, wanted: Wanted) -> float:
        """Return from when it is listened for; long ago where it was not missed."""
        return self._missed.get(wanted, (0, float("-inf")))[1]

    def go_s(self, wanted: Wanted) -> float:
        """Return how long it is listened for in its next go while others are connected."""
        return AGAIN_S if wanted in self._missed else SEEK_S

    def missed(self, wanted: Wanted, now_s: float) -> float:
        """Note that it was not heard in a go that ended at `now_s`; return the pause that follows, in s."""
        times = self._missed.get(wanted, (0, 0.0))[0] + 1
        pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(times - 1, 16))
        self._missed[wanted] = times, now_s + pause_s
        return pause_s

    def forget(self, wanted: Wanted) -> None:
        """It was found, or somebody wants it now: its next go is at once, and a long one."""
        self._missed.pop(wanted, None)

    def clear(self) -> None:
        """Forget all of them."""
        self._missed.clear()
