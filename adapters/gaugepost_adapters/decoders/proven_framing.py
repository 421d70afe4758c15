"""Cuts bytes into frames where no terminator can: any byte may stand in a frame, so that a frame has to prove itself.

    junk  S S  b b l b ... b  k k  T
          │        │          │    └ terminator, where there is one, at the place that the length says
          │        │          └ check, where there is one
          │        └ length field, where frames differ in length
          └ start mark

What fails the proof is no frame, and the next one is looked for right behind the start mark of the failed one: a byte
that was lost or added costs the frame it hit and no other. The cuts depend on the bytes alone, never on the chunks.
"""

from __future__ import annotations

from collections.abc import Callable

from gaugepost.contract import MAX_FRAME_BYTES
from gaugepost_adapters.decoders.framing import PACKET_BEGAN, Piece

Proof = Callable[[bytes], str]
"""Says why a frame, whole, is none; nothing where it is one."""
Length = Callable[[bytes], int]
"""Says from a frame's first bytes how many it has in all; 0 where that can't be told yet."""

NO_START = "bytes before the start mark"


class ProvenFramer:
    """Frames behind a start mark, of known length, each with a proof: linear in the bytes, times a frame's length."""

    def __init__(self, start: bytes, terminator: bytes, length: Length, proof: Proof) -> None:
        self._start, self._terminator, self._length, self._proof = start, terminator, length, proof
        self._held = b""
        self._scan = 0
        """Where in `_held` the next start mark may be; what is before it is no frame."""
        self._fault, self._fault_end = "", 0
        """Why a frame at the beginning of `_held` failed, and where it would have ended."""

    def split(self, data: bytes, complete: bool = False) -> list[Piece]:
        """Return what `data` completes; a packet's edges are frames' edges too."""
        pieces = self.forget(PACKET_BEGAN) if complete else []
        for at in range(0, len(data), MAX_FRAME_BYTES):
            self._held += data[at : at + MAX_FRAME_BYTES]
            pieces += self._cut()
        if complete:
            pieces += self.settle("the packet ended before the frame did")
        return pieces

    def settle(self, fault: str) -> list[Piece]:
        """Return what is held: it gets no longer, so what stands behind a start mark that led nowhere can be read."""
        pieces: list[Piece] = []
        while self._scan < len(self._held):
            self._scan += 1
            pieces += self._cut()
        return [*pieces, *self.forget(fault)]

    def forget(self, fault: str) -> list[Piece]:
        """Return what is held as a piece with a fault; the next byte begins a frame."""
        pieces: list[Piece] = []
        while self._held:
            pieces += self._drop(min(len(self._held), MAX_FRAME_BYTES), fault)
        self._scan = 0
        return pieces

    def _cut(self) -> list[Piece]:
        pieces: list[Piece] = []
        while True:
            at = self._held.find(self._start, self._scan)
            # The last bytes may be the beginning of a mark.
            self._scan = at if at >= 0 else max(self._scan, len(self._held) - len(self._start) + 1)
            if self._fault and self._fault_end <= self._scan:
                pieces += self._drop(self._fault_end, NO_START)
                continue
            if self._scan >= MAX_FRAME_BYTES:
                pieces += self._drop(MAX_FRAME_BYTES, NO_START)
                continue
            if at < 0:
                return pieces
            length = self._length(self._held[at:])
            if length == 0 or len(self._held) - at < length:
                return pieces
            frame = self._held[at : at + length]
            fault = self._proof(frame)
            if not fault:
                pieces += self._drop(at, NO_START)
                body = frame[len(self._start) : len(frame) - len(self._terminator)]
                pieces.append(Piece(frame, body))
                self._held, self._scan = self._held[length:], 0
                continue
            if not self._fault:
                pieces += self._drop(at, NO_START)
                self._fault, self._fault_end = fault, length
            self._scan += 1

    def _drop(self, count: int, fault: str) -> list[Piece]:
        """Return the first `count` bytes as no frame, for the reason that is known or else for `fault`."""
        raw, self._held = self._held[:count], self._held[count:]
        self._scan = max(0, self._scan - count)
        fault, self._fault, self._fault_end = self._fault or fault, "", 0
        return [Piece(raw, b"", fault)] if raw else []


class EdgeFramer:
    """Frames that have nothing but edges: each packet is one, or each burst of bytes between two silences."""

    def __init__(self, by_silence: bool, start: bytes, terminator: bytes) -> None:
        self._by_silence, self._start, self._terminator = by_silence, start, terminator
        self._held = b""
        self._overlong = False

    def split(self, data: bytes, complete: bool = False) -> list[Piece]:
        """Return the packet; of a burst only what is too long to be a frame."""
        if complete:
            pieces = self.forget(PACKET_BEGAN)
            if len(data) <= MAX_FRAME_BYTES:
                return [*pieces, self._frame(data)] if data else pieces
            return [*pieces, *self._parts(data, f"a packet of more than {MAX_FRAME_BYTES} bytes")]
        self._held += data
        pieces = []
        while len(self._held) > MAX_FRAME_BYTES:
            self._overlong = True
            pieces.append(Piece(self._held[:MAX_FRAME_BYTES], b"", self._reason("")))
            self._held = self._held[MAX_FRAME_BYTES:]
        return pieces

    def settle(self, fault: str) -> list[Piece]:
        """Return the burst that the silence ends."""
        if self._by_silence and self._held and not self._overlong:
            held, self._held = self._held, b""
            return [self._frame(held)]
        return self.forget(fault)

    def forget(self, fault: str) -> list[Piece]:
        """Return what is held as a piece with the fault given."""
        held, self._held = self._held, b""
        pieces = [Piece(held, b"", self._reason(fault))] if held else []
        self._overlong = False
        return pieces

    def _frame(self, raw: bytes) -> Piece:
        body = raw[len(self._start) : len(raw) - len(self._terminator)]
        if raw != self._start + body + self._terminator:
            return Piece(raw, b"", "it does not begin and end as frames do")
        return Piece(raw, body)

    def _reason(self, fault: str) -> str:
        if not self._by_silence:
            return "bytes of a stream, where each packet is a frame"
        return f"no silence within {MAX_FRAME_BYTES} bytes" if self._overlong else fault

    @staticmethod
    def _parts(data: bytes, fault: str) -> list[Piece]:
        return [
            Piece(data[at : at + MAX_FRAME_BYTES], b"", fault) for at in range(0, len(data), MAX_FRAME_BYTES)
        ]
