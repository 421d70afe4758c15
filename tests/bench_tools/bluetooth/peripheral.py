"""A gauge on the far side of the radio, as a test describes and plays it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field


def full(short: str) -> str:
    """Return a UUID in full; the Bluetooth SIG's have four digits."""
    return short.lower() if len(short) > 4 else f"0000{short.lower()}-0000-1000-8000-00805f9b34fb"


@dataclass
class Characteristic:
    """One characteristic: what may be done with it, and what it holds."""

    uuid: str
    flags: tuple[str, ...]
    value: bytes = b""
    written: Callable[[bytes], None] | None = None
    """Called with what is written to it."""
    path: str = ""
    listeners: set[str] = field(default_factory=set)
    """The bus's names of those who subscribed."""


@dataclass
class Peripheral:
    """A gauge: its address, what it advertises, and its services. The test changes it as it goes along."""

    address: str
    name: str | None
    services: dict[str, list[Characteristic]]
    advertised: tuple[str, ...] = ()
    advertising: bool = True
    random: bool = False
    """Whether its address is of the random kind."""
    mtu: int = 247
    refuses: dict[str, tuple[str, str]] = field(default_factory=dict)
    """By method: the name and the text of the error that its next call gets."""
    mute: set[str] = field(default_factory=set)
    """Methods that are never answered."""
    heard: bytearray = field(default_factory=bytearray)
    """All that was written to it."""
    news: asyncio.Event = field(default_factory=asyncio.Event)

    def write(self, characteristic: Characteristic, data: bytes) -> None:
        """Take what somebody wrote."""
        characteristic.value = data
        self.heard += data
        self.news.set()
        if characteristic.written is not None:
            characteristic.written(data)

    def find(self, uuid: str) -> Characteristic:
        """Return the characteristic with this UUID."""
        return next(one for every in self.services.values() for one in every if full(one.uuid) == full(uuid))
