"""Cuts a byte stream into frames, and accounts for every byte of it.

    junk  L L  b b b b ... b  T T
          │    │              └ terminator, 1 to 4 bytes
          │    └ body: what a decoder reads
          └ lead-in, where the gauge sends one; what stands before it is no part of the frame

The cuts depend on the bytes alone, never on how they were split into chunks.
"""

from __future__ import annotations

from typing import NamedTuple

from gaugepost.contract import MAX_FRAME_BYTES


class Piece(NamedTuple):
    """A stretch of the stream: a frame with its body, or (`fault` set) bytes that are no frame."""

    raw: bytes
    body: bytes
    fault: str = ""


PACKET_BEGAN = "a packet began before the frame ended"


class Framer:
    """Holds what has come of the next frame. `split`, `end` and `forget` between them return every byte once.

    Bytes that run on for longer than `MAX_FRAME_BYTES` are handed on in pieces of at most that size; the next frame
    begins after the next terminator, or at the next lead-in.
    """

    def __init__(self, terminator: bytes, start: bytes = b"") -> None:
        self._terminator = terminator
        self._start = start
        self._pending = b""
        self._overlong = False
        # What is cut off for its length ends before the last bytes, which may begin a terminator or a lead-in.
        self._longest_cut = MAX_FRAME_BYTES - max(len(terminator), len(start)) + 1

    def split(self, data: bytes, complete: bool = False) -> list[Piece]:
        """Return what `data` completes; with `complete`, its edges are a packet's edges and end a frame too."""
        pieces = self.forget() if complete else []
        data = self._pending + data
        head = 0
        while True:
            stop = data.find(self._terminator, head, head + MAX_FRAME_BYTES)
            if stop >= 0:
                end = stop + len(self._terminator)
                pieces += self._stretch(data[head:end], data[head:stop])
                head = end
            elif len(data) - head >= MAX_FRAME_BYTES:
                end = self._cut(data, head)
                pieces.append(Piece(data[head:end], b"", self._too_long()))
                head = end
            else:
                break
        self._pending = data[head:]
        if complete and self._pending:
            rest, self._pending = self._pending, b""
            pieces += self._stretch(rest, rest)
        return pieces

    def settle(self, fault: str) -> list[Piece]:
        """Return half a frame, as `forget`: a silence ends no frame that has a terminator."""
        return self.forget(fault)

    def forget(self, fault: str = PACKET_BEGAN) -> list[Piece]:
        """Return half a frame, where there is one, as a piece with the fault given; the next byte begins a frame."""
        pending, self._pending, self._overlong = self._pending, b"", False
        return [Piece(pending, b"", fault)] if pending else []

    def _stretch(self, raw: bytes, body: bytes) -> list[Piece]:
        overlong, self._overlong = self._overlong, False
        at = body.rfind(self._start) if self._start else 0
        if at < 0 or (overlong and not self._start):
            fault = (
                self._too_long()
                if overlong
                else f"no lead-in {self._start.decode('latin-1')!r} before the end"
            )
            return [Piece(raw, b"", fault)]
        frame = Piece(raw[at:], body[at + len(self._start) :])
        return [Piece(raw[:at], b"", "bytes before the lead-in"), frame] if at else [frame]

    def _cut(self, data: bytes, head: int) -> int:
        """Where to cut bytes that are too long for a frame: at the last lead-in, else as late as may be."""
        at = data.rfind(self._start, head + 1, head + MAX_FRAME_BYTES) if self._start else -1
        self._overlong = at < 0
        return at if at > 0 else head + self._longest_cut

    def _too_long(self) -> str:
        return f"no end of a frame within {MAX_FRAME_BYTES} bytes"
