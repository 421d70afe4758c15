"""A serial line, to the bit: what a receiver makes of a sender that is set otherwise. Times are whole picoseconds.

A character is a start bit (0), its bits, the lowest first, a parity bit where there is one, and a stop bit (1); the
line rests at 1 (ITU-T V.4 and common practice for start-stop transmission; from memory).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass

from gaugepost.contract.probing import Line

_SECOND = 10**12


@dataclass(frozen=True)
class Wire:
    """Levels of a line: it changes at each of `edges`, from 1 at first."""

    edges: tuple[int, ...]

    def level(self, at: int) -> int:
        """The level at a time."""
        return 1 - bisect_right(self.edges, at) % 2

    def falls(self, after: int) -> int | None:
        """When it next goes from 1 to 0 at or after a time."""
        index = bisect_right(self.edges, after - 1)
        index += index % 2
        return self.edges[index] if index < len(self.edges) else None

    def rises(self, after: int) -> int | None:
        """When it is next at 1, at or after a time."""
        if self.level(after):
            return after
        index = bisect_right(self.edges, after)
        return self.edges[index] if index < len(self.edges) else None


def parity_of(byte: int, line: Line) -> list[int]:
    """The parity bit of a byte, in a list; empty where the line has none."""
    if line.parity == "none":
        return []
    odd = byte.bit_count() % 2
    return [odd if line.parity == "even" else 1 - odd]


def sent(data: bytes, line: Line, gaps: Sequence[int] = (0,), drift_ppm: int = 0) -> Wire:
    """Send bytes; `gaps` are pauses between them in tenths of a bit, used in turn."""
    bit = _SECOND * (1_000_000 + drift_ppm) // 1_000_000 // line.baud
    at, level, edges = 20 * bit, 1, list[int]()
    for number, byte in enumerate(data):
        low = byte & (1 << line.bits) - 1
        for one in (0, *(low >> place & 1 for place in range(line.bits)), *parity_of(low, line), 1):
            if one != level:
                edges.append(at)
                level = one
            at += bit
        at += gaps[number % len(gaps)] * bit // 10
    return Wire(tuple(edges))


def received(wire: Wire, line: Line, *, resumes: bool, marks: bool = True) -> tuple[bytes, bytes]:
    """Return the bytes that come undamaged and damaged; without `marks` all pass for undamaged.

    After a stop bit that was none, a receiver takes it for the next start bit (`resumes`), or waits for the line to
    rest: there are both kinds.
    """
    bit, good, bad, at = _SECOND // line.baud, bytearray(), bytearray(), 0
    while (start := wire.falls(at)) is not None:
        at = start
        while True:
            if wire.level(at + bit // 2):  # too short for a start bit
                at += bit // 2
                break
            middle = at + bit // 2
            byte = sum(wire.level(middle + (place + 1) * bit) << place for place in range(line.bits))
            middle += line.bits * bit
            right = True
            for expected in parity_of(byte, line):
                middle += bit
                right = wire.level(middle) == expected
            middle += bit
            stopped = wire.level(middle) == 1
            (good if (right and stopped) or not marks else bad).append(byte)
            if stopped or not resumes:
                rested = wire.rises(middle)
                if rested is None:
                    return bytes(good), bytes(bad)
                at = rested
                break
            at = middle - bit // 2
    return bytes(good), bytes(bad)
