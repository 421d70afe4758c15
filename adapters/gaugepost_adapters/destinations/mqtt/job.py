"""What is to be published over a connection in one go, and what the broker lets through."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from gaugepost_adapters.destinations.mqtt.messages import Message


@dataclass(slots=True)
class Job:
    """Messages to publish, made one by one when their turn comes, and the broker's answers by their place."""

    messages: Iterator[Message]
    answers: list[int | None]
    """Reason codes; None where there is none yet."""
    most_in_flight: int
    done: Callable[[], None]
    """Told once there will be no more answers; not where the connection ends before."""
    next: int = 0
    out: dict[int, int] = field(default_factory=dict)
    """Packet identifiers that are on their way, and the place of their message."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What the broker said it takes (MQTT 5.0, 3.2.2.3)."""

    in_flight: int
    packet_bytes: int | None
