"""The three contracts: a link carries bytes, a decoder reads them, a destination takes records.

Each adapter is a class with a `Settings` model that is checked offline; an object is made from checked settings and
opens nothing until it is asked to.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Protocol, runtime_checkable
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict

from gaugepost.core.indication import Chunk, Decoded, Moment


@dataclass(frozen=True, slots=True)
class Caution:
    """Something about one key of an adapter's settings: a finding, and what to write instead, if anything."""

    key: str
    finding: str
    write: str = ""


class AdapterSettings(BaseModel):
    """Base of every adapter's settings: unknown keys are errors, and nothing changes after the check."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    def cautions(self) -> Iterable[Caution]:
        """Return what whoever writes them should know, though the station runs with them."""
        return ()

    def come_to(self, station: str) -> Iterable[str]:
        """Return what they come to at `station`, where they don't say it themselves, in lines for a person."""
        return ()


@dataclass(frozen=True, slots=True)
class StationFacts:
    """What an adapter may know about the station it serves."""

    name: str
    zone: ZoneInfo
    """The station's time zone: due dates and daily files use it."""
    data: Path
    """Directory that relative paths in a destination's settings start from."""


class Link(Protocol):
    """What carries bytes between a gauge and the station.

    One that can say what is plugged in for it offers `gaugepost.contract.present.Lists` too, and one that looks for its
    far side now and then only, `Seeks`.
    """

    Settings: ClassVar[type[AdapterSettings]]

    def __init__(self, settings: AdapterSettings, now: Callable[[], Moment]) -> None: ...

    async def open(self) -> None:
        """Connect. Raises `LinkLost` (with what to do) where the far side is not there or may not be opened."""

    def chunks(self) -> AsyncIterator[Chunk]:
        """Yield bytes as they arrive. Raises `LinkLost` when the far side goes."""

    async def send(self, data: bytes, channel: str = "") -> None:
        """Write `data`. Raises `LinkLost` when the far side is gone."""

    async def close(self) -> None:
        """Let go of the far side; harmless when not open, and never raises `LinkLost`."""

    def describe(self) -> str:
        """Name the far side in words a person at the bench knows, as "/dev/ttyUSB0 at 9600 8N1"."""


class Decoder(Protocol):
    """Turns a link's chunks into indications and conditions. Does no I/O and knows no clock."""

    Settings: ClassVar[type[AdapterSettings]]

    def __init__(self, settings: AdapterSettings) -> None: ...

    def feed(self, chunk: Chunk) -> list[Decoded]:
        """Return what became complete with this chunk, in the order of arrival."""

    def idle(self, elapsed_s: float) -> list[Decoded]:
        """Return what a silence of `elapsed_s` seconds since the last chunk ends: half a frame is a `BadFrame`."""

    def request(self, channel: str = "") -> bytes:
        """Return the bytes that ask the gauge for its value; empty where it can't be asked."""

    def reset(self) -> list[Decoded]:
        """Forget half a frame, on reconnect; returned as a `BadFrame` where there was one."""


Publication = Mapping[str, object]
"""One record as published: the flat vocabulary, JSON-ready (exact numbers as text, times as RFC 3339 text)."""


def sequence_of(record: Publication) -> int:
    """Return a published record's sequence. Raises `TypeError` where it has none."""
    sequence = record["sequence"]
    if not isinstance(sequence, int):
        raise TypeError(f"a record's sequence is a whole number, not {sequence!r}")
    return sequence


@dataclass(frozen=True, slots=True)
class Refusal:
    """A record that the far side will never take, with its answer."""

    id: str
    answer: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a delivery went.

    `through` is the sequence of the last record that the far side surely holds or has refused; what comes after it in
    the batch is sent again.
    """

    through: int
    refused: Sequence[Refusal] = ()


class Destination(Protocol):
    """Where records are published. Records come in order; a repeat is the same batch with the same key.

    Where a person has refused records handed over again, they come in batches of their own, whose keys begin with
    "again-", and after records that were recorded later.
    """

    Settings: ClassVar[type[AdapterSettings]]

    def __init__(self, settings: AdapterSettings, station: StationFacts) -> None: ...

    async def open(self) -> None:
        """Get ready. Raises `Unreachable` to be asked again later."""

    async def deliver(self, batch: Sequence[Publication], key: str) -> Outcome:
        """Hand over `batch` (never empty, ascending by sequence) under the idempotency key `key`.

        Raises `Unreachable` where the far side can't be reached: the batch is kept and comes again.
        """

    async def close(self) -> None:
        """Let go; harmless when not open."""


@runtime_checkable
class Reaches(Protocol):
    """A destination that can say whether its far side lets it in, before anything is delivered."""

    async def reach(self) -> str:
        """Go in as for a delivery, hand over nothing and change nothing, and let go; return what answered.

        It is never asked while the destination is open. Raises `Unreachable` where the far side does not let it in.
        """
