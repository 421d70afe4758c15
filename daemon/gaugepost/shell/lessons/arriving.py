"""Bytes as they come, before anything is made of them: a person sees that something comes at all, and what."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from gaugepost.contract import Chunk

QUIET_S = 0.1
"""A silence after which what came is told: a serial port hands a frame on in pieces."""
MOST_BYTES = 96
"""Bytes that are told together of what never pauses."""


@dataclass(frozen=True, slots=True)
class Came:
    """What came over one channel without a pause, or a packet; with a `fault` the bytes are passed over."""

    measurement: int
    """The measurement of the lesson that it came for, counted from 1."""
    data: bytes
    channel: str
    utc_ms: int
    packet: bool
    fault: str = ""


class Arrivals:
    """Puts together what comes over a link, and tells it."""

    def __init__(self, measurement: Callable[[], int], told: Callable[[Came], None]) -> None:
        self._measurement, self._told = measurement, told
        self._held: dict[str, tuple[bytes, int]] = {}
        self._timer: asyncio.TimerHandle | None = None

    def add(self, chunk: Chunk) -> None:
        """Take what came; it is told when nothing more comes for a moment."""
        utc_ms = chunk.arrived.utc_ms
        if chunk.fault:
            self._tell(chunk.data, chunk.channel, utc_ms, fault=chunk.fault)
        elif chunk.data and not chunk.condition and not chunk.trigger:
            if chunk.complete:
                self._tell(chunk.data, chunk.channel, utc_ms, packet=True)
            else:
                data, first_ms = self._held.get(chunk.channel, (b"", utc_ms))
                self._held[chunk.channel] = data + chunk.data, first_ms
                if sum(len(data) for data, _ in self._held.values()) > MOST_BYTES:
                    self.flush()
        self._wait()

    def flush(self) -> None:
        """Tell what is held."""
        held, self._held = self._held, {}
        for channel, (data, utc_ms) in held.items():
            self._tell(data, channel, utc_ms)

    def close(self) -> None:
        """Tell what is held, and no more."""
        if self._timer:
            self._timer.cancel()
        self.flush()

    def _wait(self) -> None:
        if self._timer:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(QUIET_S, self.flush) if self._held else None

    def _tell(self, data: bytes, channel: str, utc_ms: int, *, packet: bool = False, fault: str = "") -> None:
        self._told(Came(self._measurement(), data, channel, utc_ms, packet, fault))
