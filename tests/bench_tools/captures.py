"""Captures: what a gauge sends, the decoder's settings for it, and what must come of it, one TOML file each.

`what` describes the gauge and `composed` where the bytes come from. `bytes` is text, each character one byte
(ISO 8859-1). Where a frame gives several events, it is the last one that keeps its bytes.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from gaugepost.contract import Condition, Decoded, Decoder, Indication, Temperature, Unit
from gaugepost.contract.kit.decoders import Sample
from gaugepost_adapters.decoders.delimited_text import DelimitedText

FOLDER = Path(__file__).parents[1] / "captures"
DECODERS = {"delimited_text": DelimitedText}


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

    def make(self) -> Decoder:
        """Return a fresh decoder with this capture's settings."""
        kind = DECODERS[self.decoder]
        return kind(kind.Settings.model_validate(self.settings))

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
    data = told["bytes"].encode("latin-1")
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
