"""What is plugged in now: what a link may tell besides opening, so that nobody has to guess a name for a port."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar, Protocol, runtime_checkable


@dataclass(frozen=True, slots=True)
class Present:
    """Something a link could be opened on."""

    name: str
    """What it calls itself, as a person may read it on the gauge or its box; empty where it says nothing."""
    place: str
    """Where the system has it now, as "/dev/ttyUSB0"; another one after it is plugged in again."""
    settings: Mapping[str, str]
    """The link's settings that find it again, as {"usb": "1a2b:0c0d:B7"}."""
    decoder: Mapping[str, str] = field(default_factory=dict)
    """The decoder's settings that it tells itself, `kind` among them; empty where a person has to know them."""
    refused: str = ""
    """Why this user may not open it; empty where nothing is in the way."""
    remedy: str = ""
    """What to do about it, to be typed as it stands."""
    holders: tuple[str, ...] = ()
    """Programs that have it open now, as far as this user may see: "name (process 123)"."""
    notes: tuple[str, ...] = ()
    """What else is worth knowing before it is chosen, a sentence each."""


@runtime_checkable
class Lists(Protocol):
    """A kind of link that can say what is plugged in for it."""

    @staticmethod
    def present() -> list[Present]:
        """Return everything there is, by its place; nothing is opened. May block.

        Raises:
            GaugepostError: it can't be told here, with what to do.
        """


@runtime_checkable
class ListsByRadio(Protocol):
    """A kind of link that has to listen for some time to list what there is, which slows what it is connected to."""

    lists_by_radio: ClassVar[bool]
    """Whether it does: then it is asked only where somebody wants just that."""


@runtime_checkable
class Seeks(Protocol):
    """A link that leaves a far side that is away alone for some time, because looking for it slows others."""

    def seek(self) -> None:
        """Look for it at once, now or as soon as it is opened: somebody wants it."""


@runtime_checkable
class Confirms(Protocol):
    """A decoder whose gauge is told that its value was kept."""

    def confirmation(self, channel: str = "") -> bytes:
        """Return the bytes that say so, sent once the value is on the disk; empty where the gauge expects none."""
