"""What a link with a serial line may offer a lesson: to listen under any setting of the line, and to tell damage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

LineParity = Literal["none", "even", "odd"]


@dataclass(frozen=True, slots=True)
class Line:
    """How a serial line is set: what both its ends have to agree on."""

    baud: int
    bits: Literal[7, 8] = 8
    parity: LineParity = "none"

    def __str__(self) -> str:
        return f"{self.baud} baud, {self.bits} bits, {self.parity} parity"


@runtime_checkable
class Probes(Protocol):
    """A link that can listen with its line set otherwise than its settings say."""

    async def listen_as(self, line: Line) -> None:
        """Open, like `open`, with the line set so. `chunks` then gives bytes that came damaged (framing, parity) in
        chunks of their own, with a fault.

        Raises:
            LinkLost: it can't be opened.
            SettingsError: there is no line that could be set, or whose damage could be told.
        """
