"""What a link without a wire tells beside what its gauge sends: how well it is heard, how full its battery is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable


@dataclass(frozen=True, slots=True)
class Reception:
    """What is known of a gauge by radio; None where it does not say."""

    signal_dbm: int | None = None
    """Received signal strength when it was last looked for, in dBm: -60 is near, -90 hardly heard."""
    battery_percent: int | None = None
    """Battery level as it said last, 0 to 100."""


@runtime_checkable
class Received(Protocol):
    """A link that is heard by radio."""

    def reception(self) -> Reception:
        """Return how its gauge is heard now; nothing known while it is not connected. It asks nobody."""


def reception_of(link: object) -> Reception:
    """Return how a link's gauge is heard; nothing known where there is no radio, or no link at the moment."""
    return link.reception() if isinstance(link, Received) else Reception()
