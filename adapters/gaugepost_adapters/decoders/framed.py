"""The bones that all decoders share: a framer for each channel of the link, and numbers made of what frames say."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Protocol

from gaugepost.contract import (
    BadFrame,
    Chunk,
    Condition,
    Decoded,
    Indication,
    Temperature,
    ValueRefused,
    parse_number,
    parse_temperature_c,
    parse_unit,
)
from gaugepost_adapters.decoders.framing import Piece
from gaugepost_adapters.decoders.shared_settings import MeasuringSettings, Status


class Cutter(Protocol):
    """Cuts one channel's bytes into pieces; `split`, `settle` and `forget` between them return every byte once."""

    def split(self, data: bytes, complete: bool = False) -> list[Piece]:
        """Return what `data` completes; with `complete`, its edges are a packet's edges."""

    def settle(self, fault: str) -> list[Piece]:
        """Return what a silence ends: whole frames, and half a frame as a piece with the fault given."""

    def forget(self, fault: str) -> list[Piece]:
        """Return half a frame, where there is one, as a piece with the fault given; the next byte begins a frame."""


class FramedDecoder(ABC):
    """A decoder without the part that reads a frame. Each of a link's channels has its own half frame."""

    def __init__(self, silence: float, cutter: Callable[[], Cutter]) -> None:
        """`silence` is the seconds without a byte that end a frame; `cutter` makes what cuts a channel's bytes."""
        self._silence = silence
        self._cutter = cutter
        self._cutters: dict[str, Cutter] = {}

    def feed(self, chunk: Chunk) -> list[Decoded]:
        """Return what became complete with this chunk, in the order of arrival."""
        cutter = self._cutters.get(chunk.channel)
        if cutter is None:
            cutter = self._cutters[chunk.channel] = self._cutter()
        return self._read(cutter.split(chunk.data, chunk.complete), chunk.channel)

    def idle(self, elapsed_s: float) -> list[Decoded]:
        """Return what is ended once `silence` has passed: half frames are bad ones."""
        if elapsed_s < self._silence:
            return []
        decoded: list[Decoded] = []
        for channel, cutter in self._cutters.items():
            decoded += self._read(
                cutter.settle(f"half a frame, then nothing for {self._silence:g} s"), channel
            )
        return decoded

    def request(self, channel: str = "") -> bytes:
        """Return the bytes that ask for a value: none, unless the decoder says otherwise."""
        return b""

    def reset(self) -> list[Decoded]:
        """Return half frames as bad ones: the link was lost in the middle of them."""
        decoded: list[Decoded] = []
        for channel, cutter in self._cutters.items():
            decoded += self._read(cutter.forget("half a frame, then the link was lost"), channel)
        return decoded

    def _read(self, pieces: list[Piece], channel: str) -> list[Decoded]:
        decoded: list[Decoded] = []
        for piece in pieces:
            if piece.fault:
                decoded.append(BadFrame(piece.fault, piece.raw, channel))
                continue
            try:
                decoded += self.decode(piece, channel)
            except ValueRefused as refused:
                decoded.append(BadFrame(str(refused.finding), piece.raw, channel))
        return decoded

    @abstractmethod
    def decode(self, piece: Piece, channel: str) -> list[Decoded]:
        """Return what one frame says.

        Raises:
            ValueRefused: it says nothing that counts; its finding is the bad frame's reason.
        """


class MeasuringDecoder(FramedDecoder):
    """A framed decoder whose frames hold numbers."""

    def __init__(self, settings: MeasuringSettings, cutter: Callable[[], Cutter]) -> None:
        super().__init__(settings.silence, cutter)
        self._measuring = settings

    def request(self, channel: str = "") -> bytes:
        """Return the bytes that ask for a value; empty where `request` is, or where it needs a channel and has none."""
        return self._measuring.asking(channel)

    def confirmation(self, channel: str = "") -> bytes:
        """Return the bytes that say that a value was kept; empty where none are expected."""
        return self._measuring.confirming(channel)

    def measured(self, text: str, unit: str | None, raw: bytes, channel: str) -> Indication | Temperature:
        """Return the number shown as `text` in `unit` (a scale, of temperatures); None is the one in the settings.

        Raises:
            ValueRefused: the text is no number, or no temperature there can be.
        """
        value = parse_number(text)
        if self._measuring.quantity == "length":
            unit = unit or self._measuring.unit
            return Indication(text, value, parse_unit(unit) if unit else None, raw, channel)
        return Temperature(parse_temperature_c(f"{value:f} {unit or self._measuring.scale}"), raw, channel)


def stated(code: str, status: Status, raw: bytes, channel: str) -> list[Decoded]:
    """Return what a status says, if anything. Each byte belongs to one event: a value that holds keeps the frame."""
    if not status.meaning:
        return []
    own = b"" if status.value_holds else raw
    return [Condition(code, status.meaning, own, channel, status.ends_mastering)]


def with_decimals(digits: str, decimals: int) -> str:
    """Return digits with a point before the last `decimals` of them, and a zero before it where none is."""
    if not decimals:
        return digits
    digits = digits.zfill(decimals + 1)
    return f"{digits[:-decimals]}.{digits[-decimals:]}"
