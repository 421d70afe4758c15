"""The shop's own depth gauge: a letter, a signed count of thousandths, a semicolon.

N  s d d d d d  ;
│  └ count      └ end
└ N: a value; X: the plunger is at its stop, whatever the count
"""

from __future__ import annotations

import re
from typing import ClassVar

from gaugepost.contract import (
    MAX_FRAME_BYTES,
    AdapterSettings,
    BadFrame,
    Chunk,
    Condition,
    Decoded,
    Indication,
    parse_number,
    parse_unit,
)

_FRAME = re.compile(rb"([NX])([+-])([0-9]{2})([0-9]{3});", re.ASCII)


class Settings(AdapterSettings):
    """How the gauge is set."""

    unit: str = "mm"
    """What a thousand counts are."""


class CountedThousandths:
    """Decodes the gauge's frames; half a frame is kept for each channel."""

    Settings: ClassVar[type[AdapterSettings]] = Settings

    def __init__(self, settings: AdapterSettings) -> None:
        assert isinstance(settings, Settings)
        self._unit = parse_unit(settings.unit)
        self._half: dict[str, bytes] = {}

    def feed(self, chunk: Chunk) -> list[Decoded]:
        """Return what became complete with this chunk."""
        events = self._end("a packet began", chunk.channel) if chunk.complete else []
        data = self._half.pop(chunk.channel, b"") + chunk.data
        while (end := data.find(b";") + 1) or len(data) >= MAX_FRAME_BYTES:
            end = min(end or MAX_FRAME_BYTES, MAX_FRAME_BYTES)
            events.append(self._read(data[:end], chunk.channel))
            data = data[end:]
        self._half[chunk.channel] = data
        return [*events, *self._end("a packet ended", chunk.channel)] if chunk.complete else events

    def idle(self, elapsed_s: float) -> list[Decoded]:
        """Give half a frame up after a second."""
        return self._end_all("nothing came for a second") if elapsed_s >= 1 else []

    def request(self, channel: str = "") -> bytes:
        """The gauge is asked by a question mark."""
        return b"?"

    def reset(self) -> list[Decoded]:
        """Give half a frame up: the link was lost."""
        return self._end_all("the link was lost")

    def _read(self, raw: bytes, channel: str) -> Decoded:
        found = _FRAME.fullmatch(raw)
        if not found:
            return BadFrame("not a letter, a sign, five digits and a semicolon", raw, channel)
        letter, sign, whole, part = (group.decode("ascii") for group in found.groups())
        if letter == "X":
            return Condition("X", "plunger at its stop", raw, channel)
        text = f"{sign}{whole}.{part}"
        return Indication(text, parse_number(text), self._unit, raw, channel)

    def _end(self, reason: str, channel: str) -> list[Decoded]:
        half = self._half.pop(channel, b"")
        return [BadFrame(reason, half, channel)] if half else []

    def _end_all(self, reason: str) -> list[Decoded]:
        return [event for channel in [*self._half] for event in self._end(reason, channel)]
