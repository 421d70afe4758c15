"""What a station file says about a gauge on Bluetooth LE, checked without a radio."""

from __future__ import annotations

import re
from collections.abc import Iterable
from importlib.util import find_spec
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, field_validator, model_validator

from gaugepost.contract import AdapterSettings, Caution

_ADDRESS = re.compile(r"(?:[0-9A-F]{2}:){5}[0-9A-F]{2}", re.ASCII)
_SHORT = re.compile(r"[0-9A-Fa-f]{4}(?:[0-9A-Fa-f]{4})?", re.ASCII)
_LONG = re.compile(r"[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}", re.ASCII)
_ADAPTER = re.compile(r"hci[0-9]{1,3}", re.ASCII)

TO_INSTALL = "python -m pip install 'bleak>=3.1,<4'"


def uuid_128(short: str) -> str:
    """Return a UUID that the Bluetooth SIG assigned, of four or eight digits, in full (Core, Vol 3, Part B, 2.5.1)."""
    return f"{short.lower():0>8}-0000-1000-8000-00805f9b34fb"


def _in_full(said: object) -> object:
    if isinstance(said, str):
        if _SHORT.fullmatch(said):
            return uuid_128(said)
        if _LONG.fullmatch(said):
            return said.lower()
    raise ValueError(
        f'{str(said)[:60]!r} is no UUID; write "2A6E", or all 32 digits as "0000fff1-0000-1000-8000-00805f9b34fb"'
    )


Uuid = Annotated[str, BeforeValidator(_in_full)]


EVERY = "every"


def _by_channel(said: object) -> object:
    if said == EVERY:
        return {}
    if said == {}:
        raise ValueError(f'no characteristic is named; write its UUID, or "{EVERY}" for all that notify')
    return {"": said} if isinstance(said, str) else said


class Settings(AdapterSettings):
    """Which gauge is meant, and where in it the values are. It is bound by `address`, or by `name` and `service`."""

    address: str | None = None
    """Bluetooth address, as "00:00:5E:00:53:10". A gauge that changes its address is bound by name and service."""
    name: str | None = Field(default=None, min_length=1, max_length=248)
    """Name that the gauge advertises; with `service`, and only where no other gauge has the same."""
    service: Uuid | None = None
    """Service that the gauge advertises: "181A", or all 32 digits; characteristics are looked for there first."""
    values: Annotated[dict[str, Uuid], BeforeValidator(_by_channel), Field(max_length=16)]
    """Characteristic that values come from; where there are several, by the channels they stand for:
    {left = "0000fff1-...", right = "0000fff2-..."}. "every" is all that notify, each by its UUID as channel."""
    told: Literal["by-itself", "on-request"] = "by-itself"
    """Whether the gauge sends values (it notifies or indicates), or has them read when it is asked: by a person, a
    trigger or ask_every. Reading takes no bytes, so the decoder's `request` may be any text."""
    requests: Uuid | None = None
    """Characteristic that requests and confirmations are written to, where the gauge takes any."""
    battery_low: int = Field(default=10, ge=0, le=99)
    """Battery level, in percent, at which the battery is told to be low; 0 is never."""
    listen: Literal["by-turns", "always"] = "by-turns"
    """How it is listened for while it is away and others are connected: for some seconds every half minute, or always,
    which takes the radio's time from the others: for a gauge that wakes only to send its value, and sleeps again."""
    adapter: str | None = None
    """Bluetooth adapter of this computer, as "hci0", where it has several; left out, the first that is on."""

    @field_validator("address")
    @classmethod
    def _address_is_one(cls, address: str | None) -> str | None:
        if address is not None and not _ADDRESS.fullmatch(address := address.upper()):
            raise ValueError(f'{address!r} is no Bluetooth address; write it as "00:00:5E:00:53:10"')
        return address

    @field_validator("adapter")
    @classmethod
    def _adapter_is_one(cls, adapter: str | None) -> str | None:
        if adapter is not None and not _ADAPTER.fullmatch(adapter):
            raise ValueError(f'{adapter!r} is no Bluetooth adapter; write it as "hci0"')
        return adapter

    @model_validator(mode="after")
    def _agrees_with_itself(self) -> Self:
        if (self.address is None) == (self.name is None):
            raise ValueError(
                'one of address and name says which gauge is meant; write address = "00:00:5E:00:53:10"'
            )
        if self.name is not None and self.service is None:
            raise ValueError('a name alone is not enough to know a gauge by; write service = "..." with it')
        if len(set(self.values.values())) < len(self.values):
            raise ValueError("two channels have one characteristic; give each its own, or write one of them")
        if self.told == "on-request" and not self.values:
            raise ValueError('what is read has to be named; write the UUID in values, or told = "by-itself"')
        if self.told == "on-request" and self.requests is not None:
            raise ValueError(
                'a gauge that is read takes no requests; take requests out, or write told = "by-itself"'
            )
        return self

    def cautions(self) -> Iterable[Caution]:
        """Return whether the library for Bluetooth is missing here."""
        if find_spec("bleak") is None:
            yield Caution("kind", "the library for Bluetooth is not installed here", f"first: {TO_INSTALL}")
