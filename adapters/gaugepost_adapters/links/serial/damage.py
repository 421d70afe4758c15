"""Listening under any setting of the line, with every byte that came damaged told as such: for a lesson.

The kernel tells damage among the bytes themselves (PARMRK, termios(3)):

    FF 00 x     byte x came with a framing or parity error; x = 00 is a break too
    FF FF       the byte FF
"""

from __future__ import annotations

import termios
from collections.abc import Iterator

from gaugepost.contract import Chunk, SettingsError
from gaugepost.contract.probing import Line

DAMAGED = "a framing or parity error"
_MARK = 0xFF


class Marks:
    """Takes the kernel's marks out of what is read: a mark may be cut between two reads."""

    def __init__(self) -> None:
        self._rest = b""

    def split(self, chunk: Chunk) -> Iterator[Chunk]:
        """Yield the bytes of a chunk, those that came damaged in chunks with a fault."""
        data, at, right, damaged = self._rest + chunk.data, 0, bytearray(), bytearray()
        while at < len(data):
            if data[at] != _MARK:
                right.append(data[at])
                at += 1
            elif data[at + 1 : at + 2] == b"\xff":
                right.append(_MARK)
                at += 2
            elif data[at + 1 : at + 2] == b"\0" and at + 2 < len(data):
                damaged.append(data[at + 2])
                at += 3
            elif at + 2 >= len(data):
                break
            else:  # not from the kernel: taken as it is
                right.append(_MARK)
                at += 1
        self._rest = data[at:]
        if right:
            yield Chunk(bytes(right), chunk.arrived)
        if damaged:
            yield Chunk(bytes(damaged), chunk.arrived, fault=DAMAGED)


def set_and_mark(descriptor: int, place: str, line: Line) -> None:
    """Give an open port the bits and parity of `line`, and have the kernel mark what comes damaged.

    Raises:
        SettingsError: there is no line behind this port that could be set or damage anything.
    """
    if not _takes_parity(descriptor):
        raise SettingsError(
            f"{place} is no line that can be probed: it takes no parity",
            hint="a program is at its other end, so nothing has to be set; for any other port give baud",
        )
    attributes = termios.tcgetattr(descriptor)
    attributes[0] |= termios.PARMRK | termios.INPCK
    attributes[0] &= ~(termios.IGNPAR | termios.IGNBRK | termios.BRKINT | termios.ISTRIP)
    attributes[2] &= ~(termios.CSIZE | termios.PARENB | termios.PARODD)
    attributes[2] |= termios.CS7 if line.bits == 7 else termios.CS8
    attributes[2] |= {"none": 0, "even": termios.PARENB, "odd": termios.PARENB | termios.PARODD}[line.parity]
    termios.tcsetattr(descriptor, termios.TCSANOW, attributes)
    termios.tcflush(descriptor, termios.TCIFLUSH)


def _takes_parity(descriptor: int) -> bool:
    """Whether a port keeps a parity that it is given: a pseudo-terminal does not. It is left as it was."""
    before = termios.tcgetattr(descriptor)
    tried = termios.tcgetattr(descriptor)
    tried[2] ^= termios.PARENB
    try:
        termios.tcsetattr(descriptor, termios.TCSANOW, tried)
        kept: bool = termios.tcgetattr(descriptor)[2] & termios.PARENB == tried[2] & termios.PARENB
    except termios.error:
        return False
    termios.tcsetattr(descriptor, termios.TCSANOW, before)
    return kept
