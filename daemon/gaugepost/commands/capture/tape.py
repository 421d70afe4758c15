"""Where one frame ends and the next begins in what comes in, and when each began."""

from __future__ import annotations

import asyncio
from typing import TextIO

from gaugepost.contract import Chunk, Decoded
from gaugepost.contract.capture import Captured, frame_text


class Tape:
    """Cuts what came into the decoder's frames, each with the time of its first byte, and writes them down."""

    def __init__(self, output: TextIO, most: int | None, stop: asyncio.Event) -> None:
        self.count = 0
        self.last_ms = 0
        self._output, self._most, self._stop = output, most, stop
        self._first_ms: int | None = None
        self._open_ms: dict[str, int] = {}
        """By the link's channel, when the frame that is coming in began."""
        self._held: dict[str, int] = {}
        """By the link's channel, how many bytes of it are in."""
        self._waiting: list[Decoded] = []
        self._complete, self._channel = False, ""

    def hear(self, chunk: Chunk, decoded: list[Decoded]) -> None:
        """Take a chunk and what the decoder said to it."""
        self.last_ms = chunk.arrived.clock_ms
        self._first_ms = self.last_ms if self._first_ms is None else self._first_ms
        self._complete, self._channel = chunk.complete, chunk.channel
        if not self._held.get(chunk.channel):
            self._open_ms[chunk.channel] = self.last_ms
        self._held[chunk.channel] = self._held.get(chunk.channel, 0) + len(chunk.data)
        self.events(decoded)

    def events(self, decoded: list[Decoded]) -> None:
        """Write what became complete."""
        for event in decoded:
            self._waiting.append(event)
            if event.raw and not self._stop.is_set():
                at_ms = self._open_ms[self._channel] - (self._first_ms or 0)
                frame = Captured(event.raw, at_ms, self._channel, self._complete)
                self._output.write(frame_text(frame, self._waiting))
                self._output.flush()
                self._waiting, self.count = [], self.count + 1
                # Whatever else came with this chunk began with it.
                self._open_ms[self._channel] = self.last_ms
                self._held[self._channel] -= len(event.raw)
                if self.count == self._most:
                    self._stop.set()
