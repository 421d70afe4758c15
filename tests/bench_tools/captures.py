"""Captures: what a gauge sends, the decoder's settings for it, and what must come of it, one TOML file each.

`what` describes the gauge and `composed` where the bytes come from. `bytes` is text, each character one byte
(ISO 8859-1); `hex` is bytes in hexadecimal. Where a frame gives several events, the last one keeps its bytes. Frames
follow one another without a gap unless `packets` says that each comes as one, or `pause` how many seconds nothing comes
after each.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from decimal import Decimal
from functools import cached_property
from pathlib import Path
from typing import Any

from gaugepost.contract import AdapterSettings, Condition, Decoded, Decoder, Indication, Temperature, Unit
from gaugepost.contract.kit.decoders import Sample, decode
from gaugepost_adapters.decoders.binary.number import BinaryNumber
from gaugepost_adapters.decoders.delimited_text import DelimitedText
from gaugepost_adapters.decoders.fixed_fields import FixedFields
from gaugepost_adapters.decoders.hid.usage import HidUsage

FOLDER = Path(__file__).parents[1] / "captures"
DECODERS: dict[str, type[Decoder]] = {
    "delimited_text": DelimitedText,
    "fixed_fields": FixedFields,
    "binary_number": BinaryNumber,
    "hid_usage": HidUsage,
}


@dataclass(frozen=True)
class Frame:
    """One frame as sent, what must come of it, and (where the capture says) each value in mm."""

    data: bytes
    events: tuple[Decoded, ...]
    mm: tuple[Decimal, ...]


@dataclass(frozen=True)
class Capture:
    """A capture file."""

    name: str
    what: str
    composed: str
    decoder: str
    settings: dict[str, Any]
    frames: tuple[Frame, ...]
    packets: bool = False
    pause: float = 0.0

    @property
    def streamed(self) -> bool:
        """Whether frames follow one another with nothing but their own bytes to tell them apart."""
        return not self.packets and not self.pause

    @property
    def terminated(self) -> bool:
        """Whether frames are told apart by their terminator."""
        usual = "length" if self.decoder == "binary_number" else "terminator"
        return bool(self.settings.get("framing", usual) == "terminator")

    @cached_property
    def checked(self) -> AdapterSettings:
        """The settings as the station file's check leaves them."""
        return DECODERS[self.decoder].Settings.model_validate_json(json.dumps(self.settings), strict=True)

    def make(self) -> Decoder:
        """Return a fresh decoder with this capture's settings."""
        return DECODERS[self.decoder](self.checked)

    @property
    def samples(self) -> list[Sample]:
        """What the kit holds the decoder to: each frame, and all in a row where they may come so."""
        each = [
            Sample(frame.data, frame.events, complete=self.packets, silent=bool(self.pause))
            for frame in self.frames
        ]
        return [self.sample, *each] if self.streamed else each

    def hear(self, data: bytes, decoder: Decoder | None = None) -> list[Decoded]:
        """Return what a decoder makes of `data`, come as this capture's frames do; a fresh one where none is given."""
        decoder = decoder or self.make()
        events = decode(decoder, [data], complete=self.packets)
        return [*events, *decoder.idle(self.pause)] if self.pause else events

    @property
    def sample(self) -> Sample:
        """All frames in a row."""
        return Sample(self.data, tuple(event for frame in self.frames for event in frame.events))

    @property
    def data(self) -> bytes:
        """All bytes in a row."""
        return b"".join(frame.data for frame in self.frames)


def every() -> list[Capture]:
    """Return all captures, by name."""
    return [_load(path) for path in sorted(FOLDER.glob("*.toml"))]


def _load(path: Path) -> Capture:
    told = tomllib.loads(path.read_text("utf-8"))
    frames = tuple(_frame(frame) for frame in told.pop("frame"))
    return Capture(name=path.stem, frames=frames, **told)


def _frame(told: dict[str, Any]) -> Frame:
    data = bytes.fromhex(told["hex"]) if "hex" in told else told["bytes"].encode("latin-1")
    last = len(told["events"]) - 1
    events = tuple(_event(dict(event), data if n == last else b"") for n, event in enumerate(told["events"]))
    return Frame(data, events, tuple(Decimal(event["mm"]) for event in told["events"] if "mm" in event))


def _event(told: dict[str, Any], raw: bytes) -> Decoded:
    told.pop("mm", None)
    channel = told.pop("channel", "")
    if "indication" in told:
        unit = told.pop("unit", None)
        text, value = told.pop("indication"), Decimal(told.pop("value"))
        event: Decoded = Indication(text, value, Unit(unit) if unit else None, raw, channel)
    elif "celsius" in told:
        event = Temperature(Decimal(told.pop("celsius")), raw, channel)
    else:
        ends = told.pop("ends_mastering", False)
        event = Condition(told.pop("condition"), told.pop("meaning"), raw, channel, ends)
    assert not told, f"no such words in an event: {told}"
    return event
